//! Logging an immunity run at the bench: begin it, send entries in order, see everybody's, end it.

use axum::Json;
use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use campaign::{RunSheet, SheetWishes};
use jiff::Timestamp;
use project::{
    Climate, ClimateLimits, Criteria, Criterion, Equipment, KeptLogEntry, LogEntry, LogRecord, LogSheet, LogWhat,
    NewEquipment, Project, ProjectError, Run, RunLog,
};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::log::{LogRequest, close_log, drawings, logged_run, planned_sheet, start_log, test_words};
use workbench::run_sheets;

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Refusal, Sent, Shared, blocking};

/// The largest sheet and the largest batch that are taken, bytes.
const MAX_BYTES: usize = 8 << 20;

/// What a criterion means.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CriterionMeaning {
    /// `A`, `B`, `C` or `D`.
    letter: String,
    /// In general.
    meaning: String,
    /// For this product; empty where nobody said.
    product: String,
}

fn meanings(criteria: &Criteria) -> Vec<CriterionMeaning> {
    Criterion::ALL
        .into_iter()
        .map(|c| {
            let own = match c {
                Criterion::A => &criteria.a,
                Criterion::B => &criteria.b,
                Criterion::C => &criteria.c,
                Criterion::D => &None,
            };
            CriterionMeaning {
                letter: c.letter().to_string(),
                meaning: c.words().to_owned(),
                product: own.clone().unwrap_or_default(),
            }
        })
        .collect()
}

/// A run in the list of logs.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogSummary {
    id: String,
    title: String,
    /// When it began, RFC 3339.
    when: String,
    /// `open`, `closed`, `late` (entries came after it was closed) or `withdrawn`.
    state: String,
    /// `pass`, `fail` or `inconclusive`.
    decision: String,
    sentence: String,
    steps: usize,
    done: usize,
    skipped: usize,
}

/// A piece of equipment that can be named.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EquipmentChoice {
    id: String,
    name: String,
    /// Date of the last calibration.
    calibrated: Option<String>,
    /// Until when it holds.
    due: Option<String>,
    /// Past its date today.
    overdue: bool,
}

/// A sheet of the project's plan that a run can be begun from.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SheetChoice {
    /// `esd`, `burst`, …
    test: String,
    title: String,
    clause: String,
    /// Names of the ports.
    ports: Vec<String>,
    /// Criteria that the plan asks for, strictest first.
    criteria: Vec<String>,
    asked_by: Vec<String>,
    steps: usize,
    stimuli: u32,
    duration_s: f64,
    /// Place in the order that saves the sample, from 1, and why there.
    place: usize,
    why_there: String,
    set_up: Vec<String>,
    /// Climate that the method asks for; empty where none.
    climate: String,
    cautions: Vec<String>,
    /// What was taken because product.toml says nothing.
    assumed: Vec<String>,
}

/// The logs, and what a new one can be begun with.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogsView {
    runs: Vec<LogSummary>,
    /// Sheets of the plan, in the order that saves the sample.
    sheets: Vec<SheetChoice>,
    /// Why there are none, where they cannot be made.
    sheets_problem: Option<String>,
    /// How the product is watched, by its file.
    monitoring: String,
    meanings: Vec<CriterionMeaning>,
    equipment: Vec<EquipmentChoice>,
    samples: Vec<String>,
    states: Vec<String>,
    modes: Vec<String>,
    ports: Vec<LogPort>,
}

/// A port.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogPort {
    id: String,
    name: String,
}

/// Climate at the bench.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize, ToSchema)]
pub(crate) struct ClimateView {
    #[serde(default)]
    temperature_c: Option<f64>,
    #[serde(default)]
    humidity_percent: Option<f64>,
    #[serde(default)]
    pressure_kpa: Option<f64>,
}

impl From<Climate> for ClimateView {
    fn from(c: Climate) -> Self {
        Self { temperature_c: c.temperature_c, humidity_percent: c.humidity_percent, pressure_kpa: c.pressure_kpa }
    }
}

impl From<ClimateView> for Climate {
    fn from(c: ClimateView) -> Self {
        Self { temperature_c: c.temperature_c, humidity_percent: c.humidity_percent, pressure_kpa: c.pressure_kpa }
    }
}

/// Equipment that is not in the ledger yet.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct NewGenerator {
    name: String,
    #[serde(default)]
    serial: String,
    /// `YYYY-MM-DD`.
    calibrated: Option<String>,
    /// `YYYY-MM-DD`.
    due: Option<String>,
}

/// What a run begins with.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct LogStart {
    /// A sheet of the plan, by its test: `esd`, `burst`, …
    planned: Option<String>,
    /// Or a whole sheet, as `hushfield run-sheet --json` prints it.
    #[serde(default)]
    #[schema(value_type = Object)]
    sheet: Value,
    #[serde(default)]
    title: String,
    port: Option<String>,
    sample: Option<String>,
    state: Option<String>,
    mode: Option<String>,
    #[serde(default)]
    set_up: String,
    laboratory: Option<String>,
    /// `A`, `B` or `C`.
    required: Option<String>,
    #[serde(default)]
    monitoring: String,
    #[serde(default)]
    criterion_a: String,
    #[serde(default)]
    criterion_b: String,
    #[serde(default)]
    criterion_c: String,
    #[serde(default)]
    climate: ClimateView,
    #[serde(default)]
    present: Vec<String>,
    /// Every caution of the sheet, word for word.
    #[serde(default)]
    acknowledged: Vec<String>,
    #[serde(default)]
    acknowledged_by: String,
    #[serde(default)]
    equipment: Vec<String>,
    /// A generator that is entered with the run.
    generator: Option<NewGenerator>,
    /// Pictures of the set-up, by id.
    #[serde(default)]
    pictures: Vec<String>,
    #[serde(default)]
    notes: String,
}

/// The run that was begun.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogStarted {
    run: String,
}

/// A step of a sheet.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogStepView {
    id: String,
    place: String,
    stimulus: String,
    level: String,
    count: u32,
    interval_s: f64,
    duration_s: f64,
    /// Something must be moved, turned or re-plugged before it.
    change_before: bool,
    from_hz: Option<f64>,
    to_hz: Option<f64>,
    dwell_s: Option<f64>,
    rest_s: Option<f64>,
    /// The criterion asked of it: `A`, `B` or `C`.
    required: Option<String>,
}

/// A sheet as the log shows it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogSheetView {
    test: String,
    test_words: String,
    clause: String,
    /// `seen` or `memory`.
    known: String,
    set_up: Vec<String>,
    climate: String,
    cautions: Vec<String>,
    /// Set-up drawings as SVG, in the colours of the page.
    drawings: Vec<String>,
    steps: Vec<LogStepView>,
}

/// One entry of a log.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub(crate) struct LogEntryView {
    /// Unique, made by the device.
    key: String,
    /// The device.
    client: String,
    /// Number among the entries of this device in this run, from 1, without holes.
    #[schema(value_type = f64)]
    sequence: u64,
    /// By the clock of the device, RFC 3339.
    at: String,
    who: String,
    /// `step`, `deviation`, `pause`, `resume`, `withdraw`, `climate`, `picture` or `remark`.
    what: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    step: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    stimuli: Option<u32>,
    /// `A`, `B`, `C` or `D`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    result: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    seen: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    level: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    frequency_hz: Option<f64>,
    /// What a deviation, a pause, a correction, a picture or a remark says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    text: Option<String>,
    /// The step is not carried out (further).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    skipped: Option<bool>,
    /// The key of the entry that is taken back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    entry: Option<String>,
    /// A picture's id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    capture: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    temperature_c: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    humidity_percent: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pressure_kpa: Option<f64>,
    /// Number in the ledger, where it is there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>)]
    number: Option<u64>,
    /// When the ledger took it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    recorded_at: Option<String>,
    /// Why it was taken back, where it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    withdrawn: Option<String>,
}

impl LogEntryView {
    fn of(kept: &KeptLogEntry) -> Self {
        let e = &kept.log;
        let mut view = Self {
            key: e.key.clone(),
            client: e.client.clone(),
            sequence: e.sequence,
            at: e.at.to_string(),
            who: e.who.clone(),
            what: String::new(),
            step: None,
            stimuli: None,
            result: None,
            seen: None,
            level: None,
            frequency_hz: None,
            text: None,
            skipped: None,
            entry: None,
            capture: None,
            temperature_c: None,
            humidity_percent: None,
            pressure_kpa: None,
            number: Some(kept.entry),
            recorded_at: Some(kept.recorded_at.to_string()),
            withdrawn: kept.withdrawn.clone(),
        };
        let what = match &e.what {
            LogWhat::Step { step, stimuli, result, seen, level, frequency_hz } => {
                view.step = Some(step.clone());
                view.stimuli = Some(*stimuli);
                view.result = result.map(|r| r.letter().to_string());
                view.seen = Some(seen.clone()).filter(|s| !s.is_empty());
                view.level = Some(level.clone()).filter(|s| !s.is_empty());
                view.frequency_hz = *frequency_hz;
                "step"
            }
            LogWhat::Deviation { step, text, skipped } => {
                view.step.clone_from(step);
                view.text = Some(text.clone());
                view.skipped = Some(*skipped);
                "deviation"
            }
            LogWhat::Pause { text } => {
                view.text = Some(text.clone());
                "pause"
            }
            LogWhat::Resume => "resume",
            LogWhat::Withdraw { entry, text } => {
                view.entry = Some(entry.clone());
                view.text = Some(text.clone());
                "withdraw"
            }
            LogWhat::Climate(c) => {
                view.temperature_c = c.temperature_c;
                view.humidity_percent = c.humidity_percent;
                view.pressure_kpa = c.pressure_kpa;
                "climate"
            }
            LogWhat::Picture { capture, text } => {
                view.capture = Some(capture.clone());
                view.text = Some(text.clone());
                "picture"
            }
            LogWhat::Remark { text } => {
                view.text = Some(text.clone());
                "remark"
            }
        };
        what.clone_into(&mut view.what);
        view
    }

    /// As the ledger keeps it.
    fn entry(&self, run: &str) -> Result<LogEntry, Fault> {
        let wrong = |what: String, expected: &str| {
            Fault::Input(Problem { what, place: format!("entry {}", self.key), expected: expected.to_owned() })
        };
        let at: Timestamp = self
            .at
            .parse()
            .map_err(|_| wrong(format!("the time `{}`", self.at), "a time such as 2026-02-03T10:00:00Z"))?;
        // The wire is flat and the ledger's form is tagged: the same names, so that serde does the rest.
        let mut form = json!({ "what": self.what });
        let fields: [(&str, Value); 12] = [
            ("step", json!(self.step)),
            ("stimuli", json!(self.stimuli)),
            ("result", json!(self.result)),
            ("seen", json!(self.seen)),
            ("level", json!(self.level)),
            ("frequency_hz", json!(self.frequency_hz)),
            ("text", json!(self.text)),
            ("skipped", json!(self.skipped)),
            ("entry", json!(self.entry)),
            ("capture", json!(self.capture)),
            ("temperature_c", json!(self.temperature_c)),
            ("humidity_percent", json!(self.humidity_percent)),
        ];
        for (name, value) in fields.into_iter().chain([("pressure_kpa", json!(self.pressure_kpa))]) {
            if !value.is_null() {
                form[name] = value;
            }
        }
        let what: LogWhat = serde_json::from_value(form)
            .map_err(|e| wrong(e.to_string(), "an entry of a log as in /api/openapi.json"))?;
        Ok(LogEntry {
            run: run.to_owned(),
            key: self.key.clone(),
            client: self.client.clone(),
            sequence: self.sequence,
            at,
            who: self.who.trim().to_owned(),
            what,
        })
    }
}

/// How far a device's entries are in the ledger.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogClient {
    client: String,
    /// The number of its last entry.
    #[schema(value_type = f64)]
    last: u64,
}

/// A log: what was said at its beginning, its sheet, its entries.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogView {
    /// Names this log among those of all projects.
    log: String,
    summary: LogSummary,
    port: Option<String>,
    sample: Option<String>,
    mode: Option<String>,
    modification: Option<String>,
    set_up: String,
    monitoring: String,
    /// The criterion asked of the run.
    required: Option<String>,
    meanings: Vec<CriterionMeaning>,
    /// As last read.
    climate: ClimateView,
    /// What the climate lacks by the method, one sentence each.
    climate_findings: Vec<String>,
    present: Vec<String>,
    acknowledged_by: String,
    /// Name and calibration, in words.
    equipment: Vec<String>,
    /// Set-up pictures named when the run began, by id.
    pictures: Vec<String>,
    /// The sheet; none where only later entries were asked for.
    sheet: Option<LogSheetView>,
    /// Entries, or those after the number asked for.
    entries: Vec<LogEntryView>,
    clients: Vec<LogClient>,
    /// Number of the last entry of the ledger; ask for what comes after it.
    #[schema(value_type = f64)]
    revision: u64,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct AfterQuery {
    /// Only entries after this number of the ledger, and no sheet.
    #[param(value_type = Option<f64>)]
    after: Option<u64>,
}

/// Entries of one device, in order.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct LogBatch {
    /// The log they belong to: entries kept on a device are never written into another project's run of the same number.
    log: String,
    entries: Vec<LogEntryView>,
}

/// What became of a batch.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogTaken {
    clients: Vec<LogClient>,
    /// Entries that were written.
    written: usize,
    /// Entries that were there already.
    known: usize,
}

/// An entry came too early.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogConflict {
    what: String,
    #[serde(rename = "where")]
    place: String,
    expected: String,
    /// The number to send from.
    #[schema(value_type = f64)]
    expected_sequence: u64,
    /// The number that came instead.
    #[schema(value_type = f64)]
    found_sequence: u64,
}

/// What a run came to.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LogClosed {
    /// `pass`, `fail` or `inconclusive`.
    decision: String,
    sentence: String,
    /// Steps that are neither done nor left out by a deviation.
    missing: Vec<String>,
}

fn summary_of(run: &Run, record: &LogRecord) -> LogSummary {
    let closed_at = run.result().and_then(|r| r.summary["entries"].as_u64());
    let state = match (&run.withdrawn, closed_at) {
        (Some(_), _) => "withdrawn",
        (None, None) => "open",
        (None, Some(n)) if record.entries as u64 > n => "late",
        (None, Some(_)) => "closed",
    };
    LogSummary {
        id: run.id().to_owned(),
        title: run.record.title.clone(),
        when: run.record.measured_at.to_string(),
        state: state.to_owned(),
        decision: record.decision.clone(),
        sentence: record.sentence.clone(),
        steps: record.steps.len(),
        done: record.done,
        skipped: record.skipped,
    }
}

fn equipment_words(run: &Run, equipment: &[Equipment]) -> Vec<String> {
    let day = run.record.measured_at.to_zoned(jiff::tz::TimeZone::UTC).date();
    let named = run.record.equipment.iter().map(|id| match equipment.iter().find(|e| e.id() == id) {
        None => id.clone(),
        Some(e) => {
            let held = e.calibration_on(day);
            let mut words = vec![e.equipment.name.clone()];
            words.extend(e.equipment.serial.as_ref().map(|s| format!("serial {s}")));
            words.extend(held.and_then(|c| c.calibrated).map(|d| format!("calibrated {d}")));
            words.extend(
                held.and_then(|c| c.due).map(|d| if d < day { format!("was due on {d}") } else { format!("due {d}") }),
            );
            words.join(", ")
        }
    });
    named.collect()
}

/// The kept drawings in the page's own colours, so that they are as dark as the page.
fn page_drawings(log: &RunLog) -> Vec<String> {
    let own = [
        ("#1c2733", "var(--ink)"),
        ("#53606c", "var(--ink-soft)"),
        ("#ffffff", "var(--leaf)"),
        ("#e3e7e2", "var(--rule-faint)"),
    ];
    drawings(log).into_iter().map(|svg| own.iter().fold(svg, |s, (print, page)| s.replace(print, page))).collect()
}

fn sheet_view(sheet: LogSheet, drawings: Vec<String>, record: &LogRecord) -> LogSheetView {
    LogSheetView {
        test_words: test_words(&sheet.test).to_owned(),
        drawings,
        steps: record
            .steps
            .iter()
            .map(|s| LogStepView {
                id: s.step.id.clone(),
                place: s.step.place.clone(),
                stimulus: s.step.stimulus.clone(),
                level: s.step.level.clone(),
                count: s.step.count,
                interval_s: s.step.interval_s,
                duration_s: s.step.duration_s,
                change_before: s.step.change_before,
                from_hz: s.step.from_hz,
                to_hz: s.step.to_hz,
                dwell_s: s.step.dwell_s,
                rest_s: s.step.rest_s,
                required: s.required.map(|c| c.letter().to_string()),
            })
            .collect(),
        test: sheet.test,
        clause: sheet.clause,
        known: sheet.known,
        set_up: sheet.set_up,
        climate: sheet.climate,
        cautions: sheet.cautions,
    }
}

fn view(project: &Project, run: &Run, log: &RunLog, after: Option<u64>) -> Result<LogView, Fault> {
    let record = log.record();
    let climate = log.climate();
    let sheet = log.sheet.read();
    Ok(LogView {
        log: log.id.clone(),
        summary: summary_of(run, &record),
        port: run.record.port.clone(),
        sample: run.record.sample.clone(),
        mode: run.record.mode.clone(),
        modification: run.record.state.clone(),
        set_up: run.record.setup.clone(),
        monitoring: log.sheet.monitoring.clone(),
        required: log.sheet.required.map(|c| c.letter().to_string()),
        meanings: meanings(&log.sheet.criteria),
        climate_findings: ClimateLimits::of(&sheet.climate).against(&climate),
        climate: climate.into(),
        present: log.sheet.present.clone(),
        acknowledged_by: log.sheet.acknowledged_by.clone(),
        equipment: equipment_words(run, &project.equipment()?),
        pictures: run.record.captures.iter().filter(|c| c.role == "photo").map(|c| c.capture.clone()).collect(),
        entries: log.entries.iter().filter(|e| e.entry > after.unwrap_or(0)).map(LogEntryView::of).collect(),
        clients: log.clients().iter().map(|(client, last)| LogClient { client: client.clone(), last: *last }).collect(),
        revision: project.revision()?,
        sheet: after.is_none().then(|| sheet_view(sheet, page_drawings(log), &record)),
    })
}

/// The immunity runs that were logged, newest first, and what a new one can be begun with.
#[utoipa::path(get, path = "/api/log", responses((status = 200, body = LogsView), (status = 422, body = Problem)))]
async fn logs(State(app): App) -> Answer<Json<LogsView>> {
    let dir = app.backend.dir();
    blocking(move || {
        let project = Project::open(&dir)?;
        let product = project.product()?.product;
        let mut runs = Vec::new();
        for id in project.logged_runs()? {
            let (run, log) = logged_run(&project, &id)?;
            runs.push(summary_of(&run, &log.record()));
        }
        runs.reverse();
        let (sheets, sheets_problem) = sheet_choices(&dir);
        let today = Timestamp::now().to_zoned(jiff::tz::TimeZone::UTC).date();
        Ok(LogsView {
            runs,
            sheets,
            sheets_problem,
            monitoring: product.observed.clone().unwrap_or_default(),
            meanings: meanings(&product.criteria),
            equipment: project
                .equipment()?
                .into_iter()
                .map(|e| EquipmentChoice {
                    calibrated: e.equipment.calibrated.map(|d| d.to_string()),
                    due: e.equipment.due.map(|d| d.to_string()),
                    overdue: e.equipment.due.is_some_and(|d| d < today),
                    id: e.equipment.id,
                    name: e.equipment.name,
                })
                .collect(),
            samples: project.samples()?.into_iter().map(|s| s.sample.id).collect(),
            states: project.states()?.into_iter().map(|s| s.state.id).collect(),
            modes: product.modes,
            ports: product
                .ports
                .into_iter()
                .map(|p| LogPort { name: if p.name.is_empty() { p.id.clone() } else { p.name }, id: p.id })
                .collect(),
        })
    })
    .await
    .map(Json)
}

fn sheet_choices(dir: &std::path::Path) -> (Vec<SheetChoice>, Option<String>) {
    match run_sheets(dir, &SheetWishes::default()) {
        Err(error) => (Vec::new(), Some(error.to_string())),
        Ok(all) => {
            let mut list: Vec<SheetChoice> = all.sheets.into_iter().map(sheet_choice).collect();
            list.sort_by_key(|s| s.place);
            (list, None)
        }
    }
}

fn sheet_choice(s: RunSheet) -> SheetChoice {
    let distinct = |values: Vec<String>| {
        let mut values = values;
        values.sort();
        values.dedup();
        values
    };
    let criteria = s.tests.iter().filter_map(|t| Criterion::of(t.criterion.as_deref()?));
    SheetChoice {
        ports: distinct(s.tests.iter().map(|t| t.port_name.clone()).collect()),
        criteria: distinct(criteria.map(|c| c.letter().to_string()).collect()),
        asked_by: distinct(s.tests.iter().map(|t| t.asked_by.clone()).collect()),
        test: s.test,
        title: s.title,
        clause: s.sheet.clause,
        steps: s.sheet.steps.len(),
        stimuli: s.sheet.count,
        duration_s: s.duration_s,
        place: s.place,
        why_there: s.why_there,
        set_up: s.sheet.set_up,
        climate: s.sheet.climate,
        cautions: s.sheet.cautions,
        assumed: s.assumed,
    }
}

fn criterion(text: Option<&str>) -> Result<Option<Criterion>, Fault> {
    let Some(text) = text.filter(|t| !t.trim().is_empty()) else { return Ok(None) };
    let found = Criterion::of(text).filter(|c| *c != Criterion::D);
    found.map(Some).ok_or_else(|| {
        Fault::Input(Problem { what: format!("`{text}`"), place: "required".into(), expected: "A, B or C".into() })
    })
}

fn generator(project: &mut Project, new: &NewGenerator) -> Result<String, Fault> {
    let date = |field: &str, text: &Option<String>| match text.as_deref().map(str::trim).filter(|t| !t.is_empty()) {
        None => Ok(None),
        Some(t) => t.parse().map(Some).map_err(|_| {
            Fault::Input(Problem {
                what: format!("`{t}`"),
                place: format!("generator.{field}"),
                expected: "a date, YYYY-MM-DD".into(),
            })
        }),
    };
    Ok(project.add_equipment(NewEquipment {
        name: new.name.trim().to_owned(),
        serial: Some(new.serial.trim().to_owned()).filter(|s| !s.is_empty()),
        calibrated: date("calibrated", &new.calibrated)?,
        due: date("due", &new.due)?,
        ..NewEquipment::default()
    })?)
}

/// Begins a run from a sheet. Every caution of the sheet must be acknowledged.
#[utoipa::path(post, path = "/api/log", request_body = LogStart,
    responses((status = 201, body = LogStarted), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn start(State(app): App, sent: Sent<LogStart>) -> Answer<(StatusCode, Json<LogStarted>)> {
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    let run = blocking(move || {
        let required = criterion(sent.required.as_deref())?;
        let some = |text: &str| Some(text.trim().to_owned()).filter(|t| !t.is_empty());
        let or_none = |text: Option<String>| text.as_deref().and_then(some);
        let mut equipment = sent.equipment;
        if let Some(new) = &sent.generator {
            equipment.push(generator(&mut Project::open(&dir)?, new)?);
        }
        let sheet = match sent.planned.as_deref().filter(|p| !p.is_empty()) {
            None => sent.sheet,
            Some(test) => planned_sheet(&dir, test)?,
        };
        let request = LogRequest {
            title: sent.title,
            sheet,
            tests: Vec::new(),
            ports: Vec::new(),
            port: or_none(sent.port),
            sample: or_none(sent.sample),
            state: or_none(sent.state),
            mode: or_none(sent.mode),
            set_up: sent.set_up,
            laboratory: or_none(sent.laboratory),
            required,
            monitoring: sent.monitoring,
            criteria: Criteria { a: some(&sent.criterion_a), b: some(&sent.criterion_b), c: some(&sent.criterion_c) },
            climate: sent.climate.into(),
            present: sent.present,
            acknowledged: sent.acknowledged,
            acknowledged_by: sent.acknowledged_by,
            equipment,
            pictures: sent.pictures,
            notes: sent.notes,
            at: None,
        };
        Ok(start_log(&dir, &request)?)
    })
    .await?;
    Ok((StatusCode::CREATED, Json(LogStarted { run })))
}

/// A log: its sheet and everybody's entries.
#[utoipa::path(get, path = "/api/log/{run}", params(("run" = String, Path), AfterQuery),
    responses((status = 200, body = LogView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn log(State(app): App, Path(id): Path<String>, query: Asked<AfterQuery>) -> Answer<Json<LogView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let project = Project::open(&dir)?;
        let (run, log) = logged_run(&project, &id)?;
        view(&project, &run, &log, query.after)
    })
    .await
    .map(Json)
}

/// Why a batch was not taken.
enum NotTaken {
    Plain(Refusal),
    Early(LogConflict),
}

impl IntoResponse for NotTaken {
    fn into_response(self) -> Response {
        match self {
            Self::Plain(refusal) => refusal.into_response(),
            Self::Early(conflict) => (StatusCode::CONFLICT, Json(conflict)).into_response(),
        }
    }
}

impl From<Refusal> for NotTaken {
    fn from(refusal: Refusal) -> Self {
        Self::Plain(refusal)
    }
}

/// Takes entries of a device in order, each once: one whose key is known is answered as taken and not written again. All of
/// a batch is taken or nothing; an entry that comes too early is refused with the number to send from.
#[utoipa::path(post, path = "/api/log/{run}/entries", params(("run" = String, Path)), request_body = LogBatch,
    responses((status = 200, body = LogTaken), (status = 404, body = Problem), (status = 409, body = LogConflict), (status = 422, body = Problem)))]
async fn append(State(app): App, Path(id): Path<String>, sent: Sent<LogBatch>) -> Result<Json<LogTaken>, NotTaken> {
    let Json(sent) = sent.map_err(Refusal::from)?;
    let dir = app.backend.dir();
    let taken = blocking(move || {
        let entries: Vec<LogEntry> = sent.entries.iter().map(|e| e.entry(&id)).collect::<Result<_, _>>()?;
        let mut project = Project::open(&dir)?;
        let (_, log) = logged_run(&project, &id)?;
        if log.id != sent.log {
            return Err(Fault::Input(Problem {
                what: format!("these entries were made for another project's run {id}"),
                place: "log".to_owned(),
                expected: "the project in which the run was begun".to_owned(),
            }));
        }
        match project.append_log(&entries) {
            Ok(accepted) => Ok(Ok((accepted, project.revision()?))),
            Err(error @ ProjectError::OutOfOrder { expected, found, .. }) => {
                Ok(Err((error.to_string(), expected, found)))
            }
            Err(error) => Err(error.into()),
        }
    })
    .await?;
    match taken {
        Ok((accepted, revision)) => {
            // Everybody is told at once, not at the next look at the ledger.
            app.revision.send_if_modified(|known| std::mem::replace(known, revision) != revision);
            Ok(Json(LogTaken {
                written: accepted.iter().map(|a| a.written).sum(),
                known: accepted.iter().map(|a| a.known).sum(),
                clients: accepted.into_iter().map(|a| LogClient { client: a.client, last: a.last }).collect(),
            }))
        }
        Err((what, expected, found)) => Err(NotTaken::Early(LogConflict {
            what,
            place: "entries".to_owned(),
            expected: format!("entry {expected} of this device, then the following in order"),
            expected_sequence: expected,
            found_sequence: found,
        })),
    }
}

/// Ends a run: what its log comes to is recorded as its result.
#[utoipa::path(post, path = "/api/log/{run}/close", params(("run" = String, Path)),
    responses((status = 200, body = LogClosed), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn close(State(app): App, Path(id): Path<String>) -> Answer<Json<LogClosed>> {
    let dir = app.backend.dir();
    let record = blocking(move || close_log(&dir, &id).map_err(Fault::from)).await?;
    Ok(Json(LogClosed {
        missing: record.missing().map(|s| s.step.id.clone()).collect(),
        decision: record.decision,
        sentence: record.sentence,
    }))
}

pub(super) fn routes() -> OpenApiRouter<std::sync::Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(logs)).routes(routes!(log)).routes(routes!(close)).merge(
        OpenApiRouter::new().routes(routes!(start)).routes(routes!(append)).layer(DefaultBodyLimit::max(MAX_BYTES)),
    )
}
