//! The reading of a table, step by step.

use standards::Detector;

use super::finish::{Levels, finish, in_words};
use super::header::{self, Header};
use super::layout::{self, Kind, Layout};
use super::names::{
    FoundUnit, detector_in, exact_unit, names_frequency, names_index, names_level, names_other, names_time, names_width,
};
use super::preamble::{self, Preamble};
use super::text::{Cell, Suffix, lines};
use super::{
    Candidate, ColumnRef, ColumnUnderstood, DecimalSign, Delimiter, FrequencyUnit, LevelUnit, MOST_CELLS, MOST_ROWS,
    Question, Role, SweepChoices, SweepError, SweepReading, Understood,
};

/// Lowest and highest frequency of the bands of CISPR 16-1-1, Hz: where a unit is not written, only readings that put the
/// whole sweep inside are thought possible.
const LIKELY_HZ: (f64, f64) = (9e3, 18e9);
/// Above this no sweep of this trade reaches, Hz.
const UNLIKELY_HZ: f64 = 400e9;
/// No level in decibels is larger.
const UNLIKELY_DB: f64 = 300.0;

pub(super) fn read_table(
    text: &str,
    encoding: String,
    name: &str,
    choices: &SweepChoices,
) -> Result<SweepReading, SweepError> {
    // Counted before anything is kept: the list of lines alone would be large.
    let line_count = text.bytes().filter(|b| *b == b'\n').count();
    if line_count > MOST_ROWS + layout::HEAD_LINES {
        return Err(too_many_rows(name, line_count));
    }
    let lines = lines(text);
    refuse_documents(text, name)?;
    let from = choices.skip_lines.unwrap_or(0);
    if from >= lines.len() {
        return Err(choice_error(
            name,
            "skip_lines",
            format!("{from} lines are to be passed over"),
            &format!("fewer than the {} lines there are", lines.len()),
        ));
    }
    if let Some(reading) = super::scan_log::read(&lines, from, &encoding, name, choices) {
        return reading;
    }
    let mut questions = Vec::new();
    let (mut layout, rival) = choose_layout(&lines, from, name, choices, &mut questions)?;
    let mut header = header::find(&lines, from, &layout);
    if header::comma_is_both(&header, &layout, lines[layout.start]) {
        let wanted = choices.decimal == Some(DecimalSign::Comma);
        let headed = !header.names.is_empty();
        let no_point = !lines[layout.start..].iter().take(1000).any(|l| l.contains('.'));
        if choices.decimal != Some(DecimalSign::Point) && (wanted || (headed && no_point)) {
            layout.joined = true;
            layout.fraction = true;
            layout.decimal = DecimalSign::Comma;
            layout.kinds.truncate(layout.kinds.len() / 2);
            header = header::find(&lines, from, &layout);
        } else if choices.decimal.is_none() && no_point {
            questions.push(Question {
                choice: "decimal".to_owned(),
                what: format!("line {}: `{}` can be cut in two ways", layout.start + 1, shown(lines[layout.start])),
                candidates: vec![
                    Candidate {
                        reading: format!("{} columns of whole numbers", layout.kinds.len()),
                        value: "point".to_owned(),
                    },
                    Candidate {
                        reading: format!("{} columns with a decimal comma", layout.kinds.len() / 2),
                        value: "comma".to_owned(),
                    },
                ],
            });
        }
    }
    let tables = tables(&lines, &layout);
    let (start, end) = match (choices.table, tables.len()) {
        (Some(n), count) if n == 0 || n > count => {
            return Err(choice_error(name, "table", format!("there is no table {n}"), &format!("1 to {count}")));
        }
        (Some(n), _) => tables[n - 1],
        (None, 0 | 1) => tables.first().copied().unwrap_or((layout.start, lines.len())),
        (None, _) => {
            questions.push(Question {
                choice: "table".to_owned(),
                what: format!("the file holds {} tables", tables.len()),
                candidates: tables
                    .iter()
                    .enumerate()
                    .map(|(i, (a, b))| Candidate {
                        reading: format!("lines {} to {}", a + 1, b),
                        value: (i + 1).to_string(),
                    })
                    .collect(),
            });
            tables[0]
        }
    };
    if start != layout.start {
        layout.start = start;
        let above = if choices.table.is_some_and(|t| t > 1) { tables[choices.table.unwrap_or(1) - 2].1 } else { from };
        let own = header::find(&lines, above, &layout);
        if own != Header::default() {
            header = own;
        }
    }
    units_beside(&lines[..end], &layout, &mut header, name)?;
    let preamble_end = header.first_line(layout.start).min(layout.start);
    let preamble = preamble::read(&lines[..preamble_end], layout.delimiter, layout.decimal);

    let mut columns = roles(&lines, end, &layout, &header, name, choices, &mut questions)?;
    units(&mut columns, &header, &preamble, choices, &mut questions);
    settle_decimal(&lines, end, &layout, rival.as_ref(), &columns, choices, &mut questions);

    let open_structure = questions.iter().any(|q| q.choice != "level_unit" && q.choice != "frequency_unit");
    let raw = if open_structure { None } else { Some(rows(&lines, end, &layout, &columns, name)?) };
    frequency_unit(&mut columns, raw.as_ref(), &header, &preamble, choices, &mut questions);
    level_unit_question(&mut columns, raw.as_ref(), &mut questions);
    if !questions.is_empty() {
        return Err(SweepError::Ambiguous { name: name.to_owned(), questions });
    }
    let raw = raw.expect("without questions the rows were read");
    build(raw, columns, &lines, &layout, &header, preamble, preamble_end, encoding, name, choices)
}

/// A line short enough for a message.
fn shown(line: &str) -> String {
    let line = line.trim();
    match line.char_indices().nth(60) {
        Some((i, _)) => format!("{}…", &line[..i]),
        None => line.to_owned(),
    }
}

pub(super) fn too_many_rows(name: &str, rows: usize) -> SweepError {
    SweepError::TooLarge { name: name.to_owned(), what: format!("{rows} rows"), most: format!("{MOST_ROWS} rows") }
}

pub(super) fn choice_error(name: &str, field: &str, what: String, expected: &str) -> SweepError {
    SweepError::Choice { name: name.to_owned(), field: field.to_owned(), what, expected: expected.to_owned() }
}

/// JSON and mark-up are text with numbers too, but no tables.
fn refuse_documents(text: &str, name: &str) -> Result<(), SweepError> {
    let start = text.trim_start();
    let kind =
        if start.starts_with('{') || (start.starts_with('[') && start[1..].trim_start().starts_with(['"', '{', '['])) {
            "a JSON document"
        } else if start.starts_with("<?xml") || start.starts_with("<!") || start.starts_with("<html") {
            "a mark-up document"
        } else if start.starts_with("PK\u{3}") || start.starts_with("%PDF") {
            "a packed or printed document"
        } else {
            return Ok(());
        };
    Err(SweepError::NoTable { name: name.to_owned(), what: format!("this is {kind}") })
}

/// The layout with the most rows; the other reading of the decimal sign where it fits just as well.
fn choose_layout(
    lines: &[&str],
    from: usize,
    name: &str,
    choices: &SweepChoices,
    questions: &mut Vec<Question>,
) -> Result<(Layout, Option<Layout>), SweepError> {
    let delimiters = choices
        .delimiter
        .map_or_else(|| vec![Delimiter::Comma, Delimiter::Semicolon, Delimiter::Tab, Delimiter::Space], |d| vec![d]);
    // Both at once: cells are cut at every comma and joined again.
    let both_commas = (choices.delimiter, choices.decimal) == (Some(Delimiter::Comma), Some(DecimalSign::Comma));
    let decimals = choices.decimal.map_or_else(|| vec![DecimalSign::Point, DecimalSign::Comma], |d| vec![d]);
    let mut found: Vec<Layout> = Vec::new();
    for d in delimiters {
        for sign in &decimals {
            found.extend(layout::find(lines, from, d, choices.delimiter.is_some(), *sign));
        }
    }
    if both_commas && found.is_empty() {
        found.extend(layout::find(lines, from, Delimiter::Comma, false, DecimalSign::Comma));
    }
    let most = found.iter().map(|l| l.rows).max().unwrap_or(0);
    found.retain(|l| l.rows == most);
    if found.is_empty() {
        let first = lines.iter().position(|l| !l.trim().is_empty()).unwrap_or(0);
        let chosen = if choices.delimiter.is_some() || choices.decimal.is_some() || choices.skip_lines.is_some() {
            ", cut as the choices `delimiter`, `decimal` and `skip_lines` say"
        } else {
            ""
        };
        return Err(SweepError::NoTable {
            name: name.to_owned(),
            what: format!(
                "{} lines, the first `{}`: none has two numbers side by side{chosen}",
                lines.len(),
                shown(lines[first])
            ),
        });
    }
    let delimiter = found[0].delimiter;
    if found.iter().any(|l| l.delimiter != delimiter) {
        let mut seen: Vec<Delimiter> = Vec::new();
        let mut candidates = Vec::new();
        for l in &found {
            if !seen.contains(&l.delimiter) {
                seen.push(l.delimiter);
                let mut cells = Vec::new();
                l.cells(lines[l.start], &mut cells);
                candidates.push(Candidate {
                    reading: format!("line {}: {}", l.start + 1, cells.join(" | ")),
                    value: word(l.delimiter).to_owned(),
                });
            }
        }
        questions.push(Question {
            choice: "delimiter".to_owned(),
            what: "the cells can be cut at more than one sign".to_owned(),
            candidates,
        });
    }
    let mut same: Vec<Layout> = found.into_iter().filter(|l| l.delimiter == delimiter).collect();
    let mut first = same.remove(0);
    let mut rival = same.pop();
    match &rival {
        // No number has either sign: both readings are one.
        Some(r) if !(first.fraction || first.grouped || r.fraction || r.grouped) => rival = None,
        // The reading with a decimal sign comes first; the other takes the sign for thousands.
        Some(r) if r.fraction && !first.fraction => {
            let r = r.clone();
            rival = Some(std::mem::replace(&mut first, r));
        }
        _ => {}
    }
    Ok((first, rival))
}

fn word(delimiter: Delimiter) -> &'static str {
    match delimiter {
        Delimiter::Comma => "comma",
        Delimiter::Semicolon => "semicolon",
        Delimiter::Tab => "tab",
        Delimiter::Space => "space",
    }
}

/// Nothing in it but separators.
fn is_blank(line: &str) -> bool {
    line.chars().all(|c| c.is_whitespace() || matches!(c, ',' | ';' | '"'))
}

/// What kind of line this is for the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LineKind {
    Blank,
    /// Numbers stand where the table has numbers.
    Row,
    /// Some number stands where the table has one.
    Damaged,
    Words,
}

fn line_kind<'a>(line: &'a str, layout: &Layout, cells: &mut Vec<&'a str>) -> LineKind {
    if is_blank(line) {
        return LineKind::Blank;
    }
    layout.cells(line, cells);
    let (mut numbers, mut wrong) = (0, 0);
    for (cell, kind) in cells.iter().zip(&layout.kinds) {
        match (kind, layout.read(cell)) {
            (Kind::Number, Cell::Number(_)) => numbers += 1,
            (Kind::Number | Kind::Nothing, Cell::Text) => wrong += 1,
            _ => {}
        }
    }
    match (numbers, wrong, cells.len().cmp(&layout.kinds.len())) {
        (0, ..) => LineKind::Words,
        (_, 0, std::cmp::Ordering::Equal) => LineKind::Row,
        _ => LineKind::Damaged,
    }
}

/// The tables of the file as ranges of line indices: rows in a row, parted by lines of words only.
fn tables(lines: &[&str], layout: &Layout) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut open: Option<(usize, usize)> = None;
    let mut cells = Vec::new();
    let mut words = 0;
    for (i, line) in lines.iter().enumerate().skip(layout.start) {
        match line_kind(line, layout, &mut cells) {
            LineKind::Blank => {}
            LineKind::Row => {
                if words > 0 {
                    found.extend(open.take());
                }
                words = 0;
                let start = open.map_or(i, |o| o.0);
                open = Some((start, i + 1));
            }
            // One damaged line among rows is a fault of the table; behind words it is one more of them.
            LineKind::Damaged if words == 0 => {
                open = open.map(|o| (o.0, i + 1));
            }
            LineKind::Damaged | LineKind::Words => words += 1,
        }
    }
    found.extend(open);
    found
}

/// A column of words that holds the unit of the numbers before it (`30.5 MHz 45.2 dBuV` cut at blanks): taken as a units
/// row where it never changes, refused where it does.
fn units_beside(lines: &[&str], layout: &Layout, header: &mut Header, name: &str) -> Result<(), SweepError> {
    let mut cells = Vec::new();
    layout.cells(lines[layout.start], &mut cells);
    let beside: Vec<(usize, String)> = (1..layout.kinds.len())
        .filter(|i| layout.kinds[*i] == Kind::Text && layout.kinds[i - 1] == Kind::Number)
        .filter(|i| {
            let cell = cells.get(*i).copied().unwrap_or("");
            // A bare letter may be a line or a polarisation.
            cell.chars().count() > 1 && matches!(exact_unit(cell), Some(FoundUnit::Frequency(_) | FoundUnit::Level(_)))
        })
        .map(|i| (i, cells[i].to_owned()))
        .collect();
    for (column, unit) in &beside {
        for (i, line) in lines.iter().enumerate().skip(layout.start).filter(|(_, l)| !is_blank(l)) {
            layout.cells(line, &mut cells);
            if let Some(other) = cells.get(*column).filter(|c| !c.is_empty() && *c != unit && exact_unit(c).is_some()) {
                return Err(SweepError::Row {
                    name: name.to_owned(),
                    line: i + 1,
                    column: Some(column + 1),
                    what: format!("the unit changes to `{other}`"),
                    expected: format!("`{unit}`, as in the rows before"),
                });
            }
        }
        if header.unit(column - 1).is_none() {
            header.units.resize(header.units.len().max(*column), String::new());
            header.units[column - 1].clone_from(unit);
        }
    }
    Ok(())
}

/// A column with what is known of it.
#[derive(Debug, Clone)]
struct Planned {
    role: Role,
    name: String,
    why: String,
    detector: Option<Detector>,
    frequency_unit: Option<FrequencyUnit>,
    frequency_unit_from: String,
    level_unit: Option<LevelUnit>,
    level_unit_from: String,
    unit_text: Option<String>,
}

/// The column a choice names.
fn column_of(wanted: &ColumnRef, header: &Header, count: usize, name: &str, field: &str) -> Result<usize, SweepError> {
    let listed = || {
        (0..count)
            .map(|i| {
                if header.name(i).is_empty() { format!("{}", i + 1) } else { format!("{} `{}`", i + 1, header.name(i)) }
            })
            .collect::<Vec<_>>()
            .join(", ")
    };
    let by_name = |wanted: &str| {
        (0..count)
            .find(|i| header.name(*i).trim().to_lowercase() == wanted.trim().to_lowercase())
            .or_else(|| wanted.trim().parse::<usize>().ok().filter(|n| (1..=count).contains(n)).map(|n| n - 1))
    };
    match wanted {
        ColumnRef::Number(n) if (1..=count).contains(n) => Ok(n - 1),
        ColumnRef::Number(n) => {
            Err(choice_error(name, field, format!("there is no column {n}"), &format!("one of {}", listed())))
        }
        ColumnRef::Name(text) => by_name(text).ok_or_else(|| {
            choice_error(name, field, format!("there is no column `{text}`"), &format!("one of {}", listed()))
        }),
    }
}

/// What each column is.
fn roles(
    lines: &[&str],
    end: usize,
    layout: &Layout,
    header: &Header,
    name: &str,
    choices: &SweepChoices,
    questions: &mut Vec<Question>,
) -> Result<Vec<Planned>, SweepError> {
    let count = layout.kinds.len();
    let named = header.names_line.is_some() || header.units_line.is_some();
    let numeric: Vec<usize> = (0..count).filter(|i| layout.kinds[*i] == Kind::Number).collect();
    let mut columns: Vec<Planned> = (0..count)
        .map(|i| {
            let unit = header.unit(i);
            Planned {
                role: Role::NotRead,
                name: header.name(i).to_owned(),
                why: if layout.kinds[i] == Kind::Number { "no name of a frequency or level" } else { "no numbers" }
                    .to_owned(),
                detector: None,
                frequency_unit: None,
                frequency_unit_from: String::new(),
                level_unit: None,
                level_unit_from: String::new(),
                unit_text: match unit {
                    Some(FoundUnit::Frequency(u)) => Some(u.symbol().to_owned()),
                    Some(FoundUnit::Level(u)) => Some(u.ascii().to_owned()),
                    Some(FoundUnit::NoReference(t) | FoundUnit::Other(t)) => Some(t),
                    None => None,
                },
            }
        })
        .collect();
    let is_frequency = |i: usize| {
        !names_width(header.name(i))
            && (matches!(header.unit(i), Some(FoundUnit::Frequency(_)))
                || (names_frequency(header.name(i))
                    && !matches!(header.unit(i), Some(FoundUnit::Level(_) | FoundUnit::Other(_)))))
    };
    // Units written in the cells tell the axis as well as a header does.
    let mut cells = Vec::new();
    layout.cells(lines[layout.start], &mut cells);
    let in_cell = |i: usize| match cells.get(i).map(|c| layout.read(c)) {
        Some(Cell::Number(n)) => n.suffix,
        _ => None,
    };

    let frequency = if let Some(wanted) = &choices.frequency_column {
        let i = column_of(wanted, header, count, name, "frequency_column")?;
        columns[i].why = "chosen".into();
        Some(i)
    } else {
        let said: Vec<usize> = numeric.iter().copied().filter(|i| is_frequency(*i)).collect();
        let shown_in_cells: Vec<usize> =
            numeric.iter().copied().filter(|i| matches!(in_cell(*i), Some(Suffix::Frequency(_)))).collect();
        match (said.as_slice(), shown_in_cells.as_slice()) {
            ([i], _) => {
                columns[*i].why = "its name or unit is that of a frequency".into();
                Some(*i)
            }
            ([], [i]) => {
                columns[*i].why = "its cells carry a unit of frequency".into();
                Some(*i)
            }
            ([], _) => {
                if let Some(i) = (0..count).find(|i| {
                    names_time(header.name(*i)) || matches!(header.unit(*i), Some(FoundUnit::Other(u)) if *i == 0 && ["s", "ms", "us", "µs", "ns", "sec", "second", "seconds"].contains(&u.as_str()))
                })
                    && i == numeric[0] {
                        return Err(SweepError::NoTable {
                            name: name.to_owned(),
                            what: format!("column {} `{}` is a time: this is a record over time, no sweep", i + 1, header.name(i)),
                        });
                    }
                axis_by_its_numbers(lines, end, layout, header, &numeric, questions).inspect(|i| {
                    columns[*i].why = if named {
                        "first column that is not said to be something else"
                    } else {
                        "first column, and it rises or falls throughout"
                    }
                    .into();
                })
            }
            (several, _) => {
                questions.push(column_question(
                    "frequency_column",
                    "more than one column could be the frequency",
                    several,
                    header,
                    &cells,
                ));
                None
            }
        }
    };
    if let Some(i) = frequency {
        columns[i].role = Role::Frequency;
    }
    if choices.level_columns.is_empty() {
        level_columns(&mut columns, &numeric, frequency, header, &in_cell, named);
    } else {
        for wanted in &choices.level_columns {
            let i = column_of(wanted, header, count, name, "level_columns")?;
            if Some(i) == frequency {
                return Err(choice_error(
                    name,
                    "level_columns",
                    format!("column {} is the frequency", i + 1),
                    "another column",
                ));
            }
            columns[i].role = Role::Level;
            columns[i].why = "chosen".into();
        }
    }
    for (i, column) in columns.iter_mut().enumerate().filter(|(_, c)| c.role == Role::Level) {
        let by_choice = choices
            .detectors
            .iter()
            .find(|(key, _)| {
                key.trim() == (i + 1).to_string()
                    || (!column.name.is_empty() && key.trim().to_lowercase() == column.name.trim().to_lowercase())
            })
            .or_else(|| choices.detectors.iter().find(|(key, _)| key.trim() == "*"));
        if let Some((_, d)) = by_choice {
            column.detector = Some(*d);
            column.why.push_str("; detector chosen");
        } else if let Some((d, said)) = detector_in(&column.name) {
            column.detector = Some(d);
            column.why.push_str(&format!("; `{said}` read as {d}"));
        }
    }
    for key in choices.detectors.keys().filter(|k| k.trim() != "*") {
        column_of(&ColumnRef::Name(key.clone()), header, count, name, "detectors")?;
    }
    if questions.iter().all(|q| q.choice != "frequency_column") && !columns.iter().any(|c| c.role == Role::Level) {
        let listed: Vec<String> =
            columns.iter().enumerate().map(|(i, c)| format!("{} `{}` ({})", i + 1, c.name, c.why)).collect();
        return Err(SweepError::NoTable {
            name: name.to_owned(),
            what: format!("no column of levels among {}; the choice `level_columns` names one", listed.join(", ")),
        });
    }
    Ok(columns)
}

fn column_question(choice: &str, what: &str, of: &[usize], header: &Header, cells: &[&str]) -> Question {
    Question {
        choice: choice.to_owned(),
        what: what.to_owned(),
        candidates: of
            .iter()
            .map(|i| Candidate {
                reading: format!(
                    "{}, first value {}",
                    if header.name(*i).is_empty() { "no name".to_owned() } else { format!("`{}`", header.name(*i)) },
                    cells.get(*i).copied().unwrap_or("")
                ),
                value: (i + 1).to_string(),
            })
            .collect(),
    }
}

/// Without a name or a unit: the first column of numbers that rises or falls throughout, unless it may be a counter.
fn axis_by_its_numbers(
    lines: &[&str],
    end: usize,
    layout: &Layout,
    header: &Header,
    numeric: &[usize],
    questions: &mut Vec<Question>,
) -> Option<usize> {
    let open: Vec<usize> = numeric
        .iter()
        .copied()
        .filter(|i| {
            !names_index(header.name(*i))
                && names_other(header.name(*i)).is_none()
                && !matches!(
                    header.unit(*i),
                    Some(FoundUnit::Level(_) | FoundUnit::NoReference(_) | FoundUnit::Other(_))
                )
        })
        .collect();
    let mut first_cells = Vec::new();
    layout.cells(lines[layout.start], &mut first_cells);
    let mut cells = Vec::new();
    let mut values: Vec<Vec<f64>> = vec![Vec::new(); open.len()];
    for line in lines[layout.start..end].iter().filter(|l| !l.trim().is_empty()).take(2000) {
        layout.cells(line, &mut cells);
        for (value, i) in values.iter_mut().zip(&open) {
            if let Some(Cell::Number(n)) = cells.get(*i).map(|c| layout.read(c)) {
                value.push(n.value);
            }
        }
    }
    let runs = |v: &[f64]| v.windows(2).all(|w| w[0] < w[1]) || v.windows(2).all(|w| w[0] > w[1]);
    let counts = |v: &[f64]| {
        v.len() > 1 && v.first().is_some_and(|f| *f == 0.0 || *f == 1.0) && v.windows(2).all(|w| w[1] - w[0] == 1.0)
    };
    let running: Vec<usize> = (0..open.len()).filter(|k| runs(&values[*k])).collect();
    // Two columns, the first of them the axis, is what everyone writes; repeats are allowed then.
    if numeric.len() == 2 && open.first() == Some(&numeric[0]) && !counts(&values[0]) {
        return Some(open[0]);
    }
    match running.as_slice() {
        [k] if !counts(&values[*k]) => Some(open[*k]),
        [k, other] if counts(&values[*k]) && !counts(&values[*other]) && values[*k].len() > 2 => Some(open[*other]),
        _ => {
            let what = if running.iter().any(|k| counts(&values[*k])) {
                "no column is named as the frequency, and one that counts by ones may only number the rows"
            } else {
                "no column is named as the frequency"
            };
            let of = if running.is_empty() { numeric.to_vec() } else { running.iter().map(|k| open[*k]).collect() };
            questions.push(column_question("frequency_column", what, &of, header, &first_cells));
            None
        }
    }
}

fn level_columns(
    columns: &mut [Planned],
    numeric: &[usize],
    frequency: Option<usize>,
    header: &Header,
    in_cell: &dyn Fn(usize) -> Option<Suffix>,
    named: bool,
) {
    let mut certain = Vec::new();
    let mut possible = Vec::new();
    let mut relative = Vec::new();
    for &i in numeric.iter().filter(|i| Some(**i) != frequency) {
        let (name, unit) = (header.name(i), header.unit(i));
        if let Some(word) =
            names_other(name).filter(|_| detector_in(name).is_none() || !matches!(unit, Some(FoundUnit::Level(_))))
        {
            columns[i].why = format!("`{word}` is no level");
        } else if let Some(word) =
            names_other(name).filter(|w| ["limit", "margin", "delta", "over"].contains(&w.as_str()))
        {
            columns[i].why = format!("`{word}` is no level");
        } else if names_index(name) {
            columns[i].role = Role::Index;
            columns[i].why = "counts the rows".into();
        } else if matches!(unit, Some(FoundUnit::Level(_))) || matches!(in_cell(i), Some(Suffix::Level(_))) {
            certain.push(i);
        } else if let Some(FoundUnit::Other(u)) = &unit {
            columns[i].why = format!("`{u}` is no unit of level");
        } else if names_width(name) || matches!(unit, Some(FoundUnit::Frequency(_))) {
            columns[i].why = "a width or a second frequency".into();
        } else if matches!(unit, Some(FoundUnit::NoReference(_))) {
            relative.push(i);
        } else if names_level(name) || detector_in(name).is_some() || name.is_empty() || !named {
            possible.push((i, true));
        } else {
            possible.push((i, false));
        }
    }
    // A named level without its own unit belongs to the others; an unknown name only stands where nothing better does.
    let known = possible.iter().any(|(_, known)| *known) || !certain.is_empty();
    // With no name at all a first column that counts is no level.
    for (i, is_known) in possible {
        if is_known && (certain.is_empty() || !header.name(i).is_empty()) || !known {
            certain.push(i);
            columns[i].why =
                if named { "named as a level, or nothing else it could be" } else { "numbers beside the frequency" }
                    .into();
        }
    }
    if certain.is_empty() {
        certain = relative;
    } else {
        for i in relative {
            columns[i].why = "decibels without a reference".into();
        }
    }
    let first = frequency.unwrap_or(0);
    for i in certain {
        if !named && i < first {
            columns[i].role = Role::Index;
            columns[i].why = "counts the rows".into();
            continue;
        }
        columns[i].role = Role::Level;
        if columns[i].why.is_empty() || columns[i].why.starts_with("no name") {
            columns[i].why = "its unit is that of a level".into();
        }
    }
}

/// The units of the level columns, and the detector the preamble states.
fn units(
    columns: &mut [Planned],
    header: &Header,
    preamble: &Preamble,
    choices: &SweepChoices,
    questions: &mut Vec<Question>,
) {
    let levels: Vec<usize> = (0..columns.len()).filter(|i| columns[*i].role == Role::Level).collect();
    for &i in &levels {
        let c = &mut columns[i];
        let own = match header.unit(i) {
            Some(FoundUnit::Level(u)) => Some(u),
            _ => None,
        };
        let line =
            header.units_line.filter(|_| header.units.get(i).is_some_and(|u| !u.is_empty())).or(header.names_line);
        if let Some(u) = choices.level_unit {
            c.level_unit = Some(u);
            c.level_unit_from = "chosen".into();
        } else if let Some(u) = own {
            c.level_unit = Some(u);
            c.level_unit_from = line.map_or_else(|| "beside the numbers".to_owned(), |l| format!("line {}", l + 1));
            if let Some((p, at)) = preamble.level_unit.filter(|(p, _)| p.kept_as() != u.kept_as())
                && questions.iter().all(|q| q.choice != "level_unit")
            {
                questions.push(Question {
                    choice: "level_unit".to_owned(),
                    what: format!("the unit of column {} is said in two ways", i + 1),
                    candidates: vec![
                        Candidate {
                            reading: format!("line {}, the header", line.map_or(0, |l| l + 1)),
                            value: u.ascii().to_owned(),
                        },
                        Candidate { reading: format!("line {at}, the preamble"), value: p.ascii().to_owned() },
                    ],
                });
            }
        } else if let Some((u, at)) = preamble.level_unit {
            c.level_unit = Some(u);
            c.level_unit_from = format!("line {at}, the preamble");
        }
    }
    let mut kept: Vec<quantity::Unit> = Vec::new();
    for u in levels.iter().filter_map(|i| columns[*i].level_unit.map(LevelUnit::kept_as)) {
        if !kept.contains(&u) {
            kept.push(u);
        }
    }
    if kept.len() > 1 {
        questions.push(Question {
            choice: "level_columns".to_owned(),
            what: "the columns of levels have units that do not mix in one trace".to_owned(),
            candidates: kept
                .iter()
                .map(|u| {
                    let of: Vec<String> = levels
                        .iter()
                        .filter(|i| columns[**i].level_unit.map(LevelUnit::kept_as) == Some(*u))
                        .map(|i| (i + 1).to_string())
                        .collect();
                    Candidate { reading: format!("the levels in {u}"), value: of.join(",") }
                })
                .collect(),
        });
    }
    // One detector for all, or one for each trace in their order.
    let silent: Vec<usize> = levels
        .iter()
        .copied()
        .filter(|i| columns[*i].detector.is_none() && !columns[*i].why.contains("detector"))
        .collect();
    let stated = &preamble.detectors;
    for (k, &i) in silent.iter().enumerate() {
        let all_same = stated.windows(2).all(|w| w[0].0 == w[1].0);
        let from = match stated.len() {
            0 => None,
            _ if all_same => stated.first(),
            n if n == silent.len() => stated.get(k),
            _ => None,
        };
        let low = ["min", "neg", "sample"].iter().any(|w| columns[i].name.to_lowercase().contains(w));
        if let Some((d, said, at)) = from.filter(|_| !low) {
            columns[i].detector = Some(*d);
            columns[i].why.push_str(&format!("; detector `{said}` of line {at} read as {d}"));
        }
    }
}

/// Asks for the decimal sign where the other reading is as likely.
fn settle_decimal(
    lines: &[&str],
    end: usize,
    layout: &Layout,
    rival: Option<&Layout>,
    columns: &[Planned],
    choices: &SweepChoices,
    questions: &mut Vec<Question>,
) {
    let Some(rival) = rival.filter(|_| choices.decimal.is_none() && !layout.joined) else { return };
    let mut cells = Vec::new();
    let mut example = None;
    for (k, line) in lines.iter().enumerate().take(end).skip(layout.start).take(layout::HEAD_LINES) {
        layout.cells(line, &mut cells);
        for (i, column) in columns.iter().enumerate() {
            let Some(text) = cells.get(i) else { continue };
            let (Cell::Number(a), Cell::Number(b)) = (layout.read(text), rival.read(text)) else { continue };
            let in_decibels = column.level_unit.is_none_or(|u| !u.is_linear());
            let scale = column.frequency_unit.or(choices.frequency_unit).map_or(1.0, FrequencyUnit::hertz);
            let impossible = match column.role {
                Role::Level => in_decibels && b.value.abs() > UNLIKELY_DB,
                Role::Frequency => b.value * scale > UNLIKELY_HZ,
                _ => false,
            };
            if impossible {
                return;
            }
            if a.value != b.value && example.is_none() && column.role != Role::NotRead {
                example = Some((k, (*text).to_owned(), a.value, b.value));
            }
        }
    }
    if let Some((row, text, a, b)) = example {
        let word = |d| if d == DecimalSign::Point { "point" } else { "comma" };
        questions.push(Question {
            choice: "decimal".to_owned(),
            what: format!("line {}: `{text}` has a decimal sign or grouped thousands", row + 1),
            candidates: vec![
                Candidate { reading: format!("{a}"), value: word(layout.decimal).to_owned() },
                Candidate { reading: format!("{b}"), value: word(rival.decimal).to_owned() },
            ],
        });
    }
}

/// The rows as numbers.
#[derive(Debug)]
struct Raw {
    /// As written, or in hertz where the cell carries a unit.
    frequency: Vec<f64>,
    in_hertz: Vec<bool>,
    any_in_hertz: bool,
    /// One per level column; NaN where there is nothing.
    levels: Vec<Vec<f64>>,
    /// Unit written in the cells of a level column.
    level_suffix: Vec<Option<LevelUnit>>,
    line: Vec<u32>,
    closing_lines: Vec<usize>,
}

fn rows(lines: &[&str], end: usize, layout: &Layout, columns: &[Planned], name: &str) -> Result<Raw, SweepError> {
    let frequency =
        columns.iter().position(|c| c.role == Role::Frequency).expect("a frequency column without a question");
    let levels: Vec<usize> = (0..columns.len()).filter(|i| columns[*i].role == Role::Level).collect();
    let count = layout.kinds.len();
    let mut raw = Raw {
        frequency: Vec::new(),
        in_hertz: Vec::new(),
        any_in_hertz: false,
        levels: vec![Vec::new(); levels.len()],
        level_suffix: vec![None; levels.len()],
        line: Vec::new(),
        closing_lines: Vec::new(),
    };
    let fault = |line: usize, column: Option<usize>, what: String, expected: &str| {
        Err(SweepError::Row {
            name: name.to_owned(),
            line: line + 1,
            column: column.map(|c| c + 1),
            what,
            expected: expected.to_owned(),
        })
    };
    let mut cells: Vec<&str> = Vec::new();
    for (i, line) in lines.iter().enumerate().take(end).skip(layout.start) {
        if is_blank(line) {
            continue;
        }
        layout.cells(line, &mut cells);
        let text = cells.get(frequency).copied().unwrap_or("");
        let number = match layout.read(text) {
            Cell::Number(n) => n,
            Cell::Nothing | Cell::Text => {
                return fault(i, Some(frequency), format!("`{text}` is no frequency"), "a positive number");
            }
        };
        if !number.value.is_finite() {
            return fault(i, Some(frequency), format!("frequency `{text}` is infinite"), "a positive number");
        }
        if number.value < 0.0 {
            return fault(
                i,
                Some(frequency),
                format!("frequency {text} is negative"),
                "a positive number (is this a record over time?)",
            );
        }
        if cells.len() > count {
            return fault(
                i,
                None,
                format!("{} cells", cells.len()),
                &format!("{count}, as in the rows before (a decimal sign read as a delimiter?)"),
            );
        }
        let hertz = match number.suffix {
            Some(Suffix::Frequency(u)) => Some(u.hertz()),
            Some(Suffix::Level(_)) => {
                return fault(i, Some(frequency), format!("`{text}` carries a unit of level"), "a frequency");
            }
            None => None,
        };
        raw.frequency.push(number.value * hertz.unwrap_or(1.0));
        raw.in_hertz.push(hertz.is_some());
        raw.any_in_hertz |= hertz.is_some();
        raw.line.push(i as u32 + 1);
        for (k, &column) in levels.iter().enumerate() {
            let Some(text) = cells.get(column) else {
                return fault(
                    i,
                    Some(column),
                    format!("the row ends after {} of {count} cells", cells.len()),
                    "a level in every row (an empty cell where there is none)",
                );
            };
            let value = match layout.read(text) {
                Cell::Nothing => f64::NAN,
                Cell::Text => {
                    return fault(
                        i,
                        Some(column),
                        format!("`{text}` is no number"),
                        "a level, or an empty cell where there is none",
                    );
                }
                Cell::Number(n) if !n.value.is_finite() => {
                    return fault(
                        i,
                        Some(column),
                        format!("level `{text}` is infinite"),
                        "a finite level, or an empty cell where there is none",
                    );
                }
                Cell::Number(n) => {
                    match n.suffix {
                        None => {}
                        Some(Suffix::Level(u)) => match raw.level_suffix[k] {
                            None => raw.level_suffix[k] = Some(u),
                            Some(before) if before == u => {}
                            Some(before) => {
                                return fault(
                                    i,
                                    Some(column),
                                    format!("`{text}` is in {u}"),
                                    &format!("{before}, as in the rows before"),
                                );
                            }
                        },
                        Some(Suffix::Frequency(_)) => {
                            return fault(i, Some(column), format!("`{text}` carries a unit of frequency"), "a level");
                        }
                    }
                    n.value
                }
            };
            raw.levels[k].push(value);
        }
        if raw.frequency.len() > MOST_ROWS {
            return Err(too_many_rows(name, raw.frequency.len()));
        }
        if raw.frequency.len().saturating_mul(levels.len()) > MOST_CELLS {
            return Err(SweepError::TooLarge {
                name: name.to_owned(),
                what: format!("{} levels", raw.frequency.len() * levels.len()),
                most: format!("{MOST_CELLS} levels"),
            });
        }
    }
    for (i, line) in lines.iter().enumerate().skip(end) {
        if !is_blank(line) {
            raw.closing_lines.push(i + 1);
        }
    }
    Ok(raw)
}

/// The unit of the axis: chosen, in the cells, in the header, in the preamble, or the only one that is possible.
fn frequency_unit(
    columns: &mut [Planned],
    raw: Option<&Raw>,
    header: &Header,
    preamble: &Preamble,
    choices: &SweepChoices,
    questions: &mut Vec<Question>,
) {
    let Some(i) = columns.iter().position(|c| c.role == Role::Frequency) else { return };
    let own = match header.unit(i) {
        Some(FoundUnit::Frequency(u)) => Some(u),
        _ => None,
    };
    let line = header.units_line.filter(|_| header.units.get(i).is_some_and(|u| !u.is_empty())).or(header.names_line);
    let c = &mut columns[i];
    let (unit, from) = if let Some(u) = choices.frequency_unit {
        (Some(u), "chosen".to_owned())
    } else if let Some(u) = own {
        if let Some((p, at)) = preamble.frequency_unit.filter(|(p, _)| *p != u) {
            questions.push(Question {
                choice: "frequency_unit".to_owned(),
                what: "the unit of the frequencies is said in two ways".to_owned(),
                candidates: vec![
                    Candidate {
                        reading: format!("line {}, the header", line.map_or(0, |l| l + 1)),
                        value: u.symbol().to_owned(),
                    },
                    Candidate { reading: format!("line {at}, the preamble"), value: p.symbol().to_owned() },
                ],
            });
        }
        (Some(u), line.map_or_else(|| "beside the numbers".to_owned(), |l| format!("line {}", l + 1)))
    } else if raw.is_some_and(|r| r.in_hertz.iter().all(|h| *h)) {
        (Some(FrequencyUnit::Hz), "written in the cells".to_owned())
    } else if let Some((u, at)) = preamble.frequency_unit {
        (Some(u), format!("line {at}, the preamble"))
    } else {
        // Without the rows nothing can be said about what is possible: asked once they are settled.
        if raw.is_none() {
            return;
        }
        let range = raw.map(|r| {
            r.frequency
                .iter()
                .zip(&r.in_hertz)
                .filter(|(f, h)| !**h && **f > 0.0)
                .fold((f64::INFINITY, 0.0f64), |(lo, hi), (f, _)| (lo.min(*f), hi.max(*f)))
        });
        let possible: Vec<FrequencyUnit> = FrequencyUnit::ALL
            .into_iter()
            .filter(|u| range.is_some_and(|(lo, hi)| lo * u.hertz() >= LIKELY_HZ.0 && hi * u.hertz() <= LIKELY_HZ.1))
            .collect();
        if let ([u], Some(false)) = (possible.as_slice(), raw.map(|r| r.any_in_hertz)) {
            (Some(*u), format!("not written: only {u} puts every frequency between 9 kHz and 18 GHz"))
        } else {
            let listed = if possible.is_empty() { FrequencyUnit::ALL.to_vec() } else { possible };
            questions.push(Question {
                choice: "frequency_unit".to_owned(),
                what: "the unit of the frequencies is not written".to_owned(),
                candidates: listed
                    .into_iter()
                    .map(|u| Candidate {
                        reading: range.filter(|r| r.0.is_finite()).map_or_else(String::new, |(lo, hi)| {
                            format!("{} to {}", in_words(lo * u.hertz()), in_words(hi * u.hertz()))
                        }),
                        value: u.symbol().to_owned(),
                    })
                    .collect(),
            });
            (None, String::new())
        }
    };
    c.frequency_unit = unit;
    c.frequency_unit_from = from;
}

/// Takes the unit written in the cells, and asks where a level still has none.
fn level_unit_question(columns: &mut [Planned], raw: Option<&Raw>, questions: &mut Vec<Question>) {
    let levels: Vec<usize> = (0..columns.len()).filter(|i| columns[*i].role == Role::Level).collect();
    if let Some(raw) = raw {
        for (k, &i) in levels.iter().enumerate() {
            if let (Some(u), true) = (raw.level_suffix[k], columns[i].level_unit.is_none()) {
                columns[i].level_unit = Some(u);
                columns[i].level_unit_from = "written in the cells".into();
            }
        }
    }
    // A column wholly without levels needs no unit.
    let bare: Vec<usize> = levels
        .iter()
        .enumerate()
        .filter(|(k, i)| {
            columns[**i].level_unit.is_none() && raw.is_none_or(|r| r.levels[*k].iter().any(|v| !v.is_nan()))
        })
        .map(|(_, i)| *i)
        .collect();
    let Some(&first) = bare.first() else { return };
    if questions.iter().any(|q| ["level_unit", "delimiter", "frequency_column"].contains(&q.choice.as_str())) {
        return;
    }
    let example = raw.and_then(|r| {
        levels.iter().position(|i| *i == first).and_then(|k| r.levels[k].iter().copied().find(|v| !v.is_nan()))
    });
    let negative = raw.is_some_and(|r| r.levels.iter().flatten().any(|v| *v < 0.0));
    let mut units = vec![
        LevelUnit::DbUv,
        LevelUnit::Dbm,
        LevelUnit::DbUvPerM,
        LevelUnit::DbUa,
        LevelUnit::DbUaPerM,
        LevelUnit::DbPw,
    ];
    let decibels = columns[first].unit_text.as_deref().is_some_and(|t| t.starts_with("db"));
    if !negative && !decibels {
        units.extend([LevelUnit::Volt, LevelUnit::Watt]);
    }
    let unknown = columns[first]
        .name
        .split(|c: char| c.is_whitespace() || "()[]{},;_".contains(c))
        .find(|w| w.len() > 2 && w.to_lowercase().starts_with("db") && w.parse::<LevelUnit>().is_err());
    let what = if let Some(word) = unknown.filter(|_| !decibels) {
        format!("`{word}` in the name of column {} is no unit of level known here", first + 1)
    } else if decibels {
        format!("column {} is in dB without a reference", first + 1)
    } else {
        format!("the unit of the levels in column {} is not written", first + 1)
    };
    questions.push(Question {
        choice: "level_unit".to_owned(),
        what,
        candidates: units
            .into_iter()
            .map(|u| Candidate {
                reading: example.map_or_else(String::new, |v| format!("the first level is {v} {u}")),
                value: u.ascii().to_owned(),
            })
            .collect(),
    });
}

/// Puts everything together.
fn build(
    raw: Raw,
    columns: Vec<Planned>,
    lines: &[&str],
    layout: &Layout,
    header: &Header,
    preamble: Preamble,
    preamble_end: usize,
    encoding: String,
    name: &str,
    choices: &SweepChoices,
) -> Result<SweepReading, SweepError> {
    let frequency_column = columns.iter().position(|c| c.role == Role::Frequency).expect("a frequency column");
    let unit = columns[frequency_column].frequency_unit.expect("a unit of frequency");
    let mut frequency_hz = raw.frequency;
    for (f, hertz) in frequency_hz.iter_mut().zip(&raw.in_hertz) {
        if !hertz {
            *f *= unit.hertz();
        }
    }
    if let Some(row) = frequency_hz.iter().position(|f| !f.is_finite()) {
        return Err(SweepError::Row {
            name: name.to_owned(),
            line: raw.line[row] as usize,
            column: Some(frequency_column + 1),
            what: "the frequency is infinite".to_owned(),
            expected: "a positive number".to_owned(),
        });
    }
    let mut u = Understood {
        name: name.to_owned(),
        shape: "table".to_owned(),
        encoding,
        delimiter: Some(layout.delimiter),
        decimal: layout.fraction.then_some(layout.decimal).or_else(|| layout.grouped.then_some(layout.decimal)),
        preamble_lines: preamble_end,
        header_line: header.names_line.map(|l| l + 1),
        units_line: header.units_line.map(|l| l + 1),
        first_row_line: layout.start + 1,
        bandwidth_hz: choices.bandwidth_hz.or(preamble.bandwidth_hz),
        impedance_ohm: choices.impedance_ohm.or(preamble.impedance_ohm),
        settings: preamble.settings,
        frequency_unit: Some(unit),
        frequency_unit_from: columns[frequency_column].frequency_unit_from.clone(),
        warnings: preamble.warnings,
        ..Understood::default()
    };
    if u.frequency_unit_from.starts_with("not written") {
        u.warnings.push(format!("the unit of the frequencies is {}", u.frequency_unit_from));
    }
    // A sweep from 0 Hz has a point that is no emission and that no logarithmic axis can show.
    let zero: Vec<usize> = (0..frequency_hz.len()).filter(|i| frequency_hz[*i] == 0.0).collect();
    let mut levels = Vec::new();
    let mut kept_as = None;
    let mut understood_columns: Vec<ColumnUnderstood> = columns
        .iter()
        .enumerate()
        .map(|(i, c)| ColumnUnderstood {
            number: i + 1,
            name: c.name.clone(),
            role: c.role,
            unit: match c.role {
                Role::Frequency => c.frequency_unit.map(|u| u.symbol().to_owned()),
                Role::Level => c.level_unit.map(|u| u.ascii().to_owned()),
                _ => c.unit_text.clone(),
            },
            detector: c.detector,
            why: c.why.clone(),
        })
        .collect();
    let level_indices: Vec<usize> = (0..columns.len()).filter(|i| columns[*i].role == Role::Level).collect();
    for (&i, mut values) in level_indices.iter().zip(raw.levels) {
        let c = &columns[i];
        let label = if c.name.is_empty() { format!("column {}", i + 1) } else { c.name.clone() };
        if values.iter().all(|v| v.is_nan()) {
            understood_columns[i].role = Role::NotRead;
            understood_columns[i].why = "no level in any row".into();
            continue;
        }
        let from = c.level_unit.expect("a unit of level");
        if let Some(row) = values.iter().position(|v| from.is_linear() && *v < 0.0) {
            return Err(SweepError::Row {
                name: name.to_owned(),
                line: raw.line[row] as usize,
                column: Some(i + 1),
                what: format!("{} {from} is negative", values[row]),
                expected: format!(
                    "an r.m.s. value or a power; levels in decibels have a unit such as {}",
                    from.kept_as().ascii()
                ),
            });
        }
        u.empty_levels += values.iter().filter(|v| v.is_nan()).count();
        if from != LevelUnit::from(from.kept_as()) {
            let mut zeros = 0usize;
            for v in &mut values {
                *v = from.level(*v);
                if *v == f64::NEG_INFINITY {
                    *v = f64::NAN;
                    zeros += 1;
                }
            }
            u.conversions.push(format!(
                "`{label}`: {from}{} to {}",
                if from.is_linear() && !matches!(from.kept_as(), quantity::Unit::Dbm) { " (r.m.s.)" } else { "" },
                from.kept_as()
            ));
            if zeros > 0 {
                u.warnings.push(format!("`{label}`: values that are exactly zero have no level ({zeros})"));
            }
        }
        if let Some(row) = values.iter().position(|v| v.is_infinite()) {
            return Err(SweepError::Row {
                name: name.to_owned(),
                line: raw.line[row] as usize,
                column: Some(i + 1),
                what: "the level is infinite".to_owned(),
                expected: "a finite level".to_owned(),
            });
        }
        // The plain word leaves open which average it was.
        let plain_average = detector_in(&c.name).is_some_and(|(d, said)| {
            d == Detector::CisprAverage && !said.starts_with('c') && c.detector == Some(d) && !c.why.contains("chosen")
        });
        if plain_average {
            u.warnings.push(format!(
                "`{label}` is taken as the CISPR-average detector; an average over sweeps or of the logarithm reads lower (the choice `detectors` says otherwise)"
            ));
        }
        u.level_unit = u.level_unit.or(Some(from));
        if u.level_unit_from.is_empty() {
            u.level_unit_from.clone_from(&c.level_unit_from);
        }
        kept_as = kept_as.or(Some(from.kept_as()));
        levels.push(Levels { name: label, detector: c.detector, level_db: values });
    }
    u.columns = understood_columns;
    let Some(kept_as) = kept_as else {
        return Err(SweepError::NoTable { name: name.to_owned(), what: "no row has a level".to_owned() });
    };
    let mut line = raw.line;
    if !zero.is_empty() {
        let keep = |row: usize| zero.binary_search(&row).is_err();
        retain(&mut frequency_hz, &keep);
        retain(&mut line, &keep);
        for l in &mut levels {
            retain(&mut l.level_db, &keep);
        }
        u.warnings.push(format!("rows at 0 Hz are not read ({}): zero frequency is no emission", zero.len()));
        if frequency_hz.is_empty() {
            return Err(SweepError::NoTable { name: name.to_owned(), what: "every row is at 0 Hz".to_owned() });
        }
    }
    if let Some((points, at)) = preamble.points.filter(|p| p.0 != line.len() + zero.len()) {
        u.warnings.push(format!(
            "line {at} says {points} points, {} rows are there: was the file cut short?",
            line.len() + zero.len()
        ));
    }
    let lowest = frequency_hz.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = frequency_hz.iter().copied().fold(0.0, f64::max);
    for (said, there, word) in [(preamble.start_hz, lowest, "first"), (preamble.stop_hz, highest, "last")] {
        if let Some((stated, at)) = said.filter(|(stated, _)| stated.value > 0.0 && !stated.is_near(there)) {
            let unit = if stated.written { " Hz" } else { "" };
            u.warnings.push(format!(
                "line {at} says {}{unit}, but the {word} frequency is {}",
                stated.value,
                in_words(there)
            ));
        }
    }
    if let (Some(a), Some(b)) = (raw.closing_lines.first(), raw.closing_lines.last()) {
        u.warnings.push(format!("lines {a} to {b}, after the table, are not read: `{}`", shown(lines[a - 1])));
    }
    if layout.joined {
        u.warnings.push(
            "the comma stands both between numbers and inside them: cells were joined in pairs, as the header asks"
                .to_owned(),
        );
    }
    finish(u, frequency_hz, levels, kept_as, |row| line[row] as usize, choices)
}

fn retain<T>(values: &mut Vec<T>, keep: &dyn Fn(usize) -> bool) {
    let mut row = 0;
    values.retain(|_| {
        row += 1;
        keep(row - 1)
    });
}
