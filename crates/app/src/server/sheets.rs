//! Run sheets of the planned immunity tests, with their set-up drawings, for the page.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Query, State};
use axum::response::Response;
use campaign::RunSheet;
use report::{Ink, set_up_svg};
use serde::{Deserialize, Serialize};
use standards::Known;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::{RunSheets, run_sheets, sheet_places, sheets_pdf};

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Shared, blocking, download};
use crate::campaign_commands::now_text;
use crate::sheet_commands::{AlsoFlag, wishes};

/// A step of a sheet.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetStepView {
    id: String,
    stimulus: String,
    level: String,
    count: u32,
    duration_s: f64,
    /// Time each stimulus stays on, s.
    dwell_s: Option<f64>,
    /// Time to wait from one to the next, s.
    rest_s: Option<f64>,
}

/// Steps at one place.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetPlaceView {
    place: String,
    /// Id of the product's port.
    port: Option<String>,
    /// Performance criterion.
    criterion: Option<String>,
    /// Moving or plugging before it, s; 0 where nothing is moved.
    change_s: f64,
    /// What can hurt whoever does that.
    caution: Option<String>,
    /// With the change, s.
    duration_s: f64,
    count: u32,
    /// Levels, each once, in the order given.
    levels: Vec<String>,
    steps: Vec<SheetStepView>,
}

/// A row of the plan that a sheet carries out.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetTestView {
    port_name: String,
    asked_by: String,
    criterion: Option<String>,
    from_memory: bool,
    planned_s: f64,
}

/// A drawing of the set-up.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SetUpView {
    title: String,
    /// In the page's own colours.
    svg: String,
    notes: Vec<String>,
    caution: String,
}

/// A question that product.toml does not answer.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetQuestion {
    field: String,
    text: String,
}

/// What the planned surges do to a protection part.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct WearView {
    part: String,
    port_name: String,
    bears: bool,
    /// Share of its life, 0 to 1.
    share_of_life: Option<f64>,
    warnings: Vec<String>,
}

/// One sheet.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetView {
    test: String,
    title: String,
    clause: String,
    /// The method is from memory and must be checked against the bought standard.
    from_memory: bool,
    tests: Vec<SheetTestView>,
    cautions: Vec<String>,
    set_up: Vec<String>,
    climate: String,
    drawings: Vec<SetUpView>,
    assumed: Vec<String>,
    questions: Vec<SheetQuestion>,
    wear: Vec<WearView>,
    count: u32,
    steps: usize,
    stimulus_s: f64,
    change_s: f64,
    places: Vec<SheetPlaceView>,
}

/// A place in the order that saves the sample.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetOrderView {
    place: usize,
    test: String,
    title: String,
    /// Names of the ports.
    ports: Vec<String>,
    steps: usize,
    count: u32,
    duration_s: f64,
    may_break: bool,
    why: String,
}

/// All sheets in their order.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetsView {
    order: Vec<SheetOrderView>,
    between: Vec<String>,
    warnings: Vec<String>,
    /// Rest that the protection parts need between surges, s.
    needed_rest_s: Option<f64>,
    /// Rest that the sheet has, s.
    surge_rest_s: f64,
    questions: Vec<SheetQuestion>,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct SheetsQuery {
    /// Tests beyond the plan, separated by commas: ring-wave, damped-wave, proximity.
    also: Option<String>,
    /// The magnetic field with direct current as well.
    direct_field: Option<bool>,
    /// The PDF of one sheet alone.
    test: Option<String>,
}

fn made(dir: &std::path::Path, query: &SheetsQuery, test: Option<&str>) -> Result<RunSheets, Fault> {
    let asked = query.also.as_deref().unwrap_or_default().split(',').chain(test);
    let also: Vec<AlsoFlag> = asked
        .filter_map(|word| match word.trim() {
            "ring-wave" => Some(AlsoFlag::RingWave),
            "damped-wave" => Some(AlsoFlag::DampedWave),
            "proximity" => Some(AlsoFlag::Proximity),
            _ => None,
        })
        .collect();
    Ok(run_sheets(dir, &wishes(&also, query.direct_field.unwrap_or(false)))?)
}

fn one<'a>(all: &'a RunSheets, test: &str) -> Result<&'a RunSheet, Fault> {
    all.sheet(test).ok_or_else(|| {
        let there: Vec<&str> = all.sheets.iter().map(|s| s.test.as_str()).collect();
        Fault::Input(Problem {
            what: format!("the plan has no test {test:?}"),
            place: "sheets".to_owned(),
            expected: if there.is_empty() { "a plan with immunity tests".to_owned() } else { there.join(", ") },
        })
    })
}

fn questions<'a>(of: impl Iterator<Item = &'a campaign::Question>) -> Vec<SheetQuestion> {
    let mut list: Vec<(&str, &str)> = of.map(|q| (q.field.as_str(), q.text.as_str())).collect();
    list.sort_unstable();
    list.dedup();
    list.into_iter().map(|(field, text)| SheetQuestion { field: field.to_owned(), text: text.to_owned() }).collect()
}

/// The run sheets in the order that saves the only sample.
#[utoipa::path(get, path = "/api/sheets", params(SheetsQuery), responses((status = 200, body = SheetsView), (status = 422, body = Problem)))]
async fn sheets_page(State(app): App, query: Asked<SheetsQuery>) -> Answer<Json<SheetsView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let all = made(&dir, &query, None)?;
        let order = all
            .sheets
            .iter()
            .zip(&all.order.places)
            .map(|(s, p)| {
                let mut ports: Vec<String> = s.tests.iter().map(|t| t.port_name.clone()).collect();
                ports.dedup();
                SheetOrderView {
                    place: s.place,
                    test: s.test.clone(),
                    title: s.title.clone(),
                    ports,
                    steps: s.sheet.steps.len(),
                    count: s.sheet.count,
                    duration_s: s.duration_s,
                    may_break: p.may_break,
                    why: s.why_there.clone(),
                }
            })
            .collect();
        Ok(SheetsView {
            order,
            between: all.order.between.clone(),
            warnings: all.order.warnings.clone(),
            needed_rest_s: all.order.needed_rest_s.filter(|r| r.is_finite()),
            surge_rest_s: all.pace.surge_rest_s,
            questions: questions(all.sheets.iter().flat_map(|s| &s.questions)),
        })
    })
    .await
    .map(Json)
}

fn view(all: &RunSheets, s: &RunSheet) -> SheetView {
    let sheet = &s.sheet;
    SheetView {
        test: s.test.clone(),
        title: s.title.clone(),
        clause: sheet.clause.clone(),
        from_memory: sheet.known == Known::Memory,
        tests: s
            .tests
            .iter()
            .map(|t| SheetTestView {
                port_name: t.port_name.clone(),
                asked_by: t.asked_by.clone(),
                criterion: t.criterion.clone(),
                from_memory: t.known == Known::Memory,
                planned_s: t.planned_s,
            })
            .collect(),
        cautions: sheet.cautions.clone(),
        set_up: sheet.set_up.clone(),
        climate: sheet.climate.clone(),
        drawings: all
            .drawings(&s.test)
            .into_iter()
            .map(|d| SetUpView { svg: set_up_svg(&d, Ink::Page), title: d.title, notes: d.notes, caution: d.caution })
            .collect(),
        assumed: s.assumed.clone(),
        questions: questions(s.questions.iter()),
        wear: s
            .wear
            .iter()
            .map(|w| WearView {
                part: w.part.clone(),
                port_name: w.port_name.clone(),
                bears: w.sequence.bears,
                share_of_life: w.sequence.share_of_life,
                warnings: w.sequence.warnings.clone(),
            })
            .collect(),
        count: sheet.count,
        steps: sheet.steps.len(),
        stimulus_s: sheet.stimulus_s,
        change_s: sheet.change_s,
        places: sheet_places(&sheet.steps)
            .into_iter()
            .map(|p| {
                let mut levels: Vec<String> = Vec::new();
                for step in &p.steps {
                    if !levels.contains(&step.level) {
                        levels.push(step.level.clone());
                    }
                }
                SheetPlaceView {
                    port: p.steps.first().and_then(|t| t.port.clone()),
                    criterion: p.steps.first().and_then(|t| t.criterion.clone()),
                    change_s: p.change_s,
                    caution: p.caution,
                    duration_s: p.duration_s,
                    count: p.steps.iter().map(|t| t.count).sum(),
                    levels,
                    steps: p
                        .steps
                        .into_iter()
                        .map(|t| SheetStepView {
                            id: t.id,
                            stimulus: t.stimulus,
                            level: t.level,
                            count: t.count,
                            duration_s: t.duration_s,
                            dwell_s: t.dwell_s,
                            rest_s: t.rest_s,
                        })
                        .collect(),
                    place: p.place,
                }
            })
            .collect(),
    }
}

/// One run sheet with the drawing of its set-up.
#[utoipa::path(get, path = "/api/sheets/{test}", params(("test" = String, Path, description = "e.g. esd"), SheetsQuery),
    responses((status = 200, body = SheetView), (status = 422, body = Problem)))]
async fn sheet_page(
    State(app): App,
    axum::extract::Path(test): axum::extract::Path<String>,
    query: Asked<SheetsQuery>,
) -> Answer<Json<SheetView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let all = made(&dir, &query, Some(&test))?;
        Ok(view(&all, one(&all, &test)?))
    })
    .await
    .map(Json)
}

/// The run sheets, or one of them, as PDF.
#[utoipa::path(get, path = "/api/sheets.pdf", params(SheetsQuery),
    responses((status = 200, content_type = "application/pdf", body = Vec<u8>), (status = 422, body = Problem)))]
async fn sheets_paper(State(app): App, query: Asked<SheetsQuery>) -> Answer<Response> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    let pdf = blocking(move || {
        let all = made(&dir, &query, query.test.as_deref())?;
        if let Some(test) = &query.test {
            one(&all, test)?;
        }
        Ok(sheets_pdf(&all, query.test.as_deref(), &now_text())?)
    })
    .await?;
    Ok(download("application/pdf", "run-sheets.pdf", pdf))
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(sheets_page)).routes(routes!(sheet_page)).routes(routes!(sheets_paper))
}
