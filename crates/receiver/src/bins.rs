//! A group of neighbouring frequencies on its way through the detectors and meters.
// Loops over lanes touch many arrays side by side.
#![allow(clippy::needless_range_loop)]

use std::collections::VecDeque;

use standards::Band;

use crate::detectors::{self, ChargeLaw, Envelopes, TAPS, Weighting};
use crate::fft::Cell;
use crate::simd::{self, InstructionSet, LANES, Lanes, Meter, WideLanes};
use crate::weighting::{Charge, MeterStep};

/// What all groups share.
#[derive(Debug, Clone)]
pub(crate) struct Constants {
    pub(crate) set: InstructionSet,
    pub(crate) charge: Option<Charge>,
    law: ChargeLaw,
    /// Weights of eight spectra on either side of a place half way between two.
    kernel: [f32; TAPS],
    /// Time between spectra, s.
    pub(crate) hop_s: f64,
    meter_s: f64,
    /// Spectra in the window of the RMS-average detector, and as a whole number.
    window: f64,
    spectra_in_window: usize,
    /// Blocks in it.
    blocks: usize,
    /// Least spectra in a block; the meters move once a block.
    short_block: usize,
    /// The meters' movement over such a block, and over one of a spectrum more.
    steps: [MeterStep; 2],
}

impl Constants {
    /// `hop_s` between spectra, `sigma_s` the filter's standard deviation.
    pub(crate) fn new(band: Band, hop_s: f64, sigma_s: f64, set: InstructionSet) -> Self {
        let charge = Charge::of(band);
        let law = charge.map_or(ChargeLaw { attack: 0.0, loss: 0.0 }, |c| ChargeLaw {
            attack: (c.attack * hop_s / std::f64::consts::PI) as f32,
            loss: -(-c.release * hop_s).exp_m1() as f32,
        });
        let window = 1.0 / band.rms_corner_hz() / hop_s;
        let blocks = ((window / BLOCK_SPECTRA) as usize).clamp(WINDOW_BLOCKS[0], WINDOW_BLOCKS[1]);
        let short_block = ((window / blocks as f64).floor() as usize).max(1);
        let step = |n: usize| MeterStep::new(n as f64 * hop_s, band.meter_s());
        let mut constants = Self {
            set,
            charge,
            law,
            kernel: half_way_kernel(hop_s / sigma_s),
            hop_s,
            meter_s: band.meter_s(),
            window,
            spectra_in_window: 0,
            blocks,
            short_block,
            steps: [step(short_block), step(short_block + 1)],
        };
        constants.spectra_in_window = (0..blocks as u64).map(|k| constants.block(k)).sum();
        constants
    }

    /// Spectra in block `k`: blocks differ by one so that the window is a whole number of them.
    fn block(&self, k: u64) -> usize {
        let end = |k: u64| (k as f64 * self.window / self.blocks as f64).round() as u64;
        ((end(k + 1) - end(k)) as usize).clamp(self.short_block, self.short_block + 1)
    }
}

/// Fewest and most blocks in the window of the RMS-average detector: the steps in which it slides. More than the fewest
/// only where each is still this many spectra long.
const WINDOW_BLOCKS: [usize; 2] = [20, 40];
const BLOCK_SPECTRA: f64 = 32.0;

/// Flat part of the spectrum that the interpolation is made for, against the filter's own shape, and how far it reaches
/// (of half the spectra's rate): what stands far off tune but is tens of decibels stronger is interpolated too.
const OFF_TUNE: (f64, f64) = (1e-5, 0.9);

/// Least-squares interpolation half way between spectra of what a Gaussian filter passes: neighbouring outputs are
/// correlated as exp(−τ²/4σ²), and the weights solve the normal equations for that correlation with a little of a flat
/// spectrum added. `hop` in standard deviations.
fn half_way_kernel(hop: f64) -> [f32; TAPS] {
    let place = |i: usize| (i as f64 + 0.5 - TAPS as f64 / 2.0) * hop;
    let rho = |tau: f64| {
        let x = std::f64::consts::PI * OFF_TUNE.1 * tau / hop;
        (-tau * tau / 4.0).exp() + OFF_TUNE.0 * if x == 0.0 { 1.0 } else { x.sin() / x }
    };
    let mut m = [[0.0_f64; TAPS + 1]; TAPS];
    for (i, row) in m.iter_mut().enumerate() {
        for (j, x) in row.iter_mut().enumerate().take(TAPS) {
            *x = rho(place(i) - place(j)) + if i == j { 1e-12 } else { 0.0 };
        }
        row[TAPS] = rho(place(i));
    }
    // Gauss–Jordan; the matrix is positive definite, so no pivoting is needed.
    for i in 0..TAPS {
        let pivot = m[i];
        for (r, row) in m.iter_mut().enumerate() {
            if r != i {
                let factor = row[i] / pivot[i];
                for (x, p) in row.iter_mut().zip(pivot) {
                    *x -= factor * p;
                }
            }
        }
    }
    std::array::from_fn(|i| (m[i][TAPS] / m[i][i]) as f32)
}

/// Where the detectors and meters of a group stand between two passes.
#[derive(Debug, Clone)]
struct Standing {
    v: Lanes,
    meters: [([f64; LANES], [f64; LANES]); 3],
}

/// States of one group.
pub(crate) struct Group {
    weighting: Weighting,
    /// Magnitudes of the last spectrum, and the highest of the last sheaf.
    last: Lanes,
    last_top: Lanes,
    /// Average of the envelope, of the sliding r.m.s. value and of the capacitor's voltage.
    meters: [Meter; 3],
    /// Sums of squares of the blocks in the window of the RMS-average detector and the spectra they stand for, the oldest
    /// first. Together they are always one window long: of the oldest block only a part may be left.
    ring: VecDeque<(usize, Lanes)>,
    /// Sum over them, and the r.m.s. value at the end of the last block.
    ring_sum: WideLanes,
    root: WideLanes,
    /// Blocks since the pass began, spectra in the present one, and how many it will have.
    block: u64,
    filled: usize,
    full: usize,
    /// At the start of this pass.
    began: Standing,
    /// The capacitor's voltage at the start and end of the pass before this one.
    before: Option<(Lanes, Lanes)>,
}

impl Group {
    pub(crate) fn new(c: &Constants) -> Self {
        let weighting = Weighting::new();
        let meters = [Meter::new(), Meter::new(), Meter::new()];
        let began = standing(&weighting, &meters);
        Self {
            weighting,
            last: [0.0; LANES],
            last_top: [0.0; LANES],
            meters,
            ring: (0..c.blocks).map(|k| (c.block(k as u64), [0.0; LANES])).collect(),
            ring_sum: [0.0; LANES],
            root: [0.0; LANES],
            block: 0,
            filled: 0,
            full: c.block(0),
            began,
            before: None,
        }
    }

    /// The first `rows` spectra of a sheaf, which begins with spectrum number `first` of this pass. `now` holds this
    /// group's bins, `before` those of the sheaf before; `track` says from which spectrum on the meters' maxima count;
    /// `crests` whether peaks between spectra are sought. `e` takes the magnitudes.
    pub(crate) fn run(
        &mut self,
        c: &Constants,
        first: u64,
        rows: usize,
        before: Option<&[Cell]>,
        now: &[Cell],
        pass: (u64, bool),
        e: &mut Envelopes,
    ) {
        let (track, crests) = pass;
        detectors::envelopes(c.set, now, rows, e);
        for (peak, top) in self.weighting.peak.iter_mut().zip(&e.top) {
            *peak = if *top > *peak { *top } else { *peak };
        }
        let mut row = 0;
        if first == 0 {
            detectors::begin(c.set, &mut self.weighting, e);
            row = 1;
        }
        while row < rows {
            let end = rows.min(row + self.full - self.filled);
            detectors::detect(c.set, &mut self.weighting, e, row, end, &c.law);
            self.filled += end - row;
            row = end;
            if self.filled == self.full {
                self.last = e.magnitude[row - 1];
                // Trapezoidal rule: half of the block's last spectrum belongs to the next block.
                let half = self.take_half();
                self.flush(c, self.full, first + row as u64 > track);
                self.block += 1;
                self.full = c.block(self.block);
                self.give_back(&half);
            }
        }
        self.last = e.magnitude[rows - 1];
        if let Some(before) = before
            && crests
        {
            let top: Lanes = std::array::from_fn(|i| self.last_top[i].max(e.top[i]));
            detectors::crests(c.set, &mut self.weighting.peak, &top, before, now, rows, &c.kernel);
        }
        self.last_top = e.top;
    }

    fn take_half(&mut self) -> [Lanes; 3] {
        let w = &mut self.weighting;
        let mut half = [[0.0; LANES]; 3];
        for i in 0..LANES {
            let e = self.last[i];
            half[0][i] = 0.5 * e;
            half[1][i] = 0.5 * e * e;
            half[2][i] = 0.5 * w.v[i];
            w.sum_e[i] -= half[0][i];
            w.sum_e2[i] -= half[1][i];
            w.sum_v[i] -= half[2][i];
        }
        half
    }

    fn give_back(&mut self, half: &[Lanes; 3]) {
        self.weighting.sum_e = half[0];
        self.weighting.sum_e2 = half[1];
        self.weighting.sum_v = half[2];
    }

    /// Hands `count` spectra's sums to the meters.
    fn flush(&mut self, c: &Constants, count: usize, track: bool) {
        let step = match count.checked_sub(c.short_block) {
            Some(more @ 0..=1) => c.steps[more],
            _ => MeterStep::new(count as f64 * c.hop_s, c.meter_s),
        };
        let n = count as f64;
        let w = &self.weighting;
        // As many spectra leave the window as come in.
        let mut leaving = count;
        while let Some((held, sum)) = self.ring.front_mut() {
            let left = held.saturating_sub(leaving);
            simd::leave(c.set, &mut self.ring_sum, sum, left as f64 / *held as f64);
            leaving -= *held - left;
            *held = left;
            if left > 0 {
                break;
            }
            self.ring.pop_front();
            if leaving == 0 {
                break;
            }
        }
        self.ring.push_back((count, w.sum_e2));
        simd::enter(c.set, &mut self.ring_sum, &w.sum_e2);
        let mut x = [0.0; LANES];
        simd::scaled(c.set, &mut x, &w.sum_e, 1.0 / n);
        simd::move_meter(c.set, &mut self.meters[0], &x, step.f, step.g, track);
        // The r.m.s. value moves over the block: its mean is the meter's input.
        simd::root(c.set, &mut x, &mut self.root, &self.ring_sum, 1.0 / c.spectra_in_window as f64);
        simd::move_meter(c.set, &mut self.meters[1], &x, step.f, step.g, track);
        if c.charge.is_some() {
            simd::scaled(c.set, &mut x, &self.weighting.sum_v, 1.0 / n);
            simd::move_meter(c.set, &mut self.meters[2], &x, step.f, step.g, track);
        }
        self.filled = 0;
        self.weighting.sum_e = [0.0; LANES];
        self.weighting.sum_e2 = [0.0; LANES];
        self.weighting.sum_v = [0.0; LANES];
    }

    /// The end of a pass: what is left of a block goes to the meters.
    pub(crate) fn finish(&mut self, c: &Constants, track: bool) {
        if self.filled > 0 {
            // A block cut short by the end of the record.
            self.take_half();
            self.flush(c, self.filled, track);
        }
        self.block = 0;
        self.full = c.block(0);
        self.filled = 0;
        self.give_back(&[[0.0; LANES]; 3]);
    }

    /// Prepares the next pass over the same record, `spectra` long, so that it ends as it begins. Returns the largest
    /// relative distance between this pass's ends.
    pub(crate) fn close_ring(&mut self, c: &Constants, spectra: u64) -> f64 {
        let mut worst = 0.0_f64;
        let whole = MeterStep::new((spectra - 1) as f64 * c.hop_s, c.meter_s);
        let ended = standing(&self.weighting, &self.meters);
        for i in 0..LANES {
            if c.charge.is_some() {
                let (v0, v1) = (f64::from(self.began.v[i]), f64::from(ended.v[i]));
                let size = v0.max(v1).max(f64::from(self.weighting.peak[i]) * 1e-4).max(1e-12);
                worst = worst.max((v1 - v0).abs() / size);
                // Secant through the last two passes: the end as a function of the start is smooth, and flatter than 1.
                let mut next = v1;
                if let Some((b0, b1)) = &self.before {
                    let (b0, b1) = (f64::from(b0[i]), f64::from(b1[i]));
                    let slope = if (v0 - b0).abs() > 1e-7 * size { (v1 - b1) / (v0 - b0) } else { 0.0 };
                    if (0.0..0.999_99).contains(&slope) {
                        next = v0 + (v1 - v0) / (1.0 - slope);
                    }
                    next = next.clamp(0.0, f64::from(self.weighting.peak[i]));
                }
                self.weighting.v[i] = next as f32;
                self.weighting.v_rest[i] = 0.0;
            }
            for (m, meter) in self.meters.iter_mut().enumerate() {
                let (y0, d0) = (self.began.meters[m].0[i], self.began.meters[m].1[i]);
                let (y1, d1) = (ended.meters[m].0[i], ended.meters[m].1[i]);
                let size = y0.abs().max(y1.abs()).max(1e-12);
                worst = worst.max((y1 - y0).abs() / size).max((d1 - d0).abs() * c.meter_s / size);
                [meter.y[i], meter.dy[i]] = whole.periodic([y0, d0], [y1, d1]);
            }
        }
        if c.charge.is_some() {
            self.before = Some((self.began.v, ended.v));
        }
        self.began = standing(&self.weighting, &self.meters);
        worst
    }

    /// For a record longer than the detectors remember: the next pass goes on where this one stopped.
    pub(crate) fn carry_on(&mut self) {
        self.began = standing(&self.weighting, &self.meters);
    }

    /// Forgets the highest deflections so far.
    pub(crate) fn forget_tops(&mut self) {
        for m in &mut self.meters {
            m.top = [0.0; LANES];
        }
    }

    /// Peak, quasi-peak, CISPR-average and RMS-average of every bin, V.
    pub(crate) fn readings(&self, c: &Constants) -> [WideLanes; 4] {
        let last = c.charge.map_or(1.0, |c| c.last);
        [
            std::array::from_fn(|i| f64::from(self.weighting.peak[i])),
            std::array::from_fn(|i| self.meters[2].top[i] / last),
            self.meters[0].top,
            self.meters[1].top,
        ]
    }
}

fn standing(w: &Weighting, meters: &[Meter; 3]) -> Standing {
    Standing { v: w.v, meters: std::array::from_fn(|m| (meters[m].y, meters[m].dy)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lanes::WIDTH;
    use crate::plan::HOP_SIGMA;

    #[test]
    fn a_steady_carrier_has_no_crests() {
        // Equal magnitudes but for rounding, turning by some angle from spectrum to spectrum: nothing stands between them.
        let kernel = half_way_kernel(HOP_SIGMA);
        for set in InstructionSet::available() {
            for turn in 0..400 {
                let angle = |i: usize, r: usize| (0.004 * f64::from(turn)) * r as f64 + 0.37 * i as f64;
                let cells = |first: usize| -> Vec<Cell> {
                    let row = |f: fn(f64) -> f64, i: usize| std::array::from_fn(|r| f(angle(i, first + r)) as f32);
                    (0..LANES).map(|i| Cell { re: row(f64::cos, i), im: row(f64::sin, i) }).collect()
                };
                let mut peak = [1.0; LANES];
                detectors::crests(set, &mut peak, &[1.0; LANES], &cells(0), &cells(WIDTH), WIDTH, &kernel);
                assert!(peak.iter().all(|p| *p < 1.002), "{} {turn}: {peak:?}", set.name());
            }
        }
    }
}
