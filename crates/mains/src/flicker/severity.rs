//! Short- and long-term severity. Percentiles are exact order statistics of all readings of an interval; there are no
//! classes, so there is no error of classes.

use serde::{Deserialize, Serialize};

/// Length of an interval of short-term severity, s.
pub const PST_INTERVAL_S: f64 = 600.0;
/// Intervals in a long-term severity (2 h).
pub const PLT_INTERVALS: usize = 12;

/// Short-term severity of one interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PstInterval {
    /// Start, s from the first sample.
    pub start_s: f64,
    /// Length, s: 600, or less at the end of a record.
    pub duration_s: f64,
    /// Short-term severity of what there is of it.
    pub pst: f64,
    /// True for full 10 min.
    pub complete: bool,
    /// Highest instantaneous sensation.
    pub pinst_max: f64,
}

/// Level exceeded `percent` % of the time, between readings by a straight line. `sorted` ascends.
fn exceeded(sorted: &[f64], percent: f64) -> f64 {
    let place = (1.0 - percent / 100.0) * (sorted.len() - 1) as f64;
    let low = place.floor() as usize;
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + (sorted[high] - sorted[low]) * (place - low as f64)
}

/// Short-term severity of a set of readings of the instantaneous sensation, evenly spaced in time; sorts them.
/// Smoothed percentiles of IEC 61000-4-15. No reading: no severity (NaN).
pub fn pst(readings: &mut [f64]) -> f64 {
    if readings.is_empty() {
        return f64::NAN;
    }
    readings.sort_unstable_by(f64::total_cmp);
    let p = |list: &[f64]| list.iter().map(|x| exceeded(readings, *x)).sum::<f64>() / list.len() as f64;
    (0.0314 * p(&[0.1])
        + 0.0525 * p(&[0.7, 1.0, 1.5])
        + 0.0657 * p(&[2.2, 3.0, 4.0])
        + 0.28 * p(&[6.0, 8.0, 10.0, 13.0, 17.0])
        + 0.08 * p(&[30.0, 50.0, 80.0]))
    .max(0.0)
    .sqrt()
}

/// Cubic mean of short-term severities: the long-term severity where there are twelve in a row.
pub fn plt(pst: &[f64]) -> Option<f64> {
    (!pst.is_empty()).then(|| (pst.iter().map(|p| p.powi(3)).sum::<f64>() / pst.len() as f64).cbrt())
}

/// Highest cubic mean of any twelve intervals in a row.
pub fn highest_plt(pst: &[f64]) -> Option<f64> {
    pst.windows(PLT_INTERVALS).filter_map(plt).reduce(f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// sqrt(0.0314 + 0.0525 + 0.0657 + 0.28 + 0.08): all percentiles are 1.
    #[test]
    fn constant_sensation() {
        let mut readings = vec![1.0; 1000];
        assert!((pst(&mut readings) - 0.71386).abs() < 1e-5);
    }

    /// Readings 0, 1, ... n: the level exceeded x % of the time is n (1 - x/100).
    #[test]
    fn percentiles_are_those_of_a_straight_distribution() {
        let n = 60_000.0;
        let mut readings: Vec<f64> = (0..=60_000).map(f64::from).rev().collect();
        let level = |x: f64| n * (1.0 - x / 100.0);
        let p50 = (level(30.0) + level(50.0) + level(80.0)) / 3.0;
        let p10 = [6.0, 8.0, 10.0, 13.0, 17.0].map(level).iter().sum::<f64>() / 5.0;
        let p3 = [2.2, 3.0, 4.0].map(level).iter().sum::<f64>() / 3.0;
        let p1 = [0.7, 1.0, 1.5].map(level).iter().sum::<f64>() / 3.0;
        let expected = (0.0314 * level(0.1) + 0.0525 * p1 + 0.0657 * p3 + 0.28 * p10 + 0.08 * p50).sqrt();
        assert!((pst(&mut readings) / expected - 1.0).abs() < 1e-12);
    }

    #[test]
    fn long_term_is_a_cubic_mean() {
        let mut list = vec![0.0; 12];
        list[3] = 1.0;
        assert!((plt(&list).unwrap() - (1.0f64 / 12.0).cbrt()).abs() < 1e-12);
        assert!(highest_plt(&list[..11]).is_none());
        list.push(1.0);
        assert!((highest_plt(&list).unwrap() - (2.0f64 / 12.0).cbrt()).abs() < 1e-12);
    }
}
