//! Modes of conductors against phasor arithmetic: whatever the phases, no bound is broken, and each is reached.

use emission::conductors::{bounds_db, hold, leakage_db, mode_bands, modes};
use emission::random::Random;
use emission::{Column, Trace};
use num_complex::Complex64;
use quantity::Unit;
use standards::Detector;

fn names(list: &[&str]) -> Vec<String> {
    list.iter().map(|s| (*s).to_owned()).collect()
}

fn trace(levels: &[f64]) -> Trace {
    Trace {
        frequency_hz: (1..=levels.len()).map(|i| i as f64 * 1e6).collect(),
        unit: Some(Unit::DbUv),
        columns: vec![Column {
            detector: Some(Detector::Peak),
            name: "peak".into(),
            level_db: levels.to_vec(),
            lower_bound: Vec::new(),
            floor_db: Vec::new(),
        }],
        ..Trace::default()
    }
}

fn db(v: f64) -> f64 {
    20.0 * v.log10()
}

/// Zero sequence of symmetrical components (Fortescue, AIEE Trans. 37, 1918): the mean of a balanced set is nothing, and
/// every conductor's voltage is all differential; three equal phasors are all common.
#[test]
fn balanced_and_equal_sets() {
    let m = modes(&names(&["L1", "L2", "L3"])).unwrap();
    assert_eq!(
        m.iter().map(|c| c.key.as_str()).collect::<Vec<_>>(),
        ["common-mode", "differential-mode-L1", "differential-mode-L2", "differential-mode-L3"]
    );
    let balanced: Vec<Complex64> =
        (0..3).map(|i| Complex64::from_polar(1000.0, f64::from(i) * std::f64::consts::TAU / 3.0)).collect();
    let value = |w: &[f64], v: &[Complex64]| w.iter().zip(v).map(|(w, v)| w * v).sum::<Complex64>().norm();
    assert!(value(&m[0].weights, &balanced) < 1e-9);
    for one in &m[1..] {
        assert!((value(&one.weights, &balanced) - 1000.0).abs() < 1e-9);
    }
    let equal = vec![Complex64::new(7.0, -2.0); 3];
    assert!((value(&m[0].weights, &equal) - equal[0].norm()).abs() < 1e-12);
    assert!(m[1..].iter().all(|c| value(&c.weights, &equal) < 1e-12));
}

/// Common plus differential is the conductor again; two conductors in the convention (L ± N)/2.
#[test]
fn two_conductors() {
    let m = modes(&names(&["L", "N"])).unwrap();
    assert_eq!((m[0].weights.as_slice(), m[1].weights.as_slice()), (&[0.5, 0.5][..], &[0.5, -0.5][..]));
    assert_eq!(m.len(), 2);
    assert!(modes(&names(&["L"])).is_err() && modes(&names(&["L", "L"])).is_err());
}

/// Triangle inequality: 20 000 random phasors of two to four conductors stay inside; the worst phases reach both ends.
#[test]
fn no_phase_breaks_the_bounds_and_some_reach_them() {
    let mut random = Random::new(5);
    for list in [&["L", "N"][..], &["L1", "L2", "L3"], &["L1", "L2", "L3", "N"]] {
        let m = modes(&names(list)).unwrap();
        for _ in 0..7000 {
            let v: Vec<Complex64> = list
                .iter()
                .map(|_| {
                    Complex64::from_polar(random.log_between(1.0, 1000.0), random.between(0.0, std::f64::consts::TAU))
                })
                .collect();
            let levels: Vec<f64> = v.iter().map(|v| db(v.norm())).collect();
            for c in &m {
                let (least, most) = bounds_db(&levels, &c.weights);
                let true_db = db(c.weights.iter().zip(&v).map(|(w, v)| w * v).sum::<Complex64>().norm());
                assert!(
                    true_db <= most + 1e-9 && true_db >= least - 1e-9,
                    "{list:?} {}: {least} {true_db} {most}",
                    c.name
                );
            }
        }
    }
    // 60 and 54 dBµV by hand: 1000 and 501.2 µV, so 249.4 and 750.6 µV.
    let (least, most) = bounds_db(&[60.0, 54.0], &[0.5, -0.5]);
    assert!((least - 47.94).abs() < 0.01 && (most - 57.51).abs() < 0.01);
    assert_eq!(bounds_db(&[60.0, 60.0], &[0.5, 0.5]).0, f64::NEG_INFINITY);
}

#[test]
fn sweeps_of_conductors_give_bands_and_gaps_stay_gaps() {
    let (l, n) = (trace(&[60.0, 40.0, f64::NAN]), trace(&[54.0, 40.0, 30.0]));
    let bands = mode_bands(&names(&["L", "N"]), &[&l, &n]).unwrap();
    assert_eq!(bands.len(), 2);
    assert!((bands[0].most_db[0] - 57.51).abs() < 0.01 && (bands[1].least_db[0] - 47.94).abs() < 0.01);
    assert!((bands[0].most_db[1] - 40.0).abs() < 1e-9 && bands[0].least_db[1] == f64::NEG_INFINITY);
    assert!(bands[0].most_db[2].is_nan() && bands[0].least_db[2].is_nan());
    let mut other = n.clone();
    other.frequency_hz[1] += 1e4;
    let error = mode_bands(&names(&["L1", "L2", "N"]), &[&l, &n, &other]).unwrap_err().to_string();
    assert!(error.starts_with("trace 3 has"), "{error}");
}

#[test]
fn the_highest_conductor_is_named() {
    let (l, n, pe) = (trace(&[60.0, 40.0, f64::NAN]), trace(&[54.0, 41.0, f64::NAN]), trace(&[60.0, 30.0, f64::NAN]));
    let held = hold(&[&l, &n, &pe]).unwrap();
    assert_eq!(held.from[0], [Some(0), Some(1), None]);
    assert_eq!(held.source(Detector::Peak, 1), Some(1));
    assert_eq!(held.trace.columns[0].level_db[1], 41.0);
    // Neighbouring ranges join.
    let mut up = trace(&[10.0, 20.0]);
    up.frequency_hz = vec![5e6, 6e6];
    let held = hold(&[&l, &up]).unwrap();
    assert_eq!(held.from[0], [Some(0), Some(0), None, Some(1), Some(1)]);
}

/// One channel of n that stands apart by ε shows common mode as (n − 1)/n·ε of its own differential mode and at most ε/n in
/// the others; checked with phasors.
#[test]
fn the_leak_of_one_channel_among_several() {
    for n in 2..=4_usize {
        let turn = Complex64::from_polar(1.02, -0.03);
        let v: Vec<Complex64> = (0..n).map(|i| if i == 0 { turn } else { Complex64::new(1.0, 0.0) }).collect();
        let mean = v.iter().sum::<Complex64>() / n as f64;
        let worst = v.iter().map(|v| (v - mean).norm()).fold(0.0, f64::max);
        let two = db((turn - 1.0).norm() / 2.0);
        assert!((db(worst) - leakage_db(two, n)).abs() < 1e-9);
    }
}
