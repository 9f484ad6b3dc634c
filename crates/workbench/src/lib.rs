//! The whole way of a measurement: raw file, levels, chain, verdict, evidence.
//!
//! Everything a person does with one file goes through here, from the command line and from the page alike:
//! [`understand`] says what a file is, [`levels`] turns it into a trace, [`judge_trace`] holds that against limits;
//! [`add_run`] does the same inside a project and keeps it, [`evaluate`] computes a kept run again from its raw file, and
//! [`evidence`] gathers a project for the report. [`write_demo`] makes the demonstration project.
//!
//! Long work takes a progress callback and stops, leaving nothing behind, when that says so.

mod case_file;
pub mod chance;
mod day_sheet;
mod demo;
mod demo_log;
mod error;
mod evaluate;
mod evidence;
mod expectation;
mod fix;
pub mod log;
pub mod log_evidence;
mod mains_evidence;
pub mod mains_quality;
pub mod mains_run;
mod planning;
mod proof;
mod raw;
mod readiness;
mod run;
mod run_sheets;
pub mod scan;
pub mod survey;
mod together;
pub mod upset;
pub mod verify;
mod watch;
mod why;
pub mod why_tables;

pub use case_file::{EmissionTiming, case_of_run, case_product, enter_experiment, resonances_of, timing_of_run};
pub use day_sheet::days_pdf;
pub use demo::{DEMO_PORT_OF_SWEEPS, Demo, write_demo};
pub use error::{WorkError, WorkErrorKind};
pub use evaluate::{Evaluation, Judged, evaluate, judge_trace, limits_of};
pub use evidence::{evidence, report_pdf};
pub use fix::{FILTERS, FixBench, FixRequest, add_parts, measured_part, prepare_fix, search_fix};
pub use planning::{Planning, planning, planning_of, with_answer};
pub use proof::{Compliance, compliance, compliance_if, state_changes, technical_file_of};
pub use raw::{RawKind, ReadingChoices, ReceiveChoices, Understanding, levels, understand};
pub use readiness::readiness;
pub use run::{RunRequest, add_run};
pub use run_sheets::{RunSheets, SheetPlace, run_sheets, sheet_places, sheets_pdf, time_words};
pub use together::{GroupKind, RunGroup, housing_radius_m, run_groups};
pub use watch::{Following, LiveTrace, Measured, Target, measure_channels, run_span, run_timeline};
pub use why::{Why, WhyChoices, peaks_of_trace, sources_of, why_of_file, why_of_run};

/// Version of the program, written with every result.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");

/// A stretch of work for people to follow.
#[derive(Debug, Clone, PartialEq)]
pub struct Stage {
    /// What is being done, e.g. `measuring`.
    pub what: &'static str,
    /// Share done, 0 to 1, where it can be known.
    pub fraction: Option<f64>,
}

/// Told of every stretch of work; answering `Break` stops it.
pub type OnStage<'a> = dyn FnMut(&Stage) -> std::ops::ControlFlow<()> + 'a;
