use jiff::{Timestamp, civil::Date};
use quantity::{Interpolation, Unit};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use standards::{Detector, Limit};

use crate::Capture;

/// One entry of the ledger as it stands there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Position in the ledger, from 1, without holes.
    pub id: u64,
    /// When it was written (UTC).
    pub at: Timestamp,
    /// Who wrote it.
    pub who: String,
    /// What happened.
    pub event: Event,
    /// blake3 (hex) over this entry and the hash of the one before it.
    pub hash: String,
}

/// Everything that can happen in a project. Nothing is ever changed or deleted: a correction is a new event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "payload", rename_all = "snake_case")]
pub enum Event {
    /// A sample of the product came into the campaign.
    SampleAdded(NewSample),
    /// The product was changed: a new modification state.
    StateAdded(NewState),
    /// What was changed in a modification state was said later, or anew: the last entry counts.
    StateChangesSaid(ChangesSaid),
    /// A piece of equipment came into use.
    EquipmentAdded(NewEquipment),
    /// A piece of equipment came back from calibration.
    EquipmentCalibrated(CalibratedEquipment),
    /// A raw file was taken into `captures/`.
    CaptureAdded(Capture),
    /// A damaged capture was replaced by the same content imported again.
    CaptureRestored(Capture),
    /// The text of a chain as it stood when a run used it.
    ChainKept(KeptChain),
    /// A test was performed.
    RunAdded(Box<RunRecord>),
    /// What came out of a run.
    RunResult(ResultRecord),
    /// A remark.
    Note(Note),
    /// A run no longer counts. It stays readable.
    RunWithdrawn(Withdrawal),
    /// An experiment was made to find what makes an emission.
    ExperimentDone(ExperimentRecord),
    /// A reading was taken by hand: with a probe at a place of the product, with a clamp on a cable.
    ReadingTaken(Box<crate::HandReading>),
    /// A reading taken by hand no longer counts. It stays readable.
    ReadingWithdrawn(crate::ReadingWithdrawal),
    /// The sheet of an immunity run as it stood when the run began.
    SheetKept(Box<crate::KeptSheet>),
    /// Something was logged during an immunity run.
    RunLogged(Box<crate::LogEntry>),
    /// A level was tried while looking for the threshold of the product.
    ThresholdTrial(Box<crate::ThresholdTrial>),
    /// A trial no longer counts. It stays readable.
    TrialWithdrawn(crate::TrialWithdrawal),
    /// An event of a kind this version does not know; kept and shown as it is.
    #[serde(untagged)]
    Other {
        /// The kind in the ledger.
        kind: String,
        /// Its payload.
        payload: Value,
    },
}

/// A sample of the product.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct NewSample {
    /// Short name, e.g. `S1`; given by the ledger when empty.
    pub id: String,
    /// Serial number or other marking.
    pub serial: Option<String>,
    /// What it is, e.g. `first prototype, no housing coating`.
    pub description: String,
}

/// A modification state of the product.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct NewState {
    /// Short name, e.g. `M1`; given by the ledger when empty.
    pub id: String,
    /// What was changed.
    pub description: String,
    /// The state it was made from.
    pub based_on: Option<String>,
    /// What was changed, by kind, so that it can be said which tests it puts in doubt.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<StateChange>,
}

/// One change of the product.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct StateChange {
    /// Kind by the short name that the rules on changes use, e.g. `filter`.
    pub kind: String,
    /// What was done.
    pub what: String,
    /// Ports it acts on; none: the product as a whole.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ports: Vec<String>,
}

/// What was changed in a modification state.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangesSaid {
    /// The state.
    pub state: String,
    /// All of its changes.
    pub changes: Vec<StateChange>,
}

/// A piece of measuring equipment.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct NewEquipment {
    /// Short name, e.g. `E1`; given by the ledger when empty.
    pub id: String,
    /// What it is, e.g. `Artificial network 50 µH`.
    pub name: String,
    /// Maker's type designation.
    pub model: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Date of the last calibration.
    pub calibrated: Option<Date>,
    /// Date until which that calibration holds.
    pub due: Option<Date>,
    /// Number of the certificate.
    pub certificate: Option<String>,
    /// It needs no calibration (a cable that is measured with the chain, a table); no date is then missed.
    pub needs_no_calibration: bool,
    /// Anything else.
    pub note: Option<String>,
}

/// A calibration of equipment already in the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CalibratedEquipment {
    /// The equipment's short name.
    pub equipment: String,
    /// Date of the calibration.
    pub calibrated: Date,
    /// Date until which it holds.
    pub due: Option<Date>,
    /// Number of the certificate.
    #[serde(default)]
    pub certificate: Option<String>,
}

/// The kind of test a run performs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RunKind {
    /// Disturbance voltage or current on a cable, 9 kHz to 30 MHz.
    ConductedEmission,
    /// Field strength.
    RadiatedEmission,
    /// Disturbance power on a cable, 30 MHz to 300 MHz.
    DisturbancePower,
    /// Harmonic currents.
    Harmonics,
    /// Voltage changes and flicker.
    Flicker,
    /// Electrostatic discharge.
    ElectrostaticDischarge,
    /// Radiated field immunity.
    RadiatedImmunity,
    /// Electrical fast transients.
    Burst,
    /// Surge.
    Surge,
    /// Conducted radio-frequency immunity.
    ConductedImmunity,
    /// Power-frequency magnetic field.
    MagneticField,
    /// Voltage dips and interruptions.
    Dips,
    /// Anything else, e.g. an ambient measurement or a look with a near-field probe.
    Other,
}

/// How a run uses a capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaptureUse {
    /// [`Capture::id`].
    pub capture: String,
    /// What it is in this run: `sweep`, `record`, `ambient`, `photo`, …
    pub role: String,
    /// How it is read: sweep choices, capture choices and receiver settings, as their rooms write them.
    #[serde(default)]
    pub choices: Value,
}

/// Polarisation of the receiving antenna.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Polarisation {
    /// Electric field along the ground.
    Horizontal,
    /// Electric field upright.
    Vertical,
}

impl Polarisation {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Horizontal => "horizontal",
            Self::Vertical => "vertical",
        }
    }
}

/// Where and under what circumstances a run was measured, as far as it matters when runs are laid over each other.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Place {
    /// Angle of the turntable, degrees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub azimuth_deg: Option<f64>,
    /// Height of the antenna above the ground, metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub height_m: Option<f64>,
    /// Polarisation of the antenna.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub polarisation: Option<Polarisation>,
    /// Distance between product and antenna, metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub distance_m: Option<f64>,
    /// The test laboratory, by name; none: measured on one's own bench or site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub laboratory: Option<String>,
    /// The product was switched off: what is seen is the surroundings.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub product_off: bool,
}

impl Place {
    /// True where nothing is said.
    pub fn is_unsaid(&self) -> bool {
        *self == Self::default()
    }

    /// What is said, in words: `azimuth 45°, antenna 1.5 m high, vertical, 3 m away, product off`.
    pub fn words(&self) -> String {
        let mut words = Vec::new();
        words.extend(self.azimuth_deg.map(|a| format!("azimuth {a}°")));
        words.extend(self.height_m.map(|h| format!("antenna {h} m high")));
        words.extend(self.polarisation.map(|p| p.name().to_owned()));
        words.extend(self.distance_m.map(|d| format!("{d} m away")));
        words.extend(self.laboratory.as_ref().map(|l| format!("at {l}")));
        if self.product_off {
            words.push("product off".to_owned());
        }
        words.join(", ")
    }
}

/// A run as the caller hands it in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NewRun {
    /// One line for people.
    pub title: String,
    /// Kind of test.
    pub kind: RunKind,
    /// Port id of `product.toml`; none for what belongs to no port (ambient).
    #[serde(default)]
    pub port: Option<String>,
    /// Sample id.
    #[serde(default)]
    pub sample: Option<String>,
    /// Modification state id.
    #[serde(default)]
    pub state: Option<String>,
    /// Operating mode of the product.
    #[serde(default)]
    pub mode: Option<String>,
    /// The set-up in words: heights, distances, cable lengths, terminations.
    #[serde(default)]
    pub setup: String,
    /// `L1`, `N`, a polarisation, …
    #[serde(default)]
    pub conductor: Option<String>,
    /// Angle, height, polarisation, distance, laboratory.
    #[serde(default, skip_serializing_if = "Place::is_unsaid")]
    pub place: Place,
    /// Limit ids to judge against.
    #[serde(default)]
    pub limits: Vec<String>,
    /// Name of the chain: the file's name in `chains/` without `.toml`.
    #[serde(default)]
    pub chain: Option<String>,
    /// Equipment ids.
    #[serde(default)]
    pub equipment: Vec<String>,
    /// The raw files.
    #[serde(default)]
    pub captures: Vec<CaptureUse>,
    /// Observations.
    #[serde(default)]
    pub notes: String,
    /// When it was measured; none means now.
    #[serde(default)]
    pub measured_at: Option<Timestamp>,
}

impl NewRun {
    /// An otherwise empty run of this title and kind.
    pub fn new(title: impl Into<String>, kind: RunKind) -> Self {
        Self {
            title: title.into(),
            kind,
            port: None,
            sample: None,
            state: None,
            mode: None,
            setup: String::new(),
            conductor: None,
            place: Place::default(),
            limits: Vec::new(),
            chain: None,
            equipment: Vec::new(),
            captures: Vec::new(),
            notes: String::new(),
            measured_at: None,
        }
    }
}

/// A run as it stands in the ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunRecord {
    /// `R001`, `R002`, …; never used twice.
    pub id: String,
    /// When it was measured (UTC).
    pub measured_at: Timestamp,
    /// The chain as it stood then.
    pub chain: Option<ChainUse>,
    /// One line for people.
    pub title: String,
    /// Kind of test.
    pub kind: RunKind,
    /// Port id of `product.toml`.
    #[serde(default)]
    pub port: Option<String>,
    /// Sample id.
    #[serde(default)]
    pub sample: Option<String>,
    /// Modification state id.
    #[serde(default)]
    pub state: Option<String>,
    /// Operating mode of the product.
    #[serde(default)]
    pub mode: Option<String>,
    /// The set-up in words.
    #[serde(default)]
    pub setup: String,
    /// `L1`, `N`, a polarisation, …
    #[serde(default)]
    pub conductor: Option<String>,
    /// Angle, height, polarisation, distance, laboratory.
    #[serde(default, skip_serializing_if = "Place::is_unsaid")]
    pub place: Place,
    /// Limit ids.
    #[serde(default)]
    pub limits: Vec<String>,
    /// Those limits as they stood then.
    #[serde(default)]
    pub pinned_limits: Vec<PinnedLimit>,
    /// Equipment ids.
    #[serde(default)]
    pub equipment: Vec<String>,
    /// The raw files.
    #[serde(default)]
    pub captures: Vec<CaptureUse>,
    /// Observations.
    #[serde(default)]
    pub notes: String,
}

/// What decides in a limit, as it stood when a run named it: a user's own file can be edited, and a newer version of the
/// tool can bring better data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PinnedLimit {
    /// The limit's id.
    pub id: String,
    /// Standard with edition.
    pub standard: String,
    /// The detector it is to be compared with.
    pub detector: Detector,
    /// Unit of the level.
    pub unit: Unit,
    /// Measuring distance in metres, where it is a field.
    pub distance_m: Option<f64>,
    /// Frequency in Hz and level in `unit`.
    pub points: Vec<(f64, f64)>,
    /// How it runs between the points.
    pub interpolation: Interpolation,
}

impl PinnedLimit {
    /// What decides in this limit.
    pub fn of(limit: &Limit) -> Self {
        Self {
            id: limit.id.clone(),
            standard: limit.standard.clone(),
            detector: limit.detector,
            unit: limit.unit,
            distance_m: limit.distance_m,
            points: limit.level.points().to_vec(),
            interpolation: limit.level.interpolation(),
        }
    }
}

/// Which chain a run used, pinned by content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChainUse {
    /// File name in `chains/` without `.toml`.
    pub name: String,
    /// blake3 (hex) of the chain file at that time.
    pub blake3: String,
    /// The tables the chain file names, each with its blake3 at that time (texts are in [`KeptChain`]).
    #[serde(default)]
    pub tables: Vec<ChainTable>,
}

/// A file that a chain names (a CSV table, network parameters).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChainTable {
    /// As the chain file names it, relative to `chains/`.
    pub file: String,
    /// blake3 (hex) of its content.
    pub blake3: String,
    /// Its text, in [`KeptChain`] only, where it is text and no longer than 4 MiB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}

/// The full text of a chain when a run used it, so that an old verdict can be worked again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptChain {
    /// File name in `chains/` without `.toml`.
    pub name: String,
    /// blake3 (hex) of the text.
    pub blake3: String,
    /// The whole chain file.
    pub text: String,
    /// The files it names.
    #[serde(default)]
    pub tables: Vec<ChainTable>,
}

/// The outcome of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResultRecord {
    /// The run.
    pub run: String,
    /// Verdict summary as the judging room writes it.
    pub summary: Value,
    /// Versions of tool and data that made it, e.g. `{"hushfield": "0.1.0", "limits": "…"}`.
    #[serde(default)]
    pub versions: Value,
}

/// A remark on a run or on the project.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// The run, if it is about one.
    #[serde(default)]
    pub run: Option<String>,
    /// The remark.
    pub text: String,
}

/// A run is taken back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Withdrawal {
    /// The run.
    pub run: String,
    /// Why.
    pub reason: String,
}

/// An experiment on one emission of a run, with what it showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExperimentRecord {
    /// The run in which the emission was seen.
    pub run: String,
    /// Frequency of the emission, Hz.
    pub frequency_hz: f64,
    /// What was done, in the short form of the case file, e.g. `unplug:sensors`.
    pub experiment: String,
    /// The emission changed: it fell clearly, or its frequency moved.
    pub changed: bool,
    /// What else was seen.
    #[serde(default)]
    pub remark: String,
}
