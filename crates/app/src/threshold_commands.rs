//! `hushfield threshold`: at which level the product fails, against the level it must bear.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use formats::trials::{TrialTable, read_trials};
use immunity::threshold::{
    Advice, Assessed, Changed, Curve, Known, LevelUnit, Question, Trial, Way, advise, assess, changes,
};
use serde_json::{Map, Value, json};

use crate::draw;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, hz};

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum NextFlag {
    /// One step down after a failure, one up after a pass
    UpDown,
    /// Half-way between the highest pass and the lowest failure
    Bisection,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum CurveFlag {
    /// Cumulative normal
    Probit,
    /// Logistic
    Logit,
}

#[derive(Debug, Args)]
pub(crate) struct ThresholdArgs {
    /// Trials, a line each: level_v_per_m (or level_kv, level_v, level_a_per_m, level_ma, level_dbuv, …) and failed (0/1,
    /// yes/no, pass/fail); frequency_hz where the threshold goes with frequency
    pub(crate) trials: PathBuf,
    /// Level the product must bear, in the unit of the level column
    #[arg(long, value_name = "LEVEL", allow_negative_numbers = true)]
    pub(crate) required: Option<f64>,
    /// Confidence of the intervals, and probability from which on the required level counts as borne
    #[arg(long, value_name = "P", default_value_t = 0.9, value_parser = between)]
    pub(crate) confidence: f64,
    /// Part of the trials that fail at the level asked for; 0.5 is the threshold
    #[arg(long, value_name = "P", default_value_t = 0.5, value_parser = between)]
    pub(crate) part: f64,
    /// Shape of the chance of failing over level in dB
    #[arg(long, value_enum, default_value_t = CurveFlag::Probit)]
    pub(crate) curve: CurveFlag,
    /// The product fails the same way every time (a carrier): one trial at a level is enough
    #[arg(long)]
    pub(crate) repeatable: bool,
    /// What to try next, and when to stop
    #[arg(long, value_enum, value_name = "WAY")]
    pub(crate) next: Option<NextFlag>,
    /// Step of the up-and-down run, or the resolution at which halving ends, dB
    #[arg(long, value_name = "DB", default_value_t = 1.0, value_parser = above_zero)]
    pub(crate) step: f64,
    /// Lowest level to be tried [default: 20 dB below the lowest so far]
    #[arg(long, value_name = "LEVEL", allow_negative_numbers = true)]
    pub(crate) lowest: Option<f64>,
    /// Highest level to be tried: what the rig makes and the sample bears [default: the highest so far, or two steps more]
    #[arg(long, value_name = "LEVEL", allow_negative_numbers = true)]
    pub(crate) highest: Option<f64>,
    /// Trials before a change, in the same unit: what the change did, with the interval of the difference
    #[arg(long, value_name = "FILE")]
    pub(crate) before: Option<PathBuf>,
}

fn between(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().ok().filter(|v| *v > 0.0 && *v < 1.0);
    value.ok_or_else(|| "expected a number between 0 and 1".to_owned())
}

fn above_zero(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().ok().filter(|v| v.is_finite() && *v > 0.0);
    value.ok_or_else(|| "expected a number above 0".to_owned())
}

/// What can hurt while thresholds are looked for.
pub(crate) const THRESHOLD_CAUTION: &str = "\
Caution: looking for a threshold means going above the required level. Nobody in a field, near a clamp, a discharge tip or a
surge generator while it is on; nobody with a pacemaker or other active implant near them. Levels above the required one can
destroy the sample: note what it bears (hushfield surge) and raise surges and discharges last. Stored charge stays after
pulses: wait, discharge, check. Local codes and licensed practice come first.
";

fn read(path: &Path) -> Result<TrialTable, Failure> {
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|e| Failure::input(format!("{name}: {e}")))?;
    let table = read_trials(&String::from_utf8_lossy(&bytes), &name).map_err(|e| Failure::input(e.to_string()))?;
    if table.is_curve {
        return Err(Failure::input(format!(
            "{name}: thresholds, not trials; expected a level column and `failed` (a curve of thresholds goes to `hushfield upset`)"
        )));
    }
    Ok(table)
}

fn weigh(table: &TrialTable, asked: &Question, name: &Path) -> Result<Vec<Assessed>, Failure> {
    let fault = |e: immunity::threshold::ThresholdError| Failure::input(format!("{}: {e}", name.display()));
    table.by_frequency().iter().map(|(f, trials)| assess(*f, trials, asked).map_err(fault)).collect()
}

/// Advice per frequency; where everything is done, none of them has a next level.
fn next_of(table: &TrialTable, a: &ThresholdArgs) -> Result<Vec<(Option<f64>, Advice)>, Failure> {
    let Some(next) = a.next else { return Ok(Vec::new()) };
    let way = if next == NextFlag::UpDown { Way::UpDown } else { Way::Bisection };
    let level = |flag: &str, value: Option<f64>| match value {
        None => Ok(None),
        Some(v) => match table.unit.to_db(v) {
            Some(db) => Ok(Some(db)),
            None => Err(Failure::input(format!("{flag} {v}: expected a level other than zero"))),
        },
    };
    let (lowest, highest) = (level("--lowest", a.lowest)?, level("--highest", a.highest)?);
    let mut out = Vec::new();
    for (f, trials) in table.by_frequency() {
        let levels = || trials.iter().map(|t: &Trial| t.level_db);
        let top = levels().fold(f64::NEG_INFINITY, f64::max);
        let low = lowest.unwrap_or_else(|| levels().fold(f64::INFINITY, f64::min) - 20.0);
        let high = highest.unwrap_or(match way {
            Way::UpDown => top + 2.0 * a.step,
            Way::Bisection => top,
        });
        if low >= high {
            return Err(Failure::input("--lowest and --highest: expected the lower level first"));
        }
        out.push((f, advise(&trials, way, (low, high), a.step)));
    }
    Ok(out)
}

pub(crate) fn threshold(show: Show, a: &ThresholdArgs) -> Result<Outcome, Failure> {
    let table = read(&a.trials)?;
    let unit = table.unit;
    let required_db = match a.required {
        None => None,
        Some(v) => Some(unit.to_db(v).ok_or_else(|| {
            Failure::input(format!("--required {v}: expected a level other than zero, in {}", unit.symbol))
        })?),
    };
    let curve = if a.curve == CurveFlag::Probit { Curve::Probit } else { Curve::Logit };
    let asked = Question { required_db, confidence: a.confidence, part: a.part, curve, repeatable: a.repeatable };
    let found = weigh(&table, &asked, &a.trials)?;
    let changed = match &a.before {
        None => Vec::new(),
        Some(path) => {
            let before = read(path)?;
            if before.unit != unit {
                return Err(Failure::input(format!(
                    "{}: levels in {}; expected {}, as in {}",
                    path.display(),
                    before.unit.symbol,
                    unit.symbol,
                    a.trials.display()
                )));
            }
            let changed = changes(&weigh(&before, &asked, path)?, &found);
            if changed.is_empty() {
                return Err(Failure::input(format!(
                    "{}: no frequency in common with {}",
                    path.display(),
                    a.trials.display()
                )));
            }
            changed
        }
    };
    let advice = next_of(&table, a)?;
    let met = found.iter().all(|f| f.met.unwrap_or(true));
    if show.json {
        print::json(&document(&table, a, &found, &changed, &advice, met))?;
    } else {
        print::text(&in_words(&table, a, required_db, &found, &changed, &advice))?;
    }
    Ok(if met { Outcome::Done } else { Outcome::NotAPass })
}

fn number(value: f64) -> Value {
    if value.is_finite() { json!(value) } else { Value::Null }
}

fn level(unit: LevelUnit, db: f64) -> Value {
    if db.is_finite() { json!(unit.from_db(db)) } else { Value::Null }
}

fn one(unit: LevelUnit, f: &Assessed) -> Value {
    let mut m = Map::new();
    if let Some(hz) = f.frequency_hz {
        m.insert("frequency_hz".into(), json!(hz));
    }
    m.insert("trials".into(), json!(f.trials));
    m.insert("failures".into(), json!(f.failures));
    m.insert("known".into(), json!(f.known));
    let key = |name: &str| format!("{name}_{}", unit.key);
    m.insert(key("lowest_tried"), level(unit, f.lowest_db));
    m.insert(key("highest_tried"), level(unit, f.highest_db));
    let t = f.threshold.as_ref();
    let of = |db: Option<f64>| db.map_or(Value::Null, |db| level(unit, db));
    m.insert(key("threshold"), of(t.map(|t| t.level_db)));
    m.insert(key("low"), of(t.map(|t| t.low_db)));
    m.insert(key("high"), of(t.map(|t| t.high_db)));
    let db = |v: Option<f64>| v.map_or(Value::Null, number);
    if !unit.decibel {
        m.insert("threshold_db".into(), db(t.map(|t| t.level_db)));
        m.insert("low_db".into(), db(t.map(|t| t.low_db)));
        m.insert("high_db".into(), db(t.map(|t| t.high_db)));
    }
    m.insert("spread_db".into(), db(t.map(|t| t.spread_db)));
    m.insert("separated".into(), t.map_or(Value::Null, |t| json!(t.separated)));
    if f.margin_db.is_some() {
        m.insert("margin_db".into(), db(f.margin_db));
        m.insert("margin_is_at_least".into(), json!(f.known == Known::AtLeast));
        m.insert("probability_met".into(), db(f.probability_met));
        m.insert("failures_at_or_below_required".into(), json!(f.failures_below_required));
        m.insert("met".into(), json!(f.met));
    }
    if let Some(r) = &f.remark {
        m.insert("remark".into(), json!(r));
    }
    Value::Object(m)
}

fn document(
    table: &TrialTable,
    a: &ThresholdArgs,
    found: &[Assessed],
    changed: &[Changed],
    advice: &[(Option<f64>, Advice)],
    met: bool,
) -> Value {
    let unit = table.unit;
    let mut m = Map::new();
    m.insert("unit".into(), json!(unit.symbol));
    m.insert("confidence".into(), json!(a.confidence));
    m.insert("part_failing".into(), json!(a.part));
    if let Some(r) = a.required {
        m.insert(format!("required_{}", unit.key), json!(r));
        m.insert("met".into(), json!(met));
        let worst = found.iter().filter_map(|f| f.margin_db).fold(f64::INFINITY, f64::min);
        m.insert("smallest_margin_db".into(), number(worst));
    }
    // One run alone is the document itself, too.
    if let [only] = found
        && let Value::Object(fields) = one(unit, only)
    {
        m.extend(fields);
    }
    m.insert("thresholds".into(), Value::Array(found.iter().map(|f| one(unit, f)).collect()));
    if a.before.is_some() {
        let rows = changed.iter().map(|c| {
            json!({ "frequency_hz": c.frequency_hz, "gain_db": number(c.change.gain_db), "low_db": number(c.change.low_db),
                "high_db": number(c.change.high_db), "is_certain": c.change.is_certain })
        });
        m.insert("changes".into(), Value::Array(rows.collect()));
    }
    if a.next.is_some() {
        let rows = advice.iter().map(|(f, n)| {
            let mut o = Map::new();
            o.insert("frequency_hz".into(), json!(f));
            o.insert(format!("next_{}", unit.key), n.next_db.map_or(Value::Null, |db| level(unit, db)));
            o.insert("stop".into(), json!(n.next_db.is_none()));
            o.insert("reason".into(), json!(n.reason));
            o.insert("turns".into(), json!(n.turns));
            Value::Object(o)
        });
        m.insert("next".into(), Value::Array(rows.collect()));
    }
    m.insert("caution".into(), json!(THRESHOLD_CAUTION));
    Value::Object(m)
}

/// A level for people, three digits.
pub(crate) fn told(unit: LevelUnit, db: f64) -> String {
    if !db.is_finite() {
        return if db > 0.0 { "open above".into() } else { "open below".into() };
    }
    let v = unit.from_db(db);
    let digits = if unit.decibel || v.abs() >= 99.95 {
        1
    } else if v.abs() >= 9.995 {
        2
    } else {
        3
    };
    format!("{v:.digits$}")
}

fn percent(p: f64) -> String {
    match 100.0 * p {
        v if v > 99.9 => "above 99.9 %".into(),
        v if v < 0.1 => "below 0.1 %".into(),
        v if !(1.0..=99.0).contains(&v) => format!("{v:.1} %"),
        v => format!("{v:.0} %"),
    }
}

fn verdict(a: &ThresholdArgs, unit: LevelUnit, found: &[Assessed]) -> String {
    let Some(required) = a.required else { return String::new() };
    let worst = found
        .iter()
        .filter(|f| f.margin_db.is_some())
        .min_by(|x, y| x.met.cmp(&y.met).then(x.margin_db.unwrap_or(0.0).total_cmp(&y.margin_db.unwrap_or(0.0))));
    let Some(w) = worst else { return String::new() };
    let place = w.frequency_hz.map_or(String::new(), |f| format!(" at {}", hz(f)));
    let margin = w.margin_db.unwrap_or(0.0);
    let side = match w.known {
        Known::AtLeast => "at least ",
        Known::AtMost => "at most ",
        Known::Both => "",
    };
    let chance = w.probability_met.map_or("the trials say nothing of that level".to_owned(), |p| {
        format!("probability that the threshold is above it: {}", percent(p))
    });
    let head = if found.iter().all(|f| f.met == Some(true)) {
        format!("{required} {} is borne, with {side}{margin:.1} dB in hand{place}; {chance}.", unit.symbol)
    } else if w.failures_below_required > 0 {
        format!(
            "{required} {} is not borne: {} of {} trials{place} failed at or below it; {chance}.",
            unit.symbol, w.failures_below_required, w.trials
        )
    } else {
        format!(
            "{required} {} is not shown to be borne: the margin{place} is {side}{margin:.1} dB, {chance}, and {} was asked for.",
            unit.symbol,
            percent(a.confidence)
        )
    };
    format!("{head}\n\n")
}

fn in_words(
    table: &TrialTable,
    a: &ThresholdArgs,
    required_db: Option<f64>,
    found: &[Assessed],
    changed: &[Changed],
    advice: &[(Option<f64>, Advice)],
) -> String {
    let unit = table.unit;
    let mut text = verdict(a, unit, found);
    let rows = found
        .iter()
        .map(|f| {
            let t = f.threshold.as_ref();
            vec![
                f.frequency_hz.map_or(String::new(), hz),
                format!("{}", f.trials),
                format!("{}", f.failures),
                match (t, f.known) {
                    (Some(t), _) => told(unit, t.level_db),
                    (None, Known::AtMost) => format!("below {}", told(unit, f.lowest_db)),
                    (None, _) => format!("above {}", told(unit, f.highest_db)),
                },
                t.map_or(String::new(), |t| format!("{} to {}", told(unit, t.low_db), told(unit, t.high_db))),
                t.filter(|t| t.spread_db > 0.0 && !t.separated)
                    .map_or(String::new(), |t| format!("{:.1}", t.spread_db)),
                f.margin_db.map_or(String::new(), |m| format!("{m:+.1}")),
                match (f.margin_db, f.probability_met) {
                    (None, _) => String::new(),
                    (_, Some(p)) => percent(p),
                    _ => "not said".into(),
                },
                match (
                    f.met,
                    f.failures_below_required > 0 || f.probability_met.is_some_and(|p| p < 1.0 - a.confidence),
                ) {
                    (None, _) => String::new(),
                    (Some(true), _) => "borne".into(),
                    (_, true) => "NOT borne".into(),
                    _ => "not shown".into(),
                },
            ]
        })
        .collect();
    let interval = format!("{} interval", percent(a.confidence));
    let head = format!("{}, {}", if (a.part - 0.5).abs() < 1e-9 { "threshold" } else { "level" }, unit.symbol);
    text.push_str(&print::table(
        &[
            "frequency",
            "trials",
            "failed",
            &head,
            &interval,
            "spread, dB",
            "margin, dB",
            "above required",
            "required level",
        ],
        rows,
        &[0, 1, 2, 3, 5, 6, 7],
    ));
    text.push('\n');
    if found.iter().filter(|f| f.frequency_hz.is_some()).count() > 1 {
        text.push_str(&draw::thresholds(unit, required_db, found));
    } else {
        for (_, trials) in table.by_frequency() {
            text.push_str(&draw::staircase(unit, required_db, &trials));
        }
    }
    for f in found {
        if let Some(r) = &f.remark {
            text.push_str(&format!("· {}{r}\n", f.frequency_hz.map_or(String::new(), |f| format!("{}: ", hz(f)))));
        }
    }
    if !changed.is_empty() {
        text.push_str("\nWhat the change did (after minus before; better is positive):\n");
        let rows = changed
            .iter()
            .map(|c| {
                let end = |v: f64| if v.is_finite() { format!("{v:+.1}") } else { "open".to_owned() };
                vec![
                    c.frequency_hz.map_or(String::new(), hz),
                    format!("{:+.1}", c.change.gain_db),
                    format!("{} to {}", end(c.change.low_db), end(c.change.high_db)),
                    match (c.change.is_certain, c.change.gain_db > 0.0) {
                        (true, true) => "better",
                        (true, false) => "worse",
                        _ => "could be chance",
                    }
                    .to_owned(),
                ]
            })
            .collect();
        text.push_str(&print::table(&["frequency", "gain, dB", &interval, ""], rows, &[0, 1]));
    }
    if !advice.is_empty() {
        text.push_str("\nNext:\n");
        for (f, n) in advice {
            let place = f.map_or(String::new(), |f| format!("{}: ", hz(f)));
            match n.next_db {
                Some(db) => text.push_str(&format!("· {place}try {} {} ({})\n", told(unit, db), unit.symbol, n.reason)),
                None => text.push_str(&format!("· {place}{}\n", n.reason)),
            }
        }
    }
    text.push_str(&format!(
        "\nThe threshold is the level at which {} of the trials fail; its interval is that of the likelihood ratio{}.\n\n{THRESHOLD_CAUTION}",
        percent(a.part),
        if a.repeatable { ", or highest pass to lowest failure where it fails the same way every time" } else { "" }
    ));
    text
}
