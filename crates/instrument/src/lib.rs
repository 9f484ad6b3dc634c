//! Live capture over open instrument protocols.
//!
//! [`Session`] talks to one instrument, over a raw TCP socket or HiSLIP, one transaction at a time: every answer is bounded in
//! length and time, and whatever is malformed is an error that says what came, where, and what was expected. A
//! [`Description`] is what a user writes from an instrument's manual; [`sweeps`] and [`waveform`] follow it.
//! [`simulate`] holds invented instruments that answer, and misbehave, on purpose.
//!
//! The room opens sockets and no files; who calls it keeps what it gives.

mod capture;
mod describe;
mod error;
mod link;
pub mod scpi;
mod session;
pub mod simulate;
mod transcript;

pub use capture::{
    Identity, MaxHold, Prepared, SWEEP_COUNT_MOST, SweepEnd, SweepTaken, Waveform, identify, prepare, sweeps, waveform,
};
pub use describe::{
    Axis, Channel, Description, DescriptionProblem, Figure, Kind, Limits, Overload, Reading, Spacing,
    TEMPLATE_ANALYSER, TEMPLATE_SCOPE, TraceReading, WaveformReading, read_description,
};
pub use error::InstrumentError;
pub use link::{Address, HISLIP_PORT, RAW_PORT};
pub use session::{DeviceError, Session};
pub use transcript::{Direction, Entry, Transcript};
