//! Thresholds found by trials, and why the product falls over, for the page.

use std::path::Path as FsPath;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Query, State};
use cause::case::Said;
use immunity::threshold::{Assessed, LevelUnit, Question, Way, advise, assess, changes};
use project::{KeptTrial, Project, ThresholdTrial};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::WorkError;
use workbench::upset::{enter_upset_experiment, table_of_series, upset_of_series};

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Sent, Shared, blocking};
use crate::threshold_commands::THRESHOLD_CAUTION;

/// A series of trials, for the list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TrialSeries {
    series: String,
    /// `field`, `conducted`, `burst`, `discharge`, `surge`, `magnetic` or `dips`.
    test: String,
    /// Key of the unit: `kv`, `v_per_m`, …
    unit: String,
    trials: usize,
    failures: usize,
}

/// All series, and what a new one may be in.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SeriesList {
    series: Vec<TrialSeries>,
    units: Vec<TrialUnit>,
    ports: Vec<String>,
    states: Vec<String>,
    caution: String,
}

/// A unit of levels.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TrialUnit {
    key: String,
    symbol: String,
}

/// One trial.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TrialView {
    /// Entry of the ledger.
    entry: u64,
    level: f64,
    failed: bool,
    frequency_hz: Option<f64>,
    port: Option<String>,
    negative: Option<bool>,
    effect: Option<String>,
    modulation: Option<String>,
    state: Option<String>,
    who: String,
    /// Why it no longer counts.
    withdrawn: Option<String>,
}

/// A threshold in the unit of its series.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ThresholdView {
    frequency_hz: Option<f64>,
    trials: usize,
    failures: usize,
    /// `both`, `at_least` or `at_most`.
    known: String,
    level: f64,
    /// Ends of its interval; none where it is open.
    low: Option<f64>,
    high: Option<f64>,
    margin_db: Option<f64>,
    probability_met: Option<f64>,
    failures_below_required: usize,
    met: Option<bool>,
    remark: Option<String>,
}

/// What a change did.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct GainView {
    frequency_hz: Option<f64>,
    gain_db: f64,
    low_db: Option<f64>,
    high_db: Option<f64>,
    is_certain: bool,
}

/// A series in full.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SeriesAnswer {
    series: String,
    test: String,
    unit: String,
    symbol: String,
    /// Oldest first, with those that were taken back.
    trials: Vec<TrialView>,
    /// Modification state whose trials are weighed; none where no trial names one.
    state: Option<String>,
    /// States that have trials, oldest first.
    states: Vec<String>,
    thresholds: Vec<ThresholdView>,
    /// The state before, weighed in the same way.
    before: Vec<ThresholdView>,
    before_state: Option<String>,
    gains: Vec<GainView>,
    /// Level to try next; none when enough was tried.
    next: Option<f64>,
    next_reason: String,
    confidence: f64,
    caution: String,
}

/// How a series is to be weighed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct SeriesQuery {
    /// Level the product must bear, in the unit of the series.
    required: Option<f64>,
    /// `up_down` or `bisection`.
    way: Option<String>,
    /// Step, dB.
    step_db: Option<f64>,
    /// Lowest and highest level to be tried.
    lowest: Option<f64>,
    highest: Option<f64>,
    /// The product fails the same way every time.
    #[serde(default)]
    repeatable: bool,
    /// Frequency at which the next level is asked for, Hz.
    frequency_hz: Option<f64>,
    /// Modification state.
    state: Option<String>,
}

/// A trial to be entered.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct NewTrial {
    series: String,
    test: String,
    unit: String,
    level: f64,
    failed: bool,
    frequency_hz: Option<f64>,
    port: Option<String>,
    negative: Option<bool>,
    effect: Option<String>,
    modulation: Option<String>,
    sample: Option<String>,
    state: Option<String>,
}

/// The entry of the ledger that holds what was entered.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EnteredTrial {
    entry: u64,
}

/// A trial to be taken back.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct TrialTakenBack {
    entry: u64,
    reason: String,
}

/// A sentence of evidence with its factor.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UpsetSaid {
    text: String,
    factor: f64,
}

/// A hypothesis.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UpsetHypothesis {
    words: String,
    probability: f64,
    speaks_for: Vec<UpsetSaid>,
    speaks_against: Vec<UpsetSaid>,
    remedy: String,
}

/// An experiment that could be made.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UpsetProposalView {
    key: String,
    instruction: String,
    caution: Option<String>,
    minutes: f64,
    information_bits: f64,
    chance_of_change: f64,
}

/// A dip of the threshold.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UpsetDip {
    frequency_hz: f64,
    depth_db: f64,
    relative_width: f64,
}

/// Why the product falls over.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UpsetView {
    sentence: String,
    dips: Vec<UpsetDip>,
    hypotheses: Vec<UpsetHypothesis>,
    proposals: Vec<UpsetProposalView>,
    /// Experiments made, with what they showed.
    done: Vec<String>,
    remarks: Vec<String>,
}

/// What an experiment on a series showed.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct UpsetResult {
    key: String,
    changed: bool,
    #[serde(default)]
    remark: String,
}

fn finite(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}

fn view(unit: LevelUnit, a: &Assessed) -> ThresholdView {
    let end = |db: f64| finite(db).map(|db| unit.from_db(db));
    ThresholdView {
        frequency_hz: a.frequency_hz,
        trials: a.trials,
        failures: a.failures,
        known: match a.known {
            immunity::threshold::Known::Both => "both",
            immunity::threshold::Known::AtLeast => "at_least",
            immunity::threshold::Known::AtMost => "at_most",
        }
        .to_owned(),
        level: unit.from_db(a.level_db),
        low: a.threshold.as_ref().and_then(|t| end(t.low_db)),
        high: a.threshold.as_ref().and_then(|t| end(t.high_db)),
        margin_db: a.margin_db,
        probability_met: a.probability_met,
        failures_below_required: a.failures_below_required,
        met: a.met,
        remark: a.remark.clone(),
    }
}

fn wrong(place: &str, what: String, expected: &str) -> Fault {
    Fault::Input(Problem { what, place: place.into(), expected: expected.into() })
}

fn answer(dir: &FsPath, series: &str, query: &SeriesQuery) -> Result<SeriesAnswer, Fault> {
    let kept = Project::open(dir).and_then(|p| p.trials()).map_err(WorkError::from)?;
    let mine: Vec<KeptTrial> = kept.into_iter().filter(|t| t.trial.series == series).collect();
    let mut states: Vec<String> = Vec::new();
    for s in mine.iter().filter(|t| t.withdrawn.is_none()).filter_map(|t| t.trial.state.clone()) {
        if !states.contains(&s) {
            states.push(s);
        }
    }
    let state = query.state.clone().filter(|s| states.contains(s)).or_else(|| states.last().cloned());
    let of = |wanted: Option<&String>| -> Vec<KeptTrial> {
        mine.iter().filter(|t| wanted.is_none() || t.trial.state.as_ref() == wanted).cloned().collect()
    };
    let (table, _) = table_of_series(&of(state.as_ref()), series)?;
    let unit = table.unit;
    let db = |name: &str, v: Option<f64>| match v {
        None => Ok(None),
        Some(v) => unit.to_db(v).map(Some).ok_or_else(|| wrong(name, format!("found {v}"), "a level other than zero")),
    };
    let asked =
        Question { required_db: db("required", query.required)?, repeatable: query.repeatable, ..Question::default() };
    let weigh = |table: &formats::trials::TrialTable| -> Result<Vec<Assessed>, Fault> {
        let one =
            |(f, t): &(Option<f64>, Vec<_>)| assess(*f, t, &asked).map_err(|e| wrong("trials", e.what, e.expected));
        table.by_frequency().iter().map(one).collect()
    };
    let found = weigh(&table)?;
    let before_state =
        states.iter().position(|s| Some(s) == state.as_ref()).filter(|k| *k > 0).map(|k| states[k - 1].clone());
    let before = match &before_state {
        Some(s) => weigh(&table_of_series(&of(Some(s)), series)?.0)?,
        None => Vec::new(),
    };
    let way = match query.way.as_deref() {
        None | Some("up_down") => Way::UpDown,
        Some("bisection") => Way::Bisection,
        Some(other) => return Err(wrong("way", format!("found `{other}`"), "up_down or bisection")),
    };
    let step_db = query.step_db.unwrap_or(1.0);
    if !(step_db.is_finite() && step_db > 0.0) {
        return Err(wrong("step_db", format!("found {step_db}"), "a number above 0"));
    }
    let (lowest, highest) = (db("lowest", query.lowest)?, db("highest", query.highest)?);
    let same = |f: &Option<f64>| match (f, query.frequency_hz) {
        (Some(a), Some(b)) => (a / b - 1.0).abs() < 1e-6,
        (_, None) => true,
        _ => false,
    };
    let group = table.by_frequency().into_iter().rfind(|g| same(&g.0));
    let trials = group.map(|g| g.1).unwrap_or_default();
    let all = || table.rows.iter().map(|r| r.level_db);
    let low = lowest.unwrap_or_else(|| all().fold(f64::INFINITY, f64::min) - 20.0);
    let high = highest.unwrap_or_else(|| all().fold(f64::NEG_INFINITY, f64::max) + 2.0 * step_db).max(low + 0.1);
    let advice = advise(&trials, way, (low, high), step_db);
    Ok(SeriesAnswer {
        series: series.to_owned(),
        test: mine.first().map(|t| t.trial.test.clone()).unwrap_or_default(),
        unit: unit.key.to_owned(),
        symbol: unit.symbol.to_owned(),
        trials: mine
            .iter()
            .map(|t| TrialView {
                entry: t.entry,
                level: t.trial.level,
                failed: t.trial.failed,
                frequency_hz: t.trial.frequency_hz,
                port: t.trial.port.clone(),
                negative: t.trial.negative,
                effect: t.trial.effect.clone(),
                modulation: t.trial.modulation.clone(),
                state: t.trial.state.clone(),
                who: t.who.clone(),
                withdrawn: t.withdrawn.clone(),
            })
            .collect(),
        gains: changes(&before, &found)
            .into_iter()
            .map(|c| GainView {
                frequency_hz: c.frequency_hz,
                gain_db: c.change.gain_db,
                low_db: finite(c.change.low_db),
                high_db: finite(c.change.high_db),
                is_certain: c.change.is_certain,
            })
            .collect(),
        thresholds: found.iter().map(|a| view(unit, a)).collect(),
        before: before.iter().map(|a| view(unit, a)).collect(),
        state,
        states,
        before_state,
        next: advice.next_db.map(|db| unit.from_db(db)),
        next_reason: advice.reason,
        confidence: asked.confidence,
        caution: THRESHOLD_CAUTION.to_owned(),
    })
}

fn list(dir: &FsPath) -> Result<SeriesList, Fault> {
    let project = Project::open(dir).map_err(WorkError::from)?;
    let mut series: Vec<TrialSeries> = Vec::new();
    for t in project.trials().map_err(WorkError::from)?.into_iter().filter(|t| t.withdrawn.is_none()) {
        let failed = usize::from(t.trial.failed);
        match series.iter_mut().find(|s| s.series == t.trial.series) {
            Some(s) => {
                s.trials += 1;
                s.failures += failed;
            }
            None => series.push(TrialSeries {
                series: t.trial.series,
                test: t.trial.test,
                unit: t.trial.unit,
                trials: 1,
                failures: failed,
            }),
        }
    }
    let product = project.product().map_err(WorkError::from)?.product;
    let states = project.states().map_err(WorkError::from)?.into_iter().map(|s| s.state.id).collect();
    Ok(SeriesList {
        series,
        units: immunity::threshold::UNITS
            .iter()
            .map(|u| TrialUnit { key: u.key.to_owned(), symbol: u.symbol.to_owned() })
            .collect(),
        ports: product.ports.into_iter().map(|p| p.id).collect(),
        states,
        caution: THRESHOLD_CAUTION.to_owned(),
    })
}

fn upset_view(dir: &FsPath, series: &str) -> Result<UpsetView, Fault> {
    let case = upset_of_series(dir, series)?;
    let said = |s: Vec<Said>| s.into_iter().map(|s| UpsetSaid { text: s.text, factor: s.factor }).collect();
    Ok(UpsetView {
        sentence: case.in_words(),
        dips: case
            .dips
            .iter()
            .map(|d| UpsetDip { frequency_hz: d.frequency_hz, depth_db: d.depth_db, relative_width: d.relative_width })
            .collect(),
        proposals: case
            .proposals()
            .into_iter()
            .map(|p| UpsetProposalView {
                key: p.key,
                instruction: p.instruction,
                caution: p.caution,
                minutes: p.minutes,
                information_bits: p.information_bits,
                chance_of_change: p.chance_of_change,
            })
            .collect(),
        done: case.done.iter().map(cause::upset::UpsetDone::in_words).collect(),
        remarks: case.remarks.clone(),
        hypotheses: case
            .ranking()
            .into_iter()
            .map(|r| UpsetHypothesis {
                words: r.words,
                probability: r.probability,
                speaks_for: said(r.speaks_for),
                speaks_against: said(r.speaks_against),
                remedy: r.remedy,
            })
            .collect(),
    })
}

/// All series of trials.
#[utoipa::path(get, path = "/api/thresholds", responses((status = 200, body = SeriesList), (status = 422, body = Problem)))]
async fn series_list(State(app): App) -> Answer<Json<SeriesList>> {
    let dir = app.backend.dir();
    blocking(move || list(&dir)).await.map(Json)
}

/// A series of trials: thresholds, what to try next, what a change did.
#[utoipa::path(get, path = "/api/thresholds/{series}", params(("series" = String, Path), SeriesQuery),
    responses((status = 200, body = SeriesAnswer), (status = 422, body = Problem)))]
async fn series_of(
    State(app): App,
    Path(series): Path<String>,
    query: Asked<SeriesQuery>,
) -> Answer<Json<SeriesAnswer>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || answer(&dir, &series, &query)).await.map(Json)
}

/// Enters a trial in the ledger.
#[utoipa::path(post, path = "/api/thresholds", request_body = NewTrial,
    responses((status = 200, body = EnteredTrial), (status = 422, body = Problem)))]
async fn add_trial(State(app): App, sent: Sent<NewTrial>) -> Answer<Json<EnteredTrial>> {
    let Json(t) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        if LevelUnit::of(&t.unit).and_then(|u| u.to_db(t.level)).is_none() {
            return Err(wrong(
                "level",
                format!("found {} in `{}`", t.level, t.unit),
                "a level other than zero in a unit of the list",
            ));
        }
        let trial = ThresholdTrial {
            series: t.series,
            test: t.test,
            unit: t.unit,
            level: t.level.abs(),
            failed: t.failed,
            frequency_hz: t.frequency_hz,
            port: t.port,
            negative: t.negative,
            effect: t.effect,
            modulation: t.modulation,
            sample: t.sample,
            state: t.state,
        };
        let entry = Project::open(&dir).and_then(|mut p| p.add_trial(trial)).map_err(WorkError::from)?;
        Ok(EnteredTrial { entry })
    })
    .await
    .map(Json)
}

/// Takes a trial back; it stays in the ledger.
#[utoipa::path(post, path = "/api/thresholds/withdrawn", request_body = TrialTakenBack,
    responses((status = 200, body = EnteredTrial), (status = 422, body = Problem)))]
async fn withdraw_trial(State(app): App, sent: Sent<TrialTakenBack>) -> Answer<Json<EnteredTrial>> {
    let Json(t) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        Project::open(&dir).and_then(|mut p| p.withdraw_trial(t.entry, &t.reason)).map_err(WorkError::from)?;
        Ok(EnteredTrial { entry: t.entry })
    })
    .await
    .map(Json)
}

/// Why the product falls over in a series.
#[utoipa::path(get, path = "/api/upsets/{series}", params(("series" = String, Path)),
    responses((status = 200, body = UpsetView), (status = 422, body = Problem)))]
async fn upset(State(app): App, Path(series): Path<String>) -> Answer<Json<UpsetView>> {
    let dir = app.backend.dir();
    blocking(move || upset_view(&dir, &series)).await.map(Json)
}

/// Enters what an experiment showed, and gives the case as it then stands.
#[utoipa::path(post, path = "/api/upsets/{series}", params(("series" = String, Path)), request_body = UpsetResult,
    responses((status = 200, body = UpsetView), (status = 422, body = Problem)))]
async fn upset_enter(State(app): App, Path(series): Path<String>, sent: Sent<UpsetResult>) -> Answer<Json<UpsetView>> {
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        enter_upset_experiment(&dir, &series, &sent.key, sent.changed, &sent.remark)?;
        upset_view(&dir, &series)
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(series_list, add_trial))
        .routes(routes!(series_of))
        .routes(routes!(withdraw_trial))
        .routes(routes!(upset, upset_enter))
}
