use serde::{Deserialize, Serialize};

use super::{Case, Maker, MakerKind, Path};
use crate::belief::{self, entropy};

/// What is done.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum ExperimentKind {
    /// Switch the product off and measure again.
    SwitchOff,
    /// Unplug a cable that is not needed for the function.
    Unplug {
        /// The cable.
        cable: String,
    },
    /// Clip ferrites on a cable close to the housing.
    ClipFerrite {
        /// The cable.
        cable: String,
    },
    /// Stop one maker: hold its clock, disable its converter, feed its rail from a bench supply.
    Stop {
        /// Name of the maker.
        maker: String,
    },
    /// Change the load of a converter by half.
    ChangeLoad {
        /// Name of the maker.
        maker: String,
    },
    /// Warm or cool an oscillator's parts and look whether the frequency moves.
    Cool {
        /// Name of the maker.
        maker: String,
    },
    /// Slow the edge of a converter by a larger gate resistor or a snubber.
    SlowEdge {
        /// Name of the maker.
        maker: String,
    },
}

impl ExperimentKind {
    /// A short form that can be written down and read back, e.g. `unplug:sensors`.
    pub fn key(&self) -> String {
        match self {
            Self::SwitchOff => "switch_off".to_owned(),
            Self::Unplug { cable } => format!("unplug:{cable}"),
            Self::ClipFerrite { cable } => format!("clip_ferrite:{cable}"),
            Self::Stop { maker } => format!("stop:{maker}"),
            Self::ChangeLoad { maker } => format!("change_load:{maker}"),
            Self::Cool { maker } => format!("cool:{maker}"),
            Self::SlowEdge { maker } => format!("slow_edge:{maker}"),
        }
    }

    /// Reads the short form; nothing where it is none.
    pub fn from_key(key: &str) -> Option<Self> {
        if key == "switch_off" {
            return Some(Self::SwitchOff);
        }
        let (what, name) = key.split_once(':')?;
        let name = name.to_owned();
        Some(match what {
            "unplug" => Self::Unplug { cable: name },
            "clip_ferrite" => Self::ClipFerrite { cable: name },
            "stop" => Self::Stop { maker: name },
            "change_load" => Self::ChangeLoad { maker: name },
            "cool" => Self::Cool { maker: name },
            "slow_edge" => Self::SlowEdge { maker: name },
            _ => return None,
        })
    }
}

/// An experiment with what it costs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Experiment {
    /// What is done.
    #[serde(flatten)]
    pub kind: ExperimentKind,
    /// Minutes on the bench (common practice).
    pub minutes: f64,
}

/// What an experiment showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// The emission changed: fell by 6 dB or more (ferrite, edge: 3 dB), or its frequency moved.
    Changed,
    /// It did not.
    Unchanged,
}

/// An experiment that was made, with all its readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Done {
    /// The experiment.
    #[serde(flatten)]
    pub experiment: Experiment,
    /// How many readings showed a change.
    pub changed: usize,
    /// How many showed none.
    pub unchanged: usize,
}

impl Done {
    /// Probability of these readings if this maker and path were the true ones, see [`belief::readings`].
    pub(super) fn probability(&self, maker: &Maker, path: &Path, frequency_hz: f64) -> f64 {
        let once = self.experiment.probability(Outcome::Changed, maker, path, frequency_hz);
        belief::readings(once, self.changed, self.unchanged)
    }

    /// What the readings say together; none where they balance.
    pub fn outcome(&self) -> Option<Outcome> {
        match self.changed.cmp(&self.unchanged) {
            std::cmp::Ordering::Greater => Some(Outcome::Changed),
            std::cmp::Ordering::Less => Some(Outcome::Unchanged),
            std::cmp::Ordering::Equal => None,
        }
    }

    /// The result as a sentence, for people.
    pub fn in_words(&self) -> String {
        let readings = self.changed + self.unchanged;
        let Some(outcome) = self.outcome() else {
            let subject = self.experiment.subject();
            return format!(
                "{subject} it changed in {} of {readings} readings: together they say nothing.",
                self.changed
            );
        };
        let said = self.experiment.in_words(outcome);
        if readings == 1 {
            return said;
        }
        format!(
            "{said} ({} of {readings} readings; a repeat guards against a misreading and counts no further.)",
            self.changed.max(self.unchanged)
        )
    }
}

/// An experiment with what it is expected to tell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proposal {
    /// The experiment.
    pub experiment: Experiment,
    /// What to do and what to look for.
    pub instruction: String,
    /// Safety, where it can hurt someone.
    pub caution: Option<String>,
    /// Expected information, bits: all of what it tells of the maker, a quarter of what it tells of the way out.
    pub information_bits: f64,
    /// Bits an hour.
    pub bits_per_hour: f64,
    /// Probability that the emission changes.
    pub chance_of_change: f64,
}

const MAINS: &str = "Mains-powered parts stay charged after switching off and their heat sinks can be live: disconnect, \
wait, measure before touching, work under supervision, and follow your local code.";

impl Experiment {
    /// With its usual cost.
    pub fn new(kind: ExperimentKind) -> Self {
        let minutes = match kind {
            ExperimentKind::SwitchOff => 3.0,
            ExperimentKind::Unplug { .. } => 4.0,
            ExperimentKind::ClipFerrite { .. } => 6.0,
            ExperimentKind::Stop { .. } => 15.0,
            ExperimentKind::ChangeLoad { .. } => 8.0,
            ExperimentKind::Cool { .. } => 8.0,
            ExperimentKind::SlowEdge { .. } => 45.0,
        };
        Self { kind, minutes }
    }

    /// Probability of an outcome if this maker and path were the true ones.
    pub(super) fn probability(&self, outcome: Outcome, maker: &Maker, path: &Path, frequency_hz: f64) -> f64 {
        let own = |name: &String| maker.name == *name;
        let changed = match &self.kind {
            ExperimentKind::SwitchOff => {
                if maker.kind == MakerKind::Ambient {
                    0.05
                } else {
                    0.97
                }
            }
            ExperimentKind::Unplug { cable } => match path {
                Path::Cable(c) if c == cable => 0.85,
                Path::Outside => 0.05,
                _ => 0.12,
            },
            ExperimentKind::ClipFerrite { cable } => match path {
                // A clip-on ferrite is some 100 Ω at 30 MHz and nearly nothing at 1 MHz.
                Path::Cable(c) if c == cable && frequency_hz > 10e6 => 0.75,
                Path::Cable(c) if c == cable => 0.25,
                _ => 0.1,
            },
            ExperimentKind::Stop { maker } => {
                if own(maker) {
                    0.93
                } else {
                    0.07
                }
            }
            ExperimentKind::ChangeLoad { maker: name } => match maker.kind {
                _ if own(name) => 0.75,
                MakerKind::Rectifier => 0.4,
                _ => 0.08,
            },
            ExperimentKind::Cool { maker: name } => match maker.kind {
                MakerKind::Clock if own(name) => 0.1,
                // Some tenths of a per cent: to be seen it must be a fifth of the bandwidth or so.
                _ if own(name) && 3e-3 * frequency_hz < 0.25 * crate::band_bandwidth_hz(frequency_hz) => 0.3,
                _ if own(name) => 0.85,
                _ => 0.05,
            },
            ExperimentKind::SlowEdge { maker } => {
                if own(maker) && frequency_hz > 1e6 {
                    0.75
                } else {
                    0.08
                }
            }
        };
        if outcome == Outcome::Changed { changed } else { 1.0 - changed }
    }

    fn subject(&self) -> String {
        match &self.kind {
            ExperimentKind::SwitchOff => "With the product switched off".to_owned(),
            ExperimentKind::Unplug { cable } => format!("With “{cable}” unplugged"),
            ExperimentKind::ClipFerrite { cable } => format!("With ferrites on “{cable}”"),
            ExperimentKind::Stop { maker } => format!("With “{maker}” stopped"),
            ExperimentKind::ChangeLoad { maker } => format!("With another load on “{maker}”"),
            ExperimentKind::Cool { maker } => format!("With “{maker}” warmed or cooled"),
            ExperimentKind::SlowEdge { maker } => format!("With slower edges of “{maker}”"),
        }
    }

    /// The result as a sentence, for people.
    pub fn in_words(&self, outcome: Outcome) -> String {
        let did = match (&self.kind, outcome) {
            (ExperimentKind::SwitchOff, Outcome::Changed) => "it is gone",
            (ExperimentKind::SwitchOff, Outcome::Unchanged) => "it is still there",
            (_, Outcome::Changed) => "it changed",
            (_, Outcome::Unchanged) => "it stayed",
        };
        format!("{} {did}.", self.subject())
    }

    fn instruction(&self) -> (String, Option<String>) {
        match &self.kind {
            ExperimentKind::SwitchOff => ("Switch the product off and measure again: is it gone?".to_owned(), None),
            ExperimentKind::Unplug { cable } => {
                (format!("Unplug “{cable}” at the housing: does it fall by 6 dB or more?"), None)
            }
            ExperimentKind::ClipFerrite { cable } => {
                (format!("Clip two ferrites on “{cable}” close to the housing: does it fall by 3 dB or more?"), None)
            }
            ExperimentKind::Stop { maker } => (
                format!(
                    "Stop “{maker}” (hold its reset, disable it, feed its rail from outside): does it fall by 4 dB or more?"
                ),
                Some(MAINS.to_owned()),
            ),
            ExperimentKind::ChangeLoad { maker } => (
                format!("Change the load of “{maker}” by half: does the frequency move, or the level by 3 dB?"),
                Some(MAINS.to_owned()),
            ),
            ExperimentKind::Cool { maker } => (
                format!("Warm or cool the parts of “{maker}” with the lid open: does the frequency move?"),
                Some(MAINS.to_owned()),
            ),
            ExperimentKind::SlowEdge { maker } => (
                format!("Slow the edge of “{maker}” (larger gate resistor, snubber): does it fall by 3 dB or more?"),
                Some(MAINS.to_owned()),
            ),
        }
    }
}

/// What an answer to "by which way" is worth against one to "who".
const WORTH_OF_WAY: f64 = 0.25;

impl Case {
    /// Entropy of the makers, and a part of that of the ways of each, bits.
    fn uncertainty(&self, probability: &[f64]) -> f64 {
        let mut of_maker = vec![0.0; self.makers.len()];
        for (h, p) in self.hypotheses.iter().zip(probability) {
            of_maker[h.maker] += p;
        }
        let makers = entropy(of_maker.into_iter());
        makers + WORTH_OF_WAY * (entropy(probability.iter().copied()) - makers)
    }

    /// Every experiment that is possible and not yet made, the one that tells most an hour first.
    pub fn proposals(&self) -> Vec<Proposal> {
        let mut kinds = vec![ExperimentKind::SwitchOff];
        for cable in &self.cables {
            if self.mains_cable.as_ref() != Some(cable) {
                kinds.push(ExperimentKind::Unplug { cable: cable.clone() });
            }
            kinds.push(ExperimentKind::ClipFerrite { cable: cable.clone() });
        }
        for maker in &self.makers {
            let name = || maker.name.clone();
            match maker.kind {
                MakerKind::Clock => {
                    kinds.push(ExperimentKind::Stop { maker: name() });
                }
                MakerKind::Converter => {
                    kinds.push(ExperimentKind::Stop { maker: name() });
                    kinds.push(ExperimentKind::ChangeLoad { maker: name() });
                    kinds.push(ExperimentKind::Cool { maker: name() });
                    kinds.push(ExperimentKind::SlowEdge { maker: name() });
                }
                MakerKind::Contact => kinds.push(ExperimentKind::Stop { maker: name() }),
                _ => {}
            }
        }
        kinds.retain(|k| !self.done.iter().any(|d| d.experiment.kind == *k));
        let weights: Vec<f64> = self.hypotheses.iter().map(|h| h.probability).collect();
        let before = self.uncertainty(&weights);
        let mut proposals: Vec<Proposal> = kinds
            .into_iter()
            .map(|kind| {
                let experiment = Experiment::new(kind);
                let mut after = 0.0;
                let mut chance_of_change = 0.0;
                for outcome in [Outcome::Changed, Outcome::Unchanged] {
                    let joint: Vec<f64> = self
                        .hypotheses
                        .iter()
                        .map(|h| {
                            h.probability
                                * experiment.probability(outcome, &self.makers[h.maker], &h.path, self.frequency_hz)
                        })
                        .collect();
                    let total: f64 = joint.iter().sum();
                    if total > 0.0 {
                        let scaled: Vec<f64> = joint.iter().map(|j| j / total).collect();
                        after += total * self.uncertainty(&scaled);
                    }
                    if outcome == Outcome::Changed {
                        chance_of_change = total;
                    }
                }
                let information_bits = (before - after).max(0.0);
                let (instruction, caution) = experiment.instruction();
                let bits_per_hour = information_bits / experiment.minutes * 60.0;
                Proposal { experiment, instruction, caution, information_bits, bits_per_hour, chance_of_change }
            })
            .collect();
        proposals.sort_by(|a, b| b.bits_per_hour.total_cmp(&a.bits_per_hour));
        proposals
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_forms_are_read_back() {
        for key in ["switch_off", "unplug:a:b", "clip_ferrite:x", "stop:y", "change_load:y", "cool:y", "slow_edge:y"] {
            assert_eq!(ExperimentKind::from_key(key).map(|k| k.key()).as_deref(), Some(key));
        }
        assert_eq!(ExperimentKind::from_key("burn:x"), None);
    }
}
