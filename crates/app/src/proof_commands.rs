//! Commands that prove a project and carry it elsewhere.

use std::path::{Path, PathBuf};

use campaign::change_kinds;
use campaign::matrix::{Cell, Change, Standing, StateFacts, UNNAMED};
use clap::Args;
use project::{Archived, Project, export_archive, import_archive, recover};
use serde_json::json;
use standards::Side;
use workbench::verify::{Agreement, Verification, verify};
use workbench::{Compliance, Stage, WorkError, compliance, compliance_if, state_changes, technical_file_of};

use crate::campaign_commands::hardness;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};
use crate::progress::Bar;

#[derive(Debug, Args)]
pub(crate) struct Verify {
    /// The project's folder
    dir: PathBuf,
    /// Only this run
    #[arg(long)]
    run: Option<String>,
    /// Every run in the table, also those that agree
    #[arg(long)]
    all: bool,
}

#[derive(Debug, Args)]
pub(crate) struct MatrixArgs {
    /// The project's folder
    #[arg(required_unless_present = "kinds")]
    dir: Option<PathBuf>,
    /// Say for each test why it stands as it does
    #[arg(long)]
    why: bool,
    /// What a change would put in doubt before it is made, KIND=WHAT or KIND@PORT=WHAT; may be given several times
    #[arg(long = "if", value_name = "KIND=WHAT")]
    change: Vec<String>,
    /// List the kinds of changes, and which tests each puts in doubt
    #[arg(long)]
    kinds: bool,
}

#[derive(Debug, Args)]
pub(crate) struct TechnicalFileArgs {
    /// The project's folder
    dir: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct Export {
    /// The project's folder
    dir: PathBuf,
    /// The archive to write (a plain tar)
    file: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct Import {
    /// An archive that `hushfield export` wrote
    file: PathBuf,
    /// A new or empty folder
    dir: PathBuf,
}

fn value(v: &serde_json::Value) -> String {
    match v {
        serde_json::Value::Null => "nothing".to_owned(),
        serde_json::Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn verification_text(v: &Verification, all: bool) -> String {
    let mut text = String::new();
    let rows: Vec<Vec<String>> = v
        .runs
        .iter()
        .filter(|r| all || r.agreement != Agreement::Same || r.derived_differs || r.by_todays_limits.is_some())
        .map(|r| {
            let mut said = vec![];
            if r.withdrawn {
                said.push("(withdrawn)".to_owned());
            }
            said.extend(r.problem.clone());
            for d in &r.differences {
                said.push(format!("{}: recorded {}, now {}", d.field, value(&d.recorded), value(&d.recomputed)));
            }
            if r.derived_differs {
                said.push("what derived/ keeps of it is not what the raw file gives: delete derived/".to_owned());
            }
            if let Some(today) = &r.by_todays_limits {
                said.push(format!("the limits have changed since; by today's: {today}"));
            }
            if r.agreement == Agreement::Differs
                && let Some(by) = r.recorded_by.as_ref().filter(|by| **by != v.version)
            {
                said.push(format!("recorded by version {by}"));
            }
            vec![r.run.clone(), r.title.clone(), r.agreement.words().to_owned(), said.join("; ")]
        })
        .collect();
    if !rows.is_empty() {
        text.push_str(&print::table(&["run", "title", "recorded and computed again", "remarks"], rows, &[]));
        text.push('\n');
    }
    for finding in &v.errors {
        text.push_str(&format!("Evidence does not stand: {}\n", finding.what));
    }
    let same = v.runs.iter().filter(|r| r.agreement.stands()).count();
    text.push_str(&format!(
        "{same} of {} runs stand as recorded, computed again from their raw files. {}\n\
         Ledger: entry {}, {}\nDigest: {}\n",
        v.runs.len(),
        if v.stands() { "Nothing differs." } else { "Something differs: see above." },
        v.seal.revision,
        v.seal.hash,
        v.digest
    ));
    text
}

pub(crate) fn verify_command(show: Show, a: &Verify) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let found = verify(&a.dir, a.run.as_deref(), &mut |s| bar.tell(s))?;
    drop(bar);
    if show.json {
        print::json(&found)?;
    } else {
        print::text(&verification_text(&found, a.all))?;
    }
    Ok(if found.stands() { Outcome::Done } else { Outcome::NotAPass })
}

fn tell(show: Show, key: &str, path: &Path, done: &Archived, said: &str) -> Result<(), Failure> {
    if show.json {
        return print::json(&json!({ key: path.display().to_string(), "archive": done }));
    }
    let mut text = format!(
        "{said} {} ({} files, {} bytes).\nList of hashes: {}\n",
        path.display(),
        done.files,
        done.bytes,
        done.blake3
    );
    if !done.left_out.is_empty() {
        text.push_str(&format!("Not in it: {}.\n", done.left_out.join(", ")));
    }
    print::text(&text)
}

fn watched<'a>(bar: &'a mut Bar, what: &'static str) -> impl FnMut(u64, u64) -> std::ops::ControlFlow<()> + 'a {
    move |done, total| bar.tell(&Stage { what, fraction: Some(done as f64 / total.max(1) as f64) })
}

pub(crate) fn export(show: Show, a: &Export) -> Result<Outcome, Failure> {
    let project = Project::open(&a.dir).map_err(WorkError::from)?;
    let mut bar = Bar::new(show.quiet);
    let done =
        export_archive(&project, &a.file, &mut watched(&mut bar, "writing the archive")).map_err(WorkError::from)?;
    drop(bar);
    tell(show, "file", &a.file, &done, "The project was written to")?;
    Ok(Outcome::Done)
}

pub(crate) fn import(show: Show, a: &Import) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let done =
        import_archive(&a.file, &a.dir, &mut watched(&mut bar, "reading the archive")).map_err(WorkError::from)?;
    drop(bar);
    // Opened once, so that a ledger this version cannot read is said now and not tomorrow.
    Project::open(&a.dir).map_err(WorkError::from)?;
    tell(show, "project", &a.dir, &done, "The project was taken in, every hash proven, to")?;
    Ok(Outcome::Done)
}

const NOT_A_STANDARD: &str =
    "Which tests a change puts in doubt is common practice, not a standard's rule: whoever signs decides.";

fn kinds_text() -> String {
    let mut text = String::new();
    for k in change_kinds() {
        text.push_str(&format!("{}: {}\n", k.id, k.title));
        for t in &k.touches {
            let names: Vec<&str> = t.phenomena.iter().map(|p| p.name()).collect();
            let at = if t.reach == campaign::Reach::Port { ", at its port" } else { "" };
            text.push_str(&format!("    in doubt{at}: {}; {}\n", names.join(", "), t.reason));
        }
        text.push_str(&format!("    the rest stays covered: {}\n", k.leaves));
    }
    format!("{text}\n{NOT_A_STANDARD}\n")
}

fn cell_words(cell: &Cell) -> String {
    match &cell.measured {
        Some(m) if cell.standing != Standing::Open => format!("{} ({})", cell.standing.words(), m.run),
        _ => cell.standing.words().to_owned(),
    }
}

fn matrix_text(c: &Compliance, why: bool) -> String {
    let m = &c.matrix;
    let mut text = format!("{}\n", m.sentence);
    for (side, heading) in
        [(Side::Emission, "Emission"), (Side::MainsQuality, "Mains quality"), (Side::Immunity, "Immunity")]
    {
        let rows: Vec<Vec<String>> = m
            .rows
            .iter()
            .filter(|r| r.side == side)
            .map(|r| {
                let mut row = vec![
                    r.port_name.clone(),
                    r.phenomenon.name().to_owned(),
                    hardness(&r.level, &r.frequency_hz),
                    r.clause.clone(),
                ];
                row.extend(r.cells.iter().map(cell_words));
                row
            })
            .collect();
        if rows.is_empty() {
            continue;
        }
        let mut heads = vec!["port", "test", "how hard", "clause"];
        heads.extend(m.states.iter().map(|s| s.id.as_str()));
        text.push_str(&format!("\n{heading}\n{}", print::table(&heads, rows, &[])));
    }
    if why {
        text.push('\n');
        for row in &m.rows {
            let Some(cell) = row.cells.last() else { continue };
            let mut said: Vec<String> = cell.because.clone();
            if let Some(measured) = cell.measured.as_ref().filter(|_| said.is_empty() || cell.standing.proven()) {
                let place = measured.laboratory.as_ref().map_or("on the own bench".to_owned(), |l| format!("at {l}"));
                said.insert(0, format!("{}, {} {place}: {}", measured.run, measured.measured, measured.sentence));
            }
            if !said.is_empty() {
                text.push_str(&format!(
                    "{}, {}: {}.\n  {}\n",
                    row.port_name,
                    row.phenomenon.name(),
                    cell.standing.words(),
                    said.join("\n  ")
                ));
            }
        }
    }
    for loose in &c.loose_runs {
        text.push_str(&format!("Counts for no planned test: {loose}\n"));
    }
    text.push_str(&format!("\n{NOT_A_STANDARD} hushfield matrix --kinds lists the rules.\n"));
    text
}

pub(crate) fn matrix_command(show: Show, a: &MatrixArgs) -> Result<Outcome, Failure> {
    if a.kinds {
        if show.json {
            print::json(&json!({ "kinds": change_kinds(), "note": NOT_A_STANDARD }))?;
        } else {
            print::text(&kinds_text())?;
        }
        return Ok(Outcome::Done);
    }
    let dir = a.dir.as_deref().ok_or_else(|| Failure::input("matrix: expected the project's folder"))?;
    let found = if a.change.is_empty() {
        compliance(dir)?
    } else {
        let changes = state_changes(dir, &a.change)?;
        let last = Project::open(dir).map_err(WorkError::from)?.states().map_err(WorkError::from)?.pop();
        compliance_if(
            dir,
            StateFacts {
                id: "after the change".to_owned(),
                description: changes.iter().map(|c| c.what.as_str()).collect::<Vec<_>>().join("; "),
                based_on: Some(last.map_or_else(|| UNNAMED.to_owned(), |s| s.state.id)),
                changes: changes.into_iter().map(|c| Change { kind: c.kind, what: c.what, ports: c.ports }).collect(),
            },
        )?
    };
    if show.json {
        print::json(&found)?;
    } else {
        print::text(&matrix_text(&found, a.why))?;
    }
    let complete = found.matrix.tallies.last().is_some_and(campaign::matrix::Tally::complete);
    Ok(if complete { Outcome::Done } else { Outcome::NotAPass })
}

pub(crate) fn technical_file_command(show: Show, a: &TechnicalFileArgs) -> Result<Outcome, Failure> {
    let file = technical_file_of(&a.dir)?;
    if show.json {
        print::json(&file)?;
        return Ok(Outcome::Done);
    }
    let mut text = format!("{}\n\nDocuments\n", file.sentence);
    let list = |out: &mut String, title: &str, asked: &str, holds: &[String], nothing: &str| {
        out.push_str(&format!("  {title} ({asked})\n"));
        if holds.is_empty() {
            out.push_str(&format!("      {nothing}\n"));
        }
        for h in holds {
            out.push_str(&format!("      {h}\n"));
        }
    };
    for d in &file.documents {
        list(&mut text, &d.title, &d.asked, &d.holds, &format!("nothing yet: put files into documents/{}/", d.id));
    }
    text.push_str("\nStandards\n");
    for s in &file.standards {
        text.push_str(&format!("  {}, {}: {} of {} tests proven\n", s.number, s.title, s.proven, s.planned));
    }
    text.push_str("\nWhat a declaration of conformity names\n");
    for f in &file.declaration {
        list(&mut text, &f.title, &f.asked, &f.known, "the maker's to fill in");
    }
    text.push_str(&format!("\n{}\n", file.caution));
    print::text(&text)?;
    Ok(Outcome::Done)
}

pub(crate) fn recover_command(show: Show, dir: &Path) -> Result<Outcome, Failure> {
    let found = recover(dir).map_err(WorkError::from)?;
    if show.json {
        print::json(&found)?;
    } else {
        let list = |ids: &[u64]| ids.iter().map(u64::to_string).collect::<Vec<_>>().join(", ");
        let mut text = format!("{} entries are proven to be as they were written.\n", found.proven);
        if !found.doubtful.is_empty() {
            text.push_str(&format!(
                "Doubtful (changed, or the one before is lost): entries {}.\n",
                list(&found.doubtful)
            ));
        }
        if !found.lost.is_empty() {
            text.push_str(&format!("Lost: entries {}.\n", list(&found.lost)));
        }
        text.push_str(&format!(
            "The damaged file is kept as {}. What was cut off at the end cannot be told from here: hold the last entry's number and \
             hash against a printed report. hushfield check {} says what of the evidence still stands.\n",
            found.damaged_kept_as.display(),
            dir.display()
        ));
        print::text(&text)?;
    }
    Ok(if found.doubtful.is_empty() && found.lost.is_empty() { Outcome::Done } else { Outcome::NotAPass })
}
