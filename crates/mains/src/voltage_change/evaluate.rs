//! From half-cycle r.m.s. values to d(t), dc, dmax and Tmax as IEC 61000-3-3 defines them.
//!
//! Steady state: all half-cycle values of the last second (100 at 50 Hz, 120 at 60 Hz) lie within ±0.2 % of the nominal
//! voltage around their mean. It lasts while that holds for every last second and its value is the mean of the last one,
//! so that the slow drift of a supply is no voltage change. A change begins with the value that breaks it and ends with
//! the first value of the next steady second. d(t) counts from the steady state before it.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::half_cycle::HalfCycle;
use crate::MainsError;
use crate::envelope::Envelope;
use crate::record::Mains;

/// Tolerance of the steady state, % of the nominal voltage to either side.
pub const STEADY_PERCENT: f64 = 0.2;
/// Changes kept in full, the largest.
const MOST_CHANGES: usize = 200;
/// Half-cycles of a change kept for its shape.
const MOST_SHAPE: usize = 1200;

/// How a voltage is evaluated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChangeSettings {
    /// Nominal frequency.
    pub mains: Mains,
    /// Nominal voltage, V: 100 %.
    pub nominal_v: f64,
    /// Deviation above which time counts towards Tmax, %.
    pub tmax_threshold_percent: f64,
}

/// One voltage change, from a steady state to the next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VoltageChange {
    /// First half-cycle that left the steady state, s.
    pub start_s: f64,
    /// First half-cycle of the next steady second; the end of the record where there is none.
    pub end_s: f64,
    /// Largest deviation from the steady state before, %, with its sign (a drop is negative).
    pub dmax_percent: f64,
    /// From the steady state before to the one after, %, with its sign; `None` where none came.
    pub dc_percent: Option<f64>,
    /// Time beyond the threshold, s.
    pub over_threshold_s: f64,
    /// Time from the start until the largest deviation is reached to 90 %, s.
    pub rise_s: f64,
    /// Time spent beyond half the largest deviation, s.
    pub above_half_s: f64,
    /// Time spent beyond 90 % of the largest deviation, s.
    pub above_most_s: f64,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChangeReading {
    /// 100 %, V.
    pub nominal_v: f64,
    /// Largest difference of two steady states in a row, %; 0 where there is none.
    pub dc_percent: f64,
    /// Largest deviation from the last steady state, %. Without any steady state: highest less lowest value.
    pub dmax_percent: f64,
    /// Longest time beyond the threshold during one change, s.
    pub tmax_s: f64,
    /// Steady states seen (each counted once, however long).
    pub steady_states: usize,
    /// Changes seen.
    pub changes_seen: usize,
    /// The largest changes, in order of time.
    pub changes: Vec<VoltageChange>,
    /// Mean of all half-cycle values, V.
    pub mean_v: f64,
    /// Mean frequency, Hz.
    pub frequency_hz: f64,
    /// d(t): deviation from the last steady state over time, %.
    pub d_percent: Envelope,
    /// Half-cycle values evaluated.
    pub half_cycles: u64,
}

#[derive(Debug)]
struct Open {
    start_s: f64,
    reference_v: f64,
    over: u64,
    values: u64,
    peak: f64,
    /// Deviations, %, as long as there is room.
    shape: Vec<f32>,
}

/// Takes half-cycle values in order and finds the changes.
#[derive(Debug)]
pub struct ChangeMeter {
    settings: ChangeSettings,
    needed: usize,
    half_s: f64,
    window: VecDeque<f64>,
    over_in_window: VecDeque<bool>,
    steady_v: Option<f64>,
    open: Option<Open>,
    states: usize,
    seen: usize,
    changes: Vec<VoltageChange>,
    dc: f64,
    dmax: f64,
    tmax: f64,
    low: f64,
    high: f64,
    sum: f64,
    frequency_sum: f64,
    count: u64,
    first_s: f64,
    last_s: f64,
    d: Envelope,
    before_first: Vec<(f64, f64)>,
}

impl ChangeMeter {
    /// A meter for one record.
    pub fn new(settings: &ChangeSettings) -> Result<Self, MainsError> {
        if !(settings.nominal_v.is_finite() && settings.nominal_v > 0.0) {
            return Err(MainsError::Setting {
                field: "nominal voltage",
                what: settings.nominal_v.to_string(),
                expected: "a positive number of volts".into(),
            });
        }
        let per_s = 2.0 * settings.mains.nominal_hz();
        Ok(Self {
            settings: *settings,
            needed: per_s as usize,
            half_s: 1.0 / per_s,
            window: VecDeque::new(),
            over_in_window: VecDeque::new(),
            steady_v: None,
            open: None,
            states: 0,
            seen: 0,
            changes: Vec::new(),
            dc: 0.0,
            dmax: 0.0,
            tmax: 0.0,
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
            sum: 0.0,
            frequency_sum: 0.0,
            count: 0,
            first_s: 0.0,
            last_s: 0.0,
            d: Envelope::new(0.1),
            before_first: Vec::new(),
        })
    }

    fn percent(&self, volts: f64) -> f64 {
        volts / self.settings.nominal_v * 100.0
    }

    /// The next half-cycle.
    pub fn push(&mut self, half: &HalfCycle) {
        let u = half.rms_v;
        if self.count == 0 {
            self.first_s = half.time_s;
        }
        self.count += 1;
        self.last_s = half.time_s;
        self.sum += u;
        self.frequency_sum += half.frequency_hz;
        self.low = self.low.min(u);
        self.high = self.high.max(u);
        let before = self.steady_v;
        self.window.push_back(u);
        if self.window.len() > self.needed {
            self.window.pop_front();
        }
        // A change takes its first value after the window that was steady: the window then still holds old values, and
        // is steady again only when all of it is new.
        let steady = self.window.len() == self.needed && self.is_steady();
        if let Some(open) = &mut self.open {
            let d = (u - open.reference_v) / self.settings.nominal_v * 100.0;
            open.values += 1;
            if d.abs() > open.peak.abs() {
                open.peak = d;
            }
            if open.shape.len() < MOST_SHAPE {
                open.shape.push(d as f32);
            }
            self.over_in_window.push_back(d.abs() > self.settings.tmax_threshold_percent);
            // Only what leaves the window without having become part of a steady second counts.
            if self.over_in_window.len() > self.needed && self.over_in_window.pop_front() == Some(true) {
                open.over += 1;
            }
            self.d.push(half.time_s - self.first_s, d);
            if steady && open.values >= self.needed as u64 {
                let mean = self.window.iter().sum::<f64>() / self.needed as f64;
                self.close_change(Some(mean), half.time_s - self.needed as f64 * self.half_s);
                self.states += 1;
                self.steady_v = Some(mean);
            }
        } else if let Some(reference_v) = before {
            if steady {
                self.steady_v = Some(self.window.iter().sum::<f64>() / self.needed as f64);
                self.d.push(half.time_s - self.first_s, self.percent(u - reference_v));
            } else {
                let d = self.percent(u - reference_v);
                self.open = Some(Open {
                    start_s: half.time_s,
                    reference_v,
                    over: 0,
                    values: 1,
                    peak: d,
                    shape: vec![d as f32],
                });
                self.over_in_window.clear();
                self.over_in_window.push_back(d.abs() > self.settings.tmax_threshold_percent);
                self.d.push(half.time_s - self.first_s, d);
            }
        } else if steady {
            let mean = self.window.iter().sum::<f64>() / self.needed as f64;
            self.steady_v = Some(mean);
            self.states = 1;
            // What came before the first steady state is drawn against it.
            let earlier = std::mem::take(&mut self.before_first);
            for (time_s, v) in earlier {
                self.d.push(time_s, self.percent(v - mean));
            }
            self.d.push(half.time_s - self.first_s, self.percent(u - mean));
        } else if self.before_first.len() < 100_000 {
            self.before_first.push((half.time_s - self.first_s, u));
        }
    }

    fn is_steady(&self) -> bool {
        let mean = self.window.iter().sum::<f64>() / self.window.len() as f64;
        // The last digits of a sum must not decide on a value that lies on the edge.
        let tolerance = (STEADY_PERCENT * (1.0 + 1e-9)) / 100.0 * self.settings.nominal_v;
        self.window.iter().all(|v| (v - mean).abs() <= tolerance)
    }

    fn close_change(&mut self, steady_v: Option<f64>, end_s: f64) {
        let Some(mut open) = self.open.take() else { return };
        if steady_v.is_none() {
            open.over += self.over_in_window.iter().filter(|o| **o).count() as u64;
        }
        self.over_in_window.clear();
        let dc = steady_v.map(|v| self.percent(v - open.reference_v));
        let over_threshold_s = open.over as f64 * self.half_s;
        let beyond = |share: f64| {
            open.shape.iter().filter(|d| f64::from(**d) * open.peak.signum() >= share * open.peak.abs()).count() as f64
                * self.half_s
        };
        let rise = open
            .shape
            .iter()
            .position(|d| f64::from(*d) * open.peak.signum() >= 0.9 * open.peak.abs())
            .unwrap_or(open.shape.len());
        self.seen += 1;
        self.dmax = self.dmax.max(open.peak.abs());
        self.dc = self.dc.max(dc.unwrap_or(0.0).abs());
        self.tmax = self.tmax.max(over_threshold_s);
        self.changes.push(VoltageChange {
            start_s: open.start_s,
            end_s,
            dmax_percent: open.peak,
            dc_percent: dc,
            over_threshold_s,
            rise_s: rise as f64 * self.half_s,
            above_half_s: beyond(0.5),
            above_most_s: beyond(0.9),
        });
        if self.changes.len() >= 2 * MOST_CHANGES {
            self.thin();
        }
    }

    /// Leaves the largest changes, in order of time.
    fn thin(&mut self) {
        if self.changes.len() > MOST_CHANGES {
            self.changes.sort_by(|a, b| b.dmax_percent.abs().total_cmp(&a.dmax_percent.abs()));
            self.changes.truncate(MOST_CHANGES);
            self.changes.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        }
    }

    /// Ends the record.
    pub fn finish(mut self) -> Result<ChangeReading, MainsError> {
        if self.count == 0 {
            return Err(MainsError::TooShort {
                found_s: 0.0,
                needed_s: self.half_s,
                what: "the r.m.s. value of a half-cycle",
            });
        }
        self.close_change(None, self.last_s);
        self.thin();
        let mean_v = self.sum / self.count as f64;
        let mut d = self.d;
        if self.states == 0 {
            self.dmax = (self.high - self.low) / self.settings.nominal_v * 100.0;
            for (time_s, v) in &self.before_first {
                d.push(*time_s, (v - mean_v) / self.settings.nominal_v * 100.0);
            }
        }
        Ok(ChangeReading {
            nominal_v: self.settings.nominal_v,
            dc_percent: self.dc,
            dmax_percent: self.dmax,
            tmax_s: self.tmax,
            steady_states: self.states,
            changes_seen: self.seen,
            changes: self.changes,
            mean_v,
            frequency_hz: self.frequency_sum / self.count as f64,
            d_percent: d,
            half_cycles: self.count,
        })
    }
}
