use std::fs::File;
use std::path::{Path, PathBuf};

use signal::{Block, SampleSlice, SampleSource, SourceError};

use super::lines::Lines;
use super::{
    CaptureChoices, CaptureError, CaptureFormat, CaptureInfo, ChannelInfo, DEFAULT_BLOCK_BYTES, Truncated, content,
    file_name, pick,
};

/// Lines looked at to find out the shape of the table.
const LOOKED_AT: usize = 400;
/// How far one step of the time axis may be from the mean step, as a part of it, beyond what rounding of the text explains.
const MAX_JITTER: f64 = 0.01;

/// How the fields of a line are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Shape {
    /// `None`: runs of blanks.
    delimiter: Option<char>,
    decimal_comma: bool,
}

impl Shape {
    /// The fields of a line, quotes and blanks around them removed.
    fn fields<'a>(self, line: &'a str, out: &mut Vec<&'a str>) {
        out.clear();
        let Some(delimiter) = self.delimiter else {
            out.extend(line.split_ascii_whitespace().map(unquote));
            return;
        };
        if !line.contains('"') {
            out.extend(line.split(delimiter).map(str::trim));
            return;
        }
        let (mut start, mut inside) = (0, false);
        for (i, c) in line.char_indices() {
            if c == '"' {
                inside = !inside;
            } else if c == delimiter && !inside {
                out.push(unquote(&line[start..i]));
                start = i + c.len_utf8();
            }
        }
        out.push(unquote(&line[start..]));
    }

    fn number(self, field: &str) -> Option<f64> {
        let first = *field.as_bytes().first()?;
        // The standard parser also takes `inf`, `nan` and `infinity`, which are names here.
        if !(first.is_ascii_digit() || matches!(first, b'+' | b'-' | b'.' | b',')) {
            return None;
        }
        let value = if self.decimal_comma && field.contains(',') {
            if field.contains('.') {
                return None;
            }
            field.replacen(',', ".", 1).parse::<f64>()
        } else {
            field.parse::<f64>()
        };
        value.ok().filter(|v| v.is_finite())
    }

    fn numeric_columns(self, line: &str) -> Vec<usize> {
        let mut fields = Vec::new();
        self.fields(line, &mut fields);
        (0..fields.len()).filter(|&i| self.number(fields[i]).is_some()).collect()
    }
}

fn unquote(field: &str) -> &str {
    let field = field.trim();
    field.strip_prefix('"').and_then(|f| f.strip_suffix('"')).unwrap_or(field).trim()
}

fn blank(line: &str) -> bool {
    line.chars().all(|c| c.is_whitespace() || matches!(c, ',' | ';' | '"' | '\u{1a}'))
}

fn comment(line: &str) -> bool {
    let line = line.trim_start();
    line.starts_with(['#', '!', '%']) || line.starts_with("//")
}

/// What the text before and beside the numbers says.
#[derive(Debug, Default)]
struct Said {
    interval_s: Option<f64>,
    rate_hz: Option<f64>,
    start_s: Option<f64>,
    rows: Option<u64>,
    unit: Option<String>,
    time_unit: Option<String>,
}

impl Said {
    /// Takes in a pair such as `Sample Interval, 4e-12, s` or `"Sampling Frequency (Hz)=", 500000000`.
    fn pair(&mut self, key: &str, value: &str, unit_beside: &str, shape: Shape) {
        let (plain, unit_in_key) = split_unit(key.trim().trim_end_matches(['=', ':', ' ']).trim());
        let key = plain.to_lowercase();
        let unit = unit_in_key.unwrap_or_else(|| unit_beside.to_owned());
        let value = value.trim();
        let number = shape.number(value).or_else(|| {
            let mut words = value.split_ascii_whitespace();
            shape.number(words.next()?)
        });
        let unit =
            if unit.is_empty() { value.split_ascii_whitespace().nth(1).unwrap_or_default().to_owned() } else { unit };
        let has = |words: &[&str]| words.iter().any(|w| key.contains(w));
        if has(&[
            "sample interval",
            "sampling interval",
            "sampling period",
            "sample period",
            "time step",
            "increment",
            "xincr",
            "x incr",
            "delta t",
            "deltat",
        ]) || matches!(key.as_str(), "dt" | "tsample" | "interval")
        {
            if let (Some(v), Some(f)) = (number, time_factor(&unit))
                && v > 0.0
            {
                self.interval_s = Some(v * f);
            }
        } else if has(&[
            "sampling frequency",
            "sample frequency",
            "sampling rate",
            "sample rate",
            "samplerate",
            "sample_rate",
            "rate_hz",
        ]) || matches!(key.as_str(), "fs" | "rate")
        {
            if let (Some(v), Some(f)) = (number, rate_factor(&unit))
                && v > 0.0
            {
                self.rate_hz = Some(v * f);
            }
        } else if has(&[
            "record length",
            "number of data points",
            "number of points",
            "number of samples",
            "memory length",
        ]) {
            self.rows = number.filter(|v| *v >= 1.0 && v.fract() == 0.0).map(|v| v as u64);
        } else if has(&["vertical units", "vertical unit", "y unit", "yunit"]) {
            self.unit = Some(value.to_owned());
        } else if has(&["horizontal units", "horizontal unit", "x unit", "xunit"]) {
            self.time_unit = Some(value.to_owned());
        } else if matches!(key.as_str(), "start" | "start time" | "xzero" | "x zero")
            && let (Some(v), Some(f)) = (number, time_factor(&unit))
        {
            self.start_s = Some(v * f);
        }
    }
}

/// Splits `CH 1 (V)`, `Voltage [mV]` or `time/ms` into the name and the unit.
fn split_unit(text: &str) -> (String, Option<String>) {
    let text = text.trim();
    for (open, close) in [('(', ')'), ('[', ']')] {
        if let (Some(a), Some(b)) = (text.rfind(open), text.rfind(close))
            && a < b
            && b + close.len_utf8() == text.len()
        {
            let unit = text[a + open.len_utf8()..b].trim();
            return (text[..a].trim().to_owned(), (!unit.is_empty()).then(|| unit.to_owned()));
        }
    }
    for separator in ['/', '_'] {
        if let Some((name, unit)) = text.rsplit_once(separator)
            && !name.is_empty()
            && (volt_factor(unit).is_some() || (!unit.is_empty() && time_factor(unit).is_some()))
        {
            return (name.trim().to_owned(), Some(unit.trim().to_owned()));
        }
    }
    (text.to_owned(), None)
}

/// Seconds in a unit of time; a unit left out is the second.
fn time_factor(unit: &str) -> Option<f64> {
    Some(match unit.trim().to_lowercase().as_str() {
        "" | "s" | "sec" | "second" | "seconds" => 1.0,
        "ms" | "msec" | "millisecond" | "milliseconds" => 1e-3,
        "us" | "µs" | "μs" | "usec" | "microsecond" | "microseconds" => 1e-6,
        "ns" | "nsec" | "nanosecond" | "nanoseconds" => 1e-9,
        "ps" => 1e-12,
        _ => return None,
    })
}

/// Hertz in a unit of rate; a unit left out is the hertz.
fn rate_factor(unit: &str) -> Option<f64> {
    Some(match unit.trim().to_lowercase().as_str() {
        "" | "hz" | "sa/s" | "s/s" | "1/s" => 1.0,
        "khz" | "ksa/s" | "ks/s" => 1e3,
        "mhz" | "msa/s" | "ms/s" => 1e6,
        "ghz" | "gsa/s" | "gs/s" => 1e9,
        _ => return None,
    })
}

/// Base unit and factor of a unit of voltage or current.
fn volt_factor(unit: &str) -> Option<(&'static str, f64)> {
    let unit = unit.trim();
    Some(match unit {
        "mV" => ("V", 1e-3),
        "uV" | "µV" | "μV" => ("V", 1e-6),
        "nV" => ("V", 1e-9),
        "kV" => ("V", 1e3),
        "mA" => ("A", 1e-3),
        "uA" | "µA" | "μA" => ("A", 1e-6),
        "kA" => ("A", 1e3),
        _ => match unit.to_lowercase().as_str() {
            "v" | "volt" | "volts" => ("V", 1.0),
            "millivolt" | "millivolts" => ("V", 1e-3),
            "a" | "amp" | "amps" | "ampere" | "amperes" => ("A", 1.0),
            _ => return None,
        },
    })
}

fn time_word(name: &str) -> bool {
    matches!(
        name.to_lowercase().as_str(),
        "time"
            | "t"
            | "second"
            | "seconds"
            | "sec"
            | "s"
            | "timestamp"
            | "zeit"
            | "temps"
            | "tiempo"
            | "tempo"
            | "x-axis"
    )
}

fn index_word(name: &str) -> bool {
    matches!(
        name.to_lowercase().as_str(),
        "index" | "sample" | "samples" | "sequence" | "n" | "no" | "no." | "nr" | "point"
    )
}

/// The shape of the table, where its numbers are, and where they begin.
struct Table {
    shape: Shape,
    columns: Vec<usize>,
    /// Number of the first line of numbers, counted from 1.
    first_line: u64,
}

/// Finds the table in the first lines of a text.
fn find_table(path: &Path, lines: &[String], choices: &CaptureChoices) -> Result<Table, CaptureError> {
    let used: Vec<usize> = (0..lines.len()).filter(|&i| !blank(&lines[i]) && !comment(&lines[i])).collect();
    // Where the look reaches into the table, its second half is table; a short text ends in its table.
    let steady: Vec<&str> = used[used.len() / 2..].iter().map(|&i| lines[i].as_str()).collect();
    let (Some(last), true) = (steady.last(), !steady.is_empty()) else {
        return Err(content(path, "line 1", "no line with numbers".into(), "columns of numbers"));
    };
    let all_have = |c: char| steady.iter().all(|l| l.contains(c));
    let comma_numbers = |delimiter| {
        let shape = Shape { delimiter, decimal_comma: true };
        let mut fields = Vec::new();
        let mut seen = false;
        for line in &steady {
            shape.fields(line, &mut fields);
            for f in fields.iter().filter(|f| shape.number(f).is_some()) {
                if f.ends_with(',') || f.contains('.') {
                    return false;
                }
                seen |= f.contains(',');
            }
        }
        seen
    };
    let delimiter = if all_have('\t') {
        Some('\t')
    } else if all_have(';') {
        Some(';')
    } else if all_have(',') || steady.iter().any(|l| l.contains(',')) {
        let blanks = Shape { delimiter: None, decimal_comma: true };
        let split = |l: &&&str| {
            let mut f = Vec::new();
            blanks.fields(l, &mut f);
            f.len() > 1 && f.iter().all(|f| blanks.number(f).is_some() && !f.ends_with(',') && !f.starts_with(','))
        };
        // `0,5 1,25`: blanks between, commas inside.
        let spaced = steady.iter().filter(split).count() == steady.len();
        // `0,5` alone on every line reads as one number or as two.
        let one_or_two = !spaced
            && steady.iter().all(|l| {
                let mut parts = l.trim().split(',');
                let whole = |p: Option<&str>, signed: bool| {
                    p.is_some_and(|p| {
                        let digits = if signed { p.trim_start_matches(['-', '+']) } else { p };
                        !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit())
                    })
                };
                if l.trim().contains(',') {
                    whole(parts.next(), true) && whole(parts.next(), false) && parts.next().is_none()
                } else {
                    whole(Some(l.trim()), true)
                }
            });
        if spaced && choices.decimal_comma != Some(false) {
            None
        } else if one_or_two {
            match choices.decimal_comma {
                Some(true) => Some(';'),
                Some(false) => Some(','),
                None => {
                    return Err(super::choice(
                        path,
                        "decimal_comma",
                        format!("`{last}` reads as one number with a decimal comma or as two whole numbers"),
                        "true or false",
                    ));
                }
            }
        } else {
            Some(',')
        }
    } else if steady.iter().all(|l| l.trim().contains(' ')) {
        None
    } else {
        Some(',')
    };
    let decimal_comma = match choices.decimal_comma {
        Some(said) => said && (delimiter != Some(',') || steady.iter().any(|l| l.contains('"'))),
        None => comma_numbers(delimiter),
    };
    let shape = Shape { delimiter, decimal_comma };
    // The last line may have been cut off in the middle, so it has no say where there are others.
    let sure = &steady[..(steady.len() - 1).max(1)];
    let mut columns = shape.numeric_columns(sure[0]);
    for line in &sure[1..] {
        let here = shape.numeric_columns(line);
        columns.retain(|c| here.contains(c));
    }
    if columns.is_empty() {
        return Err(content(
            path,
            &format!("line {}", used[used.len() / 2] + 1),
            format!("`{}`", clip(steady[0])),
            "a line of numbers (separated by comma, semicolon, tab or blank)",
        ));
    }
    let mut first = used[used.len() / 2];
    for &i in used[..used.len() / 2].iter().rev() {
        let here = shape.numeric_columns(&lines[i]);
        if !columns.iter().all(|c| here.contains(c)) {
            break;
        }
        first = i;
    }
    Ok(Table { shape, columns, first_line: first as u64 + 1 })
}

fn clip(text: &str) -> String {
    let mut out: String = text.chars().take(40).collect();
    if text.chars().nth(40).is_some() {
        out.push('…');
    }
    out
}

/// Name and unit of every column, from the lines above the table.
fn names(header: &[String], table: &Table, said: &mut Said) -> Vec<(String, Option<String>)> {
    let shape = table.shape;
    let width = table.columns.iter().max().map_or(0, |m| m + 1);
    let mut out: Vec<(String, Option<String>)> = vec![(String::new(), None); width];
    let rows: Vec<Vec<String>> = header
        .iter()
        .filter(|l| !blank(l))
        .map(|l| {
            let plain = l.trim_start().trim_start_matches(['#', '!', '%', '/']);
            // A name row may be a comment or have blanks in names; the delimiter of the table rules.
            let mut f = Vec::new();
            shape.fields(plain, &mut f);
            f.into_iter().map(str::to_owned).collect()
        })
        .collect();
    let fits = |row: &Vec<String>| {
        // A remark in words is no row of names, though its words be split like one.
        !row.iter().any(|f| f.contains('='))
            && (row.len() == width || (row.len() > width && shape.delimiter.is_some()))
            && table.columns.iter().all(|&c| shape.number(&row[c]).is_none())
            && table.columns.iter().any(|&c| !row[c].is_empty())
    };
    let unit_cell = |cell: &str| {
        cell.is_empty()
            || volt_factor(trim_brackets(cell)).is_some()
            || time_factor(trim_brackets(cell)).is_some()
            || index_word(cell)
    };
    let Some(last) = rows.last().filter(|r| fits(r)) else {
        return out;
    };
    let above = rows.len().checked_sub(2).map(|i| &rows[i]).filter(|r| fits(r));
    // A row of units alone stands under a row of names.
    let (name_row, unit_row) = match above {
        Some(above) if table.columns.iter().all(|&c| unit_cell(&last[c])) => (above, Some(last)),
        _ => (last, None),
    };
    for &c in &table.columns {
        let (name, unit) = split_unit(&name_row[c]);
        let unit = unit.or_else(|| {
            let cell = trim_brackets(&unit_row?[c]);
            (!cell.is_empty()).then(|| cell.to_owned())
        });
        out[c] = (name, unit);
    }
    // Names beyond the table carry one value each in the row below them.
    if let Some(units) = unit_row {
        for c in width..name_row.len().min(units.len()) {
            if !name_row[c].is_empty() {
                said.pair(&name_row[c], &units[c], "", shape);
            }
        }
    }
    out
}

fn trim_brackets(cell: &str) -> &str {
    cell.trim().trim_start_matches(['(', '[']).trim_end_matches([')', ']'])
}

/// How finely a text writes its time stamps, gathered over all of them: writers drop zeros at the end, so a single stamp
/// does not tell.
#[derive(Debug, Default)]
struct Rounding {
    decimals: usize,
    digits: usize,
    exponents: bool,
    largest: f64,
}

impl Rounding {
    fn see(&mut self, field: &str, value: f64) {
        let (mantissa, exponent) = field.split_once(['e', 'E']).map_or((field, None), |(m, e)| (m, Some(e)));
        let decimals = mantissa.find(['.', ',']).map_or(0, |p| mantissa.len() - p - 1);
        let significant = mantissa.trim_start_matches(['-', '+', '0', '.', ',']);
        let digits = significant.bytes().filter(u8::is_ascii_digit).count();
        self.exponents |= exponent.is_some();
        self.decimals = self.decimals.max(decimals);
        self.digits = self.digits.max(digits);
        self.largest = self.largest.max(value.abs());
    }

    /// Half a unit in the last place of the largest stamp, in the unit of the text.
    fn half_step(&self) -> f64 {
        let by_digits = 10f64.powi(self.largest.max(f64::MIN_POSITIVE).log10().floor() as i32 + 1 - self.digits as i32);
        0.5 * if self.exponents { by_digits } else { by_digits.max(10f64.powi(-(self.decimals as i32))) }
    }
}

/// The number with the fewest digits within a relative distance of another.
fn roundest(value: f64, within: f64) -> f64 {
    for digits in 0..15 {
        let text = format!("{value:.digits$e}");
        if let Ok(round) = text.parse::<f64>()
            && (round - value).abs() <= within * value
        {
            return round;
        }
    }
    value
}

/// A table of numbers, handed out as double precision.
pub(super) struct CsvSource {
    lines: Lines,
    name: String,
    path: PathBuf,
    shape: Shape,
    columns: Vec<usize>,
    first_line: u64,
    block: Vec<f64>,
    block_frames: usize,
    complex: bool,
    rows: u64,
    /// Rows counted when it was opened: what is written on meanwhile is left for the next time.
    most_rows: u64,
    /// Length of the shortest whole row, and whether a shorter one without a line end was left out.
    shortest: usize,
    cut: bool,
}

enum Row {
    /// The fields of a row were put where they belong.
    Full,
    End,
}

impl CsvSource {
    /// The rows read last, as a block.
    pub(super) fn last_block(&self) -> Block<'_> {
        let channels = if self.complex { 1 } else { self.columns.len() };
        Block { samples: SampleSlice::F64(&self.block), channels, complex: self.complex }
    }

    /// Reads the next row and hands its wanted fields to `take`.
    fn row(&mut self, take: &mut dyn FnMut(usize, f64, &str)) -> Result<Row, CaptureError> {
        loop {
            let (first, path) = (self.first_line, &self.path);
            match self.lines.next() {
                Err(source) => return Err(CaptureError::Io { path: path.clone(), source }),
                Ok(None) => return Ok(Row::End),
                Ok(Some(_)) => {}
            }
            let number = self.lines.number;
            let complete = self.lines.complete;
            let line = self.lines.current();
            if number < first || blank(line) || comment(line) {
                continue;
            }
            if complete {
                self.shortest = self.shortest.min(line.len());
            } else if line.len() < self.shortest && self.shortest < usize::MAX {
                // A number that ends early is another number: 1.5E-0 for 1.5E-03.
                self.cut = true;
                return Ok(Row::End);
            }
            let mut fields = Vec::with_capacity(16);
            self.shape.fields(line, &mut fields);
            let mut values = [0.0; 64];
            let many = self.columns.len().min(64);
            for (slot, &column) in self.columns.iter().take(many).enumerate() {
                let field = fields.get(column).copied().unwrap_or("");
                let Some(value) = self.shape.number(field) else {
                    // The last line of a file that is still being written may end anywhere.
                    if !complete {
                        return Ok(Row::End);
                    }
                    let what = if field.is_empty() { "nothing".into() } else { format!("`{}`", clip(field)) };
                    return Err(content(path, &format!("line {number}, column {}", column + 1), what, "a number"));
                };
                values[slot] = value;
            }
            for (slot, &column) in self.columns.iter().take(many).enumerate() {
                take(slot, values[slot], fields[column]);
            }
            return Ok(Row::Full);
        }
    }
}

impl SampleSource for CsvSource {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        let mut block = std::mem::take(&mut self.block);
        block.clear();
        let mut result = Ok(());
        for _ in 0..self.block_frames.min(self.most_rows.saturating_sub(self.rows) as usize) {
            match self.row(&mut |_, value, _| block.push(value)) {
                Ok(Row::Full) => self.rows += 1,
                Ok(Row::End) => break,
                Err(e) => {
                    result = Err(SourceError { place: self.name.clone(), what: e.to_string() });
                    break;
                }
            }
        }
        self.block = block;
        result?;
        if self.block.is_empty() {
            return Ok(None);
        }
        Ok(Some(self.last_block()))
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        self.rows = 0;
        self.lines.restart().map_err(|e| SourceError { place: self.name.clone(), what: e.to_string() })
    }

    fn frames(&self) -> Option<u64> {
        None
    }
}

/// Opens a text with columns: finds the table, reads what stands around it, and goes once through the rows to count them
/// and to see whether their time stamps are even.
pub(super) fn open(
    path: &Path,
    file: File,
    choices: &CaptureChoices,
) -> Result<(CsvSource, CaptureInfo), CaptureError> {
    let io = |source| CaptureError::Io { path: path.to_owned(), source };
    let mut lines = Lines::new(file).map_err(io)?;
    let mut look = Vec::new();
    let mut looked_bytes = 0;
    while look.len() < LOOKED_AT && looked_bytes < 4 << 20 {
        match lines.next().map_err(io)? {
            Some(line) => {
                looked_bytes += line.len();
                look.push(line.to_owned());
            }
            None => break,
        }
    }
    let table = find_table(path, &look, choices)?;
    if table.columns.len() > 64 {
        return Err(content(
            path,
            &format!("line {}", table.first_line),
            format!("{} columns of numbers", table.columns.len()),
            "at most 64",
        ));
    }
    let mut said = Said::default();
    let header = &look[..table.first_line as usize - 1];
    // Pairs stand above the table or, in some files, beside its first rows.
    let mut fields = Vec::new();
    for line in look.iter().take(table.first_line as usize + 29) {
        let plain = line.trim_start().trim_start_matches(['#', '!', '%', '/']);
        table.shape.fields(plain, &mut fields);
        if table.shape.number(fields.first().copied().unwrap_or("0")).is_some() {
            continue;
        }
        if fields.len() >= 2 {
            said.pair(fields[0], fields[1], fields.get(2).copied().unwrap_or(""), table.shape);
        }
        if let Some((key, value)) = plain.split_once(['=', ':'])
            && !key.contains(',')
        {
            said.pair(key, value.trim_matches([',', ';', '"', ' ']), "", table.shape);
        }
    }
    let named = names(header, &table, &mut said);
    let mut notes = Vec::new();

    // Which column is time, which a running number.
    let unit_is_time = |u: &Option<String>| u.as_deref().is_some_and(|u| !u.is_empty() && time_factor(u).is_some());
    let mut time = None;
    let mut index = None;
    for &c in &table.columns {
        let (name, unit) = &named[c];
        if index_word(name) || unit.as_deref().is_some_and(index_word) {
            index = index.or(Some(c));
        } else if time_word(name) || unit_is_time(unit) {
            time = time.or(Some(c));
        }
    }
    if time.is_none() && index.is_none() && table.columns.len() > 1 {
        let first = table.columns[0];
        let stamps: Vec<f64> = look[table.first_line as usize - 1..]
            .iter()
            .filter_map(|l| {
                table.shape.fields(l, &mut fields);
                table.shape.number(fields.get(first)?)
            })
            .collect();
        let rising =
            stamps.len() > 1 && stamps.windows(2).all(|w| w[1] >= w[0]) && stamps[stamps.len() - 1] > stamps[0];
        let counting = rising && stamps.windows(2).all(|w| w[1] - w[0] == 1.0);
        let x = named[first].0.eq_ignore_ascii_case("x");
        if counting {
            index = Some(first);
            notes.push("the first column counts the rows".into());
        } else if rising {
            time = Some(first);
            if !x {
                notes.push("the first column rises and has no name: taken as time in seconds".into());
            }
        } else if x {
            return Err(content(
                path,
                &format!("line {}", table.first_line),
                "a column X that does not rise".into(),
                "rising time stamps",
            ));
        }
    }
    let channel_columns: Vec<usize> =
        table.columns.iter().copied().filter(|c| Some(*c) != time && Some(*c) != index).collect();
    if channel_columns.is_empty() {
        return Err(content(
            path,
            &format!("line {}", table.first_line),
            "a time column and no other".into(),
            "at least one column of samples",
        ));
    }
    let channel_names: Vec<String> = channel_columns
        .iter()
        .enumerate()
        .map(|(i, &c)| if named[c].0.is_empty() { format!("channel {}", i + 1) } else { named[c].0.clone() })
        .collect();
    // A column may also be asked for by the whole cell of the header, unit and all.
    let wanted: Vec<String> = choices
        .channels
        .iter()
        .map(|asked| {
            let whole = channel_columns.iter().position(|&c| {
                let (name, Some(unit)) = &named[c] else { return false };
                [
                    format!("{name}_{unit}"),
                    format!("{name} ({unit})"),
                    format!("{name} [{unit}]"),
                    format!("{name}/{unit}"),
                ]
                .iter()
                .any(|cell| cell.eq_ignore_ascii_case(asked.trim()))
            });
            whole.map_or_else(|| asked.clone(), |i| channel_names[i].clone())
        })
        .collect();
    let keep = pick(path, &wanted, &channel_names)?;
    let complex = choices.complex == Some(true);
    if complex && keep.len() != 2 {
        return Err(super::choice(
            path,
            "complex",
            format!("{} columns of samples", keep.len()),
            "two: real and imaginary part",
        ));
    }
    let mut channels = Vec::new();
    for &k in &keep {
        let unit = named[channel_columns[k]].1.clone().or_else(|| said.unit.clone());
        let (unit, factor, known) = match unit.as_deref().map(|u| (u, volt_factor(u))) {
            Some((_, Some((base, factor)))) => (base.to_owned(), factor, true),
            Some((other, None)) => (other.to_owned(), 1.0, false),
            None => ("V".to_owned(), 1.0, false),
        };
        let (volts_per_unit, scale_known) = choices.volts_per_unit.map_or((factor, known), |v| (v, true));
        channels.push(ChannelInfo { name: channel_names[k].clone(), unit, volts_per_unit, scale_known });
    }
    if choices.full_scale_v.is_some() {
        return Err(super::choice(path, "full_scale_v", "a text has no full scale".into(), "volts_per_unit"));
    }
    if complex {
        channels.truncate(1);
    }

    let time_s = match time {
        None => 1.0,
        Some(c) => {
            let unit = named[c].1.clone().or_else(|| said.time_unit.clone()).unwrap_or_default();
            time_factor(&unit)
                .ok_or_else(|| content(path, "header", format!("time in `{unit}`"), "s, ms, us, ns or ps"))?
        }
    };
    let wanted: Vec<usize> = keep.iter().map(|&k| channel_columns[k]).collect();
    let columns: Vec<usize> = wanted.iter().copied().chain(time).collect();
    let block_bytes = choices.block_bytes.unwrap_or(DEFAULT_BLOCK_BYTES);
    let mut source = CsvSource {
        lines,
        name: file_name(path),
        path: path.to_owned(),
        shape: table.shape,
        block_frames: (block_bytes / 8 / columns.len()).max(1),
        columns,
        first_line: table.first_line,
        block: Vec::new(),
        complex,
        rows: 0,
        most_rows: u64::MAX,
        shortest: usize::MAX,
        cut: false,
    };
    let steps = walk(&mut source, wanted.len(), time.is_some()).map_err(|e| match e {
        CaptureError::Io { source, .. } => CaptureError::Io { path: path.to_owned(), source },
        other => other,
    })?;
    source.columns = wanted;
    source.lines.restart().map_err(io)?;
    source.most_rows = steps.rows;
    if source.cut {
        notes.push(
            "the last line is shorter than any other and has no end: cut off or still being written, left out".into(),
        );
    }

    let frames = steps.rows;
    if frames < 2 {
        return Err(content(
            path,
            &format!("line {}", table.first_line),
            format!("{frames} row(s) of numbers"),
            "at least two",
        ));
    }
    let stated = said.interval_s.map(|s| roundest(1.0 / s, 1e-12)).or(said.rate_hz);
    let measured =
        if time.is_some() { steps.rate_hz(path, time_s, choices.rate_hz.is_some(), &mut notes)? } else { None };
    let rate_hz = match (choices.rate_hz, measured, stated) {
        (Some(asked), m, s) => {
            if let Some(other) = m.map(|m| m.0).or(s)
                && (other / asked - 1.0).abs() > 1e-6
            {
                notes.push(format!("the file says {other} Hz; {asked} Hz is used, as asked"));
            }
            Some(asked)
        }
        (None, Some((measured, within)), Some(stated)) => {
            if (stated / measured - 1.0).abs() <= within + 1e-6 {
                Some(stated)
            } else {
                notes
                    .push(format!("the header says {stated} Hz, the time stamps {measured} Hz: the time stamps count"));
                Some(measured)
            }
        }
        (None, Some((measured, _)), None) => Some(measured),
        (None, None, stated) => stated,
    };
    let truncated =
        said.rows.filter(|r| *r > frames).map(|promised_frames| Truncated { promised_frames, found_frames: frames });
    if let Some(t) = truncated {
        notes.push(format!(
            "the header promises {} rows and there are {}: cut off, or still being written",
            t.promised_frames, t.found_frames
        ));
    }
    let delimiter = match table.shape.delimiter {
        Some('\t') => "tabs",
        Some(';') => "semicolons",
        Some(_) => "commas",
        None => "blanks",
    };
    let decimal = if table.shape.decimal_comma { "decimal comma" } else { "decimal point" };
    let info = CaptureInfo {
        name: file_name(path),
        format: CaptureFormat::Csv,
        sample_type: format!("text, {delimiter} between columns, {decimal}{}", if complex { ", complex" } else { "" }),
        channels,
        complex,
        rate_hz,
        centre_hz: if complex { choices.centre_hz } else { None },
        frames: Some(frames),
        duration_s: rate_hz.map(|r| frames as f64 / r),
        start_s: steps.first.map(|t| t * time_s).or(said.start_s),
        full_scale: None,
        annotations: Vec::new(),
        truncated,
        notes,
    };
    Ok((source, info))
}

/// What one pass over the rows tells.
#[derive(Debug, Default)]
struct Steps {
    rows: u64,
    first: Option<f64>,
    last: f64,
    /// Smallest and largest step, each with the line it ends on.
    shortest: (f64, u64),
    longest: (f64, u64),
    /// How finely the time stamps are written.
    rounding: Rounding,
}

fn walk(source: &mut CsvSource, time_slot: usize, timed: bool) -> Result<Steps, CaptureError> {
    source.lines.restart().map_err(|e| CaptureError::Io { path: source.path.clone(), source: e })?;
    let mut steps = Steps { shortest: (f64::INFINITY, 0), longest: (f64::NEG_INFINITY, 0), ..Steps::default() };
    let mut now = 0.0;
    let mut rounding = Rounding::default();
    while matches!(
        source.row(&mut |slot, value, field| {
            if slot == time_slot {
                now = value;
                rounding.see(field, value);
            }
        })?,
        Row::Full
    ) {
        steps.rows += 1;
        if !timed {
            continue;
        }
        let line = source.lines.number;
        if steps.first.is_some() {
            let step = now - steps.last;
            if step < steps.shortest.0 {
                steps.shortest = (step, line);
            }
            if step > steps.longest.0 {
                steps.longest = (step, line);
            }
        } else {
            steps.first = Some(now);
        }
        steps.last = now;
    }
    steps.rounding = rounding;
    Ok(steps)
}

impl Steps {
    /// The rate in Hz and how far, as a part of it, rounding of the time stamps leaves it open.
    fn rate_hz(
        &self,
        path: &Path,
        time_s: f64,
        rate_given: bool,
        notes: &mut Vec<String>,
    ) -> Result<Option<(f64, f64)>, CaptureError> {
        let span = self.last - self.first.unwrap_or(self.last);
        let uneven = |line: u64, what: String, notes: &mut Vec<String>| {
            if rate_given {
                notes.push(format!("line {line}: {what}; the rate that was given counts"));
                return Ok(None);
            }
            Err(content(path, &format!("line {line}, time"), what, "even time stamps, or the rate (give --rate HZ)"))
        };
        if span <= 0.0 {
            return uneven(self.shortest.1, "time does not rise".into(), notes);
        }
        let mean = span / (self.rows - 1) as f64;
        // Two rounded stamps make a step wrong by at most twice the rounding of one. Stamps that are rounded to a good
        // part of a step tell nothing about evenness, unless all their steps are the same.
        let rounding = self.rounding.half_step();
        let fine = rounding <= 0.1 * mean;
        let allowed = MAX_JITTER * mean + if fine { 2.02 * rounding } else { 0.0 };
        let (short, long) = (mean - self.shortest.0, self.longest.0 - mean);
        if short.max(long) > allowed {
            let (step, line) = if long > short { self.longest } else { self.shortest };
            let what = format!("a step of {:.6e} s where the mean is {:.6e} s", step * time_s, mean * time_s);
            return uneven(line, what, notes);
        }
        let within = if fine { 2.0 * rounding / span } else { 0.0 };
        // A round number is the likelier one only where rounding leaves little open.
        let snap = if within < 1e-4 { within.max(1e-12) } else { 1e-12 };
        Ok(Some((roundest(1.0 / (mean * time_s), snap), within.clamp(1e-12, MAX_JITTER))))
    }
}
