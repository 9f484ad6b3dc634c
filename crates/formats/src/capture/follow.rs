//! Captures that are still coming in: a file that grows, and numbers over a TCP connection.

use std::collections::VecDeque;
use std::io::{self, Read};
use std::net::{TcpStream, ToSocketAddrs};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use signal::{Arrival, Block, LiveSource, SampleSlice, SampleSource, SourceError};

use super::binary::{BinarySource, Layout};
use super::number::{Kind, Number, centre_unsigned, to_native};
use super::{CaptureChoices, CaptureError, CaptureInfo, choice, open_capture};

/// How often a growing file is looked at.
const LOOK: Duration = Duration::from_millis(20);
/// A connection is tried for so long.
const CONNECT: Duration = Duration::from_secs(5);
/// Bytes handed on at a time at most, so that traces can be refreshed several times a second.
const PIECE: usize = 1 << 18;

/// A remark for people about how a stream comes in.
#[derive(Debug, Clone, PartialEq)]
pub enum FollowNote {
    /// A file, read as it grows: whatever the speed, nothing of it is lost.
    File,
    /// A stream through a ring of so many bytes: what does not fit in it is lost, and counted.
    Ring {
        /// Size of the ring.
        bytes: usize,
    },
}

/// The numbers of a stream without a header.
#[derive(Debug, Clone, PartialEq)]
pub struct StreamFormat {
    /// Number format in SigMF spelling: `i16_le`, `cf32_le`; without `_le` or `_be` the least byte comes first.
    pub data_type: String,
    /// Two numbers make one complex sample.
    pub complex: bool,
    /// Channels side by side.
    pub channels: usize,
    /// Bytes that wait at most; beyond it the newest are lost, whole pieces at a time. Default 64 MiB.
    pub ring_bytes: Option<usize>,
}

enum Way {
    File { source: BinarySource, ended: bool },
    Ring { ring: Arc<Ring>, words: Vec<u64>, numbers: usize, layout: Layout },
}

/// A capture that is still coming in. Dropping it ends the connection.
pub struct Follow {
    info: CaptureInfo,
    way: Way,
    stop: Arc<AtomicBool>,
    note: FollowNote,
}

impl std::fmt::Debug for Follow {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Follow").field("info", &self.info).finish_non_exhaustive()
    }
}

impl Follow {
    /// What is known of it; the number of frames is that of the moment it was opened.
    pub fn info(&self) -> &CaptureInfo {
        &self.info
    }

    /// Setting this ends the stream as if the other side had: what has come in is still handed out for a ring, and left
    /// for a file.
    pub fn stop(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.stop)
    }

    /// How it comes in.
    pub fn note(&self) -> &FollowNote {
        &self.note
    }
}

/// Follows a file that is being written: `.npy` (whatever count its header promises so far), `.wav`, SigMF, raw numbers.
/// Begins with its first frame. A text cannot be followed, nor can channels that lie one after the other.
pub fn follow_file(path: &Path, choices: &CaptureChoices) -> Result<Follow, CaptureError> {
    let open =
        CaptureChoices { span_s: None, block_bytes: Some(choices.block_bytes.unwrap_or(PIECE)), ..choices.clone() };
    let capture = open_capture(path, &open)?;
    let mut info = capture.info().clone();
    let Some(source) = capture.into_growing() else {
        return Err(choice(
            path,
            "follow",
            "a text, or channels that lie one after the other".into(),
            "a .npy, .wav, SigMF or raw file with its channels side by side",
        ));
    };
    // What a header promises of a file that is still being written is no fault of it.
    info.truncated = None;
    info.notes.retain(|n| !n.contains("still being written") && !n.contains("make no whole frame"));
    Ok(Follow {
        info,
        way: Way::File { source, ended: false },
        stop: Arc::new(AtomicBool::new(false)),
        note: FollowNote::File,
    })
}

/// Follows numbers over a TCP connection: `address` is `HOST:PORT`, with or without `tcp://` before it.
pub fn follow_tcp(address: &str, format: &StreamFormat, choices: &CaptureChoices) -> Result<Follow, CaptureError> {
    let path = PathBuf::from(address);
    let plain = address.strip_prefix("tcp://").unwrap_or(address).trim_end_matches('/');
    let given = &format.data_type;
    let (number, complex) =
        Number::from_sigmf(given).or_else(|| Number::from_sigmf(&format!("{given}_le"))).ok_or_else(|| {
            choice(
                &path,
                "format",
                format!("`{given}`"),
                "i8, u8, i16, i32, f32 or f64, with _le or _be where it matters, and c before it for complex numbers",
            )
        })?;
    if format.channels == 0 || format.channels > 4096 {
        return Err(choice(&path, "channels", format.channels.to_string(), "1 to 4096"));
    }
    let complex = complex || format.complex || choices.complex == Some(true);
    let rate_hz = choices.rate_hz.ok_or_else(|| CaptureError::MissingRate { path: path.clone() })?;
    let layout = Layout {
        number,
        channels: format.channels,
        complex,
        offset: 0,
        frames: u64::MAX,
        planar: None,
        keep: (0..format.channels).collect(),
    };
    let bytes = format.ring_bytes.unwrap_or(64 << 20).max(layout.frame_bytes() as usize);
    let io = |source| CaptureError::Io { path: path.clone(), source };
    let target = plain.to_socket_addrs().map_err(io)?.next();
    let target = target.ok_or_else(|| choice(&path, "address", format!("`{plain}`"), "HOST:PORT"))?;
    let stream = TcpStream::connect_timeout(&target, CONNECT).map_err(io)?;
    stream.set_read_timeout(Some(Duration::from_millis(100))).map_err(io)?;
    let full_scale = number.full_scale();
    let (volts_per_unit, scale_known) = match (choices.volts_per_unit, choices.full_scale_v, full_scale) {
        (Some(v), _, _) => (v, true),
        (None, Some(v), Some(full)) => (v / full, true),
        _ => (1.0, full_scale.is_none()),
    };
    let channels = (1..=format.channels)
        .map(|n| super::ChannelInfo { name: format!("channel {n}"), unit: "V".into(), volts_per_unit, scale_known })
        .collect();
    let info = CaptureInfo {
        name: address.to_owned(),
        format: super::CaptureFormat::Raw,
        sample_type: number.words(complex),
        channels,
        complex,
        rate_hz: Some(rate_hz),
        centre_hz: if complex { choices.centre_hz } else { None },
        frames: None,
        duration_s: None,
        start_s: None,
        full_scale,
        annotations: Vec::new(),
        truncated: None,
        notes: Vec::new(),
    };
    let stop = Arc::new(AtomicBool::new(false));
    let ring =
        Arc::new(Ring { bytes, frame: layout.frame_bytes() as usize, state: Mutex::default(), came: Condvar::new() });
    let (filled, stopped) = (Arc::clone(&ring), Arc::clone(&stop));
    std::thread::Builder::new().name("stream".into()).spawn(move || fill(stream, &filled, &stopped)).map_err(io)?;
    Ok(Follow {
        info,
        way: Way::Ring { ring, words: Vec::new(), numbers: 0, layout },
        stop,
        note: FollowNote::Ring { bytes },
    })
}

impl Drop for Follow {
    fn drop(&mut self) {
        self.stop.store(true, Relaxed);
    }
}

/// What waits between the connection and the one who measures.
struct Ring {
    /// Bytes that wait at most.
    bytes: usize,
    /// Bytes of a frame.
    frame: usize,
    state: Mutex<Waiting>,
    came: Condvar,
}

#[derive(Default)]
struct Waiting {
    pieces: VecDeque<Piece>,
    bytes: usize,
    over: Option<Result<(), String>>,
}

enum Piece {
    Bytes(Vec<u8>),
    Lost(u64),
}

impl Ring {
    fn lock(&self) -> std::sync::MutexGuard<'_, Waiting> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whole frames; kept where there is room, else counted as lost.
    fn put(&self, piece: Vec<u8>) {
        let mut state = self.lock();
        if state.bytes + piece.len() > self.bytes {
            let frames = (piece.len() / self.frame) as u64;
            match state.pieces.back_mut() {
                Some(Piece::Lost(lost)) => *lost += frames,
                _ => state.pieces.push_back(Piece::Lost(frames)),
            }
        } else {
            state.bytes += piece.len();
            state.pieces.push_back(Piece::Bytes(piece));
        }
        self.came.notify_one();
    }

    fn end(&self, how: Result<(), String>) {
        self.lock().over = Some(how);
        self.came.notify_one();
    }

    fn take(&self, at_most: Duration) -> Result<Option<Piece>, Option<String>> {
        let until = Instant::now() + at_most;
        let mut state = self.lock();
        loop {
            if let Some(piece) = state.pieces.pop_front() {
                if let Piece::Bytes(b) = &piece {
                    state.bytes -= b.len();
                }
                return Ok(Some(piece));
            }
            match &state.over {
                Some(Ok(())) => return Err(None),
                Some(Err(what)) => return Err(Some(what.clone())),
                None => {}
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(None);
            }
            state = self.came.wait_timeout(state, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }
}

/// Takes from the connection whatever comes, as fast as it comes.
fn fill(mut stream: TcpStream, ring: &Ring, stop: &AtomicBool) {
    let mut piece = vec![0; PIECE];
    // Bytes of a frame that is not whole yet stand at the front.
    let mut have = 0;
    loop {
        if stop.load(Relaxed) {
            return ring.end(Ok(()));
        }
        match stream.read(&mut piece[have..]) {
            Ok(0) => return ring.end(Ok(())),
            Ok(n) => {
                have += n;
                let whole = have / ring.frame * ring.frame;
                if whole > 0 {
                    let rest = piece[whole..have].to_vec();
                    ring.put(piece[..whole].to_vec());
                    piece[..rest.len()].copy_from_slice(&rest);
                    have = rest.len();
                }
            }
            Err(e)
                if matches!(
                    e.kind(),
                    io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted
                ) => {}
            Err(e) => return ring.end(Err(e.to_string())),
        }
    }
}

impl LiveSource for Follow {
    fn wait(&mut self, at_most: Duration) -> Result<Arrival, SourceError> {
        let name = &self.info.name;
        match &mut self.way {
            Way::File { source, ended } => {
                let until = Instant::now() + at_most;
                loop {
                    if *ended || self.stop.load(Relaxed) {
                        *ended = true;
                        return Ok(Arrival::End);
                    }
                    if source.next_block()?.is_some() {
                        return Ok(Arrival::Block);
                    }
                    if source.is_through() {
                        *ended = true;
                        return Ok(Arrival::End);
                    }
                    let left = until.saturating_duration_since(Instant::now());
                    if left.is_zero() {
                        return Ok(Arrival::Nothing);
                    }
                    std::thread::sleep(left.min(LOOK));
                }
            }
            Way::Ring { ring, words, numbers, layout } => {
                *numbers = 0;
                match ring.take(at_most) {
                    Ok(None) => Ok(Arrival::Nothing),
                    Ok(Some(Piece::Lost(frames))) => Ok(Arrival::Gap(frames)),
                    Ok(Some(Piece::Bytes(bytes))) => {
                        *numbers = unpack(&bytes, layout, words);
                        Ok(Arrival::Block)
                    }
                    Err(None) => Ok(Arrival::End),
                    Err(Some(what)) => Err(SourceError { place: name.clone(), what }),
                }
            }
        }
    }

    fn block(&self) -> Block<'_> {
        match &self.way {
            Way::File { source, .. } => source.last_block(),
            Way::Ring { words, numbers, layout, .. } => {
                let n = *numbers;
                let samples = match layout.number.kind {
                    Kind::U8 => SampleSlice::U8(&bytemuck::cast_slice(words)[..n]),
                    Kind::I8 => SampleSlice::I8(&bytemuck::cast_slice(words)[..n]),
                    Kind::U16 | Kind::I16 => SampleSlice::I16(&bytemuck::cast_slice(words)[..n]),
                    Kind::I24 | Kind::U32 | Kind::I32 => SampleSlice::I32(&bytemuck::cast_slice(words)[..n]),
                    Kind::F32 => SampleSlice::F32(&bytemuck::cast_slice(words)[..n]),
                    Kind::F64 => SampleSlice::F64(&bytemuck::cast_slice(words)[..n]),
                };
                Block { samples, channels: layout.channels, complex: layout.complex }
            }
        }
    }

    fn waiting_frames(&self) -> Option<u64> {
        match &self.way {
            Way::File { source, .. } => Some(source.frames_now().ok()?.saturating_sub(source.next_frame())),
            Way::Ring { ring, .. } => Some((ring.lock().bytes / ring.frame) as u64),
        }
    }
}

/// Bytes of whole frames as aligned numbers in the machine's order; returns how many numbers.
fn unpack(bytes: &[u8], layout: &Layout, words: &mut Vec<u64>) -> usize {
    let width = layout.number.bytes();
    words.resize(bytes.len().div_ceil(8), 0);
    bytemuck::cast_slice_mut::<u64, u8>(words)[..bytes.len()].copy_from_slice(bytes);
    to_native(&mut bytemuck::cast_slice_mut::<u64, u8>(words)[..bytes.len()], width, layout.number.big_endian);
    centre_unsigned(words, bytes.len(), layout.number.kind);
    bytes.len() / width
}
