use std::ops::ControlFlow;
use std::path::Path;

use emission::Verdict;
use project::{CaptureUse, NewRun, Place, Project, RunKind};
use quantity::Unit;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use standards::{Detector, Port};

use crate::evaluate::{JudgingChoices, KeptChoices, chain_of, judge_trace, kept_levels, limits_of};
use crate::raw::{ReadingChoices, understand};
use crate::{OnStage, RawKind, Stage, Understanding, VERSION, WorkError};

/// What a person says of a measurement that is to be kept.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct RunRequest {
    /// Title; one is written from port, conductor and file where it is empty.
    pub title: String,
    /// Port of the product by its id.
    pub port: Option<String>,
    /// Sample by its id.
    pub sample: Option<String>,
    /// Modification state by its id.
    pub state: Option<String>,
    /// Operating mode.
    pub mode: Option<String>,
    /// Conductor or position.
    pub conductor: Option<String>,
    /// Angle, height, polarisation, distance, laboratory.
    pub place: Place,
    /// Set-up in words.
    pub set_up: String,
    /// Limits by id.
    pub limits: Vec<String>,
    /// Chain by its name in `chains/`, with or without `.toml`.
    pub chain: Option<String>,
    /// Equipment by id.
    pub equipment: Vec<String>,
    /// Observations.
    pub notes: String,
    /// When it was measured (RFC 3339 or `YYYY-MM-DD`); now where it is not said.
    pub measured_at: Option<String>,
    /// How the raw file is to be read.
    pub choices: ReadingChoices,
    /// Expanded uncertainty of the set-up (k = 2), dB.
    pub uncertainty_db: Option<f64>,
    /// Budget of the set-up instead of one figure.
    pub budget: Option<standards::Budget>,
    /// The detector of columns that do not say theirs.
    pub assume_detector: Option<Detector>,
}

/// Keeps a raw file in the project, measures it, judges it and records run and result. Gives the run's id.
///
/// Everything is computed before anything is recorded: where a step fails or the person stops it, the ledger is as it
/// was. (The copy of the raw file may stay in `captures/`, where it does no harm and is found again by its content.)
pub fn add_run(
    dir: &Path,
    path: &Path,
    name: &str,
    request: &RunRequest,
    on_stage: &mut OnStage<'_>,
) -> Result<String, WorkError> {
    let mut project = Project::open(dir)?;
    let product = project.product()?.product;
    let port = match &request.port {
        None => None,
        Some(id) => Some(product.ports.iter().find(|p| &p.id == id).ok_or_else(|| {
            let known: Vec<&str> = product.ports.iter().map(|p| p.id.as_str()).collect();
            WorkError::input(
                "port",
                format!("`{id}` is no port of product.toml"),
                format!("one of {}", known.join(", ")),
            )
        })?),
    };
    let limits = limits_of(&project.limits()?, &request.limits)?;
    let chain_name = request.chain.as_deref().map(|c| c.strip_suffix(".toml").unwrap_or(c).to_owned());
    let chain = chain_name.as_deref().map(|c| chain_of(&project, c)).transpose()?;
    let understood = understand(path, name, &request.choices)?;
    let (role, kind_of_file) = match understood {
        Understanding::Sweep(_) => ("sweep", RawKind::Sweep),
        Understanding::Capture(_) => ("record", RawKind::Capture),
    };
    let measured_at = request.measured_at.as_deref().map(moment).transpose()?;

    let capture = project.import_capture(path, &mut |done, total| {
        let fraction = (total > 0).then(|| done as f64 / total as f64);
        on_stage(&Stage { what: "keeping the raw file", fraction })
    })?;
    let mut reading = ReadingChoices { kind: Some(kind_of_file), ..request.choices.clone() };
    if let (RawKind::Capture, Some(band), None) = (kind_of_file, reading.receive.band, reading.receive.step_hz) {
        // An eighth of the bandwidth: no steady sine between two frequencies reads more than 0.1 dB low, so that what is
        // kept as evidence needs no second measurement at the maxima.
        reading.receive.step_hz = Some(band.bandwidth_hz() / 8.0);
    }
    let kept = KeptChoices {
        reading,
        judging: JudgingChoices {
            uncertainty_db: request.uncertainty_db,
            budget: request.budget.clone(),
            assume_detector: request.assume_detector,
        },
    };
    let measured = kept_levels(&project, &capture.id, &kept.reading, on_stage)?;
    let radiated = limits.iter().any(|l| matches!(l.unit, Unit::DbUvPerM | Unit::DbUaPerM))
        || port.is_some_and(|p| p.kind == Port::Enclosure);
    let judged = judge_trace(&measured, chain.as_ref(), limits, &kept.judging.options())?;
    if on_stage(&Stage { what: "recording", fraction: None }) == ControlFlow::Break(()) {
        return Err(WorkError::Cancelled);
    }

    let title = if request.title.trim().is_empty() {
        let place = port.map_or("", |p| p.name.as_str());
        [place, request.conductor.as_deref().unwrap_or_default(), &request.place.words(), name]
            .into_iter()
            .filter(|w| !w.is_empty())
            .collect::<Vec<_>>()
            .join(", ")
    } else {
        request.title.trim().to_owned()
    };
    let mut run = NewRun::new(title, if radiated { RunKind::RadiatedEmission } else { RunKind::ConductedEmission });
    run.port.clone_from(&request.port);
    run.sample.clone_from(&request.sample);
    run.state.clone_from(&request.state);
    run.mode.clone_from(&request.mode);
    run.setup.clone_from(&request.set_up);
    run.conductor.clone_from(&request.conductor);
    run.place.clone_from(&request.place);
    run.limits.clone_from(&request.limits);
    run.chain = chain_name;
    run.equipment.clone_from(&request.equipment);
    run.notes.clone_from(&request.notes);
    run.measured_at = measured_at;
    run.captures = vec![CaptureUse {
        capture: capture.id,
        role: role.to_owned(),
        choices: serde_json::to_value(&kept).map_err(|e| WorkError::Ours(format!("choices could not be kept: {e}")))?,
    }];
    let id = project.add_run(run)?;
    project.add_result(&id, summary(judged.verdict.as_ref()), json!({ "hushfield": VERSION }))?;
    Ok(id)
}

/// What the ledger keeps of a verdict: enough for lists, without the margins of every frequency.
pub(crate) fn summary(verdict: Option<&Verdict>) -> Value {
    let Some(v) = verdict else { return json!({ "decision": null, "sentence": "Not judged: no limit was named." }) };
    let number = |x: f64| if x.is_finite() { json!(x) } else { Value::Null };
    json!({
        "decision": v.decision,
        "sentence": v.sentence,
        "probability": number(v.probability),
        "worst_margin_db": number(v.worst_margin_db),
        "worst_frequency_hz": number(v.worst_frequency_hz),
        "worst_limit_id": v.worst_limit_id,
        "suspects": v.suspects.len(),
    })
}

pub(crate) fn moment(text: &str) -> Result<jiff::Timestamp, WorkError> {
    text.parse::<jiff::Timestamp>().or_else(|_| format!("{text}T12:00:00Z").parse()).map_err(|_| {
        WorkError::input("measured_at", format!("`{text}`"), "a date (2026-03-10) or a time (2026-03-10T09:30:00Z)")
    })
}
