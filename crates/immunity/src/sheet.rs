//! Run sheets: the steps of a test one after the other, with count, time, distances, cautions and clause. Pure functions over
//! what the plan says of the product.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use standards::Known;

use crate::dips::dips;

/// How a basic test is run.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Method {
    /// Name: `esd`, `radiated`, `burst`, `surge`, `conducted`, `magnetic`, `dips`.
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

fn cautions(test: &str) -> Vec<&'static str> {
    match test {
        "esd" => vec![HIGH_VOLTAGE, IMPLANTS, NEVER_ALONE],
        "radiated" | "conducted" => vec![RF, IMPLANTS, NEVER_ALONE],
        "burst" => vec![HIGH_VOLTAGE, EARTH_CURRENT, IMPLANTS, NEVER_ALONE],
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

fn start(test: &str) -> Sheet {
    let m = METHODS.iter().find(|m| m.test == test).expect("every test has its method: tested");
    Sheet {
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
    }
}

impl Sheet {
    /// Adds a step: `change_s` where something must be moved before it.
    fn push(&mut self, step: Step, change_s: Option<f64>) {
        let duration_s = f64::from(step.count) * step.interval_s;
        self.count += step.count;
        self.stimulus_s += duration_s;
        self.change_s += change_s.unwrap_or(0.0);
        let id = format!("{}-{:03}", self.test, self.steps.len() + 1);
        self.steps.push(Step { id, duration_s, change_before: change_s.is_some(), ..step });
    }
}

/// Discharges: points touched by contact and by air, coupling planes, levels.
#[derive(Debug, Clone)]
pub struct EsdPlan {
    /// Points with a conductive surface.
    pub contact_points: Vec<String>,
    /// Points where contact cannot be made.
    pub air_points: Vec<String>,
    /// Contact levels, kV, rising.
    pub contact_kv: Vec<f64>,
    /// Air levels, kV, rising: all levels up to the wanted one.
    pub air_kv: Vec<f64>,
    /// Faces for the vertical plane.
    pub faces: u32,
    /// Horizontal plane (table-top).
    pub horizontal: bool,
    /// Discharges of each polarity at each point.
    pub count: u32,
    /// Time between discharges, s.
    pub interval_s: f64,
    /// Time to go to the next point, s.
    pub move_s: f64,
}

/// The sheet of electrostatic discharges.
pub fn esd(plan: &EsdPlan) -> Sheet {
    let mut s = start("esd");
    let mut at = |place: String, how: &str, levels: &[f64]| {
        for (k, kv) in levels.iter().enumerate() {
            for (j, polarity) in Polarity::BOTH.into_iter().enumerate() {
                let change = (k == 0 && j == 0).then_some(plan.move_s);
                let step = Step {
                    count: plan.count,
                    interval_s: plan.interval_s,
                    rest_s: Some(plan.interval_s),
                    polarity: Some(polarity),
                    ..Step::new(place.clone(), format!("{how}, {}", polarity.sign()), *kv, "kV")
                };
                s.push(step, change);
            }
        }
    };
    if plan.horizontal {
        at("horizontal plane, edge, 0.1 m in front of the product".into(), "contact", &plan.contact_kv);
    }
    for face in 1..=plan.faces {
        at(format!("vertical plane at 0.1 m, face {face}"), "contact", &plan.contact_kv);
    }
    for p in &plan.contact_points {
        at(p.clone(), "contact", &plan.contact_kv);
    }
    for p in &plan.air_points {
        at(p.clone(), "air", &plan.air_kv);
    }
    s
}

/// A swept radio-frequency test.
#[derive(Debug, Clone)]
pub struct SweepPlan {
    /// Faces (radiated) or cables (conducted), by name.
    pub places: Vec<String>,
    /// Bands: from, to (Hz), level (V/m radiated, V conducted).
    pub bands: Vec<(f64, f64, f64)>,
    /// Step as a part of the frequency.
    pub step: f64,
    /// Dwell, s: not below 0.5 s, and not below the product's own work cycle.
    pub dwell_s: f64,
    /// Settling of the generator at each frequency, s.
    pub settle_s: f64,
    /// Work cycle of the product, s.
    pub cycle_s: f64,
    /// Time for turning or re-plugging, s.
    pub change_s: f64,
}

fn swept(test: &str, unit: &str, plan: &SweepPlan, ways: &[&str]) -> Result<Sheet, SheetError> {
    let shortest = plan.cycle_s.max(0.5);
    if plan.dwell_s.is_nan() || plan.dwell_s < shortest {
        return Err(SheetError {
            field: "dwell",
            found: format!("{} s", plan.dwell_s),
            expected: "at least 0.5 s and at least the product's own work cycle",
        });
    }
    let mut s = start(test);
    for (from, to, level) in &plan.bands {
        let n = sweep_count(*from, *to, plan.step)?;
        for place in &plan.places {
            for way in ways {
                let place = if way.is_empty() { place.clone() } else { format!("{place}, {way}") };
                let stimulus = format!(
                    "{:.6} MHz to {:.6} MHz, {} % steps, 80 % AM 1 kHz",
                    from / 1e6,
                    to / 1e6,
                    plan.step * 100.0
                );
                let step = Step {
                    count: n,
                    interval_s: plan.dwell_s + plan.settle_s,
                    from_hz: Some(*from),
                    to_hz: Some(*to),
                    step: Some(plan.step),
                    dwell_s: Some(plan.dwell_s),
                    ..Step::new(place, stimulus, *level, unit)
                };
                s.push(step, Some(plan.change_s));
            }
        }
    }
    Ok(s)
}

/// The sheet of a radiated field: each face with both polarisations.
///
/// # Errors
/// A dwell that is too short, or a band that does not rise.
pub fn radiated(plan: &SweepPlan) -> Result<Sheet, SheetError> {
    swept("radiated", "V/m", plan, &["horizontal", "vertical"])
}

/// The sheet of conducted radio frequency: each cable.
///
/// # Errors
/// As [`radiated`].
pub fn conducted(plan: &SweepPlan) -> Result<Sheet, SheetError> {
    swept("conducted", "V", plan, &[""])
}

/// The sheet of bursts: ports with their level (kV), repetition rates (kHz), a minute for each polarity.
pub fn burst(ports: &[(String, f64)], repetitions_khz: &[f64], change_s: f64) -> Sheet {
    let mut s = start("burst");
    for (port, kv) in ports {
        let mut first = true;
        for khz in repetitions_khz {
            for polarity in Polarity::BOTH {
                let change = std::mem::take(&mut first).then_some(change_s);
                let what = format!("bursts of 75 pulses, {khz} kHz, every 300 ms, {}", polarity.sign());
                let step = Step {
                    interval_s: 60.0,
                    dwell_s: Some(60.0),
                    from_hz: Some(khz * 1e3),
                    polarity: Some(polarity),
                    ..Step::new(port.clone(), what, *kv, "kV")
                };
                s.push(step, change);
            }
        }
    }
    s
}

/// A path of the surge test.
#[derive(Debug, Clone)]
pub struct SurgePath {
    /// In words: `L to N`, `L to earth`.
    pub name: String,
    /// Levels, kV, rising.
    pub levels_kv: Vec<f64>,
    /// Phase angles, degrees; empty on lines without mains.
    pub angles_deg: Vec<f64>,
}

/// The sheet of surges: every path at rising level, so that trouble shows early; five of each sign at each angle.
///
/// # Errors
/// A rest that is not positive.
pub fn surge(paths: &[SurgePath], pulses: u32, rest_s: f64, change_s: f64) -> Result<Sheet, SheetError> {
    if !(rest_s.is_finite() && rest_s > 0.0) {
        return Err(SheetError { field: "rest", found: format!("{rest_s} s"), expected: "a time above zero" });
    }
    let mut s = start("surge");
    for path in paths {
        let mut first = true;
        for kv in &path.levels_kv {
            let angles: Vec<Option<f64>> = if path.angles_deg.is_empty() {
                vec![None]
            } else {
                path.angles_deg.iter().copied().map(Some).collect()
            };
            for angle in angles {
                for polarity in Polarity::BOTH {
                    let at = angle.map_or(String::new(), |a| format!(" at {a}°"));
                    let change = std::mem::take(&mut first).then_some(change_s);
                    let step = Step {
                        count: pulses,
                        interval_s: rest_s,
                        rest_s: Some(rest_s),
                        polarity: Some(polarity),
                        angle_deg: angle,
                        ..Step::new(path.name.clone(), format!("surge {}{at}", polarity.sign()), *kv, "kV")
                    };
                    s.push(step, change);
                }
            }
        }
    }
    Ok(s)
}

/// The sheet of a power-frequency magnetic field: three axes at each frequency.
pub fn magnetic(field_a_per_m: f64, frequencies_hz: &[f64], minutes: f64, change_s: f64) -> Sheet {
    let mut s = start("magnetic");
    for axis in ["x", "y", "z"] {
        let mut first = true;
        for f in frequencies_hz {
            let change = std::mem::take(&mut first).then_some(change_s);
            let what = if *f == 0.0 { "direct current".to_owned() } else { format!("{f} Hz") };
            let step = Step {
                interval_s: 60.0 * minutes,
                dwell_s: Some(60.0 * minutes),
                from_hz: Some(*f),
                ..Step::new(format!("axis {axis}"), what, field_a_per_m, "A/m")
            };
            s.push(step, change);
        }
    }
    s
}

/// The sheet of dips: each of a set (`class-2`, `class-3`, `alarm`) at each voltage and angle, three events with 10 s between.
///
/// # Errors
/// A set that is not there.
pub fn voltage_dips(set: &str, mains_hz: f64, voltages_v: &[f64], angles_deg: &[f64]) -> Result<Sheet, SheetError> {
    const EVENTS: u32 = 3;
    const GAP_S: f64 = 10.0;
    let mut s = start("dips");
    let mut any = false;
    for d in dips().iter().filter(|d| d.set == set) {
        any = true;
        for v in voltages_v {
            for angle in angles_deg {
                let length = d.duration_s(mains_hz);
                let place = format!("supply at {v} V, from {angle}°");
                let what = format!("{} % for {length:.3} s", d.residual_percent);
                let step = Step {
                    level: format!("{} % of {v} V", d.residual_percent),
                    count: EVENTS,
                    interval_s: length,
                    dwell_s: Some(length),
                    rest_s: Some(GAP_S),
                    angle_deg: Some(*angle),
                    ..Step::new(place, what, d.residual_percent, "%")
                };
                s.push(step, None);
                // Gaps stand between events, not after the last one.
                let gaps = f64::from(EVENTS - 1) * GAP_S;
                s.stimulus_s += gaps;
                if let Some(step) = s.steps.last_mut() {
                    step.duration_s += gaps;
                }
            }
        }
    }
    if any {
        Ok(s)
    } else {
        Err(SheetError { field: "set", found: set.to_owned(), expected: "class-2, class-3 or alarm" })
    }
}
