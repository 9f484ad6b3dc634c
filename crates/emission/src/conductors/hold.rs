use serde::Serialize;
use standards::Detector;

use crate::{Trace, TraceError, max_hold};

/// The highest of several traces at each frequency, and which of them it was.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Held {
    /// The highest levels.
    pub trace: Trace,
    /// For each column of `trace`, at each frequency: the number of the trace the level comes from (from 0; the first of
    /// equal ones), nothing where none has a level.
    pub from: Vec<Vec<Option<usize>>>,
}

impl Held {
    /// Where the level of a detector at frequency number `k` comes from.
    pub fn source(&self, detector: Detector, k: usize) -> Option<usize> {
        let column = self.trace.columns.iter().position(|c| c.detector == Some(detector))?;
        self.from.get(column)?.get(k).copied().flatten()
    }
}

/// [`max_hold`] with the origin of every level.
///
/// # Errors
/// Those of [`max_hold`].
pub fn hold(traces: &[&Trace]) -> Result<Held, TraceError> {
    let trace = max_hold(traces)?;
    let from = trace
        .columns
        .iter()
        .map(|column| {
            let mut from = vec![None; trace.frequency_hz.len()];
            let mut best = vec![f64::NAN; trace.frequency_hz.len()];
            for (number, own) in traces.iter().enumerate() {
                let same = own.columns.iter().find(|c| match (c.detector, column.detector) {
                    (Some(a), Some(b)) => a == b,
                    (None, None) => c.name == column.name,
                    _ => false,
                });
                let Some(same) = same else { continue };
                // The held trace has all frequencies of every trace, in order.
                let mut k = 0;
                for (&f, &level) in own.frequency_hz.iter().zip(&same.level_db) {
                    while k + 1 < trace.frequency_hz.len()
                        && (trace.frequency_hz[k + 1] - f).abs() <= (trace.frequency_hz[k] - f).abs()
                    {
                        k += 1;
                    }
                    if !level.is_nan() && (best[k].is_nan() || level > best[k]) {
                        best[k] = level;
                        from[k] = Some(number);
                    }
                }
            }
            from
        })
        .collect();
    Ok(Held { trace, from })
}
