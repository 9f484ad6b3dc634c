//! From judged runs to emissions with their readings: which suspects of repeated runs are the same emission.

use standards::Detector;

use super::{Repeats, StandIn};
use crate::coverage::prescribed_bandwidth_hz;
use crate::{Trace, Verdict};

/// A suspect of one run.
#[derive(Debug, Clone, PartialEq)]
struct Top {
    frequency_hz: f64,
    /// With what a stand-in is expected to read too high.
    expected_db: f64,
    limit_id: String,
    wanted: Detector,
    used: Detector,
}

/// What one judged run contributes.
#[derive(Debug, Clone, PartialEq)]
pub struct RunReadings {
    frequency_hz: Vec<f64>,
    /// Margins to each limit.
    margin_db: Vec<(String, Vec<f64>)>,
    tops: Vec<Top>,
}

/// Emissions of repeated runs.
#[derive(Debug, Clone, PartialEq)]
pub struct Collected {
    /// Frequency of each, Hz: where its margin is smallest.
    pub frequency_hz: Vec<f64>,
    /// Margins to the limit that is nearest at each emission, one row a run, one column an emission, dB; NaN where a run has
    /// none.
    pub margins: Repeats,
    /// Detector the limit asks for and the one that was read, at the smallest margin.
    pub detectors: Vec<(Detector, Detector)>,
}

impl RunReadings {
    /// Leaves out the emissions whose highest point lies in one of these stretches (from and to, Hz): what is known to be no
    /// emission of the product. Gives how many.
    pub fn leave_out(&mut self, stretches: &[(f64, f64)]) -> usize {
        let before = self.tops.len();
        self.tops.retain(|t| !stretches.iter().any(|(from, to)| (*from..=*to).contains(&t.frequency_hz)));
        before - self.tops.len()
    }

    /// From a run's trace and its verdict; judge with wide options (`within_db`, `max_suspects`), or emissions far from the
    /// limit are missing.
    pub fn of(trace: &Trace, verdict: &Verdict) -> Self {
        let margin_db = verdict.limits.iter().map(|l| (l.limit_id.clone(), l.margin_db.clone())).collect();
        let tops = verdict
            .suspects
            .iter()
            .filter_map(|s| {
                // The limit that is nearest once a stand-in's excess is taken off.
                let each = s.limits.iter().filter_map(|l| {
                    let wanted = verdict.limits.iter().find(|r| r.limit_id == l.limit_id)?.detector;
                    let excess = stand_in(wanted, l.detector_used).map_or(0.0, |d| d.mean_db);
                    Some(Top {
                        frequency_hz: s.frequency_hz,
                        expected_db: l.margin_db + excess,
                        limit_id: l.limit_id.clone(),
                        wanted,
                        used: l.detector_used,
                    })
                });
                each.filter(|t| t.expected_db.is_finite()).min_by(|a, b| a.expected_db.total_cmp(&b.expected_db))
            })
            .collect();
        Self { frequency_hz: trace.frequency_hz.clone(), margin_db, tops }
    }

    /// Smallest margin to a limit within a receiver bandwidth of a frequency; NaN where nothing was read.
    pub fn margin_near(&self, limit_id: &str, frequency_hz: f64) -> f64 {
        let Some((_, margin_db)) = self.margin_db.iter().find(|m| m.0 == limit_id) else { return f64::NAN };
        let width = prescribed_bandwidth_hz(frequency_hz);
        let from = self.frequency_hz.partition_point(|f| *f < frequency_hz - width);
        let to = self.frequency_hz.partition_point(|f| *f <= frequency_hz + width);
        margin_db[from..to.max(from)].iter().copied().fold(f64::NAN, f64::min)
    }
}

/// Emissions more than this further from the limit than the nearest are left out, dB.
const FAR_DB: f64 = 40.0;

/// Brings the suspects of repeated runs together: tops within a receiver bandwidth of the nearest to the limit are one
/// emission, and every run's margin for it is its smallest within that bandwidth.
pub fn collect(runs: &[&RunReadings]) -> Collected {
    let mut tops: Vec<&Top> = runs.iter().flat_map(|r| &r.tops).collect();
    tops.sort_by(|a, b| a.expected_db.total_cmp(&b.expected_db));
    let nearest = tops.first().map_or(0.0, |t| t.expected_db);
    tops.retain(|t| t.expected_db <= nearest + FAR_DB);
    let mut kept: Vec<&Top> = Vec::new();
    // By frequency, so that only neighbours have to be looked at.
    let mut taken = std::collections::BTreeSet::new();
    for t in tops {
        let width = prescribed_bandwidth_hz(t.frequency_hz);
        // Positive floats sort as their bits.
        let (low, high) = ((t.frequency_hz - width).max(0.0).to_bits(), (t.frequency_hz + width).to_bits());
        if taken.range(low..=high).next().is_none() {
            taken.insert(t.frequency_hz.to_bits());
            kept.push(t);
        }
    }
    Collected {
        frequency_hz: kept.iter().map(|t| t.frequency_hz).collect(),
        margins: runs
            .iter()
            .map(|r| kept.iter().map(|t| r.margin_near(&t.limit_id, t.frequency_hz)).collect())
            .collect(),
        detectors: kept.iter().map(|t| (t.wanted, t.used)).collect(),
    }
}

/// How much higher a detector reads that stands in for another (assumptions from common practice: switching converters and
/// clocks, pulses now and then); none where it is the detector itself or never reads higher.
pub fn stand_in(wanted: Detector, used: Detector) -> Option<StandIn> {
    let (mean_db, common_db, own_db) = match (used, wanted) {
        (Detector::Peak, Detector::QuasiPeak) => (3.0, 2.0, 1.5),
        (Detector::Peak, Detector::RmsAverage) => (7.0, 3.5, 2.0),
        (Detector::Peak, Detector::CisprAverage) => (9.0, 4.5, 2.5),
        (Detector::QuasiPeak, Detector::CisprAverage) => (6.0, 3.5, 2.0),
        (Detector::RmsAverage, Detector::CisprAverage) => (2.0, 1.2, 0.9),
        _ => return None,
    };
    Some(StandIn { mean_db, common_db, own_db })
}
