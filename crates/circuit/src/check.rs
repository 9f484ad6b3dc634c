//! What no analysis could work with: absurd values, names that mean nothing, and topology.

use crate::behaviour::Input;
use crate::error::NetlistError;
use crate::models::SwitchControl;
use crate::netlist::{Element, ElementKind, Netlist, Node};

/// Sets that grow together.
pub(crate) struct Union(Vec<usize>);

impl Union {
    pub(crate) fn new(n: usize) -> Self {
        Self((0..n).collect())
    }

    pub(crate) fn find(&mut self, mut i: usize) -> usize {
        while self.0[i] != i {
            self.0[i] = self.0[self.0[i]];
            i = self.0[i];
        }
        i
    }

    /// False where both were joined already.
    pub(crate) fn join(&mut self, a: usize, b: usize) -> bool {
        let (a, b) = (self.find(a), self.find(b));
        self.0[a.max(b)] = a.min(b);
        a != b
    }
}

pub(crate) fn check(net: &Netlist) -> Result<(), NetlistError> {
    if let Some((first, second)) = net.duplicates.first() {
        let (first, second) = (net.element(*first), net.element(*second));
        let at = first.place.as_ref().map_or_else(String::new, |p| format!(" on line {}", p.line));
        return Err(net.fault(second, format!("the name `{}` is already taken{at}", second.name), "different names"));
    }
    if net.elements.is_empty() {
        return Err(NetlistError {
            file: net.file.clone(),
            line: 0,
            card: String::new(),
            what: "the network has no elements".into(),
            expected: "at least one".into(),
        });
    }
    for e in &net.elements {
        values(net, e)?;
        names(net, e)?;
    }
    couplings(net)?;
    topology(net)
}

fn within(net: &Netlist, e: &Element, what: &str, value: f64, low: f64, high: f64) -> Result<(), NetlistError> {
    if value >= low && value <= high {
        return Ok(());
    }
    let found = if value.is_nan() {
        format!("{what} is no number")
    } else if value == 0.0 {
        format!("{what} is zero")
    } else if value < 0.0 && low >= 0.0 {
        format!("{what} is negative ({value:e})")
    } else {
        format!("{what} is absurd ({value:e})")
    };
    Err(net.fault(e, found, format!("{low:e} to {high:e}")))
}

pub(crate) fn values(net: &Netlist, e: &Element) -> Result<(), NetlistError> {
    let ok = |what: &str, value: f64, low: f64, high: f64| within(net, e, what, value, low, high);
    let zero_or = |what: &str, value: f64, low: f64, high: f64| {
        if value == 0.0 { Ok(()) } else { within(net, e, what, value, low, high) }
    };
    let gain = |value: f64| ok("the gain", value, -1e30, 1e30);
    match &e.kind {
        ElementKind::Resistor { resistance_ohm } => ok("the resistance in ohm", *resistance_ohm, 1e-12, 1e18),
        ElementKind::Capacitor { capacitance_f, initial_v } => {
            ok("the capacitance in farad", *capacitance_f, 1e-21, 1e6)?;
            ok("the initial voltage", initial_v.unwrap_or(0.0), -1e9, 1e9)
        }
        ElementKind::Inductor { inductance_h, initial_a } => {
            ok("the inductance in henry", *inductance_h, 1e-18, 1e6)?;
            ok("the initial current", initial_a.unwrap_or(0.0), -1e9, 1e9)
        }
        ElementKind::Mutual { coupling, .. } => ok("the coupling factor", *coupling, -1.0, 1.0),
        ElementKind::VoltageSource(s) | ElementKind::CurrentSource(s) => {
            if let Some(what) = s.waveform.fault() {
                return Err(net.fault(e, what, "a course that can be followed"));
            }
            ok("the DC value", s.dc.unwrap_or(0.0), -1e12, 1e12)?;
            ok("the AC magnitude", s.ac_magnitude, -1e12, 1e12)?;
            ok("the AC phase", s.ac_phase_deg, -1e6, 1e6)
        }
        ElementKind::VoltageControlledVoltage { gain: g, .. }
        | ElementKind::VoltageControlledCurrent { gain: g, .. }
        | ElementKind::CurrentControlledCurrent { gain: g, .. }
        | ElementKind::CurrentControlledVoltage { gain: g, .. } => gain(*g),
        ElementKind::Line { z0_ohm, delay_s, .. } => {
            ok("the line's Z0 in ohm", *z0_ohm, 1e-6, 1e9)?;
            ok("the line's delay in seconds", *delay_s, 1e-18, 1e3)
        }
        ElementKind::TableImpedance(t) => match t.fault() {
            Some(what) => Err(net.fault(e, what, "rising frequencies with impedances")),
            None => Ok(()),
        },
        ElementKind::TwoPort { table, .. } => match table.fault() {
            Some(what) => Err(net.fault(e, what, "rising frequencies with admittances")),
            None => Ok(()),
        },
        ElementKind::Diode { model: m, area } => {
            ok("the diode's IS in ampere", m.saturation_a, 1e-40, 1e3)?;
            ok("the diode's N", m.emission, 1e-3, 1e3)?;
            zero_or("the diode's RS in ohm", m.series_ohm, 1e-9, 1e9)?;
            zero_or("the diode's CJO in farad", m.junction_f, 1e-21, 1e3)?;
            ok("the diode's VJ in volt", m.potential_v, 1e-3, 1e3)?;
            ok("the diode's M", m.grading, 0.0, 0.95)?;
            ok("the diode's FC", m.forward_corner, 0.0, 0.95)?;
            zero_or("the diode's TT in seconds", m.transit_s, 1e-18, 1e3)?;
            ok("the diode's BV in volt", m.breakdown_v.unwrap_or(1.0), 1e-2, 1e7)?;
            ok("the diode's IBV in ampere", m.breakdown_a, 1e-15, 1e3)?;
            ok("the diode's area", *area, 1e-9, 1e9)
        }
        ElementKind::Varistor(m) => {
            ok("the varistor's C in volt", m.c_v, 1e-2, 1e7)?;
            ok("the varistor's BETA", m.beta, 1e-3, 1.0)?;
            zero_or("the varistor's RS in ohm", m.series_ohm, 1e-9, 1e9)?;
            zero_or("the varistor's LS in henry", m.series_h, 1e-18, 1.0)?;
            zero_or("the varistor's CP in farad", m.parallel_f, 1e-21, 1.0)
        }
        ElementKind::Clamp(m) => {
            ok("the clamp's VBR in volt", m.breakdown_v, 1e-1, 1e7)?;
            ok("the clamp's IT in ampere", m.test_a, 1e-12, 1e3)?;
            zero_or("the clamp's RD in ohm", m.dynamic_ohm, 1e-9, 1e9)?;
            ok("the clamp's VK in volt", m.knee_v, 1e-3, m.breakdown_v)?;
            zero_or("the clamp's CJ in farad", m.parallel_f, 1e-21, 1.0)
        }
        ElementKind::Switch(m) => {
            ok("the switch's RON in ohm", m.on_ohm, 1e-12, 1e18)?;
            ok("the switch's ROFF in ohm", m.off_ohm, 1e-12, 1e18)?;
            match &m.control {
                SwitchControl::Voltage { threshold_v, hysteresis_v, .. } => {
                    ok("the switch's VT in volt", *threshold_v, -1e9, 1e9)?;
                    ok("the switch's VH in volt", *hysteresis_v, 0.0, 1e9)
                }
                SwitchControl::Times { toggle_s, .. } => {
                    if toggle_s.iter().any(|t| !t.is_finite()) || toggle_s.windows(2).any(|w| w[1] <= w[0]) {
                        return Err(net.fault(e, "the switch's times do not rise", "rising times"));
                    }
                    Ok(())
                }
            }
        }
        ElementKind::BehaviouralCurrent(_) | ElementKind::BehaviouralVoltage(_) => Ok(()),
    }
}

/// Elements named by other elements.
fn names(net: &Netlist, e: &Element) -> Result<(), NetlistError> {
    let kind = |name: &str| net.find(name).map(|id| &net.element(id).kind);
    match &e.kind {
        ElementKind::Mutual { first, second, .. } => {
            for name in [first, second] {
                if !matches!(kind(name), Some(ElementKind::Inductor { .. })) {
                    return Err(net.fault(e, format!("`{name}` is no inductor of this network"), "two inductors"));
                }
            }
            if first == second {
                return Err(net.fault(e, format!("`{first}` is coupled to itself"), "two inductors"));
            }
        }
        ElementKind::CurrentControlledCurrent { control, .. }
        | ElementKind::CurrentControlledVoltage { control, .. }
            if !matches!(kind(control), Some(ElementKind::VoltageSource(_))) =>
        {
            let what = format!("`{control}` is no voltage source of this network");
            return Err(net.fault(e, what, "a voltage source (of zero volts, to sense a current)"));
        }
        ElementKind::BehaviouralCurrent(b) | ElementKind::BehaviouralVoltage(b) => {
            for input in &b.inputs {
                if let Input::Current(name) = input
                    && !matches!(
                        kind(name),
                        Some(
                            ElementKind::VoltageSource(_)
                                | ElementKind::Inductor { .. }
                                | ElementKind::VoltageControlledVoltage { .. }
                                | ElementKind::CurrentControlledVoltage { .. }
                        )
                    )
                {
                    let what = format!("`{name}` is no element with a current of its own");
                    return Err(net.fault(e, what, "a voltage source or an inductor"));
                }
            }
        }
        ElementKind::Switch(m) => {
            if let SwitchControl::Voltage { plus, minus, .. } = &m.control {
                for name in [plus, minus] {
                    if net.find_node(name).is_none() {
                        return Err(net.fault(
                            e,
                            format!("there is no node `{name}`"),
                            "control nodes of this network",
                        ));
                    }
                }
            }
        }
        _ => {}
    }
    Ok(())
}

/// Couplings that no arrangement of windings can have: the matrix of factors must not be indefinite.
fn couplings(net: &Netlist) -> Result<(), NetlistError> {
    let mut windings: Vec<&str> = Vec::new();
    let mut pairs = Vec::new();
    for e in &net.elements {
        if let ElementKind::Mutual { first, second, coupling } = &e.kind {
            let mut at = |name| {
                windings.iter().position(|w| *w == name).unwrap_or_else(|| {
                    windings.push(name);
                    windings.len() - 1
                })
            };
            let (i, j) = (at(first.as_str()), at(second.as_str()));
            if let Some((_, _, _, other)) =
                pairs.iter().find(|(a, b, _, _): &&(usize, usize, f64, &Element)| (*a, *b) == (i.min(j), i.max(j)))
            {
                let what = format!("`{first}` and `{second}` are already coupled by `{}`", other.name);
                return Err(net.fault(e, what, "one coupling for each pair"));
            }
            pairs.push((i.min(j), i.max(j), *coupling, e));
        }
    }
    if pairs.len() < 2 {
        return Ok(());
    }
    let n = windings.len();
    let mut m = vec![0.0; n * n];
    for i in 0..n {
        m[i * n + i] = 1.0;
    }
    for (i, j, k, _) in &pairs {
        m[i * n + j] = *k;
        m[j * n + i] = *k;
    }
    // Symmetric elimination; a pivot below zero (beyond rounding) shows the matrix to be indefinite.
    for p in 0..n {
        let d = m[p * n + p];
        let indefinite = d < -1e-9 || (d <= 1e-9 && (p + 1..n).any(|j| m[p * n + j].abs() > 1e-4));
        if indefinite {
            let e = pairs.iter().rev().find(|(i, j, _, _)| *i == p || *j == p).map_or(pairs[0].3, |q| q.3);
            return Err(net.fault(
                e,
                format!(
                    "the couplings of `{}` with the others cannot be: together they would store negative energy",
                    windings[p]
                ),
                "factors that fit one another",
            ));
        }
        if d <= 1e-9 {
            continue;
        }
        for i in p + 1..n {
            let f = m[i * n + p] / d;
            for j in p + 1..n {
                m[i * n + j] -= f * m[p * n + j];
            }
        }
    }
    Ok(())
}

/// Every node must have a path to ground, and voltages must not be fixed twice.
fn topology(net: &Netlist) -> Result<(), NetlistError> {
    let n = net.node_names.len();
    let mut linked = Union::new(n);
    let mut fixed = Union::new(n);
    let mut user: Vec<Option<&Element>> = vec![None; n];
    let mut touched = vec![false; n];
    for e in &net.elements {
        if matches!(e.kind, ElementKind::Mutual { .. }) {
            continue;
        }
        let (a, b) = (e.a.index(), e.b.index());
        let mut terminals = vec![e.a, e.b];
        let mut controls: Vec<Node> = Vec::new();
        match &e.kind {
            ElementKind::CurrentSource(_) => {}
            ElementKind::Line { far, .. } | ElementKind::TwoPort { far, .. } => {
                linked.join(a, b);
                linked.join(far.0.index(), far.1.index());
                terminals.extend([far.0, far.1]);
            }
            _ => {
                linked.join(a, b);
            }
        }
        match &e.kind {
            ElementKind::VoltageControlledVoltage { control, .. }
            | ElementKind::VoltageControlledCurrent { control, .. } => controls.extend([control.0, control.1]),
            ElementKind::BehaviouralCurrent(x) | ElementKind::BehaviouralVoltage(x) => {
                for input in &x.inputs {
                    if let Input::Voltage(p, q) = input {
                        controls.extend([*p, *q]);
                    }
                }
            }
            ElementKind::Switch(m) => {
                if let SwitchControl::Voltage { plus, minus, .. } = &m.control {
                    controls.extend([plus, minus].into_iter().filter_map(|c| net.find_node(c)));
                }
            }
            _ => {}
        }
        let sets_voltage = matches!(
            e.kind,
            ElementKind::VoltageSource(_)
                | ElementKind::VoltageControlledVoltage { .. }
                | ElementKind::CurrentControlledVoltage { .. }
                | ElementKind::BehaviouralVoltage(_)
        );
        if sets_voltage && !fixed.join(a, b) {
            return Err(net.fault(
                e,
                "closes a loop of voltage sources: their currents are not determined",
                "a resistance somewhere in the loop",
            ));
        }
        for t in &terminals {
            touched[t.index()] = true;
        }
        for t in terminals.iter().chain(&controls) {
            user[t.index()].get_or_insert(e);
        }
    }
    if !touched[0] {
        return Err(NetlistError {
            file: net.file.clone(),
            line: 0,
            card: String::new(),
            what: "no element touches ground".into(),
            expected: "one node named `0` (or `gnd`)".into(),
        });
    }
    for (i, name) in net.node_names.iter().enumerate().skip(1) {
        let Some(e) = user[i] else { continue };
        if !touched[i] {
            return Err(net.fault(e, format!("nothing drives the node `{name}`"), "a node that other elements touch"));
        }
        if linked.find(i) != linked.find(0) {
            return Err(net.fault(
                e,
                format!("the node `{name}` floats: it has no path to ground (current sources, couplings and the two ends of a line are none)"),
                "an element from there, or from what it is joined to, to ground",
            ));
        }
    }
    Ok(())
}
