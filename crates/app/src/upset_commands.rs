//! `hushfield upset`: why the product falls over.

use std::path::PathBuf;

use cause::case::Outcome as Showed;
use cause::upset::{Effect, UpsetCase, UpsetExperiment, UpsetProduct};
use clap::Args;
use formats::trials::read_trials;
use project::Product;
use serde_json::json;
use workbench::upset::{UpsetTest, enter_upset_experiment, upset_of_series, upset_of_table, upset_product};

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, hz};
use crate::threshold_commands::THRESHOLD_CAUTION;

#[derive(Debug, Args)]
pub(crate) struct UpsetArgs {
    /// Thresholds over frequency (frequency_hz,threshold_v_per_m), trials (level_…,failed with frequency_hz, port, polarity,
    /// effect, modulation), or a project's folder with --run
    pub(crate) path: PathBuf,
    /// The product.toml whose cables, clocks, slots and housing are held against it
    #[arg(long)]
    pub(crate) product: Option<PathBuf>,
    /// A series of trials of the project
    #[arg(long, value_name = "SERIES")]
    pub(crate) run: Option<String>,
    /// What was done: field, conducted, burst, discharge, surge [default: by unit and columns]
    #[arg(long, value_name = "TEST")]
    pub(crate) test: Option<String>,
    /// What was seen, in words: noise, wrong data, reset, latch
    #[arg(long)]
    pub(crate) effect: Option<String>,
    /// What an experiment showed, e.g. `ferrite:sensors=changed` or `unmodulated=unchanged`; with --run it enters the ledger
    #[arg(long, value_name = "EXPERIMENT=RESULT")]
    pub(crate) tried: Vec<String>,
}

fn tried(text: &str) -> Result<(&str, bool), Failure> {
    let wrong = || Failure::input(format!("--tried: found `{text}`; expected EXPERIMENT=changed or =unchanged"));
    let (key, result) = text.rsplit_once('=').ok_or_else(wrong)?;
    match result {
        "changed" => Ok((key, true)),
        "unchanged" => Ok((key, false)),
        _ => Err(wrong()),
    }
}

fn case_of(a: &UpsetArgs) -> Result<UpsetCase, Failure> {
    let test = |name: &str| {
        UpsetTest::of(name).ok_or_else(|| {
            Failure::input(format!("--test `{name}`: expected field, conducted, burst, discharge or surge"))
        })
    };
    if let Some(series) = &a.run {
        if !a.path.is_dir() {
            return Err(Failure::input(format!("{}: --run belongs to a project's folder", a.path.display())));
        }
        for text in &a.tried {
            let (key, changed) = tried(text)?;
            enter_upset_experiment(&a.path, series, key, changed, "")?;
        }
        return Ok(upset_of_series(&a.path, series)?);
    }
    if a.path.is_dir() {
        return Err(Failure::input(format!("{}: a folder; expected --run SERIES with it", a.path.display())));
    }
    let name = a.path.display().to_string();
    let bytes = std::fs::read(&a.path).map_err(|e| Failure::input(format!("{name}: {e}")))?;
    let table = read_trials(&String::from_utf8_lossy(&bytes), &name).map_err(|e| Failure::input(e.to_string()))?;
    let product = match &a.product {
        None => UpsetProduct::default(),
        Some(path) => {
            let name = path.display().to_string();
            let text = std::fs::read_to_string(path).map_err(|e| Failure::input(format!("{name}: {e}")))?;
            upset_product(&Product::read(&text, &name).map_err(|e| Failure::input(e.to_string()))?.product)
        }
    };
    let test = a.test.as_deref().map_or(Ok(UpsetTest::guess(&table)), test)?;
    let effect = match &a.effect {
        None => None,
        Some(words) => Some(Effect::read(words).ok_or_else(|| {
            Failure::input(format!("--effect `{words}`: expected words such as noise, wrong data, reset or latch"))
        })?),
    };
    let mut case = upset_of_table(&table, &product, test, effect)?;
    for text in &a.tried {
        let (key, changed) = tried(text)?;
        let experiment = UpsetExperiment::from_key(key).ok_or_else(|| {
            let known: Vec<String> = case.proposals().into_iter().map(|p| p.key).collect();
            Failure::input(format!("--tried `{key}`: expected one of {}", known.join(", ")))
        })?;
        case.enter(&experiment, if changed { Showed::Changed } else { Showed::Unchanged });
    }
    Ok(case)
}

/// A factor of the odds for people.
fn odds(factor: f64) -> String {
    let (sign, value) = if factor >= 1.0 { ('×', factor) } else { ('÷', 1.0 / factor) };
    match value {
        v if v < 9.95 => format!("{sign}{v:.1}"),
        v if v < 1000.0 => format!("{sign}{v:.0}"),
        _ => format!("{sign}1000 or more"),
    }
}

/// Never 0 or 100 %.
fn chance(p: f64) -> String {
    match 100.0 * p {
        v if v > 99.0 => "above 99 %".into(),
        v if v < 1.0 => "below 1 %".into(),
        v => format!("{v:.0} %"),
    }
}

pub(crate) fn upset(show: Show, a: &UpsetArgs) -> Result<Outcome, Failure> {
    let case = case_of(a)?;
    let (ranking, proposals) = (case.ranking(), case.proposals());
    if show.json {
        let done: Vec<_> =
            case.done.iter().map(|d| json!({ "key": d.experiment.key(), "words": d.in_words() })).collect();
        print::json(&json!({
            "frequency_hz": case.frequency_hz, "dips": case.dips, "hypotheses": ranking, "proposals": proposals, "done": done,
            "remarks": case.remarks, "caution": THRESHOLD_CAUTION,
        }))?;
        return Ok(Outcome::Done);
    }
    let mut text = format!("{}\n", case.in_words());
    if !case.dips.is_empty() {
        let rows = case
            .dips
            .iter()
            .take(8)
            .map(|d| vec![hz(d.frequency_hz), format!("{:.1}", d.depth_db), format!("{:.1}", 100.0 * d.relative_width)])
            .collect();
        text.push_str(&print::table(&["dip at", "depth, dB", "width, %"], rows, &[0, 1, 2]));
    }
    text.push_str("\nWhy does it fall over?\n\n");
    for (i, r) in ranking.iter().enumerate().filter(|(i, r)| *i < 3 || r.probability > 0.05) {
        text.push_str(&format!("{}. {}: {}\n", i + 1, r.words, chance(r.probability)));
        for s in &r.speaks_for {
            text.push_str(&format!("   for ({}):     {}\n", odds(s.factor), s.text));
        }
        for s in &r.speaks_against {
            text.push_str(&format!("   against ({}): {}\n", odds(s.factor), s.text));
        }
        if i < 3 {
            text.push_str(&format!("   What usually helps: {}\n", r.remedy));
        }
    }
    for remark in &case.remarks {
        text.push_str(&format!("· {remark}\n"));
    }
    text.push_str(
        "A factor is how many times as likely the observation is under this answer as under the others on average.\n\
         \nWhat would tell most for its time:\n",
    );
    for p in proposals.iter().take(4) {
        text.push_str(&format!(
            "· {} ({:.0} min, {:.2} bit; enter with --tried \"{}=changed\" or \"…=unchanged\")\n",
            p.instruction, p.minutes, p.information_bits, p.key
        ));
        if let Some(caution) = &p.caution {
            text.push_str(&format!("  Caution: {caution}\n"));
        }
    }
    text.push_str(&format!("\n{THRESHOLD_CAUTION}"));
    print::text(&text)?;
    Ok(Outcome::Done)
}
