//! Our own trace file: a CSV of levels and a JSON beside it that holds what a CSV cannot.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use emission::{Column, Trace};
use serde::{Deserialize, Serialize};
use standards::Detector;

use crate::decimals::push_decimals;
use crate::sweep::{MOST_BYTES, SweepChoices, SweepError, read_sweep};

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
    /// For each detector the rows whose level stands less than 6 dB above the record's own noise floor, in the same way.
    #[serde(skip_serializing_if = "std::collections::BTreeMap::is_empty")]
    pub not_resolved: std::collections::BTreeMap<String, Vec<[usize; 2]>>,
    /// The record's own noise floor, where it was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub noise_floor: Option<SidecarFloor>,
    /// What was done to the trace so far.
    pub history: Vec<String>,
}

/// A noise floor beside a trace file.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SidecarFloor {
    /// What the detector with the key `detector` reads on the noise alone, one level a row in the trace's unit; null where
    /// no floor was found.
    pub level_db: Vec<Option<f64>>,
    /// Key of that detector.
    pub detector: String,
    /// How much more each detector reads on the same noise, dB.
    pub above_db: std::collections::BTreeMap<String, f64>,
}

impl SidecarFloor {
    fn of(trace: &Trace) -> Option<Self> {
        let known = |c: &&Column| c.detector.is_some() && !c.floor_db.is_empty();
        let first = trace.columns.iter().rfind(known)?;
        let row = first.floor_db.iter().position(|f| f.is_finite())?;
        let round = |v: f64| (v * 100.0).round() / 100.0;
        Some(Self {
            level_db: first.floor_db.iter().map(|f| f.is_finite().then(|| round(*f))).collect(),
            detector: first.detector.map(|d| d.key().to_owned()).unwrap_or_default(),
            above_db: trace
                .columns
                .iter()
                .filter(known)
                .filter_map(|c| Some((c.detector?.key().to_owned(), round(c.floor_db[row] - first.floor_db[row]))))
                .collect(),
        })
    }
}

/// Rows that are marked, as ranges of row numbers counted from 1, both ends included.
fn ranges(marked: impl Iterator<Item = bool>) -> Vec<[usize; 2]> {
    let mut ranges: Vec<[usize; 2]> = Vec::new();
    for (i, _) in marked.enumerate().filter(|(_, b)| *b) {
        match ranges.last_mut() {
            Some(last) if last[1] == i => last[1] = i + 1,
            _ => ranges.push([i + 1, i + 1]),
        }
    }
    ranges
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
/// the name (4 decimals, an empty cell where there is no level), then the columns without a detector by their names.
///
/// All four detectors have a column even where the trace does not, so that what reads the file finds each in its place.
/// Says in words what is wrong with a trace that cannot be written.
pub fn trace_to_csv(trace: &Trace) -> Result<String, String> {
    let unit = trace.unit.ok_or("the levels have no unit")?;
    let n = trace.frequency_hz.len();
    if let Some(c) = trace.columns.iter().find(|c| c.level_db.len() != n) {
        return Err(format!("`{}` has {} levels for {n} frequencies", c.name, c.level_db.len()));
    }
    if let Some(f) = trace.frequency_hz.iter().find(|f| !(f.is_finite() && **f > 0.0)) {
        return Err(format!("{f} Hz among the frequencies"));
    }
    let mut names: Vec<String> = Detector::ALL.iter().map(|d| d.key().to_owned()).collect();
    let mut columns: Vec<Option<&Column>> = Detector::ALL.iter().map(|d| trace.column(*d)).collect();
    for c in &trace.columns {
        let first = c.detector.is_some_and(|d| trace.column(d).is_some_and(|first| std::ptr::eq(first, c)));
        if !first {
            let mut name = plain_name(&c.name, unit.field_suffix());
            while names.contains(&name) {
                name.push_str("_again");
            }
            names.push(name);
            columns.push(Some(c));
        }
    }
    let mut csv = String::with_capacity((n + 1) * 12 * (columns.len() + 1));
    csv.push_str("frequency_hz");
    for name in &names {
        let _ = write!(csv, ",{name}_{}", unit.field_suffix());
    }
    csv.push('\n');
    for (row, f) in trace.frequency_hz.iter().enumerate() {
        push_decimals(&mut csv, *f, 3);
        for column in &columns {
            match column.map(|c| c.level_db[row]).filter(|l| l.is_finite()) {
                // No minus before a zero.
                Some(level) => {
                    csv.push(',');
                    push_decimals(&mut csv, if level.abs() < 5e-5 { 0.0 } else { level }, 4);
                }
                None => csv.push(','),
            }
        }
        csv.push('\n');
    }
    Ok(csv)
}

/// A name that can stand in a header: words of a field name, without the unit (it follows).
fn plain_name(name: &str, suffix: &str) -> String {
    let mut plain = String::new();
    for c in name.to_lowercase().chars() {
        if c.is_alphanumeric() && c != 'µ' && c != 'μ' {
            plain.push(c);
        } else if !plain.ends_with('_') && !plain.is_empty() {
            plain.push('_');
        }
    }
    let plain = plain.trim_end_matches('_');
    let plain = plain.strip_suffix(suffix).unwrap_or(plain).trim_end_matches('_');
    if plain.is_empty() { "trace".to_owned() } else { plain.to_owned() }
}

/// The JSON beside a trace.
pub fn sidecar_of(trace: &Trace, start: Option<&str>) -> Sidecar {
    let lower_bound = trace
        .columns
        .iter()
        .filter(|c| !c.lower_bound.is_empty())
        .filter_map(|c| c.detector.map(|d| (d.key().to_owned(), ranges(c.lower_bound.iter().copied()))))
        .collect();
    let not_resolved = trace
        .columns
        .iter()
        .filter(|c| !c.floor_db.is_empty())
        .filter_map(|c| {
            let rows = (0..c.level_db.len()).map(|k| c.not_resolved(k));
            c.detector.map(|d| (d.key().to_owned(), ranges(rows)))
        })
        .collect();
    Sidecar {
        bandwidth_hz: trace.bandwidth_hz,
        impedance_ohm: trace.impedance_ohm,
        start: start.map(str::to_owned),
        lower_bound,
        not_resolved,
        noise_floor: SidecarFloor::of(trace),
        history: trace.history.clone(),
    }
}

/// Writes the CSV and the JSON beside it. Both are written whole under temporary names first and then renamed, the JSON
/// before the CSV, so that a reader never sees half a file nor a CSV whose JSON is still to come.
pub fn write_trace(path: &Path, trace: &Trace, start: Option<&str>) -> Result<(), TraceFileError> {
    let csv = trace_to_csv(trace).map_err(|what| TraceFileError::Trace {
        path: path.to_owned(),
        what,
        expected: "a unit, positive frequencies and one level a frequency in each column".to_owned(),
    })?;
    let mut json = serde_json::to_string_pretty(&sidecar_of(trace, start)).map_err(|e| TraceFileError::Trace {
        path: path.to_owned(),
        what: e.to_string(),
        expected: "finite numbers".to_owned(),
    })?;
    json.push('\n');
    let beside = sidecar_path(path);
    let csv_waiting = Waiting::write(path, csv.as_bytes())?;
    let json_waiting = Waiting::write(&beside, json.as_bytes())?;
    json_waiting.take_its_place(&beside)?;
    csv_waiting.take_its_place(path)
}

/// A file written under a temporary name; taken away again if it never gets its own.
pub(crate) struct Waiting {
    path: PathBuf,
    placed: bool,
}

impl Waiting {
    pub(crate) fn write(target: &Path, bytes: &[u8]) -> Result<Self, TraceFileError> {
        let fault = |doing| {
            let path = target.to_owned();
            move |source| TraceFileError::Io { path, doing, source }
        };
        let mut name = std::ffi::OsString::from(".");
        name.push(target.file_name().unwrap_or_default());
        name.push(format!(".{}.tmp", std::process::id()));
        let path = target.with_file_name(name);
        let mut file = std::fs::File::create(&path).map_err(fault("creating it"))?;
        let waiting = Self { path, placed: false };
        file.write_all(bytes).map_err(fault("writing it"))?;
        file.sync_all().map_err(fault("writing it to disk"))?;
        Ok(waiting)
    }

    pub(crate) fn take_its_place(mut self, target: &Path) -> Result<(), TraceFileError> {
        std::fs::rename(&self.path, target).map_err(|source| TraceFileError::Io {
            path: target.to_owned(),
            doing: "giving it its name",
            source,
        })?;
        self.placed = true;
        Ok(())
    }
}

impl Drop for Waiting {
    fn drop(&mut self) {
        if !self.placed {
            // Nothing half-written stays behind; if even this fails there is nobody left to tell.
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

/// Reads a trace file and, where there is one, the JSON beside it.
pub fn read_trace(path: &Path) -> Result<(Trace, Option<Sidecar>), TraceFileError> {
    let name = path.display().to_string();
    let fault = |path: &Path, doing| {
        let path = path.to_owned();
        move |source| TraceFileError::Io { path, doing, source }
    };
    let size = std::fs::metadata(path).map_err(fault(path, "looking for it"))?.len();
    if size > MOST_BYTES as u64 {
        return Err(TraceFileError::Sweep(SweepError::TooLarge {
            name,
            what: format!("{size} bytes"),
            most: format!("{MOST_BYTES} bytes (1 GiB)"),
        }));
    }
    let bytes = std::fs::read(path).map_err(fault(path, "reading it"))?;
    let mut trace = read_sweep(&bytes, &name, &SweepChoices::default())?.trace;
    let beside = sidecar_path(path);
    let json = match std::fs::read(&beside) {
        Ok(json) => json,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok((trace, None)),
        Err(e) => return Err(fault(&beside, "reading it")(e)),
    };
    let wrong = |what: String, expected: &str| TraceFileError::Sidecar {
        path: beside.clone(),
        what,
        expected: expected.to_owned(),
    };
    let sidecar: Sidecar = serde_json::from_slice(&json)
        .map_err(|e| wrong(e.to_string(), "bandwidth_hz, impedance_ohm, start, lower_bound and history"))?;
    trace.bandwidth_hz = sidecar.bandwidth_hz.or(trace.bandwidth_hz);
    trace.impedance_ohm = sidecar.impedance_ohm.or(trace.impedance_ohm);
    if !sidecar.history.is_empty() {
        trace.history.clone_from(&sidecar.history);
    }
    let rows = trace.frequency_hz.len();
    for (key, ranges) in &sidecar.lower_bound {
        let Some(detector) = Detector::ALL.into_iter().find(|d| d.key() == key) else {
            return Err(wrong(
                format!("lower_bound.{key} names no detector"),
                "peak, quasi_peak, cispr_average or rms_average",
            ));
        };
        let Some(column) = trace.columns.iter_mut().find(|c| c.detector == Some(detector)) else { continue };
        column.lower_bound = vec![false; rows];
        for [from, to] in ranges {
            if *from == 0 || from > to || *to > rows {
                return Err(wrong(
                    format!("lower_bound.{key} has the rows {from} to {to}"),
                    &format!("rising rows from 1 to {rows}, those of the CSV beside it"),
                ));
            }
            column.lower_bound[from - 1..*to].fill(true);
        }
    }
    if let Some(floor) = &sidecar.noise_floor {
        if floor.level_db.len() != rows {
            return Err(wrong(
                format!("noise_floor.level_db has {} levels", floor.level_db.len()),
                &format!("{rows}, one for each row of the CSV beside it"),
            ));
        }
        for column in &mut trace.columns {
            let above = column.detector.and_then(|d| floor.above_db.get(d.key()));
            if let Some(above) = above {
                column.floor_db = floor.level_db.iter().map(|l| l.map_or(f64::NAN, |l| l + above)).collect();
            }
        }
    }
    Ok((trace, Some(sidecar)))
}
