//! A scan with a hand-held probe over a picture of the product: the map at one frequency, how sure it is, and where to hold
//! the probe next.
//!
//! The levels are a Gaussian process over the picture: a constant mean, a squared-exponential covariance, and the error of a
//! reading (Rasmussen and Williams, Gaussian Processes for Machine Learning, chapter 2; the same as simple kriging). The reach
//! of the covariance is averaged over a few values by their marginal likelihood (chapter 5), so that few readings do not
//! pretend to a smoothness nobody has seen. The next place is that of the largest expected improvement (Mockus 1978).

use serde::{Deserialize, Serialize};
use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// One reading on the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Tap {
    /// From the left edge, 0 to 1.
    pub x: f64,
    /// From the top edge, 0 to 1.
    pub y: f64,
    /// Level, dB.
    pub level_db: f64,
}

/// How a scan is mapped.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ScanChoices {
    /// Height of the picture over its width.
    pub height_over_width: f64,
    /// Points of the map from left to right.
    pub columns: usize,
    /// Standard deviation of one reading, dB: holding a probe by hand repeats to a decibel or two (common practice).
    pub reading_db: f64,
    /// A next reading that is expected to raise the highest level by less than this is not worth taking, dB.
    pub least_gain_db: f64,
}

impl Default for ScanChoices {
    fn default() -> Self {
        Self { height_over_width: 0.75, columns: 40, reading_db: 1.5, least_gain_db: 0.5 }
    }
}

/// Where to hold the probe next.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NextTap {
    /// From the left, 0 to 1.
    pub x: f64,
    /// From the top, 0 to 1.
    pub y: f64,
    /// Level expected there, dB.
    pub expected_db: f64,
    /// Standard deviation of that, dB.
    pub deviation_db: f64,
    /// Expected rise above the highest level so far, dB.
    pub gain_db: f64,
}

/// The map of a scan at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScanMap {
    /// Points from left to right.
    pub columns: usize,
    /// Points from top to bottom.
    pub rows: usize,
    /// Expected levels, row by row from the top left, the points in the middles of equal cells, dB.
    pub level_db: Vec<f64>,
    /// Standard deviation of each, dB.
    pub deviation_db: Vec<f64>,
    /// Where the deviation is above this, the readings tell next to nothing: two thirds of that of an unknown place, dB.
    pub unknown_above_db: f64,
    /// Where the map is highest among what is known: from the left, from the top, expected level and its deviation.
    pub highest: NextTap,
    /// The place with the largest expected gain; none when that is too small to be worth a reading.
    pub next: Option<NextTap>,
    /// Largest expected gain anywhere, dB.
    pub largest_gain_db: f64,
    /// Distance over which levels are alike, as a share of the picture's width (the mean over what the readings allow).
    pub reach: f64,
}

/// What keeps a scan from being mapped.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScanError {
    /// A place outside the picture, or a level that is none.
    #[error("reading {number}: {what} {value}; expected {expected}")]
    Reading {
        /// From 1.
        number: usize,
        /// `x`, `y` or `level`.
        what: &'static str,
        /// As given.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// A choice that cannot be.
    #[error("{what} {value}; expected {expected}")]
    Choice {
        /// Which.
        what: &'static str,
        /// As given.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
}

/// Reaches that are tried, as shares of the picture's width.
const REACHES: [f64; 5] = [0.06, 0.1, 0.16, 0.25, 0.4];
/// What levels on a board spread by where nothing is known yet: standard deviation, dB, counting as so many readings.
const USUAL_SPREAD_DB: f64 = 8.0;
const USUAL_SPREAD_COUNTS: f64 = 4.0;
/// At most so many readings are mapped (the highest and the latest are kept by the caller's choice).
pub const MOST_TAPS: usize = 400;

struct Fitted {
    reach: f64,
    weight: f64,
    factor: Vec<f64>,
    /// Covariance inverse times what is above the mean.
    solved: Vec<f64>,
}

fn cholesky(a: &mut [f64], n: usize) {
    for i in 0..n {
        for j in 0..=i {
            let s = a[i * n + j] - (0..j).map(|k| a[i * n + k] * a[j * n + k]).sum::<f64>();
            a[i * n + j] = if i == j { s.max(1e-12).sqrt() } else { s / a[j * n + j] };
        }
    }
}

fn forward(factor: &[f64], right: &[f64]) -> Vec<f64> {
    let n = right.len();
    let mut out = vec![0.0; n];
    for i in 0..n {
        let s: f64 = (0..i).map(|k| factor[i * n + k] * out[k]).sum();
        out[i] = (right[i] - s) / factor[i * n + i];
    }
    out
}

fn backward(factor: &[f64], right: &[f64]) -> Vec<f64> {
    let n = right.len();
    let mut out = vec![0.0; n];
    for i in (0..n).rev() {
        let s: f64 = (i + 1..n).map(|k| factor[k * n + i] * out[k]).sum();
        out[i] = (right[i] - s) / factor[i * n + i];
    }
    out
}

/// Maps a scan. Readings at one place (a probe that was turned) count with the highest of them. With no reading the next place
/// is the middle.
pub fn map_scan(taps: &[Tap], choices: &ScanChoices) -> Result<ScanMap, ScanError> {
    check(taps, choices)?;
    let taps = highest_at_each_place(taps);
    let n = taps.len();
    let aspect = choices.height_over_width;
    let noise = choices.reading_db.powi(2);
    let mean = if n == 0 { 0.0 } else { taps.iter().map(|t| t.level_db).sum::<f64>() / n as f64 };
    let scatter: f64 = taps.iter().map(|t| (t.level_db - mean).powi(2)).sum();
    let variance = (USUAL_SPREAD_COUNTS * USUAL_SPREAD_DB.powi(2) + scatter) / (USUAL_SPREAD_COUNTS + n as f64);
    let square = |a: &Tap, x: f64, y: f64| (a.x - x).powi(2) + (aspect * (a.y - y)).powi(2);
    let above: Vec<f64> = taps.iter().map(|t| t.level_db - mean).collect();
    let mut fitted: Vec<Fitted> = REACHES
        .iter()
        .map(|&reach| {
            let mut factor = vec![0.0; n * n];
            for i in 0..n {
                for j in 0..=i {
                    let alike = variance * (-square(&taps[i], taps[j].x, taps[j].y) / (2.0 * reach * reach)).exp();
                    factor[i * n + j] = alike + if i == j { noise } else { 0.0 };
                }
            }
            cholesky(&mut factor, n);
            let half = forward(&factor, &above);
            let ln =
                -0.5 * half.iter().map(|v| v * v).sum::<f64>() - (0..n).map(|i| factor[i * n + i].ln()).sum::<f64>();
            let solved = backward(&factor, &half);
            Fitted { reach, weight: ln, factor, solved }
        })
        .collect();
    let top = fitted.iter().map(|f| f.weight).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = fitted.iter().map(|f| (f.weight - top).exp()).sum();
    for f in &mut fitted {
        f.weight = (f.weight - top).exp() / sum;
    }
    // What is unlikely costs time and changes nothing.
    fitted.retain(|f| f.weight > 1e-3);
    let kept: f64 = fitted.iter().map(|f| f.weight).sum();
    for f in &mut fitted {
        f.weight /= kept;
    }
    let at = |x: f64, y: f64| -> (f64, f64) {
        let (mut first, mut second) = (0.0, 0.0);
        for f in &fitted {
            let to: Vec<f64> =
                taps.iter().map(|t| variance * (-square(t, x, y) / (2.0 * f.reach * f.reach)).exp()).collect();
            let expected = mean + to.iter().zip(&f.solved).map(|(a, b)| a * b).sum::<f64>();
            let half = forward(&f.factor, &to);
            let left = (variance - half.iter().map(|v| v * v).sum::<f64>()).max(0.0);
            first += f.weight * expected;
            second += f.weight * (left + expected * expected);
        }
        (first, (second - first * first).max(1e-9).sqrt())
    };
    let columns = choices.columns;
    let rows = ((columns as f64 * aspect).round() as usize).max(2);
    let best = taps.iter().map(|t| at(t.x, t.y).0).fold(f64::NEG_INFINITY, f64::max);
    let normal = Normal::standard();
    let unknown_above_db = variance.sqrt() * 2.0 / 3.0;
    let (mut level_db, mut deviation_db) = (Vec::with_capacity(columns * rows), Vec::with_capacity(columns * rows));
    let nothing = NextTap { x: 0.5, y: 0.5, expected_db: mean, deviation_db: variance.sqrt(), gain_db: -1.0 };
    let (mut next, mut highest) = (nothing, NextTap { expected_db: f64::NEG_INFINITY, ..nothing });
    for row in 0..rows {
        for column in 0..columns {
            let (x, y) = ((column as f64 + 0.5) / columns as f64, (row as f64 + 0.5) / rows as f64);
            let (expected_db, deviation) = at(x, y);
            level_db.push(expected_db);
            deviation_db.push(deviation);
            let gain_db = if n == 0 {
                0.0
            } else {
                let z = (expected_db - best) / deviation;
                (expected_db - best) * normal.cdf(z) + deviation * normal.pdf(z)
            };
            let here = NextTap { x, y, expected_db, deviation_db: deviation, gain_db };
            if gain_db > next.gain_db + 1e-12 && n > 0 {
                next = here;
            }
            if deviation <= unknown_above_db && expected_db > highest.expected_db {
                highest = here;
            }
        }
    }
    let reach = fitted.iter().map(|f| f.weight * f.reach).sum();
    let enough = n > 0 && next.gain_db < choices.least_gain_db;
    let highest = if highest.expected_db.is_finite() { highest } else { nothing };
    Ok(ScanMap {
        columns,
        rows,
        level_db,
        deviation_db,
        unknown_above_db,
        highest,
        next: (!enough).then_some(NextTap { gain_db: next.gain_db.max(0.0), ..next }),
        largest_gain_db: next.gain_db.max(0.0),
        reach,
    })
}

fn check(taps: &[Tap], choices: &ScanChoices) -> Result<(), ScanError> {
    let bad = |what, value, expected| Err(ScanError::Choice { what, value, expected });
    if !(0.05..=20.0).contains(&choices.height_over_width) {
        return bad("height over width", choices.height_over_width, "0.05 to 20");
    }
    if !(2..=200).contains(&choices.columns) {
        return bad("columns", choices.columns as f64, "2 to 200");
    }
    if !(choices.reading_db > 0.0 && choices.reading_db.is_finite()) {
        return bad("error of a reading", choices.reading_db, "a number above 0, in dB");
    }
    if taps.len() > MOST_TAPS {
        return bad("number of readings", taps.len() as f64, "at most 400");
    }
    for (i, t) in taps.iter().enumerate() {
        let number = i + 1;
        for (what, value) in [("x", t.x), ("y", t.y)] {
            if !(0.0..=1.0).contains(&value) {
                return Err(ScanError::Reading { number, what, value, expected: "0 to 1" });
            }
        }
        if !t.level_db.is_finite() {
            return Err(ScanError::Reading { number, what: "level", value: t.level_db, expected: "a finite number" });
        }
    }
    Ok(())
}

/// Readings nearer to each other than a hundredth of the width are one place: its level is the highest.
fn highest_at_each_place(taps: &[Tap]) -> Vec<Tap> {
    let mut places: Vec<Tap> = Vec::new();
    for t in taps {
        match places.iter_mut().find(|p| (p.x - t.x).hypot(p.y - t.y) < 0.01) {
            Some(p) => p.level_db = p.level_db.max(t.level_db),
            None => places.push(*t),
        }
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Random;

    fn map(taps: &[Tap]) -> ScanMap {
        map_scan(taps, &ScanChoices { columns: 21, ..ScanChoices::default() }).expect("readings")
    }

    #[test]
    fn one_reading_agrees_with_the_formula() {
        // By hand: with one reading the mean is its level, so the map is flat; at the place of the reading the variance is
        // v − v²/(v + e²), v = (4·64 + 0)/5 = 51.2, e = 1.5: 2.155, a deviation of 1.468 dB.
        let tap = Tap { x: 0.5, y: 0.5, level_db: 60.0 };
        let m = map_scan(&[tap], &ScanChoices { columns: 41, height_over_width: 1.0, ..ScanChoices::default() })
            .expect("one");
        let middle = 20 * 41 + 20;
        assert!((m.level_db[middle] - 60.0).abs() < 1e-9);
        assert!((m.deviation_db[middle] - 1.468).abs() < 2e-3, "{}", m.deviation_db[middle]);
        // Far away nothing is known: the deviation is that of the prior, 7.155 dB, less what the longest reach still tells.
        assert!((m.deviation_db[0] - 51.2f64.sqrt()).abs() < 0.35, "{}", m.deviation_db[0]);
        assert!(m.next.is_some());
    }

    #[test]
    fn the_next_taps_find_a_hidden_source_and_then_stop() {
        let mut random = Random::new(12);
        let (mut found, mut taken) = (0, 0);
        for _ in 0..30 {
            let (sx, sy) = (random.between(0.1, 0.9), random.between(0.1, 0.9));
            // A small loop 2 cm under the probe on a board of 25 cm: n = 3.
            let level = |x: f64, y: f64, random: &mut Random| {
                let r = ((x - sx).powi(2) + (0.75 * (y - sy)).powi(2) + 0.08f64.powi(2)).sqrt();
                -60.0 * r.log10() + random.normal()
            };
            let mut taps: Vec<Tap> = Vec::new();
            while taps.len() < 40 {
                let Some(next) = map(&taps).next else { break };
                taps.push(Tap { x: next.x, y: next.y, level_db: level(next.x, next.y, &mut random) });
            }
            taken += taps.len();
            let best = map(&taps).highest;
            found += usize::from((best.x - sx).hypot(0.75 * (best.y - sy)) < 0.08);
        }
        assert!(found >= 27, "{found} of 30 found");
        assert!(taken < 30 * 30, "{} readings a source", taken / 30);
    }

    #[test]
    fn the_doubt_holds() {
        let mut random = Random::new(5);
        let (mut inside, mut all) = (0u32, 0u32);
        for _ in 0..40 {
            let humps: Vec<(f64, f64, f64)> =
                (0..4).map(|_| (random.unit(), random.unit(), random.between(5.0, 25.0))).collect();
            let truth = |x: f64, y: f64| {
                humps
                    .iter()
                    .map(|(a, b, h)| h * (-((x - a).powi(2) + (0.75 * (y - b)).powi(2)) / 0.045).exp())
                    .sum::<f64>()
            };
            let taps: Vec<Tap> = (0..20)
                .map(|_| {
                    let (x, y) = (random.unit(), random.unit());
                    Tap { x, y, level_db: 40.0 + truth(x, y) + 1.5 * random.normal() }
                })
                .collect();
            let m = map(&taps);
            for row in 0..m.rows {
                for column in 0..m.columns {
                    let (x, y) = ((column as f64 + 0.5) / m.columns as f64, (row as f64 + 0.5) / m.rows as f64);
                    let k = row * m.columns + column;
                    inside += u32::from((m.level_db[k] - 40.0 - truth(x, y)).abs() <= 2.0 * m.deviation_db[k]);
                    all += 1;
                }
            }
        }
        let share = f64::from(inside) / f64::from(all);
        assert!(share > 0.9, "{share} inside two standard deviations; 0.954 for a normal distribution");
    }

    #[test]
    fn nonsense_is_refused_and_nothing_begins_in_the_middle() {
        let next = map(&[]).next.expect("somewhere");
        assert!((next.x - 0.5).abs() < 1e-9 && (next.y - 0.5).abs() < 1e-9);
        let wrong = map_scan(&[Tap { x: 1.5, y: 0.0, level_db: 1.0 }], &ScanChoices::default()).expect_err("outside");
        assert_eq!(wrong.to_string(), "reading 1: x 1.5; expected 0 to 1");
        assert!(map_scan(&[Tap { x: 0.5, y: 0.0, level_db: f64::NAN }], &ScanChoices::default()).is_err());
        assert!(map_scan(&[], &ScanChoices { height_over_width: 0.0, ..ScanChoices::default() }).is_err());
        // A turned probe: the highest counts.
        let turned = [10.0, 16.0].map(|level_db| Tap { x: 0.3, y: 0.3, level_db });
        assert_eq!(highest_at_each_place(&turned).iter().map(|t| t.level_db).collect::<Vec<_>>(), [16.0]);
    }
}
