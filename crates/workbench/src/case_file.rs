//! The case of one emission of a run: everything the project knows that speaks for or against a maker.

use std::path::Path;

use cause::case::{
    Case, CaseEvidence, CaseProduct, ClampReading, Conductors, Experiment, ExperimentKind, FieldReading, ModeLevel,
    Outcome,
};
use cause::noise::{Readings, TimeStructure, Timing, kind_from_detectors, time_structure};
use cause::resonance::{Resonance, cable_resonances, enclosure_resonances, near, slot_resonance};
use emission::Trace;
use project::{ExperimentRecord, HandProbe, Product, Project, Run, RunRecord};
use quantity::Unit;
use standards::{Band, Detector, Port};

use crate::evaluate::evaluate_run;
use crate::why::{Why, sources_of};
use crate::{OnStage, WorkError, run_timeline};

/// What the product's description tells a case: its makers, its cables and its mains.
pub fn case_product(product: &Product) -> CaseProduct {
    // An earth is never proposed for unplugging: it can be what protects.
    let with_cable = product.ports.iter().filter(|p| !matches!(p.kind, Port::Enclosure | Port::FunctionalEarth));
    let cables: Vec<String> = with_cable.map(|p| p.id.clone()).collect();
    let mains = product.ports.iter().find(|p| p.kind == Port::AcMains).map(|p| p.id.clone());
    CaseProduct::of_sources(&sources_of(product), cables, mains, mains_hz(product))
}

fn mains_hz(product: &Product) -> f64 {
    product.supply.as_ref().map_or(0.0, |s| s.frequency_hz)
}

/// Resonances of the product's cables, housing and slots that can lie at or below a frequency.
pub fn resonances_of(product: &Product, to_hz: f64) -> Vec<Resonance> {
    let mut all = Vec::new();
    for port in &product.ports {
        if let Some(length_m) = port.cable_length_m {
            // Long cables have a resonance everywhere: that says nothing.
            let own = cable_resonances(&port.id, length_m, to_hz);
            all.extend(if own.len() < 8 { own } else { Vec::new() });
        }
    }
    let e = &product.enclosure;
    if let (Some(true), Some(a), Some(b), Some(c)) = (e.conductive, e.length_m, e.width_m, e.height_m) {
        let own = enclosure_resonances([a, b, c], to_hz);
        all.extend(if own.len() < 20 { own } else { Vec::new() });
    }
    all.extend(product.slots.iter().map(|s| slot_resonance(s.length_m)).filter(|r| r.from_hz <= to_hz));
    all
}

/// The highest level of a detector at a frequency and beside it.
pub(crate) fn level_at(trace: &Trace, detector: Option<Detector>, frequency_hz: f64) -> Option<f64> {
    let column = match detector {
        Some(d) => trace.column(d)?,
        None => trace.column(Detector::Peak).or(trace.columns.first())?,
    };
    let at = trace.frequency_hz.partition_point(|f| *f < frequency_hz);
    let reach = at.saturating_sub(2)..(at + 3).min(trace.frequency_hz.len());
    let inside = trace.frequency_hz.first().is_some_and(|f| *f <= frequency_hz)
        && trace.frequency_hz.last().is_some_and(|f| *f >= frequency_hz);
    let levels = column.level_db.get(reach)?.iter().copied().filter(|l| l.is_finite());
    levels.max_by(f64::total_cmp).filter(|_| inside)
}

/// What the detectors tell.
fn kind_of_noise(trace: &Trace, evidence: &mut CaseEvidence) {
    let at = |d| level_at(trace, Some(d), evidence.frequency_hz);
    let readings = Readings {
        peak_db: at(Detector::Peak),
        quasi_peak_db: at(Detector::QuasiPeak),
        average_db: at(Detector::CisprAverage),
        rms_db: at(Detector::RmsAverage),
    };
    let band = Band::ALL.into_iter().find(|b| {
        let (from, to) = b.range_hz();
        (from..to).contains(&evidence.frequency_hz)
    });
    if let (Some(band), Some(_), Some(_)) = (band, readings.peak_db, readings.average_db) {
        evidence.kind = Some(kind_from_detectors(&readings, evidence.bandwidth_hz, band).kind);
    }
}

/// How a run's emission changes with time.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct EmissionTiming {
    /// The structure, with its false-alarm probability; none where the record is too short.
    pub timing: Option<Timing>,
    /// Length of the record, s.
    pub duration_s: f64,
    /// Length of one cell of time, s.
    pub step_s: f64,
    /// Highest and lowest level over time, dB at the receiver input.
    pub range_db: (f64, f64),
    /// In a sentence.
    pub words: String,
}

/// The time structure of a run's emission; nothing for a sweep.
pub fn timing_of_run(
    dir: &Path,
    run: &str,
    frequency_hz: f64,
    on_stage: &mut OnStage<'_>,
) -> Result<Option<EmissionTiming>, WorkError> {
    let mains_hz = mains_hz(&Project::open(dir)?.product()?.product);
    let Some(table) = run_timeline(dir, run, on_stage)? else { return Ok(None) };
    let cells = table.axes.from_hz.len();
    let Some(cell) = (0..cells)
        .find(|&k| table.axes.to_hz[k] >= frequency_hz && table.axes.from_hz[k] <= frequency_hz)
        .or_else(|| (0..cells).find(|&k| table.axes.to_hz[k] >= frequency_hz))
    else {
        return Ok(None);
    };
    let levels: Vec<f64> = (0..table.axes.times)
        .map(|t| f64::from(table.level_dbuv[t * cells + cell]))
        .filter(|l| l.is_finite())
        .collect();
    let (low, high) = levels.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |b, l| (b.0.min(*l), b.1.max(*l)));
    if levels.is_empty() {
        return Ok(None);
    }
    let step_s = table.axes.step_s;
    let duration_s = step_s * levels.len() as f64;
    let timing = time_structure(&levels, step_s, mains_hz);
    let coarse = mains_hz > 0.0 && step_s > 1.0 / (5.0 * mains_hz);
    let words = match timing {
        None => format!("The record holds only {} moments of {:.1} ms: too few.", levels.len(), 1e3 * step_s),
        Some(t) => {
            let structure = match t.structure {
                TimeStructure::Steady => "It is steady".to_owned(),
                TimeStructure::MainsSynchronous { rate_hz } => {
                    format!("It repeats with the mains, {rate_hz:.0} times a second")
                }
                TimeStructure::Periodic { rate_hz } => {
                    format!("It repeats {rate_hz:.1} times a second, not with the mains")
                }
                TimeStructure::RandomBursts { rate_hz } => {
                    format!("It comes in bursts without a period, about {rate_hz:.1} a second")
                }
                TimeStructure::Fluctuating => "It goes up and down as noise does".to_owned(),
            };
            let chance = match t.structure {
                TimeStructure::MainsSynchronous { .. } | TimeStructure::Periodic { .. } => {
                    format!("; chance shows such a period in {} records", one_in(t.false_alarm))
                }
                _ => String::new(),
            };
            let blind = if coarse { "; moments this long hide what repeats with the mains" } else { "" };
            format!(
                "{structure}, between {low:.1} and {high:.1} dB in moments of {:.2} ms over {duration_s:.2} s{chance}{blind}.",
                1e3 * step_s
            )
        }
    };
    Ok(Some(EmissionTiming { timing, duration_s, step_s, range_db: (low, high), words }))
}

fn one_in(p: f64) -> String {
    if p < 1e-6 { "fewer than one in a million".to_owned() } else { format!("one in {:.0}", 1.0 / p) }
}

/// Line and neutral, by the names people give them.
fn conductor(record: &RunRecord) -> Option<bool> {
    match record.conductor.as_deref()?.trim().to_lowercase().as_str() {
        "l" | "l1" | "l2" | "l3" | "line" | "phase" => Some(true),
        "n" | "neutral" => Some(false),
        _ => None,
    }
}

/// Runs of the same thing: same kind, port, sample and state, still counting.
fn alike<'a>(runs: &'a [Run], own: &'a RunRecord) -> impl Iterator<Item = &'a Run> {
    runs.iter().filter(|r| {
        let o = &r.record;
        r.withdrawn.is_none()
            && o.kind == own.kind
            && o.port == own.port
            && o.sample == own.sample
            && o.state == own.state
    })
}

/// What other runs of the project say of the emission: the other conductor, other operating modes, the product off, clamps.
fn other_runs(
    project: &Project,
    product: &Product,
    own: &RunRecord,
    trace: &Trace,
    evidence: &mut CaseEvidence,
    on_stage: &mut OnStage<'_>,
) -> Result<(), WorkError> {
    let runs = project.runs()?;
    let f = evidence.frequency_hz;
    let own_level = level_at(trace, None, f);
    let mut of = |run: &Run| -> Option<(Option<Unit>, f64)> {
        // A run that cannot be worked again says nothing here; its own page says why.
        let other = evaluate_run(project, run.clone(), on_stage).ok()?.judged.trace;
        level_at(&other, None, f).map(|level| (other.unit, level))
    };
    let mut by_mode: Vec<(String, Vec<f64>)> = Vec::new();
    if let (Some(mode), Some(level), false) = (&own.mode, own_level, own.place.product_off) {
        by_mode.push((mode.clone(), vec![level]));
    }
    for run in alike(&runs, own).filter(|r| r.record.id != own.id) {
        let o = &run.record;
        let same_place = o.place.azimuth_deg == own.place.azimuth_deg
            && o.place.height_m == own.place.height_m
            && o.place.polarisation == own.place.polarisation
            && o.place.distance_m == own.place.distance_m;
        if !same_place {
            continue;
        }
        if o.place.product_off {
            if o.conductor == own.conductor
                && let (Some((unit, off)), Some(on)) = (of(run), own_level)
                && unit == trace.unit
            {
                evidence.off_and_on_db = Some((off, on));
            }
        } else if o.mode == own.mode && o.conductor != own.conductor {
            if let (Some(this), Some(that)) = (conductor(own), conductor(o))
                && this != that
                && evidence.conductors.is_none()
                && let (Some((unit, level)), Some(own_level)) = (of(run), own_level)
                && unit == Some(Unit::DbUv)
                && trace.unit == unit
            {
                let (line_dbuv, neutral_dbuv) = if this { (own_level, level) } else { (level, own_level) };
                evidence.conductors = Some(Conductors { line_dbuv, neutral_dbuv });
            }
        } else if o.conductor == own.conductor
            && let (Some(mode), Some((unit, level))) = (&o.mode, of(run))
            && unit == trace.unit
        {
            match by_mode.iter_mut().find(|m| m.0 == *mode) {
                Some(known) => known.1.push(level),
                None => by_mode.push((mode.clone(), vec![level])),
            }
        }
    }
    evidence.operating_modes = by_mode
        .into_iter()
        .map(|(mode, levels)| ModeLevel {
            mode,
            level_db: levels.iter().sum::<f64>() / levels.len() as f64,
            runs: levels.len(),
        })
        .collect();
    if evidence.operating_modes.len() < 2 {
        evidence.operating_modes.clear();
    }
    let length = |cable: &str| product.ports.iter().find(|p| p.id == cable).and_then(|p| p.cable_length_m);
    for run in runs.iter().filter(|r| r.withdrawn.is_none() && r.record.state == own.state && r.record.id != own.id) {
        if let Some(port) = run.record.port.clone().filter(|_| run.record.sample == own.sample)
            && run.record.limits.iter().all(|l| !l.contains("mains"))
            && let Some((Some(Unit::DbUa), current_dbua)) = of(run)
        {
            let length_m = length(&port);
            evidence.clamps.push(ClampReading { cable: port, current_dbua, length_m });
        }
    }
    Ok(())
}

/// The field of the emission, where the run is one at a known distance.
fn field(own: &RunRecord, trace: &Trace, frequency_hz: f64) -> Option<FieldReading> {
    let distance_m = own.place.distance_m.or_else(|| own.pinned_limits.iter().find_map(|l| l.distance_m))?;
    let level_dbuv_per_m = level_at(trace, None, frequency_hz).filter(|_| trace.unit == Some(Unit::DbUvPerM))?;
    Some(FieldReading { level_dbuv_per_m, distance_m })
}

/// The case of the emission of a run nearest to a frequency: what its frequency, the detectors, the time structure, the
/// other conductor, other operating modes, the product off, clamps and the product's dimensions tell, and every experiment
/// entered in the ledger for it.
pub fn case_of_run(
    dir: &Path,
    run: &str,
    why: &Why,
    frequency_hz: f64,
    on_stage: &mut OnStage<'_>,
) -> Result<Case, WorkError> {
    let project = Project::open(dir)?;
    let product = project.product()?.product;
    let own = project.run(run)?.record;
    let mut evidence = CaseEvidence::of_peak(frequency_hz, &why.peaks, &why.explanation);
    if let Some(trace) = &why.trace {
        kind_of_noise(trace, &mut evidence);
        evidence.field = field(&own, trace, evidence.frequency_hz);
        other_runs(&project, &product, &own, trace, &mut evidence, on_stage)?;
    }
    let mains = mains_hz(&product);
    evidence.timing = timing_of_run(dir, run, evidence.frequency_hz, on_stage)?.and_then(|t| {
        // Moments too long for the mains make everything look steady.
        let coarse = mains > 0.0 && t.step_s > 1.0 / (5.0 * mains);
        t.timing.map(|t| t.structure).filter(|s| !(coarse && *s == TimeStructure::Steady))
    });
    let all = resonances_of(&product, 1.1 * evidence.frequency_hz);
    for resonance in near(&all, evidence.frequency_hz) {
        // One way is named once, with its nearest resonance.
        let same = |r: &Resonance| {
            use cause::resonance::Resonator::{Cable, Enclosure, Slot};
            match (&r.resonator, &resonance.resonator) {
                (Cable { name: a, .. }, Cable { name: b, .. }) => a == b,
                (Enclosure { .. } | Slot { .. }, Enclosure { .. } | Slot { .. }) => true,
                _ => false,
            }
        };
        if !evidence.resonances.iter().any(same) {
            evidence.resonances.push(resonance.clone());
        }
    }
    for kept in project.readings()?.into_iter().filter(|r| r.withdrawn.is_none()) {
        let r = kept.reading;
        let same = (r.frequency_hz - evidence.frequency_hz).abs() <= evidence.bandwidth_hz;
        let mine = r.run.as_deref().is_none_or(|of| of == run);
        if let (true, true, HandProbe::Clamp, Unit::DbUa, Some(cable)) = (same, mine, r.probe, r.unit, r.cable) {
            let length_m = product.ports.iter().find(|p| p.id == cable).and_then(|p| p.cable_length_m);
            // The latest reading on a cable counts.
            evidence.clamps.retain(|c| c.cable != cable);
            evidence.clamps.push(ClampReading { cable, current_dbua: r.level_db, length_m });
        }
    }
    let mut case = Case::open(&case_product(&product), &evidence);
    for (_, _, record) in project.experiments(run)? {
        let same = (record.frequency_hz - evidence.frequency_hz).abs() <= evidence.bandwidth_hz;
        if let Some(kind) = ExperimentKind::from_key(&record.experiment).filter(|_| same) {
            let outcome = if record.changed { Outcome::Changed } else { Outcome::Unchanged };
            case.enter(&Experiment::new(kind), outcome);
        }
    }
    Ok(case)
}

/// Enters what an experiment on an emission showed. `experiment` is the short form of the case file.
pub fn enter_experiment(
    dir: &Path,
    run: &str,
    frequency_hz: f64,
    experiment: &str,
    changed: bool,
    remark: &str,
) -> Result<(), WorkError> {
    let Some(kind) = ExperimentKind::from_key(experiment) else {
        let expected = "switch_off, unplug:CABLE, clip_ferrite:CABLE, stop:MAKER, change_load:MAKER, cool:MAKER or slow_edge:MAKER";
        return Err(WorkError::input("experiment", format!("found `{experiment}`"), expected));
    };
    if !(frequency_hz.is_finite() && frequency_hz > 0.0) {
        return Err(WorkError::input("frequency", format!("found {frequency_hz}"), "a number above 0, in Hz"));
    }
    let mut project = Project::open(dir)?;
    let product = case_product(&project.product()?.product);
    let (what, name, known): (_, _, Vec<String>) = match &kind {
        ExperimentKind::SwitchOff => ("", None, Vec::new()),
        ExperimentKind::Unplug { cable } | ExperimentKind::ClipFerrite { cable } => {
            ("cable", Some(cable), product.cables)
        }
        ExperimentKind::Stop { maker }
        | ExperimentKind::ChangeLoad { maker }
        | ExperimentKind::Cool { maker }
        | ExperimentKind::SlowEdge { maker } => {
            ("maker", Some(maker), product.makers.into_iter().map(|m| m.name).collect())
        }
    };
    if let Some(name) = name.filter(|n| !known.contains(n)) {
        return Err(WorkError::input(
            "experiment",
            format!("`{name}` is no {what} of product.toml"),
            format!("one of {}", known.join(", ")),
        ));
    }
    let (run, experiment, remark) = (run.to_owned(), experiment.to_owned(), remark.to_owned());
    project.add_experiment(ExperimentRecord { run, frequency_hz, experiment, changed, remark })?;
    Ok(())
}
