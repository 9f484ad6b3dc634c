//! The next best measurement: which one would most reduce the doubt on the verdict.
//!
//! Doubt is the probability that the likelier verdict is the wrong one, min(P, 1 − P). Before a measurement is made its result
//! is not known, but how the chance of passing would move is: in the joint normal distribution a further reading takes a known
//! part of the covariance away and moves the means by a deviation of just that covariance. The expected doubt afterwards is
//! the mean over such moves (preposterior analysis, Raiffa and Schlaifer 1961).

use serde::Serialize;
use standards::Budget;

use crate::chance::{
    ChanceOptions, Joint, POPULATION_DB, Pair, Parts, Situation, Tally, central_spreads, choose, difference,
};
use crate::random::Random;

/// A measurement that could be made next.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Action {
    /// One more run of a set-up.
    Repeat {
        /// The set-up's number.
        set_up: usize,
    },
    /// The limit's own detector at an emission where another stands in.
    Detector {
        /// Frequency of the emission, Hz.
        frequency_hz: f64,
        /// Its set-up.
        set_up: usize,
    },
    /// The same sample at the laboratory, paired with the bench at these frequencies, Hz.
    LaboratoryPair {
        /// Frequencies of the pairs.
        frequency_hz: Vec<f64>,
    },
    /// Find out what a contribution of the bench's budget really is, to a quarter of its uncertainty.
    Settle {
        /// Name of the contribution.
        contribution: String,
    },
}

/// An action with what it costs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Candidate {
    /// The action.
    #[serde(flatten)]
    pub action: Action,
    /// In words.
    pub title: String,
    /// How long it takes, minutes.
    pub minutes: f64,
}

/// An action with what it is worth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ranked {
    /// The action.
    #[serde(flatten)]
    pub candidate: Candidate,
    /// Doubt now: probability that the likelier verdict is wrong.
    pub doubt_now: f64,
    /// Doubt to be expected after it.
    pub doubt_after: f64,
    /// Probability that it leaves a sure verdict (at most 5 % doubt).
    pub settles: f64,
    /// Doubt it removes an hour.
    pub gain_per_hour: f64,
}

/// What is left of a contribution's uncertainty when it has been settled.
const LEFT: f64 = 0.25;
/// Doubt up to which a verdict is called sure.
pub const SURE: f64 = 0.05;

/// Ranks actions by the doubt they remove an hour, best first.
pub fn rank(situation: &Situation<'_>, candidates: &[Candidate], seed: u64) -> Vec<Ranked> {
    let options = ChanceOptions { most_emissions: 60, most_pairs: 40, ..ChanceOptions::default() };
    let chosen = choose(situation, &options);
    let s = &chosen.situation;
    if s.emissions.is_empty() {
        return Vec::new();
    }
    let index = chosen.likeliest();
    let spreads = central_spreads(&s.repeatability, POPULATION_DB[index]);
    let now = chosen.parts.given(&s.emissions, &s.pairs, &spreads);
    let mut tally = Tally::new(s.emissions.len());
    tally.add(&now, 4096, &mut Random::new(seed), false);
    let p_now = tally.pass / tally.draws;
    let doubt_now = p_now.min(1.0 - p_now);
    let mut out: Vec<Ranked> = candidates
        .iter()
        .map(|c| {
            let bench;
            let mut other = s.clone();
            match &c.action {
                Action::Repeat { set_up } => {
                    for e in other.emissions.iter_mut().filter(|e| e.set_up == *set_up) {
                        e.repeats += 1;
                    }
                }
                Action::Detector { frequency_hz, set_up } => {
                    for e in other.emissions.iter_mut().filter(|e| e.set_up == *set_up) {
                        if (e.frequency_hz / frequency_hz - 1.0).abs() < 1e-6 {
                            e.stand_in = None;
                        }
                    }
                }
                Action::LaboratoryPair { frequency_hz } => {
                    let visit = usize::MAX;
                    other.pairs.extend(frequency_hz.iter().map(|&f| Pair {
                        frequency_hz: f,
                        difference_db: 0.0,
                        bench_readings: 1,
                        laboratory_readings: 1,
                        visit,
                    }));
                }
                Action::Settle { contribution } => {
                    bench = settled(s.bench, contribution, LEFT);
                    other.bench = &bench;
                }
            }
            // The values of further readings play no part in the covariance they leave.
            let after = Parts::new(&other).given(&other.emissions, &other.pairs, &spreads);
            let (gain, settles) = preposterior(&now, &after, seed);
            Ranked {
                candidate: c.clone(),
                doubt_now,
                doubt_after: doubt_now - gain,
                settles,
                gain_per_hour: gain / (c.minutes / 60.0),
            }
        })
        .collect();
    out.sort_by(|a, b| b.gain_per_hour.total_cmp(&a.gain_per_hour));
    out
}

/// A budget with one contribution's figures multiplied.
pub fn settled(budget: &Budget, contribution: &str, left: f64) -> Budget {
    let mut out = budget.clone();
    let scaled = budget.scaled(left);
    for (c, s) in out.contributions.iter_mut().zip(scaled.contributions) {
        if c.name == contribution {
            *c = s;
        }
    }
    out
}

/// Doubt that is expected to go, and the probability that little of it is left.
fn preposterior(now: &Joint, after: &Joint, seed: u64) -> (f64, f64) {
    const OUTER: usize = 96;
    const INNER: usize = 48;
    let n = now.mean_db.len();
    let moves = difference(&now.shared, &after.shared).cholesky();
    let mut random = Random::new(seed);
    let (mut z, mut shift) = (vec![0.0; n], vec![0.0; n]);
    let (mut sum, mut doubt, mut sure) = (0.0, 0.0, 0.0);
    let mut moved = after.clone();
    for _ in 0..OUTER {
        z.fill_with(|| random.normal());
        moves.times(&z, &mut shift);
        for sign in [1.0, -1.0] {
            for ((m, now), s) in moved.mean_db.iter_mut().zip(&now.mean_db).zip(&shift) {
                *m = now + sign * s;
            }
            let mut tally = Tally::new(n);
            // The same deviations for every move and every action: differences are then the actions'.
            tally.add(&moved, INNER, &mut Random::new(seed ^ 0x5eed), false);
            let p = tally.pass / tally.draws;
            sum += p;
            doubt += p.min(1.0 - p);
            sure += f64::from(u8::from(p.min(1.0 - p) <= SURE));
        }
    }
    let count = 2.0 * OUTER as f64;
    // The mean of the chances afterwards is the chance now, up to the same draws' own error, which this leaves out.
    let p = sum / count;
    ((p.min(1.0 - p) - doubt / count).max(0.0), sure / count)
}
