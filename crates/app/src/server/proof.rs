//! What can be proven: the matrix, changes of the product, the technical file, and every verdict computed again.

use std::sync::{Mutex, PoisonError};

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use campaign::change_kinds;
use campaign::matrix::{Cell, Change, StateFacts};
use project::{NewState, Project, StateChange};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::verify::{Verification, verify};
use workbench::{WorkError, WorkErrorKind, compliance, compliance_if, technical_file_of};

use super::backend::{Fault, Stopped};
use super::{Answer, App, Job, Problem, Sent, Shared, blocking, start_job};
use crate::campaign_commands::hardness;

/// The last verification of this server's life.
pub(super) type Verified = Mutex<Option<VerificationView>>;

/// How one test stands on one state.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CellView {
    /// `passed`, `in_part`, `failed`, `undecided`, `covered`, `repeat` or `open`.
    standing: String,
    /// The same in words.
    words: String,
    /// Counts as proven.
    proven: bool,
    run: Option<String>,
    measured: Option<String>,
    laboratory: Option<String>,
    sentence: Option<String>,
    because: Vec<String>,
}

/// A planned test.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProofRow {
    test: String,
    port: String,
    port_name: String,
    /// `emission`, `mains_quality` or `immunity`.
    side: String,
    title: String,
    /// Level and ranges in words.
    how: String,
    clause: String,
    method: String,
    criterion: Option<String>,
    /// One for each state.
    cells: Vec<CellView>,
}

/// A change of the product.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub(crate) struct ChangeView {
    /// Kind by its short name.
    kind: String,
    what: String,
    #[serde(default)]
    ports: Vec<String>,
}

/// A modification state.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProofState {
    id: String,
    description: String,
    based_on: Option<String>,
    changes: Vec<ChangeView>,
    /// `19 tests planned: …` as the whole stands on it.
    proven: usize,
    not_proven: usize,
}

/// Tests that a kind of change puts in doubt.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TouchesView {
    tests: Vec<String>,
    /// True where only the ports that the change names are touched.
    at_port: bool,
    reason: String,
}

/// A kind of change.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct KindView {
    id: String,
    title: String,
    touches: Vec<TouchesView>,
    leaves: String,
}

/// A document of the technical file, or an entry of a declaration.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HoldsView {
    id: String,
    title: String,
    asked: String,
    holds: Vec<String>,
}

/// A standard with what is proven of it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AppliedView {
    number: String,
    title: String,
    planned: usize,
    proven: usize,
}

/// What can be proven.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProofView {
    sentence: String,
    states: Vec<ProofState>,
    rows: Vec<ProofRow>,
    loose_runs: Vec<String>,
    kinds: Vec<KindView>,
    documents: Vec<HoldsView>,
    declaration: Vec<HoldsView>,
    standards: Vec<AppliedView>,
    file_sentence: String,
    /// Who declares.
    caution: String,
    /// Where the lists come from.
    source: String,
}

fn cell(c: Cell) -> CellView {
    let standing = serde_json::to_value(c.standing).ok().and_then(|v| v.as_str().map(str::to_owned));
    CellView {
        standing: standing.unwrap_or_default(),
        words: c.standing.words().to_owned(),
        proven: c.standing.proven(),
        run: c.measured.as_ref().map(|m| m.run.clone()),
        measured: c.measured.as_ref().map(|m| m.measured.clone()),
        laboratory: c.measured.as_ref().and_then(|m| m.laboratory.clone()),
        sentence: c.measured.map(|m| m.sentence),
        because: c.because,
    }
}

fn view(dir: &std::path::Path, more: Option<StateFacts>) -> Result<ProofView, WorkError> {
    let matrix = match more {
        Some(state) => compliance_if(dir, state)?,
        None => compliance(dir)?,
    };
    let file = technical_file_of(dir)?;
    let loose_runs = matrix.loose_runs;
    let matrix = matrix.matrix;
    let states = matrix
        .states
        .iter()
        .zip(&matrix.tallies)
        .map(|(s, t)| ProofState {
            id: s.id.clone(),
            description: s.description.clone(),
            based_on: s.based_on.clone(),
            changes: s
                .changes
                .iter()
                .map(|c| ChangeView { kind: c.kind.clone(), what: c.what.clone(), ports: c.ports.clone() })
                .collect(),
            proven: t.passed + t.covered,
            not_proven: matrix.rows.len() - t.passed - t.covered,
        })
        .collect();
    let holds = |id: String, title, asked, holds| HoldsView { id, title, asked, holds };
    Ok(ProofView {
        sentence: matrix.sentence,
        states,
        rows: matrix
            .rows
            .into_iter()
            .map(|r| ProofRow {
                how: hardness(&r.level, &r.frequency_hz),
                test: r.test,
                port: r.port,
                port_name: r.port_name,
                side: match r.side {
                    standards::Side::Emission => "emission",
                    standards::Side::MainsQuality => "mains_quality",
                    standards::Side::Immunity => "immunity",
                }
                .to_owned(),
                title: r.phenomenon.name().to_owned(),
                clause: r.clause,
                method: r.method,
                criterion: r.criterion,
                cells: r.cells.into_iter().map(cell).collect(),
            })
            .collect(),
        loose_runs,
        kinds: change_kinds()
            .iter()
            .map(|k| KindView {
                id: k.id.clone(),
                title: k.title.clone(),
                touches: k
                    .touches
                    .iter()
                    .map(|t| TouchesView {
                        tests: t.phenomena.iter().map(|p| p.name().to_owned()).collect(),
                        at_port: t.reach == campaign::Reach::Port,
                        reason: t.reason.clone(),
                    })
                    .collect(),
                leaves: k.leaves.clone(),
            })
            .collect(),
        documents: file.documents.into_iter().map(|d| holds(d.id, d.title, d.asked, d.holds)).collect(),
        declaration: file.declaration.into_iter().map(|f| holds(f.id, f.title, f.asked, f.known)).collect(),
        standards: file
            .standards
            .into_iter()
            .map(|s| AppliedView { number: s.number, title: s.title, planned: s.planned, proven: s.proven })
            .collect(),
        file_sentence: file.sentence,
        caution: file.caution.to_owned(),
        source: file.source,
    })
}

/// Every planned test against every modification state; what a change puts in doubt; the technical file.
#[utoipa::path(get, path = "/api/proof", responses((status = 200, body = ProofView), (status = 422, body = Problem)))]
async fn proof_page(State(app): App) -> Answer<Json<ProofView>> {
    let dir = app.backend.dir();
    blocking(move || view(&dir, None).map_err(Fault::from)).await.map(Json)
}

/// A new modification state.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct StateRequest {
    /// Short name; given by the ledger where it is empty.
    #[serde(default)]
    id: String,
    /// What it is.
    description: String,
    /// The state it was made from.
    #[serde(default)]
    based_on: Option<String>,
    /// What was changed.
    changes: Vec<ChangeView>,
}

/// What was changed in a state.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct ChangesRequest {
    changes: Vec<ChangeView>,
}

fn changes_of(changes: Vec<ChangeView>) -> Result<Vec<StateChange>, Fault> {
    changes
        .into_iter()
        .map(|c| {
            let refuse = |what: String, expected: &str| {
                Fault::Input(Problem { what, place: "changes".into(), expected: expected.into() })
            };
            if campaign::ChangeKind::find(&c.kind).is_none() {
                return Err(refuse(format!("`{}` is no kind of change", c.kind), "a kind of /api/proof"));
            }
            if c.what.trim().is_empty() {
                return Err(refuse(
                    format!("the change of kind `{}` does not say what was done", c.kind),
                    "a few words",
                ));
            }
            Ok(StateChange { kind: c.kind, what: c.what.trim().to_owned(), ports: c.ports })
        })
        .collect()
}

/// What a change would put in doubt: the same as `/api/proof` with one more state, which is not kept.
#[utoipa::path(post, path = "/api/proof/if", request_body = StateRequest,
    responses((status = 200, body = ProofView), (status = 422, body = Problem)))]
async fn proof_if(State(app): App, request: Sent<StateRequest>) -> Answer<Json<ProofView>> {
    let Json(request) = request?;
    blocking(move || {
        let changes = changes_of(request.changes)?;
        let state = StateFacts {
            id: if request.id.trim().is_empty() { "after the change".to_owned() } else { request.id.trim().to_owned() },
            description: request.description,
            based_on: request.based_on.filter(|b| !b.is_empty()),
            changes: changes.into_iter().map(|c| Change { kind: c.kind, what: c.what, ports: c.ports }).collect(),
        };
        Ok(view(&app.backend.dir(), Some(state))?)
    })
    .await
    .map(Json)
}

/// Adds a modification state with what was changed.
#[utoipa::path(post, path = "/api/states", request_body = StateRequest,
    responses((status = 200, body = ProofView), (status = 422, body = Problem)))]
async fn add_state(State(app): App, request: Sent<StateRequest>) -> Answer<Json<ProofView>> {
    let Json(request) = request?;
    blocking(move || {
        let dir = app.backend.dir();
        let changes = changes_of(request.changes)?;
        if request.description.trim().is_empty() {
            let what = "the state has no description".to_owned();
            return Err(Fault::Input(Problem { what, place: "description".into(), expected: "a few words".into() }));
        }
        Project::open(&dir)?.add_state(NewState {
            id: request.id.trim().to_owned(),
            description: request.description.trim().to_owned(),
            based_on: request.based_on.filter(|b| !b.is_empty()),
            changes,
        })?;
        Ok(view(&dir, None)?)
    })
    .await
    .map(Json)
}

/// Says what was changed in a state that is there already.
#[utoipa::path(post, path = "/api/states/{id}/changes", params(("id" = String, Path)), request_body = ChangesRequest,
    responses((status = 200, body = ProofView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn say_changes(
    State(app): App,
    Path(id): Path<String>,
    request: Sent<ChangesRequest>,
) -> Answer<Json<ProofView>> {
    let Json(request) = request?;
    blocking(move || {
        let dir = app.backend.dir();
        Project::open(&dir)?.say_changes(&id, changes_of(request.changes)?)?;
        Ok(view(&dir, None)?)
    })
    .await
    .map(Json)
}

/// A field of a verdict that differs.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct DifferingView {
    field: String,
    recorded: String,
    recomputed: String,
}

/// One run, computed again.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct CheckedRun {
    run: String,
    title: String,
    withdrawn: bool,
    /// In words.
    agreement: String,
    /// The evidence of it stands.
    stands: bool,
    differences: Vec<DifferingView>,
    problem: Option<String>,
    derived_differs: bool,
    by_todays_limits: Option<String>,
}

/// A project, computed again.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct VerificationView {
    stands: bool,
    runs: Vec<CheckedRun>,
    errors: Vec<String>,
    /// The ledger's last entry.
    #[schema(value_type = f64)]
    revision: u64,
    /// Hash over the ledger.
    seal: String,
    /// Over ledger, levels and verdicts: two machines that computed the same show the same.
    digest: String,
    version: String,
}

fn checked(v: Verification) -> VerificationView {
    let word = |v: &serde_json::Value| v.as_str().map_or_else(|| v.to_string(), str::to_owned);
    VerificationView {
        stands: v.stands(),
        runs: v
            .runs
            .into_iter()
            .map(|r| CheckedRun {
                agreement: r.agreement.words().to_owned(),
                stands: r.agreement.stands() && !r.derived_differs,
                run: r.run,
                title: r.title,
                withdrawn: r.withdrawn,
                differences: r
                    .differences
                    .iter()
                    .map(|d| DifferingView {
                        field: d.field.clone(),
                        recorded: word(&d.recorded),
                        recomputed: word(&d.recomputed),
                    })
                    .collect(),
                problem: r.problem,
                derived_differs: r.derived_differs,
                by_todays_limits: r.by_todays_limits,
            })
            .collect(),
        errors: v.errors.into_iter().map(|f| f.what).collect(),
        revision: v.seal.revision,
        seal: v.seal.hash,
        digest: v.digest,
        version: v.version,
    }
}

/// Computes every recorded verdict again from its raw file. Answers at once; the job's events tell how it goes on, and the
/// outcome is at the same address.
#[utoipa::path(post, path = "/api/verify", responses((status = 202, body = Job)))]
async fn begin_verify(State(app): App) -> (StatusCode, Json<Job>) {
    let job = start_job(&app, |app, tell| {
        let dir = app.backend.dir();
        let found = verify(&dir, None, &mut |stage| tell(stage.fraction, stage.what)).map_err(|e| match e.kind() {
            WorkErrorKind::Cancelled => Stopped::Cancelled,
            _ => Stopped::Fault(e.into()),
        })?;
        *app.verified.lock().unwrap_or_else(PoisonError::into_inner) = Some(checked(found));
        Ok(String::new())
    });
    (StatusCode::ACCEPTED, Json(job))
}

/// The outcome of the last verification since the server was started, if there was one.
#[utoipa::path(get, path = "/api/verify", responses((status = 200, body = Option<VerificationView>)))]
async fn verification(State(app): App) -> Json<Option<VerificationView>> {
    Json(app.verified.lock().unwrap_or_else(PoisonError::into_inner).clone())
}

pub(super) fn routes() -> OpenApiRouter<std::sync::Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(proof_page))
        .routes(routes!(proof_if))
        .routes(routes!(add_state))
        .routes(routes!(say_changes))
        .routes(routes!(begin_verify, verification))
}
