use std::fs;
use std::path::Path;

use emission::{Column, Trace};
use formats::capture::{CaptureChoices, CaptureError, CaptureInfo, open_capture};
use formats::sweep::{MOST_BYTES, SweepChoices, SweepError, SweepReading, read_sweep};
use quantity::Unit;
use receiver::{Levels, Settings, Start};
use serde::{Deserialize, Serialize};
use standards::Band;

use crate::watch::measure_channels;
use crate::{OnStage, WorkError};

/// What a raw file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RawKind {
    /// Levels against frequency that an instrument saved.
    Sweep,
    /// A sampled time record.
    Capture,
}

/// How a capture is measured; everything left out is found from the band and the file.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct ReceiveChoices {
    /// Band of CISPR 16-1-1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub band: Option<Band>,
    /// First frequency, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_hz: Option<f64>,
    /// Last frequency, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to_hz: Option<f64>,
    /// Step, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step_hz: Option<f64>,
    /// Channel, counted from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<usize>,
    /// Where the detectors start.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start: Option<Start>,
    /// Worker threads; does not change the result, so it is not kept.
    #[serde(skip)]
    pub threads: Option<usize>,
}

/// Everything a person may choose about the reading of one raw file. Kept with the run, so that it can be read again in
/// the same way.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct ReadingChoices {
    /// What it holds, where name and content leave it open.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<RawKind>,
    /// For a sweep.
    pub sweep: SweepChoices,
    /// For a capture.
    pub capture: CaptureChoices,
    /// For the receiver behind a capture.
    pub receive: ReceiveChoices,
}

/// What a raw file turned out to be.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Understanding {
    /// Levels against frequency.
    Sweep(Box<SweepReading>),
    /// A time record.
    Capture(Box<CaptureInfo>),
}

/// Endings that are captures whatever they hold.
const CAPTURE_ENDINGS: [&str; 5] = ["npy", "wav", "sigmf-meta", "sigmf-data", "bin"];

fn ending(name: &str) -> String {
    name.rsplit('.').next().unwrap_or_default().to_ascii_lowercase()
}

/// Says what a file is and what was understood of it. `name` is its own name, where the path is only where it is kept.
///
/// A text may be a sweep or a time record: it is read as a sweep first, and as a capture where that finds no
/// frequencies. A band among the choices says that it is a capture.
pub fn understand(path: &Path, name: &str, choices: &ReadingChoices) -> Result<Understanding, WorkError> {
    let as_capture =
        || open_capture(path, &choices.capture).map(|c| Understanding::Capture(Box::new(c.info().clone())));
    let as_sweep = || -> Result<Understanding, WorkError> {
        let length = fs::metadata(path).map_err(|e| WorkError::io(path, "open the file", &e))?.len();
        if length > MOST_BYTES as u64 {
            return Err(WorkError::input(
                name,
                format!("{length} bytes"),
                format!("a sweep of at most {MOST_BYTES} bytes"),
            ));
        }
        let bytes = fs::read(path).map_err(|e| WorkError::io(path, "read the file", &e))?;
        Ok(Understanding::Sweep(Box::new(read_sweep(&bytes, name, &choices.sweep)?)))
    };
    let kind = choices.kind.or_else(|| {
        let sure = CAPTURE_ENDINGS.contains(&ending(name).as_str())
            || choices.receive.band.is_some()
            || choices.capture.data_type.is_some();
        sure.then_some(RawKind::Capture)
    });
    match kind {
        Some(RawKind::Capture) => Ok(as_capture()?),
        Some(RawKind::Sweep) => as_sweep(),
        None => as_sweep().or_else(|sweep_says| match as_capture() {
            // A sweep that asks a question is a sweep.
            _ if matches!(sweep_says, WorkError::Sweep(SweepError::Ambiguous { .. })) => Err(sweep_says),
            Ok(found) => Ok(found),
            // Neither: what the sweep reader says is the more useful, except for a file that is not there at all.
            Err(CaptureError::Io { path, source }) => Err(CaptureError::Io { path, source }.into()),
            Err(_) => Err(sweep_says),
        }),
    }
}

/// Turns a raw file into levels at the receiver input.
///
/// A sweep is read; a capture goes through the measuring receiver. The trace's history says in words what was done.
pub fn levels(
    path: &Path,
    name: &str,
    choices: &ReadingChoices,
    on_stage: &mut OnStage<'_>,
) -> Result<Trace, WorkError> {
    match understand(path, name, choices)? {
        Understanding::Sweep(reading) => Ok(reading.trace),
        Understanding::Capture(_) => {
            let channel = choices.receive.channel.unwrap_or(1);
            let mut measured = measure_channels(path, name, choices, &[channel], false, on_stage)?;
            measured.pop().map(|m| m.trace).ok_or_else(|| WorkError::Ours("a channel gave no levels".to_owned()))
        }
    }
}

/// What the receiver is told of one channel of a capture, counted from 1, and what was assumed for it.
pub(crate) fn settings(
    path: &Path,
    name: &str,
    info: &CaptureInfo,
    choices: &ReadingChoices,
    number: usize,
) -> Result<(Settings, Vec<String>), WorkError> {
    let want = &choices.receive;
    let rate_hz = info.rate_hz.ok_or_else(|| CaptureError::MissingRate { path: path.to_owned() })?;
    let mut found = Vec::new();
    let Some(band) = want.band else {
        return Err(WorkError::input(
            name,
            "a time record, and no band to measure it in",
            "a band of CISPR 16-1-1: A, B, C, D or E (--band)",
        ));
    };
    let channel = number.checked_sub(1).and_then(|i| info.channels.get(i)).ok_or_else(|| {
        WorkError::input(
            name,
            format!("channel {number} of {}", info.channels.len()),
            "a channel of the record, counted from 1",
        )
    })?;
    if !channel.scale_known && info.full_scale.is_some() {
        found.push(format!(
            "the file does not say how many volts one count is: {} V was taken for one (give --scale)",
            channel.volts_per_unit
        ));
    }
    Ok((
        Settings {
            band,
            rate_hz,
            from_hz: want.from_hz,
            to_hz: want.to_hz,
            step_hz: want.step_hz,
            channel: number - 1,
            volts_per_unit: channel.volts_per_unit,
            start: want.start,
            centre_hz: if info.complex { info.centre_hz } else { None },
            threads: want.threads,
            timeline: None,
            noise_floor: true,
        },
        found,
    ))
}

/// Levels as a trace whose history says how they were made.
pub(crate) fn trace_of(levels: Levels, info: &CaptureInfo, band: Band, notes: Vec<String>) -> Trace {
    let mut history = vec![format!(
        "measured from a time record of {} at {} samples a second ({}), band {band}, bandwidth {}, detectors started {}",
        seconds(levels.duration_s),
        engineering(info.rate_hz.unwrap_or_default()),
        info.sample_type,
        frequency(levels.bandwidth_hz),
        match levels.start {
            Start::Rest => "from rest",
            Start::Settled => "settled (the record repeated until nothing changes)",
        },
    )];
    // A Gaussian filter of −6 dB bandwidth B is 6.02·(2Δf/B)² dB down at Δf; the worst sine lies half a step off.
    if let [first, second, ..] = levels.frequency_hz[..] {
        let low_db = 20.0 * 2f64.log10() * ((second - first) / levels.bandwidth_hz).powi(2);
        if low_db > 0.15 {
            history.push(format!(
                "the step is {}: a steady sine between two of its frequencies reads up to {low_db:.1} dB low (a step of {} \
                 keeps that within 0.1 dB)",
                frequency(second - first),
                frequency(levels.bandwidth_hz / 8.0)
            ));
        }
    }
    if let Some(t) = info.truncated {
        history.push(format!(
            "the file holds {} of the {} frames its header promises: measured as far as it goes",
            t.found_frames, t.promised_frames
        ));
    }
    history.extend(notes);
    history.extend(levels.notes.iter().cloned());
    if let Some(floor) = levels.quantisation_floor_dbuv {
        history.push(format!("quantisation noise of the record reads {floor:.1} dBµV in this bandwidth (RMS-average)"));
    }
    let Levels { readings, noise_floor, .. } = levels;
    let columns = readings
        .into_iter()
        .map(|r| Column {
            detector: Some(r.detector),
            name: r.detector.name().to_owned(),
            // Minus infinity (nothing at all in the record) is no level either.
            level_db: r.level_dbuv.into_iter().map(|v| if v.is_finite() { v } else { f64::NAN }).collect(),
            floor_db: noise_floor
                .as_ref()
                .map_or_else(Vec::new, |f| (0..r.lower_bound.len()).map(|i| f.level_dbuv(r.detector, i)).collect()),
            lower_bound: r.lower_bound,
        })
        .collect();
    Trace {
        frequency_hz: levels.frequency_hz,
        unit: Some(Unit::DbUv),
        columns,
        bandwidth_hz: Some(levels.bandwidth_hz),
        impedance_ohm: Some(50.0),
        history,
    }
}

fn engineering(value: f64) -> String {
    let (scaled, prefix) = match value.abs() {
        v if v >= 1e9 => (value / 1e9, " G"),
        v if v >= 1e6 => (value / 1e6, " M"),
        v if v >= 1e3 => (value / 1e3, " k"),
        _ => (value, ""),
    };
    let text = format!("{scaled:.4}");
    format!("{}{prefix}", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A frequency for people, four digits after the point at most.
pub(crate) fn frequency(hz: f64) -> String {
    let text = engineering(hz);
    if text.contains(' ') { format!("{text}Hz") } else { format!("{text} Hz") }
}

fn seconds(s: f64) -> String {
    if s >= 1.0 { format!("{s:.3} s") } else { format!("{:.3} ms", s * 1e3) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frequencies_are_written_short() {
        assert_eq!(frequency(9e3), "9 kHz");
        assert_eq!(frequency(62.5e6), "62.5 MHz");
        assert_eq!(frequency(200.0), "200 Hz");
    }
}
