//! Straight into runs of a project.

use std::path::{Path, PathBuf};

use clap::Args;
use instrument::{TraceReading, Waveform};
use project::Project;
use standards::Band;
use workbench::{RunRequest, add_run};

use crate::args::{JudgeFlags, PlaceFlags};
use crate::choices;
use crate::outcome::Failure;
use crate::print::Show;
use crate::progress::Bar;

/// The run that what is measured becomes.
#[derive(Debug, Args)]
pub(crate) struct IntoRun {
    /// Record what was kept as runs of this project: each sweep, the highest of several, or each channel
    #[arg(long = "run", id = "run", value_name = "PROJECT")]
    project: Option<PathBuf>,
    /// Title of the run
    #[arg(long, requires = "run")]
    title: Option<String>,
    /// Port of the product, by its id in product.toml
    #[arg(long, requires = "run")]
    port: Option<String>,
    /// Limits to hold it against
    #[arg(long = "limit", requires = "run")]
    limits: Vec<String>,
    /// Chain, by its file name in chains/
    #[arg(long, requires = "run")]
    chain: Option<String>,
    /// Sample, by its id in the ledger
    #[arg(long, requires = "run")]
    sample: Option<String>,
    /// Modification state, by its id in the ledger
    #[arg(long, requires = "run")]
    state: Option<String>,
    /// Operating mode
    #[arg(long, requires = "run")]
    mode: Option<String>,
    /// Conductor or position
    #[arg(long, requires = "run")]
    conductor: Option<String>,
    #[command(flatten)]
    place: PlaceFlags,
    /// Equipment used, by its id in the ledger
    #[arg(long, value_delimiter = ',', requires = "run")]
    equipment: Vec<String>,
    /// Set-up in words
    #[arg(long, requires = "run")]
    set_up: Option<String>,
    #[command(flatten)]
    judging: JudgeFlags,
}

impl IntoRun {
    pub(super) fn wanted(&self) -> bool {
        self.project.is_some()
    }

    /// Looks before anything is measured whether the project is one.
    pub(super) fn ready(&self) -> Result<(), Failure> {
        if let Some(dir) = &self.project {
            Project::open(dir)?;
            choices::judging(&self.judging)?;
        }
        Ok(())
    }

    fn request(&self, title: Option<String>, notes: String) -> Result<RunRequest, Failure> {
        let judging = choices::judging(&self.judging)?;
        Ok(RunRequest {
            title: title.or_else(|| self.title.clone()).unwrap_or_default(),
            port: self.port.clone(),
            sample: self.sample.clone(),
            state: self.state.clone(),
            mode: self.mode.clone(),
            conductor: self.conductor.clone(),
            place: choices::place(&self.place),
            set_up: self.set_up.clone().unwrap_or_default(),
            limits: self.limits.clone(),
            chain: self.chain.clone(),
            equipment: self.equipment.clone(),
            notes,
            uncertainty_db: judging.uncertainty_db,
            budget: judging.budget,
            assume_detector: judging.assume_detector,
            ..RunRequest::default()
        })
    }
}

/// Keeps the transcript among the raw files, and says where.
fn keep_transcript(dir: &Path, transcript: &Path) -> Result<String, Failure> {
    let kept = Project::open(dir)?.import_capture(transcript, &mut |_, _| std::ops::ControlFlow::Continue(()))?;
    Ok(format!("Transcript of the conversation with the instrument: raw file {}.", kept.id))
}

fn name_of(file: &Path) -> String {
    file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned())
}

/// Each file a run; gives their ids.
pub(super) fn sweep_runs(
    show: Show,
    into: &IntoRun,
    files: &[PathBuf],
    reading: &TraceReading,
    said: &str,
    transcript: &Path,
) -> Result<Vec<String>, Failure> {
    let Some(dir) = &into.project else { return Ok(Vec::new()) };
    let notes = format!("{said}{}", keep_transcript(dir, transcript)?);
    let mut runs = Vec::new();
    for (k, file) in files.iter().enumerate() {
        let title = into.title.clone().filter(|_| files.len() > 1).map(|t| format!("{t}, sweep {}", k + 1));
        let mut request = into.request(title, notes.clone())?;
        // The project keeps the table alone, so what stands beside it is said again.
        let beside = formats::trace_file::read_trace(file).map_err(|e| Failure::input(e.to_string()))?.0;
        request.choices.sweep.bandwidth_hz = beside.bandwidth_hz;
        request.choices.sweep.impedance_ohm = reading.impedance_ohm;
        let mut bar = Bar::new(show.quiet);
        runs.push(add_run(dir, file, &name_of(file), &request, &mut |s| bar.tell(s))?);
    }
    Ok(runs)
}

/// A waveform as a run; gives its id.
pub(super) fn capture_run(
    show: Show,
    into: &IntoRun,
    file: &Path,
    (number, w): (usize, &Waveform),
    band: Option<Band>,
    transcript: &Path,
) -> Result<String, Failure> {
    let Some(dir) = &into.project else { return Ok(String::new()) };
    let overload: Vec<&str> =
        w.history.iter().filter(|h| h.starts_with("INPUT OVERLOAD")).map(String::as_str).collect();
    let notes = format!("{} {}", overload.join(" "), keep_transcript(dir, transcript)?).trim().to_owned();
    let mut request = into.request(into.title.clone().map(|t| format!("{t}, channel {}", w.channel)), notes)?;
    request.choices.receive.band = band;
    request.choices.capture.rate_hz = Some(1.0 / w.time_step_s);
    if file.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv")) {
        // The time stands in the file, and the channels side by side.
        request.choices.capture.rate_hz = None;
        request.choices.capture.channels = vec![number.to_string()];
    }
    let mut bar = Bar::new(show.quiet);
    Ok(add_run(dir, file, &name_of(file), &request, &mut |s| bar.tell(s))?)
}
