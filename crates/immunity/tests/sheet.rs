//! Counts and durations of run sheets against worked examples (a 230 V class I product with two signal cables, eight contact and
//! six air points).

use immunity::sheet::*;

#[test]
fn every_method_is_there_and_sourced() {
    for test in ["esd", "radiated", "burst", "surge", "conducted", "magnetic", "dips"] {
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
        bands: vec![(80e6, 1e9, 10.0)],
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
        bands: vec![(0.15e6, 80e6, 10.0)],
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
    assert_eq!(burst(&ports, &[100.0], 0.0).stimulus_s, 360.0);
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
