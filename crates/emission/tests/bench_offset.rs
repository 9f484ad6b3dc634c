//! The offset between bench and laboratory: what pairs teach, held against simulated visits.

use emission::bench::BenchAgainstLaboratory;
use emission::chance::simulation::draw_campaign;
use emission::chance::{Pair, Repeatability, RepeatabilityPrior};
use emission::random::Random;
use standards::{Budget, example_budgets, read_budgets};

fn budget(id: &str) -> &'static Budget {
    example_budgets().iter().find(|b| b.id == id).expect("an example")
}

fn one(value_db: f64, correlation: &str) -> Budget {
    let text = format!(
        "[[budget]]\nid = \"b\"\ntitle = \"t\"\nkind = \"mains_network\"\nsource = \"a test\"\nknown = \"memory\"\n\
         [[budget.contribution]]\nname = \"c\"\nvalue_db = {value_db}\ndistribution = \"normal\"\nk = 1.0\n\
         correlation = {correlation}\n"
    );
    read_budgets(&text, "test").expect("reads").remove(0)
}

fn pair(frequency_hz: f64, difference_db: f64, visit: usize) -> Pair {
    Pair { frequency_hz, difference_db, bench_readings: 1, laboratory_readings: 1, visit }
}

/// By hand: a bench with one common deviation of 2 dB, an exact laboratory, no repetition error of one emission, a run's
/// repetition of 1 dB (twice in a difference). One visit: offset 3·4/(4 + 2) = 2 dB, variance 4 − 16/6 = 1.333 dB².
#[test]
fn one_visit_by_hand() {
    let (bench, laboratory) = (one(2.0, "\"common\""), one(0.0, "\"common\""));
    let mut repeatability = Repeatability::learn(&[], RepeatabilityPrior::default());
    repeatability.run.standard_db = 1.0;
    repeatability.own.standard_db = 0.0;
    let b = BenchAgainstLaboratory {
        bench: &bench,
        laboratory: &laboratory,
        repeatability,
        pairs: vec![pair(1e6, 3.0, 0)],
    };
    let at = b.offset(&[1e6, 1e7]);
    for o in &at {
        assert!((o.offset_db - 2.0).abs() < 1e-9 && (o.standard_db.powi(2) - 4.0 / 3.0).abs() < 1e-9, "{o:?}");
        assert!((o.before_db - 2.0).abs() < 1e-9 && (o.floor_db - 2f64.sqrt()).abs() < 1e-9);
    }
    // A second emission of the same visit brings the same run's shift again: nothing new.
    let twice = BenchAgainstLaboratory { pairs: vec![pair(1e6, 3.0, 0), pair(2e6, 3.0, 0)], ..b.clone() };
    assert!((twice.offset(&[1e6])[0].standard_db.powi(2) - 4.0 / 3.0).abs() < 1e-4);
    // A second visit does: variance 4·1/(4 + 1)… of a mean of two: 4 − 16/(4 + 1) = 0.8.
    let again = BenchAgainstLaboratory { pairs: vec![pair(1e6, 3.0, 0), pair(1e6, 3.0, 1)], ..b.clone() };
    assert!((again.offset(&[1e6])[0].standard_db.powi(2) - 0.8).abs() < 1e-9);
}

/// A pair says little an octave beyond its correlation length, and without pairs the budgets are all there is.
#[test]
fn far_from_the_pairs_the_budgets_hold() {
    let (bench, laboratory) = (one(3.0, "{ octaves = 0.5 }"), one(0.0, "\"common\""));
    let repeatability =
        Repeatability::learn(&[], RepeatabilityPrior { own_db: 0.3, run_db: 0.3, degrees_of_freedom: 4.0 });
    let b = BenchAgainstLaboratory {
        bench: &bench,
        laboratory: &laboratory,
        repeatability,
        pairs: vec![pair(1e6, 4.0, 0)],
    };
    let [near, far] = b.offset(&[1.02e6, 16e6])[..] else { panic!("two frequencies") };
    assert!(near.offset_db > 3.0 && near.standard_db < 1.2, "{near:?}");
    assert!(far.offset_db.abs() < 0.01 && (far.standard_db - 3.0).abs() < 0.01, "{far:?}");
    let none = BenchAgainstLaboratory { pairs: Vec::new(), ..b };
    assert!((none.offset(&[1e6])[0].standard_db - 3.0).abs() < 1e-9);
    assert!(none.left_out().is_empty());
}

/// 400 simulated visits with deviations of the budgets' own shapes: the pair left out lies within two standard deviations of
/// what the others predict 95 % of the time, and the predictions are not wider than they need to be (mean square of the
/// scores near 1).
#[test]
fn what_is_left_out_is_covered() {
    let (mut inside, mut all, mut square) = (0usize, 0usize, 0.0);
    for seed in 0..700 {
        let campaign = draw_campaign(&mut Random::new(9000 + seed));
        if campaign.pairs.len() < 3 {
            continue;
        }
        let b = BenchAgainstLaboratory {
            bench: campaign.bench,
            laboratory: campaign.laboratory,
            repeatability: campaign.repeatability,
            pairs: campaign.pairs,
        };
        for l in b.left_out() {
            all += 1;
            inside += usize::from(l.score().abs() < 2.0);
            square += l.score().powi(2);
        }
    }
    let (coverage, square) = (inside as f64 / all as f64, square / all as f64);
    assert!(all > 1000 && (0.935..=0.98).contains(&coverage), "{all} pairs, {coverage}");
    assert!((0.8..1.2).contains(&square), "{square}");
}

/// More visits never hurt, and how many are enough grows with what there is to learn against the floor.
#[test]
fn how_many_visits_are_enough() {
    let repeatability = Repeatability::learn(&[], RepeatabilityPrior::default());
    let b = BenchAgainstLaboratory {
        bench: budget("mains-network-bench"),
        laboratory: budget("mains-network"),
        repeatability,
        pairs: Vec::new(),
    };
    let few = b.visits_needed(&[1e6]).expect("some number");
    assert!((2..=20).contains(&few), "{few}");
    let good = one(0.2, "\"common\"");
    let nothing = BenchAgainstLaboratory { bench: &good, laboratory: &good, ..b };
    assert_eq!(nothing.visits_needed(&[1e6]), Some(0));
}
