//! The record of a logged immunity run in the terminal.

use std::path::{Path, PathBuf};

use clap::Args;
use project::Project;
use serde_json::json;
use workbench::log::logged_run;
use workbench::log_evidence::{facts, moment, result_words, telling, times};

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

/// `hushfield log DIR RUN`.
#[derive(Debug, Args)]
pub(crate) struct LogArgs {
    /// The project's folder
    dir: PathBuf,
    /// The run; all logged runs are listed where it is left out
    run: Option<String>,
}

pub(crate) fn log(show: Show, a: &LogArgs) -> Result<Outcome, Failure> {
    match &a.run {
        Some(run) => log_shown(show, &a.dir, run),
        None => list(show, &a.dir),
    }
}

fn list(show: Show, dir: &Path) -> Result<Outcome, Failure> {
    let project = Project::open(dir)?;
    let mut rows = Vec::new();
    let mut documents = Vec::new();
    for id in project.logged_runs()? {
        let (run, log) = logged_run(&project, &id)?;
        let record = log.record();
        let state = if run.withdrawn.is_some() {
            "withdrawn"
        } else if run.result().is_none() {
            "open"
        } else if project.late_entries(&id)? > 0 {
            "close again"
        } else {
            "closed"
        };
        documents.push(json!({
            "run": id, "title": run.record.title, "measured_at": run.record.measured_at, "state": state,
            "decision": record.decision, "sentence": record.sentence, "steps": record.steps.len(), "steps_done": record.done,
            "steps_left_out": record.skipped,
        }));
        let done = format!("{} of {}", record.done, record.steps.len());
        rows.push(vec![id, run.record.title, moment(run.record.measured_at), state.to_owned(), done, record.sentence]);
    }
    if show.json {
        print::json(&json!({ "runs": documents }))?;
    } else if rows.is_empty() {
        print::text("No immunity run was logged yet: `hushfield serve` begins one, on its page Log.\n")?;
    } else {
        print::text(&print::table(&["run", "title", "begun", "log", "steps", "verdict"], rows, &[]))?;
    }
    Ok(Outcome::Done)
}

/// One record. Exit code 1 where it is open or its verdict is not a pass.
pub(crate) fn log_shown(show: Show, dir: &Path, id: &str) -> Result<Outcome, Failure> {
    let project = Project::open(dir)?;
    let (run, log) = logged_run(&project, id)?;
    let record = log.record();
    let findings = project.check_run(id)?;
    let closed = run.result().is_some();
    if show.json {
        print::json(&json!({
            "run": run,
            "closed": closed,
            "late_entries": project.late_entries(id)?,
            "start": {
                "monitoring": log.sheet.monitoring,
                "required_criterion": log.sheet.required,
                "criteria": log.sheet.criteria,
                "climate": log.climate(),
                "present": log.sheet.present,
                "cautions_acknowledged": log.sheet.acknowledged,
                "acknowledged_by": log.sheet.acknowledged_by,
            },
            "record": record,
            "entries": log.entries,
            "seal": project.seal()?,
            "findings": findings,
        }))?;
    } else {
        let mut text = format!("{}  {}\n", run.id(), run.record.title);
        text +=
            &if closed { format!("{}\n", record.sentence) } else { format!("The log is open: {}\n", record.sentence) };
        if let Some(withdrawn) = &run.withdrawn {
            text += &format!("Withdrawn: {}\n", withdrawn.reason);
        }
        text.push('\n');
        for (name, value) in facts(&project, &run, &log, &record)? {
            text += &format!("{name}: {value}\n");
        }
        for caution in &record.sheet.cautions {
            text += &format!("Caution: {caution}\n");
        }
        text.push('\n');
        let rows = record
            .steps
            .iter()
            .map(|s| {
                vec![
                    s.step.id.clone(),
                    s.step.words(),
                    format!("{} of {}", s.stimuli, s.step.count),
                    result_words(s),
                    times(s),
                    s.who.join(", "),
                    s.seen.iter().chain(&s.deviations).cloned().collect::<Vec<_>>().join("; "),
                ]
            })
            .collect();
        text +=
            &print::table(&["step", "what", "given", "result", "when (UTC)", "who", "seen, deviations"], rows, &[2]);
        let telling = telling(&log);
        if !telling.is_empty() {
            text.push('\n');
            let rows = telling.into_iter().map(Vec::from).collect();
            text += &print::table(&["when (UTC)", "who", "what", "in words"], rows, &[]);
        }
        for f in &findings {
            text += &format!("{}: {}\n", crate::project_commands::severity(f.severity), f.what);
        }
        let seal = project.seal()?;
        text += &format!(
            "\n{} entries; the ledger's seal at entry {} is {}.\n",
            log.entries.len(),
            seal.revision,
            seal.hash
        );
        print::text(&text)?;
    }
    Ok(if closed && record.decision == "pass" { Outcome::Done } else { Outcome::NotAPass })
}
