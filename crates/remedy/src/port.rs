//! A mains port as a circuit: what makes the disturbance, what filter is fitted, and the artificial network.
//!
//! Two modes, each a ladder from the product's inside to the network. Common mode: both conductors together against
//! earth, load Z_n/2. Differential mode: conductor against conductor, load 2·Z_n. A line conductor then shows
//! U = U_cm + U_dm/2 and the neutral U_cm − U_dm/2.

use std::f64::consts::TAU;

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::RemedyError;
use crate::ladder::Chain;
use crate::networks::NetworkKind;
use crate::parts::{Model, Part, capacitor_ohm};

/// Which way the disturbance goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Mode {
    /// All conductors together against earth (asymmetrical).
    Common,
    /// Conductor against conductor (symmetrical).
    Differential,
}

impl Mode {
    /// Both.
    pub const BOTH: [Self; 2] = [Self::Common, Self::Differential];

    /// For people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Common => "common mode",
            Self::Differential => "differential mode",
        }
    }
}

/// How a part stands in the port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Between line and neutral.
    AcrossLines,
    /// Two alike, one from each conductor to earth.
    EachLineToEarth,
    /// Two alike, one in each conductor.
    InEachLine,
    /// One, in the line conductor only.
    InOneLine,
    /// Around or in both conductors: common-mode choke, sleeve on the cable, whole filter.
    BothLines,
}

impl Place {
    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            Self::AcrossLines => "between line and neutral",
            Self::EachLineToEarth => "from each conductor to earth",
            Self::InEachLine => "in each conductor",
            Self::InOneLine => "in the line conductor",
            Self::BothLines => "in both conductors",
        }
    }

    /// Parts of this kind needed.
    pub const fn pieces(self) -> u32 {
        match self {
            Self::EachLineToEarth | Self::InEachLine => 2,
            _ => 1,
        }
    }
}

/// A part in its place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stage {
    /// Where it stands.
    pub place: Place,
    /// The part.
    pub part: Part,
}

impl Stage {
    /// Whether such a part can stand in such a place; the error names the part.
    pub fn check(&self) -> Result<(), RemedyError> {
        self.part.check()?;
        let fits = match (&self.part.model, self.place) {
            (Model::CommonModeChoke(_) | Model::InletFilter(_), p) => p == Place::BothLines,
            (Model::Ferrite(_), p) => matches!(p, Place::BothLines | Place::InEachLine | Place::InOneLine),
            (Model::Inductor(_), p) => matches!(p, Place::InEachLine | Place::InOneLine),
            (Model::Capacitor(_), p) => matches!(p, Place::AcrossLines | Place::EachLineToEarth),
            (Model::Varistor(_) | Model::AvalancheClamp(_) | Model::GasTube(_), p) => {
                matches!(p, Place::AcrossLines | Place::EachLineToEarth)
            }
            (Model::Resistor(_) | Model::Measured(_), _) => true,
        };
        if !fits {
            return Err(RemedyError::part(
                &self.part.id,
                "place",
                self.place.words(),
                "a place where such a part can stand",
            ));
        }
        if let (Model::Capacitor(c), Place::EachLineToEarth) = (&self.part.model, self.place)
            && c.class.approval().is_none_or(|a| !a.to_earth)
        {
            return Err(RemedyError::part(
                &self.part.id,
                "class",
                c.class.name(),
                "Y1 or Y2 between a mains conductor and earth: a capacitor there that fails short puts mains on the housing",
            ));
        }
        if let (Model::Capacitor(c), Place::AcrossLines) = (&self.part.model, self.place)
            && c.class.approval().is_none()
        {
            return Err(RemedyError::part(
                &self.part.id,
                "class",
                c.class.name(),
                "X1 or X2 (or Y) between mains conductors: others may burn when they fail",
            ));
        }
        Ok(())
    }

    /// This stage in the ladder of a mode: an impedance in the path, an admittance across it, or a chain of its own.
    pub(crate) fn element(&self, mode: Mode, frequency_hz: f64, bias_a: f64) -> Element {
        let common = mode == Mode::Common;
        let z = || self.part.impedance_ohm(frequency_hz);
        match (&self.part.model, self.place) {
            (Model::InletFilter(f), _) => {
                let x = |c: &crate::parts::Capacitor| c.impedance_ohm(frequency_hz);
                let mut chain = Chain::THROUGH;
                if common {
                    if let Some(y) = &f.y {
                        chain = chain.then_shunt(2.0 / x(y));
                    }
                    chain = chain.then_series(f.choke.common_ohm(frequency_hz));
                } else {
                    if let Some(y) = &f.y {
                        chain = chain.then_shunt(0.5 / x(y));
                    }
                    if let Some(c) = &f.x_product {
                        chain = chain.then_shunt(x(c).inv());
                    }
                    chain = chain.then_series(f.choke.differential_ohm(frequency_hz)).then_shunt(x(&f.x_mains).inv());
                }
                Element::Whole(chain)
            }
            (Model::CommonModeChoke(c), _) => {
                Element::Series(if common { c.common_ohm(frequency_hz) } else { c.differential_ohm(frequency_hz) })
            }
            // Go and return pass through: no bias, and nothing for the differential mode.
            (Model::Ferrite(f), Place::BothLines) => {
                if common {
                    Element::Series(f.impedance_ohm(frequency_hz, 0.0))
                } else {
                    Element::Nothing
                }
            }
            (Model::Ferrite(f), Place::InEachLine) => {
                let z = f.impedance_ohm(frequency_hz, bias_a);
                Element::Series(if common { z / 2.0 } else { 2.0 * z })
            }
            (Model::Ferrite(f), _) => {
                if common {
                    Element::Nothing
                } else {
                    Element::Series(f.impedance_ohm(frequency_hz, bias_a))
                }
            }
            (_, Place::AcrossLines) => {
                if common {
                    Element::Nothing
                } else {
                    Element::Shunt(z().inv())
                }
            }
            (_, Place::EachLineToEarth) => {
                let y = z().inv();
                Element::Shunt(if common { 2.0 * y } else { 0.5 * y })
            }
            (_, Place::InEachLine) => {
                let z = z();
                Element::Series(if common { z / 2.0 } else { 2.0 * z })
            }
            // The common mode finds the other conductor free.
            (_, Place::InOneLine) => {
                if common {
                    Element::Nothing
                } else {
                    Element::Series(z())
                }
            }
            (_, Place::BothLines) => {
                if common {
                    Element::Series(z())
                } else {
                    Element::Nothing
                }
            }
        }
    }
}

/// A stage in a mode's ladder at one frequency.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Element {
    Nothing,
    Series(Complex64),
    Shunt(Complex64),
    Whole(Chain),
}

impl Element {
    pub(crate) fn after(self, chain: Chain) -> Chain {
        match self {
            Self::Nothing => chain,
            Self::Series(z) => chain.then_series(z),
            Self::Shunt(y) => chain.then_shunt(y),
            Self::Whole(c) => chain.then(c),
        }
    }
}

/// Impedance of a source of disturbance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceModel {
    /// For people.
    pub name: String,
    /// Resistance in series, Ω.
    #[serde(default)]
    pub resistance_ohm: f64,
    /// Inductance in series, H.
    #[serde(default)]
    pub inductance_h: f64,
    /// Capacitance in series, F; none: no capacitor in the way.
    #[serde(default)]
    pub capacitance_f: Option<f64>,
    /// Capacitance across the source, F.
    #[serde(default)]
    pub parallel_f: f64,
}

impl SourceModel {
    fn new(name: &str, resistance_ohm: f64, inductance_h: f64, capacitance_f: Option<f64>, parallel_f: f64) -> Self {
        Self { name: name.to_owned(), resistance_ohm, inductance_h, capacitance_f, parallel_f }
    }

    /// Impedance, Ω.
    pub fn impedance_ohm(&self, frequency_hz: f64) -> Complex64 {
        let w = TAU * frequency_hz;
        let series = match self.capacitance_f {
            Some(c) => capacitor_ohm(frequency_hz, c, self.resistance_ohm, self.inductance_h),
            None => Complex64::new(self.resistance_ohm, w * self.inductance_h),
        };
        (series.inv() + Complex64::new(0.0, w * self.parallel_f)).inv()
    }

    fn check(&self, place: &str) -> Result<(), RemedyError> {
        let list = [
            ("resistance_ohm", self.resistance_ohm),
            ("inductance_h", self.inductance_h),
            ("capacitance_f", self.capacitance_f.unwrap_or(1.0)),
            ("parallel_f", self.parallel_f),
        ];
        for (field, value) in list {
            if !(value.is_finite() && value >= 0.0) || (field == "capacitance_f" && value == 0.0) {
                return Err(RemedyError::file(
                    format!("{place}, source `{}`", self.name),
                    format!("{field} {value}"),
                    "a number above zero (or left out)",
                ));
            }
        }
        if self.capacitance_f.is_none() && self.resistance_ohm == 0.0 && self.inductance_h == 0.0 {
            return Err(RemedyError::file(
                format!("{place}, source `{}`", self.name),
                "no resistance, inductance or capacitance",
                "at least one",
            ));
        }
        Ok(())
    }
}

/// Source impedances to reckon with where nobody knows better, by mode. Common practice; the ranges are from memory:
/// a rectifier that conducts shows the bulk capacitor's resistance and inductance, one that does not its diodes'
/// capacitance, a converter's input current is a current source, and the common mode comes through a stray capacitance.
pub fn usual_sources(mode: Mode) -> Vec<SourceModel> {
    match mode {
        Mode::Differential => vec![
            SourceModel::new("bulk capacitor, low resistance", 0.05, 30e-9, None, 0.0),
            SourceModel::new("bulk capacitor, high resistance", 1.0, 150e-9, None, 0.0),
            SourceModel::new("rectifier not conducting, 50 pF", 10.0, 100e-9, Some(50e-12), 0.0),
            SourceModel::new("rectifier not conducting, 200 pF", 10.0, 100e-9, Some(200e-12), 0.0),
            SourceModel::new("current source, 1 kΩ beside 100 pF", 1e3, 0.0, None, 100e-12),
        ],
        Mode::Common => vec![
            SourceModel::new("stray capacitance 10 pF", 1.0, 0.0, Some(10e-12), 0.0),
            SourceModel::new("stray capacitance 100 pF", 1.0, 0.0, Some(100e-12), 0.0),
            SourceModel::new("stray capacitance 1 nF", 1.0, 0.0, Some(1e-9), 0.0),
        ],
    }
}

/// What stands at a mains port: the sources with the filter that is fitted, and the network it is measured in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PortModel {
    /// For people.
    pub name: String,
    /// The fitted filter from the product's inside to its terminals.
    pub fitted: Vec<Stage>,
    /// True where the fitted filter was described; false: nothing is known of it.
    pub described: bool,
    /// Differential sources to reckon with; all are tried, the worst is reported.
    pub differential: Vec<SourceModel>,
    /// Common-mode sources to reckon with.
    pub common: Vec<SourceModel>,
    /// The artificial network.
    pub network: NetworkKind,
    /// Mains current, A r.m.s., where known (saturation, voltage drop, losses).
    pub current_a: Option<f64>,
    /// Crest factor of the mains current: peak over r.m.s.
    pub crest_factor: f64,
}

/// Peak over r.m.s. of the current of a capacitor-input rectifier where nobody says better (3 to 4 usual, from memory).
pub const USUAL_CREST_FACTOR: f64 = 3.5;

impl PortModel {
    /// A port of which nothing is known but where it is measured. The product's own filter can show anything from a
    /// capacitor to an inductor at the terminals, so both are among the sources.
    pub fn unknown(network: NetworkKind) -> Self {
        let mut differential = usual_sources(Mode::Differential);
        differential.push(SourceModel::new("fitted X capacitor, 100 nF", 0.05, 16e-9, Some(100e-9), 0.0));
        differential.push(SourceModel::new("fitted X capacitor, 1 µF", 0.05, 20e-9, Some(1e-6), 0.0));
        differential.push(SourceModel::new("fitted choke, 50 µH", 1.0, 50e-6, None, 15e-12));
        let mut common = usual_sources(Mode::Common);
        common.push(SourceModel::new("fitted Y capacitors, 4.4 nF", 0.1, 8e-9, Some(4.4e-9), 0.0));
        common.push(SourceModel::new("fitted choke, 2 mH", 5.0, 2e-3, None, 15e-12));
        Self {
            name: "nothing known of the filter inside".to_owned(),
            fitted: Vec::new(),
            described: false,
            differential,
            common,
            network,
            current_a: None,
            crest_factor: USUAL_CREST_FACTOR,
        }
    }

    /// The sources of a mode.
    pub fn sources(&self, mode: Mode) -> &[SourceModel] {
        match mode {
            Mode::Common => &self.common,
            Mode::Differential => &self.differential,
        }
    }

    /// Impedance the network shows to a mode, Ω.
    pub fn load_ohm(&self, mode: Mode, frequency_hz: f64) -> Complex64 {
        let z = self.network.nominal_ohm(frequency_hz);
        match mode {
            Mode::Common => z / 2.0,
            Mode::Differential => 2.0 * z,
        }
    }

    /// The biasing current of parts in one conductor: the crest of the mains current, A.
    pub fn peak_a(&self) -> f64 {
        self.current_a.map_or(0.0, |i| i * self.crest_factor)
    }

    /// Checks every part and source.
    pub fn check(&self) -> Result<(), RemedyError> {
        for s in &self.fitted {
            s.check()?;
        }
        for s in self.common.iter().chain(&self.differential) {
            s.check(&self.name)?;
        }
        if self.common.is_empty() || self.differential.is_empty() {
            return Err(RemedyError::file(
                self.name.as_str(),
                "a mode without a source",
                "at least one source for each mode",
            ));
        }
        Ok(())
    }
}

/// The ladder of a mode at one frequency: stages from the inside to the terminals.
pub fn ladder(stages: &[Stage], mode: Mode, frequency_hz: f64, bias_a: f64) -> Chain {
    stages.iter().fold(Chain::THROUGH, |c, s| s.element(mode, frequency_hz, bias_a).after(c))
}
