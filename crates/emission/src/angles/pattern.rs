use num_complex::Complex64;
use serde::Serialize;

/// A power pattern between its samples.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Interpolated {
    /// Its highest level, dB in the unit of the samples.
    pub highest_db: f64,
    /// Where, degrees.
    pub azimuth_deg: f64,
    /// Highest minus the highest sample, dB.
    pub above_samples_db: f64,
}

/// Why a pattern is not interpolated.
#[derive(Debug, Clone, PartialEq, Serialize, thiserror::Error)]
pub enum NotInterpolated {
    /// Angles that are not spread evenly all round.
    #[error("the angles are not spread evenly all round")]
    Uneven,
    /// Too few of them.
    #[error("{found} angles: a power pattern of this order needs at least {needed}")]
    TooFew {
        /// How many there are.
        found: usize,
        /// How many there have to be.
        needed: usize,
    },
    /// A gap in the levels.
    #[error("a level is missing")]
    Gap,
}

/// The highest point of a power pattern sampled evenly all round. A field of order N makes a power pattern that is a
/// trigonometric polynomial of order 2N, and 4N + 1 samples fix it exactly (sampling theorem on the circle).
///
/// Between the samples it is no better than they are: scatter of one reading (drift, cables moved by the turn) goes into the
/// result at full size.
///
/// # Errors
/// Angles that are uneven (by more than a twentieth of the step) or too few, levels that are missing.
pub fn interpolate(azimuth_deg: &[f64], level_db: &[f64], order: usize) -> Result<Interpolated, NotInterpolated> {
    let count = azimuth_deg.len().min(level_db.len());
    let mut samples: Vec<(f64, f64)> =
        azimuth_deg.iter().zip(level_db).map(|(a, l)| (a.rem_euclid(360.0), *l)).collect();
    if samples.iter().any(|s| !s.1.is_finite()) {
        return Err(NotInterpolated::Gap);
    }
    samples.sort_by(|a, b| a.0.total_cmp(&b.0));
    let needed = 4 * order + 1;
    if count < needed {
        return Err(NotInterpolated::TooFew { found: count, needed });
    }
    let step = 360.0 / count as f64;
    let first = samples[0].0;
    if samples.iter().enumerate().any(|(i, s)| (s.0 - first - i as f64 * step).abs() > 0.05 * step) {
        return Err(NotInterpolated::Uneven);
    }
    let highest_sample = samples.iter().map(|s| s.1).fold(f64::NEG_INFINITY, f64::max);
    let powers: Vec<f64> = samples.iter().map(|s| 10f64.powf((s.1 - highest_sample) / 10.0)).collect();
    let coefficients: Vec<Complex64> = (0..=2 * order)
        .map(|n| {
            powers
                .iter()
                .enumerate()
                .map(|(i, p)| Complex64::from_polar(*p, -std::f64::consts::TAU * (n * i) as f64 / count as f64))
                .sum::<Complex64>()
                / count as f64
        })
        .collect();
    let power = |angle: f64| {
        coefficients
            .iter()
            .enumerate()
            .map(|(n, c)| if n == 0 { c.re } else { 2.0 * (c * Complex64::from_polar(1.0, n as f64 * angle)).re })
            .sum::<f64>()
    };
    let fine = 32 * (2 * order + 1);
    let (angle, greatest) = (0..fine)
        .map(|i| std::f64::consts::TAU * i as f64 / fine as f64)
        .map(|a| (a, power(a)))
        .fold((0.0, f64::NEG_INFINITY), |best, next| if next.1 > best.1 { next } else { best });
    let above = (10.0 * greatest.max(1e-30).log10()).max(0.0);
    Ok(Interpolated {
        highest_db: highest_sample + above,
        azimuth_deg: (first + angle.to_degrees()).rem_euclid(360.0),
        above_samples_db: above,
    })
}
