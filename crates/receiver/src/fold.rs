//! Window and fold: sixteen runs of the stream, each under the window, folded onto the transform's length.
#![allow(clippy::inline_always)]

use crate::fft::{Cell, FOLD_RUN};
use crate::lanes::{Lanes16, WIDTH, for_each_lanes};

/// The window with `FOLD_RUN` zeros before and behind it.
#[derive(Debug, Clone)]
pub(crate) struct Window {
    padded: Vec<f32>,
    length: usize,
}

impl Window {
    pub(crate) fn new(window: &[f64]) -> Self {
        let zeros = || std::iter::repeat_n(0.0, FOLD_RUN);
        let padded = zeros().chain(window.iter().map(|w| *w as f32)).chain(zeros()).collect();
        Self { padded, length: window.len() }
    }

    pub(crate) fn len(&self) -> usize {
        self.length
    }
}

/// Where the folded values go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Into {
    /// Two to a cell, in turn.
    Pairs,
    /// One to a cell.
    Real,
    Imaginary,
}

/// Which runs are folded, and where to.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Runs {
    /// Where the first run begins in the samples, and how far apart runs begin.
    pub(crate) first: usize,
    pub(crate) hop: usize,
    /// Number of runs, at most sixteen; the others are zero.
    pub(crate) count: usize,
    /// Number of the first run's first sample, modulo the transform's length: samples fold to their number modulo the
    /// length, so that the spectra's phases are those of the filter's output and the spectra can be interpolated in time.
    pub(crate) place: usize,
    /// The transform's length.
    pub(crate) length: usize,
    pub(crate) into: Into,
}

for_each_lanes! {
    /// Folds the runs of `samples` into `cells`.
    fn fold / fold_body(samples: &[f32], window: &Window, runs: Runs, cells: &mut [Cell]);
}

const VECTORS: usize = FOLD_RUN / WIDTH;

#[inline(always)]
fn part<const N: usize>(x: &[f32]) -> &[f32; N] {
    x.first_chunk().unwrap_or(&[0.0; N])
}

/// Adds one run of products.
#[inline(always)]
fn add_products<V: Lanes16>(sum: &mut [V; VECTORS], x: &[f32; FOLD_RUN], w: &[f32; FOLD_RUN]) {
    for (i, s) in sum.iter_mut().enumerate() {
        *s = s.add(V::load(part(&x[i * WIDTH..])).mul(V::load(part(&w[i * WIDTH..]))));
    }
}

#[inline(always)]
fn fold_body<V: Lanes16>(samples: &[f32], window: &Window, runs: Runs, cells: &mut [Cell]) {
    let n = runs.length as isize;
    let run = FOLD_RUN as isize;
    let mut sums = [[V::splat(0.0); WIDTH]; VECTORS];
    // For each run the place in the window of the first sample that folds to the present place.
    let mut places = [0; WIDTH];
    for (r, u) in places.iter_mut().enumerate().take(runs.count) {
        *u = -(((runs.place + r * runs.hop) % runs.length) as isize);
        if *u <= -run {
            *u += n;
        }
        while *u - n > -run {
            *u -= n;
        }
    }
    for at in (0..runs.length).step_by(FOLD_RUN) {
        for r in 0..runs.count {
            let begin = (runs.first + r * runs.hop) as isize;
            let mut u = places[r];
            places[r] += run;
            if places[r] - n > -run {
                places[r] -= n;
            }
            let mut sum = [V::splat(0.0); VECTORS];
            while u < window.length as isize {
                let w = part(&window.padded[(u + run) as usize..]);
                let from = begin + u;
                if from >= 0
                    && let Some(x) = samples.get(from as usize..).and_then(|x| x.first_chunk())
                {
                    add_products(&mut sum, x, w);
                } else {
                    // Over the edge of what is there: the window is zero beyond.
                    let mut x = [0.0; FOLD_RUN];
                    for (i, x) in x.iter_mut().enumerate() {
                        let place = usize::try_from(from + i as isize);
                        *x = place.ok().and_then(|p| samples.get(p)).copied().unwrap_or(0.0);
                    }
                    add_products(&mut sum, &x, w);
                }
                u += n;
            }
            for (s, sum) in sums.iter_mut().zip(sum) {
                s[r] = sum;
            }
        }
        for (i, sums) in sums.iter().enumerate() {
            let mut block = *sums;
            V::transpose(&mut block);
            let at = at + i * WIDTH;
            match runs.into {
                Into::Pairs => {
                    for (j, cell) in cells[at / 2..at / 2 + WIDTH / 2].iter_mut().enumerate() {
                        block[2 * j].store(&mut cell.re);
                        block[2 * j + 1].store(&mut cell.im);
                    }
                }
                Into::Real => {
                    for (v, cell) in block.iter().zip(&mut cells[at..at + WIDTH]) {
                        v.store(&mut cell.re);
                    }
                }
                Into::Imaginary => {
                    for (v, cell) in block.iter().zip(&mut cells[at..at + WIDTH]) {
                        v.store(&mut cell.im);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simd::InstructionSet;

    #[test]
    fn a_fold_is_the_sum_of_what_falls_on_a_place() {
        let window: Vec<f64> = (0..301).map(|i| 1.0 + f64::from(i % 17)).collect();
        let samples: Vec<f32> = (0..1000).map(|i| ((i * 37) % 101) as f32).collect();
        for set in InstructionSet::available() {
            for length in [50_usize, 64, 90, 128, 400] {
                let (number, hop, count) = (4567, 31, 13);
                let into = if length == 90 { Into::Imaginary } else { Into::Pairs };
                let runs = Runs { first: 5, hop, count, place: number % length, length, into };
                let mut cells = vec![Cell::ZERO; length.next_multiple_of(FOLD_RUN)];
                fold(set, &samples, &Window::new(&window), runs, &mut cells);
                for r in 0..WIDTH {
                    let mut want = vec![0.0; length];
                    for (u, w) in window.iter().enumerate().take(if r < count { 301 } else { 0 }) {
                        want[(number + r * hop + u) % length] += *w as f32 * samples[5 + r * hop + u];
                    }
                    for (p, want) in want.iter().enumerate() {
                        let got = match into {
                            Into::Pairs if p % 2 == 0 => cells[p / 2].re[r],
                            Into::Pairs => cells[p / 2].im[r],
                            _ => cells[p].im[r],
                        };
                        // Whole numbers below 2^24: exact.
                        assert_eq!(got, *want, "{} length {length} run {r} place {p}", set.name());
                    }
                }
            }
        }
    }
}
