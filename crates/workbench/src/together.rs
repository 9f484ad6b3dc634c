//! What several runs say together, as sections of the report: a survey of many positions, an open bench with the product
//! off and on. Their runs are listed there with their raw files instead of having a page each.

use std::collections::BTreeSet;
use std::path::Path;

use emission::ambient::AmbientOptions;
use emission::angles::{AngleOptions, AngleSuspect};
use emission::{Decision, Verdict};
use project::{Place, Product, Project, Run, RunKind};
use report::pictures::{Pattern, Rung, ladder_svg, polar_svg};
use report::{Fact, Finding, PictureEvidence, SectionEvidence, TableEvidence, Weight};

use crate::evidence::finding;
use crate::expectation;
use crate::raw::frequency;
use crate::survey::{AmbientOfRuns, AnglesOfRuns, RunFilter, ambient_of_runs, angles_of_runs};
use crate::{OnStage, WorkError, WorkErrorKind};

/// Fewer positions are told run by run.
const LEAST_POSITIONS: usize = 3;
/// Patterns drawn, those of the smallest margins.
const PATTERNS: usize = 4;

/// Sections, the runs that need no page of their own, and what could not be told together.
#[derive(Default)]
pub(crate) struct Together {
    pub(crate) sections: Vec<SectionEvidence>,
    pub(crate) told: BTreeSet<String>,
    pub(crate) findings: Vec<Finding>,
}

/// Why runs are told as one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GroupKind {
    /// Many positions round the product.
    Survey,
    /// The product off and on by turns, at one place.
    OffAndOn,
}

/// Runs that are told as one. By their place in `runs`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunGroup {
    /// Why.
    pub kind: GroupKind,
    /// What it is, in words.
    pub title: String,
    /// Which runs, rising.
    pub members: Vec<usize>,
}

/// Finds the runs that belong together, in the order of their first ones; a run is in one group at most.
pub fn run_groups(runs: &[Run]) -> Vec<RunGroup> {
    let at = |list: &[&Run]| -> Vec<usize> {
        list.iter().filter_map(|r| runs.iter().position(|other| other.id() == r.id())).collect()
    };
    let counts = |r: &&Run| {
        let emission = [RunKind::RadiatedEmission, RunKind::ConductedEmission, RunKind::DisturbancePower];
        r.withdrawn.is_none() && emission.contains(&r.record.kind)
    };
    let turned =
        runs.iter().filter(counts).filter(|r| r.record.place.azimuth_deg.is_some() && !r.record.place.product_off);
    let mut out: Vec<RunGroup> = groups(turned, survey_key)
        .into_iter()
        .filter(|g| g.len() >= LEAST_POSITIONS)
        .map(|g| RunGroup {
            kind: GroupKind::Survey,
            title: format!("Survey of {} positions", g.len()),
            members: at(&g),
        })
        .collect();
    let told: BTreeSet<usize> = out.iter().flat_map(|g| g.members.iter().copied()).collect();
    let rest = runs.iter().enumerate().filter(|(i, r)| counts(r) && !told.contains(i)).map(|(_, r)| r);
    out.extend(groups(rest, spot).into_iter().filter_map(|g| {
        let off = g.iter().filter(|r| r.record.place.product_off).count();
        let on = g.len() - off;
        (off >= 2 && on >= 2).then(|| RunGroup {
            kind: GroupKind::OffAndOn,
            title: format!("Product off ({off} times) and on ({on} times)"),
            members: at(&g),
        })
    }));
    out.sort_by_key(|g| g.members.first().copied());
    out
}

/// Everything but the angle, height and polarisation: what a survey has in common.
fn survey_key(run: &Run) -> String {
    let r = &run.record;
    let distance = r.place.distance_m.map(|d| d.to_string());
    let all = [
        &r.port,
        &r.sample,
        &r.state,
        &r.mode,
        &r.place.laboratory,
        &distance,
        &r.chain.as_ref().map(|c| c.name.clone()),
    ];
    all.map(|w| w.clone().unwrap_or_default()).join("\u{1f}")
}

/// The same place, whether the product is on or off.
fn spot(run: &Run) -> String {
    let place = Place { product_off: false, ..run.record.place.clone() };
    format!("{}\u{1f}{}", run.record.port.clone().unwrap_or_default(), place.words())
}

fn groups<'a>(runs: impl Iterator<Item = &'a Run>, key: fn(&Run) -> String) -> Vec<Vec<&'a Run>> {
    let mut out: Vec<(String, Vec<&Run>)> = Vec::new();
    for run in runs {
        let k = key(run);
        match out.iter_mut().find(|(have, _)| *have == k) {
            Some((_, list)) => list.push(run),
            None => out.push((k, vec![run])),
        }
    }
    out.into_iter().map(|(_, list)| list).collect()
}

fn only(runs: &[&Run]) -> RunFilter {
    RunFilter { runs: runs.iter().map(|r| r.id().to_owned()).collect(), ..RunFilter::default() }
}

/// Finds what belongs together among the runs and tells it.
pub(crate) fn together(
    dir: &Path,
    project: &Project,
    product: &Product,
    runs: &[Run],
    on_stage: &mut OnStage<'_>,
) -> Result<Together, WorkError> {
    let mut out = Together::default();
    for group in run_groups(runs) {
        let members: Vec<&Run> = group.members.iter().map(|i| &runs[*i]).collect();
        // What was never held against a limit has no suspects to tell of; each run keeps its own page.
        if members.iter().all(|r| r.record.limits.is_empty()) {
            continue;
        }
        let filter = only(&members);
        let section = match group.kind {
            GroupKind::Survey => {
                let options = AngleOptions { radius_m: radius_m(product), ..AngleOptions::default() };
                angles_of_runs(dir, &filter, &[], &options, on_stage)
                    .and_then(|found| angle_section(project, product, &members, &found))
            }
            GroupKind::OffAndOn => ambient_of_runs(dir, &filter, &[], &AmbientOptions::default(), on_stage)
                .and_then(|found| ambient_section(project, product, &members, &found)),
        };
        match section {
            Ok(mut section) => {
                section.findings.extend(findings_of(project, &members)?);
                out.sections.push(section);
                out.told.extend(filter.runs);
            }
            // They keep their own pages: a report that cannot lay runs over each other still says what each of them is.
            Err(e) if e.kind() == WorkErrorKind::Input => out.findings.push(Finding {
                weight: Weight::Warning,
                text: format!("{} ({}) could not be laid over each other: {e}.", group.title, span(&filter.runs)),
            }),
            Err(e) => return Err(e),
        }
    }
    let changes = expectation::changes(dir, product, runs, on_stage)?;
    out.sections.extend(changes.sections);
    out.findings.extend(changes.findings);
    out.sections.extend(expectation::series(product, runs));
    match expectation::expectation(dir, runs, on_stage) {
        Ok(section) => out.sections.extend(section),
        Err(e) if e.kind() == WorkErrorKind::Input => out.findings.push(Finding {
            weight: Weight::Note,
            text: format!("What the formal measurement may say could not be reckoned: {e}."),
        }),
        Err(e) => return Err(e),
    }
    Ok(out)
}

/// First and last of several runs: `R005 to R028`.
fn span(ids: &[String]) -> String {
    match ids {
        [] => String::new(),
        [one] => one.clone(),
        [first, .., last] => format!("{first} to {last}"),
    }
}

/// What stands against the runs of a group, each fact once.
fn findings_of(project: &Project, members: &[&Run]) -> Result<Vec<Finding>, WorkError> {
    let mut out: Vec<Finding> = Vec::new();
    for run in members {
        for f in project.check_run(run.id())?.iter().map(finding) {
            if !out.iter().any(|known| known.text == f.text) {
                out.push(f);
            }
        }
    }
    Ok(out)
}

/// Radius of the sphere round the housing of a project's product, m, where its sides are known; cables are not counted.
pub fn housing_radius_m(dir: &Path) -> Result<Option<f64>, WorkError> {
    Ok(radius_m(&Project::open(dir)?.product()?.product))
}

fn radius_m(product: &Product) -> Option<f64> {
    let e = &product.enclosure;
    let sides: Vec<f64> = [e.length_m, e.width_m, e.height_m].into_iter().flatten().collect();
    (!sides.is_empty()).then(|| 0.5 * sides.iter().map(|s| s * s).sum::<f64>().sqrt())
}

fn decision(v: &Verdict) -> report::Decision {
    match v.decision {
        Decision::Pass => report::Decision::Pass,
        Decision::Fail => report::Decision::Fail,
        Decision::Inconclusive => report::Decision::Inconclusive,
    }
}

fn notes(list: &[String]) -> Vec<Finding> {
    list.iter().map(|n| Finding { weight: Weight::Note, text: n.clone() }).collect()
}

/// What the runs have in common.
fn common_facts(product: &Product, group: &[&Run]) -> Vec<Fact> {
    let mut facts = Vec::new();
    let mut fact = |name: &str, value: Option<String>| {
        if let Some(value) = value.filter(|v| !v.is_empty()) {
            facts.push(Fact { name: name.to_owned(), value });
        }
    };
    let Some(first) = group.iter().find(|r| !r.record.place.product_off).or(group.first()).map(|r| &r.record) else {
        return facts;
    };
    let day = |r: &Run| r.record.measured_at.strftime("%Y-%m-%d").to_string();
    let (from, to) = (group.iter().map(|r| day(r)).min(), group.iter().map(|r| day(r)).max());
    fact("measured", from.zip(to).map(|(a, b)| if a == b { a } else { format!("{a} to {b}") }));
    let port = first.port.as_ref().and_then(|id| product.ports.iter().find(|p| p.id == *id)).map(|p| p.name.clone());
    fact("port", port.or(first.port.clone()));
    fact("sample", first.sample.clone());
    fact("modification state", first.state.clone());
    fact("operating mode", first.mode.clone());
    fact("distance", first.place.distance_m.map(|d| format!("{d} m")));
    fact("where", first.place.laboratory.clone());
    fact("set-up", Some(first.setup.clone()));
    fact("chain", first.chain.as_ref().map(|c| c.name.clone()));
    fact("equipment", Some(first.equipment.join(", ")));
    facts
}

/// Every run with its place and raw file.
fn run_table(project: &Project, group: &[&Run]) -> Result<TableEvidence, WorkError> {
    let mut rows = Vec::new();
    for run in group {
        for used in &run.record.captures {
            let file = project.capture(&used.capture)?.file;
            let place = Place { height_m: None, distance_m: None, laboratory: None, ..run.record.place.clone() };
            rows.push(vec![run.id().to_owned(), place.words(), file.original_name, file.blake3]);
        }
    }
    Ok(TableEvidence {
        title: "The runs and their raw files".into(),
        head: ["Run", "Place", "Raw file", "blake3"].map(str::to_owned).to_vec(),
        figures: vec![false; 4],
        rows,
        ..TableEvidence::default()
    })
}

fn patterns(suspect: &AngleSuspect) -> Vec<Pattern> {
    suspect
        .patterns
        .iter()
        .map(|p| Pattern {
            name: p.polarisation.map_or_else(|| "pattern".to_owned(), |w| w.name().to_owned()),
            points: p.azimuth_deg.iter().copied().zip(p.level_db.iter().copied()).collect(),
            between: Vec::new(),
        })
        .collect()
}

fn tenth(db: f64) -> String {
    format!("{db:.1}").replace('-', "−")
}

fn angle_section(
    project: &Project,
    product: &Product,
    group: &[&Run],
    found: &AnglesOfRuns,
) -> Result<SectionEvidence, WorkError> {
    let a = &found.angles;
    let unit = a.held.trace.unit.map_or("dB", quantity::Unit::symbol);
    let mut pictures = vec![PictureEvidence {
        svg: ladder_svg(
            &a.suspects
                .iter()
                .take(12)
                .map(|s| Rung {
                    frequency_hz: s.frequency_hz,
                    margin_db: s.margin_db,
                    half_db: a.verdict.uncertainty.expanded_db,
                    probability_over: s.suspect.probability_over,
                })
                .collect::<Vec<_>>(),
        ),
        alt: "Margins of the highest levels over all positions, with the expanded uncertainty".into(),
        caption: "Highest level of all positions against the limit; the bar is the expanded uncertainty (k = 2)."
            .into(),
        width_percent: 100,
    }];
    for s in a.suspects.iter().take(PATTERNS) {
        let limit = s.level_db + s.margin_db;
        pictures.push(PictureEvidence {
            svg: polar_svg(&patterns(s), Some(limit), unit),
            alt: format!("Level at {} against the angle of the turntable", frequency(s.frequency_hz)),
            caption: format!("{}: highest at {}.", frequency(s.frequency_hz), s.worst_position.words()),
            width_percent: 50,
        });
    }
    let rows = a
        .suspects
        .iter()
        .map(|s| {
            vec![
                frequency(s.frequency_hz),
                tenth(s.level_db),
                tenth(s.margin_db),
                s.margin_less_shortfall_db.map_or_else(|| "–".into(), tenth),
                s.worst_position.words(),
                found.runs.get(s.worst).cloned().unwrap_or_default(),
            ]
        })
        .collect();
    let repeat: Vec<String> =
        a.repeat.chosen.iter().filter_map(|k| found.positions.get(*k)).map(emission::angles::Position::words).collect();
    let text = if repeat.is_empty() {
        String::new()
    } else {
        format!(
            "To measure every suspect again within {:.1} dB of its highest, {} of the {} positions {}: {}.",
            emission::angles::AngleOptions::default().tolerance_db,
            repeat.len(),
            found.runs.len(),
            if repeat.len() == 1 { "suffices" } else { "suffice" },
            repeat.join("; ")
        )
    };
    Ok(SectionEvidence {
        heading: format!("Survey of {} positions", found.runs.len()),
        sentence: a.verdict.sentence.clone(),
        decision: Some(decision(&a.verdict)),
        facts: common_facts(product, group),
        text,
        pictures,
        tables: vec![
            TableEvidence {
                title: "Where each emission is highest".into(),
                head: vec![
                    "Frequency".into(),
                    format!("Level, {unit}"),
                    "Margin, dB".into(),
                    "less what the step may hide, dB".into(),
                    "Position".into(),
                    "Run".into(),
                ],
                figures: vec![true, true, true, true, false, false],
                rows,
                ..TableEvidence::default()
            },
            run_table(project, group)?,
        ],
        findings: notes(&a.notes),
        ..SectionEvidence::default()
    })
}

fn ambient_section(
    project: &Project,
    product: &Product,
    group: &[&Run],
    found: &AmbientOfRuns,
) -> Result<SectionEvidence, WorkError> {
    let a = &found.ambient;
    let rows = a
        .suspects
        .iter()
        .map(|s| {
            let m = &s.marking;
            let more = match m.sweeps_to_decide {
                Some(0) => String::new(),
                Some(n) => format!("about {n} sweeps of each kind would decide it"),
                None => "more sweeps would hardly decide it".to_owned(),
            };
            let hides = if s.hides_limit { "the limit may be exceeded under it" } else { "" };
            let remark = [more.as_str(), hides].into_iter().filter(|w| !w.is_empty()).collect::<Vec<_>>().join("; ");
            vec![
                frequency(s.frequency_hz),
                tenth(m.off_median_db),
                tenth(m.on_median_db),
                tenth(s.margin_db),
                format!("{:.3}", m.p_corrected),
                m.mark.name().to_owned(),
                remark,
            ]
        })
        .collect();
    Ok(SectionEvidence {
        heading: "Open bench: the product or its surroundings".into(),
        sentence: format!(
            "{} sweeps with the product off and {} with it on: every emission is kept and marked as the product's, ambient, or undecided.",
            found.off.len(),
            found.on.len()
        ),
        decision: None,
        facts: common_facts(product, group),
        tables: vec![
            TableEvidence {
                title: "Whose each emission is".into(),
                head: ["Frequency", "Off, median", "On, median", "Margin, dB", "p", "Mark", "Remark"]
                    .map(str::to_owned)
                    .to_vec(),
                figures: vec![true, true, true, true, true, false, false],
                rows,
                ..TableEvidence::default()
            },
            run_table(project, group)?,
        ],
        findings: notes(&a.notes),
        ..SectionEvidence::default()
    })
}
