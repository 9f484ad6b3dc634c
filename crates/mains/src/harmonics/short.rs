use std::f64::consts::{SQRT_2, TAU};

use num_complex::Complex64;

use super::HIGHEST_ORDER;
use crate::MainsError;
use crate::record::Mains;

/// The orders of a record too short for a window of the standard, by least squares.
#[derive(Debug, Clone, PartialEq)]
pub struct ShortEstimate {
    /// Frequency of the fundamental, Hz.
    pub fundamental_hz: f64,
    /// Cycles in the record.
    pub cycles: f64,
    /// R.m.s. pointers of orders 0 to 40 (order 0: the mean) against the record's first frame: Σ √2·Re(c·e^(jhωt)).
    pub orders: Vec<Complex64>,
    /// R.m.s. of what the orders do not explain.
    pub residual: f64,
}

impl ShortEstimate {
    /// Distortion of orders 2 to 40, % of the fundamental.
    pub fn thd_percent(&self) -> f64 {
        100.0 * self.orders[2..].iter().map(Complex64::norm_sqr).sum::<f64>().sqrt() / self.orders[1].norm()
    }
}

/// Fits a mean and orders 1 to 40 of a common fundamental to a record of at least two cycles, with the frequency that
/// leaves the least residual within ±5 % of nominal. No measurement by IEC 61000-4-7: there is no window of 200 ms and
/// nothing is known of what lies between the orders.
pub fn least_squares(samples: &[f64], rate_hz: f64, mains: Mains) -> Result<ShortEstimate, MainsError> {
    let nominal_hz = mains.nominal_hz();
    let needed_hz = (2 * HIGHEST_ORDER + 2) as f64 * nominal_hz;
    if rate_hz.is_nan() || rate_hz < needed_hz {
        return Err(MainsError::RateTooLow { rate_hz, needed_hz, what: "the 40th harmonic" });
    }
    let seconds = samples.len() as f64 / rate_hz;
    if seconds * nominal_hz < 2.1 {
        return Err(MainsError::TooShort {
            found_s: seconds,
            needed_s: 2.1 / nominal_hz,
            what: "an estimate of the harmonics",
        });
    }
    let power: f64 = samples.iter().map(|x| x * x).sum();
    let residual_at =
        |hz: f64| fit(samples, TAU * hz / rate_hz).map_or(f64::INFINITY, |(_, explained)| power - explained);
    // The residual has one valley within a fraction of 1/duration: a coarse walk, then thirds.
    let (low, high) = (0.95 * nominal_hz, 1.05 * nominal_hz);
    let steps = (8.0 * (high - low) * seconds * 4.0).ceil().clamp(16.0, 200.0) as usize;
    let step = (high - low) / steps as f64;
    let few = coarse(samples, rate_hz, low, step, steps);
    let (mut a, mut b) = (few - step, few + step);
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let (mut x, mut y) = (b - GOLDEN * (b - a), a + GOLDEN * (b - a));
    let (mut fx, mut fy) = (residual_at(x), residual_at(y));
    while b - a > 1e-6 * nominal_hz {
        if fx < fy {
            (b, y, fy) = (y, x, fx);
            x = b - GOLDEN * (b - a);
            fx = residual_at(x);
        } else {
            (a, x, fx) = (x, y, fy);
            y = a + GOLDEN * (b - a);
            fy = residual_at(y);
        }
    }
    let hz = f64::midpoint(a, b);
    let not_found =
        || MainsError::NoMainsFrequency { what: "no fundamental fits the record".into(), expected_hz: nominal_hz };
    let (c, explained) = fit(samples, TAU * hz / rate_hz).ok_or_else(not_found)?;
    if explained < 0.5 * power {
        return Err(not_found());
    }
    let orders = (0..=HIGHEST_ORDER)
        .map(|h| if h == 0 { Complex64::new(c[0], 0.0) } else { Complex64::new(c[2 * h - 1], -c[2 * h]) / SQRT_2 })
        .collect();
    Ok(ShortEstimate {
        fundamental_hz: hz,
        cycles: seconds * hz,
        orders,
        residual: ((power - explained).max(0.0) / samples.len() as f64).sqrt(),
    })
}

/// The frequency of a grid whose fundamental alone carries most.
fn coarse(samples: &[f64], rate_hz: f64, low: f64, step: f64, steps: usize) -> f64 {
    let at = |hz: f64| {
        let turn = Complex64::from_polar(1.0, -TAU * hz / rate_hz);
        let n = samples.len() as f64;
        let mut pointer = Complex64::ONE;
        let mut sum = Complex64::ZERO;
        for (k, x) in samples.iter().enumerate() {
            let window = 0.5 - 0.5 * (TAU * (k as f64 + 0.5) / n).cos();
            sum += x * window * pointer;
            pointer *= turn;
        }
        sum.norm_sqr()
    };
    (0..=steps)
        .map(|k| low + step * k as f64)
        .map(|hz| (hz, at(hz)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(low, |best| best.0)
}

/// Coefficients (mean, then cosine and sine of each order) and the power they explain.
fn fit(samples: &[f64], turn: f64) -> Option<(Vec<f64>, f64)> {
    const M: usize = 2 * HIGHEST_ORDER + 1;
    let mut normal = vec![[0.0; M]; M];
    let mut right = [0.0; M];
    let mut row = [0.0; M];
    for (k, x) in samples.iter().enumerate() {
        let (s, c) = (turn * k as f64).sin_cos();
        row[0] = 1.0;
        let (mut re, mut im) = (1.0, 0.0);
        for h in 1..=HIGHEST_ORDER {
            (re, im) = (re * c - im * s, re * s + im * c);
            row[2 * h - 1] = re;
            row[2 * h] = im;
        }
        for i in 0..M {
            right[i] += row[i] * x;
            for (sum, value) in normal[i][..=i].iter_mut().zip(&row) {
                *sum += row[i] * value;
            }
        }
    }
    // Cholesky in place, then the two triangular solutions.
    for i in 0..M {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| normal[i][k] * normal[j][k]).sum();
            let rest = normal[i][j] - dot;
            normal[i][j] = if i == j {
                if rest <= 1e-12 * samples.len() as f64 {
                    return None;
                }
                rest.sqrt()
            } else {
                rest / normal[j][j]
            };
        }
    }
    let mut y = right;
    for i in 0..M {
        let dot: f64 = (0..i).map(|k| normal[i][k] * y[k]).sum();
        y[i] = (y[i] - dot) / normal[i][i];
    }
    let explained = y.iter().map(|v| v * v).sum();
    let mut c = y.to_vec();
    for i in (0..M).rev() {
        let dot: f64 = (i + 1..M).map(|k| normal[k][i] * c[k]).sum();
        c[i] = (c[i] - dot) / normal[i][i];
    }
    Some((c, explained))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_orders_of_four_cycles() {
        let rate_hz = 30_707.244;
        let samples: Vec<f64> = (0..2048)
            .map(|k| TAU * 59.97 * f64::from(k) / rate_hz)
            .map(|p| 0.3 + SQRT_2 * (126.0 * (p + 0.4).cos() + 5.0 * (5.0 * p - 1.0).cos() + 0.5 * (40.0 * p).cos()))
            .collect();
        let e = least_squares(&samples, rate_hz, Mains::Hz60).unwrap();
        assert!((e.fundamental_hz - 59.97).abs() < 1e-4, "{}", e.fundamental_hz);
        for (h, rms) in [(1, 126.0), (5, 5.0), (40, 0.5), (7, 0.0)] {
            assert!((e.orders[h].norm() - rms).abs() < 1e-3, "order {h}: {}", e.orders[h].norm());
        }
        assert!((e.orders[5].arg() + 1.0).abs() < 1e-3 && e.residual < 1e-2);
        assert!(matches!(least_squares(&samples[..900], rate_hz, Mains::Hz60), Err(MainsError::TooShort { .. })));
    }
}
