//! How long a test takes, computed from its method: a sum that can be opened.

use serde::{Deserialize, Serialize};
use standards::{Phenomenon, Port};

use crate::plan::PlannedTest;
use crate::stimuli::{self, DAMPED_LEVEL, MOVE_LOOP_S, RING_REST_S};

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
    /// Contact discharges from the lowest level up to the planned one, which is common practice: the level at which trouble
    /// begins is known before the sample is lost. False: at the planned level alone, unless its standard asks for the others.
    pub contact_from_lowest: bool,
    /// Surges at every level up to the planned one. The basic standard wants the lower levels passed too; they cost two to
    /// three times the pulses and wear the protection parts. False: only where the product's standard asks for them.
    pub surge_from_lowest: bool,
    /// The product stands on a table with a horizontal coupling plane under it.
    pub horizontal_plane: bool,
    /// Repetition of the pulses in a burst, kHz, where the standard leaves 5 or 100 open.
    pub burst_repetitions_khz: Vec<f64>,
    /// Angles at which dips begin, degrees.
    pub dip_angles_deg: Vec<f64>,
    /// Supply voltages at which dips are run, V; empty: the rated one.
    pub dip_voltages_v: Vec<f64>,
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
            contact_from_lowest: true,
            surge_from_lowest: false,
            horizontal_plane: true,
            burst_repetitions_khz: vec![5.0, 100.0],
            dip_angles_deg: vec![0.0, 180.0],
            dip_voltages_v: Vec::new(),
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
    immunity::sheet::sweep_count(from_hz, to_hz, stimuli::STEP).unwrap_or(1)
}

/// How long one test of the plan takes at this pace, without setting up the rig. `earthed` and `phases` decide the
/// coupling paths of surges on the mains.
pub fn duration(test: &PlannedTest, pace: &Pace, earthed: bool, phases: u8) -> Duration {
    let mut d = Duration::default();
    let dwell = stimuli::dwell(test, pace);
    let modulations = stimuli::modulations(test).len() as f64;
    let frequencies = || -> u32 { stimuli::bands(test).iter().map(|b| b.count(stimuli::STEP).unwrap_or(1)).sum() };
    match test.phenomenon {
        Phenomenon::RfField => {
            let sweeps = f64::from(pace.faces) * 2.0 * modulations;
            let n = frequencies();
            d.add(
                format!("{sweeps} sweeps (faces, polarisations, modulations) of {n} frequencies, dwell and settling"),
                sweeps * f64::from(n),
                dwell + pace.field_settle_s,
            );
            sweep_by_itself(&mut d, pace, sweeps);
            d.add("turning to the next face and polarisation", sweeps, pace.face_turn_s);
        }
        Phenomenon::ConductedRf => {
            let n = frequencies();
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
            let repetitions = stimuli::repetitions_khz(test, pace).len() as f64;
            d.add("repetition rates and polarities, a minute of bursts each", 2.0 * repetitions, each);
            d.add("moving the coupling to this port", 1.0, pace.port_change_s);
        }
        Phenomenon::Surge => pulses(&mut d, test, pace, earthed, phases, ("surges", pace.surge_rest_s)),
        Phenomenon::ElectrostaticDischarge => {
            let (contact, air) = stimuli::discharge_kv(test, pace);
            d.add(
                "contact discharges: points, both polarities, ten each, levels",
                f64::from(pace.contact_points) * 20.0 * contact.len() as f64,
                pace.discharge_interval_s,
            );
            d.add(
                "air discharges: points, both polarities, ten each, every level up to this one",
                f64::from(pace.air_points) * 20.0 * air.len() as f64,
                pace.discharge_interval_s,
            );
            let planes = f64::from(u32::from(pace.horizontal_plane) + pace.plane_faces);
            d.add(
                "discharges to the horizontal and the vertical coupling plane",
                planes * 20.0 * contact.len() as f64,
                pace.discharge_interval_s,
            );
            let positions = f64::from(pace.contact_points + pace.air_points) + planes;
            d.add("from point to point", positions, pace.point_move_s);
        }
        Phenomenon::PowerFrequencyMagneticField => {
            d.add("three axes at the mains frequency", 3.0, pace.magnetic_s.max(pace.dwell_s));
            d.add("turning coil or product", 3.0, pace.coil_turn_s);
        }
        Phenomenon::VoltageDip | Phenomenon::ShortInterruption => {
            let runs = (pace.dip_angles_deg.len() * pace.dip_voltages_v.len().max(1)) as f64;
            d.add("three events at each angle and voltage", 3.0 * runs, stimuli::dip_s(test, 50.0));
            d.add("pauses between them", 2.0 * runs, 10.0);
            d.add("setting and observing", 1.0, stimuli::SET_DIP_S);
        }
        Phenomenon::SupplyVoltageVariation => d.add("upper and lower voltage, observed", 2.0, stimuli::HOLD_S),
        Phenomenon::RingWave => pulses(&mut d, test, pace, earthed, phases, ("ring waves", RING_REST_S)),
        Phenomenon::DampedWave => {
            let s = stimuli::damped(test, "", pace.port_change_s, DAMPED_LEVEL);
            d.add("waves: frequencies, paths, both signs", 1.0, s.stimulus_s);
            d.add("moving the coupling to this port", 1.0, s.change_s);
        }
        Phenomenon::ProximityField => {
            let s = stimuli::proximity(None, dwell);
            d.add("windows and frequencies", f64::from(s.count), dwell);
            d.add("moving the loop", s.change_s / MOVE_LOOP_S, MOVE_LOOP_S);
        }
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

fn pulses(d: &mut Duration, test: &PlannedTest, pace: &Pace, earthed: bool, phases: u8, (word, rest_s): (&str, f64)) {
    let shots = stimuli::shots(test).len() as f64;
    let ways = stimuli::ways(test, pace, earthed, phases);
    for (to_earth, words) in [(false, "line to line"), (true, "line to earth")] {
        let some: Vec<_> = ways.iter().filter(|w| w.to_earth == to_earth).collect();
        let Some(first) = some.first() else { continue };
        let (paths, levels) = (some.len() as f64, first.levels_kv.len() as f64);
        d.add(
            format!("{word} {words}: {paths} paths, {shots} angles and polarities, 5 each, {levels} levels"),
            paths * shots * 5.0 * levels,
            rest_s,
        );
    }
    d.add("moving the coupling to this port", 1.0, pace.port_change_s);
}
