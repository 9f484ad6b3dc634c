use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::error::CircuitError;

/// Which points of the solution are given out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Output {
    /// Every step that was accepted; unevenly spaced.
    Steps,
    /// Evenly spaced by `step_s`, from 0 to `stop_s`, interpolated by a parabola inside each step.
    Grid,
}

/// Settings of a transient.
#[derive(Debug, Clone)]
pub struct TransientOptions {
    /// Spacing of the output, s; also the scale of the first step.
    pub step_s: f64,
    /// End, s.
    pub stop_s: f64,
    /// Longest step, s; none: a fiftieth of the whole, and a twentieth of the period of any sine.
    ///
    /// The step follows what is stored in capacitors and inductors. Where a diode or another bend feeds resistors alone,
    /// nothing tells that a bend lies inside a step: set this to the output step then.
    pub max_step_s: Option<f64>,
    /// Local error allowed in one step, relative to the value or to a twentieth of its peak so far, whichever is larger.
    pub reltol: f64,
    /// Voltage error always allowed in one step, V.
    pub vabstol_v: f64,
    /// Current error always allowed in one step, A.
    pub iabstol_a: f64,
    /// Conductance across every junction, S.
    pub gmin_s: f64,
    /// Start from the initial conditions given (`IC=`, `.ic`; 0 where none is given) instead of an operating point.
    pub use_initial_conditions: bool,
    /// What is given out.
    pub output: Output,
    /// Most steps.
    pub max_steps: usize,
    /// Set it from another thread to stop.
    pub cancel: Option<Arc<AtomicBool>>,
}

impl TransientOptions {
    /// Output every `step_s` until `stop_s`, and the usual tolerances.
    pub fn new(step_s: f64, stop_s: f64) -> Self {
        Self {
            step_s,
            stop_s,
            max_step_s: None,
            reltol: 1e-4,
            vabstol_v: 1e-6,
            iabstol_a: 1e-9,
            gmin_s: 1e-12,
            use_initial_conditions: false,
            output: Output::Grid,
            max_steps: 50_000_000,
            cancel: None,
        }
    }

    pub(crate) fn check(&self) -> Result<(), CircuitError> {
        let above_zero = [
            ("the output step", self.step_s),
            ("the end", self.stop_s),
            ("the longest step", self.max_step_s.unwrap_or(1.0)),
            ("the relative tolerance", self.reltol),
            ("the voltage tolerance", self.vabstol_v),
            ("the current tolerance", self.iabstol_a),
        ];
        for (what, value) in above_zero {
            if !(value.is_finite() && value > 0.0) {
                return Err(CircuitError::Setting {
                    what: format!("{what} of the transient is {value}"),
                    expected: "a number above zero".into(),
                });
            }
        }
        if self.step_s > self.stop_s {
            return Err(CircuitError::Setting {
                what: format!("the output step, {} s, is longer than the whole, {} s", self.step_s, self.stop_s),
                expected: "a step shorter than the end".into(),
            });
        }
        if self.stop_s / self.step_s > 1e8 {
            return Err(CircuitError::Setting {
                what: format!("{} output points", self.stop_s / self.step_s),
                expected: "at most 100 million".into(),
            });
        }
        if self.reltol > 0.1 || !(0.0..=1e-3).contains(&self.gmin_s) {
            return Err(CircuitError::Setting {
                what: format!("a relative tolerance of {} and a gmin of {} S", self.reltol, self.gmin_s),
                expected: "a tolerance of at most 0.1 and a conductance from 0 to 1 mS".into(),
            });
        }
        Ok(())
    }
}
