//! The E-series of preferred numbers (IEC 60063).

use serde::{Deserialize, Serialize};

/// A series of preferred values, so many a decade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Series {
    /// 3 a decade.
    E3,
    /// 6 a decade.
    E6,
    /// 12 a decade.
    E12,
    /// 24 a decade.
    E24,
    /// 48 a decade.
    E48,
    /// 96 a decade.
    E96,
}

/// E24: two digits, which for history's sake are not everywhere the rounded powers.
const E24: [f64; 24] = [
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2,
    9.1,
];

impl Series {
    /// The values from 1 up to below 10.
    pub fn decade(self) -> Vec<f64> {
        let of_24 = |every: usize| E24.iter().copied().step_by(every).collect();
        let rounded =
            |n: i32| (0..n).map(|k| (100.0 * 10f64.powf(f64::from(k) / f64::from(n))).round() / 100.0).collect();
        match self {
            Self::E3 => of_24(8),
            Self::E6 => of_24(4),
            Self::E12 => of_24(2),
            Self::E24 => of_24(1),
            Self::E48 => rounded(48),
            Self::E96 => rounded(96),
        }
    }

    /// Every value between two, ends included where they are preferred values (to a millionth).
    pub fn between(self, from: f64, to: f64) -> Vec<f64> {
        if !(from > 0.0 && to.is_finite()) {
            return Vec::new();
        }
        let decade = self.decade();
        let (first, last) = (from.log10().floor() as i32, to.log10().ceil() as i32);
        (first..=last)
            .flat_map(|d| decade.iter().map(move |v| v * 10f64.powi(d)))
            .filter(|v| *v >= from * (1.0 - 1e-6) && *v <= to * (1.0 + 1e-6))
            .collect()
    }

    /// The largest value that is at most `value`.
    pub fn at_most(self, value: f64) -> f64 {
        self.between(value / 10.0, value).last().copied().unwrap_or(value)
    }

    /// The smallest value that is at least `value`.
    pub fn at_least(self, value: f64) -> f64 {
        self.between(value, value * 10.0).first().copied().unwrap_or(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 60063 (from memory): E3 10 22 47, E6 10 15 22 33 47 68, the first and last of E48 and E96.
    #[test]
    fn preferred_numbers() {
        assert_eq!(Series::E3.decade(), [1.0, 2.2, 4.7]);
        assert_eq!(Series::E6.decade(), [1.0, 1.5, 2.2, 3.3, 4.7, 6.8]);
        assert_eq!(Series::E12.decade()[..5], [1.0, 1.2, 1.5, 1.8, 2.2]);
        assert_eq!(Series::E48.decade()[..4], [1.0, 1.05, 1.1, 1.15]);
        assert_eq!(Series::E96.decade()[..4], [1.0, 1.02, 1.05, 1.07]);
        assert_eq!((Series::E96.decade()[95], Series::E48.decade()[47], Series::E96.decade().len()), (9.76, 9.53, 96));
    }

    #[test]
    fn ends_belong_to_a_range() {
        let c = Series::E6.between(100e-9, 1e-6);
        assert_eq!(c.len(), 7);
        assert!((c[0] - 100e-9).abs() < 1e-15 && (c[6] - 1e-6).abs() < 1e-14);
        assert!((Series::E24.at_most(443e3) - 430e3).abs() < 1.0);
        assert!((Series::E24.at_least(443e3) - 470e3).abs() < 1.0);
    }
}
