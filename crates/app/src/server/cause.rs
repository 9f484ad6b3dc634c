//! Why: the families of a run's peaks with their sources, and the case of one emission.

use axum::Json;
use axum::extract::{Path, Query, State};
use cause::case::{Case, MakerKind, Path as WayOut, Said};
use cause::resonance::Resonator;
use cause::{doubt, hertz};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::why_tables::{edges_of_run, humps};
use workbench::{Why, WhyChoices, case_of_run, enter_experiment, resonances_of, timing_of_run, why_of_run};

use super::backend::Fault;
use super::{Answer, App, Asked, Problem, Sent, Shared, blocking};

/// A peak of a family.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FamilyMember {
    frequency_hz: f64,
    level_db: f64,
    multiple: u32,
    /// Another family claims it too.
    shared: bool,
}

/// A family of multiples.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Family {
    fundamental_hz: f64,
    /// Half the width of its 95 % interval.
    uncertainty_hz: f64,
    /// Probability that a random list shows such a family.
    false_alarm: f64,
    /// The likeliest source of the product.
    source: Option<String>,
    /// Other sources that fit.
    others: Vec<String>,
    members: Vec<FamilyMember>,
    /// What speaks for it, to be checked by hand.
    evidence: Vec<String>,
    /// What slower edges would do, where multiples are too high.
    edge: Option<EdgeView>,
}

/// A peak that no family explains.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LonePeak {
    frequency_hz: f64,
    level_db: f64,
}

/// What the peaks of a run come from.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct WhyView {
    /// How many peaks stand out.
    peaks: usize,
    families: Vec<Family>,
    /// Sidebands and mixing products, in words.
    remarks: Vec<String>,
    unexplained: Vec<LonePeak>,
    /// Resonances of cables, housing and slots inside the trace's range.
    resonances: Vec<ResonanceView>,
}

/// A possible maker.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CaseMaker {
    name: String,
    /// In words.
    kind: String,
    probability: f64,
    /// Its likeliest way out, in words.
    path: String,
    speaks_for: Vec<Evidence>,
    speaks_against: Vec<Evidence>,
}

/// A piece of evidence.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Evidence {
    /// In a sentence.
    text: String,
    /// How many times as likely it is to be seen under this answer as under the others on average.
    factor: f64,
}

/// A way out of the product.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CasePath {
    /// In words.
    path: String,
    probability: f64,
    speaks_for: Vec<Evidence>,
    speaks_against: Vec<Evidence>,
}

/// An experiment that could be made.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CaseProposal {
    /// To be sent back with what it showed.
    key: String,
    instruction: String,
    /// Safety, where it can hurt someone.
    caution: Option<String>,
    minutes: f64,
    information_bits: f64,
    /// Probability that the emission changes.
    chance_of_change: f64,
}

/// The case of one emission.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct CaseView {
    frequency_hz: f64,
    /// The likeliest first.
    makers: Vec<CaseMaker>,
    paths: Vec<CasePath>,
    /// The one that tells most for its time first.
    proposals: Vec<CaseProposal>,
    /// Experiments made, with what they showed.
    done: Vec<String>,
    /// What was read and decides nothing, with the reason.
    remarks: Vec<String>,
    /// What it does over time, in a sentence; none for a sweep.
    timing: Option<String>,
}

/// The edge that would bring a multiple under the limit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EdgeRow {
    multiple: u32,
    frequency_hz: f64,
    margin_db: f64,
    limit: String,
    /// 10 to 90 %, s.
    rise_time_s: f64,
    /// One edge would take more than a tenth of the period.
    too_slow: bool,
}

/// What slower edges of a family's source would do.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EdgeView {
    words: String,
    rows: Vec<EdgeRow>,
}

/// Where something of the product resonates.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ResonanceView {
    /// In words.
    what: String,
    /// `cable`, `enclosure` or `slot`.
    kind: String,
    frequency_hz: f64,
    from_hz: f64,
    to_hz: f64,
}

/// Which emission.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct CaseQuery {
    /// Frequency, Hz; the peak nearest to it.
    frequency_hz: f64,
}

/// What an experiment showed.
#[derive(Debug, Deserialize, ToSchema)]
pub(crate) struct ExperimentResult {
    frequency_hz: f64,
    /// The key of the proposal.
    key: String,
    /// The emission fell clearly, or its frequency moved.
    changed: bool,
    #[serde(default)]
    remark: String,
}

fn quiet(_: &workbench::Stage) -> std::ops::ControlFlow<()> {
    std::ops::ControlFlow::Continue(())
}

fn explained(dir: &std::path::Path, run: &str) -> Result<Why, Fault> {
    Ok(why_of_run(dir, run, &WhyChoices::default(), &mut quiet)?)
}

fn view(why: &Why) -> WhyView {
    let e = &why.explanation;
    let families = e
        .combs
        .iter()
        .map(|c| Family {
            fundamental_hz: c.comb.fundamental_hz,
            uncertainty_hz: c.comb.uncertainty_hz,
            false_alarm: c.comb.false_alarm,
            source: c.source.clone(),
            others: c.source_matches.iter().skip(1).map(|m| m.name.clone()).collect(),
            members: c
                .comb
                .members
                .iter()
                .map(|m| FamilyMember {
                    frequency_hz: m.frequency_hz,
                    level_db: m.level_db,
                    multiple: m.multiple,
                    shared: m.shared,
                })
                .collect(),
            evidence: c.evidence.clone(),
            edge: None,
        })
        .collect();
    let fundamental = |i: usize| hertz(e.combs[i].comb.fundamental_hz);
    let sidebands = e.modulations.iter().map(|m| {
        format!(
            "{} peaks stand {} ± {} beside multiples of {}: it is modulated at that rate.",
            m.sidebands.len(),
            hertz(m.modulation_hz),
            doubt(m.uncertainty_hz),
            fundamental(m.comb)
        )
    });
    let mixed = e.intermodulations.iter().map(|m| {
        format!(
            "{} peaks are sums and differences of {} and {}.",
            m.products.len(),
            fundamental(m.combs[0]),
            fundamental(m.combs[1])
        )
    });
    WhyView {
        peaks: why.peaks.len(),
        families,
        remarks: sidebands.chain(mixed).collect(),
        unexplained: e
            .unexplained
            .iter()
            .map(|&k| LonePeak { frequency_hz: why.peaks[k].frequency_hz, level_db: why.peaks[k].level_db })
            .collect(),
        resonances: Vec::new(),
    }
}

/// Decibels that are to stay in hand when an edge is asked for.
const IN_HAND_DB: f64 = 3.0;

fn whole_view(dir: &std::path::Path, run: &str) -> Result<WhyView, Fault> {
    let why = explained(dir, run)?;
    let mut view = view(&why);
    view.remarks.extend(humps(&why).into_iter().map(|h| h.1));
    for e in edges_of_run(dir, run, &why, IN_HAND_DB, &mut quiet)? {
        let at =
            view.families.iter_mut().find(|f| (f.fundamental_hz - e.fundamental_hz).abs() < 1e-9 * e.fundamental_hz);
        if let Some(family) = at {
            let rows = e.multiples.into_iter().map(|m| EdgeRow {
                multiple: m.multiple,
                frequency_hz: m.frequency_hz,
                margin_db: m.margin_db,
                limit: m.limit,
                rise_time_s: m.rise_time_s,
                too_slow: m.too_slow,
            });
            family.edge = Some(EdgeView { words: e.words, rows: rows.collect() });
        }
    }
    if let Some((from, to)) = why.trace.as_ref().and_then(emission::Trace::range_hz) {
        let product =
            project::Project::open(dir).and_then(|p| p.product()).map_err(workbench::WorkError::from)?.product;
        view.resonances = resonances_of(&product, to)
            .into_iter()
            .filter(|r| r.to_hz >= from && r.from_hz <= to)
            .map(|r| {
                let (kind, what) = match &r.resonator {
                    Resonator::Cable { name, quarter_waves } => ("cable", format!("“{name}”, {quarter_waves}/4 wave")),
                    Resonator::Enclosure { mode } => {
                        ("enclosure", format!("housing, mode {}{}{}", mode[0], mode[1], mode[2]))
                    }
                    Resonator::Slot { length_m } => ("slot", format!("slot of {:.0} mm, half a wave", 1e3 * length_m)),
                };
                ResonanceView {
                    what,
                    kind: kind.to_owned(),
                    frequency_hz: r.frequency_hz,
                    from_hz: r.from_hz,
                    to_hz: r.to_hz,
                }
            })
            .collect();
    }
    Ok(view)
}

fn evidence(said: Vec<Said>) -> Vec<Evidence> {
    said.into_iter().map(|s| Evidence { text: s.text, factor: s.factor }).collect()
}

fn whole_case(dir: &std::path::Path, run: &str, frequency_hz: f64) -> Result<CaseView, Fault> {
    let why = explained(dir, run)?;
    let mut view = case_view(&case_of_run(dir, run, &why, frequency_hz, &mut quiet)?);
    view.timing = timing_of_run(dir, run, view.frequency_hz, &mut quiet)?.map(|t| t.words);
    Ok(view)
}

fn way(path: &WayOut) -> String {
    match path {
        WayOut::Cable(name) => format!("along the cable “{name}”"),
        WayOut::MainsDifferential => "on the mains conductors against each other".to_owned(),
        WayOut::Direct => "from the boards or through slots".to_owned(),
        WayOut::Outside => "from outside".to_owned(),
    }
}

fn case_view(case: &Case) -> CaseView {
    let makers = case
        .ranking()
        .into_iter()
        .map(|r| CaseMaker {
            kind: match r.maker.kind {
                MakerKind::Clock => "clock",
                MakerKind::Converter => "converter",
                MakerKind::Rectifier => "rectifier",
                MakerKind::Contact => "contacts",
                MakerKind::UnknownOscillator => "not described",
                MakerKind::Ambient => "outside",
            }
            .to_owned(),
            name: r.maker.name,
            probability: r.probability,
            path: way(&r.path),
            speaks_for: evidence(r.speaks_for),
            speaks_against: evidence(r.speaks_against),
        })
        .collect();
    CaseView {
        frequency_hz: case.frequency_hz,
        makers,
        paths: case
            .ranked_paths()
            .into_iter()
            .map(|p| CasePath {
                path: way(&p.path),
                probability: p.probability,
                speaks_for: evidence(p.speaks_for),
                speaks_against: evidence(p.speaks_against),
            })
            .collect(),
        proposals: case
            .proposals()
            .into_iter()
            .map(|p| CaseProposal {
                key: p.experiment.kind.key(),
                minutes: p.experiment.minutes,
                instruction: p.instruction,
                caution: p.caution,
                information_bits: p.information_bits,
                chance_of_change: p.chance_of_change,
            })
            .collect(),
        remarks: case.remarks.clone(),
        timing: None,
        done: case.done.iter().map(cause::case::Done::in_words).collect(),
    }
}

/// The families of multiples among a run's peaks, with the sources that make them.
#[utoipa::path(get, path = "/api/runs/{id}/why", params(("id" = String, Path)),
    responses((status = 200, body = WhyView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn why(State(app): App, Path(id): Path<String>) -> Answer<Json<WhyView>> {
    let dir = app.backend.dir();
    blocking(move || whole_view(&dir, &id)).await.map(Json)
}

/// The case of one emission of a run: who can make it, and the experiment that would tell.
#[utoipa::path(get, path = "/api/runs/{id}/case", params(("id" = String, Path), CaseQuery),
    responses((status = 200, body = CaseView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn case(State(app): App, Path(id): Path<String>, query: Asked<CaseQuery>) -> Answer<Json<CaseView>> {
    let Query(query) = query?;
    let dir = app.backend.dir();
    blocking(move || whole_case(&dir, &id, query.frequency_hz)).await.map(Json)
}

/// Enters what an experiment showed, in the ledger, and gives the case as it then stands.
#[utoipa::path(post, path = "/api/runs/{id}/case", params(("id" = String, Path)), request_body = ExperimentResult,
    responses((status = 200, body = CaseView), (status = 404, body = Problem), (status = 422, body = Problem)))]
async fn enter(State(app): App, Path(id): Path<String>, sent: Sent<ExperimentResult>) -> Answer<Json<CaseView>> {
    let Json(sent) = sent?;
    let dir = app.backend.dir();
    blocking(move || {
        enter_experiment(&dir, &id, sent.frequency_hz, &sent.key, sent.changed, &sent.remark)?;
        whole_case(&dir, &id, sent.frequency_hz)
    })
    .await
    .map(Json)
}

pub(super) fn routes() -> OpenApiRouter<std::sync::Arc<Shared>> {
    OpenApiRouter::new().routes(routes!(why)).routes(routes!(case, enter))
}

#[cfg(test)]
mod tests {
    use cause::case::{CaseEvidence, CaseProduct, Experiment, ExperimentKind, Outcome};

    use super::*;

    #[test]
    fn the_page_gets_what_the_case_says() {
        let product = CaseProduct::of_sources(&[], vec!["mains".into()], Some("mains".into()), 50.0);
        let mut case =
            Case::open(&product, &CaseEvidence { frequency_hz: 1e6, bandwidth_hz: 9e3, ..Default::default() });
        case.enter(&Experiment::new(ExperimentKind::SwitchOff), Outcome::Unchanged);
        let view = case_view(&case);
        assert_eq!(view.makers[0].kind, "outside");
        assert_eq!(view.done, ["With the product switched off it is still there."]);
        assert!(!view.proposals.iter().any(|p| p.key == "switch_off"));
    }
}
