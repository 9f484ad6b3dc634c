//! Thresholds: worked examples, and products whose threshold is known by construction.

use immunity::threshold::{
    Curve, Trial, Way, advise, bracket, chance_bound, compare, dixon_mood, estimate, estimate_part, next_bisection,
    next_up_down, over_frequency, probability_above,
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
fn published_staircase_of_a_steel() {
    // Ekaputra, Dewa, Haryadi and Kim, Open Engineering 10 (2020) 394, DOI 10.1515/eng-2020-0048: twelve specimens in steps of
    // 20 MPa, fractures 2 at 280 and 3 at 300 MPa, survivals 3 at 260 and 4 at 280 MPa; counted from 260 MPa A = 8, B = 14,
    // N = 5; mean 282 MPa, standard deviation 10.6 MPa (0.53 of a step, the variation of 0.24 being below 0.3). The order is one
    // that follows the rule with these counts; neither estimate depends on it.
    let levels = [260.0, 280.0, 300.0, 280.0, 300.0, 280.0, 260.0, 280.0, 260.0, 280.0, 300.0, 280.0];
    let failed = [false, false, true, false, true, true, false, true, false, false, true, false];
    let trials: Vec<Trial> =
        levels.iter().zip(failed).map(|(level_db, failed)| Trial { level_db: *level_db, failed }).collect();
    let mut state = vec![levels[0]];
    for t in &trials[..11] {
        state.push(if t.failed { t.level_db - 20.0 } else { t.level_db + 20.0 });
    }
    assert_eq!(state, levels);
    let (mean, spread) = dixon_mood(&trials, 20.0).unwrap();
    assert!((mean - 282.0).abs() < 1e-9 && (spread - 10.6).abs() < 1e-9, "{mean} {spread}");
    // Maximum likelihood, which uses the survivals too, within a quarter of a step.
    let t = estimate(&trials, Curve::Probit, 0.9).unwrap();
    assert!((t.level_db - mean).abs() < 5.0 && t.low_db < mean && mean < t.high_db, "{t:?}");
}

#[test]
fn dixon_and_moods_rule_by_hand() {
    // Failures at 1, 2, 3, 3, 5 with a step of 1 (passes more): i = 0, 1, 2, 2, 4; A = 9, B = 25, N = 5: mean 1 + 9/5 − 1/2 = 2.3;
    // (125 − 81)/25 = 1.76, spread 1.620·(1.76 + 0.029) = 2.898 (Dixon and Mood, J. Amer. Stat. Assoc. 43 (1948) 109).
    let trial = |level_db, failed| Trial { level_db, failed };
    let mut trials: Vec<Trial> = [1.0, 2.0, 3.0, 3.0, 5.0].map(|l| trial(l, true)).to_vec();
    trials.extend([0.0, 1.0, 2.0, 2.0, 4.0, 3.0].map(|l| trial(l, false)));
    let (mean, spread) = dixon_mood(&trials, 1.0).unwrap();
    assert!((mean - 2.3).abs() < 1e-12 && (spread - 2.89818).abs() < 1e-9, "{mean} {spread}");
}

#[test]
fn the_required_level_with_its_probability() {
    // Five passes at the level: the chance of failing there is below one half with 1 − 2⁻⁵ = 0.969.
    let five = [Trial { level_db: 20.0, failed: false }; 5];
    assert!((probability_above(&five, 20.0, Curve::Probit, 0.5).unwrap().unwrap() - 0.96875).abs() < 1e-12);
    assert_eq!(probability_above(&five, 21.0, Curve::Probit, 0.5).unwrap(), None);
    let failing = [Trial { level_db: 20.0, failed: true }; 3];
    assert!((probability_above(&failing, 20.0, Curve::Probit, 0.5).unwrap().unwrap() - 0.125).abs() < 1e-12);
    // At the ends of a 90 % interval the threshold lies above with 95 and 5 %; at the estimate with one half.
    let mut random = Random(4_242);
    let trials = run(50.0, 1.0, 1.0, 40, &mut random);
    let t = estimate(&trials, Curve::Probit, 0.9).unwrap();
    let at = |l: f64| probability_above(&trials, l, Curve::Probit, 0.5).unwrap().unwrap();
    assert!((at(t.low_db) - 0.95).abs() < 5e-3 && (at(t.high_db) - 0.05).abs() < 5e-3);
    assert!((at(t.level_db) - 0.5).abs() < 0.02);
    // The level at which a tenth fails lies 1.28 spreads below the threshold.
    let tenth = estimate_part(&trials, Curve::Probit, 0.9, 0.1).unwrap();
    assert!((t.level_db - tenth.level_db - 1.2816 * t.spread_db).abs() < 0.25, "{tenth:?} {t:?}");
}

#[test]
fn what_to_try_next() {
    let range = (40.0, 60.0);
    let mut trials = Vec::new();
    // A threshold without chance at 47.3 dB: halving ends within the resolution and says so.
    loop {
        let a = advise(&trials, Way::Bisection, range, 0.2);
        let Some(level_db) = a.next_db else {
            assert!(a.reason.contains("stop"), "{}", a.reason);
            break;
        };
        trials.push(Trial { level_db, failed: level_db >= 47.3 });
        assert!(trials.len() < 12);
    }
    let b = bracket(&trials).unwrap();
    assert!(b.low_db < 47.3 && 47.3 <= b.high_db && b.high_db - b.low_db <= 0.2);
    // A pass above a failure: chance, and halving is given up.
    trials.push(Trial { level_db: 59.0, failed: false });
    assert!(advise(&trials, Way::Bisection, range, 0.2).reason.contains("chance"));
    assert!(bracket(&trials).is_none());
    // Up and down about a threshold with chance ends by itself, near it.
    let n = Normal::standard();
    let (mut random, mut off) = (Random(99), Vec::new());
    for _ in 0..20 {
        let mut trials = Vec::new();
        while let Some(level_db) = advise(&trials, Way::UpDown, range, 1.0).next_db {
            trials.push(Trial { level_db, failed: random.uniform() < n.cdf(level_db - 52.0) });
        }
        assert!(trials.len() >= 7 && trials.len() <= 60);
        off.push(estimate(&trials, Curve::Probit, 0.9).unwrap().level_db - 52.0);
    }
    let rms = (off.iter().map(|v| v * v).sum::<f64>() / 20.0).sqrt();
    assert!(rms < 0.8, "{rms}");
    // A product that never fails in reach.
    let mut trials = Vec::new();
    while let Some(level_db) = advise(&trials, Way::UpDown, range, 2.0).next_db {
        trials.push(Trial { level_db, failed: false });
    }
    assert!(trials.len() < 12 && trials.iter().filter(|t| t.level_db == 60.0).count() == 3);
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
