//! Peaks between spectra.
//!
//! What a Gaussian filter passes is known half way between two spectra from the spectra round about, at its own frequency
//! and at two more: together they hold all there is to know, so that even what stands far off tune and is very much stronger
//! comes out right, although its own outputs at one frequency alone follow each other too slowly. The weights are those of
//! least squares for white noise at the filter's input.
#![allow(clippy::inline_always)]

use crate::lanes::{Floats, Lanes16, WIDTH, for_each_lanes};
use crate::sheaf::Sheaf;
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
    /// Real and imaginary halves for each neighbour, spectrum after spectrum, zero behind the last.
    weight: Weights,
}

type Weights = [[[f32; WIDTH]; 2]; NEAR];

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
        let mut weights: Weights = [[[0.0; WIDTH]; 2]; NEAR];
        for (near, [re, im]) in weights.iter_mut().enumerate() {
            for tap in 0..TAPS {
                [re[tap], im[tap]] = weight(near, tap);
            }
        }
        Self { offset, weight: weights }
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
    fn crests / crests_body(peak: &mut Lanes, top: &Lanes, begins: usize, before: Option<&Sheaf>, now: &Sheaf, rows: usize, between: &Between);
}

/// A crest half way between two spectra stands little above the higher of them: 0.7 dB for a pulse at steps of 0.8 standard
/// deviations of the filter, twice that where two pulses cancel each other in part (1.4 dB seen in synthetic records). What is
/// lower than this share of the peak so far is taken to raise it no more.
const CREST_GATE: f32 = 0.82;

/// Where one of the spectra is as high as that, the places beside all above this share of the peak so far are worked out.
const BESIDE_GATE: f32 = 0.65;

/// How far the vertex of the parabola through three magnitudes, the middle one the highest, stands above the middle one.
#[inline(always)]
fn rise(a: f32, b: f32, c: f32) -> f32 {
    // Of two equal ones the first counts as the highest; what stands a rounding above it is taken for equal, so that the
    // bend is never less than the rise.
    let far = c * 0.999_999;
    if !(b > a && b > far) {
        return 0.0;
    }
    let c = if b > c { c } else { b };
    let bend = (b - a) + (b - c) + 1e-37;
    let slope = c - a;
    slope * slope / (bend * 8.0)
}

#[inline(always)]
fn magnitude(re: f32, im: f32) -> f32 {
    (re * re + im * im).sqrt()
}

/// The spectrum that is highest at a bin among those that are looked round with this sheaf: how far it is from the sheaf's
/// first. `rows` of the sheaf count.
pub(crate) fn highest_at(bin: usize, before: Option<&Sheaf>, now: &Sheaf, rows: usize) -> i64 {
    let mut highest = (f32::NEG_INFINITY, 0);
    let mut see = |sheaf: &Sheaf, rows: std::ops::Range<usize>, offset: i64| {
        let cell = sheaf.at(bin);
        for row in rows {
            let size = magnitude(cell.re[row], cell.im[row]);
            if size > highest.0 {
                highest = (size, row as i64 + offset);
            }
        }
    };
    if let Some(before) = before {
        see(before, HEAD - 1..WIDTH, -(WIDTH as i64));
    }
    see(now, 0..rows, 0);
    highest.1
}

/// Real and imaginary halves of two sheaves at one bin, and room behind them.
type Series = [[f32; 3 * WIDTH]; 2];

#[inline(always)]
fn sixteen(x: &[f32], k: usize) -> &[f32; WIDTH] {
    x[k..].first_chunk().unwrap_or(&[0.0; WIDTH])
}

/// The first of the sixteen spectra that are looked round.
const MIDDLE: usize = HEAD;

/// Registers that hold a number for each of the spectra round a place.
const fn parts<V: Floats>() -> usize {
    (V::PARTS * TAPS).div_ceil(WIDTH)
}

/// Weights turned by an angle (cosines, sines) of each spectrum.
#[inline(always)]
fn turned<V: Floats>(weight: &Weights, angle: &[[f32; WIDTH]; 2]) -> Weights {
    let mut to: Weights = [[[0.0; WIDTH]; 2]; NEAR];
    for (to, from) in to.iter_mut().zip(weight) {
        for part in 0..parts::<V>() {
            let (c, s) = (V::load_part(&angle[0], part), V::load_part(&angle[1], part));
            let (re, im) = (V::load_part(&from[0], part), V::load_part(&from[1], part));
            re.mul(c).sub(im.mul(s)).store_part(&mut to[0], part);
            re.mul(s).add(im.mul(c)).store_part(&mut to[1], part);
        }
    }
    to
}

/// The magnitude half a step before spectrum number `i` of those that are looked round.
#[inline(always)]
fn half_way<V: Floats>(series: &[Series; NEAR], weight: &Weights, i: usize) -> f32 {
    let from = MIDDLE - TAPS / 2 + i;
    let mut sums = [[0.0; WIDTH]; 2];
    for part in 0..parts::<V>() {
        let mut sum = [V::splat(0.0); 2];
        for ([re, im], [c, s]) in series.iter().zip(weight) {
            let (re, im) = (V::load_part(sixteen(re, from), part), V::load_part(sixteen(im, from), part));
            let (c, s) = (V::load_part(c, part), V::load_part(s, part));
            sum = [sum[0].add(re.mul(c).sub(im.mul(s))), sum[1].add(re.mul(s).add(im.mul(c)))];
        }
        sum[0].store_part(&mut sums[0], part);
        sum[1].store_part(&mut sums[1], part);
    }
    let all = |x: &[f32; WIDTH]| ((x[0] + x[4]) + (x[2] + x[6])) + ((x[1] + x[5]) + (x[3] + x[7]));
    magnitude(all(&sums[0]), all(&sums[1]))
}

#[inline(always)]
fn crests_body<V: Lanes16>(
    peak: &mut Lanes,
    top: &Lanes,
    begins: usize,
    before: Option<&Sheaf>,
    now: &Sheaf,
    rows: usize,
    between: &Between,
) {
    // Of the first sheaf the first four stand at the record's beginning.
    let from = if before.is_some() { 0 } else { WIDTH + TAPS / 2 - MIDDLE };
    let mut series: [Series; NEAR] = [[[0.0; 3 * WIDTH]; 2]; NEAR];
    for i in 0..LANES.min(between.bins.saturating_sub(begins)) {
        if top[i] <= CREST_GATE * peak[i] {
            continue;
        }
        let gate = BESIDE_GATE * peak[i];
        let kernel = between.kernel(begins + i);
        for (series, offset) in series.iter_mut().zip(kernel.offset) {
            let bin = (begins + i).wrapping_add_signed(offset);
            if let Some(before) = before {
                series[0][..WIDTH].copy_from_slice(&before.at(bin).re);
                series[1][..WIDTH].copy_from_slice(&before.at(bin).im);
            }
            series[0][WIDTH..2 * WIDTH].copy_from_slice(&now.at(bin).re);
            series[1][WIDTH..2 * WIDTH].copy_from_slice(&now.at(bin).im);
        }
        // Only magnitudes count, so it is enough to turn the spectra against each other.
        let turn = (between.first + begins + i) % between.circle.len() * between.hop % between.circle.len();
        let [mut cosines, mut sines] = [[0.0; WIDTH]; 2];
        let mut angle = 0;
        for (c, s) in cosines.iter_mut().zip(&mut sines).take(TAPS) {
            [*c, *s] = between.circle[angle];
            angle += turn;
            if angle >= between.circle.len() {
                angle -= between.circle.len();
            }
        }
        let weight = turned::<V::Register>(&kernel.weight, &[cosines, sines]);
        // The spectrum before those that are looked round, and these.
        let [re, im] = &series[0];
        let mut own = [0.0; WIDTH + 1];
        own[0] = magnitude(re[MIDDLE - 1], im[MIDDLE - 1]);
        let (x, y): (V, V) = (V::load(sixteen(re, MIDDLE)), V::load(sixteen(im, MIDDLE)));
        if let Some(to) = own[1..].first_chunk_mut() {
            x.mul(x).add(y.mul(y)).sqrt().store(to);
        }
        let mut highest = peak[i];
        let mut raise = |x: f32| highest = if x > highest { x } else { highest };
        let mut known = None;
        for j in from.min(rows)..rows {
            let (early, middle) = (own[j], own[j + 1]);
            let left = match known.take() {
                Some(left) => left,
                None if early > gate || middle > gate => half_way::<V::Register>(&series, &weight, j),
                None => continue,
            };
            raise(left + rise(early, left, middle));
            if middle > gate {
                let right = half_way::<V::Register>(&series, &weight, j + 1);
                raise(middle + rise(left, middle, right));
                raise(right);
                known = Some(right);
            }
        }
        peak[i] = highest;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::HOP_SIGMA;
    use crate::short::Cell;
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

    /// Two sheaves that follow each other, and the highest magnitudes in them.
    struct Two {
        before: Sheaf,
        now: Sheaf,
        top: Lanes,
    }

    impl Two {
        fn new(grid: &Grid, pulses: &[(f64, f64)], carriers: &[(f64, f64)]) -> Self {
            let (before, now) = (cells(grid, 0, pulses, carriers), cells(grid, WIDTH, pulses, carriers));
            let mut top = [0.0_f32; LANES];
            for (p, c) in top.iter_mut().zip(before.iter().zip(&now)) {
                let both = c.0.re.iter().zip(&c.0.im).chain(c.1.re.iter().zip(&c.1.im));
                *p = both.fold(0.0, |a, (re, im)| a.max(re.hypot(*im)));
            }
            Self { before: Sheaf::of(&before), now: Sheaf::of(&now), top }
        }

        fn peaks(&self, set: InstructionSet, between: &Between) -> Lanes {
            let mut peak = self.top;
            crests(set, &mut peak, &self.top, 0, Some(&self.before), &self.now, WIDTH, between);
            peak
        }
    }

    fn peaks(set: InstructionSet, grid: &Grid, pulses: &[(f64, f64)], carriers: &[(f64, f64)]) -> Lanes {
        Two::new(grid, pulses, carriers).peaks(set, &Between::new(grid))
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
        // What goes in is worked out once: where sines are not the same each time, as under Miri, the bits still are to be.
        let grid = grid(if cfg!(miri) { 5 } else { 40 });
        let two = Two::new(&grid, &[(1800.0, 1.0), (1950.0, 0.7)], &[(11.3, 3.0), (30.0, 0.1)]);
        let between = Between::new(&grid);
        let run = |set| two.peaks(set, &between).map(f32::to_bits);
        for set in InstructionSet::available() {
            assert!(run(set) == run(InstructionSet::Plain), "{}", set.name());
        }
    }
}
