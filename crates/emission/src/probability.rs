use serde::{Deserialize, Serialize};
use statrs::function::erf::erfc;

/// Emissions that can matter to the joint probability: with thousands near a limit the answer is nought anyway.
const MOST_EMISSIONS: usize = 2000;

/// Probability that a standard normal variable is below `z`.
pub fn normal_below(z: f64) -> f64 {
    0.5 * erfc(-z / std::f64::consts::SQRT_2)
}

/// Probability that every emission stays within its limit, when each true level is the reading plus a normal deviation.
///
/// `z` holds margin over standard uncertainty of each emission. `common_share` (0 to 1) is the share ρ of the variance
/// that all deviations have in common:
///
/// P = ∫ φ(x) · Π Φ((zᵢ − √ρ·x)/√(1−ρ)) dx.
///
/// With ρ = 1 this is Φ(min zᵢ), with ρ = 0 the product of Φ(zᵢ). No emission gives 1; a NaN is left out.
pub fn joint_probability(z: &[f64], common_share: f64) -> f64 {
    // Alone, an emission eight standard uncertainties below its limit exceeds it once in 10¹⁵ times.
    let mut z: Vec<f64> = z.iter().copied().filter(|z| *z < 8.0).collect();
    if z.is_empty() {
        return 1.0;
    }
    if z.len() > MOST_EMISSIONS {
        z.select_nth_unstable_by(MOST_EMISSIONS, f64::total_cmp);
        z.truncate(MOST_EMISSIONS);
    }
    let rho = common_share.clamp(0.0, 1.0);
    let lowest = z.iter().copied().fold(f64::INFINITY, f64::min);
    if rho > 0.9999 || z.len() == 1 {
        return normal_below(lowest);
    }
    if rho < 1e-9 {
        return z.iter().map(|&z| normal_below(z)).product();
    }
    let (common, own) = (rho.sqrt(), (1.0 - rho).sqrt());
    // The trapezoidal rule converges exponentially on a smooth integrand that dies out at both ends; the step has to
    // resolve the transition of the factors, whose width in x is own/common.
    let step = 0.125f64.min(0.25 * own / common);
    let half = (7.0 / step).ceil() as i32;
    let mut sum = 0.0;
    for k in -half..=half {
        let x = f64::from(k) * step;
        let weight = (-0.5 * x * x).exp();
        let mut product = 1.0;
        for &z in &z {
            product *= normal_below((z - common * x) / own);
            if product < 1e-18 {
                break;
            }
        }
        sum += weight * product;
    }
    (sum * step / (2.0 * std::f64::consts::PI).sqrt()).clamp(0.0, 1.0)
}

/// How a contribution to an uncertainty is spread, and so what its figure means.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Spread {
    /// Normal: the figure is an expanded uncertainty of this coverage factor k.
    Normal {
        /// Coverage factor.
        k: f64,
    },
    /// Anywhere between ± the figure: divided by √3.
    Rectangular,
    /// Most likely in the middle of ± the figure: divided by √6.
    Triangular,
    /// Most likely at the ends of ± the figure, as a mismatch of unknown phase: divided by √2.
    UShaped,
}

/// One contribution to the uncertainty of a level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What contributes.
    pub name: String,
    /// Expanded uncertainty or half-width, dB, as the spread says.
    pub value_db: f64,
    /// How it is spread.
    pub spread: Spread,
}

impl Contribution {
    /// Its standard uncertainty, dB.
    pub fn standard_db(&self) -> f64 {
        let divisor = match self.spread {
            Spread::Normal { k } => k,
            Spread::Rectangular => 3f64.sqrt(),
            Spread::Triangular => 6f64.sqrt(),
            Spread::UShaped => 2f64.sqrt(),
        };
        (self.value_db / divisor).abs()
    }
}

/// Expanded uncertainty (k = 2) in dB of contributions that have nothing to do with each other: twice the root of the
/// sum of their squared standard uncertainties (GUM; the way of CISPR 16-4-2).
pub fn expanded_uncertainty_db(contributions: &[Contribution]) -> f64 {
    2.0 * contributions.iter().map(|c| c.standard_db().powi(2)).sum::<f64>().sqrt()
}
