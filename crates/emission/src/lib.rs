//! Chains, traces, margins, suspects, uncertainty and the chance of passing: maths on plain structs, no files.

mod trace;

pub use trace::{Column, Trace};
