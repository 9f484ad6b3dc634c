use std::cell::RefCell;
use std::fs;
use std::io::ErrorKind;
use std::ops::ControlFlow;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use jiff::{Timestamp, civil::Date};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use standards::LimitLibrary;

use crate::capture::{CAPTURES, files_of, hash_file, name_staged, remove_leftovers, write_whole};
use crate::check::merged_samples;
use crate::ledger::Ledger;
use crate::product_read::line_of;
use crate::remembered::{remember, remembered};
use crate::state::{State, free_id};
use crate::{
    CalibratedEquipment, Capture, CaptureFile, ChainTable, ChainUse, ChangesSaid, Entry, Equipment, Event,
    ExperimentRecord, HandReading, KeptChain, KeptReading, ModificationState, NewEquipment, NewRun, NewSample,
    NewState, Note, PinnedLimit, Place, Product, ProductError, ProductReading, Progress, ProjectError,
    ReadingWithdrawal, ResultRecord, Run, RunRecord, Sample, Seal, Staged, StateChange, Withdrawal, product_edit,
    stage_bytes, stage_file,
};

pub(crate) const PRODUCT: &str = "product.toml";
pub(crate) const LEDGER: &str = "ledger.sqlite";
const CHAINS: &str = "chains";
/// Descriptions of fitted filters, one a port.
const FILTERS: &str = "filters";
const LIMITS: &str = "limits";
pub(crate) const DERIVED: &str = "derived";
const REPORTS: &str = "reports";

/// Longest text of a chain's table that is kept in the ledger; beyond it only the hash is.
const TABLE_TEXT_BYTES: u64 = 4 << 20;

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

/// An open project folder. [`Send`], so that a server can keep it behind a mutex.
#[derive(Debug)]
pub struct Project {
    dir: PathBuf,
    ledger: Ledger,
    who: String,
    state: RefCell<Arc<State>>,
}

impl Project {
    /// Starts a project in a new or empty folder, with a commented `product.toml`. A folder that holds anything but hidden
    /// files (such as `.git`) is refused.
    pub fn create(dir: &Path) -> Result<Self, ProjectError> {
        Self::create_with(dir, Product::template())
    }

    /// Starts a project with this `product.toml`, which is checked before anything is written.
    pub fn create_with(dir: &Path, product_toml: &str) -> Result<Self, ProjectError> {
        Product::read(product_toml, PRODUCT)?;
        let existed = match fs::read_dir(dir) {
            Ok(entries) => {
                let mut found: Vec<String> = entries
                    .flatten()
                    .map(|e| e.file_name().to_string_lossy().into_owned())
                    .filter(|name| !name.starts_with('.'))
                    .collect();
                found.sort();
                if let Some(found) = found.into_iter().next() {
                    return Err(ProjectError::NotEmpty { dir: dir.to_path_buf(), found });
                }
                true
            }
            Err(error) if error.kind() == ErrorKind::NotFound => false,
            Err(error) => return Err(ProjectError::io("look into the folder", dir)(error)),
        };
        let made = Self::fill(dir, product_toml);
        if made.is_err() {
            // Whatever was made so far is ours: the folder held nothing.
            for name in [CHAINS, LIMITS, CAPTURES, REPORTS] {
                let _ = fs::remove_dir(dir.join(name));
            }
            for name in [LEDGER, PRODUCT] {
                let _ = fs::remove_file(dir.join(name));
            }
            if !existed {
                let _ = fs::remove_dir(dir);
            }
        }
        made
    }

    fn fill(dir: &Path, product_toml: &str) -> Result<Self, ProjectError> {
        for name in [CHAINS, LIMITS, CAPTURES, REPORTS] {
            let folder = dir.join(name);
            fs::create_dir_all(&folder).map_err(ProjectError::io("make the folder", &folder))?;
        }
        drop(Ledger::open(&dir.join(LEDGER))?);
        // Last, because it is what makes a folder a project: one cut short before is not taken for one.
        write_whole(&dir.join(PRODUCT), product_toml.as_bytes())?;
        Self::open(dir)
    }

    /// Opens a project. A ledger of an older format is brought forward, a newer one is refused; what interrupted copies
    /// left in `captures/` is removed. `product.toml` may be wrong: [`Project::product`] says so.
    pub fn open(dir: &Path) -> Result<Self, ProjectError> {
        let not_a_project = |what: &str, expected: &str| ProjectError::NotAProject {
            dir: dir.to_path_buf(),
            what: what.to_owned(),
            expected: expected.to_owned(),
        };
        if !dir.is_dir() {
            return Err(not_a_project("there is no such folder", "the folder of a project"));
        }
        if !dir.join(PRODUCT).is_file() {
            return Err(not_a_project("it has no product.toml", "a folder made by `hushfield new`"));
        }
        let ledger_path = dir.join(LEDGER);
        let captures = dir.join(CAPTURES);
        // A folder with raw files had a ledger; to start an empty one would hide that the record of them is lost.
        if !ledger_path.exists() && fs::read_dir(&captures).is_ok_and(|mut files| files.next().is_some()) {
            return Err(not_a_project(
                "captures/ holds files but ledger.sqlite is missing",
                "ledger.sqlite beside product.toml; restore it from a backup (or move captures/ away to start anew)",
            ));
        }
        let begun = !ledger_path.exists();
        let ledger = Ledger::open(&ledger_path)?;
        for folder in [dir.to_path_buf(), dir.join(CHAINS), dir.join(LIMITS), dir.join(REPORTS), captures] {
            remove_leftovers(&folder);
        }
        let who = ["USER", "USERNAME", "LOGNAME"]
            .iter()
            .find_map(|name| std::env::var(name).ok().filter(|value| !value.trim().is_empty()))
            .unwrap_or_else(|| "unknown".to_owned());
        let state = match remembered(&ledger_path) {
            Some(state) if ledger.holds(&state.seal)? => state,
            _ => Arc::default(),
        };
        let mut project = Self { dir: dir.to_path_buf(), ledger, who, state: RefCell::new(state) };
        if begun {
            project.add_note(
                None,
                "The ledger was begun when the folder was opened: product.toml was there, a ledger was not.",
            )?;
        }
        Ok(project)
    }

    /// The folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Name written with every new entry (default: the login name).
    pub fn set_who(&mut self, who: &str) {
        who.trim().clone_into(&mut self.who);
    }

    /// Name written with every new entry.
    pub fn who(&self) -> &str {
        &self.who
    }

    // ---- product.toml

    /// The product, with warnings about keys that are not known.
    pub fn product(&self) -> Result<ProductReading, ProjectError> {
        Ok(Product::read(&self.product_text()?, PRODUCT)?)
    }

    /// The text of `product.toml`.
    pub fn product_text(&self) -> Result<String, ProjectError> {
        read_text(&self.dir.join(PRODUCT))
    }

    /// Replaces `product.toml` after checking it; a wrong text changes nothing.
    pub fn write_product_text(&mut self, text: &str) -> Result<ProductReading, ProjectError> {
        let reading = Product::read(text, PRODUCT)?;
        write_whole(&self.dir.join(PRODUCT), text.as_bytes())?;
        Ok(reading)
    }

    /// Changes `product.toml` to say this; comments, order, style and unknown keys stay.
    pub fn set_product(&mut self, product: &Product) -> Result<(), ProjectError> {
        let text = product_edit::edited(&self.product_text()?, product)?;
        write_whole(&self.dir.join(PRODUCT), text.as_bytes())
    }

    // ---- chains and limits

    /// The chain files, by name. Their content is for the room that reads chains.
    pub fn chains(&self) -> Result<Vec<ChainFile>, ProjectError> {
        text_files(&self.dir.join(CHAINS))
    }

    /// One chain file, named with or without `.toml`.
    pub fn chain(&self, name: &str) -> Result<ChainFile, ProjectError> {
        let name = name.strip_suffix(".toml").unwrap_or(name);
        let chains = self.chains()?;
        let known: Vec<String> = chains.iter().map(|c| c.name.clone()).collect();
        chains
            .into_iter()
            .find(|c| c.name == name)
            .ok_or_else(|| ProjectError::unknown("chain", name, known.iter().map(String::as_str)))
    }

    /// Writes `chains/NAME.toml` in one step, after checking that it is TOML.
    pub fn write_chain(&mut self, name: &str, text: &str) -> Result<ChainFile, ProjectError> {
        let name = file_stem("chain", name)?;
        let place = format!("{CHAINS}/{name}.toml");
        parse_toml(text, &place)?;
        self.write_text(&place, text)?;
        self.chain(name)
    }

    /// The text of a chain as a run used it, by the hash in [`ChainUse`].
    pub fn kept_chain(&self, blake3: &str) -> Result<KeptChain, ProjectError> {
        let state = self.state()?;
        let found = state.chains.iter().find(|c| c.blake3 == blake3).cloned();
        found.ok_or_else(|| ProjectError::unknown("kept chain", blake3, state.chains.iter().map(|c| c.blake3.as_str())))
    }

    /// The chain of a run as it stood then, with the tables it names; none if the run had no chain.
    pub fn run_chain(&self, run: &str) -> Result<Option<KeptChain>, ProjectError> {
        let state = self.state()?;
        let Some(used) = &state.run(run)?.record.chain else { return Ok(None) };
        let found = state.chains.iter().find(|kept| pins(kept, used)).cloned();
        found.map(Some).ok_or_else(|| {
            ProjectError::unknown("kept chain", &used.blake3, state.chains.iter().map(|c| c.blake3.as_str()))
        })
    }

    /// Writes the chain of a run as it stood then, with its tables, under `derived/` and gives the path of the chain file,
    /// so that a reader of chain files can work the old verdict again.
    pub fn run_chain_path(&self, run: &str) -> Result<Option<PathBuf>, ProjectError> {
        let Some(kept) = self.run_chain(run)? else { return Ok(None) };
        let mut key = blake3::Hasher::new();
        key.update(kept.blake3.as_bytes());
        for table in &kept.tables {
            key.update(table.file.as_bytes()).update(table.blake3.as_bytes());
        }
        let folder = Path::new(DERIVED).join(CHAINS).join(&key.finalize().to_hex().as_str()[..16]);
        for table in &kept.tables {
            let file = Path::new(&table.file);
            let Some(text) = table.text.as_ref().filter(|_| stays_inside(file)) else {
                return Err(ProjectError::value(
                    format!("{CHAINS}/{}.toml", kept.name),
                    format!("the ledger holds only the hash of {}", table.file),
                    "a text file no longer than 4 MiB inside chains/",
                ));
            };
            self.write_file(&folder.join(file), text.as_bytes())?;
        }
        self.write_file(&folder.join(format!("{}.toml", kept.name)), kept.text.as_bytes()).map(Some)
    }

    /// The user's limit files.
    pub fn limit_files(&self) -> Result<Vec<TextFile>, ProjectError> {
        text_files(&self.dir.join(LIMITS))
    }

    /// Writes `limits/NAME.toml` in one step, after reading it together with all other limits.
    pub fn write_limits(&mut self, name: &str, text: &str) -> Result<TextFile, ProjectError> {
        let name = file_stem("limits", name)?;
        let place = format!("{LIMITS}/{name}.toml");
        let mut library = LimitLibrary::embedded().clone();
        for other in self.limit_files()?.into_iter().filter(|f| f.name != name) {
            library.add_toml(&other.text, &format!("{LIMITS}/{}.toml", other.name))?;
        }
        library.add_toml(text, &place)?;
        let path = self.write_text(&place, text)?;
        Ok(TextFile { name: name.to_owned(), path, text: text.to_owned(), blake3: hex(text.as_bytes()) })
    }

    /// Published limits and the user's own.
    pub fn limits(&self) -> Result<LimitLibrary, ProjectError> {
        let mut library = LimitLibrary::embedded().clone();
        for file in self.limit_files()? {
            library.add_toml(&file.text, &format!("{LIMITS}/{}.toml", file.name))?;
        }
        Ok(library)
    }

    // ---- captures

    /// Copies a raw file into `captures/` and the ledger; the same content is kept once. Of a SigMF recording either file
    /// may be named, and both are taken. To copy without holding a lock on the project, see [`stage_file`].
    pub fn import_capture(&mut self, path: &Path, progress: &mut Progress<'_>) -> Result<Capture, ProjectError> {
        let files = files_of(path)?;
        let lengths: Vec<u64> = files.iter().map(|f| fs::metadata(f).map_or(0, |m| m.len())).collect();
        let total: u64 = lengths.iter().sum();
        let mut staged = Vec::with_capacity(files.len());
        let mut before = 0;
        for (file, length) in files.iter().zip(lengths) {
            staged.push(stage_file(&self.dir, file, &mut |done, _| progress(before + done, total))?);
            before += length;
        }
        self.add_capture(staged)
    }

    /// The same from memory, for a single file.
    pub fn import_bytes(&mut self, name: &str, bytes: &[u8]) -> Result<Capture, ProjectError> {
        let staged = stage_bytes(&self.dir, name, bytes)?;
        self.add_capture(vec![staged])
    }

    /// Takes a staged file, or the two files of a SigMF recording, into the project. Content that is already there is not
    /// stored again; if the stored copy was damaged, it is replaced, and the ledger says so.
    pub fn add_capture(&mut self, staged: Vec<Staged>) -> Result<Capture, ProjectError> {
        let naming = name_staged(staged)?;
        let folder = self.dir.join(CAPTURES);
        let id = naming.main.1.clone();
        // Read before the ledger is held, because it can take long.
        let before = self.state()?.captures.iter().find(|c| c.id == id).cloned();
        let damaged = before.is_some_and(|c| !c.files().all(|f| is_whole(&folder, f)));
        self.append(|state| {
            let known = state.captures.iter().find(|c| c.id == id).cloned();
            if let Some(known) = &known
                && !damaged
            {
                return Ok((Vec::new(), known.clone()));
            }
            // The samples first: the description is the file that readers look for.
            let companion = match naming.companion {
                Some((file, name)) => Some(file.keep(&folder, &name)?),
                None => None,
            };
            let file = naming.main.0.keep(&folder, &naming.main.1)?;
            let capture = Capture { id, file, companion };
            let event = match known {
                Some(_) => Event::CaptureRestored(capture.clone()),
                None => Event::CaptureAdded(capture.clone()),
            };
            Ok((vec![event], capture))
        })
    }

    /// All captures, oldest first.
    pub fn captures(&self) -> Result<Vec<Capture>, ProjectError> {
        Ok(self.state()?.captures.clone())
    }

    /// A capture by id, or by the beginning (8 digits or more) of its id.
    pub fn capture(&self, id: &str) -> Result<Capture, ProjectError> {
        let state = self.state()?;
        if let Some(exact) = state.captures.iter().find(|c| c.id == id) {
            return Ok(exact.clone());
        }
        let mut matching = state.captures.iter().filter(|c| id.len() >= 8 && c.id.starts_with(id));
        match (matching.next(), matching.next()) {
            (Some(only), None) => Ok(only.clone()),
            _ => Err(ProjectError::unknown("capture", id, state.captures.iter().map(|c| c.id.as_str()))),
        }
    }

    /// The path to open for a capture; an error if a file of it is gone.
    pub fn capture_path(&self, id: &str) -> Result<PathBuf, ProjectError> {
        let capture = self.capture(id)?;
        let folder = self.dir.join(CAPTURES);
        for file in capture.files() {
            let path = folder.join(&file.stored_as);
            fs::metadata(&path).map_err(ProjectError::io("find the raw file", &path))?;
        }
        Ok(folder.join(&capture.file.stored_as))
    }

    // ---- what happens

    /// Adds a sample; returns its id (given as `S1`, `S2`, … when empty).
    pub fn add_sample(&mut self, mut sample: NewSample) -> Result<String, ProjectError> {
        let product = self.product().ok();
        self.append(|state| {
            let known = merged_samples(state, product.as_ref());
            let taken = known.iter().map(|s| s.sample.id.as_str());
            if sample.id.is_empty() {
                sample.id = free_id('S', 1, taken);
            } else if state.samples.iter().any(|s| s.sample.id == sample.id) {
                return Err(twice("sample.id", &sample.id));
            }
            let id = sample.id.clone();
            Ok((vec![Event::SampleAdded(sample)], id))
        })
    }

    /// Adds a modification state; returns its id (given as `M0`, `M1`, … when empty: `M0` is the product as built).
    pub fn add_state(&mut self, mut new: NewState) -> Result<String, ProjectError> {
        self.append(|state| {
            let taken = state.states.iter().map(|s| s.state.id.as_str());
            if new.id.is_empty() {
                new.id = free_id('M', 0, taken.clone());
            } else if taken.clone().any(|id| id == new.id) {
                return Err(twice("state.id", &new.id));
            }
            if let Some(base) = &new.based_on
                && !taken.clone().any(|id| id == base)
            {
                return Err(ProjectError::unknown("modification state", base, taken));
            }
            let id = new.id.clone();
            Ok((vec![Event::StateAdded(new)], id))
        })
    }

    /// Says what was changed in a modification state that is there already; what was said before stays in the ledger.
    pub fn say_changes(&mut self, of: &str, changes: Vec<StateChange>) -> Result<(), ProjectError> {
        self.append(|state| {
            let known = state.states.iter().map(|s| s.state.id.as_str());
            if !known.clone().any(|id| id == of) {
                return Err(ProjectError::unknown("modification state", of, known));
            }
            Ok((vec![Event::StateChangesSaid(ChangesSaid { state: of.to_owned(), changes })], ()))
        })
    }

    /// Adds equipment; returns its id (given as `E1`, `E2`, … when empty).
    pub fn add_equipment(&mut self, mut equipment: NewEquipment) -> Result<String, ProjectError> {
        says_something("equipment.name", &equipment.name)?;
        in_order(equipment.calibrated, equipment.due)?;
        self.append(|state| {
            let taken = state.equipment.iter().map(Equipment::id);
            if equipment.id.is_empty() {
                equipment.id = free_id('E', 1, taken);
            } else if taken.clone().any(|id| id == equipment.id) {
                return Err(twice("equipment.id", &equipment.id));
            }
            let id = equipment.id.clone();
            Ok((vec![Event::EquipmentAdded(equipment)], id))
        })
    }

    /// Records a calibration of equipment.
    pub fn calibrate(
        &mut self,
        equipment: &str,
        calibrated: Date,
        due: Option<Date>,
        certificate: Option<String>,
    ) -> Result<(), ProjectError> {
        in_order(Some(calibrated), due)?;
        self.append(|state| {
            known_equipment(state, equipment)?;
            let event = CalibratedEquipment { equipment: equipment.to_owned(), calibrated, due, certificate };
            Ok((vec![Event::EquipmentCalibrated(event)], ()))
        })
    }

    /// Records a run; returns its id (`R001`, `R002`, …). Everything it names must exist; its chain is pinned by content,
    /// and the text is kept in the ledger.
    pub fn add_run(&mut self, run: NewRun) -> Result<String, ProjectError> {
        self.add_run_and(run, |_| Vec::new())
    }

    /// The same, with further events that are entered together with the run once its id is known.
    pub(crate) fn add_run_and(
        &mut self,
        run: NewRun,
        further: impl FnOnce(&str) -> Vec<Event>,
    ) -> Result<String, ProjectError> {
        says_something("run.title", &run.title)?;
        let product = match &run.port {
            Some(port) => {
                let reading = self.product()?;
                if reading.product.port(port).is_none() {
                    return Err(ProjectError::unknown(
                        "port",
                        port,
                        reading.product.ports.iter().map(|p| p.id.as_str()),
                    ));
                }
                Some(reading)
            }
            None => self.product().ok(),
        };
        sensible(&run.place)?;
        let mut pinned_limits = Vec::with_capacity(run.limits.len());
        if !run.limits.is_empty() {
            let library = self.limits()?;
            for id in &run.limits {
                let Some(limit) = library.get(id) else {
                    return Err(ProjectError::unknown("limit", id, library.all().iter().map(|l| l.id.as_str())));
                };
                pinned_limits.push(PinnedLimit::of(limit));
            }
        }
        let kept = match &run.chain {
            None => None,
            Some(name) => {
                let file = self.chain(name)?;
                let tables = chain_tables(&self.dir.join(CHAINS), &file)?;
                Some(KeptChain { name: file.name, blake3: file.blake3, text: file.text, tables })
            }
        };
        self.append(|state| {
            if let Some(sample) = &run.sample {
                let known = merged_samples(state, product.as_ref());
                if !known.iter().any(|s| s.sample.id == *sample) {
                    return Err(ProjectError::unknown("sample", sample, known.iter().map(|s| s.sample.id.as_str())));
                }
            }
            if let Some(id) = &run.state
                && !state.states.iter().any(|s| s.state.id == *id)
            {
                let known = state.states.iter().map(|s| s.state.id.as_str());
                return Err(ProjectError::unknown("modification state", id, known));
            }
            for id in &run.equipment {
                known_equipment(state, id)?;
            }
            for used in &run.captures {
                if !state.captures.iter().any(|c| c.id == used.capture) {
                    let known = state.captures.iter().map(|c| c.id.as_str());
                    return Err(ProjectError::unknown("capture", &used.capture, known));
                }
            }
            let mut events = Vec::new();
            let chain = kept.map(|kept| {
                let used = ChainUse {
                    name: kept.name.clone(),
                    blake3: kept.blake3.clone(),
                    tables: kept.tables.iter().map(|t| ChainTable { text: None, ..t.clone() }).collect(),
                };
                if !state.chains.iter().any(|k| pins(k, &used)) {
                    events.push(Event::ChainKept(kept));
                }
                used
            });
            let id = state.next_run_id();
            let NewRun {
                title,
                kind,
                port,
                sample,
                state: modification,
                mode,
                setup,
                conductor,
                place,
                limits,
                chain: _,
                equipment,
                captures,
                notes,
                measured_at,
            } = run;
            events.push(Event::RunAdded(Box::new(RunRecord {
                id: id.clone(),
                measured_at: measured_at.unwrap_or_else(Timestamp::now),
                chain,
                title,
                kind,
                port,
                sample,
                state: modification,
                mode,
                setup,
                conductor,
                place,
                limits,
                pinned_limits,
                equipment,
                captures,
                notes,
            })));
            events.extend(further(&id));
            Ok((events, id))
        })
    }

    /// Records an outcome of a run. Earlier ones stay; the last one counts.
    pub fn add_result(&mut self, run: &str, summary: Value, versions: Value) -> Result<(), ProjectError> {
        self.append(|state| {
            state.run(run)?;
            Ok((vec![Event::RunResult(ResultRecord { run: run.to_owned(), summary, versions })], ()))
        })
    }

    /// Records a remark on a run, or on the project.
    pub fn add_note(&mut self, run: Option<&str>, text: &str) -> Result<(), ProjectError> {
        says_something("note", text)?;
        self.append(|state| {
            if let Some(run) = run {
                state.run(run)?;
            }
            Ok((vec![Event::Note(Note { run: run.map(str::to_owned), text: text.to_owned() })], ()))
        })
    }

    /// Enters an experiment that was made on an emission of a run.
    pub fn add_experiment(&mut self, record: ExperimentRecord) -> Result<(), ProjectError> {
        says_something("experiment", &record.experiment)?;
        self.append(|state| {
            // What makes a product fall over is looked for in a series of trials, which is no run.
            if !state.trials.iter().any(|t| t.trial.series == record.run) {
                state.run(&record.run)?;
            }
            Ok((vec![Event::ExperimentDone(record)], ()))
        })
    }

    /// Appends a trial whose numbers were checked; gives its entry.
    pub(crate) fn append_trial(&mut self, trial: crate::ThresholdTrial) -> Result<u64, ProjectError> {
        self.append(|state| Ok((vec![Event::ThresholdTrial(Box::new(trial))], state.seal.revision + 1)))
    }

    /// Trials of thresholds, oldest first, with those that were taken back.
    pub fn trials(&self) -> Result<Vec<crate::KeptTrial>, ProjectError> {
        Ok(self.state()?.trials.clone())
    }

    /// Takes a trial back: it no longer counts and stays readable. A reason is needed.
    pub fn withdraw_trial(&mut self, entry: u64, reason: &str) -> Result<(), ProjectError> {
        says_something("reason", reason)?;
        self.append(|state| {
            if !state.trials.iter().any(|t| t.entry == entry && t.withdrawn.is_none()) {
                return Err(ProjectError::value("trial", entry.to_string(), "the entry of a trial that counts"));
            }
            let gone = crate::TrialWithdrawal { entry, reason: reason.to_owned() };
            Ok((vec![Event::TrialWithdrawn(gone)], ()))
        })
    }

    /// The experiments made on emissions of a run: when, by whom, and what.
    pub fn experiments(&self, run: &str) -> Result<Vec<(Timestamp, String, ExperimentRecord)>, ProjectError> {
        let state = self.state()?;
        if !state.trials.iter().any(|t| t.trial.series == run) {
            state.run(run)?;
        }
        Ok(state.experiments.iter().filter(|e| e.2.run == run).cloned().collect())
    }

    /// Appends a reading taken by hand, whose numbers were checked; gives its entry.
    pub(crate) fn append_reading(&mut self, reading: HandReading) -> Result<u64, ProjectError> {
        self.append(|state| {
            if let Some(run) = &reading.run {
                state.run(run)?;
            }
            if let Some(spot) = &reading.spot
                && !state.captures.iter().any(|c| c.id == spot.photo)
            {
                return Err(ProjectError::value("photo", spot.photo.clone(), "the id of a capture of the project"));
            }
            Ok((vec![Event::ReadingTaken(Box::new(reading))], state.seal.revision + 1))
        })
    }

    /// Readings taken by hand, oldest first, with those that were taken back.
    pub fn readings(&self) -> Result<Vec<KeptReading>, ProjectError> {
        Ok(self.state()?.readings.clone())
    }

    /// Takes a reading back: it no longer counts and stays readable. A reason is needed.
    pub fn withdraw_reading(&mut self, entry: u64, reason: &str) -> Result<(), ProjectError> {
        says_something("reason", reason)?;
        self.append(|state| {
            let counts = state.readings.iter().any(|r| r.entry == entry && r.withdrawn.is_none());
            if !counts {
                return Err(ProjectError::value("reading", entry.to_string(), "the entry of a reading that counts"));
            }
            Ok((vec![Event::ReadingWithdrawn(ReadingWithdrawal { entry, reason: reason.to_owned() })], ()))
        })
    }

    /// Takes a run back: it no longer counts and stays readable. A reason is needed.
    pub fn withdraw_run(&mut self, run: &str, reason: &str) -> Result<(), ProjectError> {
        says_something("reason", reason)?;
        self.append(|state| {
            if state.run(run)?.withdrawn.is_some() {
                return Err(ProjectError::value("run", format!("{run} is already withdrawn"), "a run that counts"));
            }
            Ok((vec![Event::RunWithdrawn(Withdrawal { run: run.to_owned(), reason: reason.to_owned() })], ()))
        })
    }

    // ---- what is

    /// Number of the last entry: changes whenever the ledger does, also by another process.
    pub fn revision(&self) -> Result<u64, ProjectError> {
        self.ledger.revision()
    }

    /// Revision and hash over the whole ledger, read anew from the file.
    pub fn seal(&self) -> Result<Seal, ProjectError> {
        Ok(self.fresh_state()?.seal)
    }

    /// Entries after this one (0: all).
    pub fn entries(&self, after: u64) -> Result<Vec<Entry>, ProjectError> {
        let from = Seal { revision: after, hash: String::new() };
        Ok(self.ledger.read_after(&from)?.into_iter().map(|read| read.entry).collect())
    }

    /// All runs, oldest first, withdrawn ones too.
    pub fn runs(&self) -> Result<Vec<Run>, ProjectError> {
        Ok(self.state()?.runs.clone())
    }

    /// One run.
    pub fn run(&self, id: &str) -> Result<Run, ProjectError> {
        self.state()?.run(id).cloned()
    }

    /// All samples: those of the ledger, and those that stand in `product.toml` only.
    pub fn samples(&self) -> Result<Vec<Sample>, ProjectError> {
        Ok(merged_samples(&*self.state()?, self.product().ok().as_ref()))
    }

    /// All modification states.
    pub fn states(&self) -> Result<Vec<ModificationState>, ProjectError> {
        Ok(self.state()?.states.clone())
    }

    /// All equipment with its calibrations.
    pub fn equipment(&self) -> Result<Vec<Equipment>, ProjectError> {
        Ok(self.state()?.equipment.clone())
    }

    /// Remarks on the project as a whole: when, by whom, what.
    pub fn notes(&self) -> Result<Vec<(Timestamp, String, String)>, ProjectError> {
        Ok(self.state()?.notes.clone())
    }

    // ---- files

    /// `derived/`, made if it is not there. Anything in it may vanish at any time.
    pub fn derived_dir(&self) -> Result<PathBuf, ProjectError> {
        self.folder(DERIVED)
    }

    /// `reports/`, made if it is not there.
    pub fn reports_dir(&self) -> Result<PathBuf, ProjectError> {
        self.folder(REPORTS)
    }

    /// Writes a file under `derived/`, `reports/` or `chains/` (a table that a chain names) in one step: whoever looks finds
    /// the old file or the new one, never a part.
    pub fn write_file(&self, relative: &Path, bytes: &[u8]) -> Result<PathBuf, ProjectError> {
        let first = relative.components().next();
        let ours =
            [DERIVED, REPORTS, CHAINS, FILTERS].iter().any(|name| first == Some(Component::Normal(name.as_ref())));
        if !ours || !stays_inside(relative) || relative.components().count() < 2 {
            return Err(ProjectError::value(
                "file",
                relative.display().to_string(),
                "a file under derived/, reports/, chains/ or filters/",
            ));
        }
        let path = self.dir.join(relative);
        write_whole(&path, bytes)?;
        Ok(path)
    }

    fn folder(&self, name: &str) -> Result<PathBuf, ProjectError> {
        let folder = self.dir.join(name);
        fs::create_dir_all(&folder).map_err(ProjectError::io("make the folder", &folder))?;
        Ok(folder)
    }

    fn write_text(&self, place: &str, text: &str) -> Result<PathBuf, ProjectError> {
        let path = self.dir.join(place);
        write_whole(&path, text.as_bytes())?;
        Ok(path)
    }

    // ---- within the room

    pub(crate) fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// The state as of now: what this process knew, with what was appended since.
    pub(crate) fn state(&self) -> Result<std::cell::Ref<'_, State>, ProjectError> {
        {
            let mut state = self.state.borrow_mut();
            let new = self.ledger.read_after(&state.seal)?;
            if !new.is_empty() {
                let grown = Arc::make_mut(&mut state);
                for read in new {
                    grown.apply(read);
                }
                remember(&self.dir.join(LEDGER), &state);
            }
        }
        Ok(std::cell::Ref::map(self.state.borrow(), |state| &**state))
    }

    /// The state from the first entry on, so that a change of an old entry shows.
    pub(crate) fn fresh_state(&self) -> Result<State, ProjectError> {
        let mut state = State::default();
        for read in self.ledger.read_after(&state.seal)? {
            state.apply(read);
        }
        Ok(state)
    }

    /// One change: `decide` sees the newest state, which no other process can change until its events are written. All of
    /// them are recorded, or none.
    pub(crate) fn append<T>(
        &mut self,
        decide: impl FnOnce(&State) -> Result<(Vec<Event>, T), ProjectError>,
    ) -> Result<T, ProjectError> {
        let appending = self.ledger.begin()?;
        let state = Arc::make_mut(self.state.get_mut());
        for read in appending.read_after(&state.seal)? {
            state.apply(read);
        }
        let (events, answer) = decide(state)?;
        let mut seal = state.seal.clone();
        for event in &events {
            appending.append(&mut seal, &self.who, event)?;
        }
        appending.commit()?;
        Ok(answer)
    }
}

/// Whether a kept chain is the one a run used, with every table.
fn pins(kept: &KeptChain, used: &ChainUse) -> bool {
    kept.name == used.name
        && kept.blake3 == used.blake3
        && kept.tables.len() == used.tables.len()
        && kept.tables.iter().zip(&used.tables).all(|(k, u)| k.file == u.file && k.blake3 == u.blake3)
}

fn known_equipment(state: &State, id: &str) -> Result<(), ProjectError> {
    if state.equipment.iter().any(|e| e.id() == id) {
        return Ok(());
    }
    Err(ProjectError::unknown("equipment", id, state.equipment.iter().map(Equipment::id)))
}

fn twice(field: &str, id: &str) -> ProjectError {
    ProjectError::value(field, format!("{id:?} is already taken"), "an id of its own (or none, to be given one)")
}

fn says_something(field: &str, text: &str) -> Result<(), ProjectError> {
    if text.trim().is_empty() {
        return Err(ProjectError::value(field, "it is empty", "a few words"));
    }
    Ok(())
}

/// A mistyped angle or height would put a reading where nobody looks for it.
fn sensible(place: &Place) -> Result<(), ProjectError> {
    let checks = [
        ("run.place.azimuth_deg", place.azimuth_deg, -360.0, 360.0, "degrees of the turntable, -360 to 360"),
        ("run.place.height_m", place.height_m, 0.0, 30.0, "metres above the ground, 0 to 30"),
        ("run.place.distance_m", place.distance_m, 0.01, 1000.0, "metres from the product, 0.01 to 1000"),
    ];
    for (field, value, low, high, expected) in checks {
        if let Some(v) = value.filter(|v| !(low..=high).contains(v)) {
            return Err(ProjectError::value(field, v.to_string(), expected));
        }
    }
    Ok(())
}

fn in_order(calibrated: Option<Date>, due: Option<Date>) -> Result<(), ProjectError> {
    match (calibrated, due) {
        (Some(calibrated), Some(due)) if due < calibrated => Err(ProjectError::value(
            "equipment.due",
            format!("{due} lies before the calibration of {calibrated}"),
            "a later date",
        )),
        _ => Ok(()),
    }
}

fn is_whole(folder: &Path, file: &CaptureFile) -> bool {
    hash_file(&folder.join(&file.stored_as))
        .is_ok_and(|(hash, length)| hash == file.blake3 && length == file.length_bytes)
}

fn hex(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// A path that goes down only.
fn stays_inside(path: &Path) -> bool {
    path.components().all(|c| matches!(c, Component::Normal(_)))
}

/// A name that can be a file on every system.
fn file_stem<'n>(field: &str, name: &'n str) -> Result<&'n str, ProjectError> {
    let name = name.strip_suffix(".toml").unwrap_or(name);
    let fits = !name.is_empty()
        && name.len() <= 100
        && !name.starts_with('.')
        && !name.ends_with(' ')
        && name.chars().all(|c| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ' | '+'));
    if fits {
        return Ok(name);
    }
    Err(ProjectError::value(
        format!("{field} name"),
        format!("{name:?}"),
        "letters, digits, spaces and - _ . + only, not beginning with a dot",
    ))
}

fn read_text(path: &Path) -> Result<String, ProjectError> {
    let bytes = fs::read(path).map_err(ProjectError::io("read the file", path))?;
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let line = line_of(error.as_bytes(), good);
        ProjectError::value(format!("{}:{line}", path.display()), "a character that is not UTF-8", "text in UTF-8")
    })
}

/// The `.toml` files of a folder, by name; none if the folder is not there.
pub(crate) fn text_files(folder: &Path) -> Result<Vec<TextFile>, ProjectError> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(ProjectError::io("look into the folder", folder)(error)),
    };
    let mut files = Vec::new();
    for entry in entries {
        let path = entry.map_err(ProjectError::io("look into the folder", folder))?.path();
        let Some(name) = path.file_name().and_then(|n| n.to_str()).and_then(|n| n.strip_suffix(".toml")) else {
            continue;
        };
        if name.starts_with('.') || !path.is_file() {
            continue;
        }
        let text = read_text(&path)?;
        let blake3 = hex(text.as_bytes());
        files.push(TextFile { name: name.to_owned(), path, text, blake3 });
    }
    files.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(files)
}

fn parse_toml(text: &str, place: &str) -> Result<toml_edit::Document<String>, ProjectError> {
    toml_edit::Document::parse(text.to_owned()).map_err(|error| {
        let start = error.span().map_or(0, |s| s.start).min(text.len());
        let problem = crate::Problem {
            file: place.to_owned(),
            line: line_of(text.as_bytes(), start),
            field: String::new(),
            what: error.message().trim().replace('\n', "; "),
            expected: "TOML: key = value lines and [table] headings".to_owned(),
        };
        ProjectError::Product(ProductError { problems: vec![problem] })
    })
}

/// The files that a chain names: every text in it that is the path of a file, relative to `chains/`. Found without knowing
/// the form of chains, so that no table can be changed unseen because a new kind of element names it in a new way.
fn chain_tables(folder: &Path, chain: &ChainFile) -> Result<Vec<ChainTable>, ProjectError> {
    let document = parse_toml(&chain.text, &format!("{CHAINS}/{}.toml", chain.name))?;
    let mut texts = Vec::new();
    collect_texts(document.as_item(), &mut texts);
    texts.sort();
    texts.dedup();
    let mut tables = Vec::new();
    for file in texts {
        let path = folder.join(&file);
        if file.is_empty() || file.contains('\n') || !path.is_file() {
            continue;
        }
        let (blake3, length) = hash_file(&path).map_err(ProjectError::io("read the file", &path))?;
        let text = if length <= TABLE_TEXT_BYTES { fs::read_to_string(&path).ok() } else { None };
        // Only the text that was hashed: the file may be changing this moment.
        let text = text.filter(|t| hex(t.as_bytes()) == blake3);
        tables.push(ChainTable { file, blake3, text });
    }
    Ok(tables)
}

fn collect_texts(item: &toml_edit::Item, texts: &mut Vec<String>) {
    if let Some(text) = item.as_str() {
        texts.push(text.to_owned());
    } else if let Some(table) = item.as_table_like() {
        for (_, item) in table.iter() {
            collect_texts(item, texts);
        }
    } else if let Some(array) = item.as_array_of_tables() {
        for table in array {
            for (_, item) in table {
                collect_texts(item, texts);
            }
        }
    } else if let Some(array) = item.as_array() {
        for value in array {
            collect_texts(&toml_edit::Item::Value(value.clone()), texts);
        }
    }
}

/// Nothing to show: for imports whose progress nobody watches.
pub fn unwatched(_done: u64, _total: u64) -> ControlFlow<()> {
    ControlFlow::Continue(())
}
