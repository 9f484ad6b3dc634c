//! What stands against a log.

use crate::log::{ClimateLimits, LogWhat};
use crate::log_record::{RunLog, late};
use crate::{Run, Severity};

/// A device's clock may be this far ahead of the server's before it is said, s.
const CLOCK_AHEAD_S: i64 = 120;

pub(crate) fn findings(log: &RunLog, run: &Run) -> Vec<(Severity, String)> {
    let record = log.record();
    let mut said = Vec::new();
    let mut say = |severity, what: String| said.push((severity, what));
    let result = run.result();
    if result.is_none() {
        say(Severity::Warning, format!("Its log is open: {} of {} steps are done.", record.done, record.steps.len()));
    } else {
        let late = late(log, result);
        if late > 0 {
            let word = if late == 1 { "entry was" } else { "entries were" };
            say(Severity::Warning, format!("{late} {word} logged after it was closed; close it again."));
        }
        let missing: Vec<&str> = record.missing().map(|s| s.step.id.as_str()).collect();
        if !missing.is_empty() {
            say(
                Severity::Warning,
                format!(
                    "{} of {} steps were not carried out to their end and no deviation says why: {}.",
                    missing.len(),
                    record.steps.len(),
                    listed(&missing)
                ),
            );
        }
    }
    for what in ClimateLimits::of(&record.sheet.climate).against(&log.climate()) {
        say(Severity::Warning, what);
    }
    if run.record.equipment.is_empty() {
        say(Severity::Remark, "It names no generator.".to_owned());
    }
    if log.sheet.required.is_none() && record.steps.iter().all(|s| s.required.is_none()) {
        say(Severity::Remark, "No criterion is required of it.".to_owned());
    }
    if log.sheet.monitoring.trim().is_empty() {
        say(Severity::Remark, "It does not say how the product is watched.".to_owned());
    }
    for what in &log.odd {
        say(Severity::Warning, what.clone());
    }
    let unknown = log
        .entries
        .iter()
        .filter(|e| match &e.log.what {
            LogWhat::Step { step, .. } | LogWhat::Deviation { step: Some(step), .. } => {
                record.sheet.step(step).is_none()
            }
            _ => false,
        })
        .count();
    if unknown > 0 {
        say(Severity::Warning, format!("{unknown} entries speak of steps that its sheet does not have."));
    }
    let ahead = log
        .entries
        .iter()
        .filter(|e| e.log.at.as_second() - e.recorded_at.as_second() > CLOCK_AHEAD_S)
        .map(|e| e.log.client.as_str());
    let mut ahead: Vec<&str> = ahead.collect();
    ahead.sort_unstable();
    ahead.dedup();
    if !ahead.is_empty() {
        say(Severity::Remark, format!("The clock of {} runs ahead of this machine's.", ahead.join(", ")));
    }
    said
}

/// The first few of a list.
fn listed(names: &[&str]) -> String {
    const SHOWN: usize = 6;
    let first = names.iter().take(SHOWN).copied().collect::<Vec<_>>().join(", ");
    if names.len() > SHOWN { format!("{first}, …") } else { first }
}
