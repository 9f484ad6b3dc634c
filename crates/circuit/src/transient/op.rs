//! The operating point: plain iteration, then shunt and source stepping.

use super::engine::{Ask, Engine, Miss, Past};
use crate::check::Union;
use crate::error::CircuitError;
use crate::models::SwitchControl;
use crate::netlist::{ElementKind, Netlist};

/// At rest capacitors and inductors count as nearly nothing: their voltages and currents divide as if all had settled
/// for very long from an empty state, so nodes between capacitors and currents of parallel inductors are determined.
const REST_ALPHA: f64 = 1e-9;

const MOST: usize = 200;

/// What cannot rest: a voltage source across inductors alone, a current source into capacitors alone.
pub(super) fn check_rest(net: &Netlist, dc: bool) -> Result<(), CircuitError> {
    let n = net.node_names.len();
    let mut short = Union::new(n);
    let mut path = Union::new(n);
    for e in &net.elements {
        let (a, b) = (e.a.index(), e.b.index());
        match &e.kind {
            ElementKind::Inductor { .. } => {
                short.join(a, b);
                path.join(a, b);
            }
            ElementKind::Capacitor { .. } | ElementKind::CurrentSource(_) | ElementKind::Mutual { .. } => {}
            ElementKind::Line { far, .. } => {
                path.join(a, b);
                path.join(far.0.index(), far.1.index());
                path.join(a, far.0.index());
                short.join(a, far.0.index());
            }
            _ => {
                path.join(a, b);
            }
        }
    }
    for e in &net.elements {
        let value = |s: &crate::Source| if dc { s.dc_value() } else { s.waveform.at(0.0) };
        let (a, b) = (e.a.index(), e.b.index());
        let closes = matches!(e.kind, ElementKind::VoltageSource(_)) && !short.join(a, b);
        match &e.kind {
            ElementKind::VoltageSource(s) if closes && value(s) != 0.0 => {
                return Err(net
                    .fault(
                        e,
                        "closes a loop of inductors and ideal sources: at rest its current would be without bound",
                        "a resistance in the loop, or initial conditions (IC=) in place of an operating point",
                    )
                    .into());
            }
            ElementKind::CurrentSource(s) if value(s) != 0.0 && path.find(a) != path.find(b) => {
                return Err(net
                    .fault(
                        e,
                        "drives a current through capacitors alone: at rest their voltage would be without bound",
                        "a path that conducts, or initial conditions (IC=) in place of an operating point",
                    )
                    .into());
            }
            _ => {}
        }
    }
    Ok(())
}

/// Finds the operating point; `x` comes back with it, and switches in their states.
pub(super) fn operating_point(engine: &mut Engine, x: &mut [f64], dc: bool) -> Result<(), CircuitError> {
    check_rest(&engine.ex.net, dc)?;
    for _ in 0..30 {
        solve(engine, x, dc)?;
        if !decide_switches(engine, x) {
            return Ok(());
        }
    }
    Err(CircuitError::NoOperatingPoint { unknown: "the state of the switches".into() })
}

/// Sets switches by their control voltages; true where one changed.
pub(super) fn decide_switches(engine: &mut Engine, x: &[f64]) -> bool {
    let mut any = false;
    for s in &mut engine.switches {
        let Some((p, q)) = s.control else { continue };
        let ElementKind::Switch(m) = &engine.ex.net.elements[s.element].kind else { continue };
        let SwitchControl::Voltage { threshold_v, hysteresis_v, .. } = &m.control else { continue };
        let v = x[p] - x[q];
        let closed = if s.closed { v >= threshold_v - hysteresis_v } else { v > threshold_v + hysteresis_v };
        if closed != s.closed {
            s.closed = closed;
            any = true;
        }
    }
    if any {
        engine.changed();
    }
    any
}

fn solve(engine: &mut Engine, x: &mut [f64], dc: bool) -> Result<(), CircuitError> {
    let past = Past {
        history: vec![0.0; engine.stores.len()],
        arriving: vec![[0.0; 2]; engine.lines.len()],
        start: Vec::new(),
    };
    let mut ask = Ask { time_s: 0.0, alpha: REST_ALPHA, shunt_s: 0.0, scale: 1.0, standing: true, hold: true, dc };
    let start = x.to_vec();
    let mut worst;
    match engine.newton(&ask, &past, x, MOST) {
        Ok(()) => return Ok(()),
        Err(Miss::Undetermined(u)) if engine.is_linear() => {
            return Err(CircuitError::Singular { at: "rest (0 Hz)".into(), unknown: engine.unknown(u) });
        }
        Err(Miss::Undetermined(u) | Miss::Unsettled(u)) => worst = u,
    }
    // Shunts from every node to ground, made weaker until they are gone.
    x.copy_from_slice(&start);
    engine.restore_devices(&vec![0.0; engine.devices.len()]);
    let mut shunt = 1e-1;
    let mut factor = 10.0;
    let mut good: Option<Vec<f64>> = None;
    for _ in 0..200 {
        ask.shunt_s = if shunt < 1e-14 { 0.0 } else { shunt };
        match engine.newton(&ask, &past, x, MOST) {
            Ok(()) if ask.shunt_s == 0.0 => return Ok(()),
            Ok(()) => {
                good = Some(x.to_vec());
                shunt /= factor;
                factor = f64::min(factor * 1.5, 10.0);
            }
            Err(Miss::Undetermined(u) | Miss::Unsettled(u)) => {
                worst = u;
                let Some(before) = &good else { break };
                x.copy_from_slice(before);
                shunt *= factor;
                factor = f64::sqrt(factor);
                if factor < 1.02 {
                    break;
                }
                shunt /= factor;
            }
        }
    }
    // Sources from nothing to their full value.
    x.fill(0.0);
    engine.restore_devices(&vec![0.0; engine.devices.len()]);
    ask.shunt_s = 0.0;
    let (mut done, mut step) = (0.0f64, 0.1f64);
    let mut before = x.to_vec();
    for _ in 0..500 {
        ask.scale = (done + step).min(1.0);
        match engine.newton(&ask, &past, x, MOST) {
            Ok(()) => {
                done = ask.scale;
                before.copy_from_slice(x);
                if done >= 1.0 {
                    return Ok(());
                }
                step *= 1.5;
            }
            Err(Miss::Undetermined(u) | Miss::Unsettled(u)) => {
                worst = u;
                x.copy_from_slice(&before);
                step *= 0.3;
                if step < 1e-7 {
                    break;
                }
            }
        }
    }
    Err(CircuitError::NoOperatingPoint { unknown: engine.unknown(worst) })
}
