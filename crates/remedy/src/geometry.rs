//! Inductance of wires, straps and tracks from their measures.
//!
//! Partial self-inductance: it has meaning only together with the return path, whose mutual part is subtracted in
//! [`pair_inductance_h`] and [`wire_over_plane_inductance_h`].
//!
//! Sources: E. B. Rosa, "The self and mutual inductances of linear conductors", Bulletin of the Bureau of Standards 4
//! (1908), 301; F. W. Grover, "Inductance Calculations" (1946), ch. 5; for the flat strap Terman, "Radio Engineers'
//! Handbook" (1943) (from memory, figures checked against the published worked values in the tests).

use std::f64::consts::PI;

use crate::RemedyError;

/// Permeability of free space, H/m.
pub const MU_0: f64 = 4e-7 * PI;

fn measure(what: &str, value: f64) -> Result<f64, RemedyError> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(RemedyError::measure(what, value, "a length above zero, in metres"))
    }
}

/// Whether the current fills the wire or keeps to its surface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CurrentDepth {
    /// Low frequency: the inside of the wire counts (µ₀/8π for each metre).
    Whole,
    /// High frequency: the skin depth is far below the diameter.
    Surface,
}

/// Partial inductance (H) of a straight round wire of non-magnetic metal, Rosa and Grover:
/// L = (µ₀l/2π)·[ln(2l/d·(1 + √(1 + (d/2l)²))) − √(1 + (d/2l)²) + d/2l (+ ¼ with the inside)].
pub fn wire_inductance_h(length_m: f64, diameter_m: f64, depth: CurrentDepth) -> Result<f64, RemedyError> {
    let (l, d) = (measure("length", length_m)?, measure("diameter", diameter_m)?);
    let x = d / (2.0 * l);
    let root = (1.0 + x * x).sqrt();
    let inside = if depth == CurrentDepth::Whole { 0.25 } else { 0.0 };
    Ok(MU_0 * l / (2.0 * PI) * (((1.0 + root) / x).ln() - root + x + inside))
}

/// Partial inductance (H) of a flat strap or track, Terman and Grover:
/// L = (µ₀l/2π)·[ln(2l/(w + t)) + ½ + 0.2235·(w + t)/l]. For lengths above about the width.
pub fn strap_inductance_h(length_m: f64, width_m: f64, thickness_m: f64) -> Result<f64, RemedyError> {
    let l = measure("length", length_m)?;
    let w = measure("width", width_m)? + measure("thickness", thickness_m)?;
    if l < 0.5 * w {
        return Err(RemedyError::measure(
            "length",
            length_m,
            "at least half the strap's width: the formula ends there",
        ));
    }
    Ok(MU_0 * l / (2.0 * PI) * ((2.0 * l / w).ln() + 0.5 + 0.2235 * w / l))
}

/// Mutual inductance (H) of two parallel wires of one length, side by side, Rosa:
/// M = (µ₀l/2π)·[ln(l/s + √(1 + (l/s)²)) − √(1 + (s/l)²) + s/l].
pub fn parallel_mutual_h(length_m: f64, spacing_m: f64) -> Result<f64, RemedyError> {
    let (l, s) = (measure("length", length_m)?, measure("spacing", spacing_m)?);
    let r = l / s;
    Ok(MU_0 * l / (2.0 * PI) * ((r + (1.0 + r * r).sqrt()).ln() - (1.0 + 1.0 / (r * r)).sqrt() + 1.0 / r))
}

/// Loop inductance (H) of a go-and-return pair: 2·(L − M), for the wires themselves without their ends.
pub fn pair_inductance_h(
    length_m: f64,
    diameter_m: f64,
    spacing_m: f64,
    depth: CurrentDepth,
) -> Result<f64, RemedyError> {
    if spacing_m < diameter_m {
        return Err(RemedyError::measure("spacing", spacing_m, "at least the diameter: spacing is between wire axes"));
    }
    Ok(2.0 * (wire_inductance_h(length_m, diameter_m, depth)? - parallel_mutual_h(length_m, spacing_m)?))
}

/// Inductance (H) of a long wire over a plane: (µ₀l/2π)·arcosh(2h/d) (textbook, image method; surface current).
pub fn wire_over_plane_inductance_h(length_m: f64, diameter_m: f64, height_m: f64) -> Result<f64, RemedyError> {
    let (l, d) = (measure("length", length_m)?, measure("diameter", diameter_m)?);
    if !(height_m.is_finite() && height_m > d / 2.0) {
        return Err(RemedyError::measure("height", height_m, "more than the wire's radius, to its axis"));
    }
    Ok(MU_0 * l / (2.0 * PI) * (2.0 * height_m / d).acosh())
}

/// Inductance per squared turn and unit relative permeability (H) of a ring or sleeve of rectangular section:
/// L₀ = (µ₀h/2π)·ln(D/d).
pub fn ring_inductance_h(outer_m: f64, inner_m: f64, height_m: f64) -> Result<f64, RemedyError> {
    let (outer, inner, h) = (measure("outer", outer_m)?, measure("inner", inner_m)?, measure("height", height_m)?);
    if outer <= inner {
        return Err(RemedyError::measure("outer", outer_m, "an outer diameter above the inner one"));
    }
    Ok(MU_0 * h / (2.0 * PI) * (outer / inner).ln())
}

/// Where a bond strap and the stray capacitance between what it joins resonate, Hz: there it isolates.
pub fn bond_resonance_hz(inductance_h: f64, stray_f: f64) -> f64 {
    1.0 / (2.0 * PI * (inductance_h * stray_f).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked values of Grover's formula (public calculator after Grover, and hand computation): whole-wire and surface
    /// inductance, nH.
    #[test]
    fn wires_after_grover() {
        for (length_cm, diameter_mm, whole, surface) in
            [(10.0, 1.0, 104.9, 99.9), (1.0, 1.0, 5.98, 5.48), (2.54, 0.5, 23.2, 22.0), (100.0, 1.0, 1508.9, 1458.9)]
        {
            let l = |depth| wire_inductance_h(length_cm * 1e-2, diameter_mm * 1e-3, depth).unwrap() * 1e9;
            assert!((l(CurrentDepth::Whole) / whole - 1.0).abs() < 4e-3, "{length_cm} cm: {}", l(CurrentDepth::Whole));
            assert!((l(CurrentDepth::Surface) / surface - 1.0).abs() < 4e-3, "{length_cm} cm");
        }
    }

    /// Worked values of the strap formula (Terman/Grover), nH.
    #[test]
    fn straps_after_terman() {
        for (length, width, thickness, expected) in
            [(0.10, 0.02, 1e-3, 56.0), (0.05, 0.02, 1e-3, 21.6), (0.30, 0.025, 1e-3, 219.5), (0.01, 0.3e-3, 35e-6, 9.2)]
        {
            let got = strap_inductance_h(length, width, thickness).unwrap() * 1e9;
            assert!((got - expected).abs() < 0.06, "{length} m: {got} nH, expected {expected}");
        }
    }

    /// For a long pair the loop inductance is the textbook (µ₀l/π)·ln(2s/d) with surface current.
    #[test]
    fn a_long_pair_is_the_textbook_line() {
        let got = pair_inductance_h(50.0, 1e-3, 5e-3, CurrentDepth::Surface).unwrap();
        let expected = MU_0 * 50.0 / PI * 10f64.ln();
        assert!((got / expected - 1.0).abs() < 1e-3, "{got} {expected}");
    }

    /// A wire over a plane against half of the pair with its image.
    #[test]
    fn a_wire_over_a_plane_is_half_a_pair() {
        let over = wire_over_plane_inductance_h(1.0, 1e-3, 10e-3).unwrap();
        let textbook = MU_0 / (2.0 * PI) * 40f64.ln();
        assert!((over / textbook - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_bond_isolates_where_it_resonates() {
        assert!((bond_resonance_hz(50e-9, 30e-12) / 130e6 - 1.0).abs() < 2e-3);
        assert!((bond_resonance_hz(100e-9, 100e-12) / 50.3e6 - 1.0).abs() < 2e-3);
    }

    #[test]
    fn absurd_measures_are_named() {
        assert!(wire_inductance_h(-0.1, 1e-3, CurrentDepth::Whole).unwrap_err().to_string().contains("length"));
        assert!(strap_inductance_h(0.1, 0.0, 1e-3).unwrap_err().to_string().contains("width"));
        assert!(ring_inductance_h(8e-3, 16e-3, 28e-3).unwrap_err().to_string().contains("outer"));
    }
}
