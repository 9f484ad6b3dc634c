//! From the record's numbers to volts of one channel, and what the numbers say about overload and rounding.

use signal::{SampleSlice, SampleSource};

use crate::simd::{self, InstructionSet};
use crate::types::{Overload, ReceiverError};

/// Real samples, or the two halves of complex ones (`im` empty for real records).
#[derive(Debug, Clone, Default)]
pub(crate) struct Planar {
    pub(crate) re: Vec<f32>,
    pub(crate) im: Vec<f32>,
}

impl Planar {
    pub(crate) fn len(&self) -> usize {
        self.re.len()
    }

    pub(crate) fn clear(&mut self) {
        self.re.clear();
        self.im.clear();
    }

    /// Drops the first `n`.
    pub(crate) fn drop_front(&mut self, n: usize) {
        for half in [&mut self.re, &mut self.im] {
            if !half.is_empty() {
                half.drain(..n);
            }
        }
    }

    /// Appends what stands in `other` from `from` on.
    pub(crate) fn extend_from(&mut self, other: &Self, from: usize) {
        self.re.extend_from_slice(&other.re[from..]);
        if !other.im.is_empty() {
            self.im.extend_from_slice(&other.im[from..]);
        }
    }
}

/// The record as volts of one channel.
pub(crate) struct Front<'s> {
    source: &'s mut dyn SampleSource,
    channel: usize,
    volts_per_unit: f64,
    complex: bool,
    /// The first block, read to learn whether the record is complex, until it is asked for.
    pending: Option<Planar>,
    /// Frames handed out in this pass.
    pub(crate) frames: u64,
    statistics: Option<Statistics>,
    /// Smallest step of an integer record, V.
    pub(crate) lsb_v: Option<f64>,
    used_bits: u32,
}

impl<'s> Front<'s> {
    pub(crate) fn new(
        source: &'s mut dyn SampleSource,
        channel: usize,
        volts_per_unit: f64,
    ) -> Result<Self, ReceiverError> {
        let mut front = Self {
            source,
            channel,
            volts_per_unit,
            complex: false,
            pending: None,
            frames: 0,
            statistics: Some(Statistics::default()),
            lsb_v: None,
            used_bits: 0,
        };
        front.source.rewind()?;
        let mut first = Planar::default();
        while first.re.is_empty() && front.read(&mut first)? {}
        front.complex = !first.im.is_empty();
        front.pending = Some(first);
        Ok(front)
    }

    pub(crate) fn complex(&self) -> bool {
        self.complex
    }

    /// The record holds a frame at least; to be asked before the first of them is taken.
    pub(crate) fn holds_frames(&self) -> bool {
        self.pending.as_ref().is_some_and(|p| p.len() > 0)
    }

    pub(crate) fn frames_total(&self) -> Option<u64> {
        self.source.frames()
    }

    /// Appends the next block; false at the end of the record.
    pub(crate) fn append(&mut self, to: &mut Planar) -> Result<bool, ReceiverError> {
        if let Some(first) = self.pending.take() {
            self.frames += first.len() as u64;
            to.extend_from(&first, 0);
            return Ok(!first.re.is_empty());
        }
        let before = to.len();
        let more = self.read(to)?;
        self.frames += (to.len() - before) as u64;
        Ok(more)
    }

    /// Back to the first frame; the statistics are complete and no longer gathered.
    pub(crate) fn rewind(&mut self) -> Result<Overload, ReceiverError> {
        self.pending = None;
        self.frames = 0;
        let overload = self.statistics.take().map(Statistics::finish).unwrap_or_default();
        self.source.rewind()?;
        Ok(overload)
    }

    /// What the numbers told so far in this pass; nothing once they are no longer looked at.
    pub(crate) fn overload_so_far(&self) -> Overload {
        self.statistics.as_ref().map(|s| s.clone().finish()).unwrap_or_default()
    }

    fn read(&mut self, to: &mut Planar) -> Result<bool, ReceiverError> {
        let scale = self.volts_per_unit;
        let before = to.len();
        let Some(block) = self.source.next_block()? else { return Ok(false) };
        if self.channel >= block.channels {
            return Err(ReceiverError::Settings {
                field: "channel",
                what: format!("channel {} of a record with {} (counted from 0)", self.channel, block.channels),
                expected: format!("0 to {}", block.channels.saturating_sub(1)),
            });
        }
        let pick =
            Pick { channel: self.channel, channels: block.channels, complex: block.complex, scale: scale as f32 };
        // Highest and lowest number of the format, and whether rounding to it leaves a floor.
        let limits = match block.samples {
            SampleSlice::U8(s) => {
                pick.run(s, to, |x| f32::from(x) - 128.0);
                Some((-128.0, 127.0))
            }
            SampleSlice::I8(s) => {
                pick.run(s, to, f32::from);
                Some((-128.0, 127.0))
            }
            SampleSlice::I16(s) => {
                pick.run(s, to, f32::from);
                Some((-32768.0, 32767.0))
            }
            SampleSlice::I32(s) => {
                pick.run(s, to, |x| x as f32);
                if self.statistics.is_some() {
                    self.used_bits |= s.iter().fold(0, |a, x| a | *x as u32);
                }
                // 24-bit records stand in the upper bits, so their highest number has the low byte empty.
                Some((-2147483648.0, 2147483392.0))
            }
            SampleSlice::F32(s) => {
                pick.run(s, to, |x| x);
                None
            }
            SampleSlice::F64(s) => {
                // Scaled before it is rounded: a record in nanovolts or gigavolts keeps its digits.
                Pick { scale: 1.0, ..pick }.run(s, to, |x| (x * scale) as f32);
                None
            }
        };
        if let Some(statistics) = &mut self.statistics {
            let limits = limits.map(|(low, high): (f32, f32)| (low * pick.scale, high * pick.scale));
            if limits.is_some() {
                let lsb = match block.samples {
                    SampleSlice::I32(_) => 2f64.powi(self.used_bits.trailing_zeros().min(31) as i32),
                    _ => 1.0,
                };
                self.lsb_v = Some(lsb * scale);
            }
            let at = statistics.frames;
            for half in [&to.re, &to.im] {
                if !half.is_empty() && !statistics.add(&half[before..], limits) {
                    let bad = half[before..].iter().position(|x| !x.is_finite()).unwrap_or(0);
                    return Err(ReceiverError::NotFinite { frame: at + bad as u64, channel: self.channel });
                }
            }
            statistics.frames += (to.len() - before) as u64;
        }
        Ok(true)
    }
}

#[derive(Clone, Copy)]
struct Pick {
    channel: usize,
    channels: usize,
    complex: bool,
    scale: f32,
}

impl Pick {
    fn run<T: Copy>(self, s: &[T], to: &mut Planar, number: impl Fn(T) -> f32) {
        let k = self.scale;
        match (self.complex, self.channels) {
            (false, 1) => to.re.extend(s.iter().map(|x| number(*x) * k)),
            (false, n) => to.re.extend(s.chunks_exact(n).map(|f| number(f[self.channel]) * k)),
            (true, n) => {
                to.re.extend(s.chunks_exact(2 * n).map(|f| number(f[2 * self.channel]) * k));
                to.im.extend(s.chunks_exact(2 * n).map(|f| number(f[2 * self.channel + 1]) * k));
            }
        }
    }
}

/// What the numbers themselves tell.
#[derive(Debug, Clone, Default)]
struct Statistics {
    frames: u64,
    at_format_limit: u64,
    high: Extreme,
    low: Extreme,
}

/// Runs of equal samples at one of the record's two extremes.
#[derive(Debug, Clone, Default)]
struct Extreme {
    value: Option<f32>,
    /// Samples in runs long enough to be clipping.
    in_runs: u64,
    longest: u64,
    run: u64,
}

/// A run this long of equal samples at the extreme is taken for clipping: a sampled sine has at most two or three.
const CLIPPED_RUN: u64 = 4;

impl Extreme {
    /// `sign` 1 for the highest, −1 for the lowest.
    /// `top` is the highest of the samples in that sense.
    fn add(&mut self, samples: &[f32], sign: f32, top: f32) {
        match self.value {
            Some(v) if top < v => {
                self.end_run();
                return;
            }
            Some(v) if top == v => {}
            _ => *self = Self { value: Some(top), ..Self::default() },
        }
        for x in samples {
            if x * sign == top {
                self.run += 1;
            } else if self.run > 0 {
                self.end_run();
            }
        }
    }

    fn end_run(&mut self) {
        self.longest = self.longest.max(self.run);
        if self.run >= CLIPPED_RUN {
            self.in_runs += self.run;
        }
        self.run = 0;
    }
}

impl Statistics {
    /// False where a sample is not finite.
    fn add(&mut self, samples: &[f32], limits: Option<(f32, f32)>) -> bool {
        const CHUNK: usize = 4096;
        for chunk in samples.chunks(CHUNK) {
            let seen = simd::span(InstructionSet::best(), chunk);
            if !seen.finite {
                return false;
            }
            if let Some((low, high)) = limits
                && (seen.low <= low || seen.high >= high)
            {
                self.at_format_limit +=
                    u64::from(chunk.iter().map(|x| u32::from(*x >= high) + u32::from(*x <= low)).sum::<u32>());
            }
            self.high.add(chunk, 1.0, seen.high);
            self.low.add(chunk, -1.0, -seen.low);
        }
        true
    }

    fn finish(mut self) -> Overload {
        self.high.end_run();
        self.low.end_run();
        let magnitude = |e: &Extreme| f64::from(e.value.unwrap_or(0.0)).abs();
        // A record that never moves is silent, not clipped.
        let still = matches!((self.high.value, self.low.value), (Some(h), Some(l)) if h == -l);
        let runs = if still { 0 } else { self.high.in_runs + self.low.in_runs };
        Overload {
            clipped_samples: runs.max(self.at_format_limit),
            longest_run: if still { 0 } else { self.high.longest.max(self.low.longest) },
            highest_v: magnitude(&self.high).max(magnitude(&self.low)),
        }
    }
}
