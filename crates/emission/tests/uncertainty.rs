//! Probabilities against figures worked out elsewhere.

use emission::{joint_probability, normal_below};

/// Tables of the normal distribution: Φ(0) = 0.5, Φ(1) = 0.841345, Φ(1.6449) = 0.95, Φ(1.96) = 0.975, Φ(−2.3263) = 0.01.
#[test]
fn the_normal_distribution_is_the_tabulated_one() {
    for (z, p) in [(0.0, 0.5), (1.0, 0.841_344_75), (1.644_854, 0.95), (1.959_964, 0.975), (-2.326_348, 0.01)] {
        assert!((normal_below(z) - p).abs() < 1e-6, "{z}");
    }
}

/// Two standard normal deviations with correlation ρ are both below zero with probability 1/4 + asin(ρ)/(2π) (Sheppard
/// 1899); three with equal correlation with 1/8 + 3·asin(ρ)/(4π).
#[test]
fn joint_probability_at_zero_margin_is_the_orthant_formula() {
    for rho in [0.0, 0.1, 0.5, 0.75, 0.9, 0.99] {
        let two = 0.25 + f64::asin(rho) / (2.0 * std::f64::consts::PI);
        assert!((joint_probability(&[0.0, 0.0], rho) - two).abs() < 1e-6, "ρ {rho}");
        let three = 0.125 + 3.0 * f64::asin(rho) / (4.0 * std::f64::consts::PI);
        assert!((joint_probability(&[0.0; 3], rho) - three).abs() < 1e-6, "ρ {rho}");
    }
}

#[test]
fn joint_probability_at_its_ends() {
    let z = [0.5, 1.0, 2.0];
    let product: f64 = z.iter().map(|&z| normal_below(z)).product();
    assert!((joint_probability(&z, 0.0) - product).abs() < 1e-12);
    assert!((joint_probability(&z, 1.0) - normal_below(0.5)).abs() < 1e-12);
    assert_eq!(joint_probability(&[], 0.5), 1.0);
    assert_eq!(joint_probability(&[f64::NAN, 40.0], 0.5), 1.0);
    // More common deviation: emissions fail together rather than one after the other.
    assert!(joint_probability(&z, 0.2) < joint_probability(&z, 0.8));
}

/// Against adaptive quadrature of the same integral by SciPy 1.x (`scipy.integrate.quad`, absolute tolerance 1e-12); the
/// first agrees with its multivariate normal distribution function (0.62725).
#[test]
fn joint_probability_is_the_integral_of_an_independent_program() {
    for (z, rho, expected) in [
        (vec![0.5, 1.0, 2.0], 0.5, 0.627_248_517_6),
        (vec![0.5, 1.0, 2.0, -0.3, 3.0, 3.0], 0.3, 0.280_107_112_4),
        (vec![2.5; 40], 0.9, 0.970_634_183_6),
        (vec![3.0; 1000], 0.5, 0.827_964_911_3),
    ] {
        let found = joint_probability(&z, rho);
        assert!((found - expected).abs() < 1e-8, "{found}, expected {expected}");
    }
}
