//! Reading `product.toml`: all problems at once, each with its line, its field and what was expected.

use std::ops::Range;

use serde::Deserialize;
use standards::Port;
use toml_edit::{Document, Item, Key, TableLike, Value};

use crate::product_fields::{Accept, ProductField, field_of, keys_of};
use crate::{
    Clock, Converter, Criteria, Discharge, DischargePoint, Enclosure, Problem, Product, ProductError, ProductPort,
    ProductReading, ProductSample, Protector, Slot, Spare, Supply,
};

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
    /// Name of the table; empty for the top.
    table_name: &'r str,
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

    /// A number as the table of fields accepts it.
    fn number(&mut self, key: &str) -> Option<f64> {
        let item = self.get(key)?;
        let accept = self.accept(key);
        let value = item.as_float().or_else(|| item.as_integer().map(|i| i as f64));
        match value {
            Some(value) if accept.takes(value) => Some(value),
            _ => {
                self.refuse(Some(item), key, found(item), accept.words());
                None
            }
        }
    }

    fn needed_number(&mut self, key: &str) -> f64 {
        if self.get(key).is_none() {
            self.refuse(None, key, "missing", self.accept(key).words());
        }
        self.number(key).unwrap_or_default()
    }

    fn accept(&self, key: &str) -> Accept {
        field_of(self.table_name, key).and_then(|f| f.accept).unwrap_or(Accept::Positive)
    }

    /// How many; one where nothing is said.
    fn count(&mut self, key: &str) -> u32 {
        self.number(key).map_or(1, |count| count as u32)
    }

    fn truth(&mut self, key: &str) -> Option<bool> {
        let item = self.get(key)?;
        if item.as_bool().is_none() {
            self.refuse(Some(item), key, found(item), "true or false");
        }
        item.as_bool()
    }

    /// A word out of a list, read through its serde names.
    fn word<T: for<'de> Deserialize<'de>>(&mut self, key: &str) -> Option<T> {
        // Empty quotes say no more than nothing.
        let item = self.get(key).filter(|item| item.as_str() != Some(""))?;
        let value = item.as_str().and_then(|word| serde_json::from_value(word.into()).ok());
        if value.is_none() {
            self.refuse(Some(item), key, found(item), self.words(key));
        }
        value
    }

    fn words(&self, key: &str) -> String {
        field_of(self.table_name, key).map_or_else(String::new, ProductField::expected)
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
        let mut fields = Fields { reader: &mut *self.reader, table, table_name: key, place, line };
        let value = read(&mut fields);
        fields.warn_unknown();
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
            let mut fields = Fields { reader: &mut *self.reader, table, table_name: key, place, line };
            values.push(read(&mut fields));
            fields.warn_unknown();
        }
        values
    }

    fn warn_unknown(&mut self) {
        let known = keys_of(self.table_name);
        for (name, item) in self.table.iter() {
            if known.contains(&name) || item.is_none() {
                continue;
            }
            let span = self.table.key(name).and_then(Key::span).or_else(|| item.span());
            let expected = match nearest(name, &known) {
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

pub(crate) fn read(text: &str, file: &str) -> Result<ProductReading, ProductError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let document = Document::parse(text).map_err(|error| {
        let message = error.message().trim().replace('\n', "; ");
        let line = line_of(text.as_bytes(), error.span().map_or(0, |s| s.start));
        let expected = "TOML: key = value lines and [table] headings".to_owned();
        let what = if message.is_empty() { "not TOML".to_owned() } else { message };
        ProductError { problems: vec![Problem { file: file.to_owned(), line, field: String::new(), what, expected }] }
    })?;
    let mut reader = Reader { text, file, problems: Vec::new(), warnings: Vec::new() };
    let mut top =
        Fields { reader: &mut reader, table: document.as_table(), table_name: "", place: String::new(), line: 1 };
    let product = Product {
        name: top.name("name"),
        model: top.text("model").unwrap_or_default(),
        maker: top.text("maker").unwrap_or_default(),
        description: top.text("description").unwrap_or_default(),
        serial: top.some_text("serial"),
        family: top.word("family"),
        environment: top.word("environment"),
        markets: top.texts("markets"),
        highest_internal_frequency_hz: top.number("highest_internal_frequency_hz"),
        electronics: top.truth("electronics"),
        magnetic_parts: top.truth("magnetic_parts"),
        modes: top.texts("modes"),
        cycle_s: top.number("cycle_s"),
        observed: top.some_text("observed"),
        supply: top.table("supply", supply),
        criteria: top
            .table("criteria", |f| Criteria { a: f.some_text("a"), b: f.some_text("b"), c: f.some_text("c") })
            .unwrap_or_default(),
        ports: top.tables("ports", port),
        clocks: top.tables("clocks", |f| Clock {
            name: f.name("name"),
            frequency_hz: f.needed_number("frequency_hz"),
            tolerance_ppm: f.number("tolerance_ppm"),
            rise_time_s: f.number("rise_time_s"),
        }),
        converters: top.tables("converters", |f| Converter {
            name: f.name("name"),
            frequency_hz: f.needed_number("frequency_hz"),
            tolerance_ppm: f.number("tolerance_ppm"),
            topology: f.some_text("topology"),
            power_w: f.number("power_w"),
            duty: f.number("duty"),
            rise_time_s: f.number("rise_time_s"),
        }),
        enclosure: top
            .table("enclosure", |f| Enclosure {
                length_m: f.number("length_m"),
                width_m: f.number("width_m"),
                height_m: f.number("height_m"),
                conductive: f.truth("conductive"),
                stands: f.word("stands"),
            })
            .unwrap_or_default(),
        slots: top.tables("slots", |f| Slot {
            name: f.name("name"),
            length_m: f.needed_number("length_m"),
            count: f.count("count"),
        }),
        discharge_points: top.tables("discharge_points", |f| DischargePoint {
            name: f.name("name"),
            discharge: f.word("discharge").unwrap_or(Discharge::Contact),
        }),
        protectors: top.tables("protectors", |f| Protector {
            name: f.name("name"),
            port: f.name("port"),
            between: f.word("between"),
            part: f.name("part"),
        }),
        samples: top.tables("samples", |f| ProductSample {
            id: f.name("id"),
            serial: f.some_text("serial"),
            description: f.text("description").unwrap_or_default(),
        }),
        spares: top.tables("spares", |f| Spare {
            name: f.name("name"),
            count: f.count("count"),
            description: f.text("description").unwrap_or_default(),
        }),
    };
    top.refuse_twice("ports", product.ports.iter().map(|p| p.id.as_str()));
    top.refuse_twice("samples", product.samples.iter().map(|s| s.id.as_str()));
    top.warn_unknown();
    let Reader { mut problems, mut warnings, .. } = reader;
    problems.sort_by_key(|p| p.line);
    warnings.sort_by_key(|p| p.line);
    if problems.is_empty() { Ok(ProductReading { product, warnings }) } else { Err(ProductError { problems }) }
}

fn supply(f: &mut Fields<'_, '_>) -> Supply {
    let phases = f.number("phases");
    if let Some(count) = phases
        && count != 1.0
        && count != 3.0
    {
        let item = f.get("phases");
        f.refuse(item, "phases", format!("found {count}"), "1 or 3");
    }
    Supply {
        voltage_v: f.needed_number("voltage_v"),
        frequency_hz: f.needed_number("frequency_hz"),
        lowest_voltage_v: f.number("lowest_voltage_v"),
        highest_voltage_v: f.number("highest_voltage_v"),
        current_a: f.number("current_a"),
        phases: phases.map_or(1, |count| count as u8),
        earthed: f.truth("earthed"),
        y_capacitance_f: f.number("y_capacitance_f"),
        x_capacitance_f: f.number("x_capacitance_f"),
        bleed_resistance_ohm: f.number("bleed_resistance_ohm"),
    }
}

fn port(f: &mut Fields<'_, '_>) -> ProductPort {
    match f.get("kind") {
        None => f.refuse(None, "kind", "missing", f.words("kind")),
        item @ Some(_) if item.and_then(Item::as_str) == Some("") => f.refuse(item, "kind", "empty", f.words("kind")),
        Some(_) => {}
    }
    let id = f.name("id");
    ProductPort {
        kind: f.word("kind").unwrap_or(Port::Enclosure),
        name: f.text("name").filter(|n| !n.is_empty()).unwrap_or_else(|| id.clone()),
        id,
        cable_type: f.some_text("cable_type"),
        cable_length_m: f.number("cable_length_m"),
        screened: f.truth("screened"),
        screen_at_product: f.word("screen_at_product"),
        screen_at_far_end: f.word("screen_at_far_end"),
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
