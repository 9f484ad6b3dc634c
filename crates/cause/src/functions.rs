//! Which peaks follow which function of the product: traces in several operating modes.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// A peak that follows a function.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Follows {
    /// Position of the frequency.
    pub frequency: usize,
    /// Position of the function.
    pub function: usize,
    /// By how much the level is higher with the function on, dB.
    pub effect_db: f64,
    /// Standard error of that, dB.
    pub error_db: f64,
    /// Probability of an effect as large by chance (two-sided t test).
    pub p: f64,
}

/// What keeps modes from being compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FunctionsError {
    /// Too few traces.
    #[error("{traces} traces for {functions} functions; expected at least {} so that an error can be estimated", functions + 2)]
    TooFew {
        /// How many traces.
        traces: usize,
        /// How many functions.
        functions: usize,
    },
    /// A row of another length.
    #[error("trace {trace}: {found} {what}; expected {expected}")]
    Length {
        /// From 1.
        trace: usize,
        /// `levels` or `function states`.
        what: &'static str,
        /// Found.
        found: usize,
        /// Expected.
        expected: usize,
    },
    /// Two functions always switched together, or one never switched.
    #[error("the states of the functions do not tell them apart: function {function} was never switched on its own")]
    NotApart {
        /// From 1.
        function: usize,
    },
}

/// Ordinary least squares of the level at every frequency on the states of the functions, and the effects that survive
/// the false-discovery control of Benjamini and Hochberg (1995, J. R. Stat. Soc. B 57, 289) at `false_discovery` over all
/// frequencies and functions. `on[t][j]`: function j was on in trace t. `level_db[t][i]`: level at frequency i.
pub fn which_follow(
    on: &[Vec<bool>],
    level_db: &[Vec<f64>],
    false_discovery: f64,
) -> Result<Vec<Follows>, FunctionsError> {
    let traces = on.len();
    let functions = on.first().map_or(0, Vec::len);
    let frequencies = level_db.first().map_or(0, Vec::len);
    if traces < functions + 2 || functions == 0 || level_db.len() != traces {
        return Err(FunctionsError::TooFew { traces: traces.min(level_db.len()), functions });
    }
    for t in 0..traces {
        if on[t].len() != functions {
            let (found, what) = (on[t].len(), "function states");
            return Err(FunctionsError::Length { trace: t + 1, what, found, expected: functions });
        }
        if level_db[t].len() != frequencies {
            let (found, what) = (level_db[t].len(), "levels");
            return Err(FunctionsError::Length { trace: t + 1, what, found, expected: frequencies });
        }
    }
    let width = functions + 1;
    let row =
        |t: usize| -> Vec<f64> { std::iter::once(1.0).chain(on[t].iter().map(|b| f64::from(u8::from(*b)))).collect() };
    let mut normal = vec![0.0; width * width];
    for t in 0..traces {
        let x = row(t);
        for i in 0..width {
            for j in 0..width {
                normal[i * width + j] += x[i] * x[j];
            }
        }
    }
    let inverse = invert(&normal, width).map_err(|at| FunctionsError::NotApart { function: at.max(1) })?;
    let freedom = (traces - width) as f64;
    let student = StudentsT::new(0.0, 1.0, freedom).expect("at least one degree of freedom");
    let mut all = Vec::with_capacity(frequencies * functions);
    let rows: Vec<Vec<f64>> = (0..traces).map(row).collect();
    for i in 0..frequencies {
        let levels: Vec<f64> = level_db.iter().map(|l| l[i]).collect();
        let mut right = vec![0.0; width];
        for (x, level) in rows.iter().zip(&levels) {
            for (r, x) in right.iter_mut().zip(x) {
                *r += x * level;
            }
        }
        let beta: Vec<f64> = (0..width).map(|a| (0..width).map(|b| inverse[a * width + b] * right[b]).sum()).collect();
        let rest: f64 = rows
            .iter()
            .zip(&levels)
            .map(|(x, level)| (level - x.iter().zip(&beta).map(|(x, b)| x * b).sum::<f64>()).powi(2))
            .sum();
        let variance = (rest / freedom).max(1e-12);
        for j in 0..functions {
            let error_db = (variance * inverse[(j + 1) * width + j + 1]).sqrt();
            let p = 2.0 * student.sf((beta[j + 1] / error_db).abs());
            all.push(Follows { frequency: i, function: j, effect_db: beta[j + 1], error_db, p });
        }
    }
    let count = all.len() as f64;
    all.sort_by(|a, b| a.p.total_cmp(&b.p));
    let kept = all
        .iter()
        .enumerate()
        .filter(|(k, f)| f.p <= false_discovery * (k + 1) as f64 / count)
        .map(|(k, _)| k + 1)
        .max();
    all.truncate(kept.unwrap_or(0));
    Ok(all)
}

/// Gauss–Jordan with pivots; the column that cannot be resolved on failure.
fn invert(matrix: &[f64], n: usize) -> Result<Vec<f64>, usize> {
    let mut a = matrix.to_vec();
    let mut inverse: Vec<f64> = (0..n * n).map(|i| f64::from(u8::from(i / n == i % n))).collect();
    for c in 0..n {
        let pivot = (c..n).max_by(|x, y| a[x * n + c].abs().total_cmp(&a[y * n + c].abs())).unwrap_or(c);
        if a[pivot * n + c].abs() < 1e-9 {
            return Err(c);
        }
        for k in 0..n {
            a.swap(c * n + k, pivot * n + k);
            inverse.swap(c * n + k, pivot * n + k);
        }
        let d = a[c * n + c];
        for k in 0..n {
            a[c * n + k] /= d;
            inverse[c * n + k] /= d;
        }
        for r in (0..n).filter(|r| *r != c) {
            let f = a[r * n + c];
            for k in 0..n {
                a[r * n + k] -= f * a[c * n + k];
                inverse[r * n + k] -= f * inverse[c * n + k];
            }
        }
    }
    Ok(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Random;

    #[test]
    fn effects_are_found_and_the_false_ones_stay_rare() {
        let mut random = Random::new(6);
        let (mut true_found, mut false_found, mut total) = (0, 0, 0);
        for _ in 0..60 {
            let on: Vec<Vec<bool>> = (0..12).map(|t| (0..3).map(|j| t >> j & 1 == 1).collect()).collect();
            // Frequencies 0 to 9 follow function 0 by 10 dB, the other 190 none.
            let level: Vec<Vec<f64>> = on
                .iter()
                .map(|s| {
                    (0..200).map(|i| 40.0 + if i < 10 && s[0] { 10.0 } else { 0.0 } + 1.5 * random.normal()).collect()
                })
                .collect();
            for f in which_follow(&on, &level, 0.05).expect("enough traces") {
                total += 1;
                if f.function == 0 && f.frequency < 10 { true_found += 1 } else { false_found += 1 }
            }
        }
        assert!(true_found >= 570, "{true_found} of 600");
        assert!(f64::from(false_found) <= 0.08 * f64::from(total), "{false_found} of {total}");
    }

    #[test]
    fn functions_switched_together_are_named() {
        let on = vec![vec![true, true], vec![false, false], vec![true, true], vec![false, false]];
        let level = vec![vec![1.0]; 4];
        assert!(matches!(which_follow(&on, &level, 0.05), Err(FunctionsError::NotApart { function: 2 })));
        assert!(matches!(which_follow(&on[..3], &level[..3], 0.05), Err(FunctionsError::TooFew { .. })));
    }
}
