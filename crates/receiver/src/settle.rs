//! Short records that are read as if they went on repeating.
//!
//! A pass over the record takes the capacitor of the quasi-peak detector from some voltage to another. Sought is the one that
//! comes back to itself; what the meters do then follows. Where the magnitudes of the first pass fit into memory, only they
//! are gone through again, group by group of bins.

use std::ops::ControlFlow;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed};

use crate::detectors::Envelopes;
use crate::engine::Engine;
use crate::lanes::WIDTH;
use crate::simd::{self, InstructionSet, LANES, Lanes};
use crate::types::{Progress, ReceiverError};

/// Memory for the magnitudes of a pass at most, bytes.
const KEPT_BYTES: u64 = 256 << 20;

/// Magnitudes of one group at every spectrum of a pass, in sixteen bits each (0.004 dB off at most).
pub(crate) struct Kept {
    rows: Vec<[u16; LANES]>,
    most: usize,
}

impl Kept {
    /// Keeps another few spectra. Says no when there are more than were announced.
    pub(crate) fn push(&mut self, set: InstructionSet, magnitudes: &[Lanes]) -> bool {
        if self.rows.len() + magnitudes.len() > self.most {
            return false;
        }
        for m in magnitudes {
            let mut row = [0; LANES];
            simd::pack(set, &mut row, m);
            self.rows.push(row);
        }
        true
    }

    /// Calls `f` for each sixteen spectra with the first one's number, how many there are, and their magnitudes.
    pub(crate) fn each_sheaf(
        &self,
        set: InstructionSet,
        e: &mut Envelopes,
        mut f: impl FnMut(usize, usize, &Envelopes),
    ) {
        for (i, rows) in self.rows.chunks(WIDTH).enumerate() {
            for (m, row) in e.magnitude.iter_mut().zip(rows) {
                simd::unpack(set, m, row);
            }
            f(i * WIDTH, rows.len(), e);
        }
    }
}

/// The search for the voltage that comes back to itself, at each of a group's bins.
///
/// The end as a function of the start rises, and never faster than a capacitor discharges: what a pass brings to light is
/// a bound on one side, and on the other side too.
pub(crate) struct Search {
    low: [f64; LANES],
    high: [f64; LANES],
    /// Start of the pass.
    start: Lanes,
    /// Start and end of the pass before, where there was one.
    before: Option<(Lanes, Lanes)>,
}

impl Search {
    pub(crate) fn new() -> Self {
        Self { low: [0.0; LANES], high: [f64::INFINITY; LANES], start: [0.0; LANES], before: None }
    }

    /// A pass ended at `v`, which is exchanged for the next start. `kept` is what a capacitor that is not charged keeps over
    /// a pass. Returns how far the last start was from this one, relatively, at the worst bin.
    pub(crate) fn next(&mut self, v: &mut Lanes, peak: &Lanes, kept: f64) -> f64 {
        let ended = *v;
        let mut worst = 0.0_f64;
        for (i, next) in v.iter_mut().enumerate() {
            let (v0, v1) = (f64::from(self.start[i]), f64::from(ended[i]));
            let size = v0.max(v1).max(f64::from(peak[i]) * 1e-4).max(1e-12);
            let far = v0 + (v1 - v0) / (1.0 - kept);
            let (low, high) = if v1 > v0 { (v1, far) } else { (far, v1) };
            self.low[i] = self.low[i].max(low).min(f64::from(peak[i]));
            self.high[i] = self.high[i].min(high).min(f64::from(peak[i])).max(self.low[i]);
            // Secant through the last two passes, where they lie far enough apart to tell a slope from rounding.
            let slope = self.before.as_ref().and_then(|(b0, b1)| {
                let (b0, b1) = (f64::from(b0[i]), f64::from(b1[i]));
                ((v0 - b0).abs() > 1e-5 * size).then(|| ((v1 - b1) / (v0 - b0)).clamp(0.0, kept))
            });
            let guess = v0 + (v1 - v0) / (1.0 - slope.unwrap_or(0.0));
            let guess = guess.clamp(self.low[i], self.high[i]);
            worst = worst.max((guess - v0).abs() / size);
            *next = guess as f32;
        }
        self.before = Some((self.start, ended));
        self.start = *v;
        worst
    }
}

impl Engine {
    /// Lets the next pass, of about `spectra` spectra, keep its magnitudes, where they fit.
    pub(crate) fn keep(&self, spectra: u64) {
        let most = spectra + 1;
        if most * (self.groups.len() * LANES * size_of::<u16>()) as u64 <= KEPT_BYTES {
            let most = most as usize;
            self.for_each_group(|_, g| g.kept = Some(Kept { rows: Vec::with_capacity(most), most }));
        }
    }

    /// Forgets the magnitudes of the pass.
    pub(crate) fn forget(&self) {
        self.for_each_group(|_, g| g.kept = None);
    }

    /// After a first pass of `spectra` spectra that kept its magnitudes: settles every group until its capacitors' start is
    /// off by `enough` at most. Returns the worst distance, or nothing where there are no magnitudes.
    pub(crate) fn settle(
        &self,
        spectra: u64,
        enough: f64,
        frames_total: Option<u64>,
        progress: &mut dyn FnMut(&Progress) -> ControlFlow<()>,
    ) -> Result<Option<f64>, ReceiverError> {
        let mut all = true;
        self.for_each_group(|_, g| all &= g.kept.is_some());
        if !all {
            self.forget();
            return Ok(None);
        }
        let (next, over) = (AtomicUsize::new(0), AtomicBool::new(false));
        let work = |met: &mut dyn FnMut(usize) -> bool| {
            let mut e = Box::new(Envelopes::new());
            let mut worst = 0.0_f64;
            while !over.load(Relaxed) {
                let i = next.fetch_add(1, Relaxed);
                let Some(group) = self.groups.get(i) else { break };
                let mut group = group.lock().unwrap_or_else(PoisonError::into_inner);
                if let Some(kept) = group.kept.take() {
                    worst = worst.max(group.settle(&self.constants, spectra, &kept, enough, &mut e));
                }
                if !met(i) {
                    over.store(true, Relaxed);
                }
            }
            worst
        };
        let worst = std::thread::scope(|scope| {
            let helpers: Vec<_> = (1..self.threads)
                .map_while(|_| std::thread::Builder::new().spawn_scoped(scope, || work(&mut |_| true)).ok())
                .collect();
            let own = work(&mut |i| {
                let done = |total: u64| total * (i as u64 + 1) / self.groups.len() as u64;
                let report = Progress { frames_done: frames_total.map_or(0, done), frames_total, pass: 2 };
                progress(&report).is_continue()
            });
            helpers.into_iter().fold(own, |worst, h| match h.join() {
                Ok(other) => worst.max(other),
                Err(panic) => std::panic::resume_unwind(panic),
            })
        });
        if over.load(Relaxed) { Err(ReceiverError::Cancelled) } else { Ok(Some(worst)) }
    }
}
