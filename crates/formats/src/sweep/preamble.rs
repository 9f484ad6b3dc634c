//! Settings in the lines before the table.

use standards::Detector;

use super::names::{FoundUnit, detector_in, exact_unit, unit_in};
use super::text::{Cell, Suffix, cell, split};
use super::{DecimalSign, Delimiter, FrequencyUnit, LevelUnit, Setting};

/// What the preamble says.
#[derive(Debug, Default)]
pub(super) struct Preamble {
    pub(super) settings: Vec<Setting>,
    pub(super) bandwidth_hz: Option<f64>,
    pub(super) impedance_ohm: Option<f64>,
    pub(super) level_unit: Option<(LevelUnit, usize)>,
    pub(super) frequency_unit: Option<(FrequencyUnit, usize)>,
    pub(super) detectors: Vec<(Detector, String, usize)>,
    pub(super) points: Option<(usize, usize)>,
    pub(super) start_hz: Option<(Stated, usize)>,
    pub(super) stop_hz: Option<(Stated, usize)>,
    pub(super) warnings: Vec<String>,
}

/// A frequency in a setting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stated {
    /// In hertz, or the bare number where no unit is written.
    pub(super) value: f64,
    /// A unit is written.
    pub(super) written: bool,
}

impl Stated {
    /// True where it is this frequency within 1 %, in some unit if none is written.
    pub(super) fn is_near(self, hz: f64) -> bool {
        FrequencyUnit::ALL
            .into_iter()
            .filter(|u| !self.written || *u == FrequencyUnit::Hz)
            .any(|u| (self.value * u.hertz() - hz).abs() <= 0.01 * hz)
    }
}

/// Marks that open a comment line.
const COMMENT: [char; 4] = ['#', '!', '%', '*'];

/// A line without its comment mark.
pub(super) fn uncommented(line: &str) -> &str {
    let line = line.trim_start();
    line.strip_prefix("//").unwrap_or(line).trim_start_matches(COMMENT).trim_start()
}

/// Key and values of a line, if it has them.
fn key_values(line: &str, delimiter: Delimiter) -> Option<(&str, Vec<&str>)> {
    let line = uncommented(line).trim_end();
    if !line.trim_start_matches('"').starts_with(char::is_alphabetic) {
        return None;
    }
    let mut cells = Vec::new();
    let delimiters = [delimiter, Delimiter::Tab, Delimiter::Semicolon, Delimiter::Comma];
    // A colon or an equals sign before the first separator ends the key.
    let ends_key = line.find([':', '=']);
    let separated = line.find([',', ';', '\t']);
    if let Some(i) =
        ends_key.filter(|i| separated.is_none_or(|s| *i < s) && !line[i + 1..].trim_matches(['"', ' ']).is_empty())
    {
        let value = line[i + 1..].trim().trim_start_matches([':', '=', ',', ';', '\t']).trim();
        let mut values: Vec<&str> = value.split([',', ';', '\t']).map(|v| v.trim().trim_matches('"')).collect();
        // A decimal comma would have been cut: the whole value comes first.
        values.insert(0, value.trim_matches('"').trim_end_matches([',', ';', '\t']));
        return Some((line[..i].trim().trim_matches('"'), values));
    }
    for d in delimiters {
        if d == Delimiter::Space {
            continue;
        }
        split(line, d, false, &mut cells);
        if cells.len() >= 2 && !cells[1].is_empty() {
            let key = cells[0].trim_end_matches([':', '=', ' ']);
            return Some((key, cells[1..].to_vec()));
        }
    }
    None
}

/// A frequency among the values of a setting.
fn frequency(key: &str, values: &[&str], decimal: DecimalSign) -> Option<Stated> {
    for (i, value) in values.iter().enumerate() {
        for sign in [decimal, DecimalSign::Point, DecimalSign::Comma] {
            if let Cell::Number(n) = cell(value, sign, false) {
                let unit = match n.suffix {
                    Some(Suffix::Frequency(u)) => Some(u),
                    Some(Suffix::Level(_)) => return None,
                    None => match values.get(i + 1).and_then(|v| exact_unit(v)).or_else(|| unit_in(key)) {
                        Some(FoundUnit::Frequency(u)) => Some(u),
                        _ => None,
                    },
                };
                return Some(Stated {
                    value: n.value * unit.map_or(1.0, FrequencyUnit::hertz),
                    written: unit.is_some(),
                });
            }
        }
    }
    None
}

/// True where the line is a setting this reader knows, so that it cannot be a header.
pub(super) fn is_setting(line: &str, delimiter: Delimiter) -> bool {
    key_values(line, delimiter).is_some_and(|(key, _)| {
        let key = key.to_lowercase();
        [
            "detector",
            "rbw",
            "unit",
            "impedance",
            "number of",
            "start",
            "stop",
            "bandwidth",
            "mode",
            "trace type",
            "trace name",
        ]
        .iter()
        .any(|k| key.contains(k))
    })
}

/// Reads the lines before the table.
pub(super) fn read(lines: &[&str], delimiter: Delimiter, decimal: DecimalSign) -> Preamble {
    let mut p = Preamble::default();
    let mut bandwidth: Option<(Stated, String, usize)> = None;
    for (i, line) in lines.iter().enumerate() {
        let Some((key, values)) = key_values(line, delimiter) else { continue };
        let number = i + 1;
        let k: String = key.to_lowercase();
        let first = values[0];
        let mut keep = true;
        let is = |words: &[&str]| words.iter().any(|w| k.contains(w));
        if (k == "bw"
            || is(&["rbw", "resolution bandwidth", "res bw", "res. bw", "if bandwidth", "ifbw", "if bw", "bandwidth"]))
            && !is(&["video", "vbw"])
        {
            match frequency(key, &values, decimal) {
                Some(stated) if stated.value.is_finite() && stated.value > 0.0 => {
                    bandwidth = bandwidth.or(Some((stated, key.to_owned(), number)));
                }
                Some(_) => keep = false,
                None => keep = false,
            }
        } else if is(&["impedance", "impedanz"]) {
            match cell(
                first.trim_end_matches(['Ω', '\u{2126}']).trim().trim_end_matches("Ohm").trim_end_matches("ohm").trim(),
                decimal,
                false,
            ) {
                Cell::Number(n) if n.value.is_finite() && n.value > 0.0 => p.impedance_ohm = Some(n.value),
                _ => keep = false,
            }
        } else if is(&["unit", "einheit"]) || k == "y axis" || k == "x axis" {
            match values.iter().find_map(|v| exact_unit(v)) {
                Some(FoundUnit::Level(u)) => p.level_unit = p.level_unit.or(Some((u, number))),
                Some(FoundUnit::Frequency(u)) => p.frequency_unit = p.frequency_unit.or(Some((u, number))),
                _ => keep = false,
            }
        } else if is(&["detector", "detektor"]) {
            if let Some((d, _)) = detector_in(first) {
                p.detectors.push((d, first.to_owned(), number));
            }
        } else if is(&["number of points", "points", "number of data", "values", "sweep points"]) {
            match cell(first, decimal, false) {
                Cell::Number(n) if n.value >= 1.0 && n.value.fract() == 0.0 => {
                    p.points = Some((n.value as usize, number));
                }
                _ => keep = false,
            }
        } else if is(&["start freq", "freq start", "start frequency", "startfrequenz"]) || k == "start" {
            match frequency(key, &values, decimal) {
                Some(stated) => p.start_hz = Some((stated, number)),
                None => keep = false,
            }
        } else if is(&["stop freq", "freq stop", "stop frequency", "stoppfrequenz"]) || k == "stop" {
            match frequency(key, &values, decimal) {
                Some(stated) => p.stop_hz = Some((stated, number)),
                None => keep = false,
            }
        } else {
            keep = is(&[
                "vbw",
                "video b",
                "attenuation",
                "att",
                "ref level",
                "reference level",
                "preamp",
                "sweep time",
                "trace type",
                "trace mode",
                "date",
                "time",
                "average type",
                "offset",
                "transducer",
                "correction",
            ]);
        }
        if keep {
            let value = values.iter().take(3).filter(|v| !v.is_empty()).copied().collect::<Vec<_>>();
            let value =
                if value.len() > 1 && value[0].contains(value[1]) { value[0].to_owned() } else { value.join(" ") };
            p.settings.push(Setting { key: key.to_owned(), value, line: number });
        }
    }
    if let Some((stated, key, line)) = bandwidth {
        // Without a unit of its own it has that of the axis, where the preamble states one; a bare number below 10 Hz
        // is no bandwidth of this trade, and without any unit only thousands can be nothing but hertz.
        let unit = p.frequency_unit.map_or(1.0, |(u, _)| u.hertz());
        let hz = if stated.written { stated.value } else { stated.value * unit };
        if stated.written || (p.frequency_unit.is_some() && hz >= 10.0) || hz >= 1000.0 {
            p.bandwidth_hz = Some(hz);
        } else {
            p.warnings.push(format!(
                "line {line}: `{key}` is {} without a unit, which could be Hz or kHz: not used as the bandwidth (the choice `bandwidth_hz` states it)",
                stated.value
            ));
        }
    }
    p
}
