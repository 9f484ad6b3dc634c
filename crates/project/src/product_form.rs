//! `product.toml` as a form sees it: its text with a fingerprint, and answers that come back as plain values.

use serde_json::{Map, Value};
use toml_edit::{DocumentMut, InlineTable, Item};

use crate::product_fields::{field_of, keys_of, product_fields};
use crate::{Problem, Product, ProductReading, Project, ProjectError, product_edit};

/// The name used in messages about answers that are in no file yet.
const FORM: &str = "form";

/// The text of `product.toml` as it is on the disk, with its fingerprint.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProductText {
    /// Its text.
    pub text: String,
    /// blake3 (hex) of the text: who wants to write gives back what was read.
    pub fingerprint: String,
}

impl ProductText {
    fn of(text: String) -> Self {
        let fingerprint = blake3::hash(text.as_bytes()).to_hex().to_string();
        Self { text, fingerprint }
    }
}

/// Why answers or a text were not written; nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum ProductRefusal {
    /// The file is not the one that was read.
    #[error(
        "product.toml: the file was changed by somebody else since it was read; expected the file as it was (nothing was \
         written)"
    )]
    Changed {
        /// As it is now.
        now: ProductText,
    },
    /// Answers that cannot be taken, each with its field.
    #[error("{}", .problems.iter().map(Problem::to_string).collect::<Vec<_>>().join("\n"))]
    Answers {
        /// At least one.
        problems: Vec<Problem>,
    },
    /// Anything else.
    #[error(transparent)]
    Project(#[from] ProjectError),
}

impl From<crate::ProductError> for ProductRefusal {
    fn from(error: crate::ProductError) -> Self {
        Self::Answers { problems: error.problems }
    }
}

impl Product {
    /// Answers of a form as a product: a JSON document with the keys of `product.toml`. Values that are missing, empty or
    /// null are not answered; a number may come as text, and is then refused with what was typed. All problems are found at
    /// once, their fields named as in the file (`ports[2].kind`; lines mean nothing here).
    pub fn of_answers(answers: &Value) -> Result<Self, crate::ProductError> {
        let mut problems = Vec::new();
        let mut document = DocumentMut::new();
        if let Some(map) = answers.as_object() {
            fill(map, document.as_table_mut(), "", "", &mut problems);
        } else {
            problems.push(refused("", "not a set of answers", "an object with the keys of product.toml"));
        }
        let read = Self::read(&document.to_string(), FORM);
        match read {
            Ok(reading) if problems.is_empty() => Ok(reading.product),
            Ok(_) => Err(crate::ProductError { problems }),
            Err(error) => {
                problems.extend(error.problems);
                Err(crate::ProductError { problems })
            }
        }
    }
}

fn refused(field: &str, what: impl Into<String>, expected: impl Into<String>) -> Problem {
    Problem { file: FORM.to_owned(), line: 0, field: field.to_owned(), what: what.into(), expected: expected.into() }
}

fn says_nothing(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::String(text) => text.trim().is_empty(),
        Value::Array(list) => list.iter().all(says_nothing),
        Value::Object(map) => map.values().all(says_nothing),
        Value::Bool(_) | Value::Number(_) => false,
    }
}

/// Puts the answers of one table into TOML. What the reader can judge is left to it; only what TOML cannot hold, or what
/// no key stands for, is refused here.
fn fill(
    answers: &Map<String, Value>,
    table: &mut dyn toml_edit::TableLike,
    name: &str,
    place: &str,
    problems: &mut Vec<Problem>,
) {
    let known = keys_of(name);
    for (key, value) in answers.iter().filter(|(_, v)| !says_nothing(v)) {
        let field = format!("{place}{key}");
        if !known.contains(&key.as_str()) {
            problems.push(refused(&field, "not a known key", format!("one of {}", known.join(", "))));
            continue;
        }
        let group = product_fields().iter().find(|g| name.is_empty() && g.table == *key);
        match (value, group) {
            (Value::Object(map), Some(group)) if !group.list => {
                let mut inner = InlineTable::new();
                fill(map, &mut inner, key, &format!("{field}."), problems);
                table.insert(key, Item::Value(inner.into()));
            }
            (Value::Array(list), Some(group)) if group.list => {
                let mut array = toml_edit::Array::new();
                for (k, entry) in list.iter().enumerate() {
                    let mut inner = InlineTable::new();
                    match entry.as_object() {
                        Some(map) => fill(map, &mut inner, key, &format!("{field}[{}].", k + 1), problems),
                        None => problems.push(refused(&format!("{field}[{}]", k + 1), "not an entry", "an object")),
                    }
                    array.push(inner);
                }
                table.insert(key, Item::Value(array.into()));
            }
            (_, Some(group)) => {
                let expected = if group.list { "a list of entries" } else { "an object" };
                problems.push(refused(&field, format!("found {value}"), expected));
            }
            (_, None) => match leaf(value) {
                Some(value) => drop(table.insert(key, Item::Value(value))),
                None => {
                    let expected = field_of(name, key).map(crate::ProductField::expected).unwrap_or_default();
                    problems.push(refused(&field, format!("found {value}"), expected));
                }
            },
        }
    }
}

fn leaf(value: &Value) -> Option<toml_edit::Value> {
    match value {
        Value::Bool(truth) => Some((*truth).into()),
        Value::Number(number) => match number.as_i64() {
            Some(whole) => Some(whole.into()),
            None => number.as_f64().map(Into::into),
        },
        Value::String(text) => Some(text.as_str().into()),
        Value::Array(list) => {
            let mut array = toml_edit::Array::new();
            for entry in list.iter().filter(|v| !says_nothing(v)) {
                array.push(leaf(entry)?);
            }
            Some(array.into())
        }
        Value::Null | Value::Object(_) => None,
    }
}

impl Project {
    /// The text of `product.toml` and its fingerprint.
    pub fn product_file(&self) -> Result<ProductText, ProjectError> {
        Ok(ProductText::of(self.product_text()?))
    }

    /// Changes `product.toml` to say this, if it still is the file whose fingerprint is given; comments, order, style and
    /// unknown keys stay. The new file appears in one step.
    ///
    /// Between the comparison and the renaming lie some microseconds in which another program could write; programs that
    /// share a folder have no lock in common that would close them.
    pub fn save_product(&mut self, product: &Product, fingerprint: &str) -> Result<ProductText, ProductRefusal> {
        let now = self.unchanged(fingerprint)?;
        let text = product_edit::edited(&now.text, product)?;
        if text != now.text {
            self.write_product_text(&text)?;
        }
        Ok(ProductText::of(text))
    }

    /// Replaces the text of `product.toml`, if it still is the file whose fingerprint is given. A text that cannot be read
    /// as a product is refused with all its problems.
    pub fn save_product_text(
        &mut self,
        text: &str,
        fingerprint: &str,
    ) -> Result<(ProductText, ProductReading), ProductRefusal> {
        self.unchanged(fingerprint)?;
        let reading = Product::read(text, "product.toml")?;
        self.write_product_text(text)?;
        Ok((ProductText::of(text.to_owned()), reading))
    }

    fn unchanged(&self, fingerprint: &str) -> Result<ProductText, ProductRefusal> {
        let now = self.product_file()?;
        if now.fingerprint == fingerprint { Ok(now) } else { Err(ProductRefusal::Changed { now }) }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use serde_json::json;

    use super::*;
    use crate::product::every_answer;

    #[test]
    fn every_answer_comes_back_as_it_was_given() {
        let whole = every_answer();
        assert_eq!(Product::of_answers(&serde_json::to_value(&whole).unwrap()).unwrap(), whole);
    }

    #[test]
    fn what_is_empty_is_not_answered() {
        let product = Product::of_answers(&json!({
            "name": "x", "serial": "  ", "family": "", "markets": ["", "EU"], "supply": { "voltage_v": "", "earthed": null },
            "ports": [], "clocks": [],
        }))
        .unwrap();
        assert_eq!(product, Product { name: "x".into(), markets: vec!["EU".into()], ..Product::default() });
    }

    #[test]
    fn bad_answers_name_their_field_and_what_was_expected() {
        let problems = Product::of_answers(&json!({
            "name": "", "colour": "red", "highest_internal_frequency_hz": "fast",
            "supply": { "voltage_v": -1, "frequency_hz": 50, "phases": 2 },
            "ports": [{ "id": "a", "kind": "enclosure" }, { "id": "a", "kind": "radio", "cable_length_m": {} , "outdoors": "maybe" }],
            "slots": [{ "name": "s", "length_m": 0.1, "count": 1.5 }],
        }))
        .unwrap_err()
        .problems;
        let mut seen: Vec<(&str, &str)> = problems.iter().map(|p| (p.field.as_str(), p.expected.as_str())).collect();
        seen.sort_unstable();
        let fields: Vec<&str> = seen.iter().map(|s| s.0).collect();
        let expected = [
            "colour",
            "highest_internal_frequency_hz",
            "name",
            "ports[2].id",
            "ports[2].kind",
            "ports[2].outdoors",
            "slots[1].count",
            "supply.phases",
            "supply.voltage_v",
        ];
        assert_eq!(fields, expected, "{problems:?}");
        assert_eq!(seen[1].1, "a number above 0");
        assert!(seen[4].1.contains("ac_mains") && seen[5].1 == "true or false");
    }

    #[test]
    fn a_file_that_changed_meanwhile_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let mut project = Project::create(&dir.path().join("p")).unwrap();
        let path = project.dir().join("product.toml");
        let read = project.product_file().unwrap();
        let mut product = project.product().unwrap().product;
        product.name = "Mine".into();
        fs::write(&path, "name = \"Theirs\"\n").unwrap();
        let refusal = project.save_product(&product, &read.fingerprint).unwrap_err();
        assert!(matches!(&refusal, ProductRefusal::Changed { now } if now.text.contains("Theirs")), "{refusal}");
        assert!(project.save_product_text("name = \"Mine\"\n", &read.fingerprint).is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), "name = \"Theirs\"\n");

        let now = project.product_file().unwrap();
        let saved = project.save_product(&product, &now.fingerprint).unwrap();
        assert_eq!(saved, project.product_file().unwrap());
        assert_eq!(project.product().unwrap().product, product);
        assert!(matches!(
            project.save_product_text("name = 3\n", &saved.fingerprint).unwrap_err(),
            ProductRefusal::Answers { problems } if problems[0].field == "name" && problems[0].line == 1
        ));
        assert_eq!(saved, project.product_file().unwrap());
    }
}
