use jiff::{Timestamp, civil::Date};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::ledger::ReadEntry;
use crate::{
    CalibratedEquipment, Capture, ChangesSaid, Entry, Event, ExperimentRecord, KeptChain, KeptReading, NewEquipment,
    NewSample, NewState, Note, ProjectError, ReadingWithdrawal, ResultRecord, RunRecord, Seal, Withdrawal,
};

/// A sample in the current state of the project.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// What is known of it.
    #[serde(flatten)]
    pub sample: NewSample,
    /// When it was entered; none if it stands in `product.toml` only.
    pub added_at: Option<Timestamp>,
}

/// A modification state in the current state of the project.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModificationState {
    /// What is known of it.
    #[serde(flatten)]
    pub state: NewState,
    /// When it was entered.
    pub added_at: Timestamp,
}

/// One calibration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Calibration {
    /// Date of the calibration, where known.
    pub calibrated: Option<Date>,
    /// Date until which it holds, where known.
    pub due: Option<Date>,
    /// Certificate number.
    pub certificate: Option<String>,
}

/// A piece of equipment with all its calibrations.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Equipment {
    /// What is known of it; the dates in here are those of the latest calibration.
    #[serde(flatten)]
    pub equipment: NewEquipment,
    /// Every calibration, oldest first.
    pub calibrations: Vec<Calibration>,
    /// When it was entered.
    pub added_at: Timestamp,
}

impl Equipment {
    /// The equipment's id.
    pub fn id(&self) -> &str {
        &self.equipment.id
    }

    /// The calibration that held on a day: the latest made on or before it. Where no calibration is that old, none did.
    /// A calibration without a date of its own is taken to have been there from the beginning.
    pub fn calibration_on(&self, day: Date) -> Option<&Calibration> {
        self.calibrations.iter().rev().find(|c| c.calibrated.is_none_or(|made| made <= day))
    }

    fn calibrated_again(&mut self, calibration: Calibration) {
        // Certificates can be entered late; the order is that of the calibrations, not of the typing.
        let place = self.calibrations.partition_point(|c| c.calibrated <= calibration.calibrated);
        self.calibrations.insert(place, calibration);
        if let Some(latest) = self.calibrations.last() {
            self.equipment.calibrated = latest.calibrated;
            self.equipment.due = latest.due;
            self.equipment.certificate.clone_from(&latest.certificate);
        }
    }
}

/// An outcome of a run, with when and by whom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunResult {
    /// Verdict summary as the judging room wrote it.
    pub summary: Value,
    /// Versions of tool and data.
    pub versions: Value,
    /// When it was recorded.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
}

/// A run with everything said about it since.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// The run as recorded.
    #[serde(flatten)]
    pub record: RunRecord,
    /// Entry number in the ledger.
    pub entry: u64,
    /// When it was recorded.
    pub added_at: Timestamp,
    /// By whom.
    pub added_by: String,
    /// Outcomes, oldest first; the last one counts.
    pub results: Vec<RunResult>,
    /// Later remarks with their time and author.
    pub remarks: Vec<(Timestamp, String, String)>,
    /// Set when the run no longer counts.
    pub withdrawn: Option<Withdrawal>,
}

impl Run {
    /// The run's id.
    pub fn id(&self) -> &str {
        &self.record.id
    }

    /// The outcome that counts: the last one recorded.
    pub fn result(&self) -> Option<&RunResult> {
        self.results.last()
    }
}

/// Everything that follows from the events so far.
#[derive(Debug, Clone)]
pub(crate) struct State {
    pub(crate) seal: Seal,
    pub(crate) samples: Vec<Sample>,
    pub(crate) states: Vec<ModificationState>,
    pub(crate) equipment: Vec<Equipment>,
    pub(crate) captures: Vec<Capture>,
    pub(crate) chains: Vec<KeptChain>,
    pub(crate) runs: Vec<Run>,
    pub(crate) notes: Vec<(Timestamp, String, String)>,
    /// Experiments on emissions, in the order they were entered.
    pub(crate) experiments: Vec<(Timestamp, String, ExperimentRecord)>,
    /// Readings taken by hand, in the order they were entered.
    pub(crate) readings: Vec<KeptReading>,
    /// Trials of thresholds, oldest first.
    pub(crate) trials: Vec<crate::KeptTrial>,
    /// Logs of immunity runs.
    pub(crate) logs: Vec<crate::RunLog>,
    /// Entries whose hash does not follow from what they say.
    pub(crate) broken: Vec<u64>,
    /// Entries that were not understood, with the reason.
    pub(crate) not_understood: Vec<(u64, String)>,
}

impl Default for State {
    fn default() -> Self {
        Self {
            seal: Seal::empty(),
            samples: Vec::new(),
            states: Vec::new(),
            equipment: Vec::new(),
            captures: Vec::new(),
            chains: Vec::new(),
            runs: Vec::new(),
            notes: Vec::new(),
            experiments: Vec::new(),
            readings: Vec::new(),
            trials: Vec::new(),
            logs: Vec::new(),
            broken: Vec::new(),
            not_understood: Vec::new(),
        }
    }
}

impl State {
    pub(crate) fn apply(&mut self, read: ReadEntry) {
        let ReadEntry { entry, broken, not_understood } = read;
        let Entry { id, at, who, event, hash } = entry;
        if broken {
            self.broken.push(id);
        }
        if let Some(reason) = not_understood {
            self.not_understood.push((id, reason));
        }
        let sheet_hash = if matches!(event, Event::SheetKept(_)) { hash.clone() } else { String::new() };
        self.seal = Seal { revision: id, hash };
        match event {
            Event::SampleAdded(sample) => self.samples.push(Sample { sample, added_at: Some(at) }),
            Event::StateAdded(state) => self.states.push(ModificationState { state, added_at: at }),
            Event::StateChangesSaid(ChangesSaid { state, changes }) => {
                match self.states.iter_mut().find(|s| s.state.id == state) {
                    Some(found) => found.state.changes = changes,
                    None => self.not_understood.push((id, format!("it speaks of the unknown state {state:?}"))),
                }
            }
            Event::EquipmentAdded(equipment) => {
                let first = Calibration {
                    calibrated: equipment.calibrated,
                    due: equipment.due,
                    certificate: equipment.certificate.clone(),
                };
                let said = first.calibrated.is_some() || first.due.is_some();
                let calibrations = if said { vec![first] } else { Vec::new() };
                self.equipment.push(Equipment { equipment, calibrations, added_at: at });
            }
            Event::EquipmentCalibrated(CalibratedEquipment { equipment, calibrated, due, certificate }) => {
                let calibration = Calibration { calibrated: Some(calibrated), due, certificate };
                match self.equipment.iter_mut().find(|e| e.equipment.id == equipment) {
                    Some(found) => found.calibrated_again(calibration),
                    None => self.not_understood.push((id, format!("it calibrates unknown equipment {equipment:?}"))),
                }
            }
            Event::CaptureAdded(capture) | Event::CaptureRestored(capture) => {
                match self.captures.iter_mut().find(|c| c.id == capture.id) {
                    Some(known) => *known = capture,
                    None => self.captures.push(capture),
                }
            }
            Event::ChainKept(chain) => self.chains.push(chain),
            Event::RunAdded(record) => self.runs.push(Run {
                record: *record,
                entry: id,
                added_at: at,
                added_by: who,
                results: Vec::new(),
                remarks: Vec::new(),
                withdrawn: None,
            }),
            Event::RunResult(ResultRecord { run, summary, versions }) => {
                self.on_run(id, &run, |r| r.results.push(RunResult { summary, versions, at, who }));
            }
            Event::Note(Note { run: Some(run), text }) => self.on_run(id, &run, |r| r.remarks.push((at, who, text))),
            Event::Note(Note { run: None, text }) => self.notes.push((at, who, text)),
            Event::RunWithdrawn(withdrawal) => {
                let run = withdrawal.run.clone();
                self.on_run(id, &run, |r| {
                    // The first reason stands.
                    r.withdrawn.get_or_insert(withdrawal);
                });
            }
            Event::ExperimentDone(record) => self.experiments.push((at, who, record)),
            Event::ReadingTaken(reading) => {
                self.readings.push(KeptReading { entry: id, at, who, reading: *reading, withdrawn: None });
            }
            Event::ReadingWithdrawn(ReadingWithdrawal { entry, reason }) => {
                match self.readings.iter_mut().find(|r| r.entry == entry) {
                    Some(found) => {
                        found.withdrawn.get_or_insert(reason);
                    }
                    None => self.not_understood.push((id, format!("it takes back the unknown reading {entry}"))),
                }
            }
            Event::SheetKept(sheet) => self.logs.push(crate::RunLog::new(&sheet_hash, *sheet)),
            Event::ThresholdTrial(trial) => {
                self.trials.push(crate::KeptTrial { entry: id, at, who, trial: *trial, withdrawn: None });
            }
            Event::TrialWithdrawn(gone) => match self.trials.iter_mut().find(|t| t.entry == gone.entry) {
                Some(found) => {
                    found.withdrawn.get_or_insert(gone.reason);
                }
                None => self.not_understood.push((id, format!("it takes back the unknown trial {}", gone.entry))),
            },
            Event::RunLogged(entry) => match self.logs.iter_mut().find(|l| l.sheet.run == entry.run) {
                Some(log) => log.apply(id, at, *entry),
                None => self.not_understood.push((id, format!("it logs the run {:?}, which has no sheet", entry.run))),
            },
            Event::Other { .. } => {}
        }
    }

    fn on_run(&mut self, entry: u64, run: &str, act: impl FnOnce(&mut Run)) {
        match self.runs.iter_mut().find(|r| r.record.id == run) {
            Some(found) => act(found),
            None => self.not_understood.push((entry, format!("it speaks of the unknown run {run:?}"))),
        }
    }

    pub(crate) fn run(&self, id: &str) -> Result<&Run, ProjectError> {
        self.runs
            .iter()
            .find(|r| r.record.id == id)
            .ok_or_else(|| ProjectError::unknown("run", id, self.runs.iter().map(Run::id)))
    }

    pub(crate) fn log(&self, run: &str) -> Result<&crate::RunLog, ProjectError> {
        self.logs
            .iter()
            .find(|l| l.sheet.run == run)
            .ok_or_else(|| ProjectError::unknown("logged run", run, self.logs.iter().map(|l| l.sheet.run.as_str())))
    }

    /// The number after the highest run so far.
    pub(crate) fn next_run_id(&self) -> String {
        let highest = self.runs.iter().filter_map(|r| r.record.id.strip_prefix('R')?.parse::<u64>().ok()).max();
        format!("R{:03}", highest.unwrap_or(0) + 1)
    }
}

/// The first of `P1`, `P2`, … (or from `first`) that is not taken.
pub(crate) fn free_id<'a>(prefix: char, first: u64, taken: impl Iterator<Item = &'a str> + Clone) -> String {
    // One more than are taken: one of them is free.
    (first..=first + taken.clone().count() as u64)
        .map(|n| format!("{prefix}{n}"))
        .find(|id| !taken.clone().any(|t| t == id))
        .unwrap_or_default()
}
