//! Which part of a limit's range a trace says nothing about, and whether its steps are fine enough.

use standards::Band;

use crate::Trace;

/// Bandwidth (−6 dB) of the receiver at a frequency: the trace's own where it says one, else the one CISPR 16-1-1
/// prescribes; below 9 kHz and above 18 GHz that of the nearest band.
pub(crate) fn bandwidth_hz(trace: &Trace, frequency_hz: f64) -> f64 {
    trace.bandwidth_hz.unwrap_or_else(|| prescribed_bandwidth_hz(frequency_hz))
}

/// The bandwidth CISPR 16-1-1 prescribes at a frequency.
pub(crate) fn prescribed_bandwidth_hz(frequency_hz: f64) -> f64 {
    let nearest = if frequency_hz < 9e3 { Band::A } else { Band::E };
    Band::of(frequency_hz).unwrap_or(nearest).bandwidth_hz()
}

/// Steps around a step, for what is usual there.
const AROUND: usize = 3;

/// What the steps of the measured frequencies show.
pub(crate) struct Coverage {
    /// Parts of the range without a reading.
    pub(crate) holes: Vec<(f64, f64)>,
    /// Widest step that is not a hole, over the bandwidth there: at most 0.5 is fine. `(ratio, step_hz, at_hz)`.
    pub(crate) widest: Option<(f64, f64, f64)>,
}

/// Looks at the frequencies that have a reading inside `range`. A step is a hole where it is wider than the bandwidth
/// and, in frequency and in its logarithm, more than three times as wide as the steps around it; at the ends of the range half a bandwidth or one step may be missing.
pub(crate) fn coverage(trace: &Trace, measured: impl Iterator<Item = f64>, range: (f64, f64)) -> Coverage {
    let f: Vec<f64> = measured.collect();
    let (low, high) = range;
    let (Some(&first), Some(&last)) = (f.first(), f.last()) else {
        return Coverage { holes: vec![range], widest: None };
    };
    // Median of the steps around step k, on a scale: frequency itself or its logarithm.
    let usual_step = |k: usize, scale: fn(f64) -> f64| {
        let mut around = [0.0; 2 * AROUND];
        let mut n = 0;
        for j in k.saturating_sub(AROUND)..(k + AROUND + 1).min(f.len() - 1) {
            if j != k {
                around[n] = scale(f[j + 1]) - scale(f[j]);
                n += 1;
            }
        }
        around[..n].sort_by(f64::total_cmp);
        (n > 0).then(|| around[n / 2])
    };
    let unusual = |k: usize, scale: fn(f64) -> f64| {
        usual_step(k, scale).is_some_and(|usual| scale(f[k + 1]) - scale(f[k]) > 3.0 * usual)
    };
    // A relative whisker, for frequencies that went through decimals.
    let edge = |at: f64, step: f64| (0.5 * bandwidth_hz(trace, at)).max(step) + 1e-6 * at;
    let mut holes = Vec::new();
    let mut widest: Option<(f64, f64, f64)> = None;
    // The smallest of a few, so that a hole right behind the end is not taken for the step.
    let smallest = |steps: &mut dyn Iterator<Item = f64>| steps.take(AROUND).reduce(f64::min).unwrap_or(0.0);
    let first_step = smallest(&mut f.windows(2).map(|w| w[1] - w[0]));
    if first - low > edge(first, first_step) {
        holes.push((low, first));
    }
    for k in 0..f.len() - 1 {
        let step = f[k + 1] - f[k];
        let bandwidth = bandwidth_hz(trace, f[k]);
        if step > bandwidth && unusual(k, |f| f) && unusual(k, f64::ln) {
            holes.push((f[k], f[k + 1]));
        } else if widest.is_none_or(|w| step / bandwidth > w.0) {
            widest = Some((step / bandwidth, step, f[k]));
        }
    }
    let last_step = smallest(&mut f.windows(2).rev().map(|w| w[1] - w[0]));
    if high - last > edge(last, last_step) {
        holes.push((last, high));
    }
    Coverage { holes, widest }
}
