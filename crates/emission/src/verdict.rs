use quantity::{MixError, Unit};
use serde::{Deserialize, Serialize};
use standards::{Budget, Detector, MeasurementKind};

use crate::TraceError;
use crate::nan_as_null;

/// How to judge.
#[derive(Debug, Clone, PartialEq)]
pub struct JudgeOptions {
    /// Expanded uncertainty (k = 2) of the set-up that measured the trace, dB. None: the published U_cispr of the kind
    /// is taken, and the verdict says so.
    pub uncertainty_db: Option<f64>,
    /// The budget of that set-up instead of one figure: its uncertainty against frequency, and which part of it emissions
    /// have in common. It goes before `uncertainty_db` and `common_share`, and its kind before the limit's usual one.
    pub budget: Option<Budget>,
    /// Guarded acceptance (JCGM 106): readings are accepted so far below the limit that one accepted there exceeds it with at
    /// most this probability (above 0, at most 0.5). It takes the place of the addition of CISPR 16-4-2. None: simple
    /// acceptance with that addition.
    pub guard_risk: Option<f64>,
    /// U_cispr (k = 2) in dB instead of the published one.
    pub u_cispr_db: Option<f64>,
    /// The kind of measurement, for its published U_cispr. None: from the limit's port, unit and range.
    pub kind: Option<MeasurementKind>,
    /// Share (0 to 1) of the variance that is common to all emissions of one trace, such as the receiver's own
    /// deviation; the rest is independent from emission to emission. Without a budget only.
    pub common_share: f64,
    /// The detector of a column whose source does not say it.
    pub assume_detector: Option<Detector>,
    /// A pass stays a pass where part of the limit's range was never measured.
    pub allow_partial: bool,
    /// Judge only between these frequencies, Hz.
    pub range_hz: Option<(f64, f64)>,
    /// How far (dB) the level has to fall between two emissions for them to count as two.
    pub valley_db: f64,
    /// Suspects are listed down to this margin, dB; the worst is always listed.
    pub within_db: f64,
    /// At most so many suspects.
    pub max_suspects: usize,
}

impl Default for JudgeOptions {
    fn default() -> Self {
        Self {
            uncertainty_db: None,
            budget: None,
            guard_risk: None,
            u_cispr_db: None,
            kind: None,
            common_share: 0.5,
            assume_detector: None,
            allow_partial: false,
            range_hz: None,
            valley_db: 6.0,
            within_db: 20.0,
            max_suspects: 50,
        }
    }
}

/// What a trace says about its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// Every limit is met, by readings that settle it.
    Pass,
    /// At least one limit is exceeded, by a reading that settles it.
    Fail,
    /// Neither: something is still to be measured.
    Inconclusive,
}

/// How the probability is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ProbabilityBound {
    /// From readings of the limits' own detectors over the whole range.
    Estimate,
    /// At least this: a higher detector stands in for the limit's own.
    AtLeast,
    /// At most this: levels are lower bounds, or part of the range was never measured.
    AtMost,
    /// Both kinds of doubt meet: an estimate from what there is.
    Rough,
}

/// The judgement of a trace against limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Pass, fail, or not yet decided.
    pub decision: Decision,
    /// Probability (0 to 1) that the true levels meet every limit.
    pub probability: f64,
    /// How the probability is to be read.
    pub probability_bound: ProbabilityBound,
    /// The verdict in words.
    pub sentence: String,
    /// Smallest margin over all limits, dB; NaN (JSON null) where there is none.
    #[serde(with = "nan_as_null::one")]
    pub worst_margin_db: f64,
    /// Where it is, Hz.
    #[serde(with = "nan_as_null::one")]
    pub worst_frequency_hz: f64,
    /// The limit it belongs to.
    pub worst_limit_id: Option<String>,
    /// One entry a limit, in the order asked for.
    pub limits: Vec<LimitResult>,
    /// One entry an emission, smallest margin first.
    pub suspects: Vec<Suspect>,
    /// The uncertainty that was reckoned with.
    pub uncertainty: UncertaintyUsed,
    /// Parts of the limits' ranges without a reading.
    pub not_measured: Vec<NotMeasured>,
    /// Readings at or below zero margin that do not settle it, and what would.
    pub still_to_measure: Vec<StillToMeasure>,
    /// What else the reader should know: assumptions, warnings.
    pub notes: Vec<String>,
}

/// One limit against the trace.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitResult {
    /// The limit.
    pub limit_id: String,
    /// The detector the limit asks for.
    pub detector: Detector,
    /// The detectors whose readings were used, the limit's own first.
    pub detector_used: Vec<Detector>,
    /// Unit of limit and levels.
    pub unit: Unit,
    /// What the readings say.
    pub decision: Decision,
    /// True where the readings settle the matter.
    pub conclusive: bool,
    /// Limit minus level (minus the addition of [`UncertaintyUsed::addition_db`]) at each frequency of the trace,
    /// dB; NaN (JSON null) outside the limit and in gaps.
    #[serde(with = "nan_as_null::list")]
    pub margin_db: Vec<f64>,
    /// Smallest margin, dB; NaN (JSON null) where there is none.
    #[serde(with = "nan_as_null::one")]
    pub worst_margin_db: f64,
    /// Where it is, Hz.
    #[serde(with = "nan_as_null::one")]
    pub worst_frequency_hz: f64,
    /// Frequencies judged.
    pub points: usize,
    /// Frequencies where the limit is exceeded by a reading that settles it.
    pub points_over: usize,
    /// Frequencies where the readings do not settle it.
    pub points_open: usize,
}

/// One emission.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Suspect {
    /// Where its margin is smallest, Hz.
    pub frequency_hz: f64,
    /// First frequency of the emission, Hz: where it has fallen by the valley or the next one begins.
    pub from_hz: f64,
    /// Last frequency of the emission, Hz.
    pub to_hz: f64,
    /// True where it is wider than a few receiver bandwidths.
    pub broadband: bool,
    /// Smallest margin over the limits, dB.
    pub margin_db: f64,
    /// Probability (0 to 1) that it exceeds a limit.
    pub probability_over: f64,
    /// Level of each detector there.
    pub levels: Vec<SuspectLevel>,
    /// Each limit there, smallest margin first.
    pub limits: Vec<SuspectLimit>,
    /// What the readings say of it.
    pub decision: Decision,
    /// In words: which reading settles which limit, or what is to be measured.
    pub remark: Option<String>,
}

/// The reading of one detector at a suspect.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SuspectLevel {
    /// The detector.
    pub detector: Detector,
    /// The level in `unit`.
    pub level_db: f64,
    /// Unit of the level.
    pub unit: Unit,
    /// True where the record was too short for the detector to settle.
    pub lower_bound: bool,
    /// True where the level stands less than 6 dB above the record's own noise floor: the emission is at most this.
    #[serde(default)]
    pub not_resolved: bool,
}

/// One limit at a suspect.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SuspectLimit {
    /// The limit.
    pub limit_id: String,
    /// The limit's level there, in `unit`.
    pub limit_db: f64,
    /// Unit of the limit.
    pub unit: Unit,
    /// The detector whose reading gives the margin.
    pub detector_used: Detector,
    /// Limit minus level (minus the addition), dB.
    pub margin_db: f64,
    /// What the readings say.
    pub decision: Decision,
}

/// The uncertainty a verdict reckons with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UncertaintyUsed {
    /// Kind of measurement, where one is known.
    pub kind: Option<MeasurementKind>,
    /// Expanded uncertainty (k = 2) of the levels, dB.
    pub expanded_db: f64,
    /// True where it was not said and the published figure was taken.
    pub assumed: bool,
    /// U_cispr (k = 2), dB, where there is one.
    pub u_cispr_db: Option<f64>,
    /// Decibels added to every level before it is compared: what the set-up's uncertainty is larger than U_cispr; with
    /// guarded acceptance its guard band.
    pub addition_db: f64,
    /// The risk of guarded acceptance, where it was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub guard_risk: Option<f64>,
    /// Share of the variance common to all emissions.
    pub common_share: f64,
    /// The budget it comes from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub budget: Option<String>,
    /// In words: source and rule.
    pub statement: String,
}

/// A part of a limit's range without a reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NotMeasured {
    /// The limit.
    pub limit_id: String,
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
}

/// A range of frequencies where the readings do not settle a limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StillToMeasure {
    /// The limit.
    pub limit_id: String,
    /// The detector that would settle it.
    pub detector: Detector,
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
    /// Why, in words.
    pub reason: String,
}

/// Why a trace cannot be judged.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum JudgeError {
    /// No limit was named.
    #[error("no limit was named: expected at least one")]
    NoLimit,
    /// The trace itself is at fault.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// The levels have no unit.
    #[error("the trace has no unit, and limit `{limit_id}` is in {expected}: say which unit the levels have")]
    NoUnit {
        /// The limit.
        limit_id: String,
        /// Its unit.
        expected: Unit,
    },
    /// The units of trace and limit do not go together.
    #[error("limit `{limit_id}`: {source}")]
    Mix {
        /// The limit.
        limit_id: String,
        /// What is missing.
        source: MixError,
    },
    /// A column does not say its detector.
    #[error(
        "column `{column}` does not say its detector: expected a choice of peak, quasi_peak, cispr_average or rms_average"
    )]
    UnknownDetector {
        /// Name of the column.
        column: String,
    },
    /// No column says anything about a limit.
    #[error(
        "limit `{limit_id}` asks for {detector}; the trace has {found}: expected {detector}, or a detector that reads at least as high"
    )]
    NoDetector {
        /// The limit.
        limit_id: String,
        /// What it asks for.
        detector: Detector,
        /// What there is.
        found: String,
    },
    /// Trace and limit have no frequency in common.
    #[error(
        "limit `{limit_id}` runs from {from_hz} Hz to {to_hz} Hz; the trace has no level there (it runs from {trace_from_hz} Hz to {trace_to_hz} Hz)"
    )]
    NoOverlap {
        /// The limit.
        limit_id: String,
        /// The limit's first frequency.
        from_hz: f64,
        /// The limit's last frequency.
        to_hz: f64,
        /// The trace's first frequency.
        trace_from_hz: f64,
        /// The trace's last frequency.
        trace_to_hz: f64,
    },
    /// Nothing is published and nothing was said about the uncertainty.
    #[error(
        "limit `{limit_id}`: no uncertainty is published for this kind of measurement: expected uncertainty_db, the expanded uncertainty (k = 2) of the set-up"
    )]
    NoUncertainty {
        /// The limit.
        limit_id: String,
    },
    /// The set-up's budget does not reach a frequency that was measured.
    #[error(
        "limit `{limit_id}`: budget `{budget}` says nothing at {frequency_hz} Hz: expected its tables to reach over the measured range"
    )]
    OutsideBudget {
        /// The limit.
        limit_id: String,
        /// The budget.
        budget: String,
        /// Where.
        frequency_hz: f64,
    },
    /// An option is out of its range.
    #[error("option {field}: {value}; expected {expected}")]
    Option {
        /// Its name.
        field: &'static str,
        /// As given.
        value: f64,
        /// What was expected.
        expected: &'static str,
    },
}
