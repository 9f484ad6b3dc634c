//! Nonlinear transient analysis.

mod options;
mod result;

pub use options::{Output, TransientOptions};
pub use result::{Balance, ElementEnergy, Observer, StepView, TransientSummary, Waveforms};

use crate::error::CircuitError;
use crate::netlist::Netlist;

/// Runs a transient and keeps the waveforms.
pub fn transient(net: &Netlist, options: &TransientOptions) -> Result<Waveforms, CircuitError> {
    let _ = (net, options);
    Err(CircuitError::Cancelled { time_s: 0.0 })
}

/// Runs a transient and shows every step to an observer; nothing is kept.
pub fn transient_with(
    net: &Netlist,
    options: &TransientOptions,
    observer: &mut dyn Observer,
) -> Result<TransientSummary, CircuitError> {
    let _ = (net, options, observer);
    Err(CircuitError::Cancelled { time_s: 0.0 })
}
