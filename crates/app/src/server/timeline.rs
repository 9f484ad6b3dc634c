//! When a disturbance was there: the time structure of a run's capture, its noise floor, and a stretch measured on its own.

use std::ops::ControlFlow;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::{Evaluation, Stage};

use super::{Answer, App, Asked, Problem, Shared, blocking};

/// Peak level against time: as little-endian numbers the first time, the length of a cell of time (both s), how many cells
/// of time and of frequency (f64 each), the lowest and then the highest frequency of every cell (f64, Hz), and the levels
/// (f32, dBµV at the receiver input, cell of time after cell of time). Empty for a sweep.
#[utoipa::path(get, path = "/api/runs/{id}/timeline", params(("id" = String, Path)),
    responses((status = 200, body = Vec<u8>, content_type = "application/octet-stream"), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn timeline(State(app): App, Path(id): Path<String>) -> Answer<Response> {
    let table = blocking(move || {
        Ok(workbench::run_timeline(&app.backend.dir(), &id, &mut |_: &Stage| ControlFlow::Continue(()))?)
    })
    .await?;
    let data = table.map_or_else(Vec::new, |t| bytes(&t));
    Ok(([(header::CONTENT_TYPE, "application/octet-stream")], data).into_response())
}

pub(super) fn bytes(t: &formats::timeline_file::TimelineTable) -> Vec<u8> {
    let head = [t.axes.first_s, t.axes.step_s, t.axes.times as f64, t.axes.from_hz.len() as f64];
    let edges = head.iter().chain(&t.axes.from_hz).chain(&t.axes.to_hz).flat_map(|v| v.to_le_bytes());
    edges.chain(t.level_dbuv.iter().flat_map(|v| v.to_le_bytes())).collect()
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct SpanQuery {
    /// Beginning, s after the record's first frame.
    from_s: f64,
    /// End, s.
    to_s: f64,
}

/// Levels of one detector.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SpanColumn {
    /// Key of the detector.
    detector: String,
    /// Levels at the product, in the run's unit; null where there is none.
    level_db: Vec<Option<f64>>,
    /// What the detector reads on the record's own noise; empty where no floor was found.
    floor_db: Vec<Option<f64>>,
}

/// A run's levels, or those of a stretch of its capture.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SpanLevels {
    /// The verdict in a sentence, or why there is none.
    sentence: String,
    /// Frequencies, Hz.
    frequency_hz: Vec<f64>,
    /// One a detector.
    columns: Vec<SpanColumn>,
    /// How the levels were made.
    history: Vec<String>,
}

/// Three digits after the point and nothing where there is no level: what a drawing needs.
fn short(levels: &[f64]) -> Vec<Option<f64>> {
    levels.iter().map(|l| l.is_finite().then(|| (l * 1e3).round() / 1e3)).collect()
}

fn shown(evaluation: Evaluation) -> SpanLevels {
    let judged = evaluation.judged;
    let sentence = match (&judged.verdict, evaluation.problem) {
        (Some(v), _) => v.sentence.clone(),
        (None, Some(why)) => format!("Not judged: {why}."),
        (None, None) => "Not judged: no limit was named.".to_owned(),
    };
    let columns = judged
        .trace
        .columns
        .iter()
        .map(|c| SpanColumn {
            detector: c.detector.map(|d| d.key().to_owned()).unwrap_or_default(),
            level_db: short(&c.level_db),
            floor_db: short(&c.floor_db),
        })
        .collect();
    SpanLevels { sentence, frequency_hz: judged.trace.frequency_hz, columns, history: judged.trace.history }
}

/// A stretch of the run's capture, measured and judged as the run was. Nothing of it enters the ledger.
#[utoipa::path(get, path = "/api/runs/{id}/span", params(("id" = String, Path), SpanQuery),
    responses((status = 200, body = SpanLevels), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn span(State(app): App, Path(id): Path<String>, query: Asked<SpanQuery>) -> Answer<Json<SpanLevels>> {
    let Query(SpanQuery { from_s, to_s }) = query?;
    blocking(move || {
        let go_on = &mut |_: &Stage| ControlFlow::Continue(());
        Ok(shown(workbench::run_span(&app.backend.dir(), &id, from_s, to_s, go_on)?))
    })
    .await
    .map(Json)
}

/// What each detector reads on the record's own noise, at the product: all frequencies in Hz, then all levels of each of
/// the run's columns, as little-endian f64. NaN: no floor was found there. Empty where none was found at all.
#[utoipa::path(get, path = "/api/runs/{id}/floor", params(("id" = String, Path)),
    responses((status = 200, body = Vec<u8>, content_type = "application/octet-stream"), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn floor(State(app): App, Path(id): Path<String>) -> Answer<Response> {
    let data = blocking(move || {
        let go_on = &mut |_: &Stage| ControlFlow::Continue(());
        let trace = workbench::evaluate(&app.backend.dir(), &id, go_on)?.judged.trace;
        if trace.columns.iter().all(|c| c.floor_db.is_empty()) {
            return Ok(Vec::new());
        }
        // The floor is smooth: two thousand frequencies draw it.
        let every = trace.frequency_hz.len().div_ceil(2000).max(1);
        let n = trace.frequency_hz.len();
        let lists = std::iter::once(&trace.frequency_hz).chain(trace.columns.iter().map(|c| &c.floor_db));
        Ok(lists
            .flat_map(|list| (0..n).step_by(every).flat_map(|i| list.get(i).unwrap_or(&f64::NAN).to_le_bytes()))
            .collect())
    })
    .await?;
    Ok(([(header::CONTENT_TYPE, "application/octet-stream")], data).into_response())
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(timeline)).routes(routes!(span)).routes(routes!(floor))
}
