//! A survey round the turntable, and sweeps of an open bench with the product off and on.
//!
//! Four wires radiate: two that drop from the table's edge (upright, the same all round) and two that lie on it (they
//! are seen from the side and not from their ends). Each stands at its own place, so that their waves add and cancel as
//! the table turns: what a survey with too few angles misses is known here in closed form. Places and shares are
//! invented.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use num_complex::Complex64;
use quantity::{amplitude_to_db, power_sum_db};

use crate::chain::field_correction_db;
use crate::radiated::{BANDWIDTH_HZ, LIGHT_M_PER_S, NOISE_DBUV, lines};
use crate::random::Random;

/// Angles of the survey, degrees.
const STEP_DEG: usize = 30;
/// Sweeps with the product off, and as many with it on.
const REPEATS: usize = 5;

/// Polarisation of the antenna.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wave {
    /// Field upright.
    Vertical,
    /// Field along the ground.
    Horizontal,
}

impl Wave {
    /// In words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Vertical => "vertical",
            Self::Horizontal => "horizontal",
        }
    }
}

/// A wire: its place on the table (m), the share of the strongest, and for one that lies, where it points (degrees).
struct Wire {
    x_m: f64,
    y_m: f64,
    share: f64,
    points_deg: Option<f64>,
}

const WIRES: [Wire; 4] = [
    Wire { x_m: 0.45, y_m: 0.10, share: 1.0, points_deg: None },
    Wire { x_m: -0.35, y_m: -0.30, share: 0.55, points_deg: None },
    Wire { x_m: 0.10, y_m: 0.40, share: 0.7, points_deg: Some(20.0) },
    Wire { x_m: -0.40, y_m: 0.15, share: 0.45, points_deg: Some(110.0) },
];

/// The wires' sum towards an angle, without scale. Phases differ from multiple to multiple, as delays in the product do.
fn sum(multiple: u32, frequency_hz: f64, azimuth_deg: f64, wave: Wave) -> f64 {
    let k = TAU * frequency_hz / LIGHT_M_PER_S;
    let (sin, cos) = azimuth_deg.to_radians().sin_cos();
    let mut field = Complex64::ZERO;
    for (n, wire) in WIRES.iter().enumerate() {
        let seen = match (wire.points_deg, wave) {
            (None, Wave::Vertical) => 1.0,
            (Some(points), Wave::Horizontal) => (azimuth_deg - points).to_radians().sin(),
            _ => continue,
        };
        let late = 1.3 * f64::from(multiple) * n as f64;
        field += wire.share * seen * Complex64::cis(k * (wire.x_m * cos + wire.y_m * sin) + late);
    }
    field.norm()
}

/// Largest sum over all angles and both polarisations: found in steps of half a degree, where no lobe of a product this
/// small is narrower than thirty times that below 1 GHz.
fn largest(multiple: u32, frequency_hz: f64) -> f64 {
    (0..720)
        .flat_map(|half| {
            [Wave::Vertical, Wave::Horizontal].map(|w| sum(multiple, frequency_hz, f64::from(half) / 2.0, w))
        })
        .fold(0.0, f64::max)
}

/// Field of a multiple of the core clock towards an angle, dBµV/m; its maximum over all angles and polarisations is the
/// level of [`crate::field_truth`]. `None` above 1 GHz.
pub fn survey_field_dbuv_per_m(multiple: u32, azimuth_deg: f64, wave: Wave) -> Option<f64> {
    let line = lines().into_iter().find(|l| l.multiple == multiple)?;
    let share = sum(multiple, line.frequency_hz, azimuth_deg, wave) / largest(multiple, line.frequency_hz);
    Some(line.field_dbuv_per_m + amplitude_to_db(share.max(1e-4)))
}

/// A sweep of a survey, as the analyser saved it.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveySweep {
    /// File name with its ending.
    pub file_name: String,
    /// The file.
    pub text: String,
    /// Angle of the turntable, degrees; none on the bench.
    pub azimuth_deg: Option<f64>,
    /// Polarisation of the antenna.
    pub wave: Wave,
    /// The product was switched off.
    pub product_off: bool,
}

/// Twelve angles in both polarisations at 3 m, in a shielded room.
pub fn turntable_survey() -> Vec<SurveySweep> {
    let mut sweeps = Vec::new();
    for wave in [Wave::Vertical, Wave::Horizontal] {
        for azimuth in (0..360).step_by(STEP_DEG) {
            let seed = 500 + azimuth as u64 + if wave == Wave::Horizontal { 1000 } else { 0 };
            let levels = product_lines(f64::from(azimuth as u32), wave);
            sweeps.push(SurveySweep {
                file_name: format!("survey-{}-{azimuth:03}.csv", wave.name()),
                text: text(&format!("Field at 3 m, {}, turntable at {azimuth} degrees", wave.name()), &levels, seed),
                azimuth_deg: Some(f64::from(azimuth as u32)),
                wave,
                product_off: false,
            });
        }
    }
    sweeps
}

/// Transmitters on the open bench: MHz, level at the analyser (dBµV), share of sweeps in which they are heard.
const TRANSMITTERS: [(f64, f64, f64); 7] = [
    (88.6, 41.0, 1.0),
    (92.4, 49.0, 1.0),
    (96.1, 33.0, 1.0),
    (99.3, 46.0, 1.0),
    (103.7, 40.0, 1.0),
    (145.5, 36.0, 0.4),
    (192.9, 38.0, 1.0),
];

/// The product off and on by turns on an open bench, in the hearing of broadcast transmitters. One of them stands beside
/// the clock's second multiple.
pub fn open_bench() -> Vec<SurveySweep> {
    let mut random = Random::new(77);
    let mut sweeps = Vec::new();
    for repeat in 1..=REPEATS {
        for product_off in [true, false] {
            let mut levels = if product_off { Vec::new() } else { product_lines(0.0, Wave::Vertical) };
            for (mhz, level, heard) in TRANSMITTERS {
                let fading = 1.5 * f64::from(random.normal());
                if random.unit() < heard {
                    levels.push((mhz * 1e6, level + fading));
                }
            }
            // The product is set up anew each time: its lines move a little, together and each by itself.
            if !product_off {
                let together = 0.5 * f64::from(random.normal());
                for (f, level) in &mut levels {
                    if !TRANSMITTERS.iter().any(|t| (t.0 * 1e6 - *f).abs() < 1.0) {
                        *level += together + 0.4 * f64::from(random.normal());
                    }
                }
            }
            let word = if product_off { "off" } else { "on" };
            sweeps.push(SurveySweep {
                file_name: format!("bench-{word}-{repeat}.csv"),
                text: text(&format!("Open bench, 3 m, product {word}"), &levels, random.bits()),
                azimuth_deg: None,
                wave: Wave::Vertical,
                product_off,
            });
        }
    }
    sweeps
}

/// The clock's lines at the analyser: frequency (Hz) and level (dBµV).
fn product_lines(azimuth_deg: f64, wave: Wave) -> Vec<(f64, f64)> {
    lines()
        .into_iter()
        .map(|line| {
            let share =
                sum(line.multiple, line.frequency_hz, azimuth_deg, wave) / largest(line.multiple, line.frequency_hz);
            (line.frequency_hz, line.analyser_dbuv + amplitude_to_db(share.max(1e-4)))
        })
        .collect()
}

/// A sweep from 30 MHz to 1 GHz in steps of half the bandwidth.
fn text(title: &str, levels: &[(f64, f64)], seed: u64) -> String {
    let mut random = Random::new(seed);
    let mut text = format!("{title}\nDetector,Peak\nResolution bandwidth,120 kHz\n\nFrequency (MHz),Peak (dBuV)\n");
    for khz in (30_000..=1_000_000).step_by(60) {
        let f = f64::from(khz) * 1e3;
        let noise = NOISE_DBUV - 3.0 + 0.8 * f64::from(random.normal());
        let converter = 22.0 - 40.0 * (f / 35e6).log10() - field_correction_db(f) - 6.0 + random.between(-1.0, 1.0);
        let mut parts = vec![noise, converter];
        for &(at, level) in levels {
            let off = (f - at) / (BANDWIDTH_HZ / 2.0);
            if off.abs() < 4.0 {
                parts.push(level + amplitude_to_db(0.5) * off * off);
            }
        }
        let _ = writeln!(text, "{:.3},{:.2}", f / 1e6, power_sum_db(parts));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_survey_never_reads_more_than_the_truth_and_some_angle_comes_near_it() {
        for line in lines().into_iter().filter(|l| l.frequency_hz <= 300e6) {
            let all: Vec<f64> = (0..360)
                .flat_map(|degree| {
                    [Wave::Vertical, Wave::Horizontal]
                        .map(|w| survey_field_dbuv_per_m(line.multiple, f64::from(degree) + 0.25, w).unwrap())
                })
                .collect();
            let most = all.iter().copied().fold(f64::MIN, f64::max);
            assert!((most - line.field_dbuv_per_m).abs() < 0.02, "{most} {line:?}");
        }
        assert!(survey_field_dbuv_per_m(99, 0.0, Wave::Vertical).is_none());
        // One upright wire alone would show no pattern; two 0.9 m apart cancel in places.
        let at = |deg: f64| survey_field_dbuv_per_m(3, deg, Wave::Vertical).unwrap();
        let (low, high) =
            (0..360).map(|d| at(f64::from(d))).fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
        // Shares of 1 and 0.55: at most 20·log(1.55/0.45) = 10.7 dB between largest and smallest.
        assert!(high - low > 6.0 && high - low < 10.75, "{low} {high}");
    }

    #[test]
    fn sweeps_hold_the_lines_where_they_belong() {
        let reading = |sweep: &SurveySweep, mhz: f64| -> f64 {
            let row = sweep.text.lines().find(|l| l.starts_with(&format!("{mhz:.3},"))).unwrap();
            row.split_once(',').unwrap().1.parse().unwrap()
        };
        let survey = turntable_survey();
        assert_eq!(survey.len(), 24);
        for sweep in &survey {
            // 143.98 MHz is 20 kHz from the third multiple: a sixth of the bandwidth, 0.7 dB down at most.
            let expected = survey_field_dbuv_per_m(3, sweep.azimuth_deg.unwrap(), sweep.wave).unwrap()
                - field_correction_db(144e6);
            if expected > 20.0 {
                assert!((reading(sweep, 144.0) - expected).abs() < 1.0, "{}", sweep.file_name);
            }
        }
        let bench = open_bench();
        let (off, on): (Vec<_>, Vec<_>) = bench.iter().partition(|s| s.product_off);
        assert_eq!((off.len(), on.len()), (REPEATS, REPEATS));
        let mean =
            |list: &[&SurveySweep], mhz: f64| list.iter().map(|s| reading(s, mhz)).sum::<f64>() / list.len() as f64;
        assert!(mean(&on, 144.0) > mean(&off, 144.0) + 6.0);
        assert!((mean(&on, 92.4) - mean(&off, 92.4)).abs() < 3.0 && mean(&off, 92.4) > 35.0);
    }
}
