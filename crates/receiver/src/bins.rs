//! A group of neighbouring frequencies on its way through the detectors and meters.
// Loops over lanes touch many arrays side by side.
#![allow(clippy::needless_range_loop)]

use std::collections::VecDeque;

use standards::Band;

use crate::crest::{self, Between, Grid};
use crate::detectors::{self, ChargeLaw, Envelopes, Weighting};
use crate::settle::{Kept, Search};
use crate::sheaf::Sheaf;
use crate::simd::{self, InstructionSet, LANES, Lanes, Meter, WideLanes};
use crate::weighting::{Charge, MeterStep};

/// What all groups share.
#[derive(Debug, Clone)]
pub(crate) struct Constants {
    pub(crate) set: InstructionSet,
    pub(crate) charge: Option<Charge>,
    pub(crate) law: ChargeLaw,
    /// How peaks between spectra are found.
    between: Between,
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
    /// `hop_s` between spectra.
    pub(crate) fn new(band: Band, hop_s: f64, grid: &Grid, set: InstructionSet) -> Self {
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
            between: Between::new(grid),
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

/// Times that kept magnitudes are gone through at most.
const MOST_REPETITIONS: usize = 40;

/// What the meters of a group are moved by over one block, and for how many spectra.
pub(crate) struct Moved {
    count: usize,
    inputs: [WideLanes; 3],
}

/// States of one group.
pub(crate) struct Group {
    pub(crate) weighting: Weighting,
    /// Magnitudes of the last spectrum, and the highest of the last sheaf that are still to be looked round.
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
    /// The meters at the start of this pass.
    began: [(WideLanes, WideLanes); 3],
    /// For the capacitor's voltage at which a pass ends as it begins.
    pub(crate) search: Box<Search>,
    /// Magnitudes of the first pass, where they are kept.
    pub(crate) kept: Option<Kept>,
    /// What moved the meters, where that is to be kept.
    moved: Option<Vec<Moved>>,
    /// Number of the spectrum at (or beside) which each bin's peak stands, where that is asked for.
    pub(crate) peak_at: [Option<u64>; LANES],
}

/// What a pass asks of the groups.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wanted {
    /// From which spectrum on the meters' maxima count.
    pub(crate) track: u64,
    /// Peaks between spectra.
    pub(crate) crests: bool,
    /// When each peak stood: the number of the pass's first spectrum on the count that is asked for.
    pub(crate) peaks_from: Option<u64>,
}

impl Group {
    pub(crate) fn new(c: &Constants) -> Self {
        Self {
            weighting: Weighting::new(),
            last: [0.0; LANES],
            last_top: [0.0; LANES],
            meters: [Meter::new(), Meter::new(), Meter::new()],
            ring: (0..c.blocks).map(|k| (c.block(k as u64), [0.0; LANES])).collect(),
            ring_sum: [0.0; LANES],
            root: [0.0; LANES],
            block: 0,
            filled: 0,
            full: c.block(0),
            began: [([0.0; LANES], [0.0; LANES]); 3],
            search: Box::new(Search::new()),
            kept: None,
            moved: None,
            peak_at: [None; LANES],
        }
    }

    /// The first `rows` spectra of a sheaf, which begins with spectrum number `first` of this pass. The group begins with
    /// frequency number `begins`; `now` holds all bins, `before` those of the sheaf before. `e` takes the magnitudes.
    pub(crate) fn run(
        &mut self,
        c: &Constants,
        begins: usize,
        first: u64,
        rows: usize,
        before: Option<&Sheaf>,
        now: &Sheaf,
        wanted: Wanted,
        e: &mut Envelopes,
    ) {
        let Wanted { track, crests, peaks_from } = wanted;
        let peaks_before = self.weighting.peak;
        detectors::envelopes(c.set, now.group(begins / LANES), rows, e);
        for (peak, top) in self.weighting.peak.iter_mut().zip(e.top[0].iter().zip(&e.top[1])) {
            *peak = peak.max(top.0.max(*top.1));
        }
        if let Some(kept) = &mut self.kept
            && !kept.push(c.set, &e.magnitude[..rows])
        {
            self.kept = None;
        }
        self.advance(c, first, rows, track, e);
        if crests {
            let top: Lanes = std::array::from_fn(|i| self.last_top[i].max(e.top[0][i]));
            crest::crests(c.set, &mut self.weighting.peak, &top, begins, before, now, rows, &c.between);
        }
        self.last_top = e.top[1];
        if let Some(counted) = peaks_from {
            for i in 0..LANES {
                if self.weighting.peak[i] > peaks_before[i] {
                    let highest = crest::highest_at(begins + i, before, now, rows);
                    self.peak_at[i] = (counted + first).checked_add_signed(highest);
                }
            }
        }
    }

    /// Magnitudes through the quasi-peak network and the sums to the meters.
    pub(crate) fn advance(&mut self, c: &Constants, first: u64, rows: usize, track: u64, e: &Envelopes) {
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
        let n = count as f64;
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
        let w = &self.weighting;
        self.ring.push_back((count, w.sum_e2));
        simd::enter(c.set, &mut self.ring_sum, &w.sum_e2);
        let mut moved = Moved { count, inputs: [[0.0; LANES]; 3] };
        let [average, rms, quasi_peak] = &mut moved.inputs;
        simd::scaled(c.set, average, &w.sum_e, 1.0 / n);
        // The r.m.s. value moves over the block: its mean is the meter's input.
        simd::root(c.set, rms, &mut self.root, &self.ring_sum, 1.0 / c.spectra_in_window as f64);
        simd::scaled(c.set, quasi_peak, &w.sum_v, 1.0 / n);
        self.move_meters(c, &moved, track);
        if let Some(all) = &mut self.moved {
            all.push(moved);
        }
        self.filled = 0;
        self.weighting.sum_e = [0.0; LANES];
        self.weighting.sum_e2 = [0.0; LANES];
        self.weighting.sum_v = [0.0; LANES];
    }

    fn move_meters(&mut self, c: &Constants, moved: &Moved, track: bool) {
        let step = match moved.count.checked_sub(c.short_block) {
            Some(more @ 0..=1) => c.steps[more],
            _ => MeterStep::new(moved.count as f64 * c.hop_s, c.meter_s),
        };
        let meters = if c.charge.is_some() { 3 } else { 2 };
        for (meter, x) in self.meters[..meters].iter_mut().zip(&moved.inputs) {
            simd::move_meter(c.set, meter, x, step.f, step.g, track);
        }
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

    /// Prepares the next pass over the same record, `spectra` long, so that it ends as it begins. Returns how far the
    /// start of the pass that is over was, relatively, from the one that comes back to itself.
    pub(crate) fn close_ring(&mut self, c: &Constants, spectra: u64) -> f64 {
        let mut worst = self.fill_window(c, spectra);
        if let Some(charge) = &c.charge {
            worst = worst.max(self.next_voltage(charge, c, spectra));
        }
        worst.max(self.close_meters(c, spectra))
    }

    /// The next start of the search for the capacitor's voltage.
    pub(crate) fn next_voltage(&mut self, charge: &Charge, c: &Constants, spectra: u64) -> f64 {
        let kept = (-charge.release * (spectra - 1) as f64 * c.hop_s).exp();
        let w = &mut self.weighting;
        let worst = self.search.next(&mut w.v, &w.peak, kept);
        w.v_rest = [0.0; LANES];
        worst
    }

    /// Moves the meters to where the pass that is over ends as it begins.
    fn close_meters(&mut self, c: &Constants, spectra: u64) -> f64 {
        let mut worst = 0.0_f64;
        let whole = MeterStep::new((spectra - 1) as f64 * c.hop_s, c.meter_s);
        for (meter, (began, began_d)) in self.meters.iter_mut().zip(&mut self.began) {
            for i in 0..LANES {
                let (y, d) = (began[i], began_d[i]);
                [meter.y[i], meter.dy[i]] = whole.periodic([y, d], [meter.y[i], meter.dy[i]]);
                let size = y.abs().max(meter.y[i].abs()).max(1e-12);
                worst = worst.max((meter.y[i] - y).abs() / size).max((meter.dy[i] - d).abs() * c.meter_s / size);
            }
            (*began, *began_d) = (meter.y, meter.dy);
        }
        worst
    }

    /// After a pass that was shorter than the window of the RMS-average detector: fills the window with repetitions of it.
    /// Returns whether that changed anything.
    fn fill_window(&mut self, c: &Constants, spectra: u64) -> f64 {
        let length = (spectra - 1) as usize;
        if length == 0 || length >= c.spectra_in_window {
            return 0.0;
        }
        let mut own = 0;
        let blocks: Vec<(usize, Lanes)> = self
            .ring
            .iter()
            .rev()
            .take_while(|(count, _)| {
                own += count;
                own <= length
            })
            .copied()
            .collect();
        self.ring.clear();
        self.ring_sum = [0.0; LANES];
        let mut left = c.spectra_in_window;
        for (count, sum) in blocks.iter().cycle() {
            let taken = left.min(*count);
            let mut sum = *sum;
            if taken < *count {
                simd::leave(c.set, &mut [0.0; LANES], &mut sum, taken as f64 / *count as f64);
            }
            simd::enter(c.set, &mut self.ring_sum, &sum);
            self.ring.push_front((taken, sum));
            left -= taken;
            if left == 0 {
                break;
            }
        }
        let before = self.root;
        let mut mean = [0.0; LANES];
        simd::root(c.set, &mut mean, &mut self.root, &self.ring_sum, 1.0 / c.spectra_in_window as f64);
        let moved = |(a, b): (&f64, &f64)| (a - b).abs() / a.max(*b).max(1e-12);
        before.iter().zip(&self.root).map(moved).fold(0.0, f64::max)
    }

    /// The first pass is over and its magnitudes were kept: goes through them again until the capacitor's voltage comes back
    /// to itself, and moves the meters as they move then. Returns how far the voltage was from that, relatively.
    pub(crate) fn settle(&mut self, c: &Constants, spectra: u64, kept: &Kept, enough: f64, e: &mut Envelopes) -> f64 {
        self.fill_window(c, spectra);
        let mut worst = 0.0;
        if let Some(charge) = &c.charge {
            for repetition in 0..MOST_REPETITIONS {
                worst = self.next_voltage(charge, c, spectra);
                // Where two starts foretold the next one, that one is closer by far.
                if worst <= enough || repetition > 1 && worst <= 10.0 * enough {
                    worst = worst.min(enough);
                    break;
                }
                kept.each_sheaf(c.set, e, |first, rows, e| {
                    if first == 0 {
                        detectors::begin(c.set, &mut self.weighting, e);
                    }
                    detectors::capacitor(c.set, &mut self.weighting, e, usize::from(first == 0), rows, &c.law);
                });
            }
            self.give_back(&[[0.0; LANES]; 3]);
        }
        for (meter, began) in self.meters.iter().zip(&mut self.began) {
            *began = (meter.y, meter.dy);
        }
        self.moved = Some(Vec::new());
        kept.each_sheaf(c.set, e, |first, rows, e| self.advance(c, first as u64, rows, u64::MAX, e));
        self.finish(c, false);
        self.close_meters(c, spectra);
        self.forget_tops();
        for moved in self.moved.take().into_iter().flatten() {
            self.move_meters(c, &moved, true);
        }
        worst
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
