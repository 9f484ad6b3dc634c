//! Did the change help? Two states of a product, each measured once or several times, compared with what repetition alone does.

use serde::Serialize;
use standards::Detector;

use crate::band::{self, cells};
use crate::chance::{Repeatability, RepeatabilityPrior, Repeats, Spread};
use crate::coverage::bandwidth_hz;
use crate::emissions::segments;
use crate::uncertainty::{student_below, student_quantile};
use crate::{RESOLVED_DB, Trace, TraceError};

/// How to compare.
#[derive(Debug, Clone, PartialEq)]
pub struct CompareOptions {
    /// Probability (0 to 1) that anything at all is called better, worse, new or gone where nothing changed.
    pub error_rate: f64,
    /// A difference surely smaller than this is called unchanged, dB.
    pub equivalence_db: f64,
    /// An emission stands at least this far above the level around it, dB.
    pub prominence_db: f64,
    /// At most so many emissions, the highest; the level of each is looked for at the same place in every run.
    pub most_emissions: usize,
    /// What is assumed of repetition where too few runs show it.
    pub prior: RepeatabilityPrior,
    /// Repeated runs of other states of the same set-up.
    pub other_repeats: Vec<Repeats>,
}

impl Default for CompareOptions {
    fn default() -> Self {
        Self {
            error_rate: 0.05,
            equivalence_db: 2.0,
            prominence_db: RESOLVED_DB,
            most_emissions: 60,
            prior: RepeatabilityPrior::default(),
            other_repeats: Vec::new(),
        }
    }
}

/// What became of an emission.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fate {
    /// Surely lower.
    Better,
    /// Surely higher.
    Worse,
    /// Surely less changed than the options' equivalence.
    Unchanged,
    /// The runs do not tell.
    Undecided,
    /// Stood out before, does not after, and is surely lower.
    Gone,
    /// Stands out after, did not before, and is surely higher.
    New,
}

/// One emission in both states.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EmissionChange {
    /// Where it is highest, Hz.
    pub frequency_hz: f64,
    /// Mean level before, in the trace's unit.
    pub before_db: f64,
    /// Mean level after.
    pub after_db: f64,
    /// After minus before, dB: negative is better.
    pub difference_db: f64,
    /// Half-width of the 95 % interval of that difference on its own, dB.
    pub half_width_db: f64,
    /// Probability of as large a difference where nothing changed, corrected for the number of emissions (Holm).
    pub p_value: f64,
    /// What became of it.
    pub fate: Fate,
}

/// Two states compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Detector whose levels were compared.
    pub detector: Detector,
    /// Runs before and after.
    pub runs: (usize, usize),
    /// Frequencies, Hz: those of the first run before.
    pub frequency_hz: Vec<f64>,
    /// Mean level after minus mean level before, dB; NaN (JSON null) where either has none.
    #[serde(with = "crate::nan_as_null::list")]
    pub difference_db: Vec<f64>,
    /// Half-width of the band that holds the true difference at one frequency with probability 1 − error rate, dB.
    pub pointwise_db: f64,
    /// Half-width of the band that holds it at all frequencies at once with that probability, dB: from the largest deviation
    /// that a whole trace has by repetition alone.
    pub simultaneous_db: f64,
    /// Receiver bandwidths that the trace covers.
    pub independent: usize,
    /// Standard deviation of one reading against its repetition that was used, with its degrees of freedom.
    pub repetition: Spread,
    /// True where repetition is assumed, or mostly so, because too few runs show it.
    pub assumed: bool,
    /// Emissions, largest change first.
    pub emissions: Vec<EmissionChange>,
    /// In words.
    pub sentence: String,
}

/// Why two states cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CompareError {
    /// A state without runs.
    #[error("no run {state}: expected at least one")]
    NoRun {
        /// `before` or `after`.
        state: &'static str,
    },
    /// A trace at fault, or without the detector.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// No detector is in all runs.
    #[error("no detector is in every run: expected runs measured with the same detector")]
    NoDetector,
    /// No frequency is in both.
    #[error("before and after have no frequency in common")]
    NoOverlap,
}

/// Levels of one run laid on the frequencies of another: the nearest frequency within half a step or half a bandwidth.
fn laid(trace: &Trace, detector: Detector, onto: &Trace) -> Vec<f64> {
    let Some(column) = trace.column(detector) else { return vec![f64::NAN; onto.frequency_hz.len()] };
    let f = &trace.frequency_hz;
    onto.frequency_hz
        .iter()
        .map(|&wanted| {
            let i = f.partition_point(|x| *x < wanted);
            let near = [i.checked_sub(1), (i < f.len()).then_some(i)]
                .into_iter()
                .flatten()
                .min_by(|&a, &b| (f[a] - wanted).abs().total_cmp(&(f[b] - wanted).abs()));
            near.filter(|&k| (f[k] - wanted).abs() <= 0.5 * bandwidth_hz(trace, wanted)).map_or(f64::NAN, |k| {
                // A level of nothing at all has no difference.
                if column.level_db[k].is_finite() { column.level_db[k] } else { f64::NAN }
            })
        })
        .collect()
}

fn mean_of(rows: &[Vec<f64>], k: usize) -> f64 {
    rows.iter().map(|r| r[k]).sum::<f64>() / rows.len() as f64
}

/// Level around a place that is not of an emission itself: the median within a third of an octave.
fn around(f: &[f64], level: &[f64], k: usize) -> f64 {
    let from = f.partition_point(|x| *x < f[k] / 1.26);
    let to = f.partition_point(|x| *x <= f[k] * 1.26);
    // At least some neighbours on a coarse list.
    let (from, to) = (from.min(k.saturating_sub(8)), to.max((k + 9).min(f.len())));
    let mut near: Vec<f64> = level[from..to].iter().copied().filter(|l| !l.is_nan()).collect();
    if near.is_empty() {
        return f64::NAN;
    }
    near.sort_by(f64::total_cmp);
    near[near.len() / 2]
}

/// Compares two states. The detector is the one asked for, or the first of quasi-peak, CISPR-average, peak and RMS-average
/// that every run has.
///
/// The scatter of one reading against its repetition is found from the runs of both states by analysis of variance (and
/// other repeated runs handed in); readings are taken to scatter alike at all frequencies. With fewer than three degrees of
/// freedom the assumed scatter is drawn in, and said.
///
/// # Errors
/// No runs, traces at fault, no detector or frequency in common.
pub fn compare(
    before: &[&Trace],
    after: &[&Trace],
    detector: Option<Detector>,
    options: &CompareOptions,
) -> Result<Comparison, CompareError> {
    for (runs, state) in [(before, "before"), (after, "after")] {
        if runs.is_empty() {
            return Err(CompareError::NoRun { state });
        }
    }
    let every = || before.iter().chain(after);
    for trace in every() {
        trace.validate()?;
        if trace.unit != before[0].unit {
            let name = |t: &Trace| t.unit.map_or_else(|| "no known unit".to_owned(), |u| u.to_string());
            let (expected, found) = (name(before[0]), name(trace));
            return Err(TraceError::DifferentUnits { number: 2, expected, found }.into());
        }
    }
    let wanted = [Detector::QuasiPeak, Detector::CisprAverage, Detector::Peak, Detector::RmsAverage];
    let has = |d: &Detector| every().all(|t| t.column(*d).is_some());
    let detector = match detector {
        Some(d) if has(&d) => d,
        Some(d) => return Err(TraceError::NoColumn { number: 1, detector: d }.into()),
        None => wanted.into_iter().find(has).ok_or(CompareError::NoDetector)?,
    };
    let grid = before[0];
    let f = &grid.frequency_hz;
    let rows_before: Vec<Vec<f64>> = before.iter().map(|t| laid(t, detector, grid)).collect();
    let rows_after: Vec<Vec<f64>> = after.iter().map(|t| laid(t, detector, grid)).collect();
    let mean_before: Vec<f64> = (0..f.len()).map(|k| mean_of(&rows_before, k)).collect();
    let mean_after: Vec<f64> = (0..f.len()).map(|k| mean_of(&rows_after, k)).collect();
    let difference_db: Vec<f64> = mean_after.iter().zip(&mean_before).map(|(a, b)| a - b).collect();
    if difference_db.iter().all(|d| d.is_nan()) {
        return Err(CompareError::NoOverlap);
    }

    let places = places(grid, &rows_before, &rows_after, &mean_before, &mean_after, options);
    let table = |rows: &[Vec<f64>]| -> Repeats {
        rows.iter().map(|r| places.iter().map(|p| highest(r, p.from, p.to)).collect()).collect()
    };
    let (table_before, table_after) = (table(&rows_before), table(&rows_after));
    let (repetition, components, assumed) = repetition(&table_before, &table_after, options);
    let runs = (before.len(), after.len());
    let standard_error = repetition.standard_db * (1.0 / runs.0 as f64 + 1.0 / runs.1 as f64).sqrt();
    let v = repetition.degrees_of_freedom;

    let covered = |k: usize| !difference_db[k].is_nan();
    let independent = cells(grid, 1.0, covered).len();
    let simultaneous_db = {
        // What half a bandwidth apart reads is not the same yet.
        let places = cells(grid, 0.5, covered);
        let at =
            |rows: &[Vec<f64>]| -> Repeats { rows.iter().map(|r| places.iter().map(|&k| r[k]).collect()).collect() };
        let states = [&at(&rows_before), &at(&rows_after)];
        let readings = 1.0 / runs.0 as f64 + 1.0 / runs.1 as f64;
        let drawn = band::components(components, &states);
        band::half_width_db(&drawn, readings, places.len(), band::neighbours(&states), 1.0 - options.error_rate)
    };
    let quantile = |tail: f64| student_quantile(1.0 - tail, v) * standard_error;
    let pointwise_db = quantile(0.5 * options.error_rate);

    let mut emissions: Vec<EmissionChange> = places
        .iter()
        .enumerate()
        .map(|(j, p)| {
            let (b, a) = (mean_of(&table_before, j), mean_of(&table_after, j));
            EmissionChange {
                frequency_hz: f[p.top],
                before_db: b,
                after_db: a,
                difference_db: a - b,
                half_width_db: student_quantile(0.975, v) * standard_error,
                p_value: 2.0 * (1.0 - student_below((a - b).abs() / standard_error, v)),
                fate: Fate::Undecided,
            }
        })
        .collect();
    holm(&mut emissions);
    // Two one-sided tests: the interval of 1 − 2·rate lies within the equivalence.
    let two_sided = student_quantile(1.0 - options.error_rate, v) * standard_error;
    for (e, p) in emissions.iter_mut().zip(&places) {
        let sure = e.p_value <= options.error_rate;
        e.fate = match (sure, e.difference_db < 0.0) {
            (true, true) if p.before && !p.after => Fate::Gone,
            (true, false) if p.after && !p.before => Fate::New,
            (true, true) => Fate::Better,
            (true, false) => Fate::Worse,
            (false, _) if e.difference_db.abs() + two_sided < options.equivalence_db => Fate::Unchanged,
            (false, _) => Fate::Undecided,
        };
    }
    emissions.sort_by(|a, b| b.difference_db.abs().total_cmp(&a.difference_db.abs()));
    let sentence = sentence(&emissions, runs, repetition, assumed, standard_error * student_quantile(0.975, v));
    Ok(Comparison {
        detector,
        runs,
        frequency_hz: f.clone(),
        difference_db,
        pointwise_db,
        simultaneous_db,
        independent,
        repetition,
        assumed,
        emissions,
        sentence,
    })
}

/// Where an emission is looked for.
struct Place {
    from: usize,
    to: usize,
    top: usize,
    before: bool,
    after: bool,
}

fn highest(level: &[f64], from: usize, to: usize) -> f64 {
    level[from..=to].iter().copied().fold(f64::NAN, f64::max)
}

/// Emissions that stand out in either state, found on the higher of the two mean traces so that neither state is favoured.
fn places(
    grid: &Trace,
    rows_before: &[Vec<f64>],
    rows_after: &[Vec<f64>],
    mean_before: &[f64],
    mean_after: &[f64],
    options: &CompareOptions,
) -> Vec<Place> {
    let f = &grid.frequency_hz;
    let both: Vec<f64> = mean_before
        .iter()
        .zip(mean_after)
        .map(|(b, a)| if b.is_nan() || a.is_nan() { f64::NAN } else { b.max(*a) })
        .collect();
    let mut out: Vec<Place> = segments(f, &both, options.prominence_db, |f| bandwidth_hz(grid, f))
        .into_iter()
        .filter_map(|s| {
            let top = (s.from..=s.to).max_by(|&a, &b| both[a].total_cmp(&both[b]))?;
            // As far as a bandwidth around its top: it may drift from run to run.
            let near = |k: usize| (f[k] - f[top]).abs() <= bandwidth_hz(grid, f[top]);
            let from = (s.from..=top).find(|&k| near(k)).unwrap_or(top);
            let to = (top..=s.to).rev().find(|&k| near(k)).unwrap_or(top);
            // A list of a few frequencies is one of emissions: each stands out.
            let list = f.len() < 40;
            let out = |mean: &[f64]| {
                let level = highest(mean, from, to);
                list || level >= around(f, mean, top) + options.prominence_db
            };
            let place = Place { from, to, top, before: out(mean_before), after: out(mean_after) };
            let measured = rows_before.iter().chain(rows_after).all(|r| !highest(r, from, to).is_nan());
            (measured && (place.before || place.after)).then_some(place)
        })
        .collect();
    out.sort_by(|a, b| both[b.top].total_cmp(&both[a.top]));
    out.truncate(options.most_emissions.max(1));
    out
}

/// Standard deviation of one reading against its repetition with its degrees of freedom, what of it a run has in common and
/// what each emission has of its own, and whether it is assumed.
fn repetition(before: &Repeats, after: &Repeats, options: &CompareOptions) -> (Spread, Repeatability, bool) {
    let mut groups = vec![before.clone(), after.clone()];
    groups.extend(options.other_repeats.iter().cloned());
    let learnt = Repeatability::learn(&groups, options.prior);
    match learnt.observed {
        Some(o) if o.degrees_of_freedom >= 3.0 => {
            let nothing = RepeatabilityPrior { degrees_of_freedom: 1e-6, ..options.prior };
            (o, Repeatability::learn(&groups, nothing), false)
        }
        _ => {
            let (a, b) = (learnt.run, learnt.own);
            let (va, vb) = (a.standard_db.powi(2), b.standard_db.powi(2));
            let freedom = (va + vb).powi(2) / (va * va / a.degrees_of_freedom + vb * vb / b.degrees_of_freedom);
            (Spread { standard_db: (va + vb).sqrt(), degrees_of_freedom: freedom }, learnt, true)
        }
    }
}

/// Holm's step-down correction (1979) of the p-values: valid however they depend on each other.
fn holm(emissions: &mut [EmissionChange]) {
    let mut order: Vec<usize> = (0..emissions.len()).collect();
    order.sort_by(|&a, &b| emissions[a].p_value.total_cmp(&emissions[b].p_value));
    let n = order.len();
    let mut so_far = 0.0f64;
    for (rank, i) in order.into_iter().enumerate() {
        so_far = so_far.max(emissions[i].p_value * (n - rank) as f64).min(1.0);
        emissions[i].p_value = so_far;
    }
}

fn sentence(
    emissions: &[EmissionChange],
    runs: (usize, usize),
    repetition: Spread,
    assumed: bool,
    half_width_db: f64,
) -> String {
    let count = |fate: Fate| emissions.iter().filter(|e| e.fate == fate).count();
    let parts: Vec<String> = [
        (Fate::Gone, "gone"),
        (Fate::Better, "better"),
        (Fate::Worse, "worse"),
        (Fate::New, "new"),
        (Fate::Unchanged, "unchanged"),
        (Fate::Undecided, "undecided"),
    ]
    .into_iter()
    .map(|(fate, name)| (count(fate), name))
    .filter(|(n, _)| *n > 0)
    .map(|(n, name)| format!("{n} {name}"))
    .collect();
    let of = if parts.is_empty() { "none stands out".to_owned() } else { parts.join(", ") };
    let source = if assumed { "assumed, as too few runs were repeated" } else { "from the repeated runs" };
    let once = match (runs, assumed) {
        ((1, 1), true) => {
            " Each state was read once: nothing here shows how well these readings repeat, and only the assumption speaks. \
             Repeat either run, set up anew."
        }
        ((1, 1), false) => " Each state was read once: how well it repeats is known from other runs of the set-up.",
        _ => "",
    };
    format!(
        "{} of {} before and {} after: {of}. One reading scatters by {:.1} dB against its repetition ({source}), so a single \
         difference is known to ± {half_width_db:.1} dB.{once}",
        if emissions.len() == 1 { "One emission".to_owned() } else { format!("{} emissions", emissions.len()) },
        plural(runs.0),
        plural(runs.1),
        repetition.standard_db,
    )
}

fn plural(runs: usize) -> String {
    if runs == 1 { "one run".to_owned() } else { format!("{runs} runs") }
}

/// Runs of either state that a difference of this size would take to be found nine times in ten at 5 % error, where one
/// reading scatters by `standard_db`: 2·(z₀.₉₇₅ + z₀.₉)²·(s/d)².
pub fn runs_to_find(difference_db: f64, standard_db: f64) -> usize {
    let z = 1.959_964 + 1.281_552;
    let n = 2.0 * (z * standard_db / difference_db).powi(2);
    (n.ceil() as usize).max(1)
}
