//! From flags to the choices of the readers. A word that fits none of a choice's values is an input error that lists them.

use emission::JudgeOptions;
use formats::capture::CaptureChoices;
use formats::sweep::{ColumnRef, SweepChoices};
use project::{Place, Polarisation};
use receiver::Start;
use serde::de::DeserializeOwned;
use standards::Band;
use workbench::{ReadingChoices, ReceiveChoices};

use crate::args::{CaptureFlags, JudgeFlags, PlaceFlags, PolarisationFlag, ScanFlags, StartFlag, SweepFlags, detector};
use crate::outcome::Failure;

/// Reads one of a choice's words; what serde says of a wrong one lists the right ones.
fn word<T: DeserializeOwned>(flag: &str, text: Option<&String>) -> Result<Option<T>, Failure> {
    text.map(|t| {
        serde_json::from_value(serde_json::Value::String(t.clone()))
            .map_err(|e| Failure::input(format!("--{flag} `{t}`: {e}")))
    })
    .transpose()
}

fn column(text: &str) -> ColumnRef {
    text.parse().map_or_else(|_| ColumnRef::Name(text.to_owned()), ColumnRef::Number)
}

pub(crate) fn place(flags: &PlaceFlags) -> Place {
    Place {
        azimuth_deg: flags.azimuth,
        height_m: flags.height,
        polarisation: flags.polarisation.map(|p| match p {
            PolarisationFlag::Horizontal => Polarisation::Horizontal,
            PolarisationFlag::Vertical => Polarisation::Vertical,
        }),
        distance_m: flags.distance,
        laboratory: flags.laboratory.clone(),
        product_off: flags.product_off,
    }
}

pub(crate) fn sweep(flags: &SweepFlags) -> Result<SweepChoices, Failure> {
    let mut detectors = std::collections::BTreeMap::new();
    for d in &flags.detectors {
        let (column, name) = d.split_once('=').unwrap_or(("*", d));
        let which = detector(name).map_err(|e| Failure::input(format!("--detectors: {e}")))?;
        detectors.insert(column.trim().to_owned(), which);
    }
    Ok(SweepChoices {
        encoding: word("encoding", flags.encoding.as_ref())?,
        delimiter: word("delimiter", flags.delimiter.as_ref())?,
        decimal: word("decimal", flags.decimal.as_ref())?,
        skip_lines: flags.skip_lines,
        table: flags.table,
        frequency_column: flags.frequency_column.as_deref().map(column),
        level_columns: flags.level_columns.iter().map(|c| column(c)).collect(),
        frequency_unit: word("frequency-unit", flags.frequency_unit.as_ref())?,
        level_unit: word("level-unit", flags.level_unit.as_ref())?,
        detectors,
        bandwidth_hz: flags.bandwidth_hz,
        impedance_ohm: flags.impedance_ohm,
        repeats: word("repeats", flags.repeats.as_ref())?,
        ..SweepChoices::default()
    })
}

fn positive(flag: &str, value: Option<f64>) -> Result<Option<f64>, Failure> {
    match value {
        Some(v) if !(v.is_finite() && v > 0.0) => {
            Err(Failure::input(format!("--{flag} {v}: expected a number above zero")))
        }
        other => Ok(other),
    }
}

pub(crate) fn capture(flags: &CaptureFlags) -> Result<CaptureChoices, Failure> {
    if let Some(s) = flags.scale.filter(|s| !s.is_finite() || *s == 0.0) {
        return Err(Failure::input(format!("--scale {s}: expected volts for one unit of the file, not zero")));
    }
    Ok(CaptureChoices {
        rate_hz: positive("rate", flags.rate)?,
        volts_per_unit: flags.scale,
        centre_hz: flags.centre,
        ..CaptureChoices::default()
    })
}

pub(crate) fn receive(band: Option<Band>, scan: &ScanFlags, capture: &CaptureFlags) -> Result<ReceiveChoices, Failure> {
    if capture.channel.0.contains(&0) {
        return Err(Failure::input("--channel 0: channels are counted from 1"));
    }
    if scan.threads == Some(0) {
        return Err(Failure::input("--threads 0: expected at least 1"));
    }
    Ok(ReceiveChoices {
        band,
        from_hz: positive("from", scan.from)?,
        to_hz: positive("to", scan.to)?,
        step_hz: positive("step", scan.step)?,
        channel: (*capture.channel != 1).then_some(*capture.channel),
        start: scan.start.map(|s| match s {
            StartFlag::Rest => Start::Rest,
            StartFlag::Settled => Start::Settled,
        }),
        threads: scan.threads,
    })
}

pub(crate) fn reading(
    band: Option<Band>,
    scan: &ScanFlags,
    captured: &CaptureFlags,
    swept: &SweepFlags,
) -> Result<ReadingChoices, Failure> {
    if captured.channel.0.len() > 1 {
        return Err(Failure::input("--channel: several channels; expected one, for a run is one channel's"));
    }
    Ok(ReadingChoices {
        kind: None,
        sweep: sweep(swept)?,
        capture: capture(captured)?,
        receive: receive(band, scan, captured)?,
    })
}

pub(crate) fn judging(flags: &JudgeFlags) -> Result<JudgeOptions, Failure> {
    Ok(JudgeOptions {
        uncertainty_db: positive("uncertainty", flags.uncertainty)?,
        budget: flags.budget.as_deref().map(budget).transpose()?,
        assume_detector: flags.detector,
        ..JudgeOptions::default()
    })
}

/// A budget by the id of a built-in one, or out of a file.
fn budget(text: &str) -> Result<standards::Budget, Failure> {
    if let Some(b) = standards::example_budgets().iter().find(|b| b.id == text) {
        return Ok(b.clone());
    }
    let (file, id) = text.split_once('#').map_or((text, None), |(file, id)| (file, Some(id)));
    let mut found = workbench::chance::read_budget_file(std::path::Path::new(file))?;
    let ids: Vec<String> = found.iter().map(|f| f.budget.id.clone()).collect();
    found.retain(|f| id.is_none_or(|id| f.budget.id == id));
    match found.len() {
        1 => Ok(found.remove(0).budget),
        _ => Err(Failure::input(format!("--budget {text}: expected {file}#ID with one of {}", ids.join(", ")))),
    }
}
