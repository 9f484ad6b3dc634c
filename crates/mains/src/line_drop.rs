//! From the current alone: the voltage at the terminals behind the reference impedance, sample by sample.
//!
//! u(t) = sqrt(2) U sin θ(t) − R i − L di/dt, with θ the phase of the mains and U its nominal voltage: a clean supply that
//! no socket can offer. θ comes from the recorded voltage where there is one, otherwise from the fundamental of the
//! current and the displacement angle that is given for it. While the current is too small to move the voltage by
//! 0.01 %, its phase tells nothing: there θ runs smoothly from the last known phase to the next, so that the supply never
//! jumps.

use std::collections::VecDeque;
use std::f64::consts::{SQRT_2, TAU};

use serde::{Deserialize, Serialize};

use crate::MainsError;
use crate::current_phase::CurrentPhase;
use crate::flicker::{FlickerMeter, FlickerReading, FlickerSettings, Lamp, Past, Reference};
use crate::record::{Consumer, Mains, MainsBlock};
use crate::track::{Node, Tracker};
use crate::voltage_change::{ChangeReading, ChangeSettings, Impedance, VoltageChangeMeter};

/// Where the phase of the synthetic supply comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PhaseSource {
    /// The recorded voltage.
    Voltage,
    /// The recorded current.
    Current {
        /// Angle by which the current's fundamental lags the voltage, degrees (leading is negative).
        lag_deg: f64,
    },
}

/// The synthetic supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineDropSettings {
    /// Frames a second, Hz.
    pub rate_hz: f64,
    /// Mains frequency.
    pub mains: Mains,
    /// Open-circuit voltage, V r.m.s.
    pub nominal_v: f64,
    /// What lies between the supply and the terminals.
    pub impedance: Impedance,
    /// Where its phase comes from.
    pub phase: PhaseSource,
}

/// Longest time that a missing phase is waited for, s, and most frames.
const PATIENCE_S: f64 = 10.0;
const PATIENCE_FRAMES: usize = 4_000_000;
/// Voltage drop below which the current's phase is not trusted, share of the nominal voltage.
const TRUST: f64 = 1e-4;

/// How the phase is followed.
#[derive(Debug)]
enum Follow {
    Voltage { tracker: Tracker, used: usize },
    Current(CurrentPhase),
}

/// Makes the voltage behind an impedance from a current.
#[derive(Debug)]
pub struct LineDrop {
    settings: LineDropSettings,
    factor: usize,
    follow: Follow,
    /// Means of `factor` frames of what the phase comes from, from group `first_mean` on.
    means: Vec<f64>,
    first_mean: usize,
    group: f64,
    held: usize,
    /// Points of known phase in raw frames; the supply's phase runs between them.
    keys: VecDeque<Node>,
    current: VecDeque<f64>,
    first_current: usize,
    emitted: usize,
    received: usize,
    inductance_h: f64,
}

impl LineDrop {
    /// For records of one rate.
    pub fn new(settings: &LineDropSettings) -> Result<Self, MainsError> {
        if !(settings.nominal_v.is_finite() && settings.nominal_v > 0.0) {
            return Err(MainsError::Setting {
                field: "nominal voltage",
                what: settings.nominal_v.to_string(),
                expected: "a positive number of volts".into(),
            });
        }
        if !(settings.rate_hz.is_finite() && settings.rate_hz >= FlickerSettings::LEAST_RATE_HZ) {
            return Err(MainsError::RateTooLow {
                rate_hz: settings.rate_hz,
                needed_hz: FlickerSettings::LEAST_RATE_HZ,
                what: "the voltage behind an impedance",
            });
        }
        let factor = ((settings.rate_hz / 2000.0).floor() as usize).max(1);
        Ok(Self {
            factor,
            follow: {
                let (rate_hz, nominal_hz) = (settings.rate_hz / factor as f64, settings.mains.nominal_hz());
                match settings.phase {
                    PhaseSource::Voltage => Follow::Voltage { tracker: Tracker::new(rate_hz, nominal_hz), used: 0 },
                    PhaseSource::Current { .. } => {
                        let floor_a = TRUST * SQRT_2 * settings.nominal_v / settings.impedance.modulus_ohm();
                        Follow::Current(CurrentPhase::new(rate_hz, nominal_hz, floor_a))
                    }
                }
            },
            means: Vec::new(),
            first_mean: 0,
            group: 0.0,
            held: 0,
            keys: VecDeque::new(),
            current: VecDeque::new(),
            first_current: 0,
            emitted: 0,
            received: 0,
            inductance_h: settings.impedance.inductance_h(),
            settings: settings.clone(),
        })
    }

    /// The next frames: current in A, voltage in V where the phase comes from it. Voltage that is ready is added to `out`.
    pub fn push(&mut self, current_a: &[f64], voltage_v: &[f64], out: &mut Vec<f64>) -> Result<(), MainsError> {
        let of_voltage = self.settings.phase == PhaseSource::Voltage;
        if of_voltage && voltage_v.len() != current_a.len() {
            return Err(MainsError::MissingChannel { needed: "mains voltage" });
        }
        let reference = if of_voltage { voltage_v } else { current_a };
        for x in reference {
            self.group += x;
            self.held += 1;
            if self.held == self.factor {
                self.means.push(self.group / self.factor as f64);
                self.group = 0.0;
                self.held = 0;
            }
        }
        self.current.extend(current_a);
        self.received += current_a.len();
        let keep = match &mut self.follow {
            Follow::Voltage { tracker, .. } => {
                tracker.advance(&self.means, self.first_mean);
                tracker.needs_from()
            }
            Follow::Current(c) => {
                c.advance(&self.means, self.first_mean);
                c.needs_from()
            }
        };
        if keep > self.first_mean + 4096 {
            self.means.drain(..keep - self.first_mean);
            self.first_mean = keep;
        }
        self.collect_keys();
        self.emit(false, out);
        Ok(())
    }

    /// The rest of the voltage.
    pub fn finish(mut self, out: &mut Vec<f64>) {
        match &mut self.follow {
            Follow::Voltage { tracker, .. } => tracker.close(),
            Follow::Current(c) => c.close(),
        }
        self.collect_keys();
        self.emit(true, out);
    }

    fn collect_keys(&mut self) {
        let ahead = match self.settings.phase {
            PhaseSource::Voltage => 0.0,
            PhaseSource::Current { lag_deg } => lag_deg.to_radians(),
        };
        let fresh: Vec<Node> = match &mut self.follow {
            Follow::Voltage { tracker, used } => {
                let nodes = &tracker.nodes()[*used..];
                *used += nodes.len();
                nodes.to_vec()
            }
            Follow::Current(c) => c.take_nodes(),
        };
        let m = self.factor as f64;
        for n in fresh {
            let mut key =
                Node { frame: n.frame * m + (m - 1.0) / 2.0, phase: n.phase + ahead, rate: n.rate / m, bend: 0.0 };
            if let Some(last) = self.keys.back() {
                // Whole turns are of no account: the nearest way from where the phase would have run to.
                let expected = last.phase + f64::midpoint(last.rate, key.rate) * (key.frame - last.frame);
                key.phase += TAU * ((expected - key.phase) / TAU).round();
            }
            self.keys.push_back(key);
        }
    }

    fn emit(&mut self, all: bool, out: &mut Vec<f64>) {
        let end = if all { self.received } else { self.received.saturating_sub(2) };
        let patience = ((PATIENCE_S * self.settings.rate_hz) as usize).min(PATIENCE_FRAMES);
        while self.emitted < end {
            while self.keys.len() >= 2 && self.keys[1].frame <= self.emitted as f64 {
                self.keys.pop_front();
            }
            // Up to where the phase is settled: between two keys, before the first, or when waiting has lasted.
            let (until, waited) = match (self.keys.front(), self.keys.get(1)) {
                (Some(a), _) if (self.emitted as f64) < a.frame => ((a.frame.ceil() as usize).min(end), false),
                (Some(_), Some(b)) => ((b.frame.ceil() as usize).min(end), false),
                _ if all => (end, false),
                _ if self.received - self.emitted > patience => (self.received - patience / 2, true),
                _ => break,
            };
            let nominal = TAU * self.settings.mains.nominal_hz() / self.settings.rate_hz;
            if self.keys.is_empty() {
                self.keys.push_back(Node { frame: self.emitted as f64, phase: 0.0, rate: nominal, bend: 0.0 });
            }
            let a = self.keys[0];
            let b = self.keys.get(1).copied();
            let phase_at = |frame: f64| -> f64 {
                let t = frame - a.frame;
                match b {
                    Some(b) if t > 0.0 => {
                        let h = b.frame - a.frame;
                        let x = t / h;
                        let (m0, m1, d) = (a.rate * h, b.rate * h, b.phase - a.phase);
                        a.phase + x * (m0 + x * ((3.0 * d - 2.0 * m0 - m1) + x * (m0 + m1 - 2.0 * d)))
                    }
                    _ => a.phase + a.rate * t,
                }
            };
            let peak = SQRT_2 * self.settings.nominal_v;
            let (r, l) = (self.settings.impedance.r_ohm, self.inductance_h * self.settings.rate_hz);
            let base = self.first_current;
            let i = |n: isize| -> f64 {
                let last = self.current.len() as isize - 1;
                self.current[(n - base as isize).clamp(0, last) as usize]
            };
            for n in self.emitted..until {
                let k = n as isize;
                // Five points: exact for a parabola and a cubic; the first and last frames are held outside.
                let slope = (8.0 * (i(k + 1) - i(k - 1)) - (i(k + 2) - i(k - 2))) / 12.0;
                out.push(peak * phase_at(n as f64).sin() - r * i(k) - l * slope);
            }
            self.emitted = until;
            if waited && self.keys.len() == 1 {
                // The supply has run on by itself to here: the next key is reached from here.
                let phase = phase_at(until as f64);
                self.keys[0] = Node { frame: until as f64, phase, rate: a.rate, bend: 0.0 };
            }
            let old = self.emitted.saturating_sub(4).saturating_sub(self.first_current);
            self.current.drain(..old);
            self.first_current += old;
        }
    }
}

/// Flicker and voltage change that a current causes on an impedance: a consumer of a recording.
#[derive(Debug)]
pub struct CurrentFlicker {
    drop: LineDrop,
    flicker: FlickerMeter,
    change: VoltageChangeMeter,
    ready: Vec<f64>,
}

impl CurrentFlicker {
    /// For records of one rate. `tmax_threshold_percent` is the level beyond which time counts (3.3 %).
    pub fn new(settings: &LineDropSettings, lamp: Lamp, tmax_threshold_percent: f64) -> Result<Self, MainsError> {
        let flicker = FlickerSettings {
            reference: Reference::FixedV(settings.nominal_v),
            past: Past::Mirrored,
            ..FlickerSettings::new(settings.rate_hz, settings.mains, lamp)
        };
        let change = ChangeSettings { mains: settings.mains, nominal_v: settings.nominal_v, tmax_threshold_percent };
        Ok(Self {
            drop: LineDrop::new(settings)?,
            flicker: FlickerMeter::new(&flicker)?,
            change: VoltageChangeMeter::new(settings.rate_hz, &change)?,
            ready: Vec::new(),
        })
    }

    /// The next frames.
    pub fn push(&mut self, current_a: &[f64], voltage_v: &[f64]) -> Result<(), MainsError> {
        self.drop.push(current_a, voltage_v, &mut self.ready)?;
        self.pass_on()
    }

    fn pass_on(&mut self) -> Result<(), MainsError> {
        self.flicker.push(&self.ready)?;
        self.change.push(&self.ready);
        self.ready.clear();
        Ok(())
    }

    /// Ends the record.
    pub fn finish(mut self) -> Result<(FlickerReading, ChangeReading), MainsError> {
        let Self { drop, ready, .. } = &mut self;
        let fresh = LineDrop::new(&drop.settings)?;
        std::mem::replace(drop, fresh).finish(ready);
        self.pass_on()?;
        Ok((self.flicker.finish()?, self.change.finish()?))
    }
}

impl Consumer for CurrentFlicker {
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError> {
        if block.current_a.is_empty() {
            return Err(MainsError::MissingChannel { needed: "mains current" });
        }
        self.push(block.current_a, block.voltage_v)
    }
}
