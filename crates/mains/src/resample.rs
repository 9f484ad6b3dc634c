//! Values between samples: a Kaiser-windowed low-pass kernel, tabulated at finely spaced phases and interpolated between
//! them. One kernel both reconstructs and, where the output is slower than the input, keeps what would fold out.

use std::f64::consts::TAU;

use num_complex::Complex64;
use signal::KaiserLowPass;

/// Attenuation of what the kernel must reject, dB.
const REJECTION_DB: f64 = 100.0;

/// Interpolates a uniformly sampled signal at any time.
#[derive(Debug)]
pub(crate) struct Interpolator {
    /// `phases + 1` rows of `taps` weights.
    table: Vec<f64>,
    taps: usize,
    phases: usize,
}

impl Interpolator {
    /// Frequencies as shares of the input rate: flat to `pass`, rejecting from `stop`.
    pub(crate) fn new(pass: f64, stop: f64) -> Self {
        let kernel = KaiserLowPass::new(pass, stop, REJECTION_DB);
        let taps = ((2.0 * kernel.half_length()).ceil() as usize).max(4).next_multiple_of(4);
        // Straight lines between rows err by (θ/phases)²/8 at the highest frequency of the pass band, θ = 2π·pass.
        let phases = ((TAU * pass / 0.004).ceil() as usize).next_power_of_two().max(8);
        let half = taps as f64 / 2.0;
        let mut table = Vec::with_capacity((phases + 1) * taps);
        for p in 0..=phases {
            let offset = p as f64 / phases as f64;
            let from = table.len();
            // Tap k stands at frame base − taps/2 + 1 + k; the value is wanted at base + offset.
            table.extend((0..taps).map(|k| kernel.at(k as f64 + 1.0 - half - offset)));
            let sum: f64 = table[from..].iter().sum();
            table[from..].iter_mut().for_each(|w| *w /= sum);
        }
        Self { table, taps, phases }
    }

    /// Frames needed before the frame at or before the wanted time.
    pub(crate) fn before(&self) -> usize {
        self.taps / 2 - 1
    }

    /// Frames needed after it.
    pub(crate) fn after(&self) -> usize {
        self.taps / 2
    }

    /// Weights for a place `offset` (0…1) after a frame, into `weights`.
    #[inline]
    pub(crate) fn weights(&self, offset: f64, weights: &mut [f64]) {
        let x = offset * self.phases as f64;
        let row = (x as usize).min(self.phases - 1);
        let part = x - row as f64;
        let rows = &self.table[row * self.taps..(row + 2) * self.taps];
        let (a, b) = rows.split_at(self.taps);
        for ((w, a), b) in weights.iter_mut().zip(a).zip(b) {
            *w = a + part * (b - a);
        }
    }

    /// Number of weights.
    pub(crate) fn taps(&self) -> usize {
        self.taps
    }

    /// Largest relative error over frequencies up to `to` (share of the input rate), computed by interpolating turning
    /// pointers at places all through the table.
    pub(crate) fn worst_error(&self, to: f64) -> f64 {
        let mut weights = vec![0.0; self.taps];
        let mut worst: f64 = 0.0;
        for step in 0..67 {
            let offset = (f64::from(step) * 0.618_033_988_75).fract();
            self.weights(offset, &mut weights);
            for n in 0..=40 {
                let turn = TAU * to * f64::from(n) / 40.0;
                let got: Complex64 = weights
                    .iter()
                    .enumerate()
                    .map(|(k, w)| w * Complex64::from_polar(1.0, turn * (k as f64 - self.before() as f64 - offset)))
                    .sum();
                worst = worst.max((got - 1.0).norm());
            }
        }
        worst
    }
}

/// Dot product in four independent sums, so that it runs on vector units.
#[inline]
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sum = [0.0; 4];
    for (x, y) in a.chunks_exact(4).zip(b.chunks_exact(4)) {
        for j in 0..4 {
            sum[j] += x[j] * y[j];
        }
    }
    (sum[0] + sum[2]) + (sum[1] + sum[3])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn error_stays_below_three_hundred_thousandths() {
        for (pass, stop) in [(0.4915, 0.508), (0.1, 0.89), (0.4, 0.6), (0.009, 0.03), (0.2, 0.5)] {
            let i = Interpolator::new(pass, stop);
            let worst = i.worst_error(pass);
            assert!(worst < 3e-5, "{pass} {stop}: {worst}");
        }
    }
}
