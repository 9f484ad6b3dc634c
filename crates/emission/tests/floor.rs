//! Levels that are not told apart from the record's own noise: 6 dB is the usual demand on ambient and own noise (common
//! practice). Limit: CISPR 32 class B mains, quasi-peak, from the built-in library (66 to 56, 56, 60 dBµV).

use emission::{Chain, ChainElement, Column, Correction, Decision, ElementKind, JudgeOptions, Trace, judge, max_hold};
use quantity::Unit;
use standards::{Detector, LimitLibrary};

fn trace(level_db: f64, floor_db: f64) -> Trace {
    let frequency_hz: Vec<f64> = (0..6634).map(|k| 150e3 + 4500.0 * f64::from(k)).collect();
    let n = frequency_hz.len();
    Trace {
        frequency_hz,
        unit: Some(Unit::DbUv),
        columns: vec![Column {
            detector: Some(Detector::QuasiPeak),
            name: "quasi-peak".into(),
            level_db: vec![level_db; n],
            lower_bound: Vec::new(),
            floor_db: vec![floor_db; n],
        }],
        bandwidth_hz: Some(9e3),
        impedance_ohm: Some(50.0),
        history: Vec::new(),
    }
}

fn judged(trace: &Trace) -> emission::Verdict {
    let limit = LimitLibrary::embedded().get("cispr32-b-mains-qp").unwrap();
    judge(trace, &[limit], &JudgeOptions::default()).unwrap()
}

#[test]
fn an_excess_that_may_be_noise_settles_nothing_and_one_well_above_it_fails() {
    let maybe = judged(&trace(70.0, 65.0));
    assert_eq!(maybe.decision, Decision::Inconclusive);
    assert!(maybe.suspects[0].remark.as_ref().unwrap().contains("own noise"), "{:?}", maybe.suspects[0].remark);
    assert!(maybe.suspects[0].levels[0].not_resolved);
    assert!(maybe.still_to_measure.iter().any(|s| s.reason.contains("own noise")));
    assert_eq!(judged(&trace(71.1, 65.0)).decision, Decision::Fail);
    // Where no floor is known nothing changes.
    let mut unknown = trace(70.0, 65.0);
    unknown.columns[0].floor_db.clear();
    assert_eq!(judged(&unknown).decision, Decision::Fail);
    unknown.columns[0].floor_db = vec![f64::NAN; unknown.frequency_hz.len()];
    assert_eq!(judged(&unknown).decision, Decision::Fail);
}

#[test]
fn a_pass_on_what_is_not_resolved_is_said() {
    let pass = judged(&trace(40.0, 35.0));
    assert_eq!(pass.decision, Decision::Pass);
    let note = pass.notes.iter().find(|n| n.contains("own noise")).unwrap();
    assert!(note.contains("at 6634 of 6634 frequencies"), "{note}");
    let clear = judged(&trace(42.0, 35.0));
    assert!(clear.notes.iter().all(|n| !n.contains("own noise")), "{:?}", clear.notes);
}

/// The floor is seen through the same chain as the levels.
#[test]
fn a_chain_moves_the_floor_with_the_levels() {
    let chain = Chain {
        elements: vec![ChainElement {
            name: "attenuator".into(),
            kind: ElementKind::Attenuator,
            correction: Correction::ConstantDb(20.0),
            unit_in: Unit::DbUv,
            unit_out: Unit::DbUv,
            source: String::new(),
            calibrated: None,
            due: None,
            note: None,
        }],
        ..Chain::default()
    };
    let seen = chain.apply(&trace(40.0, 35.0)).unwrap().trace;
    assert_eq!((seen.columns[0].level_db[9], seen.columns[0].floor_db[9]), (60.0, 55.0));
    assert!(seen.columns[0].not_resolved(9));
}

#[test]
fn the_higher_of_two_traces_keeps_its_own_floor() {
    let held = max_hold(&[&trace(40.0, 35.0), &trace(45.0, 10.0)]).unwrap();
    assert_eq!((held.columns[0].level_db[0], held.columns[0].floor_db[0]), (45.0, 10.0));
}
