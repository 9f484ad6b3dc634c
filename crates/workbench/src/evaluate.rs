use std::fs;
use std::path::{Path, PathBuf};

use emission::{Applied, Chain, Gap, JudgeOptions, Trace, Verdict, judge};
use formats::chain_file::read_chain;
use formats::timeline_file::write_timeline;
use formats::trace_file::{read_trace, write_trace};
use project::{PinnedLimit, Project, Run};
use quantity::{AtStep, LogTable};
use standards::{Budget, Detector, Known, Limit, LimitLibrary, Port};

use crate::raw::{RawKind, ReadingChoices, levels};
use crate::watch::measure_channels;
use crate::{OnStage, VERSION, WorkError};

/// A trace held against limits.
#[derive(Debug, Clone)]
pub struct Judged {
    /// The levels at the product: the chain is in them.
    pub trace: Trace,
    /// Where the chain is not known.
    pub gaps: Vec<Gap>,
    /// The verdict; none where no limit was named.
    pub verdict: Option<Verdict>,
    /// The limits, in the order asked for.
    pub limits: Vec<Limit>,
}

/// A run computed again from its raw file.
#[derive(Debug, Clone)]
pub struct Evaluation {
    /// The run.
    pub run: Run,
    /// The levels as they stood at the receiver input.
    pub measured: Trace,
    /// The chain, where one was used.
    pub chain: Option<Chain>,
    /// Trace, margins and verdict.
    pub judged: Judged,
    /// What keeps it from being judged, where something does (the levels then still stand).
    pub problem: Option<String>,
}

/// A run's limits as they stood when it was recorded.
///
/// # Errors
/// A limit of an old run without kept points that the library no longer has; kept points that make no table.
pub(crate) fn limits_then(library: &LimitLibrary, run: &Run) -> Result<Vec<Limit>, WorkError> {
    run.record
        .limits
        .iter()
        .map(|id| {
            let today = library.get(id);
            let Some(pinned) = run.record.pinned_limits.iter().find(|p| &p.id == id) else {
                return Ok(limits_of(library, std::slice::from_ref(id))?.remove(0));
            };
            if let Some(today) = today.filter(|t| &PinnedLimit::of(t) == pinned) {
                return Ok(today.clone());
            }
            // The lower of two levels holds at a step, as in every published limit.
            let level = LogTable::new(pinned.points.clone(), pinned.interpolation, AtStep::Lower).map_err(|e| {
                WorkError::input(format!("run {}", run.id()), format!("its limit {id}: {e}"), "points of a limit")
            })?;
            Ok(Limit {
                id: id.clone(),
                standard: pinned.standard.clone(),
                table: today.map_or_else(String::new, |t| t.table.clone()),
                title: today.map_or_else(|| id.clone(), |t| t.title.clone()),
                class: today.and_then(|t| t.class.clone()),
                port: today.map_or(Port::Enclosure, |t| t.port),
                detector: pinned.detector,
                unit: pinned.unit,
                distance_m: pinned.distance_m,
                level,
                source: "the run that used it".to_owned(),
                known: Known::User,
                note: None,
            })
        })
        .collect()
}

/// Finds limits by id.
pub fn limits_of(library: &LimitLibrary, ids: &[String]) -> Result<Vec<Limit>, WorkError> {
    ids.iter()
        .map(|id| {
            library.get(id).cloned().ok_or_else(|| {
                let mut near: Vec<&str> = library.all().iter().map(|l| l.id.as_str()).collect();
                let start: String = id.chars().take_while(|c| *c != '-').collect();
                near.retain(|n| n.starts_with(&start));
                near.truncate(8);
                let hint = if near.is_empty() { String::new() } else { format!(", e.g. {}", near.join(", ")) };
                WorkError::input(
                    "limit",
                    format!("`{id}` is not in the library"),
                    format!("an id that `hushfield limits` lists{hint}"),
                )
            })
        })
        .collect()
}

/// Puts the chain on and holds the result against the limits.
pub fn judge_trace(
    measured: &Trace,
    chain: Option<&Chain>,
    limits: Vec<Limit>,
    options: &JudgeOptions,
) -> Result<Judged, WorkError> {
    let Applied { trace, gaps } = match chain {
        Some(c) => c.apply(measured)?,
        None => Applied { trace: measured.clone(), gaps: Vec::new() },
    };
    let verdict =
        if limits.is_empty() { None } else { Some(judge(&trace, &limits.iter().collect::<Vec<_>>(), options)?) };
    Ok(Judged { trace, gaps, verdict, limits })
}

/// The choices that go with a run's judgement, kept in the ledger beside the reading choices.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub(crate) struct JudgingChoices {
    pub(crate) uncertainty_db: Option<f64>,
    /// As it stood then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) budget: Option<Budget>,
    pub(crate) assume_detector: Option<Detector>,
}

impl KeptChoices {
    /// The choices of a run as the ledger keeps them.
    pub(crate) fn of(run: &str, kept: &serde_json::Value) -> Result<Self, WorkError> {
        serde_json::from_value(kept.clone()).map_err(|e| {
            WorkError::input(format!("run {run}"), format!("its reading choices: {e}"), "choices this version knows")
        })
    }
}

impl JudgingChoices {
    pub(crate) fn options(&self) -> JudgeOptions {
        JudgeOptions {
            uncertainty_db: self.uncertainty_db,
            budget: self.budget.clone(),
            assume_detector: self.assume_detector,
            ..JudgeOptions::default()
        }
    }
}

/// What the ledger keeps of how a raw file is read and judged.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub(crate) struct KeptChoices {
    #[serde(flatten)]
    pub(crate) reading: ReadingChoices,
    pub(crate) judging: JudgingChoices,
}

/// Changes whenever derived files of earlier versions lack something.
const KEPT_SHAPE: u32 = 2;

/// The levels of a raw file of the project, from the cache where they are there.
///
/// The cache's name is made of everything that can change the result: content, choices, version. It is always read back,
/// so that the first and every later evaluation work on the same rounded numbers.
pub(crate) fn kept_levels(
    project: &Project,
    capture: &str,
    choices: &ReadingChoices,
    on_stage: &mut OnStage<'_>,
) -> Result<Trace, WorkError> {
    let cache = kept_trace_path(project, capture, choices)?;
    if cache.is_file()
        && let Ok((trace, _)) = read_trace(&cache)
    {
        return Ok(trace);
    }
    levels_into(project, capture, choices, &cache, on_stage)
}

/// Measures a raw file of the project and writes levels and time structure at `file`; the levels are those read back from
/// there. What cannot be written there is given as measured.
pub(crate) fn levels_into(
    project: &Project,
    capture: &str,
    choices: &ReadingChoices,
    file: &Path,
    on_stage: &mut OnStage<'_>,
) -> Result<Trace, WorkError> {
    let kept = project.capture(capture)?;
    let path = project.capture_path(capture)?;
    let name = &kept.file.original_name;
    let (trace, timeline) = if choices.kind == Some(RawKind::Capture) {
        let channel = choices.receive.channel.unwrap_or(1);
        let measured = measure_channels(&path, name, choices, &[channel], true, on_stage)?.pop();
        let measured = measured.ok_or_else(|| WorkError::Ours("a channel gave no levels".to_owned()))?;
        (measured.trace, measured.timeline)
    } else {
        (levels(&path, name, choices, on_stage)?, None)
    };
    if trace.unit.is_none() {
        return Ok(trace);
    }
    // The time structure first: where the trace is there, what belongs to it is there too.
    let written = timeline.map_or(Ok(()), |t| write_timeline(file, &t)).and_then(|()| write_trace(file, &trace, None));
    if written.is_err() {
        // A folder that cannot be written must not keep anyone from reading.
        let _ = fs::remove_file(file);
        return Ok(trace);
    }
    Ok(read_trace(file).map_or(trace, |(read, _)| read))
}

/// Where the levels of a raw file of the project are kept for these choices.
pub(crate) fn kept_trace_path(
    project: &Project,
    capture: &str,
    choices: &ReadingChoices,
) -> Result<PathBuf, WorkError> {
    let kept = project.capture(capture)?;
    let key = format!(
        "{VERSION} {KEPT_SHAPE} {} {} {}",
        kept.file.blake3,
        kept.companion.as_ref().map_or("", |c| c.blake3.as_str()),
        serde_json::to_string(choices).map_err(|e| WorkError::Ours(format!("choices could not be written: {e}")))?
    );
    Ok(project.derived_dir()?.join(format!("trace-{}.csv", &blake3::hash(key.as_bytes()).to_hex()[..32])))
}

/// The chain as it stands in the project's folder.
pub(crate) fn chain_of(project: &Project, name: &str) -> Result<Chain, WorkError> {
    let file = project.chain(name)?;
    Ok(read_chain(&file.path)?)
}

/// The chain of a run as the ledger keeps it: a chain or a table edited since does not change an old verdict; the check
/// names the edit.
pub(crate) fn read_run_chain(project: &Project, run: &str) -> Result<Option<Chain>, WorkError> {
    Ok(project.run_chain_path(run)?.map(|path| read_chain(&path)).transpose()?)
}

/// Computes a run of a project again: levels from its raw file, the chain as it stood then, its limits.
pub fn evaluate(dir: &Path, run: &str, on_stage: &mut OnStage<'_>) -> Result<Evaluation, WorkError> {
    let project = Project::open(dir)?;
    let run = project.run(run)?;
    evaluate_run(&project, run, on_stage)
}

pub(crate) fn evaluate_run(project: &Project, run: Run, on_stage: &mut OnStage<'_>) -> Result<Evaluation, WorkError> {
    evaluate_run_with(project, run, None, on_stage)
}

/// The same for a stretch of the run's capture only, s after its first frame.
pub(crate) fn evaluate_run_with(
    project: &Project,
    run: Run,
    span_s: Option<[f64; 2]>,
    on_stage: &mut OnStage<'_>,
) -> Result<Evaluation, WorkError> {
    let used = run.record.captures.first().ok_or_else(|| {
        WorkError::input(
            format!("run {}", run.record.id),
            "no raw file belongs to it",
            "a run with a sweep or a capture",
        )
    })?;
    let mut kept = KeptChoices::of(&run.record.id, &used.choices)?;
    if span_s.is_some() {
        kept.reading.capture.span_s = span_s;
    }
    let measured = kept_levels(project, &used.capture, &kept.reading, on_stage)?;
    let chain = read_run_chain(project, run.id())?;
    let limits = limits_of(&project.limits()?, &run.record.limits)?;
    match judge_trace(&measured, chain.as_ref(), limits.clone(), &kept.judging.options()) {
        Ok(judged) => Ok(Evaluation { run, measured, chain, judged, problem: None }),
        Err(why) => {
            // Levels that cannot be judged (another unit, no common range) are still worth looking at.
            let judged = judge_trace(&measured, None, Vec::new(), &kept.judging.options())?;
            Ok(Evaluation { run, measured, chain, judged: Judged { limits, ..judged }, problem: Some(why.to_string()) })
        }
    }
}
