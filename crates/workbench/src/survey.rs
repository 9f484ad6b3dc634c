//! Emission surveys: several sweeps or channels of one product laid over each other.
//!
//! The maths is in `emission`; here files and runs are found, read, and put in order for it.

mod modes;

pub use modes::{ChannelDoubt, ModeTrace, Modes, measure_modes};
