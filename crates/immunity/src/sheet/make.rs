//! The sheets of the basic tests that most plans hold.

use super::{Polarity, Sheet, SheetError, Step, dwell_s, start, sweep_count};
use crate::dips::{Dip, dips};

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

/// The sheet of electrostatic discharges: planes first, which hurt least, then contact, then air; at each place rising levels.
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

/// A band of a sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz; the same as from for a single frequency.
    pub to_hz: f64,
    /// Level at its beginning: V/m radiated, V e.m.f. conducted.
    pub level: f64,
    /// Level at its end where it is another one, straight over the logarithm of the frequency.
    pub level_to: Option<f64>,
}

impl Band {
    /// A band of one level.
    pub const fn new(from_hz: f64, to_hz: f64, level: f64) -> Self {
        Self { from_hz, to_hz, level, level_to: None }
    }

    /// Its frequencies in steps of a part of the frequency before.
    ///
    /// # Errors
    /// Frequencies that fall, or a step that is none.
    pub fn count(&self, step: f64) -> Result<u32, SheetError> {
        if self.from_hz > 0.0 && self.from_hz == self.to_hz {
            return Ok(1);
        }
        sweep_count(self.from_hz, self.to_hz, step)
    }
}

/// A swept radio-frequency test.
#[derive(Debug, Clone)]
pub struct SweepPlan {
    /// Faces (radiated) or cables (conducted), by name.
    pub places: Vec<String>,
    /// Bands.
    pub bands: Vec<Band>,
    /// Modulations, by name: each is a run of its own.
    pub modulations: Vec<String>,
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

/// A frequency in megahertz, to the hertz and without idle noughts.
fn mhz(hz: f64) -> String {
    let text = format!("{:.6}", hz / 1e6);
    format!("{} MHz", text.trim_end_matches('0').trim_end_matches('.'))
}

/// `each_run`: whether something is turned before every run, or once at each place.
fn swept(test: &str, unit: &str, plan: &SweepPlan, ways: &[&str], each_run: bool) -> Result<Sheet, SheetError> {
    if plan.dwell_s.is_nan() || plan.dwell_s < dwell_s(0.0, plan.cycle_s, false) {
        return Err(SheetError {
            field: "dwell",
            found: format!("{} s", plan.dwell_s),
            expected: "at least 0.5 s and at least the product's own work cycle",
        });
    }
    let mut s = start(test);
    for place in &plan.places {
        let mut first = true;
        for way in ways {
            for modulation in &plan.modulations {
                first |= each_run;
                for band in &plan.bands {
                    let place = if way.is_empty() { place.clone() } else { format!("{place}, {way}") };
                    let range = if band.from_hz == band.to_hz {
                        mhz(band.from_hz)
                    } else {
                        format!("{} to {}, {} % steps", mhz(band.from_hz), mhz(band.to_hz), plan.step * 100.0)
                    };
                    let mut step = Step {
                        count: band.count(plan.step)?,
                        interval_s: plan.dwell_s + plan.settle_s,
                        from_hz: Some(band.from_hz),
                        to_hz: Some(band.to_hz),
                        step: (band.from_hz < band.to_hz).then_some(plan.step),
                        dwell_s: Some(plan.dwell_s),
                        ..Step::new(place, format!("{range}, {modulation}"), band.level, unit)
                    };
                    if let Some(end) = band.level_to {
                        step.level = format!("{} to {end} {unit}", band.level);
                    }
                    s.push(step, std::mem::take(&mut first).then_some(plan.change_s));
                }
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
    swept("radiated", "V/m", plan, &["horizontal", "vertical"], true)
}

/// The sheet of conducted radio frequency: each cable.
///
/// # Errors
/// As [`radiated`].
pub fn conducted(plan: &SweepPlan) -> Result<Sheet, SheetError> {
    swept("conducted", "V", plan, &[""], false)
}

/// The sheet of bursts: ports with their level (kV), repetition rates (kHz), a minute for each polarity, or six runs of 10 s
/// with 10 s between.
pub fn burst(ports: &[(String, f64)], repetitions_khz: &[f64], split: bool, change_s: f64) -> Sheet {
    let mut s = start("burst");
    for (port, kv) in ports {
        let mut first = true;
        for khz in repetitions_khz {
            for polarity in Polarity::BOTH {
                let change = std::mem::take(&mut first).then_some(change_s);
                let runs = if split { ", six runs of 10 s with 10 s between" } else { "" };
                let what = format!("bursts of 75 pulses, {khz} kHz, every 300 ms, {}{runs}", polarity.sign());
                let step = Step {
                    interval_s: if split { 110.0 } else { 60.0 },
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

/// Pulses of one path at one level.
#[derive(Debug, Clone, PartialEq)]
pub struct SurgeGroup {
    /// Path, in words.
    pub place: String,
    /// Level, kV.
    pub kv: f64,
    /// Angles and signs, in their order; no angle on lines without mains.
    pub shots: Vec<(Option<f64>, Polarity)>,
    /// Time for plugging before it, s; none where only a switch is turned.
    pub change_s: Option<f64>,
}

impl SurgeGroup {
    /// Both signs at each angle; without angles both signs.
    pub fn both_signs(angles_deg: &[f64]) -> Vec<(Option<f64>, Polarity)> {
        let both = |a: Option<f64>| Polarity::BOTH.map(|p| (a, p));
        if angles_deg.is_empty() {
            both(None).to_vec()
        } else {
            angles_deg.iter().flat_map(|a| both(Some(*a))).collect()
        }
    }
}

/// The sheet of surges: every path at rising level, so that trouble shows early; five of each sign at each angle.
///
/// # Errors
/// A rest that is not positive.
pub fn surge(paths: &[SurgePath], pulses: u32, rest_s: f64, change_s: f64) -> Result<Sheet, SheetError> {
    let mut groups = Vec::new();
    for path in paths {
        for (k, kv) in path.levels_kv.iter().enumerate() {
            groups.push(SurgeGroup {
                place: path.name.clone(),
                kv: *kv,
                shots: SurgeGroup::both_signs(&path.angles_deg),
                change_s: (k == 0).then_some(change_s),
            });
        }
    }
    surge_in_order("surge", "surge", &groups, pulses, rest_s)
}

/// The sheet of pulses in the order given: a surge or, by the name of its method, another single pulse.
///
/// # Errors
/// A rest that is not positive, or a method that is not there.
pub fn surge_in_order(
    test: &str,
    word: &str,
    groups: &[SurgeGroup],
    pulses: u32,
    rest_s: f64,
) -> Result<Sheet, SheetError> {
    if !(rest_s.is_finite() && rest_s > 0.0) {
        return Err(SheetError { field: "rest", found: format!("{rest_s} s"), expected: "a time above zero" });
    }
    let Some(mut s) = Sheet::empty(test) else {
        return Err(SheetError { field: "test", found: test.to_owned(), expected: "the name of a method" });
    };
    for group in groups {
        let mut change = group.change_s;
        for (angle, polarity) in &group.shots {
            let at = angle.map_or(String::new(), |a| format!(" at {a}°"));
            let step = Step {
                count: pulses,
                interval_s: rest_s,
                rest_s: Some(rest_s),
                polarity: Some(*polarity),
                angle_deg: *angle,
                ..Step::new(group.place.clone(), format!("{word} {}{at}", polarity.sign()), group.kv, "kV")
            };
            s.push(step, change.take());
        }
    }
    Ok(s)
}

/// The sheet of a power-frequency magnetic field: three axes at each frequency; 0 Hz is direct current.
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

/// Events of a dip (IEC 61000-4-11), and the time between them, s.
const EVENTS: u32 = 3;
const GAP_S: f64 = 10.0;

/// The steps of one dip or interruption: three events with 10 s between at each voltage and angle. `set_s`: time for setting
/// the source and looking at the product, before the first.
pub fn voltage_dip(
    residual_percent: f64,
    length_s: f64,
    voltages_v: &[f64],
    angles_deg: &[f64],
    set_s: Option<f64>,
) -> Sheet {
    let mut s = start("dips");
    let mut set_s = set_s;
    for v in voltages_v {
        for angle in angles_deg {
            let place = format!("supply at {v} V, from {angle}°");
            let what = format!("{residual_percent} % for {length_s:.3} s");
            let change = set_s.take();
            // Gaps stand between events, not after the last one.
            let duration_s = f64::from(EVENTS) * length_s + f64::from(EVENTS - 1) * GAP_S;
            s.take(Step {
                level: format!("{residual_percent} % of {v} V"),
                count: EVENTS,
                interval_s: length_s,
                duration_s,
                dwell_s: Some(length_s),
                rest_s: Some(GAP_S),
                angle_deg: Some(*angle),
                change_before: change.is_some(),
                change_s: change.unwrap_or(0.0),
                ..Step::new(place, what, residual_percent, "%")
            });
        }
    }
    s
}

/// The sheet of dips: each of a set (`class-2`, `class-3`, `alarm`) at each voltage and angle, three events with 10 s between.
///
/// # Errors
/// A set that is not there.
pub fn voltage_dips(set: &str, mains_hz: f64, voltages_v: &[f64], angles_deg: &[f64]) -> Result<Sheet, SheetError> {
    let wanted: Vec<&Dip> = dips().iter().filter(|d| d.set == set).collect();
    if wanted.is_empty() {
        return Err(SheetError { field: "set", found: set.to_owned(), expected: "class-2, class-3 or alarm" });
    }
    let mut s = start("dips");
    for d in wanted {
        s.append(voltage_dip(d.residual_percent, d.duration_s(mains_hz), voltages_v, angles_deg, None).steps);
    }
    Ok(s)
}

/// The sheet of slow variations of the supply: each voltage, % of the rated one, held and watched.
pub fn variation(percents: &[f64], rated_v: f64, hold_s: f64) -> Sheet {
    let mut s = start("variation");
    for p in percents {
        let step = Step {
            level: format!("{p} % of {rated_v} V"),
            interval_s: hold_s,
            dwell_s: Some(hold_s),
            ..Step::new("supply".to_owned(), format!("{:.1} V, held and watched", rated_v * p / 100.0), *p, "%")
        };
        s.push(step, None);
    }
    s
}
