//! Writing a log: the run begins, entries arrive from devices in order and once, the run ends.

use std::collections::HashSet;

use serde_json::Value;

use crate::log::{KeptSheet, LogEntry, LogSheet, LogWhat};
use crate::log_record::{RunLog, late};
use crate::state::State;
use crate::{Event, NewRun, Project, ProjectError, ResultRecord};

/// What became of a batch of entries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Accepted {
    /// The device.
    pub client: String,
    /// Its last number in the ledger now.
    pub last: u64,
    /// Entries that were written.
    pub written: usize,
    /// Entries that were there already.
    pub known: usize,
}

impl Project {
    /// Begins a logged run: the run and its sheet are entered together. Every caution of the sheet must be among those
    /// acknowledged, and by someone.
    pub fn start_log(&mut self, run: NewRun, mut sheet: KeptSheet) -> Result<String, ProjectError> {
        let read = LogSheet::of(&sheet.sheet);
        if read.steps.is_empty() {
            return Err(ProjectError::value("sheet.steps", "there are none", "a run sheet with at least one step"));
        }
        let mut names = HashSet::new();
        for step in &read.steps {
            if !names.insert(step.id.as_str()) {
                return Err(ProjectError::value(
                    "sheet.steps",
                    format!("{:?} is there twice", step.id),
                    "names of their own",
                ));
            }
        }
        if let Some(caution) = read.cautions.iter().find(|c| !sheet.acknowledged.contains(c)) {
            return Err(ProjectError::value(
                "acknowledged",
                format!("the caution {caution:?} is not among those acknowledged"),
                "every caution of the sheet, read and acknowledged before the run begins",
            ));
        }
        if !read.cautions.is_empty() && sheet.acknowledged_by.trim().is_empty() {
            return Err(ProjectError::value("acknowledged_by", "it is empty", "the name of who read the cautions"));
        }
        let climate = &sheet.climate;
        for (field, value, low, high) in [
            ("climate.temperature_c", climate.temperature_c, -60.0, 100.0),
            ("climate.humidity_percent", climate.humidity_percent, 0.0, 100.0),
            ("climate.pressure_kpa", climate.pressure_kpa, 30.0, 120.0),
        ] {
            if let Some(v) = value.filter(|v| !(low..=high).contains(v)) {
                return Err(ProjectError::value(field, v.to_string(), format!("{low} to {high}")));
            }
        }
        self.add_run_and(run, |id| {
            id.clone_into(&mut sheet.run);
            vec![Event::SheetKept(Box::new(sheet))]
        })
    }

    /// Enters what devices logged, all of it or nothing. An entry whose key is known is not written again. The numbers of a
    /// device follow each other without a hole; one that comes too early is refused ([`ProjectError::OutOfOrder`]), so that
    /// the device sends again from the number that is expected.
    ///
    /// Entries are taken after the run was closed too: what a tablet kept while it was cut off must not be lost. The check
    /// then asks to close the run again.
    pub fn append_log(&mut self, entries: &[LogEntry]) -> Result<Vec<Accepted>, ProjectError> {
        self.append(|state| {
            let mut events = Vec::new();
            let mut accepted: Vec<Accepted> = Vec::new();
            // Numbers and keys of this batch that are not in the state yet.
            let mut new_keys: HashSet<(&str, &str)> = HashSet::new();
            for e in entries {
                let log = state.log(&e.run)?;
                let at = match accepted.iter().position(|a| a.client == e.client) {
                    Some(i) => i,
                    None => {
                        let last = log.last_of(&e.client);
                        accepted.push(Accepted { client: e.client.clone(), last, written: 0, known: 0 });
                        accepted.len() - 1
                    }
                };
                if let Some(kept) = log.entry(&e.key) {
                    if (kept.log.client.as_str(), kept.log.sequence) != (e.client.as_str(), e.sequence) {
                        return Err(ProjectError::value(
                            format!("entry {}", e.key),
                            format!("the key belongs to entry {} of {}", kept.log.sequence, kept.log.client),
                            "a key of its own",
                        ));
                    }
                    accepted[at].known += 1;
                    continue;
                }
                if new_keys.contains(&(e.run.as_str(), e.key.as_str())) {
                    accepted[at].known += 1;
                    continue;
                }
                let expected = accepted[at].last + 1;
                if e.sequence != expected {
                    return Err(ProjectError::OutOfOrder {
                        run: e.run.clone(),
                        client: e.client.clone(),
                        found: e.sequence,
                        expected,
                    });
                }
                check_entry(state, log, &new_keys, e)?;
                new_keys.insert((&e.run, &e.key));
                accepted[at].last = e.sequence;
                accepted[at].written += 1;
                events.push(Event::RunLogged(Box::new(e.clone())));
            }
            Ok((events, accepted))
        })
    }

    /// Ends a run: records what its log comes to. Where nothing was logged since it was last ended, nothing is written.
    pub fn close_log(&mut self, run: &str, versions: Value) -> Result<crate::LogRecord, ProjectError> {
        self.append(|state| {
            let log = state.log(run)?;
            let record = log.record();
            let result = state.run(run)?.result();
            if result.is_some() && late(log, result) == 0 {
                return Ok((Vec::new(), record));
            }
            let event = ResultRecord { run: run.to_owned(), summary: record.summary(), versions };
            Ok((vec![Event::RunResult(event)], record))
        })
    }

    /// The log of a run; none for a run without one.
    pub fn log(&self, run: &str) -> Result<Option<RunLog>, ProjectError> {
        let state = self.state()?;
        state.run(run)?;
        Ok(state.logs.iter().find(|l| l.sheet.run == run).cloned())
    }

    /// The runs that have a log.
    pub fn logged_runs(&self) -> Result<Vec<String>, ProjectError> {
        Ok(self.state()?.logs.iter().map(|l| l.sheet.run.clone()).collect())
    }

    /// Entries logged after the run was ended; 0 while it is open.
    pub fn late_entries(&self, run: &str) -> Result<usize, ProjectError> {
        let state = self.state()?;
        Ok(late(state.log(run)?, state.run(run)?.result()))
    }
}

/// An entry that could not be understood later is refused now.
fn check_entry(
    state: &State,
    log: &RunLog,
    new_keys: &HashSet<(&str, &str)>,
    e: &LogEntry,
) -> Result<(), ProjectError> {
    let place = format!("entry {}", e.key);
    let refuse = |what: String, expected: &str| Err(ProjectError::value(place.clone(), what, expected));
    for (field, text, most) in [("key", &e.key, 100), ("client", &e.client, 100), ("who", &e.who, 200)] {
        if text.trim().is_empty() || text.len() > most {
            return refuse(format!("its {field} is empty or longer than {most} bytes"), "a short name");
        }
    }
    let sheet = &log.sheet.sheet;
    let in_sheet = |id: &str| {
        let named = sheet["steps"].as_array().is_some_and(|steps| steps.iter().any(|s| s["id"] == id));
        // Sheets of older versions name their steps by their place only.
        named || LogSheet::of(sheet).step(id).is_some()
    };
    let known_step = |id: &str| {
        if in_sheet(id) { Ok(()) } else { refuse(format!("there is no step {id:?}"), "a step of the sheet") }
    };
    let says =
        |text: &str| if text.trim().is_empty() { refuse("it says nothing".to_owned(), "a few words") } else { Ok(()) };
    match &e.what {
        LogWhat::Step { step, stimuli, result, frequency_hz, .. } => {
            known_step(step)?;
            if *stimuli == 0 && result.is_none() {
                return refuse("it has neither stimuli nor a result".to_owned(), "one of them");
            }
            if *stimuli > 1_000_000 {
                return refuse(format!("{stimuli} stimuli"), "at most 1 000 000 in one entry");
            }
            if frequency_hz.is_some_and(|f| !(f.is_finite() && f > 0.0)) {
                return refuse(format!("the frequency {frequency_hz:?}"), "a number above zero, Hz");
            }
        }
        LogWhat::Deviation { step, text, .. } => {
            step.as_deref().map_or(Ok(()), known_step)?;
            says(text)?;
        }
        LogWhat::Withdraw { entry, text } => {
            says(text)?;
            if log.entry(entry).is_none() && !new_keys.contains(&(e.run.as_str(), entry.as_str())) {
                return refuse(format!("it takes back {entry:?}, which is not in the log"), "the key of an entry");
            }
        }
        LogWhat::Picture { capture, .. } => {
            if !state.captures.iter().any(|c| c.id == *capture) {
                return refuse(format!("there is no capture {capture:?}"), "a picture of the project");
            }
        }
        LogWhat::Pause { text } | LogWhat::Remark { text } => says(text)?,
        LogWhat::Resume | LogWhat::Climate(_) => {}
    }
    Ok(())
}
