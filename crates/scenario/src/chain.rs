//! What stands between the product and the instrument, as tables in decibels and as the files of a project.
//!
//! The numbers of the tables are invented, of the size such parts have. The 2 m cable is worked out from a line with
//! skin effect. The synthesis divides by the same values that the files hold, so that a reading with the chain applied
//! is the level at the port again.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use num_complex::Complex64;
use quantity::{AtStep, Interpolation, LogTable};

use crate::ladder::TwoPort;

/// Decibels against MHz, as a calibration certificate lists them.
type Points = &'static [(f64, f64)];

/// Voltage division factor of the artificial network, dB to add.
const NETWORK_FACTOR: Points = &[
    (0.009, 1.42),
    (0.05, 0.38),
    (0.15, 0.19),
    (0.3, 0.12),
    (0.5, 0.09),
    (1.0, 0.08),
    (2.0, 0.08),
    (5.0, 0.11),
    (10.0, 0.16),
    (20.0, 0.27),
    (30.0, 0.41),
];
/// Insertion loss of the pulse limiter with its attenuator, dB to add.
const LIMITER_LOSS: Points = &[
    (0.009, 10.31),
    (0.05, 10.09),
    (0.15, 10.02),
    (0.5, 10.00),
    (2.0, 9.99),
    (5.0, 10.02),
    (10.0, 10.05),
    (20.0, 10.12),
    (30.0, 10.21),
];
/// Antenna factor, dB/m.
const ANTENNA_FACTOR: Points = &[
    (30.0, 18.6),
    (40.0, 14.1),
    (50.0, 10.4),
    (60.0, 7.6),
    (70.0, 6.9),
    (80.0, 7.7),
    (100.0, 10.3),
    (120.0, 11.8),
    (150.0, 11.3),
    (200.0, 11.1),
    (250.0, 12.5),
    (300.0, 14.0),
    (400.0, 16.5),
    (500.0, 18.2),
    (600.0, 19.6),
    (700.0, 20.8),
    (800.0, 22.0),
    (900.0, 23.1),
    (1000.0, 24.1),
];
/// Gain of the preamplifier, dB (lowers the result).
const PREAMPLIFIER_GAIN: Points =
    &[(10.0, 25.4), (30.0, 25.6), (100.0, 25.5), (300.0, 25.1), (600.0, 24.6), (1000.0, 23.9), (1200.0, 23.4)];
/// Loss of the 10 m cable, dB to add.
const LONG_CABLE_LOSS: Points = &[(10.0, 0.4), (30.0, 0.7), (100.0, 1.3), (300.0, 2.3), (600.0, 3.3), (1000.0, 4.4)];

/// Decibels at a frequency of one of the tables above.
///
/// # Panics
/// Outside the table: the synthesis asks only for frequencies inside.
fn at(points: Points, frequency_hz: f64) -> f64 {
    table(points).at(frequency_hz).expect("inside the calibrated range")
}

fn table(points: Points) -> LogTable {
    let points = points.iter().map(|&(mhz, db)| (mhz * 1e6, db)).collect();
    LogTable::new(points, Interpolation::LogFrequency, AtStep::Lower).expect("the tables rise")
}

/// The 2 m coaxial cable at a frequency, as a two-port.
///
/// Telegrapher's equations with skin effect (textbook, from memory): Z = R(1 + j) + jωL, Y = jωC(1 − j·tan δ),
/// R = 2·Z₀·α with α = 0.045 dB/m at 10 MHz rising with √f; Z₀ = 50 Ω, speed 0.66 c, tan δ = 0.0004.
pub fn short_cable(frequency_hz: f64) -> TwoPort {
    const LENGTH_M: f64 = 2.0;
    let w = TAU * frequency_hz;
    let neper_per_m = 0.045 * (frequency_hz / 10e6).sqrt() / (20.0 * std::f64::consts::LOG10_E);
    let resistance = 2.0 * 50.0 * neper_per_m;
    let speed = 0.66 * 299_792_458.0;
    let z = Complex64::new(resistance, resistance + w * 50.0 / speed);
    let y = Complex64::new(w / (50.0 * speed) * 0.0004, w / (50.0 * speed));
    TwoPort::line((z / y).sqrt(), (z * y).sqrt() * LENGTH_M)
}

/// Decibels to add to a level at the receiver's input to get the level at the mains port, 0.15–30 MHz.
pub fn mains_correction_db(frequency_hz: f64) -> f64 {
    let cable = -20.0 * short_cable(frequency_hz).s_parameters(50.0).1.norm().log10();
    at(NETWORK_FACTOR, frequency_hz) + at(LIMITER_LOSS, frequency_hz) + cable
}

/// Decibels (per metre) to add to a level at the analyser's input, dBµV, to get the field strength, dBµV/m.
pub fn field_correction_db(frequency_hz: f64) -> f64 {
    at(ANTENNA_FACTOR, frequency_hz) + at(LONG_CABLE_LOSS, frequency_hz) - at(PREAMPLIFIER_GAIN, frequency_hz)
}

/// A table as a file: frequency in Hz, decibels.
fn csv(points: Points, column: &str) -> String {
    let mut text = format!("frequency_hz,{column}\n");
    for &(mhz, db) in points {
        let _ = writeln!(text, "{},{db}", (mhz * 1e6).round());
    }
    text
}

/// The 2 m cable as a Touchstone file, 100 kHz to 40 MHz.
fn short_cable_s2p() -> String {
    let mut text = String::from(
        "! Coaxial cable, 2 m, invented: 50 ohm, 0.045 dB/m at 10 MHz, skin effect, 0.66 of the speed of light\n\
         # Hz S RI R 50\n",
    );
    let points = 131;
    for k in 0..points {
        // Rounded first, so that the values belong to the frequency that is written.
        let f = (1e5 * 400f64.powf(f64::from(k) / f64::from(points - 1))).round();
        let (s11, s21) = short_cable(f).s_parameters(50.0);
        let _ = write!(text, "{f}");
        for s in [s11, s21, s21, s11] {
            let _ = write!(text, " {:.9} {:.9}", s.re, s.im);
        }
        text.push('\n');
    }
    text
}

const MAINS: &str = include_str!("mains-port.toml");
const FIELD: &str = include_str!("field-3m.toml");

/// Files of the `chains` folder: the two chains and the tables they name.
pub(crate) fn files(mains: &'static str, field: &'static str) -> Vec<(&'static str, String)> {
    vec![
        (mains, MAINS.to_owned()),
        ("network-factor.csv", csv(NETWORK_FACTOR, "factor_db")),
        ("limiter-loss.csv", csv(LIMITER_LOSS, "loss_db")),
        ("cable-2m.s2p", short_cable_s2p()),
        (field, FIELD.to_owned()),
        ("antenna-factor.csv", csv(ANTENNA_FACTOR, "factor_db_per_m")),
        ("preamplifier-gain.csv", csv(PREAMPLIFIER_GAIN, "gain_db")),
        ("cable-10m.csv", csv(LONG_CABLE_LOSS, "loss_db")),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Loss per metre as asked for: 2 m × 0.045 dB/m at 10 MHz, and √(30/10) times that at 30 MHz; the dielectric adds
    /// 27.3·tan δ/λ dB/m (textbook), here under 0.002 dB.
    #[test]
    fn the_short_cable_loses_what_its_formula_says() {
        for (f, expected) in [(10e6, 0.09), (30e6, 0.09 * 3f64.sqrt())] {
            let (s11, s21) = short_cable(f).s_parameters(50.0);
            let loss = -20.0 * s21.norm().log10();
            assert!((loss - expected).abs() < 0.004, "{f} Hz: {loss} dB");
            assert!(s11.norm() < 0.02, "nearly matched");
            assert!(s11.norm_sqr() + s21.norm_sqr() < 1.0, "passive");
        }
    }

    #[test]
    fn the_mains_chain_is_a_little_over_ten_decibels() {
        for f in [150e3, 400e3, 5e6, 30e6] {
            assert!((10.0..10.9).contains(&mains_correction_db(f)), "{f} Hz");
        }
    }
}
