//! The rank-sum test of two small groups, exact, ties included.

use std::collections::HashMap;

use crate::normal_below;

/// Above this many values together the normal approximation takes over.
const MOST_EXACT: usize = 24;

/// Exact tails of the rank sum (Mann and Whitney 1947; Wilcoxon 1945), counted and kept.
#[derive(Debug, Default)]
pub struct RankSum {
    /// Probability of each doubled rank sum or more, for groups of these sizes without ties.
    known: HashMap<(usize, usize), Vec<f64>>,
}

impl RankSum {
    /// Probability, if both groups came from one distribution, that the first lies as high against the second as it does, or
    /// higher. One-sided. Exact for up to 24 values together (with mid-ranks for ties), a normal approximation with tie and
    /// continuity correction beyond. 1 where a group is empty.
    pub fn higher(&mut self, first: &[f64], second: &[f64]) -> f64 {
        let (n, m) = (first.len(), second.len());
        if n == 0 || m == 0 {
            return 1.0;
        }
        let mut all: Vec<(f64, bool)> =
            first.iter().map(|v| (*v, true)).chain(second.iter().map(|v| (*v, false))).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Doubled mid-ranks are whole numbers.
        let mut doubled = vec![0usize; n + m];
        let mut ties = false;
        let mut tie_term = 0.0;
        let mut i = 0;
        while i < all.len() {
            let mut j = i + 1;
            while j < all.len() && all[j].0 == all[i].0 {
                j += 1;
            }
            ties |= j - i > 1;
            let t = (j - i) as f64;
            tie_term += t * t * t - t;
            for rank in &mut doubled[i..j] {
                *rank = i + j + 1;
            }
            i = j;
        }
        let sum: usize = all.iter().zip(&doubled).filter(|(v, _)| v.1).map(|(_, r)| *r).sum();
        if n + m > MOST_EXACT {
            let (nf, mf) = (n as f64, m as f64);
            let total = nf + mf;
            let u = sum as f64 / 2.0 - nf * (nf + 1.0) / 2.0;
            let variance = nf * mf / 12.0 * (total + 1.0 - tie_term / (total * (total - 1.0)));
            if variance <= 0.0 {
                return 1.0;
            }
            return normal_below(-(u - nf * mf / 2.0 - 0.5) / variance.sqrt());
        }
        let tails = if ties {
            &tails(&doubled, n)
        } else {
            self.known.entry((n, m)).or_insert_with(|| tails(&(1..=n + m).map(|r| 2 * r).collect::<Vec<_>>(), n))
        };
        tails[sum]
    }
}

/// For every doubled sum s the probability that n of the ranks, taken at random, sum to s or more.
fn tails(doubled: &[usize], n: usize) -> Vec<f64> {
    let most: usize = doubled.iter().sum();
    let mut ways = vec![vec![0.0; most + 1]; n + 1];
    ways[0][0] = 1.0;
    for (seen, &rank) in doubled.iter().enumerate() {
        for taken in (0..n.min(seen + 1)).rev() {
            for s in (0..=most - rank).rev() {
                let w = ways[taken][s];
                if w != 0.0 {
                    ways[taken + 1][s + rank] += w;
                }
            }
        }
    }
    let mut tails = ways.swap_remove(n);
    let whole: f64 = tails.iter().sum();
    let mut sum = 0.0;
    for t in tails.iter_mut().rev() {
        sum += *t;
        *t = sum / whole;
    }
    tails
}

/// Number of ways to choose k of n, as a float.
pub(crate) fn choose(n: usize, k: usize) -> f64 {
    (0..k).map(|i| (n - i) as f64 / (k - i) as f64).product()
}

/// p-values that hold for the whole family: Holm 1979 (no false one at all), in the order given.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut out = vec![1.0; p.len()];
    let mut highest = 0.0f64;
    for (rank, &i) in order.iter().enumerate() {
        highest = highest.max(((p.len() - rank) as f64 * p[i]).min(1.0));
        out[i] = highest;
    }
    out
}

/// p-values for the share of false ones among those taken: Benjamini and Hochberg 1995, in the order given.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[b].total_cmp(&p[a]));
    let mut out = vec![1.0; p.len()];
    let mut lowest = 1.0f64;
    for (down, &i) in order.iter().enumerate() {
        let rank = p.len() - down;
        lowest = lowest.min(p.len() as f64 / rank as f64 * p[i]);
        out[i] = lowest;
    }
    out
}
