//! Inrush: what a product draws in the moment it is switched on.
//!
//! A switching begins where the current, after at least a tenth of a second below the threshold, rises above it. From
//! there two seconds are looked at: the highest peak, the I²t of the first pulse and of the whole inrush above what flows
//! afterwards, the highest half-cycle r.m.s. value, and, with a recorded voltage, the angle of the mains at the switching.

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use crate::MainsError;
use crate::record::{Consumer, Mains, MainsBlock};

/// How switchings are found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct InrushSettings {
    /// Frames a second, Hz.
    pub rate_hz: f64,
    /// Mains frequency.
    pub mains: Mains,
    /// Current that counts as flowing, A.
    pub threshold_a: f64,
}

impl InrushSettings {
    /// A tenth of an ampere counts as flowing.
    pub fn new(rate_hz: f64, mains: Mains) -> Self {
        Self { rate_hz, mains, threshold_a: 0.1 }
    }
}

/// One switching.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Inrush {
    /// Moment the current starts to flow, s.
    pub start_s: f64,
    /// Angle of the mains then, degrees from a rising zero crossing of the voltage, 0 to 360; `None` without a voltage.
    pub angle_deg: Option<f64>,
    /// Highest magnitude of the current, A.
    pub peak_a: f64,
    /// From the start to the peak, s.
    pub peak_after_s: f64,
    /// I²t of the first pulse (to the first pause or change of sign after a fifth of its peak), A²s.
    pub first_pulse_a2s: f64,
    /// I²t from the start until the half-cycles come down to 1.1 times what flows at the end of the two seconds, less
    /// that, A²s.
    pub total_a2s: f64,
    /// Highest r.m.s. value of half a cycle, moved along sample by sample, A.
    pub half_cycle_rms_a: f64,
    /// R.m.s. value over the last tenth of a second of what was looked at, A.
    pub settled_rms_a: f64,
    /// Time looked at, s; less than 2 s where the record ends.
    pub looked_at_s: f64,
}

const LOOK_S: f64 = 2.0;
const QUIET_S: f64 = 0.1;
/// Switchings kept.
const MOST: usize = 1000;

/// Finds switchings in a recording.
#[derive(Debug)]
pub struct InrushMeter {
    settings: InrushSettings,
    quiet: usize,
    frame: usize,
    /// Current of the switching under way, from its start.
    open: Option<(usize, Vec<f64>)>,
    /// Voltage of the last two cycles, and of the switching's first two.
    voltage: Vec<f64>,
    angle: Option<f64>,
    found: Vec<Inrush>,
    started: bool,
}

impl InrushMeter {
    /// For one record.
    pub fn new(settings: &InrushSettings) -> Result<Self, MainsError> {
        for (field, value) in [("rate_hz", settings.rate_hz), ("inrush threshold", settings.threshold_a)] {
            if !(value.is_finite() && value > 0.0) {
                return Err(MainsError::Setting {
                    field,
                    what: value.to_string(),
                    expected: "a positive number".into(),
                });
            }
        }
        Ok(Self {
            settings: *settings,
            quiet: 0,
            frame: 0,
            open: None,
            voltage: Vec::new(),
            angle: None,
            found: Vec::new(),
            started: false,
        })
    }

    /// The next frames; the voltage may be empty.
    pub fn push(&mut self, current_a: &[f64], voltage_v: &[f64]) {
        let rate = self.settings.rate_hz;
        let quiet_needed = (QUIET_S * rate) as usize;
        let look = (LOOK_S * rate) as usize;
        let two_cycles = (2.0 * rate / self.settings.mains.nominal_hz()) as usize;
        for (k, &i) in current_a.iter().enumerate() {
            if let Some(&u) = voltage_v.get(k) {
                self.voltage.push(u);
                if self.voltage.len() > 8 * two_cycles.max(64) {
                    self.voltage.drain(..self.voltage.len() - two_cycles);
                }
            }
            if let Some((_, list)) = &mut self.open {
                list.push(i);
                if list.len() >= look {
                    self.close();
                }
            } else if i.abs() > self.settings.threshold_a {
                // Current that flows from the first sample on is no switching.
                if self.quiet >= quiet_needed && self.started {
                    let cut = self.voltage.len().saturating_sub(two_cycles);
                    self.angle = angle_at_end(&self.voltage[cut..], rate, self.settings.mains.nominal_hz());
                    self.open = Some((self.frame, vec![i]));
                }
                self.quiet = 0;
            } else {
                self.quiet += 1;
                self.started = true;
            }
            self.frame += 1;
        }
    }

    fn close(&mut self) {
        let Some((start, list)) = self.open.take() else { return };
        self.quiet = 0;
        if self.found.len() < MOST {
            let mut one = of_current(&list, self.settings.rate_hz, self.settings.mains, self.settings.threshold_a);
            one.start_s = start as f64 / self.settings.rate_hz;
            one.angle_deg = self.angle;
            self.found.push(one);
        }
    }

    /// Ends the record: the switchings, in order.
    pub fn finish(mut self) -> Vec<Inrush> {
        self.close();
        self.found
    }
}

impl Consumer for InrushMeter {
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError> {
        if block.current_a.is_empty() {
            return Err(MainsError::MissingChannel { needed: "mains current" });
        }
        self.push(block.current_a, block.voltage_v);
        Ok(())
    }
}

/// Phase of the fundamental at the last sample, degrees: correlation over whole cycles.
fn angle_at_end(voltage_v: &[f64], rate_hz: f64, nominal_hz: f64) -> Option<f64> {
    let cycle = rate_hz / nominal_hz;
    let n = ((voltage_v.len() as f64 / cycle).floor() * cycle).round() as usize;
    if n < cycle as usize || n > voltage_v.len() {
        return None;
    }
    let part = &voltage_v[voltage_v.len() - n..];
    let (mut s, mut c) = (0.0, 0.0);
    for (k, u) in part.iter().enumerate() {
        let phase = TAU * (k as f64 - (n - 1) as f64) / cycle;
        s += u * phase.sin();
        c += u * phase.cos();
    }
    // u = sin(phase + angle) correlates with the sine as cos(angle), with the cosine as sin(angle).
    Some(c.atan2(s).to_degrees().rem_euclid(360.0))
}

/// Evaluates a current from the moment it starts to flow.
pub fn of_current(current_a: &[f64], rate_hz: f64, mains: Mains, threshold_a: f64) -> Inrush {
    let h = 1.0 / rate_hz;
    let half = ((rate_hz / mains.nominal_hz() / 2.0).round() as usize).max(1);
    let (at, peak) = current_a
        .iter()
        .enumerate()
        .fold((0, 0.0f64), |best, (k, i)| if i.abs() > best.1 { (k, i.abs()) } else { best });
    let first_end = {
        let mut highest = 0.0f64;
        let sign = current_a.first().map_or(1.0, |i| i.signum());
        current_a
            .iter()
            .position(|i| {
                highest = highest.max(i.abs());
                highest > 0.2 * peak && (i.abs() <= threshold_a || i.signum() != sign)
            })
            .unwrap_or(current_a.len())
    };
    let squares = |list: &[f64]| list.iter().map(|i| i * i).sum::<f64>() * h;
    // A pulse that starts with its peak must not count half a sample too much: trapezoids.
    let integral = |list: &[f64]| {
        let ends = list.first().map_or(0.0, |i| i * i) + list.last().map_or(0.0, |i| i * i);
        (squares(list) - ends * h / 2.0).max(0.0)
    };
    let tail = &current_a[current_a.len() - (current_a.len() / 4).min((0.1 * rate_hz) as usize)..];
    let settled = if tail.is_empty() { 0.0 } else { squares(tail) / (tail.len() as f64 * h) };
    let calm = current_a
        .chunks(half)
        .rposition(|c| c.len() == half && squares(c) / (half as f64 * h) > 1.1 * 1.1 * settled)
        .map_or(0, |k| ((k + 1) * half).min(current_a.len()));
    let total = (integral(&current_a[..calm]) - settled * calm as f64 * h).max(0.0);
    let mut sum = 0.0;
    let mut most = 0.0f64;
    for k in 0..current_a.len() {
        sum += current_a[k] * current_a[k];
        if k >= half {
            sum -= current_a[k - half] * current_a[k - half];
        }
        most = most.max(sum);
    }
    Inrush {
        start_s: 0.0,
        angle_deg: None,
        peak_a: peak,
        peak_after_s: at as f64 * h,
        first_pulse_a2s: integral(&current_a[..first_end]),
        total_a2s: total,
        half_cycle_rms_a: (most.max(0.0) / half as f64).sqrt(),
        settled_rms_a: settled.sqrt(),
        looked_at_s: current_a.len() as f64 * h,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A capacitor charged through a resistor from a step: peak V/R, I²t = C V² / (2 R) (closed form).
    #[test]
    fn charging_pulse() {
        let (v, r, c) = (325.0f64, 5.0, 100e-6);
        let rate = 1e6;
        let list: Vec<f64> = (0..400_000).map(|n| v / r * (-f64::from(n) / rate / (r * c)).exp()).collect();
        let one = of_current(&list, rate, Mains::Hz50, 0.01);
        let exact = c * v * v / (2.0 * r);
        assert!((one.first_pulse_a2s / exact - 1.0).abs() < 1e-4, "{one:?} {exact}");
        assert!((one.total_a2s / exact - 1.0).abs() < 1e-4 && (one.peak_a / (v / r) - 1.0).abs() < 2e-3);
        // The sliding sum counts the first sample, the peak, in full: half a sample of it too much.
        assert!((one.half_cycle_rms_a / (exact / 0.01).sqrt() - 1.0).abs() < 2e-3);
    }

    /// A heater switched on twice, at known angles of a recorded voltage.
    #[test]
    fn switchings_are_found_with_their_angle() {
        let rate = 10_000.0;
        let mut meter = InrushMeter::new(&InrushSettings::new(rate, Mains::Hz50)).unwrap();
        let on = |t: f64| (1.005..4.0).contains(&t) || t >= 5.0025;
        let u: Vec<f64> = (0..60_000).map(|n| 325.0 * (TAU * 50.0 * f64::from(n) / rate).sin()).collect();
        let i: Vec<f64> = u.iter().enumerate().map(|(n, u)| if on(n as f64 / rate) { u / 23.0 } else { 0.0 }).collect();
        for (i, u) in i.chunks(777).zip(u.chunks(777)) {
            meter.push(i, u);
        }
        let list = meter.finish();
        assert_eq!(list.len(), 2, "{list:?}");
        assert!((list[0].start_s - 1.005).abs() < 2e-4 && (list[0].angle_deg.unwrap() - 90.0).abs() < 1.0);
        assert!((list[1].angle_deg.unwrap() - 45.0).abs() < 1.0, "{:?}", list[1]);
        assert!((list[0].peak_a - 325.0 / 23.0).abs() < 1e-6);
        assert!((list[0].half_cycle_rms_a - 325.0 / 23.0 / 2.0f64.sqrt()).abs() < 0.02 && list[0].total_a2s < 0.3);
    }
}
