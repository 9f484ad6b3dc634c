use std::path::Path;

use emission::{Correction, Decision, ElementKind};
use jiff::Timestamp;
use jiff::civil::Date;
use project::{Equipment, Finding, ProductReading, Project, Run, RunKind, RunRecord, Severity};
use report::{
    ChainEvidence, ColumnEvidence, EquipmentEvidence, Evidence, Fact, FileEvidence, LimitEvidence, ProjectEvidence,
    RunEvidence, SampleEvidence, StateEvidence, SuspectEvidence, TraceEvidence, VerdictEvidence, Weight, WorstEvidence,
};
use standards::{Known, Port};

use crate::evaluate::{Evaluation, evaluate_run};
use crate::raw::frequency;
use crate::together::{Together, together};
use crate::{OnStage, VERSION, WorkError};

/// Conductor and place in words.
fn where_words(record: &RunRecord) -> String {
    let mut words: Vec<String> = record.conductor.iter().cloned().collect();
    words.extend(Some(record.place.words()).filter(|w| !w.is_empty()));
    words.join(", ")
}

/// Gathers everything a report says: all runs that count, computed again from their raw files.
///
/// `generated_at` is part of the input, so that the same project gives the same bytes.
pub fn evidence(
    dir: &Path,
    only: Option<&str>,
    generated_at: &str,
    on_stage: &mut OnStage<'_>,
) -> Result<Evidence, WorkError> {
    let project = Project::open(dir)?;
    let ProductReading { product, .. } = project.product()?;
    let equipment = project.equipment()?;
    let runs: Vec<Run> = match only {
        Some(id) => vec![project.run(id)?],
        None => project.runs()?.into_iter().filter(|r| r.withdrawn.is_none()).collect(),
    };
    // Equipment that fell due after the last measurement says nothing against what was measured.
    let last = runs.iter().map(|r| r.record.measured_at).max().unwrap_or_else(Timestamp::now);
    let mut out = Vec::new();
    let mut mains = Vec::new();
    let together = match only {
        Some(_) => Together::default(),
        None => together(dir, &project, &product, &runs, on_stage)?,
    };
    let logged = project.logged_runs()?;
    let mut sections = Vec::new();
    for run in runs {
        if together.told.contains(run.id()) {
            continue;
        }
        if logged.iter().any(|id| id == run.id()) {
            sections.push(crate::log_evidence::section(&project, &run)?);
            continue;
        }
        if crate::mains_run::is_mains_run(&run) {
            mains.push(crate::mains_evidence::mains_evidence(&project, run, on_stage)?);
            continue;
        }
        let findings = project.check_run(run.id())?;
        let changed =
            findings.iter().any(|f| matches!(f.subject, project::Subject::Capture(_)) && f.severity == Severity::Error);
        let port = product.ports.iter().find(|p| Some(&p.id) == run.record.port.as_ref());
        let evaluation = evaluate_run(&project, run, on_stage)?;
        let port = port.map(|p| (p.name.clone(), p.kind));
        out.push(run_evidence(&project, &evaluation, port, &equipment, &findings, changed)?);
    }
    // The same fact is found at the equipment and at the run that used it: it is said once.
    let mut findings: Vec<report::Finding> = together.findings;
    for f in project.check_at(last)?.iter().map(finding) {
        if !findings.iter().any(|g| g.text == f.text) {
            findings.push(f);
        }
    }
    let mut facts = Vec::new();
    let mut fact = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            facts.push(Fact { name: name.to_owned(), value });
        }
    };
    fact(
        "Supply",
        product.supply.as_ref().map(|s| {
            let current = s.current_a.map_or(String::new(), |a| format!(", {a} A"));
            format!("{} V, {} Hz{current}", s.voltage_v, s.frequency_hz)
        }),
    );
    fact("Highest internal frequency", product.highest_internal_frequency_hz.map(frequency));
    fact("Markets", (!product.markets.is_empty()).then(|| product.markets.join(", ")));
    let logged_at: Vec<String> =
        logged.iter().filter_map(|id| project.run(id).ok()).filter_map(|r| r.record.port).collect();
    let measured: Vec<&str> = out.iter().map(|r: &RunEvidence| r.port.as_str()).collect();
    let not_measured = product
        .ports
        .iter()
        .filter(|p| !measured.contains(&p.name.as_str()) && !logged_at.contains(&p.id))
        .map(|p| format!("{} ({}): no run is recorded at this port.", p.name, port_words(p.kind)))
        .collect();
    let mut sections: Vec<_> = together.sections.into_iter().chain(sections).collect();
    if only.is_none() {
        sections.extend(crate::proof::sections(dir)?);
    }
    Ok(Evidence {
        project: ProjectEvidence {
            title: format!("{}: electromagnetic compatibility", product.name),
            maker: product.maker.clone(),
            product: product.name.clone(),
            model: product.model.clone(),
            description: product.description.clone(),
            facts,
        },
        generated_at: generated_at.to_owned(),
        tool_version: VERSION.to_owned(),
        data_version: VERSION.to_owned(),
        samples: project
            .samples()?
            .into_iter()
            .map(|s| SampleEvidence {
                id: s.sample.id,
                serial: s.sample.serial.unwrap_or_default(),
                description: s.sample.description,
            })
            .collect(),
        states: project
            .states()?
            .into_iter()
            .map(|s| StateEvidence {
                id: s.state.id,
                description: s.state.description,
                date: s.added_at.strftime("%Y-%m-%d").to_string(),
            })
            .collect(),
        set_up: if !out.is_empty() && out.iter().all(|r| !r.set_up.is_empty()) {
            "Each run states its own set-up.".to_owned()
        } else {
            String::new()
        },
        cautions: Vec::new(),
        runs: out,
        mains,
        sections,
        findings,
        not_measured,
    })
}

/// The evidence as PDF, written today.
pub fn report_pdf(dir: &Path, only: Option<&str>, on_stage: &mut OnStage<'_>) -> Result<Vec<u8>, WorkError> {
    let now = Timestamp::now().strftime("%Y-%m-%d %H:%M UTC").to_string();
    Ok(report::render_pdf(&evidence(dir, only, &now, on_stage)?)?)
}

pub(crate) fn finding(f: &Finding) -> report::Finding {
    report::Finding {
        weight: match f.severity {
            Severity::Remark => Weight::Note,
            Severity::Warning => Weight::Warning,
            Severity::Error => Weight::Serious,
        },
        text: f.what.clone(),
    }
}

fn port_words(kind: Port) -> &'static str {
    match kind {
        Port::Enclosure => "enclosure",
        Port::AcMains => "AC mains port",
        Port::DcPower => "DC power port",
        Port::SignalControl => "signal or control port",
        Port::WiredNetwork => "wired network port",
        Port::FunctionalEarth => "functional earth",
        Port::Cable => "cable",
        Port::Load => "load terminals",
    }
}

fn kind_words(kind: RunKind) -> &'static str {
    match kind {
        RunKind::ConductedEmission => "conducted emission",
        RunKind::RadiatedEmission => "radiated emission",
        RunKind::DisturbancePower => "disturbance power",
        _ => "other measurement",
    }
}

/// What a correction does, in short.
pub(crate) fn correction_words(correction: &Correction) -> String {
    match correction {
        Correction::ConstantDb(db) => format!("{db:+.1} dB"),
        Correction::TableDb(table) => {
            let (low, high) =
                table.points().iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &(_, v)| (l.min(v), h.max(v)));
            let (from, to) = table.range_hz();
            format!("{low:+.1} to {high:+.1} dB, {} to {}", frequency(from), frequency(to))
        }
    }
}

fn kind_of_element(kind: ElementKind) -> String {
    kind.key().replace('_', " ")
}

fn run_evidence(
    project: &Project,
    evaluation: &Evaluation,
    port: Option<(String, Port)>,
    equipment: &[Equipment],
    findings: &[Finding],
    changed: bool,
) -> Result<RunEvidence, WorkError> {
    let Evaluation { run, chain, judged, problem, .. } = evaluation;
    let record = &run.record;
    let day = record.measured_at.strftime("%Y-%m-%d").to_string();
    let overdue = |due: Option<&str>| due.is_some_and(|d| d < day.as_str());
    let trace = &judged.trace;
    let verdict = judged.verdict.as_ref();

    let mut files = Vec::new();
    for used in &record.captures {
        let kept = project.capture(&used.capture)?;
        for f in std::iter::once(&kept.file).chain(&kept.companion) {
            files.push(FileEvidence {
                name: f.original_name.clone(),
                blake3: f.blake3.clone(),
                bytes: f.length_bytes,
                changed,
            });
        }
    }
    let gaps = judged
        .gaps
        .iter()
        .map(|g| {
            format!(
                "{} to {}: {} is not known there, so there is no level.",
                frequency(g.from_hz),
                frequency(g.to_hz),
                g.element
            )
        })
        .collect();
    let lower_bounds = trace
        .columns
        .iter()
        .filter(|c| c.lower_bound.iter().any(|b| *b))
        .map(|c| format!("{}: the record is too short for this detector, so its levels are lower bounds.", c.name))
        .collect();
    let mut run_findings: Vec<report::Finding> = findings.iter().map(finding).collect();
    if let Some(what) = problem {
        run_findings.push(report::Finding { weight: Weight::Serious, text: format!("Not judged: {what}.") });
    }
    if let Some(v) = verdict {
        run_findings.extend(v.notes.iter().map(|n| report::Finding { weight: Weight::Note, text: n.clone() }));
        run_findings.extend(v.still_to_measure.iter().take(12).map(|s| report::Finding {
            weight: Weight::Warning,
            text: format!(
                "Still to measure with {}: {} to {} ({}).",
                s.detector,
                frequency(s.from_hz),
                frequency(s.to_hz),
                s.reason
            ),
        }));
    }
    Ok(RunEvidence {
        id: record.id.clone(),
        title: record.title.clone(),
        kind: kind_words(record.kind).to_owned(),
        date: day.clone(),
        operator: run.added_by.clone(),
        sample: record.sample.clone().unwrap_or_default(),
        state: record.state.clone().unwrap_or_default(),
        mode: record.mode.clone().unwrap_or_default(),
        port: port.as_ref().map_or_else(|| record.port.clone().unwrap_or_default(), |p| p.0.clone()),
        mains: port.is_some_and(|p| p.1 == Port::AcMains),
        conductor: where_words(record),
        set_up: record.setup.clone(),
        chain: chain.as_ref().map_or_else(Vec::new, |c| {
            c.elements
                .iter()
                .rev()
                .map(|e| ChainEvidence {
                    name: e.name.clone(),
                    kind: kind_of_element(e.kind),
                    correction: correction_words(&e.correction),
                    calibrated: e.calibrated.clone(),
                    due: e.due.clone(),
                    overdue: overdue(e.due.as_deref()),
                    source: e.source.clone(),
                })
                .collect()
        }),
        equipment: record
            .equipment
            .iter()
            .filter_map(|id| equipment.iter().find(|e| &e.equipment.id == id))
            .map(|e| {
                // The calibration that held on the day, not the latest one.
                let then = e
                    .calibrations
                    .iter()
                    .rfind(|c| c.calibrated.is_none_or(|d| d.to_string() <= day))
                    .or(e.calibrations.first());
                let text = |d: Option<Date>| d.map(|d| d.to_string());
                EquipmentEvidence {
                    name: e.equipment.name.clone(),
                    serial: e.equipment.serial.clone().unwrap_or_default(),
                    calibrated: then.and_then(|c| text(c.calibrated)),
                    due: then.and_then(|c| text(c.due)),
                    overdue: overdue(then.and_then(|c| text(c.due)).as_deref()),
                }
            })
            .collect(),
        files,
        receiver: trace.history.clone(),
        trace: TraceEvidence {
            frequency_hz: trace.frequency_hz.clone(),
            unit: trace.unit,
            columns: trace
                .columns
                .iter()
                .map(|c| ColumnEvidence {
                    detector: c.detector,
                    // The report names a known detector in its own words.
                    name: if c.detector.is_some() { String::new() } else { c.name.clone() },
                    level_db: c.level_db.clone(),
                })
                .collect(),
            bandwidth_hz: trace.bandwidth_hz,
        },
        limits: judged
            .limits
            .iter()
            .map(|l| {
                let result = verdict.and_then(|v| v.limits.iter().find(|r| r.limit_id == l.id));
                LimitEvidence {
                    id: l.id.clone(),
                    title: l.title.clone(),
                    standard: l.standard.clone(),
                    table: l.table.clone(),
                    source: l.source.clone(),
                    known: l.known,
                    detector: l.detector,
                    points: l.level.points().to_vec(),
                    worst: result
                        .filter(|r| r.worst_margin_db.is_finite())
                        .map(|r| WorstEvidence { frequency_hz: r.worst_frequency_hz, margin_db: r.worst_margin_db }),
                    conclusive: result.is_none_or(|r| r.conclusive),
                    compared_with: result.and_then(|r| r.detector_used.first().copied()).filter(|d| *d != l.detector),
                }
            })
            .collect(),
        suspects: verdict.map_or_else(Vec::new, |v| {
            v.suspects
                .iter()
                .filter_map(|s| {
                    let limit = s.limits.first()?;
                    let level = s.levels.iter().find(|l| l.detector == limit.detector_used)?;
                    Some(SuspectEvidence {
                        frequency_hz: s.frequency_hz,
                        level_db: level.level_db,
                        detector: Some(level.detector),
                        limit_db: limit.limit_db,
                        limit_id: limit.limit_id.clone(),
                        margin_db: s.margin_db,
                        conclusive: s.decision != Decision::Inconclusive,
                        probability: Some(1.0 - s.probability_over),
                        note: s.remark.clone().unwrap_or_default(),
                    })
                })
                .collect()
        }),
        verdict: verdict.map(|v| VerdictEvidence {
            decision: match v.decision {
                Decision::Pass => report::Decision::Pass,
                Decision::Fail => report::Decision::Fail,
                Decision::Inconclusive => report::Decision::Inconclusive,
            },
            sentence: v.sentence.clone(),
            probability: Some(v.probability),
            uncertainty: {
                let mut words = vec![v.uncertainty.statement.clone()];
                if judged.limits.iter().any(|l| l.known == Known::Memory) {
                    words.push(
                        "At least one limit is known from memory and is to be checked against the standard.".to_owned(),
                    );
                }
                words
            },
            expanded_uncertainty_db: Some(v.uncertainty.expanded_db),
        }),
        gaps,
        lower_bounds,
        findings: run_findings,
    })
}
