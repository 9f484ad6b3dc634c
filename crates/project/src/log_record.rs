//! What a log comes to: counts, worst criteria and the verdict, from its entries alone.

use std::collections::{BTreeMap, HashMap};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::log::{Climate, Criterion, KeptLogEntry, KeptSheet, LogEntry, LogSheet, LogStep, LogWhat};

/// The log of a run as the ledger holds it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunLog {
    /// Names this log among those of all projects: from the hash of the entry that began it.
    pub id: String,
    /// The sheet, and what was said when the run began.
    pub sheet: KeptSheet,
    /// The entries in the order in which the ledger took them.
    pub entries: Vec<KeptLogEntry>,
    /// Where an entry stands, by its key.
    by_key: HashMap<String, usize>,
    /// The last number of each device.
    last: BTreeMap<String, u64>,
    /// Entries that take back what is not there, or speak of steps that are not in the sheet.
    pub odd: Vec<String>,
}

impl RunLog {
    pub(crate) fn new(hash: &str, sheet: KeptSheet) -> Self {
        Self { id: hash.chars().take(20).collect(), sheet, ..Self::default() }
    }

    /// An entry by its key.
    pub fn entry(&self, key: &str) -> Option<&KeptLogEntry> {
        self.by_key.get(key).map(|i| &self.entries[*i])
    }

    /// The last number that a device has in this log; 0 for none.
    pub fn last_of(&self, client: &str) -> u64 {
        self.last.get(client).copied().unwrap_or(0)
    }

    /// The last number of each device.
    pub fn clients(&self) -> &BTreeMap<String, u64> {
        &self.last
    }

    pub(crate) fn apply(&mut self, entry: u64, recorded_at: Timestamp, log: LogEntry) {
        if let LogWhat::Withdraw { entry: key, text } = &log.what {
            match self.by_key.get(key).copied() {
                Some(i) => {
                    self.entries[i].withdrawn.get_or_insert_with(|| text.clone());
                }
                None => self.odd.push(format!("Entry {entry} takes back an entry that is not in the log.")),
            }
        }
        self.last.insert(log.client.clone(), log.sequence);
        self.by_key.insert(log.key.clone(), self.entries.len());
        self.entries.push(KeptLogEntry { entry, recorded_at, log, withdrawn: None });
    }

    /// Entries that count: neither taken back nor taking back.
    pub fn counting(&self) -> impl Iterator<Item = &KeptLogEntry> {
        self.entries.iter().filter(|e| e.withdrawn.is_none() && !matches!(e.log.what, LogWhat::Withdraw { .. }))
    }

    /// The climate as last read.
    pub fn climate(&self) -> Climate {
        self.counting().fold(self.sheet.climate, |c, e| match &e.log.what {
            LogWhat::Climate(later) => c.then(*later),
            _ => c,
        })
    }

    /// What it comes to.
    pub fn record(&self) -> LogRecord {
        let sheet = self.sheet.read();
        let mut steps: Vec<StepRecord> = sheet.steps.iter().map(|s| StepRecord::new(s, self.sheet.required)).collect();
        let place: HashMap<String, usize> = steps.iter().enumerate().map(|(i, s)| (s.step.id.clone(), i)).collect();
        for kept in self.counting() {
            match &kept.log.what {
                LogWhat::Step { step, stimuli, result, seen, frequency_hz, .. } => {
                    let Some(record) = place.get(step).map(|i| &mut steps[*i]) else { continue };
                    record.stimuli += stimuli;
                    record.result = record.result.max(*result);
                    if !seen.trim().is_empty() {
                        let at = frequency_hz.map_or_else(String::new, |f| format!(" at {}", megahertz(f)));
                        let said = format!("{}{at}", seen.trim());
                        if !record.seen.contains(&said) {
                            record.seen.push(said);
                        }
                    }
                    record.first_at.get_or_insert(kept.log.at);
                    record.first_at = record.first_at.min(Some(kept.log.at));
                    record.last_at = record.last_at.max(Some(kept.log.at));
                    if !record.who.contains(&kept.log.who) {
                        record.who.push(kept.log.who.clone());
                    }
                }
                LogWhat::Deviation { step: Some(step), text, skipped } => {
                    let Some(record) = place.get(step).map(|i| &mut steps[*i]) else { continue };
                    record.deviations.push(text.clone());
                    record.skipped |= skipped;
                }
                _ => {}
            }
        }
        for s in &mut steps {
            s.state = match (s.result.is_some() && s.stimuli >= s.step.count, s.skipped) {
                (true, _) => StepState::Done,
                (false, true) => StepState::Skipped,
                (false, false) if s.stimuli > 0 || s.result.is_some() => StepState::Begun,
                (false, false) => StepState::Open,
            };
        }
        LogRecord::of(sheet, steps, self.sheet.required, self.entries.len())
    }
}

fn megahertz(hz: f64) -> String {
    let text = format!("{:.6}", hz / 1e6);
    format!("{} MHz", text.trim_end_matches('0').trim_end_matches('.'))
}

/// How far a step is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StepState {
    /// Nothing was entered.
    Open,
    /// Stimuli are missing, or the result.
    Begun,
    /// All stimuli were given and a result stands.
    Done,
    /// Not carried out (to its end), and a deviation says why.
    Skipped,
}

/// A step with what was logged of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepRecord {
    /// The step.
    #[serde(flatten)]
    pub step: LogStep,
    /// The criterion asked of it.
    pub required: Option<Criterion>,
    /// How far it is.
    pub state: StepState,
    /// Stimuli given, by all devices.
    pub stimuli: u32,
    /// Worst result.
    pub result: Option<Criterion>,
    /// What was seen.
    pub seen: Vec<String>,
    /// First entry, by the device's clock.
    pub first_at: Option<Timestamp>,
    /// Last entry.
    pub last_at: Option<Timestamp>,
    /// Who entered something.
    pub who: Vec<String>,
    /// Deviations that name it.
    pub deviations: Vec<String>,
    /// A deviation says that it is not carried out (further).
    pub skipped: bool,
}

impl StepRecord {
    fn new(step: &LogStep, required: Option<Criterion>) -> Self {
        let own = step.criterion.as_deref().and_then(Criterion::of);
        Self {
            step: step.clone(),
            required: own.or(required),
            state: StepState::Open,
            stimuli: 0,
            result: None,
            seen: Vec::new(),
            first_at: None,
            last_at: None,
            who: Vec::new(),
            deviations: Vec::new(),
            skipped: false,
        }
    }

    /// The result is worse than what is asked.
    pub fn fails(&self) -> bool {
        matches!((self.result, self.required), (Some(r), Some(q)) if r > q) || self.result == Some(Criterion::D)
    }
}

/// What a log comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LogRecord {
    /// The sheet.
    pub sheet: LogSheet,
    /// Its steps with what was logged.
    pub steps: Vec<StepRecord>,
    /// Steps that are done.
    pub done: usize,
    /// Steps that a deviation leaves out.
    pub skipped: usize,
    /// Stimuli given.
    pub stimuli: u64,
    /// Stimuli that the sheet asks for.
    pub stimuli_asked: u64,
    /// Worst criterion of all.
    pub worst: Option<Criterion>,
    /// The criterion asked of the run.
    pub required: Option<Criterion>,
    /// `pass`, `fail` or `inconclusive`.
    pub decision: String,
    /// The same as a sentence.
    pub sentence: String,
    /// Entries in the log, those taken back too.
    pub entries: usize,
}

impl LogRecord {
    fn of(sheet: LogSheet, steps: Vec<StepRecord>, required: Option<Criterion>, entries: usize) -> Self {
        let count = |state: StepState| steps.iter().filter(|s| s.state == state).count();
        let (done, skipped) = (count(StepState::Done), count(StepState::Skipped));
        let missing = steps.len() - done - skipped;
        let worst = steps.iter().filter_map(|s| s.result).max();
        let at = |s: &StepRecord| {
            let seen = s.seen.first().map_or_else(String::new, |w| format!(" ({w})"));
            format!("{}{seen}", s.step.words())
        };
        let asked = |c: Option<Criterion>| c.map_or_else(String::new, |c| format!(" where {} is required", c.letter()));
        let failing: Vec<&StepRecord> = steps.iter().filter(|s| s.fails()).collect();
        let upsets: Vec<&StepRecord> = steps.iter().filter(|s| s.result > Some(Criterion::A)).collect();
        let unasked = steps.iter().any(|s| s.result.is_some() && s.required.is_none());
        let (decision, mut sentence) = if let Some(first) = failing.iter().max_by_key(|s| s.result) {
            let letter = first.result.map_or(' ', Criterion::letter);
            let more = failing.len() - 1;
            let more = if more > 0 { format!(" and at {more} more") } else { String::new() };
            ("fail", format!("Criterion {letter}{} at {}{more}.", asked(first.required), at(first)))
        } else if missing > 0 || steps.is_empty() || done == 0 {
            let words = match worst {
                Some(w) if w > Criterion::A => format!("worst criterion so far {}", w.letter()),
                Some(_) => "no upset so far".to_owned(),
                None => "nothing judged yet".to_owned(),
            };
            ("inconclusive", format!("{done} of {} steps done, {words}.", steps.len()))
        } else {
            let words = match (worst, upsets.as_slice()) {
                (Some(w), [only]) => format!("Criterion {}{} at {}", w.letter(), asked(only.required), at(only)),
                (Some(w), [first, ..]) => format!(
                    "Worst criterion {}{} at {} of {} steps, first at {}",
                    w.letter(),
                    asked(first.required),
                    upsets.len(),
                    steps.len(),
                    at(first)
                ),
                _ => format!("Criterion A at all {done} steps{}", asked(required)),
            };
            if unasked {
                ("inconclusive", format!("{words}; no criterion is required of it, so nothing is decided."))
            } else {
                ("pass", format!("{words}: met."))
            }
        };
        if skipped > 0 {
            let word = if skipped == 1 { "step was" } else { "steps were" };
            sentence += &format!(" {skipped} {word} left out, with the reason as a deviation.");
        }
        Self {
            done,
            skipped,
            stimuli: steps.iter().map(|s| u64::from(s.stimuli)).sum(),
            stimuli_asked: steps.iter().map(|s| u64::from(s.step.count)).sum(),
            worst,
            required,
            decision: decision.to_owned(),
            sentence,
            entries,
            sheet,
            steps,
        }
    }

    /// Steps that are neither done nor left out by a deviation.
    pub fn missing(&self) -> impl Iterator<Item = &StepRecord> {
        self.steps.iter().filter(|s| matches!(s.state, StepState::Open | StepState::Begun))
    }

    /// As the outcome of the run in the ledger.
    pub fn summary(&self) -> Value {
        json!({
            "decision": self.decision,
            "sentence": self.sentence,
            "worst_criterion": self.worst,
            "required_criterion": self.required,
            "steps": self.steps.len(),
            "steps_done": self.done,
            "steps_left_out": self.skipped,
            "stimuli": self.stimuli,
            "stimuli_asked": self.stimuli_asked,
            "entries": self.entries,
        })
    }
}

/// Entries that came after the outcome was recorded.
pub(crate) fn late(log: &RunLog, result: Option<&crate::RunResult>) -> usize {
    let closed_at = result.and_then(|r| r.summary["entries"].as_u64()).unwrap_or(0) as usize;
    if result.is_some() { log.entries.len().saturating_sub(closed_at) } else { 0 }
}
