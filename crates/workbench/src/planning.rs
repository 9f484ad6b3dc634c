//! From a project folder to its plan and its laboratory days.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use campaign::{Answers, Laboratory, Pace, Plan, PlannedTest, PortAnswers, RunSays, plan};
use project::{Environment, PinnedLimit, Product, Project, Run, RunKind, RunRecord};
use serde::Deserialize;
use serde_json::Value;
use standards::{LimitLibrary, Phenomenon, Place, Port, RuleBase, Side};

use crate::WorkError;

/// The user's own product standards.
const RULES: &str = "rules";
/// The laboratory's hours, prices and rigs, and the pace of the tests.
const LABORATORY: &str = "laboratory.toml";

/// A project as the planner sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Planning {
    /// What the product file answers.
    pub answers: Answers,
    /// The rule base with the project's own files.
    pub rules: RuleBase,
    /// The plan.
    pub plan: Plan,
    /// The laboratory.
    pub laboratory: Laboratory,
    /// The pace of the tests.
    pub pace: Pace,
    /// The product's name.
    pub product: String,
    /// Spare parts that the product file names, for the list of what to bring.
    pub spares: Vec<String>,
    /// What the project's own latest runs say, by test id.
    pub runs: BTreeMap<String, RunSays>,
    /// Chance of failing by test id, from those runs.
    pub chances: BTreeMap<String, f64>,
}

#[derive(Deserialize)]
struct PaceTable {
    #[serde(default)]
    pace: Option<Pace>,
}

/// Reads a project for planning: `product.toml`, `rules/*.toml`, `laboratory.toml`, and the verdicts of its runs.
pub fn planning(dir: &Path) -> Result<Planning, WorkError> {
    let product = Project::open(dir)?.product()?.product;
    planning_of(dir, &product)
}

/// The same for a product that is not (yet) what the project's file says.
pub fn planning_of(dir: &Path, product: &Product) -> Result<Planning, WorkError> {
    let project = Project::open(dir)?;
    let answers = answers(product);
    let rules = rules(dir)?;
    let (laboratory, mut pace) = laboratory(dir)?;
    if pace == Pace::default() && !product.modes.is_empty() {
        // Emission is measured in the worst mode and one more unless the laboratory file says otherwise.
        pace.modes = product.modes.len().min(2) as u32;
    }
    let pace = crate::run_sheets::pace_of(pace, product);
    let plan = plan(&answers, &rules);
    let runs = runs_say(&project, &plan)?;
    let chances = runs.iter().map(|(test, says)| (test.clone(), says.chance)).collect();
    let spares = product.spares.iter().map(|s| format!("{} x {}", s.count, s.name)).collect();
    Ok(Planning { answers, rules, plan, laboratory, pace, product: product.name.clone(), spares, runs, chances })
}

fn answers(product: &Product) -> Answers {
    let clocks = product.clocks.iter().map(|c| c.frequency_hz);
    let converters = product.converters.iter().map(|c| c.frequency_hz);
    let highest = clocks.chain(converters).fold(None, |a: Option<f64>, f| Some(a.map_or(f, |a| a.max(f))));
    let alternating = product.supply.as_ref().filter(|s| s.frequency_hz > 0.0);
    Answers {
        family: product.family,
        environment: product.environment.map(|e| match e {
            Environment::Residential => Place::Residential,
            Environment::Commercial => Place::Commercial,
            Environment::Industrial => Place::Industrial,
            Environment::Controlled => Place::Controlled,
        }),
        markets: product.markets.clone(),
        mains_v: alternating.map(|s| s.voltage_v),
        current_a: product.supply.as_ref().and_then(|s| s.current_a),
        phases: product.supply.as_ref().map(|s| s.phases),
        earthed: product
            .supply
            .as_ref()
            .and_then(|s| s.earthed)
            .or_else(|| product.ports.iter().any(|p| p.kind == Port::FunctionalEarth).then_some(true)),
        magnetic_parts: product.magnetic_parts,
        // A product that names a clock or a converter holds electronics.
        electronics: product.electronics.or(highest.map(|_| true)),
        highest_internal_frequency_hz: product.highest_internal_frequency_hz,
        highest_clock_hz: highest,
        ports: product
            .ports
            .iter()
            .map(|p| PortAnswers {
                id: p.id.clone(),
                name: if p.name.is_empty() { p.id.clone() } else { p.name.clone() },
                kind: p.kind,
                cable_length_m: p.cable_length_m,
                screened: p.screened,
                outdoors: p.outdoors,
                dc_network: p.dc_network,
                dc_adaptor: p.dc_adaptor,
            })
            .collect(),
    }
}

fn text_of(path: &Path) -> Result<Option<String>, WorkError> {
    match fs::read_to_string(path) {
        Ok(text) => Ok(Some(text)),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(WorkError::input(path.display().to_string(), e.to_string(), "a readable text file")),
    }
}

fn rules(dir: &Path) -> Result<RuleBase, WorkError> {
    let mut rules = RuleBase::embedded().clone();
    let folder = dir.join(RULES);
    let mut files: Vec<_> = match fs::read_dir(&folder) {
        Ok(entries) => {
            entries.flatten().map(|e| e.path()).filter(|p| p.extension().is_some_and(|x| x == "toml")).collect()
        }
        Err(_) => return Ok(rules),
    };
    files.sort();
    for path in files {
        let name = format!("{RULES}/{}", path.file_name().unwrap_or_default().to_string_lossy());
        if let Some(text) = text_of(&path)? {
            rules.add_toml(&text, &name)?;
        }
    }
    Ok(rules)
}

fn laboratory(dir: &Path) -> Result<(Laboratory, Pace), WorkError> {
    let Some(text) = text_of(&dir.join(LABORATORY))? else { return Ok((Laboratory::default(), Pace::default())) };
    let refuse = |what: String| WorkError::input(LABORATORY, what, "hours, prices, [[rig]] tables and a [pace] table");
    let mut table: toml::Table =
        text.parse().map_err(|e: toml::de::Error| refuse(e.to_string().trim_end().to_owned()))?;
    let paced: PaceTable =
        toml::from_str(&text).map_err(|e: toml::de::Error| refuse(e.to_string().trim_end().to_owned()))?;
    table.remove("pace");
    let laboratory = Laboratory::read(&table.to_string()).map_err(|e| refuse(e.to_string()))?;
    Ok((laboratory, paced.pace.unwrap_or_default()))
}

/// Which phenomenon a run looks at.
pub(crate) fn phenomena(kind: RunKind) -> &'static [Phenomenon] {
    match kind {
        RunKind::ConductedEmission => &[Phenomenon::ConductedDisturbance],
        RunKind::RadiatedEmission => &[Phenomenon::RadiatedDisturbance],
        RunKind::DisturbancePower => &[Phenomenon::DisturbancePower],
        RunKind::Harmonics => &[Phenomenon::HarmonicCurrent],
        RunKind::Flicker => &[Phenomenon::VoltageChangeFlicker],
        RunKind::ElectrostaticDischarge => &[Phenomenon::ElectrostaticDischarge],
        RunKind::RadiatedImmunity => &[Phenomenon::RfField],
        RunKind::Burst => &[Phenomenon::Burst],
        RunKind::Surge => &[Phenomenon::Surge],
        RunKind::ConductedImmunity => &[Phenomenon::ConductedRf],
        RunKind::MagneticField => &[Phenomenon::PowerFrequencyMagneticField],
        RunKind::Dips => &[Phenomenon::VoltageDip, Phenomenon::ShortInterruption],
        RunKind::Other => &[],
    }
}

/// Whether a run was judged by a limit of the test, or by one of another number with the same levels, detector and distance.
fn same_limit(record: &RunRecord, test: &PlannedTest, library: &LimitLibrary) -> bool {
    let wanted: Vec<PinnedLimit> = test.limits.iter().filter_map(|id| library.get(id)).map(PinnedLimit::of).collect();
    let pinned: Vec<PinnedLimit> = if record.pinned_limits.is_empty() {
        record.limits.iter().filter_map(|id| library.get(id)).map(PinnedLimit::of).collect()
    } else {
        record.pinned_limits.clone()
    };
    record.limits.iter().any(|l| test.limits.contains(l))
        || pinned.iter().any(|p| {
            wanted.iter().any(|w| {
                (p.detector, p.unit, p.distance_m, p.interpolation, &p.points)
                    == (w.detector, w.unit, w.distance_m, w.interpolation, &w.points)
            })
        })
}

/// Chance of failing at the laboratory by what a run's result says, and where it comes from.
fn chance_of(summary: &Value) -> Option<(f64, &'static str)> {
    if let Some(passes) = summary["probability"].as_f64() {
        return Some(((1.0 - passes).clamp(0.0, 1.0), "computed from margins and uncertainty"));
    }
    // Common practice: a bench verdict without a computed probability is mostly borne out.
    match summary["decision"].as_str()? {
        "pass" => Some((0.05, "passed on the bench; no probability computed, 5 % taken")),
        "fail" => Some((0.9, "failed on the bench; no probability computed, 90 % taken")),
        _ => Some((0.5, "undecided on the bench; 50 % taken")),
    }
}

/// Planned tests that a logged run carries out, by run: it can be several, at several ports.
pub(crate) fn carried_tests(project: &Project) -> Result<BTreeMap<String, Vec<String>>, WorkError> {
    let mut carries = BTreeMap::new();
    for id in project.logged_runs()? {
        if let Some(log) = project.log(&id)? {
            carries.insert(id, log.sheet.tests);
        }
    }
    Ok(carries)
}

/// The runs that measured a planned test, the earliest first: on its port, of its phenomenon, for emission against its
/// limit, with the product on, and not taken back.
pub(crate) fn runs_of_test<'r>(
    runs: &'r [Run],
    test: &PlannedTest,
    library: &LimitLibrary,
    carries: &BTreeMap<String, Vec<String>>,
) -> Vec<&'r Run> {
    let mut own: Vec<&Run> = runs
        .iter()
        .filter(|r| r.withdrawn.is_none() && !r.record.place.product_off)
        .filter(|r| match carries.get(r.id()).filter(|tests| !tests.is_empty()) {
            Some(tests) => tests.contains(&test.id),
            None => {
                r.record.port.as_deref() == Some(test.port.as_str())
                    && phenomena(r.record.kind).contains(&test.phenomenon)
            }
        })
        .filter(|r| test.side != Side::Emission || same_limit(&r.record, test, library))
        .collect();
    own.sort_by_key(|r| r.record.measured_at);
    own
}

/// The latest run of each conductor and place, of runs in the order of time.
pub(crate) fn latest_of_each<'r>(runs: impl Iterator<Item = &'r Run>) -> Vec<&'r Run> {
    let mut latest: BTreeMap<(Option<&str>, String), &Run> = BTreeMap::new();
    for run in runs {
        latest.insert((run.record.conductor.as_deref(), run.record.place.words()), run);
    }
    latest.into_values().collect()
}

/// What the project's own runs say of each test: of the latest modification state measured, the worst of the latest runs
/// of each conductor and place on the same port, for emission against the same limit.
fn runs_say(project: &Project, plan: &Plan) -> Result<BTreeMap<String, RunSays>, WorkError> {
    let runs = project.runs()?;
    let library = project.limits()?;
    let carries = carried_tests(project)?;
    let mut says = BTreeMap::new();
    for test in &plan.tests {
        let own = runs_of_test(&runs, test, &library, &carries);
        let Some(latest) = own.last() else { continue };
        let now = latest_of_each(own.iter().copied().filter(|r| r.record.state == latest.record.state));
        // What failed elsewhere before and was not measured since is said, not forgotten.
        let mut before: BTreeMap<&str, &Run> = BTreeMap::new();
        for run in &own {
            if let Some(c) = run.record.conductor.as_deref()
                && !now.iter().any(|r| r.record.conductor.as_deref() == Some(c))
            {
                before.insert(c, run);
            }
        }
        let not_repeated: Vec<String> = before
            .iter()
            .filter_map(|(conductor, run)| {
                let summary = &run.result()?.summary;
                let (chance, _) = chance_of(summary)?;
                let state = run.record.state.as_deref().unwrap_or("unnamed");
                let sentence = summary["sentence"].as_str().unwrap_or_default();
                (chance >= 0.5)
                    .then(|| format!("{conductor} was last measured in state {state}, {}: {sentence}", run.id()))
            })
            .collect();
        let worst = now
            .iter()
            .filter_map(|run| {
                let summary = &run.result()?.summary;
                let (chance, basis) = chance_of(summary)?;
                Some(RunSays {
                    run: run.id().to_owned(),
                    measured: run.record.measured_at.strftime("%Y-%m-%d").to_string(),
                    state: run.record.state.clone(),
                    sentence: summary["sentence"].as_str().unwrap_or_default().to_owned(),
                    decision: summary["decision"].as_str().unwrap_or_default().to_owned(),
                    chance,
                    basis: basis.to_owned(),
                    not_repeated: not_repeated.clone(),
                })
            })
            .max_by(|a, b| a.chance.total_cmp(&b.chance));
        if let Some(worst) = worst {
            says.insert(test.id.clone(), worst);
        }
    }
    Ok(says)
}

/// The answers with one changed; see [`Answers::with`].
pub fn with_answer(answers: &Answers, field: &str, value: &str) -> Result<Answers, WorkError> {
    answers.with(field, value).map_err(|e| WorkError::input(e.field, e.what, e.expected))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_project_is_planned_with_its_own_rules_and_laboratory() {
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path().join("p");
        Project::create(&dir).unwrap();
        let plain = planning(&dir).unwrap();
        assert!(plain.plan.tests.iter().any(|t| t.standard == "iec61000-6-1"));
        fs::create_dir(dir.join("rules")).unwrap();
        fs::write(
            dir.join("rules/own.toml"),
            "[[standard]]\nid = \"own\"\nnumber = \"Own 1\"\ntitle = \"ours\"\nside = \"immunity\"\nsource = \"ours\"\nknown = \"user\"\n\
             [[row]]\nid = \"own/mains/surge\"\nstandard = \"own\"\nport = \"ac_mains\"\nphenomenon = \"surge\"\nmethod = \"IEC 61000-4-5\"\n\
             level = [{ quantity = \"line_to_line_open_circuit_voltage\", value = 4.0, unit = \"kV\" }]\ncriterion = \"B\"\nclause = \"1\"\nknown = \"user\"\nconfidence = \"high\"\n",
        )
        .unwrap();
        fs::write(dir.join("laboratory.toml"), "name = \"Town lab\"\nhalf_day_price = 700.0\n[pace]\ndwell_s = 3.0\n")
            .unwrap();
        let own = planning(&dir).unwrap();
        assert_eq!(own.plan.tests.len(), plain.plan.tests.len() + 1);
        assert_eq!((own.laboratory.half_day_price, own.pace.dwell_s), (700.0, 3.0));
        fs::write(dir.join("laboratory.toml"), "half_day_cost = 700.0\n").unwrap();
        let error = planning(&dir).unwrap_err().to_string();
        assert!(error.contains("laboratory.toml") && error.contains("half_day_cost"), "{error}");
        fs::remove_file(dir.join("laboratory.toml")).unwrap();
        fs::write(dir.join("rules/own.toml"), "[[row]]\n").unwrap();
        assert!(planning(&dir).unwrap_err().to_string().contains("rules/own.toml"));
    }
}
