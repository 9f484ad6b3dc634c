//! Common and differential mode of a record with one channel for each conductor.

use std::ops::ControlFlow;
use std::path::Path;

use cause::mode::separation_floor_db;
use emission::conductors::{Combination, leakage_db, modes};
use emission::{RESOLVED_DB, Trace};
use formats::capture::open_capture;
use receiver::{Settings, receive_several};
use serde::Serialize;
use signal::{Mixing, Weighted};

use crate::raw::{ReadingChoices, frequency, settings, trace_of};
use crate::watch::measure_channels;
use crate::{Measured, OnStage, Stage, WorkError};

/// How far the channels may differ from each other without anyone knowing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ChannelDoubt {
    /// Time between two channels that is not known, s; half a sampling interval where it is not said.
    pub skew_s: Option<f64>,
    /// Relative difference of gain that is not known; 0.03 where it is not said.
    pub gain: Option<f64>,
}

/// Gain accuracy that common recorders state for a channel (common practice).
const USUAL_GAIN: f64 = 0.03;

/// Levels of one mode.
#[derive(Debug, Clone, Serialize)]
pub struct ModeTrace {
    /// Which.
    pub combination: Combination,
    /// Its levels at the receiver input. The floor of every column is the higher one of the record's own noise and of what
    /// the other mode can leak into this one, so that a reading less than 6 dB above counts as not resolved.
    pub trace: Trace,
    /// At each frequency the most that the other mode leaks into this one, dB relative to the other mode.
    pub leakage_db: Vec<f64>,
    /// Frequencies where this mode is not told apart from what the other one leaks (first column).
    pub points_in_leakage: usize,
}

/// The conductors and the modes of a record.
#[derive(Debug, Clone)]
pub struct Modes {
    /// Each conductor as it is measured alone.
    pub conductors: Vec<Measured>,
    /// Common mode, then differential mode.
    pub modes: Vec<ModeTrace>,
    /// Time between two channels that was reckoned with, s.
    pub skew_s: f64,
    /// Difference of gain that was reckoned with.
    pub gain: f64,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Measures conductors (channels counted from 1, recorded at the same time) and their modes. The modes are formed sample by
/// sample, so that every detector sees them as a receiver behind a combining network would.
///
/// `later_s` says by how much each of the channels shows the same event later than the others; they are moved into step
/// first (empty: they are in step).
///
/// # Errors
/// Those of [`measure_channels`]; fewer than two channels; a doubt or delay that is impossible.
pub fn measure_modes(
    path: &Path,
    name: &str,
    choices: &ReadingChoices,
    channels: &[usize],
    later_s: &[f64],
    doubt: ChannelDoubt,
    on_stage: &mut OnStage<'_>,
) -> Result<Modes, WorkError> {
    if !later_s.is_empty() && later_s.len() != channels.len() {
        return Err(WorkError::input(
            "later",
            format!("{} delays for {} channels", later_s.len(), channels.len()),
            "one delay in seconds for each channel",
        ));
    }
    let impossible = |v: Option<f64>| v.filter(|v| !(v.is_finite() && *v >= 0.0));
    if let Some(v) = impossible(doubt.skew_s) {
        return Err(WorkError::input("skew doubt", v.to_string(), "seconds, zero or more"));
    }
    if let Some(v) = impossible(doubt.gain) {
        return Err(WorkError::input("gain doubt", v.to_string(), "a relative difference, zero or more"));
    }
    let conductors = measure_channels(path, name, choices, channels, true, on_stage)?;
    let names: Vec<String> = conductors
        .iter()
        .zip(channels)
        .map(|(m, number)| if m.channel.is_empty() { format!("channel {number}") } else { m.channel.clone() })
        .collect();
    let combinations = modes(&names).map_err(|e| WorkError::input("channels", e.to_string(), "1,2 or 1,2,3,4"))?;

    let mut capture = open_capture(path, &choices.capture)?;
    let info = capture.info().clone();
    let (first, _) = settings(path, name, &info, choices, channels[0])?;
    let all = info.channels.len();
    let weights = combinations
        .iter()
        .map(|c| {
            let mut row = vec![0.0; all];
            for (&number, weight) in channels.iter().zip(&c.weights) {
                row[number - 1] = weight * info.channels[number - 1].volts_per_unit;
            }
            row
        })
        .collect();
    let mut later_frames = Vec::new();
    if later_s.iter().any(|l| *l != 0.0) {
        // A channel that is not used keeps step with the earliest one.
        let least = later_s.iter().copied().fold(f64::INFINITY, f64::min);
        later_frames = vec![least * first.rate_hz; all];
        for (&number, later) in channels.iter().zip(later_s) {
            later_frames[number - 1] = later * first.rate_hz;
        }
    }
    let centre_over_rate = first.centre_hz.unwrap_or(0.0) / first.rate_hz;
    let mut sums = Weighted::new(&mut capture, Mixing { weights, later_frames, centre_over_rate })
        .map_err(|e| WorkError::input("later", e.to_string(), "channels in step within 64 frames"))?;
    let asked: Vec<Settings> = (0..combinations.len())
        .map(|k| Settings { channel: k, volts_per_unit: 1.0, timeline: None, ..first.clone() })
        .collect();
    let levels = receive_several(&mut sums, &asked, &mut |p| {
        let fraction = p.frames_total.filter(|_| p.pass == 1).map(|t| p.frames_done as f64 / t.max(1) as f64);
        on_stage(&Stage { what: if p.pass == 1 { "measuring the modes" } else { "settling the detectors" }, fraction })
    })
    .map_err(|source| WorkError::Receiver { file: name.to_owned(), source })?;
    if on_stage(&Stage { what: "measured", fraction: Some(1.0) }) == ControlFlow::Break(()) {
        return Err(WorkError::Cancelled);
    }

    let skew_s = doubt.skew_s.unwrap_or(0.5 / first.rate_hz);
    let gain = doubt.gain.unwrap_or(USUAL_GAIN);
    let moved =
        if later_s.is_empty() { String::new() } else { format!(" after moving the channels by {} s", list(later_s)) };
    let mut out: Vec<ModeTrace> = levels
        .into_iter()
        .zip(&combinations)
        .map(|(levels, combination)| {
            let said = vec![format!(
                "{}: sum of {} at 50 Ω, formed sample by sample{moved}",
                combination.name,
                names
                    .iter()
                    .zip(&combination.weights)
                    .map(|(n, w)| format!("{w:+.4}·{n}"))
                    .collect::<Vec<_>>()
                    .join(" ")
            )];
            let trace = trace_of(levels, &info, first.band, said);
            ModeTrace { combination: combination.clone(), leakage_db: Vec::new(), points_in_leakage: 0, trace }
        })
        .collect();
    let notes = put_leakage(&mut out, channels.len(), skew_s, gain, &doubt);
    Ok(Modes { conductors, modes: out, skew_s, gain, notes })
}

fn list(values: &[f64]) -> String {
    values.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

/// Raises the floor of every mode to what the others leak into it, and says where that hides something.
fn put_leakage(
    modes: &mut [ModeTrace],
    conductors: usize,
    skew_s: f64,
    gain: f64,
    doubt: &ChannelDoubt,
) -> Vec<String> {
    let plain = modes.iter().map(|m| m.trace.clone()).collect::<Vec<_>>();
    for (number, mode) in modes.iter_mut().enumerate() {
        let factor_db = if mode.combination.is_common() { 0.0 } else { leakage_db(0.0, conductors) };
        mode.leakage_db =
            mode.trace.frequency_hz.iter().map(|&f| separation_floor_db(gain, skew_s, f) + factor_db).collect();
        for (c, column) in mode.trace.columns.iter_mut().enumerate() {
            let n = column.level_db.len();
            let mut floor = if column.floor_db.is_empty() { vec![f64::NAN; n] } else { column.floor_db.clone() };
            for (k, floor) in floor.iter_mut().enumerate() {
                let other = plain
                    .iter()
                    .enumerate()
                    .filter(|(i, _)| *i != number && (*i == 0) != (number == 0))
                    .map(|(_, t)| t.columns[c].level_db[k])
                    .fold(f64::NAN, f64::max);
                *floor = floor.max(other + mode.leakage_db[k]);
            }
            column.floor_db = floor;
        }
        mode.points_in_leakage = mode.trace.columns.first().map_or(0, |column| {
            let own = &plain[number].columns[0].floor_db;
            (0..column.level_db.len())
                .filter(|&k| {
                    column.not_resolved(k)
                        && own.get(k).is_none_or(|f| f.is_nan() || column.level_db[k] >= f + RESOLVED_DB)
                })
                .count()
        });
    }
    let mut notes = vec![format!(
        "Channels that differ by {:.3} ns and {:.1} % {} let one mode leak into the other by at most {:.1} dB at {} and {:.1} dB at \
         {} (relative to the other mode).",
        skew_s * 1e9,
        gain * 100.0,
        match (doubt.skew_s, doubt.gain) {
            (Some(_), Some(_)) => "(as said)",
            (None, None) => "(assumed: half a sampling interval and a usual gain accuracy; say what you know)",
            (None, Some(_)) => "(the time is assumed: half a sampling interval)",
            (Some(_), None) => "(the gain is assumed)",
        },
        modes.first().and_then(|m| m.leakage_db.first().copied()).unwrap_or(f64::NAN),
        frequency(modes.first().and_then(|m| m.trace.frequency_hz.first().copied()).unwrap_or(f64::NAN)),
        modes.first().and_then(|m| m.leakage_db.last().copied()).unwrap_or(f64::NAN),
        frequency(modes.first().and_then(|m| m.trace.frequency_hz.last().copied()).unwrap_or(f64::NAN)),
    )];
    for mode in modes.iter_mut() {
        if mode.points_in_leakage > 0 {
            let said = format!(
                "{}: at {} of {} frequencies the level is less than {RESOLVED_DB} dB above what the other mode can leak into \
                 it: it is at most that there.",
                mode.combination.name,
                mode.points_in_leakage,
                mode.trace.frequency_hz.len()
            );
            mode.trace.history.push(said.clone());
            notes.push(said);
        }
        mode.trace.history.push(notes[0].clone());
    }
    notes
}
