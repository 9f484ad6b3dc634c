//! A limit drawn in the terminal: the forbidden side is hatched.

use standards::Limit;

use crate::print::hz;

const WIDE: usize = 72;
const HIGH: usize = 14;

/// Draws a limit over log frequency. Everything on or above the line is forbidden ground.
pub(crate) fn limit(limit: &Limit) -> String {
    let points = limit.level.points();
    let (from, to) = limit.level.range_hz();
    let low = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min) - 6.0;
    let high = points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max) + 6.0;
    let at = |x: usize| {
        let f = from * (to / from).powf(x as f64 / (WIDE - 1) as f64);
        limit.at(f.clamp(from, to))
    };
    let row_of = |level: f64| ((high - level) / (high - low) * (HIGH - 1) as f64).round() as usize;
    let mut out = String::new();
    for row in 0..HIGH {
        let level = high - (high - low) * row as f64 / (HIGH - 1) as f64;
        let label = if row % 3 == 0 { format!("{level:6.0} ") } else { " ".repeat(7) };
        out.push_str(&label);
        out.push('│');
        for x in 0..WIDE {
            out.push(match at(x).map(row_of) {
                Some(edge) if row == edge => '━',
                Some(edge) if row < edge => '╱',
                _ => ' ',
            });
        }
        while out.ends_with(' ') {
            out.pop();
        }
        out.push('\n');
    }
    out.push_str("       └");
    out.push_str(&"─".repeat(WIDE));
    let (left, right) = (hz(from), hz(to));
    let space = WIDE.saturating_sub(left.chars().count() + right.chars().count());
    out.push_str(&format!("\n        {left}{}{right}   ({})\n", " ".repeat(space), limit.unit));
    out
}
