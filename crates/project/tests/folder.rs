//! The folder: creation, raw files kept byte for byte, and every way in which evidence can rot, found.
use std::fs;
use std::ops::ControlFlow;
use std::path::Path;
use std::process::Command;

use project::{
    CaptureUse, Finding, NewEquipment, NewRun, NewSample, Project, ProjectError, RunKind, Severity, Subject,
    stage_bytes, stage_file, unwatched,
};
use serde_json::json;

fn new_project() -> (tempfile::TempDir, Project) {
    let dir = tempfile::tempdir().unwrap();
    let project = Project::create(&dir.path().join("p")).unwrap();
    (dir, project)
}

fn uses(capture: &str) -> Vec<CaptureUse> {
    vec![CaptureUse { capture: capture.to_owned(), role: "sweep".into(), choices: json!({}) }]
}

fn about<'f>(findings: &'f [Finding], subject: &Subject) -> Vec<&'f Finding> {
    findings.iter().filter(|f| f.subject == *subject).collect()
}

/// What somebody with the rights does to a file that the tool has protected from accidents.
fn overwrite(path: &Path, bytes: &[u8]) {
    fs::remove_file(path).unwrap();
    fs::write(path, bytes).unwrap();
}

#[test]
fn a_new_project_is_whole_and_has_nothing_to_complain_of() {
    let (_dir, project) = new_project();
    for name in ["product.toml", "chains", "limits", "captures", "ledger.sqlite", "reports"] {
        assert!(project.dir().join(name).exists(), "{name}");
    }
    assert_eq!(project.check().unwrap(), []);
    assert_eq!(project.product_text().unwrap(), project::Product::template());
}

#[test]
fn a_folder_that_holds_something_is_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("thesis.txt"), "x").unwrap();
    let error = Project::create(dir.path()).unwrap_err();
    assert!(matches!(&error, ProjectError::NotEmpty { found, .. } if found == "thesis.txt"), "{error}");
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);

    let (_other, project) = new_project();
    let before = project.product_text().unwrap();
    assert!(matches!(Project::create(project.dir()), Err(ProjectError::NotEmpty { .. })));
    assert_eq!(project.product_text().unwrap(), before);
}

#[test]
fn a_wrong_product_makes_no_folder_and_a_wrong_edit_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let target = dir.path().join("p");
    let message = Project::create_with(&target, "model = \"x\"\n").unwrap_err().to_string();
    assert_eq!(message, "product.toml:1: name: missing; expected text in quotes");
    assert!(!target.exists());

    let mut project = Project::create(&target).unwrap();
    let before = project.product_text().unwrap();
    let message =
        project.write_product_text("name = \"x\"\n[[ports]]\nid = \"a\"\nkind = \"radio\"\n").unwrap_err().to_string();
    assert!(
        message.starts_with("product.toml:4: ports[1].kind: found \"radio\"; expected one of enclosure"),
        "{message}"
    );
    assert_eq!(project.product_text().unwrap(), before);
    assert!(project.write_chain("c", "name = ").is_err());
    assert!(project.write_limits("l", "[[limit]]\nid = 3\n").is_err());
    for name in ["../evil", ".hidden", "", "a/b", "a:b"] {
        assert!(project.write_chain(name, "name = \"c\"\n").is_err(), "{name:?}");
    }
    for name in ["../x", "product.toml", "captures/x", "derived", "derived/../product.toml"] {
        assert!(project.write_file(Path::new(name), b"x").is_err(), "{name:?}");
    }
    assert_eq!(fs::read_dir(target.join("chains")).unwrap().count(), 0);
    assert_eq!(fs::read_dir(target.join("limits")).unwrap().count(), 0);
}

#[test]
fn opening_what_is_no_project_says_what_is_missing() {
    let dir = tempfile::tempdir().unwrap();
    let message = Project::open(dir.path()).unwrap_err().to_string();
    assert!(message.contains("no product.toml"), "{message}");
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
    let message = Project::open(&dir.path().join("nowhere")).unwrap_err().to_string();
    assert!(message.contains("no such folder"), "{message}");
}

#[test]
fn edits_of_the_product_keep_comments() {
    let (_dir, mut project) = new_project();
    let mut product = project.product().unwrap().product;
    product.name = "Boiler control".into();
    product.ports[1].cable_length_m = Some(2.5);
    project.set_product(&product).unwrap();
    let text = project.product_text().unwrap();
    for line in project::Product::template().lines().filter(|l| l.starts_with('#')) {
        assert!(text.contains(line), "{line}");
    }
    assert!(text.contains("\nname = \"Boiler control\"\n"), "{text}");
    assert_eq!(project.product().unwrap().product, product);
}

#[test]
fn a_capture_is_kept_byte_for_byte_under_its_content() {
    let (dir, mut project) = new_project();
    let source = dir.path().join("Bench 1, L1.CSV");
    let bytes: Vec<u8> = (0..3_000_000_u32).flat_map(u32::to_le_bytes).collect();
    fs::write(&source, &bytes).unwrap();
    let mut steps = Vec::new();
    let capture = project
        .import_capture(&source, &mut |done, total| {
            steps.push((done, total));
            ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(capture.id, format!("{}.csv", blake3::hash(&bytes).to_hex()));
    assert_eq!(capture.file.original_name, "Bench 1, L1.CSV");
    assert_eq!(capture.file.length_bytes, 12_000_000);
    assert_eq!(fs::read(project.capture_path(&capture.id).unwrap()).unwrap(), bytes);
    assert!(steps.is_sorted() && steps.len() > 3);
    assert_eq!(steps.last(), Some(&(12_000_000, 12_000_000)));

    // Once more, from elsewhere: nothing is added.
    let revision = project.revision().unwrap();
    assert_eq!(project.import_bytes("copy.csv", &bytes).unwrap(), capture);
    assert_eq!(project.revision().unwrap(), revision);
    assert_eq!(fs::read_dir(project.dir().join("captures")).unwrap().count(), 1);
    // By the beginning of its hash, but not by too little of it.
    assert_eq!(project.capture(&capture.id[..12]).unwrap(), capture);
    assert!(project.capture(&capture.id[..4]).is_err());
}

#[test]
fn captures_are_named_by_the_published_hash() {
    // blake3 of "abc", from memory of the published value: what `b3sum` prints, so that a person can check a capture
    // without the tool.
    let (_dir, mut project) = new_project();
    let capture = project.import_bytes("abc", b"abc").unwrap();
    assert_eq!(capture.id, "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85");
}

#[test]
fn the_two_files_of_a_sigmf_recording_stay_together() {
    let (dir, mut project) = new_project();
    let meta = dir.path().join("r.sigmf-meta");
    let data = dir.path().join("r.sigmf-data");
    fs::write(&meta, "{}").unwrap();
    let message = project.import_capture(&meta, &mut unwatched).unwrap_err().to_string();
    assert!(message.contains("r.sigmf-data beside it"), "{message}");
    fs::write(&data, [1, 2, 3, 4]).unwrap();
    let capture = project.import_capture(&data, &mut unwatched).unwrap();
    let path = project.capture_path(&capture.id).unwrap();
    assert_eq!(path.extension().unwrap(), "sigmf-meta");
    assert_eq!(fs::read_to_string(&path).unwrap(), "{}");
    assert_eq!(fs::read(path.with_extension("sigmf-data")).unwrap(), [1, 2, 3, 4]);
    assert_eq!(capture.companion.as_ref().unwrap().original_name, "r.sigmf-data");
    // Through the browser: two files in either order, one alone refused.
    let stage = |name: &str, bytes: &[u8]| stage_bytes(project.dir(), name, bytes).unwrap();
    let (b, a) = (stage("q.sigmf-data", &[1, 2, 3, 4]), stage("q.sigmf-meta", b"{}"));
    let alone = stage("q.sigmf-data", &[9]);
    assert_eq!(project.add_capture(vec![b, a]).unwrap().id, capture.id);
    assert!(project.add_capture(vec![alone]).is_err());
    assert_eq!(fs::read_dir(project.dir().join("captures")).unwrap().count(), 2);

    overwrite(&path.with_extension("sigmf-data"), &[1, 2, 3, 5]);
    let findings = project.check().unwrap();
    assert_eq!(about(&findings, &Subject::Capture(capture.id)).len(), 1, "{findings:?}");
}

#[test]
fn what_cannot_be_a_capture_is_refused_and_leaves_nothing() {
    let (dir, mut project) = new_project();
    assert!(project.import_bytes("empty.csv", b"").unwrap_err().to_string().contains("empty"));
    assert!(project.import_capture(dir.path(), &mut unwatched).unwrap_err().to_string().contains("not a file"));
    assert!(project.import_capture(&dir.path().join("none.csv"), &mut unwatched).is_err());
    assert_eq!(fs::read_dir(project.dir().join("captures")).unwrap().count(), 0);
    assert_eq!(project.revision().unwrap(), 0);
}

/// Not a test of its own: the process that the next test starts and kills while a capture is half copied.
#[test]
fn child_process_that_is_killed_while_copying() {
    let Some(dir) = std::env::var_os("PROJECT_TEST_KILL_WHILE_COPYING") else { return };
    let source = Path::new(&dir).join("large.bin");
    let _ = stage_file(&Path::new(&dir).join("p"), &source, &mut |done, _| {
        if done >= 4 << 20 {
            // As if the machine lost power: no destructor runs.
            std::process::abort();
        }
        ControlFlow::Continue(())
    });
    panic!("the copy was meant to be cut short");
}

#[test]
fn a_process_killed_while_copying_leaves_nothing_that_counts() {
    let (dir, project) = new_project();
    fs::write(dir.path().join("large.bin"), vec![5; 8 << 20]).unwrap();
    let captures = project.dir().join("captures");
    let output = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "child_process_that_is_killed_while_copying"])
        .env("PROJECT_TEST_KILL_WHILE_COPYING", dir.path())
        .output()
        .unwrap();
    assert!(!output.status.success());
    let left: Vec<_> =
        fs::read_dir(&captures).unwrap().flatten().map(|e| (e.file_name(), e.metadata().unwrap().len())).collect();
    assert_eq!(left.len(), 1, "{left:?}");
    assert_eq!(left[0].1, 4 << 20, "half a file is there, under a temporary name");
    // A small file cut short in the same way.
    fs::write(project.dir().join("chains/.writing-x"), "name = ").unwrap();
    assert_eq!(project.chains().unwrap(), []);
    // Neither is a capture or a stray; the next opening sweeps them away.
    assert_eq!(project.check().unwrap(), []);
    assert_eq!(project.captures().unwrap(), []);
    let mut project = Project::open(project.dir()).unwrap();
    assert_eq!(fs::read_dir(&captures).unwrap().count(), 0);
    assert_eq!(fs::read_dir(project.dir().join("chains")).unwrap().count(), 0);
    let capture = project.import_capture(&dir.path().join("large.bin"), &mut unwatched).unwrap();
    assert_eq!(capture.file.length_bytes, 8 << 20);
}

#[test]
fn a_file_renamed_but_not_yet_recorded_is_named_and_can_be_imported() {
    // What is left when the process dies between the rename and the ledger's commit.
    let (_dir, mut project) = new_project();
    let name = format!("{}.csv", blake3::hash(b"1,2\n").to_hex());
    fs::write(project.dir().join("captures").join(&name), b"1,2\n").unwrap();
    let findings = project.check().unwrap();
    assert_eq!(findings.len(), 1);
    assert_eq!((findings[0].severity, &findings[0].subject), (Severity::Remark, &Subject::Capture(name.clone())));
    assert_eq!(project.import_bytes("x.csv", b"1,2\n").unwrap().id, name);
    assert_eq!(project.check().unwrap(), []);
}

#[test]
fn a_capture_that_rots_is_found_and_can_be_restored() {
    let (_dir, mut project) = new_project();
    project.add_sample(NewSample::default()).unwrap();
    let capture = project.import_bytes("a.csv", b"1,2,3\n").unwrap();
    let run = NewRun { captures: uses(&capture.id), sample: Some("S1".into()), ..NewRun::new("r", RunKind::Other) };
    project.add_run(run).unwrap();
    assert_eq!(project.check().unwrap(), []);
    assert_eq!(project.check_run("R001").unwrap(), []);
    let path = project.capture_path(&capture.id).unwrap();

    // The same length, one digit changed; and on the run's own page at once.
    overwrite(&path, b"1,2,4\n");
    let findings = project.check().unwrap();
    for subject in [Subject::Capture(capture.id.clone()), Subject::Run("R001".into())] {
        let found = about(&findings, &subject);
        assert_eq!(found.len(), 1, "{findings:?}");
        assert_eq!(found[0].severity, Severity::Error);
        assert!(found[0].what.contains("a.csv") && found[0].what.contains("no longer has the content"), "{found:?}");
    }
    assert_eq!(project.check_run("R001").unwrap().len(), 1);

    overwrite(&path, b"1");
    assert!(project.check().unwrap()[0].what.contains("1 bytes long; it was 6"));
    fs::remove_file(&path).unwrap();
    assert!(project.check().unwrap()[0].what.contains("is missing"));
    // A run taken back no longer counts, but its raw file is still missed.
    project.withdraw_run("R001", "wrong cable").unwrap();
    assert_eq!(project.check_run("R001").unwrap().len(), 1);
    assert!(project.capture_path(&capture.id).is_err());

    let restored = project.import_bytes("again.csv", b"1,2,3\n").unwrap();
    assert_eq!(restored.id, capture.id);
    assert_eq!(project.check().unwrap(), []);
    let kinds: Vec<String> =
        project.entries(0).unwrap().iter().map(|e| json!(e.event)["kind"].as_str().unwrap().to_owned()).collect();
    assert_eq!(kinds.last().unwrap(), "capture_restored");
}

#[test]
fn a_chain_or_its_table_edited_after_the_run_is_found_and_the_old_one_can_be_worked_with() {
    let (_dir, mut project) = new_project();
    project.add_sample(NewSample::default()).unwrap();
    let text = "name = \"Bench\"\n[[element]]\nname = \"network\"\ntable = \"tables/network.csv\"\n";
    project.write_file(Path::new("chains/tables/network.csv"), b"150000,9.8\n").unwrap();
    project.write_chain("bench", text).unwrap();
    let run = |title: &str| NewRun {
        chain: Some("bench".into()),
        sample: Some("S1".into()),
        ..NewRun::new(title, RunKind::ConductedEmission)
    };
    project.add_run(run("first")).unwrap();
    project.add_run(run("second")).unwrap();
    let of_run = |project: &Project, id: &str| -> Vec<String> {
        let found = project.check().unwrap();
        about(&found, &Subject::Run(id.into()))
            .iter()
            .filter(|f| f.severity > Severity::Remark)
            .map(|f| f.what.clone())
            .collect()
    };
    assert_eq!(of_run(&project, "R001"), Vec::<String>::new());
    let kept = project.entries(0).unwrap().iter().filter(|e| matches!(e.event, project::Event::ChainKept(_))).count();
    assert_eq!(kept, 1, "the same chain is kept once");

    project.write_file(Path::new("chains/tables/network.csv"), b"150000,10.8\n").unwrap();
    let found = of_run(&project, "R001");
    assert_eq!(found.len(), 1);
    assert!(found[0].contains("tables/network.csv") && found[0].contains("was edited after the run"), "{found:?}");

    project.write_chain("bench", &text.replace("Bench", "Bench, new cable")).unwrap();
    let found = of_run(&project, "R002");
    assert!(found.iter().any(|w| w.contains("chain bench was edited after the run")), "{found:?}");
    project.add_run(run("third")).unwrap();
    assert_eq!(of_run(&project, "R003"), Vec::<String>::new());

    fs::remove_file(project.dir().join("chains/bench.toml")).unwrap();
    assert!(of_run(&project, "R003")[0].contains("cannot be read"));
    // As it was at the first run, whatever happened since, even with the cache thrown away.
    for _ in 0..2 {
        let path = project.run_chain_path("R001").unwrap().unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
        assert_eq!(fs::read_to_string(path.with_file_name("tables").join("network.csv")).unwrap(), "150000,9.8\n");
        fs::remove_dir_all(project.dir().join("derived")).unwrap();
    }
}

#[test]
fn equipment_past_its_date_on_the_day_of_the_run_is_found() {
    let (_dir, mut project) = new_project();
    project.add_sample(NewSample::default()).unwrap();
    let equipment = NewEquipment {
        name: "Receiver".into(),
        calibrated: Some("2024-01-10".parse().unwrap()),
        due: Some("2025-01-10".parse().unwrap()),
        ..NewEquipment::default()
    };
    project.add_equipment(equipment).unwrap();
    let plain = |name: &str, needs_no_calibration| NewEquipment {
        name: name.into(),
        needs_no_calibration,
        ..NewEquipment::default()
    };
    project.add_equipment(plain("Table", true)).unwrap();
    project.add_equipment(plain("Probe", false)).unwrap();
    for (day, equipment) in [
        ("2025-01-10", "E1"),
        ("2025-01-11", "E1"),
        ("2025-07-01", "E1"),
        ("2023-05-05", "E1"),
        ("2025-01-05", "E2"),
        ("2025-01-05", "E3"),
    ] {
        let run = NewRun {
            equipment: vec![equipment.into()],
            sample: Some("S1".into()),
            measured_at: Some(format!("{day}T12:00:00Z").parse().unwrap()),
            ..NewRun::new(day, RunKind::Other)
        };
        project.add_run(run).unwrap();
    }
    // The next calibration, entered later, helps the runs after it and none before.
    project.calibrate("E1", "2025-06-01".parse().unwrap(), Some("2026-06-01".parse().unwrap()), None).unwrap();
    let now = "2025-08-01T00:00:00Z".parse().unwrap();
    let findings = project.check_at(now).unwrap();
    let warned = |id: &str| -> Vec<String> {
        about(&findings, &Subject::Run(id.into()))
            .iter()
            .filter(|f| f.severity == Severity::Warning)
            .map(|f| f.what.clone())
            .collect()
    };
    assert_eq!(warned("R001"), Vec::<String>::new(), "the last day still counts");
    assert_eq!(
        warned("R002"),
        ["Receiver (E1) was past its calibration date on 2025-01-11: it was due on 2025-01-10."]
    );
    assert_eq!(warned("R003"), Vec::<String>::new());
    assert_eq!(warned("R004"), ["Receiver (E1) had no calibration on 2023-05-05: the first is of 2024-01-10."]);
    assert_eq!(warned("R005"), Vec::<String>::new());
    assert_eq!(warned("R006"), ["Probe (E3) has no calibration on record."]);
    assert_eq!(about(&findings, &Subject::Equipment("E1".into())).len(), 0);
    let later = project.check_at("2026-07-01T00:00:00Z".parse().unwrap()).unwrap();
    assert_eq!(about(&later, &Subject::Equipment("E1".into())).len(), 1);
    let early = project.check_at("2025-01-01T00:00:00Z".parse().unwrap()).unwrap();
    assert!(early.iter().any(|f| f.what.contains("dated in the future")));
}

#[test]
fn what_a_run_refers_to_and_is_gone_is_found() {
    let (_dir, mut project) = new_project();
    let limit = project.limits().unwrap().all()[0].id.clone();
    project
        .write_product_text(
            "name = \"x\"\nmodes = [\"on\"]\n[[ports]]\nid = \"m\"\nkind = \"ac_mains\"\n[[samples]]\nid = \"P1\"\n",
        )
        .unwrap();
    let run = NewRun {
        port: Some("m".into()),
        sample: Some("P1".into()),
        mode: Some("on".into()),
        limits: vec![limit],
        ..NewRun::new("r", RunKind::ConductedEmission)
    };
    project.add_run(run).unwrap();
    let of_run = |project: &Project| -> Vec<(Severity, String)> {
        project.check_run("R001").unwrap().into_iter().map(|f| (f.severity, f.what)).collect()
    };
    assert_eq!(of_run(&project), [(Severity::Remark, "It has no captures.".to_owned())]);
    project.write_product_text("name = \"x\"\nmodes = [\"off\"]\n").unwrap();
    let found = of_run(&project);
    assert!(found.contains(&(Severity::Error, "Its port \"m\" is not in product.toml.".to_owned())), "{found:?}");
    assert!(found.contains(&(Severity::Error, "Its sample \"P1\" is not known.".to_owned())), "{found:?}");
    assert!(found.iter().any(|(_, what)| what.contains("operating mode \"on\"")), "{found:?}");
    // Files broken by hand, past the tool.
    fs::write(project.dir().join("product.toml"), "name = \n").unwrap();
    fs::write(project.dir().join("limits/mine.toml"), "[[limit]]\n").unwrap();
    fs::write(project.dir().join("chains/odd.toml"), [b'a', 0xff]).unwrap();
    let findings = project.check().unwrap();
    let errors = findings.iter().filter(|f| f.severity == Severity::Error).count();
    assert!(errors >= 3, "{findings:?}");
    assert_eq!(about(&findings, &Subject::Product).len(), 1);
    assert!(
        findings.iter().any(|f| matches!(&f.subject, Subject::Limits(place) if place.contains("limits/mine.toml"))),
        "{findings:?}"
    );
    assert!(findings.iter().any(|f| f.what.contains("odd.toml") && f.what.contains("UTF-8")), "{findings:?}");
}

#[test]
fn a_run_whose_limit_is_gone_or_changed_is_found_and_a_limit_without_a_level_is_refused() {
    let (_dir, mut project) = new_project();
    let text = r#"
[[limit]]
id = "house"
standard = "house rule 7"
table = "1"
title = "Our own, mains"
port = "ac_mains"
detector = "quasi_peak"
unit = "dBuV"
points_mhz_level = [[0.15, 60], [30, 50]]
source = "our own"
known = "user"
"#;
    let message = project.write_limits("own", &text.replace("points_mhz_level", "# points")).unwrap_err().to_string();
    assert!(message.contains("limits/own.toml"), "{message}");
    assert_eq!(project.limit_files().unwrap(), []);
    project.write_limits("own", text).unwrap();
    assert!(project.limits().unwrap().get("house").is_some());
    let run = NewRun { limits: vec!["house".into()], ..NewRun::new("r", RunKind::ConductedEmission) };
    project.add_run(run).unwrap();
    let gone =
        |project: &Project| project.check_run("R001").unwrap().iter().any(|f| f.what.contains("limit \"house\""));
    assert!(!gone(&project));
    // Another level under the same name would change the verdict; another title would not.
    let changed =
        |project: &Project| project.check_run("R001").unwrap().iter().any(|f| f.what.contains("no longer what it was"));
    project.write_limits("own", &text.replace("Our own, mains", "Our own limit, mains")).unwrap();
    assert!(!changed(&project));
    project.write_limits("own", &text.replace("[30, 50]", "[30, 51]")).unwrap();
    assert!(changed(&project));
    assert_eq!(project.run("R001").unwrap().record.pinned_limits[0].points, [(0.15e6, 60.0), (30e6, 50.0)]);
    fs::remove_file(project.dir().join("limits/own.toml")).unwrap();
    assert!(gone(&project));
}
