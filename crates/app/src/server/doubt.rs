//! Budgets of uncertainty, and what samples say of a series.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use emission::series::{SeriesRule, judge_series};
use emission::uncertainty::{cispr_rule, guard_band_db, level_uncertainty};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::chance::{built_in_budgets, project_budgets};

use super::{Answer, App, Asked, Problem, Refusal, Shared, blocking};

/// Frequencies at which a budget is worked out.
const POINTS: usize = 9;
/// Consumer's risk of guarded acceptance.
const RISK: f64 = 0.05;

/// What a budget comes to at one frequency.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BudgetAt {
    frequency_hz: f64,
    /// Expanded uncertainty (k = 2), dB.
    expanded_db: f64,
    /// Standard uncertainty of what is the same at all frequencies, dB.
    common_db: f64,
    /// Added to every reading: what U is larger than the published one, dB.
    addition_db: f64,
    /// Guard band for a consumer's risk of 5 %, dB.
    guard_band_db: f64,
}

/// One contribution in the middle of the range.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BudgetShare {
    name: String,
    standard_db: f64,
    variance_share: f64,
}

/// A budget of uncertainty.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BudgetView {
    id: String,
    title: String,
    source: String,
    /// The file it comes from, or that it is built in.
    origin: String,
    /// Published U (k = 2) of this kind of measurement, dB.
    u_cispr_db: f64,
    at: Vec<BudgetAt>,
    /// Largest first.
    shares: Vec<BudgetShare>,
}

/// The project's budgets, or the built-in examples where it has none.
#[utoipa::path(get, path = "/api/uncertainty", responses((status = 200, body = Vec<BudgetView>), (status = 422, body = Problem)))]
async fn uncertainty(State(app): App) -> Answer<Json<Vec<BudgetView>>> {
    blocking(move || {
        let own = project_budgets(&app.backend.dir())?;
        let found = if own.is_empty() { built_in_budgets() } else { own };
        let views = found.into_iter().map(|f| {
            let b = f.budget;
            let published = b.kind.published();
            let ratio = published.to_hz / published.from_hz;
            let gum: Vec<_> = (0..POINTS)
                .map(|i| published.from_hz * ratio.powf(i as f64 / (POINTS - 1) as f64))
                .map(|f| f.clamp(published.from_hz, published.to_hz))
                .filter_map(|f| level_uncertainty(&b, f))
                .collect();
            let at = gum
                .iter()
                .map(|u| BudgetAt {
                    frequency_hz: u.frequency_hz,
                    expanded_db: u.expanded_db,
                    common_db: u.common_db,
                    addition_db: cispr_rule(u.expanded_db, published.u_cispr_db).addition_db,
                    guard_band_db: guard_band_db(u.standard_db, RISK),
                })
                .collect();
            let shares = gum.get(gum.len() / 2).map_or_else(Vec::new, |u| {
                u.shares
                    .iter()
                    .map(|s| BudgetShare {
                        name: s.name.clone(),
                        standard_db: s.standard_db,
                        variance_share: s.variance_share,
                    })
                    .collect()
            });
            BudgetView {
                id: b.id.clone(),
                title: b.title.clone(),
                source: b.source.clone(),
                origin: f.origin,
                u_cispr_db: published.u_cispr_db,
                at,
                shares,
            }
        });
        Ok(views.collect::<Vec<_>>())
    })
    .await
    .map(Json)
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct SeriesQuery {
    /// Smallest margin (limit minus level) of each sample, dB, with commas between.
    margins: String,
    /// Spread that the additional margin is reckoned with, dB; 6 where it is left out.
    sigma_db: Option<f64>,
}

/// What samples say of their series: 80 % within the limit with 80 % confidence (CISPR 16-4-3).
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SeriesView {
    samples: usize,
    mean_margin_db: f64,
    standard_db: f64,
    /// Acceptance factor.
    k: f64,
    /// Mean less k times the spread, dB.
    in_hand_db: f64,
    noncentral_t: bool,
    /// That 80 % are within the limit.
    confidence: f64,
    failures: usize,
    binomial_samples: usize,
    binomial: bool,
    additional_margin_db: f64,
    additional_margin: bool,
    /// Samples that would be accepted four times in five; null: more than 200.
    samples_needed: Option<usize>,
}

/// Judges a series by the three methods of CISPR 16-4-3.
#[utoipa::path(get, path = "/api/series", params(SeriesQuery),
    responses((status = 200, body = SeriesView), (status = 400, body = Problem)))]
async fn series(query: Asked<SeriesQuery>) -> Answer<Json<SeriesView>> {
    let Query(query) = query?;
    let bad = |what: String, expected: &str| Refusal::new(StatusCode::BAD_REQUEST, what, "margins", expected);
    let margins = query
        .margins
        .split([',', ';', ' '])
        .map(|t| t.trim().replace('−', "-"))
        .filter(|t| !t.is_empty())
        .map(|t| t.parse::<f64>().map_err(|_| bad(format!("`{t}`"), "margins in dB with commas between")))
        .collect::<Result<Vec<f64>, _>>()?;
    let s = judge_series(&margins, SeriesRule::default(), query.sigma_db.unwrap_or(6.0))
        .map_err(|e| bad(e.to_string(), "the smallest margin of each of two samples or more, dB"))?;
    Ok(Json(SeriesView {
        samples: s.samples,
        mean_margin_db: s.mean_margin_db,
        standard_db: s.standard_db,
        k: s.k,
        in_hand_db: s.in_hand_db,
        noncentral_t: s.noncentral_t,
        confidence: s.confidence,
        failures: s.failures,
        binomial_samples: s.binomial_samples,
        binomial: s.binomial,
        additional_margin_db: s.additional_margin_db,
        additional_margin: s.additional_margin,
        samples_needed: s.samples_needed,
    }))
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(uncertainty)).routes(routes!(series))
}
