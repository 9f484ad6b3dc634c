//! Element cards, one by one.

use super::lines::{Card, Token};
use super::models::{self, Model};
use super::scope::{Reader, Scope};
use super::sources;
use crate::behaviour::Behaviour;
use crate::error::NetlistError;
use crate::models::{SwitchControl, SwitchModel};
use crate::netlist::{Element, ElementKind, Netlist, Node};
use crate::number::Unit;

const KNOWN: &str = "R L C K V I E G F H B D Y S T or X";

/// Reads one element card and adds what it says.
pub(super) fn read(net: &mut Netlist, card: &Card, scope: &Scope<'_>, globals: &[String]) -> Result<(), NetlistError> {
    let mut r = Reader::new(card, scope);
    let name = r.word("the element's name")?;
    let letter = name.chars().next().unwrap_or(' ');
    if !"rlckviegfhbdyst".contains(letter) {
        return Err(r.error(format!("there is no element `{}` here", letter.to_uppercase()), KNOWN));
    }
    if name.len() < 2 {
        return Err(
            r.error("the element has no name behind its letter", format!("`{}1` or the like", name.to_uppercase()))
        );
    }
    let full = format!("{}{name}", scope.prefix);
    if letter == 'k' {
        return coupling(net, &mut r, &full);
    }
    let a = node(net, &mut r, globals)?;
    let b = node(net, &mut r, globals)?;
    let kind = match letter {
        'r' => {
            let (v, times, _) = passive(&mut r, Unit::Ohm, "r", "the resistance in ohm", None)?;
            ElementKind::Resistor { resistance_ohm: v / times }
        }
        'c' => {
            let (v, times, initial_v) =
                passive(&mut r, Unit::Farad, "c", "the capacitance in farad", Some(Unit::Volt))?;
            ElementKind::Capacitor { capacitance_f: v * times, initial_v }
        }
        'l' => {
            let (v, times, initial_a) =
                passive(&mut r, Unit::Henry, "l", "the inductance in henry", Some(Unit::Ampere))?;
            ElementKind::Inductor { inductance_h: v / times, initial_a }
        }
        'v' => ElementKind::VoltageSource(sources::read(&mut r, Unit::Volt)?),
        'i' => ElementKind::CurrentSource(sources::read(&mut r, Unit::Ampere)?),
        'e' | 'g' => controlled_by_voltage(net, &mut r, globals, letter)?,
        'f' | 'h' => {
            let control = format!("{}{}", scope.prefix, r.word("the voltage source whose current controls")?);
            let unit = if letter == 'h' { Unit::Ohm } else { Unit::None };
            let gain = r.value(unit, "the gain")?;
            if letter == 'f' {
                ElementKind::CurrentControlledCurrent { control, gain }
            } else {
                ElementKind::CurrentControlledVoltage { control, gain }
            }
        }
        'b' => behavioural(net, &mut r, globals)?,
        'd' => {
            let which = r.word("the diode's model")?;
            let Model::Diode(model) = models::find(&mut r, &which)? else {
                return Err(r.error(format!("`{which}` is no model of a diode"), ".model … D(…)"));
            };
            let mut area = 1.0;
            if r.at_value() {
                area = r.value(Unit::None, "the area factor")?;
            }
            while let Some((key, token)) = r.setting()? {
                let v = r.scope.number(&token, Unit::None).map_err(|what| r.error(what, "a number"))?.0;
                match key.as_str() {
                    "area" | "m" => area *= v,
                    _ => return Err(r.error(format!("`{key}=` is not understood"), "area= or m=")),
                }
            }
            ElementKind::Diode { model, area }
        }
        'y' => {
            let which = r.word("the part's model")?;
            match models::find(&mut r, &which)? {
                Model::Varistor(m) => ElementKind::Varistor(m),
                Model::Clamp(m) => ElementKind::Clamp(m),
                Model::Table(t) => ElementKind::TableImpedance(t),
                _ => {
                    return Err(
                        r.error(format!("`{which}` is no part of this kind"), ".model … VARISTOR, CLAMP or TABLE")
                    );
                }
            }
        }
        's' => {
            let (plus, minus) = (node(net, &mut r, globals)?, node(net, &mut r, globals)?);
            let which = r.word("the switch's model")?;
            let Model::Switch { on_ohm, off_ohm, threshold_v, hysteresis_v } = models::find(&mut r, &which)? else {
                return Err(r.error(format!("`{which}` is no model of a switch"), ".model … SW(…)"));
            };
            let initially_closed = match r.peek_word().as_deref() {
                Some("on") => true,
                Some("off") | None => false,
                Some(w) => return Err(r.error(format!("`{w}` is not understood here"), "on, off or nothing")),
            };
            if r.peek().is_some() {
                r.at += 1;
            }
            let named = |n: Node| net.node_names[n.index()].clone();
            ElementKind::Switch(SwitchModel {
                on_ohm,
                off_ohm,
                control: SwitchControl::Voltage {
                    plus: named(plus),
                    minus: named(minus),
                    threshold_v,
                    hysteresis_v,
                    initially_closed,
                },
            })
        }
        _ => line(net, &mut r, globals)?,
    };
    r.end("nothing more on this card")?;
    finish(net, r, Element { name: full, a, b, kind, place: None });
    Ok(())
}

fn finish(net: &mut Netlist, r: Reader<'_, '_>, element: Element) {
    net.notes.extend(r.notes);
    net.push(Element { place: Some(r.card.place.clone()), ..element });
}

fn node(net: &mut Netlist, r: &mut Reader<'_, '_>, globals: &[String]) -> Result<Node, NetlistError> {
    let name = r.word("a node")?;
    Ok(net.node(&r.scope.node(&name, globals)))
}

/// Value, count in parallel (`m=`), initial condition.
fn passive(
    r: &mut Reader<'_, '_>,
    unit: Unit,
    key: &str,
    expected: &str,
    initial: Option<Unit>,
) -> Result<(f64, f64, Option<f64>), NetlistError> {
    let mut value = None;
    let (mut times, mut ic) = (1.0, None);
    if !r.at_setting() {
        value = Some(r.value(unit, expected)?);
    }
    while let Some((name, token)) = r.setting()? {
        let as_unit = if name == key {
            unit
        } else if name == "ic" {
            initial.unwrap_or(Unit::None)
        } else {
            Unit::None
        };
        let v = r.scope.number(&token, as_unit).map_err(|what| r.error(what, format!("a number for `{name}`")))?.0;
        match name.as_str() {
            "m" => {
                if !(v.is_finite() && v > 0.0) {
                    return Err(r.error(format!("`m={v}` counts no parts"), "a number above zero"));
                }
                times = v;
            }
            "ic" if initial.is_some() => ic = Some(v),
            _ if name == key && value.is_none() => value = Some(v),
            _ => {
                let expected = if initial.is_some() { "ic= or m=" } else { "m=" };
                return Err(r.error(format!("`{name}=` is not understood on this card"), expected));
            }
        }
    }
    match value {
        Some(v) => Ok((v, times, ic)),
        None => Err(r.error(format!("{expected} is missing"), expected)),
    }
}

fn coupling(net: &mut Netlist, r: &mut Reader<'_, '_>, full: &str) -> Result<(), NetlistError> {
    let mut inductors = Vec::new();
    while let Some(w) = r.peek_word() {
        if !w.starts_with('l') {
            break;
        }
        inductors.push(format!("{}{w}", r.scope.prefix));
        r.at += 1;
    }
    let coupling = r.value(Unit::None, "the coupling factor")?;
    r.end("K, two or more inductors, the factor")?;
    if inductors.len() < 2 {
        return Err(r.error(format!("{} inductor(s) are named", inductors.len()), "at least two, then the factor"));
    }
    let many = inductors.len() > 2;
    let mut count = 0;
    for (i, first) in inductors.iter().enumerate() {
        for second in &inductors[i + 1..] {
            count += 1;
            let name = if many { format!("{full}#{count}") } else { full.to_owned() };
            net.push(Element {
                name,
                a: Node::GROUND,
                b: Node::GROUND,
                kind: ElementKind::Mutual { first: first.clone(), second: second.clone(), coupling },
                place: Some(r.card.place.clone()),
            });
        }
    }
    Ok(())
}

/// Behavioural source: the expression of `I=` or `V=`, to the end of the card.
fn behavioural(net: &mut Netlist, r: &mut Reader<'_, '_>, globals: &[String]) -> Result<ElementKind, NetlistError> {
    const FORM: &str = "I={expression} or V={expression}";
    let Some(kind) = r.peek_word().filter(|w| r.at_setting() && (w == "i" || w == "v")) else {
        return Err(r.error("a behavioural source has no expression", FORM));
    };
    // Without braces the expression is the rest of the card, with its parentheses and commas.
    let text = match (&r.card.tokens.get(r.at + 2), r.card.tokens.len()) {
        (Some(Token::Expression(e)), n) if n == r.at + 3 => e.clone(),
        _ => r.card.place.card.split_once('=').map(|(_, e)| e.trim().to_owned()).unwrap_or_default(),
    };
    r.at = r.card.tokens.len();
    expression(net, r, globals, kind == "v", &text)
}

fn expression(
    net: &mut Netlist,
    r: &mut Reader<'_, '_>,
    globals: &[String],
    voltage: bool,
    text: &str,
) -> Result<ElementKind, NetlistError> {
    let scope = r.scope;
    let made = scope.expression(text).and_then(|e| {
        Behaviour::new(&e, &mut |n| net.node(&scope.node(n, globals)), &|s| format!("{}{s}", scope.prefix))
    });
    let made =
        made.map_err(|what| r.error(what, "an expression of v(node), v(a,b), i(source), time and parameters"))?;
    Ok(if voltage { ElementKind::BehaviouralVoltage(made) } else { ElementKind::BehaviouralCurrent(made) })
}

fn controlled_by_voltage(
    net: &mut Netlist,
    r: &mut Reader<'_, '_>,
    globals: &[String],
    letter: char,
) -> Result<ElementKind, NetlistError> {
    if r.at_setting() {
        let Some((key, token)) = r.setting()? else { return Err(r.error("no setting", "value=")) };
        let fits = key == "value" || key == if letter == 'e' { "vol" } else { "cur" };
        let Token::Expression(text) = token else {
            return Err(r.error(format!("`{key}=` has no expression"), "value={expression}"));
        };
        if !fits {
            return Err(r.error(format!("`{key}=` is not understood"), "value={expression}"));
        }
        return expression(net, r, globals, letter == 'e', &text);
    }
    if let Some(w @ ("poly" | "table" | "laplace" | "freq" | "value")) = r.peek_word().as_deref() {
        return Err(r.error(
            format!("the form `{}` is not known here", w.to_uppercase()),
            "two control nodes and a gain, or value={expression}",
        ));
    }
    let control = (node(net, r, globals)?, node(net, r, globals)?);
    let gain = r.value(if letter == 'g' { Unit::Siemens } else { Unit::None }, "the gain")?;
    Ok(if letter == 'e' {
        ElementKind::VoltageControlledVoltage { control, gain }
    } else {
        ElementKind::VoltageControlledCurrent { control, gain }
    })
}

fn line(net: &mut Netlist, r: &mut Reader<'_, '_>, globals: &[String]) -> Result<ElementKind, NetlistError> {
    const FORM: &str = "Z0=ohms and TD=seconds (or F=hertz with NL=wavelengths)";
    let far = (node(net, r, globals)?, node(net, r, globals)?);
    let (mut z0, mut delay, mut frequency, mut lengths) = (None, None, None, None);
    while let Some((key, token)) = r.setting()? {
        let (unit, slot) = match key.as_str() {
            "z0" | "zo" => (Unit::Ohm, &mut z0),
            "td" => (Unit::Second, &mut delay),
            "f" => (Unit::Hertz, &mut frequency),
            "nl" => (Unit::None, &mut lengths),
            _ => return Err(r.error(format!("`{key}=` is not understood"), FORM)),
        };
        *slot = Some(r.scope.number(&token, unit).map_err(|what| r.error(what, FORM))?.0);
    }
    let delay_s = match (delay, frequency) {
        (Some(d), None) => d,
        (None, Some(f)) => lengths.unwrap_or(0.25) / f,
        _ => return Err(r.error("the line's delay is missing or given twice", FORM)),
    };
    let Some(z0_ohm) = z0 else { return Err(r.error("the line has no Z0", FORM)) };
    Ok(ElementKind::Line { far, z0_ohm, delay_s })
}
