use std::sync::LazyLock;

use quantity::{AtStep, Interpolation, LogTable, Unit};
use serde::Deserialize;

use crate::Detector;
use crate::limit::{Known, Limit, LimitError, Port};

/// The limit files built into the program: place name and text.
const FILES: [(&str, &str); 7] = [
    ("cispr11.toml", include_str!("../data/cispr11.toml")),
    ("cispr14.toml", include_str!("../data/cispr14.toml")),
    ("cispr15.toml", include_str!("../data/cispr15.toml")),
    ("cispr32.toml", include_str!("../data/cispr32.toml")),
    ("generic.toml", include_str!("../data/generic.toml")),
    ("part15.toml", include_str!("../data/part15.toml")),
    ("mil461.toml", include_str!("../data/mil461.toml")),
];

static EMBEDDED: LazyLock<LimitLibrary> = LazyLock::new(|| {
    let mut library = LimitLibrary::default();
    for (place, text) in FILES {
        // The files are part of the program and a test parses every one of them.
        library.add_toml(text, place).unwrap_or_else(|error| panic!("built-in limit data: {error}"));
    }
    library
});

/// What to look for among the limits; an empty search finds all.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LimitSearch {
    /// The port.
    pub port: Option<Port>,
    /// The class, in any letter case. Rows without a class fit every class.
    pub class: Option<String>,
    /// The unit of the level.
    pub unit: Option<Unit>,
    /// The detector.
    pub detector: Option<Detector>,
    /// A frequency (Hz) inside the limit's range.
    pub frequency_hz: Option<f64>,
    /// Words that all stand somewhere in id, standard, table or title, in any letter case.
    pub text: String,
}

/// A set of limits by id.
#[derive(Debug, Clone, Default)]
pub struct LimitLibrary {
    limits: Vec<Limit>,
}

impl LimitLibrary {
    /// The limits built into the program.
    pub fn embedded() -> &'static Self {
        &EMBEDDED
    }

    /// All limits, in the order of their files.
    pub fn all(&self) -> &[Limit] {
        &self.limits
    }

    /// The limit of this id.
    pub fn get(&self, id: &str) -> Option<&Limit> {
        self.limits.iter().find(|l| l.id == id)
    }

    /// The limits that fit, in library order.
    pub fn search(&self, search: &LimitSearch) -> Vec<&Limit> {
        let words: Vec<String> = search.text.split_whitespace().map(str::to_lowercase).collect();
        let fits = |l: &&Limit| {
            search.port.is_none_or(|p| p == l.port)
                && search.unit.is_none_or(|u| u == l.unit)
                && search.detector.is_none_or(|d| d == l.detector)
                && search.frequency_hz.is_none_or(|f| l.at(f).is_some())
                && match (&search.class, &l.class) {
                    (Some(wanted), Some(has)) => wanted.trim().eq_ignore_ascii_case(has),
                    _ => true,
                }
                && (words.is_empty() || {
                    let text = format!("{} {} {} {}", l.id, l.standard, l.table, l.title).to_lowercase();
                    words.iter().all(|w| text.contains(w))
                })
        };
        self.limits.iter().filter(fits).collect()
    }

    /// Ids that look like a mistyped one: nearest first, at most `count`.
    pub fn similar(&self, id: &str, count: usize) -> Vec<&str> {
        let wanted = id.to_lowercase();
        let mut scored: Vec<(usize, &str)> =
            self.limits.iter().map(|l| (edit_distance(&wanted, &l.id), l.id.as_str())).collect();
        scored.sort_by_key(|s| s.0);
        scored.into_iter().take(count).map(|s| s.1).collect()
    }

    /// Adds the rows of a limit file in the shape of the built-in ones (`[[limit]]` tables). All rows or none are
    /// added.
    ///
    /// # Errors
    /// Names `place` (a file name), the row by id or number, the field, and what was expected: unknown or missing
    /// fields, an unknown port, detector, unit or interpolation, points that make no table, no source, an id that is
    /// already taken.
    pub fn add_toml(&mut self, text: &str, place: &str) -> Result<(), LimitError> {
        let file: LimitFile = toml::from_str(text).map_err(|error| LimitError {
            place: place.to_owned(),
            what: error.to_string().trim_end().to_owned(),
            expected: "a TOML file of [[limit]] tables".to_owned(),
        })?;
        let mut fresh: Vec<Limit> = Vec::with_capacity(file.limit.len());
        for (index, value) in file.limit.into_iter().enumerate() {
            let limit = read_row(value, place, index + 1)?;
            if self.get(&limit.id).is_some() || fresh.iter().any(|l| l.id == limit.id) {
                return Err(LimitError {
                    place: format!("{place}, limit {}", index + 1),
                    what: format!("id: `{}` is already taken", limit.id),
                    expected: "an id that no other limit has".to_owned(),
                });
            }
            fresh.push(limit);
        }
        self.limits.append(&mut fresh);
        Ok(())
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LimitFile {
    #[serde(default)]
    limit: Vec<toml::Table>,
}

const FIELDS: &str = "id, standard, table, title, class, port, detector, unit, distance_m, interpolation, \
                      points_mhz_level, source, known, note";

/// Reads fields of one row and takes them out of the table, so that what is left over is unknown.
struct Row<'a> {
    table: toml::Table,
    place: &'a str,
    number: usize,
}

impl Row<'_> {
    fn error(&self, field: &str, found: &str, expected: impl Into<String>) -> LimitError {
        let name = match self.table.get("id").and_then(toml::Value::as_str) {
            Some(id) if !id.is_empty() => format!("`{id}`"),
            _ => self.number.to_string(),
        };
        LimitError {
            place: format!("{}, limit {name}", self.place),
            what: format!("{field}: {found}"),
            expected: expected.into(),
        }
    }

    fn text(&self, field: &str) -> Result<Option<String>, LimitError> {
        match self.table.get(field) {
            None => Ok(None),
            Some(toml::Value::String(text)) if !text.trim().is_empty() => Ok(Some(text.trim().to_owned())),
            Some(other) => Err(self.error(field, &format!("found {other}"), "text in quotation marks, not empty")),
        }
    }

    fn needed(&self, field: &str, expected: &str) -> Result<String, LimitError> {
        self.text(field)?.ok_or_else(|| self.error(field, "missing", expected))
    }

    /// A field that takes one of a few words.
    fn word<T: serde::de::DeserializeOwned>(&self, field: &str, expected: &str) -> Result<Option<T>, LimitError> {
        let Some(text) = self.text(field)? else { return Ok(None) };
        match T::deserialize(toml::Value::String(text.clone())) {
            Ok(value) => Ok(Some(value)),
            Err(_) => Err(self.error(field, &format!("found `{text}`"), expected)),
        }
    }
}

fn number(value: &toml::Value) -> Option<f64> {
    match value {
        toml::Value::Float(x) => Some(*x),
        toml::Value::Integer(x) => Some(*x as f64),
        _ => None,
    }
}

fn read_row(table: toml::Table, place: &str, index: usize) -> Result<Limit, LimitError> {
    let row = Row { table, place, number: index };
    for key in row.table.keys() {
        if !FIELDS.split(',').any(|f| f.trim() == key) {
            return Err(row.error(key, "no such field", format!("one of {FIELDS}")));
        }
    }
    let id = row.needed("id", "a short name, e.g. \"my-mains-qp\"")?;
    if id.contains(|c: char| !(c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'))) {
        return Err(row.error("id", &format!("found `{id}`"), "letters, digits, `-`, `_` and `.` only"));
    }
    let ports = Port::ALL.map(Port::key).join(", ");
    let port = row.word("port", &format!("one of {ports}"))?;
    let port = port.ok_or_else(|| row.error("port", "missing", format!("one of {ports}")))?;
    const DETECTORS: &str = "one of peak, quasi_peak, average (= cispr_average), rms_average";
    let detector = row.word("detector", DETECTORS)?.ok_or_else(|| row.error("detector", "missing", DETECTORS))?;
    let units = format!("one of {}", Unit::ALL.map(Unit::ascii).join(", "));
    let unit_text = row.needed("unit", &units)?;
    let unit: Unit =
        unit_text.parse().map_err(|_| row.error("unit", &format!("found `{unit_text}`"), units.as_str()))?;
    let interpolation: Interpolation =
        row.word("interpolation", "log_frequency or linear_frequency")?.unwrap_or_default();
    let distance_m = match row.table.get("distance_m") {
        None => None,
        Some(value) => match number(value) {
            Some(d) if d.is_finite() && d > 0.0 => Some(d),
            _ => return Err(row.error("distance_m", &format!("found {value}"), "a positive number of metres")),
        },
    };
    Ok(Limit {
        standard: row.needed("standard", "the standard with its edition, or whose requirement it is")?,
        table: row.text("table")?.unwrap_or_default(),
        title: row.needed("title", "what the limit is about, in words")?,
        class: row.text("class")?,
        port,
        detector,
        unit,
        distance_m,
        level: read_points(&row, interpolation)?,
        source: row.needed("source", "where the numbers come from: no limit without its source")?,
        known: row.word("known", "one of seen, memory, user")?.unwrap_or(Known::User),
        note: row.text("note")?,
        id,
    })
}

fn read_points(row: &Row<'_>, interpolation: Interpolation) -> Result<LogTable, LimitError> {
    const FIELD: &str = "points_mhz_level";
    const EXPECTED: &str = "a list of [MHz, level] pairs with rising frequencies, e.g. [[0.15, 66], [0.5, 56]]";
    let Some(value) = row.table.get(FIELD) else { return Err(row.error(FIELD, "missing", EXPECTED)) };
    let Some(list) = value.as_array() else { return Err(row.error(FIELD, &format!("found {value}"), EXPECTED)) };
    let mut points = Vec::with_capacity(list.len());
    for (i, pair) in list.iter().enumerate() {
        let numbers: Option<Vec<f64>> = pair.as_array().and_then(|p| p.iter().map(number).collect());
        match numbers.as_deref() {
            // Through decimal megahertz, so that 0.15 becomes exactly 150 kHz and 88 exactly 88 MHz.
            Some(&[mhz, level]) => points.push(((mhz * 1e9).round() / 1e3, level)),
            _ => return Err(row.error(FIELD, &format!("point {} is {pair}", i + 1), EXPECTED)),
        }
    }
    if points.len() < 2 {
        return Err(row.error(FIELD, &format!("{} points", points.len()), "at least two points"));
    }
    LogTable::new(points, interpolation, AtStep::Lower).map_err(|error| row.error(FIELD, &error.to_string(), EXPECTED))
}

/// Levenshtein distance, for "did you mean".
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let replace = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = replace.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}
