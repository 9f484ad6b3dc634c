//! Numbers with engineering suffixes: `4.7k`, `1meg`, `100nF`, `1e-6`.

/// A number as read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Number {
    pub(crate) value: f64,
    /// Unit that stood behind the suffix.
    pub(crate) unit: Unit,
    /// A capital `M` stood for milli, which people also write for mega.
    pub(crate) capital_m: bool,
    /// A lone `F` stood for femto, which people also write for farad.
    pub(crate) lone_f: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unit {
    None,
    Ohm,
    Farad,
    Henry,
    Volt,
    Ampere,
    Second,
    Hertz,
    Siemens,
    Degree,
    Metre,
}

impl Unit {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::None => "no unit",
            Self::Ohm => "ohm",
            Self::Farad => "farad",
            Self::Henry => "henry",
            Self::Volt => "volt",
            Self::Ampere => "ampere",
            Self::Second => "second",
            Self::Hertz => "hertz",
            Self::Siemens => "siemens",
            Self::Degree => "degree",
            Self::Metre => "metre",
        }
    }
}

fn digits(text: &[u8], mut at: usize) -> usize {
    while text.get(at).is_some_and(u8::is_ascii_digit) {
        at += 1;
    }
    at
}

/// Length of the plain number at the start: sign, digits, point, exponent.
fn plain(text: &[u8]) -> usize {
    let mut at = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    let start = at;
    at = digits(text, at);
    let mut any = at > start;
    if text.get(at) == Some(&b'.') {
        let after = digits(text, at + 1);
        any |= after > at + 1;
        at = after;
    }
    if !any {
        return 0;
    }
    if matches!(text.get(at), Some(b'e' | b'E')) {
        let mut exponent = at + 1;
        if matches!(text.get(exponent), Some(b'+' | b'-')) {
            exponent += 1;
        }
        let end = digits(text, exponent);
        if end > exponent {
            at = end;
        }
    }
    at
}

/// Length of a number with its suffix and unit at the start of a text; 0 where there is none.
pub(crate) fn length(text: &str) -> usize {
    let start = plain(text.as_bytes());
    if start == 0 {
        return 0;
    }
    let rest = &text[start..];
    start
        + rest
            .char_indices()
            .find(|(_, c)| !(c.is_alphanumeric() || matches!(c, 'µ' | 'μ' | '\u{2126}')))
            .map_or(rest.len(), |(i, _)| i)
}

/// Reads the whole text as one number.
pub(crate) fn parse(text: &str) -> Result<Number, String> {
    let start = plain(text.as_bytes());
    if start == 0 {
        return Err(format!("`{text}` is no number"));
    }
    let base: f64 = text[..start].parse().map_err(|_| format!("`{text}` is no number"))?;
    let written = &text[start..];
    let tail = written.to_lowercase().replace(['µ', 'μ'], "u").replace(['\u{2126}', 'ω'], "ohm");
    let made = |exponent: i32, factor: f64, rest: &str| -> Option<Number> {
        let unit = match rest {
            "" => Unit::None,
            "ohm" | "ohms" | "r" => Unit::Ohm,
            "f" | "farad" => Unit::Farad,
            "h" | "hy" | "henry" => Unit::Henry,
            "v" | "volt" | "volts" => Unit::Volt,
            "a" | "amp" | "amps" => Unit::Ampere,
            "s" | "sec" => Unit::Second,
            "hz" => Unit::Hertz,
            "mho" | "siemens" => Unit::Siemens,
            "deg" => Unit::Degree,
            "metre" | "meter" => Unit::Metre,
            _ => return None,
        };
        // Decimal powers through the text keep `100n` the double nearest to 1e-7.
        let mut value = if exponent == 0 {
            base
        } else {
            let mantissa = &text[..start];
            let (digits, old) = match mantissa.find(['e', 'E']) {
                Some(i) => (&mantissa[..i], mantissa[i + 1..].parse::<i32>().ok()?),
                None => (mantissa, 0),
            };
            format!("{digits}e{}", old.checked_add(exponent)?).parse().ok()?
        };
        value *= factor;
        Some(Number {
            value,
            unit,
            capital_m: exponent == -3 && written.starts_with('M'),
            lone_f: exponent == -15 && rest.is_empty(),
        })
    };
    let suffixes: [(&str, i32, f64); 11] = [
        ("meg", 6, 1.0),
        ("mil", 0, 25.4e-6),
        ("t", 12, 1.0),
        ("g", 9, 1.0),
        ("k", 3, 1.0),
        ("m", -3, 1.0),
        ("u", -6, 1.0),
        ("n", -9, 1.0),
        ("p", -12, 1.0),
        ("f", -15, 1.0),
        ("a", -18, 1.0),
    ];
    let mut found = None;
    for (suffix, exponent, factor) in suffixes {
        // A lone `a` is far likelier an ampere than an atto.
        if suffix == "a" && tail.len() <= 1 {
            continue;
        }
        if let Some(n) = tail.strip_prefix(suffix).and_then(|rest| made(exponent, factor, rest)) {
            found = Some(n);
            break;
        }
    }
    // A unit alone; `f` alone is femto by the convention of this syntax and was taken above.
    let found = found.or_else(|| made(0, 1.0, &tail));
    match found {
        Some(n) if n.value.is_finite() => Ok(n),
        Some(_) => Err(format!("`{text}` is beyond what can be represented")),
        None => Err(format!("`{text}` is no number: `{written}` is neither a suffix (t g meg k m u n p f) nor a unit")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn suffixes_are_those_of_the_common_syntax() {
        let v = |t: &str| parse(t).unwrap().value;
        assert_eq!(v("1meg"), 1e6);
        assert_eq!(v("1MEG"), 1e6);
        assert_eq!(v("1m"), 1e-3);
        assert_eq!(v("100n"), 1e-7);
        assert_eq!(v("0.25uF"), 0.25e-6);
        assert_eq!(v("4.7kohm"), 4700.0);
        assert_eq!(v("1e3k"), 1e6);
        assert_eq!(v("-2.5E-3"), -2.5e-3);
        assert_eq!(v("10µH"), 1e-5);
        assert_eq!(v("50Ω"), 50.0);
        assert_eq!(v("5V"), 5.0);
        assert_eq!(v("3A"), 3.0);
        assert_eq!(v("1mil"), 25.4e-6);
        assert_eq!(v(".5"), 0.5);
        assert!(parse("1F").unwrap().lone_f);
        assert!(parse("1M").unwrap().capital_m);
        for bad in ["", "k", "1k5", "2x", "1e999", "--1", "1..2", "nan", "inf"] {
            assert!(parse(bad).is_err(), "{bad}");
        }
    }
}
