//! Before there is a prototype: from the parts of a supply or the schedule of a load to current, harmonics, inrush and
//! flicker.
//!
//! [`SupplyFile`] describes the input of a product in a few numbers; it becomes a netlist in the common card syntax
//! ([`SupplyFile::netlist`]), which the transient engine of the `circuit` room solves. [`periodic`] gives one cycle of
//! the settled current, [`predict_harmonics`] holds it against a class, [`bound`] looks for the part value at which the
//! product just passes, [`switch_on`] gives the inrush at any angle of the mains, and [`predict_flicker`] the flicker of
//! loads that are switched on a schedule.

mod periodic;
mod schedule;
mod solve;
mod supply;
mod switch_on;

pub use periodic::{Cycle, periodic, predict_harmonics};
pub use schedule::{predict_flicker, schedule_current};
pub use solve::{Bound, CurvePoint, Parameter, bound};
pub use supply::{Heater, Load, RelayLoad, SupplyFile, Topology};
pub use switch_on::{SwitchOn, inrush_by_angle, switch_on};

/// A prediction that could not be made.
#[derive(Debug, thiserror::Error)]
pub enum PredictionError {
    /// The description is not what it should be.
    #[error("{field}: {what}; expected {expected}")]
    Description {
        /// Field of the description.
        field: String,
        /// What stands there.
        what: String,
        /// What should.
        expected: String,
    },
    /// The text of the description cannot be read.
    #[error("{0}")]
    Text(String),
    /// The network made from it could not be read (a fault of ours).
    #[error("the network of the supply: {0}")]
    Network(#[from] circuit::NetlistError),
    /// The transient did not come to its end.
    #[error("the transient of the supply: {0}")]
    Transient(#[from] circuit::CircuitError),
    /// The current does not become periodic.
    #[error("after {cycles} cycles two of them still differ by {difference_percent:.3} % of the current")]
    NotPeriodic {
        /// Cycles computed.
        cycles: usize,
        /// Difference of the last two, r.m.s. over r.m.s., %.
        difference_percent: f64,
    },
    /// The current could not be measured.
    #[error(transparent)]
    Mains(#[from] crate::MainsError),
}
