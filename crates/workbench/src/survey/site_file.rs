//! A measured site attenuation from CSV.

use std::path::Path;

use emission::distance::Polarisation;
use emission::site::Measured;

use crate::WorkError;

/// What holds for rows that do not say it themselves.
#[derive(Debug, Clone, Copy, Default)]
struct Said {
    distance_m: Option<f64>,
    transmit_m: Option<f64>,
    polarisation: Option<Polarisation>,
}

fn polarisation(text: &str) -> Option<Polarisation> {
    match text.trim().to_ascii_lowercase().as_str() {
        "h" | "horizontal" => Some(Polarisation::Horizontal),
        "v" | "vertical" => Some(Polarisation::Vertical),
        _ => None,
    }
}

/// Reads columns `frequency_hz` (or `frequency_mhz`), `attenuation_db`, and where the arguments do not say them
/// `distance_m`, `transmit_height_m`, `polarisation` (`horizontal` or `vertical`). A transmit height that is not said is 1 m.
///
/// # Errors
/// A column that is missing, a cell that cannot be read: with file, line and field.
pub fn read_site(
    path: &Path,
    distance_m: Option<f64>,
    transmit_m: Option<f64>,
    said_polarisation: Option<Polarisation>,
) -> Result<Vec<Measured>, WorkError> {
    let text = std::fs::read_to_string(path).map_err(|e| WorkError::io(path, "read the file", &e))?;
    let said = Said { distance_m, transmit_m, polarisation: said_polarisation };
    site_rows(&text, &path.display().to_string(), said)
}

fn site_rows(text: &str, file: &str, said: Said) -> Result<Vec<Measured>, WorkError> {
    let mut lines = text
        .trim_start_matches('\u{feff}')
        .lines()
        .enumerate()
        .map(|(i, l)| (i + 1, l.trim()))
        .filter(|(_, l)| !l.is_empty() && !l.starts_with('#'));
    let heading = lines.next().map(|(_, l)| l.to_ascii_lowercase()).unwrap_or_default();
    let names: Vec<&str> = heading.split([',', ';']).map(str::trim).collect();
    let column = |wanted: &[&str]| names.iter().position(|n| wanted.contains(n));
    let missing = |what: &str| {
        WorkError::input(format!("{file}, heading"), format!("no column `{what}`"), format!("a column {what}"))
    };
    let (frequency, scale) = match (column(&["frequency_hz"]), column(&["frequency_mhz"])) {
        (Some(c), _) => (c, 1.0),
        (None, Some(c)) => (c, 1e6),
        _ => return Err(missing("frequency_hz")),
    };
    let attenuation = column(&["attenuation_db", "nsa_db"]).ok_or_else(|| missing("attenuation_db"))?;
    let own_distance = column(&["distance_m"]);
    let own_height = column(&["transmit_height_m", "transmit_m"]);
    let own_polarisation = column(&["polarisation", "polarization"]);
    if own_distance.is_none() && said.distance_m.is_none() {
        return Err(missing("distance_m"));
    }
    if own_polarisation.is_none() && said.polarisation.is_none() {
        return Err(missing("polarisation"));
    }
    let mut out = Vec::new();
    for (line, text) in lines {
        let cells: Vec<&str> = text.split([',', ';']).map(str::trim).collect();
        let cell = |c: usize| cells.get(c).copied().unwrap_or_default();
        let number = |c: usize, name: &str| {
            cell(c).parse::<f64>().map_err(|_| {
                WorkError::input(format!("{file}:{line}: {name}"), format!("`{}`", cell(c)), "a number with a point")
            })
        };
        let own = match own_polarisation {
            Some(c) => Some(polarisation(cell(c)).ok_or_else(|| {
                WorkError::input(
                    format!("{file}:{line}: polarisation"),
                    format!("`{}`", cell(c)),
                    "horizontal or vertical",
                )
            })?),
            None => None,
        };
        out.push(Measured {
            frequency_hz: number(frequency, names[frequency])? * scale,
            attenuation_db: number(attenuation, names[attenuation])?,
            distance_m: match own_distance {
                Some(c) => number(c, "distance_m")?,
                None => said.distance_m.unwrap_or(f64::NAN),
            },
            transmit_m: match own_height {
                Some(c) => number(c, "transmit_height_m")?,
                None => said.transmit_m.unwrap_or(1.0),
            },
            polarisation: own.or(said.polarisation).unwrap_or(Polarisation::Horizontal),
        });
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_say_what_the_arguments_do_not() {
        let rows = site_rows(
            "frequency_mhz;nsa_db;polarisation\n# a remark\n30;15.9;h\n50;7.9;vertical\n",
            "site.csv",
            Said { distance_m: Some(3.0), ..Said::default() },
        )
        .unwrap();
        assert_eq!(rows.len(), 2);
        assert_eq!((rows[0].frequency_hz, rows[0].distance_m, rows[0].transmit_m), (30e6, 3.0, 1.0));
        assert_eq!(rows[1].polarisation, Polarisation::Vertical);
        let error = |text| {
            site_rows(text, "site.csv", Said { distance_m: Some(3.0), ..Said::default() }).unwrap_err().to_string()
        };
        assert!(error("frequency_hz,nsa_db\n1,2\n").contains("no column `polarisation`"));
        assert!(error("frequency_hz,nsa_db,polarisation\n30e6,x,h\n").starts_with("site.csv:2: nsa_db: `x`"));
        assert!(error("frequency_hz,nsa_db,polarisation\n30e6,2,q\n").contains("expected horizontal or vertical"));
    }
}
