//! What a plan needs on paper before a laboratory is paid: answers, criteria, modes, how working is seen, samples.

use crate::answers::Answers;
use crate::design::{Design, Finding, Weight, Where};
use crate::plan::Plan;

/// Findings about what is not written down.
pub(crate) fn paper(findings: &mut Vec<Finding>, plan: &Plan, answers: &Answers, design: &Design) {
    let mut add = |id: &str, weight, what: String, why: String, todo: &str| {
        findings.push(Finding {
            id: id.to_owned(),
            weight,
            port: None,
            what,
            why,
            source: "the plan".to_owned(),
            todo: todo.to_owned(),
            at: Where::Before,
            caution: String::new(),
        });
    };
    for q in &plan.questions {
        add(
            &format!("open-{}", q.question.field),
            Weight::Open,
            format!("not answered: {}", q.question.text),
            format!("{} tests hang on {}", q.tests, q.question.field),
            "answer it in product.toml",
        );
    }
    let mut wanted: Vec<char> = plan
        .tests
        .iter()
        .filter_map(|t| t.criterion.as_ref()?.chars().next())
        .filter(|c| !design.criteria.contains(c))
        .collect();
    wanted.sort_unstable();
    let tests = wanted.len();
    wanted.dedup();
    if !wanted.is_empty() {
        let words: Vec<String> = wanted.iter().map(char::to_string).collect();
        add(
            "criteria",
            Weight::Risk,
            format!(
                "{} {} not written down",
                if words.len() == 1 { "criterion" } else { "criteria" },
                match words.as_slice() {
                    [one] => format!("{one} is"),
                    many => format!("{} are", many.join(", ")),
                }
            ),
            format!("{tests} immunity tests are judged by it; without it the laboratory decides"),
            "write [criteria] in product.toml: what may falter, by how much, for how long",
        );
    }
    let immunity = plan.tests.iter().filter(|t| t.criterion.is_some()).count();
    if !design.observed && immunity > 0 {
        add(
            "observed",
            Weight::Risk,
            "how correct working is seen during a test is not written down".to_owned(),
            format!("{immunity} immunity tests are watched by it"),
            "answer observed in product.toml: which reading, counter or motion, and how it is seen from outside the chamber",
        );
    }
    if design.modes == 0 {
        add(
            "modes",
            Weight::Risk,
            "no operating mode is named".to_owned(),
            "emission is measured and immunity watched in the worst one".to_owned(),
            "name the modes in product.toml and have firmware that runs the worst by itself",
        );
    }
    let harm = plan.tests.iter().filter(|t| t.phenomenon.may_destroy()).count();
    if design.samples < 2 && harm > 0 {
        add(
            "samples",
            Weight::Risk,
            format!("{} sample named, and {harm} tests may break it", if design.samples == 0 { "no" } else { "one" }),
            "what breaks late ends the visit".to_owned(),
            "a second sample of the same build; with it the days get freer (hushfield days --second-sample)",
        );
    }
    if answers.magnetic_parts.is_none() && !plan.questions.iter().any(|q| q.question.field == "magnetic_parts") {
        add(
            "magnetic",
            Weight::Open,
            "it is not said whether something inside feels magnetic fields".to_owned(),
            "Hall sensors and microphones do".to_owned(),
            "answer magnetic_parts in product.toml",
        );
    }
}
