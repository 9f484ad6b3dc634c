//! A smooth curve through a noisy record where no formula fits: cubic B-splines with a penalty on their third differences,
//! over an abscissa that is even about the front and logarithmic down the tail. The weight of the penalty is the one with
//! the least expected error (Craven and Wahba's criterion for known noise).

use super::local::invert;
use super::points::Points;

/// Distance of the knots on the abscissa; the front from 10 % to 90 % is about 1.4 long.
const SPACING: f64 = 0.1;

/// The curve, with what the noise leaves open about it.
#[derive(Debug, Clone)]
pub(crate) struct Curve {
    start_s: f64,
    scale_s: f64,
    first: f64,
    pub(crate) c: Vec<f64>,
    /// Lower triangle with `L·Lᵀ` the covariance of the coefficients.
    spread: Vec<Vec<f64>>,
    end: f64,
}

fn basis(u: f64) -> [f64; 4] {
    let v = 1.0 - u;
    [
        v * v * v / 6.0,
        (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
        (3.0 * v * v * v - 6.0 * v * v + 4.0) / 6.0,
        u * u * u / 6.0,
    ]
}

fn cholesky(a: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = a.len();
    let mut l = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let s: f64 = a[i][j] - (0..j).map(|k| l[i][k] * l[j][k]).sum::<f64>();
            if i == j {
                if s <= 0.0 {
                    return None;
                }
                l[i][i] = s.sqrt();
            } else {
                l[i][j] = s / l[j][j];
            }
        }
    }
    Some(l)
}

impl Curve {
    fn x(&self, t: f64) -> f64 {
        ((t - self.start_s) / self.scale_s).asinh()
    }

    fn place(&self, t: f64) -> (usize, f64) {
        let z = ((self.x(t).min(self.end) - self.first) / SPACING).max(0.0);
        let k = (z as usize).min(self.c.len() - 4);
        (k, (z - k as f64).min(1.0))
    }

    /// Value at a time for given coefficients; 0 before the curve begins.
    pub(crate) fn at(&self, c: &[f64], t: f64) -> f64 {
        if self.x(t) < self.first {
            return 0.0;
        }
        let (k, u) = self.place(t);
        basis(u).iter().zip(&c[k..k + 4]).map(|(b, c)| b * c).sum()
    }

    /// Coefficients as the noise could have made them, from as many standard normal numbers.
    pub(crate) fn varied(&self, mut normal: impl FnMut() -> f64) -> Vec<f64> {
        let z: Vec<f64> = self.c.iter().map(|_| normal()).collect();
        self.c
            .iter()
            .enumerate()
            .map(|(i, c)| c + self.spread[i][..=i].iter().zip(&z).map(|(l, z)| l * z).sum::<f64>())
            .collect()
    }

    /// Fits condensed points from a little before `start_s`; `scale_s`: about half the front.
    pub(crate) fn fit(p: &Points, start_s: f64, scale_s: f64) -> Option<Self> {
        let from = p.at(start_s - 1.5 * scale_s);
        let n = p.len() - from;
        if n < 24 || p.sd.iter().any(|s| *s <= 0.0) {
            return None;
        }
        let mut curve = Self { start_s, scale_s, first: 0.0, c: Vec::new(), spread: Vec::new(), end: 0.0 };
        curve.first = curve.x(p.t[from]);
        curve.end = curve.x(p.t[p.len() - 1]);
        let m = ((curve.end - curve.first) / SPACING).ceil() as usize + 3;
        curve.c = vec![0.0; m];
        let mut normal = vec![vec![0.0; m]; m];
        let mut right = vec![0.0; m];
        for i in from..p.len() {
            let (k, u) = curve.place(p.t[i]);
            let b = basis(u);
            let w = p.sd[i].powi(-2);
            for (j, bj) in b.iter().enumerate() {
                right[k + j] += w * bj * p.y[i];
                for (l, bl) in b.iter().enumerate() {
                    normal[k + j][k + l] += w * bj * bl;
                }
            }
        }
        let mut penalty = vec![vec![0.0; m]; m];
        for r in 0..m - 3 {
            let d = [-1.0, 3.0, -3.0, 1.0];
            for (j, dj) in d.iter().enumerate() {
                for (l, dl) in d.iter().enumerate() {
                    penalty[r + j][r + l] += dj * dl;
                }
            }
        }
        let typical = (0..m).map(|j| normal[j][j]).sum::<f64>() / m as f64;
        let mut best: Option<(f64, Vec<f64>, Vec<Vec<f64>>)> = None;
        for e in -8..=10 {
            let weight = typical * 10f64.powf(0.5 * f64::from(e));
            let a: Vec<Vec<f64>> = (0..m)
                .map(|j| {
                    (0..m)
                        .map(|k| normal[j][k] + weight * penalty[j][k] + if j == k { 1e-9 * typical } else { 0.0 })
                        .collect()
                })
                .collect();
            let Some(inverse) = invert(a) else { continue };
            let c: Vec<f64> = inverse.iter().map(|r| r.iter().zip(&right).map(|(a, b)| a * b).sum()).collect();
            let chi2: f64 = (from..p.len())
                .map(|i| {
                    ((p.y[i] - {
                        let (k, u) = curve.place(p.t[i]);
                        basis(u).iter().zip(&c[k..k + 4]).map(|(b, c)| b * c).sum::<f64>()
                    }) / p.sd[i])
                        .powi(2)
                })
                .sum();
            let used: f64 = (0..m).map(|j| (0..m).map(|k| inverse[j][k] * normal[k][j]).sum::<f64>()).sum();
            let score = chi2 + 2.0 * used;
            if best.as_ref().is_none_or(|b| score < b.0) {
                best = Some((score, c, inverse));
            }
        }
        let (_, c, inverse) = best?;
        curve.c = c;
        curve.spread = cholesky(&inverse)?;
        Some(curve)
    }
}
