//! Frequencies, levels and decibels that refuse to mix.
//!
//! Two floors of safety. Where the unit is known when the program is written, [`Level`] carries it in its type:
//! `DbUv − DbUv` is a [`Db`], `DbUv + Db` is a `DbUv`, and `DbUv + DbUv` does not compile. Where the unit is data
//! (a column of a file, a limit line), [`Unit`] carries it and every conversion can fail with a [`MixError`] that says
//! which factor is missing.
//!
//! Conventions of the whole project: SI inside (Hz, V, A, W, Ω, s), levels in decibels of the r.m.s. value of a sine
//! that would give the same reading; a name ends in its unit (`frequency_hz`, `level_dbuv`).
//!
//! ```compile_fail
//! use quantity::DbUv;
//! let nonsense = DbUv::new(40.0) + DbUv::new(40.0); // two levels do not add: use `power_sum_db` or `voltage_sum_db`
//! ```
//! ```compile_fail
//! use quantity::{DbUv, DbUvPerM};
//! let nonsense = DbUv::new(40.0) - DbUvPerM::new(30.0); // an antenna factor is missing
//! ```
//! ```
//! use quantity::{Db, DbUv};
//! let reading = DbUv::new(52.0) + Db(10.0);
//! assert_eq!(DbUv::new(66.0) - reading, Db(4.0));
//! ```

mod level;
mod log_table;
mod sum;
mod unit;

pub use level::{Db, DbPw, DbUa, DbUaPerM, DbUv, DbUvPerM, Dbm, Hz, Level, LevelUnit, Ohm};
pub use log_table::{AtStep, Interpolation, LogTable, TableError};
pub use sum::{power_sum_db, voltage_sum_db};
pub use unit::{MixError, Unit};

/// Amplitude ratio to decibels: 20·log₁₀(ratio). Zero gives −∞.
pub fn amplitude_to_db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Decibels to amplitude ratio: 10^(dB/20).
pub fn db_to_amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Power ratio to decibels: 10·log₁₀(ratio). Zero gives −∞.
pub fn power_to_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Decibels to power ratio: 10^(dB/10).
pub fn db_to_power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Level in dBµV of an r.m.s. voltage in volts. Zero gives −∞.
pub fn volts_to_dbuv(volts_rms: f64) -> f64 {
    amplitude_to_db(volts_rms / 1e-6)
}

/// R.m.s. voltage in volts of a level in dBµV.
pub fn dbuv_to_volts(level_dbuv: f64) -> f64 {
    1e-6 * db_to_amplitude(level_dbuv)
}
