use std::f64::consts::SQRT_2;
use std::sync::Arc;

use num_complex::Complex64;
use rustfft::{Fft, FftPlanner};

use super::HIGHEST_ORDER;

/// Spectrum of a window: r.m.s. pointers of voltage and current, 5 Hz apart (bin k = k / (length of the window)).
#[derive(Debug, Clone)]
pub(crate) struct Lines {
    pub(crate) voltage: Vec<Complex64>,
    pub(crate) current: Vec<Complex64>,
}

/// Transforms windows of two channels at once: one complex transform with the voltage as real and the current as
/// imaginary part.
pub(crate) struct Transform {
    fft: Arc<dyn Fft<f64>>,
    scratch: Vec<Complex64>,
    bins: usize,
}

impl std::fmt::Debug for Transform {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Transform").field("length", &self.fft.len()).finish_non_exhaustive()
    }
}

impl Transform {
    pub(crate) fn new(length: usize, cycles: usize) -> Self {
        let fft = FftPlanner::new().plan_fft_forward(length);
        let scratch = vec![Complex64::ZERO; fft.get_inplace_scratch_len()];
        Self { fft, scratch, bins: cycles * (HIGHEST_ORDER + 1) }
    }

    /// The spectrum of `window` (voltage + j·current), which is overwritten.
    pub(crate) fn lines(&mut self, window: &mut [Complex64], out: &mut Lines) {
        let n = window.len();
        self.fft.process_with_scratch(window, &mut self.scratch);
        let scale = SQRT_2 / n as f64;
        out.voltage.clear();
        out.current.clear();
        for k in 0..=self.bins {
            let (a, b) = (window[k], window[(n - k) % n].conj());
            let s = if k == 0 { 0.5 / n as f64 } else { 0.5 * scale };
            out.voltage.push((a + b) * s);
            out.current.push((a - b) * Complex64::new(0.0, -s));
        }
    }
}

/// R.m.s. of the harmonic group of order `h`: the bins half-way to the neighbours, the edge ones with half their power
/// (IEC 61000-4-7:2002, 5.5.1).
pub(crate) fn group(lines: &[Complex64], cycles: usize, h: usize) -> f64 {
    let (c, half) = (cycles * h, cycles / 2);
    let inner: f64 = lines[c + 1 - half..c + half].iter().map(Complex64::norm_sqr).sum();
    (inner + 0.5 * (lines[c - half].norm_sqr() + lines[c + half].norm_sqr())).sqrt()
}

/// R.m.s. of the harmonic sub-group: the bin and its two neighbours.
pub(crate) fn subgroup(lines: &[Complex64], cycles: usize, h: usize) -> f64 {
    let c = cycles * h;
    lines[c - 1..=c + 1].iter().map(Complex64::norm_sqr).sum::<f64>().sqrt()
}

/// R.m.s. of the interharmonic group between orders `h` and `h` + 1.
pub(crate) fn interharmonic_group(lines: &[Complex64], cycles: usize, h: usize) -> f64 {
    let c = cycles * h;
    lines[c + 1..c + cycles].iter().map(Complex64::norm_sqr).sum::<f64>().sqrt()
}

/// R.m.s. of the interharmonic centred sub-group between orders `h` and `h` + 1.
pub(crate) fn interharmonic_subgroup(lines: &[Complex64], cycles: usize, h: usize) -> f64 {
    let c = cycles * h;
    lines[c + 2..c + cycles - 1].iter().map(Complex64::norm_sqr).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    fn lines_of(parts: &[(f64, f64)]) -> Lines {
        let n = 1024;
        let mut window: Vec<Complex64> = (0..n)
            .map(|j| {
                let t = 0.2 * j as f64 / n as f64;
                let i: f64 = parts.iter().map(|(f, a)| a * SQRT_2 * (TAU * f * t + f).sin()).sum();
                Complex64::new((TAU * 50.0 * t).cos(), i)
            })
            .collect();
        let mut lines = Lines { voltage: Vec::new(), current: Vec::new() };
        Transform::new(n, 10).lines(&mut window, &mut lines);
        lines
    }

    // Groups follow from the formulas of IEC 61000-4-7: sums of squares of the components as listed.
    #[test]
    fn groups_of_known_lines() {
        let l = lines_of(&[(50.0, 5.0), (150.0, 1.0), (155.0, 0.1), (165.0, 0.2), (175.0, 0.3)]);
        let i = &l.current;
        let near = |x: f64, y: f64| assert!((x - y).abs() < 1e-9, "{x} is not {y}");
        near(l.voltage[10].norm(), 0.5_f64.sqrt());
        near(i[10].norm(), 5.0);
        near(i[30].norm(), 1.0);
        near(subgroup(i, 10, 3), 1.01_f64.sqrt());
        near(group(i, 10, 3), 1.095_f64.sqrt());
        near(group(i, 10, 4), 0.045_f64.sqrt());
        near(interharmonic_group(i, 10, 3), 0.14_f64.sqrt());
        near(interharmonic_subgroup(i, 10, 3), 0.13_f64.sqrt());
    }
}
