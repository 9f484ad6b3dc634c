//! Trials of a threshold: a level was tried, and the product failed or did not.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{Project, ProjectError};

/// One trial.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ThresholdTrial {
    /// The series it belongs to, as a person named it, e.g. `usb contact`; trials of one series are weighed together.
    pub series: String,
    /// Kind of test: `field`, `conducted`, `burst`, `discharge`, `surge`, `magnetic`, `dips`.
    pub test: String,
    /// Unit of the level, as in `level_kv`: `kv`, `v_per_m`, `v`, …
    pub unit: String,
    /// Level in that unit, without sign.
    pub level: f64,
    /// The product failed.
    pub failed: bool,
    /// Frequency, Hz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frequency_hz: Option<f64>,
    /// Port or point.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Negative pulse.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub negative: Option<bool>,
    /// What was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effect: Option<String>,
    /// `none`, or what modulated the carrier.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub modulation: Option<String>,
    /// Sample id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sample: Option<String>,
    /// Modification state id: before and after a change are compared by it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub state: Option<String>,
}

/// A trial is taken back; it stays in the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TrialWithdrawal {
    /// Entry of the ledger that holds the trial.
    pub entry: u64,
    /// Why.
    pub reason: String,
}

/// A trial as it stands in the ledger.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KeptTrial {
    /// Entry of the ledger.
    pub entry: u64,
    /// When it was written.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
    /// The trial.
    pub trial: ThresholdTrial,
    /// Why it no longer counts.
    pub withdrawn: Option<String>,
}

const TESTS: [&str; 7] = ["field", "conducted", "burst", "discharge", "surge", "magnetic", "dips"];

impl Project {
    /// Enters a trial; gives the entry of the ledger.
    ///
    /// # Errors
    /// A series without a name, a kind of test that is none, a level or frequency that is no number above zero.
    pub fn add_trial(&mut self, trial: ThresholdTrial) -> Result<u64, ProjectError> {
        if trial.series.trim().is_empty() {
            return Err(ProjectError::value("series", "found nothing", "a short name of what is tried"));
        }
        if !TESTS.contains(&trial.test.as_str()) {
            return Err(ProjectError::value(
                "test",
                trial.test.clone(),
                "field, conducted, burst, discharge, surge, magnetic or dips",
            ));
        }
        if trial.unit.trim().is_empty() {
            return Err(ProjectError::value("unit", "found nothing", "v_per_m, kv, v, …"));
        }
        if !trial.level.is_finite() {
            return Err(ProjectError::value("level", trial.level.to_string(), "a number"));
        }
        if let Some(f) = trial.frequency_hz.filter(|f| !(f.is_finite() && *f > 0.0)) {
            return Err(ProjectError::value("frequency", f.to_string(), "a number above 0, in Hz"));
        }
        self.append_trial(trial)
    }
}
