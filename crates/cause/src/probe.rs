//! Hand-held probing: what kind of source it is from readings at several distances.
//!
//! Level = a − 20·n·log(r + r0). Exponents for distances below 0.3·λ/2π (elementary dipoles, Balanis chapters 4 and 5; wire
//! and pair by superposition): a magnetic probe sees a small loop fall with n = 3, a stub or a pair of conductors with 2, a
//! long wire with 1; an electric probe sees a loop fall with 2, a stub with 3, a wire with 1. Beyond λ/2π everything falls
//! with 1. r0 is what lies between the probe's centre and the source, and is fitted within bounds.

use serde::{Deserialize, Serialize};

/// Which field the probe takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ProbeKind {
    /// A shielded loop.
    Magnetic,
    /// A stub or ball.
    Electric,
}

/// What the decay points to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NearSource {
    /// A small current loop: a switching loop, a transformer, a choke.
    Loop,
    /// A node of changing voltage: a heat sink, a stub, a short trace.
    Node,
    /// Two conductors close together, with the current and its return.
    Pair,
    /// A long conductor with common-mode current: a cable.
    Wire,
    /// Far field, or a large plate or slot.
    Wave,
}

impl NearSource {
    fn exponent(self, probe: ProbeKind) -> f64 {
        match (self, probe) {
            (Self::Loop, ProbeKind::Magnetic) | (Self::Node, ProbeKind::Electric) => 3.0,
            (Self::Loop, ProbeKind::Electric) | (Self::Node, ProbeKind::Magnetic) | (Self::Pair, _) => 2.0,
            (Self::Wire | Self::Wave, _) => 1.0,
        }
    }

    const ALL: [Self; 5] = [Self::Loop, Self::Node, Self::Pair, Self::Wire, Self::Wave];
}

/// The fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Decay {
    /// Exponent n.
    pub exponent: f64,
    /// 90 % interval of it.
    pub exponent_range: (f64, f64),
    /// Distance between the probe's zero and the source, m.
    pub offset_m: f64,
    /// Root mean square of what the fit leaves, dB.
    pub residual_db: f64,
    /// Probabilities of the kinds of source, the likeliest first; they sum to 1.
    pub sources: Vec<(NearSource, f64)>,
    /// Distance λ/2π at this frequency, m.
    pub transition_m: f64,
}

/// What is wrong with the readings.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ProbeError {
    /// Too few.
    #[error("{found} readings; expected at least 3 at different distances")]
    TooFew {
        /// How many.
        found: usize,
    },
    /// A distance that is none.
    #[error("reading {number}: distance {distance_m} m; expected a finite number above 0")]
    Distance {
        /// From 1.
        number: usize,
        /// As given.
        distance_m: f64,
    },
    /// Too narrow.
    #[error("distances from {from_m} m to {to_m} m; expected the farthest at least twice the nearest")]
    Narrow {
        /// Nearest.
        from_m: f64,
        /// Farthest.
        to_m: f64,
    },
}

/// Fits readings at several distances. `noise_db` is the standard deviation of one reading (1 dB is usual), `most_offset_m`
/// the largest distance between the probe's mark and the source (2 cm where nothing else is known).
pub fn fit_decay(
    probe: ProbeKind,
    frequency_hz: f64,
    distance_m: &[f64],
    level_db: &[f64],
    noise_db: f64,
    most_offset_m: f64,
) -> Result<Decay, ProbeError> {
    if distance_m.len() < 3 || level_db.len() != distance_m.len() {
        return Err(ProbeError::TooFew { found: distance_m.len().min(level_db.len()) });
    }
    if let Some(i) = distance_m.iter().position(|d| !(d.is_finite() && *d > 0.0)) {
        return Err(ProbeError::Distance { number: i + 1, distance_m: distance_m[i] });
    }
    let (from_m, to_m) = distance_m.iter().fold((f64::INFINITY, 0.0f64), |b, d| (b.0.min(*d), b.1.max(*d)));
    if to_m < 2.0 * from_m {
        return Err(ProbeError::Narrow { from_m, to_m });
    }
    let transition_m = crate::resonance::LIGHT_M_PER_S / (std::f64::consts::TAU * frequency_hz);
    let squares = |n: f64, offset: f64| -> f64 {
        let rest: Vec<f64> =
            distance_m.iter().zip(level_db).map(|(r, l)| l + 20.0 * n * (r + offset).log10()).collect();
        let mean = rest.iter().sum::<f64>() / rest.len() as f64;
        rest.iter().map(|v| (v - mean).powi(2)).sum()
    };
    // The offset is integrated over its bounds, the exponent over 0 to 4.
    let offsets: Vec<f64> = (0..=20).map(|i| most_offset_m * f64::from(i) / 20.0).collect();
    let exponents: Vec<f64> = (0..=400).map(|i| f64::from(i) / 100.0).collect();
    let mut best = (f64::INFINITY, 0.0, 0.0);
    let mut weight = vec![0.0; exponents.len()];
    let mut likelihoods = Vec::with_capacity(exponents.len() * offsets.len());
    for (i, &n) in exponents.iter().enumerate() {
        for &o in &offsets {
            let s = squares(n, o);
            if s < best.0 {
                best = (s, n, o);
            }
            likelihoods.push((i, s));
        }
    }
    for (i, s) in likelihoods {
        weight[i] += (-(s - best.0) / (2.0 * noise_db * noise_db)).exp();
    }
    let total: f64 = weight.iter().sum();
    let quantile = |p: f64| {
        let mut sum = 0.0;
        for (w, n) in weight.iter().zip(&exponents) {
            sum += w / total;
            if sum >= p {
                return *n;
            }
        }
        4.0
    };
    let middle = (from_m * to_m).sqrt();
    let near = middle < transition_m;
    let mut sources: Vec<(NearSource, f64)> = NearSource::ALL
        .iter()
        .map(|&s| {
            // Beyond λ/2π the near-field exponents mean nothing, and the far field none before it.
            let possible = if s == NearSource::Wave { !near || middle > 0.3 * transition_m } else { near };
            let exponent = s.exponent(probe);
            let fit: f64 = offsets
                .iter()
                .map(|o| (-(squares(exponent, *o) - best.0) / (2.0 * noise_db * noise_db)).exp())
                .sum::<f64>()
                / offsets.len() as f64;
            (s, if possible { fit } else { 0.0 })
        })
        .collect();
    let sum: f64 = sources.iter().map(|s| s.1).sum();
    if sum > 0.0 {
        for s in &mut sources {
            s.1 /= sum;
        }
    }
    sources.sort_by(|a, b| b.1.total_cmp(&a.1));
    Ok(Decay {
        exponent: best.1,
        exponent_range: (quantile(0.05), quantile(0.95)),
        offset_m: best.2,
        residual_db: (best.0 / distance_m.len() as f64).sqrt(),
        sources,
        transition_m,
    })
}

/// Electric or magnetic from the ratio of both fields at one place: below 377 Ω a loop, above it a voltage node, as long
/// as kr < 0.7; beyond that the ratio tells nothing (the dipole's own dips below 377 Ω there).
pub fn wave_impedance_says(
    electric_v_per_m: f64,
    magnetic_a_per_m: f64,
    frequency_hz: f64,
    distance_m: f64,
) -> Option<NearSource> {
    let kr = std::f64::consts::TAU * frequency_hz * distance_m / crate::resonance::LIGHT_M_PER_S;
    let impedance = electric_v_per_m / magnetic_a_per_m;
    if kr >= 0.7 || !impedance.is_finite() {
        return None;
    }
    Some(if impedance < 376.73 { NearSource::Loop } else { NearSource::Node })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Random;

    #[test]
    fn loops_wires_and_pairs_fall_as_elementary_sources_do() {
        let r = [0.05, 0.1, 0.2, 0.4];
        let fit = |l: [f64; 4]| fit_decay(ProbeKind::Magnetic, 1e6, &r, &l, 0.5, 0.02).expect("four readings");
        let near_loop = fit([70.0, 54.2, 37.4, 19.9]);
        assert!((near_loop.exponent - 3.0).abs() < 0.1, "{near_loop:?}");
        assert_eq!(near_loop.sources[0].0, NearSource::Loop);
        assert_eq!(fit([70.0, 64.7, 59.1, 53.3]).sources[0].0, NearSource::Wire);
        let two = fit([70.0, 59.5, 48.2, 36.6]);
        assert!(two.sources[0].1 < 0.6, "a pair and a node cannot be told apart with a magnetic probe: {two:?}");
        assert!(matches!(two.sources[0].0, NearSource::Pair | NearSource::Node));
    }

    #[test]
    fn the_interval_holds() {
        let mut random = Random::new(4);
        let (mut inside, mut right) = (0, 0);
        for _ in 0..300 {
            let n = [1.0, 2.0, 3.0][random.below(3)];
            let offset = random.between(0.0, 0.02);
            let r = [0.04, 0.07, 0.12, 0.2, 0.35];
            let l: Vec<f64> = r.iter().map(|r| 40.0 - 20.0 * n * (r + offset).log10() + random.normal()).collect();
            let d = fit_decay(ProbeKind::Magnetic, 1e6, &r, &l, 1.0, 0.02).expect("five readings");
            inside += usize::from(d.exponent_range.0 <= n && n <= d.exponent_range.1);
            right += usize::from((d.sources[0].0.exponent(ProbeKind::Magnetic) - n).abs() < 0.1);
        }
        assert!(inside >= 255, "{inside} of 300 inside the 90 % interval");
        assert!(right >= 285, "{right} of 300");
    }

    #[test]
    fn far_away_nothing_is_said_about_near_sources() {
        let d = fit_decay(ProbeKind::Magnetic, 300e6, &[0.5, 1.0, 2.0], &[60.0, 54.0, 48.0], 1.0, 0.0);
        assert_eq!(d.expect("three").sources[0], (NearSource::Wave, 1.0));
        assert!(fit_decay(ProbeKind::Magnetic, 1e6, &[0.1, 0.1, 0.12], &[1.0, 1.0, 1.0], 1.0, 0.0).is_err());
        assert_eq!(wave_impedance_says(0.1, 1e-3, 30e6, 0.1), Some(NearSource::Loop));
        assert_eq!(wave_impedance_says(1.0, 1e-3, 30e6, 0.1), Some(NearSource::Node));
        assert_eq!(wave_impedance_says(1.0, 1e-3, 300e6, 0.3), None);
    }
}
