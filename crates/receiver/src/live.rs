//! Measuring while the record is still coming in: the levels so far, again and again, from rest.
//!
//! The very passes of a finished record are made, one for each stretch without a loss. At a loss the pass ends, so no
//! spectrum reaches across it; the detectors and meters stand still over the lost time and go on with the next stretch.
//! Between the tiles of a pass all threads have met, and there the levels so far are read off.

use std::ops::ControlFlow;
use std::sync::atomic::Ordering::Relaxed;
use std::time::{Duration, Instant};

use signal::{Arrival, Block, LiveSource, SampleSource, SourceError};

use crate::engine::{Engine, Pass};
use crate::floor::NoiseFloor;
use crate::front::Front;
use crate::measure::{Seen, engine_of, floor_of, levels_of, timeline_of, too_short};
use crate::plan;
use crate::simd::InstructionSet;
use crate::types::{Levels, Overload, ReceiverError, Settings, Start};

/// How long one wait for more of the stream lasts.
const WAIT: Duration = Duration::from_millis(50);
/// How often the noise floor and the timeline are worked out again while it goes on.
const SLOW_REFRESH: Duration = Duration::from_secs(1);

/// Frames that were lost before they could be measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Loss {
    /// Number of the first lost frame, counted from the beginning of the stream.
    pub at_frame: u64,
    /// How many.
    pub frames: u64,
}

/// The levels of a stream so far.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveLevels {
    /// What every detector reads, from rest at [`LiveLevels::began_frame`]. The timeline and the noise floor are at most a
    /// second older than the rest.
    pub levels: Levels,
    /// Frame of the stream at which this measurement began.
    pub began_frame: u64,
    /// Frames of the stream that have come by, lost ones among them.
    pub frames: u64,
    /// Every loss since the measurement began.
    pub losses: Vec<Loss>,
    /// Frames that have come in and wait to be measured, where known.
    pub waiting_frames: Option<u64>,
}

impl LiveLevels {
    /// Frames lost since the measurement began.
    pub fn lost_frames(&self) -> u64 {
        self.losses.iter().map(|l| l.frames).sum()
    }
}

/// What is to happen after a refresh.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wish {
    /// Go on.
    GoOn,
    /// Forget everything and begin again from rest, with what comes next.
    StartAgain,
    /// That is enough.
    Stop,
}

/// Measures a stream while it comes in, from rest. `on_refresh` gets the levels so far, not more often than every
/// `refresh`; its wish is granted at once. To end it while nothing comes in, let the source answer [`Arrival::End`].
///
/// Returns the levels at the end, which are those of [`crate::receive`] from rest over the same frames where nothing was
/// lost.
pub fn follow(
    source: &mut dyn LiveSource,
    settings: &Settings,
    refresh: Duration,
    on_refresh: &mut dyn FnMut(&LiveLevels) -> Wish,
) -> Result<LiveLevels, ReceiverError> {
    plan::check(settings)?;
    if settings.start == Some(Start::Settled) {
        return Err(ReceiverError::Settings {
            field: "start",
            what: "settled, which plays a record again; a stream cannot be".to_owned(),
            expected: "rest, or nothing said".to_owned(),
        });
    }
    let mut stream = Stretch { source, over: None };
    let mut at = 0;
    loop {
        let mut run = Run { settings, began: at, at, losses: Vec::new(), engine: None, refresh, on_refresh };
        let wish = run.measure(&mut stream)?;
        at = run.at;
        if wish != Wish::StartAgain {
            return run.result(stream.source.waiting_frames());
        }
    }
}

/// The stream up to its next loss or its end, as a record.
struct Stretch<'s> {
    source: &'s mut dyn LiveSource,
    /// What ended it.
    over: Option<Arrival>,
}

impl SampleSource for Stretch<'_> {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        if self.over.is_some() {
            return Ok(None);
        }
        loop {
            match self.source.wait(WAIT)? {
                Arrival::Block => return Ok(Some(self.source.block())),
                Arrival::Nothing => {}
                over @ (Arrival::Gap(_) | Arrival::End) => {
                    self.over = Some(over);
                    return Ok(None);
                }
            }
        }
    }

    /// Nothing is played again; the front rewinds before it begins.
    fn rewind(&mut self) -> Result<(), SourceError> {
        Ok(())
    }

    fn frames(&self) -> Option<u64> {
        None
    }
}

/// What earlier stretches came to.
#[derive(Debug, Clone, Default)]
struct Past {
    observed_s: f64,
    frames: u64,
    overload: Overload,
    lsb_v: Option<f64>,
}

/// One measurement from rest.
struct Run<'r> {
    settings: &'r Settings,
    began: u64,
    at: u64,
    losses: Vec<Loss>,
    engine: Option<(Engine, Option<crate::downmix::Downmix>, Past, bool)>,
    refresh: Duration,
    on_refresh: &'r mut dyn FnMut(&LiveLevels) -> Wish,
}

impl Run<'_> {
    fn measure(&mut self, stream: &mut Stretch<'_>) -> Result<Wish, ReceiverError> {
        let settings = self.settings;
        let mut last = Instant::now();
        let mut slow: Option<(Instant, Option<NoiseFloor>, Option<crate::Timeline>)> = None;
        loop {
            let mut wish = Wish::GoOn;
            let mut front = Front::new(stream, settings.channel, settings.volts_per_unit)?;
            let complex = front.complex();
            if self.engine.is_none() && front.holds_frames() {
                let (engine, downmix) = engine_of(settings, complex, InstructionSet::best())?;
                self.engine = Some((engine, downmix, Past::default(), complex));
            }
            if let Some((engine, downmix, past, _)) = &mut self.engine {
                let hop_s = engine.constants.hop_s;
                let begins = ((self.at - self.began) as f64 / settings.rate_hz / hop_s).round() as u64;
                engine.witness.begins_at.store(begins, Relaxed);
                let (began, at, losses) = (self.began, self.at, &self.losses);
                let pass = Pass { number: 1, spectra: None, track: 0, crests: true, witnessed: true };
                let (refresh, on_refresh) = (self.refresh, &mut *self.on_refresh);
                let mut between = |engine: &Engine, front: &Front<'_>, spectra: u64| {
                    if wish != Wish::GoOn {
                        // What was under way when the wish came still goes through.
                        return ControlFlow::Break(());
                    }
                    if spectra == 0 || last.elapsed() < refresh {
                        return ControlFlow::Continue(());
                    }
                    let now = past.and(spectra, hop_s, front.frames, &front.overload_so_far(), front.lsb_v);
                    if slow.as_ref().is_none_or(|(when, ..)| when.elapsed() >= SLOW_REFRESH) {
                        let floor = floor_of(engine, settings, now.observed_s);
                        slow = Some((Instant::now(), floor, timeline_of(engine, settings)));
                    }
                    let (floor, timeline) = slow.as_ref().map_or((None, None), |(_, f, t)| (f.clone(), t.clone()));
                    let so_far = LiveLevels {
                        levels: Levels {
                            timeline,
                            ..levels_of(engine, settings, now.seen(settings, engine, complex), floor)
                        },
                        began_frame: began,
                        frames: at + front.frames,
                        losses: losses.clone(),
                        waiting_frames: None,
                    };
                    wish = on_refresh(&so_far);
                    last = Instant::now();
                    if wish == Wish::GoOn { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
                };
                let mut no_report = |_: &crate::Progress| ControlFlow::Continue(());
                let spectra = engine.pass(&mut front, downmix.as_mut(), pass, &mut no_report, &mut between)?;
                let frames = front.frames;
                *past = past.and(spectra, hop_s, frames, &front.overload_so_far(), front.lsb_v);
                self.at += frames;
            }
            drop(front);
            match stream.over.take() {
                Some(Arrival::Gap(frames)) => {
                    self.losses.push(Loss { at_frame: self.at, frames });
                    self.at += frames;
                }
                Some(Arrival::End) => {
                    stream.over = Some(Arrival::End);
                    return Ok(if wish == Wish::StartAgain { wish } else { Wish::Stop });
                }
                _ => {}
            }
            if wish != Wish::GoOn {
                return Ok(wish);
            }
        }
    }

    fn result(self, waiting_frames: Option<u64>) -> Result<LiveLevels, ReceiverError> {
        let settings = self.settings;
        let (engine, past, complex) = match self.engine {
            Some((engine, _, past, complex)) if past.observed_s > 0.0 => (engine, past, complex),
            Some((engine, _, past, _)) => return Err(too_short(settings, &engine, past.frames)),
            None => return Err(too_short(settings, &engine_of(settings, false, InstructionSet::best())?.0, 0)),
        };
        let floor = floor_of(&engine, settings, past.observed_s);
        let timeline = timeline_of(&engine, settings);
        let mut levels =
            Levels { timeline, ..levels_of(&engine, settings, past.seen(settings, &engine, complex), floor) };
        if !self.losses.is_empty() {
            let lost: u64 = self.losses.iter().map(|l| l.frames).sum();
            levels.notes.push(format!(
                "{lost} frames ({:.6} s) of the stream were lost in {} place(s), the first at {:.6} s: no spectrum reaches across them, and the detectors stood still meanwhile",
                lost as f64 / settings.rate_hz,
                self.losses.len(),
                self.losses[0].at_frame as f64 / settings.rate_hz,
            ));
        }
        Ok(LiveLevels { levels, began_frame: self.began, frames: self.at, losses: self.losses, waiting_frames })
    }
}

impl Past {
    /// With a stretch of so many spectra and frames more.
    fn and(&self, spectra: u64, hop_s: f64, frames: u64, overload: &Overload, lsb_v: Option<f64>) -> Self {
        Self {
            observed_s: self.observed_s + spectra.saturating_sub(1) as f64 * hop_s,
            frames: self.frames + frames,
            overload: Overload {
                clipped_samples: self.overload.clipped_samples + overload.clipped_samples,
                longest_run: self.overload.longest_run.max(overload.longest_run),
                highest_v: self.overload.highest_v.max(overload.highest_v),
            },
            lsb_v: self.lsb_v.or(lsb_v),
        }
    }

    fn seen(&self, settings: &Settings, engine: &Engine, complex: bool) -> Seen {
        Seen {
            start: Start::Rest,
            observed_s: self.observed_s,
            duration_s: self.frames as f64 / settings.rate_hz,
            overload: self.overload.clone(),
            notes: engine.plan_notes().to_vec(),
            lsb_v: self.lsb_v,
            complex,
        }
    }
}
