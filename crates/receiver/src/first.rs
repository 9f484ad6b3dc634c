//! Window, fold and the transform's first step: from the stream straight to what the first step leaves.
//!
//! Sixteen spectra follow each other a hop apart. The stream is laid out hop by hop, so that the numbers that fall on the
//! same place of sixteen windows lie side by side: window and fold are then plain arithmetic on whole vectors, with one
//! weight for all of them, and the sums go through the first butterflies without ever being stored.
//!
//! A sample's phase counts from its own window's beginning. A bin therefore turns from spectrum to spectrum by what it turns
//! over a hop, which who compares phases has to take back.
#![allow(clippy::inline_always, clippy::needless_range_loop)]

use crate::fft::Batch;
use crate::lanes::{Floats, Lanes16, WIDTH, each_part, for_each_lanes};
use crate::short::{Butterfly, Cell, Complex, Formula, turn};

/// Where the window's samples meet the transform's places.
#[derive(Debug, Clone)]
pub(crate) struct First {
    /// Samples from spectrum to spectrum.
    hop: usize,
    /// Samples under the window.
    length: usize,
    /// The window, place by place: of each butterfly's inputs the weight of each fold, zero beyond the window.
    weights: Vec<f32>,
    /// Numbers in a row of the layout: the same sample of so many hops.
    row: usize,
    /// Two folds, and a hop as long as a butterfly's inputs lie apart.
    in_row: bool,
    radix: usize,
    /// Places that a butterfly's inputs lie apart.
    rest: usize,
    /// Samples that fall on one place at most.
    folds: usize,
    /// Runs of places over which every sample's hop stays the same.
    runs: Vec<Run>,
    /// Factors of each butterfly's outputs but the first.
    turns: Vec<[f32; 2]>,
    outputs: usize,
}

#[derive(Debug, Clone)]
struct Run {
    from: usize,
    to: usize,
    /// For each input of the butterfly and each fold, where the first of the run stands in the layout.
    offset: Vec<usize>,
}

impl First {
    /// For a window (with its gain) and spectra `hop` apart.
    pub(crate) fn new(plan: &Batch, window: &[f64], hop: usize) -> Self {
        let (n, radix) = (plan.length, plan.radix);
        let rest = n / radix;
        let folds = window.len().div_ceil(n);
        let hops = (window.len() - 1) / hop;
        let row = (hops + WIDTH).next_multiple_of(WIDTH);
        // Where any of the samples that meet in a butterfly passes into the next hop.
        let samples = |place: usize| (0..radix).flat_map(move |c| (0..folds).map(move |j| place + c * rest + j * n));
        let mut edges: Vec<usize> = samples(0).map(|u| (hop - u % hop) % hop).collect();
        edges.extend([0, rest]);
        let mut all: Vec<usize> = edges.iter().flat_map(|e| (*e..rest).step_by(hop)).chain([0, rest]).collect();
        all.sort_unstable();
        all.dedup();
        let runs = all
            .windows(2)
            .map(|w| Run {
                from: w[0],
                to: w[1],
                // Beyond the window any number does: its weight is zero.
                offset: samples(w[0]).map(|u| u % hop * row + (u / hop).min(hops)).collect(),
            })
            .collect();
        let in_row = folds == 2 && hop == rest && row == ROW;
        let weight = |u: usize| window.get(u).map_or(0.0, |w| *w as f32);
        let weights = (0..rest).flat_map(|p| samples(p).map(weight)).collect();
        let parts = plan.parts();
        let outputs = parts.end.saturating_sub(1);
        let turns = (0..rest).flat_map(|p| (1..=outputs).map(move |k| turn(p * k, n))).collect();
        Self { hop, length: window.len(), weights, row, in_row, radix, rest, folds, runs, turns, outputs }
    }

    /// Samples under the window.
    pub(crate) fn len(&self) -> usize {
        self.length
    }

    /// Room for a stream laid out hop by hop.
    pub(crate) fn layout(&self) -> Vec<f32> {
        vec![0.0; self.row * self.hop.next_multiple_of(WIDTH)]
    }
}

for_each_lanes! {
    /// Lays the stream out hop by hop, from sample `from` on; zeros where it ends.
    fn lay_out / lay_out_body(first: &First, samples: &[f32], from: usize, layout: &mut [f32]);
    /// The first step of sixteen real transforms.
    fn enter_real / enter_real_body(first: &First, plan: &Batch, layout: &[f32], cells: &mut [Cell]);
    /// The first step of sixteen complex ones.
    fn enter_complex / enter_complex_body(first: &First, plan: &Batch, re: &[f32], im: &[f32], cells: &mut [Cell]);
}

#[inline(always)]
fn sixteen(x: &[f32]) -> &[f32; WIDTH] {
    x.first_chunk().unwrap_or(&[0.0; WIDTH])
}

#[inline(always)]
fn lay_out_body<V: Lanes16>(first: &First, samples: &[f32], from: usize, layout: &mut [f32]) {
    let (hop, row) = (first.hop, first.row);
    let width = WIDTH / V::Register::PARTS;
    for o in (0..hop).step_by(WIDTH) {
        for b in (0..row).step_by(WIDTH) {
            // Sixteen numbers of each of sixteen hops.
            let mut ends = [[0.0; WIDTH]; WIDTH];
            let mut block = [&[0.0; WIDTH]; WIDTH];
            for (i, (x, end)) in block.iter_mut().zip(&mut ends).enumerate() {
                let rest = samples.get(from + (b + i) * hop + o..).unwrap_or_default();
                if let Some(whole) = rest.first_chunk() {
                    *x = whole;
                } else if !rest.is_empty() {
                    end[..rest.len()].copy_from_slice(rest);
                    *x = end;
                }
            }
            let to = &mut layout[o * row..][..WIDTH * row];
            each_part!(V::Register, part, {
                for column in 0..V::Register::PARTS {
                    let mut square = [V::Register::splat(0.0); WIDTH];
                    for i in 0..width {
                        square[i] = V::Register::load_part(block[part * width + i], column);
                    }
                    V::turn_square(&mut square);
                    for i in 0..width {
                        if let Some(to) = to[(column * width + i) * row + b..].first_chunk_mut() {
                            square[i].store_part(to, part);
                        }
                    }
                }
            });
        }
    }
}

/// The windowed stream at the inputs of the butterfly of a place, so many rows into a run. `FOLDS`: how many samples meet, or
/// 0 for a number without a loop of its own.
#[inline(always)]
fn folded<V: Floats, const R: usize, const FOLDS: usize>(
    folds: usize,
    weights: &[f32],
    offset: &[usize],
    rows: &[f32],
    part: usize,
) -> [V; R] {
    let folds = if FOLDS == 0 { folds } else { FOLDS };
    let (weights, offset) = (&weights[..R * folds], &offset[..R * folds]);
    let mut x = [V::splat(0.0); R];
    for (c, x) in x.iter_mut().enumerate() {
        let from = c * folds;
        *x = V::load_part(sixteen(&rows[offset[from]..]), part).mul(V::splat(weights[from]));
        for k in from + 1..from + folds {
            *x = x.add(V::load_part(sixteen(&rows[offset[k]..]), part).mul(V::splat(weights[k])));
        }
    }
    x
}

/// Numbers in a row whose samples' places in it are known when the program is compiled.
const ROW: usize = 2 * WIDTH;

/// The same for two folds where a hop is as long as the inputs lie apart: all of a place's samples stand in one row.
#[inline(always)]
fn folded_in_row<V: Floats, const R: usize>(weights: &[f32], row: &[f32; ROW], part: usize) -> [V; R] {
    let mut x = [V::splat(0.0); R];
    let weights = &weights[..2 * R];
    for (c, x) in x.iter_mut().enumerate() {
        let early = V::load_part(sixteen(&row[c..]), part).mul(V::splat(weights[2 * c]));
        let late = V::load_part(sixteen(&row[c + R..]), part).mul(V::splat(weights[2 * c + 1]));
        *x = early.add(late);
    }
    x
}

impl First {
    /// The windowed stream at the inputs of a place's butterfly.
    #[inline(always)]
    fn inputs<V: Floats, const R: usize>(&self, run: &Run, place: usize, layout: &[f32], part: usize) -> [V; R] {
        let weights = &self.weights[place * R * self.folds..][..R * self.folds];
        if self.in_row
            && 2 * R + WIDTH <= ROW + 1
            && let Some(row) = layout[place * ROW..].first_chunk()
        {
            return folded_in_row(weights, row, part);
        }
        let rows = &layout[(place - run.from) * self.row..];
        match self.folds {
            1 => folded::<V, R, 1>(1, weights, &run.offset, rows, part),
            2 => folded::<V, R, 2>(2, weights, &run.offset, rows, part),
            folds => folded::<V, R, 0>(folds, weights, &run.offset, rows, part),
        }
    }
}

/// What a butterfly of `R` real inputs leaves: one or two real values, and complex ones.
trait RealButterfly<const R: usize> {
    fn of<V: Floats>(x: [V; R]) -> ([V; 2], [Complex<V>; 3]);
}

#[inline(always)]
fn nothing<V: Floats>() -> Complex<V> {
    Complex { re: V::splat(0.0), im: V::splat(0.0) }
}

impl RealButterfly<1> for Formula {
    #[inline(always)]
    fn of<V: Floats>([a]: [V; 1]) -> ([V; 2], [Complex<V>; 3]) {
        ([a, a], [nothing(); 3])
    }
}

/// A sum of numbers with weights, from left to right.
macro_rules! weighted {
    ($first:expr $(, $x:expr, $w:expr)*) => { $first$(.add($x.mul(V::splat($w))))* };
}

impl RealButterfly<3> for Formula {
    #[inline(always)]
    fn of<V: Floats>([a, b, c]: [V; 3]) -> ([V; 2], [Complex<V>; 3]) {
        let (s, d) = (b.add(c), c.sub(b));
        let y = a.add(s);
        let k = Complex { re: weighted!(a, s, -0.5), im: d.mul(V::splat(0.866_025_4)) };
        ([y, y], [k, nothing(), nothing()])
    }
}

impl RealButterfly<4> for Formula {
    #[inline(always)]
    fn of<V: Floats>([a, b, c, d]: [V; 4]) -> ([V; 2], [Complex<V>; 3]) {
        ([a.add(c), b.add(d)], [Complex { re: a.sub(c), im: d.sub(b) }, nothing(), nothing()])
    }
}

impl RealButterfly<5> for Formula {
    #[inline(always)]
    fn of<V: Floats>([a, b, c, d, e]: [V; 5]) -> ([V; 2], [Complex<V>; 3]) {
        const C: [f32; 2] = [0.309_017, -0.809_017];
        const S: [f32; 2] = [0.951_056_5, 0.587_785_24];
        let (p, q) = (b.add(e), c.add(d));
        let (u, v) = (e.sub(b), d.sub(c));
        let y = a.add(p).add(q);
        let k = Complex { re: weighted!(a, p, C[0], q, C[1]), im: weighted!(u.mul(V::splat(S[0])), v, S[1]) };
        let l = Complex { re: weighted!(a, p, C[1], q, C[0]), im: weighted!(u.mul(V::splat(S[1])), v, -S[0]) };
        ([y, y], [k, l, nothing()])
    }
}

impl RealButterfly<6> for Formula {
    #[inline(always)]
    fn of<V: Floats>([a, b, c, d, e, f]: [V; 6]) -> ([V; 2], [Complex<V>; 3]) {
        const H: f32 = 0.866_025_4;
        // Two transforms of three, of the sums and differences of what lies half a turn apart.
        let (s, t, u) = (a.add(d), b.add(e), c.add(f));
        let (x, y, z) = (a.sub(d), b.sub(e), c.sub(f));
        // Numbers 2 of the sums (0 and 3 stay real: even and odd places of one twice as long), 1 of the differences.
        let two = Complex { re: weighted!(s, t.add(u), -0.5), im: u.sub(t).mul(V::splat(H)) };
        let one = Complex { re: weighted!(x, y.sub(z), 0.5), im: V::splat(0.0).sub(y.add(z).mul(V::splat(H))) };
        ([a.add(c).add(e), b.add(d).add(f)], [one, two, nothing()])
    }
}

impl RealButterfly<7> for Formula {
    #[inline(always)]
    fn of<V: Floats>([a, b, c, d, e, f, g]: [V; 7]) -> ([V; 2], [Complex<V>; 3]) {
        const C: [f32; 3] = [0.623_489_8, -0.222_520_93, -0.900_968_85];
        const S: [f32; 3] = [0.781_831_5, 0.974_927_9, 0.433_883_73];
        let (p, q, r) = (b.add(g), c.add(f), d.add(e));
        let (u, v, w) = (g.sub(b), f.sub(c), e.sub(d));
        let y = a.add(p).add(q.add(r));
        let k = Complex {
            re: weighted!(a, p, C[0], q, C[1], r, C[2]),
            im: weighted!(u.mul(V::splat(S[0])), v, S[1], w, S[2]),
        };
        let l = Complex {
            re: weighted!(a, p, C[1], q, C[2], r, C[0]),
            im: weighted!(u.mul(V::splat(S[1])), v, -S[2], w, -S[0]),
        };
        let m = Complex {
            re: weighted!(a, p, C[2], q, C[0], r, C[1]),
            im: weighted!(u.mul(V::splat(S[2])), v, -S[0], w, S[1]),
        };
        ([y, y], [k, l, m])
    }
}

impl RealButterfly<8> for Formula {
    #[inline(always)]
    fn of<V: Floats>([a, b, c, d, e, f, g, h]: [V; 8]) -> ([V; 2], [Complex<V>; 3]) {
        const R: f32 = std::f32::consts::FRAC_1_SQRT_2;
        let (p, q, r, s) = (a.add(e), b.add(f), c.add(g), d.add(h));
        let (t, u, v, w) = (a.sub(e), b.sub(f), c.sub(g), d.sub(h));
        let (x, y) = (u.sub(w).mul(V::splat(R)), u.add(w).mul(V::splat(R)));
        let one = Complex { re: t.add(x), im: V::splat(0.0).sub(v.add(y)) };
        let two = Complex { re: p.sub(r), im: s.sub(q) };
        let three = Complex { re: t.sub(x), im: v.sub(y) };
        ([p.add(r), q.add(s)], [one, two, three])
    }
}

#[inline(always)]
fn enter_real_body<V: Lanes16>(first: &First, plan: &Batch, layout: &[f32], cells: &mut [Cell]) {
    if first.in_row && real_in_row_body::<V::Register>(first, plan, layout, cells) {
        return;
    }
    match first.radix {
        3 => real::<V::Register, 3>(first, plan, layout, cells),
        4 => real::<V::Register, 4>(first, plan, layout, cells),
        5 => real::<V::Register, 5>(first, plan, layout, cells),
        6 => real::<V::Register, 6>(first, plan, layout, cells),
        7 => real::<V::Register, 7>(first, plan, layout, cells),
        8 => real::<V::Register, 8>(first, plan, layout, cells),
        _ => real::<V::Register, 1>(first, plan, layout, cells),
    }
}

#[inline(always)]
fn real<V: Floats, const R: usize>(first: &First, plan: &Batch, layout: &[f32], cells: &mut [Cell])
where
    Formula: RealButterfly<R>,
{
    let Some((paired, _)) = &plan.paired else { return };
    let (row, pitch) = (plan.long.row(), plan.long.pitch());
    let (pair_row, pair_pitch) = (2 * paired.row(), paired.pitch());
    let (parts, pairs) = cells.split_at_mut(first.outputs * plan.room());
    let half = V::splat(0.5);
    for run in &first.runs {
        for place in run.from..run.to {
            let at = place / row * pitch + place % row;
            let turns = &first.turns[place * first.outputs..][..first.outputs];
            for part in 0..V::PARTS {
                let x: [V; R] = first.inputs(run, place, layout, part);
                let (reals, outputs) = <Formula as RealButterfly<R>>::of(x);
                for (k, t) in turns.iter().enumerate() {
                    outputs[k].turn(t).store(&mut parts[k * plan.room() + at], part);
                }
                // Bins of pairs come out doubled.
                for (far, y) in reals.into_iter().enumerate().take(if R.is_multiple_of(2) { 2 } else { 1 }) {
                    let place = place + far * first.rest;
                    let cell = &mut pairs[place / pair_row * pair_pitch + place % pair_row / 2];
                    let to = if place.is_multiple_of(2) { &mut cell.re } else { &mut cell.im };
                    y.mul(half).store_part(to, part);
                }
            }
        }
    }
}

/// The same where all of a place's samples stand in one row. False for a radix without a loop of its own.
#[inline(always)]
fn real_in_row_body<V: Floats>(first: &First, plan: &Batch, layout: &[f32], cells: &mut [Cell]) -> bool {
    match first.radix {
        5 => real_in_row::<V, 5, 2, 1>(first, plan, layout, cells),
        6 => real_in_row::<V, 6, 2, 2>(first, plan, layout, cells),
        7 => real_in_row::<V, 7, 3, 1>(first, plan, layout, cells),
        8 => real_in_row::<V, 8, 3, 2>(first, plan, layout, cells),
        _ => false,
    }
}

fn greatest_common_divisor(a: usize, b: usize) -> usize {
    if b == 0 { a } else { greatest_common_divisor(b, a % b) }
}

/// `OUT` complex parts and `FAR` real ones are what a butterfly leaves.
#[inline(always)]
fn real_in_row<V: Floats, const R: usize, const OUT: usize, const FAR: usize>(
    first: &First,
    plan: &Batch,
    layout: &[f32],
    cells: &mut [Cell],
) -> bool
where
    Formula: RealButterfly<R>,
{
    let Some((paired, _)) = &plan.paired else { return false };
    let (row, pitch, room) = (plan.long.row(), plan.long.pitch(), plan.room());
    let (pair_row, pair_pitch) = (2 * paired.row(), paired.pitch());
    // So many places lie side by side in what goes in pairs and in what does not.
    let run = greatest_common_divisor(greatest_common_divisor(row, pair_row), first.rest);
    if !run.is_multiple_of(2) || first.outputs != OUT {
        return false;
    }
    let (parts, pairs) = cells.split_at_mut(OUT * room);
    let rows = layout.as_chunks::<ROW>().0.as_chunks::<2>().0;
    let weights = first.weights.as_chunks::<2>().0.as_chunks::<R>().0.as_chunks::<2>().0;
    let turns = first.turns.as_chunks::<OUT>().0.as_chunks::<2>().0;
    let half = V::splat(0.5);
    for from in (0..first.rest).step_by(run) {
        let at = from / row * pitch + from % row;
        let mut rest = &mut *parts;
        let outputs: [&mut [[Cell; 2]]; OUT] = std::array::from_fn(|_| {
            let (own, others) = std::mem::take(&mut rest).split_at_mut(room);
            rest = others;
            own[at..at + run].as_chunks_mut::<2>().0
        });
        let mut rest = &mut *pairs;
        let mut begins = 0;
        let reals: [&mut [Cell]; FAR] = std::array::from_fn(|far| {
            let place = from + far * first.rest;
            let at = place / pair_row * pair_pitch + place % pair_row / 2;
            let (own, others) = std::mem::take(&mut rest)[at - begins..].split_at_mut(run / 2);
            (rest, begins) = (others, at + run / 2);
            own
        });
        let two = run / 2;
        let (rows, weights, turns) = (&rows[from / 2..][..two], &weights[from / 2..][..two], &turns[from / 2..][..two]);
        for i in 0..two {
            for side in 0..2 {
                let (row, weights, turns) = (&rows[i][side], &weights[i][side], &turns[i][side]);
                each_part!(V, part, {
                    let mut x = [V::splat(0.0); R];
                    for c in 0..R {
                        let early = V::load_part(sixteen(&row[c..]), part).mul(V::splat(weights[c][0]));
                        let late = V::load_part(sixteen(&row[c + R..]), part).mul(V::splat(weights[c][1]));
                        x[c] = early.add(late);
                    }
                    let (y, z) = <Formula as RealButterfly<R>>::of(x);
                    for k in 0..OUT {
                        z[k].turn(&turns[k]).store(&mut outputs[k][i][side], part);
                    }
                    // Bins of pairs come out doubled.
                    for far in 0..FAR {
                        let cell = &mut reals[far][i];
                        y[far].mul(half).store_part(if side == 0 { &mut cell.re } else { &mut cell.im }, part);
                    }
                });
            }
        }
    }
    true
}

#[inline(always)]
fn enter_complex_body<V: Lanes16>(first: &First, plan: &Batch, re: &[f32], im: &[f32], cells: &mut [Cell]) {
    match first.radix {
        2 => complex::<V::Register, 2>(first, plan, re, im, cells),
        3 => complex::<V::Register, 3>(first, plan, re, im, cells),
        4 => complex::<V::Register, 4>(first, plan, re, im, cells),
        5 => complex::<V::Register, 5>(first, plan, re, im, cells),
        6 => complex::<V::Register, 6>(first, plan, re, im, cells),
        7 => complex::<V::Register, 7>(first, plan, re, im, cells),
        8 => complex::<V::Register, 8>(first, plan, re, im, cells),
        _ => complex::<V::Register, 1>(first, plan, re, im, cells),
    }
}

/// `im` is empty for a real stream that is transformed as a complex one.
#[inline(always)]
fn complex<V: Floats, const R: usize>(first: &First, plan: &Batch, re: &[f32], im: &[f32], cells: &mut [Cell])
where
    Formula: Butterfly<R>,
{
    let (row, pitch) = (plan.long.row(), plan.long.pitch());
    for run in &first.runs {
        for place in run.from..run.to {
            let at = place / row * pitch + place % row;
            let turns = &first.turns[place * (R - 1)..][..R - 1];
            for part in 0..V::PARTS {
                let real: [V; R] = first.inputs(run, place, re, part);
                let mut x = [nothing(); R];
                for (x, re) in x.iter_mut().zip(real) {
                    x.re = re;
                }
                if !im.is_empty() {
                    let imaginary: [V; R] = first.inputs(run, place, im, part);
                    for (x, im) in x.iter_mut().zip(imaginary) {
                        x.im = im;
                    }
                }
                let y = <Formula as Butterfly<R>>::of(x);
                y[0].store(&mut cells[at], part);
                for k in 1..R {
                    y[k].turn(&turns[k - 1]).store(&mut cells[k * plan.room() + at], part);
                }
            }
        }
    }
}
