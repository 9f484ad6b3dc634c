//! Windows and the filters designed from them.

use std::f64::consts::PI;

/// A Gaussian window of standard deviation `sigma` samples, cut at ±`half_width` standard deviations: an odd number of
/// samples, 1 in the middle.
pub fn gaussian(sigma: f64, half_width: f64) -> Vec<f64> {
    let n = (half_width * sigma).floor().max(0.0) as i64;
    (-n..=n).map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp()).collect()
}

/// Modified Bessel function of the first kind and order zero, by its power series (all terms positive, so exact to
/// rounding).
pub fn bessel_i0(x: f64) -> f64 {
    let q = 0.25 * x * x;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * 1e-17 {
        term *= q / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

/// A low-pass kernel in continuous time (unit: samples of the input): a sinc under a Kaiser window.
///
/// Design rule: J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", 1974.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KaiserLowPass {
    half_length: f64,
    cutoff: f64,
    beta: f64,
}

impl KaiserLowPass {
    /// `pass` and `stop` in cycles per sample; ripple and stop-band attenuation `attenuation_db` (above 50).
    pub fn new(pass: f64, stop: f64, attenuation_db: f64) -> Self {
        let length = (attenuation_db - 7.95) / (14.36 * (stop - pass));
        Self { half_length: 0.5 * length.max(2.0), cutoff: 0.5 * (pass + stop), beta: 0.1102 * (attenuation_db - 8.7) }
    }

    /// Half the support, samples: the kernel is zero outside.
    pub fn half_length(&self) -> f64 {
        self.half_length
    }

    /// The kernel at time `t`, samples from its middle.
    pub fn at(&self, t: f64) -> f64 {
        let u = t / self.half_length;
        if u.abs() > 1.0 {
            return 0.0;
        }
        let x = 2.0 * self.cutoff * t;
        let sinc = if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) };
        2.0 * self.cutoff * sinc * bessel_i0(self.beta * (1.0 - u * u).max(0.0).sqrt()) / bessel_i0(self.beta)
    }
}

/// The next length at or above `n` with no prime factor above 5, even where asked: what fast transforms like.
pub fn next_fast_length(n: usize, even: bool) -> usize {
    let mut m = n.max(2);
    loop {
        if !(even && m % 2 == 1) {
            let mut r = m;
            for p in [2_usize, 3, 5] {
                while r.is_multiple_of(p) {
                    r /= p;
                }
            }
            if r == 1 {
                return m;
            }
        }
        m += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bessel_matches_tables() {
        // Abramowitz & Stegun, table 9.8: I0(1) = 1.266065878, I0(5) = 27.23987182.
        assert!((bessel_i0(1.0) - 1.266065878).abs() < 1e-9);
        assert!((bessel_i0(5.0) - 27.23987182).abs() < 1e-7);
    }

    #[test]
    fn kaiser_low_pass_meets_its_design() {
        let k = KaiserLowPass::new(0.1, 0.2, 100.0);
        let response = |f: f64| {
            let n = 40;
            let step = 0.125;
            (-n * 8..=n * 8)
                .map(|i| f64::from(i) * step)
                .map(|t| k.at(t) * (2.0 * PI * f * t).cos() * step)
                .sum::<f64>()
        };
        for i in 0..=10 {
            let f = 0.01 * f64::from(i);
            assert!((response(f) - 1.0).abs() < 2e-5, "pass band at {f}: {}", response(f));
            assert!(response(0.2 + 3.0 * f).abs() < 2e-5, "stop band at {}", 0.2 + 3.0 * f);
        }
    }

    #[test]
    fn fast_lengths_have_small_factors() {
        assert_eq!(next_fast_length(13_889, true), 14_400);
        assert_eq!(next_fast_length(7, false), 8);
        assert_eq!(next_fast_length(9, false), 9);
        assert_eq!(next_fast_length(9, true), 10);
    }
}
