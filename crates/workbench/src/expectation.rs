//! Sections of the report that look forward and back: what the formal measurement is expected to say, what a change did,
//! and what several samples say of the series.

use std::collections::BTreeMap;
use std::path::Path;

use emission::change::{Comparison, Fate};
use emission::series::{SeriesRule, judge_series};
use emission::words;
use project::{Product, Run, RunKind};
use report::pictures::{Change, Rung, difference_svg, ladder_svg};
use report::{Fact, Finding, PictureEvidence, SectionEvidence, TableEvidence, Weight};

use crate::chance::{ChancePart, ChanceQuery, chance, compare_runs};
use crate::raw::frequency;
use crate::together::Together;
use crate::{OnStage, WorkError, WorkErrorKind};

/// Emissions in a table, those that decide first.
const ROWS: usize = 16;
/// Spread with which the additional margin of CISPR 16-4-3 is reckoned, dB.
const SERIES_SIGMA_DB: f64 = 6.0;

fn tenth(db: f64) -> String {
    if db.is_finite() { format!("{db:.1}").replace('-', "−") } else { "–".to_owned() }
}

fn emission(run: &Run) -> bool {
    matches!(run.record.kind, RunKind::ConductedEmission | RunKind::RadiatedEmission | RunKind::DisturbancePower)
        && run.withdrawn.is_none()
        && !run.record.place.product_off
        && !run.record.limits.is_empty()
}

/// What the formal measurement is expected to say; none where nothing was measured that an expectation could rest on.
pub(crate) fn expectation(
    dir: &Path,
    runs: &[Run],
    on_stage: &mut OnStage<'_>,
) -> Result<Option<SectionEvidence>, WorkError> {
    if !runs.iter().any(emission) {
        return Ok(None);
    }
    let found = chance(dir, &ChanceQuery::default(), on_stage)?;
    let mut facts = Vec::new();
    for (name, value) in
        [("modification state", &found.state), ("sample", &found.sample), ("laboratory", &found.laboratory_name)]
    {
        facts.extend(value.clone().map(|value| Fact { name: name.to_owned(), value }));
    }
    let mut section = SectionEvidence {
        heading: "What the formal measurement is expected to say".into(),
        sentence: format!("{}.", found.headline),
        facts,
        text: "This is an estimate from the measurements above, made before the formal one. It states no conformity. It reckons \
               with the uncertainty of the bench and of the laboratory, with what is common to all emissions, and with how well \
               the bench repeats itself."
            .into(),
        findings: found.notes.iter().map(|n| Finding { weight: Weight::Note, text: n.clone() }).collect(),
        ..SectionEvidence::default()
    };
    for part in &found.parts {
        section.text.push_str(&format!("\n\n{}: {}", part.title, part.sentence));
        add_part(&mut section, part);
    }
    Ok(Some(section))
}

fn add_part(section: &mut SectionEvidence, part: &ChancePart) {
    let c = &part.chance;
    if !c.emissions.is_empty() {
        let rungs: Vec<Rung> = c
            .emissions
            .iter()
            .take(10)
            .map(|e| Rung {
                frequency_hz: e.frequency_hz,
                margin_db: e.expected_margin_db,
                half_db: 1.96 * e.standard_db,
                probability_over: e.probability_over,
            })
            .collect();
        section.pictures.push(PictureEvidence {
            svg: ladder_svg(&rungs),
            alt: format!("{}: margins expected at the laboratory", part.title),
            caption: format!(
                "{}: margins expected at the laboratory; a bar holds 95 of 100 readings. All together: {} likely to pass.",
                part.title,
                words::percent(c.probability)
            ),
            width_percent: 100,
        });
    }
    section.tables.push(TableEvidence {
        title: part.title.clone(),
        head: ["Source of doubt", "Side", "Standard uncertainty, dB", "Share of the variance"]
            .map(str::to_owned)
            .to_vec(),
        figures: vec![false, false, true, true],
        rows: c
            .sources
            .iter()
            .take(ROWS)
            .map(|s| {
                vec![
                    s.name.clone(),
                    s.side.to_owned(),
                    format!("{:.2}", s.standard_db),
                    format!("{:.0} %", 100.0 * s.variance_share),
                ]
            })
            .collect(),
        ..TableEvidence::default()
    });
    let budget = |b: &crate::chance::BudgetLine| format!("{}, {} dB (k = 2)", b.title, tenth(b.expanded_db));
    section.facts.push(Fact {
        name: part.title.clone(),
        value: format!(
            "bench: {}; laboratory: {}. {}",
            budget(&part.bench),
            budget(&part.laboratory),
            part.repeatability_words
        ),
    });
}

/// Runs of one measurement in two states that follow each other.
fn pairs(runs: &[Run]) -> Vec<(String, Vec<&Run>, Vec<&Run>)> {
    let key = |r: &Run| {
        let r = &r.record;
        let all = [&r.port, &r.mode, &r.conductor, &r.sample, &r.place.laboratory];
        format!("{}\u{1f}{}", all.map(|w| w.clone().unwrap_or_default()).join("\u{1f}"), r.place.words())
    };
    // By measurement, the states in the order in which they were first measured.
    let mut by: BTreeMap<String, Vec<(String, Vec<&Run>)>> = BTreeMap::new();
    for run in runs.iter().filter(|r| emission(r)) {
        let Some(state) = run.record.state.clone() else { continue };
        let states = by.entry(key(run)).or_default();
        match states.iter_mut().find(|(s, _)| *s == state) {
            Some((_, list)) => list.push(run),
            None => states.push((state, vec![run])),
        }
    }
    by.into_values()
        .flat_map(|states| {
            states
                .windows(2)
                .map(|w| (format!("{} to {}", w[0].0, w[1].0), w[0].1.clone(), w[1].1.clone()))
                .collect::<Vec<_>>()
        })
        .collect()
}

/// What each change did, measurement by measurement.
pub(crate) fn changes(
    dir: &Path,
    product: &Product,
    runs: &[Run],
    on_stage: &mut OnStage<'_>,
) -> Result<Together, WorkError> {
    let mut out = Together::default();
    for (step, before, after) in pairs(runs) {
        let ids = |list: &[&Run]| list.iter().map(|r| r.id().to_owned()).collect::<Vec<_>>();
        let found = match compare_runs(dir, &ids(&before), &ids(&after), None, on_stage) {
            Ok(found) => found,
            Err(e) if e.kind() == WorkErrorKind::Input => {
                out.findings.push(Finding {
                    weight: Weight::Note,
                    text: format!("The change from {step} could not be shown on {}: {e}.", ids(&after).join(", ")),
                });
                continue;
            }
            Err(e) => return Err(e),
        };
        let record = &before[0].record;
        let port =
            record.port.as_ref().and_then(|id| product.ports.iter().find(|p| p.id == *id)).map(|p| p.name.clone());
        let place = [port.unwrap_or_default(), record.conductor.clone().unwrap_or_default(), record.place.words()]
            .into_iter()
            .filter(|w| !w.is_empty())
            .collect::<Vec<_>>()
            .join(", ");
        out.sections.push(change_section(&step, &place, &ids(&before), &ids(&after), &found));
    }
    Ok(out)
}

fn fate(fate: Fate) -> &'static str {
    match fate {
        Fate::Better => "better",
        Fate::Worse => "worse",
        Fate::Unchanged => "unchanged",
        Fate::Undecided => "not shown",
        Fate::Gone => "gone",
        Fate::New => "new",
    }
}

fn change_section(step: &str, place: &str, before: &[String], after: &[String], c: &Comparison) -> SectionEvidence {
    let band: Vec<Change> = c
        .frequency_hz
        .iter()
        .zip(&c.difference_db)
        .map(|(&frequency_hz, &difference_db)| Change {
            frequency_hz,
            difference_db,
            band_db: (difference_db - c.simultaneous_db, difference_db + c.simultaneous_db),
        })
        .collect();
    let marks: Vec<(f64, f64)> = c
        .emissions
        .iter()
        .filter(|e| !matches!(e.fate, Fate::Undecided | Fate::Unchanged))
        .take(24)
        .map(|e| (e.frequency_hz, e.difference_db))
        .collect();
    let assumed = if c.assumed {
        "Too few repeated runs show how well the bench repeats: a usual figure was assumed."
    } else {
        "The band comes from repeated runs."
    };
    SectionEvidence {
        heading: format!("What the change from {step} did: {place}"),
        sentence: format!("{}.", c.sentence.trim_end_matches('.')),
        text: format!(
            "Runs before: {}; after: {}. Compared with {}; the band of ± {} dB holds at all frequencies at once in 95 of 100 cases. {assumed}",
            before.join(", "),
            after.join(", "),
            c.detector.name(),
            tenth(c.simultaneous_db)
        ),
        pictures: vec![PictureEvidence {
            svg: difference_svg(&band, &marks),
            alt: "Difference of the two states over frequency in its band of doubt".into(),
            caption:
                "After minus before in its band of doubt; triangles are emissions that are surely lower or higher."
                    .into(),
            width_percent: 100,
        }],
        tables: vec![TableEvidence {
            title: String::new(),
            head: ["Frequency", "Before, dB", "After, dB", "Difference, dB", "± (95 %)", "What became of it"]
                .map(str::to_owned)
                .to_vec(),
            figures: vec![true, true, true, true, true, false],
            rows: c
                .emissions
                .iter()
                .take(ROWS)
                .map(|e| {
                    vec![
                        frequency(e.frequency_hz),
                        tenth(e.before_db),
                        tenth(e.after_db),
                        tenth(e.difference_db),
                        tenth(e.half_width_db),
                        fate(e.fate).to_owned(),
                    ]
                })
                .collect(),
            ..TableEvidence::default()
        }],
        ..SectionEvidence::default()
    }
}

/// What several samples in the same state say of the series, where at least three were measured at a port.
pub(crate) fn series(product: &Product, runs: &[Run]) -> Vec<SectionEvidence> {
    // The smallest margin of each sample at a port in a state.
    let mut by: BTreeMap<(String, String), BTreeMap<String, f64>> = BTreeMap::new();
    for run in runs.iter().filter(|r| emission(r)) {
        let r = &run.record;
        let (Some(port), Some(state), Some(sample)) = (r.port.clone(), r.state.clone(), r.sample.clone()) else {
            continue;
        };
        let Some(margin) = run.result().and_then(|x| x.summary["worst_margin_db"].as_f64()) else { continue };
        let worst = by.entry((port, state)).or_default().entry(sample).or_insert(f64::INFINITY);
        *worst = worst.min(margin);
    }
    let mut out = Vec::new();
    for ((port, state), samples) in by {
        if samples.len() < 3 {
            continue;
        }
        let margins: Vec<f64> = samples.values().copied().collect();
        let Ok(s) = judge_series(&margins, SeriesRule::default(), SERIES_SIGMA_DB) else { continue };
        let name = product.ports.iter().find(|p| p.id == port).map_or(port.clone(), |p| p.name.clone());
        let word = |accepted: bool| if accepted { "accepted" } else { "not accepted" };
        out.push(SectionEvidence {
            heading: format!("The series: {name}, state {state}"),
            sentence: format!(
                "{} samples, mean margin {} dB, spread {:.1} dB: by the non-central t method of CISPR 16-4-3 the series is {} ({} dB in hand \
                 after k·s with k = {:.2}).",
                s.samples,
                tenth(s.mean_margin_db),
                s.standard_db,
                word(s.noncentral_t),
                tenth(s.in_hand_db),
                s.k
            ),
            text: format!(
                "80 % of the units are to be within the limit with a confidence of 80 %. By the binomial method: {} over the limit, {} samples \
                 needed, {}. With an additional margin of {} dB on every sample (for a spread of at most {} dB): {}.",
                s.failures,
                s.binomial_samples,
                word(s.binomial),
                tenth(s.additional_margin_db),
                SERIES_SIGMA_DB,
                word(s.additional_margin)
            ),
            tables: vec![TableEvidence {
                title: String::new(),
                head: ["Sample", "Smallest margin, dB"].map(str::to_owned).to_vec(),
                figures: vec![false, true],
                rows: samples.iter().map(|(id, m)| vec![id.clone(), tenth(*m)]).collect(),
                ..TableEvidence::default()
            }],
            ..SectionEvidence::default()
        });
    }
    out
}
