//! The laboratory days: from the plan's tests to clock times, with reasons, costs, decisions and what to bring.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use standards::{Phenomenon, Port};

use crate::answers::Answers;
use crate::duration::{Duration, Pace, duration};
use crate::plan::{Plan, PlannedTest};
use crate::rig::{Laboratory, order_class};
use crate::solve::{Frame, Job, Order, SolveError, Start, lay, solve};

/// What is asked of the days.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Request {
    /// Chance of failing by test id (see [`PlannedTest::id`]), e.g. from the bench's own runs.
    pub chances: BTreeMap<String, f64>,
    /// Results so far, in the order of their coming: only what is left is planned.
    pub results: Vec<DayResult>,
    /// A second sample of the same build takes what may break it.
    pub second_sample: bool,
    /// Where the work stands; the first morning when absent.
    pub now: Option<Now>,
}

/// Where the work stands in the laboratory.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Now {
    /// Day, from 1.
    pub day: u32,
    /// Working minutes of that day that are over.
    pub worked_min: u32,
    /// Id of the rig that stands.
    pub rig: Option<String>,
}

/// How a job went.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DayResult {
    /// The job's id.
    pub job: String,
    /// Whether it passed.
    pub passed: bool,
}

/// One job: tests of one port on one rig that are done in one go.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedJob {
    /// Unique in the days.
    pub id: String,
    /// For people.
    pub title: String,
    /// The plan's tests in it.
    pub tests: Vec<String>,
    /// Id of its rig.
    pub rig: String,
    /// The port's name.
    pub port_name: String,
    /// What is measured or applied.
    pub phenomenon: Phenomenon,
    /// How long and of what.
    pub duration: Duration,
    /// Chance of failing.
    pub fails: f64,
    /// Where that chance comes from.
    pub fails_from: &'static str,
    /// Sample, from 1.
    pub sample: u8,
}

/// What a stretch of a day is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum EntryKind {
    /// A rig is set up.
    SetUp,
    /// A job.
    Test,
    /// Nobody works.
    Break,
    /// Left for repeats.
    Free,
}

/// One stretch of a day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DayEntry {
    /// From, minutes after midnight.
    pub from_min: u32,
    /// To, minutes after midnight.
    pub to_min: u32,
    /// What it is for.
    pub kind: EntryKind,
    /// For people.
    pub title: String,
    /// The job, for tests.
    pub job: Option<String>,
    /// Id of the rig.
    pub rig: Option<String>,
    /// Why it stands here.
    pub why: String,
    /// What to beware of.
    pub caution: String,
}

/// One day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LabDay {
    /// From 1.
    pub number: u32,
    /// In time.
    pub entries: Vec<DayEntry>,
}

/// What to do if a job fails.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Decision {
    /// The job.
    pub job: String,
    /// Its title.
    pub title: String,
    /// Chance of failing.
    pub fails: f64,
    /// Working minutes of passed tests that a fix would put in doubt.
    pub doubt_min: u32,
    /// Minutes a fix on the spot may take and still cost less than coming back for this test.
    pub worth_min: u32,
    /// What to carry so that a fix can be tried.
    pub carry: String,
}

/// Something to bring and why.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bring {
    /// What.
    pub what: String,
    /// For which tests or ports.
    pub why: String,
}

/// The days.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Days {
    /// The laboratory's name.
    pub laboratory: String,
    /// The days.
    pub days: Vec<LabDay>,
    /// The jobs.
    pub jobs: Vec<PlannedJob>,
    /// Tests that no rig of the laboratory carries.
    pub no_rig: Vec<String>,
    /// Half-days booked.
    pub half_days: u32,
    /// What they cost.
    pub price: f64,
    /// Currency.
    pub currency: String,
    /// Cost of this order with expected repeats and minutes, in the currency.
    pub cost: f64,
    /// No order costs less.
    pub cost_bound: f64,
    /// Gap between the two, percent.
    pub gap_percent: f64,
    /// The search came to its end.
    pub proven: bool,
    /// Minutes that failures are expected to repeat.
    pub expected_repeat_min: f64,
    /// Minutes free at the end of the booked half-days.
    pub free_min: u32,
    /// Whether the free time covers the expected repeats.
    pub free_is_enough: bool,
    /// Where a failure changes the day, the likeliest first.
    pub decisions: Vec<Decision>,
    /// What to bring.
    pub bring: Vec<Bring>,
    /// What there is to know.
    pub notes: Vec<String>,
}

/// The days cannot be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DaysError {
    /// The laboratory is unusable.
    #[error(transparent)]
    Laboratory(#[from] crate::rig::LaboratoryError),
    /// The jobs do not fit.
    #[error("{0}; expected fewer tests, a shorter rest between surges (`pace`), or more days in laboratory.toml")]
    Solve(#[from] SolveError),
    /// A chance, a rig or a job that is not there.
    #[error("{field}: {what}; expected {expected}")]
    Request {
        /// Which part of the request.
        field: &'static str,
        /// What was found.
        what: String,
        /// What was expected.
        expected: String,
    },
}

/// Chance of failing where nothing is known of the product (common practice for a first visit; not a measured figure).
fn common_chance(phenomenon: Phenomenon) -> f64 {
    match phenomenon {
        Phenomenon::RadiatedDisturbance => 0.4,
        Phenomenon::ConductedDisturbance | Phenomenon::DisturbancePower => 0.3,
        Phenomenon::ElectrostaticDischarge => 0.3,
        Phenomenon::Burst | Phenomenon::ConductedRf | Phenomenon::RfField => 0.2,
        Phenomenon::Surge => 0.15,
        Phenomenon::HarmonicCurrent
        | Phenomenon::VoltageChangeFlicker
        | Phenomenon::PowerFrequencyMagneticField
        | Phenomenon::VoltageDip
        | Phenomenon::ShortInterruption
        | Phenomenon::SupplyVoltageVariation => 0.05,
    }
}

fn carry(phenomenon: Phenomenon) -> &'static str {
    match phenomenon {
        Phenomenon::RadiatedDisturbance => {
            "clip-on ferrites, copper tape and foil, a screened cable, a slower edge on a spare board"
        }
        Phenomenon::ConductedDisturbance | Phenomenon::DisturbancePower => {
            "X and Y capacitors, a common-mode choke, clip-on ferrites for the mains cable"
        }
        Phenomenon::RfField | Phenomenon::ConductedRf => {
            "clip-on ferrites, 1 nF and 10 nF capacitors, copper tape, a changed filter constant in firmware"
        }
        Phenomenon::Burst => "clip-on ferrites, capacitors to earth at the port, a firmware with a longer debounce",
        Phenomenon::ElectrostaticDischarge => {
            "copper tape, clamps for the port, varnish or tape for a gap in the housing"
        }
        Phenomenon::Surge => "larger varistors, a series resistor or fuse, a spare sample",
        Phenomenon::VoltageDip | Phenomenon::ShortInterruption | Phenomenon::SupplyVoltageVariation => {
            "a larger reservoir capacitor, a firmware that saves its state"
        }
        Phenomenon::HarmonicCurrent | Phenomenon::VoltageChangeFlicker => {
            "a choke, an inrush limiter, a firmware that switches more slowly"
        }
        Phenomenon::PowerFrequencyMagneticField => "a piece of magnetic screen",
    }
}

/// A limit under which the search is content, relative.
const TOLERANCE: f64 = 0.002;
/// States the search may open: some seconds.
const BUDGET: usize = 150_000;

/// Lays the plan's tests into days.
pub fn days(
    plan: &Plan,
    answers: &Answers,
    pace: &Pace,
    laboratory: &Laboratory,
    request: &Request,
) -> Result<Days, DaysError> {
    laboratory.check()?;
    for (id, p) in &request.chances {
        if !(0.0..=1.0).contains(p) {
            return Err(DaysError::Request {
                field: "chance",
                what: format!("{p} for {id}"),
                expected: "a probability between 0 and 1".to_owned(),
            });
        }
    }
    let earthed = answers.earthed.unwrap_or(true);
    let phases = answers.phases.unwrap_or(1);
    let (all, no_rig) = jobs_of(plan, pace, laboratory, request, earthed, phases);
    for result in &request.results {
        if !all.iter().any(|j| j.id == result.job) {
            return Err(DaysError::Request {
                field: "result",
                what: format!("no job `{}`", result.job),
                expected: format!("one of {}", all.iter().map(|j| j.id.as_str()).collect::<Vec<_>>().join(", ")),
            });
        }
    }
    let passed = |id: &str| request.results.iter().rev().find(|r| r.job == id).is_some_and(|r| r.passed);
    let done_min = |sample: u8| {
        let minutes = all.iter().filter(|j| j.sample == sample && passed(&j.id)).map(|j| j.duration.total_s / 60.0);
        minutes.sum::<f64>().round() as u32
    };
    let passed_min = vec![done_min(1), done_min(2)];
    let start = match &request.now {
        None => Start { passed_min, ..Start::default() },
        Some(now) => {
            let rig = now.rig.as_deref().map(|r| {
                laboratory.rigs.iter().position(|x| x.id == r).ok_or_else(|| DaysError::Request {
                    field: "now.rig",
                    what: format!("no rig `{r}`"),
                    expected: laboratory.rigs.iter().map(|x| x.id.as_str()).collect::<Vec<_>>().join(", "),
                })
            });
            if now.day == 0 || now.worked_min > laboratory.capacity_min() {
                return Err(DaysError::Request {
                    field: "now",
                    what: format!("day {}, {} min worked", now.day, now.worked_min),
                    expected: format!("a day from 1 and at most {} min", laboratory.capacity_min()),
                });
            }
            Start { day: now.day - 1, minute: now.worked_min, rig: rig.transpose()?, passed_min }
        }
    };
    let left: Vec<PlannedJob> = all.iter().filter(|j| !passed(&j.id)).cloned().collect();
    let rig_index = |id: &str| laboratory.rigs.iter().position(|r| r.id == id).unwrap_or(0);
    let jobs: Vec<Job> = left
        .iter()
        .map(|j| Job {
            rig: rig_index(&j.rig),
            minutes: (j.duration.total_s / 60.0).ceil().max(1.0) as u32,
            order: order_class(j.phenomenon),
            sample: j.sample - 1,
            fails: j.fails,
        })
        .collect();
    let frame = Frame {
        setup_min: laboratory.rigs.iter().map(|r| r.setup_min).collect(),
        day_min: laboratory.capacity_min(),
        days: laboratory.days,
        kept_overnight: laboratory.rig_kept_overnight,
        half_day_price: laboratory.half_day_price,
        doubt: 0.5,
        start,
        budget: BUDGET,
        tolerance: TOLERANCE,
    };
    let order = solve(&jobs, &frame)?;
    Ok(shown(answers, laboratory, &frame, &jobs, left, &order, no_rig, plan))
}

/// Tests put together into jobs, too long ones cut.
fn jobs_of(
    plan: &Plan,
    pace: &Pace,
    laboratory: &Laboratory,
    request: &Request,
    earthed: bool,
    phases: u8,
) -> (Vec<PlannedJob>, Vec<String>) {
    let mut no_rig = Vec::new();
    let mut groups: BTreeMap<(usize, String, Phenomenon), Vec<&PlannedTest>> = BTreeMap::new();
    for test in &plan.tests {
        // Dips and interruptions of a port are one sitting.
        let phenomenon =
            if test.phenomenon == Phenomenon::ShortInterruption { Phenomenon::VoltageDip } else { test.phenomenon };
        match laboratory.rig_of(test.phenomenon) {
            Some(rig) => groups.entry((rig, test.port.clone(), phenomenon)).or_default().push(test),
            None => no_rig.push(test.id.clone()),
        }
    }
    let mut jobs = Vec::new();
    for ((rig, port, phenomenon), tests) in groups {
        let mut total = Duration::default();
        let mut methods = BTreeSet::new();
        for test in &tests {
            let d = duration(test, pace, earthed, phases);
            total.total_s += d.total_s;
            total.parts.extend(d.parts);
            methods.insert(test.method.as_str());
        }
        let known =
            tests.iter().filter_map(|t| request.chances.get(&t.id)).copied().reduce(|a, b| 1.0 - (1.0 - a) * (1.0 - b));
        let rig = &laboratory.rigs[rig];
        let most = f64::from(laboratory.capacity_min().saturating_sub(rig.setup_min).max(1)) * 60.0;
        let pieces = (total.total_s / most).ceil().max(1.0);
        let destroys = order_class(phenomenon) >= 2;
        for piece in 0..pieces as u32 {
            let mut duration = total.clone();
            if pieces > 1.0 {
                duration.total_s /= pieces;
                for part in &mut duration.parts {
                    part.count /= pieces;
                }
            }
            let suffix = if pieces > 1.0 { format!(" ({} of {pieces})", piece + 1) } else { String::new() };
            let whole = known.unwrap_or(common_chance(phenomenon));
            jobs.push(PlannedJob {
                id: format!(
                    "{port}-{}{}",
                    key(phenomenon),
                    if pieces > 1.0 { format!("-{}", piece + 1) } else { String::new() }
                ),
                title: format!(
                    "{}, {} ({}){suffix}",
                    first_upper(phenomenon.name()),
                    tests[0].port_name,
                    methods.iter().copied().collect::<Vec<_>>().join(", ")
                ),
                tests: tests.iter().map(|t| t.id.clone()).collect(),
                rig: rig.id.clone(),
                port_name: tests[0].port_name.clone(),
                phenomenon,
                duration,
                fails: 1.0 - (1.0 - whole).powf(1.0 / pieces),
                fails_from: if known.is_some() {
                    "this product's own runs"
                } else {
                    "common practice for a first visit"
                },
                sample: if request.second_sample && destroys { 2 } else { 1 },
            });
        }
    }
    (jobs, no_rig)
}

fn key(phenomenon: Phenomenon) -> &'static str {
    match phenomenon {
        Phenomenon::ConductedDisturbance => "conducted",
        Phenomenon::DisturbancePower => "power",
        Phenomenon::RadiatedDisturbance => "radiated",
        Phenomenon::HarmonicCurrent => "harmonics",
        Phenomenon::VoltageChangeFlicker => "flicker",
        Phenomenon::RfField => "rf-field",
        Phenomenon::ConductedRf => "conducted-rf",
        Phenomenon::PowerFrequencyMagneticField => "magnetic",
        Phenomenon::VoltageDip | Phenomenon::ShortInterruption => "dips",
        Phenomenon::SupplyVoltageVariation => "variation",
        Phenomenon::Burst => "burst",
        Phenomenon::ElectrostaticDischarge => "discharge",
        Phenomenon::Surge => "surge",
    }
}

fn first_upper(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

fn shown(
    answers: &Answers,
    laboratory: &Laboratory,
    frame: &Frame,
    jobs: &[Job],
    planned: Vec<PlannedJob>,
    order: &Order,
    no_rig: Vec<String>,
    plan: &Plan,
) -> Days {
    let (times, _) = lay(jobs, &order.jobs, frame);
    let begin = frame.start.day * frame.day_min + frame.start.minute;
    let end = times.last().map_or(begin, |t| t.1);
    let half = frame.day_min.div_ceil(2);
    let halves = |t: u32| (t / frame.day_min) * 2 + (t % frame.day_min).div_ceil(half);
    let half_days = halves(end) - halves(begin);
    let booked_end = {
        let h = halves(end);
        (h / 2) * frame.day_min + if h % 2 == 1 { half.min(frame.day_min) } else { 0 }
    };
    let mut days: Vec<LabDay> = Vec::new();
    let mut at = begin;
    let mut put = |from: u32, to: u32, entry: DayEntry| {
        // Cut at the breaks of the day.
        let day = from / frame.day_min;
        let number = day + 1;
        if days.last().is_none_or(|d| d.number != number) {
            days.push(LabDay { number, entries: Vec::new() });
        }
        let Some(list) = days.last_mut() else { return };
        let (a, b) = (from - day * frame.day_min, to - day * frame.day_min);
        let (from_clock, to_clock) = (laboratory.clock_min(a, false), laboratory.clock_min(b, true));
        let mut start = from_clock;
        for [break_from, break_to] in &laboratory.breaks_min {
            if start < *break_from && to_clock > *break_to {
                list.entries.push(DayEntry { from_min: start, to_min: *break_from, ..entry.clone() });
                start = *break_to;
            }
        }
        list.entries.push(DayEntry { from_min: start, to_min: to_clock, ..entry });
    };
    let mut repeat_min = 0.0;
    let mut decisions = Vec::new();
    let mut worked = frame.start.passed_min.clone();
    worked.resize(2, 0);
    for (k, (i, (from, to))) in order.jobs.iter().zip(&times).enumerate() {
        let (job, info) = (&jobs[*i], &planned[*i]);
        let rig = &laboratory.rigs[job.rig];
        let day_start = from / frame.day_min * frame.day_min;
        let set_up_from = at.max(day_start);
        if *from > set_up_from {
            put(
                set_up_from,
                *from,
                DayEntry {
                    from_min: 0,
                    to_min: 0,
                    kind: EntryKind::SetUp,
                    title: format!("Set up: {}", rig.name),
                    job: None,
                    rig: Some(rig.id.clone()),
                    why: String::new(),
                    caution: rig.caution.clone(),
                },
            );
        }
        let why = reason(k, order, jobs, planned.as_slice(), &times, frame);
        put(
            *from,
            *to,
            DayEntry {
                from_min: 0,
                to_min: 0,
                kind: EntryKind::Test,
                title: info.title.clone(),
                job: Some(info.id.clone()),
                rig: Some(rig.id.clone()),
                why,
                caution: rig.caution.clone(),
            },
        );
        let s = usize::from(job.sample);
        let doubt = f64::from(worked[s]) * frame.doubt;
        repeat_min += job.fails * (doubt + f64::from(job.minutes));
        if job.fails >= 0.1 {
            let come_back = f64::from(rig.setup_min + job.minutes);
            decisions.push(Decision {
                job: info.id.clone(),
                title: info.title.clone(),
                fails: job.fails,
                doubt_min: doubt.round() as u32,
                // Coming back costs at least half a day.
                worth_min: (f64::from(half).max(come_back) - f64::from(job.minutes)).max(0.0).round() as u32,
                carry: carry(info.phenomenon).to_owned(),
            });
        }
        worked[s] += job.minutes;
        at = *to;
    }
    if booked_end > end && !order.jobs.is_empty() {
        put(
            end,
            booked_end,
            DayEntry {
                from_min: 0,
                to_min: 0,
                kind: EntryKind::Free,
                title: "Free: repeats and fixes".to_owned(),
                job: None,
                rig: None,
                why: format!("{repeat_min:.0} min of repeats are expected"),
                caution: String::new(),
            },
        );
    }
    for day in &mut days {
        let (first, last) = (day.entries.first().map_or(0, |e| e.from_min), day.entries.last().map_or(0, |e| e.to_min));
        for [from, to] in laboratory.breaks_min.iter().filter(|b| first < b[0] && b[0] < last) {
            day.entries.push(DayEntry {
                from_min: *from,
                to_min: *to,
                kind: EntryKind::Break,
                title: "Break".to_owned(),
                job: None,
                rig: None,
                why: String::new(),
                caution: String::new(),
            });
        }
        day.entries.sort_by_key(|e| (e.from_min, e.to_min));
    }
    decisions.sort_by(|a, b| b.fails.total_cmp(&a.fails));
    let free_min = booked_end.saturating_sub(end);
    let mut notes = Vec::new();
    if planned.iter().any(|j| j.fails_from != "this product's own runs") {
        notes.push(
            "Chances of failing that no run of this product supports are common practice for a first visit.".to_owned(),
        );
    }
    if !plan.questions.is_empty() {
        notes.push(format!(
            "{} answers about the product are open; the days hold every test that may apply.",
            plan.questions.len()
        ));
    }
    if planned.iter().any(|j| j.phenomenon == Phenomenon::Surge) {
        notes.push(
            "Between surges there is time: write the record, photograph the next set-up, read the counters.".to_owned(),
        );
    }
    Days {
        laboratory: laboratory.name.clone(),
        days,
        no_rig,
        half_days,
        price: f64::from(half_days) * laboratory.half_day_price,
        currency: laboratory.currency.clone(),
        cost: order.cost,
        cost_bound: order.bound,
        gap_percent: if order.cost > 0.0 { 100.0 * (order.cost - order.bound) / order.cost } else { 0.0 },
        proven: order.proven,
        expected_repeat_min: repeat_min,
        free_min,
        free_is_enough: f64::from(free_min) >= repeat_min,
        decisions,
        bring: bring(answers, laboratory, &planned),
        jobs: planned,
        notes,
    }
}

/// Why a job stands where it does.
fn reason(
    k: usize,
    order: &Order,
    jobs: &[Job],
    planned: &[PlannedJob],
    times: &[(u32, u32)],
    frame: &Frame,
) -> String {
    let job = &jobs[order.jobs[k]];
    let info = &planned[order.jobs[k]];
    let mut words: Vec<String> = Vec::new();
    let before = k.checked_sub(1).map(|p| &jobs[order.jobs[p]]);
    let same_rig = before.is_some_and(|b| b.rig == job.rig) && times[k - 1].1 == times[k].0;
    if same_rig {
        words.push("the rig stands".to_owned());
    }
    match job.order {
        0 if before.is_none_or(|b| b.order == 0 && k < 2) => {
            words.push("emission first: what later breaks a part would change it".to_owned());
        }
        0 => {}
        1 if before.is_some_and(|b| b.order == 0) => {
            words.push("after emission, before anything that may break the sample".to_owned());
        }
        2 => words.push("may break the sample: after what does not".to_owned()),
        3 => words.push("most energy, wears protection parts: last on its sample".to_owned()),
        _ => {}
    }
    if info.fails >= 0.2 {
        words.push(format!(
            "likely to fail ({:.0} %): as early as the rules allow, so that little is repeated",
            info.fails * 100.0
        ));
    }
    if k > 0 && times[k].0 / frame.day_min > (times[k - 1].1 - 1) / frame.day_min {
        words.push("did not fit into the day before".to_owned());
    }
    if info.sample == 2 {
        words.push("on the second sample".to_owned());
    }
    if words.is_empty() {
        words.push("fewest set-ups in this order".to_owned());
    }
    words.join("; ")
}

fn bring(answers: &Answers, laboratory: &Laboratory, jobs: &[PlannedJob]) -> Vec<Bring> {
    let mut list = vec![
        Bring {
            what: if jobs.iter().any(|j| j.sample == 2) {
                "two samples of the same build"
            } else {
                "the sample, and a spare of the same build if there is one"
            }
            .to_owned(),
            why: "what breaks late must not end the visit".to_owned(),
        },
        Bring {
            what: "the plan, the performance criteria in writing, drawings, schematics, parts list".to_owned(),
            why: "the record needs them".to_owned(),
        },
        Bring {
            what: "the program of every operating mode, and how correct function is read".to_owned(),
            why: "immunity is judged by function".to_owned(),
        },
        Bring { what: "spare fuses, tools, soldering iron, camera".to_owned(), why: "fixes and records".to_owned() },
    ];
    for port in answers.ports.iter().filter(|p| p.kind != Port::Enclosure) {
        let length = port.cable_length_m.map_or_else(|| "its longest length".to_owned(), |l| format!("{l} m"));
        let screen = match port.screened {
            Some(true) => ", screened, with the connector of the series",
            _ => "",
        };
        list.push(Bring {
            what: format!("{}: cable of {length}{screen}, with the load or source of its far end", port.name),
            why: "uncut cables are a deviation to be recorded; far ends decide the common-mode impedance".to_owned(),
        });
    }
    let used: BTreeSet<&str> = jobs.iter().map(|j| j.rig.as_str()).collect();
    for rig in laboratory.rigs.iter().filter(|r| used.contains(r.id.as_str())) {
        for what in &rig.bring {
            list.push(Bring { what: what.clone(), why: rig.name.clone() });
        }
    }
    let likely: BTreeSet<&str> = jobs.iter().filter(|j| j.fails >= 0.2).map(|j| carry(j.phenomenon)).collect();
    for what in likely {
        list.push(Bring { what: what.to_owned(), why: "to try a fix on the spot".to_owned() });
    }
    list
}
