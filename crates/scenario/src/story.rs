use serde::Serialize;

use crate::{chain, product, radiated};

/// Which conductor of the mains port was measured against earth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Conductor {
    /// The line conductor.
    Line,
    /// The neutral conductor.
    Neutral,
}

impl Conductor {
    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Neutral => "neutral",
        }
    }
}

/// What a synthesis imitates: the state of the product, the conductor, and the seed of everything random.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Kind {
    /// False: as built (state A). True: larger X capacitor and slower edges (state B).
    pub modified: bool,
    /// The conductor measured.
    pub conductor: Conductor,
    /// Seed of noise, relay bursts and phases. The same seed gives the same samples; between machines whose sine differs
    /// in its last bit, a count may now and then round the other way.
    pub seed: u64,
}

/// An instrument of the demonstration, with its calibration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Equipment {
    /// Short name used to refer to it.
    pub id: &'static str,
    /// What it is, in trade terms.
    pub name: &'static str,
    /// Invented serial number.
    pub serial: &'static str,
    /// Day of the last calibration, `YYYY-MM-DD`.
    pub calibrated: &'static str,
    /// Day until which it is valid, `YYYY-MM-DD`.
    pub due: &'static str,
    /// Anything a reader should know.
    pub note: &'static str,
}

/// A sample of the product.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sample {
    /// Short name used to refer to it.
    pub id: &'static str,
    /// Invented serial number.
    pub serial: &'static str,
    /// Where it comes from and how it is built.
    pub note: &'static str,
}

/// A modification state of a sample.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct State {
    /// Short name used to refer to it.
    pub id: &'static str,
    /// The sample that carries it.
    pub sample: &'static str,
    /// For people.
    pub title: &'static str,
    /// What was changed against the state before.
    pub changes: &'static str,
    /// The same, change by change.
    pub each: &'static [ChangeSpec],
    /// Day of the change, `YYYY-MM-DD`.
    pub date: &'static str,
}

/// One change of the product.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ChangeSpec {
    /// Its kind by the short name of the rules on changes.
    pub kind: &'static str,
    /// What was done.
    pub what: &'static str,
    /// Ports it acts on; none: the product as a whole.
    pub ports: &'static [&'static str],
}

/// A capture to be synthesised and kept.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CaptureSpec {
    /// File name for the caller's writer, with the ending of its format (`.npy`).
    pub file_name: &'static str,
    /// For people.
    pub title: &'static str,
    /// Id of a [`State`].
    pub state: &'static str,
    /// Id of a [`Sample`].
    pub sample: &'static str,
    /// Day of the measurement, `YYYY-MM-DD`.
    pub performed: &'static str,
    /// Operating mode of the product.
    pub mode: &'static str,
    /// The conductor measured.
    pub conductor: Conductor,
    /// Length of the record, s.
    pub seconds: f64,
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Volts at the receiver input of one count.
    pub volts_per_unit: f64,
    /// Channels in the record.
    pub channels: usize,
    /// Receiver band.
    pub band: &'static str,
    /// Ids of the limits to judge against.
    pub limits: &'static [&'static str],
    /// File name of the chain, one of [`Story::chains`].
    pub chain: &'static str,
    /// Ids of the [`Equipment`] used.
    pub equipment: &'static [&'static str],
    /// What is imitated.
    pub kind: Kind,
}

impl CaptureSpec {
    /// Frames in the record.
    pub fn frames(&self) -> u64 {
        (self.seconds * self.rate_hz).round() as u64
    }
}

/// A sweep of a swept analyser, as the text it saved.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepSpec {
    /// File name for the caller, with its ending.
    pub file_name: &'static str,
    /// The file itself.
    pub text: String,
    /// For people.
    pub title: &'static str,
    /// Id of a [`State`].
    pub state: &'static str,
    /// Id of a [`Sample`].
    pub sample: &'static str,
    /// Day of the measurement, `YYYY-MM-DD`.
    pub performed: &'static str,
    /// Operating mode of the product.
    pub mode: &'static str,
    /// Resolution bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// Detector, by its key (`peak`).
    pub detector: &'static str,
    /// Ids of the limits to judge against.
    pub limits: &'static [&'static str],
    /// File name of the chain, one of [`Story::chains`].
    pub chain: &'static str,
    /// Ids of the [`Equipment`] used.
    pub equipment: &'static [&'static str],
}

/// Everything the demonstration project is made of.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Story {
    /// The commented `product.toml`.
    pub product_toml: &'static str,
    /// The mains filter as the schematic has it, for the folder `filters`.
    pub filter_toml: &'static str,
    /// Files of the `chains` folder: `(file name, text)`, chains (`.toml`) and the tables they name (`.csv`, `.s2p`).
    pub chains: Vec<(&'static str, String)>,
    /// Equipment with calibration dates.
    pub equipment: Vec<Equipment>,
    /// Samples.
    pub samples: Vec<Sample>,
    /// Modification states, oldest first.
    pub states: Vec<State>,
    /// Captures, in the order they were made.
    pub captures: Vec<CaptureSpec>,
    /// Sweeps, in the order they were made.
    pub sweeps: Vec<SweepSpec>,
}

/// The commented `product.toml` of the invented product.
pub fn product_toml() -> &'static str {
    product::PRODUCT_TOML
}

/// File name of the chain of the mains-port measurement.
const MAINS_CHAIN: &str = "mains-port.toml";
/// File name of the chain of the field measurement.
const FIELD_CHAIN: &str = "field-3m.toml";
/// The operating mode of every measurement: the first of the product file.
const MODE: &str = "all actuators moving, relay cycling, sensors read ten times a second";
/// Mains-port limits the product is judged against.
const MAINS_LIMITS: &[&str] = &["cispr32-b-mains-qp", "cispr32-b-mains-av"];
const MAINS_EQUIPMENT: &[&str] = &["network", "limiter", "cable-2m", "digitiser"];
const FIELD_EQUIPMENT: &[&str] = &["antenna", "preamplifier", "cable-10m", "analyser"];

/// The whole demonstration.
pub fn story() -> Story {
    let capture = |file_name, title, state, performed, modified, conductor, seed| CaptureSpec {
        file_name,
        title,
        state,
        sample: "S1",
        performed,
        mode: MODE,
        conductor,
        seconds: 0.3,
        rate_hz: 62.5e6,
        volts_per_unit: crate::VOLTS_PER_UNIT,
        channels: 1,
        band: "B",
        limits: MAINS_LIMITS,
        chain: MAINS_CHAIN,
        equipment: MAINS_EQUIPMENT,
        kind: Kind { modified, conductor, seed },
    };
    Story {
        product_toml: product::PRODUCT_TOML,
        filter_toml: include_str!("mains-filter.toml"),
        chains: chain::files(MAINS_CHAIN, FIELD_CHAIN),
        equipment: product::equipment(),
        samples: product::samples(),
        states: product::states(),
        captures: vec![
            capture("a-line.npy", "Mains port, line, as built", "A", "2026-03-10", false, Conductor::Line, 1),
            capture("a-neutral.npy", "Mains port, neutral, as built", "A", "2026-03-10", false, Conductor::Neutral, 2),
            capture("b-line.npy", "Mains port, line, modified", "B", "2026-03-17", true, Conductor::Line, 3),
        ],
        sweeps: vec![SweepSpec {
            file_name: "b-field-vertical.csv",
            text: radiated::sweep_text(),
            title: "Field at 3 m, vertical, modified, peak sweep",
            state: "B",
            sample: "S1",
            performed: "2026-03-17",
            mode: MODE,
            bandwidth_hz: 120e3,
            detector: "peak",
            limits: &["cispr32-b-field-3m"],
            chain: FIELD_CHAIN,
            equipment: FIELD_EQUIPMENT,
        }],
    }
}
