use jiff::{Timestamp, civil::Date};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::{NewEquipment, NewSample, NewState, RunRecord, Withdrawal};

/// A sample in the current state of the project.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// What is known of it.
    #[serde(flatten)]
    pub sample: NewSample,
    /// When it was entered; none if it stands in `product.toml` only.
    pub added_at: Option<Timestamp>,
}

/// A modification state in the current state of the project.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModificationState {
    /// What is known of it.
    #[serde(flatten)]
    pub state: NewState,
    /// When it was entered.
    pub added_at: Timestamp,
}

/// One calibration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Calibration {
    /// Date of the calibration, where known.
    pub calibrated: Option<Date>,
    /// Date until which it holds, where known.
    pub due: Option<Date>,
    /// Certificate number.
    pub certificate: Option<String>,
}

/// A piece of equipment with all its calibrations.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Equipment {
    /// What is known of it; the dates in here are those of the latest calibration.
    #[serde(flatten)]
    pub equipment: NewEquipment,
    /// Every calibration, oldest first.
    pub calibrations: Vec<Calibration>,
    /// When it was entered.
    pub added_at: Timestamp,
}

/// An outcome of a run, with when and by whom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunResult {
    /// Verdict summary as the judging room wrote it.
    pub summary: Value,
    /// Versions of tool and data.
    pub versions: Value,
    /// When it was recorded.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
}

/// A run with everything said about it since.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// The run as recorded.
    #[serde(flatten)]
    pub record: RunRecord,
    /// Entry number in the ledger.
    pub entry: u64,
    /// When it was recorded.
    pub added_at: Timestamp,
    /// By whom.
    pub added_by: String,
    /// Outcomes, oldest first; the last one counts.
    pub results: Vec<RunResult>,
    /// Later remarks with their time and author.
    pub remarks: Vec<(Timestamp, String, String)>,
    /// Set when the run no longer counts.
    pub withdrawn: Option<Withdrawal>,
}

impl Run {
    /// The run's id.
    pub fn id(&self) -> &str {
        &self.record.id
    }

    /// The outcome that counts: the last one recorded.
    pub fn result(&self) -> Option<&RunResult> {
        self.results.last()
    }
}
