//! From a project folder to its plan and its laboratory days.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use campaign::{Answers, Laboratory, Pace, Plan, PortAnswers, plan};
use project::{Environment, Product, Project};
use serde::Deserialize;
use standards::{Family, Place, Port, RuleBase, Side};

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
    /// Chance of failing by test id, from the project's own latest runs.
    pub chances: BTreeMap<String, f64>,
}

#[derive(Deserialize)]
struct PaceTable {
    #[serde(default)]
    pace: Option<Pace>,
}

/// Reads a project for planning: `product.toml`, `rules/*.toml`, `laboratory.toml`, and the verdicts of its runs.
pub fn planning(dir: &Path) -> Result<Planning, WorkError> {
    let project = Project::open(dir)?;
    let product = project.product()?.product;
    let answers = answers(&product);
    let rules = rules(dir)?;
    let (laboratory, mut pace) = laboratory(dir)?;
    if pace == Pace::default() && !product.modes.is_empty() {
        // Emission is measured in the worst mode and one more unless the laboratory file says otherwise.
        pace.modes = product.modes.len().min(2) as u32;
    }
    let plan = plan(&answers, &rules);
    let chances = chances(&project, &plan)?;
    Ok(Planning { answers, rules, plan, laboratory, pace, chances })
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
        electronics: highest.map(|_| true),
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

/// The latest verdict of a run on the same port against a limit of the test says how likely the laboratory's would fail.
fn chances(project: &Project, plan: &Plan) -> Result<BTreeMap<String, f64>, WorkError> {
    let runs = project.runs()?;
    let mut chances = BTreeMap::new();
    for test in plan.tests.iter().filter(|t| t.side == Side::Emission) {
        let latest = runs
            .iter()
            .filter(|r| r.withdrawn.is_none() && r.record.port.as_deref() == Some(test.port.as_str()))
            .filter(|r| r.record.limits.iter().any(|l| test.limits.contains(l)))
            .max_by_key(|r| r.record.measured_at);
        if let Some(passes) = latest.and_then(|r| r.result()).and_then(|r| r.summary["probability"].as_f64()) {
            chances.insert(test.id.clone(), (1.0 - passes).clamp(0.0, 1.0));
        }
    }
    Ok(chances)
}

/// The answers with one changed, named as in [`campaign::Question::field`], e.g. `environment=industrial` or
/// `ports.sensors.cable_length_m=2`.
pub fn with_answer(answers: &Answers, field: &str, value: &str) -> Result<Answers, WorkError> {
    let mut changed = answers.clone();
    let refuse = |expected: &str| WorkError::input(field, format!("found `{value}`"), expected);
    let truth = || match value {
        "true" | "yes" => Ok(Some(true)),
        "false" | "no" => Ok(Some(false)),
        "" | "unknown" => Ok(None),
        _ => Err(refuse("true, false or unknown")),
    };
    let number = || match value {
        "" | "unknown" => Ok(None),
        v => match v.parse::<f64>() {
            Ok(x) if x.is_finite() && x >= 0.0 => Ok(Some(x)),
            _ => Err(refuse("a number, 0 or above, or unknown")),
        },
    };
    match field {
        "family" => {
            let words = Family::ALL.map(Family::key).join(", ");
            changed.family = Some(Family::ALL.into_iter().find(|f| f.key() == value).ok_or_else(|| refuse(&words))?);
        }
        "environment" => {
            let places = [Place::Residential, Place::Commercial, Place::Industrial, Place::Controlled];
            let words = places.map(Place::key).join(", ");
            changed.environment = Some(places.into_iter().find(|f| f.key() == value).ok_or_else(|| refuse(&words))?);
        }
        "markets" => {
            changed.markets = value.split(',').map(|m| m.trim().to_owned()).filter(|m| !m.is_empty()).collect();
        }
        "supply.current_a" => changed.current_a = number()?,
        "supply.earthed" => changed.earthed = truth()?,
        "magnetic_parts" => changed.magnetic_parts = truth()?,
        "electronics" => changed.electronics = truth()?,
        "highest_internal_frequency_hz" => changed.highest_internal_frequency_hz = number()?,
        "clocks" => changed.highest_clock_hz = number()?,
        _ => {
            let ids = answers.ports.iter().map(|p| p.id.as_str()).collect::<Vec<_>>().join(", ");
            let mut parts = field.splitn(3, '.');
            let port = match (parts.next(), parts.next()) {
                (Some("ports"), Some(id)) => changed.ports.iter_mut().find(|p| p.id == id),
                _ => {
                    return Err(WorkError::input(
                        field,
                        "not an answer of the plan",
                        "family, environment, markets, supply.current_a, supply.earthed, magnetic_parts, electronics, \
                         highest_internal_frequency_hz, clocks, or ports.ID.FIELD",
                    ));
                }
            };
            let port = port.ok_or_else(|| WorkError::input(field, "no such port", format!("one of {ids}")))?;
            match parts.next() {
                Some("cable_length_m") => port.cable_length_m = number()?,
                Some("screened") => port.screened = truth()?,
                Some("outdoors") => port.outdoors = truth()?,
                Some("dc_network") => port.dc_network = truth()?,
                Some("dc_adaptor") => port.dc_adaptor = truth()?,
                _ => {
                    return Err(WorkError::input(
                        field,
                        "not a field of a port",
                        "cable_length_m, screened, outdoors, dc_network or dc_adaptor",
                    ));
                }
            }
        }
    }
    Ok(changed)
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

    #[test]
    fn answers_are_changed_by_the_names_of_their_questions() {
        let answers = Answers {
            ports: vec![PortAnswers {
                id: "s".to_owned(),
                name: "S".to_owned(),
                kind: Port::SignalControl,
                cable_length_m: None,
                screened: None,
                outdoors: None,
                dc_network: None,
                dc_adaptor: None,
            }],
            ..Answers::default()
        };
        // Every question that a plan asks can be answered.
        let open = plan(&answers, RuleBase::embedded()).questions;
        assert!(!open.is_empty());
        for q in open {
            let value = match q.question.field.as_str() {
                "family" => "alarm",
                "environment" => "industrial",
                "markets" => "EU",
                f if f.ends_with("_m") || f.ends_with("_a") || f.ends_with("_hz") || f == "clocks" => "10",
                _ => "true",
            };
            let changed = with_answer(&answers, &q.question.field, value).unwrap();
            assert_ne!(changed, answers, "{}", q.question.field);
        }
        for (field, value, word) in [
            ("ports.x.screened", "true", "one of s"),
            ("ports.s.colour", "1", "cable_length_m"),
            ("size", "1", "family"),
            ("family", "boat", "alarm"),
        ] {
            let error = with_answer(&answers, field, value).unwrap_err().to_string();
            assert!(error.contains(word), "{error}");
        }
    }
}
