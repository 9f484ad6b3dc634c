//! Thresholds: worked examples, and products whose threshold is known by construction.

use immunity::threshold::{
    Curve, Trial, chance_bound, compare, dixon_mood, estimate, next_bisection, next_up_down, over_frequency,
};
use statrs::distribution::{ContinuousCDF, Normal};

struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A product that fails with the chance of a cumulative normal about its threshold.
fn run(threshold_db: f64, spread_db: f64, step_db: f64, count: usize, random: &mut Random) -> Vec<Trial> {
    let n = Normal::standard();
    let mut trials = Vec::new();
    for _ in 0..count {
        let level_db = next_up_down(&trials, threshold_db + 3.3, step_db);
        let chance = n.cdf((level_db - threshold_db) / spread_db);
        trials.push(Trial { level_db, failed: random.uniform() < chance });
    }
    trials
}

#[test]
fn the_interval_holds_the_truth_as_often_as_it_says() {
    let mut random = Random(0x51_7E_AD_10_C0_DE);
    let (mut inside, mut bias, mut square) = (0, 0.0, 0.0);
    const RUNS: usize = 100;
    for k in 0..RUNS {
        let truth = 50.0 + 0.37 * (k % 7) as f64;
        let trials = run(truth, 1.5, 1.5, 30, &mut random);
        let t = estimate(&trials, Curve::Probit, 0.9).unwrap();
        inside += usize::from(t.low_db <= truth && truth <= t.high_db);
        bias += (t.level_db - truth) / RUNS as f64;
        square += (t.level_db - truth).powi(2) / RUNS as f64;
    }
    println!("inside {inside} of {RUNS}, bias {bias:.3} dB, rms {:.3} dB", square.sqrt());
    // 90 expected, binomial deviation 3; 30 trials of spread 1.5 dB: Dixon and Mood give about 1.5·sqrt(1/15) = 0.39 dB.
    assert!((81..=98).contains(&inside));
    assert!(bias.abs() < 0.12 && square.sqrt() < 0.5);
}

#[test]
fn dixon_and_moods_own_example() {
    // The method's arithmetic by hand on ten trials with a step of 1: failures at 2, 2, 3, 2 (n = 4, i = 0, 0, 1, 0),
    // A = 1, B = 1: mean 2 + (1/4 − 1/2) = 1.75, spread 1.62·((4 − 1)/16 + 0.029) = 0.3507.
    let levels = [
        (1.0, false),
        (2.0, true),
        (1.0, false),
        (2.0, true),
        (1.0, false),
        (2.0, false),
        (3.0, true),
        (2.0, true),
        (1.0, false),
    ];
    let trials: Vec<Trial> =
        levels.iter().map(|(level_db, failed)| Trial { level_db: *level_db, failed: *failed }).collect();
    let (mean, spread) = dixon_mood(&trials, 1.0).unwrap();
    assert!((mean - 1.75).abs() < 1e-12 && (spread - 0.35073).abs() < 1e-4, "{mean} {spread}");
    // The likelihood agrees within a fraction of a step.
    let t = estimate(&trials, Curve::Probit, 0.95).unwrap();
    assert!((t.level_db - mean).abs() < 0.25, "{}", t.level_db);
}

#[test]
fn a_fit_against_its_own_equations() {
    // At the maximum of a logit likelihood with levels -1, 0, 1 (10 trials each; 2, 5, 8 failures) the symmetry fixes the middle
    // at 0, and the slope solves 2·10·p(1)+5 = 8·... : p(1) = 0.8 and p(-1) = 0.2, so the scale is 1/ln 4.
    let mut trials = Vec::new();
    for (level_db, failures) in [(-1.0, 2), (0.0, 5), (1.0, 8)] {
        trials.extend((0..10).map(|k| Trial { level_db, failed: k < failures }));
    }
    let t = estimate(&trials, Curve::Logit, 0.95).unwrap();
    assert!(t.level_db.abs() < 1e-3 && (t.spread_db * 4f64.ln() - 1.0).abs() < 1e-3, "{t:?}");
    assert!((t.low_db + t.high_db).abs() < 1e-3 && t.high_db > 0.2 && t.high_db < 2.0);
    // Probit: p(1) = Φ(1/σ) = 0.8, Φ⁻¹(0.8) = 0.8416 (table of the normal distribution).
    let t = estimate(&trials, Curve::Probit, 0.95).unwrap();
    assert!((t.spread_db * 0.8416 - 1.0).abs() < 1e-3, "{t:?}");
}

#[test]
fn bounds_and_ways() {
    // No failure in 59 trials: less than 5 % with 95 % confidence (the rule of 59: 0.95^59 = 0.0485).
    assert!(chance_bound(0, 59, 0.95) < 0.05 && chance_bound(0, 58, 0.95) > 0.05);
    // Clopper and Pearson, 1 of 10 at 95 % one-sided: 0.3942 (standard tables).
    assert!((chance_bound(1, 10, 0.95) - 0.3942).abs() < 1e-4);
    // Halving finds a fixed threshold of 47.3 dB between 40 and 60 to 0.1 dB in ten trials.
    let mut trials = Vec::new();
    while let Some(level_db) = next_bisection(&trials, 40.0, 60.0, 0.1) {
        trials.push(Trial { level_db, failed: level_db >= 47.3 });
        assert!(trials.len() < 15);
    }
    let t = estimate(&trials, Curve::Probit, 0.95).unwrap();
    assert!(t.separated && (t.level_db - 47.3).abs() <= 0.05, "{t:?}");
    assert!(estimate(&trials[..1], Curve::Probit, 0.95).is_err());
    // A product that never fails gives a margin that is a lower bound.
    let runs = vec![
        (150e3, vec![Trial { level_db: 140.0, failed: false }]),
        (27e6, trials.iter().map(|t| Trial { level_db: t.level_db + 80.0, ..*t }).collect()),
    ];
    let c = over_frequency(&runs, 129.5, Curve::Probit, 0.95).unwrap();
    assert!(c[0].at_least && (c[0].margin_db - 10.5).abs() < 1e-9);
    assert!(!c[1].at_least && (c[1].margin_db + 2.2).abs() < 0.06);
    // A change of 6 dB shows, one of nothing does not.
    let mut random = Random(77_777);
    let before = estimate(&run(50.0, 1.0, 1.0, 30, &mut random), Curve::Probit, 0.95).unwrap();
    let after = estimate(&run(56.0, 1.0, 1.0, 30, &mut random), Curve::Probit, 0.95).unwrap();
    let better = compare(&before, &after);
    assert!(better.is_certain && (better.gain_db - 6.0).abs() < 1.2);
    let again = estimate(&run(50.0, 1.0, 1.0, 30, &mut random), Curve::Probit, 0.95).unwrap();
    assert!(!compare(&before, &again).is_certain);
}
