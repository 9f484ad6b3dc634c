//! A part known by measurement: scattering parameters to impedance, and the table.
//!
//! One port: Z = Z₀·(1 + s)/(1 − s). Two ports, the part in the path: Z = 2·Z₀·(1 − S₂₁)/S₂₁; the part from the path to
//! ground: Z = Z₀·S₂₁/(2·(1 − S₂₁)) (textbook; the first for some Ω to some kΩ, the last for fractions of an ohm).

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::RemedyError;

/// How the part stood between the ports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fixture {
    /// Reflection at one port.
    OnePort,
    /// Two ports, the part from one to the other.
    SeriesThrough,
    /// Two ports, the part from the joined ports to ground.
    ShuntThrough,
}

/// Impedance against frequency, measured: rising rows, complex-linear over the logarithm of frequency between them, and
/// no value outside.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeasuredImpedance {
    /// `[frequency_hz, resistance_ohm, reactance_ohm]`.
    pub rows: Vec<[f64; 3]>,
    /// What a reader should know: where the part seemed to give power, and the like.
    #[serde(default)]
    pub notes: Vec<String>,
}

/// Impedance from a scattering parameter (S₁₁ of one port, S₂₁ of two), reference in Ω.
pub fn impedance_from_s(s: Complex64, fixture: Fixture, reference_ohm: f64) -> Complex64 {
    let one = Complex64::ONE;
    match fixture {
        Fixture::OnePort => reference_ohm * (one + s) / (one - s),
        Fixture::SeriesThrough => 2.0 * reference_ohm * (one - s) / s,
        Fixture::ShuntThrough => reference_ohm * s / (2.0 * (one - s)),
    }
}

impl MeasuredImpedance {
    /// From scattering parameters against rising frequencies in Hz. A negative resistance (a passive part does not give
    /// power: calibration at fault) is kept as measured where it is small beside the reactance or the reference, set to
    /// zero, and said in the notes.
    ///
    /// # Errors
    /// Lists of different length, or a frequency that does not rise.
    pub fn from_s(
        part: &str,
        frequency_hz: &[f64],
        s: &[Complex64],
        fixture: Fixture,
        reference_ohm: f64,
    ) -> Result<Self, RemedyError> {
        if frequency_hz.len() != s.len() {
            return Err(RemedyError::part(part, "parameters", s.len(), "one for each frequency"));
        }
        if !(reference_ohm.is_finite() && reference_ohm > 0.0) {
            return Err(RemedyError::part(part, "reference", reference_ohm, "a resistance above zero, Ω"));
        }
        let mut negative: Option<(f64, f64, usize)> = None;
        let mut rows = Vec::with_capacity(s.len());
        for (&f, &s) in frequency_hz.iter().zip(s) {
            let z = impedance_from_s(s, fixture, reference_ohm);
            if f <= 0.0 || !z.is_finite() {
                continue;
            }
            if z.re < 0.0 {
                let (low, high, n) = negative.unwrap_or((f, f, 0));
                negative = Some((low.min(f), high.max(f), n + 1));
            }
            rows.push([f, z.re.max(0.0), z.im]);
        }
        let notes = negative.map_or_else(Vec::new, |(low, high, n)| {
            vec![format!(
                "negative resistance at {n} of {} frequencies between {low} Hz and {high} Hz, taken as zero: a passive \
                 part gives no power, so look at the calibration",
                s.len()
            )]
        });
        let table = Self { rows, notes };
        table.check(part)?;
        Ok(table)
    }

    /// Whether the table holds together.
    pub fn check(&self, part: &str) -> Result<(), RemedyError> {
        if self.rows.is_empty() {
            return Err(RemedyError::part(part, "rows", "empty", "[Hz, Ω, Ω] at one frequency or more"));
        }
        let mut before = 0.0;
        for (i, r) in self.rows.iter().enumerate() {
            if !(r[0] > before && r.iter().all(|v| v.is_finite())) {
                return Err(RemedyError::part(
                    part,
                    &format!("row {}", i + 1),
                    format!("{r:?}"),
                    "rising frequencies above zero, finite resistance and reactance",
                ));
            }
            if r[1] < 0.0 {
                return Err(RemedyError::part(part, &format!("row {}, resistance", i + 1), r[1], "zero or more, Ω"));
            }
            before = r[0];
        }
        Ok(())
    }

    /// Impedance, Ω; NaN outside the table.
    pub fn at(&self, frequency_hz: f64) -> Complex64 {
        let k = self.rows.partition_point(|r| r[0] < frequency_hz);
        let z = |r: &[f64; 3]| Complex64::new(r[1], r[2]);
        match (k.checked_sub(1).map(|i| &self.rows[i]), self.rows.get(k)) {
            (_, Some(b)) if b[0] == frequency_hz => z(b),
            (Some(a), Some(b)) => {
                let t = (frequency_hz / a[0]).ln() / (b[0] / a[0]).ln();
                z(a) * (1.0 - t) + z(b) * t
            }
            _ => Complex64::new(f64::NAN, f64::NAN),
        }
    }

    /// First and last frequency, Hz.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        Some((self.rows.first()?[0], self.rows.last()?[0]))
    }

    pub(crate) fn scale(&mut self, factor: f64) {
        for r in &mut self.rows {
            r[1] *= factor;
            r[2] *= factor;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the definition of the wave quantities: 100 Ω on a 50 Ω port reflects 1/3; 100 Ω between two of them passes
    /// 2·50/(2·50 + 100) = ½; 25 Ω from the path to ground also passes ½.
    #[test]
    fn three_fixtures() {
        let s = |x| Complex64::new(x, 0.0);
        for (fixture, s, z) in [
            (Fixture::OnePort, s(1.0 / 3.0), 100.0),
            (Fixture::SeriesThrough, s(0.5), 100.0),
            (Fixture::ShuntThrough, s(0.5), 25.0),
        ] {
            assert!((impedance_from_s(s, fixture, 50.0) - z).norm() < 1e-9, "{fixture:?}");
        }
    }

    #[test]
    fn a_part_that_gives_power_is_noticed() {
        let s = [Complex64::new(0.2, 0.1), Complex64::new(-1.01, 0.0)];
        let t = MeasuredImpedance::from_s("core", &[1e6, 2e6], &s, Fixture::OnePort, 50.0).unwrap();
        assert!(t.notes[0].contains("negative resistance at 1 of 2"), "{:?}", t.notes);
        assert!(t.at(2e6).re == 0.0);
        assert!(t.at(3e6).is_nan() && t.at(0.5e6).is_nan(), "nothing outside");
    }

    #[test]
    fn falling_frequencies_are_named() {
        let t = MeasuredImpedance { rows: vec![[2e6, 1.0, 1.0], [1e6, 1.0, 1.0]], notes: vec![] };
        assert!(t.check("core").unwrap_err().to_string().contains("part `core`: row 2"));
    }
}
