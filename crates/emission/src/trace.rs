use quantity::Unit;
use serde::{Deserialize, Serialize};
use standards::Detector;

/// Levels against frequency for one or more detectors, in one unit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Trace {
    /// Rising frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Unit of every level; none while a file's unit is not known.
    pub unit: Option<Unit>,
    /// One column a detector, each as long as `frequency_hz`.
    pub columns: Vec<Column>,
    /// Resolution bandwidth (−6 dB), Hz, where known.
    pub bandwidth_hz: Option<f64>,
    /// Impedance in which the levels were measured, Ω, where known.
    pub impedance_ohm: Option<f64>,
    /// What was done to it so far, in words and in order (reading, corrections, conversions).
    pub history: Vec<String>,
}

/// The levels of one detector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Column {
    /// The detector, where the source says it.
    pub detector: Option<Detector>,
    /// Name in the source.
    pub name: String,
    /// Levels in the trace's unit; NaN where there is none (a gap).
    pub level_db: Vec<f64>,
    /// True where the record was too short for the detector to settle, so that the level is a lower bound.
    /// Empty: nothing is known of it.
    pub lower_bound: Vec<bool>,
}

impl Trace {
    /// The column of a detector.
    pub fn column(&self, detector: Detector) -> Option<&Column> {
        self.columns.iter().find(|c| c.detector == Some(detector))
    }
}
