//! A plain list of peaks: two columns, frequency in hertz and level, with a heading.

/// A list of peaks as read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PeakList {
    /// Frequencies in the order of the file, Hz.
    pub frequency_hz: Vec<f64>,
    /// Levels, in the unit of the heading.
    pub level_db: Vec<f64>,
    /// Largest error of each frequency, Hz, where the file has a column `tolerance_hz`.
    pub tolerance_hz: Option<Vec<f64>>,
    /// Heading of the level column, e.g. `level_dbuv`.
    pub level_name: String,
}

/// What is wrong with a list of peaks.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PeakListError {
    /// Neither heading nor rows.
    #[error("{file}: empty; expected a heading `frequency_hz,level_dbuv` and a peak a line")]
    Empty {
        /// File name.
        file: String,
    },
    /// A cell that is no number, or one that cannot be.
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
    /// Too few cells.
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
}

/// Reads a list of peaks. Nothing (`None`) where the heading is not that of such a list: then the text may be a sweep.
/// Empty lines and lines that begin with `#` are passed over.
pub fn read_peak_list(text: &str, file: &str) -> Result<Option<PeakList>, PeakListError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines =
        text.lines().enumerate().map(|(i, l)| (i + 1, l.trim())).filter(|(_, l)| !l.is_empty() && !l.starts_with('#'));
    let Some((_, heading)) = lines.next() else { return Err(PeakListError::Empty { file: file.to_owned() }) };
    let names: Vec<String> = cells(heading).map(str::to_ascii_lowercase).collect();
    let at = |wanted: &str| names.iter().position(|n| n == wanted);
    let level = names.iter().position(|n| n.starts_with("level_db"));
    let (Some(frequency_at), Some(level_at)) = (at("frequency_hz"), level) else { return Ok(None) };
    let tolerance_at = at("tolerance_hz");
    let mut list = PeakList { level_name: names[level_at].clone(), ..PeakList::default() };
    let mut tolerances = Vec::new();
    for (line, text) in lines {
        let row: Vec<&str> = cells(text).collect();
        if row.len() < names.len() {
            let (found, expected) = (row.len(), names.len());
            return Err(PeakListError::Cells { file: file.to_owned(), line, found, expected });
        }
        let number = |at: usize, above_zero: bool| {
            let expected = if above_zero { "a number above 0, in Hz" } else { "a number, in dB" };
            let value = row[at].parse::<f64>().ok().filter(|v| v.is_finite() && (!above_zero || *v > 0.0));
            value.ok_or_else(|| PeakListError::Cell {
                file: file.to_owned(),
                line,
                field: names[at].clone(),
                found: row[at].to_owned(),
                expected,
            })
        };
        list.frequency_hz.push(number(frequency_at, true)?);
        list.level_db.push(number(level_at, false)?);
        if let Some(at) = tolerance_at {
            tolerances.push(number(at, true)?);
        }
    }
    list.tolerance_hz = tolerance_at.map(|_| tolerances);
    Ok(Some(list))
}

fn cells(line: &str) -> impl Iterator<Item = &str> {
    line.split([',', ';', '\t']).map(|c| c.trim().trim_matches('"'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_is_read_and_a_bad_row_is_named() {
        let list = read_peak_list("# mine\nfrequency_hz,level_dbuv\n150000,60.5\n\n3e5,55\n", "p.csv");
        let list = list.expect("valid").expect("a list");
        assert_eq!(list.frequency_hz, [150e3, 3e5]);
        assert_eq!(list.level_name, "level_dbuv");
        let bad = |text| read_peak_list(text, "p.csv").expect_err("bad").to_string();
        assert_eq!(
            bad("frequency_hz,level_dbuv\n150000,60.5\nx,3\n"),
            "p.csv:3: frequency_hz: found `x`; expected a number above 0, in Hz"
        );
        assert!(bad("frequency_hz,level_dbuv\n1,nan\n").starts_with("p.csv:2: level_dbuv"));
        assert!(bad("frequency_hz,level_dbuv\n-1,3\n").starts_with("p.csv:2: frequency_hz"));
        assert!(bad("frequency_hz,level_dbuv\n150000\n").starts_with("p.csv:2: 1 cells"));
        assert!(bad("\n").starts_with("p.csv: empty"));
        assert_eq!(read_peak_list("Freq [MHz];Level\n1;2\n", "p.csv"), Ok(None));
    }
}
