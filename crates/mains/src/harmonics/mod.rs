//! Harmonic currents: windows of exactly 10 or 12 cycles, groups by IEC 61000-4-7, the rules of IEC 61000-3-2 and
//! IEC 61000-3-12.
//!
//! An [`Analyser`] takes a recording block by block and gives a [`Measured`]; [`judge`](judge()) holds that against a
//! class.

mod analyser;
mod measured;
mod spectrum;

pub use analyser::{Analyser, Settings};
pub use measured::{Frequency, Measured, Series, WaveShape, Waveform};

/// The highest order that is measured and limited.
pub const HIGHEST_ORDER: usize = 40;
