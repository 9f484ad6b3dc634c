//! Surveys through the whole program: modes of a record of two conductors, conductors, two stages, angles, distances, site,
//! ambient; on files and on the runs of a project.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

fn hushfield(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hushfield")).args(args).output().unwrap()
}

fn document(output: &Output, code: i32) -> Value {
    assert_eq!(output.status.code(), Some(code), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Two channels of single precision, volts.
fn record(path: &Path, rate_hz: f64, seconds: f64, at: impl Fn(f64) -> (f64, f64)) {
    let n = (rate_hz * seconds) as usize;
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    let mut head = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({n}, 2), }}").into_bytes();
    head.resize(117, b' ');
    head.push(b'\n');
    bytes.extend((head.len() as u16).to_le_bytes());
    bytes.extend(head);
    for i in 0..n {
        let (l, m) = at(i as f64 / rate_hz);
        bytes.extend((l as f32).to_le_bytes());
        bytes.extend((m as f32).to_le_bytes());
    }
    fs::write(path, bytes).unwrap();
}

fn level_at(trace: &Value, frequency_hz: f64, key: &str) -> f64 {
    let f = trace["frequency_hz"].as_array().unwrap();
    let k = f.iter().position(|x| (x.as_f64().unwrap() - frequency_hz).abs() < 1.0).unwrap();
    trace[key][k].as_f64().unwrap_or(f64::NEG_INFINITY)
}

fn volts(level_dbuv: f64) -> f64 {
    2f64.sqrt() * 1e-6 * 10f64.powf(level_dbuv / 20.0)
}

/// Common mode of 60 dBµV at 300 kHz and differential mode of 50 dBµV at 600 kHz, by definition L = CM + DM, N = CM − DM: both
/// conductors read 60 and 50 and say nothing of the mode; the modes are apart. Where N comes three and a half samples later
/// the common mode leaks as the bound says, and moved back it does not.
#[test]
fn modes_of_a_record_of_two_conductors() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ln.npy");
    let rate = 2.7e6;
    let wave = |level: f64, hz: f64, t: f64| volts(level) * (std::f64::consts::TAU * hz * t).cos();
    record(&path, rate, 0.3, |t| {
        let (cm, dm) = (wave(60.0, 300e3, t), wave(50.0, 600e3, t));
        (cm + dm, cm - dm)
    });
    let name = path.to_str().unwrap();
    let out = dir.path().join("t.csv");
    let common =
        ["--band", "B", "--rate", "2.7e6", "--from", "150e3", "--to", "1e6", "--step", "4500", "--channel", "1,2"];
    let mut args = vec!["receive", name];
    args.extend(common);
    args.extend([
        "--modes",
        "--skew-doubt",
        "1e-9",
        "--gain-doubt",
        "0.001",
        "--json",
        "--quiet",
        "--out",
        out.to_str().unwrap(),
    ]);
    let d = document(&hushfield(&args), 0);
    for c in d["channels"].as_array().unwrap() {
        assert!(
            (level_at(c, 303e3, "peak_dbuv") - 60.0).abs() < 3.0
                && (level_at(c, 600e3, "peak_dbuv") - 50.0).abs() < 0.2
        );
    }
    let modes = d["modes"].as_array().unwrap();
    assert_eq!(
        (modes[0]["mode"].as_str(), modes[1]["mode"].as_str()),
        (Some("common-mode"), Some("differential-mode"))
    );
    assert!((level_at(&modes[1], 600e3, "quasi_peak_dbuv") - 50.0).abs() < 0.1);
    assert!((level_at(&modes[0], 298.5e3, "peak_dbuv") - 60.0).abs() < 0.8);
    assert!(level_at(&modes[0], 600e3, "peak_dbuv") < -20.0 && level_at(&modes[1], 298.5e3, "peak_dbuv") < -20.0);
    assert!(dir.path().join("t.common-mode.csv").is_file() && dir.path().join("t.differential-mode.csv").is_file());

    // Late by 3.5 samples: 2·sin(π·300 kHz·1.296 µs)/2 of the common mode leaks, −0.5 dB.
    let late = dir.path().join("late.npy");
    record(&late, rate, 0.3, |t| (wave(60.0, 300e3, t), wave(60.0, 300e3, t - 3.5 / rate)));
    let mut args = vec!["receive", late.to_str().unwrap()];
    args.extend(common);
    args.extend(["--modes", "--json", "--quiet"]);
    let d = document(&hushfield(&args), 0);
    let leaked = level_at(&d["modes"][1], 298.5e3, "peak_dbuv") - level_at(&d["channels"][0], 298.5e3, "peak_dbuv");
    let foreseen = 20.0 * (std::f64::consts::PI * 300e3 * 3.5 / rate).sin().log10();
    assert!((leaked - foreseen).abs() < 0.1, "{leaked} {foreseen}");
    let shift = format!("0,{}", 3.5 / rate);
    args.extend(["--later", &shift]);
    let d = document(&hushfield(&args), 0);
    assert!(level_at(&d["modes"][1], 298.5e3, "cispr_average_dbuv") < 0.0, "{}", d["modes"][1]["peak_dbuv"][33]);

    let one = hushfield(&["receive", name, "--band", "B", "--rate", "2.7e6", "--modes"]);
    assert_eq!(one.status.code(), Some(2));
}

/// A sweep saved as CSV; levels 25 dBµV but for the peaks.
fn sweep(path: &Path, unit: &str, from_hz: f64, step_hz: f64, points: usize, floor: f64, peaks: &[(f64, f64)]) {
    let mut text = format!("frequency_hz,quasi_peak_{unit}\n");
    for i in 0..points {
        let f = from_hz + step_hz * i as f64;
        let level = peaks.iter().find(|p| (p.0 - f).abs() < 0.5 * step_hz).map_or(floor, |p| p.1);
        text.push_str(&format!("{f},{level}\n"));
    }
    fs::write(path, text).unwrap();
}

fn conducted(path: &Path, peaks: &[(f64, f64)]) {
    sweep(path, "dbuv", 150e3, 4.5e3, 6634, 25.0, peaks);
}

const QP: [&str; 2] = ["--limit", "cispr32-b-mains-qp"];

#[test]
fn conductors_of_files_and_of_a_project() {
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str| dir.path().join(name);
    conducted(&file("l.csv"), &[(1.05e6, 50.0), (3.03e6, 40.0)]);
    conducted(&file("n.csv"), &[(1.05e6, 44.0), (3.03e6, 47.0)]);
    let l = format!("{}@L1", file("l.csv").display());
    let n = format!("{}@N", file("n.csv").display());
    let mut args = vec!["conductors", &l, &n, "--json"];
    args.extend(QP);
    let d = document(&hushfield(&args), 0);
    let g = &d["groups"][0];
    let k = ((1.05e6 - 150e3) / 4.5e3) as usize;
    assert_eq!(g["held"]["from"][0][k], 0);
    assert_eq!(g["held"]["trace"]["columns"][0]["level_db"][k], 50.0);
    // |a − b|/2 and (a + b)/2 of 50 and 44 dBµV: 37.94 and 47.51; the larger is at least 44.95.
    assert!((g["bands"][0]["least_db"][k].as_f64().unwrap() - 37.94).abs() < 0.01);
    assert!((g["bands"][1]["most_db"][k].as_f64().unwrap() - 47.51).abs() < 0.01);
    assert!((d["larger_mode"][0]["larger_at_least_db"][k].as_f64().unwrap() - 44.95).abs() < 0.01);

    let project = file("project");
    let p = project.to_str().unwrap();
    assert!(hushfield(&["new", p]).status.success());
    for (name, conductor) in [("l.csv", "L1"), ("n.csv", "N")] {
        let path = file(name);
        let mut args = vec!["run", p, path.to_str().unwrap(), "--conductor", conductor, "--quiet", "--json"];
        args.extend(QP);
        let out = hushfield(&args);
        assert!(out.status.code() == Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    }
    let d = document(&hushfield(&["conductors", p, "--quiet", "--json"]), 0);
    assert_eq!(d["groups"][0]["runs"].as_array().unwrap().len(), 2);
    assert_eq!(d["groups"][0]["conductors"], serde_json::json!(["L1", "N"]));
}

#[test]
fn a_survey_leads_to_a_final_list() {
    let dir = tempfile::tempdir().unwrap();
    let (survey, last) = (dir.path().join("s.csv"), dir.path().join("f.csv"));
    conducted(&survey, &[(1.05e6, 60.0), (3.03e6, 52.0)]);
    let text = fs::read_to_string(&survey).unwrap().replace("quasi_peak_dbuv", "peak_dbuv");
    fs::write(&survey, text).unwrap();
    fs::write(&last, "frequency_hz,quasi_peak_dbuv,cispr_average_dbuv\n1050000,51.5,40\n3030000,44.5,39\n").unwrap();
    let mut args = vec!["survey", survey.to_str().unwrap(), "--at-least", "1", "--json"];
    args.extend(QP);
    args.extend(["--limit", "cispr32-b-mains-av"]);
    let d = document(&hushfield(&args), 1);
    let list = d["survey"]["to_measure"].as_array().unwrap();
    assert_eq!(list.len(), 2);
    assert_eq!(list[0]["dwell"]["seconds"], 15.0);
    args.extend(["--final", last.to_str().unwrap()]);
    let d = document(&hushfield(&args), 0);
    assert_eq!(d["final"]["decision"], "pass");
    // Class B from 0.5 to 5 MHz: 56 and 46 dBµV.
    assert!((d["final"]["rows"][0]["limits"][0]["margin_db"].as_f64().unwrap() - 4.5).abs() < 1e-9);
    assert!((d["final"]["rows"][0]["limits"][1]["margin_db"].as_f64().unwrap() - 6.0).abs() < 1e-9);
    let words = hushfield(
        &args[..args.len() - 1].iter().copied().filter(|a| *a != "--json" && *a != "--final").collect::<Vec<_>>(),
    );
    assert!(String::from_utf8_lossy(&words.stdout).contains("Final measurement list"));
}

/// An emission that is there for 0.2 s of every 0.8 s, beside a steady one: the survey's own time structure says so, and asks for
/// 15 s and for 1 s (shortest and fluctuating dwell of CISPR 16-2-1, from memory).
#[test]
fn dwell_comes_from_the_time_structure_of_the_record() {
    let dir = tempfile::tempdir().unwrap();
    let (path, trace) = (dir.path().join("gated.npy"), dir.path().join("g.csv"));
    let rate = 1.35e6;
    let wave = |level: f64, hz: f64, t: f64| volts(level) * (std::f64::consts::TAU * hz * t).cos();
    record(&path, rate, 4.0, |t| {
        (wave(55.0, 300e3, t) + if t % 0.8 < 0.2 { wave(62.0, 400.5e3, t) } else { 0.0 }, 0.0)
    });
    let out = hushfield(&[
        "receive",
        path.to_str().unwrap(),
        "--band",
        "B",
        "--rate",
        "1.35e6",
        "--from",
        "250e3",
        "--to",
        "450e3",
        "--step",
        "4500",
        "--timeline",
        "--quiet",
        "--out",
        trace.to_str().unwrap(),
    ]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let mut args = vec!["survey", trace.to_str().unwrap(), "--json", "--limit", "cispr32-b-mains-av"];
    args.extend(QP);
    let d = document(&hushfield(&args), 1);
    let list = d["survey"]["to_measure"].as_array().unwrap();
    let dwell = |hz: f64| {
        let near = list.iter().find(|m| (m["frequency_hz"].as_f64().unwrap() - hz).abs() < 5e3).unwrap();
        (near["dwell"]["seconds"].as_f64().unwrap(), near["dwell"]["reason"].as_str().unwrap().to_owned())
    };
    assert_eq!(dwell(300e3).0, 1.0);
    let (seconds, reason) = dwell(400.5e3);
    let period: f64 = reason.split("every ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    assert!(seconds == 15.0 && (period - 0.8).abs() < 0.01, "{reason}");
}

#[test]
fn angles_of_a_project_give_worst_positions_and_a_short_list() {
    let dir = tempfile::tempdir().unwrap();
    let project = dir.path().join("project");
    let p = project.to_str().unwrap();
    assert!(hushfield(&["new", p]).status.success());
    let limit = "cispr32-b-field-10m";
    for (azimuth, low, high) in [("0", 20.0, 24.0), ("90", 28.0, 20.0), ("180", 22.0, 35.0), ("270", 21.0, 22.0)] {
        let file = dir.path().join(format!("a{azimuth}.csv"));
        sweep(&file, "dbuv_per_m", 30e6, 60e3, 16168, 5.0, &[(60e6, low), (600e6, high)]);
        let args = [
            "run",
            p,
            file.to_str().unwrap(),
            "--azimuth",
            azimuth,
            "--height",
            "1.5",
            "--polarisation",
            "vertical",
            "--distance",
            "10",
            "--limit",
            limit,
            "--level-unit",
            "dBuV/m",
            "--detectors",
            "quasi_peak",
            "--bandwidth-hz",
            "120e3",
            "--quiet",
            "--json",
        ];
        let out = hushfield(&args);
        assert!(out.status.code() == Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    }
    let d = document(&hushfield(&["angles", p, "--size", "0.6", "--internal", "200e6", "--quiet", "--json"]), 0);
    let suspects = d["angles"]["suspects"].as_array().unwrap();
    // 35 dBµV/m at 600 MHz against 37: the nearest; 28 at 60 MHz against 30.
    assert_eq!(suspects.len(), 2);
    let high = suspects.iter().find(|s| s["frequency_hz"].as_f64().unwrap() > 500e6).unwrap();
    assert_eq!(high["worst_position"]["azimuth_deg"], 180.0);
    assert_eq!(high["sampling"]["too_coarse"], true);
    assert!(high["sampling"]["shortfall"]["most_db"].as_f64().unwrap() > 1.0);
    assert_eq!(d["angles"]["repeat"]["chosen"], serde_json::json!([1, 2]));
    assert_eq!((d["upper"][0]["measure_to_hz"].as_f64(), d["upper"][0]["reached"].as_bool()), (Some(2e9), Some(false)));
    let bad = hushfield(&["angles", "x.csv@q,1,v", "--limit", limit]);
    assert!(bad.status.code() == Some(2) && String::from_utf8_lossy(&bad.stderr).contains("azimuth `q`"));
}

/// Sweeps on grids that lie between each other's frequencies cannot be held together: the report is made all the same, each run keeps its own
/// page, and what could not be done is said.
#[test]
fn a_report_is_made_where_a_survey_does_not_go_together() {
    let dir = tempfile::tempdir().unwrap();
    let project = dir.path().join("project");
    let p = project.to_str().unwrap();
    assert!(hushfield(&["new", p]).status.success());
    let ranges = [("0", 30e6), ("90", 30.02e6), ("180", 30.04e6)];
    for (azimuth, from_hz) in ranges {
        let file = dir.path().join(format!("a{azimuth}.csv"));
        sweep(&file, "dbuv_per_m", from_hz, 60e3, 400, 5.0, &[]);
        let file = file.to_str().unwrap();
        let mut args = vec!["run", p, file, "--azimuth", azimuth, "--distance", "10", "--limit", "cispr32-b-field-10m"];
        args.extend(["--level-unit", "dBuV/m", "--detectors", "quasi_peak", "--bandwidth-hz", "120e3", "--quiet"]);
        let out = hushfield(&args);
        assert!(matches!(out.status.code(), Some(0 | 1)), "{}", String::from_utf8_lossy(&out.stderr));
    }
    let evidence =
        workbench::evidence(&project, None, "2026-03-17", &mut |_| std::ops::ControlFlow::Continue(())).unwrap();
    assert_eq!(evidence.runs.len(), ranges.len());
    let said = |words: &str| evidence.findings.iter().any(|f| f.text.contains(words));
    assert!(said("could not be laid over each other"), "{:?}", evidence.findings);
    assert!(hushfield(&["report", p, "--quiet"]).status.success());
}

/// −14.0 dB from 3 to 10 m horizontally at 30 MHz over a reflecting floor (source 0.8 m high); 15.8 dB of site attenuation
/// horizontally at 3 m and 30 MHz (ANSI C63.4).
#[test]
fn distances_and_sites() {
    let args =
        ["distance", "--from", "3", "--to", "10", "--polarisation", "horizontal", "--frequency", "30e6,1e7", "--json"];
    let d = document(&hushfield(&args), 0);
    assert!((d["differences"][0]["floor_most_db"].as_f64().unwrap() + 14.0).abs() < 0.06);
    assert!(d["differences"][1]["refused"].as_str().unwrap().contains("reactive near field"));
    let refused = hushfield(&["distance", "--from", "3", "--to", "10", "--frequency", "1e6"]);
    assert_eq!(refused.status.code(), Some(2));

    let theory = document(&hushfield(&["site", "--json"]), 0);
    assert!((theory["theory"][0]["attenuation_db"][0].as_f64().unwrap() - 15.8).abs() < 0.1);
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("site.csv");
    fs::write(&file, "frequency_mhz,attenuation_db,polarisation\n30,17.8,horizontal\n1000,-22.4,vertical\n").unwrap();
    let site = document(&hushfield(&["site", file.to_str().unwrap(), "--distance", "3", "--json"]), 0);
    assert!((site["largest_db"].as_f64().unwrap() - 2.0).abs() < 0.1);
    fs::write(&file, "frequency_mhz,attenuation_db,polarisation\n30,21,horizontal\n").unwrap();
    document(&hushfield(&["site", file.to_str().unwrap(), "--distance", "3", "--json"]), 1);
}

#[test]
fn ambient_of_files_and_of_a_project() {
    let dir = tempfile::tempdir().unwrap();
    let project = dir.path().join("project");
    let p = project.to_str().unwrap();
    assert!(hushfield(&["new", p]).status.success());
    let mut args: Vec<String> = vec!["ambient".into()];
    for i in 0..6 {
        // A scatter that repeats: half a decibel.
        let scatter = [0.1, -0.3, 0.4, -0.2, 0.3, -0.4][i];
        for on in [false, true] {
            let mut peaks = vec![(1.05e6, 60.0 + scatter * if on { 1.0 } else { -1.0 })];
            if on {
                peaks.push((3.03e6, 52.0 + scatter));
            }
            let file = dir.path().join(format!("{}{i}.csv", if on { "on" } else { "off" }));
            conducted(&file, &peaks);
            args.extend([if on { "--on".into() } else { "--off".into() }, file.to_str().unwrap().to_owned()]);
            let mut run = vec!["run", p, file.to_str().unwrap(), "--quiet", "--json"];
            run.extend(QP);
            if !on {
                run.push("--product-off");
            }
            assert!(matches!(hushfield(&run).status.code(), Some(0 | 1)));
        }
    }
    let marks = dir.path().join("marks.csv");
    args.extend(QP.map(String::from));
    args.extend(["--json".into(), "--out".into(), marks.to_str().unwrap().to_owned()]);
    let refs: Vec<&str> = args.iter().map(String::as_str).collect();
    // The ambient is over the limit, and stays in the verdict.
    let of_files = document(&hushfield(&refs), 1);
    let of_runs = document(&hushfield(&["ambient", p, "--quiet", "--json"]), 1);
    for d in [&of_files, &of_runs] {
        let s = d["ambient"]["suspects"].as_array().unwrap();
        assert_eq!(s.len(), 2);
        assert_eq!(
            (s[0]["marking"]["mark"].as_str(), s[1]["marking"]["mark"].as_str()),
            (Some("ambient"), Some("product"))
        );
        assert!((d["ambient"]["margin_without_ambient_db"].as_f64().unwrap() - 3.6).abs() < 0.01);
    }
    let text = fs::read_to_string(&marks).unwrap();
    assert_eq!(text.lines().count(), 6635);
    assert!(text.lines().any(|l| l.ends_with(",ambient")) && text.lines().any(|l| l.ends_with(",product")));
    assert_eq!(hushfield(&["ambient", "--on", "x.csv", "--limit", "cispr32-b-mains-qp"]).status.code(), Some(2));
}

/// A server on a project, stopped when dropped.
struct Served(std::process::Child, String);

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Served {
    fn on(project: &str) -> Self {
        let mut process = Command::new(env!("CARGO_BIN_EXE_hushfield"))
            .args(["serve", project, "--port", "0"])
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        std::io::BufRead::read_line(&mut std::io::BufReader::new(process.stdout.take().unwrap()), &mut line).unwrap();
        let host = line.trim().trim_start_matches("http://").trim_end_matches('/').to_owned();
        Self(process, host)
    }

    fn get(&self, path: &str) -> (u16, Value) {
        use std::io::{Read, Write};
        let mut stream = std::net::TcpStream::connect(&self.1).unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.1);
        stream.write_all(request.as_bytes()).unwrap();
        let mut all = Vec::new();
        stream.read_to_end(&mut all).unwrap();
        let text = String::from_utf8_lossy(&all);
        let status = text.split(' ').nth(1).unwrap().parse().unwrap();
        // The answer may come in chunks: from the first brace or bracket to the last.
        let body = text.split_once("\r\n\r\n").unwrap().1;
        let from = body.find(['{', '[']).unwrap_or_else(|| panic!("{path}: {text}"));
        let to = body.rfind(['}', ']']).unwrap();
        let plain: String = body[from..=to].split("\r\n").step_by(2).collect();
        (status, serde_json::from_str(&plain).unwrap())
    }
}

/// What the pages are drawn from says the same as the commands.
#[test]
fn the_server_answers_for_pages() {
    let dir = tempfile::tempdir().unwrap();
    let project = dir.path().join("project");
    let p = project.to_str().unwrap();
    assert!(hushfield(&["new", p]).status.success());
    for (i, azimuth) in ["0", "120", "240"].iter().enumerate() {
        let file = dir.path().join(format!("{azimuth}.csv"));
        conducted(&file, &[(1.05e6, 50.0 + i as f64)]);
        let mut args =
            vec!["run", p, file.to_str().unwrap(), "--azimuth", azimuth, "--conductor", "L1", "--quiet", "--json"];
        args.extend(QP);
        assert!(hushfield(&args).status.success());
        let off = dir.path().join(format!("off{azimuth}.csv"));
        conducted(&off, &[]);
        let mut args =
            vec!["run", p, off.to_str().unwrap(), "--azimuth", azimuth, "--product-off", "--quiet", "--json"];
        args.extend(QP);
        assert!(hushfield(&args).status.success());
    }
    let server = Served::on(p);
    let (status, angles) = server.get("/api/angles?size_m=0.5");
    assert_eq!((status, angles["suspects"][0]["worst_position"]["azimuth_deg"].as_f64()), (200, Some(240.0)));
    assert_eq!(angles["suspects"][0]["patterns"][0]["level_db"], serde_json::json!([50.0, 51.0, 52.0]));
    assert_eq!(angles["suspects"][0]["widest_gap_deg"], 120.0);
    let (status, conductors) = server.get("/api/conductors");
    assert_eq!((status, &conductors[0]["conductors"]), (200, &serde_json::json!(["L1"])));
    let (status, ambient) = server.get("/api/ambient");
    assert_eq!((status, ambient["off_runs"].as_array().unwrap().len()), (200, 3));
    // Three of each against one suspect: 1/20 at best.
    assert_eq!(ambient["suspects"][0]["mark"], "product");
    let (status, survey) = server.get("/api/runs/R001/survey?sub_ranges=3");
    assert_eq!((status, survey["parts"].as_array().unwrap().len()), (200, 3));
    assert_eq!(survey["list"][0]["dwell_s"], 15.0);
    let (status, distance) = server.get("/api/distance?from_m=3&to_m=10&polarisation=horizontal");
    assert_eq!(status, 200);
    assert!((distance[0]["convention_db"].as_f64().unwrap() + 10.46).abs() < 0.01);
    assert_eq!(server.get("/api/runs/R099/survey").0, 404);
    assert_eq!(server.get("/api/angles?port=none").0, 422);
}
