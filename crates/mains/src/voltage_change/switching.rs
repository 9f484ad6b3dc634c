//! dmax of manual switching (IEC 61000-3-3 Annex B, from memory): 24 switchings at random instants, each from cold; the
//! highest and the lowest result are left out, and the mean of the other 22 is held against the limit.

use serde::{Deserialize, Serialize};

use crate::MainsError;

/// Switchings the procedure asks for.
pub const SWITCHINGS: usize = 24;

/// Outcome of the procedure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SwitchingResult {
    /// Mean of the 22 that count, %.
    pub dmax_percent: f64,
    /// Left out at the bottom, %.
    pub lowest_percent: f64,
    /// Left out at the top, %.
    pub highest_percent: f64,
    /// Sample standard deviation of the 22, %.
    pub deviation_percent: f64,
}

/// Evaluates 24 switchings.
pub fn manual_switching(dmax_percent: &[f64]) -> Result<SwitchingResult, MainsError> {
    if dmax_percent.len() != SWITCHINGS || dmax_percent.iter().any(|d| !(d.is_finite() && *d >= 0.0)) {
        return Err(MainsError::Setting {
            field: "manual switching",
            what: format!("{} results", dmax_percent.iter().filter(|d| d.is_finite() && **d >= 0.0).count()),
            expected: format!("dmax of {SWITCHINGS} switchings, each a number of percent"),
        });
    }
    let mut sorted = dmax_percent.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = &sorted[1..SWITCHINGS - 1];
    let n = middle.len() as f64;
    let mean = middle.iter().sum::<f64>() / n;
    let deviation = (middle.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    Ok(SwitchingResult {
        dmax_percent: mean,
        lowest_percent: sorted[0],
        highest_percent: sorted[SWITCHINGS - 1],
        deviation_percent: deviation,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_are_left_out() {
        let mut list: Vec<f64> = (1..=22).map(|k| 3.0 + f64::from(k) * 0.1).collect();
        list.insert(7, 40.0);
        list.push(0.0);
        let r = manual_switching(&list).unwrap();
        assert!((r.dmax_percent - 4.15).abs() < 1e-12 && r.highest_percent == 40.0 && r.lowest_percent == 0.0);
        assert!(manual_switching(&list[1..]).unwrap_err().to_string().contains("24"));
    }
}
