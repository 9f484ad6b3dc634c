//! The waveforms of the immunity standards as formulas of time.
//!
//! All take seconds from the start of the pulse and give 0 before it. Constants are those of the standards' annexes as
//! remembered; their computed parameters (peak, front, duration) were checked against the nominal ones, see the tests.

use std::f64::consts::PI;

/// One term of the family that the immunity standards use: `a/k · x/(1+x) · exp(-t/tau2)`, `x = (t/tau1)^n`, with `k` such
/// that the peak is about `a`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heidler {
    /// Amplitude, in the unit of the result.
    pub amplitude: f64,
    /// Time constant of the front, s.
    pub tau1_s: f64,
    /// Steepness exponent.
    pub n: f64,
    /// Time constant of the tail, s.
    pub tau2_s: f64,
}

impl Heidler {
    /// The factor that brings the peak close to the amplitude: `exp(-(tau1/tau2) (n tau2/tau1)^(1/n))`.
    pub fn correction(&self) -> f64 {
        let r = self.tau1_s / self.tau2_s;
        (-r * (self.n / r).powf(1.0 / self.n)).exp()
    }

    /// Value at `t_s` seconds after the start.
    pub fn at(&self, t_s: f64) -> f64 {
        if t_s <= 0.0 {
            return 0.0;
        }
        let x = (t_s / self.tau1_s).powf(self.n);
        self.amplitude / self.correction() * x / (1.0 + x) * (-t_s / self.tau2_s).exp()
    }
}

/// `a (1 - exp(-t/tau1)) exp(-t/tau2)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoubleExponential {
    /// Amplitude factor (above the peak).
    pub amplitude: f64,
    /// Time constant of the front, s.
    pub tau1_s: f64,
    /// Time constant of the tail, s.
    pub tau2_s: f64,
}

impl DoubleExponential {
    /// Value at `t_s` seconds after the start.
    pub fn at(&self, t_s: f64) -> f64 {
        if t_s <= 0.0 { 0.0 } else { self.amplitude * -(-t_s / self.tau1_s).exp_m1() * (-t_s / self.tau2_s).exp() }
    }
}

/// The two terms of the contact-discharge current for a charging voltage in kV (IEC 61000-4-2, formula of the annex).
pub fn esd_terms(level_kv: f64) -> [Heidler; 2] {
    let s = level_kv / 4.0;
    [
        Heidler { amplitude: 16.6 * s, tau1_s: 1.1e-9, n: 1.8, tau2_s: 2e-9 },
        Heidler { amplitude: 9.3 * s, tau1_s: 12e-9, n: 1.8, tau2_s: 37e-9 },
    ]
}

/// Contact-discharge current, A, for a charging voltage in kV.
pub fn esd_current_a(level_kv: f64, t_s: f64) -> f64 {
    esd_terms(level_kv).iter().map(|h| h.at(t_s)).sum()
}

/// Burst pulse of peak 1 into 50 ohm (IEC 61000-4-4, 5/50 ns).
pub fn burst_pulse(t_s: f64) -> f64 {
    Heidler { amplitude: 0.92, tau1_s: 3.5e-9, n: 1.8, tau2_s: 51e-9 }.at(t_s)
}

/// Surge voltage of peak 1 (IEC 61000-4-5 edition 3, 1.2/50 µs).
pub fn surge_voltage(t_s: f64) -> f64 {
    Heidler { amplitude: 0.94, tau1_s: 0.356e-6, n: 1.852, tau2_s: 65.845e-6 }.at(t_s)
}

/// Surge current of peak 1 (IEC 61000-4-5 edition 3, 8/20 µs). It has no undershoot; the current of a real generator has.
pub fn surge_current(t_s: f64) -> f64 {
    Heidler { amplitude: 0.939, tau1_s: 47.52e-6, n: 2.741, tau2_s: 4.296e-6 }.at(t_s)
}

/// Ring wave of peak 1 (0.5 µs, 100 kHz; the form of IEEE C62.41.2).
pub fn ring_wave(t_s: f64) -> f64 {
    if t_s <= 0.0 {
        return 0.0;
    }
    1.590 * -(-t_s / 0.533e-6).exp_m1() * (-t_s / 9.788e-6).exp() * (2.0 * PI * 1e5 * t_s).cos()
}
