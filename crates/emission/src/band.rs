//! The band around a difference trace that holds everywhere at once: by the largest deviation of a whole trace.
//!
//! Of a trace without any change the largest |difference| is what a band for all frequencies has to hold. It is drawn: a shift
//! that a whole run has in common, beside deviations of every half receiver bandwidth that belong to their neighbours as the
//! residuals of the repeated runs do, both with variances that are themselves known from few degrees of freedom (the
//! studentised maximum). Correcting a single interval for the number of frequencies (Bonferroni) instead pays for a poor
//! estimate of one scatter as often as there are frequencies.

use crate::Trace;
use crate::chance::{Repeatability, RepeatabilityPrior, Repeats, Spread};
use crate::coverage::bandwidth_hz;
use crate::random::Random;
use crate::uncertainty::student_quantile;

/// Draws of the extremes of a trace.
const DRAWS: usize = 8000;
/// Of them so many from traces of their own, where neighbours belong together and a whole trace has to be drawn.
const TRACES: usize = 400;
/// Correlation of neighbours below which they count as independent: on the safe side, and the extremes hardly feel it.
const NEGLIGIBLE: f64 = 0.5;

/// Indices of frequencies at least so many receiver bandwidths apart, among those that `covered` names.
pub(crate) fn cells(grid: &Trace, bandwidths: f64, covered: impl Fn(usize) -> bool) -> Vec<usize> {
    let mut last_hz = f64::NEG_INFINITY;
    (0..grid.frequency_hz.len())
        .filter(|&k| {
            let f = grid.frequency_hz[k];
            let next = covered(k) && f - last_hz >= 0.999 * bandwidths * bandwidth_hz(grid, f);
            if next {
                last_hz = f;
            }
            next
        })
        .collect()
}

/// Correlation of places beside each other in what repeated runs deviate of their own; none where nothing was repeated.
pub(crate) fn neighbours(states: &[&Repeats]) -> f64 {
    let (mut squares, mut products) = (0.0, 0.0);
    for rows in states.iter().filter(|rows| rows.len() > 1 && rows[0].len() > 1) {
        let (n, m) = (rows.len() as f64, rows[0].len() as f64);
        let means: Vec<f64> = (0..rows[0].len()).map(|k| rows.iter().map(|r| r[k]).sum::<f64>() / n).collect();
        for row in *rows {
            let off: Vec<f64> = row.iter().zip(&means).map(|(level, mean)| level - mean).collect();
            let shift = off.iter().sum::<f64>() / m;
            squares += off.iter().map(|o| (o - shift).powi(2)).sum::<f64>();
            products += off.windows(2).map(|w| (w[0] - shift) * (w[1] - shift)).sum::<f64>();
        }
    }
    if squares > 0.0 { (products / squares).clamp(0.0, 0.999) } else { 0.0 }
}

/// What the band reckons with: at the emissions (`there`), or over the whole trace where the two states were repeated often
/// enough to show it. Between the emissions readings may scatter more than at them, and at them more than between; the band
/// has to hold at both.
pub(crate) fn components(there: Repeatability, states: &[&Repeats]) -> Repeatability {
    let nothing = RepeatabilityPrior { degrees_of_freedom: 1e-6, ..RepeatabilityPrior::default() };
    let groups: Vec<Repeats> = states.iter().map(|s| (*s).clone()).collect();
    let all = Repeatability::learn(&groups, nothing);
    if all.observed.is_none() || all.run.degrees_of_freedom < 3.0 {
        let own =
            if all.observed.is_some() && all.own.standard_db > there.own.standard_db { all.own } else { there.own };
        return Repeatability { own, ..there };
    }
    let own = Spread {
        standard_db: all.own.standard_db.max(there.own.standard_db),
        degrees_of_freedom: all.own.degrees_of_freedom,
    };
    Repeatability { own, ..all }
}

/// Half-width, dB, within which the largest |difference| of two states stays with this probability where nothing changed.
/// `readings` is 1/n before + 1/n after, `cells` how many places are
/// covered, `neighbours` the correlation of two beside each other.
pub(crate) fn half_width_db(
    repetition: &Repeatability,
    readings: f64,
    cells: usize,
    neighbours: f64,
    probability: f64,
) -> f64 {
    let mut random = Random::new(0xba4d);
    let traces = if neighbours < NEGLIGIBLE { DRAWS } else { TRACES };
    let mut largest = Vec::with_capacity(DRAWS);
    for t in 0..traces {
        let (low, high) = if neighbours < NEGLIGIBLE {
            independent_extremes(cells.max(1), (t as f64 + 0.5) / traces as f64, &mut random)
        } else {
            extremes(cells.max(1), neighbours, &mut random)
        };
        for _ in 0..DRAWS / traces {
            let shift = (readings * repetition.run.draw_variance(&mut random)).sqrt() * random.normal();
            let own = (readings * repetition.own.draw_variance(&mut random)).sqrt();
            largest.push((shift + own * high).abs().max((shift + own * low).abs()));
        }
    }
    largest.sort_by(f64::total_cmp);
    let at = (probability * largest.len() as f64).ceil() as usize;
    largest[at.clamp(1, largest.len()) - 1]
}

/// Lowest and highest of so many independent normal deviations. The highest of n lies where its distribution function, Φⁿ, is a
/// uniform deviate; for a large n the lowest does so independently of it. The farther out is put at a cumulative probability
/// that the caller goes through evenly.
fn independent_extremes(count: usize, probability: f64, random: &mut Random) -> (f64, f64) {
    let quantile = |u: f64| student_quantile(u.clamp(1e-12, 1.0 - 1e-15), f64::INFINITY);
    let sign = if random.chance(0.5) { 1.0 } else { -1.0 };
    let far = quantile(0.5 + 0.5 * probability.powf(1.0 / count as f64));
    if count == 1 {
        return (sign * far, sign * far);
    }
    // The other side's extreme, given that it is nearer.
    let below = crate::normal_below(far).powf(count as f64);
    let near = quantile((random.unit().max(1e-9) * below).powf(1.0 / count as f64));
    if sign > 0.0 { (-near, far) } else { (-far, near) }
}

/// The same where each belongs to the one before by this correlation.
fn extremes(count: usize, neighbours: f64, random: &mut Random) -> (f64, f64) {
    let fresh = (1.0 - neighbours * neighbours).sqrt();
    let mut x = random.normal();
    let (mut low, mut high) = (x, x);
    for _ in 0..count / 2 {
        for z in random.normals() {
            x = neighbours * x + fresh * z;
            low = low.min(x);
            high = high.max(x);
        }
    }
    (low, high)
}
