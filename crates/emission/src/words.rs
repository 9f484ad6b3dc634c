//! Numbers as people write them.

/// A frequency with four figures and the unit that keeps it readable: `150 kHz`, `12.4 MHz`, `1.5 GHz`.
pub fn frequency(frequency_hz: f64) -> String {
    let (scaled, unit) = match frequency_hz.abs() {
        f if f >= 0.99995e9 => (frequency_hz / 1e9, "GHz"),
        f if f >= 0.99995e6 => (frequency_hz / 1e6, "MHz"),
        f if f >= 0.99995e3 => (frequency_hz / 1e3, "kHz"),
        _ => (frequency_hz, "Hz"),
    };
    format!("{} {unit}", figures(scaled))
}

/// A probability in whole per cent, never 0 or 100: nothing that was measured is certain.
pub fn percent(probability: f64) -> String {
    match 100.0 * probability {
        x if x > 99.5 => "more than 99 %".to_owned(),
        x if x < 0.5 => "less than 1 %".to_owned(),
        x => format!("{x:.0} %"),
    }
}

/// Four significant figures without trailing zeros.
fn figures(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 1000.0 => 0,
        v if v >= 100.0 => 1,
        v if v >= 10.0 => 2,
        _ => 3,
    };
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}
