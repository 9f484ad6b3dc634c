//! The record's own noise floor, found from how the envelope at each frequency is distributed over time.
//!
//! Behind a narrow filter, stationary noise has a Rayleigh-distributed envelope: of its mean square P the quantile q is
//! e² = −P·ln(1 − q) (Rice; common practice). Some spectra, far enough apart in time to be independent, are set aside. At
//! each frequency the lower quartile of their magnitudes gives P: a disturbance that comes and goes raises the upper part
//! of the distribution and leaves the lower quartile alone. A steady carrier raises all of it; such a frequency is known by
//! its quartiles being too close together for Rayleigh noise, two beating carriers by an upper tail that is too short, and
//! neither counts. What is left is joined by the median over neighbouring frequencies.
//!
//! What cannot be told apart from the record alone: noise of the instrument and a steady, noise-like emission of the
//! product. The second is part of the floor too. A record with the product switched off tells.

use std::f64::consts::PI;
use std::sync::{Mutex, PoisonError};

use standards::{Band, Detector};

use crate::plan::HOP_SIGMA;
use crate::weighting::{Charge, conduction, sigma_s};

/// Spectra that are set aside at most.
const KEPT: usize = 192;
/// Fewer tell nothing.
const FEWEST: usize = 32;
/// Frequencies looked at, at most; the floor is smooth, so between them it is interpolated.
const MOST_BINS: usize = 1 << 13;
/// Standard deviations of the filter between two spectra set aside: their envelopes are correlated by e^(−4.5²/4) < 1 %.
const APART_SIGMA: f64 = 4.5;
/// Quantiles used, and the least ratio between them for noise. Rayleigh: √(ln 4/ln ¾⁻¹) = 2.195 and √(ln 20/ln 4) = 1.470;
/// a carrier alone gives 1, two carriers of equal size 2.41 and 1.08.
const LOW: f64 = 0.25;
const HIGH: f64 = 0.75;
const TOP: f64 = 0.95;
const LEAST_SPREAD: f64 = 1.7;
const LEAST_TAIL: f64 = 1.25;
/// Neighbours on either side that the median is taken over, in frequencies looked at; the wider ones where too few are noise.
const REACH: [usize; 2] = [16, 64];

/// The floor at every frequency of the levels.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseFloor {
    /// What the RMS-average detector reads on the floor alone, dBµV; NaN where no frequency near by is free of carriers.
    pub rms_average_dbuv: Vec<f64>,
    /// How much more each detector reads on the same noise, dB, in the order of [`Detector::ALL`].
    pub above_rms_average_db: [f64; 4],
}

impl NoiseFloor {
    /// What a detector reads on the floor alone at frequency number `i`, dBµV.
    pub fn level_dbuv(&self, detector: Detector, i: usize) -> f64 {
        let d = Detector::ALL.iter().position(|d| *d == detector).unwrap_or(0);
        self.rms_average_dbuv.get(i).copied().unwrap_or(f64::NAN) + self.above_rms_average_db[d]
    }
}

/// Sets spectra aside while a pass goes on.
pub(crate) struct Sampler {
    /// Every so many frequencies are kept.
    thin: usize,
    state: Mutex<Aside>,
}

struct Aside {
    /// Spectra whose number is a multiple of this.
    stride: u64,
    rows: Vec<(u64, Vec<f32>)>,
}

impl Sampler {
    pub(crate) fn new(bins: usize) -> Self {
        let stride = (APART_SIGMA / HOP_SIGMA).ceil() as u64;
        Self { thin: bins.div_ceil(MOST_BINS).max(1), state: Mutex::new(Aside { stride, rows: Vec::new() }) }
    }

    /// So many spectra are to come: none is set aside that would be dropped again later.
    pub(crate) fn expect(&self, spectra: u64) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        while spectra.div_ceil(state.stride) > KEPT as u64 {
            state.stride *= 2;
        }
    }

    /// Spectrum number `j`, which may come in any order from any thread.
    pub(crate) fn row(&self, j: u64, magnitudes: &[f32]) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if !j.is_multiple_of(state.stride) {
            return;
        }
        state.rows.push((j, magnitudes.iter().step_by(self.thin).copied().collect()));
        while state.rows.len() > KEPT {
            state.stride *= 2;
            let stride = state.stride;
            state.rows.retain(|(j, _)| j.is_multiple_of(stride));
        }
    }

    /// Whether spectrum number `j` would be set aside now.
    pub(crate) fn wants_now(&self, j: u64) -> bool {
        j.is_multiple_of(self.state.lock().unwrap_or_else(PoisonError::into_inner).stride)
    }

    /// Whether spectrum number `j` is asked for, without a lock for those that never are.
    pub(crate) fn wants(j: u64) -> bool {
        j.is_multiple_of((APART_SIGMA / HOP_SIGMA).ceil() as u64)
    }

    /// The floor at `bins` frequencies, after `observed_s` of outputs.
    pub(crate) fn floor(&self, band: Band, bins: usize, observed_s: f64, threads: usize) -> Option<NoiseFloor> {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.rows.len() < FEWEST {
            return None;
        }
        let count = state.rows[0].1.len();
        let mut power = vec![f32::NAN; count];
        let share = count.div_ceil(threads.max(1)).max(256);
        let rows = &state.rows;
        std::thread::scope(|scope| {
            for (part, out) in power.chunks_mut(share).enumerate() {
                let work = move || {
                    let mut column = vec![0.0; rows.len()];
                    for (i, p) in out.iter_mut().enumerate() {
                        for (c, (_, row)) in column.iter_mut().zip(rows) {
                            *c = row[part * share + i];
                        }
                        *p = noise_power(&mut column).unwrap_or(f32::NAN);
                    }
                };
                if part + 1 == count.div_ceil(share) {
                    // The last part is ours: for short lists no thread is started at all.
                    let mut work = work;
                    work();
                } else {
                    scope.spawn(work);
                }
            }
        });
        let joined = join(&power);
        if joined.iter().all(|p| p.is_nan()) {
            return None;
        }
        let level = |p: f64| 10.0 * p.max(1e-24).log10() + 120.0;
        let rms_average_dbuv = (0..bins)
            .map(|i| {
                let (k, rest) = (i / self.thin, i % self.thin);
                let here = joined[k];
                let next = joined.get(k + 1).copied().unwrap_or(here);
                if here.is_nan() || next.is_nan() || rest == 0 {
                    return if here.is_nan() { f64::NAN } else { level(here) };
                }
                let share = rest as f64 / self.thin as f64;
                level(here) * (1.0 - share) + level(next) * share
            })
            .collect();
        Some(NoiseFloor { rms_average_dbuv, above_rms_average_db: above(band, observed_s) })
    }
}

/// Mean square of the noise behind these magnitudes; nothing where they are not those of noise.
fn noise_power(magnitudes: &mut [f32]) -> Option<f32> {
    let n = magnitudes.len();
    let place = |q: f64| ((q * n as f64) as usize).min(n - 1);
    let (low, high, top) = (place(LOW), place(HIGH), place(TOP));
    let (below, &mut e_high, above) = magnitudes.select_nth_unstable_by(high, f32::total_cmp);
    let e_low = *below.select_nth_unstable_by(low, f32::total_cmp).1;
    let e_top = *above.select_nth_unstable_by((top - high).saturating_sub(1), f32::total_cmp).1;
    let noise = e_low > 0.0 && e_high >= LEAST_SPREAD as f32 * e_low && e_top >= LEAST_TAIL as f32 * e_high;
    // Of n exponentially distributed squares of mean P the k-th smallest has the mean P·Σ 1/(n − i), i from 0 to k − 1.
    noise.then(|| e_low * e_low / (0..=low).map(|i| 1.0 / (n - i) as f32).sum::<f32>())
}

/// The median over neighbours that are noise: at least a quarter of them, else none.
fn join(power: &[f32]) -> Vec<f64> {
    let n = power.len();
    let mut near = Vec::with_capacity(2 * REACH[1] + 1);
    (0..n)
        .map(|i| {
            for reach in REACH {
                let window = &power[i.saturating_sub(reach)..(i + reach + 1).min(n)];
                near.clear();
                near.extend(window.iter().filter(|p| !p.is_nan()));
                if near.len() >= 3 && 4 * near.len() >= window.len() {
                    let middle = near.len() / 2;
                    return f64::from(*near.select_nth_unstable_by(middle, f32::total_cmp).1);
                }
            }
            f64::NAN
        })
        .collect()
}

/// What the detectors read on Gaussian noise of mean square 1 behind the band's filter, in dB above its r.m.s. value.
fn above(band: Band, observed_s: f64) -> [f64; 4] {
    // Peak: the level that is crossed once in the time with probability ½. The envelope crosses u times its mean square
    // β·√(u/π)·e^(−u) times a second, β the r.m.s. width of the power spectrum, rad/s (Rice). For this filter β = 1/(√2·σ).
    let beta = 1.0 / (2f64.sqrt() * sigma_s(band.bandwidth_hz()));
    let expected = |u: f64| beta * (u / PI).sqrt() * (-u).exp() * observed_s;
    let (mut low, mut high) = (0.5, 60.0);
    for _ in 0..60 {
        let middle: f64 = 0.5 * (low + high);
        if expected(middle) > 2f64.ln() {
            low = middle;
        } else {
            high = middle;
        }
    }
    let peak_db = 10.0 * low.max(1.0).log10();
    // Quasi-peak: where charging by a Rayleigh-distributed carrier balances the discharge.
    let quasi_peak_db = Charge::of(band).map_or(0.0, |c| {
        let charging = |v: f64| {
            let steps = 2000;
            let span = 6.0;
            let h = span / f64::from(steps);
            (0..steps)
                .map(|k| {
                    let e = v + (f64::from(k) + 0.5) * h;
                    2.0 * e * (-e * e).exp() * e * conduction(v / e) * h
                })
                .sum::<f64>()
                * c.attack
                / PI
        };
        let (mut low, mut high) = (0.0, 6.0);
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            if charging(middle) > c.release * middle {
                low = middle;
            } else {
                high = middle;
            }
        }
        20.0 * (low / c.last).log10()
    });
    // Average: the mean of a Rayleigh envelope is √π/2 of its r.m.s. value.
    [peak_db, quasi_peak_db, 10.0 * (PI / 4.0).log10(), 0.0]
}
