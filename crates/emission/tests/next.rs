//! The next measurement: what each is worth, and that following it reaches a sure verdict sooner.

use emission::chance::{
    BenchEmission, ChanceOptions, Pair, Repeatability, Situation, Spread, StandIn, probability_of_passing,
};
use emission::next::{Action, Candidate, rank, settled};
use emission::random::Random;
use standards::{Budget, read_budgets};

/// A budget of normal contributions: name, standard uncertainty in dB, correlation.
fn budget(rows: &[(&str, f64, &str)]) -> Budget {
    let mut text =
        "[[budget]]\nid = \"b\"\ntitle = \"t\"\nkind = \"mains_network\"\nsource = \"a test\"\nknown = \"memory\"\n"
            .to_owned();
    for (name, value, correlation) in rows {
        text.push_str(&format!(
            "[[budget.contribution]]\nname = \"{name}\"\nvalue_db = {value}\ndistribution = \"normal\"\nk = 1.0\n\
             correlation = \"{correlation}\"\n"
        ));
    }
    read_budgets(&text, "test").expect("reads").remove(0)
}

fn known(run_db: f64, own_db: f64) -> Repeatability {
    let spread = |standard_db| Spread { standard_db, degrees_of_freedom: 1e6 };
    Repeatability { run: spread(run_db), own: spread(own_db), observed: None, repeated_runs: 0 }
}

fn emission(set_up: usize, frequency_hz: f64, margin_db: f64) -> BenchEmission {
    BenchEmission { label: format!("set-up {set_up}"), frequency_hz, margin_db, repeats: 1, set_up, stand_in: None }
}

fn candidate(action: Action, minutes: f64) -> Candidate {
    Candidate { title: format!("{action:?}"), action, minutes }
}

/// The set-up whose emission lies at the limit is the one to repeat; the detector that stands in is worth settling where it
/// decides; calibrating what is large beats what is small; a laboratory visit settles most, but costs most.
#[test]
fn the_measurement_that_matters_comes_first() {
    let bench = budget(&[("large", 2.0, "common"), ("small", 0.3, "common")]);
    let laboratory = budget(&[("receiver", 0.5, "common")]);
    let mut emissions = vec![emission(0, 1e6, 1.0), emission(1, 2e6, 15.0), emission(1, 3e6, 18.0)];
    emissions.extend((0..6).map(|i| emission(2, 5e6 + 1e6 * f64::from(i), 12.0 + f64::from(i))));
    let s = Situation {
        emissions,
        pairs: Vec::<Pair>::new(),
        bench: &bench,
        laboratory: &laboratory,
        repeatability: known(0.5, 1.5),
    };
    let settle = |name: &str| candidate(Action::Settle { contribution: name.to_owned() }, 15.0);
    let all = [
        candidate(Action::Repeat { set_up: 0 }, 15.0),
        candidate(Action::Repeat { set_up: 1 }, 15.0),
        settle("large"),
        settle("small"),
        candidate(Action::LaboratoryPair { frequency_hz: vec![1e6, 2e6] }, 240.0),
    ];
    let ranked = rank(&s, &all, 1);
    let of = |a: &Action| ranked.iter().find(|r| &r.candidate.action == a).expect("ranked");
    let (repeat, other) = (of(&all[0].action), of(&all[1].action));
    assert!(repeat.gain_per_hour > other.gain_per_hour + 0.003, "{repeat:?} {other:?}");
    assert!(of(&all[2].action).doubt_after < of(&all[3].action).doubt_after - 0.02);
    assert_eq!(ranked[0].candidate.action, all[2].action);
    for r in &ranked {
        assert!(r.doubt_after <= r.doubt_now + 1e-9 && r.doubt_now > 0.1, "{r:?}");
    }

    let mut stand_in = s.clone();
    stand_in.emissions[0].margin_db = -5.0;
    stand_in.emissions[0].stand_in = Some(StandIn { mean_db: 6.0, common_db: 3.5, own_db: 2.0 });
    let detector = candidate(Action::Detector { frequency_hz: 1e6, set_up: 0 }, 5.0);
    assert_eq!(rank(&stand_in, &[all[0].clone(), all[2].clone(), detector.clone()], 1)[0].candidate, detector);
}

/// One emission, by hand: margin 1 dB, one reading that scatters by 2 dB, a second one, a laboratory that scatters by 2 dB too.
/// Now the laboratory reads N(1, 4 + 4): P = Φ(1/√8) = 0.638, doubt 0.362. After a second reading the mean moves by
/// N(0, 4 − 2), and P = Φ((1 + shift)/√6): expected doubt by quadrature (scipy.integrate.quad) 0.3009.
#[test]
fn one_emission_by_hand() {
    let none = budget(&[("none", 1e-4, "common")]);
    let s = Situation {
        emissions: vec![emission(0, 1e6, 1.0)],
        pairs: Vec::new(),
        bench: &none,
        laboratory: &none,
        repeatability: known(1e-4, 2.0),
    };
    let r = &rank(&s, &[candidate(Action::Repeat { set_up: 0 }, 30.0)], 3)[0];
    assert!((r.doubt_now - 0.362).abs() < 0.02, "{r:?}");
    assert!((r.doubt_now - r.doubt_after - (0.3618 - DOUBT_AFTER)).abs() < 0.015, "{r:?}");
    assert!((r.gain_per_hour - 2.0 * (r.doubt_now - r.doubt_after)).abs() < 1e-12);
}

/// See the test above.
const DOUBT_AFTER: f64 = 0.3009;

/// With many emissions and a doubt that all share (a stand-in detector) the ranking starts from the chance that is said.
#[test]
fn the_doubt_is_that_of_the_chance() {
    let bench = budget(&[("instrument", 1.0, "common"), ("own", 0.7, "independent")]);
    let laboratory = budget(&[("receiver", 0.8, "common")]);
    for count in [30u32, 150] {
        let mut emissions: Vec<BenchEmission> = (0..count)
            .map(|i| emission(0, 1e6 + 5e4 * f64::from(i), -9.0 + 30.0 * f64::from(i) / f64::from(count)))
            .collect();
        for e in &mut emissions {
            e.stand_in = Some(StandIn { mean_db: 9.0, common_db: 4.5, own_db: 2.5 });
        }
        let s = Situation {
            emissions,
            pairs: Vec::new(),
            bench: &bench,
            laboratory: &laboratory,
            repeatability: known(0.5, 1.0),
        };
        let p = probability_of_passing(&s, &ChanceOptions::default());
        let ranked = rank(&s, &[candidate(Action::Repeat { set_up: 0 }, 15.0)], 1);
        assert!((ranked[0].doubt_now - p.min(1.0 - p)).abs() < 0.06, "{p} {ranked:?}");
        assert!(p > 0.1 && p < 0.9, "{p}");
    }
}

/// 60 simulated benches, four set-ups and a calibration to choose from: following the ranking reaches 90 % sureness in fewer
/// measurements than taking turns.
#[test]
fn following_it_takes_fewer_measurements_than_taking_turns() {
    let laboratory = budget(&[("receiver", 0.3, "common")]);
    let options = ChanceOptions { spread_draws: 8, deviation_draws: 32, ..ChanceOptions::default() };
    let (mut followed, mut turned) = (0, 0);
    for seed in 0..60 {
        for follow in [true, false] {
            let mut random = Random::new(500 + seed);
            let bench = budget(&[("instrument", 2.0, "common"), ("own", 0.3, "independent")]);
            let calibrated = settled(&bench, "instrument", 0.25);
            let (shift, left) = (2.0 * (1.0f64 - 0.0625).sqrt() * random.normal(), 2.0 * 0.25 * random.normal());
            // Four set-ups, one near the limit.
            let near = random.below(4);
            let truth: Vec<(usize, f64, f64)> = (0..12)
                .map(|i| {
                    let set_up = i % 4;
                    let side = if random.chance(0.5) { 1.0 } else { -1.0 };
                    let m = if set_up == near && i < 4 {
                        side * random.between(1.5, 4.5)
                    } else {
                        random.between(8.0, 25.0)
                    };
                    (set_up, 1e6 * (1 + i) as f64, m)
                })
                .collect();
            let read = |i: usize, run: f64, known: f64, random: &mut Random| {
                truth[i].2 + shift + left - known + run + 1.2 * random.normal()
            };
            let mut emissions: Vec<BenchEmission> = Vec::new();
            for (i, t) in truth.iter().enumerate() {
                emissions.push(emission(t.0, t.1, read(i, 0.0, 0.0, &mut random)));
            }
            let (mut known_shift, mut budget_now) = (0.0, &bench);
            let mut turn = 0;
            for step in 0..=12 {
                let s = Situation {
                    emissions: emissions.clone(),
                    pairs: Vec::new(),
                    bench: budget_now,
                    laboratory: &laboratory,
                    repeatability: known(0.3, 1.2),
                };
                let p = probability_of_passing(&s, &options);
                if p.min(1.0 - p) <= 0.1 || step == 12 {
                    if follow {
                        followed += step;
                    } else {
                        turned += step;
                    }
                    break;
                }
                let mut all: Vec<Candidate> = (0..4).map(|set_up| candidate(Action::Repeat { set_up }, 15.0)).collect();
                if known_shift == 0.0 {
                    all.push(candidate(Action::Settle { contribution: "instrument".into() }, 15.0));
                }
                let action = if follow {
                    rank(&s, &all, step as u64)[0].candidate.action.clone()
                } else {
                    turn += 1;
                    all[(turn - 1) % all.len()].action.clone()
                };
                match action {
                    Action::Repeat { set_up } => {
                        let run = 0.3 * random.normal();
                        for (i, e) in emissions.iter_mut().enumerate().filter(|(_, e)| e.set_up == set_up) {
                            let n = e.repeats as f64;
                            e.margin_db = (n * e.margin_db + read(i, run, known_shift, &mut random)) / (n + 1.0);
                            e.repeats += 1;
                        }
                    }
                    _ => {
                        known_shift = shift;
                        budget_now = &calibrated;
                        for e in &mut emissions {
                            e.margin_db -= shift;
                        }
                    }
                }
            }
        }
    }
    println!("followed {followed}, taking turns {turned}");
    assert!(f64::from(followed) < 0.75 * f64::from(turned), "{followed} against {turned}");
}
