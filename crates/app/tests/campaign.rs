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
