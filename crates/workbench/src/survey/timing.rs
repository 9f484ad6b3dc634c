//! Two stages for a run of a project.

use std::path::Path;

use emission::stages::{FinalList, Rhythm, Survey, SurveyError, SurveyOptions, conclude, rhythm, survey};
use emission::{JudgeOptions, Trace};
use formats::timeline_file::TimelineTable;
use project::Project;
use standards::Limit;

use crate::evaluate::KeptChoices;
use crate::watch::run_timeline;
use crate::{Evaluation, OnStage, WorkError, evaluate};

/// The rhythm of a survey's time structure between two frequencies; nothing where it has no cell there.
pub fn rhythm_of(table: &TimelineTable, from_hz: f64, to_hz: f64) -> Option<Rhythm> {
    let axes = &table.axes;
    let columns = axes.from_hz.len();
    let cells: Vec<usize> = (0..columns).filter(|&c| axes.from_hz[c] <= to_hz && axes.to_hz[c] >= from_hz).collect();
    // Between two cells: the nearer one.
    let cells = if cells.is_empty() {
        let near = (0..columns).min_by(|&a, &b| {
            let off = |c: usize| (axes.from_hz[c] - from_hz).abs().min((axes.to_hz[c] - from_hz).abs());
            off(a).total_cmp(&off(b))
        })?;
        let inside =
            axes.from_hz.first().is_some_and(|f| from_hz >= *f) && axes.to_hz.last().is_some_and(|t| to_hz <= *t);
        if !inside {
            return None;
        }
        vec![near]
    } else {
        cells
    };
    let levels: Vec<f64> = (0..axes.times)
        .map(|t| cells.iter().map(|c| f64::from(table.level_dbuv[t * columns + c])).fold(f64::NAN, f64::max))
        .collect();
    rhythm(&levels, axes.step_s)
}

/// A run's survey, and the final list where a final run is named.
#[derive(Debug, Clone)]
pub struct SurveyOfRun {
    /// The run.
    pub evaluation: Evaluation,
    /// What follows from it.
    pub survey: Survey,
    /// After the final measurement.
    pub conclusion: Option<FinalList>,
}

/// Chooses the suspects of a run and, where final runs are named, concludes. The run's own limits are taken where none are
/// given.
pub fn survey_of_run(
    dir: &Path,
    run: &str,
    finals: &[String],
    limits: &[Limit],
    options: &SurveyOptions,
    on_stage: &mut OnStage<'_>,
) -> Result<SurveyOfRun, WorkError> {
    let evaluation = evaluate(dir, run, on_stage)?;
    let used: Vec<Limit> = if limits.is_empty() { evaluation.judged.limits.clone() } else { limits.to_vec() };
    if used.is_empty() {
        return Err(WorkError::input(
            format!("run {run}"),
            "no limit belongs to it",
            "a run with limits, or --limit ID",
        ));
    }
    let refs: Vec<&Limit> = used.iter().collect();
    let timeline = run_timeline(dir, run, on_stage)?;
    let kept = kept_judging(&evaluation)?;
    let options = SurveyOptions {
        judging: JudgeOptions {
            uncertainty_db: options.judging.uncertainty_db.or(kept.uncertainty_db),
            assume_detector: options.judging.assume_detector.or(kept.assume_detector),
            ..options.judging.clone()
        },
        ..options.clone()
    };
    let chosen = survey(&evaluation.judged.trace, &refs, &options, &|from, to| {
        timeline.as_ref().and_then(|t| rhythm_of(t, from, to))
    })
    .map_err(of_survey)?;
    let conclusion = if finals.is_empty() {
        None
    } else {
        let mut traces: Vec<Trace> = Vec::new();
        for id in finals {
            traces.push(evaluate(dir, id, on_stage)?.judged.trace);
        }
        Some(conclude(&chosen, &refs, &traces.iter().collect::<Vec<_>>(), options.within_db))
    };
    Ok(SurveyOfRun { evaluation, survey: chosen, conclusion })
}

fn kept_judging(evaluation: &Evaluation) -> Result<JudgeOptions, WorkError> {
    let record = &evaluation.run.record;
    match record.captures.first() {
        Some(used) => Ok(KeptChoices::of(&record.id, &used.choices)?.judging.options()),
        None => Ok(JudgeOptions::default()),
    }
}

pub(crate) fn of_survey(error: SurveyError) -> WorkError {
    match error {
        SurveyError::Judge(e) => e.into(),
        SurveyError::Option { field, what, expected } => WorkError::input(field, what, expected),
    }
}

/// The project's limits by id.
pub(crate) fn limits_by_id(project: &Project, ids: &[String]) -> Result<Vec<Limit>, WorkError> {
    crate::limits_of(&project.limits()?, ids)
}
