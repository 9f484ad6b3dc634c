use std::sync::LazyLock;

use serde::Deserialize;
use standards::Known;

use super::{Edition, Kind, Point};

/// A nominal value with its tolerance.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tolerance {
    /// The waveform.
    pub kind: Kind,
    /// Where it is measured.
    pub point: Point,
    /// The quantity's name in the results.
    pub quantity: String,
    /// Nominal value, SI.
    pub nominal: Option<f64>,
    /// The nominal value is for each kV of the set level.
    #[serde(default)]
    pub per_kv: bool,
    /// Allowed below the nominal value, %.
    pub minus_percent: Option<f64>,
    /// Allowed above it, %.
    pub plus_percent: Option<f64>,
    /// Largest allowed value, where there is no nominal one.
    pub high: Option<f64>,
    /// The edition of the standard, where editions differ.
    pub edition: Option<u8>,
    /// Standard and definition.
    pub source: String,
    /// How it is known.
    pub known: Known,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    tolerance: Vec<Tolerance>,
}

static ALL: LazyLock<Vec<Tolerance>> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    let file: File = toml::from_str(include_str!("../../data/waveforms.toml"))
        .unwrap_or_else(|error| panic!("built-in waveform data: {error}"));
    file.tolerance
});

/// All tolerances.
pub fn tolerances() -> &'static [Tolerance] {
    &ALL
}

/// The tolerance of a quantity, where there is one.
pub(crate) fn find(kind: Kind, point: Point, edition: Edition, quantity: &str) -> Option<&'static Tolerance> {
    let number = edition.number();
    ALL.iter()
        .find(|t| t.kind == kind && t.point == point && t.quantity == quantity && t.edition.is_none_or(|e| e == number))
}
