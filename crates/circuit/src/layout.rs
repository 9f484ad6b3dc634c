//! Which unknown stands where, and what each linear element adds to the equations.
//!
//! Unknowns are the node voltages (ground left out), then one current for each element that needs one. A row of a node
//! says that the currents leaving it add up to those driven into it; a row of a branch is the element's own equation.

use std::collections::HashMap;

use crate::behaviour::Input;
use crate::netlist::{ElementId, ElementKind, Netlist, Node};

/// Where the unknowns stand. Index `size` stands for ground: its row and column are thrown away.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    pub(crate) size: usize,
    nodes: usize,
    /// First branch unknown of each element; `usize::MAX` where it has none.
    branch: Vec<usize>,
    names: Vec<String>,
}

impl Layout {
    pub(crate) fn new(net: &Netlist) -> Self {
        let nodes = net.node_names.len();
        let mut size = nodes - 1;
        let mut names: Vec<String> =
            net.node_names.iter().skip(1).map(|n| format!("the voltage of node `{n}`")).collect();
        let branch = net
            .elements
            .iter()
            .map(|e| {
                let count = match &e.kind {
                    ElementKind::VoltageSource(_)
                    | ElementKind::Inductor { .. }
                    | ElementKind::VoltageControlledVoltage { .. }
                    | ElementKind::CurrentControlledVoltage { .. }
                    | ElementKind::TableImpedance(_)
                    | ElementKind::BehaviouralVoltage(_) => 1,
                    ElementKind::Line { .. } => 2,
                    _ => 0,
                };
                let at = if count == 0 { usize::MAX } else { size };
                size += count;
                names.extend((0..count).map(|_| format!("the current through `{}`", e.name)));
                at
            })
            .collect();
        Self { size, nodes, branch, names }
    }

    pub(crate) fn node(&self, n: Node) -> usize {
        if n.index() == 0 { self.size } else { n.index() - 1 }
    }

    pub(crate) fn nodes(&self) -> usize {
        self.nodes
    }

    pub(crate) fn branch(&self, e: ElementId) -> usize {
        self.branch[e.index()]
    }

    pub(crate) fn name(&self, unknown: usize) -> &str {
        self.names.get(unknown).map_or("a quantity", String::as_str)
    }

    pub(crate) fn branch_of(&self, net: &Netlist, name: &str) -> usize {
        net.find(name).map_or(usize::MAX, |id| self.branch(id))
    }
}

/// Takes what elements add: `g` is constant, `c` is multiplied by the complex frequency (or 2/(γh) in a time step).
pub(crate) trait Sink {
    fn g(&mut self, row: usize, col: usize, value: f64);
    fn c(&mut self, row: usize, col: usize, value: f64);
}

/// Positions of the entries that are not zero, and the ones asked for, in the order of asking.
#[derive(Debug, Clone, Default)]
pub(crate) struct Pattern {
    pub(crate) size: usize,
    pub(crate) entries: Vec<(u32, u32)>,
    index: HashMap<(u32, u32), u32>,
}

impl Pattern {
    pub(crate) fn new(size: usize) -> Self {
        Self { size, ..Self::default() }
    }

    /// The number of an entry; those of ground have the number past all others, see [`Pattern::waste`].
    pub(crate) fn at(&mut self, row: usize, col: usize) -> u32 {
        if row >= self.size || col >= self.size {
            return u32::MAX;
        }
        let key = (row as u32, col as u32);
        *self.index.entry(key).or_insert_with(|| {
            self.entries.push(key);
            self.entries.len() as u32 - 1
        })
    }
}

/// First pass: learns the pattern.
pub(crate) struct Recorder<'a> {
    pub(crate) pattern: &'a mut Pattern,
    pub(crate) slots: Vec<u32>,
}

impl Sink for Recorder<'_> {
    fn g(&mut self, row: usize, col: usize, _: f64) {
        self.slots.push(self.pattern.at(row, col));
    }

    fn c(&mut self, row: usize, col: usize, _: f64) {
        self.slots.push(self.pattern.at(row, col));
    }
}

/// Later passes: writes values in the same order.
pub(crate) struct Player<'a> {
    pub(crate) slots: &'a [u32],
    pub(crate) at: usize,
    pub(crate) g: &'a mut [f64],
    pub(crate) c: &'a mut [f64],
}

impl Sink for Player<'_> {
    fn g(&mut self, _: usize, _: usize, value: f64) {
        if let Some(x) = self.g.get_mut(self.slots[self.at] as usize) {
            *x += value;
        }
        self.at += 1;
    }

    fn c(&mut self, _: usize, _: usize, value: f64) {
        if let Some(x) = self.c.get_mut(self.slots[self.at] as usize) {
            *x += value;
        }
        self.at += 1;
    }
}

/// A conductance (or capacitance) between two nodes.
pub(crate) fn between(add: &mut dyn FnMut(usize, usize, f64), a: usize, b: usize, value: f64) {
    add(a, a, value);
    add(b, b, value);
    add(a, b, -value);
    add(b, a, -value);
}

/// What the linear elements add that both analyses have in common. Lines, tables, switches and nonlinear parts are not
/// among them.
pub(crate) fn stamp_linear(net: &Netlist, layout: &Layout, sink: &mut impl Sink) {
    for (i, e) in net.elements.iter().enumerate() {
        let (a, b) = (layout.node(e.a), layout.node(e.b));
        let branch = layout.branch[i];
        match &e.kind {
            ElementKind::Resistor { resistance_ohm } => {
                between(&mut |r, c, v| sink.g(r, c, v), a, b, 1.0 / resistance_ohm);
            }
            ElementKind::Capacitor { capacitance_f, .. } => {
                between(&mut |r, c, v| sink.c(r, c, v), a, b, *capacitance_f);
            }
            ElementKind::Inductor { inductance_h, .. } => {
                voltage_branch(sink, a, b, branch);
                sink.c(branch, branch, -inductance_h);
            }
            ElementKind::Mutual { first, second, coupling } => {
                let (Some(first), Some(second)) = (net.find(first), net.find(second)) else { continue };
                let m = coupling * (inductance(net, first) * inductance(net, second)).sqrt();
                let (i, j) = (layout.branch(first), layout.branch(second));
                sink.c(i, j, -m);
                sink.c(j, i, -m);
            }
            ElementKind::VoltageSource(_) => voltage_branch(sink, a, b, branch),
            ElementKind::VoltageControlledVoltage { control, gain } => {
                voltage_branch(sink, a, b, branch);
                sink.g(branch, layout.node(control.0), -gain);
                sink.g(branch, layout.node(control.1), *gain);
            }
            ElementKind::CurrentControlledVoltage { control, gain } => {
                voltage_branch(sink, a, b, branch);
                sink.g(branch, layout.branch_of(net, control), -gain);
            }
            ElementKind::VoltageControlledCurrent { control, gain } => {
                for (row, sign) in [(a, 1.0), (b, -1.0)] {
                    sink.g(row, layout.node(control.0), sign * gain);
                    sink.g(row, layout.node(control.1), -sign * gain);
                }
            }
            ElementKind::CurrentControlledCurrent { control, gain } => {
                let j = layout.branch_of(net, control);
                sink.g(a, j, *gain);
                sink.g(b, j, -gain);
            }
            _ => {}
        }
    }
}

/// A branch current leaves a and enters b; the branch's row begins with v(a) − v(b).
pub(crate) fn voltage_branch(sink: &mut impl Sink, a: usize, b: usize, branch: usize) {
    sink.g(a, branch, 1.0);
    sink.g(b, branch, -1.0);
    sink.g(branch, a, 1.0);
    sink.g(branch, b, -1.0);
}

pub(crate) fn inductance(net: &Netlist, id: ElementId) -> f64 {
    match net.element(id).kind {
        ElementKind::Inductor { inductance_h, .. } => inductance_h,
        _ => 0.0,
    }
}

/// The unknowns behind an input of a behavioural source: value = x\[plus\] − x\[minus\].
pub(crate) fn input_at(net: &Netlist, layout: &Layout, input: &Input) -> (usize, usize) {
    match input {
        Input::Voltage(a, b) => (layout.node(*a), layout.node(*b)),
        Input::Current(name) => (layout.branch_of(net, name), layout.size),
    }
}
