//! From samples to the series.

use std::path::{Path, PathBuf};

use clap::Args;
use emission::series::{Series, SeriesRule, judge_series};
use serde_json::json;
use standards::LimitLibrary;

use super::percent;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

#[derive(Debug, Args)]
pub(crate) struct SeriesArgs {
    /// Levels of samples: CSV with columns sample, level_db and (for a limit of the library) frequency_hz
    #[arg(required_unless_present = "margins")]
    pub(crate) file: Option<PathBuf>,
    /// A limit of the library, or one level in dB for all rows
    #[arg(long, required_unless_present = "margins", allow_negative_numbers = true)]
    pub(crate) limit: Option<String>,
    /// Margins instead of a file: limit minus level, dB, one a sample
    #[arg(long, value_delimiter = ',', allow_negative_numbers = true, conflicts_with = "file")]
    pub(crate) margins: Vec<f64>,
    /// Spread of the series that the additional margin is reckoned with, and a single sample, dB
    #[arg(long, default_value_t = 6.0)]
    pub(crate) sigma: f64,
    /// Share of the series that must be within the limit
    #[arg(long, default_value_t = 0.8)]
    pub(crate) share: f64,
    /// With this confidence
    #[arg(long, default_value_t = 0.8)]
    pub(crate) confidence: f64,
}

/// One row of a file of levels.
struct LevelRow {
    sample: String,
    frequency_hz: Option<f64>,
    level_db: f64,
}

fn level_rows(path: &Path) -> Result<Vec<LevelRow>, Failure> {
    let place = path.display();
    let text = std::fs::read_to_string(path).map_err(|e| Failure::input(format!("{place}: {e}")))?;
    let mut lines = text.lines().enumerate().filter(|(_, l)| !l.trim().is_empty() && !l.starts_with('#'));
    let (_, head) =
        lines.next().ok_or_else(|| Failure::input(format!("{place}: empty; expected a line of column names")))?;
    let names: Vec<String> = head.split(',').map(|n| n.trim().to_lowercase()).collect();
    let column = |start: &str| names.iter().position(|n| n.starts_with(start));
    let missing = |what: &str| {
        Failure::input(format!("{place}, line 1: no column {what}; expected sample,frequency_hz,level_db"))
    };
    let sample = column("sample").ok_or_else(|| missing("sample"))?;
    let level = column("level").ok_or_else(|| missing("level_db"))?;
    let frequency = column("frequency");
    let mut out = Vec::new();
    for (number, l) in lines {
        let fields: Vec<&str> = l.split(',').map(str::trim).collect();
        let number_of = |i: usize| -> Result<f64, Failure> {
            let text = fields.get(i).copied().unwrap_or("");
            text.parse::<f64>().ok().filter(|x| x.is_finite()).ok_or_else(|| {
                Failure::input(format!(
                    "{place}, line {}, column {}: `{text}`; expected a number",
                    number + 1,
                    names[i]
                ))
            })
        };
        out.push(LevelRow {
            sample: fields.get(sample).copied().unwrap_or("").to_owned(),
            frequency_hz: frequency.map(number_of).transpose()?,
            level_db: number_of(level)?,
        });
    }
    Ok(out)
}

/// Margins of every sample: the smallest over its rows.
fn margins_of(a: &SeriesArgs) -> Result<Vec<(String, f64)>, Failure> {
    let Some(path) = &a.file else {
        return Ok(a.margins.iter().enumerate().map(|(i, m)| (format!("{}", i + 1), *m)).collect());
    };
    let limit = a.limit.as_deref().ok_or_else(|| Failure::input("--limit: expected a limit's id or a level in dB"))?;
    let level: Option<f64> = limit.parse().ok();
    let known = match level {
        Some(_) => None,
        None => workbench::limits_of(LimitLibrary::embedded(), &[limit.to_owned()])?.pop(),
    };
    let mut out: Vec<(String, f64)> = Vec::new();
    for (i, row) in level_rows(path)?.into_iter().enumerate() {
        let limit_db = match (level, &known, row.frequency_hz) {
            (Some(l), _, _) => l,
            (None, Some(k), Some(f)) => match k.at(f) {
                Some(l) => l,
                None => continue,
            },
            _ => {
                return Err(Failure::input(format!(
                    "{}, row {}: no frequency_hz; expected one for the limit `{limit}`",
                    path.display(),
                    i + 1
                )));
            }
        };
        let margin = limit_db - row.level_db;
        match out.iter_mut().find(|o| o.0 == row.sample) {
            Some(o) => o.1 = o.1.min(margin),
            None => out.push((row.sample, margin)),
        }
    }
    if out.is_empty() {
        return Err(Failure::input(format!("{}: no row lies inside the limit `{limit}`", path.display())));
    }
    Ok(out)
}

pub(crate) fn series(show: Show, a: &SeriesArgs) -> Result<Outcome, Failure> {
    let rule = SeriesRule { share: a.share, confidence: a.confidence };
    let wrong = |e: emission::series::SeriesError| Failure::input(e.to_string());
    rule.check().map_err(wrong)?;
    if !(a.sigma.is_finite() && a.sigma > 0.0) {
        return Err(Failure::input(format!("--sigma {}: expected a positive number of dB", a.sigma)));
    }
    let samples = margins_of(a)?;
    let worst = samples.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
    let single = rule.single_sample(worst, a.sigma);
    if samples.len() == 1 {
        if show.json {
            print::json(&json!({ "samples": 1, "rule": rule, "single_sample": single, "series": null }))?;
        } else {
            print::text(&format!(
                "One sample with {:.1} dB margin, in a series that scatters by {:.1} dB: {} likely that {} of it is within the \
                 limit; the next unit is within with {}. For {} confidence one sample needs {:.1} dB.\n",
                single.margin_db,
                single.sigma_db,
                percent(single.confidence),
                percent(rule.share),
                percent(single.next_unit_within),
                percent(rule.confidence),
                single.needed_margin_db
            ))?;
        }
        return Ok(if single.confidence >= rule.confidence { Outcome::Done } else { Outcome::NotAPass });
    }
    let margins: Vec<f64> = samples.iter().map(|s| s.1).collect();
    let found = judge_series(&margins, rule, a.sigma).map_err(wrong)?;
    if show.json {
        let rows: Vec<_> = samples.iter().map(|(s, m)| json!({ "sample": s, "margin_db": m })).collect();
        print::json(&json!({ "rule": rule, "margins": rows, "series": found, "single_sample": single }))?;
    } else {
        print::text(&series_text(&found, rule))?;
    }
    Ok(if found.noncentral_t { Outcome::Done } else { Outcome::NotAPass })
}

fn series_text(s: &Series, rule: SeriesRule) -> String {
    let word = |yes: bool| if yes { "accepted" } else { "not accepted" }.to_owned();
    let rows = vec![
        vec![
            "non-central t".to_owned(),
            format!("mean − {:.3}·s = {:.1} dB, at least 0", s.k, s.in_hand_db),
            word(s.noncentral_t),
        ],
        vec![
            "binomial".to_owned(),
            format!(
                "{} of {} over the limit; for that many {} samples are needed",
                s.failures, s.samples, s.binomial_samples
            ),
            word(s.binomial),
        ],
        vec![
            "additional margin".to_owned(),
            format!(
                "smallest margin {:.1} dB, at least {:.1} dB (if the series scatters by at most {:.1} dB)",
                s.smallest_margin_db, s.additional_margin_db, s.sigma_db
            ),
            word(s.additional_margin),
        ],
    ];
    let need = match s.samples_needed {
        Some(n) => format!("{n} samples of a series like this would be accepted four times in five"),
        None => "A series like this does not keep the rule, or so barely that 200 samples would not show it".to_owned(),
    };
    format!(
        "{} samples, mean margin {:.1} dB, standard deviation {:.2} dB\n{}\
         {} confident that {} of the series is within the limit (non-central t); {} are asked for. {need}.\n",
        s.samples,
        s.mean_margin_db,
        s.standard_db,
        print::table(&["method (CISPR 16-4-3)", "figures", "series"], rows, &[]),
        percent(s.confidence),
        percent(rule.share),
        percent(rule.confidence),
    )
}
