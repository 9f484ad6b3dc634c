//! Weighted sums of a record's channels, sample by sample, as a record of their own.

use crate::window::bessel_i0;
use crate::{Block, SampleSlice, SampleSource, SourceError};

/// Half the length of the interpolating filter, frames.
const HALF: usize = 32;
/// Shape of its window: side lobes about 90 dB down.
const BETA: f64 = 9.0;

/// What is to be made of the channels.
#[derive(Debug, Clone, PartialEq)]
pub struct Mixing {
    /// One row for each channel that comes out: a factor for every channel that goes in (by its place in the record,
    /// missing ones count as 0).
    pub weights: Vec<Vec<f64>>,
    /// How many frames later each channel that goes in shows the same event; it is moved back by so much. Empty: all at
    /// once. Only differences matter; each may be at most 64 frames from the least.
    pub later_frames: Vec<f64>,
    /// Turn of the complex channels that belongs to a delay of one frame, cycles: centre frequency over rate. 0 for real
    /// records.
    pub centre_over_rate: f64,
}

/// A source whose channels are weighted sums of another's (vector combination in the time domain). Numbers come out as
/// single precision: a sum that cancels is exact to 10⁻⁷ of what cancelled in it.
///
/// A difference of whole frames is exact; a fraction of one is interpolated with a windowed sinc of 64 frames, flat within
/// 0.001 dB up to 0.46 of the rate. Frames before the first and after the last count as zero, so the first and last 64
/// frames of a shifted record are not to be relied on.
pub struct Weighted<'a> {
    source: &'a mut dyn SampleSource,
    mixing: Mixing,
    /// Filter of every channel that goes in: whole frames to look ahead, taps (empty: none needed), turn.
    shifts: Vec<Shift>,
    /// Last frames of every channel that goes in, in order, kept for the filter.
    kept: Vec<Vec<f64>>,
    /// Frames that the filters still owe at the end.
    owed: usize,
    ended: bool,
    out: Vec<f32>,
    complex: bool,
}

struct Shift {
    whole: usize,
    taps: Vec<f64>,
    turn: (f64, f64),
}

/// Mixing that cannot be done.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MixingError {
    /// Nothing comes out.
    #[error("no weighted sum was asked for; expected at least one")]
    Empty,
    /// A factor or delay that is no number.
    #[error("{field}: {value}; expected a finite number")]
    NotFinite {
        /// `weights` or `later_frames`.
        field: &'static str,
        /// As given.
        value: f64,
    },
    /// Channels too far apart.
    #[error("channel {channel} comes {frames} frames after the earliest; expected at most {most}")]
    TooFar {
        /// Counted from 1.
        channel: usize,
        /// How far.
        frames: f64,
        /// What is possible.
        most: usize,
    },
}

const MOST_FRAMES: usize = 64;

fn taps(fraction: f64) -> Vec<f64> {
    // The value at `fraction` between frame HALF−1 and the next, from 2·HALF frames.
    let mut taps: Vec<f64> = (0..2 * HALF)
        .map(|i| {
            let x = i as f64 - (HALF as f64 - 1.0) - fraction;
            let edge = x / HALF as f64;
            if edge.abs() >= 1.0 {
                return 0.0;
            }
            let sinc =
                if x.abs() < 1e-12 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
            sinc * bessel_i0(BETA * (1.0 - edge * edge).sqrt()) / bessel_i0(BETA)
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    for t in &mut taps {
        *t /= sum;
    }
    taps
}

impl<'a> Weighted<'a> {
    /// # Errors
    /// No sum, a factor or delay that is not finite, channels more than 64 frames apart.
    pub fn new(source: &'a mut dyn SampleSource, mixing: Mixing) -> Result<Self, MixingError> {
        if mixing.weights.is_empty() {
            return Err(MixingError::Empty);
        }
        let finite = |field, list: &[f64]| match list.iter().find(|v| !v.is_finite()) {
            Some(&value) => Err(MixingError::NotFinite { field, value }),
            None => Ok(()),
        };
        for row in &mixing.weights {
            finite("weights", row)?;
        }
        finite("later_frames", &mixing.later_frames)?;
        let used = mixing.weights.iter().map(Vec::len).max().unwrap_or(0);
        let later = |c: usize| mixing.later_frames.get(c).copied().unwrap_or(0.0);
        let first = (0..used).map(later).fold(f64::INFINITY, f64::min);
        let mut shifts = Vec::with_capacity(used);
        let any = (0..used).any(|c| later(c) != first);
        for c in 0..used {
            let frames = later(c) - first;
            if frames > MOST_FRAMES as f64 {
                return Err(MixingError::TooFar { channel: c + 1, frames, most: MOST_FRAMES });
            }
            let whole = frames.floor();
            let fraction = frames - whole;
            let angle = std::f64::consts::TAU * mixing.centre_over_rate * frames;
            shifts.push(Shift {
                whole: whole as usize,
                // Every channel goes through a filter of the same length, so that all keep step.
                taps: if any && fraction > 0.0 { taps(fraction) } else { Vec::new() },
                turn: (angle.cos(), angle.sin()),
            });
        }
        if !any {
            shifts.clear();
        }
        let mut made =
            Self { source, mixing, shifts, kept: Vec::new(), owed: 0, ended: false, out: Vec::new(), complex: false };
        made.empty();
        Ok(made)
    }

    fn empty(&mut self) {
        self.kept.clear();
        self.ended = false;
        self.owed = 0;
        self.out.clear();
    }

    /// Frames of look-ahead that a shifted channel needs.
    fn ahead() -> usize {
        MOST_FRAMES + HALF
    }

    /// Numbers of the block, side by side as they come.
    fn numbers(block: &Block<'_>) -> Vec<f64> {
        match block.samples {
            SampleSlice::U8(s) => s.iter().map(|&v| f64::from(v) - 128.0).collect(),
            SampleSlice::I8(s) => s.iter().map(|&v| f64::from(v)).collect(),
            SampleSlice::I16(s) => s.iter().map(|&v| f64::from(v)).collect(),
            SampleSlice::I32(s) => s.iter().map(|&v| f64::from(v)).collect(),
            SampleSlice::F32(s) => s.iter().map(|&v| f64::from(v)).collect(),
            SampleSlice::F64(s) => s.to_vec(),
        }
    }

    /// The plain case: every frame by itself.
    fn sums(&mut self, numbers: &[f64], channels: usize, parts: usize) {
        self.out.clear();
        for frame in numbers.chunks_exact(channels * parts) {
            for row in &self.mixing.weights {
                for p in 0..parts {
                    let sum: f64 = row.iter().take(channels).enumerate().map(|(c, w)| w * frame[c * parts + p]).sum();
                    self.out.push(sum as f32);
                }
            }
        }
    }

    /// The shifted case: frames are held back until the filters can see far enough ahead.
    fn shifted_sums(&mut self, numbers: &[f64], channels: usize, parts: usize) {
        self.out.clear();
        let lanes = self.shifts.len().min(channels) * parts;
        if self.kept.is_empty() {
            // What came before the first frame is silence.
            self.kept = vec![vec![0.0; HALF - 1]; lanes];
        }
        for frame in numbers.chunks_exact(channels * parts) {
            for (lane, kept) in self.kept.iter_mut().enumerate() {
                kept.push(frame[lane]);
            }
        }
        let have = self.kept.first().map_or(0, Vec::len);
        let ready = have.saturating_sub(HALF - 1 + Self::ahead());
        let mut value = vec![0.0; lanes];
        for at in 0..ready {
            for (c, shift) in self.shifts.iter().take(channels).enumerate() {
                for p in 0..parts {
                    let lane = &self.kept[c * parts + p];
                    let first = at + shift.whole;
                    value[c * parts + p] = if shift.taps.is_empty() {
                        lane[first + HALF - 1]
                    } else {
                        shift.taps.iter().zip(&lane[first..]).map(|(t, v)| t * v).sum()
                    };
                }
                if parts == 2 {
                    let (re, im) = (value[c * 2], value[c * 2 + 1]);
                    let (cos, sin) = shift.turn;
                    value[c * 2] = re * cos - im * sin;
                    value[c * 2 + 1] = re * sin + im * cos;
                }
            }
            for row in &self.mixing.weights {
                for p in 0..parts {
                    let sum: f64 = row.iter().take(channels).enumerate().map(|(c, w)| w * value[c * parts + p]).sum();
                    self.out.push(sum as f32);
                }
            }
        }
        for kept in &mut self.kept {
            kept.drain(..ready);
        }
    }
}

impl SampleSource for Weighted<'_> {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        loop {
            if self.ended {
                return Ok(None);
            }
            let read = self.source.next_block()?.map(|block| (Self::numbers(&block), block.channels, block.complex));
            match read {
                Some((numbers, channels, complex)) => {
                    self.complex = complex;
                    let parts = if complex { 2 } else { 1 };
                    if self.shifts.is_empty() {
                        self.sums(&numbers, channels, parts);
                    } else {
                        self.owed = Self::ahead();
                        self.shifted_sums(&numbers, channels, parts);
                    }
                }
                None => {
                    self.ended = true;
                    if self.shifts.is_empty() || self.kept.is_empty() {
                        return Ok(None);
                    }
                    let parts = if self.complex { 2 } else { 1 };
                    let channels = self.kept.len() / parts;
                    let silence = vec![0.0; self.owed * channels * parts];
                    self.shifted_sums(&silence, channels, parts);
                }
            }
            if !self.out.is_empty() {
                return Ok(Some(Block {
                    samples: SampleSlice::F32(&self.out),
                    channels: self.mixing.weights.len(),
                    complex: self.complex,
                }));
            }
        }
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        self.empty();
        self.source.rewind()
    }

    fn frames(&self) -> Option<u64> {
        self.source.frames()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Record {
        numbers: Vec<f64>,
        channels: usize,
        complex: bool,
        at: usize,
        block: usize,
    }

    impl SampleSource for Record {
        fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
            let width = self.channels * if self.complex { 2 } else { 1 };
            let from = self.at * width;
            if from >= self.numbers.len() {
                return Ok(None);
            }
            let to = (from + self.block * width).min(self.numbers.len());
            self.at += self.block;
            Ok(Some(Block {
                samples: SampleSlice::F64(&self.numbers[from..to]),
                channels: self.channels,
                complex: self.complex,
            }))
        }
        fn rewind(&mut self) -> Result<(), SourceError> {
            self.at = 0;
            Ok(())
        }
        fn frames(&self) -> Option<u64> {
            None
        }
    }

    fn all(source: &mut dyn SampleSource) -> Vec<f32> {
        let mut out = Vec::new();
        while let Some(block) = source.next_block().unwrap() {
            let SampleSlice::F32(s) = block.samples else { panic!("single precision") };
            out.extend_from_slice(s);
        }
        out
    }

    #[test]
    fn mean_and_half_difference_of_two_channels_whatever_the_blocks() {
        let numbers: Vec<f64> = (0..2000).map(|i| f64::from((i * 37) % 101) - 50.0).collect();
        for block in [1, 7, 1000] {
            let mut record = Record { numbers: numbers.clone(), channels: 2, complex: false, at: 0, block };
            let mixing = Mixing {
                weights: vec![vec![0.5, 0.5], vec![0.5, -0.5]],
                later_frames: Vec::new(),
                centre_over_rate: 0.0,
            };
            let mut sums = Weighted::new(&mut record, mixing).unwrap();
            let first = all(&mut sums);
            for (frame, out) in numbers.chunks(2).zip(first.chunks(2)) {
                assert_eq!(f64::from(out[0]), f64::midpoint(frame[0], frame[1]));
                assert_eq!(f64::from(out[1]), (frame[0] - frame[1]) / 2.0);
            }
            sums.rewind().unwrap();
            assert_eq!(all(&mut sums), first);
        }
    }

    /// A sine that one channel shows 3.37 frames later: moved back, half the difference vanishes. Identity of the sine.
    #[test]
    fn a_later_channel_is_moved_back() {
        let later = 3.37;
        let sine = |cycles: f64, t: f64| (std::f64::consts::TAU * cycles * t).sin();
        for cycles in [0.01, 0.123, 0.31, 0.45] {
            let numbers: Vec<f64> =
                (0..4000).flat_map(|i| [sine(cycles, f64::from(i)), sine(cycles, f64::from(i) - later)]).collect();
            for block in [11, 4096] {
                let mut record = Record { numbers: numbers.clone(), channels: 2, complex: false, at: 0, block };
                let mixing = Mixing {
                    weights: vec![vec![0.5, 0.5], vec![0.5, -0.5]],
                    later_frames: vec![0.0, later],
                    centre_over_rate: 0.0,
                };
                let out = all(&mut Weighted::new(&mut record, mixing).unwrap());
                assert_eq!(out.len(), 8000);
                let middle = &out[400..7600];
                let worst = middle.chunks(2).map(|f| f[1].abs()).fold(0.0, f32::max);
                assert!(worst < 1e-4, "{cycles}: {worst}");
                let sum =
                    middle.chunks(2).enumerate().map(|(i, f)| (f64::from(f[0]) - sine(cycles, i as f64 + 200.0)).abs());
                assert!(sum.fold(0.0, f64::max) < 1e-4);
            }
        }
    }

    /// In a complex record a delay also turns the phase by the centre frequency: e^(−j2πf₀τ).
    #[test]
    fn a_later_complex_channel_is_turned_back() {
        let (cycles, centre, later) = (0.05, 7.25, 1.5);
        let phasor = |t: f64| {
            let a = std::f64::consts::TAU * cycles * t;
            (a.cos(), a.sin())
        };
        let mut numbers = Vec::new();
        for i in 0..1000 {
            let (re, im) = phasor(f64::from(i));
            let (lr, li) = phasor(f64::from(i) - later);
            let turn = -std::f64::consts::TAU * centre * later;
            let (c, s) = (turn.cos(), turn.sin());
            numbers.extend([re, im, lr * c - li * s, lr * s + li * c]);
        }
        let mut record = Record { numbers, channels: 2, complex: true, at: 0, block: 64 };
        let mixing =
            Mixing { weights: vec![vec![0.5, -0.5]], later_frames: vec![0.0, later], centre_over_rate: centre };
        let out = all(&mut Weighted::new(&mut record, mixing).unwrap());
        assert!(out[200..1800].iter().all(|v| v.abs() < 1e-5));
    }

    #[test]
    fn impossible_mixings_are_refused() {
        let mut record = Record { numbers: vec![0.0; 10], channels: 2, complex: false, at: 0, block: 5 };
        let mixing = |weights, later| Mixing { weights, later_frames: later, centre_over_rate: 0.0 };
        assert!(Weighted::new(&mut record, mixing(vec![], vec![])).is_err());
        assert!(Weighted::new(&mut record, mixing(vec![vec![f64::NAN]], vec![])).is_err());
        let far = Weighted::new(&mut record, mixing(vec![vec![1.0, 1.0]], vec![0.0, 65.0])).err().unwrap();
        assert!(far.to_string().contains("channel 2 comes 65 frames"));
    }
}
