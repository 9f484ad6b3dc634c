//! A run of trials, or many over frequency, against the level the product must bear.

use serde::Serialize;

use super::{Change, Curve, Threshold, ThresholdError, Trial, bracket, compare, estimate_part, probability_above};

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// Level the product must bear, dB.
    pub required_db: Option<f64>,
    /// Confidence of intervals, and probability from which on a required level counts as borne.
    pub confidence: f64,
    /// Part of the trials whose level is asked for; 0.5 is the threshold.
    pub part: f64,
    /// Shape of the curve.
    pub curve: Curve,
    /// The product fails the same way every time: one trial a level is enough.
    pub repeatable: bool,
}

impl Default for Question {
    fn default() -> Self {
        Self { required_db: None, confidence: 0.9, part: 0.5, curve: Curve::Probit, repeatable: false }
    }
}

/// From which side the threshold is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Known {
    /// From both.
    Both,
    /// Nothing failed: it is above the highest level tried.
    AtLeast,
    /// Everything failed: it is below the lowest level tried.
    AtMost,
}

/// What the trials of one run say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Assessed {
    /// Frequency, Hz, where there is one.
    pub frequency_hz: Option<f64>,
    /// Trials and failures.
    pub trials: usize,
    /// See `trials`.
    pub failures: usize,
    /// Lowest level tried, dB.
    pub lowest_db: f64,
    /// Highest level tried, dB.
    pub highest_db: f64,
    /// From which side it is known.
    pub known: Known,
    /// The threshold where it is known from both sides.
    pub threshold: Option<Threshold>,
    /// Level of the threshold, or the highest or lowest level tried where one side only is known, dB.
    pub level_db: f64,
    /// That level minus the required one, dB.
    pub margin_db: Option<f64>,
    /// Probability that the threshold is above the required level; none where the trials say nothing of it.
    pub probability_met: Option<f64>,
    /// Failures at or below the required level.
    pub failures_below_required: usize,
    /// The required level is borne with the confidence asked for, and nothing failed at or below it.
    pub met: Option<bool>,
    /// The trials contradict what was said of them.
    pub remark: Option<String>,
}

/// Weighs one run.
///
/// # Errors
/// No trials, levels that are no numbers, a confidence that is none.
pub fn assess(frequency_hz: Option<f64>, trials: &[Trial], asked: &Question) -> Result<Assessed, ThresholdError> {
    if trials.is_empty() {
        return Err(ThresholdError { what: "no trials".into(), expected: "at least one" });
    }
    let levels = || trials.iter().map(|t| t.level_db);
    let (lowest_db, highest_db) = (levels().fold(f64::INFINITY, f64::min), levels().fold(f64::NEG_INFINITY, f64::max));
    let failures = trials.iter().filter(|t| t.failed).count();
    let known = match failures {
        0 => Known::AtLeast,
        n if n == trials.len() => Known::AtMost,
        _ => Known::Both,
    };
    let mut remark = None;
    let between = bracket(trials).filter(|_| asked.repeatable);
    if asked.repeatable && known == Known::Both && between.is_none() {
        remark = Some("It passed at or above a level at which it failed: it does not fail the same way every time, so it was taken as chance.".to_owned());
    }
    let fixed = asked.repeatable && remark.is_none();
    let threshold = match (known, between) {
        (Known::Both, Some(t)) => Some(t),
        (Known::Both, None) => Some(estimate_part(trials, asked.curve, asked.confidence, asked.part)?),
        _ => None,
    };
    let level_db =
        threshold.as_ref().map_or(if known == Known::AtLeast { highest_db } else { lowest_db }, |t| t.level_db);
    let below = |required: f64| trials.iter().filter(|t| t.failed && t.level_db <= required + 1e-9).count();
    let probability_met = match asked.required_db {
        None => None,
        Some(required) if fixed => {
            let pass = trials.iter().filter(|t| !t.failed).map(|t| t.level_db).fold(f64::NEG_INFINITY, f64::max);
            let fail = trials.iter().filter(|t| t.failed).map(|t| t.level_db).fold(f64::INFINITY, f64::min);
            if pass >= required - 1e-9 {
                Some(1.0)
            } else if fail <= required + 1e-9 {
                Some(0.0)
            } else if pass.is_finite() && fail.is_finite() {
                // Anywhere between the two.
                Some((fail - required) / (fail - pass))
            } else {
                None
            }
        }
        Some(required) => probability_above(trials, required, asked.curve, asked.part)?,
    };
    let failures_below_required = asked.required_db.map_or(0, below);
    let met = asked
        .required_db
        .map(|_| failures_below_required == 0 && probability_met.is_some_and(|p| p >= asked.confidence));
    Ok(Assessed {
        frequency_hz,
        trials: trials.len(),
        failures,
        lowest_db,
        highest_db,
        known,
        threshold,
        level_db,
        margin_db: asked.required_db.map(|r| level_db - r),
        probability_met,
        failures_below_required,
        met,
        remark,
    })
}

/// What a change did at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// Frequency, Hz, where there is one.
    pub frequency_hz: Option<f64>,
    /// Gain with its interval; an end is infinite where one of the two is known from one side only.
    pub change: Change,
}

/// A threshold with open ends where one side only is known.
fn open(a: &Assessed) -> Threshold {
    a.threshold.clone().unwrap_or_else(|| Threshold {
        level_db: a.level_db,
        low_db: if a.known == Known::AtMost { f64::NEG_INFINITY } else { a.level_db },
        high_db: if a.known == Known::AtLeast { f64::INFINITY } else { a.level_db },
        spread_db: 0.0,
        trials: a.trials,
        separated: true,
    })
}

/// Before and after a change, at the frequencies that both have.
pub fn changes(before: &[Assessed], after: &[Assessed]) -> Vec<Changed> {
    let same = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a / b - 1.0).abs() < 1e-6,
        (None, None) => true,
        _ => false,
    };
    after
        .iter()
        .filter_map(|a| {
            let b = before.iter().find(|b| same(a.frequency_hz, b.frequency_hz))?;
            Some(Changed { frequency_hz: a.frequency_hz, change: compare(&open(b), &open(a)) })
        })
        .collect()
}
