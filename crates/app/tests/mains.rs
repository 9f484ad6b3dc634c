//! Harmonic currents through the whole program: exit codes, field names, faults named, a run kept and shown again.

use std::f64::consts::{PI, TAU};
use std::path::Path;

use assert_cmd::Command;
use formats::capture::writer::NpyWriter;
use serde_json::Value;

fn hushfield() -> Command {
    let mut c = Command::cargo_bin("hushfield").unwrap();
    c.arg("--quiet");
    c
}

/// Two channels at 10 kS/s: 230 V of `hz`, and a current of odd orders falling as 1/n (a square wave below 2.5 kHz).
fn record(path: &Path, hz: f64, amplitude_a: f64, seconds: f64, shape: impl Fn(f64) -> f64) {
    let mut file = NpyWriter::create_f32(path, 2).unwrap();
    let numbers: Vec<f32> = (0..(10_000.0 * seconds) as usize)
        .flat_map(|k| {
            let p = TAU * hz * k as f64 / 10_000.0;
            let square: f64 = (1..50).step_by(2).map(|n| (f64::from(n) * p).sin() / f64::from(n)).sum();
            [shape(325.27 * p.sin()) as f32, (amplitude_a * 4.0 / PI * square) as f32]
        })
        .collect();
    file.write_f32(&numbers).unwrap();
    file.finish().unwrap();
}

fn json(c: &mut Command, code: i32) -> Value {
    let out = c.arg("--json").assert().code(code).get_output().stdout.clone();
    serde_json::from_slice(&out).unwrap()
}

fn harmonics(path: &Path, more: &[&str]) -> Command {
    let mut c = hushfield();
    c.arg("harmonics").arg(path).args(["--mains", "50", "--rate", "10000"]).args(more);
    c
}

#[test]
fn a_square_wave_against_two_classes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("square.npy");
    record(&path, 50.05, 0.6, 3.0, |v| v);
    let j = json(&mut harmonics(&path, &["--class", "A"]), 0);
    assert_eq!(j["verdict"], "pass");
    assert!((j["fundamental_hz"].as_f64().unwrap() - 50.05).abs() < 1e-3);
    // I_n = 4I/(πn√2): order 3 of 0.6 A is 0.18006 A, 7.8 % of 2.30 A.
    let third = j["orders"].as_array().unwrap().iter().find(|o| o["order"] == 3).unwrap();
    assert!((third["average_a"].as_f64().unwrap() - 0.18006).abs() < 1e-4, "{third}");
    assert!((third["limit_a"].as_f64().unwrap() - 2.3).abs() < 1e-12 && third["pass"] == true);
    assert!((j["thd_percent"].as_f64().unwrap() - 47.03).abs() < 0.02, "orders to 40 of a square wave");
    for field in ["thc_a", "pohc_a", "power_w", "findings", "sentence"] {
        assert!(!j[field].is_null(), "{field}");
    }
    // P = 230 V · 4/(π√2) · 0.6 A = 124.3 W; class D allows 1.9 mA/W of order 5: 0.236 A against 0.108 A, and 3.85/h of
    // order 13: 36.8 mA against 41.6 mA.
    let d = json(&mut harmonics(&path, &["--class", "D"]), 1);
    assert_eq!(d["verdict"], "fail");
    assert!((d["power_w"].as_f64().unwrap() - 124.3).abs() < 0.2);
    let exempt = json(&mut harmonics(&path, &["--class", "A", "--power", "60"]), 0);
    assert_eq!(exempt["verdict"], "no_limits");
}

#[test]
fn faults_are_named_and_take_the_verdict_away() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clipped.npy");
    record(&path, 50.0, 0.6, 3.0, |v| v.clamp(-300.0, 300.0));
    let j = json(&mut harmonics(&path, &["--class", "A"]), 1);
    assert_eq!(j["verdict"], "unreliable");
    let kinds: Vec<&str> = j["findings"].as_array().unwrap().iter().map(|f| f["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"clipped_voltage"), "{kinds:?}");
    let said = |c: &mut Command| String::from_utf8(c.assert().code(2).get_output().stderr.clone()).unwrap();
    let other = folder.path().join("sixty.npy");
    record(&other, 60.0, 0.6, 3.0, |v| v);
    assert!(said(&mut harmonics(&other, &["--class", "A"])).contains("60.00 Hz"));
    let short = folder.path().join("short.npy");
    record(&short, 50.0, 0.6, 0.15, |v| v);
    assert!(said(&mut harmonics(&short, &["--class", "A"])).contains("the record lasts"));
    assert!(said(&mut harmonics(&other, &["--class", "A", "--current", "9"])).contains("no column `9`"));
    hushfield().args(["harmonics", "x.npy", "--mains", "55", "--class", "A"]).assert().code(2);
}

#[test]
fn a_run_is_kept_and_computed_again() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("project");
    hushfield().arg("new").arg(&dir).assert().code(0);
    let path = folder.path().join("square.npy");
    record(&path, 50.0, 0.6, 3.0, |v| v);
    let mut c = hushfield();
    c.arg("mains-run")
        .arg(&dir)
        .arg(&path)
        .args(["--mains", "50", "--rate", "10000", "--class", "A", "--title", "Lamp"]);
    let first = json(&mut c, 0);
    let again = |dir: &Path| {
        let mut c = hushfield();
        c.arg("runs").arg(dir).args(["--run", "R001"]);
        json(&mut c, 0)
    };
    assert_eq!(again(&dir)["harmonics"]["orders"], first["harmonics"]["orders"]);
    // Deleting what is derived loses nothing.
    std::fs::remove_dir_all(dir.join("derived")).unwrap();
    assert_eq!(again(&dir)["harmonics"]["verdict"], "pass");
    hushfield().arg("report").arg(&dir).assert().code(0);
}

#[test]
fn the_class_is_found_by_questions() {
    let mut c = hushfield();
    c.args(["harmonics-class", "above16_a=no", "professional=no", "balanced=no", "dimmer=no", "lighting=yes"]);
    assert_eq!(json(&mut c, 0)["question"], "stage_or_emergency");
}
