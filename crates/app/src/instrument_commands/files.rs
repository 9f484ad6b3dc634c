//! What an instrument gave, on disk.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use emission::Trace;
use formats::capture::writer::NpyWriter;
use formats::trace_file::write_trace;
use instrument::{Transcript, Waveform};
use serde_json::json;

use crate::outcome::Failure;

/// Where sweeps go, and which are there.
pub(super) struct SweepFiles {
    /// A folder, or the one file.
    out: PathBuf,
    one_file: bool,
    max_hold: bool,
    sweeps: Vec<PathBuf>,
    held: Option<PathBuf>,
    highest: Option<(f64, f64)>,
}

impl SweepFiles {
    /// Refuses what would overwrite sweeps of an earlier run.
    pub(super) fn new(out: &Path, count: usize, max_hold: bool) -> Result<Self, Failure> {
        let one_file = out.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv"));
        if one_file && count > 1 && !max_hold {
            return Err(Failure::input(format!(
                "--out {}: one file for {count} sweeps; expected a folder, or --max-hold {count}",
                out.display()
            )));
        }
        if one_file {
            if out.exists() {
                return Err(Failure::input(format!("--out {}: is there already; expected a new file", out.display())));
            }
        } else {
            fs::create_dir_all(out).map_err(|e| Failure::input(format!("--out {}: {e}", out.display())))?;
            let mut inside = fs::read_dir(out).map_err(|e| Failure::input(format!("--out {}: {e}", out.display())))?;
            if inside.next().is_some() {
                return Err(Failure::input(format!("--out {}: is not empty; expected a new folder", out.display())));
            }
        }
        Ok(Self { out: out.to_owned(), one_file, max_hold, sweeps: Vec::new(), held: None, highest: None })
    }

    fn put(&mut self, path: PathBuf, trace: &Trace) -> Result<PathBuf, Failure> {
        write_trace(&path, trace, None).map_err(|e| Failure::input(e.to_string()))?;
        if let Some(column) = trace.columns.first() {
            self.highest = trace
                .frequency_hz
                .iter()
                .zip(&column.level_db)
                .filter(|(_, l)| l.is_finite())
                .max_by(|a, b| a.1.total_cmp(b.1))
                .map(|(f, l)| (*f, *l));
        }
        Ok(path)
    }

    /// One sweep, whole on disk when this returns. Into one file only the highest of several goes.
    pub(super) fn keep(&mut self, k: usize, trace: &Trace) -> Result<(), Failure> {
        if self.one_file && self.max_hold {
            return Ok(());
        }
        let path = if self.one_file { self.out.clone() } else { self.out.join(format!("sweep-{k:05}.csv")) };
        let path = self.put(path, trace)?;
        self.sweeps.push(path);
        Ok(())
    }

    /// The highest so far, in place of the one before.
    pub(super) fn hold(&mut self, trace: &Trace) -> Result<(), Failure> {
        let path = if self.one_file { self.out.clone() } else { self.out.join("max-hold.csv") };
        self.held = Some(self.put(path, trace)?);
        Ok(())
    }

    pub(super) fn transcript(&self) -> PathBuf {
        if self.one_file { transcript_beside(&self.out) } else { self.out.join("transcript.json") }
    }

    /// The traces that become runs: the highest of several, or every sweep.
    pub(super) fn for_runs(&self) -> Vec<PathBuf> {
        self.held.as_ref().map_or_else(|| self.sweeps.clone(), |h| vec![h.clone()])
    }

    pub(super) fn written(&self) -> Vec<String> {
        self.sweeps.iter().map(|p| p.display().to_string()).collect()
    }

    pub(super) fn held(&self) -> Option<String> {
        self.held.as_ref().map(|p| p.display().to_string())
    }

    /// For people: not a thousand lines.
    pub(super) fn shown(&self) -> Vec<String> {
        let mut out = match self.sweeps.as_slice() {
            [first, .., last] => vec![format!("{} to {}", first.display(), last.display())],
            some => some.iter().map(|p| p.display().to_string()).collect(),
        };
        out.extend(self.held.as_ref().map(|h| format!("{} (highest at each frequency)", h.display())));
        out
    }

    /// Frequency and level of the highest point of what was written last.
    pub(super) fn highest(&self) -> Option<(f64, f64)> {
        self.highest
    }
}

pub(super) fn transcript_beside(out: &Path) -> PathBuf {
    let mut name = out.as_os_str().to_owned();
    name.push(".transcript.json");
    PathBuf::from(name)
}

/// Writes a file in one step: whoever looks finds it whole or not at all.
fn whole(path: &Path, make: impl FnOnce(&Path) -> std::io::Result<()>) -> Result<(), Failure> {
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.tmp", std::process::id()));
    let waiting = path.with_file_name(name);
    make(&waiting)
        .and_then(|()| fs::File::open(&waiting)?.sync_all())
        .and_then(|()| fs::rename(&waiting, path))
        .map_err(|e| {
            // Nothing half-written stays; if even this fails there is nobody left to tell.
            let _ = fs::remove_file(&waiting);
            Failure::input(format!("{}: {e}", path.display()))
        })
}

pub(super) fn write_transcript(path: &Path, transcript: &Transcript) -> Result<(), Failure> {
    let mut text = serde_json::to_string_pretty(transcript)
        .map_err(|e| Failure::ours(format!("the transcript could not be made: {e}")))?;
    text.push('\n');
    whole(path, |p| fs::write(p, text))
}

/// A channel's name as part of a file name.
fn plain(name: &str) -> String {
    name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect()
}

/// Writes waveforms; gives the file of each.
pub(super) fn write_waveforms(out: &Path, waveforms: &[Waveform]) -> Result<Vec<(PathBuf, Waveform)>, Failure> {
    let ending = out.extension().map(|e| e.to_string_lossy().to_ascii_lowercase());
    match ending.as_deref() {
        Some("npy") => waveforms.iter().map(|w| Ok((write_npy(out, w, waveforms.len() > 1)?, w.clone()))).collect(),
        Some("csv") => {
            write_csv(out, waveforms)?;
            Ok(waveforms.iter().map(|w| (out.to_owned(), w.clone())).collect())
        }
        _ => Err(Failure::input(format!("--out {}: expected a name that ends in .npy or .csv", out.display()))),
    }
}

fn write_npy(out: &Path, w: &Waveform, several: bool) -> Result<PathBuf, Failure> {
    let path = if several {
        let stem = out.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        out.with_file_name(format!("{stem}.channel-{}.npy", plain(&w.channel)))
    } else {
        out.to_owned()
    };
    let volts: Vec<f32> = w.volts.iter().map(|v| *v as f32).collect();
    let mut beside = path.as_os_str().to_owned();
    beside.push(".json");
    let about = json!({
        "rate_hz": 1.0 / w.time_step_s, "time_origin_s": w.time_origin_s, "unit": "V", "channel": w.channel,
        "samples_at_the_ends": w.at_the_ends, "overloaded": w.overloaded, "history": w.history,
    });
    whole(Path::new(&beside), |p| fs::write(p, format!("{about:#}\n")))?;
    whole(&path, |p| {
        let mut writer = NpyWriter::create_f32(p, 1)?;
        writer.write_f32(&volts)?;
        writer.finish().map(|_| ())
    })?;
    Ok(path)
}

fn write_csv(out: &Path, waveforms: &[Waveform]) -> Result<(), Failure> {
    let Some(first) = waveforms.first() else { return Ok(()) };
    let same = |w: &Waveform| {
        w.volts.len() == first.volts.len()
            && w.time_step_s == first.time_step_s
            && w.time_origin_s == first.time_origin_s
    };
    if let Some(other) = waveforms.iter().find(|w| !same(w)) {
        return Err(Failure::input(format!(
            "channels {} and {} have different time axes: expected one axis for a .csv; write .npy",
            first.channel, other.channel
        )));
    }
    let mut text = String::from("time_s");
    for w in waveforms {
        let _ = write!(text, ",channel_{}_v", plain(&w.channel).replace('-', "_"));
    }
    text.push('\n');
    for k in 0..first.volts.len() {
        let _ = write!(text, "{:.12e}", first.time_origin_s + k as f64 * first.time_step_s);
        for w in waveforms {
            let _ = write!(text, ",{:.7e}", w.volts[k]);
        }
        text.push('\n');
    }
    whole(out, |p| fs::write(p, text))
}
