//! At which level does the product fail? Estimates from trials at stepped levels, with confidence, against frequency, and before
//! and after a change.
//!
//! The chance of failing is taken as a curve over the level in dB that rises from 0 to 1 (normal or logistic); its middle is
//! the threshold. Fitting is by maximum likelihood; the confidence interval is that of the likelihood ratio, which holds for
//! few trials where the normal approximation does not.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

/// One trial.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Trial {
    /// Level, dB of any one reference (20 log of a voltage or field).
    pub level_db: f64,
    /// The product failed.
    pub failed: bool,
}

/// The shape of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Curve {
    /// Cumulative normal.
    Probit,
    /// Logistic.
    Logit,
}

/// What the trials say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Threshold {
    /// Level at which half of the trials fail, dB.
    pub level_db: f64,
    /// Interval of the threshold at the confidence asked for, dB; an end that the trials leave open is infinite.
    pub low_db: f64,
    /// See `low_db`.
    pub high_db: f64,
    /// Spread: standard deviation of the normal curve (or the logistic one's scale), dB.
    pub spread_db: f64,
    /// Trials.
    pub trials: usize,
    /// The trials separate: all below a level passed, all above failed; the spread then is not known, only bounded.
    pub separated: bool,
}

/// Trials that say nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{what}; expected {expected}")]
pub struct ThresholdError {
    /// What was found.
    pub what: String,
    /// What would do.
    pub expected: &'static str,
}

fn fault<T>(what: impl Into<String>, expected: &'static str) -> Result<T, ThresholdError> {
    Err(ThresholdError { what: what.into(), expected })
}

fn normal() -> Normal {
    Normal::standard()
}

/// Logarithms of the chance to fail and to pass.
fn chances(curve: Curve, z: f64) -> (f64, f64) {
    match curve {
        Curve::Logit => (-(-z).exp().ln_1p(), -z.exp().ln_1p()),
        Curve::Probit => {
            let n = normal();
            (n.cdf(z).max(1e-300).ln(), n.cdf(-z).max(1e-300).ln())
        }
    }
}

/// Trials at one level: the level, failures and passes.
type Counted = (f64, f64, f64);

fn count(trials: &[Trial]) -> Vec<Counted> {
    let mut sorted = trials.to_vec();
    sorted.sort_by(|a, b| a.level_db.total_cmp(&b.level_db));
    let mut out: Vec<Counted> = Vec::new();
    for t in sorted {
        let (fail, pass) = if t.failed { (1.0, 0.0) } else { (0.0, 1.0) };
        match out.last_mut() {
            Some(last) if last.0 == t.level_db => {
                last.1 += fail;
                last.2 += pass;
            }
            _ => out.push((t.level_db, fail, pass)),
        }
    }
    out
}

fn likelihood(counted: &[Counted], curve: Curve, middle: f64, spread: f64) -> f64 {
    counted
        .iter()
        .map(|(level, failures, passes)| {
            let (fail, pass) = chances(curve, (level - middle) / spread);
            failures * fail + passes * pass
        })
        .sum()
}

/// The spread with the highest likelihood for a middle, between a hundredth and ten times the range of levels.
fn best_spread(counted: &[Counted], curve: Curve, middle: f64, range: f64) -> (f64, f64) {
    let f = |x: f64| likelihood(counted, curve, middle, x.exp());
    let (lowest, highest) = ((range * 0.02).ln(), (range * 10.0).ln());
    // The likelihood over the spread may have two hills where trials are few: look first, then refine.
    const N: usize = 24;
    let at = |k: usize| lowest + (highest - lowest) * k as f64 / N as f64;
    let k = (0..=N).max_by(|a, b| f(at(*a)).total_cmp(&f(at(*b)))).unwrap_or(0);
    let (mut a, mut b) = (at(k.saturating_sub(1)), at((k + 1).min(N)));
    for _ in 0..16 {
        let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
        if f(c) > f(d) { b = d } else { a = c }
    }
    let x = 0.5 * (a + b);
    (x.exp(), f(x))
}

/// Threshold by maximum likelihood with its interval.
///
/// `confidence` between 0 and 1, such as 0.95.
///
/// # Errors
/// No failure or no pass among the trials: then only one side is known, see [`chance_bound`].
pub fn estimate(trials: &[Trial], curve: Curve, confidence: f64) -> Result<Threshold, ThresholdError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return fault(format!("a confidence of {confidence}"), "a number between 0 and 1");
    }
    if let Some(t) = trials.iter().find(|t| !t.level_db.is_finite()) {
        return fault(format!("a level of {}", t.level_db), "finite levels in dB");
    }
    let failed = trials.iter().filter(|t| t.failed).count();
    if failed == 0 || failed == trials.len() {
        return fault(
            format!("{failed} failures in {} trials", trials.len()),
            "at least one failure and one pass; raise or lower the level",
        );
    }
    let (lowest, highest) =
        trials.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), t| (l.min(t.level_db), h.max(t.level_db)));
    let range = (highest - lowest).max(0.5);
    let worst_pass = trials.iter().filter(|t| !t.failed).map(|t| t.level_db).fold(f64::NEG_INFINITY, f64::max);
    let best_fail = trials.iter().filter(|t| t.failed).map(|t| t.level_db).fold(f64::INFINITY, f64::min);
    let separated = worst_pass < best_fail;
    let counted = count(trials);
    let profile = |m: f64| best_spread(&counted, curve, m, range);
    const N: usize = 70;
    let (from, to) = (lowest - 3.0 * range, highest + 3.0 * range);
    let at = |k: usize| from + (to - from) * k as f64 / N as f64;
    let values: Vec<f64> = (0..=N).map(|k| profile(at(k)).1).collect();
    let k = (0..=N).max_by(|a, b| values[*a].total_cmp(&values[*b])).unwrap_or(0);
    let (mut a, mut b) = (at(k.saturating_sub(1)), at((k + 1).min(N)));
    for _ in 0..24 {
        let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
        if profile(c).1 > profile(d).1 { b = d } else { a = c }
    }
    // Trials that separate leave a plateau between the last pass and the first failure: its middle.
    let level_db = if separated { 0.5 * (worst_pass + best_fail) } else { 0.5 * (a + b) };
    let (spread_db, top) = profile(level_db);
    // Chi-square of one degree of freedom is the square of a normal variable.
    let drop = 0.5 * normal().inverse_cdf(0.5 + 0.5 * confidence).powi(2);
    let end = |mut inside: f64, outside: f64| {
        if profile(outside).1 > top - drop {
            return if outside < inside { f64::NEG_INFINITY } else { f64::INFINITY };
        }
        let mut beyond = outside;
        for _ in 0..24 {
            let m = 0.5 * (inside + beyond);
            if profile(m).1 > top - drop { inside = m } else { beyond = m }
        }
        0.5 * (inside + beyond)
    };
    Ok(Threshold {
        level_db,
        low_db: end(level_db, from),
        high_db: end(level_db, to),
        spread_db,
        trials: trials.len(),
        separated,
    })
}

/// Exact upper bound of the chance to fail at a level where `failures` of `trials` were seen (Clopper and Pearson).
pub fn chance_bound(failures: u32, trials: u32, confidence: f64) -> f64 {
    if trials == 0 || failures >= trials {
        return 1.0;
    }
    // P(X ≤ failures) = 1 − confidence, by bisection of the binomial sum.
    let tail = |p: f64| {
        let (n, mut term, mut sum) = (f64::from(trials), (1.0 - p).powi(trials as i32), 0.0);
        for k in 0..=failures {
            sum += term;
            term *= (n - f64::from(k)) / f64::from(k + 1) * p / (1.0 - p);
        }
        sum
    };
    let (mut a, mut b) = (f64::from(failures) / f64::from(trials), 1.0 - 1e-15);
    for _ in 0..100 {
        let m = 0.5 * (a + b);
        if tail(m) > 1.0 - confidence { a = m } else { b = m }
    }
    0.5 * (a + b)
}

/// The level of the next trial, up and down: one step lower after a failure, one higher after a pass; around the threshold this
/// puts the trials where they say most (Dixon and Mood).
pub fn next_up_down(trials: &[Trial], start_db: f64, step_db: f64) -> f64 {
    match trials.last() {
        None => start_db,
        Some(t) if t.failed => t.level_db - step_db,
        Some(t) => t.level_db + step_db,
    }
}

/// The level of the next trial by halving between the highest pass and the lowest failure; none once they are closer than
/// `resolution_db`. Right where the product fails the same way every time (a carrier), wrong where it is a matter of chance.
pub fn next_bisection(trials: &[Trial], low_db: f64, high_db: f64, resolution_db: f64) -> Option<f64> {
    let pass = trials.iter().filter(|t| !t.failed).map(|t| t.level_db).fold(f64::NEG_INFINITY, f64::max);
    let fail = trials.iter().filter(|t| t.failed).map(|t| t.level_db).fold(f64::INFINITY, f64::min);
    match (pass.is_finite(), fail.is_finite()) {
        (false, false) => Some(high_db),
        // Nothing failed at the top: no threshold in reach.
        (true, false) if pass >= high_db => None,
        (true, false) => Some(high_db),
        (false, true) if fail <= low_db => None,
        (false, true) => Some(low_db),
        (true, true) if (fail - pass).abs() <= resolution_db || pass > fail => None,
        (true, true) => Some(0.5 * (pass + fail)),
    }
}

/// Dixon and Mood's own estimate from an up-and-down run with even steps: mean and standard deviation, dB. A check by hand of
/// the likelihood's answer.
pub fn dixon_mood(trials: &[Trial], step_db: f64) -> Option<(f64, f64)> {
    let failures = trials.iter().filter(|t| t.failed).count();
    let use_failures = 2 * failures <= trials.len();
    let levels: Vec<f64> = trials.iter().filter(|t| t.failed == use_failures).map(|t| t.level_db).collect();
    if levels.is_empty() || step_db.is_nan() || step_db <= 0.0 {
        return None;
    }
    let lowest = levels.iter().copied().fold(f64::INFINITY, f64::min);
    let i: Vec<f64> = levels.iter().map(|l| ((l - lowest) / step_db).round()).collect();
    let n = i.len() as f64;
    let (a, b) = (i.iter().sum::<f64>(), i.iter().map(|v| v * v).sum::<f64>());
    let mean = lowest + step_db * (a / n + if use_failures { -0.5 } else { 0.5 });
    let spread = 1.620 * step_db * ((n * b - a * a) / (n * n) + 0.029);
    Some((mean, spread))
}

/// The threshold at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PointOfCurve {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// The threshold there; none where nothing failed up to the highest level tried.
    pub threshold: Option<Threshold>,
    /// Highest level tried, dB.
    pub highest_db: f64,
    /// Margin to the required level, dB: of the threshold, or at least of the highest level tried.
    pub margin_db: f64,
    /// The margin is a lower bound: nothing failed.
    pub at_least: bool,
}

/// Thresholds over frequency with the margin to a required level. `runs`: frequency (Hz) and its trials.
///
/// # Errors
/// As [`estimate`], except that a frequency where nothing fails is a point of the curve, not an error.
pub fn over_frequency(
    runs: &[(f64, Vec<Trial>)],
    required_db: f64,
    curve: Curve,
    confidence: f64,
) -> Result<Vec<PointOfCurve>, ThresholdError> {
    let mut out = Vec::with_capacity(runs.len());
    for (frequency_hz, trials) in runs {
        if trials.is_empty() {
            return fault(format!("no trials at {frequency_hz} Hz"), "at least one");
        }
        let highest_db = trials.iter().map(|t| t.level_db).fold(f64::NEG_INFINITY, f64::max);
        let none_failed = trials.iter().all(|t| !t.failed);
        let all_failed = trials.iter().all(|t| t.failed);
        let lowest_db = trials.iter().map(|t| t.level_db).fold(f64::INFINITY, f64::min);
        let threshold = if none_failed {
            None
        } else if all_failed {
            // It fails from the lowest level on: the threshold is there or below.
            Some(Threshold {
                level_db: lowest_db,
                low_db: f64::NEG_INFINITY,
                high_db: lowest_db,
                spread_db: f64::NAN,
                trials: trials.len(),
                separated: true,
            })
        } else {
            Some(estimate(trials, curve, confidence)?)
        };
        let margin_db = threshold.as_ref().map_or(highest_db, |t| t.level_db) - required_db;
        out.push(PointOfCurve { frequency_hz: *frequency_hz, threshold, highest_db, margin_db, at_least: none_failed });
    }
    out.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(out)
}

/// What a change did to a threshold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Change {
    /// Threshold after minus threshold before, dB; positive is better.
    pub gain_db: f64,
    /// Interval of the gain, dB, from the two intervals in squares.
    pub low_db: f64,
    /// See `low_db`.
    pub high_db: f64,
    /// The interval does not hold zero.
    pub is_certain: bool,
}

/// Compares the thresholds before and after a change.
pub fn compare(before: &Threshold, after: &Threshold) -> Change {
    let gain_db = after.level_db - before.level_db;
    let low_db = gain_db - (after.level_db - after.low_db).hypot(before.high_db - before.level_db);
    let high_db = gain_db + (after.high_db - after.level_db).hypot(before.level_db - before.low_db);
    Change { gain_db, low_db, high_db, is_certain: low_db > 0.0 || high_db < 0.0 }
}
