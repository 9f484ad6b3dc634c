//! Trials of an immunity test as a table: a level, whether the product failed, and what else is known of the trial.

use immunity::threshold::{LevelUnit, Trial, UNITS};

/// What the reader expects, for messages and help.
pub const EXPECTED: &str = "a heading with a level column (level_v_per_m, level_kv, level_v, level_a_per_m, level_a, level_ma, \
level_dbuv_per_m, level_dbuv, level_dbua, level_dbm, level_db or level_percent), a column `failed` (0/1, yes/no, \
true/false, pass/fail), and optionally frequency_hz, port, polarity, effect, modulation";

/// One trial as read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TrialRow {
    /// Line in the file, from 1.
    pub line: usize,
    /// Level in the file's unit, with its sign.
    pub level: f64,
    /// Level, dB.
    pub level_db: f64,
    /// The product failed.
    pub failed: bool,
    /// Frequency, Hz.
    pub frequency_hz: Option<f64>,
    /// Port or point.
    pub port: Option<String>,
    /// `+` or `-`, from the column or the sign of the level.
    pub negative: Option<bool>,
    /// What was seen: `reset`, `latch`, `noise`, …
    pub effect: Option<String>,
    /// `none`, or what modulated the carrier.
    pub modulation: Option<String>,
}

impl TrialRow {
    /// As a trial.
    pub fn trial(&self) -> Trial {
        Trial { level_db: self.level_db, failed: self.failed }
    }
}

/// A table of trials, or a curve of thresholds over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialTable {
    /// Unit of the levels.
    pub unit: LevelUnit,
    /// In the order of the file.
    pub rows: Vec<TrialRow>,
    /// The levels are thresholds themselves (`threshold_…`): each row is one frequency where the product fails from that level
    /// on, or (`failed` 0) passes up to it.
    pub is_curve: bool,
}

impl TrialTable {
    /// Trials by frequency, in ascending order; one group without frequency where the file has none.
    pub fn by_frequency(&self) -> Vec<(Option<f64>, Vec<Trial>)> {
        let mut groups: Vec<(Option<f64>, Vec<Trial>)> = Vec::new();
        for row in &self.rows {
            match groups.iter_mut().find(|g| g.0 == row.frequency_hz) {
                Some(g) => g.1.push(row.trial()),
                None => groups.push((row.frequency_hz, vec![row.trial()])),
            }
        }
        groups.sort_by(|a, b| a.0.unwrap_or(0.0).total_cmp(&b.0.unwrap_or(0.0)));
        groups
    }
}

/// What is wrong with a table of trials.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TrialError {
    /// No heading that fits.
    #[error("{file}:{line}: {what}; expected {EXPECTED}")]
    Heading {
        /// File name.
        file: String,
        /// Line, from 1.
        line: usize,
        /// What was found.
        what: String,
    },
    /// A cell that cannot be.
    #[error("{file}:{line}: {field}: found `{found}`; expected {expected}")]
    Cell {
        /// File name.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Name of the column.
        field: String,
        /// As it stands there.
        found: String,
        /// What was expected.
        expected: &'static str,
    },
    /// Fewer cells than the heading has.
    #[error("{file}:{line}: {found} cells; expected {expected}, as in the heading")]
    Cells {
        /// File name.
        file: String,
        /// Line, from 1.
        line: usize,
        /// How many there are.
        found: usize,
        /// How many the heading has.
        expected: usize,
    },
    /// No rows.
    #[error("{file}: a heading and no trials; expected a trial a line")]
    Empty {
        /// File name.
        file: String,
    },
}

fn yes_or_no(text: &str) -> Option<bool> {
    match text.to_ascii_lowercase().as_str() {
        "1" | "yes" | "y" | "true" | "fail" | "failed" | "x" | "f" => Some(true),
        "0" | "no" | "n" | "false" | "pass" | "passed" | "ok" | "o" | "p" => Some(false),
        _ => None,
    }
}

/// Reads a table of trials, or (where the level column is called `threshold_…`) a curve of thresholds. Empty lines and lines
/// that begin with `#` are passed over; cells are parted by comma, semicolon or tab.
///
/// # Errors
/// A heading that does not fit, cells that are no numbers.
pub fn read_trials(text: &str, file: &str) -> Result<TrialTable, TrialError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines =
        text.lines().enumerate().map(|(i, l)| (i + 1, l.trim())).filter(|(_, l)| !l.is_empty() && !l.starts_with('#'));
    let heading_fault = |line: usize, what: String| TrialError::Heading { file: file.to_owned(), line, what };
    let Some((line, heading)) = lines.next() else { return Err(heading_fault(1, "the file is empty".into())) };
    let names: Vec<String> = cells(heading).map(str::to_ascii_lowercase).collect();
    let at = |wanted: &[&str]| names.iter().position(|n| wanted.contains(&n.as_str()));
    let column = |prefix: &str| {
        UNITS.into_iter().find_map(|u| names.iter().position(|n| *n == format!("{prefix}{}", u.key)).map(|k| (k, u)))
    };
    let (level_at, unit, is_curve) = match (column("level_"), column("threshold_")) {
        (Some((k, u)), _) => (k, u, false),
        (None, Some((k, u))) => (k, u, true),
        (None, None) => {
            return Err(heading_fault(line, format!("no level column among `{}`", names.join(","))));
        }
    };
    let failed_at = at(&["failed", "fail", "failure", "result"]);
    let frequency_at = at(&["frequency_hz"]);
    if failed_at.is_none() && !is_curve {
        return Err(heading_fault(line, format!("no column `failed` among `{}`", names.join(","))));
    }
    if is_curve && frequency_at.is_none() {
        return Err(heading_fault(
            line,
            format!("thresholds without a column frequency_hz among `{}`", names.join(",")),
        ));
    }
    let (port_at, polarity_at) = (at(&["port", "point", "place"]), at(&["polarity", "sign"]));
    let (effect_at, modulation_at) = (at(&["effect", "seen"]), at(&["modulation"]));
    let mut rows = Vec::new();
    for (line, text) in lines {
        let row: Vec<&str> = cells(text).collect();
        if row.len() < names.len() {
            let (found, expected) = (row.len(), names.len());
            return Err(TrialError::Cells { file: file.to_owned(), line, found, expected });
        }
        let wrong = |k: usize, expected: &'static str| TrialError::Cell {
            file: file.to_owned(),
            line,
            field: names[k].clone(),
            found: row[k].to_owned(),
            expected,
        };
        let level: f64 = row[level_at].parse().map_err(|_| wrong(level_at, "a number"))?;
        let level_db = unit.to_db(level).ok_or_else(|| wrong(level_at, "a level other than zero"))?;
        let failed = match failed_at {
            Some(k) => yes_or_no(row[k]).ok_or_else(|| wrong(k, "0 or 1, yes or no, true or false, pass or fail"))?,
            None => true,
        };
        let frequency_hz = match frequency_at.filter(|k| !row[*k].is_empty()) {
            Some(k) => {
                let f = row[k].parse().ok().filter(|f: &f64| f.is_finite() && *f > 0.0);
                Some(f.ok_or_else(|| wrong(k, "a frequency above 0, in Hz"))?)
            }
            None if is_curve => return Err(wrong(frequency_at.unwrap_or(0), "a frequency above 0, in Hz")),
            None => None,
        };
        let negative = match polarity_at.filter(|k| !row[*k].is_empty()) {
            Some(k) => Some(match row[k].to_ascii_lowercase().as_str() {
                "+" | "positive" | "pos" | "plus" => false,
                "-" | "−" | "negative" | "neg" | "minus" => true,
                _ => return Err(wrong(k, "+ or -")),
            }),
            None => (level < 0.0 && !unit.decibel).then_some(true),
        };
        let words = |k: Option<usize>| k.map(|k| row[k].to_owned()).filter(|t| !t.is_empty());
        rows.push(TrialRow {
            line,
            level,
            level_db,
            failed,
            frequency_hz,
            port: words(port_at),
            negative,
            effect: words(effect_at),
            modulation: words(modulation_at),
        });
    }
    if rows.is_empty() {
        return Err(TrialError::Empty { file: file.to_owned() });
    }
    Ok(TrialTable { unit, rows, is_curve })
}

fn cells(line: &str) -> impl Iterator<Item = &str> {
    line.split([',', ';', '\t']).map(|c| c.trim().trim_matches('"'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trials_are_read_and_faults_are_named() {
        let t = read_trials("# bench\nlevel_kv;failed;port\n-4;yes;usb\n2;0;\n", "t.csv").unwrap();
        assert_eq!((t.unit.symbol, t.rows.len(), t.is_curve), ("kV", 2, false));
        assert_eq!((t.rows[0].negative, t.rows[0].failed, t.rows[0].port.as_deref()), (Some(true), true, Some("usb")));
        assert!((t.rows[0].level_db - 12.0412).abs() < 1e-4);
        let curve = read_trials("frequency_hz,threshold_v_per_m\n80e6,10\n100e6,3\n", "t.csv").unwrap();
        assert!(curve.is_curve && curve.rows.iter().all(|r| r.failed));
        assert_eq!(curve.by_frequency().len(), 2);
        let bad = |text: &str| read_trials(text, "t.csv").expect_err("bad").to_string();
        assert!(bad("a,b\n1,2\n").starts_with("t.csv:1: no level column among `a,b`; expected a heading"));
        assert!(bad("level_v,x\n1,2\n").contains("no column `failed`"));
        assert_eq!(
            bad("level_v,failed\n1,0\n3,maybe\n"),
            "t.csv:3: failed: found `maybe`; expected 0 or 1, yes or no, true or false, pass or fail"
        );
        assert!(bad("level_v,failed\n0,1\n").contains("a level other than zero"));
        assert!(bad("level_v,failed\n1\n").starts_with("t.csv:2: 1 cells; expected 2"));
        assert!(bad("level_v,failed\n").contains("no trials"));
        assert!(bad("").contains("empty"));
    }
}
