//! From the common-mode current of a cable to the field it makes, as a band.
//!
//! Short wire with uniform current: E = (µ0/2)·f·L·I/r in free space, twice that over a reflecting floor with height
//! search: 1.257e-6·f·L·I/r (Ott, Electromagnetic Compatibility Engineering, for a clamp's reading of the total current;
//! derived from E = ηkIL/(4πr), Balanis chapter 4). It holds while the cable is shorter than a quarter wave and the
//! distance beyond λ/2π. A longer cable carries a standing wave of maximum I: E = 120·I·F_m/r over a floor with
//! F_m from the pattern of m half waves. The lesser of the two is the upper estimate; real cables stay below it by
//! position, damping and reflections: the band reaches 12 dB down and 6 dB up (±6 to 10 dB is common experience).

use serde::{Deserialize, Serialize};

use crate::resonance::LIGHT_M_PER_S;

/// A field estimate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FieldBand {
    /// The estimate with floor and height search, dBµV/m.
    pub estimate_dbuv_per_m: f64,
    /// Lower end of the band, dBµV/m.
    pub from_dbuv_per_m: f64,
    /// Upper end, dBµV/m.
    pub to_dbuv_per_m: f64,
    /// Which formula decided.
    pub regime: Regime,
    /// The distance is less than λ/2π: the band is wider still, and the field no plane wave.
    pub near_field: bool,
}

/// Which formula holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Regime {
    /// Shorter than λ/π: uniform current.
    Short,
    /// Longer: standing wave, the clamp moved to its maximum.
    Long,
}

/// Largest value of the pattern of a wire of m half waves (Balanis chapter 4, computed).
const PATTERN: [f64; 8] = [1.000, 1.189, 1.399, 1.586, 1.754, 1.909, 2.052, 2.186];

/// Field of a cable at a distance, over a reflecting floor with height search. `current_dbua` is the clamp's reading of the
/// total current, for a long cable the largest along half a wavelength.
pub fn field_of_cable(current_dbua: f64, frequency_hz: f64, length_m: f64, distance_m: f64) -> FieldBand {
    let current_a = 1e-6 * 10f64.powf(current_dbua / 20.0);
    let wavelength_m = LIGHT_M_PER_S / frequency_hz;
    let halves = ((2.0 * length_m / wavelength_m).round() as usize).clamp(1, PATTERN.len());
    let short = 4e-7 * std::f64::consts::PI * frequency_hz * length_m * current_a / distance_m;
    let long = 120.0 * current_a * PATTERN[halves - 1] / distance_m;
    let (field, regime) = if short <= long { (short, Regime::Short) } else { (long, Regime::Long) };
    let estimate_dbuv_per_m = 20.0 * (field / 1e-6).log10();
    let near_field = distance_m < wavelength_m / std::f64::consts::TAU;
    let wider = if near_field { 6.0 } else { 0.0 };
    FieldBand {
        estimate_dbuv_per_m,
        from_dbuv_per_m: estimate_dbuv_per_m - 12.0 - wider,
        to_dbuv_per_m: estimate_dbuv_per_m + 6.0 + wider,
        regime,
        near_field,
    }
}

/// What a current means for a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CableJudgement {
    /// Even the upper end of the band is below the limit.
    Enough,
    /// The limit lies in the band.
    Doubtful,
    /// Even the lower end is above the limit.
    TooMuch,
}

/// The field band held against a limit at the same distance.
pub fn against_limit(band: &FieldBand, limit_dbuv_per_m: f64) -> CableJudgement {
    if band.to_dbuv_per_m <= limit_dbuv_per_m {
        CableJudgement::Enough
    } else if band.from_dbuv_per_m > limit_dbuv_per_m {
        CableJudgement::TooMuch
    } else {
        CableJudgement::Doubtful
    }
}

/// The current at which the estimate meets a limit, dBµA.
pub fn current_at_limit_dbua(limit_dbuv_per_m: f64, frequency_hz: f64, length_m: f64, distance_m: f64) -> f64 {
    limit_dbuv_per_m - field_of_cable(0.0, frequency_hz, length_m, distance_m).estimate_dbuv_per_m
}

/// Field of a small loop, E = ηπf²·A·I/(c²·r), dBµV/m in free space; up to 6 dB more over a floor. Holds for a
/// circumference below a quarter wave and distances beyond λ/2π (Balanis chapter 5).
pub fn field_of_loop_dbuv_per_m(current_a: f64, frequency_hz: f64, area_m2: f64, distance_m: f64) -> f64 {
    let field = 376.730_313 * std::f64::consts::PI * frequency_hz.powi(2) * area_m2 * current_a
        / (LIGHT_M_PER_S.powi(2) * distance_m);
    20.0 * (field / 1e-6).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_examples() {
        // 5 µA on 1 m at 47.7 MHz make 100 µV/m at 3 m over a floor (Ott's rule of 5 µA for class B).
        let band = field_of_cable(20.0 * 5f64.log10(), 47.75e6, 1.0, 3.0);
        assert!((band.estimate_dbuv_per_m - 40.0).abs() < 0.05 && band.regime == Regime::Short);
        // 10 cm², 25 mA, 50 MHz, 3 m over a floor (twice free space): 549 µV/m is 54.8 dBµV/m (formula of Ott, computed).
        let with_floor = field_of_loop_dbuv_per_m(25e-3, 50e6, 10e-4, 3.0) + 20.0 * 2f64.log10();
        assert!((with_floor - 54.8).abs() < 0.05, "{with_floor}");
        // A half-wave dipole fed with I at its middle: 60·I/r in free space (Balanis), twice over a floor.
        let dipole = field_of_cable(0.0, 149.9e6, 1.0, 3.0);
        assert!((dipole.estimate_dbuv_per_m - 20.0 * (120.0f64 / 3.0).log10()).abs() < 0.05);
        assert_eq!(dipole.regime, Regime::Long);
        let at = current_at_limit_dbua(40.0, 100e6, 1.5, 3.0);
        assert!((field_of_cable(at, 100e6, 1.5, 3.0).estimate_dbuv_per_m - 40.0).abs() < 1e-9);
    }

    #[test]
    fn the_band_decides_only_where_it_can() {
        let judge = |ua: f64| against_limit(&field_of_cable(20.0 * ua.log10(), 50e6, 1.0, 3.0), 40.0);
        assert_eq!(judge(1.0), CableJudgement::Enough);
        assert_eq!(judge(6.0), CableJudgement::Doubtful);
        assert_eq!(judge(60.0), CableJudgement::TooMuch);
        assert!(field_of_cable(0.0, 10e6, 1.0, 3.0).near_field);
    }
}
