use std::collections::BTreeMap;

use quantity::{Interpolation, MixError, Unit};
use standards::{Budget, Detector, Known, Limit, MeasurementKind};

use crate::chance::probability_within;
use crate::coverage::{bandwidth_hz, coverage, prescribed_bandwidth_hz};
use crate::emissions::{Segment, segments};
use crate::probability::{joint_probability, normal_below};
use crate::sentence;
use crate::uncertainty::{guard_band_db, level_uncertainty};
use crate::verdict::{
    Decision, JudgeError, JudgeOptions, LimitResult, NotMeasured, ProbabilityBound, StillToMeasure, Suspect,
    SuspectLevel, SuspectLimit, UncertaintyUsed, Verdict,
};
use crate::words;
use crate::{Column, RESOLVED_DB, Trace};

/// Stands for a level of nothing at all (−∞ dB) where differences are formed.
const FLOOR_DB: f64 = -500.0;

/// Wider than so many receiver bandwidths an emission is called broadband: a sine is two wide where it has fallen 6 dB
/// on either side (one), plus what steps and slow modulation add.
const BROADBAND_BANDWIDTHS: f64 = 3.0;

/// What the readings at one frequency say of one limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// No reading, or outside the limit.
    None,
    /// Met, and settled.
    Met,
    /// Exceeded, and settled.
    Over,
    /// A higher detector stands in and lies over the limit.
    OpenHigher,
    /// Below the limit, but the record was too short for the detector to settle.
    OpenShort,
    /// Only a lower detector was measured, and it lies below the limit.
    OpenLower,
    /// Above the limit, but not told apart from the record's own noise.
    OpenFloor,
}

impl State {
    const fn is_open(self) -> bool {
        matches!(self, Self::OpenHigher | Self::OpenShort | Self::OpenLower | Self::OpenFloor)
    }
}

/// A column and its detector.
struct Reading<'a> {
    detector: Detector,
    column: &'a Column,
}

impl Reading<'_> {
    fn level(&self, k: usize) -> f64 {
        self.column.level_db[k]
    }
    fn not_resolved(&self, k: usize) -> bool {
        self.column.not_resolved(k)
    }
    fn lower_bound(&self, k: usize) -> bool {
        self.column.lower_bound.get(k).copied().unwrap_or(false)
    }
}

/// One limit against every bin.
struct Judged<'a> {
    limit: &'a Limit,
    /// Decibels from the trace's unit to the limit's.
    offset_db: f64,
    margin_db: Vec<f64>,
    state: Vec<State>,
    /// Margin over the standard uncertainty.
    z: Vec<f64>,
    /// The detector the margin comes from.
    used: Vec<Option<Detector>>,
}

/// Compares a trace with one or several limits at every frequency.
///
/// A margin is the limit minus the level (minus the addition the uncertainty asks for), dB. Each limit takes the column
/// of its detector; where that has no level, a detector that reads at least as high stands in and is conclusive only
/// when it passes, and one that reads lower is conclusive only when it fails. All limits must be met. What is computed,
/// with formulas and sources, stands in `docs/judging.md`.
///
/// # Errors
/// Nothing to compare with, units that do not go together, columns whose detector is not known, no frequency in common,
/// options out of range: see [`JudgeError`].
pub fn judge(trace: &Trace, limits: &[&Limit], options: &JudgeOptions) -> Result<Verdict, JudgeError> {
    trace.validate()?;
    if limits.is_empty() {
        return Err(JudgeError::NoLimit);
    }
    check_options(options)?;
    let mut notes = Vec::new();
    let readings = readings(trace, options, &mut notes)?;

    let mut judged = Vec::with_capacity(limits.len());
    for &limit in limits {
        judged.push(judge_limit(trace, &readings, limit, options)?);
    }
    let overlap = |j: &Judged<'_>| j.state.iter().any(|s| *s != State::None);
    if !judged.iter().any(overlap) {
        let (from_hz, to_hz) = limits[0].level.range_hz();
        let (trace_from_hz, trace_to_hz) = trace.range_hz().unwrap_or((0.0, 0.0));
        let limit_id = limits[0].id.clone();
        return Err(JudgeError::NoOverlap { limit_id, from_hz, to_hz, trace_from_hz, trace_to_hz });
    }

    let not_measured = not_measured(trace, &judged, options, &mut notes);
    let results: Vec<LimitResult> = judged
        .iter()
        .map(|j| limit_result(trace, j, options.allow_partial || not_measured.iter().all(|n| n.limit_id != j.limit.id)))
        .collect();
    let decision = if results.iter().any(|r| r.decision == Decision::Fail) {
        Decision::Fail
    } else if results.iter().any(|r| r.decision == Decision::Inconclusive) {
        Decision::Inconclusive
    } else {
        Decision::Pass
    };

    let emissions = emissions(trace, &readings, &judged, options);
    let probability = match &options.budget {
        Some(budget) => {
            // What counts is the margin in standard uncertainties; the budget's are those of the emission's worst frequency.
            let margins: Vec<(f64, f64)> = emissions
                .iter()
                .filter_map(|e| {
                    let f = trace.frequency_hz[e.worst];
                    budget.standard_at(f).map(|u| (f, e.z * u))
                })
                .collect();
            probability_within(&margins, budget)
        }
        None => joint_probability(&emissions.iter().map(|e| e.z).collect::<Vec<f64>>(), options.common_share),
    };
    let probability_bound = bound(&judged, &results, &emissions, !options.allow_partial && !not_measured.is_empty());
    let suspects: Vec<Suspect> = emissions
        .iter()
        .enumerate()
        .take_while(|(i, e)| *i < options.max_suspects.max(1) && (*i == 0 || e.margin_db <= options.within_db))
        .map(|(_, e)| suspect(trace, &readings, &judged, e, options))
        .collect();
    let failing = emissions.iter().filter(|e| e.over(&judged)).count();

    let worst = results
        .iter()
        .filter(|r| !r.worst_margin_db.is_nan())
        .min_by(|a, b| a.worst_margin_db.total_cmp(&b.worst_margin_db));
    let worst_frequency_hz = worst.map_or(f64::NAN, |w| w.worst_frequency_hz);
    let uncertainty = uncertainty_used(limits, worst.map(|w| w.limit_id.as_str()), worst_frequency_hz, options)?;
    let still_to_measure = still_to_measure(trace, &judged, &emissions);
    other_notes(trace, &readings, limits, &mut notes);
    floor_note(&readings, &judged, &mut notes);

    let mut verdict = Verdict {
        decision,
        probability,
        probability_bound,
        sentence: String::new(),
        worst_margin_db: worst.map_or(f64::NAN, |w| w.worst_margin_db),
        worst_frequency_hz,
        worst_limit_id: worst.map(|w| w.limit_id.clone()),
        limits: results,
        suspects,
        uncertainty,
        not_measured,
        still_to_measure,
        notes,
    };
    let worst_over = judged
        .iter()
        .flat_map(|j| (0..j.state.len()).filter(|&k| j.state[k] == State::Over).map(move |k| (j, k)))
        .min_by(|(a, i), (b, k)| a.margin_db[*i].total_cmp(&b.margin_db[*k]))
        .map(|(j, k)| sentence::Excess {
            margin_db: j.margin_db[k],
            frequency_hz: trace.frequency_hz[k],
            probability: normal_below(j.z[k]),
        });
    verdict.sentence = sentence::of(&verdict, worst_over, failing);
    for (result, j) in verdict.limits.iter_mut().zip(judged) {
        result.margin_db = j.margin_db;
    }
    Ok(verdict)
}

fn check_options(options: &JudgeOptions) -> Result<(), JudgeError> {
    let check = |field, value: f64, good: bool, expected| {
        if good { Ok(()) } else { Err(JudgeError::Option { field, value, expected }) }
    };
    let positive = |v: f64| v.is_finite() && v > 0.0;
    if let Some(v) = options.uncertainty_db {
        check("uncertainty_db", v, positive(v), "a positive expanded uncertainty in dB")?;
    }
    if let Some(v) = options.u_cispr_db {
        check("u_cispr_db", v, positive(v), "a positive expanded uncertainty in dB")?;
    }
    if let Some(v) = options.guard_risk {
        check("guard_risk", v, v > 0.0 && v <= 0.5, "a probability above 0, at most 0.5")?;
    }
    check("common_share", options.common_share, (0.0..=1.0).contains(&options.common_share), "a share from 0 to 1")?;
    check("valley_db", options.valley_db, positive(options.valley_db), "a positive number of dB")?;
    if let Some((from, to)) = options.range_hz {
        check("range_hz", from, from.is_finite() && from >= 0.0 && from < to, "from below to, in Hz")?;
    }
    Ok(())
}

/// The columns with their detectors. A column that names none is taken as the assumed one; where nothing is assumed it
/// is left out with a note if others are known, and refused if none is.
fn readings<'a>(
    trace: &'a Trace,
    options: &JudgeOptions,
    notes: &mut Vec<String>,
) -> Result<Vec<Reading<'a>>, JudgeError> {
    let mut out: Vec<Reading<'a>> = Vec::new();
    let mut unknown: Vec<&Column> = Vec::new();
    for column in &trace.columns {
        match column.detector {
            Some(detector) => out.push(Reading { detector, column }),
            None => unknown.push(column),
        }
    }
    match (options.assume_detector, unknown.as_slice()) {
        (_, []) => {}
        (Some(detector), [column]) if out.iter().all(|r| r.detector != detector) => {
            notes.push(format!("Column `{}` does not say its detector and was taken as {detector}.", column.name));
            out.push(Reading { detector, column });
        }
        _ if !out.is_empty() => {
            for column in unknown {
                notes.push(format!("Column `{}` does not say its detector and was left out.", column.name));
            }
        }
        (_, [column, ..]) => return Err(JudgeError::UnknownDetector { column: column.name.clone() }),
    }
    Ok(out)
}

/// Decibels from the trace's unit to the limit's. Only a power reading becomes a voltage here, in the impedance the
/// trace names: current, clamp power and field need the factor of a probe, a clamp or an antenna, that is a chain.
fn unit_offset(trace: &Trace, limit: &Limit) -> Result<f64, JudgeError> {
    let from = trace.unit.ok_or_else(|| JudgeError::NoUnit { limit_id: limit.id.clone(), expected: limit.unit })?;
    let to = limit.unit;
    let missing = |missing| Err(MixError::Missing { from, to, missing });
    let offset = match (from, to) {
        _ if from == to => Ok(0.0),
        (Unit::DbUv | Unit::Dbm, Unit::DbUa) => missing("the transfer impedance of a current probe (dBΩ) is needed"),
        (Unit::DbUv | Unit::Dbm, Unit::DbPw) => missing("the factor of the absorbing clamp (dB) is needed"),
        (Unit::Dbm, Unit::DbUv) => from.offset_to(to, trace.impedance_ohm),
        (Unit::DbUa | Unit::DbPw, _) => missing("they are different quantities, measured with different devices"),
        _ => from.offset_to(to, None),
    };
    offset.map_err(|source| JudgeError::Mix { limit_id: limit.id.clone(), source })
}

/// U (k = 2) of the levels, U_cispr and the addition at a frequency, for one limit.
#[derive(Debug, Clone, Copy)]
struct Uncertainty {
    kind: Option<MeasurementKind>,
    expanded_db: f64,
    u_cispr_db: Option<f64>,
    addition_db: f64,
    /// The part of the addition that is a guard band: a rule for accepting, not a doubt about the level.
    guard_db: f64,
}

fn uncertainty(
    limit: &Limit,
    kind: Option<MeasurementKind>,
    frequency_hz: f64,
    options: &JudgeOptions,
) -> Result<Uncertainty, JudgeError> {
    let u_cispr_db = options.u_cispr_db.or_else(|| kind.map(|k| k.published().u_cispr_db));
    let expanded_db = match &options.budget {
        Some(budget) => 2.0 * budget.standard_at(frequency_hz).ok_or_else(|| outside(limit, budget, frequency_hz))?,
        None => options
            .uncertainty_db
            .or(u_cispr_db)
            .ok_or_else(|| JudgeError::NoUncertainty { limit_id: limit.id.clone() })?,
    };
    let guard_db = options.guard_risk.map_or(0.0, |risk| guard_band_db(0.5 * expanded_db, risk));
    let addition_db = match options.guard_risk {
        Some(_) => guard_db,
        None => u_cispr_db.map_or(0.0, |u| (expanded_db - u).max(0.0)),
    };
    Ok(Uncertainty { kind, expanded_db, u_cispr_db, addition_db, guard_db })
}

fn outside(limit: &Limit, budget: &Budget, frequency_hz: f64) -> JudgeError {
    JudgeError::OutsideBudget { limit_id: limit.id.clone(), budget: budget.id.clone(), frequency_hz }
}

fn kind_at(limit: &Limit, frequency_hz: f64, options: &JudgeOptions) -> Option<MeasurementKind> {
    options
        .kind
        .or_else(|| options.budget.as_ref().map(|b| b.kind))
        .or_else(|| MeasurementKind::usual(limit, frequency_hz))
}

fn range_of(limit: &Limit, options: &JudgeOptions) -> (f64, f64) {
    let (low, high) = limit.level.range_hz();
    options.range_hz.map_or((low, high), |(from, to)| (low.max(from), high.min(to)))
}

/// A limit read at rising frequencies: the same value as [`Limit::at`] without searching the table anew and with one
/// logarithm where the limit slopes, none where it is flat.
struct Walk<'a> {
    limit: &'a Limit,
    /// The straight piece the last frequency was in: open interval, level at its start, slope over ln f.
    piece: Option<(f64, f64, f64, f64)>,
}

impl<'a> Walk<'a> {
    fn new(limit: &'a Limit) -> Self {
        Self { limit, piece: None }
    }

    fn at(&mut self, frequency_hz: f64) -> Option<f64> {
        if let Some((from, to, level, slope)) = self.piece
            && from < frequency_hz
            && frequency_hz < to
        {
            return Some(if slope == 0.0 { level } else { level + slope * (frequency_hz / from).ln() });
        }
        let table = &self.limit.level;
        let points = table.points();
        let next = points.partition_point(|p| p.0 <= frequency_hz);
        self.piece = match (next.checked_sub(1).map(|i| points[i]), points.get(next)) {
            (Some((f0, v0)), Some(&(f1, v1))) if table.interpolation() == Interpolation::LogFrequency => {
                Some((f0, f1, v0, (v1 - v0) / (f1 / f0).ln()))
            }
            _ => None,
        };
        table.at(frequency_hz)
    }
}

fn judge_limit<'a>(
    trace: &Trace,
    readings: &[Reading<'_>],
    limit: &'a Limit,
    options: &JudgeOptions,
) -> Result<Judged<'a>, JudgeError> {
    let offset_db = unit_offset(trace, limit)?;
    let own = readings.iter().find(|r| r.detector == limit.detector);
    let higher: Vec<&Reading<'_>> =
        readings.iter().filter(|r| r.detector != limit.detector && r.detector.reads_at_least(limit.detector)).collect();
    let lower: Vec<&Reading<'_>> =
        readings.iter().filter(|r| r.detector != limit.detector && limit.detector.reads_at_least(r.detector)).collect();
    if own.is_none() && higher.is_empty() && lower.is_empty() {
        let found: Vec<&str> = readings.iter().map(|r| r.detector.name()).collect();
        return Err(JudgeError::NoDetector {
            limit_id: limit.id.clone(),
            detector: limit.detector,
            found: found.join(", "),
        });
    }
    let n = trace.frequency_hz.len();
    let mut judged = Judged {
        limit,
        offset_db,
        margin_db: vec![f64::NAN; n],
        state: vec![State::None; n],
        z: vec![f64::NAN; n],
        used: vec![None; n],
    };
    let nearby = own.and_then(|own| settled_nearby(trace, own, &higher));
    let (low, high) = range_of(limit, options);
    let first = trace.frequency_hz.partition_point(|f| *f < low);
    let mut known: Option<(Uncertainty, f64)> = None;
    // A budget's tables change slowly: one look-up serves a quarter of a per cent of frequency.
    let same = |at_hz: f64, f: f64| options.budget.is_none() || f <= 1.0025 * at_hz;
    let mut walk = Walk::new(limit);
    for k in first..n {
        let frequency_hz = trace.frequency_hz[k];
        if frequency_hz > high {
            break;
        }
        let Some(limit_db) = walk.at(frequency_hz) else { continue };
        let kind = kind_at(limit, frequency_hz, options);
        let u = match known {
            Some((u, at_hz)) if u.kind == kind && same(at_hz, frequency_hz) => u,
            _ => known.insert((uncertainty(limit, kind, frequency_hz, options)?, frequency_hz)).0,
        };
        // Everything on the scale of the trace's levels.
        let ceiling = limit_db - offset_db - u.addition_db;
        let own_level = own.map_or(f64::NAN, |r| r.level(k));
        let settled_higher = |r: &&&Reading<'_>| r.level(k) <= ceiling && !r.lower_bound(k);
        let present = |r: &&&Reading<'_>| !r.level(k).is_nan();
        let lowest_higher = higher.iter().filter(present).min_by(|a, b| a.level(k).total_cmp(&b.level(k)));
        let highest_lower = lower.iter().filter(present).max_by(|a, b| a.level(k).total_cmp(&b.level(k)));
        let passed_by = higher.iter().find(settled_higher);
        let exceeded_by_lower = highest_lower.is_some_and(|r| r.level(k) > ceiling);
        // An excess that may be the record's own noise is none yet.
        let sure_by_lower = exceeded_by_lower && highest_lower.is_some_and(|r| !r.not_resolved(k));
        let sure_by_own = own_level > ceiling && own.is_some_and(|r| !r.not_resolved(k));
        let over = if sure_by_own || sure_by_lower { State::Over } else { State::OpenFloor };

        let (level, used, state) = if !own_level.is_nan() {
            let state = if own_level > ceiling || exceeded_by_lower {
                over
            } else if own.is_some_and(|r| r.lower_bound(k)) && passed_by.is_none() {
                State::OpenShort
            } else {
                State::Met
            };
            (own_level, limit.detector, state)
        } else if exceeded_by_lower && let Some(r) = highest_lower {
            (r.level(k), r.detector, over)
        } else if let Some(level) = nearby.as_ref().map(|n| n[k]).filter(|l| !l.is_nan()) {
            // Measured with the limit's own detector at the top of this emission, so here it reads no higher than
            // there, and no higher than a higher detector reads here.
            let level = passed_by.map_or(level, |r| level.min(r.level(k)));
            (level, limit.detector, if level > ceiling { State::OpenHigher } else { State::Met })
        } else if let Some(r) = passed_by {
            (r.level(k), r.detector, State::Met)
        } else if let Some(r) = lowest_higher {
            (r.level(k), r.detector, if r.level(k) > ceiling { State::OpenHigher } else { State::OpenShort })
        } else if let Some(r) = highest_lower {
            (r.level(k), r.detector, State::OpenLower)
        } else {
            continue;
        };
        // A lower detector that exceeds tells more than the own reading beside it: take the larger.
        let level = if exceeded_by_lower { highest_lower.map_or(level, |r| level.max(r.level(k))) } else { level };
        judged.margin_db[k] = ceiling - level;
        judged.z[k] = (ceiling + u.guard_db - level) / (0.5 * u.expanded_db);
        judged.used[k] = Some(used);
        judged.state[k] = state;
    }
    Ok(judged)
}

/// A list of final readings has levels of the limit's own detector at the tops of the emissions only. Where it has none,
/// but has one within a bandwidth where a higher detector reads at least as high as here, that one stands for this
/// frequency too: it is the same emission seen through the flank of the filter. NaN where nothing stands in; nothing at all
/// where there is none to settle.
fn settled_nearby(trace: &Trace, own: &Reading<'_>, higher: &[&Reading<'_>]) -> Option<Vec<f64>> {
    let f = &trace.frequency_hz;
    let n = f.len();
    if higher.is_empty() || !own.column.level_db.iter().any(|l| l.is_nan()) {
        return None;
    }
    let mut out = vec![f64::NAN; n];
    let mut look = |k: usize, j: usize| {
        let near = (f[k] - f[j]).abs() <= bandwidth_hz(trace, f[k]);
        // Judged with every higher detector that has both levels; at least one must.
        let mut pairs = higher.iter().map(|r| (r.level(k), r.level(j))).filter(|(a, b)| !a.is_nan() && !b.is_nan());
        let compared = pairs.clone().next().is_some();
        if near && compared && !own.lower_bound(j) && pairs.all(|(here, there)| here <= there) {
            let level = own.level(j);
            if out[k].is_nan() || level > out[k] {
                out[k] = level;
            }
        }
    };
    let mut last = None;
    for k in 0..n {
        if !own.level(k).is_nan() {
            last = Some(k);
        } else if let Some(j) = last {
            look(k, j);
        }
    }
    let mut next = None;
    for k in (0..n).rev() {
        if !own.level(k).is_nan() {
            next = Some(k);
        } else if let Some(j) = next {
            look(k, j);
        }
    }
    Some(out)
}

/// The result of one limit, still without its curve of margins, which is handed over at the end.
fn limit_result(trace: &Trace, j: &Judged<'_>, whole: bool) -> LimitResult {
    let count = |test: fn(State) -> bool| j.state.iter().filter(|s| test(**s)).count();
    let (points, points_over, points_open) =
        (count(|s| s != State::None), count(|s| s == State::Over), count(State::is_open));
    let decision = if points_over > 0 {
        Decision::Fail
    } else if points_open > 0 || !whole || points == 0 {
        Decision::Inconclusive
    } else {
        Decision::Pass
    };
    // Without a reading in its range a limit that may be measured in part has nothing against it.
    let decision = if points == 0 && whole { Decision::Pass } else { decision };
    let mut detector_used: Vec<Detector> = Detector::ALL.into_iter().filter(|d| j.used.contains(&Some(*d))).collect();
    detector_used.sort_by_key(|d| *d != j.limit.detector);
    let worst = (0..j.margin_db.len())
        .filter(|&k| !j.margin_db[k].is_nan())
        .min_by(|&a, &b| j.margin_db[a].total_cmp(&j.margin_db[b]));
    LimitResult {
        limit_id: j.limit.id.clone(),
        detector: j.limit.detector,
        detector_used,
        unit: j.limit.unit,
        decision,
        conclusive: decision != Decision::Inconclusive,
        worst_margin_db: worst.map_or(f64::NAN, |k| j.margin_db[k]),
        worst_frequency_hz: worst.map_or(f64::NAN, |k| trace.frequency_hz[k]),
        margin_db: Vec::new(),
        points,
        points_over,
        points_open,
    }
}

fn not_measured(
    trace: &Trace,
    judged: &[Judged<'_>],
    options: &JudgeOptions,
    notes: &mut Vec<String>,
) -> Vec<NotMeasured> {
    let mut out = Vec::new();
    let mut widest: Option<(f64, f64, f64)> = None;
    for j in judged {
        let range = range_of(j.limit, options);
        if range.0 > range.1 {
            continue;
        }
        let measured = trace.frequency_hz.iter().zip(&j.state).filter(|(_, s)| **s != State::None).map(|(f, _)| *f);
        let coverage = coverage(trace, measured, range);
        for (from_hz, to_hz) in coverage.holes {
            out.push(NotMeasured { limit_id: j.limit.id.clone(), from_hz, to_hz });
        }
        if coverage.widest.is_some_and(|c| widest.is_none_or(|w| c.0 > w.0)) {
            widest = coverage.widest;
        }
    }
    // A hair over one half is rounding of the frequencies in a file.
    if let Some((ratio, step_hz, at_hz)) = widest.filter(|w| w.0 > 0.505) {
        let bandwidth = bandwidth_hz(trace, at_hz);
        // A Gaussian filter falls by 6.02 dB at half its bandwidth, and with the square of the offset.
        let low_db = 6.02 * ratio * ratio;
        let loss = if low_db < 20.0 { format!("read up to {low_db:.1} dB low") } else { "be missed".to_owned() };
        notes.push(format!(
            "The frequency step at {} is {}, wider than half the bandwidth of {}: a narrow emission between two points \
             can {loss}, unless each point holds the highest level of its step.",
            words::frequency(at_hz),
            words::frequency(step_hz),
            words::frequency(bandwidth),
        ));
    }
    out
}

/// An emission with the margin of its worst frequency.
struct Emission {
    segment: Segment,
    /// Index of the worst frequency.
    worst: usize,
    margin_db: f64,
    z: f64,
}

impl Emission {
    fn over(&self, judged: &[Judged<'_>]) -> bool {
        judged.iter().any(|j| j.state[self.segment.from..=self.segment.to].contains(&State::Over))
    }
}

/// The emissions that any limit speaks of, smallest margin first. They are told apart by level, not by margin, so that
/// a step of a limit makes no emission and a further limit none either.
fn emissions(trace: &Trace, readings: &[Reading<'_>], judged: &[Judged<'_>], options: &JudgeOptions) -> Vec<Emission> {
    let level: Vec<f64> = (0..trace.frequency_hz.len())
        .map(|k| {
            let highest = readings.iter().map(|r| r.level(k)).fold(f64::NAN, f64::max);
            if highest.is_nan() { highest } else { highest.max(FLOOR_DB) }
        })
        .collect();
    let segments = segments(&trace.frequency_hz, &level, options.valley_db, |f| bandwidth_hz(trace, f));
    let mut out: Vec<Emission> = segments
        .into_iter()
        .filter_map(|segment| {
            let mut worst: Option<(usize, f64)> = None;
            let mut z = f64::INFINITY;
            for j in judged {
                for k in segment.from..=segment.to {
                    let margin = j.margin_db[k];
                    if margin.is_nan() {
                        continue;
                    }
                    if worst.is_none_or(|w| margin < w.1) {
                        worst = Some((k, margin));
                    }
                    z = z.min(j.z[k]);
                }
            }
            worst.map(|(worst, margin_db)| Emission { segment, worst, margin_db, z })
        })
        .collect();
    out.sort_by(|a, b| a.margin_db.total_cmp(&b.margin_db));
    out
}

fn suspect(
    trace: &Trace,
    readings: &[Reading<'_>],
    judged: &[Judged<'_>],
    emission: &Emission,
    options: &JudgeOptions,
) -> Suspect {
    let k = emission.worst;
    let Segment { from, to } = emission.segment;
    let f = &trace.frequency_hz;
    // Its extent: around the worst frequency, as far as the level stays within the valley.
    let highest = |i: usize| readings.iter().map(|r| r.level(i)).fold(f64::NAN, f64::max).max(FLOOR_DB);
    let floor = highest(k) - options.valley_db;
    let left = (from..=k).rev().take_while(|&i| highest(i) > floor).last().unwrap_or(k);
    let right = (k..=to).take_while(|&i| highest(i) > floor).last().unwrap_or(k);

    let mut limits: Vec<SuspectLimit> = judged
        .iter()
        .filter(|j| !j.margin_db[k].is_nan())
        .filter_map(|j| {
            Some(SuspectLimit {
                limit_id: j.limit.id.clone(),
                limit_db: j.limit.at(f[k])?,
                unit: j.limit.unit,
                detector_used: j.used[k]?,
                margin_db: j.margin_db[k],
                decision: decision_of(&j.state[from..=to]),
            })
        })
        .collect();
    limits.sort_by(|a, b| a.margin_db.total_cmp(&b.margin_db));
    let decision = if limits.iter().any(|l| l.decision == Decision::Fail) {
        Decision::Fail
    } else if limits.iter().any(|l| l.decision == Decision::Inconclusive) {
        Decision::Inconclusive
    } else {
        Decision::Pass
    };
    let offset_db = judged.iter().find(|j| !j.margin_db[k].is_nan()).map_or(0.0, |j| j.offset_db);
    let unit = limits.first().map_or(Unit::DbUv, |l| l.unit);
    let levels = readings
        .iter()
        .filter(|r| r.level(k).is_finite())
        .map(|r| SuspectLevel {
            detector: r.detector,
            level_db: r.level(k) + offset_db,
            unit,
            lower_bound: r.lower_bound(k),
            not_resolved: r.not_resolved(k),
        })
        .collect();
    Suspect {
        frequency_hz: f[k],
        from_hz: f[left],
        to_hz: f[right],
        broadband: f[right] - f[left] > BROADBAND_BANDWIDTHS * bandwidth_hz(trace, f[k]),
        margin_db: emission.margin_db,
        probability_over: 1.0 - normal_below(emission.z),
        levels,
        limits,
        decision,
        remark: remark(readings, judged, emission),
    }
}

/// How much of what was judged is not told apart from the record's own noise.
fn floor_note(readings: &[Reading<'_>], judged: &[Judged<'_>], notes: &mut Vec<String>) {
    for j in judged {
        let held = |k: usize| j.state[k] != State::None;
        let unresolved = |k: usize| readings.iter().any(|r| j.used[k] == Some(r.detector) && r.not_resolved(k));
        let all = (0..j.state.len()).filter(|&k| held(k)).count();
        let under: Vec<usize> = (0..j.state.len()).filter(|&k| held(k) && unresolved(k)).collect();
        let Some(closest) = under.iter().map(|&k| j.margin_db[k]).min_by(f64::total_cmp) else { continue };
        notes.push(format!(
            "{}: at {} of {all} frequencies the level stands less than {RESOLVED_DB:.0} dB above the record's own noise, so \
             the emission there is at most that (the closest of them {closest:.1} dB from the limit)",
            j.limit.id,
            under.len(),
        ));
    }
}

fn decision_of(states: &[State]) -> Decision {
    if states.contains(&State::Over) {
        Decision::Fail
    } else if states.iter().any(|s| s.is_open()) {
        Decision::Inconclusive
    } else {
        Decision::Pass
    }
}

/// Which reading settles what at a suspect, or what is missing.
fn remark(readings: &[Reading<'_>], judged: &[Judged<'_>], emission: &Emission) -> Option<String> {
    let k = emission.worst;
    let Segment { from, to } = emission.segment;
    let mut said: Vec<String> = Vec::new();
    for j in judged {
        let wanted = j.limit.detector;
        let states = &j.state[from..=to];
        if states.contains(&State::Over) {
            continue;
        }
        if states.contains(&State::OpenFloor) {
            said.push(format!(
                "the reading above the {wanted} limit is not told apart from the record's own noise: lower that noise (less attenuation, a filter, a preamplifier) and measure again"
            ));
        } else if states.contains(&State::OpenHigher) {
            // The one at the worst open frequency of the emission.
            let by = (from..=to)
                .filter(|&i| j.state[i] == State::OpenHigher)
                .min_by(|&a, &b| j.margin_db[a].total_cmp(&j.margin_db[b]))
                .and_then(|i| j.used[i])
                .unwrap_or(wanted);
            said.push(format!(
                "the {by} reading lies above the {wanted} limit and settles nothing: measure with {wanted}"
            ));
        } else if states.contains(&State::OpenShort) {
            said.push(format!("too short a record for {wanted}: the level is a lower bound, measure longer"));
        } else if states.contains(&State::OpenLower) {
            said.push(format!("a lower detector cannot show that the {wanted} limit is met: measure with {wanted}"));
        } else if let Some(by) = j.used[k].filter(|by| *by != wanted && j.state[k] == State::Met) {
            // CISPR 16-2-1: a peak or quasi-peak reading below the average limit settles both limits.
            let settles_both = wanted == Detector::CisprAverage
                && judged.iter().any(|q| {
                    q.limit.detector == Detector::QuasiPeak
                        && q.state[k] == State::Met
                        && by.reads_at_least(Detector::QuasiPeak)
                });
            said.push(if settles_both {
                format!("the {by} reading lies below the average limit and settles both limits")
            } else {
                format!("the {by} reading lies below the {wanted} limit and settles it")
            });
        }
    }
    // One reading that settles both says all that the one limit's remark said.
    if said.iter().any(|s| s.ends_with("settles both limits")) {
        said.retain(|s| !s.ends_with("limit and settles it"));
    }
    let unresolved = |j: &Judged<'_>| {
        j.state[k] == State::Met && readings.iter().any(|r| j.used[k] == Some(r.detector) && r.not_resolved(k))
    };
    if judged.iter().any(unresolved) {
        said.push("less than 6 dB above the record's own noise: the emission is at most this".to_owned());
    }
    said.dedup();
    if said.is_empty() { None } else { Some(sentence::capital(&said.join("; "))) }
}

fn still_to_measure(trace: &Trace, judged: &[Judged<'_>], emissions: &[Emission]) -> Vec<StillToMeasure> {
    let mut out = Vec::new();
    for j in judged {
        let wanted = j.limit.detector;
        // One entry an emission and reason, in order of frequency.
        let mut found: BTreeMap<usize, (usize, State)> = BTreeMap::new();
        for e in emissions {
            let mut open = (e.segment.from..=e.segment.to).filter(|&k| j.state[k].is_open());
            if let Some(first) = open.next() {
                let last = open.next_back().unwrap_or(first);
                let states = &j.state[first..=last];
                let worst = [State::OpenFloor, State::OpenHigher, State::OpenShort, State::OpenLower];
                let state = worst.into_iter().find(|s| states.contains(s)).unwrap_or(State::OpenLower);
                found.insert(first, (last, state));
            }
        }
        let mut merged: Vec<(usize, usize, State)> = Vec::new();
        for (first, (last, state)) in found {
            match merged.last_mut() {
                // A record that is too short, or a detector that is missing, is one matter over the whole range.
                Some(m) if m.2 == state && state != State::OpenHigher => m.1 = last,
                _ => merged.push((first, last, state)),
            }
        }
        for (first, last, state) in merged {
            let reason = match state {
                State::OpenHigher => {
                    format!("a detector that reads higher stands in for {wanted} and lies above the limit")
                }
                State::OpenFloor => {
                    "the reading above the limit is not told apart from the record's own noise".to_owned()
                }
                State::OpenShort => "the record was too short for the detector to settle".to_owned(),
                _ => format!("only a detector that reads lower than {wanted} was measured"),
            };
            out.push(StillToMeasure {
                limit_id: j.limit.id.clone(),
                detector: wanted,
                from_hz: trace.frequency_hz[first],
                to_hz: trace.frequency_hz[last],
                reason,
            });
        }
    }
    out
}

fn bound(judged: &[Judged<'_>], results: &[LimitResult], emissions: &[Emission], holes: bool) -> ProbabilityBound {
    let any = |state| judged.iter().any(|j| j.state.contains(&state));
    let at_most = holes || any(State::OpenShort) || any(State::OpenLower);
    // Stand-ins far below the limit change nothing in the figure.
    let near: Vec<&Emission> = emissions.iter().filter(|e| e.z < 4.0).collect();
    let at_least = results.iter().zip(judged).any(|(r, j)| {
        r.decision != Decision::Fail
            && near.iter().any(|e| {
                (e.segment.from..=e.segment.to).any(|k| {
                    j.z[k] < 4.0
                        && j.used[k].is_some_and(|u| u != j.limit.detector && u.reads_at_least(j.limit.detector))
                })
            })
    });
    match (at_least, at_most) {
        (false, false) => ProbabilityBound::Estimate,
        (true, false) => ProbabilityBound::AtLeast,
        (false, true) => ProbabilityBound::AtMost,
        (true, true) => ProbabilityBound::Rough,
    }
}

fn uncertainty_used(
    limits: &[&Limit],
    worst_id: Option<&str>,
    frequency_hz: f64,
    options: &JudgeOptions,
) -> Result<UncertaintyUsed, JudgeError> {
    let limit = limits.iter().find(|l| Some(l.id.as_str()) == worst_id).unwrap_or(&limits[0]);
    let kind = kind_at(limit, frequency_hz, options);
    // Where nothing was judged there is no worst frequency; the limit's own beginning then stands for it.
    let at_hz = if frequency_hz.is_finite() { frequency_hz } else { limit.level.range_hz().0 };
    let u = uncertainty(limit, kind, at_hz, options)?;
    let budget = options.budget.as_ref().and_then(|b| level_uncertainty(b, at_hz).map(|at| (b, at)));
    let assumed = options.uncertainty_db.is_none() && budget.is_none();
    let published = kind.map(MeasurementKind::published);
    let of_what = published.map_or_else(|| "this measurement".to_owned(), |p| p.title.clone());
    let figure = u.expanded_db;
    let mut statement = if let Some((b, _)) = &budget {
        format!(
            "Expanded uncertainty of the set-up at {}: {figure:.1} dB (k = 2), from the budget `{}` ({}).",
            words::frequency(at_hz),
            b.id,
            b.source
        )
    } else if !assumed {
        format!("Expanded uncertainty of the set-up: {figure:.1} dB (k = 2), as stated.")
    } else if options.u_cispr_db.is_some() {
        format!("Expanded uncertainty assumed equal to the given U_cispr: {figure:.1} dB (k = 2).")
    } else {
        let source = published.map_or_else(String::new, |p| {
            let from_memory = if p.known == Known::Memory { ", from memory" } else { "" };
            format!(" ({}{from_memory})", p.source)
        });
        format!(
            "The uncertainty of the set-up was not stated; assumed: {figure:.1} dB (k = 2), the published figure for {of_what}{source}."
        )
    };
    match u.u_cispr_db {
        _ if options.guard_risk.is_some() => statement.push_str(&format!(
            " Guarded acceptance: a guard band of {:.1} dB is kept below the limit, so that what is accepted exceeds it with at \
             most {:.1} % (JCGM 106, flat prior).",
            u.addition_db,
            100.0 * options.guard_risk.unwrap_or_default()
        )),
        Some(u_cispr) if u.addition_db > 0.0 => statement.push_str(&format!(
            " It is larger than U_cispr = {u_cispr:.1} dB, so {:.1} dB were added to every level before it was compared \
             (CISPR 16-4-2).",
            u.addition_db
        )),
        Some(u_cispr) => statement.push_str(&format!(
            " It is no larger than U_cispr = {u_cispr:.1} dB, so the levels are compared with the limit as they are \
             (CISPR 16-4-2)."
        )),
        None => statement.push_str(" No U_cispr is published for this measurement: levels are compared as they are."),
    }
    let common_share = budget.as_ref().map_or(options.common_share, |(_, at)| (at.common_db / at.standard_db).powi(2));
    statement.push_str(&match &budget {
        Some(_) => format!(
            " Probability: normal deviation with half of it as standard uncertainty, belonging together across frequency as \
             the budget says ({:.0} % of the variance there common to all emissions).",
            100.0 * common_share
        ),
        None => format!(
            " Probability: normal deviation with half of it as standard uncertainty, {:.0} % of the variance common to all \
             emissions (an assumption).",
            100.0 * common_share
        ),
    });
    Ok(UncertaintyUsed {
        kind,
        expanded_db: u.expanded_db,
        assumed,
        u_cispr_db: u.u_cispr_db,
        addition_db: u.addition_db,
        guard_risk: options.guard_risk,
        common_share,
        budget: budget.map(|(b, _)| b.id.clone()),
        statement,
    })
}

fn other_notes(trace: &Trace, readings: &[Reading<'_>], limits: &[&Limit], notes: &mut Vec<String>) {
    // Bandwidths: CISPR 16-1-1 allows about ±11 % in band B, less than a third in A. Peak limits of other standards
    // bring their own bandwidths.
    if let (Some(has), Some((from, to))) = (trace.bandwidth_hz, trace.range_hz()) {
        let prescribed = |l: &&&Limit| {
            let (low, high) = l.level.range_hz();
            let (low, high) = (low.max(from), high.min(to));
            (l.detector != Detector::Peak && low <= high).then(|| prescribed_bandwidth_hz((low * high).sqrt()))
        };
        if let Some(wanted) = limits.iter().find_map(|l| prescribed(&l).filter(|w| !(0.85..=1.15).contains(&(has / w))))
        {
            let effect = if has < wanted { "lower" } else { "higher" };
            notes.push(format!(
                "Measured with a bandwidth of {}; CISPR 16-1-1 prescribes {} here: disturbances wider than the bandwidth \
                 read {effect} than a laboratory will find.",
                words::frequency(has),
                words::frequency(wanted),
            ));
        }
    }
    // What no limit speaks of.
    if let Some((from, to)) = trace.range_hz() {
        let low = limits.iter().map(|l| l.level.range_hz().0).fold(f64::INFINITY, f64::min);
        let high = limits.iter().map(|l| l.level.range_hz().1).fold(0.0, f64::max);
        let mut outside = Vec::new();
        if low - from > bandwidth_hz(trace, low) {
            outside.push(format!("from {} to {}", words::frequency(from), words::frequency(low)));
        }
        if to - high > bandwidth_hz(trace, high) {
            outside.push(format!("from {} to {}", words::frequency(high), words::frequency(to)));
        }
        if !outside.is_empty() {
            notes.push(format!("Measured but not judged {}: the limits do not reach there.", outside.join(" and ")));
        }
    }
    // A higher detector that reads lower: the two were not measured on the same signal.
    for a in readings {
        for b in readings.iter().filter(|b| b.detector != a.detector && a.detector.reads_at_least(b.detector)) {
            let crossed = (0..trace.frequency_hz.len()).filter(|&k| b.level(k) > a.level(k) + 0.5).count();
            if crossed > 0 {
                notes.push(format!(
                    "{} reads above {} at {crossed} {}, which no signal does: were they measured at different times?",
                    sentence::capital(b.detector.name()),
                    a.detector,
                    if crossed == 1 { "frequency" } else { "frequencies" },
                ));
            }
        }
    }
    let recalled: Vec<String> =
        limits.iter().filter(|l| l.known == Known::Memory).map(|l| format!("`{}`", l.id)).collect();
    match recalled.as_slice() {
        [] => {}
        [one] => notes.push(format!("Limit {one} is quoted from memory: check it against the standard.")),
        many => notes
            .push(format!("Limits {} are quoted from memory: check them against the standard.", many.join(" and "))),
    }
}
