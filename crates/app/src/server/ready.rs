//! Whether to book a laboratory, for the page.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use campaign::{Ready, Weight, Where};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::readiness;

use super::backend::Fault;
use super::{Answer, App, Problem, Shared, blocking};

/// A test in the order in which the bench should take it up.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BenchFirstView {
    title: String,
    /// Chance of failing at the laboratory, 0 to 1.
    fails: f64,
    fails_from: String,
    /// Cost of learning it there.
    cost_there: f64,
    /// The lines of that cost.
    cost_words: String,
    /// Chance times cost.
    expected: f64,
    /// `yes`, `partly` or `no`.
    bench_can: String,
    how: String,
    gear: String,
    caution: String,
    /// The run that measured it already.
    run: Option<String>,
}

/// What a run of the product's own says of a test.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LikelyView {
    port_name: String,
    title: String,
    run: String,
    measured: String,
    state: Option<String>,
    sentence: String,
    /// Chance that the laboratory's test fails, 0 to 1.
    chance: f64,
    /// Where that chance comes from.
    basis: String,
}

/// Something about the design.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DesignFinding {
    id: String,
    /// `violates`, `risk`, `open` or `in_order`.
    weight: String,
    what: String,
    why: String,
    source: String,
    todo: String,
    /// True where it is dealt with before the laboratory is paid.
    before: bool,
    caution: String,
}

/// Whether to book.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ReadyView {
    sentence: String,
    ready: bool,
    bench_first: Vec<BenchFirstView>,
    likely: Vec<LikelyView>,
    /// Tests that no run of the product speaks of.
    without_run: usize,
    findings: Vec<DesignFinding>,
    /// Sum of chance times cost.
    expected_cost: f64,
    currency: String,
}

fn view(r: Ready) -> ReadyView {
    ReadyView {
        sentence: r.sentence,
        ready: r.ready,
        bench_first: r
            .bench_first
            .into_iter()
            .map(|b| BenchFirstView {
                title: b.title,
                fails: b.fails,
                fails_from: b.fails_from,
                cost_there: b.cost_there,
                cost_words: b.cost_words,
                expected: b.expected,
                bench_can: b.bench_can,
                how: b.how,
                gear: b.gear,
                caution: b.caution,
                run: b.run,
            })
            .collect(),
        likely: r
            .likely
            .into_iter()
            .map(|l| LikelyView {
                port_name: l.port_name,
                title: l.title,
                run: l.says.run,
                measured: l.says.measured,
                state: l.says.state,
                sentence: l.says.sentence,
                chance: l.says.chance,
                basis: l.says.basis,
            })
            .collect(),
        without_run: r.without_run,
        findings: r
            .findings
            .into_iter()
            .map(|f| DesignFinding {
                id: f.id,
                weight: match f.weight {
                    Weight::Violates => "violates",
                    Weight::Risk => "risk",
                    Weight::Open => "open",
                    Weight::InOrder => "in_order",
                }
                .to_owned(),
                what: f.what,
                why: f.why,
                source: f.source,
                todo: f.todo,
                before: f.at == Where::Before,
                caution: f.caution,
            })
            .collect(),
        expected_cost: r.expected_cost,
        currency: r.currency,
    }
}

/// What the bench should take up first, what would most likely fail, and what the design violates or risks.
#[utoipa::path(get, path = "/api/ready", responses((status = 200, body = ReadyView), (status = 422, body = Problem)))]
async fn ready_page(State(app): App) -> Answer<Json<ReadyView>> {
    let dir = app.backend.dir();
    blocking(move || readiness(&dir).map(|(r, _)| view(r)).map_err(Fault::from)).await.map(Json)
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(ready_page))
}
