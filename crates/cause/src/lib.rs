//! What makes an emission: from peaks, readings and the product's own clocks, converters and cables to named hypotheses,
//! the evidence for and against each, and the experiment that would decide between them.
//!
//! Everything takes slices and plain structs and opens no files. Frequencies are in hertz, levels in decibels of the
//! quantity the caller works in; a name ends in its unit. Formulas stand with their source where they are used; the
//! README of this room and `docs/causes.md` list them with their range.

pub mod belief;
pub mod cable_field;
pub mod case;
pub mod comb;
mod explain;
pub mod functions;
pub mod mode;
pub mod noise;
mod peaks;
pub mod probe;
pub mod resonance;
pub mod scan;
pub mod simulate;
pub mod source;
pub mod trapezoid;
pub mod upset;

pub use comb::{Comb, CombSearch, Families, Member, Pattern, find_combs, find_families};
pub use explain::{ExplainedComb, Explanation, doubt, explain, hertz};
pub use peaks::{Peak, PeakError, PeakFinding, band_bandwidth_hz, find_peaks, grid_hz, peaks_of_list};
pub use signal::random::Random;
pub use source::{Source, SourceKind, SourceMatch, find_combs_of_sources, match_sources};
