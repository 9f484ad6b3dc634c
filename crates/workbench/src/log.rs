//! Immunity runs: beginning one from a sheet, and what its log says.

use std::path::Path;

use jiff::Timestamp;
use project::{
    CaptureUse, Climate, Criteria, Criterion, KeptSheet, LogRecord, LogSheet, NewRun, Project, Run, RunKind, RunLog,
};
use serde_json::{Value, json};

use crate::{VERSION, WorkError};

/// What a person says of an immunity run before it begins.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LogRequest {
    /// Title; one is written from test and port where it is empty.
    pub title: String,
    /// The sheet, as `hushfield run-sheet --json` prints it.
    pub sheet: Value,
    /// Tests of the plan that it carries out; those it names itself where this is empty.
    pub tests: Vec<String>,
    /// Ports that it concerns; those it names itself where this is empty.
    pub ports: Vec<String>,
    /// Port of the product by its id.
    pub port: Option<String>,
    /// Sample by its id.
    pub sample: Option<String>,
    /// Modification state by its id.
    pub state: Option<String>,
    /// Operating mode.
    pub mode: Option<String>,
    /// Set-up in words: what differs from the sheet's own, cable lengths, supports.
    pub set_up: String,
    /// The test laboratory, where it is not one's own bench.
    pub laboratory: Option<String>,
    /// The criterion the product has to meet.
    pub required: Option<Criterion>,
    /// How the product is watched; the product file's words where it is empty.
    pub monitoring: String,
    /// What each criterion means for this product; the product file's words where it is empty.
    pub criteria: Criteria,
    /// Climate at the bench.
    pub climate: Climate,
    /// Who is present.
    pub present: Vec<String>,
    /// Cautions of the sheet that were read, word for word.
    pub acknowledged: Vec<String>,
    /// By whom.
    pub acknowledged_by: String,
    /// Generator and other equipment by id.
    pub equipment: Vec<String>,
    /// Pictures of the set-up, by the id of their captures.
    pub pictures: Vec<String>,
    /// Observations.
    pub notes: String,
    /// When it begins; now where it is not said.
    pub at: Option<Timestamp>,
}

/// The kind of run of a sheet's test.
pub fn run_kind(test: &str) -> RunKind {
    match test {
        "esd" => RunKind::ElectrostaticDischarge,
        "radiated" | "proximity" => RunKind::RadiatedImmunity,
        "burst" => RunKind::Burst,
        "surge" => RunKind::Surge,
        "conducted" => RunKind::ConductedImmunity,
        "magnetic" => RunKind::MagneticField,
        "dips" => RunKind::Dips,
        _ => RunKind::Other,
    }
}

/// A sheet's test in words.
pub fn test_words(test: &str) -> &str {
    match test {
        "esd" => "Electrostatic discharge",
        "radiated" => "Radiated radio-frequency field",
        "proximity" => "Proximity fields",
        "burst" => "Bursts",
        "surge" => "Surges",
        "conducted" => "Conducted radio frequency",
        "magnetic" => "Power-frequency magnetic field",
        "dips" => "Voltage dips and interruptions",
        "" => "Immunity test",
        other => other,
    }
}

/// Begins an immunity run; gives its id.
pub fn start_log(dir: &Path, request: &LogRequest) -> Result<String, WorkError> {
    let mut project = Project::open(dir)?;
    let product = project.product()?.product;
    // A sheet of a project says around its steps what it is for.
    let around = &request.sheet;
    let steps_inside = around["steps"].is_null() && !around["sheet"]["steps"].is_null();
    let mut whole = if steps_inside { around["sheet"].clone() } else { around.clone() };
    // Drawings are kept as they were shown, as pictures; as geometry they would need this version's eyes.
    let drawn: Vec<&str> = around["drawings"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    if let Some(steps) = whole.as_object_mut() {
        steps.insert("drawings".to_owned(), json!(drawn));
    }
    let named = |field: &str, own: &[String]| -> Vec<String> {
        if !own.is_empty() {
            return own.to_vec();
        }
        let tests = around["tests"].as_array().into_iter().flatten();
        let mut found: Vec<String> = tests.filter_map(|t| t[field].as_str()).map(str::to_owned).collect();
        found.retain(|f| !f.is_empty());
        found.dedup();
        found
    };
    let (tests, mut ports) = (named("id", &request.tests), named("port", &request.ports));
    ports.retain(|p| product.ports.iter().any(|q| q.id == *p));
    let first = request.port.clone().or_else(|| ports.first().cloned());
    let sheet = LogSheet::of(&whole);
    let port = product.ports.iter().find(|p| Some(&p.id) == first.as_ref());
    let title = if request.title.trim().is_empty() {
        let at = port.map_or_else(String::new, |p| format!(", {}", if p.name.is_empty() { &p.id } else { &p.name }));
        format!("{}{at}", test_words(&sheet.test))
    } else {
        request.title.trim().to_owned()
    };
    let or_product = |own: &str, of: Option<&String>| {
        if own.trim().is_empty() { of.cloned().unwrap_or_default() } else { own.trim().to_owned() }
    };
    let run = NewRun {
        port: first.clone(),
        sample: request.sample.clone(),
        state: request.state.clone(),
        mode: request.mode.clone(),
        setup: request.set_up.trim().to_owned(),
        place: project::Place { laboratory: request.laboratory.clone(), ..project::Place::default() },
        equipment: request.equipment.clone(),
        captures: request
            .pictures
            .iter()
            .map(|id| CaptureUse { capture: id.clone(), role: "photo".to_owned(), choices: Value::Null })
            .collect(),
        notes: request.notes.trim().to_owned(),
        measured_at: request.at,
        ..NewRun::new(title, run_kind(&sheet.test))
    };
    let criteria = if request.criteria.is_empty() { product.criteria.clone() } else { request.criteria.clone() };
    let kept = KeptSheet {
        run: String::new(),
        sheet: whole,
        tests,
        ports,
        required: request.required,
        monitoring: or_product(&request.monitoring, product.observed.as_ref()),
        criteria,
        climate: request.climate,
        present: request.present.iter().map(|p| p.trim().to_owned()).filter(|p| !p.is_empty()).collect(),
        acknowledged: request.acknowledged.clone(),
        acknowledged_by: request.acknowledged_by.trim().to_owned(),
    };
    Ok(project.start_log(run, kept)?)
}

/// A sheet of the project's plan with what is said around it and its set-up drawings as SVG, ready to begin a run from.
pub fn planned_sheet(dir: &Path, test: &str) -> Result<Value, WorkError> {
    let all = crate::run_sheets(dir, &campaign::SheetWishes::default())?;
    let Some(sheet) = all.sheet(test) else {
        let known: Vec<&str> = all.sheets.iter().map(|s| s.test.as_str()).collect();
        let expected = format!("one of {}", known.join(", "));
        return Err(WorkError::input("sheet", format!("the plan has no sheet `{test}`"), expected));
    };
    let mut whole = json!(sheet);
    let drawn: Vec<String> = all.drawings(test).iter().map(|d| report::set_up_svg(d, report::Ink::Paper)).collect();
    whole["drawings"] = json!(drawn);
    Ok(whole)
}

/// The set-up drawings that a run's sheet was kept with, as SVG in the colours of print.
pub fn drawings(log: &RunLog) -> Vec<String> {
    let kept = log.sheet.sheet["drawings"].as_array().into_iter().flatten();
    kept.filter_map(Value::as_str).map(str::to_owned).collect()
}

/// Ends an immunity run: records what its log comes to.
pub fn close_log(dir: &Path, run: &str) -> Result<LogRecord, WorkError> {
    Ok(Project::open(dir)?.close_log(run, json!({ "hushfield": VERSION }))?)
}

/// A run with its log; an error where it has none.
pub fn logged_run(project: &Project, id: &str) -> Result<(Run, RunLog), WorkError> {
    let run = project.run(id)?;
    match project.log(id)? {
        Some(log) => Ok((run, log)),
        None => Err(WorkError::input(
            "run",
            format!("{id} has no log"),
            format!("a run that was logged step by step: {}", known(&project.logged_runs()?)),
        )),
    }
}

fn known(runs: &[String]) -> String {
    if runs.is_empty() { "(none yet)".to_owned() } else { runs.join(", ") }
}
