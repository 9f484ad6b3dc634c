//! The plan and the days from the command line, on a project made here.

use std::fs;
use std::path::Path;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

fn hushfield(args: &[&str]) -> Output {
    Command::cargo_bin("hushfield").unwrap().args(args).output().unwrap()
}

fn json(args: &[&str]) -> Value {
    let out = hushfield(args);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn project(dir: &Path) -> String {
    let dir = dir.join("p");
    let path = dir.to_str().unwrap().to_owned();
    assert!(hushfield(&["new", &path]).status.success());
    fs::write(
        dir.join("product.toml"),
        r#"
name = "Gate controller"
family = "generic"
environment = "residential"
markets = ["EU"]
magnetic_parts = false
highest_internal_frequency_hz = 200e6
[supply]
voltage_v = 230
frequency_hz = 50
current_a = 2
earthed = true
[[ports]]
id = "box"
kind = "enclosure"
[[ports]]
id = "mains"
kind = "ac_mains"
cable_length_m = 2
[[ports]]
id = "loop"
kind = "signal_control"
cable_length_m = 2.5
[[ports]]
id = "motor"
kind = "signal_control"
cable_length_m = 45
"#,
    )
    .unwrap();
    path
}

#[test]
fn the_plan_says_what_applies_and_what_does_not_and_why() {
    let dir = tempfile::tempdir().unwrap();
    let p = project(dir.path());
    let plan = json(&["--json", "plan", &p]);
    let tests = plan["plan"]["tests"].as_array().unwrap();
    assert!(tests.len() > 15);
    for t in tests {
        assert!(!t["because"].as_array().unwrap().is_empty() && !t["clause"].as_str().unwrap().is_empty(), "{t}");
    }
    let burst = |port: &str| tests.iter().any(|t| t["port"] == port && t["phenomenon"] == "burst");
    assert!(burst("motor") && !burst("loop"));
    let why =
        plan["plan"]["left_out"].as_array().unwrap().iter().find(|o| o["port"] == "loop" && o["phenomenon"] == "burst");
    assert!(why.unwrap()["because"].as_str().unwrap().contains("2.5 m"));
    let above = tests.iter().find(|t| t["id"].as_str().unwrap().ends_with("field-above-1-ghz")).unwrap();
    assert_eq!(above["frequency_hz"][0][1], 2e9);

    let changed = json(&["--json", "plan", &p, "--if", "ports.loop.cable_length_m=10"]);
    let added = changed["what_if"]["difference"]["added"].as_array().unwrap();
    assert!(added.iter().all(|t| t["port"] == "loop") && added.len() >= 2, "{added:?}");
    let text = String::from_utf8(hushfield(&["plan", &p, "--left-out"]).stdout).unwrap();
    assert!(text.contains("from memory") && text.contains("at most 2.5 m"), "{text}");

    for (answer, word) in [("size=1", "family"), ("environment=moon", "residential"), ("environment", "FIELD=VALUE")] {
        let out = hushfield(&["plan", &p, "--if", answer]);
        assert_eq!(out.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&out.stderr).contains(word), "{}", String::from_utf8_lossy(&out.stderr));
    }
}

#[test]
fn the_days_hold_every_test_and_go_out_as_calendar_and_table() {
    let dir = tempfile::tempdir().unwrap();
    let p = project(dir.path());
    let (ics, csv) = (dir.path().join("v.ics"), dir.path().join("v.csv"));
    let days = json(&[
        "--json",
        "days",
        &p,
        "--date",
        "2026-12-07",
        "--ics",
        ics.to_str().unwrap(),
        "--csv",
        csv.to_str().unwrap(),
        "--surge-rest",
        "20",
    ]);
    let d = &days["days"];
    let planned = json(&["--json", "plan", &p])["plan"]["tests"].as_array().unwrap().len();
    let held: usize = d["jobs"].as_array().unwrap().iter().map(|j| j["tests"].as_array().unwrap().len()).sum();
    assert_eq!(held, planned);
    assert!(d["half_days"].as_u64().unwrap() > 0 && d["gap_percent"].as_f64().unwrap() < 1.0);
    assert!(fs::read_to_string(&ics).unwrap().contains("DTSTART:20261207T083000"));
    assert!(fs::read_to_string(&csv).unwrap().starts_with("day,from,to,kind,title,rig,why\n"));
    let text = String::from_utf8(hushfield(&["days", &p]).stdout).unwrap();
    assert!(
        text.contains("never alone") && text.contains("residual-current device"),
        "the cautions stand there: {text}"
    );

    // One passed, one failed: the failed one is planned again, the passed one is gone.
    let job = |k: usize| d["jobs"][k]["id"].as_str().unwrap().to_owned();
    let again = json(&["--json", "days", &p, "--passed", &job(0), "--failed", &job(1), "--now", "1,100"]);
    let left: Vec<&str> = again["days"]["jobs"].as_array().unwrap().iter().map(|j| j["id"].as_str().unwrap()).collect();
    assert!(!left.contains(&job(0).as_str()) && left.contains(&job(1).as_str()));

    for (args, word) in [
        (vec!["days", &p, "--date", "7.12.2026"], "2026-12-07"),
        (vec!["days", &p, "--passed", "nothing"], "mains-surge"),
        (vec!["days", &p, "--now", "one"], "DAY,MINUTES"),
        (vec!["days", &p, "--surge-rest", "-3"], "seconds above 0"),
    ] {
        let out = hushfield(&args);
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        assert!(String::from_utf8_lossy(&out.stderr).contains(word), "{}", String::from_utf8_lossy(&out.stderr));
    }
    fs::write(dir.path().join("p/laboratory.toml"), "days = 1\nclothes = 3\n").unwrap();
    let out = hushfield(&["days", &p]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("laboratory.toml"));
}

#[test]
fn readiness_names_what_the_design_breaks_and_where_the_figure_comes_from() {
    let dir = tempfile::tempdir().unwrap();
    let p = project(dir.path());
    let ready = |expected: i32| -> Value {
        let out = hushfield(&["--json", "ready", &p]);
        assert_eq!(out.status.code(), Some(expected), "{}", String::from_utf8_lossy(&out.stderr));
        serde_json::from_slice(&out.stdout).unwrap()
    };
    let r = ready(0);
    let finding = |r: &Value, id: &str| -> Value {
        r["findings"].as_array().unwrap().iter().find(|f| f["id"] == id).unwrap_or_else(|| panic!("{id}: {r}")).clone()
    };
    assert_eq!(finding(&r, "mains-filter")["weight"], "open");
    assert!(r["bench_first"].as_array().unwrap().len() > 8 && r["expected_cost"].as_f64().unwrap() > 0.0);
    // A household appliance with 2 x 10 nF to earth: 2 pi 50 Hz 20 nF 253 V = 1.59 mA against 0.75 mA (IEC 60335-1, seen).
    let file = Path::new(&p).join("product.toml");
    let text = fs::read_to_string(&file).unwrap().replace("\"generic\"", "\"household\"");
    let text = text.replace("current_a = 2\n", "current_a = 2\ny_capacitance_f = 20e-9\nx_capacitance_f = 1e-6\n");
    fs::write(&file, text).unwrap();
    let r = ready(1);
    let earth = finding(&r, "mains-earth-iec60335-portable-class1");
    assert!(earth["weight"] == "violates" && earth["what"].as_str().unwrap().contains("1.59 mA"), "{earth}");
    // 1.005 uF from 253 V to 34 V within 1 s: R = 1/(C ln(357.8/34)) = 423 kohm (by hand).
    let charge = finding(&r, "mains-discharge-iec60335");
    assert!(charge["todo"].as_str().unwrap().contains("423 kΩ"), "{charge}");
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replace("x_capacitance_f", "bleed_resistance_ohm = 400e3\nx_capacitance_f")).unwrap();
    assert_eq!(finding(&ready(1), "mains-discharge-iec60335")["weight"], "in_order");
    let text = String::from_utf8(hushfield(&["ready", &p]).stdout).unwrap();
    assert!(text.contains("Violated") && text.contains("Caution"), "{text}");
}

#[test]
fn days_go_on_one_sheet_and_a_reserve_and_a_second_person_change_them() {
    let dir = tempfile::tempdir().unwrap();
    let p = project(dir.path());
    let pdf = dir.path().join("days.pdf");
    let plain = json(&["--json", "days", &p, "--pdf", pdf.to_str().unwrap(), "--date", "2026-12-07"]);
    let bytes = fs::read(&pdf).unwrap();
    assert!(bytes.starts_with(b"%PDF-") && bytes.len() > 10_000);
    let more = json(&["--json", "days", &p, "--reserve", "1", "--staff", "2"]);
    assert!(more["days"]["free_min"].as_u64().unwrap() > plain["days"]["free_min"].as_u64().unwrap());
    assert!(more["days"]["prepared_min"].as_u64().unwrap() > 0);
    let text = String::from_utf8(hushfield(&["days", &p, "--staff", "2", "--durations"]).stdout).unwrap();
    assert!(text.contains("Prepare:") && text.contains("frequencies, dwell and settling"), "{text}");
    let bad = hushfield(&["days", &p, "--staff", "0"]);
    assert_eq!(bad.status.code(), Some(2));
}

#[test]
fn a_standard_is_set_beside_the_plan() {
    let dir = tempfile::tempdir().unwrap();
    let p = project(dir.path());
    let b = json(&["--json", "plan", &p, "--beside", "61000-6-2"]);
    let rows = b["beside"]["rows"].as_array().unwrap();
    let field = rows.iter().find(|r| r["test"] == "radio-frequency field" && r["harder"] == "right").unwrap();
    assert!(field["differs"][0].as_str().unwrap().contains("3 against 10 V/m"), "{field}");
    let text = String::from_utf8(hushfield(&["plan", &p, "--beside", "household"]).stdout).unwrap();
    assert!(text.starts_with("Left:") && text.contains("only right"), "{text}");
    let bad = hushfield(&["plan", &p, "--beside", "boat"]);
    assert_eq!(bad.status.code(), Some(2));
    assert!(String::from_utf8(bad.stderr).unwrap().contains("household"));
}
