//! What fixes it: the ranked remedies of a run, and a bench on which parts are changed while the trace follows.

use std::collections::HashMap;
use std::path::{Path as FilePath, PathBuf};
use std::sync::{Arc, LazyLock, Mutex, PoisonError};
use std::time::SystemTime;

use axum::Json;
use axum::extract::{Path, Query, State};
use remedy::bandmap::{Can, Family};
use remedy::candidates::{Change, Topology};
use remedy::parts::Model;
use remedy::port::{Mode, Place, Stage};
use remedy::predict::{ModeKnowledge, Predicted};
use remedy::safety::Bounds;
use remedy::search::{Found, Remedy};
use remedy::traps::WarningKind;
use serde::{Deserialize, Serialize};
use standards::Detector;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::{FILTERS, FixBench, FixRequest, prepare_fix, search_fix};

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Sent, Shared, blocking};
use crate::fix_commands::{thin, work_error};

/// Bounds of the search and what is known.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(super) struct FixQuery {
    /// Largest current to earth, mA.
    earth_current_ma: Option<f64>,
    /// Supply voltage, V.
    voltage_v: Option<f64>,
    /// Discharge rule, by id.
    discharge: Option<String>,
    /// Largest volume of what is added, mm³.
    max_volume_mm3: Option<f64>,
    /// Largest cost index of what is added.
    max_cost_index: Option<f64>,
    /// `unknown`, `common` or `differential`.
    mode: Option<String>,
    /// Run of the common-mode current.
    clamp_run: Option<String>,
}

/// A part of a remedy.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixPart {
    id: String,
    name: String,
    value: String,
    /// In words.
    place: String,
    pieces: u32,
    /// The fitted part it replaces.
    replaces: Option<String>,
    cost_index: f64,
    volume_mm3: f64,
}

/// A trap or a caution.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixWarning {
    /// `safety` for what can hurt someone.
    kind: String,
    text: String,
}

/// A number of a part that can be changed.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Knob {
    /// Which of the changes.
    change: usize,
    /// Name of the field in the part.
    field: String,
    /// For people.
    label: String,
    /// SI unit; empty for counts.
    unit: String,
    value: f64,
    from: f64,
    to: f64,
    /// True where the slider runs over the logarithm.
    log: bool,
}

/// A predicted trace, thinned so that no peak is lost.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixTrace {
    frequency_hz: Vec<f64>,
    /// The detector of each column.
    detectors: Vec<String>,
    /// As it is now; one list a column, absent levels null.
    now_dbuv: Vec<Vec<Option<f64>>>,
    /// Expected.
    expected_dbuv: Vec<Vec<Option<f64>>>,
    /// Worst over the sources and phases that are left open.
    worst_dbuv: Vec<Vec<Option<f64>>>,
}

/// A remedy.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixRemedy {
    name: String,
    topology: String,
    parts: Vec<FixPart>,
    margin_db: f64,
    margin_frequency_hz: f64,
    worst_margin_db: f64,
    worst_margin_frequency_hz: f64,
    probability: f64,
    enough: bool,
    earth_current_ma: f64,
    discharge_ohm: Option<f64>,
    inrush_peak_a: f64,
    drop_v: f64,
    volume_mm3: f64,
    cost_index: f64,
    /// In words.
    fit: String,
    stability_margin_db: Option<f64>,
    warnings: Vec<FixWarning>,
    /// The circuit.
    schematic_svg: String,
    /// What is done: to be sent back, changed, to `try`.
    changes: Vec<serde_json::Value>,
    knobs: Vec<Knob>,
}

/// One family of remedy at the excess.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixFamily {
    name: String,
    best: String,
    /// `yes`, `perhaps` or `no`.
    can: String,
    why: String,
    modes: Vec<FixFamilyMode>,
}

/// A family in one mode.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixFamilyMode {
    /// `common mode` or `differential mode`.
    mode: String,
    least_db: f64,
    most_db: f64,
    can: String,
    why: String,
}

/// The page of a run's remedies.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixView {
    run: String,
    title: String,
    other_run: Option<String>,
    sentence: String,
    probability: f64,
    needs_mending: bool,
    excess_frequency_hz: f64,
    excess_db: f64,
    remedies: Vec<FixRemedy>,
    families: Vec<FixFamily>,
    tried: usize,
    forbidden: Vec<String>,
    notes: Vec<String>,
    /// Ids and names of discharge rules.
    discharge_rules: Vec<FixRule>,
}

/// A rule to choose.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FixRule {
    id: String,
    name: String,
}

/// Changes to be tried.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct TryRequest {
    /// As a remedy has them, with other values.
    changes: Vec<serde_json::Value>,
    /// Shape of the remedy they came from.
    topology: Option<String>,
    /// First frequency shown, Hz.
    from_hz: Option<f64>,
    /// Last frequency shown, Hz.
    to_hz: Option<f64>,
    /// Width of the drawing; at most so many frequencies come back.
    pixels: Option<usize>,
    /// True: margins, chance and warnings too; false: only the trace, at once.
    whole: bool,
}

/// What the changes would do.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Tried {
    trace: FixTrace,
    /// Present where the whole was asked for.
    remedy: Option<FixRemedy>,
    /// How long the server took for the trace, ms.
    took_ms: f64,
}

struct Prepared {
    bench: FixBench,
    found: Found,
}

/// Prepared runs by project, run, question and the state of what they were made from.
static PREPARED: LazyLock<Mutex<HashMap<String, Arc<Prepared>>>> = LazyLock::new(Mutex::default);
/// So many are kept.
const KEPT: usize = 4;

fn words<T: Serialize>(value: T) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

fn changed_at(path: &FilePath) -> u128 {
    let modified = std::fs::metadata(path).and_then(|m| m.modified()).ok();
    modified.and_then(|t| t.duration_since(SystemTime::UNIX_EPOCH).ok()).map_or(0, |d| d.as_nanos())
}

fn request(run: &str, q: &FixQuery) -> Result<FixRequest, Fault> {
    let knowledge = match q.mode.as_deref().unwrap_or("unknown") {
        "" | "unknown" => ModeKnowledge::Unknown,
        "common" => ModeKnowledge::Common,
        "differential" => ModeKnowledge::Differential,
        other => {
            return Err(Fault::Input(Problem {
                what: format!("mode `{other}`"),
                place: "mode".into(),
                expected: "unknown, common or differential".into(),
            }));
        }
    };
    Ok(FixRequest {
        run: run.to_owned(),
        clamp_run: q.clamp_run.clone().filter(|c| !c.is_empty()),
        knowledge,
        bounds: Bounds {
            earth_current_ma: q.earth_current_ma,
            volume_mm3: q.max_volume_mm3,
            cost_index: q.max_cost_index,
            discharge: q.discharge.clone().filter(|d| !d.is_empty()),
            ..Bounds::default()
        },
        voltage_v: q.voltage_v,
        ..FixRequest::default()
    })
}

fn prepared(dir: PathBuf, run: &str, q: &FixQuery) -> Result<Arc<Prepared>, Fault> {
    // Filters, product and limits may be edited beside the program; the ledger only grows, and a run in it stays.
    let files: Vec<u128> = std::fs::read_dir(dir.join(FILTERS))
        .into_iter()
        .flatten()
        .flatten()
        .map(|e| changed_at(&e.path()))
        .chain([changed_at(&dir.join("product.toml")), changed_at(&dir.join("ledger.sqlite"))])
        .collect();
    let key = format!("{} {run} {q:?} {files:?}", dir.display());
    if let Some(p) = PREPARED.lock().unwrap_or_else(PoisonError::into_inner).get(&key) {
        return Ok(Arc::clone(p));
    }
    let bench = prepare_fix(&dir, &request(run, q)?, &mut |_| std::ops::ControlFlow::Continue(()))?;
    let found = search_fix(&bench)?;
    let made = Arc::new(Prepared { bench, found });
    let mut kept = PREPARED.lock().unwrap_or_else(PoisonError::into_inner);
    if kept.len() >= KEPT {
        kept.clear();
    }
    kept.insert(key, Arc::clone(&made));
    Ok(made)
}

fn knob(change: usize, field: &str, label: &str, unit: &str, value: f64) -> Knob {
    Knob {
        change,
        field: field.to_owned(),
        label: label.to_owned(),
        unit: unit.to_owned(),
        value,
        from: value / 20.0,
        to: value * 20.0,
        log: true,
    }
}

fn knobs(changes: &[Change]) -> Vec<Knob> {
    let mut list = Vec::new();
    for (i, change) in changes.iter().enumerate() {
        let part = match change {
            Change::Add(stage) => &stage.part,
            Change::Exchange { part, .. } => part,
        };
        match &part.model {
            Model::Capacitor(c) => {
                list.push(knob(i, "capacitance_f", "Capacitance", "F", c.capacitance_f));
                list.push(knob(i, "esl_h", "Inductance of its leads", "H", c.esl_h));
            }
            Model::Inductor(l) => {
                list.push(knob(i, "inductance_h", "Inductance", "H", l.inductance_h));
                list.push(knob(i, "winding_f", "Winding capacitance", "F", l.winding_f));
            }
            Model::CommonModeChoke(c) => {
                list.push(knob(i, "inductance_h", "Inductance of a winding", "H", c.inductance_h));
                list.push(knob(i, "leakage_h", "Leakage inductance", "H", c.leakage_h));
                list.push(knob(i, "winding_f", "Winding capacitance", "F", c.winding_f));
            }
            Model::Ferrite(f) => {
                list.push(Knob {
                    from: 1.0,
                    to: 12.0,
                    log: false,
                    ..knob(i, "turns", "Turns", "", f64::from(f.turns))
                });
            }
            Model::Resistor(r) => list.push(knob(i, "resistance_ohm", "Resistance", "Ω", r.resistance_ohm)),
            _ => {}
        }
    }
    list
}

fn schematic(p: &Prepared, changes: &[Change], title: &str) -> String {
    let fitted = &p.bench.bench.problem().port.fitted;
    let mut stages: Vec<Stage> = fitted.clone();
    let mut new = vec![false; stages.len()];
    for change in changes {
        match change {
            Change::Add(stage) => {
                stages.push(stage.clone());
                new.push(true);
            }
            Change::Exchange { index, part } => {
                if let (Some(s), Some(n)) = (stages.get_mut(*index), new.get_mut(*index)) {
                    s.part = part.clone();
                    *n = true;
                }
            }
        }
    }
    remedy::schematic::draw(&stages, &new, title)
}

fn remedy_view(p: &Prepared, r: &Remedy) -> FixRemedy {
    let f = &r.figures;
    FixRemedy {
        name: r.name.clone(),
        topology: words(r.topology),
        parts: r
            .parts
            .iter()
            .map(|u| FixPart {
                id: u.id.clone(),
                name: u.name.clone(),
                value: u.value.clone(),
                place: u.place_words.to_owned(),
                pieces: u.pieces,
                replaces: u.replaces.clone(),
                cost_index: u.cost_index,
                volume_mm3: u.volume_mm3,
            })
            .collect(),
        margin_db: r.margin_db,
        margin_frequency_hz: r.margin_frequency_hz,
        worst_margin_db: r.worst_margin_db,
        worst_margin_frequency_hz: r.worst_margin_frequency_hz,
        probability: r.probability,
        enough: r.enough,
        earth_current_ma: f.earth_current_a * 1e3,
        discharge_ohm: f.discharge_ohm,
        inrush_peak_a: f.inrush_peak_a,
        drop_v: f.drop_v,
        volume_mm3: f.volume_mm3,
        cost_index: f.cost_index,
        fit: r.fit.words().to_owned(),
        stability_margin_db: r.stability.map(|s| s.margin_db),
        warnings: r
            .warnings
            .iter()
            .map(|w| FixWarning {
                kind: if w.kind == WarningKind::Safety { "safety".into() } else { words(w.kind) },
                text: w.text.clone(),
            })
            .collect(),
        schematic_svg: schematic(p, &r.changes, &r.name),
        changes: r.changes.iter().filter_map(|c| serde_json::to_value(c).ok()).collect(),
        knobs: knobs(&r.changes),
    }
}

fn can(c: Can) -> String {
    words(c)
}

fn family(f: Family) -> FixFamily {
    FixFamily {
        name: f.name,
        best: f.best,
        can: can(f.can),
        why: f.why,
        modes: f
            .modes
            .into_iter()
            .map(|m| FixFamilyMode {
                mode: Mode::name(m.mode).to_owned(),
                least_db: m.least_db,
                most_db: m.most_db,
                can: can(m.can),
                why: m.why,
            })
            .collect(),
    }
}

/// Positions to draw in the stretch asked for: the peaks of what is and, where it is known, of what would be.
fn positions(now: &emission::Trace, expected: Option<&emission::Trace>, request: &TryRequest) -> Vec<usize> {
    let (from, to) = (request.from_hz.unwrap_or(0.0), request.to_hz.unwrap_or(f64::INFINITY));
    let f = &now.frequency_hz;
    let (first, last) = (f.partition_point(|x| *x < from), f.partition_point(|x| *x <= to));
    if first >= last {
        return Vec::new();
    }
    let most = request.pixels.unwrap_or(1200).clamp(50, 6000);
    let cut = |t: &emission::Trace| emission::Trace {
        frequency_hz: t.frequency_hz[first..last].to_vec(),
        columns: t
            .columns
            .iter()
            .map(|c| emission::Column {
                level_db: c.level_db[first..last].to_vec(),
                lower_bound: Vec::new(),
                floor_db: Vec::new(),
                ..c.clone()
            })
            .collect(),
        ..t.clone()
    };
    let mut at = thin(&cut(now), most / 2);
    if let Some(t) = expected {
        at.extend(thin(&cut(t), most / 2));
    }
    at.sort_unstable();
    at.dedup();
    at.into_iter().map(|k| first + k).collect()
}

fn levels(t: &emission::Trace, at: &[usize]) -> Vec<Vec<Option<f64>>> {
    t.columns.iter().map(|c| at.iter().map(|&k| Some(c.level_db[k]).filter(|l| l.is_finite())).collect()).collect()
}

/// `predicted` at its own positions `own`, beside the run's trace at `at`.
fn trace_view(p: &Prepared, predicted: &Predicted, at: &[usize], own: &[usize]) -> FixTrace {
    let now = &p.bench.bench.problem().measured.first;
    FixTrace {
        frequency_hz: at.iter().map(|&k| now.frequency_hz[k]).collect(),
        detectors: now.columns.iter().map(|c| c.detector.map_or("level", Detector::key).to_owned()).collect(),
        now_dbuv: levels(now, at),
        expected_dbuv: levels(&predicted.expected, own),
        worst_dbuv: levels(&predicted.worst, own),
    }
}

fn fault(e: &remedy::RemedyError) -> Fault {
    Fault::from(work_error(e))
}

/// The ranked remedies of a run.
#[utoipa::path(get, path = "/api/fixes/{run}", params(("run" = String, Path, description = "Id of the run"), FixQuery),
    responses((status = 200, body = FixView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn fixes(State(app): App, Path(run): Path<String>, query: Asked<FixQuery>) -> Answer<Json<FixView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || {
        let p = prepared(dir, &run, &query)?;
        let (f, needed, families) = p.bench.bench.band_map(p.bench.facts);
        Ok(FixView {
            run: run.clone(),
            title: p.bench.run.record.title.clone(),
            other_run: p.bench.other_run.clone(),
            sentence: p.found.now.sentence.clone(),
            probability: p.bench.bench.probability_now(),
            needs_mending: p.bench.bench.needs_mending(),
            excess_frequency_hz: f,
            excess_db: needed,
            remedies: p.found.remedies.iter().map(|r| remedy_view(&p, r)).collect(),
            families: families.into_iter().map(family).collect(),
            tried: p.found.tried,
            forbidden: p.found.forbidden.iter().map(|(what, n)| format!("{n} × {what}")).collect(),
            notes: p.found.notes.clone(),
            discharge_rules: remedy::safety::discharge_rules()
                .iter()
                .map(|r| FixRule { id: r.id.clone(), name: format!("{}: {} V in {} s", r.standard, r.to_v, r.in_s) })
                .collect(),
        })
    })
    .await
    .map(Json)
}

/// The trace of a run with parts changed; with `whole` its margin, chance and warnings.
#[utoipa::path(post, path = "/api/fixes/{run}/try", params(("run" = String, Path, description = "Id of the run"), FixQuery),
    request_body = TryRequest,
    responses((status = 200, body = Tried), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn try_out(
    State(app): App,
    Path(run): Path<String>,
    query: Asked<FixQuery>,
    sent: Sent<TryRequest>,
) -> Answer<Json<Tried>> {
    let Query(query) = query?;
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        let p = prepared(dir, &run, &query)?;
        let start = std::time::Instant::now();
        let changes: Vec<Change> = sent
            .changes
            .iter()
            .map(|c| {
                serde_json::from_value(c.clone()).map_err(|e| {
                    Fault::Input(Problem {
                        what: e.to_string(),
                        place: "changes".into(),
                        expected: "changes as a remedy has them".into(),
                    })
                })
            })
            .collect::<Result<_, _>>()?;
        let bench = &p.bench.bench;
        let now = &bench.problem().measured.first;
        let (trace, remedy) = if sent.whole {
            let topology = sent
                .topology
                .as_ref()
                .and_then(|t| serde_json::from_value(serde_json::Value::String(t.clone())).ok())
                .unwrap_or(Topology::Own);
            let r = bench.try_out(topology, &changes).map_err(|e| fault(&e))?;
            let at = positions(now, Some(&r.predicted.expected), &sent);
            (trace_view(&p, &r.predicted, &at, &at), Some(remedy_view(&p, &r)))
        } else {
            // While a slider moves only what is drawn is computed.
            let at = positions(now, None, &sent);
            let own: Vec<usize> = (0..at.len()).collect();
            let predicted = bench.predict_at(&changes, &at).map_err(|e| fault(&e))?;
            (trace_view(&p, &predicted, &at, &own), None)
        };
        Ok(Tried { trace, remedy, took_ms: start.elapsed().as_secs_f64() * 1e3 })
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    // A place is part of every change and must stay readable by the page.
    debug_assert_eq!(words(Place::AcrossLines), "across_lines");
    OpenApiRouter::new().routes(routes!(fixes)).routes(routes!(try_out))
}
