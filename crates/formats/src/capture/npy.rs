use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::number::{Kind, Number};
use super::{CaptureChoices, CaptureError, Found, binary::Layout, content};

/// Reads the header of a NumPy array file (NEP 1, versions 1 to 3) and says where its numbers lie.
pub(super) fn open(path: &Path, file: &mut File, choices: &CaptureChoices) -> Result<Found, CaptureError> {
    let bad = |place: &str, what: String, expected: &str| content(path, place, what, expected);
    let mut start = [0u8; 8];
    file.read_exact(&mut start)
        .map_err(|_| bad("byte 0", "the file ends inside the header".into(), "the header of a .npy file"))?;
    if &start[..6] != b"\x93NUMPY" {
        return Err(bad("byte 0", "no NumPy signature".into(), "the bytes 93 4E 55 4D 50 59"));
    }
    let wide = match start[6] {
        1 => false,
        2 | 3 => true,
        v => return Err(bad("byte 6", format!("format version {v}"), "version 1, 2 or 3")),
    };
    let cut = |_| bad("byte 8", "the file ends inside the header".into(), "the whole header");
    let mut length = [0u8; 4];
    file.read_exact(&mut length[..if wide { 4 } else { 2 }]).map_err(cut)?;
    let length = u32::from_le_bytes(length);
    let text_at = if wide { 12 } else { 10 };
    if length > 1 << 20 {
        return Err(bad("byte 8", format!("a header of {length} bytes"), "at most 1 MiB"));
    }
    let mut text = vec![0u8; length as usize];
    file.read_exact(&mut text).map_err(cut)?;
    let text = String::from_utf8_lossy(&text).into_owned();
    let header = parse(&text).map_err(|(at, what, expected)| bad(&format!("byte {}", text_at + at), what, expected))?;

    let (number, stored_complex) = number_of(&header.descr).ok_or_else(|| {
        bad(
            "header field descr",
            format!("numbers of type {}", header.descr),
            "i1, u1, i2, u2, i4, f4, f8, c8 or c16 (in NumPy: save `array.astype('<f4')`)",
        )
    })?;
    let mut notes = Vec::new();
    let mut planar = None;
    let (frames, mut channels) = match header.shape[..] {
        [n] => (n, 1),
        [a, b] => {
            let time_axis = match choices.time_axis {
                Some(axis @ (0 | 1)) => axis,
                Some(axis) => {
                    return Err(super::choice(path, "time_axis", format!("{axis}"), "0 or 1: the array has two axes"));
                }
                None => {
                    // Nobody records more channels than frames; but where the two are alike, it is a guess.
                    if a.min(b) > 64 && a.max(b) < 16 * a.min(b) {
                        return Err(super::choice(
                            path,
                            "time_axis",
                            format!("an array of {a} × {b}: either axis could be time"),
                            "0 or 1",
                        ));
                    }
                    notes.push(format!(
                        "array of {a} × {b}: the {} axis is taken as time",
                        if a >= b { "first" } else { "second" }
                    ));
                    usize::from(a < b)
                }
            };
            let (frames, channels) = if time_axis == 0 { (a, b) } else { (b, a) };
            // Frames lie side by side where time is the slow axis: the first in C order, the second in Fortran order.
            if (time_axis == 0) == header.fortran && channels > 1 {
                planar = Some(frames);
                notes.push("the channels lie one after the other in the file".into());
            }
            (frames, channels)
        }
        _ => {
            return Err(bad(
                "header field shape",
                format!("an array of {} axes", header.shape.len()),
                "one axis (frames) or two (frames and channels)",
            ));
        }
    };
    if channels == 0 || channels > 4096 {
        return Err(bad("header field shape", format!("{channels} channels"), "1 to 4096"));
    }
    let mut frames = frames;
    let offset = text_at as u64 + u64::from(length);
    let held = file.metadata().map_or(0, |m| m.len()).saturating_sub(offset);
    if frames == 0 && held > 0 && planar.is_none() {
        // A writer that has not come to its end yet, or never did, leaves the count at nothing.
        frames = u64::MAX;
        notes.push(
            "the header promises no frames and there are some: still being written or never finished, read as far as it goes"
                .into(),
        );
    }
    let mut complex = stored_complex;
    if choices.complex == Some(true) && !stored_complex {
        if channels != 2 || planar.is_some() {
            return Err(super::choice(
                path,
                "complex",
                format!("real numbers in {channels} channel(s)"),
                "complex numbers, or frames of two real ones side by side",
            ));
        }
        channels = 1;
        complex = true;
        notes.push("the two channels are taken as real and imaginary part".into());
    }
    Ok(Found {
        layout: Layout { number, channels: channels as usize, complex, offset, frames, planar, keep: Vec::new() },
        notes,
        ..Found::default()
    })
}

fn number_of(descr: &str) -> Option<(Number, bool)> {
    let mut chars = descr.chars();
    let big_endian = match chars.next()? {
        '<' | '|' => false,
        '=' => cfg!(target_endian = "big"),
        '>' => true,
        _ => return None,
    };
    let (kind, complex) = match chars.as_str() {
        "i1" => (Kind::I8, false),
        "u1" => (Kind::U8, false),
        "i2" => (Kind::I16, false),
        "u2" => (Kind::U16, false),
        "i4" => (Kind::I32, false),
        "f4" => (Kind::F32, false),
        "f8" => (Kind::F64, false),
        "c8" => (Kind::F32, true),
        "c16" => (Kind::F64, true),
        _ => return None,
    };
    Some((Number { kind, big_endian }, complex))
}

#[derive(Debug)]
struct Header {
    descr: String,
    fortran: bool,
    shape: Vec<u64>,
}

type Fault = (usize, String, &'static str);

/// Reads the dictionary literal of the header.
fn parse(text: &str) -> Result<Header, Fault> {
    let mut p = Parser { text, at: 0 };
    p.expect('{')?;
    let (mut descr, mut fortran, mut shape) = (None, None, None);
    loop {
        if p.take('}') {
            break;
        }
        let key_at = p.at;
        let key = p.string()?;
        p.expect(':')?;
        match key.as_str() {
            "descr" => descr = Some(p.descr()?),
            "fortran_order" => fortran = Some(p.boolean()?),
            "shape" => shape = Some(p.tuple()?),
            _ => return Err((key_at, format!("unknown field `{key}`"), "descr, fortran_order and shape")),
        }
        if !p.take(',') {
            p.expect('}')?;
            break;
        }
    }
    let missing = |name: &str| (p.at, format!("no field `{name}`"), "descr, fortran_order and shape");
    Ok(Header {
        descr: descr.ok_or_else(|| missing("descr"))?,
        fortran: fortran.ok_or_else(|| missing("fortran_order"))?,
        shape: shape.ok_or_else(|| missing("shape"))?,
    })
}

struct Parser<'a> {
    text: &'a str,
    at: usize,
}

impl Parser<'_> {
    fn rest(&mut self) -> &str {
        let rest = &self.text[self.at..];
        let trimmed = rest.trim_start();
        self.at += rest.len() - trimmed.len();
        trimmed
    }
    fn take(&mut self, c: char) -> bool {
        let there = self.rest().starts_with(c);
        if there {
            self.at += c.len_utf8();
        }
        there
    }
    fn fault(&mut self, expected: &'static str) -> Fault {
        let seen: String = self.rest().chars().take(12).collect();
        (self.at, format!("`{seen}`"), expected)
    }
    fn expect(&mut self, c: char) -> Result<(), Fault> {
        if self.take(c) {
            return Ok(());
        }
        Err(self.fault(match c {
            '{' => "`{`",
            '}' => "`,` or `}`",
            ':' => "`:`",
            '(' => "`(`",
            _ => "`,` or `)`",
        }))
    }
    fn string(&mut self) -> Result<String, Fault> {
        let Some(quote @ ('\'' | '"')) = self.rest().chars().next() else {
            return Err(self.fault("a quoted name"));
        };
        let inner = self.rest()[1..].to_owned();
        match inner.find(quote) {
            Some(end) => {
                self.at += end + 2;
                Ok(inner[..end].to_owned())
            }
            None => Err(self.fault("a closing quote")),
        }
    }
    /// The type: a string, or for records of several fields a list, which is kept as text for the message.
    fn descr(&mut self) -> Result<String, Fault> {
        if self.rest().starts_with('[') {
            let rest = self.rest();
            let end = rest.rfind(']').map_or(rest.len(), |e| e + 1);
            let list = rest[..end].to_owned();
            // A list holds tuples and quotes of its own; the type cannot be read, so nothing after it matters.
            self.at += end;
            return Ok(list);
        }
        self.string()
    }
    fn boolean(&mut self) -> Result<bool, Fault> {
        for (word, value) in [("True", true), ("False", false)] {
            if self.rest().starts_with(word) {
                self.at += word.len();
                return Ok(value);
            }
        }
        Err(self.fault("True or False"))
    }
    fn tuple(&mut self) -> Result<Vec<u64>, Fault> {
        self.expect('(')?;
        let mut out = Vec::new();
        while !self.take(')') {
            let rest = self.rest();
            let digits = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
            let Ok(n) = rest[..digits].parse::<u64>() else {
                return Err(self.fault("a count"));
            };
            self.at += digits;
            // Files written by version 2 of the language spell long counts with an L.
            self.take('L');
            out.push(n);
            if !self.take(',') {
                self.expect(')')?;
                break;
            }
        }
        Ok(out)
    }
}
