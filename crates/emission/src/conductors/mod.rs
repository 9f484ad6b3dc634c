//! The conductors of a port: common and differential mode of any number of them, bounds from amplitudes alone, and the
//! highest of all.
//!
//! Convention, for voltages v₁ … vₙ of the n conductors at their 50 Ω ports to earth: common mode is their mean,
//! V_CM = Σvᵢ/n, and the differential mode of conductor i is what is left, V_DM,i = vᵢ − V_CM. With two conductors that is
//! V_CM = (L + N)/2 and V_DM = (L − N)/2 (the other conductor's has the opposite sign), so that L = V_CM + V_DM. CISPR
//! 16-2-1 (from memory) calls the mean the asymmetric voltage; its symmetric voltage is that between the two conductors,
//! L − N, which is 6.02 dB above V_DM as it is meant here.

mod hold;

pub use hold::{Held, hold};

use serde::{Deserialize, Serialize};

use crate::{Column, Trace, TraceError};
use standards::Detector;

/// A voltage made of the conductors' voltages.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Combination {
    /// `common mode`, `differential mode` or `differential mode of L2`.
    pub name: String,
    /// The same for a file name: `common-mode`, `differential-mode`, `differential-mode-L2`.
    pub key: String,
    /// One weight for each conductor.
    pub weights: Vec<f64>,
}

impl Combination {
    /// The common mode.
    pub fn is_common(&self) -> bool {
        self.key == "common-mode"
    }
}

/// A set of conductors that has no modes.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ConductorError {
    /// Fewer than two.
    #[error("{found} conductor(s): expected at least two, for modes are between conductors")]
    TooFew {
        /// How many there are.
        found: usize,
    },
    /// One name twice.
    #[error("conductor `{name}` is named twice; expected each once")]
    Twice {
        /// The name.
        name: String,
    },
    /// The traces do not go together.
    #[error(transparent)]
    Trace(#[from] TraceError),
}

fn check(conductors: &[String]) -> Result<(), ConductorError> {
    if conductors.len() < 2 {
        return Err(ConductorError::TooFew { found: conductors.len() });
    }
    for (i, name) in conductors.iter().enumerate() {
        if conductors[..i].contains(name) {
            return Err(ConductorError::Twice { name: name.clone() });
        }
    }
    Ok(())
}

/// The modes of conductors: the common mode first; then the differential mode, one for two conductors, and one for each
/// conductor of three or more.
///
/// # Errors
/// Fewer than two conductors, or one named twice.
pub fn modes(conductors: &[String]) -> Result<Vec<Combination>, ConductorError> {
    check(conductors)?;
    let n = conductors.len();
    let mean = 1.0 / n as f64;
    let mut out = vec![Combination { name: "common mode".into(), key: "common-mode".into(), weights: vec![mean; n] }];
    if n == 2 {
        out.push(Combination {
            name: "differential mode".into(),
            key: "differential-mode".into(),
            weights: vec![0.5, -0.5],
        });
        return Ok(out);
    }
    for (i, name) in conductors.iter().enumerate() {
        let mut weights = vec![-mean; n];
        weights[i] += 1.0;
        let safe: String = name.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '_' }).collect();
        out.push(Combination {
            name: format!("differential mode of {name}"),
            key: format!("differential-mode-{safe}"),
            weights,
        });
    }
    Ok(out)
}

/// Least and most that a weighted sum of phasors can be, when their amplitudes are known and their phases are not: the
/// triangle inequality, 2·max|wᵢaᵢ| − Σ|wᵢaᵢ| ≤ |Σwᵢvᵢ| ≤ Σ|wᵢaᵢ|, both reached by some phases. Levels in, levels out, dB;
/// −∞ where the sum can vanish.
pub fn bounds_db(levels_db: &[f64], weights: &[f64]) -> (f64, f64) {
    let parts: Vec<f64> = levels_db.iter().zip(weights).map(|(l, w)| w.abs() * 10f64.powf(l / 20.0)).collect();
    let most: f64 = parts.iter().sum();
    let largest = parts.iter().copied().fold(0.0, f64::max);
    let least = (2.0 * largest - most).max(0.0);
    // What is left of two equal numbers is rounding, not a bound.
    let least = if least < 1e-12 * most { 0.0 } else { least };
    (20.0 * least.log10(), 20.0 * most.log10())
}

/// Bounds of one mode at every frequency, from sweeps of the conductors taken one after the other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModeBand {
    /// The mode.
    pub combination: Combination,
    /// The detector whose levels they come from.
    pub detector: Detector,
    /// It is at least this, in the traces' unit; −∞ (JSON null) where nothing is known from below, NaN (null) in gaps.
    #[serde(with = "crate::nan_as_null::list")]
    pub least_db: Vec<f64>,
    /// It is at most this.
    #[serde(with = "crate::nan_as_null::list")]
    pub most_db: Vec<f64>,
}

/// Bounds of every mode from amplitude sweeps, for each detector that all of them have. The traces need the same
/// frequencies and unit.
///
/// The triangle inequality holds for every detector that reads a norm of the envelope (peak: the largest value; average and
/// r.m.s.: integrals with a positive weight). Quasi-peak is none: there the bounds hold for an emission that both sweeps
/// met in the same rhythm.
///
/// # Errors
/// Fewer than two conductors, a name twice, traces that do not go together.
pub fn mode_bands(conductors: &[String], traces: &[&Trace]) -> Result<Vec<ModeBand>, ConductorError> {
    let combinations = modes(conductors)?;
    let Some((first, rest)) = traces.split_first() else { return Err(ConductorError::TooFew { found: 0 }) };
    let mut shared: Vec<Detector> = Vec::new();
    for column in &first.columns {
        let Some(detector) = column.detector else { continue };
        if rest.iter().all(|t| t.column(detector).is_some()) {
            for (i, t) in rest.iter().enumerate() {
                // Says which trace differs where.
                first.difference(t, detector).map_err(|e| numbered(e, i + 2))?;
            }
            shared.push(detector);
        }
    }
    let mut bands = Vec::new();
    for detector in shared {
        let columns: Vec<&Column> = traces.iter().filter_map(|t| t.column(detector)).collect();
        for combination in &combinations {
            let (least_db, most_db) = (0..first.frequency_hz.len())
                .map(|k| {
                    let levels: Vec<f64> = columns.iter().map(|c| c.level_db[k]).collect();
                    if levels.iter().any(|l| l.is_nan()) {
                        (f64::NAN, f64::NAN)
                    } else {
                        bounds_db(&levels, &combination.weights)
                    }
                })
                .unzip();
            bands.push(ModeBand { combination: combination.clone(), detector, least_db, most_db });
        }
    }
    Ok(bands)
}

fn numbered(error: TraceError, number: usize) -> TraceError {
    match error {
        TraceError::DifferentUnits { number: 2, expected, found } => {
            TraceError::DifferentUnits { number, expected, found }
        }
        TraceError::DifferentFrequencies { number: 2, frequency_hz } => {
            TraceError::DifferentFrequencies { number, frequency_hz }
        }
        other => other,
    }
}

/// How much of the common mode a mismatch of the channels lets through as false differential mode, dB relative to the
/// common mode, from the same for two channels: with n channels of which one stands apart from all others it is
/// (n − 1)/n of their difference instead of half.
pub fn leakage_db(two_channels_db: f64, conductors: usize) -> f64 {
    let n = conductors as f64;
    two_channels_db + 20.0 * (2.0 * (n - 1.0) / n).log10()
}
