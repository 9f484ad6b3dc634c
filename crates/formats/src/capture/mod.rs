//! Captures: sampled time records, read block by block in bounded memory.
//!
//! [`open_capture`] looks at the name and the content, understands the header, and gives a [`Capture`]: a
//! [`SampleSource`] with a [`CaptureInfo`] that says what was understood. Numbers are handed out as the file stores
//! them (multiply by [`ChannelInfo::volts_per_unit`]); where the file's number format is the block's, the block is the
//! very buffer that was read.

mod binary;
mod follow;
mod lines;
mod npy;
mod number;
mod scope_csv;
mod sigmf;
mod span;
mod wav;
pub mod writer;

use std::fs::File;
use std::io::{self, Read, Seek};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use signal::{Block, SampleSource, SourceError};

pub use follow::{Follow, FollowNote, StreamFormat, follow_file, follow_tcp};

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
    /// Channels to keep, by name or by number counted from 1, in this order. In a text the columns that are neither time
    /// nor a running number are channels. Empty: all.
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
    /// Whether a text writes decimals with a comma. Default: seen from the text; where it can be read both ways, that
    /// is an error.
    pub decimal_comma: Option<bool>,
    /// Check the SHA-512 that a SigMF recording carries (reads the whole file once).
    pub verify_hash: bool,
    /// Bytes read at a time. Default 4 MiB.
    pub block_bytes: Option<usize>,
    /// Only what lies between these times, s after the first frame. The second may lie beyond the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub span_s: Option<[f64; 2]>,
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
    source: Box<dyn Source + Send>,
    /// Nothing in the file says where its numbers end.
    open_end: bool,
}

/// A source that may know a shorter way to a frame than reading up to it.
trait Source: SampleSource {
    /// Goes on at this frame; false where there is no such way.
    fn go_to(&mut self, _frame: u64) -> bool {
        false
    }
    /// The block handed out last, again.
    fn last_block(&self) -> Block<'_>;
    /// The same as a source that goes on as the file grows; nothing where that cannot be.
    fn growing(self: Box<Self>) -> Option<binary::BinarySource> {
        None
    }
}

impl Source for scope_csv::CsvSource {
    fn last_block(&self) -> Block<'_> {
        self.last_block()
    }
}

impl Source for binary::BinarySource {
    fn go_to(&mut self, frame: u64) -> bool {
        self.set_next_frame(frame);
        true
    }
    fn growing(self: Box<Self>) -> Option<binary::BinarySource> {
        Some(*self)
    }
    fn last_block(&self) -> Block<'_> {
        self.last_block()
    }
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

    /// The same as a source that goes on as the file grows; nothing for texts and for channels one after the other.
    fn into_growing(self) -> Option<binary::BinarySource> {
        let source = self.source.growing()?;
        // A .npy header that promises a count means it. Recorders of waves write their length now and then or at the end,
        // so it is an end only where something else follows.
        let wave = self.info.format == CaptureFormat::Wav && source.ends_with_numbers();
        source.growing(self.open_end || wave)
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

/// What a header reader found out.
struct Found {
    layout: binary::Layout,
    rate_hz: Option<f64>,
    centre_hz: Option<f64>,
    annotations: Vec<Annotation>,
    notes: Vec<String>,
    /// By common practice full scale is 1 in this format, where nothing else is said.
    normalised: bool,
    /// Frames spoken of beyond those in `layout`.
    promised: Option<u64>,
}

impl Default for Found {
    fn default() -> Self {
        let number = number::Number { kind: number::Kind::U8, big_endian: false };
        Self {
            layout: binary::Layout {
                number,
                channels: 1,
                complex: false,
                offset: 0,
                frames: 0,
                planar: None,
                keep: Vec::new(),
            },
            rate_hz: None,
            centre_hz: None,
            annotations: Vec::new(),
            notes: Vec::new(),
            normalised: false,
            promised: None,
        }
    }
}

fn content(path: &Path, place: &str, what: String, expected: &str) -> CaptureError {
    CaptureError::Content { path: path.to_owned(), place: place.to_owned(), what, expected: expected.to_owned() }
}

fn choice(path: &Path, field: &'static str, what: String, expected: &str) -> CaptureError {
    CaptureError::Choice { path: path.to_owned(), field, what, expected: expected.to_owned() }
}

/// Bytes of a block where nothing is asked for: what is read is still in the cache when it is looked at.
const DEFAULT_BLOCK_BYTES: usize = 256 << 10;

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}

/// Opens a capture: `.npy`, `.wav`, SigMF (either of its two files named), text with columns, or raw numbers where
/// [`CaptureChoices::data_type`] is given. The signature in the file counts where it has one, the extension elsewhere.
/// Of binary formats only the header is read; a text is read through once, to count its rows and to see whether its
/// time stamps are even.
pub fn open_capture(path: &Path, choices: &CaptureChoices) -> Result<Capture, CaptureError> {
    for (field, value) in [
        ("rate_hz", choices.rate_hz),
        ("volts_per_unit", choices.volts_per_unit),
        ("full_scale_v", choices.full_scale_v),
        ("centre_hz", choices.centre_hz),
    ] {
        if let Some(v) = value
            && !(v.is_finite() && v > 0.0)
        {
            return Err(choice(path, field, v.to_string(), "a positive number"));
        }
    }
    if choices.volts_per_unit.is_some() && choices.full_scale_v.is_some() {
        return Err(choice(path, "full_scale_v", "the scale is given twice".into(), "volts_per_unit or full_scale_v"));
    }
    if let Some([from, to]) = choices.span_s
        && !(from >= 0.0 && to > from && to.is_finite())
    {
        return Err(choice(path, "span_s", format!("{from} s to {to} s"), "two times, the second later, none below 0"));
    }
    let capture = open_whole(path, choices)?;
    match choices.span_s {
        Some(span) => span::cut(capture, span),
        None => Ok(capture),
    }
}

fn open_whole(path: &Path, choices: &CaptureChoices) -> Result<Capture, CaptureError> {
    let io = |source| CaptureError::Io { path: path.to_owned(), source };
    let extension = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    if choices.data_type.is_none() && matches!(extension.as_str(), "sigmf-meta" | "sigmf-data") {
        let (data_path, file, found) = sigmf::open(path, choices)?;
        return finish(path, &data_path, file, found, CaptureFormat::SigMf, choices);
    }
    let mut file = File::open(path).map_err(io)?;
    if file.metadata().map_err(io)?.is_dir() {
        return Err(content(path, "path", "a folder".into(), "a file"));
    }
    if let Some(text) = &choices.data_type {
        let found = raw(path, text, choices)?;
        return finish(path, path, file, found, CaptureFormat::Raw, choices);
    }
    let mut start = [0u8; 512];
    let mut have = 0;
    while have < start.len() {
        match file.read(&mut start[have..]).map_err(io)? {
            0 => break,
            n => have += n,
        }
    }
    let start = &start[..have];
    file.rewind().map_err(io)?;
    if have == 0 {
        return Err(content(path, "byte 0", "an empty file".into(), "a capture"));
    }
    if start.starts_with(b"\x93NUMPY") || extension == "npy" {
        let found = npy::open(path, &mut file, choices)?;
        return finish(path, path, file, found, CaptureFormat::Npy, choices);
    }
    if [b"RIFF", b"RF64", b"BW64"].iter().any(|s| start.starts_with(*s)) || matches!(extension.as_str(), "wav" | "wave")
    {
        let found = wav::open(path, &mut file, choices)?;
        return finish(path, path, file, found, CaptureFormat::Wav, choices);
    }
    if extension == "sigmf" {
        return Err(content(path, "byte 0", "an archive".into(), "its unpacked .sigmf-meta and .sigmf-data"));
    }
    let utf16 = start.starts_with(&[0xFF, 0xFE]) || start.starts_with(&[0xFE, 0xFF]);
    if !utf16 && start.iter().any(|b| *b == 0 || (*b < 0x20 && !matches!(b, b'\t' | b'\n' | b'\r' | 0x0C))) {
        return Err(content(
            path,
            "byte 0",
            "a binary file of no known format".into(),
            "a .npy, .wav, SigMF or text file, or the number format of a raw one (data_type, such as f32_le)",
        ));
    }
    let (source, info) = scope_csv::open(path, file, choices)?;
    Ok(Capture { path: path.to_owned(), info, source: Box::new(source), open_end: false })
}

/// A file that is nothing but numbers.
fn raw(path: &Path, text: &str, choices: &CaptureChoices) -> Result<Found, CaptureError> {
    let (number, complex) = number::Number::from_sigmf(text).ok_or_else(|| {
        choice(path, "data_type", format!("`{text}`"), "such as f32_le, i16_be, u8, ci16_le, cf32_le")
    })?;
    let channels = choices.raw_channels.unwrap_or(1);
    if channels == 0 || channels > 4096 {
        return Err(choice(path, "raw_channels", channels.to_string(), "1 to 4096"));
    }
    let layout = binary::Layout {
        number,
        channels,
        complex: complex || choices.complex == Some(true),
        offset: 0,
        frames: u64::MAX,
        planar: None,
        keep: Vec::new(),
    };
    Ok(Found { layout, ..Found::default() })
}

/// Which channels to hand out: by name, or by number counted from 1.
fn pick(path: &Path, wanted: &[String], names: &[String]) -> Result<Vec<usize>, CaptureError> {
    if wanted.is_empty() {
        return Ok((0..names.len()).collect());
    }
    let mut out = Vec::new();
    for w in wanted {
        let by_name = names.iter().position(|n| n.eq_ignore_ascii_case(w.trim()));
        let by_number = w.trim().parse::<usize>().ok().filter(|n| (1..=names.len()).contains(n)).map(|n| n - 1);
        let Some(index) = by_name.or(by_number) else {
            let expected = format!("one of {}, or a number from 1 to {}", names.join(", "), names.len());
            return Err(choice(path, "channels", format!("no channel `{w}`"), &expected));
        };
        if out.contains(&index) {
            return Err(choice(path, "channels", format!("channel `{w}` twice"), "each channel once"));
        }
        out.push(index);
    }
    Ok(out)
}

/// Puts together what the header and the user said.
fn finish(
    path: &Path,
    data_path: &Path,
    file: File,
    mut found: Found,
    format: CaptureFormat,
    choices: &CaptureChoices,
) -> Result<Capture, CaptureError> {
    let io = |source| CaptureError::Io { path: data_path.to_owned(), source };
    let mut notes = std::mem::take(&mut found.notes);
    let length = file.metadata().map_err(io)?.len();
    let in_file = found.layout.frames_in(length);
    let promised = found.promised.or((found.layout.frames != u64::MAX).then_some(found.layout.frames));
    let open_end = found.layout.frames == u64::MAX || format == CaptureFormat::SigMf;
    if found.layout.frames == u64::MAX {
        found.layout.frames = in_file;
        let over = length.saturating_sub(found.layout.offset) % found.layout.frame_bytes();
        if over != 0 {
            notes.push(format!("the last {over} bytes make no whole frame: left out"));
        }
    }
    let truncated =
        promised.filter(|p| *p > in_file).map(|promised_frames| Truncated { promised_frames, found_frames: in_file });
    if let Some(t) = truncated {
        notes.push(format!(
            "the file promises {} frames and holds {}: cut off, or still being written",
            t.promised_frames, t.found_frames
        ));
    }
    let names: Vec<String> = (1..=found.layout.channels).map(|n| format!("channel {n}")).collect();
    found.layout.keep = pick(path, &choices.channels, &names)?;
    let number = found.layout.number;
    if choices.complex == Some(false) && found.layout.complex {
        return Err(choice(path, "complex", "the file holds complex numbers".into(), "true, or nothing said"));
    }
    let full_scale = number.full_scale();
    let (volts_per_unit, scale_known) = match (choices.volts_per_unit, choices.full_scale_v, full_scale) {
        (Some(v), _, _) => (v, true),
        (None, Some(v), Some(full)) => (v / full, true),
        (None, Some(_), None) => {
            return Err(choice(
                path,
                "full_scale_v",
                "floating-point numbers have no full scale".into(),
                "volts_per_unit",
            ));
        }
        (None, None, Some(full)) if found.normalised => {
            notes.push(format!("no scale is given: full scale ({full} counts) is taken as 1 V"));
            (1.0 / full, false)
        }
        (None, None, Some(_)) => {
            notes.push("no scale is given: one count is taken as 1 V".into());
            (1.0, false)
        }
        (None, None, None) => (1.0, false),
    };
    if number.unsigned() {
        notes.push("unsigned numbers: the middle of their range is taken as zero".into());
    }
    let rate_hz = match (choices.rate_hz, found.rate_hz) {
        (Some(said), Some(stated)) if said != stated => {
            notes.push(format!("the file says {stated} Hz; {said} Hz is used, as asked"));
            Some(said)
        }
        (said, stated) => said.or(stated),
    };
    let centre_hz = if found.layout.complex { choices.centre_hz.or(found.centre_hz) } else { None };
    let channels = found
        .layout
        .keep
        .iter()
        .map(|&c| ChannelInfo { name: names[c].clone(), unit: "V".into(), volts_per_unit, scale_known })
        .collect();
    let info = CaptureInfo {
        name: file_name(path),
        format,
        sample_type: number.words(found.layout.complex),
        channels,
        complex: found.layout.complex,
        rate_hz,
        centre_hz,
        frames: Some(in_file),
        duration_s: rate_hz.map(|r| in_file as f64 / r),
        start_s: None,
        full_scale,
        annotations: found.annotations,
        truncated,
        notes,
    };
    let block_bytes = choices.block_bytes.unwrap_or(DEFAULT_BLOCK_BYTES);
    let source = binary::BinarySource::new(file, file_name(data_path), found.layout, block_bytes);
    Ok(Capture { path: path.to_owned(), info, source: Box::new(source), open_end })
}
