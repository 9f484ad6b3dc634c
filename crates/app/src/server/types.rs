//! What goes over the wire between the server and the page. Field names carry their units; every type is in the
//! document `web/openapi.json`, from which the page's own types are made.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// What went wrong, where, and what was expected instead.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Problem {
    /// What was found.
    pub what: String,
    /// File, line or field.
    #[serde(rename = "where")]
    pub place: String,
    /// What was expected; empty where nothing useful can be said.
    pub expected: String,
}

/// Where one test or one port stands. Never told by colour alone: each has its own word and shape on the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum State {
    /// Nothing measured yet.
    Untested,
    /// The latest run passes.
    Pass,
    /// The latest run does not pass.
    Fail,
    /// The latest run settles nothing.
    Inconclusive,
}

/// One port of the product with the state of its tests.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Port {
    /// Identifier within the product.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// `enclosure`, `ac_mains`, `dc_power`, `signal_control`, `wired_network`, `functional_earth`, `cable` or `load`.
    pub kind: String,
    /// The cable, in words, where one is described.
    pub cable: Option<String>,
    /// Length of the cable, m.
    pub cable_length_m: Option<f64>,
    /// Where it stands.
    pub state: State,
    /// The same as a sentence.
    pub sentence: String,
    /// The runs at this port: those that decide, worst first; then those that were measured again since.
    pub runs: Vec<RunSummary>,
}

/// Something a reader must know before relying on the numbers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Finding {
    /// The run it concerns, where it concerns one.
    pub run_id: Option<String>,
    /// What is the matter.
    pub sentence: String,
}

/// The first screen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Overview {
    /// The product's name.
    pub product: String,
    /// What it is, in words.
    pub description: String,
    /// Further facts as name and value.
    pub facts: Vec<Fact>,
    /// Its ports.
    pub ports: Vec<Port>,
    /// Its operating modes.
    pub modes: Vec<String>,
    /// Its samples, by id.
    pub samples: Vec<String>,
    /// Its modification states, by id with what is different.
    pub states: Vec<Fact>,
    /// The measuring equipment in the ledger, by id with its name.
    pub equipment: Vec<Fact>,
    /// What a reader must know.
    pub findings: Vec<Finding>,
    /// Grows with everything that is added to the ledger.
    #[schema(value_type = f64)]
    pub revision: u64,
    /// Version of the tool.
    pub tool_version: String,
}

/// A named fact.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Fact {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: String,
}

/// A run in a list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct RunSummary {
    /// Identifier.
    pub id: String,
    /// A recording of the mains (harmonic currents, flicker) rather than levels against frequency.
    pub mains: bool,
    /// An immunity run that was logged step by step.
    #[serde(default)]
    pub logged: bool,
    /// What was tested.
    pub title: String,
    /// When, RFC 3339.
    pub when: String,
    /// The product's port.
    pub port: String,
    /// The raw file's name.
    pub file: String,
    /// Verdict.
    pub state: State,
    /// Verdict as a sentence.
    pub sentence: String,
    /// Chance of passing at the laboratory, 0 to 1.
    pub probability: Option<f64>,
    /// Smallest margin, dB.
    pub margin_db: Option<f64>,
    /// Where the smallest margin is, Hz.
    pub frequency_hz: Option<f64>,
    /// The product was switched off: a measurement of the surroundings.
    #[serde(default)]
    pub product_off: bool,
    /// What it is one of, where several runs are told as one: `Survey of 24 positions`.
    #[serde(default)]
    pub group: Option<String>,
    /// Why they are: `survey` or `off_and_on`.
    #[serde(default)]
    pub group_kind: Option<String>,
    /// The first run of that group.
    #[serde(default)]
    pub group_first: Option<String>,
}

/// One emission of interest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Suspect {
    /// 1 is the worst.
    pub rank: u32,
    /// Where, Hz.
    pub frequency_hz: f64,
    /// How high, in the trace's unit.
    pub level_db: f64,
    /// The detector that read it.
    pub detector: String,
    /// The limit it is closest to.
    pub limit_id: String,
    /// That limit there, in the trace's unit.
    pub limit_db: f64,
    /// Distance to it, dB; negative above the limit.
    pub margin_db: f64,
    /// False where this reading cannot decide against the limit.
    pub conclusive: bool,
    /// Anything to add.
    pub note: String,
}

/// A limit, ready to draw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Limit {
    /// Identifier.
    pub id: String,
    /// For people.
    pub title: String,
    /// Standard with edition.
    pub standard: String,
    /// Table or clause.
    pub table: String,
    /// Class, where the standard has classes.
    pub class: Option<String>,
    /// Kind of port.
    pub port: String,
    /// Detector's key.
    pub detector: String,
    /// Unit, as written.
    pub unit: String,
    /// Measuring distance, m.
    pub distance_m: Option<f64>,
    /// Where the numbers come from.
    pub source: String,
    /// `seen`, `memory` or `user`.
    pub known: String,
    /// Anything else.
    pub note: Option<String>,
    /// Corner points, rising in frequency; two at one frequency make a step. Straight between in log frequency.
    pub points: Vec<Point>,
}

/// A corner of a limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Point {
    /// Hz.
    pub frequency_hz: f64,
    /// In the limit's unit.
    pub level_db: f64,
}

/// How a run stands against one limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct LimitResult {
    /// Which.
    pub limit_id: String,
    /// The detector whose readings were compared.
    pub detector_used: String,
    /// False where those readings cannot decide.
    pub conclusive: bool,
    /// Smallest margin, dB.
    pub margin_db: Option<f64>,
    /// Where, Hz.
    pub frequency_hz: Option<f64>,
    /// In words.
    pub sentence: String,
}

/// What stood between the product and the instrument.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct ChainElement {
    /// Name.
    pub name: String,
    /// Kind.
    pub kind: String,
    /// The correction in words (constant, or its range).
    pub correction: String,
    /// Where the correction comes from.
    pub source: String,
    /// Calibrated on.
    pub calibrated: Option<String>,
    /// Due again.
    pub due: Option<String>,
    /// True where it was past its date at the run.
    pub overdue: bool,
}

/// A column of levels that can be fetched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct TraceColumn {
    /// The number to ask for it by.
    pub index: u32,
    /// Detector's key, where known.
    pub detector: Option<String>,
    /// Name for people.
    pub name: String,
    /// True where some of its levels are lower bounds because the record was too short.
    pub lower_bound: bool,
}

/// What can be said of a run's trace without its numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct TraceInfo {
    /// Unit, as written.
    pub unit: String,
    /// How many frequencies.
    pub points: u32,
    /// Lowest, Hz.
    pub from_hz: f64,
    /// Highest, Hz.
    pub to_hz: f64,
    /// Resolution bandwidth, Hz.
    pub bandwidth_hz: Option<f64>,
    /// The columns.
    pub columns: Vec<TraceColumn>,
    /// What was done to it, in words and in order.
    pub history: Vec<String>,
}

/// A stretch without level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Gap {
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
    /// Why.
    pub reason: String,
}

/// Everything of one run but the levels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Run {
    /// As in the list.
    pub summary: RunSummary,
    /// Against each limit.
    pub results: Vec<LimitResult>,
    /// The limits themselves.
    pub limits: Vec<Limit>,
    /// Emissions of interest, worst first.
    pub suspects: Vec<Suspect>,
    /// The trace.
    pub trace: TraceInfo,
    /// Name of the chain; empty where there was none.
    pub chain_name: String,
    /// What stood between.
    pub chain: Vec<ChainElement>,
    /// Where there is no level.
    pub gaps: Vec<Gap>,
    /// What a reader must know.
    pub findings: Vec<Finding>,
    /// Further remarks.
    pub notes: Vec<String>,
    /// The measurement uncertainty, in words.
    pub uncertainty: String,
    /// Sample, modification, mode, settings: as name and value.
    pub facts: Vec<Fact>,
    /// Content hash of the raw file.
    pub hash: String,
}

/// Which part of a trace is wanted.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct TraceQuery {
    /// Indices of the columns wanted, with commas between.
    pub columns: String,
    /// From, Hz.
    pub from_hz: Option<f64>,
    /// To, Hz.
    pub to_hz: Option<f64>,
    /// Width of the drawing: more points than twice this are thinned to the lowest and highest of each of that many
    /// equal steps in log frequency, so that no maximum is lost.
    pub pixels: Option<u32>,
}

/// The choices a person may make where a file can be read in several ways. What is not chosen is found from the file,
/// and never guessed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Choices {
    /// `sweep` or `capture`.
    pub kind: Option<String>,
    /// The answers by the name of the choice, as a person writes them: `level_unit` = `dBm`, `rate_hz` = `62.5e6`. The
    /// names are those of the command line's flags.
    pub answers: BTreeMap<String, String>,
}

/// A choice that must be made because the file can be read in more than one way.
#[allow(clippy::struct_field_names, reason = "the words of the wire: a question has a field it answers and a sentence")]
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Question {
    /// The name of the choice that answers it.
    pub field: String,
    /// Asked in words.
    pub question: String,
    /// The possible answers; empty where a number is wanted.
    pub answers: Vec<Answer>,
}

/// A possible answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Answer {
    /// What the choice is set to.
    pub value: String,
    /// What the file then says.
    pub reading: String,
}

/// What was understood of a dropped file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Understood {
    /// To speak of the file until it is measured or dropped.
    pub upload_id: String,
    /// Its name.
    pub name: String,
    /// Its size.
    #[schema(value_type = f64)]
    pub bytes: u64,
    /// `sweep` or `capture`.
    pub kind: String,
    /// What was understood, as name and value.
    pub facts: Vec<Fact>,
    /// What must be answered first.
    pub questions: Vec<Question>,
    /// What is wrong with it, where it cannot be read.
    pub problem: Option<Problem>,
    /// The choices this reading was made with.
    pub choices: Choices,
}

/// What to do with an uploaded file.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct MeasureRequest {
    /// Which file.
    pub upload_id: String,
    /// How to read it.
    #[serde(default)]
    pub choices: Choices,
    /// The product's port it was measured at.
    pub port: String,
    /// Title of the run; the tool writes one when empty.
    #[serde(default)]
    pub title: String,
    /// Conductor or position.
    #[serde(default)]
    pub conductor: String,
    /// Operating mode of the product.
    #[serde(default)]
    pub mode: String,
    /// Sample, by id.
    pub sample: Option<String>,
    /// Modification state, by id.
    pub state: Option<String>,
    /// Where, and under what circumstances.
    #[serde(default)]
    pub place: MeasuredPlace,
    /// Set-up in words.
    #[serde(default)]
    pub set_up: String,
    /// Equipment used, by id.
    #[serde(default)]
    pub equipment: Vec<String>,
    /// When it was measured, `YYYY-MM-DD` or RFC 3339; now where it is not said.
    pub measured_at: Option<String>,
    /// Limits to judge against.
    pub limits: Vec<String>,
    /// File of the chain within the project's `chains` folder; none when the levels are already corrected.
    pub chain: Option<String>,
    /// Receiver's band, for a capture.
    pub band: Option<String>,
    /// `rest` or `settled`, for a capture.
    pub start: Option<String>,
}

/// Where a file was measured. What is not said stays unsaid.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct MeasuredPlace {
    /// Angle of the turntable, degrees.
    pub azimuth_deg: Option<f64>,
    /// Height of the antenna above the ground, metres.
    pub height_m: Option<f64>,
    /// `horizontal` or `vertical`.
    pub polarisation: Option<String>,
    /// Between product and antenna, metres.
    pub distance_m: Option<f64>,
    /// The test laboratory, by name; none: one's own bench or site.
    pub laboratory: Option<String>,
    /// The product was switched off: what is seen is the surroundings.
    #[serde(default)]
    pub product_off: bool,
}

/// A chain that can be chosen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub(crate) struct ChainSummary {
    /// File name within the project's `chains` folder.
    pub file: String,
    /// Name.
    pub name: String,
    /// Its elements in order.
    pub elements: Vec<String>,
    /// Why it cannot be used, where it cannot.
    pub problem: Option<Problem>,
}

/// A job that was started.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Job {
    /// Identifier.
    pub job_id: String,
}

/// How a job goes on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "state", rename_all = "snake_case")]
pub(crate) enum JobEvent {
    /// Working.
    Working {
        /// Share done, 0 to 1; none while it is not known.
        fraction: Option<f64>,
        /// Time left, s; none while it is not known.
        left_s: Option<f64>,
        /// What is being done.
        stage: String,
    },
    /// It came to its end.
    Done {
        /// The new run, which is in the ledger; empty where the work makes none.
        run_id: String,
    },
    /// Stopped on request; nothing was written.
    Cancelled,
    /// Did not work; nothing was written.
    Failed {
        /// Why.
        problem: Problem,
    },
}

/// The ledger has grown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub(crate) struct Changed {
    /// The new revision.
    #[schema(value_type = f64)]
    pub revision: u64,
}
