use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use super::number::{Kind, Number};
use super::{CaptureChoices, CaptureError, Found, binary::Layout, content};

const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xFFFE;

struct Format {
    number: Number,
    channels: usize,
    rate_hz: f64,
}

/// Walks the chunks of a wave file (RIFF; RF64 of EBU Tech 3306 and BW64 of ITU-R BS.2088 for files above 4 GiB) up to its
/// numbers.
pub(super) fn open(path: &Path, file: &mut File, choices: &CaptureChoices) -> Result<Found, CaptureError> {
    let bad = |at: u64, what: String, expected: &str| content(path, &format!("byte {at}"), what, expected);
    let io = |source| CaptureError::Io { path: path.to_owned(), source };
    let length = file.seek(SeekFrom::End(0)).map_err(io)?;
    file.rewind().map_err(io)?;
    let mut start = [0u8; 12];
    file.read_exact(&mut start).map_err(|_| bad(0, "the file ends inside the header".into(), "a wave file"))?;
    if !matches!(&start[..4], b"RIFF" | b"RF64" | b"BW64") || &start[8..] != b"WAVE" {
        return Err(bad(0, "no wave signature".into(), "RIFF, RF64 or BW64, then WAVE"));
    }
    let mut notes = Vec::new();
    let mut at = 12u64;
    let mut long_data = None;
    let mut format = None;
    loop {
        file.seek(SeekFrom::Start(at)).map_err(io)?;
        let mut head = [0u8; 8];
        file.read_exact(&mut head).map_err(|_| bad(at, "the file ends before its samples".into(), "a `data` chunk"))?;
        let size = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        let body = at + 8;
        match &head[..4] {
            b"ds64" => {
                let mut b = [0u8; 24];
                file.read_exact(&mut b).map_err(|_| bad(body, "a cut `ds64` chunk".into(), "at least 24 bytes"))?;
                let mut word = [0u8; 8];
                word.copy_from_slice(&b[8..16]);
                long_data = Some(u64::from_le_bytes(word));
            }
            b"fmt " => {
                let mut b = vec![0u8; size.min(40) as usize];
                file.read_exact(&mut b).map_err(|_| bad(body, "a cut `fmt ` chunk".into(), "16 bytes or more"))?;
                format = Some(read_format(&b, body, &bad)?);
            }
            b"data" => {
                let Some(Format { number, mut channels, rate_hz }) = format else {
                    return Err(bad(at, "samples before their format".into(), "a `fmt ` chunk before `data`"));
                };
                let mut complex = false;
                if choices.complex == Some(true) {
                    if channels != 2 {
                        return Err(super::choice(
                            path,
                            "complex",
                            format!("a wave file of {channels} channel(s)"),
                            "two: real and imaginary part",
                        ));
                    }
                    channels = 1;
                    complex = true;
                    notes.push("the two channels are taken as real and imaginary part".into());
                }
                let mut layout =
                    Layout { number, channels, complex, offset: body, frames: 0, planar: None, keep: Vec::new() };
                let frame = layout.frame_bytes();
                let promised = match (size, long_data) {
                    (u32::MAX, Some(bytes)) => Some(bytes),
                    // A recorder that could not go back to fill in the length leaves one of these.
                    (0 | u32::MAX, _) if length > body => None,
                    (bytes, _) => Some(u64::from(bytes)),
                };
                layout.frames = if let Some(bytes) = promised {
                    bytes / frame
                } else {
                    notes.push("the header leaves the length open: read to the end of the file".into());
                    (length - body) / frame
                };
                return Ok(Found { layout, rate_hz: Some(rate_hz), normalised: true, notes, ..Found::default() });
            }
            _ => {}
        }
        // Chunks start at even bytes.
        at = body + u64::from(size) + u64::from(size & 1);
    }
}

fn read_format(b: &[u8], at: u64, bad: &dyn Fn(u64, String, &str) -> CaptureError) -> Result<Format, CaptureError> {
    if b.len() < 16 {
        return Err(bad(at, format!("a `fmt ` chunk of {} bytes", b.len()), "16 bytes or more"));
    }
    let word = |i: usize| u16::from_le_bytes([b[i], b[i + 1]]);
    let mut tag = word(0);
    let channels = usize::from(word(2));
    let rate = u32::from_le_bytes([b[4], b[5], b[6], b[7]]);
    let align = usize::from(word(12));
    let bits = word(14);
    if tag == EXTENSIBLE {
        if b.len() < 40 {
            return Err(bad(at, "an extensible format without its extension".into(), "40 bytes"));
        }
        tag = word(24);
    }
    if channels == 0 {
        return Err(bad(at + 2, "no channels".into(), "at least one"));
    }
    if rate == 0 {
        return Err(bad(at + 4, "a sampling rate of 0 Hz".into(), "a positive rate"));
    }
    if align == 0 || !align.is_multiple_of(channels) {
        return Err(bad(
            at + 12,
            format!("frames of {align} bytes for {channels} channels"),
            "the same for each channel",
        ));
    }
    // The container decides: 20 bits in 24 are left-aligned, so they read as 24-bit numbers.
    let kind = match (tag, align / channels) {
        (PCM, 1) => Kind::U8,
        (PCM, 2) => Kind::I16,
        (PCM, 3) => Kind::I24,
        (PCM, 4) => Kind::I32,
        (FLOAT, 4) => Kind::F32,
        (FLOAT, 8) => Kind::F64,
        (PCM | FLOAT, bytes) => {
            return Err(bad(
                at + 14,
                format!("{bits} bits in {bytes} bytes"),
                "8, 16, 24 or 32-bit integers, 32 or 64-bit floats",
            ));
        }
        (tag, _) => {
            return Err(bad(at, format!("coding {tag:#06x}"), "uncompressed integers (1) or floats (3)"));
        }
    };
    Ok(Format { number: Number { kind, big_endian: false }, channels, rate_hz: f64::from(rate) })
}
