//! Networks: linear AC and nonlinear transient analysis by modified nodal analysis, netlists in the common card syntax.
//!
//! Text and plain structs in, numbers out: this room opens no files and knows nothing of disturbances.

mod ac;
mod behaviour;
mod check;
mod devices;
mod error;
mod expand;
mod expr;
mod layout;
mod models;
mod netlist;
mod number;
mod parse;
mod plan;
mod probe;
mod surge;
mod table;
mod tolerance;
mod transient;
mod waveform;

pub use ac::{AcResult, AcSystem, ac};
pub use behaviour::Behaviour;
pub use error::{CircuitError, NetlistError, Note, Place};
pub use models::{ClampModel, DiodeModel, SwitchControl, SwitchModel, VaristorModel};
pub use netlist::{Element, ElementId, ElementKind, Netlist, Node};
pub use num_complex::Complex64;
pub use probe::Probe;
pub use surge::CombinationWave;
pub use table::{Table, TwoPortTable};
pub use tolerance::{Spread, ToleranceResult, ToleranceStudy, tolerance_study};
pub use transient::{
    Balance, ElementEnergy, Observer, Output, StepView, TransientOptions, TransientSummary, Waveforms, transient,
    transient_with,
};
pub use waveform::{Source, Waveform};

/// Reads a number with an engineering suffix: `150k`, `30meg`, `4.7u`, `1e-6`. The error says what was found.
pub fn parse_number(text: &str) -> Result<f64, String> {
    number::parse(text.trim()).map(|n| n.value)
}

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct Readme;
