use std::fmt;
use std::sync::LazyLock;

use quantity::Unit;
use serde::{Deserialize, Serialize};

use crate::{Known, Limit, Port};

/// A kind of disturbance measurement for which CISPR 16-4-2 publishes the largest expected instrumentation uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MeasurementKind {
    /// Mains port, artificial network, 9–150 kHz.
    MainsNetworkLow,
    /// Mains port, artificial network, 0.15–30 MHz.
    MainsNetwork,
    /// Mains port, voltage probe.
    VoltageProbe,
    /// Wired network port, asymmetric artificial network.
    AsymmetricNetwork,
    /// Wired network port, capacitive voltage probe.
    CapacitiveVoltageProbe,
    /// Wired network port, current probe.
    CurrentProbe,
    /// Disturbance power on a cable, absorbing clamp, 30–300 MHz.
    DisturbancePower,
    /// Field, 30–1000 MHz, open site or semi-anechoic room.
    FieldOpenSite,
    /// Field, 30–1000 MHz, fully anechoic room.
    FieldAnechoic,
    /// Field, 1–6 GHz.
    FieldGigahertz,
    /// Field, 6–18 GHz.
    FieldHighGigahertz,
}

/// A published U_cispr.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PublishedUncertainty {
    /// The measurement.
    pub kind: MeasurementKind,
    /// In words.
    pub title: String,
    /// Expanded uncertainty (k = 2), dB.
    pub u_cispr_db: f64,
    /// First frequency it is published for, Hz.
    pub from_hz: f64,
    /// Last frequency it is published for, Hz.
    pub to_hz: f64,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub known: Known,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    u_cispr: Vec<PublishedUncertainty>,
}

static PUBLISHED: LazyLock<Vec<PublishedUncertainty>> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    let file: File = toml::from_str(include_str!("../data/uncertainty.toml"))
        .unwrap_or_else(|error| panic!("built-in uncertainty data: {error}"));
    file.u_cispr
});

impl MeasurementKind {
    /// All kinds.
    pub const ALL: [Self; 11] = [
        Self::MainsNetworkLow,
        Self::MainsNetwork,
        Self::VoltageProbe,
        Self::AsymmetricNetwork,
        Self::CapacitiveVoltageProbe,
        Self::CurrentProbe,
        Self::DisturbancePower,
        Self::FieldOpenSite,
        Self::FieldAnechoic,
        Self::FieldGigahertz,
        Self::FieldHighGigahertz,
    ];

    /// The published uncertainty of this kind.
    pub fn published(self) -> &'static PublishedUncertainty {
        PUBLISHED.iter().find(|p| p.kind == self).expect("every kind has a row: tested")
    }

    /// The kind of measurement a limit usually asks for at a frequency (Hz): by port and unit. `None` where CISPR
    /// 16-4-2 has no figure, as for a DC port's own network below 150 kHz or a magnetic field.
    pub fn usual(limit: &Limit, frequency_hz: f64) -> Option<Self> {
        let f = frequency_hz;
        match (limit.port, limit.unit) {
            (Port::AcMains | Port::DcPower | Port::Load, Unit::DbUv) if f < 150e3 => Some(Self::MainsNetworkLow),
            (Port::AcMains | Port::DcPower, Unit::DbUv) => Some(Self::MainsNetwork),
            (Port::Load, Unit::DbUv) => Some(Self::VoltageProbe),
            (_, Unit::DbUa) => Some(Self::CurrentProbe),
            (_, Unit::DbUv) => Some(Self::AsymmetricNetwork),
            (_, Unit::DbPw) => Some(Self::DisturbancePower),
            (_, Unit::DbUvPerM) if f > 6e9 => Some(Self::FieldHighGigahertz),
            (_, Unit::DbUvPerM) if f > 1e9 => Some(Self::FieldGigahertz),
            (_, Unit::DbUvPerM) => Some(Self::FieldOpenSite),
            (_, Unit::DbUaPerM | Unit::Dbm) => None,
        }
    }
}

impl fmt::Display for MeasurementKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.published().title)
    }
}
