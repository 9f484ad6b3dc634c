//! At which level does the product fail? Estimates from trials at stepped levels, with confidence, against frequency, and before
//! and after a change.
//!
//! The chance of failing is taken as a curve over the level in dB that rises from 0 to 1 (normal or logistic); its middle is
//! the threshold. Fitting is by maximum likelihood; the confidence interval is that of the likelihood ratio, with the quantile of
//! Student's distribution in place of the normal one: few trials know the spread badly, and the plain ratio then is too narrow
//! (measured in the tests of this room).

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

mod advice;
mod assess;
mod unit;

pub use advice::{Advice, Way, advise};
pub use assess::{Assessed, Changed, Known, Question, assess, changes};
pub use unit::{LevelUnit, UNITS};

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

/// What of the trials the likelihood needs.
struct Fit {
    counted: Vec<Counted>,
    curve: Curve,
    /// Lowest and highest spread looked at, logarithms.
    spreads: (f64, f64),
    /// Level of the asked part minus the middle, in spreads.
    z: f64,
    /// Degrees of freedom for the interval.
    freedom: f64,
}

impl Fit {
    fn new(trials: &[Trial], curve: Curve, part: f64) -> Self {
        let counted = count(trials);
        let (lowest, highest) = (counted[0].0, counted[counted.len() - 1].0);
        let range = (highest - lowest).max(0.5);
        // Levels a step apart say nothing of spreads much smaller than the step.
        let step = counted.windows(2).map(|w| w[1].0 - w[0].0).fold(f64::INFINITY, f64::min);
        let least = if step.is_finite() { (0.25 * step).max(0.02 * range) } else { 0.02 * range };
        let z = match curve {
            Curve::Logit => (part / (1.0 - part)).ln(),
            Curve::Probit => normal().inverse_cdf(part),
        };
        // Around the threshold only the rarer of the two answers tells where it is (Dixon and Mood count these alone).
        let failed: f64 = counted.iter().map(|c| c.1).sum();
        let passed: f64 = counted.iter().map(|c| c.2).sum();
        let freedom = failed.min(passed).max(1.0);
        Self { counted, curve, spreads: (least.ln(), (range * 10.0).ln()), z, freedom }
    }

    /// The spread with the highest likelihood when the asked part fails at a level, and that likelihood.
    fn best_spread(&self, level: f64) -> (f64, f64) {
        let f = |x: f64| {
            let spread = x.exp();
            likelihood(&self.counted, self.curve, level - self.z * spread, spread)
        };
        let (lowest, highest) = self.spreads;
        // The likelihood over the spread may have two hills where trials are few: look first, then refine.
        const N: usize = 20;
        let at = |k: usize| lowest + (highest - lowest) * k as f64 / N as f64;
        let values: Vec<f64> = (0..=N).map(|k| f(at(k))).collect();
        let k = (0..=N).max_by(|a, b| values[*a].total_cmp(&values[*b])).unwrap_or(0);
        let (mut a, mut b) = (at(k.saturating_sub(1)), at((k + 1).min(N)));
        for _ in 0..12 {
            let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
            if f(c) > f(d) { b = d } else { a = c }
        }
        let x = 0.5 * (a + b);
        let (inner, edge) = (f(x), values[k]);
        if inner >= edge { (x.exp(), inner) } else { (at(k).exp(), edge) }
    }

    fn quantile(&self, chance: f64) -> f64 {
        student(self.freedom).inverse_cdf(chance)
    }
}

fn student(freedom: f64) -> StudentsT {
    StudentsT::new(0.0, 1.0, freedom).expect("at least one degree of freedom")
}

/// Threshold by maximum likelihood with its interval: the level at which half of the trials fail.
///
/// `confidence` between 0 and 1, such as 0.95.
///
/// # Errors
/// No failure or no pass among the trials: then only one side is known, see [`chance_bound`].
pub fn estimate(trials: &[Trial], curve: Curve, confidence: f64) -> Result<Threshold, ThresholdError> {
    estimate_part(trials, curve, confidence, 0.5)
}

fn check(trials: &[Trial], confidence: f64, part: f64) -> Result<(), ThresholdError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return fault(format!("a confidence of {confidence}"), "a number between 0 and 1");
    }
    if !(part > 0.0 && part < 1.0) {
        return fault(format!("a part of {part}"), "a number between 0 and 1");
    }
    if let Some(t) = trials.iter().find(|t| !t.level_db.is_finite()) {
        return fault(format!("a level of {}", t.level_db), "finite levels in dB");
    }
    Ok(())
}

/// The level at which a part of the trials fails (0.5 is the threshold), as [`estimate`].
///
/// # Errors
/// As [`estimate`].
pub fn estimate_part(trials: &[Trial], curve: Curve, confidence: f64, part: f64) -> Result<Threshold, ThresholdError> {
    check(trials, confidence, part)?;
    let failed = trials.iter().filter(|t| t.failed).count();
    if failed == 0 || failed == trials.len() {
        return fault(
            format!("{failed} failures in {} trials", trials.len()),
            "at least one failure and one pass; raise or lower the level",
        );
    }
    let fit = Fit::new(trials, curve, part);
    let (lowest, highest) = (fit.counted[0].0, fit.counted[fit.counted.len() - 1].0);
    let range = (highest - lowest).max(0.5);
    let worst_pass = trials.iter().filter(|t| !t.failed).map(|t| t.level_db).fold(f64::NEG_INFINITY, f64::max);
    let best_fail = trials.iter().filter(|t| t.failed).map(|t| t.level_db).fold(f64::INFINITY, f64::min);
    let separated = worst_pass < best_fail;
    let profile = |m: f64| fit.best_spread(m);
    const N: usize = 60;
    let (from, to) = (lowest - 3.0 * range, highest + 3.0 * range);
    let at = |k: usize| from + (to - from) * k as f64 / N as f64;
    let values: Vec<f64> = (0..=N).map(|k| profile(at(k)).1).collect();
    let k = (0..=N).max_by(|a, b| values[*a].total_cmp(&values[*b])).unwrap_or(0);
    let (mut a, mut b) = (at(k.saturating_sub(1)), at((k + 1).min(N)));
    for _ in 0..20 {
        let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
        if profile(c).1 > profile(d).1 { b = d } else { a = c }
    }
    // Trials that separate leave a plateau between the last pass and the first failure: its middle.
    let level_db = if separated { 0.5 * (worst_pass + best_fail) } else { 0.5 * (a + b) };
    let (spread_db, top) = profile(level_db);
    // Chi-square of one degree of freedom is the square of a normal variable; of Student's, where the spread is estimated.
    let drop = 0.5 * fit.quantile(0.5 + 0.5 * confidence).powi(2);
    let end = |mut inside: f64, outside: f64| {
        if profile(outside).1 > top - drop {
            return if outside < inside { f64::NEG_INFINITY } else { f64::INFINITY };
        }
        let mut beyond = outside;
        for _ in 0..20 {
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

/// The threshold of a product that fails the same way every time: between the highest pass and the lowest failure, of which
/// one trial each is enough. `None` where the trials contradict that, or say one side only.
pub fn bracket(trials: &[Trial]) -> Option<Threshold> {
    let low_db = trials.iter().filter(|t| !t.failed).map(|t| t.level_db).fold(f64::NEG_INFINITY, f64::max);
    let high_db = trials.iter().filter(|t| t.failed).map(|t| t.level_db).fold(f64::INFINITY, f64::min);
    (low_db.is_finite() && high_db.is_finite() && low_db < high_db).then_some(Threshold {
        level_db: 0.5 * (low_db + high_db),
        low_db,
        high_db,
        spread_db: 0.0,
        trials: trials.len(),
        separated: true,
    })
}

/// Probability that the level at which `part` of the trials fail lies above a required level, from the trials alone:
/// the signed root of the likelihood ratio on Student's distribution. Where nothing failed it is what the passes at or above
/// the required level prove, 1 − (1 − part)ⁿ; where everything failed, partⁿ of the failures at or below it.
/// `None` where the trials say nothing of that level.
///
/// # Errors
/// Levels or parts that make no sense.
pub fn probability_above(
    trials: &[Trial],
    required_db: f64,
    curve: Curve,
    part: f64,
) -> Result<Option<f64>, ThresholdError> {
    check(trials, 0.5, part)?;
    let failed = trials.iter().filter(|t| t.failed).count();
    if failed == 0 || failed == trials.len() {
        let telling =
            trials.iter().filter(|t| if t.failed { t.level_db <= required_db } else { t.level_db >= required_db });
        let n = telling.count() as i32;
        let proven = if failed == 0 { 1.0 - (1.0 - part).powi(n) } else { part.powi(n) };
        return Ok((n > 0).then_some(proven));
    }
    let fit = Fit::new(trials, curve, part);
    let t = estimate_part(trials, curve, 0.5, part)?;
    let ratio = (2.0 * (fit.best_spread(t.level_db).1 - fit.best_spread(required_db).1)).max(0.0).sqrt();
    let root = if t.level_db >= required_db { ratio } else { -ratio };
    Ok(Some(student(fit.freedom).cdf(root)))
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
/// the likelihood's answer. Below 0.3 of its measure of variation the rule for the deviation does not hold; then 0.53 of a step is
/// put in its place, as ISO 12107 does.
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
    let varied = (n * b - a * a) / (n * n);
    let spread = if varied < 0.3 { 0.53 * step_db } else { 1.620 * step_db * (varied + 0.029) };
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
