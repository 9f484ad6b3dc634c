//! What stood before the first sample.
//!
//! A flickermeter that meets a record with empty filters answers the record's beginning with a false change of the whole
//! voltage. Here the filters start in the state that a plausible past would have left: the ripple of the square (twice the
//! mains frequency and its multiples) as if it had always been there, and the slow part of the square as the record's own
//! first seconds run backwards. An event within about half a second of the beginning is thereby seen as a pulse instead
//! of a step.

use std::f64::consts::TAU;

use num_complex::Complex64;

use super::weighting::{Sensation, Weighting};

/// The beginning that is run backwards, s.
pub(crate) const PAST_S: f64 = 20.0;
/// Least beginning from which a past can be made, s.
pub(crate) const LEAST_S: f64 = 0.25;

/// Hann weights over `n` samples, of sum 1.
fn hann(n: usize) -> Vec<f64> {
    let w: Vec<f64> = (0..n).map(|k| (TAU * (k as f64 + 0.5) / n as f64 / 2.0).sin().powi(2)).collect();
    let sum: f64 = w.iter().sum();
    w.iter().map(|x| x / sum).collect()
}

/// Weighted complex amplitude at `omega` (rad per sample) of `v`, with phase 0 at sample 0 of `v`.
fn tone(v: &[f64], from: usize, weights: &[f64], omega: f64) -> Complex64 {
    weights
        .iter()
        .enumerate()
        .map(|(k, w)| Complex64::from_polar(2.0 * w * v[from + k], -omega * (from + k) as f64))
        .sum()
}

/// Brings the filters into the state that the past of `beginning` would have left. Gives the mean of the beginning.
pub(crate) fn settle(
    beginning: &[f64],
    rate_hz: f64,
    nominal_hz: f64,
    weighting: &mut Weighting,
    sensation: &mut Sensation,
) {
    let short = hann((4.0 / (2.0 * nominal_hz) * rate_hz).round() as usize);
    if beginning.len() < short.len() + 2 {
        let mean = beginning.iter().sum::<f64>() / beginning.len().max(1) as f64;
        weighting.settle(mean, 0.0, 0.0);
        return;
    }
    // Slow part at every tenth of a window, from its centre on; straight lines between.
    let half = short.len() / 2;
    let step = (short.len() / 16).max(1);
    let knots: Vec<f64> = (0..=(beginning.len() - short.len()) / step)
        .map(|k| short.iter().zip(&beginning[k * step..]).map(|(w, v)| w * v).sum())
        .collect();
    let slow = |n: usize| {
        let place = (n.saturating_sub(half)) as f64 / step as f64;
        let low = (place as usize).min(knots.len() - 1);
        let high = (low + 1).min(knots.len() - 1);
        knots[low] + (knots[high] - knots[low]) * (place - low as f64).min(1.0)
    };
    let last = beginning.len() - 1;
    let first_second = (rate_hz as usize).min(beginning.len());
    let far: f64 = (0..first_second).map(|k| slow(last - k)).sum::<f64>() / first_second as f64;
    weighting.settle(far, 0.0, 0.0);
    for n in (0..=last).rev() {
        let y = weighting.push(slow(n));
        sensation.push(y);
    }
    for (amplitude, omega, phase) in ripple(beginning, rate_hz, nominal_hz, slow) {
        // `settle` counts from the sample before the first.
        weighting.settle(amplitude, omega, phase - omega);
    }
}

/// The ripple of the square at the beginning: amplitude, frequency in rad per sample, phase at the first sample.
fn ripple(beginning: &[f64], rate_hz: f64, nominal_hz: f64, slow: impl Fn(usize) -> f64) -> Vec<(f64, f64, f64)> {
    let cycles = 10.0;
    let n = ((cycles / (2.0 * nominal_hz) * rate_hz).round() as usize).min(beginning.len() / 2);
    let rest: Vec<f64> = beginning[..2 * n].iter().enumerate().map(|(k, v)| v - slow(k)).collect();
    let weights = hann(n);
    let nominal = TAU * 2.0 * nominal_hz / rate_hz;
    let turned = tone(&rest, n, &weights, nominal) * tone(&rest, 0, &weights, nominal).conj();
    if turned.norm() < 1e-12 {
        return Vec::new();
    }
    let omega = nominal + turned.arg() / n as f64;
    let weights = hann(2 * n);
    (1..=10)
        .map(|k| f64::from(k) * omega)
        .filter(|w| *w < 0.9 * std::f64::consts::PI)
        .map(|w| {
            let a = tone(&rest, 0, &weights, w);
            (a.norm(), w, a.arg())
        })
        .collect()
}
