//! How often the interval of a threshold holds the truth: simulated up-and-down runs whose truth is known by construction.

use immunity::threshold::{Curve, Trial, compare, estimate, next_up_down};
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

fn run(truth_db: f64, spread_db: f64, step_db: f64, count: usize, random: &mut Random) -> Vec<Trial> {
    let n = Normal::standard();
    let start_db = truth_db + step_db * (6.0 * random.uniform() - 3.0);
    let mut trials = Vec::new();
    for _ in 0..count {
        let level_db = next_up_down(&trials, start_db, step_db);
        let failed = random.uniform() < n.cdf((level_db - truth_db) / spread_db);
        trials.push(Trial { level_db, failed });
    }
    trials
}

#[test]
fn the_interval_holds_the_truth_as_often_as_it_says() {
    let runs: usize = std::env::var("HUSHFIELD_SEEDS").ok().and_then(|v| v.parse().ok()).unwrap_or(30);
    let mut random = Random(0x51_7E_AD_10_C0_DE);
    let (mut all, mut inside_all) = (0usize, 0usize);
    for trials in [10, 20, 30, 60] {
        for ratio in [0.5, 1.0, 2.0] {
            let (mut inside, mut used, mut open, mut square, mut gains) = (0usize, 0usize, 0usize, 0.0, 0usize);
            for _ in 0..runs {
                let before = estimate(&run(50.0, 1.0, ratio, trials, &mut random), Curve::Probit, 0.9);
                let after = estimate(&run(52.0, 1.0, ratio, trials, &mut random), Curve::Probit, 0.9);
                let (Ok(t), Ok(a)) = (before, after) else { continue };
                used += 1;
                inside += usize::from(t.low_db <= 50.0 && 50.0 <= t.high_db);
                open += usize::from(!t.low_db.is_finite() || !t.high_db.is_finite());
                square += (t.level_db - 50.0).powi(2);
                let c = compare(&t, &a);
                gains += usize::from(c.low_db <= 2.0 && 2.0 <= c.high_db);
            }
            let share = |n: usize| 100.0 * n as f64 / used as f64;
            println!(
                "{trials} trials, step {ratio} spreads: 90 % interval holds the truth in {:.1} %, the difference's in {:.1} %, open {:.1} %, rms {:.2} spreads, {used} runs",
                share(inside),
                share(gains),
                share(open),
                (square / used as f64).sqrt()
            );
            all += used;
            inside_all += inside;
        }
    }
    let share = 100.0 * inside_all as f64 / all as f64;
    println!("all: {share:.2} % of {all}");
    // 90 expected. The binomial deviation of all lines together is 1.6 % with 30 runs each, 0.3 % with 1000.
    assert!((85.5..=95.0).contains(&share), "{share}");
}
