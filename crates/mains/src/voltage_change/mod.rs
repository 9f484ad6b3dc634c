//! Voltage changes of IEC 61000-3-3: d(t), dc, dmax and Tmax from half-cycle r.m.s. values, the limits, the procedure for
//! manual switching and the estimate by shape factors.

mod evaluate;
mod half_cycle;
mod limits;
mod shape;
mod switching;

pub use evaluate::{ChangeMeter, ChangeReading, ChangeSettings, STEADY_PERCENT, VoltageChange};
pub use half_cycle::{HalfCycle, HalfCycles};
pub use limits::{
    DmaxLimit, Impedance, Known, Row, Sourced, Verdict, VoltageLimits, highest_impedance_ohm, judge, normalised_to,
};
pub use shape::{Shape, ShapedChange, estimate_pst, shape_factor, shapes_of};
pub use switching::{SWITCHINGS, SwitchingResult, manual_switching};

use crate::MainsError;
use crate::record::{Consumer, MainsBlock};

/// Half-cycle values and their evaluation in one: a consumer of a recording.
#[derive(Debug)]
pub struct VoltageChangeMeter {
    half_cycles: HalfCycles,
    changes: ChangeMeter,
    ready: Vec<HalfCycle>,
}

impl VoltageChangeMeter {
    /// For records of one rate.
    pub fn new(rate_hz: f64, settings: &ChangeSettings) -> Result<Self, MainsError> {
        Ok(Self {
            half_cycles: HalfCycles::new(rate_hz, settings.mains)?,
            changes: ChangeMeter::new(settings)?,
            ready: Vec::new(),
        })
    }

    /// The next samples of the voltage, V.
    pub fn push(&mut self, voltage_v: &[f64]) {
        self.half_cycles.push(voltage_v, &mut self.ready);
        for half in self.ready.drain(..) {
            self.changes.push(&half);
        }
    }

    /// Ends the record.
    pub fn finish(mut self) -> Result<ChangeReading, MainsError> {
        self.half_cycles.finish(&mut self.ready);
        for half in self.ready.drain(..) {
            self.changes.push(&half);
        }
        self.changes.finish()
    }
}

impl Consumer for VoltageChangeMeter {
    fn take(&mut self, block: &MainsBlock<'_>) -> Result<(), MainsError> {
        if block.voltage_v.is_empty() {
            return Err(MainsError::MissingChannel { needed: "mains voltage" });
        }
        self.push(block.voltage_v);
        Ok(())
    }
}
