//! `receive` beyond one record at rest, through the whole program: streams, growing files, channels, spans, Ctrl-C.

use std::fs;
use std::io::Write;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

const RATE: f64 = 1.35e6;

fn hushfield(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hushfield")).args(args).output().unwrap()
}

fn document(output: &Output) -> Value {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Counts of a sine of so many counts amplitude, one channel.
fn counts(seconds: f64, amplitude: f64, hz: f64) -> Vec<i16> {
    let n = (RATE * seconds) as usize;
    (0..n).map(|i| (amplitude * (std::f64::consts::TAU * hz / RATE * i as f64).cos()).round() as i16).collect()
}

fn bytes(numbers: &[i16]) -> Vec<u8> {
    numbers.iter().flat_map(|n| n.to_le_bytes()).collect()
}

fn npy(path: &Path, frames: usize, channels: usize, data: &[u8]) {
    let shape = if channels == 1 { format!("({frames},)") } else { format!("({frames}, {channels})") };
    let mut head = format!("{{'descr': '<i2', 'fortran_order': False, 'shape': {shape}, }}");
    while (head.len() + 11) % 64 != 0 {
        head.push(' ');
    }
    head.push('\n');
    let mut all = b"\x93NUMPY\x01\x00".to_vec();
    all.extend_from_slice(&(head.len() as u16).to_le_bytes());
    all.extend_from_slice(head.as_bytes());
    all.extend_from_slice(data);
    fs::write(path, all).unwrap();
}

const SCAN: [&str; 8] = ["--band", "B", "--from", "150e3", "--to", "600e3", "--scale", "1e-6"];

#[test]
fn a_stream_ends_as_the_record_from_rest() {
    let folder = tempfile::tempdir().unwrap();
    let x = counts(0.2, 3000.0, 301.5e3);
    let record = folder.path().join("x.npy");
    npy(&record, x.len(), 1, &bytes(&x));
    let mut args = vec!["receive", record.to_str().unwrap(), "--rate", "1.35e6", "--start", "rest", "--json"];
    args.extend(SCAN);
    let batch = document(&hushfield(&args));
    // The same numbers over a connection.
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("tcp://{}", listener.local_addr().unwrap());
    let sent = bytes(&x);
    let sender = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        for part in sent.chunks(30_001) {
            stream.write_all(part).unwrap();
        }
    });
    let out = folder.path().join("live.csv");
    let mut args = vec!["receive", "--follow", &address, "--format", "i16", "--rate", "1.35e6", "--json"];
    args.extend(["--out", out.to_str().unwrap()]);
    args.extend(SCAN);
    let live = document(&hushfield(&args));
    sender.join().unwrap();
    assert_eq!(live["lost_frames"], 0);
    for key in ["frequency_hz", "peak_dbuv", "quasi_peak_dbuv", "cispr_average_dbuv", "rms_average_dbuv"] {
        assert_eq!(live[key], batch[key], "{key}");
    }
    assert!(out.is_file());
    // A file whose header is complete ends by itself.
    let mut args = vec!["receive", record.to_str().unwrap(), "--follow", "--rate", "1.35e6", "--json"];
    args.extend(SCAN);
    assert_eq!(document(&hushfield(&args))["peak_dbuv"], batch["peak_dbuv"]);
}

#[test]
fn channels_are_measured_in_one_pass_and_named() {
    let folder = tempfile::tempdir().unwrap();
    let (a, b) = (counts(0.1, 3000.0, 301.5e3), counts(0.1, 500.0, 450e3));
    let both: Vec<i16> = a.iter().zip(&b).flat_map(|(a, b)| [*a, *b]).collect();
    let record = folder.path().join("two.npy");
    npy(&record, a.len(), 2, &bytes(&both));
    let out = folder.path().join("t.csv");
    let mut args = vec!["receive", record.to_str().unwrap(), "--rate", "1.35e6", "--channel", "1,2", "--json"];
    args.extend(["--timeline", "--out", out.to_str().unwrap()]);
    args.extend(SCAN);
    let all = document(&hushfield(&args));
    for (number, channel) in ["1", "2"].iter().zip(all["channels"].as_array().unwrap()) {
        let mut args = vec!["receive", record.to_str().unwrap(), "--rate", "1.35e6", "--channel", number, "--json"];
        args.extend(SCAN);
        assert_eq!(channel["peak_dbuv"], document(&hushfield(&args))["peak_dbuv"], "channel {number}");
        let own = folder.path().join(format!("t.channel-{number}.csv"));
        assert!(own.is_file() && own.with_extension("csv.timeline.npy").is_file(), "{}", own.display());
    }
    // A stretch of it holds less.
    let mut args = vec!["receive", record.to_str().unwrap(), "--rate", "1.35e6", "--span", "0.02", "0.06", "--json"];
    args.extend(SCAN);
    let span = document(&hushfield(&args)).to_string();
    assert!(span.contains("only 0.020000 s to 0.060000 s"), "{span}");
}

/// Ctrl-C while a long record is measured: exit code 2, a sentence, and an empty folder.
#[cfg(unix)]
#[test]
fn an_interrupt_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("long.npy");
    npy(&record, 2_000_000_000, 1, &[]);
    // A hole in the file: half an hour of silence that takes no room on the disk.
    fs::OpenOptions::new().write(true).open(&record).unwrap().set_len(4_000_000_000).unwrap();
    let results = folder.path().join("results");
    fs::create_dir(&results).unwrap();
    let out = results.join("trace.csv");
    let child = Command::new(env!("CARGO_BIN_EXE_hushfield"))
        .args(["receive", record.to_str().unwrap(), "--rate", "1.35e6", "--out", out.to_str().unwrap(), "--timeline"])
        .args(SCAN)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(std::time::Duration::from_millis(1500));
    let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
    let end = child.wait_with_output().unwrap();
    assert_eq!(end.status.code(), Some(2), "{}", String::from_utf8_lossy(&end.stderr));
    assert!(String::from_utf8_lossy(&end.stderr).contains("cancelled"), "{}", String::from_utf8_lossy(&end.stderr));
    assert_eq!(fs::read_dir(&results).unwrap().count(), 0);
}
