use std::fmt;
use std::marker::PhantomData;
use std::ops::{Add, AddAssign, Neg, Sub, SubAssign};

use serde::{Deserialize, Serialize};

use crate::Unit;

/// A frequency in hertz.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Hz(pub f64);

/// A resistance or the magnitude of an impedance in ohms.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Ohm(pub f64);

/// A ratio in decibels: a gain, a loss, a margin, a factor. Positive raises a level.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Db(pub f64);

impl Add for Db {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}
impl Sub for Db {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}
impl Neg for Db {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}
impl fmt::Display for Db {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} dB", self.0)
    }
}

/// The reference quantity of a [`Level`], known at compile time.
pub trait LevelUnit: Copy {
    /// The same unit as data.
    const UNIT: Unit;
}

macro_rules! level_units {
    ($($(#[$doc:meta])* $marker:ident, $alias:ident, $unit:expr;)*) => { $(
        #[doc(hidden)]
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub struct $marker;
        impl LevelUnit for $marker { const UNIT: Unit = $unit; }
        $(#[$doc])*
        pub type $alias = Level<$marker>;
    )* };
}

level_units! {
    /// A voltage level in decibels over one microvolt.
    OverMicrovolt, DbUv, Unit::DbUv;
    /// A current level in decibels over one microampere.
    OverMicroampere, DbUa, Unit::DbUa;
    /// An electric field strength in decibels over one microvolt per metre.
    OverMicrovoltPerMetre, DbUvPerM, Unit::DbUvPerM;
    /// A magnetic field strength in decibels over one microampere per metre.
    OverMicroamperePerMetre, DbUaPerM, Unit::DbUaPerM;
    /// A power level in decibels over one picowatt.
    OverPicowatt, DbPw, Unit::DbPw;
    /// A power level in decibels over one milliwatt.
    OverMilliwatt, Dbm, Unit::Dbm;
}

/// A level in decibels over the reference quantity `U`.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent, bound = "")]
pub struct Level<U: LevelUnit> {
    value: f64,
    #[serde(skip)]
    unit: PhantomData<U>,
}

impl<U: LevelUnit> Level<U> {
    /// A level of so many decibels over the reference of `U`.
    pub const fn new(value_db: f64) -> Self {
        Self { value: value_db, unit: PhantomData }
    }
    /// The number of decibels over the reference of `U`.
    pub const fn value(self) -> f64 {
        self.value
    }
}

impl<U: LevelUnit> Sub for Level<U> {
    type Output = Db;
    fn sub(self, other: Self) -> Db {
        Db(self.value - other.value)
    }
}
impl<U: LevelUnit> Add<Db> for Level<U> {
    type Output = Self;
    fn add(self, gain: Db) -> Self {
        Self::new(self.value + gain.0)
    }
}
impl<U: LevelUnit> Sub<Db> for Level<U> {
    type Output = Self;
    fn sub(self, loss: Db) -> Self {
        Self::new(self.value - loss.0)
    }
}
impl<U: LevelUnit> AddAssign<Db> for Level<U> {
    fn add_assign(&mut self, gain: Db) {
        self.value += gain.0;
    }
}
impl<U: LevelUnit> SubAssign<Db> for Level<U> {
    fn sub_assign(&mut self, loss: Db) {
        self.value -= loss.0;
    }
}
impl<U: LevelUnit> fmt::Display for Level<U> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} {}", self.value, U::UNIT)
    }
}

impl Dbm {
    /// The voltage level across the impedance that absorbs this power: dBm + 90 + 10·log₁₀(R/Ω).
    /// In 50 Ω 0 dBm is 106.99 dBµV.
    pub fn across(self, impedance: Ohm) -> DbUv {
        DbUv::new(self.value() + 90.0 + 10.0 * impedance.0.log10())
    }
}
impl DbUv {
    /// The power level this voltage puts into an impedance.
    pub fn power_into(self, impedance: Ohm) -> Dbm {
        Dbm::new(self.value() - 90.0 - 10.0 * impedance.0.log10())
    }
    /// The current level this voltage drives through an impedance, or that flows where a probe of that transfer
    /// impedance shows this voltage.
    pub fn current_through(self, impedance: Ohm) -> DbUa {
        DbUa::new(self.value() - 20.0 * impedance.0.log10())
    }
    /// The electric field strength an antenna of this factor (dB/m) turns into this voltage.
    pub fn with_antenna_factor(self, factor_db_per_m: Db) -> DbUvPerM {
        DbUvPerM::new(self.value() + factor_db_per_m.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 mW in 50 Ω is √0.05 V = 0.2236 V = 106.99 dBµV (P = V²/R).
    #[test]
    fn milliwatt_in_fifty_ohms() {
        let level = Dbm::new(0.0).across(Ohm(50.0));
        assert!((level.value() - 20.0 * (0.05f64.sqrt() / 1e-6).log10()).abs() < 1e-9);
        assert!((level.power_into(Ohm(50.0)).value()).abs() < 1e-12);
    }

    #[test]
    fn a_level_is_written_with_its_unit() {
        assert_eq!(DbUvPerM::new(37.04).to_string(), "37.0 dBµV/m");
        assert_eq!(serde_json::to_string(&DbUv::new(1.5)).unwrap(), "1.5");
    }
}
