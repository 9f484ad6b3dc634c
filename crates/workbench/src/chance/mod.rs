//! Questions to a whole project: the chance of passing at the laboratory, what the bench has learnt, the next best
//! measurement, whether a change helped. Everything is computed from the ledger's runs; nothing of it is stored, and what is kept in
//! memory goes when the project changes.

mod gather;
mod memory;

use std::path::Path;

use emission::bench::{BenchAgainstLaboratory, LeftOut, OffsetAt};
use emission::chance::{
    BenchEmission, Chance, ChanceOptions, Pair, Repeatability, Situation, bench_words, chance_of_passing,
    probability_of_passing, sentence, stand_in,
};
use emission::change::{CompareOptions, Comparison, compare};
use emission::next::{Action, Candidate, Ranked, Whole, order, rank_within};
use emission::words;
use project::Project;
use serde::Serialize;
use standards::{Budget, BudgetPlace, Detector, MeasurementKind};

use gather::{Assumptions, Group, ReadRun, budget_for, groups, is_mains, port_name, prior, repeatability, repeats};
pub use gather::{FoundBudget, built_in_budgets, project_budgets, read_budget_file};
use memory::{Gathered, gathered};

use crate::evaluate::evaluate_run;
use crate::{OnStage, WorkError};

/// Which part of a project is asked about.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub struct ChanceQuery {
    /// A port by its id; all where none is named.
    pub port: Option<String>,
    /// A modification state; that of the last run on the bench where none is named.
    pub state: Option<String>,
    /// The laboratory whose pairs count; the one with most runs where none is named.
    pub laboratory: Option<String>,
}

/// A budget in a line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BudgetLine {
    /// Its id.
    pub id: String,
    /// In words.
    pub title: String,
    /// Expanded uncertainty (k = 2) at the emission that decides, dB.
    pub expanded_db: f64,
    /// Where it comes from.
    pub source: String,
}

/// The chance for one port and kind of measurement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChancePart {
    /// Port by its id.
    pub port: Option<String>,
    /// Its name.
    pub port_name: String,
    /// Kind of measurement.
    pub kind: MeasurementKind,
    /// In words.
    pub title: String,
    /// In words: the chance and what drives it.
    pub sentence: String,
    /// The chance.
    #[serde(flatten)]
    pub chance: Chance,
    /// Runs on the bench that it comes from.
    pub runs: Vec<String>,
    /// Budget of the bench.
    pub bench: BudgetLine,
    /// Budget of the laboratory.
    pub laboratory: BudgetLine,
    /// How well the bench repeats, in words.
    pub repeatability_words: String,
}

/// The chance of a state of the product.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChanceReport {
    /// The state.
    pub state: Option<String>,
    /// The sample.
    pub sample: Option<String>,
    /// Laboratory the pairs are from.
    pub laboratory_name: Option<String>,
    /// Probability (0 to 1) that every part passes: parts are taken to be independent.
    pub probability: f64,
    /// The figure in a line.
    pub headline: String,
    /// In words.
    pub sentence: String,
    /// One a port and kind of measurement, least likely first.
    pub parts: Vec<ChancePart>,
    /// What was assumed or left out.
    pub notes: Vec<String>,
}

/// Owned pieces of a situation.
struct Part {
    port: Option<String>,
    kind: MeasurementKind,
    emissions: Vec<BenchEmission>,
    /// What each set-up is called, by its number.
    set_ups: Vec<String>,
    /// Set-ups alike in this differ in position only.
    searches: Vec<String>,
    runs: Vec<String>,
    pairs: Vec<Pair>,
    bench: Budget,
    laboratory: Budget,
    repeatability: Repeatability,
}

impl Part {
    fn situation(&self) -> Situation<'_> {
        Situation {
            emissions: self.emissions.clone(),
            pairs: self.pairs.clone(),
            bench: &self.bench,
            laboratory: &self.laboratory,
            repeatability: self.repeatability,
        }
    }

    /// Of one emission read at several angles, heights and polarisations the laboratory keeps the highest: so do we.
    fn keep_highest_positions(&mut self) {
        let mut sorted = std::mem::take(&mut self.emissions);
        sorted.sort_by(|a, b| a.expected_db().total_cmp(&b.expected_db()));
        for e in sorted {
            let lower = self.emissions.iter().any(|k| {
                k.set_up != e.set_up
                    && self.searches[k.set_up] == self.searches[e.set_up]
                    && (k.frequency_hz - e.frequency_hz).abs() <= bandwidth_hz(e.frequency_hz)
            });
            if !lower {
                self.emissions.push(e);
            }
        }
    }

    fn decisive_hz(&self) -> f64 {
        self.emissions.iter().min_by(|a, b| a.expected_db().total_cmp(&b.expected_db())).map_or(1e6, |e| e.frequency_hz)
    }
}

struct Asked {
    state: Option<String>,
    sample: Option<String>,
    laboratory: Option<String>,
    parts: Vec<Part>,
    notes: Vec<String>,
}

/// The laboratory whose pairs count: the one named, or the one with most runs.
fn laboratory_of(runs: &[ReadRun], named: Option<&str>) -> Result<Option<String>, WorkError> {
    let mut names: Vec<&str> = runs.iter().filter_map(ReadRun::laboratory).collect();
    names.sort_unstable();
    if let Some(name) = named {
        if !names.contains(&name) {
            names.dedup();
            let known = if names.is_empty() { "none has been visited".to_owned() } else { names.join(", ") };
            return Err(WorkError::input(
                "laboratory",
                format!("`{name}` has no run"),
                format!("the name of one with runs: {known}"),
            ));
        }
        return Ok(Some(name.to_owned()));
    }
    let count = |n: &str| names.iter().filter(|m| **m == n).count();
    Ok(names.iter().max_by_key(|n| count(n)).map(|n| (*n).to_owned()))
}

fn no_runs(what: &str) -> WorkError {
    WorkError::input("project", format!("no emission run {what}"), "runs with a limit, recorded by `hushfield run`")
}

fn asked(dir: &Path, query: &ChanceQuery, gathered: &Gathered) -> Result<Asked, WorkError> {
    let own = project_budgets(dir)?;
    let mut notes = gathered.notes.clone();
    let runs = &gathered.runs;
    let laboratory = laboratory_of(runs, query.laboratory.as_deref())?;
    let wanted_port = |r: &ReadRun| query.port.is_none() || r.run.record.port == query.port;
    let asked_for = |r: &&ReadRun| {
        r.laboratory().is_none() && wanted_port(r) && (query.state.is_none() || r.run.record.state == query.state)
    };
    // One run that does not say its state is no newer state of the product.
    let last = runs
        .iter()
        .rev()
        .filter(asked_for)
        .find(|r| r.run.record.state.is_some())
        .or_else(|| runs.iter().rev().find(asked_for));
    let Some(last) = last else {
        let of = [
            query.port.as_ref().map(|p| format!("at port {p}")),
            query.state.as_ref().map(|s| format!("in state {s}")),
        ];
        let of: Vec<String> = of.into_iter().flatten().collect();
        return Err(no_runs(format!("on the bench {}", of.join(" ")).trim_end()));
    };
    let (state, sample) = last.product();
    let (state, sample) = (state.map(str::to_owned), sample.map(str::to_owned));
    let unsaid: Vec<&str> = runs
        .iter()
        .filter(|r| r.laboratory().is_none() && wanted_port(r) && state.is_some() && r.run.record.state.is_none())
        .map(|r| r.run.id())
        .collect();
    if !unsaid.is_empty() {
        notes.push(format!(
            "{} not say the state of the product and did not enter.",
            match unsaid.as_slice() {
                [one] => format!("{one} does"),
                many => format!("{} do", many.join(", ")),
            }
        ));
    }
    let all = groups(runs);
    let here = |g: &Group<'_>| g.first().product() == (state.as_deref(), sample.as_deref());
    let bench: Vec<&Group<'_>> =
        all.iter().filter(|g| here(g) && g.first().laboratory().is_none() && wanted_port(g.first())).collect();
    if all.iter().any(|g| here(g) && g.first().laboratory().is_some() && wanted_port(g.first())) {
        notes.push(
            "This state has been at the laboratory already: its readings there count as pairs; its own verdict stands with \
             its runs."
                .to_owned(),
        );
    }

    // One part a port and kind of measurement.
    let mut parts: Vec<Part> = Vec::new();
    let mut assumed = Assumptions::default();
    for group in &bench {
        let port = group.first().run.record.port.clone();
        for i in 0..group.collected.frequency_hz.len() {
            let Some(kind) = group.kind(i) else { continue };
            let Some((margin_db, repeats)) = group.mean(i) else { continue };
            let found = parts.iter().position(|p| p.port == port && p.kind == kind);
            let at = found.unwrap_or_else(|| {
                parts.push(new_part(port.clone(), kind, group, &all, &own, laboratory.as_deref(), &mut assumed));
                parts.len() - 1
            });
            let part = &mut parts[at];
            let label = group.first().label();
            let set_up = part.set_ups.iter().position(|s| *s == label).unwrap_or_else(|| {
                part.set_ups.push(label.clone());
                part.searches.push(group.first().search());
                part.runs.extend(group.runs.iter().map(|r| r.run.record.id.clone()));
                part.set_ups.len() - 1
            });
            let (wanted, used) = group.collected.detectors[i];
            part.emissions.push(BenchEmission {
                label,
                frequency_hz: group.collected.frequency_hz[i],
                margin_db,
                repeats,
                set_up,
                stand_in: stand_in(wanted, used),
            });
        }
    }
    parts.iter_mut().for_each(Part::keep_highest_positions);
    if parts.is_empty() {
        return Err(no_runs("that a published uncertainty belongs to"));
    }
    if parts.iter().any(|p| p.emissions.iter().any(|e| e.stand_in.is_some())) {
        notes.push(
            "Where a detector that reads higher stands in for the limit's own, how much higher is assumed (peak over \
             quasi-peak 3 ± 2.5 dB, peak over average 9 ± 5 dB, quasi-peak over average 6 ± 4 dB, mostly alike for all emissions): measure with the limit's \
             detector where it decides."
                .to_owned(),
        );
    }
    notes.extend(assumed.notes());
    Ok(Asked { state, sample, laboratory, parts, notes })
}

fn new_part(
    port: Option<String>,
    kind: MeasurementKind,
    group: &Group<'_>,
    all: &[Group<'_>],
    own: &[FoundBudget],
    laboratory: Option<&str>,
    assumed: &mut Assumptions,
) -> Part {
    let at_hz = group.collected.frequency_hz.first().copied().unwrap_or(1e6);
    Part {
        bench: budget_for(own, kind, BudgetPlace::Bench, Some(group.first()), at_hz, assumed),
        laboratory: budget_for(own, kind, BudgetPlace::Laboratory, None, at_hz, assumed),
        repeatability: repeatability(all, Some(kind)),
        pairs: laboratory.map_or_else(Vec::new, |l| pairs_of(all, l, kind).0),
        port,
        kind,
        emissions: Vec::new(),
        set_ups: Vec::new(),
        searches: Vec::new(),
        runs: Vec::new(),
    }
}

/// Emissions of a visit that make pairs: the nearest to the limit, clear of what either place cannot see.
const PAIRS_A_VISIT: usize = 15;

/// Pairs of one kind of measurement with a laboratory, and the runs of each visit.
fn pairs_of(all: &[Group<'_>], laboratory: &str, kind: MeasurementKind) -> (Vec<Pair>, Vec<String>) {
    let mut pairs = Vec::new();
    let mut visits = Vec::new();
    for (visit, there) in all.iter().enumerate().filter(|(_, g)| g.first().laboratory() == Some(laboratory)) {
        let same = |g: &&Group<'_>| {
            g.first().laboratory().is_none()
                && g.first().product() == there.first().product()
                && g.first().set_up() == there.first().set_up()
        };
        let Some(here) = all.iter().find(same) else { continue };
        let mut taken = 0;
        for i in 0..here.collected.frequency_hz.len() {
            let f = here.collected.frequency_hz[i];
            let (wanted, used) = here.collected.detectors[i];
            if here.kind(i) != Some(kind) || wanted != used || taken == PAIRS_A_VISIT {
                continue;
            }
            let Some((bench_margin, bench_readings)) = here.mean(i) else { continue };
            // The same emission at the laboratory: one of its own suspects within a bandwidth.
            let near = there.collected.frequency_hz.iter().position(|g| (g - f).abs() <= bandwidth_hz(f));
            let Some(j) = near.filter(|&j| there.collected.detectors[j] == (wanted, wanted)) else { continue };
            let Some((laboratory_margin, laboratory_readings)) = there.mean(j) else { continue };
            pairs.push(Pair {
                frequency_hz: f,
                // The limit is the same, so margins differ as levels do.
                difference_db: bench_margin - laboratory_margin,
                bench_readings,
                laboratory_readings,
                visit,
            });
            taken += 1;
        }
        if taken > 0 {
            let ids = |g: &Group<'_>| g.runs.iter().map(|r| r.run.record.id.as_str()).collect::<Vec<_>>().join(", ");
            visits.push(format!("{} with {}", ids(there), ids(here)));
        }
    }
    (pairs, visits)
}

fn bandwidth_hz(frequency_hz: f64) -> f64 {
    standards::Band::of(frequency_hz).map_or(1e6, standards::Band::bandwidth_hz)
}

fn line(budget: &Budget, at_hz: f64) -> BudgetLine {
    BudgetLine {
        id: budget.id.clone(),
        title: budget.title.clone(),
        expanded_db: 2.0 * budget.standard_at(at_hz).unwrap_or(f64::NAN),
        source: budget.source.clone(),
    }
}

/// The chance that a state of the product passes at the laboratory, from the project's runs on the bench.
pub fn chance(dir: &Path, query: &ChanceQuery, on_stage: &mut OnStage<'_>) -> Result<ChanceReport, WorkError> {
    let project = Project::open(dir)?;
    let gathered = gathered(&project, on_stage)?;
    gathered.chance.or_find(query, || chance_now(&project, query, &gathered))
}

fn chance_now(project: &Project, query: &ChanceQuery, gathered: &Gathered) -> Result<ChanceReport, WorkError> {
    let asked = asked(project.dir(), query, gathered)?;
    let mut parts: Vec<ChancePart> = asked
        .parts
        .iter()
        .map(|p| {
            let chance = chance_of_passing(&p.situation(), &ChanceOptions::default());
            let at_hz = chance.emissions.first().map_or_else(|| p.decisive_hz(), |e| e.frequency_hz);
            let port_name = port_name(project, p.port.as_deref());
            ChancePart {
                title: format!("{port_name}: {}", p.kind),
                port_name,
                port: p.port.clone(),
                kind: p.kind,
                sentence: sentence(&chance),
                runs: p.runs.clone(),
                bench: line(&p.bench, at_hz),
                laboratory: line(&p.laboratory, at_hz),
                repeatability_words: bench_words(&p.repeatability),
                chance,
            }
        })
        .collect();
    parts.sort_by(|a, b| a.chance.probability.total_cmp(&b.chance.probability));
    let probability: f64 = parts.iter().map(|p| p.chance.probability).product();
    let likely = emission::words::percent(probability);
    let headline = match parts.len() {
        1 => format!("{likely} likely to pass at the laboratory"),
        n => format!("{likely} likely to pass all {n} measurements at the laboratory"),
    };
    let sentence = match parts.as_slice() {
        [one] => one.sentence.clone(),
        many => format!("{headline}, least likely {}: {}", many[0].title, many[0].sentence),
    };
    Ok(ChanceReport {
        state: asked.state,
        sample: asked.sample,
        laboratory_name: asked.laboratory,
        probability,
        headline,
        sentence,
        parts,
        notes: asked.notes,
    })
}

/// What the bench has learnt for one kind of measurement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OffsetPart {
    /// Kind of measurement.
    pub kind: MeasurementKind,
    /// In words.
    pub title: String,
    /// Paired readings.
    pub pairs: Vec<Pair>,
    /// Runs of each visit with those of the bench they are paired with.
    pub visits: Vec<String>,
    /// The offset over the kind's range, 61 points even in log frequency.
    pub offset: Vec<OffsetAt>,
    /// Each pair against what the others say.
    pub left_out: Vec<LeftOut>,
    /// Share of them within two standard deviations; none without pairs enough to leave one out.
    pub covered: Option<f64>,
    /// Further visits until the offset's uncertainty is at most half of the floor at the paired frequencies; none: not with
    /// twenty.
    pub visits_needed: Option<usize>,
    /// In words.
    pub sentence: String,
}

/// What the bench has learnt.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OffsetReport {
    /// The laboratory.
    pub laboratory_name: Option<String>,
    /// In words: what is there, or what to do where nothing is.
    pub sentence: String,
    /// One a kind of measurement; none before a laboratory has been visited.
    pub parts: Vec<OffsetPart>,
    /// What was assumed or left out.
    pub notes: Vec<String>,
}

/// The offset between the bench and a laboratory from paired runs: same sample, same state, same set-up.
pub fn offset(dir: &Path, laboratory: Option<&str>, on_stage: &mut OnStage<'_>) -> Result<OffsetReport, WorkError> {
    let project = Project::open(dir)?;
    let gathered = gathered(&project, on_stage)?;
    let named = laboratory.map(str::to_owned);
    gathered.offset.or_find(&named, || offset_now(dir, named.as_deref(), &gathered))
}

fn offset_now(dir: &Path, laboratory: Option<&str>, gathered: &Gathered) -> Result<OffsetReport, WorkError> {
    let own = project_budgets(dir)?;
    let mut notes = gathered.notes.clone();
    let runs = &gathered.runs;
    let laboratory = laboratory_of(runs, laboratory)?;
    let Some(laboratory) = laboratory else {
        let sentence = "No run is a laboratory's, so the bench has learnt nothing yet. Record a run of a sample that was measured \
                        on the bench too, in the same state, with `hushfield run … --laboratory NAME` (on the page: the laboratory's \
                        name beside the run): each such visit sharpens the chance of passing."
            .to_owned();
        return Ok(OffsetReport { laboratory_name: None, sentence, parts: Vec::new(), notes });
    };
    let all = groups(runs);
    let mut kinds: Vec<MeasurementKind> = Vec::new();
    for group in &all {
        for kind in (0..group.collected.frequency_hz.len()).filter_map(|i| group.kind(i)) {
            if !kinds.contains(&kind) {
                kinds.push(kind);
            }
        }
    }
    if kinds.is_empty() {
        return Err(no_runs("that can be judged"));
    }
    let mut assumed = Assumptions::default();
    let parts: Vec<OffsetPart> = kinds
        .into_iter()
        .map(|kind| {
            let (pairs, visits) = pairs_of(&all, &laboratory, kind);
            let published = kind.published();
            let middle = (published.from_hz * published.to_hz).sqrt();
            let stated =
                runs.iter().find(|r| r.laboratory().is_none() && (r.budget.is_some() || r.stated_db.is_some()));
            let bench = budget_for(&own, kind, BudgetPlace::Bench, stated, middle, &mut assumed);
            let formal = budget_for(&own, kind, BudgetPlace::Laboratory, None, middle, &mut assumed);
            let b = BenchAgainstLaboratory {
                bench: &bench,
                laboratory: &formal,
                repeatability: repeatability(&all, Some(kind)),
                pairs,
            };
            let grid: Vec<f64> = (0..=60)
                .map(|i| published.from_hz * (published.to_hz / published.from_hz).powf(f64::from(i) / 60.0))
                .collect();
            let left_out = if b.pairs.len() > 2 { b.left_out() } else { Vec::new() };
            let covered = (!left_out.is_empty())
                .then(|| left_out.iter().filter(|l| l.score().abs() < 2.0).count() as f64 / left_out.len() as f64);
            let at: Vec<f64> = if b.pairs.is_empty() {
                vec![middle]
            } else {
                b.pairs.iter().take(6).map(|p| p.frequency_hz).collect()
            };
            let visits_needed = b.visits_needed(&at);
            let offset = b.offset(&grid);
            let sentence = offset_sentence(&b, &at, visits.len(), visits_needed);
            OffsetPart {
                kind,
                title: kind.to_string(),
                visits,
                offset,
                left_out,
                covered,
                visits_needed,
                sentence,
                pairs: b.pairs,
            }
        })
        .collect();
    notes.extend(assumed.notes());
    let pairs: usize = parts.iter().map(|p| p.pairs.len()).sum();
    let sentence = if pairs == 0 {
        format!(
            "No run on the bench is paired with one at {laboratory}: a pair is the same sample, state, port, conductor, mode, position \
             and limits, read with the limit's own detector at both."
        )
    } else {
        let visits: usize = parts.iter().map(|p| p.visits.len()).sum();
        format!("{pairs} paired readings with {laboratory} from {visits} {}.", if visits == 1 { "run" } else { "runs" })
    };
    Ok(OffsetReport { laboratory_name: Some(laboratory), sentence, parts, notes })
}

fn offset_sentence(b: &BenchAgainstLaboratory<'_>, at: &[f64], visits: usize, needed: Option<usize>) -> String {
    let more = match needed {
        Some(0) => "That is enough: further visits would hardly sharpen an estimate.".to_owned(),
        Some(1) => "One more visit would be enough.".to_owned(),
        Some(n) => format!("{n} more visits would be enough."),
        None => {
            "Twenty more visits would not be enough to bring it to half of what single emissions deviate.".to_owned()
        }
    };
    let Some(o) = at.first().and_then(|f| b.offset(&[*f]).first().copied()) else { return more };
    if b.pairs.is_empty() {
        return format!(
            "No run on the bench is paired with one at the laboratory, so the offset is what the budgets allow: ± {:.1} dB at {}. {more}",
            2.0 * o.before_db,
            words::frequency(o.frequency_hz)
        );
    }
    format!(
        "{} pairs of {visits} {}: at {} the laboratory reads {:.1} dB {} than the bench, ± {:.1} dB (± {:.1} dB before any pair; \
         single emissions deviate by ± {:.1} dB beside it). {more}",
        b.pairs.len(),
        if visits == 1 { "visit" } else { "visits" },
        words::frequency(o.frequency_hz),
        o.offset_db.abs(),
        if o.offset_db < 0.0 { "lower" } else { "higher" },
        2.0 * o.standard_db,
        2.0 * o.before_db,
        2.0 * o.floor_db,
    )
}

/// A measurement worth making, for one part of the project.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextStep {
    /// Port by its id.
    pub port: Option<String>,
    /// Port and kind in words.
    pub part: String,
    /// The measurement and its worth.
    #[serde(flatten)]
    pub ranked: Ranked,
    /// Mains stands on the port.
    pub mains: bool,
}

/// What to measure next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextReport {
    /// The state.
    pub state: Option<String>,
    /// Best first.
    pub steps: Vec<NextStep>,
    /// In words.
    pub sentence: String,
    /// What was assumed or left out.
    pub notes: Vec<String>,
}

/// How long things take, minutes (assumptions for an ordinary bench; a visit to the laboratory without the way there).
const REPEAT_MIN: f64 = 15.0;
const DETECTOR_MIN: f64 = 5.0;
const VISIT_MIN: f64 = 240.0;

/// Ranks what could be measured next by the doubt on the verdict that it removes an hour.
pub fn next(dir: &Path, query: &ChanceQuery, on_stage: &mut OnStage<'_>) -> Result<NextReport, WorkError> {
    let project = Project::open(dir)?;
    let gathered = gathered(&project, on_stage)?;
    gathered.next.or_find(query, || next_now(&project, query, &gathered))
}

fn next_now(project: &Project, query: &ChanceQuery, gathered: &Gathered) -> Result<NextReport, WorkError> {
    let asked = asked(project.dir(), query, gathered)?;
    let chances: Vec<f64> =
        asked.parts.iter().map(|p| probability_of_passing(&p.situation(), &ChanceOptions::default())).collect();
    let mut steps = Vec::new();
    for (k, part) in asked.parts.iter().enumerate() {
        let title = format!("{}: {}", port_name(project, part.port.as_deref()), part.kind);
        let others = chances.iter().enumerate().filter(|(i, _)| *i != k).map(|(_, p)| p).product();
        let whole = Whole { chance: chances[k], others };
        for ranked in rank_within(&part.situation(), &candidates(part), whole, 1) {
            steps.push(NextStep {
                port: part.port.clone(),
                part: title.clone(),
                mains: is_mains(project, part.port.as_deref()),
                ranked,
            });
        }
    }
    steps.sort_by(|a, b| order(&a.ranked, &b.ranked));
    let probability: f64 = chances.iter().product();
    let least = (0..chances.len()).min_by(|&a, &b| chances[a].total_cmp(&chances[b]));
    let decides = least.filter(|_| chances.len() > 1).map(|k| {
        let part = &asked.parts[k];
        (format!("{}: {}", port_name(project, part.port.as_deref()), part.kind), chances[k])
    });
    let sentence = next_sentence(probability, decides, &steps);
    Ok(NextReport { state: asked.state, steps, sentence, notes: asked.notes })
}

/// The verdict of the whole, how sure it is and what would settle it.
fn next_sentence(probability: f64, decides: Option<(String, f64)>, steps: &[NextStep]) -> String {
    let doubt_now = probability.min(1.0 - probability);
    let verdict = if probability >= 0.5 { "a pass" } else { "a fail" };
    let right = 100.0 * (1.0 - doubt_now);
    let right = if right > 99.5 { "more than 99".to_owned() } else { format!("{right:.0}") };
    let mut said = format!("The likelier verdict, {verdict}, is {right} % likely to be right");
    if let Some((title, p)) = decides.filter(|_| probability < 0.995) {
        said.push_str(&format!(" (least likely to pass: {title}, {:.0} %)", 100.0 * p));
    }
    if doubt_now <= emission::next::SURE {
        return format!("{said}. No measurement is needed to settle it.");
    }
    let what =
        |s: &NextStep| format!("{} ({:.0} minutes, {})", s.ranked.candidate.title, s.ranked.candidate.minutes, s.part);
    let Some(first) = steps.first() else {
        return format!("{said}. Nothing that could be measured bears on it.");
    };
    let r = &first.ranked;
    if r.doubt_now - r.doubt_after >= 0.003 {
        return format!(
            "{said}. First: {}: the chance that it is wrong falls from {:.1} to {:.1} %.",
            what(first),
            100.0 * r.doubt_now,
            100.0 * r.doubt_after
        );
    }
    let most = steps.iter().max_by(|a, b| a.ranked.settles.total_cmp(&b.ranked.settles)).unwrap_or(first);
    let left = "what is left is mostly the laboratory's own uncertainty and how the product repeats itself";
    if most.ranked.settles < 0.1 {
        return format!("{said}. No single measurement on this bench would settle it: {left}. More margin would.");
    }
    let same = most.ranked.candidate == first.ranked.candidate && most.part == first.part;
    let settles = format!(
        "leaves at most {:.0} % doubt with a probability of {:.0} %",
        100.0 * emission::next::SURE,
        100.0 * most.ranked.settles
    );
    let best = if same {
        format!("What sharpens it most for its time, and most likely settles it: {}; it {settles}.", what(first))
    } else {
        format!(
            "What sharpens it most for its time: {}. What most likely settles it: {}; it {settles}.",
            what(first),
            what(most)
        )
    };
    format!("{said}. No single measurement is likely to turn it: {left}. {best}")
}

/// Repeating is worth its time at one position of each search: where what decides is highest.
fn repeats_of(part: &Part) -> Vec<Candidate> {
    let mut found: Vec<usize> = Vec::new();
    let mut nearest: Vec<&BenchEmission> = part.emissions.iter().collect();
    nearest.sort_by(|a, b| a.expected_db().total_cmp(&b.expected_db()));
    for e in nearest {
        if !found.iter().any(|s| part.searches[*s] == part.searches[e.set_up]) {
            found.push(e.set_up);
        }
    }
    found
        .into_iter()
        .map(|set_up| {
            let label = &part.set_ups[set_up];
            let positions = part.searches.iter().filter(|s| **s == part.searches[set_up]).count();
            let title = if positions > 1 {
                format!("Set up anew and repeat at the position where it is highest, of {positions}: {label}")
            } else {
                format!("Set up anew and repeat {label}")
            };
            Candidate { action: Action::Repeat { set_up }, title, minutes: REPEAT_MIN }
        })
        .collect()
}

fn candidates(part: &Part) -> Vec<Candidate> {
    let mut out = repeats_of(part);
    let mut near: Vec<&BenchEmission> = part.emissions.iter().filter(|e| e.stand_in.is_some()).collect();
    near.sort_by(|a, b| a.expected_db().total_cmp(&b.expected_db()));
    out.extend(near.into_iter().take(5).map(|e| Candidate {
        action: Action::Detector { frequency_hz: e.frequency_hz, set_up: e.set_up },
        title: format!("Measure {} with the limit's own detector, {}", words::frequency(e.frequency_hz), e.label),
        minutes: DETECTOR_MIN,
    }));
    let mut decisive: Vec<&BenchEmission> = part.emissions.iter().collect();
    decisive.sort_by(|a, b| a.expected_db().total_cmp(&b.expected_db()));
    out.push(Candidate {
        action: Action::LaboratoryPair { frequency_hz: decisive.iter().take(8).map(|e| e.frequency_hz).collect() },
        title: "Measure another sample or state at the laboratory and on the bench, as a pair".to_owned(),
        minutes: VISIT_MIN,
    });
    out.extend(part.bench.contributions.iter().filter_map(|c| {
        let (how, minutes) = (c.settled_by.as_ref()?, c.minutes?);
        let mut title = how.clone();
        title[..1].make_ascii_uppercase();
        Some(Candidate { action: Action::Settle { contribution: c.name.clone() }, title, minutes })
    }));
    out
}

/// Compares runs of a project before and after a change, with the repetition that all its runs show.
pub fn compare_runs(
    dir: &Path,
    before: &[String],
    after: &[String],
    detector: Option<Detector>,
    on_stage: &mut OnStage<'_>,
) -> Result<Comparison, WorkError> {
    let project = Project::open(dir)?;
    let mut traces = |ids: &[String]| -> Result<Vec<emission::Trace>, WorkError> {
        ids.iter().map(|id| Ok(evaluate_run(&project, project.run(id)?, on_stage)?.judged.trace)).collect()
    };
    let (b, a) = (traces(before)?, traces(after)?);
    let gathered = gathered(&project, on_stage)?;
    // Other set-ups' repetitions count too; those of the runs compared are found by the comparison itself.
    let (compared, others): (Vec<&ReadRun>, Vec<&ReadRun>) =
        gathered.runs.iter().partition(|r| before.contains(&r.run.record.id) || after.contains(&r.run.record.id));
    let kind = compared.first().and_then(|r| r.first_kind);
    let all = groups(others);
    let options =
        CompareOptions { other_repeats: repeats(&all, kind), prior: prior(kind), ..CompareOptions::default() };
    compare(&b.iter().collect::<Vec<_>>(), &a.iter().collect::<Vec<_>>(), detector, &options)
        .map_err(|e| WorkError::input("compare", e.to_string(), "runs of the same measurement"))
}
