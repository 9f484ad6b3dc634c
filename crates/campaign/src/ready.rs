//! Readiness before a laboratory is paid: what the bench should measure first, what would most likely fail by the campaign's
//! own runs, and what the design itself already violates or risks.
//!
//! For the design see [`Design`].

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use standards::Phenomenon;

use crate::answers::Answers;
use crate::days::{Days, EntryKind, PlannedJob};
use crate::design::{Design, Finding, Weight, Where, findings};
use crate::plan::Plan;
use crate::rig::Laboratory;

/// What the product's own latest run says of a test of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunSays {
    /// The run.
    pub run: String,
    /// Day of the measurement, `2026-03-17`.
    pub measured: String,
    /// Modification state.
    pub state: Option<String>,
    /// The verdict as a sentence.
    pub sentence: String,
    /// `pass`, `fail` or another decision of the judging room.
    pub decision: String,
    /// Chance that the laboratory's test fails.
    pub chance: f64,
    /// Where that chance comes from.
    pub basis: String,
    /// What failed in an earlier state and was not measured again in this one, in words.
    pub not_repeated: Vec<String>,
}

/// A test in the order in which the bench should take it up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BenchFirst {
    /// The job of the laboratory days.
    pub job: String,
    /// For people.
    pub title: String,
    /// Chance of failing at the laboratory.
    pub fails: f64,
    /// Where that chance comes from.
    pub fails_from: String,
    /// Cost of learning at the laboratory that it fails, in the laboratory's currency.
    pub cost_there: f64,
    /// The lines of that cost.
    pub cost_words: String,
    /// Chance times cost.
    pub expected: f64,
    /// `yes`, `partly` or `no`: what a bench can answer.
    pub bench_can: String,
    /// How.
    pub how: String,
    /// With what.
    pub gear: String,
    /// What to beware of.
    pub caution: String,
    /// The run that measured it already.
    pub run: Option<String>,
}

/// A test of the plan with what the product's own run says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Likely {
    /// The plan's test.
    pub test: String,
    /// The port's name.
    pub port_name: String,
    /// The test, for people.
    pub title: String,
    /// What the run says.
    #[serde(flatten)]
    pub says: RunSays,
}

/// Whether to book.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ready {
    /// In one sentence.
    pub sentence: String,
    /// No rule is broken and no run of its own fails.
    pub ready: bool,
    /// What the bench should take up first.
    pub bench_first: Vec<BenchFirst>,
    /// Tests with runs, the likeliest to fail first.
    pub likely: Vec<Likely>,
    /// Tests of the plan that no run of the product speaks of.
    pub without_run: usize,
    /// What the design violates, risks or leaves open.
    pub findings: Vec<Finding>,
    /// Sum of chance times cost over all tests, in the laboratory's currency.
    pub expected_cost: f64,
    /// Currency.
    pub currency: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BenchRow {
    phenomena: Vec<Phenomenon>,
    can: String,
    how: String,
    gear: String,
    caution: String,
}

#[derive(Deserialize)]
struct BenchFile {
    bench: Vec<BenchRow>,
}

static BENCH: LazyLock<Vec<BenchRow>> = LazyLock::new(|| {
    // Part of the program; a test parses it.
    let file: BenchFile =
        toml::from_str(include_str!("../data/bench.toml")).unwrap_or_else(|e| panic!("built-in bench rows: {e}"));
    file.bench
});

/// A chance from here on counts as likely.
const LIKELY: f64 = 0.2;

/// What the bench should take up first, what would most likely fail, and what the design violates or risks.
pub fn ready(
    plan: &Plan,
    answers: &Answers,
    days: &Days,
    laboratory: &Laboratory,
    runs: &BTreeMap<String, RunSays>,
    design: &Design,
) -> Ready {
    let bench_first = bench_first(days, laboratory, runs);
    let mut likely: Vec<Likely> = plan
        .tests
        .iter()
        .filter_map(|t| {
            let says = runs.get(&t.id)?.clone();
            Some(Likely {
                test: t.id.clone(),
                port_name: t.port_name.clone(),
                title: format!("{}, {}", t.phenomenon.name(), t.clause),
                says,
            })
        })
        .collect();
    likely.sort_by(|a, b| b.says.chance.total_cmp(&a.says.chance));
    let mut findings = findings(plan, answers, design);
    for l in &likely {
        for words in &l.says.not_repeated {
            findings.push(Finding {
                id: format!("{}-not-repeated", l.test),
                weight: Weight::Risk,
                port: None,
                what: format!("{}, {}: {words}", l.port_name, l.title),
                why: format!(
                    "run {} speaks for state {} only",
                    l.says.run,
                    l.says.state.as_deref().unwrap_or("unnamed")
                ),
                source: "the campaign's own runs".to_owned(),
                todo: "measure it again in the present state".to_owned(),
                at: Where::Before,
                caution: String::new(),
            });
        }
    }
    findings.sort_by_key(|f| f.weight);
    let violated = findings.iter().filter(|f| f.weight == Weight::Violates).count();
    let failing = likely.iter().filter(|l| l.says.chance >= 0.5).count();
    let expected_cost = bench_first.iter().map(|b| b.expected).sum();
    let sentence = if violated + failing > 0 {
        let mut why = Vec::new();
        match violated {
            0 => {}
            1 => why.push("the design violates one rule".to_owned()),
            n => why.push(format!("the design violates {n} rules")),
        }
        match failing {
            0 => {}
            1 => why.push("one test would fail by its own runs".to_owned()),
            n => why.push(format!("{n} tests would fail by its own runs")),
        }
        format!("Not ready: {}", why.join(", "))
    } else {
        let mut words = String::from("Nothing computed is violated");
        words.push_str(if likely.is_empty() { "; no run speaks of a test yet" } else { ", no run of its own fails" });
        let count = |weight| findings.iter().filter(|f| f.weight == weight).count();
        let left = [
            (count(Weight::Risk), "risk is left", "risks are left"),
            (count(Weight::Open), "answer is open", "answers are open"),
        ];
        for (n, one, many) in left.into_iter().filter(|l| l.0 > 0) {
            words.push_str(&format!("; {n} {}", if n == 1 { one } else { many }));
        }
        if let Some(first) = bench_first.iter().find(|b| b.run.is_none() && b.fails >= LIKELY) {
            words.push_str(&format!("; most is gained by measuring first: {}", first.title));
        }
        words
    };
    Ready {
        sentence,
        ready: violated == 0 && failing == 0,
        without_run: plan.tests.len() - likely.len(),
        bench_first,
        likely,
        findings,
        expected_cost,
        currency: laboratory.currency.clone(),
    }
}

/// Jobs in the order in which the days do them.
fn in_time(days: &Days) -> Vec<&PlannedJob> {
    let mut order: Vec<&PlannedJob> = Vec::new();
    for entry in days.days.iter().flat_map(|d| &d.entries).filter(|e| e.kind == EntryKind::Test) {
        if let Some(job) = days.jobs.iter().find(|j| Some(&j.id) == entry.job.as_ref())
            && !order.iter().any(|o| o.id == job.id)
        {
            order.push(job);
        }
    }
    order
}

/// Chance of failing times the cost of learning it at the laboratory: half of the passed work on the sample again, the rig
/// set up again, the test again, in whole half-days because that is how coming back is booked.
fn bench_first(days: &Days, laboratory: &Laboratory, runs: &BTreeMap<String, RunSays>) -> Vec<BenchFirst> {
    let half_min = f64::from(laboratory.capacity_min().div_ceil(2).max(1));
    let mut passed_min = [0.0_f64; 2];
    let mut list: Vec<(f64, BenchFirst)> = in_time(days)
        .into_iter()
        .map(|job| {
            let sample = usize::from(job.sample.saturating_sub(1)).min(1);
            let own = job.duration.total_s / 60.0;
            let setup =
                laboratory.rigs.iter().find(|r| r.id == job.rig).map_or(0.0, |r| f64::from(r.setup_min));
            let doubt = 0.5 * passed_min[sample];
            passed_min[sample] += own;
            let minutes = own + setup + doubt;
            let halves = (minutes / half_min).ceil();
            let cost_there = halves * laboratory.half_day_price;
            let row = BENCH.iter().find(|b| b.phenomena.contains(&job.phenomenon));
            let first = BenchFirst {
                job: job.id.clone(),
                title: job.title.clone(),
                fails: job.fails,
                fails_from: job.fails_from.to_owned(),
                cost_there,
                cost_words: format!(
                    "{own:.0} min test, {setup:.0} min set-up, {doubt:.0} min of passed work in doubt: {halves} half-days at {} {}",
                    laboratory.half_day_price, laboratory.currency
                ),
                expected: job.fails * cost_there,
                bench_can: row.map_or("no", |r| r.can.as_str()).to_owned(),
                how: row.map_or("", |r| r.how.as_str()).to_owned(),
                gear: row.map_or("", |r| r.gear.as_str()).to_owned(),
                caution: row.map_or("", |r| r.caution.as_str()).to_owned(),
                run: job.tests.iter().find_map(|t| runs.get(t)).map(|r| r.run.clone()),
            };
            (job.fails * minutes, first)
        })
        .collect();
    // What no bench answers stands last; among equal half-days the minutes decide.
    list.sort_by(|(am, a), (bm, b)| {
        let no = |x: &BenchFirst| x.bench_can == "no";
        no(a).cmp(&no(b)).then(b.expected.total_cmp(&a.expected)).then(bm.total_cmp(am))
    });
    list.into_iter().map(|(_, first)| first).collect()
}
