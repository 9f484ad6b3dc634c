//! The order of least cost against every order there is, and its behaviour at full size.

use campaign::solve::{Frame, Help, Job, SolveError, Start, lay, solve};
use proptest::prelude::*;

fn frame(setup_min: Vec<u32>) -> Frame {
    Frame {
        setup_min,
        day_min: 480,
        days: 6,
        kept_overnight: false,
        half_day_price: 900.0,
        doubt: 0.5,
        start: Start::default(),
        help: Help::default(),
        budget: 400_000,
        tolerance: 0.0,
    }
}

/// The least cost over all allowed permutations, by trying each.
fn brute(jobs: &[Job], frame: &Frame) -> f64 {
    fn go(jobs: &[Job], frame: &Frame, order: &mut Vec<usize>, best: &mut f64) {
        if order.len() == jobs.len() {
            let (times, cost) = lay(jobs, order, frame);
            if times.last().is_none_or(|t| t.1 <= frame.days * frame.day_min) {
                *best = best.min(cost);
            }
            return;
        }
        for i in 0..jobs.len() {
            if order.contains(&i) {
                continue;
            }
            let first = jobs
                .iter()
                .enumerate()
                .any(|(k, j)| !order.contains(&k) && j.sample == jobs[i].sample && j.order < jobs[i].order);
            if first {
                continue;
            }
            order.push(i);
            go(jobs, frame, order, best);
            order.pop();
        }
    }
    let mut best = f64::INFINITY;
    go(jobs, frame, &mut Vec::new(), &mut best);
    best
}

prop_compose! {
    fn any_job(rigs: usize)(rig in 0..rigs, minutes in 5..240_u32, order in 0..3_u8, sample in 0..2_u8, fails in prop_oneof![Just(0.0), 0.0..0.9_f64]) -> Job {
        Job { rig, minutes, order, sample, fails }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]
    #[test]
    fn small_problems_are_solved_to_the_optimum(
        jobs in proptest::collection::vec(any_job(3), 1..8),
        setups in proptest::collection::vec(0..90_u32, 3),
        free in proptest::collection::vec(prop_oneof![2 => Just(0), 1 => 0..120_u32], 8),
        without in proptest::collection::vec(0..90_u32, 3), places in proptest::collection::vec(0..3_usize, 3),
        kept in any::<bool>(), started in 0..300_u32, doubt in 0.0..1.0_f64,
    ) {
        let f = Frame {
            kept_overnight: kept, doubt,
            help: Help {
                free_min: free, without_sample_min: without.iter().zip(&setups).map(|(w, s)| *w.min(s)).collect(), place: places,
            },
            start: Start { day: 0, minute: started, rig: (started > 100).then_some(1), passed_min: vec![started, 0] },
            ..frame(setups)
        };
        let found = solve(&jobs, &f).unwrap();
        let best = brute(&jobs, &f);
        prop_assert!(found.proven);
        prop_assert!((found.cost - best).abs() < 1e-6 * best.max(1.0), "{} against {best}", found.cost);
        prop_assert!(found.bound <= best + 1e-6);
        // Every job once, each in its place, none across a night.
        let mut all = found.jobs.clone();
        all.sort_unstable();
        prop_assert_eq!(all, (0..jobs.len()).collect::<Vec<_>>());
        let (times, _) = lay(&jobs, &found.jobs, &f);
        for (k, (from, to)) in times.iter().enumerate() {
            prop_assert_eq!(to - from, jobs[found.jobs[k]].minutes);
            prop_assert!(from / f.day_min == (to - 1) / f.day_min);
            prop_assert!(k == 0 || times[k - 1].1 <= *from);
        }
    }
}

/// The longer of two jobs fills the first day to the minute and the shorter begins the next: against Smith's order, which
/// would leave the longer one no room.
#[test]
fn a_day_filled_to_the_minute_is_found() {
    let job = |rig, minutes, order, sample, fails| Job { rig, minutes, order, sample, fails };
    let jobs = [
        job(1, 108, 0, 0, 0.0),
        job(2, 150, 1, 1, 0.0),
        job(2, 130, 1, 0, 0.0),
        job(1, 45, 2, 1, 0.845829108246337),
        job(0, 220, 2, 0, 0.0),
        job(1, 71, 2, 1, 0.0),
        job(1, 17, 0, 1, 0.0),
    ];
    let f = Frame {
        kept_overnight: true,
        doubt: 0.479143959632944,
        help: Help { free_min: vec![0, 7, 0, 0, 0, 0, 0], without_sample_min: vec![0, 7, 0], place: vec![0, 1, 0] },
        start: Start { day: 0, minute: 76, rig: None, passed_min: vec![76, 0] },
        ..frame(vec![40, 19, 27])
    };
    let found = solve(&jobs, &f).unwrap();
    let best = brute(&jobs, &f);
    assert!((found.cost - best).abs() < 1e-6 * best, "{} against {best}", found.cost);
}

#[test]
fn a_full_laboratory_is_ordered_with_its_gap_stated() {
    // Forty tests on nine rigs, as a product with eight ports has them; lengths and chances from a fixed sequence.
    let mut seed = 12345_u64;
    let mut next = |m: u64| {
        seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (seed >> 33) % m
    };
    let rig_order = [0, 0, 0, 1, 1, 1, 1, 2, 2];
    let jobs: Vec<Job> = (0..40)
        .map(|i| {
            let rig = if i < 9 { i } else { next(9) as usize };
            Job {
                rig,
                minutes: 5 + next(60) as u32,
                order: rig_order[rig],
                sample: 0,
                fails: if next(4) == 0 { next(50) as f64 / 100.0 } else { 0.02 },
            }
        })
        .collect();
    let f = Frame { tolerance: 0.002, days: 4, ..frame(vec![20, 45, 15, 50, 20, 15, 20, 30, 20]) };
    let began = std::time::Instant::now();
    let found = solve(&jobs, &f).unwrap();
    println!(
        "40 tests: cost {:.0}, bound {:.0}, gap {:.2} %, proven {}, {} states, {:.2} s",
        found.cost,
        found.bound,
        100.0 * (found.cost - found.bound) / found.cost,
        found.proven,
        found.opened,
        began.elapsed().as_secs_f64()
    );
    assert!(found.bound > 0.0 && found.bound <= found.cost);
    assert!((found.cost - found.bound) / found.cost < 0.03);
    // The same with a second person who prepares the next rig during every job.
    let help = Help {
        free_min: jobs.iter().map(|j| j.minutes).collect(),
        without_sample_min: f.setup_min.iter().map(|s| s * 6 / 10).collect(),
        place: (0..9).collect(),
    };
    let helped = solve(&jobs, &Frame { help, ..f }).unwrap();
    println!(
        "with help: cost {:.0}, bound {:.0}, gap {:.2} %, proven {}, {} states",
        helped.cost,
        helped.bound,
        100.0 * (helped.cost - helped.bound) / helped.cost,
        helped.proven,
        helped.opened
    );
    assert!(helped.cost < found.cost && (helped.cost - helped.bound) / helped.cost < 0.03);
}

#[test]
fn what_cannot_be_laid_is_said() {
    let job = |minutes| Job { rig: 0, minutes, order: 0, sample: 0, fails: 0.0 };
    let f = Frame { days: 1, ..frame(vec![30]) };
    assert!(matches!(solve(&[job(460)], &f), Err(SolveError::TooLong { job: 0, .. })));
    assert!(matches!(solve(&[job(300), job(300)], &f), Err(SolveError::TooFewDays { days: 1 })));
    assert!(matches!(solve(&vec![job(5); 65], &f), Err(SolveError::TooMany { found: 65 })));
    assert!(solve(&[], &f).unwrap().jobs.is_empty());
}
