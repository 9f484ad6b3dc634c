//! A case file: who can have made one emission, by which way it leaves, what speaks for and against, and the experiment
//! that would tell most for its cost.
//!
//! Every hypothesis is a maker and a path. Each piece of evidence multiplies its weight by the probability of seeing it if
//! the hypothesis were true (Bayes). Those probabilities are judgements from common practice, written down in one table
//! each; they are coarse on purpose, so that no single observation decides alone. Experiments are ranked by the expected
//! reduction of the entropy of the posterior (Lindley 1956, Ann. Math. Stat. 27, 986) over the minutes they cost.

mod evidence;
mod experiment;

use serde::{Deserialize, Serialize};

pub use evidence::{CaseEvidence, FunctionTest};
pub use experiment::{Experiment, ExperimentKind, Outcome, Proposal};

use crate::{Source, SourceKind};

/// What kind of thing makes the emission.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MakerKind {
    /// A clock.
    Clock,
    /// A switching converter.
    Converter,
    /// The mains rectifier, a thyristor or triac.
    Rectifier,
    /// A brush motor, a relay, a contact.
    Contact,
    /// An oscillator of the product that its description does not name.
    UnknownOscillator,
    /// Something outside the product.
    Ambient,
}

/// A possible maker.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Maker {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: MakerKind,
    /// Its oscillation, for clocks and converters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
    /// The function of the product it belongs to, where the product's functions can be switched.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub function: Option<String>,
}

/// How the emission leaves.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "way", content = "cable", rename_all = "snake_case")]
pub enum Path {
    /// Along a cable, as common mode.
    Cable(String),
    /// On the mains conductors against each other.
    MainsDifferential,
    /// From the boards, or through slots of the housing.
    Direct,
    /// It comes from outside.
    Outside,
}

/// What is known of the product.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CaseProduct {
    /// Makers it names; outsiders and unknown oscillators are added by the case.
    pub makers: Vec<Maker>,
    /// Names of its cables.
    pub cables: Vec<String>,
    /// Name of the mains cable, where it has one; also among `cables`.
    pub mains_cable: Option<String>,
    /// Mains frequency, Hz; 0 without mains.
    pub mains_hz: f64,
}

impl CaseProduct {
    /// From sources alone: each clock and converter is a maker; with mains there is a rectifier.
    pub fn of_sources(sources: &[Source], cables: Vec<String>, mains_cable: Option<String>, mains_hz: f64) -> Self {
        let mut makers: Vec<Maker> = sources
            .iter()
            .map(|s| Maker {
                name: s.name.clone(),
                kind: if s.kind == SourceKind::Clock { MakerKind::Clock } else { MakerKind::Converter },
                source: Some(s.clone()),
                function: None,
            })
            .collect();
        if mains_hz > 0.0 {
            let name = "mains rectifier".to_owned();
            makers.push(Maker { name, kind: MakerKind::Rectifier, source: None, function: None });
        }
        let name = "contacts and brushes".to_owned();
        makers.push(Maker { name, kind: MakerKind::Contact, source: None, function: None });
        Self { makers, cables, mains_cable, mains_hz }
    }
}

/// One sentence of evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Said {
    /// The sentence.
    pub text: String,
    /// By how much it changes the odds of this hypothesis against the mean of all, natural logarithm.
    pub weight: f64,
}

/// A maker and a path with their probability.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hypothesis {
    /// Position of the maker in [`Case::makers`].
    pub maker: usize,
    /// The way out.
    pub path: Path,
    /// Posterior probability.
    pub probability: f64,
    ln_weight: f64,
}

/// A maker with its probability over all paths, and what speaks for and against it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RankedMaker {
    /// The maker.
    pub maker: Maker,
    /// Posterior probability.
    pub probability: f64,
    /// Its likeliest path.
    pub path: Path,
    /// What speaks for it, the strongest first.
    pub speaks_for: Vec<Said>,
    /// What speaks against it, the strongest first.
    pub speaks_against: Vec<Said>,
}

/// The case of one emission.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Case {
    /// Frequency of the emission, Hz.
    pub frequency_hz: f64,
    /// All makers considered.
    pub makers: Vec<Maker>,
    /// All hypotheses, in no order.
    pub hypotheses: Vec<Hypothesis>,
    /// Experiments that were made, with what came out.
    pub done: Vec<(Experiment, Outcome)>,
    cables: Vec<String>,
    mains_cable: Option<String>,
    /// Per piece of evidence: its sentence and the logarithm of its probability for every maker.
    said: Vec<(String, Vec<f64>)>,
}

impl Case {
    /// Opens a case: all makers of the product, an unknown oscillator and the surroundings, each with every path that it
    /// can take, weighed by the evidence.
    pub fn open(product: &CaseProduct, evidence: &CaseEvidence) -> Self {
        let mut makers = product.makers.clone();
        let outsider = |name: &str, kind| Maker { name: name.to_owned(), kind, source: None, function: None };
        makers.push(outsider("an oscillator the product's description does not name", MakerKind::UnknownOscillator));
        makers.push(outsider("something outside the product", MakerKind::Ambient));
        let mut paths: Vec<Path> = product.cables.iter().cloned().map(Path::Cable).collect();
        paths.push(Path::Direct);
        if product.mains_cable.is_some() {
            paths.push(Path::MainsDifferential);
        }
        let named = (makers.len() - 2).max(1) as f64;
        let mut hypotheses = Vec::new();
        for (index, maker) in makers.iter().enumerate() {
            // Prior: the unknown and the outside each as likely as one named maker in ten.
            let prior: f64 = match maker.kind {
                MakerKind::UnknownOscillator | MakerKind::Ambient => 0.08,
                _ => 0.84 / named,
            };
            if maker.kind == MakerKind::Ambient {
                hypotheses.push(Hypothesis {
                    maker: index,
                    path: Path::Outside,
                    probability: 0.0,
                    ln_weight: prior.ln(),
                });
                continue;
            }
            let weights: Vec<f64> = paths.iter().map(|p| evidence.path_weight(p, product)).collect();
            let sum: f64 = weights.iter().sum();
            for (path, w) in paths.iter().zip(weights) {
                let ln_weight = (prior * w / sum).ln();
                hypotheses.push(Hypothesis { maker: index, path: path.clone(), probability: 0.0, ln_weight });
            }
        }
        let said = evidence.weigh(&makers, product);
        for (_, ln) in &said {
            for h in &mut hypotheses {
                h.ln_weight += ln[h.maker];
            }
        }
        let mut case = Self {
            frequency_hz: evidence.frequency_hz,
            makers,
            hypotheses,
            done: Vec::new(),
            cables: product.cables.clone(),
            mains_cable: product.mains_cable.clone(),
            said,
        };
        case.normalise();
        case
    }

    fn normalise(&mut self) {
        let top = self.hypotheses.iter().map(|h| h.ln_weight).fold(f64::NEG_INFINITY, f64::max);
        let sum: f64 = self.hypotheses.iter().map(|h| (h.ln_weight - top).exp()).sum();
        for h in &mut self.hypotheses {
            h.probability = (h.ln_weight - top).exp() / sum;
        }
    }

    /// Enters what an experiment showed.
    pub fn enter(&mut self, experiment: &Experiment, outcome: Outcome) {
        let mut ln_by_maker = vec![(0.0, 0.0); self.makers.len()];
        for h in &mut self.hypotheses {
            let p = experiment.probability(outcome, &self.makers[h.maker], &h.path, self.frequency_hz);
            ln_by_maker[h.maker].0 += h.probability * p;
            ln_by_maker[h.maker].1 += h.probability;
            h.ln_weight += p.ln();
        }
        let ln: Vec<f64> = ln_by_maker.iter().map(|(a, b)| if *b > 0.0 { (a / b).ln() } else { 0.0 }).collect();
        self.said.push((experiment.in_words(outcome), ln));
        self.done.push((experiment.clone(), outcome));
        self.normalise();
    }

    /// Makers by posterior probability, the likeliest first.
    pub fn ranking(&self) -> Vec<RankedMaker> {
        let mut ranked: Vec<RankedMaker> = self
            .makers
            .iter()
            .enumerate()
            .map(|(index, maker)| {
                let own = self.hypotheses.iter().filter(|h| h.maker == index);
                let probability = own.clone().map(|h| h.probability).sum();
                let best = own.max_by(|a, b| a.probability.total_cmp(&b.probability));
                let path = best.map_or(Path::Direct, |h| h.path.clone());
                let (mut speaks_for, mut speaks_against) = (Vec::new(), Vec::new());
                for (text, ln) in &self.said {
                    let mean = (ln.iter().map(|l| l.exp()).sum::<f64>() / ln.len() as f64).ln();
                    let said = Said { text: text.clone(), weight: ln[index] - mean };
                    if said.weight > 0.2 {
                        speaks_for.push(said);
                    } else if said.weight < -0.2 {
                        speaks_against.push(said);
                    }
                }
                speaks_for.sort_by(|a, b| b.weight.total_cmp(&a.weight));
                speaks_against.sort_by(|a, b| a.weight.total_cmp(&b.weight));
                RankedMaker { maker: maker.clone(), probability, path, speaks_for, speaks_against }
            })
            .collect();
        ranked.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        ranked
    }

    /// Paths by posterior probability, the likeliest first.
    pub fn paths(&self) -> Vec<(Path, f64)> {
        let mut paths: Vec<(Path, f64)> = Vec::new();
        for h in &self.hypotheses {
            match paths.iter_mut().find(|p| p.0 == h.path) {
                Some(p) => p.1 += h.probability,
                None => paths.push((h.path.clone(), h.probability)),
            }
        }
        paths.sort_by(|a, b| b.1.total_cmp(&a.1));
        paths
    }
}
