//! Part of a record's spectrum, mixed down and brought to a rate that is a whole number of frequency steps.

#![allow(clippy::inline_always)]

use std::f64::consts::TAU;
use std::sync::Arc;

use crate::front::Planar;
use crate::lanes::{Lanes16, WIDTH, for_each_lanes};
use crate::plan::Mixed;
use crate::simd::InstructionSet;

/// Kernels for this many places between two input samples at most are kept; where the rates' ratio needs more, the
/// output is interpolated between the two nearest.
const MAX_PHASES: u64 = 4096;

/// A rate changer on its way over a record.
pub(crate) struct Downmix {
    pub(crate) kernels: Arc<Kernels>,
    /// Output samples handed out so far.
    pub(crate) made: u64,
}

/// A rate changer whose kernels hold the mixer: a complex band-pass round the wanted part. Every output can be worked out
/// by itself.
#[derive(Debug)]
pub(crate) struct Kernels {
    set: InstructionSet,
    taps: usize,
    /// Kernel after kernel, real and imaginary half apart.
    re: Vec<f32>,
    im: Vec<f32>,
    phases: usize,
    /// Input samples per output sample, times 2^64.
    step: u128,
    /// The same as a fraction, where the rates' ratio is one of small numbers.
    exact: Option<(u64, u64)>,
    /// Turns per output sample by which the grid misses zero.
    turns: f64,
    /// One block of that rotation.
    table: Vec<(f32, f32)>,
}

const TABLE: usize = 256;
/// Outputs whose sums across the vector are taken together.
const TOGETHER: usize = WIDTH / 2;

impl Downmix {
    pub(crate) fn new(mixed: &Mixed, rate_hz: f64, out_hz: f64, set: InstructionSet) -> Self {
        let half = mixed.low_pass.half_length().ceil() as usize + 1;
        let taps = (2 * half).next_multiple_of(WIDTH);
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
        let step = (rate_hz / out_hz * 2f64.powi(64)) as u128;
        Self { kernels: Arc::new(Kernels { set, taps, re, im, phases, step, exact, turns, table }), made: 0 }
    }

    /// Back to the record's beginning.
    pub(crate) fn restart(&mut self) {
        self.made = 0;
    }
}

impl Kernels {
    /// Number of the first input sample under the kernel of output `m`, which kernel, and how far towards the next one.
    fn place(&self, m: u64) -> (u64, usize, f32) {
        match self.exact {
            Some((p, q)) => {
                let at = u128::from(m) * u128::from(p);
                ((at / u128::from(q)) as u64, (at % u128::from(q)) as usize, 0.0)
            }
            None => {
                let at = u128::from(m) * self.step;
                let place = (at as u64) as f64 / 2f64.powi(64) * self.phases as f64;
                let phase = (place as usize).min(self.phases - 1);
                ((at >> 64) as u64, phase, (place - phase as f64) as f32)
            }
        }
    }

    /// Number of the first input sample that output `m` needs.
    pub(crate) fn first_input(&self, m: u64) -> u64 {
        self.place(m).0
    }

    /// Number of outputs whose kernels the first `have` input samples complete.
    pub(crate) fn complete(&self, have: u64) -> u64 {
        let fits = |m: u64| self.place(m).0 + self.taps as u64 <= have;
        if !fits(0) {
            return 0;
        }
        let (mut low, mut high) = (0, ((have as f64 * 2f64.powi(64) / self.step as f64) as u64).saturating_add(2));
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if fits(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        low + 1
    }

    /// Outputs `first..first + count` into `to`, which is emptied; sample number `base` is the first of `input`.
    pub(crate) fn run(&self, input: &Planar, base: u64, first: u64, count: usize, to: &mut Planar) {
        to.clear();
        to.re.resize(count.next_multiple_of(TOGETHER), 0.0);
        to.im.resize(count.next_multiple_of(TOGETHER), 0.0);
        mix(self.set, self, input, base, first, count, to);
        to.re.truncate(count);
        to.im.truncate(count);
        if self.turns != 0.0 {
            self.rotate(to, first);
        }
    }

    fn rotate(&self, to: &mut Planar, first: u64) {
        let mut number = first;
        let mut i = 0;
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

for_each_lanes! {
    /// Outputs before the rotation, in whole lots of `TOGETHER`.
    fn mix / mix_body(kernels: &Kernels, input: &Planar, base: u64, first: u64, count: usize, to: &mut Planar);
}

#[inline(always)]
fn part<V: Lanes16>(x: &[f32], i: usize) -> V {
    V::load(x[i..].first_chunk().unwrap_or(&[0.0; WIDTH]))
}

#[inline(always)]
fn mix_body<V: Lanes16>(kernels: &Kernels, input: &Planar, base: u64, first: u64, count: usize, to: &mut Planar) {
    let zero = V::splat(0.0);
    let taps = kernels.taps;
    for lot in (0..count).step_by(TOGETHER) {
        let mut sums = [zero; WIDTH];
        for i in 0..TOGETHER.min(count - lot) {
            let (whole, phase, share) = kernels.place(first + (lot + i) as u64);
            let at = (whole - base) as usize;
            let x = &input.re[at..at + taps];
            let (hr, hi) = phase_of(kernels, phase);
            let (nr, ni) = phase_of(kernels, phase + usize::from(share != 0.0));
            let between = V::splat(share);
            let (mut a, mut b) = (zero, zero);
            for j in (0..taps).step_by(WIDTH) {
                let (mut r, mut s): (V, V) = (part(hr, j), part(hi, j));
                if share != 0.0 {
                    r = r.add(between.mul(part::<V>(nr, j).sub(r)));
                    s = s.add(between.mul(part::<V>(ni, j).sub(s)));
                }
                let x: V = part(x, j);
                a = a.add(x.mul(r));
                b = b.add(x.mul(s));
                if !input.im.is_empty() {
                    let y: V = part(&input.im[at..at + taps], j);
                    a = a.sub(y.mul(s));
                    b = b.add(y.mul(r));
                }
            }
            sums[2 * i] = a;
            sums[2 * i + 1] = b;
        }
        // Sums across each vector, all of them together.
        V::transpose(&mut sums);
        let mut width = WIDTH / 2;
        while width > 0 {
            for i in 0..width {
                sums[i] = sums[i].add(sums[i + width]);
            }
            width /= 2;
        }
        let mut both = [0.0; WIDTH];
        sums[0].store(&mut both);
        for i in 0..TOGETHER {
            to.re[lot + i] = both[2 * i];
            to.im[lot + i] = both[2 * i + 1];
        }
    }
}

/// Real and imaginary half of one kernel.
#[inline(always)]
fn phase_of(kernels: &Kernels, phase: usize) -> (&[f32], &[f32]) {
    let range = phase * kernels.taps..(phase + 1) * kernels.taps;
    (&kernels.re[range.clone()], &kernels.im[range])
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
