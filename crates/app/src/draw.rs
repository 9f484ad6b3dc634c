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

/// Where a level stands among the rows, from the top.
fn row_of(level: f64, low: f64, high: f64) -> usize {
    (((high - level) / (high - low)).clamp(0.0, 1.0) * (HIGH - 1) as f64).round() as usize
}

/// Rows of characters with the levels at their left and what must be borne as hatched ground below its line.
struct Canvas {
    low: f64,
    high: f64,
    required: Option<f64>,
    cells: Vec<Vec<char>>,
}

impl Canvas {
    fn new(levels: impl Iterator<Item = f64>, required: Option<f64>) -> Self {
        let all = levels.filter(|l| l.is_finite()).chain(required);
        let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        let (low, high) = (low - 2.0, high + 2.0);
        let mut cells = vec![vec![' '; WIDE]; HIGH];
        if let Some(r) = required {
            let edge = row_of(r, low, high);
            for (row, line) in cells.iter_mut().enumerate() {
                if row == edge {
                    line.fill('━');
                } else if row > edge {
                    line.fill('╱');
                }
            }
        }
        Self { low, high, required, cells }
    }

    fn put(&mut self, x: usize, level: f64, mark: char) {
        let row = row_of(level, self.low, self.high);
        self.cells[row][x.min(WIDE - 1)] = mark;
    }

    fn bar(&mut self, x: usize, from: f64, to: f64) {
        let (a, b) = (row_of(to, self.low, self.high), row_of(from, self.low, self.high));
        for row in a..=b {
            self.cells[row][x.min(WIDE - 1)] = '│';
        }
    }

    fn text(&self, unit: immunity::threshold::LevelUnit, below: &str) -> String {
        let mut out = String::new();
        let edge = self.required.map(|r| row_of(r, self.low, self.high));
        for (row, line) in self.cells.iter().enumerate() {
            let level = self.high - (self.high - self.low) * row as f64 / (HIGH - 1) as f64;
            let label = match edge {
                Some(e) if e == row => {
                    format!("{:>8} ", crate::threshold_commands::told(unit, self.required.unwrap_or(0.0)))
                }
                _ if row % 3 == 0 => format!("{:>8} ", crate::threshold_commands::told(unit, level)),
                _ => " ".repeat(9),
            };
            out.push_str(&label);
            out.push('┤');
            out.push_str(line.iter().collect::<String>().trim_end());
            out.push('\n');
        }
        out.push_str(&format!("         └{}\n          {below}\n", "─".repeat(WIDE)));
        out
    }
}

/// Thresholds over log frequency: what must be borne is the hatched ground that no threshold may stand on.
pub(crate) fn thresholds(
    unit: immunity::threshold::LevelUnit,
    required: Option<f64>,
    found: &[immunity::threshold::Assessed],
) -> String {
    use immunity::threshold::Known;
    let points: Vec<(f64, &immunity::threshold::Assessed)> =
        found.iter().filter_map(|f| f.frequency_hz.map(|hz| (hz, f))).collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return String::new() };
    let mut canvas = Canvas::new(points.iter().map(|p| p.1.level_db), required);
    let span = (last.0 / first.0).ln().max(1e-9);
    let column = |f: f64| ((f / first.0).ln() / span * (WIDE - 1) as f64).round() as usize;
    for (f, a) in &points {
        if let Some(t) = &a.threshold {
            canvas.bar(column(*f), t.low_db.max(canvas.low), t.high_db.min(canvas.high));
        }
    }
    for (f, a) in &points {
        let mark = match a.known {
            Known::Both => '●',
            Known::AtLeast => '▲',
            Known::AtMost => '▼',
        };
        canvas.put(column(*f), a.level_db, mark);
    }
    let (left, right) = (hz(first.0), hz(last.0));
    let space = WIDE.saturating_sub(left.chars().count() + right.chars().count());
    canvas.text(
        unit,
        &format!(
            "{left}{}{right}   ({}; ● threshold, │ interval, ▲ nothing failed up to here, ▼ failed from here on)",
            " ".repeat(space),
            unit.symbol
        ),
    )
}

/// The trials in their order: × failed, ○ passed.
pub(crate) fn staircase(
    unit: immunity::threshold::LevelUnit,
    required: Option<f64>,
    trials: &[immunity::threshold::Trial],
) -> String {
    let shown = &trials[trials.len().saturating_sub(WIDE / 2)..];
    let mut canvas = Canvas::new(shown.iter().map(|t| t.level_db), required);
    for (k, t) in shown.iter().enumerate() {
        canvas.put(2 * k, t.level_db, if t.failed { '×' } else { '○' });
    }
    let from = trials.len() - shown.len() + 1;
    canvas.text(unit, &format!("trials {from} to {}   ({}; × failed, ○ passed)", trials.len(), unit.symbol))
}
