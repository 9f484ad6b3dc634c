//! Tables of a factor against frequency, as calibration certificates list them: CSV with `frequency_hz` and one more
//! column that says what it is.

use std::path::{Path, PathBuf};

use quantity::{AtStep, Interpolation, LogTable, TableError};
use serde::{Deserialize, Serialize};

/// What a column of a factor table holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Loss in dB: what is read is too low by it.
    LossDb,
    /// Gain in dB: what is read is too high by it.
    GainDb,
    /// Factor in dB added to the reading (voltage division of a network or a probe, factor of a clamp).
    FactorDb,
    /// Antenna factor, dB/m, added to a voltage level to give a field strength.
    FactorDbPerM,
    /// Transfer impedance in dB over 1 Ω, subtracted from a voltage level to give a current.
    TransferImpedanceDbohm,
    /// Transfer impedance in Ω.
    TransferImpedanceOhm,
}

impl Quantity {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::LossDb,
        Self::GainDb,
        Self::FactorDb,
        Self::FactorDbPerM,
        Self::TransferImpedanceDbohm,
        Self::TransferImpedanceOhm,
    ];

    /// Name of the column and of the field in a chain file.
    pub const fn key(self) -> &'static str {
        match self {
            Self::LossDb => "loss_db",
            Self::GainDb => "gain_db",
            Self::FactorDb => "factor_db",
            Self::FactorDbPerM => "factor_db_per_m",
            Self::TransferImpedanceDbohm => "transfer_impedance_dbohm",
            Self::TransferImpedanceOhm => "transfer_impedance_ohm",
        }
    }

    /// Decibels to add to a level for a value of this quantity; nothing for an impedance that is not positive.
    pub fn correction_db(self, value: f64) -> Option<f64> {
        let db = match self {
            Self::LossDb | Self::FactorDb | Self::FactorDbPerM => value,
            Self::GainDb | Self::TransferImpedanceDbohm => -value,
            Self::TransferImpedanceOhm => -20.0 * value.log10(),
        };
        db.is_finite().then_some(db)
    }

    /// Finds the quantity a column name stands for: its key, or the words people write (`Loss (dB)`, `AF [dB/m]`).
    pub fn from_name(name: &str) -> Option<Self> {
        let plain: String = name
            .to_lowercase()
            .chars()
            .map(|c| match c {
                // The small letter of both signs for ohm.
                'ω' => 'o',
                c => c,
            })
            .filter(|c| c.is_ascii_alphanumeric() || *c == '/')
            .collect();
        Some(match plain.as_str() {
            "lossdb" | "attenuationdb" | "insertionlossdb" | "cablelossdb" => Self::LossDb,
            "gaindb" => Self::GainDb,
            "factordb" | "correctiondb" | "voltagedivisiondb" | "voltagedivisionfactordb" | "divisiondb" => {
                Self::FactorDb
            }
            "factordbperm" | "factordb/m" | "afdb/m" | "antennafactordb/m" | "antennafactordbperm" | "afdbperm" => {
                Self::FactorDbPerM
            }
            "transferimpedancedbohm" | "transferimpedancedbo" | "ztdbohm" | "ztdbo" => Self::TransferImpedanceDbohm,
            "transferimpedanceohm" | "transferimpedanceo" | "ztohm" | "zto" => Self::TransferImpedanceOhm,
            _ => return None,
        })
    }
}

/// What the user says about a table.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FactorChoices {
    /// Column to take, by name, where there are several.
    pub column: Option<String>,
    /// What the column holds, where its name does not say.
    pub quantity: Option<Quantity>,
    /// Hertz in one unit of the frequency column, where its name does not say.
    pub frequency_unit_hz: Option<f64>,
}

/// A table as read.
#[derive(Debug, Clone, PartialEq)]
pub struct FactorTable {
    /// What the file's column holds.
    pub quantity: Quantity,
    /// Name of the column.
    pub column: String,
    /// Decibels to ADD to a level, against frequency: signs are already turned (a gain is negative here).
    pub correction: LogTable,
}

/// A factor table could not be read.
#[derive(Debug, thiserror::Error)]
pub enum FactorError {
    /// The operating system refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Its reason.
        source: std::io::Error,
    },
    /// A line is at fault.
    #[error("{name}, line {line}: {what}; expected {expected}")]
    Content {
        /// File name.
        name: String,
        /// Counted from 1.
        line: usize,
        /// What stands there.
        what: String,
        /// What should.
        expected: String,
    },
    /// The points make no table.
    #[error("{name}: {source}")]
    Table {
        /// File name.
        name: String,
        /// Why not.
        source: TableError,
    },
}

/// Opens and reads a factor table.
pub fn open_factor(path: &Path, choices: &FactorChoices) -> Result<FactorTable, FactorError> {
    let bytes = std::fs::read(path).map_err(|source| FactorError::Io { path: path.to_owned(), source })?;
    let text = match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(e) => e.into_bytes().into_iter().map(char::from).collect(),
    };
    let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    read_factor(&text, &name, choices)
}

fn frequency_unit_hz(name: &str) -> Option<f64> {
    let plain: String = name.to_lowercase().chars().filter(char::is_ascii_alphanumeric).collect();
    let unit = ["frequency", "freq", "f"].iter().find_map(|p| plain.strip_prefix(p)).unwrap_or(&plain);
    match unit {
        "hz" => Some(1.0),
        "khz" => Some(1e3),
        "mhz" => Some(1e6),
        "ghz" => Some(1e9),
        _ => None,
    }
}

/// Reads a factor table: a header line (`frequency_hz,loss_db`; kHz, MHz, GHz too), then rows of numbers; comma, semicolon,
/// tab; a decimal comma beside semicolons or tabs; lines with `#` or `!` are comments. Two rows of one frequency make a step.
pub fn read_factor(text: &str, name: &str, choices: &FactorChoices) -> Result<FactorTable, FactorError> {
    let fault = |line: usize, what: String, expected: String| FactorError::Content {
        name: name.to_owned(),
        line,
        what,
        expected,
    };
    let text = text.trim_start_matches('\u{feff}');
    let mut rows = text
        .lines()
        .enumerate()
        .map(|(i, l)| (i + 1, l.trim()))
        .filter(|(_, l)| !l.trim_matches([',', ';']).is_empty() && !l.starts_with(['#', '!']))
        .peekable();
    let Some(&(first_line, first)) = rows.peek() else {
        return Err(fault(1, "no table".into(), "a header `frequency_hz,loss_db` and rows of numbers".into()));
    };
    let delimiter = [';', '\t', ','].into_iter().find(|d| first.contains(*d));
    let split = |line: &str| -> Vec<String> {
        let clean = |f: &str| f.trim().trim_matches('"').trim().to_owned();
        match delimiter {
            Some(d) => line.split(d).map(clean).collect(),
            None => line.split_whitespace().map(clean).collect(),
        }
    };
    let number = |field: &str| -> Option<f64> {
        let plain = if delimiter == Some(',') { field.to_owned() } else { field.replacen(',', ".", 1) };
        let starts = plain.as_bytes().first().is_some_and(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.'));
        plain.parse::<f64>().ok().filter(|v| starts && v.is_finite())
    };
    let head = split(first);
    let has_header = head.iter().any(|f| number(f).is_none() && !f.is_empty());
    let keys = || Quantity::ALL.map(Quantity::key).join(", ");
    let (unit_hz, column, quantity, column_name);
    if has_header {
        rows.next();
        unit_hz = choices.frequency_unit_hz.or_else(|| frequency_unit_hz(&head[0])).ok_or_else(|| {
            fault(
                first_line,
                format!("first column `{}`", head[0]),
                "frequency_hz (or _khz, _mhz, _ghz), or the unit given".into(),
            )
        })?;
        let candidates: Vec<usize> = match &choices.column {
            Some(wanted) => (1..head.len()).filter(|&c| head[c].eq_ignore_ascii_case(wanted)).collect(),
            None if choices.quantity.is_some() && head.len() == 2 => vec![1],
            None => (1..head.len()).filter(|&c| Quantity::from_name(&head[c]).is_some()).collect(),
        };
        column = match candidates[..] {
            [one] => one,
            [] => {
                let wanted = choices.column.as_ref().map_or_else(keys, |c| format!("a column `{c}`"));
                return Err(fault(first_line, format!("columns {}", head.join(", ")), wanted));
            }
            _ => {
                let names: Vec<&str> = candidates.iter().map(|&c| head[c].as_str()).collect();
                return Err(fault(
                    first_line,
                    format!("several columns could be meant: {}", names.join(", ")),
                    "one of them named (column)".into(),
                ));
            }
        };
        column_name = head[column].clone();
        quantity = choices
            .quantity
            .or_else(|| Quantity::from_name(&column_name))
            .ok_or_else(|| fault(first_line, format!("column `{column_name}`"), format!("one of {}", keys())))?;
    } else {
        let (Some(u), Some(q)) = (choices.frequency_unit_hz, choices.quantity) else {
            return Err(fault(
                first_line,
                "numbers without a header".into(),
                "a header such as `frequency_hz,loss_db`, or the frequency unit and the quantity given".into(),
            ));
        };
        unit_hz = u;
        quantity = q;
        column = 1;
        column_name = quantity.key().to_owned();
    }
    let mut points: Vec<(f64, f64)> = Vec::new();
    for (line, row) in rows {
        let fields = split(row);
        let value = |c: usize| {
            let field = fields.get(c).map_or("", String::as_str);
            number(field).ok_or_else(|| {
                let what = if field.is_empty() { "nothing".to_owned() } else { format!("`{field}`") };
                fault(line, format!("{what} in column {}", c + 1), "a number".into())
            })
        };
        let frequency_hz = value(0)? * unit_hz;
        let correction = quantity
            .correction_db(value(column)?)
            .ok_or_else(|| fault(line, "an impedance of 0 Ω or less".into(), "a positive one".into()))?;
        if frequency_hz <= 0.0 {
            return Err(fault(line, format!("a frequency of {frequency_hz} Hz"), "a positive one".into()));
        }
        if let Some(before) = points.last()
            && frequency_hz < before.0
        {
            return Err(fault(
                line,
                format!("{frequency_hz} Hz after {} Hz", before.0),
                "rising frequencies (two equal ones make a step)".into(),
            ));
        }
        points.push((frequency_hz, correction));
    }
    let correction = LogTable::new(points, Interpolation::LogFrequency, AtStep::Higher)
        .map_err(|source| FactorError::Table { name: name.to_owned(), source })?;
    Ok(FactorTable { quantity, column: column_name, correction })
}
