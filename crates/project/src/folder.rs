use std::path::{Path, PathBuf};

use jiff::{Timestamp, civil::Date};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::{
    Capture, Entry, Equipment, Finding, KeptChain, ModificationState, NewEquipment, NewRun, NewSample, NewState, Product,
    ProductReading, Progress, ProjectError, Run, Sample, Seal, Staged,
};

/// A text file of the project with its content hash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TextFile {
    /// Name without folder and `.toml`.
    pub name: String,
    /// Where it is.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
    /// blake3 (hex) of the text.
    pub blake3: String,
}

/// A chain file: `chains/NAME.toml`.
pub type ChainFile = TextFile;

/// An open project folder.
#[derive(Debug)]
pub struct Project {
    dir: PathBuf,
}

#[allow(clippy::unused_self)]
impl Project {
    /// Starts a project in a new or empty folder, with a commented `product.toml`.
    pub fn create(dir: &Path) -> Result<Self, ProjectError> { let _ = dir; todo!() }
    /// Starts a project with this `product.toml` (checked first).
    pub fn create_with(dir: &Path, product_toml: &str) -> Result<Self, ProjectError> { let _ = (dir, product_toml); todo!() }
    /// Opens a project; a ledger of an older format is brought forward, a newer one is refused.
    pub fn open(dir: &Path) -> Result<Self, ProjectError> { let _ = dir; todo!() }
    /// The folder.
    pub fn dir(&self) -> &Path { &self.dir }
    /// Name written with every new entry (default: the login name).
    pub fn set_who(&mut self, who: &str) { let _ = who; todo!() }

    /// The product with warnings.
    pub fn product(&self) -> Result<ProductReading, ProjectError> { todo!() }
    /// The text of `product.toml`.
    pub fn product_text(&self) -> Result<String, ProjectError> { todo!() }
    /// Replaces `product.toml` after checking it.
    pub fn write_product_text(&mut self, text: &str) -> Result<ProductReading, ProjectError> { let _ = text; todo!() }
    /// Changes `product.toml` to say this; comments, order and unknown keys stay.
    pub fn set_product(&mut self, product: &Product) -> Result<(), ProjectError> { let _ = product; todo!() }

    /// The chains, by name.
    pub fn chains(&self) -> Result<Vec<ChainFile>, ProjectError> { todo!() }
    /// One chain file.
    pub fn chain(&self, name: &str) -> Result<ChainFile, ProjectError> { let _ = name; todo!() }
    /// Writes `chains/NAME.toml` in one step.
    pub fn write_chain(&mut self, name: &str, text: &str) -> Result<ChainFile, ProjectError> { let _ = (name, text); todo!() }
    /// The text of a chain as a run used it, by the hash in [`crate::ChainUse`].
    pub fn kept_chain(&self, blake3: &str) -> Result<KeptChain, ProjectError> { let _ = blake3; todo!() }
    /// The user's limit files.
    pub fn limit_files(&self) -> Result<Vec<TextFile>, ProjectError> { todo!() }
    /// Writes `limits/NAME.toml` in one step.
    pub fn write_limits(&mut self, name: &str, text: &str) -> Result<TextFile, ProjectError> { let _ = (name, text); todo!() }
    /// Published limits and the user's own.
    pub fn limits(&self) -> Result<standards::LimitLibrary, ProjectError> { todo!() }

    /// Copies a raw file (for SigMF both files) into `captures/`; the same content is kept once.
    pub fn import_capture(&mut self, path: &Path, progress: &mut Progress<'_>) -> Result<Capture, ProjectError> { let _ = (path, progress); todo!() }
    /// The same from memory.
    pub fn import_bytes(&mut self, name: &str, bytes: &[u8]) -> Result<Capture, ProjectError> { let _ = (name, bytes); todo!() }
    /// Takes a staged file, or the two files of a SigMF recording, into the project.
    pub fn add_capture(&mut self, staged: Vec<Staged>) -> Result<Capture, ProjectError> { let _ = staged; todo!() }
    /// All captures, oldest first.
    pub fn captures(&self) -> Result<Vec<Capture>, ProjectError> { todo!() }
    /// A capture by id, or by the beginning (8 digits or more) of its hash.
    pub fn capture(&self, id: &str) -> Result<Capture, ProjectError> { let _ = id; todo!() }
    /// The path to open for a capture; fails if the file is gone.
    pub fn capture_path(&self, id: &str) -> Result<PathBuf, ProjectError> { let _ = id; todo!() }

    /// Adds a sample; returns its id.
    pub fn add_sample(&mut self, sample: NewSample) -> Result<String, ProjectError> { let _ = sample; todo!() }
    /// Adds a modification state; returns its id.
    pub fn add_state(&mut self, state: NewState) -> Result<String, ProjectError> { let _ = state; todo!() }
    /// Adds equipment; returns its id.
    pub fn add_equipment(&mut self, equipment: NewEquipment) -> Result<String, ProjectError> { let _ = equipment; todo!() }
    /// Records a calibration.
    pub fn calibrate(&mut self, equipment: &str, calibrated: Date, due: Option<Date>, certificate: Option<String>) -> Result<(), ProjectError> { let _ = (equipment, calibrated, due, certificate); todo!() }
    /// Records a run; returns its id (`R001`, …).
    pub fn add_run(&mut self, run: NewRun) -> Result<String, ProjectError> { let _ = run; todo!() }
    /// Records an outcome.
    pub fn add_result(&mut self, run: &str, summary: Value, versions: Value) -> Result<(), ProjectError> { let _ = (run, summary, versions); todo!() }
    /// Records a remark.
    pub fn add_note(&mut self, run: Option<&str>, text: &str) -> Result<(), ProjectError> { let _ = (run, text); todo!() }
    /// Takes a run back; it stays readable.
    pub fn withdraw_run(&mut self, run: &str, reason: &str) -> Result<(), ProjectError> { let _ = (run, reason); todo!() }

    /// Number of the last entry: changes whenever the ledger does.
    pub fn revision(&self) -> Result<u64, ProjectError> { todo!() }
    /// Revision and hash over the whole ledger.
    pub fn seal(&self) -> Result<Seal, ProjectError> { todo!() }
    /// Entries after this one (0: all).
    pub fn entries(&self, after: u64) -> Result<Vec<Entry>, ProjectError> { let _ = after; todo!() }
    /// All runs, oldest first, withdrawn ones too.
    pub fn runs(&self) -> Result<Vec<Run>, ProjectError> { todo!() }
    /// One run.
    pub fn run(&self, id: &str) -> Result<Run, ProjectError> { let _ = id; todo!() }
    /// All samples.
    pub fn samples(&self) -> Result<Vec<Sample>, ProjectError> { todo!() }
    /// All modification states.
    pub fn states(&self) -> Result<Vec<ModificationState>, ProjectError> { todo!() }
    /// All equipment.
    pub fn equipment(&self) -> Result<Vec<Equipment>, ProjectError> { todo!() }

    /// Everything wrong, worst first. Reads every capture.
    pub fn check(&self) -> Result<Vec<Finding>, ProjectError> { todo!() }
    /// The same as on another day.
    pub fn check_at(&self, now: Timestamp) -> Result<Vec<Finding>, ProjectError> { let _ = now; todo!() }
    /// What is wrong with one run.
    pub fn check_run(&self, id: &str) -> Result<Vec<Finding>, ProjectError> { let _ = id; todo!() }

    /// `derived/`, made if it is not there. Anything in it may vanish.
    pub fn derived_dir(&self) -> Result<PathBuf, ProjectError> { todo!() }
    /// `reports/`, made if it is not there.
    pub fn reports_dir(&self) -> Result<PathBuf, ProjectError> { todo!() }
    /// Writes a file of the project in one step: temporary name, flush, rename.
    pub fn write_file(&self, relative: &Path, bytes: &[u8]) -> Result<PathBuf, ProjectError> { let _ = (relative, bytes); todo!() }
}
