//! Counts and durations of run sheets against worked examples (a 230 V class I product with two signal cables, eight contact and
//! six air points).

use immunity::sheet::*;

#[test]
fn every_method_is_there_and_sourced() {
    for test in [
        "esd",
        "radiated",
        "burst",
        "surge",
        "conducted",
        "magnetic",
        "dips",
        "variation",
        "ring-wave",
        "damped-wave",
        "proximity",
    ] {
        let m = methods().iter().find(|m| m.test == test).unwrap();
        assert!(!m.source.is_empty() && !m.clause.is_empty());
    }
}

#[test]
fn sweeps() {
    // n = 1 + ln(f2/f1)/ln(1.01), rounded up.
    for (from, to, n1, n4) in [
        (80e6, 1e9, 255, 66),
        (80e6, 2.7e9, 355, 91),
        (80e6, 6e9, 435, 112),
        (1e9, 6e9, 182, 47),
        (1.4e9, 6e9, 148, 39),
        (0.15e6, 80e6, 633, 162),
        (0.15e6, 230e6, 739, 189),
    ] {
        assert_eq!(sweep_count(from, to, 0.01).unwrap(), n1);
        assert_eq!(sweep_count(from, to, 0.04).unwrap(), n4);
    }
    let f = sweep_hz(80e6, 1e9, 0.01).unwrap();
    assert!(f[0] == 80e6 && f[254] == 1e9 && f.windows(2).all(|w| w[1] > w[0] && w[1] / w[0] < 1.0100001));
    assert!(sweep_count(1e9, 80e6, 0.01).is_err());
}

#[test]
fn discharges() {
    let points = |n: usize| (1..=n).map(|k| format!("point {k}")).collect::<Vec<_>>();
    let s = esd(&EsdPlan {
        contact_points: points(8),
        air_points: points(6),
        contact_kv: vec![4.0],
        air_kv: vec![2.0, 4.0, 8.0],
        faces: 4,
        horizontal: true,
        count: 10,
        interval_s: 1.0,
        move_s: 45.0,
    });
    // 160 + 360 + 20 + 80 = 620 discharges: 10 min 20 s, and 19 positions at 45 s: 24 min 35 s.
    assert_eq!((s.count, s.stimulus_s, s.change_s), (620, 620.0, 855.0));
    assert!(s.cautions.iter().any(|c| c.contains("pacemaker")));
}

#[test]
fn radio_frequency() {
    let mut plan = SweepPlan {
        places: (1..=4).map(|k| format!("face {k}")).collect(),
        bands: vec![Band::new(80e6, 1e9, 10.0)],
        modulations: vec!["80 % AM 1 kHz".into()],
        step: 0.01,
        dwell_s: 1.0,
        settle_s: 0.5,
        cycle_s: 1.0,
        change_s: 0.0,
    };
    // 8 sweeps of 255 frequencies at 1.5 s: 51.0 min.
    assert_eq!(radiated(&plan).unwrap().stimulus_s, 3060.0);
    plan.dwell_s = 0.5;
    assert!(radiated(&plan).unwrap_err().to_string().contains("work cycle"));
    plan.cycle_s = 0.2;
    plan.dwell_s = 0.4;
    assert!(radiated(&plan).is_err());
    // Three cables, 633 frequencies at 1.3 s: 41.1 min.
    let cables = SweepPlan {
        places: vec!["mains".into(), "A".into(), "B".into()],
        bands: vec![Band::new(0.15e6, 80e6, 10.0)],
        dwell_s: 1.0,
        settle_s: 0.3,
        ..plan
    };
    assert!((conducted(&cables).unwrap().duration_s() / 60.0 - 41.1).abs() < 0.1);
}

#[test]
fn pulses_and_dips() {
    let angles = vec![0.0, 90.0, 180.0, 270.0];
    let path = |name: &str, levels: &[f64]| SurgePath {
        name: name.into(),
        levels_kv: levels.to_vec(),
        angles_deg: angles.clone(),
    };
    let all = [path("L to N", &[0.5, 1.0]), path("L to earth", &[0.5, 1.0, 2.0]), path("N to earth", &[0.5, 1.0, 2.0])];
    // 80 + 240 = 320 pulses: 5 h 20 min at 60 s, 1 h 20 min at 15 s.
    let s = surge(&all, 5, 60.0, 0.0).unwrap();
    assert_eq!((s.count, s.stimulus_s), (320, 19200.0));
    assert_eq!(surge(&all, 5, 15.0, 0.0).unwrap().stimulus_s, 4800.0);
    // Two signal lines at 0.5 and 1 kV, no angles: 40 pulses.
    let lines: Vec<SurgePath> = ["A", "B"]
        .iter()
        .map(|n| SurgePath { name: (*n).into(), levels_kv: vec![0.5, 1.0], angles_deg: vec![] })
        .collect();
    assert_eq!(surge(&lines, 5, 60.0, 0.0).unwrap().count, 40);
    assert!(surge(&lines, 5, 0.0, 0.0).is_err());
    // Bursts: 3 ports, both signs: 6 min.
    let ports = [("mains".to_owned(), 2.0), ("A".to_owned(), 1.0), ("B".to_owned(), 1.0)];
    assert_eq!(burst(&ports, &[100.0], false, 0.0).stimulus_s, 360.0);
    // Class 3 with the interruption, one angle and voltage: 152.2 s; two of each: 608.8 s.
    let one = voltage_dips("class-3", 50.0, &[230.0], &[0.0]).unwrap();
    assert!((one.stimulus_s - 152.2).abs() < 0.05, "{}", one.stimulus_s);
    let four = voltage_dips("class-3", 50.0, &[100.0, 240.0], &[0.0, 180.0]).unwrap();
    assert!((four.stimulus_s - 608.8).abs() < 0.2);
    assert!(voltage_dips("class-9", 50.0, &[230.0], &[0.0]).is_err());
    // Three axes of 2 min with 5 min of turning each: 21 min.
    assert_eq!(magnetic(30.0, &[50.0], 2.0, 300.0).duration_s(), 1260.0);
}

#[test]
fn steps_are_told_in_numbers_and_survive_being_written_and_read() {
    let path = SurgePath { name: "L to N".into(), levels_kv: vec![0.5, 1.0], angles_deg: vec![0.0, 90.0] };
    let s = surge(&[path], 5, 60.0, 0.0).unwrap();
    let ids: Vec<&str> = s.steps.iter().map(|t| t.id.as_str()).collect();
    assert_eq!(ids[..3], ["surge-001", "surge-002", "surge-003"]);
    let last = s.steps.last().unwrap();
    assert_eq!((last.level_value, last.level_unit.as_deref()), (Some(1.0), Some("kV")));
    assert_eq!((last.polarity, last.angle_deg, last.rest_s), (Some(Polarity::Negative), Some(90.0), Some(60.0)));
    let text = serde_json::to_string(&s).unwrap();
    assert!(text.contains("\"polarity\":\"negative\""));
    assert_eq!(serde_json::from_str::<Sheet>(&text).unwrap(), s);
    // A sheet written before a step had numbers is still read.
    let old = r#"{"id":"a","place":"p","stimulus":"s","level":"1 kV","count":1,"interval_s":1.0,"duration_s":1.0,"change_before":false}"#;
    assert_eq!(serde_json::from_str::<Step>(old).unwrap().level_value, None);
}

#[test]
fn waves_and_near_fields() {
    // Levels, impedances and rates of IEC 61000-4-12 and -4-18 from memory; every row says so and where it was met.
    for w in waves() {
        assert!(w.known == standards::Known::Memory && !w.source.is_empty() && !w.levels_kv.is_empty(), "{}", w.id);
        assert!(w.levels_kv.windows(2).all(|p| p[1][1] > p[0][1]), "{}: levels rise", w.id);
    }
    assert_eq!(wave("ring").map(|w| w.source_ohm), Some(12.0));
    // A box of 0.4 m x 0.3 m x 0.2 m has 2 (12 + 8 + 6) = 52 windows; three frequencies of 3 s: 468 s, and 52 moves of 15 s: 780 s.
    let near = proximity(&NearFace::of_box([0.4, 0.3, 0.2]), spots(), 3.0, 15.0);
    assert_eq!((near.count, near.stimulus_s, near.change_s), (156, 468.0, 780.0));
    assert!(near.cautions.iter().any(|c| c.contains("pacemaker")) && near.steps[0].caution.is_some());
    // Slow damped waves: lines to earth and line to line, both signs, 3 s each.
    let plan = DampedPlan {
        ports: vec![("mains".into(), true), ("line".into(), false)],
        waves: vec!["damped-1M".into()],
        level: 3,
        change_s: 300.0,
    };
    let s = damped(&plan).unwrap();
    assert_eq!((s.steps.len(), s.stimulus_s, s.change_s), (6, 18.0, 600.0));
    assert_eq!((s.steps[0].level_value, s.steps[2].level_value), (Some(2.5), Some(1.0)));
    assert!(damped(&DampedPlan { level: 9, ..plan.clone() }).unwrap_err().to_string().contains("level"));
    assert!(damped(&DampedPlan { waves: vec!["ring".into()], ..plan }).is_err());
    // Five ring waves of each sign at four angles on three paths: 120, as surges.
    let group = |place: &str| SurgeGroup {
        place: place.into(),
        kv: 2.0,
        shots: SurgeGroup::both_signs(&[0.0, 90.0, 180.0, 270.0]),
        change_s: None,
    };
    let s = ring_waves(&[group("L to N"), group("L to earth"), group("N to earth")], 5, 10.0).unwrap();
    assert_eq!((s.count, s.stimulus_s), (120, 1200.0));
}

#[test]
fn what_must_be_touched_carries_its_caution() {
    let ports = [("mains".to_owned(), 2.0)];
    let s = burst(&ports, &[5.0, 100.0], true, 300.0);
    assert_eq!((s.steps.len(), s.stimulus_s, s.change_s), (4, 440.0, 300.0));
    assert!(s.steps[0].caution.as_deref().unwrap().contains("off") && s.steps[1].caution.is_none());
    // The dwell: at least the work cycle, half a second, and a whole second where the field is switched once a second.
    assert_eq!((dwell_s(0.1, 0.0, false), dwell_s(1.0, 3.0, false), dwell_s(0.5, 0.0, true)), (0.5, 3.0, 1.0));
}
