//! The chance of passing at the laboratory, joint over all emissions, from readings on one's own bench.
//!
//! Every deviation that stands between the two (the budgets of bench and laboratory with their correlation across frequency,
//! repeatability, the product's own run-to-run change) is part of one joint normal distribution. Paired readings, and the
//! spread of the product's own emissions, condition it: the emission that reads closest to the limit among many is there
//! partly by chance. Variances that were estimated from few runs are drawn, not assumed.

mod collect;
mod joint;
mod matrix;
mod repeatability;
mod say;
pub mod simulation;

use serde::Serialize;
use standards::Budget;

pub use collect::{Collected, RunReadings, collect, stand_in};
pub(crate) use joint::{Joint, Parts, Spreads};
pub(crate) use matrix::difference;
pub use repeatability::{Repeatability, RepeatabilityPrior, Repeats, Spread};
pub use say::{bench_words, sentence};

use crate::normal_below;
use crate::random::Random;

/// A detector that reads higher stands in for the limit's own: how much higher it is expected to read, dB.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StandIn {
    /// Expected difference, dB.
    pub mean_db: f64,
    /// Standard deviation of what all emissions of a product with this stand-in have in common, dB: they are modulated alike.
    pub common_db: f64,
    /// Standard deviation of what each has of its own, dB.
    pub own_db: f64,
}

impl StandIn {
    fn variance(&self) -> f64 {
        self.common_db.powi(2) + self.own_db.powi(2)
    }
}

/// One emission as the bench has it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BenchEmission {
    /// Where and how it was read, in words.
    pub label: String,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Mean of its readings' margins, dB.
    pub margin_db: f64,
    /// Readings the mean is of.
    pub repeats: usize,
    /// Emissions of one set-up were read in the same runs.
    pub set_up: usize,
    /// Where another detector stands in.
    pub stand_in: Option<StandIn>,
}

impl BenchEmission {
    /// Its margin with what a stand-in detector is expected to read too high, dB.
    pub fn expected_db(&self) -> f64 {
        self.margin_db + self.stand_in.map_or(0.0, |d| d.mean_db)
    }
}

/// One emission read on the bench and at the laboratory, same sample, same state.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level at the laboratory minus level on the bench, dB.
    pub difference_db: f64,
    /// Readings on the bench the level is the mean of.
    pub bench_readings: usize,
    /// Readings at the laboratory.
    pub laboratory_readings: usize,
    /// Pairs of one visit come from the same runs.
    pub visit: usize,
}

impl Pair {
    /// Share of one reading's variance that is in the difference.
    pub(crate) fn readings_share(&self) -> f64 {
        1.0 / self.bench_readings.max(1) as f64 + 1.0 / self.laboratory_readings.max(1) as f64
    }
}

/// What is known when the chance is asked for: emissions of one kind of measurement.
#[derive(Debug, Clone)]
pub struct Situation<'a> {
    /// All emissions the bench found, not only those near the limit: how they spread matters.
    pub emissions: Vec<BenchEmission>,
    /// Paired readings, of this or other states.
    pub pairs: Vec<Pair>,
    /// Budget of the bench.
    pub bench: &'a Budget,
    /// Budget of the laboratory.
    pub laboratory: &'a Budget,
    /// How well readings repeat.
    pub repeatability: Repeatability,
}

/// How finely to compute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChanceOptions {
    /// Draws of the variances; each costs a decomposition of the whole covariance. A multiple of 8 is best.
    pub spread_draws: usize,
    /// Draws of the deviations for each of them.
    pub deviation_draws: usize,
    /// At most so many emissions enter the joint distribution: all, or the worst and an even choice of the others.
    pub most_emissions: usize,
    /// At most so many pairs, those nearest in frequency to the worst emissions.
    pub most_pairs: usize,
    /// Seed of the random numbers.
    pub seed: u64,
}

impl Default for ChanceOptions {
    fn default() -> Self {
        Self { spread_draws: 64, deviation_draws: 64, most_emissions: 100, most_pairs: 60, seed: 1 }
    }
}

/// One emission's part in the chance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EmissionChance {
    /// Where and how it was read.
    pub label: String,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Mean margin read on the bench, dB.
    pub bench_margin_db: f64,
    /// Margin expected at the laboratory, dB.
    pub expected_margin_db: f64,
    /// Standard deviation of what the laboratory may read, dB.
    pub standard_db: f64,
    /// Probability (0 to 1) that the laboratory reads it over its limit.
    pub probability_over: f64,
    /// How much the chance of passing would gain if it were not there.
    pub gain_without: f64,
}

/// What one source of doubt does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourceShare {
    /// What it is.
    pub name: String,
    /// `bench`, `laboratory` or `repetition`.
    pub side: &'static str,
    /// Standard uncertainty at the emissions that decide, dB.
    pub standard_db: f64,
    /// Its share (0 to 1) of the variance between the bench's reading and the laboratory's.
    pub variance_share: f64,
    /// The chance of passing if this source were not there.
    pub probability_without: f64,
}

/// The chance of passing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chance {
    /// Probability (0 to 1) that the laboratory reads every emission within its limits.
    pub probability: f64,
    /// Standard error of that figure from the simulation.
    pub standard_error: f64,
    /// Emissions, those that decide first.
    pub emissions: Vec<EmissionChance>,
    /// Sources of doubt, largest first.
    pub sources: Vec<SourceShare>,
    /// How far the product's own margins spread, dB, as the readings say.
    pub population_db: f64,
    /// Emissions that entered.
    pub emissions_used: usize,
    /// Pairs that entered.
    pub pairs_used: usize,
    /// What one reading adds to the laboratory's against its repetition, dB.
    pub repeatability: Repeatability,
}

/// Spreads of the product's own margins that are considered, dB, with how likely they are before anything is read: around
/// 8 dB, within a factor of two either way (an assumption; twelve emissions outweigh it).
pub(crate) const POPULATION_DB: [f64; 10] = [1.5, 2.2, 3.2, 4.5, 6.5, 9.0, 13.0, 18.0, 26.0, 40.0];

/// Emissions the population is learnt from.
const POPULATION_EMISSIONS: usize = 100;

fn population_prior(population_db: f64) -> f64 {
    (-0.5 * ((population_db / 8.0).ln() / 0.7).powi(2)).exp()
}

/// How likely each spread is after the readings.
fn population_weights(parts: &Parts, s: &Situation<'_>) -> Vec<f64> {
    let central = Spreads {
        run_variance: s.repeatability.run.standard_db.powi(2),
        own_variance: s.repeatability.own.standard_db.powi(2),
        population_db: 0.0,
    };
    let log: Vec<f64> = POPULATION_DB
        .iter()
        .map(|&p| {
            let spreads = Spreads { population_db: p, ..central };
            parts.log_likelihood(&s.emissions, &s.pairs, &spreads) + population_prior(p).ln()
        })
        .collect();
    let most = log.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = log.iter().map(|l| (l - most).exp()).collect();
    let sum: f64 = weights.iter().sum();
    weights.iter().map(|w| w / sum).collect()
}

/// The emissions and pairs that enter.
pub(crate) struct Chosen<'a> {
    pub(crate) situation: Situation<'a>,
    pub(crate) parts: Parts,
    /// Weight of each of [`POPULATION_DB`].
    pub(crate) weights: Vec<f64>,
}

impl Chosen<'_> {
    pub(crate) fn likeliest(&self) -> usize {
        (0..self.weights.len()).max_by(|&a, &b| self.weights[a].total_cmp(&self.weights[b])).unwrap_or(0)
    }
}

pub(crate) fn central_spreads(r: &Repeatability, population_db: f64) -> Spreads {
    Spreads { run_variance: r.run.standard_db.powi(2), own_variance: r.own.standard_db.powi(2), population_db }
}

pub(crate) fn choose<'a>(s: &Situation<'a>, options: &ChanceOptions) -> Chosen<'a> {
    let mut worst = s.emissions.clone();
    worst.sort_by(|a, b| a.expected_db().total_cmp(&b.expected_db()));
    let decisive = worst.first().map_or(1e6, |e| e.frequency_hz);
    let mut pairs = s.pairs.clone();
    pairs.sort_by(|a, b| {
        let far = |p: &Pair| (p.frequency_hz / decisive).ln().abs();
        far(a).total_cmp(&far(b))
    });
    pairs.truncate(options.most_pairs);
    let most = options.most_emissions.max(1);
    if worst.len() <= most {
        let situation = Situation { emissions: worst, pairs, ..s.clone() };
        let parts = Parts::new(&situation);
        let weights = population_weights(&parts, &situation);
        return Chosen { situation, parts, weights };
    }
    // How they spread comes from all of them, or from an even choice where they are many.
    let count = worst.len().min(POPULATION_EMISSIONS.max(most));
    let even: Vec<BenchEmission> = (0..count).map(|i| worst[i * worst.len() / count].clone()).collect();
    let sample = Situation { emissions: even, pairs: pairs.clone(), ..s.clone() };
    let weights = population_weights(&Parts::new(&sample), &sample);
    // The worst half decides; the other half is an even choice of the rest and keeps the population's middle in place.
    let mut kept: Vec<BenchEmission> = worst.drain(..most.div_ceil(2)).collect();
    let rest = most - kept.len();
    kept.extend((0..rest).map(|i| worst[i * worst.len() / rest].clone()));
    let situation = Situation { emissions: kept, pairs, ..s.clone() };
    Chosen { parts: Parts::new(&situation), situation, weights }
}

/// Sums over draws of the deviations.
pub(crate) struct Tally {
    pub(crate) draws: f64,
    pub(crate) pass: f64,
    over: Vec<f64>,
    pass_without: Vec<f64>,
    mean_db: Vec<f64>,
    variance: Vec<f64>,
}

impl Tally {
    pub(crate) fn new(n: usize) -> Self {
        let none = vec![0.0; n];
        Self {
            draws: 0.0,
            pass: 0.0,
            over: none.clone(),
            pass_without: none.clone(),
            mean_db: none.clone(),
            variance: none,
        }
    }

    pub(crate) fn add(&mut self, joint: &Joint, draws: usize, random: &mut Random, each: bool) {
        let n = joint.mean_db.len();
        let l = joint.shared.root();
        let own: Vec<f64> = joint.own_variance.iter().map(|v| v.sqrt().max(1e-9)).collect();
        let (mut z, mut shared) = (vec![0.0; n], vec![0.0; n]);
        let mut within = vec![0.0; n];
        for _ in 0..draws.div_ceil(2) {
            z.fill_with(|| random.normal());
            l.times(&z, &mut shared);
            // Each draw and its mirror image.
            for sign in [1.0, -1.0] {
                let mut product = 1.0;
                for i in 0..n {
                    let z = (joint.mean_db[i] + sign * shared[i]) / own[i];
                    // Most emissions lie far from their limits: beyond seven deviations it is 1 to 1e-12.
                    let p = if z > 7.0 { 1.0 } else { normal_below(z) };
                    within[i] = p;
                    product *= p;
                    if !each && product < 1e-12 {
                        break;
                    }
                }
                self.draws += 1.0;
                self.pass += product;
                if each {
                    let mut before = 1.0;
                    let mut after = vec![1.0; n + 1];
                    for i in (0..n).rev() {
                        after[i] = after[i + 1] * within[i];
                    }
                    for i in 0..n {
                        self.pass_without[i] += before * after[i + 1];
                        self.over[i] += 1.0 - within[i];
                        before *= within[i];
                    }
                }
            }
        }
        if each {
            let weight = 2.0 * draws.div_ceil(2) as f64;
            for i in 0..n {
                self.mean_db[i] += weight * joint.mean_db[i];
                self.variance[i] += weight * (joint.standard_db(i).powi(2) + joint.mean_db[i].powi(2));
            }
        }
    }
}

const BATCHES: usize = 8;

/// Probability and its standard error; with `each`, also what each emission does.
fn run(chosen: &Chosen<'_>, options: &ChanceOptions, each: bool) -> (f64, f64, Tally) {
    let s = &chosen.situation;
    let mut tally = Tally::new(s.emissions.len());
    let mut batch_p = Vec::with_capacity(BATCHES);
    let per_batch = options.spread_draws.div_ceil(BATCHES).max(1);
    for batch in 0..BATCHES {
        let mut random = Random::new(options.seed.wrapping_mul(0x9e37).wrapping_add(batch as u64));
        let (draws, pass) = (tally.draws, tally.pass);
        for h in 0..per_batch {
            // Evenly through the weights, so that few draws cover them.
            let at = (h as f64 + random.unit()) / per_batch as f64;
            let mut sum = 0.0;
            let index = chosen
                .weights
                .iter()
                .position(|w| {
                    sum += w;
                    at < sum
                })
                .unwrap_or(POPULATION_DB.len() - 1);
            let spreads = Spreads {
                run_variance: s.repeatability.run.draw_variance(&mut random),
                own_variance: s.repeatability.own.draw_variance(&mut random),
                population_db: POPULATION_DB[index],
            };
            let joint = chosen.parts.given(&s.emissions, &s.pairs, &spreads);
            tally.add(&joint, options.deviation_draws, &mut random, each);
        }
        batch_p.push((tally.pass - pass) / (tally.draws - draws));
    }
    let p = tally.pass / tally.draws;
    let n = BATCHES as f64;
    let scatter = batch_p.iter().map(|b| (b - p).powi(2)).sum::<f64>() / (n - 1.0);
    (p.clamp(0.0, 1.0), (scatter / n).sqrt(), tally)
}

/// Probability that the true levels of all emissions (frequency in Hz and margin in dB) meet their limits, when the
/// deviations of their readings belong together as the budget says. The flat prior of a single verdict: nothing is learnt
/// from how the emissions spread. By simulation with fixed random numbers, to about 0.003.
pub fn probability_within(emissions: &[(f64, f64)], budget: &Budget) -> f64 {
    const MOST: usize = 60;
    let mut worst: Vec<(f64, f64)> = emissions.iter().copied().filter(|e| e.1.is_finite()).collect();
    worst.sort_by(|a, b| a.1.total_cmp(&b.1));
    worst.truncate(MOST);
    if worst.is_empty() {
        return 1.0;
    }
    let f_hz: Vec<f64> = worst.iter().map(|e| e.0).collect();
    let (shared, own_variance) = joint::shared_and_own(budget, &f_hz);
    let joint = Joint { mean_db: worst.iter().map(|e| e.1).collect(), shared, own_variance };
    let mut tally = Tally::new(worst.len());
    tally.add(&joint, 4096, &mut Random::new(1), false);
    (tally.pass / tally.draws).clamp(0.0, 1.0)
}

/// The chance alone: what searching and calibration ask for thousands of times.
pub fn probability_of_passing(situation: &Situation<'_>, options: &ChanceOptions) -> f64 {
    if situation.emissions.is_empty() {
        return 1.0;
    }
    run(&choose(situation, options), options, false).0
}

/// The chance of passing at the laboratory with what drives it. Without emissions it is 1.
pub fn chance_of_passing(situation: &Situation<'_>, options: &ChanceOptions) -> Chance {
    let chosen = choose(situation, options);
    let s = &chosen.situation;
    if s.emissions.is_empty() {
        return Chance {
            probability: 1.0,
            standard_error: 0.0,
            emissions: Vec::new(),
            sources: Vec::new(),
            population_db: f64::NAN,
            emissions_used: 0,
            pairs_used: s.pairs.len(),
            repeatability: s.repeatability,
        };
    }
    let (probability, standard_error, tally) = run(&chosen, options, true);
    let mut emissions: Vec<EmissionChance> = s
        .emissions
        .iter()
        .enumerate()
        .map(|(i, e)| {
            let mean = tally.mean_db[i] / tally.draws;
            EmissionChance {
                label: e.label.clone(),
                frequency_hz: e.frequency_hz,
                bench_margin_db: e.margin_db,
                expected_margin_db: mean,
                standard_db: (tally.variance[i] / tally.draws - mean * mean).max(0.0).sqrt(),
                probability_over: tally.over[i] / tally.draws,
                gain_without: (tally.pass_without[i] - tally.pass) / tally.draws,
            }
        })
        .collect();
    let sources = sources(s, &emissions, probability, options);
    emissions.sort_by(|a, b| b.probability_over.total_cmp(&a.probability_over));
    let population_db = POPULATION_DB[chosen.likeliest()];
    Chance {
        probability,
        standard_error,
        emissions,
        sources,
        population_db,
        emissions_used: s.emissions.len(),
        pairs_used: s.pairs.len(),
        repeatability: s.repeatability,
    }
}

/// Shares of the variance at the emissions that decide, and the chance without each source.
fn sources(
    s: &Situation<'_>,
    emissions: &[EmissionChance],
    probability: f64,
    options: &ChanceOptions,
) -> Vec<SourceShare> {
    let total: f64 = emissions.iter().map(|e| e.probability_over).sum();
    let weights: Vec<f64> = emissions
        .iter()
        .map(|e| if total > 0.0 { e.probability_over / total } else { 1.0 / emissions.len() as f64 })
        .collect();
    let weighted = |f: &dyn Fn(usize) -> f64| weights.iter().enumerate().map(|(i, w)| w * f(i)).sum::<f64>();
    let coarse = ChanceOptions { spread_draws: options.spread_draws.min(32), most_emissions: 60, ..*options };
    // Differences from a figure found as coarsely and with the same random numbers: they are the source's, not the draws'.
    let coarse_now = probability_of_passing(s, &coarse);
    let without = |change: &dyn Fn(&mut Situation<'_>)| {
        let mut other = s.clone();
        change(&mut other);
        probability_of_passing(&other, &coarse)
    };
    let mut found: Vec<(SourceShare, f64)> = Vec::new();
    let mut add = |name: &str, side: &'static str, variance: f64, probability_without: f64| {
        let share = SourceShare {
            name: name.to_owned(),
            side,
            standard_db: variance.sqrt(),
            variance_share: 0.0,
            probability_without: (probability + probability_without - coarse_now).clamp(0.0, 1.0),
        };
        found.push((share, variance));
    };
    for (budget, side) in [(s.bench, "bench"), (s.laboratory, "laboratory")] {
        for (c, contribution) in budget.contributions.iter().enumerate() {
            let variance = weighted(&|i| contribution.standard_at(s.emissions[i].frequency_hz).unwrap_or(0.0).powi(2));
            if variance <= 0.0 {
                continue;
            }
            let mut less = budget.clone();
            less.contributions.remove(c);
            let p = if side == "bench" {
                probability_of_passing(&Situation { bench: &less, ..s.clone() }, &coarse)
            } else {
                probability_of_passing(&Situation { laboratory: &less, ..s.clone() }, &coarse)
            };
            add(&contribution.name, side, variance, p);
        }
    }
    let r = s.repeatability;
    let share = |i: usize| 1.0 + 1.0 / s.emissions[i].repeats.max(1) as f64;
    add(
        "a run against its repetition",
        "repetition",
        weighted(&|i| r.run.standard_db.powi(2) * share(i)),
        without(&|o| o.repeatability.run.standard_db = 1e-3),
    );
    add(
        "one emission against its repetition",
        "repetition",
        weighted(&|i| r.own.standard_db.powi(2) * share(i)),
        without(&|o| o.repeatability.own.standard_db = 1e-3),
    );
    let stand_in = weighted(&|i| s.emissions[i].stand_in.map_or(0.0, |d| d.variance()));
    if stand_in > 0.0 {
        let p = without(&|o| {
            for e in &mut o.emissions {
                if let Some(d) = e.stand_in.take() {
                    e.margin_db += d.mean_db;
                }
            }
        });
        add("another detector stands in", "bench", stand_in, p);
    }
    let sum: f64 = found.iter().map(|f| f.1).sum();
    let mut out: Vec<SourceShare> =
        found.into_iter().map(|(share, v)| SourceShare { variance_share: v / sum, ..share }).collect();
    out.sort_by(|a, b| b.variance_share.total_cmp(&a.variance_share));
    out
}
