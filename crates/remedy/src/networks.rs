//! Artificial mains networks of CISPR 16-1-2.

use std::f64::consts::TAU;

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// Which published network. Elements and ranges from memory: see `docs/fixing.md`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NetworkKind {
    /// 50 Ω/50 µH + 5 Ω, 9 kHz to 150 kHz, usable to 30 MHz.
    Fifty50u5,
    /// 50 Ω/50 µH, 150 kHz to 30 MHz.
    #[default]
    Fifty50u,
    /// 50 Ω/5 µH + 1 Ω, 150 kHz to 108 MHz.
    Fifty5u1,
}

impl NetworkKind {
    /// Inductance (H), resistance (Ω) in series with it.
    pub const fn elements(self) -> (f64, f64) {
        match self {
            Self::Fifty50u5 => (50e-6, 5.0),
            Self::Fifty50u => (50e-6, 0.0),
            Self::Fifty5u1 => (5e-6, 1.0),
        }
    }

    /// Published impedance of one conductor to earth at the product's terminal: 50 Ω beside (R + jωL), Ω.
    pub fn nominal_ohm(self, frequency_hz: f64) -> Complex64 {
        let (l, r) = self.elements();
        let branch = Complex64::new(r, TAU * frequency_hz * l);
        (branch.inv() + 1.0 / 50.0).inv()
    }
}
