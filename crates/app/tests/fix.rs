//! Remedies, networks and protectors from the command line.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

fn run(args: &[&str]) -> std::process::Output {
    Command::cargo_bin("hushfield").expect("the binary is built with its tests").args(args).output().unwrap()
}

fn json(output: &std::process::Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| {
        panic!("{e}\n{}\n{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
    })
}

/// A project with one run: a trace of levels about a line 9 dB over the class B average limit at 402 kHz (47.8 dBµV there).
fn project(dir: &Path) -> String {
    let project = dir.join("project");
    let path = project.to_str().unwrap();
    assert!(run(&["new", path]).status.success());
    let mut text = String::from("frequency_hz,quasi_peak_dbuv,cispr_average_dbuv\n");
    for k in 0..=6633 {
        let f = 150e3 + 4500.0 * f64::from(k);
        let line = 56.9 - 30.0 * ((f - 402e3) / 9e3).powi(2);
        let level = line.max(20.0);
        text.push_str(&format!("{f},{level:.3},{level:.3}\n"));
    }
    let sweep = dir.join("sweep.csv");
    fs::write(&sweep, text).unwrap();
    let out = run(&[
        "run",
        path,
        sweep.to_str().unwrap(),
        "--limit",
        "cispr32-b-mains-qp",
        "--limit",
        "cispr32-b-mains-av",
        "--level-unit",
        "dBuV",
        "--json",
    ]);
    assert_eq!(out.status.code(), Some(1), "{}", String::from_utf8_lossy(&out.stderr));
    json(&run(&["runs", path, "--json"]))[0]["id"].as_str().unwrap().to_owned()
}

#[test]
fn an_excess_gets_ranked_remedies_within_their_bounds() {
    let dir = tempfile::tempdir().unwrap();
    let id = project(dir.path());
    let path = dir.path().join("project");
    let path = path.to_str().unwrap();
    let traces = dir.path().join("traces");
    let out = run(&[
        "fix",
        path,
        "--run",
        &id,
        "--earth-current",
        "0.5",
        "--voltage",
        "230",
        "--out",
        traces.to_str().unwrap(),
        "--json",
    ]);
    let found = json(&out);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    assert!((found["now"]["worst_margin_db"].as_f64().unwrap() + 9.0).abs() < 0.2);
    let remedies = found["remedies"].as_array().unwrap();
    let first = &remedies[0];
    assert_eq!(first["enough"], true);
    assert!(first["probability"].as_f64().unwrap() >= 0.95 && first["margin_db"].as_f64().unwrap() > 0.0);
    for r in remedies {
        assert!(r["earth_current_ma"].as_f64().unwrap() <= 0.5 + 1e-3);
        assert!(!r["parts"].as_array().unwrap().is_empty());
        // A cheaper one that is enough does not stand behind a dearer one.
        if r["enough"] == true {
            assert!(r["cost_index"].as_f64().unwrap() >= first["cost_index"].as_f64().unwrap() - 1e-9);
        }
    }
    // The trace handed out is judged like any other and says the same.
    let file = first["predicted_trace_file"].as_str().unwrap();
    let judged =
        json(&run(&["judge", file, "--limit", "cispr32-b-mains-qp", "--limit", "cispr32-b-mains-av", "--json"]));
    assert!(
        (judged["verdict"]["worst_margin_db"].as_f64().unwrap() - first["margin_db"].as_f64().unwrap()).abs() < 0.01
    );

    // Nothing is enough where nothing may be added.
    let none = run(&["fix", path, "--run", &id, "--max-cost", "0", "--json"]);
    assert_eq!(none.status.code(), Some(1));
    assert_eq!(json(&none)["remedies"].as_array().unwrap().len(), 0);
}

#[test]
fn bad_questions_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let id = project(dir.path());
    let path = dir.path().join("project");
    let path = path.to_str().unwrap();
    let parts = dir.path().join("mine.toml");
    fs::write(&parts, "[[part]]\nid = \"c9\"\nkind = \"capacitor\"\nclass = \"x2\"\ncapacitance_f = -1e-7\nesr_ohm = 0.1\nesl_h = 1e-8\nrated_v = 305.0\n").unwrap();
    for (args, word) in [
        (vec!["fix", path, "--run", "99"], "99"),
        (vec!["fix", path, "--run", &id, "--discharge", "iec1"], "iec60335"),
        (vec!["fix", path, "--run", &id, "--earth-standard", "x"], "iec62368-es1"),
        (vec!["fix", path, "--run", &id, "--parts", parts.to_str().unwrap()], "part `c9`: capacitance_f"),
        (vec!["fix", path, "--run", &id, "--voltage", "-230"], "supply voltage"),
        (vec!["fix", path, "--run", &id, "--earth-current", "-1"], "earth current"),
    ] {
        let out = run(&args);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{args:?}: {said}");
        assert!(said.contains(word), "{args:?}: {said}");
    }
}

/// A network wound with half its inductance is outside and the inductor is named; the usual one is inside; both carry the
/// caution.
#[test]
fn a_home_made_network_is_judged() {
    let good = json(&run(&["artificial-network", "--json"]));
    assert_eq!(good["inside"], true);
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("mine.toml");
    fs::write(&file, "main_h = 25e-6\nnode_f = 1e-6\ncoupling_f = 0.1e-6\n").unwrap();
    let out = run(&["artificial-network", file.to_str().unwrap()]);
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert_eq!(out.status.code(), Some(1), "{text}");
    assert!(text.contains("main_h") && text.contains("residual-current device"), "{text}");
}

/// 1 kV of surge on a varistor: what comes through is near its clamping voltage, and the exit code says whether that holds.
#[test]
fn a_protector_lets_through_what_it_clamps_at() {
    let held = run(&[
        "protect",
        "--pulse",
        "surge",
        "--level",
        "1000",
        "--part",
        "mov-300-14",
        "--withstands",
        "900",
        "--json",
    ]);
    assert_eq!(held.status.code(), Some(0), "{}", String::from_utf8_lossy(&held.stderr));
    let v = json(&held)["let_through_v"].as_f64().unwrap();
    assert!((650.0..800.0).contains(&v), "{v}");
    let not = run(&["protect", "--pulse", "surge", "--level", "1000", "--part", "mov-300-14", "--withstands", "500"]);
    assert_eq!(not.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&not.stdout).contains("Caution"));
}

#[test]
fn ferrites_and_screens_are_computed() {
    let core = json(&run(&["ferrite", "sleeve-nizn-28", "--at", "30e6", "--cable", "150", "--json"]));
    let effect = core["rows"][0]["effect"][0]["effect_db"].as_f64().unwrap();
    assert!((2.0..8.0).contains(&effect), "{effect}");
    // λ/20 between contacts is 20 dB: 15 mm at 1 GHz.
    let slots = json(&run(&["screen", "slots", "--length", "15", "--at", "1e9", "--json"]));
    assert!((slots["rows"][0]["attenuation_db"].as_f64().unwrap() - 20.0).abs() < 0.05);
    assert!((slots["rows"][0]["pitch_mm"].as_f64().unwrap() - 15.0).abs() < 0.05);
}
