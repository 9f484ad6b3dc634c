//! What proves a project: verdicts computed again, the archive, the matrix of what is proven, the technical file.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use serde_json::{Value, json};

fn run(args: &[&str]) -> std::process::Output {
    Command::cargo_bin("hushfield").expect("the binary is built with its tests").args(args).output().unwrap()
}

fn answer(args: &[&str], code: i32) -> Value {
    let out = run(&[args, &["--json"]].concat());
    assert_eq!(out.status.code(), Some(code), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

const PRODUCT: &str = r#"
name = "Pump"
maker = "Works, 1 Street"
description = "Pumps."
family = "generic"
environment = "residential"
markets = ["EU"]
electronics = true

[supply]
voltage_v = 230.0
frequency_hz = 50.0
current_a = 0.5

[[ports]]
id = "mains"
kind = "ac_mains"
name = "Mains"
cable_length_m = 2.0

[[ports]]
id = "sensors"
kind = "signal_control"
name = "Sensors"
cable_length_m = 20.0
"#;

/// A sweep that is far below every limit, with both detectors.
fn sweep(offset_db: f64) -> String {
    let mut text = String::from("frequency_hz,quasi_peak_dbuv,cispr_average_dbuv\n");
    let n = 2000;
    for k in 0..=n {
        let f = 150e3 * (30e6f64 / 150e3).powf(f64::from(k) / f64::from(n));
        let level = 30.0 + offset_db + 2.0 * (f64::from(k) / 40.0).sin();
        text.push_str(&format!("{f:.1},{level:.2},{:.2}\n", level - 6.0));
    }
    text
}

fn project(dir: &Path) -> String {
    let p = dir.join("p");
    drop(project::Project::create_with(&p, PRODUCT).unwrap());
    for (conductor, offset) in [("L1", 0.0), ("N", 1.0)] {
        let file = dir.join(format!("{conductor}.csv"));
        fs::write(&file, sweep(offset)).unwrap();
        let out = run(&[
            "run",
            p.to_str().unwrap(),
            file.to_str().unwrap(),
            "--port",
            "mains",
            "--conductor",
            conductor,
            "--limit",
            "iec61000-6-3-b-mains-qp",
            "--limit",
            "iec61000-6-3-b-mains-av",
        ]);
        assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    }
    p.to_str().unwrap().to_owned()
}

#[test]
fn a_verdict_is_computed_again_and_what_differs_is_said() {
    let room = tempfile::tempdir().unwrap();
    let p = project(room.path());
    let first = answer(&["verify", &p], 0);
    assert_eq!(first["runs"].as_array().unwrap().len(), 2);
    assert!(first["runs"].as_array().unwrap().iter().all(|r| r["agreement"] == "same"), "{first}");

    // On another machine (another folder, no derived files, another number of threads) the same comes out.
    let (tar, q) = (room.path().join("p.tar"), room.path().join("q"));
    answer(&["export", &p, tar.to_str().unwrap()], 0);
    answer(&["import", tar.to_str().unwrap(), q.to_str().unwrap()], 0);
    let again = answer(&["verify", q.to_str().unwrap()], 0);
    assert_eq!(again["digest"], first["digest"]);

    // What lies in derived/ is read by the pages: a change of it is found.
    answer(&["runs", &p, "--run", "R001"], 0);
    for ending in [".csv", ".json"] {
        let derived = fs::read_dir(Path::new(&p).join("derived"))
            .unwrap()
            .flatten()
            .map(|e| e.path())
            .find(|path| path.to_string_lossy().ends_with(ending))
            .unwrap();
        let text = fs::read_to_string(&derived).unwrap();
        fs::write(&derived, text.replacen('3', "2", 1)).unwrap();
        let found = answer(&["verify", &p], 1);
        assert_eq!(
            found["runs"].as_array().unwrap().iter().filter(|r| r["derived_differs"] == true).count(),
            1,
            "{found}"
        );
        fs::write(&derived, text).unwrap();
    }

    // A verdict that does not follow from its raw file.
    let mut opened = project::Project::open(Path::new(&p)).unwrap();
    let mut summary = opened.run("R001").unwrap().result().unwrap().summary.clone();
    summary["worst_margin_db"] = json!(21.0);
    opened.add_result("R001", summary, json!({ "hushfield": "0.0.1" })).unwrap();
    let found = answer(&["verify", &p], 1);
    let one = &found["runs"][0];
    assert_eq!((&one["agreement"], &one["differences"][0]["field"]), (&json!("differs"), &json!("worst_margin_db")));
    assert_eq!(one["differences"][0]["recorded"], json!(21.0));
    assert_eq!(one["recorded_by"], "0.0.1");
    let text = String::from_utf8(run(&["verify", &p]).stdout).unwrap();
    assert!(text.contains("worst_margin_db: recorded 21.0, now") && text.contains("1 of 2 runs stand"), "{text}");

    // A raw file that was touched.
    let capture = fs::read_dir(Path::new(&p).join("captures")).unwrap().flatten().next().unwrap().path();
    let mut permissions = fs::metadata(&capture).unwrap().permissions();
    #[allow(clippy::permissions_set_readonly_false, reason = "the file is this test's own")]
    permissions.set_readonly(false);
    fs::set_permissions(&capture, permissions).unwrap();
    fs::write(&capture, sweep(25.0)).unwrap();
    let found = answer(&["verify", &p], 1);
    assert!(found["errors"].as_array().unwrap().iter().any(|e| e["subject"]["kind"] == "capture"), "{found}");
    assert!(found["runs"].as_array().unwrap().iter().any(|r| r["agreement"] == "not_computable"), "{found}");
}

#[test]
fn a_limit_edited_since_does_not_change_the_old_verdict_but_is_said() {
    let room = tempfile::tempdir().unwrap();
    let p = room.path().join("p");
    let own = |level: f64| {
        format!(
            "[[limit]]\nid = \"own\"\nstandard = \"Own 1\"\ntable = \"1\"\ntitle = \"ours\"\nport = \"ac_mains\"\ndetector = \
             \"quasi_peak\"\nunit = \"dBuV\"\npoints_mhz_level = [[0.15, {level}], [30.0, {level}]]\nsource = \"ours\"\nknown = \
             \"user\"\n"
        )
    };
    let mut opened = project::Project::create_with(&p, PRODUCT).unwrap();
    opened.write_limits("own", &own(60.0)).unwrap();
    let file = room.path().join("s.csv");
    fs::write(&file, sweep(0.0)).unwrap();
    let p = p.to_str().unwrap();
    answer(&["run", p, file.to_str().unwrap(), "--port", "mains", "--limit", "own"], 0);
    opened.write_limits("own", &own(20.0)).unwrap();
    let found = answer(&["verify", p], 0);
    assert_eq!(found["runs"][0]["agreement"], "same");
    assert!(found["runs"][0]["by_todays_limits"].as_str().unwrap().contains("Fails"), "{found}");
}

#[test]
fn a_change_puts_in_doubt_what_it_touches() {
    let room = tempfile::tempdir().unwrap();
    let p = project(room.path());
    let state = |m: &Value, k: usize| {
        m["rows"]
            .as_array()
            .unwrap()
            .iter()
            .find(|r| r["phenomenon"] == "conducted_disturbance" && r["port"] == "mains")
            .unwrap()["cells"][k]
            .clone()
    };
    let m = answer(&["matrix", &p], 1);
    assert_eq!(state(&m, 0)["standing"], "passed", "{m}");
    // Before it is made: a filter part at the mains touches it, one at the sensors does not.
    let touched = answer(&["matrix", &p, "--if", "filter@mains=choke 10 mH"], 1);
    assert_eq!(state(&touched, 1)["standing"], "repeat");
    let left = answer(&["matrix", &p, "--if", "filter@sensors=ferrite"], 1);
    assert_eq!(state(&left, 1)["standing"], "covered");
    assert!(state(&left, 1)["because"][0].as_str().unwrap().contains("acts on sensors only"), "{left}");
    assert_eq!(answer(&["matrix", &p], 1)["states"].as_array().unwrap().len(), 1, "nothing was kept");

    let out = run(&["add", "state", &p, "--id", "B", "--what", "x", "--change", "paint=red"]);
    assert_eq!(out.status.code(), Some(2));
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(said.contains("`paint` is no kind of change") && said.contains("marking"), "{said}");
    answer(&["add", "state", &p, "--id", "A", "--what", "as built"], 0);
    answer(&["add", "state", &p, "--id", "B", "--what", "red", "--after", "A", "--change", "marking=red"], 0);
    answer(&["add", "changes", &p, "--state", "B", "--change", "firmware=1.2"], 0);
    let m = answer(&["matrix", &p], 1);
    assert_eq!(m["states"].as_array().unwrap().last().unwrap()["changes"][0]["kind"], "firmware");

    let file = answer(&["technical-file", &p], 0);
    let maker = file["declaration"].as_array().unwrap().iter().find(|f| f["id"] == "maker").unwrap();
    assert_eq!(maker["known"][0], "Works, 1 Street");
    fs::create_dir_all(Path::new(&p).join("documents/risk")).unwrap();
    fs::write(Path::new(&p).join("documents/risk/analysis.pdf"), "x").unwrap();
    let file = answer(&["technical-file", &p], 0);
    let risk = file["documents"].as_array().unwrap().iter().find(|d| d["id"] == "risk").unwrap();
    assert_eq!(risk["holds"][0], "documents/risk/analysis.pdf");
}
