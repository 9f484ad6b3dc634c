use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// The unit of a level where it is data: a column of a file, a limit line, a chain's output.
///
/// Power levels (`Dbm`) become voltages only with an impedance, so [`Unit::offset_to`] asks for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Unit {
    /// Decibels over one microvolt.
    #[serde(rename = "dBuV")]
    DbUv,
    /// Decibels over one microampere.
    #[serde(rename = "dBuA")]
    DbUa,
    /// Decibels over one microvolt per metre.
    #[serde(rename = "dBuV/m")]
    DbUvPerM,
    /// Decibels over one microampere per metre.
    #[serde(rename = "dBuA/m")]
    DbUaPerM,
    /// Decibels over one picowatt.
    #[serde(rename = "dBpW")]
    DbPw,
    /// Decibels over one milliwatt.
    #[serde(rename = "dBm")]
    Dbm,
}

/// Two units that cannot be compared without a further factor.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MixError {
    /// No constant offset leads from one unit to the other.
    #[error("{from} cannot become {to}: {missing}")]
    Missing {
        /// The unit at hand.
        from: Unit,
        /// The unit asked for.
        to: Unit,
        /// The factor that would be needed, in words.
        missing: &'static str,
    },
    /// The text names no unit this project knows.
    #[error("`{0}` is not a unit of level; known are dBuV, dBuA, dBuV/m, dBuA/m, dBpW, dBm")]
    Unknown(String),
}

impl Unit {
    /// All units, in the order they are listed to people.
    pub const ALL: [Self; 6] = [Self::DbUv, Self::DbUa, Self::DbUvPerM, Self::DbUaPerM, Self::DbPw, Self::Dbm];

    /// Spelling in files and JSON: ASCII, `u` for µ.
    pub const fn ascii(self) -> &'static str {
        match self {
            Self::DbUv => "dBuV",
            Self::DbUa => "dBuA",
            Self::DbUvPerM => "dBuV/m",
            Self::DbUaPerM => "dBuA/m",
            Self::DbPw => "dBpW",
            Self::Dbm => "dBm",
        }
    }

    /// Spelling for people.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::DbUv => "dBµV",
            Self::DbUa => "dBµA",
            Self::DbUvPerM => "dBµV/m",
            Self::DbUaPerM => "dBµA/m",
            Self::DbPw => "dBpW",
            Self::Dbm => "dBm",
        }
    }

    /// Suffix of a field name that holds such a level: `dbuv`, `dbuv_per_m`, …
    pub const fn field_suffix(self) -> &'static str {
        match self {
            Self::DbUv => "dbuv",
            Self::DbUa => "dbua",
            Self::DbUvPerM => "dbuv_per_m",
            Self::DbUaPerM => "dbua_per_m",
            Self::DbPw => "dbpw",
            Self::Dbm => "dbm",
        }
    }

    /// Decibels to add to a number in `self` to get the number in `to`, given the impedance (Ω) in which voltage,
    /// current and power belong together, if it is known. Field units need an antenna factor or a probe, so no
    /// constant leads to or from them.
    pub fn offset_to(self, to: Self, impedance_ohm: Option<f64>) -> Result<f64, MixError> {
        use Unit::{DbPw, DbUa, DbUv, DbUvPerM, Dbm};
        if self == to {
            return Ok(0.0);
        }
        let missing = |missing| Err(MixError::Missing { from: self, to, missing });
        let need = "the impedance is not known";
        let ten_log_r = impedance_ohm.map(|r| 10.0 * r.log10());
        match (self, to) {
            (Dbm, DbPw) => Ok(90.0),
            (DbPw, Dbm) => Ok(-90.0),
            (Dbm, DbUv) => ten_log_r.map_or_else(|| missing(need), |z| Ok(90.0 + z)),
            (DbUv, Dbm) => ten_log_r.map_or_else(|| missing(need), |z| Ok(-90.0 - z)),
            (DbPw, DbUv) => ten_log_r.map_or_else(|| missing(need), Ok),
            (DbUv, DbPw) => ten_log_r.map_or_else(|| missing(need), |z| Ok(-z)),
            (DbUv, DbUa) => ten_log_r.map_or_else(|| missing(need), |z| Ok(-2.0 * z)),
            (DbUa, DbUv) => ten_log_r.map_or_else(|| missing(need), |z| Ok(2.0 * z)),
            (Dbm, DbUa) => ten_log_r.map_or_else(|| missing(need), |z| Ok(90.0 - z)),
            (DbUa, Dbm) => ten_log_r.map_or_else(|| missing(need), |z| Ok(z - 90.0)),
            (DbPw, DbUa) => ten_log_r.map_or_else(|| missing(need), |z| Ok(-z)),
            (DbUa, DbPw) => ten_log_r.map_or_else(|| missing(need), Ok),
            (_, DbUvPerM) | (DbUvPerM, _) => missing("an antenna factor (dB/m) is needed between voltage and field"),
            (_, Self::DbUaPerM) | (Self::DbUaPerM, _) => {
                missing("the factor of a loop antenna or probe (dB) is needed between voltage and magnetic field")
            }
            (DbUv | DbUa | DbPw | Dbm, _) => unreachable!("equal units were handled first"),
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

impl FromStr for Unit {
    type Err = MixError;
    /// Reads `dBuV`, `dBµV` (both code points of µ), `dB(µV)`, `dBuV/m`, … in any letter case and with spaces.
    fn from_str(text: &str) -> Result<Self, MixError> {
        let plain: String = text
            .chars()
            .filter(|c| !c.is_whitespace() && !matches!(c, '(' | ')' | '[' | ']'))
            .map(|c| if matches!(c, 'µ' | 'μ') { 'u' } else { c.to_ascii_lowercase() })
            .collect();
        match plain.as_str() {
            "dbuv" => Ok(Self::DbUv),
            "dbua" => Ok(Self::DbUa),
            "dbuv/m" => Ok(Self::DbUvPerM),
            "dbua/m" => Ok(Self::DbUaPerM),
            "dbpw" => Ok(Self::DbPw),
            "dbm" | "dbmw" => Ok(Self::Dbm),
            _ => Err(MixError::Unknown(text.to_owned())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_round_trip() {
        for unit in Unit::ALL {
            assert_eq!(unit.ascii().parse::<Unit>().unwrap(), unit);
            assert_eq!(unit.symbol().parse::<Unit>().unwrap(), unit);
            assert_eq!(serde_json::to_string(&unit).unwrap(), format!("\"{}\"", unit.ascii()));
        }
        assert_eq!("dB(μV/m)".parse::<Unit>().unwrap(), Unit::DbUvPerM);
        assert!("dBV".parse::<Unit>().is_err());
    }

    #[test]
    fn every_way_and_back_is_nothing() {
        for a in Unit::ALL {
            for b in Unit::ALL {
                if let Ok(there) = a.offset_to(b, Some(50.0)) {
                    let back = b.offset_to(a, Some(50.0)).unwrap();
                    assert!((there + back).abs() < 1e-12, "{a} to {b}");
                }
            }
        }
    }

    /// P = V²/R: 1 µV in 50 Ω is 0.02 pW = −16.99 dBpW; I = V/R: −33.98 dBµA.
    #[test]
    fn one_microvolt_in_fifty_ohms() {
        assert!((Unit::DbUv.offset_to(Unit::DbPw, Some(50.0)).unwrap() - 10.0 * 0.02f64.log10()).abs() < 1e-12);
        assert!((Unit::DbUv.offset_to(Unit::DbUa, Some(50.0)).unwrap() - 20.0 * 0.02f64.log10()).abs() < 1e-12);
    }

    #[test]
    fn a_field_needs_its_factor() {
        let said = Unit::DbUv.offset_to(Unit::DbUvPerM, Some(50.0)).unwrap_err().to_string();
        assert!(said.contains("antenna factor"), "{said}");
        assert!(Unit::Dbm.offset_to(Unit::DbUv, None).is_err());
    }
}
