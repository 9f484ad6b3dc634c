//! Product or surroundings: repeated sweeps with the product off and on, a test at every suspect.
//!
//! *Product's.* The levels with the product on are compared with those with it off by the exact rank-sum test. If the product
//! added nothing, every order of the sweeps would be as likely as any other, so its error rate holds whatever the ambient
//! does (fades, comes and goes), as long as off and on were taken alternately or in an order thrown by lot. The p-values are
//! corrected for the number of suspects.
//!
//! *Ambient.* If the product by itself gave a level P, the levels with it on would be those of the ambient with P added in
//! power (with a peak detector at least that). The largest P that the same test does not exclude is an upper bound of the
//! product's own level, with confidence 1 − β over all suspects. Where the bound lies under half of the power seen (3 dB
//! below the median of the on-sweeps) the emission is marked ambient, unless one on-sweep stands more than 6 dB over every
//! off-sweep: that may be a product that comes and goes. Nothing is subtracted.
//!
//! *Undecided.* Neither; and how many sweeps would probably decide it (Noether, JASA 82, 1987).
//!
//! A mark removes nothing. Where the bound of the product's level lies over the limit, the ambient hides what the limit asks
//! for, and that is said.

mod rank;

pub use rank::{RankSum, benjamini_hochberg, holm};

use quantity::power_sum_db;
use serde::{Deserialize, Serialize};
use standards::{Detector, Limit};

use crate::angles::level_near;
use crate::conductors::hold;
use crate::{JudgeError, JudgeOptions, Trace, TraceError, Verdict, judge};
use rank::choose;

/// A highest on-level so far above every off-level keeps a mark of ambient away, dB.
const ALONE_DB: f64 = 6.0;

/// Which errors the chosen rate speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ErrorRate {
    /// Probability of even one wrong mark among all suspects (Holm).
    AnyWrong,
    /// Share of wrong marks among those given (Benjamini and Hochberg); for the product's marks only.
    ShareWrong,
}

/// How sure a mark has to be.
#[derive(Debug, Clone, PartialEq)]
pub struct AmbientOptions {
    /// Rate of marking as the product's what is not.
    pub alpha: f64,
    /// Rate of marking as ambient what is the product's for half or more.
    pub beta: f64,
    /// What `alpha` speaks of.
    pub error_rate: ErrorRate,
    /// How the trace with the product on is judged; `within_db` and `max_suspects` choose the suspects.
    pub judging: JudgeOptions,
}

impl Default for AmbientOptions {
    fn default() -> Self {
        Self {
            alpha: 0.05,
            beta: 0.05,
            error_rate: ErrorRate::AnyWrong,
            judging: JudgeOptions { within_db: 10.0, max_suspects: 40, ..JudgeOptions::default() },
        }
    }
}

/// Whose an emission is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Mark {
    /// The product's.
    Product,
    /// The surroundings'.
    Ambient,
    /// Not decided.
    Undecided,
}

impl Mark {
    /// In words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Product => "product",
            Self::Ambient => "ambient",
            Self::Undecided => "undecided",
        }
    }
}

/// What the sweeps say at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Marking {
    /// Whose it is.
    pub mark: Mark,
    /// p-value against "the product adds nothing", by itself.
    pub p_value: f64,
    /// The same corrected for the number of suspects: at most α for the product's.
    pub p_corrected: f64,
    /// Median with the product off, dB in the trace's unit; NaN (JSON null) where nothing was measured.
    #[serde(with = "crate::nan_as_null::one")]
    pub off_median_db: f64,
    /// Median with it on.
    #[serde(with = "crate::nan_as_null::one")]
    pub on_median_db: f64,
    /// The product's own level is at most this, with confidence 1 − β over all suspects; NaN (JSON null) where the sweeps are
    /// too few to bound it.
    #[serde(with = "crate::nan_as_null::one")]
    pub product_at_most_db: f64,
    /// The off-sweeps fall into two groups 10 dB or more apart: the ambient comes and goes.
    pub off_intermittent: bool,
    /// The on-sweeps do.
    pub on_intermittent: bool,
    /// Sweeps of each kind, in all, that would probably (4 of 5) decide it; 0 where it is decided, none where more than 60
    /// would be needed.
    pub sweeps_to_decide: Option<usize>,
}

/// One suspect.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AmbientSuspect {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Detector of the levels.
    pub detector: Detector,
    /// Smallest margin with the product on, highest of all sweeps, dB.
    pub margin_db: f64,
    /// The nearest limit.
    pub limit_id: String,
    /// Its level, in the trace's unit as far as that is the limit's.
    pub limit_db: f64,
    /// Levels with the product off, sweep by sweep; NaN (JSON null) where there is none.
    #[serde(with = "crate::nan_as_null::list")]
    pub off_db: Vec<f64>,
    /// Levels with it on.
    #[serde(with = "crate::nan_as_null::list")]
    pub on_db: Vec<f64>,
    /// Whose it is, and how sure.
    pub marking: Marking,
    /// The product's level may be over the limit without being seen.
    pub hides_limit: bool,
    /// From, Hz: the stretch of the trace the mark holds for.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
}

/// All of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ambient {
    /// The highest of the on-sweeps: everything that was seen, whatever its mark.
    pub trace: Trace,
    /// Its verdict, with everything in it.
    pub verdict: Verdict,
    /// Smallest margin of what is not marked ambient, dB; NaN (JSON null) where all is.
    #[serde(with = "crate::nan_as_null::one")]
    pub margin_without_ambient_db: f64,
    /// Each suspect, the smallest margin first.
    pub suspects: Vec<AmbientSuspect>,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Why there are no marks.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AmbientError {
    /// Too few sweeps of one kind.
    #[error("{found} sweep(s) with the product {which}; expected at least 2, and 5 or more to decide much")]
    TooFew {
        /// `off` or `on`.
        which: &'static str,
        /// How many there are.
        found: usize,
    },
    /// A rate that is none.
    #[error("{field}: {value}; expected more than 0 and less than 0.5")]
    Rate {
        /// `alpha` or `beta`.
        field: &'static str,
        /// As given.
        value: f64,
    },
    /// The sweeps do not go together.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// They cannot be judged.
    #[error(transparent)]
    Judge(#[from] JudgeError),
}

fn median(values: &[f64]) -> f64 {
    let mut v: Vec<f64> = values.iter().copied().filter(|x| x.is_finite()).collect();
    if v.is_empty() {
        return f64::NAN;
    }
    v.sort_by(f64::total_cmp);
    f64::midpoint(v[(v.len() - 1) / 2], v[v.len() / 2])
}

/// Two groups 10 dB or more apart, each of at least one.
fn intermittent(values: &[f64]) -> bool {
    let mut v: Vec<f64> = values.iter().copied().filter(|x| x.is_finite()).collect();
    v.sort_by(f64::total_cmp);
    v.windows(2).any(|w| w[1] - w[0] >= 10.0)
}

/// Standard normal deviate of an upper tail.
fn upper_z(tail: f64) -> f64 {
    -std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(2.0 * (1.0 - tail))
}

/// Sweeps of each kind that a rank-sum test at `level` needs for a power of 0.8, when the first group lies above the second
/// with probability `above` (Noether 1987), and at least so many that a p-value that small exists.
fn sweeps_needed(above: f64, level: f64) -> Option<usize> {
    const MOST: usize = 60;
    if above <= 0.5 {
        return None;
    }
    let by_count = (2..=MOST).find(|&n| 1.0 / choose(2 * n, n) <= level)?;
    // Nobody is sure of a probability of 1 from a few sweeps.
    let above = above.min(0.98);
    let total = (upper_z(level) + upper_z(0.2)).powi(2) / (3.0 * (above - 0.5).powi(2));
    let needed = by_count.max((total / 2.0).ceil() as usize);
    (needed <= MOST).then_some(needed)
}

/// Share of pairs in which a value of the first group lies above one of the second, ties half.
fn share_above(first: &[f64], second: &[f64]) -> f64 {
    let mut sum = 0.0;
    for a in first {
        for b in second {
            sum += if a > b {
                1.0
            } else if a == b {
                0.5
            } else {
                0.0
            };
        }
    }
    sum / (first.len() * second.len()).max(1) as f64
}

/// Marks suspects from their levels (dB) with the product off and on, NaN where a sweep has none: one entry for each suspect
/// in both lists.
pub fn mark(off: &[Vec<f64>], on: &[Vec<f64>], alpha: f64, beta: f64, error_rate: ErrorRate) -> Vec<Marking> {
    let count = off.len().min(on.len());
    let clean = |list: &[f64]| list.iter().copied().filter(|v| v.is_finite()).collect::<Vec<f64>>();
    let groups: Vec<(Vec<f64>, Vec<f64>)> = off.iter().zip(on).map(|(a, b)| (clean(a), clean(b))).collect();
    let mut test = RankSum::default();
    let p: Vec<f64> = groups.iter().map(|(off, on)| test.higher(on, off)).collect();
    let corrected = match error_rate {
        ErrorRate::AnyWrong => holm(&p),
        ErrorRate::ShareWrong => benjamini_hochberg(&p),
    };
    let own_beta = beta / count.max(1) as f64;
    groups
        .iter()
        .enumerate()
        .map(|(i, (off, on))| {
            let (off_median_db, on_median_db) = (median(off), median(on));
            let at_most = bound(&mut test, off, on, own_beta);
            let half_db = on_median_db - 10.0 * 2f64.log10();
            // A product that comes and goes is not of one level: what stands out in one on-sweep and in no off-sweep may be it.
            let highest = |list: &[f64]| list.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let on_alone = highest(on) > highest(off) + ALONE_DB;
            let mark = if corrected[i] <= alpha {
                Mark::Product
            } else if at_most <= half_db && !on_alone {
                Mark::Ambient
            } else {
                Mark::Undecided
            };
            let sweeps_to_decide = match mark {
                Mark::Undecided => {
                    let as_product = sweeps_needed(share_above(on, off), alpha / count as f64);
                    let with_half: Vec<f64> = off.iter().map(|o| power_sum_db([*o, half_db])).collect();
                    let as_ambient = sweeps_needed(share_above(&with_half, on), own_beta);
                    match (as_product, as_ambient) {
                        (Some(a), Some(b)) => Some(a.min(b)),
                        (a, b) => a.or(b),
                    }
                }
                _ => Some(0),
            };
            Marking {
                mark,
                p_value: p[i],
                p_corrected: corrected[i],
                off_median_db,
                on_median_db,
                product_at_most_db: at_most,
                off_intermittent: intermittent(off),
                on_intermittent: intermittent(on),
                sweeps_to_decide,
            }
        })
        .collect()
}

/// The largest level of the product that the on-sweeps do not exclude at this level; NaN where no level could be excluded.
///
/// The order of the values changes only where an off-level with the product added passes an on-level, so the answer is one
/// of those levels.
fn bound(test: &mut RankSum, off: &[f64], on: &[f64], level: f64) -> f64 {
    let mut steps: Vec<f64> = on
        .iter()
        .flat_map(|o| off.iter().map(move |f| 10.0 * (10f64.powf(o / 10.0) - 10f64.powf(f / 10.0)).log10()))
        .filter(|p| p.is_finite())
        .collect();
    steps.sort_by(f64::total_cmp);
    let mut excluded = |p_db: f64| {
        let with: Vec<f64> = off.iter().map(|f| power_sum_db([*f, p_db])).collect();
        test.higher(&with, on) <= level
    };
    let Some(&last) = steps.last() else {
        // Every off-level is above every on-level: anything the product adds is excluded, or nothing can be.
        return if excluded(f64::NEG_INFINITY) { f64::NEG_INFINITY } else { f64::NAN };
    };
    if !excluded(last + 1.0) {
        return f64::NAN;
    }
    // Between two steps all levels answer alike, and the answer changes once.
    let within = |k: usize| steps.get(k + 1).map_or(last + 1.0, |next| f64::midpoint(steps[k], *next));
    let (mut low, mut high) = (0, steps.len() - 1);
    while low < high {
        let middle = usize::midpoint(low, high);
        if excluded(within(middle)) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    steps[high]
}

/// Judges sweeps with the product on, and marks each suspect from the sweeps with it off and on.
///
/// # Errors
/// Fewer than two sweeps of a kind, rates that are none, sweeps that do not go together or cannot be judged.
pub fn ambient(
    off: &[&Trace],
    on: &[&Trace],
    limits: &[&Limit],
    options: &AmbientOptions,
) -> Result<Ambient, AmbientError> {
    for (which, found) in [("off", off.len()), ("on", on.len())] {
        if found < 2 {
            return Err(AmbientError::TooFew { which, found });
        }
    }
    for (field, value) in [("alpha", options.alpha), ("beta", options.beta)] {
        if !(value > 0.0 && value < 0.5) {
            return Err(AmbientError::Rate { field, value });
        }
    }
    // All of one unit and grid; the first off-sweep that differs is named.
    hold(&on.iter().chain(off).copied().collect::<Vec<_>>())?;
    let held = hold(on)?;
    let verdict = judge(&held.trace, limits, &options.judging)?;
    let chosen: Vec<_> = verdict.suspects.iter().filter_map(|s| s.limits.first().map(|l| (s, l))).collect();
    let levels = |traces: &[&Trace], frequency_hz: f64, detector: Detector| -> Vec<f64> {
        traces.iter().map(|t| level_near(t, detector, frequency_hz)).collect()
    };
    let off_levels: Vec<Vec<f64>> = chosen.iter().map(|(s, l)| levels(off, s.frequency_hz, l.detector_used)).collect();
    let on_levels: Vec<Vec<f64>> = chosen.iter().map(|(s, l)| levels(on, s.frequency_hz, l.detector_used)).collect();
    let markings = mark(&off_levels, &on_levels, options.alpha, options.beta, options.error_rate);
    let suspects: Vec<AmbientSuspect> = chosen
        .iter()
        .zip(markings)
        .zip(off_levels.into_iter().zip(on_levels))
        .map(|(((s, l), marking), (off_db, on_db))| AmbientSuspect {
            frequency_hz: s.frequency_hz,
            detector: l.detector_used,
            margin_db: s.margin_db,
            limit_id: l.limit_id.clone(),
            limit_db: l.limit_db,
            // An unknown bound hides it as well, but only where something over the limit was seen at all.
            hides_limit: marking.mark != Mark::Product
                && s.margin_db < 0.0
                && (marking.product_at_most_db.is_nan() || marking.product_at_most_db > l.limit_db),
            marking,
            off_db,
            on_db,
            from_hz: s.from_hz,
            to_hz: s.to_hz,
        })
        .collect();
    let margin_without_ambient_db =
        suspects.iter().filter(|s| s.marking.mark != Mark::Ambient).map(|s| s.margin_db).fold(f64::NAN, f64::min);
    let notes = notes(off.len(), on.len(), &suspects, options);
    Ok(Ambient { trace: held.trace, verdict, margin_without_ambient_db, suspects, notes })
}

fn notes(off: usize, on: usize, suspects: &[AmbientSuspect], options: &AmbientOptions) -> Vec<String> {
    let mut notes = vec![
        "The marks hold for sweeps taken off and on in turn, or in an order thrown by lot: an ambient that changed between a block \
         of off-sweeps and a block of on-sweeps looks like the product."
            .to_owned(),
    ];
    let least = 1.0 / choose(off + on, on.min(off));
    let needed = options.alpha / suspects.len().max(1) as f64;
    if least > needed && options.error_rate == ErrorRate::AnyWrong {
        let each = (2..=60).find(|&n| 1.0 / choose(2 * n, n) <= needed);
        notes.push(format!(
            "{off} off- and {on} on-sweeps allow no p-value below {least:.4}, and {} suspects ask for {needed:.4}: nothing can be \
             marked as the product's. {}",
            suspects.len(),
            each.map_or_else(String::new, |n| format!("Take {n} of each, or judge fewer suspects."))
        ));
    }
    let hidden = suspects.iter().filter(|s| s.hides_limit).count();
    if hidden > 0 {
        notes.push(format!(
            "At {hidden} frequencies the surroundings are over the limit and the product's own level is not shown to be below it: \
             a quieter site, a shorter distance or a current measurement on the cables would show it."
        ));
    }
    notes
}
