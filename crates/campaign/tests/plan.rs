//! What applies, and how long it takes, against worked figures.
//!
//! Sources: durations worked by hand from the methods of IEC 61000-4-2 to -4-6 (steps of 1 %, dwell, counts) for a 230 V
//! single-phase earthed product with two signal cables of 50 m, 8 contact and 6 air points; applicability from the tables
//! of IEC 61000-6-1 and -6-2 (from memory, as the rows say).

mod common;

use campaign::{Answers, Pace, Plan, PlannedTest, difference, duration, plan, steps};
use common::{port, product};
use standards::{Family, Phenomenon, Place, Port, RuleBase, Side};

fn sample(environment: Place) -> Answers {
    let more = [port("a", Port::SignalControl, Some(50.0)), port("b", Port::SignalControl, Some(50.0))];
    product(environment, 48e6, &more)
}

fn made(answers: &Answers) -> Plan {
    plan(answers, RuleBase::embedded())
}

fn of(plan: &Plan, port: &str, phenomenon: Phenomenon) -> Vec<PlannedTest> {
    plan.tests.iter().filter(|t| t.port == port && t.phenomenon == phenomenon).cloned().collect()
}

fn minutes(test: &PlannedTest, pace: &Pace) -> f64 {
    duration(test, pace, true, 1).total_s / 60.0
}

/// The least the standards ask for.
fn least() -> Pace {
    Pace {
        contact_from_lowest: false,
        burst_repetitions_khz: vec![100.0],
        dip_angles_deg: vec![0.0],
        ..Pace::default()
    }
}

#[test]
fn step_counts_are_the_worked_ones() {
    for (from, to, n) in
        [(80e6, 1e9, 255), (1.4e9, 6e9, 148), (0.15e6, 80e6, 633), (80e6, 2.7e9, 355), (0.15e6, 100e6, 655)]
    {
        assert_eq!(steps(from, to), n);
    }
    assert_eq!(steps(1.8e9, 1.8e9), 1);
}

#[test]
fn durations_are_the_worked_ones() {
    let p = made(&sample(Place::Industrial));
    // No turning, no moving: pure stimulus time; contact at the planned level alone, one repetition rate, one angle.
    let pace = Pace { face_turn_s: 0.0, port_change_s: 0.0, ..least() };
    let fields = of(&p, "housing", Phenomenon::RfField);
    let each: Vec<f64> = fields.iter().map(|t| minutes(t, &pace)).collect();
    assert!((each[0] - 51.0).abs() < 0.05 && (each[1] - 29.6).abs() < 0.05, "{each:?}");
    let cables: f64 =
        p.tests.iter().filter(|t| t.phenomenon == Phenomenon::ConductedRf).map(|t| minutes(t, &pace)).sum();
    assert!((cables - 41.1).abs() < 0.1, "{cables}");
    let esd = minutes(&of(&p, "housing", Phenomenon::ElectrostaticDischarge)[0], &pace);
    assert!((esd - 24.583).abs() < 0.01, "{esd}");
    let bursts: f64 = p.tests.iter().filter(|t| t.phenomenon == Phenomenon::Burst).map(|t| minutes(t, &pace)).sum();
    assert!((bursts - 6.0).abs() < 1e-9, "{bursts}");
    // 1 kV line to line, 2 kV line to earth: 120 pulses at one level each, 320 with the lower ones.
    let mut surge = of(&p, "mains", Phenomenon::Surge)[0].clone();
    assert!((minutes(&surge, &pace) - 120.0).abs() < 1e-9);
    surge.lower_levels = true;
    assert!((minutes(&surge, &pace) - 320.0).abs() < 1e-9);
    let quick = Pace { surge_rest_s: 15.0, ..pace.clone() };
    assert!((minutes(&surge, &quick) - 80.0).abs() < 1e-9);
    // Five positive at 90°, five negative at 270° on three paths: 30 pulses.
    surge.lower_levels = false;
    surge.phase_deg = vec![90.0, 270.0];
    assert!((minutes(&surge, &pace) - 30.0).abs() < 1e-9);
    // The sum is what its lines say.
    let d = duration(&surge, &pace, true, 1);
    assert!((d.parts.iter().map(|p| p.count * p.each_s).sum::<f64>() - d.total_s).abs() < 1e-9);
}

#[test]
fn every_test_says_why_and_every_missing_one_why_not() {
    let answers = Answers {
        ports: vec![
            port("housing", Port::Enclosure, None),
            port("mains", Port::AcMains, Some(2.0)),
            port("short", Port::SignalControl, Some(2.0)),
            port("long", Port::SignalControl, Some(50.0)),
        ],
        ..sample(Place::Industrial)
    };
    let p = made(&answers);
    assert!(p.questions.is_empty(), "{:?}", p.questions);
    assert!(of(&p, "short", Phenomenon::Burst).is_empty());
    let why = p.left_out.iter().find(|o| o.port == "short" && o.phenomenon == Phenomenon::Burst).unwrap();
    assert!(why.because.contains("at most 2 m"), "{}", why.because);
    let surge = &of(&p, "long", Phenomenon::Surge)[0];
    assert!(surge.because.iter().any(|b| b.contains("longer than 30 m")), "{:?}", surge.because);
    assert!(p.tests.iter().all(|t| !t.because.is_empty() && !t.clause.is_empty()));
    assert!(p.left_out.iter().all(|o| !o.because.is_empty()));
    // Every row of every standard in force is either planned or left out, for every port of its kind.
    let rules = RuleBase::embedded();
    for row in rules.rows().iter().filter(|r| p.standards.iter().any(|s| s.id == r.standard)) {
        let ports = answers.ports.iter().filter(|q| q.kind == row.port).count().max(1);
        let seen = p.tests.iter().filter(|t| t.id.ends_with(&format!(":{}", row.id))).count()
            + p.left_out.iter().filter(|o| o.id.ends_with(&format!(":{}", row.id))).count();
        assert_eq!(seen, ports, "{}", row.id);
    }
    // And every standard of the rule base.
    assert_eq!(p.standards.len() + p.standards_left_out.len(), rules.standards().len());
    // What is made for larger currents is not in force, and says so.
    let large = p.standards_left_out.iter().find(|s| s.id == "iec61000-3-12").unwrap();
    assert!(large.because.contains("1 A"), "{}", large.because);
    // Emission before mains quality before immunity.
    assert!(p.tests.windows(2).all(|w| w[0].side <= w[1].side));
}

#[test]
fn one_answer_changes_the_plan_row_by_row() {
    let before = made(&sample(Place::Residential));
    let after = made(&sample(Place::Industrial));
    let d = difference(&before, &after);
    // Other standards: everything generic goes and comes; mains quality stays.
    assert!(
        d.removed.iter().all(|(t, why)| t.side != Side::MainsQuality && why.contains("industrial")),
        "{:?}",
        d.removed
    );
    assert!(d.added.iter().all(|t| t.side != Side::MainsQuality));
    let faster = Answers { highest_internal_frequency_hz: Some(300e6), ..sample(Place::Residential) };
    let d = difference(&before, &made(&faster));
    assert_eq!((d.added.len(), d.removed.len(), d.changed.len()), (1, 0, 0));
    assert_eq!(d.added[0].frequency_hz, vec![[1e9, 2e9]]);
    let deaf = Answers { magnetic_parts: Some(false), ..sample(Place::Residential) };
    let d = difference(&before, &made(&deaf));
    assert_eq!(d.removed.len(), 1);
    assert!(d.removed[0].1.contains("nothing inside feels"), "{}", d.removed[0].1);
    assert_eq!(difference(&before, &before), difference(&after, &after));
}

#[test]
fn what_is_not_answered_stays_in_and_is_asked_by_weight() {
    let mut answers = sample(Place::Industrial);
    answers.current_a = None;
    answers.magnetic_parts = None;
    answers.ports[2].cable_length_m = None;
    let p = made(&answers);
    let open: Vec<&str> = p.questions.iter().map(|q| q.question.field.as_str()).collect();
    assert_eq!(open[0], "supply.current_a", "{open:?}");
    assert!(open.contains(&"ports.a.cable_length_m") && open.contains(&"magnetic_parts"), "{open:?}");
    assert!(p.questions.windows(2).all(|w| w[0].tests >= w[1].tests));
    // Nothing is lost by silence.
    assert_eq!(of(&p, "a", Phenomenon::Burst).len(), 1);
    assert!(!of(&p, "a", Phenomenon::Burst)[0].unless.is_empty());
    // With nothing answered at all, family and place are asked first, and a plan stands nevertheless.
    let nothing = Answers { ports: answers.ports.clone(), ..Answers::default() };
    let p = made(&nothing);
    let first: Vec<&str> = p.questions.iter().take(3).map(|q| q.question.field.as_str()).collect();
    assert!(first.contains(&"family") && first.contains(&"environment") && first.contains(&"markets"), "{first:?}");
    assert!(p.standards.iter().any(|s| s.because.iter().any(|b| b.contains("taken as generic"))));
}

#[test]
fn each_family_is_spoken_to_by_its_own_standard() {
    for (family, place, standard) in [
        (Family::Multimedia, Place::Residential, "cispr35"),
        (Family::Alarm, Place::Commercial, "en50130-4"),
        (Family::Measurement, Place::Industrial, "iec61326-1-industrial"),
        (Family::Household, Place::Residential, "en55014-2"),
        (Family::Control, Place::Residential, "en60730-1"),
        (Family::Generic, Place::Residential, "iec61000-6-1"),
    ] {
        let p = made(&Answers { family: Some(family), ..sample(place) });
        let immunity: Vec<&str> =
            p.standards.iter().filter(|s| s.side == Side::Immunity).map(|s| s.id.as_str()).collect();
        assert_eq!(immunity, [standard]);
        assert_eq!(p.standards.iter().filter(|s| s.side == Side::Emission).count(), 1, "{family:?}");
    }
    // No lighting immunity standard is in the rule base: that is said, not hidden.
    let p = made(&Answers { family: Some(Family::Lighting), ..sample(Place::Residential) });
    assert!(p.gaps.iter().any(|g| g.contains("no immunity standard")), "{:?}", p.gaps);
    let p = made(&Answers { markets: vec!["JP".to_owned()], ..sample(Place::Residential) });
    assert!(p.gaps.iter().any(|g| g.contains("market JP")), "{:?}", p.gaps);
    // The United States ask for emission only (47 CFR part 15 has no immunity requirements).
    let p = made(&Answers { markets: vec!["US".to_owned()], ..sample(Place::Residential) });
    assert_eq!(p.standards.iter().map(|s| s.id.as_str()).collect::<Vec<_>>(), ["part15-b"]);
}

/// More worked figures: 3 × d + 2 × 10 s for a dip (IEC 61000-4-11); 400 surges on a three-phase four-wire supply at one
/// level, 40 on two signal lines at 0.5 and 1 kV (IEC 61000-4-5); six runs of bursts 110 s (IEC 61000-4-4); alarm systems: 355
/// frequencies × 2 modulations × 8 sweeps × 1.5 s = 2.37 h, 655 × 2 × 1.3 s = 28.4 min a cable (EN 50130-4); three axes ×
/// 2 min + 3 × 5 min = 21 min (IEC 61000-4-8). All by hand.
#[test]
fn more_durations_are_the_worked_ones() {
    let pace = Pace { port_change_s: 0.0, face_turn_s: 0.0, ..least() };
    let p = made(&sample(Place::Residential));
    for (cycles, seconds) in [(0.5, 20.03), (1.0, 20.06), (25.0, 21.5), (250.0, 35.0)] {
        let dip = p
            .tests
            .iter()
            .filter(|t| matches!(t.phenomenon, Phenomenon::VoltageDip | Phenomenon::ShortInterruption))
            .find(|t| t.level.iter().any(|l| l.quantity == "duration_at_50_hz" && l.value == cycles))
            .unwrap_or_else(|| panic!("{cycles}"));
        // Beside it a minute of setting and observing.
        assert!((duration(dip, &pace, true, 1).total_s - 60.0 - seconds).abs() < 1e-9, "{cycles}");
    }
    let magnetic = &of(&p, "housing", Phenomenon::PowerFrequencyMagneticField)[0];
    assert!((minutes(magnetic, &pace) - 21.0).abs() < 1e-9);
    let industry = made(&sample(Place::Industrial));
    let surge = &of(&industry, "mains", Phenomenon::Surge)[0];
    assert!((duration(surge, &pace, true, 3).total_s - 400.0 * 60.0).abs() < 1e-6);
    assert!((duration(surge, &pace, false, 1).total_s - 40.0 * 60.0).abs() < 1e-6, "not earthed: line to line only");
    let lines: f64 = ["a", "b"]
        .iter()
        .map(|port| {
            let mut line = of(&industry, port, Phenomenon::Surge)[0].clone();
            line.lower_levels = true;
            duration(&line, &pace, true, 1).total_s
        })
        .sum();
    assert!((lines - 40.0 * 60.0).abs() < 1e-6, "{lines}");
    let split = Pace { split_bursts: true, ..pace.clone() };
    let bursts: f64 =
        industry.tests.iter().filter(|t| t.phenomenon == Phenomenon::Burst).map(|t| minutes(t, &split)).sum();
    assert!((bursts - 11.0).abs() < 1e-9, "{bursts}");
    let alarm = made(&Answers { family: Some(Family::Alarm), ..sample(Place::Commercial) });
    let hours: f64 = of(&alarm, "housing", Phenomenon::RfField).iter().map(|t| minutes(t, &pace) / 60.0).sum();
    assert!((hours - 2.367).abs() < 0.01, "{hours}");
    let cable = minutes(&of(&alarm, "a", Phenomenon::ConductedRf)[0], &pace);
    assert!((cable - 28.383).abs() < 0.01, "{cable}");
}

/// What runs by itself is marked: observation of flicker and harmonics always, sweeps where a machine watches.
#[test]
fn what_runs_by_itself_leaves_time_and_the_sum_stays() {
    let p = made(&sample(Place::Residential));
    let watched = Pace { watched_by_machine: true, ..Pace::default() };
    for t in &p.tests {
        let (a, b) = (duration(t, &Pace::default(), true, 1), duration(t, &watched, true, 1));
        assert!((a.total_s - b.total_s).abs() < 1e-6);
        let sum: f64 = b.parts.iter().map(|p| p.count * p.each_s).sum();
        assert!((sum - b.total_s).abs() < 1e-6);
        let mains = matches!(t.phenomenon, Phenomenon::VoltageChangeFlicker);
        assert_eq!(a.by_itself_s(300.0) > 0.0, mains, "{}", t.id);
        let swept = matches!(t.phenomenon, Phenomenon::RfField | Phenomenon::ConductedRf);
        assert_eq!(b.by_itself_s(200.0) > 0.0, mains || swept, "{}", t.id);
    }
}
