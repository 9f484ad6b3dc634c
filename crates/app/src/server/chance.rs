//! How sure: the chance of passing, what the bench has learnt, what to measure next, whether a change helped.

use std::ops::ControlFlow;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use emission::change::Comparison;
use serde::{Deserialize, Serialize};
use standards::Detector;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::Stage;
use workbench::chance::{BudgetLine, ChancePart, ChanceQuery, NextStep, OffsetPart};

use super::{Answer, App, Asked, Problem, Refusal, Shared, blocking};

/// JSON has no number for what is missing.
fn number(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

/// The key of a value that serialises as a word.
fn key(x: impl Serialize) -> String {
    serde_json::to_value(x).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct PartQuery {
    /// Only this port, by its id.
    port: Option<String>,
    /// The modification state; that of the last run on the bench else.
    state: Option<String>,
    /// The laboratory whose paired runs count; the one with most runs else.
    laboratory: Option<String>,
}

impl PartQuery {
    fn asked(self) -> ChanceQuery {
        let some = |text: Option<String>| text.filter(|t| !t.trim().is_empty());
        ChanceQuery { port: some(self.port), state: some(self.state), laboratory: some(self.laboratory) }
    }
}

/// One emission's part in the chance.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChanceEmission {
    /// Where and how it was read.
    label: String,
    frequency_hz: f64,
    /// Mean margin read on the bench, dB.
    bench_margin_db: f64,
    /// Margin expected at the laboratory, dB.
    expected_margin_db: f64,
    /// Standard deviation of what the laboratory may read, dB.
    standard_db: f64,
    /// Probability that the laboratory reads it over its limit.
    probability_over: f64,
    /// What the chance would gain if it were not there.
    gain_without: f64,
}

/// One source of doubt.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChanceSource {
    name: String,
    /// `bench`, `laboratory` or `repetition`.
    side: String,
    /// Standard uncertainty at the emissions that decide, dB.
    standard_db: f64,
    /// Share of the variance.
    variance_share: f64,
    /// The chance without it.
    probability_without: f64,
}

/// A budget in a line.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChanceBudget {
    id: String,
    title: String,
    /// Expanded uncertainty (k = 2) at the emission that decides, dB.
    expanded_db: Option<f64>,
    source: String,
}

/// The chance for one port and kind of measurement.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChanceOfPart {
    /// Port by its id.
    port: Option<String>,
    title: String,
    /// What it is and what drives it, in words.
    sentence: String,
    probability: f64,
    /// Standard error of the simulation.
    standard_error: f64,
    /// Those that decide first.
    emissions: Vec<ChanceEmission>,
    /// Largest first.
    sources: Vec<ChanceSource>,
    /// Ids of the runs on the bench.
    runs: Vec<String>,
    bench: ChanceBudget,
    laboratory: ChanceBudget,
    /// How well the bench repeats, in words.
    repeatability: String,
    /// Paired readings that entered.
    pairs: usize,
}

/// The chance of passing at the laboratory.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChanceAnswer {
    state: Option<String>,
    sample: Option<String>,
    laboratory_name: Option<String>,
    /// Probability that every part passes.
    probability: f64,
    /// The figure in a line.
    headline: String,
    sentence: String,
    /// Least likely first.
    parts: Vec<ChanceOfPart>,
    /// What was assumed or left out.
    notes: Vec<String>,
}

fn budget(b: BudgetLine) -> ChanceBudget {
    ChanceBudget { id: b.id, title: b.title, expanded_db: number(b.expanded_db), source: b.source }
}

fn part(p: ChancePart) -> ChanceOfPart {
    let c = p.chance;
    ChanceOfPart {
        port: p.port,
        title: p.title,
        sentence: p.sentence,
        probability: c.probability,
        standard_error: c.standard_error,
        emissions: c
            .emissions
            .into_iter()
            .map(|e| ChanceEmission {
                label: e.label,
                frequency_hz: e.frequency_hz,
                bench_margin_db: e.bench_margin_db,
                expected_margin_db: e.expected_margin_db,
                standard_db: e.standard_db,
                probability_over: e.probability_over,
                gain_without: e.gain_without,
            })
            .collect(),
        sources: c
            .sources
            .into_iter()
            .map(|s| ChanceSource {
                name: s.name,
                side: s.side.to_owned(),
                standard_db: s.standard_db,
                variance_share: s.variance_share,
                probability_without: s.probability_without,
            })
            .collect(),
        runs: p.runs,
        bench: budget(p.bench),
        laboratory: budget(p.laboratory),
        repeatability: p.repeatability_words,
        pairs: c.pairs_used,
    }
}

/// The chance of passing at the laboratory, from the runs on the bench, and what drives it.
#[utoipa::path(get, path = "/api/chance", params(PartQuery),
    responses((status = 200, body = ChanceAnswer), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn chance(State(app): App, query: Asked<PartQuery>) -> Answer<Json<ChanceAnswer>> {
    let Query(query) = query?;
    blocking(move || {
        let go_on = &mut |_: &Stage| ControlFlow::Continue(());
        let r = workbench::chance::chance(&app.backend.dir(), &query.asked(), go_on)?;
        Ok(ChanceAnswer {
            state: r.state,
            sample: r.sample,
            laboratory_name: r.laboratory_name,
            probability: r.probability,
            headline: r.headline,
            sentence: r.sentence,
            parts: r.parts.into_iter().map(part).collect(),
            notes: r.notes,
        })
    })
    .await
    .map(Json)
}

/// The offset at one frequency.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OffsetPoint {
    frequency_hz: f64,
    /// Level at the laboratory minus level on the bench, dB.
    offset_db: f64,
    /// Its standard uncertainty, dB.
    standard_db: f64,
    /// The same before any pair, dB.
    before_db: f64,
    /// What one emission deviates beside it, dB.
    floor_db: f64,
}

/// One paired reading.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OffsetPair {
    frequency_hz: f64,
    /// Level at the laboratory minus level on the bench, dB.
    difference_db: f64,
    /// What the other pairs predict, dB.
    predicted_db: Option<f64>,
    /// Standard deviation of that prediction, dB.
    standard_db: Option<f64>,
}

/// What the bench has learnt for one kind of measurement.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OffsetOfKind {
    title: String,
    sentence: String,
    offset: Vec<OffsetPoint>,
    pairs: Vec<OffsetPair>,
    visits: Vec<String>,
    /// Further visits that would be enough; null: not with twenty.
    visits_needed: Option<usize>,
}

/// What the bench has learnt.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OffsetAnswer {
    laboratory_name: Option<String>,
    /// What is there, or what to do where nothing is.
    sentence: String,
    /// Empty before a laboratory has been visited.
    parts: Vec<OffsetOfKind>,
    notes: Vec<String>,
}

fn kind(p: OffsetPart) -> OffsetOfKind {
    let left = &p.left_out;
    OffsetOfKind {
        title: p.title,
        sentence: p.sentence,
        offset: p
            .offset
            .iter()
            .map(|o| OffsetPoint {
                frequency_hz: o.frequency_hz,
                offset_db: o.offset_db,
                standard_db: o.standard_db,
                before_db: o.before_db,
                floor_db: o.floor_db,
            })
            .collect(),
        pairs: p
            .pairs
            .iter()
            .enumerate()
            .map(|(i, pair)| OffsetPair {
                frequency_hz: pair.frequency_hz,
                difference_db: pair.difference_db,
                predicted_db: left.get(i).map(|l| l.predicted_db),
                standard_db: left.get(i).map(|l| l.standard_db),
            })
            .collect(),
        visits: p.visits,
        visits_needed: p.visits_needed,
    }
}

/// The offset between the bench and a laboratory, from paired runs.
#[utoipa::path(get, path = "/api/offset", params(PartQuery),
    responses((status = 200, body = OffsetAnswer), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn offset(State(app): App, query: Asked<PartQuery>) -> Answer<Json<OffsetAnswer>> {
    let Query(query) = query?;
    blocking(move || {
        let go_on = &mut |_: &Stage| ControlFlow::Continue(());
        let r = workbench::chance::offset(&app.backend.dir(), query.asked().laboratory.as_deref(), go_on)?;
        Ok(OffsetAnswer {
            laboratory_name: r.laboratory_name,
            sentence: r.sentence,
            parts: r.parts.into_iter().map(kind).collect(),
            notes: r.notes,
        })
    })
    .await
    .map(Json)
}

/// A measurement worth making.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct NextMeasurement {
    /// Port by its id.
    port: Option<String>,
    /// Port and kind in words.
    part: String,
    title: String,
    minutes: f64,
    /// Probability that the likelier verdict is wrong, now.
    doubt_now: f64,
    /// The same to be expected after it.
    doubt_after: f64,
    /// Probability that it leaves a sure verdict.
    settles: f64,
    gain_per_hour: f64,
    /// Mains stands on the port: the caution belongs beside it.
    mains: bool,
}

/// What to measure next.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct NextAnswer {
    state: Option<String>,
    sentence: String,
    /// Best first.
    steps: Vec<NextMeasurement>,
    /// For the steps where mains stands on the port.
    mains_caution: String,
    notes: Vec<String>,
}

fn step(s: NextStep) -> NextMeasurement {
    NextMeasurement {
        port: s.port,
        part: s.part,
        title: s.ranked.candidate.title,
        minutes: s.ranked.candidate.minutes,
        doubt_now: s.ranked.doubt_now,
        doubt_after: s.ranked.doubt_after,
        settles: s.ranked.settles,
        gain_per_hour: s.ranked.gain_per_hour,
        mains: s.mains,
    }
}

/// What to measure next: by the doubt on the verdict that it removes an hour.
#[utoipa::path(get, path = "/api/next", params(PartQuery),
    responses((status = 200, body = NextAnswer), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn next(State(app): App, query: Asked<PartQuery>) -> Answer<Json<NextAnswer>> {
    let Query(query) = query?;
    blocking(move || {
        let go_on = &mut |_: &Stage| ControlFlow::Continue(());
        let r = workbench::chance::next(&app.backend.dir(), &query.asked(), go_on)?;
        Ok(NextAnswer {
            state: r.state,
            sentence: r.sentence,
            steps: r.steps.into_iter().map(step).collect(),
            mains_caution: crate::print::MAINS_CAUTION.to_owned(),
            notes: r.notes,
        })
    })
    .await
    .map(Json)
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct CompareQuery {
    /// Runs before the change, by id with commas between.
    before: String,
    /// Runs after it.
    after: String,
    /// Detector by its key.
    detector: Option<String>,
}

/// One emission in both states.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EmissionInBoth {
    frequency_hz: f64,
    before_db: f64,
    after_db: f64,
    /// After minus before, dB.
    difference_db: f64,
    /// Half-width of its own 95 % interval, dB.
    half_width_db: f64,
    /// Corrected for the number of emissions.
    p_value: f64,
    /// `better`, `worse`, `unchanged`, `undecided`, `gone` or `new`.
    fate: String,
}

/// Two states compared.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CompareAnswer {
    sentence: String,
    detector: String,
    frequency_hz: Vec<f64>,
    /// Mean after minus mean before, dB; null where either has none.
    difference_db: Vec<Option<f64>>,
    /// Half-width of the 95 % band at one frequency, dB.
    pointwise_db: f64,
    /// At all frequencies at once, dB.
    simultaneous_db: f64,
    /// Repetition is assumed: too few runs show it.
    assumed: bool,
    /// Largest change first.
    emissions: Vec<EmissionInBoth>,
}

fn compared(c: Comparison) -> CompareAnswer {
    CompareAnswer {
        sentence: c.sentence,
        detector: c.detector.key().to_owned(),
        frequency_hz: c.frequency_hz,
        difference_db: c.difference_db.into_iter().map(number).collect(),
        pointwise_db: c.pointwise_db,
        simultaneous_db: c.simultaneous_db,
        assumed: c.assumed,
        emissions: c
            .emissions
            .into_iter()
            .map(|e| EmissionInBoth {
                frequency_hz: e.frequency_hz,
                before_db: e.before_db,
                after_db: e.after_db,
                difference_db: e.difference_db,
                half_width_db: e.half_width_db,
                p_value: e.p_value,
                fate: key(e.fate),
            })
            .collect(),
    }
}

/// Whether a change helped: runs before and after it, compared with what repetition alone does.
#[utoipa::path(get, path = "/api/compare", params(CompareQuery),
    responses((status = 200, body = CompareAnswer), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn compare(State(app): App, query: Asked<CompareQuery>) -> Answer<Json<CompareAnswer>> {
    let Query(query) = query?;
    let detector = match &query.detector {
        None => None,
        Some(text) => Some(Detector::ALL.into_iter().find(|d| d.key() == text).ok_or_else(|| {
            Refusal::new(
                StatusCode::BAD_REQUEST,
                format!("no detector `{text}`"),
                "detector",
                "peak, quasi_peak, cispr_average or rms_average",
            )
        })?),
    };
    blocking(move || {
        let ids = |text: &str| -> Vec<String> {
            text.split(',').map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned).collect()
        };
        let go_on = &mut |_: &Stage| ControlFlow::Continue(());
        let (before, after) = (ids(&query.before), ids(&query.after));
        Ok(compared(workbench::chance::compare_runs(&app.backend.dir(), &before, &after, detector, go_on)?))
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(chance)).routes(routes!(offset)).routes(routes!(next)).routes(routes!(compare))
}
