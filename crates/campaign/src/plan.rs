//! From answers to tests: what applies to each port, at which level, by which clause, and what does not and why.

use std::collections::BTreeMap;

use serde::Serialize;
use standards::{
    Condition, Confidence, Known, LevelFigure, Phenomenon, Port, RuleBase, RuleRow, Side, Standard, UpperFrequency,
};

use crate::answers::{Answers, PortAnswers, Question, Truth, hertz};

/// A standard that speaks of the product.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedStandard {
    /// Its id in the rule base.
    pub id: String,
    /// Number with edition.
    pub number: String,
    /// What it is about.
    pub title: String,
    /// Emission, mains quality or immunity.
    pub side: Side,
    /// The answers that brought it in.
    pub because: Vec<String>,
    /// How its scope is known.
    pub known: Known,
    /// Where the scope is known from.
    pub source: String,
}

/// A standard of the rule base that does not speak of the product.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OmittedStandard {
    /// Its id.
    pub id: String,
    /// Number with edition.
    pub number: String,
    /// The answer that leaves it out.
    pub because: String,
}

/// One test of one port.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedTest {
    /// Port and row: unique in the plan.
    pub id: String,
    /// Id of the product's port.
    pub port: String,
    /// The port's name.
    pub port_name: String,
    /// Its kind.
    pub port_kind: Port,
    /// Id of the standard that asks.
    pub standard: String,
    /// Number of that standard.
    pub standard_number: String,
    /// Emission, mains quality or immunity.
    pub side: Side,
    /// What is measured or applied.
    pub phenomenon: Phenomenon,
    /// The standard that says how.
    pub method: String,
    /// Test level.
    pub level: Vec<LevelFigure>,
    /// Limits to judge by.
    pub limits: Vec<String>,
    /// Ranges, Hz, cut to what the product's highest internal frequency asks.
    pub frequency_hz: Vec<[f64; 2]>,
    /// Modulation or wave.
    pub signal: String,
    /// Phase angles of surges, degrees; see [`RuleRow::phase_deg`].
    pub phase_deg: Vec<f64>,
    /// The lower levels are applied as well.
    pub lower_levels: bool,
    /// Performance criterion.
    pub criterion: Option<String>,
    /// Clause or table.
    pub clause: String,
    /// The answers that triggered it.
    pub because: Vec<String>,
    /// What must still be answered; until then the test counts as asked.
    pub unless: Vec<Question>,
    /// What else there is to know.
    pub note: String,
    /// How the row is known; from memory means: check against the bought standard.
    pub known: Known,
    /// How sure.
    pub confidence: Confidence,
}

/// A row of a standard in force that does not apply to a port.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OmittedTest {
    /// Port and row.
    pub id: String,
    /// Id of the product's port; empty where the product has no such port.
    pub port: String,
    /// The port's name, or its kind where there is none.
    pub port_name: String,
    /// What would be measured or applied.
    pub phenomenon: Phenomenon,
    /// Number of the standard.
    pub standard_number: String,
    /// Clause or table.
    pub clause: String,
    /// The answer that leaves it out.
    pub because: String,
}

/// A question, and how much of the plan hangs on it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OpenQuestion {
    /// The question.
    #[serde(flatten)]
    pub question: Question,
    /// Tests that its answer could strike out or bring in.
    pub tests: usize,
}

/// The plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Standards that speak of the product.
    pub standards: Vec<PlannedStandard>,
    /// Standards that do not, and why.
    pub standards_left_out: Vec<OmittedStandard>,
    /// Tests, port by port, emission first.
    pub tests: Vec<PlannedTest>,
    /// Rows left out, and why.
    pub left_out: Vec<OmittedTest>,
    /// Open questions, the one that moves most first.
    pub questions: Vec<OpenQuestion>,
    /// What the rule base does not know and the reader must look for elsewhere.
    pub gaps: Vec<String>,
}

/// What a whole rule came to.
enum Applies {
    Yes(Vec<String>),
    No(String),
    Unless(Vec<String>, Vec<Question>),
}

fn applies(answers: &Answers, port: &PortAnswers, when: &[Vec<Condition>]) -> Applies {
    let mut because = Vec::new();
    let mut open = Vec::new();
    for group in when {
        let mut no = Vec::new();
        let mut asked = Vec::new();
        let mut yes = None;
        for condition in group {
            match answers.test(*condition, port) {
                Truth::Yes(words) => yes = yes.or(Some(words)),
                Truth::No(words) => no.push(words),
                Truth::Open(question) => asked.push(question),
            }
        }
        match yes {
            Some(words) => because.push(words),
            None if asked.is_empty() => return Applies::No(no.join("; and ")),
            None => open.append(&mut asked),
        }
    }
    because.dedup();
    if open.is_empty() { Applies::Yes(because) } else { Applies::Unless(because, open) }
}

/// How far up a radiated measurement goes, Hz; a row that reaches beyond 1 GHz is cut there at least.
fn top_hz(standard: &str, internal_hz: f64) -> f64 {
    UpperFrequency::of(standard).measure_to_hz(internal_hz).max(1e9)
}

/// Whether a standard speaks of the product: the answers that say so, or the one that denies it.
fn speaks(standard: &Standard, answers: &Answers) -> Result<(Vec<String>, Vec<Question>), String> {
    let mut because = Vec::new();
    let mut open = Vec::new();
    if !standard.markets.is_empty() {
        let sold: Vec<&str> = answers
            .markets
            .iter()
            .map(String::as_str)
            .filter(|m| standard.markets.iter().any(|s| s.eq_ignore_ascii_case(m.trim())))
            .collect();
        if answers.markets.is_empty() {
            open.push(Question { field: "markets".to_owned(), text: "where will it be sold?".to_owned() });
        } else if sold.is_empty() {
            return Err(format!("not sold in {}", standard.markets.join(", ")));
        } else {
            because.push(format!("sold in {}", sold.join(", ")));
        }
    }
    if !standard.families.is_empty() {
        match answers.family {
            Some(f) if standard.families.contains(&f) => because.push(format!("product family: {}", f.key())),
            Some(f) => return Err(format!("product family is {}", f.key())),
            None => open.push(Question {
                field: "family".to_owned(),
                text: "what kind of product is it (generic, multimedia, alarm, measurement, household, lighting, control)?"
                    .to_owned(),
            }),
        }
    }
    if !standard.environments.is_empty() {
        match answers.environment {
            Some(e) if standard.environments.contains(&e) => because.push(format!("surroundings: {}", e.key())),
            Some(e) => return Err(format!("surroundings are {}", e.key())),
            None => open.push(Question {
                field: "environment".to_owned(),
                text: "where is it meant to work (residential, commercial, industrial, controlled)?".to_owned(),
            }),
        }
    }
    Ok((because, open))
}

/// Makes the plan. Where an answer is missing the test stays in and says what it hangs on, so that nothing is lost by
/// silence; an unanswered product family is taken as generic until answered, and an unanswered place as residential.
pub fn plan(answers: &Answers, rules: &RuleBase) -> Plan {
    plan_of(answers, rules, &[])
}

/// The same under certain standards alone, whether or not they speak of the product; with none named, under those that do.
pub(crate) fn plan_of(answers: &Answers, rules: &RuleBase, only: &[&str]) -> Plan {
    let speaks = |standard: &Standard, answers: &Answers| match (only.is_empty(), only.contains(&standard.id.as_str()))
    {
        (true, _) => speaks(standard, answers),
        (false, true) => Ok((vec!["named for comparison".to_owned()], Vec::new())),
        (false, false) => Err("not named for comparison".to_owned()),
    };
    let mut standards = Vec::new();
    let mut standards_left_out = Vec::new();
    let mut tests: Vec<PlannedTest> = Vec::new();
    let mut left_out = Vec::new();
    // Families and places exclude each other: with no answer all would apply at once, which helps nobody.
    let supposed = Answers {
        family: answers.family.or(Some(standards::Family::Generic)),
        environment: answers.environment.or(Some(standards::Place::Residential)),
        ..answers.clone()
    };
    let mut scope_open: BTreeMap<Question, usize> = BTreeMap::new();
    for standard in rules.standards() {
        if let Ok((_, open)) = speaks(standard, answers) {
            let rows = rules.rows().iter().filter(|r| r.standard == standard.id).count();
            for question in open {
                *scope_open.entry(question).or_default() += rows;
            }
        }
        match speaks(standard, &supposed) {
            Err(because) => standards_left_out.push(OmittedStandard {
                id: standard.id.clone(),
                number: standard.number.clone(),
                because,
            }),
            Ok((mut because, _)) => {
                if answers.family.is_none() && !standard.families.is_empty() {
                    because.push("product family not answered: taken as generic".to_owned());
                }
                if answers.environment.is_none() && !standard.environments.is_empty() {
                    because.push("surroundings not answered: taken as residential".to_owned());
                }
                standards.push(PlannedStandard {
                    id: standard.id.clone(),
                    number: standard.number.clone(),
                    title: standard.title.clone(),
                    side: standard.side,
                    because,
                    known: standard.known,
                    source: standard.source.clone(),
                });
                for row in rules.rows().iter().filter(|r| r.standard == standard.id) {
                    rows_of(row, standard, answers, &mut tests, &mut left_out);
                }
            }
        }
    }
    // A standard none of whose rows applies is not in force for this product.
    standards.retain(|s: &PlannedStandard| {
        let any = tests.iter().any(|t| t.standard == s.id);
        if !any {
            let reasons: Vec<&str> =
                left_out.iter().filter(|o| o.standard_number == s.number).map(|o| o.because.as_str()).collect();
            standards_left_out.push(OmittedStandard {
                id: s.id.clone(),
                number: s.number.clone(),
                because: reasons.first().map_or_else(|| "none of its rows applies".to_owned(), |r| (*r).to_owned()),
            });
        }
        any
    });
    let order: Vec<&str> = answers.ports.iter().map(|p| p.id.as_str()).collect();
    let place = |id: &str| order.iter().position(|o| *o == id).unwrap_or(usize::MAX);
    tests.sort_by_key(|t| (t.side, place(&t.port), t.phenomenon));
    let mut counts = scope_open;
    for test in &tests {
        for question in &test.unless {
            *counts.entry(question.clone()).or_default() += 1;
        }
    }
    let mut questions: Vec<OpenQuestion> =
        counts.into_iter().map(|(question, tests)| OpenQuestion { question, tests }).collect();
    questions.sort_by(|a, b| b.tests.cmp(&a.tests).then_with(|| a.question.cmp(&b.question)));
    let gaps = gaps(answers, &standards, rules);
    Plan { standards, standards_left_out, tests, left_out, questions, gaps }
}

/// Sides of which no standard of the rule base speaks, markets it does not know, and what is never in it.
fn gaps(answers: &Answers, standards: &[PlannedStandard], rules: &RuleBase) -> Vec<String> {
    let mut gaps = Vec::new();
    let known =
        |m: &&String| rules.standards().iter().any(|s| s.markets.iter().any(|k| k.eq_ignore_ascii_case(m.trim())));
    for market in answers.markets.iter().filter(|m| !known(m)) {
        gaps.push(format!("market {market}: no rules are known for it here; ask its authority or your laboratory"));
    }
    if answers.markets.iter().any(|m| known(&m) && !m.trim().eq_ignore_ascii_case("US")) {
        for (side, words) in [(Side::Emission, "emission"), (Side::Immunity, "immunity")] {
            if !standards.iter().any(|s| s.side == side) {
                gaps.push(format!(
                    "no {words} standard of the rule base fits this product family and these surroundings: find the \
                     product standard and add it as a file in rules/"
                ));
            }
        }
    }
    if answers.ports.is_empty() {
        gaps.push("the product has no ports yet: nothing can be planned".to_owned());
    }
    gaps
}

fn rows_of(
    row: &RuleRow,
    standard: &Standard,
    answers: &Answers,
    tests: &mut Vec<PlannedTest>,
    left_out: &mut Vec<OmittedTest>,
) {
    let mut any = false;
    for port in answers.ports.iter().filter(|p| p.kind == row.port) {
        any = true;
        let id = format!("{}:{}", port.id, row.id);
        let omit = |because: String| OmittedTest {
            id: id.clone(),
            port: port.id.clone(),
            port_name: port.name.clone(),
            phenomenon: row.phenomenon,
            standard_number: standard.number.clone(),
            clause: row.clause.clone(),
            because,
        };
        let (mut because, unless) = match applies(answers, port, &row.when) {
            Applies::No(words) => {
                left_out.push(omit(words));
                continue;
            }
            Applies::Yes(because) => (because, Vec::new()),
            Applies::Unless(because, open) => (because, open),
        };
        let mut frequency_hz = row.frequency_hz.clone();
        let mut note = row.note.clone();
        if row.phenomenon == Phenomenon::RadiatedDisturbance
            && let Some(range) = frequency_hz.last_mut()
            && range[1] > 1e9
            && let Some(internal) = answers.highest_internal_frequency_hz
        {
            let top = top_hz(&row.standard, internal);
            range[1] = top.min(range[1]);
            note = format!("up to {}: {note}", hertz(top));
        }
        if because.is_empty() {
            because.push(format!("{}: {} port", port.name, port.kind));
        }
        let line_to_earth_only = row.level.iter().all(|l| l.quantity.starts_with("line_to_earth"));
        if row.phenomenon == Phenomenon::Surge && port.kind == Port::AcMains && answers.earthed == Some(false) {
            if line_to_earth_only {
                left_out.push(omit("not earthed: no surge from line to earth".to_owned()));
                continue;
            }
            note = format!("not earthed: from line to line only. {note}");
        }
        tests.push(PlannedTest {
            id,
            port: port.id.clone(),
            port_name: port.name.clone(),
            port_kind: port.kind,
            standard: standard.id.clone(),
            standard_number: standard.number.clone(),
            side: standard.side,
            phenomenon: row.phenomenon,
            method: row.method.clone(),
            level: row.level.clone(),
            limits: row.limits.clone(),
            frequency_hz,
            signal: row.signal.clone(),
            phase_deg: row.phase_deg.clone(),
            lower_levels: row.lower_levels,
            criterion: row.criterion.clone(),
            clause: row.clause.clone(),
            because,
            unless,
            note,
            known: row.known,
            confidence: row.confidence,
        });
    }
    if !any {
        left_out.push(OmittedTest {
            id: format!("-:{}", row.id),
            port: String::new(),
            port_name: row.port.name().to_owned(),
            phenomenon: row.phenomenon,
            standard_number: standard.number.clone(),
            clause: row.clause.clone(),
            because: format!("the product has no {} port", row.port.name()),
        });
    }
}

/// What one changed answer does to a plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// Tests that come in.
    pub added: Vec<PlannedTest>,
    /// Tests that fall away, each with the reason in the new plan.
    pub removed: Vec<(PlannedTest, String)>,
    /// Tests whose level, range, criterion or openness changes: before and after.
    pub changed: Vec<(PlannedTest, PlannedTest)>,
}

/// Row by row from one plan to another.
pub fn difference(before: &Plan, after: &Plan) -> Difference {
    let find = |p: &Plan, id: &str| p.tests.iter().find(|t| t.id == id).cloned();
    let mut result = Difference { added: Vec::new(), removed: Vec::new(), changed: Vec::new() };
    for old in &before.tests {
        match find(after, &old.id) {
            None => {
                let reason = after
                    .left_out
                    .iter()
                    .find(|o| o.id == old.id)
                    .map(|o| o.because.clone())
                    .or_else(|| {
                        after.standards_left_out.iter().find(|s| s.id == old.standard).map(|s| s.because.clone())
                    })
                    .unwrap_or_else(|| "the port is gone".to_owned());
                result.removed.push((old.clone(), reason));
            }
            Some(new) => {
                let same = old.level == new.level
                    && old.frequency_hz == new.frequency_hz
                    && old.criterion == new.criterion
                    && old.unless == new.unless
                    && old.note == new.note;
                if !same {
                    result.changed.push((old.clone(), new));
                }
            }
        }
    }
    result.added = after.tests.iter().filter(|t| find(before, &t.id).is_none()).cloned().collect();
    result
}
