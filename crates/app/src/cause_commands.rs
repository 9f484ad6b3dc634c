//! `hushfield cause`: what makes the peaks.

use std::path::PathBuf;

use cause::case::Path as WayOut;
use cause::{CombSearch, ExplainedComb, doubt};
use clap::{Args, ValueEnum};
use project::Product;
use serde_json::{Value, json};
use workbench::why_tables::{SourceEdge, edges_of_run, humps};
use workbench::{Why, WhyChoices, case_of_run, enter_experiment, timing_of_run, why_of_file, why_of_run};

use crate::args::SweepFlags;
use crate::choices;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};
use crate::progress::Bar;

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReadAs {
    /// One peak a row
    Peaks,
    /// Levels over the whole range, in which peaks are to be found
    Trace,
}

#[derive(Debug, Args)]
pub(crate) struct Cause {
    /// A list of peaks (frequency_hz,level_dbuv), a trace or sweep, or a project's folder with --run
    pub(crate) path: PathBuf,
    /// The product.toml whose clocks and converters are looked for
    #[arg(long)]
    pub(crate) product: Option<PathBuf>,
    /// A run of the project
    #[arg(long)]
    pub(crate) run: Option<String>,
    /// Read the file as this, whatever it looks like
    #[arg(long, value_name = "WHAT")]
    pub(crate) read_as: Option<ReadAs>,
    /// Largest error of the frequencies [default: fractions of the bandwidth, and half the step they stand on]
    #[arg(long, value_name = "HZ", value_parser = above_zero)]
    pub(crate) tolerance: Option<f64>,
    /// Lowest fundamental looked for [default: the bandwidth]
    #[arg(long, value_name = "HZ", value_parser = above_zero)]
    pub(crate) from: Option<f64>,
    /// Highest fundamental looked for [default: a third of the highest peak]
    #[arg(long, value_name = "HZ", value_parser = above_zero)]
    pub(crate) to: Option<f64>,
    /// Report combs that at most this share of random lists would show
    #[arg(long, value_name = "P", default_value_t = 0.01, value_parser = probability)]
    pub(crate) false_alarm: f64,
    /// Open the case of the emission nearest to this frequency (with --run): makers, evidence, the next experiment
    #[arg(long, value_name = "HZ", value_parser = above_zero, requires = "run")]
    pub(crate) at: Option<f64>,
    /// Enter what an experiment showed, e.g. `unplug:sensors=changed` or `stop:mains converter=unchanged`
    #[arg(long, value_name = "EXPERIMENT=RESULT", requires = "at")]
    pub(crate) tried: Vec<String>,
    /// What is to stay in hand when slower edges are asked for, dB (with --run)
    #[arg(long, value_name = "DB", default_value_t = 3.0, allow_negative_numbers = true)]
    pub(crate) in_hand: f64,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}

fn above_zero(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().ok().filter(|v| v.is_finite() && *v > 0.0);
    value.ok_or_else(|| "expected a number above 0".to_owned())
}

fn probability(text: &str) -> Result<f64, String> {
    let value = text.parse::<f64>().ok().filter(|v| *v > 0.0 && *v < 1.0);
    value.ok_or_else(|| "expected a number between 0 and 1".to_owned())
}

pub(crate) fn cause(show: Show, a: &Cause) -> Result<Outcome, Failure> {
    let sweep = choices::sweep(&a.sweep)?;
    let choices = WhyChoices {
        bandwidth_hz: sweep.bandwidth_hz,
        tolerance_hz: a.tolerance,
        is_list: a.read_as.map(|r| r == ReadAs::Peaks),
        search: CombSearch { from_hz: a.from, to_hz: a.to, most_false_alarm: a.false_alarm, ..CombSearch::default() },
    };
    if let (Some(from), Some(to)) = (a.from, a.to)
        && from >= to
    {
        return Err(Failure::input(format!("--from {from} --to {to}: expected the lower frequency first")));
    }
    let why = match (&a.run, a.path.is_dir()) {
        (Some(run), true) => {
            let mut bar = Bar::new(show.quiet);
            why_of_run(&a.path, run, &choices, &mut |s| bar.tell(s))?
        }
        (Some(_), false) => {
            return Err(Failure::input(format!("{}: --run belongs to a project's folder", a.path.display())));
        }
        (None, true) => {
            return Err(Failure::input(format!("{}: a folder; expected --run RUN with it", a.path.display())));
        }
        (None, false) => {
            let product = a.product.as_deref().map(read_product).transpose()?;
            why_of_file(&a.path, product.as_ref(), &sweep, &choices)?
        }
    };
    if let (Some(at), Some(run)) = (a.at, &a.run) {
        return the_case(show, a, &why, run, at);
    }
    // What slower edges would do is asked of a run, which has limits.
    let edges = match &a.run {
        Some(run) => edges_of_run(&a.path, run, &why, a.in_hand, &mut |_| std::ops::ControlFlow::Continue(()))?,
        None => Vec::new(),
    };
    if show.json {
        let mut value = document(&why);
        value["edges"] = json!(edges);
        value["humps"] = json!(humps(&why).into_iter().map(|h| h.0).collect::<Vec<_>>());
        print::json(&value)?;
    } else {
        print::text(&in_words(&why))?;
        for (_, words) in humps(&why) {
            print::text(&format!("{words}\n"))?;
        }
        print::text(&edges_in_words(&edges))?;
    }
    Ok(Outcome::Done)
}

fn edges_in_words(edges: &[SourceEdge]) -> String {
    let mut text = String::new();
    for e in edges {
        text.push_str(&format!("\nSlower edges of “{}”: {}\n", e.source, e.words));
        let rows = e
            .multiples
            .iter()
            .map(|m| {
                let edge =
                    if m.too_slow { "another remedy".to_owned() } else { format!("{:.1} ns", 1e9 * m.rise_time_s) };
                vec![m.multiple.to_string(), hz(m.frequency_hz), db(m.margin_db), m.limit.clone(), edge]
            })
            .collect();
        text.push_str(&print::table(&["multiple", "at", "margin, dB", "limit", "rise time needed"], rows, &[0, 1, 2]));
    }
    text
}

fn the_case(show: Show, a: &Cause, why: &Why, run: &str, at: f64) -> Result<Outcome, Failure> {
    // What was tried belongs to the emission that is asked for: the peak nearest to the frequency given.
    let nearest = why.peaks.iter().min_by(|a, b| (a.frequency_hz - at).abs().total_cmp(&(b.frequency_hz - at).abs()));
    let at = nearest.map_or(at, |p| p.frequency_hz);
    for tried in &a.tried {
        let wrong = || Failure::input(format!("--tried: found `{tried}`; expected EXPERIMENT=changed or =unchanged"));
        let (experiment, result) = tried.rsplit_once('=').ok_or_else(wrong)?;
        let changed = match result {
            "changed" => true,
            "unchanged" => false,
            _ => return Err(wrong()),
        };
        enter_experiment(&a.path, run, at, experiment, changed, "")?;
    }
    let case = case_of_run(&a.path, run, why, at, &mut |_| std::ops::ControlFlow::Continue(()))?;
    let quiet = &mut |_: &workbench::Stage| std::ops::ControlFlow::Continue(());
    let timing = timing_of_run(&a.path, run, case.frequency_hz, quiet)?;
    let (ranking, proposals) = (case.ranking(), case.proposals());
    if show.json {
        let proposals: Vec<Value> =
            proposals.iter().map(|p| json!({ "key": p.experiment.kind.key(), "proposal": p })).collect();
        print::json(&json!({
            "frequency_hz": case.frequency_hz, "makers": ranking, "paths": case.ranked_paths(), "remarks": case.remarks,
            "done": case.done, "timing": timing, "proposals": proposals,
        }))?;
        return Ok(Outcome::Done);
    }
    let mut text = format!("Who makes {}?\n\n", hz(case.frequency_hz));
    for (i, r) in ranking.iter().enumerate().filter(|(i, r)| *i < 3 || r.probability > 0.05) {
        text.push_str(&format!("{}. {}: {:.0} %\n", i + 1, r.maker.name, 100.0 * r.probability));
        for s in &r.speaks_for {
            text.push_str(&format!("   for ({}):     {}\n", odds(s.factor), s.text));
        }
        for s in &r.speaks_against {
            text.push_str(&format!("   against ({}): {}\n", odds(s.factor), s.text));
        }
    }
    if let Some(t) = &timing {
        text.push_str(&format!("\nOver time: {}\n", t.words));
    }
    text.push_str("\nBy which way:\n");
    for p in case.ranked_paths().iter().filter(|p| p.probability > 0.02) {
        text.push_str(&format!("· {}: {:.0} %\n", way(&p.path), 100.0 * p.probability));
        // From outside is one maker: what speaks for it stands above.
        for s in p.speaks_for.iter().chain(&p.speaks_against).filter(|_| p.path != WayOut::Outside) {
            text.push_str(&format!("   {}: {}\n", odds(s.factor), s.text));
        }
    }
    for remark in &case.remarks {
        text.push_str(&format!("· {remark}\n"));
    }
    text.push_str(
        "A factor is how many times as likely the observation is under this answer as under the others on average.\n",
    );
    text.push_str("\nWhat would tell most for its time:\n");
    for p in proposals.iter().take(4) {
        text.push_str(&format!(
            "· {} ({:.0} min, {:.2} bit; enter with --tried \"{}=changed\" or \"…=unchanged\")\n",
            p.instruction,
            p.experiment.minutes,
            p.information_bits,
            p.experiment.kind.key()
        ));
        if let Some(caution) = &p.caution {
            text.push_str(&format!("  Caution: {caution}\n"));
        }
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

/// Two decimals with a sign, but no signed zero.
fn signed(value: f64) -> String {
    let text = format!("{value:+.2}");
    if text == "-0.00" || text == "+0.00" { "0.00".to_owned() } else { text }
}

/// A factor of the odds for people: `×3.1`, `÷12`.
fn odds(factor: f64) -> String {
    let (sign, value) = if factor >= 1.0 { ('×', factor) } else { ('÷', 1.0 / factor) };
    if value < 9.95 { format!("{sign}{value:.1}") } else { format!("{sign}{value:.0}") }
}

fn way(path: &WayOut) -> String {
    match path {
        WayOut::Cable(name) => format!("along the cable “{name}”"),
        WayOut::MainsDifferential => "on the mains conductors against each other".to_owned(),
        WayOut::Direct => "from the boards or through slots".to_owned(),
        WayOut::Outside => "from outside".to_owned(),
    }
}

fn read_product(path: &std::path::Path) -> Result<Product, Failure> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|e| Failure::input(format!("{name}: {e}")))?;
    let reading = Product::read(&text, &name).map_err(|e| Failure::input(e.to_string()))?;
    Ok(reading.product)
}

fn document(why: &Why) -> Value {
    let peaks: Vec<Value> = why
        .explanation
        .unexplained
        .iter()
        .map(|&k| json!({ "frequency_hz": why.peaks[k].frequency_hz, "level_db": why.peaks[k].level_db }))
        .collect();
    json!({
        "peaks": why.peaks.len(),
        "understood": why.notes,
        "combs": why.explanation.combs,
        "modulations": why.explanation.modulations,
        "intermodulations": why.explanation.intermodulations,
        "unexplained": peaks,
    })
}

fn in_words(why: &Why) -> String {
    let mut text = String::new();
    for n in &why.notes {
        text.push_str(&format!("· {n}\n"));
    }
    text.push('\n');
    let e = &why.explanation;
    if e.combs.is_empty() {
        text.push_str("No family of multiples stands out from what a random list of as many peaks would show.\n");
    }
    for (i, c) in e.combs.iter().enumerate() {
        text.push_str(&format!(
            "{}. {} ± {}: {}\n",
            i + 1,
            hz(c.comb.fundamental_hz),
            doubt(c.comb.uncertainty_hz),
            c.source.as_deref().unwrap_or("no source of the product fits")
        ));
        for sentence in &c.evidence {
            text.push_str(&format!("   {sentence}\n"));
        }
        for other in c.source_matches.iter().skip(1).take(2) {
            text.push_str(&format!(
                "   Possible too: “{}” ({:+.2} % off).\n",
                other.name,
                100.0 * other.relative_deviation
            ));
        }
        text.push_str(&members(c));
    }
    for m in &e.modulations {
        text.push_str(&format!(
            "{} peaks stand beside multiples of {}, {} ± {} away: it is modulated at that rate.\n",
            m.sidebands.len(),
            hz(e.combs[m.comb].comb.fundamental_hz),
            hz(m.modulation_hz),
            doubt(m.uncertainty_hz)
        ));
    }
    for m in &e.intermodulations {
        let sums: Vec<String> =
            m.products.iter().map(|p| format!("{} = {}·f1 {:+}·f2", hz(p.frequency_hz), p.first, p.second)).collect();
        text.push_str(&format!(
            "Sums and differences of {} (f1) and {} (f2): {}.\n",
            hz(e.combs[m.combs[0]].comb.fundamental_hz),
            hz(e.combs[m.combs[1]].comb.fundamental_hz),
            sums.join(", ")
        ));
    }
    if !e.unexplained.is_empty() {
        let left: Vec<String> = e.unexplained.iter().take(20).map(|&k| hz(why.peaks[k].frequency_hz)).collect();
        let more = e.unexplained.len().saturating_sub(left.len());
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        text.push_str(&format!("Not explained: {}{more}.\n", left.join(", ")));
    }
    text
}

fn members(c: &ExplainedComb) -> String {
    let rows = c
        .comb
        .members
        .iter()
        .map(|m| {
            vec![
                m.multiple.to_string(),
                hz(m.frequency_hz),
                signed(m.off_hz / 1e3),
                db(m.level_db),
                if m.shared { "another family claims it too".to_owned() } else { String::new() },
            ]
        })
        .collect();
    print::table(&["multiple", "peak", "off by, kHz", "level, dB", ""], rows, &[0, 1, 2, 3])
}
