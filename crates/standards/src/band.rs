use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// A weighting detector of the measuring receiver (CISPR 16-1-1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Detector {
    /// Highest envelope.
    Peak,
    /// Charge, discharge and critically damped meter.
    QuasiPeak,
    /// Envelope through the critically damped meter, maximum deflection. Limits that say `average` mean this one.
    #[serde(alias = "average")]
    CisprAverage,
    /// R.m.s. above, average below the corner frequency.
    RmsAverage,
}

impl Detector {
    /// All four, in the order of a trace file's columns.
    pub const ALL: [Self; 4] = [Self::Peak, Self::QuasiPeak, Self::CisprAverage, Self::RmsAverage];

    /// Name in files and JSON field names.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Peak => "peak",
            Self::QuasiPeak => "quasi_peak",
            Self::CisprAverage => "cispr_average",
            Self::RmsAverage => "rms_average",
        }
    }

    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Peak => "peak",
            Self::QuasiPeak => "quasi-peak",
            Self::CisprAverage => "CISPR-average",
            Self::RmsAverage => "RMS-average",
        }
    }

    /// True where a reading of `self` can never be lower than one of `other` on the same signal
    /// (peak ≥ quasi-peak ≥ CISPR-average, peak ≥ RMS-average ≥ CISPR-average).
    pub const fn reads_at_least(self, other: Self) -> bool {
        matches!(
            (self, other),
            (Self::Peak, _)
                | (Self::QuasiPeak, Self::QuasiPeak | Self::CisprAverage)
                | (Self::RmsAverage, Self::RmsAverage | Self::CisprAverage)
                | (Self::CisprAverage, Self::CisprAverage)
        )
    }
}

impl fmt::Display for Detector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A frequency band of CISPR 16-1-1 with the constants of its receiver.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Band {
    /// 9–150 kHz.
    A,
    /// 0.15–30 MHz.
    B,
    /// 30–300 MHz.
    C,
    /// 300–1000 MHz.
    D,
    /// 1–18 GHz.
    E,
}

impl Band {
    /// All bands, lowest first.
    pub const ALL: [Self; 5] = [Self::A, Self::B, Self::C, Self::D, Self::E];

    /// Lowest and highest frequency, Hz.
    pub const fn range_hz(self) -> (f64, f64) {
        match self {
            Self::A => (9e3, 150e3),
            Self::B => (150e3, 30e6),
            Self::C => (30e6, 300e6),
            Self::D => (300e6, 1e9),
            Self::E => (1e9, 18e9),
        }
    }

    /// −6 dB bandwidth, Hz.
    pub const fn bandwidth_hz(self) -> f64 {
        match self {
            Self::A => 200.0,
            Self::B => 9e3,
            Self::C | Self::D => 120e3,
            Self::E => 1e6,
        }
    }

    /// Electrical charge and discharge time constants of the quasi-peak detector, s; none in band E.
    pub const fn quasi_peak_s(self) -> Option<(f64, f64)> {
        match self {
            Self::A => Some((45e-3, 500e-3)),
            Self::B => Some((1e-3, 160e-3)),
            Self::C | Self::D => Some((1e-3, 550e-3)),
            Self::E => None,
        }
    }

    /// Time constant of the critically damped meter, s.
    pub const fn meter_s(self) -> f64 {
        match self {
            Self::A | Self::B => 160e-3,
            Self::C | Self::D | Self::E => 100e-3,
        }
    }

    /// Corner frequency of the RMS-average detector, Hz.
    pub const fn rms_corner_hz(self) -> f64 {
        match self {
            Self::A => 10.0,
            Self::B | Self::C | Self::D => 100.0,
            Self::E => 1000.0,
        }
    }

    /// Largest useful frequency step, Hz: half the bandwidth.
    pub const fn step_hz(self) -> f64 {
        self.bandwidth_hz() / 2.0
    }

    /// The band whose receiver belongs to a frequency; the lower one at an edge.
    pub fn of(frequency_hz: f64) -> Option<Self> {
        Self::ALL.into_iter().find(|b| frequency_hz >= b.range_hz().0 && frequency_hz <= b.range_hz().1)
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self:?}")
    }
}

impl FromStr for Band {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        match text.trim().to_ascii_uppercase().as_str() {
            "A" => Ok(Self::A),
            "B" => Ok(Self::B),
            "C" => Ok(Self::C),
            "D" => Ok(Self::D),
            "E" => Ok(Self::E),
            _ => Err(format!("`{text}` is no band of CISPR 16-1-1: expected A, B, C, D or E")),
        }
    }
}
