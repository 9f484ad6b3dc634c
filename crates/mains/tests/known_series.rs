//! The analyser against waves whose Fourier series are known in closed form (standard results of Fourier analysis; the
//! formulas stand beside each wave), band-limited to below half the sampling rate as an anti-alias filter would.

use std::f64::consts::{PI, SQRT_2, TAU};

use mains::MainsError;
use mains::harmonics::{Analyser, Measured, Settings};
use mains::record::{ChannelUse, Consumer, Mains, MainsBlock, RecordSetup};

/// One order: amplitude (peak) of sine and cosine.
type Series = Vec<(f64, f64)>;

fn square() -> Series {
    (0..=60).map(|n| if n % 2 == 1 { (4.0 / (PI * f64::from(n)), 0.0) } else { (0.0, 0.0) }).collect()
}

/// 120° blocks: I_n = (4/(πn))·|cos(nπ/6)|.
fn six_pulse() -> Series {
    (0..=60_i32)
        .map(|n| {
            if n % 2 == 0 {
                return (0.0, 0.0);
            }
            let x = f64::from(n);
            (4.0 / (PI * x) * (x * PI / 6.0).cos(), 0.0)
        })
        .collect()
}

/// Resistor behind a phase control, firing angle `a`: the integrals of sin θ over [a, π] of each half cycle.
fn phase_cut(a: f64) -> Series {
    (0..=60_i32)
        .map(|n| {
            let x = f64::from(n);
            match n {
                1 => (((2.0 * a).sin() + 2.0 * (PI - a)) / TAU, ((2.0 * a).cos() - 1.0) / TAU),
                n if n % 2 == 1 => {
                    let (p, m) = (x + 1.0, x - 1.0);
                    (
                        ((p * a).sin() / p - (m * a).sin() / m) / PI,
                        (((p * a).cos() - 1.0) / p - ((m * a).cos() - 1.0) / m) / PI,
                    )
                }
                _ => (0.0, 0.0),
            }
        })
        .collect()
}

/// Half-cosine pulses of half-width `g` at the voltage peak: I_n = (4a/π)·cos(ng)/(a² − n²), a = π/2g.
fn capacitor_input(g: f64) -> Series {
    let a = PI / (2.0 * g);
    (0..=60_i32)
        .map(|n| {
            if n % 2 == 0 {
                return (0.0, 0.0);
            }
            let x = f64::from(n);
            // Centred on the crest: cos(n(φ − π/2)) = ± sin nφ for odd n.
            let sign = if n % 4 == 1 { 1.0 } else { -1.0 };
            let value =
                if (a - x).abs() < 1e-9 { 2.0 * g / PI } else { 4.0 * a / PI * (x * g).cos() / (a * a - x * x) };
            (sign * value, 0.0)
        })
        .collect()
}

/// Deterministic noise of unit r.m.s. (sum of uniform numbers).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut sum = 0.0;
        for _ in 0..3 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (self.0 >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
        }
        sum * 2.0
    }
}

struct Case {
    rate_hz: f64,
    mains: Mains,
    frequency_hz: f64,
    drift_hz_per_s: f64,
    noise: f64,
    late_s: f64,
    correct: bool,
    seconds: f64,
}

impl Case {
    fn new(rate_hz: f64, mains: Mains, frequency_hz: f64) -> Self {
        Self { rate_hz, mains, frequency_hz, drift_hz_per_s: 0.0, noise: 0.0, late_s: 0.0, correct: true, seconds: 1.0 }
    }

    fn measure(&self, current: &Series, with_voltage: bool) -> Result<Measured, MainsError> {
        let n = (self.rate_hz * self.seconds) as usize;
        let phase = |t: f64| TAU * (self.frequency_hz * t + 0.5 * self.drift_hz_per_s * t * t) + 1.3;
        let mut noise = Noise(7);
        let orders = ((0.49 * self.rate_hz / (self.frequency_hz + 0.5)) as usize).min(current.len() - 1);
        let at = |p: f64| -> f64 {
            // Clenshaw would do; the recurrence of the pointer is exact enough over 60 orders.
            let (s, c) = p.sin_cos();
            let (mut x, mut y) = (1.0, 0.0);
            let mut sum = 0.0;
            for (a, b) in &current[..=orders] {
                sum += a * y + b * x;
                (x, y) = (x * c - y * s, x * s + y * c);
            }
            sum
        };
        let voltage_v: Vec<f64> = (0..n)
            .map(|k| {
                let p = phase(k as f64 / self.rate_hz);
                325.27 * (p.sin() + 0.01 * (3.0 * p).sin() + 0.02 * (5.0 * p + 1.0).sin() + self.noise * noise.next())
            })
            .collect();
        let current_a: Vec<f64> =
            (0..n).map(|k| at(phase(k as f64 / self.rate_hz - self.late_s)) + self.noise * noise.next()).collect();
        let channel = |index| Some(ChannelUse { index, units_per_count: 1.0 });
        let record = RecordSetup {
            rate_hz: self.rate_hz,
            mains: self.mains,
            voltage: with_voltage.then(|| channel(0)).flatten(),
            current: channel(1),
            current_late_s: if self.correct { self.late_s } else { 0.0 },
            full_scale_counts: None,
        };
        let mut analyser = Analyser::new(Settings { record, ignore_first_s: 0.0, wave_shape: false })?;
        for (k, part) in current_a.chunks(30_011).enumerate() {
            let from = k * 30_011;
            analyser.take(&MainsBlock {
                first_frame: from as u64,
                voltage_v: if with_voltage { &voltage_v[from..from + part.len()] } else { &[] },
                current_a: part,
            })?;
        }
        analyser.finish()
    }

    /// Largest error of any order's mean, % of the fundamental; every window is looked at too.
    fn worst_percent(&self, current: &Series, with_voltage: bool) -> f64 {
        let m = self.measure(current, with_voltage).unwrap();
        assert!(m.windows >= 3, "{} windows", m.windows);
        let fundamental = current[1].0.hypot(current[1].1) / SQRT_2;
        let mut worst: f64 = 0.0;
        for h in 1..=40 {
            let truth = current[h].0.hypot(current[h].1) / SQRT_2;
            // The noise is part of the current: a bin holds 2/n of its power, a group as many bins as cycles.
            let bins = if h == 1 { 1.0 } else { self.mains.cycles_per_window() as f64 };
            let of_noise = self.noise * (2.0 * bins / (0.2 * self.rate_hz)).sqrt();
            let truth = truth.hypot(of_noise);
            let mean = m.series.group_a.iter().map(|g| g[h]).sum::<f64>() / m.windows as f64;
            worst = worst.max((mean - truth).abs() / fundamental * 100.0);
            for g in &m.series.group_a {
                // A single window carries the noise of one window.
                let allowed = 0.02 + 400.0 * of_noise / fundamental;
                assert!((g[h] - truth).abs() / fundamental * 100.0 < allowed, "order {h}: {} is not {truth}", g[h]);
            }
        }
        worst
    }
}

fn waves() -> Vec<(&'static str, Series)> {
    vec![
        ("square", square()),
        ("six-pulse", six_pulse()),
        ("phase cut at 60°", phase_cut(PI / 3.0)),
        ("phase cut at 120°", phase_cut(2.0 * PI / 3.0)),
        ("capacitor input, 40°", capacitor_input(20_f64.to_radians())),
    ]
}

#[test]
fn every_order_within_two_hundredths_of_a_percent_of_the_fundamental() {
    let mut worst_of_all: f64 = 0.0;
    for (name, series) in waves() {
        for rate_hz in [5_000.0, 10_000.0, 20_000.0, 50_000.0] {
            for frequency_hz in [49.5, 50.07, 50.5] {
                for voltage in [true, false] {
                    let worst = Case::new(rate_hz, Mains::Hz50, frequency_hz).worst_percent(&series, voltage);
                    assert!(worst < 0.02, "{name} at {rate_hz} S/s, {frequency_hz} Hz: {worst} %");
                    worst_of_all = worst_of_all.max(worst);
                }
            }
        }
        for (rate_hz, frequency_hz) in [(5_000.0, 59.4), (5_000.0, 60.6), (44_100.0, 60.02)] {
            let worst = Case::new(rate_hz, Mains::Hz60, frequency_hz).worst_percent(&series, true);
            assert!(worst < 0.02, "{name} at {rate_hz} S/s, {frequency_hz} Hz: {worst} %");
            worst_of_all = worst_of_all.max(worst);
        }
    }
    println!("worst order: {worst_of_all:.5} % of the fundamental");
}

#[test]
fn a_megasample_a_second() {
    for (name, series) in waves().split_off(3) {
        let worst = Case::new(1e6, Mains::Hz50, 49.83).worst_percent(&series, true);
        println!("{name} at 1 MS/s: {worst:.5} %");
        assert!(worst < 0.02, "{name}: {worst} %");
    }
}

#[test]
fn drift_noise_and_skew() {
    for (name, series) in waves() {
        for rate_hz in [5_000.0, 20_000.0] {
            let base = || Case::new(rate_hz, Mains::Hz50, 49.6);
            let drift = Case { drift_hz_per_s: 0.2, seconds: 4.0, ..base() }.worst_percent(&series, true);
            let noise = Case { noise: 5e-4, seconds: 4.0, ..base() }.worst_percent(&series, true);
            let skew = Case { late_s: 137e-6, ..base() }.worst_percent(&series, true);
            println!("{name} at {rate_hz} S/s: drift {drift:.5}, noise {noise:.5}, skew {skew:.5} %");
            assert!(drift < 0.02 && noise < 0.02 && skew < 0.02, "{name}: {drift} {noise} {skew}");
        }
    }
}

#[test]
fn the_corrected_skew_gives_the_right_power() {
    // P = U₁·I₁·cos 0: the fundamental of the square wave is in phase with the voltage; its harmonics meet 1 % of third
    // order in phase and 2 % of fifth with 1 rad between.
    let series = square();
    let truth = 325.27 / 2.0 * (4.0 / PI) * (1.0 + 0.01 / 3.0 + 0.02 / 5.0 * 1_f64.cos());
    let case = Case { late_s: 137e-6, ..Case::new(20_000.0, Mains::Hz50, 50.2) };
    let power = |c: &Case| {
        let m = c.measure(&series, true).unwrap();
        m.series.power_w.iter().sum::<f64>() / m.windows as f64
    };
    assert!((power(&case) / truth - 1.0).abs() < 2e-4, "{} W, not {truth}", power(&case));
    let wrong = power(&Case { correct: false, ..case });
    assert!((wrong / truth - 1.0).abs() > 5e-4, "the skew of 2.5° must show: {wrong} against {truth}");
}

#[test]
fn windows_follow_each_other_without_gaps() {
    let m = Case { seconds: 5.0, ..Case::new(20_000.0, Mains::Hz50, 50.0) }.measure(&square(), true).unwrap();
    assert_eq!(m.windows, 24);
    assert!((m.observed_s - 4.8).abs() < 1e-5, "{}", m.observed_s);
}

#[test]
fn what_cannot_be_measured_is_refused_by_name() {
    let refuse = |c: Case| c.measure(&square(), true).unwrap_err();
    assert!(matches!(refuse(Case::new(1_000.0, Mains::Hz60, 60.0)), MainsError::RateTooLow { .. }));
    let short = Case { seconds: 0.19, ..Case::new(20_000.0, Mains::Hz50, 50.0) };
    assert!(matches!(refuse(short), MainsError::TooShort { .. }));
    let other = refuse(Case::new(20_000.0, Mains::Hz50, 60.0));
    assert!(other.to_string().contains("60.00 Hz"), "{other}");
}
