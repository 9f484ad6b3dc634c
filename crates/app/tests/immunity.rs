//! `hushfield waveform`, `rig`, `surge`, `dips` and `run-sheet` as a person calls them: JSON fields, exit codes, messages.

use std::fmt::Write as _;
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

/// The discharge current of the standard's formula, slowed by a factor, as `time_s,value`.
fn discharge(dir: &tempfile::TempDir, slow: f64) -> String {
    let mut text = "time_s,value\n".to_owned();
    for k in 0..5000 {
        let t = f64::from(k) * 25e-12;
        writeln!(text, "{t:e},{:e}", immunity::analytic::esd_current_a(4.0, t / slow)).unwrap();
    }
    let path = dir.path().join(format!("discharge-{slow}.csv"));
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn a_discharge_inside_outside_and_unreadable() {
    let dir = tempfile::tempdir().unwrap();
    let good = discharge(&dir, 1.0);
    let out = hushfield(&["waveform", &good, "--kind", "esd", "--level", "4"]);
    assert_eq!(out.status.code(), Some(0));
    let v = json(&out);
    // 14.921 A, 0.811 ns, 8.011 A, 4.018 A: the formula on a fine grid.
    for (name, want) in
        [("first_peak_a", 14.921), ("rise_time_s", 0.811e-9), ("current_30ns_a", 8.011), ("current_60ns_a", 4.018)]
    {
        assert!((v[name].as_f64().unwrap() / want - 1.0).abs() < 2e-3, "{name}: {}", v[name]);
    }
    let slow = discharge(&dir, 1.5);
    assert_eq!(hushfield(&["waveform", &slow, "--kind", "esd"]).status.code(), Some(1));
    // Set to 8 kV, the same pulse is half of what it should be.
    assert_eq!(hushfield(&["waveform", &good, "--kind", "esd", "--level", "8"]).status.code(), Some(1));
    let flat = dir.path().join("flat.csv");
    fs::write(&flat, (0..100).fold("time_s,value\n".to_owned(), |text, k| text + &format!("{k}e-9,1\n"))).unwrap();
    let out = hushfield(&["waveform", flat.to_str().unwrap(), "--kind", "esd"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("flat.csv"));
}

#[test]
fn stress_hold_up_rigs_and_sheets() {
    let disc = "kind=varistor,voltage_1ma_v=430,clamp_v=710,clamp_a=50,life=1:4500/10:2000/100:900";
    let out =
        hushfield(&["surge", "--level", "2000", "--coupling", "line-line", "--protector", disc, "--pulses", "10"]);
    assert_eq!(out.status.code(), Some(0));
    // 578 A, 795 V: an independent integration of the same circuit.
    let v = json(&out);
    assert!((v["peak_a"].as_f64().unwrap() / 578.0 - 1.0).abs() < 0.005);
    assert!((v["clamp_v"].as_f64().unwrap() / 795.0 - 1.0).abs() < 0.005);
    let worn = hushfield(&["surge", "--level", "2000", "--protector", disc, "--pulses", "5000"]);
    assert_eq!(worn.status.code(), Some(1));
    assert_eq!(hushfield(&["surge", "--level", "2000", "--protector", "kind=widget"]).status.code(), Some(2));

    // Two stages: 42 ohm at 1 kV do not light an arrestor of 700 V over 10 ohm; straight at 2 kV they do.
    let gas = "kind=arrestor,spark_v=700,arc_v=15";
    let diode = "kind=tvs,breakdown_v=33.3,clamp_v=48.4,clamp_a=12.4,pulse_power_w=600";
    let two = |level: &str, coupling: &str, ohm: &str| {
        hushfield(&[
            "surge",
            "--level",
            level,
            "--coupling",
            coupling,
            "--protector",
            gas,
            "--second",
            diode,
            "--series-ohm",
            ohm,
        ])
    };
    let quiet = two("1000", "signal", "10");
    assert_eq!((quiet.status.code(), json(&quiet)["pulses"][0]["stress"]["shared"].as_bool()), (Some(0), Some(false)));
    assert!(json(&quiet)["caution"].as_str().unwrap().contains("lethal"));
    assert_eq!(two("2000", "screen", "2").status.code(), Some(1));
    assert_eq!(two("2000", "screen", "10").status.code(), Some(0));

    let supply = ["dips", "--capacitance", "100u", "--power", "60", "--dropout", "120", "--angle", "0"];
    let held = hushfield(&[&supply[..], &["--dip", "0:0.02"]].concat());
    assert_eq!(held.status.code(), Some(0));
    assert_eq!(json(&held)["holds"], true);
    let out = hushfield(&[&supply[..], &["--dip", "40:0.2"]].concat());
    assert_eq!(out.status.code(), Some(1));
    assert!(json(&out)["dips"][0]["missing_capacitance_f"].as_f64().unwrap() > 0.0);

    let coil = json(&hushfield(&["rig", "coil", "--field", "30"]));
    assert!((coil["current_a"].as_f64().unwrap() / 33.3 - 1.0).abs() < 1e-3);
    let sheet = json(&hushfield(&["run-sheet", "dips", "--angle", "0"]));
    assert!((sheet["duration_s"].as_f64().unwrap() - 152.2).abs() < 0.1);
    let short = hushfield(&["run-sheet", "radiated", "--dwell", "0.2"]);
    assert_eq!(short.status.code(), Some(2));
}

const PRODUCT: &str = r#"
name = "Pump"
family = "generic"
environment = "residential"
markets = ["EU"]
electronics = true
magnetic_parts = true
highest_internal_frequency_hz = 48e6
[supply]
voltage_v = 230
frequency_hz = 50
current_a = 0.5
earthed = true
[[ports]]
id = "housing"
kind = "enclosure"
[[ports]]
id = "mains"
kind = "ac_mains"
cable_length_m = 2
"#;

#[test]
fn a_project_has_its_run_sheets() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path().join("p");
    let dir = dir.to_str().unwrap();
    assert_eq!(hushfield(&["new", dir]).status.code(), Some(0));
    fs::write(format!("{dir}/product.toml"), PRODUCT).unwrap();
    let all = json(&hushfield(&["run-sheet", dir]));
    let tests: Vec<&str> = all["sheets"].as_array().unwrap().iter().map(|s| s["test"].as_str().unwrap()).collect();
    assert_eq!(tests, ["radiated", "conducted", "magnetic", "dips", "burst", "esd", "surge"]);
    // Every question of the product that the sheets had to answer themselves is asked.
    let esd = json(&hushfield(&["run-sheet", dir, "--test", "esd"]));
    assert!(esd["questions"].as_array().unwrap().iter().any(|q| q["field"] == "discharge_points"));
    assert!(esd["drawings"][0]["elements"].as_array().unwrap().iter().any(|e| e["figure"] == "0.8 m"));
    assert_eq!(esd["sheet"]["steps"][0]["id"], "esd-001");
    // What the product says moves plan and sheet alike.
    let said = format!("{PRODUCT}[[discharge_points]]\nname = \"screw\"\ndischarge = \"contact\"\n");
    fs::write(format!("{dir}/product.toml"), said).unwrap();
    let esd = json(&hushfield(&["run-sheet", dir, "--test", "esd"]));
    let planned: f64 = esd["tests"].as_array().unwrap().iter().map(|t| t["planned_s"].as_f64().unwrap()).sum();
    assert!((esd["duration_s"].as_f64().unwrap() - planned).abs() < 1e-6);
    assert!(esd["sheet"]["steps"].as_array().unwrap().iter().any(|s| s["place"] == "screw"));
    // One that no row asks for comes when it is asked for by name.
    let ring = json(&hushfield(&["run-sheet", dir, "--test", "ring-wave"]));
    assert!(ring["assumed"][0].as_str().unwrap().contains("wished for"));
    let wrong = hushfield(&["run-sheet", dir, "--test", "rain"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("radiated, conducted"));
    let pdf = format!("{dir}/sheets.pdf");
    assert_eq!(hushfield(&["run-sheet", dir, "--test", "surge", "--pdf", &pdf]).status.code(), Some(0));
    assert!(fs::read(&pdf).unwrap().starts_with(b"%PDF"));
}
