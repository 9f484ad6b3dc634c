//! The receiver beside a numpy/scipy script: the same record, in turn, in one run. Prints whole-process times, seconds of
//! signal a second, the ratio, and how far each lies from the exact model.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use crate::{Done, python, release, root, target};

/// One race.
struct Race {
    band: &'static str,
    rate_hz: f64,
    seconds: f64,
    /// Frequencies asked for: first, last, step (Hz).
    grid: Option<[&'static str; 3]>,
    runs: usize,
    /// The script would take minutes on some: then only we are timed.
    script: bool,
}

const RACES: [Race; 4] = [
    Race { band: "A", rate_hz: 400e3, seconds: 4.0, grid: None, runs: 3, script: true },
    Race { band: "B", rate_hz: 62.5e6, seconds: 1.0, grid: None, runs: 3, script: true },
    Race { band: "C", rate_hz: 2.5e9, seconds: 0.01, grid: Some(["30e6", "1e9", "60e3"]), runs: 3, script: true },
    Race { band: "E", rate_hz: 5e9, seconds: 0.004, grid: Some(["1e9", "2e9", "500e3"]), runs: 3, script: true },
];

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

fn timed(c: &mut Command) -> Result<f64, String> {
    let start = Instant::now();
    let out = c.stdout(Stdio::null()).stderr(Stdio::piped()).output().map_err(|e| e.to_string())?;
    if out.status.success() {
        Ok(start.elapsed().as_secs_f64())
    } else {
        Err(format!("{}: {}", out.status, String::from_utf8_lossy(&out.stderr)))
    }
}

/// The `worst_db` of the accuracy script's JSON line.
fn worst(python: &Path, trace: &Path, record: &Path, race: &Race) -> Result<String, String> {
    let out = Command::new(python)
        .arg(root().join("bench/accuracy.py"))
        .args([trace, record])
        .args(["--band", race.band, "--rate", &race.rate_hz.to_string(), "--start", "rest"])
        .output()
        .map_err(|e| e.to_string())?;
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let tail = text.rsplit("\"worst_db\": ").next().unwrap_or_default();
    let number: String = tail.chars().take_while(|c| c.is_ascii_digit() || matches!(c, '.' | 'e' | '-')).collect();
    if number.is_empty() { Err(format!("accuracy.py: {}", String::from_utf8_lossy(&out.stderr))) } else { Ok(number) }
}

pub(crate) fn run(bands: &[&str]) -> Done {
    let hushfield = release()?;
    let python = python()?;
    let folder = target().join("bench");
    fs::create_dir_all(&folder).map_err(|e| e.to_string())?;
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    println!("whole processes, median of the runs, {cores} core(s); the script runs on one core");
    println!(
        "band  signal       hushfield, 1 thread    hushfield, all cores   numpy/scipy            ratio   worst error, dB: ours / script"
    );
    for race in RACES.iter().filter(|r| bands.is_empty() || bands.contains(&r.band)) {
        let record = folder.join(format!("{}.npy", race.band));
        let seconds = race.seconds.to_string();
        let rate = race.rate_hz.to_string();
        let made = Command::new(&python)
            .arg(root().join("bench/make_record.py"))
            .arg(&record)
            .args(["--band", race.band, "--rate", &rate, "--seconds", &seconds])
            .stdout(Stdio::null())
            .status()
            .map_err(|e| e.to_string())?;
        if !made.success() {
            return Err("bench/make_record.py failed".into());
        }
        let (ours, theirs) = (folder.join("ours.csv"), folder.join("script.csv"));
        let grid = |c: &mut Command| {
            if let Some([from, to, step]) = race.grid {
                c.args(["--from", from, "--to", to, "--step", step]);
            }
        };
        let us = |threads: Option<&str>| {
            let mut c = Command::new(&hushfield);
            c.arg("receive").arg(&record).args(["--band", race.band, "--rate", &rate, "--start", "rest", "--quiet"]);
            grid(&mut c);
            if let Some(n) = threads {
                c.args(["--threads", n]);
            }
            c.arg("--out").arg(&ours);
            c
        };
        let script = || {
            let mut c = Command::new(&python);
            c.arg(root().join("bench/baseline_receiver.py")).arg(&record).args(["--band", race.band, "--rate", &rate]);
            grid(&mut c);
            c.arg("--out").arg(&theirs).envs([("OMP_NUM_THREADS", "1"), ("OPENBLAS_NUM_THREADS", "1")]);
            c
        };
        timed(&mut us(None))?;
        let (mut one, mut all, mut other) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..race.runs {
            one.push(timed(&mut us(Some("1")))?);
            all.push(timed(&mut us(None))?);
            if race.script {
                other.push(timed(&mut script())?);
            }
        }
        let (one, all) = (median(one), median(all));
        let speed = |t: f64| format!("{t:7.3} s ({:.4} s/s)", race.seconds / t);
        let other = if other.is_empty() { None } else { Some(median(other)) };
        let error = worst(&python, &ours, &record, race)?;
        let script_error = if other.is_some() { worst(&python, &theirs, &record, race)? } else { "–".into() };
        println!(
            "{:<5} {:<12} {:<22} {:<22} {:<22} {:<7} {error} / {script_error}",
            race.band,
            format!("{} s", race.seconds),
            speed(one),
            speed(all),
            other.map_or("–".into(), speed),
            other.map_or("–".into(), |o| format!("{:.1}", o / all)),
        );
        let _ = fs::remove_file(&record);
    }
    Ok(())
}
