//! What applies, and when.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use campaign::{
    Answers, Date, DayResult, Days, EntryKind, Now, Plan, PlannedTest, Request, beside, clock, csv, days, difference,
    duration, icalendar, plan,
};
use clap::Args;
use serde_json::json;
use standards::{Known, LevelFigure, Side};
use workbench::{Planning, days_pdf, planning, with_answer};

use crate::beside_text;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, hz};

#[derive(Debug, Args)]
pub(crate) struct PlanArgs {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// Show what another answer would change, e.g. `--if environment=industrial`; may be given several times
    #[arg(long = "if", value_name = "FIELD=VALUE")]
    pub(crate) what_if: Vec<String>,
    /// Set another family's or place's standards, or one standard, beside the plan, e.g. `household`, `industrial`, `61326`
    #[arg(long, value_name = "FAMILY_OR_STANDARD", conflicts_with = "what_if")]
    pub(crate) beside: Option<String>,
    /// What stands on the left of --beside instead of the product's own plan, e.g. `61000-6-2`
    #[arg(long, value_name = "FAMILY_OR_STANDARD", requires = "beside")]
    pub(crate) left: Option<String>,
    /// Show what is left out, and why, row by row
    #[arg(long)]
    pub(crate) left_out: bool,
}

#[derive(Debug, Args)]
pub(crate) struct DaysArgs {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// First day of the visit, e.g. 2026-12-07, for the calendar
    #[arg(long)]
    pub(crate) date: Option<String>,
    /// Write the days as iCalendar; needs --date
    #[arg(long, requires = "date")]
    pub(crate) ics: Option<PathBuf>,
    /// Write the days as CSV
    #[arg(long)]
    pub(crate) csv: Option<PathBuf>,
    /// A job that passed; only what is left is planned. May be given several times
    #[arg(long, value_name = "JOB")]
    pub(crate) passed: Vec<String>,
    /// A job that failed and is to be done again. May be given several times
    #[arg(long, value_name = "JOB")]
    pub(crate) failed: Vec<String>,
    /// Where the work stands: day (from 1), working minutes over, and the rig that stands, e.g. `1,200,artificial_network`
    #[arg(long, value_name = "DAY,MINUTES[,RIG]")]
    pub(crate) now: Option<String>,
    /// A second sample of the same build takes what may break it
    #[arg(long)]
    pub(crate) second_sample: bool,
    /// Rest between two surges, s [default: 60, or the laboratory.toml's]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) surge_rest: Option<f64>,
    /// People at the tests: with two, one prepares the next rig meanwhile [default: 1, or the laboratory.toml's]
    #[arg(long)]
    pub(crate) staff: Option<u32>,
    /// Half-days booked beyond what the tests need, for repeats
    #[arg(long, default_value_t = 0, value_name = "HALF_DAYS")]
    pub(crate) reserve: u32,
    /// Show how each duration is made up
    #[arg(long)]
    pub(crate) durations: bool,
    /// Write the days on one sheet, with what to bring, as PDF
    #[arg(long)]
    pub(crate) pdf: Option<PathBuf>,
}

/// A level for people, e.g. `contact 4 kV, air 8 kV`.
pub(crate) fn level_words(level: &[LevelFigure]) -> String {
    level
        .iter()
        .filter(|l| !l.quantity.starts_with("duration_at_60"))
        .map(|l| {
            let name = l.quantity.replace('_', " ");
            let name = match name.as_str() {
                "contact voltage" => "contact",
                "air voltage" => "air",
                "line to line open circuit voltage" => "line to line",
                "line to earth open circuit voltage" => "line to earth",
                "residual voltage" => "residual",
                "duration at 50 hz" => "for",
                "peak open circuit voltage" | "field strength" | "magnetic field" | "emf" => "",
                other => other,
            }
            .to_owned();
            let unit = if l.unit == "cycles" && l.value == 1.0 { "cycle" } else { l.unit.as_str() };
            format!("{name} {} {unit}", l.value).trim().to_owned()
        })
        .collect::<Vec<_>>()
        .join(", ")
}

pub(crate) fn how_hard(test: &PlannedTest) -> String {
    let level = if test.side == Side::Immunity { level_words(&test.level) } else { test.limits.join(", ") };
    with_ranges(level, &test.frequency_hz)
}

/// Level and frequency ranges in words, e.g. `3 V/m; 80 MHz to 1 GHz`.
pub(crate) fn hardness(level: &[LevelFigure], ranges_hz: &[[f64; 2]]) -> String {
    with_ranges(level_words(level), ranges_hz)
}

fn with_ranges(mut words: String, ranges_hz: &[[f64; 2]]) -> String {
    for [from, to] in ranges_hz {
        let range = if from == to { hz(*from) } else { format!("{} to {}", hz(*from), hz(*to)) };
        let _ = write!(words, "{}{range}", if words.is_empty() { "" } else { "; " });
    }
    words
}

fn table_of(tests: &[PlannedTest]) -> String {
    let rows = tests
        .iter()
        .map(|t| {
            let mut why = t.because.join("; ");
            if !t.unless.is_empty() {
                let mut open: Vec<&str> = t.unless.iter().map(|q| q.text.as_str()).collect();
                open.dedup();
                let _ = write!(why, " (open: {})", open.join(" "));
            }
            let known = if t.known == Known::Memory { " *" } else { "" };
            vec![
                t.port_name.clone(),
                t.phenomenon.name().to_owned(),
                how_hard(t),
                t.criterion.clone().unwrap_or_default(),
                format!("{}{known}", t.clause),
                why,
            ]
        })
        .collect();
    print::table(&["port", "test", "how hard", "criterion", "clause", "because"], rows, &[])
}

fn changed(answers: &Answers, changes: &[String]) -> Result<Answers, Failure> {
    let mut answers = answers.clone();
    for change in changes {
        let (field, value) = change.split_once('=').ok_or_else(|| {
            Failure::input(format!("--if {change}: expected FIELD=VALUE, e.g. environment=industrial"))
        })?;
        answers = with_answer(&answers, field.trim(), value.trim())?;
    }
    Ok(answers)
}

fn plan_text(p: &Plan, dir: &Path, left_out: bool) -> String {
    let mut out = String::new();
    for s in &p.standards {
        let why = if s.because.is_empty() { String::new() } else { format!(" ({})", s.because.join("; ")) };
        let _ = writeln!(out, "{}, {}{why}", s.number, s.title);
    }
    for (side, title) in
        [(Side::Emission, "Emission"), (Side::MainsQuality, "Mains quality"), (Side::Immunity, "Immunity")]
    {
        let tests: Vec<PlannedTest> = p.tests.iter().filter(|t| t.side == side).cloned().collect();
        if !tests.is_empty() {
            let _ = write!(out, "\n{title}\n{}", table_of(&tests));
        }
    }
    if p.tests.iter().any(|t| t.known == Known::Memory) {
        out.push_str("\n* from memory: check this row against the bought standard before booking a laboratory.\n");
    }
    if left_out {
        let rows = p
            .left_out
            .iter()
            .map(|o| {
                vec![
                    o.port_name.clone(),
                    o.phenomenon.name().to_owned(),
                    format!("{}, {}", o.standard_number, o.clause),
                    o.because.clone(),
                ]
            })
            .chain(
                p.standards_left_out
                    .iter()
                    .map(|s| vec![String::new(), "the whole standard".to_owned(), s.number.clone(), s.because.clone()]),
            )
            .collect();
        let _ = write!(out, "\nLeft out\n{}", print::table(&["port", "test", "clause", "because"], rows, &[]));
    } else {
        let _ = writeln!(
            out,
            "\n{} rows and {} standards are left out: hushfield plan {} --left-out says why.",
            p.left_out.len(),
            p.standards_left_out.len(),
            dir.display()
        );
    }
    for gap in &p.gaps {
        let _ = writeln!(out, "Missing: {gap}.");
    }
    if !p.questions.is_empty() {
        out.push_str("\nStill to be answered in product.toml, what moves most first:\n");
        for q in &p.questions {
            let hang = if q.tests == 1 { "1 test hangs".to_owned() } else { format!("{} tests hang", q.tests) };
            let _ = writeln!(out, "  {}: {} ({hang} on it)", q.question.field, q.question.text);
        }
    }
    out
}

pub(crate) fn plan_command(show: Show, a: &PlanArgs) -> Result<Outcome, Failure> {
    let Planning { answers, rules, plan: p, .. } = planning(&a.dir)?;
    let beside = a.beside.as_deref().map(|right| beside(&answers, &rules, a.left.as_deref(), right));
    let beside = beside.transpose().map_err(|e| Failure::input(format!("--beside: {e}")))?;
    let other = if a.what_if.is_empty() { None } else { Some(plan(&changed(&answers, &a.what_if)?, &rules)) };
    if show.json {
        let difference = other.as_ref().map(|o| difference(&p, o));
        print::json(&json!({
            "answers": answers,
            "plan": p,
            "beside": beside,
            "what_if": other.as_ref().map(|o| json!({ "changes": a.what_if, "plan": o, "difference": difference })),
        }))?;
        return Ok(Outcome::Done);
    }
    if let Some(b) = &beside {
        print::text(&beside_text::text(b))?;
        return Ok(Outcome::Done);
    }
    let mut out = String::new();
    match &other {
        None => out = plan_text(&p, &a.dir, a.left_out),
        Some(o) => {
            let d = difference(&p, o);
            let _ = writeln!(out, "With {}:", a.what_if.join(", "));
            if d.added.is_empty() && d.removed.is_empty() && d.changed.is_empty() {
                out.push_str("nothing changes.\n");
            }
            if !d.added.is_empty() {
                let _ = write!(out, "\nComes in ({})\n{}", d.added.len(), table_of(&d.added));
            }
            if !d.removed.is_empty() {
                let rows = d
                    .removed
                    .iter()
                    .map(|(t, why)| {
                        vec![
                            t.port_name.clone(),
                            t.phenomenon.name().to_owned(),
                            how_hard(t),
                            t.clause.clone(),
                            why.clone(),
                        ]
                    })
                    .collect();
                let _ = write!(
                    out,
                    "\nFalls away ({})\n{}",
                    d.removed.len(),
                    print::table(&["port", "test", "how hard", "clause", "because"], rows, &[])
                );
            }
            if !d.changed.is_empty() {
                let rows = d
                    .changed
                    .iter()
                    .map(|(b, n)| {
                        vec![
                            n.port_name.clone(),
                            n.phenomenon.name().to_owned(),
                            how_hard(b),
                            how_hard(n),
                            n.note.clone(),
                        ]
                    })
                    .collect();
                let _ = write!(
                    out,
                    "\nChanges ({})\n{}",
                    d.changed.len(),
                    print::table(&["port", "test", "before", "after", "note"], rows, &[])
                );
            }
        }
    }
    print::text(&out)?;
    Ok(Outcome::Done)
}

fn now_of(text: &str) -> Result<Now, Failure> {
    let wrong = || {
        Failure::input(format!("--now {text}: expected DAY,MINUTES or DAY,MINUTES,RIG, e.g. 1,200,artificial_network"))
    };
    let mut parts = text.split(',').map(str::trim);
    let day = parts.next().and_then(|d| d.parse().ok()).ok_or_else(wrong)?;
    let worked_min = parts.next().and_then(|d| d.parse().ok()).ok_or_else(wrong)?;
    Ok(Now { day, worked_min, rig: parts.next().map(str::to_owned) })
}

fn days_text(d: &Days) -> String {
    let mut out = String::new();
    let mut beside = Vec::new();
    for day in &d.days {
        let rows = day
            .entries
            .iter()
            .map(|e| {
                let mark = match e.kind {
                    EntryKind::SetUp | EntryKind::Break => "",
                    EntryKind::Test => e.job.as_deref().unwrap_or(""),
                    EntryKind::Free => "-",
                };
                vec![clock(e.from_min), clock(e.to_min), mark.to_owned(), e.title.clone(), e.why.clone()]
            })
            .collect();
        for b in &day.beside {
            beside.push(vec![
                day.number.to_string(),
                clock(b.from_min),
                clock(b.to_min),
                b.title.clone(),
                b.why.clone(),
            ]);
        }
        let _ = write!(
            out,
            "Day {}\n{}\n",
            day.number,
            print::table(&["from", "to", "job", "what", "why here"], rows, &[])
        );
    }
    if !beside.is_empty() {
        let _ = write!(
            out,
            "Meanwhile\n{}{} min of set-up are done while another rig is at work; the last test ends {} min earlier.\n\n",
            print::table(&["day", "from", "to", "what", "who"], beside, &[]),
            d.prepared_min,
            d.saved_min
        );
    }
    let _ = writeln!(
        out,
        "{} half-days at {}: {:.0} {}. Order {}: none can be more than {:.1} % cheaper.",
        d.half_days,
        d.laboratory,
        d.price,
        d.currency,
        if d.proven { "proven" } else { "the best found" },
        d.gap_percent
    );
    let _ = writeln!(
        out,
        "Expected repeats {:.0} min; free {} min: {}. With expected repeats and the minutes used this order costs {:.0} {}.",
        d.expected_repeat_min,
        d.free_min,
        if d.free_is_enough { "enough" } else { "not enough, keep half a day in reserve (--reserve 1)" },
        d.cost,
        d.currency
    );
    if !d.decisions.is_empty() {
        let rows = d
            .decisions
            .iter()
            .map(|x| {
                vec![
                    x.title.clone(),
                    format!("{:.0} %", 100.0 * x.fails),
                    format!("{} min", x.doubt_min),
                    format!("{} min", x.worth_min),
                    format!("{} min", x.remaining_min),
                    format!("{:.0}", x.go_home_above),
                    x.carry.clone(),
                ]
            })
            .collect();
        let _ = write!(
            out,
            "\nIf it fails\n{}",
            print::table(
                &[
                    "test",
                    "chance",
                    "passed work in doubt",
                    "a fix may take",
                    "else skip: left to do",
                    &format!("go home above, {}", d.currency),
                    "carry"
                ],
                rows,
                &[1, 2, 3, 4, 5]
            )
        );
        out.push_str(
            "Fix on the spot within that time; else skip it and go on. Go home only where the laboratory gives back more than \
             that sum for the rest: half of what is left counts in spite of a later fix.\n",
        );
    }
    out.push_str("\nBring\n");
    for b in &d.bring {
        let _ = writeln!(out, "  {} ({})", b.what, b.why);
    }
    let mut cautions: Vec<&str> = Vec::new();
    for e in d.days.iter().flat_map(|x| &x.entries).filter(|e| e.kind == EntryKind::Test && !e.caution.is_empty()) {
        if !cautions.contains(&e.caution.as_str()) {
            cautions.push(&e.caution);
        }
    }
    out.push_str("\nCautions\n");
    for c in cautions {
        let _ = writeln!(out, "  {c}");
    }
    for n in &d.notes {
        let _ = writeln!(out, "{n}");
    }
    for t in &d.no_rig {
        let _ = writeln!(out, "No rig of this laboratory carries {t}.");
    }
    out
}

fn durations_text(d: &Days) -> String {
    let mut out = String::from("\nHow long, and of what\n");
    for job in &d.jobs {
        let _ = writeln!(out, "  {} ({}): {:.1} min", job.title, job.id, job.duration.total_s / 60.0);
        for p in &job.duration.parts {
            let count = (p.count * 10.0).round() / 10.0;
            let _ = writeln!(out, "    {count} x {:.2} s = {:.1} min, {}", p.each_s, p.count * p.each_s / 60.0, p.what);
        }
    }
    out
}

pub(crate) fn days_command(show: Show, a: &DaysArgs) -> Result<Outcome, Failure> {
    let planned = planning(&a.dir)?;
    let mut pace = planned.pace.clone();
    if let Some(rest) = a.surge_rest {
        if !(rest.is_finite() && rest > 0.0) {
            return Err(Failure::input(format!("--surge-rest {rest}: expected seconds above 0")));
        }
        pace.surge_rest_s = rest;
    }
    let date = match &a.date {
        Some(text) => Some(
            Date::read(text)
                .ok_or_else(|| Failure::input(format!("--date {text}: expected a date such as 2026-12-07")))?,
        ),
        None => None,
    };
    let result = |passed| move |job: &String| DayResult { job: job.clone(), passed };
    let request = Request {
        chances: planned.chances.clone(),
        results: a.passed.iter().map(result(true)).chain(a.failed.iter().map(result(false))).collect(),
        second_sample: a.second_sample,
        now: a.now.as_deref().map(now_of).transpose()?,
        staff: a.staff,
        reserve_half_days: a.reserve,
        spares: planned.spares.clone(),
    };
    let d = days(&planned.plan, &planned.answers, &pace, &planned.laboratory, &request)
        .map_err(|e| Failure::input(e.to_string()))?;
    if let Some(path) = &a.csv {
        write(path, &csv(&d))?;
    }
    if let (Some(path), Some(date)) = (&a.ics, date) {
        let stamp = jiff::Timestamp::now().strftime("%Y%m%dT%H%M%SZ").to_string();
        write(path, &icalendar(&d, date, &stamp))?;
    }
    if let Some(path) = &a.pdf {
        let pdf = days_pdf(&planned.product, &d, &planned.laboratory, date, &now_text())?;
        std::fs::write(path, pdf).map_err(|e| unwritten(path, &e))?;
    }
    if show.json {
        let durations: Vec<_> = planned
            .plan
            .tests
            .iter()
            .map(|t| {
                let sum =
                    duration(t, &pace, planned.answers.earthed.unwrap_or(true), planned.answers.phases.unwrap_or(1));
                json!({ "test": t.id, "total_s": sum.total_s, "parts": sum.parts })
            })
            .collect();
        print::json(&json!({ "days": d, "durations": durations, "pace": pace }))?;
    } else {
        let mut out = days_text(&d);
        if a.durations {
            out.push_str(&durations_text(&d));
        }
        print::text(&out)?;
    }
    Ok(Outcome::Done)
}

/// The time now, as the sheet of days shows it.
pub(crate) fn now_text() -> String {
    jiff::Zoned::now().strftime("%Y-%m-%d %H:%M").to_string()
}

fn unwritten(path: &Path, e: &std::io::Error) -> Failure {
    Failure::input(format!("{}: could not be written: {e}", path.display()))
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    std::fs::write(path, text).map_err(|e| unwritten(path, &e))
}
