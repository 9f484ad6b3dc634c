//! What is proven of which modification state of a project.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use campaign::matrix::{Change, Matrix, Measured, Outcome, StateFacts, matrix};
use campaign::technical_file::{Holdings, TechnicalFile, document_ids, technical_file};
use campaign::{ChangeKind, Plan, PlannedTest, change_kinds};
use project::{ModificationState, Polarisation, Product, Project, Run, StateChange};
use report::{Fact, SectionEvidence, TableEvidence};
use serde::Serialize;
use standards::{Phenomenon, Port};

use crate::WorkError;
use crate::planning::{carried_tests, latest_of_each, planning, runs_of_test};

/// The compliance matrix of a project.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Compliance {
    /// The product's name.
    pub product: String,
    /// Every planned test against every state.
    #[serde(flatten)]
    pub matrix: Matrix,
    /// Runs that count for no planned test, and why.
    pub loose_runs: Vec<String>,
}

/// Where the maker's own documents lie, one folder for each kind.
const DOCUMENTS: &str = "documents";

/// Lays the project's runs over its plan, state by state.
pub fn compliance(dir: &Path) -> Result<Compliance, WorkError> {
    compliance_of(&Project::open(dir)?, &planning(dir)?.plan, None)
}

/// The same with one more state than the ledger has: what a change would put in doubt.
pub fn compliance_if(dir: &Path, state: StateFacts) -> Result<Compliance, WorkError> {
    compliance_of(&Project::open(dir)?, &planning(dir)?.plan, Some(state))
}

fn compliance_of(project: &Project, plan: &Plan, more: Option<StateFacts>) -> Result<Compliance, WorkError> {
    let product = project.product()?.product;
    let library = project.limits()?;
    let runs = project.runs()?;
    let states: Vec<StateFacts> = project.states()?.iter().map(facts).chain(more).collect();
    let mut measured = Vec::new();
    let mut used = BTreeSet::new();
    let carries = carried_tests(project)?;
    for test in &plan.tests {
        let own = runs_of_test(&runs, test, &library, &carries);
        used.extend(own.iter().map(|r| r.id().to_owned()));
        let mut by_state: BTreeMap<Option<&str>, Vec<&Run>> = BTreeMap::new();
        for run in own {
            by_state.entry(run.record.state.as_deref()).or_default().push(run);
        }
        measured.extend(by_state.into_iter().filter_map(|(state, runs)| of_state(test, state, &runs, &product)));
    }
    let loose_runs = runs
        .iter()
        .filter(|r| r.withdrawn.is_none() && !r.record.place.product_off && !used.contains(r.id()))
        .map(|r| {
            let port = r.record.port.as_deref().unwrap_or("no port");
            format!("{}, {}: no planned test of this kind and limit at {port}", r.id(), r.record.title)
        })
        .collect();
    Ok(Compliance { product: product.name.clone(), matrix: matrix(plan, &states, &measured), loose_runs })
}

fn facts(state: &ModificationState) -> StateFacts {
    StateFacts {
        id: state.state.id.clone(),
        description: state.state.description.clone(),
        based_on: state.state.based_on.clone(),
        changes: state
            .state
            .changes
            .iter()
            .map(|c| Change { kind: c.kind.clone(), what: c.what.clone(), ports: c.ports.clone() })
            .collect(),
    }
}

/// The worst of the latest runs of each conductor and place on one state.
fn of_state(test: &PlannedTest, state: Option<&str>, runs: &[&Run], product: &Product) -> Option<Measured> {
    let latest = latest_of_each(runs.iter().copied());
    let outcome = |run: &Run| match run.result().and_then(|r| r.summary["decision"].as_str()) {
        Some("pass") => Some(Outcome::Pass),
        Some("fail") => Some(Outcome::Fail),
        Some(_) => Some(Outcome::Undecided),
        // Not judged: nothing is proven by it.
        None => None,
    };
    let rank = |o: Outcome| match o {
        Outcome::Pass => 0,
        Outcome::Undecided => 1,
        Outcome::Fail => 2,
    };
    let margin = |run: &Run| run.result().and_then(|r| r.summary["worst_margin_db"].as_f64()).unwrap_or(f64::INFINITY);
    let (worst, outcome) = latest
        .iter()
        .filter_map(|run| Some((*run, outcome(run)?)))
        .max_by(|(a, x), (b, y)| rank(*x).cmp(&rank(*y)).then_with(|| margin(b).total_cmp(&margin(a))))?;
    let summary = &worst.result()?.summary;
    Some(Measured {
        test: test.id.clone(),
        state: state.map(str::to_owned),
        run: worst.id().to_owned(),
        measured: worst.record.measured_at.strftime("%Y-%m-%d").to_string(),
        outcome,
        sentence: summary["sentence"].as_str().unwrap_or_default().to_owned(),
        laboratory: worst.record.place.laboratory.clone(),
        missing: missing(test, &latest, product),
    })
}

/// What of a test the runs leave out, as far as they say where they were measured.
fn missing(test: &PlannedTest, runs: &[&Run], product: &Product) -> Option<String> {
    match test.phenomenon {
        Phenomenon::ConductedDisturbance if test.port_kind == Port::AcMains => {
            let named: BTreeSet<&str> = runs.iter().filter_map(|r| r.record.conductor.as_deref()).collect();
            let conductors = product.supply.as_ref().map_or(2, |s| usize::from(s.phases) + 1);
            // A run that names no conductor may be the highest of all of them.
            let told = runs.iter().all(|r| r.record.conductor.is_some());
            (told && named.len() < conductors).then(|| {
                let only: Vec<&str> = named.into_iter().collect();
                format!("only {} was measured, {conductors} conductors are to be", only.join(", "))
            })
        }
        Phenomenon::RadiatedDisturbance => {
            let said: Vec<Polarisation> = runs.iter().filter_map(|r| r.record.place.polarisation).collect();
            [Polarisation::Horizontal, Polarisation::Vertical]
                .into_iter()
                .find(|p| !said.is_empty() && !said.contains(p))
                .map(|p| format!("{} polarisation was not measured", p.name()))
        }
        _ => None,
    }
}

/// Reads changes of the form `KIND=WHAT` or `KIND@PORT,PORT=WHAT`.
///
/// # Errors
/// Another form, a kind that the rules do not know, a port that the product does not have.
pub fn state_changes(dir: &Path, said: &[String]) -> Result<Vec<StateChange>, WorkError> {
    let product = Project::open(dir)?.product()?.product;
    said.iter()
        .map(|text| {
            let refuse = |what: String, expected: String| WorkError::input(format!("change `{text}`"), what, expected);
            let (head, what) = text.split_once('=').filter(|(_, what)| !what.trim().is_empty()).ok_or_else(|| {
                refuse("it says no `=` and what was done".to_owned(), "KIND=WHAT or KIND@PORT,PORT=WHAT".to_owned())
            })?;
            let (kind, ports) = head.split_once('@').unwrap_or((head, ""));
            if ChangeKind::find(kind.trim()).is_none() {
                let known: Vec<&str> = change_kinds().iter().map(|k| k.id.as_str()).collect();
                return Err(refuse(format!("`{kind}` is no kind of change"), format!("one of {}", known.join(", "))));
            }
            let ports: Vec<String> = ports.split(',').map(|p| p.trim().to_owned()).filter(|p| !p.is_empty()).collect();
            if let Some(unknown) = ports.iter().find(|p| !product.ports.iter().any(|q| &q.id == *p)) {
                let known: Vec<&str> = product.ports.iter().map(|p| p.id.as_str()).collect();
                return Err(refuse(format!("`{unknown}` is no port"), format!("one of {}", known.join(", "))));
            }
            Ok(StateChange { kind: kind.trim().to_owned(), what: what.trim().to_owned(), ports })
        })
        .collect()
}

/// The index of the technical documentation and the data of a declaration, from what the project holds.
pub fn technical_file_of(dir: &Path) -> Result<TechnicalFile, WorkError> {
    let (plan, project) = (planning(dir)?.plan, Project::open(dir)?);
    let matrix = compliance_of(&project, &plan, None)?.matrix;
    Ok(technical_file(&plan, &matrix, &holdings(&project)?))
}

fn holdings(project: &Project) -> Result<Holdings, WorkError> {
    let product = project.product()?.product;
    let some = |text: &str| Some(text.trim().to_owned()).filter(|t| !t.is_empty());
    let mut identification: Vec<String> = [&product.name, &product.model].into_iter().filter_map(|t| some(t)).collect();
    identification.extend(product.serial.as_deref().and_then(some));
    let mut files = Vec::new();
    for id in document_ids() {
        let folder = project.dir().join(DOCUMENTS).join(id);
        let mut names: Vec<String> = match fs::read_dir(&folder) {
            Ok(entries) => entries
                .flatten()
                .filter(|e| e.path().is_file())
                .map(|e| e.file_name().to_string_lossy().into_owned())
                .filter(|name| !name.starts_with('.'))
                .collect(),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => continue,
            Err(e) => return Err(WorkError::io(&folder, "look into the folder", &e)),
        };
        names.sort();
        files.extend(names.into_iter().map(|name| (id.to_owned(), format!("{DOCUMENTS}/{id}/{name}"))));
    }
    Ok(Holdings {
        identification,
        maker: some(&product.maker),
        description: some(&product.description),
        markets: product.markets.clone(),
        runs: project.runs()?.iter().filter(|r| r.withdrawn.is_none()).count(),
        states: project
            .states()?
            .iter()
            .map(|s| format!("{}, {}: {}", s.state.id, s.added_at.strftime("%Y-%m-%d"), s.state.description))
            .collect(),
        files,
    })
}

/// The matrix and the technical file as sections of the report.
pub(crate) fn sections(dir: &Path) -> Result<Vec<SectionEvidence>, WorkError> {
    let (plan, project) = (planning(dir)?.plan, Project::open(dir)?);
    let compliance = compliance_of(&project, &plan, None)?;
    let matrix = &compliance.matrix;
    if matrix.rows.is_empty() {
        return Ok(Vec::new());
    }
    let file = technical_file(&plan, matrix, &holdings(&project)?);
    let rows = matrix
        .rows
        .iter()
        .filter_map(|row| {
            let cell = row.cells.last()?;
            let by = cell.measured.as_ref().map_or(String::new(), |m| {
                let at = m.laboratory.as_ref().map_or("own bench".to_owned(), |l| format!("at {l}"));
                format!("{}, {}, {at}", m.run, m.measured)
            });
            Some(vec![
                row.port_name.clone(),
                row.phenomenon.name().to_owned(),
                row.clause.clone(),
                cell.standing.words().to_owned(),
                by,
                cell.because.join("; "),
            ])
        })
        .collect();
    let state = matrix.states.last().map_or("", |s| s.id.as_str());
    let proven = SectionEvidence {
        heading: "What is proven".to_owned(),
        sentence: matrix.sentence.clone(),
        text: "A test passed on an earlier modification state still counts where no change since puts it in doubt. Which tests \
               a change puts in doubt is common practice, not a standard's rule: whoever signs decides."
            .to_owned(),
        tables: vec![TableEvidence {
            title: format!("Planned tests, as they stand on state {state}"),
            head: ["port", "test", "asked by", "stands", "rests on", "because"].map(str::to_owned).to_vec(),
            figures: vec![false; 6],
            widths: vec![3, 4, 5, 3, 4, 7],
            rows,
        }],
        findings: compliance
            .loose_runs
            .iter()
            .map(|text| report::Finding { weight: report::Weight::Note, text: text.clone() })
            .collect(),
        ..SectionEvidence::default()
    };
    let there = |holds: &[String]| if holds.is_empty() { "not there".to_owned() } else { holds.join("; ") };
    let index = SectionEvidence {
        heading: "Technical file and data for a declaration".to_owned(),
        sentence: file.sentence.clone(),
        text: format!("{} The lists are those of {}.", file.caution, file.source),
        facts: vec![Fact {
            name: "Own documents".to_owned(),
            value: format!("files in {DOCUMENTS}/, one folder for each kind"),
        }],
        tables: vec![
            TableEvidence {
                title: "Documents".to_owned(),
                head: ["document", "asked by", "there"].map(str::to_owned).to_vec(),
                figures: vec![false; 3],
                widths: vec![5, 2, 6],
                rows: file.documents.iter().map(|d| vec![d.title.clone(), d.asked.clone(), there(&d.holds)]).collect(),
            },
            TableEvidence {
                title: "Standards applied".to_owned(),
                head: ["standard", "planned", "proven", "not proven"].map(str::to_owned).to_vec(),
                figures: vec![false, true, true, false],
                widths: vec![8, 2, 2, 9],
                rows: file
                    .standards
                    .iter()
                    .map(|s| {
                        let name = format!("{}, {}", s.number, s.title);
                        vec![name, s.planned.to_string(), s.proven.to_string(), s.open.join("; ")]
                    })
                    .collect(),
            },
            TableEvidence {
                title: "What a declaration of conformity names".to_owned(),
                head: ["entry", "asked by", "known here"].map(str::to_owned).to_vec(),
                figures: vec![false; 3],
                widths: vec![6, 2, 6],
                rows: file
                    .declaration
                    .iter()
                    .map(|f| {
                        let known = if f.known.is_empty() { "the maker's".to_owned() } else { f.known.join("; ") };
                        vec![f.title.clone(), f.asked.clone(), known]
                    })
                    .collect(),
            },
        ],
        ..SectionEvidence::default()
    };
    Ok(vec![proven, index])
}
