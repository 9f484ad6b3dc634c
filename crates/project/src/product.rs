use std::ops::Range;

use serde::{Deserialize, Serialize};
use standards::{Family, Port};
use toml_edit::{Document, Item, Key, TableLike, Value};

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
    /// Whether something inside feels magnetic fields (Hall sensor, microphone, magnetic sensor).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub magnetic_parts: Option<bool>,
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
    /// Rated current, A.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_a: Option<f64>,
    /// Number of phases, 1 or 3.
    #[serde(default = "one")]
    pub phases: u8,
    /// Whether the product is joined to protective earth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earthed: Option<bool>,
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
    /// Reads the text of a `product.toml`; `file` is the name used in messages. All problems are found at once, each with
    /// its line, its field and what was expected; keys that are not known are warnings.
    pub fn read(text: &str, file: &str) -> Result<ProductReading, ProductError> {
        read(text, file)
    }

    /// The port of this id.
    pub fn port(&self, id: &str) -> Option<&ProductPort> {
        self.ports.iter().find(|p| p.id == id)
    }

    /// The same with what says nothing left out, as the file is read: an emptied field of a form is no value, and a port
    /// without a name bears its id.
    pub(crate) fn tidied(&self) -> Self {
        let mut product = self.clone();
        let texts = [&mut product.serial, &mut product.criteria.a, &mut product.criteria.b, &mut product.criteria.c];
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
        include_str!("product_template.toml")
    }
}

/// Known keys of every table, by its name (`""` is the top).
pub(crate) const KEYS: &[(&str, &[&str])] = &[
    (
        "",
        &[
            "name",
            "model",
            "maker",
            "description",
            "serial",
            "family",
            "environment",
            "markets",
            "highest_internal_frequency_hz",
            "magnetic_parts",
            "modes",
            "supply",
            "criteria",
            "ports",
            "clocks",
            "converters",
            "samples",
        ],
    ),
    ("supply", &["voltage_v", "frequency_hz", "current_a", "phases", "earthed"]),
    ("criteria", &["a", "b", "c"]),
    (
        "ports",
        &[
            "id",
            "kind",
            "name",
            "cable_type",
            "cable_length_m",
            "screened",
            "leads_to",
            "outdoors",
            "dc_network",
            "dc_adaptor",
        ],
    ),
    ("clocks", &["name", "frequency_hz"]),
    ("converters", &["name", "frequency_hz", "topology", "power_w", "duty", "rise_time_s"]),
    ("samples", &["id", "serial", "description"]),
];

pub(crate) fn keys_of(table: &str) -> &'static [&'static str] {
    KEYS.iter().find(|(name, _)| *name == table).map_or(&[], |(_, keys)| keys)
}

/// Which numbers a field takes.
#[derive(Clone, Copy)]
enum Accept {
    Positive,
    NotNegative,
    Ratio,
}

impl Accept {
    fn takes(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Self::Positive => value > 0.0,
                Self::NotNegative => value >= 0.0,
                Self::Ratio => value > 0.0 && value < 1.0,
            }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Positive => "a number above 0",
            Self::NotNegative => "a number, 0 or above",
            Self::Ratio => "a number between 0 and 1",
        }
    }
}

struct Reader<'t> {
    text: &'t str,
    file: &'t str,
    problems: Vec<Problem>,
    warnings: Vec<Problem>,
}

impl Reader<'_> {
    fn line(&self, span: Option<Range<usize>>) -> usize {
        line_of(self.text.as_bytes(), span.map_or(0, |s| s.start))
    }

    fn problem(&self, line: usize, field: String, what: impl Into<String>, expected: impl Into<String>) -> Problem {
        Problem { file: self.file.to_owned(), line, field, what: what.into(), expected: expected.into() }
    }
}

/// The line, from 1, in which a byte stands.
pub(crate) fn line_of(text: &[u8], byte: usize) -> usize {
    text[..byte.min(text.len())].split(|b| *b == b'\n').count()
}

/// One table being read.
struct Fields<'r, 't> {
    reader: &'r mut Reader<'t>,
    table: &'r dyn TableLike,
    /// Place of the table, e.g. `ports[2].`.
    place: String,
    line: usize,
}

impl<'r> Fields<'r, '_> {
    fn refuse(&mut self, item: Option<&Item>, key: &str, what: impl Into<String>, expected: impl Into<String>) {
        let line = match item {
            Some(item) => self.reader.line(item.span()),
            None => self.line,
        };
        let problem = self.reader.problem(line, format!("{}{key}", self.place), what, expected);
        self.reader.problems.push(problem);
    }

    fn get(&self, key: &str) -> Option<&'r Item> {
        self.table.get(key).filter(|item| !item.is_none())
    }

    fn text(&mut self, key: &str) -> Option<String> {
        let item = self.get(key)?;
        match item.as_str() {
            Some(text) => Some(text.to_owned()),
            None => {
                self.refuse(Some(item), key, found(item), "text in quotes");
                None
            }
        }
    }

    /// Text that may be left out; empty quotes say no more than nothing.
    fn some_text(&mut self, key: &str) -> Option<String> {
        self.text(key).filter(|text| !text.is_empty())
    }

    /// Text that must be there and say something.
    fn name(&mut self, key: &str) -> String {
        match (self.get(key), self.text(key)) {
            (None, _) => {
                self.refuse(None, key, "missing", "text in quotes");
                String::new()
            }
            (Some(item), Some(text)) if text.trim().is_empty() => {
                self.refuse(Some(item), key, "empty", "text in quotes");
                text
            }
            (_, text) => text.unwrap_or_default(),
        }
    }

    fn number(&mut self, key: &str, accept: Accept) -> Option<f64> {
        let item = self.get(key)?;
        let value = item.as_float().or_else(|| item.as_integer().map(|i| i as f64));
        match value {
            Some(value) if accept.takes(value) => Some(value),
            _ => {
                self.refuse(Some(item), key, found(item), accept.words());
                None
            }
        }
    }

    fn needed_number(&mut self, key: &str, accept: Accept) -> f64 {
        if self.get(key).is_none() {
            self.refuse(None, key, "missing", accept.words());
        }
        self.number(key, accept).unwrap_or_default()
    }

    fn truth(&mut self, key: &str) -> Option<bool> {
        let item = self.get(key)?;
        if item.as_bool().is_none() {
            self.refuse(Some(item), key, found(item), "true or false");
        }
        item.as_bool()
    }

    /// A word out of a list, read through its serde names.
    fn word<T: for<'de> Deserialize<'de>>(&mut self, key: &str, words: &str) -> Option<T> {
        let item = self.get(key)?;
        let value = item.as_str().and_then(|word| serde_json::from_value(word.into()).ok());
        if value.is_none() {
            self.refuse(Some(item), key, found(item), format!("one of {words}"));
        }
        value
    }

    fn texts(&mut self, key: &str) -> Vec<String> {
        let Some(item) = self.get(key) else { return Vec::new() };
        let Some(array) = item.as_array() else {
            self.refuse(Some(item), key, found(item), "a list of texts, e.g. [\"one\", \"two\"]");
            return Vec::new();
        };
        let mut texts = Vec::new();
        for (k, value) in array.iter().enumerate() {
            match value.as_str() {
                Some(text) => texts.push(text.to_owned()),
                None => {
                    let line = self.reader.line(value.span());
                    let field = format!("{}{key}[{}]", self.place, k + 1);
                    let what = format!("found {}", value.to_string().trim());
                    let problem = self.reader.problem(line, field, what, "text in quotes");
                    self.reader.problems.push(problem);
                }
            }
        }
        texts
    }

    fn table<T>(&mut self, key: &str, read: impl FnOnce(&mut Fields<'_, '_>) -> T) -> Option<T> {
        let item = self.get(key)?;
        let Some(table) = item.as_table_like() else {
            self.refuse(Some(item), key, found(item), format!("a table [{key}]"));
            return None;
        };
        let line = self.reader.line(item.span());
        let place = format!("{}{key}.", self.place);
        let mut fields = Fields { reader: &mut *self.reader, table, place, line };
        let value = read(&mut fields);
        fields.warn_unknown(key);
        Some(value)
    }

    fn tables<T>(&mut self, key: &str, mut read: impl FnMut(&mut Fields<'_, '_>) -> T) -> Vec<T> {
        let Some(item) = self.get(key) else { return Vec::new() };
        let tables: Option<Vec<(&dyn TableLike, Option<Range<usize>>)>> = match item {
            Item::ArrayOfTables(array) => Some(array.iter().map(|t| (t as &dyn TableLike, t.span())).collect()),
            Item::Value(Value::Array(array)) => {
                array.iter().map(|v| v.as_inline_table().map(|t| (t as &dyn TableLike, v.span()))).collect()
            }
            _ => None,
        };
        let Some(tables) = tables else {
            self.refuse(Some(item), key, found(item), format!("tables [[{key}]]"));
            return Vec::new();
        };
        let mut values = Vec::with_capacity(tables.len());
        for (k, (table, span)) in tables.into_iter().enumerate() {
            let line = self.reader.line(span);
            let place = format!("{}{key}[{}].", self.place, k + 1);
            let mut fields = Fields { reader: &mut *self.reader, table, place, line };
            values.push(read(&mut fields));
            fields.warn_unknown(key);
        }
        values
    }

    fn warn_unknown(&mut self, table_name: &str) {
        let known = keys_of(table_name);
        for (name, item) in self.table.iter() {
            if known.contains(&name) || item.is_none() {
                continue;
            }
            let span = self.table.key(name).and_then(Key::span).or_else(|| item.span());
            let expected = match nearest(name, known) {
                Some(near) => format!("{near}?"),
                None => format!("one of {}", known.join(", ")),
            };
            let field = format!("{}{name}", self.place);
            let problem = self.reader.problem(self.reader.line(span), field, "not a known key; ignored", expected);
            self.reader.warnings.push(problem);
        }
    }
}

/// What stands there, short enough for a message.
fn found(item: &Item) -> String {
    let text = match item {
        Item::Table(_) => return "found a table".to_owned(),
        Item::ArrayOfTables(_) => return "found several tables".to_owned(),
        other => other.to_string(),
    };
    let text = text.trim();
    match text.char_indices().nth(60) {
        Some((end, _)) => format!("found {} …", &text[..end]),
        None => format!("found {text}"),
    }
}

/// The known key that was probably meant: at most two letters away.
fn nearest(name: &str, known: &[&'static str]) -> Option<&'static str> {
    let best = known.iter().map(|k| (distance(name, k), *k)).min()?;
    (best.0 <= 2 && best.0 < name.len()).then_some(best.1)
}

/// Edit distance (Levenshtein).
pub(crate) fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut corner = i;
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let next = (corner + usize::from(ca != *cb)).min(row[j] + 1).min(row[j + 1] + 1);
            corner = row[j + 1];
            row[j + 1] = next;
        }
    }
    row[b.len()]
}

fn port_words() -> String {
    Port::ALL.map(Port::key).join(", ")
}

fn read(text: &str, file: &str) -> Result<ProductReading, ProductError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let document = Document::parse(text).map_err(|error| {
        let message = error.message().trim().replace('\n', "; ");
        let line = line_of(text.as_bytes(), error.span().map_or(0, |s| s.start));
        let expected = "TOML: key = value lines and [table] headings".to_owned();
        let what = if message.is_empty() { "not TOML".to_owned() } else { message };
        ProductError { problems: vec![Problem { file: file.to_owned(), line, field: String::new(), what, expected }] }
    })?;
    let mut reader = Reader { text, file, problems: Vec::new(), warnings: Vec::new() };
    let mut top = Fields { reader: &mut reader, table: document.as_table(), place: String::new(), line: 1 };
    let product = Product {
        name: top.name("name"),
        model: top.text("model").unwrap_or_default(),
        maker: top.text("maker").unwrap_or_default(),
        description: top.text("description").unwrap_or_default(),
        serial: top.some_text("serial"),
        family: top.word("family", &Family::ALL.map(Family::key).join(", ")),
        environment: top.word("environment", "residential, commercial, industrial, controlled"),
        markets: top.texts("markets"),
        highest_internal_frequency_hz: top.number("highest_internal_frequency_hz", Accept::Positive),
        magnetic_parts: top.truth("magnetic_parts"),
        modes: top.texts("modes"),
        supply: top.table("supply", supply),
        criteria: top
            .table("criteria", |f| Criteria { a: f.some_text("a"), b: f.some_text("b"), c: f.some_text("c") })
            .unwrap_or_default(),
        ports: top.tables("ports", port),
        clocks: top.tables("clocks", |f| Clock {
            name: f.name("name"),
            frequency_hz: f.needed_number("frequency_hz", Accept::Positive),
        }),
        converters: top.tables("converters", |f| Converter {
            name: f.name("name"),
            frequency_hz: f.needed_number("frequency_hz", Accept::Positive),
            topology: f.some_text("topology"),
            power_w: f.number("power_w", Accept::Positive),
            duty: f.number("duty", Accept::Ratio),
            rise_time_s: f.number("rise_time_s", Accept::Positive),
        }),
        samples: top.tables("samples", |f| ProductSample {
            id: f.name("id"),
            serial: f.some_text("serial"),
            description: f.text("description").unwrap_or_default(),
        }),
    };
    top.refuse_twice("ports", product.ports.iter().map(|p| p.id.as_str()));
    top.refuse_twice("samples", product.samples.iter().map(|s| s.id.as_str()));
    top.warn_unknown("");
    let Reader { mut problems, mut warnings, .. } = reader;
    problems.sort_by_key(|p| p.line);
    warnings.sort_by_key(|p| p.line);
    if problems.is_empty() { Ok(ProductReading { product, warnings }) } else { Err(ProductError { problems }) }
}

fn supply(f: &mut Fields<'_, '_>) -> Supply {
    let phases = f.number("phases", Accept::Positive);
    if let Some(count) = phases
        && count != 1.0
        && count != 3.0
    {
        let item = f.get("phases");
        f.refuse(item, "phases", format!("found {count}"), "1 or 3");
    }
    Supply {
        voltage_v: f.needed_number("voltage_v", Accept::Positive),
        frequency_hz: f.needed_number("frequency_hz", Accept::NotNegative),
        current_a: f.number("current_a", Accept::Positive),
        phases: phases.map_or(1, |count| count as u8),
        earthed: f.truth("earthed"),
    }
}

fn port(f: &mut Fields<'_, '_>) -> ProductPort {
    if f.get("kind").is_none() {
        f.refuse(None, "kind", "missing", format!("one of {}", port_words()));
    }
    let id = f.name("id");
    ProductPort {
        kind: f.word("kind", &port_words()).unwrap_or(Port::Enclosure),
        name: f.text("name").filter(|n| !n.is_empty()).unwrap_or_else(|| id.clone()),
        id,
        cable_type: f.some_text("cable_type"),
        cable_length_m: f.number("cable_length_m", Accept::NotNegative),
        screened: f.truth("screened"),
        leads_to: f.some_text("leads_to"),
        outdoors: f.truth("outdoors"),
        dc_network: f.truth("dc_network"),
        dc_adaptor: f.truth("dc_adaptor"),
    }
}

impl Fields<'_, '_> {
    fn refuse_twice<'a>(&mut self, list: &str, ids: impl Iterator<Item = &'a str>) {
        let mut seen: Vec<&str> = Vec::new();
        for (k, id) in ids.enumerate() {
            if !id.is_empty() && seen.contains(&id) {
                let span = match self.get(list) {
                    Some(Item::ArrayOfTables(array)) => array.get(k).and_then(|t| t.get("id")).and_then(Item::span),
                    Some(item) => item.span(),
                    None => None,
                };
                let (line, field) = (self.reader.line(span), format!("{list}[{}].id", k + 1));
                let problem = self.reader.problem(line, field, format!("{id:?} is there twice"), "an id of its own");
                self.reader.problems.push(problem);
            }
            seen.push(id);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_reads_without_a_word() {
        let reading = Product::read(Product::template(), "product.toml").unwrap();
        assert_eq!(reading.warnings, []);
        assert_eq!(reading.product.supply.unwrap().voltage_v, 230.0);
        assert_eq!(reading.product.ports.len(), 2);
    }

    /// What stands behind `# ` in the template must itself be right, or the first thing a user does fails.
    #[test]
    fn the_template_reads_with_its_examples_uncommented() {
        let lines: Vec<&str> = Product::template()
            .lines()
            .map(|line| {
                let code = line.strip_prefix("# ").filter(|l| l.starts_with('[') || l.split(' ').nth(1) == Some("="));
                code.unwrap_or(line)
            })
            .collect();
        let text = lines.join("\n");
        let reading = Product::read(&text, "product.toml").unwrap();
        assert_eq!(reading.warnings, []);
        let product = reading.product;
        assert_eq!(product.converters[0].rise_time_s, Some(50e-9));
        assert_eq!(product.ports[2].screened, Some(true));
        assert_eq!(product.clocks[0].frequency_hz, 16e6);
        assert!(product.criteria.c.is_some());
        assert_eq!(product.samples[0].id, "S1");
        assert_eq!(product.highest_internal_frequency_hz, Some(48e6));
        assert_eq!(product.ports[1].cable_length_m, Some(1.5));
    }

    #[test]
    fn every_problem_names_line_field_and_what_was_expected() {
        let text = "name = 3\nmodes = [\"a\", 2]\nenvironment = \"home\"\n[supply]\nvoltage_v = -230\nphases = 2\n\
                    [[ports]]\nid = \"a\"\nkind = \"mains\"\nscreened = \"yes\"\n[[ports]]\nid = \"a\"\n[[clocks]]\nname = \"x\"\n\
                    frequency_hz = nan\n";
        let problems = Product::read(text, "p.toml").unwrap_err().problems;
        let seen: Vec<(usize, &str)> = problems.iter().map(|p| (p.line, p.field.as_str())).collect();
        let expected = [
            (1, "name"),
            (2, "modes[2]"),
            (3, "environment"),
            (4, "supply.frequency_hz"),
            (5, "supply.voltage_v"),
            (6, "supply.phases"),
            (9, "ports[1].kind"),
            (10, "ports[1].screened"),
            (11, "ports[2].kind"),
            (12, "ports[2].id"),
            (15, "clocks[1].frequency_hz"),
        ];
        assert_eq!(seen, expected);
        assert_eq!(problems[4].to_string(), "p.toml:5: supply.voltage_v: found -230; expected a number above 0");
        assert!(problems[6].expected.contains("ac_mains"));
    }

    #[test]
    fn broken_syntax_names_its_line() {
        let error = Product::read("name = \"x\"\nmodel = \n", "product.toml").unwrap_err();
        assert_eq!((error.problems.len(), error.problems[0].line), (1, 2), "{error}");
    }

    #[test]
    fn unknown_keys_are_warnings_with_the_likely_meaning() {
        let reading = Product::read("name = \"x\"\nmodle = \"y\"\n\n[[port]]\nid = \"a\"\n", "product.toml").unwrap();
        let seen: Vec<(usize, &str, &str)> =
            reading.warnings.iter().map(|w| (w.line, w.field.as_str(), w.expected.as_str())).collect();
        assert_eq!(seen, [(2, "modle", "model?"), (4, "port", "ports?")]);
    }

    #[test]
    fn one_line_is_enough() {
        let reading = Product::read("\u{feff}name = \"x\"", "product.toml").unwrap();
        assert_eq!(reading.product, Product { name: "x".to_owned(), ..Product::default() });
    }

    #[test]
    fn inline_tables_read_like_headed_ones() {
        let inline = "name = \"x\"\nsupply = { voltage_v = 120, frequency_hz = 60 }\nports = [{ id = \"m\", kind = \"ac_mains\" }]\n";
        let headed =
            "name = \"x\"\n[supply]\nvoltage_v = 120\nfrequency_hz = 60\n[[ports]]\nid = \"m\"\nkind = \"ac_mains\"\n";
        assert_eq!(Product::read(inline, "p").unwrap().product, Product::read(headed, "p").unwrap().product);
    }
}
