//! Peaks between spectra.
//!
//! What a Gaussian filter passes is known half way between two spectra from the spectra round about, at its own frequency
//! and at two more: together they hold all there is to know, so that even what stands far off tune and is very much stronger
//! comes out right, although its own outputs at one frequency alone follow each other too slowly. The weights are those of
//! least squares for white noise at the filter's input.
#![allow(clippy::inline_always)]

use crate::lanes::{Lanes16, WIDTH, for_each_lanes};
use crate::short::Cell;
use crate::simd::{LANES, Lanes};

/// Spectra on both sides of a place half way between two.
pub(crate) const TAPS: usize = 8;
/// Spectra of a sheaf that are looked round with the sheaf before; the others are looked round with the next one.
pub(crate) const HEAD: usize = WIDTH - TAPS / 2;
/// Frequencies that are looked at.
const NEAR: usize = 3;
/// How far apart in frequency they lie at least, in bandwidths, where the steps are finer.
const APART: f64 = 0.4;
/// Added to the diagonal of the normal equations: what rounding leaves.
const ROUNDING: f64 = 1e-9;

/// Weights of spectra at a frequency and its neighbours.
#[derive(Debug, Clone)]
struct Kernel {
    /// The neighbours, in bins.
    offset: [isize; NEAR],
    /// For each neighbour and spectrum.
    weight: [[[f32; 2]; TAPS]; NEAR],
}

/// Interpolation half way between spectra.
#[derive(Debug, Clone)]
pub(crate) struct Between {
    /// Number of frequencies.
    bins: usize,
    /// With neighbours on both sides, above only, and below only.
    kernels: [Kernel; 3],
    /// How far the neighbours reach.
    reach: usize,
    /// Every whole part of a turn that there is.
    circle: Vec<[f32; 2]>,
    /// Bin that is the first frequency.
    first: usize,
    hop: usize,
}

/// How spectra follow each other, in samples of what is transformed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Grid {
    /// Length of the transform.
    pub(crate) length: usize,
    /// The bin that is the first frequency, and the number of frequencies.
    pub(crate) first: usize,
    pub(crate) bins: usize,
    pub(crate) hop: usize,
    /// Samples under the window, and the standard deviation of the filter's response.
    pub(crate) window: usize,
    pub(crate) sigma: f64,
}

fn times([a, b]: [f64; 2], [c, d]: [f64; 2]) -> [f64; 2] {
    [a * c - b * d, a * d + b * c]
}

fn unit(angle: f64) -> [f64; 2] {
    [angle.cos(), angle.sin()]
}

impl Kernel {
    /// With neighbours `offset` bins away.
    fn new(grid: &Grid, offset: [isize; NEAR]) -> Self {
        const N: usize = NEAR * TAPS;
        let turn = std::f64::consts::TAU / grid.length as f64;
        let place = |i: usize| (i as f64 + 0.5 - TAPS as f64 / 2.0) * grid.hop as f64;
        // Time in standard deviations, frequency in radians over one.
        let point = |n: usize| (place(n % TAPS) / grid.sigma, offset[n / TAPS] as f64 * turn * grid.sigma);
        // How outputs of the filter are correlated for white noise at its input.
        let alike = |(t1, f1): (f64, f64), (t2, f2): (f64, f64)| {
            let (t, f) = (t1 - t2, f1 - f2);
            let size = (-0.25 * (t * t + f * f)).exp();
            unit(-0.5 * f * (t1 + t2)).map(|x| x * size)
        };
        let mut m = [[[0.0_f64; 2]; N + 1]; N];
        for (i, row) in m.iter_mut().enumerate() {
            for (j, x) in row.iter_mut().enumerate().take(N) {
                let [re, im] = alike(point(i), point(j));
                *x = [re + if i == j { ROUNDING } else { 0.0 }, -im];
            }
            row[N] = alike((0.0, 0.0), point(i));
        }
        // Gauss–Jordan; the matrix is positive definite, so no pivoting is needed.
        for i in 0..N {
            let pivot = m[i];
            let size = pivot[i][0];
            for (r, row) in m.iter_mut().enumerate() {
                if r != i {
                    let factor = row[i].map(|x| x / size);
                    for (x, p) in row.iter_mut().zip(pivot) {
                        let [re, im] = times(factor, p);
                        *x = [x[0] - re, x[1] - im];
                    }
                }
            }
        }
        // A neighbour's phase counts from its own window's beginning too.
        let middle = 0.5 * (grid.window - 1) as f64;
        let weight = |near: usize, tap: usize| {
            let n = near * TAPS + tap;
            let [re, im] = m[n][N].map(|x| x / m[n][n][0]);
            let [re, im] = times([re, im], unit(turn * offset[near] as f64 * (middle - place(tap))));
            [re as f32, im as f32]
        };
        Self { offset, weight: std::array::from_fn(|near| std::array::from_fn(|tap| weight(near, tap))) }
    }
}

impl Between {
    pub(crate) fn new(grid: &Grid) -> Self {
        // A bandwidth is 2·√(2·ln 2) standard deviations of the filter's frequency response, 1/(2π·sigma).
        let bandwidth = 2.0 * (2.0 * 2f64.ln()).sqrt() / (std::f64::consts::TAU * grid.sigma) * grid.length as f64;
        // Where there are no neighbours the frequency itself has to do.
        let reach = ((APART * bandwidth).ceil() as usize).min((grid.bins - 1) / 2);
        let d = reach as isize;
        let kernels = [[0, d, -d], [0, d, 2 * d], [0, -d, -2 * d]].map(|offset| Kernel::new(grid, offset));
        Self {
            bins: grid.bins,
            kernels,
            reach,
            circle: (0..grid.length).map(|k| crate::short::turn(k, grid.length)).collect(),
            first: grid.first,
            hop: grid.hop % grid.length,
        }
    }

    fn kernel(&self, bin: usize) -> &Kernel {
        if bin < self.reach {
            &self.kernels[1]
        } else if bin + self.reach >= self.bins {
            &self.kernels[2]
        } else {
            &self.kernels[0]
        }
    }
}

for_each_lanes! {
    /// Raises the peaks of the group that begins with bin `begins` by what lies between spectra: round the last four of the
    /// sixteen before (if there are) and the first twelve of these. `rows` of these count; `top` is the highest magnitude
    /// of those that are looked round.
    fn crests / crests_body(peak: &mut Lanes, top: &Lanes, begins: usize, before: Option<&[Cell]>, now: &[Cell], rows: usize, between: &Between);
}

/// A crest half way between two spectra stands so little above both that nothing lower than this share of the peak so
/// far can raise it (0.7 dB for a pulse at steps of 0.8 standard deviations of the filter).
const CREST_GATE: f32 = 0.88;

/// How far the vertex of the parabola through three magnitudes, the middle one the highest, stands above the middle one.
#[inline(always)]
fn rise<V: Lanes16>(a: V, b: V, c: V) -> V {
    // Of two equal ones the first counts as the highest; what stands a rounding above it is taken for equal, so that the
    // bend is never less than the rise.
    let far = a.max(c.mul(V::splat(0.999_999)));
    let c = b.sub(b.sub(c).max(V::splat(0.0)));
    let bend = b.sub(a).add(b.sub(c)).add(V::splat(1e-37));
    let slope = c.sub(a);
    b.where_above(far, slope.mul(slope).div(bend.mul(V::splat(8.0))))
}

#[inline(always)]
fn magnitude<V: Lanes16>(z: [V; 2]) -> V {
    z[0].mul(z[0]).add(z[1].mul(z[1])).sqrt()
}

/// Real and imaginary halves of two sheaves at one bin.
type Series = [[f32; 2 * WIDTH]; 2];

#[inline(always)]
fn at<V: Lanes16>(series: &[f32; 2 * WIDTH], k: usize) -> V {
    V::load(series[k..].first_chunk().unwrap_or(&[0.0; WIDTH]))
}

/// The first of the sixteen spectra that are looked round.
const MIDDLE: usize = HEAD;

#[inline(always)]
fn crests_body<V: Lanes16>(
    peak: &mut Lanes,
    top: &Lanes,
    begins: usize,
    before: Option<&[Cell]>,
    now: &[Cell],
    rows: usize,
    between: &Between,
) {
    for i in 0..LANES.min(between.bins.saturating_sub(begins)) {
        if top[i] <= CREST_GATE * peak[i] {
            continue;
        }
        let kernel = between.kernel(begins + i);
        let mut series: [Series; NEAR] = [[[0.0; 2 * WIDTH]; 2]; NEAR];
        for (series, offset) in series.iter_mut().zip(kernel.offset) {
            let bin = (begins + i).wrapping_add_signed(offset);
            if let Some(before) = before {
                series[0][..WIDTH].copy_from_slice(&before[bin].re);
                series[1][..WIDTH].copy_from_slice(&before[bin].im);
            }
            series[0][WIDTH..].copy_from_slice(&now[bin].re);
            series[1][WIDTH..].copy_from_slice(&now[bin].im);
        }
        // Only magnitudes count, so it is enough to turn the spectra against each other.
        let turn = (between.first + begins + i) % between.circle.len() * between.hop % between.circle.len();
        let mut weight = kernel.weight;
        let mut angle = 0;
        for tap in 0..TAPS {
            let [c, s] = between.circle[angle];
            for near in &mut weight {
                let [re, im] = near[tap];
                near[tap] = [re * c - im * s, re * s + im * c];
            }
            angle += turn;
            if angle >= between.circle.len() {
                angle -= between.circle.len();
            }
        }
        // Half a step before each of the sixteen, and behind the last.
        let mut left = [V::splat(0.0); 2];
        let mut last = [0.0_f32; 2];
        for (series, weight) in series.iter().zip(&weight) {
            for (tap, [re, im]) in weight.iter().enumerate() {
                let k = MIDDLE - TAPS / 2 + tap;
                let x: [V; 2] = [at(&series[0], k), at(&series[1], k)];
                let (c, s) = (V::splat(*re), V::splat(*im));
                left = [left[0].add(x[0].mul(c).sub(x[1].mul(s))), left[1].add(x[0].mul(s).add(x[1].mul(c)))];
                let y = [series[0][k + WIDTH], series[1][k + WIDTH]];
                last = [last[0] + (y[0] * re - y[1] * im), last[1] + (y[0] * im + y[1] * re)];
            }
        }
        let left = magnitude(left);
        let mut halves = [0.0; WIDTH];
        left.store(&mut halves);
        halves.rotate_left(1);
        halves[WIDTH - 1] = (last[0] * last[0] + last[1] * last[1]).sqrt();
        let right = V::load(&halves);
        let own = &series[0];
        let middle = magnitude([at(&own[0], MIDDLE), at::<V>(&own[1], MIDDLE)]);
        let early = magnitude([at(&own[0], MIDDLE - 1), at::<V>(&own[1], MIDDLE - 1)]);
        let on = middle.add(rise(left, middle, right));
        let half_way = left.add(rise(early, left, middle));
        let mut best = [0.0; WIDTH];
        on.max(half_way).max(right).store(&mut best);
        // Of the first sheaf the first four stand at the record's beginning.
        let from = if before.is_some() { 0 } else { WIDTH + TAPS / 2 - MIDDLE };
        let highest = best[from.min(rows)..rows].iter().fold(0.0_f32, |a, b| if *b > a { *b } else { a });
        if highest > peak[i] {
            peak[i] = highest;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::HOP_SIGMA;
    use crate::simd::InstructionSet;

    const SIGMA: f64 = 100.0;
    const LENGTH: usize = 534;

    fn grid(bins: usize) -> Grid {
        Grid { length: LENGTH, first: 20, bins, hop: (HOP_SIGMA * SIGMA) as usize, window: 1061, sigma: SIGMA }
    }

    /// Spectra from number `first` on of a stream of pulses and carriers, at each of `bins`: (time or bins from the first,
    /// size) each. From the filter's formula, not from a transform.
    fn cells(grid: &Grid, first: usize, pulses: &[(f64, f64)], carriers: &[(f64, f64)]) -> Vec<Cell> {
        let mut cells = vec![Cell::ZERO; grid.bins.next_multiple_of(LANES)];
        let turn = std::f64::consts::TAU / grid.length as f64;
        for (i, cell) in cells.iter_mut().enumerate().take(grid.bins) {
            for r in 0..WIDTH {
                let start = ((first + r) * grid.hop) as f64;
                let middle = start + 0.5 * (grid.window - 1) as f64;
                let f = turn * (grid.first + i) as f64;
                let mut sum = [0.0; 2];
                for (t, size) in pulses {
                    let x = (t - middle) / grid.sigma;
                    let a = size * (-0.5 * x * x).exp();
                    let [re, im] = unit(-f * (t - start));
                    sum = [sum[0] + a * re, sum[1] + a * im];
                }
                for (place, size) in carriers {
                    let g = turn * (grid.first as f64 + place);
                    let x = (g - f) * grid.sigma;
                    let a = size * (-0.5 * x * x).exp();
                    let [re, im] = unit(g * middle - f * (middle - start));
                    sum = [sum[0] + a * re, sum[1] + a * im];
                }
                (cell.re[r], cell.im[r]) = (sum[0] as f32, sum[1] as f32);
            }
        }
        cells
    }

    fn peaks(set: InstructionSet, grid: &Grid, pulses: &[(f64, f64)], carriers: &[(f64, f64)]) -> Lanes {
        let (before, now) = (cells(grid, 0, pulses, carriers), cells(grid, WIDTH, pulses, carriers));
        let mut peak = [0.0_f32; LANES];
        for (p, c) in peak.iter_mut().zip(before.iter().zip(&now)) {
            let both = c.0.re.iter().zip(&c.0.im).chain(c.1.re.iter().zip(&c.1.im));
            *p = both.fold(0.0, |a, (re, im)| a.max(re.hypot(*im)));
        }
        let top = peak;
        crests(set, &mut peak, &top, 0, Some(&before), &now, WIDTH, &Between::new(grid));
        peak
    }

    #[test]
    fn a_pulse_reads_its_crest_at_every_place() {
        let grid = grid(9);
        for set in InstructionSet::available() {
            for place in 0..80 {
                let t = 17.0 * grid.hop as f64 + 530.0 + grid.hop as f64 * f64::from(place) / 40.0;
                for (i, p) in peaks(set, &grid, &[(t, 1.0)], &[]).iter().enumerate().take(grid.bins) {
                    assert!((20.0 * p.log10()).abs() < 0.015, "{} {place} {i}: {p}", set.name());
                }
            }
        }
    }

    #[test]
    fn a_pulse_beside_a_strong_carrier_reads_its_crest() {
        // 80 dB above the pulse and 2 bandwidths (3.9 bins of half a bandwidth) off the fifth bin: 96 dB down there.
        let grid = grid(9);
        for set in InstructionSet::available() {
            for place in 0..40 {
                let t = 17.0 * grid.hop as f64 + 530.0 + grid.hop as f64 * f64::from(place) / 40.0;
                let p = peaks(set, &grid, &[(t, 1.0)], &[(8.0, 1e4)])[4];
                let carrier = 1e4 * (-0.5 * (4.0 * std::f64::consts::TAU / LENGTH as f64 * SIGMA).powi(2)).exp();
                assert!(
                    f64::from(p) < 1.005 + carrier && f64::from(p) > 0.995 - carrier,
                    "{} {place}: {p}",
                    set.name()
                );
            }
        }
    }

    #[test]
    fn a_steady_carrier_has_no_crests() {
        // Equal magnitudes but for rounding: nothing stands between them, wherever the carrier lies.
        for bins in [1, 2, 9] {
            let grid = grid(bins);
            for set in InstructionSet::available() {
                for k in 0..100 {
                    let place = f64::from(k) / 100.0;
                    let size = (-0.5 * (place * std::f64::consts::TAU / LENGTH as f64 * SIGMA).powi(2)).exp();
                    let p = f64::from(peaks(set, &grid, &[], &[(place, 1.0)])[0]) / size;
                    assert!((20.0 * p.log10()).abs() < if bins < 3 { 0.02 } else { 0.0005 }, "{bins} {place}: {p}");
                }
            }
        }
    }

    #[test]
    fn every_instruction_set_gives_the_same_bits() {
        let grid = grid(40);
        let run =
            |set| peaks(set, &grid, &[(1800.0, 1.0), (1950.0, 0.7)], &[(11.3, 3.0), (30.0, 0.1)]).map(f32::to_bits);
        for set in InstructionSet::available() {
            assert!(run(set) == run(InstructionSet::Plain), "{}", set.name());
        }
    }
}
