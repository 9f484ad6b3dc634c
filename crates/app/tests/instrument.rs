//! Sweeps and waveforms from simulated instruments, through the whole program.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

use serde_json::Value;

fn hushfield(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hushfield")).args(args).output().unwrap()
}

fn document(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
}

fn words(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A simulated instrument in its own process, ended with the test.
struct Playing(Child, String);

impl Drop for Playing {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn play(args: &[&str]) -> Playing {
    let mut all = vec!["--quiet", "simulate-instrument", "--port", "0", "--sweep-time", "0.01", "--seconds", "120"];
    all.extend(args);
    let mut child = Command::new(env!("CARGO_BIN_EXE_hushfield"))
        .args(&all)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let address = line.split_whitespace().nth(2).unwrap().to_owned();
    Playing(child, address)
}

fn description(dir: &Path, kind: &str) -> String {
    let file = dir.join(format!("{kind}.toml"));
    let out = hushfield(&["instrument", "template", "--kind", kind]);
    let text = String::from_utf8(out.stdout).unwrap().replace("sweep_timeout_s = 60.0", "sweep_timeout_s = 1.0");
    fs::write(&file, text.replace("read_timeout_s = 20.0", "read_timeout_s = 1.0")).unwrap();
    file.display().to_string()
}

#[test]
fn check_and_ask() {
    let dir = tempfile::tempdir().unwrap();
    let file = description(dir.path(), "analyser");
    assert!(hushfield(&["instrument", "check", &file]).status.success());
    let playing = play(&["--kind", "analyser"]);
    let said = document(&hushfield(&["--json", "instrument", "ask", &file, "--at", &playing.1]));
    assert_eq!(
        (said["fits"].as_bool(), said["identity"].as_str()),
        (Some(true), Some("Hushfield,Simulated analyser,0,1"))
    );
    let bad = dir.path().join("bad.toml");
    fs::write(&bad, fs::read_to_string(&file).unwrap().replace("\"dBm\"", "\"dBV\"")).unwrap();
    let out = hushfield(&["instrument", "check", &bad.display().to_string()]);
    assert_eq!(out.status.code(), Some(2));
    assert!(
        words(&out).contains("line ") && words(&out).contains("`trace.unit`: \"dBV\"; expected one of"),
        "{}",
        words(&out)
    );
}

#[test]
fn sweeps_are_kept_judged_and_recorded() {
    let dir = tempfile::tempdir().unwrap();
    let file = description(dir.path(), "analyser");
    let playing = play(&["--kind", "analyser", "--overload"]);
    let project = dir.path().join("project").display().to_string();
    assert!(hushfield(&["new", &project]).status.success());
    let out_dir = dir.path().join("sweeps").display().to_string();
    let at = format!("hislip://{}", playing.1);
    let limit = "cispr32-b-mains-qp";
    let out = hushfield(&[
        "--json",
        "instrument",
        "sweep",
        &file,
        "--at",
        &at,
        "--max-hold",
        "3",
        "--out",
        &out_dir,
        "--run",
        &project,
        "--limit",
        limit,
    ]);
    assert!(out.status.success(), "{}", words(&out));
    assert!(words(&out).contains("limiter") && words(&out).contains("INPUT OVERLOAD"), "{}", words(&out));
    let said = document(&out);
    assert_eq!((said["kept"].as_u64(), said["overloaded"].as_u64()), (Some(3), Some(3)));
    assert_eq!(said["files"].as_array().unwrap().len(), 3);
    let held = said["max_hold"].as_str().unwrap();
    let judged = hushfield(&["--json", "judge", held, "--limit", limit]);
    assert!(matches!(judged.status.code(), Some(0 | 1)), "{}", words(&judged));
    let said_of_it = hushfield(&["judge", held, "--limit", limit]);
    assert!(String::from_utf8_lossy(&said_of_it.stdout).contains("INPUT OVERLOAD"));
    let run = said["runs"][0].as_str().unwrap();
    let shown = document(&hushfield(&["--json", "runs", &project, "--run", run]));
    let notes = shown["run"]["record"]["notes"].as_str().or(shown["run"]["notes"].as_str()).unwrap();
    assert!(notes.contains("Transcript") && notes.contains("INPUT OVERLOAD"), "{notes}");
    // What stands there is not written over.
    let again = hushfield(&["instrument", "sweep", &file, "--at", &playing.1, "--out", &out_dir]);
    assert!(again.status.code() == Some(2) && words(&again).contains("not empty"), "{}", words(&again));
}

#[test]
fn an_aborted_run_keeps_what_it_has_and_a_reconnected_one_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let file = description(dir.path(), "analyser");
    let broken = play(&["--kind", "analyser", "--fault", "truncate", "--fault-after", "2"]);
    let out_dir = dir.path().join("a").display().to_string();
    let out =
        hushfield(&["--json", "instrument", "sweep", &file, "--at", &broken.1, "--count", "5", "--out", &out_dir]);
    assert_eq!(out.status.code(), Some(2));
    assert!(words(&out).contains("2 of 5 sweeps"), "{}", words(&out));
    let said = document(&out);
    assert_eq!((said["kept"].as_u64(), said["files"].as_array().unwrap().len()), (Some(2), 2));
    let mut there: Vec<String> =
        fs::read_dir(&out_dir).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
    there.sort();
    assert_eq!(
        there,
        ["sweep-00001.csv", "sweep-00001.csv.json", "sweep-00002.csv", "sweep-00002.csv.json", "transcript.json"]
    );
    let once = play(&["--kind", "analyser", "--fault", "drop", "--fault-after", "2", "--fault-times", "1"]);
    let out_dir = dir.path().join("b").display().to_string();
    let out = hushfield(&[
        "--json",
        "instrument",
        "sweep",
        &file,
        "--at",
        &once.1,
        "--count",
        "5",
        "--reconnect",
        "1",
        "--out",
        &out_dir,
    ]);
    assert!(out.status.success(), "{}", words(&out));
    assert_eq!(document(&out)["kept"].as_u64(), Some(5));
}

#[test]
fn waveforms_are_read_by_inspect_and_receive() {
    let dir = tempfile::tempdir().unwrap();
    let file = description(dir.path(), "scope");
    let playing = play(&["--kind", "scope"]);
    let npy = dir.path().join("w.npy").display().to_string();
    let out = hushfield(&["--json", "instrument", "waveform", &file, "--at", &playing.1, "--out", &npy]);
    assert!(out.status.success(), "{}", words(&out));
    let said = document(&out);
    assert_eq!(said["waveforms"].as_array().unwrap().len(), 2);
    let first = said["waveforms"][0]["file"].as_str().unwrap();
    assert!(hushfield(&["inspect", first, "--rate", "50e6"]).status.success());
    let csv = dir.path().join("w.csv").display().to_string();
    let out = hushfield(&["instrument", "waveform", &file, "--at", &playing.1, "--channels", "2", "--out", &csv]);
    assert!(out.status.success(), "{}", words(&out));
    let seen = document(&hushfield(&["--json", "inspect", &csv]));
    assert!(seen.to_string().contains("50000000"), "{seen}");
    let project = dir.path().join("project").display().to_string();
    assert!(hushfield(&["new", &project]).status.success());
    // The second column of the text is channel 2.
    for (name, channels, count) in [("r.npy", "1", 1), ("r.csv", "1,2", 2)] {
        let file_out = dir.path().join(name).display().to_string();
        let out = hushfield(&[
            "--json",
            "instrument",
            "waveform",
            &file,
            "--at",
            &playing.1,
            "--out",
            &file_out,
            "--run",
            &project,
            "--band",
            "B",
            "--channels",
            channels,
        ]);
        assert!(out.status.success(), "{}", words(&out));
        assert_eq!(document(&out)["runs"].as_array().unwrap().len(), count, "{name}");
    }
}
