//! What the words in headers and preambles mean.

use standards::Detector;

use super::{FrequencyUnit, LevelUnit};

/// A unit found in a piece of text.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum FoundUnit {
    Frequency(FrequencyUnit),
    Level(LevelUnit),
    /// Decibels over something that is not said.
    NoReference(String),
    /// A unit of something else: time, angle, length.
    Other(String),
}

/// A whole cell as a unit.
pub(super) fn exact_unit(text: &str) -> Option<FoundUnit> {
    let text = text.trim();
    if text.is_empty() {
        return None;
    }
    if let Ok(unit) = text.parse() {
        return Some(FoundUnit::Frequency(unit));
    }
    if let Ok(unit) = text.parse() {
        return Some(FoundUnit::Level(unit));
    }
    let plain = text.trim_matches(['(', ')', '[', ']', '{', '}', ' ']).to_ascii_lowercase();
    match plain.as_str() {
        "db" | "dbc" | "dbr" | "dbfs" | "db rel" | "db rel." | "dbrel" => Some(FoundUnit::NoReference(plain)),
        "s" | "ms" | "us" | "µs" | "ns" | "sec" | "second" | "seconds" | "deg" | "°" | "cm" | "m" | "%" | "ohm"
        | "ω" | "db/m" | "°c" | "degrees" => Some(FoundUnit::Other(plain)),
        _ => None,
    }
}

/// A unit anywhere in a header cell: in brackets, behind a stroke, a comma or a blank, or as the end of a field name.
pub(super) fn unit_in(text: &str) -> Option<FoundUnit> {
    let lower = text.trim().to_lowercase();
    for unit in FrequencyUnit::ALL {
        if lower.ends_with(&format!("_{}", unit.symbol().to_lowercase())) {
            return Some(FoundUnit::Frequency(unit));
        }
    }
    // Longest first, so that `dbuv_per_m` is not taken for the metre in it.
    for unit in [
        quantity::Unit::DbUvPerM,
        quantity::Unit::DbUaPerM,
        quantity::Unit::DbUv,
        quantity::Unit::DbUa,
        quantity::Unit::DbPw,
        quantity::Unit::Dbm,
    ] {
        if lower.ends_with(&format!("_{}", unit.field_suffix())) {
            return Some(FoundUnit::Level(unit.into()));
        }
    }
    let (mut before, mut before_blank): (Option<char>, Option<char>) = (None, None);
    for (i, c) in text.char_indices() {
        // A bracket opens a unit even right behind a word, unless it is that of `dB(µV)`.
        let boundary = if matches!(c, '(' | '[' | '{') {
            !text[..i].trim_end().to_lowercase().ends_with("db")
        } else {
            before.is_none_or(|b| !b.is_alphanumeric() && b != 'µ' && b != 'μ')
        };
        if boundary && !c.is_whitespace() {
            let tail = &text[i..];
            // A bare letter behind a blank is a name (`Trace A`), in brackets or behind a stroke it is a unit.
            let bare = tail.trim().chars().count() == 1 && !matches!(before_blank, Some('(' | '[' | '{' | '/'));
            if !bare {
                if let Some(unit) = exact_unit(tail) {
                    return Some(unit);
                }
                // `Level (dBµV) QP`: the bracket closes before the end.
                if let (Some(open), Some(close)) =
                    (tail.chars().next().filter(|c| "([{".contains(*c)), tail.find([')', ']', '}']))
                    && let Some(unit) = exact_unit(&tail[open.len_utf8()..close])
                {
                    return Some(unit);
                }
            }
        }
        before = Some(c);
        if !c.is_whitespace() {
            before_blank = before;
        }
    }
    None
}

/// The words of a name: lower case, split at everything that is neither letter nor digit.
fn words(name: &str) -> Vec<String> {
    name.to_lowercase()
        .split(|c: char| !c.is_alphanumeric() && c != '#' && c != '+')
        .filter(|w| !w.is_empty())
        .map(str::to_owned)
        .collect()
}

/// The detector a name speaks of, with the word that says so.
pub(super) fn detector_in(name: &str) -> Option<(Detector, String)> {
    let w = words(name);
    let has = |options: &[&str]| w.iter().find(|x| options.contains(&x.as_str())).cloned();
    let pair = |a: &[&str], b: &[&str]| {
        w.windows(2)
            .find(|p| a.contains(&p[0].as_str()) && b.contains(&p[1].as_str()))
            .map(|p| format!("{} {}", p[0], p[1]))
    };
    let average = &["average", "avg", "av", "mean", "mittelwert", "moyenne"];
    if let Some(word) = has(&["qp", "qpk", "qpeak", "quasipeak", "quasispitze", "quasispitzenwert"])
        .or_else(|| pair(&["quasi", "q"], &["peak", "pk", "spitze", "crête", "crete"]))
    {
        return Some((Detector::QuasiPeak, word));
    }
    if let Some(word) = has(&["crms", "rmsav", "rmsavg", "rmsaverage"])
        .or_else(|| pair(&["rms", "cispr"], &["average", "avg", "av", "rms"]).filter(|p| p.contains("rms")))
    {
        return Some((Detector::RmsAverage, word));
    }
    if let Some(word) =
        has(&["cav", "caverage", "cavg", "cispravg", "cisprav"]).or_else(|| pair(&["cispr", "c"], average))
    {
        return Some((Detector::CisprAverage, word));
    }
    // The lowest or any one sample is none of the four.
    if has(&["neg", "negative", "min", "minimum", "sample"]).is_some() {
        return None;
    }
    if let Some(word) = has(&["peak", "pk", "pk+", "pospeak", "maxpeak", "spitze", "spitzenwert", "crête"]) {
        return Some((Detector::Peak, word));
    }
    if let Some(word) = has(average) {
        return Some((Detector::CisprAverage, word));
    }
    has(&["rms"]).map(|word| (Detector::RmsAverage, word))
}

/// True where the name is one of a frequency axis (and not of a bandwidth, a span or a step).
pub(super) fn names_frequency(name: &str) -> bool {
    let w = words(name);
    w.first().is_some_and(|x| x == "f")
        || w.iter().any(|x| {
            [
                "freq",
                "frequency",
                "frequencies",
                "frequenz",
                "fréquence",
                "frequence",
                "frecuencia",
                "frequenza",
                "frekvens",
            ]
            .contains(&x.as_str())
        })
}

/// True where a unit of frequency would not be that of the axis.
pub(super) fn names_width(name: &str) -> bool {
    words(name).iter().any(|x| ["rbw", "vbw", "bandwidth", "bandbreite", "bw", "span", "step"].contains(&x.as_str()))
}

/// True where the column counts rows.
pub(super) fn names_index(name: &str) -> bool {
    let name = name.trim().to_lowercase();
    matches!(
        name.trim_end_matches('.'),
        "#" | "no"
            | "nr"
            | "idx"
            | "index"
            | "point"
            | "points"
            | "pt"
            | "n"
            | "row"
            | "number"
            | "sequence"
            | "bin"
            | "pos"
    )
}

/// True where the column is a time axis: the file is a record, not a sweep.
pub(super) fn names_time(name: &str) -> bool {
    words(name).iter().any(|x| ["time", "zeit", "temps"].contains(&x.as_str()))
        && !words(name).iter().any(|x| ["meas", "measurement", "dwell", "sweep"].contains(&x.as_str()))
}

/// The word that tells a column of decibels which is no level: a limit, a margin, a correction.
pub(super) fn names_other(name: &str) -> Option<String> {
    words(name).into_iter().find(|x| {
        [
            "limit",
            "margin",
            "delta",
            "over",
            "grenzwert",
            "abstand",
            "factor",
            "correction",
            "corr",
            "transducer",
            "loss",
            "gain",
            "azimuth",
            "height",
            "polarization",
            "polarisation",
            "pol",
            "angle",
            "phase",
            "uncertainty",
            "antenna",
            "turntable",
            "date",
            "comment",
            "attenuation",
            "marker",
            "dwell",
            "meas",
        ]
        .contains(&x.as_str())
    })
}

/// True where the name is one of a level.
pub(super) fn names_level(name: &str) -> bool {
    words(name).iter().any(|x| {
        [
            "level",
            "lvl",
            "amplitude",
            "ampl",
            "amp",
            "pegel",
            "magnitude",
            "mag",
            "power",
            "voltage",
            "current",
            "field",
            "trace",
            "reading",
            "value",
            "spectrum",
            "niveau",
            "leistung",
            "spannung",
            "y",
            "livello",
            "nivel",
        ]
        .contains(&x.as_str())
            || (x.starts_with("trace") && x[5..].bytes().all(|b| b.is_ascii_digit()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_inside_names() {
        use FoundUnit::{Frequency, Level, NoReference};
        for (text, expected) in [
            ("Frequency (MHz)", Some(Frequency(FrequencyUnit::MHz))),
            ("f/kHz", Some(Frequency(FrequencyUnit::KHz))),
            ("Frequenz in GHz", Some(Frequency(FrequencyUnit::GHz))),
            ("frequency_hz", Some(Frequency(FrequencyUnit::Hz))),
            ("Level [dBµV/m]", Some(Level(LevelUnit::DbUvPerM))),
            ("Level dB(uV)", Some(Level(LevelUnit::DbUv))),
            ("Pegel, dBm", Some(Level(LevelUnit::Dbm))),
            ("quasi_peak_dbuv_per_m", Some(Level(LevelUnit::DbUvPerM))),
            ("U / V", Some(Level(LevelUnit::Volt))),
            ("U/V", Some(Level(LevelUnit::Volt))),
            ("Level (dBµA) QP", Some(Level(LevelUnit::DbUa))),
            ("dB(µV/m)", Some(Level(LevelUnit::DbUvPerM))),
            ("Margin (dB)", Some(NoReference("db".to_owned()))),
            ("Level(mV)", Some(Level(LevelUnit::Millivolt))),
            ("U (V)", Some(Level(LevelUnit::Volt))),
            ("Level_dB(uV)", Some(Level(LevelUnit::DbUv))),
            ("Trace A", None),
            ("Polarisation V", None),
            ("Level", None),
        ] {
            assert_eq!(unit_in(text), expected, "{text}");
        }
    }

    #[test]
    fn detectors_inside_names() {
        for (text, expected) in [
            ("QP (dBuV)", Some(Detector::QuasiPeak)),
            ("Quasi-Peak", Some(Detector::QuasiPeak)),
            ("quasi_peak_dbuv", Some(Detector::QuasiPeak)),
            ("Pos Peak", Some(Detector::Peak)),
            ("MaxPeak", Some(Detector::Peak)),
            ("peak_dbuv", Some(Detector::Peak)),
            ("CISPR AV", Some(Detector::CisprAverage)),
            ("CAV", Some(Detector::CisprAverage)),
            ("C-Average", Some(Detector::CisprAverage)),
            ("AVG [dBµV]", Some(Detector::CisprAverage)),
            ("cispr_average_dbuv", Some(Detector::CisprAverage)),
            ("rms_average_dbuv", Some(Detector::RmsAverage)),
            ("CISPR RMS", Some(Detector::RmsAverage)),
            ("RMS", Some(Detector::RmsAverage)),
            ("Neg Peak", None),
            ("Trace 1", None),
            ("Max Hold", None),
        ] {
            assert_eq!(detector_in(text).map(|d| d.0), expected, "{text}");
        }
    }
}
