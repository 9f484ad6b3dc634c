//! How sure: uncertainty budgets, the chance of passing, what the bench has learnt, the series, whether a change helped, what
//! to measure next.

mod series;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use emission::chance::ChanceOptions;
use emission::chance::simulation::{Decile, calibration};
use emission::change::{CompareOptions, Comparison, Fate, compare, runs_to_find};
use emission::uncertainty::{cispr_rule, global_risk, guard_band_db, level_uncertainty, simulated_uncertainty};
use serde_json::json;
use standards::{BudgetPlace, Correlation, Detector, MeasurementKind};
use workbench::chance::{
    ChanceQuery, ChanceReport, FoundBudget, NextReport, NextStep, OffsetReport, built_in_budgets, chance, compare_runs,
    next, offset, project_budgets, read_budget_file,
};

use crate::args::{SweepFlags, detector};
use crate::outcome::{Failure, Outcome};
use crate::print::{self, MAINS_CAUTION, Show, db, hz};
use crate::progress::Bar;
use crate::trace_commands::any_trace;

pub(crate) use series::{SeriesArgs, series};

#[derive(Debug, Args)]
pub(crate) struct UncertaintyArgs {
    /// A file of budgets [default: those of the project, or the built-in examples]
    pub(crate) file: Option<PathBuf>,
    /// Only budgets of this kind, e.g. mains_network, current_probe, field_open_site, field_gigahertz
    #[arg(long)]
    pub(crate) kind: Option<String>,
    /// Only the budget of this id
    #[arg(long)]
    pub(crate) id: Option<String>,
    /// A project whose budgets/ are to be used
    #[arg(long)]
    pub(crate) project: Option<PathBuf>,
    /// Frequencies, Hz [default: five over the range of the kind]
    #[arg(long, value_delimiter = ',')]
    pub(crate) at: Vec<f64>,
    /// Risk of accepting a product that exceeds the limit, for the guard band
    #[arg(long, default_value_t = 0.05)]
    pub(crate) risk: f64,
    /// Draws of the simulation beside the GUM
    #[arg(long, default_value_t = 200_000)]
    pub(crate) trials: usize,
}

#[derive(Debug, Args)]
pub(crate) struct ChanceArgs {
    /// The project's folder
    #[arg(required_unless_present = "calibration")]
    pub(crate) dir: Option<PathBuf>,
    /// Only this port, by its id
    #[arg(long)]
    pub(crate) port: Option<String>,
    /// The modification state [default: that of the last run on the bench]
    #[arg(long)]
    pub(crate) state: Option<String>,
    /// The laboratory whose paired runs count [default: the one with most runs]
    #[arg(long)]
    pub(crate) laboratory: Option<String>,
    /// Instead: hold the estimate against so many simulated campaigns
    #[arg(long, value_name = "CAMPAIGNS", conflicts_with = "dir")]
    pub(crate) calibration: Option<usize>,
}

#[derive(Debug, Args)]
pub(crate) struct OffsetArgs {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// The laboratory [default: the one with most runs]
    #[arg(long)]
    pub(crate) laboratory: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct CompareArgs {
    /// A project's folder: --before and --after then name runs
    pub(crate) dir: Option<PathBuf>,
    /// Runs of the project, or trace files, before the change
    #[arg(long, value_delimiter = ',', required = true)]
    pub(crate) before: Vec<String>,
    /// Runs of the project, or trace files, after it
    #[arg(long, value_delimiter = ',', required = true)]
    pub(crate) after: Vec<String>,
    /// Detector to compare [default: quasi-peak, else average, else peak]
    #[arg(long, value_parser = detector)]
    pub(crate) detector: Option<Detector>,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}

#[derive(Debug, Args)]
pub(crate) struct NextArgs {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// Only this port, by its id
    #[arg(long)]
    pub(crate) port: Option<String>,
    /// The modification state [default: that of the last run on the bench]
    #[arg(long)]
    pub(crate) state: Option<String>,
    /// The laboratory whose paired runs count [default: the one with most runs]
    #[arg(long)]
    pub(crate) laboratory: Option<String>,
}

pub(crate) fn percent(p: f64) -> String {
    format!("{:.1} %", 100.0 * p)
}

fn kind_of(text: &str) -> Result<MeasurementKind, Failure> {
    let plain = text.trim().to_ascii_lowercase().replace('-', "_");
    let key = |k: MeasurementKind| json!(k).as_str().unwrap_or_default().to_owned();
    MeasurementKind::ALL.into_iter().find(|k| key(*k) == plain).ok_or_else(|| {
        let known: Vec<String> = MeasurementKind::ALL.into_iter().map(key).collect();
        Failure::input(format!("--kind {text}: expected one of {}", known.join(", ")))
    })
}

/// The budgets asked for: of a file, of a project, or the built-in ones.
fn budgets(a: &UncertaintyArgs) -> Result<Vec<FoundBudget>, Failure> {
    let mut found = match (&a.file, &a.project) {
        (Some(file), _) => read_budget_file(file)?,
        (None, Some(dir)) => {
            let own = project_budgets(dir)?;
            if own.is_empty() { built_in_budgets() } else { own }
        }
        (None, None) => built_in_budgets(),
    };
    let all: Vec<String> = found.iter().map(|b| b.budget.id.clone()).collect();
    if let Some(kind) = &a.kind {
        let kind = kind_of(kind)?;
        found.retain(|b| b.budget.kind == kind);
    }
    if let Some(id) = &a.id {
        found.retain(|b| &b.budget.id == id);
    }
    if found.is_empty() {
        return Err(Failure::input(format!("no such budget; expected one of {}", all.join(", "))));
    }
    Ok(found)
}

fn across(correlation: Correlation) -> String {
    match correlation {
        Correlation::Common => "common".to_owned(),
        Correlation::Independent => "each its own".to_owned(),
        Correlation::Octaves(n) => format!("{n} octaves"),
    }
}

pub(crate) fn uncertainty(show: Show, a: &UncertaintyArgs) -> Result<Outcome, Failure> {
    if !(a.risk > 0.0 && a.risk <= 0.5) {
        return Err(Failure::input(format!("--risk {}: expected a probability above 0, at most 0.5", a.risk)));
    }
    let mut documents = Vec::new();
    let mut text = String::new();
    for found in budgets(a)? {
        let b = &found.budget;
        let published = b.kind.published();
        let at: Vec<f64> = if a.at.is_empty() {
            (0..5)
                .map(|i| published.from_hz * (published.to_hz / published.from_hz).powf(f64::from(i) / 4.0))
                .map(|f| f.clamp(published.from_hz, published.to_hz))
                .collect()
        } else {
            a.at.clone()
        };
        let mut rows = Vec::new();
        let mut levels = Vec::new();
        for &f in &at {
            let outside = || {
                Failure::input(format!("budget `{}` says nothing at {}: expected --at inside its tables", b.id, hz(f)))
            };
            let gum = level_uncertainty(b, f).ok_or_else(outside)?;
            let drawn = simulated_uncertainty(b, f, a.trials, 1).ok_or_else(outside)?;
            let rule = cispr_rule(gum.expanded_db, published.u_cispr_db);
            let guard_db = guard_band_db(gum.standard_db, a.risk);
            let (low_db, high_db) = drawn.symmetric_interval(0.95);
            rows.push(vec![
                hz(f),
                format!("{:.2}", gum.standard_db),
                format!("{:.2}", gum.expanded_db),
                format!("{:.2} ± {:.2}", drawn.standard, 2.0 * drawn.standard_error),
                format!("{:+.1} to {:+.1}", low_db - drawn.mean, high_db - drawn.mean),
                percent((gum.common_db / gum.standard_db).powi(2)),
                format!("{:+.1}", gum.shift_db),
                format!("{:.1}", rule.addition_db),
                format!("{guard_db:.1}"),
            ]);
            let risk = global_risk(3.0, 6.0, gum.standard_db, guard_db);
            levels.push(json!({
                "uncertainty": gum,
                "simulated": {
                    "trials": a.trials, "mean_db": drawn.mean, "standard_db": drawn.standard,
                    "standard_error_db": drawn.standard_error, "interval_95_db": [low_db, high_db],
                },
                "rule": rule,
                "guard_band_db": guard_db,
                "global_risk_of_products_3_db_within_spread_6_db": risk,
            }));
        }
        let _ = writeln!(text, "{} ({}; {}; {})", b.title, b.id, found.origin, b.source);
        let heads = [
            "at",
            "u, dB",
            "U (k = 2), dB",
            "u simulated, dB",
            "95 % simulated, dB",
            "common",
            "shift, dB",
            "added, dB",
            "guard band, dB",
        ];
        text.push_str(&print::table(&heads, rows, &[1, 2, 3, 4, 5, 6, 7, 8]));
        let middle = at[at.len() / 2];
        if let Some(gum) = level_uncertainty(b, middle) {
            let rows = gum
                .shares
                .iter()
                .map(|s| {
                    vec![
                        s.name.clone(),
                        format!("{:.2}", s.standard_db),
                        percent(s.variance_share),
                        across(s.correlation),
                    ]
                })
                .collect();
            let _ = write!(
                text,
                "\nAt {}\n{}",
                hz(middle),
                print::table(&["contribution", "u, dB", "of the variance", "across frequency"], rows, &[1, 2])
            );
            if let Some(v) = gum.degrees_of_freedom {
                let _ = writeln!(text, "Effective degrees of freedom {v:.0}, k for 95 % {:.2}.", gum.k_95);
            }
        }
        let whose = if b.place == BudgetPlace::Laboratory { "a laboratory's" } else { "a bench's" };
        let _ = writeln!(
            text,
            "U_cispr for this kind: {:.1} dB ({}). Where U is larger, what it is larger by is added to every reading \
             (CISPR 16-4-2); simple acceptance compares with the limit, guarded acceptance keeps the guard band below it \
             (risk {}, JCGM 106). This is {whose} budget; the shift is not added to readings.\n",
            published.u_cispr_db,
            published.source,
            percent(a.risk)
        );
        documents.push(json!({
            "budget": b, "origin": found.origin, "u_cispr_db": published.u_cispr_db, "risk": a.risk, "levels": levels,
        }));
    }
    if show.json {
        print::json(&json!({ "budgets": documents }))?;
    } else {
        print::text(&text)?;
    }
    Ok(Outcome::Done)
}

fn query(port: Option<&String>, state: Option<&String>, laboratory: Option<&String>) -> ChanceQuery {
    ChanceQuery { port: port.cloned(), state: state.cloned(), laboratory: laboratory.cloned() }
}

fn notes_text(notes: &[String]) -> String {
    notes.iter().fold(String::new(), |mut out, n| {
        let _ = writeln!(out, "Note: {n}");
        out
    })
}

pub(crate) fn chance_command(show: Show, a: &ChanceArgs) -> Result<Outcome, Failure> {
    if let Some(campaigns) = a.calibration {
        return calibrate(show, campaigns);
    }
    let dir = a.dir.as_deref().ok_or_else(|| Failure::input("expected the project's folder"))?;
    let mut bar = Bar::new(show.quiet);
    let q = query(a.port.as_ref(), a.state.as_ref(), a.laboratory.as_ref());
    let report = chance(dir, &q, &mut |s| bar.tell(s))?;
    drop(bar);
    if show.json {
        print::json(&report)?;
    } else {
        print::text(&chance_text(&report))?;
    }
    Ok(Outcome::Done)
}

fn chance_text(report: &ChanceReport) -> String {
    let mut out = String::new();
    let of = [("state", &report.state), ("sample", &report.sample), ("laboratory", &report.laboratory_name)];
    let said: Vec<String> = of.iter().filter_map(|(name, v)| v.as_ref().map(|v| format!("{name} {v}"))).collect();
    if !said.is_empty() {
        let _ = writeln!(out, "{}", said.join(", "));
    }
    let _ = writeln!(out, "{}", report.sentence);
    for p in &report.parts {
        let c = &p.chance;
        let _ = writeln!(
            out,
            "\n{}: {} (± {} from the simulation)",
            p.title,
            percent(c.probability),
            percent(2.0 * c.standard_error)
        );
        let rows = c
            .emissions
            .iter()
            .take(10)
            .filter(|e| e.probability_over > 0.0005)
            .map(|e| {
                vec![
                    hz(e.frequency_hz),
                    e.label.clone(),
                    db(e.bench_margin_db),
                    format!("{:.1} ± {:.1}", e.expected_margin_db, 2.0 * e.standard_db),
                    percent(e.probability_over),
                    format!("{:+.1}", 100.0 * e.gain_without),
                ]
            })
            .collect::<Vec<_>>();
        if rows.is_empty() {
            out.push_str("No emission is likely to exceed its limit at the laboratory.\n");
        } else {
            let heads = ["emission", "where", "margin read, dB", "expected there, dB", "over", "points without it"];
            out.push_str(&print::table(&heads, rows, &[2, 3, 4, 5]));
        }
        let rows = c
            .sources
            .iter()
            .take(8)
            .map(|s| {
                vec![
                    s.name.clone(),
                    s.side.to_owned(),
                    format!("{:.2}", s.standard_db),
                    percent(s.variance_share),
                    percent(s.probability_without),
                ]
            })
            .collect();
        let heads = ["source of doubt", "from", "u, dB", "of the variance", "chance without it"];
        let _ = write!(out, "\n{}", print::table(&heads, rows, &[2, 3, 4]));
        let _ = writeln!(
            out,
            "{} Bench {:.1} dB ({}), laboratory {:.1} dB ({}), both k = 2. {} emissions, {} pairs; the product's own margins \
             spread by about {:.0} dB. Runs {}.",
            p.repeatability_words,
            p.bench.expanded_db,
            p.bench.id,
            p.laboratory.expanded_db,
            p.laboratory.id,
            c.emissions_used,
            c.pairs_used,
            c.population_db,
            p.runs.join(", ")
        );
    }
    let _ = write!(out, "\n{}", notes_text(&report.notes));
    out
}

fn calibrate(show: Show, campaigns: usize) -> Result<Outcome, Failure> {
    if !(100..=1_000_000).contains(&campaigns) {
        return Err(Failure::input(format!("--calibration {campaigns}: expected 100 to 1000000 campaigns")));
    }
    let options = ChanceOptions { spread_draws: 32, deviation_draws: 32, ..ChanceOptions::default() };
    let deciles: Vec<Decile> = calibration(campaigns, 2, &options);
    if show.json {
        print::json(&json!({ "campaigns": campaigns, "deciles": deciles }))?;
        return Ok(Outcome::Done);
    }
    let rows = deciles
        .iter()
        .map(|d| {
            vec![
                format!("{:.0} to {:.0} %", 100.0 * d.from, 100.0 * d.to),
                d.campaigns.to_string(),
                percent(d.said),
                percent(d.passed),
                format!("{:+.1}", 100.0 * (d.passed - d.said)),
                format!("{:.1}", 100.0 * d.standard_error),
            ]
        })
        .collect();
    let heads = ["said", "campaigns", "said on average", "passed", "points between", "standard error"];
    print::text(&print::table(&heads, rows, &[1, 2, 3, 4, 5]))?;
    Ok(Outcome::Done)
}

pub(crate) fn offset_command(show: Show, a: &OffsetArgs) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let report = offset(&a.dir, a.laboratory.as_deref(), &mut |s| bar.tell(s))?;
    drop(bar);
    if show.json {
        print::json(&report)?;
    } else {
        print::text(&offset_text(&report))?;
    }
    Ok(Outcome::Done)
}

fn offset_text(report: &OffsetReport) -> String {
    let mut out = format!("{}\n", report.sentence);
    for p in &report.parts {
        let _ = writeln!(out, "{}", p.title);
        let _ = writeln!(out, "{}", p.sentence);
        if !p.pairs.is_empty() {
            let rows = p
                .pairs
                .iter()
                .enumerate()
                .map(|(i, pair)| {
                    let left = p.left_out.get(i);
                    vec![
                        hz(pair.frequency_hz),
                        format!("{:+.1}", pair.difference_db),
                        left.map_or_else(
                            || "–".to_owned(),
                            |l| format!("{:+.1} ± {:.1}", l.predicted_db, 2.0 * l.standard_db),
                        ),
                    ]
                })
                .collect();
            let heads = ["at", "laboratory minus bench, dB", "as the others predict, dB"];
            out.push_str(&print::table(&heads, rows, &[1, 2]));
            let rows = p
                .offset
                .iter()
                .step_by(10)
                .map(|o| {
                    vec![
                        hz(o.frequency_hz),
                        format!("{:+.1}", o.offset_db),
                        format!("{:.1}", 2.0 * o.standard_db),
                        format!("{:.1}", 2.0 * o.before_db),
                        format!("{:.1}", 2.0 * o.floor_db),
                    ]
                })
                .collect();
            let heads = ["at", "offset, dB", "± (k = 2)", "± before any pair", "± of one emission beside it"];
            let _ = write!(out, "\n{}", print::table(&heads, rows, &[1, 2, 3, 4]));
            if let Some(covered) = p.covered {
                let _ = writeln!(
                    out,
                    "Left out in turn, {} of the pairs lie within two standard deviations.",
                    percent(covered)
                );
            }
            for v in &p.visits {
                let _ = writeln!(out, "Visit: {v}.");
            }
        }
        out.push('\n');
    }
    out.push_str(&notes_text(&report.notes));
    out
}

pub(crate) fn compare_command(show: Show, a: &CompareArgs) -> Result<Outcome, Failure> {
    let found = match &a.dir {
        Some(dir) => {
            let mut bar = Bar::new(show.quiet);
            compare_runs(dir, &a.before, &a.after, a.detector, &mut |s| bar.tell(s))?
        }
        None => {
            let read = |names: &[String]| -> Result<Vec<emission::Trace>, Failure> {
                names.iter().map(|n| Ok(any_trace(Path::new(n), &a.sweep)?.0)).collect()
            };
            let (before, after) = (read(&a.before)?, read(&a.after)?);
            let (b, f): (Vec<&emission::Trace>, Vec<&emission::Trace>) =
                (before.iter().collect(), after.iter().collect());
            compare(&b, &f, a.detector, &CompareOptions::default()).map_err(|e| Failure::input(e.to_string()))?
        }
    };
    if show.json {
        print::json(&found)?;
    } else {
        print::text(&compare_text(&found))?;
    }
    Ok(Outcome::Done)
}

fn fate_word(fate: Fate) -> &'static str {
    match fate {
        Fate::Better => "better",
        Fate::Worse => "worse",
        Fate::Unchanged => "unchanged",
        Fate::Undecided => "undecided",
        Fate::Gone => "gone",
        Fate::New => "new",
    }
}

fn compare_text(c: &Comparison) -> String {
    let rows = c
        .emissions
        .iter()
        .take(25)
        .map(|e| {
            vec![
                hz(e.frequency_hz),
                db(e.before_db),
                db(e.after_db),
                format!("{:+.1} ± {:.1}", e.difference_db, e.half_width_db),
                format!("{:.3}", e.p_value),
                fate_word(e.fate).to_owned(),
            ]
        })
        .collect();
    let heads = ["emission", "before, dB", "after, dB", "difference, dB", "p (Holm)", ""];
    format!(
        "{}\n{}Levels of {}. Band around the difference trace: ± {:.1} dB at one frequency, ± {:.1} dB at all of the {} receiver \
         bandwidths at once (95 %, by the largest deviation of a whole trace). To tell 3 dB nine times in ten takes {} runs of either state.\n",
        c.sentence,
        print::table(&heads, rows, &[1, 2, 3, 4]),
        c.detector,
        c.pointwise_db,
        c.simultaneous_db,
        c.independent,
        runs_to_find(3.0, c.repetition.standard_db),
    )
}

pub(crate) fn next_command(show: Show, a: &NextArgs) -> Result<Outcome, Failure> {
    let mut bar = Bar::new(show.quiet);
    let q = query(a.port.as_ref(), a.state.as_ref(), a.laboratory.as_ref());
    let report = next(&a.dir, &q, &mut |s| bar.tell(s))?;
    drop(bar);
    if show.json {
        print::json(&report)?;
    } else {
        print::text(&next_text(&report))?;
    }
    Ok(Outcome::Done)
}

fn next_text(report: &NextReport) -> String {
    // What changes nothing is in the JSON.
    let (worth, idle): (Vec<&NextStep>, Vec<&NextStep>) =
        report.steps.iter().partition(|s| s.ranked.sharpens > 0.0005 || s.ranked.gain_per_hour > 0.0005);
    let rows = worth
        .iter()
        .take(15)
        .map(|s| {
            let r = &s.ranked;
            vec![
                r.candidate.title.clone(),
                s.part.clone(),
                format!("{:.0} min", r.candidate.minutes),
                percent(r.doubt_now),
                percent(r.doubt_after),
                percent(r.settles),
                percent(r.sharpens),
                format!("{:.1}", 100.0 * r.gain_per_hour),
            ]
        })
        .collect();
    let heads = ["measure", "for", "time", "doubt now", "doubt after", "settles it", "sharpens", "points an hour"];
    let idle = match idle.len() {
        0 => String::new(),
        1 => "One further measurement would change nothing.\n".to_owned(),
        n => format!("{n} further measurements would change nothing.\n"),
    };
    let mains = if report.steps.iter().any(|s| s.mains) { MAINS_CAUTION } else { "" };
    format!(
        "{}\n{}Doubt: probability that the likelier verdict of all measurements together is wrong; settles: probability that at \
         most 5 % of it is left; sharpens: share of P(1 − P) that goes. Times are assumptions for an ordinary bench.\n{idle}{mains}{}",
        report.sentence,
        print::table(&heads, rows, &[2, 3, 4, 5, 6, 7]),
        notes_text(&report.notes)
    )
}
