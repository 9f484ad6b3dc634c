//! Invented instruments that answer over raw TCP and HiSLIP, and misbehave on purpose.
//!
//! One port speaks both: a connection that begins with the letters of a HiSLIP header is one, every other is a raw socket.

mod instrument;
mod scpi_words;
mod serve;

pub use instrument::{SimulatedKind, SimulatedSettings};
pub use serve::Simulated;

/// A way to misbehave, when the values of a sweep or waveform are asked for (`Busy`: when it is asked whether a sweep is
/// done).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The answer trickles in, a few bytes a second.
    Slow,
    /// The connection is closed in the middle of the answer.
    Drop,
    /// The answer stops in the middle and nothing follows.
    Truncate,
    /// Three values fewer than the instrument says it has.
    WrongCount,
    /// Bytes at random instead of the answer.
    Garbage,
    /// The sweep is never done.
    Busy,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 6] = [Self::Slow, Self::Drop, Self::Truncate, Self::WrongCount, Self::Garbage, Self::Busy];

    /// Name on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Slow => "slow",
            Self::Drop => "drop",
            Self::Truncate => "truncate",
            Self::WrongCount => "wrong-count",
            Self::Garbage => "garbage",
            Self::Busy => "busy",
        }
    }
}

/// When to misbehave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FaultPlan {
    /// How.
    pub fault: Fault,
    /// After so many answers of the kind that were as they should be.
    pub after: u32,
    /// So many times; then it is well again.
    pub times: u32,
}
