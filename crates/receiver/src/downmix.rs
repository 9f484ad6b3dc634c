//! Part of a record's spectrum, mixed down and brought to a rate that is a whole number of frequency steps.

use std::f64::consts::TAU;

use crate::front::Planar;
use crate::plan::Mixed;
use crate::simd::{self, InstructionSet};

/// Kernels for this many places between two input samples at most are kept; where the rates' ratio needs more, the
/// output is interpolated between the two nearest.
const MAX_PHASES: u64 = 4096;

/// A rate changer whose kernels hold the mixer: a complex band-pass round the wanted part.
pub(crate) struct Downmix {
    set: InstructionSet,
    taps: usize,
    /// Kernel after kernel, real and imaginary half apart.
    re: Vec<f32>,
    im: Vec<f32>,
    phases: usize,
    /// Input samples per output sample, times 2^64.
    step: u128,
    /// Where the rates' ratio is a fraction of small numbers: outputs per phase cycle, counted exactly.
    exact: Option<(u64, u64)>,
    /// Output samples made so far.
    made: u64,
    /// Input position of the next output: whole sample and fraction (of 2^64, or of the exact denominator).
    whole: u64,
    fraction: u64,
    /// Turns per output sample by which the grid misses zero.
    turns: f64,
    /// One block of that rotation.
    table: Vec<(f32, f32)>,
    /// Input not yet used up; its first sample is number `base`.
    input: Planar,
    base: u64,
}

const TABLE: usize = 256;

impl Downmix {
    pub(crate) fn new(mixed: &Mixed, rate_hz: f64, out_hz: f64, set: InstructionSet) -> Self {
        let half = mixed.low_pass.half_length().ceil() as usize + 1;
        let taps = (2 * half).next_multiple_of(16);
        let exact = fraction(rate_hz / out_hz, MAX_PHASES);
        let phases = exact.map_or(1024, |(_, q)| q as usize);
        // The last kernel repeats the first a whole sample on, for interpolation up to it.
        let (mut re, mut im) = (Vec::new(), Vec::new());
        for phase in 0..=phases {
            let at = phase as f64 / phases as f64;
            let kernel: Vec<f64> = (0..taps).map(|j| mixed.low_pass.at(at + half as f64 - 1.0 - j as f64)).collect();
            let sum: f64 = kernel.iter().sum();
            for (j, h) in kernel.iter().enumerate() {
                let u = at + half as f64 - 1.0 - j as f64;
                let angle = TAU * (mixed.centre_hz / rate_hz * u).fract();
                re.push((h / sum * angle.cos()) as f32);
                im.push((h / sum * angle.sin()) as f32);
            }
        }
        let turns = mixed.offset_hz / out_hz;
        let table = (0..TABLE)
            .map(|i| {
                let a = TAU * (turns * i as f64).fract();
                (a.cos() as f32, -a.sin() as f32)
            })
            .collect();
        Self {
            set,
            taps,
            re,
            im,
            phases,
            step: (rate_hz / out_hz * 2f64.powi(64)) as u128,
            exact,
            made: 0,
            whole: 0,
            fraction: 0,
            turns,
            table,
            input: Planar::default(),
            base: 0,
        }
    }

    /// Back to the record's beginning.
    pub(crate) fn restart(&mut self) {
        self.made = 0;
        self.whole = 0;
        self.fraction = 0;
        self.input.clear();
        self.base = 0;
    }

    /// Takes what stands in `from` and appends all outputs whose kernel it completes.
    pub(crate) fn run(&mut self, from: &mut Planar, to: &mut Planar) {
        self.input.extend_from(from, 0);
        from.clear();
        let have = self.base + self.input.len() as u64;
        let start = to.len();
        while self.whole + self.taps as u64 <= have {
            let at = (self.whole - self.base) as usize;
            let (a, b) = match self.exact {
                Some(_) => self.output(at, self.fraction as usize),
                None => {
                    let place = self.fraction as f64 / 2f64.powi(64) * self.phases as f64;
                    let phase = (place as usize).min(self.phases - 1);
                    let share = (place - phase as f64) as f32;
                    let (a0, b0) = self.output(at, phase);
                    let (a1, b1) = self.output(at, phase + 1);
                    (a0 + share * (a1 - a0), b0 + share * (b1 - b0))
                }
            };
            to.re.push(a);
            to.im.push(b);
            match self.exact {
                Some((p, q)) => {
                    self.fraction += p % q;
                    self.whole += p / q;
                    if self.fraction >= q {
                        self.fraction -= q;
                        self.whole += 1;
                    }
                }
                None => {
                    let next = u128::from(self.fraction) + self.step;
                    self.whole += (next >> 64) as u64;
                    self.fraction = next as u64;
                }
            }
        }
        let used = (self.whole - self.base).min(self.input.len() as u64) as usize;
        self.input.drop_front(used);
        self.base += used as u64;
        if self.turns != 0.0 {
            self.rotate(to, start);
        }
        self.made += (to.len() - start) as u64;
    }

    fn output(&self, at: usize, phase: usize) -> (f32, f32) {
        let kernel = phase * self.taps..(phase + 1) * self.taps;
        let window = at..at + self.taps;
        let (re, im) = (&self.re[kernel.clone()], &self.im[kernel]);
        let (a, b) = simd::dot(self.set, &self.input.re[window.clone()], re, im);
        if self.input.im.is_empty() {
            return (a, b);
        }
        let (c, d) = simd::dot(self.set, &self.input.im[window], re, im);
        (a - d, b + c)
    }

    fn rotate(&self, to: &mut Planar, start: usize) {
        let mut number = self.made;
        let mut i = start;
        while i < to.len() {
            let block = number / TABLE as u64;
            let within = (number % TABLE as u64) as usize;
            let n = (TABLE - within).min(to.len() - i);
            let a = TAU * (self.turns * (block * TABLE as u64) as f64).fract();
            let (c, s) = (a.cos() as f32, -a.sin() as f32);
            let halves = to.re[i..i + n].iter_mut().zip(&mut to.im[i..i + n]);
            for ((x, y), (tc, ts)) in halves.zip(&self.table[within..within + n]) {
                let (rc, rs) = (c * tc - s * ts, c * ts + s * tc);
                (*x, *y) = (*x * rc - *y * rs, *x * rs + *y * rc);
            }
            i += n;
            number += n as u64;
        }
    }
}

/// `x` as a fraction p/q with q up to `largest`, where it is one to rounding.
fn fraction(x: f64, largest: u64) -> Option<(u64, u64)> {
    let (mut h0, mut k0, mut h1, mut k1) = (0_u64, 1_u64, 1_u64, 0_u64);
    let mut rest = x;
    for _ in 0..40 {
        let whole = rest.floor();
        if !(0.0..1e15).contains(&whole) {
            return None;
        }
        let h2 = (whole as u64).checked_mul(h1)?.checked_add(h0)?;
        let k2 = (whole as u64).checked_mul(k1)?.checked_add(k0)?;
        if k2 > largest {
            return None;
        }
        (h0, k0, h1, k1) = (h1, k1, h2, k2);
        if (h1 as f64 / k1 as f64 / x - 1.0).abs() < 4e-15 {
            return Some((h1, k1));
        }
        rest = 1.0 / (rest - whole);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ratios_of_small_numbers_are_found() {
        assert_eq!(fraction(62.5e6 / 45e6, 4096), Some((25, 18)));
        assert_eq!(fraction(2.0, 4096), Some((2, 1)));
        assert_eq!(fraction(std::f64::consts::PI, 4096), None);
    }
}
