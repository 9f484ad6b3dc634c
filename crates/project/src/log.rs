//! The log of an immunity run: the sheet it follows, and what people enter at the bench, one event each.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::Criteria;

/// Performance criterion: how the product behaved. Ordered from best to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Criterion {
    /// Works as intended during and after the stimulus.
    A,
    /// Falters during the stimulus and recovers by itself; nothing is lost.
    B,
    /// Stops or changes; an operator or a restart brings it back.
    C,
    /// Damage or loss: it does not come back, or data or parts are lost.
    D,
}

impl Criterion {
    /// All, best first.
    pub const ALL: [Self; 4] = [Self::A, Self::B, Self::C, Self::D];

    /// The letter.
    pub const fn letter(self) -> char {
        match self {
            Self::A => 'A',
            Self::B => 'B',
            Self::C => 'C',
            Self::D => 'D',
        }
    }

    /// What the letter means where the product's own words do not say more.
    pub const fn words(self) -> &'static str {
        match self {
            Self::A => "works as intended during and after the stimulus",
            Self::B => "falters during the stimulus and recovers by itself; nothing is lost",
            Self::C => "stops or changes; an operator or a restart brings it back",
            Self::D => "damage or loss: it does not come back, or data or parts are lost",
        }
    }

    /// The first letter of a text such as `B` or `B for 0.5 periods`.
    pub fn of(text: &str) -> Option<Self> {
        let text = text.trim();
        let alone = text.chars().nth(1).is_none_or(|c| !c.is_alphanumeric());
        let first = text.chars().next().filter(|_| alone)?.to_ascii_uppercase();
        Self::ALL.into_iter().find(|c| c.letter() == first)
    }
}

/// Climate at the bench. What was not read stays unsaid.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Climate {
    /// Temperature, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Relative humidity, %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub humidity_percent: Option<f64>,
    /// Air pressure, kPa.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pressure_kpa: Option<f64>,
}

impl Climate {
    /// What was read, in words: `23 °C, 45 % relative humidity, 101.3 kPa`; empty for nothing.
    pub fn words(&self) -> String {
        let mut words = Vec::new();
        words.extend(self.temperature_c.map(|t| format!("{t} °C")));
        words.extend(self.humidity_percent.map(|h| format!("{h} % relative humidity")));
        words.extend(self.pressure_kpa.map(|p| format!("{p} kPa")));
        words.join(", ")
    }

    /// The later readings where they say something, these otherwise.
    #[must_use]
    pub fn then(self, later: Self) -> Self {
        Self {
            temperature_c: later.temperature_c.or(self.temperature_c),
            humidity_percent: later.humidity_percent.or(self.humidity_percent),
            pressure_kpa: later.pressure_kpa.or(self.pressure_kpa),
        }
    }
}

/// Ranges that a method sets for the climate.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ClimateLimits {
    /// Lowest and highest temperature, °C.
    pub temperature_c: Option<(f64, f64)>,
    /// Lowest and highest relative humidity, %.
    pub humidity_percent: Option<(f64, f64)>,
    /// Lowest and highest air pressure, kPa.
    pub pressure_kpa: Option<(f64, f64)>,
}

impl ClimateLimits {
    /// Reads the ranges out of a sheet's words: `15-35 degC, 30-60 % humidity; 86-106 kPa for air discharge`.
    pub fn of(words: &str) -> Self {
        let mut limits = Self::default();
        for part in words.split([',', ';']) {
            let part = part.trim().replace('–', "-");
            let end = part.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-')).unwrap_or(part.len());
            let (figures, unit) = part.split_at(end);
            let Some((low, high)) = figures.split_once('-') else { continue };
            let (Ok(low), Ok(high)) = (low.parse::<f64>(), high.parse::<f64>()) else { continue };
            match unit.trim_start() {
                u if u.starts_with("degC") || u.starts_with("°C") => limits.temperature_c = Some((low, high)),
                u if u.starts_with('%') => limits.humidity_percent = Some((low, high)),
                u if u.starts_with("kPa") => limits.pressure_kpa = Some((low, high)),
                _ => {}
            }
        }
        limits
    }

    /// What is missing of a reading, and what lies outside, one sentence each.
    pub fn against(&self, read: &Climate) -> Vec<String> {
        let rows = [
            ("temperature", "°C", self.temperature_c, read.temperature_c),
            ("relative humidity", "%", self.humidity_percent, read.humidity_percent),
            ("air pressure", "kPa", self.pressure_kpa, read.pressure_kpa),
        ];
        let mut said = Vec::new();
        for (name, unit, limit, value) in rows {
            let Some((low, high)) = limit else { continue };
            let asks = format!("the method asks for {low} {unit} to {high} {unit}");
            match value {
                None => said.push(format!("The {name} was not recorded; {asks}.")),
                Some(v) if !(low..=high).contains(&v) => said.push(format!("The {name} was {v} {unit}; {asks}.")),
                Some(_) => {}
            }
        }
        said
    }
}

/// The sheet of an immunity run as it stood when the run began, and what was said of the run then.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct KeptSheet {
    /// The run; given by the ledger.
    pub run: String,
    /// The whole sheet as it was made.
    pub sheet: Value,
    /// Tests of the plan that the sheet carries out, by id.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tests: Vec<String>,
    /// Ports of the product that it concerns, by id.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ports: Vec<String>,
    /// The criterion the product has to meet, where the plan or a person says one.
    pub required: Option<Criterion>,
    /// How the product is watched, in words.
    pub monitoring: String,
    /// What each criterion means for this product.
    #[serde(skip_serializing_if = "Criteria::is_empty")]
    pub criteria: Criteria,
    /// Climate when the run began.
    pub climate: Climate,
    /// Who is present.
    pub present: Vec<String>,
    /// The cautions that were read and acknowledged, word for word.
    pub acknowledged: Vec<String>,
    /// By whom.
    pub acknowledged_by: String,
}

impl KeptSheet {
    /// The sheet as far as a log needs it.
    pub fn read(&self) -> LogSheet {
        LogSheet::of(&self.sheet)
    }
}

/// A sheet as far as a log needs it. Read leniently: a sheet of another version still gives its steps.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct LogSheet {
    /// The test: `esd`, `burst`, …
    pub test: String,
    /// Standard and clause.
    pub clause: String,
    /// `seen` or `memory`.
    pub known: String,
    /// Distances and arrangement.
    pub set_up: Vec<String>,
    /// Climate to be recorded and kept; empty where the method sets none.
    pub climate: String,
    /// What can hurt someone.
    pub cautions: Vec<String>,
    /// The steps in order.
    pub steps: Vec<LogStep>,
}

/// A step of a sheet as far as a log needs it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct LogStep {
    /// Name within the sheet.
    pub id: String,
    /// Where.
    pub place: String,
    /// What is applied.
    pub stimulus: String,
    /// Level with its unit in words.
    pub level: String,
    /// Stimuli to be counted.
    pub count: u32,
    /// Time between them, s.
    pub interval_s: f64,
    /// Time the step takes, s.
    pub duration_s: f64,
    /// Something must be moved, turned or re-plugged before it.
    pub change_before: bool,
    /// Level as a number.
    pub level_value: Option<f64>,
    /// Its unit.
    pub level_unit: Option<String>,
    /// `positive` or `negative`.
    pub polarity: Option<String>,
    /// Phase angle, degrees.
    pub angle_deg: Option<f64>,
    /// First frequency of a sweep, or the frequency of the stimulus, Hz.
    pub from_hz: Option<f64>,
    /// Last frequency of a sweep, Hz.
    pub to_hz: Option<f64>,
    /// Time for which each stimulus stays on, s.
    pub dwell_s: Option<f64>,
    /// Time to wait between stimuli, s.
    pub rest_s: Option<f64>,
    /// The criterion of this step, where it differs from the run's.
    pub criterion: Option<String>,
}

impl LogStep {
    /// In a line: `lid screw, contact, +, 6 kV`.
    pub fn words(&self) -> String {
        [self.place.as_str(), &self.stimulus, &self.level]
            .into_iter()
            .filter(|w| !w.is_empty())
            .collect::<Vec<_>>()
            .join(", ")
    }
}

impl LogSheet {
    /// Reads a sheet; a step without a name gets one from its place in the sheet.
    pub fn of(sheet: &Value) -> Self {
        let mut read: Self = serde_json::from_value(sheet.clone()).unwrap_or_default();
        let test = if read.test.is_empty() { "step" } else { &read.test }.to_owned();
        for (k, step) in read.steps.iter_mut().enumerate() {
            if step.id.is_empty() {
                step.id = format!("{test}-{:03}", k + 1);
            }
        }
        read
    }

    /// A step by its name.
    pub fn step(&self, id: &str) -> Option<&LogStep> {
        self.steps.iter().find(|s| s.id == id)
    }
}

/// One entry of a log, as the device at the bench made it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LogEntry {
    /// The run.
    pub run: String,
    /// Unique, made by the device: an entry that arrives twice is known by it.
    pub key: String,
    /// The device, by a name it made for itself.
    pub client: String,
    /// Number of this entry among those of this device in this run, from 1, without holes.
    pub sequence: u64,
    /// When, by the clock of the device.
    pub at: Timestamp,
    /// Who entered it.
    pub who: String,
    /// What was entered.
    #[serde(flatten)]
    pub what: LogWhat,
}

/// What can be entered in a log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum LogWhat {
    /// Stimuli of a step were given, with or without a result.
    Step {
        /// The step's name in the sheet.
        step: String,
        /// Stimuli given since the entry before.
        #[serde(default)]
        stimuli: u32,
        /// How the product behaved.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        result: Option<Criterion>,
        /// What was seen.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        seen: String,
        /// Level with its unit in words.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        level: String,
        /// Frequency at which it was seen, Hz.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        frequency_hz: Option<f64>,
    },
    /// Something was done otherwise than the sheet says.
    Deviation {
        /// The step, where it is about one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        step: Option<String>,
        /// What, and why.
        text: String,
        /// The step is not carried out (further).
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        skipped: bool,
    },
    /// The run rests.
    Pause {
        /// Why.
        text: String,
    },
    /// The run goes on.
    Resume,
    /// An entry is taken back. It stays readable.
    Withdraw {
        /// The key of that entry.
        entry: String,
        /// Why.
        text: String,
    },
    /// The climate was read (again).
    Climate(Climate),
    /// A picture of the set-up.
    Picture {
        /// Id of the capture.
        capture: String,
        /// What it shows.
        #[serde(default)]
        text: String,
    },
    /// A remark.
    Remark {
        /// The remark.
        text: String,
    },
}

/// An entry as the ledger keeps it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptLogEntry {
    /// Number in the ledger.
    pub entry: u64,
    /// When it was written there.
    pub recorded_at: Timestamp,
    /// As the device made it.
    #[serde(flatten)]
    pub log: LogEntry,
    /// Why it was taken back, where it was.
    pub withdrawn: Option<String>,
}
