//! The invented demonstration product and the physical model that makes its captures.
//!
//! Nothing in this room was measured on a real product: every part value, serial number, date and transmitter is ours.
//! What is real is the physics: a converter's trapezoid ([`trapezoid`]) goes through a mains filter with its parasitics
//! ([`ladder`], [`supply`]) into an artificial mains network; a relay, a clock, rectifier pulses and transmitters are
//! added; the sum passes the measuring chain ([`chain`]) and a 14-bit converter. [`truth()`] gives the same levels in
//! closed form, so that a receiver can be held against them.
//!
//! [`story()`] is everything a demonstration project is made of, as texts and plain structs; [`synthesise`] makes the
//! samples of one capture. This room opens no files.

pub mod chain;
pub mod immunity;
pub mod ladder;
mod mains;
mod product;
mod radiated;
mod random;
mod story;
pub mod supply;
mod survey;
mod synthesis;
pub mod trapezoid;
mod truth;

pub use mains::mains_recording;
pub use story::{
    CaptureSpec, ChangeSpec, Conductor, Equipment, Kind, Sample, State, Story, SweepSpec, product_toml, story,
};
pub use survey::{SurveySweep, Wave, open_bench, survey_field_dbuv_per_m, turntable_survey};
pub use synthesis::{BLOCK_LENGTH, Synthesis, VOLTS_PER_UNIT, synthesise};
pub use truth::{EmissionKind, FieldLine, Line, Truth, field_truth, truth};
