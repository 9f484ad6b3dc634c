//! Figures of the comb search on simulated lists: fundamentals found within 0.2 %, false combs, random lists.
//! Arguments: lists of each kind, seed, random lists of each kind; a fourth shows every list that went wrong,
//! a fifth takes the kinds that bear it in their name.

use std::time::Instant;

use cause::simulate::lists::{self, CONDUCTED, Jitter, ListKind, RADIATED, Score, Spread};
use statrs::distribution::{Binomial, DiscreteCDF};

use cause::{CombSearch, Random, find_combs};

/// The fewest members at which the expected number of random families falls to 1 %: the formula of docs/causes.md with one
/// tolerance that is known beforehand, divided by 5 as there.
fn members_needed(fundamental_hz: f64, peaks: usize, tolerance_hz: f64) -> usize {
    let at = |k: usize| 150e3 * 200f64.powf(k as f64 / (peaks - 1) as f64);
    let sum: f64 = (0..peaks).map(at).sum::<f64>() / fundamental_hz;
    let hit = (2.0 * tolerance_hz / fundamental_hz).min(1.0);
    let chance = Binomial::new(hit, peaks as u64 - 1).expect("a probability");
    let expected = |m: usize| 0.2 * (10e6f64 / 9e3).ln() * sum * chance.sf(m as u64 - 2);
    (2..=peaks).find(|m| expected(*m) <= 0.01).unwrap_or(peaks + 1)
}

fn main() {
    let count: usize = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(300);
    let seed: u64 = std::env::args().nth(2).and_then(|a| a.parse().ok()).unwrap_or(1);
    let tries: usize = std::env::args().nth(3).and_then(|a| a.parse().ok()).unwrap_or(200);
    let show = std::env::args().nth(4).is_some();
    let only = std::env::args().nth(5).unwrap_or_default();
    let search = CombSearch::default();
    let with = |k: ListKind, name: &'static str| ListKind { name, ..k };
    let kinds = [
        CONDUCTED,
        ListKind { jitter: Jitter::Normal(0.125), ..with(CONDUCTED, "B, normal 1/8") },
        ListKind { jitter: Jitter::Normal(0.0625), ..with(CONDUCTED, "B, normal 1/16") },
        ListKind { jitter: Jitter::Even(0.005), ..with(CONDUCTED, "B, exact") },
        ListKind { step_hz: 4500.0, ..with(CONDUCTED, "B, 4.5 kHz grid") },
        ListKind { odd_only: true, ..with(CONDUCTED, "B, odd") },
        ListKind { anywhere: true, ..with(CONDUCTED, "B, anywhere") },
        ListKind { combs: (2, 2), peaks: (20, 26), ..with(CONDUCTED, "B, two, short") },
        ListKind { combs: (3, 3), peaks: (40, 60), ..with(CONDUCTED, "B, three") },
        RADIATED,
        ListKind { jitter: Jitter::Normal(0.125), ..with(RADIATED, "C, normal 1/8") },
        ListKind { odd_only: true, ..with(RADIATED, "C, odd") },
        ListKind { anywhere: true, ..with(RADIATED, "C, anywhere") },
        ListKind { step_hz: 60e3, ..with(RADIATED, "C, 60 kHz grid") },
        ListKind { fundamental_hz: (8e6, 100e6), peaks: (10, 30), ..with(RADIATED, "C, high") },
        ListKind {
            bandwidth_hz: 200.0,
            from_hz: 9e3,
            to_hz: 150e3,
            fundamental_hz: (1e3, 20e3),
            ..with(CONDUCTED, "A")
        },
    ];
    println!(
        "{:16} {:>6} {:>7} {:>7} {:>6} {:>8} {:>8}",
        "kind", "lists", "all", "each", "false", "in unc.", "ms each"
    );
    for kind in kinds.into_iter().filter(|k| k.name.contains(&only)) {
        let mut random = Random::new(seed);
        let mut score = Score::default();
        let mut spent = 0.0;
        for i in 0..count {
            let list = lists::list(&kind, &mut random);
            let t = Instant::now();
            let combs = find_combs(&list.peaks, &search).expect("valid");
            spent += t.elapsed().as_secs_f64();
            let before = score;
            score.add(&list.fundamental_hz, &combs);
            if show && (score.all_found == before.all_found || score.false_combs > before.false_combs) {
                println!("  {i}: {} peaks, truth {:?}", list.peaks.len(), list.fundamental_hz);
                for c in &combs {
                    let n: Vec<u32> = c.members.iter().map(|m| m.multiple).collect();
                    println!(
                        "     {:.1} ± {:.1} fa {:.1e} drift {} {:?}",
                        c.fundamental_hz, c.uncertainty_hz, c.false_alarm, c.relative_drift, n
                    );
                }
            }
        }
        println!(
            "{:16} {count:6} {:6.1}% {:6.1}% {:6.3} {:7.1}% {:8.2}",
            kind.name,
            100.0 * score.all_found as f64 / count as f64,
            100.0 * score.found as f64 / score.fundamentals as f64,
            score.false_combs as f64 / count as f64,
            100.0 * score.within_uncertainty as f64 / score.found.max(1) as f64,
            1e3 * spent / count as f64,
        );
    }
    println!(
        "\nmembers a family needs for 1 % by counting alone (23 peaks evenly over log f, errors up to 1/8 of the bandwidth)"
    );
    for f0 in [20e3, 35e3, 50e3, 70e3, 100e3, 200e3, 500e3, 1e6, 2e6] {
        println!("{:8.0} kHz  {}", f0 / 1e3, members_needed(f0, 23, 0.125 * 9e3));
    }
    println!("\nrandom lists: share whose best comb has at most this expected number of random ones");
    let loose = CombSearch { most_false_alarm: 0.95, most_combs: 1, ..CombSearch::default() };
    for kind in [CONDUCTED, ListKind { step_hz: 4500.0, ..with(CONDUCTED, "B, 4.5 kHz grid") }, RADIATED] {
        for spread in [Spread::Even, Spread::Logarithmic, Spread::Humps] {
            let mut random = Random::new(seed + 77);
            let bounds = [1.0, 0.3, 0.1, 0.03, 0.01, 0.003];
            let mut seen = [0usize; 6];
            for _ in 0..tries {
                let peaks = lists::random_list(&kind, spread, &mut random);
                let combs = find_combs(&peaks, &loose).expect("valid");
                let least = combs.iter().map(|c| -(-c.false_alarm).ln_1p()).fold(9.0, f64::min);
                for (s, bound) in seen.iter_mut().zip(bounds) {
                    *s += usize::from(least <= bound);
                }
            }
            let mut line = format!("{:16} {spread:12?} {tries}", kind.name);
            for (s, b) in seen.iter().zip(bounds) {
                line.push_str(&format!("  E<{b}: {:.2}%", 100.0 * *s as f64 / tries as f64));
            }
            println!("{line}");
        }
    }
}
