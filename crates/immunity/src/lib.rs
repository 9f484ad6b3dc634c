//! Immunity tests: is the generator right, what does the rig need, what does a pulse do to a protection part, at which
//! level does the product fail, and what is to be done step by step.
//!
//! This room computes on slices and plain structs. It opens no files and knows no projects.

pub use circuit::parse_number;

pub mod analytic;
pub mod coil;
pub mod dips;
pub mod drawing;
pub mod rig;
pub mod sheet;
pub mod surge;
pub mod threshold;
pub mod waveform;
