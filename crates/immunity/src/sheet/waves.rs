//! Ring waves (IEC 61000-4-12), damped oscillatory waves (IEC 61000-4-18) and magnetic near fields (IEC 61000-4-39).

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use standards::Known;

use super::{Polarity, Sheet, SheetError, Step, SurgeGroup, start, surge_in_order};

/// A ring wave or a damped oscillatory wave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wave {
    /// `ring`, `damped-100k`, `damped-1M`, `damped-3M`, `damped-10M`, `damped-30M`.
    pub id: String,
    /// For people.
    pub name: String,
    /// Standard with edition.
    pub standard: String,
    /// Frequency of its oscillation, Hz.
    pub frequency_hz: f64,
    /// Rise time of the first half wave, s.
    pub rise_s: f64,
    /// Impedance of the source, ohm.
    pub source_ohm: f64,
    /// Levels 1 and up, kV: line to line (0: none) and line to earth.
    pub levels_kv: Vec<[f64; 2]>,
    /// Waves a second.
    pub repetition_hz: f64,
    /// How long it is applied, s; 0 where single waves are counted.
    pub seconds: f64,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub known: Known,
}

/// A frequency of the near-field test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spot {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Field at the window, A/m r.m.s. of the unmodulated carrier.
    pub field_a_per_m: f64,
    /// Modulation, in words.
    pub modulation: String,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub known: Known,
}

#[derive(Deserialize)]
struct File {
    wave: Vec<Wave>,
    spot: Vec<Spot>,
}

static WAVES: LazyLock<File> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    toml::from_str(include_str!("../../data/waves.toml")).unwrap_or_else(|error| panic!("built-in wave data: {error}"))
});

/// All waves.
pub fn waves() -> &'static [Wave] {
    &WAVES.wave
}

/// The wave of this id.
pub fn wave(id: &str) -> Option<&'static Wave> {
    WAVES.wave.iter().find(|w| w.id == id)
}

/// The frequencies of the near-field test.
pub fn spots() -> &'static [Spot] {
    &WAVES.spot
}

/// The sheet of ring waves, in the order given.
///
/// # Errors
/// A rest that is not positive.
pub fn ring_waves(groups: &[SurgeGroup], pulses: u32, rest_s: f64) -> Result<Sheet, SheetError> {
    surge_in_order("ring-wave", "ring wave", groups, pulses, rest_s)
}

/// Damped oscillatory waves at the ports of a product.
#[derive(Debug, Clone)]
pub struct DampedPlan {
    /// Ports: name, and whether the port has a second line for a wave from line to line.
    pub ports: Vec<(String, bool)>,
    /// Waves, by their ids.
    pub waves: Vec<String>,
    /// Level, from 1.
    pub level: usize,
    /// Time for plugging before each port, s.
    pub change_s: f64,
}

/// The sheet of damped oscillatory waves: at each port each wave, from lines to earth and from line to line, both signs of the
/// first half wave.
///
/// # Errors
/// A wave or level that is not there.
pub fn damped(plan: &DampedPlan) -> Result<Sheet, SheetError> {
    let mut s = start("damped-wave");
    for (port, lines) in &plan.ports {
        let mut first = true;
        for id in &plan.waves {
            let Some(w) = wave(id).filter(|w| w.seconds > 0.0) else {
                let expected = "damped-100k, damped-1M, damped-3M, damped-10M or damped-30M";
                return Err(SheetError { field: "wave", found: id.clone(), expected });
            };
            let Some([differential, common]) = plan.level.checked_sub(1).and_then(|k| w.levels_kv.get(k)) else {
                let expected = "a level of this wave, from 1 to 3 (slow) or 4 (fast)";
                return Err(SheetError { field: "level", found: plan.level.to_string(), expected });
            };
            for (how, kv) in [("lines to earth", *common), ("line to line", *differential)] {
                if kv == 0.0 || (how == "line to line" && !lines) {
                    continue;
                }
                for polarity in Polarity::BOTH {
                    let what =
                        format!("{}, {} a second for {} s, {}", w.name, w.repetition_hz, w.seconds, polarity.sign());
                    let step = Step {
                        interval_s: w.seconds,
                        dwell_s: Some(w.seconds),
                        from_hz: Some(w.frequency_hz),
                        polarity: Some(polarity),
                        ..Step::new(format!("{port}, {how}"), what, kv, "kV")
                    };
                    s.push(step, std::mem::take(&mut first).then_some(plan.change_s));
                }
            }
        }
    }
    Ok(s)
}

/// A face of the product under the loop.
#[derive(Debug, Clone, PartialEq)]
pub struct NearFace {
    /// In words.
    pub name: String,
    /// Width, m.
    pub width_m: f64,
    /// Height, m.
    pub height_m: f64,
}

/// Side of a window, m (from memory).
const WINDOW_M: f64 = 0.1;

impl NearFace {
    /// Windows across and down.
    pub fn windows(&self) -> [u32; 2] {
        [self.width_m, self.height_m].map(|side| (side / WINDOW_M - 1e-9).ceil().max(1.0) as u32)
    }

    /// The six faces of a box: length, width, height, m.
    pub fn of_box(size_m: [f64; 3]) -> Vec<Self> {
        let [l, w, h] = size_m;
        let face = |name: &str, width_m, height_m| Self { name: name.to_owned(), width_m, height_m };
        vec![
            face("front", l, h),
            face("back", l, h),
            face("left", w, h),
            face("right", w, h),
            face("top", l, w),
            face("underside", l, w),
        ]
    }
}

/// The sheet of magnetic near fields: face by face and window by window, every frequency at a window before the loop moves.
pub fn proximity(faces: &[NearFace], spots: &[Spot], dwell_s: f64, move_s: f64) -> Sheet {
    let mut s = start("proximity");
    for face in faces {
        let [across, down] = face.windows();
        for row in 1..=down {
            for column in 1..=across {
                let mut first = true;
                for spot in spots {
                    let step = Step {
                        interval_s: dwell_s,
                        dwell_s: Some(dwell_s),
                        from_hz: Some(spot.frequency_hz),
                        ..Step::new(
                            format!("{}, window in row {row} of {down}, column {column} of {across}", face.name),
                            format!("{} kHz, {}", spot.frequency_hz / 1e3, spot.modulation),
                            spot.field_a_per_m,
                            "A/m",
                        )
                    };
                    s.push(step, std::mem::take(&mut first).then_some(move_s));
                }
            }
        }
    }
    s
}
