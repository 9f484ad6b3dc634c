use serde::{Deserialize, Serialize};

/// How a table runs between its points.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Interpolation {
    /// Straight in decibels over the logarithm of frequency: the way limits and factors are published.
    #[default]
    LogFrequency,
    /// Straight in decibels over frequency itself (disturbance power of CISPR 14-1).
    LinearFrequency,
}

/// Which value holds exactly at a step, where two points share one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AtStep {
    /// The lower one: the rule for limits.
    #[default]
    Lower,
    /// The higher one: the cautious choice for a correction that raises the result.
    Higher,
}

/// Why points do not make a table.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TableError {
    /// No points at all.
    #[error("a table needs at least one point")]
    Empty,
    /// A frequency is zero, negative or no number; or a value is no finite number.
    #[error(
        "point {index}: frequency {frequency_hz} Hz with value {value_db} dB: expected a positive frequency and a finite value"
    )]
    NotANumber {
        /// Counted from 1.
        index: usize,
        /// As given.
        frequency_hz: f64,
        /// As given.
        value_db: f64,
    },
    /// Frequencies fall.
    #[error(
        "point {index} at {frequency_hz} Hz comes after {before_hz} Hz: expected rising frequencies (two equal ones make a step)"
    )]
    Falling {
        /// Counted from 1.
        index: usize,
        /// The offending frequency.
        frequency_hz: f64,
        /// The one before it.
        before_hz: f64,
    },
    /// Three or more points share a frequency.
    #[error("three points at {frequency_hz} Hz: a step has two")]
    ThreeAtOnce {
        /// The shared frequency.
        frequency_hz: f64,
    },
}

/// Decibels against frequency: rising points, straight lines between them, steps where two points share a frequency.
/// There is no value outside the first and the last point: nothing is extrapolated.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LogTable {
    points: Vec<(f64, f64)>,
    interpolation: Interpolation,
    at_step: AtStep,
}

impl LogTable {
    /// A table from `(frequency in Hz, value in dB)`, frequencies rising; two equal ones make a step.
    pub fn new(points: Vec<(f64, f64)>, interpolation: Interpolation, at_step: AtStep) -> Result<Self, TableError> {
        if points.is_empty() {
            return Err(TableError::Empty);
        }
        for (i, &(f, v)) in points.iter().enumerate() {
            if !(f.is_finite() && f > 0.0 && v.is_finite()) {
                return Err(TableError::NotANumber { index: i + 1, frequency_hz: f, value_db: v });
            }
            if i > 0 && f < points[i - 1].0 {
                return Err(TableError::Falling { index: i + 1, frequency_hz: f, before_hz: points[i - 1].0 });
            }
            if i > 1 && f == points[i - 2].0 {
                return Err(TableError::ThreeAtOnce { frequency_hz: f });
            }
        }
        Ok(Self { points, interpolation, at_step })
    }

    /// One value over a range of frequencies.
    pub fn constant(from_hz: f64, to_hz: f64, value_db: f64) -> Result<Self, TableError> {
        Self::new(vec![(from_hz, value_db), (to_hz, value_db)], Interpolation::LogFrequency, AtStep::Lower)
    }

    /// The points as given.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// How the table runs between its points.
    pub fn interpolation(&self) -> Interpolation {
        self.interpolation
    }

    /// First and last frequency, Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        (self.points[0].0, self.points[self.points.len() - 1].0)
    }

    /// The value in dB at a frequency in Hz, or nothing outside the table.
    pub fn at(&self, frequency_hz: f64) -> Option<f64> {
        let p = &self.points;
        let (lo, hi) = self.range_hz();
        if !(frequency_hz >= lo && frequency_hz <= hi) {
            return None;
        }
        let i = p.partition_point(|q| q.0 < frequency_hz);
        if p[i].0 == frequency_hz {
            let first = p[i].1;
            return Some(match p.get(i + 1) {
                Some(&(f, second)) if f == frequency_hz => match self.at_step {
                    AtStep::Lower => first.min(second),
                    AtStep::Higher => first.max(second),
                },
                _ => first,
            });
        }
        let ((f0, v0), (f1, v1)) = (p[i - 1], p[i]);
        let t = match self.interpolation {
            Interpolation::LogFrequency => (frequency_hz / f0).ln() / (f1 / f0).ln(),
            Interpolation::LinearFrequency => (frequency_hz - f0) / (f1 - f0),
        };
        Some(v0 + t * (v1 - v0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mains_b() -> LogTable {
        LogTable::new(
            vec![(150e3, 66.0), (500e3, 56.0), (5e6, 56.0), (5e6, 60.0), (30e6, 60.0)],
            Interpolation::LogFrequency,
            AtStep::Lower,
        )
        .unwrap()
    }

    #[test]
    fn straight_in_log_frequency() {
        let t = mains_b();
        let middle = (150e3f64 * 500e3).sqrt();
        assert!((t.at(middle).unwrap() - 61.0).abs() < 1e-9);
        assert_eq!(t.at(150e3), Some(66.0));
        assert_eq!(t.at(30e6), Some(60.0));
    }

    #[test]
    fn the_lower_limit_holds_at_a_step() {
        let t = mains_b();
        assert_eq!(t.at(5e6), Some(56.0));
        assert_eq!(t.at(5.000001e6), Some(60.0));
    }

    #[test]
    fn nothing_outside() {
        let t = mains_b();
        assert_eq!(t.at(149_999.0), None);
        assert_eq!(t.at(30_000_001.0), None);
        assert_eq!(t.at(f64::NAN), None);
    }

    #[test]
    fn a_single_point_is_a_table_of_one_frequency() {
        let t = LogTable::new(vec![(1e6, 3.0)], Interpolation::LogFrequency, AtStep::Lower).unwrap();
        assert_eq!((t.at(1e6), t.at(1.1e6)), (Some(3.0), None));
    }

    #[test]
    fn bad_points_are_named() {
        let make = |p| LogTable::new(p, Interpolation::LogFrequency, AtStep::Lower);
        assert_eq!(make(vec![]), Err(TableError::Empty));
        assert!(matches!(make(vec![(2.0, 0.0), (1.0, 0.0)]), Err(TableError::Falling { index: 2, .. })));
        assert!(matches!(make(vec![(-2.0, 0.0)]), Err(TableError::NotANumber { index: 1, .. })));
        assert!(matches!(make(vec![(1.0, 0.0), (1.0, 2.0), (1.0, 3.0)]), Err(TableError::ThreeAtOnce { .. })));
    }

    proptest! {
        #[test]
        fn between_two_points_it_stays_between(f in 150e3..30e6f64) {
            let v = mains_b().at(f).unwrap();
            prop_assert!((56.0..=66.0).contains(&v));
        }
    }
}
