//! Which level to try next, and when enough was tried.

use serde::Serialize;

use super::{Curve, Trial, estimate, next_bisection, next_up_down};

/// How the next level is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// One step down after a failure, one up after a pass.
    UpDown,
    /// Half-way between the highest pass and the lowest failure.
    Bisection,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// Level of the next trial, dB; none when enough was tried.
    pub next_db: Option<f64>,
    /// Why, in a sentence.
    pub reason: String,
    /// How often the answer changed from one trial to the next.
    pub turns: usize,
}

/// Turns of an up-and-down run after which its interval is asked for the first time.
const TURNS: usize = 6;
/// Trials after which an up-and-down run ends in any case.
const MOST: usize = 60;

/// The next level of a run. `range_db`: lowest and highest level that the rig makes or the sample bears; `step_db`: step of the
/// up-and-down run, or the resolution at which halving ends.
///
/// An up-and-down run ends once its answers have turned six times and its 90 % interval is narrower than two steps on either
/// side, or after 60 trials. Halving ends when pass and failure are a resolution apart, and is given up where a pass stands
/// above a failure: then the product does not fail the same way every time.
pub fn advise(trials: &[Trial], way: Way, range_db: (f64, f64), step_db: f64) -> Advice {
    let turns = trials.windows(2).filter(|w| w[0].failed != w[1].failed).count();
    let done = |reason: String| Advice { next_db: None, reason, turns };
    let (low, high) = range_db;
    match way {
        Way::Bisection => {
            let pass = trials.iter().filter(|t| !t.failed).map(|t| t.level_db).fold(f64::NEG_INFINITY, f64::max);
            let fail = trials.iter().filter(|t| t.failed).map(|t| t.level_db).fold(f64::INFINITY, f64::min);
            if pass.is_finite() && fail.is_finite() && pass >= fail {
                return done(
                    "It passed at a level at or above one at which it failed: it is a matter of chance. Go on up and down.".into(),
                );
            }
            match next_bisection(trials, low, high, step_db) {
                Some(next) => Advice {
                    next_db: Some(next),
                    reason: match (pass.is_finite(), fail.is_finite()) {
                        (true, true) => format!(
                            "half-way between the highest pass and the lowest failure, {:.2} dB apart",
                            fail - pass
                        ),
                        (false, true) => {
                            "it failed: the lowest level shows whether there is a threshold in reach".into()
                        }
                        _ => "the highest level shows whether there is a threshold in reach".into(),
                    },
                    turns,
                },
                None if !fail.is_finite() => {
                    done("Nothing fails up to the highest level: the margin is a lower bound.".into())
                }
                None if !pass.is_finite() => done("It fails from the lowest level on: the threshold is below.".into()),
                None => done(format!("Highest pass and lowest failure are {:.2} dB apart: stop.", fail - pass)),
            }
        }
        Way::UpDown => {
            if trials.len() >= MOST {
                return done(format!("{} trials: stop.", trials.len()));
            }
            // At an end of the range the run cannot turn.
            let same_at = |level: f64, failed: bool| {
                trials.iter().rev().take(3).filter(|t| t.failed == failed && (t.level_db - level).abs() < 1e-9).count()
                    == 3
            };
            if same_at(high, false) {
                return done("Three passes at the highest level: nothing fails in reach.".into());
            }
            if same_at(low, true) {
                return done("Three failures at the lowest level: the threshold is below.".into());
            }
            if turns >= TURNS
                && let Ok(t) = estimate(trials, Curve::Probit, 0.9)
                && t.high_db - t.level_db < 2.0 * step_db
                && t.level_db - t.low_db < 2.0 * step_db
            {
                return done(format!(
                    "{turns} turns, and the 90 % interval is narrower than two steps on either side: stop, or go on for a narrower one."
                ));
            }
            let next = next_up_down(trials, 0.5 * (low + high), step_db).clamp(low, high);
            let reason = match trials.last() {
                None => "start in the middle".to_owned(),
                Some(t) if t.failed => format!("it failed: one step down ({turns} turns so far)"),
                Some(_) => format!("it passed: one step up ({turns} turns so far)"),
            };
            Advice { next_db: Some(next), reason, turns }
        }
    }
}
