//! One record, measured: what passes are made over it and what is said of the result.

use std::ops::ControlFlow;

use signal::SampleSource;
use standards::Detector;

use crate::downmix::Downmix;
use crate::engine::{Engine, Pass};
use crate::floor::{NoiseFloor, Sampler};
use crate::front::Front;
use crate::plan::{self, Plan};
use crate::simd::{InstructionSet, LANES};
use crate::timeline::{Keeper, Timeline};
use crate::types::{Levels, OnProgress, Overload, RESOLVED_DB, Reading, ReceiverError, Settings, Start};
use crate::weighting::{meter_rise_s, noise_bandwidth_hz};
use crate::witness::Witness;

/// Observation below which a note says that the record was taken for repeating, s (common practice: at least 1 s).
const COMMON_OBSERVATION_S: f64 = 1.0;
/// A repetition that began this close (relatively) to where it would have ended as it began counts as settled: 0.003 dB.
const PERIODIC: f64 = 3e-4;
/// Passes after which a settled reading is taken as it is, and a note says so.
const MAX_PASSES: u32 = 40;
/// Below this nothing is told apart from silence, V: −120 dBµV.
const SILENCE_V: f64 = 1e-12;

/// Measures a record: every detector of the band at every frequency of the grid.
///
/// The source is read from its first frame; memory does not grow with its length. A settled start plays the record, or its
/// beginning where it is long, again through [`SampleSource::rewind`].
pub fn receive(
    source: &mut dyn SampleSource,
    settings: &Settings,
    progress: &mut OnProgress<'_>,
) -> Result<Levels, ReceiverError> {
    receive_with(source, settings, progress, InstructionSet::best())
}

/// [`receive`] with one of [`crate::instruction_sets`] by its name instead of the fastest: to compare them. The levels are
/// the same bits on each.
///
/// # Errors
/// [`ReceiverError::Settings`] names an instruction set that this machine does not have.
pub fn receive_on(
    instructions: &str,
    source: &mut dyn SampleSource,
    settings: &Settings,
    progress: &mut OnProgress<'_>,
) -> Result<Levels, ReceiverError> {
    receive_with(source, settings, progress, InstructionSet::named(instructions)?)
}

/// Threads that a measurement with these settings uses.
pub(crate) fn threads_of(settings: &Settings) -> usize {
    settings
        .threads
        .unwrap_or_else(|| std::thread::available_parallelism().map_or(1, std::num::NonZero::get))
        .clamp(1, 256)
}

/// The engine for a record of these settings, with its rate changer.
pub(crate) fn engine_of(
    settings: &Settings,
    complex: bool,
    set: InstructionSet,
) -> Result<(Engine, Option<Downmix>), ReceiverError> {
    let plan = Plan::new(settings, complex)?;
    let mut engine = Engine::new(plan, settings.band, threads_of(settings), set);
    let bins = engine.frequency_hz().len();
    engine.witness = Witness {
        keeper: settings.timeline.map(|size| Keeper::new(size, bins)),
        sampler: settings.noise_floor.then(|| Sampler::new(bins)),
        ..Witness::default()
    };
    let downmix = engine.downmix(settings.rate_hz);
    Ok((engine, downmix))
}

/// Seconds of outputs that a detector needs from rest until a steady sine is read within 0.2 dB.
pub(crate) fn needs_s(settings: &Settings, detector: Detector) -> f64 {
    let band = settings.band;
    let rise_s = meter_rise_s(band.meter_s());
    match detector {
        Detector::Peak => 0.0,
        Detector::QuasiPeak => rise_s + 3.0 * band.quasi_peak_s().map_or(0.0, |(c, _)| c),
        Detector::CisprAverage => rise_s,
        Detector::RmsAverage => rise_s + 1.0 / band.rms_corner_hz(),
    }
}

pub(crate) fn receive_with(
    source: &mut dyn SampleSource,
    settings: &Settings,
    progress: &mut OnProgress<'_>,
    set: InstructionSet,
) -> Result<Levels, ReceiverError> {
    let band = settings.band;
    plan::check(settings)?;
    let mut front = Front::new(source, settings.channel, settings.volts_per_unit)?;
    let (engine, mut downmix) = engine_of(settings, front.complex(), set)?;
    let hop_s = engine.constants.hop_s;
    let mut run = |front: &mut Front<'_>, pass: Pass, progress: &mut OnProgress<'_>| {
        engine.pass(front, downmix.as_mut(), pass, progress, &mut |_, _, _| ControlFlow::Continue(()))
    };

    // A settled reading of a long record counts from where the start is forgotten, and the beginning is played again.
    let memory_s = 14.0 * band.meter_s() + 6.0 * band.quasi_peak_s().map_or(0.0, |(_, d)| d);
    let memory = (memory_s / hop_s).ceil() as u64;
    let long = settings.start == Some(Start::Settled)
        && front.frames_total().is_some_and(|n| n as f64 / settings.rate_hz > 1.5 * memory_s);
    let track = if long { memory } else { 0 };
    let again = |number, spectra| Pass { number, spectra, track: 0, crests: false, witnessed: false };
    let first = Pass { number: 1, spectra: None, track, crests: true, witnessed: true };
    if let (Some(n), Some(sampler)) = (front.frames_total(), &engine.witness.sampler) {
        let last_s = n.saturating_sub(engine.needed(settings.rate_hz)) as f64 / settings.rate_hz;
        sampler.expect((last_s / hop_s) as u64 + 1);
    }
    // A record that will be settled and is not long keeps its magnitudes, where they fit.
    let least_s = Detector::ALL.into_iter().map(|d| needs_s(settings, d)).fold(0.0, f64::max);
    if let Some(n) = front.frames_total()
        && !long
        && settings.start != Some(Start::Rest)
    {
        let outputs_s = n.saturating_sub(engine.needed(settings.rate_hz)) as f64 / settings.rate_hz;
        if settings.start.is_some() || outputs_s < 1.01 * least_s {
            engine.keep((outputs_s / hop_s) as u64 + 64);
        }
    }
    let spectra = run(&mut front, first, progress)?;
    let frames = front.frames;
    let duration_s = frames as f64 / settings.rate_hz;
    if spectra == 0 {
        return Err(too_short(settings, &engine, frames));
    }
    let overload = front.rewind()?;
    let mut notes = engine.plan_notes().to_vec();

    let observed_s = (spectra - 1) as f64 * hop_s;
    let short = Detector::ALL.into_iter().any(|d| observed_s < needs_s(settings, d));
    let start = settings.start.unwrap_or(if short { Start::Settled } else { Start::Rest });
    if start == Start::Rest {
        engine.forget();
    }
    if start == Start::Settled {
        if long {
            run(&mut front, again(2, Some(memory)), progress)?;
        } else if let Some(worst) = engine.settle(spectra, PERIODIC, front.frames_total(), progress)? {
            if worst > PERIODIC {
                notes
                    .push(format!("the quasi-peak detector is settled to {:.3} dB only", 20.0 * (1.0 + worst).log10()));
            }
        } else {
            let mut number = 1;
            loop {
                let mut worst = 0.0_f64;
                engine.for_each_group(|_, g| worst = worst.max(g.close_ring(&engine.constants, spectra)));
                if worst <= PERIODIC {
                    break;
                }
                if number == MAX_PASSES {
                    notes.push(format!(
                        "after {MAX_PASSES} repetitions the detectors still moved by {:.3} dB per repetition",
                        20.0 * (1.0 + worst).log10()
                    ));
                    break;
                }
                number += 1;
                engine.for_each_group(|_, g| g.forget_tops());
                front.rewind()?;
                run(&mut front, again(number, None), progress)?;
            }
        }
        if duration_s < COMMON_OBSERVATION_S {
            notes.push(format!(
                "the record lasts {duration_s:.4} s: the readings suppose that it goes on repeating, and do not hold what happens more rarely"
            ));
        }
    }
    let seen = Seen { start, observed_s, duration_s, overload, notes, lsb_v: front.lsb_v, complex: front.complex() };
    let floor = floor_of(&engine, settings, observed_s);
    let timeline = timeline_of(&engine, settings);
    Ok(Levels { timeline, ..levels_of(&engine, settings, seen, floor) })
}

pub(crate) fn too_short(settings: &Settings, engine: &Engine, frames: u64) -> ReceiverError {
    ReceiverError::TooShort {
        frames,
        duration_s: frames as f64 / settings.rate_hz,
        bandwidth_hz: settings.band.bandwidth_hz(),
        needed: engine.needed(settings.rate_hz),
    }
}

/// What passes over a record brought to light besides the detectors' states.
pub(crate) struct Seen {
    pub(crate) start: Start,
    /// Time between the first and the last output of the filter, s.
    pub(crate) observed_s: f64,
    pub(crate) duration_s: f64,
    pub(crate) overload: Overload,
    pub(crate) notes: Vec<String>,
    /// Step of an integer record, V.
    pub(crate) lsb_v: Option<f64>,
    pub(crate) complex: bool,
}

/// The noise floor that the witness saw.
pub(crate) fn floor_of(engine: &Engine, settings: &Settings, observed_s: f64) -> Option<NoiseFloor> {
    let sampler = engine.witness.sampler.as_ref()?;
    sampler.floor(settings.band, engine.frequency_hz().len(), observed_s, threads_of(settings))
}

/// The time structure that the witness saw.
pub(crate) fn timeline_of(engine: &Engine, settings: &Settings) -> Option<Timeline> {
    let keeper = engine.witness.keeper.as_ref()?;
    let middle_s = 0.5 * engine.needed(settings.rate_hz) as f64 / settings.rate_hz;
    let mut peaks = Vec::new();
    engine.for_each_group(|_, g| peaks.extend(g.peak_at.into_iter().zip(g.weighting.peak)));
    peaks.truncate(engine.frequency_hz().len());
    Some(keeper.timeline(engine.frequency_hz(), engine.constants.hop_s, middle_s, &peaks))
}

/// The detectors' states as levels, with all that is to be said of them; without the timeline.
pub(crate) fn levels_of(engine: &Engine, settings: &Settings, seen: Seen, noise_floor: Option<NoiseFloor>) -> Levels {
    let band = settings.band;
    let Seen { start, observed_s, duration_s, overload, mut notes, lsb_v, complex } = seen;
    let has = |d: Detector| d != Detector::QuasiPeak || band.quasi_peak_s().is_some();
    if start == Start::Rest {
        let low: Vec<&str> = Detector::ALL
            .into_iter()
            .filter(|d| observed_s < needs_s(settings, *d) && has(*d))
            .map(Detector::name)
            .collect();
        if !low.is_empty() {
            notes.push(format!(
                "the record lasts {duration_s:.4} s, too short from rest for {}: these levels are lower bounds",
                low.join(", ")
            ));
        }
    }
    if overload.clipped_samples > 0 {
        notes.push(format!(
            "{} samples stand at the end of the number range or in runs of equal extremes (longest {}): the record is clipped and its levels are not to be trusted",
            overload.clipped_samples, overload.longest_run
        ));
    }
    let count = engine.frequency_hz().len();
    let mut columns = [const { Vec::new() }; 4];
    engine.for_each_group(|i, g| {
        let readings = g.readings(&engine.constants);
        let n = LANES.min(count - i * LANES);
        for (column, r) in columns.iter_mut().zip(&readings) {
            column.extend(r[..n].iter().map(|v| 20.0 * (v.max(SILENCE_V) * 1e6).log10()));
        }
    });
    let mut lowest_unresolved = 0;
    let readings: Vec<Reading> = Detector::ALL
        .into_iter()
        .zip(columns)
        .filter(|(d, _)| has(*d))
        .map(|(detector, level_dbuv): (Detector, Vec<f64>)| {
            let not_resolved: Vec<bool> = noise_floor.as_ref().map_or_else(Vec::new, |f| {
                level_dbuv.iter().enumerate().map(|(i, l)| *l < f.level_dbuv(detector, i) + RESOLVED_DB).collect()
            });
            lowest_unresolved = lowest_unresolved.max(not_resolved.iter().filter(|n| **n).count());
            Reading {
                detector,
                lower_bound: vec![start == Start::Rest && observed_s < needs_s(settings, detector); level_dbuv.len()],
                level_dbuv,
                not_resolved,
            }
        })
        .collect();
    if let Some(floor) = &noise_floor {
        let known = floor.rms_average_dbuv.iter().filter(|l| l.is_finite());
        let (low, high) = known.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        notes.push(format!(
            "the record's own noise floor reads {low:.1} to {high:.1} dBµV (RMS-average); of {count} frequencies up to {lowest_unresolved} stand less than {RESOLVED_DB:.0} dB above it and are marked as not resolved"
        ));
    }

    // Rounding to steps of q adds q²/12, spread evenly over 0 to half the rate (for complex records twice as much over
    // twice the width, and half of that is the carrier's power).
    let quantisation_floor_dbuv = lsb_v.map(|q| {
        let spread_hz = if complex { settings.rate_hz } else { 0.5 * settings.rate_hz };
        let power = q * q / 12.0 * noise_bandwidth_hz(band.bandwidth_hz()) / spread_hz;
        20.0 * (power.sqrt() * 1e6).log10()
    });
    Levels {
        frequency_hz: engine.frequency_hz().to_vec(),
        readings,
        start,
        duration_s,
        bandwidth_hz: band.bandwidth_hz(),
        notes,
        overload,
        quantisation_floor_dbuv,
        noise_floor,
        timeline: None,
    }
}
