//! What a bench learns from visits to a laboratory: the offset between the two against frequency, with its uncertainty.
//!
//! Before any pair the offset is what the two budgets allow: a Gaussian process over the logarithm of frequency whose
//! covariance is that of the contributions which belong to the set-ups. Pairs condition it; what belongs to each emission
//! alone, and repetition, is the noise of a pair and the floor that no number of pairs goes below.

use serde::Serialize;
use standards::Budget;

use crate::chance::{Pair, Parts, Repeatability, Situation, Spreads};

/// The offset at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OffsetAt {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level at the laboratory minus level on the bench, dB: what to add to the bench's readings.
    pub offset_db: f64,
    /// Its standard uncertainty, dB.
    pub standard_db: f64,
    /// The same before any pair, dB.
    pub before_db: f64,
    /// What one emission deviates beside the offset (own contributions of both places, one reading each), dB: the floor.
    pub floor_db: f64,
}

/// A pair held against what the others say.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LeftOut {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Difference as read, dB.
    pub difference_db: f64,
    /// What the other pairs predict, dB.
    pub predicted_db: f64,
    /// Standard deviation of that prediction, the pair's own noise included, dB.
    pub standard_db: f64,
}

impl LeftOut {
    /// The deviation in standard deviations.
    pub fn score(&self) -> f64 {
        (self.difference_db - self.predicted_db) / self.standard_db
    }
}

/// A bench, a laboratory and what was read at both.
#[derive(Debug, Clone)]
pub struct BenchAgainstLaboratory<'a> {
    /// Budget of the bench.
    pub bench: &'a Budget,
    /// Budget of the laboratory.
    pub laboratory: &'a Budget,
    /// How well readings repeat.
    pub repeatability: Repeatability,
    /// Paired readings.
    pub pairs: Vec<Pair>,
}

impl BenchAgainstLaboratory<'_> {
    /// The offset at these frequencies, Hz. Its cost grows with the cube of the number of pairs.
    pub fn offset(&self, frequency_hz: &[f64]) -> Vec<OffsetAt> {
        self.predict(&self.pairs, frequency_hz)
    }

    /// With a target at each frequency appended to the pairs: their covariances come from the same place.
    fn predict(&self, pairs: &[Pair], frequency_hz: &[f64]) -> Vec<OffsetAt> {
        let k = pairs.len();
        let target = |f: &f64| Pair {
            frequency_hz: *f,
            difference_db: 0.0,
            bench_readings: 1,
            laboratory_readings: 1,
            visit: usize::MAX,
        };
        let all: Vec<Pair> = pairs.iter().cloned().chain(frequency_hz.iter().map(target)).collect();
        let parts = self.parts(&all);
        let spreads = self.spreads();
        let l = parts.read_first(&[], &all, &spreads, k).cholesky();
        let shift = parts.offset_shift_db();
        let mut b: Vec<f64> = pairs.iter().map(|p| p.difference_db - shift).collect();
        l.forward(&mut b);
        frequency_hz
            .iter()
            .enumerate()
            .map(|(t, &f)| {
                let mut row: Vec<f64> = (0..k).map(|i| parts.offset_covariance(k + t, i)).collect();
                l.forward(&mut row);
                let before = parts.offset_covariance(k + t, k + t);
                let known: f64 = row.iter().map(|r| r * r).sum();
                let own = parts.own_variance(k + t) + 2.0 * (spreads.own_variance + spreads.run_variance);
                OffsetAt {
                    frequency_hz: f,
                    offset_db: shift + row.iter().zip(&b).map(|(r, b)| r * b).sum::<f64>(),
                    standard_db: (before - known).max(0.0).sqrt(),
                    before_db: before.sqrt(),
                    floor_db: own.sqrt(),
                }
            })
            .collect()
    }

    fn parts(&self, pairs: &[Pair]) -> Parts {
        Parts::new(&Situation {
            emissions: Vec::new(),
            pairs: pairs.to_vec(),
            bench: self.bench,
            laboratory: self.laboratory,
            repeatability: self.repeatability,
        })
    }

    fn spreads(&self) -> Spreads {
        Spreads {
            run_variance: self.repeatability.run.standard_db.powi(2),
            own_variance: self.repeatability.own.standard_db.powi(2),
            population_db: 0.0,
        }
    }

    /// Each visit held against what the other visits say; where there is one visit only, each pair against the others of it.
    pub fn left_out(&self) -> Vec<LeftOut> {
        let visits = self.pairs.iter().any(|p| p.visit != self.pairs[0].visit);
        let spreads = self.spreads();
        self.pairs
            .iter()
            .enumerate()
            .map(|(i, p)| {
                let others: Vec<Pair> = self
                    .pairs
                    .iter()
                    .enumerate()
                    .filter(|(j, q)| *j != i && (!visits || q.visit != p.visit))
                    .map(|(_, q)| q.clone())
                    .collect();
                let at = self.predict(&others, &[p.frequency_hz])[0];
                let share = p.readings_share();
                let own = self.parts(std::slice::from_ref(p)).own_variance(0) + spreads.own_variance * share;
                // Within one visit the others hold the same shift of the run already.
                let run = if visits { spreads.run_variance * share } else { 0.0 };
                LeftOut {
                    frequency_hz: p.frequency_hz,
                    difference_db: p.difference_db,
                    predicted_db: at.offset_db,
                    standard_db: (at.standard_db.powi(2) + own + run).sqrt(),
                }
            })
            .collect()
    }

    /// How many further visits, each with pairs at these frequencies, bring the offset's uncertainty there to at most half of
    /// the floor (so that it adds less than an eighth to what remains); none where twenty are not enough.
    pub fn visits_needed(&self, frequency_hz: &[f64]) -> Option<usize> {
        if frequency_hz.is_empty() {
            return Some(0);
        }
        let mut pairs = self.pairs.clone();
        for visit in 0..=20 {
            let enough = self.predict(&pairs, frequency_hz).iter().all(|o| o.standard_db <= 0.5 * o.floor_db);
            if enough {
                return Some(visit);
            }
            pairs.extend(frequency_hz.iter().map(|&f| Pair {
                frequency_hz: f,
                difference_db: 0.0,
                bench_readings: 3,
                laboratory_readings: 1,
                visit: usize::MAX - 1 - visit,
            }));
        }
        None
    }
}
