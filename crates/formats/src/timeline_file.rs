//! The time structure of a measurement beside its trace: an array of levels and a JSON that says what its axes are.
//!
//! For the trace `x.csv` the array is `x.csv.timeline.npy` (NumPy, 32-bit floats, one row a cell of time, one column a cell
//! of frequency, dBµV, NaN where nothing was measured) and its axes are in `x.csv.timeline.json`.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::trace_file::{TraceFileError, Waiting};

/// Peak level against time and frequency. Maxima are preserved: each cell holds the highest level in it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TimelineTable {
    /// What the axes are.
    pub axes: TimelineAxes,
    /// Levels, dBµV at the receiver input: cell of time after cell of time, in each all cells of frequency.
    pub level_dbuv: Vec<f32>,
}

/// The axes of a timeline.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct TimelineAxes {
    /// Beginning of the first cell of time, s after the record's first frame.
    pub first_s: f64,
    /// Length of a cell of time, s.
    pub step_s: f64,
    /// Cells of time.
    pub times: usize,
    /// Lowest frequency in each cell of frequency, Hz.
    pub from_hz: Vec<f64>,
    /// Highest frequency in each cell of frequency, Hz.
    pub to_hz: Vec<f64>,
}

/// Names of the two files beside a trace file: array and axes.
pub fn timeline_paths(trace: &Path) -> (PathBuf, PathBuf) {
    let beside = |ending: &str| {
        let mut name = trace.as_os_str().to_owned();
        name.push(ending);
        PathBuf::from(name)
    };
    (beside(".timeline.npy"), beside(".timeline.json"))
}

fn fault(path: &Path, what: impl Into<String>, expected: &str) -> TraceFileError {
    TraceFileError::Sidecar { path: path.to_owned(), what: what.into(), expected: expected.to_owned() }
}

/// Writes both files beside the trace file, each whole or not at all, the axes last.
pub fn write_timeline(trace: &Path, table: &TimelineTable) -> Result<(), TraceFileError> {
    let (array, axes) = timeline_paths(trace);
    let columns = table.axes.from_hz.len();
    if table.level_dbuv.len() != columns * table.axes.times {
        return Err(fault(
            &array,
            format!("{} levels for {} by {columns} cells", table.level_dbuv.len(), table.axes.times),
            "one level a cell",
        ));
    }
    let mut head = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({}, {columns}), }}", table.axes.times);
    while !(head.len() + 11).is_multiple_of(64) {
        head.push(' ');
    }
    head.push('\n');
    let mut bytes = Vec::with_capacity(10 + head.len() + 4 * table.level_dbuv.len());
    bytes.extend_from_slice(b"\x93NUMPY\x01\x00");
    bytes.extend_from_slice(&(head.len() as u16).to_le_bytes());
    bytes.extend_from_slice(head.as_bytes());
    bytes.extend(table.level_dbuv.iter().flat_map(|v| v.to_le_bytes()));
    let json = serde_json::to_vec(&table.axes).map_err(|e| fault(&axes, e.to_string(), "finite numbers"))?;
    let array_waits = Waiting::write(&array, &bytes)?;
    let axes_wait = Waiting::write(&axes, &json)?;
    array_waits.take_its_place(&array)?;
    axes_wait.take_its_place(&axes)
}

/// Reads what [`write_timeline`] wrote; nothing where there is none.
pub fn read_timeline(trace: &Path) -> Result<Option<TimelineTable>, TraceFileError> {
    let (array, axes_path) = timeline_paths(trace);
    let io = |path: &Path| {
        let path = path.to_owned();
        move |source| TraceFileError::Io { path, doing: "reading it", source }
    };
    let json = match std::fs::read(&axes_path) {
        Ok(json) => json,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(io(&axes_path)(e)),
    };
    let axes: TimelineAxes = serde_json::from_slice(&json)
        .map_err(|e| fault(&axes_path, e.to_string(), "first_s, step_s, times, from_hz and to_hz"))?;
    let cells =
        axes.from_hz.len().checked_mul(axes.times).filter(|c| *c <= 64 << 20 && axes.to_hz.len() == axes.from_hz.len());
    let cells = cells.ok_or_else(|| fault(&axes_path, "axes that do not fit", "one from_hz and to_hz a cell"))?;
    let bytes = std::fs::read(&array).map_err(io(&array))?;
    let level_dbuv: Vec<f32> = bytes
        .len()
        .checked_sub(4 * cells)
        .map(|head| bytes[head..].chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect())
        .ok_or_else(|| fault(&array, format!("{} bytes", bytes.len()), &format!("{cells} levels of 4 bytes")))?;
    Ok(Some(TimelineTable { axes, level_dbuv }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_again_and_is_an_array() {
        let folder = tempfile::tempdir().expect("a folder");
        let trace = folder.path().join("x.csv");
        assert_eq!(read_timeline(&trace).expect("none yet"), None);
        let axes = TimelineAxes {
            first_s: 0.1,
            step_s: 0.5,
            times: 2,
            from_hz: vec![1.0, 2.0, 4.0],
            to_hz: vec![1.5, 3.0, 4.0],
        };
        let table = TimelineTable { axes, level_dbuv: vec![1.0, -2.5, 3.0, 4.0, 5.0, 60.25] };
        write_timeline(&trace, &table).expect("written");
        assert_eq!(read_timeline(&trace).expect("read"), Some(table.clone()));
        // The array is one that the capture reader understands: it was written by the same rules.
        let capture = crate::capture::open_capture(
            &timeline_paths(&trace).0,
            &crate::capture::CaptureChoices { time_axis: Some(0), ..Default::default() },
        );
        assert_eq!(capture.expect("an array").info().channels.len(), 3);
        let short = TimelineTable { level_dbuv: vec![0.0], ..table };
        assert!(write_timeline(&trace, &short).is_err());
        assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 2);
    }
}
