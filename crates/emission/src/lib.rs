//! Chains, traces, margins, suspects, uncertainty and the chance of passing: maths on plain structs, no files.

pub mod ambient;
pub mod angles;
mod band;
pub mod bench;
mod chain;
pub mod chance;
pub mod change;
pub mod conductors;
mod coverage;
pub mod distance;
mod emissions;
mod judge;
mod nan_as_null;
pub mod next;
mod probability;

mod sentence;
pub mod series;
pub mod site;
pub mod stages;
mod trace;
pub mod uncertainty;
mod verdict;
pub mod words;

pub use chain::{Applied, Chain, ChainElement, ChainError, Correction, ElementKind, Gap};
pub use judge::judge;
pub use probability::{joint_probability, normal_below};
pub use signal::random;
pub use trace::{Column, RESOLVED_DB, Trace, TraceError, max_hold};
pub use verdict::{
    Decision, JudgeError, JudgeOptions, LimitResult, NotMeasured, ProbabilityBound, StillToMeasure, Suspect,
    SuspectLevel, SuspectLimit, UncertaintyUsed, Verdict,
};
