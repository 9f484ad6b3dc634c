use std::cell::Cell;
use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{LazyLock, Mutex, PoisonError};
use std::time::SystemTime;

use jiff::{Timestamp, civil::Date, tz::TimeZone};
use serde::{Deserialize, Serialize};
use standards::LimitLibrary;

use crate::capture::{CAPTURES, hash_file, is_incoming};
use crate::folder::text_files;
use crate::state::State;
use crate::{CaptureFile, Equipment, PinnedLimit, ProductReading, Project, ProjectError, Run, Sample};

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing.
    Remark,
    /// Evidence may be questioned.
    Warning,
    /// Evidence does not stand.
    Error,
}

/// What a finding is about.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(tag = "kind", content = "id", rename_all = "snake_case")]
pub enum Subject {
    /// The project as a whole.
    Project,
    /// `product.toml`.
    Product,
    /// A run.
    Run(String),
    /// A piece of equipment.
    Equipment(String),
    /// A capture.
    Capture(String),
    /// A chain.
    Chain(String),
    /// The user's limits.
    Limits(String),
    /// The ledger.
    Ledger,
}

/// Something wrong with the project or with a run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// How much it matters.
    pub severity: Severity,
    /// What it is about.
    pub subject: Subject,
    /// One sentence.
    pub what: String,
}

impl Finding {
    pub(crate) fn new(severity: Severity, subject: Subject, what: impl Into<String>) -> Self {
        Self { severity, subject, what: what.into() }
    }
}

/// When a stored file was last proven whole by this process: its length and time of change then.
static PROVEN: LazyLock<Mutex<HashMap<PathBuf, (u64, SystemTime)>>> = LazyLock::new(Mutex::default);

/// Bytes of raw files that one glance reads at most: what a person waits for a page is not enough to read gigabytes.
const GLANCE_BYTES: u64 = 256 << 20;

/// Which raw files are read for a check.
enum Reading {
    /// All of them.
    Always,
    /// Those that this process has not proven since they last changed.
    Changed,
    /// The same, until so many bytes were read.
    UpTo(Cell<u64>),
}

/// What a raw file turned out to be.
enum Found {
    Whole,
    /// As long as it was; its content was not read.
    NotRead,
    Damaged(String),
}

/// What the runs of a project may refer to.
pub(crate) struct Known {
    product: Option<ProductReading>,
    samples: Vec<Sample>,
    limits: Option<LimitLibrary>,
}

impl Project {
    /// Everything wrong with the project and its runs, worst first. Reads every capture whole.
    pub fn check(&self) -> Result<Vec<Finding>, ProjectError> {
        self.check_at(Timestamp::now())
    }

    /// The same as on another day (calibration dates are compared with it).
    pub fn check_at(&self, now: Timestamp) -> Result<Vec<Finding>, ProjectError> {
        // From the file, not from what this process remembers of it.
        let state = self.fresh_state()?;
        let findings = self.check_ledger(&state)?;
        Ok(self.check_rest(&state, now, &Reading::Always, findings))
    }

    /// What a page shows of the same in passing: raw files that this process has proven and that have not changed since are
    /// not read again, nor is the ledger's file from its beginning; of raw files not yet proven some hundred megabytes are
    /// read at a time, and a remark says how many are still to be. [`Project::check`] leaves nothing out.
    pub fn glance(&self) -> Result<Vec<Finding>, ProjectError> {
        let state = self.state()?;
        let mut findings = Vec::new();
        if !state.broken.is_empty() {
            findings = self.check_ledger(&state)?;
        }
        Ok(self.check_rest(&state, Timestamp::now(), &Reading::UpTo(Cell::new(GLANCE_BYTES)), findings))
    }

    fn check_rest(&self, state: &State, now: Timestamp, reading: &Reading, mut findings: Vec<Finding>) -> Vec<Finding> {
        let known = self.known(state, &mut findings);
        self.check_chain_files(&mut findings);
        let mut damaged = HashMap::new();
        let mut not_read = 0;
        for capture in &state.captures {
            for file in capture.files() {
                match self.damage(file, reading) {
                    Found::Whole => {}
                    Found::NotRead => not_read += 1,
                    Found::Damaged(what) => {
                        damaged.insert(capture.id.clone(), what.clone());
                        findings.push(Finding::new(Severity::Error, Subject::Capture(capture.id.clone()), what));
                    }
                }
            }
        }
        if not_read > 0 {
            let what = format!(
                "The content of {not_read} of {} raw files was not read for this; `hushfield check` reads all of it.",
                state.captures.len()
            );
            findings.push(Finding::new(Severity::Remark, Subject::Project, what));
        }
        self.check_strays(state, &mut findings);
        let today = day_of(now);
        for equipment in &state.equipment {
            findings.extend(check_equipment(equipment, today));
        }
        for run in &state.runs {
            self.check_one(run, state, &known, now, &damaged, &mut findings);
        }
        findings.sort_by(|a, b| b.severity.cmp(&a.severity).then_with(|| a.subject.cmp(&b.subject)));
        findings
    }

    /// What is wrong with one run, worst first. A capture is read again only if it changed since this process last proved it
    /// whole (by length and time of change); [`Project::check`] always reads.
    pub fn check_run(&self, id: &str) -> Result<Vec<Finding>, ProjectError> {
        let state = self.state()?;
        let run = state.run(id)?;
        let mut elsewhere = Vec::new();
        let known = self.known(&state, &mut elsewhere);
        let mut damaged = HashMap::new();
        for capture in state.captures.iter().filter(|c| run.record.captures.iter().any(|u| u.capture == c.id)) {
            for file in capture.files() {
                if let Found::Damaged(what) = self.damage(file, &Reading::Changed) {
                    damaged.insert(capture.id.clone(), what);
                }
            }
        }
        let mut findings = Vec::new();
        self.check_one(run, &state, &known, Timestamp::now(), &damaged, &mut findings);
        findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
        Ok(findings)
    }

    fn check_ledger(&self, state: &State) -> Result<Vec<Finding>, ProjectError> {
        let mut findings = Vec::new();
        let mut say = |severity, what: String| findings.push(Finding::new(severity, Subject::Ledger, what));
        if let Some(answer) = self.ledger().integrity()? {
            say(Severity::Error, format!("The ledger file is damaged: {answer}."));
        }
        if self.ledger().guards_missing()? {
            say(Severity::Error, "The guards that keep the ledger append-only were removed from the file.".to_owned());
        }
        if let Some(first) = state.broken.first() {
            say(
                Severity::Error,
                format!(
                    "Entry {first} does not follow from what stands before it: the ledger was changed outside the tool \
                     ({} such entries).",
                    state.broken.len()
                ),
            );
        }
        for (id, reason) in &state.not_understood {
            say(Severity::Warning, format!("Entry {id} is kept but not understood: {reason}."));
        }
        Ok(findings)
    }

    fn known(&self, state: &State, findings: &mut Vec<Finding>) -> Known {
        let product = match self.product() {
            Ok(reading) => {
                for warning in &reading.warnings {
                    findings.push(Finding::new(Severity::Remark, Subject::Product, format!("{warning}.")));
                }
                Some(reading)
            }
            Err(error) => {
                findings.push(Finding::new(Severity::Error, Subject::Product, format!("{error}.")));
                None
            }
        };
        let limits = match self.limits() {
            Ok(library) => Some(library),
            Err(error) => {
                let name = match &error {
                    ProjectError::Limit(limit) => limit.place.clone(),
                    _ => "limits".to_owned(),
                };
                findings.push(Finding::new(Severity::Error, Subject::Limits(name), format!("{error}.")));
                None
            }
        };
        let samples = merged_samples(state, product.as_ref());
        Known { product, samples, limits }
    }

    fn check_chain_files(&self, findings: &mut Vec<Finding>) {
        if let Err(error) = text_files(&self.dir().join("chains")) {
            findings.push(Finding::new(Severity::Error, Subject::Project, format!("{error}.")));
        }
    }

    /// What is wrong with a stored file, if anything.
    fn damage(&self, file: &CaptureFile, reading: &Reading) -> Found {
        let path = self.dir().join(CAPTURES).join(&file.stored_as);
        let name = &file.original_name;
        let Ok(meta) = fs::metadata(&path) else {
            return Found::Damaged(format!("The raw file {name} (captures/{}) is missing.", file.stored_as));
        };
        let stamp = meta.modified().ok().map(|changed| (meta.len(), changed));
        let proven = || PROVEN.lock().unwrap_or_else(PoisonError::into_inner);
        let key = path.canonicalize().unwrap_or_else(|_| path.clone());
        if !matches!(reading, Reading::Always) && stamp.is_some() && proven().get(&key) == stamp.as_ref() {
            return Found::Whole;
        }
        if meta.len() != file.length_bytes {
            return Found::Damaged(format!(
                "The raw file {name} (captures/{}) is {} bytes long; it was {} when it was taken in.",
                file.stored_as,
                meta.len(),
                file.length_bytes
            ));
        }
        if let Reading::UpTo(left) = reading {
            let Some(rest) = left.get().checked_sub(meta.len()) else { return Found::NotRead };
            left.set(rest);
        }
        match hash_file(&path) {
            Ok((hash, _)) if hash == file.blake3 => {
                if let Some(stamp) = stamp {
                    proven().insert(key, stamp);
                }
                Found::Whole
            }
            Ok(_) => Found::Damaged(format!(
                "The raw file {name} (captures/{}) no longer has the content that was taken in.",
                file.stored_as
            )),
            Err(error) => {
                Found::Damaged(format!("The raw file {name} (captures/{}) cannot be read: {error}.", file.stored_as))
            }
        }
    }

    fn check_strays(&self, state: &State, findings: &mut Vec<Finding>) {
        let Ok(entries) = fs::read_dir(self.dir().join(CAPTURES)) else { return };
        let mut strays: Vec<String> = entries
            .flatten()
            .map(|e| e.file_name().to_string_lossy().into_owned())
            .filter(|name| !is_incoming(name) && !name.starts_with('.'))
            .filter(|name| !state.captures.iter().flat_map(crate::Capture::files).any(|f| f.stored_as == *name))
            .collect();
        strays.sort();
        for name in strays {
            let what = format!("captures/{name} is not in the ledger; import it to use it.");
            findings.push(Finding::new(Severity::Remark, Subject::Capture(name), what));
        }
    }

    fn check_one(
        &self,
        run: &Run,
        state: &State,
        known: &Known,
        now: Timestamp,
        damaged: &HashMap<String, String>,
        findings: &mut Vec<Finding>,
    ) {
        let record = &run.record;
        let mut say = |severity, what: String| {
            findings.push(Finding::new(severity, Subject::Run(record.id.clone()), what));
        };
        for used in &record.captures {
            if !state.captures.iter().any(|c| c.id == used.capture) {
                say(Severity::Error, format!("Its capture {} is not in the ledger.", used.capture));
            } else if let Some(what) = damaged.get(&used.capture) {
                say(Severity::Error, what.clone());
            }
        }
        // A run taken back proves nothing; only its raw files are still watched.
        if run.withdrawn.is_some() {
            return;
        }
        let log = state.logs.iter().find(|l| l.sheet.run == record.id);
        if let Some(log) = log {
            for (severity, what) in crate::log_check::findings(log, run) {
                say(severity, what);
            }
        } else if record.captures.is_empty() {
            say(Severity::Remark, "It has no captures.".to_owned());
        }
        if let (Some(port), Some(reading)) = (&record.port, &known.product)
            && reading.product.port(port).is_none()
        {
            say(Severity::Error, format!("Its port {port:?} is not in product.toml."));
        }
        match &record.sample {
            None => say(Severity::Remark, "It does not say which sample was measured.".to_owned()),
            Some(id) if !known.samples.iter().any(|s| s.sample.id == *id) => {
                say(Severity::Error, format!("Its sample {id:?} is not known."));
            }
            Some(_) => {}
        }
        if let Some(id) = &record.state
            && !state.states.iter().any(|s| s.state.id == *id)
        {
            say(Severity::Error, format!("Its modification state {id:?} is not known."));
        }
        if let (Some(mode), Some(reading)) = (&record.mode, &known.product)
            && !reading.product.modes.is_empty()
            && !reading.product.modes.contains(mode)
        {
            say(Severity::Remark, format!("Its operating mode {mode:?} is not among those of product.toml."));
        }
        if let Some(library) = &known.limits {
            for id in &record.limits {
                match library.get(id) {
                    None => say(Severity::Error, format!("Its limit {id:?} is not known.")),
                    Some(limit) => {
                        let then = record.pinned_limits.iter().find(|p| p.id == *id);
                        if then.is_some_and(|then| *then != PinnedLimit::of(limit)) {
                            say(Severity::Warning, format!("Its limit {id:?} is no longer what it was at the run."));
                        }
                    }
                }
            }
        }
        if record.measured_at > now {
            say(Severity::Warning, format!("It is dated in the future ({}).", record.measured_at));
        }
        let day = day_of(record.measured_at);
        for id in &record.equipment {
            match state.equipment.iter().find(|e| e.equipment.id == *id) {
                None => say(Severity::Error, format!("Its equipment {id:?} is not known.")),
                Some(equipment) => {
                    if let Some((severity, what)) = calibration_finding(equipment, day) {
                        say(severity, what);
                    }
                }
            }
        }
        if let Some(chain) = &record.chain {
            let folder = self.dir().join("chains");
            let path = folder.join(format!("{}.toml", chain.name));
            match fs::read_to_string(&path) {
                Err(error) => say(
                    Severity::Warning,
                    format!(
                        "Its chain file chains/{}.toml cannot be read ({error}); the ledger holds it as it was.",
                        chain.name
                    ),
                ),
                Ok(text) => {
                    if blake3::hash(text.as_bytes()).to_hex().as_str() != chain.blake3 {
                        say(
                            Severity::Warning,
                            format!(
                                "Its chain {} was edited after the run; the ledger holds it as it was.",
                                chain.name
                            ),
                        );
                    }
                }
            }
            for (file, what) in changed_tables(&folder, chain) {
                say(Severity::Warning, format!("{file}, which its chain {} names, {what} after the run.", chain.name));
            }
        }
    }
}

fn changed_tables(folder: &Path, chain: &crate::ChainUse) -> Vec<(String, &'static str)> {
    chain
        .tables
        .iter()
        .filter_map(|table| match hash_file(&folder.join(&table.file)) {
            Ok((hash, _)) if hash == table.blake3 => None,
            Ok(_) => Some((table.file.clone(), "was edited")),
            Err(_) => Some((table.file.clone(), "was removed")),
        })
        .collect()
}

/// The samples of the ledger and those that stand in `product.toml` only.
pub(crate) fn merged_samples(state: &State, product: Option<&ProductReading>) -> Vec<Sample> {
    let mut samples = state.samples.clone();
    for named in product.iter().flat_map(|r| &r.product.samples) {
        if !samples.iter().any(|s| s.sample.id == named.id) {
            let sample = crate::NewSample {
                id: named.id.clone(),
                serial: named.serial.clone(),
                description: named.description.clone(),
            };
            samples.push(Sample { sample, added_at: None });
        }
    }
    samples
}

/// The UTC day; calibration dates carry no time zone, so a day's difference at midnight is not decided here.
fn day_of(at: Timestamp) -> Date {
    at.to_zoned(TimeZone::UTC).date()
}

fn check_equipment(equipment: &Equipment, today: Date) -> Option<Finding> {
    let (severity, what) = calibration_finding(equipment, today)?;
    Some(Finding::new(severity, Subject::Equipment(equipment.id().to_owned()), what))
}

/// What is wrong with the calibration of equipment on a day.
fn calibration_finding(equipment: &Equipment, day: Date) -> Option<(Severity, String)> {
    if equipment.equipment.needs_no_calibration {
        return None;
    }
    let name = format!("{} ({})", equipment.equipment.name, equipment.id());
    let Some(calibration) = equipment.calibration_on(day) else {
        return Some(match equipment.calibrations.first().and_then(|c| c.calibrated) {
            Some(first) => (Severity::Warning, format!("{name} had no calibration on {day}: the first is of {first}.")),
            None => (Severity::Warning, format!("{name} has no calibration on record.")),
        });
    };
    match calibration.due {
        Some(due) if due < day => {
            Some((Severity::Warning, format!("{name} was past its calibration date on {day}: it was due on {due}.")))
        }
        Some(_) => None,
        None => Some((Severity::Remark, format!("{name} has no date on which its calibration ends."))),
    }
}
