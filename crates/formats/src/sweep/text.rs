//! From bytes to lines, from lines to cells, from cells to numbers.

use std::borrow::Cow;

use super::{DecimalSign, Delimiter, FrequencyUnit, LevelUnit, SweepError, TextEncoding};

/// The text of a file and how it was encoded, in words.
pub(super) fn decode<'a>(
    bytes: &'a [u8],
    choice: Option<TextEncoding>,
    name: &str,
) -> Result<(Cow<'a, str>, String), SweepError> {
    let refuse = |what: String, expected: &str| {
        Err(SweepError::NotText { name: name.to_owned(), what, expected: expected.to_owned() })
    };
    let (body, marked) = match bytes {
        [0xef, 0xbb, 0xbf, rest @ ..] => (rest, Some(TextEncoding::Utf8)),
        [0xff, 0xfe, rest @ ..] => (rest, Some(TextEncoding::Utf16Le)),
        [0xfe, 0xff, rest @ ..] => (rest, Some(TextEncoding::Utf16Be)),
        _ => (bytes, None),
    };
    let body = if marked.is_some() && choice.is_some() && choice != marked { bytes } else { body };
    let encoding = choice
        .or(marked)
        .or_else(|| utf16_by_its_zeros(body))
        .unwrap_or_else(|| if std::str::from_utf8(body).is_ok() { TextEncoding::Utf8 } else { TextEncoding::Latin1 });
    let (text, mut said) = match encoding {
        TextEncoding::Utf8 => match std::str::from_utf8(body) {
            Ok(text) => (Cow::Borrowed(text), if text.is_ascii() { "ASCII" } else { "UTF-8" }.to_owned()),
            Err(e) => {
                return refuse(
                    format!("byte {} is no UTF-8", bytes.len() - body.len() + e.valid_up_to()),
                    "UTF-8 text, or the choice `encoding` (utf-16le, utf-16be, latin-1)",
                );
            }
        },
        TextEncoding::Utf16Le | TextEncoding::Utf16Be => {
            let (coder, words) = if encoding == TextEncoding::Utf16Le {
                (encoding_rs::UTF_16LE, "UTF-16, low byte first")
            } else {
                (encoding_rs::UTF_16BE, "UTF-16, high byte first")
            };
            if body.len() % 2 != 0 {
                return refuse(format!("{words}, but an odd number of bytes ({})", body.len()), "whole 16-bit units");
            }
            let (text, damaged) = coder.decode_without_bom_handling(body);
            if damaged {
                return refuse(format!("{words}, but with broken surrogate pairs"), "intact UTF-16 text");
            }
            (text, words.to_owned())
        }
        TextEncoding::Latin1 => {
            (encoding_rs::WINDOWS_1252.decode_without_bom_handling(body).0, "Latin-1 (code page 1252)".to_owned())
        }
    };
    if marked == Some(encoding) {
        said.push_str(" with byte-order mark");
    }
    // Old file systems fill the last block with 0x1A (end of text); it is no content.
    let kept = text.trim_end_matches(|c: char| c == '\u{1a}' || c == '\0' || c.is_whitespace()).len();
    let text = match text {
        Cow::Borrowed(t) => Cow::Borrowed(&t[..kept]),
        Cow::Owned(mut t) => {
            t.truncate(kept);
            Cow::Owned(t)
        }
    };
    if let Some((at, c)) =
        text.char_indices().find(|(_, c)| c.is_ascii_control() && !matches!(c, '\t' | '\r' | '\n' | '\u{c}'))
    {
        return refuse(
            format!("control character 0x{:02x} at character {at} of the text", u32::from(c)),
            "a text file with a table",
        );
    }
    Ok((text, said))
}

/// UTF-16 without a mark: nearly every second byte is zero, and only on one side.
fn utf16_by_its_zeros(body: &[u8]) -> Option<TextEncoding> {
    let head = &body[..body.len().min(4096) & !1];
    let zeros = |side: usize| head.iter().skip(side).step_by(2).filter(|b| **b == 0).count();
    let (even, odd, pairs) = (zeros(0), zeros(1), head.len() / 2);
    match (even, odd) {
        (0, n) if n > 0 && n * 10 >= pairs * 9 => Some(TextEncoding::Utf16Le),
        (n, 0) if n > 0 && n * 10 >= pairs * 9 => Some(TextEncoding::Utf16Be),
        _ => None,
    }
}

/// Lines, whatever ends them.
pub(super) fn lines(text: &str) -> Vec<&str> {
    let end = if text.contains('\n') { '\n' } else { '\r' };
    text.split(end).map(|l| l.strip_suffix('\r').unwrap_or(l)).collect()
}

/// Cells of a line, outer blanks and quotation marks taken off. `any_blank`: with [`Delimiter::Space`] tabulators
/// separate too.
pub(super) fn split<'a>(line: &'a str, delimiter: Delimiter, any_blank: bool, cells: &mut Vec<&'a str>) {
    cells.clear();
    let separates = |c: char| match delimiter {
        Delimiter::Comma => c == ',',
        Delimiter::Semicolon => c == ';',
        Delimiter::Tab => c == '\t',
        Delimiter::Space => c == ' ' || (any_blank && c == '\t'),
    };
    let several = delimiter == Delimiter::Space;
    let mut rest = if several { line.trim() } else { line };
    loop {
        let start = rest.trim_start_matches([' ', '\u{a0}']);
        if let Some(inner) = start.strip_prefix('"') {
            let mut close = None;
            let mut at = 0;
            while let Some(i) = inner[at..].find('"') {
                if inner[at + i + 1..].starts_with('"') {
                    at += i + 2;
                } else {
                    close = Some(at + i);
                    break;
                }
            }
            let Some(close) = close else {
                cells.push(inner.trim());
                return;
            };
            cells.push(inner[..close].trim());
            rest = &inner[close + 1..];
            match rest.find(separates) {
                Some(i) => rest = &rest[i + 1..],
                None => return,
            }
        } else if let Some(i) = rest.find(separates) {
            cells.push(rest[..i].trim());
            rest = &rest[i + 1..];
        } else {
            cells.push(rest.trim());
            return;
        }
        if several {
            rest = rest.trim_start();
        }
    }
}

/// A unit written behind a number in the same cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Suffix {
    Frequency(FrequencyUnit),
    Level(LevelUnit),
}

/// A cell as a number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Number {
    pub(super) value: f64,
    /// The decimal sign occurs.
    pub(super) fraction: bool,
    /// Thousands are grouped by the other sign (point where the comma is decimal and the reverse).
    pub(super) grouped_by_other: bool,
    /// Four or more digits stand before the decimal sign without any grouping.
    pub(super) long_ungrouped: bool,
    pub(super) suffix: Option<Suffix>,
}

/// What a cell holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell {
    /// Nothing, or a sign for nothing (`---`, `NaN`, `-inf`).
    Nothing,
    Number(Number),
    Text,
}

/// Reads a cell. Infinity is a number here and refused where it is used.
pub(super) fn cell(text: &str, decimal: DecimalSign, blank_groups: bool) -> Cell {
    if text.is_empty() {
        return Cell::Nothing;
    }
    if let Some(number) = number(text, decimal, blank_groups) {
        return Cell::Number(number);
    }
    if text.len() <= 12 {
        match text.to_ascii_lowercase().as_str() {
            "-" | "--" | "---" | "----" | "nan" | "-nan" | "+nan" | "n/a" | "na" | "#n/a" | "null" | "none"
            | "-inf" | "-infinity" | "-∞" => return Cell::Nothing,
            "inf" | "+inf" | "infinity" | "+infinity" | "∞" => {
                return Cell::Number(Number {
                    value: f64::INFINITY,
                    fraction: false,
                    grouped_by_other: false,
                    long_ungrouped: false,
                    suffix: None,
                });
            }
            _ => {}
        }
    }
    Cell::Text
}

fn number(text: &str, decimal: DecimalSign, blank_groups: bool) -> Option<Number> {
    let first = text.chars().next()?;
    if !(first.is_ascii_digit() || matches!(first, '+' | '-' | '−' | '.' | ',')) || text.len() > 64 {
        return None;
    }
    let (sign, other) = match decimal {
        DecimalSign::Point => ('.', ','),
        DecimalSign::Comma => (',', '.'),
    };
    let mut plain = String::with_capacity(text.len());
    let mut rest = text;
    if let Some(after) = text.strip_prefix(['-', '−']) {
        plain.push('-');
        rest = after;
    } else if let Some(after) = text.strip_prefix('+') {
        rest = after;
    }
    // The whole part, perhaps in groups of three.
    let mut group: Option<char> = None;
    let (mut digits, mut in_group, mut leading_zero) = (0usize, 0usize, false);
    let mut chars = rest.char_indices().peekable();
    let mut at = rest.len();
    while let Some(&(i, c)) = chars.peek() {
        if c.is_ascii_digit() {
            leading_zero |= digits == 0 && c == '0';
            plain.push(c);
            digits += 1;
            in_group += 1;
            chars.next();
            continue;
        }
        let groups =
            c == other || matches!(c, '\'' | '’' | '\u{a0}' | '\u{202f}' | '\u{2009}') || (c == ' ' && blank_groups);
        let next_is_digit = rest[i + c.len_utf8()..].starts_with(|d: char| d.is_ascii_digit());
        if groups && next_is_digit && group.is_none_or(|g| g == c) {
            let fits = if group.is_none() { (1..=3).contains(&in_group) && !leading_zero } else { in_group == 3 };
            if !fits {
                return None;
            }
            group = Some(c);
            in_group = 0;
            chars.next();
            continue;
        }
        at = i;
        break;
    }
    if group.is_some() && in_group != 3 {
        return None;
    }
    rest = &rest[at..];
    let mut fraction = false;
    if let Some(after) = rest.strip_prefix(sign) {
        let n = after.len() - after.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        // A comma with nothing behind it belongs to the sentence or the separator, not to the number.
        if n == 0 && (decimal == DecimalSign::Comma || digits == 0) {
            return None;
        }
        fraction = true;
        plain.push('.');
        plain.push_str(&after[..n]);
        rest = &after[n..];
    }
    if digits == 0 && !fraction {
        return None;
    }
    if let Some(after) = rest.strip_prefix(['e', 'E']) {
        let signed = after.strip_prefix(['+', '-']).unwrap_or(after);
        let n = signed.len() - signed.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        if n > 0 {
            let length = after.len() - signed.len() + n;
            plain.push('e');
            plain.push_str(&after[..length]);
            rest = &after[length..];
        }
    }
    let suffix = match rest.trim() {
        "" => None,
        "k" => Some(Suffix::Frequency(FrequencyUnit::KHz)),
        "M" => Some(Suffix::Frequency(FrequencyUnit::MHz)),
        "G" => Some(Suffix::Frequency(FrequencyUnit::GHz)),
        unit => Some(
            unit.parse()
                .map(Suffix::Frequency)
                .or_else(|_| unit.parse().map(Suffix::Level))
                .ok()
                .filter(|_| unit.starts_with(|c: char| c.is_alphabetic()))?,
        ),
    };
    let value: f64 = plain.parse().ok()?;
    Some(Number {
        value,
        fraction,
        grouped_by_other: group == Some(other),
        long_ungrouped: group.is_none() && digits > 3,
        suffix,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str, decimal: DecimalSign) -> Option<f64> {
        number(text, decimal, true).map(|n| n.value)
    }

    #[test]
    fn numbers_of_both_habits() {
        use DecimalSign::{Comma, Point};
        for (text, decimal, expected) in [
            ("30.5", Point, 30.5),
            ("30,5", Comma, 30.5),
            ("1,234,567.5", Point, 1_234_567.5),
            ("1.234.567,5", Comma, 1_234_567.5),
            ("1'234'567.5", Point, 1_234_567.5),
            ("1 234 567,5", Comma, 1_234_567.5),
            ("−12.5", Point, -12.5),
            ("+1.0e+06", Point, 1e6),
            ("4,50e-009", Comma, 4.5e-9),
            (".5", Point, 0.5),
            ("12 kHz", Point, 12.0),
        ] {
            assert_eq!(value(text, decimal), Some(expected), "{text}");
        }
        for (text, decimal) in [
            ("30,5", Point),
            ("0,125", Point),
            ("12,34,567", Point),
            ("1.2.3", Point),
            ("30,", Comma),
            ("e5", Point),
            ("3x", Point),
        ] {
            assert_eq!(value(text, decimal), None, "{text}");
        }
    }

    #[test]
    fn quoted_cells_keep_their_delimiter() {
        let mut cells = Vec::new();
        split(r#""30,5", "a ""b"" c" ,,5"#, Delimiter::Comma, false, &mut cells);
        assert_eq!(cells, ["30,5", r#"a ""b"" c"#, "", "5"]);
        split("  30.5   45  ", Delimiter::Space, false, &mut cells);
        assert_eq!(cells, ["30.5", "45"]);
    }
}
