//! Verdicts on traces small enough to be judged by hand. Limits: CISPR 32 class B mains (66 to 56, 56, 60 dBµV
//! quasi-peak, 10 dB less average), from the built-in library.

use emission::{Column, Decision, JudgeError, JudgeOptions, ProbabilityBound, Trace, Verdict, judge};
use quantity::Unit;
use standards::{Detector, Limit, LimitLibrary, MeasurementKind};

use Detector::{CisprAverage, Peak, QuasiPeak};

fn limit(id: &str) -> &'static Limit {
    LimitLibrary::embedded().get(id).unwrap()
}
fn quasi_peak() -> &'static Limit {
    limit("cispr32-b-mains-qp")
}
fn average() -> &'static Limit {
    limit("cispr32-b-mains-av")
}

fn steps(step_hz: f64) -> Vec<f64> {
    let count = (29.85e6 / step_hz) as usize;
    (0..=count).map(|k| 150e3 + step_hz * k as f64).collect()
}

/// 150 kHz to 30 MHz in half-bandwidth steps.
fn grid() -> Vec<f64> {
    steps(4500.0)
}

/// A receiver's picture of sines: a Gaussian filter of 9 kHz at −6 dB over a floor.
fn sines(floor_db: f64, sines: &[(f64, f64)]) -> Vec<f64> {
    let filter = |f: f64, at: f64| -6.02 * ((f - at) / 4500.0).powi(2);
    grid()
        .into_iter()
        .map(|f| sines.iter().map(|(at, level)| level + filter(f, *at)).fold(floor_db, f64::max))
        .collect()
}

fn trace(columns: &[(Detector, Vec<f64>)]) -> Trace {
    Trace {
        frequency_hz: grid(),
        unit: Some(Unit::DbUv),
        columns: columns
            .iter()
            .map(|(detector, level_db)| Column {
                detector: Some(*detector),
                name: detector.key().into(),
                level_db: level_db.clone(),
                lower_bound: Vec::new(),
                floor_db: Vec::new(),
            })
            .collect(),
        bandwidth_hz: Some(9e3),
        impedance_ohm: Some(50.0),
        history: Vec::new(),
    }
}

fn at(hz: f64) -> f64 {
    150e3 + 4500.0 * ((hz - 150e3) / 4500.0).round()
}

fn run(trace: &Trace, limits: &[&Limit]) -> Verdict {
    judge(trace, limits, &JudgeOptions::default()).unwrap()
}

/// 55.9 dBµV at 12.4 MHz under 60 dBµV: 4.1 dB; with U = 3.4 dB, u = 1.7 dB, Φ(4.1/1.7) = 0.9921 (normal table: Φ(2.41) =
/// 0.9920).
#[test]
fn one_emission_with_room() {
    let f = at(12.4e6);
    let v = run(&trace(&[(QuasiPeak, sines(10.0, &[(f, 55.9)]))]), &[quasi_peak()]);
    assert_eq!(v.decision, Decision::Pass);
    assert!((v.worst_margin_db - 4.1).abs() < 1e-9);
    assert_eq!(v.worst_frequency_hz, f);
    assert!((v.probability - 0.9920).abs() < 3e-4, "{}", v.probability);
    assert_eq!(v.probability_bound, ProbabilityBound::Estimate);
    assert_eq!(v.sentence, "Passes with 4.1 dB in hand at 12.4 MHz; 99 % likely to pass at the laboratory");
    assert_eq!(v.suspects.len(), 1);
    let s = &v.suspects[0];
    assert_eq!((s.frequency_hz, s.broadband), (f, false));
    assert!((s.probability_over - (1.0 - 0.9920)).abs() < 3e-4);
    assert!(v.uncertainty.assumed && v.uncertainty.expanded_db == 3.4 && v.uncertainty.addition_db == 0.0);
    assert_eq!(v.uncertainty.kind, Some(MeasurementKind::MainsNetwork));
    assert!(v.uncertainty.statement.contains("not stated; assumed: 3.4 dB"), "{}", v.uncertainty.statement);
    assert!(v.not_measured.is_empty() && v.still_to_measure.is_empty() && v.notes.is_empty(), "{v:?}");
}

#[test]
fn excesses_are_counted_and_sorted() {
    let (a, b, c) = (at(1e6), at(3e6), at(20e6));
    let v = run(&trace(&[(QuasiPeak, sines(10.0, &[(a, 57.5), (b, 59.2), (c, 58.0)]))]), &[quasi_peak()]);
    assert_eq!(v.decision, Decision::Fail);
    assert!(
        v.sentence.starts_with("Fails by 3.2 dB at 2.998 MHz, the worse of 2 emissions over the limit; 2 % likely"),
        "{}",
        v.sentence
    );
    let order: Vec<f64> = v.suspects.iter().map(|s| s.frequency_hz).collect();
    assert_eq!(order, [b, a, c]);
    let margins: Vec<f64> = v.suspects.iter().map(|s| (s.margin_db * 10.0).round() / 10.0).collect();
    assert_eq!(margins, [-3.2, -1.5, 2.0]);
    assert_eq!(v.suspects[2].decision, Decision::Pass);
    // On the flank, half a bandwidth away, the filter is 6.02 dB down: only the tops lie over.
    assert_eq!(v.limits[0].points_over, 2);
    let one = run(&trace(&[(QuasiPeak, sines(10.0, &[(b, 59.2)]))]), &[quasi_peak()]);
    assert!(one.sentence.starts_with("Fails by 3.2 dB at 2.998 MHz; 3 % likely"), "{}", one.sentence);
}

/// CISPR 16-2-1 (from memory): both limits are to be met, and a peak or quasi-peak reading below the average limit settles
/// both.
#[test]
fn a_reading_below_the_average_limit_settles_both() {
    let f = at(1e6);
    for (detector, word) in [(Peak, "peak"), (QuasiPeak, "quasi-peak")] {
        let v = run(&trace(&[(detector, sines(10.0, &[(f, 45.0)]))]), &[quasi_peak(), average()]);
        assert_eq!(v.decision, Decision::Pass, "{detector}: {}", v.sentence);
        assert_eq!(v.limits[1].detector_used, [detector]);
        assert!(v.limits[1].conclusive);
        let remark = v.suspects[0].remark.as_deref().unwrap();
        assert_eq!(
            remark.to_lowercase(),
            format!("the {word} reading lies below the average limit and settles both limits")
        );
        assert_eq!(v.probability_bound, ProbabilityBound::AtLeast);
        assert!(v.sentence.contains("at least"), "{}", v.sentence);
    }
}

#[test]
fn a_higher_detector_is_conclusive_only_when_it_passes() {
    let f = at(1e6);
    // Between the two limits: the quasi-peak limit is settled by peak, the average limit is not.
    let v = run(&trace(&[(Peak, sines(10.0, &[(f, 50.0)]))]), &[quasi_peak(), average()]);
    assert_eq!((v.limits[0].decision, v.limits[1].decision), (Decision::Pass, Decision::Inconclusive));
    assert_eq!(v.decision, Decision::Inconclusive);
    assert!(
        v.sentence.starts_with("Not decided: up to 4.0 dB over at 1 MHz by a detector that reads too high to settle it, measure with CISPR-average there; at least"),
        "{}",
        v.sentence
    );
    assert_eq!(v.still_to_measure.len(), 1);
    assert_eq!((v.still_to_measure[0].detector, v.still_to_measure[0].from_hz), (CisprAverage, f));
    assert_eq!(v.suspects[0].decision, Decision::Inconclusive);
    let remark = v.suspects[0].remark.as_deref().unwrap();
    assert!(remark.contains("measure with CISPR-average"), "{remark}");
    // Over both: still not a fail, for quasi-peak may lie far below peak.
    let v = run(&trace(&[(Peak, sines(10.0, &[(f, 70.0)]))]), &[quasi_peak(), average()]);
    assert_eq!(v.decision, Decision::Inconclusive);
    // With the quasi-peak reading beside it the matter is settled.
    let both = [(Peak, sines(10.0, &[(f, 70.0)])), (QuasiPeak, sines(8.0, &[(f, 45.0)]))];
    assert_eq!(run(&trace(&both), &[quasi_peak(), average()]).decision, Decision::Pass);
}

#[test]
fn a_lower_detector_is_conclusive_only_when_it_fails() {
    let f = at(1e6);
    let low = run(&trace(&[(CisprAverage, sines(10.0, &[(f, 40.0)]))]), &[quasi_peak(), average()]);
    assert_eq!((low.limits[0].decision, low.limits[1].decision), (Decision::Inconclusive, Decision::Pass));
    assert_eq!(low.still_to_measure.len(), 1, "one matter over the whole range");
    assert!(low.sentence.contains("reads too low"), "{}", low.sentence);
    let high = run(&trace(&[(CisprAverage, sines(10.0, &[(f, 57.0)]))]), &[quasi_peak()]);
    assert_eq!(high.decision, Decision::Fail);
}

/// Final readings are taken at the tops only: a bin on the flank of the same emission needs none of its own.
#[test]
fn final_readings_at_the_tops_settle_an_emission() {
    let (a, b) = (at(1e6), at(10e6));
    let peak = sines(10.0, &[(a, 62.0), (b, 65.0)]);
    let mut final_readings = vec![f64::NAN; peak.len()];
    let index = |f: f64| grid().iter().position(|g| *g == f).unwrap();
    final_readings[index(a)] = 54.0;
    let v = run(&trace(&[(Peak, peak.clone()), (QuasiPeak, final_readings.clone())]), &[quasi_peak()]);
    assert_eq!(v.decision, Decision::Inconclusive);
    assert_eq!(v.still_to_measure.len(), 1, "{:?}", v.still_to_measure);
    assert!((v.still_to_measure[0].from_hz..=v.still_to_measure[0].to_hz).contains(&b));
    final_readings[index(b)] = 58.0;
    let v = run(&trace(&[(Peak, peak), (QuasiPeak, final_readings)]), &[quasi_peak()]);
    assert_eq!(v.decision, Decision::Pass, "{}", v.sentence);
    assert!((v.worst_margin_db - 2.0).abs() < 1e-9);
    assert_eq!(v.limits[0].detector_used, [QuasiPeak, Peak]);
}

#[test]
fn a_pass_on_lower_bounds_is_not_conclusive_but_a_fail_is() {
    let f = at(1e6);
    let mut t = trace(&[(QuasiPeak, sines(10.0, &[(f, 50.0)]))]);
    t.columns[0].lower_bound = vec![true; t.frequency_hz.len()];
    let v = run(&t, &[quasi_peak()]);
    assert_eq!(v.decision, Decision::Inconclusive);
    assert_eq!(v.probability_bound, ProbabilityBound::AtMost);
    assert!(
        v.sentence.contains("6.0 dB in hand at 1 MHz so far, but the record is too short for quasi-peak to settle"),
        "{}",
        v.sentence
    );
    assert_eq!(v.still_to_measure.len(), 1);
    t.columns[0].level_db = sines(10.0, &[(f, 57.0)]);
    assert_eq!(run(&t, &[quasi_peak()]).decision, Decision::Fail);
    // A settled peak below the limit settles it whatever the quasi-peak record lacked.
    let mut t = trace(&[(Peak, sines(12.0, &[(f, 52.0)])), (QuasiPeak, sines(10.0, &[(f, 50.0)]))]);
    t.columns[1].lower_bound = vec![true; t.frequency_hz.len()];
    assert_eq!(run(&t, &[quasi_peak()]).decision, Decision::Pass);
}

#[test]
fn what_was_never_measured_is_no_pass() {
    let mut t = trace(&[(QuasiPeak, sines(10.0, &[(at(1e6), 50.0)]))]);
    let keep = t.frequency_hz.iter().filter(|f| **f <= 20e6).count();
    t.frequency_hz.truncate(keep);
    t.columns[0].level_db.truncate(keep);
    let v = run(&t, &[quasi_peak()]);
    assert_eq!(v.decision, Decision::Inconclusive);
    assert_eq!(v.not_measured.len(), 1);
    assert!((v.not_measured[0].from_hz - 20e6).abs() < 4500.0 && v.not_measured[0].to_hz == 30e6);
    assert!(
        v.sentence.starts_with(
            "Not decided: 6.0 dB in hand at 1 MHz where it was measured, but not measured from 20 MHz to 30 MHz; "
        ),
        "{}",
        v.sentence
    );
    let partial = JudgeOptions { allow_partial: true, ..JudgeOptions::default() };
    let v = judge(&t, &[quasi_peak()], &partial).unwrap();
    assert_eq!((v.decision, v.not_measured.len()), (Decision::Pass, 1));
    let range = JudgeOptions { range_hz: Some((150e3, 15e6)), ..JudgeOptions::default() };
    let v = judge(&t, &[quasi_peak()], &range).unwrap();
    assert_eq!((v.decision, v.not_measured.len()), (Decision::Pass, 0));
    // An excess stays one.
    t.columns[0].level_db[100] = 80.0;
    assert_eq!(run(&t, &[quasi_peak()]).decision, Decision::Fail);
    // A gap in the middle, as outside the range of a chain's element.
    let mut t = trace(&[(QuasiPeak, sines(10.0, &[]))]);
    let gap: Vec<bool> = t.frequency_hz.iter().map(|f| (5e6..6e6).contains(f)).collect();
    for (level, gap) in t.columns[0].level_db.iter_mut().zip(gap) {
        if gap {
            *level = f64::NAN;
        }
    }
    let v = run(&t, &[quasi_peak()]);
    assert_eq!((v.decision, v.not_measured.len()), (Decision::Inconclusive, 1));
    assert!((v.not_measured[0].from_hz - 5e6).abs() < 4500.0 && (v.not_measured[0].to_hz - 6e6).abs() < 4500.0);
}

/// A Gaussian filter is 6.02 dB down at half its bandwidth: with a step of one bandwidth the worst case between two
/// points is that.
#[test]
fn a_coarse_step_is_warned_of() {
    let coarse = |step: f64| {
        let frequency_hz: Vec<f64> = steps(step);
        let mut t = trace(&[(QuasiPeak, vec![20.0; frequency_hz.len()])]);
        t.frequency_hz = frequency_hz;
        run(&t, &[quasi_peak()])
    };
    assert!(coarse(4500.0).notes.is_empty());
    let v = coarse(9000.0);
    assert!(
        v.notes[0].contains("9 kHz, wider than half the bandwidth") && v.notes[0].contains("6.0 dB low"),
        "{:?}",
        v.notes
    );
    assert_eq!(v.decision, Decision::Pass);
    assert!(coarse(30e3).notes[0].contains("be missed"));
    // A short list on any scale is coarse, but has no hole.
    for list in [
        vec![0.15, 0.45, 1.35, 4.05, 12.15, 30.0],
        vec![0.15, 0.2, 0.5, 1.0, 5.0, 10.0, 30.0],
        vec![0.15, 30.0],
        (0..100).map(|k| 0.15 * 200f64.powf(f64::from(k) / 99.0)).collect(),
    ] {
        let mut t = trace(&[(QuasiPeak, vec![20.0; list.len()])]);
        t.frequency_hz = list.iter().map(|mhz| mhz * 1e6).collect();
        let v = run(&t, &[quasi_peak()]);
        assert_eq!((v.decision, v.not_measured.len()), (Decision::Pass, 0), "{list:?}: {:?}", v.not_measured);
        assert!(v.notes[0].contains("be missed"), "{:?}", v.notes);
    }
}

#[test]
fn one_entry_an_emission() {
    // A hump of 200 kHz at 3 MHz with ripple of 3 dB, and two sines 30 kHz apart at 10 MHz.
    let mut levels = sines(10.0, &[(at(10e6), 50.0), (at(10.03e6), 48.0)]);
    for (k, f) in grid().into_iter().enumerate() {
        if (f - 3e6).abs() < 100e3 {
            levels[k] = 45.0 + if k % 2 == 0 { 3.0 } else { 0.0 };
        }
    }
    let v = run(&trace(&[(QuasiPeak, levels)]), &[quasi_peak()]);
    assert_eq!(v.suspects.len(), 3, "{:#?}", v.suspects);
    let hump = v.suspects.iter().find(|s| s.broadband).unwrap();
    assert!((hump.from_hz - 2.9e6).abs() < 9e3 && (hump.to_hz - 3.1e6).abs() < 9e3, "{} {}", hump.from_hz, hump.to_hz);
    assert_eq!(v.suspects.iter().filter(|s| !s.broadband).count(), 2);
    // The step of the limit at 5 MHz makes no second emission of a flat floor.
    let v = run(&trace(&[(QuasiPeak, vec![45.0; grid().len()])]), &[quasi_peak()]);
    assert_eq!(v.suspects.len(), 1);
    assert_eq!(v.suspects[0].margin_db, 11.0);
}

/// CISPR 16-4-2 (from memory): U_lab ≤ U_cispr, compare directly; else add the difference first.
#[test]
fn a_larger_uncertainty_is_added_to_the_levels() {
    let f = at(1e6);
    let t = trace(&[(QuasiPeak, sines(10.0, &[(f, 55.0)]))]);
    let with = |u: f64| {
        judge(&t, &[quasi_peak()], &JudgeOptions { uncertainty_db: Some(u), ..JudgeOptions::default() }).unwrap()
    };
    let small = with(2.0);
    assert_eq!((small.decision, small.worst_margin_db), (Decision::Pass, 1.0));
    let large = with(5.0);
    assert_eq!(large.decision, Decision::Fail);
    assert!((large.worst_margin_db - (1.0 - 1.6)).abs() < 1e-9);
    assert!((large.uncertainty.addition_db - 1.6).abs() < 1e-9);
    assert!(large.uncertainty.statement.contains("1.6 dB were added"), "{}", large.uncertainty.statement);
    // Φ(1.0/1.0) = 0.8413 for U = 2 dB.
    assert!((small.probability - 0.8413).abs() < 1e-4);
    let own = JudgeOptions { uncertainty_db: Some(5.0), u_cispr_db: Some(5.0), ..JudgeOptions::default() };
    assert_eq!(judge(&t, &[quasi_peak()], &own).unwrap().worst_margin_db, 1.0);
}

#[test]
fn what_cannot_be_judged_says_why() {
    let t = trace(&[(QuasiPeak, sines(10.0, &[]))]);
    let error = |t: &Trace, l: &[&Limit], o: &JudgeOptions| judge(t, l, o).unwrap_err();
    let default = JudgeOptions::default();
    assert_eq!(error(&t, &[], &default), JudgeError::NoLimit);

    let said = error(&t, &[limit("cispr32-b-field-3m")], &default).to_string();
    assert!(said.contains("`cispr32-b-field-3m`") && said.contains("antenna factor"), "{said}");
    let said = error(&t, &[limit("cispr32-b-wired-current-qp")], &default).to_string();
    assert!(said.contains("transfer impedance"), "{said}");
    assert!(matches!(error(&Trace { unit: None, ..t.clone() }, &[quasi_peak()], &default), JudgeError::NoUnit { .. }));
    let dbm = Trace { unit: Some(Unit::Dbm), impedance_ohm: None, ..t.clone() };
    assert!(error(&dbm, &[quasi_peak()], &default).to_string().contains("impedance"));

    let mut nameless = t.clone();
    nameless.columns[0].detector = None;
    nameless.columns[0].name = "Trace 1".into();
    let said = error(&nameless, &[quasi_peak()], &default).to_string();
    assert!(said.contains("`Trace 1`") && said.contains("quasi_peak"), "{said}");
    let assume = JudgeOptions { assume_detector: Some(Peak), ..default.clone() };
    let v = judge(&nameless, &[quasi_peak()], &assume).unwrap();
    assert!(v.notes.iter().any(|n| n.contains("taken as peak")), "{:?}", v.notes);

    let rms = trace(&[(Detector::RmsAverage, sines(10.0, &[]))]);
    let said = error(&rms, &[quasi_peak()], &default).to_string();
    assert!(said.contains("asks for quasi-peak; the trace has RMS-average"), "{said}");

    let mut elsewhere = t.clone();
    elsewhere.frequency_hz.iter_mut().for_each(|f| *f += 100e6);
    assert!(matches!(error(&elsewhere, &[quasi_peak()], &default), JudgeError::NoOverlap { .. }));
    for bad in [
        JudgeOptions { common_share: 1.5, ..default.clone() },
        JudgeOptions { uncertainty_db: Some(-1.0), ..default.clone() },
        JudgeOptions { valley_db: f64::NAN, ..default.clone() },
        JudgeOptions { range_hz: Some((2.0, 1.0)), ..default.clone() },
    ] {
        assert!(matches!(error(&t, &[quasi_peak()], &bad), JudgeError::Option { .. }));
    }
}

/// 0 dBm in 50 Ω is 106.99 dBµV.
#[test]
fn a_power_trace_is_judged_as_the_voltage_in_its_impedance() {
    let mut t = trace(&[(QuasiPeak, sines(10.0, &[(at(12.4e6), 55.9)]))]);
    let volts = run(&t, &[quasi_peak()]);
    t.unit = Some(Unit::Dbm);
    t.columns[0].level_db.iter_mut().for_each(|l| *l -= 106.9897);
    let power = run(&t, &[quasi_peak()]);
    assert!((volts.worst_margin_db - power.worst_margin_db).abs() < 1e-4);
    let level = &power.suspects[0].levels[0];
    assert!((level.level_db - 55.9).abs() < 1e-4 && level.unit == Unit::DbUv);
}

#[test]
fn readings_that_cannot_be_are_noted() {
    let t = trace(&[(Peak, sines(10.0, &[])), (QuasiPeak, sines(10.0, &[(at(1e6), 40.0)]))]);
    let v = run(&t, &[quasi_peak()]);
    assert!(v.notes.iter().any(|n| n.starts_with("Quasi-peak reads above peak at")), "{:?}", v.notes);
    let mut narrow = trace(&[(QuasiPeak, sines(10.0, &[]))]);
    narrow.bandwidth_hz = Some(1e3);
    assert!(
        run(&narrow, &[quasi_peak()]).notes.iter().any(|n| n.contains("prescribes 9 kHz") && n.contains("read lower"))
    );
}

/// Φ(−1.5/1.7) = 0.189: 57.5 dBµV quasi-peak over 56; the average limit is 11.5 dB below that reading, which settles
/// nothing about average.
#[test]
fn a_settled_excess_bounds_the_chance() {
    let v = run(&trace(&[(QuasiPeak, sines(10.0, &[(at(1e6), 57.5)]))]), &[quasi_peak(), average()]);
    assert_eq!(v.sentence, "Fails by 1.5 dB at 1 MHz; at most 19 % likely to pass at the laboratory");
    assert_eq!(v.limits[1].decision, Decision::Inconclusive);
}

#[test]
fn what_no_limit_speaks_of_is_said() {
    let v = run(&trace(&[(QuasiPeak, sines(10.0, &[]))]), &[limit("mil461g-ce102-28v")]);
    assert!(v.notes.iter().any(|n| n.contains("not judged from 10 MHz to 30 MHz")), "{:?}", v.notes);
}

#[test]
fn silence_passes() {
    let v = run(&trace(&[(QuasiPeak, vec![f64::NEG_INFINITY; grid().len()])]), &[quasi_peak()]);
    assert_eq!((v.decision, v.probability), (Decision::Pass, 1.0));
    assert!(v.sentence.starts_with("Passes with no emission above zero; more than 99 % likely"), "{}", v.sentence);
}

#[test]
fn exactly_on_the_limit_meets_it() {
    let v = run(&trace(&[(QuasiPeak, sines(10.0, &[(at(1e6), 56.0)]))]), &[quasi_peak()]);
    assert_eq!((v.decision, v.worst_margin_db), (Decision::Pass, 0.0));
    assert!(v.sentence.starts_with("Passes with less than 0.1 dB in hand"), "{}", v.sentence);
    assert!((v.probability - 0.5).abs() < 1e-9);
}

#[test]
fn a_verdict_goes_through_json() {
    let v = run(&trace(&[(QuasiPeak, sines(10.0, &[(at(1e6), 50.0)]))]), &[quasi_peak(), limit("cispr15-mains-qp")]);
    let text = serde_json::to_string(&v).unwrap();
    for field in
        ["\"decision\":", "\"worst_margin_db\":", "\"worst_frequency_hz\":", "\"expanded_db\":", "\"from_hz\":"]
    {
        assert!(text.contains(field), "{field}");
    }
    let back: Verdict = serde_json::from_str(&text).unwrap();
    assert_eq!(back.sentence, v.sentence);
    assert_eq!(back.suspects, v.suspects);
}
