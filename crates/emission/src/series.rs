//! From measured samples to the series: at least 80 % of units within the limit with at least 80 % confidence (CISPR 16-4-3),
//! computed for any share and confidence.

use serde::Serialize;
use statrs::function::gamma::ln_gamma;

use crate::normal_below;
use crate::uncertainty::normal_quantile;

/// Distribution function of the non-central t: probability that (Z + δ)/√(χ²/ν) is at most `t`.
///
/// ∫ Φ(t·s − δ) dF(s), s = √(χ²/ν), by the trapezoidal rule over ln s, where the integrand is smooth and dies out at both
/// ends; to about 1e-10 for ν from 1 up and |δ| up to 100.
pub fn noncentral_t_below(t: f64, degrees_of_freedom: f64, noncentrality: f64) -> f64 {
    let v = degrees_of_freedom;
    let log_constant = std::f64::consts::LN_2 + 0.5 * v * (0.5 * v).ln() - ln_gamma(0.5 * v);
    let log_density = |x: f64| log_constant + v * x - 0.5 * v * (2.0 * x).exp();
    let least = log_density(0.0) - 42.0;
    let end = |sign: f64| {
        let mut x = sign * (0.5 / v).sqrt();
        while log_density(x) > least {
            x *= 1.3;
        }
        x
    };
    let (low, high) = (end(-1.0), end(1.0));
    let steps = 1600;
    let h = (high - low) / f64::from(steps);
    let sum: f64 = (0..=steps)
        .map(|i| {
            let x = low + h * f64::from(i);
            log_density(x).exp() * normal_below(t * x.exp() - noncentrality)
        })
        .sum();
    (sum * h).clamp(0.0, 1.0)
}

/// Quantile of the non-central t, by bisection.
pub fn noncentral_t_quantile(probability: f64, degrees_of_freedom: f64, noncentrality: f64) -> f64 {
    let below = |t: f64| noncentral_t_below(t, degrees_of_freedom, noncentrality);
    let (mut low, mut high) = (noncentrality - 1.0, noncentrality + 1.0);
    let mut width = 1.0;
    while below(low) > probability && width < 1e9 {
        width *= 2.0;
        low = noncentrality - width;
    }
    width = 1.0;
    while below(high) < probability && width < 1e9 {
        width *= 2.0;
        high = noncentrality + width;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if high - low < 1e-13 * middle.abs().max(1.0) {
            break;
        }
        if below(middle) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// The rule a series is held to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SeriesRule {
    /// Share of units that must be within the limit.
    pub share: f64,
    /// With this confidence.
    pub confidence: f64,
}

impl Default for SeriesRule {
    fn default() -> Self {
        Self { share: 0.8, confidence: 0.8 }
    }
}

/// Why a series cannot be judged.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SeriesError {
    /// Too few samples for a method.
    #[error("{samples} samples; expected at least {least}")]
    TooFew {
        /// How many there are.
        samples: usize,
        /// How many it takes.
        least: usize,
    },
    /// A margin that is no number.
    #[error("sample {number}: margin {margin_db} dB; expected a finite number")]
    NotFinite {
        /// Counted from 1.
        number: usize,
        /// As given.
        margin_db: f64,
    },
    /// Share, confidence or spread out of range.
    #[error("{field}: {value}; expected {expected}")]
    Option {
        /// Its name.
        field: &'static str,
        /// As given.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
}

impl SeriesRule {
    /// Refuses shares and confidences outside 0.5 to 1.
    pub fn check(&self) -> Result<(), SeriesError> {
        for (field, value) in [("share", self.share), ("confidence", self.confidence)] {
            if !(0.5..1.0).contains(&value) {
                return Err(SeriesError::Option { field, value, expected: "at least 0.5 and less than 1" });
            }
        }
        Ok(())
    }

    /// Acceptance factor k of the non-central t method for n samples (at least 2): mean − k·s of the margins must not be
    /// negative.
    pub fn k_factor(&self, samples: usize) -> f64 {
        let n = samples as f64;
        let delta = normal_quantile(self.share) * n.sqrt();
        noncentral_t_quantile(self.confidence, n - 1.0, delta) / n.sqrt()
    }

    /// Fewest samples of which at most `failures` may exceed the limit (binomial method): the smallest n for which at most
    /// that many would exceed it with probability 1 − confidence or less if only the share were within.
    pub fn binomial_samples(&self, failures: usize) -> usize {
        let enough = |n: usize| binomial_below(failures, n, 1.0 - self.share) <= 1.0 - self.confidence;
        let mut n = failures + 1;
        while !enough(n) {
            n += 1;
        }
        n
    }

    /// Margin (dB) that every one of n samples must keep where the series scatters by at most `sigma_db`:
    /// σ·(z(share) − Φ⁻¹((1 − confidence)^(1/n))).
    pub fn additional_margin_db(&self, samples: usize, sigma_db: f64) -> f64 {
        let tail = (1.0 - self.confidence).powf(1.0 / samples as f64);
        sigma_db * (normal_quantile(self.share) - normal_quantile(tail))
    }

    /// Probability that n samples of a series with this mean margin and spread are accepted by the non-central t method.
    pub fn acceptance(&self, samples: usize, mean_margin_db: f64, sigma_db: f64) -> f64 {
        let n = samples as f64;
        1.0 - noncentral_t_below(self.k_factor(samples) * n.sqrt(), n - 1.0, n.sqrt() * mean_margin_db / sigma_db)
    }

    /// Fewest samples (2 to 200) that are accepted with this probability, where the series is expected to have this mean margin
    /// and spread; none where more would be needed.
    pub fn samples_needed(&self, mean_margin_db: f64, sigma_db: f64, acceptance: f64) -> Option<usize> {
        // A series that does not meet the rule is never accepted more often than by mistake.
        if mean_margin_db <= normal_quantile(self.share) * sigma_db {
            return None;
        }
        (2..=200).find(|&n| self.acceptance(n, mean_margin_db, sigma_db) >= acceptance)
    }

    /// What one sample's margin says of a series of known spread.
    pub fn single_sample(&self, margin_db: f64, sigma_db: f64) -> SingleSample {
        let z = normal_quantile(self.share);
        SingleSample {
            margin_db,
            sigma_db,
            confidence: normal_below(margin_db / sigma_db - z),
            next_unit_within: normal_below(margin_db / (sigma_db * std::f64::consts::SQRT_2)),
            needed_margin_db: sigma_db * (z + normal_quantile(self.confidence)),
        }
    }
}

/// P(X ≤ c) of n trials with this probability each.
fn binomial_below(c: usize, n: usize, probability: f64) -> f64 {
    let (p, q) = (probability.ln(), (1.0 - probability).ln());
    let choose = |k: usize| ln_gamma(n as f64 + 1.0) - ln_gamma(k as f64 + 1.0) - ln_gamma((n - k) as f64 + 1.0);
    (0..=c.min(n)).map(|k| (choose(k) + k as f64 * p + (n - k) as f64 * q).exp()).sum()
}

/// What one sample is worth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SingleSample {
    /// Its margin, dB.
    pub margin_db: f64,
    /// Standard deviation of the series, dB, as given.
    pub sigma_db: f64,
    /// Confidence that the wanted share of the series is within the limit.
    pub confidence: f64,
    /// Probability that the next unit is within the limit.
    pub next_unit_within: f64,
    /// Margin one sample must have for the wanted confidence, dB.
    pub needed_margin_db: f64,
}

/// A series by all methods.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Series {
    /// Samples.
    pub samples: usize,
    /// Mean margin, dB.
    pub mean_margin_db: f64,
    /// Standard deviation, dB.
    pub standard_db: f64,
    /// Smallest margin, dB.
    pub smallest_margin_db: f64,
    /// Acceptance factor k.
    pub k: f64,
    /// Mean − k·s, dB: what is in hand by the non-central t method.
    pub in_hand_db: f64,
    /// Accepted by the non-central t method.
    pub noncentral_t: bool,
    /// Confidence that the wanted share is within the limit, by the non-central t.
    pub confidence: f64,
    /// Samples over the limit.
    pub failures: usize,
    /// Samples the binomial method needs for that many failures.
    pub binomial_samples: usize,
    /// Accepted by the binomial method.
    pub binomial: bool,
    /// Additional margin every sample must keep, dB.
    pub additional_margin_db: f64,
    /// Spread it is reckoned with, dB.
    pub sigma_db: f64,
    /// Accepted by the method of the additional margin; it may be used only where the series scatters no more than that.
    pub additional_margin: bool,
    /// Samples that would be accepted four times in five if the series is as these show it; none: more than 200.
    pub samples_needed: Option<usize>,
}

/// Holds margins of samples (limit minus level, dB, one a sample) against the rule by all methods. `sigma_db`: the spread
/// the additional margin is reckoned with (CISPR 16-4-3: at most 6 dB).
///
/// # Errors
/// Fewer than two samples, margins that are no numbers, shares out of range.
pub fn judge_series(margins_db: &[f64], rule: SeriesRule, sigma_db: f64) -> Result<Series, SeriesError> {
    rule.check()?;
    if !(sigma_db.is_finite() && sigma_db > 0.0) {
        return Err(SeriesError::Option { field: "sigma_db", value: sigma_db, expected: "a positive number of dB" });
    }
    if let Some(i) = margins_db.iter().position(|m| !m.is_finite()) {
        return Err(SeriesError::NotFinite { number: i + 1, margin_db: margins_db[i] });
    }
    let samples = margins_db.len();
    if samples < 2 {
        return Err(SeriesError::TooFew { samples, least: 2 });
    }
    let n = samples as f64;
    let mean = margins_db.iter().sum::<f64>() / n;
    let s = (margins_db.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let smallest = margins_db.iter().copied().fold(f64::INFINITY, f64::min);
    let k = rule.k_factor(samples);
    let failures = margins_db.iter().filter(|m| **m < 0.0).count();
    let binomial_samples = rule.binomial_samples(failures);
    let additional_margin_db = rule.additional_margin_db(samples, sigma_db);
    let confidence = if s > 0.0 {
        noncentral_t_below(mean / s * n.sqrt(), n - 1.0, normal_quantile(rule.share) * n.sqrt())
    } else {
        f64::from(u8::from(mean >= 0.0))
    };
    Ok(Series {
        samples,
        mean_margin_db: mean,
        standard_db: s,
        smallest_margin_db: smallest,
        k,
        in_hand_db: mean - k * s,
        noncentral_t: mean - k * s >= 0.0,
        confidence,
        failures,
        binomial_samples,
        binomial: samples >= binomial_samples,
        additional_margin_db,
        sigma_db,
        additional_margin: smallest >= additional_margin_db.max(0.0),
        samples_needed: if s > 0.0 { rule.samples_needed(mean, s, 0.8) } else { Some(2) },
    })
}
