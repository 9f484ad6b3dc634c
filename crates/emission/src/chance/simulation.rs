//! Simulated campaigns, to hold the chance against what then happens: products, benches and laboratories are drawn, the bench
//! reads, the chance is said, the laboratory reads.
//!
//! Deviations are drawn from the shapes their budgets name (rectangular, triangular, U-shaped), which the chance replaces by
//! normal ones; the spread of a product's emissions takes five forms, of which the chance knows one; half of the benches
//! repeat themselves otherwise than the chance assumes beforehand.

use serde::Serialize;
use standards::{Budget, Correlation, Distribution, example_budgets};

use super::matrix::Square;
use super::{
    BenchEmission, ChanceOptions, Pair, Repeatability, RepeatabilityPrior, Repeats, Situation, probability_of_passing,
};
use crate::normal_below;
use crate::random::Random;

/// One tenth of the scale: what was said and what happened.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Decile {
    /// Lowest chance in it.
    pub from: f64,
    /// Highest.
    pub to: f64,
    /// Campaigns in it.
    pub campaigns: usize,
    /// Mean chance said.
    pub said: f64,
    /// Share that passed.
    pub passed: f64,
    /// Standard error of that share.
    pub standard_error: f64,
}

/// A campaign that was drawn.
#[derive(Debug, Clone)]
pub struct Campaign {
    /// All emissions with their readings on the bench.
    pub emissions: Vec<BenchEmission>,
    /// Paired readings of an earlier visit.
    pub pairs: Vec<Pair>,
    /// How well the bench repeats, as its runs show.
    pub repeatability: Repeatability,
    /// Budget of the bench.
    pub bench: &'static Budget,
    /// Budget of the laboratory.
    pub laboratory: &'static Budget,
    /// How the product's margins spread: 0 normal, 1 even, 2 skewed, 3 two families, 4 falling with frequency.
    pub form: usize,
    /// What the laboratory then reads, dB of margin.
    pub laboratory_margin_db: Vec<f64>,
}

impl Campaign {
    /// What is known before the visit.
    pub fn situation(&self) -> Situation<'static> {
        Situation {
            emissions: self.emissions.clone(),
            pairs: self.pairs.clone(),
            bench: self.bench,
            laboratory: self.laboratory,
            repeatability: self.repeatability,
        }
    }

    /// Whether the visit passes.
    pub fn passes(&self) -> bool {
        self.laboratory_margin_db.iter().all(|m| *m >= 0.0)
    }
}

/// A deviation of unit half-width (normal: unit standard deviation) at a cumulative probability given by a normal score.
fn shaped(distribution: Distribution, score: f64) -> f64 {
    let u = normal_below(score);
    match distribution {
        Distribution::Normal => score,
        Distribution::Rectangular => 2.0 * u - 1.0,
        Distribution::Triangular if u < 0.5 => (2.0 * u).sqrt() - 1.0,
        Distribution::Triangular => 1.0 - (2.0 * (1.0 - u)).sqrt(),
        Distribution::UShaped => (std::f64::consts::PI * (u - 0.5)).sin(),
    }
}

/// Deviations of a budget's contributions at these frequencies, dB: how far the true level lies above the reading.
fn deviations(budget: &Budget, f_hz: &[f64], random: &mut Random) -> Vec<f64> {
    let n = f_hz.len();
    let mut out = vec![0.0; n];
    for c in &budget.contributions {
        let scores: Vec<f64> = match c.correlation {
            Correlation::Common => vec![random.normal(); n],
            Correlation::Independent => (0..n).map(|_| random.normal()).collect(),
            Correlation::Octaves(_) => {
                let l = Square::from_fn(n, |i, j| c.correlation.between(f_hz[i], f_hz[j])).cholesky();
                let z: Vec<f64> = (0..n).map(|_| random.normal()).collect();
                let mut scores = vec![0.0; n];
                l.times(&z, &mut scores);
                scores
            }
        };
        for ((out, &f), score) in out.iter_mut().zip(f_hz).zip(scores) {
            let value = c.value_at(f).unwrap_or(0.0) * c.sensitivity;
            let unit = if c.distribution == Distribution::Normal { value / c.divisor() } else { value };
            *out += c.shift_db() + unit * shaped(c.distribution, score);
        }
    }
    out
}

fn example(id: &str) -> &'static Budget {
    example_budgets().iter().find(|b| b.id == id).unwrap_or(&example_budgets()[0])
}

/// True margins of a product, worst not yet placed.
fn product(f_hz: &[f64], range_hz: (f64, f64), form: usize, random: &mut Random) -> Vec<f64> {
    let spread = random.between(3.0, 12.0);
    let slope = random.between(-2.0, 4.0);
    let side = if random.chance(0.5) { 1.0 } else { -1.0 };
    f_hz.iter()
        .map(|f| match form {
            0 => spread * random.normal(),
            1 => spread * random.between(-1.73, 1.73),
            // Many near the worst and few far from it, or the other way round.
            2 => side * spread * (-random.unit().max(1e-12).ln() - 1.0),
            // Two families.
            3 => spread * (0.5 * random.normal() + if random.chance(0.3) { -1.2 } else { 0.5 }),
            // Falling with frequency.
            _ => 0.5 * spread * random.normal() + slope * (f / range_hz.0).log2(),
        })
        .collect()
}

/// Draws a campaign.
pub fn draw_campaign(random: &mut Random) -> Campaign {
    let (bench, laboratory, range_hz) = if random.chance(0.6) {
        (example("mains-network-bench"), example("mains-network"), (150e3, 30e6))
    } else {
        (example("field-bench"), example("field-open-site"), (30e6, 1e9))
    };
    let n = random.log_between(2.0, 30.0).round() as usize;
    let visit = if random.chance(0.5) { 0 } else { random.log_between(2.0, 12.0).round() as usize };
    let f_hz: Vec<f64> = (0..n + visit).map(|_| random.log_between(range_hz.0, range_hz.1)).collect();
    let form = random.below(5);
    let mut truth = product(&f_hz[..n], range_hz, form, random);
    // The worst true margin anywhere from clearly failing to clearly passing.
    let doubt = bench.standard_at(range_hz.0).unwrap_or(2.0).hypot(laboratory.standard_at(range_hz.0).unwrap_or(2.0));
    let worst = truth.iter().copied().fold(f64::INFINITY, f64::min);
    let place = random.between(-2.5, 4.5) * doubt;
    for m in &mut truth {
        *m += place - worst;
    }
    let prior = RepeatabilityPrior::default();
    let (run_db, own_db) = if random.chance(0.5) {
        let before = Repeatability::learn(&[], prior);
        (before.run.draw_variance(random).sqrt().min(6.0), before.own.draw_variance(random).sqrt().min(6.0))
    } else {
        (random.log_between(0.2, 2.0), random.log_between(0.3, 2.5))
    };
    let bench_deviation = deviations(bench, &f_hz, random);
    let laboratory_deviation = deviations(laboratory, &f_hz, random);

    // Readings on the bench: one or two set-ups, each in its own runs.
    let set_ups = 1 + random.below(2);
    let repeats: Vec<usize> = (0..set_ups).map(|_| 1 + random.below(5)).collect();
    let mut read: Vec<Repeats> = repeats.iter().map(|&r| vec![Vec::new(); r]).collect();
    let run_shift: Vec<Vec<f64>> =
        repeats.iter().map(|&r| (0..r).map(|_| run_db * random.normal()).collect()).collect();
    let mut emissions = Vec::with_capacity(n);
    for i in 0..n {
        let set_up = random.below(set_ups);
        let margins: Vec<f64> = run_shift[set_up]
            .iter()
            .map(|shift| truth[i] + bench_deviation[i] + shift + own_db * random.normal())
            .collect();
        for (run, m) in read[set_up].iter_mut().zip(&margins) {
            run.push(*m);
        }
        emissions.push(BenchEmission {
            label: format!("emission {}", i + 1),
            frequency_hz: f_hz[i],
            margin_db: margins.iter().sum::<f64>() / margins.len() as f64,
            repeats: margins.len(),
            set_up,
            stand_in: None,
        });
    }
    // Repeated runs of earlier products.
    for _ in 0..random.below(4) {
        let (runs, m) = (2 + random.below(3), 3 + random.below(15));
        let shifts: Vec<f64> = (0..runs).map(|_| run_db * random.normal()).collect();
        read.push(shifts.iter().map(|s| (0..m).map(|_| s + own_db * random.normal()).collect()).collect());
    }
    let repeatability = Repeatability::learn(&read, prior);

    // An earlier visit with another product: the same bench and laboratory.
    let (mut bench_run, mut laboratory_run) = (run_db * random.normal(), run_db * random.normal());
    let readings = 1 + random.below(3);
    bench_run /= (readings as f64).sqrt();
    let pairs = (n..n + visit)
        .map(|i| {
            let own = own_db * random.normal() / (readings as f64).sqrt();
            let bench_level = -bench_deviation[i] + bench_run + own;
            let laboratory_level = -laboratory_deviation[i] + laboratory_run + own_db * random.normal();
            Pair {
                frequency_hz: f_hz[i],
                difference_db: laboratory_level - bench_level,
                bench_readings: readings,
                laboratory_readings: 1,
                visit: 0,
            }
        })
        .collect();

    laboratory_run = run_db * random.normal();
    let mut laboratory_shift = vec![laboratory_run];
    laboratory_shift.resize_with(set_ups, || run_db * random.normal());
    let laboratory_margin_db = (0..n)
        .map(|i| truth[i] + laboratory_deviation[i] + laboratory_shift[emissions[i].set_up] + own_db * random.normal())
        .collect();
    Campaign { emissions, pairs, repeatability, bench, laboratory, form, laboratory_margin_db }
}

/// Draws a campaign whose chance is neither nothing nor certainty, as far as the bench's own readings show at a glance; near
/// the middle they are kept more often, so that tenths of the scale hold about alike many. What is kept depends on nothing but
/// what is known before the visit: where the chance said is right for all campaigns it is right for these.
pub fn draw_open_campaign(random: &mut Random) -> Campaign {
    loop {
        let campaign = draw_campaign(random);
        let glance: f64 = campaign
            .emissions
            .iter()
            .map(|e| {
                let at = |b: &Budget| b.standard_at(e.frequency_hz).unwrap_or(2.0).powi(2);
                let doubt = (at(campaign.bench) + at(campaign.laboratory) + 3.0).sqrt();
                normal_below((e.margin_db + 1.0) / doubt)
            })
            .product();
        // Campaigns crowd at both ends: kept as often as their glance is rare.
        let keep = (2.0 * glance).min(4.0 * (1.0 - glance)).clamp(0.0, 1.0);
        if random.chance(keep) {
            return campaign;
        }
    }
}

/// Draws campaigns and holds the chance said against what happened.
pub fn calibration(campaigns: usize, seed: u64, options: &ChanceOptions) -> Vec<Decile> {
    tenths(campaigns, seed, options, draw_campaign)
}

/// The same with campaigns that could go either way, about alike many in every tenth.
pub fn open_calibration(campaigns: usize, seed: u64, options: &ChanceOptions) -> Vec<Decile> {
    tenths(campaigns, seed, options, draw_open_campaign)
}

fn tenths(campaigns: usize, seed: u64, options: &ChanceOptions, draw: fn(&mut Random) -> Campaign) -> Vec<Decile> {
    let mut sums = [(0usize, 0.0f64, 0usize); 10];
    for c in 0..campaigns {
        let mut random = Random::new(seed.wrapping_mul(1_000_003).wrapping_add(c as u64));
        let campaign = draw(&mut random);
        let p = probability_of_passing(&campaign.situation(), options);
        let sum = &mut sums[((10.0 * p) as usize).min(9)];
        sum.0 += 1;
        sum.1 += p;
        sum.2 += usize::from(campaign.passes());
    }
    sums.iter()
        .enumerate()
        .map(|(i, &(n, said, passed))| {
            let share = passed as f64 / n.max(1) as f64;
            Decile {
                from: i as f64 / 10.0,
                to: (i + 1) as f64 / 10.0,
                campaigns: n,
                said: said / n.max(1) as f64,
                passed: share,
                standard_error: (share * (1.0 - share) / n.max(1) as f64).sqrt(),
            }
        })
        .collect()
}
