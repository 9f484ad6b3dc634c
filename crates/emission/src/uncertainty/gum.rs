//! Propagation of uncertainty through any measurement function: first order and second order (JCGM 100, GUM), effective
//! degrees of freedom (Welch and Satterthwaite), and by simulation (JCGM 101).

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::random::Random;

/// How an input quantity is spread around its estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Normal, with this standard uncertainty.
    Normal {
        /// Standard uncertainty.
        standard: f64,
    },
    /// Evenly between the estimate − half and + half.
    Rectangular {
        /// Half-width.
        half: f64,
    },
    /// A triangle over the estimate ± half.
    Triangular {
        /// Half-width.
        half: f64,
    },
    /// An arc sine over the estimate ± half: most likely at the ends.
    UShaped {
        /// Half-width.
        half: f64,
    },
    /// Student's t of these degrees of freedom times the scale: what repeated readings leave behind.
    Student {
        /// Scale: standard deviation of the mean of the readings.
        scale: f64,
        /// Degrees of freedom.
        degrees_of_freedom: f64,
    },
}

impl Shape {
    /// Standard uncertainty as the GUM takes it; for Student's t the scale.
    pub fn standard(&self) -> f64 {
        match *self {
            Self::Normal { standard } => standard,
            Self::Rectangular { half } => half / 3f64.sqrt(),
            Self::Triangular { half } => half / 6f64.sqrt(),
            Self::UShaped { half } => half / 2f64.sqrt(),
            Self::Student { scale, .. } => scale,
        }
    }

    /// A deviation from the estimate.
    pub fn draw(&self, random: &mut Random) -> f64 {
        match *self {
            Self::Normal { standard } => standard * random.normal(),
            Self::Rectangular { half } => random.between(-half, half),
            Self::Triangular { half } => half * (random.unit() - random.unit()),
            Self::UShaped { half } => half * (std::f64::consts::TAU * random.unit()).sin(),
            // Bailey 1994: the polar form of Student's t.
            Self::Student { scale, degrees_of_freedom: v } => {
                let u = 1.0 - random.unit();
                let angle = std::f64::consts::TAU * random.unit();
                scale * (v * (u.powf(-2.0 / v) - 1.0)).sqrt() * angle.cos()
            }
        }
    }
}

/// An input quantity of a measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Quantity {
    /// Best estimate.
    pub estimate: f64,
    /// How it is spread.
    pub shape: Shape,
    /// Degrees of freedom of its standard uncertainty; infinite where that is known.
    pub degrees_of_freedom: f64,
}

impl Quantity {
    /// A quantity whose standard uncertainty is known exactly.
    pub const fn new(estimate: f64, shape: Shape) -> Self {
        Self { estimate, shape, degrees_of_freedom: f64::INFINITY }
    }

    /// With so many degrees of freedom.
    pub const fn with_freedom(mut self, degrees_of_freedom: f64) -> Self {
        self.degrees_of_freedom = degrees_of_freedom;
        self
    }
}

/// The result of propagation.
#[derive(Debug, Clone, PartialEq)]
pub struct Propagated {
    /// Value of the function at the estimates.
    pub value: f64,
    /// Combined standard uncertainty.
    pub standard: f64,
    /// Standard uncertainty each input adds (sensitivity times its own).
    pub shares: Vec<f64>,
    /// Effective degrees of freedom (Welch and Satterthwaite); infinite where none is limited.
    pub degrees_of_freedom: f64,
}

/// ν_eff = u⁴ / Σ(uᵢ⁴/νᵢ) (GUM G.4); infinite where no contribution is limited.
pub fn effective_degrees_of_freedom(shares: &[(f64, f64)]) -> f64 {
    let variance: f64 = shares.iter().map(|(u, _)| u * u).sum();
    let sum: f64 = shares.iter().filter(|(_, v)| v.is_finite()).map(|(u, v)| u.powi(4) / v).sum();
    if sum > 0.0 { variance * variance / sum } else { f64::INFINITY }
}

/// Coverage factor for a two-sided coverage probability: Student's t of the degrees of freedom, rounded down as GUM G.4.1
/// asks; the normal distribution where they are infinite.
pub fn coverage_factor(probability: f64, degrees_of_freedom: f64) -> f64 {
    student_quantile(0.5 + 0.5 * probability, degrees_of_freedom.floor().max(1.0))
}

/// Quantile of Student's t; of the normal distribution for infinite degrees of freedom.
pub fn student_quantile(probability: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom > 1e6 {
        return super::normal_quantile(probability);
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::NAN, |t| t.inverse_cdf(probability))
}

/// Lower tail of Student's t; of the normal distribution for infinite degrees of freedom.
pub fn student_below(t: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom > 1e6 {
        return crate::normal_below(t);
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::NAN, |d| d.cdf(t))
}

/// First-order propagation of independent inputs, with sensitivities from central differences half a standard uncertainty
/// either side.
pub fn first_order(inputs: &[Quantity], function: impl Fn(&[f64]) -> f64) -> Propagated {
    let mut x: Vec<f64> = inputs.iter().map(|q| q.estimate).collect();
    let value = function(&x);
    let mut shares = Vec::with_capacity(inputs.len());
    for (i, q) in inputs.iter().enumerate() {
        let u = q.shape.standard();
        let h = 0.5 * u;
        let share = if h == 0.0 {
            0.0
        } else {
            x[i] = q.estimate + h;
            let up = function(&x);
            x[i] = q.estimate - h;
            let down = function(&x);
            x[i] = q.estimate;
            (up - down) / (2.0 * h) * u
        };
        shares.push(share);
    }
    let with_freedom: Vec<(f64, f64)> = shares.iter().zip(inputs).map(|(s, q)| (*s, q.degrees_of_freedom)).collect();
    Propagated {
        value,
        standard: shares.iter().map(|s| s * s).sum::<f64>().sqrt(),
        degrees_of_freedom: effective_degrees_of_freedom(&with_freedom),
        shares: shares.into_iter().map(f64::abs).collect(),
    }
}

/// Combined standard uncertainty with the products of second order that normal inputs ask for:
/// Σᵢⱼ (½·fᵢⱼ² + fᵢ·fᵢⱼⱼ)·uᵢ²·uⱼ² beside the first order (GUM 5.1.2, note).
pub fn second_order_standard(inputs: &[Quantity], function: impl Fn(&[f64]) -> f64) -> f64 {
    /// Differences over this part of a standard uncertainty: small against the curvature, large against rounding.
    const STEP: f64 = 0.1;
    let u: Vec<f64> = inputs.iter().map(|q| q.shape.standard()).collect();
    let base: Vec<f64> = inputs.iter().map(|q| q.estimate).collect();
    let at = |moves: &[(usize, f64)]| {
        let mut x = base.clone();
        for &(i, steps) in moves {
            x[i] += STEP * steps * u[i];
        }
        function(&x)
    };
    let first = first_order(inputs, &function);
    let mut variance = first.standard.powi(2);
    for i in 0..inputs.len() {
        if u[i] == 0.0 {
            continue;
        }
        let slope = 0.5 / STEP * (at(&[(i, 1.0)]) - at(&[(i, -1.0)]));
        for (j, &uj) in u.iter().enumerate() {
            if uj == 0.0 {
                continue;
            }
            // All derivatives are those over one standard uncertainty.
            let (mixed, slope_curved) = if i == j {
                let curved = at(&[(i, 1.0)]) - 2.0 * at(&[]) + at(&[(i, -1.0)]);
                let third = 0.5 * (at(&[(i, 2.0)]) - 2.0 * at(&[(i, 1.0)]) + 2.0 * at(&[(i, -1.0)]) - at(&[(i, -2.0)]));
                (curved, third)
            } else {
                let corner = |a: f64, b: f64| at(&[(i, a), (j, b)]);
                let mixed = 0.25 * (corner(1.0, 1.0) - corner(1.0, -1.0) - corner(-1.0, 1.0) + corner(-1.0, -1.0));
                let bend = |a: f64| corner(a, 1.0) - 2.0 * corner(a, 0.0) + corner(a, -1.0);
                (mixed, 0.5 * (bend(1.0) - bend(-1.0)))
            };
            let (mixed, slope_curved) = (mixed / STEP.powi(2), slope_curved / STEP.powi(3));
            variance += 0.5 * mixed * mixed + slope * slope_curved;
        }
    }
    variance.max(0.0).sqrt()
}

/// The result of a simulation.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// Mean.
    pub mean: f64,
    /// Standard deviation: the standard uncertainty.
    pub standard: f64,
    /// Standard error of that standard deviation, from the fourth moment.
    pub standard_error: f64,
    /// The results, rising.
    pub sorted: Vec<f64>,
}

impl Simulated {
    /// The interval that leaves out as much on either side.
    pub fn symmetric_interval(&self, probability: f64) -> (f64, f64) {
        let tail = 0.5 * (1.0 - probability);
        (self.quantile(tail), self.quantile(1.0 - tail))
    }

    /// The shortest interval that holds this share of the results.
    pub fn shortest_interval(&self, probability: f64) -> (f64, f64) {
        let n = self.sorted.len();
        let inside = ((probability * n as f64).round() as usize).clamp(1, n);
        let (mut best, mut from) = (f64::INFINITY, 0);
        for i in 0..=(n - inside) {
            let width = self.sorted[i + inside - 1] - self.sorted[i];
            if width < best {
                (best, from) = (width, i);
            }
        }
        (self.sorted[from], self.sorted[from + inside - 1])
    }

    fn quantile(&self, p: f64) -> f64 {
        let at = p * (self.sorted.len() - 1) as f64;
        let (i, t) = (at.floor() as usize, at.fract());
        let next = self.sorted[(i + 1).min(self.sorted.len() - 1)];
        self.sorted[i] + t * (next - self.sorted[i])
    }
}

/// Propagation by simulation: `trials` draws of all inputs. At least two trials are made.
pub fn simulate(inputs: &[Quantity], trials: usize, seed: u64, function: impl Fn(&[f64]) -> f64) -> Simulated {
    let mut random = Random::new(seed);
    let mut x = vec![0.0; inputs.len()];
    let mut sorted: Vec<f64> = (0..trials.max(2))
        .map(|_| {
            for (x, q) in x.iter_mut().zip(inputs) {
                *x = q.estimate + q.shape.draw(&mut random);
            }
            function(&x)
        })
        .collect();
    let n = sorted.len() as f64;
    let mean = sorted.iter().sum::<f64>() / n;
    let moment = |power: i32| sorted.iter().map(|y| (y - mean).powi(power)).sum::<f64>() / n;
    let (m2, m4) = (moment(2), moment(4));
    sorted.sort_by(f64::total_cmp);
    Simulated {
        mean,
        standard: (m2 * n / (n - 1.0)).sqrt(),
        // Var(s²) ≈ (m4 − m2²)/n, and s is its root.
        standard_error: if m2 > 0.0 { ((m4 - m2 * m2).max(0.0) / n).sqrt() / (2.0 * m2.sqrt()) } else { 0.0 },
        sorted,
    }
}
