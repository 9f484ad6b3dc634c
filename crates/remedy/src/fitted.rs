//! The filter that is fitted already, as a file of the user's.

use serde::Deserialize;
use toml::Table;

use crate::RemedyError;
use crate::library::{Library, part_from_table};
use crate::networks::NetworkKind;
use crate::port::{Mode, Place, PortModel, SourceModel, Stage, USUAL_CREST_FACTOR, usual_sources};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    name: String,
    #[serde(default)]
    network: NetworkKind,
    #[serde(default)]
    current_a: Option<f64>,
    #[serde(default)]
    crest_factor: Option<f64>,
    #[serde(default)]
    source: Vec<Source>,
    #[serde(default)]
    fitted: Vec<Table>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Source {
    mode: Mode,
    name: String,
    #[serde(default)]
    resistance_ohm: f64,
    #[serde(default)]
    inductance_h: f64,
    #[serde(default)]
    capacitance_f: Option<f64>,
    #[serde(default)]
    parallel_f: f64,
}

/// Reads the description of a port's filter: `[[fitted]]` tables from the product's inside to its terminals, each with a
/// `place` and either `library = "id"` or the fields of a part, and `[[source]]` tables with a `mode` for what is known of
/// the sources. Modes without one get the usual range.
///
/// # Errors
/// Names the file, the entry, the field and what was expected.
pub fn read_fitted(text: &str, file: &str, library: &Library) -> Result<PortModel, RemedyError> {
    let read: File = toml::from_str(text).map_err(|e| {
        RemedyError::file(
            file,
            e.to_string().trim_end(),
            "name, network, current_a, crest_factor, [[source]], [[fitted]]",
        )
    })?;
    let mut fitted = Vec::with_capacity(read.fitted.len());
    for (i, mut table) in read.fitted.into_iter().enumerate() {
        let here = format!("{file}, fitted {}", i + 1);
        let place: Place = match table.remove("place") {
            Some(v) => v.try_into().map_err(|e: toml::de::Error| {
                RemedyError::file(
                    here.as_str(),
                    e.message(),
                    "across_lines, each_line_to_earth, in_each_line, in_one_line or both_lines",
                )
            })?,
            None => return Err(RemedyError::file(here, "no place", "place = \"across_lines\" or another")),
        };
        let part = match table.get("library").and_then(toml::Value::as_str) {
            Some(id) => library.get(id).cloned().ok_or_else(|| {
                RemedyError::file(
                    here.as_str(),
                    format!("no part `{id}` in the library"),
                    "an id that `hushfield parts` lists",
                )
            })?,
            None => part_from_table(table, &here)?,
        };
        fitted.push(Stage { place, part });
    }
    let of = |mode: Mode| {
        let told: Vec<SourceModel> = read
            .source
            .iter()
            .filter(|s| s.mode == mode)
            .map(|s| SourceModel {
                name: s.name.clone(),
                resistance_ohm: s.resistance_ohm,
                inductance_h: s.inductance_h,
                capacitance_f: s.capacitance_f,
                parallel_f: s.parallel_f,
            })
            .collect();
        if told.is_empty() { usual_sources(mode) } else { told }
    };
    for (field, value) in [("current_a", read.current_a), ("crest_factor", read.crest_factor)] {
        if let Some(v) = value
            && !(v.is_finite() && v > 0.0)
        {
            return Err(RemedyError::file(file, format!("{field} is {v}"), "a number above zero"));
        }
    }
    let port = PortModel {
        name: if read.name.is_empty() { file.to_owned() } else { read.name },
        described: !fitted.is_empty(),
        differential: of(Mode::Differential),
        common: of(Mode::Common),
        network: read.network,
        current_a: read.current_a,
        crest_factor: read.crest_factor.unwrap_or(USUAL_CREST_FACTOR),
        fitted,
    };
    port.check()?;
    Ok(port)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = r#"
name = "as built"
current_a = 0.35
[[source]]
mode = "differential"
name = "bulk capacitor"
resistance_ohm = 0.33
inductance_h = 69e-9
[[fitted]]
place = "each_line_to_earth"
library = "y2-3.3nf"
[[fitted]]
place = "across_lines"
id = "C1"
kind = "capacitor"
class = "x2"
capacitance_f = 100e-9
esr_ohm = 0.03
esl_h = 16e-9
rated_v = 305.0
"#;

    #[test]
    fn a_description_is_read() {
        let port = read_fitted(TEXT, "filters/mains.toml", Library::built_in()).unwrap();
        assert_eq!((port.fitted.len(), port.differential.len(), port.common.len()), (2, 1, 3));
        assert!(port.described && port.fitted[1].part.id == "C1");
    }

    #[test]
    fn faults_are_named() {
        let wrong = |from: &str, to: &str| {
            read_fitted(&TEXT.replace(from, to), "filters/mains.toml", Library::built_in()).unwrap_err().to_string()
        };
        assert!(wrong("y2-3.3nf", "y2-3nf").contains("filters/mains.toml, fitted 1: no part `y2-3nf`"));
        assert!(wrong("100e-9", "-100e-9").contains("part `C1`: capacitance_f"));
        assert!(wrong("\"x2\"", "\"film\"").contains("part `C1`: class is film"));
        assert!(wrong("\"across_lines\"", "\"across\"").contains("fitted 2"));
        assert!(wrong("resistance_ohm = 0.33", "resistance_ohm = -1").contains("source `bulk capacitor`"));
    }
}
