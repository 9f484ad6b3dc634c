//! Reading values and crossings off a record without assuming a formula: polynomials fitted to a stretch whose length is
//! chosen from the data, long enough to average the noise and short enough not to bend the result.

use super::points::Points;

/// A stretch of points, by index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Window {
    pub(crate) lo: usize,
    pub(crate) hi: usize,
}

/// Least-squares polynomial in `u = (x - centre)/half`.
#[derive(Debug, Clone)]
pub(crate) struct Poly {
    c: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    pub(crate) centre: f64,
    pub(crate) half: f64,
    /// Chi-square of the residuals and its degrees of freedom.
    pub(crate) chi2: f64,
    pub(crate) dof: usize,
}

/// Solves a small symmetric positive system; gives solution and inverse.
pub(crate) fn invert(mut a: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let n = a.len();
    for (i, row) in a.iter_mut().enumerate() {
        row.extend((0..n).map(|j| if i == j { 1.0 } else { 0.0 }));
    }
    for k in 0..n {
        let p = (k..n).max_by(|i, j| a[*i][k].abs().total_cmp(&a[*j][k].abs()))?;
        if a[p][k].abs() < 1e-300 || !a[p][k].is_finite() {
            return None;
        }
        a.swap(k, p);
        let d = a[k][k];
        a[k].iter_mut().for_each(|v| *v /= d);
        let pivot = a[k].clone();
        for (i, row) in a.iter_mut().enumerate() {
            if i != k && row[k] != 0.0 {
                let f = row[k];
                row.iter_mut().zip(&pivot).for_each(|(v, p)| *v -= f * p);
            }
        }
    }
    Some(a.into_iter().map(|row| row[n..].to_vec()).collect())
}

impl Poly {
    /// Fits points of the window; `map` turns time into the abscissa.
    pub(crate) fn fit(p: &Points, w: Window, degree: usize, map: &dyn Fn(f64) -> f64) -> Option<Self> {
        let n = w.hi.checked_sub(w.lo)?;
        let degree = degree.min(n.checked_sub(1)?);
        let (a, b) = (map(p.t[w.lo]), map(p.t[w.hi - 1]));
        let (centre, half) = (0.5 * (a + b), (0.5 * (b - a)).max(f64::MIN_POSITIVE));
        let m = degree + 1;
        let mut normal = vec![vec![0.0; m]; m];
        let mut right = vec![0.0; m];
        let mut row = vec![0.0; m];
        // Relative weights keep a noise-free record (all deviations zero) solvable.
        let floor = p.sd[w.lo..w.hi].iter().copied().fold(0.0, f64::max) * 1e-3;
        let weight = |i: usize| if floor > 0.0 { p.sd[i].max(floor).powi(-2) } else { 1.0 };
        for i in w.lo..w.hi {
            let u = (map(p.t[i]) - centre) / half;
            let mut power = 1.0;
            for v in &mut row {
                *v = power;
                power *= u;
            }
            let g = weight(i);
            for j in 0..m {
                right[j] += g * row[j] * p.y[i];
                for k in 0..=j {
                    normal[j][k] += g * row[j] * row[k];
                }
            }
        }
        let lower = normal.clone();
        for (j, row) in normal.iter_mut().enumerate() {
            for (k, v) in row.iter_mut().enumerate().skip(j + 1) {
                *v = lower[k][j];
            }
        }
        let mut covariance = invert(normal)?;
        let c: Vec<f64> = covariance.iter().map(|r| r.iter().zip(&right).map(|(a, b)| a * b).sum()).collect();
        let mut fit = Self { c, covariance: Vec::new(), centre, half, chi2: 0.0, dof: n - m };
        for i in w.lo..w.hi {
            let u = (map(p.t[i]) - centre) / half;
            fit.chi2 += weight(i) * (p.y[i] - fit.value(u)).powi(2);
        }
        if floor <= 0.0 {
            covariance = vec![vec![0.0; m]; m];
            fit.chi2 = 0.0;
        }
        fit.covariance = covariance;
        Some(fit)
    }

    pub(crate) fn value(&self, u: f64) -> f64 {
        self.c.iter().rev().fold(0.0, |s, c| s * u + c)
    }

    pub(crate) fn slope(&self, u: f64) -> f64 {
        self.c.iter().enumerate().skip(1).rev().fold(0.0, |s, (k, c)| s * u + k as f64 * c)
    }

    /// Standard deviation of the fitted value.
    pub(crate) fn sd(&self, u: f64) -> f64 {
        let powers: Vec<f64> = (0..self.c.len()).map(|k| u.powi(k as i32)).collect();
        let mut v = 0.0;
        for (row, a) in self.covariance.iter().zip(&powers) {
            v += a * row.iter().zip(&powers).map(|(c, b)| c * b).sum::<f64>();
        }
        v.max(0.0).sqrt()
    }

    /// Where the polynomial reaches a level, nearest to `start`, inside the stretch.
    pub(crate) fn root(&self, level: f64, start: f64) -> Option<f64> {
        const STEPS: usize = 64;
        let mut best: Option<f64> = None;
        for k in 0..STEPS {
            let (mut a, mut b) = (-1.0 + 2.0 * k as f64 / STEPS as f64, -1.0 + 2.0 * (k + 1) as f64 / STEPS as f64);
            let (fa, fb) = (self.value(a) - level, self.value(b) - level);
            if fa == 0.0 || fa.signum() != fb.signum() {
                for _ in 0..60 {
                    let m = 0.5 * (a + b);
                    if (self.value(m) - level).signum() == fa.signum() { a = m } else { b = m }
                }
                let r = 0.5 * (a + b);
                if best.is_none_or(|x| (r - start).abs() < (x - start).abs()) {
                    best = Some(r);
                }
            }
        }
        best
    }

    /// The highest point inside the stretch.
    pub(crate) fn top(&self) -> f64 {
        const STEPS: usize = 200;
        let at = |k: usize| -1.0 + 2.0 * k as f64 / STEPS as f64;
        let k = (0..=STEPS).max_by(|a, b| self.value(at(*a)).total_cmp(&self.value(at(*b)))).unwrap_or(0);
        let (mut a, mut b) = (at(k.saturating_sub(1)), at((k + 1).min(STEPS)));
        for _ in 0..50 {
            let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
            if self.value(c) > self.value(d) { b = d } else { a = c }
        }
        0.5 * (a + b)
    }

    /// Whether the residuals are no larger than the noise explains.
    fn is_adequate(&self) -> bool {
        self.dof == 0 || self.chi2 <= self.dof as f64 + 2.5 * (2.0 * self.dof as f64).sqrt()
    }
}

/// Growing stretches around an index, smallest first.
fn stretches(n: usize, middle: usize, caps: Window, least: usize) -> Vec<Window> {
    let caps = Window { lo: caps.lo.min(n), hi: caps.hi.min(n) };
    let mut out: Vec<Window> = Vec::new();
    let mut h = least as f64;
    loop {
        let k = h.ceil() as usize;
        let w = Window { lo: middle.saturating_sub(k).max(caps.lo), hi: (middle + k + 1).min(caps.hi) };
        if w.hi > w.lo + 2 && out.last() != Some(&w) {
            out.push(w);
        }
        if w.lo == caps.lo && w.hi == caps.hi {
            return out;
        }
        h *= 1.3;
    }
}

/// Takes the longest stretch whose result agrees with those of all shorter ones (intersection of confidence intervals)
/// and whose residuals are noise.
fn longest_consistent(tried: &[(Window, f64, f64, bool)]) -> Option<(Window, f64, f64)> {
    const WIDTH: f64 = 1.8;
    let (mut lo, mut hi) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut best: Option<(Window, f64, f64)> = None;
    for (w, value, sd, adequate) in tried {
        lo = lo.max(value - WIDTH * sd);
        hi = hi.min(value + WIDTH * sd);
        if best.is_some() && (lo > hi || !adequate) {
            break;
        }
        if best.is_none_or(|b| *sd <= b.2) {
            best = Some((*w, *value, *sd));
        }
    }
    best
}

const DEGREE: usize = 3;
const LEAST: usize = 2;

fn same(t: f64) -> f64 {
    t
}

/// Time at which the points reach a level near an index.
pub(crate) fn crossing(
    p: &Points,
    level: f64,
    near: usize,
    caps: Window,
    fixed: Option<Window>,
) -> Option<(f64, Window)> {
    let read = |w: Window| -> Option<(f64, f64, bool)> {
        let f = Poly::fit(p, w, DEGREE, &same)?;
        let start = (p.t[near.min(p.len() - 1)] - f.centre) / f.half;
        let u = match f.root(level, start) {
            Some(u) => u,
            // A stretch that was chosen before keeps its answer when the level has moved just out of it.
            None if fixed.is_some() => (level - f.value(start)) / f.slope(start) + start,
            None => return None,
        };
        let slope = f.slope(u).abs() / f.half;
        (slope > 0.0).then(|| (f.centre + u * f.half, f.sd(u) / slope, f.is_adequate()))
    };
    if let Some(w) = fixed {
        return read(w).map(|r| (r.0, w));
    }
    let tried: Vec<_> = stretches(p.len(), near, caps, LEAST)
        .into_iter()
        .filter_map(|w| read(w).map(|(t, sd, ok)| (w, t, sd, ok)))
        .collect();
    longest_consistent(&tried).map(|(w, t, _)| (t, w))
}

/// Value of the points at a time.
pub(crate) fn value(p: &Points, t: f64, caps: Window, fixed: Option<Window>) -> Option<(f64, Window)> {
    let read = |w: Window| -> Option<(f64, f64, bool)> {
        let f = Poly::fit(p, w, DEGREE, &same)?;
        let u = (t - f.centre) / f.half;
        (u.abs() <= 1.0 + 1e-9).then(|| (f.value(u), f.sd(u), f.is_adequate()))
    };
    if let Some(w) = fixed {
        return read(w).map(|r| (r.0, w));
    }
    let tried: Vec<_> = stretches(p.len(), p.at(t), caps, LEAST)
        .into_iter()
        .filter_map(|w| read(w).map(|(v, sd, ok)| (w, v, sd, ok)))
        .collect();
    longest_consistent(&tried).map(|(w, v, _)| (v, w))
}

/// Highest value and its time. `start_s` is where the pulse begins: a pulse that rises fast and falls slowly is nearly
/// even over the logarithm of the time since then.
pub(crate) fn top(
    p: &Points,
    near: usize,
    caps: Window,
    start_s: f64,
    fixed: Option<Window>,
) -> Option<((f64, f64), Window)> {
    let rise = (p.t[near.min(p.len() - 1)] - start_s).max(f64::MIN_POSITIVE);
    let map = |t: f64| ((t - start_s).max(0.0) / rise + 0.2).ln();
    let back = |x: f64| start_s + (x.exp() - 0.2) * rise;
    let read = |w: Window| -> Option<(f64, f64, f64, bool)> {
        let f = Poly::fit(p, w, 4, &map)?;
        let u = f.top();
        // A top at the rim of its stretch is none, unless the stretch is all there is.
        if u.abs() > 0.98 && fixed.is_none() && !(w.lo == caps.lo && w.hi == caps.hi) {
            return None;
        }
        Some((back(f.centre + u * f.half), f.value(u), f.sd(u), f.is_adequate()))
    };
    if let Some(w) = fixed {
        return read(w).map(|r| ((r.0, r.1), w));
    }
    let tried: Vec<_> = stretches(p.len(), near, caps, 3)
        .into_iter()
        .filter_map(|w| read(w).map(|(t, v, sd, ok)| ((w, v, sd, ok), t)))
        .collect();
    let only: Vec<_> = tried.iter().map(|t| t.0).collect();
    let (w, v, _) = longest_consistent(&only)?;
    let t = tried.iter().find(|x| x.0.0 == w)?.1;
    Some(((t, v), w))
}
