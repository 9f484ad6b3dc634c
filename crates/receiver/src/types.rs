use std::ops::ControlFlow;

use serde::{Deserialize, Serialize};
use signal::SourceError;
use standards::{Band, Detector};

use crate::floor::NoiseFloor;
use crate::timeline::{Timeline, TimelineSize};

/// What the detectors and meters hold at the first output of the selectivity filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Start {
    /// Everything discharged, as when the receiver is switched on with the record. The meter then needs time to rise,
    /// so a short record reads low.
    Rest,
    /// The record repeated until nothing changes any more, read over one repetition.
    Settled,
}

/// What to measure.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Band of CISPR 16-1-1, which fixes bandwidth, time constants and corner frequency.
    pub band: Band,
    /// Frames per second of the record, Hz.
    pub rate_hz: f64,
    /// Lowest frequency; the lower edge of the band (or what the record holds of it) when absent.
    pub from_hz: Option<f64>,
    /// Highest frequency; the upper edge of the band (or what the record holds of it) when absent.
    pub to_hz: Option<f64>,
    /// Frequency step: every `from_hz + k·step_hz` is met exactly, whatever the rate. When absent half the bandwidth where
    /// the record's rate divides into it, else the record's own frequencies: multiples of the rate over a whole number, at
    /// least as fine as half the bandwidth, within the range (a note says so; where the rate is far above the range, half
    /// the bandwidth is met all the same).
    pub step_hz: Option<f64>,
    /// Channel, counted from 0.
    pub channel: usize,
    /// Volts at the receiver input for one unit of the record's numbers.
    pub volts_per_unit: f64,
    /// Where the detectors start. When absent: settled for a record too short for one of its detectors, else rest.
    pub start: Option<Start>,
    /// Radio frequency that stands at 0 Hz in a complex record; 0 when absent. Not allowed for real records.
    pub centre_hz: Option<f64>,
    /// Worker threads; as many as the machine offers when absent. The result does not depend on it.
    pub threads: Option<usize>,
    /// Keep the time structure too, in at most so many cells.
    pub timeline: Option<TimelineSize>,
    /// Look for the record's own noise floor.
    pub noise_floor: bool,
}

impl Settings {
    /// The whole band, channel 0, numbers in volts.
    pub fn new(band: Band, rate_hz: f64) -> Self {
        Self {
            band,
            rate_hz,
            from_hz: None,
            to_hz: None,
            step_hz: None,
            channel: 0,
            volts_per_unit: 1.0,
            start: None,
            centre_hz: None,
            threads: None,
            timeline: None,
            noise_floor: true,
        }
    }
}

/// How far a measurement has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Frames of the record used in this pass.
    pub frames_done: u64,
    /// Frames in this pass, where known.
    pub frames_total: Option<u64>,
    /// Pass over the record, counted from 1; a settled start needs more than one.
    pub pass: u32,
}

/// Called now and then; answering `Break` ends the measurement with [`ReceiverError::Cancelled`].
pub type OnProgress<'a> = dyn FnMut(&Progress) -> ControlFlow<()> + 'a;

/// One detector's levels, one for each frequency of [`Levels::frequency_hz`].
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The detector.
    pub detector: Detector,
    /// Level as the r.m.s. value of a sine at the receiver input that reads the same, dBµV.
    pub level_dbuv: Vec<f64>,
    /// True where the record was too short for this detector to settle: the true reading is this or higher.
    pub lower_bound: Vec<bool>,
    /// True where the level is less than [`RESOLVED_DB`] above what this detector reads on the record's own noise floor:
    /// emission and floor are not told apart there. Empty where no floor was looked for or found.
    pub not_resolved: Vec<bool>,
}

/// A level this close to the noise floor is not told apart from it, dB (common practice for ambient and own noise).
pub const RESOLVED_DB: f64 = 6.0;

/// Samples at the end of the number format, and what that means.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Overload {
    /// Samples of the channel at the highest or lowest number its format can hold (integer formats), or in a run of at
    /// least four equal samples at the record's own extreme (all formats).
    pub clipped_samples: u64,
    /// Longest run of equal samples at the record's own extreme.
    pub longest_run: u64,
    /// Largest magnitude in the record, V.
    pub highest_v: f64,
}

/// What a record reads on every detector.
#[derive(Debug, Clone, PartialEq)]
pub struct Levels {
    /// Frequencies, Hz, ascending.
    pub frequency_hz: Vec<f64>,
    /// The detectors of the band in the order of [`Detector::ALL`]; band E has no quasi-peak.
    pub readings: Vec<Reading>,
    /// Where the detectors started.
    pub start: Start,
    /// Length of the record, s.
    pub duration_s: f64,
    /// −6 dB bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// What a careful reader should know: how the grid was met, what was too short, clipping.
    pub notes: Vec<String>,
    /// Clipping in the record.
    pub overload: Overload,
    /// Level of the quantisation noise of an integer record in the bandwidth, dBµV, as an RMS-average reading; absent
    /// for floating-point records. Uniform rounding error spread evenly over 0 to half the rate is assumed.
    pub quantisation_floor_dbuv: Option<f64>,
    /// The record's own noise floor; absent where it was not looked for or the record is too short to tell.
    pub noise_floor: Option<NoiseFloor>,
    /// Peak level against time, where asked for.
    pub timeline: Option<Timeline>,
}

impl Levels {
    /// The reading of one detector, where the band has it.
    pub fn reading(&self, detector: Detector) -> Option<&Reading> {
        self.readings.iter().find(|r| r.detector == detector)
    }
}

/// Why there are no levels.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReceiverError {
    /// A setting is impossible.
    #[error("{field}: {what}; expected {expected}")]
    Settings {
        /// The field of [`Settings`].
        field: &'static str,
        /// What is wrong with it.
        what: String,
        /// What would be right.
        expected: String,
    },
    /// The record does not hold one whole filter response.
    #[error("the record holds {frames} frames ({duration_s:.6} s): a {bandwidth_hz} Hz filter needs at least {needed}")]
    TooShort {
        /// Frames in the record.
        frames: u64,
        /// Length of the record, s.
        duration_s: f64,
        /// −6 dB bandwidth, Hz.
        bandwidth_hz: f64,
        /// Frames needed.
        needed: u64,
    },
    /// The record holds something that is not a number.
    #[error("frame {frame}, channel {channel}: the sample is not a finite number; expected volts or counts")]
    NotFinite {
        /// Frame, counted from 0.
        frame: u64,
        /// Channel, counted from 0.
        channel: usize,
    },
    /// The record could not be read.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// The caller asked to stop.
    #[error("cancelled")]
    Cancelled,
}
