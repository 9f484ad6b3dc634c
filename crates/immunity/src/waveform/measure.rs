//! From a record of one pulse to its quantities with uncertainty, correction and verdict.

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::bandwidth::{CORRECTION_DOUBT, RISE_BANDWIDTH, needed_hz, seen, sigma_s};
use super::event::{Event, find};
use super::fit::{Family, Fitted, condense, fit};
use super::points::Points;
use super::reading::{Formula, Local, Reading};
use super::smooth::Curve;
use super::{Analysis, Edition, Judged, Kind, LevelFrom, Point, Quantity, Settings, WaveformError, tolerance};
use crate::analytic;

/// Repeats of the reading with noise added once more.
const REPEATS: u64 = 24;
/// Standard normal numbers from a fixed seed, so that the same record always gives the same uncertainty.
pub(crate) struct Normal {
    state: u64,
}

impl Normal {
    pub(crate) const fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    pub(crate) fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn next(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        r * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }
}

/// What each kind is asked for: name and words.
fn asked(kind: Kind) -> &'static [(&'static str, &'static str)] {
    match kind {
        Kind::Esd => &[
            ("first_peak_a", "first peak"),
            ("rise_time_s", "rise, 10 % to 90 % of the first peak"),
            ("current_30ns_a", "current 30 ns after the 10 % point"),
            ("current_60ns_a", "current 60 ns after the 10 % point"),
            ("second_peak_a", "highest current from 10 ns to 40 ns"),
        ],
        Kind::Burst => &[("peak_v", "peak"), ("rise_time_s", "rise, 10 % to 90 %"), ("width_s", "width, 50 % to 50 %")],
        Kind::SurgeVoltage | Kind::TelecomVoltage => &[
            ("peak_v", "peak"),
            ("front_time_s", "front, 1.67 × (30 % to 90 %)"),
            ("duration_s", "duration, 50 % to 50 %"),
            ("duration_edition2_s", "duration, virtual origin to 50 % (edition 2)"),
            ("undershoot_percent", "undershoot"),
        ],
        Kind::SurgeCurrent => &[
            ("peak_a", "peak"),
            ("front_time_s", "front, 1.25 × (10 % to 90 %)"),
            ("duration_s", "duration from the 50 % width"),
            ("duration_edition2_s", "duration, virtual origin to 50 % (edition 2)"),
            ("undershoot_percent", "undershoot"),
        ],
        Kind::TelecomCurrent => &[
            ("peak_a", "peak"),
            ("front_time_s", "front, 1.25 × (10 % to 90 %)"),
            ("duration_s", "duration, 50 % to 50 %"),
            ("duration_edition2_s", "duration, virtual origin to 50 % (edition 2)"),
            ("undershoot_percent", "undershoot"),
        ],
        Kind::RingWave => &[
            ("peak_v", "first peak"),
            ("rise_time_s", "rise, 10 % to 90 %"),
            ("frequency_hz", "frequency of the ringing"),
            ("second_peak_percent", "second peak, of the first"),
        ],
    }
}

/// Factor between the width at 50 % and the duration of a current.
fn duration_factor(point: Point) -> f64 {
    if point == Point::LineEarth { 1.04 } else { 1.18 }
}

const MISSING_FRONT: WaveformError = WaveformError::Incomplete {
    what: "the front of the pulse",
    expected: "begins before the pulse and goes on past its peak",
};
const MISSING_TAIL: WaveformError = WaveformError::Incomplete {
    what: "the tail of the pulse down to 50 %",
    expected: "goes on until the pulse is below half its peak",
};

/// The quantities of a kind, in the order of [`asked`], and the times of 10 %, 30 %, 90 % and the falling 50 %.
fn read(kind: Kind, point: Point, r: &dyn Reading) -> Result<(Vec<f64>, f64), WaveformError> {
    let (_, peak) = r.top().ok_or(MISSING_FRONT)?;
    let up = |part: f64| r.rising(part * peak).ok_or(MISSING_FRONT);
    let t10 = up(0.1)?;
    let t90 = up(0.9)?;
    let undershoot = |r: &dyn Reading| -100.0 * r.trough() / peak + 0.0;
    let values = match kind {
        Kind::Esd => {
            let late = WaveformError::Incomplete {
                what: "the current 60 ns after the front",
                expected: "goes on for at least 65 ns after the pulse begins",
            };
            let i30 = r.at(t10 + 30e-9).ok_or_else(|| late.clone())?;
            let i60 = r.at(t10 + 60e-9).ok_or(late)?;
            let second = r.highest(t10 + 10e-9, t10 + 40e-9).map_or(f64::NAN, |h| h.1);
            vec![peak, t90 - t10, i30, i60, second]
        }
        Kind::Burst => {
            let t50 = up(0.5)?;
            vec![peak, t90 - t10, r.falling(0.5 * peak).ok_or(MISSING_TAIL)? - t50]
        }
        Kind::SurgeVoltage | Kind::TelecomVoltage => {
            let t30 = up(0.3)?;
            let t50 = up(0.5)?;
            let half = r.falling(0.5 * peak).ok_or(MISSING_TAIL)?;
            let front = 1.67 * (t90 - t30);
            vec![peak, front, half - t50, half - (t30 - 0.3 * front), undershoot(r)]
        }
        Kind::SurgeCurrent | Kind::TelecomCurrent => {
            let t50 = up(0.5)?;
            let half = r.falling(0.5 * peak).ok_or(MISSING_TAIL)?;
            let front = 1.25 * (t90 - t10);
            let factor = if kind == Kind::SurgeCurrent { duration_factor(point) } else { 1.0 };
            vec![peak, front, factor * (half - t50), half - (t10 - 0.1 * front), undershoot(r)]
        }
        Kind::RingWave => {
            let missing = WaveformError::Incomplete {
                what: "one whole period of the ringing",
                expected: "goes on for at least 15 µs after the pulse begins",
            };
            let zeros = r.zeros(3);
            let [first, _, third] = zeros[..] else { return Err(missing) };
            vec![peak, t90 - t10, 1.0 / (third - first), undershoot(r)]
        }
    };
    Ok((values, t10))
}

/// The standard's own formula of a kind: value, its rise from 10 % to 90 % and its width at 50 % (the widths and rises are
/// computed from the formulas).
fn reference(kind: Kind) -> (fn(f64) -> f64, f64, f64, f64) {
    match kind {
        Kind::Esd => (|t| analytic::esd_current_a(4.0, t) / 14.921, 0.811e-9, 2.5e-9, 0.170e-9),
        Kind::Burst => (analytic::burst_pulse, 5.122e-9, 49.42e-9, 1.05e-9),
        Kind::SurgeVoltage => (analytic::surge_voltage, 0.90e-6, 49.525e-6, 0.11e-6),
        Kind::SurgeCurrent => (analytic::surge_current, 6.4155e-6, 16.248e-6, 2.9e-6),
        Kind::TelecomVoltage => (|t| analytic::surge_voltage(t / 8.0), 7.2e-6, 396e-6, 0.9e-6),
        Kind::TelecomCurrent => (|t| analytic::surge_voltage(t / 4.3), 3.9e-6, 213e-6, 0.5e-6),
        Kind::RingWave => (analytic::ring_wave, 0.5e-6, 2.4e-6, 0.04e-6),
    }
}

/// Steepness and `tau2/tau1` of the standard's formula of a kind.
const BURST: (f64, f64) = (1.8, 51.0 / 3.5);
const SURGE_VOLTAGE: (f64, f64) = (1.852, 65.845 / 0.356);
const SURGE_CURRENT: (f64, f64) = (2.741, 4.296 / 47.52);

const fn whole((n, ratio): (f64, f64)) -> Family {
    Family::Whole { n, ratio }
}

fn families(kind: Kind) -> Vec<Family> {
    match kind {
        Kind::Esd => vec![Family::TwoHeidler, Family::Discharge, Family::WholeDischarge],
        Kind::Burst => vec![
            Family::Heidler,
            Family::DoubleExponential,
            Family::Steep(BURST.0),
            whole(BURST),
            Family::WholeDouble(55.6 / 3.5),
        ],
        Kind::SurgeVoltage => vec![
            Family::Heidler,
            Family::DoubleExponential,
            Family::Steep(SURGE_VOLTAGE.0),
            whole(SURGE_VOLTAGE),
            Family::WholeDouble(68.22 / 0.4074),
        ],
        Kind::TelecomVoltage | Kind::TelecomCurrent => vec![Family::Heidler, Family::DoubleExponential],
        Kind::SurgeCurrent => {
            vec![Family::Heidler, Family::DampedSine, Family::DoubleExponential, whole(SURGE_CURRENT)]
        }
        Kind::RingWave => vec![Family::Ring],
    }
}

/// First guess of a family's parameters. `rise`, `width` in units of the scale; `t10` the 10 % point in them.
fn guess(kind: Kind, family: Family, rise: f64, width: f64, t10: f64, scale_s: f64) -> Vec<f64> {
    let (_, rise0, width0, start0) = reference(kind);
    let (front, tail) = (rise * scale_s / rise0, width * scale_s / width0);
    let start = t10 - start0 * front / scale_s;
    let ln = |s: f64| (s / scale_s).ln();
    let heidler = |h: analytic::Heidler, front: f64, tail: f64, unit: f64| {
        let h = analytic::Heidler { tau1_s: h.tau1_s * front, tau2_s: h.tau2_s * tail, ..h };
        vec![(h.amplitude / unit / h.correction()).ln(), ln(h.tau1_s), h.n.ln(), ln(h.tau2_s)]
    };
    let mut p = vec![start, 0.0];
    match (kind, family) {
        (_, Family::Discharge) => {
            let ns = ln(1e-9);
            p.extend([0.0, ns + front.ln(), 0.0, ns]);
        }
        (_, Family::WholeDischarge) => p.extend([0.0, ln(1e-9) + 0.5 * front.ln()]),
        (Kind::Esd, _) => {
            let [a, b] = analytic::esd_terms(4.0);
            p.extend(heidler(a, front, 1.0, 14.921));
            p.extend(heidler(b, 1.0, 1.0, 14.921));
        }
        (Kind::SurgeCurrent, Family::Heidler | Family::Whole { .. }) => {
            let h = analytic::Heidler { amplitude: 0.939, tau1_s: 47.52e-6, n: SURGE_CURRENT.0, tau2_s: 4.296e-6 };
            let q = heidler(h, front, front, 1.0);
            p.extend(if family == Family::Heidler { &q[..] } else { &q[..2] });
        }
        (_, Family::Heidler | Family::Steep(_) | Family::Whole { .. }) => {
            let h = analytic::Heidler {
                amplitude: 0.94,
                tau1_s: 0.4 * rise * scale_s,
                n: 1.85,
                tau2_s: 1.33 * width * scale_s,
            };
            let q = heidler(h, 1.0, 1.0, 1.0);
            match family {
                Family::Steep(_) => p.extend([q[0], q[1], q[3]]),
                // The tail is known best.
                Family::Whole { ratio, .. } => p.extend([q[0], q[3] - ratio.ln()]),
                _ => p.extend(q),
            }
        }
        (_, Family::WholeDouble(ratio)) => {
            p = vec![t10 - 0.05 * rise, 0.0, 1.05f64.ln(), (width / 0.66).ln() - ratio.ln()];
        }
        (_, Family::DampedSine) => {
            let w = 1.1988e5 / front;
            p = vec![t10 - 0.08 * rise, 0.0, 1.624f64.ln(), 4.15e4 / front * scale_s, (w * scale_s).ln()];
        }
        (_, Family::Ring) => p.extend([
            1.59f64.ln(),
            ln(0.533e-6 * front),
            ln(9.788e-6 * tail),
            (2e5 * std::f64::consts::PI / tail * scale_s).ln(),
        ]),
        _ => p = vec![t10 - 0.05 * rise, 0.0, 1.05f64.ln(), (rise / 2.1).ln(), (width / 0.66).ln()],
    }
    p
}

/// A pulse read in one way: the quantities and their standard deviations.
struct Read {
    values: Vec<f64>,
    sd: Vec<f64>,
    t10: f64,
}

fn read_locally(event: &Event, settings: &Settings) -> Result<Read, WaveformError> {
    let kept = RefCell::new(BTreeMap::new());
    let (values, t10) = read(settings.kind, settings.point, &Local::new(event, &event.points, &kept))?;
    let mut sd = vec![0.0; values.len()];
    if is_clean(event) {
        // What is left is the error of interpolating: every second sample alone would read that much different, and the
        // error of a cubic falls with the fourth power of the distance.
        let p = &event.points;
        let half = |v: &[f64]| v.iter().step_by(2).copied().collect::<Vec<_>>();
        let sparse = Points { t: half(&p.t), y: half(&p.y), sd: half(&p.sd) };
        let again = RefCell::new(BTreeMap::new());
        if let Ok((v, _)) = read(settings.kind, settings.point, &Local::new(event, &sparse, &again)) {
            sd.iter_mut().zip(v.iter().zip(&values)).for_each(|(s, (a, b))| *s = (a - b).abs() / 4.0);
        }
    }
    Ok(Read { values, sd, t10 })
}

/// What the noise does to the local reading, by adding it once more.
fn repeat_locally(event: &Event, settings: &Settings) -> Result<Read, WaveformError> {
    let kept = RefCell::new(BTreeMap::new());
    let (values, t10) = read(settings.kind, settings.point, &Local::new(event, &event.points, &kept))?;
    let mut sums = vec![(0.0, 0u32); values.len()];
    for k in 0..REPEATS {
        let mut normal = Normal::new(k + 1);
        let shift = event.baseline_sd * normal.next();
        let mut again = event.points.clone();
        again.y.iter_mut().zip(&event.points.sd).for_each(|(y, s)| *y += s * normal.next() + shift);
        let Ok((v, _)) = read(settings.kind, settings.point, &Local::new(event, &again, &kept)) else { continue };
        for ((sum, n), (a, b)) in sums.iter_mut().zip(v.iter().zip(&values)) {
            if (a - b).is_finite() {
                *sum += (a - b).powi(2);
                *n += 1;
            }
        }
    }
    let sd = sums.iter().map(|(s, n)| if *n > 0 { (s / f64::from(*n)).sqrt() } else { 0.0 }).collect();
    Ok(Read { values, sd, t10 })
}

/// A formula on the record's own axes: seconds from the first sample, the record's unit, rest line at zero.
fn shape(f: &Fitted, p: &[f64], scale_s: f64, peak: f64) -> impl Fn(f64) -> f64 + use<> {
    let (family, mut p) = (f.family, p.to_vec());
    p[1] = 0.0;
    move |t: f64| peak * family.at(&p, t / scale_s)
}

fn formula_reading(
    event: &Event,
    f: impl Fn(f64) -> f64,
    start_s: f64,
    rise_s: f64,
    kind: Kind,
) -> Formula<impl Fn(f64) -> f64> {
    let end = event.points.t.last().copied().unwrap_or(0.0);
    let first = (kind == Kind::Esd).then_some(event.peak_s - start_s + 2.0 * rise_s);
    Formula::new(f, start_s, 2.0 * rise_s, end, first)
}

fn read_formula(event: &Event, settings: &Settings, f: &Fitted, scale_s: f64) -> Option<Read> {
    let ask = |p: &[f64]| {
        let g = shape(f, p, scale_s, event.peak);
        read(settings.kind, settings.point, &formula_reading(event, g, p[0] * scale_s, scale_s, settings.kind)).ok()
    };
    let (values, t10) = ask(&f.p)?;
    let mut slopes = Vec::with_capacity(f.p.len());
    for j in 0..f.p.len() {
        let h = 1e-4 * f.p[j].abs().max(0.1);
        let mut p = f.p.clone();
        p[j] += h;
        let up = ask(&p)?.0;
        p[j] = f.p[j] - h;
        let down = ask(&p)?.0;
        slopes.push(up.iter().zip(&down).map(|(a, b)| (a - b) / (2.0 * h)).collect::<Vec<f64>>());
    }
    let sd = (0..values.len())
        .map(|q| {
            let mut v = 0.0;
            for (j, row) in f.covariance.iter().enumerate() {
                for (k, c) in row.iter().enumerate() {
                    v += slopes[j][q] * c * slopes[k][q];
                }
            }
            v.max(0.0).sqrt()
        })
        .collect();
    Some(Read { values, sd, t10 })
}

/// A record whose errors do not matter is read locally.
fn is_clean(event: &Event) -> bool {
    event.points.sd.iter().copied().fold(0.0, f64::max) < 2e-5 * event.peak
}

/// Rise from 10 % to 90 % (about) that belongs to the values of a kind.
fn rise_of(kind: Kind, values: &[f64]) -> f64 {
    match kind {
        Kind::SurgeVoltage | Kind::TelecomVoltage => values[1] / 1.67 * 1.25,
        Kind::SurgeCurrent | Kind::TelecomCurrent => values[1] / 1.25,
        _ => values[1],
    }
}

/// The record read off a smooth curve.
fn read_curve(event: &Event, settings: &Settings, local: &Read) -> Option<Read> {
    if is_clean(event) {
        return None;
    }
    let rise_s = rise_of(settings.kind, &local.values);
    if rise_s.is_nan() || rise_s <= 0.0 {
        return None;
    }
    let start = (local.t10 - 0.15 * rise_s).min(event.start_s + rise_s).max(event.start_s - rise_s);
    let data = condense(&event.points, start, rise_s);
    let curve = Curve::fit(&data, start, 0.5 * rise_s)?;
    let ask = |c: &[f64], shift: f64| {
        let c = c.to_vec();
        let (f, early) = (|t: f64| curve.at(&c, t) + shift, start - 0.7 * rise_s);
        let end = event.points.t.last().copied().unwrap_or(0.0);
        let first = (settings.kind == Kind::Esd).then_some(event.peak_s - early + 2.0 * rise_s);
        read(settings.kind, settings.point, &Formula::new(f, early, 2.0 * rise_s, end, first)).ok()
    };
    let (values, t10) = ask(&curve.c, 0.0)?;
    let mut square = vec![0.0; values.len()];
    let mut n = 0.0;
    for k in 0..REPEATS {
        let mut normal = Normal::new(1000 + k);
        let c = curve.varied(|| normal.next());
        let Some((v, _)) = ask(&c, event.baseline_sd * normal.next()) else { continue };
        square.iter_mut().zip(v.iter().zip(&values)).for_each(|(s, (a, b))| *s += (a - b).powi(2));
        n += 1.0;
    }
    if n < 8.0 {
        return None;
    }
    Some(Read { values, sd: square.iter().map(|s| (s / n).sqrt()).collect(), t10 })
}

/// The best formula that the record does not contradict.
fn best_formula(event: &Event, settings: &Settings, local: &Read) -> Option<(Fitted, Read, f64)> {
    let kind = settings.kind;
    if is_clean(event) {
        return None;
    }
    let rise_s = rise_of(kind, &local.values);
    let width_s = match kind {
        Kind::Esd => 2.5e-9,
        Kind::RingWave => 0.24 / local.values[2],
        Kind::SurgeCurrent => local.values[2] / duration_factor(settings.point),
        _ => local.values[2],
    };
    if !(rise_s > 0.0 && width_s > 0.0) {
        return None;
    }
    let mut data = condense(&event.points, local.t10 - 0.2 * rise_s, rise_s);
    data.t.iter_mut().for_each(|t| *t /= rise_s);
    data.y.iter_mut().for_each(|y| *y /= event.peak);
    data.sd.iter_mut().for_each(|s| *s /= event.peak);
    let rest = if event.quiet > 0 { 0.0 } else { (event.baseline_sd / event.peak).max(1e-6) };
    let mut fits: Vec<(Fitted, Read, f64)> = families(kind)
        .into_iter()
        .filter_map(|family| {
            // The front read locally may be off where the noise is high: other starts, if need be.
            let fitted = [1.0, 0.6, 1.6].into_iter().find_map(|k| {
                let g = guess(kind, family, k, width_s / rise_s, local.t10 / rise_s, rise_s);
                fit(family, &data, &g, rest).filter(Fitted::is_adequate)
            })?;
            let read = read_formula(event, settings, &fitted, rise_s)?;
            // A formula that leaves only noise must still say about what the record itself says.
            let agrees = read
                .values
                .iter()
                .zip(&local.values)
                .zip(local.sd.iter().zip(&read.sd))
                .take(3)
                .all(|((a, b), (s, r))| !b.is_finite() || (a - b).abs() <= 6.0 * s.hypot(*r) + 0.08 * b.abs());
            agrees.then_some((fitted, read, rise_s))
        })
        .collect();
    fits.sort_by(|a, b| a.0.score().total_cmp(&b.0.score()));
    // A tie that the record does not contradict may still be a little off: by what the record leaves open without it.
    let free = fits.iter().find(|f| !f.0.family.is_tied()).map(|f| f.1.sd.clone());
    let mut best = fits.into_iter().next()?;
    if let Some(free) = free.filter(|_| best.0.family.is_tied()) {
        best.1.sd.iter_mut().zip(free).for_each(|(s, f)| *s = s.max(f));
    }
    Some(best)
}

/// Values and standard deviations with the effect of the bandwidth taken back.
fn correct(
    event: &Event,
    settings: &Settings,
    read_as: &Read,
    formula: Option<&(Fitted, Read, f64)>,
    bandwidth_hz: f64,
    notes: &mut Vec<String>,
) -> Result<(Vec<f64>, Vec<f64>), WaveformError> {
    let kind = settings.kind;
    let path_rise = RISE_BANDWIDTH / bandwidth_hz;
    let front = read_as.values[1];
    if path_rise > 0.8 * front {
        return Err(WaveformError::Setting {
            what: format!(
                "a bandwidth of {bandwidth_hz:.3e} Hz has itself a rise of {path_rise:.2e} s, and the front was read as {front:.2e} s"
            ),
            expected: "a measuring path at least twice as fast as the front",
        });
    }
    let sigma = sigma_s(bandwidth_hz);
    let (f, start, rise): (Box<dyn Fn(f64) -> f64>, f64, f64) = match formula {
        Some((fitted, _, scale)) => {
            (Box::new(shape(fitted, &fitted.p, *scale, event.peak)), fitted.p[0] * scale, *scale)
        }
        None => {
            // The standard's own formula, stretched to the front that was read.
            let (g, rise0, _, start0) = reference(kind);
            let own = match kind {
                Kind::SurgeVoltage | Kind::TelecomVoltage => front / 1.67 * 1.25,
                Kind::SurgeCurrent | Kind::TelecomCurrent => front / 1.25,
                _ => front,
            };
            let k = own / rise0;
            let start = read_as.t10 - start0 * k;
            let peak = event.peak;
            (Box::new(move |t: f64| peak * g((t - start) / k)), start, own)
        }
    };
    let early = start - 4.0 * sigma;
    let plain = read(kind, settings.point, &formula_reading(event, &f, early, rise, kind));
    let through = read(kind, settings.point, &formula_reading(event, |t: f64| seen(&f, t, sigma), early, rise, kind));
    let (Ok((plain, _)), Ok((through, _))) = (plain, through) else {
        return Ok((read_as.values.clone(), read_as.sd.clone()));
    };
    let mut values = read_as.values.clone();
    let mut sd = read_as.sd.clone();
    for q in 0..values.len() {
        let name = asked(kind)[q].0;
        let (a, b, v) = (plain[q], through[q], read_as.values[q]);
        if !(a.is_finite() && b.is_finite() && v.is_finite() && a != 0.0) || name == "undershoot_percent" {
            continue;
        }
        // The pulse that was read has been through the path once; sent through it again, it changes by about as much. Rises
        // add in squares.
        let corrected = if matches!(name, "rise_time_s" | "front_time_s") {
            (v * v - (b * b - a * a) * (v / a).powi(2)).max(0.0).sqrt()
        } else {
            v * (a / b)
        };
        values[q] = corrected;
        sd[q] = sd[q].hypot(CORRECTION_DOUBT * (corrected - v));
    }
    notes.push(format!(
        "Bandwidth {:.4} MHz: the path's own rise is about {path_rise:.3e} s (0.35 over the bandwidth; 0.34 to 0.45 by its \
         response). Rises add in squares; a front of {front:.4e} s as read is {:.4e} s without the path. The rule holds to a \
         few per cent while the path's rise is below half of the front's; a quarter of each correction is counted as its \
         standard uncertainty.",
        bandwidth_hz / 1e6,
        values[1],
    ));
    Ok((values, sd))
}

pub(crate) fn level(settings: &Settings, peak: f64) -> (f64, LevelFrom) {
    if let Some(kv) = settings.level_kv {
        return (kv, LevelFrom::Given);
    }
    let name = asked(settings.kind)[0].0;
    let Some(t) = tolerance::find(settings.kind, settings.point, settings.edition, name) else {
        return (peak / 1000.0, LevelFrom::Record);
    };
    let per_kv = t.nominal.unwrap_or(1000.0);
    let own = peak / per_kv;
    let ladder: &[f64] = match settings.kind {
        Kind::Esd => &[2.0, 4.0, 6.0, 8.0],
        Kind::Burst => &[0.25, 0.5, 1.0, 2.0, 4.0],
        _ => &[0.5, 1.0, 2.0, 4.0],
    };
    let within = |l: &&f64| {
        own >= **l * (1.0 - t.minus_percent.unwrap_or(0.0) / 100.0)
            && own <= **l * (1.0 + t.plus_percent.unwrap_or(0.0) / 100.0)
    };
    match ladder.iter().filter(within).min_by(|a, b| (*a - own).abs().total_cmp(&(*b - own).abs())) {
        Some(l) => (*l, LevelFrom::NearestOfTheStandard),
        None => (own, LevelFrom::Record),
    }
}

/// A value with its tolerance and verdict.
pub(crate) fn quantity(
    settings: &Settings,
    (name, title): (&'static str, &'static str),
    value: f64,
    as_read: f64,
    sd: f64,
    level: (f64, LevelFrom),
) -> Quantity {
    let t = tolerance::find(settings.kind, settings.point, settings.edition, name);
    let unit = t.map_or(1.0, |t| if t.per_kv { level.0 } else { 1.0 });
    let nominal = t.and_then(|t| t.nominal).map(|n| n * unit);
    let low = t.and_then(|t| Some(nominal? * (1.0 - t.minus_percent? / 100.0)));
    let high = t.and_then(|t| t.high.or_else(|| Some(nominal? * (1.0 + t.plus_percent? / 100.0))));
    let uncertainty = 2.0 * sd;
    // A peak cannot be held against a level that was taken from it.
    let circular = matches!(name, "first_peak_a" | "peak_v" | "peak_a") && level.1 != LevelFrom::Given;
    let judged = (t.is_some() && !circular && value.is_finite()).then(|| Judged::of(value, uncertainty, low, high));
    Quantity {
        name,
        title,
        value,
        read: as_read,
        uncertainty,
        nominal,
        low,
        high,
        source: t.map(|t| t.source.as_str()),
        known: t.map(|t| t.known),
        judged,
    }
}

fn check(settings: &Settings, dt_s: f64) -> Result<(), WaveformError> {
    let wrong = |what: String, expected| Err(WaveformError::Setting { what, expected });
    if !(dt_s > 0.0 && dt_s.is_finite()) {
        return wrong(format!("a sampling interval of {dt_s} s"), "a positive number of seconds");
    }
    if !settings.point.is_for(settings.kind) {
        return wrong(
            format!("{} is not measured at this place", settings.kind.key()),
            "a place the waveform has tolerances for",
        );
    }
    for (name, v) in [("level", settings.level_kv), ("bandwidth", settings.bandwidth_hz)] {
        if let Some(v) = v.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return wrong(format!("{name} {v}"), "a positive number");
        }
    }
    if settings.edition == Edition::Second && settings.point != Point::Generator && settings.kind == Kind::SurgeCurrent
    {
        return wrong(
            "edition 2 has no tolerances behind coupling networks here".into(),
            "edition 3, or the generator itself",
        );
    }
    Ok(())
}

pub(crate) fn analyse(y: &[f64], dt_s: f64, start_s: f64, settings: &Settings) -> Result<Analysis, WaveformError> {
    check(settings, dt_s)?;
    let kind = settings.kind;
    let event = find(y, dt_s, kind)?;
    let mut notes = Vec::new();
    let first = read_locally(&event, settings)?;
    let curve = read_curve(&event, settings, &first);
    // With the better front the curve is better placed, too.
    let curve = curve.as_ref().and_then(|c| read_curve(&event, settings, c)).or(curve);
    let smooth = curve.is_some();
    let local = match curve {
        Some(c) => c,
        None if is_clean(&event) => first,
        None => repeat_locally(&event, settings)?,
    };
    let formula = best_formula(&event, settings, &local);
    let used = formula.as_ref().map_or(&local, |f| &f.1);
    let (mut values, mut sd) = (used.values.clone(), used.sd.clone());
    if is_clean(&event) {
        // Few samples in the front: what stands between them is a guess that the comparison with every second one may miss.
        let in_front = values[1] / dt_s;
        sd[1] = sd[1].hypot(0.4 * values[1] / (in_front * in_front));
    }
    // The rest line of a coarse record is known to a step only, and no repetition shows it.
    let rest = event.baseline_sd / event.peak;
    if formula.is_none() && event.noise.step > 0.0 {
        for (q, s) in sd.iter_mut().enumerate() {
            if asked(kind)[q].0.ends_with("_s") {
                *s = s.hypot(0.5 * rest * values[q]);
            }
        }
    }
    if let Some(b) = settings.bandwidth_hz {
        (values, sd) = correct(&event, settings, used, formula.as_ref(), b, &mut notes)?;
    } else {
        notes.push(format!(
            "No bandwidth given: the front is as read. A measuring path of {:.3e} Hz reads it 1 % long, a slower one more.",
            needed_hz(values[1])
        ));
    }
    let peak = values[0];
    let level = level(settings, peak);
    let in_front = values[1] / dt_s;
    if in_front < 5.0 {
        notes.push(format!(
            "Only {in_front:.1} samples in the front: its value leans on the shape assumed between them."
        ));
    }
    if event.quiet == 0 {
        notes.push("The record begins with the pulse: its rest line was taken as the first sample, or zero if that is near zero.".into());
    }
    let snr = (event.noise.sd > 0.0).then(|| 20.0 * (event.peak / event.noise.sd).log10());
    if event.noise.step > 0.0 {
        notes.push(format!(
            "The values stand on steps of {:.3} % of the peak; the uncertainties count them.",
            100.0 * event.noise.step / event.peak
        ));
    }
    if let Some(snr) = snr {
        let front = 100.0 * sd[1] / values[1];
        notes.push(format!(
            "Noise: {snr:.0} dB below the peak on each sample. With it the front is known to ±{:.2} % (k = 2); four times as many \
             samples in the front halve that.",
            2.0 * front
        ));
    }
    if formula.as_ref().is_some_and(|f| f.0.family.is_tied()) {
        notes.push(
            "The record does not contradict the shape of the published formula, so the formula's own constants were kept and \
             only its stretch and height read; the uncertainties are those without that assumption."
                .into(),
        );
    }
    if event.noise.correlation > 1.5 {
        notes.push(format!(
            "The noise is alike over {:.1} samples (a filtered path): averaging helps that much less, which is counted.",
            event.noise.correlation
        ));
    }
    let method = formula.as_ref().map_or_else(
        || {
            let way = if smooth {
                "a smooth curve through the record"
            } else {
                "polynomials through short stretches of the record"
            };
            way.to_owned()
        },
        |(f, ..)| format!("a fitted formula ({}) that leaves only noise", f.family.name()),
    );
    let quantities = (0..values.len())
        .filter(|q| values[*q].is_finite())
        .map(|q| quantity(settings, asked(kind)[q], values[q], used.values[q], sd[q], level))
        .collect();
    Ok(Analysis {
        kind,
        point: settings.point,
        negative: event.polarity < 0.0,
        baseline: event.baseline,
        baseline_samples: event.quiet,
        noise: event.noise,
        signal_to_noise_db: snr,
        start_s: start_s + used.t10,
        level_kv: level.0,
        level_from: level.1,
        method,
        pulses: 1,
        quantities,
        notes,
    })
}
