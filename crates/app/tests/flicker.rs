//! `hushfield flicker` and `hushfield predict` as a person calls them: JSON fields, exit codes, messages.

use std::f64::consts::{SQRT_2, TAU};
use std::fs;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

fn hushfield(args: &[&str]) -> Output {
    Command::cargo_bin("hushfield").unwrap().args(args).arg("--quiet").output().unwrap()
}

fn json(out: &Output) -> Value {
    serde_json::from_slice(&out.stdout).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&out.stderr)))
}

/// Columns of doubles as an array file.
fn record(dir: &tempfile::TempDir, name: &str, columns: usize, values: &[f64]) -> String {
    let rows = values.len() / columns;
    let shape = if columns == 1 { format!("({rows},)") } else { format!("({rows}, {columns})") };
    let mut header = format!("{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}");
    while !(10 + header.len() + 1).is_multiple_of(64) {
        header.push(' ');
    }
    header.push('\n');
    let mut out = b"\x93NUMPY\x01\x00".to_vec();
    out.extend_from_slice(&(header.len() as u16).to_le_bytes());
    out.extend_from_slice(header.as_bytes());
    out.extend(values.iter().flat_map(|v| v.to_le_bytes()));
    let path = dir.path().join(name);
    fs::write(&path, out).unwrap();
    path.to_str().unwrap().to_owned()
}

const RATE: f64 = 2000.0;

fn times(seconds: f64) -> impl Iterator<Item = f64> {
    (0..(seconds * RATE) as usize).map(|n| n as f64 / RATE)
}

/// 8.8 Hz at 0.250 %: the sensation of 1 by definition (IEC 61000-4-15).
#[test]
fn sensation_of_one() {
    let dir = tempfile::tempdir().unwrap();
    let u: Vec<f64> = times(30.0)
        .map(|t| 230.0 * SQRT_2 * (1.0 + 0.00125 * (TAU * 8.8 * t).sin()) * (TAU * 50.0 * t).sin())
        .collect();
    let file = record(&dir, "u.npy", 1, &u);
    let out = hushfield(&["flicker", &file, "--mains", "50", "--lamp", "230", "--rate", "2000", "--json"]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let d = json(&out);
    assert!((d["pinst_max"].as_f64().unwrap() - 1.0).abs() < 0.01, "{}", d["pinst_max"]);
    for field in ["pst", "plt", "dc_percent", "dmax_percent", "tmax_s"] {
        assert!(d[field].is_number(), "{field}");
    }
    assert_eq!((d["pst_complete"].as_bool(), d["plt_complete"].as_bool()), (Some(false), Some(false)));
    let text = String::from_utf8_lossy(
        &hushfield(&["flicker", &file, "--mains", "50", "--lamp", "230", "--rate", "2000"]).stdout,
    )
    .into_owned();
    assert!(text.contains("too short to judge") && text.contains("Caution, mains"), "{text}");
}

/// A drop of 5 % for 0.3 s, 4 % for 0.4 s, then 2 %: dc 2 %, dmax 5 %, 700 ms beyond 3.3 %; exceeded.
#[test]
fn a_change_that_is_too_large() {
    let dir = tempfile::tempdir().unwrap();
    let level = |t: f64| match t {
        t if t < 3.0 => 1.0,
        t if t < 3.3 => 0.95,
        t if t < 3.7 => 0.96,
        _ => 0.98,
    };
    let u: Vec<f64> = times(8.0).map(|t| 230.0 * SQRT_2 * level(t) * (TAU * 50.0 * t).sin()).collect();
    let file = record(&dir, "u.npy", 1, &u);
    let out = hushfield(&["flicker", &file, "--mains", "50", "--lamp", "230", "--rate", "2000", "--json"]);
    assert_eq!(out.status.code(), Some(1));
    let d = json(&out);
    let near = |field: &str, value: f64, tolerance: f64| {
        assert!((d[field].as_f64().unwrap() - value).abs() < tolerance, "{field}: {}", d[field]);
    };
    near("dc_percent", 2.0, 0.01);
    near("dmax_percent", 5.0, 0.02);
    near("tmax_s", 0.7, 0.011);
}

/// 2000 W on 0.4 + j0.25 ohm: 1.5078 % by exact phasors; from the current alone, and with a voltage that lends its phase.
#[test]
fn from_the_current_alone() {
    let dir = tempfile::tempdir().unwrap();
    let both: Vec<f64> = times(9.0)
        .flat_map(|t| {
            let s = (TAU * 50.0 * t).sin();
            let on = if (3.0..6.0).contains(&t) { 1.0 } else { 0.0 };
            [325.0 * s, on * SQRT_2 * 2000.0 / 230.0 * s]
        })
        .collect();
    let file = record(&dir, "ui.npy", 2, &both);
    let base = ["flicker", &file, "--mains", "50", "--lamp", "230", "--rate", "2000", "--json", "--current", "2"];
    for more in [&[][..], &["--voltage", "1"]] {
        let args: Vec<&str> = base.iter().chain(more).copied().collect();
        let out = hushfield(&args);
        let d = json(&out);
        assert!((d["dc_percent"].as_f64().unwrap() - 1.5078).abs() < 0.003, "{}", d["dc_percent"]);
        assert_eq!(d["inrush"].as_array().unwrap().len(), 1);
        assert_eq!(out.status.code(), Some(0));
    }
    // Twice the impedance, twice the change, nearly.
    let args: Vec<&str> = base.iter().chain(&["--impedance", "0.8,0.5"]).copied().collect();
    let d = json(&hushfield(&args));
    assert!((d["dc_percent"].as_f64().unwrap() - 3.015).abs() < 0.02, "{}", d["dc_percent"]);
}

#[test]
fn what_is_at_fault_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let wrong: Vec<f64> = times(3.0).map(|t| 325.0 * (TAU * 60.0 * t).sin()).collect();
    let file = record(&dir, "u.npy", 1, &wrong);
    let run = |args: &[&str]| {
        let out = hushfield(args);
        (out.status.code(), String::from_utf8_lossy(&out.stderr).into_owned())
    };
    let (code, message) = run(&["flicker", &file, "--mains", "50", "--lamp", "230", "--rate", "2000"]);
    assert!(code == Some(2) && message.contains("60") && message.contains("50 Hz"), "{message}");
    let (code, message) = run(&["flicker", &file, "--mains", "60", "--lamp", "120"]);
    assert!(code == Some(2) && message.contains("--rate"), "{message}");
    let (code, message) = run(&["flicker", &file, "--mains", "60", "--lamp", "120", "--rate", "400"]);
    assert!(code == Some(2) && message.contains("400"), "{message}");
    let (code, message) =
        run(&["flicker", &file, "--mains", "60", "--lamp", "120", "--rate", "2000", "--voltage", "7"]);
    assert!(code == Some(2) && message.contains("--voltage"), "{message}");
    let noise: Vec<f64> = (0..6000u32).map(|n| f64::from(n.wrapping_mul(2_654_435_761) >> 16) - 32768.0).collect();
    let file = record(&dir, "noise.npy", 1, &noise);
    let (code, message) = run(&["flicker", &file, "--mains", "50", "--lamp", "230", "--rate", "2000"]);
    assert!(code == Some(2) && message.contains("mains frequency not found"), "{message}");
    // Cycles that are missing spoil the result.
    let gap: Vec<f64> =
        times(6.0).map(|t| if (3.0..3.1).contains(&t) { 0.0 } else { 325.0 * (TAU * 50.0 * t).sin() }).collect();
    let file = record(&dir, "gap.npy", 1, &gap);
    let out = hushfield(&["flicker", &file, "--mains", "50", "--lamp", "230", "--rate", "2000", "--json"]);
    assert_eq!(out.status.code(), Some(1));
    assert!(json(&out)["findings"].to_string().contains("missing_cycles"));
}

#[test]
fn a_supply_is_predicted() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("supply.toml");
    fs::write(
        &file,
        "mains_hz = 50\nmains_v = 230\n[input]\nkind = \"capacitor_input\"\ncapacitance_f = 100e-6\nload = { power_w = 150 }\n",
    )
    .unwrap();
    let file = file.to_str().unwrap();
    // A plain reservoir at 150 W is far over class D.
    let out = hushfield(&["predict", file, "--class", "d", "--inrush", "90", "--json"]);
    assert_eq!(out.status.code(), Some(1), "{}", String::from_utf8_lossy(&out.stderr));
    let d = json(&out);
    assert!((d["power_w"].as_f64().unwrap() - 150.0).abs() < 5.0, "{}", d["power_w"]);
    assert!(d["inrush"][0]["inrush"]["peak_a"].as_f64().unwrap() > 100.0);
    let net = hushfield(&["predict", file, "--netlist"]);
    assert!(net.status.success() && String::from_utf8_lossy(&net.stdout).contains("C1 c n"));
    fs::write(file, "mains_hz = 50\nmains_v = 230\n[input]\nkind = \"capacitor_input\"\nload = { power_w = 150 }\n")
        .unwrap();
    let out = hushfield(&["predict", file]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("capacitance_f"));
}
