//! Surveys: two stages of a run, and runs laid over each other by conductor, by position, off and on.

use axum::Json;
use axum::extract::{Path, Query, State};
use emission::ambient::AmbientOptions;
use emission::angles::{AngleOptions, Position};
use emission::distance::{Conversion, Polarisation};
use emission::site::Scan;
use emission::stages::{FinalList, SurveyOptions};
use emission::{Decision, JudgeOptions};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::survey::{
    AmbientOfRuns, AnglesOfRuns, ConductorGroup, RunFilter, SurveyOfRun, ambient_of_runs, angles_of_runs,
    conductors_of_runs, survey_of_run,
};

use super::{Answer, App, Asked, Problem, Shared, blocking};

fn number(v: f64) -> Option<f64> {
    v.is_finite().then_some(v)
}

fn numbers(list: &[f64]) -> Vec<Option<f64>> {
    list.iter().map(|v| number(*v)).collect()
}

fn decision(d: Decision) -> String {
    match d {
        Decision::Pass => "pass",
        Decision::Fail => "fail",
        Decision::Inconclusive => "inconclusive",
    }
    .to_owned()
}

/// Which runs.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct RunsQuery {
    /// Of this port, by its id.
    port: Option<String>,
    /// Of this modification state.
    state: Option<String>,
    /// Of this operating mode.
    mode: Option<String>,
    /// Of this sample.
    sample: Option<String>,
    /// Limits by id, separated by commas; those of the runs where it is left out.
    limits: Option<String>,
    /// Largest dimension of the product with its cables, m (for angles); that of the housing where it is left out.
    size_m: Option<f64>,
    /// Only these runs, by id with commas between.
    runs: Option<String>,
}

impl RunsQuery {
    fn filter(&self) -> RunFilter {
        RunFilter {
            port: self.port.clone(),
            state: self.state.clone(),
            mode: self.mode.clone(),
            sample: self.sample.clone(),
            runs: split(self.runs.as_deref()),
        }
    }

    fn limits(&self) -> Vec<String> {
        split(self.limits.as_deref())
    }
}

fn split(text: Option<&str>) -> Vec<String> {
    text.unwrap_or_default().split(',').map(str::trim).filter(|s| !s.is_empty()).map(str::to_owned).collect()
}

fn quiet(_: &workbench::Stage) -> std::ops::ControlFlow<()> {
    std::ops::ControlFlow::Continue(())
}

/// A part of the range.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SurveyPart {
    from_hz: f64,
    to_hz: f64,
    emissions: usize,
    chosen: usize,
    left_out: usize,
}

/// A line of the final measurement list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SurveyLine {
    frequency_hz: f64,
    from_hz: f64,
    to_hz: f64,
    survey_margin_db: f64,
    /// Detectors to be read, in words.
    detectors: Vec<String>,
    dwell_s: f64,
    dwell_reason: String,
}

/// One limit at one suspect after the final measurement.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FinalLine {
    frequency_hz: f64,
    limit_id: String,
    /// The detector whose reading settles it, in words.
    detector: Option<String>,
    level_db: Option<f64>,
    limit_db: Option<f64>,
    margin_db: Option<f64>,
    /// pass, fail or inconclusive.
    decision: String,
    settled_by: String,
}

/// A survey and what follows from it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SurveyView {
    sentence: String,
    decision: String,
    parts: Vec<SurveyPart>,
    list: Vec<SurveyLine>,
    dwell_total_s: f64,
    /// After the final measurement, where final runs were named.
    final_sentence: Option<String>,
    final_decision: Option<String>,
    final_list: Vec<FinalLine>,
    notes: Vec<String>,
}

fn final_lines(list: &FinalList) -> Vec<FinalLine> {
    list.rows
        .iter()
        .flat_map(|r| {
            r.limits.iter().map(move |l| FinalLine {
                frequency_hz: r.frequency_hz,
                limit_id: l.limit_id.clone(),
                detector: l.reading.as_ref().map(|x| x.detector.name().to_owned()),
                level_db: l.reading.as_ref().and_then(|x| number(x.level_db)),
                limit_db: number(l.limit_db),
                margin_db: number(l.margin_db),
                decision: decision(l.decision),
                settled_by: l.settled_by.clone(),
            })
        })
        .collect()
}

fn survey_view(done: &SurveyOfRun) -> SurveyView {
    let s = &done.survey;
    let mut notes = s.notes.clone();
    notes.extend(done.conclusion.iter().flat_map(|c| c.notes.clone()));
    SurveyView {
        sentence: s.verdict.sentence.clone(),
        decision: decision(s.verdict.decision),
        parts: s
            .sub_ranges
            .iter()
            .map(|r| SurveyPart {
                from_hz: r.from_hz,
                to_hz: r.to_hz,
                emissions: r.emissions,
                chosen: r.chosen,
                left_out: r.left_out,
            })
            .collect(),
        list: s
            .to_measure
            .iter()
            .map(|m| SurveyLine {
                frequency_hz: m.frequency_hz,
                from_hz: m.from_hz,
                to_hz: m.to_hz,
                survey_margin_db: m.survey_margin_db,
                detectors: m.detectors.iter().map(|d| d.name().to_owned()).collect(),
                dwell_s: m.dwell.seconds,
                dwell_reason: m.dwell.reason.clone(),
            })
            .collect(),
        dwell_total_s: s.dwell_total_s,
        final_sentence: done.conclusion.as_ref().map(|c| c.sentence.clone()),
        final_decision: done.conclusion.as_ref().map(|c| decision(c.decision)),
        final_list: done.conclusion.as_ref().map_or_else(Vec::new, final_lines),
        notes,
    }
}

/// How suspects are chosen.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct SurveyQuery {
    /// Runs with the final measurement, separated by commas.
    finals: Option<String>,
    /// A suspect lies less than this below a limit, dB; 6 where it is left out.
    within_db: Option<f64>,
    /// Parts of the range; 6 where it is left out.
    sub_ranges: Option<usize>,
    /// Most suspects in a part; 6 where it is left out.
    most_each: Option<usize>,
}

/// The suspects of a run, what to measure of them and how long, and what final runs make of them.
#[utoipa::path(get, path = "/api/runs/{id}/survey", params(("id" = String, Path), SurveyQuery),
    responses((status = 200, body = SurveyView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn survey(State(app): App, Path(id): Path<String>, query: Asked<SurveyQuery>) -> Answer<Json<SurveyView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let usual = SurveyOptions::default();
        let options = SurveyOptions {
            within_db: query.within_db.unwrap_or(usual.within_db),
            sub_ranges: query.sub_ranges.unwrap_or(usual.sub_ranges),
            most_each: query.most_each.unwrap_or(usual.most_each),
            ..usual
        };
        let finals = split(query.finals.as_deref());
        Ok(survey_view(&survey_of_run(&dir, &id, &finals, &[], &options, &mut quiet)?))
    })
    .await
    .map(Json)
}

/// Bounds of one mode.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ModeBandView {
    mode: String,
    /// Least it can be, one a frequency; null where nothing is known from below or in a gap.
    least_db: Vec<Option<f64>>,
    most_db: Vec<Option<f64>>,
}

/// The conductors of a port in one state.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ConductorsView {
    port: Option<String>,
    state: Option<String>,
    mode: Option<String>,
    sample: Option<String>,
    runs: Vec<String>,
    conductors: Vec<String>,
    /// The detector of the levels here, in words.
    detector: String,
    frequency_hz: Vec<f64>,
    highest_db: Vec<Option<f64>>,
    /// Number (from 0) of the conductor the level comes from, one a frequency.
    from: Vec<Option<usize>>,
    bands: Vec<ModeBandView>,
    sentence: Option<String>,
    decision: Option<String>,
    notes: Vec<String>,
}

fn conductors_view(g: &ConductorGroup) -> ConductorsView {
    let column = g.held.trace.columns.first();
    let detector = column.and_then(|c| c.detector);
    ConductorsView {
        port: g.port.clone(),
        state: g.state.clone(),
        mode: g.mode.clone(),
        sample: g.sample.clone(),
        runs: g.runs.clone(),
        conductors: g.conductors.clone(),
        detector: detector.map_or_else(String::new, |d| d.name().to_owned()),
        frequency_hz: g.held.trace.frequency_hz.clone(),
        highest_db: column.map_or_else(Vec::new, |c| numbers(&c.level_db)),
        from: g.held.from.first().cloned().unwrap_or_default(),
        bands: g
            .bands
            .iter()
            .filter(|b| Some(b.detector) == detector)
            .map(|b| ModeBandView {
                mode: b.combination.name.clone(),
                least_db: numbers(&b.least_db),
                most_db: numbers(&b.most_db),
            })
            .collect(),
        sentence: g.verdict.as_ref().map(|v| v.sentence.clone()),
        decision: g.verdict.as_ref().map(|v| decision(v.decision)),
        notes: g.notes.clone(),
    }
}

/// The highest of the conductors of each port, and bounds of the modes.
#[utoipa::path(get, path = "/api/conductors", params(RunsQuery),
    responses((status = 200, body = Vec<ConductorsView>), (status = 422, body = Problem)))]
async fn conductors(State(app): App, query: Asked<RunsQuery>) -> Answer<Json<Vec<ConductorsView>>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let groups = conductors_of_runs(&dir, &query.filter(), &query.limits(), &mut quiet)?;
        Ok(groups.iter().map(conductors_view).collect::<Vec<_>>())
    })
    .await
    .map(Json)
}

/// Where a run was taken.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PositionView {
    azimuth_deg: Option<f64>,
    height_m: Option<f64>,
    /// horizontal or vertical.
    polarisation: Option<String>,
    words: String,
}

impl PositionView {
    fn of(p: &Position) -> Self {
        Self {
            azimuth_deg: p.azimuth_deg,
            height_m: p.height_m,
            polarisation: p.polarisation.map(|x| x.name().to_owned()),
            words: p.words(),
        }
    }
}

/// A polar pattern at one height and polarisation.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PatternView {
    polarisation: Option<String>,
    height_m: Option<f64>,
    azimuth_deg: Vec<f64>,
    level_db: Vec<Option<f64>>,
    spread_db: Option<f64>,
    /// Highest between the angles, by band-limited interpolation.
    interpolated_db: Option<f64>,
    interpolated_deg: Option<f64>,
    /// Why it is not interpolated.
    not_interpolated: Option<String>,
}

/// One suspect over all positions.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AngleSuspectView {
    frequency_hz: f64,
    detector: String,
    level_db: f64,
    margin_db: f64,
    /// The run with the highest level.
    worst_run: String,
    worst_position: PositionView,
    patterns: Vec<PatternView>,
    step_needed_deg: Option<f64>,
    widest_gap_deg: Option<f64>,
    too_coarse: Option<bool>,
    shortfall_median_db: Option<f64>,
    shortfall_95_db: Option<f64>,
    margin_less_shortfall_db: Option<f64>,
}

/// Runs at many positions.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AnglesView {
    runs: Vec<String>,
    positions: Vec<PositionView>,
    sentence: String,
    decision: String,
    suspects: Vec<AngleSuspectView>,
    /// Runs whose positions hold every suspect's maximum.
    repeat_runs: Vec<String>,
    /// No shorter list exists.
    repeat_is_shortest: bool,
    notes: Vec<String>,
}

fn angles_view(found: &AnglesOfRuns) -> AnglesView {
    let a = &found.angles;
    let suspects = a
        .suspects
        .iter()
        .map(|s| AngleSuspectView {
            frequency_hz: s.frequency_hz,
            detector: s.detector.name().to_owned(),
            level_db: s.level_db,
            margin_db: s.margin_db,
            worst_run: found.runs[s.worst].clone(),
            worst_position: PositionView::of(&s.worst_position),
            patterns: s
                .patterns
                .iter()
                .map(|p| PatternView {
                    polarisation: p.polarisation.map(|x| x.name().to_owned()),
                    height_m: p.height_m,
                    azimuth_deg: p.azimuth_deg.clone(),
                    level_db: numbers(&p.level_db),
                    spread_db: number(p.spread_db),
                    interpolated_db: p.interpolated.as_ref().map(|i| i.highest_db),
                    interpolated_deg: p.interpolated.as_ref().map(|i| i.azimuth_deg),
                    not_interpolated: p.not_interpolated.clone(),
                })
                .collect(),
            step_needed_deg: s.sampling.as_ref().map(|x| x.step_needed_deg),
            widest_gap_deg: s.sampling.as_ref().map(|x| x.widest_gap_deg),
            too_coarse: s.sampling.as_ref().map(|x| x.too_coarse),
            shortfall_median_db: s.sampling.as_ref().and_then(|x| x.shortfall.as_ref()).map(|x| x.median_db),
            shortfall_95_db: s.sampling.as_ref().and_then(|x| x.shortfall.as_ref()).map(|x| x.most_db),
            margin_less_shortfall_db: s.margin_less_shortfall_db,
        })
        .collect();
    AnglesView {
        runs: found.runs.clone(),
        positions: found.positions.iter().map(PositionView::of).collect(),
        sentence: a.verdict.sentence.clone(),
        decision: decision(a.verdict.decision),
        suspects,
        repeat_runs: a.repeat.chosen.iter().map(|&i| found.runs[i].clone()).collect(),
        repeat_is_shortest: a.repeat.shortest,
        notes: a.notes.clone(),
    }
}

/// Runs at many angles, heights and polarisations laid over each other.
#[utoipa::path(get, path = "/api/angles", params(RunsQuery),
    responses((status = 200, body = AnglesView), (status = 422, body = Problem)))]
async fn angles(State(app): App, query: Asked<RunsQuery>) -> Answer<Json<AnglesView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let radius_m = match query.size_m {
            Some(size) => Some(0.5 * size),
            None => workbench::housing_radius_m(&dir)?,
        };
        let options = AngleOptions { radius_m, ..AngleOptions::default() };
        Ok(angles_view(&angles_of_runs(&dir, &query.filter(), &query.limits(), &options, &mut quiet)?))
    })
    .await
    .map(Json)
}

/// One suspect from sweeps with the product off and on.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AmbientSuspectView {
    frequency_hz: f64,
    from_hz: f64,
    to_hz: f64,
    margin_db: f64,
    limit_db: Option<f64>,
    /// product, ambient or undecided.
    mark: String,
    p_corrected: f64,
    off_db: Vec<Option<f64>>,
    on_db: Vec<Option<f64>>,
    product_at_most_db: Option<f64>,
    hides_limit: bool,
    ambient_comes_and_goes: bool,
    /// Sweeps of each kind that would probably decide it; 0 where it is decided, null where more than 60.
    sweeps_to_decide: Option<usize>,
}

/// Product or surroundings.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AmbientView {
    off_runs: Vec<String>,
    on_runs: Vec<String>,
    sentence: String,
    decision: String,
    margin_without_ambient_db: Option<f64>,
    suspects: Vec<AmbientSuspectView>,
    notes: Vec<String>,
}

fn ambient_view(found: &AmbientOfRuns) -> AmbientView {
    let a = &found.ambient;
    AmbientView {
        off_runs: found.off.clone(),
        on_runs: found.on.clone(),
        sentence: a.verdict.sentence.clone(),
        decision: decision(a.verdict.decision),
        margin_without_ambient_db: number(a.margin_without_ambient_db),
        suspects: a
            .suspects
            .iter()
            .map(|s| AmbientSuspectView {
                frequency_hz: s.frequency_hz,
                from_hz: s.from_hz,
                to_hz: s.to_hz,
                margin_db: s.margin_db,
                limit_db: number(s.limit_db),
                mark: s.marking.mark.name().to_owned(),
                p_corrected: s.marking.p_corrected,
                off_db: numbers(&s.off_db),
                on_db: numbers(&s.on_db),
                product_at_most_db: number(s.marking.product_at_most_db),
                hides_limit: s.hides_limit,
                ambient_comes_and_goes: s.marking.off_intermittent,
                sweeps_to_decide: s.marking.sweeps_to_decide,
            })
            .collect(),
        notes: a.notes.clone(),
    }
}

/// Marks each suspect as the product's, ambient or undecided, from the runs with the product off and on.
#[utoipa::path(get, path = "/api/ambient", params(RunsQuery),
    responses((status = 200, body = AmbientView), (status = 422, body = Problem)))]
async fn ambient(State(app): App, query: Asked<RunsQuery>) -> Answer<Json<AmbientView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let options = AmbientOptions {
            judging: JudgeOptions { within_db: 10.0, max_suspects: 40, ..JudgeOptions::default() },
            ..AmbientOptions::default()
        };
        Ok(ambient_view(&ambient_of_runs(&dir, &query.filter(), &query.limits(), &options, &mut quiet)?))
    })
    .await
    .map(Json)
}

/// From one distance to another.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct DistanceQuery {
    /// Measured at this distance, m.
    from_m: f64,
    /// Wanted at this one, m.
    to_m: f64,
    /// Largest dimension of the product, m; 0.5 where it is left out.
    size_m: Option<f64>,
    /// Lowest height at which it may radiate, m; 0.8 where it is left out.
    source_low_m: Option<f64>,
    /// Highest height at which it may radiate, m; the lowest where it is left out.
    source_high_m: Option<f64>,
    /// horizontal or vertical; either where it is left out.
    polarisation: Option<String>,
}

/// The difference at one frequency.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DifferenceView {
    frequency_hz: f64,
    /// 20 dB a decade.
    convention_db: Option<f64>,
    expected_db: Option<f64>,
    least_db: Option<f64>,
    most_db: Option<f64>,
    /// Why there is none.
    refused: Option<String>,
}

/// What a level at one distance says of another, from 30 MHz to 1 GHz.
#[utoipa::path(get, path = "/api/distance", params(DistanceQuery),
    responses((status = 200, body = Vec<DifferenceView>), (status = 422, body = Problem)))]
async fn distance(query: Asked<DistanceQuery>) -> Answer<Json<Vec<DifferenceView>>> {
    let Query(q) = query?;
    blocking(move || {
        let low = q.source_low_m.unwrap_or(0.8);
        let conversion = Conversion {
            from_m: q.from_m,
            to_m: q.to_m,
            product_m: q.size_m.unwrap_or(0.5),
            source_height_m: (low, q.source_high_m.unwrap_or(low)),
            scan: Some(Scan::default()),
            polarisation: match q.polarisation.as_deref() {
                Some("horizontal") => Some(Polarisation::Horizontal),
                Some("vertical") => Some(Polarisation::Vertical),
                _ => None,
            },
        };
        // Sixty points evenly over the logarithm.
        Ok((0..=60)
            .map(|i| 30e6 * (1e9f64 / 30e6).powf(f64::from(i) / 60.0))
            .map(|frequency_hz| match conversion.at(frequency_hz) {
                Ok(d) => DifferenceView {
                    frequency_hz,
                    convention_db: Some(d.convention_db),
                    expected_db: Some(d.expected_db),
                    least_db: Some(d.least_db),
                    most_db: Some(d.most_db),
                    refused: None,
                },
                Err(e) => DifferenceView {
                    frequency_hz,
                    convention_db: None,
                    expected_db: None,
                    least_db: None,
                    most_db: None,
                    refused: Some(e.to_string()),
                },
            })
            .collect::<Vec<_>>())
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<std::sync::Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(survey))
        .routes(routes!(conductors))
        .routes(routes!(angles))
        .routes(routes!(ambient))
        .routes(routes!(distance))
}
