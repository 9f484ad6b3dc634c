//! Voltage change and flicker from the current alone, against phasors and against the voltage itself.

use std::f64::consts::{SQRT_2, TAU};

use mains::flicker::{FlickerReading, Lamp};
use mains::line_drop::{CurrentFlicker, LineDropSettings, PhaseSource};
use mains::record::Mains;
use mains::voltage_change::{ChangeReading, Impedance};

const RATE: f64 = 10_000.0;

fn settings(phase: PhaseSource) -> LineDropSettings {
    LineDropSettings { rate_hz: RATE, mains: Mains::Hz50, nominal_v: 230.0, impedance: Impedance::reference(), phase }
}

fn run(
    phase: PhaseSource,
    seconds: f64,
    current: impl Fn(f64) -> f64,
    voltage: impl Fn(f64) -> f64,
) -> (FlickerReading, ChangeReading) {
    let mut meter = CurrentFlicker::new(&settings(phase), Lamp::V230, 3.3).unwrap();
    let n = (seconds * RATE) as usize;
    let i: Vec<f64> = (0..n).map(|k| current(k as f64 / RATE)).collect();
    let u: Vec<f64> = (0..n).map(|k| voltage(k as f64 / RATE)).collect();
    for (i, u) in i.chunks(4321).zip(u.chunks(4321)) {
        meter.push(i, if phase == PhaseSource::Voltage { u } else { &[] }).unwrap();
    }
    meter.finish().unwrap()
}

/// Exact phasors with I = P / (U cos φ) on 0.4 + j0.25 ohm behind 230 V.
#[test]
fn steps_of_load_are_those_of_the_phasors() {
    for (power_w, cos, expected) in
        [(1000.0, 1.0, 0.7550), (2000.0, 1.0, 1.5078), (2000.0, 0.8, 2.2210), (3680.0, 1.0, 2.7671)]
    {
        let lag = f64::acos(cos);
        let amplitude = SQRT_2 * power_w / 230.0 / cos;
        for (f, phase_v) in [(50.0, 0.0), (49.87, 1.3)] {
            let load =
                |t: f64| if (3.0..8.0).contains(&t) { amplitude * (TAU * f * t + phase_v - lag).sin() } else { 0.0 };
            let with_voltage = run(PhaseSource::Voltage, 12.0, load, |t| {
                // A distorted, sagging voltage only lends its phase.
                let w = TAU * f * t + phase_v;
                300.0 * (w.sin() + 0.04 * (5.0 * w).sin())
            });
            let alone = run(PhaseSource::Current { lag_deg: lag.to_degrees() }, 12.0, load, |_| 0.0);
            for (what, (_, r)) in [("voltage", with_voltage), ("current", alone)] {
                println!("{power_w} W, cos {cos}, phase of the {what}: dc {:.4} %, expected {expected}", r.dc_percent);
                // A change of the frequency moves the reactance with it: 0.26 % of j0.25 ohm at most.
                assert!((r.dc_percent - expected).abs() < 0.003, "{what} {f}: {}", r.dc_percent);
                assert_eq!((r.changes_seen, r.steady_states), (2, 3));
            }
        }
    }
}

/// A load that is off for most of the time, on a mains that is not at its nominal frequency: no flicker comes from the
/// supply finding its phase again.
#[test]
fn pauses_add_no_flicker() {
    let f = 50.037;
    let amplitude = SQRT_2 * 1000.0 / 230.0;
    let load = |t: f64| if t % 20.0 >= 16.0 { amplitude * (TAU * f * t + 0.4).sin() } else { 0.0 };
    let (alone, change) = run(PhaseSource::Current { lag_deg: 0.0 }, 120.0, load, |_| 0.0);
    let (known, _) = run(PhaseSource::Voltage, 120.0, load, |t| 325.0 * (TAU * f * t + 0.4).sin());
    println!("Pst {:.4} alone, {:.4} with the voltage; dc {:.4} %", alone.pst, known.pst, change.dc_percent);
    assert!((alone.pst / known.pst - 1.0).abs() < 0.02, "{} {}", alone.pst, known.pst);
    assert!((change.dc_percent - 0.755).abs() < 0.005);
}

/// The same change as voltage and as current: the flickermeter reads the same.
#[test]
fn nothing_flows_nothing_flickers() {
    let (flicker, change) =
        run(PhaseSource::Current { lag_deg: 0.0 }, 10.0, |t| 0.001 * (TAU * 50.3 * t).sin(), |_| 0.0);
    assert!(flicker.pinst_max < 1e-3 && change.dmax_percent < 1e-3, "{} {}", flicker.pinst_max, change.dmax_percent);
}
