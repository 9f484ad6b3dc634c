//! d(t) and its measures against profiles with known answers.

use std::f64::consts::{SQRT_2, TAU};

use mains::flicker::{FlickerMeter, FlickerSettings, Lamp, Reference};
use mains::record::Mains;
use mains::voltage_change::{
    ChangeMeter, ChangeReading, ChangeSettings, HalfCycle, Shape, VoltageChangeMeter, estimate_pst, shape_factor,
    shapes_of,
};

const SETTINGS: ChangeSettings = ChangeSettings { mains: Mains::Hz50, nominal_v: 230.0, tmax_threshold_percent: 3.3 };

/// From half-cycle values: deviation in % and for how long.
fn values(profile: &[(f64, f64)]) -> ChangeReading {
    let mut meter = ChangeMeter::new(&SETTINGS).unwrap();
    let mut k = 0;
    for (percent, seconds) in profile {
        for _ in 0..(seconds * 100.0).round() as usize {
            meter.push(&HalfCycle {
                time_s: (f64::from(k) + 0.5) * 0.01,
                rms_v: 230.0 * (1.0 + percent / 100.0),
                frequency_hz: 50.0,
            });
            k += 1;
        }
    }
    meter.finish().unwrap()
}

/// From samples: the same profile on a carrier, each change at a zero crossing.
fn samples(rate_hz: f64, phase: f64, profile: &[(f64, f64)]) -> ChangeReading {
    let mut meter = VoltageChangeMeter::new(rate_hz, &SETTINGS).unwrap();
    let seconds: f64 = profile.iter().map(|p| p.1).sum();
    let u: Vec<f64> = (0..(seconds * rate_hz) as usize)
        .map(|n| {
            let t = n as f64 / rate_hz;
            let mut end = 0.0;
            let percent = profile.iter().find(|p| {
                end += p.1;
                t < end - 1e-9
            });
            SQRT_2 * 230.0 * (1.0 + percent.map_or(0.0, |p| p.0) / 100.0) * (TAU * 50.0 * t + phase).sin()
        })
        .collect();
    for piece in u.chunks(9973) {
        meter.push(piece);
    }
    meter.finish().unwrap()
}

/// A step of 5 % for 0.3 s, of 4 % for 0.4 s, of 2 % for 9.3 s: dc 2 %, dmax 5 %, Tmax 0.7 s.
const DEMANDING: [(f64, f64); 5] = [(0.0, 3.0), (-5.0, 0.3), (-4.0, 0.4), (-2.0, 9.3), (0.0, 3.0)];

#[test]
fn a_change_with_overshoot() {
    let r = values(&DEMANDING);
    assert!((r.dc_percent - 2.0).abs() < 1e-9 && (r.dmax_percent - 5.0).abs() < 1e-9, "{r:?}");
    assert!((r.tmax_s - 0.7).abs() < 1e-9 && r.steady_states == 3 && r.changes_seen == 2);
    assert!((r.changes[0].start_s - 3.005).abs() < 1e-6 && (r.changes[0].end_s - 3.705).abs() < 0.011);
    for (rate_hz, phase) in [(2000.0, 0.0), (20_000.0, 0.0), (20_000.0, 1.0)] {
        let r = samples(rate_hz, phase, &DEMANDING);
        println!("{rate_hz} S/s: dc {:.4} dmax {:.4} Tmax {:.3}", r.dc_percent, r.dmax_percent, r.tmax_s);
        assert!((r.dc_percent - 2.0).abs() < 0.01 && (r.dmax_percent - 5.0).abs() < 0.02, "{rate_hz}");
        assert!((r.tmax_s - 0.7).abs() < 0.011, "{}", r.tmax_s);
    }
}

#[test]
fn drift_is_no_change_and_a_ramp_is_one() {
    // 3 % over 60 s: never more than 0.05 % within a second.
    let slow: Vec<(f64, f64)> = (0..6000).map(|k| (-3.0 * f64::from(k) / 6000.0, 0.01)).collect();
    let r = values(&slow);
    assert!(r.changes_seen == 0 && r.dc_percent == 0.0 && r.dmax_percent == 0.0, "{r:?}");
    // 3 % over one second.
    let mut fast = vec![(0.0, 2.0)];
    fast.extend((0..100).map(|k| (-3.0 * f64::from(k) / 100.0, 0.01)));
    fast.push((-3.0, 3.0));
    let r = values(&fast);
    assert!(r.changes_seen == 1 && (r.dc_percent - 3.0).abs() < 0.2, "{r:?}");
    let shape = shapes_of(&r.changes);
    assert!(shape[0].shape == Shape::Ramp && (shape[0].duration_s - 1.0).abs() < 0.12, "{shape:?}");
}

/// The edge of the tolerance: ±0.19 % stays steady, ±0.21 % does not.
#[test]
fn steadiness_has_its_edge_at_a_fifth_of_a_percent() {
    let wobble = |p: f64| -> Vec<(f64, f64)> { (0..500).map(|k| (if k % 2 == 0 { p } else { -p }, 0.01)).collect() };
    assert_eq!(values(&wobble(0.19)).steady_states, 1);
    let r = values(&wobble(0.21));
    assert_eq!(r.steady_states, 0);
    assert!((r.dmax_percent - 0.42).abs() < 1e-9 && r.dc_percent == 0.0);
}

/// Time above the threshold is counted change by change, not in all.
#[test]
fn time_above_the_threshold_is_that_of_one_change() {
    let pulse = [(0.0, 2.0), (-3.5, 0.3), (0.0, 2.0), (-3.5, 0.4), (0.0, 2.0)];
    let r = values(&pulse);
    assert!((r.tmax_s - 0.4).abs() < 1e-9 && r.changes_seen == 2, "{r:?}");
    // Never steady again before the record ends: all of it counts.
    let r = values(&[(0.0, 2.0), (-3.5, 0.3), (-3.8, 0.3), (-3.4, 0.2)]);
    assert!((r.tmax_s - 0.8).abs() < 1e-9 && r.changes[0].dc_percent.is_none());
    // A new steady state beyond the threshold is dc, not time.
    let r = values(&[(0.0, 2.0), (-5.0, 5.0)]);
    assert!(r.tmax_s == 0.0 && (r.dc_percent - 5.0).abs() < 1e-9);
}

/// The estimate by shape factors beside the flickermeter: within 10 % where the changes are apart.
#[test]
fn the_estimate_agrees_with_the_flickermeter() {
    let rate_hz = 4000.0;
    type Form = fn(f64) -> f64;
    let forms: [(Shape, f64, Form); 5] = [
        (Shape::Ramp, 0.2, |t| (t / 0.2).min(1.0)),
        (Shape::Ramp, 1.0, |t| t.min(1.0)),
        (Shape::Rectangle, 0.1, |t| f64::from(t < 0.1)),
        (Shape::Rectangle, 1.0, |t| f64::from(t < 1.0)),
        (Shape::Triangle, 0.5, |t| (1.0 - (t - 0.25).abs() / 0.25).max(0.0)),
    ];
    for (shape, duration_s, form) in forms {
        let mut meter = FlickerMeter::new(&FlickerSettings {
            reference: Reference::FixedV(230.0),
            ..FlickerSettings::new(rate_hz, Mains::Hz50, Lamp::V230)
        })
        .unwrap();
        let u: Vec<f64> = (0..(600.0 * rate_hz) as usize)
            .map(|n| {
                let t = n as f64 / rate_hz;
                let event = (t - 15.0) / 30.0;
                // 20 events; of those that stay, every second goes back.
                let d = if event < 0.0 {
                    0.0
                } else {
                    let within = form((t - 15.0).rem_euclid(30.0));
                    match shape {
                        Shape::Ramp if event.floor() as i64 % 2 == 1 => 1.0 - within,
                        _ => within,
                    }
                };
                SQRT_2 * 230.0 * (1.0 - d / 100.0) * (TAU * 50.0 * t).sin()
            })
            .collect();
        meter.push(&u).unwrap();
        let measured = meter.finish().unwrap().pst;
        let estimate = estimate_pst(std::iter::repeat_n(shape_factor(shape, duration_s), 20), 600.0);
        println!("{shape:?} {duration_s} s: measured {measured:.4}, estimate {estimate:.4}");
        assert!((estimate / measured - 1.0).abs() < 0.10, "{shape:?} {duration_s}: {measured} {estimate}");
    }
}
