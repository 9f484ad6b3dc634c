//! The spectrum of a switched waveform, and what of it must change to lower a multiple.
//!
//! A trapezoid of amplitude A, width τ between its half-amplitude points and equal edges t_r (0 to 100 %) has at n·f0 the
//! r.m.s. value √2·A·(τ/T)·|sinc(nτ/T)|·|sinc(n·t_r/T)|, sinc x = sin(πx)/(πx) (Paul, Introduction to Electromagnetic
//! Compatibility, chapter 3, from memory; the product of two sines also in "Spectra of Digital Clock Signals", In
//! Compliance). Envelope: flat to 1/(πτ), falling by 20 dB a decade to 1/(πt_r), by 40 above.

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

/// A switched waveform.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Trapezoid {
    /// From low to high, V.
    pub amplitude_v: f64,
    /// Repetition, Hz.
    pub frequency_hz: f64,
    /// Width at half amplitude over the period, between 0 and 1.
    pub duty: f64,
    /// Rise and fall time from 0 to 100 %, s (1.25 times that from 10 to 90 %).
    pub edge_s: f64,
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-12 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

fn dbuv(volts: f64) -> f64 {
    20.0 * (volts / 1e-6).log10()
}

impl Trapezoid {
    /// R.m.s. level of the multiple n, dBµV; −∞ where it vanishes.
    pub fn multiple_dbuv(&self, n: u32) -> f64 {
        let n = f64::from(n);
        let volts = std::f64::consts::SQRT_2
            * self.amplitude_v
            * self.duty
            * sinc(n * self.duty).abs()
            * sinc(n * self.edge_s * self.frequency_hz).abs();
        dbuv(volts)
    }

    /// Envelope at a frequency, dBµV r.m.s.
    pub fn envelope_dbuv(&self, frequency_hz: f64) -> f64 {
        let (first, second) = self.corners_hz();
        let flat = std::f64::consts::SQRT_2 * self.amplitude_v * self.duty;
        dbuv(flat * (first / frequency_hz).min(1.0) * (second / frequency_hz).min(1.0))
    }

    /// The two corner frequencies 1/(πτ) and 1/(πt_r), Hz.
    pub fn corners_hz(&self) -> (f64, f64) {
        (self.frequency_hz / (PI * self.duty), 1.0 / (PI * self.edge_s))
    }
}

/// What slower edges can do at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EdgeAdvice {
    /// Edges of this 0 to 100 % time bring the envelope down by what is asked.
    Slower {
        /// Seconds.
        edge_s: f64,
        /// Share of the period that one edge then takes.
        share_of_period: f64,
    },
    /// The edge would take so much of the period that the waveform is no longer a switched one: another remedy.
    TooSlow {
        /// Seconds.
        edge_s: f64,
        /// Share of the period that one edge would take.
        share_of_period: f64,
    },
    /// Nothing needs to change.
    Enough,
}

/// The edge time that lowers the envelope at `frequency_hz` by `reduction_db`, from the present one. Above the corner
/// 1/(πt_r) the envelope is proportional to 1/t_r; below it edges change nothing, so they must first be slowed until the
/// corner lies at the frequency.
pub fn edge_needed(edge_s: f64, frequency_hz: f64, fundamental_hz: f64, reduction_db: f64) -> EdgeAdvice {
    if reduction_db <= 0.0 {
        return EdgeAdvice::Enough;
    }
    let acting = edge_s.max(1.0 / (PI * frequency_hz));
    let edge_s = acting * 10f64.powf(reduction_db / 20.0);
    let share_of_period = edge_s * fundamental_hz;
    if share_of_period > 0.1 {
        EdgeAdvice::TooSlow { edge_s, share_of_period }
    } else {
        EdgeAdvice::Slower { edge_s, share_of_period }
    }
}

/// A hump of a ringing node.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ringing {
    /// Frequency of its top, Hz.
    pub frequency_hz: f64,
    /// Width between the points 3 dB below the top, Hz.
    pub width_hz: f64,
    /// Quality: top over width.
    pub quality: f64,
    /// How far the top stands above the straight line (over log frequency) between the ends of the hump, dB.
    pub height_db: f64,
    /// Time in which the ringing falls to 1/e, Q/(πf), s.
    pub decay_s: f64,
}

/// What a hump is measured against.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RingingError {
    /// Too little of the trace.
    #[error("{points} points between {from_hz} Hz and {to_hz} Hz; expected at least 8")]
    TooFew {
        /// How many.
        points: usize,
        /// From, Hz.
        from_hz: f64,
        /// To, Hz.
        to_hz: f64,
    },
    /// Nothing stands out.
    #[error(
        "no hump between {from_hz} Hz and {to_hz} Hz: its top is only {height_db:.1} dB above the line between the ends; expected at least 3 dB"
    )]
    Flat {
        /// From, Hz.
        from_hz: f64,
        /// To, Hz.
        to_hz: f64,
        /// As found.
        height_db: f64,
    },
}

/// Fits the resonance of a series circuit to an envelope (peaks or a trace) between two frequencies. The background is the
/// line through the medians of both ends over log frequency; what stands above it is |1/(1 − x² + jx/Q)| for x = f/f_r,
/// fitted over f_r and Q by least squares on a grid that narrows.
pub fn fit_ringing(frequency_hz: &[f64], level_db: &[f64], from_hz: f64, to_hz: f64) -> Result<Ringing, RingingError> {
    let points: Vec<(f64, f64)> = frequency_hz
        .iter()
        .zip(level_db)
        .filter(|(f, l)| **f >= from_hz && **f <= to_hz && l.is_finite())
        .map(|(f, l)| (*f, *l))
        .collect();
    if points.len() < 8 {
        return Err(RingingError::TooFew { points: points.len(), from_hz, to_hz });
    }
    let end = (points.len() / 8).max(1);
    let mean = |part: &[(f64, f64)]| {
        let n = part.len() as f64;
        (part.iter().map(|p| p.0.ln()).sum::<f64>() / n, part.iter().map(|p| p.1).sum::<f64>() / n)
    };
    let ((x0, y0), (x1, y1)) = (mean(&points[..end]), mean(&points[points.len() - end..]));
    let slope = (y1 - y0) / (x1 - x0);
    let above: Vec<(f64, f64)> = points.iter().map(|(f, l)| (*f, l - y0 - slope * (f.ln() - x0))).collect();
    let height_db = above.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    if height_db < 3.0 {
        return Err(RingingError::Flat { from_hz, to_hz, height_db });
    }
    let shape = |f: f64, fr: f64, q: f64| {
        let x = f / fr;
        -10.0 * ((1.0 - x * x).powi(2) + (x / q).powi(2)).log10()
    };
    // The background is not known to better than an offset and a slope over log f: both are fitted with each pair.
    let misfit = |fr: f64, q: f64| {
        let n = points.len() as f64;
        let (mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (f, l) in &points {
            let (x, y) = (f.ln(), l - shape(*f, fr, q));
            sx += x;
            sy += y;
            sxx += x * x;
            sxy += x * y;
            syy += y * y;
        }
        let (vx, vxy, vy) = (sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n);
        vy - vxy * vxy / vx
    };
    let (mut best, mut f_range, mut q_range) = ((f64::INFINITY, 0.0, 0.0), (from_hz, to_hz), (0.7f64, 80.0f64));
    for _ in 0..5 {
        for i in 0..=24 {
            for j in 0..=24 {
                let fr = f_range.0 * (f_range.1 / f_range.0).powf(f64::from(i) / 24.0);
                let q = q_range.0 * (q_range.1 / q_range.0).powf(f64::from(j) / 24.0);
                let m = misfit(fr, q);
                if m < best.0 {
                    best = (m, fr, q);
                }
            }
        }
        let narrower = |r: (f64, f64), at: f64| {
            let step = (r.1 / r.0).powf(2.0 / 24.0);
            (at / step, at * step)
        };
        f_range = narrower(f_range, best.1);
        q_range = narrower(q_range, best.2);
    }
    let (fr, quality) = (best.1, best.2);
    Ok(Ringing { frequency_hz: fr, width_hz: fr / quality, quality, height_db, decay_s: quality / (PI * fr) })
}

/// The inductance that rings with a known capacitance, H: L = 1/((2πf)²C) (Thomson).
pub fn ringing_inductance_h(frequency_hz: f64, capacitance_f: f64) -> f64 {
    1.0 / ((2.0 * PI * frequency_hz).powi(2) * capacitance_f)
}

/// Inductance and capacitance of a ringing loop from two measurements: as it is, and with a known capacitor across the
/// switch. With k = (f1/f2)², C = C_added/(k − 1). Nothing where the added capacitor did not lower the frequency.
/// The added capacitor must be chosen so that the frequency falls clearly, best to about half (common practice).
pub fn parasitics(frequency_hz: f64, with_capacitor_hz: f64, added_f: f64) -> Option<(f64, f64)> {
    let k = (frequency_hz / with_capacitor_hz).powi(2);
    if k <= 1.0 || !k.is_finite() {
        return None;
    }
    let capacitance_f = added_f / (k - 1.0);
    Some((ringing_inductance_h(frequency_hz, capacitance_f), capacitance_f))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The Fourier integral of the waveform itself, summed over many points: one-sided r.m.s. value.
    fn by_integration(t: &Trapezoid, n: u32) -> f64 {
        let steps = 400_000;
        let period = 1.0 / t.frequency_hz;
        let (width, edge) = (t.duty * period, t.edge_s);
        let (mut re, mut im) = (0.0, 0.0);
        for i in 0..steps {
            let x = (f64::from(i) + 0.5) / f64::from(steps) * period;
            let v = if x < edge {
                x / edge
            } else if x < width {
                1.0
            } else if x < width + edge {
                1.0 - (x - width) / edge
            } else {
                0.0
            };
            let phase = 2.0 * PI * f64::from(n) * x / period;
            re += t.amplitude_v * v * phase.cos();
            im += t.amplitude_v * v * phase.sin();
        }
        let two = 2.0 / f64::from(steps);
        dbuv(two * (re * re + im * im).sqrt() / std::f64::consts::SQRT_2)
    }

    #[test]
    fn multiples_agree_with_the_integral() {
        let clock = Trapezoid { amplitude_v: 3.3, frequency_hz: 25e6, duty: 0.45, edge_s: 2e-9 };
        let node = Trapezoid { amplitude_v: 400.0, frequency_hz: 100e3, duty: 0.3, edge_s: 50e-9 };
        for (t, n) in [(clock, 1), (clock, 2), (clock, 7), (clock, 13), (node, 1), (node, 3), (node, 64)] {
            let (ours, integral) = (t.multiple_dbuv(n), by_integration(&t, n));
            assert!((ours - integral).abs() < 0.02, "{n}: {ours} {integral}");
        }
        // The first multiples of a 3.3 V, 25 MHz clock are known in closed form: 2A/π/√2 at half duty.
        let half = Trapezoid { duty: 0.5, edge_s: 1e-15, ..clock };
        assert!((half.multiple_dbuv(1) - dbuv(2.0 * 3.3 / PI / std::f64::consts::SQRT_2)).abs() < 1e-6);
    }

    #[test]
    fn the_edge_asked_for_lowers_the_envelope_by_as_much() {
        let t = Trapezoid { amplitude_v: 400.0, frequency_hz: 130e3, duty: 0.4, edge_s: 40e-9 };
        for f in [12e6, 20e6, 3e6] {
            let EdgeAdvice::Slower { edge_s, .. } = edge_needed(t.edge_s, f, t.frequency_hz, 8.0) else {
                panic!("a moderate edge")
            };
            let slower = Trapezoid { edge_s, ..t };
            assert!((t.envelope_dbuv(f) - slower.envelope_dbuv(f) - 8.0).abs() < 1e-6);
        }
        assert!(matches!(edge_needed(40e-9, 400e3, 130e3, 10.0), EdgeAdvice::TooSlow { .. }));
        assert_eq!(edge_needed(40e-9, 400e3, 130e3, -1.0), EdgeAdvice::Enough);
    }

    #[test]
    fn a_hump_gives_frequency_and_quality_back() {
        let mut random = crate::Random::new(2);
        for (fr, q) in [(22e6, 6.0), (41e6, 3.0), (9e6, 14.0)] {
            let f: Vec<f64> = (0..120).map(|i| fr / 3.0 * 9f64.powf(f64::from(i) / 119.0)).collect();
            let l: Vec<f64> = f
                .iter()
                .map(|f| {
                    let x = f / fr;
                    let rise = -10.0 * ((1.0 - x * x).powi(2) + (x / q).powi(2)).log10();
                    70.0 - 20.0 * (f / fr).log10() + rise + 1.0 * random.normal()
                })
                .collect();
            let found = fit_ringing(&f, &l, fr / 3.0, fr * 3.0).expect("a hump");
            assert!((found.frequency_hz / fr - 1.0).abs() < 0.02, "{found:?}");
            assert!((found.quality / q - 1.0).abs() < 0.2, "{found:?}");
        }
        assert!(matches!(fit_ringing(&[1e6; 20], &[3.0; 20], 1e5, 1e7), Err(RingingError::Flat { .. })));
    }

    #[test]
    fn a_known_capacitor_across_the_switch_tells_the_loop() {
        // 20 nH with 150 pF ring at 91.9 MHz; 470 pF more lower it to 45.2 MHz.
        let f = |c: f64| 1.0 / (2.0 * PI * (20e-9 * c).sqrt());
        let (l, c) = parasitics(f(150e-12), f(620e-12), 470e-12).expect("lower");
        assert!((l / 20e-9 - 1.0).abs() < 1e-9 && (c / 150e-12 - 1.0).abs() < 1e-9);
        assert!(parasitics(90e6, 91e6, 1e-12).is_none());
    }
}
