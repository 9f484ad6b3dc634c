//! How long a verdict takes: 200,000 points of a noisy comb with two detectors against two limits.
//! `cargo run --release -p emission --example judge_speed`

use std::time::Instant;

use emission::{Column, JudgeOptions, Trace, judge};
use quantity::Unit;
use standards::{Detector, LimitLibrary};

fn main() {
    let n = 200_000;
    let step_hz = 29.85e6 / f64::from(n - 1);
    let frequency_hz: Vec<f64> = (0..n).map(|k| 150e3 + step_hz * f64::from(k)).collect();
    // A small generator of noise, so that the example needs nothing else.
    let mut state = 1u32;
    let mut noise_db = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1 << 24) * 8.0
    };
    let mut column = |detector: Detector, below_db: f64| {
        let comb = |f: f64| {
            let order = (f / 130e3).round();
            62.0 - 6.0 * order.ln() - 6.02 * ((f - 130e3 * order) / 4500.0).powi(2)
        };
        Column {
            detector: Some(detector),
            name: detector.key().into(),
            level_db: frequency_hz.iter().map(|&f| comb(f).max(20.0) + noise_db() - below_db).collect(),
            lower_bound: vec![false; frequency_hz.len()],
            floor_db: Vec::new(),
        }
    };
    let columns = vec![column(Detector::QuasiPeak, 0.0), column(Detector::CisprAverage, 10.0)];
    let trace = Trace {
        frequency_hz,
        unit: Some(Unit::DbUv),
        columns,
        bandwidth_hz: Some(9e3),
        impedance_ohm: None,
        history: vec![],
    };
    let library = LimitLibrary::embedded();
    let limits = ["cispr32-b-mains-qp", "cispr32-b-mains-av"].map(|id| library.get(id).expect("built in"));
    let mut times = Vec::new();
    let mut sentence = String::new();
    let mut suspects = 0;
    for _ in 0..21 {
        let start = Instant::now();
        match judge(&trace, &limits, &JudgeOptions::default()) {
            Ok(verdict) => {
                times.push(start.elapsed().as_secs_f64() * 1e3);
                suspects = verdict.suspects.len();
                sentence = verdict.sentence;
            }
            Err(error) => {
                eprintln!("{error}");
                return;
            }
        }
    }
    times.sort_by(f64::total_cmp);
    println!("{n} points, 2 detectors, 2 limits: median {:.1} ms, least {:.1} ms", times[10], times[0]);
    println!("{suspects} suspects. {sentence}");
}
