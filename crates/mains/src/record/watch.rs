use super::{Consumer, Finding, FindingKind, MainsBlock, RecordSetup};
use crate::MainsError;

/// Samples that must stand still at the extreme before it counts as a flat top.
const FLAT: u32 = 3;
/// A half cycle below this share of the usual r.m.s. voltage is missing.
const MISSING: f64 = 0.3;

/// Nominal voltages of public supplies, V (IEC 60038 and national ones; common knowledge).
const NOMINAL_V: [f64; 10] = [100.0, 110.0, 120.0, 127.0, 200.0, 208.0, 220.0, 230.0, 240.0, 400.0];

/// Looks at a recording for faults that no measurement should pass over: clipping, implausible size, missing cycles.
#[derive(Debug)]
pub struct Watch {
    rate_hz: f64,
    nominal_hz: f64,
    voltage: Option<Channel>,
    current: Option<Channel>,
    halves: Halves,
    frames: u64,
}

/// What a [`Watch`] learnt.
#[derive(Debug, Clone, PartialEq)]
pub struct Watched {
    /// R.m.s. of the voltage over the record, V.
    pub voltage_rms_v: Option<f64>,
    /// R.m.s. of the current over the record, A.
    pub current_rms_a: Option<f64>,
    /// Largest magnitude of the current, A.
    pub current_peak_a: Option<f64>,
    /// Length of the record, s.
    pub duration_s: f64,
    /// What was found.
    pub findings: Vec<Finding>,
}

/// A run of samples at an extreme.
#[derive(Debug, Clone, Copy, Default)]
struct Top {
    extreme: f64,
    run: u32,
    longest: u32,
    runs: u64,
    entry: f64,
    first_frame: u64,
}

impl Top {
    /// `x` is positive towards this extreme.
    #[inline]
    fn take(&mut self, x: f64, before: f64, frame: u64) {
        if x < self.extreme {
            self.run = 0;
            return;
        }
        if x > self.extreme {
            *self = Self { extreme: x, ..Self::default() };
        }
        self.run += 1;
        if self.run == 1 {
            self.entry = before;
        }
        // A wave that is flat by nature (a square wave, a rectifier's block) steps to its top; a clipped one climbs.
        if self.entry > 0.3 * self.extreme {
            if self.run == FLAT {
                self.runs += 1;
                if self.runs == 1 {
                    self.first_frame = frame;
                }
            }
            self.longest = self.longest.max(self.run);
        }
    }
}

#[derive(Debug)]
struct Channel {
    high: Top,
    low: Top,
    before: f64,
    sum: f64,
    squares: f64,
    /// Smallest step between neighbours: the resolution of the recorder.
    quantum: f64,
    full_scale: Option<f64>,
}

impl Channel {
    fn new(full_scale: Option<f64>) -> Self {
        let top = Top { extreme: f64::NEG_INFINITY, ..Top::default() };
        Self { high: top, low: top, before: 0.0, sum: 0.0, squares: 0.0, quantum: f64::INFINITY, full_scale }
    }

    fn take(&mut self, samples: &[f64], first_frame: u64) {
        let mut before = self.before;
        for (frame, &x) in (first_frame..).zip(samples) {
            self.high.take(x, before, frame);
            self.low.take(-x, -before, frame);
            self.sum += x;
            self.squares += x * x;
            before = x;
        }
        for pair in samples.windows(2).take(4096) {
            let step = (pair[1] - pair[0]).abs();
            if step > 0.0 {
                self.quantum = self.quantum.min(step);
            }
        }
        self.before = before;
    }

    /// Sentence and frame where the channel is clipped.
    fn clipped(&self, rate_hz: f64, nominal_hz: f64) -> Option<(String, u64)> {
        let mut worst: Option<(String, u64)> = None;
        for (top, side) in [(&self.high, "upper"), (&self.low, "lower")] {
            let peak = top.extreme;
            if peak <= 0.0 {
                continue;
            }
            let at_end = self.full_scale.is_some_and(|f| peak >= f * 0.999_9 - self.quantum) && top.longest >= 2;
            // A clean sine stays within one step of the recorder this many samples at its top.
            let share = (1.0 - (self.quantum / peak).min(1.0)).acos() / std::f64::consts::PI;
            let natural = share * rate_hz / nominal_hz;
            let flat = top.longest >= FLAT && f64::from(top.longest) > 2.0 * natural + 2.0;
            if at_end || flat {
                let text = format!(
                    "flat at its {side} end for up to {} samples ({:.2} ms), {} times",
                    top.longest,
                    f64::from(top.longest) / rate_hz * 1e3,
                    top.runs.max(1)
                );
                worst = Some((text, top.first_frame));
            }
        }
        worst
    }
}

/// R.m.s. of half cycles of the voltage.
#[derive(Debug, Default)]
struct Halves {
    sum: f64,
    count: usize,
    done: u64,
    usual: f64,
    missing: Vec<(f64, usize)>,
}

impl Halves {
    fn take(&mut self, samples: &[f64], half_frames: f64, rate_hz: f64) {
        let mut rest = samples;
        while !rest.is_empty() {
            let end = ((self.done + 1) as f64 * half_frames).round() as usize;
            let start = (self.done as f64 * half_frames).round() as usize;
            let needed = (end - start).max(1) - self.count;
            let n = needed.min(rest.len());
            self.sum += rest[..n].iter().map(|x| x * x).sum::<f64>();
            self.count += n;
            rest = &rest[n..];
            if n == needed {
                let rms = (self.sum / self.count as f64).sqrt();
                if self.done >= 6 && rms < MISSING * self.usual {
                    let at = start as f64 / rate_hz;
                    match self.missing.last_mut() {
                        Some(m) if at < m.0 + (m.1 as f64 + 0.5) * half_frames / rate_hz => m.1 += 1,
                        _ => self.missing.push((at, 1)),
                    }
                } else {
                    let share = if self.done < 6 { 1.0 / (self.done + 1) as f64 } else { 0.02 };
                    self.usual += share * (rms - self.usual);
                }
                self.done += 1;
                self.sum = 0.0;
                self.count = 0;
            }
        }
    }
}

impl Watch {
    /// Watches the channels of `setup`.
    pub fn new(setup: &RecordSetup) -> Self {
        let channel = |c: Option<super::ChannelUse>| {
            c.map(|c| Channel::new(setup.full_scale_counts.map(|f| f * c.units_per_count.abs())))
        };
        Self {
            rate_hz: setup.rate_hz,
            nominal_hz: setup.mains.nominal_hz(),
            voltage: channel(setup.voltage),
            current: channel(setup.current),
            halves: Halves::default(),
            frames: 0,
        }
    }

    /// What was found, once all blocks were taken.
    pub fn finish(self) -> Watched {
        let n = (self.frames as f64).max(1.0);
        let rms = |c: &Channel| (c.squares / n).sqrt();
        let mut findings = Vec::new();
        for (channel, name, kind) in [
            (&self.voltage, "voltage", FindingKind::ClippedVoltage),
            (&self.current, "current", FindingKind::ClippedCurrent),
        ] {
            if let Some((text, frame)) = channel.as_ref().and_then(|c| c.clipped(self.rate_hz, self.nominal_hz)) {
                let text = format!("the {name} channel is clipped: {text}; choose a larger range and record again");
                findings.push(Finding::fault(kind, text).at(frame as f64 / self.rate_hz));
            }
        }
        let voltage_rms_v = self.voltage.as_ref().map(rms);
        let current_rms_a = self.current.as_ref().map(rms);
        findings.extend(voltage_rms_v.and_then(implausible_voltage));
        findings.extend(current_rms_a.and_then(implausible_current));
        for (at, halves) in self.halves.missing.iter().take(5) {
            let text = format!(
                "the voltage is away for {} half cycle{} from {at:.3} s on",
                halves,
                if *halves == 1 { "" } else { "s" }
            );
            findings.push(Finding::fault(FindingKind::MissingCycles, text).at(*at));
        }
        if let more @ 1.. = self.halves.missing.len().saturating_sub(5) {
            let text = format!("the voltage is away at {more} more places");
            findings.push(Finding::fault(FindingKind::MissingCycles, text));
        }
        Watched {
            voltage_rms_v,
            current_rms_a,
            current_peak_a: self.current.as_ref().map(|c| c.high.extreme.max(c.low.extreme)),
            duration_s: self.frames as f64 / self.rate_hz,
            findings,
        }
    }
}

impl Consumer for Watch {
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError> {
        if let Some(c) = &mut self.voltage {
            c.take(block.voltage_v, block.first_frame);
            self.halves.take(block.voltage_v, 0.5 * self.rate_hz / self.nominal_hz, self.rate_hz);
        }
        if let Some(c) = &mut self.current {
            c.take(block.current_a, block.first_frame);
        }
        self.frames += block.frames() as u64;
        Ok(())
    }
}

/// True within ±15 % of a nominal voltage.
fn is_mains(rms_v: f64) -> bool {
    NOMINAL_V.iter().any(|n| (rms_v / n - 1.0).abs() < 0.15)
}

fn implausible_voltage(rms_v: f64) -> Option<Finding> {
    if is_mains(rms_v) {
        return None;
    }
    let factors = [10.0, 100.0, 1000.0, 20.0, 50.0, 200.0, 500.0, 0.1, 0.01, 0.001, 1.0 / 2.0_f64.sqrt()];
    let hint = factors
        .iter()
        .find(|f| is_mains(rms_v * **f))
        .map_or(String::new(), |f| format!("; with {f:.3} times the scale it would be {:.1} V", rms_v * f));
    let text = format!("the voltage is {rms_v:.4} V r.m.s., which no public mains is: check the probe's scale{hint}");
    Some(Finding::fault(FindingKind::ImplausibleVoltage, text))
}

fn implausible_current(rms_a: f64) -> Option<Finding> {
    let text = if rms_a > 75.0 {
        format!("the current is {rms_a:.1} A r.m.s., more than the 75 A these standards go to: check the probe's scale")
    } else if rms_a < 1e-3 {
        format!("the current is {:.4} mA r.m.s.: the product is off, or the probe's scale is wrong", rms_a * 1e3)
    } else {
        return None;
    };
    Some(Finding::fault(FindingKind::ImplausibleCurrent, text))
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::record::{ChannelUse, Mains};

    fn watch(voltage: impl Fn(f64) -> f64, current: impl Fn(f64) -> f64) -> Watched {
        let rate_hz = 20_000.0;
        let one = |index| Some(ChannelUse { index, units_per_count: 1.0 });
        let setup = RecordSetup {
            rate_hz,
            mains: Mains::Hz50,
            voltage: one(0),
            current: one(1),
            current_late_s: 0.0,
            full_scale_counts: None,
        };
        let t = |n: usize| n as f64 / rate_hz;
        let voltage_v: Vec<f64> = (0..40_000).map(|n| voltage(t(n))).collect();
        let current_a: Vec<f64> = (0..40_000).map(|n| current(t(n))).collect();
        let mut w = Watch::new(&setup);
        for k in 0..8 {
            let part = k * 5000..(k + 1) * 5000;
            let block = MainsBlock {
                first_frame: part.start as u64,
                voltage_v: &voltage_v[part.clone()],
                current_a: &current_a[part],
            };
            w.take(&block).unwrap();
        }
        w.finish()
    }

    fn sine(t: f64) -> f64 {
        325.3 * (TAU * 50.03 * t).sin()
    }

    fn kinds(w: &Watched) -> Vec<FindingKind> {
        w.findings.iter().map(|f| f.kind).collect()
    }

    #[test]
    fn a_clean_record_has_no_findings() {
        // Quantised as an 8-bit recorder does; a square current is flat by nature.
        let w = watch(|t| (sine(t) / 3.0).round() * 3.0, |t| if sine(t) > 0.0 { 1.5 } else { -1.5 });
        assert_eq!(kinds(&w), []);
        assert!((w.voltage_rms_v.unwrap() - 230.0).abs() < 0.2);
    }

    #[test]
    fn faults_are_named() {
        let w = watch(|t| sine(t).clamp(-310.0, 310.0), |t| sine(t) / 100.0);
        assert_eq!(kinds(&w), [FindingKind::ClippedVoltage]);
        let w = watch(sine, |t| ((sine(t) / 100.0).powi(3)).clamp(-20.0, 30.0));
        assert_eq!(kinds(&w), [FindingKind::ClippedCurrent]);
        let w = watch(|t| sine(t) / 100.0, |t| sine(t) * 1e-7);
        assert_eq!(kinds(&w), [FindingKind::ImplausibleVoltage, FindingKind::ImplausibleCurrent]);
        assert!(w.findings[0].text.contains("100.000 times the scale it would be 230.0 V"), "{}", w.findings[0].text);
        let w = watch(|t| if (1.0..1.04).contains(&t) { 0.5 } else { sine(t) }, |t| sine(t) / 100.0);
        assert_eq!(kinds(&w), [FindingKind::MissingCycles]);
        assert!((w.findings[0].at_s.unwrap() - 1.0).abs() < 0.011, "{:?}", w.findings);
    }
}
