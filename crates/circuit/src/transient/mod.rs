//! Nonlinear transient analysis.
//!
//! Each step is a trapezoidal stage over γh and a second-order backward-difference (Gear) stage to its end, with
//! γ = 2 − √2, so that both stages have the same matrix (Bank et al., IEEE Trans. CAD 4, 1985). The pair is L-stable:
//! a switch that opens an inductor does not ring as the trapezoidal rule alone does. The local error comes from the
//! third derivative over the three points (Hosea and Shampine, Appl. Numer. Math. 20, 1996).

mod account;
mod engine;
mod lines;
mod op;
mod options;
mod result;

use std::ops::ControlFlow;
use std::sync::atomic::Ordering;

use account::{Accounts, Instant};
use engine::{Ask, Engine, Miss, Past, Store};
use lines::LineMemory;
pub use options::{Output, TransientOptions};
pub use result::{Balance, ElementEnergy, Observer, StepView, TransientSummary, Waveforms};

use crate::devices::Point;
use crate::error::CircuitError;
use crate::expand::expand;
use crate::models::SwitchControl;
use crate::netlist::{ElementKind, Netlist};
use crate::waveform::Waveform;

/// 2 − √2.
const GAMMA: f64 = 2.0 - std::f64::consts::SQRT_2;
/// Weights of the two stages over the step: √2/4, √2/4, γ/2.
const WEIGHTS: [f64; 3] = [std::f64::consts::SQRT_2 / 4.0, std::f64::consts::SQRT_2 / 4.0, GAMMA / 2.0];
/// Iterations of Newton's method in a step.
const MOST: usize = 40;

/// Weights of a parabola through the points 0, γ, 1.
fn parabola(along: f64) -> [f64; 3] {
    [
        (along - GAMMA) * (along - 1.0) / GAMMA,
        along * (along - 1.0) / (GAMMA * (GAMMA - 1.0)),
        along * (along - GAMMA) / (1.0 - GAMMA),
    ]
}

/// Runs a transient and keeps the waveforms.
pub fn transient(net: &Netlist, options: &TransientOptions) -> Result<Waveforms, CircuitError> {
    let mut time_s = Vec::new();
    let mut values = Vec::new();
    let mut keep = |view: &StepView<'_>| {
        time_s.push(view.time_s);
        values.extend_from_slice(view.values);
        ControlFlow::Continue(())
    };
    let summary = transient_with(net, options, &mut keep)?;
    Ok(Waveforms { time_s, summary, net: net.clone(), values })
}

/// Runs a transient and shows every point to an observer; nothing is kept, so that it may last as long as it likes.
pub fn transient_with(
    net: &Netlist,
    options: &TransientOptions,
    observer: &mut dyn Observer,
) -> Result<TransientSummary, CircuitError> {
    options.check()?;
    net.check()?;
    let engine = Engine::new(expand(net), options.gmin_s, options.step_s)?;
    Run::new(engine, net, options)?.go(observer)
}

/// The operating point of a network for small signals: its unknowns, and what each nonlinear part is there.
#[derive(Debug)]
pub(crate) struct Rest {
    /// Slope and capacitance of two-terminal parts, by plain element.
    pub(crate) parts: Vec<(usize, f64, f64)>,
    /// Slopes of behavioural sources towards their inputs, by plain element.
    pub(crate) behaviours: Vec<(usize, Vec<f64>)>,
    /// Conductances of switches, by plain element.
    pub(crate) switches: Vec<(usize, f64)>,
}

impl Rest {
    pub(crate) fn none() -> Self {
        Self { parts: vec![], behaviours: vec![], switches: vec![] }
    }
}

pub(crate) fn rest(net: &Netlist) -> Result<Rest, CircuitError> {
    let gmin_s = 1e-12;
    let mut engine = Engine::new(expand(net), gmin_s, 1e-9)?;
    let mut x = vec![0.0; engine.size() + 1];
    op::operating_point(&mut engine, &mut x, true)?;
    engine.settle_devices(&x);
    let mut out = Rest::none();
    for (k, d) in engine.devices.iter().enumerate() {
        let slopes = engine.behaviour_slopes(k, &x, 0.0);
        match &engine.ex.net.elements[d.element].kind {
            ElementKind::BehaviouralCurrent(_) | ElementKind::BehaviouralVoltage(_) => {
                out.behaviours.push((d.element, slopes));
            }
            _ => out.parts.push((d.element, d.point.g + gmin_s, d.point.c)),
        }
    }
    for s in &engine.switches {
        if let ElementKind::Switch(m) = &engine.ex.net.elements[s.element].kind {
            out.switches.push((s.element, 1.0 / if s.closed { m.on_ohm } else { m.off_ohm }));
        }
    }
    Ok(out)
}

/// A corner that a line brings to its other end later.
struct Echo {
    time_s: f64,
    generation: u8,
}

struct Run<'a> {
    engine: Engine,
    original: &'a Netlist,
    options: &'a TransientOptions,
    accounts: Accounts,
    max_step_s: f64,
    min_step_s: f64,
    /// Sources whose curve between the points must be followed, and the highest magnitude so far.
    curved: Vec<(Waveform, f64)>,
    echoes: Vec<Echo>,
    /// Highest magnitude of each store's voltage or current so far.
    peaks: Vec<f64>,
    x: Vec<f64>,
    charge: Vec<f64>,
    rate: Vec<f64>,
    lines: Vec<LineMemory>,
    next_output: u64,
    summary: TransientSummary,
}

/// A step that was tried.
struct Tried {
    x: [Vec<f64>; 2],
    charge: [Vec<f64>; 2],
    rate: [Vec<f64>; 2],
    /// Devices in the middle and at the end.
    points: [Vec<Point>; 2],
    error: f64,
}

impl<'a> Run<'a> {
    fn new(engine: Engine, original: &'a Netlist, options: &'a TransientOptions) -> Result<Self, CircuitError> {
        let mut max_step_s = options.max_step_s.unwrap_or(options.stop_s / 50.0).min(options.stop_s);
        let mut curved = Vec::new();
        for e in &engine.ex.net.elements {
            match &e.kind {
                ElementKind::VoltageSource(s) | ElementKind::CurrentSource(s) => {
                    max_step_s = max_step_s.min(s.waveform.fastest());
                    if !matches!(
                        s.waveform,
                        Waveform::Dc(_) | Waveform::PiecewiseLinear { .. } | Waveform::Pulse { .. }
                    ) {
                        curved.push((s.waveform.clone(), 0.0));
                    }
                }
                ElementKind::Line { delay_s, .. } => max_step_s = max_step_s.min(*delay_s),
                _ => {}
            }
        }
        if options.stop_s / max_step_s > options.max_steps as f64 {
            return Err(CircuitError::Setting {
                what: format!(
                    "steps of at most {max_step_s:.3e} s (a line or a source asks for that) until {} s",
                    options.stop_s
                ),
                expected: format!("at most {} steps", options.max_steps),
            });
        }
        let accounts = Accounts::new(&engine, original);
        let size = engine.size();
        let stores = engine.stores.len();
        Ok(Self {
            engine,
            original,
            options,
            accounts,
            max_step_s,
            min_step_s: options.stop_s * 1e-15,
            curved,
            echoes: Vec::new(),
            peaks: vec![0.0; stores],
            x: vec![0.0; size + 1],
            charge: vec![0.0; stores],
            rate: vec![0.0; stores],
            lines: Vec::new(),
            next_output: 0,
            summary: TransientSummary::default(),
        })
    }

    /// Charges and fluxes at `x`; the devices must stand there.
    fn stored(&self, x: &[f64]) -> Vec<f64> {
        self.engine.stores.iter().map(|s| self.engine.stored(s, x)).collect()
    }

    /// Charges and fluxes from `IC=` and `.ic`, zero where nothing is given.
    fn initial_charges(&mut self) -> Vec<f64> {
        let mut x = vec![0.0; self.engine.size() + 1];
        for (node, v) in &self.engine.ex.net.initial_v {
            x[self.engine.layout.node(*node)] = *v;
        }
        for e in &self.engine.ex.net.elements {
            if let ElementKind::Inductor { initial_a: Some(i), .. } = &e.kind
                && let Some(id) = self.engine.ex.net.find(&e.name)
            {
                let branch = self.engine.layout.branch(id);
                x[branch] = *i;
            }
        }
        self.engine.settle_devices(&x);
        let net = &self.engine.ex.net;
        self.engine
            .stores
            .iter()
            .map(|s| {
                if let Store::Capacitor { element, c, .. } = s
                    && let ElementKind::Capacitor { initial_v: Some(v), .. } = &net.elements[*element].kind
                {
                    return c * v;
                }
                self.engine.stored(s, &x)
            })
            .collect()
    }

    fn ask(time_s: f64, alpha: f64) -> Ask {
        Ask { time_s, alpha, shunt_s: 0.0, scale: 1.0, standing: false, hold: false, dc: false }
    }

    fn arriving(&self, time_s: f64) -> Vec<[f64; 2]> {
        self.lines.iter().map(|l| l.arriving(time_s)).collect()
    }

    fn step_error(&self, miss: Miss, time_s: f64, step_s: f64) -> CircuitError {
        match miss {
            Miss::Undetermined(u) => {
                CircuitError::Singular { at: format!("{time_s:.6e} s"), unknown: self.engine.unknown(u) }
            }
            Miss::Unsettled(u) => CircuitError::StepTooSmall { time_s, step_s, unknown: self.engine.unknown(u) },
        }
    }

    /// One backward-Euler step of a tiny length: after a corner, currents of capacitors and voltages of inductors may
    /// have jumped, and the trapezoidal stage must not start from their old values. Gives the length taken.
    fn settle(&mut self, time_s: f64, length_s: f64) -> Result<f64, CircuitError> {
        let mut h = length_s;
        loop {
            let alpha = 1.0 / h;
            let past = Past {
                history: self.charge.iter().map(|q| alpha * q).collect(),
                arriving: self.arriving(time_s + h),
                start: self.x.clone(),
            };
            let mut x = self.x.clone();
            let before = self.engine.device_voltages();
            match self.engine.newton(&Self::ask(time_s + h, alpha), &past, &mut x, 4 * MOST) {
                Ok(()) => {
                    self.engine.settle_devices(&x);
                    self.charge = self.stored(&x);
                    self.rate = self.charge.iter().zip(&past.history).map(|(q, k)| alpha * q - k).collect();
                    self.x = x;
                    return Ok(h);
                }
                Err(miss) => {
                    self.engine.restore_devices(&before);
                    h *= 0.1;
                    if h < self.min_step_s * 1e-6 {
                        return Err(self.step_error(miss, time_s, h));
                    }
                }
            }
        }
    }

    fn try_step(&mut self, time_s: f64, h: f64) -> Result<Tried, Miss> {
        let alpha = 2.0 / (GAMMA * h);
        let before = self.engine.device_voltages();
        let result = self.stages(time_s, h, alpha);
        if result.is_err() {
            self.engine.restore_devices(&before);
        }
        result
    }

    fn stages(&mut self, time_s: f64, h: f64, alpha: f64) -> Result<Tried, Miss> {
        let middle = time_s + GAMMA * h;
        let mut past = Past {
            history: self.charge.iter().zip(&self.rate).map(|(q, r)| alpha * q + r).collect(),
            arriving: self.arriving(middle),
            start: self.x.clone(),
        };
        let mut x1 = self.x.clone();
        self.engine.newton(&Self::ask(middle, alpha), &past, &mut x1, MOST)?;
        self.engine.settle_devices(&x1);
        let q1 = self.stored(&x1);
        let p1 = self.engine.points();
        let r1: Vec<f64> = q1.iter().zip(&past.history).map(|(q, k)| alpha * q - k).collect();

        let c1 = 1.0 / (GAMMA * (2.0 - GAMMA));
        let c0 = (1.0 - GAMMA) * (1.0 - GAMMA) * c1;
        for ((k, q0), q1) in past.history.iter_mut().zip(&self.charge).zip(&q1) {
            *k = alpha * (c1 * q1 - c0 * q0);
        }
        past.arriving = self.arriving(time_s + h);
        past.start.copy_from_slice(&x1);
        let ahead = (1.0 - GAMMA) / GAMMA;
        let mut x2: Vec<f64> = if self.engine.is_linear() {
            x1.clone()
        } else {
            x1.iter().zip(&self.x).map(|(b, a)| b + (b - a) * ahead).collect()
        };
        self.engine.newton(&Self::ask(time_s + h, alpha), &past, &mut x2, MOST)?;
        self.engine.settle_devices(&x2);
        let q2 = self.stored(&x2);
        let p2 = self.engine.points();
        let r2: Vec<f64> = q2.iter().zip(&past.history).map(|(q, k)| alpha * q - k).collect();

        let error = self.local_error(time_s, h, &x2, [&r1, &r2]);
        Ok(Tried { x: [x1, x2], charge: [q1, q2], rate: [r1, r2], points: [p1, p2], error })
    }

    /// Largest local error over what is allowed.
    fn local_error(&mut self, time_s: f64, h: f64, x2: &[f64], rates: [&[f64]; 2]) -> f64 {
        let k = (-3.0 * GAMMA * GAMMA + 4.0 * GAMMA - 2.0) / (12.0 * (2.0 - GAMMA));
        let o = self.options;
        let mut worst = 0.0f64;
        for (i, s) in self.engine.stores.iter().enumerate() {
            let bend = self.rate[i] / GAMMA - rates[0][i] / (GAMMA * (1.0 - GAMMA)) + rates[1][i] / (1.0 - GAMMA);
            let error = (2.0 * k * h * bend).abs();
            // In volts or amperes, against what the store's own voltage or current allows.
            let (value, unit, floor) = match s {
                Store::Capacitor { a, b, c, .. } => (x2[*a] - x2[*b], *c, o.vabstol_v),
                Store::Inductor { branch, terms, .. } => (x2[*branch], terms[0].1, o.iabstol_a),
                Store::Junction { device, element } => {
                    let e = &self.engine.ex.net.elements[*element];
                    let v = x2[self.engine.layout.node(e.a)] - x2[self.engine.layout.node(e.b)];
                    (v, self.engine.devices[*device].point.c, o.vabstol_v)
                }
            };
            let size = value.abs();
            let peak = self.peaks[i].max(size);
            let allowed = o.reltol * size.max(0.05 * peak) + floor;
            worst = worst.max(error / unit / allowed);
        }
        for (wave, peak) in &mut self.curved {
            let w = parabola(0.5);
            let at = |along: f64| wave.at(time_s + along * h);
            let (start, middle, end) = (at(0.0), at(GAMMA), at(1.0));
            *peak = peak.max(start.abs()).max(middle.abs()).max(end.abs());
            let error = (at(0.5) - w[0] * start - w[1] * middle - w[2] * end).abs();
            worst = worst.max(error / (10.0 * o.reltol * *peak + 1e-300));
        }
        if worst.is_nan() { f64::INFINITY } else { worst }
    }

    /// Where in the step the first voltage-controlled switch crosses its threshold, as a part of the step.
    fn crossing(&self, x2: &[f64]) -> Option<f64> {
        let mut first: Option<f64> = None;
        for s in &self.engine.switches {
            let Some((p, q)) = s.control else { continue };
            let ElementKind::Switch(m) = &self.engine.ex.net.elements[s.element].kind else { continue };
            let SwitchControl::Voltage { threshold_v, hysteresis_v, .. } = &m.control else { continue };
            let (v0, v2) = (self.x[p] - self.x[q], x2[p] - x2[q]);
            let level = if s.closed { threshold_v - hysteresis_v } else { threshold_v + hysteresis_v };
            let crossed = if s.closed { v2 < level } else { v2 > level };
            if crossed {
                let along = if v2 == v0 { 1.0 } else { ((level - v0) / (v2 - v0)).clamp(0.0, 1.0) };
                first = Some(first.map_or(along, |f: f64| f.min(along)));
            }
        }
        first
    }

    fn next_corner(&self, time_s: f64) -> f64 {
        let mut next = f64::INFINITY;
        for e in &self.engine.ex.net.elements {
            match &e.kind {
                ElementKind::VoltageSource(s) | ElementKind::CurrentSource(s) => {
                    next = next.min(s.waveform.next_corner(time_s));
                }
                ElementKind::Switch(m) => {
                    if let SwitchControl::Times { toggle_s, .. } = &m.control {
                        let i = toggle_s.partition_point(|t| *t <= time_s * (1.0 + 1e-14));
                        next = next.min(toggle_s.get(i).copied().unwrap_or(f64::INFINITY));
                    }
                }
                _ => {}
            }
        }
        let later = self.echoes.iter().map(|e| e.time_s).filter(|t| *t > time_s * (1.0 + 1e-14) + 1e-300);
        later.fold(next, f64::min)
    }

    /// Switches with times of their own, at a corner.
    fn toggle(&mut self, time_s: f64) {
        let mut any = false;
        for s in &mut self.engine.switches {
            let ElementKind::Switch(m) = &self.engine.ex.net.elements[s.element].kind else { continue };
            let SwitchControl::Times { initially_closed, toggle_s } = &m.control else { continue };
            let changes = toggle_s.partition_point(|t| *t <= time_s * (1.0 + 1e-14));
            let closed = *initially_closed ^ (changes % 2 == 1);
            any |= closed != s.closed;
            s.closed = closed;
        }
        if any {
            self.engine.changed();
        }
    }

    /// A corner comes back from the other end of every line.
    fn echo(&mut self, time_s: f64) {
        let generation = self
            .echoes
            .iter()
            .filter(|e| (e.time_s - time_s).abs() <= 1e-12 * time_s)
            .map(|e| e.generation + 1)
            .max()
            .unwrap_or(0);
        self.echoes.retain(|e| e.time_s > time_s * (1.0 + 1e-12));
        // Later echoes are too weak or too rounded to matter; error control follows them.
        if generation < 12 && self.echoes.len() < 64 {
            let delays: Vec<f64> = self.lines.iter().map(|l| l.delay_s).collect();
            for d in delays {
                self.echoes.push(Echo { time_s: time_s + d, generation });
            }
        }
    }

    /// All node voltages, then all elements' currents.
    fn values(&self, x: &[f64], at: &Instant) -> Vec<f64> {
        let nodes = self.original.node_names.len();
        let mut out = vec![0.0; nodes + self.original.elements.len()];
        // The expanded network has the original nodes first.
        out[1..nodes].copy_from_slice(&x[..nodes - 1]);
        self.accounts.terminal_currents(at, &mut out[nodes..]);
        out
    }

    fn show(
        &mut self,
        observer: &mut dyn Observer,
        time_s: f64,
        h: f64,
        x: [&[f64]; 3],
        points: [&Instant; 3],
    ) -> ControlFlow<()> {
        let nodes = self.original.node_names.len();
        match self.options.output {
            Output::Steps => {
                let values = self.values(x[2], points[2]);
                observer.point(&StepView { time_s: time_s + h, values: &values, nodes })
            }
            Output::Grid => {
                let end = time_s + h;
                let grid = self.options.step_s;
                let count = (self.options.stop_s / grid * (1.0 + 1e-12)).floor() as u64;
                let slack = 1e-9 * grid;
                if self.next_output > count || self.next_output as f64 * grid > end + slack {
                    return ControlFlow::Continue(());
                }
                let values = [self.values(x[0], points[0]), self.values(x[1], points[1]), self.values(x[2], points[2])];
                while self.next_output <= count {
                    let t = self.next_output as f64 * grid;
                    if t > end + slack {
                        break;
                    }
                    let w = parabola(((t - time_s) / h).clamp(0.0, 1.0));
                    let between: Vec<f64> = (0..values[0].len())
                        .map(|i| w[0] * values[0][i] + w[1] * values[1][i] + w[2] * values[2][i])
                        .collect();
                    self.next_output += 1;
                    observer.point(&StepView { time_s: t, values: &between, nodes })?;
                }
                ControlFlow::Continue(())
            }
        }
    }

    fn instant(&self, x: &[f64], rates: &[f64], time_s: f64) -> Instant {
        let mut out = Instant::default();
        self.accounts.look(&self.engine, x, rates, time_s, &mut out);
        out
    }

    fn go(mut self, observer: &mut dyn Observer) -> Result<TransientSummary, CircuitError> {
        let stop = self.options.stop_s;
        self.toggle(0.0);
        let first = (0.01 * self.options.step_s).min(0.01 * self.max_step_s);
        if self.options.use_initial_conditions {
            self.charge = self.initial_charges();
            self.rate = vec![0.0; self.charge.len()];
            let mut x = std::mem::take(&mut self.x);
            for (node, v) in &self.engine.ex.net.initial_v {
                x[self.engine.layout.node(*node)] = *v;
            }
            self.x = x;
            self.lines = LineMemory::all(&self.engine, &vec![0.0; self.engine.size() + 1]);
            op::decide_switches(&mut self.engine, &self.x.clone());
            // Zero time passes for the network: the first step only makes all unknowns fit the charges.
            for _ in 0..2 {
                self.settle(0.0, first * 1e-6)?;
            }
            let x = self.x.clone();
            if op::decide_switches(&mut self.engine, &x) {
                self.settle(0.0, first * 1e-6)?;
            }
        } else {
            let mut x = std::mem::take(&mut self.x);
            op::operating_point(&mut self.engine, &mut x, false)?;
            self.engine.settle_devices(&x);
            self.charge = self.stored(&x);
            self.lines = LineMemory::all(&self.engine, &x);
            self.x = x;
        }
        self.accounts.start(&self.engine, &self.x);
        let mut now = self.instant(&self.x, &self.rate, 0.0);
        let nodes = self.original.node_names.len();
        let values = self.values(&self.x, &now);
        self.next_output = 1;
        let mut stopped = observer.point(&StepView { time_s: 0.0, values: &values, nodes }).is_break();

        let (mut t, mut h) = (0.0f64, first);
        let mut restart = true;
        let mut beginning = first;
        self.echo(0.0);
        while t < stop * (1.0 - 1e-12) && !stopped {
            if let Some(cancel) = &self.options.cancel
                && cancel.load(Ordering::Relaxed)
            {
                return Err(CircuitError::Cancelled { time_s: t });
            }
            if self.summary.steps >= self.options.max_steps {
                return Err(CircuitError::TooManySteps { steps: self.summary.steps, time_s: t });
            }
            let corner = self.next_corner(t).min(stop);
            if restart {
                restart = false;
                h = beginning.min(0.1 * (corner - t));
                // The rates may have jumped at the corner: two tiny steps find them anew.
                for _ in 0..2 {
                    let x0 = self.x.clone();
                    let taken = self.settle(t, h * 1e-2)?;
                    let x = self.x.clone();
                    let next = self.instant(&x, &self.rate, t + taken);
                    self.accounts.add(taken, [&now, &now, &next], [0.0, 0.0, 1.0], [&x0, &x0, &x]);
                    for i in 0..self.lines.len() {
                        let mut line = std::mem::replace(&mut self.lines[i], LineMemory::none());
                        line.keep(&self.engine, i, t, taken, [&x, &x, &x]);
                        self.lines[i] = line;
                    }
                    stopped |= self.show(observer, t, taken, [&x0, &x, &x], [&now, &next, &next]).is_break();
                    now = next;
                    t += taken;
                    self.summary.steps += 1;
                }
                continue;
            }
            h = h.min(self.max_step_s);
            let left = corner - t;
            let mut lands = false;
            if h >= left * (1.0 - 1e-9) {
                h = left;
                lands = true;
            } else if 2.0 * h > left {
                h = 0.5 * left;
            }
            let tried = match self.try_step(t, h) {
                Ok(tried) => tried,
                Err(miss) => {
                    self.summary.rejected += 1;
                    h *= 0.2;
                    if h < self.min_step_s {
                        return Err(self.step_error(miss, t, h));
                    }
                    continue;
                }
            };
            let change = (0.9 * tried.error.max(1e-9).powf(-1.0 / 3.0)).clamp(0.2, 4.0);
            if tried.error > 1.0 && h > self.min_step_s * 10.0 {
                self.summary.rejected += 1;
                h *= change.min(0.9);
                continue;
            }
            let crossing = self.crossing(&tried.x[1]);
            if let Some(along) = crossing
                && along < 0.998
                && h * along > self.min_step_s * 10.0
            {
                self.summary.rejected += 1;
                h *= along + 0.001;
                continue;
            }
            let Tried { x: [x1, x2], charge: [_, q2], rate: [r1, r2], points: [p1, p2], .. } = tried;
            // The devices stand at the end of the step; its middle is looked at first and they go back.
            self.engine.set_points(&p1);
            let middle = self.instant(&x1, &r1, t + GAMMA * h);
            self.engine.set_points(&p2);
            let end = self.instant(&x2, &r2, t + h);
            let x0 = std::mem::take(&mut self.x);
            self.accounts.add(h, [&now, &middle, &end], WEIGHTS, [&x0, &x1, &x2]);
            for i in 0..self.lines.len() {
                let mut line = std::mem::replace(&mut self.lines[i], LineMemory::none());
                line.keep(&self.engine, i, t, h, [&x0, &x1, &x2]);
                self.lines[i] = line;
            }
            stopped = self.show(observer, t, h, [&x0, &x1, &x2], [&now, &middle, &end]).is_break();
            for (i, s) in self.engine.stores.iter().enumerate() {
                let value = match s {
                    Store::Capacitor { a, b, .. } => x2[*a] - x2[*b],
                    Store::Inductor { branch, .. } => x2[*branch],
                    Store::Junction { element, .. } => {
                        let e = &self.engine.ex.net.elements[*element];
                        x2[self.engine.layout.node(e.a)] - x2[self.engine.layout.node(e.b)]
                    }
                };
                self.peaks[i] = self.peaks[i].max(value.abs());
            }
            now = end;
            (self.x, self.charge, self.rate) = (x2, q2, r2);
            self.summary.steps += 1;
            t = if lands { corner } else { t + h };
            let taken = h;
            // A linear network keeps its matrix as long as the step stays.
            h *= if self.engine.is_linear() && (0.8..1.6).contains(&change) { 1.0 } else { change };
            if lands || crossing.is_some() {
                self.toggle(t);
                let x = self.x.clone();
                op::decide_switches(&mut self.engine, &x);
                self.echo(t);
                restart = true;
                beginning = (0.05 * taken).max(first * 1e-3).min(first);
            }
        }
        self.summary.end_s = t;
        self.summary.iterations = self.engine.solutions;
        let (balance, elements) = self.accounts.finish(&self.engine, &self.x);
        self.summary.balance = balance;
        self.summary.elements = elements;
        Ok(self.summary)
    }
}
