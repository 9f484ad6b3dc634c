use quantity::{MixError, Unit};
use serde::{Deserialize, Serialize};
use standards::Detector;

use crate::nan_as_null;

/// Levels against frequency for one or more detectors, in one unit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Trace {
    /// Rising frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Unit of every level; none while a file's unit is not known.
    pub unit: Option<Unit>,
    /// One column a detector, each as long as `frequency_hz`.
    pub columns: Vec<Column>,
    /// Resolution bandwidth (−6 dB), Hz, where known.
    pub bandwidth_hz: Option<f64>,
    /// Impedance in which the levels were measured, Ω, where known.
    pub impedance_ohm: Option<f64>,
    /// What was done to it so far, in words and in order (reading, corrections, conversions).
    pub history: Vec<String>,
}

/// The levels of one detector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Column {
    /// The detector, where the source says it.
    pub detector: Option<Detector>,
    /// Name in the source.
    pub name: String,
    /// Levels in the trace's unit; NaN (JSON null) where there is none (a gap).
    #[serde(with = "nan_as_null::list")]
    pub level_db: Vec<f64>,
    /// True where the record was too short for the detector to settle, so that the level is a lower bound.
    /// Empty: nothing is known of it.
    pub lower_bound: Vec<bool>,
    /// What this detector reads on the record's own noise alone, in the trace's unit; NaN where no floor was found.
    /// Empty: nothing is known of it.
    #[serde(default, with = "nan_as_null::list", skip_serializing_if = "Vec::is_empty")]
    pub floor_db: Vec<f64>,
}

/// A level less than this above the record's own noise floor is not told apart from it, dB (common practice for ambient
/// and own noise).
pub const RESOLVED_DB: f64 = 6.0;

impl Column {
    /// The level at frequency number `k` is not told apart from the record's own noise.
    pub fn not_resolved(&self, k: usize) -> bool {
        self.floor_db.get(k).is_some_and(|floor| self.level_db[k] < floor + RESOLVED_DB)
    }
}

/// What is wrong with a trace, or with putting traces together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TraceError {
    /// No frequencies or no columns.
    #[error("the trace has no {what}: expected at least one")]
    Empty {
        /// `frequency` or `column of levels`.
        what: &'static str,
    },
    /// A column is shorter or longer than the frequencies.
    #[error("column `{column}` has {found} {what}; expected {expected}, one a frequency")]
    Length {
        /// Name of the column.
        column: String,
        /// `levels`, `lower-bound flags` or `floor levels`.
        what: &'static str,
        /// How many frequencies there are.
        expected: usize,
        /// How many there are.
        found: usize,
    },
    /// A frequency does not rise.
    #[error("frequency {index} is {frequency_hz} Hz after {before_hz} Hz: expected positive, rising frequencies")]
    NotRising {
        /// Counted from 1.
        index: usize,
        /// As given.
        frequency_hz: f64,
        /// The one before it; 0 for the first.
        before_hz: f64,
    },
    /// Two columns for one detector.
    #[error("two columns are {detector}: `{first}` and `{second}`; expected one a detector")]
    TwoColumns {
        /// The detector.
        detector: Detector,
        /// Name of the first.
        first: String,
        /// Name of the second.
        second: String,
    },
    /// A level is infinite upwards.
    #[error("column `{column}`, frequency {index}: level {level_db}; expected a finite number, or none")]
    NotFinite {
        /// Name of the column.
        column: String,
        /// Counted from 1.
        index: usize,
        /// As given.
        level_db: f64,
    },
    /// The unit is not known.
    #[error("the trace has no unit: say which unit the levels have")]
    NoUnit,
    /// The units need a factor between them.
    #[error(transparent)]
    Mix(#[from] MixError),
    /// Traces in different units.
    #[error("trace {number} is in {found}, the first in {expected}: convert one of them first")]
    DifferentUnits {
        /// Counted from 1.
        number: usize,
        /// Unit of the first.
        expected: String,
        /// Unit of this one.
        found: String,
    },
    /// Traces that overlap without sharing their frequencies.
    #[error(
        "trace {number} has {frequency_hz} Hz and the others there do not: expected the same frequencies where traces overlap"
    )]
    DifferentFrequencies {
        /// Counted from 1.
        number: usize,
        /// The first frequency that does not match.
        frequency_hz: f64,
    },
    /// A detector that a trace does not have.
    #[error("there is no {detector} column in trace {number}")]
    NoColumn {
        /// Counted from 1.
        number: usize,
        /// The detector asked for.
        detector: Detector,
    },
}

/// Two frequencies closer than this, relatively, are one: a file's decimals, not another grid.
const SAME_FREQUENCY: f64 = 1e-9;

fn same(a_hz: f64, b_hz: f64) -> bool {
    (a_hz - b_hz).abs() <= SAME_FREQUENCY * a_hz.abs().max(b_hz.abs())
}

impl Trace {
    /// The column of a detector.
    pub fn column(&self, detector: Detector) -> Option<&Column> {
        self.columns.iter().find(|c| c.detector == Some(detector))
    }

    /// First and last frequency, Hz; nothing for an empty trace.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        Some((*self.frequency_hz.first()?, *self.frequency_hz.last()?))
    }

    /// Checks that frequencies are positive and rise, columns are as long as the frequencies, levels are finite or
    /// missing (−∞, a silent sine, is allowed), and no detector has two columns.
    pub fn validate(&self) -> Result<(), TraceError> {
        if self.frequency_hz.is_empty() {
            return Err(TraceError::Empty { what: "frequency" });
        }
        if self.columns.is_empty() {
            return Err(TraceError::Empty { what: "column of levels" });
        }
        let mut before_hz = 0.0;
        for (i, &frequency_hz) in self.frequency_hz.iter().enumerate() {
            if !(frequency_hz > before_hz && frequency_hz.is_finite()) {
                return Err(TraceError::NotRising { index: i + 1, frequency_hz, before_hz });
            }
            before_hz = frequency_hz;
        }
        let expected = self.frequency_hz.len();
        for (i, column) in self.columns.iter().enumerate() {
            let length = |what, found| TraceError::Length { column: column.name.clone(), what, expected, found };
            if column.level_db.len() != expected {
                return Err(length("levels", column.level_db.len()));
            }
            if !(column.lower_bound.is_empty() || column.lower_bound.len() == expected) {
                return Err(length("lower-bound flags", column.lower_bound.len()));
            }
            if let Some(k) = column.level_db.iter().position(|&l| l == f64::INFINITY) {
                return Err(TraceError::NotFinite {
                    column: column.name.clone(),
                    index: k + 1,
                    level_db: column.level_db[k],
                });
            }
            if !(column.floor_db.is_empty() || column.floor_db.len() == expected) {
                return Err(length("floor levels", column.floor_db.len()));
            }
            if let Some(detector) = column.detector
                && let Some(first) = self.columns[..i].iter().find(|c| c.detector == Some(detector))
            {
                return Err(TraceError::TwoColumns {
                    detector,
                    first: first.name.clone(),
                    second: column.name.clone(),
                });
            }
        }
        Ok(())
    }

    /// The trace in another unit. Power becomes voltage in the trace's own impedance, or in `impedance_ohm` where the
    /// trace does not say one; the history names it.
    pub fn to_unit(&self, to: Unit, impedance_ohm: Option<f64>) -> Result<Self, TraceError> {
        let from = self.unit.ok_or(TraceError::NoUnit)?;
        if from == to {
            return Ok(self.clone());
        }
        let impedance_ohm = self.impedance_ohm.or(impedance_ohm);
        let offset_db = from.offset_to(to, impedance_ohm)?;
        let mut out = self.clone();
        for column in &mut out.columns {
            for level in column.level_db.iter_mut().chain(&mut column.floor_db) {
                *level += offset_db;
            }
        }
        out.unit = Some(to);
        // Between two power units no impedance is needed, so none is claimed.
        let needs_impedance = from.offset_to(to, None).is_err();
        out.history.push(match impedance_ohm {
            Some(r) if needs_impedance => {
                out.impedance_ohm = Some(r);
                format!("{from} to {to} in {r} Ω: {offset_db:+.2} dB")
            }
            _ => format!("{from} to {to}: {offset_db:+.2} dB"),
        });
        Ok(out)
    }

    /// Level of this trace minus level of the other, dB, at each frequency, for one detector; NaN where either has
    /// none. Both must have the same frequencies and unit.
    pub fn difference(&self, other: &Self, detector: Detector) -> Result<Vec<f64>, TraceError> {
        if self.unit != other.unit {
            return Err(TraceError::DifferentUnits {
                number: 2,
                expected: unit_name(self.unit),
                found: unit_name(other.unit),
            });
        }
        let mut pairs = self.frequency_hz.iter().zip(&other.frequency_hz);
        if let Some((_, &frequency_hz)) = pairs.find(|(a, b)| !same(**a, **b)) {
            return Err(TraceError::DifferentFrequencies { number: 2, frequency_hz });
        }
        let (n, m) = (self.frequency_hz.len(), other.frequency_hz.len());
        if n != m {
            let (number, longer) = if n > m { (1, &self.frequency_hz) } else { (2, &other.frequency_hz) };
            return Err(TraceError::DifferentFrequencies { number, frequency_hz: longer[n.min(m)] });
        }
        let a = self.column(detector).ok_or(TraceError::NoColumn { number: 1, detector })?;
        let b = other.column(detector).ok_or(TraceError::NoColumn { number: 2, detector })?;
        Ok(a.level_db.iter().zip(&b.level_db).map(|(x, y)| x - y).collect())
    }
}

fn unit_name(unit: Option<Unit>) -> String {
    unit.map_or_else(|| "no known unit".to_owned(), |u| u.to_string())
}

/// The highest level of several traces at each frequency, column by column (columns belong together by detector, or by
/// name where no detector is known): the scan over antenna heights, table angles, conductors or operating modes.
///
/// Frequencies that only some traces have are kept, so that traces of neighbouring ranges join; but where two traces
/// overlap they must have the same frequencies.
///
/// # Errors
/// No trace, a trace at fault, different units, different frequencies in an overlap.
pub fn max_hold(traces: &[&Trace]) -> Result<Trace, TraceError> {
    let Some((&first, rest)) = traces.split_first() else { return Err(TraceError::Empty { what: "trace to hold" }) };
    first.validate()?;
    let mut held = first.clone();
    for (i, trace) in rest.iter().enumerate() {
        trace.validate()?;
        if trace.unit != held.unit {
            return Err(TraceError::DifferentUnits {
                number: i + 2,
                expected: unit_name(held.unit),
                found: unit_name(trace.unit),
            });
        }
        held = hold_two(&held, trace, i + 2)?;
    }
    if !rest.is_empty() {
        held.history.push(format!("highest level of {} traces at each frequency", traces.len()));
    }
    Ok(held)
}

fn hold_two(a: &Trace, b: &Trace, number: usize) -> Result<Trace, TraceError> {
    let (fa, fb) = (&a.frequency_hz, &b.frequency_hz);
    let inside = |f: f64, other: &[f64]| f > other[0] && f < other[other.len() - 1];
    // Merged frequencies with the index each trace has there.
    let mut merged: Vec<(f64, Option<usize>, Option<usize>)> = Vec::with_capacity(fa.len().max(fb.len()));
    let (mut i, mut j) = (0, 0);
    while i < fa.len() || j < fb.len() {
        match (fa.get(i), fb.get(j)) {
            (Some(&x), Some(&y)) if same(x, y) => {
                merged.push((x, Some(i), Some(j)));
                i += 1;
                j += 1;
            }
            (Some(&x), y) if y.is_none_or(|&y| x < y) => {
                if inside(x, fb) {
                    return Err(TraceError::DifferentFrequencies { number, frequency_hz: fb[j] });
                }
                merged.push((x, Some(i), None));
                i += 1;
            }
            (_, Some(&y)) => {
                if inside(y, fa) {
                    return Err(TraceError::DifferentFrequencies { number, frequency_hz: y });
                }
                merged.push((y, None, Some(j)));
                j += 1;
            }
            (_, None) => unreachable!("a frequency of the first trace was handled above"),
        }
    }
    let matching = |c: &Column, in_trace: &Trace| {
        in_trace.columns.iter().position(|d| match (c.detector, d.detector) {
            (Some(x), Some(y)) => x == y,
            (None, None) => c.name == d.name,
            _ => false,
        })
    };
    let mut pairs: Vec<(Option<&Column>, Option<&Column>)> =
        a.columns.iter().map(|c| (Some(c), matching(c, b).map(|k| &b.columns[k]))).collect();
    pairs.extend(b.columns.iter().filter(|c| matching(c, a).is_none()).map(|c| (None, Some(c))));

    let at = |c: Option<&Column>, k: Option<usize>| match (c, k) {
        (Some(c), Some(k)) => (c.level_db[k], c.lower_bound.get(k).copied()),
        _ => (f64::NAN, None),
    };
    let columns = pairs
        .into_iter()
        .map(|(ca, cb)| {
            let shown = ca.or(cb).expect("a pair has at least one column");
            let knows = |c: Option<&Column>| c.is_some_and(|c| !c.lower_bound.is_empty());
            let keep_flags = knows(ca) || knows(cb);
            let mut column = Column {
                detector: shown.detector,
                name: shown.name.clone(),
                level_db: Vec::with_capacity(merged.len()),
                lower_bound: Vec::with_capacity(if keep_flags { merged.len() } else { 0 }),
                floor_db: Vec::new(),
            };
            let knows_floor = |c: Option<&Column>| c.is_some_and(|c| !c.floor_db.is_empty());
            if knows_floor(ca) || knows_floor(cb) {
                let floor = |c: Option<&Column>, k: Option<usize>| {
                    c.zip(k).and_then(|(c, k)| c.floor_db.get(k).copied()).unwrap_or(f64::NAN)
                };
                // The floor under the higher level is that of the record it comes from.
                column.floor_db = merged
                    .iter()
                    .map(|&(_, ka, kb)| {
                        let ((x, _), (y, _)) = (at(ca, ka), at(cb, kb));
                        if y > x || x.is_nan() { floor(cb, kb) } else { floor(ca, ka) }
                    })
                    .collect();
            }
            for &(_, ka, kb) in &merged {
                let ((x, x_bound), (y, y_bound)) = (at(ca, ka), at(cb, kb));
                // The true maximum is at least the larger of the two; if either is a lower bound, so is the result.
                column.level_db.push(x.max(y));
                if keep_flags {
                    column.lower_bound.push(x_bound.unwrap_or(false) || y_bound.unwrap_or(false));
                }
            }
            column
        })
        .collect();
    let agreed = |x: Option<f64>, y: Option<f64>| if x == y { x } else { None };
    let mut history = a.history.clone();
    history.extend(b.history.iter().filter(|h| !a.history.contains(h)).cloned());
    Ok(Trace {
        frequency_hz: merged.iter().map(|m| m.0).collect(),
        unit: a.unit,
        columns,
        bandwidth_hz: agreed(a.bandwidth_hz, b.bandwidth_hz),
        impedance_ohm: agreed(a.impedance_ohm, b.impedance_ohm),
        history,
    })
}
