//! Units as they are written in files: of the frequency axis and of levels, logarithmic and linear.

use std::fmt;
use std::str::FromStr;

use quantity::Unit;
use serde::{Deserialize, Serialize};

/// Unit of the frequency axis in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum FrequencyUnit {
    /// Hertz.
    #[serde(rename = "Hz")]
    Hz,
    /// Kilohertz.
    #[serde(rename = "kHz")]
    KHz,
    /// Megahertz.
    #[serde(rename = "MHz")]
    MHz,
    /// Gigahertz.
    #[serde(rename = "GHz")]
    GHz,
}

impl FrequencyUnit {
    /// All of them, smallest first.
    pub const ALL: [Self; 4] = [Self::Hz, Self::KHz, Self::MHz, Self::GHz];

    /// Hertz in one of it.
    pub const fn hertz(self) -> f64 {
        match self {
            Self::Hz => 1.0,
            Self::KHz => 1e3,
            Self::MHz => 1e6,
            Self::GHz => 1e9,
        }
    }

    /// As written in files and flags.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Hz => "Hz",
            Self::KHz => "kHz",
            Self::MHz => "MHz",
            Self::GHz => "GHz",
        }
    }
}

impl fmt::Display for FrequencyUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

impl FromStr for FrequencyUnit {
    type Err = String;
    /// Any letter case; brackets and spaces are passed over.
    fn from_str(text: &str) -> Result<Self, String> {
        match plain(text).as_str() {
            "hz" | "hertz" => Ok(Self::Hz),
            "khz" => Ok(Self::KHz),
            "mhz" => Ok(Self::MHz),
            "ghz" => Ok(Self::GHz),
            _ => Err(format!("`{text}` is no unit of frequency: expected Hz, kHz, MHz or GHz")),
        }
    }
}

/// Unit of a column of levels in a file. Each leads to one [`Unit`] of the project by a fixed rule: an offset for decibel
/// units, a logarithm for linear ones (r.m.s. values).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum LevelUnit {
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
    /// Decibels over one millivolt.
    #[serde(rename = "dBmV")]
    DbMv,
    /// Decibels over one volt.
    #[serde(rename = "dBV")]
    DbV,
    /// Decibels over one watt.
    #[serde(rename = "dBW")]
    DbW,
    /// Volts, r.m.s.
    #[serde(rename = "V")]
    Volt,
    /// Millivolts, r.m.s.
    #[serde(rename = "mV")]
    Millivolt,
    /// Microvolts, r.m.s.
    #[serde(rename = "uV")]
    Microvolt,
    /// Amperes, r.m.s.
    #[serde(rename = "A")]
    Ampere,
    /// Milliamperes, r.m.s.
    #[serde(rename = "mA")]
    Milliampere,
    /// Microamperes, r.m.s.
    #[serde(rename = "uA")]
    Microampere,
    /// Volts per metre, r.m.s.
    #[serde(rename = "V/m")]
    VoltPerMetre,
    /// Millivolts per metre, r.m.s.
    #[serde(rename = "mV/m")]
    MillivoltPerMetre,
    /// Microvolts per metre, r.m.s.
    #[serde(rename = "uV/m")]
    MicrovoltPerMetre,
    /// Microamperes per metre, r.m.s.
    #[serde(rename = "uA/m")]
    MicroamperePerMetre,
    /// Watts.
    #[serde(rename = "W")]
    Watt,
    /// Milliwatts.
    #[serde(rename = "mW")]
    Milliwatt,
    /// Microwatts.
    #[serde(rename = "uW")]
    Microwatt,
    /// Picowatts.
    #[serde(rename = "pW")]
    Picowatt,
}

/// How a number in the file becomes a level.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Rule {
    /// Already in decibels: add so many.
    Offset(f64),
    /// An amplitude: 20·log₁₀(value · factor).
    Amplitude(f64),
    /// A power: 10·log₁₀(value · factor).
    Power(f64),
}

impl LevelUnit {
    /// All of them, the usual ones first.
    pub const ALL: [Self; 23] = [
        Self::DbUv,
        Self::Dbm,
        Self::DbUvPerM,
        Self::DbUa,
        Self::DbUaPerM,
        Self::DbPw,
        Self::DbMv,
        Self::DbV,
        Self::DbW,
        Self::Volt,
        Self::Millivolt,
        Self::Microvolt,
        Self::Ampere,
        Self::Milliampere,
        Self::Microampere,
        Self::VoltPerMetre,
        Self::MillivoltPerMetre,
        Self::MicrovoltPerMetre,
        Self::MicroamperePerMetre,
        Self::Watt,
        Self::Milliwatt,
        Self::Microwatt,
        Self::Picowatt,
    ];

    /// Spelling in files and flags: ASCII, `u` for µ.
    pub const fn ascii(self) -> &'static str {
        match self {
            Self::DbUv => "dBuV",
            Self::DbUa => "dBuA",
            Self::DbUvPerM => "dBuV/m",
            Self::DbUaPerM => "dBuA/m",
            Self::DbPw => "dBpW",
            Self::Dbm => "dBm",
            Self::DbMv => "dBmV",
            Self::DbV => "dBV",
            Self::DbW => "dBW",
            Self::Volt => "V",
            Self::Millivolt => "mV",
            Self::Microvolt => "uV",
            Self::Ampere => "A",
            Self::Milliampere => "mA",
            Self::Microampere => "uA",
            Self::VoltPerMetre => "V/m",
            Self::MillivoltPerMetre => "mV/m",
            Self::MicrovoltPerMetre => "uV/m",
            Self::MicroamperePerMetre => "uA/m",
            Self::Watt => "W",
            Self::Milliwatt => "mW",
            Self::Microwatt => "uW",
            Self::Picowatt => "pW",
        }
    }

    /// The unit its levels are kept in.
    pub const fn kept_as(self) -> Unit {
        match self {
            Self::DbUv | Self::DbMv | Self::DbV | Self::Volt | Self::Millivolt | Self::Microvolt => Unit::DbUv,
            Self::DbUa | Self::Ampere | Self::Milliampere | Self::Microampere => Unit::DbUa,
            Self::DbUvPerM | Self::VoltPerMetre | Self::MillivoltPerMetre | Self::MicrovoltPerMetre => Unit::DbUvPerM,
            Self::DbUaPerM | Self::MicroamperePerMetre => Unit::DbUaPerM,
            Self::DbPw => Unit::DbPw,
            Self::Dbm | Self::DbW | Self::Watt | Self::Milliwatt | Self::Microwatt | Self::Picowatt => Unit::Dbm,
        }
    }

    const fn rule(self) -> Rule {
        match self {
            Self::DbUv | Self::DbUa | Self::DbUvPerM | Self::DbUaPerM | Self::DbPw | Self::Dbm => Rule::Offset(0.0),
            Self::DbMv => Rule::Offset(60.0),
            Self::DbV => Rule::Offset(120.0),
            Self::DbW => Rule::Offset(30.0),
            Self::Volt | Self::Ampere | Self::VoltPerMetre => Rule::Amplitude(1e6),
            Self::Millivolt | Self::Milliampere | Self::MillivoltPerMetre => Rule::Amplitude(1e3),
            Self::Microvolt | Self::Microampere | Self::MicrovoltPerMetre | Self::MicroamperePerMetre => {
                Rule::Amplitude(1.0)
            }
            Self::Watt => Rule::Power(1e3),
            Self::Milliwatt => Rule::Power(1.0),
            Self::Microwatt => Rule::Power(1e-3),
            Self::Picowatt => Rule::Power(1e-9),
        }
    }

    /// True for amplitudes and powers, which become decibels by a logarithm.
    pub const fn is_linear(self) -> bool {
        !matches!(self.rule(), Rule::Offset(_))
    }

    /// The level in [`Self::kept_as`] of a number in this unit. A linear zero gives −∞, a negative one NaN.
    pub fn level(self, value: f64) -> f64 {
        match self.rule() {
            Rule::Offset(db) => value + db,
            Rule::Amplitude(factor) => quantity::amplitude_to_db(value * factor),
            Rule::Power(factor) => quantity::power_to_db(value * factor),
        }
    }
}

impl From<Unit> for LevelUnit {
    fn from(unit: Unit) -> Self {
        match unit {
            Unit::DbUv => Self::DbUv,
            Unit::DbUa => Self::DbUa,
            Unit::DbUvPerM => Self::DbUvPerM,
            Unit::DbUaPerM => Self::DbUaPerM,
            Unit::DbPw => Self::DbPw,
            Unit::Dbm => Self::Dbm,
        }
    }
}

impl fmt::Display for LevelUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.ascii().replace('u', "µ"))
    }
}

impl FromStr for LevelUnit {
    type Err = String;
    /// Any letter case, µ in each of its code points or as `u`; brackets and spaces are passed over.
    fn from_str(text: &str) -> Result<Self, String> {
        let mut wanted = plain(text);
        if let Some(volts) = wanted.strip_suffix("rms") {
            wanted = volts.to_owned();
        }
        let found = match wanted.as_str() {
            "dbmw" => Some(Self::Dbm),
            "volt" | "volts" => Some(Self::Volt),
            "watt" | "watts" => Some(Self::Watt),
            w => Self::ALL.into_iter().find(|u| u.ascii().to_ascii_lowercase() == w),
        };
        found.ok_or_else(|| {
            let known: Vec<&str> = Self::ALL.iter().map(|u| u.ascii()).collect();
            format!("`{text}` is no unit of level: expected one of {}", known.join(", "))
        })
    }
}

/// Lower case, every µ as `u`, brackets around the whole taken off. Behind `dB` blanks and brackets mean nothing
/// (`dB (µV/m)`); elsewhere they part words (`U (V)` is no microvolt), but for blanks around a stroke.
fn plain(text: &str) -> String {
    let text: String = text
        .trim()
        .trim_start_matches('\u{feff}')
        .chars()
        .map(|c| if matches!(c, 'µ' | 'μ') { 'u' } else { c.to_ascii_lowercase() })
        .collect();
    let mut inner = text.as_str();
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}')] {
        if let Some(i) = inner.strip_prefix(open).and_then(|i| i.strip_suffix(close)) {
            inner = i.trim();
        }
    }
    if inner.starts_with("db") {
        inner.chars().filter(|c| !c.is_whitespace() && !matches!(c, '(' | ')' | '[' | ']' | '{' | '}')).collect()
    } else {
        inner.split('/').map(str::trim).collect::<Vec<_>>().join("/")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_of_units() {
        for (text, unit) in [
            ("dB(µV/m)", LevelUnit::DbUvPerM),
            ("[dB (μV)]", LevelUnit::DbUv),
            ("DBUV", LevelUnit::DbUv),
            ("dBmW", LevelUnit::Dbm),
            ("V / m", LevelUnit::VoltPerMetre),
            ("(mV)", LevelUnit::Millivolt),
            ("Vrms", LevelUnit::Volt),
        ] {
            assert_eq!(text.parse(), Ok(unit), "{text}");
        }
        for text in ["U (V)", "m V", "Vpp", "dB", "dBc", ""] {
            assert!(text.parse::<LevelUnit>().is_err(), "{text}");
        }
        for unit in LevelUnit::ALL {
            assert_eq!(unit.ascii().parse(), Ok(unit));
            assert_eq!(unit.to_string().parse(), Ok(unit));
            assert_eq!(serde_json::to_string(&unit).unwrap(), format!("\"{}\"", unit.ascii()));
        }
    }

    /// Definitions of the decibel: 1 V is 120 dBµV, 1 W is 30 dBm.
    #[test]
    fn linear_units_become_decibels() {
        for (unit, value, level) in [
            (LevelUnit::Volt, 1.0, 120.0),
            (LevelUnit::Millivolt, 1.0, 60.0),
            (LevelUnit::MicrovoltPerMetre, 10.0, 20.0),
            (LevelUnit::Milliampere, 1.0, 60.0),
            (LevelUnit::Watt, 1.0, 30.0),
            (LevelUnit::Picowatt, 1.0, -90.0),
            (LevelUnit::DbV, -20.0, 100.0),
            (LevelUnit::DbMv, 0.0, 60.0),
            (LevelUnit::DbW, 0.0, 30.0),
        ] {
            assert!((unit.level(value) - level).abs() < 1e-9, "{unit}");
        }
    }
}
