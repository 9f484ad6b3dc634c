//! Tables of a TOML file with the lines their fields stand on; every problem is collected, not only the first.

use std::cell::RefCell;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::DescriptionProblem;

pub(super) struct Problems<'a> {
    pub(super) file: &'a str,
    pub(super) text: &'a str,
    pub(super) found: RefCell<Vec<DescriptionProblem>>,
}

impl Problems<'_> {
    pub(super) fn line(&self, at: usize) -> usize {
        self.text.get(..at).unwrap_or(self.text).matches('\n').count() + 1
    }

    pub(super) fn add(&self, at: usize, field: &str, what: impl Into<String>, expected: impl Into<String>) {
        self.found.borrow_mut().push(DescriptionProblem {
            file: self.file.to_owned(),
            line: self.line(at),
            field: field.to_owned(),
            what: what.into(),
            expected: expected.into(),
        });
    }
}

/// A table and where it stands.
pub(super) struct Part<'a> {
    pub(super) problems: &'a Problems<'a>,
    pub(super) table: &'a DeTable<'a>,
    /// `trace.frequency`; empty for the file itself.
    pub(super) name: String,
    pub(super) at: usize,
}

/// A value for people.
fn value_words(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(s) => format!("\"{s}\""),
        DeValue::Integer(i) => i.to_string(),
        DeValue::Float(f) => f.to_string(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
        DeValue::Datetime(d) => d.to_string(),
    }
}

fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(i) if i.radix() == 10 => i.as_str().replace('_', "").parse().ok(),
        DeValue::Integer(i) => i64::from_str_radix(&i.as_str().replace('_', ""), i.radix()).ok().map(|v| v as f64),
        DeValue::Float(f) => f.as_str().replace('_', "").parse().ok(),
        _ => None,
    }
    .filter(|v: &f64| v.is_finite())
}

impl<'a> Part<'a> {
    pub(super) fn path(&self, field: &str) -> String {
        if self.name.is_empty() { field.to_owned() } else { format!("{}.{field}", self.name) }
    }

    pub(super) fn find(&self, field: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table.iter().find(|(k, _)| k.get_ref() == field).map(|(_, v)| v)
    }

    pub(super) fn wrong(&self, field: &str, what: impl Into<String>, expected: impl Into<String>) {
        let at = self.find(field).map_or(self.at, |v| v.span().start);
        self.problems.add(at, &self.path(field), what, expected);
    }

    fn wrong_value(&self, field: &str, expected: impl Into<String>) {
        let what = self.find(field).map_or_else(|| "missing".to_owned(), |v| value_words(v.get_ref()));
        self.wrong(field, what, expected);
    }

    /// Fields that nothing reads are faults: a misspelt one would silently do nothing.
    pub(super) fn known(&self, fields: &[&str]) {
        for (key, _) in self.table {
            if !fields.contains(&key.get_ref().as_ref()) {
                let expected = format!("one of {}", fields.join(", "));
                self.problems.add(key.span().start, &self.path(key.get_ref()), "no such field", expected);
            }
        }
    }

    pub(super) fn part(&self, field: &str) -> Option<Part<'a>> {
        let value = self.find(field)?;
        match value.get_ref() {
            DeValue::Table(table) => {
                Some(Part { problems: self.problems, table, name: self.path(field), at: value.span().start })
            }
            _ => {
                self.wrong_value(field, format!("a table: [{}]", self.path(field)));
                None
            }
        }
    }

    pub(super) fn text(&self, field: &str) -> Option<&'a str> {
        let value = self.find(field)?;
        match value.get_ref() {
            DeValue::String(s) if !s.trim().is_empty() => Some(s.as_ref()),
            _ => {
                self.wrong_value(field, "text in quotes");
                None
            }
        }
    }

    pub(super) fn needed(&self, field: &str, expected: &str) -> Option<&'a str> {
        if self.find(field).is_none() {
            self.wrong(field, "missing", expected);
        }
        self.text(field)
    }

    pub(super) fn yes(&self, field: &str, otherwise: bool) -> bool {
        match self.find(field).map(Spanned::get_ref) {
            None => otherwise,
            Some(DeValue::Boolean(b)) => *b,
            Some(_) => {
                self.wrong_value(field, "true or false");
                otherwise
            }
        }
    }

    pub(super) fn number(&self, field: &str, fits: impl Fn(f64) -> bool, expected: &str) -> Option<f64> {
        let value = self.find(field)?;
        let number = number_of(value.get_ref()).filter(|v| fits(*v));
        if number.is_none() {
            self.wrong_value(field, expected);
        }
        number
    }

    /// One of some words.
    pub(super) fn choice<T: Copy>(&self, field: &str, choices: &[(&str, T)]) -> Option<T> {
        let text = self.text(field)?;
        let found = choices.iter().find(|(name, _)| *name == text).map(|(_, v)| *v);
        if found.is_none() {
            let names: Vec<&str> = choices.iter().map(|c| c.0).collect();
            self.wrong_value(field, format!("one of {}", names.join(", ")));
        }
        found
    }

    /// A list of tables.
    pub(super) fn parts(&self, field: &str) -> Vec<Part<'a>> {
        let Some(value) = self.find(field) else { return Vec::new() };
        let DeValue::Array(list) = value.get_ref() else {
            self.wrong_value(field, format!("tables: [[{}]]", self.path(field)));
            return Vec::new();
        };
        let mut out = Vec::new();
        for (i, item) in list.iter().enumerate() {
            let name = format!("{}[{}]", self.path(field), i + 1);
            match item.get_ref() {
                DeValue::Table(table) => out.push(Part { problems: self.problems, table, name, at: item.span().start }),
                other => self.problems.add(item.span().start, &name, value_words(other), "a table"),
            }
        }
        out
    }

    fn message(&self, at: usize, path: &str, text: &str, query: bool) -> Option<String> {
        let wrong = |what: String, expected: &str| {
            self.problems.add(at, path, what, expected);
            None
        };
        if text.trim().is_empty() || !text.bytes().all(|b| matches!(b, 0x20..=0x7e)) {
            return wrong(format!("\"{}\"", text.escape_debug()), "a message of printable ASCII on one line");
        }
        let asks = text.contains('?');
        match (query, asks) {
            (true, false) => wrong(format!("\"{text}\""), "a query, which ends in `?`"),
            (false, true) => {
                wrong(format!("\"{text}\", a query, whose answer nobody would read"), "a command without an answer")
            }
            _ => Some(text.trim().to_owned()),
        }
    }

    pub(super) fn query(&self, field: &str) -> Option<String> {
        let text = self.text(field)?;
        self.message(self.find(field)?.span().start, &self.path(field), text, true)
    }

    pub(super) fn commands(&self, field: &str) -> Vec<String> {
        let Some(value) = self.find(field) else { return Vec::new() };
        let DeValue::Array(list) = value.get_ref() else {
            self.wrong_value(field, "a list of commands: [\"…\", \"…\"]");
            return Vec::new();
        };
        let mut out = Vec::new();
        for (i, item) in list.iter().enumerate() {
            let path = format!("{}[{}]", self.path(field), i + 1);
            match item.get_ref() {
                DeValue::String(s) => out.extend(self.message(item.span().start, &path, s, false)),
                other => self.problems.add(item.span().start, &path, value_words(other), "a command in quotes"),
            }
        }
        out
    }
}
