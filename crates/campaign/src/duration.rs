//! How long a test takes, computed from its method: a sum that can be opened.

use serde::{Deserialize, Serialize};
use standards::{Phenomenon, Port};

use crate::plan::PlannedTest;

/// What sets the pace of the tests. The defaults are common practice except where a source is named.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Pace {
    /// Operating modes in which emission is measured.
    pub modes: u32,
    /// Dwell at each frequency of a swept immunity test, s: at least the product's own cycle, never below 0.5 s
    /// (IEC 61000-4-3).
    pub dwell_s: f64,
    /// Settling of the field at each frequency, s.
    pub field_settle_s: f64,
    /// Settling of the level on a cable at each frequency, s.
    pub cable_settle_s: f64,
    /// Faces turned to the field.
    pub faces: u32,
    /// Turning the product by a face and the antenna by a polarisation, s.
    pub face_turn_s: f64,
    /// Between two surges, s (IEC 61000-4-5 allows a minute or less; what the protector needs decides).
    pub surge_rest_s: f64,
    /// Points of contact discharge.
    pub contact_points: u32,
    /// Points of air discharge.
    pub air_points: u32,
    /// Faces to which the vertical coupling plane is put, each with ten discharges of each polarity.
    pub plane_faces: u32,
    /// Between two discharges, s.
    pub discharge_interval_s: f64,
    /// From one point to the next, s.
    pub point_move_s: f64,
    /// Moving the coupling to the next port, s.
    pub port_change_s: f64,
    /// Bursts in six runs of 10 s with 10 s pauses, against synchronism with the product's own cycle.
    pub split_bursts: bool,
    /// One axis and frequency of the magnetic field, s.
    pub magnetic_s: f64,
    /// Turning the coil or the product, s.
    pub coil_turn_s: f64,
    /// One turn of the turntable, s.
    pub turntable_s: f64,
    /// Antenna heights in the survey of radiated emission.
    pub heights: u32,
    /// Suspects that get a final measurement, for each port or field range.
    pub suspects: u32,
    /// Observation for each final reading, s (CISPR 16-2-1: 15 s where the emission varies).
    pub final_s: f64,
    /// Survey sweep of one conductor from 150 kHz to 30 MHz, s.
    pub survey_s: f64,
    /// Observation of harmonic currents, s: long enough to repeat within 5 %.
    pub harmonics_s: f64,
    /// The product's function is watched by a machine (camera, logged error counters): sweeps run by themselves.
    pub watched_by_machine: bool,
    /// Observation of flicker, s: 600 for one short-term value, 7200 for the long-term one.
    pub flicker_s: f64,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            modes: 1,
            dwell_s: 1.0,
            field_settle_s: 0.5,
            cable_settle_s: 0.3,
            faces: 4,
            face_turn_s: 60.0,
            surge_rest_s: 60.0,
            contact_points: 8,
            air_points: 6,
            plane_faces: 4,
            discharge_interval_s: 1.0,
            point_move_s: 45.0,
            port_change_s: 300.0,
            split_bursts: false,
            magnetic_s: 120.0,
            coil_turn_s: 300.0,
            turntable_s: 60.0,
            heights: 4,
            suspects: 6,
            final_s: 15.0,
            survey_s: 150.0,
            harmonics_s: 150.0,
            watched_by_machine: false,
            flicker_s: 600.0,
        }
    }
}

/// One line of the sum: `count` times `each_s`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Part {
    /// What is done.
    pub what: String,
    /// How often.
    pub count: f64,
    /// How long each time, s.
    pub each_s: f64,
    /// Runs by itself: nobody has to act or to watch the product.
    pub by_itself: bool,
}

/// How long a test takes and of what.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Duration {
    /// The lines.
    pub parts: Vec<Part>,
    /// Their sum, s.
    pub total_s: f64,
}

impl Duration {
    /// The line just added runs by itself.
    fn by_itself(&mut self) {
        if let Some(part) = self.parts.last_mut() {
            part.by_itself = true;
        }
    }

    /// Time that runs by itself in stretches of at least `shortest_s`, s.
    pub fn by_itself_s(&self, shortest_s: f64) -> f64 {
        let long = self.parts.iter().filter(|p| p.by_itself && p.each_s >= shortest_s);
        long.map(|p| p.count * p.each_s).sum()
    }

    fn add(&mut self, what: impl Into<String>, count: f64, each_s: f64) {
        if count > 0.0 && each_s > 0.0 {
            self.parts.push(Part { what: what.into(), count, each_s, by_itself: false });
            self.total_s += count * each_s;
        }
    }
}

/// Frequencies of a sweep in steps of 1 %: 1 + ln(f2/f1)/ln 1.01, rounded up (IEC 61000-4-3 and -4-6: a step is at most
/// 1 % of the frequency before).
pub fn steps(from_hz: f64, to_hz: f64) -> u32 {
    if from_hz > 0.0 && to_hz > from_hz { (1.0 + (to_hz / from_hz).ln() / 1.01_f64.ln()).ceil() as u32 } else { 1 }
}

/// Lower levels of a ladder and the level itself, kV (IEC 61000-4-2 air, IEC 61000-4-5).
fn ladder(level_kv: f64, rungs: &[f64], lower: bool) -> Vec<f64> {
    let mut levels: Vec<f64> =
        if lower { rungs.iter().copied().filter(|r| *r < level_kv).collect() } else { Vec::new() };
    levels.push(level_kv);
    levels
}

fn figure(test: &PlannedTest, quantity: &str) -> Option<f64> {
    test.level.iter().find(|l| l.quantity == quantity).map(|l| l.value)
}

/// How long one test of the plan takes at this pace, without setting up the rig. `earthed` and `phases` decide the
/// coupling paths of surges on the mains.
pub fn duration(test: &PlannedTest, pace: &Pace, earthed: bool, phases: u8) -> Duration {
    let mut d = Duration::default();
    let dwell = pace.dwell_s.max(0.5);
    let modulations = if test.signal.starts_with("two runs") { 2.0 } else { 1.0 };
    match test.phenomenon {
        Phenomenon::RfField => {
            let sweeps = f64::from(pace.faces) * 2.0 * modulations;
            let n: u32 = test.frequency_hz.iter().map(|[a, b]| steps(*a, *b)).sum();
            d.add(
                format!("{sweeps} sweeps (faces, polarisations, modulations) of {n} frequencies, dwell and settling"),
                sweeps * f64::from(n),
                dwell + pace.field_settle_s,
            );
            sweep_by_itself(&mut d, pace, sweeps);
            d.add("turning to the next face and polarisation", sweeps, pace.face_turn_s);
        }
        Phenomenon::ConductedRf => {
            let n: u32 = test.frequency_hz.iter().map(|[a, b]| steps(*a, *b)).sum();
            d.add(
                format!("{n} frequencies, dwell and settling"),
                f64::from(n) * modulations,
                dwell + pace.cable_settle_s,
            );
            sweep_by_itself(&mut d, pace, modulations);
            d.add("moving the coupling to this cable", 1.0, 2.0 * pace.port_change_s);
        }
        Phenomenon::Burst => {
            let each = if pace.split_bursts { 110.0 } else { 60.0 };
            d.add("polarities, a minute of bursts each", 2.0, each);
            d.add("moving the coupling to this port", 1.0, pace.port_change_s);
        }
        Phenomenon::Surge => surge(&mut d, test, pace, earthed, phases),
        Phenomenon::ElectrostaticDischarge => {
            if let Some(kv) = figure(test, "contact_voltage") {
                let levels = ladder(kv, &[2.0, 4.0, 6.0], test.lower_levels).len() as f64;
                let points = f64::from(pace.contact_points);
                d.add(
                    "contact discharges: points, both polarities, ten each, levels",
                    points * 20.0 * levels,
                    pace.discharge_interval_s,
                );
            }
            if let Some(kv) = figure(test, "air_voltage") {
                let levels = ladder(kv, &[2.0, 4.0, 8.0], true).len() as f64;
                let points = f64::from(pace.air_points);
                d.add(
                    "air discharges: points, both polarities, ten each, every level up to this one",
                    points * 20.0 * levels,
                    pace.discharge_interval_s,
                );
            }
            let planes = 1.0 + f64::from(pace.plane_faces);
            d.add(
                "discharges to the horizontal and the vertical coupling plane",
                planes * 20.0,
                pace.discharge_interval_s,
            );
            let positions = f64::from(pace.contact_points + pace.air_points) + planes;
            d.add("from point to point", positions, pace.point_move_s);
        }
        Phenomenon::PowerFrequencyMagneticField => {
            let frequencies = 1.0;
            d.add("three axes at the mains frequency", 3.0 * frequencies, pace.magnetic_s);
            d.add("turning coil or product", 3.0, pace.coil_turn_s);
        }
        Phenomenon::VoltageDip | Phenomenon::ShortInterruption => {
            let cycles = figure(test, "duration_at_50_hz").unwrap_or(25.0);
            d.add("three events", 3.0, cycles / 50.0);
            d.add("pauses between them", 2.0, 10.0);
            d.add("setting and observing", 1.0, 60.0);
        }
        Phenomenon::SupplyVoltageVariation => d.add("upper and lower voltage, observed", 2.0, 900.0),
        Phenomenon::ConductedDisturbance | Phenomenon::DisturbancePower => {
            let conductors = match test.port_kind {
                Port::AcMains => f64::from(phases) + 1.0,
                Port::DcPower => 2.0,
                _ => 1.0,
            };
            let modes = f64::from(pace.modes.max(1));
            d.add("survey of every conductor in every mode", conductors * modes, pace.survey_s);
            d.add(
                "final readings: conductors, suspects, two detectors",
                conductors * f64::from(pace.suspects) * 2.0,
                pace.final_s,
            );
            d.add("moving to this port", 1.0, pace.port_change_s);
        }
        Phenomenon::RadiatedDisturbance => {
            let modes = f64::from(pace.modes.max(1));
            let high = test.frequency_hz.first().is_some_and(|r| r[0] >= 1e9);
            let heights = if high { 1.0 } else { f64::from(pace.heights) };
            d.add(
                "survey: heights, two polarisations, modes, a turn of the table each",
                2.0 * heights * modes,
                pace.turntable_s,
            );
            d.add(
                "final: suspects, worst angle and height looked for",
                f64::from(pace.suspects),
                2.0 * pace.turntable_s,
            );
            let detectors = if high { 2.0 } else { 1.0 };
            d.add("final readings", f64::from(pace.suspects) * detectors, pace.final_s);
        }
        Phenomenon::HarmonicCurrent => {
            d.add("observation", f64::from(pace.modes.max(1)), pace.harmonics_s);
            d.by_itself();
        }
        Phenomenon::VoltageChangeFlicker => {
            d.add("observation", 1.0, pace.flicker_s);
            d.by_itself();
            d.add("24 switchings by hand for the largest change", 24.0, 10.0);
        }
    }
    d
}

/// A sweep that a machine watches is one stretch.
fn sweep_by_itself(d: &mut Duration, pace: &Pace, sweeps: f64) {
    if pace.watched_by_machine
        && let Some(part) = d.parts.last_mut()
    {
        let total = part.count * part.each_s;
        *part = Part { what: part.what.clone(), count: sweeps, each_s: total / sweeps, by_itself: true };
    }
}

fn surge(d: &mut Duration, test: &PlannedTest, pace: &Pace, earthed: bool, phases: u8) {
    const LADDER_KV: [f64; 4] = [0.5, 1.0, 2.0, 4.0];
    let mains = test.port_kind == Port::AcMains;
    // Angles times polarities: the standard's own pair, or both polarities at four angles; DC and signal: polarities only.
    let places = match (mains, test.phase_deg.len()) {
        (true, 0) => 8.0,
        (true, n) => n as f64,
        (false, _) => 2.0,
    };
    let wires = f64::from(phases) + 1.0;
    for (quantity, paths, words) in [
        (
            "line_to_line_open_circuit_voltage",
            match test.port_kind {
                Port::AcMains => wires * (wires - 1.0) / 2.0,
                _ => 1.0,
            },
            "line to line",
        ),
        (
            "line_to_earth_open_circuit_voltage",
            match test.port_kind {
                Port::AcMains if !earthed => 0.0,
                Port::AcMains => wires,
                Port::DcPower => 2.0,
                _ => 1.0,
            },
            "line to earth",
        ),
    ] {
        if let Some(kv) = figure(test, quantity) {
            let levels = ladder(kv, &LADDER_KV, test.lower_levels).len() as f64;
            let pulses = paths * places * 5.0 * levels;
            d.add(
                format!("surges {words}: {paths} paths, {places} angles and polarities, 5 each, {levels} levels"),
                pulses,
                pace.surge_rest_s,
            );
        }
    }
    d.add("moving the coupling to this port", 1.0, pace.port_change_s);
}
