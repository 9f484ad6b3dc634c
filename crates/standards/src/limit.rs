use std::fmt;

use quantity::{LogTable, Unit};
use serde::{Deserialize, Serialize};

use crate::Detector;

/// The interface of a product that a limit speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Port {
    /// The housing: what radiates.
    Enclosure,
    /// Alternating-current mains supply.
    AcMains,
    /// Direct-current supply.
    DcPower,
    /// Signal or control cable.
    SignalControl,
    /// Wired network.
    WiredNetwork,
    /// Functional earth.
    FunctionalEarth,
    /// A cable that leaves the product, held by an absorbing clamp (disturbance power of CISPR 14-1).
    Cable,
    /// Load and additional terminals (CISPR 14-1).
    Load,
}

impl Port {
    /// All ports, in the order they are listed to people.
    pub const ALL: [Self; 8] = [
        Self::Enclosure,
        Self::AcMains,
        Self::DcPower,
        Self::SignalControl,
        Self::WiredNetwork,
        Self::FunctionalEarth,
        Self::Cable,
        Self::Load,
    ];

    /// Name in files and JSON.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Enclosure => "enclosure",
            Self::AcMains => "ac_mains",
            Self::DcPower => "dc_power",
            Self::SignalControl => "signal_control",
            Self::WiredNetwork => "wired_network",
            Self::FunctionalEarth => "functional_earth",
            Self::Cable => "cable",
            Self::Load => "load",
        }
    }

    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Enclosure => "enclosure",
            Self::AcMains => "AC mains",
            Self::DcPower => "DC power",
            Self::SignalControl => "signal or control",
            Self::WiredNetwork => "wired network",
            Self::FunctionalEarth => "functional earth",
            Self::Cable => "cable",
            Self::Load => "load terminals",
        }
    }
}

impl fmt::Display for Port {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// How a row is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Known {
    /// Read in public material; the source names it.
    Seen,
    /// Recalled: to be checked against the bought standard before relying on it.
    Memory,
    /// Written by the user.
    User,
}

/// One published limit: level against frequency for one port, class and detector.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limit {
    /// Short name used on the command line, e.g. `cispr32-b-mains-qp`.
    pub id: String,
    /// Standard with edition.
    pub standard: String,
    /// Table or clause.
    pub table: String,
    /// What it is about, for people.
    pub title: String,
    /// Class, where the standard has classes.
    pub class: Option<String>,
    /// The port it speaks of.
    pub port: Port,
    /// The detector it is to be compared with.
    pub detector: Detector,
    /// Unit of the level.
    pub unit: Unit,
    /// Measuring distance in metres, where it is a field.
    pub distance_m: Option<f64>,
    /// The level against frequency.
    pub level: LogTable,
    /// Where the numbers come from.
    pub source: String,
    /// How they are known.
    pub known: Known,
    /// Anything else the row says (conditions, bandwidth).
    pub note: Option<String>,
}

impl Limit {
    /// The limit at a frequency in Hz, in [`Limit::unit`]; nothing outside its range.
    pub fn at(&self, frequency_hz: f64) -> Option<f64> {
        self.level.at(frequency_hz)
    }
}

/// What is wrong with a limit file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{place}: {what}; expected {expected}")]
pub struct LimitError {
    /// File or library name with the row's id or number.
    pub place: String,
    /// What was found.
    pub what: String,
    /// What was expected.
    pub expected: String,
}
