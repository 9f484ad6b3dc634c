use emission::Trace;
use emission::stages::{FinalList, Survey, SurveyOptions, conclude, survey as choose};
use formats::timeline_file::read_timeline;
use serde_json::json;
use standards::Limit;
use workbench::survey::{rhythm_of, survey_of_run};

use super::{SurveyArgs, at_the_product, chain_of};
use crate::choices;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};
use crate::progress::Bar;

/// `hushfield survey`.
pub(crate) fn survey(show: Show, a: &SurveyArgs) -> Result<Outcome, Failure> {
    let options = SurveyOptions {
        sub_ranges: a.sub_ranges,
        edges_hz: a.edges.clone(),
        within_db: a.within,
        most_each: a.most,
        at_least: a.at_least,
        judging: choices::judging(&a.judging)?,
    };
    if a.path.is_dir() {
        let Some(run) = &a.run else {
            return Err(Failure::input("--run: expected the run of the project that is the survey"));
        };
        let limits = if a.limits.limits.is_empty() {
            Vec::new()
        } else {
            let library = project::Project::open(&a.path)?.limits()?;
            workbench::limits_of(&library, &a.limits.limits)?
        };
        let mut bar = Bar::new(show.quiet);
        let done = survey_of_run(&a.path, run, &a.finals, &limits, &options, &mut |s| bar.tell(s))?;
        drop(bar);
        return tell(show, &done.survey, done.conclusion.as_ref());
    }
    let limits = a.limits.for_files()?;
    let refs: Vec<&Limit> = limits.iter().collect();
    let chain = chain_of(a.chain.as_ref())?;
    let trace = at_the_product(&a.path, &a.sweep, chain.as_ref())?;
    let timeline = read_timeline(&a.path).map_err(|e| Failure::input(e.to_string()))?;
    let survey = choose(&trace, &refs, &options, &|from, to| timeline.as_ref().and_then(|t| rhythm_of(t, from, to)))
        .map_err(|e| Failure::input(e.to_string()))?;
    let conclusion = if a.finals.is_empty() {
        None
    } else {
        let mut traces: Vec<Trace> = Vec::new();
        for file in &a.finals {
            traces.push(at_the_product(std::path::Path::new(file), &a.sweep, chain.as_ref())?);
        }
        Some(conclude(&survey, &refs, &traces.iter().collect::<Vec<_>>(), a.within))
    };
    tell(show, &survey, conclusion.as_ref())
}

fn tell(show: Show, survey: &Survey, conclusion: Option<&FinalList>) -> Result<Outcome, Failure> {
    let outcome = Outcome::of(conclusion.map_or(survey.verdict.decision, |c| c.decision));
    if show.json {
        print::json(&json!({ "survey": survey, "final": conclusion }))?;
        return Ok(outcome);
    }
    let mut text = format!("Survey: {}\n\n", survey.verdict.sentence);
    let rows = survey
        .sub_ranges
        .iter()
        .map(|r| {
            vec![
                format!("{} – {}", hz(r.from_hz), hz(r.to_hz)),
                r.emissions.to_string(),
                r.chosen.to_string(),
                r.left_out.to_string(),
            ]
        })
        .collect();
    text.push_str(&print::table(&["part", "emissions", "chosen", "left out"], rows, &[1, 2, 3]));
    text.push_str("\nFinal measurement list:\n");
    let rows = survey
        .to_measure
        .iter()
        .map(|m| {
            vec![
                hz(m.frequency_hz),
                format!("{:+.1}", m.survey_margin_db),
                m.detectors.iter().map(|d| d.name()).collect::<Vec<_>>().join(", "),
                format!("{:.0} s", m.dwell.seconds.ceil()),
                m.dwell.reason.clone(),
            ]
        })
        .collect();
    text.push_str(&print::table(&["frequency", "margin, dB", "measure with", "dwell", "because"], rows, &[0, 1, 3]));
    text.push_str(&format!(
        "{} frequencies, {:.0} s of dwell in all where each detector is read by itself. Look for the maximum of each within its own \
         width before dwelling.\n",
        survey.to_measure.len(),
        survey.dwell_total_s
    ));
    for n in &survey.notes {
        text.push_str(&format!("Note: {n}\n"));
    }
    if let Some(list) = conclusion {
        text.push_str(&format!("\nFinal list: {}\n\n", list.sentence));
        let rows = list
            .rows
            .iter()
            .flat_map(|r| {
                r.limits.iter().map(move |l| {
                    vec![
                        hz(r.frequency_hz),
                        l.reading.as_ref().map_or_else(|| "–".to_owned(), |x| db(x.level_db)),
                        db(l.limit_db),
                        if l.margin_db.is_finite() { format!("{:+.1}", l.margin_db) } else { "–".to_owned() },
                        l.limit_id.clone(),
                        match l.decision {
                            emission::Decision::Pass => "passes",
                            emission::Decision::Fail => "exceeds",
                            emission::Decision::Inconclusive => "open",
                        }
                        .to_owned(),
                        l.settled_by.clone(),
                    ]
                })
            })
            .collect();
        text.push_str(&print::table(
            &["frequency", "level", "limit", "margin, dB", "against", "", "by"],
            rows,
            &[0, 1, 2, 3],
        ));
        for n in &list.notes {
            text.push_str(&format!("Note: {n}\n"));
        }
    }
    print::text(&text)?;
    Ok(outcome)
}
