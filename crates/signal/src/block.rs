/// A run of samples in the number format their file holds, borrowed from the file where the format allows.
#[derive(Debug, Clone, Copy)]
pub enum SampleSlice<'a> {
    /// Unsigned bytes, 128 is zero.
    U8(&'a [u8]),
    /// Signed bytes.
    I8(&'a [i8]),
    /// 16-bit integers.
    I16(&'a [i16]),
    /// 32-bit integers (24-bit files are widened to these).
    I32(&'a [i32]),
    /// Single precision.
    F32(&'a [f32]),
    /// Double precision.
    F64(&'a [f64]),
}

impl SampleSlice<'_> {
    /// Numbers in the run (a complex sample counts two, a frame of n channels n).
    pub fn len(&self) -> usize {
        match self {
            Self::U8(s) => s.len(),
            Self::I8(s) => s.len(),
            Self::I16(s) => s.len(),
            Self::I32(s) => s.len(),
            Self::F32(s) => s.len(),
            Self::F64(s) => s.len(),
        }
    }

    /// True where nothing is in it.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Consecutive frames of a capture: `samples` holds frame after frame, in each the channels side by side, in each
/// channel one number (real) or two (complex: real, imaginary). Always whole frames.
#[derive(Debug, Clone, Copy)]
pub struct Block<'a> {
    /// The numbers.
    pub samples: SampleSlice<'a>,
    /// Channels in a frame.
    pub channels: usize,
    /// Two numbers a channel instead of one.
    pub complex: bool,
}

impl Block<'_> {
    /// Frames (points in time) in the block.
    pub fn frames(&self) -> usize {
        self.samples.len() / (self.channels * if self.complex { 2 } else { 1 })
    }
}

/// Samples could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {what}")]
pub struct SourceError {
    /// File and byte or line.
    pub place: String,
    /// What went wrong.
    pub what: String,
}

/// Something that hands out a capture block by block, in order, in bounded memory, and can start again.
pub trait SampleSource {
    /// The next frames, or nothing at the end. Blocks may be of any length.
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError>;
    /// Back to the first frame (the receiver plays the beginning again to reach the periodic state).
    fn rewind(&mut self) -> Result<(), SourceError>;
    /// Frames in all, where known; for progress.
    fn frames(&self) -> Option<u64>;
}
