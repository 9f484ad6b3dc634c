//! The answers by name: one table says which there are, how they are asked, read and written.

use standards::{Family, Place, Port};

use crate::answers::{Answers, PortAnswers};

/// An answer with its present value, for showing and for trying another one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AnswerField {
    /// Where it stands in `product.toml`; a port's is `ports.ID.FIELD`.
    pub field: String,
    /// The question.
    pub text: String,
    /// The present answer as text; `unknown` where there is none.
    pub value: String,
    /// The answers to choose from; empty where a number is asked for.
    pub choices: Vec<String>,
}

/// An answer that cannot be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {what}; expected {expected}")]
pub struct AnswerError {
    /// The field.
    pub field: String,
    /// What was found.
    pub what: String,
    /// What was expected.
    pub expected: String,
}

/// Reading and writing of one answer of `T`.
#[derive(Clone, Copy)]
enum Kind<T> {
    /// Yes, no or unknown.
    Truth(fn(&mut T) -> &mut Option<bool>),
    /// A number of 0 or above, or unknown.
    Number(fn(&mut T) -> &mut Option<f64>),
    /// A word out of a list.
    Word { words: fn() -> Vec<&'static str>, get: fn(&T) -> Option<&'static str>, set: fn(&mut T, &str) },
    /// Several words, comma-separated; the list is a suggestion.
    List { usual: &'static [&'static str], list: fn(&mut T) -> &mut Vec<String> },
}

/// One row: name, question, reading and writing.
struct Row<T> {
    name: &'static str,
    text: &'static str,
    kind: Kind<T>,
}

const PLACES: [Place; 4] = [Place::Residential, Place::Commercial, Place::Industrial, Place::Controlled];

const PRODUCT: [Row<Answers>; 9] = [
    Row {
        name: "family",
        text: "What kind of product is it?",
        kind: Kind::Word {
            words: || Family::ALL.map(Family::key).to_vec(),
            get: |a| a.family.map(Family::key),
            set: |a, w| a.family = Family::ALL.into_iter().find(|f| f.key() == w),
        },
    },
    Row {
        name: "environment",
        text: "Where is it meant to work?",
        kind: Kind::Word {
            words: || PLACES.map(Place::key).to_vec(),
            get: |a| a.environment.map(Place::key),
            set: |a, w| a.environment = PLACES.into_iter().find(|p| p.key() == w),
        },
    },
    Row {
        name: "markets",
        text: "Where will it be sold?",
        kind: Kind::List { usual: &["EU", "UK", "EU,UK", "US", "EU,US", "EU,UK,US"], list: |a| &mut a.markets },
    },
    Row { name: "supply.current_a", text: "Rated current of a phase, A", kind: Kind::Number(|a| &mut a.current_a) },
    Row { name: "supply.earthed", text: "Is it joined to earth?", kind: Kind::Truth(|a| &mut a.earthed) },
    Row {
        name: "magnetic_parts",
        text: "Does something inside feel magnetic fields?",
        kind: Kind::Truth(|a| &mut a.magnetic_parts),
    },
    Row {
        name: "electronics",
        text: "Is there an electronic circuit inside?",
        kind: Kind::Truth(|a| &mut a.electronics),
    },
    Row {
        name: "highest_internal_frequency_hz",
        text: "Highest frequency inside, Hz",
        kind: Kind::Number(|a| &mut a.highest_internal_frequency_hz),
    },
    Row { name: "clocks", text: "Highest clock or converter, Hz", kind: Kind::Number(|a| &mut a.highest_clock_hz) },
];

const PORT: [Row<PortAnswers>; 5] = [
    Row { name: "cable_length_m", text: "longest cable, m", kind: Kind::Number(|p| &mut p.cable_length_m) },
    Row { name: "outdoors", text: "does the cable leave the building?", kind: Kind::Truth(|p| &mut p.outdoors) },
    Row { name: "screened", text: "is the cable screened?", kind: Kind::Truth(|p| &mut p.screened) },
    Row {
        name: "dc_network",
        text: "does it hang on a DC distribution network?",
        kind: Kind::Truth(|p| &mut p.dc_network),
    },
    Row {
        name: "dc_adaptor",
        text: "is it fed by an AC/DC adaptor of its own?",
        kind: Kind::Truth(|p| &mut p.dc_adaptor),
    },
];

const UNKNOWN: &str = "unknown";

impl<T: Clone> Row<T> {
    fn shown(&self, of: &T, field: String, text: String) -> AnswerField {
        let mut of = of.clone();
        let strings = |words: &[&str]| words.iter().map(|w| (*w).to_owned()).collect();
        let (value, choices) = match &self.kind {
            Kind::Truth(at) => (at(&mut of).map(|b| b.to_string()), strings(&["true", "false", UNKNOWN])),
            Kind::Number(at) => (at(&mut of).map(|x| x.to_string()), Vec::new()),
            Kind::Word { words, get, .. } => (get(&of).map(str::to_owned), strings(&words())),
            Kind::List { usual, list } => (Some(list(&mut of).join(",")), strings(usual)),
        };
        AnswerField { field, text, value: value.unwrap_or_else(|| UNKNOWN.to_owned()), choices }
    }

    fn set(&self, of: &mut T, field: &str, value: &str) -> Result<(), AnswerError> {
        let refuse =
            |expected: String| AnswerError { field: field.to_owned(), what: format!("found `{value}`"), expected };
        match &self.kind {
            Kind::Truth(at) => {
                *at(of) = match value {
                    "true" | "yes" => Some(true),
                    "false" | "no" => Some(false),
                    "" | UNKNOWN => None,
                    _ => return Err(refuse("true, false or unknown".to_owned())),
                };
            }
            Kind::Number(at) => {
                *at(of) = match value {
                    "" | UNKNOWN => None,
                    v => match v.parse::<f64>() {
                        Ok(x) if x.is_finite() && x >= 0.0 => Some(x),
                        _ => return Err(refuse("a number, 0 or above, or unknown".to_owned())),
                    },
                };
            }
            Kind::Word { words, set, .. } => {
                let words = words();
                if !words.contains(&value) {
                    return Err(refuse(words.join(", ")));
                }
                set(of, value);
            }
            Kind::List { list, .. } => {
                *list(of) = value.split(',').map(|m| m.trim().to_owned()).filter(|m| !m.is_empty()).collect();
            }
        }
        Ok(())
    }
}

impl Answers {
    /// Every answer that the plan uses, by name, with its present value.
    pub fn fields(&self) -> Vec<AnswerField> {
        let mut list: Vec<AnswerField> =
            PRODUCT.iter().map(|r| r.shown(self, r.name.to_owned(), r.text.to_owned())).collect();
        for port in self.ports.iter().filter(|p| p.kind != Port::Enclosure) {
            list.extend(
                PORT.iter().filter(|r| !r.name.starts_with("dc_") || port.kind == Port::DcPower).map(|r| {
                    r.shown(port, format!("ports.{}.{}", port.id, r.name), format!("{}: {}", port.name, r.text))
                }),
            );
        }
        list
    }

    /// The answers with one changed, named as in [`AnswerField::field`] and [`crate::Question::field`].
    ///
    /// # Errors
    /// Names the field, what was given and what was expected.
    pub fn with(&self, field: &str, value: &str) -> Result<Self, AnswerError> {
        let mut changed = self.clone();
        if let Some(row) = PRODUCT.iter().find(|r| r.name == field) {
            row.set(&mut changed, field, value)?;
            return Ok(changed);
        }
        let refuse =
            |what: &str, expected: String| AnswerError { field: field.to_owned(), what: what.to_owned(), expected };
        let Some((id, name)) = field.strip_prefix("ports.").and_then(|rest| rest.rsplit_once('.')) else {
            let names: Vec<&str> = PRODUCT.iter().map(|r| r.name).collect();
            return Err(refuse("not an answer of the plan", format!("{}, or ports.ID.FIELD", names.join(", "))));
        };
        let ids = self.ports.iter().map(|p| p.id.as_str()).collect::<Vec<_>>().join(", ");
        let port = changed
            .ports
            .iter_mut()
            .find(|p| p.id == id)
            .ok_or_else(|| refuse("no such port", format!("one of {ids}")))?;
        let row = PORT.iter().find(|r| r.name == name).ok_or_else(|| {
            refuse("not a field of a port", PORT.iter().map(|r| r.name).collect::<Vec<_>>().join(", "))
        })?;
        row.set(port, field, value)?;
        Ok(changed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answers() -> Answers {
        let port = |id: &str, kind| PortAnswers {
            id: id.to_owned(),
            name: id.to_uppercase(),
            kind,
            cable_length_m: None,
            screened: None,
            outdoors: None,
            dc_network: None,
            dc_adaptor: None,
        };
        Answers { ports: vec![port("s", Port::SignalControl), port("d.c", Port::DcPower)], ..Answers::default() }
    }

    #[test]
    fn every_question_of_a_plan_can_be_answered_and_is_shown() {
        let answers = answers();
        let open = crate::plan(&answers, standards::RuleBase::embedded()).questions;
        assert!(!open.is_empty());
        for q in open {
            let field = &q.question.field;
            let shown = answers.fields().into_iter().find(|f| &f.field == field).unwrap_or_else(|| panic!("{field}"));
            let value = shown.choices.iter().rfind(|c| *c != UNKNOWN).cloned().unwrap_or_else(|| "10".to_owned());
            let changed = answers.with(field, &value).unwrap();
            assert_ne!(changed, answers, "{field}");
            assert_eq!(changed.fields().into_iter().find(|f| &f.field == field).unwrap().value, value);
        }
    }

    #[test]
    fn what_is_shown_can_be_given_back() {
        let mut whole = answers();
        for field in answers().fields() {
            let value = field.choices.first().cloned().unwrap_or_else(|| "2.5".to_owned());
            whole = whole.with(&field.field, &value).unwrap();
        }
        let again = whole.fields().iter().fold(answers(), |a, f| a.with(&f.field, &f.value).unwrap());
        assert_eq!(again, whole);
        let none = whole
            .fields()
            .iter()
            .filter(|f| f.choices.is_empty())
            .fold(whole.clone(), |a, f| a.with(&f.field, UNKNOWN).unwrap());
        assert_eq!(none.highest_clock_hz, None);
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_could() {
        for (field, value, word) in [
            ("ports.x.screened", "true", "one of s, d.c"),
            ("ports.s.colour", "1", "cable_length_m"),
            ("size", "1", "family"),
            ("family", "boat", "alarm"),
            ("supply.current_a", "-1", "0 or above"),
            ("electronics", "maybe", "true, false or unknown"),
        ] {
            let error = answers().with(field, value).unwrap_err().to_string();
            assert!(error.contains(word), "{error}");
        }
    }
}
