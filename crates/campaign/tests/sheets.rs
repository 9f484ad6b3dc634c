//! Run sheets against the plan they come from.
//!
//! Sources: counts and times as in the tests of durations and of single sheets (worked by hand from the methods of
//! IEC 61000-4-2 to -4-11); the order of tests on one sample is common practice.

mod common;

use campaign::{
    Answers, Pace, Protector, RunSheet, SheetFacts, SheetWishes, Stand, duration, plan, run_sheets, sample_order,
};
use common::{port, product};
use immunity::sheet::Polarity;
use immunity::surge::Part;
use standards::{Family, Phenomenon, Place, Port, RuleBase};

fn sample(environment: Place, family: Family) -> Answers {
    let more = [
        port("line", Port::SignalControl, Some(50.0)),
        port("dc", Port::DcPower, Some(50.0)),
        port("net", Port::WiredNetwork, Some(50.0)),
    ];
    let mut a = Answers { family: Some(family), ..product(environment, 48e6, &more) };
    a.magnetic_parts = Some(true);
    for p in &mut a.ports {
        p.outdoors = Some(true);
        p.screened = Some(p.id == "net");
        p.dc_network = Some(true);
        p.dc_adaptor = Some(false);
    }
    a
}

fn made(a: &Answers, pace: &Pace, facts: &SheetFacts, wishes: &SheetWishes) -> Vec<RunSheet> {
    run_sheets(&plan(a, RuleBase::embedded()), a, pace, facts, wishes).unwrap()
}

fn facts() -> SheetFacts {
    SheetFacts { mains_hz: Some(50.0), ..SheetFacts::default() }
}

#[test]
fn the_sheets_of_every_plan_take_as_long_as_the_plan_says() {
    let families =
        [Family::Generic, Family::Multimedia, Family::Alarm, Family::Measurement, Family::Household, Family::Control];
    let places = [Place::Residential, Place::Commercial, Place::Industrial, Place::Controlled];
    let odd = Pace {
        dwell_s: 2.5,
        faces: 6,
        contact_points: 3,
        air_points: 0,
        plane_faces: 2,
        horizontal_plane: false,
        split_bursts: true,
        surge_rest_s: 20.0,
        burst_repetitions_khz: vec![5.0],
        contact_from_lowest: false,
        surge_from_lowest: true,
        dip_angles_deg: vec![0.0, 90.0, 180.0],
        dip_voltages_v: vec![100.0, 240.0],
        ..Pace::default()
    };
    let mut compared = 0;
    for family in families {
        for place in places {
            for (pace, phases, earthed) in [(Pace::default(), 1, true), (odd.clone(), 3, true), (odd.clone(), 1, false)]
            {
                let a = Answers { phases: Some(phases), earthed: Some(earthed), ..sample(place, family) };
                let p = plan(&a, RuleBase::embedded());
                let sheets = made(&a, &pace, &facts(), &SheetWishes::default());
                let immunity = p.tests.iter().filter(|t| t.side == standards::Side::Immunity);
                for test in immunity {
                    let asked = duration(test, &pace, earthed, phases).total_s;
                    let steps =
                        sheets.iter().flat_map(|s| &s.sheet.steps).filter(|s| s.test.as_ref() == Some(&test.id));
                    let (mut count, mut took) = (0, 0.0);
                    for s in steps {
                        count += 1;
                        took += s.duration_s + s.change_s;
                    }
                    assert!(count > 0, "{family:?} {place:?}: {} is on no sheet", test.id);
                    assert!(
                        (took - asked).abs() < 1e-6,
                        "{family:?} {place:?} {}: {took} s, planned {asked} s",
                        test.id
                    );
                    compared += 1;
                }
            }
        }
    }
    assert!(compared > 300, "{compared} tests compared");
}

#[test]
fn what_the_product_says_is_on_the_sheet_and_what_it_does_not_is_asked() {
    let a = sample(Place::Industrial, Family::Generic);
    let open = made(&a, &Pace::default(), &facts(), &SheetWishes::default());
    let esd = open.iter().find(|s| s.test == "esd").unwrap();
    assert!(esd.questions.iter().any(|q| q.field == "discharge_points"));
    assert!(esd.assumed.iter().any(|t| t.contains("8 contact and 6 air")));
    let facts = SheetFacts {
        contact_points: vec!["screw".into()],
        air_points: vec!["key".into(), "gap".into()],
        stand: Some(Stand::Floor),
        cycle_s: Some(1.0),
        range_v: Some([100.0, 240.0]),
        ..facts()
    };
    let pace = Pace { contact_points: 1, air_points: 2, horizontal_plane: false, ..Pace::default() };
    let said = made(&a, &pace, &facts, &SheetWishes::default());
    let esd = said.iter().find(|s| s.test == "esd").unwrap();
    assert!(esd.questions.is_empty() && esd.assumed.is_empty(), "{:?} {:?}", esd.questions, esd.assumed);
    // 1 contact point x 2 levels, 2 air points x 3 levels, 4 faces x 2 levels; ten of each sign.
    assert_eq!(esd.sheet.count, 20 * (2 + 6 + 8));
    assert!(!esd.sheet.steps.iter().any(|s| s.place.contains("horizontal")));
    let levels: Vec<f64> = esd.sheet.steps.iter().filter(|s| s.place == "key").filter_map(|s| s.level_value).collect();
    assert_eq!(levels, [2.0, 2.0, 4.0, 4.0, 8.0, 8.0]);
    // Screened lines take surges on the screen, others through 0.5 µF and 40 ohm; the clamp or network stands with each cable.
    let surge = said.iter().find(|s| s.test == "surge").unwrap();
    let at = |port: &str| surge.sheet.steps.iter().find(|s| s.port.as_deref() == Some(port)).map(|s| s.place.clone());
    assert!(at("line").unwrap().contains("0.5 µF"));
    let conducted = said.iter().find(|s| s.test == "conducted").unwrap();
    assert!(conducted.sheet.steps.iter().any(|s| s.place.contains("M3")));
    assert!(conducted.sheet.steps.iter().all(|s| s.criterion.as_deref() == Some("A")));
}

#[test]
fn the_sample_is_spent_last() {
    let a = sample(Place::Residential, Family::Alarm);
    let wishes = SheetWishes {
        extra: vec![Phenomenon::RingWave, Phenomenon::DampedWave, Phenomenon::ProximityField],
        direct_field: true,
    };
    let sheets = made(&a, &Pace::default(), &facts(), &wishes);
    let tests: Vec<&str> = sheets.iter().map(|s| s.test.as_str()).collect();
    assert_eq!(
        tests,
        [
            "radiated",
            "conducted",
            "proximity",
            "variation",
            "dips",
            "burst",
            "damped-wave",
            "ring-wave",
            "esd",
            "surge"
        ]
    );
    let ring = sheets.iter().find(|s| s.test == "ring-wave").unwrap();
    assert!(ring.assumed[0].contains("wished for") && ring.tests.iter().all(|t| t.id.is_empty()));
    // Without a known part the currents rise along the sheet of a port: 42, 83, 167 A to earth before 250 and 500 A between lines.
    let surge = sheets.iter().find(|s| s.test == "surge").unwrap();
    let amperes: Vec<f64> = surge
        .sheet
        .steps
        .iter()
        .filter(|s| s.port.as_deref() == Some("mains"))
        .map(|s| 1e3 * s.level_value.unwrap() / if s.place.contains("to earth") { 12.0 } else { 2.0 })
        .collect();
    assert!(amperes.windows(2).all(|w| w[1] >= w[0] - 1e-9), "{amperes:?}");
    assert!((amperes[0] - 500.0 / 12.0).abs() < 1e-9 && amperes.last() == Some(&500.0));
    assert_eq!(surge.sheet.steps[0].polarity, Some(Polarity::Positive));
    let order = sample_order(&sheets);
    assert!(order.warnings.iter().any(|w| w.contains("life test")), "{:?}", order.warnings);
    assert!(order.places.last().unwrap().may_break && order.needed_rest_s.is_none());
}

/// A 14 mm disc (own figures, the worked part of the surge tests); a small one of 7 mm: 1200 A once, 300 A ten times (a maker's
/// brochure).
#[test]
fn wear_is_added_up_over_the_whole_sheet_and_warned_of_before() {
    let a = Answers { phases: Some(1), ..sample(Place::Residential, Family::Alarm) };
    let part = |words: &str| Part::from_words(words, "test").unwrap();
    let with = |words: &str| SheetFacts {
        protectors: vec![Protector { name: "RV1".into(), port: "mains".into(), to_earth: false, part: part(words) }],
        ..facts()
    };
    let big = "kind=varistor,voltage_1ma_v=430,clamp_v=710,clamp_a=50,life=1:4500/10:2000/100:900,mean_power_w=0.6";
    let sheets = made(&a, &Pace::default(), &with(big), &SheetWishes::default());
    let surge = sheets.iter().find(|s| s.test == "surge").unwrap();
    let wear = &surge.wear[0].sequence;
    // 0.5 kV and 1 kV between lines, 40 pulses each.
    let groups: Vec<(f64, u32)> = wear.groups.iter().map(|g| (g.level_v, g.count)).collect();
    assert_eq!(groups, [(500.0, 40), (1000.0, 40)]);
    assert!(wear.bears && wear.share_of_life.unwrap() < 0.5, "{wear:?}");
    let needed = sample_order(&sheets).needed_rest_s.unwrap();
    assert!(needed > 0.5 && needed < 60.0, "{needed} s");
    let small = "kind=varistor,voltage_1ma_v=100,clamp_v=165,clamp_a=10,life=1:1200/10:300,mean_power_w=0.25";
    let sheets = made(&a, &Pace { surge_rest_s: 5.0, ..Pace::default() }, &with(small), &SheetWishes::default());
    let warned = sample_order(&sheets).warnings;
    assert!(warned.iter().any(|w| w.contains("RV1") && w.contains("wears out")), "{warned:?}");
    assert!(warned.iter().any(|w| w.contains("the part needs")), "{warned:?}");
}
