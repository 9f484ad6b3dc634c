//! `hushfield network` as a person calls it: CSV, JSON, exit codes, and messages that name the card.

use std::f64::consts::TAU;
use std::fs;
use std::path::PathBuf;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

const RC: &str = "* RC low-pass, corner at 159.155 kHz\nV1 in 0 AC 1 SIN(0 2 10k)\nR1 in out 1k\nC1 out 0 1n\n.end\n";

fn netlist(dir: &tempfile::TempDir, text: &str) -> String {
    let path: PathBuf = dir.path().join("net.cir");
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn network(args: &[&str]) -> Output {
    Command::cargo_bin("hushfield").unwrap().arg("network").args(args).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn rows(out: &Output) -> (String, Vec<Vec<f64>>) {
    assert!(out.status.success(), "{}", text(&out.stderr));
    let all = text(&out.stdout);
    let mut lines = all.lines();
    let head = lines.next().unwrap_or_default().to_owned();
    (head, lines.map(|l| l.split(',').map(|c| c.parse().unwrap()).collect()).collect())
}

/// A first-order low-pass: 1/(1 + jωRC).
#[test]
fn an_ac_sweep_is_csv_with_both_ends() {
    let dir = tempfile::tempdir().unwrap();
    let file = netlist(&dir, RC);
    let (head, rows) = rows(&network(&[&file, "--ac", "9k", "30meg", "7", "--probe", "out"]));
    assert_eq!(head, "frequency_hz,magnitude_db,phase_deg");
    assert_eq!(rows.len(), 7);
    assert_eq!((rows[0][0], rows[6][0]), (9e3, 30e6));
    for r in &rows {
        let x = TAU * r[0] * 1e-6;
        assert!((r[1] + 10.0 * (1.0 + x * x).log10()).abs() < 1e-5, "{r:?}");
        assert!((r[2] + x.atan().to_degrees()).abs() < 1e-4, "{r:?}");
    }
    for w in rows.windows(2) {
        assert!((w[1][0] / w[0][0] - (30e6f64 / 9e3).powf(1.0 / 6.0)).abs() < 1e-6, "evenly in log f");
    }
}

#[test]
fn a_transient_is_csv_at_even_times() {
    let dir = tempfile::tempdir().unwrap();
    let file = netlist(&dir, RC);
    let (head, rows) = rows(&network(&[&file, "--tran", "1u", "100u", "--probe", "v(in,out)"]));
    assert_eq!(head, "time_s,value");
    assert_eq!(rows.len(), 101);
    assert_eq!((rows[0][0], rows[100][0]), (0.0, 1e-4));
    // Steady state of the voltage across R: |jωRC/(1 + jωRC)|·2 V, after many time constants.
    let x: f64 = TAU * 10e3 * 1e-6;
    let peak = rows[40..].iter().map(|r| r[1].abs()).fold(0.0, f64::max);
    let expected = 2.0 * x / (1.0 + x * x).sqrt();
    assert!((peak / expected - 1.0).abs() < 5e-3, "{peak} {expected}");
}

#[test]
fn json_carries_units_and_the_energy_balance() {
    let dir = tempfile::tempdir().unwrap();
    let file = netlist(&dir, "charged capacitor\nC1 a 0 1u IC=100\nR1 a 0 1k\n");
    let out = network(&[&file, "--tran", "100u", "20m", "--probe", "a", "--json"]);
    let v: Value = serde_json::from_slice(&out.stdout).unwrap_or_else(|e| panic!("{e} {}", text(&out.stderr)));
    assert_eq!(v["from_initial_conditions"], true);
    assert_eq!(v["time_s"].as_array().unwrap().len(), 201);
    // ½·C·V² = 5 mJ ends as heat, and the caution on stored charge stands beside it.
    let heat = v["balance"]["dissipated_j"].as_f64().unwrap();
    assert!((heat / 5e-3 - 1.0).abs() < 2e-3, "{heat}");
    assert!(v["caution"].as_str().unwrap().contains("discharge"), "{v}");
    let out = network(&[&netlist(&dir, RC), "--ac", "1k", "1meg", "3", "--probe", "i(r1)", "--json"]);
    let v: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(v["magnitude_is_relative_to"], "1 A");
    assert_eq!(v["magnitude_db"].as_array().unwrap().len(), 3);
}

#[test]
fn what_is_at_fault_is_named_with_exit_code_2() {
    let dir = tempfile::tempdir().unwrap();
    let cases: [(&str, &[&str], &[&str]); 8] = [
        (
            "t\nV1 a 0 AC 1\nR1 a 0 -5\n",
            &["--ac", "1k", "1meg", "5", "--probe", "a"],
            &["line 3", "R1 a 0 -5", "negative"],
        ),
        ("t\nV1 a 0 AC 1\nR1 a 0 50\nQ1 a b c mod\n", &["--ac", "1k", "1meg", "5", "--probe", "a"], &["line 4", "Q1"]),
        (RC, &["--ac", "1k", "1meg", "5", "--probe", "nix"], &["nix", "out"]),
        (RC, &["--ac", "1meg", "1k", "5", "--probe", "out"], &["above FROM"]),
        (RC, &["--ac", "1k", "1x", "5", "--probe", "out"], &["1x"]),
        (RC, &["--ac", "1k", "1meg", "0", "--probe", "out"], &["POINTS 0"]),
        (RC, &["--tran", "1m", "1u", "--probe", "out"], &["longer than"]),
        ("t\nR1 a 0 50\n", &["--ac", "1k", "1meg", "5", "--probe", "a"], &["AC magnitude"]),
    ];
    for (net, args, words) in cases {
        let file = netlist(&dir, net);
        let mut all = vec![file.as_str()];
        all.extend_from_slice(args);
        let out = network(&all);
        let err = text(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{args:?}: {err}");
        for w in words {
            assert!(err.contains(w), "`{w}` is not in: {err}");
        }
        assert!(out.stdout.is_empty(), "{args:?}");
    }
    let out = network(&["no_such_file.cir", "--ac", "1k", "1meg", "5", "--probe", "a"]);
    assert_eq!(out.status.code(), Some(2));
}

#[test]
fn analysis_cards_are_named_not_dropped_in_silence() {
    let dir = tempfile::tempdir().unwrap();
    let file = netlist(&dir, &RC.replace(".end", ".ac dec 10 1k 1meg\n.print ac v(out)\n.end"));
    let out = network(&[&file, "--ac", "1k", "1meg", "3", "--probe", "out"]);
    assert!(out.status.success());
    let err = text(&out.stderr);
    assert!(err.contains("line 5") && err.contains(".ac dec") && err.contains(".print"), "{err}");
}
