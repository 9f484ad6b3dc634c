//! A spectrum as a curve: settings in text, then one binary block of values at even steps of frequency (the waveform
//! transfer form of IEEE 488.2 instruments: `KEY VALUE;…`, then `CURVE #<digits><length><bytes>`).

use std::collections::BTreeMap;

use super::finish::{Levels, finish};
use super::names::{FoundUnit, exact_unit};
use super::{ColumnUnderstood, LevelUnit, Role, Setting, SweepChoices, SweepError, SweepReading, Understood};

/// Reads the bytes if they are a curve with a binary block; nothing if they are something else.
pub(super) fn read(bytes: &[u8], name: &str, choices: &SweepChoices) -> Option<Result<SweepReading, SweepError>> {
    let head = &bytes[..bytes.len().min(8192)];
    let at = head.windows(6).position(|w| w == b"CURVE ")?;
    let hash = at + 6 + head[at + 6..].iter().position(|b| !b.is_ascii_whitespace())?;
    if head.get(hash) != Some(&b'#') || !head[..at].is_ascii() || !head[..at].windows(6).any(|w| w == b"WFMPRE") {
        return None;
    }
    let text = std::str::from_utf8(&head[..at]).ok()?;
    Some(read_curve(text, bytes, hash + 1, name, choices))
}

/// Keys without their path, values without quotation marks; a `;` inside quotation marks separates nothing.
fn settings(text: &str) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    let (mut quoted, mut start) = (false, 0);
    let mut parts = Vec::new();
    for (i, c) in text.char_indices() {
        match c {
            '"' => quoted = !quoted,
            ';' if !quoted => {
                parts.push(&text[start..i]);
                start = i + 1;
            }
            _ => {}
        }
    }
    parts.push(&text[start..]);
    for part in parts {
        if let Some((key, value)) = part.trim().split_once(char::is_whitespace) {
            let key = key.rsplit(':').next().unwrap_or(key).to_ascii_uppercase();
            found.insert(key, value.trim().trim_matches('"').to_owned());
        }
    }
    found
}

fn read_curve(
    text: &str,
    bytes: &[u8],
    after_hash: usize,
    name: &str,
    choices: &SweepChoices,
) -> Result<SweepReading, SweepError> {
    let keys = settings(text);
    let fault = |what: String, expected: &str| SweepError::Row {
        name: name.to_owned(),
        line: 1,
        column: None,
        what,
        expected: expected.to_owned(),
    };
    let number = |key: &str| -> Result<f64, SweepError> {
        let text =
            keys.get(key).ok_or_else(|| fault(format!("no setting {key}"), "it in the text before the curve"))?;
        text.parse::<f64>()
            .ok()
            .filter(|v| v.is_finite())
            .ok_or_else(|| fault(format!("{key} is `{text}`"), "a finite number"))
    };
    let or = |key: &str, value: f64| if keys.contains_key(key) { number(key) } else { Ok(value) };
    let x_unit = keys.get("XUNIT").map_or("", String::as_str);
    let Some(FoundUnit::Frequency(x_unit)) = exact_unit(x_unit) else {
        return Err(SweepError::NoTable {
            name: name.to_owned(),
            what: format!("the curve runs over `{x_unit}`, not over frequency: this is a record, no sweep"),
        });
    };
    let y_text = keys.get("YUNIT").map_or("", String::as_str);
    let stated = match exact_unit(y_text) {
        Some(FoundUnit::Level(u)) => Some(u),
        _ => None,
    };
    let Some(unit) = choices.level_unit.or(stated) else {
        return Err(super::read::choice_error(
            name,
            "level_unit",
            format!("YUNIT is `{y_text}`, no unit of level"),
            "a unit of level such as dBm or W",
        ));
    };
    let width = number("BYT_NR")? as usize;
    let floating = keys.get("BN_FMT").is_some_and(|f| f.eq_ignore_ascii_case("FP"));
    let signed = keys.get("BN_FMT").is_none_or(|f| !f.eq_ignore_ascii_case("RP"));
    let big = keys.get("BYT_OR").is_none_or(|o| !o.eq_ignore_ascii_case("LSB"));
    if !matches!((floating, width), (true, 4 | 8) | (false, 1 | 2)) {
        return Err(fault(format!("values of {width} bytes"), "1 or 2 bytes (whole numbers), 4 or 8 (floating point)"));
    }
    let digit = bytes.get(after_hash).filter(|b| (b'1'..=b'9').contains(b)).map(|b| usize::from(b - b'0'));
    let from = after_hash
        + 1
        + digit
            .ok_or_else(|| fault("the block has no length".to_owned(), "`#`, a digit from 1 to 9, then the length"))?;
    let length = bytes
        .get(after_hash + 1..from)
        .and_then(|l| std::str::from_utf8(l).ok())
        .and_then(|l| l.parse::<usize>().ok())
        .ok_or_else(|| fault("the length of the block is no number".to_owned(), "decimal digits"))?;
    let there = bytes.len().saturating_sub(from);
    if there < length {
        return Err(fault(format!("the block ends after {there} bytes"), &format!("the {length} bytes it announces")));
    }
    let block = &bytes[from..from + length];
    let points = length / width;
    let stated = or("NR_PT", points as f64)? as usize;
    if stated != points || length % width != 0 {
        return Err(fault(
            format!("NR_PT is {stated}, the block has {length} bytes"),
            &format!("{} bytes", stated.saturating_mul(width)),
        ));
    }
    let (x0, dx, offset) = (or("XZERO", 0.0)?, number("XINCR")?, or("PT_OFF", 0.0)?);
    let (scale, y_offset, y_zero) = (or("YMULT", 1.0)?, or("YOFF", 0.0)?, or("YZERO", 0.0)?);
    let raw = |chunk: &[u8]| -> f64 {
        let mut b = [0u8; 8];
        for (i, byte) in chunk.iter().enumerate() {
            b[if big { width - 1 - i } else { i }] = *byte;
        }
        let bits = u64::from_le_bytes(b);
        match (floating, width, signed) {
            (true, 4, _) => f64::from(f32::from_bits(bits as u32)),
            (true, ..) => f64::from_bits(bits),
            (_, 1, true) => f64::from(bits as u8 as i8),
            (_, 1, false) => f64::from(bits as u8),
            (_, _, true) => f64::from(bits as u16 as i16),
            (_, _, false) => f64::from(bits as u16),
        }
    };
    let mut frequency_hz = Vec::with_capacity(points);
    let mut level_db = Vec::with_capacity(points);
    let (mut zero_frequency, mut zeros) = (0usize, 0usize);
    for (i, chunk) in block.chunks_exact(width).enumerate() {
        let f = (x0 + dx * (i as f64 - offset)) * x_unit.hertz();
        let value = y_zero + scale * (raw(chunk) - y_offset);
        if !f.is_finite() || f < 0.0 {
            return Err(fault(format!("point {} lies at {f} Hz", i + 1), "a positive frequency"));
        }
        if !value.is_finite() || (unit.is_linear() && value < 0.0) {
            return Err(fault(
                format!("point {} is {value} {unit}", i + 1),
                "a finite level, and no negative power or amplitude",
            ));
        }
        if f == 0.0 {
            zero_frequency += 1;
            continue;
        }
        let level = unit.level(value);
        zeros += usize::from(level == f64::NEG_INFINITY);
        frequency_hz.push(f);
        level_db.push(if level.is_finite() { level } else { f64::NAN });
    }
    if level_db.iter().all(|l| l.is_nan()) {
        return Err(SweepError::NoTable {
            name: name.to_owned(),
            what: "the curve has no level above 0 Hz".to_owned(),
        });
    }
    let kept_as = unit.kept_as();
    let detector = choices.detectors.get("*").or_else(|| choices.detectors.get("1")).copied();
    let mut understood = Understood {
        name: name.to_owned(),
        shape: "curve with binary block".to_owned(),
        encoding: format!(
            "ASCII settings, then {} of {width} bytes, {} byte first",
            if floating { "floating-point numbers" } else { "whole numbers" },
            if big { "high" } else { "low" }
        ),
        first_row_line: 1,
        settings: keys.iter().map(|(k, v)| Setting { key: k.clone(), value: v.clone(), line: 1 }).collect(),
        columns: vec![ColumnUnderstood {
            number: 1,
            name: "curve".to_owned(),
            role: Role::Level,
            unit: Some(unit.ascii().to_owned()),
            detector,
            why: "the values of the block".to_owned(),
        }],
        frequency_unit: Some(x_unit),
        frequency_unit_from: "XUNIT".to_owned(),
        level_unit: Some(unit),
        level_unit_from: if choices.level_unit.is_some() { "chosen" } else { "YUNIT" }.to_owned(),
        bandwidth_hz: choices.bandwidth_hz,
        impedance_ohm: choices.impedance_ohm,
        empty_levels: zeros,
        ..Understood::default()
    };
    if unit != LevelUnit::from(kept_as) {
        understood.conversions.push(format!("`curve`: {unit} to {kept_as}"));
    }
    if zero_frequency > 0 {
        understood
            .warnings
            .push(format!("points at 0 Hz are not read ({zero_frequency}): zero frequency is no emission"));
    }
    let levels = vec![Levels { name: "curve".to_owned(), detector, level_db }];
    finish(understood, frequency_hz, levels, kept_as, |_| 1, choices)
}
