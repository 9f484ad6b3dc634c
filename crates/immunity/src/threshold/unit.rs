//! Units in which levels of immunity tests are told.

use serde::Serialize;

/// A unit of a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct LevelUnit {
    /// As in names of columns and fields, after `level_`.
    pub key: &'static str,
    /// For people.
    pub symbol: &'static str,
    /// Levels are decibels already.
    pub decibel: bool,
}

const fn unit(key: &'static str, symbol: &'static str, decibel: bool) -> LevelUnit {
    LevelUnit { key, symbol, decibel }
}

/// Every unit known.
pub const UNITS: [LevelUnit; 12] = [
    unit("v_per_m", "V/m", false),
    unit("kv", "kV", false),
    unit("v", "V", false),
    unit("a_per_m", "A/m", false),
    unit("a", "A", false),
    unit("ma", "mA", false),
    unit("dbuv_per_m", "dB(µV/m)", true),
    unit("dbuv", "dB(µV)", true),
    unit("dbua", "dB(µA)", true),
    unit("dbm", "dBm", true),
    unit("db", "dB", true),
    unit("percent", "%", false),
];

impl LevelUnit {
    /// By its key.
    pub fn of(key: &str) -> Option<Self> {
        UNITS.into_iter().find(|u| u.key == key)
    }

    /// A level in this unit as dB; the sign of a pulse is not part of its level. None for zero.
    pub fn to_db(self, level: f64) -> Option<f64> {
        let db = if self.decibel { level } else { 20.0 * level.abs().log10() };
        db.is_finite().then_some(db)
    }

    /// Decibels as a level in this unit; an open end stays open (0 or infinite where the unit is linear).
    pub fn from_db(self, db: f64) -> f64 {
        if self.decibel { db } else { 10f64.powf(db / 20.0) }
    }
}
