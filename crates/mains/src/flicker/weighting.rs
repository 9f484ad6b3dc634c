//! Block 3 of IEC 61000-4-15: high pass, Butterworth low pass and the lamp-eye-brain weighting, as one linear system.
//!
//! The transfer function is split into partial fractions, one mode for each pole, and every mode is advanced by its exact
//! solution for an input that runs straight from sample to sample (ramp-invariant). There is no bilinear mapping, hence no
//! warping of frequency at any rate; the straight line's own roll-off, sinc squared, is undone beforehand by
//! [`super::decimate::Compensator`].

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;

use super::Lamp;
use crate::record::Mains;

/// Constants of the weighting filter, all but `k` in rad/s.
struct Eye {
    k: f64,
    lambda: f64,
    w1: f64,
    w2: f64,
    w3: f64,
    w4: f64,
}

/// Values of IEC 61000-4-15 for the 60 W coiled-coil lamp at 230 V and at 120 V.
fn eye(lamp: Lamp) -> Eye {
    let (k, lambda, w1, w2, w3, w4) = match lamp {
        Lamp::V230 => (1.74802, 4.05981, 9.15494, 2.27979, 1.22535, 21.9),
        Lamp::V120 => (1.6357, 4.167375, 9.077169, 2.939902, 1.394468, 17.31512),
    };
    Eye { k, lambda: TAU * lambda, w1: TAU * w1, w2: TAU * w2, w3: TAU * w3, w4: TAU * w4 }
}

const HIGH_PASS: f64 = TAU * 0.05;
/// Time constant of block 4, s.
pub(crate) const SMOOTHING_S: f64 = 0.3;

fn corner(mains: Mains) -> f64 {
    TAU * match mains {
        Mains::Hz50 => 35.0,
        Mains::Hz60 => 42.0,
    }
}

/// Poles with a positive or zero imaginary part; those with a positive one stand for a conjugate pair.
fn poles(mains: Mains, lamp: Lamp) -> Vec<Complex64> {
    let e = eye(lamp);
    let wc = corner(mains);
    let mut p = vec![
        Complex64::new(-HIGH_PASS, 0.0),
        Complex64::new(-e.w3, 0.0),
        Complex64::new(-e.w4, 0.0),
        Complex64::new(-e.lambda, (e.w1 * e.w1 - e.lambda * e.lambda).sqrt()),
    ];
    p.extend((0..3).map(|k| Complex64::from_polar(wc, PI * f64::from(2 * k + 7) / 12.0)));
    p
}

fn numerator(s: Complex64, mains: Mains, lamp: Lamp) -> Complex64 {
    let e = eye(lamp);
    s * s * (1.0 + s / e.w2) * e.k * e.w1 * corner(mains).powi(6) * e.w3 * e.w4
}

/// The response of block 3 in the continuous world, from the relative square of the voltage to the input of block 4.
pub fn block_3_response(frequency_hz: f64, mains: Mains, lamp: Lamp) -> Complex64 {
    let s = Complex64::new(0.0, TAU * frequency_hz);
    let mut below = Complex64::new(1.0, 0.0);
    for p in poles(mains, lamp) {
        below *= s - p;
        if p.im > 0.0 {
            below *= s - p.conj();
        }
    }
    numerator(s, mains, lamp) / below
}

/// What the output of block 4 is multiplied with: a sinusoidal modulation at 8.8 Hz of 0.250 % (230 V lamp) or 0.321 %
/// (120 V lamp) reaches a highest instantaneous sensation of exactly 1.
pub fn sensation_scale(mains: Mains, lamp: Lamp) -> f64 {
    let d = match lamp {
        Lamp::V230 => 0.00250,
        Lamp::V120 => 0.00321,
    };
    let amplitude = d * block_3_response(8.8, mains, lamp).norm();
    let ripple = 1.0 / (1.0 + (2.0 * TAU * 8.8 * SMOOTHING_S).powi(2)).sqrt();
    2.0 / (amplitude * amplitude * (1.0 + ripple))
}

/// Weights of the last and the present sample for a mode with pole `p` and step `h`.
fn ramp_weights(p: Complex64, h: f64) -> (Complex64, Complex64, Complex64) {
    let z = p * h;
    // (e^z - 1)/z and (e^z - 1 - z)/z^2, by their series where the difference would lose digits.
    let (e1, e2) = if z.norm() < 0.5 {
        let (mut one, mut two) = (Complex64::ZERO, Complex64::ZERO);
        let (mut t1, mut t2) = (Complex64::new(1.0, 0.0), Complex64::new(0.5, 0.0));
        for k in 0..24 {
            one += t1;
            two += t2;
            t1 *= z / f64::from(k + 2);
            t2 *= z / f64::from(k + 3);
        }
        (one, two)
    } else {
        ((z.exp() - 1.0) / z, (z.exp() - 1.0 - z) / (z * z))
    };
    (1.0 + z * e1, h * (e1 - e2), h * e2)
}

#[derive(Debug, Clone)]
struct Mode {
    decay: Complex64,
    before: Complex64,
    now: Complex64,
    /// Residue; doubled for a conjugate pair, of which only the real part is taken.
    residue: Complex64,
    state: Complex64,
}

/// Block 3 at a given sample rate.
#[derive(Debug, Clone)]
pub(crate) struct Weighting {
    modes: Vec<Mode>,
    last: f64,
}

impl Weighting {
    pub(crate) fn new(rate_hz: f64, mains: Mains, lamp: Lamp) -> Self {
        let list = poles(mains, lamp);
        let all: Vec<Complex64> =
            list.iter().flat_map(|p| if p.im > 0.0 { vec![*p, p.conj()] } else { vec![*p] }).collect();
        let modes = list
            .iter()
            .map(|p| {
                let others: Complex64 = all.iter().filter(|q| *q != p).map(|q| p - q).product();
                let residue = numerator(*p, mains, lamp) / others * if p.im > 0.0 { 2.0 } else { 1.0 };
                let (decay, before, now) = ramp_weights(*p, 1.0 / rate_hz);
                Mode { decay, before, now, residue, state: Complex64::ZERO }
            })
            .collect();
        Self { modes, last: 0.0 }
    }

    /// Adds to the state what a component that has always been there has left by the sample before the first:
    /// `amplitude * cos(omega * n + phase)` with `n = 0` at that sample. `omega = 0` is a constant.
    pub(crate) fn settle(&mut self, amplitude: f64, omega: f64, phase: f64) {
        let z = Complex64::from_polar(1.0, omega);
        let a = Complex64::from_polar(amplitude, phase);
        for m in &mut self.modes {
            let up = (m.before + m.now * z) / (z - m.decay);
            let down = (m.before + m.now * z.conj()) / (z.conj() - m.decay);
            m.state += (up * a + down * a.conj()) * 0.5;
        }
        self.last += a.re;
    }

    pub(crate) fn push(&mut self, v: f64) -> f64 {
        let mut y = 0.0;
        for m in &mut self.modes {
            m.state = m.decay * m.state + m.before * self.last + m.now * v;
            y += m.residue.re * m.state.re - m.residue.im * m.state.im;
        }
        self.last = v;
        y
    }
}

/// Block 4: square, first-order low pass with 300 ms, exact for a straight line between samples.
#[derive(Debug, Clone)]
pub(crate) struct Sensation {
    decay: f64,
    before: f64,
    now: f64,
    scale: f64,
    last: f64,
    state: f64,
}

impl Sensation {
    pub(crate) fn new(rate_hz: f64, mains: Mains, lamp: Lamp) -> Self {
        let p = Complex64::new(-1.0 / SMOOTHING_S, 0.0);
        let (decay, before, now) = ramp_weights(p, 1.0 / rate_hz);
        Self {
            decay: decay.re,
            before: before.re / SMOOTHING_S,
            now: now.re / SMOOTHING_S,
            scale: sensation_scale(mains, lamp),
            last: 0.0,
            state: 0.0,
        }
    }

    pub(crate) fn push(&mut self, y: f64) -> f64 {
        let square = y * y;
        self.state = self.decay * self.state + self.before * self.last + self.now * square;
        self.last = square;
        self.state * self.scale
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From an independent numerical model of the same formulas: gain at 8.8 Hz and scale for the maximum.
    #[test]
    fn gain_and_scale_at_the_reference_frequency() {
        for (lamp, gain, scale) in [(Lamp::V230, 1.00170, 309_588.5), (Lamp::V120, 0.78260, 307_642.2)] {
            let g = block_3_response(8.8, Mains::Hz50, lamp).norm();
            assert!((g - gain).abs() < 1e-5, "{g}");
            let k = sensation_scale(Mains::Hz50, lamp);
            assert!((k / scale - 1.0).abs() < 3e-6, "{k}");
        }
    }

    /// The discrete filter answers a steady sine as the continuous one does, at every rate it is used with.
    #[test]
    fn no_warping_of_frequency() {
        for rate_hz in [1999.0, 2000.0, 3333.3] {
            for f in [0.5, 1.0, 8.8, 20.0, 33.3, 42.0] {
                for (mains, lamp) in [(Mains::Hz50, Lamp::V230), (Mains::Hz60, Lamp::V120)] {
                    let mut w = Weighting::new(rate_hz, mains, lamp);
                    let omega = TAU * f / rate_hz;
                    // A straight line between samples passes sinc^2 of a tone.
                    let x = omega / 2.0;
                    let line = (x.sin() / x).powi(2);
                    w.settle(1.0, omega, 0.0);
                    let wanted = block_3_response(f, mains, lamp) * line;
                    for n in 1..2000 {
                        let y = w.push((omega * f64::from(n)).cos());
                        let exact = (wanted * Complex64::from_polar(1.0, omega * f64::from(n))).re;
                        assert!((y - exact).abs() < 1e-10 + 1e-9 * wanted.norm(), "{rate_hz} {f} {n}: {y} {exact}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_constant_leaves_nothing() {
        let mut w = Weighting::new(2000.0, Mains::Hz50, Lamp::V230);
        w.settle(1.0, 0.0, 0.0);
        let most = (0..20_000).map(|_| w.push(1.0).abs()).fold(0.0, f64::max);
        assert!(most < 1e-9, "{most}");
    }
}
