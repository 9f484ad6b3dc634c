//! Chains: corrections, units, gaps.

use emission::{
    Applied, Chain, ChainElement, ChainError, Column, Correction, ElementKind, Trace, TraceError, max_hold,
};
use quantity::{AtStep, Interpolation, LogTable, Unit};
use standards::Detector;

fn trace(points: &[(f64, f64)], unit: Unit) -> Trace {
    Trace {
        frequency_hz: points.iter().map(|p| p.0).collect(),
        unit: Some(unit),
        columns: vec![Column {
            detector: Some(Detector::QuasiPeak),
            name: "reading".into(),
            level_db: points.iter().map(|p| p.1).collect(),
            lower_bound: Vec::new(),
            floor_db: Vec::new(),
        }],
        bandwidth_hz: None,
        impedance_ohm: None,
        history: vec!["read".into()],
    }
}

fn table(points: &[(f64, f64)]) -> Correction {
    Correction::TableDb(LogTable::new(points.to_vec(), Interpolation::LogFrequency, AtStep::Higher).unwrap())
}

fn element(name: &str, kind: ElementKind, correction: Correction) -> ChainElement {
    let (unit_in, unit_out) = kind.usual_units();
    ChainElement {
        name: name.into(),
        kind,
        correction,
        unit_in,
        unit_out,
        source: "certificate".into(),
        calibrated: None,
        due: None,
        note: None,
    }
}

fn chain(elements: Vec<ChainElement>) -> Chain {
    Chain { name: "bench".into(), elements, impedance_ohm: None }
}

fn field_chain() -> Chain {
    chain(vec![
        element("preamplifier", ElementKind::Preamplifier, Correction::ConstantDb(-20.0)),
        element("cable", ElementKind::Cable, table(&[(30e6, 1.0), (300e6, 3.0)])),
        element("dipole", ElementKind::Antenna, table(&[(30e6, -0.2), (300e6, 19.8)])),
    ])
}

/// E[dBµV/m] = U[dBµV] + AF[dB/m] + cable loss − amplifier gain (common practice). Free space, half-wave dipole,
/// G = 2.15 dBi: AF = 20·log f[MHz] − G − 29.77 (from 9.73/(λ·√G), 50 Ω): −2.38 at 30 MHz, 17.6 at 300 MHz. Here the
/// factor is straight over log f, as the formula is, so the middle of the table is exact too.
#[test]
fn a_field_is_the_voltage_plus_factor_plus_loss_minus_gain() {
    let af = |mhz: f64| 20.0 * mhz.log10() - 2.15 - 29.77;
    let mut chain = field_chain();
    chain.elements[2].correction = table(&[(30e6, af(30.0)), (300e6, af(300.0))]);
    let middle = (30e6f64 * 300e6).sqrt();
    let Applied { trace, gaps } =
        chain.apply(&trace(&[(30e6, 40.0), (middle, 40.0), (300e6, 40.0)], Unit::DbUv)).unwrap();
    assert!(gaps.is_empty());
    assert_eq!(trace.unit, Some(Unit::DbUvPerM));
    let expected = [40.0 - 20.0 + 1.0 + af(30.0), 40.0 - 20.0 + 2.0 + af(middle / 1e6), 40.0 - 20.0 + 3.0 + af(300.0)];
    for (found, expected) in trace.columns[0].level_db.iter().zip(expected) {
        assert!((found - expected).abs() < 1e-9, "{found} {expected}");
    }
    assert_eq!(trace.history.len(), 4);
    assert!(trace.history[1].contains("preamplifier: -20.00 dB"), "{:?}", trace.history);
    assert!(trace.history[3].contains("dBµV to dBµV/m"), "{:?}", trace.history);
    assert!((chain.correction_at(middle).unwrap() - (-18.0 + af(middle / 1e6))).abs() < 1e-9);
}

#[test]
fn outside_an_elements_range_there_is_no_level_but_a_named_gap() {
    let points: Vec<(f64, f64)> = [10e6, 20e6, 29.9e6, 30e6, 100e6, 300e6, 301e6, 400e6].map(|f| (f, 40.0)).to_vec();
    let applied = field_chain().apply(&trace(&points, Unit::DbUv)).unwrap();
    let missing: Vec<bool> = applied.trace.columns[0].level_db.iter().map(|l| l.is_nan()).collect();
    assert_eq!(missing, [true, true, true, false, false, false, true, true]);
    let named: Vec<(f64, f64, &str)> = applied.gaps.iter().map(|g| (g.from_hz, g.to_hz, g.element.as_str())).collect();
    assert_eq!(
        named,
        [(10e6, 29.9e6, "cable"), (301e6, 400e6, "cable"), (10e6, 29.9e6, "dipole"), (301e6, 400e6, "dipole"),]
    );
    assert!(
        applied.trace.history.iter().any(|h| h == "no level from 10 MHz to 29.9 MHz: outside the range of `cable`")
    );
    assert_eq!(field_chain().range_hz(), Some((30e6, 300e6)));
    assert_eq!(field_chain().correction_at(10e6), None);
}

#[test]
fn units_that_do_not_meet_name_the_element() {
    let mut wrong = field_chain();
    wrong.elements.swap(1, 2);
    let error = wrong.apply(&trace(&[(50e6, 40.0)], Unit::DbUv)).unwrap_err();
    let said = error.to_string();
    assert!(matches!(error, ChainError::Unit { number: 3, .. }), "{said}");
    assert!(
        said.contains("`bench`") && said.contains("`cable`") && said.contains("takes dBµV but gets dBµV/m"),
        "{said}"
    );

    let error = field_chain().apply(&trace(&[(50e6, 40.0)], Unit::DbUvPerM)).unwrap_err().to_string();
    assert!(error.contains("`preamplifier`") && error.contains("antenna factor"), "{error}");

    let mut broken = field_chain();
    broken.elements[0].correction = Correction::ConstantDb(f64::NAN);
    assert!(matches!(broken.check(), Err(ChainError::NotFinite { number: 1, .. })));

    let mut unknown = trace(&[(50e6, 40.0)], Unit::DbUv);
    unknown.unit = None;
    assert!(field_chain().apply(&unknown).unwrap_err().to_string().contains("no unit"));
}

/// 1 mW in 50 Ω is 106.99 dBµV, in 75 Ω 108.75 dBµV (P = V²/R).
#[test]
fn power_becomes_voltage_in_the_traces_own_impedance() {
    let attenuator = chain(vec![element("pad", ElementKind::Attenuator, Correction::ConstantDb(10.0))]);
    let dbm = trace(&[(1e6, 0.0)], Unit::Dbm);
    let level = |t: &Trace| attenuator.apply(t).unwrap().trace;
    let volts = |r: f64| 20.0 * ((1e-3 * r).sqrt() / 1e-6).log10();
    let out = level(&dbm);
    assert!((out.columns[0].level_db[0] - (volts(50.0) + 10.0)).abs() < 1e-9);
    assert!(out.history.iter().any(|h| h.contains("dBm to dBµV in 50 Ω: +106.99 dB")), "{:?}", out.history);
    let in_75 = Trace { impedance_ohm: Some(75.0), ..dbm };
    assert!((level(&in_75).columns[0].level_db[0] - (volts(75.0) + 10.0)).abs() < 1e-9);
}

#[test]
fn an_empty_chain_changes_nothing() {
    let t = trace(&[(1e6, 40.0)], Unit::DbUv);
    assert_eq!(Chain::default().apply(&t).unwrap().trace, t);
}

#[test]
fn a_bad_trace_is_refused_by_name() {
    let good = trace(&[(1e6, 1.0), (2e6, 2.0)], Unit::DbUv);
    let with = |change: fn(&mut Trace)| {
        let mut t = good.clone();
        change(&mut t);
        t.validate().unwrap_err()
    };
    assert!(matches!(with(|t| t.frequency_hz[1] = 1e6), TraceError::NotRising { index: 2, .. }));
    assert!(matches!(with(|t| t.frequency_hz[0] = f64::NAN), TraceError::NotRising { index: 1, .. }));
    assert!(matches!(with(|t| t.columns[0].level_db.truncate(1)), TraceError::Length { found: 1, expected: 2, .. }));
    assert!(matches!(with(|t| t.columns[0].lower_bound.push(true)), TraceError::Length { .. }));
    assert!(matches!(with(|t| t.columns[0].level_db[1] = f64::INFINITY), TraceError::NotFinite { index: 2, .. }));
    assert!(matches!(with(|t| t.columns.push(t.columns[0].clone())), TraceError::TwoColumns { .. }));
    assert!(matches!(with(|t| t.columns.clear()), TraceError::Empty { .. }));
}

#[test]
fn the_highest_of_several_traces() {
    let a = trace(&[(1e6, 10.0), (2e6, f64::NAN), (3e6, 30.0)], Unit::DbUv);
    let b = trace(&[(1e6, 12.0), (2e6, 5.0), (3e6, 20.0)], Unit::DbUv);
    let held = max_hold(&[&a, &b]).unwrap();
    assert_eq!(held.columns[0].level_db, [12.0, 5.0, 30.0]);
    // Neighbouring ranges join.
    let c = trace(&[(4e6, 1.0), (5e6, 2.0)], Unit::DbUv);
    let joined = max_hold(&[&held, &c]).unwrap();
    assert_eq!(joined.frequency_hz, [1e6, 2e6, 3e6, 4e6, 5e6]);
    assert_eq!(joined.columns[0].level_db, [12.0, 5.0, 30.0, 1.0, 2.0]);
    // Another grid in an overlap, or another unit, is refused.
    let d = trace(&[(1.5e6, 1.0), (2.5e6, 2.0)], Unit::DbUv);
    assert!(matches!(max_hold(&[&a, &d]), Err(TraceError::DifferentFrequencies { number: 2, .. })));
    assert!(matches!(max_hold(&[&a, &trace(&[(1e6, 1.0)], Unit::Dbm)]), Err(TraceError::DifferentUnits { .. })));
    assert!(max_hold(&[]).is_err());
    // Either being a lower bound makes the result one.
    let mut short = b.clone();
    short.columns[0].lower_bound = vec![false, true, true];
    assert_eq!(max_hold(&[&a, &short]).unwrap().columns[0].lower_bound, [false, true, true]);
}

#[test]
fn the_difference_of_two_traces() {
    let a = trace(&[(1e6, 10.0), (2e6, 20.0)], Unit::DbUv);
    let b = trace(&[(1e6, 12.0), (2e6, 5.0)], Unit::DbUv);
    assert_eq!(a.difference(&b, Detector::QuasiPeak).unwrap(), [-2.0, 15.0]);
    assert!(matches!(a.difference(&b, Detector::Peak), Err(TraceError::NoColumn { number: 1, .. })));
    let longer = trace(&[(1e6, 12.0), (2e6, 5.0), (3e6, 5.0)], Unit::DbUv);
    assert!(matches!(
        a.difference(&longer, Detector::QuasiPeak),
        Err(TraceError::DifferentFrequencies { number: 2, frequency_hz: 3e6 })
    ));
}

#[test]
fn a_gap_survives_json() {
    let t = trace(&[(1e6, 10.0), (2e6, f64::NAN)], Unit::DbUv);
    let text = serde_json::to_string(&t).unwrap();
    assert!(text.contains("[10.0,null]"), "{text}");
    let back: Trace = serde_json::from_str(&text).unwrap();
    assert!(back.columns[0].level_db[1].is_nan() && back.columns[0].level_db[0] == 10.0);
}
