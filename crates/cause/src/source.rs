//! The product's clocks and converters, matched to combs.

use serde::{Deserialize, Serialize};

/// What kind of thing oscillates.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SourceKind {
    /// A clock, kept by a crystal or a resonator.
    Clock,
    /// A switching converter.
    Converter,
}

/// Something of the product that oscillates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: SourceKind,
    /// Nominal frequency, Hz.
    pub frequency_hz: f64,
    /// Largest relative deviation of the real frequency from the nominal one; see [`Source::tolerance`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relative_tolerance: Option<f64>,
    /// Duty ratio, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duty: Option<f64>,
    /// Rise time, s, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rise_time_s: Option<f64>,
}

impl Source {
    /// The relative tolerance: the one given, otherwise ±200 ppm for a clock (crystals ±20 to ±100 ppm, with ageing and
    /// temperature) and ±15 % for a converter (RC oscillators ±5 to ±15 %); common practice.
    pub fn tolerance(&self) -> f64 {
        self.relative_tolerance.unwrap_or(match self.kind {
            SourceKind::Clock => 200e-6,
            SourceKind::Converter => 0.15,
        })
    }
}
