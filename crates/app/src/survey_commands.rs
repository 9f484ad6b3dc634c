//! Surveys: conductors and modes, two stages, every angle, distance and site, ambient.

mod ambient;
mod angles;
mod conductors;
mod places;
mod stages;

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use emission::Trace;
use emission::distance::Polarisation;
use standards::Limit;
use workbench::survey::RunFilter;

pub(crate) use ambient::ambient;
pub(crate) use angles::angles;
pub(crate) use conductors::{conductors, modes};
pub(crate) use places::{distance, site};
pub(crate) use stages::survey;

use crate::args::{JudgeFlags, PolarisationFlag, SweepFlags};
use crate::outcome::Failure;
use crate::trace_commands::any_trace;

/// What `receive` takes for the modes of conductors recorded at the same time.
#[derive(Debug, Clone, Args)]
pub(crate) struct ModesFlags {
    /// The channels are the conductors of one port at the ports of an artificial network, recorded at the same time: measure
    /// common mode (their mean) and differential mode (what is left; with two, half their difference) beside each conductor
    #[arg(long)]
    pub(crate) modes: bool,
    /// By how much each channel shows the same event later, s (one for each channel): they are moved into step
    #[arg(long, value_delimiter = ',', allow_negative_numbers = true, requires = "modes", value_name = "S")]
    pub(crate) later: Vec<f64>,
    /// What is not known of the time between two channels, s [default: half a sampling interval]
    #[arg(long, requires = "modes", value_name = "S")]
    pub(crate) skew_doubt: Option<f64>,
    /// What is not known of the ratio of two channels' gains [default: 0.03]
    #[arg(long, requires = "modes", value_name = "RATIO")]
    pub(crate) gain_doubt: Option<f64>,
}

/// Which runs of a project, and the limits they are held against.
#[derive(Debug, Clone, Args)]
pub(crate) struct RunsFlags {
    /// Runs of this port
    #[arg(long)]
    pub(crate) port: Option<String>,
    /// Runs of this modification state
    #[arg(long)]
    pub(crate) state: Option<String>,
    /// Runs of this operating mode
    #[arg(long)]
    pub(crate) mode: Option<String>,
    /// Runs of this sample
    #[arg(long)]
    pub(crate) sample: Option<String>,
    /// Only these runs
    #[arg(long = "run", value_delimiter = ',')]
    pub(crate) runs: Vec<String>,
}

impl RunsFlags {
    fn filter(&self) -> RunFilter {
        RunFilter {
            port: self.port.clone(),
            state: self.state.clone(),
            mode: self.mode.clone(),
            sample: self.sample.clone(),
            runs: self.runs.clone(),
        }
    }
}

/// Limits, and where files of the user's own are.
#[derive(Debug, Clone, Args)]
pub(crate) struct LimitFlags {
    /// A limit of the library (repeat it) [default in a project: those of the runs]
    #[arg(long = "limit")]
    pub(crate) limits: Vec<String>,
    /// Files with limits of your own
    #[arg(long)]
    pub(crate) limit_file: Vec<PathBuf>,
}

impl LimitFlags {
    fn for_files(&self) -> Result<Vec<Limit>, Failure> {
        if self.limits.is_empty() {
            return Err(Failure::input("--limit: none; expected at least one limit for files"));
        }
        let mut library = standards::LimitLibrary::embedded().clone();
        for file in &self.limit_file {
            let text = std::fs::read_to_string(file).map_err(|e| Failure::input(format!("{}: {e}", file.display())))?;
            library.add_toml(&text, &file.display().to_string())?;
        }
        Ok(workbench::limits_of(&library, &self.limits)?)
    }
}

/// Reads a trace or sweep and puts a chain on it.
fn at_the_product(
    path: &std::path::Path,
    sweep: &SweepFlags,
    chain: Option<&emission::Chain>,
) -> Result<Trace, Failure> {
    let (trace, _) = any_trace(path, sweep)?;
    match chain {
        Some(c) => Ok(c.apply(&trace).map_err(workbench::WorkError::from)?.trace),
        None => Ok(trace),
    }
}

fn chain_of(path: Option<&PathBuf>) -> Result<Option<emission::Chain>, Failure> {
    Ok(path.map(|p| formats::chain_file::read_chain(p)).transpose().map_err(workbench::WorkError::from)?)
}

fn polarisation(flag: PolarisationFlag) -> Polarisation {
    match flag {
        PolarisationFlag::Horizontal => Polarisation::Horizontal,
        PolarisationFlag::Vertical => Polarisation::Vertical,
    }
}

#[derive(Debug, Args)]
pub(crate) struct Conductors {
    /// A project's folder (runs recorded with --conductor), or sweeps as FILE@CONDUCTOR: l.csv@L1 n.csv@N
    #[arg(required = true)]
    pub(crate) paths: Vec<PathBuf>,
    #[command(flatten)]
    pub(crate) runs: RunsFlags,
    #[command(flatten)]
    pub(crate) limits: LimitFlags,
    /// What stood between the product and the instrument (for files)
    #[arg(long)]
    pub(crate) chain: Option<PathBuf>,
    /// Write the highest of all conductors here
    #[arg(long)]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) judging: JudgeFlags,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}

#[derive(Debug, Args)]
pub(crate) struct SurveyArgs {
    /// A peak survey: a trace written by `receive`, a sweep saved by an instrument, or a project's folder with --run
    pub(crate) path: PathBuf,
    /// The run of the project
    #[arg(long)]
    pub(crate) run: Option<String>,
    /// The final measurement: traces or sweeps with the limits' own detectors; runs, in a project
    #[arg(long = "final", value_delimiter = ',')]
    pub(crate) finals: Vec<String>,
    #[command(flatten)]
    pub(crate) limits: LimitFlags,
    /// What stood between the product and the instrument (for files)
    #[arg(long)]
    pub(crate) chain: Option<PathBuf>,
    /// Divide the range into so many parts, of equal width on log frequency
    #[arg(long, default_value_t = 6)]
    pub(crate) sub_ranges: usize,
    /// Divide it at these frequencies instead, Hz, both ends included
    #[arg(long, value_delimiter = ',')]
    pub(crate) edges: Vec<f64>,
    /// A suspect lies less than this below a limit, dB
    #[arg(long, default_value_t = 6.0, allow_negative_numbers = true)]
    pub(crate) within: f64,
    /// At most so many suspects in a part
    #[arg(long, default_value_t = 6)]
    pub(crate) most: usize,
    /// At least so many in all, however far below the limit
    #[arg(long, default_value_t = 6)]
    pub(crate) at_least: usize,
    #[command(flatten)]
    pub(crate) judging: JudgeFlags,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}

#[derive(Debug, Args)]
pub(crate) struct AnglesArgs {
    /// A project's folder (runs recorded with --azimuth, --height, --polarisation), or sweeps as FILE@AZIMUTH,HEIGHT,POL: a
    /// part may be left out (a.csv@45,,v)
    #[arg(required = true)]
    pub(crate) paths: Vec<PathBuf>,
    #[command(flatten)]
    pub(crate) runs: RunsFlags,
    #[command(flatten)]
    pub(crate) limits: LimitFlags,
    /// What stood between the product and the instrument (for files)
    #[arg(long)]
    pub(crate) chain: Option<PathBuf>,
    /// Largest dimension of the product with the cables that radiate, m: for how finely it has to be turned [default in a
    /// project: the diagonal of its housing]
    #[arg(long)]
    pub(crate) size: Option<f64>,
    /// A position holds a suspect's maximum where it reads within this of it, dB
    #[arg(long, default_value_t = 0.5)]
    pub(crate) tolerance: f64,
    /// Suspects lie less than this below a limit, dB
    #[arg(long, default_value_t = 10.0, allow_negative_numbers = true)]
    pub(crate) within: f64,
    /// Highest frequency generated or used inside the product, Hz: decides how far up is measured [default in a project:
    /// that of product.toml]
    #[arg(long)]
    pub(crate) internal: Option<f64>,
    /// −3 dB beam width of the antenna above 1 GHz, degrees (with --distance and --size)
    #[arg(long)]
    pub(crate) beam_width: Option<f64>,
    /// Distance of the antenna, m
    #[arg(long)]
    pub(crate) distance: Option<f64>,
    /// Write the highest of all positions here
    #[arg(long)]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) judging: JudgeFlags,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}

/// Which figure of the band a converted trace takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Take {
    /// Twenty decibels a decade, as standards allow to reckon
    Convention,
    /// The middle of the band
    Expected,
    /// The highest level that is possible
    Most,
}

#[derive(Debug, Args)]
pub(crate) struct DistanceArgs {
    /// A trace or sweep to be converted
    pub(crate) trace: Option<PathBuf>,
    /// Measured at this distance, m
    #[arg(long)]
    pub(crate) from: f64,
    /// Wanted at this distance, m
    #[arg(long)]
    pub(crate) to: f64,
    /// Frequencies, Hz, where there is no trace
    #[arg(long, value_delimiter = ',')]
    pub(crate) frequency: Vec<f64>,
    /// Largest dimension of the product with the cables that radiate, m
    #[arg(long, default_value_t = 0.5)]
    pub(crate) size: f64,
    /// Lowest and highest height at which it may radiate, m above the floor
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"], default_values_t = [0.8, 0.8])]
    pub(crate) source_height: Vec<f64>,
    /// Heights the antenna scans, m
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"], default_values_t = [1.0, 4.0])]
    pub(crate) scan: Vec<f64>,
    /// No reflecting floor: a fully anechoic room, or absorber on the floor
    #[arg(long)]
    pub(crate) no_floor: bool,
    /// Polarisation [default: either]
    #[arg(long, value_enum)]
    pub(crate) polarisation: Option<PolarisationFlag>,
    /// Which figure the converted trace takes
    #[arg(long, value_enum, default_value = "expected")]
    pub(crate) take: Take,
    /// Write the converted trace here
    #[arg(long, requires = "trace")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}

#[derive(Debug, Args)]
pub(crate) struct SiteArgs {
    /// Measured normalised site attenuation: CSV with frequency_hz (or frequency_mhz), attenuation_db and, where the flags do
    /// not say them, distance_m, transmit_height_m, polarisation. Without a file the theory is printed
    pub(crate) file: Option<PathBuf>,
    /// Distance, m
    #[arg(long)]
    pub(crate) distance: Option<f64>,
    /// Height of the transmitting antenna, m [default: 1]
    #[arg(long)]
    pub(crate) transmit_height: Option<f64>,
    /// Polarisation
    #[arg(long, value_enum)]
    pub(crate) polarisation: Option<PolarisationFlag>,
    /// Heights the receiving antenna scans, m
    #[arg(long, num_args = 2, value_names = ["LOW", "HIGH"], default_values_t = [1.0, 4.0])]
    pub(crate) scan: Vec<f64>,
}

/// Which errors the rate of `--alpha` speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum RateFlag {
    /// Even one wrong mark among all suspects
    Any,
    /// The share of wrong ones among the marks given
    Share,
}

#[derive(Debug, Args)]
pub(crate) struct AmbientArgs {
    /// A project's folder: its runs recorded with --product-off are the off-sweeps
    pub(crate) dir: Option<PathBuf>,
    /// Sweeps with the product off
    #[arg(long, num_args = 1..)]
    pub(crate) off: Vec<PathBuf>,
    /// Sweeps with the product on
    #[arg(long, num_args = 1..)]
    pub(crate) on: Vec<PathBuf>,
    #[command(flatten)]
    pub(crate) runs: RunsFlags,
    #[command(flatten)]
    pub(crate) limits: LimitFlags,
    /// What stood between the product and the instrument (for files)
    #[arg(long)]
    pub(crate) chain: Option<PathBuf>,
    /// Rate of marking as the product's what is not
    #[arg(long, default_value_t = 0.05)]
    pub(crate) alpha: f64,
    /// Rate of marking as ambient what is the product's for half or more
    #[arg(long, default_value_t = 0.05)]
    pub(crate) beta: f64,
    /// What alpha speaks of
    #[arg(long, value_enum, default_value = "any")]
    pub(crate) rate: RateFlag,
    /// Suspects lie less than this below a limit, dB
    #[arg(long, default_value_t = 10.0, allow_negative_numbers = true)]
    pub(crate) within: f64,
    /// Write every frequency with its highest on-level and its mark here, as CSV
    #[arg(long)]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) judging: JudgeFlags,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}
