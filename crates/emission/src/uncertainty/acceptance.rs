//! Decisions with uncertainty: simple and guarded acceptance (JCGM 106), and the addition of CISPR 16-4-2.

use serde::{Deserialize, Serialize};

use crate::normal_below;

/// Inverse of the normal distribution function (Wichura 1988, AS 241, to about 1e-16); infinite at 0 and 1.
pub fn normal_quantile(probability: f64) -> f64 {
    -std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(2.0 * probability)
}

/// What an uncertainty asks to be done with a reading before it is compared with the limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CisprRule {
    /// Expanded uncertainty of the set-up (k = 2), dB.
    pub u_lab_db: f64,
    /// Published U_cispr (k = 2), dB.
    pub u_cispr_db: f64,
    /// Added to every reading, dB: U_lab − U_cispr, at least 0.
    pub addition_db: f64,
}

/// U_lab ≤ U_cispr: the reading itself; else U_lab − U_cispr is added to it first (CISPR 16-4-2).
pub fn cispr_rule(u_lab_db: f64, u_cispr_db: f64) -> CisprRule {
    CisprRule { u_lab_db, u_cispr_db, addition_db: (u_lab_db - u_cispr_db).max(0.0) }
}

/// How far below the limit a reading must lie so that one product accepted there exceeds it with at most this probability:
/// z(1 − risk) times the standard uncertainty (JCGM 106, 8.3; with a flat prior). Risk 0.5 gives simple acceptance.
pub fn guard_band_db(standard_db: f64, risk: f64) -> f64 {
    (normal_quantile(1.0 - risk) * standard_db).max(0.0)
}

/// Probability that the true level is within the limit when the reading lies this far below it (conformance probability,
/// JCGM 106, 7.2; flat prior).
pub fn conformance_probability(margin_db: f64, standard_db: f64) -> f64 {
    normal_below(margin_db / standard_db)
}

/// Global risks of a rule on products as they come (JCGM 106, 9.5).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GlobalRisk {
    /// Probability that a product exceeds the limit and is accepted.
    pub consumer: f64,
    /// Probability that a product meets the limit and is rejected.
    pub producer: f64,
}

/// Global consumer's and producer's risk where products' true margins are normal (mean and spread in dB), a reading has a
/// normal deviation of `standard_db`, and what reads at least `guard_db` below the limit is accepted.
pub fn global_risk(mean_margin_db: f64, spread_db: f64, standard_db: f64, guard_db: f64) -> GlobalRisk {
    // Trapezoidal rule over the true margin: the integrand is smooth but for the step at the limit, which is a node.
    let half = (9.0 * spread_db).max(f64::MIN_POSITIVE);
    let density = |m: f64| {
        (-0.5 * ((m - mean_margin_db) / spread_db).powi(2)).exp() / (spread_db * (std::f64::consts::TAU).sqrt())
    };
    let accepted = |m: f64| normal_below((m - guard_db) / standard_db);
    let integral = |from: f64, to: f64, f: &dyn Fn(f64) -> f64| {
        if from >= to {
            return 0.0;
        }
        let n = 4000;
        let h = (to - from) / f64::from(n);
        // Simpson's rule, with its weights 1 4 2 4 … 1.
        (0..=n)
            .map(|i| {
                let weight = if i == 0 || i == n {
                    1.0
                } else if i % 2 == 1 {
                    4.0
                } else {
                    2.0
                };
                weight * f(from + h * f64::from(i))
            })
            .sum::<f64>()
            * h
            / 3.0
    };
    let (low, high) = (mean_margin_db - half, mean_margin_db + half);
    GlobalRisk {
        consumer: integral(low.min(0.0), high.min(0.0), &|m| density(m) * accepted(m)),
        producer: integral(low.max(0.0), high.max(0.0), &|m| density(m) * (1.0 - accepted(m))),
    }
}
