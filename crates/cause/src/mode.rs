//! Common and differential mode from the two conductors of a mains port.
//!
//! V_CM = (V_L + V_N)/2, V_DM = (V_L − V_N)/2 at the two 50 Ω ports; the total common-mode current is V_CM/25 Ω, the loop
//! current V_DM/50 Ω. Amplitudes alone bound both: |a − b|/2 ≤ |V| ≤ (a + b)/2, and |V_CM|² + |V_DM|² = (a² + b²)/2
//! (identities of the definition; that equal readings say nothing is also pointed out on the emc-pstc list, 29 March 2016).

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// Which mode carries more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Mode {
    /// Both conductors together against earth.
    Common,
    /// One conductor against the other.
    Differential,
    /// Both alike, within 3 dB.
    Both,
}

/// Both modes at one frequency, dBµV at the ports.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Modes {
    /// Common mode, dBµV.
    pub common_dbuv: f64,
    /// Differential mode, dBµV.
    pub differential_dbuv: f64,
    /// Total common-mode current, dBµA.
    pub common_dbua: f64,
    /// Loop current, dBµA.
    pub differential_dbua: f64,
    /// Which is larger.
    pub mode: Mode,
}

fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

fn modes(common: f64, differential: f64) -> Modes {
    let (common_dbuv, differential_dbuv) = (db(common), db(differential));
    let mode = match common_dbuv - differential_dbuv {
        d if d > 3.0 => Mode::Common,
        d if d < -3.0 => Mode::Differential,
        _ => Mode::Both,
    };
    Modes {
        common_dbuv,
        differential_dbuv,
        common_dbua: db(common / 25.0),
        differential_dbua: db(differential / 50.0),
        mode,
    }
}

/// From the complex voltages taken at the same time, µV.
pub fn separate(line_uv: Complex64, neutral_uv: Complex64) -> Modes {
    modes((0.5 * (line_uv + neutral_uv)).norm(), (0.5 * (line_uv - neutral_uv)).norm())
}

/// What the two amplitudes alone allow.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ModeBounds {
    /// Neither mode is below this, dBµV; −∞ for equal readings.
    pub least_dbuv: f64,
    /// Neither mode is above this, dBµV.
    pub most_dbuv: f64,
    /// The larger of the two is at least this, dBµV.
    pub larger_at_least_dbuv: f64,
}

/// Bounds from two readings taken one after the other, dBµV.
pub fn bounds(line_dbuv: f64, neutral_dbuv: f64) -> ModeBounds {
    let (a, b) = (amplitude(line_dbuv), amplitude(neutral_dbuv));
    ModeBounds {
        least_dbuv: db((a - b).abs() / 2.0),
        most_dbuv: db(f64::midpoint(a, b)),
        larger_at_least_dbuv: db(((a * a + b * b) / 4.0).sqrt()),
    }
}

/// A clamp round both conductors settles it: it reads the total common-mode current, V_CM = 25 Ω · I. Nothing where the
/// three readings contradict each other by more than 1.5 dB.
pub fn with_clamp(line_dbuv: f64, neutral_dbuv: f64, clamp_dbua: f64) -> Option<Modes> {
    let (a, b) = (amplitude(line_dbuv), amplitude(neutral_dbuv));
    let common = 25.0 * amplitude(clamp_dbua);
    let limits = bounds(line_dbuv, neutral_dbuv);
    if db(common) > limits.most_dbuv + 1.5 || db(common) < limits.least_dbuv - 1.5 {
        return None;
    }
    let rest = f64::midpoint(a * a, b * b) - common * common;
    Some(modes(common, rest.max(((a - b) / 2.0).powi(2)).max(1e-12).sqrt()))
}

/// Smallest differential mode that a two-channel separation can tell from common mode: a relative mismatch of gain and a
/// skew turn common into false differential mode at half their size, dB relative to the common mode.
pub fn separation_floor_db(gain_mismatch: f64, skew_s: f64, frequency_hz: f64) -> f64 {
    let phase = std::f64::consts::TAU * frequency_hz * skew_s;
    db((gain_mismatch.powi(2) + (2.0 * (phase / 2.0).sin()).powi(2)).sqrt() / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_worked_pair_of_phasors() {
        // 60 dBµV at 0° and 54 dBµV at 140°: by hand 50.82 and 57.03 dBµV, 22.86 and 23.05 dBµA.
        let polar = |l: f64, deg: f64| Complex64::from_polar(10f64.powf(l / 20.0), deg.to_radians());
        let m = separate(polar(60.0, 0.0), polar(54.0, 140.0));
        assert!((m.common_dbuv - 50.82).abs() < 0.01 && (m.differential_dbuv - 57.03).abs() < 0.01);
        assert!((m.common_dbua - 22.86).abs() < 0.01 && (m.differential_dbua - 23.05).abs() < 0.01);
        assert_eq!(m.mode, Mode::Differential);
        let b = bounds(60.0, 54.0);
        assert!(b.least_dbuv <= m.common_dbuv && m.differential_dbuv <= b.most_dbuv);
        assert!((b.least_dbuv - 47.94).abs() < 0.01 && (b.most_dbuv - 57.51).abs() < 0.01);
        assert!((b.larger_at_least_dbuv - 54.95).abs() < 0.01);
        let c = with_clamp(60.0, 54.0, 50.0 - 27.959).expect("consistent");
        assert!((c.differential_dbuv - 57.21).abs() < 0.01);
        assert!(with_clamp(60.0, 54.0, 60.0).is_none());
    }

    #[test]
    fn any_phase_stays_inside_the_bounds() {
        for degrees in (0..360).step_by(7) {
            let line = Complex64::from_polar(300.0, 0.0);
            let neutral = Complex64::from_polar(170.0, f64::from(degrees).to_radians());
            let (m, b) = (separate(line, neutral), bounds(db(300.0), db(170.0)));
            for v in [m.common_dbuv, m.differential_dbuv] {
                assert!(v >= b.least_dbuv - 1e-9 && v <= b.most_dbuv + 1e-9);
            }
            assert!(m.common_dbuv.max(m.differential_dbuv) >= b.larger_at_least_dbuv - 1e-9);
        }
        // 1 ns at 30 MHz: 20·log(sin(0.0942)·…) is −20.5 dB.
        assert!((separation_floor_db(0.0, 1e-9, 30e6) + 20.5).abs() < 0.1);
    }
}
