use std::f64::consts::TAU;
use std::sync::{Arc, OnceLock};

use num_complex::Complex64;

use crate::error::CircuitError;
use crate::expand::{Expanded, expand};
use crate::layout::{Layout, Pattern, Player, Recorder, Sink, between, input_at, stamp_linear, voltage_branch};
use crate::netlist::{ElementId, ElementKind, Netlist};
use crate::plan::{Batch, LANES, Lanes, Plan, RowOrder, solve_dense};
use crate::probe::Probe;
use crate::transient::{Rest, rest};

/// Largest backward error of a solution that is taken as it is; worse ones are solved again with full pivoting.
const BACKWARD: f64 = 1e-10;

/// What depends on frequency in another way than as jωC.
#[derive(Debug, Clone)]
enum Extra {
    /// Rows of both ports against columns a1 b1 a2 b2 i1 i2.
    Line {
        element: usize,
        slots: [u32; 12],
    },
    Table {
        element: usize,
        slot: u32,
    },
    /// Rows a1 b1 a2 b2 against the same columns.
    TwoPort {
        element: usize,
        slots: [u32; 16],
    },
}

/// What does not change with values.
#[derive(Debug)]
struct Fixed {
    layout: Layout,
    pattern: Pattern,
    order: RowOrder,
    slots: Vec<u32>,
    extras: Vec<Extra>,
}

/// A network prepared once for many AC solutions: the order of elimination is found once, values can be changed.
#[derive(Debug, Clone)]
pub struct AcSystem {
    net: Netlist,
    ex: Expanded,
    fixed: Arc<Fixed>,
    plan: OnceLock<Arc<Plan>>,
    /// Slope and capacitance of nonlinear parts at the operating point.
    small: Arc<Rest>,
    nonlinear: bool,
    g: Vec<f64>,
    c: Vec<f64>,
    right: Vec<(usize, Complex64)>,
}

/// Node voltages and branch currents at each frequency.
#[derive(Debug, Clone)]
pub struct AcResult {
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    system: AcSystem,
    /// Unknowns and a zero for ground, frequency after frequency.
    unknowns: Vec<Complex64>,
}

/// Solves a network at frequencies (Hz, above zero).
pub fn ac(net: &Netlist, frequency_hz: &[f64]) -> Result<AcResult, CircuitError> {
    AcSystem::new(net)?.solve(frequency_hz)
}

impl AcSystem {
    /// Checks and prepares a network. Nonlinear parts and switches are taken at their operating point.
    pub fn new(net: &Netlist) -> Result<Self, CircuitError> {
        net.check()?;
        let ex = expand(net);
        let layout = Layout::new(&ex.net);
        let nonlinear = ex.net.elements.iter().any(|e| {
            matches!(
                e.kind,
                ElementKind::Diode { .. }
                    | ElementKind::Varistor(_)
                    | ElementKind::Clamp(_)
                    | ElementKind::Switch(_)
                    | ElementKind::BehaviouralCurrent(_)
                    | ElementKind::BehaviouralVoltage(_)
            )
        });
        let small = if nonlinear { rest(net)? } else { Rest::none() };
        let mut pattern = Pattern::new(layout.size);
        let mut extras = Vec::new();
        let mut recorder = Recorder { pattern: &mut pattern, slots: Vec::new() };
        stamp(&ex.net, &layout, &small, &mut recorder);
        let slots = recorder.slots;
        for (i, e) in ex.net.elements.iter().enumerate() {
            let branch = layout.branch(ElementId(i as u32));
            let (a, b) = (layout.node(e.a), layout.node(e.b));
            match &e.kind {
                ElementKind::Line { far, .. } => {
                    let columns = [a, b, layout.node(far.0), layout.node(far.1), branch, branch + 1];
                    let slots = std::array::from_fn(|k| pattern.at(branch + k / 6, columns[k % 6]));
                    extras.push(Extra::Line { element: i, slots });
                }
                ElementKind::TableImpedance(_) => {
                    extras.push(Extra::Table { element: i, slot: pattern.at(branch, branch) });
                }
                ElementKind::TwoPort { far, .. } => {
                    let nodes = [a, b, layout.node(far.0), layout.node(far.1)];
                    let slots = std::array::from_fn(|k| pattern.at(nodes[k / 4], nodes[k % 4]));
                    extras.push(Extra::TwoPort { element: i, slots });
                }
                _ => {}
            }
        }
        let order = RowOrder::new(&pattern);
        let nnz = pattern.entries.len();
        let mut system = Self {
            net: net.clone(),
            ex,
            fixed: Arc::new(Fixed { layout, pattern, order, slots, extras }),
            plan: OnceLock::new(),
            small: Arc::new(small),
            nonlinear,
            g: vec![0.0; nnz],
            c: vec![0.0; nnz],
            right: Vec::new(),
        };
        system.restamp();
        if system.right.iter().all(|(_, v)| *v == Complex64::ZERO) {
            return Err(CircuitError::Setting {
                what: "no source has an AC magnitude, so every voltage is zero".into(),
                expected: "AC 1 (or another magnitude) on a voltage or current source".into(),
            });
        }
        Ok(system)
    }

    /// The network as it stands, with changed values.
    pub fn netlist(&self) -> &Netlist {
        &self.net
    }

    /// Changes an element's chief value (see [`Netlist::value`]) without preparing anew.
    ///
    /// With nonlinear parts in the network the operating point is found again.
    pub fn set_value(&mut self, element: ElementId, value: f64) -> Result<(), CircuitError> {
        self.set_values(&[(element, value)])
    }

    /// Changes several elements' chief values at once.
    pub fn set_values(&mut self, values: &[(ElementId, f64)]) -> Result<(), CircuitError> {
        let before: Vec<Option<f64>> = values.iter().map(|(id, _)| self.net.value(*id)).collect();
        for (id, value) in values {
            if !self.net.set_value(*id, *value) {
                let e = self.net.element(*id);
                return Err(self.net.fault(e, "has no single value that can be changed", "an element with one").into());
            }
        }
        let refused = values
            .iter()
            .find_map(|(id, _)| crate::check::values(&self.net, self.net.element(*id)).err())
            .map(CircuitError::from)
            .or_else(|| if self.nonlinear { self.rest_again().err() } else { None });
        if let Some(e) = refused {
            for ((id, _), old) in values.iter().zip(before) {
                self.net.set_value(*id, old.unwrap_or_default());
            }
            return Err(e);
        }
        for (id, value) in values {
            self.set_raw(*id, *value);
        }
        self.restamp();
        Ok(())
    }

    fn rest_again(&mut self) -> Result<(), CircuitError> {
        self.small = Arc::new(rest(&self.net)?);
        Ok(())
    }

    /// Changes a plain element without stamping anew; the value must have been judged.
    pub(crate) fn set_raw(&mut self, id: ElementId, value: f64) {
        let chief = self.ex.chief[id.index()];
        self.ex.net.set_value(chief, value);
    }

    pub(crate) fn is_nonlinear(&self) -> bool {
        self.nonlinear
    }

    /// Writes all values into the matrix again.
    pub(crate) fn restamp(&mut self) {
        self.g.fill(0.0);
        self.c.fill(0.0);
        let fixed = &self.fixed;
        let mut player = Player { slots: &fixed.slots, at: 0, g: &mut self.g, c: &mut self.c };
        stamp(&self.ex.net, &fixed.layout, &self.small, &mut player);
        self.right.clear();
        let ground = fixed.layout.size;
        for (i, e) in self.ex.net.elements.iter().enumerate() {
            let phasor = |s: &crate::Source| Complex64::from_polar(s.ac_magnitude, s.ac_phase_deg.to_radians());
            match &e.kind {
                ElementKind::VoltageSource(s) => {
                    self.right.push((fixed.layout.branch(ElementId(i as u32)), phasor(s)));
                }
                ElementKind::CurrentSource(s) => {
                    let (a, b) = (fixed.layout.node(e.a), fixed.layout.node(e.b));
                    if a != ground {
                        self.right.push((a, -phasor(s)));
                    }
                    if b != ground {
                        self.right.push((b, phasor(s)));
                    }
                }
                _ => {}
            }
        }
    }

    /// All unknowns at all frequencies.
    pub fn solve(&self, frequency_hz: &[f64]) -> Result<AcResult, CircuitError> {
        let width = self.fixed.layout.size + 1;
        let mut unknowns = vec![Complex64::ZERO; width * frequency_hz.len()];
        self.each_batch(frequency_hz, &mut |first, count, x| {
            for w in 0..count {
                let row = &mut unknowns[(first + w) * width..];
                for (i, lanes) in x.iter().enumerate() {
                    row[i] = Complex64::new(lanes.re[w], lanes.im[w]);
                }
            }
        })?;
        Ok(AcResult { frequency_hz: frequency_hz.to_vec(), system: self.clone(), unknowns })
    }

    /// Only the probes: one row for each, in the order of the frequencies.
    pub fn response(&self, frequency_hz: &[f64], probes: &[Probe]) -> Result<Vec<Vec<Complex64>>, CircuitError> {
        let size = self.fixed.layout.size;
        let mut rows = vec![vec![Complex64::ZERO; frequency_hz.len()]; probes.len()];
        let mut x = vec![Complex64::ZERO; size + 1];
        let only_voltages = probes.iter().all(|p| matches!(p, Probe::Voltage(..)));
        self.each_batch(frequency_hz, &mut |first, count, lanes| {
            if only_voltages {
                for (row, p) in rows.iter_mut().zip(probes) {
                    let Probe::Voltage(a, b) = p else { continue };
                    let (a, b) = (self.fixed.layout.node(*a), self.fixed.layout.node(*b));
                    for w in 0..count {
                        let at = |i: usize| lanes.get(i).map_or(Complex64::ZERO, |l| Complex64::new(l.re[w], l.im[w]));
                        row[first + w] = at(a) - at(b);
                    }
                }
                return;
            }
            for w in 0..count {
                for (i, l) in lanes.iter().enumerate() {
                    x[i] = Complex64::new(l.re[w], l.im[w]);
                }
                for (row, p) in rows.iter_mut().zip(probes) {
                    row[first + w] = self.look(*p, &x, frequency_hz[first + w]);
                }
            }
        })?;
        Ok(rows)
    }

    /// Solves in batches; `take` sees the first index, the count and the unknowns of each.
    fn each_batch(
        &self,
        frequency_hz: &[f64],
        take: &mut dyn FnMut(usize, usize, &[Lanes<LANES>]),
    ) -> Result<(), CircuitError> {
        if let Some(f) = frequency_hz.iter().find(|f| !(f.is_finite() && **f > 0.0)) {
            return Err(CircuitError::Setting {
                what: format!("a frequency of {f} Hz"),
                expected: "frequencies above zero".into(),
            });
        }
        if frequency_hz.is_empty() {
            return Ok(());
        }
        let fixed = &self.fixed;
        let Some(plan) = self.plan(frequency_hz)? else {
            return self.each_dense(frequency_hz, take);
        };
        let mut work = Batch::new(&plan, &fixed.pattern);
        let nnz = fixed.pattern.entries.len();
        for (batch, chunk) in frequency_hz.chunks(LANES).enumerate() {
            let mut omega = [TAU * chunk[chunk.len() - 1]; LANES];
            for (o, f) in omega.iter_mut().zip(chunk) {
                *o = TAU * f;
            }
            for k in 0..nnz {
                let a = &mut work.a[k];
                a.re = [self.g[k]; LANES];
                for (im, omega) in a.im.iter_mut().zip(&omega) {
                    *im = self.c[k] * omega;
                }
            }
            work.a[nnz..].fill(Lanes::ZERO);
            work.b.fill(Lanes::ZERO);
            for (row, v) in &self.right {
                let b = &mut work.b[*row];
                for w in 0..LANES {
                    b.re[w] += v.re;
                    b.im[w] += v.im;
                }
            }
            if !fixed.extras.is_empty() {
                for w in 0..LANES {
                    let f = chunk[w.min(chunk.len() - 1)];
                    self.extras(f, &mut |slot, v| {
                        if let Some(a) = work.a.get_mut(slot as usize) {
                            a.re[w] += v.re;
                            a.im[w] += v.im;
                        }
                    })?;
                }
            }
            let error = plan.solve_batch(&fixed.order, &mut work);
            for w in 0..chunk.len() {
                if error[w].is_nan() || error[w] > BACKWARD {
                    let x = self.dense(chunk[w])?;
                    for (lanes, v) in work.x.iter_mut().zip(&x) {
                        (lanes.re[w], lanes.im[w]) = (v.re, v.im);
                    }
                }
            }
            take(batch * LANES, chunk.len(), &work.x);
        }
        Ok(())
    }

    /// The slow way for every frequency, where no common order was found.
    fn each_dense(
        &self,
        frequency_hz: &[f64],
        take: &mut dyn FnMut(usize, usize, &[Lanes<LANES>]),
    ) -> Result<(), CircuitError> {
        for (i, f) in frequency_hz.iter().enumerate() {
            let x = self.dense(*f)?;
            let lanes: Vec<Lanes<LANES>> = x.iter().map(|v| Lanes { re: [v.re; LANES], im: [v.im; LANES] }).collect();
            take(i, 1, &lanes);
        }
        Ok(())
    }

    /// All entries of the matrix at a frequency.
    fn entries(&self, frequency_hz: f64) -> Result<Vec<Complex64>, CircuitError> {
        let omega = TAU * frequency_hz;
        let mut values: Vec<Complex64> =
            self.g.iter().zip(&self.c).map(|(g, c)| Complex64::new(*g, omega * c)).collect();
        self.extras(frequency_hz, &mut |slot, v| {
            if let Some(x) = values.get_mut(slot as usize) {
                *x += v;
            }
        })?;
        Ok(values)
    }

    fn dense(&self, frequency_hz: f64) -> Result<Vec<Complex64>, CircuitError> {
        let mut right = vec![Complex64::ZERO; self.fixed.layout.size];
        for (row, v) in &self.right {
            right[*row] += v;
        }
        solve_dense(&self.fixed.pattern, &self.entries(frequency_hz)?, &right).map_err(|u| CircuitError::Singular {
            at: format!("{frequency_hz} Hz"),
            unknown: self.fixed.layout.name(u.0).to_owned(),
        })
    }

    /// The order of elimination, found from the lowest, the middle and the highest frequency.
    fn plan(&self, frequency_hz: &[f64]) -> Result<Option<Arc<Plan>>, CircuitError> {
        if let Some(plan) = self.plan.get() {
            return Ok(Some(plan.clone()));
        }
        let low = frequency_hz.iter().copied().fold(f64::INFINITY, f64::min);
        let high = frequency_hz.iter().copied().fold(0.0, f64::max);
        let mut samples = vec![self.entries(low)?];
        if high > low {
            samples.push(self.entries((low * high).sqrt())?);
            samples.push(self.entries(high)?);
        }
        let found = Plan::new(&self.fixed.pattern, &samples)
            .or_else(|_| Plan::new(&self.fixed.pattern, &samples[samples.len() / 2..=samples.len() / 2]));
        Ok(found.ok().map(|plan| self.plan.get_or_init(|| Arc::new(plan)).clone()))
    }

    /// Entries that depend on frequency in a way of their own.
    fn extras(&self, frequency_hz: f64, add: &mut dyn FnMut(u32, Complex64)) -> Result<(), CircuitError> {
        let outside = |element: usize, first: f64, last: f64| {
            let e = &self.ex.net.elements[element];
            self.ex.net.fault(
                e,
                format!("its table does not reach {frequency_hz} Hz"),
                format!("a frequency from {first} to {last} Hz"),
            )
        };
        for extra in &self.fixed.extras {
            match extra {
                Extra::Line { element, slots } => {
                    let ElementKind::Line { z0_ohm, delay_s, .. } = &self.ex.net.elements[*element].kind else {
                        continue;
                    };
                    let (sin, cos) = (TAU * frequency_hz * delay_s).sin_cos();
                    let j_sin = Complex64::new(0.0, sin);
                    let one = Complex64::new(1.0, 0.0);
                    // v1 = cosθ·v2 − j·Z0·sinθ·i2 and Z0·i1 = j·sinθ·v2 − Z0·cosθ·i2, currents into the line.
                    let rows = [
                        [one, -one, Complex64::from(-cos), Complex64::from(cos), Complex64::ZERO, j_sin * *z0_ohm],
                        [
                            Complex64::ZERO,
                            Complex64::ZERO,
                            -j_sin,
                            j_sin,
                            Complex64::from(*z0_ohm),
                            Complex64::from(z0_ohm * cos),
                        ],
                    ];
                    for (k, slot) in slots.iter().enumerate() {
                        add(*slot, rows[k / 6][k % 6]);
                    }
                }
                Extra::Table { element, slot } => {
                    let ElementKind::TableImpedance(t) = &self.ex.net.elements[*element].kind else { continue };
                    let z = t.at(frequency_hz).ok_or_else(|| {
                        outside(*element, t.frequency_hz[0], t.frequency_hz[t.frequency_hz.len() - 1])
                    })?;
                    add(*slot, -z);
                }
                Extra::TwoPort { element, slots } => {
                    let ElementKind::TwoPort { table: t, .. } = &self.ex.net.elements[*element].kind else { continue };
                    let y = t.at(frequency_hz).ok_or_else(|| {
                        outside(*element, t.frequency_hz[0], t.frequency_hz[t.frequency_hz.len() - 1])
                    })?;
                    for (k, slot) in slots.iter().enumerate() {
                        let (row, col) = (k / 4, k % 4);
                        let sign = if (row % 2 == 0) == (col % 2 == 0) { 1.0 } else { -1.0 };
                        add(*slot, y[row / 2 * 2 + col / 2] * sign);
                    }
                }
            }
        }
        Ok(())
    }

    /// A probe from one frequency's unknowns (with a zero for ground at their end).
    fn look(&self, probe: Probe, x: &[Complex64], frequency_hz: f64) -> Complex64 {
        let layout = &self.fixed.layout;
        match probe {
            Probe::Voltage(a, b) => x[layout.node(a)] - x[layout.node(b)],
            Probe::Current(id) => self.ex.carriers[id.index()].iter().map(|c| self.current(*c, x, frequency_hz)).sum(),
        }
    }

    /// The current through a plain element from its first to its second node.
    fn current(&self, id: ElementId, x: &[Complex64], frequency_hz: f64) -> Complex64 {
        let layout = &self.fixed.layout;
        let branch = layout.branch(id);
        if branch != usize::MAX {
            return x[branch];
        }
        let omega = TAU * frequency_hz;
        let e = self.ex.net.element(id);
        let between = |a, b| x[layout.node(a)] - x[layout.node(b)];
        let v = between(e.a, e.b);
        let part = |list: &[(usize, f64, f64)]| {
            list.iter().find(|p| p.0 == id.index()).map_or(Complex64::ZERO, |p| v * Complex64::new(p.1, omega * p.2))
        };
        match &e.kind {
            ElementKind::Resistor { resistance_ohm } => v / *resistance_ohm,
            ElementKind::Capacitor { capacitance_f, .. } => v * Complex64::new(0.0, omega * capacitance_f),
            ElementKind::CurrentSource(s) => Complex64::from_polar(s.ac_magnitude, s.ac_phase_deg.to_radians()),
            ElementKind::VoltageControlledCurrent { control, gain } => between(control.0, control.1) * *gain,
            ElementKind::CurrentControlledCurrent { control, gain } => {
                x[layout.branch_of(&self.ex.net, control)] * *gain
            }
            ElementKind::TwoPort { far, table } => match table.at(frequency_hz) {
                Some(y) => y[0] * v + y[1] * between(far.0, far.1),
                None => Complex64::ZERO,
            },
            ElementKind::Switch(_) => {
                self.small.switches.iter().find(|s| s.0 == id.index()).map_or(Complex64::ZERO, |s| v * s.1)
            }
            ElementKind::BehaviouralCurrent(b) => {
                let slopes = self.small.behaviours.iter().find(|s| s.0 == id.index());
                slopes.map_or(Complex64::ZERO, |(_, slopes)| {
                    b.inputs
                        .iter()
                        .zip(slopes)
                        .map(|(input, slope)| {
                            let (p, q) = input_at(&self.ex.net, layout, input);
                            (x[p] - x[q]) * *slope
                        })
                        .sum()
                })
            }
            _ => part(&self.small.parts),
        }
    }
}

/// Linear elements, and nonlinear ones as they are at the operating point.
fn stamp(net: &Netlist, layout: &Layout, small: &Rest, sink: &mut impl Sink) {
    stamp_linear(net, layout, sink);
    let nodes = |i: usize| (layout.node(net.elements[i].a), layout.node(net.elements[i].b));
    for (i, g, c) in &small.parts {
        let (a, b) = nodes(*i);
        between(&mut |r, k, v| sink.g(r, k, v), a, b, *g);
        between(&mut |r, k, v| sink.c(r, k, v), a, b, *c);
    }
    for (i, g) in &small.switches {
        let (a, b) = nodes(*i);
        between(&mut |r, k, v| sink.g(r, k, v), a, b, *g);
    }
    for (i, slopes) in &small.behaviours {
        let (a, b) = nodes(*i);
        let branch = layout.branch(ElementId(*i as u32));
        let (ElementKind::BehaviouralCurrent(x) | ElementKind::BehaviouralVoltage(x)) = &net.elements[*i].kind else {
            continue;
        };
        if branch != usize::MAX {
            voltage_branch(sink, a, b, branch);
        }
        for (input, slope) in x.inputs.iter().zip(slopes) {
            let (p, q) = input_at(net, layout, input);
            if branch == usize::MAX {
                for (row, sign) in [(a, 1.0), (b, -1.0)] {
                    sink.g(row, p, sign * slope);
                    sink.g(row, q, -sign * slope);
                }
            } else {
                sink.g(branch, p, -slope);
                sink.g(branch, q, *slope);
            }
        }
    }
    for (i, e) in net.elements.iter().enumerate() {
        let branch = layout.branch(ElementId(i as u32));
        let (a, b) = (layout.node(e.a), layout.node(e.b));
        match &e.kind {
            ElementKind::TableImpedance(_) => voltage_branch(sink, a, b, branch),
            ElementKind::Line { far, .. } => {
                for (k, (p, q)) in [(a, b), (layout.node(far.0), layout.node(far.1))].into_iter().enumerate() {
                    sink.g(p, branch + k, 1.0);
                    sink.g(q, branch + k, -1.0);
                }
            }
            _ => {}
        }
    }
}

impl AcResult {
    /// A probe at every frequency: V or A, complex, peak where the sources' magnitudes are peak.
    pub fn probe(&self, probe: Probe) -> Vec<Complex64> {
        let width = self.system.fixed.layout.size + 1;
        self.unknowns.chunks_exact(width).zip(&self.frequency_hz).map(|(x, f)| self.system.look(probe, x, *f)).collect()
    }

    /// A node's voltage against ground.
    pub fn voltage(&self, node: &str) -> Result<Vec<Complex64>, CircuitError> {
        Ok(self.probe(Probe::parse(&self.system.net, &format!("v({node})"))?))
    }

    /// The voltage between two nodes.
    pub fn voltage_between(&self, plus: &str, minus: &str) -> Result<Vec<Complex64>, CircuitError> {
        Ok(self.probe(Probe::parse(&self.system.net, &format!("v({plus},{minus})"))?))
    }

    /// The current through an element, from its first to its second node.
    pub fn current(&self, element: &str) -> Result<Vec<Complex64>, CircuitError> {
        Ok(self.probe(Probe::parse(&self.system.net, &format!("i({element})"))?))
    }
}
