//! Laws any judgement obeys, on random traces.

use emission::{Column, Decision, JudgeOptions, Trace, judge};
use proptest::prelude::*;
use quantity::Unit;
use standards::{Detector, Limit, LimitLibrary};

const POINTS: usize = 120;

fn rank(decision: Decision) -> u8 {
    match decision {
        Decision::Fail => 0,
        Decision::Inconclusive => 1,
        Decision::Pass => 2,
    }
}

fn trace(levels: [&[f64]; 2], short: bool) -> Trace {
    let frequency_hz = (0..POINTS).map(|k| 150e3 * (200f64).powf(k as f64 / (POINTS - 1) as f64)).collect();
    let column = |detector: Detector, level_db: &[f64]| Column {
        detector: Some(detector),
        name: detector.key().into(),
        level_db: level_db.to_vec(),
        lower_bound: vec![short; POINTS],
        floor_db: Vec::new(),
    };
    Trace {
        frequency_hz,
        unit: Some(Unit::DbUv),
        columns: vec![column(Detector::QuasiPeak, levels[0]), column(Detector::CisprAverage, levels[1])],
        bandwidth_hz: Some(9e3),
        impedance_ohm: None,
        history: Vec::new(),
    }
}

fn limits() -> Vec<&'static Limit> {
    ["cispr32-b-mains-qp", "cispr32-b-mains-av", "cispr32-a-mains-qp", "cispr14-mains-av", "cispr15-mains-qp"]
        .map(|id| LimitLibrary::embedded().get(id).unwrap())
        .to_vec()
}

fn levels() -> impl Strategy<Value = Vec<f64>> {
    proptest::collection::vec(prop_oneof![20.0..50.0f64, 40.0..70.0f64], POINTS)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn raising_a_level_never_raises_a_margin_nor_improves_the_verdict(
        qp in levels(), av in levels(), at in 0..POINTS, which in 0..2usize, by in 0.0..30.0f64, short: bool,
    ) {
        let options = JudgeOptions::default();
        let before = judge(&trace([&qp, &av], short), &limits(), &options).unwrap();
        let (mut qp, mut av) = (qp, av);
        if which == 0 { qp[at] += by } else { av[at] += by }
        let after = judge(&trace([&qp, &av], short), &limits(), &options).unwrap();
        for (a, b) in before.limits.iter().zip(&after.limits) {
            for (x, y) in a.margin_db.iter().zip(&b.margin_db) {
                prop_assert!((x.is_nan() && y.is_nan()) || y <= x);
            }
        }
        prop_assert!(after.worst_margin_db <= before.worst_margin_db);
        prop_assert!(rank(after.decision) <= rank(before.decision));
    }

    #[test]
    fn a_further_limit_never_improves_the_verdict(qp in levels(), av in levels(), order in Just(limits()).prop_shuffle(), short: bool) {
        let t = trace([&qp, &av], short);
        let mut before: Option<emission::Verdict> = None;
        for n in 1..=order.len() {
            let now = judge(&t, &order[..n], &JudgeOptions::default()).unwrap();
            if let Some(before) = before {
                prop_assert!(rank(now.decision) <= rank(before.decision));
                prop_assert!(now.worst_margin_db <= before.worst_margin_db);
                prop_assert!(now.probability <= before.probability + 1e-9);
            }
            before = Some(now);
        }
    }

    #[test]
    fn every_excess_lies_in_a_suspect_and_suspects_are_sorted(qp in levels(), av in levels()) {
        let options = JudgeOptions { max_suspects: POINTS, within_db: 200.0, ..JudgeOptions::default() };
        let v = judge(&trace([&qp, &av], false), &limits(), &options).unwrap();
        prop_assert!(v.suspects.windows(2).all(|w| w[0].margin_db <= w[1].margin_db));
        prop_assert_eq!(v.suspects[0].margin_db, v.worst_margin_db);
        let over = v.limits.iter().any(|l| l.points_over > 0);
        prop_assert_eq!(over, v.suspects.iter().any(|s| s.decision == Decision::Fail));
        prop_assert!((0.0..=1.0).contains(&v.probability));
        for s in &v.suspects {
            prop_assert!(s.from_hz <= s.frequency_hz && s.frequency_hz <= s.to_hz);
        }
    }
}
