use super::{AnswerFault, shown};

/// SCPI-99's "not a number".
pub const NOT_A_NUMBER: f64 = 9.91e37;

/// SCPI-99's infinity.
const INFINITY: f64 = 9.9e37;

const A_NUMBER: &str = "a number (NR1, NR2 or NR3: -12, 3.5, 1.5E-6)";

fn digits(text: &[u8], mut at: usize) -> usize {
    while text.get(at).is_some_and(u8::is_ascii_digit) {
        at += 1;
    }
    at
}

fn trimmed(text: &[u8], from: usize, to: usize) -> (usize, usize) {
    let (mut a, mut b) = (from, to);
    while a < b && matches!(text[a], b' ' | b'\t') {
        a += 1;
    }
    while b > a && matches!(text[b - 1], b' ' | b'\t') {
        b -= 1;
    }
    (a, b)
}

/// The number between two places of an answer.
fn number_in(text: &[u8], from: usize, to: usize) -> Result<f64, AnswerFault> {
    let (from, to) = trimmed(text, from, to);
    let wrong = |at: usize| {
        let came = if from == to {
            "nothing".to_owned()
        } else if at >= to {
            format!("the end after `{}`", shown(&text[from..to], 40))
        } else {
            format!("`{}`", shown(&text[at..to], 40))
        };
        AnswerFault::new(at.min(to), came, A_NUMBER)
    };
    let part = &text[..to];
    let signed = usize::from(matches!(part.get(from), Some(b'+' | b'-')));
    let first = from + signed;
    let mut at = digits(part, first);
    let mut count = at - first;
    if part.get(at) == Some(&b'.') {
        let after = digits(part, at + 1);
        count += after - at - 1;
        at = after;
    }
    if count == 0 {
        return Err(wrong(first));
    }
    if matches!(part.get(at), Some(b'E' | b'e')) {
        let sign = usize::from(matches!(part.get(at + 1), Some(b'+' | b'-')));
        let end = digits(part, at + 1 + sign);
        if end == at + 1 + sign {
            return Err(wrong(end));
        }
        at = end;
    }
    if at != to {
        return Err(wrong(at));
    }
    let value =
        std::str::from_utf8(&part[from..to]).ok().and_then(|t| t.parse::<f64>().ok()).ok_or_else(|| wrong(from))?;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(AnswerFault::new(from, format!("`{}`", shown(&part[from..to], 40)), "a number that fits double precision"))
    }
}

/// SCPI's stand-ins become what they mean.
fn meant(value: f64) -> f64 {
    if (value - NOT_A_NUMBER).abs() <= 1e-6 * NOT_A_NUMBER {
        f64::NAN
    } else if (value.abs() - INFINITY).abs() <= 1e-6 * INFINITY {
        f64::INFINITY.copysign(value)
    } else {
        value
    }
}

/// One number as IEEE 488.2 lets instruments answer it (NR1, NR2, NR3); white space around it is allowed. SCPI's 9.91E37
/// gives NaN and ±9.9E37 infinity.
pub fn number(text: &[u8]) -> Result<f64, AnswerFault> {
    number_in(text, 0, text.len()).map(meant)
}

/// A whole number.
pub fn integer(text: &[u8]) -> Result<i64, AnswerFault> {
    let value = number(text)?;
    if value.fract() == 0.0 && value.abs() < 9e15 {
        Ok(value as i64)
    } else {
        Err(AnswerFault::new(0, format!("`{}`", shown(text, 40)), "a whole number"))
    }
}

/// Numbers between commas. A fault names the number (from 1) it is in.
pub fn list(text: &[u8]) -> Result<Vec<f64>, AnswerFault> {
    let mut out = Vec::new();
    let mut from = 0;
    loop {
        let to = text[from..].iter().position(|b| *b == b',').map_or(text.len(), |k| from + k);
        let value = number_in(text, from, to).map_err(|e| AnswerFault {
            expected: format!("{} as value {} of a list", e.expected, out.len() + 1),
            ..e
        })?;
        out.push(meant(value));
        if to == text.len() {
            return Ok(out);
        }
        from = to + 1;
    }
}

/// The answer to `SYSTem:ERRor?`: a number and a text in quotes, e.g. `-113,"Undefined header"`. The text may be missing.
pub fn error_entry(text: &[u8]) -> Result<(i64, String), AnswerFault> {
    let comma = text.iter().position(|b| *b == b',').unwrap_or(text.len());
    let code = integer(&text[..comma])
        .map_err(|e| AnswerFault { expected: "an error number and a text, e.g. 0,\"No error\"".into(), ..e })?;
    let rest = text.get(comma + 1..).unwrap_or_default().trim_ascii();
    if rest.is_empty() {
        return Ok((code, String::new()));
    }
    let quoted = rest.len() >= 2 && matches!(rest[0], b'"' | b'\'') && rest.last() == rest.first();
    if !quoted {
        return Err(AnswerFault::new(
            comma + 1,
            format!("`{}`", shown(rest, 40)),
            "a text in quotes after the error number",
        ));
    }
    Ok((code, shown(&rest[1..rest.len() - 1], 255)))
}
