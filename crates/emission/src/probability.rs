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
