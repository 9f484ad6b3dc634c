//! Which transform meets the asked grid exactly, and at what cost.

use signal::{KaiserLowPass, next_fast_length};

use crate::fft;
use crate::types::{ReceiverError, Settings};
use crate::weighting::sigma_s;

/// Spectra follow each other after this many standard deviations of the filter's response at most.
pub(crate) const HOP_SIGMA: f64 = 0.8;
/// The filter's response is cut at this many standard deviations: side lobes below −140 dB from three bandwidths on. At a
/// step of half a bandwidth just two samples then meet on each place of a transform.
pub(crate) const HALF_WIDTH_SIGMA: f64 = 5.3;
/// Stop band and ripple of the rate changer, dB: 0.0001 dB of ripple.
const RATE_CHANGE_DB: f64 = 100.0;
/// More rows than this is a mistake in a unit, not a wish.
const MAX_BINS: f64 = 4e6;

/// Where no step is asked for the record's own frequencies are taken unless the transform costs this many times what a
/// record of a lower rate would: a rate far above the asked range.
const NATIVE_WORTH: f64 = 2.0;

/// How the record becomes spectra on the grid.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    /// The frequencies.
    pub(crate) frequency_hz: Vec<f64>,
    /// Rate of what is transformed (the record's own or the changed one), Hz.
    pub(crate) stream_hz: f64,
    /// What is transformed is complex.
    pub(crate) complex: bool,
    /// The record is real, so each of its sines has half its amplitude on its bin.
    pub(crate) record_real: bool,
    /// Transform length.
    pub(crate) length: usize,
    /// Bin of the first frequency.
    pub(crate) first_bin: usize,
    /// The rate changer, where the record's own rate does not divide into the grid.
    pub(crate) mixed: Option<Mixed>,
    /// What was done, for people.
    pub(crate) notes: Vec<String>,
}

/// The grid that a transform of the record as it is has: multiples of the rate over its length, counted from the record's
/// own 0 Hz.
struct Native {
    length: usize,
    first: i64,
    last: i64,
}

impl Native {
    /// The coarsest that is as fine as `step_hz` and fast; none where no frequency of it lies in `range_hz`.
    fn new(rate_hz: f64, step_hz: f64, range_hz: [f64; 2], complex: bool) -> Option<Self> {
        let length = cheapest_length((rate_hz / step_hz - 1e-9).ceil() as usize, complex);
        let place = range_hz.map(|f| f * length as f64 / rate_hz);
        let (first, last) = ((place[0] - 1e-9).ceil() as i64, (place[1] + 1e-9).floor() as i64);
        // Half the rate is the first and the last frequency of a complex record: once is enough.
        let last = if complex { last.min(first + length as i64 - 1) } else { last.min(length as i64 / 2) };
        (first <= last).then_some(Self { length, first, last })
    }
}

/// A move of part of the spectrum to a complex record at a rate that is a whole number of steps.
#[derive(Debug, Clone)]
pub(crate) struct Mixed {
    /// Middle of the part, in the record's own frequency, Hz.
    pub(crate) centre_hz: f64,
    /// Part of a step by which the grid misses zero, Hz.
    pub(crate) offset_hz: f64,
    pub(crate) low_pass: KaiserLowPass,
}

impl Plan {
    pub(crate) fn new(settings: &Settings, record_complex: bool) -> Result<Self, ReceiverError> {
        let bad = |field, what: String, expected: &str| {
            Err(ReceiverError::Settings { field, what, expected: expected.to_owned() })
        };
        let rate = settings.rate_hz;
        if settings.centre_hz.is_some() && !record_complex {
            return bad(
                "centre_hz",
                "a centre frequency is given, but the record is real".to_owned(),
                "none, or a complex (in-phase and quadrature) record",
            );
        }
        let bandwidth = settings.band.bandwidth_hz();
        let step = settings.step_hz.unwrap_or(settings.band.step_hz());
        if !(step.is_finite() && step > 0.0) {
            return bad("step_hz", format!("{step} Hz is no step"), "a number above 0");
        }
        let centre = settings.centre_hz.unwrap_or(0.0);
        if !centre.is_finite() {
            return bad("centre_hz", format!("{centre} Hz is no frequency"), "a finite number");
        }
        // What the record holds, and of it what is clear of the folding edge by a bandwidth.
        let (holds_low, holds_high) =
            if record_complex { (centre - 0.5 * rate, centre + 0.5 * rate) } else { (0.0, 0.5 * rate) };
        let (clear_low, clear_high) =
            (if record_complex { holds_low + bandwidth } else { holds_low }, holds_high - bandwidth);
        let (band_low, band_high) = settings.band.range_hz();
        let mut notes = Vec::new();

        let from = match settings.from_hz {
            Some(f) => f,
            None if band_low >= clear_low => band_low,
            None => band_low + step * ((clear_low - band_low) / step).ceil(),
        };
        let to = settings.to_hz.unwrap_or_else(|| band_high.min(clear_high));
        if settings.to_hz.is_none() && to < band_high && to > from {
            notes.push(format!(
                "the record's rate of {rate} Hz ends the scan at {to:.0} Hz, below the band's upper edge of {band_high:.0} Hz"
            ));
        }
        if !(from.is_finite() && to.is_finite()) {
            return bad("from_hz", format!("the range {from} Hz to {to} Hz is not finite"), "finite frequencies");
        }
        if to < from {
            return if settings.from_hz.is_none() && settings.to_hz.is_none() {
                bad(
                    "rate_hz",
                    format!(
                        "at {rate} Hz the record holds {holds_low:.0} Hz to {holds_high:.0} Hz: nothing of the band"
                    ),
                    &format!("a record that reaches into {band_low:.0} Hz to {band_high:.0} Hz"),
                )
            } else {
                bad("to_hz", format!("the range ends at {to} Hz, below its start at {from} Hz"), "from below to")
            };
        }
        if from < holds_low || from > holds_high {
            return bad(
                "from_hz",
                format!("{from} Hz lies outside what the record holds"),
                &format!("{holds_low:.0} Hz to {holds_high:.0} Hz"),
            );
        }
        if to > holds_high * (1.0 + 1e-12) {
            return bad(
                "to_hz",
                format!("{to} Hz lies outside what the record holds"),
                &format!("at most {holds_high:.0} Hz (half the rate from the centre)"),
            );
        }
        let count = ((to - from) / step + 1e-9).floor() + 1.0;
        if count > MAX_BINS {
            return bad("step_hz", format!("the grid has {count:.0} frequencies"), "at most 4 million");
        }
        let count = count as usize;
        if step > 0.5 * bandwidth * (1.0 + 1e-9) {
            notes.push(format!(
                "the step of {step} Hz is wider than half the bandwidth of {bandwidth} Hz: an emission between two frequencies reads low or is missed"
            ));
        }
        let frequency_hz: Vec<f64> = (0..count).map(|k| from + step * k as f64).collect();
        let last = frequency_hz[count - 1];

        // A transform of a whole number of record samples for each step, with the grid on its bins.
        let per_step = rate / step;
        let first = (from - centre) / step;
        let whole = |x: f64| (x - x.round()).abs() <= 1e-9 * x.abs().max(1.0);
        let direct = (whole(per_step) && whole(first) && per_step.round() >= 2.0).then(|| per_step.round() as usize);
        let spectra_per_s = 1.0 / (HOP_SIGMA * sigma_s(bandwidth));
        let direct_cost = direct.map(|n| spectra_per_s * spectrum_cost(n, record_complex, rate, bandwidth));
        let (mixed_cost, mixed) = cheapest_mix(rate, record_complex, from - centre, last - centre, step, bandwidth);

        if let (Some(n), Some(cost)) = (direct, direct_cost)
            && cost <= mixed_cost
        {
            let first_bin = first.round().rem_euclid(n as f64) as usize;
            return Ok(Self {
                frequency_hz,
                stream_hz: rate,
                complex: record_complex,
                record_real: !record_complex,
                length: n,
                first_bin,
                mixed: None,
                notes,
            });
        }
        if direct.is_none()
            && settings.step_hz.is_none()
            && let Some(native) = Native::new(rate, step, [from - centre, to - centre], record_complex)
            && spectra_per_s * spectrum_cost(native.length, record_complex, rate, bandwidth)
                <= NATIVE_WORTH * mixed_cost
        {
            let native_step = rate / native.length as f64;
            notes.push(format!(
                "no step was asked for and {rate} Hz does not divide into {from} Hz + k·{step} Hz: the frequencies are the record's own, {} Hz apart (the rate over {}), at least as fine as half the bandwidth",
                (native_step * 1e6).round() / 1e6,
                native.length
            ));
            return Ok(Self {
                frequency_hz: (native.first..=native.last)
                    .map(|k| centre + k as f64 * rate / native.length as f64)
                    .collect(),
                stream_hz: rate,
                complex: record_complex,
                record_real: !record_complex,
                length: native.length,
                first_bin: native.first.rem_euclid(native.length as i64) as usize,
                mixed: None,
                notes,
            });
        }
        let (length, mixed) = mixed;
        let stream_hz = length as f64 * step;
        let first_bin = ((from - centre - mixed.offset_hz) / step).round().rem_euclid(length as f64) as usize;
        if direct.is_none() {
            notes.push(format!(
                "{rate} Hz and the grid {from} Hz + k·{step} Hz do not divide: the part round {:.0} Hz was mixed down and brought to {stream_hz} Hz, so that every asked frequency is met exactly",
                mixed.centre_hz + centre
            ));
        }
        Ok(Self {
            frequency_hz,
            stream_hz,
            complex: true,
            record_real: !record_complex,
            length,
            first_bin,
            mixed: Some(mixed),
            notes,
        })
    }
}

impl Plan {
    /// Samples from spectrum to spectrum for a filter of so many samples' standard deviation: a whole part of the transform
    /// where that costs few spectra more, because then all that meets in the first butterflies lies together.
    pub(crate) fn hop(&self, sigma: f64) -> usize {
        let most = ((HOP_SIGMA * sigma).floor() as usize).max(1);
        let parts = self.length.div_ceil(most);
        let part = self.length / parts;
        if self.length.is_multiple_of(parts) && part as f64 >= 0.9 * most as f64 { part } else { most }
    }

    /// The spectra show the upper half of a real record's.
    pub(crate) fn upper_half(&self) -> bool {
        self.record_real
    }
}

/// What is wrong with the settings whatever the record is.
pub(crate) fn check(settings: &Settings) -> Result<(), ReceiverError> {
    let bad =
        |field, what: String| Err(ReceiverError::Settings { field, what, expected: "a number above 0".to_owned() });
    let rate = settings.rate_hz;
    if !(rate.is_finite() && rate > 0.0) {
        return bad("rate_hz", format!("{rate} Hz is no sampling rate"));
    }
    let volts = settings.volts_per_unit;
    if !(volts.is_finite() && volts > 0.0) {
        return bad("volts_per_unit", format!("{volts} V for one unit is no scale"));
    }
    Ok(())
}

/// Relative cost of what is done for each spectrum: the transform, and detectors at its bins.
fn transform_cost(n: usize, complex: bool) -> f64 {
    // A real record of an odd length is transformed as a complex one.
    fft::cost(n, complex || !n.is_multiple_of(2))
}

/// The same with window and fold, at a rate.
fn spectrum_cost(n: usize, complex: bool, rate_hz: f64, bandwidth_hz: f64) -> f64 {
    let window = 2.0 * HALF_WIDTH_SIGMA * sigma_s(bandwidth_hz) * rate_hz;
    transform_cost(n, complex) + 2.0 * window * if complex { 2.0 } else { 1.0 }
}

/// The cheapest length not below `least`, a little longer at most: `bins_share` bins go through the detectors for each
/// value of the input.
fn cheapest_length(least: usize, complex: bool) -> usize {
    let fits = |n: &usize| complex || n.is_multiple_of(2);
    // Detectors take about forty operations at each bin.
    let cost = |n: usize| transform_cost(n, complex) + 40.0 * n as f64 * if complex { 1.0 } else { 0.5 };
    let least = least.max(2);
    let near = fft::fast_between(least, least + least / 16).into_iter().filter(fits);
    let near = near.min_by(|a, b| cost(*a).total_cmp(&cost(*b)));
    near.unwrap_or_else(|| next_fast_length(least, !complex))
}

fn cheapest_mix(
    rate: f64,
    record_complex: bool,
    from: f64,
    last: f64,
    step: f64,
    bandwidth: f64,
) -> (f64, (usize, Mixed)) {
    let spectra_per_s = 1.0 / (HOP_SIGMA * sigma_s(bandwidth));
    // The filter of the outermost frequency reaches two bandwidths beyond it (−96 dB).
    let half = 0.5 * (last - from) + 2.0 * bandwidth;
    let middle = 0.5 * (from + last);
    let offset_hz = from.rem_euclid(step);
    let offset_hz = if offset_hz > step * (1.0 - 1e-9) || offset_hz < step * 1e-9 { 0.0 } else { offset_hz };
    let mut best: Option<(f64, (usize, Mixed))> = None;
    let mut ratio: f64 = 1.05;
    while ratio < 40.0 {
        let length = cheapest_length((2.0 * half * ratio / step).ceil() as usize, true);
        let out = length as f64 * step;
        // Beyond this the next image of the wanted part begins.
        let stop = out.min(rate) - half;
        let stop = if stop > half { stop } else { half + 0.01 * rate };
        let low_pass = KaiserLowPass::new(half / rate, stop / rate, RATE_CHANGE_DB);
        let taps = (2.0 * low_pass.half_length()).ceil() + 1.0;
        let dots = if record_complex { 2.0 } else { 1.0 };
        // Two kernels of `taps` for each output sample, summed across a vector in the end.
        let cost = spectra_per_s * spectrum_cost(length, true, out, bandwidth) + out * dots * (4.0 * taps + 400.0);
        if best.as_ref().is_none_or(|(c, _)| cost < *c) {
            best = Some((cost, (length, Mixed { centre_hz: middle, offset_hz, low_pass })));
        }
        ratio *= 1.06;
    }
    best.unwrap_or_else(|| unreachable!("the loop runs at least once"))
}
