//! Screens and bonds: sheets, slots, seams, cavities, cable screens and their terminations.
//!
//! Schelkunoff's transmission-line view of a sheet in its exact form; slots after Ott. No real box reaches what its sheet
//! would: openings decide.

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::RemedyError;
use crate::geometry::{CurrentDepth, MU_0, wire_inductance_h};

/// Speed of light, m/s.
pub const C: f64 = 299_792_458.0;
/// Conductivity of copper, S/m (annealed, 20 °C).
pub const COPPER_S_PER_M: f64 = 5.8e7;

fn positive(what: &str, v: f64) -> Result<f64, RemedyError> {
    if v.is_finite() && v > 0.0 { Ok(v) } else { Err(RemedyError::measure(what, v, "a number above zero")) }
}

/// A sheet of metal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sheet {
    /// Thickness, m.
    pub thickness_m: f64,
    /// Conductivity over copper's.
    pub relative_conductivity: f64,
    /// Relative permeability.
    pub relative_permeability: f64,
}

/// What arrives at the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Incoming {
    /// A plane wave (the source is farther than λ/2π).
    PlaneWave,
    /// The near field of a loop at this distance, m.
    Loop(f64),
    /// The near field of a stub or dv/dt node at this distance, m.
    Dipole(f64),
}

/// Attenuation of a sheet, dB.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SheetAttenuation {
    /// Absorption loss.
    pub absorption_db: f64,
    /// Reflection loss, thick-sheet form.
    pub reflection_db: f64,
    /// The exact whole: 20·log|cosh γt + ½(Z_m/Z_w + Z_w/Z_m)·sinh γt|.
    pub total_db: f64,
}

impl Sheet {
    /// Skin depth, m.
    pub fn skin_depth_m(&self, frequency_hz: f64) -> f64 {
        1.0 / (PI * frequency_hz * MU_0 * self.relative_permeability * self.relative_conductivity * COPPER_S_PER_M)
            .sqrt()
    }

    /// Attenuation at a frequency.
    pub fn attenuation(&self, frequency_hz: f64, incoming: Incoming) -> Result<SheetAttenuation, RemedyError> {
        positive("thickness", self.thickness_m)?;
        positive("relative conductivity", self.relative_conductivity)?;
        positive("relative permeability", self.relative_permeability)?;
        positive("frequency", frequency_hz)?;
        let w = TAU * frequency_hz;
        let wave = match incoming {
            Incoming::PlaneWave => Complex64::new(MU_0 * C, 0.0),
            Incoming::Loop(r) => Complex64::new(0.0, w * MU_0 * positive("distance", r)?),
            Incoming::Dipole(r) => Complex64::new(0.0, -1.0 / (w / (MU_0 * C * C) * positive("distance", r)?)),
        };
        let depth = self.skin_depth_m(frequency_hz);
        let metal = Complex64::new(1.0, 1.0) / (self.relative_conductivity * COPPER_S_PER_M * depth);
        let gamma_t = Complex64::new(1.0, 1.0) * (self.thickness_m / depth);
        let absorption_db = 20.0 * (self.thickness_m / depth) / std::f64::consts::LN_10;
        // For thick sheets cosh overflows; there both hyperbolic functions are half of e^γt.
        let total_db = if gamma_t.re > 300.0 {
            absorption_db + 20.0 * ((1.0 + 0.5 * (metal / wave + wave / metal)) / 2.0).norm().log10()
        } else {
            20.0 * (gamma_t.cosh() + 0.5 * (metal / wave + wave / metal) * gamma_t.sinh()).norm().log10()
        };
        Ok(SheetAttenuation {
            absorption_db,
            reflection_db: 20.0 * (wave.norm() / (4.0 * metal.norm())).log10(),
            total_db,
        })
    }
}

/// Attenuation (dB) left by slots of one length: 20·log(λ/2L), no less than 0, minus 10·log n for n alike within half a
/// wave. Length counts, width hardly (Ott, from memory; whether n cost 10 or 20·log n differs between authors).
pub fn slot_attenuation_db(frequency_hz: f64, length_m: f64, count: u32) -> Result<f64, RemedyError> {
    positive("frequency", frequency_hz)?;
    positive("slot length", length_m)?;
    if count == 0 {
        return Err(RemedyError::measure("count of slots", 0.0, "1 or more"));
    }
    let one = 20.0 * (C / frequency_hz / (2.0 * length_m)).log10();
    Ok((one.max(0.0) - 10.0 * f64::from(count).log10()).max(0.0))
}

/// Largest distance (m) between contacts or fasteners along a seam for a wanted attenuation at a frequency, with `gaps`
/// gaps alike within half a wave.
pub fn fastener_pitch_m(frequency_hz: f64, wanted_db: f64, gaps: u32) -> Result<f64, RemedyError> {
    positive("frequency", frequency_hz)?;
    if !(wanted_db.is_finite() && wanted_db >= 0.0) {
        return Err(RemedyError::measure("wanted attenuation", wanted_db, "zero or more, dB"));
    }
    let each = wanted_db + 10.0 * f64::from(gaps.max(1)).log10();
    Ok(C / frequency_hz / 2.0 / 10f64.powf(each / 20.0))
}

/// Attenuation (dB) of a tube far below its cut-off: 27.3·t/w for a rectangular one of greatest width w, 32.0·t/d for a
/// round one; none at or above half the cut-off frequency.
pub fn tube_attenuation_db(frequency_hz: f64, length_m: f64, width_m: f64, round: bool) -> Option<f64> {
    let cut_off = if round { 1.841 * C / (PI * width_m) } else { C / (2.0 * width_m) };
    let factor = if round { 20.0 * 2.0 * 1.841 / std::f64::consts::LN_10 } else { 20.0 * PI / std::f64::consts::LN_10 };
    (frequency_hz < cut_off / 2.0).then(|| factor * length_m / width_m)
}

/// Resonances (Hz) of a closed box below a frequency, lowest first, with their indices: c/2·√((m/a)² + (n/b)² + (p/d)²),
/// at least two indices not zero.
pub fn cavity_resonances_hz(a_m: f64, b_m: f64, d_m: f64, up_to_hz: f64) -> Result<Vec<(f64, [u32; 3])>, RemedyError> {
    for (what, v) in [("width", a_m), ("height", b_m), ("depth", d_m), ("highest frequency", up_to_hz)] {
        positive(what, v)?;
    }
    let most = |l: f64| (2.0 * l * up_to_hz / C).floor().min(60.0) as u32;
    let mut list = Vec::new();
    for m in 0..=most(a_m) {
        for n in 0..=most(b_m) {
            for p in 0..=most(d_m) {
                if [m, n, p].iter().filter(|i| **i > 0).count() < 2 {
                    continue;
                }
                let part = |i: u32, l: f64| (f64::from(i) / l).powi(2);
                let f = C / 2.0 * (part(m, a_m) + part(n, b_m) + part(p, d_m)).sqrt();
                if f <= up_to_hz {
                    list.push((f, [m, n, p]));
                }
            }
        }
    }
    list.sort_by(|x, y| x.0.total_cmp(&y.0));
    Ok(list)
}

/// A cable screen with its ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CableScreen {
    /// Length, m; short against the wave.
    pub length_m: f64,
    /// Transfer resistance at low frequency, Ω/m.
    pub transfer_ohm_per_m: f64,
    /// Transfer inductance, H/m (0 for a tube; about 1 nH/m for a single braid, from memory).
    pub transfer_h_per_m: f64,
    /// Pigtails at both ends together, m; 0 for all-round terminations.
    pub pigtail_m: f64,
    /// Diameter of a pigtail, m.
    pub pigtail_diameter_m: f64,
}

impl CableScreen {
    /// Impedances (Ω) between screen current and the voltage inside: `(screen, pigtails)`. A pigtail counts with its partial
    /// inductance (Grover).
    pub fn transfer_ohm(&self, frequency_hz: f64) -> Result<(f64, f64), RemedyError> {
        positive("cable length", self.length_m)?;
        let w = TAU * positive("frequency", frequency_hz)?;
        let screen = Complex64::new(self.transfer_ohm_per_m, w * self.transfer_h_per_m).norm() * self.length_m;
        let pigtail = if self.pigtail_m > 0.0 {
            w * wire_inductance_h(self.pigtail_m, self.pigtail_diameter_m, CurrentDepth::Surface)?
        } else {
            0.0
        };
        Ok((screen, pigtail))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COPPER: Sheet = Sheet { thickness_m: 0.5e-3, relative_conductivity: 1.0, relative_permeability: 1.0 };
    const ALUMINIUM: Sheet = Sheet { thickness_m: 1e-3, relative_conductivity: 0.61, relative_permeability: 1.0 };

    /// Absorption, reflection and the exact whole of sheets, worked with 131.4·t·√(fµσ), 168.1 − 10·log(fµ/σ) and the
    /// hyperbolic form (constants of MIL-HDBK-419A and the textbooks, derived again).
    #[test]
    fn sheets() {
        let close = |a: f64, b: f64| assert!((a - b).abs() < 0.25, "{a} for {b}");
        let s = COPPER.attenuation(1e6, Incoming::PlaneWave).unwrap();
        close(s.absorption_db, 65.7);
        close(s.reflection_db, 108.1);
        close(s.total_db, 173.9);
        let s = ALUMINIUM.attenuation(10e3, Incoming::PlaneWave).unwrap();
        close(s.absorption_db, 10.3);
        close(s.reflection_db, 126.0);
        close(s.total_db, 136.8);
        let thin = Sheet { thickness_m: 35e-6, ..COPPER };
        let s = thin.attenuation(100e6, Incoming::PlaneWave).unwrap();
        close(s.absorption_db, 46.0);
        close(s.total_db, 134.1);
        close(ALUMINIUM.attenuation(10e3, Incoming::Loop(0.1)).unwrap().total_db, 43.3);
        close(ALUMINIUM.attenuation(100e3, Incoming::Loop(0.1)).unwrap().total_db, 74.9);
    }

    /// A slot of 15 cm leaves 20.0 dB at 100 MHz and nothing at 1 GHz; 5 cm 9.5 dB at 1 GHz; twenty alike cost 13.0 dB.
    /// λ/20 between contacts is 20 dB: 15 mm at 1 GHz.
    #[test]
    fn slots_and_seams() {
        let db = |f, l, n| slot_attenuation_db(f, l, n).unwrap();
        assert!((db(100e6, 0.15, 1) - 20.0).abs() < 0.01 && db(1e9, 0.15, 1) < 0.01);
        assert!((db(1e9, 0.05, 1) - 9.5).abs() < 0.05);
        assert!((db(100e6, 0.05, 1) - db(100e6, 0.05, 20) - 13.0).abs() < 0.02);
        assert!((fastener_pitch_m(1e9, 20.0, 1).unwrap() - 15e-3).abs() < 0.05e-3);
        let pitch = fastener_pitch_m(300e6, 26.0, 8).unwrap();
        assert!((slot_attenuation_db(300e6, pitch, 8).unwrap() - 26.0).abs() < 1e-9);
    }

    /// 40 × 16 × 38 cm: lowest of the indices 0 1 1 at 544 MHz, a published example (learnemc.com, question of the week,
    /// 7 June 2021); 544.09 MHz exactly. In the list the 1 0 1 mode of the two long sides comes first.
    #[test]
    fn cavities() {
        // The example counts the axes so that the excited mode has no variation along the 16 cm.
        let list = cavity_resonances_hz(0.40, 0.16, 0.38, 1.2e9).unwrap();
        assert_eq!(list[0].1, [1, 0, 1]);
        assert!((list[0].0 - 544.09e6).abs() < 0.02e6, "{}", list[0].0);
        assert!(list.windows(2).all(|w| w[0].0 <= w[1].0));
    }

    /// 27.3·t/w and 32.0·t/d (Ott, from memory); cut-off 150/w and 175.8/d MHz.
    #[test]
    fn tubes() {
        assert!((tube_attenuation_db(1e8, 0.03, 0.01, false).unwrap() / 3.0 - 27.3).abs() < 0.05);
        assert!((tube_attenuation_db(1e8, 0.03, 0.01, true).unwrap() / 3.0 - 32.0).abs() < 0.05);
        assert!(tube_attenuation_db(10e9, 0.03, 0.01, true).is_none());
    }

    /// 50 nH of pigtail at 50 MHz are 15.7 Ω, 50 dB over a metre of 50 mΩ/m; a wire of about 5.5 cm has them.
    #[test]
    fn a_pigtail_undoes_a_screen() {
        let cable = CableScreen {
            length_m: 1.0,
            transfer_ohm_per_m: 50e-3,
            transfer_h_per_m: 0.0,
            pigtail_m: 55e-3,
            pigtail_diameter_m: 1e-3,
        };
        let (screen, pigtail) = cable.transfer_ohm(50e6).unwrap();
        assert!((screen - 0.05).abs() < 1e-12 && (pigtail - 15.7).abs() < 1.0, "{pigtail}");
        assert!((20.0 * (pigtail / screen).log10() - 50.0).abs() < 0.6);
    }

    #[test]
    fn absurd_measures_are_named() {
        let bad = Sheet { thickness_m: -1e-3, ..COPPER };
        assert!(bad.attenuation(1e6, Incoming::PlaneWave).unwrap_err().to_string().contains("thickness"));
        assert!(slot_attenuation_db(1e6, 0.0, 1).unwrap_err().to_string().contains("slot length"));
    }
}
