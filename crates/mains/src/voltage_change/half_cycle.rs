//! R.m.s. values of single half-cycles between the zero crossings of the fundamental.
//!
//! The crossings come from the phase tracker, so that harmonics that cross zero many times do no harm and a sagging or
//! missing voltage still has half-cycles. The square is near zero at a crossing, hence an error of the crossing's time
//! hardly changes the energy of a half-cycle; its length is taken from the smoothed frequency, not from the two
//! crossings.

use std::collections::VecDeque;
use std::f64::consts::PI;

use crate::MainsError;
use crate::record::Mains;
use crate::track::{Node, Tracker, frame_at};

/// The r.m.s. value of one half-cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalfCycle {
    /// Its middle, s from the first sample.
    pub time_s: f64,
    /// R.m.s. value over it, V.
    pub rms_v: f64,
    /// Frequency of the mains then, Hz.
    pub frequency_hz: f64,
}

/// Turns a voltage into r.m.s. values of half-cycles.
#[derive(Debug)]
pub struct HalfCycles {
    rate_hz: f64,
    factor: usize,
    tracker: Tracker,
    /// Means of `factor` samples, from frame `first_mean` on.
    means: Vec<f64>,
    first_mean: usize,
    sum: f64,
    energy: f64,
    held: usize,
    /// Energy up to the boundary after each group of samples and the square there; from boundary `first_mark` on.
    marks: VecDeque<(f64, f64)>,
    first_mark: usize,
    last: f64,
    started: bool,
    /// A boundary whose square is the mean of the sample before and the one to come.
    open: bool,
    /// Multiple of pi of the last crossing used.
    crossing: Option<(i64, f64)>,
    node: usize,
    pushed: u64,
}

impl HalfCycles {
    /// For records of one rate.
    pub fn new(rate_hz: f64, mains: Mains) -> Result<Self, MainsError> {
        if !(rate_hz.is_finite() && rate_hz >= 1000.0) {
            return Err(MainsError::RateTooLow { rate_hz, needed_hz: 1000.0, what: "the r.m.s. value of half-cycles" });
        }
        let factor = ((rate_hz / 2000.0).floor() as usize).max(1);
        Ok(Self {
            rate_hz,
            factor,
            tracker: Tracker::new(rate_hz / factor as f64, mains.nominal_hz()),
            means: Vec::new(),
            first_mean: 0,
            sum: 0.0,
            energy: 0.0,
            held: 0,
            marks: VecDeque::new(),
            first_mark: 0,
            last: 0.0,
            started: false,
            open: false,
            crossing: None,
            node: 0,
            pushed: 0,
        })
    }

    /// The next samples, V; half-cycles that are complete are added to `out`, about a third of a second late.
    pub fn push(&mut self, voltage_v: &[f64], out: &mut Vec<HalfCycle>) {
        let Some(&first) = voltage_v.first() else { return };
        if !self.started {
            self.started = true;
            self.marks.push_back((0.0, first * first));
        }
        self.pushed += voltage_v.len() as u64;
        let mut rest = voltage_v;
        while !rest.is_empty() {
            if self.open {
                let square = f64::midpoint(self.last * self.last, rest[0] * rest[0]);
                self.marks.push_back((self.energy, square));
                self.open = false;
            }
            let (now, later) = rest.split_at(rest.len().min(self.factor - self.held));
            let (mut sum, mut squares) = ([0.0; 4], [0.0; 4]);
            let pieces = now.chunks_exact(4);
            for x in pieces.remainder() {
                sum[0] += x;
                squares[0] += x * x;
            }
            for four in pieces {
                for k in 0..4 {
                    sum[k] += four[k];
                    squares[k] += four[k] * four[k];
                }
            }
            self.sum += sum.iter().sum::<f64>();
            self.energy += squares.iter().sum::<f64>();
            self.held += now.len();
            self.last = now[now.len() - 1];
            if self.held == self.factor {
                self.means.push(self.sum / self.factor as f64);
                self.sum = 0.0;
                self.held = 0;
                self.open = true;
            }
            rest = later;
        }
        self.tracker.advance(&self.means, self.first_mean);
        let keep = self.tracker.needs_from();
        if keep > self.first_mean + 4096 {
            self.means.drain(..keep - self.first_mean);
            self.first_mean = keep;
        }
        self.emit(false, out);
    }

    /// Ends the record: the last whole half-cycles.
    pub fn finish(mut self, out: &mut Vec<HalfCycle>) {
        if self.open {
            self.marks.push_back((self.energy, self.last * self.last));
        }
        self.tracker.close();
        self.emit(true, out);
    }

    /// Energy from the first sample's beginning to a boundary coordinate (0 before the first sample, 1 after the first
    /// group); `None` outside of what is kept.
    fn energy_at(&self, boundary: f64) -> Option<f64> {
        let k = boundary.floor();
        let low = usize::try_from(k as i64).ok()?.checked_sub(self.first_mark)?;
        let ((e0, s0), (e1, s1)) = (*self.marks.get(low)?, *self.marks.get(low + 1)?);
        // A cubic through both energies with the squares as slopes: exact for a square that starts as a parabola.
        let x = boundary - k;
        let (m0, m1) = (s0 * self.factor as f64, s1 * self.factor as f64);
        let d = e1 - e0;
        Some(e0 + x * (m0 + x * ((3.0 * d - 2.0 * m0 - m1) + x * (m0 + m1 - 2.0 * d))))
    }

    fn emit(&mut self, all: bool, out: &mut Vec<HalfCycle>) {
        let nodes = self.tracker.nodes();
        // The centre of group `n` lies at boundary coordinate n + 1/2.
        let mut node = self.node;
        let mut crossing = self.crossing;
        let mut done = Vec::new();
        while node < nodes.len() {
            let a = nodes[node];
            let b = match nodes.get(node + 1) {
                Some(b) => *b,
                None if all => {
                    let step = 1e9;
                    Node { frame: a.frame + step, phase: a.phase + a.rate * step, rate: a.rate, bend: 0.0 }
                }
                None => break,
            };
            let (mut k, mut energy) = match crossing {
                Some(c) => c,
                None => {
                    // First crossing at or after the first sample's beginning.
                    let at_start = a.phase + a.rate * (-0.5 - a.frame);
                    let k = (at_start / PI - 1e-9).ceil() as i64;
                    let boundary = (frame_at(a, b, k as f64 * PI) + 0.5).max(0.0);
                    let Some(energy) = self.energy_at(boundary) else { break };
                    (k, energy)
                }
            };
            loop {
                let phase = (k + 1) as f64 * PI;
                if phase > b.phase {
                    break;
                }
                let boundary = frame_at(a, b, phase) + 0.5;
                let Some(next) = self.energy_at(boundary) else { break };
                let s = ((phase - a.phase) / (b.phase - a.phase)).clamp(0.0, 1.0);
                let rate = a.rate + (b.rate - a.rate) * s;
                let length = PI / rate * self.factor as f64;
                let middle = frame_at(a, b, phase - PI / 2.0) + 0.5;
                done.push(HalfCycle {
                    time_s: (middle * self.factor as f64 - 0.5) / self.rate_hz,
                    rms_v: ((next - energy).max(0.0) / length).sqrt(),
                    frequency_hz: rate / PI / 2.0 * self.rate_hz / self.factor as f64,
                });
                k += 1;
                energy = next;
            }
            crossing = Some((k, energy));
            if (k + 1) as f64 * PI > b.phase && node + 1 < nodes.len() {
                node += 1;
            } else {
                break;
            }
        }
        if let Some(n) = nodes.get(node) {
            // Two cycles behind the node still to be used are enough.
            let behind = (n.frame - 8.0 * PI / n.rate).max(0.0) as usize;
            if behind > self.first_mark + 4096 && crossing.is_some() {
                self.marks.drain(..behind - self.first_mark);
                self.first_mark = behind;
            }
        }
        self.node = node;
        self.crossing = crossing;
        out.append(&mut done);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{SQRT_2, TAU};

    fn of(rate_hz: f64, seconds: f64, u: impl Fn(f64) -> f64) -> Vec<HalfCycle> {
        let mut h = HalfCycles::new(rate_hz, Mains::Hz50).unwrap();
        let mut out = Vec::new();
        let all: Vec<f64> = (0..(rate_hz * seconds) as usize).map(|n| u(n as f64 / rate_hz)).collect();
        for piece in all.chunks(1237) {
            h.push(piece, &mut out);
        }
        h.finish(&mut out);
        out
    }

    #[test]
    fn steady_distorted_voltage_at_any_phase_and_rate() {
        for (rate_hz, f, phase) in [(2000.0, 50.0, 0.0), (2111.0, 49.6, 1.0), (20_000.0, 50.4, 4.0), (1e6, 50.0, 2.0)] {
            let seconds = if rate_hz > 1e5 { 0.5 } else { 3.0 };
            let list = of(rate_hz, seconds, |t| {
                let w = TAU * f * t + phase;
                SQRT_2 * 230.0 * (w.sin() + 0.05 * (5.0 * w + 0.3).sin() + 0.03 * (7.0 * w).sin())
            });
            let exact = 230.0 * (1.0f64 + 0.0025 + 0.0009).sqrt();
            assert!((list.len() as f64 - seconds * 2.0 * f).abs() <= 2.0, "{rate_hz}: {}", list.len());
            for h in &list {
                // Twenty samples a cycle do not carry the seventh harmonic's square exactly where the cycle is cut.
                let allowed = if rate_hz < 5000.0 { 3e-4 } else { 1e-4 };
                assert!((h.rms_v / exact - 1.0).abs() < allowed, "{rate_hz} {h:?} {exact}");
                assert!((h.frequency_hz - f).abs() < 0.003, "{h:?}");
            }
        }
    }

    /// A step at a zero crossing: full value in the very next half-cycle, nothing in the one before.
    #[test]
    fn a_step_is_sharp() {
        for rate_hz in [2000.0, 20_000.0] {
            let list = of(rate_hz, 4.0, |t| SQRT_2 * 230.0 * (TAU * 50.0 * t).sin() * if t < 2.0 { 1.0 } else { 0.95 });
            for h in &list {
                let exact = if h.time_s < 2.0 { 230.0 } else { 218.5 };
                assert!((h.rms_v / exact - 1.0).abs() < 2e-4, "{rate_hz} {h:?}");
            }
        }
    }

    #[test]
    fn missing_cycles_are_counted_as_nothing() {
        let list =
            of(5000.0, 4.0, |t| if (2.0..2.1).contains(&t) { 0.0 } else { SQRT_2 * 230.0 * (TAU * 50.0 * t).sin() });
        let low = list.iter().filter(|h| h.rms_v < 1.0).count();
        assert!(low == 10 && list.len() >= 399, "{low} {}", list.len());
    }
}
