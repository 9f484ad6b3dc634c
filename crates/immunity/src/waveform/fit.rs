//! Formulas fitted to a record by least squares (Levenberg and Marquardt), and the test whether what is left over is noise.

use std::sync::OnceLock;

use super::local::invert;
use super::points::Points;

/// The formulas tried. Time constants are in units of a given scale, amplitudes in units of the rough peak.
///
/// Some are others with parameters tied together as in the standards' own formulas: where a record does not contradict the
/// tie, it says three to five times more about the front.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Family {
    /// `A x^n/(1+x^n) exp(-t/tau2)`, the family of the standards' annexes.
    Heidler,
    /// The same with a known steepness `n`: amplitude, front and tail are free.
    Steep(f64),
    /// The same with a known steepness and ratio `tau2/tau1`: amplitude and one stretch of time are free.
    Whole {
        /// Steepness.
        n: f64,
        /// `tau2/tau1`.
        ratio: f64,
    },
    /// Two of them: the discharge current.
    TwoHeidler,
    /// The discharge current with the standard's constants: two amplitudes, a stretch of the first pulse and one of the
    /// second are free.
    Discharge,
    /// The discharge current with the standard's constants: one amplitude and one stretch are free.
    WholeDischarge,
    /// `A (1-exp(-t/tau1)) exp(-t/tau2)`.
    DoubleExponential,
    /// The same with a known ratio `tau2/tau1`: amplitude and one stretch are free.
    WholeDouble(f64),
    /// `A exp(-a t) sin(w t)`: capacitor, coil and resistor in series.
    DampedSine,
    /// `A (1-exp(-t/tau1)) exp(-t/tau2) cos(w t)`: the ring wave.
    Ring,
}

impl Family {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Heidler => "power-law front with exponential tail",
            Self::Steep(_) => "power-law front of the standard's steepness with exponential tail",
            Self::Whole { .. } => "the standard's formula, stretched",
            Self::TwoHeidler => "two power-law fronts with exponential tails",
            Self::Discharge => "the standard's two terms, each stretched by itself",
            Self::WholeDischarge => "the standard's two terms, stretched together",
            Self::DoubleExponential => "double exponential",
            Self::WholeDouble(_) => "the published double exponential, stretched",
            Self::DampedSine => "damped sine",
            Self::Ring => "ring wave",
        }
    }

    /// Shapes are taken from the standard: the record says only how far they are stretched.
    pub(crate) fn is_tied(self) -> bool {
        matches!(
            self,
            Self::Steep(_) | Self::Whole { .. } | Self::Discharge | Self::WholeDischarge | Self::WholeDouble(_)
        )
    }

    /// Value at `x` (time over scale) for the parameters: start, offset, then those of the family.
    pub(crate) fn at(self, p: &[f64], x: f64) -> f64 {
        let t = x - p[0];
        if t <= 0.0 {
            return p[1];
        }
        let heidler = |q: &[f64]| {
            let u = (q[2].exp() * (t.ln() - q[1])).exp();
            q[0].exp() * u / (1.0 + u) * (-t * (-q[3]).exp()).exp()
        };
        // The two terms of the discharge, in units of a stretch of 1 ns: amplitudes over their corrections, peak near 1.
        let discharge = |first: (f64, f64), second: (f64, f64)| {
            let [a, b] = DISCHARGE
                .get_or_init(|| crate::analytic::esd_terms(4.0).map(|h| h.amplitude / h.correction() / 14.921));
            let tau = |ns: f64, stretch: f64| ns.ln() + stretch;
            let n = 1.8f64.ln();
            heidler(&[a.ln() + first.0, tau(1.1, first.1), n, tau(2.0, first.1)])
                + heidler(&[b.ln() + second.0, tau(12.0, second.1), n, tau(37.0, second.1)])
        };
        let double =
            |a: f64, tau1: f64, tau2: f64| a.exp() * -(-t * (-tau1).exp()).exp_m1() * (-t * (-tau2).exp()).exp();
        p[1] + match self {
            Self::Heidler => heidler(&p[2..6]),
            Self::Steep(n) => heidler(&[p[2], p[3], n.ln(), p[4]]),
            Self::Whole { n, ratio } => heidler(&[p[2], p[3], n.ln(), p[3] + ratio.ln()]),
            Self::Discharge => discharge((p[2], p[3]), (p[4], p[5])),
            Self::WholeDischarge => discharge((p[2], p[3]), (p[2], p[3])),
            Self::WholeDouble(ratio) => double(p[2], p[3], p[3] + ratio.ln()),
            Self::TwoHeidler => heidler(&p[2..6]) + heidler(&p[6..10]),
            Self::DoubleExponential => double(p[2], p[3], p[4]),
            Self::DampedSine => p[2].exp() * (-t * p[3]).exp() * (t * p[4].exp()).sin(),
            Self::Ring => {
                p[2].exp() * -(-t * (-p[3]).exp()).exp_m1() * (-t * (-p[4]).exp()).exp() * (t * p[5].exp()).cos()
            }
        }
    }
}

static DISCHARGE: OnceLock<[f64; 2]> = OnceLock::new();

/// A fitted formula.
#[derive(Debug, Clone)]
pub(crate) struct Fitted {
    pub(crate) family: Family,
    pub(crate) p: Vec<f64>,
    pub(crate) covariance: Vec<Vec<f64>>,
    pub(crate) chi2: f64,
    pub(crate) dof: usize,
    /// Largest excess of chi-square over its expectation among stretches of the record, in standard deviations.
    pub(crate) worst: f64,
}

impl Fitted {
    /// What is left over is noise, in the record as a whole and in each stretch of it.
    pub(crate) fn is_adequate(&self) -> bool {
        let d = self.dof as f64;
        self.chi2 <= d + 4.0 * (2.0 * d).sqrt() && self.worst < 5.5
    }

    /// Smaller is better: chi-square with a price on each parameter.
    pub(crate) fn score(&self) -> f64 {
        self.chi2 + self.p.len() as f64 * (self.dof as f64).ln()
    }
}

/// Means over short stretches: fine about the front, longer and longer down the tail and in the rest line before.
pub(crate) fn condense(p: &Points, start_s: f64, front_s: f64) -> Points {
    let mut out = Points::default();
    let mut i = 0;
    while i < p.len() {
        let away = if p.t[i] < start_s { start_s - p.t[i] } else { (p.t[i] - start_s - 2.0 * front_s).max(0.0) };
        let width = front_s / 60.0 + 0.015 * away;
        let end = p.at(p.t[i] + width).max(i + 1).min(p.len());
        let flat = p.sd[i..end].iter().any(|s| *s <= 0.0);
        let (mut w, mut t, mut y) = (0.0, 0.0, 0.0);
        for k in i..end {
            let g = if flat { 1.0 } else { p.sd[k].powi(-2) };
            w += g;
            t += g * p.t[k];
            y += g * p.y[k];
        }
        out.t.push(t / w);
        out.y.push(y / w);
        out.sd.push(if flat { 0.0 } else { w.sqrt().recip() });
        i = end;
    }
    out
}

/// Fits a family. `data` in the family's units; `rest_sd`: what is known of the offset from elsewhere, 0 for nothing.
pub(crate) fn fit(family: Family, data: &Points, guess: &[f64], rest_sd: f64) -> Option<Fitted> {
    const ROUNDS: usize = 80;
    let m = guess.len();
    let n = data.len();
    if n < m + 4 || data.sd.iter().any(|s| *s <= 0.0) {
        return None;
    }
    let residuals =
        |p: &[f64]| -> Vec<f64> { (0..n).map(|i| (data.y[i] - family.at(p, data.t[i])) / data.sd[i]).collect() };
    let prior = |p: &[f64]| if rest_sd > 0.0 { (p[1] / rest_sd).powi(2) } else { 0.0 };
    let total = |r: &[f64], p: &[f64]| r.iter().map(|v| v * v).sum::<f64>() + prior(p);
    let mut p = guess.to_vec();
    let mut r = residuals(&p);
    let mut cost = total(&r, &p);
    let mut damping = 1e-3;
    let mut normal = vec![vec![0.0; m]; m];
    let mut calm = 0;
    for _ in 0..ROUNDS {
        let mut gradient = vec![0.0; m];
        normal = vec![vec![0.0; m]; m];
        let mut jacobian = Vec::with_capacity(m);
        for j in 0..m {
            let h = 1e-6 * p[j].abs().max(1e-2);
            let mut q = p.clone();
            q[j] += h;
            let up = residuals(&q);
            q[j] = p[j] - h;
            let down = residuals(&q);
            jacobian.push(up.iter().zip(&down).map(|(a, b)| (b - a) / (2.0 * h)).collect::<Vec<f64>>());
        }
        for j in 0..m {
            gradient[j] = jacobian[j].iter().zip(&r).map(|(a, b)| a * b).sum();
            for k in 0..=j {
                let v = jacobian[j].iter().zip(&jacobian[k]).map(|(a, b)| a * b).sum();
                normal[j][k] = v;
                normal[k][j] = v;
            }
        }
        if rest_sd > 0.0 {
            normal[1][1] += rest_sd.powi(-2);
            gradient[1] -= p[1] * rest_sd.powi(-2);
        }
        let mut improved = false;
        for _ in 0..12 {
            let mut damped = normal.clone();
            for (j, row) in damped.iter_mut().enumerate() {
                row[j] *= 1.0 + damping;
                row[j] += 1e-12;
            }
            let inverse = invert(damped)?;
            let next: Vec<f64> = (0..m)
                .map(|j| {
                    let step: f64 = inverse[j].iter().zip(&gradient).map(|(a, b)| a * b).sum();
                    p[j] + step.clamp(-1.0, 1.0)
                })
                .collect();
            let nr = residuals(&next);
            let nc = total(&nr, &next);
            if nc.is_finite() && nc <= cost {
                let gain = cost - nc;
                (p, r, cost) = (next, nr, nc);
                damping = (damping * 0.2).max(1e-12);
                improved = true;
                calm = if gain < 1e-6 * cost.max(1.0) { calm + 1 } else { 0 };
                break;
            }
            damping *= 5.0;
        }
        if !improved || calm >= 3 {
            break;
        }
    }
    let covariance = invert(normal)?;
    // Stretches of sixteenth parts of the points: a formula may be right on the long tail and wrong on the short front.
    let part = n.div_ceil(16).max(4);
    let worst = r
        .chunks(part)
        .map(|c| (c.iter().map(|v| v * v).sum::<f64>() - c.len() as f64) / (2.0 * c.len() as f64).sqrt())
        .fold(0.0, f64::max);
    Some(Fitted { family, p, covariance, chi2: r.iter().map(|v| v * v).sum(), dof: n - m, worst })
}
