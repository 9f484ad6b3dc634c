//! How often the true weakness of a simulated product stands first, and among the first three. The simulation knows lines,
//! resonators and junctions; it shares no table with the hypotheses.

use std::collections::BTreeMap;

use cause::upset::Weakness;
use cause::upset::simulate::{SimulatedPulses, SimulatedUpset};

fn kind(w: &Weakness) -> &'static str {
    match w {
        Weakness::Demodulation => "demodulation",
        Weakness::Cable(_) => "cable",
        Weakness::Slot(_) => "slot",
        Weakness::Enclosure => "housing",
        Weakness::Beat(_) => "beat",
        Weakness::Supply => "supply",
        Weakness::Pins(_) => "pins",
        Weakness::GroundBounce => "ground",
        Weakness::Rails => "rails",
        Weakness::FieldInside => "field inside",
        Weakness::Other => "other",
    }
}

#[derive(Default, Clone, Copy)]
struct Rate {
    cases: usize,
    first: usize,
    three: usize,
    after: usize,
}

fn seeds(default: u64) -> u64 {
    std::env::var("HUSHFIELD_SEEDS").ok().and_then(|v| v.parse().ok()).unwrap_or(default)
}

fn show(title: &str, rates: &BTreeMap<&str, Rate>) -> Rate {
    let mut all = Rate::default();
    for (name, r) in rates {
        let share = |n: usize| 100.0 * n as f64 / r.cases as f64;
        println!(
            "{title} {name:13} {:4} cases: first {:3.0} %, first three {:3.0} %, first after three experiments {:3.0} %",
            r.cases,
            share(r.first),
            share(r.three),
            share(r.after)
        );
        all.cases += r.cases;
        all.first += r.first;
        all.three += r.three;
        all.after += r.after;
    }
    let share = |n: usize| 100.0 * n as f64 / all.cases as f64;
    println!(
        "{title} all           {:4} cases: first {:.1} %, first three {:.1} %, first after three experiments {:.1} %",
        all.cases,
        share(all.first),
        share(all.three),
        share(all.after)
    );
    all
}

#[test]
fn radio_frequency_weaknesses_are_found() {
    let mut rates: BTreeMap<&str, Rate> = BTreeMap::new();
    // Probability said against how often it was right.
    let mut said = [(0usize, 0usize, 0.0f64); 5];
    for seed in 0..seeds(60) {
        let sim = SimulatedUpset::draw(9_000 + seed);
        let Some(mut case) = sim.case() else { continue };
        let r = rates.entry(kind(&sim.truth)).or_default();
        r.cases += 1;
        let ranking = case.ranking();
        let at = ranking.iter().position(|w| w.weakness == sim.truth);
        r.first += usize::from(at == Some(0));
        r.three += usize::from(at.is_some_and(|k| k < 3));
        let p = ranking[0].probability;
        let bin = &mut said[((p * 5.0) as usize).min(4)];
        bin.0 += 1;
        bin.1 += usize::from(at == Some(0));
        bin.2 += p;
        for _ in 0..3 {
            let Some(next) = case.proposals().into_iter().next() else { break };
            let outcome = sim.try_out(&next.experiment);
            case.enter(&next.experiment, outcome);
        }
        r.after += usize::from(case.ranking()[0].weakness == sim.truth);
    }
    let all = show("rf", &rates);
    for (n, right, p) in said.iter().filter(|s| s.0 > 0) {
        println!(
            "rf said {:.0} % on average: right in {:.0} % of {n}",
            100.0 * p / *n as f64,
            100.0 * *right as f64 / *n as f64
        );
    }
    // Chance alone would put one of some seven hypotheses first.
    assert!(all.cases >= 50 && all.first * 2 > all.cases && all.three * 10 > all.cases * 7);
    assert!(all.after >= all.first);
}

#[test]
fn pulse_weaknesses_are_found() {
    let mut rates: BTreeMap<&str, Rate> = BTreeMap::new();
    for seed in 0..seeds(300) {
        let sim = SimulatedPulses::draw(77_000 + seed);
        let Some(case) = sim.case() else { continue };
        let r = rates.entry(kind(&sim.truth)).or_default();
        r.cases += 1;
        let at = case.ranking().iter().position(|w| w.weakness == sim.truth);
        r.first += usize::from(at == Some(0));
        r.three += usize::from(at.is_some_and(|k| k < 3));
    }
    let all = show("pulses", &rates);
    assert!(all.first * 2 > all.cases && all.three * 10 > all.cases * 7);
}
