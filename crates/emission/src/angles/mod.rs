//! Every angle: sweeps at several azimuths, heights and polarisations laid over each other.

mod cover;
mod gigahertz;
mod order;
mod pattern;

use std::collections::BTreeMap;

pub use cover::{Cover, cover};
pub use gigahertz::{Beam, beam};
pub use order::{
    MOST_ORDER, RandomPattern, Shortfall, azimuthal_variances, order, shortfall, step_deg, widest_gap_deg,
};
pub use pattern::{Interpolated, NotInterpolated, interpolate};

use serde::{Deserialize, Serialize};
use standards::{Detector, Limit};

use crate::conductors::{Held, hold};
use crate::distance::Polarisation;
use crate::{JudgeError, JudgeOptions, Suspect, Trace, TraceError, Verdict, judge};

/// Where a sweep was taken.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Position {
    /// Angle of the turntable, degrees.
    pub azimuth_deg: Option<f64>,
    /// Height of the antenna, m.
    pub height_m: Option<f64>,
    /// Polarisation of the antenna.
    pub polarisation: Option<Polarisation>,
}

impl Position {
    /// In words: `45°, 1.5 m, vertical`.
    pub fn words(&self) -> String {
        let mut words = Vec::new();
        words.extend(self.azimuth_deg.map(|a| format!("{a}°")));
        words.extend(self.height_m.map(|h| format!("{h} m")));
        words.extend(self.polarisation.map(|p| p.name().to_owned()));
        if words.is_empty() { "position not said".to_owned() } else { words.join(", ") }
    }
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct AngleOptions {
    /// Radius of the smallest sphere round the product with what radiates of its cables, m; none: nothing is said of the
    /// step.
    pub radius_m: Option<f64>,
    /// A position counts as the worst for a suspect where it reads within this of the highest, dB.
    pub tolerance_db: f64,
    /// How the held trace is judged; its `within_db` and `max_suspects` choose the suspects.
    pub judging: JudgeOptions,
}

impl Default for AngleOptions {
    fn default() -> Self {
        Self {
            radius_m: None,
            tolerance_db: 0.5,
            judging: JudgeOptions { within_db: 10.0, max_suspects: 40, ..JudgeOptions::default() },
        }
    }
}

/// Level of a suspect over the azimuth, at one height and polarisation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pattern {
    /// Polarisation.
    pub polarisation: Option<Polarisation>,
    /// Height, m.
    pub height_m: Option<f64>,
    /// Angles, degrees, rising, 0 to 360.
    pub azimuth_deg: Vec<f64>,
    /// Level at each, in the trace's unit; NaN (JSON null) where there is none.
    #[serde(with = "crate::nan_as_null::list")]
    pub level_db: Vec<f64>,
    /// Between highest and lowest, dB.
    #[serde(with = "crate::nan_as_null::one")]
    pub spread_db: f64,
    /// What band-limited interpolation makes of it, where the order is known and the angles suffice.
    pub interpolated: Option<Interpolated>,
    /// Why there is none, in words.
    pub not_interpolated: Option<String>,
}

/// Whether the turntable was stepped finely enough for a suspect.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sampling {
    /// Spherical-wave order ka, rounded up.
    pub order: usize,
    /// Largest step for it, degrees.
    pub step_needed_deg: f64,
    /// Widest angle between two azimuths of the survey, degrees.
    pub widest_gap_deg: f64,
    /// Wider than needed.
    pub too_coarse: bool,
    /// What the highest reading is likely to miss; none where the order is beyond simulation.
    pub shortfall: Option<Shortfall>,
}

/// One suspect over all positions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AngleSuspect {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// The detector whose levels these are.
    pub detector: Detector,
    /// Highest level, in the trace's unit.
    pub level_db: f64,
    /// Smallest margin, dB.
    pub margin_db: f64,
    /// The sweep it comes from, from 0.
    pub worst: usize,
    /// Where that was.
    pub worst_position: Position,
    /// Level in every sweep; NaN (JSON null) where there is none.
    #[serde(with = "crate::nan_as_null::list")]
    pub level_of_sweep_db: Vec<f64>,
    /// Over the azimuth.
    pub patterns: Vec<Pattern>,
    /// Whether the step was fine enough; none where the product's size or the azimuths are not known.
    pub sampling: Option<Sampling>,
    /// The margin less what 95 % of random sources of that size hide between the angles, dB: below zero the survey does not
    /// prove the limit kept.
    pub margin_less_shortfall_db: Option<f64>,
    /// As judged.
    pub suspect: Suspect,
}

/// All sweeps together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Angles {
    /// The highest levels and where they come from.
    pub held: Held,
    /// The verdict on them.
    pub verdict: Verdict,
    /// Each suspect, the smallest margin first.
    pub suspects: Vec<AngleSuspect>,
    /// Fewest sweeps' positions that hold every suspect's maximum.
    pub repeat: Cover,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Why the sweeps cannot be put together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AngleError {
    /// The sweeps do not go together.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// They cannot be judged.
    #[error(transparent)]
    Judge(#[from] JudgeError),
    /// A figure is impossible.
    #[error("{field}: {value}; expected {expected}")]
    Value {
        /// Its name.
        field: &'static str,
        /// As given.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
}

/// Level of a detector near a frequency: the highest within a bandwidth (at least one frequency of the trace) either side.
pub(crate) fn level_near(trace: &Trace, detector: Detector, frequency_hz: f64) -> f64 {
    let Some(column) = trace.column(detector) else { return f64::NAN };
    let f = &trace.frequency_hz;
    let beside = trace.bandwidth_hz.unwrap_or(0.0);
    let at = f.partition_point(|x| *x < frequency_hz);
    // The nearest frequency counts even where the grid is wider than the bandwidth, as long as it is the neighbour.
    let near = match (at.checked_sub(1).map(|i| f[i]), f.get(at)) {
        (Some(a), Some(&b)) => (frequency_hz - a).min(b - frequency_hz),
        (None, Some(&b)) => b - frequency_hz,
        (Some(a), None) => frequency_hz - a,
        (None, None) => return f64::NAN,
    };
    let beside = beside.max(near * (1.0 + 1e-9));
    let outside =
        f.first().is_none_or(|a| frequency_hz < a - beside) || f.last().is_none_or(|b| frequency_hz > b + beside);
    if outside {
        return f64::NAN;
    }
    f.iter()
        .zip(&column.level_db)
        .skip(f.partition_point(|x| *x < frequency_hz - beside))
        .take_while(|(x, _)| **x <= frequency_hz + beside)
        .map(|(_, l)| *l)
        .fold(f64::NAN, f64::max)
}

fn patterns(positions: &[Position], levels: &[f64], order: Option<usize>) -> Vec<Pattern> {
    // Heights to the millimetre, so that they can be told apart.
    let mut groups: BTreeMap<(Option<Polarisation>, Option<i64>), Vec<(f64, f64)>> = BTreeMap::new();
    for (p, &level) in positions.iter().zip(levels) {
        let Some(azimuth) = p.azimuth_deg else { continue };
        let key = (p.polarisation, p.height_m.map(|h| (h * 1e3).round() as i64));
        groups.entry(key).or_default().push((azimuth.rem_euclid(360.0), level));
    }
    groups
        .into_iter()
        .map(|((polarisation, height), mut list)| {
            list.sort_by(|a, b| a.0.total_cmp(&b.0));
            // The same angle twice (0 and 360): the higher counts.
            list.dedup_by(|b, a| {
                let same = (a.0 - b.0).abs() < 1e-6;
                if same {
                    a.1 = a.1.max(b.1);
                }
                same
            });
            let (azimuth_deg, level_db): (Vec<f64>, Vec<f64>) = list.into_iter().unzip();
            let low = level_db.iter().copied().fold(f64::NAN, f64::min);
            let high = level_db.iter().copied().fold(f64::NAN, f64::max);
            let (interpolated, not_interpolated) = match order.map(|n| interpolate(&azimuth_deg, &level_db, n)) {
                None => (None, Some("the product's size is not known".to_owned())),
                Some(Ok(i)) => (Some(i), None),
                Some(Err(e)) => (None, Some(e.to_string())),
            };
            Pattern {
                polarisation,
                height_m: height.map(|h| h as f64 / 1e3),
                azimuth_deg,
                level_db,
                spread_db: high - low,
                interpolated,
                not_interpolated,
            }
        })
        .collect()
}

/// Puts sweeps together: highest of all, judged; each suspect over all positions; where to repeat.
///
/// # Errors
/// Sweeps that do not go together or cannot be judged; an impossible radius or tolerance.
pub fn angles(sweeps: &[(Position, &Trace)], limits: &[&Limit], options: &AngleOptions) -> Result<Angles, AngleError> {
    if let Some(r) = options.radius_m.filter(|r| !(r.is_finite() && *r > 0.0)) {
        return Err(AngleError::Value { field: "radius_m", value: r, expected: "metres, above zero" });
    }
    if !(options.tolerance_db >= 0.0 && options.tolerance_db.is_finite()) {
        let value = options.tolerance_db;
        return Err(AngleError::Value { field: "tolerance_db", value, expected: "0 dB or more" });
    }
    let traces: Vec<&Trace> = sweeps.iter().map(|s| s.1).collect();
    let positions: Vec<Position> = sweeps.iter().map(|s| s.0).collect();
    let held = hold(&traces)?;
    let verdict = judge(&held.trace, limits, &options.judging)?;
    let mut known: BTreeMap<(usize, Vec<i64>), Option<Shortfall>> = BTreeMap::new();
    let mut suspects = Vec::new();
    for suspect in &verdict.suspects {
        let Some(first) = suspect.limits.first() else { continue };
        let detector = first.detector_used;
        let levels: Vec<f64> = traces.iter().map(|t| level_near(t, detector, suspect.frequency_hz)).collect();
        let Some(worst) = (0..levels.len())
            .filter(|&i| levels[i].is_finite())
            .max_by(|&a, &b| levels[a].total_cmp(&levels[b]).then(b.cmp(&a)))
        else {
            continue;
        };
        let order_n = options.radius_m.map(|r| order(r, suspect.frequency_hz));
        // Turned while everything else stands: the angles of the worst polarisation at the worst height.
        let alike: Vec<f64> = positions
            .iter()
            .zip(&levels)
            .filter(|(p, l)| {
                p.polarisation == positions[worst].polarisation
                    && p.height_m == positions[worst].height_m
                    && l.is_finite()
            })
            .filter_map(|(p, _)| p.azimuth_deg)
            .collect();
        let sampling = match (options.radius_m, order_n, widest_gap_deg(&alike)) {
            (Some(radius), Some(n), Some(widest)) => {
                let key = (n, alike.iter().map(|a| (a * 10.0).round() as i64).collect());
                let shortfall = known.entry(key).or_insert_with(|| shortfall(n, &alike)).clone();
                let needed = step_deg(radius, suspect.frequency_hz);
                Some(Sampling {
                    order: n,
                    step_needed_deg: needed,
                    widest_gap_deg: widest,
                    too_coarse: widest > needed * 1.001,
                    shortfall,
                })
            }
            _ => None,
        };
        let hidden = sampling.as_ref().and_then(|s| s.shortfall.as_ref()).map(|s| s.most_db);
        suspects.push(AngleSuspect {
            frequency_hz: suspect.frequency_hz,
            detector,
            level_db: levels[worst],
            margin_db: suspect.margin_db,
            worst,
            worst_position: positions[worst],
            patterns: patterns(&positions, &levels, order_n),
            margin_less_shortfall_db: hidden.map(|h| suspect.margin_db - h),
            level_of_sweep_db: levels,
            sampling,
            suspect: suspect.clone(),
        });
    }
    let sets: Vec<Vec<usize>> = (0..sweeps.len())
        .map(|s| {
            (0..suspects.len())
                .filter(|&m| suspects[m].level_of_sweep_db[s] >= suspects[m].level_db - options.tolerance_db)
                .collect()
        })
        .collect();
    let repeat = cover(suspects.len(), &sets);
    let mut notes = notes(&positions, &suspects, options);
    notes.extend(one_limit_only(&held.trace, limits));
    Ok(Angles { held, verdict, suspects, repeat, notes })
}

/// Above 1 GHz a peak and an average limit stand side by side (CISPR 32; 47 CFR 15.35).
fn one_limit_only(trace: &Trace, limits: &[&Limit]) -> Option<String> {
    let above: Vec<&&Limit> = limits.iter().filter(|l| l.level.range_hz().1 > 1e9).collect();
    let has = |d: Detector| above.iter().any(|l| l.detector == d);
    let reaches = trace.range_hz().is_some_and(|r| r.1 > 1e9);
    let missing = match (has(Detector::Peak), has(Detector::CisprAverage)) {
        (true, false) => "average",
        (false, true) => "peak",
        _ => return None,
    };
    reaches.then(|| format!("Above 1 GHz the {missing} limit is to be met too: name it."))
}

fn notes(positions: &[Position], suspects: &[AngleSuspect], options: &AngleOptions) -> Vec<String> {
    let mut notes = Vec::new();
    let unsaid = positions.iter().filter(|p| p.azimuth_deg.is_none()).count();
    if unsaid > 0 {
        notes.push(format!(
            "{unsaid} of {} sweeps do not say their azimuth: they are held, and in no pattern.",
            positions.len()
        ));
    }
    if options.radius_m.is_none() {
        notes.push("The product's size is not known, so nothing is said of the step of the turntable.".to_owned());
    }
    for polarisation in [Polarisation::Horizontal, Polarisation::Vertical] {
        if !positions.iter().any(|p| p.polarisation == Some(polarisation)) {
            notes.push(format!("No sweep is said to be {}: both polarisations are asked for.", polarisation.name()));
        }
    }
    let coarse = suspects.iter().filter(|s| s.sampling.as_ref().is_some_and(|x| x.too_coarse)).count();
    if coarse > 0 {
        notes.push(format!(
            "At {coarse} of {} suspects the turntable was stepped too coarsely for the product's size: turn it finer there (see the \
             shortfall).",
            suspects.len()
        ));
    }
    let open =
        suspects.iter().filter(|s| s.margin_db >= 0.0 && s.margin_less_shortfall_db.is_some_and(|m| m < 0.0)).count();
    if open > 0 {
        notes.push(format!(
            "At {open} of them the margin is smaller than what 95 % of sources of that size hide at most between these angles: the \
             survey does not show the limit kept there.",
        ));
    }
    notes
}
