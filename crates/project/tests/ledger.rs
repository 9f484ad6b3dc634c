//! The ledger in a project folder: append-only, numbered, proven, shared between processes, refused when newer.
use std::fs;

use project::{
    Event, NewEquipment, NewRun, NewSample, NewState, Place, Project, ProjectError, RunKind, Severity, Subject,
};
use rusqlite::Connection;
use serde_json::json;

fn new_project() -> (tempfile::TempDir, Project) {
    let dir = tempfile::tempdir().unwrap();
    let project = Project::create(&dir.path().join("p")).unwrap();
    (dir, project)
}

fn raw(project: &Project) -> Connection {
    Connection::open(project.dir().join("ledger.sqlite")).unwrap()
}

#[test]
fn the_file_itself_refuses_every_way_of_changing_the_past() {
    let (_dir, mut project) = new_project();
    project.add_note(None, "first").unwrap();
    project.add_note(None, "second").unwrap();
    let file = raw(&project);
    for sql in [
        "UPDATE event SET who = 'x' WHERE id = 1",
        "UPDATE event SET id = 9 WHERE id = 2",
        "DELETE FROM event WHERE id = 2",
        "DELETE FROM event",
        "INSERT OR REPLACE INTO event SELECT * FROM event WHERE id = 1",
        "REPLACE INTO event SELECT 1, at, who, kind, version, payload, hash FROM event WHERE id = 2",
        "INSERT INTO event SELECT 9, at, who, kind, version, payload, hash FROM event WHERE id = 2",
    ] {
        let error = file.execute(sql, []).unwrap_err().to_string();
        assert!(error.contains("append-only"), "{sql}: {error}");
    }
    assert_eq!(project.entries(0).unwrap().len(), 2);
}

#[test]
fn a_change_with_the_guards_taken_away_is_found() {
    let (_dir, mut project) = new_project();
    for text in ["one", "two", "three"] {
        project.add_note(None, text).unwrap();
    }
    let seal = project.seal().unwrap();
    assert_eq!(seal.revision, 3);
    assert!(!project.check().unwrap().iter().any(|f| f.subject == Subject::Ledger));

    raw(&project)
        .execute_batch(
            "DROP TRIGGER event_no_update; UPDATE event SET payload = replace(payload, 'two', 'TWO') WHERE id = 2;",
        )
        .unwrap();
    // By the process that had already read the old entry, and by a new one.
    for project in [&project, &Project::open(project.dir()).unwrap()] {
        let findings = project.check().unwrap();
        let of_ledger: Vec<&str> =
            findings.iter().filter(|f| f.subject == Subject::Ledger).map(|f| f.what.as_str()).collect();
        assert_eq!(of_ledger.len(), 2, "{findings:?}");
        assert!(of_ledger.iter().any(|w| w.contains("Entry 2")), "{of_ledger:?}");
        assert!(of_ledger.iter().any(|w| w.contains("guards")), "{of_ledger:?}");
        assert_eq!(findings[0].severity, Severity::Error);
    }
}

#[test]
fn a_seal_printed_on_a_report_shows_a_ledger_cut_short_or_written_anew() {
    let (_dir, mut project) = new_project();
    project.add_note(None, "one").unwrap();
    let early = project.seal().unwrap();
    project.add_note(None, "two").unwrap();
    let late = project.seal().unwrap();
    assert_ne!(early.hash, late.hash);
    raw(&project).execute_batch("DROP TRIGGER event_no_delete; DELETE FROM event WHERE id = 2;").unwrap();
    assert_eq!(Project::open(project.dir()).unwrap().seal().unwrap(), early);
}

#[test]
fn a_newer_ledger_is_refused_and_left_alone() {
    let (_dir, project) = new_project();
    let dir = project.dir().to_path_buf();
    raw(&project).pragma_update(None, "user_version", 99).unwrap();
    drop(project);
    let before = fs::read(dir.join("ledger.sqlite")).unwrap();
    let error = Project::open(&dir).unwrap_err();
    assert!(matches!(error, ProjectError::LedgerTooNew { found: 99, known: 1, .. }), "{error}");
    let message = error.to_string();
    assert!(message.contains("newer version") && message.contains("format 99"), "{message}");
    assert_eq!(fs::read(dir.join("ledger.sqlite")).unwrap(), before);
}

#[test]
fn what_is_not_a_ledger_is_not_taken_for_one() {
    let (_dir, project) = new_project();
    let dir = project.dir().to_path_buf();
    drop(project);
    let ledger = dir.join("ledger.sqlite");

    fs::write(&ledger, "this is a shopping list, and long enough to be looked at as a header of a database file\n")
        .unwrap();
    let message = Project::open(&dir).unwrap_err().to_string();
    assert!(message.contains("ledger.sqlite") && message.contains("not an SQLite file"), "{message}");

    fs::remove_file(&ledger).unwrap();
    Connection::open(&ledger).unwrap().execute_batch("CREATE TABLE songs (title TEXT)").unwrap();
    let message = Project::open(&dir).unwrap_err().to_string();
    assert!(message.contains("not made by the tool"), "{message}");
    let tables: i64 = Connection::open(&ledger)
        .unwrap()
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .unwrap();
    assert_eq!(tables, 1, "nothing was written into it");
}

#[test]
fn a_lost_ledger_is_not_silently_begun_anew() {
    let (_dir, mut project) = new_project();
    project.import_bytes("a.csv", b"1,2\n").unwrap();
    let dir = project.dir().to_path_buf();
    drop(project);
    fs::remove_file(dir.join("ledger.sqlite")).unwrap();
    let message = Project::open(&dir).unwrap_err().to_string();
    assert!(message.contains("ledger.sqlite is missing"), "{message}");
    assert!(!dir.join("ledger.sqlite").exists());

    // Without raw files it may be a product.toml written by hand; the new ledger says how it came to be.
    let by_hand = dir.parent().unwrap().join("by hand");
    fs::create_dir(&by_hand).unwrap();
    fs::write(by_hand.join("product.toml"), "name = \"x\"\n").unwrap();
    let notes = Project::open(&by_hand).unwrap().notes().unwrap();
    assert!(notes[0].2.contains("begun when the folder was opened"), "{notes:?}");
    assert_eq!(Project::open(&by_hand).unwrap().notes().unwrap().len(), 1);
}

#[test]
fn entries_of_a_future_kind_or_form_are_kept_and_named() {
    let (_dir, project) = new_project();
    raw(&project)
        .execute_batch(
            r#"INSERT INTO event VALUES (1, '2030-01-01T00:00:00Z', 'x', 'moon_phase', 1, '{"full":true}', '');
               INSERT INTO event VALUES (2, '2030-01-01T00:00:00Z', 'x', 'note', 7, '{"text":"t"}', '');"#,
        )
        .unwrap();
    let entries = project.entries(0).unwrap();
    assert!(
        matches!(&entries[0].event, Event::Other { kind, payload } if kind == "moon_phase" && payload["full"] == true)
    );
    assert!(matches!(&entries[1].event, Event::Other { kind, .. } if kind == "note"));
    let findings = project.check().unwrap();
    let not_understood = findings.iter().filter(|f| f.what.contains("not understood")).count();
    assert_eq!(not_understood, 2, "{findings:?}");
}

#[test]
fn two_processes_get_different_runs_and_see_each_other() {
    let (_dir, first) = new_project();
    let dir = first.dir().to_path_buf();
    drop(first);
    let writers: Vec<_> = (0..4)
        .map(|writer| {
            let dir = dir.clone();
            std::thread::spawn(move || {
                // Each thread has its own connection: to SQLite that is another process.
                let mut project = Project::open(&dir).unwrap();
                project.set_who(&format!("writer {writer}"));
                (0..6)
                    .map(|k| project.add_run(NewRun::new(format!("{writer}-{k}"), RunKind::Other)).unwrap())
                    .collect::<Vec<String>>()
            })
        })
        .collect();
    let mut ids: Vec<String> = writers.into_iter().flat_map(|w| w.join().unwrap()).collect();
    ids.sort();
    let expected: Vec<String> = (1..=24).map(|n| format!("R{n:03}")).collect();
    assert_eq!(ids, expected);
    let project = Project::open(&dir).unwrap();
    assert_eq!(project.revision().unwrap(), 24);
    assert!(!project.check().unwrap().iter().any(|f| f.subject == Subject::Ledger), "the hashes form one line");
}

#[test]
fn the_state_follows_from_the_events_and_survives_reopening() {
    let (_dir, mut project) = new_project();
    project.set_who("Kim");
    assert_eq!(project.revision().unwrap(), 0);
    assert_eq!(project.add_sample(NewSample { serial: Some("0007".into()), ..NewSample::default() }).unwrap(), "S1");
    assert_eq!(project.add_state(NewState::default()).unwrap(), "M0");
    let next = NewState { based_on: Some("M0".into()), description: "ferrite".into(), ..NewState::default() };
    assert_eq!(project.add_state(next).unwrap(), "M1");
    let network = NewEquipment {
        name: "Artificial network".into(),
        calibrated: Some("2024-02-01".parse().unwrap()),
        due: Some("2025-02-01".parse().unwrap()),
        ..NewEquipment::default()
    };
    assert_eq!(project.add_equipment(network).unwrap(), "E1");
    let later = "2025-01-20".parse().unwrap();
    project.calibrate("E1", later, Some("2026-01-20".parse().unwrap()), Some("C-7".into())).unwrap();
    let capture = project.import_bytes("scan.csv", b"f,l\n1,2\n").unwrap();
    let mut run = NewRun::new("Mains, L1, full load", RunKind::ConductedEmission);
    run.port = Some("mains".into());
    run.sample = Some("S1".into());
    run.state = Some("M1".into());
    run.mode = Some("full load".into());
    run.conductor = Some("L1".into());
    run.equipment = vec!["E1".into()];
    run.measured_at = Some("2025-06-01T10:00:00Z".parse().unwrap());
    run.captures = vec![project::CaptureUse {
        capture: capture.id.clone(),
        role: "sweep".into(),
        choices: json!({"unit": "dbuv"}),
    }];
    let id = project.add_run(run).unwrap();
    project.add_result(&id, json!({"decision": "fail"}), json!({"hushfield": "0.1.0"})).unwrap();
    project.add_result(&id, json!({"decision": "pass"}), json!({"hushfield": "0.1.1"})).unwrap();
    project.add_note(Some(&id), "fan off").unwrap();
    let other = project.add_run(NewRun::new("ambient", RunKind::Other)).unwrap();
    project.withdraw_run(&other, "door was open").unwrap();

    let again = Project::open(project.dir()).unwrap();
    assert_eq!(again.runs().unwrap(), project.runs().unwrap());
    let run = again.run("R001").unwrap();
    assert_eq!(run.result().unwrap().summary["decision"], "pass");
    assert_eq!(run.results.len(), 2);
    assert_eq!(run.remarks[0].2, "fan off");
    assert_eq!(run.added_by, "Kim");
    assert_eq!(run.record.captures[0].choices, json!({"unit": "dbuv"}));
    assert_eq!(again.run("R002").unwrap().withdrawn.as_ref().unwrap().reason, "door was open");
    let equipment = &again.equipment().unwrap()[0];
    assert_eq!(equipment.calibrations.len(), 2);
    assert_eq!(equipment.equipment.due, Some("2026-01-20".parse().unwrap()));
    assert_eq!(again.states().unwrap()[1].state.based_on.as_deref(), Some("M0"));

    // The same through the views, for a person with any SQLite tool.
    let (title, result, port): (String, String, String) = raw(&again)
        .query_row("SELECT title, result, port FROM run WHERE id = 'R001'", [], |r| {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?))
        })
        .unwrap();
    assert_eq!((title.as_str(), port.as_str()), ("Mains, L1, full load", "mains"));
    assert_eq!(result, r#"{"decision":"pass"}"#);
    let withdrawn: String =
        raw(&again).query_row("SELECT withdrawn FROM run WHERE id = 'R002'", [], |r| r.get(0)).unwrap();
    assert_eq!(withdrawn, "door was open");
    let due: String = raw(&again).query_row("SELECT due FROM equipment", [], |r| r.get(0)).unwrap();
    assert_eq!(due, "2026-01-20");
    let length: i64 = raw(&again).query_row("SELECT length_bytes FROM capture", [], |r| r.get(0)).unwrap();
    assert_eq!(length, 8);
}

#[test]
fn what_a_run_names_must_exist_and_nothing_is_recorded_otherwise() {
    let (_dir, mut project) = new_project();
    let base = || NewRun::new("t", RunKind::ConductedEmission);
    let cases: [(NewRun, &str); 10] = [
        (
            NewRun { port: Some("mians".into()), ..base() },
            "no port \"mians\" in this project; expected one of: enclosure, mains",
        ),
        (NewRun { sample: Some("S9".into()), ..base() }, "no sample \"S9\""),
        (NewRun { state: Some("M9".into()), ..base() }, "no modification state \"M9\""),
        (NewRun { equipment: vec!["E9".into()], ..base() }, "no equipment \"E9\""),
        (NewRun { limits: vec!["no-such".into()], ..base() }, "no limit \"no-such\""),
        (NewRun { chain: Some("nochain".into()), ..base() }, "no chain \"nochain\""),
        (
            NewRun {
                captures: vec![project::CaptureUse {
                    capture: "00".into(),
                    role: "sweep".into(),
                    choices: json!(null),
                }],
                ..base()
            },
            "no capture \"00\"",
        ),
        (NewRun { title: " ".into(), ..base() }, "run.title: it is empty"),
        (NewRun { place: Place { height_m: Some(-1.5), ..Place::default() }, ..base() }, "run.place.height_m: -1.5"),
        (
            NewRun { place: Place { azimuth_deg: Some(f64::NAN), ..Place::default() }, ..base() },
            "run.place.azimuth_deg: NaN",
        ),
    ];
    for (run, expected) in cases {
        let message = project.add_run(run).unwrap_err().to_string();
        assert!(message.contains(expected), "{message}");
    }
    assert!(project.add_result("R001", json!({}), json!({})).is_err());
    assert!(project.withdraw_run("R001", "x").is_err());
    assert!(project.calibrate("E1", "2025-01-01".parse().unwrap(), None, None).is_err());
    assert_eq!(project.revision().unwrap(), 0);
}

#[test]
fn the_project_may_move_between_threads() {
    fn send<T: Send>() {}
    send::<Project>();
    send::<project::Staged>();
    send::<ProjectError>();
}
