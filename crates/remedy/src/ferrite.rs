//! Ferrite cores: impedance from complex permeability, geometry, turns and bias.
//!
//! Z = jω·(µ′ − jµ″)·L₀·N², with L₀ from the ring's measures ([`crate::geometry::ring_inductance_h`]), beside the winding
//! capacitance. The relaxation model is a model: a measured curve ([`Permeability::Table`]) wins where there is one.

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::RemedyError;
use crate::geometry::ring_inductance_h;

/// Complex relative permeability µ′ − jµ″ against frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Permeability {
    /// One relaxation: µ = 1 + (µᵢ − 1)/(1 + jf/f_r); Snoek's product (µᵢ − 1)·f_r is about 4 to 8 GHz (from memory).
    Relaxation {
        /// Initial permeability µᵢ.
        initial: f64,
        /// Relaxation frequency f_r, Hz.
        relaxation_hz: f64,
    },
    /// Measured: rising `[frequency_hz, mu_real, mu_imag]`, straight over the logarithm of frequency; no value outside.
    Table(Vec<[f64; 3]>),
}

impl Permeability {
    /// µ′ − jµ″ at a frequency in Hz; NaN outside a table.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        match self {
            Self::Relaxation { initial, relaxation_hz } => {
                1.0 + (initial - 1.0) / Complex64::new(1.0, frequency_hz / relaxation_hz)
            }
            Self::Table(rows) => {
                let outside = Complex64::new(f64::NAN, f64::NAN);
                let value = |r: &[f64; 3]| Complex64::new(r[1], -r[2]);
                let k = rows.partition_point(|r| r[0] < frequency_hz);
                match (k.checked_sub(1).and_then(|i| rows.get(i)), rows.get(k)) {
                    (_, Some(b)) if b[0] == frequency_hz => value(b),
                    (Some(a), Some(b)) => {
                        let t = (frequency_hz / a[0]).ln() / (b[0] / a[0]).ln();
                        value(a) * (1.0 - t) + value(b) * t
                    }
                    _ => outside,
                }
            }
        }
    }

    fn check(&self, part: &str) -> Result<(), RemedyError> {
        match self {
            Self::Relaxation { initial, relaxation_hz } => {
                if !(initial.is_finite() && *initial >= 1.0) {
                    return Err(RemedyError::part(part, "initial", initial, "a relative permeability of 1 or more"));
                }
                if !(relaxation_hz.is_finite() && *relaxation_hz > 0.0) {
                    return Err(RemedyError::part(part, "relaxation_hz", relaxation_hz, "a frequency above zero, Hz"));
                }
            }
            Self::Table(rows) => {
                if rows.is_empty() {
                    return Err(RemedyError::part(part, "table", "empty", "rows of [Hz, µ′, µ″]"));
                }
                let mut before = 0.0;
                for (i, r) in rows.iter().enumerate() {
                    if !(r[0] > before && r.iter().all(|v| v.is_finite()) && r[2] >= 0.0) {
                        return Err(RemedyError::part(
                            part,
                            &format!("table row {}", i + 1),
                            format!("{r:?}"),
                            "rising frequencies in Hz, finite µ′, and µ″ of zero or more (a core takes power, it gives none)",
                        ));
                    }
                    before = r[0];
                }
            }
        }
        Ok(())
    }
}

/// A ring, sleeve or split core with turns through it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FerriteCore {
    /// Material.
    pub permeability: Permeability,
    /// Outer diameter, m.
    pub outer_m: f64,
    /// Inner diameter, m.
    pub inner_m: f64,
    /// Length along the axis, m.
    pub length_m: f64,
    /// Turns: times the cable passes through the hole.
    #[serde(default = "one_turn")]
    pub turns: u32,
    /// Capacitance across one turn, F (grows with the turns; about 1.5 pF on a cable, from memory).
    #[serde(default = "stray_of_a_turn")]
    pub winding_f: f64,
    /// Length of the two gaps of a split core together, m; 0 for a closed one.
    #[serde(default)]
    pub gap_m: f64,
    /// Field at which the impedance has halved, A/m (nickel-zinc of µᵢ ≈ 800: 50 to 150, from memory); none: no figure.
    #[serde(default)]
    pub half_bias_a_per_m: Option<f64>,
    /// Largest cable that goes through, m.
    #[serde(default)]
    pub cable_m: Option<f64>,
    /// True where it is snapped over a cable without cutting it.
    #[serde(default)]
    pub clip_on: bool,
}

fn one_turn() -> u32 {
    1
}

fn stray_of_a_turn() -> f64 {
    1.5e-12
}

impl FerriteCore {
    /// Whether every figure makes sense; the error names the part.
    pub fn check(&self, part: &str) -> Result<(), RemedyError> {
        self.permeability.check(part)?;
        ring_inductance_h(self.outer_m, self.inner_m, self.length_m)
            .map_err(|e| RemedyError::part(part, "size", e, "diameters and a length above zero, outer above inner"))?;
        if self.turns == 0 {
            return Err(RemedyError::part(part, "turns", 0, "1 or more"));
        }
        if !(self.winding_f.is_finite() && self.winding_f >= 0.0) {
            return Err(RemedyError::part(part, "winding_f", self.winding_f, "zero or more, F"));
        }
        if !(self.gap_m.is_finite() && self.gap_m >= 0.0 && self.gap_m < self.outer_m) {
            return Err(RemedyError::part(part, "gap_m", self.gap_m, "zero or a gap far below the diameter, m"));
        }
        if let Some(h) = self.half_bias_a_per_m
            && !(h.is_finite() && h > 0.0)
        {
            return Err(RemedyError::part(part, "half_bias_a_per_m", h, "a field above zero, A/m"));
        }
        Ok(())
    }

    /// Mean length of the magnetic path, m.
    pub fn path_m(&self) -> f64 {
        PI * (self.outer_m + self.inner_m) / 2.0
    }

    /// Effective permeability with the gap of a split core: µ/(1 + µ·gap/path) (textbook, for gaps far below the section).
    fn effective(&self, frequency_hz: f64) -> Complex64 {
        let mu = self.permeability.at(frequency_hz);
        mu / (1.0 + mu * (self.gap_m / self.path_m()))
    }

    /// Share of the impedance that a bias current leaves: 1/(1 + (H/H½)²), H = N·I/l. One for the current of a cable
    /// whose go and return both pass through. The form is a fit through one point, H½; give measured curves where it
    /// matters.
    pub fn bias_share(&self, bias_a: f64) -> f64 {
        match self.half_bias_a_per_m {
            Some(half) => 1.0 / (1.0 + (f64::from(self.turns) * bias_a / self.path_m() / half).powi(2)),
            None => 1.0,
        }
    }

    /// Field of a bias current, A/m.
    pub fn bias_a_per_m(&self, bias_a: f64) -> f64 {
        f64::from(self.turns) * bias_a / self.path_m()
    }

    /// Impedance (Ω) with a net direct or mains-frequency current of `bias_a` through it.
    pub fn impedance_ohm(&self, frequency_hz: f64, bias_a: f64) -> Complex64 {
        let n = f64::from(self.turns);
        let l0 = ring_inductance_h(self.outer_m, self.inner_m, self.length_m).unwrap_or(f64::NAN);
        let w = TAU * frequency_hz;
        let core = Complex64::new(0.0, w * l0 * n * n) * self.effective(frequency_hz) * self.bias_share(bias_a);
        // A single pass has no winding to be bridged.
        let stray = if self.turns > 1 { self.winding_f * (n - 1.0).max(1.0) } else { 0.0 };
        core / (1.0 + core * Complex64::new(0.0, w * stray))
    }

    /// Insertion effect (dB) in a loop of impedance `loop_ohm`: 20·log|(Z + Z_F)/Z|.
    pub fn insertion_db(&self, frequency_hz: f64, loop_ohm: Complex64, bias_a: f64) -> f64 {
        20.0 * ((loop_ohm + self.impedance_ohm(frequency_hz, bias_a)) / loop_ohm).norm().log10()
    }

    /// The number of turns up to `most` that does most at this frequency in this loop: beyond it the winding capacitance
    /// takes over and a further turn hurts.
    pub fn best_turns(&self, frequency_hz: f64, loop_ohm: Complex64, bias_a: f64, most: u32) -> u32 {
        let effect = |turns| Self { turns, ..self.clone() }.insertion_db(frequency_hz, loop_ohm, bias_a);
        (1..=most.max(1)).max_by(|a, b| effect(*a).total_cmp(&effect(*b))).unwrap_or(1)
    }

    /// Lowest frequency (Hz, between `from_hz` and `to_hz`) above which one turn more does less than the turns there
    /// are; none where it never does.
    pub fn turn_more_hurts_above_hz(&self, loop_ohm: Complex64, from_hz: f64, to_hz: f64) -> Option<f64> {
        let more = Self { turns: self.turns + 1, ..self.clone() };
        let steps = 400;
        let at = |k: i32| from_hz * (to_hz / from_hz).powf(f64::from(k) / f64::from(steps));
        let gain = |f| more.insertion_db(f, loop_ohm, 0.0) - self.insertion_db(f, loop_ohm, 0.0);
        (0..=steps).map(at).find(|&f| gain(f) < 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sleeve(turns: u32) -> FerriteCore {
        FerriteCore {
            permeability: Permeability::Relaxation { initial: 800.0, relaxation_hz: 7.5e6 },
            outer_m: 16e-3,
            inner_m: 8e-3,
            length_m: 28e-3,
            turns,
            winding_f: 1.5e-12,
            gap_m: 0.0,
            half_bias_a_per_m: Some(100.0),
            cable_m: None,
            clip_on: true,
        }
    }

    /// A worked sleeve of 16/8 mm, 28 mm, µᵢ 800, f_r 7.5 MHz: resistance and reactance by the formula of complex
    /// permeability, the effect 20·log|(Z + Z_F)/Z| in a cable of 150 Ω (the value IEC 61000-4-6 fixes) and of 73 Ω.
    #[test]
    fn a_worked_sleeve() {
        for (mhz, r, x, in_150, in_73) in [
            (1.0, 2.6, 19.2, 0.21, 0.57),
            (10.0, 93.5, 70.4, 4.56, 7.88),
            (25.0, 134.1, 40.8, 5.64, 9.22),
            (100.0, 145.3, 13.3, 5.89, 9.53),
            (300.0, 146.1, 11.0, 5.91, 9.56),
        ] {
            let f = mhz * 1e6;
            let z = sleeve(1).impedance_ohm(f, 0.0);
            assert!((z.re - r).abs() < 0.06 && (z.im - x).abs() < 0.06, "{mhz} MHz: {z}");
            for (cable, effect) in [(150.0, in_150), (73.0, in_73)] {
                let got = sleeve(1).insertion_db(f, Complex64::new(cable, 0.0), 0.0);
                assert!((got - effect).abs() < 0.006, "{mhz} MHz in {cable} Ω: {got}");
            }
        }
    }

    /// The same with two turns and 1.5 pF across them.
    #[test]
    fn two_turns_and_their_capacitance() {
        for (mhz, z, effect) in
            [(1.0, 77.4, 1.47), (10.0, 480.7, 12.18), (25.0, 578.1, 13.70), (100.0, 532.4, 13.02), (300.0, 313.3, 8.80)]
        {
            let f = mhz * 1e6;
            assert!((sleeve(2).impedance_ohm(f, 0.0).norm() - z).abs() < 0.06, "{mhz} MHz");
            assert!((sleeve(2).insertion_db(f, Complex64::new(150.0, 0.0), 0.0) - effect).abs() < 0.006, "{mhz} MHz");
        }
    }

    /// 5 A through a core of 12 mm mean diameter is 133 A/m (H = N·I/l); half-impedance fields are what they say.
    #[test]
    fn a_bias_takes_its_share() {
        assert!((sleeve(1).bias_a_per_m(5.0) - 132.6).abs() < 0.1);
        let half = 100.0 * sleeve(1).path_m();
        assert!((sleeve(1).bias_share(half) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn more_turns_hurt_high_up_only() {
        let z = Complex64::new(150.0, 0.0);
        let where_hurts = sleeve(2).turn_more_hurts_above_hz(z, 1e6, 1e9).unwrap();
        assert!((20e6..300e6).contains(&where_hurts), "{where_hurts}");
        assert!(sleeve(1).best_turns(2e6, z, 0.0, 5) > sleeve(1).best_turns(300e6, z, 0.0, 5));
    }

    #[test]
    fn a_gap_lowers_the_permeability() {
        let split = FerriteCore { gap_m: 60e-6, ..sleeve(1) };
        let expected = 800.0 / (1.0 + 800.0 * 60e-6 / split.path_m());
        let low = split.impedance_ohm(1e4, 0.0).im / sleeve(1).impedance_ohm(1e4, 0.0).im;
        assert!((low * 800.0 / expected - 1.0).abs() < 1e-3);
    }

    #[test]
    fn absurd_cores_are_named() {
        let bad = FerriteCore { turns: 0, ..sleeve(1) };
        assert!(bad.check("sleeve-1").unwrap_err().to_string().contains("part `sleeve-1`: turns is 0"));
        let gain = FerriteCore { permeability: Permeability::Table(vec![[1e6, 800.0, -3.0]]), ..sleeve(1) };
        assert!(gain.check("x").unwrap_err().to_string().contains("table row 1"));
    }
}
