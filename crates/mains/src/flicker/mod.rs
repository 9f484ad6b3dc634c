//! The flickermeter of IEC 61000-4-15 (class F1), for records of any rate from 2 kS/s, in one pass and bounded memory.
//!
//! ```
//! use mains::flicker::{FlickerMeter, FlickerSettings, Lamp};
//! use mains::record::Mains;
//! let rate_hz = 2000.0;
//! let mut meter = FlickerMeter::new(&FlickerSettings::new(rate_hz, Mains::Hz50, Lamp::V230)).unwrap();
//! let u: Vec<f64> = (0..20_000)
//!     .map(|n| f64::from(n) / rate_hz)
//!     .map(|t| 325.0 * (1.0 + 0.00125 * (55.292 * t).sin()) * (314.159 * t).sin())
//!     .collect();
//! meter.push(&u).unwrap();
//! let reading = meter.finish().unwrap();
//! assert!((reading.pinst_max - 1.0).abs() < 0.01);
//! ```

mod decimate;
pub mod severity;
mod start;
mod weighting;

use serde::{Deserialize, Serialize};

pub use severity::{PLT_INTERVALS, PST_INTERVAL_S, PstInterval};
pub use weighting::{block_3_response, sensation_scale};

use crate::MainsError;
use crate::envelope::Envelope;
use crate::record::{Consumer, Mains, MainsBlock};
use decimate::{Compensator, SquareDecimator};
use weighting::{Sensation, Weighting};

/// The lamp whose flicker the weighting filter describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Lamp {
    /// 60 W at 230 V.
    #[serde(rename = "230")]
    V230,
    /// 60 W at 120 V.
    #[serde(rename = "120")]
    V120,
}

impl Lamp {
    /// The voltage it belongs to, V.
    pub fn nominal_v(self) -> f64 {
        match self {
            Self::V230 => 230.0,
            Self::V120 => 120.0,
        }
    }
}

/// What the voltage is normalised to (block 1).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Reference {
    /// The input adaptor: the r.m.s. value followed with a 10–90 % step response of one minute.
    Adaptor,
    /// A fixed r.m.s. voltage, V.
    FixedV(f64),
}

/// What the filters held before the first sample.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Past {
    /// The record's own beginning run backwards: right for a record cut out of a longer time.
    Mirrored,
    /// A steady voltage as the mean of the first second: right where the record begins before anything happens.
    Steady,
}

/// How a flickermeter is set.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FlickerSettings {
    /// Samples per second, Hz.
    pub rate_hz: f64,
    /// Mains frequency: decides the corner of the low pass, 35 or 42 Hz.
    pub mains: Mains,
    /// Lamp: decides the weighting filter.
    pub lamp: Lamp,
    /// Normalisation.
    pub reference: Reference,
    /// State of the filters at the first sample.
    pub past: Past,
}

impl FlickerSettings {
    /// Least sampling rate, Hz: the class asks for harmonics to 450 Hz and their products.
    pub const LEAST_RATE_HZ: f64 = 1900.0;

    /// The standard's adaptor and a mirrored past.
    pub fn new(rate_hz: f64, mains: Mains, lamp: Lamp) -> Self {
        Self { rate_hz, mains, lamp, reference: Reference::Adaptor, past: Past::Mirrored }
    }
}

/// What a flickermeter read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlickerReading {
    /// Length of the record, s.
    pub duration_s: f64,
    /// Short-term severity, interval by interval; the last may be short.
    pub intervals: Vec<PstInterval>,
    /// Highest short-term severity of the full intervals; where there is none, that of the short record.
    pub pst: f64,
    /// True where `pst` is over full 10 min.
    pub pst_complete: bool,
    /// Long-term severity over twelve full intervals in a row (the highest); where there are fewer, their cubic mean, and
    /// where there is none, `pst`: what the long-term severity becomes if the equipment goes on like this.
    pub plt: f64,
    /// Full intervals behind `plt`, at most 12.
    pub plt_intervals: usize,
    /// True where `plt` is over twelve intervals.
    pub plt_complete: bool,
    /// Highest instantaneous sensation.
    pub pinst_max: f64,
    /// Instantaneous sensation over time.
    pub pinst: Envelope,
}

/// Readings of the instantaneous sensation kept for the percentiles, per second, at least.
const READINGS_PER_S: f64 = 400.0;

/// The flickermeter. Push the voltage in pieces of any length, then finish.
#[derive(Debug)]
pub struct FlickerMeter {
    settings: FlickerSettings,
    decimator: SquareDecimator,
    compensator: Compensator,
    inner_rate_hz: f64,
    /// Time of the first sample inside, s.
    offset_s: f64,
    squares: Vec<f64>,
    /// The beginning, until the filters are set.
    beginning: Option<Vec<f64>>,
    weighting: Weighting,
    sensation: Sensation,
    mean_square: f64,
    adapt: f64,
    inside: u64,
    pushed: u64,
    every: u64,
    readings: Vec<f64>,
    interval_max: f64,
    intervals: Vec<PstInterval>,
    pinst: Envelope,
    pinst_max: f64,
}

impl FlickerMeter {
    /// A meter for records of one rate.
    pub fn new(settings: &FlickerSettings) -> Result<Self, MainsError> {
        let rate_hz = settings.rate_hz;
        if !(rate_hz.is_finite() && rate_hz >= FlickerSettings::LEAST_RATE_HZ) {
            return Err(MainsError::RateTooLow {
                rate_hz,
                needed_hz: FlickerSettings::LEAST_RATE_HZ,
                what: "the flickermeter",
            });
        }
        if let Reference::FixedV(v) = settings.reference
            && !(v.is_finite() && v > 0.0)
        {
            return Err(MainsError::Setting {
                field: "reference voltage",
                what: v.to_string(),
                expected: "a positive number of volts".into(),
            });
        }
        let factor = decimate::factor(rate_hz);
        let inner = rate_hz / factor as f64;
        let decimator = SquareDecimator::new(factor);
        // The compensator hands out the sample before the one it takes, from the third on.
        let offset_s = decimator.delay_samples() / rate_hz + 1.0 / inner;
        Ok(Self {
            settings: *settings,
            decimator,
            compensator: Compensator::new(factor),
            inner_rate_hz: inner,
            offset_s,
            squares: Vec::new(),
            beginning: Some(Vec::new()),
            weighting: Weighting::new(inner, settings.mains, settings.lamp),
            sensation: Sensation::new(inner, settings.mains, settings.lamp),
            mean_square: 0.0,
            adapt: 1.0 - (-(9.0f64.ln()) / (60.0 * inner)).exp(),
            inside: 0,
            pushed: 0,
            every: (inner / READINGS_PER_S).floor().max(1.0) as u64,
            readings: Vec::new(),
            interval_max: 0.0,
            intervals: Vec::new(),
            pinst: Envelope::new(0.1),
            pinst_max: 0.0,
        })
    }

    /// The next samples of the voltage, V (any unit will do with the adaptor).
    pub fn push(&mut self, voltage_v: &[f64]) -> Result<(), MainsError> {
        if let Some(bad) = voltage_v.iter().position(|x| !x.is_finite()) {
            return Err(MainsError::NotFinite { frame: self.pushed + bad as u64, channel: "mains voltage" });
        }
        self.pushed += voltage_v.len() as u64;
        let mut squares = std::mem::take(&mut self.squares);
        self.decimator.push(voltage_v, &mut squares);
        for v in squares.drain(..) {
            let Some(v) = self.compensator.push(v) else { continue };
            match &mut self.beginning {
                Some(list) => {
                    list.push(v);
                    if list.len() as f64 >= start::PAST_S * self.inner_rate_hz {
                        self.begin();
                    }
                }
                None => self.advance(v),
            }
        }
        self.squares = squares;
        Ok(())
    }

    /// Sets the filters from the beginning that was kept, and lets it through.
    fn begin(&mut self) {
        let Some(mut list) = self.beginning.take() else { return };
        let first = ((self.inner_rate_hz * 2.0) as usize).clamp(1, list.len().max(1)).min(list.len());
        self.mean_square = match self.settings.reference {
            Reference::FixedV(v) => v * v,
            Reference::Adaptor => list.iter().sum::<f64>() / list.len().max(1) as f64,
        };
        // The filters are set in relative terms, so that the voltage of the first samples is what counts as 1.
        let scale = 1.0 / self.mean_square.max(f64::MIN_POSITIVE);
        for v in &mut list {
            *v *= scale;
        }
        let nominal_hz = self.settings.mains.nominal_hz();
        let past = match self.settings.past {
            Past::Mirrored => &list[..],
            Past::Steady => &list[..first.min(self.inner_rate_hz as usize)],
        };
        start::settle(past, self.inner_rate_hz, nominal_hz, &mut self.weighting, &mut self.sensation);
        for v in list {
            self.advance(v / scale);
        }
    }

    fn advance(&mut self, v: f64) {
        if self.settings.reference == Reference::Adaptor {
            self.mean_square += self.adapt * (v - self.mean_square);
        }
        let relative = if self.mean_square > 0.0 { v / self.mean_square } else { 0.0 };
        let y = self.weighting.push(relative);
        let p = self.sensation.push(y);
        let time_s = self.offset_s + self.inside as f64 / self.inner_rate_hz;
        if time_s >= PST_INTERVAL_S * (self.intervals.len() + 1) as f64 {
            self.close(PST_INTERVAL_S);
        }
        if self.inside.is_multiple_of(self.every) {
            self.readings.push(p);
            self.pinst.push(time_s, p);
        }
        self.interval_max = self.interval_max.max(p);
        self.inside += 1;
    }

    fn close(&mut self, duration_s: f64) {
        let start_s = PST_INTERVAL_S * self.intervals.len() as f64;
        // Half a second short of 10 min is still 10 min: filters and windows take their share of the ends.
        let complete = duration_s >= PST_INTERVAL_S - 0.5;
        let pst = severity::pst(&mut self.readings);
        self.intervals.push(PstInterval { start_s, duration_s, pst, complete, pinst_max: self.interval_max });
        self.pinst_max = self.pinst_max.max(self.interval_max);
        self.readings.clear();
        self.interval_max = 0.0;
    }

    /// Ends the record.
    pub fn finish(mut self) -> Result<FlickerReading, MainsError> {
        let duration_s = self.pushed as f64 / self.settings.rate_hz;
        if duration_s < start::LEAST_S {
            return Err(MainsError::TooShort {
                found_s: duration_s,
                needed_s: start::LEAST_S,
                what: "the flickermeter",
            });
        }
        self.begin();
        let rest_s = duration_s - PST_INTERVAL_S * self.intervals.len() as f64;
        // A rest of a few samples beyond a full interval is no interval.
        if !self.readings.is_empty() && (self.intervals.is_empty() || rest_s >= 0.5) {
            self.close(rest_s);
        }
        let full: Vec<f64> = self.intervals.iter().filter(|i| i.complete).map(|i| i.pst).collect();
        let pst = full.iter().copied().reduce(f64::max).unwrap_or_else(|| self.intervals[0].pst);
        let (plt, plt_complete) = match severity::highest_plt(&full) {
            Some(plt) => (plt, true),
            None => (severity::plt(&full).unwrap_or(pst), false),
        };
        Ok(FlickerReading {
            duration_s,
            pst,
            pst_complete: !full.is_empty(),
            plt,
            plt_intervals: full.len().min(PLT_INTERVALS),
            plt_complete,
            pinst_max: self.pinst_max,
            pinst: self.pinst,
            intervals: self.intervals,
        })
    }
}

impl Consumer for FlickerMeter {
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError> {
        if block.voltage_v.is_empty() {
            return Err(MainsError::MissingChannel { needed: "mains voltage" });
        }
        self.push(block.voltage_v)
    }
}
