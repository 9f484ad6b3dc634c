//! Spectra and detectors, tile by tile, on any number of threads.
//!
//! Time goes in tiles of some spectra. While the next tile's spectra are worked out, the tile before goes through the
//! detectors, and the first thread reads on in the record; then all meet. Every spectrum and every group of bins is a
//! piece of work of its own whose result depends on nothing else, so the number of threads changes nothing.

use std::any::Any;
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{
    AtomicUsize,
    Ordering::{Acquire, Relaxed, Release},
};
use std::sync::{Arc, Barrier, Mutex, OnceLock, PoisonError, RwLock, RwLockReadGuard};

use crate::bins::{Constants, Group, Wanted};
use crate::crest::Grid;
use crate::detectors::{self, Envelopes};
use crate::downmix::{Downmix, Kernels};
use crate::fft::{self, Batch, Workspace};
use crate::first::{self, First};
use crate::front::{Front, Planar};
use crate::lanes::WIDTH;
use crate::plan::{HALF_WIDTH_SIGMA, Plan};
use crate::sheaf::Sheaf;
use crate::short::Cell;
use crate::simd::{InstructionSet, LANES};
use crate::timeline::Held;
use crate::types::{Progress, ReceiverError};
use crate::weighting::sigma_s;
use crate::witness::Witness;

/// A run of the stream: what a tile's spectra are made of.
#[derive(Default)]
struct Stretch {
    /// Number of its first sample.
    base: u64,
    /// Numbers that stand before it, so that it begins where a line of the cache does.
    skip: usize,
    samples: Planar,
}

impl Stretch {
    fn clear(&mut self, complex: bool) {
        self.samples.clear();
        let near = self.samples.re.as_ptr().align_offset(size_of::<[f32; WIDTH]>());
        self.skip = if near < WIDTH { near } else { 0 };
        self.samples.re.resize(self.skip, 0.0);
        if complex {
            self.samples.im.resize(self.skip, 0.0);
        }
    }

    fn len(&self) -> usize {
        self.samples.len() - self.skip
    }
}

/// Input of the rate changer (its first sample is number `base`) and the outputs it is to give.
#[derive(Default)]
struct Mixing {
    kernels: Option<Arc<Kernels>>,
    input: Planar,
    base: u64,
    first: u64,
    count: usize,
}

/// Spectra of a tile for each thread at most, unless one sheaf is larger, bytes.
const TILE_BYTES: usize = 2 << 20;

/// Outputs of the rate changer in one piece of work.
const PIECE: usize = 2048;

/// What a thread needs of its own.
struct Scratch {
    /// The stretch under the windows of a sheaf, laid out hop by hop; its imaginary half where there is one.
    layout: [Vec<f32>; 2],
    work: Workspace,
    envelopes: Box<Envelopes>,
    /// Magnitudes for the witness.
    rows: [Vec<f32>; WIDTH],
    /// What the witness has not been handed yet.
    held: Held,
}

pub(crate) struct Engine {
    plan: Plan,
    pub(crate) constants: Constants,
    set: InstructionSet,
    transform: Batch,
    window: First,
    hop: usize,
    /// Spectra in a tile: whole sheaves, one for each thread.
    tile: usize,
    sheaves: Vec<RwLock<Sheaf>>,
    pub(crate) groups: Vec<Mutex<Group>>,
    stretches: [RwLock<Stretch>; 2],
    /// Outputs of the rate changer that are to be worked out, and those that were, piece by piece.
    mixing: RwLock<Mixing>,
    pieces: Vec<Mutex<Planar>>,
    pub(crate) threads: usize,
    /// Looks on during passes that ask for it.
    pub(crate) witness: Witness,
}

/// What one pass is to do.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pass {
    /// Counted from 1.
    pub(crate) number: u32,
    /// Stop after this many spectra.
    pub(crate) spectra: Option<u64>,
    /// First spectrum from which the meters' maxima count.
    pub(crate) track: u64,
    /// Look for peaks between spectra.
    pub(crate) crests: bool,
    /// The witness looks on.
    pub(crate) witnessed: bool,
}

/// Called when all threads have met, with the number of spectra that have gone through the detectors in this pass.
pub(crate) type Between<'b> = dyn FnMut(&Engine, &Front<'_>, u64) -> ControlFlow<()> + 'b;

/// Groups of bins that one piece of work takes through a tile.
const GROUPS_AT_ONCE: usize = 8;

impl Engine {
    pub(crate) fn new(plan: Plan, band: standards::Band, threads: usize, set: InstructionSet) -> Self {
        let sigma = sigma_s(band.bandwidth_hz()) * plan.stream_hz;
        let hop = plan.hop(sigma);
        let mut window = signal::gaussian(sigma, HALF_WIDTH_SIGMA);
        let sum: f64 = window.iter().sum();
        // A sine of 1 V r.m.s. gives 1. A real sine (or the upper half of one) has half its amplitude on its bin; the
        // numbers of a complex record are the carrier's amplitude itself.
        let upper_half = plan.upper_half();
        let gain = if upper_half { 2f64.sqrt() } else { 0.5f64.sqrt() } / sum;
        // A real input of an odd length is transformed as a complex one.
        let transform = Batch::new(plan.length, plan.complex || !plan.length.is_multiple_of(2));
        for w in &mut window {
            *w *= gain;
        }
        let bins = plan.frequency_hz.len();
        let groups = bins.div_ceil(LANES);
        // Long tiles meet more seldom and read less of the stream twice, as long as their spectra stay in the cache.
        let deep = (TILE_BYTES / (groups * LANES * size_of::<Cell>())).clamp(1, 4);
        let tile = threads.max(1) * WIDTH * deep;
        let (length, first, window_length) = (plan.length, plan.first_bin, window.len());
        let grid = Grid { length, first, bins, hop, window: window_length, sigma };
        let constants = Constants::new(band, hop as f64 / plan.stream_hz, &grid, set);
        // One tile is worked out while the one before goes through the detectors, which look one sheaf further back.
        let sheaves = (0..=2 * tile / WIDTH).map(|_| RwLock::new(Sheaf::new(bins))).collect();
        Self {
            groups: (0..groups).map(|_| Mutex::new(Group::new(&constants))).collect(),
            constants,
            set,
            window: First::new(&transform, &window, hop),
            transform,
            hop,
            tile,
            sheaves,
            stretches: [RwLock::default(), RwLock::default()],
            mixing: RwLock::default(),
            pieces: (0..(window.len() + hop * tile) / PIECE + 2).map(|_| Mutex::default()).collect(),
            threads: threads.max(1),
            witness: Witness::default(),
            plan,
        }
    }

    /// Record frames that one output needs.
    pub(crate) fn needed(&self, rate_hz: f64) -> u64 {
        let own = self.window.len() as f64 / self.plan.stream_hz * rate_hz;
        let changer = self.plan.mixed.as_ref().map_or(0.0, |m| 2.0 * m.low_pass.half_length() + 18.0);
        (own + changer).ceil() as u64
    }

    pub(crate) fn frequency_hz(&self) -> &[f64] {
        &self.plan.frequency_hz
    }

    pub(crate) fn plan_notes(&self) -> &[String] {
        &self.plan.notes
    }

    pub(crate) fn downmix(&self, rate_hz: f64) -> Option<Downmix> {
        self.plan.mixed.as_ref().map(|m| Downmix::new(m, rate_hz, self.plan.stream_hz, self.set))
    }

    /// Once over the record (or its beginning). Returns the number of spectra. Where `between` answers `Break`
    /// the pass ends as it does at the end of the record.
    pub(crate) fn pass(
        &self,
        front: &mut Front<'_>,
        mut downmix: Option<&mut Downmix>,
        pass: Pass,
        progress: &mut dyn FnMut(&Progress) -> ControlFlow<()>,
        between: &mut Between<'_>,
    ) -> Result<u64, ReceiverError> {
        if let Some(d) = downmix.as_deref_mut() {
            d.restart();
        }
        for s in &self.stretches {
            let mut s = s.write().unwrap_or_else(PoisonError::into_inner);
            s.base = 0;
            s.clear(self.plan.complex);
        }
        {
            let mut mixing = self.mixing.write().unwrap_or_else(PoisonError::into_inner);
            mixing.input.clear();
            mixing.base = 0;
            mixing.kernels = downmix.as_deref().map(|d| Arc::clone(&d.kernels));
        }
        let mut reader = Reader { front, downmix, ended: false, pass, progress };

        // Spectra first_spectrum..+spectra are worked out, first_detect..+detect go through the detectors.
        let work = Work::default();
        reader.fill(self, 0, &work)?;
        self.mix(&work);
        let count = self.spectra_in(Reader::filled(self, 0, &work), 0, pass);
        work.spectra.store(count, Relaxed);
        // Where all meet before and after a tile; known once it is known how many threads the system grants.
        let meetings: OnceLock<[Barrier; 2]> = OnceLock::new();
        // A thread that panicked still comes to the meetings, so that nobody waits for it for ever; the panic goes on from
        // here once all threads have ended.
        let panicked: Mutex<Option<Box<dyn Any + Send>>> = Mutex::new(None);
        let guarded = |part: &mut dyn FnMut()| {
            if let Err(panic) = catch_unwind(AssertUnwindSafe(part)) {
                panicked.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(panic);
            }
        };
        let total = std::thread::scope(|scope| -> Result<u64, ReceiverError> {
            let mut threads = 1;
            for _ in 1..self.threads {
                let worker = || {
                    let [start, finish] = meetings.wait();
                    let mut scratch = None;
                    loop {
                        start.wait();
                        if work.over.load(Relaxed) != 0 {
                            return;
                        }
                        guarded(&mut || self.share(&work, pass, scratch.get_or_insert_with(|| self.scratch())));
                        finish.wait();
                    }
                };
                // Fewer threads than wished for give the same result, only later.
                if std::thread::Builder::new().spawn_scoped(scope, worker).is_err() {
                    break;
                }
                threads += 1;
            }
            let [start, finish] = meetings.get_or_init(|| [Barrier::new(threads), Barrier::new(threads)]);
            let mut scratch = None;
            let mut tile = 0_u64;
            let outcome = loop {
                let spectra = work.spectra.load(Relaxed);
                if spectra == 0 && work.detect.load(Relaxed) == 0 {
                    break Ok(tile.saturating_sub(1));
                }
                start.wait();
                // The first thread reads on while the others begin.
                let mut filled = Ok(());
                guarded(&mut || {
                    if spectra == self.tile {
                        filled = reader.fill(self, tile + 1, &work);
                    }
                    self.share(&work, pass, scratch.get_or_insert_with(|| self.scratch()));
                });
                finish.wait();
                if panicked.lock().unwrap_or_else(PoisonError::into_inner).is_some() {
                    break Ok(0);
                }
                let next = match filled {
                    Ok(()) if spectra == self.tile => {
                        self.spectra_in(Reader::filled(self, tile + 1, &work), tile + 1, pass)
                    }
                    Ok(()) => 0,
                    Err(e) => break Err(e),
                };
                work.total.fetch_add(spectra, Relaxed);
                let detected = work.first_detect.load(Relaxed) + work.detect.load(Relaxed);
                let mut next = next;
                guarded(&mut || {
                    if between(self, reader.front, detected as u64).is_break() {
                        next = 0;
                    }
                });
                if panicked.lock().unwrap_or_else(PoisonError::into_inner).is_some() {
                    break Ok(0);
                }
                work.detect.store(spectra, Relaxed);
                work.first_detect.store(tile as usize * self.tile, Relaxed);
                tile += 1;
                work.spectra.store(next, Relaxed);
                work.first_spectrum.store(tile as usize * self.tile, Relaxed);
                work.next_sheaf.store(0, Relaxed);
                work.next_groups.store(0, Relaxed);
            };
            work.over.store(1, Relaxed);
            start.wait();
            outcome.map(|_| work.total.load(Relaxed) as u64)
        });
        if let Some(panic) = panicked.into_inner().unwrap_or_else(PoisonError::into_inner) {
            resume_unwind(panic);
        }
        let total = total?;
        if total > 0 {
            for g in &self.groups {
                g.lock().unwrap_or_else(PoisonError::into_inner).finish(&self.constants, total > pass.track);
            }
        }
        Ok(total)
    }

    pub(crate) fn for_each_group(&self, mut f: impl FnMut(usize, &mut Group)) {
        for (i, g) in self.groups.iter().enumerate() {
            f(i, &mut g.lock().unwrap_or_else(PoisonError::into_inner));
        }
    }

    /// Whole spectra of tile `tile` that `samples` of the stretch hold.
    fn spectra_in(&self, samples: usize, tile: u64, pass: Pass) -> usize {
        let held = if samples < self.window.len() { 0 } else { (samples - self.window.len()) / self.hop + 1 };
        let left = pass.spectra.map_or(usize::MAX, |n| n.saturating_sub(tile * self.tile as u64) as usize);
        held.min(self.tile).min(left)
    }

    fn scratch(&self) -> Scratch {
        let witnessed = self.witness.keeper.is_some() || self.witness.sampler.is_some();
        let bins = if witnessed { self.groups.len() * LANES } else { 0 };
        Scratch {
            layout: [self.window.layout(), if self.plan.complex { self.window.layout() } else { Vec::new() }],
            work: self.transform.workspace(),
            envelopes: Box::new(Envelopes::new()),
            rows: std::array::from_fn(|_| vec![0.0; bins]),
            held: Held::default(),
        }
    }

    /// One thread's part of a tile: pieces of work until none is left. The large ones come first.
    fn share(&self, work: &Work, pass: Pass, scratch: &mut Scratch) {
        let (first, spectra) = (work.first_spectrum.load(Relaxed), work.spectra.load(Relaxed));
        if spectra > 0 {
            let stretch = self.stretches[first / self.tile % 2].read().unwrap_or_else(PoisonError::into_inner);
            loop {
                let i = work.next_sheaf.fetch_add(1, Relaxed) * WIDTH;
                if i >= spectra {
                    break;
                }
                self.sheaf(first + i, WIDTH.min(spectra - i), &stretch, pass, scratch);
            }
            self.witness.flush(&mut scratch.held);
        }
        self.mix(work);
        let (from, detect) = (work.first_detect.load(Relaxed), work.detect.load(Relaxed));
        if detect > 0 {
            let sheaves = self.read_sheaves(from / WIDTH, detect.div_ceil(WIDTH));
            let peaks_from = if pass.witnessed { self.witness.peaks_from() } else { None };
            let wanted = Wanted { track: pass.track, crests: pass.crests, peaks_from };
            loop {
                let g = work.next_groups.fetch_add(GROUPS_AT_ONCE, Relaxed);
                if g >= self.groups.len() {
                    break;
                }
                for g in g..(g + GROUPS_AT_ONCE).min(self.groups.len()) {
                    let mut group = self.groups[g].lock().unwrap_or_else(PoisonError::into_inner);
                    for (i, pair) in sheaves.windows(2).enumerate() {
                        let number = from + i * WIDTH;
                        group.run(
                            &self.constants,
                            g * LANES,
                            number as u64,
                            WIDTH.min(detect - i * WIDTH),
                            (number > 0).then_some(&*pair[0]),
                            &pair[1],
                            wanted,
                            &mut scratch.envelopes,
                        );
                    }
                }
            }
        }
        // The first thread may have read on only now.
        self.mix(work);
    }

    /// Pieces of the rate changer's output, until none is left or there are none yet.
    fn mix(&self, work: &Work) {
        if work.pieces.load(Acquire) == 0 {
            return;
        }
        let mixing = self.mixing.read().unwrap_or_else(PoisonError::into_inner);
        let Some(kernels) = &mixing.kernels else { return };
        loop {
            let done = work.next_piece.fetch_add(1, Relaxed) * PIECE;
            if done >= mixing.count {
                break;
            }
            let count = PIECE.min(mixing.count - done);
            let mut piece = self.pieces[done / PIECE].lock().unwrap_or_else(PoisonError::into_inner);
            kernels.run(&mixing.input, mixing.base, mixing.first + done as u64, count, &mut piece);
        }
    }

    /// `count` sheaves from number `first` on and the one before them (for the first a stand-in).
    fn read_sheaves(&self, first: usize, count: usize) -> Vec<RwLockReadGuard<'_, Sheaf>> {
        let n = self.sheaves.len();
        (0..=count)
            .map(|i| self.sheaves[(first + i + n - 1) % n].read().unwrap_or_else(PoisonError::into_inner))
            .collect()
    }

    /// Window, fold onto the transform's length, transform: `rows` spectra from number `first` on.
    fn sheaf(&self, first: usize, rows: usize, stretch: &Stretch, pass: Pass, scratch: &mut Scratch) {
        let bins = self.plan.frequency_hz.len();
        let start = (first * self.hop) as u64;
        let mut sheaf =
            self.sheaves[first / WIDTH % self.sheaves.len()].write().unwrap_or_else(PoisonError::into_inner);
        let from = (start - stretch.base) as usize + stretch.skip;
        let [re, im] = &mut scratch.layout;
        first::lay_out(self.set, &self.window, &stretch.samples.re, from, re);
        if self.plan.complex {
            first::lay_out(self.set, &self.window, &stretch.samples.im, from, im);
        }
        let cells = &mut scratch.work.cells;
        if self.transform.complex {
            first::enter_complex(self.set, &self.window, &self.transform, re, im, cells);
        } else {
            first::enter_real(self.set, &self.window, &self.transform, re, cells);
        }
        fft::transform(self.set, &self.transform, &mut scratch.work, self.plan.first_bin, &mut sheaf);
        if pass.witnessed {
            let wanted: Vec<usize> = (0..rows).filter(|i| self.witness.wants((first + i) as u64)).collect();
            if !wanted.is_empty() {
                detectors::magnitude_rows(self.set, &sheaf, &wanted, &mut scratch.rows);
            }
            for i in wanted {
                self.witness.row(&mut scratch.held, (first + i) as u64, &scratch.rows[i][..bins]);
            }
        }
    }
}

/// What the threads are to do until they meet again.
#[derive(Default)]
struct Work {
    first_spectrum: AtomicUsize,
    spectra: AtomicUsize,
    next_sheaf: AtomicUsize,
    first_detect: AtomicUsize,
    detect: AtomicUsize,
    next_groups: AtomicUsize,
    /// Pieces of the rate changer's output that can be worked out.
    pieces: AtomicUsize,
    next_piece: AtomicUsize,
    total: AtomicUsize,
    over: AtomicUsize,
}

/// The first thread's hold on the record.
struct Reader<'r, 's, 'p> {
    front: &'r mut Front<'s>,
    downmix: Option<&'r mut Downmix>,
    ended: bool,
    pass: Pass,
    progress: &'p mut dyn FnMut(&Progress) -> ControlFlow<()>,
}

impl Reader<'_, '_, '_> {
    /// Reads what the stretch of tile `tile` needs. Where the rate is changed, the outputs are then worked out piece by
    /// piece by whoever has time.
    fn fill(&mut self, engine: &Engine, tile: u64, work: &Work) -> Result<(), ReceiverError> {
        let report = Progress {
            frames_done: self.front.frames,
            frames_total: self.front.frames_total(),
            pass: self.pass.number,
        };
        if (self.progress)(&report).is_break() {
            return Err(ReceiverError::Cancelled);
        }
        let wanted = engine.window.len() + engine.hop * (engine.tile - 1);
        let base = tile * (engine.tile * engine.hop) as u64;
        let [even, odd] = &engine.stretches;
        let (next, last) = if tile.is_multiple_of(2) { (even, odd) } else { (odd, even) };
        let mut next = next.write().unwrap_or_else(PoisonError::into_inner);
        next.clear(engine.plan.complex);
        next.base = base;
        {
            // What the tile before read beyond its own spectra.
            let last = last.read().unwrap_or_else(PoisonError::into_inner);
            if last.len() > 0 {
                let skip = ((base - last.base) as usize).min(last.len());
                next.samples.extend_from(&last.samples, last.skip + skip);
            }
        }
        let Some(downmix) = self.downmix.as_deref_mut() else {
            while next.len() < wanted && !self.ended {
                self.ended = !self.front.append(&mut next.samples)?;
            }
            return Ok(());
        };
        let missing = wanted.saturating_sub(next.len());
        let kernels = &downmix.kernels;
        let mut mixing = engine.mixing.write().unwrap_or_else(PoisonError::into_inner);
        let Mixing { input, base, first, count, .. } = &mut *mixing;
        let used = (kernels.first_input(downmix.made).saturating_sub(*base) as usize).min(input.len());
        input.drop_front(used);
        *base += used as u64;
        let mut ready = kernels.complete(*base + input.len() as u64) - downmix.made;
        while ready < missing as u64 && !self.ended {
            self.ended = !self.front.append(input)?;
            ready = kernels.complete(*base + input.len() as u64) - downmix.made;
        }
        *first = downmix.made;
        *count = (ready as usize).min(missing);
        downmix.made += *count as u64;
        work.next_piece.store(0, Relaxed);
        work.pieces.store(count.div_ceil(PIECE), Release);
        Ok(())
    }

    /// When all have met: samples that the stretch of tile `tile` holds.
    fn filled(engine: &Engine, tile: u64, work: &Work) -> usize {
        let mut stretch = engine.stretches[(tile % 2) as usize].write().unwrap_or_else(PoisonError::into_inner);
        for piece in &engine.pieces[..work.pieces.swap(0, Relaxed)] {
            stretch.samples.extend_from(&piece.lock().unwrap_or_else(PoisonError::into_inner), 0);
        }
        stretch.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::types::Settings;
    use signal::{Block, SampleSlice, SampleSource, SourceError};
    use standards::Band;

    /// Silence, and where asked a panic at a block.
    struct Silence {
        block: usize,
        blocks: usize,
        panics_at: Option<usize>,
        samples: Vec<f32>,
    }

    impl SampleSource for Silence {
        fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
            assert!(self.panics_at != Some(self.block), "the source broke");
            self.block += 1;
            Ok((self.block <= self.blocks).then_some(Block {
                samples: SampleSlice::F32(&self.samples),
                channels: 1,
                complex: false,
            }))
        }

        fn rewind(&mut self) -> Result<(), SourceError> {
            self.block = 0;
            Ok(())
        }

        fn frames(&self) -> Option<u64> {
            None
        }
    }

    /// The message of the panic in one pass on three threads.
    fn panic_of(panics_at: Option<usize>, harm: impl Fn(&Engine)) -> String {
        let mut source = Silence { block: 0, blocks: 400, panics_at, samples: vec![0.0; 4096] };
        let mut front = Front::new(&mut source, 0, 1.0).unwrap();
        let plan = Plan::new(&Settings::new(Band::B, 1.35e6), false).unwrap();
        let engine = Engine::new(plan, Band::B, 3, InstructionSet::best());
        harm(&engine);
        let mut downmix = engine.downmix(1.35e6);
        let pass = Pass { number: 1, spectra: None, track: 0, crests: true, witnessed: false };
        let end = catch_unwind(AssertUnwindSafe(|| {
            let _ =
                engine.pass(&mut front, downmix.as_mut(), pass, &mut |_| ControlFlow::Continue(()), &mut |_, _, _| {
                    ControlFlow::Continue(())
                });
        }));
        let panic = end.unwrap_err();
        panic.downcast_ref::<String>().cloned().or(panic.downcast_ref::<&str>().map(|s| (*s).to_owned())).unwrap()
    }

    #[test]
    fn a_panic_on_any_thread_ends_the_pass() {
        assert_eq!(panic_of(Some(300), |_| {}), "the source broke");
        // A sheaf without room breaks whichever thread works it out.
        let slice = panic_of(None, |e| e.sheaves[e.tile / WIDTH + 1].write().unwrap().cells.clear());
        assert!(slice.contains("range"), "{slice}");
    }
}
