//! How often the true maker of a simulated emission is ranked first and among the first three: on products drawn from
//! judgement, and on products built from circuits and measured by a simulated receiver.

use std::collections::BTreeMap;

use cause::Random;
use cause::case::{Case, Experiment, Outcome};
use cause::simulate::{bench, products};

/// A simulated product, whichever way it was made.
trait Simulated {
    fn kind(&self) -> String;
    fn case(&self) -> Case;
    fn place(&self, case: &Case) -> usize;
    fn perform(&self, experiment: &Experiment, random: &mut Random) -> Outcome;
}

impl Simulated for products::SimulatedProduct {
    fn kind(&self) -> String {
        format!("{:?}", self.true_kind)
    }
    fn case(&self) -> Case {
        self.case()
    }
    fn place(&self, case: &Case) -> usize {
        self.place(case)
    }
    fn perform(&self, experiment: &Experiment, random: &mut Random) -> Outcome {
        self.perform(experiment, random)
    }
}

impl Simulated for bench::BenchProduct {
    fn kind(&self) -> String {
        format!("{:?}", self.true_kind)
    }
    fn case(&self) -> Case {
        self.case()
    }
    fn place(&self, case: &Case) -> usize {
        self.place(case)
    }
    fn perform(&self, experiment: &Experiment, random: &mut Random) -> Outcome {
        self.perform(experiment, random)
    }
}

fn table<P: Simulated>(title: &str, count: usize, seed: u64, draw: impl Fn(&mut Random) -> P) {
    let show = std::env::args().nth(3).is_some_and(|a| a == "show");
    let mut random = Random::new(seed);
    // Per kind, and after 0 to 3 experiments: products, first, first three.
    let mut table: BTreeMap<String, [(usize, usize, usize); 4]> = BTreeMap::new();
    let mut calibration = [(0usize, 0.0, 0usize); 5];
    for _ in 0..count {
        let p = draw(&mut random);
        let mut case = p.case();
        for round in 0..4 {
            let place = p.place(&case);
            if show && round == 0 && place > 0 {
                println!("true {} at place {place}", p.kind());
                for r in case.ranking().iter().take(3) {
                    let said: Vec<String> = r
                        .speaks_for
                        .iter()
                        .chain(&r.speaks_against)
                        .map(|s| format!("{:.2} {}", s.factor, s.text))
                        .collect();
                    println!("   {:.2} {}: {}", r.probability, r.maker.name, said.join(" | "));
                }
            }
            for key in [p.kind(), "~ all".to_owned()] {
                let row = &mut table.entry(key).or_default()[round];
                row.0 += 1;
                row.1 += usize::from(place == 0);
                row.2 += usize::from(place < 3);
            }
            if round == 0 {
                let first = case.ranking()[0].probability;
                let bin = &mut calibration[((first * 5.0) as usize).min(4)];
                bin.0 += 1;
                bin.1 += first;
                bin.2 += usize::from(place == 0);
            }
            let Some(next) = case.proposals().into_iter().next() else { break };
            let outcome = p.perform(&next.experiment, &mut random);
            case.enter(&next.experiment, outcome);
        }
    }
    println!("{title}: true maker first / in the first three, after 0, 1, 2, 3 experiments");
    for (kind, rows) in &table {
        let mut line = format!("{kind:20} {:5}", rows[0].0);
        for (n, first, three) in rows {
            let share = |v: &usize| 100.0 * *v as f64 / (*n).max(1) as f64;
            line.push_str(&format!("   {:5.1}% / {:5.1}%", share(first), share(three)));
        }
        println!("{line}");
    }
    println!("probability given to the first, and how often it is right");
    for (n, sum, right) in calibration {
        if n > 0 {
            println!("{n:5}   said {:5.1}%   right {:5.1}%", 100.0 * sum / n as f64, 100.0 * right as f64 / n as f64);
        }
    }
    println!();
}

fn main() {
    let count: usize = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(600);
    let seed: u64 = std::env::args().nth(2).and_then(|a| a.parse().ok()).unwrap_or(1);
    table("Drawn from judgement", count, seed, products::product);
    table("Built from circuits and measured", count, seed, bench::product);
    table("Built from circuits and recorded", count, seed + 1, bench::recorded);
}
