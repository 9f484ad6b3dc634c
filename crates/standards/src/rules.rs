//! Which standard asks which test of which port, and when: the rule base of the test plan.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::limit::{Known, LimitError, Port};

const FILES: [(&str, &str); 2] =
    [("plan.toml", include_str!("../data/plan.toml")), ("immunity.toml", include_str!("../data/immunity.toml"))];

static EMBEDDED: LazyLock<RuleBase> = LazyLock::new(|| {
    let mut rules = RuleBase::default();
    for (place, text) in FILES {
        // The files are part of the program and a test parses every one of them.
        rules.add_toml(text, place).unwrap_or_else(|error| panic!("built-in rules: {error}"));
    }
    rules
});

/// What kind of product a standard speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Family {
    /// None of the others: the generic standards decide.
    Generic,
    /// Information technology, audio, video, broadcast.
    Multimedia,
    /// Alarm, intruder, fire, access and social-alarm systems.
    Alarm,
    /// Measurement, control and laboratory equipment.
    Measurement,
    /// Household appliances, electric tools and the like.
    Household,
    /// Lighting.
    Lighting,
    /// Automatic electrical controls.
    Control,
}

impl Family {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Generic,
        Self::Multimedia,
        Self::Alarm,
        Self::Measurement,
        Self::Household,
        Self::Lighting,
        Self::Control,
    ];

    /// Name in files and JSON.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Generic => "generic",
            Self::Multimedia => "multimedia",
            Self::Alarm => "alarm",
            Self::Measurement => "measurement",
            Self::Household => "household",
            Self::Lighting => "lighting",
            Self::Control => "control",
        }
    }
}

/// Surroundings in which a product is meant to work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Homes.
    Residential,
    /// Shops, offices and light industry.
    Commercial,
    /// Industry with its own transformer.
    Industrial,
    /// Laboratories with controlled surroundings (IEC 61326-1).
    Controlled,
}

impl Place {
    /// Name in files and JSON.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Residential => "residential",
            Self::Commercial => "commercial",
            Self::Industrial => "industrial",
            Self::Controlled => "controlled",
        }
    }
}

/// What a standard is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// What the product sends out at radio frequencies.
    Emission,
    /// What it does to the mains at low frequencies.
    MainsQuality,
    /// What it must bear.
    Immunity,
}

/// What is measured or applied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Phenomenon {
    /// Disturbance voltage or current on a cable.
    ConductedDisturbance,
    /// Disturbance power on a cable, by absorbing clamp.
    DisturbancePower,
    /// Disturbance field.
    RadiatedDisturbance,
    /// Harmonic current.
    HarmonicCurrent,
    /// Voltage changes and flicker.
    VoltageChangeFlicker,
    /// Radio-frequency field.
    RfField,
    /// Radio frequency on cables.
    ConductedRf,
    /// Power-frequency magnetic field.
    PowerFrequencyMagneticField,
    /// Dips of the supply voltage.
    VoltageDip,
    /// Short interruptions of the supply voltage.
    ShortInterruption,
    /// Slow variation of the supply voltage.
    SupplyVoltageVariation,
    /// Fast transient bursts.
    Burst,
    /// Electrostatic discharge.
    ElectrostaticDischarge,
    /// Surges.
    Surge,
    /// Ring waves.
    RingWave,
    /// Damped oscillatory waves.
    DampedWave,
    /// Magnetic near fields of transmitters held close.
    ProximityField,
}

impl Phenomenon {
    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::ConductedDisturbance => "conducted emission",
            Self::DisturbancePower => "disturbance power",
            Self::RadiatedDisturbance => "radiated emission",
            Self::HarmonicCurrent => "harmonic current",
            Self::VoltageChangeFlicker => "voltage change and flicker",
            Self::RfField => "radio-frequency field",
            Self::ConductedRf => "conducted radio frequency",
            Self::PowerFrequencyMagneticField => "power-frequency magnetic field",
            Self::VoltageDip => "voltage dip",
            Self::ShortInterruption => "short interruption",
            Self::SupplyVoltageVariation => "supply-voltage variation",
            Self::Burst => "fast transient burst",
            Self::ElectrostaticDischarge => "electrostatic discharge",
            Self::Surge => "surge",
            Self::RingWave => "ring wave",
            Self::DampedWave => "damped oscillatory wave",
            Self::ProximityField => "proximity magnetic field",
        }
    }

    /// Whether it may break the sample (common practice: surge, burst and static discharge come last).
    pub const fn may_destroy(self) -> bool {
        matches!(self, Self::Surge | Self::Burst | Self::ElectrostaticDischarge | Self::RingWave | Self::DampedWave)
    }
}

/// One thing that must be so for a row to apply.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// The port's cable may be longer than this, m.
    CableLongerThanM(f64),
    /// The port's cable is longer than 30 m or leaves the building.
    LongDistance(bool),
    /// The port's cable runs outdoors.
    Outdoors(bool),
    /// The port's cable is screened.
    Screened(bool),
    /// The DC port hangs on a distribution network, not on its own supply.
    DcNetwork(bool),
    /// The DC port is fed by an AC/DC adaptor of its own.
    DcAdaptor(bool),
    /// The product is fed from the AC mains.
    MainsFed(bool),
    /// Rated current of a phase is at most this, A.
    CurrentUpToA(f64),
    /// Rated current of a phase is above this, A.
    CurrentAboveA(f64),
    /// Something inside feels magnetic fields (Hall sensors, microphones, magnetic sensors).
    MagneticParts(bool),
    /// There is an electronic circuit inside.
    Electronics(bool),
    /// The highest frequency generated or used inside is above this, Hz.
    InternalAboveHz(f64),
    /// The highest clock is above this, Hz.
    ClockAboveHz(f64),
    /// The highest clock is at most this, Hz.
    ClockUpToHz(f64),
}

/// One figure of a test level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LevelFigure {
    /// What it is, e.g. `contact_voltage`.
    pub quantity: String,
    /// How much.
    pub value: f64,
    /// Of what, e.g. `kV`.
    pub unit: String,
}

/// A standard and the products it speaks of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standard {
    /// Short name by which rows refer to it.
    pub id: String,
    /// Number with edition, for people.
    pub number: String,
    /// What it is about.
    pub title: String,
    /// Emission, mains quality or immunity.
    pub side: Side,
    /// Families of products; empty: all.
    #[serde(default)]
    pub families: Vec<Family>,
    /// Surroundings; empty: all.
    #[serde(default)]
    pub environments: Vec<Place>,
    /// Markets where it is asked; empty: all.
    #[serde(default)]
    pub markets: Vec<String>,
    /// Where the scope is known from.
    pub source: String,
    /// How it is known.
    pub known: Known,
}

/// How sure the writer of a row is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Confidence {
    /// Sure.
    High,
    /// Fairly sure.
    Medium,
    /// A question rather than an answer.
    Low,
}

/// One test that one standard asks of one kind of port.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RuleRow {
    /// Unique name: standard, port and test.
    pub id: String,
    /// Id of the [`Standard`].
    pub standard: String,
    /// The kind of port.
    pub port: Port,
    /// What is measured or applied.
    pub phenomenon: Phenomenon,
    /// The standard that says how.
    pub method: String,
    /// Test level, for immunity.
    #[serde(default)]
    pub level: Vec<LevelFigure>,
    /// Ids of limits (see [`crate::LimitLibrary`]), for emission.
    #[serde(default)]
    pub limits: Vec<String>,
    /// Ranges from and to, Hz.
    #[serde(default)]
    pub frequency_hz: Vec<[f64; 2]>,
    /// Modulation or wave.
    #[serde(default)]
    pub signal: String,
    /// Surge on the mains: positive pulses at the first phase angle and negative at the second, degrees, where the
    /// standard asks for these two only; empty: both polarities at 0, 90, 180 and 270.
    #[serde(default)]
    pub phase_deg: Vec<f64>,
    /// Immunity: the lower levels of the ladder are applied as well.
    #[serde(default)]
    pub lower_levels: bool,
    /// Performance criterion, for immunity.
    #[serde(default)]
    pub criterion: Option<String>,
    /// Groups that must all hold; of each group one suffices.
    #[serde(default)]
    pub when: Vec<Vec<Condition>>,
    /// What else there is to know.
    #[serde(default)]
    pub note: String,
    /// Clause or table.
    pub clause: String,
    /// How the row is known.
    pub known: Known,
    /// How sure.
    pub confidence: Confidence,
}

/// Standards and their rows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RuleBase {
    standards: Vec<Standard>,
    rows: Vec<RuleRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RuleFile {
    #[serde(default)]
    standard: Vec<Standard>,
    #[serde(default)]
    row: Vec<RuleRow>,
}

impl RuleBase {
    /// What is built into the program.
    pub fn embedded() -> &'static Self {
        &EMBEDDED
    }

    /// The standards, in the order of their files.
    pub fn standards(&self) -> &[Standard] {
        &self.standards
    }

    /// The rows, in the order of their files.
    pub fn rows(&self) -> &[RuleRow] {
        &self.rows
    }

    /// The standard of this id.
    pub fn standard(&self, id: &str) -> Option<&Standard> {
        self.standards.iter().find(|s| s.id == id)
    }

    /// Adds the `[[standard]]` and `[[row]]` tables of a file in the shape of the built-in ones: all of them or none.
    ///
    /// # Errors
    /// Names `place` (a file name) with the line, the row and the field, and what was expected.
    pub fn add_toml(&mut self, text: &str, place: &str) -> Result<(), LimitError> {
        let refuse =
            |what: String, expected: &str| LimitError { place: place.to_owned(), what, expected: expected.to_owned() };
        let file: RuleFile = toml::from_str(text).map_err(|error| {
            refuse(error.to_string().trim_end().to_owned(), "a TOML file of [[standard]] and [[row]] tables")
        })?;
        let mut whole = self.clone();
        for standard in file.standard {
            if whole.standard(&standard.id).is_some() {
                return Err(refuse(format!("standard `{}` is there already", standard.id), "an id that no other has"));
            }
            whole.standards.push(standard);
        }
        for row in file.row {
            if whole.standard(&row.standard).is_none() {
                return Err(refuse(
                    format!("row `{}`: standard `{}` is not known", row.id, row.standard),
                    "the id of a [[standard]] of this or of a built-in file",
                ));
            }
            if whole.rows.iter().any(|r| r.id == row.id) {
                return Err(refuse(format!("row `{}` is there already", row.id), "an id that no other has"));
            }
            let number = |x: f64| x.is_finite() && x >= 0.0;
            if row.frequency_hz.iter().any(|[a, b]| !number(*a) || !number(*b) || a > b) {
                return Err(refuse(format!("row `{}`: frequency_hz", row.id), "pairs of from and to, Hz, ascending"));
            }
            if row.level.iter().any(|l| !number(l.value)) {
                return Err(refuse(format!("row `{}`: level", row.id), "values of 0 or above"));
            }
            if let Some(empty) = row.when.iter().position(Vec::is_empty) {
                return Err(refuse(
                    format!("row `{}`: when, group {}: empty", row.id, empty + 1),
                    "one condition or more",
                ));
            }
            whole.rows.push(row);
        }
        *self = whole;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::LimitLibrary;

    #[test]
    fn every_row_can_be_looked_up_and_followed() {
        let rules = RuleBase::embedded();
        assert!(rules.rows().len() > 150, "{}", rules.rows().len());
        for row in rules.rows() {
            for limit in &row.limits {
                let limit =
                    LimitLibrary::embedded().get(limit).unwrap_or_else(|| panic!("{}: no limit {limit}", row.id));
                // A clamp on the mains cable stands with the mains port.
                assert!(limit.port == row.port || limit.port == Port::Cable, "{}", row.id);
            }
            let immunity = rules.standard(&row.standard).unwrap().side == Side::Immunity;
            assert_eq!(immunity, !row.level.is_empty(), "{}", row.id);
            assert_eq!(immunity, row.criterion.is_some(), "{}", row.id);
        }
        for standard in rules.standards() {
            assert!(rules.rows().iter().any(|r| r.standard == standard.id), "{} has no rows", standard.id);
        }
    }

    /// Values that several public test reports and catalogues print alike (generic standards; common practice).
    #[test]
    fn the_generic_levels_are_the_known_ones() {
        let value = |id: &str, quantity: &str| {
            let row = RuleBase::embedded().rows().iter().find(|r| r.id == id).unwrap_or_else(|| panic!("{id}"));
            row.level.iter().find(|l| l.quantity == quantity).unwrap_or_else(|| panic!("{id}: {quantity}")).value
        };
        assert_eq!(value("iec61000-6-1/enclosure/rf-field-80-1000MHz", "field_strength"), 3.0);
        assert_eq!(value("iec61000-6-2/enclosure/rf-field-80-1000MHz", "field_strength"), 10.0);
        assert_eq!(value("iec61000-6-1/ac_mains/surge", "line_to_earth_open_circuit_voltage"), 2.0);
        assert_eq!(value("iec61000-6-1/ac_mains/eft", "peak_open_circuit_voltage"), 1.0);
        assert_eq!(value("iec61000-6-2/ac_mains/eft", "peak_open_circuit_voltage"), 2.0);
        assert_eq!(value("iec61000-6-1/enclosure/esd", "contact_voltage"), 4.0);
        assert_eq!(value("en50130-4/enclosure/esd", "contact_voltage"), 6.0);
    }

    #[test]
    fn a_bad_file_names_row_and_field_and_adds_nothing() {
        let mut rules = RuleBase::default();
        let standard = "[[standard]]\nid = \"x\"\nnumber = \"X 1\"\ntitle = \"t\"\nside = \"immunity\"\nsource = \"ours\"\nknown = \"user\"\n";
        let row = "[[row]]\nid = \"x/e/1\"\nstandard = \"x\"\nport = \"enclosure\"\nphenomenon = \"surge\"\nmethod = \"m\"\nclause = \"1\"\nknown = \"user\"\nconfidence = \"high\"\n";
        for (text, word) in [
            (format!("{standard}{}", row.replace("\"x\"", "\"y\"")), "standard `y`"),
            (format!("{standard}{row}frequency_hz = [[5.0, 1.0]]\n"), "frequency_hz"),
            (format!("{standard}{row}when = [[]]\n"), "group 1"),
            (format!("{standard}{row}colour = 1\n"), "colour"),
            (format!("{standard}{row}when = [[{{ taller_than = 1 }}]]\n"), "taller_than"),
            (format!("{standard}{standard}"), "there already"),
        ] {
            let error = rules.add_toml(&text, "mine.toml").unwrap_err().to_string();
            assert!(error.contains(word) && error.contains("mine.toml"), "{error}");
            assert_eq!(rules, RuleBase::default());
        }
        rules.add_toml(&format!("{standard}{row}"), "mine.toml").unwrap();
        assert_eq!(rules.rows().len(), 1);
    }
}
