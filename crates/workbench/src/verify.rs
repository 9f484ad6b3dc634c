//! Every verdict of a project computed again from its raw file, beside what the ledger says of it.
//!
//! Nothing kept in between is trusted: the levels are measured anew into a temporary file, the chain is the text the ledger
//! kept, the limits are the points the run was recorded with. What stands in `derived/` is held against the new levels too,
//! because the pages and the report read it.

use std::fs;
use std::path::Path;

use project::{Finding, Project, Run, Seal, Severity, Subject};
use serde::Serialize;
use serde_json::{Map, Value};

use crate::evaluate::{KeptChoices, judge_trace, kept_trace_path, levels_into, limits_of, limits_then, read_run_chain};
use crate::mains_run::{is_mains_run, job_of, kept_mains_path, mains_summary, measure_mains};
use crate::run::summary;
use crate::{OnStage, Stage, VERSION, WorkError};

/// How far two numbers may lie apart, relative to the larger, and still be called rounding: mathematical libraries differ
/// in the last digits, and nothing here is decided by less.
const ROUNDING: f64 = 1e-9;

/// How a recorded verdict stands to the one computed again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// The same to the last digit.
    Same,
    /// The same words, and numbers that differ by rounding only (a part in 10⁹).
    Rounding,
    /// Something differs.
    Differs,
    /// It could not be computed again.
    NotComputable,
    /// No raw file belongs to the run: it rests on what people wrote down.
    NoRawFile,
    /// The ledger has no result of the run.
    NothingRecorded,
}

impl Agreement {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Same => "the same",
            Self::Rounding => "the same but for rounding",
            Self::Differs => "differs",
            Self::NotComputable => "could not be computed",
            Self::NoRawFile => "rests on entries, no raw file",
            Self::NothingRecorded => "no result was recorded",
        }
    }

    /// Evidence stands: nothing differs and nothing is missing.
    pub fn stands(self) -> bool {
        !matches!(self, Self::Differs | Self::NotComputable)
    }
}

/// A field of a verdict that differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Differing {
    /// Name in the ledger's summary, with its unit.
    pub field: String,
    /// What the ledger says.
    pub recorded: Value,
    /// What comes out now.
    pub recomputed: Value,
}

/// One run, recorded and computed again.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunCheck {
    /// The run.
    pub run: String,
    /// Its title.
    pub title: String,
    /// It no longer counts.
    pub withdrawn: bool,
    /// How the two stand to each other.
    pub agreement: Agreement,
    /// What differs, field by field.
    pub differences: Vec<Differing>,
    /// Why it could not be computed.
    pub problem: Option<String>,
    /// Version of the program that recorded the result.
    pub recorded_by: Option<String>,
    /// blake3 (hex) of the levels as a file, computed again; of a logged run, of what its entries come to.
    pub levels_blake3: Option<String>,
    /// What is kept in `derived/` is not what the raw file gives.
    pub derived_differs: bool,
    /// The decision by today's limits, where the library or the user's files have changed since and it is another one.
    pub by_todays_limits: Option<String>,
}

/// A whole project, computed again.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Verification {
    /// Version of the program that computed.
    pub version: String,
    /// The ledger's last entry and the hash over all of it.
    pub seal: Seal,
    /// Every run, in the order of the ledger.
    pub runs: Vec<RunCheck>,
    /// What makes evidence fall: damaged raw files, a ledger that does not hold together.
    pub errors: Vec<Finding>,
    /// blake3 (hex) over seal, levels and verdicts: two machines that computed the same print the same.
    pub digest: String,
}

impl Verification {
    /// Every recorded verdict follows from its raw file, and ledger and raw files are whole.
    pub fn stands(&self) -> bool {
        self.errors.is_empty() && self.runs.iter().all(|r| r.agreement.stands() && !r.derived_differs)
    }
}

/// Computes every verdict of a project again (or that of one run) and holds it against the ledger. Reads every raw file.
///
/// # Errors
/// The folder is no project, the run is not there, or the person stopped it. A run that cannot be computed is no error: it
/// is said in its [`RunCheck`].
pub fn verify(dir: &Path, only: Option<&str>, on_stage: &mut OnStage<'_>) -> Result<Verification, WorkError> {
    let project = Project::open(dir)?;
    let runs = match only {
        Some(id) => vec![project.run(id)?],
        None => project.runs()?,
    };
    let errors: Vec<Finding> = project
        .check()?
        .into_iter()
        .filter(|f| f.severity == Severity::Error)
        .filter(|f| only.is_none_or(|id| !matches!(&f.subject, Subject::Run(r) if r != id)))
        .collect();
    let scratch = tempfile::tempdir()
        .map_err(|e| WorkError::input("temporary folder", e.to_string(), "a folder that can be written"))?;
    let total = runs.len().max(1) as f64;
    let mut checked = Vec::new();
    let mut digest = blake3::Hasher::new();
    let seal = project.seal()?;
    digest.update(seal.hash.as_bytes());
    for (i, run) in runs.iter().enumerate() {
        let done = i as f64 / total;
        let mut inner = |s: &Stage| {
            on_stage(&Stage { what: "computing again", fraction: Some(done + s.fraction.unwrap_or(0.0) / total) })
        };
        let again = match recompute(&project, run, scratch.path(), &mut inner) {
            Err(WorkError::Cancelled) => return Err(WorkError::Cancelled),
            other => other,
        };
        let one = compare(run, again, &errors)?;
        for part in [one.run.as_str(), one.levels_blake3.as_deref().unwrap_or("-"), one.agreement.words()] {
            digest.update(part.as_bytes());
            digest.update(b"\n");
        }
        checked.push(one);
    }
    Ok(Verification {
        version: VERSION.to_owned(),
        seal,
        runs: checked,
        errors,
        digest: digest.finalize().to_hex().to_string(),
    })
}

struct Again {
    summary: Value,
    levels_blake3: String,
    derived_differs: bool,
    /// Decision by today's limits.
    today: Option<Value>,
}

fn recompute(
    project: &Project,
    run: &Run,
    scratch: &Path,
    on_stage: &mut OnStage<'_>,
) -> Result<Option<Again>, WorkError> {
    if let Some(log) = project.log(run.id())? {
        // A logged run is what people entered, step by step; that is its raw material, and the ledger's seal covers it.
        let summary = log.record().summary();
        return Ok(Some(Again {
            levels_blake3: blake3::hash(summary.to_string().as_bytes()).to_hex().to_string(),
            summary,
            derived_differs: false,
            today: None,
        }));
    }
    if is_mains_run(run) {
        let (capture, job) = job_of(run)?;
        let kept = project.capture(&capture)?;
        let results = measure_mains(&project.capture_path(&capture)?, &kept.file.original_name, &job, on_stage)?;
        let bytes =
            serde_json::to_vec(&results).map_err(|e| WorkError::Ours(format!("results could not be written: {e}")))?;
        let derived = fs::read(kept_mains_path(project, &capture, &job)?).ok();
        return Ok(Some(Again {
            summary: mains_summary(&results),
            levels_blake3: blake3::hash(&bytes).to_hex().to_string(),
            derived_differs: derived.is_some_and(|d| d != bytes),
            today: None,
        }));
    }
    let Some(used) = run.record.captures.iter().find(|c| c.choices.get("kind").is_some()) else { return Ok(None) };
    let choices = KeptChoices::of(run.id(), &used.choices)?;
    let file = scratch.join(format!("{}.csv", run.id()));
    let measured = levels_into(project, &used.capture, &choices.reading, &file, on_stage)?;
    // Levels without a unit are not written; they cannot be judged either.
    let bytes = fs::read(&file).unwrap_or_default();
    let derived = kept_trace_path(project, &used.capture, &choices.reading)?;
    let chain = read_run_chain(project, run.id())?;
    let library = project.limits()?;
    let options = choices.judging.options();
    let then = judge_trace(&measured, chain.as_ref(), limits_then(&library, run)?, &options)?;
    // A limit that has gone from the library since does not keep the old verdict from being proven.
    let today = limits_of(&library, &run.record.limits)
        .ok()
        .and_then(|limits| judge_trace(&measured, chain.as_ref(), limits, &options).ok())
        .map(|judged| summary(judged.verdict.as_ref()));
    Ok(Some(Again {
        summary: summary(then.verdict.as_ref()),
        levels_blake3: blake3::hash(&bytes).to_hex().to_string(),
        derived_differs: differ(&file, &derived),
        today,
    }))
}

/// Whether a kept trace, or what is kept beside it (its notes, its time structure), is not what was made anew. What is not
/// kept is no difference: it is made when it is wanted.
fn differ(fresh: &Path, kept: &Path) -> bool {
    let name = fresh.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let beside = fresh.parent().and_then(|folder| fs::read_dir(folder).ok()).into_iter().flatten().flatten();
    beside.filter_map(|e| e.file_name().to_string_lossy().strip_prefix(&name).map(str::to_owned)).any(|ending| {
        let with = |path: &Path| fs::read(format!("{}{ending}", path.display())).ok();
        with(kept).is_some_and(|old| Some(old) != with(fresh))
    })
}

fn compare(run: &Run, again: Result<Option<Again>, WorkError>, errors: &[Finding]) -> Result<RunCheck, WorkError> {
    let result = run.result();
    let mut one = RunCheck {
        run: run.id().to_owned(),
        title: run.record.title.clone(),
        withdrawn: run.withdrawn.is_some(),
        agreement: Agreement::Same,
        differences: Vec::new(),
        problem: None,
        recorded_by: result.and_then(|r| r.versions["hushfield"].as_str().map(str::to_owned)),
        levels_blake3: None,
        derived_differs: false,
        by_todays_limits: None,
    };
    let again = match again {
        Err(why) => {
            one.agreement = Agreement::NotComputable;
            one.problem = Some(why.to_string());
            return Ok(one);
        }
        Ok(None) => {
            one.agreement = Agreement::NoRawFile;
            return Ok(one);
        }
        Ok(Some(again)) => again,
    };
    // A raw file that is no longer what came in gives a verdict of something else, even where the figures agree.
    let damaged = errors.iter().find(
        |f| matches!(&f.subject, Subject::Capture(id) if run.record.captures.iter().any(|used| used.capture == *id)),
    );
    one.levels_blake3 = Some(again.levels_blake3);
    one.derived_differs = again.derived_differs;
    let Some(result) = result else {
        one.agreement = Agreement::NothingRecorded;
        return Ok(one);
    };
    (one.agreement, one.differences) = difference(&result.summary, &as_read_back(&again.summary)?);
    if let Some(damaged) = damaged {
        one.agreement = Agreement::NotComputable;
        one.problem = Some(damaged.what.clone());
    }
    one.by_todays_limits = again
        .today
        .filter(|t| t["decision"] != again.summary["decision"])
        .and_then(|t| t["sentence"].as_str().map(str::to_owned));
    Ok(one)
}

/// What the ledger would give for a summary: reading a number from text may move its last digit.
fn as_read_back(summary: &Value) -> Result<Value, WorkError> {
    serde_json::from_str(&summary.to_string()).map_err(|e| WorkError::Ours(format!("a summary could not be read: {e}")))
}

/// Holds two summaries against each other. A field that only the newer one has is no difference: an older version did not
/// write it.
fn difference(recorded: &Value, recomputed: &Value) -> (Agreement, Vec<Differing>) {
    let none = Map::new();
    let (old, new) = (recorded.as_object().unwrap_or(&none), recomputed.as_object().unwrap_or(&none));
    let mut agreement = Agreement::Same;
    let mut differences = Vec::new();
    for (field, was) in old {
        let now = new.get(field).unwrap_or(&Value::Null);
        if was == now {
            continue;
        }
        let rounding =
            was.as_f64().zip(now.as_f64()).is_some_and(|(a, b)| (a - b).abs() <= ROUNDING * a.abs().max(b.abs()));
        if rounding {
            agreement = if agreement == Agreement::Same { Agreement::Rounding } else { agreement };
        } else {
            agreement = Agreement::Differs;
            differences.push(Differing { field: field.clone(), recorded: was.clone(), recomputed: now.clone() });
        }
    }
    (agreement, differences)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn fields_are_compared_one_by_one() {
        let a = json!({ "decision": "pass", "worst_margin_db": 3.25, "suspects": 2 });
        assert_eq!(difference(&a, &a), (Agreement::Same, Vec::new()));
        let mut b = a.clone();
        b["worst_margin_db"] = json!(3.25 * (1.0 + 1e-12));
        assert_eq!(difference(&a, &b).0, Agreement::Rounding);
        b["worst_margin_db"] = json!(3.26);
        b["added_later"] = json!(1);
        let (agreement, differences) = difference(&a, &b);
        assert_eq!((agreement, differences.len()), (Agreement::Differs, 1));
        assert_eq!((differences[0].field.as_str(), &differences[0].recomputed), ("worst_margin_db", &json!(3.26)));
        b["decision"] = Value::Null;
        assert_eq!(difference(&a, &b).1.len(), 2);
    }
}
