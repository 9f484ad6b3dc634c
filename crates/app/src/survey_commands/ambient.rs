use std::path::PathBuf;

use emission::ambient::{Ambient, AmbientOptions, ErrorRate, Mark, ambient as marks};
use emission::{JudgeOptions, Trace};
use serde_json::json;
use standards::Limit;
use workbench::survey::ambient_of_runs;

use super::{AmbientArgs, RateFlag, at_the_product, chain_of};
use crate::choices;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};
use crate::progress::Bar;

/// `hushfield ambient`.
pub(crate) fn ambient(show: Show, a: &AmbientArgs) -> Result<Outcome, Failure> {
    let options = AmbientOptions {
        alpha: a.alpha,
        beta: a.beta,
        error_rate: match a.rate {
            RateFlag::Any => ErrorRate::AnyWrong,
            RateFlag::Share => ErrorRate::ShareWrong,
        },
        judging: JudgeOptions { within_db: a.within, max_suspects: 40, ..choices::judging(&a.judging)? },
    };
    let (off, on, result) = match &a.dir {
        Some(dir) => {
            if !a.off.is_empty() || !a.on.is_empty() {
                return Err(Failure::input("--off, --on: files and a project's folder; expected one or the other"));
            }
            let mut bar = Bar::new(show.quiet);
            let found = ambient_of_runs(dir, &a.runs.filter(), &a.limits.limits, &options, &mut |s| bar.tell(s))?;
            (found.off, found.on, found.ambient)
        }
        None => {
            let limits = a.limits.for_files()?;
            let chain = chain_of(a.chain.as_ref())?;
            let read = |list: &[PathBuf]| -> Result<Vec<Trace>, Failure> {
                list.iter().map(|p| at_the_product(p, &a.sweep, chain.as_ref())).collect()
            };
            let (off, on) = (read(&a.off)?, read(&a.on)?);
            let result = marks(
                &off.iter().collect::<Vec<_>>(),
                &on.iter().collect::<Vec<_>>(),
                &limits.iter().collect::<Vec<&Limit>>(),
                &options,
            )
            .map_err(|e| Failure::input(e.to_string()))?;
            let names = |list: &[PathBuf]| list.iter().map(|p| p.display().to_string()).collect::<Vec<_>>();
            (names(&a.off), names(&a.on), result)
        }
    };
    if let Some(out) = &a.out {
        std::fs::write(out, marked_csv(&result))
            .map_err(|e| Failure::input(format!("--out {}: {e}", out.display())))?;
    }
    let outcome = Outcome::of(result.verdict.decision);
    if show.json {
        print::json(&json!({ "off": off, "on": on, "alpha": a.alpha, "beta": a.beta, "ambient": result }))?;
        return Ok(outcome);
    }
    print::text(&words(off.len(), on.len(), a, &result))?;
    Ok(outcome)
}

/// Every frequency, with the mark of the suspect it belongs to.
fn marked_csv(result: &Ambient) -> String {
    let mut text = String::from("frequency_hz");
    for c in &result.trace.columns {
        text.push_str(&format!(",{}", c.detector.map_or(c.name.replace(',', " "), |d| format!("{}_db", d.key()))));
    }
    text.push_str(",mark\n");
    for (k, f) in result.trace.frequency_hz.iter().enumerate() {
        text.push_str(&format!("{f}"));
        for c in &result.trace.columns {
            let level = c.level_db[k];
            text.push_str(&if level.is_finite() { format!(",{level:.4}") } else { ",".to_owned() });
        }
        let mark =
            result.suspects.iter().find(|s| s.from_hz <= *f && *f <= s.to_hz).map_or("", |s| s.marking.mark.name());
        text.push_str(&format!(",{mark}\n"));
    }
    text
}

fn words(off: usize, on: usize, a: &AmbientArgs, result: &Ambient) -> String {
    let mut text = format!(
        "{off} sweeps with the product off, {on} with it on.\nEverything that was seen: {}\n\n",
        result.verdict.sentence
    );
    let rows = result
        .suspects
        .iter()
        .map(|s| {
            let m = &s.marking;
            let mut remark = Vec::new();
            if s.hides_limit {
                remark.push("hides the limit".to_owned());
            }
            if m.off_intermittent {
                remark.push("the ambient comes and goes".to_owned());
            }
            if m.on_intermittent && !m.off_intermittent {
                remark.push("comes and goes with the product on".to_owned());
            }
            match (m.mark, m.sweeps_to_decide) {
                (Mark::Undecided, Some(n)) => remark.push(format!("{n} sweeps of each would probably decide")),
                (Mark::Undecided, None) => remark.push("more than 60 sweeps of each: another way is needed".to_owned()),
                _ => {}
            }
            vec![
                hz(s.frequency_hz),
                format!("{:+.1}", s.margin_db),
                m.mark.name().to_owned(),
                db(m.off_median_db),
                db(m.on_median_db),
                match m.p_corrected {
                    p if p > 0.995 => "1".to_owned(),
                    p if p < 1e-4 => "< 0.0001".to_owned(),
                    p if p < 0.01 => format!("{p:.4}"),
                    p => format!("{p:.3}"),
                },
                db(m.product_at_most_db),
                db(s.limit_db),
                remark.join("; "),
            ]
        })
        .collect();
    text.push_str(&print::table(
        &["frequency", "margin, dB", "whose", "off, median", "on, median", "p", "product at most", "limit", "remark"],
        rows,
        &[0, 1, 3, 4, 5, 6, 7],
    ));
    if result.margin_without_ambient_db.is_finite() {
        text.push_str(&format!(
            "\nSmallest margin of what is not marked ambient: {:+.1} dB.\n",
            result.margin_without_ambient_db
        ));
    }
    text.push_str(&format!(
        "Marks: exact rank-sum test at each suspect. Marked as the product's wrongly with at most {:.1} % ({}), as ambient wrongly \
         with at most {:.1} % (any). Nothing is removed from the trace or the verdict.\n",
        100.0 * a.alpha,
        if a.rate == RateFlag::Any { "any of them" } else { "of the marks" },
        100.0 * a.beta
    ));
    for n in &result.notes {
        text.push_str(&format!("Note: {n}\n"));
    }
    text
}
