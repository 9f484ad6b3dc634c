//! Runs of a project that are recordings of the mains: kept raw, measured, judged, and computed again from the raw file.

use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use mains::assess::{Basis, FlickerAssessment, FlickerJob, assess_flicker};
use mains::flicker::Lamp;
use mains::harmonics::HarmonicVerdict;
use mains::voltage_change::Impedance;
use project::{CaptureUse, NewRun, Project, Run, RunKind};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::mains_quality::{HarmonicRules, HarmonicsResult, MainsChoices, Needs, measure_harmonics, open_mains};
use crate::run::moment;
use crate::{OnStage, Stage, VERSION, WorkError};

/// The caution that belongs to every recording of the mains.
pub const PROBING_CAUTION: &str = "The ground clip of an earthed oscilloscope's probe short-circuits the mains when it \
touches the line, and an unearthed oscilloscope puts its case there. Use a differential or isolating probe rated for the \
voltage and category, and a clamp or isolated current probe; an isolating transformer does not make a probe's ground clip \
safe to move. Fit connections with the supply off, have them made by someone licensed, and follow your local code.";

/// How a recording is assessed for flicker and voltage change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FlickerChoices {
    /// Lamp of the weighting.
    pub lamp: Lamp,
    /// `plain`, `switched` or `attended`.
    pub equipment: String,
    /// Take the current on the reference impedance behind a clean supply rather than the recorded voltage.
    pub from_current: bool,
}

/// What is kept in the ledger of how a recording is measured and judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MainsJob {
    /// How it is read.
    pub reading: MainsChoices,
    /// Rules for the harmonic currents; none where they are not asked for.
    pub harmonics: Option<HarmonicRules>,
    /// Flicker and voltage change; none where they are not asked for.
    pub flicker: Option<FlickerChoices>,
}

/// What a person says of a recording of the mains that is to be kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MainsRunRequest {
    /// Title; one is written from the file's name where it is empty.
    pub title: String,
    /// Port of the product by its id; the product's mains port where it is not said and there is only one.
    pub port: Option<String>,
    /// Sample by its id.
    pub sample: Option<String>,
    /// Modification state by its id.
    pub state: Option<String>,
    /// Operating mode.
    pub mode: Option<String>,
    /// Set-up in words.
    pub set_up: String,
    /// Equipment by id.
    pub equipment: Vec<String>,
    /// Observations.
    pub notes: String,
    /// When it was measured (RFC 3339 or `YYYY-MM-DD`); now where it is not said.
    pub measured_at: Option<String>,
    /// What is measured.
    pub job: MainsJob,
}

/// A recording measured and judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MainsResults {
    /// Harmonic currents.
    pub harmonics: Option<HarmonicsResult>,
    /// Flicker and voltage change.
    pub flicker: Option<FlickerAssessment>,
}

/// A run computed again from its raw file.
#[derive(Debug, Clone, PartialEq)]
pub struct MainsEvaluation {
    /// The run.
    pub run: Run,
    /// What was asked for.
    pub job: MainsJob,
    /// The results.
    pub results: MainsResults,
}

/// Whether a run is a recording of the mains.
pub fn is_mains_run(run: &Run) -> bool {
    run.record.captures.first().is_some_and(|c| c.choices.get("mains_job").is_some())
}

/// Measures a recording as asked.
pub fn measure_mains(
    path: &Path,
    name: &str,
    job: &MainsJob,
    on_stage: &mut OnStage<'_>,
) -> Result<MainsResults, WorkError> {
    let harmonics = match &job.harmonics {
        Some(rules) => Some(measure_harmonics(path, name, &job.reading, rules, on_stage)?),
        None => None,
    };
    let flicker = match &job.flicker {
        Some(f) => {
            let needs = if f.from_current { Needs::Current } else { Needs::Voltage };
            let mut record = open_mains(path, name, &job.reading, needs)?;
            let total = record.capture.info().frames;
            let basis = if f.from_current {
                Basis::Current { impedance: Impedance::reference(), lag_deg: 0.0 }
            } else {
                Basis::Voltage
            };
            let flicker_job = FlickerJob {
                setup: record.setup,
                lamp: f.lamp,
                nominal_v: job.reading.rated_v,
                basis,
                equipment: f.equipment.clone(),
                manual_switching: false,
            };
            let assessed = assess_flicker(&mut record.capture, &flicker_job, &mut |done| {
                on_stage(&Stage { what: "flicker", fraction: total.map(|t| done as f64 / t.max(1) as f64) })
            })
            .map_err(|source| WorkError::Mains { file: name.to_owned(), source })?;
            Some(assessed)
        }
        None => None,
    };
    Ok(MainsResults { harmonics, flicker })
}

/// Keeps a recording in the project, measures it, judges it and records run and result. Gives the run's id. Everything is
/// computed before anything is recorded.
pub fn add_mains_run(
    dir: &Path,
    path: &Path,
    name: &str,
    request: &MainsRunRequest,
    on_stage: &mut OnStage<'_>,
) -> Result<String, WorkError> {
    if request.job.harmonics.is_none() && request.job.flicker.is_none() {
        return Err(WorkError::input("run", "nothing to measure", "harmonics, flicker, or both"));
    }
    let mut project = Project::open(dir)?;
    let ports = project.product()?.product.ports;
    let port = match &request.port {
        Some(id) if ports.iter().any(|p| &p.id == id) => Some(id.clone()),
        Some(id) => {
            let known: Vec<&str> = ports.iter().map(|p| p.id.as_str()).collect();
            return Err(WorkError::input(
                "port",
                format!("`{id}` is no port of product.toml"),
                format!("one of {}", known.join(", ")),
            ));
        }
        None => {
            let mut mains = ports.iter().filter(|p| p.kind == standards::Port::AcMains);
            let first = mains.next().map(|p| p.id.clone());
            if mains.next().is_some() { None } else { first }
        }
    };
    let measured_at = request.measured_at.as_deref().map(moment).transpose()?;
    // A mistake in the columns is found before a large file is copied.
    let needs = if request.job.harmonics.is_some() { Needs::Current } else { Needs::Voltage };
    drop(open_mains(path, name, &request.job.reading, needs)?);
    let capture = project.import_capture(path, &mut |done, total| {
        let fraction = (total > 0).then(|| done as f64 / total as f64);
        on_stage(&Stage { what: "keeping the raw file", fraction })
    })?;
    let results = kept_results(&project, &capture.id, &request.job, on_stage)?;
    if on_stage(&Stage { what: "recording", fraction: None }) == ControlFlow::Break(()) {
        return Err(WorkError::Cancelled);
    }
    let (kind, words) = match (&results.harmonics, &results.flicker) {
        (None, Some(_)) => (RunKind::Flicker, "Flicker"),
        (Some(_), Some(_)) => (RunKind::Harmonics, "Harmonic currents and flicker"),
        _ => (RunKind::Harmonics, "Harmonic currents"),
    };
    let title = match request.title.trim() {
        "" => format!("{words}, {name}"),
        said => said.to_owned(),
    };
    let mut run = NewRun::new(title, kind);
    run.port = port;
    run.sample.clone_from(&request.sample);
    run.state.clone_from(&request.state);
    run.mode.clone_from(&request.mode);
    run.setup.clone_from(&request.set_up);
    run.equipment.clone_from(&request.equipment);
    run.notes.clone_from(&request.notes);
    run.measured_at = measured_at;
    let job =
        serde_json::to_value(&request.job).map_err(|e| WorkError::Ours(format!("choices could not be kept: {e}")))?;
    run.captures =
        vec![CaptureUse { capture: capture.id, role: "record".to_owned(), choices: json!({ "mains_job": job }) }];
    let id = project.add_run(run)?;
    project.add_result(&id, mains_summary(&results), json!({ "hushfield": VERSION }))?;
    Ok(id)
}

/// What the ledger keeps of the results.
pub(crate) fn mains_summary(r: &MainsResults) -> Value {
    let mut decisions = Vec::new();
    let mut sentences = Vec::new();
    if let Some(h) = &r.harmonics {
        decisions.push(match h.judgement.verdict {
            HarmonicVerdict::Pass | HarmonicVerdict::NoLimits => "pass",
            HarmonicVerdict::Fail => "fail",
            HarmonicVerdict::Unreliable => "inconclusive",
        });
        sentences.push(format!("Harmonics: {}", h.judgement.sentence));
    }
    if let Some(f) = &r.flicker {
        decisions.push(match (f.verdict.passes, f.verdict.complete) {
            (false, _) => "fail",
            (true, true) => "pass",
            (true, false) => "inconclusive",
        });
        sentences.push(format!("Flicker: {}", f.verdict.sentence));
    }
    let decision = ["fail", "inconclusive", "pass"].into_iter().find(|d| decisions.contains(d));
    json!({
        "decision": decision,
        "sentence": sentences.join(" "),
        "thd_percent": r.harmonics.as_ref().map(|h| h.judgement.thd_percent),
        "pst": r.flicker.as_ref().map(|f| f.flicker.pst),
    })
}

/// The results of a raw file of the project, from `derived/` where they are there. The name is made of everything that can
/// change the result: content, choices, version.
fn kept_results(
    project: &Project,
    capture: &str,
    job: &MainsJob,
    on_stage: &mut OnStage<'_>,
) -> Result<MainsResults, WorkError> {
    let cache = kept_mains_path(project, capture, job)?;
    if let Ok(text) = fs::read(&cache)
        && let Ok(results) = serde_json::from_slice(&text)
    {
        return Ok(results);
    }
    let (kept, path) = (project.capture(capture)?, project.capture_path(capture)?);
    let results = measure_mains(&path, &kept.file.original_name, job, on_stage)?;
    // A folder that cannot be written must not keep anyone from reading.
    if let Ok(text) = serde_json::to_vec(&results) {
        let fresh = cache.with_extension("new");
        if fs::write(&fresh, text).and_then(|()| fs::rename(&fresh, &cache)).is_err() {
            let _ = fs::remove_file(&fresh);
        }
    }
    Ok(results)
}

/// Where the results of a raw file of the project are kept for this job.
pub(crate) fn kept_mains_path(project: &Project, capture: &str, job: &MainsJob) -> Result<PathBuf, WorkError> {
    let kept = project.capture(capture)?;
    let job_text =
        serde_json::to_string(job).map_err(|e| WorkError::Ours(format!("choices could not be written: {e}")))?;
    let companion = kept.companion.as_ref().map_or("", |c| c.blake3.as_str());
    let key = format!("{VERSION} {} {companion} {job_text}", kept.file.blake3);
    Ok(project.derived_dir()?.join(format!("mains-{}.json", &blake3::hash(key.as_bytes()).to_hex()[..32])))
}

/// Computes a mains run of a project again from its raw file.
pub fn evaluate_mains(dir: &Path, run: &str, on_stage: &mut OnStage<'_>) -> Result<MainsEvaluation, WorkError> {
    let project = Project::open(dir)?;
    let run = project.run(run)?;
    evaluate_mains_run(&project, run, on_stage)
}

pub(crate) fn evaluate_mains_run(
    project: &Project,
    run: Run,
    on_stage: &mut OnStage<'_>,
) -> Result<MainsEvaluation, WorkError> {
    let (capture, job) = job_of(&run)?;
    let results = kept_results(project, &capture, &job, on_stage)?;
    Ok(MainsEvaluation { run, job, results })
}

/// The recording of a mains run and what was asked of it.
pub(crate) fn job_of(run: &Run) -> Result<(String, MainsJob), WorkError> {
    let place = format!("run {}", run.record.id);
    let used = run.record.captures.first().ok_or_else(|| {
        WorkError::input(place.as_str(), "no raw file belongs to it", "a run with a recording of the mains")
    })?;
    let kept = used.choices.get("mains_job").cloned().ok_or_else(|| {
        WorkError::input(place.as_str(), "it is no recording of the mains", "a run of harmonics or flicker")
    })?;
    let job: MainsJob = serde_json::from_value(kept)
        .map_err(|e| WorkError::input(place.as_str(), format!("its choices: {e}"), "choices this version knows"))?;
    Ok((used.capture.clone(), job))
}
