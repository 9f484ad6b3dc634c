use quantity::Unit;
use serde::{Deserialize, Serialize};
use standards::{Detector, Known};

/// Everything a report says: plain data, filled by whoever knows the project. Text is shown as it stands, never
/// interpreted. A missing fact stays empty or none, and the report then says that it was not recorded.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Evidence {
    /// What the report is about and who makes it.
    pub project: ProjectEvidence,
    /// Date (and time) that the report bears, e.g. `2026-11-25 10:20` or `2026-11-25T10:20:30+01:00`. Part of the input,
    /// so that the same input gives the same bytes.
    pub generated_at: String,
    /// Version of the program.
    pub tool_version: String,
    /// Version (or hash) of the limit data.
    pub data_version: String,
    /// The samples that were measured.
    pub samples: Vec<SampleEvidence>,
    /// The modification states in which they were measured, oldest first.
    pub states: Vec<StateEvidence>,
    /// Set-up common to all runs, in sentences; paragraphs are separated by an empty line.
    pub set_up: String,
    /// Further cautions, a sentence or two each. Those of the kind of measurement are added by the report itself.
    pub cautions: Vec<String>,
    /// The runs, in the order in which they are to be read.
    pub runs: Vec<RunEvidence>,
    /// Recordings of the mains: harmonic currents, flicker.
    pub mains: Vec<crate::mains::MainsEvidence>,
    /// What several runs say together.
    pub sections: Vec<crate::section::SectionEvidence>,
    /// What stands against the evidence as a whole (equipment past its date, changed files), one sentence each.
    pub findings: Vec<Finding>,
    /// What was not measured and is not covered, one sentence each.
    pub not_measured: Vec<String>,
}

/// The product and the project.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct ProjectEvidence {
    /// Title of the project.
    pub title: String,
    /// Who makes the product.
    pub maker: String,
    /// Name of the product.
    pub product: String,
    /// Model or type designation.
    pub model: String,
    /// What it is, in a sentence or more.
    pub description: String,
    /// Further facts in pairs (supply, rated power, highest internal frequency, markets).
    pub facts: Vec<Fact>,
}

/// A name and what stands against it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Fact {
    /// What it is.
    pub name: String,
    /// Its value with unit.
    pub value: String,
}

/// One sample of the product.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct SampleEvidence {
    /// Name used by the runs.
    pub id: String,
    /// Serial number.
    pub serial: String,
    /// Anything else (prototype, series, received when).
    pub description: String,
}

/// One modification state.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct StateEvidence {
    /// Name used by the runs.
    pub id: String,
    /// What was changed from the state before.
    pub description: String,
    /// Since when.
    pub date: String,
}

/// How heavy a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// Worth knowing.
    #[default]
    Note,
    /// Weakens what is said.
    Warning,
    /// What is said does not stand until it is mended.
    Serious,
}

/// Something found about the evidence itself.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Finding {
    /// How heavy it is.
    pub weight: Weight,
    /// The sentence.
    pub text: String,
}

/// One run: one performance of one test.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct RunEvidence {
    /// Number or name of the run.
    pub id: String,
    /// Title.
    pub title: String,
    /// Kind of test, in words ("conducted emission, mains port").
    pub kind: String,
    /// When it was measured.
    pub date: String,
    /// Who measured.
    pub operator: String,
    /// Sample ([`SampleEvidence::id`]).
    pub sample: String,
    /// Modification state ([`StateEvidence::id`]).
    pub state: String,
    /// Operating mode.
    pub mode: String,
    /// Port of the product, in words.
    pub port: String,
    /// True where the port is a mains supply: the report then prints the cautions of the artificial network.
    pub mains: bool,
    /// Conductor (L1, N, …).
    pub conductor: String,
    /// Set-up of this run, in sentences.
    pub set_up: String,
    /// What stood between the product and the instrument, product first.
    pub chain: Vec<ChainEvidence>,
    /// Instruments that are not part of the chain, or all of them.
    pub equipment: Vec<EquipmentEvidence>,
    /// The files as they came.
    pub files: Vec<FileEvidence>,
    /// How the levels were made: receiver settings, window, start, or where a sweep came from; one sentence each.
    pub receiver: Vec<String>,
    /// The levels.
    pub trace: TraceEvidence,
    /// The limits they were compared with.
    pub limits: Vec<LimitEvidence>,
    /// Suspects, worst first.
    pub suspects: Vec<SuspectEvidence>,
    /// The verdict, where one was given.
    pub verdict: Option<VerdictEvidence>,
    /// Ranges without a level, one sentence each, naming the element at fault.
    pub gaps: Vec<String>,
    /// Where levels are lower bounds only, one sentence each.
    pub lower_bounds: Vec<String>,
    /// What else was seen, one sentence each.
    pub findings: Vec<Finding>,
}

/// One element of the chain.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct ChainEvidence {
    /// Name.
    pub name: String,
    /// What it is ("artificial network", "pulse limiter").
    pub kind: String,
    /// The correction in short ("+10.0 dB", "0.1 to 0.4 dB, 10 kHz to 30 MHz").
    pub correction: String,
    /// Date of the last calibration.
    pub calibrated: Option<String>,
    /// Date of the next.
    pub due: Option<String>,
    /// True where it was past its date on the day of the run.
    pub overdue: bool,
    /// Where the correction comes from.
    pub source: String,
}

/// One instrument.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct EquipmentEvidence {
    /// Name.
    pub name: String,
    /// Serial or inventory number.
    pub serial: String,
    /// Date of the last calibration.
    pub calibrated: Option<String>,
    /// Date of the next.
    pub due: Option<String>,
    /// True where it was past its date on the day of the run.
    pub overdue: bool,
}

/// One file as it came.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct FileEvidence {
    /// Name it came under.
    pub name: String,
    /// Hash of its bytes, hexadecimal.
    pub blake3: String,
    /// Length, bytes.
    pub bytes: u64,
    /// True where the stored bytes no longer match the hash.
    pub changed: bool,
}

/// Levels against frequency.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct TraceEvidence {
    /// Rising frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Unit of all levels; none: decibels of a unit that is not known.
    pub unit: Option<Unit>,
    /// One column a detector.
    pub columns: Vec<ColumnEvidence>,
    /// Resolution bandwidth (−6 dB), Hz.
    pub bandwidth_hz: Option<f64>,
}

/// The levels of one detector.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct ColumnEvidence {
    /// Detector, where known: it decides the line's colour and dash.
    pub detector: Option<Detector>,
    /// Name for the legend; empty: the detector's own.
    pub name: String,
    /// Levels in [`TraceEvidence::unit`], as long as the frequencies; NaN (JSON: null) where there is none.
    #[serde(with = "nan_as_null")]
    pub level_db: Vec<f64>,
}

/// One limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LimitEvidence {
    /// Id in the limit library.
    pub id: String,
    /// What it is about.
    pub title: String,
    /// Standard with edition.
    pub standard: String,
    /// Table or clause.
    pub table: String,
    /// Where the figures come from.
    pub source: String,
    /// How they are known.
    pub known: Known,
    /// Detector it is compared with.
    pub detector: Detector,
    /// Points (Hz, dB in the trace's unit), straight lines between them on log frequency; two points at one frequency
    /// are a step.
    pub points: Vec<(f64, f64)>,
    /// Smallest margin found, dB, and where, Hz.
    #[serde(default)]
    pub worst: Option<WorstEvidence>,
    /// False where the reading cannot settle this limit (a peak reading above a quasi-peak limit).
    #[serde(default = "yes")]
    pub conclusive: bool,
    /// Detector of the reading that was compared, where it differs from [`LimitEvidence::detector`].
    #[serde(default)]
    pub compared_with: Option<Detector>,
}

/// The smallest margin to a limit.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct WorstEvidence {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// Limit minus level, dB.
    pub margin_db: f64,
}

/// One suspect emission.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SuspectEvidence {
    /// Where it is highest, Hz.
    pub frequency_hz: f64,
    /// Its level, in the trace's unit.
    pub level_db: f64,
    /// Detector of the level.
    pub detector: Option<Detector>,
    /// The limit there.
    pub limit_db: f64,
    /// Id of that limit.
    pub limit_id: String,
    /// Limit minus level, dB.
    pub margin_db: f64,
    /// False where the level is a lower bound or the detector does not settle the limit.
    #[serde(default = "yes")]
    pub conclusive: bool,
    /// Probability that the true level is within the limit, 0 to 1.
    #[serde(default)]
    pub probability: Option<f64>,
    /// Anything known of it (a comb, a named clock).
    #[serde(default)]
    pub note: String,
}

/// A verdict's badge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// Within all limits.
    Pass,
    /// Above at least one.
    Fail,
    /// Not settled by what was measured.
    Inconclusive,
}

/// The verdict of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VerdictEvidence {
    /// The badge.
    pub decision: Decision,
    /// The sentence, which comes first.
    pub sentence: String,
    /// Probability of meeting the limits when measured again by the laboratory, 0 to 1.
    #[serde(default)]
    pub probability: Option<f64>,
    /// Uncertainty and decision rule in words, one sentence each.
    #[serde(default)]
    pub uncertainty: Vec<String>,
    /// Expanded uncertainty (k = 2), dB: drawn as a bar on the margin.
    #[serde(default)]
    pub expanded_uncertainty_db: Option<f64>,
}

fn yes() -> bool {
    true
}

/// JSON has no NaN: a gap is written as null.
mod nan_as_null {
    use serde::{Deserialize, Deserializer, Serializer};

    pub(super) fn serialize<S: Serializer>(levels: &[f64], serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(levels.iter().map(|v| v.is_finite().then_some(*v)))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<f64>, D::Error> {
        let levels = Vec::<Option<f64>>::deserialize(deserializer)?;
        Ok(levels.into_iter().map(|v| v.unwrap_or(f64::NAN)).collect())
    }
}

impl LimitEvidence {
    /// The points as a table to look levels up in (the lower limit holds at a step).
    pub fn level_table(&self) -> Result<quantity::LogTable, quantity::TableError> {
        quantity::LogTable::new(self.points.clone(), quantity::Interpolation::LogFrequency, quantity::AtStep::Lower)
    }
}
