//! `receive` on more than one record at rest: several channels, a stretch, a stream that is still coming in.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clap::Args;
use emission::Trace;
use formats::capture::StreamFormat;
use formats::timeline_file::{timeline_paths, write_timeline};
use receiver::Wish;
use serde_json::{Value, json};
use workbench::{Following, LiveTrace, Measured, ReadingChoices, Target};

use crate::args::Receive;
use crate::interrupt;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};
use crate::trace_commands::{highest, trace_json, write_measured};

/// What `receive` takes beyond a record at rest.
#[derive(Debug, Clone, Args)]
pub(crate) struct ReceiveMore {
    /// Measure only from the first of these times to the second, s after the record's first frame
    #[arg(long, num_args = 2, value_names = ["FROM", "TO"], conflicts_with = "follow")]
    pub(crate) span: Vec<f64>,
    /// Keep the time structure too: peak level against time, beside the trace (TRACE.csv.timeline.npy and .json)
    #[arg(long)]
    pub(crate) timeline: bool,
    /// Measure while the record is still coming in: RECORD is a growing file (.npy, .wav, SigMF, or raw numbers with
    /// --format) or tcp://HOST:PORT (with --format and --rate). Ctrl-C ends it and writes the trace
    #[arg(long)]
    pub(crate) follow: bool,
    /// Number format of a stream or a raw file: i8, u8, i16, u16, i32, u32, f32 or f64, with _be for the great byte first
    #[arg(long)]
    pub(crate) format: Option<String>,
    /// The numbers are pairs: real and imaginary part
    #[arg(long)]
    pub(crate) complex: bool,
    /// Channels side by side in a stream or a raw file
    #[arg(long, default_value_t = 1)]
    pub(crate) stream_channels: usize,
    /// Seconds between two refreshes of what is shown while following
    #[arg(long, default_value_t = 0.25)]
    pub(crate) refresh: f64,
    /// End by itself after so many seconds of following
    #[arg(long)]
    pub(crate) seconds: Option<f64>,
}

/// A number format as the readers spell it: the least byte first where nothing is said.
pub(crate) fn data_type(format: &str, complex: bool) -> String {
    let mut text = if complex && !format.starts_with('c') { format!("c{format}") } else { format.to_owned() };
    let bytes = text.trim_start_matches(['c', 'r']).len();
    if !(text.ends_with("_le") || text.ends_with("_be")) && bytes > 2 {
        text.push_str("_le");
    }
    text
}

/// The name of one channel's trace among several: `x.csv` becomes `x.channel-2.csv`.
pub(crate) fn channel_path(out: &Path, channel: usize) -> PathBuf {
    let stem = out.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let end = out.extension().map_or_else(String::new, |e| format!(".{}", e.to_string_lossy()));
    out.with_file_name(format!("{stem}.channel-{channel}{end}"))
}

pub(crate) fn write_time_structure(out: &Path, measured: &Measured) -> Result<Option<String>, Failure> {
    let Some(table) = &measured.timeline else { return Ok(None) };
    write_timeline(out, table).map_err(|e| Failure::input(e.to_string()))?;
    let (array, axes) = timeline_paths(out);
    Ok(Some(format!(
        "{} cells of {:.3} ms by {} of frequency: {} (axes: {})",
        table.axes.times,
        table.axes.step_s * 1e3,
        table.axes.from_hz.len(),
        array.display(),
        axes.display()
    )))
}

/// Several channels of one record, read once.
pub(crate) fn several(show: Show, a: &Receive, measured: &[Measured], channels: &[usize]) -> Result<Outcome, Failure> {
    let mut documents = Vec::new();
    let mut text = format!("{} channels measured in one pass.\n", channels.len());
    for (m, &number) in measured.iter().zip(channels) {
        let out = a.out.as_ref().map(|o| channel_path(o, number));
        let start = write_measured(out.as_deref(), &m.trace)?;
        let structure = out.as_deref().map(|o| write_time_structure(o, m)).transpose()?.flatten();
        if show.json {
            let mut document = trace_json(a, &m.trace, start, out.as_deref());
            document.insert("channel".into(), json!(number));
            document.insert("channel_name".into(), json!(m.channel));
            documents.push(Value::Object(document));
            continue;
        }
        text.push_str(&format!(
            "\nChannel {number}, {}: the highest of {} frequencies, dBµV:\n",
            m.channel,
            m.trace.frequency_hz.len()
        ));
        text.push_str(&highest(&m.trace));
        if let Some(out) = &out {
            text.push_str(&format!("Written to {}\n", out.display()));
        }
        if let Some(said) = structure {
            text.push_str(&format!("Time structure, {said}\n"));
        }
    }
    if show.json {
        print::json(&json!({ "record": a.record.display().to_string(), "band": a.band, "channels": documents }))?;
    } else {
        for line in measured.first().map(|m| m.trace.history.as_slice()).unwrap_or_default() {
            text.push_str(&format!("· {line}\n"));
        }
        print::text(&text)?;
    }
    Ok(Outcome::Done)
}

/// Follows a growing file or a stream until it ends or Ctrl-C.
pub(crate) fn follow(show: Show, a: &Receive, reading: &ReadingChoices) -> Result<Outcome, Failure> {
    let more = &a.more;
    if !(more.refresh >= 0.02 && more.refresh <= 60.0) {
        return Err(Failure::input(format!("--refresh {}: expected 0.02 to 60 seconds", more.refresh)));
    }
    let text = a.record.to_string_lossy();
    let target = if text.starts_with("tcp://") {
        let Some(format) = &more.format else {
            return Err(Failure::input(
                "--format: a stream has no header; expected i8, i16, f32 or another number format",
            ));
        };
        Target::Tcp(
            text.into_owned(),
            StreamFormat {
                data_type: data_type(format, more.complex),
                complex: more.complex,
                channels: more.stream_channels,
                ring_bytes: None,
            },
        )
    } else {
        Target::File(a.record.clone())
    };
    let following = Following::open(&target, reading)?;
    let stop = following.stop();
    interrupt::on_interrupt(Arc::clone(&stop));
    if let Some(seconds) = more.seconds {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || {
            std::thread::sleep(Duration::from_secs_f64(seconds.clamp(0.0, 1e9)));
            stop.store(true, Ordering::Relaxed);
        });
    }
    let mut view = View { quiet: show.quiet, terminal: std::io::stderr().is_terminal(), drawn: 0, stop };
    let end = following.run(Duration::from_secs_f64(more.refresh), &mut |live| view.show(live));
    view.clear();
    let end = end?;
    let start = write_measured(a.out.as_deref(), &end.trace)?;
    if let (Some(out), true, Some(timeline)) = (a.out.as_deref(), more.timeline, end.timeline.clone()) {
        let measured = Measured { channel: String::new(), trace: end.trace.clone(), timeline: Some(timeline) };
        write_time_structure(out, &measured)?;
    }
    if show.json {
        let mut document = trace_json(a, &end.trace, start, a.out.as_deref());
        document.insert("measured_s".into(), json!(end.measured_s));
        document.insert("lost_frames".into(), json!(end.lost_frames));
        let losses: Vec<Value> =
            end.losses.iter().map(|(at, frames)| json!({ "at_s": at, "frames": frames })).collect();
        document.insert("losses".into(), json!(losses));
        print::json(&document)?;
        return Ok(Outcome::Done);
    }
    let mut text = String::new();
    for line in &end.trace.history {
        text.push_str(&format!("· {line}\n"));
    }
    text.push_str(&format!("\nThe highest of {} frequencies, dBµV:\n", end.trace.frequency_hz.len()));
    text.push_str(&highest(&end.trace));
    text.push_str(&format!("{}\n", lost_words(&end)));
    match &a.out {
        Some(out) => text.push_str(&format!("\nWritten to {}\n", out.display())),
        None => text.push_str("\nNothing was written: give --out TRACE.csv to keep the trace.\n"),
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

fn lost_words(live: &LiveTrace) -> String {
    match live.losses.last() {
        None => "nothing lost".to_owned(),
        Some((at, frames)) => format!(
            "{} frames lost in {} place(s), the last at {at:.3} s ({frames} frames)",
            live.lost_frames,
            live.losses.len()
        ),
    }
}

/// What is shown on standard error while a stream is followed.
struct View {
    quiet: bool,
    terminal: bool,
    /// Lines drawn last time.
    drawn: usize,
    stop: Arc<AtomicBool>,
}

impl View {
    fn show(&mut self, live: &LiveTrace) -> Wish {
        if !self.quiet {
            let text = if self.terminal { compact(&live.trace, live) } else { format!("{}\n", line(live)) };
            let mut out = std::io::stderr().lock();
            if self.terminal && self.drawn > 0 {
                // Up to the first line of the last view, and away with all below.
                let _ = write!(out, "\x1b[{}A\x1b[J", self.drawn);
            }
            let _ = out.write_all(text.as_bytes());
            let _ = out.flush();
            self.drawn = text.lines().count();
        }
        if self.stop.load(Ordering::Relaxed) { Wish::Stop } else { Wish::GoOn }
    }

    fn clear(&mut self) {
        if self.terminal && self.drawn > 0 {
            let _ = write!(std::io::stderr().lock(), "\x1b[{}A\x1b[J", self.drawn);
        }
    }
}

/// The highest level of a column of a trace and where it stands.
fn top(trace: &Trace) -> Option<(f64, f64)> {
    let levels = &trace.columns.first()?.level_db;
    let best = (0..levels.len()).filter(|&i| levels[i].is_finite()).max_by(|&a, &b| levels[a].total_cmp(&levels[b]))?;
    Some((trace.frequency_hz[best], levels[best]))
}

fn line(live: &LiveTrace) -> String {
    let top = top(&live.trace).map_or_else(String::new, |(f, l)| format!(", highest peak {} dBµV at {}", db(l), hz(f)));
    let clipped =
        if live.clipped_samples > 0 { format!(", {} samples clipped", live.clipped_samples) } else { String::new() };
    format!("{:.2} s measured{top}, {}{clipped}", live.measured_s, lost_words(live))
}

/// A drawing of the first column, sixty-four cells even in log frequency, and the state of the stream.
fn compact(trace: &Trace, live: &LiveTrace) -> String {
    const CELLS: usize = 64;
    const MARKS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    const ROWS: usize = 6;
    let mut text = String::new();
    if let (Some(column), Some(&from), Some(&to)) =
        (trace.columns.first(), trace.frequency_hz.first(), trace.frequency_hz.last())
    {
        let mut cells = [f64::NEG_INFINITY; CELLS];
        let span = (to / from).ln().max(1e-9);
        for (f, l) in trace.frequency_hz.iter().zip(&column.level_db) {
            let cell = (((f / from).ln() / span) * CELLS as f64) as usize;
            let cell = &mut cells[cell.min(CELLS - 1)];
            *cell = cell.max(*l);
        }
        let high = (cells.iter().copied().fold(f64::NEG_INFINITY, f64::max) / 10.0).ceil() * 10.0;
        let low = high - 80.0;
        for row in (0..ROWS).rev() {
            let level = low + 80.0 * (row + 1) as f64 / ROWS as f64;
            text.push_str(&format!("{level:>6.0} │"));
            for c in &cells {
                let part = ((c - low) / 80.0 * ROWS as f64 - row as f64).clamp(0.0, 1.0);
                text.push(MARKS[if part.is_nan() { 0 } else { (part * 8.0).round() as usize }]);
            }
            text.push('\n');
        }
        text.push_str(&format!("  dBµV  {:<32}{:>32}\n", hz(from), hz(to)));
    }
    text.push_str(&format!("{}; Ctrl-C ends it\n", line(live)));
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_and_names_are_spelt_out() {
        assert_eq!(data_type("i16", false), "i16_le");
        assert_eq!(data_type("i16_be", true), "ci16_be");
        assert_eq!(data_type("i8", false), "i8");
        assert_eq!(data_type("cf32", true), "cf32_le");
        assert_eq!(channel_path(Path::new("a/b.csv"), 2), Path::new("a/b.channel-2.csv"));
        assert_eq!(channel_path(Path::new("b"), 1), Path::new("b.channel-1"));
    }
}
