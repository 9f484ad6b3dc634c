//! The laboratory days: from the plan's tests to clock times, with reasons, costs, decisions and what to bring.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use standards::Phenomenon;

use crate::answers::Answers;
use crate::bring::{bring, carry};
use crate::duration::{Duration, Pace};
use crate::jobs::jobs_of;
use crate::plan::Plan;
use crate::rig::{Laboratory, order_class};
use crate::solve::{Frame, Help, Job, Order, SolveError, Start, solve};
use crate::timetable::{Placed, timetable};

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
    /// People at the tests, where it is not as the laboratory says.
    pub staff: Option<u32>,
    /// Half-days booked beyond what the tests need, for repeats.
    pub reserve_half_days: u32,
    /// Spare parts at hand, for the list of what to bring.
    pub spares: Vec<String>,
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
    /// What is prepared meanwhile: beside `entries`, in rests or by a second person.
    pub beside: Vec<DayEntry>,
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
    /// Minutes of tests that stand after it: they go on where the fix has to wait.
    pub remaining_min: u32,
    /// Going home at once is cheaper only where the laboratory gives back more than this for the rest, in its currency: half
    /// of the remaining work would count in spite of a later fix.
    pub go_home_above: f64,
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
    /// Half-days of those that are kept for repeats.
    pub reserve_half_days: u32,
    /// People at the tests.
    pub staff: u32,
    /// What they cost, with the further people.
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
    /// Minutes of set-up done while another rig was at work.
    pub prepared_min: u32,
    /// Minutes by which the last test ends earlier than without that.
    pub saved_min: u32,
    /// Minutes free in the booked half-days: slots for repeats and the end.
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

/// From this chance of failing on a slot for a repeat is worth its minutes.
const SLOT_CHANCE: f64 = 0.2;
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
        help: Help::default(),
        budget: BUDGET,
        tolerance: TOLERANCE,
    };
    let staff = request.staff.unwrap_or(laboratory.staff);
    if !(1..=9).contains(&staff) {
        return Err(DaysError::Request {
            field: "staff",
            what: staff.to_string(),
            expected: "1 to 9 people".to_owned(),
        });
    }
    let help = help_of(laboratory, &left, &jobs, staff);
    let order = ordered(&jobs, &frame, &help)?;
    let mut show = Show { answers, laboratory, frame: &frame, jobs: &jobs, help: &help, request, staff, no_rig, plan };
    Ok(show.days(left, &order))
}

/// Who is free when: with two people all of a job (with three where nobody may be alone), alone only what runs by itself for
/// long enough.
fn help_of(laboratory: &Laboratory, planned: &[PlannedJob], jobs: &[Job], staff: u32) -> Help {
    let free_min = planned
        .iter()
        .zip(jobs)
        .map(|(p, job)| {
            let never_alone = laboratory.rigs.get(job.rig).is_some_and(|r| r.never_alone);
            if staff > 1 + u32::from(never_alone) {
                job.minutes
            } else if never_alone {
                0
            } else {
                (p.duration.by_itself_s(laboratory.shortest_rest_min * 60.0) / 60.0).floor() as u32
            }
        })
        .collect();
    let place =
        laboratory
            .rigs
            .iter()
            .enumerate()
            .map(|(i, r)| {
                if r.place.is_empty() {
                    i
                } else {
                    laboratory.rigs.iter().position(|o| o.place == r.place).unwrap_or(i)
                }
            })
            .collect();
    Help { free_min, without_sample_min: laboratory.rigs.iter().map(|r| r.without_sample_min).collect(), place }
}

/// The cheaper of two orders: that of least cost without help, and that of least cost with help as the search lays it, both
/// laid with the help there really is. The second search's bound holds for every order with help (see [`timetable`]).
fn ordered(jobs: &[Job], frame: &Frame, help: &Help) -> Result<Order, SolveError> {
    let plain = solve(jobs, frame)?;
    if jobs.is_empty() || help.free_min.iter().all(|f| *f == 0) {
        return Ok(plain);
    }
    let helped = solve(jobs, &Frame { help: help.clone(), ..frame.clone() })?;
    let cost = |order: &Order| {
        let placed = timetable(jobs, &order.jobs, frame, help, &[]);
        placed.map_or(f64::INFINITY, |p| frame.cost(jobs, &order.jobs, p.last().map_or(0, |l| l.to)))
    };
    let (a, b) = (cost(&plain), cost(&helped));
    let proven = plain.proven && helped.proven;
    let jobs = if b < a { helped.jobs } else { plain.jobs };
    Ok(Order { jobs, cost: a.min(b), bound: helped.bound.min(a.min(b)), proven, opened: plain.opened + helped.opened })
}

/// All that the days are shown from.
struct Show<'a> {
    answers: &'a Answers,
    laboratory: &'a Laboratory,
    frame: &'a Frame,
    jobs: &'a [Job],
    help: &'a Help,
    request: &'a Request,
    staff: u32,
    no_rig: Vec<String>,
    plan: &'a Plan,
}

/// An entry without its times, which come when it is laid.
fn entry(kind: EntryKind, title: String) -> DayEntry {
    DayEntry { from_min: 0, to_min: 0, kind, title, job: None, rig: None, why: String::new(), caution: String::new() }
}

impl Show<'_> {
    fn halves(&self, t: u32) -> u32 {
        let half = self.frame.day_min.div_ceil(2);
        (t / self.frame.day_min) * 2 + (t % self.frame.day_min).div_ceil(half)
    }

    /// Slots for repeats where failing is likely and another rig follows: as many as the booked half-days hold, the one that
    /// saves most set-up first.
    fn with_slots(&self, order: &[usize], plain: Vec<Placed>, booked_end: u32) -> Vec<Placed> {
        let mut slots = vec![0; order.len()];
        let mut best = plain;
        let mut worth: Vec<(f64, usize)> = (0..order.len())
            .filter_map(|k| {
                let job = &self.jobs[order[k]];
                let leaves = order.get(k + 1).is_none_or(|n| self.jobs[*n].rig != job.rig);
                let likely = job.fails >= SLOT_CHANCE;
                (likely && leaves).then(|| (job.fails * f64::from(self.frame.setup_min[job.rig]), k))
            })
            .collect();
        worth.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        for (_, k) in worth {
            let wanted = self.jobs[order[k]].minutes;
            slots[k] = wanted;
            let end = |placed: &[Placed]| placed.last().map_or(0, |l| l.to + l.slot_min);
            match timetable(self.jobs, order, self.frame, self.help, &slots) {
                // A slot that drives a later test into another day would waste the evening.
                Some(placed) if end(&placed) <= booked_end.min(end(&best) + wanted) => best = placed,
                _ => slots[k] = 0,
            }
        }
        best
    }

    /// Puts an entry into its day, cut at the breaks.
    fn put(&self, days: &mut Vec<LabDay>, from: u32, to: u32, entry: &DayEntry, beside: bool) {
        let day = from / self.frame.day_min;
        let number = day + 1;
        if days.last().is_none_or(|d| d.number != number) {
            days.push(LabDay { number, entries: Vec::new(), beside: Vec::new() });
        }
        let Some(day_list) = days.last_mut() else { return };
        let list = if beside { &mut day_list.beside } else { &mut day_list.entries };
        let (a, b) = (from - day * self.frame.day_min, to - day * self.frame.day_min);
        let (from_clock, to_clock) = (self.laboratory.clock_min(a, false), self.laboratory.clock_min(b, true));
        let mut start = from_clock;
        for [break_from, break_to] in &self.laboratory.breaks_min {
            if start < *break_from && to_clock > *break_to {
                list.push(DayEntry { from_min: start, to_min: *break_from, ..entry.clone() });
                start = *break_to;
            }
        }
        list.push(DayEntry { from_min: start, to_min: to_clock, ..entry.clone() });
    }

    fn days(&mut self, planned: Vec<PlannedJob>, order: &Order) -> Days {
        let frame = self.frame;
        let laboratory = self.laboratory;
        let begin = frame.start.day * frame.day_min + frame.start.minute;
        let none = Help { free_min: vec![0; self.jobs.len()], ..self.help.clone() };
        let alone = timetable(self.jobs, &order.jobs, frame, &none, &[]);
        let plain = timetable(self.jobs, &order.jobs, frame, self.help, &[]).unwrap_or_default();
        let plain_end = plain.last().map_or(begin, |t| t.to);
        let saved_min = alone.and_then(|a| a.last().map(|l| l.to)).unwrap_or(plain_end).saturating_sub(plain_end);
        let half = frame.day_min.div_ceil(2);
        let last_half = (self.halves(plain_end) + self.request.reserve_half_days).min(2 * frame.days);
        let reserve_half_days = if self.jobs.is_empty() { 0 } else { last_half - self.halves(plain_end) };
        let half_days = if self.jobs.is_empty() { 0 } else { last_half - self.halves(begin) };
        let booked_end = (last_half / 2) * frame.day_min + if last_half % 2 == 1 { half.min(frame.day_min) } else { 0 };
        let placed = self.with_slots(&order.jobs, plain, booked_end);
        let end = placed.last().map_or(begin, |t| t.to + t.slot_min);
        let mut days: Vec<LabDay> = Vec::new();
        let mut repeat_min = 0.0;
        let mut decisions = Vec::new();
        let mut worked = frame.start.passed_min.clone();
        worked.resize(2, 0);
        let total: u32 = self.jobs.iter().map(|j| j.minutes).sum();
        let mut done = 0;
        for (k, (i, at)) in order.jobs.iter().zip(&placed).enumerate() {
            let (job, info) = (&self.jobs[*i], &planned[*i]);
            let rig = &laboratory.rigs[job.rig];
            if at.from > at.setup_from {
                let why = if at.helped_min > 0 {
                    format!("{} min of it were done beforehand", at.helped_min)
                } else {
                    String::new()
                };
                let set_up = entry(EntryKind::SetUp, format!("Set up: {}", rig.name));
                let set_up = DayEntry { rig: Some(rig.id.clone()), why, caution: rig.caution.clone(), ..set_up };
                self.put(&mut days, at.setup_from, at.from, &set_up, false);
            }
            let why = reason(k, order, self.jobs, planned.as_slice(), &placed, frame);
            let test = DayEntry {
                job: Some(info.id.clone()),
                rig: Some(rig.id.clone()),
                why,
                caution: rig.caution.clone(),
                ..entry(EntryKind::Test, info.title.clone())
            };
            self.put(&mut days, at.from, at.to, &test, false);
            // What the next rig needs is prepared at the end of this one's work.
            if let Some((next, next_at)) = order.jobs.get(k + 1).zip(placed.get(k + 1))
                && next_at.helped_min > 0
            {
                let next_rig = &laboratory.rigs[self.jobs[*next].rig];
                let who = if self.staff > 1 { "by the second person" } else { "while this runs by itself" };
                let prepare = DayEntry {
                    rig: Some(next_rig.id.clone()),
                    why: format!("{who}: what needs no sample"),
                    caution: next_rig.caution.clone(),
                    ..entry(EntryKind::SetUp, format!("Prepare: {}", next_rig.name))
                };
                let run_from =
                    (0..=k).rev().take_while(|p| self.jobs[order.jobs[*p]].rig == job.rig).last().unwrap_or(k);
                let from = at.to.saturating_sub(next_at.helped_min).max(placed[run_from].from);
                self.put(&mut days, from, at.to, &prepare, true);
            }
            if at.slot_min > 0 {
                let slot = DayEntry {
                    rig: Some(rig.id.clone()),
                    why: format!("likely to fail ({:.0} %), and the rig still stands", info.fails * 100.0),
                    caution: rig.caution.clone(),
                    ..entry(EntryKind::Free, format!("Free: repeat of {}", info.title))
                };
                self.put(&mut days, at.to, at.to + at.slot_min, &slot, false);
            }
            let s = usize::from(job.sample);
            let doubt = f64::from(worked[s]) * frame.doubt;
            repeat_min += job.fails * (doubt + f64::from(job.minutes));
            done += job.minutes;
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
                    remaining_min: total - done,
                    go_home_above: f64::from(total - done) * (1.0 - frame.doubt) * frame.minute_price(),
                });
            }
            worked[s] += job.minutes;
        }
        if booked_end > end && !order.jobs.is_empty() {
            let free = DayEntry {
                why: format!("{repeat_min:.0} min of repeats are expected"),
                ..entry(EntryKind::Free, "Free: repeats and fixes".to_owned())
            };
            let mut from = end;
            while from < booked_end {
                let to = booked_end.min((from / frame.day_min + 1) * frame.day_min);
                self.put(&mut days, from, to, &free, false);
                from = to;
            }
        }
        self.breaks(&mut days);
        decisions.sort_by(|a, b| b.fails.total_cmp(&a.fails));
        let slots: u32 = placed.iter().map(|p| p.slot_min).sum();
        let free_min = booked_end.saturating_sub(end) + slots;
        let further = f64::from(self.staff - 1) * laboratory.staff_half_day_price;
        Days {
            laboratory: laboratory.name.clone(),
            days,
            no_rig: std::mem::take(&mut self.no_rig),
            half_days,
            reserve_half_days,
            staff: self.staff,
            price: f64::from(half_days) * (laboratory.half_day_price + further),
            currency: laboratory.currency.clone(),
            cost: order.cost,
            cost_bound: order.bound,
            gap_percent: if order.cost > 0.0 { 100.0 * (order.cost - order.bound) / order.cost } else { 0.0 },
            proven: order.proven,
            expected_repeat_min: repeat_min,
            prepared_min: placed.iter().map(|p| p.helped_min).sum(),
            saved_min,
            free_min,
            free_is_enough: f64::from(free_min) >= repeat_min,
            decisions,
            bring: bring(self.answers, laboratory, &planned, &self.request.spares),
            notes: self.notes(&planned),
            jobs: planned,
        }
    }

    fn breaks(&self, days: &mut [LabDay]) {
        for day in days {
            let (first, last) =
                (day.entries.first().map_or(0, |e| e.from_min), day.entries.last().map_or(0, |e| e.to_min));
            for [from, to] in self.laboratory.breaks_min.iter().filter(|b| first < b[0] && b[0] < last) {
                let pause = entry(EntryKind::Break, "Break".to_owned());
                day.entries.push(DayEntry { from_min: *from, to_min: *to, ..pause });
            }
            day.entries.sort_by_key(|e| (e.from_min, e.to_min));
        }
    }

    fn notes(&self, planned: &[PlannedJob]) -> Vec<String> {
        let mut notes = Vec::new();
        if planned.iter().any(|j| j.fails_from != "this product's own runs") {
            notes.push(
                "Chances of failing that no run of this product supports are common practice for a first visit."
                    .to_owned(),
            );
        }
        if !self.plan.questions.is_empty() {
            notes.push(format!(
                "{} answers about the product are open; the days hold every test that may apply.",
                self.plan.questions.len()
            ));
        }
        if planned.iter().any(|j| j.phenomenon == Phenomenon::Surge) {
            notes.push(
                "Between surges there is time: write the record, photograph the next set-up, read the counters."
                    .to_owned(),
            );
        }
        notes
    }
}

/// Why a job stands where it does.
fn reason(k: usize, order: &Order, jobs: &[Job], planned: &[PlannedJob], placed: &[Placed], frame: &Frame) -> String {
    let job = &jobs[order.jobs[k]];
    let info = &planned[order.jobs[k]];
    let mut words: Vec<String> = Vec::new();
    let before = k.checked_sub(1).map(|p| &jobs[order.jobs[p]]);
    let same_rig = before.is_some_and(|b| b.rig == job.rig) && placed[k].setup_from == placed[k].from;
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
    if k > 0 && placed[k].from / frame.day_min > (placed[k - 1].to - 1) / frame.day_min {
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
