//! The field at 3 m, as a swept analyser saved it behind antenna, preamplifier and cable.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use num_complex::Complex64;
use quantity::{amplitude_to_db, power_sum_db, volts_to_dbuv};

use crate::chain::field_correction_db;
use crate::random::Random;
use crate::trapezoid::Trapezoid;
use crate::truth::FieldLine;

/// The microcontroller's core clock, V.
const CORE_CLOCK: Trapezoid = Trapezoid { frequency_hz: 48e6, swing: 3.3, duty: 0.47, rise_s: 1.1e-9, fall_s: 1.1e-9 };
/// Part of its voltage that drives the sensor cable against the board.
const SHARE: f64 = 0.9e-3;
/// Radiation resistance and loss of the cable as an antenna, and what stands at its far end, together, Ω.
const CABLE_OHM: f64 = 150.0;
/// The sensor cable where it drops from the table's edge: impedance, speed (of light = 1), loss and free length. It
/// is a quarter of a wavelength long at 115 MHz. Invented, of usual size.
const CABLE_LINE_OHM: f64 = 250.0;
const CABLE_SPEED: f64 = 0.95;
const CABLE_NEPER_PER_M: f64 = 0.12;
const CABLE_M: f64 = 0.62;
pub(crate) const LIGHT_M_PER_S: f64 = 299_792_458.0;
/// Measuring distance, m.
const DISTANCE_M: f64 = 3.0;

/// Analyser: −6 dB bandwidth, Hz, and the middle of its peak-detected noise, dBµV.
pub(crate) const BANDWIDTH_HZ: f64 = 120e3;
pub(crate) const NOISE_DBUV: f64 = 12.0;

/// Field of the core clock's multiple `n`, V/m r.m.s.
///
/// The common-mode current I of a cable of length L radiates E = 1.257e-6·|I|·f·L/d while the cable is short (textbook:
/// short-dipole far field, from memory); a longer cable counts with no more than a quarter of a wavelength.
fn field(n: u32) -> f64 {
    let f = f64::from(n) * CORE_CLOCK.frequency_hz;
    let gamma = Complex64::new(CABLE_NEPER_PER_M, TAU * f / (CABLE_SPEED * LIGHT_M_PER_S));
    let cable = CABLE_LINE_OHM / (gamma * CABLE_M).tanh() + CABLE_OHM;
    let current = SHARE * CORE_CLOCK.harmonic(n).norm() / std::f64::consts::SQRT_2 / cable.norm();
    let length_m = CABLE_M.min(LIGHT_M_PER_S / f / 4.0);
    1.257e-6 * current * f * length_m / DISTANCE_M
}

/// The clock's lines from 30 MHz to 1 GHz.
pub(crate) fn lines() -> Vec<FieldLine> {
    (1..=(1e9 / CORE_CLOCK.frequency_hz) as u32)
        .map(|multiple| {
            let frequency_hz = f64::from(multiple) * CORE_CLOCK.frequency_hz;
            let field_dbuv_per_m = volts_to_dbuv(field(multiple));
            let limit = if frequency_hz <= 230e6 { 40.0 } else { 47.0 };
            FieldLine {
                multiple,
                frequency_hz,
                field_dbuv_per_m,
                analyser_dbuv: field_dbuv_per_m - field_correction_db(frequency_hz),
                margin_db: limit - field_dbuv_per_m,
            }
        })
        .collect()
}

/// Frequencies as the analyser took them, Hz: two ranges with steps of their own that meet at 230 MHz (which therefore
/// comes twice), and a closer look about the clock's third multiple.
fn frequencies() -> Vec<f64> {
    let range = |from_khz: u32, to_khz: u32, step_khz: usize| {
        (from_khz..=to_khz).step_by(step_khz).map(|khz| f64::from(khz) * 1e3)
    };
    let mut all: Vec<f64> = range(30_000, 142_990, 50).collect();
    all.extend(range(143_000, 145_000, 10));
    all.extend(range(145_050, 230_000, 50));
    all.extend(range(230_000, 999_990, 70));
    all.push(1e9);
    all
}

/// The sweep as text.
pub(crate) fn sweep_text() -> String {
    let mut random = Random::new(11);
    let lines = lines();
    let mut text = String::from(
        "Field at 3 m, vertical, antenna height and turntable searched, maximum held\n\
         Detector,Peak\n\
         Resolution bandwidth,120 kHz\n\
         Sweep time per range,20 s\n\
         \n\
         Frequency (MHz),Peak (dBuV)\n",
    );
    for f in frequencies() {
        // Maximum hold over many sweeps: the noise stands close together, with a longer side upwards.
        let noise = NOISE_DBUV + 1.0 * (-(-(random.unit().max(1e-6)).ln()).ln()).clamp(-1.5, 5.0);
        // The converter's edges reach up to about 60 MHz as a broad hump.
        let converter = 22.0 - 40.0 * (f / 35e6).log10() - field_correction_db(f) + random.between(-1.0, 1.0);
        let mut levels = vec![noise, converter];
        for line in &lines {
            let off = (f - line.frequency_hz) / (BANDWIDTH_HZ / 2.0);
            if off.abs() < 4.0 {
                // Gaussian filter, 6.02 dB down at half the bandwidth.
                levels.push(line.analyser_dbuv + amplitude_to_db(0.5) * off * off);
            }
        }
        let _ = writeln!(text, "{:.3},{:.2}", f / 1e6, power_sum_db(levels));
    }
    text
}
