use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde_json::Value;
use sha2::{Digest, Sha512};

use super::number::Number;
use super::{Annotation, CaptureChoices, CaptureError, Found, binary::Layout, content};

/// The two files of a recording, whichever of them was named.
pub(super) fn pair(path: &Path) -> (PathBuf, PathBuf) {
    (path.with_extension("sigmf-meta"), path.with_extension("sigmf-data"))
}

/// Reads the metadata of a SigMF recording (specification 1.x) and opens its samples.
pub(super) fn open(path: &Path, choices: &CaptureChoices) -> Result<(PathBuf, File, Found), CaptureError> {
    let (meta_path, mut data_path) = pair(path);
    let bad = |place: &str, what: String, expected: &str| content(&meta_path, place, what, expected);
    let io = |path: &Path| {
        let path = path.to_owned();
        move |source| CaptureError::Io { path, source }
    };
    let mut text = Vec::new();
    File::open(&meta_path).map_err(io(&meta_path))?.take(64 << 20).read_to_end(&mut text).map_err(io(&meta_path))?;
    let meta: Value = serde_json::from_slice(&text)
        .map_err(|e| bad(&format!("line {}", e.line()), e.to_string(), "JSON metadata"))?;
    if meta.get("collection").is_some() {
        return Err(bad("collection", "a collection of recordings".into(), "one recording: name one of its files"));
    }
    let global = meta
        .get("global")
        .and_then(Value::as_object)
        .ok_or_else(|| bad("global", "nothing".into(), "an object with core:datatype"))?;
    let text_of = |key: &str| global.get(key).and_then(Value::as_str);
    let datatype = text_of("core:datatype")
        .ok_or_else(|| bad("global, core:datatype", "nothing".into(), "a data type such as cf32_le"))?;
    let (number, complex) = Number::from_sigmf(datatype).ok_or_else(|| {
        bad(
            "global, core:datatype",
            format!("`{datatype}`"),
            "r or c, then f32, f64, i32, i16, u32, u16, i8 or u8, then _le or _be",
        )
    })?;
    let positive = |key: &str| -> Result<Option<f64>, CaptureError> {
        match global.get(key) {
            None | Some(Value::Null) => Ok(None),
            Some(v) => match v.as_f64() {
                Some(n) if n.is_finite() && n > 0.0 => Ok(Some(n)),
                _ => Err(bad(&format!("global, {key}"), v.to_string(), "a positive number")),
            },
        }
    };
    let rate_hz = positive("core:sample_rate")?;
    let channels = positive("core:num_channels")?.unwrap_or(1.0);
    if channels.fract() != 0.0 || channels > 4096.0 {
        return Err(bad("global, core:num_channels", channels.to_string(), "a whole number up to 4096"));
    }
    if global.get("core:metadata_only").and_then(Value::as_bool) == Some(true) {
        return Err(bad("global, core:metadata_only", "true".into(), "a recording with samples"));
    }
    if let Some(name) = text_of("core:dataset") {
        let plain = Path::new(name).file_name().is_some_and(|n| n == std::ffi::OsStr::new(name));
        if !plain {
            return Err(bad("global, core:dataset", format!("`{name}`"), "a file name in the same folder"));
        }
        data_path = meta_path.with_file_name(name);
    }
    let mut notes = Vec::new();
    let start = global.get("core:offset").and_then(Value::as_u64).unwrap_or(0);
    let empty = Vec::new();
    let list = |key: &str| meta.get(key).and_then(Value::as_array).unwrap_or(&empty);
    let segments = list("captures");
    let mut centre_hz = None;
    for (i, segment) in segments.iter().enumerate() {
        let frequency = segment.get("core:frequency").and_then(Value::as_f64);
        if i == 0 {
            centre_hz = frequency;
        } else {
            if frequency.is_some() && frequency != centre_hz {
                notes.push(format!("segment {} is tuned to another frequency than the first: the first counts", i + 1));
            }
            if segment.get("core:header_bytes").and_then(Value::as_u64).unwrap_or(0) > 0 {
                return Err(bad(
                    &format!("captures, entry {}, core:header_bytes", i + 1),
                    "foreign bytes between segments".into(),
                    "samples without a break",
                ));
            }
        }
    }
    if !complex && centre_hz.take().is_some() {
        notes.push("a centre frequency means nothing for real samples: left out".into());
    }
    let offset = segments.first().and_then(|s| s.get("core:header_bytes")).and_then(Value::as_u64).unwrap_or(0);
    let trailing = global.get("core:trailing_bytes").and_then(Value::as_u64).unwrap_or(0);
    let annotations = list("annotations")
        .iter()
        .map(|a| Annotation {
            frame: a.get("core:sample_start").and_then(Value::as_u64).unwrap_or(0).saturating_sub(start),
            frames: a.get("core:sample_count").and_then(Value::as_u64),
            from_hz: a.get("core:freq_lower_edge").and_then(Value::as_f64),
            to_hz: a.get("core:freq_upper_edge").and_then(Value::as_f64),
            label: a.get("core:label").and_then(Value::as_str).unwrap_or_default().to_owned(),
            comment: a.get("core:comment").and_then(Value::as_str).unwrap_or_default().to_owned(),
        })
        .collect();
    let file = File::open(&data_path).map_err(io(&data_path))?;
    let length = file.metadata().map_err(io(&data_path))?.len();
    if let Some(stated) = text_of("core:sha512") {
        if choices.verify_hash {
            let real = hash(&data_path)?;
            if !stated.eq_ignore_ascii_case(&real) {
                return Err(bad("global, core:sha512", "the samples are not the ones described".into(), &real));
            }
            notes.push("the samples are the ones described (SHA-512 checked)".into());
        } else {
            notes.push("the recording carries a SHA-512, which was not checked".into());
        }
    }
    let mut layout = Layout {
        number,
        channels: channels as usize,
        complex,
        offset,
        frames: u64::MAX,
        planar: None,
        keep: Vec::new(),
    };
    let bytes = length.saturating_sub(trailing);
    layout.frames = layout.frames_in(bytes);
    let over = bytes.saturating_sub(offset) % layout.frame_bytes();
    if over != 0 {
        notes.push(format!("the last {over} bytes make no whole frame: left out"));
    }
    // Frames that an annotation or a segment speaks of must have been there once.
    let spoken_of = segments
        .iter()
        .filter_map(|s| s.get("core:sample_start").and_then(Value::as_u64))
        .map(|s| s.saturating_sub(start))
        .max()
        .unwrap_or(0);
    let promised = (spoken_of > layout.frames).then_some(spoken_of);
    Ok((data_path, file, Found { layout, rate_hz, centre_hz, annotations, notes, promised, ..Found::default() }))
}

/// SHA-512 of a file in lower-case hexadecimal.
fn hash(path: &Path) -> Result<String, CaptureError> {
    let io = |source| CaptureError::Io { path: path.to_owned(), source };
    let mut file = File::open(path).map_err(io)?;
    let mut state = Sha512::new();
    let mut buffer = vec![0u8; 1 << 20];
    loop {
        let n = file.read(&mut buffer).map_err(io)?;
        if n == 0 {
            break;
        }
        state.update(&buffer[..n]);
    }
    let mut text = String::with_capacity(128);
    for byte in state.finalize() {
        for digit in [byte >> 4, byte & 15] {
            text.extend(char::from_digit(u32::from(digit), 16));
        }
    }
    Ok(text)
}
