//! The phase of the mains, followed through a recording.
//!
//! Once a cycle the reference channel is multiplied by a turning pointer of the nominal frequency under a four-term
//! Blackman–Harris window of six nominal cycles (side lobes below −92 dB, F. J. Harris 1978), so that harmonics, direct
//! current and the image at the negative frequency do not reach the phase. The phases are then smoothed by a local
//! parabola over half a second, weighted by the power at each point, so that drift passes and noise, flicker and short
//! absences of the current do not.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use num_complex::Complex64;

/// Half the width of the local parabola, in points (cycles).
const REACH: usize = 12;
/// Cycles under the window.
const WINDOW_CYCLES: f64 = 6.0;
/// A point below this share of the usual amplitude tells nothing of the phase.
const ABSENT: f64 = 0.05;

/// Phase and frequency at one point in time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Node {
    /// Frame of the point (may lie between frames).
    pub(crate) frame: f64,
    /// Phase of the fundamental, rad, rising without wraps; zero at a rising zero crossing.
    pub(crate) phase: f64,
    /// Turning rate, rad per frame.
    pub(crate) rate: f64,
    /// Half its change, rad per frame².
    pub(crate) bend: f64,
}

#[derive(Debug, Clone, Copy)]
struct Raw {
    frame: f64,
    phase: f64,
    /// Amplitude of the fundamental.
    amplitude: f64,
}

/// Follows the fundamental of a signal that arrives in pieces.
#[derive(Debug)]
pub(crate) struct Tracker {
    /// Window times pointer: cosine and sine part.
    kernel: Vec<[f64; 2]>,
    half: usize,
    hop: usize,
    /// Nominal turning rate, rad per frame.
    nominal: f64,
    next_centre: usize,
    raw: Vec<Raw>,
    usual: f64,
    smoothed: Vec<Node>,
    done: bool,
    jumps: Vec<(f64, f64)>,
}

impl Tracker {
    /// `rate_hz` frames a second, mains near `nominal_hz`.
    pub(crate) fn new(rate_hz: f64, nominal_hz: f64) -> Self {
        let half = (WINDOW_CYCLES / 2.0 * rate_hz / nominal_hz).round() as usize;
        let nominal = TAU * nominal_hz / rate_hz;
        let window = |k: f64| {
            let x = PI * (k / half as f64 + 1.0);
            0.35875 - 0.48829 * x.cos() + 0.14128 * (2.0 * x).cos() - 0.01168 * (3.0 * x).cos()
        };
        let sum: f64 = (0..=2 * half).map(|n| window(n as f64 - half as f64)).sum();
        let kernel = (0..=2 * half)
            .map(|n| {
                let k = n as f64 - half as f64;
                let w = 2.0 * window(k) / sum;
                [w * (nominal * k).cos(), -w * (nominal * k).sin()]
            })
            .collect();
        Self {
            kernel,
            half,
            hop: (rate_hz / nominal_hz).round().max(1.0) as usize,
            nominal,
            next_centre: half,
            raw: Vec::new(),
            usual: 0.0,
            smoothed: Vec::new(),
            done: false,
            jumps: Vec::new(),
        }
    }

    /// First frame that the tracker still needs.
    pub(crate) fn needs_from(&self) -> usize {
        self.next_centre - self.half
    }

    /// Takes what has arrived: `samples[0]` is frame `first`.
    pub(crate) fn advance(&mut self, samples: &[f64], first: usize) {
        while self.next_centre + self.half < first + samples.len() {
            let from = self.next_centre - self.half - first;
            let part = &samples[from..=from + 2 * self.half];
            let z = correlate(part, &self.kernel);
            self.add(z);
            self.next_centre += self.hop;
        }
    }

    fn add(&mut self, z: Complex64) {
        let amplitude = z.norm();
        let frame = self.next_centre as f64;
        let phase = match self.raw.last() {
            None => z.arg() + FRAC_PI_2,
            Some(last) => {
                let rate = self.smoothed.last().map_or(self.nominal, |n| n.rate);
                let expected = last.phase + rate * self.hop as f64;
                if amplitude < ABSENT * self.usual {
                    expected
                } else {
                    let off = z.arg() + FRAC_PI_2 - expected;
                    expected + off - TAU * (off / TAU).round()
                }
            }
        };
        self.usual = if self.usual == 0.0 { amplitude } else { self.usual + 0.02 * (amplitude - self.usual) };
        self.raw.push(Raw { frame, phase, amplitude });
        while self.smoothed.len() + REACH < self.raw.len() {
            self.smooth_next();
        }
    }

    /// No more samples will come: the last points are smoothed with what there is.
    pub(crate) fn close(&mut self) {
        while self.smoothed.len() < self.raw.len() {
            self.smooth_next();
        }
        self.done = true;
    }

    fn smooth_next(&mut self) {
        let k = self.smoothed.len();
        let from = k.saturating_sub(REACH);
        let to = (k + REACH).min(self.raw.len() - 1);
        let centre = self.raw[k];
        let fit = local_parabola(&self.raw[from..=to], centre.frame, self.hop as f64);
        let last = self.smoothed.last().copied();
        let floor = (ABSENT * self.usual).powi(2);
        let node = match (fit, last) {
            (Some((phase, rate, bend, weight)), _) if weight > floor => Node { frame: centre.frame, phase, rate, bend },
            (_, Some(n)) => Node {
                frame: centre.frame,
                phase: n.phase + n.rate * (centre.frame - n.frame),
                rate: n.rate,
                bend: 0.0,
            },
            (_, None) => Node { frame: centre.frame, phase: centre.phase, rate: self.nominal, bend: 0.0 },
        };
        // Six points apart, windows do not share samples: a jump shows in full.
        if k >= 6 {
            let before = self.raw[k - 6];
            let now = self.raw[k];
            if before.amplitude > 0.5 * self.usual && now.amplitude > 0.5 * self.usual {
                let rate = self.smoothed[k.saturating_sub(12)].rate;
                let step = now.phase - before.phase - rate * (now.frame - before.frame);
                if step.abs() > 0.1 {
                    let at = f64::midpoint(before.frame, now.frame);
                    match self.jumps.last_mut() {
                        Some(j) if at - j.0 < 50.0 * self.hop as f64 => {
                            if step.abs() > j.1.abs() {
                                *j = (at, step);
                            }
                        }
                        _ => self.jumps.push((at, step)),
                    }
                }
            }
        }
        self.smoothed.push(node);
    }

    /// Steps of the phase, (frame, rad): samples are missing or the supply jumped.
    pub(crate) fn jumps(&self) -> &[(f64, f64)] {
        &self.jumps
    }

    /// The points that are final.
    pub(crate) fn nodes(&self) -> &[Node] {
        &self.smoothed
    }

    /// True after [`Tracker::close`].
    pub(crate) fn closed(&self) -> bool {
        self.done
    }

    /// Mean amplitude of the fundamental.
    pub(crate) fn amplitude(&self) -> f64 {
        self.raw.iter().map(|r| r.amplitude).sum::<f64>() / self.raw.len().max(1) as f64
    }
}

/// Dot product of samples with the two parts of the kernel.
fn correlate(samples: &[f64], kernel: &[[f64; 2]]) -> Complex64 {
    let mut sum = [[0.0; 2]; 4];
    let mut s = samples.chunks_exact(4);
    let mut k = kernel.chunks_exact(4);
    for (x, w) in s.by_ref().zip(k.by_ref()) {
        for j in 0..4 {
            sum[j][0] += x[j] * w[j][0];
            sum[j][1] += x[j] * w[j][1];
        }
    }
    for (x, w) in s.remainder().iter().zip(k.remainder()) {
        sum[0][0] += x * w[0];
        sum[0][1] += x * w[1];
    }
    Complex64::new(sum.iter().map(|s| s[0]).sum(), sum.iter().map(|s| s[1]).sum())
}

/// Value, slope (per frame), bend (per frame²) and mean weight of a parabola fitted around `at`.
fn local_parabola(points: &[Raw], at: f64, hop: f64) -> Option<(f64, f64, f64, f64)> {
    let span = (REACH + 1) as f64;
    let reference = points.first()?.phase;
    let mut m = [0.0; 5];
    let mut v = [0.0; 3];
    let mut hann_sum = 0.0;
    for p in points {
        let x = (p.frame - at) / hop;
        let hann = 0.5 + 0.5 * (PI * x / span).cos();
        hann_sum += hann;
        let w = hann * p.amplitude * p.amplitude;
        let y = p.phase - reference;
        let mut power = w;
        for (n, sum) in m.iter_mut().enumerate() {
            *sum += power;
            if n < 3 {
                v[n] += power * y;
            }
            power *= x;
        }
    }
    let weight = m[0] / hann_sum;
    if points.len() < 3 {
        // Too few for a parabola: the straight line, or the point itself.
        let slope = match points {
            [a, b] => (b.phase - a.phase) / (b.frame - a.frame),
            _ => return None,
        };
        let own = points.iter().find(|p| p.frame == at)?;
        return Some((own.phase, slope, 0.0, weight));
    }
    let det =
        m[0] * (m[2] * m[4] - m[3] * m[3]) - m[1] * (m[1] * m[4] - m[3] * m[2]) + m[2] * (m[1] * m[3] - m[2] * m[2]);
    if !det.is_normal() || det.abs() < 1e-9 * m[0] * m[2] * m[4] {
        return None;
    }
    let value =
        v[0] * (m[2] * m[4] - m[3] * m[3]) - m[1] * (v[1] * m[4] - m[3] * v[2]) + m[2] * (v[1] * m[3] - m[2] * v[2]);
    let slope =
        m[0] * (v[1] * m[4] - v[2] * m[3]) - v[0] * (m[1] * m[4] - m[3] * m[2]) + m[2] * (m[1] * v[2] - v[1] * m[2]);
    let bend =
        m[0] * (m[2] * v[2] - m[3] * v[1]) - m[1] * (m[1] * v[2] - m[3] * v[0]) + m[2] * (m[1] * v[1] - m[2] * v[0]);
    Some((reference + value / det, slope / det / hop, bend / det / (hop * hop), weight))
}

/// Frame at which the phase reaches `phase`, between two nodes (a cubic in the phase) or outside (by the outer node's
/// parabola).
pub(crate) fn frame_at(a: Node, b: Node, phase: f64) -> f64 {
    let span = b.phase - a.phase;
    let s = (phase - a.phase) / span;
    let outside = |n: Node| {
        let t = (phase - n.phase) / n.rate;
        n.frame + t - n.bend * t * t / n.rate
    };
    if s < 0.0 {
        return outside(a);
    }
    if s > 1.0 {
        return outside(b);
    }
    let (ma, mb) = (span / a.rate, span / b.rate);
    let d = b.frame - a.frame;
    a.frame + s * (ma + s * ((3.0 * d - 2.0 * ma - mb) + s * (ma + mb - 2.0 * d)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn follow(rate_hz: f64, seconds: f64, mut x: impl FnMut(f64) -> f64) -> Tracker {
        let samples: Vec<f64> = (0..(rate_hz * seconds) as usize).map(|n| x(n as f64 / rate_hz)).collect();
        let mut t = Tracker::new(rate_hz, 50.0);
        t.advance(&samples, 0);
        t.close();
        t
    }

    #[test]
    fn phase_of_a_drifting_distorted_wave() {
        // phase = 2π(49.6 t + 0.05 t²/2·...): 49.6 Hz rising by 0.1 Hz/s, with 60 % of third and 20 % of second order.
        let phase = |t: f64| TAU * (49.6 * t + 0.05 * t * t) + 0.7;
        let t = follow(5000.0, 3.0, |t| {
            let p = phase(t);
            p.sin() + 0.6 * (3.0 * p).sin() + 0.2 * (2.0 * p + 1.0).sin() + 0.3
        });
        for n in t.nodes() {
            let off = n.phase - phase(n.frame / 5000.0);
            let off = off - TAU * (off / TAU).round();
            assert!(off.abs() < 2e-4, "{} rad off at frame {}", off, n.frame);
        }
        assert!(t.jumps().is_empty());
    }

    #[test]
    fn a_jump_is_seen_where_it_is() {
        let t = follow(10000.0, 2.0, |t| (TAU * 50.0 * t + if t > 1.0 { 0.5 } else { 0.0 }).sin());
        let [(frame, step)] = t.jumps() else { panic!("{:?}", t.jumps()) };
        assert!((frame / 10000.0 - 1.0).abs() < 0.07 && (step - 0.5).abs() < 0.05, "{frame} {step}");
    }
}
