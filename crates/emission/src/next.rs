//! The next best measurement: which one would most reduce the doubt on the verdict.
//!
//! Doubt is the probability that the likelier verdict is the wrong one, min(P, 1 − P). Before a measurement is made its result
//! is not known, but how the chance of passing would move is: in the joint normal distribution a further reading takes a known
//! part of the covariance away and moves the means by a deviation of just that covariance. The expected doubt afterwards is
//! the mean over such moves (preposterior analysis, Raiffa and Schlaifer 1961). Where several measurements together decide,
//! the doubt is that of them all.

use serde::Serialize;
use standards::Budget;

use crate::chance::{
    ChanceOptions, Joint, POPULATION_DB, Pair, Parts, Situation, StandIn, Tally, central_spreads, choose, difference,
};
use crate::normal_below;
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
    /// Doubt to be expected after it: at most that of now.
    pub doubt_after: f64,
    /// Probability that it leaves a sure verdict (at most 5 % doubt).
    pub settles: f64,
    /// Share (0 to 1) of the verdict's variance P(1 − P) that it is expected to take away. Unlike the doubt this falls
    /// even where no result could turn the likelier verdict.
    pub sharpens: f64,
    /// Doubt it removes an hour.
    pub gain_per_hour: f64,
}

/// What the situation is a part of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Whole {
    /// Chance (0 to 1) that this situation passes.
    pub chance: f64,
    /// Chance (0 to 1) that all others which have to pass do.
    pub others: f64,
}

/// What is left of a contribution's uncertainty when it has been settled.
const LEFT: f64 = 0.25;
/// Doubt up to which a verdict is called sure.
pub const SURE: f64 = 0.05;

/// Ranks actions by the doubt they remove an hour, best first, where this situation alone decides.
pub fn rank(situation: &Situation<'_>, candidates: &[Candidate], seed: u64) -> Vec<Ranked> {
    ranked(situation, candidates, None, seed)
}

/// Ranks actions by the doubt on the verdict of the whole that they remove an hour, best first.
pub fn rank_within(situation: &Situation<'_>, candidates: &[Candidate], whole: Whole, seed: u64) -> Vec<Ranked> {
    ranked(situation, candidates, Some(whole), seed)
}

/// Best first: by the doubt that goes an hour to a tenth of a point, then by how much sharper the verdict gets an hour.
pub fn order(a: &Ranked, b: &Ranked) -> std::cmp::Ordering {
    let tenths = |r: &Ranked| (1000.0 * r.gain_per_hour).round();
    let sharp = |r: &Ranked| r.sharpens / r.candidate.minutes;
    tenths(b).total_cmp(&tenths(a)).then(sharp(b).total_cmp(&sharp(a)))
}

fn ranked(situation: &Situation<'_>, candidates: &[Candidate], whole: Option<Whole>, seed: u64) -> Vec<Ranked> {
    let options = ChanceOptions { most_emissions: 60, most_pairs: 40, ..ChanceOptions::default() };
    let chosen = choose(situation, &options);
    let s = &chosen.situation;
    if s.emissions.is_empty() {
        return Vec::new();
    }
    let index = chosen.likeliest();
    let spreads = central_spreads(&s.repeatability, POPULATION_DB[index]);
    let now = chosen.parts.given(&s.emissions, &s.pairs, &spreads);
    let whole = whole.unwrap_or_else(|| {
        let mut tally = Tally::new(s.emissions.len());
        tally.add(&now, 4096, &mut Random::new(seed), false);
        Whole { chance: tally.pass / tally.draws, others: 1.0 }
    });
    let p_now = (whole.chance * whole.others).clamp(0.0, 1.0);
    let doubt_now = p_now.min(1.0 - p_now);
    let mut out: Vec<Ranked> = candidates
        .iter()
        .map(|c| {
            let after = afterwards(s, &c.action).given_in(&spreads);
            let found = preposterior(&now, &after, whole.others, DRAWS, seed);
            let doubt_after = doubt_now * found.doubt_left;
            Ranked {
                candidate: c.clone(),
                doubt_now,
                doubt_after,
                settles: found.settles,
                sharpens: 1.0 - found.variance_left,
                gain_per_hour: (doubt_now - doubt_after) / (c.minutes / 60.0),
            }
        })
        .collect();
    out.sort_by(order);
    out
}

/// A situation that an action has led to. The values of further readings play no part in the covariance they leave.
struct Afterwards<'a> {
    situation: Situation<'a>,
    bench: Option<Budget>,
}

impl Afterwards<'_> {
    fn given_in(&self, spreads: &crate::chance::Spreads) -> Joint {
        let bench = self.bench.as_ref().unwrap_or(self.situation.bench);
        let s = Situation { bench, ..self.situation.clone() };
        Parts::new(&s).given(&s.emissions, &s.pairs, spreads)
    }
}

fn afterwards<'a>(s: &Situation<'a>, action: &Action) -> Afterwards<'a> {
    let mut other = s.clone();
    let mut bench = None;
    match action {
        Action::Repeat { set_up } => {
            for e in other.emissions.iter_mut().filter(|e| e.set_up == *set_up) {
                e.repeats += 1;
            }
        }
        Action::Detector { frequency_hz, set_up } => {
            let here = |f: f64, at: usize| at == *set_up && (f / frequency_hz - 1.0).abs() < 1e-6;
            let found = other.emissions.iter_mut().find(|e| here(e.frequency_hz, e.set_up));
            if let Some(known) = found.and_then(|e| e.stand_in.take()) {
                // Read beside the detector that stood in, it also shows how much higher that reads: one look, with its own
                // part as noise, at what all that stand in have in common.
                let (c, o) = (known.common_db, known.own_db);
                let left = if c > 0.0 { c * o / c.hypot(o) } else { 0.0 };
                for e in &mut other.emissions {
                    if e.stand_in == Some(known) {
                        e.stand_in = Some(StandIn { common_db: left, ..known });
                    }
                }
            }
        }
        Action::LaboratoryPair { frequency_hz } => {
            other.pairs.extend(frequency_hz.iter().map(|&f| Pair {
                frequency_hz: f,
                difference_db: 0.0,
                bench_readings: 1,
                laboratory_readings: 1,
                visit: usize::MAX,
            }));
        }
        Action::Settle { contribution } => bench = Some(settled(s.bench, contribution, LEFT)),
    }
    Afterwards { situation: other, bench }
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

/// What is to be expected of a measurement.
struct Expected {
    /// Share of the doubt that is left.
    doubt_left: f64,
    /// Share of P(1 − P) that is left.
    variance_left: f64,
    /// Probability that the verdict is sure afterwards.
    settles: f64,
    /// Mean chance of this situation over all moves, which has to be the chance now.
    #[cfg(test)]
    mean_chance: f64,
}

/// How often a measurement is imagined, and the laboratory's reading after each.
#[derive(Debug, Clone, Copy)]
struct Draws {
    moves: usize,
    deviations: usize,
}

const DRAWS: Draws = Draws { moves: 256, deviations: 64 };

/// The chance after a measurement for many of the ways it may turn out, each worked out with the same deviations, so that
/// what is left is never more than what was there (the doubt is a concave function of the chance).
fn preposterior(now: &Joint, after: &Joint, others: f64, draws: Draws, seed: u64) -> Expected {
    let n = now.mean_db.len();
    let moves = difference(&now.shared, &after.shared).root();
    let shared = after.shared.root();
    let own: Vec<f64> = after.own_variance.iter().map(|v| v.sqrt().max(1e-9)).collect();
    let mut random = Random::new(seed ^ 0x5eed);
    let mut z = vec![0.0; n];
    let mut deviations: Vec<Vec<f64>> = Vec::with_capacity(draws.deviations);
    for _ in 0..draws.deviations / 2 {
        z.fill_with(|| random.normal());
        let mut d = vec![0.0; n];
        shared.times(&z, &mut d);
        deviations.push(d.iter().map(|x| -x).collect());
        deviations.push(d);
    }
    let mut random = Random::new(seed);
    let (mut shift, mut mean) = (vec![0.0; n], vec![0.0; n]);
    let mut chances = Vec::with_capacity(draws.moves);
    for _ in 0..draws.moves / 2 {
        z.fill_with(|| random.normal());
        moves.times(&z, &mut shift);
        for sign in [1.0, -1.0] {
            for ((m, now), s) in mean.iter_mut().zip(&now.mean_db).zip(&shift) {
                *m = now + sign * s;
            }
            let pass: f64 = deviations.iter().map(|d| all_within(&mean, d, &own)).sum();
            chances.push(pass / deviations.len() as f64);
        }
    }
    let count = chances.len() as f64;
    let average = |f: &dyn Fn(f64) -> f64| chances.iter().map(|p| f(others * p)).sum::<f64>() / count;
    let p = average(&|p| p);
    let share = |left: f64, before: f64| if before > 1e-12 { (left / before).clamp(0.0, 1.0) } else { 1.0 };
    Expected {
        doubt_left: share(average(&|p| p.min(1.0 - p)), p.min(1.0 - p)),
        variance_left: share(average(&|p| p * (1.0 - p)), p * (1.0 - p)),
        settles: average(&|p| f64::from(u8::from(p.min(1.0 - p) <= SURE))),
        #[cfg(test)]
        mean_chance: chances.iter().sum::<f64>() / count,
    }
}

/// Probability that all are within their limits, given the deviations they share.
fn all_within(mean_db: &[f64], shared_db: &[f64], own_db: &[f64]) -> f64 {
    let mut product = 1.0;
    for ((m, d), own) in mean_db.iter().zip(shared_db).zip(own_db) {
        let z = (m + d) / own;
        if z < 7.0 {
            product *= normal_below(z);
            if product < 1e-12 {
                return 0.0;
            }
        }
    }
    product
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chance::{BenchEmission, Repeatability, RepeatabilityPrior};
    use standards::example_budgets;

    fn example(id: &str) -> &'static Budget {
        example_budgets().iter().find(|b| b.id == id).expect("built in")
    }

    /// Random situations of one to forty emissions over several set-ups and detectors, and everything that could be done.
    fn situation(random: &mut Random) -> Situation<'static> {
        let (bench, laboratory) = if random.chance(0.5) {
            (example("mains-network-bench"), example("mains-network"))
        } else {
            (example("field-bench"), example("field-open-site"))
        };
        let (low, high) = if bench.id.starts_with("mains") { (150e3, 30e6) } else { (30e6, 1e9) };
        let (place, spread) = (random.between(-3.0, 12.0), random.between(0.5, 12.0));
        let stand_in = random.chance(0.5);
        let emissions = (0..=random.below(40))
            .map(|i| BenchEmission {
                label: format!("emission {i}"),
                frequency_hz: random.log_between(low, high),
                margin_db: place + spread * random.normal().abs(),
                repeats: 1 + random.below(3),
                set_up: random.below(4),
                stand_in: stand_in.then_some(StandIn { mean_db: 3.0, common_db: 2.2, own_db: 1.1 }),
            })
            .collect();
        let repeatability = Repeatability::learn(&[], RepeatabilityPrior::default());
        Situation { emissions, pairs: Vec::new(), bench, laboratory, repeatability }
    }

    fn everything(s: &Situation<'_>) -> Vec<Candidate> {
        let mut actions: Vec<Action> = (0..4).map(|set_up| Action::Repeat { set_up }).collect();
        let first = &s.emissions[0];
        actions.push(Action::Detector { frequency_hz: first.frequency_hz, set_up: first.set_up });
        let frequency_hz = s.emissions.iter().take(8).map(|e| e.frequency_hz).collect();
        actions.push(Action::LaboratoryPair { frequency_hz });
        actions.extend(s.bench.contributions.iter().map(|c| Action::Settle { contribution: c.name.clone() }));
        actions.into_iter().map(|action| Candidate { title: String::new(), action, minutes: 15.0 }).collect()
    }

    /// In 16 random situations the doubt after every action is neither below nothing nor above the doubt now; in five of
    /// them, the law of total probability holds: the chance averaged over how the measurement may turn out is the chance now. It
    /// fails where the moves are larger or smaller than what the measurement takes from the covariance.
    #[test]
    fn no_measurement_is_expected_to_change_the_chance_or_to_add_doubt() {
        let mut random = Random::new(11);
        let (mut worst, mut checked) = (0.0f64, 0);
        let fine = Draws { moves: 128, deviations: 512 };
        for round in 0..16 {
            let s = situation(&mut random);
            let all = everything(&s);
            for r in rank(&s, &all, round) {
                assert!(r.doubt_after >= 0.0 && r.doubt_after <= r.doubt_now + 1e-12, "{r:?}");
                assert!((0.0..=1.0).contains(&r.sharpens) && r.gain_per_hour >= 0.0, "{r:?}");
            }
            if round >= 5 {
                continue;
            }
            let chosen = choose(&s, &ChanceOptions::default());
            let s = &chosen.situation;
            let spreads = central_spreads(&s.repeatability, POPULATION_DB[chosen.likeliest()]);
            let now = chosen.parts.given(&s.emissions, &s.pairs, &spreads);
            let mut tally = Tally::new(s.emissions.len());
            tally.add(&now, 4096, &mut Random::new(round), false);
            let p_now = tally.pass / tally.draws;
            for c in &all {
                let after = afterwards(s, &c.action).given_in(&spreads);
                let found = preposterior(&now, &after, 1.0, fine, round);
                worst = worst.max((found.mean_chance - p_now).abs());
                // Chances scatter by a half at most: 512 deviations leave a standard error of 0.022 at the very worst.
                assert!((found.mean_chance - p_now).abs() < 0.07, "{c:?}: {} {p_now}", found.mean_chance);
                checked += 1;
            }
        }
        println!("{checked} measurements, largest difference {worst:.3}");
    }
}
