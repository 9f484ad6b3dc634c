//! A recording of the mains for the page: waveform, orders against limits, supply, flicker.

use std::path::PathBuf;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, State};
use mains::assess::FlickerAssessment;
use mains::harmonics::{DecidingRule, HarmonicVerdict};
use serde::Serialize;
use standards::Known;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::mains_quality::HarmonicsResult;
use workbench::mains_run::{PROBING_CAUTION, evaluate_mains};

use super::{Answer, App, Problem, Shared, blocking};
use crate::mains_commands::share_sentence;

/// One order of the current.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MainsOrder {
    /// 1 is the fundamental.
    order: usize,
    average_a: f64,
    maximum_a: f64,
    limit_a: Option<f64>,
    percent_of_limit: Option<f64>,
    maximum_percent_of_limit: Option<f64>,
    pass: bool,
    /// What decided, for people.
    rule: String,
    /// True where the order counts against a limit and is not too small.
    considered: bool,
}

/// A way to comply.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MainsOption {
    name: String,
    pass: bool,
    sentence: String,
}

/// Something found in the recording.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MainsFinding {
    sentence: String,
    /// The result does not stand until it is mended.
    serious: bool,
    at_s: Option<f64>,
}

/// Two cycles of the window with the most distortion.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MainsWaveform {
    time_s: Vec<f64>,
    /// Empty where the voltage was not recorded.
    voltage_v: Vec<f64>,
    current_a: Vec<f64>,
    /// The current of the same power that follows the voltage; empty without a voltage.
    following_current_a: Vec<f64>,
    /// Start of the window in the record, s.
    at_s: f64,
}

/// Harmonic currents.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MainsHarmonics {
    sentence: String,
    /// `pass`, `fail`, `no_limits` or `unreliable`.
    verdict: String,
    standard: String,
    class: String,
    source: String,
    /// Limits or rules known from memory only: check them against the bought standard.
    from_memory: bool,
    fundamental_hz: f64,
    thd_percent: f64,
    /// Input current, power, distortion and so on, in words.
    facts: Vec<[String; 2]>,
    /// Orders 1 to 40.
    orders: Vec<MainsOrder>,
    options: Vec<MainsOption>,
    /// How the supply compares with a test source; empty without a voltage.
    supply: String,
    /// What the supply's own distortion explains; empty without a voltage.
    supply_share: String,
    waveform: Option<MainsWaveform>,
    findings: Vec<MainsFinding>,
}

/// One quantity of flicker or voltage change against its limit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FlickerRow {
    quantity: String,
    value: f64,
    limit: f64,
    /// None where the record cannot decide.
    pass: Option<bool>,
    note: String,
}

/// A quantity over time in equal slices.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FlickerCurve {
    slice_s: f64,
    low: Vec<f64>,
    high: Vec<f64>,
}

/// Short-term severity of one interval.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FlickerInterval {
    start_s: f64,
    duration_s: f64,
    pst: f64,
    complete: bool,
}

/// Flicker and voltage change.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MainsFlicker {
    sentence: String,
    rows: Vec<FlickerRow>,
    /// Instantaneous sensation.
    pinst: FlickerCurve,
    /// Deviation from the last steady state, %.
    d_percent: FlickerCurve,
    intervals: Vec<FlickerInterval>,
    findings: Vec<MainsFinding>,
}

/// A run that is a recording of the mains.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct MainsView {
    id: String,
    title: String,
    when: String,
    harmonics: Option<MainsHarmonics>,
    flicker: Option<MainsFlicker>,
    /// What can hurt someone, and what to do about it.
    caution: String,
}

fn findings(list: &[mains::record::Finding]) -> Vec<MainsFinding> {
    list.iter().map(|f| MainsFinding { sentence: f.text.clone(), serious: f.spoils_result, at_s: f.at_s }).collect()
}

fn harmonics_view(r: &HarmonicsResult) -> MainsHarmonics {
    let j = &r.judgement;
    let mut facts: Vec<[String; 2]> = Vec::new();
    let mut fact = |name: &str, value: String| facts.push([name.to_owned(), value]);
    fact("Input current", format!("{:.4} A", j.input_current_a));
    fact("Fundamental", format!("{:.4} A at {:.3} Hz", j.fundamental_a, r.fundamental_hz));
    fact("Distortion current", format!("{:.4} A, {:.1} % of the fundamental", j.thc_a, j.thd_percent));
    fact(
        "Odd orders from 21",
        j.pohc_limit_a.map_or(format!("{:.4} A", j.pohc_a), |l| format!("{:.4} A, of the limits {l:.4} A", j.pohc_a)),
    );
    if let (Some(p), Some(f)) = (j.power_w, j.power_factor) {
        fact("Power", format!("{p:.1} W, power factor {f:.3}"));
    }
    if let Some(basis) = &j.limit_basis {
        fact("Limits from", basis.clone());
    }
    fact("Not considered", format!("below {:.4} A", j.smallest_considered_a));
    fact("Observed", format!("{} windows, {:.1} s without gaps", r.windows, r.observed_s));
    for note in &r.notes {
        fact("Reading", note.clone());
    }
    MainsHarmonics {
        sentence: j.sentence.clone(),
        verdict: match j.verdict {
            HarmonicVerdict::Pass => "pass",
            HarmonicVerdict::Fail => "fail",
            HarmonicVerdict::NoLimits => "no_limits",
            HarmonicVerdict::Unreliable => "unreliable",
        }
        .to_owned(),
        standard: j.standard.clone(),
        class: j.class.clone(),
        source: j.source.clone(),
        from_memory: j.known == Known::Memory,
        fundamental_hz: r.fundamental_hz,
        thd_percent: j.thd_percent,
        facts,
        orders: j
            .orders
            .iter()
            .map(|o| MainsOrder {
                order: o.order,
                average_a: o.average_a,
                maximum_a: o.maximum_a,
                limit_a: o.limit_a,
                percent_of_limit: o.percent_of_limit,
                maximum_percent_of_limit: o.maximum_percent_of_limit,
                pass: o.pass,
                rule: o.rule.words().to_owned(),
                considered: o.limit_a.is_some() && o.rule != DecidingRule::TooSmall,
            })
            .collect(),
        options: j
            .options
            .iter()
            .map(|o| MainsOption { name: o.name.clone(), pass: o.pass, sentence: o.sentence.clone() })
            .collect(),
        supply: r.supply.as_ref().map_or(String::new(), |s| {
            format!(
                "{:.1} V, distortion {:.2} %, crest factor {:.3} at {:.0}°: {}.",
                s.voltage_v,
                s.thd_percent,
                s.crest_factor,
                s.peak_at_deg,
                if s.suitable { "as the standard asks of a test source" } else { "not a test source" }
            )
        }),
        supply_share: r.supply_share.as_ref().map_or(String::new(), |s| share_sentence(s).trim().to_owned()),
        waveform: r.waveform.as_ref().map(|w| MainsWaveform {
            time_s: w.time_s.clone(),
            voltage_v: w.voltage_v.clone(),
            current_a: w.current_a.clone(),
            following_current_a: w.following_current_a.clone(),
            at_s: w.at_s,
        }),
        findings: findings(&j.findings),
    }
}

fn curve(e: &mains::envelope::Envelope) -> FlickerCurve {
    FlickerCurve {
        slice_s: e.slice_s,
        low: e.slices.iter().map(|s| s.low).collect(),
        high: e.slices.iter().map(|s| s.high).collect(),
    }
}

fn flicker_view(f: &FlickerAssessment) -> MainsFlicker {
    MainsFlicker {
        sentence: f.verdict.sentence.clone(),
        rows: f
            .verdict
            .rows
            .iter()
            .map(|r| FlickerRow {
                quantity: r.quantity.clone(),
                value: r.value,
                limit: r.limit,
                pass: r.passes,
                note: r.note.clone().unwrap_or_default(),
            })
            .collect(),
        pinst: curve(&f.flicker.pinst),
        d_percent: curve(&f.change.d_percent),
        intervals: f
            .flicker
            .intervals
            .iter()
            .map(|i| FlickerInterval { start_s: i.start_s, duration_s: i.duration_s, pst: i.pst, complete: i.complete })
            .collect(),
        findings: findings(&f.findings),
    }
}

/// A run of harmonic currents or flicker, computed again from its raw file.
#[utoipa::path(
    get,
    path = "/api/mains/{run}",
    params(("run" = String, Path, description = "Run.")),
    responses((status = 200, body = MainsView), (status = 404, body = Problem), (status = 422, body = Problem))
)]
async fn mains_run(State(shared): App, Path(run): Path<String>) -> Answer<Json<MainsView>> {
    let dir: PathBuf = shared.backend.dir();
    blocking(move || {
        let e = evaluate_mains(&dir, &run, &mut |_| std::ops::ControlFlow::Continue(()))?;
        Ok(MainsView {
            id: e.run.record.id.clone(),
            title: e.run.record.title.clone(),
            when: e.run.record.measured_at.to_string(),
            harmonics: e.results.harmonics.as_ref().map(harmonics_view),
            flicker: e.results.flicker.as_ref().map(flicker_view),
            caution: PROBING_CAUTION.to_owned(),
        })
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(mains_run))
}
