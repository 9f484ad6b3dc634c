//! Netlists in the common card syntax. What is not understood is an error that names the card, never skipped.

mod elements;
mod lines;
mod models;
mod scope;
mod sources;

use std::collections::HashMap;
use std::sync::Arc;

use lines::{Card, Token};
use scope::{Body, Definition, Reader, Scope};

use crate::error::{NetlistError, Note, Place};
use crate::netlist::Netlist;
use crate::number::Unit;

/// Deeper calls of subcircuits are taken for endless ones.
const DEEPEST: usize = 40;
/// More elements than this are taken for a mistake in nested subcircuits.
const MOST_ELEMENTS: usize = 200_000;

/// Output and analysis cards: the caller says which analysis is run and what is looked at.
const NOT_RUN: [&str; 17] = [
    ".ac", ".tran", ".op", ".dc", ".tf", ".pz", ".noise", ".print", ".plot", ".probe", ".save", ".width", ".meas",
    ".measure", ".four", ".nodeset", ".option",
];

pub(crate) fn parse(text: &str, name: &str) -> Result<Netlist, NetlistError> {
    let file: Arc<str> = name.into();
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let lines: Vec<&str> = text.lines().collect();
    let mut net = Netlist::new();
    name.clone_into(&mut net.file);
    let Some(first) = lines.first().map(|l| l.trim()) else {
        let place = Place { file, line: 0, card: "".into() };
        return Err(NetlistError::at(&place, "the netlist is empty", "a title line and cards"));
    };
    // By convention the first line is the title. One that reads as a card is taken as one, so that nothing is lost.
    let title_is_card = reads_as_card(first, &file);
    first.trim_start_matches('*').trim().clone_into(&mut net.title);
    let raw = lines::gather(&lines, usize::from(!title_is_card), &file)?;
    if title_is_card {
        net.title = String::new();
        net.notes.push(Note {
            place: Place { file: file.clone(), line: 1, card: first.into() },
            what: "the first line is the title by convention; this one reads as a card and was taken as one".into(),
        });
    }

    let mut levels: Vec<(String, Definition)> = Vec::new();
    let mut main = Body::default();
    let mut globals: Vec<String> = Vec::new();
    let mut ended = false;
    for r in raw {
        let place = Place { file: file.clone(), line: r.line, card: r.text.as_str().into() };
        if ended {
            net.notes.push(Note { place, what: "stands after `.end` and was not read, nor anything below it".into() });
            break;
        }
        let card = lines::tokens(place)?;
        let Some(Token::Word(head)) = card.tokens.first() else {
            return Err(NetlistError::at(
                &card.place,
                "the card does not begin with a name",
                "an element or a dot card",
            ));
        };
        let head = head.to_ascii_lowercase();
        let body = levels.last_mut().map_or(&mut main, |(_, d)| &mut d.body);
        match head.as_str() {
            ".end" => ended = true,
            ".param" | ".params" => body.params.push(card),
            ".ic" => body.initial.push(card),
            ".model" => {
                let Some(Token::Word(name)) = card.tokens.get(1) else {
                    return Err(NetlistError::at(&card.place, "the model has no name", ".model name type(settings)"));
                };
                let name = name.to_ascii_lowercase();
                if let Some(before) = body.models.get(&name) {
                    let line = before.place.line;
                    let what = format!("the model `{name}` is already defined on line {line}");
                    return Err(NetlistError::at(&card.place, what, "one definition"));
                }
                body.models.insert(name, card);
            }
            ".global" => {
                for t in &card.tokens[1..] {
                    if let Token::Word(w) = t {
                        globals.push(w.to_ascii_lowercase());
                    }
                }
            }
            ".subckt" => levels.push(open_subcircuit(card)?),
            ".ends" => {
                let Some((name, definition)) = levels.pop() else {
                    return Err(NetlistError::at(&card.place, "no subcircuit is open", "`.subckt` before it"));
                };
                if let Some(Token::Word(said)) = card.tokens.get(1)
                    && !said.eq_ignore_ascii_case(&name)
                {
                    let what = format!("`{said}` ends while `{name}` is open");
                    return Err(NetlistError::at(&card.place, what, format!("`.ends {name}`")));
                }
                let outer = levels.last_mut().map_or(&mut main, |(_, d)| &mut d.body);
                if let Some(before) = outer.subcircuits.get(&name) {
                    let line = before.place.line;
                    let what = format!("the subcircuit `{name}` is already defined on line {line}");
                    return Err(NetlistError::at(&definition.place, what, "one definition"));
                }
                outer.subcircuits.insert(name, definition);
            }
            ".title" => card.place.card[6..].trim().clone_into(&mut net.title),
            ".temp" => temperature(&card)?,
            ".options" => net.notes.push(not_run(&card)),
            _ if NOT_RUN.contains(&head.as_str()) => {
                net.asks_for_initial |= head == ".tran"
                    && card.tokens.iter().any(|t| matches!(t, Token::Word(w) if w.eq_ignore_ascii_case("uic")));
                net.notes.push(not_run(&card));
            }
            ".control" => {
                return Err(NetlistError::at(
                    &card.place,
                    "a script of commands is not carried out, and it might change the network",
                    "the network alone; take the block out and name analysis and probes in the call",
                ));
            }
            ".include" | ".inc" | ".lib" => {
                return Err(NetlistError::at(
                    &card.place,
                    "other files are not read from a netlist",
                    "the cards of that file in this one",
                ));
            }
            _ if head.starts_with('.') => {
                return Err(NetlistError::at(
                    &card.place,
                    format!("`{head}` is no card known here"),
                    ".param, .model, .subckt, .ends, .ic, .global or .end",
                ));
            }
            _ => body.elements.push(card),
        }
    }
    if let Some((name, definition)) = levels.pop() {
        let what = format!("the subcircuit `{name}` is not ended");
        return Err(NetlistError::at(&definition.place, what, "`.ends` after its cards"));
    }

    let mut scope = Scope {
        above: None,
        body: &main,
        params: HashMap::new(),
        prefix: String::new(),
        ports: HashMap::new(),
        depth: 0,
    };
    settle_params(&mut scope)?;
    expand(&mut net, &scope, &globals)?;
    if net.elements.is_empty() {
        let place = Place { file, line: 0, card: "".into() };
        return Err(NetlistError::at(&place, "the netlist has no elements", "at least one element card"));
    }
    net.check()?;
    Ok(net)
}

fn not_run(card: &Card) -> Note {
    Note {
        place: card.place.clone(),
        what: "read and left aside: the call says which analysis is run, with which settings, and what is looked at"
            .into(),
    }
}

/// True where a line is a whole element card with nothing missing and nothing left over.
fn reads_as_card(line: &str, file: &Arc<str>) -> bool {
    if line.starts_with('*') || line.starts_with('+') || line.is_empty() {
        return false;
    }
    let Ok(raw) = lines::gather(&[line], 0, file) else { return false };
    let Some(raw) = raw.first() else { return false };
    let Ok(card) = lines::tokens(Place { file: file.clone(), line: 1, card: raw.text.as_str().into() }) else {
        return false;
    };
    // Only the plain elements: a title is likelier than a call of something defined below.
    let plain = matches!(card.tokens.first(), Some(Token::Word(w))
        if w.len() >= 2 && w.starts_with(['r', 'l', 'c', 'v', 'i', 'R', 'L', 'C', 'V', 'I']));
    if !plain {
        return false;
    }
    let body = Body::default();
    let scope = Scope {
        above: None,
        body: &body,
        params: HashMap::new(),
        prefix: String::new(),
        ports: HashMap::new(),
        depth: 0,
    };
    elements::read(&mut Netlist::new(), &card, &scope, &[]).is_ok()
}

fn temperature(card: &Card) -> Result<(), NetlistError> {
    for t in &card.tokens[1..] {
        let celsius = match t {
            Token::Word(w) => crate::number::parse(w).map(|n| n.value).ok(),
            _ => None,
        };
        if celsius != Some(27.0) {
            return Err(NetlistError::at(
                &card.place,
                "networks are computed at 27 °C only",
                ".temp 27, or no such card",
            ));
        }
    }
    Ok(())
}

fn open_subcircuit(card: Card) -> Result<(String, Definition), NetlistError> {
    let mut ports = Vec::new();
    let mut defaults = Vec::new();
    let mut i = 1;
    while i < card.tokens.len() {
        match (&card.tokens[i], card.tokens.get(i + 1)) {
            (Token::Word(name), Some(Token::Equals)) => {
                let Some(value @ (Token::Word(_) | Token::Expression(_))) = card.tokens.get(i + 2) else {
                    return Err(NetlistError::at(&card.place, format!("`{name}=` has no value"), "a value"));
                };
                defaults.push((name.to_ascii_lowercase(), value.clone()));
                i += 3;
            }
            (Token::Word(name), _) if name.eq_ignore_ascii_case("params:") => i += 1,
            (Token::Word(name), _) if defaults.is_empty() => {
                ports.push(name.to_ascii_lowercase());
                i += 1;
            }
            _ => {
                return Err(NetlistError::at(
                    &card.place,
                    "the subcircuit's line is not understood",
                    ".subckt name node … parameter=value …",
                ));
            }
        }
    }
    if ports.is_empty() {
        return Err(NetlistError::at(&card.place, "the subcircuit has no name", ".subckt name node …"));
    }
    let name = ports.remove(0);
    for (i, p) in ports.iter().enumerate() {
        if ports[..i].contains(p) || p == "0" || p == "gnd" {
            let what = format!("the node `{p}` stands twice or is ground");
            return Err(NetlistError::at(&card.place, what, "different nodes; ground is common anyway"));
        }
    }
    Ok((name, Definition { place: card.place, ports, defaults, body: Body::default() }))
}

/// Works out the `.param` cards of a level; they may stand in any order.
fn settle_params(scope: &mut Scope<'_>) -> Result<(), NetlistError> {
    let mut open: Vec<(String, Token, &Card)> = Vec::new();
    for card in &scope.body.params {
        let mut r = Reader::new(card, scope);
        r.at = 1;
        while let Some((name, token)) = r.setting()? {
            if let Some((_, _, first)) = open.iter().find(|(n, _, _)| *n == name) {
                let what = format!("the parameter `{name}` is already set on line {}", first.place.line);
                return Err(r.error(what, "one value"));
            }
            open.push((name, token, card));
        }
        r.end(".param name=value …, with expressions in braces")?;
    }
    // What was handed over by the call stands above what the subcircuit sets itself: that would be a contradiction.
    if let Some((name, _, card)) = open.iter().find(|(n, _, _)| scope.params.contains_key(n)) {
        let what = format!("`{name}` is a parameter of the subcircuit already");
        return Err(NetlistError::at(&card.place, what, "another name"));
    }
    while !open.is_empty() {
        let before = open.len();
        let mut trouble = None;
        let mut still = Vec::new();
        let own: Vec<String> = open.iter().map(|(n, _, _)| n.clone()).collect();
        for (name, token, card) in open {
            // A parameter of this level that is not worked out yet must not be taken from the level above.
            let value = match &token {
                Token::Expression(text) => crate::expr::Expr::parse(text)
                    .and_then(|e| {
                        e.with_parameters(&|n| {
                            if own.iter().any(|o| o == n) { scope.params.get(n).copied() } else { scope.param(n) }
                        })
                    })
                    .and_then(|e| e.constant()),
                Token::Word(w) => match scope.number(&token, Unit::None) {
                    Ok((v, _)) if !own.contains(&w.to_ascii_lowercase()) => Ok(v),
                    // Expressions without braces: `.param a=2*b`.
                    _ => crate::expr::Expr::parse(w)
                        .and_then(|e| {
                            e.with_parameters(&|n| {
                                if own.iter().any(|o| o == n) { scope.params.get(n).copied() } else { scope.param(n) }
                            })
                        })
                        .and_then(|e| e.constant()),
                },
                _ => Err("no value".into()),
            };
            match value {
                Ok(v) => {
                    scope.params.insert(name, v);
                }
                Err(what) => {
                    trouble.get_or_insert_with(|| NetlistError::at(&card.place, what, "a value or an expression"));
                    still.push((name, token, card));
                }
            }
        }
        if still.len() == before
            && let Some(e) = trouble
        {
            return Err(e);
        }
        open = still;
    }
    Ok(())
}

/// Adds the elements of a level, calling subcircuits.
fn expand(net: &mut Netlist, scope: &Scope<'_>, globals: &[String]) -> Result<(), NetlistError> {
    for card in &scope.body.elements {
        let called = matches!(card.tokens.first(), Some(Token::Word(w)) if w.starts_with(['x', 'X']));
        if called {
            call(net, card, scope, globals)?;
        } else {
            elements::read(net, card, scope, globals)?;
        }
        if net.elements.len() > MOST_ELEMENTS {
            let what = format!("the network has more than {MOST_ELEMENTS} elements");
            return Err(NetlistError::at(&card.place, what, "a smaller one"));
        }
    }
    for card in &scope.body.initial {
        let mut r = Reader::new(card, scope);
        r.at = 1;
        while let Some(letter) = r.peek_word() {
            let tokens = &card.tokens[r.at..];
            let ([_, Token::Open, Token::Word(node), Token::Close, Token::Equals, ..], "v") = (tokens, letter.as_str())
            else {
                break;
            };
            let node = scope.node(node, globals);
            r.at += 5;
            let v = r.value(Unit::Volt, "a voltage")?;
            let known = net.find_node(&node).filter(|n| n.index() > 0);
            let Some(known) = known else {
                return Err(r.error(format!("there is no node `{node}`"), "a node of this network other than ground"));
            };
            net.initial_v.push((known, v));
        }
        r.end(".ic v(node)=voltage …")?;
    }
    Ok(())
}

fn call(net: &mut Netlist, card: &Card, scope: &Scope<'_>, globals: &[String]) -> Result<(), NetlistError> {
    let mut r = Reader::new(card, scope);
    let name = r.word("the call's name")?;
    let mut words = Vec::new();
    while !r.at_setting() {
        match r.peek_word() {
            Some(w) if w == "params:" => {
                r.at += 1;
                break;
            }
            Some(w) => {
                words.push(w);
                r.at += 1;
            }
            None => break,
        }
    }
    let mut given = Vec::new();
    while let Some(s) = r.setting()? {
        given.push(s);
    }
    r.end("nodes, the subcircuit's name, then parameter=value …")?;
    let Some(which) = words.pop() else {
        return Err(r.error("the call names no subcircuit", "Xname node … subcircuit"));
    };
    let Some(definition) = scope.subcircuit(&which) else {
        return Err(r.error(format!("there is no subcircuit `{which}`"), "`.subckt` with that name"));
    };
    if words.len() != definition.ports.len() {
        let what = format!("{} nodes are given", words.len());
        let expected = format!("{} for `{which}` ({})", definition.ports.len(), definition.ports.join(" "));
        return Err(r.error(what, expected));
    }
    if scope.depth >= DEEPEST {
        let what = format!("subcircuits are called {DEEPEST} deep: does `{which}` call itself?");
        return Err(r.error(what, "calls that end"));
    }
    let mut inner = Scope {
        above: Some(scope),
        body: &definition.body,
        params: HashMap::new(),
        prefix: format!("{}{name}.", scope.prefix),
        ports: definition.ports.iter().zip(&words).map(|(p, w)| (p.clone(), scope.node(w, globals))).collect(),
        depth: scope.depth + 1,
    };
    for (p, token) in &given {
        if !definition.defaults.iter().any(|(d, _)| d == p) {
            let known: Vec<&str> = definition.defaults.iter().map(|(d, _)| d.as_str()).collect();
            let expected =
                if known.is_empty() { "no parameters".to_owned() } else { format!("one of {}", known.join(", ")) };
            return Err(r.error(format!("`{which}` has no parameter `{p}`"), expected));
        }
        let (v, _) = scope.number(token, Unit::None).map_err(|what| r.error(what, format!("a value for `{p}`")))?;
        inner.params.insert(p.clone(), v);
    }
    for (p, token) in &definition.defaults {
        if !inner.params.contains_key(p) {
            let (v, _) = inner
                .number(token, Unit::None)
                .map_err(|what| NetlistError::at(&definition.place, what, format!("a value for `{p}`")))?;
            inner.params.insert(p.clone(), v);
        }
    }
    settle_params(&mut inner)?;
    expand(net, &inner, globals)
}
