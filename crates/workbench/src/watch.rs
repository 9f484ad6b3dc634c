//! Measuring more than one trace of one file: several channels in one pass, the time structure beside the levels, a
//! stretch of a run, and streams that are still coming in.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use emission::Trace;
use formats::capture::{CaptureInfo, Follow, FollowNote, StreamFormat, follow_file, follow_tcp, open_capture};
use formats::timeline_file::{TimelineAxes, TimelineTable, read_timeline};
use project::Project;
use receiver::{LiveLevels, Settings, Timeline, TimelineSize, Wish, follow, receive_several};
use standards::Band;

use crate::evaluate::{KeptChoices, evaluate_run_with, kept_trace_path};
use crate::raw::{ReadingChoices, settings, trace_of};
use crate::{Evaluation, OnStage, Stage, WorkError};

/// Levels of one channel.
#[derive(Debug, Clone)]
pub struct Measured {
    /// Name of the channel in the file.
    pub channel: String,
    /// Its levels at the receiver input.
    pub trace: Trace,
    /// Peak level against time, where it was asked for.
    pub timeline: Option<TimelineTable>,
}

fn table(timeline: Timeline) -> TimelineTable {
    TimelineTable {
        axes: TimelineAxes {
            first_s: timeline.first_s,
            step_s: timeline.step_s,
            times: timeline.times(),
            from_hz: timeline.from_hz,
            to_hz: timeline.to_hz,
        },
        level_dbuv: timeline.level_dbuv,
    }
}

/// Measures channels of a capture, counted from 1, while reading it once.
pub fn measure_channels(
    path: &Path,
    name: &str,
    choices: &ReadingChoices,
    channels: &[usize],
    timeline: bool,
    on_stage: &mut OnStage<'_>,
) -> Result<Vec<Measured>, WorkError> {
    let mut capture = open_capture(path, &choices.capture)?;
    let info = capture.info().clone();
    let mut asked = Vec::with_capacity(channels.len());
    let mut notes = Vec::with_capacity(channels.len());
    for &number in channels {
        let (own, found) = settings(path, name, &info, choices, number)?;
        asked.push(Settings { timeline: timeline.then(TimelineSize::default), ..own });
        notes.push(found);
    }
    let levels = receive_several(&mut capture, &asked, &mut |p| {
        // The first pass is nearly all of the work; later ones only replay the beginning.
        let fraction = p.frames_total.filter(|_| p.pass == 1).map(|t| p.frames_done as f64 / t.max(1) as f64);
        on_stage(&Stage { what: if p.pass == 1 { "measuring" } else { "settling the detectors" }, fraction })
    })
    .map_err(|source| WorkError::Receiver { file: name.to_owned(), source })?;
    if on_stage(&Stage { what: "measured", fraction: Some(1.0) }) == ControlFlow::Break(()) {
        return Err(WorkError::Cancelled);
    }
    let several = channels.len() > 1;
    Ok(levels
        .into_iter()
        .zip(channels)
        .zip(notes)
        .map(|((mut levels, &number), found)| {
            let channel = info.channels.get(number - 1).map_or_else(String::new, |c| c.name.clone());
            let mut said = info.notes.clone();
            if several {
                said.push(format!("channel {number} ({channel}) of {} measured in one pass", channels.len()));
            }
            said.extend(found);
            let timeline = levels.timeline.take().map(table);
            let band = asked[0].band;
            Measured { channel, trace: trace_of(levels, &info, band, said), timeline }
        })
        .collect())
}

/// The time structure of a run's capture; nothing for a sweep.
pub fn run_timeline(dir: &Path, run: &str, on_stage: &mut OnStage<'_>) -> Result<Option<TimelineTable>, WorkError> {
    let project = Project::open(dir)?;
    let run = project.run(run)?;
    let Some(used) = run.record.captures.first() else { return Ok(None) };
    let kept = KeptChoices::of(&run.record.id, &used.choices)?;
    if kept.reading.kind == Some(crate::RawKind::Sweep) {
        return Ok(None);
    }
    let cache = kept_trace_path(&project, &used.capture, &kept.reading)?;
    if let Ok(Some(table)) = read_timeline(&cache) {
        return Ok(Some(table));
    }
    // Measured before this was kept, or the derived files were removed: measure again.
    let _ = std::fs::remove_file(&cache);
    crate::evaluate::kept_levels(&project, &used.capture, &kept.reading, on_stage)?;
    read_timeline(&cache).map_err(|e| WorkError::Ours(e.to_string()))
}

/// A stretch of a run's capture, measured and judged as the run was. Times in s after the record's first frame. Nothing of
/// it enters the ledger.
pub fn run_span(
    dir: &Path,
    run: &str,
    from_s: f64,
    to_s: f64,
    on_stage: &mut OnStage<'_>,
) -> Result<Evaluation, WorkError> {
    let project = Project::open(dir)?;
    let run = project.run(run)?;
    evaluate_run_with(&project, run, Some([from_s, to_s]), on_stage)
}

/// Where a stream comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Target {
    /// A file that grows.
    File(PathBuf),
    /// Numbers over TCP: `HOST:PORT`, with or without `tcp://` before it.
    Tcp(String, StreamFormat),
}

/// A stream, opened and ready to be measured.
pub struct Following {
    source: Follow,
    settings: Settings,
    name: String,
    notes: Vec<String>,
}

/// Levels of a stream so far.
#[derive(Debug, Clone)]
pub struct LiveTrace {
    /// The levels, from rest.
    pub trace: Trace,
    /// Peak level against time.
    pub timeline: Option<TimelineTable>,
    /// Seconds measured.
    pub measured_s: f64,
    /// Seconds of the stream that came in before this measurement began.
    pub began_s: f64,
    /// Frames lost since then, and every loss: when, in s from the stream's beginning, and how many frames.
    pub lost_frames: u64,
    /// Each loss: time in s from the stream's beginning, and frames.
    pub losses: Vec<(f64, u64)>,
    /// Seconds of the stream that wait to be measured, where known.
    pub behind_s: Option<f64>,
    /// Samples at the end of the number range, or in runs of equal extremes.
    pub clipped_samples: u64,
}

impl Following {
    /// Opens a stream. Of the choices those for the capture and for the receiver count.
    pub fn open(target: &Target, choices: &ReadingChoices) -> Result<Self, WorkError> {
        let (source, path, name) = match target {
            Target::File(path) => {
                let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
                (follow_file(path, &choices.capture)?, path.clone(), name)
            }
            Target::Tcp(address, format) => {
                (follow_tcp(address, format, &choices.capture)?, PathBuf::from(address), address.clone())
            }
        };
        let number = choices.receive.channel.unwrap_or(1);
        let (own, mut notes) = settings(&path, &name, source.info(), choices, number)?;
        notes.push(match source.note() {
            FollowNote::File => "followed while the file grew: whatever the speed, nothing of it is lost".to_owned(),
            FollowNote::Ring { bytes } => format!(
                "followed over the network through a ring of {} MiB: what did not fit would be lost and counted",
                bytes >> 20
            ),
        });
        let settings = Settings { start: None, timeline: Some(TimelineSize { times: 400, frequencies: 600 }), ..own };
        Ok(Self { source, settings, name, notes })
    }

    /// What is known of the stream.
    pub fn info(&self) -> &CaptureInfo {
        self.source.info()
    }

    /// Setting this ends the measurement with what came in until then.
    pub fn stop(&self) -> Arc<AtomicBool> {
        self.source.stop()
    }

    /// The band.
    pub fn band(&self) -> Band {
        self.settings.band
    }

    /// Measures until the stream ends, the stop is set or the wish is to stop; `on_refresh` gets the levels so far, every
    /// `refresh` at most.
    pub fn run(
        mut self,
        refresh: Duration,
        on_refresh: &mut dyn FnMut(&LiveTrace) -> Wish,
    ) -> Result<LiveTrace, WorkError> {
        let info = self.source.info().clone();
        let (band, rate_hz) = (self.settings.band, self.settings.rate_hz);
        let notes = std::mem::take(&mut self.notes);
        let look = |live: LiveLevels| {
            let mut levels = live.levels;
            let timeline = levels.timeline.take().map(table);
            LiveTrace {
                measured_s: levels.duration_s,
                began_s: live.began_frame as f64 / rate_hz,
                lost_frames: live.losses.iter().map(|l| l.frames).sum(),
                losses: live.losses.iter().map(|l| (l.at_frame as f64 / rate_hz, l.frames)).collect(),
                behind_s: live.waiting_frames.map(|f| f as f64 / rate_hz),
                clipped_samples: levels.overload.clipped_samples,
                timeline,
                trace: trace_of(levels, &info, band, notes.clone()),
            }
        };
        let end = follow(&mut self.source, &self.settings, refresh, &mut |l| on_refresh(&look(l.clone())))
            .map_err(|source| WorkError::Receiver { file: self.name.clone(), source })?;
        Ok(look(end))
    }
}
