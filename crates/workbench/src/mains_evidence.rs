//! A recording of the mains as the report says it.

use mains::harmonics::{DecidingRule, HarmonicVerdict};
use mains::record::Finding;
use project::{Project, Run};
use report::{Decision, Fact, FileEvidence, FlickerRowEvidence, MainsEvidence, OrderEvidence, WaveEvidence, Weight};
use standards::Known;

use crate::mains_run::{MainsEvaluation, PROBING_CAUTION, evaluate_mains_run};
use crate::{OnStage, WorkError};

fn finding(f: &Finding) -> report::Finding {
    report::Finding { weight: if f.spoils_result { Weight::Serious } else { Weight::Note }, text: f.text.clone() }
}

/// Quantities of flicker and voltage change as they are printed.
fn quantity(key: &str) -> String {
    match key {
        "pst" => "Pst",
        "plt" => "Plt",
        "dc_percent" => "dc, %",
        "dmax_percent" => "dmax, %",
        "tmax_s" => "Tmax, s",
        other => other,
    }
    .to_owned()
}

/// The run, computed again from its raw file.
pub(crate) fn mains_evidence(
    project: &Project,
    run: Run,
    on_stage: &mut OnStage<'_>,
) -> Result<MainsEvidence, WorkError> {
    let changed = project
        .check_run(run.id())?
        .iter()
        .any(|f| matches!(f.subject, project::Subject::Capture(_)) && f.severity == project::Severity::Error);
    let files = run
        .record
        .captures
        .iter()
        .filter_map(|c| project.capture(&c.capture).ok())
        .map(|c| FileEvidence {
            name: c.file.original_name.clone(),
            bytes: c.file.length_bytes,
            blake3: c.file.blake3.clone(),
            changed,
        })
        .collect();
    let MainsEvaluation { run, results, .. } = evaluate_mains_run(project, run, on_stage)?;
    let record = &run.record;
    let mut out = MainsEvidence {
        id: record.id.clone(),
        title: record.title.clone(),
        caution: PROBING_CAUTION.to_owned(),
        files,
        decision: Decision::Inconclusive,
        sentence: String::new(),
        facts: Vec::new(),
        orders: Vec::new(),
        wave: None,
        flicker: Vec::new(),
        flicker_sentence: String::new(),
        findings: Vec::new(),
    };
    let mut fact = |name: &str, value: Option<String>| {
        if let Some(value) = value.filter(|v| !v.is_empty()) {
            out.facts.push(Fact { name: name.to_owned(), value });
        }
    };
    fact("Measured", Some(record.measured_at.strftime("%Y-%m-%d %H:%M UTC").to_string()));
    fact("Port", record.port.clone());
    fact("Sample", record.sample.clone());
    fact("Modification state", record.state.clone());
    fact("Operating mode", record.mode.clone());
    fact("Set-up", Some(record.setup.clone()));
    fact("Equipment", (!record.equipment.is_empty()).then(|| record.equipment.join(", ")));
    let mut decisions = Vec::new();
    if let Some(r) = &results.harmonics {
        let j = &r.judgement;
        let from_memory = if j.known == Known::Memory { " (from memory: check the bought standard)" } else { "" };
        fact("Rules", Some(format!("{}, class {}{from_memory}", j.standard, j.class)));
        fact("Limits from", j.limit_basis.clone());
        fact(
            "Current",
            Some(format!(
                "{:.4} A, fundamental {:.4} A at {:.3} Hz",
                j.input_current_a, j.fundamental_a, r.fundamental_hz
            )),
        );
        fact("Distortion", Some(format!("{:.4} A, {:.1} % of the fundamental", j.thc_a, j.thd_percent)));
        fact("Power", j.power_w.zip(j.power_factor).map(|(p, f)| format!("{p:.1} W, power factor {f:.3}")));
        fact("Observed", Some(format!("{} windows without gaps, {:.1} s", r.windows, r.observed_s)));
        fact(
            "Supply",
            r.supply.as_ref().map(|s| {
                let suits = if s.suitable { "as asked of a test source" } else { "not a test source" };
                format!("{:.1} V, distortion {:.2} %, {suits}", s.voltage_v, s.thd_percent)
            }),
        );
        decisions.push(match j.verdict {
            HarmonicVerdict::Pass | HarmonicVerdict::NoLimits => Decision::Pass,
            HarmonicVerdict::Fail => Decision::Fail,
            HarmonicVerdict::Unreliable => Decision::Inconclusive,
        });
        out.sentence = format!("Harmonic currents: {}", j.sentence);
        out.orders = j
            .orders
            .iter()
            .filter(|o| o.order == 1 || (o.limit_a.is_some() && o.rule != DecidingRule::TooSmall))
            .map(|o| OrderEvidence {
                order: o.order,
                average_a: o.average_a,
                maximum_a: o.maximum_a,
                limit_a: o.limit_a,
                percent_of_limit: o.percent_of_limit,
                maximum_percent_of_limit: o.maximum_percent_of_limit,
                pass: o.pass,
                rule: o.rule.words().to_owned(),
            })
            .collect();
        out.wave = r.waveform.as_ref().map(|w| WaveEvidence {
            time_s: w.time_s.clone(),
            voltage_v: w.voltage_v.clone(),
            current_a: w.current_a.clone(),
            following_current_a: w.following_current_a.clone(),
        });
        out.findings.extend(j.findings.iter().map(finding));
    }
    if let Some(f) = &results.flicker {
        decisions.push(match (f.verdict.passes, f.verdict.complete) {
            (false, _) => Decision::Fail,
            (true, true) => Decision::Pass,
            (true, false) => Decision::Inconclusive,
        });
        out.flicker_sentence.clone_from(&f.verdict.sentence);
        if out.sentence.is_empty() {
            out.sentence = format!("Flicker: {}", f.verdict.sentence);
        }
        out.flicker = f
            .verdict
            .rows
            .iter()
            .map(|r| FlickerRowEvidence {
                quantity: quantity(&r.quantity),
                value: r.value,
                limit: r.limit,
                pass: r.passes,
                note: r.note.clone().unwrap_or_default(),
            })
            .collect();
        for g in f.findings.iter().map(finding) {
            if !out.findings.iter().any(|h| h.text == g.text) {
                out.findings.push(g);
            }
        }
    }
    out.decision =
        [Decision::Fail, Decision::Inconclusive].into_iter().find(|d| decisions.contains(d)).unwrap_or(Decision::Pass);
    Ok(out)
}
