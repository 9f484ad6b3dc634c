//! Real recordings (open data, kept outside the project): named by `HUSHFIELD_DATA`; numpy by `HUSHFIELD_PYTHON`.

use std::path::PathBuf;
use std::process::Command;

use mains::MainsError;
use mains::harmonics::{Analyser, Settings, least_squares};
use mains::record::{ChannelUse, Mains, RecordSetup};

fn data(relative: &str) -> Option<PathBuf> {
    let found = std::env::var_os("HUSHFIELD_DATA").map(|d| PathBuf::from(d).join(relative)).filter(|p| p.is_file());
    if found.is_none() {
        println!("skipped: HUSHFIELD_DATA has no {relative}");
    }
    found
}

fn python() -> Option<String> {
    let found = std::env::var("HUSHFIELD_PYTHON").ok();
    if found.is_none() {
        println!("skipped: HUSHFIELD_PYTHON names no Python with numpy");
        assert!(std::env::var_os("CI").is_none(), "HUSHFIELD_PYTHON must name a Python with numpy here");
    }
    found
}

/// A column of a comma-separated text.
fn column(path: &PathBuf, index: usize, skip: usize, slope: f64, offset: f64) -> Vec<f64> {
    std::fs::read_to_string(path)
        .unwrap()
        .lines()
        .skip(skip)
        .filter_map(|l| l.split(',').nth(index)?.trim().parse::<f64>().ok())
        .map(|x| slope * x + offset)
        .collect()
}

/// Harmonics of a record by numpy's own least squares, with the frequency from scipy's minimiser: frequency, then the
/// r.m.s. of orders 1 to 40.
const SCRIPT: &str = r"
import sys
import numpy as np
from scipy.optimize import minimize_scalar
x = np.array([float(v) for v in sys.stdin.read().split()])
rate, nominal = float(sys.argv[1]), float(sys.argv[2])
t = np.arange(len(x)) / rate
def basis(f):
    h = 2 * np.pi * f * np.outer(t, np.arange(1, 41))
    return np.hstack([np.ones((len(t), 1)), np.cos(h), np.sin(h)])
def residual(f):
    b = basis(f)
    return np.sum((x - b @ np.linalg.solve(b.T @ b, b.T @ x)) ** 2)
f = minimize_scalar(residual, bounds=(nominal * 0.99, nominal * 1.01), method='bounded', options={'xatol': 1e-7}).x
c = np.linalg.lstsq(basis(f), x, rcond=None)[0]
print(f, *(np.hypot(c[1:41], c[41:]) / np.sqrt(2)))
";

fn numpy(python: &str, samples: &[f64], rate_hz: f64, nominal_hz: f64) -> Vec<f64> {
    use std::io::Write;
    let mut child = Command::new(python)
        .env("OPENBLAS_NUM_THREADS", "1")
        .args(["-c", SCRIPT, &rate_hz.to_string(), &nominal_hz.to_string()])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let text = samples.iter().map(f64::to_string).collect::<Vec<_>>().join("\n");
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let out = child.wait_with_output().unwrap();
    assert!(out.status.success());
    String::from_utf8(out.stdout).unwrap().split_whitespace().map(|x| x.parse().unwrap()).collect()
}

/// Every order of site records of 4 and 9.6 cycles within 0.1 % of the fundamental of numpy's own least squares.
#[test]
fn short_site_records_agree_with_numpy() {
    let Some(python) = python() else { return };
    let mut worst: f64 = 0.0;
    let mut compare = |name: &str, samples: &[f64], rate_hz: f64| {
        let theirs = numpy(&python, samples, rate_hz, 60.0);
        let ours = least_squares(samples, rate_hz, Mains::Hz60).unwrap();
        assert!((ours.fundamental_hz / theirs[0] - 1.0).abs() < 1e-5, "{name}: {} Hz", ours.fundamental_hz);
        for h in 1..=40 {
            let off = 100.0 * (ours.orders[h].norm() - theirs[h]).abs() / theirs[1];
            assert!(off < 0.1, "{name}, order {h}: {} and {}", ours.orders[h].norm(), theirs[h]);
            worst = worst.max(off);
        }
        println!("{name}: {:.4} Hz, {:.3} r.m.s., THD {:.3} %", ours.fundamental_hz, theirs[1], ours.thd_percent());
    };
    if let Some(path) = data("mains/mhkit/2020224_181521_PowRaw.csv") {
        for (index, name) in [(1, "Va"), (4, "Ia")] {
            compare(name, &column(&path, index, 1, 1.0, 0.0), 50_000.0);
        }
    }
    if let Some(path) = data("mains/ieeecomtrade/keating_1999.DAT") {
        for (index, name) in [(2, "first channel"), (6, "fifth channel")] {
            compare(name, &column(&path, index, 0, 1.0, 0.0), 30_707.244_140_625);
        }
    }
    println!("worst difference: {worst:.6} % of the fundamental");
}

/// What cannot be measured by the standard is refused by name: 9.6 of 12 cycles, and a rate that cannot carry 40 orders.
#[test]
fn records_that_are_no_measurement() {
    let setup = |rate_hz| RecordSetup {
        rate_hz,
        mains: Mains::Hz60,
        voltage: None,
        current: Some(ChannelUse { index: 0, units_per_count: 1.0 }),
        current_late_s: 0.0,
        full_scale_counts: None,
    };
    let settings = |rate_hz| Settings { record: setup(rate_hz), ignore_first_s: 0.0, wave_shape: false };
    assert!(matches!(Analyser::new(settings(1_000.0)), Err(MainsError::RateTooLow { .. })));
    if let Some(path) = data("mains/mhkit/2020224_181521_PowRaw.csv") {
        use mains::record::{Consumer, MainsBlock};
        let mut a = Analyser::new(settings(50_000.0)).unwrap();
        let current_a = column(&path, 4, 1, 1.0, 0.0);
        a.take(&MainsBlock { first_frame: 0, voltage_v: &[], current_a: &current_a }).unwrap();
        assert!(matches!(a.finish(), Err(MainsError::TooShort { .. })));
    }
}
