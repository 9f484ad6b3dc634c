//! The project folder and its append-only ledger.
//!
//! A project is one folder that a person can read without the tool: `product.toml` (comments survive every edit),
//! `chains/*.toml`, `limits/*.toml`, `captures/` (raw files under the name of their content, never rewritten),
//! `ledger.sqlite` (append-only events), `derived/` (a cache that may be deleted at any time) and `reports/`.
//! [`Project`] opens it; [`Project::check`] says everything that is wrong with it. The page `docs/project-folder.md`
//! describes the same for people.
//!
//! [`Project`] is [`Send`] but not `Sync`: a server keeps it behind a mutex. Copying a large capture needs no lock:
//! [`stage_file`] and [`stage_reader`] work on the folder alone, and [`Project::add_capture`] then only renames.

mod archive;
mod capture;
mod check;
mod error;
mod event;
mod folder;
mod ledger;
mod log;
mod log_check;
mod log_record;
mod log_write;
mod product;
mod product_edit;
mod product_fields;
mod product_form;
mod product_read;
mod product_template;
mod reading;
mod recover;
mod remembered;
mod salvage;
mod state;
mod trial;

pub use archive::{Archived, export_archive, import_archive};
pub use capture::{Capture, CaptureFile, Progress, Staged, stage_bytes, stage_file, stage_reader};
pub use check::{Finding, Severity, Subject};
pub use error::ProjectError;
pub use event::{
    CalibratedEquipment, CaptureUse, ChainTable, ChainUse, ChangesSaid, Entry, Event, ExperimentRecord, KeptChain,
    NewEquipment, NewRun, NewSample, NewState, Note, PinnedLimit, Place, Polarisation, ResultRecord, RunKind,
    RunRecord, StateChange, Withdrawal,
};
pub use folder::{ChainFile, Project, TextFile, unwatched};
pub use ledger::Seal;
pub use log::{Climate, ClimateLimits, Criterion, KeptLogEntry, KeptSheet, LogEntry, LogSheet, LogStep, LogWhat};
pub use log_record::{LogRecord, RunLog, StepRecord, StepState};
pub use log_write::Accepted;
pub use product::{
    Between, Clock, Converter, Criteria, Discharge, DischargePoint, Enclosure, Environment, Problem, Product,
    ProductError, ProductPort, ProductReading, ProductSample, Protector, ScreenEnd, Slot, Spare, Stands, Supply,
};
pub use product_fields::{Accept, FieldChoice, FieldGroup, FieldKind, ProductField, product_fields};
pub use product_form::{ProductRefusal, ProductText};
pub use reading::{HandProbe, HandReading, KeptReading, ReadingWithdrawal, Spot};
pub use recover::{Recovered, recover};
pub use state::{Calibration, Equipment, ModificationState, Run, RunResult, Sample};
pub use trial::{KeptTrial, ThresholdTrial, TrialWithdrawal};
