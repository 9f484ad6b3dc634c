use std::io::Write;

use comfy_table::{CellAlignment, ContentArrangement, Table, presets};
use serde::Serialize;

use crate::outcome::Failure;

/// How results are shown.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Show {
    /// One JSON document instead of tables.
    pub(crate) json: bool,
    /// No progress.
    pub(crate) quiet: bool,
}

pub(crate) fn bytes(content: &[u8]) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    out.write_all(content).and_then(|()| out.flush()).map_err(Failure::Output)
}

pub(crate) fn text(content: &str) -> Result<(), Failure> {
    bytes(content.as_bytes())
}

pub(crate) fn json<T: Serialize>(document: &T) -> Result<(), Failure> {
    let mut out = serde_json::to_string_pretty(document)
        .map_err(|e| Failure::ours(format!("the JSON document could not be made: {e}")))?;
    out.push('\n');
    text(&out)
}

/// A table with a plain rule under its heads; the columns named in `right` (from 0) hold numbers. A column in which no row
/// says anything is left out: it only takes room from the others.
pub(crate) fn table(heads: &[&str], rows: Vec<Vec<String>>, right: &[usize]) -> String {
    let said = |i: usize| rows.is_empty() || rows.iter().any(|r| r.get(i).is_some_and(|cell| !cell.is_empty()));
    let kept: Vec<usize> = (0..heads.len()).filter(|i| said(*i)).collect();
    let heads: Vec<&str> = kept.iter().map(|i| heads[*i]).collect();
    let right: Vec<usize> = (0..kept.len()).filter(|k| right.contains(&kept[*k])).collect();
    let rows: Vec<Vec<String>> =
        rows.iter().map(|r| kept.iter().map(|i| r.get(*i).cloned().unwrap_or_default()).collect()).collect();
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.style_mut().header_separator = presets::UTF8_HORIZONTAL_ONLY.row_separator;
    table.set_header(heads.iter().map(|h| (*h).to_owned()).collect::<Vec<_>>());
    for row in rows {
        table.add_row(row);
    }
    for i in right {
        if let Some(column) = table.column_mut(i) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    format!("{table}\n")
}

/// A frequency for people.
pub(crate) fn hz(value: f64) -> String {
    let (scaled, unit) = match value.abs() {
        v if v >= 1e9 => (value / 1e9, "GHz"),
        v if v >= 1e6 => (value / 1e6, "MHz"),
        v if v >= 1e3 => (value / 1e3, "kHz"),
        _ => (value, "Hz"),
    };
    let digits = format!("{scaled:.4}");
    format!("{} {unit}", digits.trim_end_matches('0').trim_end_matches('.'))
}

/// A level or margin with one digit after the point; a dash where there is none.
pub(crate) fn db(value: f64) -> String {
    if value.is_finite() { format!("{value:.1}") } else { "–".to_owned() }
}

/// The cautions of a conducted measurement on the mains, shown where one is set up.
pub(crate) const MAINS_CAUTION: &str = "\
Caution, mains: an artificial network passes mains current to earth (about 0.9 A at 230 V, 50 Hz, with 12 µF), so a
residual-current device trips and an unearthed network is at mains potential. Bond the network to the ground plane before
anything is plugged in and unbond it last; use an isolating transformer; have it fitted by someone licensed, and follow
your local code. Put a pulse limiter or attenuator before the receiver, and switch the product before connecting it.
";
