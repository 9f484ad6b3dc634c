//! Why a product falls over: hypotheses for what an immunity test showed, with evidence for and against and the experiment that
//! would decide.
//!
//! Two kinds of tests are understood. Of a radio-frequency test, field or conducted, the threshold over frequency is held
//! against what the product's own dimensions and clocks would make of it ([`curve`]). Of pulses (bursts, discharges, surges) the
//! levels at which each port fails, with either polarity, and what was seen ([`pulse`]). Weights are kept as in a case of an
//! emission ([`crate::belief`]), and so are experiments: each multiplies the weight of a hypothesis by the probability of what it
//! showed.

mod curve;
mod experiment;
mod pulse;
pub mod simulate;

use serde::{Deserialize, Serialize};

pub use curve::{Curve, CurvePoint, Dip, find_dips};
pub use experiment::{UpsetDone, UpsetExperiment, UpsetProposal};
pub use pulse::{PulseKind, PulseLevel};

use crate::belief;
use crate::case::{Outcome, Said};
use crate::{Source, hertz};

/// What could make the product fall over.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(tag = "what", content = "name", rename_all = "snake_case")]
pub enum Weakness {
    /// A junction in an audio or sensor path rectifies the carrier: what is left is the modulation.
    Demodulation,
    /// A cable in resonance, or in a conducted test the interface behind it.
    Cable(String),
    /// A slot of the housing in resonance.
    Slot(String),
    /// The inside of the housing in resonance.
    Enclosure,
    /// The carrier beats with a harmonic of a clock, or of a sampling or switching rate.
    Beat(String),
    /// It comes in by the supply: filter, converter.
    Supply,
    /// Pulses: common-mode current of a port reaches the pins behind it.
    Pins(String),
    /// Pulses: the current crosses the board and lifts its ground.
    GroundBounce,
    /// Pulses: the rails dip or rise.
    Rails,
    /// Pulses: the field of the discharge reaches a line inside.
    FieldInside,
    /// None of these.
    Other,
}

impl Weakness {
    /// For people.
    pub fn in_words(&self) -> String {
        match self {
            Self::Demodulation => "demodulation in an audio or sensor path".into(),
            Self::Cable(c) => format!("the cable “{c}” in resonance, or the interface behind it"),
            Self::Slot(s) => format!("the slot “{s}” in resonance"),
            Self::Enclosure => "the inside of the housing in resonance".into(),
            Self::Beat(s) => format!("a beat with “{s}”"),
            Self::Supply => "it comes in by the supply".into(),
            Self::Pins(p) => format!("common-mode current of “{p}” into the pins behind it"),
            Self::GroundBounce => "the pulse's current lifts the ground of the board".into(),
            Self::Rails => "the supply rails dip or rise with the pulse".into(),
            Self::FieldInside => "the field of the discharge reaches a line inside".into(),
            Self::Other => "none of these".into(),
        }
    }

    /// What usually helps, in a sentence.
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::Demodulation => {
                "A capacitor of some 100 pF to some nF straight at the junction's pins, a small resistor or bead before it, and a short loop; a screen ends all round."
            }
            Self::Cable(_) => {
                "Common-mode choke or ferrite at the housing, capacitors to the housing at the connector, the screen clamped all round."
            }
            Self::Slot(_) => "Divide the slot: more screws, fingers or a gasket; lines inside away from it.",
            Self::Enclosure => "Absorber, a wall or boards that divide the room, lines close to the chassis.",
            Self::Beat(_) => {
                "Filter at the input of what is disturbed, hysteresis or averaging in it, spread or shift the clock."
            }
            Self::Supply => "Common-mode choke and capacitors at the supply's entry, their resonance damped.",
            Self::Pins(_) => {
                "Series resistance, capacitor and clamp to the chassis at the connector, ferrite on the cable."
            }
            Self::GroundBounce => "Give the current another way: bond connectors and board to the chassis at one edge.",
            Self::Rails => "Larger and faster capacitors at the rail, choke at its entry, a reset circuit with filter.",
            Self::FieldInside => "Close slots, move reset and interrupt lines inwards, 1 nF and a resistor at them.",
            Self::Other => "Look for what the product's description leaves out.",
        }
    }
}

/// A cable as far as it matters here.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct UpsetCable {
    /// Its name.
    pub name: String,
    /// Length, m.
    pub length_m: Option<f64>,
    /// It carries the mains or another supply.
    pub supply: bool,
}

/// What is known of the product.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct UpsetProduct {
    /// Its cables.
    pub cables: Vec<UpsetCable>,
    /// Clocks, sampling rates and converters.
    pub sources: Vec<Source>,
    /// Inner dimensions of a conducting housing, m.
    pub housing_m: Option<[f64; 3]>,
    /// Slots: name and length, m.
    pub slots: Vec<(String, f64)>,
}

/// How the disturbance came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Injection {
    /// A field over the whole product.
    Field,
    /// Into one cable at a time.
    Conducted,
}

/// What was seen when it fell over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Effect {
    /// Noise, hum, a reading that wanders.
    Analogue,
    /// Wrong data, lost communication.
    Data,
    /// It started anew by itself.
    Reset,
    /// It stood still until it was switched off and on.
    Latch,
}

impl Effect {
    /// From what people write.
    pub fn read(text: &str) -> Option<Self> {
        let t = text.to_lowercase();
        let has = |words: &[&str]| words.iter().any(|w| t.contains(w));
        if has(&["latch", "hang", "hung", "frozen", "freeze", "stuck", "power cycle"]) {
            Some(Self::Latch)
        } else if has(&["reset", "reboot", "restart"]) {
            Some(Self::Reset)
        } else if has(&["noise", "hum", "audio", "drift", "reading", "offset", "flicker", "tone"]) {
            Some(Self::Analogue)
        } else if has(&["data", "communication", "link", "bit", "packet", "crc", "error"]) {
            Some(Self::Data)
        } else {
            None
        }
    }

    const fn in_words(self) -> &'static str {
        match self {
            Self::Analogue => "a reading or sound was disturbed",
            Self::Data => "data were wrong or lost",
            Self::Reset => "it started anew",
            Self::Latch => "it stood still until switched off and on",
        }
    }
}

/// A hypothesis with its weight and what speaks for and against it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RankedWeakness {
    /// The hypothesis.
    pub weakness: Weakness,
    /// In words.
    pub words: String,
    /// Posterior probability.
    pub probability: f64,
    /// What speaks for it, the strongest first.
    pub speaks_for: Vec<Said>,
    /// What speaks against it, the strongest first.
    pub speaks_against: Vec<Said>,
    /// What usually helps.
    pub remedy: String,
}

/// A piece of evidence.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Piece {
    /// In words, where a hypothesis has none of its own.
    pub(crate) text: String,
    /// In the words of each hypothesis.
    pub(crate) own: Vec<Option<String>>,
    /// Logarithm of its probability under each hypothesis.
    pub(crate) ln: Vec<f64>,
}

/// The case of one weakness.
#[derive(Debug, Clone, PartialEq)]
pub struct UpsetCase {
    /// Frequency of the lowest threshold, Hz; none for pulses.
    pub frequency_hz: Option<f64>,
    /// Dips of the threshold.
    pub dips: Vec<Dip>,
    /// Experiments that were made.
    pub done: Vec<UpsetDone>,
    /// What was read and decides nothing.
    pub remarks: Vec<String>,
    weaknesses: Vec<Weakness>,
    prior: Vec<f64>,
    pieces: Vec<Piece>,
    product: UpsetProduct,
    pulses: bool,
}

impl UpsetCase {
    /// Opens the case of a radio-frequency test: thresholds over frequency, one curve for a field, one for each cable that
    /// was driven in a conducted test. `effect`: what was seen.
    pub fn of_curves(
        product: &UpsetProduct,
        injection: Injection,
        curves: &[Curve],
        effect: Option<Effect>,
    ) -> Option<Self> {
        let worst = curve::worst(curves)?;
        let mut weaknesses = vec![Weakness::Demodulation];
        weaknesses.extend(product.cables.iter().map(|c| Weakness::Cable(c.name.clone())));
        if injection == Injection::Field {
            weaknesses.extend(product.slots.iter().map(|s| Weakness::Slot(s.0.clone())));
            if product.housing_m.is_some() {
                weaknesses.push(Weakness::Enclosure);
            }
        }
        weaknesses.extend(product.sources.iter().map(|s| Weakness::Beat(s.name.clone())));
        if product.cables.iter().any(|c| c.supply) {
            weaknesses.push(Weakness::Supply);
        }
        weaknesses.push(Weakness::Other);
        // Shares of common practice; each is divided among those of its kind.
        let share = |w: &Weakness| match (w, injection) {
            (Weakness::Demodulation, _) => 0.2,
            (Weakness::Cable(_), Injection::Field) => 0.32 / product.cables.len() as f64,
            (Weakness::Cable(_), Injection::Conducted) => 0.3 / product.cables.len() as f64,
            (Weakness::Slot(_), _) => 0.12 / product.slots.len() as f64,
            (Weakness::Enclosure, _) => 0.08,
            (Weakness::Beat(_), _) => 0.12 / product.sources.len() as f64,
            (Weakness::Supply, Injection::Conducted) => 0.18,
            (Weakness::Supply, Injection::Field) => 0.04,
            _ => 0.12,
        };
        let prior = weaknesses.iter().map(share).collect();
        let mut case = Self {
            frequency_hz: Some(curve::lowest(worst).frequency_hz),
            dips: find_dips(worst),
            done: Vec::new(),
            remarks: Vec::new(),
            weaknesses,
            prior,
            pieces: Vec::new(),
            product: product.clone(),
            pulses: false,
        };
        case.normalise();
        let weigh = curve::Weigh { product, injection, curves, worst };
        case.pieces.push(weigh.shape(&case.weaknesses, &case.dips));
        case.pieces.push(weigh.narrow(&case.weaknesses));
        case.pieces.extend(weigh.port(&case.weaknesses));
        if let Some(e) = effect {
            case.pieces.push(effect_of(e, &case.weaknesses));
        }
        if let Some(rise_db) = curve::unmodulated_rise_db(curves) {
            let outcome = if rise_db >= curve::UNMODULATED_RISE_DB { Outcome::Changed } else { Outcome::Unchanged };
            case.enter(&UpsetExperiment::Unmodulated, outcome);
            case.remarks
                .push(format!("Without modulation the threshold is {rise_db:.1} dB higher; read from the table."));
        }
        if worst.points.iter().filter(|p| !p.at_least).count() < 3 {
            case.remarks
                .push("Fewer than three frequencies have a threshold: the shape of the curve says little.".into());
        }
        Some(case)
    }

    /// Opens the case of a pulse test: the level at which each port fails with each polarity.
    pub fn of_pulses(product: &UpsetProduct, kind: PulseKind, levels: &[PulseLevel]) -> Option<Self> {
        if levels.iter().all(|l| l.at_least) {
            return None;
        }
        let mut ports: Vec<String> = Vec::new();
        for l in levels {
            if !ports.contains(&l.port) {
                ports.push(l.port.clone());
            }
        }
        let mut weaknesses: Vec<Weakness> = ports.iter().map(|p| Weakness::Pins(p.clone())).collect();
        weaknesses.push(Weakness::GroundBounce);
        weaknesses.push(Weakness::Rails);
        if kind != PulseKind::Surge {
            weaknesses.push(Weakness::FieldInside);
        }
        weaknesses.push(Weakness::Other);
        let share = |w: &Weakness| match w {
            Weakness::Pins(_) => 0.4 / ports.len() as f64,
            Weakness::GroundBounce => 0.22,
            Weakness::Rails => 0.15,
            Weakness::FieldInside if kind == PulseKind::Discharge => 0.2,
            Weakness::FieldInside => 0.06,
            _ => 0.1,
        };
        let prior = weaknesses.iter().map(share).collect();
        let mut case = Self {
            frequency_hz: None,
            dips: Vec::new(),
            done: Vec::new(),
            remarks: Vec::new(),
            prior,
            pieces: Vec::new(),
            product: product.clone(),
            pulses: true,
            weaknesses,
        };
        case.normalise();
        let supplies: Vec<String> = product.cables.iter().filter(|c| c.supply).map(|c| c.name.clone()).collect();
        case.pieces.extend(pulse::weigh(&case.weaknesses, &ports, &supplies, levels));
        Some(case)
    }

    fn normalise(&mut self) {
        let sum: f64 = self.prior.iter().sum();
        self.prior.iter_mut().for_each(|p| *p /= sum);
    }

    fn everything(&self) -> Vec<Piece> {
        let of_done = self.done.iter().map(|d| {
            let text = d.in_words();
            let ln = self.weaknesses.iter().map(|w| d.probability(w, &self.product).ln()).collect();
            Piece { text, own: vec![None; self.weaknesses.len()], ln }
        });
        self.pieces.iter().cloned().chain(of_done).collect()
    }

    fn probabilities(&self) -> Vec<f64> {
        let all = self.everything();
        belief::posterior(&self.prior, all.iter().map(|p| p.ln.as_slice()))
    }

    /// Enters what an experiment showed.
    pub fn enter(&mut self, experiment: &UpsetExperiment, outcome: Outcome) {
        let at = self.done.iter().position(|d| d.experiment == *experiment).unwrap_or_else(|| {
            self.done.push(UpsetDone { experiment: experiment.clone(), changed: 0, unchanged: 0 });
            self.done.len() - 1
        });
        match outcome {
            Outcome::Changed => self.done[at].changed += 1,
            Outcome::Unchanged => self.done[at].unchanged += 1,
        }
    }

    /// Hypotheses by posterior probability, the likeliest first.
    pub fn ranking(&self) -> Vec<RankedWeakness> {
        let probability = self.probabilities();
        let all = self.everything();
        let mut ranked: Vec<RankedWeakness> = self
            .weaknesses
            .iter()
            .enumerate()
            .map(|(i, weakness)| {
                let said = all.iter().filter_map(|p| {
                    let factor = belief::factor(&self.prior, &p.ln, &|k| k == i)?;
                    Some(Said { text: p.own[i].clone().unwrap_or_else(|| p.text.clone()), factor })
                });
                let (speaks_for, speaks_against) = belief::sorted(said);
                RankedWeakness {
                    weakness: weakness.clone(),
                    words: weakness.in_words(),
                    probability: probability[i],
                    speaks_for,
                    speaks_against,
                    remedy: weakness.remedy().to_owned(),
                }
            })
            .collect();
        ranked.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        ranked
    }

    /// Experiments not yet made, the one that tells most an hour first.
    pub fn proposals(&self) -> Vec<UpsetProposal> {
        let probability = self.probabilities();
        let mut out: Vec<UpsetProposal> = UpsetExperiment::all(&self.product, &self.weaknesses, self.pulses)
            .into_iter()
            .filter(|e| !self.done.iter().any(|d| d.experiment == *e))
            .map(|experiment| {
                let changed: Vec<f64> =
                    self.weaknesses.iter().map(|w| experiment.probability(w, &self.product)).collect();
                let (information_bits, chance_of_change) = belief::information(&probability, &changed);
                UpsetProposal::new(experiment, information_bits, chance_of_change)
            })
            .collect();
        out.sort_by(|a, b| b.bits_per_hour.total_cmp(&a.bits_per_hour));
        out
    }

    /// Where it falls over, in a sentence.
    pub fn in_words(&self) -> String {
        match (self.frequency_hz, self.dips.len()) {
            (Some(f), 0) => format!("The threshold is lowest at {}, without a clear dip.", hertz(f)),
            (Some(f), n) => {
                format!("The threshold is lowest at {}; {n} dip{} found.", hertz(f), if n == 1 { "" } else { "s" })
            }
            (None, _) => "Pulses at ports.".into(),
        }
    }
}

/// What was seen, under each hypothesis (common practice, coarse on purpose).
fn effect_of(effect: Effect, weaknesses: &[Weakness]) -> Piece {
    let p = |w: &Weakness| match (w, effect) {
        (Weakness::Demodulation, Effect::Analogue) => 0.85,
        (Weakness::Demodulation, _) => 0.05,
        (Weakness::Beat(_), Effect::Analogue) => 0.45,
        (Weakness::Beat(_), Effect::Data) => 0.35,
        (Weakness::Beat(_), _) => 0.1,
        (_, Effect::Analogue) => 0.3,
        (_, Effect::Data) => 0.35,
        (_, Effect::Reset) => 0.2,
        (_, Effect::Latch) => 0.15,
    };
    Piece {
        text: format!("What was seen: {}.", effect.in_words()),
        own: vec![None; weaknesses.len()],
        ln: weaknesses.iter().map(|w| f64::ln(p(w))).collect(),
    }
}
