//! The measuring site: normalised site attenuation in theory, and a measured site against it.
//!
//! Theory: two elementary dipoles over a perfect ground plane, direct and reflected ray, greatest over the receive heights
//! (ANSI C63.4, CISPR 16-1-4, from memory):
//! NSA = 48.92 − 20·log₁₀ f_MHz − 20·log₁₀ E_D,max, with horizontally
//! E_D = √49.2·√(d₁² + d₂² − 2·d₁·d₂·cos β(d₂ − d₁))/(d₁·d₂) and vertically
//! E_D = √49.2·R²·√(d₁⁶ + d₂⁶ + 2·d₁³·d₂³·cos β(d₂ − d₁))/(d₁³·d₂³), β = 2π/λ.

use serde::{Deserialize, Serialize};

use crate::distance::{LIGHT, Polarisation};

/// A site is accepted within this of theory, dB (ANSI C63.4, CISPR 16-1-4).
pub const SITE_TOLERANCE_DB: f64 = 4.0;

/// Heights of the receiving antenna, m.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scan {
    /// Lowest.
    pub from_m: f64,
    /// Highest.
    pub to_m: f64,
}

impl Default for Scan {
    fn default() -> Self {
        Self { from_m: 1.0, to_m: 4.0 }
    }
}

/// E_D of the theory at one receive height, µV/m for 1 pW.
fn field(frequency_hz: f64, distance_m: f64, source_m: f64, receive_m: f64, polarisation: Polarisation) -> f64 {
    let beta = std::f64::consts::TAU * frequency_hz / LIGHT;
    let d1 = distance_m.hypot(source_m - receive_m);
    let d2 = distance_m.hypot(source_m + receive_m);
    let turn = (beta * (d2 - d1)).cos();
    let root = 49.2f64.sqrt();
    match polarisation {
        Polarisation::Horizontal => root * (d1 * d1 + d2 * d2 - 2.0 * d1 * d2 * turn).max(0.0).sqrt() / (d1 * d2),
        Polarisation::Vertical => {
            let (c1, c2) = (d1.powi(3), d2.powi(3));
            root * distance_m.powi(2) * (c1 * c1 + c2 * c2 + 2.0 * c1 * c2 * turn).max(0.0).sqrt() / (c1 * c2)
        }
    }
}

/// E_D,max: the greatest over the scan, µV/m for 1 pW radiated.
pub fn greatest_field(
    frequency_hz: f64,
    distance_m: f64,
    source_m: f64,
    scan: &Scan,
    polarisation: Polarisation,
) -> f64 {
    let at = |h: f64| field(frequency_hz, distance_m, source_m, h, polarisation);
    let wide = scan.to_m - scan.from_m;
    if wide <= 0.0 {
        return at(scan.from_m);
    }
    // Path difference changes by less than 2·source height over the scan's width, so 24 steps to a wavelength of it are many.
    let wavelength_m = LIGHT / frequency_hz;
    let steps = (48.0 * wide.min(2.0 * source_m + wide) / wavelength_m).clamp(96.0, 4000.0) as usize;
    let height = |i: usize| scan.from_m + wide * i as f64 / steps as f64;
    let best = (0..=steps).max_by(|&a, &b| at(height(a)).total_cmp(&at(height(b)))).unwrap_or(0);
    // Golden section between the neighbours.
    let (mut low, mut high) = (height(best.saturating_sub(1)), height((best + 1).min(steps)));
    let ratio = 0.5 * (5f64.sqrt() - 1.0);
    for _ in 0..30 {
        let (a, b) = (high - ratio * (high - low), low + ratio * (high - low));
        if at(a) > at(b) { high = b } else { low = a }
    }
    at(f64::midpoint(low, high)).max(at(height(best)))
}

/// Normalised site attenuation in theory, dB.
pub fn attenuation_db(
    frequency_hz: f64,
    distance_m: f64,
    transmit_m: f64,
    scan: &Scan,
    polarisation: Polarisation,
) -> f64 {
    48.92
        - 20.0 * (frequency_hz / 1e6).log10()
        - 20.0 * greatest_field(frequency_hz, distance_m, transmit_m, scan, polarisation).log10()
}

/// One measured value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Normalised site attenuation, dB: site attenuation less both antenna factors (and less the correction for mutual
    /// impedance where tuned dipoles were used at 3 m).
    pub attenuation_db: f64,
    /// Distance, m.
    pub distance_m: f64,
    /// Height of the transmitting antenna, m.
    pub transmit_m: f64,
    /// Polarisation.
    pub polarisation: Polarisation,
}

/// A measured value beside theory.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Deviation {
    /// What was measured.
    #[serde(flatten)]
    pub measured: Measured,
    /// Theory, dB.
    pub theory_db: f64,
    /// Measured minus theory, dB: positive where the site loses more, so that levels read low.
    pub deviation_db: f64,
    /// Within ±4 dB.
    pub accepted: bool,
}

/// A site.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Site {
    /// Every value.
    pub deviations: Vec<Deviation>,
    /// All within ±4 dB.
    pub accepted: bool,
    /// Largest magnitude, dB.
    pub largest_db: f64,
    /// Where, Hz.
    pub largest_hz: f64,
    /// Mean, dB.
    pub mean_db: f64,
    /// Root of the mean square, dB.
    pub rms_db: f64,
    /// Half-width of what it adds to an uncertainty budget, dB: the largest deviation found.
    pub half_width_db: f64,
    /// Its standard uncertainty where small deviations are likelier than large ones, as CISPR 16-4-2 counts a site (from
    /// memory): triangular, divided by √6.
    pub triangular_standard_db: f64,
    /// The same where nothing favours small deviations: rectangular, divided by √3. The safe choice for a room that was not
    /// sampled densely.
    pub rectangular_standard_db: f64,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Why a site cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SiteError {
    /// No value.
    #[error("no value of site attenuation; expected at least one")]
    Empty,
    /// A value that is impossible.
    #[error("value {number}: {field} {value}; expected {expected}")]
    Value {
        /// Counted from 1.
        number: usize,
        /// Its name.
        field: &'static str,
        /// As given.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
}

/// Holds a site's measured attenuation against theory.
///
/// # Errors
/// No values, or impossible ones.
pub fn compare(measured: &[Measured], scan: &Scan) -> Result<Site, SiteError> {
    if measured.is_empty() {
        return Err(SiteError::Empty);
    }
    let mut deviations = Vec::with_capacity(measured.len());
    for (i, m) in measured.iter().enumerate() {
        let fault = |field, value, expected| SiteError::Value { number: i + 1, field, value, expected };
        if !(m.frequency_hz >= 1e6 && m.frequency_hz <= 2e9) {
            return Err(fault("frequency_hz", m.frequency_hz, "1 MHz to 2 GHz (the method is for 30 MHz to 1 GHz)"));
        }
        if !m.attenuation_db.is_finite() {
            return Err(fault("attenuation_db", m.attenuation_db, "a finite number of dB"));
        }
        if !(m.distance_m > 0.0 && m.distance_m.is_finite()) {
            return Err(fault("distance_m", m.distance_m, "metres, above zero"));
        }
        if !(m.transmit_m > 0.0 && m.transmit_m.is_finite()) {
            return Err(fault("transmit_m", m.transmit_m, "metres above the floor"));
        }
        let theory_db = attenuation_db(m.frequency_hz, m.distance_m, m.transmit_m, scan, m.polarisation);
        let deviation_db = m.attenuation_db - theory_db;
        deviations.push(Deviation {
            measured: m.clone(),
            theory_db,
            deviation_db,
            accepted: deviation_db.abs() <= SITE_TOLERANCE_DB,
        });
    }
    let n = deviations.len() as f64;
    let largest = deviations
        .iter()
        .max_by(|a, b| a.deviation_db.abs().total_cmp(&b.deviation_db.abs()))
        .map_or((0.0, 0.0), |d| (d.deviation_db.abs(), d.measured.frequency_hz));
    let mut notes = Vec::new();
    let (low, high) = deviations
        .iter()
        .map(|d| d.measured.frequency_hz)
        .fold((f64::INFINITY, 0.0f64), |(l, h), f| (l.min(f), h.max(f)));
    if low > 30e6 * 1.001 || high < 1e9 * 0.999 {
        notes.push(format!(
            "Measured from {:.1} to {:.1} MHz only: a site is accepted from 30 to 1000 MHz.",
            low / 1e6,
            high / 1e6
        ));
    }
    let polarisations = [Polarisation::Horizontal, Polarisation::Vertical]
        .iter()
        .filter(|p| deviations.iter().any(|d| d.measured.polarisation == **p))
        .count();
    if polarisations < 2 {
        notes.push("Only one polarisation was measured: both are asked for.".to_owned());
    }
    Ok(Site {
        accepted: deviations.iter().all(|d| d.accepted),
        largest_db: largest.0,
        largest_hz: largest.1,
        mean_db: deviations.iter().map(|d| d.deviation_db).sum::<f64>() / n,
        rms_db: (deviations.iter().map(|d| d.deviation_db.powi(2)).sum::<f64>() / n).sqrt(),
        deviations,
        half_width_db: largest.0,
        triangular_standard_db: largest.0 / 6f64.sqrt(),
        rectangular_standard_db: largest.0 / 3f64.sqrt(),
        notes,
    })
}
