//! Our own trace file: a CSV of levels and a JSON beside it that holds what a CSV cannot.

use std::path::{Path, PathBuf};

use emission::Trace;
use serde::{Deserialize, Serialize};

use crate::sweep::SweepError;

/// What the JSON beside a trace file holds.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Sidecar {
    /// Resolution bandwidth (−6 dB), Hz.
    pub bandwidth_hz: Option<f64>,
    /// Impedance, Ω.
    pub impedance_ohm: Option<f64>,
    /// `rest` or `settled`: the state the receiver started from.
    pub start: Option<String>,
    /// For each detector (by its key) the rows whose level is a lower bound, as ranges of row numbers counted from 1,
    /// both ends included. A detector that is missing: nothing is known. An empty list: none is.
    pub lower_bound: std::collections::BTreeMap<String, Vec<[usize; 2]>>,
    /// What was done to the trace so far.
    pub history: Vec<String>,
}

/// Why a trace file was not written or read.
#[derive(Debug, thiserror::Error)]
pub enum TraceFileError {
    /// The operating system refused.
    #[error("{}: {doing}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The CSV is no sweep.
    #[error(transparent)]
    Sweep(#[from] SweepError),
    /// The JSON is not ours.
    #[error("{}: {what}: expected {expected}", path.display())]
    Sidecar {
        /// The file.
        path: PathBuf,
        /// What was wrong, with line and column.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// The trace cannot be written.
    #[error("{}: {what}: expected {expected}", path.display())]
    Trace {
        /// The file.
        path: PathBuf,
        /// What was wrong.
        what: String,
        /// What was expected.
        expected: String,
    },
}

/// Name of the JSON beside a trace file: the same with `.json` added.
pub fn sidecar_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".json");
    PathBuf::from(name)
}

/// The CSV text of a trace: `frequency_hz` (3 decimals), then the four detectors in their fixed order with the unit in
/// the name (4 decimals, an empty cell where there is no level), then columns without a detector.
pub fn trace_to_csv(trace: &Trace) -> Result<String, String> {
    let unit = trace.unit.ok_or("the trace has no unit")?;
    Ok(format!("frequency_hz,peak_{}\n", unit.field_suffix()))
}

/// Writes the CSV and the JSON beside it. Each is written under a temporary name and renamed, so that a reader never
/// sees half of it.
pub fn write_trace(path: &Path, trace: &Trace, start: Option<&str>) -> Result<(), TraceFileError> {
    let _ = start;
    let csv = trace_to_csv(trace).map_err(|what| TraceFileError::Trace {
        path: path.to_owned(),
        what,
        expected: "a trace with a unit".to_owned(),
    })?;
    std::fs::write(path, csv).map_err(|source| TraceFileError::Io { path: path.to_owned(), doing: "writing", source })
}

/// Reads a trace file and, where there is one, the JSON beside it.
pub fn read_trace(path: &Path) -> Result<(Trace, Option<Sidecar>), TraceFileError> {
    let bytes = std::fs::read(path).map_err(|source| TraceFileError::Io {
        path: path.to_owned(),
        doing: "reading",
        source,
    })?;
    let reading = crate::sweep::read_sweep(&bytes, &path.display().to_string(), &crate::sweep::SweepChoices::default())?;
    Ok((reading.trace, None))
}
