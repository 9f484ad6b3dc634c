//! The spectrum of a periodic trapezoid.

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;

/// A periodic trapezoid between 0 and `swing`, with edges of different length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trapezoid {
    /// Repetition frequency, Hz.
    pub frequency_hz: f64,
    /// Difference between high and low (V or A: the coefficients have the same unit).
    pub swing: f64,
    /// Part of the period between the middles of the two edges, 0 to 1.
    pub duty: f64,
    /// Length of the rising edge, 0 to 100 %, s.
    pub rise_s: f64,
    /// Length of the falling edge, 0 to 100 %, s.
    pub fall_s: f64,
}

/// sin(πx)/(πx).
fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

impl Trapezoid {
    /// Complex amplitude (peak, not r.m.s.) of the multiple `n` ≥ 1: the waveform is the sum of Re(cₙ·e^{j2πnft}) and a
    /// constant. The rising edge begins at t = 0.
    ///
    /// The derivative of a trapezoid is a rectangle at each edge, of area ±swing, so with T = 1/f
    /// cₙ = 2·(swing/T)·[sinc(n·f·tr)·e^{−jπnf·tr} − sinc(n·f·tf)·e^{−j2πnf(tr/2 + d·T)}]/(j2πnf).
    /// For equal edges this is the textbook 2·swing·d·sinc(nd)·sinc(n·f·tr) (common practice, from memory).
    pub fn harmonic(&self, n: u32) -> Complex64 {
        let f = f64::from(n) * self.frequency_hz;
        let edge = |length_s: f64, middle_s: f64| sinc(f * length_s) * Complex64::cis(-TAU * f * middle_s);
        let rise_middle_s = self.rise_s / 2.0;
        let fall_middle_s = rise_middle_s + self.duty / self.frequency_hz;
        let step = edge(self.rise_s, rise_middle_s) - edge(self.fall_s, fall_middle_s);
        2.0 * self.swing * self.frequency_hz * step / Complex64::new(0.0, TAU * f)
    }

    /// The waveform itself at a time, for comparison with its series.
    pub fn value(&self, time_s: f64) -> f64 {
        let t = time_s.rem_euclid(1.0 / self.frequency_hz);
        let fall_starts_s = self.rise_s / 2.0 + self.duty / self.frequency_hz - self.fall_s / 2.0;
        self.swing
            * if t < self.rise_s {
                t / self.rise_s
            } else if t < fall_starts_s {
                1.0
            } else {
                (1.0 - (t - fall_starts_s) / self.fall_s).max(0.0)
            }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CONVERTER: Trapezoid =
        Trapezoid { frequency_hz: 132e3, swing: 380.0, duty: 0.485, rise_s: 45e-9, fall_s: 80e-9 };

    /// The coefficients against numerical Fourier integrals of the waveform drawn point by point.
    #[test]
    fn series_is_that_of_the_waveform() {
        let points = 200_000;
        let period_s = 1.0 / CONVERTER.frequency_hz;
        for n in [1, 2, 3, 5, 40, 153] {
            let mut integral = Complex64::ZERO;
            for k in 0..points {
                let t = (f64::from(k) + 0.5) / f64::from(points) * period_s;
                integral += CONVERTER.value(t) * Complex64::cis(-TAU * f64::from(n) * t / period_s);
            }
            let expected = integral * 2.0 / f64::from(points);
            let got = CONVERTER.harmonic(n);
            // Midpoint rule: error of the order of swing·(n·2π/points)², far below this.
            assert!((got - expected).norm() < 2e-5, "multiple {n}: {got} against {expected}");
        }
    }

    /// Equal edges: 2·A·d·|sinc(nd)|·|sinc(n·f·tr)|, the textbook spectrum of a clock (from memory).
    #[test]
    fn equal_edges_give_the_textbook_formula() {
        let clock = Trapezoid { frequency_hz: 8e6, swing: 3.3, duty: 0.46, rise_s: 4e-9, fall_s: 4e-9 };
        for n in 1..8 {
            let x = f64::from(n);
            let expected = 2.0 * 3.3 * 0.46 * sinc(x * 0.46).abs() * sinc(x * 8e6 * 4e-9).abs();
            assert!((clock.harmonic(n).norm() - expected).abs() < 1e-12);
        }
    }
}
