//! What readings on the bench say of the readings at the laboratory: one joint normal deviation of everything.

use standards::Budget;

use super::matrix::{Lower, Square};
use super::{BenchEmission, Pair, Situation};

/// An emission stands outside the crowd of the others where it is nearer the limit by more than so many standard deviations:
/// of a normal crowd one in 160 does.
const OUTLYING: f64 = 2.5;

/// Values of what is itself uncertain: variances of repetition (dB²) and the spread of the product's own margins (dB).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spreads {
    pub(crate) run_variance: f64,
    pub(crate) own_variance: f64,
    pub(crate) population_db: f64,
}

/// The margins at the laboratory given everything read: normal, with a part of each that nothing else shares.
#[derive(Debug, Clone)]
pub(crate) struct Joint {
    pub(crate) mean_db: Vec<f64>,
    /// Covariance without `own_variance`.
    pub(crate) shared: Square,
    pub(crate) own_variance: Vec<f64>,
}

impl Joint {
    pub(crate) fn standard_db(&self, i: usize) -> f64 {
        (self.shared.at(i, i) + self.own_variance[i]).max(0.0).sqrt()
    }
}

/// What the budgets say at the frequencies of a situation, worked out once.
pub(crate) struct Parts {
    n: usize,
    k: usize,
    /// Covariance of bench and laboratory between frequencies; the emissions first, then the pairs.
    bench: Square,
    laboratory: Square,
    /// Variance each has of its own.
    bench_own: Vec<f64>,
    laboratory_own: Vec<f64>,
    bench_shift_db: f64,
    laboratory_shift_db: f64,
}

/// A budget as it is needed here. Where a table of it does not reach, the nearest frequency that every table covers stands
/// in: the levels themselves were refused there, if anywhere.
struct Known<'a> {
    budget: &'a Budget,
    low_hz: f64,
    high_hz: f64,
}

impl<'a> Known<'a> {
    fn new(budget: &'a Budget) -> Self {
        let tables = || budget.contributions.iter().filter_map(|c| c.table_hz_db.as_ref());
        let low_hz = tables().filter_map(|t| t.first()).map(|p| p.0).fold(0.0, f64::max);
        let high_hz = tables().filter_map(|t| t.last()).map(|p| p.0).fold(f64::INFINITY, f64::min);
        Self { budget, low_hz, high_hz: high_hz.max(low_hz) }
    }

    fn standards(&self, frequency_hz: f64) -> Vec<f64> {
        let f = frequency_hz.clamp(self.low_hz, self.high_hz);
        self.budget.contributions.iter().map(|c| c.standard_at(f).unwrap_or(0.0)).collect()
    }

    fn shared(&self, f_hz: &[f64]) -> (Square, Vec<f64>) {
        let standards: Vec<Vec<f64>> = f_hz.iter().map(|&f| self.standards(f)).collect();
        let kinds: Vec<_> = self.budget.contributions.iter().map(|c| c.correlation).collect();
        let shared = Square::from_fn(f_hz.len(), |i, j| {
            let each = kinds.iter().zip(&standards[i]).zip(&standards[j]);
            each.map(|((kind, a), b)| kind.between(f_hz[i], f_hz[j]) * a * b).sum()
        });
        let own = standards
            .iter()
            .map(|s| kinds.iter().zip(s).filter(|(k, _)| k.between(1.0, 1.0) == 0.0).map(|(_, u)| u * u).sum())
            .collect();
        (shared, own)
    }

    fn shift_db(&self) -> f64 {
        self.budget.contributions.iter().map(standards::BudgetContribution::shift_db).sum()
    }
}

/// Covariance of a budget's deviations at these frequencies, and the variance each has of its own beside it.
pub(crate) fn shared_and_own(budget: &Budget, f_hz: &[f64]) -> (Square, Vec<f64>) {
    Known::new(budget).shared(f_hz)
}

impl Parts {
    pub(crate) fn new(situation: &Situation<'_>) -> Self {
        let f: Vec<f64> = situation
            .emissions
            .iter()
            .map(|e| e.frequency_hz)
            .chain(situation.pairs.iter().map(|p| p.frequency_hz))
            .collect();
        let (bench, laboratory) = (Known::new(situation.bench), Known::new(situation.laboratory));
        let (bench_shared, bench_own) = bench.shared(&f);
        let (laboratory_shared, laboratory_own) = laboratory.shared(&f);
        Self {
            n: situation.emissions.len(),
            k: situation.pairs.len(),
            bench: bench_shared,
            laboratory: laboratory_shared,
            bench_own,
            laboratory_own,
            bench_shift_db: bench.shift_db(),
            laboratory_shift_db: laboratory.shift_db(),
        }
    }

    /// Covariance (dB²) of the offset between bench and laboratory at two of the frequencies.
    pub(crate) fn offset_covariance(&self, i: usize, j: usize) -> f64 {
        self.bench.at(i, j) + self.laboratory.at(i, j)
    }

    /// Variance (dB²) of what an emission deviates of its own at both places, repetition aside.
    pub(crate) fn own_variance(&self, i: usize) -> f64 {
        self.bench_own[i] + self.laboratory_own[i]
    }

    /// Level at the laboratory minus level on the bench as unlike halves of the budgets let expect, dB.
    pub(crate) fn offset_shift_db(&self) -> f64 {
        self.bench_shift_db - self.laboratory_shift_db
    }

    /// The first `count` rows and columns of what [`Self::read`] gives.
    pub(crate) fn read_first(&self, emissions: &[BenchEmission], pairs: &[Pair], s: &Spreads, count: usize) -> Square {
        let all = self.read(emissions, pairs, s, &self.population(emissions, s));
        Square::from_fn(count, |i, j| all.at(i, j))
    }

    /// Variance of each emission's margin among the product's, dB². An emission far nearer the limit than the others are
    /// from each other is no member of their crowd (a line above peaks of noise), and how the crowd spreads says nothing of
    /// it: its own distance takes the place of that spread, so that it is not drawn towards them.
    fn population(&self, emissions: &[BenchEmission], s: &Spreads) -> Vec<f64> {
        let values = self.values(emissions, &[]);
        let mut sorted = values.clone();
        sorted.sort_by(f64::total_cmp);
        let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        let crowd = s.population_db.powi(2);
        values
            .iter()
            .zip(emissions)
            .enumerate()
            .map(|(i, (value, e))| {
                let stand_in = e.stand_in.map_or(0.0, |d| d.own_db.powi(2));
                let reading = self.bench_own[i] + s.own_variance / e.repeats.max(1) as f64 + stand_in;
                let nearer = (middle - value).max(0.0).powi(2);
                if nearer > OUTLYING.powi(2) * (crowd + reading) { nearer - reading } else { crowd }
            })
            .collect()
    }

    /// Covariance of what was read: margins of the emissions, then differences of the pairs. `population` is the variance
    /// of each emission's margin among the product's.
    fn read(&self, emissions: &[BenchEmission], pairs: &[Pair], s: &Spreads, population: &[f64]) -> Square {
        let n = self.n;
        Square::from_fn(n + self.k, |i, j| match (i < n, j < n) {
            (true, true) => {
                let mut v = self.bench.at(i, j);
                let (a, b) = (&emissions[i], &emissions[j]);
                if a.set_up == b.set_up {
                    v += s.run_variance / a.repeats.max(b.repeats).max(1) as f64;
                }
                if let (Some(d), true) = (a.stand_in, a.stand_in == b.stand_in) {
                    v += d.common_db.powi(2);
                }
                if i == j {
                    let stand_in = a.stand_in.map_or(0.0, |d| d.own_db.powi(2));
                    v += self.bench_own[i] + population[i] + s.own_variance / a.repeats.max(1) as f64 + stand_in;
                }
                v
            }
            (false, false) => {
                let mut v = self.bench.at(i, j) + self.laboratory.at(i, j);
                let (a, b) = (&pairs[i - n], &pairs[j - n]);
                if a.visit == b.visit {
                    v += s.run_variance * a.readings_share();
                }
                if i == j {
                    v += self.bench_own[i] + self.laboratory_own[i] + s.own_variance * a.readings_share();
                }
                v
            }
            _ => self.bench.at(i, j),
        })
    }

    /// The readings themselves, without what is expected of them beside the population's mean.
    fn values(&self, emissions: &[BenchEmission], pairs: &[Pair]) -> Vec<f64> {
        emissions
            .iter()
            .map(|e| e.expected_db() - self.bench_shift_db)
            .chain(pairs.iter().map(|p| p.difference_db - (self.bench_shift_db - self.laboratory_shift_db)))
            .collect()
    }

    /// Restricted log likelihood of the readings for these spreads: the population's mean margin is anything alike.
    pub(crate) fn log_likelihood(&self, emissions: &[BenchEmission], pairs: &[Pair], s: &Spreads) -> f64 {
        let crowd = vec![s.population_db.powi(2); self.n];
        let l = self.read(emissions, pairs, s, &crowd).cholesky();
        let (a, b) = self.whitened(&l, emissions, pairs);
        let aa: f64 = a.iter().map(|a| a * a).sum();
        let mean = a.iter().zip(&b).map(|(a, b)| a * b).sum::<f64>() / aa;
        let rest: f64 = a.iter().zip(&b).map(|(a, b)| (b - mean * a).powi(2)).sum();
        -0.5 * (l.log_determinant() + aa.ln() + rest)
    }

    fn whitened(&self, l: &Lower, emissions: &[BenchEmission], pairs: &[Pair]) -> (Vec<f64>, Vec<f64>) {
        let mut a: Vec<f64> = (0..self.n + self.k).map(|i| f64::from(u8::from(i < self.n))).collect();
        let mut b = self.values(emissions, pairs);
        l.forward(&mut a);
        l.forward(&mut b);
        (a, b)
    }

    /// The margins at the laboratory given the readings. The population's mean margin may be anything: fixed, it would pass the
    /// deviations that all emissions share for known.
    pub(crate) fn given(&self, emissions: &[BenchEmission], pairs: &[Pair], s: &Spreads) -> Joint {
        let (n, all) = (self.n, self.n + self.k);
        let population = self.population(emissions, s);
        let l = self.read(emissions, pairs, s, &population).cholesky();
        let (a, b) = self.whitened(&l, emissions, pairs);
        let aa: f64 = a.iter().map(|a| a * a).sum();
        let mean = a.iter().zip(&b).map(|(a, b)| a * b).sum::<f64>() / aa;
        let residual: Vec<f64> = a.iter().zip(&b).map(|(a, b)| b - mean * a).collect();
        let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
        // Each row: what the readings have in common with the margin at the laboratory, whitened.
        let rows: Vec<Vec<f64>> = (0..n)
            .map(|i| {
                let mut row = vec![0.0; all];
                row[i] = population[i];
                for (k, r) in row.iter_mut().enumerate().skip(n) {
                    *r = -self.laboratory.at(i, k);
                }
                l.forward(&mut row);
                row
            })
            .collect();
        let left: Vec<f64> = rows.iter().map(|r| 1.0 - dot(r, &a)).collect();
        let mean_variance = 1.0 / aa;
        let shared = Square::from_fn(n, |i, j| {
            if j > i {
                return 0.0;
            }
            let same_run = if emissions[i].set_up == emissions[j].set_up { s.run_variance } else { 0.0 };
            let before = self.laboratory.at(i, j) + same_run + if i == j { population[i] } else { 0.0 };
            before - dot(&rows[i], &rows[j]) + mean_variance * left[i] * left[j]
        });
        Joint {
            mean_db: rows.iter().map(|r| mean + self.laboratory_shift_db + dot(r, &residual)).collect(),
            shared: Square::from_fn(n, |i, j| if j > i { shared.at(j, i) } else { shared.at(i, j) }),
            own_variance: (0..n).map(|i| self.laboratory_own[i] + s.own_variance).collect(),
        }
    }
}
