//! What is proven of which modification state: every planned test against every state of the product.
//!
//! A test passed on one state still counts on a later one if no change on the way from the one to the other puts it in doubt
//! ([`crate::change_kinds`]). Everything else is to be repeated, and the reason is said.

use serde::Serialize;
use standards::{LevelFigure, Phenomenon, Port, Side};

use crate::changes::ChangeKind;
use crate::plan::{Plan, PlannedTest};

/// A change that made a state.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Change {
    /// Kind by its short name.
    pub kind: String,
    /// What was done.
    pub what: String,
    /// Ports it acts on; none named: the product as a whole.
    pub ports: Vec<String>,
}

/// A modification state of the product.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StateFacts {
    /// Short name.
    pub id: String,
    /// What it is.
    pub description: String,
    /// The state it was made from.
    pub based_on: Option<String>,
    /// What was changed; none said: anything may have been.
    pub changes: Vec<Change>,
}

/// How a measurement came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Passed.
    Pass,
    /// Did not pass.
    Fail,
    /// Neither is sure.
    Undecided,
}

/// What was measured of one test on one state.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Measured {
    /// The test in the plan.
    pub test: String,
    /// The state; none: no state was named.
    pub state: Option<String>,
    /// The run that decides (the worst of the latest).
    pub run: String,
    /// Day.
    pub measured: String,
    /// How it came out.
    pub outcome: Outcome,
    /// The verdict in words.
    pub sentence: String,
    /// The laboratory; none: on the maker's own bench.
    pub laboratory: Option<String>,
    /// What of the test was not measured, e.g. the other conductor.
    pub missing: Option<String>,
}

/// The standing of one test on one state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Measured on this state and passed.
    Passed,
    /// Measured on this state and passed, as far as it was measured.
    InPart,
    /// Measured on this state and not passed.
    Failed,
    /// Measured on this state; not sure.
    Undecided,
    /// Passed on an earlier state; no change since puts it in doubt.
    Covered,
    /// Measured on an earlier state; to be measured again.
    Repeat,
    /// Never measured.
    Open,
}

impl Standing {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::InPart => "passed in part",
            Self::Failed => "not passed",
            Self::Undecided => "undecided",
            Self::Covered => "still covered",
            Self::Repeat => "to be repeated",
            Self::Open => "open",
        }
    }

    /// Counts as proven.
    pub fn proven(self) -> bool {
        matches!(self, Self::Passed | Self::Covered)
    }
}

/// One test on one state.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cell {
    /// The standing.
    pub standing: Standing,
    /// What it rests on.
    pub measured: Option<Measured>,
    /// Rules and reasons, one sentence each.
    pub because: Vec<String>,
}

/// One planned test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Id in the plan.
    pub test: String,
    /// Port.
    pub port: String,
    /// Its name.
    pub port_name: String,
    /// Its kind.
    pub port_kind: Port,
    /// Emission, mains quality or immunity.
    pub side: Side,
    /// What is measured or applied.
    pub phenomenon: Phenomenon,
    /// Standard that asks, with edition.
    pub standard: String,
    /// Standard that says how.
    pub method: String,
    /// Clause or table.
    pub clause: String,
    /// Performance criterion asked for.
    pub criterion: Option<String>,
    /// Test level.
    pub level: Vec<LevelFigure>,
    /// Ranges, Hz.
    pub frequency_hz: Vec<[f64; 2]>,
    /// One for each state, in the order of [`Matrix::states`].
    pub cells: Vec<Cell>,
}

/// How many tests stand how, on one state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Tally {
    /// Passed on the state itself.
    pub passed: usize,
    /// Passed earlier and still covered.
    pub covered: usize,
    /// Passed as far as measured.
    pub in_part: usize,
    /// Undecided.
    pub undecided: usize,
    /// Not passed.
    pub failed: usize,
    /// To be repeated.
    pub repeat: usize,
    /// Never measured.
    pub open: usize,
}

impl Tally {
    /// Every test is proven.
    pub fn complete(&self) -> bool {
        self.in_part + self.undecided + self.failed + self.repeat + self.open == 0 && self.passed + self.covered > 0
    }
}

/// The compliance matrix.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Matrix {
    /// The states, oldest first.
    pub states: Vec<StateFacts>,
    /// Planned tests, port by port.
    pub rows: Vec<Row>,
    /// One for each state.
    pub tallies: Vec<Tally>,
    /// The whole in a sentence, for the latest state.
    pub sentence: String,
}

/// Where a project names no state, its runs belong to this one.
pub const UNNAMED: &str = "as first built";

/// The way back from a state to an earlier one: the states passed through, the later first, without the earlier one.
/// Nothing where the earlier one is no ancestor.
fn way<'a>(states: &'a [StateFacts], from: &str, to: &str) -> Option<Vec<&'a StateFacts>> {
    let mut out = Vec::new();
    let mut at = from;
    // A ring of states ends here, too.
    for _ in 0..=states.len() {
        if at == to {
            return Some(out);
        }
        let state = states.iter().find(|s| s.id == at)?;
        out.push(state);
        at = state.based_on.as_deref()?;
    }
    None
}

/// Whether what was measured on an earlier state still holds: reasons for cover, or the first reasons against.
fn holds(test: &PlannedTest, way: &[&StateFacts]) -> Result<Vec<String>, Vec<String>> {
    let (mut cover, mut doubt) = (Vec::new(), Vec::new());
    for state in way {
        if state.changes.is_empty() {
            doubt.push(format!("{}: nothing is said of what was changed ({})", state.id, state.description));
        }
        for change in &state.changes {
            let Some(kind) = ChangeKind::find(&change.kind) else {
                doubt.push(format!(
                    "{}: {} is of a kind the rules do not know ({})",
                    state.id, change.what, change.kind
                ));
                continue;
            };
            match kind.doubt(&change.ports, test.phenomenon, &test.port) {
                Some(reason) => doubt.push(format!("{}: {} ({}): {reason}", state.id, change.what, change.kind)),
                None if kind.touches.iter().any(|t| t.phenomena.contains(&test.phenomenon)) => cover.push(format!(
                    "{}: {} ({}) acts on {} only",
                    state.id,
                    change.what,
                    change.kind,
                    change.ports.join(", ")
                )),
                None => cover.push(format!("{}: {} ({}): {}", state.id, change.what, change.kind, kind.leaves)),
            }
        }
    }
    if doubt.is_empty() { Ok(cover) } else { Err(doubt) }
}

fn standing_of(m: &Measured) -> Standing {
    match (m.outcome, &m.missing) {
        (Outcome::Fail, _) => Standing::Failed,
        (Outcome::Undecided, _) => Standing::Undecided,
        (Outcome::Pass, Some(_)) => Standing::InPart,
        (Outcome::Pass, None) => Standing::Passed,
    }
}

fn cell(test: &PlannedTest, state: &str, states: &[StateFacts], measured: &[&Measured]) -> Cell {
    let named = |m: &Measured| m.state.clone().unwrap_or_else(|| UNNAMED.to_owned());
    if let Some(own) = measured.iter().find(|m| named(m) == state) {
        let because = own.missing.iter().cloned().collect();
        return Cell { standing: standing_of(own), measured: Some((*own).clone()), because };
    }
    // The nearest earlier state that was measured speaks: what it did not pass is not covered by an older pass.
    let mut earlier: Vec<(&Measured, Vec<&StateFacts>)> =
        measured.iter().filter_map(|m| Some((*m, way(states, state, &named(m))?))).collect();
    earlier.sort_by_key(|(_, way)| way.len());
    let Some((nearest, nearest_way)) = earlier.first() else {
        // What was measured on a state made from this one says nothing of this one, and nobody need go back.
        let (standing, because) = match measured.first() {
            None => (Standing::Open, Vec::new()),
            Some(m) if way(states, &named(m), state).is_some() => {
                (Standing::Open, vec![format!("measured on the later {} only", named(m))])
            }
            Some(m) => {
                (Standing::Repeat, vec![format!("measured on {} only, which this state was not made from", named(m))])
            }
        };
        return Cell { standing, measured: None, because };
    };
    let (standing, because) = match (standing_of(nearest), holds(test, nearest_way)) {
        (Standing::Passed, Ok(cover)) => (Standing::Covered, cover),
        (Standing::Passed, Err(doubt)) => (Standing::Repeat, doubt),
        (other, _) => (
            Standing::Repeat,
            vec![format!("{} on {}: {}", other.words(), named(nearest), nearest.sentence.trim_end_matches('.'))],
        ),
    };
    Cell { standing, measured: Some((*nearest).clone()), because }
}

/// Lays what was measured over the plan.
///
/// `states` are in the order in which they came; a run without a state belongs to [`UNNAMED`], which is put first where
/// there is such a run or no state at all.
pub fn matrix(plan: &Plan, states: &[StateFacts], measured: &[Measured]) -> Matrix {
    let mut states = states.to_vec();
    if states.is_empty() || measured.iter().any(|m| m.state.is_none()) {
        let first = StateFacts {
            id: UNNAMED.to_owned(),
            description: "no state was named".to_owned(),
            based_on: None,
            changes: Vec::new(),
        };
        states.insert(0, first);
    }
    let rows: Vec<Row> = plan
        .tests
        .iter()
        .map(|test| {
            let own: Vec<&Measured> = measured.iter().filter(|m| m.test == test.id).collect();
            Row {
                test: test.id.clone(),
                port: test.port.clone(),
                port_name: test.port_name.clone(),
                port_kind: test.port_kind,
                side: test.side,
                phenomenon: test.phenomenon,
                standard: test.standard_number.clone(),
                method: test.method.clone(),
                clause: test.clause.clone(),
                criterion: test.criterion.clone(),
                level: test.level.clone(),
                frequency_hz: test.frequency_hz.clone(),
                cells: states.iter().map(|s| cell(test, &s.id, &states, &own)).collect(),
            }
        })
        .collect();
    let tallies: Vec<Tally> = (0..states.len()).map(|k| tally(rows.iter().map(|r| r.cells[k].standing))).collect();
    let sentence = sentence(&states, &tallies, rows.len());
    Matrix { states, rows, tallies, sentence }
}

fn tally(standings: impl Iterator<Item = Standing>) -> Tally {
    let mut t = Tally::default();
    for standing in standings {
        *match standing {
            Standing::Passed => &mut t.passed,
            Standing::InPart => &mut t.in_part,
            Standing::Failed => &mut t.failed,
            Standing::Undecided => &mut t.undecided,
            Standing::Covered => &mut t.covered,
            Standing::Repeat => &mut t.repeat,
            Standing::Open => &mut t.open,
        } += 1;
    }
    t
}

fn sentence(states: &[StateFacts], tallies: &[Tally], tests: usize) -> String {
    let (Some(state), Some(t)) = (states.last(), tallies.last()) else { return "Nothing is planned.".to_owned() };
    if tests == 0 {
        return "Nothing is planned.".to_owned();
    }
    let parts: Vec<String> = [
        (t.passed, "passed on it"),
        (t.covered, "passed earlier and still covered"),
        (t.in_part, "passed in part"),
        (t.undecided, "undecided"),
        (t.failed, "not passed"),
        (t.repeat, "to be repeated"),
        (t.open, "never measured"),
    ]
    .iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, words)| format!("{n} {words}"))
    .collect();
    let name =
        if state.id == UNNAMED { "The product as first built".to_owned() } else { format!("State {}", state.id) };
    let done = if t.complete() { "everything planned is proven: " } else { "" };
    format!("{name}, {tests} tests planned: {done}{}.", parts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answers::{Answers, PortAnswers};
    use standards::RuleBase;

    fn plan_of() -> Plan {
        let port = |id: &str, kind| PortAnswers {
            id: id.into(),
            name: id.into(),
            kind,
            cable_length_m: Some(5.0),
            screened: Some(false),
            outdoors: Some(false),
            dc_network: None,
            dc_adaptor: None,
        };
        let answers = Answers {
            family: Some(standards::Family::Generic),
            environment: Some(standards::Place::Residential),
            markets: vec!["EU".into()],
            mains_v: Some(230.0),
            current_a: Some(1.0),
            phases: Some(1),
            earthed: Some(true),
            magnetic_parts: Some(false),
            electronics: Some(true),
            highest_internal_frequency_hz: Some(50e6),
            highest_clock_hz: Some(50e6),
            ports: vec![
                port("box", Port::Enclosure),
                port("mains", Port::AcMains),
                port("sensors", Port::SignalControl),
            ],
        };
        crate::plan(&answers, RuleBase::embedded())
    }

    fn state(id: &str, on: Option<&str>, changes: &[(&str, &str)]) -> StateFacts {
        StateFacts {
            id: id.into(),
            description: format!("state {id}"),
            based_on: on.map(str::to_owned),
            changes: changes
                .iter()
                .map(|(kind, port)| Change {
                    kind: (*kind).to_owned(),
                    what: format!("a {kind}"),
                    ports: Some((*port).to_owned()).filter(|p| !p.is_empty()).into_iter().collect(),
                })
                .collect(),
        }
    }

    fn measured(test: &str, state: &str, outcome: Outcome) -> Measured {
        Measured {
            test: test.into(),
            state: Some(state.into()),
            run: "R001".into(),
            measured: "2026-03-10".into(),
            outcome,
            sentence: "In words.".into(),
            laboratory: None,
            missing: None,
        }
    }

    #[test]
    fn a_pass_carries_as_far_as_the_changes_leave_it() {
        let plan = plan_of();
        let id = |phenomenon, port: &str| {
            plan.tests.iter().find(|t| t.phenomenon == phenomenon && t.port == port).unwrap().id.clone()
        };
        let conducted = id(Phenomenon::ConductedDisturbance, "mains");
        let sensors = id(Phenomenon::Burst, "sensors");
        let dips = id(Phenomenon::VoltageDip, "mains");
        let states = [
            state("M0", None, &[]),
            state("M1", Some("M0"), &[("filter", "mains")]),
            state("M2", Some("M1"), &[("marking", "")]),
            state("M3", Some("M2"), &[]),
            state("X", None, &[("marking", "")]),
        ];
        let runs = [
            measured(&conducted, "M0", Outcome::Pass),
            measured(&sensors, "M0", Outcome::Pass),
            measured(&dips, "M0", Outcome::Fail),
            measured(&conducted, "M1", Outcome::Pass),
        ];
        let m = matrix(&plan, &states, &runs);
        let row = |test: &str| m.rows.iter().find(|r| r.test == test).unwrap();
        let standings = |test: &str| row(test).cells.iter().map(|c| c.standing).collect::<Vec<_>>();
        use Standing::{Covered, Failed, Open, Passed, Repeat};
        // M3 says nothing of what was changed: everything is in doubt. X was not made from any measured state.
        assert_eq!(standings(&conducted), [Passed, Passed, Covered, Repeat, Repeat]);
        assert_eq!(standings(&sensors), [Passed, Covered, Covered, Repeat, Repeat]);
        assert_eq!(standings(&dips), [Failed, Repeat, Repeat, Repeat, Repeat]);
        let because = &row(&sensors).cells[1].because;
        assert!(because.len() == 1 && because[0].contains("acts on mains only"), "{because:?}");
        assert!(row(&conducted).cells[3].because[0].contains("nothing is said"), "{:?}", row(&conducted).cells[3]);
        let open = m.rows.iter().filter(|r| ![&conducted, &sensors, &dips].contains(&&r.test));
        assert!(open.clone().count() > 5 && open.clone().all(|r| r.cells.iter().all(|c| c.standing == Open)));
        assert_eq!(m.tallies[1].passed + m.tallies[1].covered, 2);
        assert!(!m.tallies[1].complete());
    }

    #[test]
    fn a_filter_touched_again_puts_its_own_port_in_doubt() {
        let plan = plan_of();
        let test = plan.tests.iter().find(|t| t.phenomenon == Phenomenon::ConductedDisturbance).unwrap().id.clone();
        let states = [state("M0", None, &[]), state("M1", Some("M0"), &[("filter", "mains")])];
        let m = matrix(&plan, &states, &[measured(&test, "M0", Outcome::Pass)]);
        let cell = &m.rows.iter().find(|r| r.test == test).unwrap().cells[1];
        assert_eq!(cell.standing, Standing::Repeat);
        assert!(cell.because[0].contains("a filter (filter): the path through this port"), "{:?}", cell.because);
    }

    #[test]
    fn runs_without_a_state_belong_to_the_first_build_and_a_ring_of_states_ends() {
        let plan = plan_of();
        let test = plan.tests[0].id.clone();
        let mut run = measured(&test, "", Outcome::Pass);
        run.state = None;
        run.missing = Some("only L1 was measured".into());
        let ring = [state("A", Some("B"), &[("marking", "")]), state("B", Some("A"), &[("marking", "")])];
        let m = matrix(&plan, &ring, &[run]);
        assert_eq!(m.states[0].id, UNNAMED);
        let cells = &m.rows[0].cells;
        assert_eq!(cells[0].standing, Standing::InPart);
        assert_eq!((cells[1].standing, cells[2].standing), (Standing::Repeat, Standing::Repeat));
    }
}
