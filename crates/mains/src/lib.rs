//! Mains quality of a product: harmonic currents (IEC 61000-3-2, -3-12, -4-7), voltage change and flicker
//! (IEC 61000-3-3, -4-15), from a recording of its mains voltage and current.
//!
//! [`record`] turns the blocks of a capture into volts and amperes, looks for what is wrong with the recording, and
//! feeds any number of consumers in one pass. [`harmonics`] and the flicker modules are such consumers. [`supply`] holds
//! the supply against what the standards ask of a test source. This room opens no files.

pub mod assess;
mod current_phase;
pub mod envelope;
mod error;
pub mod flicker;
pub mod harmonics;
pub mod inrush;
pub mod line_drop;
pub mod prediction;
pub mod record;
mod resample;
pub mod supply;
mod track;
pub mod voltage_change;

pub use error::MainsError;
