use serde::Serialize;
use standards::{Detector, Limit};

use super::Survey;
use crate::{Decision, Trace};

/// One detector's reading in the final measurement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FinalReading {
    /// The detector.
    pub detector: Detector,
    /// Where the highest reading of the emission was, Hz.
    pub frequency_hz: f64,
    /// The level, in the limit's unit.
    pub level_db: f64,
    /// The record was too short for the detector.
    pub lower_bound: bool,
}

/// One limit at one suspect after the final measurement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FinalMargin {
    /// The limit.
    pub limit_id: String,
    /// Its detector.
    pub detector: Detector,
    /// Its level there.
    pub limit_db: f64,
    /// The reading that the margin comes from; none where nothing was measured.
    pub reading: Option<FinalReading>,
    /// Limit minus level minus the addition of the uncertainty rule, dB.
    #[serde(with = "crate::nan_as_null::one")]
    pub margin_db: f64,
    /// What it comes to.
    pub decision: Decision,
    /// Which reading settles it, in words.
    pub settled_by: String,
}

/// One suspect.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FinalRow {
    /// Frequency of the survey, Hz.
    pub frequency_hz: f64,
    /// Margin of the survey, dB.
    pub survey_margin_db: f64,
    /// What was read.
    pub readings: Vec<FinalReading>,
    /// Each limit.
    pub limits: Vec<FinalMargin>,
    /// All limits together.
    pub decision: Decision,
}

/// The final list.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FinalList {
    /// One row for each suspect of the list, by frequency.
    pub rows: Vec<FinalRow>,
    /// The whole: pass where every row passes and the survey keeps the rest by its distance.
    pub decision: Decision,
    /// In words.
    pub sentence: String,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// The highest reading of a detector between two frequencies.
fn highest(trace: &Trace, detector: Detector, from_hz: f64, to_hz: f64) -> Option<FinalReading> {
    let column = trace.column(detector)?;
    let first = trace.frequency_hz.partition_point(|f| *f < from_hz);
    let end = trace.frequency_hz.partition_point(|f| *f <= to_hz);
    (first..end)
        .filter(|&k| column.level_db[k].is_finite())
        .max_by(|&a, &b| column.level_db[a].total_cmp(&column.level_db[b]))
        .map(|k| FinalReading {
            detector,
            frequency_hz: trace.frequency_hz[k],
            level_db: column.level_db[k],
            lower_bound: column.lower_bound.get(k).copied().unwrap_or(false),
        })
}

/// Puts the final measurement beside the survey. `readings` are traces (a sweep, or only the listed frequencies) in the
/// survey's unit, with the chain applied; the emission is looked for around the survey's frequency, as far as it reached,
/// and at least a bandwidth and 10⁻⁴ of the frequency to either side (a clock drifts between the measurements).
///
/// How readings settle limits: a limit is settled by its own detector; by any detector that reads at least as high and lies
/// below it (a quasi-peak reading below the average limit settles both: CISPR 16-2-1, from memory); and by one that reads
/// lower and lies above it.
pub fn conclude(survey: &Survey, limits: &[&Limit], readings: &[&Trace], within_db: f64) -> FinalList {
    let addition_db = survey.verdict.uncertainty.addition_db;
    let rows: Vec<FinalRow> = survey
        .to_measure
        .iter()
        .map(|m| {
            let bandwidth = readings.iter().filter_map(|t| t.bandwidth_hz).fold(0.0, f64::max);
            let beside = (1e-4 * m.frequency_hz).max(bandwidth);
            let (from_hz, to_hz) = (m.from_hz.min(m.frequency_hz - beside), m.to_hz.max(m.frequency_hz + beside));
            let found: Vec<FinalReading> = Detector::ALL
                .iter()
                .filter_map(|&d| {
                    readings
                        .iter()
                        .filter_map(|t| highest(t, d, from_hz, to_hz))
                        .max_by(|a, b| a.level_db.total_cmp(&b.level_db))
                })
                .collect();
            let margins: Vec<FinalMargin> = limits
                .iter()
                .filter(|l| m.suspect.limits.iter().any(|s| s.limit_id == l.id))
                .map(|limit| settle(limit, &found, m.frequency_hz, addition_db, m, within_db))
                .collect();
            let decision = together(margins.iter().map(|l| l.decision));
            FinalRow {
                frequency_hz: m.frequency_hz,
                survey_margin_db: m.survey_margin_db,
                readings: found,
                limits: margins,
                decision,
            }
        })
        .collect();
    let mut notes = Vec::new();
    let left_out: usize = survey.sub_ranges.iter().map(|r| r.left_out).sum();
    let gaps = !survey.verdict.not_measured.is_empty();
    let mut decision = together(rows.iter().map(|r| r.decision));
    if decision == Decision::Pass && left_out > 0 {
        notes.push(format!("{left_out} emission(s) within {within_db} dB of a limit were not on the list."));
        decision = Decision::Inconclusive;
    }
    if decision == Decision::Pass && gaps {
        notes.push("Part of the limits' range was not surveyed.".to_owned());
        decision = Decision::Inconclusive;
    }
    let worst = rows
        .iter()
        .flat_map(|r| r.limits.iter().map(move |l| (r, l)))
        .filter(|(_, l)| l.margin_db.is_finite())
        .min_by(|a, b| a.1.margin_db.total_cmp(&b.1.margin_db));
    let open = rows.iter().filter(|r| r.decision == Decision::Inconclusive).count();
    let place = worst.map_or_else(String::new, |(r, l)| {
        format!("{:+.1} dB to {} at {:.6} MHz ({})", l.margin_db, l.limit_id, r.frequency_hz / 1e6, l.settled_by)
    });
    let sentence = match decision {
        Decision::Pass => format!("Passes after the final measurement; the smallest margin is {place}."),
        Decision::Fail => format!("Exceeds a limit in the final measurement: {place}."),
        Decision::Inconclusive if open > 0 => {
            format!(
                "{open} of {} suspects are not settled by the final readings; so far the smallest margin is {place}.",
                rows.len()
            )
        }
        Decision::Inconclusive => {
            format!("Every listed suspect passes, the smallest margin being {place}; the survey is not complete.")
        }
    };
    FinalList { rows, decision, sentence, notes }
}

fn together(decisions: impl Iterator<Item = Decision>) -> Decision {
    decisions.fold(Decision::Pass, |all, one| match (all, one) {
        (Decision::Fail, _) | (_, Decision::Fail) => Decision::Fail,
        (Decision::Inconclusive, _) | (_, Decision::Inconclusive) => Decision::Inconclusive,
        _ => Decision::Pass,
    })
}

fn settle(
    limit: &Limit,
    found: &[FinalReading],
    frequency_hz: f64,
    addition_db: f64,
    listed: &super::ToMeasure,
    within_db: f64,
) -> FinalMargin {
    let limit_at = |f: f64| limit.at(f).or_else(|| limit.at(frequency_hz)).unwrap_or(f64::NAN);
    let margin = |r: &FinalReading| limit_at(r.frequency_hz) - r.level_db - addition_db;
    let made = |reading: Option<&FinalReading>, margin_db, decision, settled_by: String| FinalMargin {
        limit_id: limit.id.clone(),
        detector: limit.detector,
        limit_db: limit_at(reading.map_or(frequency_hz, |r| r.frequency_hz)),
        reading: reading.cloned(),
        margin_db,
        decision,
        settled_by,
    };
    if let Some(own) = found.iter().find(|r| r.detector == limit.detector) {
        let m = margin(own);
        let (decision, words) = match (m >= 0.0, own.lower_bound) {
            (true, true) => (Decision::Inconclusive, format!("{} has not settled", own.detector)),
            (true, false) => (Decision::Pass, format!("its {} reading", own.detector)),
            (false, _) => (Decision::Fail, format!("its {} reading", own.detector)),
        };
        return made(Some(own), m, decision, words);
    }
    // The lowest of those that read at least as high: nearest to the limit's own.
    let higher = found
        .iter()
        .filter(|r| r.detector.reads_at_least(limit.detector) && !r.lower_bound)
        .min_by(|a, b| a.level_db.total_cmp(&b.level_db));
    if let Some(reading) = higher.filter(|r| margin(r) >= 0.0) {
        return made(
            Some(reading),
            margin(reading),
            Decision::Pass,
            format!("its {} reading, which is no lower than {}", reading.detector, limit.detector),
        );
    }
    let lower = found.iter().find(|r| limit.detector.reads_at_least(r.detector) && margin(r) < 0.0);
    if let Some(reading) = lower {
        return made(
            Some(reading),
            margin(reading),
            Decision::Fail,
            format!("its {} reading, which is no higher than {}", reading.detector, limit.detector),
        );
    }
    if let Some((_, survey_margin)) = listed.settled.iter().find(|(id, _)| *id == limit.id) {
        return made(
            None,
            *survey_margin,
            Decision::Pass,
            format!("the survey, which keeps it by at least {within_db} dB"),
        );
    }
    match higher {
        Some(reading) => made(
            Some(reading),
            margin(reading),
            Decision::Inconclusive,
            format!("not settled: {} is over the limit, {} is to be read", reading.detector, limit.detector),
        ),
        None => made(None, f64::NAN, Decision::Inconclusive, format!("not measured: {} is to be read", limit.detector)),
    }
}
