//! What applies, and when: the plan and the laboratory days for the page.

use std::path::PathBuf;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Query, State};
use axum::response::Response;
use campaign::{
    Answers, Date, DayResult, Days, EntryKind, Now, Plan, PlannedTest, Request, beside, csv, days, difference,
    duration, icalendar, plan,
};
use serde::{Deserialize, Serialize};
use standards::{Known, Side};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::{Planning, days_pdf, planning, with_answer};

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Refusal, Shared, blocking, download};
use crate::beside_text;
use crate::campaign_commands::{level_words, now_text};

/// One test of the plan, or one that another answer brings in or takes away.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PlanRow {
    /// Unique.
    id: String,
    /// Id of the port.
    port: String,
    /// Name of the port.
    port_name: String,
    /// `emission`, `mains_quality` or `immunity`.
    side: String,
    /// The test, for people.
    test: String,
    /// How hard: level or limits.
    level: String,
    /// Ids of limits, for emission.
    limits: Vec<String>,
    /// Ranges, Hz.
    ranges_hz: Vec<[f64; 2]>,
    /// Modulation or wave.
    signal: String,
    /// Performance criterion.
    criterion: Option<String>,
    /// The standard that asks.
    standard: String,
    /// Clause or table.
    clause: String,
    /// The standard that says how.
    method: String,
    /// The answers that triggered it.
    because: Vec<String>,
    /// What must still be answered.
    unless: Vec<String>,
    /// What else there is to know.
    note: String,
    /// True where the row is from memory and must be checked against the bought standard.
    from_memory: bool,
    /// How long, s.
    duration_s: f64,
    /// The lines of that sum.
    duration_parts: Vec<DurationPart>,
    /// Chance of failing by the project's own runs.
    fails: Option<f64>,
    /// `added`, `removed` or `changed` by the asked-for answers; absent where nothing is asked or changes.
    change: Option<String>,
    /// Why it falls away, or what it was before.
    change_why: String,
}

/// One line of a duration.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DurationPart {
    /// What is done.
    what: String,
    /// How often.
    count: f64,
    /// How long each time, s.
    each_s: f64,
}

/// A row or a standard left out.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LeftOut {
    /// The port, or nothing for a whole standard.
    port: String,
    /// The test.
    test: String,
    /// Standard and clause.
    clause: String,
    /// Why.
    because: String,
}

/// A standard in force.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct StandardInForce {
    /// Number with edition.
    number: String,
    /// What it is about.
    title: String,
    /// Why it is in force.
    because: Vec<String>,
}

/// A question that is open.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct OpenAnswer {
    /// Where the answer goes.
    field: String,
    /// The question.
    text: String,
    /// Tests that hang on it.
    tests: usize,
}

/// A question with its present answer, for trying another one.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PresentAnswer {
    /// Where the answer stands in `product.toml`.
    field: String,
    /// The question.
    text: String,
    /// The present answer; `unknown` where there is none.
    value: String,
    /// The answers to choose from; empty where a number is asked for.
    choices: Vec<String>,
}

/// The plan.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PlanView {
    standards: Vec<StandardInForce>,
    rows: Vec<PlanRow>,
    left_out: Vec<LeftOut>,
    questions: Vec<OpenAnswer>,
    answers: Vec<PresentAnswer>,
    gaps: Vec<String>,
}

/// One stretch of a day.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DayStretch {
    /// Minutes after midnight.
    from_min: u32,
    /// Minutes after midnight.
    to_min: u32,
    /// `set_up`, `test`, `break` or `free`.
    kind: String,
    /// For people.
    title: String,
    /// The job, for tests.
    job: Option<String>,
    /// The rig.
    rig: Option<String>,
    /// Why it stands here.
    why: String,
    /// What to beware of.
    caution: String,
}

/// One day.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DayView {
    /// From 1.
    number: u32,
    /// In time.
    entries: Vec<DayStretch>,
    /// What is prepared meanwhile.
    beside: Vec<DayStretch>,
}

/// What to do if a job fails.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DecisionView {
    job: String,
    title: String,
    fails: f64,
    doubt_min: u32,
    worth_min: u32,
    carry: String,
    /// Minutes of tests after it.
    remaining_min: u32,
    /// Going home is cheaper only where the laboratory gives back more than this.
    go_home_above: f64,
}

/// How long a job takes and of what.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct JobDuration {
    job: String,
    total_s: f64,
    parts: Vec<DurationPart>,
}

/// Something to bring.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BringView {
    what: String,
    why: String,
}

/// The days.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DaysView {
    laboratory: String,
    opens_min: u32,
    closes_min: u32,
    days: Vec<DayView>,
    half_days: u32,
    price: f64,
    currency: String,
    /// Half-days kept for repeats.
    reserve_half_days: u32,
    /// People at the tests.
    staff: u32,
    /// Cost of this order with expected repeats and the minutes used.
    cost: f64,
    /// Minutes of set-up done while another rig was at work.
    prepared_min: u32,
    /// Minutes by which the last test ends earlier by that.
    saved_min: u32,
    /// How long each job takes and of what.
    durations: Vec<JobDuration>,
    /// Gap to the proven bound, percent.
    gap_percent: f64,
    proven: bool,
    expected_repeat_min: f64,
    free_min: u32,
    free_is_enough: bool,
    decisions: Vec<DecisionView>,
    bring: Vec<BringView>,
    notes: Vec<String>,
    no_rig: Vec<String>,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct PlanQuery {
    /// Other answers to try, e.g. `environment=industrial;ports.sensors.outdoors=true`.
    what_if: Option<String>,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct DaysQuery {
    /// A second sample takes what may break it.
    second_sample: Option<bool>,
    /// Rest between two surges, s.
    surge_rest_s: Option<f64>,
    /// Jobs that passed, comma-separated.
    passed: Option<String>,
    /// Jobs that failed and are done again, comma-separated.
    failed: Option<String>,
    /// Day, from 1, on which the work stands.
    now_day: Option<u32>,
    /// Working minutes of that day that are over.
    now_min: Option<u32>,
    /// The rig that stands.
    now_rig: Option<String>,
    /// First day of the visit, e.g. 2026-12-07, for the calendar.
    date: Option<String>,
    /// People at the tests.
    staff: Option<u32>,
    /// Half-days kept for repeats.
    reserve: Option<u32>,
}

fn fault(e: workbench::WorkError) -> Fault {
    Fault::from(e)
}

fn side(side: Side) -> String {
    match side {
        Side::Emission => "emission",
        Side::MainsQuality => "mains_quality",
        Side::Immunity => "immunity",
    }
    .to_owned()
}

fn parts(list: Vec<campaign::Part>) -> Vec<DurationPart> {
    list.into_iter().map(|p| DurationPart { what: p.what, count: p.count, each_s: p.each_s }).collect()
}

fn stretch(e: campaign::DayEntry) -> DayStretch {
    DayStretch {
        from_min: e.from_min,
        to_min: e.to_min,
        kind: match e.kind {
            EntryKind::SetUp => "set_up",
            EntryKind::Test => "test",
            EntryKind::Break => "break",
            EntryKind::Free => "free",
        }
        .to_owned(),
        title: e.title,
        job: e.job,
        rig: e.rig,
        why: e.why,
        caution: e.caution,
    }
}

fn row(test: &PlannedTest, p: &Planning, change: Option<&str>, change_why: String) -> PlanRow {
    let d = duration(test, &p.pace, p.answers.earthed.unwrap_or(true), p.answers.phases.unwrap_or(1));
    PlanRow {
        id: test.id.clone(),
        port: test.port.clone(),
        port_name: test.port_name.clone(),
        side: side(test.side),
        test: test.phenomenon.name().to_owned(),
        level: level_words(&test.level),
        limits: test.limits.clone(),
        ranges_hz: test.frequency_hz.clone(),
        signal: test.signal.clone(),
        criterion: test.criterion.clone(),
        standard: test.standard_number.clone(),
        clause: test.clause.clone(),
        method: test.method.clone(),
        because: test.because.clone(),
        unless: test.unless.iter().map(|q| q.text.clone()).collect(),
        note: test.note.clone(),
        from_memory: test.known == Known::Memory,
        duration_s: d.total_s,
        duration_parts: parts(d.parts),
        fails: p.chances.get(&test.id).copied(),
        change: change.map(str::to_owned),
        change_why,
    }
}

fn present(a: &Answers) -> Vec<PresentAnswer> {
    let one =
        |f: campaign::AnswerField| PresentAnswer { field: f.field, text: f.text, value: f.value, choices: f.choices };
    a.fields().into_iter().map(one).collect()
}

fn view(dir: &std::path::Path, what_if: Option<&str>) -> Result<PlanView, Fault> {
    let mut p = planning(dir).map_err(fault)?;
    let before = p.plan.clone();
    let mut rows = Vec::new();
    if let Some(changes) = what_if.filter(|c| !c.trim().is_empty()) {
        for change in changes.split(';').filter(|c| !c.trim().is_empty()) {
            let Some((field, value)) = change.split_once('=') else {
                return Err(Fault::Input(Problem {
                    what: format!("found `{change}`"),
                    place: "what_if".to_owned(),
                    expected: "FIELD=VALUE;FIELD=VALUE".to_owned(),
                }));
            };
            p.answers = with_answer(&p.answers, field.trim(), value.trim()).map_err(fault)?;
        }
        p.plan = plan(&p.answers, &p.rules);
        let d = difference(&before, &p.plan);
        for test in &p.plan.tests {
            let changed = d.changed.iter().find(|(_, n)| n.id == test.id);
            let (kind, why) = if d.added.iter().any(|t| t.id == test.id) {
                (Some("added"), String::new())
            } else if let Some((old, _)) = changed {
                (Some("changed"), format!("was {}", level_words(&old.level)))
            } else {
                (None, String::new())
            };
            rows.push(row(test, &p, kind, why));
        }
        rows.extend(d.removed.iter().map(|(t, why)| row(t, &p, Some("removed"), why.clone())));
    } else {
        rows.extend(p.plan.tests.iter().map(|t| row(t, &p, None, String::new())));
    }
    Ok(plan_view(&p.plan, &p.answers, rows))
}

fn plan_view(plan: &Plan, answers: &Answers, rows: Vec<PlanRow>) -> PlanView {
    PlanView {
        standards: plan
            .standards
            .iter()
            .map(|s| StandardInForce { number: s.number.clone(), title: s.title.clone(), because: s.because.clone() })
            .collect(),
        rows,
        left_out: plan
            .left_out
            .iter()
            .map(|o| LeftOut {
                port: o.port_name.clone(),
                test: o.phenomenon.name().to_owned(),
                clause: format!("{}, {}", o.standard_number, o.clause),
                because: o.because.clone(),
            })
            .chain(plan.standards_left_out.iter().map(|s| LeftOut {
                port: String::new(),
                test: "the whole standard".to_owned(),
                clause: s.number.clone(),
                because: s.because.clone(),
            }))
            .collect(),
        questions: plan
            .questions
            .iter()
            .map(|q| OpenAnswer { field: q.question.field.clone(), text: q.question.text.clone(), tests: q.tests })
            .collect(),
        answers: present(answers),
        gaps: plan.gaps.clone(),
    }
}

/// Which tests apply, with what another answer would change.
#[utoipa::path(get, path = "/api/plan", params(PlanQuery), responses((status = 200, body = PlanView), (status = 422, body = Problem)))]
async fn plan_page(State(app): App, query: Asked<PlanQuery>) -> Answer<Json<PlanView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || view(&dir, query.what_if.as_deref())).await.map(Json)
}

/// A test as two standards ask for it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BesideTest {
    port_name: String,
    test: String,
    left: String,
    left_clause: String,
    right: String,
    right_clause: String,
    /// `same`, `left harder`, `right harder`, `differs`, `only left` or `only right`.
    harder: String,
    /// What differs, in words.
    differs: Vec<String>,
    /// True where either row is from memory.
    from_memory: bool,
}

/// Two standards side by side.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BesideView {
    left: Vec<String>,
    right: Vec<String>,
    rows: Vec<BesideTest>,
    sentence: String,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct BesideQuery {
    /// A family, a place, or a standard, e.g. `household`, `industrial`, `61326`.
    right: String,
    /// What stands on the left instead of the product's own plan.
    left: Option<String>,
}

/// The plan beside another family's, another place's or another standard's.
#[utoipa::path(get, path = "/api/plan/beside", params(BesideQuery), responses((status = 200, body = BesideView), (status = 422, body = Problem)))]
async fn beside_page(State(app): App, query: Asked<BesideQuery>) -> Answer<Json<BesideView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let p = planning(&dir).map_err(fault)?;
        let left = query.left.as_deref().filter(|l| !l.trim().is_empty());
        let b = beside(&p.answers, &p.rules, left, &query.right).map_err(|e| {
            Fault::Input(Problem {
                what: format!("found `{}`", e.found),
                place: "beside".to_owned(),
                expected: e.expected,
            })
        })?;
        let clause = |t: Option<&PlannedTest>| t.map_or_else(String::new, |t| t.clause.clone());
        let rows = b
            .rows
            .iter()
            .map(|r| BesideTest {
                port_name: r.port_name.clone(),
                test: r.test.clone(),
                left: beside_text::side(r.left.as_ref()),
                left_clause: clause(r.left.as_ref()),
                right: beside_text::side(r.right.as_ref()),
                right_clause: clause(r.right.as_ref()),
                harder: beside_text::word(r.harder).to_owned(),
                differs: r.differs.clone(),
                from_memory: [&r.left, &r.right].into_iter().flatten().any(|t| t.known == Known::Memory),
            })
            .collect();
        Ok(BesideView { left: b.left, right: b.right, sentence: b.sentence, rows })
    })
    .await
    .map(Json)
}

fn made(dir: PathBuf, query: &DaysQuery) -> Result<(Days, Planning), Fault> {
    let p = planning(&dir).map_err(fault)?;
    let mut pace = p.pace.clone();
    if let Some(rest) = query.surge_rest_s.filter(|r| r.is_finite() && *r > 0.0) {
        pace.surge_rest_s = rest;
    }
    let list = |text: &Option<String>, passed: bool| {
        text.as_deref()
            .unwrap_or_default()
            .split(',')
            .map(str::trim)
            .filter(|j| !j.is_empty())
            .map(|job| DayResult { job: job.to_owned(), passed })
            .collect::<Vec<_>>()
    };
    let mut results = list(&query.passed, true);
    results.extend(list(&query.failed, false));
    let now = query.now_day.map(|day| Now { day, worked_min: query.now_min.unwrap_or(0), rig: query.now_rig.clone() });
    let request = Request {
        chances: p.chances.clone(),
        results,
        second_sample: query.second_sample.unwrap_or(false),
        now,
        staff: query.staff,
        reserve_half_days: query.reserve.unwrap_or(0),
        spares: p.spares.clone(),
    };
    let d = days(&p.plan, &p.answers, &pace, &p.laboratory, &request).map_err(|e| {
        Fault::Input(Problem {
            what: e.to_string(),
            place: "days".to_owned(),
            expected: "a plan that fits the laboratory".to_owned(),
        })
    })?;
    Ok((d, p))
}

/// The laboratory days; with results so far, what is left of them.
#[utoipa::path(get, path = "/api/days", params(DaysQuery), responses((status = 200, body = DaysView), (status = 422, body = Problem)))]
async fn days_page(State(app): App, query: Asked<DaysQuery>) -> Answer<Json<DaysView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let (d, p) = made(dir, &query)?;
        let lab = p.laboratory;
        Ok(DaysView {
            opens_min: lab.opens_min,
            closes_min: lab.closes_min,
            laboratory: d.laboratory,
            days: d
                .days
                .into_iter()
                .map(|day| DayView {
                    number: day.number,
                    entries: day.entries.into_iter().map(stretch).collect(),
                    beside: day.beside.into_iter().map(stretch).collect(),
                })
                .collect(),
            half_days: d.half_days,
            reserve_half_days: d.reserve_half_days,
            staff: d.staff,
            cost: d.cost,
            prepared_min: d.prepared_min,
            saved_min: d.saved_min,
            durations: d
                .jobs
                .into_iter()
                .map(|j| JobDuration { job: j.id, total_s: j.duration.total_s, parts: parts(j.duration.parts) })
                .collect(),
            price: d.price,
            currency: d.currency,
            gap_percent: d.gap_percent,
            proven: d.proven,
            expected_repeat_min: d.expected_repeat_min,
            free_min: d.free_min,
            free_is_enough: d.free_is_enough,
            decisions: d
                .decisions
                .into_iter()
                .map(|x| DecisionView {
                    job: x.job,
                    title: x.title,
                    fails: x.fails,
                    doubt_min: x.doubt_min,
                    worth_min: x.worth_min,
                    carry: x.carry,
                    remaining_min: x.remaining_min,
                    go_home_above: x.go_home_above,
                })
                .collect(),
            bring: d.bring.into_iter().map(|b| BringView { what: b.what, why: b.why }).collect(),
            notes: d.notes,
            no_rig: d.no_rig,
        })
    })
    .await
    .map(Json)
}

/// The days as CSV.
#[utoipa::path(get, path = "/api/days.csv", params(DaysQuery),
    responses((status = 200, body = String, content_type = "text/csv"), (status = 422, body = Problem)))]
async fn days_csv(State(app): App, query: Asked<DaysQuery>) -> Answer<Response> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    let text = blocking(move || made(dir, &query).map(|(d, _)| csv(&d))).await?;
    Ok(download("text/csv; charset=utf-8", "laboratory-days.csv", text.into_bytes()))
}

/// The days on one sheet, as PDF.
#[utoipa::path(get, path = "/api/days.pdf", params(DaysQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = 422, body = Problem)))]
async fn days_sheet(State(app): App, query: Asked<DaysQuery>) -> Answer<Response> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    let pdf = blocking(move || {
        let (d, p) = made(dir, &query)?;
        let first = query.date.as_deref().and_then(Date::read);
        days_pdf(&p.product, &d, &p.laboratory, first, &now_text()).map_err(fault)
    })
    .await?;
    Ok(download("application/pdf", "laboratory-days.pdf", pdf))
}

/// The days as iCalendar.
#[utoipa::path(get, path = "/api/days.ics", params(DaysQuery),
    responses((status = 200, body = String, content_type = "text/calendar"), (status = 422, body = Problem)))]
async fn days_ics(State(app): App, query: Asked<DaysQuery>) -> Answer<Response> {
    let Query(query) = query?;
    let Some(date) = query.date.as_deref().and_then(Date::read) else {
        return Err(Refusal::from(Fault::Input(Problem {
            what: "no first day".to_owned(),
            place: "date".to_owned(),
            expected: "a date such as 2026-12-07".to_owned(),
        })));
    };
    let dir = app.backend.dir();
    let stamp = jiff::Timestamp::now().strftime("%Y%m%dT%H%M%SZ").to_string();
    let text = blocking(move || made(dir, &query).map(|(d, _)| icalendar(&d, date, &stamp))).await?;
    Ok(download("text/calendar; charset=utf-8", "laboratory-days.ics", text.into_bytes()))
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new()
        .routes(routes!(plan_page))
        .routes(routes!(days_page))
        .routes(routes!(days_csv))
        .routes(routes!(days_sheet))
        .routes(routes!(beside_page))
        .routes(routes!(days_ics))
}
