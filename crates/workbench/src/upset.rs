//! Why the product falls over: from trials of a threshold, in a file or in the ledger, and the product's description to a case.

use std::path::Path;

use cause::case::Outcome;
use cause::upset::{
    Curve, CurvePoint, Effect, Injection, PulseKind, PulseLevel, UpsetCable, UpsetCase, UpsetExperiment, UpsetProduct,
};
use formats::trials::{TrialRow, TrialTable};
use immunity::threshold::{Known, LevelUnit, Question, Trial, assess};
use project::{ExperimentRecord, KeptTrial, Product, Project};
use standards::Port;

use crate::WorkError;
use crate::why::sources_of;

/// The kind of test that made a product fall over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UpsetTest {
    /// Radio frequency, as a field or conducted.
    Radio(Injection),
    /// Pulses.
    Pulses(PulseKind),
}

impl UpsetTest {
    /// By its name: `field`, `conducted`, `burst`, `discharge`, `surge`.
    pub fn of(name: &str) -> Option<Self> {
        Some(match name {
            "field" => Self::Radio(Injection::Field),
            "conducted" => Self::Radio(Injection::Conducted),
            "burst" => Self::Pulses(PulseKind::Burst),
            "discharge" => Self::Pulses(PulseKind::Discharge),
            "surge" => Self::Pulses(PulseKind::Surge),
            _ => return None,
        })
    }

    /// What a table most likely is: levels in V/m a field, others over frequency conducted, the rest bursts.
    pub fn guess(table: &TrialTable) -> Self {
        let over_frequency = table.rows.iter().any(|r| r.frequency_hz.is_some());
        match (over_frequency, table.unit.key) {
            (true, "v_per_m" | "dbuv_per_m") => Self::Radio(Injection::Field),
            (true, _) => Self::Radio(Injection::Conducted),
            _ => Self::Pulses(PulseKind::Burst),
        }
    }
}

/// What the product's description tells a case.
pub fn upset_product(product: &Product) -> UpsetProduct {
    let with_cable = product.ports.iter().filter(|p| p.kind != Port::Enclosure);
    let e = &product.enclosure;
    let housing_m = match (e.conductive, e.length_m, e.width_m, e.height_m) {
        (Some(true), Some(a), Some(b), Some(c)) => Some([a, b, c]),
        _ => None,
    };
    UpsetProduct {
        cables: with_cable
            .map(|p| UpsetCable {
                name: p.id.clone(),
                length_m: p.cable_length_m,
                supply: matches!(p.kind, Port::AcMains | Port::DcPower),
            })
            .collect(),
        sources: sources_of(product),
        housing_m,
        slots: product.slots.iter().map(|s| (s.name.clone(), s.length_m)).collect(),
    }
}

/// Level of a group of trials, and whether nothing failed up to it.
fn level_of(trials: &[Trial]) -> Result<(f64, bool), WorkError> {
    let asked = Question { repeatable: true, ..Question::default() };
    let a = assess(None, trials, &asked).map_err(|e| WorkError::input("trials", e.what, e.expected))?;
    Ok((a.level_db, a.known == Known::AtLeast))
}

fn groups<K: PartialEq>(rows: &[TrialRow], key: impl Fn(&TrialRow) -> K) -> Vec<(K, Vec<&TrialRow>)> {
    let mut out: Vec<(K, Vec<&TrialRow>)> = Vec::new();
    for row in rows {
        let k = key(row);
        match out.iter_mut().find(|g| g.0 == k) {
            Some(g) => g.1.push(row),
            None => out.push((k, vec![row])),
        }
    }
    out
}

fn effect_of<'a>(rows: impl Iterator<Item = &'a TrialRow>) -> Option<Effect> {
    // What was seen at the lowest level counts.
    let told = rows.filter(|r| r.failed).filter_map(|r| Some((r.level_db, Effect::read(r.effect.as_deref()?)?)));
    told.min_by(|a, b| a.0.total_cmp(&b.0)).map(|t| t.1)
}

fn unmodulated(row: &TrialRow) -> bool {
    row.modulation.as_deref().is_some_and(|m| matches!(m.to_lowercase().as_str(), "none" | "no" | "off" | "0" | "cw"))
}

/// The case of a table of trials or thresholds.
pub fn upset_of_table(
    table: &TrialTable,
    product: &UpsetProduct,
    test: UpsetTest,
    effect: Option<Effect>,
) -> Result<UpsetCase, WorkError> {
    let nothing = || {
        WorkError::input(
            "trials",
            "nothing fails at any level",
            "at least one failure: without it there is nothing to explain",
        )
    };
    let trial = |rows: &[&TrialRow]| rows.iter().map(|r| r.trial()).collect::<Vec<Trial>>();
    match test {
        UpsetTest::Radio(injection) => {
            if table.rows.iter().all(|r| r.frequency_hz.is_none()) {
                return Err(WorkError::input(
                    "trials",
                    "no column frequency_hz",
                    "thresholds over frequency for a radio-frequency test",
                ));
            }
            let mut curves = Vec::new();
            for ((port, plain), rows) in groups(&table.rows, |r| (r.port.clone(), unmodulated(r))) {
                let rows: Vec<TrialRow> = rows.into_iter().cloned().collect();
                let mut points = Vec::new();
                for (f, at) in groups(&rows, |r| r.frequency_hz) {
                    let Some(frequency_hz) = f else { continue };
                    let (threshold_db, at_least) =
                        if table.is_curve { (at[0].level_db, !at[0].failed) } else { level_of(&trial(&at))? };
                    points.push(CurvePoint { frequency_hz, threshold_db, at_least });
                }
                points.sort_by(|a: &CurvePoint, b| a.frequency_hz.total_cmp(&b.frequency_hz));
                curves.push(Curve { port, modulated: !plain, points });
            }
            let effect = effect.or_else(|| effect_of(table.rows.iter()));
            UpsetCase::of_curves(product, injection, &curves, effect).ok_or_else(nothing)
        }
        UpsetTest::Pulses(kind) => {
            let mut levels = Vec::new();
            for ((port, negative), rows) in groups(&table.rows, |r| (r.port.clone(), r.negative)) {
                let Some(port) = port else {
                    return Err(WorkError::input(
                        format!("line {}", rows[0].line),
                        "no port",
                        "a column `port` that says where the pulses went",
                    ));
                };
                let (threshold_db, at_least) = level_of(&trial(&rows))?;
                let effect = effect_of(rows.iter().copied()).or(effect);
                levels.push(PulseLevel { port, negative, threshold_db, at_least, effect });
            }
            // A sign that only some rows tell: the rest is positive.
            if levels.iter().any(|l| l.negative == Some(true)) {
                levels.iter_mut().filter(|l| l.negative.is_none()).for_each(|l| l.negative = Some(false));
            }
            UpsetCase::of_pulses(product, kind, &levels).ok_or_else(nothing)
        }
    }
}

/// The trials of one series that count, as a table, with the kind of test.
pub fn table_of_series(kept: &[KeptTrial], series: &str) -> Result<(TrialTable, UpsetTest), WorkError> {
    let mine: Vec<&KeptTrial> = kept.iter().filter(|t| t.trial.series == series && t.withdrawn.is_none()).collect();
    let Some(first) = mine.first() else {
        let mut known: Vec<&str> = kept.iter().map(|t| t.trial.series.as_str()).collect();
        known.sort_unstable();
        known.dedup();
        let expected = if known.is_empty() {
            "a series with trials; none was entered yet".to_owned()
        } else {
            format!("one of {}", known.join(", "))
        };
        return Err(WorkError::input("series", format!("no trials in `{series}`"), expected));
    };
    let unit = LevelUnit::of(&first.trial.unit).ok_or_else(|| {
        WorkError::input(
            format!("entry {}", first.entry),
            format!("unit `{}`", first.trial.unit),
            "a unit of levels such as kv or v_per_m",
        )
    })?;
    let mut rows = Vec::new();
    for k in &mine {
        let t = &k.trial;
        if t.unit != first.trial.unit {
            return Err(WorkError::input(
                format!("entry {}", k.entry),
                format!("a level in {}", t.unit),
                format!("{}, as in the rest of the series", first.trial.unit),
            ));
        }
        let level_db = unit.to_db(t.level).ok_or_else(|| {
            WorkError::input(format!("entry {}", k.entry), format!("level {}", t.level), "a level other than zero")
        })?;
        rows.push(TrialRow {
            line: k.entry as usize,
            level: t.level,
            level_db,
            failed: t.failed,
            frequency_hz: t.frequency_hz,
            port: t.port.clone(),
            negative: t.negative,
            effect: t.effect.clone(),
            modulation: t.modulation.clone(),
        });
    }
    let table = TrialTable { unit, rows, is_curve: false };
    let test = UpsetTest::of(&first.trial.test).unwrap_or_else(|| UpsetTest::guess(&table));
    Ok((table, test))
}

/// The case of a series of trials of a project, with every experiment entered in the ledger for it.
pub fn upset_of_series(dir: &Path, series: &str) -> Result<UpsetCase, WorkError> {
    let project = Project::open(dir)?;
    let product = upset_product(&project.product()?.product);
    let (table, test) = table_of_series(&project.trials()?, series)?;
    let mut case = upset_of_table(&table, &product, test, None)?;
    for (_, _, record) in project.experiments(series)? {
        if let Some(experiment) = UpsetExperiment::from_key(&record.experiment) {
            case.enter(&experiment, if record.changed { Outcome::Changed } else { Outcome::Unchanged });
        }
    }
    Ok(case)
}

/// Enters what an experiment on a series showed.
pub fn enter_upset_experiment(
    dir: &Path,
    series: &str,
    key: &str,
    changed: bool,
    remark: &str,
) -> Result<(), WorkError> {
    let case = upset_of_series(dir, series)?;
    let known: Vec<String> =
        case.proposals().iter().map(|p| p.key.clone()).chain(case.done.iter().map(|d| d.experiment.key())).collect();
    if !known.iter().any(|k| k == key) {
        return Err(WorkError::input("experiment", format!("found `{key}`"), format!("one of {}", known.join(", "))));
    }
    let record = ExperimentRecord {
        run: series.to_owned(),
        frequency_hz: case.frequency_hz.unwrap_or(0.0),
        experiment: key.to_owned(),
        changed,
        remark: remark.to_owned(),
    };
    Project::open(dir)?.add_experiment(record)?;
    Ok(())
}
