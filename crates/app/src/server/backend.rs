//! Between the server's types and the workbench: opens the project for each request, asks, and puts the answer in words
//! and plain numbers. Nothing is kept between requests but the folder's path, so the page always shows what is on disk.

use std::collections::HashMap;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use emission::{Correction, Decision, SuspectLimit, Verdict};
use formats::capture::{CaptureChoices, CaptureError, CaptureFormat, CaptureInfo};
use formats::sweep::{SweepChoices, SweepError, SweepReading};
use project::{Polarisation, Project, ProjectError, Subject};
use serde_json::{Map, Value};
use workbench::{
    Evaluation, RawKind, ReadingChoices, ReceiveChoices, RunRequest, Stage, Understanding, WorkError, WorkErrorKind,
};

use super::types::{
    Answer, ChainElement, ChainSummary, Choices, Fact, Finding, Gap, Limit, LimitResult, MeasureRequest, Overview,
    Point, Port, Problem, Question, Run, RunSummary, State, Suspect, TraceColumn, TraceInfo,
};

/// Why a request is not answered.
#[derive(Debug)]
pub(super) enum Fault {
    /// It asks for what is not there.
    Missing(Problem),
    /// Something given is at fault.
    Input(Problem),
    /// We are.
    Ours(Problem),
}

/// Why a measurement did not come to its end.
#[derive(Debug)]
pub(super) enum Stopped {
    /// On request.
    Cancelled,
    /// It could not.
    Fault(Fault),
}

/// What is known of a file that is not in the project yet.
#[derive(Debug, Default)]
pub(super) struct Reading {
    pub(super) kind: String,
    pub(super) facts: Vec<Fact>,
    pub(super) questions: Vec<Question>,
    pub(super) problem: Option<Problem>,
}

/// A project by its folder.
#[derive(Debug, Clone)]
pub(super) struct Backend {
    dir: PathBuf,
}

/// Told of the share done and of what is being done.
pub(super) type Tell<'a> = dyn FnMut(Option<f64>, &str) -> ControlFlow<()> + 'a;

/// An error's sentence, cut where it says what was expected; the messages of all rooms end that way.
fn problem(error: &dyn std::fmt::Display, place: &str) -> Problem {
    let text = error.to_string();
    let (found, expected) = match text.rsplit_once("expected") {
        Some((found, expected)) => {
            (found.trim_end_matches([' ', ':', ';', ',', '(']), expected.trim_start_matches([':', ' ']))
        }
        None => (text.as_str(), ""),
    };
    let (place, what) = match found.split_once(": ") {
        Some((before, after)) if !before.contains('\n') && before.len() < 200 => (before, after),
        _ => (place, found),
    };
    Problem { what: what.to_owned(), place: place.to_owned(), expected: expected.to_owned() }
}

impl From<WorkError> for Fault {
    fn from(error: WorkError) -> Self {
        if let WorkError::Project(ProjectError::Unknown { what, id, known }) = &error {
            return Self::Missing(Problem {
                what: format!("there is no {what} `{id}`"),
                place: "project".into(),
                expected: format!("one of: {known}"),
            });
        }
        let said = problem(&error, "project");
        match error.kind() {
            WorkErrorKind::Ours => Self::Ours(said),
            WorkErrorKind::Input | WorkErrorKind::Cancelled => Self::Input(said),
        }
    }
}

impl From<ProjectError> for Fault {
    fn from(error: ProjectError) -> Self {
        WorkError::from(error).into()
    }
}

fn fact(name: &str, value: impl Into<String>) -> Fact {
    Fact { name: name.into(), value: value.into() }
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

/// The name serde gives a unit variant, for the keys that go over the wire.
fn key(value: impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

fn frequency(hz: f64) -> String {
    let (scaled, unit) = match hz.abs() {
        f if f >= 1e9 => (hz / 1e9, "GHz"),
        f if f >= 1e6 => (hz / 1e6, "MHz"),
        f if f >= 1e3 => (hz / 1e3, "kHz"),
        _ => (hz, "Hz"),
    };
    let text = format!("{scaled:.4}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

fn correction(correction: &Correction) -> String {
    match correction {
        Correction::ConstantDb(db) => format!("{db:+.1} dB"),
        Correction::TableDb(table) => {
            let values = table.points().iter().map(|p| p.1);
            let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
            let (from, to) = table.range_hz();
            format!("{low:+.1} to {high:+.1} dB, {} to {}", frequency(from), frequency(to))
        }
    }
}

fn state_of(decision: Decision) -> State {
    match decision {
        Decision::Pass => State::Pass,
        Decision::Fail => State::Fail,
        Decision::Inconclusive => State::Inconclusive,
    }
}

/// The verdict as the ledger keeps it.
fn summary(project: &Project, run: &project::Run) -> RunSummary {
    let record = &run.record;
    let kept = run.result().map(|r| &r.summary);
    let number = |name: &str| kept.and_then(|s| s.get(name)).and_then(Value::as_f64);
    let word = |name: &str| kept.and_then(|s| s.get(name)).and_then(Value::as_str);
    let mut state = match word("decision") {
        Some("pass") => State::Pass,
        Some("fail") => State::Fail,
        Some(_) => State::Inconclusive,
        None => State::Untested,
    };
    let mut sentence = word("sentence").unwrap_or("No result is recorded.").to_owned();
    if let Some(withdrawn) = &run.withdrawn {
        state = State::Untested;
        sentence = format!("Withdrawn: {}", withdrawn.reason);
    }
    let file = record
        .captures
        .first()
        .map(|c| project.capture(&c.capture).map_or_else(|_| c.capture.clone(), |kept| kept.file.original_name))
        .unwrap_or_default();
    let log = project.log(run.id()).ok().flatten();
    if let Some(log) = log.as_ref().filter(|_| kept.is_none() && run.withdrawn.is_none()) {
        sentence = format!("Being logged: {}", log.record().sentence);
    }
    RunSummary {
        id: record.id.clone(),
        logged: log.is_some(),
        mains: workbench::mains_run::is_mains_run(run),
        title: record.title.clone(),
        when: record.measured_at.to_string(),
        port: record.port.clone().unwrap_or_default(),
        file,
        state,
        sentence,
        probability: number("probability"),
        margin_db: number("worst_margin_db"),
        frequency_hz: number("worst_frequency_hz"),
        product_off: record.place.product_off,
        group: None,
        group_kind: None,
        group_first: None,
    }
}

/// Of the runs at one port those that decide, worst first, and after them those that were measured again since. A run is
/// superseded by a later one on the same conductor, or at the same place, against the same limits.
fn deciding(project: &Project, runs: &[project::Run], port: &str) -> (State, String, Vec<RunSummary>) {
    let mut latest: HashMap<(project::RunKind, String, Vec<String>), usize> = HashMap::new();
    let here: Vec<(usize, &project::Run)> = runs
        .iter()
        .enumerate()
        .filter(|(_, r)| {
            // With the product off, nothing is said of it.
            let log = project.log(r.id()).ok().flatten();
            let here =
                r.record.port.as_deref() == Some(port) || log.is_some_and(|l| l.sheet.ports.iter().any(|p| p == port));
            r.withdrawn.is_none() && here && !r.record.place.product_off
        })
        .collect();
    for (i, run) in &here {
        let mut limits = run.record.limits.clone();
        limits.sort();
        let place = format!("{} {}", run.record.conductor.as_deref().unwrap_or_default(), run.record.place.words());
        latest.insert((run.record.kind, place, limits), *i);
    }
    let (mut now, mut before) = (Vec::new(), Vec::new());
    for (i, run) in here.iter().rev() {
        let s = summary(project, run);
        if latest.values().any(|l| l == i) { now.push(s) } else { before.push(s) }
    }
    let weight = |s: &RunSummary| match s.state {
        State::Fail => 0,
        State::Inconclusive => 1,
        State::Untested => 2,
        State::Pass => 3,
    };
    let margin = |s: &RunSummary| s.margin_db.unwrap_or(f64::INFINITY);
    now.sort_by(|a, b| weight(a).cmp(&weight(b)).then(margin(a).total_cmp(&margin(b))));
    let (state, sentence) = now
        .first()
        .map_or((State::Untested, "Nothing measured yet.".to_owned()), |worst| (worst.state, worst.sentence.clone()));
    now.extend(before);
    (state, sentence, now)
}

fn findings(found: Vec<project::Finding>) -> Vec<Finding> {
    found
        .into_iter()
        .map(|f| Finding { run_id: if let Subject::Run(id) = f.subject { Some(id) } else { None }, sentence: f.what })
        .collect()
}

fn limit(l: &standards::Limit) -> Limit {
    Limit {
        id: l.id.clone(),
        title: l.title.clone(),
        standard: l.standard.clone(),
        table: l.table.clone(),
        class: l.class.clone(),
        port: key(l.port),
        detector: l.detector.key().to_owned(),
        unit: l.unit.symbol().to_owned(),
        distance_m: l.distance_m,
        source: l.source.clone(),
        known: key(l.known),
        note: l.note.clone(),
        points: l.level.points().iter().map(|&(frequency_hz, level_db)| Point { frequency_hz, level_db }).collect(),
    }
}

fn results(verdict: &Verdict) -> Vec<LimitResult> {
    verdict
        .limits
        .iter()
        .map(|r| {
            let used: Vec<&str> = r.detector_used.iter().map(|d| d.name()).collect();
            let read =
                if used.is_empty() { "no reading".to_owned() } else { format!("{} readings", used.join(" and ")) };
            let end = match r.decision {
                Decision::Pass => "they stay below it",
                Decision::Fail => "they go above it",
                Decision::Inconclusive => "they do not settle it",
            };
            LimitResult {
                limit_id: r.limit_id.clone(),
                detector_used: used.join(", "),
                conclusive: r.conclusive,
                margin_db: finite(r.worst_margin_db),
                frequency_hz: finite(r.worst_frequency_hz),
                sentence: format!(
                    "A limit for the {} detector, held against {read} at {} frequencies: {end}.",
                    r.detector, r.points
                ),
            }
        })
        .collect()
}

fn suspects(verdict: &Verdict) -> Vec<Suspect> {
    verdict
        .suspects
        .iter()
        .enumerate()
        .filter_map(|(i, s)| {
            let worst: &SuspectLimit = s.limits.iter().min_by(|a, b| a.margin_db.total_cmp(&b.margin_db))?;
            let level = s.levels.iter().find(|l| l.detector == worst.detector_used)?;
            let mut note = s.remark.clone().unwrap_or_default();
            if s.broadband && !note.to_lowercase().contains("broad") {
                let range = format!("broad: {} to {}", frequency(s.from_hz), frequency(s.to_hz));
                note = if note.is_empty() { range } else { format!("{note}; {range}") };
            }
            Some(Suspect {
                rank: i as u32 + 1,
                frequency_hz: s.frequency_hz,
                level_db: level.level_db,
                detector: level.detector.key().to_owned(),
                limit_id: worst.limit_id.clone(),
                limit_db: worst.limit_db,
                margin_db: worst.margin_db,
                conclusive: worst.decision != Decision::Inconclusive,
                note,
            })
        })
        .collect()
}

impl Backend {
    pub(super) fn new(dir: PathBuf) -> Self {
        Self { dir }
    }

    pub(super) fn dir(&self) -> PathBuf {
        self.dir.clone()
    }

    fn open(&self) -> Result<Project, Fault> {
        Ok(Project::open(&self.dir)?)
    }

    pub(super) fn revision(&self) -> Result<u64, Fault> {
        Ok(self.open()?.revision()?)
    }

    pub(super) fn overview(&self) -> Result<Overview, Fault> {
        let project = self.open()?;
        let reading = project.product()?;
        let product = reading.product;
        let runs = project.runs()?;
        let ports = product
            .ports
            .iter()
            .map(|p| {
                let (state, sentence, runs) = deciding(&project, &runs, &p.id);
                let mut cable: Vec<String> = p.cable_type.iter().cloned().collect();
                match p.screened {
                    Some(true) => cable.push("screened".into()),
                    Some(false) => cable.push("not screened".into()),
                    None => {}
                }
                if let Some(end) = &p.leads_to {
                    cable.push(format!("to {end}"));
                }
                Port {
                    id: p.id.clone(),
                    name: if p.name.is_empty() { p.id.clone() } else { p.name.clone() },
                    kind: key(p.kind),
                    cable: (!cable.is_empty()).then(|| cable.join(", ")),
                    cable_length_m: p.cable_length_m,
                    state,
                    sentence,
                    runs,
                }
            })
            .collect();
        let mut facts = Vec::new();
        if !product.model.is_empty() {
            facts.push(fact("Model", &product.model));
        }
        if let Some(s) = &product.supply {
            let current = s.current_a.map_or_else(String::new, |a| format!(", {a} A"));
            facts.push(fact("Supply", format!("{} V, {} Hz{current}", s.voltage_v, s.frequency_hz)));
        }
        if let Some(f) = product.highest_internal_frequency_hz {
            facts.push(fact("Highest internal frequency", frequency(f)));
        }
        if !product.markets.is_empty() {
            facts.push(fact("Markets", product.markets.join(", ")));
        }
        let mut found = findings(project.glance()?);
        found.extend(reading.warnings.into_iter().map(|w| Finding {
            run_id: None,
            sentence: format!("{}, line {}, {}: {}; expected {}.", w.file, w.line, w.field, w.what, w.expected),
        }));
        Ok(Overview {
            product: product.name,
            description: product.description,
            facts,
            ports,
            modes: product.modes,
            samples: project.samples()?.into_iter().map(|s| s.sample.id).collect(),
            states: project
                .states()?
                .into_iter()
                .map(|s| Fact { name: s.state.id, value: s.state.description })
                .collect(),
            equipment: project
                .equipment()?
                .into_iter()
                .map(|e| Fact { name: e.equipment.id, value: e.equipment.name })
                .collect(),
            findings: found,
            revision: project.revision()?,
            tool_version: workbench::VERSION.to_owned(),
        })
    }

    pub(super) fn runs(&self) -> Result<Vec<RunSummary>, Fault> {
        let project = self.open()?;
        let runs = project.runs()?;
        let mut out: Vec<RunSummary> = runs.iter().map(|r| summary(&project, r)).collect();
        for group in workbench::run_groups(&runs) {
            let first = group.members.first().map(|i| out[*i].id.clone());
            for i in group.members {
                out[i].group = Some(group.title.clone());
                let kind = match group.kind {
                    workbench::GroupKind::Survey => "survey",
                    workbench::GroupKind::OffAndOn => "off_and_on",
                };
                out[i].group_kind = Some(kind.to_owned());
                out[i].group_first.clone_from(&first);
            }
        }
        out.reverse();
        Ok(out)
    }

    fn evaluate(&self, id: &str) -> Result<Evaluation, WorkError> {
        workbench::evaluate(&self.dir, id, &mut |_: &Stage| ControlFlow::Continue(()))
    }

    pub(super) fn run(&self, id: &str) -> Result<Run, Fault> {
        let project = self.open()?;
        let kept = project.run(id)?;
        let record = &kept.record;
        let mut found = findings(project.check_run(id)?);
        let day = record.measured_at.strftime("%Y-%m-%d").to_string();
        let equipment = project.equipment()?;
        let mut facts = Vec::new();
        let mut said = |name: &str, value: &Option<String>| {
            if let Some(v) = value.as_ref().filter(|v| !v.is_empty()) {
                facts.push(fact(name, v));
            }
        };
        said("Sample", &record.sample);
        said("Modification", &record.state);
        said("Operating mode", &record.mode);
        said("Conductor", &record.conductor);
        said("Set-up", &Some(record.setup.clone()));
        said("Notes", &Some(record.notes.clone()));
        for id in &record.equipment {
            let Some(e) = equipment.iter().find(|e| e.id() == id) else {
                facts.push(fact("Equipment", id));
                continue;
            };
            let held = day.parse().ok().and_then(|d| e.calibration_on(d));
            let mut words = vec![e.equipment.name.clone()];
            words.extend(held.and_then(|c| c.calibrated).map(|d| format!("calibrated {d}")));
            words.extend(held.and_then(|c| c.due).map(|d| format!("due {d}")));
            facts.push(fact("Equipment", words.join(", ")));
        }
        facts.push(fact("Recorded by", &kept.added_by));
        let hash = record
            .captures
            .first()
            .and_then(|c| project.capture(&c.capture).ok())
            .map(|c| c.file.blake3)
            .unwrap_or_default();
        let mut run = Run {
            summary: summary(&project, &kept),
            results: Vec::new(),
            limits: Vec::new(),
            suspects: Vec::new(),
            trace: TraceInfo {
                unit: String::new(),
                points: 0,
                from_hz: 0.0,
                to_hz: 0.0,
                bandwidth_hz: None,
                columns: Vec::new(),
                history: Vec::new(),
            },
            chain_name: String::new(),
            chain: Vec::new(),
            gaps: Vec::new(),
            findings: Vec::new(),
            notes: kept.remarks.iter().map(|(at, who, text)| format!("{at}, {who}: {text}")).collect(),
            uncertainty: String::new(),
            facts,
            hash,
        };
        if workbench::mains_run::is_mains_run(&kept) || run.summary.logged {
            run.findings = found;
            return Ok(run);
        }
        match self.evaluate(id) {
            Err(error) => found.push(Finding {
                run_id: Some(id.to_owned()),
                sentence: format!("The levels could not be computed again from the raw file: {error}."),
            }),
            Ok(evaluation) => fill(&mut run, &mut found, &evaluation, &day),
        }
        run.findings = found;
        Ok(run)
    }

    /// Frequencies and the levels of every column.
    pub(super) fn levels(&self, id: &str) -> Result<(Vec<f64>, Vec<Vec<f64>>), Fault> {
        let trace = self.evaluate(id)?.judged.trace;
        Ok((trace.frequency_hz, trace.columns.into_iter().map(|c| c.level_db).collect()))
    }

    pub(super) fn trace_csv(&self, id: &str) -> Result<String, Fault> {
        let trace = self.evaluate(id)?.judged.trace;
        formats::trace_file::trace_to_csv(&trace).map_err(|what| Fault::Input(problem(&what, &format!("run {id}"))))
    }

    pub(super) fn limits(&self) -> Result<Vec<Limit>, Fault> {
        Ok(self.open()?.limits()?.all().iter().map(limit).collect())
    }

    pub(super) fn chains(&self) -> Result<Vec<ChainSummary>, Fault> {
        let chains = self.open()?.chains()?;
        Ok(chains
            .into_iter()
            .map(|file| match formats::chain_file::read_chain(&file.path) {
                Ok(chain) => ChainSummary {
                    name: if chain.name.is_empty() { file.name.clone() } else { chain.name },
                    file: file.name,
                    // Corrections are applied from the instrument outwards; people think from the product inwards.
                    elements: chain.elements.iter().rev().map(|e| e.name.clone()).collect(),
                    problem: None,
                },
                Err(error) => ChainSummary {
                    problem: Some(problem(&error, &file.name)),
                    name: file.name.clone(),
                    file: file.name,
                    elements: Vec::new(),
                },
            })
            .collect())
    }

    pub(super) fn report(&self, run: Option<&str>) -> Result<Vec<u8>, Fault> {
        Ok(workbench::report_pdf(&self.dir, run, &mut |_: &Stage| ControlFlow::Continue(()))?)
    }

    /// What a waiting file is; a file that cannot be read is an answer too.
    #[allow(clippy::unused_self, reason = "one of the backend's answers, whatever it needs to give it")]
    pub(super) fn understand(&self, path: &Path, choices: &Choices) -> Reading {
        let name = file_name(path);
        let reading = match reading_choices(choices) {
            Ok(reading) => reading,
            Err(problem) => {
                return Reading {
                    problem: Some(problem),
                    kind: choices.kind.clone().unwrap_or_default(),
                    ..Reading::default()
                };
            }
        };
        match workbench::understand(path, &name, &reading) {
            Ok(Understanding::Sweep(sweep)) => of_sweep(&sweep),
            Ok(Understanding::Capture(info)) => {
                let mut reading_as_capture = of_capture(&info);
                // A text that could also be a sweep, were its open points answered, is not taken for samples unasked.
                if reading.kind.is_none() && info.format == CaptureFormat::Csv && reading.receive.band.is_none() {
                    let as_sweep = ReadingChoices { kind: Some(RawKind::Sweep), ..reading };
                    if let Err(WorkError::Sweep(SweepError::Ambiguous { .. })) =
                        workbench::understand(path, &name, &as_sweep)
                    {
                        reading_as_capture.questions.insert(0, kind_question());
                    }
                }
                reading_as_capture
            }
            Err(WorkError::Sweep(SweepError::Ambiguous { questions, .. })) => Reading {
                kind: "sweep".into(),
                questions: questions
                    .into_iter()
                    .map(|q| Question {
                        field: q.choice,
                        question: format!("{}.", capital(&q.what)),
                        answers: q
                            .candidates
                            .into_iter()
                            .map(|c| Answer { value: c.value, reading: c.reading })
                            .collect(),
                    })
                    .collect(),
                ..Reading::default()
            },
            Err(WorkError::Capture(CaptureError::MissingRate { .. })) => {
                Reading { kind: "capture".into(), questions: vec![rate_question()], ..Reading::default() }
            }
            Err(error) => {
                // People know their file by its name, not by where it waits.
                let text = error.to_string().replace(&path.display().to_string(), &name);
                Reading {
                    kind: choices.kind.clone().unwrap_or_default(),
                    problem: Some(problem(&text, &name)),
                    ..Reading::default()
                }
            }
        }
    }

    pub(super) fn measure(
        &self,
        path: &Path,
        request: &MeasureRequest,
        tell: &mut Tell<'_>,
    ) -> Result<String, Stopped> {
        let name = file_name(path);
        let input = |what: String, place: &str, expected: &str| {
            Stopped::Fault(Fault::Input(Problem { what, place: place.into(), expected: expected.into() }))
        };
        let mut choices = reading_choices(&request.choices).map_err(|p| Stopped::Fault(Fault::Input(p)))?;
        if let Some(band) = &request.band {
            choices.receive.band = Some(band.parse().map_err(|e: String| input(e, "band", "A, B, C, D or E"))?);
        }
        if let Some(start) = &request.start {
            choices.receive.start = Some(
                serde_json::from_value(Value::String(start.clone()))
                    .map_err(|_| input(format!("`{start}`"), "start", "rest or settled"))?,
            );
        }
        let some = |text: &String| (!text.trim().is_empty()).then(|| text.trim().to_owned());
        let polarisation = match request.place.polarisation.as_deref() {
            None | Some("") => None,
            Some("horizontal") => Some(Polarisation::Horizontal),
            Some("vertical") => Some(Polarisation::Vertical),
            Some(other) => return Err(input(format!("`{other}`"), "place.polarisation", "horizontal or vertical")),
        };
        let place = project::Place {
            azimuth_deg: request.place.azimuth_deg,
            height_m: request.place.height_m,
            polarisation,
            distance_m: request.place.distance_m,
            laboratory: request.place.laboratory.as_ref().and_then(some),
            product_off: request.place.product_off,
        };
        let run = RunRequest {
            title: request.title.clone(),
            port: Some(request.port.clone()),
            sample: request.sample.clone(),
            state: request.state.clone(),
            place,
            set_up: request.set_up.trim().to_owned(),
            equipment: request.equipment.clone(),
            measured_at: request.measured_at.as_ref().and_then(some),
            conductor: some(&request.conductor),
            mode: some(&request.mode),
            limits: request.limits.clone(),
            chain: request.chain.clone(),
            choices,
            ..RunRequest::default()
        };
        workbench::add_run(&self.dir, path, &name, &run, &mut |stage: &Stage| tell(stage.fraction, stage.what)).map_err(
            |error| {
                if error.kind() == WorkErrorKind::Cancelled { Stopped::Cancelled } else { Stopped::Fault(error.into()) }
            },
        )
    }
}

/// What the evaluation adds to what the ledger knows.
fn fill(run: &mut Run, found: &mut Vec<Finding>, evaluation: &Evaluation, day: &str) {
    let Evaluation { chain, judged, problem, .. } = evaluation;
    let trace = &judged.trace;
    if let Some(why) = problem {
        found.push(Finding { run_id: Some(run.summary.id.clone()), sentence: format!("Not judged: {why}.") });
    }
    run.limits = judged.limits.iter().map(limit).collect();
    run.trace = TraceInfo {
        unit: trace.unit.map_or_else(|| "dB".to_owned(), |u| u.symbol().to_owned()),
        points: trace.frequency_hz.len() as u32,
        from_hz: trace.frequency_hz.first().copied().unwrap_or_default(),
        to_hz: trace.frequency_hz.last().copied().unwrap_or_default(),
        bandwidth_hz: trace.bandwidth_hz,
        columns: trace
            .columns
            .iter()
            .enumerate()
            .map(|(i, c)| TraceColumn {
                index: i as u32,
                detector: c.detector.map(|d| d.key().to_owned()),
                name: c.name.clone(),
                lower_bound: c.lower_bound.iter().any(|b| *b),
            })
            .collect(),
        history: trace.history.clone(),
    };
    if let Some(chain) = chain {
        run.chain_name.clone_from(&chain.name);
        run.chain = chain
            .elements
            .iter()
            .rev()
            .map(|e| ChainElement {
                name: e.name.clone(),
                kind: e.kind.key().replace('_', " "),
                correction: correction(&e.correction),
                source: e.source.clone(),
                calibrated: e.calibrated.clone(),
                overdue: e.due.as_deref().is_some_and(|due| due < day),
                due: e.due.clone(),
            })
            .collect();
    }
    run.gaps = judged
        .gaps
        .iter()
        .map(|g| Gap { from_hz: g.from_hz, to_hz: g.to_hz, reason: format!("{} is not known there", g.element) })
        .collect();
    let Some(verdict) = &judged.verdict else { return };
    // Limits and chains as they stand now can give another verdict than the one that was recorded; what is drawn must
    // not contradict what is said.
    if run.summary.state != State::Untested && run.summary.state != state_of(verdict.decision) {
        found.push(Finding {
            run_id: Some(run.summary.id.clone()),
            sentence: format!("When it was measured the verdict was: {}", run.summary.sentence),
        });
    }
    if !run.summary.sentence.starts_with("Withdrawn") {
        run.summary.state = state_of(verdict.decision);
        run.summary.sentence.clone_from(&verdict.sentence);
        run.summary.probability = finite(verdict.probability);
        run.summary.margin_db = finite(verdict.worst_margin_db);
        run.summary.frequency_hz = finite(verdict.worst_frequency_hz);
    }
    run.results = results(verdict);
    run.suspects = suspects(verdict);
    run.uncertainty.clone_from(&verdict.uncertainty.statement);
    run.notes.extend(verdict.notes.iter().cloned());
    run.notes.extend(verdict.still_to_measure.iter().take(12).map(|s| {
        format!(
            "Still to measure with the {} detector: {} to {} ({}).",
            s.detector,
            frequency(s.from_hz),
            frequency(s.to_hz),
            s.reason
        )
    }));
    run.gaps.extend(verdict.not_measured.iter().map(|n| Gap {
        from_hz: n.from_hz,
        to_hz: n.to_hz,
        reason: format!("not measured, though {} goes there", n.limit_id),
    }));
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn kind_question() -> Question {
    let answer = |value: &str, reading: &str| Answer { value: value.into(), reading: reading.into() };
    Question {
        field: "kind".into(),
        question: "The text can be read in two ways.".into(),
        answers: vec![answer("sweep", "levels against frequency"), answer("capture", "samples in time")],
    }
}

fn rate_question() -> Question {
    Question {
        field: "rate_hz".into(),
        question: "The file does not say how many samples a second it holds.".into(),
        answers: Vec::new(),
    }
}

fn of_sweep(sweep: &SweepReading) -> Reading {
    let u = &sweep.understood;
    let mut facts = vec![
        fact("Shape", &u.shape),
        fact("Range", format!("{} to {}, {} frequencies", frequency(u.from_hz), frequency(u.to_hz), u.count)),
    ];
    for c in &u.columns {
        let detector = c.detector.map_or_else(String::new, |d| format!(", {d}"));
        let unit = c.unit.as_ref().map_or_else(String::new, |u| format!(", {u}"));
        facts.push(fact(
            &format!("Column {}", c.number),
            format!("{}: {}{unit}{detector} ({})", c.name, key(c.role), c.why),
        ));
    }
    if let Some(unit) = u.frequency_unit {
        facts.push(fact("Frequencies in", format!("{unit} ({})", u.frequency_unit_from)));
    }
    if let Some(unit) = sweep.trace.unit {
        facts.push(fact("Levels in", format!("{} ({})", unit.symbol(), u.level_unit_from)));
    }
    if let Some(bandwidth) = u.bandwidth_hz {
        facts.push(fact("Bandwidth", frequency(bandwidth)));
    }
    facts.extend(u.conversions.iter().map(|c| fact("Converted", c)));
    facts.extend(u.warnings.iter().map(|w| fact("Note", w)));
    let mut questions = Vec::new();
    if sweep.trace.columns.iter().any(|c| c.detector.is_none()) {
        questions.push(Question {
            field: "detector".into(),
            question: "The file does not say which detector made the levels.".into(),
            answers: standards::Detector::ALL
                .map(|d| Answer { value: d.key().into(), reading: d.name().into() })
                .to_vec(),
        });
    }
    if sweep.trace.unit.is_none() {
        questions.push(Question {
            field: "level_unit".into(),
            question: "The file does not say the unit of its levels.".into(),
            answers: quantity::Unit::ALL
                .map(|u| Answer { value: u.ascii().into(), reading: u.symbol().into() })
                .to_vec(),
        });
    }
    Reading { kind: "sweep".into(), facts, questions, problem: None }
}

fn of_capture(info: &CaptureInfo) -> Reading {
    let channels: Vec<&str> = info.channels.iter().map(|c| c.name.as_str()).collect();
    let mut facts = vec![fact("Samples", &info.sample_type), fact("Channels", channels.join(", "))];
    let mut questions = Vec::new();
    match info.rate_hz {
        Some(rate) => facts.push(fact("Rate", format!("{} samples a second", engineering(rate)))),
        None => questions.push(rate_question()),
    }
    if let Some(seconds) = info.duration_s {
        facts.push(fact(
            "Duration",
            if seconds < 1.0 { format!("{:.3} ms", seconds * 1e3) } else { format!("{seconds:.3} s") },
        ));
    }
    match info.channels.first() {
        Some(c) if !c.scale_known && info.full_scale.is_some() => questions.push(Question {
            field: "volts_per_unit".into(),
            question: "The file does not say how many volts one count is.".into(),
            answers: Vec::new(),
        }),
        Some(c) => facts.push(fact(
            "Scale",
            if c.scale_known {
                format!("{} {} for one", c.volts_per_unit, c.unit)
            } else {
                "taken as volts".to_owned()
            },
        )),
        None => {}
    }
    if let Some(t) = info.truncated {
        facts.push(fact("Cut off", format!("{} of {} promised frames are there", t.found_frames, t.promised_frames)));
    }
    facts.extend(info.notes.iter().map(|n| fact("Note", n)));
    for a in info.annotations.iter().take(8) {
        let words =
            [a.label.as_str(), a.comment.as_str()].into_iter().filter(|w| !w.is_empty()).collect::<Vec<_>>().join(": ");
        facts.push(fact("Annotation", words));
    }
    Reading { kind: "capture".into(), facts, questions, problem: None }
}

fn engineering(value: f64) -> String {
    let (scaled, word) = match value {
        v if v >= 1e9 => (v / 1e9, " G"),
        v if v >= 1e6 => (v / 1e6, " M"),
        v if v >= 1e3 => (v / 1e3, " k"),
        v => (v, ""),
    };
    let text = format!("{scaled:.4}");
    format!("{}{word}", text.trim_end_matches('0').trim_end_matches('.'))
}

/// From the page's answers, which are text, to the choices of the readers.
fn reading_choices(choices: &Choices) -> Result<ReadingChoices, Problem> {
    let wrong = |field: &str, value: &str, expected: &str| Problem {
        what: format!("`{value}`"),
        place: field.to_owned(),
        expected: expected.to_owned(),
    };
    let positive = |field: &str, value: &str| {
        value
            .trim()
            .parse::<f64>()
            .ok()
            .filter(|v| v.is_finite() && *v > 0.0)
            .ok_or_else(|| wrong(field, value, "a number above zero"))
    };
    let count =
        |field: &str, value: &str| value.trim().parse::<usize>().map_err(|_| wrong(field, value, "a whole number"));
    let kind = match choices.kind.as_deref() {
        None | Some("") => None,
        Some("sweep") => Some(RawKind::Sweep),
        Some("capture") => Some(RawKind::Capture),
        Some(other) => return Err(wrong("kind", other, "sweep or capture")),
    };
    let mut sweep = Map::new();
    let mut capture = CaptureChoices::default();
    let mut receive = ReceiveChoices::default();
    for (field, value) in choices.answers.iter().filter(|(_, v)| !v.trim().is_empty()) {
        let text = Value::String(value.trim().to_owned());
        let column = |part: &str| part.trim().parse::<u64>().map_or_else(|_| Value::from(part.trim()), Value::from);
        match field.as_str() {
            "rate_hz" => capture.rate_hz = Some(positive(field, value)?),
            "volts_per_unit" => capture.volts_per_unit = Some(positive(field, value)?),
            "centre_hz" => capture.centre_hz = Some(positive(field, value)?),
            "data_type" => capture.data_type = Some(value.trim().to_owned()),
            "time_axis" => capture.time_axis = Some(count(field, value)?),
            "channel" => receive.channel = Some(count(field, value)?),
            "from_hz" => receive.from_hz = Some(positive(field, value)?),
            "to_hz" => receive.to_hz = Some(positive(field, value)?),
            "skip_lines" | "table" => {
                sweep.insert(field.clone(), count(field, value)?.into());
            }
            "bandwidth_hz" | "impedance_ohm" => {
                sweep.insert(field.clone(), positive(field, value)?.into());
            }
            "frequency_column" => {
                sweep.insert(field.clone(), column(value));
            }
            "level_columns" => {
                sweep.insert(field.clone(), value.split(',').map(column).collect());
            }
            "detector" => {
                sweep.insert("detectors".into(), Value::Object(Map::from_iter([("*".to_owned(), text)])));
            }
            _ => {
                if field == "decimal" {
                    capture.decimal_comma = Some(value.trim() == "comma");
                }
                sweep.insert(field.clone(), text);
            }
        }
    }
    let fields: Vec<String> = sweep.keys().cloned().collect();
    let sweep: SweepChoices =
        serde_json::from_value(Value::Object(sweep)).map_err(|e| problem(&e, &fields.join(", ")))?;
    Ok(ReadingChoices { kind, sweep, capture, receive })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_become_the_readers_choices() {
        let answers = [
            ("level_unit", "dBm"),
            ("delimiter", "tab"),
            ("level_columns", "2, peak"),
            ("detector", "quasi_peak"),
            ("rate_hz", "62.5e6"),
        ]
        .map(|(k, v)| (k.to_owned(), v.to_owned()))
        .into();
        let read = reading_choices(&Choices { kind: Some("sweep".into()), answers }).expect("choices");
        assert_eq!(read.kind, Some(RawKind::Sweep));
        assert_eq!(read.capture.rate_hz, Some(62.5e6));
        assert_eq!(read.sweep.level_columns.len(), 2);
        assert_eq!(read.sweep.detectors.get("*"), Some(&standards::Detector::QuasiPeak));
    }

    #[test]
    fn a_wrong_answer_is_named() {
        for (field, value) in [("rate_hz", "-1"), ("delimiter", "bar"), ("no_such_choice", "x"), ("table", "1.5")] {
            let answers = [(field.to_owned(), value.to_owned())].into();
            let said = reading_choices(&Choices { kind: None, answers }).expect_err("a wrong answer");
            assert!(said.place.contains(field) || said.what.contains(field), "{said:?}");
            assert!(!said.expected.is_empty(), "{said:?}");
        }
    }

    #[test]
    fn an_errors_sentence_is_cut_into_its_parts() {
        let cut = problem(&"sweep.csv, line 7, column 2: `abc`: expected a level", "file");
        assert_eq!(
            cut,
            Problem { what: "`abc`".into(), place: "sweep.csv, line 7, column 2".into(), expected: "a level".into() }
        );
        let whole = problem(&"it broke", "file");
        assert_eq!((whole.what.as_str(), whole.place.as_str(), whole.expected.as_str()), ("it broke", "file", ""));
    }
}
