//! From one measuring distance to another: the slope of the standards, what a reflecting floor and a height scan make of
//! it, what the near field of small sources adds, and what an extended product adds.
//!
//! Geometry and formulas: direct ray and its image in a perfect ground plane, as in the theory of normalised site
//! attenuation ([`crate::site`]); fields of the elementary electric and magnetic dipole (textbook closed forms).

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::site::{Scan, greatest_field};

/// Speed of light, m/s.
pub(crate) const LIGHT: f64 = 299_792_458.0;

/// Polarisation of the receiving antenna.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Polarisation {
    /// Electric field along the ground.
    Horizontal,
    /// Electric field upright.
    Vertical,
}

impl Polarisation {
    /// In words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Horizontal => "horizontal",
            Self::Vertical => "vertical",
        }
    }
}

/// What is to be converted.
#[derive(Debug, Clone, PartialEq)]
pub struct Conversion {
    /// Measured at this distance, m.
    pub from_m: f64,
    /// Wanted at this distance, m.
    pub to_m: f64,
    /// Largest dimension of the product with the cables that radiate, m.
    pub product_m: f64,
    /// Lowest and highest height at which it may radiate, m above the floor.
    pub source_height_m: (f64, f64),
    /// Heights the antenna scans; none: no reflecting floor (fully anechoic, or absorber on the floor).
    pub scan: Option<Scan>,
    /// Polarisation; none: whichever is higher was read, both count.
    pub polarisation: Option<Polarisation>,
}

/// The difference of level at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// 20·log₁₀(from/to): what standards allow to be reckoned (20 dB per decade), dB.
    pub convention_db: f64,
    /// Middle of the band, dB to be added to the level at `from_m`.
    pub expected_db: f64,
    /// The least that physics allows with what is known, dB.
    pub least_db: f64,
    /// The most, dB.
    pub most_db: f64,
    /// The least of direct and reflected ray alone, over the source heights and polarisations, dB.
    pub floor_least_db: f64,
    /// The most of them, dB.
    pub floor_most_db: f64,
    /// Part that the near field of small sources makes, dB (full width).
    pub near_field_db: f64,
    /// Part that the extent of the product makes, dB (full width).
    pub extent_db: f64,
}

/// Why there is no conversion at a frequency.
#[derive(Debug, Clone, PartialEq, Serialize, thiserror::Error)]
pub enum DistanceError {
    /// A figure is impossible.
    #[error("{field}: {value}; expected {expected}")]
    Value {
        /// Its name.
        field: &'static str,
        /// As given.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// In the reactive near field.
    #[error(
        "{frequency_hz} Hz: {distance_m} m is {kr:.2}/2π of a wavelength: in the reactive near field electric and magnetic sources \
         fall by different powers of distance, and a level there says nothing of another distance; expected kr of 1 or more"
    )]
    NearField {
        /// Frequency, Hz.
        frequency_hz: f64,
        /// The nearer distance, m.
        distance_m: f64,
        /// 2π times distance over wavelength.
        kr: f64,
    },
    /// Nearer than the product is large.
    #[error(
        "{frequency_hz} Hz: a product of {product_m} m seen from {distance_m} m is out of phase with itself by more than a quarter \
         period: its lobes are not formed yet; expected at least {needed_m:.2} m (D²/2λ, and no nearer than D)"
    )]
    TooLarge {
        /// Frequency, Hz.
        frequency_hz: f64,
        /// The nearer distance, m.
        distance_m: f64,
        /// Largest dimension, m.
        product_m: f64,
        /// The least distance that would do, m.
        needed_m: f64,
    },
}

/// Electric field of an elementary electric dipole across its axis over its far field: |1 + 1/jkr − 1/(kr)²|.
pub fn electric_dipole(kr: f64) -> f64 {
    (Complex64::new(1.0, 0.0) + Complex64::new(0.0, -1.0 / kr) - 1.0 / (kr * kr)).norm()
}

/// Electric field of an elementary magnetic dipole (a small loop) in its plane over its far field: |1 + 1/jkr|.
pub fn magnetic_dipole(kr: f64) -> f64 {
    (1.0 + 1.0 / (kr * kr)).sqrt()
}

/// Field on the axis of an evenly excited line of length D over its far field: |∫ exp(−jkx²/2r) dx|/D, at most 1.
pub fn line(kr: f64, length_over_distance: f64) -> f64 {
    // Phase at the ends k·(D/2)²/2r.
    let ends = kr * length_over_distance.powi(2) / 8.0;
    let n = 64 + (8.0 * ends) as usize;
    // The midpoint rule on half the line (it is symmetric).
    let sum: Complex64 =
        (0..n).map(|i| ((i as f64 + 0.5) / n as f64).powi(2)).map(|x2| Complex64::from_polar(1.0, -ends * x2)).sum();
    (sum / n as f64).norm()
}

fn db(v: f64) -> f64 {
    20.0 * v.log10()
}

impl Conversion {
    fn check(&self, frequency_hz: f64) -> Result<(), DistanceError> {
        let value = |field, value: f64, good: bool, expected| {
            if good { Ok(()) } else { Err(DistanceError::Value { field, value, expected }) }
        };
        let positive = |v: f64| v.is_finite() && v > 0.0;
        value("from_m", self.from_m, positive(self.from_m), "a distance above zero, in metres")?;
        value("to_m", self.to_m, positive(self.to_m), "a distance above zero, in metres")?;
        value("frequency_hz", frequency_hz, positive(frequency_hz), "a frequency above zero")?;
        value("product_m", self.product_m, self.product_m >= 0.0, "a size in metres")?;
        let (low, high) = self.source_height_m;
        value(
            "source_height_m",
            low,
            low > 0.0 && low <= high && high.is_finite(),
            "heights above the floor, the lower first",
        )?;
        if let Some(scan) = &self.scan {
            value(
                "scan",
                scan.from_m,
                scan.from_m > 0.0 && scan.from_m <= scan.to_m,
                "heights above the floor, the lower first",
            )?;
        }
        Ok(())
    }

    /// The difference at one frequency.
    ///
    /// The band is made of three parts that add up as extremes: the floor (direct and reflected ray, greatest over the
    /// scan at each distance, over all source heights of the range and the polarisations that come into question; the middle
    /// of the band is its middle); the near field (between a far source and either elementary dipole); the extent (between a point and an evenly excited line as long as the product).
    ///
    /// # Errors
    /// Impossible figures; the nearer distance in the reactive near field (kr < 1) or nearer than D or D²/2λ.
    pub fn at(&self, frequency_hz: f64) -> Result<Difference, DistanceError> {
        self.check(frequency_hz)?;
        let wavelength_m = LIGHT / frequency_hz;
        let k = std::f64::consts::TAU / wavelength_m;
        let near_m = self.from_m.min(self.to_m);
        let kr = k * near_m;
        if kr < 1.0 {
            return Err(DistanceError::NearField { frequency_hz, distance_m: near_m, kr });
        }
        let needed_m = self.product_m.max(self.product_m.powi(2) / (2.0 * wavelength_m));
        if near_m < needed_m {
            return Err(DistanceError::TooLarge {
                frequency_hz,
                distance_m: near_m,
                product_m: self.product_m,
                needed_m,
            });
        }
        let convention_db = db(self.from_m / self.to_m);
        let (floor_least, floor_most) = match &self.scan {
            None => (convention_db, convention_db),
            Some(scan) => {
                let both = [Polarisation::Horizontal, Polarisation::Vertical];
                let asked = self.polarisation.map_or(both.to_vec(), |p| vec![p]);
                let (low, high) = self.source_height_m;
                // The field varies with height over half a wavelength at most; eight steps to a wavelength follow it.
                let steps = if high > low { (8.0 * (high - low) / wavelength_m).ceil().max(4.0) as usize } else { 0 };
                let mut least = f64::INFINITY;
                let mut most = f64::NEG_INFINITY;
                for polarisation in asked {
                    for i in 0..=steps {
                        let height = if steps == 0 { low } else { low + (high - low) * i as f64 / steps as f64 };
                        let field = |distance| greatest_field(frequency_hz, distance, height, scan, polarisation);
                        let difference = db(field(self.to_m) / field(self.from_m));
                        least = least.min(difference);
                        most = most.max(difference);
                    }
                }
                (least, most)
            }
        };
        // Relative to 1/r, how much the field of a small source falls more between the distances.
        let fall = |f: fn(f64) -> f64| db(f(k * self.to_m) / f(k * self.from_m));
        let small = [0.0, fall(electric_dipole), fall(magnetic_dipole)];
        let (near_least, near_most) = ends(&small);
        let along = |r: f64| line(k * r, self.product_m / r);
        let (extent_least, extent_most) = ends(&[0.0, db(along(self.to_m) / along(self.from_m))]);
        let least_db = floor_least + near_least + extent_least;
        let most_db = floor_most + near_most + extent_most;
        Ok(Difference {
            frequency_hz,
            convention_db,
            expected_db: f64::midpoint(least_db, most_db),
            least_db,
            most_db,
            floor_least_db: floor_least,
            floor_most_db: floor_most,
            near_field_db: near_most - near_least,
            extent_db: extent_most - extent_least,
        })
    }
}

fn ends(values: &[f64]) -> (f64, f64) {
    (values.iter().copied().fold(f64::INFINITY, f64::min), values.iter().copied().fold(f64::NEG_INFINITY, f64::max))
}
