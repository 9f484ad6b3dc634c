use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_2, PI, TAU};

use num_complex::Complex64;

use super::HIGHEST_ORDER;
use super::measured::{Covariance, Frequency, Measured, Series, WaveShape, Waveform};
use super::spectrum::{Lines, Transform, group, interharmonic_group, interharmonic_subgroup, subgroup};
use crate::MainsError;
use crate::record::{Consumer, Finding, FindingKind, MainsBlock, RecordSetup};
use crate::resample::{Interpolator, dot};
use crate::track::{Tracker, frame_at};

/// Content up to here belongs to the wave shape, Hz; what lies above must not influence it.
const WAVE_SHAPE_HZ: f64 = 9_000.0;
/// Mains may be this far from nominal and still be followed, Hz.
const PULL_HZ: f64 = 2.5;
/// Frames kept before the buffers are shortened.
const SHORTEN_AT: usize = 1 << 17;

/// How a recording is analysed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// The recording.
    pub record: RecordSetup,
    /// Left out at the start, s: the first 10 s after switching on may be ignored.
    pub ignore_first_s: f64,
    /// Look where in the half cycle the current flows (lighting up to 25 W).
    pub wave_shape: bool,
}

/// Takes a recording block by block and measures its harmonics.
#[derive(Debug)]
pub struct Analyser {
    settings: Settings,
    cycles: usize,
    points: usize,
    interpolator: Interpolator,
    error_percent: f64,
    tracker: Tracker,
    transform: Transform,
    /// Frame of the first sample in the buffers.
    base: usize,
    voltage: Vec<f64>,
    current: Vec<f64>,
    frames: usize,
    /// Node below the next window.
    node: usize,
    /// Phase at which the next window starts.
    next_phase: Option<f64>,
    window: Vec<Complex64>,
    work: Vec<Complex64>,
    weights: Vec<f64>,
    lines: Lines,
    sums: Sums,
}

/// What accumulates over the windows.
#[derive(Debug)]
struct Sums {
    series: Series,
    first_frame: f64,
    last_frame: f64,
    subgroup: Vec<[f64; 2]>,
    between: Vec<[f64; 2]>,
    between_sub: Vec<[f64; 2]>,
    voltage_group: Vec<[f64; 2]>,
    current_pointer: Vec<Complex64>,
    voltage_pointer: Vec<Complex64>,
    voltage_square: Vec<f64>,
    current_square: Vec<f64>,
    product: Vec<Complex64>,
    worst_distortion: f64,
    waveform: Option<Waveform>,
    shape: Option<WaveShape>,
}

impl Sums {
    fn new() -> Self {
        let pairs = || vec![[0.0; 2]; HIGHEST_ORDER + 1];
        let pointers = || vec![Complex64::ZERO; HIGHEST_ORDER + 1];
        let numbers = || vec![0.0; HIGHEST_ORDER + 1];
        Self {
            series: Series::default(),
            first_frame: 0.0,
            last_frame: 0.0,
            subgroup: pairs(),
            between: pairs(),
            between_sub: pairs(),
            voltage_group: pairs(),
            current_pointer: pointers(),
            voltage_pointer: pointers(),
            voltage_square: numbers(),
            current_square: numbers(),
            product: pointers(),
            worst_distortion: -1.0,
            waveform: None,
            shape: None,
        }
    }
}

/// Adds to the mean and the maximum.
fn add(pair: &mut [f64; 2], value: f64) {
    pair[0] += value;
    pair[1] = pair[1].max(value);
}

/// Points of a window and the edges of the interpolation, as shares of the sampling rate.
fn plan(rate_hz: f64, nominal_hz: f64, cycles: usize, wave_shape: bool) -> (usize, f64, f64) {
    let points = match rate_hz {
        r if r >= 40_000.0 => 8192,
        r if r >= 12_000.0 => 4096,
        r if r >= 7_000.0 => 2048,
        _ => 1024,
    };
    let out_hz = points as f64 * nominal_hz / cycles as f64 * 0.99;
    let orders_hz = (HIGHEST_ORDER as f64 + 0.5) * nominal_hz * 1.01;
    let slow_hz = rate_hz.min(out_hz);
    let pass_hz = if wave_shape { orders_hz.max(WAVE_SHAPE_HZ.min(0.4 * slow_hz)) } else { orders_hz };
    (points, pass_hz / rate_hz, (slow_hz - pass_hz) / rate_hz)
}

impl Analyser {
    /// An analyser for this recording. It needs the current; with the voltage it also measures power and supply, and
    /// takes its timing from it.
    pub fn new(settings: Settings) -> Result<Self, MainsError> {
        let record = &settings.record;
        let nominal_hz = record.mains.nominal_hz();
        let cycles = record.mains.cycles_per_window();
        if record.current.is_none() {
            return Err(MainsError::MissingChannel { needed: "mains current" });
        }
        let needed_hz = (2 * HIGHEST_ORDER + 2) as f64 * nominal_hz;
        if record.rate_hz.is_nan() || record.rate_hz < needed_hz {
            let what = "the 40th harmonic";
            return Err(MainsError::RateTooLow { rate_hz: record.rate_hz, needed_hz, what });
        }
        if !(settings.ignore_first_s >= 0.0 && settings.ignore_first_s.is_finite()) {
            return Err(MainsError::Setting {
                field: "ignore_first_s",
                what: settings.ignore_first_s.to_string(),
                expected: "zero or a positive number of seconds".into(),
            });
        }
        if !record.current_late_s.is_finite() || record.current_late_s.abs() > 0.5 / nominal_hz {
            return Err(MainsError::Setting {
                field: "current_late_s",
                what: record.current_late_s.to_string(),
                expected: "at most half a cycle either way".into(),
            });
        }
        let (points, pass, stop) = plan(record.rate_hz, nominal_hz, cycles, settings.wave_shape);
        let interpolator = Interpolator::new(pass, stop);
        let orders = (HIGHEST_ORDER as f64 + 0.5) * nominal_hz * 1.01 / record.rate_hz;
        Ok(Self {
            error_percent: 100.0 * interpolator.worst_error(orders),
            weights: vec![0.0; interpolator.taps()],
            interpolator,
            tracker: Tracker::new(record.rate_hz, nominal_hz),
            transform: Transform::new(points, cycles),
            settings,
            cycles,
            points,
            base: 0,
            voltage: Vec::new(),
            current: Vec::new(),
            frames: 0,
            node: 0,
            next_phase: None,
            window: vec![Complex64::ZERO; points],
            work: vec![Complex64::ZERO; points],
            lines: Lines { voltage: Vec::new(), current: Vec::new() },
            sums: Sums::new(),
        })
    }

    fn has_voltage(&self) -> bool {
        self.settings.record.voltage.is_some()
    }

    /// Frames by which the current is read later than the voltage.
    fn current_offset(&self) -> f64 {
        self.settings.record.current_late_s * self.settings.record.rate_hz
    }

    /// The phase at which the first window starts: the first rising zero crossing that can be interpolated.
    fn first_phase(&self) -> Option<f64> {
        let nodes = self.tracker.nodes();
        let (first, second) = (*nodes.first()?, *nodes.get(1)?);
        let earliest = (self.interpolator.before() as f64 + (-self.current_offset()).max(0.0) + 1.0)
            .max(self.settings.ignore_first_s * self.settings.record.rate_hz);
        let at = nodes.iter().rev().find(|n| n.frame <= earliest).copied();
        let from = at.unwrap_or(first);
        let phase = from.phase + (earliest - from.frame) * from.rate;
        let mut start = TAU * (phase / TAU).ceil();
        while frame_at(from, if at.is_some() { self.after(from.frame)? } else { second }, start) < earliest {
            start += TAU;
        }
        Some(start)
    }

    fn after(&self, frame: f64) -> Option<crate::track::Node> {
        self.tracker.nodes().iter().find(|n| n.frame > frame).copied()
    }

    /// Measures the windows that are complete.
    fn work_off(&mut self) {
        if self.next_phase.is_none() {
            let ready = self.tracker.closed()
                || self.tracker.nodes().last().is_some_and(|n| {
                    n.frame > self.settings.ignore_first_s * self.settings.record.rate_hz + 2.0 * self.points as f64
                });
            if !ready {
                return;
            }
            self.next_phase = self.first_phase();
        }
        while self.one_window() {}
    }

    fn one_window(&mut self) -> bool {
        let Some(start) = self.next_phase else { return false };
        let end = start + TAU * self.cycles as f64;
        let nodes = self.tracker.nodes();
        let n = nodes.len();
        if n < 2 || (!self.tracker.closed() && nodes[n - 1].phase < end) {
            return false;
        }
        let last = nodes.iter().rev().take_while(|x| x.phase >= end).last().copied().unwrap_or(nodes[n - 1]);
        let before_last = nodes.iter().rev().find(|x| x.frame < last.frame).copied().unwrap_or(nodes[n - 2]);
        let end_frame = frame_at(before_last, last, end);
        let offset = self.current_offset();
        let needed = (end_frame + offset.max(0.0)).ceil() as usize + self.interpolator.after() + 1;
        if needed > self.base + self.current.len() {
            return false;
        }
        while self.node + 2 < n && nodes[self.node + 1].phase <= start {
            self.node += 1;
        }
        let mut node = self.node;
        let step = TAU * self.cycles as f64 / self.points as f64;
        let mut start_frame = 0.0;
        let before = self.interpolator.before();
        let taps = self.interpolator.taps();
        let has_voltage = self.settings.record.voltage.is_some();
        for j in 0..self.points {
            let phase = start + step * j as f64;
            while node + 2 < n && nodes[node + 1].phase <= phase {
                node += 1;
            }
            let frame = frame_at(nodes[node], nodes[node + 1], phase);
            if j == 0 {
                start_frame = frame;
            }
            let place = frame - self.base as f64;
            let whole = place as usize;
            self.interpolator.weights(place - whole as f64, &mut self.weights);
            let u = if has_voltage {
                dot(&self.voltage[whole - before..whole - before + taps], &self.weights)
            } else {
                0.0
            };
            if offset != 0.0 {
                let place = place + offset;
                let whole = place as usize;
                self.interpolator.weights(place - whole as f64, &mut self.weights);
                let i = dot(&self.current[whole - before..whole - before + taps], &self.weights);
                self.window[j] = Complex64::new(u, i);
            } else {
                let i = dot(&self.current[whole - before..whole - before + taps], &self.weights);
                self.window[j] = Complex64::new(u, i);
            }
        }
        self.node = node;
        self.next_phase = Some(end);
        self.measure(start_frame, end_frame);
        true
    }

    /// Measures the window just interpolated.
    fn measure(&mut self, start_frame: f64, end_frame: f64) {
        let rate_hz = self.settings.record.rate_hz;
        let has_voltage = self.has_voltage();
        let n = self.points as f64;
        let (mut uu, mut ii, mut ui) = (0.0, 0.0, 0.0);
        for z in &self.window {
            uu += z.re * z.re;
            ii += z.im * z.im;
            ui += z.re * z.im;
        }
        self.work.copy_from_slice(&self.window);
        self.transform.lines(&mut self.work, &mut self.lines);
        let (cycles, sums) = (self.cycles, &mut self.sums);
        if sums.series.input_a.is_empty() {
            sums.first_frame = start_frame;
        }
        sums.last_frame = end_frame;
        let i = &self.lines.current;
        let u = &self.lines.voltage;
        let mut groups = [0.0; HIGHEST_ORDER + 1];
        let mut single = [0.0; HIGHEST_ORDER + 1];
        let reference = if has_voltage { u[cycles] } else { i[cycles] };
        // Phase of the fundamental at the first point, as a sine.
        let phase = reference.arg() + FRAC_PI_2;
        for h in 1..=HIGHEST_ORDER {
            single[h] = i[cycles * h].norm();
            groups[h] = if h == 1 { single[1] } else { group(i, cycles, h) };
            add(&mut sums.subgroup[h], subgroup(i, cycles, h));
            add(&mut sums.between[h], interharmonic_group(i, cycles, h));
            add(&mut sums.between_sub[h], interharmonic_subgroup(i, cycles, h));
            let turn = Complex64::from_polar(1.0, FRAC_PI_2 - h as f64 * phase);
            let ci = i[cycles * h] * turn;
            sums.current_pointer[h] += ci;
            if has_voltage {
                let cu = u[cycles * h] * turn;
                add(&mut sums.voltage_group[h], if h == 1 { u[cycles].norm() } else { group(u, cycles, h) });
                sums.voltage_pointer[h] += cu;
                sums.voltage_square[h] += cu.norm_sqr();
                sums.current_square[h] += ci.norm_sqr();
                sums.product[h] += cu.conj() * ci;
            }
        }
        let distortion: f64 = groups[2..].iter().map(|g| g * g).sum();
        sums.series.group_a.push(groups);
        sums.series.line_a.push(single);
        sums.series.input_a.push((ii / n).sqrt());
        sums.series.frequency_hz.push(cycles as f64 * rate_hz / (end_frame - start_frame));
        if has_voltage {
            sums.series.voltage_v.push((uu / n).sqrt());
            sums.series.power_w.push(ui / n);
        }
        if distortion > sums.worst_distortion {
            sums.worst_distortion = distortion * 1.001;
            let seconds = (end_frame - start_frame) / rate_hz;
            let shown = &self.window[..2 * self.points / cycles];
            // At most about 800 points are drawn.
            let thin = shown.len().div_ceil(800);
            let conductance = if has_voltage { ui / uu } else { 0.0 };
            let picked = || shown.iter().step_by(thin);
            sums.waveform = Some(Waveform {
                time_s: (0..shown.len()).step_by(thin).map(|j| j as f64 * seconds / n).collect(),
                voltage_v: if has_voltage { picked().map(|z| z.re).collect() } else { Vec::new() },
                current_a: picked().map(|z| z.im).collect(),
                following_current_a: if has_voltage {
                    picked().map(|z| z.re * conductance).collect()
                } else {
                    Vec::new()
                },
                at_s: start_frame / rate_hz,
            });
        }
        if self.settings.wave_shape {
            let shape = wave_shape(&self.window, cycles, phase);
            sums.shape = match (sums.shape, shape) {
                (Some(a), Some(b)) => Some(WaveShape {
                    starts_at_deg: a.starts_at_deg.max(b.starts_at_deg),
                    peak_at_deg: a.peak_at_deg.max(b.peak_at_deg),
                    ends_at_deg: a.ends_at_deg.min(b.ends_at_deg),
                }),
                (a, b) => a.or(b),
            };
        }
    }

    /// Forgets samples that nobody needs any more.
    fn shorten(&mut self) {
        if self.current.len() < SHORTEN_AT {
            return;
        }
        let nodes = self.tracker.nodes();
        let window_from = match (self.next_phase, nodes.get(self.node)) {
            (Some(phase), Some(node)) => (node.frame + (phase - node.phase) / node.rate) as usize,
            _ => self.base,
        };
        let margin = self.interpolator.taps() + self.current_offset().abs() as usize + 16;
        let keep = window_from.saturating_sub(margin).min(self.tracker.needs_from());
        if keep > self.base {
            let n = keep - self.base;
            self.current.drain(..n);
            if self.has_voltage() {
                self.voltage.drain(..n);
            }
            self.base = keep;
        }
    }

    /// The result, once all blocks were taken.
    pub fn finish(mut self) -> Result<Measured, MainsError> {
        self.tracker.close();
        let record = self.settings.record;
        let nominal_hz = record.mains.nominal_hz();
        self.check_frequency()?;
        self.work_off();
        let windows = self.sums.series.input_a.len();
        if windows == 0 {
            let edge = (self.interpolator.taps() as f64 / record.rate_hz) + 1.0 / nominal_hz;
            return Err(MainsError::TooShort {
                found_s: self.frames as f64 / record.rate_hz,
                needed_s: self.settings.ignore_first_s + self.cycles as f64 / nominal_hz + edge,
                what: "one window of IEC 61000-4-7",
            });
        }
        let mut findings = Vec::new();
        for &(frame, step) in self.tracker.jumps().iter().take(5) {
            let at = frame / record.rate_hz;
            let text = format!(
                "the phase of the mains jumps by {:.1}° at about {at:.2} s: samples are missing, or the supply switched",
                step.to_degrees()
            );
            let finding = Finding::fault(FindingKind::PhaseJump, text).at(at);
            // A current alone may change its phase with the load.
            findings.push(Finding { spoils_result: self.has_voltage(), ..finding });
        }
        let sums = self.sums;
        let count = windows as f64;
        let mean = |pairs: Vec<[f64; 2]>| pairs.into_iter().map(|[sum, max]| [sum / count, max]).collect::<Vec<_>>();
        let frequency_hz = &sums.series.frequency_hz;
        let frequency = Frequency {
            mean_hz: frequency_hz.iter().sum::<f64>() / count,
            lowest_hz: frequency_hz.iter().copied().fold(f64::INFINITY, f64::min),
            highest_hz: frequency_hz.iter().copied().fold(0.0, f64::max),
        };
        let current_pointer: Vec<Complex64> = sums.current_pointer.iter().map(|z| z / count).collect();
        let voltage_pointer: Vec<Complex64> = sums.voltage_pointer.iter().map(|z| z / count).collect();
        let covariance = (0..=HIGHEST_ORDER)
            .map(|h| Covariance {
                voltage: (sums.voltage_square[h] / count - voltage_pointer[h].norm_sqr()).max(0.0),
                current: (sums.current_square[h] / count - current_pointer[h].norm_sqr()).max(0.0),
                both: sums.product[h] / count - voltage_pointer[h].conj() * current_pointer[h],
            })
            .collect();
        let has_voltage = record.voltage.is_some();
        if has_voltage {
            let power_w = sums.series.power_w.iter().sum::<f64>() / count;
            let apparent =
                sums.series.voltage_v.iter().zip(&sums.series.input_a).map(|(u, i)| u * i).sum::<f64>() / count;
            if power_w < -0.02 * apparent {
                let text = format!(
                    "power flows out of the product ({power_w:.1} W): the current probe or the voltage probe is the \
                     wrong way round, or the product feeds the mains"
                );
                findings.push(Finding::remark(FindingKind::ReversedPolarity, text));
            }
        } else {
            let text = "no voltage was recorded: the supply, the power and the power factor are unknown, and the phase \
                        is that of the current";
            findings.push(Finding::remark(FindingKind::NoVoltage, text));
        }
        Ok(Measured {
            mains: record.mains,
            record_s: self.frames as f64 / record.rate_hz,
            windows,
            starts_at_s: sums.first_frame / record.rate_hz,
            observed_s: (sums.last_frame - sums.first_frame) / record.rate_hz,
            frequency,
            interpolation_error_percent: self.error_percent,
            series: sums.series,
            subgroup_a: mean(sums.subgroup),
            interharmonic_group_a: mean(sums.between),
            interharmonic_subgroup_a: mean(sums.between_sub),
            voltage_group_v: if has_voltage { mean(sums.voltage_group) } else { Vec::new() },
            current_pointer,
            voltage_pointer: if has_voltage { voltage_pointer } else { Vec::new() },
            covariance,
            waveform: sums.waveform,
            wave_shape: sums.shape,
            findings,
        })
    }

    /// Whether there is mains where mains is expected.
    fn check_frequency(&self) -> Result<(), MainsError> {
        let record = &self.settings.record;
        let expected_hz = record.mains.nominal_hz();
        let name = if self.has_voltage() { "voltage" } else { "current" };
        let nodes = self.tracker.nodes();
        if nodes.len() < 2 {
            return Err(MainsError::TooShort {
                found_s: self.frames as f64 / record.rate_hz,
                needed_s: (self.cycles as f64 + 1.5) / expected_hz,
                what: "one window of IEC 61000-4-7",
            });
        }
        let mut rates: Vec<f64> = nodes.iter().map(|n| n.rate).collect();
        let middle = rates.len() / 2;
        let found_hz = *rates.select_nth_unstable_by(middle, f64::total_cmp).1 * record.rate_hz / TAU;
        let buffer = if self.has_voltage() { &self.voltage } else { &self.current };
        let mean = buffer.iter().sum::<f64>() / buffer.len().max(1) as f64;
        let rms = (buffer.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / buffer.len().max(1) as f64).sqrt();
        let fundamental = self.tracker.amplitude() * FRAC_1_SQRT_2;
        let what = if rms == 0.0 && fundamental == 0.0 {
            format!("the {name} channel holds nothing but zero")
        } else if fundamental < 0.1 * rms {
            format!("in the {name} only {fundamental:.3} of {rms:.3} (r.m.s.) lies near it; is it the right channel?")
        } else if (found_hz - expected_hz).abs() > PULL_HZ {
            format!("the {name} has {found_hz:.2} Hz; is the sampling rate right?")
        } else {
            return Ok(());
        };
        Err(MainsError::NoMainsFrequency { what, expected_hz })
    }
}

impl Consumer for Analyser {
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError> {
        self.voltage.extend_from_slice(block.voltage_v);
        self.current.extend_from_slice(block.current_a);
        self.frames += block.frames();
        let reference = if self.settings.record.voltage.is_some() { &self.voltage } else { &self.current };
        self.tracker.advance(reference, self.base);
        self.work_off();
        self.shorten();
        Ok(())
    }
}

/// Angles of the current in the half cycles of a window; `phase` is that of the fundamental voltage at its first point.
fn wave_shape(window: &[Complex64], cycles: usize, phase: f64) -> Option<WaveShape> {
    let n = window.len();
    let peak = window.iter().map(|z| z.im.abs()).fold(0.0, f64::max);
    if peak == 0.0 {
        return None;
    }
    let threshold = 0.05 * peak;
    let turn = TAU * cycles as f64 / n as f64;
    let mut worst = WaveShape { starts_at_deg: 0.0, peak_at_deg: 0.0, ends_at_deg: 180.0 };
    let half = |k: f64| ((k * PI - phase) / turn).ceil().max(0.0) as usize;
    let first = (phase / PI).ceil();
    for k in 0..2 * cycles - 1 {
        let (from, to) = (half(first + k as f64), half(first + k as f64 + 1.0).min(n));
        if to < from + 2 {
            continue;
        }
        let angle = |j: usize| (phase + turn * j as f64).rem_euclid(PI).to_degrees();
        // A current that lags flows against the voltage at first: only the sign of the half cycle counts.
        let sign = if (first as i64 + k as i64).rem_euclid(2) == 0 { 1.0 } else { -1.0 };
        let part = &window[from..to];
        let start = part.iter().position(|z| sign * z.im >= threshold);
        let end = part.iter().rposition(|z| sign * z.im >= threshold);
        let top = (0..part.len()).max_by(|a, b| (sign * part[*a].im).total_cmp(&(sign * part[*b].im)));
        if let (Some(s), Some(e), Some(t)) = (start, end, top) {
            worst.starts_at_deg = worst.starts_at_deg.max(angle(from + s));
            worst.peak_at_deg = worst.peak_at_deg.max(angle(from + t));
            // Falling below the threshold before 90° counts even where the current comes back later.
            let fall = part[s..e].iter().position(|z| sign * z.im < threshold).map(|j| s + j);
            let before_crest = fall.filter(|j| angle(from + j) < 90.0);
            worst.ends_at_deg = worst.ends_at_deg.min(angle(from + before_crest.unwrap_or(e)));
        } else {
            worst = WaveShape { starts_at_deg: 180.0, peak_at_deg: 180.0, ends_at_deg: 0.0 };
        }
    }
    Some(worst)
}
