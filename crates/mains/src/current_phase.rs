//! The phase of a current that comes and goes.
//!
//! Under a window of exactly one nominal cycle harmonics vanish, and only a cycle in which the current changes gives a
//! wrong phase. Such a cycle shows by an amplitude that differs from the cycle before and from the cycle after; it is not
//! used. What is left is averaged over neighbours along the slow mean of the frequency.

use std::collections::VecDeque;
use std::f64::consts::{FRAC_PI_2, TAU};

use num_complex::Complex64;

use crate::track::Node;

/// Points averaged to either side (half a cycle apart).
const REACH: usize = 12;
/// Largest difference of amplitudes a cycle apart that counts as none.
const ALIKE: f64 = 0.05;

#[derive(Debug, Clone, Copy)]
struct Point {
    frame: f64,
    phase: f64,
    amplitude: f64,
    trusted: bool,
}

/// Follows the phase of a current.
#[derive(Debug)]
pub(crate) struct CurrentPhase {
    kernel: Vec<Complex64>,
    half: usize,
    hop: usize,
    nominal: f64,
    /// Slow mean of the turning rate, rad per frame.
    rate: f64,
    /// Steps the rate was learned from: a plain mean of the first fifty, then slow.
    learned: u32,
    floor: f64,
    next: usize,
    /// Points; those before `fresh` are only there for averages.
    points: VecDeque<Point>,
    /// How many of the points were judged, and how many handed on.
    judged: usize,
    handed: usize,
    closed: bool,
    nodes: Vec<Node>,
}

impl CurrentPhase {
    /// `floor` is the amplitude below which there is no current.
    pub(crate) fn new(rate_hz: f64, nominal_hz: f64, floor: f64) -> Self {
        let cycle = rate_hz / nominal_hz;
        let half = (cycle / 2.0 + 0.5).floor() as usize;
        let nominal = TAU / cycle;
        let kernel = (0..=2 * half)
            .map(|n| {
                let k = n as f64 - half as f64;
                let weight = (cycle / 2.0 - (k.abs() - 0.5)).clamp(0.0, 1.0);
                Complex64::from_polar(2.0 * weight / cycle, -nominal * k)
            })
            .collect();
        Self {
            kernel,
            half,
            hop: (cycle / 2.0).round().max(1.0) as usize,
            nominal,
            rate: nominal,
            learned: 0,
            floor,
            next: half,
            points: VecDeque::new(),
            judged: 0,
            handed: 0,
            closed: false,
            nodes: Vec::new(),
        }
    }

    /// First frame still needed.
    pub(crate) fn needs_from(&self) -> usize {
        self.next - self.half
    }

    /// Takes what has arrived: `samples[0]` is frame `first`.
    pub(crate) fn advance(&mut self, samples: &[f64], first: usize) {
        while self.next + self.half < first + samples.len() {
            let from = self.next - self.half - first;
            let z: Complex64 = samples[from..=from + 2 * self.half].iter().zip(&self.kernel).map(|(x, w)| w * *x).sum();
            self.points.push_back(Point {
                frame: self.next as f64,
                phase: z.arg() + FRAC_PI_2,
                amplitude: z.norm(),
                trusted: false,
            });
            self.next += self.hop;
            self.work();
        }
    }

    /// No more will come.
    pub(crate) fn close(&mut self) {
        self.closed = true;
        self.work();
    }

    /// Points of known phase that became final.
    pub(crate) fn take_nodes(&mut self) -> Vec<Node> {
        std::mem::take(&mut self.nodes)
    }

    fn work(&mut self) {
        // A cycle is two points.
        while self.judged + 2 < self.points.len() || (self.closed && self.judged < self.points.len()) {
            let k = self.judged;
            let a = self.points[k].amplitude;
            let alike = |o: Option<&Point>| o.is_some_and(|o| (o.amplitude - a).abs() <= ALIKE * a);
            let trusted = a > self.floor
                && (alike(k.checked_sub(2).and_then(|j| self.points.get(j))) || alike(self.points.get(k + 2)));
            if trusted {
                // The rate is learned from neighbours a cycle apart, slowly.
                if let Some(before) = k.checked_sub(2).map(|j| self.points[j])
                    && before.trusted
                {
                    let span = self.points[k].frame - before.frame;
                    let off = self.points[k].phase - before.phase - self.rate * span;
                    let off = off - TAU * (off / TAU).round();
                    self.learned = (self.learned + 1).min(50);
                    self.rate += (1.0 / f64::from(self.learned)).max(0.02) * off / span;
                    self.rate = self.rate.clamp(0.98 * self.nominal, 1.02 * self.nominal);
                }
            }
            self.points[k].trusted = trusted;
            self.judged += 1;
        }
        while self.handed + REACH < self.judged || (self.closed && self.handed < self.judged) {
            self.hand(self.handed);
            self.handed += 1;
        }
        while self.handed > 2 * REACH {
            self.points.pop_front();
            self.handed -= 1;
            self.judged -= 1;
        }
    }

    fn hand(&mut self, k: usize) {
        let centre = self.points[k];
        // Next to a change the cycle may be cut by a little that its amplitude does not show.
        let whole = |j: Option<usize>| j.and_then(|j| self.points.get(j)).is_none_or(|p| p.trusted);
        if !(centre.trusted && whole(k.checked_sub(1)) && whole(Some(k + 1))) {
            return;
        }
        // Neighbours without a pause between, equally many to both sides where that is possible.
        let run = |step: isize| {
            let mut n = 0;
            while n < REACH {
                let j = k as isize + step * (n as isize + 1);
                match usize::try_from(j).ok().and_then(|j| self.points.get(j)) {
                    Some(p) if p.trusted => n += 1,
                    _ => break,
                }
            }
            n
        };
        let (left, right) = (run(-1), run(1));
        let both = left.min(right);
        let (left, right) = if both >= 1 { (both, both) } else { (left, right) };
        let (mut sum, mut weights) = (0.0, 0.0);
        for j in k - left..=k + right {
            let p = self.points[j];
            let off = p.phase - centre.phase - self.rate * (p.frame - centre.frame);
            let weight = p.amplitude * p.amplitude;
            sum += weight * (off - TAU * (off / TAU).round());
            weights += weight;
        }
        self.nodes.push(Node { frame: centre.frame, phase: centre.phase + sum / weights, rate: self.rate, bend: 0.0 });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A current that flows from 3 s to 8 s, off the nominal frequency and with harmonics.
    #[test]
    fn phase_while_it_flows() {
        let phase = |t: f64| TAU * 49.87 * t + 1.3;
        let samples: Vec<f64> = (0..24_000)
            .map(|n| f64::from(n) / 2000.0)
            .map(|t| if (3.0..8.0).contains(&t) { phase(t).sin() + 0.5 * (3.0 * phase(t)).sin() } else { 0.0 })
            .collect();
        let mut c = CurrentPhase::new(2000.0, 50.0, 0.01);
        for (k, piece) in samples.chunks(4000).enumerate() {
            let _ = piece;
            c.advance(&samples[..(k + 1) * 4000], 0);
        }
        c.close();
        let nodes = c.take_nodes();
        assert!(nodes.len() > 490, "{}", nodes.len());
        for n in nodes {
            let t = n.frame / 2000.0;
            let off = n.phase - phase(t);
            let off = (off - TAU * (off / TAU).round()).to_degrees();
            assert!(off.abs() < 1.5, "{off} degrees at {t} s");
            assert!(off.abs() < 0.3 || !(3.1..7.9).contains(&t), "{off} degrees at {t} s");
        }
    }
}
