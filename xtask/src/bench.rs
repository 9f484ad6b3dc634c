//! The receiver beside a numpy/scipy script: the same record, in turn, in one run. Prints whole-process times, seconds of
//! signal a second and the ratio on each instruction set of the machine, the share of the work that does not spread over
//! threads, and how far each lies from the exact model.

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

const RACES: [Race; 5] = [
    Race { band: "A", rate_hz: 400e3, seconds: 4.0, grid: None, runs: 3, script: true },
    Race { band: "B", rate_hz: 62.5e6, seconds: 1.0, grid: None, runs: 5, script: true },
    // Bands C and D in one: the record's own frequencies, at most 60 kHz apart, and then 60 kHz exactly.
    Race { band: "C", rate_hz: 2.5e9, seconds: 0.01, grid: Some(["30e6", "1e9", ""]), runs: 5, script: true },
    Race { band: "C", rate_hz: 2.5e9, seconds: 0.01, grid: Some(["30e6", "1e9", "60e3"]), runs: 3, script: false },
    Race { band: "E", rate_hz: 5e9, seconds: 0.004, grid: Some(["1e9", "2e9", "500e3"]), runs: 3, script: true },
];

/// What the receiver's loops are compiled for; of these a machine has one or more.
const SETS: [&str; 3] = ["plain", "AVX2", "AVX-512"];

/// The least disturbed run.
fn fastest(times: &[f64]) -> f64 {
    times.iter().copied().fold(f64::INFINITY, f64::min)
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

/// What the search for causes finds on lists and products whose cause is known.
fn causes() -> Done {
    for (heading, example, arguments) in [
        ("Families of multiples in simulated lists of peaks", "lists", ["200", "2026", "300"]),
        ("Makers of simulated emissions", "makers", ["600", "2026", ""]),
    ] {
        println!("\n{heading}");
        let mut c = Command::new("cargo");
        c.current_dir(root()).args(["run", "--release", "--quiet", "-p", "cause", "--example", example, "--"]);
        c.args(arguments.iter().filter(|a| !a.is_empty()));
        let status = c.status().map_err(|e| format!("cargo: {e}"))?;
        if !status.success() {
            return Err(format!("{example}: {status}"));
        }
    }
    Ok(())
}

/// Networks beside ngspice: AC, tolerance study, transients.
fn networks(hushfield: Option<&Path>) -> Done {
    println!();
    let mut c = Command::new("cargo");
    c.current_dir(root()).args(["bench", "--quiet", "-p", "circuit", "--bench", "networks"]);
    if let Some(program) = hushfield {
        c.env("HUSHFIELD_BIN", program);
    }
    let status = c.status().map_err(|e| format!("cargo: {e}"))?;
    if status.success() { Ok(()) } else { Err(format!("networks: {status}")) }
}

pub(crate) fn run(bands: &[&str]) -> Done {
    if bands == ["mains"] {
        return crate::bench_mains::run();
    }
    if bands == ["long"] {
        return crate::bench_long::run(&release()?);
    }
    if bands == ["networks"] {
        return networks(None);
    }
    if bands == ["causes"] {
        return causes();
    }
    let hushfield = release()?;
    let python = python()?;
    let folder = target().join("bench");
    fs::create_dir_all(&folder).map_err(|e| e.to_string())?;
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    println!("whole processes, the fastest of the runs; {cores} core(s), the script on one");
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
                c.args(["--from", from, "--to", to]);
                if !step.is_empty() {
                    c.args(["--step", step]);
                }
            }
        };
        let us = |set: &str, threads: usize| {
            let mut c = Command::new(&hushfield);
            c.arg("receive").arg(&record).args(["--band", race.band, "--rate", &rate, "--start", "rest", "--quiet"]);
            grid(&mut c);
            c.args(["--threads", &threads.to_string()]).env("HUSHFIELD_INSTRUCTIONS", set);
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
        // Every instruction set that this machine has, the plainest first, on one thread and on all, in turn with the script.
        let sets: Vec<&str> = SETS.into_iter().filter(|set| timed(&mut us(set, cores)).is_ok()).collect();
        let mut ours_s = vec![[f64::INFINITY; 2]; sets.len()];
        let mut other = Vec::new();
        for _ in 0..race.runs {
            for (set, best) in sets.iter().zip(&mut ours_s) {
                for (threads, best) in [1, cores].into_iter().zip(best) {
                    *best = best.min(timed(&mut us(set, threads))?);
                }
            }
            if race.script {
                other.push(timed(&mut script())?);
            }
        }
        let other = (!other.is_empty()).then(|| fastest(&other));
        // The trace whose accuracy is told is that of the set used unless another is asked for.
        timed(us("", cores).env_remove("HUSHFIELD_INSTRUCTIONS"))?;
        let speed = |t: f64| format!("{t:8.3} s  {:.4} x real time", race.seconds / t);
        let trace = fs::read_to_string(&ours).map_err(|e| e.to_string())?;
        println!(
            "\nband {}: {} s at {} MS/s, {} frequencies{}",
            race.band,
            race.seconds,
            race.rate_hz / 1e6,
            trace.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())).count(),
            race.grid.map_or(String::new(), |[from, to, step]| match step {
                "" => format!(" from {from} to {to} Hz"),
                step => format!(" from {from} to {to} Hz every {step} Hz as asked"),
            }),
        );
        for (set, [one, all]) in sets.iter().zip(&ours_s) {
            let ratio = |t: f64| other.map_or(String::new(), |other| format!("  {:6.1} x the script", other / t));
            println!("  {set:<8} 1 thread   {}{}", speed(*one), ratio(*one));
            if cores > 1 {
                // Amdahl's law solved for the part that does not spread.
                let serial = (cores as f64 * all / one - 1.0) / (cores as f64 - 1.0);
                println!(
                    "  {set:<8} {cores} threads  {}{}  serial share {:.0} %",
                    speed(*all),
                    ratio(*all),
                    100.0 * serial.max(0.0)
                );
            }
        }
        println!("  worst error          {} dB", worst(&python, &ours, &record, race)?);
        if let Some(other) = other {
            println!("  numpy/scipy          {}", speed(other));
            println!("  worst error          {} dB", worst(&python, &theirs, &record, race)?);
        }
        let _ = fs::remove_file(&record);
    }
    if bands.is_empty() {
        networks(Some(&hushfield))?;
        crate::bench_mains::run()?;
        causes()
    } else {
        Ok(())
    }
}
