//! The evidence on paper: PDF/A, a static plot as SVG, CSV and JSON.
//!
//! Everything here takes an [`Evidence`], plain data that its caller fills, and does no I/O. The same evidence gives
//! the same bytes.

mod day_sheet;
mod evidence;
mod export;
mod mains;
pub mod pictures;
pub mod plot;
mod render;
mod run_sheets;
mod section;
mod set_up;
mod svg;
mod view;

pub use day_sheet::{DaySheet, SheetDay, SheetDecision, SheetEntry, SheetKind, render_day_sheet};
pub use evidence::{
    ChainEvidence, ColumnEvidence, Decision, EquipmentEvidence, Evidence, Fact, FileEvidence, Finding, LimitEvidence,
    ProjectEvidence, RunEvidence, SampleEvidence, StateEvidence, SuspectEvidence, TraceEvidence, VerdictEvidence,
    Weight, WorstEvidence,
};
pub use export::{evidence_json, suspects_csv, trace_csv};
pub use mains::{FlickerRowEvidence, MainsEvidence, OrderEvidence, WaveEvidence, bars_svg, wave_svg};
pub use render::{Rendered, ReportError, render, render_pdf};
pub use run_sheets::{PaperOrder, PaperPlace, PaperSheet, PaperStep, SheetPaper, render_run_sheets};
pub use section::{PictureEvidence, SectionEvidence, TableEvidence};
pub use set_up::{Ink, set_up_svg};
