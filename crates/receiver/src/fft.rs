//! Fourier transforms of sixteen spectra at a time.
//!
//! The sixteen numbers of a vector belong to sixteen spectra, so a transform is plain arithmetic on whole vectors: no
//! number ever changes its place in one, every instruction set does the same operations in the same order, and the results
//! are the same bits. A transform of length `n1·n2` is taken as `n2` transforms of `n1`, factors between, and `n1`
//! transforms of `n2` (the four-step way), so that each short one stays in the cache nearest to the core.
// Butterflies and rows go through several lists side by side.
#![allow(clippy::inline_always, clippy::needless_range_loop)]

use std::f64::consts::TAU;

use crate::lanes::{Lanes16, WIDTH, for_each_lanes};
use crate::simd::InstructionSet;

/// One complex number of each of sixteen spectra.
#[derive(Debug, Clone, Copy, PartialEq)]
#[repr(C, align(64))]
pub(crate) struct Cell {
    pub(crate) re: [f32; WIDTH],
    pub(crate) im: [f32; WIDTH],
}

impl Cell {
    pub(crate) const ZERO: Self = Self { re: [0.0; WIDTH], im: [0.0; WIDTH] };
}

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

/// Operations on a vector for a transform of `n` points (of `n / 2` where the input is real), roughly.
pub(crate) fn cost(n: usize, complex: bool) -> f64 {
    let points = if complex { n } else { n / 2 };
    let per_point: f64 = radices(points)
        .iter()
        .map(|r| match r {
            2 => 6.5,
            3 => 9.5,
            4 => 9.5,
            5 => 14.5,
            6 => 13.5,
            7 => 24.0,
            8 => 14.0,
            _ => 4.0 * *r as f64,
        })
        .sum();
    points as f64 * (per_point + 8.0 + if complex { 0.0 } else { 6.0 })
}

/// The steps in which a transform of `n` is taken, largest first. A prime factor above 7 is a (slow) step of its own.
fn radices(mut n: usize) -> Vec<usize> {
    let mut found = Vec::new();
    for r in [8, 7, 5] {
        while n.is_multiple_of(r) {
            // Two fours are cheaper than an eight and a two.
            if r == 8 && n.trailing_zeros() == 4 {
                break;
            }
            found.push(r);
            n /= r;
        }
    }
    for r in [4, 6, 3, 2] {
        while n.is_multiple_of(r) {
            found.push(r);
            n /= r;
        }
    }
    let mut p = 11;
    while n > 1 {
        while n.is_multiple_of(p) {
            found.push(p);
            n /= p;
        }
        p += 2;
    }
    found
}

/// cos and sin of −2π·k/n.
fn turn(k: usize, n: usize) -> [f32; 2] {
    let a = TAU * (k % n) as f64 / n as f64;
    [a.cos() as f32, -a.sin() as f32]
}

/// One pass of a short transform.
#[derive(Debug, Clone)]
struct Step {
    radix: usize,
    /// Length of what is still to be transformed, over the radix.
    rest: usize,
    /// Stride: product of the radices before.
    stride: usize,
    /// For each place the factors of all but the first output.
    turns: Vec<[f32; 2]>,
    /// For a radix without a formula of its own: its powers of the root of unity.
    roots: Vec<[f32; 2]>,
}

/// A transform that stays in the nearest cache.
#[derive(Debug, Clone)]
pub(crate) struct Short {
    length: usize,
    steps: Vec<Step>,
}

impl Short {
    fn new(length: usize) -> Self {
        let mut left = length;
        let mut stride = 1;
        let steps = radices(length)
            .into_iter()
            .map(|radix| {
                let rest = left / radix;
                let turns = (0..rest).flat_map(|p| (1..radix).map(move |k| turn(p * k, left))).collect();
                let roots = (0..if radix > 8 { radix } else { 0 }).map(|k| turn(k, radix)).collect();
                let step = Step { radix, rest, stride, turns, roots };
                left = rest;
                stride *= radix;
                step
            })
            .collect();
        Self { length, steps }
    }
}

/// A transform of sixteen spectra.
#[derive(Debug, Clone)]
pub(crate) struct Batch {
    /// Number of (real or complex) input values.
    pub(crate) length: usize,
    pub(crate) complex: bool,
    /// Complex points that are transformed: all, or half of a real input's number.
    points: usize,
    first: Short,
    second: Short,
    /// Factors between the two, for each column of the first.
    between: Vec<[f32; 2]>,
    /// Factors that part a real input's even and odd values.
    part: Vec<[f32; 2]>,
}

/// What a thread needs beside the plan.
#[derive(Debug, Clone)]
pub(crate) struct Workspace {
    /// The input; lost in the transform. A cell holds two real values in turn, or one complex one.
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
        let points = if complex { length } else { length / 2 };
        let n1 = divisor_near_root(points);
        let n2 = points / n1;
        let between = (0..n2).flat_map(|c| (0..n1).map(move |k| turn(c * k, points))).collect();
        // e^(−2πik/2M) for k up to M/2; with the factor −i of the odd values.
        let part = if complex { Vec::new() } else { (0..=points / 2).map(|k| turn(k, length)).collect() };
        Self { length, complex, points, first: Short::new(n1), second: Short::new(n2), between, part }
    }

    pub(crate) fn workspace(&self) -> Workspace {
        let longest = self.first.length.max(self.second.length);
        let zeros = || vec![Cell::ZERO; longest];
        Workspace {
            // Room for whole runs of the fold.
            cells: vec![Cell::ZERO; self.length.next_multiple_of(FOLD_RUN) / if self.complex { 1 } else { 2 }],
            a: zeros(),
            b: zeros(),
            c: zeros(),
            d: zeros(),
        }
    }
}

/// Values that the fold works out at a time.
pub(crate) const FOLD_RUN: usize = 64;

/// The divisor of `n` nearest to its root (in ratio).
fn divisor_near_root(n: usize) -> usize {
    (1..=n.isqrt()).rev().find(|d| n.is_multiple_of(*d)).unwrap_or(1)
}

for_each_lanes! {
    /// The first short transform of one column, with the factors between the two, back into the column.
    fn column_pass / column_body(plan: &Batch, column: usize, cells: &mut [Cell], a: &mut [Cell], b: &mut [Cell]);
    /// The second short transform of one row.
    fn row_pass / row_body(plan: &Short, row: &[Cell], out: &mut [Cell], spare: &mut [Cell]);
    /// Bins of a real input from its points in row `k` (`a`) and the row that mirrors it (`other`).
    fn part_rows / part_body(plan: &Batch, k: usize, a: &[Cell], other: &[Cell], first: usize, out: &mut [Cell]);
}

/// Transforms the sixteen inputs in `work.cells` and gives bins `first..first + out.len()` (modulo the length).
pub(crate) fn transform(set: InstructionSet, plan: &Batch, work: &mut Workspace, first: usize, out: &mut [Cell]) {
    let (n1, n2) = (plan.first.length, plan.second.length);
    let Workspace { cells, a, b, c, d } = work;
    for column in 0..n2 {
        column_pass(set, plan, column, cells, a, b);
    }
    let row = |k: usize| &cells[k * n2..(k + 1) * n2];
    if plan.complex {
        for k in 0..n1 {
            row_pass(set, &plan.second, row(k), a, b);
            for (j, y) in a[..n2].iter().enumerate() {
                let bin = k + n1 * j;
                let place = if bin >= first { bin - first } else { bin + plan.points - first };
                if let Some(o) = out.get_mut(place) {
                    *o = *y;
                }
            }
        }
        return;
    }
    // Bin k of a real input comes from points k and M − k, which stand in rows k1 and n1 − k1.
    for k in 0..=n1 / 2 {
        let partner = (n1 - k) % n1;
        row_pass(set, &plan.second, row(k), a, b);
        if partner == k {
            part_rows(set, plan, k, a, a, first, out);
        } else {
            row_pass(set, &plan.second, row(partner), c, d);
            part_rows(set, plan, k, a, c, first, out);
        }
    }
}

#[derive(Clone, Copy)]
struct Complex<V> {
    re: V,
    im: V,
}

impl<V: Lanes16> Complex<V> {
    #[inline(always)]
    fn load(c: &Cell) -> Self {
        Self { re: V::load(&c.re), im: V::load(&c.im) }
    }
    #[inline(always)]
    fn store(self, c: &mut Cell) {
        self.re.store(&mut c.re);
        self.im.store(&mut c.im);
    }
    #[inline(always)]
    fn add(self, b: Self) -> Self {
        Self { re: self.re.add(b.re), im: self.im.add(b.im) }
    }
    #[inline(always)]
    fn sub(self, b: Self) -> Self {
        Self { re: self.re.sub(b.re), im: self.im.sub(b.im) }
    }
    /// Times −i.
    #[inline(always)]
    fn back(self) -> Self {
        Self { re: self.im, im: V::splat(0.0).sub(self.re) }
    }
    /// `self − i·b`.
    #[inline(always)]
    fn sub_i(self, b: Self) -> Self {
        Self { re: self.re.add(b.im), im: self.im.sub(b.re) }
    }
    /// `self + i·b`.
    #[inline(always)]
    fn add_i(self, b: Self) -> Self {
        Self { re: self.re.sub(b.im), im: self.im.add(b.re) }
    }
    #[inline(always)]
    fn scale(self, x: f32) -> Self {
        let x = V::splat(x);
        Self { re: self.re.mul(x), im: self.im.mul(x) }
    }
    #[inline(always)]
    fn turn(self, [c, s]: [f32; 2]) -> Self {
        let (c, s) = (V::splat(c), V::splat(s));
        Self { re: self.re.mul(c).sub(self.im.mul(s)), im: self.re.mul(s).add(self.im.mul(c)) }
    }
}

#[inline(always)]
fn two<V: Lanes16>([a, b]: [Complex<V>; 2]) -> [Complex<V>; 2] {
    [a.add(b), a.sub(b)]
}

#[inline(always)]
fn three<V: Lanes16>([a, b, c]: [Complex<V>; 3]) -> [Complex<V>; 3] {
    const H: f32 = 0.866_025_4;
    let t = b.add(c);
    let u = a.sub(t.scale(0.5));
    let v = b.sub(c).scale(H);
    [a.add(t), u.sub_i(v), u.add_i(v)]
}

#[inline(always)]
fn four<V: Lanes16>([a, b, c, d]: [Complex<V>; 4]) -> [Complex<V>; 4] {
    let (s, t, u, v) = (a.add(c), a.sub(c), b.add(d), b.sub(d));
    [s.add(u), t.sub_i(v), s.sub(u), t.add_i(v)]
}

#[inline(always)]
fn five<V: Lanes16>([a, b, c, d, e]: [Complex<V>; 5]) -> [Complex<V>; 5] {
    // cos and sin of 2π/5 and 4π/5; the sum of the cosines is −1/2.
    const Q: f32 = 0.559_016_97;
    const S1: f32 = 0.951_056_5;
    const S2: f32 = 0.587_785_24;
    let (t1, t2) = (b.add(e), c.add(d));
    let (t3, t4) = (b.sub(e), c.sub(d));
    let sum = t1.add(t2);
    let middle = a.sub(sum.scale(0.25));
    let q = t1.sub(t2).scale(Q);
    let (m1, m2) = (middle.add(q), middle.sub(q));
    let n1 = t3.scale(S1).add(t4.scale(S2));
    let n2 = t3.scale(S2).sub(t4.scale(S1));
    [a.add(sum), m1.sub_i(n1), m2.sub_i(n2), m2.add_i(n2), m1.add_i(n1)]
}

#[inline(always)]
fn six<V: Lanes16>(x: [Complex<V>; 6]) -> [Complex<V>; 6] {
    // Two and three have no common factor: no factors between them.
    let [a, b, c, d, e, f] = x;
    let even = three([a, c, e]);
    let odd = three([d, f, b]);
    let [p0, m0] = two([even[0], odd[0]]);
    let [p1, m1] = two([even[1], odd[1]]);
    let [p2, m2] = two([even[2], odd[2]]);
    [p0, m1, p2, m0, p1, m2]
}

#[inline(always)]
fn seven<V: Lanes16>([a, b, c, d, e, f, g]: [Complex<V>; 7]) -> [Complex<V>; 7] {
    const C: [f32; 3] = [0.623_489_8, -0.222_520_93, -0.900_968_85];
    const S: [f32; 3] = [0.781_831_5, 0.974_927_9, 0.433_883_73];
    let (p, q, r) = (b.add(g), c.add(f), d.add(e));
    let (u, v, w) = (b.sub(g), c.sub(f), d.sub(e));
    let r1 = a.add(p.scale(C[0])).add(q.scale(C[1]).add(r.scale(C[2])));
    let r2 = a.add(p.scale(C[1])).add(q.scale(C[2]).add(r.scale(C[0])));
    let r3 = a.add(p.scale(C[2])).add(q.scale(C[0]).add(r.scale(C[1])));
    let i1 = u.scale(S[0]).add(v.scale(S[1])).add(w.scale(S[2]));
    let i2 = u.scale(S[1]).sub(v.scale(S[2])).sub(w.scale(S[0]));
    let i3 = u.scale(S[2]).sub(v.scale(S[0])).add(w.scale(S[1]));
    [a.add(p).add(q.add(r)), r1.sub_i(i1), r2.sub_i(i2), r3.sub_i(i3), r3.add_i(i3), r2.add_i(i2), r1.add_i(i1)]
}

#[inline(always)]
fn eight<V: Lanes16>([a, b, c, d, e, f, g, h]: [Complex<V>; 8]) -> [Complex<V>; 8] {
    const R: f32 = std::f32::consts::FRAC_1_SQRT_2;
    let [e0, e1, e2, e3] = four([a, c, e, g]);
    let [o0, o1, o2, o3] = four([b, d, f, h]);
    // Times e^(−iπ/4) and e^(−3iπ/4).
    let o1 = Complex { re: o1.re.add(o1.im), im: o1.im.sub(o1.re) }.scale(R);
    let o3 = Complex { re: o3.im.sub(o3.re), im: V::splat(0.0).sub(o3.re.add(o3.im)) }.scale(R);
    let o2 = o2.back();
    [e0.add(o0), e1.add(o1), e2.add(o2), e3.add(o3), e0.sub(o0), e1.sub(o1), e2.sub(o2), e3.sub(o3)]
}

/// Where a pass takes its input from, and where it puts its output. (Traits and no closures, so that all melts into the
/// function compiled for the instruction set.)
trait Input<V> {
    fn load(&self, i: usize) -> Complex<V>;
}

trait Output<V> {
    fn store(&mut self, i: usize, y: Complex<V>);
}

impl<V: Lanes16> Input<V> for &[Cell] {
    #[inline(always)]
    fn load(&self, i: usize) -> Complex<V> {
        Complex::load(&self[i])
    }
}

impl<V: Lanes16> Output<V> for &mut [Cell] {
    #[inline(always)]
    fn store(&mut self, i: usize, y: Complex<V>) {
        y.store(&mut self[i]);
    }
}

/// Every `step`th complex number from `from` on.
struct Column<'a> {
    cells: &'a [Cell],
    from: usize,
    step: usize,
}

impl<V: Lanes16> Input<V> for Column<'_> {
    #[inline(always)]
    fn load(&self, i: usize) -> Complex<V> {
        Complex::load(&self.cells[self.from + i * self.step])
    }
}

/// A transform of `R` points.
trait Butterfly<const R: usize> {
    fn of<V: Lanes16>(x: [Complex<V>; R]) -> [Complex<V>; R];
}

struct Formula;

macro_rules! butterflies {
    ($($r:literal $f:ident),*) => {
        $(impl Butterfly<$r> for Formula {
            #[inline(always)]
            fn of<V: Lanes16>(x: [Complex<V>; $r]) -> [Complex<V>; $r] {
                $f(x)
            }
        })*
    };
}

butterflies!(2 two, 3 three, 4 four, 5 five, 6 six, 7 seven, 8 eight);

#[inline(always)]
fn gather<V: Lanes16, const R: usize>(from: &impl Input<V>, first: usize, step: usize) -> [Complex<V>; R] {
    let mut x = [from.load(first); R];
    for (j, x) in x.iter_mut().enumerate().skip(1) {
        *x = from.load(first + step * j);
    }
    x
}

/// One pass of radix `R`.
#[inline(always)]
fn pass<V: Lanes16, const R: usize>(step: &Step, from: &impl Input<V>, to: &mut impl Output<V>)
where
    Formula: Butterfly<R>,
{
    let (rest, stride) = (step.rest, step.stride);
    // At the first place of every pass the factors are 1.
    for q in 0..stride {
        let y = Formula::of(gather(from, q, stride * rest));
        for k in 0..R {
            to.store(q + stride * k, y[k]);
        }
    }
    for p in 1..rest {
        let turns = &step.turns[p * (R - 1)..(p + 1) * (R - 1)];
        for q in 0..stride {
            let y = Formula::of(gather(from, q + stride * p, stride * rest));
            let at = q + stride * R * p;
            to.store(at, y[0]);
            for k in 1..R {
                to.store(at + stride * k, y[k].turn(turns[k - 1]));
            }
        }
    }
}

/// A pass of any radix, straight from the definition.
#[inline(always)]
fn plain_pass<V: Lanes16>(step: &Step, from: &impl Input<V>, to: &mut impl Output<V>) {
    let (r, rest, stride) = (step.radix, step.rest, step.stride);
    for p in 0..rest {
        for q in 0..stride {
            for k in 0..r {
                let mut y = from.load(q + stride * p);
                for j in 1..r {
                    y = y.add(from.load(q + stride * (p + rest * j)).turn(step.roots[j * k % r]));
                }
                let y = if k == 0 { y } else { y.turn(step.turns[p * (r - 1) + k - 1]) };
                to.store(q + stride * (r * p + k), y);
            }
        }
    }
}

#[inline(always)]
fn any_pass<V: Lanes16>(step: &Step, from: &impl Input<V>, to: &mut impl Output<V>) {
    match step.radix {
        2 => pass::<V, 2>(step, from, to),
        3 => pass::<V, 3>(step, from, to),
        4 => pass::<V, 4>(step, from, to),
        5 => pass::<V, 5>(step, from, to),
        6 => pass::<V, 6>(step, from, to),
        7 => pass::<V, 7>(step, from, to),
        8 => pass::<V, 8>(step, from, to),
        _ => plain_pass::<V>(step, from, to),
    }
}

/// A short transform from anywhere into `out`; `spare` holds what goes between the passes.
#[inline(always)]
fn short<V: Lanes16>(plan: &Short, from: &impl Input<V>, out: &mut [Cell], spare: &mut [Cell]) {
    let (out, spare) = (&mut out[..plan.length], &mut spare[..plan.length]);
    let Some((head, tail)) = plan.steps.split_first() else {
        from.load(0).store(&mut out[0]);
        return;
    };
    // The last pass must end in `out`.
    let (mut to, mut other) = if tail.len().is_multiple_of(2) { (out, spare) } else { (spare, out) };
    any_pass::<V>(head, from, &mut &mut *to);
    for step in tail {
        any_pass::<V>(step, &&*to, &mut &mut *other);
        std::mem::swap(&mut to, &mut other);
    }
}

/// Keeps a bin that is asked for.
#[inline(always)]
fn put<V: Lanes16>(out: &mut [Cell], first: usize, bin: usize, y: Complex<V>) {
    if bin >= first && bin - first < out.len() {
        y.store(&mut out[bin - first]);
    }
}

#[inline(always)]
fn column_body<V: Lanes16>(plan: &Batch, column: usize, cells: &mut [Cell], a: &mut [Cell], b: &mut [Cell]) {
    let (n1, n2) = (plan.first.length, plan.second.length);
    short::<V>(&plan.first, &Column { cells, from: column, step: n2 }, a, b);
    let turns = &plan.between[column * n1..(column + 1) * n1];
    for (k, (y, t)) in a[..n1].iter().zip(turns).enumerate() {
        Complex::<V>::load(y).turn(*t).store(&mut cells[k * n2 + column]);
    }
}

#[inline(always)]
fn row_body<V: Lanes16>(plan: &Short, row: &[Cell], out: &mut [Cell], spare: &mut [Cell]) {
    short::<V>(plan, &row, out, spare);
}

#[inline(always)]
fn part_body<V: Lanes16>(plan: &Batch, k: usize, a: &[Cell], other: &[Cell], first: usize, out: &mut [Cell]) {
    let (n1, n2, m) = (plan.first.length, plan.second.length, plan.points);
    let own_mirror = (n1 - k) % n1 == k;
    for j in 0..n2 {
        let bin = k + n1 * j;
        let mirror = (m - bin) % m;
        let z = Complex::<V>::load(&a[j]);
        if bin == 0 {
            let zero = V::splat(0.0);
            put(out, first, 0, Complex { re: z.re.add(z.im), im: zero });
            put(out, first, m, Complex { re: z.re.sub(z.im), im: zero });
            continue;
        }
        if own_mirror && bin > mirror {
            continue;
        }
        // (M − bin)/n1 without a division: from the far end, and one less where the row is not its own mirror's first.
        let place = if k == 0 { n2 - j } else { n2 - 1 - j };
        let y = Complex::<V>::load(&other[place]);
        // Even and odd values' spectra, twice: the window makes up for it.
        let even = Complex { re: z.re.add(y.re), im: z.im.sub(y.im) };
        let odd = Complex { re: z.im.add(y.im), im: y.re.sub(z.re) };
        // e^(−2πi(M−k)/2M) is the negative conjugate of that of k.
        let turned = if bin <= m / 2 {
            odd.turn(plan.part[bin])
        } else {
            let [c, s] = plan.part[mirror];
            odd.turn([-c, s])
        };
        put(out, first, bin, even.add(turned));
        let mirrored = even.sub(turned);
        put(out, first, mirror, Complex { re: mirrored.re, im: V::splat(0.0).sub(mirrored.im) });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers between −1 and 1, the same on every machine.
    fn number(i: usize) -> f32 {
        let h = (i as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let h = (h ^ (h >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        ((h >> 40) as f32) / (1 << 23) as f32 - 1.0
    }

    fn run(set: InstructionSet, n: usize, complex: bool, first: usize, bins: usize) -> Vec<Cell> {
        let plan = Batch::new(n, complex);
        let mut work = plan.workspace();
        for (i, c) in work.cells.iter_mut().enumerate() {
            for r in 0..WIDTH {
                (c.re[r], c.im[r]) = (number(2 * i * WIDTH + r), number((2 * i + 1) * WIDTH + r));
            }
        }
        let mut out = vec![Cell::ZERO; bins];
        transform(set, &plan, &mut work, first, &mut out);
        out
    }

    /// The definition of the transform, in double precision.
    fn expected(n: usize, complex: bool, bin: usize, row: usize) -> [f64; 2] {
        let mut sum = [0.0; 2];
        for i in 0..n {
            let a = -TAU * ((i * bin) % n) as f64 / n as f64;
            let x = |k: usize| f64::from(number(k * WIDTH + row));
            let (re, im) = if complex { (x(2 * i), x(2 * i + 1)) } else { (2.0 * x(i), 0.0) };
            sum[0] += re * a.cos() - im * a.sin();
            sum[1] += re * a.sin() + im * a.cos();
        }
        // A real input's bins come out twice as large, but for the first and the last.
        if !complex && (bin == 0 || 2 * bin == n) { [0.5 * sum[0], 0.5 * sum[1]] } else { sum }
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
                    let scale = 1e-6 * (n as f64).sqrt() * 4.0;
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
