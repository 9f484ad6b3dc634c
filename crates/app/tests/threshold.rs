//! `hushfield threshold` as a person calls it: fields, exit codes, messages.

use std::fs;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

fn hushfield(args: &[&str]) -> Output {
    Command::cargo_bin("hushfield").unwrap().args(args).args(["--json", "--quiet"]).output().unwrap()
}

fn json(out: &Output) -> Value {
    serde_json::from_slice(&out.stdout).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&out.stderr)))
}

#[test]
fn a_required_level_met_missed_and_unreadable() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = dir.path().join(name);
        fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    };
    // An up-and-down run about 8 kV in steps of a quarter (1.94 dB): the threshold lies between 6.4 and 10 kV.
    let run =
        "level_kv,failed\n8,1\n6.4,0\n8,0\n10,1\n8,1\n6.4,0\n8,1\n6.4,0\n8,0\n10,1\n8,0\n10,1\n8,1\n6.4,0\n8,0\n10,1\n";
    let trials = file("esd.csv", run);
    let out = hushfield(&["threshold", &trials, "--required", "4"]);
    assert_eq!(out.status.code(), Some(0));
    let v = json(&out);
    let level = v["threshold_kv"].as_f64().unwrap();
    assert!((7.2..=9.0).contains(&level), "{v}");
    assert!(v["low_kv"].as_f64().unwrap() < level && v["high_kv"].as_f64().unwrap() > level);
    assert!(v["probability_met"].as_f64().unwrap() > 0.95);
    let out = hushfield(&["threshold", &trials, "--required", "8"]);
    assert_eq!((out.status.code(), json(&out)["met"].as_bool()), (Some(1), Some(false)));
    // Half the level before the change: 6 dB better, for certain.
    let half: String = run
        .lines()
        .map(|l| match l.split_once(',').and_then(|(a, b)| Some((a.parse::<f64>().ok()?, b))) {
            Some((level, failed)) => format!("{},{failed}\n", level / 2.0),
            None => format!("{l}\n"),
        })
        .collect();
    let before = file("before.csv", &half);
    let v = json(&hushfield(&["threshold", &trials, "--before", &before, "--next", "up-down", "--step", "1.94"]));
    let change = &v["changes"][0];
    assert!((change["gain_db"].as_f64().unwrap() - 6.02).abs() < 0.05 && change["is_certain"] == true, "{change}");
    assert!(v["next"][0]["reason"].as_str().unwrap().len() > 10);
    // Over frequency: nothing fails at one of the two.
    let rf = file("rf.csv", "frequency_hz,level_v_per_m,failed\n80e6,10,0\n150e6,3,0\n150e6,6,1\n");
    let v = json(&hushfield(&["threshold", &rf, "--required", "10", "--repeatable"]));
    assert_eq!((v["thresholds"][0]["met"].as_bool(), v["thresholds"][1]["met"].as_bool()), (Some(true), Some(false)));
    assert_eq!(v["thresholds"][0]["known"], "at_least");
    let bad = file("bad.csv", "level_kv,failed\n2,perhaps\n");
    let out = hushfield(&["threshold", &bad]);
    assert_eq!(out.status.code(), Some(2));
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(said.contains("bad.csv:2: failed: found `perhaps`; expected 0 or 1"), "{said}");
}
