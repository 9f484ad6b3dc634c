//! Run sheets: the steps of a test one after the other, with count, time, distances, cautions and clause. Pure functions over
//! what the plan says of the product.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use standards::Known;

mod make;
mod waves;

pub use make::{
    Band, EsdPlan, SurgeGroup, SurgePath, SweepPlan, burst, conducted, esd, magnetic, radiated, surge, surge_in_order,
    variation, voltage_dip, voltage_dips,
};
pub use waves::{DampedPlan, NearFace, Spot, Wave, damped, proximity, ring_waves, spots, wave, waves};

/// How a basic test is run.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Method {
    /// Name: `esd`, `radiated`, `burst`, `surge`, `conducted`, `magnetic`, `dips`, `variation`, `ring-wave`, `damped-wave`,
    /// `proximity`.
    pub test: String,
    /// Standard with edition.
    pub standard: String,
    /// Clause of the procedure.
    pub clause: String,
    /// Distances and arrangement.
    pub set_up: Vec<String>,
    /// Climate the method limits, empty where it does not.
    pub climate: String,
    /// Usual time between stimuli, s.
    pub interval_s: f64,
    /// Stimuli of each kind.
    pub count: u32,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub known: Known,
}

#[derive(Deserialize)]
struct File {
    method: Vec<Method>,
}

static METHODS: LazyLock<Vec<Method>> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    let file: File = toml::from_str(include_str!("../data/sheets.toml"))
        .unwrap_or_else(|error| panic!("built-in method data: {error}"));
    file.method
});

/// All methods.
pub fn methods() -> &'static [Method] {
    &METHODS
}

/// Sign of a discharge or pulse.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Polarity {
    /// +
    Positive,
    /// −
    Negative,
}

impl Polarity {
    /// Both, in the order in which they are given.
    pub const BOTH: [Self; 2] = [Self::Positive, Self::Negative];

    /// The sign itself.
    pub const fn sign(self) -> &'static str {
        match self {
            Self::Positive => "+",
            Self::Negative => "−",
        }
    }
}

/// One step of a sheet: what stays set while its stimuli are given.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Step {
    /// Name within the sheet, e.g. `esd-001`: the same as long as the sheet is made of the same facts.
    pub id: String,
    /// Where, in words: a point, a face and polarisation, a cable, a path.
    pub place: String,
    /// What is applied, in words.
    pub stimulus: String,
    /// Level with its unit in words.
    pub level: String,
    /// Stimuli to be counted (discharges, pulses, events, frequencies).
    pub count: u32,
    /// Time between them (with dwell and settling), s.
    pub interval_s: f64,
    /// Time the step takes, s.
    pub duration_s: f64,
    /// Something must be moved, turned or re-plugged before it.
    pub change_before: bool,
    /// Time for that, s.
    #[serde(default)]
    pub change_s: f64,
    /// What can hurt whoever does that.
    #[serde(default)]
    pub caution: Option<String>,
    /// The product's port, where the sheet comes from a project.
    #[serde(default)]
    pub port: Option<String>,
    /// The plan's test, where the sheet comes from a project.
    #[serde(default)]
    pub test: Option<String>,
    /// Performance criterion, where the plan names one.
    #[serde(default)]
    pub criterion: Option<String>,
    /// Level as a number, in `level_unit`.
    #[serde(default)]
    pub level_value: Option<f64>,
    /// `kV`, `V`, `V/m`, `A/m` or `%` (of the supply voltage that is left).
    #[serde(default)]
    pub level_unit: Option<String>,
    /// Sign of the discharge or pulse, where it has one.
    #[serde(default)]
    pub polarity: Option<Polarity>,
    /// Angle of the supply at which the stimulus starts, degrees.
    #[serde(default)]
    pub angle_deg: Option<f64>,
    /// First frequency of a sweep, or the frequency of the stimulus, Hz.
    #[serde(default)]
    pub from_hz: Option<f64>,
    /// Last frequency of a sweep, Hz.
    #[serde(default)]
    pub to_hz: Option<f64>,
    /// Step of a sweep as a part of the frequency before.
    #[serde(default)]
    pub step: Option<f64>,
    /// Time for which each stimulus stays on, s: dwell at a frequency, a minute of bursts, length of a dip.
    #[serde(default)]
    pub dwell_s: Option<f64>,
    /// Time to wait from one stimulus to the next, s.
    #[serde(default)]
    pub rest_s: Option<f64>,
}

impl Step {
    /// A step with what every step has; `duration_s` becomes count times interval.
    fn new(place: impl Into<String>, stimulus: impl Into<String>, level: f64, unit: &str) -> Self {
        Self {
            place: place.into(),
            stimulus: stimulus.into(),
            level: format!("{level} {unit}"),
            level_value: Some(level),
            level_unit: Some(unit.to_owned()),
            count: 1,
            ..Self::default()
        }
    }
}

/// A run sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sheet {
    /// The test.
    pub test: String,
    /// Standard and clause.
    pub clause: String,
    /// How the method is known.
    pub known: Known,
    /// Distances and arrangement.
    pub set_up: Vec<String>,
    /// Climate to be recorded and kept, empty where none.
    pub climate: String,
    /// What can hurt someone.
    pub cautions: Vec<String>,
    /// The steps in order.
    pub steps: Vec<Step>,
    /// Stimuli in all.
    pub count: u32,
    /// Time of the stimuli, s.
    pub stimulus_s: f64,
    /// Time of the changes between steps, s.
    pub change_s: f64,
}

impl Sheet {
    /// All of it, s.
    pub fn duration_s(&self) -> f64 {
        self.stimulus_s + self.change_s
    }
}

/// A sheet that cannot be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{field}: {found}; expected {expected}")]
pub struct SheetError {
    /// Which input.
    pub field: &'static str,
    /// What it was.
    pub found: String,
    /// What would do.
    pub expected: &'static str,
}

const HIGH_VOLTAGE: &str = "High voltage and stored charge: interlock, switch off, wait, discharge with the stick, check; never reach in between stimuli.";
const NEVER_ALONE: &str = "Never alone. Local codes and licensed practice come first.";
const IMPLANTS: &str = "Nobody with a pacemaker or other active implant near.";
const EARTH_CURRENT: &str = "Coupling networks pass mains current to earth (up to 1.3 A at 18 µF): protective earth first and last, isolating transformer, no residual-current device.";
const RF: &str = "Radio-frequency exposure: nobody in the field with power on, door interlock; screened room only.";
const FRAGMENTS: &str = "Parts may burst or burn: cover, eye protection, extinguisher.";

/// Before a hand goes to plugs or paths of the pulse tests.
const BEFORE_TOUCHING: &str =
    "Before touching: generator off and discharged, product off the mains, wait, check that nothing is charged.";
const COIL_OFF: &str = "Current off before the coil or the product is turned.";
const FIELD_OFF: &str = "Power off before the door is opened.";

/// What is said at the place where something is moved or plugged.
fn caution_at_change(test: &str) -> Option<&'static str> {
    match test {
        "burst" | "surge" | "ring-wave" | "damped-wave" => Some(BEFORE_TOUCHING),
        "dips" | "variation" => {
            Some("Before touching: source off, storage capacitor discharged through a resistor, check.")
        }
        "magnetic" => Some(COIL_OFF),
        "radiated" => Some(FIELD_OFF),
        "conducted" | "proximity" => Some("Amplifier off before plugging or moving."),
        _ => None,
    }
}

fn cautions(test: &str) -> Vec<&'static str> {
    match test {
        "esd" => vec![HIGH_VOLTAGE, IMPLANTS, NEVER_ALONE],
        "radiated" | "conducted" => vec![RF, IMPLANTS, NEVER_ALONE],
        "proximity" => vec![
            "Strong magnetic near field at the loop, and it gets hot: power off before it is moved; keep cards, watches and hands away.",
            IMPLANTS,
            NEVER_ALONE,
        ],
        "burst" | "ring-wave" | "damped-wave" => vec![HIGH_VOLTAGE, EARTH_CURRENT, IMPLANTS, NEVER_ALONE],
        "surge" => vec![HIGH_VOLTAGE, FRAGMENTS, EARTH_CURRENT, IMPLANTS, NEVER_ALONE],
        "magnetic" => {
            vec!["Strong magnetic field: keep tools, watches and cards away; the coil gets hot.", IMPLANTS, NEVER_ALONE]
        }
        _ => vec![
            "Mains: the product's storage capacitor stays charged after an interruption; the current on return may blow fuses.",
            NEVER_ALONE,
        ],
    }
}

/// Dwell of a swept test by IEC 61000-4-3 and -4-6, s: what is wanted, not below half a second, not below the product's work
/// cycle, and not below a second where the field is switched once a second.
pub fn dwell_s(wanted_s: f64, cycle_s: f64, once_a_second: bool) -> f64 {
    wanted_s.max(cycle_s).max(if once_a_second { 1.0 } else { 0.5 })
}

/// Frequencies of a sweep with steps of a part of the frequency before, both ends included, the last step shortened:
/// `1 + ln(f2/f1)/ln(1 + s)`, rounded up.
///
/// # Errors
/// Frequencies or step that are not positive and rising.
pub fn sweep_count(from_hz: f64, to_hz: f64, step: f64) -> Result<u32, SheetError> {
    if !(from_hz > 0.0 && to_hz > from_hz && to_hz.is_finite() && step > 0.0 && step < 1.0) {
        return Err(SheetError {
            field: "sweep",
            found: format!("{from_hz} Hz to {to_hz} Hz in steps of {step}"),
            expected: "rising frequencies above zero and a step between 0 and 1",
        });
    }
    Ok(1 + ((to_hz / from_hz).ln() / step.ln_1p() - 1e-9).ceil() as u32)
}

/// The frequencies themselves, Hz.
///
/// # Errors
/// As [`sweep_count`].
pub fn sweep_hz(from_hz: f64, to_hz: f64, step: f64) -> Result<Vec<f64>, SheetError> {
    let n = sweep_count(from_hz, to_hz, step)?;
    Ok((0..n).map(|k| (from_hz * (1.0 + step).powi(k as i32)).min(to_hz)).collect())
}

impl Sheet {
    /// A sheet without steps of a method of [`methods`]; of a name that is not there, none.
    pub fn empty(test: &str) -> Option<Self> {
        let m = METHODS.iter().find(|m| m.test == test)?;
        Some(Self {
            test: test.to_owned(),
            clause: format!("{}, clause {}", m.standard, m.clause),
            known: m.known,
            set_up: m.set_up.clone(),
            climate: m.climate.clone(),
            cautions: cautions(test).into_iter().map(str::to_owned).collect(),
            steps: Vec::new(),
            count: 0,
            stimulus_s: 0.0,
            change_s: 0.0,
        })
    }

    /// Adds a step: `change_s` where something must be moved before it. Its time is count times interval.
    pub fn push(&mut self, step: Step, change_s: Option<f64>) {
        let duration_s = f64::from(step.count) * step.interval_s;
        let caution = change_s.and_then(|_| caution_at_change(&self.test)).map(str::to_owned);
        let (change_before, change_s) = (change_s.is_some(), change_s.unwrap_or(0.0));
        self.take(Step { duration_s, change_before, change_s, caution: step.caution.or(caution), ..step });
    }

    /// Adds steps of another sheet of the same test, as they are, numbered on.
    pub fn append(&mut self, steps: Vec<Step>) {
        for step in steps {
            self.take(step);
        }
    }

    fn take(&mut self, step: Step) {
        self.count += step.count;
        self.stimulus_s += step.duration_s;
        self.change_s += step.change_s;
        let id = format!("{}-{:03}", self.test, self.steps.len() + 1);
        self.steps.push(Step { id, ..step });
    }
}

fn start(test: &str) -> Sheet {
    Sheet::empty(test).expect("every test has its method: tested")
}
