//! Commands on a project.

use std::path::Path;

use project::{NewEquipment, NewSample, NewState, Project, Severity, Subject};
use serde_json::{Value, json};
use standards::Port;
use workbench::{RunRequest, add_run, evaluate, report_pdf, state_changes, write_demo};

use crate::args::{Add, AddRun};
use crate::choices;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, hz};
use crate::progress::Bar;
use crate::trace_commands::{judged_json, verdict_text};

pub(crate) fn new(show: Show, dir: &Path) -> Result<Outcome, Failure> {
    Project::create(dir)?;
    if show.json {
        print::json(&json!({ "project": dir.display().to_string() }))?;
    } else {
        print::text(&format!(
            "A project was started in {0}.\n\
             Next: describe the product, in the browser (hushfield serve {0}) or in {0}/product.toml; put what stands between\n\
             product and instrument in {0}/chains, and record a run:\n  hushfield run {0} RECORD --port PORT --limit ID --chain CHAIN --band B\n",
            dir.display()
        ))?;
    }
    Ok(Outcome::Done)
}

fn decision_word(result: Option<&Value>) -> &'static str {
    match result.and_then(|r| r["decision"].as_str()) {
        Some("pass") => "passes",
        Some("fail") => "exceeds",
        Some("inconclusive") => "open",
        _ => "not judged",
    }
}

/// A row for each run; those that belong together in one row, with the worst of them, unless all are asked for.
fn run_rows(project: &Project, all: bool) -> Result<Vec<Vec<String>>, Failure> {
    let runs = project.runs()?;
    let groups = if all { Vec::new() } else { workbench::run_groups(&runs) };
    let margin =
        |i: &usize| runs[*i].result().and_then(|s| s.summary["worst_margin_db"].as_f64()).unwrap_or(f64::INFINITY);
    let mut out = Vec::new();
    for (i, mut row) in rows_of(&runs).into_iter().enumerate() {
        let Some(group) = groups.iter().find(|g| g.members.contains(&i)) else {
            out.push(row);
            continue;
        };
        if group.members.first() != Some(&i) {
            continue;
        }
        let worst = group.members.iter().min_by(|a, b| margin(a).total_cmp(&margin(b))).copied().unwrap_or(i);
        if worst != i {
            row = rows_of(std::slice::from_ref(&runs[worst])).remove(0);
        }
        let last = group.members.last().copied().unwrap_or(i);
        row[0] = format!("{} to {}", runs[i].id(), runs[last].id());
        row[2] = format!("{}, highest of them", group.title);
        out.push(row);
    }
    Ok(out)
}

fn rows_of(runs: &[project::Run]) -> Vec<Vec<String>> {
    runs.iter()
        .map(|r| {
            let summary = r.result().map(|s| &s.summary);
            let margin =
                summary.and_then(|s| s["worst_margin_db"].as_f64()).map_or(String::new(), |m| format!("{m:+.1}"));
            let place = summary.and_then(|s| s["worst_frequency_hz"].as_f64()).map_or(String::new(), hz);
            vec![
                r.record.id.clone(),
                r.record.measured_at.strftime("%Y-%m-%d").to_string(),
                r.record.title.clone(),
                r.record.state.clone().unwrap_or_default(),
                if r.withdrawn.is_some() { "withdrawn" } else { decision_word(summary) }.to_owned(),
                margin,
                place,
            ]
        })
        .collect()
}

const RUN_HEADS: [&str; 7] = ["run", "measured", "title", "state", "verdict", "margin, dB", "at"];

pub(crate) fn demo(show: Show, dir: &Path) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let demo = write_demo(dir, &mut |s| bar.tell(s))?;
    let pdf = report_pdf(dir, None, &mut |s| bar.tell(s))?;
    let project = Project::open(dir)?;
    let report = project.write_file(Path::new("reports/evidence.pdf"), &pdf)?;
    drop(bar);
    if show.json {
        print::json(&json!({
            "project": dir.display().to_string(),
            "runs": demo.runs.iter().map(|id| {
                let run = project.run(id).ok();
                json!({ "id": id, "title": run.as_ref().map(|r| r.record.title.clone()),
                        "result": run.and_then(|r| r.result().map(|s| s.summary.clone())) })
            }).collect::<Vec<_>>(),
            "report": report.display().to_string(),
            "report_bytes": pdf.len(),
        }))?;
        return Ok(Outcome::Done);
    }
    let name = project.product()?.product.name;
    let mut text = format!("{name}: the demonstration project in {}\n\n", dir.display());
    text.push_str(&print::table(&RUN_HEADS, run_rows(&project, false)?, &[5, 6]));
    let runs = project.runs()?;
    let groups = workbench::run_groups(&runs);
    for (i, run) in runs.iter().enumerate().filter(|(_, r)| demo.runs.iter().any(|id| id == r.id())) {
        if groups.iter().any(|g| g.members.contains(&i)) {
            continue;
        }
        let id = run.id();
        if let Some(sentence) = run.result().and_then(|r| r.summary["sentence"].as_str()) {
            text.push_str(&format!("{id}  {sentence}\n"));
        }
    }
    text.push_str(&format!(
        "\nThe evidence: {} ({} kB)\nIn the browser: hushfield serve {}\n",
        report.display(),
        pdf.len() / 1024,
        dir.display()
    ));
    print::text(&text)?;
    Ok(Outcome::Done)
}

pub(crate) fn run(show: Show, a: &AddRun) -> Result<Outcome, Failure> {
    let judging = choices::judging(&a.judging)?;
    let request = RunRequest {
        title: a.title.clone().unwrap_or_default(),
        port: a.port.clone(),
        sample: a.sample.clone(),
        state: a.state.clone(),
        mode: a.mode.clone(),
        conductor: a.conductor.clone(),
        place: choices::place(&a.place),
        set_up: a.set_up.clone().unwrap_or_default(),
        limits: a.limits.clone(),
        chain: a.chain.clone(),
        equipment: a.equipment.clone(),
        notes: String::new(),
        measured_at: None,
        choices: choices::reading(a.band, &a.scan, &a.capture, &a.sweep)?,
        uncertainty_db: judging.uncertainty_db,
        budget: judging.budget,
        assume_detector: judging.assume_detector,
    };
    let mains = Project::open(&a.dir)?
        .product()?
        .product
        .ports
        .iter()
        .any(|p| Some(&p.id) == a.port.as_ref() && p.kind == Port::AcMains);
    if mains && !show.quiet {
        eprint!("{}", print::MAINS_CAUTION);
    }
    let name = a.file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let mut bar = Bar::new(show.quiet);
    let id = add_run(&a.dir, &a.file, &name, &request, &mut |s| bar.tell(s))?;
    drop(bar);
    one_run(show, &a.dir, &id)
}

fn one_run(show: Show, dir: &Path, id: &str) -> Result<Outcome, Failure> {
    if Project::open(dir)?.log(id)?.is_some() {
        return crate::log_commands::log_shown(show, dir, id);
    }
    if workbench::mains_run::is_mains_run(&Project::open(dir)?.run(id)?) {
        return crate::mains_commands::mains_run_shown(show, dir, id);
    }
    let mut bar = Bar::new(show.quiet);
    let evaluation = evaluate(dir, id, &mut |s| bar.tell(s))?;
    drop(bar);
    let findings = Project::open(dir)?.check_run(id)?;
    let verdict = evaluation.judged.verdict.as_ref();
    if show.json {
        let judged = verdict.map(|v| judged_json(&evaluation.judged, v));
        print::json(&json!({
            "run": evaluation.run, "judged": judged, "problem": evaluation.problem, "findings": findings,
        }))?;
    } else {
        let r = &evaluation.run.record;
        let mut text = format!("{}  {}\n", r.id, r.title);
        for h in &evaluation.judged.trace.history {
            text.push_str(&format!("· {h}\n"));
        }
        text.push('\n');
        match (verdict, &evaluation.problem) {
            (Some(v), _) => text.push_str(&verdict_text(&evaluation.judged, v)),
            (None, Some(p)) => text.push_str(&format!("Not judged: {p}\n")),
            (None, None) => text.push_str("Not judged: no limit was named.\n"),
        }
        for f in &findings {
            text.push_str(&format!("{}: {}\n", severity(f.severity), f.what));
        }
        print::text(&text)?;
    }
    Ok(verdict.map_or(Outcome::Done, |v| Outcome::of(v.decision)))
}

pub(crate) fn runs(show: Show, dir: &Path, run: Option<&str>, all: bool) -> Result<Outcome, Failure> {
    if let Some(id) = run {
        return one_run(show, dir, id);
    }
    let project = Project::open(dir)?;
    if show.json {
        print::json(&project.runs()?)?;
    } else {
        print::text(&print::table(&RUN_HEADS, run_rows(&project, all)?, &[5, 6]))?;
    }
    Ok(Outcome::Done)
}

pub(crate) fn severity(s: Severity) -> &'static str {
    match s {
        Severity::Remark => "Remark",
        Severity::Warning => "Warning",
        Severity::Error => "Serious",
    }
}

fn subject(s: &Subject) -> String {
    match s {
        Subject::Project => "project".into(),
        Subject::Product => "product.toml".into(),
        Subject::Run(id) => format!("run {id}"),
        Subject::Equipment(id) => format!("equipment {id}"),
        Subject::Capture(id) => format!("raw file {}", &id[..id.len().min(12)]),
        Subject::Chain(id) => format!("chain {id}"),
        Subject::Limits(id) => format!("limits {id}"),
        Subject::Ledger => "ledger".into(),
    }
}

/// Exit code 1 where something was found that weakens the evidence.
pub(crate) fn check(show: Show, dir: &Path) -> Result<Outcome, Failure> {
    let findings = Project::open(dir)?.check()?;
    if show.json {
        print::json(&json!({ "findings": findings }))?;
    } else if findings.is_empty() {
        print::text("Nothing found that would weaken the evidence.\n")?;
    } else {
        let rows = findings
            .iter()
            .map(|f| vec![severity(f.severity).to_owned(), subject(&f.subject), f.what.clone()])
            .collect();
        print::text(&print::table(&["weight", "about", "what"], rows, &[]))?;
    }
    let weak = findings.iter().any(|f| f.severity > Severity::Remark);
    Ok(if weak { Outcome::NotAPass } else { Outcome::Done })
}

pub(crate) fn add(show: Show, what: Add) -> Result<Outcome, Failure> {
    let some = |text: String| Some(text).filter(|t| !t.is_empty());
    let (kind, id) = match what {
        Add::Sample { dir, id, serial, note } => {
            let sample = NewSample { id, serial: some(serial), description: note };
            ("sample", Project::open(&dir)?.add_sample(sample)?)
        }
        Add::State { dir, id, what, after, changes } => {
            let changes = state_changes(&dir, &changes)?;
            let state = NewState { id, description: what, based_on: after, changes };
            ("modification state", Project::open(&dir)?.add_state(state)?)
        }
        Add::Changes { dir, state, changes } => {
            let changes = state_changes(&dir, &changes)?;
            Project::open(&dir)?.say_changes(&state, changes)?;
            ("changes of state", state)
        }
        Add::Equipment { dir, id, name, serial, calibrated, due } => {
            let date = |flag: &str, text: Option<String>| {
                text.map(|t| {
                    t.parse().map_err(|_| Failure::input(format!("--{flag} `{t}`: expected a date, YYYY-MM-DD")))
                })
                .transpose()
            };
            let equipment = NewEquipment {
                id,
                name,
                serial: some(serial),
                calibrated: date("calibrated", calibrated)?,
                due: date("due", due)?,
                ..NewEquipment::default()
            };
            ("equipment", Project::open(&dir)?.add_equipment(equipment)?)
        }
    };
    if show.json {
        print::json(&json!({ "added": kind, "id": id }))?;
    } else {
        print::text(&format!("Added {kind} {id}.\n"))?;
    }
    Ok(Outcome::Done)
}

pub(crate) fn report(show: Show, dir: &Path, out: Option<&Path>) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let pdf = report_pdf(dir, None, &mut |s| bar.tell(s))?;
    drop(bar);
    let project = Project::open(dir)?;
    let path = match out {
        None => project.write_file(Path::new("reports/evidence.pdf"), &pdf)?,
        Some(path) => {
            let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
            let fault = |e: std::io::Error| Failure::input(format!("--out {}: {e}", path.display()));
            let mut file = tempfile::NamedTempFile::new_in(folder).map_err(fault)?;
            std::io::Write::write_all(&mut file, &pdf).map_err(fault)?;
            file.persist(path).map_err(|e| fault(e.error))?;
            path.to_owned()
        }
    };
    if show.json {
        print::json(&json!({ "report": path.display().to_string(), "bytes": pdf.len() }))?;
    } else {
        print::text(&format!("The evidence was written to {} ({} kB).\n", path.display(), pdf.len() / 1024))?;
    }
    Ok(Outcome::Done)
}
