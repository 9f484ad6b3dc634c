//! Products with a known maker of one emission, measured in a simulated way: peaks with clutter, detectors, time records,
//! functions switched on and off, experiments. The evidence passes through the same analyses as real readings do.

use crate::case::{
    Case, CaseEvidence, CaseProduct, Experiment, ExperimentKind, FunctionTest, Maker, MakerKind, Outcome, Path,
};
use crate::functions::which_follow;
use crate::mode::Mode;
use crate::noise::{Readings, kind_from_detectors, time_structure};
use crate::{CombSearch, Peak, Random, Source, SourceKind, explain};
use standards::Band;

/// A product and its truth.
#[derive(Debug, Clone)]
pub struct SimulatedProduct {
    /// What its description says.
    pub product: CaseProduct,
    /// Name of the true maker; for the unknown and the outside that of the case.
    pub true_kind: MakerKind,
    /// Name of the true maker where the product names it.
    pub true_maker: Option<String>,
    /// The true path.
    pub true_path: Path,
    /// Frequency of the emission, Hz.
    pub frequency_hz: f64,
    /// All peaks.
    pub peaks: Vec<Peak>,
    /// What was observed beside the peaks.
    pub evidence: CaseEvidence,
    share_of_path: f64,
}

/// Kinds of true makers that are drawn, with their share.
const KINDS: [(MakerKind, f64); 6] = [
    (MakerKind::Clock, 0.3),
    (MakerKind::Converter, 0.35),
    (MakerKind::Rectifier, 0.12),
    (MakerKind::Contact, 0.11),
    (MakerKind::UnknownOscillator, 0.06),
    (MakerKind::Ambient, 0.06),
];

fn draw_kind(random: &mut Random) -> MakerKind {
    let mut rest = random.unit();
    for (kind, share) in KINDS {
        rest -= share;
        if rest < 0.0 {
            return kind;
        }
    }
    MakerKind::Converter
}

const FUNCTIONS: [&str; 3] = ["drive", "display", "charging"];

fn makers(random: &mut Random) -> (Vec<Maker>, Vec<f64>) {
    let mut makers = Vec::new();
    // The frequency each really has.
    let mut actual = Vec::new();
    let function = |random: &mut Random| random.chance(0.6).then(|| FUNCTIONS[random.below(3)].to_owned());
    let clocks = [8e6, 12e6, 16e6, 24e6, 25e6, 26e6, 32e6, 33.333e6, 40e6, 48e6, 50e6];
    let mut taken: Vec<f64> = Vec::new();
    for i in 0..=random.below(3) {
        let f = clocks[random.below(clocks.len())];
        if taken.iter().any(|t| (t / f).fract() == 0.0 || (f / t).fract() == 0.0) {
            continue;
        }
        taken.push(f);
        let source = Source {
            name: format!("clock {}", i + 1),
            kind: SourceKind::Clock,
            frequency_hz: f,
            relative_tolerance: None,
            duty: None,
            rise_time_s: None,
        };
        let function = function(random);
        makers.push(Maker { name: source.name.clone(), kind: MakerKind::Clock, source: Some(source), function });
        actual.push(f * (1.0 + 60e-6 * random.between(-1.0, 1.0)));
    }
    for i in 0..=random.below(3) {
        let f = random.log_between(60e3, 1.2e6);
        let source = Source {
            name: format!("converter {}", i + 1),
            kind: SourceKind::Converter,
            frequency_hz: (f / 1e3).round() * 1e3,
            relative_tolerance: None,
            duty: None,
            rise_time_s: None,
        };
        let function = function(random);
        makers.push(Maker { name: source.name.clone(), kind: MakerKind::Converter, source: Some(source), function });
        actual.push(f * (1.0 + 0.06 * random.normal()).clamp(0.86, 1.14));
    }
    let name = "mains rectifier".to_owned();
    makers.push(Maker { name, kind: MakerKind::Rectifier, source: None, function: None });
    actual.push(0.0);
    let (name, function) = ("contacts and brushes".to_owned(), Some(FUNCTIONS[0].to_owned()));
    makers.push(Maker { name, kind: MakerKind::Contact, source: None, function });
    actual.push(0.0);
    (makers, actual)
}

/// Multiples of a fundamental in a range, 45 % missing, with errors of an eighth of the bandwidth.
fn comb(f0: f64, from_hz: f64, to_hz: f64, bandwidth_hz: f64, most: usize, random: &mut Random) -> Vec<f64> {
    let mut found = Vec::new();
    let mut n = (from_hz / f0).ceil().max(1.0);
    while n * f0 <= to_hz && found.len() < most {
        if !random.chance(0.45) {
            found.push(n * f0 + bandwidth_hz * 0.125 * random.between(-1.0, 1.0));
        }
        n += 1.0;
    }
    found
}

/// Draws a product with its emission.
pub fn product(random: &mut Random) -> SimulatedProduct {
    loop {
        if let Some(p) = attempt(random) {
            return p;
        }
    }
}

fn attempt(random: &mut Random) -> Option<SimulatedProduct> {
    let (makers, actual) = makers(random);
    let true_kind = draw_kind(random);
    let of_kind: Vec<usize> = (0..makers.len()).filter(|&i| makers[i].kind == true_kind).collect();
    let true_index = if of_kind.is_empty() { None } else { Some(of_kind[random.below(of_kind.len())]) };
    let true_f0 = match true_kind {
        MakerKind::UnknownOscillator => random.log_between(150e3, 30e6),
        _ => true_index.map_or(0.0, |i| actual[i]),
    };
    let radiated = match true_kind {
        MakerKind::Clock => true,
        MakerKind::Converter => true_f0 > 350e3 && random.chance(0.35),
        MakerKind::UnknownOscillator => true_f0 > 2e6,
        _ => random.chance(0.4),
    };
    let (from_hz, to_hz, bandwidth_hz) = if radiated { (30e6, 600e6, 120e3) } else { (150e3, 30e6, 9e3) };
    let mut frequencies = Vec::new();
    for (maker, f0) in makers.iter().zip(&actual) {
        let is_true = Some(&maker.name) == true_index.map(|i| &makers[i].name);
        let visible = *f0 > 2.2 * bandwidth_hz && !is_true && random.chance(0.6);
        if visible {
            frequencies.extend(comb(*f0, from_hz, to_hz, bandwidth_hz, 6 + random.below(14), random));
        }
    }
    let frequency_hz = if true_f0 > 0.0 {
        if true_f0 < 2.2 * bandwidth_hz {
            return None;
        }
        let own = comb(true_f0, from_hz, to_hz, bandwidth_hz, 6 + random.below(14), random);
        if own.is_empty() {
            return None;
        }
        let target = own[random.below(own.len())];
        frequencies.extend(own);
        target
    } else if true_kind == MakerKind::Ambient && random.chance(0.8) {
        // Strong transmitters are mostly where the Radio Regulations put them.
        let inside: Vec<_> =
            crate::case::bands::RADIO_BANDS.iter().filter(|b| b.from_hz >= from_hz && b.to_hz <= to_hz).collect();
        let band = inside[random.below(inside.len())];
        random.between(band.from_hz, band.to_hz)
    } else {
        random.log_between(from_hz, to_hz)
    };
    frequencies.push(frequency_hz);
    for _ in 0..3 + random.below(6) {
        frequencies.push(random.log_between(from_hz, to_hz));
    }
    frequencies.sort_by(f64::total_cmp);
    // Lines closer than half the bandwidth are one peak.
    frequencies.dedup_by(|a, b| (*a - *b).abs() < 0.5 * bandwidth_hz);
    let peaks: Vec<Peak> = frequencies
        .iter()
        .map(|f| Peak { frequency_hz: *f, level_db: random.between(35.0, 60.0), bandwidth_hz, tolerance_hz: None })
        .collect();

    let cables: Vec<String> =
        ["mains", "sensors", "actuators", "network"][..2 + random.below(3)].iter().map(|s| (*s).to_owned()).collect();
    let true_path = if true_kind == MakerKind::Ambient {
        Path::Outside
    } else if radiated {
        if random.chance(0.7) { Path::Cable(cables[random.below(cables.len())].clone()) } else { Path::Direct }
    } else if random.chance(0.45) {
        Path::MainsDifferential
    } else {
        Path::Cable(cables[if random.chance(0.6) { 0 } else { random.below(cables.len()) }].clone())
    };
    let product = CaseProduct { makers, cables, mains_cable: Some("mains".to_owned()), mains_hz: 50.0 };
    let true_maker = true_index.map(|i| product.makers[i].clone());
    let explanation = explain(&peaks, &sources(&product), &CombSearch::default()).expect("valid peaks");
    let mut evidence = CaseEvidence::of_peak(frequency_hz, &peaks, &explanation);
    observe(&mut evidence, true_kind, true_maker.as_ref(), &true_path, radiated, random);
    Some(SimulatedProduct {
        product,
        true_kind,
        true_maker: true_maker.map(|m| m.name),
        true_path,
        frequency_hz,
        peaks,
        evidence,
        share_of_path: random.between(0.7, 0.97),
    })
}

fn sources(product: &CaseProduct) -> Vec<Source> {
    product.makers.iter().filter_map(|m| m.source.clone()).collect()
}

/// Detectors, a time record, functions, the product off, the mode: each only in a part of the cases.
fn observe(
    evidence: &mut CaseEvidence,
    kind: MakerKind,
    maker: Option<&Maker>,
    path: &Path,
    radiated: bool,
    random: &mut Random,
) {
    let ripples = kind == MakerKind::Converter && random.chance(0.35);
    let keyed = kind == MakerKind::Ambient && random.chance(0.5);
    if random.chance(0.8) {
        // Peak over average, and peak over quasi-peak, as each kind of signal has it, with an error of a decibel or so.
        let (average, quasi) = match kind {
            MakerKind::Clock | MakerKind::UnknownOscillator => (0.8, 0.3),
            MakerKind::Converter if ripples => (random.between(4.0, 9.0), 2.0),
            MakerKind::Converter => (random.between(0.5, 4.0), 0.7),
            // 100 Hz pulses; the average stops at the receiver's noise.
            MakerKind::Rectifier => (random.between(24.0, 39.5), if radiated { 11.9 } else { 6.5 }),
            MakerKind::Contact => (random.between(10.0, 35.0), random.between(3.0, 16.0)),
            MakerKind::Ambient if keyed => (random.between(6.0, 14.0), 3.0),
            MakerKind::Ambient => (random.between(0.5, 3.0), 0.5),
        };
        let readings = Readings {
            peak_db: Some(60.0),
            quasi_peak_db: Some(60.0 - (quasi + 0.8 * random.normal()).max(0.0)),
            average_db: Some(60.0 - (average + 0.8 * random.normal()).max(0.0)),
            rms_db: None,
        };
        let band = if radiated { Band::C } else { Band::B };
        evidence.kind = Some(kind_from_detectors(&readings, evidence.bandwidth_hz, band).kind);
    }
    if random.chance(0.6) {
        let (phase, depth) = (random.unit(), random.between(3.0, 9.0));
        let levels: Vec<f64> = (0..400)
            .map(|i| {
                let t = f64::from(i) * 1e-3;
                let mains = u8::from((t * 100.0 + phase).fract() < 0.35);
                let own = match kind {
                    MakerKind::Converter if ripples => depth * f64::from(mains),
                    MakerKind::Rectifier => 2.0 * depth * f64::from(mains),
                    MakerKind::Contact => 18.0 * f64::from(u8::from(random.chance(0.04))),
                    MakerKind::Ambient if keyed => depth * f64::from(u8::from(random.chance(0.5))),
                    _ => 0.0,
                };
                50.0 + own + 0.4 * random.normal()
            })
            .collect();
        evidence.timing = time_structure(&levels, 1e-3, 50.0).map(|t| t.structure);
    }
    if random.chance(0.5) {
        let on: Vec<Vec<bool>> = (0..8).map(|t| (0..3).map(|j| (t >> j) & 1 == 1).collect()).collect();
        let effects: Vec<f64> = FUNCTIONS
            .iter()
            .map(|f| {
                if maker.is_some_and(|m| m.function.as_deref() == Some(f)) {
                    random.between(8.0, 20.0)
                } else if kind == MakerKind::Converter && random.chance(0.2) {
                    random.between(2.0, 4.0)
                } else {
                    0.0
                }
            })
            .collect();
        // Twenty frequencies, the first is the emission's.
        let levels: Vec<Vec<f64>> = on
            .iter()
            .map(|states| {
                (0..20)
                    .map(|i| {
                        let own: f64 =
                            states.iter().zip(&effects).map(|(s, e)| if *s && i == 0 { *e } else { 0.0 }).sum();
                        40.0 + own + 1.2 * random.normal()
                    })
                    .collect()
            })
            .collect();
        if let Ok(found) = which_follow(&on, &levels, 0.05) {
            evidence.functions = Some(FunctionTest {
                switched: FUNCTIONS.iter().map(|f| (*f).to_owned()).collect(),
                follows: found
                    .iter()
                    .filter(|f| f.frequency == 0 && f.effect_db > 0.0)
                    .map(|f| FUNCTIONS[f.function].to_owned())
                    .collect(),
            });
        }
    }
    if random.chance(0.5) {
        evidence.there_when_off = Some((kind == MakerKind::Ambient) != random.chance(0.02));
    }
    if !radiated && random.chance(0.5) {
        let truth = if *path == Path::MainsDifferential { Mode::Differential } else { Mode::Common };
        evidence.mode = Some(if random.chance(0.15) { Mode::Both } else { truth });
    }
}

impl SimulatedProduct {
    /// Its case as first opened.
    pub fn case(&self) -> Case {
        Case::open(&self.product, &self.evidence)
    }

    /// Place of the true maker in a ranking, from 0.
    pub fn place(&self, case: &Case) -> usize {
        let is_true = |m: &Maker| match &self.true_maker {
            Some(name) => m.name == *name,
            None => m.kind == self.true_kind,
        };
        case.ranking().iter().position(|r| is_true(&r.maker)).unwrap_or(usize::MAX)
    }

    /// What an experiment would show: the share of the true path and maker removed, with 3 % of the readings wrong.
    pub fn perform(&self, experiment: &Experiment, random: &mut Random) -> Outcome {
        let own = |name: &String| self.true_maker.as_ref() == Some(name);
        let on_path = |cable: &String| self.true_path == Path::Cable(cable.clone());
        let ambient = self.true_kind == MakerKind::Ambient;
        let changed = match &experiment.kind {
            ExperimentKind::SwitchOff => !ambient,
            // 6 dB less needs three quarters of the power to go.
            ExperimentKind::Unplug { cable } => on_path(cable) && self.share_of_path > 0.75,
            ExperimentKind::ClipFerrite { cable } => {
                let loss_db =
                    if self.frequency_hz > 10e6 { random.between(3.0, 9.0) } else { random.between(0.0, 3.0) };
                let left = 1.0 - self.share_of_path + self.share_of_path * 10f64.powf(-loss_db / 10.0);
                on_path(cable) && -10.0 * left.log10() >= 3.0
            }
            ExperimentKind::Stop { maker } => own(maker),
            ExperimentKind::ChangeLoad { maker } => own(maker) && random.chance(0.8),
            ExperimentKind::Cool { maker } => {
                own(maker) && self.true_kind == MakerKind::Converter && random.chance(0.9)
            }
            ExperimentKind::SlowEdge { maker } => own(maker) && self.frequency_hz > 2e6,
        };
        if changed != random.chance(0.03) { Outcome::Changed } else { Outcome::Unchanged }
    }
}
