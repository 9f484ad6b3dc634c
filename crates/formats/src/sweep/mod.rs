//! Sweeps as text: whatever an analyser or receiver saved, read without guessing.
//!
//! [`read_sweep`] finds the encoding, the delimiter, the decimal sign, the preamble, the header and the units by itself
//! and says in [`Understood`] what it found and why. Where the file allows two readings it refuses with
//! [`SweepError::Ambiguous`], which lists them and names the choice in [`SweepChoices`] that settles each. Every choice
//! can be set beforehand.

mod curve;
mod finish;
mod header;
mod layout;
mod names;
mod preamble;
mod read;
mod scan_log;
mod text;
mod units;

use std::collections::BTreeMap;
use std::fmt;

use emission::Trace;
use quantity::{MixError, Unit};
use serde::{Deserialize, Serialize};
use standards::Detector;

pub use units::{FrequencyUnit, LevelUnit};

/// Most bytes of a sweep that are read: 1 GiB.
pub const MOST_BYTES: usize = 1 << 30;
/// Most rows of a sweep that are read.
pub const MOST_ROWS: usize = 20_000_000;
/// Most levels (rows times columns of levels) that are read.
pub const MOST_CELLS: usize = 100_000_000;

/// What stands between two cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Delimiter {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// A tabulator.
    Tab,
    /// One or more blanks.
    Space,
}

/// The sign before the fraction of a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecimalSign {
    /// `1.5`
    Point,
    /// `1,5`
    Comma,
}

/// How the bytes are text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum TextEncoding {
    /// UTF-8 or plain ASCII.
    #[serde(rename = "utf-8")]
    Utf8,
    /// UTF-16, low byte first.
    #[serde(rename = "utf-16le")]
    Utf16Le,
    /// UTF-16, high byte first.
    #[serde(rename = "utf-16be")]
    Utf16Be,
    /// Latin-1 with the additions of Windows code page 1252.
    #[serde(rename = "latin-1")]
    Latin1,
}

/// What to do where one frequency comes several times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Repeats {
    /// Keep the highest level of each column: the cautious reading of several passes.
    #[default]
    Highest,
    /// Keep what comes last in the file.
    Last,
    /// Refuse the file.
    Refuse,
}

/// A column, by its name or by its number counted from 1.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ColumnRef {
    /// Counted from 1.
    Number(usize),
    /// The name in the header, letter case and outer blanks aside.
    Name(String),
}

/// Choices that override what the reader would find by itself; all empty by default.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SweepChoices {
    /// Encoding of the text.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub encoding: Option<TextEncoding>,
    /// What stands between cells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub delimiter: Option<Delimiter>,
    /// The decimal sign.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decimal: Option<DecimalSign>,
    /// So many first lines are passed over (they are still searched for settings).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub skip_lines: Option<usize>,
    /// Which table of a file with several, counted from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub table: Option<usize>,
    /// The column of frequencies.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency_column: Option<ColumnRef>,
    /// The columns of levels.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub level_columns: Vec<ColumnRef>,
    /// Unit of the frequencies.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency_unit: Option<FrequencyUnit>,
    /// Unit of the levels in the file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level_unit: Option<LevelUnit>,
    /// Detector of a column, by its name or its number counted from 1; `*` for every column.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub detectors: BTreeMap<String, Detector>,
    /// Resolution bandwidth (−6 dB), Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bandwidth_hz: Option<f64>,
    /// Impedance in which power and voltage belong together, Ω.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub impedance_ohm: Option<f64>,
    /// Convert the levels to this unit after reading; nothing is converted unless asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub convert_to: Option<Unit>,
    /// What to do with repeated frequencies.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeats: Option<Repeats>,
}

/// A sweep as it was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SweepReading {
    /// The levels, frequencies rising.
    pub trace: Trace,
    /// What was understood on the way.
    pub understood: Understood,
}

/// What a column was taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Frequencies.
    Frequency,
    /// Levels.
    Level,
    /// Counts the rows.
    Index,
    /// Something else, not read.
    NotRead,
}

/// One column as understood.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ColumnUnderstood {
    /// Counted from 1.
    pub number: usize,
    /// Name in the header, empty where there is none.
    pub name: String,
    /// What it was taken for.
    pub role: Role,
    /// Unit as understood: `MHz`, `dBuV`, …
    pub unit: Option<String>,
    /// Detector, where the file or a choice says it.
    pub detector: Option<Detector>,
    /// Why it was taken so.
    pub why: String,
}

/// A setting from the preamble that was used or may matter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Setting {
    /// As written.
    pub key: String,
    /// As written.
    pub value: String,
    /// Line in the file, counted from 1.
    pub line: usize,
}

/// A stretch of the axis without points, far wider than the spacing around it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FrequencyGap {
    /// Last frequency before it, Hz.
    pub from_hz: f64,
    /// First frequency after it, Hz.
    pub to_hz: f64,
}

/// The order the frequencies came in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Order {
    /// Rising.
    #[default]
    Rising,
    /// Falling: turned round.
    Falling,
    /// Mixed: sorted.
    Mixed,
}

/// Everything the reader understood, for people to confirm.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Understood {
    /// Name of the file as given.
    pub name: String,
    /// Kind of content: `table`, `scan log` or `curve with binary block`.
    pub shape: String,
    /// Encoding in words, byte-order mark included.
    pub encoding: String,
    /// What stands between cells.
    pub delimiter: Option<Delimiter>,
    /// The decimal sign; none where no number has a fraction.
    pub decimal: Option<DecimalSign>,
    /// Lines before the header or, without one, before the first row.
    pub preamble_lines: usize,
    /// Line of the header, counted from 1.
    pub header_line: Option<usize>,
    /// Line of the units row, counted from 1.
    pub units_line: Option<usize>,
    /// Line of the first row, counted from 1.
    pub first_row_line: usize,
    /// Settings found in the preamble.
    pub settings: Vec<Setting>,
    /// All columns in the order of the file.
    pub columns: Vec<ColumnUnderstood>,
    /// Unit of the frequencies.
    pub frequency_unit: Option<FrequencyUnit>,
    /// How the unit of the frequencies was known.
    pub frequency_unit_from: String,
    /// Unit of the levels in the file.
    pub level_unit: Option<LevelUnit>,
    /// How the unit of the levels was known.
    pub level_unit_from: String,
    /// Rows read.
    pub rows: usize,
    /// Different frequencies.
    pub count: usize,
    /// Lowest frequency, Hz.
    pub from_hz: f64,
    /// Highest frequency, Hz.
    pub to_hz: f64,
    /// Smallest and largest distance between neighbours, Hz; none for a single frequency.
    pub step_hz: Option<(f64, f64)>,
    /// Order in the file.
    pub order: Order,
    /// Rows whose frequency had come before.
    pub repeated: usize,
    /// Stretches without points.
    pub gaps: Vec<FrequencyGap>,
    /// Cells of level columns without a level.
    pub empty_levels: usize,
    /// Resolution bandwidth, Hz.
    pub bandwidth_hz: Option<f64>,
    /// Impedance, Ω.
    pub impedance_ohm: Option<f64>,
    /// What was converted, in words.
    pub conversions: Vec<String>,
    /// What a person should know before trusting the levels.
    pub warnings: Vec<String>,
}

/// One of several possible readings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Candidate {
    /// The reading in words, with an example from the file where there is one.
    pub reading: String,
    /// Value of the choice that settles it.
    pub value: String,
}

/// Something the file leaves open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Question {
    /// Field of [`SweepChoices`] that settles it; the flag of the command line is `--` and the same with `-` for `_`.
    pub choice: String,
    /// What is open, with the line it shows in.
    pub what: String,
    /// The possible readings.
    pub candidates: Vec<Candidate>,
}

impl Question {
    /// The flag of the command line that settles it, without a value.
    pub fn flag(&self) -> String {
        format!("--{}", self.choice.replace('_', "-"))
    }
}

impl fmt::Display for Question {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:", self.what)?;
        for c in &self.candidates {
            if c.reading.is_empty() {
                write!(f, "\n    {} {}", self.flag(), c.value)?;
            } else {
                write!(f, "\n    {} {:<10} {}", self.flag(), c.value, c.reading)?;
            }
        }
        Ok(())
    }
}

/// Why a sweep was not read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SweepError {
    /// Nothing in it.
    #[error("{name}: the file is empty: expected rows of a frequency and a level")]
    Empty {
        /// Name of the file.
        name: String,
    },
    /// More than the reader takes.
    #[error("{name}: {what} is more than the {most} a sweep may have")]
    TooLarge {
        /// Name of the file.
        name: String,
        /// What there is, with its number.
        what: String,
        /// What is allowed, with its number.
        most: String,
    },
    /// The bytes are no text, or not in the encoding chosen.
    #[error("{name}: {what}: expected {expected}")]
    NotText {
        /// Name of the file.
        name: String,
        /// What was found, with the byte it stands at.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// No rows of numbers.
    #[error("{name}: no table found ({what}): expected rows of at least a frequency and a level")]
    NoTable {
        /// Name of the file.
        name: String,
        /// What there is instead.
        what: String,
    },
    /// A cell or row that does not fit.
    #[error("{name}, line {line}{}: {what}: expected {expected}", column.map(|c| format!(", column {c}")).unwrap_or_default())]
    Row {
        /// Name of the file.
        name: String,
        /// Line in the file, counted from 1.
        line: usize,
        /// Column, counted from 1.
        column: Option<usize>,
        /// What was found.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// Several readings are possible: nothing is guessed.
    #[error("{name}: more than one reading is possible\n{}", questions.iter().map(|q| format!("  {q}")).collect::<Vec<_>>().join("\n"))]
    Ambiguous {
        /// Name of the file.
        name: String,
        /// What is open, all at once.
        questions: Vec<Question>,
    },
    /// A choice that does not fit the file.
    #[error("{name}: choice `{field}`: {what}: expected {expected}")]
    Choice {
        /// Name of the file.
        name: String,
        /// Field of [`SweepChoices`].
        field: String,
        /// What was wrong.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// The conversion asked for needs a further factor.
    #[error("{name}: {source}")]
    Mix {
        /// Name of the file.
        name: String,
        /// What is missing.
        source: MixError,
    },
}

/// Reads a sweep from the bytes of a file. `name` is only used in messages.
pub fn read_sweep(bytes: &[u8], name: &str, choices: &SweepChoices) -> Result<SweepReading, SweepError> {
    if bytes.len() > MOST_BYTES {
        return Err(SweepError::TooLarge {
            name: name.to_owned(),
            what: format!("{} bytes", bytes.len()),
            most: format!("{MOST_BYTES} bytes (1 GiB)"),
        });
    }
    check_choices(name, choices)?;
    if let Some(reading) = curve::read(bytes, name, choices) {
        return reading;
    }
    let (text, encoding) = text::decode(bytes, choices.encoding, name)?;
    if text.trim().is_empty() {
        return Err(SweepError::Empty { name: name.to_owned() });
    }
    read::read_table(&text, encoding, name, choices)
}

/// Choices that no file could meet.
fn check_choices(name: &str, choices: &SweepChoices) -> Result<(), SweepError> {
    for (field, value) in [("impedance_ohm", choices.impedance_ohm), ("bandwidth_hz", choices.bandwidth_hz)] {
        if let Some(v) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return Err(read::choice_error(name, field, format!("{v}"), "a positive number"));
        }
    }
    Ok(())
}

/// Converts the levels of a trace to another unit. `impedance_ohm` stands in where the trace does not know its own.
/// What was done is added to the trace's history.
pub fn convert_unit(trace: &mut Trace, unit: Unit, impedance_ohm: f64) -> Result<(), MixError> {
    let Some(from) = trace.unit else {
        return Err(MixError::Unknown("(none)".to_owned()));
    };
    if from == unit {
        return Ok(());
    }
    let impedance = trace.impedance_ohm.unwrap_or(impedance_ohm);
    let offset_db = from.offset_to(unit, Some(impedance))?;
    for level in trace.columns.iter_mut().flat_map(|c| c.level_db.iter_mut()) {
        *level += offset_db;
    }
    trace.unit = Some(unit);
    trace.history.push(format!("{from} to {unit} in {impedance} Ω: {offset_db:+.2} dB"));
    Ok(())
}

/// What was understood, one sentence a line, warnings last.
pub fn describe(understood: &Understood) -> Vec<String> {
    use finish::in_words;
    let u = understood;
    let mut said = Vec::new();
    let cut = match u.delimiter {
        Some(Delimiter::Comma) => ", cells parted by commas",
        Some(Delimiter::Semicolon) => ", cells parted by semicolons",
        Some(Delimiter::Tab) => ", cells parted by tabs",
        Some(Delimiter::Space) => ", cells parted by blanks",
        None => "",
    };
    let sign = match u.decimal {
        Some(DecimalSign::Point) => ", decimal point",
        Some(DecimalSign::Comma) => ", decimal comma",
        None => "",
    };
    said.push(format!("{}: {} in {}{cut}{sign}", u.name, u.shape, u.encoding));
    let mut lines = vec![match u.preamble_lines {
        0 => "no lines before the table".to_owned(),
        1 => "1 line before the table".to_owned(),
        n => format!("{n} lines before the table"),
    }];
    lines.extend(u.header_line.map(|l| format!("names in line {l}")));
    lines.extend(u.units_line.map(|l| format!("units in line {l}")));
    lines.push(format!("first row in line {}", u.first_row_line));
    said.push(lines.join(", "));
    for c in &u.columns {
        let role = match c.role {
            Role::Frequency => "frequency",
            Role::Level => "level",
            Role::Index => "counter",
            Role::NotRead => "not read",
        };
        let name = if c.name.is_empty() { String::new() } else { format!(" `{}`", c.name) };
        let unit = c.unit.as_ref().map(|u| format!(" in {u}")).unwrap_or_default();
        let detector = match (c.role, c.detector) {
            (Role::Level, Some(d)) => format!(", {d} detector"),
            (Role::Level, None) => ", detector not known".to_owned(),
            _ => String::new(),
        };
        said.push(format!("column {}{name}: {role}{unit}{detector} ({})", c.number, c.why));
    }
    if let Some(unit) = u.frequency_unit {
        said.push(format!("frequencies in {unit} ({})", u.frequency_unit_from));
    }
    if let Some(unit) = u.level_unit {
        said.push(format!("levels in {unit} ({})", u.level_unit_from));
    }
    let step = match u.step_hz {
        Some((lo, hi)) if hi - lo <= 1e-3 * hi => format!(", every {}", in_words(hi)),
        Some((lo, hi)) => format!(", {} to {} apart", in_words(lo), in_words(hi)),
        None => String::new(),
    };
    said.push(format!(
        "{} {}, {} {} from {} to {}{step}",
        u.rows,
        if u.rows == 1 { "row" } else { "rows" },
        u.count,
        if u.count == 1 { "frequency" } else { "frequencies" },
        in_words(u.from_hz),
        in_words(u.to_hz)
    ));
    match u.order {
        Order::Rising => {}
        Order::Falling => said.push("frequencies fall in the file: turned round".to_owned()),
        Order::Mixed => said.push("frequencies are in no order in the file: sorted".to_owned()),
    }
    if u.repeated > 0 {
        said.push(format!(
            "{} rows repeat a frequency: one level is kept for each, the highest unless chosen otherwise",
            u.repeated
        ));
    }
    if u.empty_levels > 0 {
        said.push(format!("{} cells have no level", u.empty_levels));
    }
    for g in &u.gaps {
        said.push(format!("nothing between {} and {}", in_words(g.from_hz), in_words(g.to_hz)));
    }
    said.extend(u.bandwidth_hz.map(|b| format!("bandwidth {}", in_words(b))));
    said.extend(u.impedance_ohm.map(|z| format!("impedance {z} Ω")));
    said.extend(u.conversions.iter().map(|c| format!("converted: {c}")));
    said.extend(u.warnings.iter().map(|w| format!("note: {w}")));
    said
}
