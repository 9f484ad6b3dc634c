//! The whole program as a person calls it: output, exit codes, and nothing half-written.

use std::fs;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde_json::Value;

fn hushfield() -> Command {
    Command::cargo_bin("hushfield").expect("the binary is built with its tests")
}

/// A record of one sine, r.m.s. level in dBµV, as a `.npy` of single-precision volts.
fn sine_record(path: &Path, rate_hz: f64, seconds: f64, sine_hz: f64, level_dbuv: f64) {
    let amplitude = 2f64.sqrt() * 1e-6 * 10f64.powf(level_dbuv / 20.0);
    let n = (rate_hz * seconds) as usize;
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    let mut head = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({n},), }}").into_bytes();
    head.resize(117, b' ');
    head.push(b'\n');
    bytes.extend((head.len() as u16).to_le_bytes());
    bytes.extend(head);
    for i in 0..n {
        let v = amplitude * (std::f64::consts::TAU * sine_hz * i as f64 / rate_hz).cos();
        bytes.extend((v as f32).to_le_bytes());
    }
    fs::write(path, bytes).unwrap();
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

fn json(output: &std::process::Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| {
        panic!("{e}\n{}\n{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
    })
}

fn run(args: &[&str]) -> std::process::Output {
    hushfield().args(args).output().unwrap()
}

fn says(output: &std::process::Output, code: i32, words: &[&str]) {
    let err = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{err}");
    for w in words {
        assert!(err.contains(w), "`{w}` is not in: {err}");
    }
}

/// A steady sine of 61 dBµV reads 61 dBµV on every detector: the definition of the scale in CISPR 16-1-1.
#[test]
fn a_sine_becomes_a_trace_and_a_verdict() {
    let dir = folder();
    let (record, trace) = (dir.path().join("sine.npy"), dir.path().join("trace.csv"));
    sine_record(&record, 2.7e6, 0.5, 801e3, 61.0);
    let (record, trace) = (record.to_str().unwrap(), trace.to_str().unwrap());
    let out = run(&[
        "receive", record, "--band", "B", "--rate", "2.7e6", "--from", "150e3", "--to", "1.2e6", "--step", "4500",
        "--out", trace,
    ]);
    says(&out, 0, &[]);
    let text = fs::read_to_string(trace).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("frequency_hz,peak_dbuv,quasi_peak_dbuv,cispr_average_dbuv,rms_average_dbuv"));
    // 801 kHz lies 0.667 of a step above 798 kHz: the row nearest to it is off tune by 1.5 kHz.
    let row: Vec<f64> = lines
        .map(|l| l.split(',').map(|c| c.parse().unwrap()).collect::<Vec<f64>>())
        .min_by(|a, b| (a[0] - 801e3).abs().total_cmp(&(b[0] - 801e3).abs()))
        .unwrap();
    let off_tune = 20.0 * 2f64.log10() * (2.0 * (row[0] - 801e3) / 9e3).powi(2);
    for level in &row[1..] {
        assert!((level - (61.0 - off_tune)).abs() < 0.05, "{row:?}");
    }

    // 56 dBµV is class B's quasi-peak limit at 0.8 MHz (CISPR 32, Table A.10): about 5 dB over.
    let out = run(&["judge", trace, "--limit", "cispr32-b-mains-qp", "--limit", "cispr32-b-mains-av", "--json"]);
    assert_eq!(out.status.code(), Some(1), "{}", String::from_utf8_lossy(&out.stderr));
    let verdict = &json(&out)["verdict"];
    assert_eq!(verdict["decision"], "fail");
    let margin = verdict["worst_margin_db"].as_f64().unwrap();
    assert!((margin - (46.0 - row[3])).abs() < 0.01, "{margin}");
}

#[test]
fn the_same_record_gives_the_same_bytes_on_one_and_two_threads() {
    let dir = folder();
    let record = dir.path().join("r.npy");
    sine_record(&record, 1.35e6, 0.3, 300e3, 60.0);
    let read = |threads: &str, name: &str| {
        let out = dir.path().join(name);
        let done = run(&[
            "receive",
            record.to_str().unwrap(),
            "--band",
            "B",
            "--rate",
            "1.35e6",
            "--to",
            "600e3",
            "--threads",
            threads,
            "--out",
            out.to_str().unwrap(),
        ]);
        says(&done, 0, &[]);
        fs::read(out).unwrap()
    };
    assert_eq!(read("1", "a.csv"), read("2", "b.csv"));
}

#[test]
fn bad_input_is_named_and_nothing_is_written() {
    let dir = folder();
    let file = |name: &str, content: &[u8]| -> PathBuf {
        let p = dir.path().join(name);
        fs::write(&p, content).unwrap();
        p
    };
    let out = dir.path().join("out.csv");
    let out = out.to_str().unwrap();
    let broken = file("broken.npy", b"\x93NUMPX nothing");
    says(
        &run(&["receive", broken.to_str().unwrap(), "--band", "B", "--rate", "1e6", "--out", out]),
        2,
        &["broken.npy"],
    );
    says(&run(&["receive", "absent.npy", "--band", "B", "--rate", "1e6", "--out", out]), 2, &["absent.npy"]);
    says(&run(&["receive", "absent.npy", "--band", "Q"]), 2, &["`Q` is no band", "A, B, C, D or E"]);
    let fine = dir.path().join("fine.npy");
    sine_record(&fine, 1e6, 0.01, 200e3, 60.0);
    let fine = fine.to_str().unwrap();
    says(&run(&["receive", fine, "--band", "B", "--out", out]), 2, &["--rate"]);
    says(&run(&["receive", fine, "--band", "B", "--rate", "-5", "--out", out]), 2, &["--rate", "above zero"]);
    says(
        &run(&["receive", fine, "--band", "B", "--rate", "1e6", "--channel", "3", "--out", out]),
        2,
        &["channel 3 of 1"],
    );
    says(&run(&["receive", fine, "--band", "B", "--rate", "1e6", "--out", "no/such/folder/t.csv"]), 2, &["--out"]);
    assert!(!Path::new(out).exists() && !Path::new(&format!("{out}.json")).exists());

    let sweep = file("sweep.csv", b"frequency_hz,peak_dbuv\n200000,40\n300000,oops\n");
    says(&run(&["judge", sweep.to_str().unwrap(), "--limit", "cispr32-b-mains-qp"]), 2, &["sweep.csv", "line 3"]);
    let sweep = file("good.csv", b"frequency_hz,peak_dbuv\n200000,40\n300000,41\n");
    says(
        &run(&["judge", sweep.to_str().unwrap(), "--limit", "cispr32-b-mains"]),
        2,
        &["cispr32-b-mains", "not in the library"],
    );
    says(&run(&["judge", sweep.to_str().unwrap(), "--limit", "cispr32-b-field-3m"]), 2, &[]);
    let chain = file("chain.toml", b"name = \"x\"\n[[element]]\nname = \"pad\"\nkind = \"spoon\"\nloss_db = 3\n");
    says(
        &run(&["judge", sweep.to_str().unwrap(), "--limit", "cispr32-b-mains-qp", "--chain", chain.to_str().unwrap()]),
        2,
        &["chain.toml", "spoon"],
    );
    says(&run(&["frobnicate"]), 2, &["frobnicate"]);
    says(&run(&["runs", dir.path().to_str().unwrap()]), 2, &["not a project"]);
}

#[test]
fn the_library_is_listed_and_a_limit_is_drawn_with_its_source() {
    let all = json(&run(&["limits", "--json"]));
    assert!(all.as_array().unwrap().len() > 50);
    let one = run(&["limits", "cispr32-b-mains-qp"]);
    let text = String::from_utf8_lossy(&one.stdout);
    for w in ["CISPR 32", "Table A.10", "Source:", "66.0", "╱", "━"] {
        assert!(text.contains(w), "`{w}` is not in: {text}");
    }
}

#[test]
fn a_project_keeps_a_run_and_reports_it() {
    let dir = folder();
    let project = dir.path().join("p");
    let p = project.to_str().unwrap();
    says(&run(&["new", p]), 0, &[]);
    says(&run(&["new", p]), 2, &["already holds"]);
    let sweep = dir.path().join("sweep.csv");
    let mut text = String::from("frequency_hz,quasi_peak_dbuv,cispr_average_dbuv\n");
    let mut f = 150e3;
    while f <= 30e6 {
        text.push_str(&format!("{f},{},{}\n", 40, 30));
        f += 4500.0;
    }
    text.push_str("30000000,40,30\n");
    fs::write(&sweep, text).unwrap();
    let limits = ["--limit", "cispr32-b-mains-qp", "--limit", "cispr32-b-mains-av"];
    let out = run(&[&["run", p, sweep.to_str().unwrap(), "--json"][..], &limits].concat());
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let shown = json(&out);
    // The flat 30 dBµV average lies 16 dB below the limit's lowest part, 46 dBµV from 0.5 to 5 MHz.
    assert!((shown["judged"]["verdict"]["worst_margin_db"].as_f64().unwrap() - 16.0).abs() < 1e-9);
    // A file that cannot be read leaves the ledger as it was.
    fs::write(&sweep, "nothing to see").unwrap();
    says(&run(&["run", p, sweep.to_str().unwrap(), "--limit", "cispr32-b-mains-qp"]), 2, &["sweep.csv"]);
    assert_eq!(json(&run(&["runs", p, "--json"])).as_array().unwrap().len(), 1);
    let report = json(&run(&["report", p, "--json"]));
    let pdf = fs::read(report["report"].as_str().unwrap()).unwrap();
    assert!(pdf.starts_with(b"%PDF-"));
    assert_eq!(run(&["check", p]).status.code(), Some(0));
}

/// A recording that nobody here made (a bench oscilloscope on a square wave; tests/real/LICENCES.md) through receiver and
/// judgement. Its ninth multiple is held against a single literal Gaussian-weighted sum over the same numbers.
#[test]
fn a_recording_made_elsewhere_goes_the_whole_way() {
    let dir = folder();
    let record = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/real/time_record_two_channels.csv");
    let trace = dir.path().join("t.csv");
    let out = run(&["receive", record.to_str().unwrap(), "--band", "A", "--out", trace.to_str().unwrap(), "--json"]);
    says(&out, 0, &[]);
    let shown = json(&out);
    let at = |hz: f64| {
        shown["frequency_hz"].as_array().unwrap().iter().position(|f| (f.as_f64().unwrap() - hz).abs() < 1.0).unwrap()
    };
    let read = shown["cispr_average_dbuv"][at(9e3)].as_f64().unwrap();

    let text = fs::read_to_string(&record).unwrap();
    let volts: Vec<f64> = text.lines().skip(2).filter_map(|l| l.split(',').nth(1)?.trim().parse().ok()).collect();
    assert_eq!(volts.len(), 8192, "the number of rows that the header of the recording's maker states");
    let sigma = 0.5 * (2.0 * 2f64.ln()).sqrt() / (std::f64::consts::PI * 200.0) * 250e3 * 2.0;
    let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
    for (i, v) in volts.iter().enumerate() {
        let x = i as f64 - 4095.5;
        let w = (-0.5 * (x / sigma).powi(2)).exp();
        let turn = std::f64::consts::TAU * 9e3 * x / 250e3;
        re += v * w * turn.cos();
        im -= v * w * turn.sin();
        sum += w;
    }
    let literal = 20.0 * (f64::hypot(re, im) * 2f64.sqrt() / sum / 1e-6).log10();
    assert!((read - literal).abs() < 0.1, "{read} against {literal}");

    let limits = dir.path().join("own.toml");
    fs::write(
        &limits,
        "[[limit]]\nid = \"own\"\nstandard = \"house rule\"\ntable = \"-\"\ntitle = \"test\"\nport = \"ac_mains\"\n\
         detector = \"average\"\nunit = \"dBuV\"\ninterpolation = \"log_frequency\"\n\
         points_mhz_level = [[0.009, 110], [0.12, 90]]\nsource = \"made for this test\"\nknown = \"user\"\n",
    )
    .unwrap();
    let out = run(&[
        "judge",
        trace.to_str().unwrap(),
        "--limit",
        "own",
        "--limit-file",
        limits.to_str().unwrap(),
        "--json",
        "--uncertainty",
        "3",
    ]);
    assert_eq!(out.status.code(), Some(1), "{}", String::from_utf8_lossy(&out.stderr));
    let suspects = json(&out)["verdict"]["suspects"].as_array().unwrap().len();
    assert!(suspects > 10, "a 1 kHz square wave has many odd multiples: {suspects}");
}

/// A sweep in linear watts that an instrument saved (public domain; tests/real/LICENCES.md), with an antenna in the path.
/// Its highest point is −29.21 dBm at 96.0 MHz, as worked out with numpy by others from the same file.
#[test]
fn a_sweep_made_elsewhere_is_judged_as_field_strength() {
    let dir = folder();
    let sweep = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/real/watts_binary_curve.isf");
    let chain = dir.path().join("antenna.toml");
    fs::write(&chain, "name = \"antenna\"\n[[element]]\nname = \"antenna\"\nkind = \"antenna\"\nfactor_db_per_m = 12.0\nsource = \"made for this test\"\n")
        .unwrap();
    let out = run(&[
        "judge",
        sweep.to_str().unwrap(),
        "--limit",
        "fcc15-109-b-field-3m",
        "--chain",
        chain.to_str().unwrap(),
        "--detector",
        "quasi_peak",
        "--json",
    ]);
    assert_eq!(out.status.code(), Some(1), "{}", String::from_utf8_lossy(&out.stderr));
    let verdict = &json(&out)["verdict"];
    assert!((verdict["worst_frequency_hz"].as_f64().unwrap() - 96e6).abs() < 1.0, "{verdict}");
    // −29.21 dBm in 50 Ω + 12 dB/m; the law allows 150 µV/m from 88 to 216 MHz (47 CFR 15.109).
    let expected = 20.0 * 150f64.log10() - (-29.21 + 90.0 + 10.0 * 50f64.log10() + 12.0);
    let margin = verdict["worst_margin_db"].as_f64().unwrap();
    assert!((margin - expected).abs() < 0.02, "{margin} against {expected}");
}

/// The ledger keeps chain and tables as they stood: editing a table afterwards changes no old margin, and is named.
#[test]
fn a_table_edited_after_a_run_changes_no_old_verdict() {
    let dir = folder();
    let project = dir.path().join("p");
    let p = project.to_str().unwrap();
    says(&run(&["new", p]), 0, &[]);
    let table = project.join("chains/loss.csv");
    fs::write(&table, "frequency_hz,loss_db\n100000,10\n40000000,10\n").unwrap();
    fs::write(
        project.join("chains/pad.toml"),
        "name = \"pad\"\n[[element]]\nname = \"pad\"\nkind = \"attenuator\"\ntable = \"loss.csv\"\nsource = \"made for this test\"\n",
    )
    .unwrap();
    let sweep = dir.path().join("sweep.csv");
    fs::write(&sweep, "frequency_hz,quasi_peak_dbuv\n1000000,40\n2000000,30\n").unwrap();
    let margin = |out: &std::process::Output| json(out)["judged"]["verdict"]["worst_margin_db"].as_f64().unwrap();
    let first = run(&["run", p, sweep.to_str().unwrap(), "--limit", "cispr32-b-mains-qp", "--chain", "pad", "--json"]);
    // 56 dBµV at 1 MHz (CISPR 32, Table A.10) less 40 read and 10 of the pad.
    assert!((margin(&first) - 6.0).abs() < 1e-9);
    fs::write(&table, "frequency_hz,loss_db\n100000,20\n40000000,20\n").unwrap();
    let later = run(&["runs", p, "--run", "R001", "--json"]);
    assert!((margin(&later) - 6.0).abs() < 1e-9);
    let check = run(&["check", p]);
    assert_eq!(check.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&check.stdout).contains("edited"));
}

#[test]
fn completions_and_the_man_page_speak_of_every_command() {
    let bash = run(&["completions", "bash"]);
    let man = run(&["man"]);
    for command in ["receive", "judge", "limits", "report", "serve", "demo"] {
        assert!(String::from_utf8_lossy(&bash.stdout).contains(command));
        assert!(String::from_utf8_lossy(&man.stdout).contains(command));
    }
}
