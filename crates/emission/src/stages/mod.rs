//! Measuring in two stages: a peak survey finds suspects, a final measurement with the limits' own detectors settles them.

mod conclude;
mod rhythm;

pub use conclude::{FinalList, FinalMargin, FinalReading, FinalRow, conclude};
pub use rhythm::{Dwell, Rhythm, RhythmKind, dwell, rhythm};

use serde::Serialize;
use standards::{Detector, Limit};

use crate::{Decision, JudgeError, JudgeOptions, Suspect, Trace, Verdict, judge};

/// How suspects are chosen.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveyOptions {
    /// The judged range is split into so many parts of equal width on log frequency, where `edges_hz` is empty.
    pub sub_ranges: usize,
    /// The edges of the parts, Hz, rising: one more than there are parts. Empty: `sub_ranges` parts.
    pub edges_hz: Vec<f64>,
    /// A suspect is an emission whose level is less than this below a limit, dB (common practice: 6 to 10, more than the
    /// survey's own repeatability).
    pub within_db: f64,
    /// At most so many suspects in a part.
    pub most_each: usize,
    /// At least so many in all, the nearest to the limit, even where they are further below it (common practice: the six
    /// highest are reported).
    pub at_least: usize,
    /// How the survey is judged.
    pub judging: JudgeOptions,
}

impl Default for SurveyOptions {
    fn default() -> Self {
        Self {
            sub_ranges: 6,
            edges_hz: Vec::new(),
            within_db: 6.0,
            most_each: 6,
            at_least: 6,
            judging: JudgeOptions::default(),
        }
    }
}

/// One part of the range.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SubRange {
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
    /// How many emissions stand out in it (those the judgement counts, at most 20 dB below a limit or the nearest).
    pub emissions: usize,
    /// How many of them were chosen.
    pub chosen: usize,
    /// How many lie within the distance and were left out because the part was full: the choice is not complete there.
    pub left_out: usize,
}

/// One line of the final measurement list.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ToMeasure {
    /// Frequency to begin at, Hz.
    pub frequency_hz: f64,
    /// The emission reaches from here, Hz: where to look for its maximum.
    pub from_hz: f64,
    /// To here, Hz.
    pub to_hz: f64,
    /// Number of its part, from 0.
    pub sub_range: usize,
    /// Smallest margin of the survey, dB.
    pub survey_margin_db: f64,
    /// Detectors that are still to be read: those whose limit the survey does not keep by `within_db`.
    pub detectors: Vec<Detector>,
    /// Limits the survey settles already, with the margin, dB.
    pub settled: Vec<(String, f64)>,
    /// How long to dwell, and why.
    pub dwell: Dwell,
    /// The suspect as the survey judged it.
    pub suspect: Suspect,
}

/// A survey and the list that follows from it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Survey {
    /// The survey's own verdict: where it passes, no final measurement is owed.
    pub verdict: Verdict,
    /// The parts.
    pub sub_ranges: Vec<SubRange>,
    /// What is to be measured, by frequency.
    pub to_measure: Vec<ToMeasure>,
    /// Time for the list, s: the dwell of every detector that has to be read by itself.
    pub dwell_total_s: f64,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Why there is no list.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SurveyError {
    /// The survey cannot be judged.
    #[error(transparent)]
    Judge(#[from] JudgeError),
    /// An option is out of its range.
    #[error("{field}: {what}; expected {expected}")]
    Option {
        /// Its name.
        field: &'static str,
        /// What was found.
        what: String,
        /// What was expected.
        expected: &'static str,
    },
}

fn edges(options: &SurveyOptions, from_hz: f64, to_hz: f64) -> Result<Vec<f64>, SurveyError> {
    let fault = |field, what: String, expected| Err(SurveyError::Option { field, what, expected });
    if !(options.within_db.is_finite() && options.within_db >= 0.0) {
        return fault("within_db", options.within_db.to_string(), "a distance of 0 dB or more");
    }
    if options.most_each == 0 {
        return fault("most_each", "0".into(), "at least 1 suspect in a part");
    }
    if !options.edges_hz.is_empty() {
        let rising = options.edges_hz.windows(2).all(|w| w[0] > 0.0 && w[1] > w[0]);
        if options.edges_hz.len() < 2 || !rising {
            return fault("edges_hz", format!("{:?}", options.edges_hz), "two or more rising frequencies");
        }
        return Ok(options.edges_hz.clone());
    }
    if options.sub_ranges == 0 {
        return fault("sub_ranges", "0".into(), "at least 1 part");
    }
    let n = options.sub_ranges;
    let ratio = to_hz / from_hz;
    Ok((0..=n)
        .map(|i| match i {
            0 => from_hz,
            i if i == n => to_hz,
            i => from_hz * ratio.powf(i as f64 / n as f64),
        })
        .collect())
}

/// Chooses the suspects of a survey and says what is to be measured of each.
///
/// `rhythm_at` gives the time structure of the survey near a frequency (from, to in Hz), where the survey has one.
///
/// # Errors
/// A survey that cannot be judged; options out of range.
pub fn survey(
    trace: &Trace,
    limits: &[&Limit],
    options: &SurveyOptions,
    rhythm_at: &dyn Fn(f64, f64) -> Option<Rhythm>,
) -> Result<Survey, SurveyError> {
    let judging = JudgeOptions {
        // Everything that could be chosen; the verdict keeps what its own options ask for.
        within_db: options.within_db.max(options.judging.within_db),
        max_suspects: usize::MAX,
        ..options.judging.clone()
    };
    let mut verdict = judge(trace, limits, &judging)?;
    let low = limits.iter().map(|l| l.level.range_hz().0).fold(f64::INFINITY, f64::min);
    let high = limits.iter().map(|l| l.level.range_hz().1).fold(0.0, f64::max);
    let (trace_low, trace_high) = trace.range_hz().unwrap_or((low, high));
    let edges = edges(options, low.max(trace_low), high.min(trace_high))?;
    let parts = edges.len() - 1;
    let part_of = |f: f64| {
        if f < edges[0] || f > edges[parts] { None } else { Some(edges[1..parts].partition_point(|e| *e <= f)) }
    };
    let mut sub_ranges: Vec<SubRange> = edges
        .windows(2)
        .map(|w| SubRange { from_hz: w[0], to_hz: w[1], emissions: 0, chosen: 0, left_out: 0 })
        .collect();
    // By margin, the smallest first: so each part takes its nearest.
    let mut chosen: Vec<(usize, &Suspect)> = Vec::new();
    for suspect in &verdict.suspects {
        let Some(part) = part_of(suspect.frequency_hz) else { continue };
        let range = &mut sub_ranges[part];
        range.emissions += 1;
        let near = suspect.margin_db < options.within_db;
        if near && range.chosen >= options.most_each {
            range.left_out += 1;
        } else if near || chosen.len() < options.at_least {
            range.chosen += 1;
            chosen.push((part, suspect));
        }
    }
    let mut to_measure: Vec<ToMeasure> = chosen
        .into_iter()
        .map(|(part, suspect)| {
            let mut detectors = Vec::new();
            let mut settled = Vec::new();
            for own in &suspect.limits {
                let Some(limit) = limits.iter().find(|l| l.id == own.limit_id) else { continue };
                // A reading of the limit's own detector in the survey is no final reading either: its dwell was the
                // survey's.
                if own.margin_db >= options.within_db && own.decision == Decision::Pass {
                    settled.push((own.limit_id.clone(), own.margin_db));
                } else if !detectors.contains(&limit.detector) {
                    detectors.push(limit.detector);
                }
            }
            if detectors.is_empty() {
                // Taken for the report: the limit that is nearest.
                detectors.extend(
                    suspect.limits.first().and_then(|l| limits.iter().find(|m| m.id == l.limit_id)).map(|l| l.detector),
                );
            }
            detectors.sort();
            ToMeasure {
                frequency_hz: suspect.frequency_hz,
                from_hz: suspect.from_hz,
                to_hz: suspect.to_hz,
                sub_range: part,
                survey_margin_db: suspect.margin_db,
                detectors,
                settled,
                dwell: dwell(rhythm_at(suspect.frequency_hz, suspect.frequency_hz).as_ref()),
                suspect: suspect.clone(),
            }
        })
        .collect();
    to_measure.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let dwell_total_s = to_measure.iter().map(|m| m.dwell.seconds * m.detectors.len() as f64).sum();
    let mut notes = Vec::new();
    for r in &sub_ranges {
        if r.left_out > 0 {
            notes.push(format!(
                "{} emission(s) within {} dB of a limit between {:.6} and {:.6} MHz were not chosen, for that part has {} \
                 already: raise the number for a part, or divide it.",
                r.left_out,
                options.within_db,
                r.from_hz / 1e6,
                r.to_hz / 1e6,
                r.chosen
            ));
        }
    }
    if to_measure.iter().any(|m| m.dwell.assumed) {
        notes.push(
            "Where the survey has no time structure the dwell is 15 s, that of a fluctuating disturbance: whether it comes and \
             goes is not known."
                .to_owned(),
        );
    }
    verdict.suspects.truncate(options.judging.max_suspects.max(1));
    Ok(Survey { verdict, sub_ranges, to_measure, dwell_total_s, notes })
}
