//! The equations of one instant: assembled, and solved by Newton's method with limits on every junction.

use num_complex::Complex64;

use crate::devices::{self, Point};
use crate::error::CircuitError;
use crate::expand::Expanded;
use crate::layout::{Layout, Pattern, Player, Recorder, Sink, input_at, stamp_linear, voltage_branch};
use crate::models::SwitchControl;
use crate::netlist::{ElementId, ElementKind, Node};
use crate::plan::{Plan, RowOrder};

/// Largest backward error of a solution that is taken.
const BACKWARD: f64 = 1e-9;
/// The same where no order does better: rows whose terms cancel to almost nothing.
const COARSE: f64 = 1e-6;

/// A part whose current (or voltage) is no straight line.
pub(super) struct Device {
    pub(super) element: usize,
    a: usize,
    b: usize,
    /// aa, bb, ab, ba; for a behavioural source two rows times the inputs' two columns.
    slots: Vec<u32>,
    /// Voltage of the last iteration, after the limit.
    v: f64,
    pub(super) point: Point,
    kind: DeviceKind,
}

enum DeviceKind {
    Diode,
    Varistor,
    Clamp,
    /// Behavioural: where its inputs stand, and its branch (current: `usize::MAX`).
    Behaviour {
        inputs: Vec<(usize, usize)>,
        branch: usize,
    },
}

/// A switch's conductance and state.
pub(super) struct Switch {
    pub(super) element: usize,
    slots: [u32; 4],
    pub(super) control: Option<(usize, usize)>,
    pub(super) closed: bool,
}

/// A lossless line: two ports and where its equations stand.
pub(super) struct LineAt {
    pub(super) element: usize,
    pub(super) ports: [(usize, usize); 2],
    pub(super) branch: usize,
    /// Rows of port 1 and 2 against columns a1 b1 a2 b2 i1 i2.
    slots: [u32; 12],
}

/// Something that stores charge or flux.
pub(super) enum Store {
    Capacitor {
        element: usize,
        a: usize,
        b: usize,
        c: f64,
    },
    /// Flux as a sum over currents: (unknown, henry).
    Inductor {
        element: usize,
        branch: usize,
        terms: Vec<(usize, f64)>,
    },
    /// The charge of a device.
    Junction {
        device: usize,
        element: usize,
    },
}

/// What is asked of one solution.
#[derive(Clone, Copy)]
pub(super) struct Ask {
    pub(super) time_s: f64,
    /// Rate of change per stored value: 2/(γh), 1/h, or nearly zero for an operating point.
    pub(super) alpha: f64,
    /// Conductance from every node to ground, for stepping, S.
    pub(super) shunt_s: f64,
    /// Part of the sources, for stepping.
    pub(super) scale: f64,
    /// Lines are through connections, `.ic` nodes are held.
    pub(super) standing: bool,
    /// Hold the nodes of `.ic`.
    pub(super) hold: bool,
    /// Independent sources take their DC value rather than the waveform.
    pub(super) dc: bool,
}

/// Why an iteration gave nothing.
pub(super) enum Miss {
    /// Did not settle; the unknown that moved most.
    Unsettled(usize),
    /// No single solution.
    Undetermined(usize),
}

pub(super) struct Engine {
    pub(super) ex: Expanded,
    pub(super) layout: Layout,
    pattern: Pattern,
    order: RowOrder,
    plan: Option<Plan>,
    last_plan_values: Option<Vec<Complex64>>,
    linear_slots: Vec<u32>,
    g: Vec<f64>,
    c: Vec<f64>,
    diagonal: Vec<u32>,
    anchor: Vec<f64>,
    /// Unknowns that are currents of inductors.
    settles: Vec<bool>,
    pub(super) devices: Vec<Device>,
    pub(super) switches: Vec<Switch>,
    pub(super) lines: Vec<LineAt>,
    pub(super) stores: Vec<Store>,
    sources: Vec<(usize, usize, usize, bool)>,
    gmin_s: f64,
    /// Matrix without devices, for the key beside it.
    base: Vec<f64>,
    base_key: Option<(u64, u64, bool, bool)>,
    factored_key: Option<(u64, u64, bool, bool)>,
    a: Vec<f64>,
    factored: Vec<f64>,
    right: Vec<f64>,
    work: Vec<f64>,
    next: Vec<f64>,
    correction: Vec<f64>,
    pub(super) solutions: usize,
}

/// Known values from before, one for each store, and the wave arriving at each port of each line.
#[derive(Default, Clone)]
pub(super) struct Past {
    pub(super) history: Vec<f64>,
    pub(super) arriving: Vec<[f64; 2]>,
    /// Unknowns where the stage began.
    pub(super) start: Vec<f64>,
}

impl Engine {
    pub(super) fn new(ex: Expanded, gmin_s: f64, step_s: f64) -> Result<Self, CircuitError> {
        let mut ex = ex;
        for e in &mut ex.net.elements {
            if let ElementKind::VoltageSource(s) | ElementKind::CurrentSource(s) = &mut e.kind {
                s.waveform = s.waveform.with_step(step_s);
            }
        }
        let layout = Layout::new(&ex.net);
        let mut pattern = Pattern::new(layout.size);
        let diagonal: Vec<u32> = (0..layout.nodes() - 1).map(|i| pattern.at(i, i)).collect();
        let mut recorder = Recorder { pattern: &mut pattern, slots: Vec::new() };
        stamp_linear(&ex.net, &layout, &mut recorder);
        let mut devices = Vec::new();
        let mut switches = Vec::new();
        let mut lines = Vec::new();
        let mut stores = Vec::new();
        let mut sources = Vec::new();
        let mut behaviour_voltage = Vec::new();
        for (i, e) in ex.net.elements.iter().enumerate() {
            let id = ElementId(i as u32);
            let (a, b) = (layout.node(e.a), layout.node(e.b));
            let four = |p: &mut Pattern| [p.at(a, a), p.at(b, b), p.at(a, b), p.at(b, a)];
            let mut device = |kind, slots| {
                devices.push(Device { element: i, a, b, slots, v: 0.0, point: Point::default(), kind });
            };
            match &e.kind {
                ElementKind::Diode { model, .. } => {
                    device(DeviceKind::Diode, four(recorder.pattern).to_vec());
                    if model.junction_f > 0.0 || model.transit_s > 0.0 {
                        stores.push(Store::Junction { device: devices.len() - 1, element: i });
                    }
                }
                ElementKind::Varistor(_) => device(DeviceKind::Varistor, four(recorder.pattern).to_vec()),
                ElementKind::Clamp(_) => device(DeviceKind::Clamp, four(recorder.pattern).to_vec()),
                ElementKind::BehaviouralCurrent(x) | ElementKind::BehaviouralVoltage(x) => {
                    let inputs: Vec<(usize, usize)> = x.inputs.iter().map(|k| input_at(&ex.net, &layout, k)).collect();
                    let branch = layout.branch(id);
                    let mut slots = Vec::new();
                    let rows: &[usize] = if branch == usize::MAX { &[a, b] } else { &[branch] };
                    for row in rows {
                        for (p, q) in &inputs {
                            slots.push(recorder.pattern.at(*row, *p));
                            slots.push(recorder.pattern.at(*row, *q));
                        }
                    }
                    if branch != usize::MAX {
                        behaviour_voltage.push((a, b, branch));
                    }
                    device(DeviceKind::Behaviour { inputs, branch }, slots);
                }
                ElementKind::Switch(m) => {
                    let (control, closed) = match &m.control {
                        SwitchControl::Voltage { plus, minus, initially_closed, .. } => {
                            let at = |name: &str| layout.node(ex.net.find_node(name).unwrap_or(Node::GROUND));
                            (Some((at(plus), at(minus))), *initially_closed)
                        }
                        SwitchControl::Times { initially_closed, .. } => (None, *initially_closed),
                    };
                    switches.push(Switch { element: i, slots: four(recorder.pattern), control, closed });
                }
                ElementKind::Line { far, .. } => {
                    let branch = layout.branch(id);
                    let ports = [(a, b), (layout.node(far.0), layout.node(far.1))];
                    let columns = [ports[0].0, ports[0].1, ports[1].0, ports[1].1, branch, branch + 1];
                    let mut slots = [0; 12];
                    for (k, s) in slots.iter_mut().enumerate() {
                        *s = recorder.pattern.at(branch + k / 6, columns[k % 6]);
                    }
                    // The currents enter the line at its first nodes and come back at its second ones.
                    for (k, (p, q)) in ports.iter().enumerate() {
                        recorder.g(*p, branch + k, 1.0);
                        recorder.g(*q, branch + k, -1.0);
                    }
                    lines.push(LineAt { element: i, ports, branch, slots });
                }
                ElementKind::TableImpedance(_) | ElementKind::TwoPort { .. } => {
                    return Err(ex
                        .net
                        .fault(
                            e,
                            "a table over frequency has no course over time",
                            "a network of parts for a transient",
                        )
                        .into());
                }
                ElementKind::Capacitor { capacitance_f, .. } => {
                    stores.push(Store::Capacitor { element: i, a, b, c: *capacitance_f });
                }
                ElementKind::Inductor { inductance_h, .. } => {
                    let branch = layout.branch(id);
                    let mut terms = vec![(branch, *inductance_h)];
                    for m in &ex.net.elements {
                        let ElementKind::Mutual { first, second, coupling } = &m.kind else { continue };
                        let other = if *first == e.name {
                            second
                        } else if *second == e.name {
                            first
                        } else {
                            continue;
                        };
                        if let Some(o) = ex.net.find(other) {
                            let l = crate::layout::inductance(&ex.net, o);
                            terms.push((layout.branch(o), coupling * (inductance_h * l).sqrt()));
                        }
                    }
                    stores.push(Store::Inductor { element: i, branch, terms });
                }
                ElementKind::VoltageSource(_) => {
                    sources.push((i, layout.branch(id), usize::MAX, true));
                }
                ElementKind::CurrentSource(_) => sources.push((i, a, b, false)),
                _ => {}
            }
        }
        for (a, b, branch) in &behaviour_voltage {
            voltage_branch(&mut recorder, *a, *b, *branch);
        }
        let mut settles = vec![false; layout.size];
        for s in &stores {
            if let Store::Inductor { branch, .. } = s {
                settles[*branch] = true;
            }
        }
        let linear_slots = recorder.slots;
        let order = RowOrder::new(&pattern);
        let nnz = pattern.entries.len();
        let size = layout.size;
        let mut engine = Self {
            g: vec![0.0; nnz],
            c: vec![0.0; nnz],
            base: vec![0.0; nnz],
            a: vec![0.0; nnz],
            factored: Vec::new(),
            right: vec![0.0; size + 1],
            work: vec![0.0; size + 1],
            next: vec![0.0; size + 1],
            correction: vec![0.0; size + 1],
            ex,
            layout,
            pattern,
            order,
            plan: None,
            last_plan_values: None,
            linear_slots,
            anchor: vec![0.0; diagonal.len()],
            settles,
            diagonal,
            devices,
            switches,
            lines,
            stores,
            sources,
            gmin_s,
            base_key: None,
            factored_key: None,
            solutions: 0,
        };
        engine.stamp(&behaviour_voltage);
        Ok(engine)
    }

    fn stamp(&mut self, behaviour_voltage: &[(usize, usize, usize)]) {
        let mut player = Player { slots: &self.linear_slots, at: 0, g: &mut self.g, c: &mut self.c };
        stamp_linear(&self.ex.net, &self.layout, &mut player);
        for l in &self.lines {
            for (k, (p, q)) in l.ports.iter().enumerate() {
                player.g(*p, l.branch + k, 1.0);
                player.g(*q, l.branch + k, -1.0);
            }
        }
        for (a, b, branch) in behaviour_voltage {
            voltage_branch(&mut player, *a, *b, *branch);
        }
    }

    pub(super) fn size(&self) -> usize {
        self.layout.size
    }

    pub(super) fn is_linear(&self) -> bool {
        self.devices.is_empty()
    }

    /// A switch changed: the matrix is another one.
    pub(super) fn changed(&mut self) {
        self.base_key = None;
        self.factored_key = None;
    }

    fn build_base(&mut self, ask: &Ask) {
        let key = (ask.alpha.to_bits(), ask.shunt_s.to_bits(), ask.standing, ask.hold);
        if self.base_key == Some(key) {
            return;
        }
        self.base_key = Some(key);
        self.factored_key = None;
        for ((x, g), c) in self.base.iter_mut().zip(&self.g).zip(&self.c) {
            *x = g + ask.alpha * c;
        }
        if ask.standing {
            // Inductors at rest take a little more: a circulating current is known only as well as the difference of
            // two voltages lets it be.
            for (k, (row, col)) in self.pattern.entries.iter().enumerate() {
                if self.settles[*row as usize] && self.settles[*col as usize] {
                    self.base[k] = self.g[k] + REST_INDUCTOR * self.c[k];
                }
            }
        }
        let mut add = |slot: u32, v: f64| {
            if let Some(x) = self.base.get_mut(slot as usize) {
                *x += v;
            }
        };
        for d in &self.diagonal {
            add(*d, ask.shunt_s);
        }
        if ask.hold {
            for (node, _) in &self.ex.net.initial_v {
                if let Some(d) = self.diagonal.get(self.layout.node(*node)) {
                    add(*d, HOLD_S);
                }
            }
        }
        for s in &self.switches {
            if let ElementKind::Switch(m) = &self.ex.net.elements[s.element].kind {
                let g = 1.0 / if s.closed { m.on_ohm } else { m.off_ohm };
                for (slot, sign) in s.slots.iter().zip([1.0, 1.0, -1.0, -1.0]) {
                    add(*slot, sign * g);
                }
            }
        }
        // A floating part of the network (a bridge that blocks) is held to its last potential by something far below
        // any stray capacitance, or its common voltage would drown in rounding.
        for (hold, d) in self.anchor.iter_mut().zip(&self.diagonal) {
            let x = &mut self.base[*d as usize];
            *hold = if ask.standing { 0.0 } else { ANCHOR * x.abs() };
            *x += *hold;
        }
        let mut add = |slot: u32, v: f64| {
            if let Some(x) = self.base.get_mut(slot as usize) {
                *x += v;
            }
        };
        for l in &self.lines {
            let ElementKind::Line { z0_ohm, .. } = &self.ex.net.elements[l.element].kind else { continue };
            // Standing: equal voltages, opposite currents. Running: v − Z0·i is the wave that arrives.
            let rows: [[f64; 6]; 2] = if ask.standing {
                [[1.0, -1.0, -1.0, 1.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0, 1.0, 1.0]]
            } else {
                [[1.0, -1.0, 0.0, 0.0, -z0_ohm, 0.0], [0.0, 0.0, 1.0, -1.0, 0.0, -z0_ohm]]
            };
            for (k, slot) in l.slots.iter().enumerate() {
                add(*slot, rows[k / 6][k % 6]);
            }
        }
        for d in &self.devices {
            if !matches!(d.kind, DeviceKind::Behaviour { .. }) {
                for (slot, sign) in d.slots.iter().zip([1.0, 1.0, -1.0, -1.0]) {
                    add(*slot, sign * self.gmin_s);
                }
            }
        }
    }

    /// Right side without the devices.
    fn build_right(&mut self, ask: &Ask, past: &Past) {
        self.right.fill(0.0);
        for (element, p, q, voltage) in &self.sources {
            let (ElementKind::VoltageSource(s) | ElementKind::CurrentSource(s)) = &self.ex.net.elements[*element].kind
            else {
                continue;
            };
            let value = ask.scale * if ask.dc { s.dc_value() } else { s.waveform.at(ask.time_s) };
            if *voltage {
                self.right[*p] += value;
            } else {
                self.right[*p] -= value;
                self.right[*q] += value;
            }
        }
        if ask.hold {
            for (node, v) in &self.ex.net.initial_v {
                self.right[self.layout.node(*node)] += HOLD_S * v;
            }
        }
        for (store, h) in self.stores.iter().zip(&past.history) {
            match store {
                Store::Capacitor { a, b, .. } => {
                    self.right[*a] += h;
                    self.right[*b] -= h;
                }
                Store::Inductor { branch, .. } => self.right[*branch] -= h,
                Store::Junction { .. } => {}
            }
        }
        if !ask.standing {
            for (l, e) in self.lines.iter().zip(&past.arriving) {
                self.right[l.branch] += e[0];
                self.right[l.branch + 1] += e[1];
            }
        }
        for ((r, hold), v) in self.right.iter_mut().zip(&self.anchor).zip(&past.start) {
            *r += hold * v;
        }
        let ground = self.layout.size;
        self.right[ground] = 0.0;
    }

    /// Evaluates a device at the voltages of `x`, limited where `limit`; true where the limit bit.
    fn evaluate(ex: &Expanded, d: &mut Device, x: &[f64], limit: bool) -> bool {
        let v_new = x[d.a] - x[d.b];
        let e = &ex.net.elements[d.element];
        let v = match &e.kind {
            ElementKind::Diode { model, area } if limit => devices::limit_diode(model, *area, v_new, d.v),
            ElementKind::Varistor(m) if limit => devices::limit_varistor(m, v_new, d.v),
            ElementKind::Clamp(m) if limit => devices::limit_clamp(m, v_new, d.v),
            _ => v_new,
        };
        d.point = match &e.kind {
            ElementKind::Diode { model, area } => devices::diode(model, *area, v),
            ElementKind::Varistor(m) => devices::varistor(m, v),
            ElementKind::Clamp(m) => devices::clamp(m, v),
            _ => d.point,
        };
        d.v = v;
        (v - v_new).abs() > 1e-9 * (v.abs() + 1e-3)
    }

    /// Adds the devices, linearised at `x`. True where a limit bit.
    fn add_devices(&mut self, ask: &Ask, past: &Past, x: &[f64]) -> bool {
        let mut bit = false;
        let mut charge = self.stores.iter().zip(&past.history).filter_map(|(s, h)| match s {
            Store::Junction { device, .. } => Some((*device, *h)),
            _ => None,
        });
        let mut next_charge = charge.next();
        let mut values: Vec<f64> = Vec::new();
        for (k, d) in self.devices.iter_mut().enumerate() {
            let mut add = |slot: u32, v: f64| {
                if let Some(x) = self.a.get_mut(slot as usize) {
                    *x += v;
                }
            };
            if let DeviceKind::Behaviour { inputs, branch } = &d.kind {
                let (ElementKind::BehaviouralCurrent(b) | ElementKind::BehaviouralVoltage(b)) =
                    &self.ex.net.elements[d.element].kind
                else {
                    continue;
                };
                values.clear();
                values.extend(inputs.iter().map(|(p, q)| x[*p] - x[*q]));
                let value = b.expr.at(&values, ask.time_s, usize::MAX).value;
                d.point.i = value;
                let mut rest = value;
                let n = inputs.len();
                for i in 0..n {
                    let slope = b.expr.at(&values, ask.time_s, i).slope;
                    rest -= slope * values[i];
                    if *branch == usize::MAX {
                        add(d.slots[2 * i], slope);
                        add(d.slots[2 * i + 1], -slope);
                        add(d.slots[2 * (n + i)], -slope);
                        add(d.slots[2 * (n + i) + 1], slope);
                    } else {
                        add(d.slots[2 * i], -slope);
                        add(d.slots[2 * i + 1], slope);
                    }
                }
                if *branch == usize::MAX {
                    self.right[d.a] -= rest;
                    self.right[d.b] += rest;
                } else {
                    self.right[*branch] += rest;
                }
                continue;
            }
            bit |= Self::evaluate(&self.ex, d, x, true);
            let p = d.point;
            let (mut i, mut g) = (p.i, p.g);
            if next_charge.is_some_and(|(device, _)| device == k) {
                let h = next_charge.map_or(0.0, |c| c.1);
                i += ask.alpha * p.q - h;
                g += ask.alpha * p.c;
                next_charge = charge.next();
            }
            let rest = i - g * d.v;
            for (slot, sign) in d.slots.iter().zip([1.0, 1.0, -1.0, -1.0]) {
                add(*slot, sign * g);
            }
            self.right[d.a] -= rest;
            self.right[d.b] += rest;
        }
        bit
    }

    fn factor_and_solve(&mut self, key: Option<(u64, u64, bool, bool)>) -> Result<(), Miss> {
        self.solutions += 1;
        if key.is_some()
            && self.factored_key == key
            && let Some(plan) = &self.plan
        {
            self.work.copy_from_slice(&self.right);
            plan.solve(&self.factored, &mut self.work, &mut self.next);
            return Ok(());
        }
        for attempt in 0..3 {
            if self.plan.is_none() {
                let now: Vec<Complex64> = self.a.iter().map(|v| Complex64::new(*v, 0.0)).collect();
                // An order that suits the values before as well as those now saves finding one at every change.
                let both = match (&self.last_plan_values, attempt) {
                    (Some(before), 0 | 1) => Plan::new(&self.pattern, &[before.clone(), now.clone()]).ok(),
                    _ => None,
                };
                let plan = match both {
                    Some(p) => p,
                    None => {
                        Plan::new(&self.pattern, std::slice::from_ref(&now)).map_err(|u| Miss::Undetermined(u.0))?
                    }
                };
                self.last_plan_values = Some(now);
                self.plan = Some(plan);
            }
            let Some(plan) = &self.plan else { break };
            self.factored.clear();
            self.factored.extend_from_slice(&self.a);
            self.factored.resize(plan.slots(), 0.0);
            plan.factor(&mut self.factored);
            self.work.copy_from_slice(&self.right);
            plan.solve(&self.factored, &mut self.work, &mut self.next);
            let mut good = self.order.residual(&self.a, &self.right, &self.next) < BACKWARD;
            if !good {
                // One step of refinement makes small unknowns beside large ones as exact as the large ones.
                self.order.remainder(&self.a, &self.right, &self.next, &mut self.work);
                plan.solve(&self.factored, &mut self.work, &mut self.correction);
                for (x, d) in self.next.iter_mut().zip(&self.correction) {
                    *x += d;
                }
                let limit = if attempt == 2 { COARSE } else { BACKWARD };
                good = self.order.residual(&self.a, &self.right, &self.next) < limit;
            }
            if good {
                self.factored_key = key;
                return Ok(());
            }
            self.plan = None;
            self.factored_key = None;
        }
        let bad = self.next.iter().position(|v| !v.is_finite()).unwrap_or(0);
        Err(Miss::Undetermined(bad))
    }

    /// Finds the unknowns, starting from `x`. Index `size` of `x` is ground and stays zero.
    pub(super) fn newton(&mut self, ask: &Ask, past: &Past, x: &mut [f64], most: usize) -> Result<(), Miss> {
        self.build_base(ask);
        let size = self.size();
        if self.is_linear() {
            self.build_right(ask, past);
            self.a.copy_from_slice(&self.base);
            self.factor_and_solve(self.base_key)?;
            x[..size].copy_from_slice(&self.next[..size]);
            return Ok(());
        }
        let mut worst = 0;
        let nodes = self.layout.nodes() - 1;
        for iteration in 0..most {
            self.build_right(ask, past);
            self.a.copy_from_slice(&self.base);
            let bit = self.add_devices(ask, past, x);
            self.factor_and_solve(None)?;
            let mut largest = 0.0f64;
            for (i, (new, old)) in self.next.iter().copied().zip(x.iter().copied()).take(size).enumerate() {
                if ask.standing && self.settles[i] && new.is_finite() {
                    continue;
                }
                if !new.is_finite() {
                    return Err(Miss::Unsettled(i));
                }
                let floor = if i < nodes { 1e-6 } else { 1e-9 };
                let e = (new - old).abs() / (1e-5 * new.abs().max(old.abs()) + floor);
                if e > largest {
                    (largest, worst) = (e, i);
                }
            }
            x[..size].copy_from_slice(&self.next[..size]);
            // The first solution was linearised where the step began: it is right only when nothing moved.
            // A node may stand at hundreds of volts and a junction at one: its current decides, not the node's digits.
            let near = if iteration >= 10 {
                1e6
            } else if iteration >= 3 {
                1e3
            } else {
                1.0
            };
            let settled = largest <= near && (iteration > 0 || largest <= 1e-3);
            if settled && !bit && self.currents_fit(ask, x) {
                return Ok(());
            }
        }
        Err(Miss::Unsettled(worst))
    }

    /// True where every device draws the current it was linearised to draw. The potential of a floating part (a bridge
    /// that blocks) is then known only as well as rounding lets it be, and nothing depends on it.
    fn currents_fit(&self, ask: &Ask, x: &[f64]) -> bool {
        self.devices.iter().all(|d| {
            let v = x[d.a] - x[d.b];
            let (is, was) = match &self.ex.net.elements[d.element].kind {
                ElementKind::Diode { model, area } => (devices::diode(model, *area, v), d.v),
                ElementKind::Varistor(m) => (devices::varistor(m, v), d.v),
                ElementKind::Clamp(m) => (devices::clamp(m, v), d.v),
                _ => {
                    let value = self.behaviour_value(d, x, ask.time_s);
                    return (value - d.point.i).abs() <= 1e-6 + 1e-4 * value.abs();
                }
            };
            let expected = d.point.i + d.point.g * (v - was);
            (is.i - expected).abs() <= 1e-9 + 1e-8 * is.i.abs()
                && (ask.standing
                    || (is.q - d.point.q - d.point.c * (v - was)).abs() * ask.alpha <= 1e-9 + 1e-6 * is.i.abs())
        })
    }

    /// Devices evaluated where the solution stands, without a limit.
    pub(super) fn settle_devices(&mut self, x: &[f64]) {
        for d in &mut self.devices {
            Self::evaluate(&self.ex, d, x, false);
        }
    }

    /// What every device does where it stands.
    pub(super) fn points(&self) -> Vec<Point> {
        self.devices.iter().map(|d| d.point).collect()
    }

    pub(super) fn set_points(&mut self, points: &[Point]) {
        for (d, p) in self.devices.iter_mut().zip(points) {
            d.point = *p;
        }
    }

    /// Device voltages for the next iteration's limits.
    pub(super) fn device_voltages(&self) -> Vec<f64> {
        self.devices.iter().map(|d| d.v).collect()
    }

    pub(super) fn restore_devices(&mut self, v: &[f64]) {
        for (d, v) in self.devices.iter_mut().zip(v) {
            d.v = *v;
        }
    }

    /// What a store holds: charge or flux.
    pub(super) fn stored(&self, store: &Store, x: &[f64]) -> f64 {
        match store {
            Store::Capacitor { a, b, c, .. } => c * (x[*a] - x[*b]),
            Store::Inductor { terms, .. } => terms.iter().map(|(i, l)| l * x[*i]).sum(),
            Store::Junction { device, .. } => self.devices[*device].point.q,
        }
    }

    pub(super) fn unknown(&self, i: usize) -> String {
        self.layout.name(i).to_owned()
    }

    pub(super) fn gmin(&self) -> f64 {
        self.gmin_s
    }

    /// Small-signal slope of a behavioural source towards each input, at `x`.
    pub(super) fn behaviour_slopes(&self, device: usize, x: &[f64], time_s: f64) -> Vec<f64> {
        let d = &self.devices[device];
        let (
            DeviceKind::Behaviour { inputs, .. },
            ElementKind::BehaviouralCurrent(b) | ElementKind::BehaviouralVoltage(b),
        ) = (&d.kind, &self.ex.net.elements[d.element].kind)
        else {
            return Vec::new();
        };
        let values: Vec<f64> = inputs.iter().map(|(p, q)| x[*p] - x[*q]).collect();
        (0..values.len()).map(|i| b.expr.at(&values, time_s, i).slope).collect()
    }

    /// A behavioural current at `x`.
    pub(super) fn behaviour_value(&self, device: &Device, x: &[f64], time_s: f64) -> f64 {
        let (
            DeviceKind::Behaviour { inputs, .. },
            ElementKind::BehaviouralCurrent(b) | ElementKind::BehaviouralVoltage(b),
        ) = (&device.kind, &self.ex.net.elements[device.element].kind)
        else {
            return 0.0;
        };
        let mut few = [0.0; 8];
        if inputs.len() <= few.len() {
            for (v, (p, q)) in few.iter_mut().zip(inputs) {
                *v = x[*p] - x[*q];
            }
            return b.expr.at(&few[..inputs.len()], time_s, usize::MAX).value;
        }
        let values: Vec<f64> = inputs.iter().map(|(p, q)| x[*p] - x[*q]).collect();
        b.expr.at(&values, time_s, usize::MAX).value
    }
}

/// Voltage across an inductor at rest for its flux, 1/s: 1 mH counts as 1 µΩ.
const REST_INDUCTOR: f64 = 1e-3;
/// Conductance that holds a node at its `.ic` voltage, S.
const HOLD_S: f64 = 1e6;
/// Part of a node's own conductance (with that of its capacitors in the step) by which its last potential is held.
const ANCHOR: f64 = 1e-11;
