//! The log of an immunity run: order, once only, counts, corrections, the verdict, and what the check says.

use std::collections::BTreeMap;

use project::{
    Climate, ClimateLimits, Criterion, Event, KeptSheet, LogEntry, LogWhat, NewRun, Project, ProjectError, RunKind,
    StepState,
};
use proptest::prelude::*;
use serde_json::json;

fn sheet() -> KeptSheet {
    KeptSheet {
        sheet: json!({
            "test": "esd",
            "clause": "IEC 61000-4-2:2008, clause 8.3",
            "climate": "15-35 degC, 30-60 % humidity; 86-106 kPa for air discharge",
            "cautions": ["High voltage."],
            "steps": [
                {"id": "esd-001", "place": "screw", "stimulus": "contact, +", "level": "4 kV", "count": 10, "interval_s": 1.0},
                {"id": "esd-002", "place": "screw", "stimulus": "contact, −", "level": "4 kV", "count": 10, "interval_s": 1.0},
            ],
        }),
        required: Some(Criterion::B),
        monitoring: "display watched by eye".to_owned(),
        acknowledged: vec!["High voltage.".to_owned()],
        acknowledged_by: "Ada".to_owned(),
        ..KeptSheet::default()
    }
}

fn begun() -> (tempfile::TempDir, Project, String) {
    let dir = tempfile::tempdir().expect("a folder");
    let mut project = Project::create(&dir.path().join("p")).expect("a project");
    let run = project.start_log(NewRun::new("ESD", RunKind::ElectrostaticDischarge), sheet()).expect("begun");
    (dir, project, run)
}

fn entry(run: &str, client: &str, sequence: u64, what: LogWhat) -> LogEntry {
    LogEntry {
        run: run.to_owned(),
        key: format!("{client}-{sequence}"),
        client: client.to_owned(),
        sequence,
        at: "2026-02-03T10:00:00Z".parse().expect("a time"),
        who: "Ada".to_owned(),
        what,
    }
}

fn given(step: &str, stimuli: u32, result: Option<Criterion>) -> LogWhat {
    LogWhat::Step {
        step: step.to_owned(),
        stimuli,
        result,
        seen: String::new(),
        level: "4 kV".to_owned(),
        frequency_hz: None,
    }
}

#[test]
fn counts_of_two_devices_add_up_and_the_worst_criterion_stands() {
    let (_dir, mut project, run) = begun();
    project
        .append_log(&[
            entry(&run, "a", 1, given("esd-001", 4, None)),
            entry(&run, "b", 1, given("esd-001", 6, Some(Criterion::B))),
            entry(&run, "a", 2, given("esd-002", 10, Some(Criterion::A))),
        ])
        .expect("taken");
    let record = project.log(&run).expect("read").expect("a log").record();
    assert_eq!((record.steps[0].stimuli, record.steps[0].result), (10, Some(Criterion::B)));
    assert_eq!((record.done, record.worst, record.decision.as_str()), (2, Some(Criterion::B), "pass"));
    let closed = project.close_log(&run, json!({})).expect("closed");
    assert_eq!(closed, record);
    let entries = project.revision().expect("read");
    project.close_log(&run, json!({})).expect("closed already");
    assert_eq!(project.revision().expect("read"), entries, "nothing is written twice");
    let summary = &project.run(&run).expect("read").result().expect("a result").summary.clone();
    assert_eq!((&summary["decision"], &summary["worst_criterion"]), (&json!("pass"), &json!("B")));
}

#[test]
fn a_worse_criterion_than_required_fails_and_damage_always_does() {
    for (result, required, decision) in [
        (Criterion::C, Some(Criterion::B), "fail"),
        (Criterion::B, Some(Criterion::B), "pass"),
        (Criterion::D, None, "fail"),
        (Criterion::A, None, "inconclusive"),
    ] {
        let dir = tempfile::tempdir().expect("a folder");
        let mut project = Project::create(&dir.path().join("p")).expect("a project");
        let of = KeptSheet { required, ..sheet() };
        let run = project.start_log(NewRun::new("ESD", RunKind::ElectrostaticDischarge), of).expect("begun");
        let both = [given("esd-001", 10, Some(Criterion::A)), given("esd-002", 10, Some(result))];
        for (k, what) in both.into_iter().enumerate() {
            project.append_log(&[entry(&run, "a", k as u64 + 1, what)]).expect("taken");
        }
        let record = project.log(&run).expect("read").expect("a log").record();
        assert_eq!(record.decision, decision, "{result:?} where {required:?}: {}", record.sentence);
    }
}

#[test]
fn too_early_is_refused_and_nothing_of_the_batch_stays() {
    let (_dir, mut project, run) = begun();
    let before = project.revision().expect("read");
    let refused = project
        .append_log(&[entry(&run, "a", 1, given("esd-001", 1, None)), entry(&run, "a", 3, given("esd-001", 1, None))])
        .expect_err("a hole");
    assert!(matches!(refused, ProjectError::OutOfOrder { found: 3, expected: 2, .. }), "{refused}");
    assert_eq!(project.revision().expect("read"), before);
}

#[test]
fn what_cannot_be_understood_is_refused_and_named() {
    let (_dir, mut project, run) = begun();
    let wrong = [
        given("esd-999", 1, None),
        given("esd-001", 0, None),
        LogWhat::Deviation { step: None, text: " ".to_owned(), skipped: false },
        LogWhat::Withdraw { entry: "nowhere".to_owned(), text: "slip".to_owned() },
        LogWhat::Picture { capture: "none".to_owned(), text: String::new() },
    ];
    for what in wrong {
        let said = project.append_log(&[entry(&run, "a", 1, what)]).expect_err("refused").to_string();
        assert!(said.contains("a-1") && said.contains("expected"), "{said}");
    }
    let mut unread = sheet();
    unread.acknowledged.clear();
    let said = project.start_log(NewRun::new("ESD", RunKind::ElectrostaticDischarge), unread).expect_err("not read");
    assert!(said.to_string().contains("High voltage."), "{said}");
}

#[test]
fn an_entry_taken_back_stays_readable_and_no_longer_counts() {
    let (_dir, mut project, run) = begun();
    project
        .append_log(&[
            entry(&run, "a", 1, given("esd-001", 10, Some(Criterion::D))),
            entry(&run, "a", 2, LogWhat::Withdraw { entry: "a-1".to_owned(), text: "wrong button".to_owned() }),
            entry(&run, "a", 3, given("esd-001", 10, Some(Criterion::A))),
        ])
        .expect("taken");
    let log = project.log(&run).expect("read").expect("a log");
    let record = log.record();
    assert_eq!((record.steps[0].stimuli, record.worst), (10, Some(Criterion::A)));
    assert_eq!(log.entry("a-1").expect("still there").withdrawn.as_deref(), Some("wrong button"));
    // The same after the ledger is read anew from the file.
    let again = Project::open(project.dir()).expect("opened").log(&run).expect("read").expect("a log");
    assert_eq!(again, log);
}

#[test]
fn the_check_speaks_of_open_logs_missing_steps_climate_and_late_entries() {
    let (_dir, mut project, run) = begun();
    let said = |project: &Project| -> String {
        project.check_run(&run).expect("checked").into_iter().map(|f| f.what).collect::<Vec<_>>().join("\n")
    };
    let open = said(&project);
    assert!(open.contains("log is open: 0 of 2"), "{open}");
    assert!(open.contains("temperature was not recorded") && open.contains("names no generator"), "{open}");
    assert!(!open.contains("no captures"), "{open}");
    let dry = Climate { temperature_c: Some(23.0), humidity_percent: Some(22.0), pressure_kpa: Some(100.0) };
    project
        .append_log(&[
            entry(&run, "a", 1, LogWhat::Climate(dry)),
            entry(&run, "a", 2, given("esd-001", 10, Some(Criterion::A))),
        ])
        .expect("taken");
    project.close_log(&run, json!({})).expect("closed");
    let closed = said(&project);
    assert!(closed.contains("1 of 2 steps were not carried out") && closed.contains("esd-002"), "{closed}");
    assert!(closed.contains("humidity was 22 %") && !closed.contains("temperature"), "{closed}");
    let skip = LogWhat::Deviation { step: Some("esd-002".to_owned()), text: "not reachable".to_owned(), skipped: true };
    project.append_log(&[entry(&run, "a", 3, skip)]).expect("late entries are taken");
    assert!(said(&project).contains("1 entry was logged after it was closed"), "{}", said(&project));
    let record = project.close_log(&run, json!({})).expect("closed again");
    assert_eq!((record.steps[1].state, record.decision.as_str()), (StepState::Skipped, "pass"));
    let after = said(&project);
    assert!(!after.contains("not carried out") && !after.contains("after it was closed"), "{after}");
}

#[test]
fn climate_ranges_are_read_from_the_words_of_a_sheet() {
    let limits = ClimateLimits::of("15-35 degC, 30-60 % humidity; 86-106 kPa for air discharge");
    assert_eq!(limits.temperature_c, Some((15.0, 35.0)));
    assert_eq!(limits.humidity_percent, Some((30.0, 60.0)));
    assert_eq!(limits.pressure_kpa, Some((86.0, 106.0)));
    assert_eq!(ClimateLimits::of(""), ClimateLimits::default());
}

#[test]
fn a_letter_is_read_from_the_words_of_a_plan() {
    assert_eq!(Criterion::of("B"), Some(Criterion::B));
    assert_eq!(Criterion::of("c (after 250 periods)"), Some(Criterion::C));
    assert_eq!(Criterion::of("Alarm stays off"), None);
    assert_eq!(Criterion::of(""), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    /// However the batches of two devices are cut, mixed and repeated: every entry is there once, in order.
    #[test]
    fn whatever_is_sent_again_is_there_once(moves in prop::collection::vec((0_usize..2, 0_usize..6, 0_usize..4), 1..16)) {
        let (_dir, mut project, run) = begun();
        let clients = ["a", "b"];
        let mut made = [0_usize; 2];
        let mut sent: BTreeMap<&str, u64> = BTreeMap::new();
        for (client, new, back) in moves {
            made[client] += new;
            let name = clients[client];
            let known = sent.get(name).copied().unwrap_or(0);
            // Sends again some that are known already, as after an answer that was lost.
            let from = known.saturating_sub(back as u64) + 1;
            let batch: Vec<LogEntry> =
                (from..=made[client] as u64).map(|s| entry(&run, name, s, given("esd-001", 1, None))).collect();
            let accepted = project.append_log(&batch).expect("taken");
            if let Some(a) = accepted.first() {
                prop_assert_eq!(a.last, made[client] as u64);
                sent.insert(name, a.last);
            }
        }
        let log = project.log(&run).expect("read").expect("a log");
        for name in clients {
            let got: Vec<u64> = log.entries.iter().filter(|e| e.log.client == name).map(|e| e.log.sequence).collect();
            let want: Vec<u64> = (1..=sent.get(name).copied().unwrap_or(0)).collect();
            prop_assert_eq!(got, want);
        }
        let in_ledger = project.entries(0).expect("read").into_iter().filter(|e| matches!(e.event, Event::RunLogged(_))).count();
        prop_assert_eq!(in_ledger, log.entries.len());
        prop_assert_eq!(u64::from(log.record().steps[0].stimuli), log.entries.len() as u64);
    }
}
