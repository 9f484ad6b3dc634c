//! Fourier transforms of sixteen spectra at a time.
//!
//! The sixteen numbers of a vector belong to sixteen spectra, so a transform is plain arithmetic on whole vectors: no
//! number ever changes its place in one, every instruction set does the same operations in the same order, and the results
//! are the same bits. The first step of a transform of `n = r·l` points is taken while the windowed stream is folded (see
//! [`crate::first`]); it leaves transforms of `l` points. Of a real input's, those that mirror each other are worked out
//! once, and the one or two that are real again go in pairs as one complex one. A transform of `l = n1·n2` is taken as `n2`
//! transforms of `n1`, factors between, and `n1` transforms of `n2` (the four-step way), so that each short one stays in the
//! cache nearest to the core.
// Rows go through several lists side by side.
#![allow(clippy::inline_always, clippy::needless_range_loop)]

use crate::lanes::{Floats, Lanes16, each_part, for_each_lanes};
use crate::sheaf::Sheaf;
use crate::short::{Cell, Complex, Input, Output, Short, all_but_last, end_pass, radices, turn, whole};
use crate::simd::InstructionSet;

/// The transform lengths from `least` to `most` that are fast, in order: products of 2, 3, 5 and 7.
pub(crate) fn fast_between(least: usize, most: usize) -> Vec<usize> {
    let mut found = vec![1_usize];
    for p in [2, 3, 5, 7] {
        // Each product so far, times every power of the next factor.
        let mut i = 0;
        while i < found.len() {
            if let Some(n) = found[i].checked_mul(p).filter(|n| *n <= most) {
                found.push(n);
            }
            i += 1;
        }
    }
    found.retain(|n| (least..=most).contains(n));
    found.sort_unstable();
    found
}

/// The radix of the first step: of a real input one that leaves real parts of an even length.
pub(crate) fn first_radix(n: usize, complex: bool) -> usize {
    let choice: &[usize] = if complex { &[8, 7, 6, 5, 4, 3, 2] } else { &[7, 8, 6, 5, 4, 3] };
    let fits = |r: &usize| n.is_multiple_of(*r) && (complex || r.is_multiple_of(2) || (n / r).is_multiple_of(2));
    choice.iter().copied().find(fits).unwrap_or(1)
}

/// Operations on a vector for a transform of `n` points, roughly.
pub(crate) fn cost(n: usize, complex: bool) -> f64 {
    let r = first_radix(n, complex);
    let points = if complex { n } else { n / 2 } as f64;
    let of = |r: usize| match r {
        1 => 2.0,
        2 => 6.5,
        3 | 4 => 9.5,
        5 => 14.5,
        6 => 13.5,
        7 => 19.0,
        8 => 14.0,
        _ => 4.0 * r as f64,
    };
    let short: f64 = radices(n / r).into_iter().map(of).sum();
    // What goes in pairs is parted again.
    let parted = if complex {
        0.0
    } else if r.is_multiple_of(2) {
        20.0 / r as f64
    } else {
        10.0 / r as f64
    };
    points * (of(r) + short + 8.0 + parted)
}

/// A complex transform of `n1·n2` points.
#[derive(Debug, Clone)]
pub(crate) struct Long {
    first: Short,
    second: Short,
    /// Factors between the two, for each column of the first.
    between: Vec<[f32; 2]>,
}

/// Cells between the rows of a [`Long`]'s points: rows at multiples of a power of two would all claim the same few places
/// of the cache.
const GAP: usize = 1;

impl Long {
    fn new(points: usize) -> Self {
        let n1 = divisor_near_root(points);
        let n2 = points / n1;
        let between = (0..n2).flat_map(|c| (0..n1).map(move |k| turn(c * k, points))).collect();
        Self { first: Short::new(n1), second: Short::new(n2), between }
    }

    /// Cells that the points take.
    fn room(&self) -> usize {
        self.first.length * self.pitch()
    }

    /// Cells from row to row.
    pub(crate) fn pitch(&self) -> usize {
        self.second.length + GAP
    }

    /// Points in a row.
    pub(crate) fn row(&self) -> usize {
        self.second.length
    }
}

/// A transform of sixteen spectra, after its first step.
#[derive(Debug, Clone)]
pub(crate) struct Batch {
    /// Number of (real or complex) input values.
    pub(crate) length: usize,
    pub(crate) complex: bool,
    /// Radix of the first step.
    pub(crate) radix: usize,
    /// Each of the complex transforms that it leaves, of `length / radix` points; as many as [`Batch::parts`] says.
    pub(crate) long: Long,
    /// What it leaves of real values, in pairs, and the factors that part even and odd values.
    pub(crate) paired: Option<(Long, Vec<[f32; 2]>)>,
}

/// What a thread needs beside the plan.
#[derive(Debug, Clone)]
pub(crate) struct Workspace {
    /// What the first step leaves; lost in the transform. The complex parts first, then what goes in pairs.
    pub(crate) cells: Vec<Cell>,
    a: Vec<Cell>,
    b: Vec<Cell>,
    c: Vec<Cell>,
    d: Vec<Cell>,
}

impl Batch {
    /// Values of the input are real or complex. A real input's length must be even.
    pub(crate) fn new(length: usize, complex: bool) -> Self {
        assert!(complex || length.is_multiple_of(2), "a real input of an even length, not {length}");
        let radix = first_radix(length, complex);
        let rest = length / radix;
        let paired = (!complex).then(|| {
            let reals = if radix.is_multiple_of(2) { 2 * rest } else { rest };
            // e^(−2πik/2M) for k up to M/2; with the factor −i of the odd values.
            (Long::new(reals / 2), (0..=reals / 4).map(|k| turn(k, reals)).collect())
        });
        Self { length, complex, radix, long: Long::new(rest), paired }
    }

    /// Complex transforms that the first step leaves; the first is number 1 of a real input, and 0 of a complex one.
    pub(crate) fn parts(&self) -> std::ops::Range<usize> {
        if self.complex { 0..self.radix } else { 1..self.radix.div_ceil(2) }
    }

    /// Cells of one of them.
    pub(crate) fn room(&self) -> usize {
        self.long.room()
    }

    pub(crate) fn workspace(&self) -> Workspace {
        let longs = || std::iter::once(&self.long).chain(self.paired.as_ref().map(|p| &p.0));
        let longest = longs().map(|l| l.first.length.max(l.second.length)).max().unwrap_or(1);
        let zeros = || vec![Cell::ZERO; longest];
        let paired = self.paired.as_ref().map_or(0, |p| p.0.room());
        Workspace {
            cells: vec![Cell::ZERO; self.parts().len() * self.room() + paired],
            a: zeros(),
            b: zeros(),
            c: zeros(),
            d: zeros(),
        }
    }
}

/// The divisor of `n` nearest to its root (in ratio).
fn divisor_near_root(n: usize) -> usize {
    (1..=n.isqrt()).rev().find(|d| n.is_multiple_of(*d)).unwrap_or(1)
}

for_each_lanes! {
    /// A short transform of `row` into `out`; `spare` holds what goes between the passes.
    fn short / short_body(plan: &Short, row: &[Cell], out: &mut [Cell], spare: &mut [Cell]);
    /// The first short transform of column number `column`, with the factors between the two, back into the column.
    fn column_pass / column_body(plan: &Long, column: usize, cells: &mut [Cell], a: &mut [Cell], b: &mut [Cell]);
    /// The second short transform of row number `k`, to the bins asked for.
    fn row_pass / row_body(plan: &Long, k: usize, bins: Bins, row: &[Cell], a: &mut [Cell], b: &mut [Cell], out: &mut Sheaf);
    /// Bins of pairs of real values from their points in row `k` (`a`) and the row that mirrors it (`other`). Every
    /// `every`th of the input's is one of theirs.
    fn part_rows / part_body(plan: &Long, part: &[[f32; 2]], every: usize, k: usize, a: &[Cell], other: &[Cell], first: usize, out: &mut Sheaf);
}

/// Which bins a complex transform's points are: number `k` is bin `from + every·k` modulo `length`, of a real input those
/// in the upper half by their mirror images.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bins {
    from: usize,
    every: usize,
    length: usize,
    mirrored: bool,
    /// The first bin asked for.
    first: usize,
}

/// Transforms what the first step left in `work.cells` and gives the bins from `first` on (modulo the length), as many as `out` has (modulo the length).
pub(crate) fn transform(set: InstructionSet, plan: &Batch, work: &mut Workspace, first: usize, out: &mut Sheaf) {
    let Workspace { cells, a, b, c, d } = work;
    let (parts, pairs) = cells.split_at_mut(plan.parts().len() * plan.room());
    for (from, cells) in plan.parts().zip(parts.chunks_exact_mut(plan.room())) {
        let long = &plan.long;
        for column in 0..long.row() {
            column_pass(set, long, column, cells, a, b);
        }
        let bins = Bins { from, every: plan.radix, length: plan.length, mirrored: !plan.complex, first };
        for (k, row) in cells.chunks_exact(long.pitch()).enumerate() {
            row_pass(set, long, k, bins, row, a, b, out);
        }
    }
    let Some((long, part)) = &plan.paired else { return };
    for column in 0..long.row() {
        column_pass(set, long, column, pairs, a, b);
    }
    let (n1, n2) = (long.first.length, long.second.length);
    let every = plan.length / (2 * n1 * n2);
    let row = |k: usize| &pairs[k * long.pitch()..][..n2];
    // Bin k of real values comes from points k and M − k, which stand in rows k1 and n1 − k1.
    for k in 0..=n1 / 2 {
        let partner = (n1 - k) % n1;
        short(set, &long.second, row(k), a, b);
        if partner == k {
            part_rows(set, long, part, every, k, a, a, first, out);
        } else {
            short(set, &long.second, row(partner), c, d);
            part_rows(set, long, part, every, k, a, c, first, out);
        }
    }
}

/// A column's cells, each turned by its factor.
struct Column<'a> {
    turns: &'a [[f32; 2]],
    cells: &'a mut [Cell],
    pitch: usize,
}

impl<V: Floats> Output<V> for Column<'_> {
    #[inline(always)]
    fn put(&mut self, i: usize, part: usize, y: Complex<V>) {
        y.turn(&self.turns[i]).store(&mut self.cells[i * self.pitch], part);
    }
}

/// Points `from..to` of a row, of which the first belongs to frequency number `place` and the next to one so much further.
struct Stretch {
    from: usize,
    to: usize,
    place: isize,
    step: isize,
}

impl Stretch {
    /// Those of points `from..to` that belong to one of `count` frequencies; point `i` to number `at + step·i`.
    fn new(from: usize, to: usize, at: isize, step: isize, count: usize) -> Self {
        let count = count as isize;
        // Rounded up, for a divisor above 0.
        let up = |a: isize, b: isize| (a + b - 1).div_euclid(b);
        let [low, high] = if step > 0 {
            [up(-at, step), up(count - at, step)]
        } else {
            [up(at - count + 1, -step), up(at + 1, -step)]
        };
        let from = from.max(low.max(0) as usize);
        let to = to.min(high.max(0) as usize).max(from);
        Self { from, to, place: at + step * from as isize, step }
    }
}

impl Bins {
    /// The points of row `k` of `n1` rows of `points` that are asked for, as they are and as mirror images.
    fn of_row(&self, k: usize, n1: usize, points: usize, count: usize) -> [Stretch; 2] {
        let (from, every) = (self.from + self.every * k, self.every * n1);
        // The first point beyond what counts as it is.
        let edge = if self.mirrored { self.length / 2 + 1 } else { self.first };
        let edge = edge.saturating_sub(from).div_ceil(every).min(points);
        let [first, from, length] = [self.first, from, self.length].map(|x| x as isize);
        let every = every as isize;
        if self.mirrored {
            let mirrored = Stretch::new(edge, points, length - from - first, -every, count);
            [Stretch::new(0, edge, from - first, every, count), mirrored]
        } else {
            let wrapped = Stretch::new(0, edge, from + length - first, every, count);
            [wrapped, Stretch::new(edge, points, from - first, every, count)]
        }
    }
}

#[inline(always)]
fn short_body<V: Lanes16>(plan: &Short, row: &[Cell], out: &mut [Cell], spare: &mut [Cell]) {
    whole::<V::Register>(plan, Input { cells: row, step: 1 }, out, spare);
}

#[inline(always)]
fn column_body<V: Lanes16>(plan: &Long, column: usize, cells: &mut [Cell], a: &mut [Cell], b: &mut [Cell]) {
    let (n1, pitch) = (plan.first.length, plan.pitch());
    let cells = &mut cells[column..];
    let turns = &plan.between[column * n1..(column + 1) * n1];
    let from = Input { cells, step: pitch };
    match plan.first.steps.as_slice() {
        [] => {}
        // Where few registers hold a butterfly, the factors are better taken by themselves.
        [.., last] if V::Register::PARTS == 1 && plan.first.steps.len() > 1 => {
            let (before, _) = all_but_last::<V::Register>(&plan.first, from, a, b);
            end_pass::<V::Register>(last, Input { cells: before, step: 1 }, &mut Column { turns, cells, pitch });
        }
        _ => {
            whole::<V::Register>(&plan.first, from, a, b);
            for ((y, t), to) in a[..n1].iter().zip(turns).zip(cells.iter_mut().step_by(pitch)) {
                each_part!(V::Register, part, {
                    Complex::<V::Register>::load(y, part).turn(t).store(to, part);
                });
            }
        }
    }
}

#[inline(always)]
fn row_body<V: Lanes16>(
    plan: &Long,
    k: usize,
    bins: Bins,
    row: &[Cell],
    a: &mut [Cell],
    b: &mut [Cell],
    out: &mut Sheaf,
) {
    whole::<V::Register>(&plan.second, Input { cells: &row[..plan.row()], step: 1 }, a, b);
    let points = &a[..plan.row()];
    let [own, others] = bins.of_row(k, plan.first.length, points.len(), out.bins());
    let mut place = own.place;
    for y in &points[own.from..own.to] {
        if let Some(o) = out.get_mut(place as usize) {
            V::load(&y.re).store(&mut o.re);
            V::load(&y.im).store(&mut o.im);
        }
        place += own.step;
    }
    let mut place = others.place;
    for y in &points[others.from..others.to] {
        if let Some(o) = out.get_mut(place as usize) {
            let im = V::load(&y.im);
            V::load(&y.re).store(&mut o.re);
            if bins.mirrored { V::splat(0.0).sub(im) } else { im }.store(&mut o.im);
        }
        place += others.step;
    }
}

/// Keeps a bin that is asked for.
#[inline(always)]
fn put<V: Floats>(out: &mut Sheaf, first: usize, bin: usize, part: usize, y: Complex<V>) {
    if let Some(cell) = out.get_mut(bin.wrapping_sub(first)) {
        y.store(cell, part);
    }
}

#[inline(always)]
fn part_body<V: Lanes16>(
    plan: &Long,
    factors: &[[f32; 2]],
    every: usize,
    k: usize,
    a: &[Cell],
    other: &[Cell],
    first: usize,
    out: &mut Sheaf,
) {
    let (n1, n2) = (plan.first.length, plan.second.length);
    let m = n1 * n2;
    let own_mirror = (n1 - k) % n1 == k;
    for j in 0..n2 {
        let bin = k + n1 * j;
        let mirror = (m - bin) % m;
        if bin == 0 {
            for part in 0..V::Register::PARTS {
                let z = Complex::<V::Register>::load(&a[j], part);
                let zero = V::Register::splat(0.0);
                let (sum, difference) = (z.re.add(z.im), z.re.sub(z.im));
                put(out, first, 0, part, Complex { re: sum.add(sum), im: zero });
                put(out, first, m * every, part, Complex { re: difference.add(difference), im: zero });
            }
            continue;
        }
        if own_mirror && bin > mirror {
            continue;
        }
        // (M − bin)/n1 without a division: from the far end, and one less where the row is not its own mirror's first.
        let place = if k == 0 { n2 - j } else { n2 - 1 - j };
        // e^(−2πi(M−k)/2M) is the negative conjugate of that of k.
        let [c, s] = factors[bin.min(mirror)];
        let turn = if bin <= m / 2 { [c, s] } else { [-c, s] };
        for part in 0..V::Register::PARTS {
            let z = Complex::<V::Register>::load(&a[j], part);
            let y = Complex::<V::Register>::load(&other[place], part);
            // Even and odd values' spectra, twice: the first step halves what goes in pairs.
            let even = Complex { re: z.re.add(y.re), im: z.im.sub(y.im) };
            let odd = Complex { re: z.im.add(y.im), im: y.re.sub(z.re) };
            let turned = odd.turn(&turn);
            put(out, first, bin * every, part, even.add(turned));
            let mirrored = even.sub(turned);
            let im = V::Register::splat(0.0).sub(mirrored.im);
            put(out, first, mirror * every, part, Complex { re: mirrored.re, im });
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::first::{self, First};

    /// Numbers between −1 and 1, the same on every machine.
    fn number(i: usize) -> f32 {
        let h = (i as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let h = (h ^ (h >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        ((h >> 40) as f32) / (1 << 23) as f32 - 1.0
    }

    /// Spectra of sixteen windows of a stream, `hop` apart, through the first step.
    fn run(set: InstructionSet, n: usize, complex: bool, first: usize, bins: usize) -> Vec<Cell> {
        let plan = Batch::new(n, complex);
        let (window, hop) = window(n);
        let entry = First::new(&plan, &window, hop);
        let mut work = plan.workspace();
        let samples = |h: usize| -> Vec<f32> { (0..window.len() + 15 * hop).map(|i| number(2 * i + h)).collect() };
        let mut layout = [entry.layout(), entry.layout()];
        for (h, to) in layout.iter_mut().enumerate() {
            first::lay_out(set, &entry, &samples(h), 0, to);
        }
        if complex {
            first::enter_complex(set, &entry, &plan, &layout[0], &layout[1], &mut work.cells);
        } else {
            first::enter_real(set, &entry, &plan, &layout[0], &mut work.cells);
        }
        let mut out = Sheaf::new(bins);
        transform(set, &plan, &mut work, first, &mut out);
        (0..bins).map(|bin| *out.at(bin)).collect()
    }

    /// A window of less than one, two or three folds, and a hop that may divide the length or not.
    fn window(n: usize) -> (Vec<f64>, usize) {
        let length = [n, 2 * n - 1, 2 * n + n / 2, n / 2 + 1][n / 2 % 4];
        (
            (0..length).map(|i| 0.3 + f64::from(number(i)).abs()).collect(),
            if n.is_multiple_of(3) { n / 6 } else { n / 5 }.max(1),
        )
    }

    /// The definition of the transform, in double precision.
    fn expected(n: usize, complex: bool, bin: usize, row: usize) -> [f64; 2] {
        let (window, hop) = window(n);
        let mut sum = [0.0; 2];
        for (i, w) in window.iter().enumerate() {
            let a = -TAU * ((i * bin) % n) as f64 / n as f64;
            let x = |h: usize| w * f64::from(number(2 * (i + row * hop) + h));
            let (re, im) = (x(0), if complex { x(1) } else { 0.0 });
            sum[0] += re * a.cos() - im * a.sin();
            sum[1] += re * a.sin() + im * a.cos();
        }
        sum
    }

    #[test]
    fn fast_lengths_have_small_factors_only() {
        let small_only = |n: &usize| {
            let mut n = *n;
            for p in [2, 3, 5, 7] {
                while n.is_multiple_of(p) {
                    n /= p;
                }
            }
            n == 1
        };
        assert_eq!(fast_between(2, 5000), (2..=5000).filter(small_only).collect::<Vec<_>>());
        assert_eq!(fast_between(4700, 4799), (4700..=4799).filter(small_only).collect::<Vec<_>>());
    }

    #[test]
    fn transforms_are_what_the_definition_says() {
        let lengths: &[usize] =
            if cfg!(miri) { &[30, 32] } else { &[2, 6, 8, 16, 22, 30, 42, 64, 70, 98, 120, 210, 300, 338, 512, 720] };
        for set in InstructionSet::available() {
            for &n in lengths {
                for complex in [false, true] {
                    let bins = if complex { n } else { n / 2 + 1 };
                    let got = run(set, n, complex, 0, bins);
                    let scale = 1e-6 * (n as f64).sqrt() * 8.0;
                    for bin in 0..bins {
                        for row in [0, 11] {
                            let want = expected(n, complex, bin, row);
                            let off =
                                (f64::from(got[bin].re[row]) - want[0]).hypot(f64::from(got[bin].im[row]) - want[1]);
                            assert!(off < scale, "{} n {n} complex {complex} bin {bin}: off by {off}", set.name());
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn a_part_of_the_bins_is_that_part() {
        let all = run(InstructionSet::Plain, 60, true, 0, 60);
        let part = run(InstructionSet::Plain, 60, true, 50, 20);
        assert!((0..20).all(|i| part[i] == all[(50 + i) % 60]));
        let all = run(InstructionSet::Plain, 60, false, 0, 31);
        assert!(run(InstructionSet::Plain, 60, false, 7, 20) == all[7..27]);
    }

    #[test]
    fn every_instruction_set_gives_the_same_bits() {
        let n = if cfg!(miri) { 60 } else { 2520 };
        for set in InstructionSet::available() {
            assert!(run(set, n, false, 3, n / 2 - 9) == run(InstructionSet::Plain, n, false, 3, n / 2 - 9));
            assert!(run(set, n, true, n - 9, n - 5) == run(InstructionSet::Plain, n, true, n - 9, n - 5));
        }
    }
}
