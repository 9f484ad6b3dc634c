//! Propagation of uncertainty against worked examples of the guides, budgets against their published sums, decision rules.

use emission::random::Random;
use emission::uncertainty::{
    Quantity, Shape, cispr_rule, conformance_probability, coverage_factor, effective_degrees_of_freedom, first_order,
    global_risk, guard_band_db, level_uncertainty, normal_quantile, second_order_standard, simulate,
    simulated_uncertainty, student_quantile,
};
use standards::{BudgetPlace, Correlation, example_budgets, read_budgets};

fn within(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((found - expected).abs() <= tolerance, "{what}: {found}, expected {expected} ± {tolerance}");
}

/// The end gauge of JCGM 100:2008, H.1: l = l_S + d − l_S·(δα·θ + α_S·δθ), nanometres. Input figures and results as
/// printed there (u_c = 32 nm, ν_eff = 16, U₉₉ = 93 nm; with second-order terms 34 nm).
#[test]
fn the_end_gauge_of_the_guide() {
    let effective = effective_degrees_of_freedom(&[(5.8, 24.0), (3.9, 5.0), (6.7, 8.0)]);
    // From the printed, rounded figures; the guide prints 25.6 from unrounded ones.
    within(effective, 25.6, 0.2, "degrees of freedom of the comparison");
    let inputs = [
        Quantity::new(50_000_623.0, Shape::Normal { standard: 25.0 }).with_freedom(18.0),
        Quantity::new(215.0, Shape::Normal { standard: 9.7 }).with_freedom(effective),
        Quantity::new(0.0, Shape::Rectangular { half: 1e-6 }).with_freedom(50.0),
        // The mean temperature with its cyclic variation: 0.41 °C together.
        Quantity::new(-0.1, Shape::Normal { standard: 0.41 }),
        Quantity::new(11.5e-6, Shape::Rectangular { half: 2e-6 }),
        Quantity::new(0.0, Shape::Rectangular { half: 0.05 }).with_freedom(2.0),
    ];
    let length = |x: &[f64]| x[0] + x[1] - x[0] * (x[2] * x[3] + x[4] * x[5]);
    let found = first_order(&inputs, length);
    within(found.value, 50_000_838.0, 0.5, "length");
    within(found.standard, 32.0, 0.5, "standard uncertainty");
    for (share, printed) in found.shares.iter().zip([25.0, 9.7, 2.9, 0.0, 0.0, 16.6]) {
        within(*share, printed, 0.06, "share");
    }
    assert_eq!(found.degrees_of_freedom.floor(), 16.0);
    let k = coverage_factor(0.99, found.degrees_of_freedom);
    within(k, 2.92, 0.005, "t for 99 %");
    within(k * found.standard, 93.0, 0.7, "expanded uncertainty");
    within(second_order_standard(&inputs, length), 34.0, 0.5, "with terms of second order");
}

/// Sums of four quantities, JCGM 101:2008, 9.2 (from memory): four normal ones: u 2, 95 % ±3.92; four rectangular ones of
/// unit standard uncertainty: ±3.88; with one of them ten times as wide: u 10.1 and ±17.0 where the normal rule gives ±19.8.
#[test]
fn sums_of_supplement_one() {
    let normal = Quantity::new(0.0, Shape::Normal { standard: 1.0 });
    let flat = |u: f64| Quantity::new(0.0, Shape::Rectangular { half: u * 3f64.sqrt() });
    let sum = |x: &[f64]| x.iter().sum();
    for (inputs, u, interval) in [
        (vec![normal.clone(), normal.clone(), normal.clone(), normal], 2.0, 3.92),
        (vec![flat(1.0), flat(1.0), flat(1.0), flat(1.0)], 2.0, 3.88),
        (vec![flat(1.0), flat(1.0), flat(1.0), flat(10.0)], 103f64.sqrt(), 17.0),
    ] {
        let found = simulate(&inputs, 400_000, 7, sum);
        within(found.mean, 0.0, 5.0 * u / 400_000f64.sqrt(), "mean");
        within(found.standard, u, 5.0 * found.standard_error, "standard uncertainty");
        let (low, high) = found.symmetric_interval(0.95);
        within(high, interval, 0.015 * interval, "upper end");
        within(low, -interval, 0.015 * interval, "lower end");
        within(first_order(&inputs, sum).standard, u, 1e-9, "first order");
    }
}

/// Mass calibration, JCGM 101:2008, 9.3 (from memory), milligrams: first order gives 1.234 with u 0.0539, simulation u 0.0754
/// and the shortest 95 % interval [1.083, 1.383], terms of second order u 0.0750.
#[test]
fn the_mass_calibration_of_supplement_one_needs_more_than_the_first_order() {
    let inputs = [
        Quantity::new(100_000.0, Shape::Normal { standard: 0.050 }),
        Quantity::new(1.234, Shape::Normal { standard: 0.020 }),
        Quantity::new(1.20, Shape::Rectangular { half: 0.10 }),
        Quantity::new(8000.0, Shape::Rectangular { half: 1000.0 }),
        Quantity::new(8000.0, Shape::Rectangular { half: 50.0 }),
    ];
    let mass = |x: &[f64]| (x[0] + x[1]) * (1.0 + (x[2] - 1.2) * (1.0 / x[3] - 1.0 / x[4])) - 100_000.0;
    let first = first_order(&inputs, mass);
    within(first.value, 1.234, 1e-6, "value");
    within(first.standard, 0.0539, 5e-5, "first order");
    within(second_order_standard(&inputs, mass), 0.0750, 1e-4, "second order");
    let drawn = simulate(&inputs, 400_000, 3, mass);
    within(drawn.standard, 0.0754, 2e-4 + 4.0 * drawn.standard_error, "simulation");
    let (low, high) = drawn.shortest_interval(0.95);
    within(low, 1.0834, 0.004, "lower end");
    within(high, 1.3825, 0.004, "upper end");
}

/// The mains port's contributions as CISPR 16-4-2 lists them (from memory): √(0.1² + 0.05² + 0.05² + 0.5² + 2·1.5²/3 +
/// 0.75²/2 + 2.65²/6) = 1.79, twice that 3.6 dB. The published U_cispr is 3.4 dB, so 0.2 dB are added to readings.
#[test]
fn the_mains_budget_sums_to_its_published_size() {
    let budget = example_budgets().iter().find(|b| b.id == "mains-network").expect("an example");
    let found = level_uncertainty(budget, 1e6).expect("inside");
    within(found.standard_db, 1.79, 0.01, "standard uncertainty");
    within(found.expanded_db, 3.6, 0.05, "expanded uncertainty");
    let rule = cispr_rule(found.expanded_db, budget.kind.published().u_cispr_db);
    within(rule.addition_db, 0.2, 0.02, "addition");
    assert_eq!(cispr_rule(3.0, 3.4).addition_db, 0.0);
    within(found.shares.iter().map(|s| s.variance_share).sum(), 1.0, 1e-9, "shares");
    assert_eq!(found.shares[0].name, "impedance of the network");
    within(found.common_db, (0.0025f64 + 0.25 + 0.75).sqrt(), 1e-9, "what is common");
}

/// Every example that ships: simulation and GUM agree within five standard errors of the simulation, at both ends and in the
/// middle of the published range; a laboratory's lies within 1.3 dB of U_cispr, a bench's above it.
#[test]
fn every_example_propagates_alike_both_ways() {
    for budget in example_budgets() {
        let published = budget.kind.published();
        let middle = (published.from_hz * published.to_hz).sqrt();
        for (seed, f) in [published.from_hz, middle, published.to_hz].into_iter().enumerate() {
            let gum = level_uncertainty(budget, f).unwrap_or_else(|| panic!("{} at {f}", budget.id));
            let drawn = simulated_uncertainty(budget, f, 100_000, seed as u64).expect("inside");
            within(drawn.standard, gum.standard_db, 5.0 * drawn.standard_error, &budget.id);
            within(drawn.mean, gum.shift_db, 5.0 * gum.standard_db / 100_000f64.sqrt(), &budget.id);
            match budget.place {
                BudgetPlace::Laboratory => within(gum.expanded_db, published.u_cispr_db, 1.3, &budget.id),
                BudgetPlace::Bench => assert!(gum.expanded_db > published.u_cispr_db, "{}", budget.id),
            }
        }
    }
}

/// Covariance of two emissions: common parts whole, independent parts nothing, the others by the distance in octaves; and a
/// matrix of it has no negative variance.
#[test]
fn deviations_belong_together_as_the_budget_says() {
    let text = r#"
[[budget]]
id = "b"
title = "t"
kind = "mains_network"
source = "a test"
known = "memory"
[[budget.contribution]]
name = "common"
value_db = 2.0
distribution = "normal"
k = 2.0
correlation = "common"
[[budget.contribution]]
name = "own"
value_db = 3.0
distribution = "rectangular"
correlation = "independent"
[[budget.contribution]]
name = "site"
table_hz_db = [[1e6, 1.0], [1e8, 3.0]]
distribution = "u_shaped"
correlation = { octaves = 0.5 }
sensitivity = 2.0
"#;
    let budget = &read_budgets(text, "test").expect("reads")[0];
    assert_eq!(budget.contributions[2].correlation, Correlation::Octaves(0.5));
    // At 10 MHz the table says 2 dB: 2·2/√2.
    let site = |f: f64| budget.contributions[2].standard_at(f).expect("inside");
    within(site(1e7), 4.0 / 2f64.sqrt(), 1e-12, "table and sensitivity");
    let expected = 1.0 + (-2.0f64).exp() * site(1e7) * site(2e7);
    within(budget.covariance(1e7, 2e7).expect("inside"), expected, 1e-12, "one octave apart");
    within(budget.standard_at(1e7).expect("inside").powi(2), 1.0 + 3.0 + 8.0, 1e-12, "variance");
    assert_eq!(budget.standard_at(2e8), None);
}

#[test]
fn a_faulty_budget_names_its_place() {
    let good = r#"
[[budget]]
id = "b"
title = "t"
kind = "mains_network"
source = "a test"
known = "memory"
[[budget.contribution]]
name = "cable"
value_db = 1.0
distribution = "normal"
k = 2.0
correlation = "common"
"#;
    assert_eq!(read_budgets(good, "x.toml").expect("reads").len(), 1);
    for (from, to, said) in [
        ("k = 2.0\n", "", "x.toml, budget `b`, contribution `cable`: k: not given"),
        ("value_db = 1.0", "value_db = -1.0", "value_db: -1; expected a number of dB, 0 or more"),
        ("value_db = 1.0", "value_db = 1.0\nplus_db = 1.0\nminus_db = 1.0", "several or none of its kinds"),
        ("\"common\"", "{ octaves = 0.0 }", "correlation: octaves = 0"),
        ("value_db = 1.0", "table_hz_db = [[2e6, 1.0], [1e6, 1.0]]", "table_hz_db: point 2"),
        ("source = \"a test\"", "source = \"\"", "budget `b`: source: it is empty"),
        ("distribution = \"normal\"", "distribution = \"normale\"", "unknown variant `normale`"),
        ("value_db", "valeu_db", "unknown field `valeu_db`"),
        ("\"normal\"", "\"rectangular\"", "k: 2; expected no k"),
    ] {
        let message = read_budgets(&good.replace(from, to), "x.toml").expect_err(said).to_string();
        assert!(message.contains(said), "{message}\nexpected {said}");
    }
}

/// Student's t as tabulated in JCGM 100, table G.2 (95 %): ν 1 12.71, 2 4.30, 10 2.23, 50 2.01, ∞ 1.96.
#[test]
fn coverage_factors_are_the_tabulated_ones() {
    for (freedom, k) in [(1.0, 12.71), (2.0, 4.30), (10.0, 2.23), (10.9, 2.23), (50.0, 2.01), (f64::INFINITY, 1.96)] {
        within(coverage_factor(0.95, freedom), k, 0.005, "k");
    }
    within(normal_quantile(0.8), 0.841_621_233_6, 1e-9, "z(0.8)");
    within(student_quantile(0.975, 4.0), 2.776_445, 1e-6, "t(4)");
}

/// JCGM 106:2012 (from memory): a Zener diode read at −5.47 V with u 0.05 V against an upper limit of −5.40 V conforms with
/// 92 %; ISO 14253-1: the guard band for 5 % risk is 1.64·u, about 0.82 of U.
#[test]
fn acceptance_as_in_the_guide() {
    within(conformance_probability(0.07, 0.05), 0.92, 0.001, "conformance probability");
    within(guard_band_db(1.0, 0.05), 1.645, 0.001, "guard band");
    within(guard_band_db(0.5, 0.05) / 1.0, 0.82, 0.003, "of the expanded uncertainty");
    assert_eq!(guard_band_db(2.0, 0.5), 0.0);
    within(conformance_probability(guard_band_db(1.7, 0.1), 1.7), 0.9, 1e-9, "at the acceptance limit");
}

/// Global risks against a plain simulation of 400,000 products.
#[test]
fn global_risks_are_those_of_products_as_they_come() {
    for (mean, spread, u, guard, seed) in [(3.0, 4.0, 1.7, 0.0, 1), (3.0, 4.0, 1.7, 2.8, 2), (-2.0, 1.0, 2.5, 1.0, 3)] {
        let mut random = Random::new(seed);
        let (mut consumer, mut producer) = (0u32, 0u32);
        let n = 400_000;
        for _ in 0..n {
            let margin = mean + spread * random.normal();
            let accepted = margin + u * random.normal() >= guard;
            consumer += u32::from(margin < 0.0 && accepted);
            producer += u32::from(margin >= 0.0 && !accepted);
        }
        let found = global_risk(mean, spread, u, guard);
        for (found, count) in [(found.consumer, consumer), (found.producer, producer)] {
            let share = f64::from(count) / f64::from(n);
            within(found, share, 5.0 * (share * (1.0 - share) / f64::from(n)).sqrt() + 1e-5, "risk");
        }
    }
}

/// A verdict with a budget: U against frequency, what is added to readings, what is common; a budget that does not reach is
/// refused.
#[test]
fn a_verdict_takes_its_uncertainty_from_the_budget() {
    use emission::{Column, JudgeOptions, Trace, judge};
    let text = r#"
[[budget]]
id = "mine"
title = "t"
kind = "mains_network"
source = "a test"
known = "memory"
[[budget.contribution]]
name = "cable"
table_hz_db = [[1e6, 3.0], [1e7, 5.0]]
distribution = "normal"
k = 2.0
correlation = "common"
"#;
    let budget = read_budgets(text, "test").expect("reads").remove(0);
    let limit = standards::LimitLibrary::embedded().get("cispr32-b-mains-qp").expect("a mains limit").clone();
    let trace = |f: Vec<f64>| Trace {
        columns: vec![Column {
            detector: Some(standards::Detector::QuasiPeak),
            name: "qp".into(),
            level_db: vec![50.0; f.len()],
            lower_bound: Vec::new(),
            floor_db: Vec::new(),
        }],
        frequency_hz: f,
        unit: Some(quantity::Unit::DbUv),
        ..Trace::default()
    };
    let options = JudgeOptions { budget: Some(budget), allow_partial: true, ..JudgeOptions::default() };
    let verdict = judge(&trace(vec![1e6, 4.99e6]), &[&limit], &options).expect("judged");
    // At 1 MHz U = 3.0 ≤ 3.4: nothing added; at 4.99 MHz 3 + 2·log₁₀(4.99) = 4.396: 0.996 dB added.
    within(verdict.limits[0].margin_db[0], 6.0, 1e-9, "margin at 1 MHz");
    within(verdict.limits[0].margin_db[1], 6.0 - 0.996, 0.002, "margin at 4.99 MHz");
    within(verdict.uncertainty.expanded_db, 4.396, 0.002, "U");
    assert_eq!(verdict.uncertainty.budget.as_deref(), Some("mine"));
    within(verdict.uncertainty.common_share, 1.0, 1e-12, "common");
    assert!(!verdict.uncertainty.assumed && verdict.uncertainty.statement.contains("`mine`"));
    let message = judge(&trace(vec![5e5, 1e6]), &[&limit], &options).expect_err("outside").to_string();
    assert!(message.contains("budget `mine` says nothing at 500000 Hz"), "{message}");
}

/// Guarded acceptance at 5 % with U = 3.4 dB: 1.645·1.7 = 2.796 dB are kept; a reading 2 dB below the limit is refused, the
/// probability that its true level meets the limit stays Φ(2/1.7) = 0.880.
#[test]
fn a_verdict_keeps_a_guard_band() {
    use emission::{Column, Decision, JudgeOptions, Trace, judge};
    let limit = standards::LimitLibrary::embedded().get("cispr32-b-mains-qp").expect("a mains limit").clone();
    let trace = |level: f64| Trace {
        frequency_hz: vec![1e6],
        columns: vec![Column {
            detector: Some(standards::Detector::QuasiPeak),
            name: "qp".into(),
            level_db: vec![level],
            lower_bound: Vec::new(),
            floor_db: Vec::new(),
        }],
        unit: Some(quantity::Unit::DbUv),
        ..Trace::default()
    };
    let simple = JudgeOptions { allow_partial: true, ..JudgeOptions::default() };
    let guarded = JudgeOptions { guard_risk: Some(0.05), ..simple.clone() };
    let verdict = judge(&trace(54.0), &[&limit], &guarded).expect("judged");
    assert_eq!(verdict.decision, Decision::Fail);
    within(verdict.worst_margin_db, 2.0 - 2.796, 0.001, "margin");
    within(verdict.probability, 0.8803, 0.0005, "probability");
    assert_eq!(judge(&trace(54.0), &[&limit], &simple).expect("judged").decision, Decision::Pass);
    assert_eq!(judge(&trace(53.2), &[&limit], &guarded).expect("judged").decision, Decision::Pass);
    assert!(verdict.uncertainty.statement.contains("guard band of 2.8 dB"));
    let wrong = JudgeOptions { guard_risk: Some(0.7), ..simple };
    assert!(judge(&trace(54.0), &[&limit], &wrong).is_err());
}
