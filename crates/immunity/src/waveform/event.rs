//! Where the pulse is in the record: polarity, rest line before it, beginning, rough top.

use super::points::{Noise, Points, correlation, noise_sd, points, step};
use super::{Kind, WaveformError};

/// The pulse, turned positive and with its rest line at zero.
#[derive(Debug, Clone)]
pub(crate) struct Event {
    pub(crate) polarity: f64,
    pub(crate) baseline: f64,
    /// Standard deviation of the baseline.
    pub(crate) baseline_sd: f64,
    /// Samples of rest line before the pulse that were averaged.
    pub(crate) quiet: usize,
    pub(crate) noise: Noise,
    pub(crate) points: Points,
    /// Time of the last rest point before the pulse, s from the first sample.
    pub(crate) start_s: f64,
    /// Rough top.
    pub(crate) peak: f64,
    pub(crate) peak_s: f64,
}

/// Samples averaged in threes: enough to keep a single noisy sample from deciding.
fn soft(w: &[f64], i: usize) -> f64 {
    let a = i.saturating_sub(1);
    let b = (i + 2).min(w.len());
    w[a..b].iter().sum::<f64>() / (b - a) as f64
}

pub(crate) fn find(y: &[f64], dt: f64, kind: Kind) -> Result<Event, WaveformError> {
    const LEAST: usize = 16;
    if y.len() < LEAST {
        return Err(WaveformError::TooShort { samples: y.len(), expected: LEAST });
    }
    if let Some(i) = y.iter().position(|v| !v.is_finite()) {
        return Err(WaveformError::NotANumber { sample: i });
    }
    let sd = noise_sd(y);
    let mut noise = Noise { sd, step: step(y), correlation: 1.0 };
    let mut baseline = y[0];
    let mut baseline_sd = sd;
    let mut quiet = 0;
    let mut polarity = 1.0;
    let (mut start, mut peak_i, mut peak, mut in_front) = (0, 0, 0.0, 0);
    for round in 0..3 {
        if round == 0 {
            let (lo, hi) = y.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
            polarity = if baseline - lo > hi - baseline { -1.0 } else { 1.0 };
        }
        let w: Vec<f64> = y.iter().map(|v| polarity * (v - baseline)).collect();
        let top = (0..w.len()).max_by(|a, b| soft(&w, *a).total_cmp(&soft(&w, *b))).unwrap_or(0);
        let height = soft(&w, top).max(w[top]);
        if height <= 0.0 || height < 8.0 * noise.sd {
            return Err(WaveformError::NoPulse { height, noise: noise.sd });
        }
        let half = (0..=top).find(|i| w[*i].min(soft(&w, *i)) > 0.5 * height).unwrap_or(top);
        let low = (4.0 * noise.sd).max(1.5 * noise.step).max(0.03 * height).min(0.4 * height);
        start = (0..half).rev().find(|i| w[*i] < low).unwrap_or(0);
        peak_i = top;
        if kind == Kind::Esd {
            // The first top, not the hump some 20 ns later.
            let reach = ((5e-9 / dt).ceil() as usize).max(4).max(2 * (half - start));
            let end = (half + reach).min(w.len());
            let first = (half..end).max_by(|a, b| soft(&w, *a).total_cmp(&soft(&w, *b))).unwrap_or(top);
            if first + 1 < end {
                peak_i = first;
            }
        }
        peak = soft(&w, peak_i);
        in_front = half - start;
        let guard = 3 + (half - start);
        quiet = start.saturating_sub(guard);
        if quiet >= 4 {
            baseline = y[..quiet].iter().sum::<f64>() / quiet as f64;
            noise.correlation = correlation(&y[..quiet]);
            let variance = y[..quiet].iter().map(|v| (v - baseline).powi(2)).sum::<f64>() / (quiet - 1).max(1) as f64;
            if noise.correlation > 1.5 && quiet >= 64 {
                // Third differences miss slow noise.
                noise.sd = sd.max(variance.sqrt());
            }
            let white =
                (noise.sd.max(variance.sqrt().min(3.0 * noise.sd)) * noise.correlation.sqrt()) / (quiet as f64).sqrt();
            let coarse = if noise.sd < 0.4 * noise.step { noise.step / 12f64.sqrt() } else { 0.0 };
            baseline_sd = white.max(coarse);
        } else {
            quiet = 0;
            // A record that begins with the pulse: its first sample is the rest line, or zero if it is about zero.
            baseline = if y[0].abs() <= 0.02 * height + 4.0 * noise.sd + noise.step { 0.0 } else { y[0] };
            baseline_sd = if baseline == 0.0 { 0.0 } else { noise.sd.max(noise.step / 12f64.sqrt()) };
        }
    }
    let w: Vec<f64> = y.iter().map(|v| polarity * (v - baseline)).collect();
    let points = points(&w, dt, noise, in_front);
    Ok(Event {
        polarity,
        baseline,
        baseline_sd,
        quiet,
        noise,
        points,
        start_s: start as f64 * dt,
        peak,
        peak_s: peak_i as f64 * dt,
    })
}
