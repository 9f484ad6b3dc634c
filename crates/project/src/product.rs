use serde::{Deserialize, Serialize};
use standards::Port;

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
    /// Where it will be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub environment: Option<Environment>,
    /// Where it will be sold, e.g. `EU`, `UK`, `US`.
    pub markets: Vec<String>,
    /// Highest frequency generated or used inside, Hz (sets how far up radiated emission is measured).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub highest_internal_frequency_hz: Option<f64>,
    /// Operating modes, the worst first.
    pub modes: Vec<String>,
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
    /// Samples at hand.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub samples: Vec<ProductSample>,
}

/// Where a product is used: the three surroundings of the generic standards (IEC 61000-6-1 to -6-8).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Environment {
    /// Homes.
    Residential,
    /// Shops, offices and light industry.
    Commercial,
    /// Industry with its own transformer.
    Industrial,
}

/// Mains supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Supply {
    /// Rated voltage, V r.m.s.
    pub voltage_v: f64,
    /// Rated frequency, Hz; 0 for direct current.
    pub frequency_hz: f64,
    /// Rated current, A.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_a: Option<f64>,
    /// Number of phases, 1 or 3.
    #[serde(default = "one")]
    pub phases: u8,
}

fn one() -> u8 {
    1
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
    /// What stands at the other end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leads_to: Option<String>,
}

/// A clock inside the product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clock {
    /// Name, e.g. `microcontroller`.
    pub name: String,
    /// Frequency, Hz.
    pub frequency_hz: f64,
}

/// A switching converter inside the product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Converter {
    /// Name, e.g. `mains flyback`.
    pub name: String,
    /// Switching frequency, Hz.
    pub frequency_hz: f64,
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
    /// Reads the text of a `product.toml`; `file` is the name used in messages.
    pub fn read(text: &str, file: &str) -> Result<ProductReading, ProductError> {
        let _ = (text, file);
        todo!()
    }
}
