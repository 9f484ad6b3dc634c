//! Which of several related fundamentals it is.
//!
//! Chance alone does not tell f from f/3 when two strays happen to lie on thirds. Whether the multiples in between are
//! there does. A stretch of consecutive multiples is filled with probability q each; a filled one says ln(q/(λ·2t)) for
//! the comb, with λ the density of peaks around it, an empty one ln(1 − q). The best stretch is found by adding up and
//! starting anew where the sum turns negative (Kadane's rule), for several q, with all multiples or the odd ones only.

use super::search::{Grade, Line, Search};

/// Shares of the multiples that may be there.
const FILLED: [f64; 4] = [0.2, 0.4, 0.6, 0.85];

/// Density of peaks around each, 1/Hz: seven neighbours and the span they take.
pub(super) fn densities(lines: &[Line]) -> Vec<f64> {
    (0..lines.len())
        .map(|k| {
            let reach = 4.min(lines.len() - 1);
            let from = k.saturating_sub(reach).min(lines.len() - 1 - reach);
            let to = (k + reach).max(2 * reach).min(lines.len() - 1);
            let span = (lines[to].frequency_hz - lines[from].frequency_hz).max(2.0 * lines[k].widest_hz);
            (to - from) as f64 / span
        })
        .collect()
}

/// How much better a comb explains the peaks than chance does, natural logarithm, less the logarithm of the number of
/// fundamentals tried. Peaks that other combs claim fill a multiple and say nothing more.
pub(super) fn log_ratio(search: &Search, fundamental_hz: f64, grade: Grade, claimed: &[bool]) -> f64 {
    let density = &search.density;
    let all = vec![true; search.lines.len()];
    let members = search.members_at(fundamental_hz, &all, |l| grade.tolerance_hz(l));
    let mut best = f64::NEG_INFINITY;
    for odd in [false, true] {
        for q in FILLED {
            let (mut sum, mut last) = (0.0f64, 0u32);
            for &(k, n) in members.iter().filter(|(_, n)| !odd || n % 2 == 1) {
                let t = grade.tolerance_hz(&search.lines[k]);
                let gain = q.ln() - if claimed[k] { 0.0 } else { (2.0 * t * density[k]).min(1.0).ln() };
                let gap = (n - last) / if odd { 2 } else { 1 };
                let carried = sum + f64::from(gap.saturating_sub(1)) * (1.0 - q).ln();
                sum = if last == 0 || carried < 0.0 { gain } else { carried + gain };
                last = n;
                // The odd pattern is one more thing that could have been seen.
                best = best.max(if odd { sum - std::f64::consts::LN_2 } else { sum });
            }
        }
    }
    best - search.ln_places(fundamental_hz, grade)
}

/// The stretch of consecutive multiples that a comb really fills: strays far above it fit by chance, and with their high
/// multiples they would pull the fundamental. Members in rising order; those inside the best stretch are kept.
/// `q` is the share of multiples expected to be there: the lower, the wider a gap may be.
pub(super) fn filled_stretch(
    members: &[(usize, u32)],
    tolerance_hz: impl Fn(usize) -> f64,
    density: &[f64],
    q: f64,
) -> Vec<(usize, u32)> {
    let odd = members.iter().all(|m| m.1 % 2 == 1);
    let (mut best, mut kept) = (f64::NEG_INFINITY, (0, 0));
    let (mut sum, mut from, mut last) = (0.0f64, 0, 0u32);
    for (i, &(k, n)) in members.iter().enumerate() {
        let gain = q.ln() - (2.0 * tolerance_hz(k) * density[k]).clamp(1e-9, 0.6 * q).ln();
        let gap = (n - last) / if odd { 2 } else { 1 };
        let carried = sum + f64::from(gap.saturating_sub(1)) * (1.0 - q).ln();
        if i == 0 || carried < 0.0 {
            (sum, from) = (gain, i);
        } else {
            sum = carried + gain;
        }
        last = n;
        if sum > best {
            (best, kept) = (sum, (from, i + 1));
        }
    }
    members[kept.0..kept.1].to_vec()
}
