//! The measuring receiver of CISPR 16-1-1 as mathematics: from a capture to levels on every detector, at every frequency
//! of the scan, from one pass over the record.
//!
//! Selectivity: Gaussian, −6 dB at the band's bandwidth. Short-time spectra (window cut at ±5.3 standard
//! deviations, folded onto the transform's length) follow each other after 0.8 standard deviations at most, which carries
//! all the filter passes; the peak is interpolated half way between them, from neighbouring frequencies too, and by a
//! parabola from there. Quasi-peak: a diode fed by the intermediate-frequency carrier
//! (conduction-angle law) with the charge time defined by the 63 % rule, second-order in time. Averages: critically
//! damped meter in double precision; the RMS-average's window slides in steps of a twentieth to a fortieth.
//!
//! **Which frequencies.** An asked grid is met exactly at any rate: where the rate does not divide into the step, the
//! range is first mixed down and brought to a rate that does, which costs up to as much time again. Without an asked step the
//! frequencies are half the bandwidth apart where the rate allows it, and else the record's own (see
//! [`Settings::step_hz`]), which costs nothing.
//!
//! **When a level is a lower bound.** From rest ([`Start::Rest`]) a meter needs time to rise. Where the outputs of the
//! filter last less than what a steady sine needs to be read within 0.2 dB (5.6 meter time constants; plus the window of
//! the RMS-average detector, plus three charge times of the quasi-peak detector) the level is marked as a lower bound.
//! The peak never is. A settled reading ([`Start::Settled`]) supposes that what the record holds goes on repeating: it is
//! an estimate and not a bound, and a note says so where the record is shorter than the second that is commonly observed.
//! What repeats is what the filter passes in whole: the record without twelve standard deviations, without what the rate
//! changer takes (where there is one), and cut to whole spectra.

mod bins;
mod crest;
mod detectors;
mod downmix;
mod engine;
mod fft;
mod first;
mod floor;
mod front;
mod lanes;
mod live;
mod measure;
mod plan;
mod settle;
mod several;
mod sheaf;
mod short;
mod simd;
mod timeline;
mod types;
mod weighting;
mod witness;

pub use floor::NoiseFloor;
pub use live::{LiveLevels, Loss, Wish, follow};
pub use measure::{receive, receive_on};
pub use several::receive_several;
pub use timeline::{Timeline, TimelineSize};
pub use types::{Levels, OnProgress, Overload, Progress, RESOLVED_DB, Reading, ReceiverError, Settings, Start};

/// The instruction sets that the receiver's loops can use on this machine, the plainest first.
pub fn instruction_sets() -> Vec<&'static str> {
    simd::InstructionSet::available().into_iter().map(simd::InstructionSet::name).collect()
}

/// From now on every measurement of this process runs on one of [`instruction_sets`] by its name instead of the fastest: to
/// compare them. The levels are the same bits on each. A choice made before stays.
///
/// # Errors
/// [`ReceiverError::Settings`] names an instruction set that this machine does not have.
pub fn choose_instructions(name: &str) -> Result<(), ReceiverError> {
    simd::InstructionSet::named(name).map(simd::InstructionSet::choose)
}

/// The instruction set that the receiver's loops use: the fastest that this machine offers unless one was chosen.
pub fn instruction_set() -> &'static str {
    simd::InstructionSet::best().name()
}
