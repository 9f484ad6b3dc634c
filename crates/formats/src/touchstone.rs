//! Touchstone network files: version 1 (`.s1p` … `.s9p` and beyond) and version 2 (`.ts` or `.sNp` with `[Version] 2.x`).
//!
//! Source of the rules: "Touchstone File Format Specification" versions 1.1 (2002) and 2.0/2.1 of the IBIS Open Forum.

use std::path::{Path, PathBuf};

use num_complex::Complex64;
use quantity::{AtStep, Interpolation, LogTable, TableError};

/// Which matrix a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// Scattering.
    S,
    /// Admittance.
    Y,
    /// Impedance.
    Z,
    /// Hybrid.
    H,
    /// Inverse hybrid.
    G,
}

/// An N-port against frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    /// File name, for messages.
    pub name: String,
    /// Ports.
    pub ports: usize,
    /// Rising frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// What the matrices are.
    pub parameter: Parameter,
    /// One row-major `ports × ports` matrix for each frequency, denormalised (Y in S, Z in Ω).
    pub matrix: Vec<Vec<Complex64>>,
    /// Reference impedance of each port, Ω.
    pub reference_ohm: Vec<Complex64>,
    /// What was left out or found odd, in sentences.
    pub notes: Vec<String>,
}

/// A Touchstone file could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{name}, line {line}: {what}; expected {expected}")]
pub struct TouchstoneError {
    /// File name.
    pub name: String,
    /// Counted from 1.
    pub line: usize,
    /// What stands there.
    pub what: String,
    /// What should.
    pub expected: String,
}

/// A Touchstone file could not be opened or read.
#[derive(Debug, thiserror::Error)]
pub enum TouchstoneFileError {
    /// The operating system refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Its reason.
        source: std::io::Error,
    },
    /// The content is at fault.
    #[error(transparent)]
    Content(#[from] TouchstoneError),
}

/// A network does not have what is asked of it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NetworkError {
    /// A port that is not there.
    #[error("{name} has {ports} port(s): no parameter from port {from} to port {to}")]
    NoSuchPort {
        /// File name.
        name: String,
        /// Its ports.
        ports: usize,
        /// Receiving port, counted from 1.
        to: usize,
        /// Driven port, counted from 1.
        from: usize,
    },
    /// The file holds another matrix.
    #[error("{name} holds {found:?} parameters; expected {expected}")]
    Parameter {
        /// File name.
        name: String,
        /// What it holds.
        found: Parameter,
        /// What would do.
        expected: &'static str,
    },
    /// The values make no table in decibels.
    #[error("{name}: {source}")]
    Table {
        /// File name.
        name: String,
        /// Why not.
        source: TableError,
    },
}

impl Network {
    /// The parameter from port `from` to port `to` (both counted from 1) at every frequency.
    pub fn entry(&self, to: usize, from: usize) -> Result<Vec<Complex64>, NetworkError> {
        if to == 0 || from == 0 || to > self.ports || from > self.ports {
            return Err(NetworkError::NoSuchPort { name: self.name.clone(), ports: self.ports, to, from });
        }
        let at = (to - 1) * self.ports + from - 1;
        Ok(self.matrix.iter().map(|m| m[at]).collect())
    }

    fn scattering(&self) -> Result<(), NetworkError> {
        if self.parameter == Parameter::S {
            return Ok(());
        }
        Err(NetworkError::Parameter {
            name: self.name.clone(),
            found: self.parameter,
            expected: "scattering parameters (option line `# … S …`)",
        })
    }

    /// Loss −20·log₁₀|S| from port `from` to port `to`, dB at every frequency; for `to == from` it is the return loss.
    pub fn loss_db(&self, to: usize, from: usize) -> Result<Vec<f64>, NetworkError> {
        self.scattering()?;
        Ok(self.entry(to, from)?.into_iter().map(insertion_loss_db).collect())
    }

    /// The same loss as a table. A point at 0 Hz has no place on a logarithmic axis and is left out; so is one where
    /// nothing passes (infinite loss).
    pub fn loss_table(&self, to: usize, from: usize) -> Result<LogTable, NetworkError> {
        let loss_db = self.loss_db(to, from)?;
        let points =
            self.frequency_hz.iter().copied().zip(loss_db).filter(|(f, loss)| *f > 0.0 && loss.is_finite()).collect();
        LogTable::new(points, Interpolation::LogFrequency, AtStep::Higher)
            .map_err(|source| NetworkError::Table { name: self.name.clone(), source })
    }

    /// Impedance at the only port of a one-port, Ω at every frequency.
    pub fn impedance_ohm(&self) -> Result<Vec<Complex64>, NetworkError> {
        if self.ports != 1 {
            return Err(NetworkError::NoSuchPort { name: self.name.clone(), ports: self.ports, to: 1, from: 1 });
        }
        let values = self.entry(1, 1)?;
        let reference = self.reference_ohm[0];
        Ok(match self.parameter {
            Parameter::S => values.into_iter().map(|s| impedance_from_reflection(s, reference)).collect(),
            Parameter::Z | Parameter::H => values,
            Parameter::Y | Parameter::G => values.into_iter().map(|y| y.inv()).collect(),
        })
    }
}

/// Loss of a transmission: −20·log₁₀|S₂₁|, dB. A gain is negative; nothing passing is infinite.
pub fn insertion_loss_db(s21: Complex64) -> f64 {
    -20.0 * s21.norm().log10()
}

/// Impedance seen at a port with reflection `s11`: Z = (Z₀* + s·Z₀)/(1 − s), Ω; for a real reference Z₀·(1 + s)/(1 − s).
pub fn impedance_from_reflection(s11: Complex64, reference_ohm: Complex64) -> Complex64 {
    (reference_ohm.conj() + s11 * reference_ohm) / (Complex64::ONE - s11)
}

/// Impedance of a part in series between two ports of one real reference: Z = 2·Z₀·(1 − S₂₁)/S₂₁, Ω.
pub fn series_impedance_from_transmission(s21: Complex64, reference_ohm: f64) -> Complex64 {
    2.0 * reference_ohm * (Complex64::ONE - s21) / s21
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Pair {
    MagnitudeAngle,
    DecibelAngle,
    RealImaginary,
}

impl Pair {
    fn complex(self, a: f64, b: f64) -> Complex64 {
        match self {
            Self::MagnitudeAngle => Complex64::from_polar(a, b.to_radians()),
            Self::DecibelAngle => Complex64::from_polar(10f64.powf(a / 20.0), b.to_radians()),
            Self::RealImaginary => Complex64::new(a, b),
        }
    }
}

struct Options {
    unit_hz: f64,
    parameter: Parameter,
    pair: Pair,
    reference_ohm: Vec<Complex64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Triangle {
    Full,
    Lower,
    Upper,
}

/// The numbers of one line.
struct Row {
    line: usize,
    values: Vec<f64>,
}

/// Opens and reads a Touchstone file; text that is not UTF-8 is taken as Latin-1 (only comments can be concerned).
pub fn open_touchstone(path: &Path) -> Result<Network, TouchstoneFileError> {
    let bytes = std::fs::read(path).map_err(|source| TouchstoneFileError::Io { path: path.to_owned(), source })?;
    let text = match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(e) => e.into_bytes().into_iter().map(char::from).collect(),
    };
    let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    Ok(read_touchstone(&text, &name)?)
}

/// Ports that the end of a file name tells: `.s2p` is two.
fn ports_of_name(name: &str) -> Option<usize> {
    let extension = name.rsplit_once('.')?.1.to_ascii_lowercase();
    extension.strip_prefix('s')?.strip_suffix('p')?.parse().ok().filter(|n| (1..=99).contains(n))
}

/// Reads the text of a Touchstone file. `name` is the file's name: in version 1 its ending (`.s2p`) tells the number of
/// ports.
pub fn read_touchstone(text: &str, name: &str) -> Result<Network, TouchstoneError> {
    Reader::new(text, name).read()
}

struct Reader<'a> {
    name: &'a str,
    text: &'a str,
    options: Option<Options>,
    version_2: bool,
    ports: Option<usize>,
    swapped: Option<bool>,
    frequencies: Option<usize>,
    reference: Option<Vec<Complex64>>,
    triangle: Triangle,
    rows: Vec<Row>,
    notes: Vec<String>,
    noise: bool,
    noise_lines: usize,
}

impl<'a> Reader<'a> {
    fn new(text: &'a str, name: &'a str) -> Self {
        Self {
            name,
            text: text.trim_start_matches('\u{feff}'),
            options: None,
            version_2: false,
            ports: None,
            swapped: None,
            frequencies: None,
            reference: None,
            triangle: Triangle::Full,
            rows: Vec::new(),
            notes: Vec::new(),
            noise: false,
            noise_lines: 0,
        }
    }

    fn fault(&self, line: usize, what: impl Into<String>, expected: impl Into<String>) -> TouchstoneError {
        TouchstoneError { name: self.name.to_owned(), line, what: what.into(), expected: expected.into() }
    }

    fn read(mut self) -> Result<Network, TouchstoneError> {
        // Set while the values of [Reference] still come, possibly on lines of their own.
        let mut reference_at: Option<usize> = None;
        let mut information = false;
        let mut last_line = 0;
        for (i, raw) in self.text.lines().enumerate() {
            let line = i + 1;
            last_line = line;
            let content = raw.split('!').next().unwrap_or("").trim();
            if content.is_empty() {
                continue;
            }
            if let Some(rest) = content.strip_prefix('[') {
                let (keyword, value) = rest
                    .split_once(']')
                    .ok_or_else(|| self.fault(line, "a keyword without `]`", "`[Keyword] value`"))?;
                let keyword = keyword.trim().to_lowercase();
                let value = value.trim();
                if information && keyword != "end information" {
                    continue;
                }
                reference_at = None;
                match keyword.as_str() {
                    "begin information" => information = true,
                    "end information" => information = false,
                    "reference" => {
                        self.reference = Some(Vec::new());
                        reference_at = Some(line);
                        self.reference_values(line, value)?;
                    }
                    "end" => break,
                    _ => self.keyword(line, &keyword, value)?,
                }
                continue;
            }
            if information {
                continue;
            }
            if let Some(rest) = content.strip_prefix('#') {
                reference_at = None;
                if self.options.is_some() {
                    self.notes.push(format!("line {line}: a second option line, left out"));
                } else {
                    self.options = Some(self.option_line(line, rest)?);
                    if !self.rows.is_empty() {
                        self.notes
                            .push(format!("line {line}: the option line stands behind values, and holds for them too"));
                    }
                }
                continue;
            }
            if let Some(at) = reference_at
                && self.rows.is_empty()
                && self.reference.as_ref().is_some_and(|r| Some(r.len()) != self.ports)
            {
                self.reference_values(line.max(at), content)?;
                continue;
            }
            if self.noise {
                self.noise_lines += 1;
                continue;
            }
            let mut values = Vec::new();
            for word in content.split(|c: char| c.is_whitespace() || c == ',') {
                if word.is_empty() {
                    continue;
                }
                let value = number(word).ok_or_else(|| self.fault(line, format!("`{}`", clip(word)), "a number"))?;
                values.push(value);
            }
            self.rows.push(Row { line, values });
        }
        self.network(last_line)
    }

    fn reference_values(&mut self, line: usize, text: &str) -> Result<(), TouchstoneError> {
        for word in text.split_whitespace() {
            let value = number(word)
                .filter(|v| *v > 0.0)
                .ok_or_else(|| self.fault(line, format!("`{}`", clip(word)), "a positive impedance in ohms"))?;
            if let Some(list) = &mut self.reference {
                list.push(Complex64::new(value, 0.0));
            }
        }
        Ok(())
    }

    fn keyword(&mut self, line: usize, keyword: &str, value: &str) -> Result<(), TouchstoneError> {
        let count = |expected: &str| {
            value.parse::<usize>().map_err(|_| self.fault(line, format!("`{}`", clip(value)), expected.to_owned()))
        };
        match keyword {
            "version" => {
                if !matches!(value, "2.0" | "2.1" | "1.0" | "1.1") {
                    return Err(self.fault(line, format!("version `{}`", clip(value)), "1.0, 1.1, 2.0 or 2.1"));
                }
                self.version_2 = value.starts_with('2');
            }
            "number of ports" => {
                let ports = count("a number of ports")?;
                if !(1..=99).contains(&ports) {
                    return Err(self.fault(line, format!("{ports} ports"), "1 to 99"));
                }
                self.ports = Some(ports);
            }
            "two-port data order" | "two-port order" => {
                self.swapped = Some(match value {
                    "21_12" => true,
                    "12_21" => false,
                    _ => return Err(self.fault(line, format!("`{}`", clip(value)), "21_12 or 12_21")),
                });
            }
            "number of frequencies" => self.frequencies = Some(count("a number of frequencies")?),
            "number of noise frequencies" => {
                count("a number of frequencies")?;
            }
            "matrix format" => {
                self.triangle = match value.to_lowercase().as_str() {
                    "full" => Triangle::Full,
                    "lower" => Triangle::Lower,
                    "upper" => Triangle::Upper,
                    _ => return Err(self.fault(line, format!("`{}`", clip(value)), "Full, Lower or Upper")),
                };
            }
            "network data" => {}
            "noise data" => self.noise = true,
            "mixed-mode order" => {
                return Err(self.fault(line, "mixed-mode parameters", "single-ended ones"));
            }
            _ => self.notes.push(format!("line {line}: unknown keyword [{keyword}], left out")),
        }
        Ok(())
    }

    fn option_line(&self, line: usize, rest: &str) -> Result<Options, TouchstoneError> {
        let mut options = Options {
            unit_hz: 1e9,
            parameter: Parameter::S,
            pair: Pair::MagnitudeAngle,
            reference_ohm: vec![Complex64::new(50.0, 0.0)],
        };
        let mut words = rest.split_whitespace().peekable();
        while let Some(word) = words.next() {
            match word.to_ascii_lowercase().as_str() {
                "hz" => options.unit_hz = 1.0,
                "khz" => options.unit_hz = 1e3,
                "mhz" => options.unit_hz = 1e6,
                "ghz" => options.unit_hz = 1e9,
                "s" => options.parameter = Parameter::S,
                "y" => options.parameter = Parameter::Y,
                "z" => options.parameter = Parameter::Z,
                "h" => options.parameter = Parameter::H,
                "g" => options.parameter = Parameter::G,
                "ma" => options.pair = Pair::MagnitudeAngle,
                "db" => options.pair = Pair::DecibelAngle,
                "ri" => options.pair = Pair::RealImaginary,
                "r" => {
                    let mut list = Vec::new();
                    while let Some(value) = words.peek().and_then(|w| impedance(w)) {
                        list.push(value);
                        words.next();
                    }
                    if list.is_empty() {
                        let seen = words.peek().map_or_else(|| "nothing".into(), |w| format!("`{}`", clip(w)));
                        return Err(self.fault(line, format!("R with {seen}"), "an impedance in ohms behind R"));
                    }
                    options.reference_ohm = list;
                }
                _ => {
                    return Err(self.fault(
                        line,
                        format!("`{}` in the option line", clip(word)),
                        "`# [Hz|kHz|MHz|GHz] [S|Y|Z|H|G] [MA|DB|RI] [R ohms]`",
                    ));
                }
            }
        }
        Ok(options)
    }

    fn network(mut self, last_line: usize) -> Result<Network, TouchstoneError> {
        let options = match self.options.take() {
            Some(options) => options,
            None => {
                self.notes.push("no option line: GHz, S, magnitude and angle, 50 Ω by the specification".into());
                self.option_line(1, "")?
            }
        };
        if self.text.lines().any(|l| l.trim_start().starts_with("! Port Impedance")) {
            self.notes.push("comments name port impedances, which the format does not know: left out".into());
        }
        let by_name = ports_of_name(self.name);
        let ports = self.ports.or(by_name).ok_or_else(|| {
            self.fault(1, "the number of ports is not said", "a file name ending in .s1p, .s2p, … or [Number of Ports]")
        })?;
        if matches!(options.parameter, Parameter::H | Parameter::G) && ports != 2 {
            return Err(self.fault(1, format!("hybrid parameters of {ports} port(s)"), "a two-port"));
        }
        let reference_ohm = match self.reference.take() {
            Some(list) if list.len() == ports => list,
            Some(list) => {
                return Err(self.fault(
                    last_line,
                    format!("[Reference] with {} value(s)", list.len()),
                    format!("{ports}, one for each port"),
                ));
            }
            None if options.reference_ohm.len() == ports => options.reference_ohm.clone(),
            None if options.reference_ohm.len() == 1 => vec![options.reference_ohm[0]; ports],
            None => {
                return Err(self.fault(
                    1,
                    format!("{} reference impedances", options.reference_ohm.len()),
                    format!("one, or {ports}"),
                ));
            }
        };
        let pairs = match self.triangle {
            Triangle::Full => ports * ports,
            _ => ports * (ports + 1) / 2,
        };
        let wanted = 1 + 2 * pairs;
        // Version 1 writes a two-port by columns: 11 21 12 22.
        let swapped = ports == 2 && self.swapped.unwrap_or(true);
        let mut points: Vec<(f64, Vec<Complex64>)> = Vec::new();
        let rows = std::mem::take(&mut self.rows);
        let mut rows = rows.into_iter().peekable();
        while let Some(row) = rows.next() {
            let line = row.line;
            let frequency = row.values[0];
            // Version 1 puts noise data behind those of a two-port: five numbers a line, frequencies starting anew.
            if !self.version_2
                && ports == 2
                && row.values.len() == 5
                && points.last().is_some_and(|p| frequency * options.unit_hz <= p.0)
            {
                self.noise_lines += 1 + rows.by_ref().count();
                break;
            }
            let mut values = row.values;
            while values.len() < wanted {
                // One more line, unless it would be too much: then it is the next frequency, and this one is short.
                match rows.next_if(|next| values.len() + next.values.len() <= wanted) {
                    Some(next) => values.extend(next.values),
                    None => break,
                }
            }
            if values.len() != wanted {
                return Err(self.fault(
                    line,
                    format!("{} numbers", values.len()),
                    format!("{wanted}: a frequency and {pairs} pairs for {ports} port(s)"),
                ));
            }
            if values.iter().any(|v| !v.is_finite()) || frequency < 0.0 {
                return Err(self.fault(line, "a number out of range", "finite numbers and a frequency from 0"));
            }
            let list: Vec<Complex64> = values[1..].chunks_exact(2).map(|p| options.pair.complex(p[0], p[1])).collect();
            let mut matrix = vec![Complex64::ZERO; ports * ports];
            let mut next = list.into_iter();
            match self.triangle {
                Triangle::Full => matrix.iter_mut().zip(next).for_each(|(m, v)| *m = v),
                Triangle::Lower | Triangle::Upper => {
                    for a in 0..ports {
                        let range = if self.triangle == Triangle::Lower { 0..a + 1 } else { a..ports };
                        for b in range {
                            let value = next.next().unwrap_or_default();
                            matrix[a * ports + b] = value;
                            matrix[b * ports + a] = value;
                        }
                    }
                }
            }
            if swapped && self.triangle == Triangle::Full {
                matrix.swap(1, 2);
            }
            if !self.version_2 {
                denormalise(&mut matrix, ports, options.parameter, &reference_ohm);
            }
            points.push((frequency * options.unit_hz, matrix));
        }
        if points.is_empty() {
            return Err(self.fault(last_line.max(1), "no values", "at least one frequency"));
        }
        if let Some(said) = self.frequencies
            && said != points.len()
        {
            return Err(self.fault(
                last_line,
                format!("{} frequencies", points.len()),
                format!("{said}, as [Number of Frequencies] says"),
            ));
        }
        if points.windows(2).any(|w| w[1].0 < w[0].0) {
            self.notes.push("the frequencies do not rise: sorted".into());
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
        if self.noise_lines > 0 {
            self.notes.push(format!("{} line(s) of noise data, left out", self.noise_lines));
        }
        let (frequency_hz, matrix): (Vec<f64>, Vec<Vec<Complex64>>) = points.into_iter().unzip();
        if options.parameter == Parameter::S {
            let mut worst = (1.0 + 1e-9, 0, 0.0);
            for (f, m) in frequency_hz.iter().zip(&matrix) {
                for (i, s) in m.iter().enumerate() {
                    if i % (ports + 1) == 0 && s.norm() > worst.0 {
                        worst = (s.norm(), i / (ports + 1) + 1, *f);
                    }
                }
            }
            if worst.1 > 0 {
                self.notes.push(format!(
                    "|S{n}{n}| reaches {:.4} at {} Hz: the port gives out more than it takes in",
                    worst.0,
                    worst.2,
                    n = worst.1
                ));
            }
        }
        Ok(Network {
            name: self.name.to_owned(),
            ports,
            frequency_hz,
            parameter: options.parameter,
            matrix,
            reference_ohm,
            notes: self.notes,
        })
    }
}

/// Version 1 divides impedances by the reference and multiplies admittances with it.
fn denormalise(matrix: &mut [Complex64], ports: usize, parameter: Parameter, reference: &[Complex64]) {
    let root = |i: usize| reference[i].sqrt();
    for a in 0..ports {
        for b in 0..ports {
            let m = &mut matrix[a * ports + b];
            match parameter {
                Parameter::S => {}
                Parameter::Z => *m *= root(a) * root(b),
                Parameter::Y => *m /= root(a) * root(b),
                Parameter::H if a == b => *m = if a == 0 { *m * reference[0] } else { *m / reference[1] },
                Parameter::G if a == b => *m = if a == 0 { *m / reference[0] } else { *m * reference[1] },
                Parameter::H | Parameter::G => {}
            }
        }
    }
}

fn clip(text: &str) -> String {
    text.chars().take(30).collect()
}

/// A number as Touchstone writes it; the exponent may be spelled with D, as older programs do.
fn number(word: &str) -> Option<f64> {
    let first = *word.as_bytes().first()?;
    if !(first.is_ascii_digit() || matches!(first, b'+' | b'-' | b'.')) {
        return None;
    }
    word.parse().ok().or_else(|| word.replace(['D', 'd'], "e").parse().ok()).filter(|v: &f64| v.is_finite())
}

/// An impedance: a number, or `(50+10j)` as some programs write a complex one.
fn impedance(word: &str) -> Option<Complex64> {
    if let Some(inner) = word.strip_prefix('(').and_then(|w| w.strip_suffix(')')) {
        let inner = inner.strip_suffix(['j', 'J', 'i'])?;
        let split = inner
            .char_indices()
            .rev()
            .find(|&(i, c)| matches!(c, '+' | '-') && i > 0 && !matches!(inner.as_bytes()[i - 1], b'e' | b'E'))?;
        return Some(Complex64::new(number(&inner[..split.0])?, number(&inner[split.0..])?));
    }
    number(word).filter(|v| *v > 0.0).map(|v| Complex64::new(v, 0.0))
}
