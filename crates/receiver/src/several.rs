//! Several channels (or bands) of one record, measured side by side while the record is read once.
//!
//! Each measurement has an engine of its own; a pump reads block after block and hands each its channel. A measurement
//! that plays the record again (a settled start) waits until all have come to that point or are done, so that every round
//! reads the record once, whoever takes part in it.

use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};

use signal::{Block, SampleSlice, SampleSource, SourceError};

use crate::measure::{receive_with, threads_of};
use crate::simd::InstructionSet;
use crate::types::{Levels, OnProgress, Progress, ReceiverError, Settings};

/// Blocks that wait for one measurement at most.
const WAITING: usize = 2;
/// Frames handed on at a time at most, so that what waits stays small whatever the source's blocks are.
const FRAMES_AT_ONCE: usize = 1 << 18;

/// Measures several channels of a record (or one channel in several ways) while reading it once: one [`Levels`] for each of
/// `settings`, in that order and the same as from [`crate::receive`]. The threads are shared out among them.
///
/// # Errors
/// The first error of any of the measurements; none is given then.
pub fn receive_several(
    source: &mut dyn SampleSource,
    settings: &[Settings],
    progress: &mut OnProgress<'_>,
) -> Result<Vec<Levels>, ReceiverError> {
    if let [only] = settings {
        return Ok(vec![crate::receive(source, only, progress)?]);
    }
    let frames_total = source.frames();
    let stop = AtomicBool::new(false);
    let (to_pump, asks) = channel();
    std::thread::scope(|scope| {
        let workers: Vec<_> = settings
            .iter()
            .enumerate()
            .map(|(number, own)| {
                let tap = Tap {
                    number,
                    asks: to_pump.clone(),
                    blocks: None,
                    at_start: true,
                    held: Owned::default(),
                    failed: None,
                    frames: frames_total,
                };
                let own = Settings {
                    // The tap hands out one channel only.
                    channel: 0,
                    threads: Some((threads_of(own) / settings.len()).max(1)),
                    ..own.clone()
                };
                let stop = &stop;
                scope.spawn(move || {
                    let mut tap = tap;
                    let mut go_on = |_: &Progress| {
                        if stop.load(Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
                    };
                    receive_with(&mut tap, &own, &mut go_on, InstructionSet::best())
                })
            })
            .collect();
        drop(to_pump);
        let pumped = pump(source, settings, asks, progress, &stop);
        let mut levels = Vec::new();
        let mut first_error = pumped.err();
        for (worker, own) in workers.into_iter().zip(settings) {
            match worker.join() {
                Ok(Ok(l)) => levels.push(l),
                Ok(Err(e)) => {
                    // The tap knows channel 0 only.
                    let e = match e {
                        ReceiverError::NotFinite { frame, .. } => {
                            ReceiverError::NotFinite { frame, channel: own.channel }
                        }
                        other => other,
                    };
                    first_error.get_or_insert(e);
                }
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        first_error.map_or(Ok(levels), Err)
    })
}

/// What a measurement asks of the pump.
enum Ask {
    /// The record from its beginning, through this.
    Again(usize, SyncSender<Result<Owned, SourceError>>),
    /// Nothing more.
    Done(usize),
}

/// Numbers of one channel in their own format.
#[derive(Debug, Clone)]
enum Numbers {
    U8(Vec<u8>),
    I8(Vec<i8>),
    I16(Vec<i16>),
    I32(Vec<i32>),
    F32(Vec<f32>),
    F64(Vec<f64>),
}

#[derive(Debug, Clone)]
struct Owned {
    numbers: Numbers,
    complex: bool,
}

impl Default for Owned {
    fn default() -> Self {
        Self { numbers: Numbers::F32(Vec::new()), complex: false }
    }
}

impl Owned {
    /// One channel of frames `from..to` of a block.
    fn of(block: &Block<'_>, channel: usize, from: usize, to: usize) -> Self {
        let parts = if block.complex { 2 } else { 1 };
        let per_frame = block.channels * parts;
        fn pick<T: Copy>(s: &[T], per_frame: usize, at: usize, parts: usize) -> Vec<T> {
            if per_frame == parts {
                return s.to_vec();
            }
            s.chunks_exact(per_frame).flat_map(|f| f[at..at + parts].iter().copied()).collect()
        }
        let (a, b, at) = (from * per_frame, to * per_frame, channel * parts);
        let numbers = match block.samples {
            SampleSlice::U8(s) => Numbers::U8(pick(&s[a..b], per_frame, at, parts)),
            SampleSlice::I8(s) => Numbers::I8(pick(&s[a..b], per_frame, at, parts)),
            SampleSlice::I16(s) => Numbers::I16(pick(&s[a..b], per_frame, at, parts)),
            SampleSlice::I32(s) => Numbers::I32(pick(&s[a..b], per_frame, at, parts)),
            SampleSlice::F32(s) => Numbers::F32(pick(&s[a..b], per_frame, at, parts)),
            SampleSlice::F64(s) => Numbers::F64(pick(&s[a..b], per_frame, at, parts)),
        };
        Self { numbers, complex: block.complex }
    }

    fn block(&self) -> Block<'_> {
        let samples = match &self.numbers {
            Numbers::U8(s) => SampleSlice::U8(s),
            Numbers::I8(s) => SampleSlice::I8(s),
            Numbers::I16(s) => SampleSlice::I16(s),
            Numbers::I32(s) => SampleSlice::I32(s),
            Numbers::F32(s) => SampleSlice::F32(s),
            Numbers::F64(s) => SampleSlice::F64(s),
        };
        Block { samples, channels: 1, complex: self.complex }
    }
}

/// One channel as a source of its own.
struct Tap {
    number: usize,
    asks: Sender<Ask>,
    blocks: Option<Receiver<Result<Owned, SourceError>>>,
    at_start: bool,
    held: Owned,
    failed: Option<SourceError>,
    frames: Option<u64>,
}

impl SampleSource for Tap {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        if let Some(e) = &self.failed {
            return Err(e.clone());
        }
        if self.at_start {
            // Asked only now: who rewinds and reads no more takes part in no further round.
            self.at_start = false;
            let (send, receive) = sync_channel(WAITING);
            self.blocks = Some(receive);
            // A pump that is gone hands out nothing, and so says the closed end.
            let _ = self.asks.send(Ask::Again(self.number, send));
        }
        match self.blocks.as_ref().map(Receiver::recv) {
            Some(Ok(Ok(owned))) => self.held = owned,
            Some(Ok(Err(e))) => {
                self.failed = Some(e.clone());
                return Err(e);
            }
            // The pump closed its end: so the record ends.
            Some(Err(_)) | None => return Ok(None),
        }
        Ok(Some(self.held.block()))
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        // Dropping the old end tells the pump that this round is over for us.
        self.blocks = None;
        self.at_start = true;
        Ok(())
    }

    fn frames(&self) -> Option<u64> {
        self.frames
    }
}

impl Drop for Tap {
    fn drop(&mut self) {
        let _ = self.asks.send(Ask::Done(self.number));
    }
}

/// Reads the record once a round for all who ask.
fn pump(
    source: &mut dyn SampleSource,
    settings: &[Settings],
    // Its end goes with this function, so that nobody waits for an answer that will not come.
    asks: Receiver<Ask>,
    progress: &mut OnProgress<'_>,
    stop: &AtomicBool,
) -> Result<(), ReceiverError> {
    let mut running = settings.len();
    let mut waiting: Vec<(usize, SyncSender<Result<Owned, SourceError>>)> = Vec::new();
    let mut pass = 0;
    loop {
        while waiting.len() < running {
            match asks.recv() {
                Ok(Ask::Again(number, sender)) => {
                    // Asked twice without reading: only the last counts.
                    waiting.retain(|(n, _)| *n != number);
                    waiting.push((number, sender));
                }
                Ok(Ask::Done(number)) => {
                    waiting.retain(|(n, _)| *n != number);
                    running -= 1;
                }
                Err(_) => return Ok(()),
            }
        }
        if running == 0 {
            return Ok(());
        }
        let mut round = std::mem::take(&mut waiting);
        if stop.load(Relaxed) {
            // Closing their ends lets them see that they are to stop.
            drop(round);
            return Err(ReceiverError::Cancelled);
        }
        pass += 1;
        if let Err(e) = source.rewind() {
            for (_, sender) in round {
                let _ = sender.send(Err(e.clone()));
            }
            return Err(e.into());
        }
        let mut frames_done = 0;
        while !round.is_empty() {
            let report = Progress { frames_done, frames_total: source.frames(), pass };
            if progress(&report).is_break() {
                stop.store(true, Relaxed);
                drop(round);
                return Err(ReceiverError::Cancelled);
            }
            let block = match source.next_block() {
                Ok(Some(block)) => block,
                Ok(None) => break,
                Err(e) => {
                    for (_, sender) in round {
                        let _ = sender.send(Err(e.clone()));
                    }
                    return Err(e.into());
                }
            };
            if let Some(bad) = settings.iter().find(|s| s.channel >= block.channels) {
                stop.store(true, Relaxed);
                return Err(ReceiverError::Settings {
                    field: "channel",
                    what: format!("channel {} of a record with {} (counted from 0)", bad.channel, block.channels),
                    expected: format!("0 to {}", block.channels.saturating_sub(1)),
                });
            }
            let frames = block.frames();
            let mut from = 0;
            while from < frames {
                let to = (from + FRAMES_AT_ONCE).min(frames);
                round.retain(|(number, sender)| {
                    sender.send(Ok(Owned::of(&block, settings[*number].channel, from, to))).is_ok()
                });
                from = to;
            }
            frames_done += frames as u64;
        }
    }
}
