//! Experiments on a product that falls over, what they would show under each hypothesis, and what they cost.

use serde::{Deserialize, Serialize};

use super::{UpsetProduct, Weakness};
use crate::belief;

/// What can be done.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(tag = "experiment", content = "name", rename_all = "snake_case")]
pub enum UpsetExperiment {
    /// The carrier without its modulation.
    Unmodulated,
    /// Steps of a tenth of a per cent about the dip.
    FineStep,
    /// Ferrites on a cable at the housing.
    Ferrite(String),
    /// A cable longer or shorter by a quarter.
    Length(String),
    /// A slot taped over.
    Tape(String),
    /// Absorber inside, or the lid off.
    Absorber,
    /// A clock shifted.
    Shift(String),
    /// The supply through a filter, or from a battery.
    FilterSupply,
    /// Board and connectors strapped to the chassis or the plane.
    Bond,
    /// Resistor and capacitor at the input behind a port.
    Series(String),
    /// The discharge onto the coupling plane beside the product.
    Indirect,
}

impl UpsetExperiment {
    /// A short form to be written down and read back with [`UpsetExperiment::from_key`].
    pub fn key(&self) -> String {
        match self {
            Self::Unmodulated => "unmodulated".into(),
            Self::FineStep => "fine_step".into(),
            Self::Ferrite(c) => format!("ferrite:{c}"),
            Self::Length(c) => format!("length:{c}"),
            Self::Tape(s) => format!("tape:{s}"),
            Self::Absorber => "absorber".into(),
            Self::Shift(s) => format!("shift:{s}"),
            Self::FilterSupply => "filter_supply".into(),
            Self::Bond => "bond".into(),
            Self::Series(p) => format!("series:{p}"),
            Self::Indirect => "indirect".into(),
        }
    }

    /// Reads the short form; nothing where it is none.
    pub fn from_key(key: &str) -> Option<Self> {
        Some(match key.split_once(':') {
            Some(("ferrite", n)) => Self::Ferrite(n.into()),
            Some(("length", n)) => Self::Length(n.into()),
            Some(("tape", n)) => Self::Tape(n.into()),
            Some(("shift", n)) => Self::Shift(n.into()),
            Some(("series", n)) => Self::Series(n.into()),
            None => match key {
                "unmodulated" => Self::Unmodulated,
                "fine_step" => Self::FineStep,
                "absorber" => Self::Absorber,
                "filter_supply" => Self::FilterSupply,
                "bond" => Self::Bond,
                "indirect" => Self::Indirect,
                _ => return None,
            },
            _ => return None,
        })
    }

    /// Everything that could be done about these hypotheses.
    pub(super) fn all(product: &UpsetProduct, weaknesses: &[Weakness], pulses: bool) -> Vec<Self> {
        let mut out = Vec::new();
        if pulses {
            out.extend([Self::Bond, Self::FilterSupply]);
            if weaknesses.contains(&Weakness::FieldInside) {
                out.push(Self::Indirect);
            }
        } else {
            out.extend([Self::Unmodulated, Self::FineStep]);
        }
        for w in weaknesses {
            match w {
                Weakness::Cable(c) => {
                    out.push(Self::Ferrite(c.clone()));
                    out.push(Self::Length(c.clone()));
                }
                Weakness::Slot(s) => out.push(Self::Tape(s.clone())),
                Weakness::Enclosure => out.push(Self::Absorber),
                Weakness::Beat(s) => out.push(Self::Shift(s.clone())),
                Weakness::Supply => out.push(Self::FilterSupply),
                Weakness::Pins(p) => {
                    out.push(Self::Series(p.clone()));
                    if product.cables.iter().any(|c| c.name == *p) {
                        out.push(Self::Ferrite(p.clone()));
                    }
                }
                _ => {}
            }
        }
        out
    }

    /// Probability that the threshold changes if this were the weakness (common practice, coarse on purpose).
    pub(super) fn probability(&self, weakness: &Weakness, product: &UpsetProduct) -> f64 {
        let supply = |name: &str| product.cables.iter().any(|c| c.name == name && c.supply);
        match (self, weakness) {
            (Self::Unmodulated, Weakness::Demodulation) => 0.9,
            (Self::Unmodulated, Weakness::Beat(_)) => 0.15,
            (Self::Unmodulated, _) => 0.2,
            (Self::FineStep, Weakness::Beat(_)) => 0.9,
            (Self::FineStep, Weakness::Enclosure | Weakness::Other) => 0.12,
            (Self::FineStep, _) => 0.05,
            (Self::Ferrite(c), Weakness::Cable(w) | Weakness::Pins(w)) if c == w => 0.8,
            (Self::Ferrite(c), Weakness::Supply | Weakness::Rails) if supply(c) => 0.6,
            (Self::Ferrite(_), Weakness::Demodulation | Weakness::GroundBounce) => 0.25,
            (Self::Ferrite(_), _) => 0.08,
            (Self::Length(c), Weakness::Cable(w)) if c == w => 0.88,
            (Self::Length(_), _) => 0.07,
            (Self::Tape(s), Weakness::Slot(w)) if s == w => 0.87,
            (Self::Tape(_), Weakness::Enclosure) => 0.4,
            (Self::Tape(_), _) => 0.06,
            (Self::Absorber, Weakness::Enclosure) => 0.85,
            (Self::Absorber, Weakness::Slot(_)) => 0.2,
            (Self::Absorber, _) => 0.06,
            (Self::Shift(s), Weakness::Beat(w)) if s == w => 0.92,
            (Self::Shift(_), _) => 0.05,
            (Self::FilterSupply, Weakness::Supply | Weakness::Rails) => 0.87,
            (Self::FilterSupply, Weakness::Cable(c) | Weakness::Pins(c)) if supply(c) => 0.4,
            (Self::FilterSupply, Weakness::GroundBounce) => 0.15,
            (Self::FilterSupply, _) => 0.07,
            (Self::Bond, Weakness::GroundBounce) => 0.85,
            (Self::Bond, Weakness::Pins(_) | Weakness::Rails | Weakness::FieldInside) => 0.2,
            (Self::Bond, _) => 0.15,
            (Self::Series(p), Weakness::Pins(w)) if p == w => 0.87,
            (Self::Series(_), _) => 0.07,
            (Self::Indirect, Weakness::FieldInside) => 0.85,
            (Self::Indirect, Weakness::Pins(_) | Weakness::GroundBounce) => 0.2,
            (Self::Indirect, _) => 0.2,
        }
    }

    /// Minutes on the bench (common practice).
    pub fn minutes(&self) -> f64 {
        match self {
            Self::Unmodulated => 5.0,
            Self::FineStep => 10.0,
            Self::Ferrite(_) => 8.0,
            Self::Length(_) => 15.0,
            Self::Tape(_) => 10.0,
            Self::Absorber | Self::FilterSupply => 15.0,
            Self::Shift(_) => 40.0,
            Self::Bond => 12.0,
            Self::Series(_) => 25.0,
            Self::Indirect => 6.0,
        }
    }

    fn subject(&self) -> String {
        match self {
            Self::Unmodulated => "Without modulation".into(),
            Self::FineStep => "In fine steps the dip".into(),
            Self::Ferrite(c) => format!("With ferrites on “{c}”"),
            Self::Length(c) => format!("With “{c}” of another length"),
            Self::Tape(s) => format!("With “{s}” taped over"),
            Self::Absorber => "With absorber inside or the lid off".into(),
            Self::Shift(s) => format!("With “{s}” shifted"),
            Self::FilterSupply => "With the supply filtered".into(),
            Self::Bond => "With the board strapped to the chassis".into(),
            Self::Series(p) => format!("With resistor and capacitor behind “{p}”"),
            Self::Indirect => "With the discharge beside the product".into(),
        }
    }

    fn result(&self, changed: bool) -> &'static str {
        match (self, changed) {
            (Self::FineStep, true) => "is narrower than half a per cent",
            (Self::FineStep, false) => "is as wide as it looked",
            (Self::Indirect, true) => "it fails too",
            (Self::Indirect, false) => "it does not fail",
            (Self::Length(_), true) => "the dips moved",
            (Self::Length(_), false) => "the dips stayed",
            (Self::Shift(_), true) => "the dips moved with it",
            (Self::Shift(_), false) => "the dips stayed",
            (_, true) => "it bears clearly more",
            (_, false) => "it bears no more than before",
        }
    }

    /// What to do and what to look for.
    pub fn instruction(&self) -> String {
        match self {
            Self::Unmodulated => "Take the modulation off at the worst frequency and look for the threshold again: is it 8 dB higher or more? (80 % AM alone makes 5 dB.) Another modulation frequency: does what is seen follow it?".into(),
            Self::FineStep => "Step through the dip in steps of a tenth of a per cent: is it narrower than half a per cent?".into(),
            Self::Ferrite(c) => format!("Clip two ferrites on “{c}” at the housing: does the threshold rise by 3 dB or more, or the dip move?"),
            Self::Length(c) => format!("Make “{c}” longer or shorter by a quarter: do the dips move by as much?"),
            Self::Tape(s) => format!("Tape copper foil over “{s}”, pressed onto bare metal: does the threshold rise by 6 dB or more?"),
            Self::Absorber => "Lay absorber into the housing, or take the lid off: is the dip gone or moved?".into(),
            Self::Shift(s) => format!("Shift “{s}” by half a per cent: do the dips move with it?"),
            Self::FilterSupply => "Feed the product through an additional filter or from a battery: does the threshold rise by 6 dB or more?".into(),
            Self::Bond => "Strap the board's ground and the connectors to the chassis or the plane with short wide copper: does it bear 3 dB more?".into(),
            Self::Series(p) => format!("Put 100 ohm and 1 nF at the inputs behind “{p}”: does it bear 3 dB more?"),
            Self::Indirect => "Discharge onto the coupling plane, 0.1 m beside the product, at the same level: does it fail too?".into(),
        }
    }

    /// Safety, where it can hurt someone.
    pub fn caution(&self) -> Option<&'static str> {
        match self {
            Self::Series(_) | Self::Bond | Self::Absorber | Self::FilterSupply => Some(
                "Parts stay charged after switching off, and the generator does: disconnect, wait, discharge, measure before touching; never touch the product while pulses or fields are on; follow your local code.",
            ),
            Self::Indirect => {
                Some("Nobody with a pacemaker or other active implant near the discharge; hands off the planes.")
            }
            Self::Unmodulated | Self::FineStep => Some("Nobody in the field or at the clamp while it is on."),
            _ => None,
        }
    }
}

/// An experiment that was made, with all its readings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct UpsetDone {
    /// The experiment.
    #[serde(flatten)]
    pub experiment: UpsetExperiment,
    /// How many readings showed a change.
    pub changed: usize,
    /// How many showed none.
    pub unchanged: usize,
}

impl UpsetDone {
    pub(super) fn probability(&self, weakness: &Weakness, product: &UpsetProduct) -> f64 {
        belief::readings(self.experiment.probability(weakness, product), self.changed, self.unchanged)
    }

    /// The result as a sentence.
    pub fn in_words(&self) -> String {
        let readings = self.changed + self.unchanged;
        if self.changed == self.unchanged {
            return format!(
                "{}: as many readings for as against, together they say nothing.",
                self.experiment.subject()
            );
        }
        let said = self.experiment.result(self.changed > self.unchanged);
        let times = if readings > 1 {
            format!(" ({} of {readings} readings)", self.changed.max(self.unchanged))
        } else {
            String::new()
        };
        format!("{} {said}{times}.", self.experiment.subject())
    }
}

/// An experiment with what it is expected to tell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UpsetProposal {
    /// The experiment.
    #[serde(flatten)]
    pub experiment: UpsetExperiment,
    /// Its short form.
    pub key: String,
    /// What to do and what to look for.
    pub instruction: String,
    /// Safety, where it can hurt someone.
    pub caution: Option<String>,
    /// Minutes on the bench.
    pub minutes: f64,
    /// Expected information, bits.
    pub information_bits: f64,
    /// Bits an hour.
    pub bits_per_hour: f64,
    /// Probability of a change.
    pub chance_of_change: f64,
}

impl UpsetProposal {
    pub(super) fn new(experiment: UpsetExperiment, information_bits: f64, chance_of_change: f64) -> Self {
        let minutes = experiment.minutes();
        Self {
            key: experiment.key(),
            instruction: experiment.instruction(),
            caution: experiment.caution().map(str::to_owned),
            minutes,
            information_bits,
            bits_per_hour: information_bits / minutes * 60.0,
            chance_of_change,
            experiment,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_forms_are_read_back() {
        for key in [
            "unmodulated",
            "fine_step",
            "ferrite:a:b",
            "length:x",
            "tape:lid",
            "absorber",
            "shift:cpu",
            "filter_supply",
            "bond",
            "series:usb",
            "indirect",
        ] {
            assert_eq!(UpsetExperiment::from_key(key).map(|e| e.key()).as_deref(), Some(key));
        }
        assert_eq!(UpsetExperiment::from_key("unplug:x"), None);
    }
}
