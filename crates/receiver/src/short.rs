//! Transforms short enough to stay in the nearest cache, for whole vectors: butterflies, and passes of them.
// Butterflies and passes go through several lists side by side.
#![allow(clippy::inline_always, clippy::needless_range_loop)]
// Factors are read where they stand: copied as a pair they would go through a general register and be spread from there.
#![allow(clippy::trivially_copy_pass_by_ref)]

use std::f64::consts::TAU;

use crate::lanes::{Floats, WIDTH, each_part};

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

/// The steps in which a transform of `n` is taken, largest first. A prime factor above 7 is a (slow) step of its own.
pub(crate) fn radices(mut n: usize) -> Vec<usize> {
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
pub(crate) fn turn(k: usize, n: usize) -> [f32; 2] {
    let a = TAU * (k % n) as f64 / n as f64;
    [a.cos() as f32, -a.sin() as f32]
}

/// One pass of a short transform.
#[derive(Debug, Clone)]
pub(crate) struct Step {
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
    pub(crate) length: usize,
    pub(crate) steps: Vec<Step>,
}

impl Short {
    pub(crate) fn new(length: usize) -> Self {
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

#[derive(Clone, Copy)]
pub(crate) struct Complex<V> {
    pub(crate) re: V,
    pub(crate) im: V,
}

impl<V: Floats> Complex<V> {
    /// Part of the sixteen that go together.
    #[inline(always)]
    pub(crate) fn load(c: &Cell, part: usize) -> Self {
        Self { re: V::load_part(&c.re, part), im: V::load_part(&c.im, part) }
    }
    #[inline(always)]
    pub(crate) fn store(self, c: &mut Cell, part: usize) {
        self.re.store_part(&mut c.re, part);
        self.im.store_part(&mut c.im, part);
    }
    #[inline(always)]
    pub(crate) fn add(self, b: Self) -> Self {
        Self { re: self.re.add(b.re), im: self.im.add(b.im) }
    }
    #[inline(always)]
    pub(crate) fn sub(self, b: Self) -> Self {
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
    pub(crate) fn turn(self, by: &[f32; 2]) -> Self {
        let (c, s) = (V::splat(by[0]), V::splat(by[1]));
        Self { re: self.re.mul(c).sub(self.im.mul(s)), im: self.re.mul(s).add(self.im.mul(c)) }
    }
}

#[inline(always)]
fn one<V: Floats>(x: [Complex<V>; 1]) -> [Complex<V>; 1] {
    x
}

#[inline(always)]
fn two<V: Floats>([a, b]: [Complex<V>; 2]) -> [Complex<V>; 2] {
    [a.add(b), a.sub(b)]
}

#[inline(always)]
fn three<V: Floats>([a, b, c]: [Complex<V>; 3]) -> [Complex<V>; 3] {
    const H: f32 = 0.866_025_4;
    let t = b.add(c);
    let u = a.sub(t.scale(0.5));
    let v = b.sub(c).scale(H);
    [a.add(t), u.sub_i(v), u.add_i(v)]
}

#[inline(always)]
fn four<V: Floats>([a, b, c, d]: [Complex<V>; 4]) -> [Complex<V>; 4] {
    let (s, t, u, v) = (a.add(c), a.sub(c), b.add(d), b.sub(d));
    [s.add(u), t.sub_i(v), s.sub(u), t.add_i(v)]
}

#[inline(always)]
fn five<V: Floats>([a, b, c, d, e]: [Complex<V>; 5]) -> [Complex<V>; 5] {
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
fn six<V: Floats>(x: [Complex<V>; 6]) -> [Complex<V>; 6] {
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
fn seven<V: Floats>([a, b, c, d, e, f, g]: [Complex<V>; 7]) -> [Complex<V>; 7] {
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
fn eight<V: Floats>([a, b, c, d, e, f, g, h]: [Complex<V>; 8]) -> [Complex<V>; 8] {
    const R: f32 = std::f32::consts::FRAC_1_SQRT_2;
    let [e0, e1, e2, e3] = four([a, c, e, g]);
    let [o0, o1, o2, o3] = four([b, d, f, h]);
    // Times e^(−iπ/4) and e^(−3iπ/4).
    let o1 = Complex { re: o1.re.add(o1.im), im: o1.im.sub(o1.re) }.scale(R);
    let o3 = Complex { re: o3.im.sub(o3.re), im: V::splat(0.0).sub(o3.re.add(o3.im)) }.scale(R);
    let o2 = o2.back();
    [e0.add(o0), e1.add(o1), e2.add(o2), e3.add(o3), e0.sub(o0), e1.sub(o1), e2.sub(o2), e3.sub(o3)]
}

/// A transform of `R` points.
pub(crate) trait Butterfly<const R: usize> {
    fn of<V: Floats>(x: [Complex<V>; R]) -> [Complex<V>; R];
}

pub(crate) struct Formula;

macro_rules! butterflies {
    ($($r:literal $f:ident),*) => {
        $(impl Butterfly<$r> for Formula {
            #[inline(always)]
            fn of<V: Floats>(x: [Complex<V>; $r]) -> [Complex<V>; $r] {
                $f(x)
            }
        })*
    };
}

butterflies!(1 one, 2 two, 3 three, 4 four, 5 five, 6 six, 7 seven, 8 eight);

/// Where a pass takes its input from: element `i` stands at `from + i·step`.
#[derive(Clone, Copy)]
pub(crate) struct Input<'a> {
    pub(crate) cells: &'a [Cell],
    pub(crate) step: usize,
}

/// One pass of radix `R` but for the last. `HEAD`: the first, whose stride is 1 and whose input may stand in steps (`STEPS`).
#[inline(always)]
fn pass<V: Floats, const R: usize, const HEAD: bool, const STEPS: bool>(plan: &Step, from: Input<'_>, to: &mut [Cell])
where
    Formula: Butterfly<R>,
{
    let rest = plan.rest;
    let stride = if HEAD { 1 } else { plan.stride };
    let step = if STEPS { from.step } else { 1 };
    for (p, to) in to.chunks_exact_mut(stride * R).enumerate().take(rest) {
        let mut legs = [from.cells; R];
        for (j, leg) in legs.iter_mut().enumerate() {
            *leg = &from.cells[stride * (p + rest * j) * step..][..=(stride - 1) * step];
        }
        // At the first place of every pass the factors are 1.
        if p == 0 {
            for q in 0..stride {
                each_part!(V, part, {
                    let y = Formula::of(gather::<V, R>(&legs, q * step, part));
                    for (k, y) in y.into_iter().enumerate() {
                        y.store(&mut to[stride * k + q], part);
                    }
                });
            }
        } else {
            let turns = &plan.turns[p * (R - 1)..][..R - 1];
            for q in 0..stride {
                each_part!(V, part, {
                    let y = Formula::of(gather::<V, R>(&legs, q * step, part));
                    y[0].store(&mut to[q], part);
                    for k in 1..R {
                        y[k].turn(&turns[k - 1]).store(&mut to[stride * k + q], part);
                    }
                });
            }
        }
    }
}

/// The last pass, of radix `R`. `STRIDE` is the pass's stride, or 0 for one without a loop of its own.
#[inline(always)]
fn last_pass<V: Floats, const R: usize, const STRIDE: usize>(plan: &Step, from: Input<'_>, to: &mut impl Output<V>)
where
    Formula: Butterfly<R>,
{
    let stride = if STRIDE == 0 { plan.stride } else { STRIDE };
    let step = if STRIDE == 0 { from.step } else { 1 };
    let mut legs = [from.cells; R];
    for (j, leg) in legs.iter_mut().enumerate() {
        *leg = &from.cells[stride * j * step..][..=(stride - 1) * step];
    }
    for q in 0..stride {
        each_part!(V, part, {
            let y = Formula::of(gather::<V, R>(&legs, q * step, part));
            for (k, y) in y.into_iter().enumerate() {
                to.put(stride * k + q, part, y);
            }
        });
    }
}

/// The last pass, with the loop for its stride.
#[inline(always)]
fn placed_last_pass<V: Floats, const R: usize>(plan: &Step, from: Input<'_>, to: &mut impl Output<V>)
where
    Formula: Butterfly<R>,
{
    match plan.stride {
        8 => last_pass::<V, R, 8>(plan, from, to),
        _ => last_pass::<V, R, 0>(plan, from, to),
    }
}

/// Where a transform's points go. (A trait and no closure, so that all melts into the function compiled for the instruction
/// set.)
pub(crate) trait Output<V> {
    fn put(&mut self, i: usize, part: usize, y: Complex<V>);
}

impl<V: Floats> Output<V> for &mut [Cell] {
    #[inline(always)]
    fn put(&mut self, i: usize, part: usize, y: Complex<V>) {
        y.store(&mut self[i], part);
    }
}

#[inline(always)]
fn gather<V: Floats, const R: usize>(legs: &[&[Cell]; R], at: usize, part: usize) -> [Complex<V>; R] {
    let mut x = [Complex { re: V::splat(0.0), im: V::splat(0.0) }; R];
    for (x, leg) in x.iter_mut().zip(legs) {
        *x = Complex::load(&leg[at], part);
    }
    x
}

/// A pass of any radix, straight from the definition.
#[inline(always)]
fn plain_pass<V: Floats>(step: &Step, from: Input<'_>, to: &mut impl Output<V>) {
    let (r, rest, stride) = (step.radix, step.rest, step.stride);
    let load = |i: usize, part: usize| Complex::<V>::load(&from.cells[i * from.step], part);
    for p in 0..rest {
        for q in 0..stride {
            for (k, part) in (0..r).flat_map(|k| (0..V::PARTS).map(move |part| (k, part))) {
                let mut y = load(q + stride * p, part);
                for j in 1..r {
                    y = y.add(load(q + stride * (p + rest * j), part).turn(&step.roots[j * k % r]));
                }
                let y = if k == 0 { y } else { y.turn(&step.turns[p * (r - 1) + k - 1]) };
                to.put(q + stride * (r * p + k), part, y);
            }
        }
    }
}

macro_rules! by_radix {
    ($step:expr, $plain:expr, $of:ident, $($r:literal)*) => {
        match $step.radix {
            $($r => $of!($r),)*
            _ => $plain,
        }
    };
}

#[inline(always)]
fn head_pass<V: Floats>(step: &Step, from: Input<'_>, mut to: &mut [Cell]) {
    macro_rules! of {
        ($r:literal) => {
            if from.step == 1 {
                pass::<V, $r, true, false>(step, from, to)
            } else {
                pass::<V, $r, true, true>(step, from, to)
            }
        };
    }
    by_radix!(step, plain_pass::<V>(step, from, &mut to), of, 2 3 4 5 6 7 8);
}

#[inline(always)]
fn middle_pass<V: Floats>(step: &Step, from: Input<'_>, mut to: &mut [Cell]) {
    macro_rules! of {
        ($r:literal) => {
            pass::<V, $r, false, false>(step, from, to)
        };
    }
    by_radix!(step, plain_pass::<V>(step, from, &mut to), of, 2 3 4 5 6 7 8);
}

#[inline(always)]
pub(crate) fn end_pass<V: Floats>(step: &Step, from: Input<'_>, to: &mut impl Output<V>) {
    macro_rules! of {
        ($r:literal) => {
            placed_last_pass::<V, $r>(step, from, to)
        };
    }
    by_radix!(step, plain_pass::<V>(step, from, to), of, 2 3 4 5 6 7 8);
}

/// All passes but the last, in turn from `a` to `b` and back. Says which of them holds the result, and the other.
#[inline(always)]
pub(crate) fn all_but_last<'a, V: Floats>(
    plan: &Short,
    from: Input<'_>,
    a: &'a mut [Cell],
    b: &'a mut [Cell],
) -> (&'a mut [Cell], &'a mut [Cell]) {
    let (mut to, mut other) = (&mut a[..plan.length], &mut b[..plan.length]);
    for (i, step) in plan.steps[..plan.steps.len().saturating_sub(1)].iter().enumerate() {
        if i == 0 {
            head_pass::<V>(step, from, to);
        } else {
            middle_pass::<V>(step, Input { cells: to, step: 1 }, other);
            std::mem::swap(&mut to, &mut other);
        }
    }
    (to, other)
}

/// All passes, into `out`.
#[inline(always)]
pub(crate) fn whole<V: Floats>(plan: &Short, from: Input<'_>, out: &mut [Cell], spare: &mut [Cell]) {
    match plan.steps.as_slice() {
        [] => out[0] = from.cells[0],
        [step] => end_pass::<V>(step, from, &mut &mut *out),
        [.., last] => {
            // The last pass must end in `out`.
            let even = plan.steps.len().is_multiple_of(2);
            let (a, b) = if even { (spare, out) } else { (out, spare) };
            let (before, mut to) = all_but_last::<V>(plan, from, a, b);
            end_pass::<V>(last, Input { cells: before, step: 1 }, &mut to);
        }
    }
}
