//! What is proven of which modification state of a project.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use campaign::matrix::{Change, Matrix, Measured, Outcome, StateFacts, matrix};
use campaign::{ChangeKind, PlannedTest, change_kinds};
use project::{ModificationState, Polarisation, Product, Project, Run, StateChange};
use serde::Serialize;
use standards::{Phenomenon, Port};

use crate::WorkError;
use crate::planning::{latest_of_each, planning, runs_of_test};

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

/// Lays the project's runs over its plan, state by state.
pub fn compliance(dir: &Path) -> Result<Compliance, WorkError> {
    let planned = planning(dir)?;
    let project = Project::open(dir)?;
    let product = project.product()?.product;
    let library = project.limits()?;
    let runs = project.runs()?;
    let states: Vec<StateFacts> = project.states()?.iter().map(facts).collect();
    let mut measured = Vec::new();
    let mut used = BTreeSet::new();
    for test in &planned.plan.tests {
        let own = runs_of_test(&runs, test, &library);
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
    Ok(Compliance { product: product.name.clone(), matrix: matrix(&planned.plan, &states, &measured), loose_runs })
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
