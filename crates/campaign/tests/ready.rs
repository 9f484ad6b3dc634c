//! Readiness: figures held against published limits, and what the bench should take up first.
//!
//! Sources: earth current and discharge by I = 2πf·C·V and t = R·C·ln(V₀/V), worked by hand; limits as the rows of the safety
//! rules name them (IEC 60335-1 seen, others from memory).

mod common;

use std::collections::BTreeMap;

use campaign::{
    Answers, Days, Design, DischargeState, EarthLimit, FilterDesign, Laboratory, MainsDesign, NetworkDesign, Pace,
    Plan, Ready, Request, RunSays, ScreenDesign, Weight, days, plan, ready,
};
use common::{port, product};
use standards::{Family, Phenomenon, Place, Port, RuleBase};

fn network() -> NetworkDesign {
    NetworkDesign {
        name: "50 Ω/50 µH".to_owned(),
        range_hz: (150e3, 30e6),
        earth_current_a: 0.079,
        wide_earth_current_a: 0.885,
        drop_v: Some(0.033),
        caution: "earth first".to_owned(),
    }
}

/// Two Y capacitors of 4.7 nF + 20 % at 264 V, 60 Hz pass 2 × 0.561 mA; 1 µF at that supply discharges to 60 V in 2 s
/// through 1094 kΩ (the figures of the safety rules' own tests, worked by hand).
fn filter(across_ohm: Option<f64>) -> FilterDesign {
    let limit = |id: &str, title: &str, ma: f64| EarthLimit {
        id: id.to_owned(),
        standard: "IEC".to_owned(),
        title: title.to_owned(),
        limit_a: ma * 1e-3,
        known: "seen".to_owned(),
    };
    let rule = |id: &str, to_v, in_s, largest_ohm: f64| DischargeState {
        id: id.to_owned(),
        standard: "IEC".to_owned(),
        to_v,
        in_s,
        above_f: 0.1e-6,
        known: "memory".to_owned(),
        largest_ohm,
        takes_s: across_ohm.map(|r| in_s * r / largest_ohm),
    };
    FilterDesign {
        file: "filters/mains.toml".to_owned(),
        voltage_v: 264.0,
        frequency_hz: 60.0,
        earth_f: 2.0 * 1.2 * 4.7e-9,
        earth_current_a: 2.0 * 0.561e-3,
        across_f: 1e-6,
        across_ohm,
        earth_limits: vec![
            limit("iec60335-portable-class1", "portable class I", 0.75),
            limit("iec62368-es2", "ES2", 5.0),
            limit("iec60950-class1", "class I", 3.5),
        ],
        discharge: vec![rule("iec60335", 34.0, 1.0, 417e3), rule("iec62368", 60.0, 2.0, 1094e3)],
    }
}

fn design(filter: Option<FilterDesign>) -> Design {
    Design {
        mains: vec![MainsDesign {
            port: "mains".to_owned(),
            port_name: "Mains".to_owned(),
            filter,
            network: network(),
        }],
        screens: Vec::new(),
        quarter_wave_hz: Vec::new(),
        modes: 1,
        criteria: vec!['A', 'B', 'C'],
        observed: true,
        samples: 2,
    }
}

fn answers() -> Answers {
    product(Place::Residential, 48e6, &[port("a", Port::SignalControl, Some(50.0))])
}

fn made(answers: &Answers, runs: &BTreeMap<String, RunSays>, design: &Design) -> (Plan, Days, Ready) {
    let p = plan(answers, RuleBase::embedded());
    let lab = Laboratory::default();
    let chances = runs.iter().map(|(k, v)| (k.clone(), v.chance)).collect();
    let d = days(&p, answers, &Pace::default(), &lab, &Request { chances, ..Request::default() }).unwrap();
    let r = ready(&p, answers, &d, &lab, runs, design);
    (p, d, r)
}

fn weight(r: &Ready, id: &str) -> Weight {
    r.findings.iter().find(|f| f.id == id).unwrap_or_else(|| panic!("{id}: {:?}", r.findings)).weight
}

#[test]
fn a_limit_is_violated_where_the_products_own_standard_says_so() {
    let household = Answers { family: Some(Family::Household), ..answers() };
    let (_, _, r) = made(&household, &BTreeMap::new(), &design(Some(filter(None))));
    assert_eq!(weight(&r, "mains-earth-iec60335-portable-class1"), Weight::Violates);
    assert_eq!(weight(&r, "mains-discharge-iec60335"), Weight::Violates);
    assert!(!r.ready && r.sentence.contains("violates 2 rules"), "{}", r.sentence);
    // 9.4 nF·1.2 at 1.122 mA: 0.75 mA allow 7.54 nF (published table for 264 V, 60 Hz).
    let earth = r.findings.iter().find(|f| f.id == "mains-earth-iec60335-portable-class1").unwrap();
    assert!(earth.todo.contains("7.54 nF"), "{}", earth.todo);
    // Multimedia: 5 mA with the earth lifted, 1094 kΩ allowed and 820 kΩ fitted take 1.5 s.
    let multimedia = Answers { family: Some(Family::Multimedia), ..answers() };
    let (_, _, r) = made(&multimedia, &BTreeMap::new(), &design(Some(filter(Some(820e3)))));
    assert_eq!(weight(&r, "mains-earth-iec62368-es2"), Weight::InOrder);
    let kept = r.findings.iter().find(|f| f.id == "mains-discharge-iec62368").unwrap();
    assert!(kept.weight == Weight::InOrder && kept.what.contains("after 1.50 s"), "{}", kept.what);
    assert!(r.ready);
    // A generic product has no safety standard here: the same figures are a risk, shown for comparison.
    let (_, _, r) = made(&answers(), &BTreeMap::new(), &design(Some(filter(None))));
    assert_eq!(weight(&r, "mains-earth-iec60335-portable-class1"), Weight::Risk);
    assert!(r.findings.iter().any(|f| f.source.contains("for comparison")));
    // 1.12 mA each: 9 mA together are eight products on one device of 30 mA.
    let residual = r.findings.iter().find(|f| f.id == "mains-earth-residual").unwrap();
    assert!(residual.what.contains("carries 8 of these"), "{}", residual.what);
    // The network by itself: 885 mA, 30 times as much as trips.
    let network = r.findings.iter().find(|f| f.id == "mains-network-earth").unwrap();
    assert!(network.what.contains("79 mA") && network.what.contains("885 mA") && !network.caution.is_empty());
}

#[test]
fn what_is_missing_is_said() {
    let bare = Design { mains: design(None).mains, ..Design::default() };
    let open = Answers { current_a: None, ..answers() };
    let (p, _, r) = made(&open, &BTreeMap::new(), &bare);
    assert_eq!(weight(&r, "mains-filter"), Weight::Open);
    assert_eq!(weight(&r, "mains-network-rating"), Weight::Open);
    for id in ["criteria", "modes", "samples", "observed", "surge-not-asked", "unscreened-long"] {
        assert_eq!(weight(&r, id), Weight::Risk, "{id}");
    }
    for q in &p.questions {
        assert_eq!(weight(&r, &format!("open-{}", q.question.field)), Weight::Open);
    }
    assert!(r.findings.windows(2).all(|w| w[0].weight <= w[1].weight));
    assert!(r.findings.iter().all(|f| !f.why.is_empty() && !f.source.is_empty() && !f.todo.is_empty()));
}

#[test]
fn network_and_screens_are_held_against_the_plan() {
    let mut d = design(None);
    d.mains[0].network.range_hz.0 = 300e3;
    d.screens = vec![ScreenDesign {
        port: "a".to_owned(),
        port_name: "a".to_owned(),
        ends: [Some("by a wire".to_owned()), Some("not joined".to_owned())],
        all_round: false,
        pigtail_m: 0.1,
        frequency_hz: 100e6,
        screen_ohm: 0.2,
        pigtail_ohm: 60.0,
    }];
    let (_, _, r) = made(&answers(), &BTreeMap::new(), &d);
    assert_eq!(weight(&r, "mains-network-range"), Weight::Violates);
    assert_eq!(weight(&r, "a-screen"), Weight::Risk);
    for (current_a, phases, id) in [(40.0, 1, "mains-network-rating"), (150.0, 3, "mains-network-phases")] {
        let a = Answers { current_a: Some(current_a), phases: Some(phases), ..answers() };
        let (_, _, r) = made(&a, &BTreeMap::new(), &design(None));
        assert_eq!(weight(&r, id), Weight::Risk, "{current_a}");
    }
}

#[test]
fn the_bench_takes_up_first_what_costs_most_to_learn_late() {
    let (p, d, r) = made(&answers(), &BTreeMap::new(), &design(None));
    assert_eq!(r.bench_first.len(), d.jobs.len());
    let can = |b: &campaign::BenchFirst| b.bench_can != "no";
    assert!(r.bench_first.windows(2).all(|w| (can(&w[0]), w[0].expected) >= (can(&w[1]), w[1].expected)));
    assert_eq!(r.bench_first.last().unwrap().job, "mains-surge");
    let half = Laboratory::default().half_day_price;
    for b in &r.bench_first {
        assert!((b.expected - b.fails * b.cost_there).abs() < 1e-9);
        assert!(b.cost_there >= half && (b.cost_there / half).fract() == 0.0, "{b:?}");
        assert!(!b.how.is_empty() && ["yes", "partly", "no"].contains(&b.bench_can.as_str()), "{b:?}");
    }
    // A run that fails moves its test up and is named; one that passes moves it down.
    let mains = p.tests.iter().find(|t| t.phenomenon == Phenomenon::ConductedDisturbance).unwrap();
    let says = |chance: f64| RunSays {
        run: "R001".to_owned(),
        measured: "2026-03-10".to_owned(),
        state: Some("A".to_owned()),
        sentence: "Fails by 6.1 dB".to_owned(),
        decision: "fail".to_owned(),
        chance,
        basis: "computed".to_owned(),
        not_repeated: vec!["neutral failed in state A and was not measured since".to_owned()],
    };
    let place = |chance| {
        let (_, _, r) = made(&answers(), &[(mains.id.clone(), says(chance))].into(), &design(None));
        assert_eq!((r.likely.len(), r.ready), (1, chance < 0.5));
        assert!(r.findings.iter().any(|f| f.weight == Weight::Risk && f.what.contains("neutral failed in state A")));
        let at = r.bench_first.iter().position(|b| b.job == "mains-conducted").unwrap();
        assert_eq!(r.bench_first[at].run.as_deref(), Some("R001"));
        at
    };
    assert_eq!(place(0.99), 0);
    assert_eq!(place(0.0), d.jobs.len() - 2);
}
