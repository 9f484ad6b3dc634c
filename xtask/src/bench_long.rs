//! A record of 16 GiB through the receiver: time, and the memory it takes at its highest.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::{Done, python, root, target};

const RATE_HZ: f64 = 62.5e6;
/// Bytes of the piece that is repeated, and how often it is.
const PIECE: u64 = 32 << 20;
const PIECES: u64 = 512;
/// Bytes before the numbers of a `.npy` file as it is written here.
const HEAD: usize = 128;

/// Writes the record: one made piece over and over, as 16-bit counts of a microvolt.
fn write(record: &Path, piece: &Path) -> std::io::Result<()> {
    let samples = fs::read(piece)?;
    let samples = &samples[samples.len() - PIECE as usize..];
    let mut head = format!("{{'descr': '<i2', 'fortran_order': False, 'shape': ({},), }}", PIECE / 2 * PIECES);
    while head.len() < HEAD - 11 {
        head.push(' ');
    }
    head.push('\n');
    let mut out = BufWriter::new(File::create(record)?);
    out.write_all(b"\x93NUMPY\x01\x00")?;
    out.write_all(&(head.len() as u16).to_le_bytes())?;
    out.write_all(head.as_bytes())?;
    for _ in 0..PIECES {
        out.write_all(samples)?;
    }
    out.flush()
}

/// The most memory that a process has held so far, MiB, where the system tells.
fn peak_mib(pid: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kib| kib / 1024.0)
}

fn measure(hushfield: &Path, record: &Path, out: &Path) -> Result<(f64, f64), String> {
    let began = Instant::now();
    let mut c = Command::new(hushfield);
    c.arg("receive").arg(record).args(["--band", "B", "--rate", &RATE_HZ.to_string(), "--scale", "1e-6", "--quiet"]);
    let mut child = c.arg("--out").arg(out).stdout(Stdio::null()).spawn().map_err(|e| e.to_string())?;
    let mut peak = 0.0_f64;
    loop {
        peak = peak.max(peak_mib(child.id()).unwrap_or(0.0));
        if let Some(status) = child.try_wait().map_err(|e| e.to_string())? {
            return if status.success() { Ok((began.elapsed().as_secs_f64(), peak)) } else { Err(status.to_string()) };
        }
        sleep(Duration::from_millis(50));
    }
}

pub(crate) fn run(hushfield: &Path) -> Done {
    let folder = target().join("bench");
    fs::create_dir_all(&folder).map_err(|e| e.to_string())?;
    let (record, piece, out) = (folder.join("long.npy"), folder.join("piece.npy"), folder.join("long.csv"));
    let seconds = PIECE as f64 / 2.0 / RATE_HZ;
    let made = Command::new(python()?)
        .arg(root().join("bench/make_record.py"))
        .arg(&piece)
        .args(["--band", "B", "--rate", &RATE_HZ.to_string(), "--seconds", &seconds.to_string(), "--format", "i16"])
        .stdout(Stdio::null())
        .status()
        .map_err(|e| e.to_string())?;
    if !made.success() {
        return Err("bench/make_record.py failed".into());
    }
    let measured = write(&record, &piece).map_err(|e| e.to_string()).and_then(|()| measure(hushfield, &record, &out));
    let _ = fs::remove_file(&record);
    let _ = fs::remove_file(&piece);
    let (took_s, peak) = measured?;
    let signal_s = seconds * PIECES as f64;
    println!(
        "a record of {} GiB, {signal_s:.1} s at {} MS/s: {took_s:.1} s ({:.2} x real time), {peak:.0} MiB resident at most",
        (PIECE * PIECES) >> 30,
        RATE_HZ / 1e6,
        signal_s / took_s
    );
    Ok(())
}
