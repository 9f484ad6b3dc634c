//! The order of least cost against a general integer program (HiGHS through scipy.optimize.milp), formulated apart.

use std::io::Write as _;
use std::process::{Command, Stdio};

use campaign::solve::{Frame, Help, Job, SolveError, Start, solve};
use serde_json::{Value, json};

/// A fixed sequence of numbers below `m`.
struct Sequence(u64);

impl Sequence {
    fn below(&mut self, m: u32) -> u32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % u64::from(m)) as u32
    }
}

fn instance(s: &mut Sequence, count: u32) -> (Vec<Job>, Frame) {
    let jobs = (0..count)
        .map(|_| Job {
            rig: s.below(3) as usize,
            minutes: 5 + s.below(105),
            order: s.below(3) as u8,
            sample: s.below(2) as u8,
            fails: if s.below(3) == 0 { 0.0 } else { f64::from(s.below(90)) / 100.0 },
        })
        .collect();
    let frame = Frame {
        setup_min: (0..3).map(|_| s.below(61)).collect(),
        day_min: 240 + s.below(200),
        days: 2 + u32::from(count == 5 && s.below(6) == 0),
        kept_overnight: s.below(2) == 0,
        half_day_price: 900.0,
        doubt: f64::from(s.below(100)) / 100.0,
        start: Start { passed_min: vec![s.below(200), 0], ..Start::default() },
        help: Help::default(),
        budget: 400_000,
        tolerance: 0.0,
    };
    (jobs, frame)
}

fn written(jobs: &[Job], f: &Frame) -> Value {
    let jobs: Vec<Value> = jobs
        .iter()
        .map(|j| json!({ "rig": j.rig, "minutes": j.minutes, "order": j.order, "sample": j.sample, "fails": j.fails }))
        .collect();
    json!({
        "jobs": jobs, "setup_min": f.setup_min, "day_min": f.day_min, "days": f.days, "half_day_price": f.half_day_price,
        "doubt": f.doubt, "kept_overnight": f.kept_overnight, "passed_min": f.start.passed_min,
    })
}

#[test]
fn a_general_optimiser_finds_the_same_costs() {
    let Some(python) = std::env::var_os("HUSHFIELD_PYTHON") else {
        println!("skipped: HUSHFIELD_PYTHON names no Python with scipy");
        assert!(std::env::var_os("CI").is_none(), "HUSHFIELD_PYTHON must name a Python with scipy here");
        return;
    };
    let mut s = Sequence(2026);
    let sizes = [5, 5, 5, 5, 5, 5, 5, 5, 5, 6].into_iter().cycle().take(220).chain([7; 4]);
    let instances: Vec<(Vec<Job>, Frame)> = sizes.map(|n| instance(&mut s, n)).collect();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/general_optimiser.py");
    // Two at a time: the halves are independent.
    let running: Vec<_> = instances
        .chunks(instances.len().div_ceil(2))
        .map(|part| {
            let mut child = Command::new(&python)
                .arg(script)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .spawn()
                .unwrap_or_else(|e| panic!("{}: {e}", python.display()));
            let text = Value::from(part.iter().map(|(j, f)| written(j, f)).collect::<Vec<_>>()).to_string();
            child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
            child
        })
        .collect();
    let mut costs: Vec<Option<f64>> = Vec::new();
    for child in running {
        let out = child.wait_with_output().unwrap();
        assert!(out.status.success());
        let text = String::from_utf8(out.stdout).unwrap();
        costs.extend(serde_json::from_str::<Vec<Option<f64>>>(text.lines().last().unwrap()).unwrap());
    }
    assert_eq!(costs.len(), instances.len());
    let mut fitted = 0;
    for ((jobs, frame), theirs) in instances.iter().zip(&costs) {
        match (solve(jobs, frame), theirs) {
            (Ok(ours), Some(theirs)) => {
                assert!(ours.proven);
                assert!(
                    (ours.cost - theirs).abs() < 1e-5 * theirs,
                    "{} against {theirs}: {jobs:?} {frame:?}",
                    ours.cost
                );
                fitted += 1;
            }
            (Err(SolveError::TooFewDays { .. }), None) => {}
            (ours, theirs) => panic!("{ours:?} against {theirs:?}: {jobs:?} {frame:?}"),
        }
    }
    println!("{fitted} of {} instances fit into their days, all at the same least cost", instances.len());
    assert!(fitted > 200);
}
