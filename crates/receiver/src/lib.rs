//! The measuring receiver of CISPR 16-1-1 as mathematics: from a capture to levels on every detector, at every frequency
//! of the scan, from one pass over the record.
//!
//! Selectivity: Gaussian, −6 dB at the band's bandwidth. Short-time spectra (window cut at ±6 standard deviations,
//! folded onto the transform's length) follow each other after 0.75 standard deviations, which carries all the filter
//! passes; the peak is interpolated between them. Quasi-peak: a diode fed by the intermediate-frequency carrier
//! (conduction-angle law) with the charge time defined by the 63 % rule, second-order in time. Averages: critically
//! damped meter in double precision; the RMS-average's window slides in steps of a twentieth.
//!
//! **Which frequencies.** An asked grid is met exactly at any rate: where the rate does not divide into the step, the
//! range is first mixed down and brought to a rate that does, which costs time on one thread. Without an asked step the
//! frequencies are half the bandwidth apart where the rate allows it, and else the record's own (see
//! [`Settings::step_hz`]), which costs nothing.
//!
//! **When a level is a lower bound.** From rest ([`Start::Rest`]) a meter needs time to rise. Where the outputs of the
//! filter last less than what a steady sine needs to be read within 0.2 dB (5.6 meter time constants; plus the window of
//! the RMS-average detector, plus three charge times of the quasi-peak detector) the level is marked as a lower bound.
//! The peak never is. A settled reading ([`Start::Settled`]) supposes that what the record holds goes on repeating: it is
//! an estimate and not a bound, and a note says so where the record is shorter than the second that is commonly observed.
//! What repeats is what the filter passes in whole: the record without twelve standard deviations, without what the rate
//! changer takes (where there is one), and cut to whole spectra.

mod bins;
mod downmix;
mod engine;
mod front;
mod plan;
mod simd;
mod types;
mod weighting;

use signal::SampleSource;
use standards::Detector;

pub use types::{Levels, OnProgress, Overload, Progress, Reading, ReceiverError, Settings, Start};

use engine::{Engine, Pass};
use front::Front;
use plan::Plan;
use simd::{InstructionSet, LANES};
use weighting::meter_rise_s;

/// Observation below which a note says that the record was taken for repeating, s (common practice: at least 1 s).
const COMMON_OBSERVATION_S: f64 = 1.0;
/// Ends of a repetition that agree this well count as equal.
const PERIODIC: f64 = 3e-5;
/// Passes after which a settled reading is taken as it is, and a note says so.
const MAX_PASSES: u32 = 40;
/// Below this nothing is told apart from silence, V: −120 dBµV.
const SILENCE_V: f64 = 1e-12;

/// The fastest instruction set that this machine offers the receiver's loops, for people.
pub fn instruction_set() -> &'static str {
    InstructionSet::best().name()
}

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

fn receive_with(
    source: &mut dyn SampleSource,
    settings: &Settings,
    progress: &mut OnProgress<'_>,
    set: InstructionSet,
) -> Result<Levels, ReceiverError> {
    let band = settings.band;
    plan::check(settings)?;
    let mut front = Front::new(source, settings.channel, settings.volts_per_unit)?;
    let plan = Plan::new(settings, front.complex())?;
    let threads = settings
        .threads
        .unwrap_or_else(|| std::thread::available_parallelism().map_or(1, std::num::NonZero::get))
        .clamp(1, 256);
    let engine = Engine::new(plan, band, threads, set);
    let mut downmix = engine.downmix(settings.rate_hz);
    let hop_s = engine.constants.hop_s;

    // A settled reading of a long record counts from where the start is forgotten, and the beginning is played again.
    let memory_s = 14.0 * band.meter_s() + 6.0 * band.quasi_peak_s().map_or(0.0, |(_, d)| d);
    let memory = (memory_s / hop_s).ceil() as u64;
    let long = settings.start == Some(Start::Settled)
        && front.frames_total().is_some_and(|n| n as f64 / settings.rate_hz > 1.5 * memory_s);
    let first = Pass { number: 1, spectra: None, track: if long { memory } else { 0 }, crests: true };
    let spectra = engine.pass(&mut front, downmix.as_mut(), first, progress)?;
    let frames = front.frames;
    let duration_s = frames as f64 / settings.rate_hz;
    if spectra == 0 {
        return Err(ReceiverError::TooShort {
            frames,
            duration_s,
            bandwidth_hz: band.bandwidth_hz(),
            needed: engine.needed(settings.rate_hz),
        });
    }
    let overload = front.rewind()?;
    let mut notes = engine.plan_notes().to_vec();

    let observed_s = (spectra - 1) as f64 * hop_s;
    let rise_s = meter_rise_s(band.meter_s());
    let needs = |d: Detector| match d {
        Detector::Peak => 0.0,
        Detector::QuasiPeak => rise_s + 3.0 * band.quasi_peak_s().map_or(0.0, |(c, _)| c),
        Detector::CisprAverage => rise_s,
        Detector::RmsAverage => rise_s + 1.0 / band.rms_corner_hz(),
    };
    let short = Detector::ALL.into_iter().any(|d| observed_s < needs(d));
    let start = settings.start.unwrap_or(if short { Start::Settled } else { Start::Rest });
    if start == Start::Settled {
        if long {
            engine.for_each_group(|_, g| g.carry_on());
            let again = Pass { number: 2, spectra: Some(memory), track: 0, crests: false };
            engine.pass(&mut front, downmix.as_mut(), again, progress)?;
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
                let again = Pass { number, spectra: None, track: 0, crests: false };
                engine.pass(&mut front, downmix.as_mut(), again, progress)?;
            }
        }
        if duration_s < COMMON_OBSERVATION_S {
            notes.push(format!(
                "the record lasts {duration_s:.4} s: the readings suppose that it goes on repeating, and do not hold what happens more rarely"
            ));
        }
    } else if short {
        let low: Vec<&str> = Detector::ALL
            .into_iter()
            .filter(|d| observed_s < needs(*d) && (*d != Detector::QuasiPeak || band.quasi_peak_s().is_some()))
            .map(Detector::name)
            .collect();
        notes.push(format!(
            "the record lasts {duration_s:.4} s, too short from rest for {}: these levels are lower bounds",
            low.join(", ")
        ));
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
    let readings = Detector::ALL
        .into_iter()
        .zip(columns)
        .filter(|(d, _)| *d != Detector::QuasiPeak || band.quasi_peak_s().is_some())
        .map(|(detector, level_dbuv)| Reading {
            detector,
            lower_bound: vec![start == Start::Rest && observed_s < needs(detector); level_dbuv.len()],
            level_dbuv,
        })
        .collect();

    // Rounding to steps of q adds q²/12, spread evenly over 0 to half the rate (for complex records twice as much over
    // twice the width, and half of that is the carrier's power).
    let quantisation_floor_dbuv = front.lsb_v.map(|q| {
        let spread_hz = if front.complex() { settings.rate_hz } else { 0.5 * settings.rate_hz };
        let power = q * q / 12.0 * weighting::noise_bandwidth_hz(band.bandwidth_hz()) / spread_hz;
        20.0 * (power.sqrt() * 1e6).log10()
    });
    Ok(Levels {
        frequency_hz: engine.frequency_hz().to_vec(),
        readings,
        start,
        duration_s,
        bandwidth_hz: band.bandwidth_hz(),
        notes,
        overload,
        quantisation_floor_dbuv,
    })
}
