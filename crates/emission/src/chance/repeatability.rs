//! How well a bench repeats itself, from runs that were repeated.

use serde::{Deserialize, Serialize};

use crate::random::Random;

/// Readings of the same emissions in repeated runs: one row a run, one column an emission, dB; NaN where a run has none.
pub type Repeats = Vec<Vec<f64>>;

/// A variance as repeated runs show it: s² with its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Standard deviation of one reading, dB.
    pub standard_db: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
}

impl Spread {
    /// A draw of the variance (dB²) that could lie behind it: ν·s²/χ².
    pub(crate) fn draw_variance(&self, random: &mut Random) -> f64 {
        let v = self.degrees_of_freedom.clamp(1.0, 1e6);
        self.standard_db.powi(2) * v / chi_squared(v, random)
    }
}

/// χ² of v degrees of freedom: twice a gamma deviate of shape v/2 (Marsaglia and Tsang 2000; below shape 1 by the power of a
/// uniform deviate, as they say).
fn chi_squared(v: f64, random: &mut Random) -> f64 {
    let shape = 0.5 * v;
    if shape < 1.0 {
        let boost = (1.0 - random.unit()).powf(1.0 / shape);
        return (boost * chi_squared(v + 2.0, random)).max(1e-9);
    }
    let d = shape - 1.0 / 3.0;
    let c = 1.0 / (9.0 * d).sqrt();
    loop {
        let x = random.normal();
        let cube = (1.0 + c * x).powi(3);
        if cube > 0.0 && (1.0 - random.unit()).ln() < 0.5 * x * x + d * (1.0 - cube + cube.ln()) {
            return 2.0 * d * cube;
        }
    }
}

/// What is assumed of a bench before it has repeated anything.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RepeatabilityPrior {
    /// Standard deviation of what shifts a whole run, dB.
    pub run_db: f64,
    /// Standard deviation of what shifts one emission, dB.
    pub own_db: f64,
    /// Weight of either figure in degrees of freedom.
    pub degrees_of_freedom: f64,
}

impl Default for RepeatabilityPrior {
    /// 0.7 dB and 1 dB, each worth four degrees of freedom (an assumption for conducted measurements).
    fn default() -> Self {
        Self { run_db: 0.7, own_db: 1.0, degrees_of_freedom: 4.0 }
    }
}

/// The repeatability of a bench.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Repeatability {
    /// What shifts all emissions of one run together (placing, cables, supply); with the prior.
    pub run: Spread,
    /// What shifts one emission of one run; with the prior.
    pub own: Spread,
    /// One reading against its repetition, from the repeated runs alone; none where nothing was repeated. The degrees of
    /// freedom are effective ones: readings of one run are not independent.
    pub observed: Option<Spread>,
    /// Runs that repeat another one.
    pub repeated_runs: usize,
}

impl Repeatability {
    /// From repeated runs: a two-way analysis of variance (runs by emissions) of each group, pooled, with the prior as
    /// that many further degrees of freedom.
    pub fn learn(groups: &[Repeats], prior: RepeatabilityPrior) -> Self {
        let (mut ss_run, mut df_run, mut ss_own, mut df_own) = (0.0, 0.0, 0.0, 0.0);
        // Of the mean square of runs: what the own variance adds to it is 1/m, m emissions.
        let mut weight_own = 0.0;
        let mut repeated_runs = 0;
        for group in groups {
            let runs = group.len();
            let emissions = group.first().map_or(0, Vec::len);
            // Only what every run has: the analysis needs a full table.
            let full: Vec<usize> = (0..emissions).filter(|&j| group.iter().all(|r| r[j].is_finite())).collect();
            if runs < 2 || full.is_empty() {
                continue;
            }
            repeated_runs += runs - 1;
            let (n, m) = (runs as f64, full.len() as f64);
            let run_mean: Vec<f64> = group.iter().map(|r| full.iter().map(|&j| r[j]).sum::<f64>() / m).collect();
            let mean = run_mean.iter().sum::<f64>() / n;
            ss_run += run_mean.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
            df_run += n - 1.0;
            weight_own += (n - 1.0) / m;
            for &j in &full {
                let own_mean = group.iter().map(|r| r[j]).sum::<f64>() / n;
                ss_own += group.iter().zip(&run_mean).map(|(r, rm)| (r[j] - own_mean - rm + mean).powi(2)).sum::<f64>();
            }
            df_own += (n - 1.0) * (m - 1.0);
        }
        let v0 = prior.degrees_of_freedom;
        let own_variance = (v0 * prior.own_db.powi(2) + ss_own) / (v0 + df_own);
        // E[SS_run] = df·σ_run² + σ_own²·Σ(n−1)/m.
        let run_sum = (ss_run - weight_own * own_variance).max(0.0);
        let run_variance = (v0 * prior.run_db.powi(2) + run_sum) / (v0 + df_run);
        let observed = (df_run > 0.0).then(|| {
            // Variance of one reading: SS over all emissions; its freedom by Satterthwaite over the two mean squares.
            let m_mean = (df_own / df_run + 1.0).max(1.0);
            let ms_run = ss_run / df_run * m_mean;
            let ms_own = if df_own > 0.0 { ss_own / df_own } else { 0.0 };
            let a = ms_run / m_mean;
            let b = ms_own * (m_mean - 1.0) / m_mean;
            let below = a * a / df_run + if df_own > 0.0 { b * b / df_own } else { 0.0 };
            let freedom = if below > 0.0 { (a + b).powi(2) / below } else { df_run };
            Spread { standard_db: (a + b).sqrt(), degrees_of_freedom: freedom }
        });
        Self {
            run: Spread { standard_db: run_variance.sqrt(), degrees_of_freedom: v0 + df_run },
            own: Spread { standard_db: own_variance.sqrt(), degrees_of_freedom: v0 + df_own },
            observed,
            repeated_runs,
        }
    }

    /// Standard deviation of one reading against its repetition, dB, with the prior.
    pub fn standard_db(&self) -> f64 {
        self.run.standard_db.hypot(self.own.standard_db)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean v, variance 2v, and for v = 4 five in a hundred below 0.711 and above 9.488 (the usual tables).
    #[test]
    fn chi_squared_is_that_of_the_tables() {
        let mut random = Random::new(2);
        let n = 40_000;
        for v in [1.0, 2.5, 4.0, 60.0] {
            let drawn: Vec<f64> = (0..n).map(|_| chi_squared(v, &mut random)).collect();
            let mean = drawn.iter().sum::<f64>() / f64::from(n);
            let variance = drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
            assert!((mean - v).abs() < 5.0 * (2.0 * v / f64::from(n)).sqrt(), "{v}: mean {mean}");
            assert!((variance / (2.0 * v) - 1.0).abs() < 0.1, "{v}: variance {variance}");
            if (v - 4.0).abs() < 1e-9 {
                let share = |f: &dyn Fn(f64) -> bool| drawn.iter().filter(|x| f(**x)).count() as f64 / f64::from(n);
                assert!((share(&|x| x < 0.711) - 0.05).abs() < 0.005 && (share(&|x| x > 9.488) - 0.05).abs() < 0.005);
            }
        }
    }
}
