//! What a project knows that bears on the chance of passing: its emission runs as set-ups with repetitions, its budgets.

use std::fs;
use std::path::Path;

use emission::ambient::{AmbientOptions, Mark};
use emission::chance::{Collected, Repeatability, RepeatabilityPrior, Repeats, RunReadings, collect};
use emission::{JudgeOptions, Trace, judge};
use project::{Project, Run, RunKind};
use standards::{Budget, BudgetPlace, Limit, MeasurementKind, Port, example_budgets, read_budgets};

use crate::evaluate::{KeptChoices, evaluate_run};
use crate::survey::{RunFilter, ambient_of_runs};
use crate::{GroupKind, OnStage, Stage, WorkError, WorkErrorKind};

/// An emission run as it is needed here: without its trace, which may be long.
pub(super) struct ReadRun {
    pub(super) run: Run,
    /// Kind of measurement at its first frequency that a limit covers.
    pub(super) first_kind: Option<MeasurementKind>,
    pub(super) limits: Vec<Limit>,
    pub(super) readings: RunReadings,
    /// Expanded uncertainty stated with the run, dB.
    pub(super) stated_db: Option<f64>,
    /// Budget kept with the run.
    pub(super) budget: Option<Budget>,
}

impl ReadRun {
    pub(super) fn laboratory(&self) -> Option<&str> {
        self.run.record.place.laboratory.as_deref()
    }

    /// The kind of measurement at a frequency: that of the first of its limits which covers it.
    pub(super) fn kind_at(&self, frequency_hz: f64) -> Option<MeasurementKind> {
        let covers = |l: &&Limit| l.at(frequency_hz).is_some();
        self.limits.iter().find(covers).and_then(|l| MeasurementKind::usual(l, frequency_hz))
    }

    fn with_first_kind(mut self, trace: &Trace) -> Self {
        self.first_kind = trace.frequency_hz.iter().find_map(|f| self.kind_at(*f));
        self
    }

    /// What has to be the same for a run to be the repetition of another at the same place, state and sample aside.
    pub(super) fn set_up(&self) -> String {
        let r = &self.run.record;
        let p = &r.place;
        let number = |x: Option<f64>| x.map_or_else(String::new, |x| format!("{x}"));
        [
            r.port.clone().unwrap_or_default(),
            r.conductor.clone().unwrap_or_default(),
            r.mode.clone().unwrap_or_default(),
            number(p.azimuth_deg),
            number(p.height_m),
            p.polarisation.map_or_else(String::new, |p| p.name().to_owned()),
            number(p.distance_m),
            r.limits.join("+"),
        ]
        .join("|")
    }

    /// The same without angle, height and polarisation: positions among which the laboratory looks for the highest.
    pub(super) fn search(&self) -> String {
        let r = &self.run.record;
        let distance = r.place.distance_m.map_or_else(String::new, |d| d.to_string());
        [r.conductor.clone().unwrap_or_default(), r.mode.clone().unwrap_or_default(), distance].join("|")
    }

    /// State and sample.
    pub(super) fn product(&self) -> (Option<&str>, Option<&str>) {
        (self.run.record.state.as_deref(), self.run.record.sample.as_deref())
    }

    /// Port, conductor, mode and place in words.
    pub(super) fn label(&self) -> String {
        let r = &self.run.record;
        let mut place = r.place.clone();
        place.laboratory = None;
        let words = [
            r.port.clone().unwrap_or_default(),
            r.conductor.clone().unwrap_or_default(),
            r.mode.clone().unwrap_or_default(),
            place.words(),
        ];
        let said: Vec<String> = words.into_iter().filter(|w| !w.is_empty()).collect();
        if said.is_empty() { r.id.clone() } else { said.join(", ") }
    }
}

/// Emissions far from the limit count too: they say how the product's emissions spread.
fn wide() -> JudgeOptions {
    JudgeOptions { within_db: 60.0, max_suspects: 3000, allow_partial: true, ..JudgeOptions::default() }
}

/// Reads every emission run of a project that can be judged, oldest first. What cannot be used is noted.
pub(super) fn read_runs(
    project: &Project,
    notes: &mut Vec<String>,
    on_stage: &mut OnStage<'_>,
) -> Result<Vec<ReadRun>, WorkError> {
    let emission = [RunKind::ConductedEmission, RunKind::RadiatedEmission, RunKind::DisturbancePower];
    let runs: Vec<Run> = project
        .runs()?
        .into_iter()
        .filter(|r| r.withdrawn.is_none() && emission.contains(&r.record.kind))
        .filter(|r| !r.record.place.product_off && !r.record.captures.is_empty())
        .collect();
    let all = runs.len();
    let mut out = Vec::with_capacity(all);
    for (i, run) in runs.into_iter().enumerate() {
        let fraction = Some(i as f64 / all.max(1) as f64);
        if on_stage(&Stage { what: "reading the runs", fraction }).is_break() {
            return Err(WorkError::Cancelled);
        }
        let id = run.record.id.clone();
        if run.record.limits.is_empty() {
            notes.push(format!("{id} was left out: it names no limit."));
            continue;
        }
        let kept = run.record.captures.first().map(|c| KeptChoices::of(&id, &c.choices)).transpose()?;
        let judging = kept.map(|k| k.judging).unwrap_or_default();
        let evaluation = evaluate_run(project, run, &mut |_| std::ops::ControlFlow::Continue(()))?;
        if let Some(why) = evaluation.problem {
            notes.push(format!("{id} was left out: {why}."));
            continue;
        }
        let (trace, limits) = (evaluation.judged.trace, evaluation.judged.limits);
        let options = JudgeOptions { assume_detector: judging.assume_detector, ..wide() };
        let verdict = judge(&trace, &limits.iter().collect::<Vec<_>>(), &options)?;
        let readings = RunReadings::of(&trace, &verdict);
        let read = ReadRun {
            run: evaluation.run,
            first_kind: None,
            limits,
            readings,
            stated_db: judging.uncertainty_db,
            budget: judging.budget,
        };
        out.push(read.with_first_kind(&trace));
    }
    leave_ambient_out(project, &mut out, notes, on_stage)?;
    out.sort_by_key(|r| r.run.record.measured_at);
    Ok(out)
}

/// Emissions on an open bench that repeated runs with the product off show to be the surroundings' say nothing of the product.
fn leave_ambient_out(
    project: &Project,
    read: &mut [ReadRun],
    notes: &mut Vec<String>,
    on_stage: &mut OnStage<'_>,
) -> Result<(), WorkError> {
    let runs = project.runs()?;
    for group in crate::run_groups(&runs) {
        let ids: Vec<String> = group.members.iter().map(|i| runs[*i].id().to_owned()).collect();
        if group.kind != GroupKind::OffAndOn {
            continue;
        }
        let filter = RunFilter { runs: ids, ..RunFilter::default() };
        let found = match ambient_of_runs(project.dir(), &filter, &[], &AmbientOptions::default(), on_stage) {
            Ok(found) => found,
            // Sweeps that do not go together leave everything as it was read.
            Err(e) if e.kind() == WorkErrorKind::Input => {
                notes.push(format!("{}: the surroundings could not be told from the product ({e}).", group.title));
                continue;
            }
            Err(e) => return Err(e),
        };
        let stretches: Vec<(f64, f64)> = found
            .ambient
            .suspects
            .iter()
            .filter(|s| s.marking.mark == Mark::Ambient)
            .map(|s| (s.from_hz, s.to_hz))
            .collect();
        let mut left_out = 0;
        for r in read.iter_mut().filter(|r| found.on.contains(&r.run.record.id)) {
            left_out = left_out.max(r.readings.leave_out(&stretches));
        }
        if left_out > 0 {
            notes.push(format!(
                "{left_out} {} of {} to {} {} marked ambient and not reckoned with; what is undecided is.",
                if left_out == 1 { "emission" } else { "emissions" },
                found.on.first().map_or("", String::as_str),
                found.on.last().map_or("", String::as_str),
                if left_out == 1 { "is" } else { "are" }
            ));
        }
    }
    Ok(())
}

/// Runs that repeat one another: same product, same set-up, same place.
pub(super) struct Group<'a> {
    pub(super) runs: Vec<&'a ReadRun>,
    pub(super) collected: Collected,
}

impl<'a> Group<'a> {
    pub(super) fn first(&self) -> &'a ReadRun {
        self.runs[0]
    }

    pub(super) fn kind(&self, emission: usize) -> Option<MeasurementKind> {
        self.first().kind_at(self.collected.frequency_hz[emission])
    }

    /// Mean margin of an emission over the runs that have it, and how many do.
    pub(super) fn mean(&self, emission: usize) -> Option<(f64, usize)> {
        let values: Vec<f64> = self.collected.margins.iter().map(|r| r[emission]).filter(|m| m.is_finite()).collect();
        let n = values.len();
        (n > 0).then(|| (values.iter().sum::<f64>() / n as f64, n))
    }
}

/// Groups runs; those at a laboratory by its name, those on the bench together.
pub(super) fn groups<'a>(runs: impl IntoIterator<Item = &'a ReadRun>) -> Vec<Group<'a>> {
    let key = |r: &ReadRun| {
        let (state, sample) = r.product();
        (r.set_up(), state.map(str::to_owned), sample.map(str::to_owned), r.laboratory().map(str::to_owned))
    };
    let mut found: Vec<(_, Vec<&ReadRun>)> = Vec::new();
    for run in runs {
        let k = key(run);
        match found.iter_mut().find(|f| f.0 == k) {
            Some(f) => f.1.push(run),
            None => found.push((k, vec![run])),
        }
    }
    found
        .into_iter()
        .map(|(_, runs)| {
            let readings: Vec<&RunReadings> = runs.iter().map(|r| &r.readings).collect();
            Group { collected: collect(&readings), runs }
        })
        .collect()
}

/// Emissions of a group that its repetitions are judged by: the nearest to the limit.
const REPEATED_EMISSIONS: usize = 30;

/// Tables of repeated readings on the bench for one kind of measurement.
pub(super) fn repeats(groups: &[Group<'_>], kind: Option<MeasurementKind>) -> Vec<Repeats> {
    groups
        .iter()
        .filter(|g| g.runs.len() > 1 && g.first().laboratory().is_none())
        .map(|g| {
            let of_kind: Vec<usize> = (0..g.collected.frequency_hz.len())
                .filter(|&i| kind.is_none() || g.kind(i) == kind)
                .take(REPEATED_EMISSIONS)
                .collect();
            g.collected.margins.iter().map(|r| of_kind.iter().map(|&i| r[i]).collect()).collect()
        })
        .filter(|t: &Repeats| t.first().is_some_and(|r| !r.is_empty()))
        .collect()
}

/// The repeatability of the bench for one kind of measurement.
pub(super) fn repeatability(groups: &[Group<'_>], kind: Option<MeasurementKind>) -> Repeatability {
    Repeatability::learn(&repeats(groups, kind), prior(kind))
}

/// What is assumed of repetition beforehand: fields repeat worse than voltages (an assumption).
pub(super) fn prior(kind: Option<MeasurementKind>) -> RepeatabilityPrior {
    let field = [
        MeasurementKind::FieldOpenSite,
        MeasurementKind::FieldAnechoic,
        MeasurementKind::FieldGigahertz,
        MeasurementKind::FieldHighGigahertz,
    ];
    match kind {
        Some(k) if field.contains(&k) => {
            RepeatabilityPrior { run_db: 1.0, own_db: 1.5, ..RepeatabilityPrior::default() }
        }
        _ => RepeatabilityPrior::default(),
    }
}

/// A budget with where it was found.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct FoundBudget {
    /// The budget.
    pub budget: Budget,
    /// File in the project's `budgets/`, or `built in`.
    pub origin: String,
}

/// The budgets of a project's `budgets/` folder, in the order of its files; none where there is no such folder.
pub fn project_budgets(dir: &Path) -> Result<Vec<FoundBudget>, WorkError> {
    let folder = dir.join("budgets");
    if !folder.is_dir() {
        return Ok(Vec::new());
    }
    let listed = fs::read_dir(&folder).map_err(|e| WorkError::io(&folder, "list the folder", &e))?;
    let mut paths: Vec<_> = listed
        .filter_map(|entry| entry.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "toml"))
        .collect();
    paths.sort();
    let mut out: Vec<FoundBudget> = Vec::new();
    for path in paths {
        for found in read_budget_file(&path)? {
            if let Some(other) = out.iter().find(|o| o.budget.id == found.budget.id) {
                return Err(WorkError::input(
                    path.display().to_string(),
                    format!("budget `{}` stands in {} too", found.budget.id, other.origin),
                    "an id that no other budget of the project has",
                ));
            }
            out.push(found);
        }
    }
    Ok(out)
}

/// The budgets of one file.
pub fn read_budget_file(path: &Path) -> Result<Vec<FoundBudget>, WorkError> {
    let text = fs::read_to_string(path).map_err(|e| WorkError::io(path, "read the budget", &e))?;
    let place = path.display().to_string();
    let budgets = read_budgets(&text, &place).map_err(|e| WorkError::input(e.place, e.what, e.expected))?;
    Ok(budgets.into_iter().map(|budget| FoundBudget { budget, origin: place.clone() }).collect())
}

/// The built-in examples.
pub fn built_in_budgets() -> Vec<FoundBudget> {
    example_budgets().iter().map(|b| FoundBudget { budget: b.clone(), origin: "built in".to_owned() }).collect()
}

/// The kind whose example has the make-up of this one's, where there is none of its own.
fn like(kind: MeasurementKind) -> MeasurementKind {
    match kind {
        MeasurementKind::VoltageProbe
        | MeasurementKind::AsymmetricNetwork
        | MeasurementKind::CapacitiveVoltageProbe => MeasurementKind::MainsNetwork,
        MeasurementKind::FieldAnechoic => MeasurementKind::FieldOpenSite,
        MeasurementKind::FieldHighGigahertz => MeasurementKind::FieldGigahertz,
        other => other,
    }
}

fn scaled_to(example: &Budget, expanded_db: f64, frequency_hz: f64, kind: MeasurementKind, title: String) -> Budget {
    let published = example.kind.published();
    let at = frequency_hz.clamp(published.from_hz, published.to_hz);
    let now = 2.0 * example.standard_at(at).unwrap_or(0.5 * expanded_db);
    // Tables of an example that another kind borrows must reach that kind's frequencies.
    let mut out = example.scaled(expanded_db / now);
    let wanted = kind.published();
    for c in &mut out.contributions {
        if let Some(table) = &mut c.table_hz_db {
            if let Some(first) = table.first_mut() {
                first.0 = first.0.min(wanted.from_hz);
            }
            if let Some(last) = table.last_mut() {
                last.0 = last.0.max(wanted.to_hz);
            }
        }
    }
    Budget { kind, title, ..out }
}

/// Budgets that something stands in for: said once for all kinds of measurement.
#[derive(Debug, Default)]
pub(super) struct Assumptions {
    laboratory: Vec<(MeasurementKind, f64)>,
    stated: Vec<(MeasurementKind, f64)>,
    example: Vec<(MeasurementKind, String)>,
    published: Vec<(MeasurementKind, f64)>,
}

/// Adds what is not there yet.
fn once<T: PartialEq>(list: &mut Vec<(MeasurementKind, T)>, kind: MeasurementKind, what: T) {
    if !list.iter().any(|(k, w)| *k == kind && *w == what) {
        list.push((kind, what));
    }
}

impl Assumptions {
    /// One line for each thing assumed, with what to do about it.
    pub(super) fn notes(&self) -> Vec<String> {
        fn each<T>(list: &[(MeasurementKind, T)], say: impl Fn(&T) -> String) -> Option<String> {
            let said: Vec<String> = list.iter().map(|(kind, what)| format!("{kind}: {}", say(what))).collect();
            (!said.is_empty()).then(|| said.join("; "))
        }
        let decibels = |u: &f64| format!("{u:.1} dB");
        [
            each(&self.example, |id| format!("`{id}`")).map(|list| {
                format!(
                    "Your bench has no budget; built-in examples stand for it ({list}). Copy them into budgets/ and put your \
                     figures in."
                )
            }),
            each(&self.stated, decibels).map(|list| {
                format!(
                    "Your bench has no budget; the uncertainty stated with its runs is spread as in the built-in example \
                     ({list}). Write a budget into budgets/ to say what it is made of."
                )
            }),
            each(&self.published, decibels).map(|list| {
                format!("Your bench has no budget; 1.4 times U_cispr is assumed ({list}). State yours.")
            }),
            each(&self.laboratory, decibels).map(|list| {
                format!(
                    "The laboratory has no budget; one of the usual make-up with U = U_cispr stands for it ({list}). Ask for \
                     its U and write it into budgets/ with place = \"laboratory\"."
                )
            }),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

/// The budget to reckon with at one of the two places: that kept with the run, the project's own, or what stands for it.
pub(super) fn budget_for(
    own: &[FoundBudget],
    kind: MeasurementKind,
    place: BudgetPlace,
    run: Option<&ReadRun>,
    frequency_hz: f64,
    assumed: &mut Assumptions,
) -> Budget {
    if let Some(kept) = run.and_then(|r| r.budget.as_ref()).filter(|b| b.kind == kind) {
        return kept.clone();
    }
    let stated_db = run.and_then(|r| r.stated_db);
    if let Some(found) = own.iter().find(|f| f.budget.kind == kind && f.budget.place == place) {
        return found.budget.clone();
    }
    let examples = example_budgets();
    let example = |place: BudgetPlace| examples.iter().find(|b| b.kind == like(kind) && b.place == place);
    let laboratory = example(BudgetPlace::Laboratory).unwrap_or(&examples[0]);
    let u_cispr_db = kind.published().u_cispr_db;
    match (place, stated_db, example(BudgetPlace::Bench)) {
        (BudgetPlace::Laboratory, _, _) => {
            once(&mut assumed.laboratory, kind, u_cispr_db);
            scaled_to(laboratory, u_cispr_db, frequency_hz, kind, format!("{kind}, assumed"))
        }
        (BudgetPlace::Bench, Some(u), _) => {
            once(&mut assumed.stated, kind, u);
            scaled_to(laboratory, u, frequency_hz, kind, format!("{kind}, as stated"))
        }
        (BudgetPlace::Bench, None, Some(bench)) => {
            once(&mut assumed.example, kind, bench.id.clone());
            bench.clone()
        }
        (BudgetPlace::Bench, None, None) => {
            let u = 1.4 * u_cispr_db;
            once(&mut assumed.published, kind, u);
            scaled_to(laboratory, u, frequency_hz, kind, format!("{kind}, assumed"))
        }
    }
}

/// A port's name as the plan writes it, for people.
pub(super) fn port_name(project: &Project, id: Option<&str>) -> String {
    let Some(id) = id else { return "no port named".to_owned() };
    project
        .product()
        .ok()
        .and_then(|p| p.product.ports.iter().find(|p| p.id == id).map(|p| p.name.clone()))
        .unwrap_or_else(|| id.to_owned())
}

/// Whether mains stands on the port: the caution belongs where the next measurement is proposed.
pub(super) fn is_mains(project: &Project, id: Option<&str>) -> bool {
    let product = project.product().ok();
    product.is_some_and(|p| p.product.ports.iter().any(|p| Some(p.id.as_str()) == id && p.kind == Port::AcMains))
}
