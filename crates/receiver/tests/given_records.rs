//! Levels of described records against those of an independent exact receiver (see `tests/data/README.md`).

mod common;

use common::{Samples, make, measure};
use receiver::{Settings, Start};
use serde_json::Value;
use standards::Detector;

/// Largest difference on any detector, dB.
const TOLERANCE_DB: f64 = 0.05;

fn check(name: &str) {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data");
    let read = |file: String| -> Value {
        serde_json::from_str(&std::fs::read_to_string(format!("{folder}/{file}")).unwrap()).unwrap()
    };
    let all = read("records.json".into());
    let record = all["records"].as_array().unwrap().iter().find(|r| r["name"] == name).unwrap();
    let expected = read(format!("expected/{name}.json"));
    let x = make(record);
    let mut failures = Vec::new();
    for start in [Start::Rest, Start::Settled] {
        let mut settings =
            Settings::new(record["band"].as_str().unwrap().parse().unwrap(), record["rate_hz"].as_f64().unwrap());
        settings.from_hz = record["from_hz"].as_f64();
        settings.to_hz = record["to_hz"].as_f64();
        settings.step_hz = record["step_hz"].as_f64();
        settings.start = Some(start);
        let levels = measure(Samples::F32(x.clone()), &settings).unwrap();
        let mut worst = [0.0_f64; 4];
        for row in expected["rows"].as_array().unwrap() {
            let f = row["frequency_hz"].as_f64().unwrap();
            let k = levels.frequency_hz.iter().position(|g| (g - f).abs() < 1e-3).unwrap();
            for (d, worst) in Detector::ALL.into_iter().zip(&mut worst) {
                let key = if start == Start::Rest { "rest" } else { "settled" };
                let want = row[key][format!("{}_dbuv", d.key())].as_f64().unwrap();
                let got = levels.reading(d).unwrap().level_dbuv[k];
                if (got - want).abs() > worst.abs() {
                    *worst = got - want;
                }
                if (got - want).abs() > TOLERANCE_DB {
                    failures.push(format!("{start:?} {f} Hz {d}: {got:.4} dBµV, expected {want:.4}"));
                }
            }
        }
        println!("{name} {start:?}: worst {worst:+.4?} dB");
    }
    assert!(failures.is_empty(), "{name}:\n{}", failures.join("\n"));
}

#[test]
fn band_a_mixture() {
    check("a-mixture");
}

#[test]
fn band_b_sines() {
    check("b-sines");
}

#[test]
fn band_b_pulses_100_hz() {
    check("b-pulses-100hz");
}

#[test]
fn band_b_pulses_10_hz() {
    check("b-pulses-10hz");
}

#[test]
fn band_b_noise() {
    check("b-noise");
}

#[test]
fn band_b_unsteady() {
    check("b-unsteady");
}

#[test]
fn band_c_mixture() {
    check("c-mixture");
}
