//! Who took which energy, and whether charge and energy are kept.

use super::engine::{Device, Engine, Store};
use super::result::{Balance, ElementEnergy};
use crate::netlist::{ElementKind, Netlist};

/// How the current of a plain element is found.
enum Way {
    Conductance(f64),
    Branch(usize),
    Store(usize),
    Source,
    /// gain·(x\[p\] − x\[q\])
    Gain(f64, usize, usize),
    Device(usize, Option<usize>),
    Switch(usize),
    Line(usize),
    None,
}

struct Element {
    a: usize,
    b: usize,
    way: Way,
    /// Port 2 of a line and its current.
    far: Option<(usize, usize, usize)>,
}

/// Currents, voltages and powers of all elements at one instant.
#[derive(Clone, Default)]
pub(super) struct Instant {
    pub(super) current: Vec<f64>,
    voltage: Vec<f64>,
    power: Vec<f64>,
    /// Power into the charge of a junction.
    charging: Vec<f64>,
    /// Sum of the currents leaving each node.
    leak: Vec<f64>,
    /// Half the sum of their magnitudes.
    through: Vec<f64>,
}

pub(super) struct Accounts {
    elements: Vec<Element>,
    nodes: usize,
    absorbed_j: Vec<f64>,
    charging_j: Vec<f64>,
    leaked_c: Vec<f64>,
    through_c: Vec<f64>,
    totals: Vec<ElementEnergy>,
    stored_at_start_j: Vec<f64>,
    carriers: Vec<Vec<usize>>,
    /// Terminals of the original elements.
    ends: Vec<(usize, usize)>,
    chief_of: Vec<usize>,
    scratch: [Vec<f64>; 3],
}

impl Accounts {
    pub(super) fn new(engine: &Engine, original: &Netlist) -> Self {
        let net = &engine.ex.net;
        let ground = engine.size();
        let elements = net
            .elements
            .iter()
            .enumerate()
            .map(|(i, e)| {
                let id = crate::netlist::ElementId(i as u32);
                let branch = engine.layout.branch(id);
                let store = engine.stores.iter().position(|s| match s {
                    Store::Capacitor { element, .. } | Store::Junction { element, .. } => *element == i,
                    Store::Inductor { .. } => false,
                });
                let device = engine.devices.iter().position(|d| d.element == i);
                let mut far = None;
                let way = match &e.kind {
                    ElementKind::Resistor { resistance_ohm } => Way::Conductance(1.0 / resistance_ohm),
                    ElementKind::Capacitor { .. } => store.map_or(Way::None, Way::Store),
                    ElementKind::CurrentSource(_) => Way::Source,
                    ElementKind::VoltageControlledCurrent { control, gain } => {
                        Way::Gain(*gain, engine.layout.node(control.0), engine.layout.node(control.1))
                    }
                    ElementKind::CurrentControlledCurrent { control, gain } => {
                        Way::Gain(*gain, engine.layout.branch_of(net, control), ground)
                    }
                    ElementKind::Switch(_) => {
                        engine.switches.iter().position(|s| s.element == i).map_or(Way::None, Way::Switch)
                    }
                    ElementKind::Line { far: f, .. } => {
                        far = Some((engine.layout.node(f.0), engine.layout.node(f.1), branch + 1));
                        Way::Line(branch)
                    }
                    ElementKind::Mutual { .. } => Way::None,
                    _ if branch != usize::MAX => Way::Branch(branch),
                    _ => device.map_or(Way::None, |d| Way::Device(d, store)),
                };
                Element { a: engine.layout.node(e.a), b: engine.layout.node(e.b), way, far }
            })
            .collect();
        let originals = engine.ex.carriers.len();
        Self {
            elements,
            nodes: engine.layout.nodes() - 1,
            absorbed_j: vec![0.0; net.elements.len()],
            charging_j: vec![0.0; net.elements.len()],
            leaked_c: vec![0.0; ground + 1],
            through_c: vec![0.0; ground + 1],
            totals: vec![ElementEnergy::default(); originals],
            stored_at_start_j: vec![0.0; net.elements.len()],
            carriers: engine.ex.carriers.iter().map(|c| c.iter().map(|id| id.index()).collect()).collect(),
            ends: original.elements.iter().map(|e| (engine.layout.node(e.a), engine.layout.node(e.b))).collect(),
            chief_of: engine.ex.owner.iter().map(|o| *o as usize).collect(),
            scratch: [vec![0.0; originals], vec![0.0; originals], vec![0.0; originals]],
        }
    }

    /// Works out an instant. The engine's devices must have been settled at `x`.
    pub(super) fn look(&self, engine: &Engine, x: &[f64], rates: &[f64], time_s: f64, out: &mut Instant) {
        let n = self.elements.len();
        let ground = engine.size();
        for v in [&mut out.current, &mut out.voltage, &mut out.power, &mut out.charging] {
            v.clear();
            v.resize(n, 0.0);
        }
        for v in [&mut out.leak, &mut out.through] {
            v.clear();
            v.resize(ground + 1, 0.0);
        }
        for (i, e) in self.elements.iter().enumerate() {
            let v = x[e.a] - x[e.b];
            let current = match &e.way {
                Way::Conductance(g) => g * v,
                Way::Branch(b) | Way::Line(b) => x[*b],
                Way::Store(s) => rates[*s],
                Way::Source => match &engine.ex.net.elements[i].kind {
                    ElementKind::CurrentSource(s) => s.waveform.at(time_s),
                    _ => 0.0,
                },
                Way::Gain(gain, p, q) => gain * (x[*p] - x[*q]),
                Way::Switch(s) => match &engine.ex.net.elements[i].kind {
                    ElementKind::Switch(m) => v / if engine.switches[*s].closed { m.on_ohm } else { m.off_ohm },
                    _ => 0.0,
                },
                Way::Device(d, store) => {
                    let device: &Device = &engine.devices[*d];
                    if matches!(engine.ex.net.elements[i].kind, ElementKind::BehaviouralCurrent(_)) {
                        engine.behaviour_value(device, x, time_s)
                    } else {
                        let rate = store.map_or(0.0, |s| rates[s]);
                        out.charging[i] = v * rate;
                        device.point.i + engine.gmin() * v + rate
                    }
                }
                Way::None => 0.0,
            };
            out.voltage[i] = v;
            out.current[i] = current;
            out.power[i] = v * current;
            out.leak[e.a] += current;
            out.leak[e.b] -= current;
            out.through[e.a] += 0.5 * current.abs();
            out.through[e.b] += 0.5 * current.abs();
            if let Some((p, q, branch)) = e.far {
                let far = x[branch];
                out.power[i] += (x[p] - x[q]) * far;
                out.leak[p] += far;
                out.leak[q] -= far;
                out.through[p] += 0.5 * far.abs();
                out.through[q] += 0.5 * far.abs();
            }
        }
    }

    /// Terminal currents of the original elements.
    pub(super) fn terminal_currents(&self, at: &Instant, out: &mut [f64]) {
        for (sum, carriers) in out.iter_mut().zip(&self.carriers) {
            *sum = carriers.iter().map(|c| at.current[*c]).sum();
        }
    }

    fn field_energy(engine: &Engine, x: &[f64], out: &mut [f64]) {
        for s in &engine.stores {
            match s {
                Store::Capacitor { element, a, b, c } => out[*element] = 0.5 * c * (x[*a] - x[*b]).powi(2),
                Store::Inductor { element, branch, .. } => out[*element] = 0.5 * x[*branch] * engine.stored(s, x),
                Store::Junction { .. } => {}
            }
        }
    }

    pub(super) fn start(&mut self, engine: &Engine, x: &[f64]) {
        Self::field_energy(engine, x, &mut self.stored_at_start_j);
    }

    /// Adds a step of length `h` with the weights the integration itself uses.
    pub(super) fn add(&mut self, h: f64, points: [&Instant; 3], weights: [f64; 3], x: [&[f64]; 3]) {
        for (point, w) in points.iter().zip(weights) {
            if w == 0.0 {
                continue;
            }
            let w = w * h;
            for (sum, p) in self.absorbed_j.iter_mut().zip(&point.power) {
                *sum += w * p;
            }
            for (sum, p) in self.charging_j.iter_mut().zip(&point.charging) {
                *sum += w * p;
            }
            for (sum, p) in self.leaked_c.iter_mut().zip(&point.leak) {
                *sum += w * p;
            }
            for (sum, p) in self.through_c.iter_mut().zip(&point.through) {
                *sum += w * p;
            }
        }
        let mut scratch = std::mem::take(&mut self.scratch);
        for (s, p) in scratch.iter_mut().zip(points) {
            self.terminal_currents(p, s);
        }
        for (i, total) in self.totals.iter_mut().enumerate() {
            for k in 0..3 {
                if weights[k] == 0.0 {
                    continue;
                }
                let (current, voltage) = (scratch[k][i], x[k][self.ends[i].0] - x[k][self.ends[i].1]);
                total.charge_c += weights[k] * h * current;
                total.absolute_charge_c += weights[k] * h * current.abs();
                total.peak_current_a = total.peak_current_a.max(current.abs());
                total.peak_voltage_v = total.peak_voltage_v.max(voltage.abs());
                total.peak_power_w = total.peak_power_w.max(current * voltage);
            }
        }
        self.scratch = scratch;
    }

    pub(super) fn finish(mut self, engine: &Engine, x: &[f64]) -> (Balance, Vec<ElementEnergy>) {
        let mut stored = vec![0.0; self.elements.len()];
        Self::field_energy(engine, x, &mut stored);
        let mut balance = Balance::default();
        for (i, e) in engine.ex.net.elements.iter().enumerate() {
            let total = &mut self.totals[self.chief_of[i]];
            let absorbed = self.absorbed_j[i];
            total.absorbed_j += absorbed;
            match &e.kind {
                ElementKind::VoltageSource(_) | ElementKind::CurrentSource(_) => balance.sources_j -= absorbed,
                ElementKind::Capacitor { .. } | ElementKind::Inductor { .. } => {
                    let change = stored[i] - self.stored_at_start_j[i];
                    total.stored_j += change;
                    balance.stored_change_j += change;
                }
                ElementKind::Line { .. } => {
                    total.stored_j += absorbed;
                    balance.stored_change_j += absorbed;
                }
                _ => {
                    total.stored_j += self.charging_j[i];
                    balance.stored_change_j += self.charging_j[i];
                    let heat = absorbed - self.charging_j[i];
                    // An amplifying element that gives energy is a source like the others.
                    if heat < 0.0 {
                        balance.sources_j -= heat;
                    } else {
                        balance.dissipated_j += heat;
                    }
                }
            }
        }
        balance.residual_j = balance.sources_j - balance.dissipated_j - balance.stored_change_j;
        let largest = balance.sources_j.abs().max(balance.dissipated_j).max(balance.stored_change_j.abs());
        balance.relative_residual = if largest > 0.0 { balance.residual_j.abs() / largest } else { 0.0 };
        for i in 0..self.nodes {
            let missing = self.leaked_c[i].abs();
            if missing > balance.charge_residual_c {
                balance.charge_residual_c = missing;
                balance.relative_charge_residual = missing / self.through_c[i].max(1e-300);
            }
        }
        (balance, self.totals)
    }
}
