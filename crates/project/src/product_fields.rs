//! What `product.toml` may say, with the explanation of every key: one table from which the template of a new project, the
//! form, the known keys and the accepted numbers come.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

/// A heading of the form with the fields below it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldGroup {
    /// Unique name.
    pub id: String,
    /// Heading for people.
    pub title: String,
    /// The table in `product.toml` its fields stand in; empty for the top.
    pub table: String,
    /// Whether the table is a list, one block for each entry.
    #[serde(default)]
    pub list: bool,
    /// What one entry of a list is called.
    #[serde(default)]
    pub entry: String,
    /// What all its fields are for.
    pub intro: String,
    /// What can hurt someone here; empty where nothing can.
    #[serde(default)]
    pub caution: String,
    /// Entries with which a new project begins.
    #[serde(default, skip_serializing)]
    pub(crate) starts: Vec<std::collections::BTreeMap<String, String>>,
    /// Its fields, in the order in which they are asked.
    #[serde(rename = "field")]
    pub fields: Vec<ProductField>,
}

/// One key of `product.toml`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProductField {
    /// The key.
    pub key: String,
    /// Name for people.
    pub label: String,
    /// What it holds.
    pub kind: FieldKind,
    /// Unit of a number; empty where it has none.
    #[serde(default)]
    pub unit: String,
    /// Which numbers it takes.
    #[serde(default)]
    pub accept: Option<Accept>,
    /// What it is and why it is asked.
    pub what: String,
    /// Which tests or figures it moves; empty where it moves none.
    #[serde(default)]
    pub moves: String,
    /// A value, as TOML.
    pub example: String,
    /// The value with which a new project begins, as TOML.
    #[serde(default, skip_serializing)]
    pub(crate) starts: Option<String>,
    /// What can hurt someone here; empty where nothing can.
    #[serde(default)]
    pub caution: String,
    /// Words it may hold; those offered, where it is a list of texts.
    #[serde(default)]
    pub choices: Vec<FieldChoice>,
    /// Of a port: the kinds it is asked of; empty for all.
    #[serde(default)]
    pub ports: Vec<String>,
    /// The question that is put while it is missing, though no test of the plan hangs on it.
    #[serde(default)]
    pub wanted: String,
}

/// A word a field may hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldChoice {
    /// The word in the file.
    pub key: String,
    /// For people.
    pub text: String,
}

/// What a field holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FieldKind {
    /// A line of text.
    Text,
    /// Some sentences.
    LongText,
    /// A number in the field's unit.
    Number,
    /// True or false.
    Truth,
    /// One of its words.
    Choice,
    /// A list of texts.
    Texts,
}

/// Which numbers a field takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Accept {
    /// Above 0.
    Positive,
    /// 0 or above.
    NotNegative,
    /// Between 0 and 1, both excluded.
    Ratio,
    /// A whole number above 0.
    Count,
}

impl Accept {
    /// Whether a number is taken.
    pub fn takes(self, value: f64) -> bool {
        value.is_finite()
            && match self {
                Self::Positive => value > 0.0,
                Self::NotNegative => value >= 0.0,
                Self::Ratio => value > 0.0 && value < 1.0,
                Self::Count => value >= 1.0 && value.fract() == 0.0 && value <= f64::from(u32::MAX),
            }
    }

    /// What it takes, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Positive => "a number above 0",
            Self::NotNegative => "a number, 0 or above",
            Self::Ratio => "a number between 0 and 1",
            Self::Count => "a whole number above 0",
        }
    }
}

impl ProductField {
    /// What the field takes, in words.
    pub fn expected(&self) -> String {
        match self.kind {
            FieldKind::Text | FieldKind::LongText => "text in quotes".to_owned(),
            FieldKind::Number => self.accept.unwrap_or(Accept::Positive).words().to_owned(),
            FieldKind::Truth => "true or false".to_owned(),
            FieldKind::Choice => {
                let words: Vec<&str> = self.choices.iter().map(|c| c.key.as_str()).collect();
                format!("one of {}", words.join(", "))
            }
            FieldKind::Texts => "a list of texts, e.g. [\"one\", \"two\"]".to_owned(),
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Groups {
    group: Vec<FieldGroup>,
}

static GROUPS: LazyLock<Result<Vec<FieldGroup>, String>> = LazyLock::new(|| {
    toml_edit::de::from_str::<Groups>(include_str!("../data/product_fields.toml"))
        .map(|g| g.group)
        .map_err(|e| e.to_string())
});

/// Every key of `product.toml` with its explanation, in the order in which the form asks.
pub fn product_fields() -> &'static [FieldGroup] {
    // The table is part of the program and read by its tests; were it broken, no key would be known.
    GROUPS.as_deref().unwrap_or_default()
}

/// The field of a key in a table (`""` is the top).
pub(crate) fn field_of(table: &str, key: &str) -> Option<&'static ProductField> {
    product_fields().iter().filter(|g| g.table == table).flat_map(|g| &g.fields).find(|f| f.key == key)
}

/// Known keys of a table; of the top also the names of the tables.
pub(crate) fn keys_of(table: &str) -> Vec<&'static str> {
    let groups = product_fields();
    let own = groups.iter().filter(|g| g.table == table).flat_map(|g| &g.fields).map(|f| f.key.as_str());
    let tables = groups.iter().filter(|g| table.is_empty() && !g.table.is_empty()).map(|g| g.table.as_str());
    own.chain(tables).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use serde_json::Value;
    use standards::{Family, Port};

    use super::*;
    use crate::product::every_answer;

    /// Keys of every table, as serde writes a product in which nothing is left open.
    fn keys_of_the_struct() -> BTreeMap<String, Vec<String>> {
        let mut keys: BTreeMap<String, Vec<String>> = BTreeMap::new();
        let whole = serde_json::to_value(every_answer()).unwrap();
        for (key, value) in whole.as_object().unwrap() {
            let table = match value {
                Value::Object(table) => Some(table),
                Value::Array(list) => list.first().and_then(Value::as_object),
                _ => None,
            };
            match table {
                Some(table) => drop(keys.insert(key.clone(), table.keys().cloned().collect())),
                None => keys.entry(String::new()).or_default().push(key.clone()),
            }
        }
        for list in keys.values_mut() {
            list.sort();
        }
        keys
    }

    #[test]
    fn every_field_of_the_product_is_explained_and_every_explanation_has_its_field() {
        let mut explained: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for group in product_fields() {
            explained.entry(group.table.clone()).or_default().extend(group.fields.iter().map(|f| f.key.clone()));
        }
        for list in explained.values_mut() {
            list.sort();
        }
        assert_eq!(explained, keys_of_the_struct());
    }

    #[test]
    fn every_key_stands_in_the_page_on_the_project_folder() {
        let page = include_str!("../../../docs/project-folder.md");
        for group in product_fields() {
            for field in &group.fields {
                assert!(page.contains(&format!("`{}`", field.key)), "{}.{}", group.table, field.key);
            }
            assert!(group.table.is_empty() || page.contains(&format!("[{}]", group.table)), "{}", group.table);
        }
    }

    #[test]
    fn the_words_of_a_choice_are_those_that_are_read() {
        let words = |table: &str, key: &str| -> Vec<String> {
            field_of(table, key).unwrap().choices.iter().map(|c| c.key.clone()).collect()
        };
        assert_eq!(words("", "family"), Family::ALL.map(|f| f.key().to_owned()));
        let mut kinds = words("ports", "kind");
        let mut all = Port::ALL.map(|p| p.key().to_owned()).to_vec();
        kinds.sort();
        all.sort();
        assert_eq!(kinds, all);
        for group in product_fields() {
            for field in group.fields.iter().filter(|f| f.kind == FieldKind::Choice) {
                for choice in &field.choices {
                    let text = match group.table.as_str() {
                        "" => format!("name = \"x\"\n{} = \"{}\"\n", field.key, choice.key),
                        "ports" if field.key == "kind" => {
                            format!("name = \"x\"\n[[ports]]\nid = \"p\"\nkind = \"{}\"\n", choice.key)
                        }
                        table => {
                            let head = if group.list { format!("[[{table}]]") } else { format!("[{table}]") };
                            let rest = "id = \"p\"\nkind = \"load\"\nname = \"n\"\nport = \"p\"\npart = \"f\"";
                            format!("name = \"x\"\n{head}\n{rest}\n{} = \"{}\"\n", field.key, choice.key)
                        }
                    };
                    assert!(crate::Product::read(&text, "p").is_ok(), "{text}");
                }
            }
        }
    }

    #[test]
    fn an_explanation_is_a_sentence_or_two_and_its_example_is_taken() {
        for group in product_fields() {
            assert!(group.intro.ends_with('.') && group.list != group.entry.is_empty(), "{}", group.id);
            for field in &group.fields {
                let place = format!("{}.{}", group.table, field.key);
                assert!(field.what.ends_with('.') && field.what.len() > 6, "{place}");
                assert!(field.moves.is_empty() || field.moves.ends_with('.'), "{place}");
                assert!(field.what.len() + field.moves.len() < 330, "{place}: nobody reads that much beside a field");
                let number = field.kind == FieldKind::Number;
                assert_eq!(field.accept.is_some(), number, "{place}");
                if number {
                    let example: f64 = field.example.replace('_', "").parse().unwrap();
                    assert!(field.accept.unwrap().takes(example), "{place}");
                    let unit = match field.key.rsplit('_').next().unwrap() {
                        "v" => "V",
                        "hz" => "Hz",
                        "a" => "A",
                        "f" => "F",
                        "ohm" => "Ω",
                        "m" => "m",
                        "s" => "s",
                        "w" => "W",
                        "ppm" => "ppm",
                        _ => "",
                    };
                    assert_eq!(field.unit, unit, "{place}: the key ends in its unit");
                }
            }
        }
    }
}
