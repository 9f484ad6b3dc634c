//! Weights of hypotheses from priors and sentences of evidence, for every kind of case.

use crate::case::Said;

/// A factor nearer to 1 than this is not worth a sentence.
const WORTH_SAYING: f64 = 1.22;

/// Share of readings that show the opposite of what happened: a wrong marker, a drifting level (common practice).
pub const MISREAD: f64 = 0.03;

/// Posterior probabilities. `said`: for every sentence the logarithm of its probability under each hypothesis.
pub fn posterior<'a>(prior: &[f64], said: impl Iterator<Item = &'a [f64]> + Clone) -> Vec<f64> {
    let ln: Vec<f64> =
        prior.iter().enumerate().map(|(i, p)| p.ln() + said.clone().map(|ln| ln[i]).sum::<f64>()).collect();
    let top = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = ln.iter().map(|l| (l - top).exp()).sum();
    ln.iter().map(|l| (l - top).exp() / sum).collect()
}

/// How many times as likely a sentence is under the hypotheses that `own` picks out as under the others on average, their
/// priors weighing them. `None` where there are no others.
pub fn factor(prior: &[f64], ln: &[f64], own: &dyn Fn(usize) -> bool) -> Option<f64> {
    let top = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (mut mine, mut mine_prior, mut others, mut others_prior) = (0.0, 0.0, 0.0, 0.0);
    for (i, (p, l)) in prior.iter().zip(ln).enumerate() {
        let weighed = p * (l - top).exp();
        if own(i) {
            mine += weighed;
            mine_prior += p;
        } else {
            others += weighed;
            others_prior += p;
        }
    }
    (mine_prior > 0.0 && others_prior > 0.0).then(|| (mine / mine_prior) / (others / others_prior).max(1e-300))
}

/// Sorts sentences with their factors into those that speak for and against, the strongest first; what changes the odds by
/// less than a fifth is left out.
pub fn sorted(all: impl Iterator<Item = Said>) -> (Vec<Said>, Vec<Said>) {
    let (mut speaks_for, mut speaks_against) = (Vec::new(), Vec::new());
    for said in all {
        if said.factor > WORTH_SAYING {
            speaks_for.push(said);
        } else if said.factor < 1.0 / WORTH_SAYING {
            speaks_against.push(said);
        }
    }
    speaks_for.sort_by(|a, b| b.factor.total_cmp(&a.factor));
    speaks_against.sort_by(|a, b| a.factor.total_cmp(&b.factor));
    (speaks_for, speaks_against)
}

/// Probability of `changed` and `unchanged` readings of one experiment, `once` being that of a change in one reading. What an
/// experiment does is the same each time it is made, for whatever reason; only misreadings are independent. With t the
/// probability of a true change, that is t·(1 − e)^k·e^(n − k) + (1 − t)·e^k·(1 − e)^(n − k) for k changes in n readings.
pub fn readings(once: f64, changed: usize, unchanged: usize) -> f64 {
    let truly = ((once - MISREAD) / (1.0 - 2.0 * MISREAD)).clamp(0.0, 1.0);
    // Only the balance of the readings counts; the powers of both terms that are common would underflow.
    let balance = changed as f64 - unchanged as f64;
    let odds = ((1.0 - MISREAD) / MISREAD).powf(-balance.abs());
    if balance >= 0.0 { truly + (1.0 - truly) * odds } else { truly * odds + 1.0 - truly }
}

/// Entropy, bits.
pub fn entropy(p: impl Iterator<Item = f64>) -> f64 {
    p.filter(|p| *p > 0.0).map(|p| -p * p.log2()).sum()
}

/// Expected information of an experiment (bits, Lindley 1956) and the probability of a change: `probability` now, `changed` the
/// probability of a change under each hypothesis.
pub fn information(probability: &[f64], changed: &[f64]) -> (f64, f64) {
    let before = entropy(probability.iter().copied());
    let chance: f64 = probability.iter().zip(changed).map(|(p, c)| p * c).sum();
    let after = |total: f64, c: &dyn Fn(f64) -> f64| {
        if total <= 0.0 {
            return 0.0;
        }
        total * entropy(probability.iter().zip(changed).map(|(p, x)| p * c(*x) / total))
    };
    let left = after(chance, &|c| c) + after(1.0 - chance, &|c| 1.0 - c);
    ((before - left).max(0.0), chance)
}
