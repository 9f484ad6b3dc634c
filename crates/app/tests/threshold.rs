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

/// Dips at the odd quarter waves of a cable of 1 m, far end open, lead to the cable; one port of three that fails low with one
/// sign leads to its pins; experiments change the weights.
#[test]
fn why_it_falls_over() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = dir.path().join(name);
        fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let product = file(
        "product.toml",
        "name = \"Logger\"\n[[ports]]\nid = \"mains\"\nkind = \"ac_mains\"\ncable_length_m = 1.8\n[[ports]]\nid = \"sensor\"\n\
         kind = \"signal_control\"\ncable_length_m = 0.6\n[[clocks]]\nname = \"cpu\"\nfrequency_hz = 25e6\n",
    );
    // Quarter wave of 0.6 m at 0.9 of the speed of light: 112.4 MHz, and three, five and seven times that (textbook).
    let mut curve = "frequency_hz,threshold_v_per_m\n".to_owned();
    let mut f: f64 = 80e6;
    while f < 1e9 {
        let near = [1.0, 3.0, 5.0, 7.0].iter().map(|k| {
            let f0 = k * 112.42e6;
            1.0 / (1.0 + (4.0 * k * (f / f0 - f0 / f)).powi(2))
        });
        let lit: f64 = near.fold(0.05, f64::max);
        curve.push_str(&format!("{f:.0},{:.3}\n", 3.0 / lit.sqrt()));
        f *= 1.01;
    }
    let curve = file("curve.csv", &curve);
    let v = json(&hushfield(&["upset", &curve, "--product", &product]));
    assert_eq!(v["hypotheses"][0]["weakness"]["name"], "sensor", "{v}");
    assert!(v["dips"].as_array().unwrap().len() >= 3);
    let p = |v: &Value| v["hypotheses"][0]["probability"].as_f64().unwrap();
    let with = json(&hushfield(&["upset", &curve, "--product", &product, "--tried", "length:sensor=changed"]));
    assert!(p(&with) >= p(&v) && with["done"].as_array().unwrap().len() == 1);
    let bursts = file(
        "burst.csv",
        "port,polarity,level_kv,failed,effect\nmains,+,2,0,\nmains,-,2,0,\nsensor,+,0.5,1,latch\nsensor,-,1,1,latch\nsensor,+,0.4,0,\n",
    );
    let v = json(&hushfield(&["upset", &bursts, "--product", &product]));
    assert_eq!(
        (&v["hypotheses"][0]["weakness"]["what"], &v["hypotheses"][0]["weakness"]["name"]),
        (&"pins".into(), &"sensor".into())
    );
    let out = hushfield(&["upset", &bursts, "--tried", "shake:sensor=changed"]);
    assert_eq!(out.status.code(), Some(2));
    let passes = file("passes.csv", "port,level_kv,failed\nmains,2,0\n");
    let out = hushfield(&["upset", &passes]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("at least one failure"));
}

/// A series in the ledger: trials are kept and taken back, experiments on it enter the ledger of experiments.
#[test]
fn a_series_of_the_ledger() {
    let dir = tempfile::tempdir().unwrap();
    let project_dir = dir.path().join("p");
    assert!(hushfield(&["new", project_dir.to_str().unwrap()]).status.success());
    let mut project = project::Project::open(&project_dir).unwrap();
    let trial = |port: &str, level: f64, failed: bool| project::ThresholdTrial {
        series: "bursts".into(),
        test: "burst".into(),
        unit: "kv".into(),
        level,
        failed,
        port: Some(port.into()),
        negative: Some(false),
        effect: failed.then(|| "reset".into()),
        ..Default::default()
    };
    for (port, level, failed) in [("mains", 2.0, false), ("usb", 0.5, true), ("usb", 0.25, false), ("usb", 0.1, true)] {
        project.add_trial(trial(port, level, failed)).unwrap();
    }
    let last = project.trials().unwrap().last().unwrap().entry;
    project.withdraw_trial(last, "the tip slipped").unwrap();
    assert!(project.withdraw_trial(last, "again").is_err());
    assert!(project.add_trial(project::ThresholdTrial { test: "rain".into(), ..trial("usb", 1.0, true) }).is_err());
    drop(project);
    let at = project_dir.to_str().unwrap();
    let v = json(&hushfield(&["upset", at, "--run", "bursts"]));
    assert_eq!(v["hypotheses"][0]["weakness"]["name"], "usb", "{v}");
    let v = json(&hushfield(&["upset", at, "--run", "bursts", "--tried", "bond=changed"]));
    assert_eq!(v["done"][0]["key"], "bond");
    let again = json(&hushfield(&["upset", at, "--run", "bursts"]));
    assert_eq!(again["done"].as_array().unwrap().len(), 1);
    assert_eq!(hushfield(&["upset", at, "--run", "nothing"]).status.code(), Some(2));
}
