//! What a planned immunity test applies: levels, paths, bands. Durations and run sheets are both made of it.

use immunity::sheet::{
    Band, DampedPlan, NearFace, Polarity, Sheet, SurgeGroup, damped as damped_sheet, dwell_s, spots,
};
use immunity::surge::Coupling;
use standards::{Phenomenon, Port};

use crate::duration::Pace;
use crate::plan::PlannedTest;

/// A step of a sweep as a part of the frequency before (IEC 61000-4-3 and -4-6).
pub(crate) const STEP: f64 = 0.01;
/// Setting the source for a dip and looking at the product, s (common practice).
pub(crate) const SET_DIP_S: f64 = 60.0;
/// A slow variation of the supply is held this long, s (common practice).
pub(crate) const HOLD_S: f64 = 900.0;
/// Between two ring waves, s: one to six a minute at 12 ohm (from memory).
pub(crate) const RING_REST_S: f64 = 10.0;
/// Moving the near-field loop to the next window, s (common practice).
pub(crate) const MOVE_LOOP_S: f64 = 15.0;
/// Level of damped waves where the row gives none.
pub(crate) const DAMPED_LEVEL: usize = 3;
/// A box where the product's size is not said: length, width, height, m.
pub const USUAL_BOX_M: [f64; 3] = [0.3, 0.2, 0.1];

pub(crate) fn figure(test: &PlannedTest, quantity: &str) -> Option<f64> {
    test.level.iter().find(|l| l.quantity == quantity).map(|l| l.value)
}

/// Lower levels of a ladder and the level itself, kV (IEC 61000-4-2 air, IEC 61000-4-5).
pub(crate) fn ladder(level_kv: f64, rungs: &[f64], lower: bool) -> Vec<f64> {
    let mut levels: Vec<f64> =
        if lower { rungs.iter().copied().filter(|r| *r < level_kv).collect() } else { Vec::new() };
    levels.push(level_kv);
    levels
}

/// Runs of a swept test, one for each modulation.
pub(crate) fn modulations(test: &PlannedTest) -> Vec<String> {
    if test.signal.starts_with("two runs") {
        return vec!["80 % AM 1 kHz".to_owned(), "pulsed at 1 Hz, 0.5 s on and 0.5 s off".to_owned()];
    }
    let first = test.signal.split(';').next().unwrap_or_default().trim();
    vec![if first.is_empty() { "80 % AM 1 kHz".to_owned() } else { first.to_owned() }]
}

/// Dwell at each frequency, s.
pub(crate) fn dwell(test: &PlannedTest, pace: &Pace) -> f64 {
    dwell_s(pace.dwell_s, 0.0, test.signal.contains("1 Hz") && test.signal.contains("pulse modulation"))
}

/// Bands of a swept test with their levels.
pub(crate) fn bands(test: &PlannedTest) -> Vec<Band> {
    let level = figure(test, "field_strength").or_else(|| figure(test, "emf"));
    if let Some(level) = level {
        return test.frequency_hz.iter().map(|[a, b]| Band::new(*a, *b, level)).collect();
    }
    // CISPR 35 lets the level fall between 10 MHz and 30 MHz.
    let (low, high) = (figure(test, "emf_0.15_to_10_MHz"), figure(test, "emf_30_to_80_MHz"));
    match (low, high, test.frequency_hz.first()) {
        (Some(low), Some(high), Some([from, to])) if *from < 10e6 && *to > 30e6 => vec![
            Band::new(*from, 10e6, low),
            Band { from_hz: 10e6, to_hz: 30e6, level: low, level_to: Some(high) },
            Band::new(30e6, *to, high),
        ],
        _ => {
            let any = test.level.first().map_or(0.0, |l| l.value);
            test.frequency_hz.iter().map(|[a, b]| Band::new(*a, *b, any)).collect()
        }
    }
}

/// Levels of contact and air discharge, kV, rising; empty where the row has none.
pub(crate) fn discharge_kv(test: &PlannedTest, pace: &Pace) -> (Vec<f64>, Vec<f64>) {
    let lower = test.lower_levels || pace.contact_from_lowest;
    let contact = figure(test, "contact_voltage").map_or_else(Vec::new, |kv| ladder(kv, &[2.0, 4.0, 6.0], lower));
    let air = figure(test, "air_voltage").map_or_else(Vec::new, |kv| ladder(kv, &[2.0, 4.0, 8.0], true));
    (contact, air)
}

/// Repetition of the pulses in a burst, kHz: what the row names, or what the pace says where it leaves the choice.
pub(crate) fn repetitions_khz(test: &PlannedTest, pace: &Pace) -> Vec<f64> {
    match (test.signal.contains("5 kHz"), test.signal.contains("100 kHz")) {
        (true, false) => vec![5.0],
        (false, true) => vec![100.0],
        _ => pace.burst_repetitions_khz.clone(),
    }
}

/// Length of a dip, s.
pub(crate) fn dip_s(test: &PlannedTest, mains_hz: f64) -> f64 {
    let cycles = if mains_hz > 55.0 { figure(test, "duration_at_60_hz") } else { figure(test, "duration_at_50_hz") };
    cycles.unwrap_or(25.0) / mains_hz
}

/// A path of a surge or ring wave.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Way {
    /// For people.
    pub name: String,
    /// From lines to earth, not between lines.
    pub to_earth: bool,
    /// Levels, kV, rising.
    pub levels_kv: Vec<f64>,
    /// How it is coupled.
    pub coupling: Coupling,
}

/// Angles and signs of a test: the standard's own pair, or both signs at four angles; DC and signal lines: both signs.
pub(crate) fn shots(test: &PlannedTest) -> Vec<(Option<f64>, Polarity)> {
    match (test.port_kind == Port::AcMains, test.phase_deg.as_slice()) {
        (true, []) => SurgeGroup::both_signs(&[0.0, 90.0, 180.0, 270.0]),
        (true, angles) => angles
            .iter()
            .enumerate()
            .map(|(k, a)| (Some(*a), if k == 0 { Polarity::Positive } else { Polarity::Negative }))
            .collect(),
        (false, _) => SurgeGroup::both_signs(&[]),
    }
}

/// The paths of a surge or ring wave at a port, line to line first.
pub(crate) fn ways(test: &PlannedTest, pace: &Pace, earthed: bool, phases: u8) -> Vec<Way> {
    const SURGE_KV: [f64; 4] = [0.5, 1.0, 2.0, 4.0];
    const RING_KV: [f64; 5] = [0.25, 0.5, 1.0, 2.0, 4.0];
    let rungs: &[f64] = if test.phenomenon == Phenomenon::RingWave { &RING_KV } else { &SURGE_KV };
    let wires: Vec<&str> = match (test.port_kind, phases) {
        (Port::AcMains, 3) => vec!["L1", "L2", "L3", "N"],
        (Port::AcMains, _) => vec!["L", "N"],
        (Port::DcPower, _) => vec!["+", "−"],
        _ => Vec::new(),
    };
    let lower = test.lower_levels || pace.surge_from_lowest;
    let power = !wires.is_empty();
    let telecom = test.signal.starts_with("10/700");
    let mut ways = Vec::new();
    if let Some(kv) = figure(test, "line_to_line_open_circuit_voltage") {
        let levels_kv = ladder(kv, rungs, lower);
        let coupling = if telecom {
            Coupling::Telecom
        } else if power {
            Coupling::LineLine
        } else {
            Coupling::Signal
        };
        let mut add = |name: String| ways.push(Way { name, to_earth: false, levels_kv: levels_kv.clone(), coupling });
        match test.port_kind {
            Port::AcMains => {
                for (i, a) in wires.iter().enumerate() {
                    for b in &wires[i + 1..] {
                        add(format!("{a} to {b}"));
                    }
                }
            }
            Port::DcPower => add("+ to −".to_owned()),
            _ => add("line to line".to_owned()),
        }
    }
    if let Some(kv) = figure(test, "line_to_earth_open_circuit_voltage")
        && (test.port_kind != Port::AcMains || earthed)
    {
        let levels_kv = ladder(kv, rungs, lower);
        let coupling = if telecom {
            Coupling::Telecom
        } else if power {
            Coupling::LineEarth
        } else {
            Coupling::Signal
        };
        let mut add = |name: String| ways.push(Way { name, to_earth: true, levels_kv: levels_kv.clone(), coupling });
        if power {
            for w in &wires {
                add(format!("{w} to earth"));
            }
        } else {
            add("lines to earth".to_owned());
        }
    }
    ways
}

/// Steps of damped waves at a port: the slow ones, and the fast ones too where the row names them.
pub(crate) fn damped(test: &PlannedTest, name: &str, change_s: f64, level: usize) -> Sheet {
    let fast = test.signal.contains("fast") || test.signal.contains("3 MHz");
    let ids: &[&str] = if fast {
        &["damped-100k", "damped-1M", "damped-3M", "damped-10M", "damped-30M"]
    } else {
        &["damped-100k", "damped-1M"]
    };
    let two = matches!(test.port_kind, Port::AcMains | Port::DcPower);
    let plan = DampedPlan {
        ports: vec![(name.to_owned(), two)],
        waves: ids.iter().map(|i| (*i).to_owned()).collect(),
        level,
        change_s,
    };
    damped_sheet(&plan).unwrap_or_else(|_| Sheet::empty("damped-wave").expect("a built-in method"))
}

/// Steps of near fields over the six faces of a box.
pub(crate) fn proximity(size_m: Option<[f64; 3]>, dwell_s: f64) -> Sheet {
    let faces = NearFace::of_box(size_m.unwrap_or(USUAL_BOX_M));
    immunity::sheet::proximity(&faces, spots(), dwell_s, MOVE_LOOP_S)
}
