//! From a run of a project to the bench on which remedies are tried.

use std::fs;
use std::path::{Path, PathBuf};

use emission::{JudgeOptions, Trace};
use formats::touchstone::{Parameter, open_touchstone};
use project::{Product, Project, Run};
use quantity::Unit;
use remedy::RemedyError;
use remedy::bandmap::SourceFacts;
use remedy::fitted::read_fitted;
use remedy::library::Library;
use remedy::measured::{Fixture, MeasuredImpedance};
use remedy::networks::NetworkKind;
use remedy::parts::{Fit, Model, Part};
use remedy::port::{PortModel, USUAL_CREST_FACTOR};
use remedy::predict::{Measured, ModeKnowledge};
use remedy::safety::{Bounds, Supply, earth_current_limits};
use remedy::search::{Bench, Problem};
use serde::Deserialize;
use standards::Port;

use crate::evaluate::{Evaluation, evaluate_run};
use crate::{OnStage, WorkError};

/// Folder of a project with the descriptions of fitted filters, one a port: `filters/PORT.toml`.
pub const FILTERS: &str = "filters";

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default)]
pub struct FixRequest {
    /// The run with the excess.
    pub run: String,
    /// The other conductor's run; none: looked for.
    pub other_run: Option<String>,
    /// A run of the common-mode current (clamp round both conductors).
    pub clamp_run: Option<String>,
    /// What is known of the modes.
    pub knowledge: ModeKnowledge,
    /// What not to go beyond.
    pub bounds: Bounds,
    /// An earth-current limit of the library, by id, instead of a number.
    pub earth_standard: Option<String>,
    /// Supply voltage, V; none: from product.toml, else 230.
    pub voltage_v: Option<f64>,
    /// Supply frequency, Hz; none: from product.toml, else 50.
    pub frequency_hz: Option<f64>,
    /// Supply current, A; none: from the filter's file, product.toml, else 1.
    pub current_a: Option<f64>,
    /// Peak over r.m.s. of the current.
    pub crest_factor: Option<f64>,
    /// Files with parts of one's own (TOML, or Touchstone).
    pub parts: Vec<PathBuf>,
    /// Only parts of those files.
    pub only_own_parts: bool,
    /// Description of the fitted filter; none: `filters/PORT.toml` of the project, where it is there.
    pub fitted: Option<PathBuf>,
    /// Artificial network, where the filter's file does not name it.
    pub network: Option<NetworkKind>,
    /// Chance of passing that counts as enough.
    pub wanted_probability: Option<f64>,
    /// At most so many remedies.
    pub most: Option<usize>,
}

/// A bench ready for the search.
pub struct FixBench {
    /// The bench.
    pub bench: Bench,
    /// The run with the excess.
    pub run: Run,
    /// The run of the other conductor, where there is one.
    pub other_run: Option<String>,
    /// What was taken from where.
    pub notes: Vec<String>,
    /// What is known of the source beside the circuit.
    pub facts: SourceFacts,
}

fn unusable(place: &str, e: &RemedyError) -> WorkError {
    match e {
        RemedyError::Judge(j) => WorkError::Judge(j.clone()),
        _ => WorkError::input(place, e.to_string(), "values that make sense together"),
    }
}

fn read_text(path: &Path) -> Result<String, WorkError> {
    fs::read_to_string(path).map_err(|e| WorkError::io(path, "read the file", &e))
}

/// Reads a Touchstone file as a part: one port by its reflection, two as named.
pub fn measured_part(path: &Path, fixture: Option<Fixture>) -> Result<Part, WorkError> {
    let network = open_touchstone(path)
        .map_err(|e| WorkError::input(path.display().to_string(), e.to_string(), "a Touchstone file"))?;
    let id = path.file_stem().map_or_else(|| "measured".to_owned(), |s| s.to_string_lossy().into_owned());
    let place = path.display().to_string();
    let fixture = match (network.ports, fixture) {
        (1, None | Some(Fixture::OnePort)) => Fixture::OnePort,
        (2, None) => Fixture::SeriesThrough,
        (2, Some(f)) => f,
        (n, _) => {
            return Err(WorkError::input(
                place,
                format!("{n} ports"),
                "one port, or two with the part in or across the path",
            ));
        }
    };
    if network.parameter != Parameter::S {
        return Err(WorkError::input(place, "no scattering parameters", "a file of S parameters"));
    }
    let fault = |e: formats::touchstone::NetworkError| {
        WorkError::input(path.display().to_string(), e.to_string(), "S parameters")
    };
    let s = if fixture == Fixture::SeriesThrough || fixture == Fixture::ShuntThrough {
        network.entry(2, 1).map_err(fault)?
    } else {
        network.entry(1, 1).map_err(fault)?
    };
    let reference = network.reference_ohm[0].re;
    let table = MeasuredImpedance::from_s(&id, &network.frequency_hz, &s, fixture, reference)
        .map_err(|e| unusable(&path.display().to_string(), &e))?;
    Ok(Part {
        name: format!("{id}, measured"),
        id,
        model: Model::Measured(table),
        tolerance: 0.2,
        volume_mm3: 0.0,
        cost_index: 0.0,
        fit: Fit::Wiring,
    })
}

/// Adds a user's file of parts to a library and gives the ids that came from it. TOML entries may name a Touchstone file
/// beside them: `touchstone = "core.s1p"`, with `fixture = "series_through"` where it has two ports.
pub fn add_parts(library: &mut Library, path: &Path) -> Result<Vec<String>, WorkError> {
    let extension = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    let place = path.display().to_string();
    if extension != "toml" {
        let part = measured_part(path, None)?;
        let id = part.id.clone();
        library.add(part).map_err(|e| unusable(&place, &e))?;
        return Ok(vec![id]);
    }
    let text = read_text(path)?;
    let mut file: toml::Table = toml::from_str(&text)
        .map_err(|e| WorkError::input(place.as_str(), e.to_string().trim_end(), "[[part]] and [[family]] tables"))?;
    if let Some(toml::Value::Array(parts)) = file.get_mut("part") {
        for part in parts.iter_mut().filter_map(toml::Value::as_table_mut) {
            let Some(name) = part.remove("touchstone") else { continue };
            let name = name.as_str().map(str::to_owned).ok_or_else(|| {
                WorkError::input(place.as_str(), "touchstone is no text", "the name of a file beside this one")
            })?;
            let fixture = part.remove("fixture").map(toml::Value::try_into::<Fixture>).transpose().map_err(|e| {
                WorkError::input(place.as_str(), e.to_string(), "one_port, series_through or shunt_through")
            })?;
            let folder = path.parent().unwrap_or(Path::new("."));
            let Model::Measured(table) = measured_part(&folder.join(name), fixture)?.model else { continue };
            part.insert("kind".into(), "measured".into());
            let rows = table.rows.iter().map(|r| toml::Value::Array(r.iter().map(|v| (*v).into()).collect())).collect();
            part.insert("rows".into(), toml::Value::Array(rows));
            part.insert("notes".into(), toml::Value::Array(table.notes.into_iter().map(Into::into).collect()));
        }
    }
    let text = toml::to_string(&file).map_err(|e| WorkError::Ours(format!("parts could not be written: {e}")))?;
    let mut own = Library::default();
    own.add_toml(&text, &place).map_err(|e| unusable(&place, &e))?;
    let ids: Vec<String> = own.all().iter().map(|p| p.id.clone()).collect();
    for part in own.all() {
        library.add(part.clone()).map_err(|e| unusable(&place, &e))?;
    }
    Ok(ids)
}

fn dbuv(evaluation: &Evaluation) -> Result<&Trace, WorkError> {
    let id = &evaluation.run.record.id;
    if let Some(problem) = &evaluation.problem {
        return Err(WorkError::input(format!("run {id}"), problem.as_str(), "a run that can be judged"));
    }
    let trace = &evaluation.judged.trace;
    if trace.unit == Some(Unit::DbUv) {
        return Ok(trace);
    }
    let found = trace.unit.map_or_else(|| "no known unit".to_owned(), |u| u.to_string());
    Err(WorkError::input(
        format!("run {id}"),
        format!("its levels are in {found}"),
        "a conducted run, in dBµV at the product's terminal (for fields see `hushfield ferrite` and `hushfield screen`)",
    ))
}

fn same_grid(a: &Trace, b: &Trace) -> bool {
    a.frequency_hz.len() == b.frequency_hz.len()
        && a.frequency_hz.iter().zip(&b.frequency_hz).all(|(x, y)| (x - y).abs() <= 1e-9 * x)
}

/// The latest run of the other conductor in the same state.
fn companion(project: &Project, run: &Run) -> Result<Option<Run>, WorkError> {
    let own = &run.record;
    if own.conductor.is_none() {
        return Ok(None);
    }
    Ok(project.runs()?.into_iter().rfind(|r| {
        let other = &r.record;
        r.withdrawn.is_none()
            && other.id != own.id
            && other.port == own.port
            && other.state == own.state
            && other.sample == own.sample
            && other.mode == own.mode
            && other.limits == own.limits
            && other.conductor.is_some()
            && other.conductor != own.conductor
    }))
}

fn supply_of(request: &FixRequest, product: &Product, fitted: &PortModel, notes: &mut Vec<String>) -> Supply {
    let told = product.supply.as_ref();
    let current = request.current_a.or(fitted.current_a).or(told.and_then(|s| s.current_a));
    if current.is_none() {
        notes.push(
            "The supply current is not known: 1 A is reckoned with. Say it in product.toml or with --current.".into(),
        );
    }
    let frequency = request.frequency_hz.or(told.map(|s| s.frequency_hz).filter(|f| *f > 0.0)).unwrap_or(50.0);
    Supply {
        voltage_v: request.voltage_v.or(told.map(|s| s.voltage_v)).unwrap_or(230.0),
        frequency_hz: frequency,
        current_a: current.unwrap_or(1.0),
        crest_factor: request.crest_factor.unwrap_or(fitted.crest_factor),
    }
}

fn bounds_of(request: &FixRequest) -> Result<Bounds, WorkError> {
    let mut bounds = request.bounds.clone();
    if let Some(id) = &request.earth_standard {
        let row = earth_current_limits().iter().find(|r| &r.id == id).ok_or_else(|| {
            let known: Vec<&str> = earth_current_limits().iter().map(|r| r.id.as_str()).collect();
            WorkError::input("earth-current standard", format!("`{id}`"), format!("one of {}", known.join(", ")))
        })?;
        bounds.earth_current_ma = Some(bounds.earth_current_ma.map_or(row.limit_ma, |b| b.min(row.limit_ma)));
    }
    bounds.check().map_err(|e| unusable("bounds", &e))?;
    Ok(bounds)
}

/// Prepares the search for a run: its trace and the other conductor's, the fitted filter, supply, parts and bounds.
pub fn prepare_fix(dir: &Path, request: &FixRequest, on_stage: &mut OnStage<'_>) -> Result<FixBench, WorkError> {
    let project = Project::open(dir)?;
    let product = project.product()?.product;
    let run = project.run(&request.run)?;
    let bounds = bounds_of(request)?;
    let mut notes = Vec::new();

    let own = evaluate_run(&project, run.clone(), on_stage)?;
    let first = dbuv(&own)?.clone();
    if own.judged.limits.is_empty() {
        return Err(WorkError::input(format!("run {}", run.record.id), "no limit belongs to it", "a run with limits"));
    }
    if let Some(port) = run.record.port.as_deref().and_then(|id| product.port(id))
        && !matches!(port.kind, Port::AcMains | Port::DcPower)
    {
        return Err(WorkError::input(
            format!("run {}", run.record.id),
            format!("its port is {}", port.kind.name()),
            "a run at a mains or DC power port",
        ));
    }
    let other = match &request.other_run {
        Some(id) => Some(project.run(id)?),
        None => companion(&project, &run)?,
    };
    let mut second = None;
    let mut other_run = None;
    if let Some(other) = other {
        let id = other.record.id.clone();
        let evaluation = evaluate_run(&project, other, on_stage)?;
        let trace = dbuv(&evaluation)?;
        if same_grid(&first, trace) {
            notes.push(format!("The other conductor is taken from run {id}."));
            second = Some(trace.clone());
            other_run = Some(id);
        } else if request.other_run.is_some() {
            return Err(WorkError::input(
                format!("run {id}"),
                "it has other frequencies",
                "the frequencies of the run to be mended",
            ));
        }
    }
    let common_current = match &request.clamp_run {
        None => None,
        Some(id) => {
            let evaluation = evaluate_run(&project, project.run(id)?, on_stage)?;
            Some(evaluation.judged.trace)
        }
    };

    let mut library = Library::built_in().clone();
    let mut at_hand = bounds.at_hand.clone();
    for file in &request.parts {
        let ids = add_parts(&mut library, file)?;
        if request.only_own_parts {
            at_hand.extend(ids);
        }
    }
    let bounds = Bounds { at_hand, ..bounds };

    let described = request.fitted.clone().or_else(|| {
        let path = dir.join(FILTERS).join(format!("{}.toml", run.record.port.as_deref()?));
        path.is_file().then_some(path)
    });
    let mut port = match &described {
        Some(path) => {
            let place = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
            notes.push(format!("The filter that is fitted is taken from {}.", path.display()));
            read_fitted(&read_text(path)?, &place, &library).map_err(|e| unusable(&path.display().to_string(), &e))?
        }
        None => PortModel::unknown(request.network.unwrap_or_default()),
    };
    if let Some(network) = request.network {
        port.network = network;
    }
    let supply = supply_of(request, &product, &port, &mut notes);
    supply.check().map_err(|e| unusable("supply", &e))?;
    (port.current_a, port.crest_factor) = (Some(supply.current_a), supply.crest_factor);
    if request.crest_factor.is_none() && described.is_none() {
        notes.push(format!("The crest of the supply current is taken as {USUAL_CREST_FACTOR} times its r.m.s. value."));
    }

    let kept: crate::evaluate::KeptChoices =
        run.record.captures.first().and_then(|c| serde_json::from_value(c.choices.clone()).ok()).unwrap_or_default();
    let wanted = request.wanted_probability.unwrap_or(0.95);
    if !(wanted > 0.0 && wanted < 1.0) {
        return Err(WorkError::input("wanted probability", wanted.to_string(), "a number between 0 and 1"));
    }
    let most = request.most.unwrap_or(10);
    if most == 0 {
        return Err(WorkError::input("number of remedies", "0", "1 or more"));
    }
    let power = product.converters.iter().filter_map(|c| c.power_w).reduce(f64::max);
    let problem = Problem {
        measured: Measured { first, second, common_current, knowledge: request.knowledge },
        port,
        limits: own.judged.limits,
        options: JudgeOptions { ..kept.judging.options() },
        supply,
        bounds,
        library,
        wanted_probability: wanted,
        most,
        converters_hz: product.converters.iter().map(|c| c.frequency_hz).collect(),
        converter_w: power.filter(|w| *w > 0.0),
    };
    let bench = Bench::new(problem).map_err(|e| unusable(&format!("run {}", run.record.id), &e))?;
    let facts = SourceFacts {
        rise_s: product.converters.iter().filter_map(|c| c.rise_time_s).reduce(f64::min),
        cable_m: run.record.port.as_deref().and_then(|p| product.port(p)).and_then(|p| p.cable_length_m),
    };
    Ok(FixBench { bench, run, other_run, notes, facts })
}

/// Searches, with the fault named as the workbench names its own.
pub fn search_fix(bench: &FixBench) -> Result<remedy::search::Found, WorkError> {
    let mut found = bench.bench.search().map_err(|e| unusable(&format!("run {}", bench.run.record.id), &e))?;
    found.notes.splice(0..0, bench.notes.iter().cloned());
    Ok(found)
}
