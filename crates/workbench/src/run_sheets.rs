//! From a project folder to the run sheets of its planned immunity tests.

use std::fs;
use std::path::Path;

use campaign::{
    Pace, Plan, Protector, RunSheet, SampleOrder, SheetFacts, SheetWishes, Stand, run_sheets as sheets_of, sample_order,
};
use immunity::drawing::{Drawing, SetUpFacts, drawings};
use immunity::sheet::Step;
use immunity::surge::Part;
use project::{Between, Discharge, Product, Project, Stands};
use report::{PaperOrder, PaperPlace, PaperSheet, PaperStep, SheetPaper, render_run_sheets};

use crate::planning::planning_of;
use crate::{Planning, WorkError};

/// The run sheets of a project.
#[derive(Debug, Clone, PartialEq)]
pub struct RunSheets {
    /// The product's name.
    pub product: String,
    /// What the product file says for them.
    pub facts: SheetFacts,
    /// The pace they are made with.
    pub pace: Pace,
    /// The plan they come from.
    pub plan: Plan,
    /// In the order that saves the sample.
    pub sheets: Vec<RunSheet>,
    /// That order with its reasons and warnings.
    pub order: SampleOrder,
    /// What the drawings of the set-ups need.
    pub set_up: SetUpFacts,
}

/// Steps of a sheet that follow each other at one place.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetPlace {
    /// Where.
    pub place: String,
    /// Time for moving or plugging before it, s; 0 where nothing is moved.
    pub change_s: f64,
    /// What can hurt whoever moves or plugs.
    pub caution: Option<String>,
    /// All of it with the change, s.
    pub duration_s: f64,
    /// The steps.
    pub steps: Vec<Step>,
}

/// The steps folded by place.
pub fn sheet_places(steps: &[Step]) -> Vec<SheetPlace> {
    let mut out: Vec<SheetPlace> = Vec::new();
    for s in steps {
        let took = s.duration_s + s.change_s;
        match out.last_mut() {
            Some(last) if last.place == s.place && s.change_s == 0.0 => {
                last.duration_s += took;
                last.steps.push(s.clone());
            }
            _ => out.push(SheetPlace {
                place: s.place.clone(),
                change_s: s.change_s,
                caution: s.caution.clone(),
                duration_s: took,
                steps: vec![s.clone()],
            }),
        }
    }
    out
}

/// A time in words: `2 h 05 min`, `5 min 00 s`, `12.0 s`.
pub fn time_words(seconds: f64) -> String {
    let whole = seconds.round() as u64;
    let (h, m, s) = (whole / 3600, whole / 60 % 60, whole % 60);
    if h > 0 {
        format!("{h} h {m:02} min")
    } else if m > 0 {
        format!("{m} min {s:02} s")
    } else {
        format!("{seconds:.1} s")
    }
}

impl RunSheets {
    /// The sheet of a test.
    pub fn sheet(&self, test: &str) -> Option<&RunSheet> {
        self.sheets.iter().find(|s| s.test == test)
    }

    /// The drawings of a test's set-up, table-top or floor-standing by the product's facts.
    pub fn drawings(&self, test: &str) -> Vec<Drawing> {
        drawings(test, &self.set_up)
    }
}

fn paper_sheet(all: &RunSheets, s: &RunSheet) -> PaperSheet {
    let sheet = &s.sheet;
    PaperSheet {
        title: s.title.clone(),
        clause: sheet.clause.clone(),
        memory: sheet.known == standards::Known::Memory,
        summary: format!(
            "{} stimuli in {} steps: {}, and {} for changes.",
            sheet.count,
            sheet.steps.len(),
            time_words(sheet.stimulus_s),
            time_words(sheet.change_s)
        ),
        asked_by: s
            .tests
            .iter()
            .filter(|t| !t.asked_by.is_empty())
            .map(|t| {
                let criterion = t.criterion.as_ref().map_or(String::new(), |c| format!(", criterion {c}"));
                let known = if t.known == standards::Known::Memory { " (from memory)" } else { "" };
                format!("{}{known}: {}{criterion}", t.asked_by, t.port_name)
            })
            .collect(),
        cautions: sheet.cautions.clone(),
        drawings: all.drawings(&s.test),
        set_up: sheet.set_up.clone(),
        climate: sheet.climate.clone(),
        assumed: s.assumed.clone(),
        questions: s.questions.iter().map(|q| format!("{} ({})", q.text, q.field)).collect(),
        wear: s
            .wear
            .iter()
            .flat_map(|w| w.sequence.warnings.iter().map(move |line| format!("{} at {}: {line}", w.part, w.port_name)))
            .collect(),
        places: sheet_places(&sheet.steps)
            .into_iter()
            .enumerate()
            .map(|(k, p)| PaperPlace {
                change: if p.change_s > 0.0 {
                    format!("move or plug first: {}", time_words(p.change_s))
                } else {
                    String::new()
                },
                // Moving a loop by a window every quarter of a minute is warned of once, at the first.
                caution: p.caution.filter(|_| k == 0 || p.change_s >= 60.0).unwrap_or_default(),
                steps: p
                    .steps
                    .into_iter()
                    .map(|t| PaperStep {
                        id: t.id,
                        stimulus: t.stimulus,
                        level: t.level,
                        count: t.count,
                        time: time_words(t.duration_s),
                    })
                    .collect(),
                place: p.place,
            })
            .collect(),
    }
}

/// The sheets as PDF: all with their order, or one of them alone.
///
/// # Errors
/// `generated_at` that is no date, or a layout that fails.
pub fn sheets_pdf(all: &RunSheets, only: Option<&str>, generated_at: &str) -> Result<Vec<u8>, WorkError> {
    let wanted: Vec<&RunSheet> = all.sheets.iter().filter(|s| only.is_none_or(|t| t == s.test)).collect();
    let one = only.is_some();
    let paper = SheetPaper {
        product: all.product.clone(),
        generated_at: generated_at.to_owned(),
        order: all
            .sheets
            .iter()
            .filter(|_| !one)
            .map(|s| PaperOrder {
                place: s.place,
                title: s.title.clone(),
                time: time_words(s.duration_s),
                why: s.why_there.clone(),
            })
            .collect(),
        between: if one { Vec::new() } else { all.order.between.clone() },
        warnings: if one { Vec::new() } else { all.order.warnings.clone() },
        sheets: wanted.into_iter().map(|s| paper_sheet(all, s)).collect(),
    };
    Ok(render_run_sheets(&paper)?.pdf)
}

/// A rated range wider than this part of its lower end is run at both ends (IEC 61000-4-11, clause 5).
const WIDE: f64 = 0.2;

/// Voltages at which dips are run by the label: both ends of a wide range, else none of its own.
fn dip_voltages_v(range_v: Option<[f64; 2]>) -> Vec<f64> {
    range_v.filter(|[low, high]| high - low > WIDE * low).map_or_else(Vec::new, |r| r.to_vec())
}

fn range_v(product: &Product) -> Option<[f64; 2]> {
    let supply = product.supply.as_ref()?;
    match (supply.lowest_voltage_v, supply.highest_voltage_v) {
        (None, None) => None,
        (low, high) => Some([low.unwrap_or(supply.voltage_v), high.unwrap_or(supply.voltage_v)]),
    }
}

fn points(product: &Product, wanted: Discharge) -> Vec<String> {
    product.discharge_points.iter().filter(|p| p.discharge == wanted).map(|p| p.name.clone()).collect()
}

/// What the product file says of the pace: its points, its work cycle, where it stands, its rated range. The laboratory file
/// has no say in these, but for a dwell that is longer still.
pub(crate) fn pace_of(mut pace: Pace, product: &Product) -> Pace {
    if !product.discharge_points.is_empty() {
        pace.contact_points = points(product, Discharge::Contact).len() as u32;
        pace.air_points = points(product, Discharge::Air).len() as u32;
    }
    pace.dwell_s = pace.dwell_s.max(product.cycle_s.unwrap_or(0.0));
    pace.horizontal_plane &= product.enclosure.stands != Some(Stands::Floor);
    if pace.dip_voltages_v.is_empty() {
        pace.dip_voltages_v = dip_voltages_v(range_v(product));
    }
    pace
}

fn part(dir: &Path, p: &project::Protector) -> Result<Part, WorkError> {
    let place = format!("product.toml, protectors, {}", p.name);
    let wrong = |e: immunity::surge::PartError| WorkError::input(e.place, e.what, e.expected);
    if p.part.contains('=') {
        return Part::from_words(&p.part, &place).map_err(wrong);
    }
    let text = fs::read_to_string(dir.join(&p.part)).map_err(|e| {
        WorkError::input(&place, format!("part {:?}: {e}", p.part), "a file of the project folder, or figures in words")
    })?;
    Part::from_toml(&text, &p.part).map_err(wrong)
}

fn facts(dir: &Path, product: &Product) -> Result<SheetFacts, WorkError> {
    let e = &product.enclosure;
    let size_m = match (e.length_m, e.width_m, e.height_m) {
        (Some(l), Some(w), Some(h)) => Some([l, w, h]),
        _ => None,
    };
    let mut protectors = Vec::new();
    for p in &product.protectors {
        if product.port(&p.port).is_none() {
            let known: Vec<&str> = product.ports.iter().map(|p| p.id.as_str()).collect();
            return Err(WorkError::input(
                format!("product.toml, protectors, {}", p.name),
                format!("port {:?} is none of the product's", p.port),
                format!("one of {}", known.join(", ")),
            ));
        }
        protectors.push(Protector {
            name: p.name.clone(),
            port: p.port.clone(),
            to_earth: p.between == Some(Between::LineEarth),
            part: part(dir, p)?,
        });
    }
    Ok(SheetFacts {
        contact_points: points(product, Discharge::Contact),
        air_points: points(product, Discharge::Air),
        size_m,
        stand: e.stands.map(|s| match s {
            Stands::Table => Stand::Table,
            Stands::Floor => Stand::Floor,
            Stands::Wall => Stand::Wall,
        }),
        cycle_s: product.cycle_s,
        mains_hz: product.supply.as_ref().map(|s| s.frequency_hz),
        range_v: range_v(product),
        protectors,
        cable_types: product.ports.iter().filter_map(|p| Some((p.id.clone(), p.cable_type.clone()?))).collect(),
    })
}

/// The run sheets of every planned immunity test of a project, in the order that saves its sample.
///
/// # Errors
/// A project, laboratory or part file that cannot be used.
pub fn run_sheets(dir: &Path, wishes: &SheetWishes) -> Result<RunSheets, WorkError> {
    let product = Project::open(dir)?.product()?.product;
    let Planning { answers, plan, pace, product: name, .. } = planning_of(dir, &product)?;
    let facts = facts(dir, &product)?;
    let sheets = sheets_of(&plan, &answers, &pace, &facts, wishes).map_err(|e| {
        WorkError::input("run sheets", e.to_string(), "a plan, a pace and protection parts that can be worked with")
    })?;
    let order = sample_order(&sheets);
    let field =
        plan.tests.iter().filter_map(|t| t.level.iter().find(|l| l.quantity == "magnetic_field")).map(|l| l.value);
    let set_up = SetUpFacts {
        size_m: facts.size_m.unwrap_or(campaign::USUAL_BOX_M),
        floor: facts.stand == Some(Stand::Floor),
        screened: answers.ports.iter().any(|p| p.screened == Some(true)),
        mains: answers.mains_v.is_some(),
        mains_v: answers.mains_v,
        magnetic_a_per_m: field.reduce(f64::max),
    };
    Ok(RunSheets { product: name, facts, pace, plan, sheets, order, set_up })
}

#[cfg(test)]
mod tests {
    use super::*;

    const PRODUCT: &str = r#"
name = "Pump"
family = "generic"
environment = "industrial"
markets = ["EU"]
cycle_s = 2.0
electronics = true
highest_internal_frequency_hz = 48e6
[supply]
voltage_v = 230
frequency_hz = 50
lowest_voltage_v = 100
highest_voltage_v = 240
current_a = 0.5
earthed = true
[enclosure]
length_m = 0.3
width_m = 0.2
height_m = 0.1
stands = "floor"
[[ports]]
id = "housing"
kind = "enclosure"
[[ports]]
id = "mains"
kind = "ac_mains"
cable_length_m = 2
[[discharge_points]]
name = "screw"
discharge = "contact"
[[discharge_points]]
name = "key"
discharge = "air"
[[protectors]]
name = "RV1"
port = "mains"
part = "parts/rv1.toml"
"#;

    #[test]
    fn a_project_gets_its_sheets_from_what_its_product_file_says() {
        let dir = tempfile::tempdir().unwrap();
        let dir = dir.path().join("p");
        Project::create(&dir).unwrap();
        fs::write(dir.join("product.toml"), PRODUCT).unwrap();
        let missing = run_sheets(&dir, &SheetWishes::default()).unwrap_err().to_string();
        assert!(missing.contains("RV1") && missing.contains("parts/rv1.toml"), "{missing}");
        fs::create_dir(dir.join("parts")).unwrap();
        let rv1 = "kind = \"varistor\"\nvoltage_1ma_v = 430\nclamp_v = 710\nclamp_a = 50\n\
                   [[life]]\npulses = 1\ncurrent_a = 4500\n[[life]]\npulses = 10\ncurrent_a = 2000\n";
        fs::write(dir.join("parts/rv1.toml"), rv1).unwrap();
        let all = run_sheets(&dir, &SheetWishes::default()).unwrap();
        let places = |test: &str| -> Vec<String> {
            all.sheet(test).unwrap().sheet.steps.iter().map(|s| s.place.clone()).collect()
        };
        let esd = places("esd");
        assert!(esd.iter().any(|p| p == "screw") && esd.iter().any(|p| p == "key"));
        assert!(!esd.iter().any(|p| p.contains("horizontal")), "floor-standing: no plane under it");
        // 100 V to 240 V is wider than a fifth: both ends.
        let dips = places("dips");
        assert!(dips.iter().any(|p| p.contains("100 V")) && dips.iter().any(|p| p.contains("240 V")));
        let field = all.sheet("radiated").unwrap();
        assert!(field.sheet.steps.iter().all(|s| s.dwell_s == Some(2.0)));
        assert_eq!(all.sheet("surge").unwrap().wear[0].part, "RV1");
        assert_eq!(all.sheets.last().map(|s| s.test.as_str()), Some("surge"));
        let wrong = PRODUCT.replace("port = \"mains\"", "port = \"maims\"");
        fs::write(dir.join("product.toml"), wrong).unwrap();
        let error = run_sheets(&dir, &SheetWishes::default()).unwrap_err().to_string();
        assert!(error.contains("maims") && error.contains("housing, mains"), "{error}");
    }
}
