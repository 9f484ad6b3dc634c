//! Is the generator right? Front, duration, peaks and timing of a captured pulse by the standards' definitions, each
//! against its tolerance, with what noise, steps of the digitiser and bandwidth do to it.

mod bandwidth;
mod burst;
mod event;
mod fit;
mod local;
mod measure;
mod points;
mod reading;
mod smooth;
mod tolerance;

use serde::{Deserialize, Serialize};
use standards::Known;

pub use burst::{BurstScan, Pulse};
pub use points::Noise;
pub use tolerance::{Tolerance, tolerances};

/// The waveform a generator should make.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Contact-discharge current of IEC 61000-4-2.
    Esd,
    /// Pulse and burst of IEC 61000-4-4.
    Burst,
    /// 1.2/50 µs open-circuit voltage of IEC 61000-4-5.
    SurgeVoltage,
    /// 8/20 µs short-circuit current of IEC 61000-4-5.
    SurgeCurrent,
    /// 10/700 µs open-circuit voltage of IEC 61000-4-5.
    TelecomVoltage,
    /// 5/320 µs short-circuit current of IEC 61000-4-5.
    TelecomCurrent,
    /// Ring wave of IEC 61000-4-12.
    RingWave,
}

impl Kind {
    /// Name on the command line and in JSON.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Esd => "esd",
            Self::Burst => "burst",
            Self::SurgeVoltage => "surge-voltage",
            Self::SurgeCurrent => "surge-current",
            Self::TelecomVoltage => "telecom-voltage",
            Self::TelecomCurrent => "telecom-current",
            Self::RingWave => "ring-wave",
        }
    }
}

/// Where the waveform is measured: the same generator has other tolerances behind a coupling network.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Point {
    /// At the generator itself.
    Generator,
    /// Burst generator into 50 ohm.
    #[serde(rename = "50-ohm")]
    Ohm50,
    /// Burst generator into 1000 ohm.
    #[serde(rename = "1000-ohm")]
    Ohm1000,
    /// Burst coupling network, all lines joined, 50 ohm.
    CouplingNetwork,
    /// Surge behind 18 µF.
    LineLine,
    /// Surge behind 9 µF and 10 ohm.
    LineEarth,
}

impl Point {
    /// The usual place for a kind.
    pub const fn usual(kind: Kind) -> Self {
        if matches!(kind, Kind::Burst) { Self::Ohm50 } else { Self::Generator }
    }

    /// The places a kind has tolerances for.
    pub fn is_for(self, kind: Kind) -> bool {
        match kind {
            Kind::Burst => matches!(self, Self::Ohm50 | Self::Ohm1000 | Self::CouplingNetwork),
            Kind::SurgeCurrent => matches!(self, Self::Generator | Self::LineLine | Self::LineEarth),
            Kind::SurgeVoltage => matches!(self, Self::Generator),
            _ => matches!(self, Self::Generator),
        }
    }
}

/// Edition of IEC 61000-4-5 whose definition of the duration counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Edition {
    /// 2005: duration from the virtual origin.
    Second,
    /// 2014: duration from the width at 50 %.
    #[default]
    Third,
}

impl Edition {
    pub(crate) const fn number(self) -> u8 {
        match self {
            Self::Second => 2,
            Self::Third => 3,
        }
    }
}

/// How a waveform is to be judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// The waveform.
    pub kind: Kind,
    /// Where it is measured.
    pub point: Point,
    /// Level the generator was set to, kV (open circuit or charging voltage).
    pub level_kv: Option<f64>,
    /// Bandwidth (-3 dB) of the whole measuring path, Hz.
    pub bandwidth_hz: Option<f64>,
    /// Edition of IEC 61000-4-5.
    pub edition: Edition,
}

impl Settings {
    /// Usual settings of a kind.
    pub const fn new(kind: Kind) -> Self {
        Self { kind, point: Point::usual(kind), level_kv: None, bandwidth_hz: None, edition: Edition::Third }
    }
}

/// A value against its tolerance, with regard to its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Judged {
    /// Inside by more than its uncertainty.
    Inside,
    /// Inside, but nearer to the edge than its uncertainty.
    InsideAtTheEdge,
    /// Outside, but nearer to the edge than its uncertainty.
    OutsideAtTheEdge,
    /// Outside by more than its uncertainty.
    Outside,
}

impl Judged {
    /// The value itself is inside.
    pub const fn is_inside(self) -> bool {
        matches!(self, Self::Inside | Self::InsideAtTheEdge)
    }

    fn of(value: f64, uncertainty: f64, low: Option<f64>, high: Option<f64>) -> Self {
        let room = low.map_or(f64::INFINITY, |l| value - l).min(high.map_or(f64::INFINITY, |h| h - value));
        match (room >= 0.0, room.abs() >= uncertainty) {
            (true, true) => Self::Inside,
            (true, false) => Self::InsideAtTheEdge,
            (false, false) => Self::OutsideAtTheEdge,
            (false, true) => Self::Outside,
        }
    }
}

/// One measured quantity.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Quantity {
    /// Name with unit, e.g. `rise_time_s`.
    pub name: &'static str,
    /// In words.
    pub title: &'static str,
    /// Value, corrected for the bandwidth where that is given.
    pub value: f64,
    /// As read, before the correction for the bandwidth.
    pub read: f64,
    /// Expanded uncertainty (k = 2) from noise, steps of the digitiser, rest line and bandwidth; not from the
    /// instrument's own calibration.
    pub uncertainty: f64,
    /// Nominal value.
    pub nominal: Option<f64>,
    /// Lowest allowed value.
    pub low: Option<f64>,
    /// Highest allowed value.
    pub high: Option<f64>,
    /// Where the tolerance comes from.
    pub source: Option<&'static str>,
    /// How the tolerance is known.
    pub known: Option<Known>,
    /// The verdict on this quantity; none where there is no tolerance.
    pub judged: Option<Judged>,
}

/// How the level against which peaks are held came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LevelFrom {
    /// It was given.
    Given,
    /// The level of the standard whose peak the record's peak fits.
    NearestOfTheStandard,
    /// From the peak of the record: the peak itself cannot be judged.
    Record,
}

/// A measured waveform.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Analysis {
    /// The waveform.
    pub kind: Kind,
    /// Where it was measured.
    pub point: Point,
    /// The pulse goes down.
    pub negative: bool,
    /// Rest line before the pulse, in the record's unit.
    pub baseline: f64,
    /// Samples averaged for the rest line; 0: the record begins with the pulse.
    pub baseline_samples: usize,
    /// Errors of the record.
    pub noise: Noise,
    /// Peak over the noise of one sample, dB; none where no noise is seen.
    pub signal_to_noise_db: Option<f64>,
    /// When the front first reaches 10 %, s on the record's time axis.
    pub start_s: f64,
    /// Level the peaks were held against, kV.
    pub level_kv: f64,
    /// Where that level comes from.
    pub level_from: LevelFrom,
    /// How the values were read.
    pub method: String,
    /// Pulses found (bursts), 1 else.
    pub pulses: usize,
    /// What was measured.
    pub quantities: Vec<Quantity>,
    /// What one should know.
    pub notes: Vec<String>,
}

impl Analysis {
    /// All judged quantities are inside their tolerances.
    pub fn is_inside(&self) -> bool {
        self.quantities.iter().all(|q| q.judged.is_none_or(Judged::is_inside))
    }

    /// A quantity by name.
    pub fn get(&self, name: &str) -> Option<&Quantity> {
        self.quantities.iter().find(|q| q.name == name)
    }
}

/// A record that cannot be measured.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum WaveformError {
    /// Too few samples.
    #[error("the record has {samples} samples; expected at least {expected}")]
    TooShort {
        /// Found.
        samples: usize,
        /// Needed.
        expected: usize,
    },
    /// A sample is no number.
    #[error("sample {sample} is not a number; expected finite values")]
    NotANumber {
        /// Which, from 0.
        sample: usize,
    },
    /// Nothing stands out of the noise.
    #[error(
        "no pulse: the record's largest swing is {height:.3e}, its noise {noise:.3e}; expected a pulse at least eight times its noise"
    )]
    NoPulse {
        /// Largest swing from the rest line.
        height: f64,
        /// Noise of one sample.
        noise: f64,
    },
    /// Part of the pulse is not in the record.
    #[error("the record does not hold {what}; expected a record that {expected}")]
    Incomplete {
        /// What is missing.
        what: &'static str,
        /// What would do.
        expected: &'static str,
    },
    /// A setting that does not fit.
    #[error("{what}; expected {expected}")]
    Setting {
        /// What is wrong.
        what: String,
        /// What would do.
        expected: &'static str,
    },
}

/// Measures one pulse: `samples` at every `dt_s`, the first at `start_s` on the record's own time axis, in volts or amperes.
///
/// A record of bursts goes through [`BurstScan`] first.
///
/// # Errors
/// No pulse, a record that does not hold the pulse whole, or settings that do not fit.
pub fn analyse(samples: &[f64], dt_s: f64, start_s: f64, settings: &Settings) -> Result<Analysis, WaveformError> {
    measure::analyse(samples, dt_s, start_s, settings)
}
