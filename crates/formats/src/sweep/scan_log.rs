//! The scan log of radio receivers: a row is date, time, lowest and highest frequency, step, number of samples, levels.

use super::finish::{Levels, finish};
use super::read::too_many_rows;
use super::{
    Candidate, ColumnUnderstood, DecimalSign, Delimiter, FrequencyUnit, LevelUnit, MOST_CELLS, Question, Role,
    SweepChoices, SweepError, SweepReading, Understood,
};

fn is_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split(['-', '/']).collect();
    parts.len() == 3
        && parts[0].len() == 4
        && parts.iter().all(|p| !p.is_empty() && p.bytes().all(|b| b.is_ascii_digit()))
}

fn is_time(text: &str) -> bool {
    let parts: Vec<&str> = text.split(':').collect();
    parts.len() >= 2 && parts.iter().all(|p| !p.is_empty() && p.bytes().all(|b| b.is_ascii_digit() || b == b'.'))
}

/// Reads the lines if they are a scan log; nothing if they are something else.
pub(super) fn read(
    lines: &[&str],
    from: usize,
    encoding: &str,
    name: &str,
    choices: &SweepChoices,
) -> Option<Result<SweepReading, SweepError>> {
    let told = choices.frequency_column.is_some()
        || !choices.level_columns.is_empty()
        || choices.delimiter.is_some_and(|d| d != Delimiter::Comma);
    let first = lines.iter().enumerate().skip(from).find(|(_, l)| !l.trim().is_empty() && !l.starts_with('#'))?;
    let cells: Vec<&str> = first.1.split(',').map(str::trim).collect();
    let numbers = cells.iter().skip(2).filter(|c| c.parse::<f64>().is_ok()).count();
    if told || cells.len() < 7 || !is_date(cells[0]) || !is_time(cells[1]) || numbers + 2 < cells.len().min(7) {
        return None;
    }
    Some(read_log(lines, first.0, encoding, name, choices))
}

fn read_log(
    lines: &[&str],
    start: usize,
    encoding: &str,
    name: &str,
    choices: &SweepChoices,
) -> Result<SweepReading, SweepError> {
    let Some(unit) = choices.level_unit else {
        return Err(SweepError::Ambiguous {
            name: name.to_owned(),
            questions: vec![Question {
                choice: "level_unit".to_owned(),
                what: format!("line {}: a scan log holds dB without a reference", start + 1),
                candidates: [LevelUnit::Dbm, LevelUnit::DbUv, LevelUnit::DbUvPerM]
                    .into_iter()
                    .map(|u| Candidate {
                        reading: format!("the receiver was calibrated in {u}"),
                        value: u.ascii().to_owned(),
                    })
                    .collect(),
            }],
        });
    };
    let mut frequency_hz = Vec::new();
    let mut level_db = Vec::new();
    let mut line_of: Vec<u32> = Vec::new();
    let (mut closing, mut empty) = (0usize, 0usize);
    for (i, line) in lines.iter().enumerate().skip(start) {
        if line.trim().is_empty() || line.starts_with('#') {
            continue;
        }
        let cells: Vec<&str> = line.trim().trim_end_matches(',').split(',').map(str::trim).collect();
        let fault = |column: usize, what: String, expected: &str| SweepError::Row {
            name: name.to_owned(),
            line: i + 1,
            column: Some(column + 1),
            what,
            expected: expected.to_owned(),
        };
        if cells.len() < 7 {
            return Err(fault(
                cells.len() - 1,
                format!("the row ends after {} cells", cells.len()),
                "date, time, lowest and highest frequency, step, samples and levels",
            ));
        }
        let number = |column: usize| {
            cells[column]
                .parse::<f64>()
                .ok()
                .filter(|v| v.is_finite())
                .ok_or_else(|| fault(column, format!("`{}` is no number", cells[column]), "a finite number"))
        };
        let (low, high, step) = (number(2)?, number(3)?, number(4)?);
        if !(low >= 0.0 && high > low && step > 0.0) {
            return Err(fault(
                2,
                format!("from {low} Hz to {high} Hz in steps of {step} Hz"),
                "rising frequencies and a positive step",
            ));
        }
        let bins = ((high - low) / step).round();
        let there = cells.len() - 6;
        // The log closes each row with its last level once more, so that a plot reaches the edge.
        if bins < 1.0 || bins + 1.0 < there as f64 || bins > there as f64 {
            return Err(fault(
                6,
                format!("{there} levels from {low} Hz to {high} Hz in steps of {step} Hz"),
                &format!("{bins} levels, or one more that repeats the last"),
            ));
        }
        closing += usize::from(there as f64 > bins);
        for bin in 0..bins as usize {
            let text = cells[6 + bin];
            let level = if text.eq_ignore_ascii_case("nan") || text.eq_ignore_ascii_case("-inf") || text.is_empty() {
                empty += 1;
                f64::NAN
            } else {
                number(6 + bin)?
            };
            if unit.is_linear() && level < 0.0 {
                return Err(fault(6 + bin, format!("{level} {unit} is negative"), "a level in decibels"));
            }
            let f = low + bin as f64 * step;
            if f == 0.0 {
                continue;
            }
            frequency_hz.push(f);
            level_db.push(unit.level(level));
            line_of.push(i as u32 + 1);
        }
        if frequency_hz.len() > MOST_CELLS {
            return Err(too_many_rows(name, frequency_hz.len()));
        }
    }
    if frequency_hz.is_empty() {
        return Err(SweepError::NoTable {
            name: name.to_owned(),
            what: "the scan log has no frequency above 0 Hz".to_owned(),
        });
    }
    let roles = [
        ("date", Role::NotRead),
        ("time", Role::NotRead),
        ("lowest frequency", Role::Frequency),
        ("highest frequency", Role::NotRead),
        ("step", Role::NotRead),
        ("samples", Role::NotRead),
        ("levels", Role::Level),
    ];
    let detector = choices.detectors.get("*").or_else(|| choices.detectors.get("7")).copied();
    let mut understood = Understood {
        name: name.to_owned(),
        shape: "scan log".to_owned(),
        encoding: encoding.to_owned(),
        delimiter: Some(Delimiter::Comma),
        decimal: Some(DecimalSign::Point),
        preamble_lines: start,
        first_row_line: start + 1,
        columns: roles
            .iter()
            .enumerate()
            .map(|(i, (word, role))| ColumnUnderstood {
                number: i + 1,
                name: (*word).to_owned(),
                role: *role,
                unit: match role {
                    Role::Frequency => Some("Hz".to_owned()),
                    Role::Level => Some(unit.ascii().to_owned()),
                    _ => None,
                },
                detector: detector.filter(|_| *role == Role::Level),
                why: "rows begin with a date, a time and a range of frequencies".to_owned(),
            })
            .collect(),
        frequency_unit: Some(FrequencyUnit::Hz),
        frequency_unit_from: "a scan log is in hertz".to_owned(),
        level_unit: Some(unit),
        level_unit_from: "chosen".to_owned(),
        bandwidth_hz: choices.bandwidth_hz,
        impedance_ohm: choices.impedance_ohm,
        empty_levels: empty,
        ..Understood::default()
    };
    understood.warnings.push("each level is put at the lower edge of its step".to_owned());
    if closing > 0 {
        understood.warnings.push(format!("{closing} rows close with one level more than steps: it is not read"));
    }
    let levels = vec![Levels { name: "levels".to_owned(), detector, level_db }];
    finish(understood, frequency_hz, levels, unit.kept_as(), |row| line_of[row] as usize, choices)
}
