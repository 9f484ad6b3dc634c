//! The detectors' inner loops: magnitudes, the quasi-peak network, sums, and crests between spectra.
#![allow(clippy::inline_always)]
// Squares of registers and parts of rows go side by side.
#![allow(clippy::needless_range_loop)]

use crate::crest::HEAD;
use crate::lanes::{Floats, Lanes16, WIDTH, each_part, for_each_lanes};
use crate::sheaf::Sheaf;
use crate::short::{Cell, Complex};
use crate::simd::{LANES, Lanes};
use crate::weighting::CONDUCTION_CUBIC;

/// Magnitudes of sixteen spectra at one group's bins.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
pub(crate) struct Envelopes {
    pub(crate) magnitude: [Lanes; WIDTH],
    /// The highest magnitudes of the first [`HEAD`], and of the last of these and the others (of those that count).
    pub(crate) top: [Lanes; 2],
}

impl Envelopes {
    pub(crate) fn new() -> Self {
        Self { magnitude: [[0.0; LANES]; WIDTH], top: [[0.0; LANES]; 2] }
    }
}

/// Detector states and running sums of one group of bins.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
pub(crate) struct Weighting {
    pub(crate) v: Lanes,
    /// What rounding has cut off from `v`: over many small steps it would change the discharge time by a per cent.
    pub(crate) v_rest: Lanes,
    /// Charging current at the last spectrum.
    pub(crate) current: Lanes,
    pub(crate) peak: Lanes,
    pub(crate) sum_e: Lanes,
    pub(crate) sum_e2: Lanes,
    pub(crate) sum_v: Lanes,
}

impl Weighting {
    pub(crate) fn new() -> Self {
        let z = [0.0; LANES];
        Self { v: z, v_rest: z, current: z, peak: z, sum_e: z, sum_e2: z, sum_v: z }
    }
}

/// The quasi-peak constants for one spectrum step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ChargeLaw {
    /// attack·dt/π; 0 where the band has no quasi-peak detector.
    pub(crate) attack: f32,
    /// What a discharging capacitor loses over dt.
    pub(crate) loss: f32,
}

for_each_lanes! {
    /// Magnitudes of the first `rows` of sixteen spectra.
    fn envelopes / envelopes_body(cells: &[Cell], rows: usize, out: &mut Envelopes);
    /// Rows `from..to` of magnitudes through the detectors, but for the peak.
    fn detect / detect_body(state: &mut Weighting, e: &Envelopes, from: usize, to: usize, law: &ChargeLaw);
    /// The same with the quasi-peak network alone.
    fn capacitor / capacitor_body(state: &mut Weighting, e: &Envelopes, from: usize, to: usize, law: &ChargeLaw);
    /// The states at the first output: nothing has moved yet, half a step's share goes to the sums.
    fn begin / begin_body(state: &mut Weighting, e: &Envelopes);
    /// Magnitudes of those of sixteen spectra that are `wanted`, spectrum after spectrum, for whole vectors of bins.
    fn magnitude_rows / magnitude_rows_body(sheaf: &Sheaf, wanted: &[usize], rows: &mut [Vec<f32>; WIDTH]);
}

/// Lanes `16·i..` of a group.
#[inline(always)]
fn part(x: &Lanes, i: usize) -> &[f32; WIDTH] {
    x[i * WIDTH..].first_chunk().unwrap_or(&[0.0; WIDTH])
}

#[inline(always)]
fn load<V: Lanes16>(x: &Lanes, i: usize) -> V {
    V::load(part(x, i))
}

#[inline(always)]
fn store<V: Lanes16>(v: V, x: &mut Lanes, i: usize) {
    if let Some(x) = x[i * WIDTH..].first_chunk_mut() {
        v.store(x);
    }
}

/// Powers at sixteen bins: one vector for each spectrum.
#[inline(always)]
fn powers<V: Lanes16>(cells: &[Cell]) -> [V; WIDTH] {
    let mut power = [V::splat(0.0); WIDTH];
    for (p, c) in power.iter_mut().zip(cells) {
        let (re, im) = (V::load(&c.re), V::load(&c.im));
        *p = re.mul(re).add(im.mul(im));
    }
    V::transpose(&mut power);
    power
}

#[inline(always)]
fn envelopes_body<V: Lanes16>(cells: &[Cell], rows: usize, out: &mut Envelopes) {
    let Some(cells) = cells.first_chunk::<LANES>() else { return };
    let (zero, width) = (V::Register::splat(0.0), WIDTH / V::Register::PARTS);
    for i in 0..LANES / width {
        // So many frequencies, the part `i` of a vector's.
        let (vector, own) = (i * width / WIDTH * WIDTH, i % V::Register::PARTS);
        let mut top = [zero; 2];
        each_part!(V::Register, part, {
            let mut power = [zero; WIDTH];
            for k in 0..width {
                let Complex { re, im } = Complex::<V::Register>::load(&cells[i * width + k], part);
                power[k] = re.mul(re).add(im.mul(im));
            }
            V::turn_square(&mut power);
            for k in 0..width {
                let (j, e) = (part * width + k, power[k].sqrt());
                if let Some(to) = out.magnitude[j][vector..].first_chunk_mut() {
                    e.store_part(to, own);
                }
                if j < rows {
                    if j < HEAD {
                        top[0] = e.max(top[0]);
                    }
                    // The last of the first ones too: a crest may lie between it and the next.
                    if j + 1 >= HEAD {
                        top[1] = e.max(top[1]);
                    }
                }
            }
        });
        for (top, to) in top.into_iter().zip(&mut out.top) {
            if let Some(to) = to[vector..].first_chunk_mut() {
                top.store_part(to, own);
            }
        }
    }
}

#[inline(always)]
fn magnitude_rows_body<V: Lanes16>(sheaf: &Sheaf, wanted: &[usize], rows: &mut [Vec<f32>; WIDTH]) {
    for (i, cells) in sheaf.groups().flat_map(|g| g.chunks_exact(WIDTH)).enumerate() {
        if wanted.len() > FEW {
            let power: [V; WIDTH] = powers(cells);
            for r in wanted {
                if let Some(to) = rows[*r][i * WIDTH..].first_chunk_mut() {
                    power[*r].sqrt().store(to);
                }
            }
            continue;
        }
        for r in wanted {
            let mut x = [[0.0; WIDTH]; 2];
            for (k, c) in cells.iter().enumerate() {
                (x[0][k], x[1][k]) = (c.re[*r], c.im[*r]);
            }
            let (re, im) = (V::load(&x[0]), V::load(&x[1]));
            if let Some(to) = rows[*r][i * WIDTH..].first_chunk_mut() {
                re.mul(re).add(im.mul(im)).sqrt().store(to);
            }
        }
    }
}

/// Of so few spectra the magnitudes are sooner taken one by one than all turned round together.
const FEW: usize = 3;

/// Current into the capacitor for carrier amplitude `e` over voltage `v`, up to the attack constant, and how much it falls
/// for a rise of `v` (but for the cubic's own slope, 4 % of it at most).
#[inline(always)]
fn current<V: Floats>(e: V, v: V) -> (V, V) {
    let w = e.sub(v).max(V::splat(0.0));
    // Of silence nothing flows.
    let r = w.div(e.max(V::splat(1e-37)));
    let [c0, c1, c2, c3] = CONDUCTION_CUBIC;
    let cubic = V::splat(c3).mul(r).add(V::splat(c2)).mul(r).add(V::splat(c1)).mul(r).add(V::splat(c0));
    let conductance = r.sqrt().mul(cubic);
    (w.mul(conductance), conductance.mul(V::splat(1.5)))
}

#[inline(always)]
fn begin_body<V: Lanes16>(state: &mut Weighting, e: &Envelopes) {
    let half = V::splat(0.5);
    for i in 0..LANES / WIDTH {
        let (now, v) = (load::<V>(&e.magnitude[0], i), load::<V>(&state.v, i));
        store(current(now, v).0, &mut state.current, i);
        store(load::<V>(&state.sum_e, i).add(now.mul(half)), &mut state.sum_e, i);
        store(load::<V>(&state.sum_e2, i).add(now.mul(now).mul(half)), &mut state.sum_e2, i);
        store(load::<V>(&state.sum_v, i).add(v.mul(half)), &mut state.sum_v, i);
    }
}

#[inline(always)]
fn detect_body<V: Lanes16>(state: &mut Weighting, e: &Envelopes, from: usize, to: usize, law: &ChargeLaw) {
    for i in 0..LANES / WIDTH {
        sums::<V>(state, e, from, to, i);
    }
    if law.attack != 0.0 {
        capacitor_body::<V>(state, e, from, to, law);
    }
}

#[inline(always)]
fn capacitor_body<V: Lanes16>(state: &mut Weighting, e: &Envelopes, from: usize, to: usize, law: &ChargeLaw) {
    for i in (0..LANES / WIDTH * V::Register::PARTS).step_by(TOGETHER) {
        weigh::<V::Register>(state, e, from, to, law, i);
    }
}

/// Registers of bins that go through the network side by side: each step waits for the one before.
const TOGETHER: usize = 4;

/// Sums of the magnitudes and of their squares.
#[inline(always)]
fn sums<V: Lanes16>(state: &mut Weighting, e: &Envelopes, from: usize, to: usize, i: usize) {
    let mut sum_e: V = load(&state.sum_e, i);
    let mut sum_e2: V = load(&state.sum_e2, i);
    for e in &e.magnitude[from..to] {
        let now: V = load(e, i);
        sum_e = sum_e.add(now);
        sum_e2 = sum_e2.add(now.mul(now));
    }
    store(sum_e, &mut state.sum_e, i);
    store(sum_e2, &mut state.sum_e2, i);
}

/// Registers number `i..` of a group.
#[inline(always)]
fn load_some<V: Floats>(x: &Lanes, i: usize) -> [V; TOGETHER] {
    let mut some = [V::splat(0.0); TOGETHER];
    for (m, v) in some.iter_mut().enumerate() {
        *v = V::load_part(part(x, (i + m) / V::PARTS), (i + m) % V::PARTS);
    }
    some
}

#[inline(always)]
fn store_some<V: Floats>(some: [V; TOGETHER], x: &mut Lanes, i: usize) {
    for (m, v) in some.into_iter().enumerate() {
        if let Some(x) = x[(i + m) / V::PARTS * WIDTH..].first_chunk_mut() {
            v.store_part(x, (i + m) % V::PARTS);
        }
    }
}

/// The quasi-peak network at some registers of bins, from number `i` on.
#[inline(always)]
fn weigh<V: Floats>(state: &mut Weighting, e: &Envelopes, from: usize, to: usize, law: &ChargeLaw, i: usize) {
    let zero = V::splat(0.0);
    let (attack, loss, half) = (V::splat(law.attack), V::splat(law.loss), V::splat(0.5 * law.attack));
    let keep = V::splat(1.0 - law.loss);
    let mut sum_v: [V; TOGETHER] = load_some(&state.sum_v, i);
    let mut v: [V; TOGETHER] = load_some(&state.v, i);
    let mut rest: [V; TOGETHER] = load_some(&state.v_rest, i);
    let mut first: [V; TOGETHER] = load_some(&state.current, i);
    for row in from..to {
        let now: [V; TOGETHER] = load_some(&e.magnitude[row], i);
        for m in 0..TOGETHER {
            // Heun's rule, one evaluation a step: foresee the voltage with the last current, take the current there, and
            // go on with the mean of the two. Corrected to the voltage reached, it serves the next step.
            let fall = v[m].mul(loss);
            let foreseen = v[m].sub(fall).add(first[m].mul(attack));
            // Most of the time nothing flows anywhere; what is left out then would come to exactly nothing.
            let flows = now[m].any_above(foreseen);
            let (second, slope) = if flows { current(now[m], foreseen) } else { (zero, zero) };
            let change = half.mul(first[m].mul(keep).add(second)).sub(fall).add(rest[m]);
            let moved = v[m].add(change);
            rest[m] = change.sub(moved.sub(v[m]));
            v[m] = moved;
            first[m] = if flows { second.sub(slope.mul(moved.sub(foreseen))).max(zero) } else { zero };
            sum_v[m] = sum_v[m].add(moved);
        }
    }
    store_some(sum_v, &mut state.sum_v, i);
    store_some(v, &mut state.v, i);
    store_some(rest, &mut state.v_rest, i);
    store_some(first, &mut state.current, i);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simd::InstructionSet;

    /// Numbers between −1 and 1, the same on every machine.
    fn number(i: usize) -> f32 {
        let h = (i as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let h = (h ^ (h >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        ((h >> 40) as f32) / (1 << 23) as f32 - 1.0
    }

    /// A sheaf at one group's bins, of sizes spread over 100 dB.
    fn sheaf(seed: usize) -> Vec<Cell> {
        let size = |i: usize| 10f32.powf(-5.0 * number(7 * i).abs());
        (0..LANES)
            .map(|i| Cell {
                re: std::array::from_fn(|r| size(i) * number(seed + i * 100 + r)),
                im: std::array::from_fn(|r| size(i) * number(seed + i * 100 + 50 + r)),
            })
            .collect()
    }

    #[test]
    fn every_instruction_set_gives_the_same_bits() {
        // What goes in is worked out once: where powers are not the same each time, as under Miri, the bits still are to be.
        let (before, now) = (sheaf(1), sheaf(9000));
        let run = |set: InstructionSet, attack: f32| {
            let (mut state, mut e) = (Weighting::new(), Box::new(Envelopes::new()));
            let law = ChargeLaw { attack, loss: 2.3e-4 };
            envelopes(set, &before, WIDTH, &mut e);
            begin(set, &mut state, &e);
            detect(set, &mut state, &e, 1, WIDTH, &law);
            envelopes(set, &now, 13, &mut e);
            detect(set, &mut state, &e, 0, 13, &law);
            let mut rows: [Vec<f32>; WIDTH] = std::array::from_fn(|_| vec![0.0; LANES]);
            let wanted: Vec<usize> = (0..WIDTH).collect();
            let all = Sheaf::of(&now);
            magnitude_rows(set, &all, &wanted[..13], &mut rows);
            magnitude_rows(set, &all, &wanted[13..], &mut rows);
            let Weighting { v, v_rest, current, peak, sum_e, sum_e2, sum_v } = state;
            let all = [v, v_rest, current, peak, sum_e, sum_e2, sum_v];
            let all = all.iter().flatten().chain(rows.iter().flatten());
            all.map(|x| x.to_bits()).collect::<Vec<u32>>()
        };
        for attack in [0.0, 0.047] {
            let plain = run(InstructionSet::Plain, attack);
            for set in InstructionSet::available() {
                assert!(run(set, attack) == plain, "{} differs from plain", set.name());
            }
        }
    }

    #[test]
    fn magnitudes_are_roots_of_powers() {
        let cells = sheaf(3);
        for set in InstructionSet::available() {
            let mut e = Box::new(Envelopes::new());
            envelopes(set, &cells, 5, &mut e);
            for (i, c) in cells.iter().enumerate() {
                let exact = |r: usize| f64::from(c.re[r]).hypot(f64::from(c.im[r]));
                for r in 0..WIDTH {
                    assert!((f64::from(e.magnitude[r][i]) / exact(r) - 1.0).abs() < 5e-7);
                }
                assert!(e.top[0][i].max(e.top[1][i]) == (0..5).map(|r| e.magnitude[r][i]).fold(0.0, f32::max));
            }
            // Silence stays silence.
            envelopes(set, &[Cell::ZERO; LANES], WIDTH, &mut e);
            assert!(e.magnitude.iter().flatten().all(|m| *m == 0.0));
        }
    }
}
