use serde::{Deserialize, Serialize};
use standards::{Family, Port};

use crate::{product_read, product_template};

/// The product under test, as `product.toml` says it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Product {
    /// What people call it.
    pub name: String,
    /// Type designation.
    pub model: String,
    /// Who makes it.
    pub maker: String,
    /// What it does, in a few sentences.
    pub description: String,
    /// Serial number or revision.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// What kind of product it is: decides which standards speak of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub family: Option<Family>,
    /// Where it will be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub environment: Option<Environment>,
    /// Where it will be sold, e.g. `EU`, `UK`, `US`.
    pub markets: Vec<String>,
    /// Highest frequency generated or used inside, Hz (sets how far up radiated emission is measured).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub highest_internal_frequency_hz: Option<f64>,
    /// Whether anything but switches, heaters and plain motors is inside.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub electronics: Option<bool>,
    /// Whether something inside feels magnetic fields (Hall sensor, microphone, magnetic sensor).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub magnetic_parts: Option<bool>,
    /// Operating modes, the worst first.
    pub modes: Vec<String>,
    /// How long until everything it does has happened once, s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cycle_s: Option<f64>,
    /// How correct working is seen during a test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub observed: Option<String>,
    /// Mains supply.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply: Option<Supply>,
    /// What counts as passing in an immunity test.
    #[serde(skip_serializing_if = "Criteria::is_empty")]
    pub criteria: Criteria,
    /// Its interfaces.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ports: Vec<ProductPort>,
    /// Its clocks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub clocks: Vec<Clock>,
    /// Its switching converters.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub converters: Vec<Converter>,
    /// Its housing.
    #[serde(skip_serializing_if = "Enclosure::is_empty")]
    pub enclosure: Enclosure,
    /// Slots and seams of a metal housing.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub slots: Vec<Slot>,
    /// Points for static discharge.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub discharge_points: Vec<DischargePoint>,
    /// Protection parts at its ports.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub protectors: Vec<Protector>,
    /// Samples at hand.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub samples: Vec<ProductSample>,
    /// Spare parts at hand.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub spares: Vec<Spare>,
}

/// Where a product is used: the three surroundings of the generic standards (IEC 61000-6-1 to -6-8), and laboratories.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Environment {
    /// Homes.
    Residential,
    /// Shops, offices and light industry.
    Commercial,
    /// Industry with its own transformer.
    Industrial,
    /// Laboratories with controlled surroundings (IEC 61326-1).
    Controlled,
}

/// Mains supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Supply {
    /// Rated voltage, V r.m.s.
    pub voltage_v: f64,
    /// Rated frequency, Hz; 0 for direct current.
    pub frequency_hz: f64,
    /// Lower end of the rated range, V r.m.s., where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lowest_voltage_v: Option<f64>,
    /// Upper end of the rated range, V r.m.s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub highest_voltage_v: Option<f64>,
    /// Rated current, A.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_a: Option<f64>,
    /// Number of phases, 1 or 3.
    #[serde(default = "one")]
    pub phases: u8,
    /// Whether the product is joined to protective earth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earthed: Option<bool>,
    /// All capacitance from the lines to earth (class Y), F.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub y_capacitance_f: Option<f64>,
    /// All capacitance between the lines (class X), F.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub x_capacitance_f: Option<f64>,
    /// Resistance that discharges them, ohm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bleed_resistance_ohm: Option<f64>,
}

fn one() -> u8 {
    1
}

fn one_of_them() -> u32 {
    1
}

/// Outer dimensions of the housing.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Enclosure {
    /// Longest side, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub length_m: Option<f64>,
    /// Second side, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub width_m: Option<f64>,
    /// Third side, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub height_m: Option<f64>,
    /// Whether it is of metal or metallised.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conductive: Option<bool>,
    /// Where it stands in use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stands: Option<Stands>,
}

/// Where a product stands in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stands {
    /// On a table or in the hand.
    Table,
    /// On the floor.
    Floor,
    /// On a wall or ceiling.
    Wall,
}

/// A point for static discharge.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DischargePoint {
    /// Where it is.
    pub name: String,
    /// By contact or through air.
    pub discharge: Discharge,
}

/// How a point is discharged to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Discharge {
    /// The tip touches.
    Contact,
    /// The tip approaches until it sparks.
    Air,
}

/// A protection part at a port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Protector {
    /// As on the drawing.
    pub name: String,
    /// Short name of the port.
    pub port: String,
    /// Which surges it takes; between lines where nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub between: Option<Between>,
    /// A file in the project folder, or its figures in words.
    pub part: String,
}

/// Between what a protection part lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Between {
    /// Line and line.
    Lines,
    /// Line and earth.
    LineEarth,
}

impl Enclosure {
    /// Nothing is said.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// A slot or seam of the housing, or several equal ones.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Slot {
    /// Where it is.
    pub name: String,
    /// Longest dimension, m.
    pub length_m: f64,
    /// How many of them.
    #[serde(default = "one_of_them")]
    pub count: u32,
}

/// How a cable screen is joined at one end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ScreenEnd {
    /// Clamped on its whole circumference.
    AllRound,
    /// By a wire.
    Pigtail,
    /// Through a capacitor.
    Capacitor,
    /// Not at all.
    Open,
}

/// What the maker promises during and after an immunity test (the criteria A, B and C of the generic standards).
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Criteria {
    /// Keeps working as intended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub a: Option<String>,
    /// May falter during the test, recovers by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub b: Option<String>,
    /// May need an operator to recover.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub c: Option<String>,
}

impl Criteria {
    /// Nothing is said.
    pub fn is_empty(&self) -> bool {
        self.a.is_none() && self.b.is_none() && self.c.is_none()
    }
}

/// One interface of the product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProductPort {
    /// Short name by which runs refer to it.
    pub id: String,
    /// Which kind of port it is.
    pub kind: Port,
    /// For people; the id if not given.
    #[serde(default)]
    pub name: String,
    /// Type of cable, e.g. `3 x 0.75 mm2`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cable_type: Option<String>,
    /// Longest cable length the manual allows, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cable_length_m: Option<f64>,
    /// Whether the cable is screened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub screened: Option<bool>,
    /// How the screen is joined at the product.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub screen_at_product: Option<ScreenEnd>,
    /// How the screen is joined at the other end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub screen_at_far_end: Option<ScreenEnd>,
    /// What stands at the other end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leads_to: Option<String>,
    /// Whether the cable runs outdoors or leaves the building.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outdoors: Option<bool>,
    /// DC port: whether it hangs on a distribution network.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dc_network: Option<bool>,
    /// DC port: whether it is fed by an AC/DC adaptor of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dc_adaptor: Option<bool>,
}

/// A clock inside the product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clock {
    /// Name, e.g. `microcontroller`.
    pub name: String,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// How far it may be off either way, parts per million.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance_ppm: Option<f64>,
    /// Rise time, 10 to 90 %, of its fastest edge, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rise_time_s: Option<f64>,
}

/// A switching converter inside the product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Converter {
    /// Name, e.g. `mains flyback`.
    pub name: String,
    /// Switching frequency, Hz.
    pub frequency_hz: f64,
    /// How far it may be off either way, parts per million.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance_ppm: Option<f64>,
    /// Topology, e.g. `flyback`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub topology: Option<String>,
    /// Power it converts, W.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_w: Option<f64>,
    /// Duty ratio, between 0 and 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duty: Option<f64>,
    /// Rise time of the switched node, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rise_time_s: Option<f64>,
}

/// A sample named in `product.toml`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProductSample {
    /// Short name.
    pub id: String,
    /// Serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// What it is.
    #[serde(default)]
    pub description: String,
}

/// Parts at hand for what tests wear or break.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Spare {
    /// The part and its place.
    pub name: String,
    /// How many.
    #[serde(default = "one_of_them")]
    pub count: u32,
    /// What a change takes.
    #[serde(default)]
    pub description: String,
}

/// One thing wrong or doubtful in `product.toml`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    /// File name.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Field with its place, e.g. `ports[2].kind`.
    pub field: String,
    /// What was found.
    pub what: String,
    /// What was expected.
    pub expected: String,
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { file, line, field, what, expected } = self;
        if field.is_empty() {
            write!(f, "{file}:{line}: {what}; expected {expected}")
        } else {
            write!(f, "{file}:{line}: {field}: {what}; expected {expected}")
        }
    }
}

/// Everything that makes a `product.toml` unusable; at least one problem.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProductError {
    /// The problems in the order of their lines.
    pub problems: Vec<Problem>,
}

impl std::fmt::Display for ProductError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (k, problem) in self.problems.iter().enumerate() {
            if k > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for ProductError {}

/// A product together with what was doubtful in its file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProductReading {
    /// The product.
    pub product: Product,
    /// Keys that are not known, with their lines.
    pub warnings: Vec<Problem>,
}

impl Product {
    /// Reads the text of a `product.toml`; `file` is the name used in messages. All problems are found at once, each with
    /// its line, its field and what was expected; keys that are not known are warnings.
    pub fn read(text: &str, file: &str) -> Result<ProductReading, ProductError> {
        product_read::read(text, file)
    }

    /// The port of this id.
    pub fn port(&self, id: &str) -> Option<&ProductPort> {
        self.ports.iter().find(|p| p.id == id)
    }

    /// The same with what says nothing left out, as the file is read: an emptied field of a form is no value, and a port
    /// without a name bears its id.
    pub(crate) fn tidied(&self) -> Self {
        let mut product = self.clone();
        let criteria = &mut product.criteria;
        let texts = [&mut product.serial, &mut product.observed, &mut criteria.a, &mut criteria.b, &mut criteria.c];
        let of_ports = product.ports.iter_mut().flat_map(|p| {
            if p.name.is_empty() {
                p.name.clone_from(&p.id);
            }
            [&mut p.cable_type, &mut p.leads_to]
        });
        let of_converters = product.converters.iter_mut().map(|c| &mut c.topology);
        let of_samples = product.samples.iter_mut().map(|s| &mut s.serial);
        for text in texts.into_iter().chain(of_ports).chain(of_converters).chain(of_samples) {
            if text.as_ref().is_some_and(String::is_empty) {
                *text = None;
            }
        }
        product
    }

    /// The commented text with which a new project starts.
    pub fn template() -> &'static str {
        product_template::template()
    }
}

/// A product in which nothing is left open: a field that is added to a struct must be added here, and with it everywhere
/// the tests compare.
#[cfg(test)]
pub(crate) fn every_answer() -> Product {
    let some = |text: &str| Some(text.to_owned());
    Product {
        name: "Pump".to_owned(),
        model: "P-1".to_owned(),
        maker: "Works".to_owned(),
        description: "Pumps.".to_owned(),
        serial: some("3"),
        family: Some(Family::Control),
        environment: Some(Environment::Commercial),
        markets: vec!["EU".to_owned(), "US".to_owned()],
        highest_internal_frequency_hz: Some(48e6),
        electronics: Some(true),
        magnetic_parts: Some(false),
        modes: vec!["on".to_owned(), "off".to_owned()],
        cycle_s: Some(1.5),
        observed: some("by eye"),
        supply: Some(Supply {
            voltage_v: 400.0,
            frequency_hz: 50.0,
            lowest_voltage_v: Some(380.0),
            highest_voltage_v: Some(480.0),
            current_a: Some(3.5),
            phases: 3,
            earthed: Some(true),
            y_capacitance_f: Some(4.4e-9),
            x_capacitance_f: Some(220e-9),
            bleed_resistance_ohm: Some(1e6),
        }),
        criteria: Criteria { a: some("works"), b: some("falters"), c: some("stops") },
        ports: vec![ProductPort {
            id: "dc".to_owned(),
            kind: Port::DcPower,
            name: "DC in".to_owned(),
            cable_type: some("2 x 1 mm2"),
            cable_length_m: Some(12.5),
            screened: Some(true),
            screen_at_product: Some(ScreenEnd::AllRound),
            screen_at_far_end: Some(ScreenEnd::Open),
            leads_to: some("battery"),
            outdoors: Some(false),
            dc_network: Some(true),
            dc_adaptor: Some(false),
        }],
        clocks: vec![Clock {
            name: "cpu".to_owned(),
            frequency_hz: 16e6,
            tolerance_ppm: Some(50.0),
            rise_time_s: Some(2e-9),
        }],
        converters: vec![Converter {
            name: "mains".to_owned(),
            frequency_hz: 65e3,
            tolerance_ppm: Some(5e4),
            topology: some("flyback"),
            power_w: Some(30.0),
            duty: Some(0.35),
            rise_time_s: Some(5e-8),
        }],
        enclosure: Enclosure {
            length_m: Some(0.3),
            width_m: Some(0.2),
            height_m: Some(0.08),
            conductive: Some(true),
            stands: Some(Stands::Floor),
        },
        slots: vec![Slot { name: "left".to_owned(), length_m: 0.04, count: 12 }],
        discharge_points: vec![DischargePoint { name: "screw".to_owned(), discharge: Discharge::Contact }],
        protectors: vec![Protector {
            name: "RV1".to_owned(),
            port: "dc".to_owned(),
            between: Some(Between::LineEarth),
            part: "parts/rv1.toml".to_owned(),
        }],
        samples: vec![ProductSample { id: "S1".to_owned(), serial: some("7"), description: "first".to_owned() }],
        spares: vec![Spare { name: "RV1".to_owned(), count: 5, description: "soldered".to_owned() }],
    }
}
