//! The chance of passing: closed forms, what must hold of it, and its calibration on simulated campaigns.

use emission::chance::simulation::open_calibration;
use emission::chance::{
    BenchEmission, Chance, ChanceOptions, Pair, Repeatability, RepeatabilityPrior, Situation, Spread, StandIn,
    chance_of_passing, probability_within, sentence,
};
use emission::random::Random;
use emission::uncertainty::student_below;
use emission::{joint_probability, normal_below};
use standards::{Budget, example_budgets, read_budgets};

fn budget(id: &str) -> &'static Budget {
    example_budgets().iter().find(|b| b.id == id).expect("an example")
}

/// A budget of two normal contributions: one common, one of each emission's own.
fn two(common_db: f64, own_db: f64) -> Budget {
    let text = format!(
        "[[budget]]\nid = \"b\"\ntitle = \"t\"\nkind = \"mains_network\"\nsource = \"a test\"\nknown = \"memory\"\n\
         [[budget.contribution]]\nname = \"common\"\nvalue_db = {common_db}\ndistribution = \"normal\"\nk = 1.0\n\
         correlation = \"common\"\n\
         [[budget.contribution]]\nname = \"own\"\nvalue_db = {own_db}\ndistribution = \"normal\"\nk = 1.0\n\
         correlation = \"independent\"\n"
    );
    read_budgets(&text, "test").expect("reads").remove(0)
}

fn exact() -> Repeatability {
    let none = Spread { standard_db: 1e-4, degrees_of_freedom: 1e6 };
    Repeatability { run: none, own: none, observed: None, repeated_runs: 0 }
}

fn emission(frequency_hz: f64, margin_db: f64) -> BenchEmission {
    BenchEmission { label: "L1".into(), frequency_hz, margin_db, repeats: 1, set_up: 0, stand_in: None }
}

fn fine() -> ChanceOptions {
    ChanceOptions { spread_draws: 64, deviation_draws: 256, ..ChanceOptions::default() }
}

fn agrees(found: &Chance, expected: f64, slack: f64) {
    let tolerance = 5.0 * found.standard_error + slack;
    assert!(
        (found.probability - expected).abs() < tolerance,
        "{} ± {}, expected {expected}",
        found.probability,
        found.standard_error
    );
}

/// One emission with nothing to compare it with: the laboratory reads margin m with a normal deviation of both budgets
/// together, so it passes with Φ(m/√(u_bench² + u_lab²)).
#[test]
fn one_emission_by_hand() {
    let (bench, laboratory) = (two(1.2, 0.9), two(1.0, 0.5));
    for m in [-2.0, 0.0, 1.5, 4.0] {
        let s = Situation {
            emissions: vec![emission(1e6, m)],
            pairs: Vec::new(),
            bench: &bench,
            laboratory: &laboratory,
            repeatability: exact(),
        };
        let u = (1.44f64 + 0.81 + 1.0 + 0.25).sqrt();
        agrees(&chance_of_passing(&s, &fine()), normal_below(m / u), 2e-3);
    }
}

/// One emission read n times with a scatter known to ν degrees of freedom, perfect instruments: the laboratory's one reading
/// is Student's t around the mean, scale s·√(1 + 1/n) (the predictive distribution of any textbook).
#[test]
fn few_repeats_give_students_t() {
    let perfect = two(0.0, 1e-3);
    for (v, n, m, s) in [(4.0, 3, 2.0, 1.0), (3.0, 1, 1.0, 1.0), (10.0, 5, 3.0, 2.0)] {
        let mut e = emission(1e6, m);
        e.repeats = n;
        let none = Spread { standard_db: 1e-4, degrees_of_freedom: 1e6 };
        let own = Spread { standard_db: s, degrees_of_freedom: v };
        let situation = Situation {
            emissions: vec![e],
            pairs: Vec::new(),
            bench: &perfect,
            laboratory: &perfect,
            repeatability: Repeatability { run: none, own, observed: None, repeated_runs: 0 },
        };
        let found = chance_of_passing(&situation, &ChanceOptions { spread_draws: 4000, deviation_draws: 8, ..fine() });
        agrees(&found, student_below(m / (s * (1.0 + 1.0 / n as f64).sqrt()), v), 2e-3);
    }
}

/// Two emissions 100 dB apart in what they could teach each other, each 0 dB from its limit: with common deviations only,
/// both pass or neither, 1/2; with a perfect laboratory and own deviations only 1/4 (before the spread of so few emissions
/// says anything, which a wide one does not).
#[test]
fn common_deviations_pass_together() {
    let s = |bench: &Budget, laboratory: &Budget| {
        let s = Situation {
            emissions: vec![emission(1e6, 0.0), emission(2e6, 0.0)],
            pairs: Vec::new(),
            bench,
            laboratory,
            repeatability: exact(),
        };
        chance_of_passing(&s, &fine())
    };
    let tiny = two(1e-3, 1e-3);
    agrees(&s(&tiny, &two(2.0, 1e-3)), 0.5, 2e-3);
    agrees(&s(&tiny, &two(1e-3, 2.0)), 0.25, 2e-3);
}

/// The verdict's own probability with a budget is the integral it was before where the budget has a common and an own part
/// only (quadrature against simulation).
#[test]
fn a_budget_gives_the_probability_that_the_integral_gives() {
    let budget = two(1.2, 0.9);
    let u = 1.5;
    for margins in [vec![0.5, 1.0, 2.0], vec![3.0; 30], vec![-1.0, 2.0]] {
        let emissions: Vec<(f64, f64)> = margins.iter().enumerate().map(|(i, m)| (1e6 * (i + 1) as f64, *m)).collect();
        let z: Vec<f64> = margins.iter().map(|m| m / u).collect();
        let expected = joint_probability(&z, 1.44 / 2.25);
        let found = probability_within(&emissions, &budget);
        assert!((found - expected).abs() < 0.006, "{found}, expected {expected}");
    }
}

/// An emission that reads worst among many alike is there partly by chance: with the product's emissions spread as little as
/// the bench's own deviations, it is expected nearer to the others at the laboratory.
#[test]
fn the_worst_of_many_is_worst_partly_by_chance() {
    let (bench, laboratory) = (two(0.3, 2.0), two(0.3, 0.5));
    let mut random = Random::new(5);
    let emissions: Vec<BenchEmission> =
        (0..40).map(|i| emission(1e6 * f64::from(i + 1), 6.0 + 2.5 * random.normal())).collect();
    let lowest = emissions.iter().map(|e| e.margin_db).fold(f64::INFINITY, f64::min);
    let s = Situation { emissions, pairs: Vec::new(), bench: &bench, laboratory: &laboratory, repeatability: exact() };
    let found = chance_of_passing(&s, &fine());
    let worst = found.emissions.iter().find(|e| e.bench_margin_db == lowest).expect("there");
    assert!(worst.expected_margin_db > lowest + 1.0, "{worst:?}");
    assert!(worst.expected_margin_db < 6.5);
}

/// A line that stands far above a crowd of peaks of noise is expected where it was read: what the crowd does says nothing of
/// it. (A normal population learnt from all of them would draw it to the crowd, and a real excess with it.)
#[test]
fn a_line_above_a_crowd_of_noise_is_not_drawn_to_it() {
    let (bench, laboratory) = (two(1.5, 1.5), two(1.0, 1.0));
    let mut emissions: Vec<BenchEmission> =
        (0..60).map(|i| emission(30e6 * 1.05f64.powi(i), 24.0 + 1.5 * f64::from(i * 7 % 11 - 5) / 5.0)).collect();
    emissions.push(emission(144e6, 4.0));
    let situation =
        Situation { emissions, pairs: Vec::new(), bench: &bench, laboratory: &laboratory, repeatability: exact() };
    let found = chance_of_passing(&situation, &fine());
    let line = found.emissions.iter().find(|e| (e.frequency_hz - 144e6).abs() < 1.0).unwrap();
    println!("read 4.0 dB, expected {:.2} ± {:.2} dB", line.expected_margin_db, line.standard_db);
    // The common part may move with the crowd's; the line's own deviation takes it no further than its own doubt.
    assert!((line.expected_margin_db - 4.0).abs() < 1.0, "{}", line.expected_margin_db);
    let alone = Situation { emissions: vec![emission(144e6, 4.0)], ..situation };
    let alone = chance_of_passing(&alone, &fine()).probability;
    assert!((found.probability - alone).abs() < 0.03, "{} beside {alone} alone", found.probability);
}

/// Pairs that show the laboratory reading 4 dB higher move what is expected there, and leave less doubt; a stand-in detector
/// is expected to read lower with the limit's own; an emission without which all is well is named first.
#[test]
fn what_drives_the_chance_is_named() {
    let (bench, laboratory) = (two(3.0, 0.5), two(1.0, 0.5));
    let repeatability = Repeatability::learn(&[], RepeatabilityPrior::default());
    let base = Situation {
        emissions: vec![emission(1e6, 3.0), emission(5e6, 14.0), emission(2e7, 16.0)],
        pairs: Vec::new(),
        bench: &bench,
        laboratory: &laboratory,
        repeatability,
    };
    let before = chance_of_passing(&base, &fine());
    assert_eq!(before.emissions[0].frequency_hz, 1e6);
    assert!(before.emissions[0].gain_without > 0.1, "{:?}", before.emissions[0]);
    assert_eq!((before.sources[0].name.as_str(), before.sources[0].side), ("common", "bench"));
    assert!(before.sources[0].probability_without > before.probability, "{:?}", before.sources[0]);
    assert!((before.sources.iter().map(|s| s.variance_share).sum::<f64>() - 1.0).abs() < 1e-9);
    let said = sentence(&before);
    assert!(said.contains("hangs on one emission, L1 at 1 MHz") && said.contains("common of the bench"), "{said}");

    let pairs: Vec<Pair> = (0..4)
        .map(|v| Pair { frequency_hz: 2e6, difference_db: 4.0, bench_readings: 3, laboratory_readings: 1, visit: v })
        .collect();
    let after = chance_of_passing(&Situation { pairs, ..base.clone() }, &fine());
    assert!(after.probability < before.probability - 0.2, "{} {}", before.probability, after.probability);
    let (a, b) = (&after.emissions[0], &before.emissions[0]);
    assert!(a.expected_margin_db < b.expected_margin_db - 3.0 && a.standard_db < 0.8 * b.standard_db, "{a:?} {b:?}");

    let mut other = base;
    for e in &mut other.emissions {
        e.stand_in = Some(StandIn { mean_db: 5.0, common_db: 1.6, own_db: 1.2 });
    }
    assert!(chance_of_passing(&other, &fine()).probability > before.probability);
}

#[test]
fn more_emissions_than_fit_and_none_at_all() {
    let (bench, laboratory) = (budget("mains-network-bench"), budget("mains-network"));
    let repeatability = Repeatability::learn(&[], RepeatabilityPrior::default());
    let many: Vec<BenchEmission> =
        (0..600).map(|i| emission(150e3 * 1.0085f64.powi(i), 5.0 + 0.08 * f64::from(i))).collect();
    let s = Situation { emissions: many, pairs: Vec::new(), bench, laboratory, repeatability };
    let found = chance_of_passing(&s, &ChanceOptions::default());
    assert_eq!(found.emissions_used, 100);
    assert!(found.probability > 0.3 && found.probability < 1.0, "{}", found.probability);
    // Twice as many enter: those left out hardly matter.
    let options = ChanceOptions { most_emissions: 200, spread_draws: 16, ..ChanceOptions::default() };
    let more = emission::chance::probability_of_passing(&s, &options);
    assert!((more - found.probability).abs() < 0.06, "{more} {}", found.probability);
    let none = chance_of_passing(&Situation { emissions: Vec::new(), ..s }, &ChanceOptions::default());
    assert_eq!(none.probability, 1.0);
}

/// Peak readings far over an average limit, all with the same stand-in: how much lower the average reads is one unknown for
/// all of them, so a crowd of emissions further from the limit does not talk the excess away.
#[test]
fn a_stand_in_is_one_doubt_for_all() {
    let small = two(0.5, 0.5);
    let excess = |mean_db: f64| StandIn { mean_db, common_db: 4.5, own_db: 2.5 };
    let mut emissions: Vec<BenchEmission> =
        (0..30).map(|i| emission(1e6 + 1e5 * f64::from(i), -10.0 + f64::from(i))).collect();
    for e in &mut emissions {
        e.stand_in = Some(excess(9.0));
    }
    let s = Situation { emissions, pairs: Vec::new(), bench: &small, laboratory: &small, repeatability: exact() };
    let found = chance_of_passing(&s, &fine());
    // Expected near −10 + 9 = −1 dB, doubt at least the common 4.5 dB: far from sure either way.
    let worst = found.emissions.iter().find(|e| e.bench_margin_db == -10.0).expect("there");
    assert!((-2.0..1.5).contains(&worst.expected_margin_db) && worst.standard_db > 4.4, "{worst:?}");
    assert!((0.15..0.5).contains(&found.probability), "{}", found.probability);
}

/// Two repeated runs of three emissions against a quasi-peak and an average limit, peak and quasi-peak read: the runs' suspects
/// come together, the nearest limit counts once the stand-in's excess is off, what is far away is left out.
#[test]
fn suspects_of_repeated_runs_come_together() {
    use emission::chance::{RunReadings, collect};
    use emission::{Column, JudgeOptions, Trace, judge};
    use standards::Detector;
    let f: Vec<f64> = (0..600).map(|i| 1e6 + 4.5e3 * f64::from(i)).collect();
    let trace = |tops: &[(usize, f64)]| {
        let mut level = vec![-20.0; f.len()];
        for &(k, l) in tops {
            for (j, off) in [(k - 1, 6.0), (k, 0.0), (k + 1, 6.0)] {
                level[j] = l - off;
            }
        }
        let column = |detector, lower: f64| Column {
            detector: Some(detector),
            name: String::new(),
            level_db: level.iter().map(|l| l - lower).collect(),
            lower_bound: Vec::new(),
            floor_db: Vec::new(),
        };
        Trace {
            frequency_hz: f.clone(),
            unit: Some(quantity::Unit::DbUv),
            columns: vec![column(Detector::Peak, 0.0), column(Detector::QuasiPeak, 2.0)],
            ..Trace::default()
        }
    };
    let library = standards::LimitLibrary::embedded();
    let limits: Vec<_> =
        ["cispr32-b-mains-qp", "cispr32-b-mains-av"].iter().map(|id| library.get(id).expect("a limit")).collect();
    let options = JudgeOptions { within_db: 60.0, allow_partial: true, ..JudgeOptions::default() };
    let read = |tops: &[(usize, f64)]| {
        let t = trace(tops);
        RunReadings::of(&t, &judge(&t, &limits, &options).expect("judged"))
    };
    // The second run's first emission drifted by one step; the third is 45 dB below the first.
    let (a, b) = (read(&[(100, 50.0), (300, 40.0), (500, 5.0)]), read(&[(101, 51.0), (300, 39.0), (500, 5.0)]));
    let found = collect(&[&a, &b]);
    assert_eq!(found.frequency_hz.len(), 2, "{found:?}");
    // Limits 56 (quasi-peak) and 46 (average): quasi-peak read 48 and 49, 8 and 7 dB below the first; as a stand-in for the
    // average it stands 2 dB over, less 6 dB: expected 4 dB below, the nearer of the two.
    assert_eq!(found.detectors[0], (Detector::CisprAverage, Detector::QuasiPeak));
    assert!((found.margins[0][0] + 2.0).abs() < 1e-9 && (found.margins[1][0] + 3.0).abs() < 1e-9, "{found:?}");
    // The second, peak 40 and 39, lies below the average limit by peak already: 6 and 7 dB.
    assert!((found.margins[0][1] - 6.0).abs() < 1e-9 && (found.margins[1][1] - 7.0).abs() < 1e-9, "{found:?}");
}

/// Analysis of variance by hand: two runs of three emissions, (1, 2, 3) and (3, 2, 4): run means 2 and 3, SS_run = 0.5, one
/// degree of freedom; SS_own: deviations ±(1 − 0.5), ±(0 − 0.5), ±(0.5 − 0.5) → 2·(0.25 + 0.25) = 1 with two. One reading
/// against its repetition: (3·0.5 + 2·0.5)/3 = 0.8333 dB². A bench's true repeatability is found from many.
#[test]
fn repeatability_is_that_of_an_analysis_of_variance() {
    let group = vec![vec![1.0, 2.0, 3.0], vec![3.0, 2.0, 4.0]];
    let prior = RepeatabilityPrior { run_db: 1.0, own_db: 1.0, degrees_of_freedom: 1e-9 };
    let found = Repeatability::learn(&[group], prior);
    assert!((found.own.standard_db.powi(2) - 0.5).abs() < 1e-6, "{found:?}");
    assert!((found.run.standard_db.powi(2) - (0.5 - 0.5 / 3.0)).abs() < 1e-6, "{found:?}");
    let observed = found.observed.expect("repeated");
    assert!((observed.standard_db.powi(2) - 0.833_333).abs() < 1e-5, "{observed:?}");

    let mut random = Random::new(1);
    let groups: Vec<Vec<Vec<f64>>> = (0..200)
        .map(|_| {
            (0..4)
                .map(|_| {
                    let run = 0.8 * random.normal();
                    (0..10).map(|_| run + 1.5 * random.normal()).collect()
                })
                .collect()
        })
        .collect();
    let found = Repeatability::learn(&groups, RepeatabilityPrior::default());
    assert!((found.run.standard_db - 0.8).abs() < 0.08 && (found.own.standard_db - 1.5).abs() < 0.05, "{found:?}");
    assert_eq!(Repeatability::learn(&[], RepeatabilityPrior::default()).observed, None);
}

/// When it says p, about p of the campaigns pass: 10,000 simulated campaigns that could go either way (products, benches,
/// laboratories, repeats and pairs all drawn; see `chance::simulation`), spread over all tenths of the scale. In no tenth may
/// more fail than said by over three points; the chance is known to be said too low in the middle, and may be by eight.
#[test]
fn when_it_says_so_it_passes_so() {
    let options = ChanceOptions { spread_draws: 16, deviation_draws: 16, ..ChanceOptions::default() };
    let halves: Vec<_> = std::thread::scope(|scope| {
        let options = &options;
        let work: Vec<_> = (0..2).map(|half| scope.spawn(move || open_calibration(5000, 70 + half, options))).collect();
        work.into_iter().map(|w| w.join().expect("a half")).collect()
    });
    for (a, b) in halves[0].iter().zip(&halves[1]) {
        let n = (a.campaigns + b.campaigns) as f64;
        let mean = |x: f64, y: f64| (x * a.campaigns as f64 + y * b.campaigns as f64) / n;
        let (said, passed) = (mean(a.said, b.said), mean(a.passed, b.passed));
        println!("{:.1} to {:.1}: {n} campaigns, said {said:.3}, passed {passed:.3}", a.from, a.to);
        assert!(n >= 600.0, "{n} campaigns only");
        assert!((-0.03..=0.08).contains(&(passed - said)), "said {said:.3}, passed {passed:.3} of {n}");
    }
}
