//! Parameters, models and subcircuits as a card sees them, and reading a card piece by piece.

use std::collections::HashMap;

use super::lines::{Card, Token};
use crate::error::{NetlistError, Note, Place};
use crate::expr::Expr;
use crate::number::{self, Unit};

/// A subcircuit as defined.
#[derive(Debug)]
pub(super) struct Definition {
    pub(super) place: Place,
    pub(super) ports: Vec<String>,
    pub(super) defaults: Vec<(String, Token)>,
    pub(super) body: Body,
}

/// Cards of one level: the main network or a subcircuit.
#[derive(Debug, Default)]
pub(super) struct Body {
    pub(super) elements: Vec<Card>,
    pub(super) params: Vec<Card>,
    pub(super) models: HashMap<String, Card>,
    pub(super) subcircuits: HashMap<String, Definition>,
    pub(super) initial: Vec<Card>,
}

/// What names mean at one level; the levels that called it are above.
pub(super) struct Scope<'a> {
    pub(super) above: Option<&'a Scope<'a>>,
    pub(super) body: &'a Body,
    pub(super) params: HashMap<String, f64>,
    /// `x1.` for elements and inner nodes; empty at the top.
    pub(super) prefix: String,
    /// Ports of the subcircuit, with the node outside.
    pub(super) ports: HashMap<String, String>,
    pub(super) depth: usize,
}

impl Scope<'_> {
    pub(super) fn param(&self, name: &str) -> Option<f64> {
        self.params.get(name).copied().or_else(|| self.above.and_then(|a| a.param(name)))
    }

    pub(super) fn model(&self, name: &str) -> Option<&Card> {
        self.body.models.get(name).or_else(|| self.above.and_then(|a| a.model(name)))
    }

    pub(super) fn subcircuit(&self, name: &str) -> Option<&Definition> {
        self.body.subcircuits.get(name).or_else(|| self.above.and_then(|a| a.subcircuit(name)))
    }

    /// The full name of a node as written at this level.
    pub(super) fn node(&self, name: &str, globals: &[String]) -> String {
        let name = name.to_ascii_lowercase();
        if name == "0" || name == "gnd" || globals.contains(&name) {
            return name;
        }
        match self.ports.get(&name) {
            Some(outside) => outside.clone(),
            None => format!("{}{name}", self.prefix),
        }
    }

    /// Works out an expression with this level's parameters.
    pub(super) fn expression(&self, text: &str) -> Result<Expr, String> {
        Expr::parse(text)?.with_parameters(&|n| self.param(n))
    }

    /// The value of a token: a number, an expression, or the bare name of a parameter.
    pub(super) fn number(&self, token: &Token, unit: Unit) -> Result<(f64, Option<String>), String> {
        match token {
            Token::Expression(text) => Ok((self.expression(text)?.constant()?, None)),
            Token::Word(text) => {
                let n = match number::parse(text) {
                    Ok(n) => n,
                    Err(what) => {
                        let name = text.to_ascii_lowercase();
                        return self.param(&name).map(|v| (v, None)).ok_or(what);
                    }
                };
                if n.unit != Unit::None && unit != Unit::None && n.unit != unit {
                    return Err(format!("`{text}` is in {}, not in {}", n.unit.name(), unit.name()));
                }
                let note = if n.capital_m && unit == Unit::Ohm {
                    Some(format!("`{text}` is read as milli ({:e}), as this syntax has it; mega is `meg`", n.value))
                } else if n.lone_f && unit == Unit::Farad {
                    Some(format!("`{text}` is read as femto ({:e} F), as this syntax has it", n.value))
                } else {
                    None
                };
                Ok((n.value, note))
            }
            _ => Err("a sign stands where a value was expected".into()),
        }
    }
}

/// Reads a card from left to right.
pub(super) struct Reader<'c, 's> {
    pub(super) card: &'c Card,
    pub(super) at: usize,
    pub(super) scope: &'s Scope<'s>,
    pub(super) notes: Vec<Note>,
}

impl<'c, 's> Reader<'c, 's> {
    pub(super) fn new(card: &'c Card, scope: &'s Scope<'s>) -> Self {
        Self { card, at: 0, scope, notes: Vec::new() }
    }

    pub(super) fn error(&self, what: impl Into<String>, expected: impl Into<String>) -> NetlistError {
        NetlistError::at(&self.card.place, what, expected)
    }

    pub(super) fn peek(&self) -> Option<&'c Token> {
        self.card.tokens.get(self.at)
    }

    /// The next word in lower case, without taking it.
    pub(super) fn peek_word(&self) -> Option<String> {
        match self.peek() {
            Some(Token::Word(w)) => Some(w.to_ascii_lowercase()),
            _ => None,
        }
    }

    /// True where `name =` comes next.
    pub(super) fn at_setting(&self) -> bool {
        matches!(self.peek(), Some(Token::Word(_))) && self.card.tokens.get(self.at + 1) == Some(&Token::Equals)
    }

    pub(super) fn word(&mut self, expected: &str) -> Result<String, NetlistError> {
        match self.peek() {
            Some(Token::Word(w)) if !self.at_setting() => {
                self.at += 1;
                Ok(w.to_ascii_lowercase())
            }
            Some(_) => Err(self.error(format!("{expected} is missing"), expected)),
            None => Err(self.error(format!("the card ends before {expected}"), expected)),
        }
    }

    pub(super) fn value(&mut self, unit: Unit, expected: &str) -> Result<f64, NetlistError> {
        let Some(token) = self.peek() else {
            return Err(self.error(format!("the card ends before {expected}"), expected));
        };
        match self.scope.number(token, unit) {
            Ok((v, note)) => {
                self.at += 1;
                if let Some(what) = note {
                    self.notes.push(Note { place: self.card.place.clone(), what });
                }
                Ok(v)
            }
            Err(what) => Err(self.error(what, expected)),
        }
    }

    /// True where the next token can be read as a value.
    pub(super) fn at_value(&self) -> bool {
        !self.at_setting() && self.peek().is_some_and(|t| self.scope.number(t, Unit::None).is_ok())
    }

    pub(super) fn setting(&mut self) -> Result<Option<(String, Token)>, NetlistError> {
        if !self.at_setting() {
            return Ok(None);
        }
        let Some(Token::Word(name)) = self.peek() else { return Ok(None) };
        let name = name.to_ascii_lowercase();
        self.at += 2;
        match self.peek() {
            Some(t @ (Token::Word(_) | Token::Expression(_))) => {
                self.at += 1;
                Ok(Some((name, t.clone())))
            }
            _ => Err(self.error(format!("`{name}=` has no value"), "a value behind the sign")),
        }
    }

    pub(super) fn end(&self, expected: &str) -> Result<(), NetlistError> {
        match self.peek() {
            None => Ok(()),
            Some(t) => {
                let found = match t {
                    Token::Word(w) => format!("`{w}`"),
                    Token::Expression(e) => format!("`{{{e}}}`"),
                    Token::Open => "`(`".into(),
                    Token::Close => "`)`".into(),
                    Token::Equals => "`=`".into(),
                };
                Err(self.error(format!("{found} is not understood here"), expected))
            }
        }
    }
}
