use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use super::HIGHEST_ORDER;
use crate::record::{Finding, Mains};

/// Mains frequency over the observation, Hz: of the windows.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Frequency {
    /// Mean.
    pub mean_hz: f64,
    /// Lowest.
    pub lowest_hz: f64,
    /// Highest.
    pub highest_hz: f64,
}

/// One value per window, in order of time, before smoothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    /// R.m.s. of each order's group, A: `[h]` for h = 2…40; `[1]` is the single line of the fundamental, `[0]` unused.
    pub group_a: Vec<[f64; HIGHEST_ORDER + 1]>,
    /// R.m.s. of each order's single line, A.
    pub line_a: Vec<[f64; HIGHEST_ORDER + 1]>,
    /// R.m.s. of the whole current in the window, A.
    pub input_a: Vec<f64>,
    /// Active power, W; empty without a voltage.
    pub power_w: Vec<f64>,
    /// R.m.s. of the voltage, V; empty without one.
    pub voltage_v: Vec<f64>,
    /// Mains frequency, Hz.
    pub frequency_hz: Vec<f64>,
}

/// Two cycles around the worst window, for drawing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Waveform {
    /// Time from a rising zero crossing of the fundamental, s.
    pub time_s: Vec<f64>,
    /// Voltage, V; empty without one.
    pub voltage_v: Vec<f64>,
    /// Current, A.
    pub current_a: Vec<f64>,
    /// The current of the same power that follows the voltage (that of a resistor), A; empty without a voltage.
    pub following_current_a: Vec<f64>,
    /// Start of the window in the record, s.
    pub at_s: f64,
}

/// Where in the half cycle the current flows, for lighting up to 25 W. Angles in degrees from the zero crossing of the
/// fundamental voltage; the worst half cycle counts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WaveShape {
    /// The current has reached 5 % of its highest peak here (latest).
    pub starts_at_deg: f64,
    /// The peak stands here (latest).
    pub peak_at_deg: f64,
    /// The current falls below 5 % of its highest peak here, not to return in that half cycle (earliest).
    pub ends_at_deg: f64,
}

/// What was measured of a recording, without any limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Nominal mains.
    pub mains: Mains,
    /// Length of the record, s.
    pub record_s: f64,
    /// Windows measured, without gaps.
    pub windows: usize,
    /// Start of the first window in the record, s.
    pub starts_at_s: f64,
    /// Length of all windows together, s.
    pub observed_s: f64,
    /// Mains frequency.
    pub frequency: Frequency,
    /// Largest error that the interpolation between samples makes of any order, % of that order.
    pub interpolation_error_percent: f64,
    /// One value per window.
    pub series: Series,
    /// Mean and maximum r.m.s. of the harmonic sub-group (the order and one bin either side), A.
    pub subgroup_a: Vec<[f64; 2]>,
    /// Mean and maximum r.m.s. of the interharmonic group above each order, A: `[h]` between h and h + 1.
    pub interharmonic_group_a: Vec<[f64; 2]>,
    /// The same of the interharmonic centred sub-group.
    pub interharmonic_subgroup_a: Vec<[f64; 2]>,
    /// Mean and maximum r.m.s. of each order's group of the voltage, V; empty without one.
    pub voltage_group_v: Vec<[f64; 2]>,
    /// Mean pointers, r.m.s., A: Σ √2·|c|·sin(hφ + arg c) with φ = 0 at the rising zero crossing of the fundamental of
    /// the voltage (of the current where there is none).
    pub current_pointer: Vec<Complex64>,
    /// The same of the voltage, V.
    pub voltage_pointer: Vec<Complex64>,
    /// How the current of each order follows the voltage of that order from window to window.
    pub covariance: Vec<Covariance>,
    /// Two cycles of the window with the highest distortion current.
    pub waveform: Option<Waveform>,
    /// Where the current flows, where it was asked for.
    pub wave_shape: Option<WaveShape>,
    /// What was found while measuring.
    pub findings: Vec<Finding>,
}

impl Measured {
    /// Whether the voltage was recorded.
    pub fn has_voltage(&self) -> bool {
        !self.series.voltage_v.is_empty()
    }

    /// Mean over the windows.
    pub fn mean(values: &[f64]) -> Option<f64> {
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    }

    /// Length of a window, s.
    pub fn window_s(&self) -> f64 {
        self.observed_s / self.windows as f64
    }
}

/// Second moments of voltage and current of one order about their means, over the windows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Covariance {
    /// Variance of the voltage pointer, V².
    pub voltage: f64,
    /// Variance of the current pointer, A².
    pub current: f64,
    /// Mean of conj(ΔU)·ΔI, V·A.
    pub both: Complex64,
}

/// Smooths values of successive windows as a first-order low-pass of 1.5 s does (IEC 61000-4-7), as if the record came
/// again and again: a steady record reads the same from its first window on, and a cycled load shows its settled peaks.
pub fn smooth(values: impl IntoIterator<Item = f64>, window_s: f64) -> Vec<f64> {
    let keep = (-window_s / 1.5).exp();
    let mut values: Vec<f64> = values.into_iter().collect();
    let pass = |y: f64, x: f64| x + keep * (y - x);
    let from_rest = values.iter().fold(0.0, |y, x| pass(y, *x));
    let mut state = from_rest / (1.0 - keep.powi(i32::try_from(values.len()).unwrap_or(i32::MAX)));
    for x in &mut values {
        state = pass(state, *x);
        *x = state;
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    // In the steady state of a load on for m windows out of N, the smoothed peak is A(1 − r^m)/(1 − r^N), r = e^(−0.2/1.5):
    // the geometric series of a first-order low-pass.
    #[test]
    fn smoothing_of_a_cycled_load() {
        for (on, peak) in [(5, 0.48720), (10, 0.73734), (15, 0.86577), (25, 0.96555)] {
            let smoothed = smooth((0..50).map(|k| if k < on { 1.0 } else { 0.0 }), 0.2);
            let highest = smoothed.iter().copied().fold(0.0, f64::max);
            assert!((highest - peak).abs() < 1e-5, "{on}: {highest}");
            let mean = smoothed.iter().sum::<f64>() / 50.0;
            assert!((mean - f64::from(on) / 50.0).abs() < 1e-12, "a low-pass keeps the mean: {mean}");
        }
    }

    #[test]
    fn a_steady_value_needs_no_settling() {
        assert!(smooth([2.0, 2.0, 2.0], 0.2).iter().all(|y| (y - 2.0).abs() < 1e-12));
    }
}
