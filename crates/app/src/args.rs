//! The command line: one definition feeds the parser, the help, the completions and the man page.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use standards::{Band, Detector};

/// EMC for one engineer: from a bench recording to a verdict and the evidence.
#[derive(Debug, Parser)]
#[command(name = "hushfield", version, about, long_about = None, propagate_version = true, max_term_width = 100,
    after_help = "Exit code 0: done, and a verdict passes; 1: done, and the verdict is not a pass; 2: the input or the \
    arguments are at fault; 3: a fault of ours.")]
pub(crate) struct Cli {
    /// Print one JSON document on standard output instead of tables
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// No progress on standard error
    #[arg(long, global = true)]
    pub(crate) quiet: bool,
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Write the demonstration project and work the whole loop on it, to the PDF
    Demo {
        /// Where to write it; must be new or empty
        #[arg(default_value = "demo-project")]
        dir: PathBuf,
    },
    /// Start a project from a commented product.toml
    New {
        /// The project's folder; must be new or empty
        dir: PathBuf,
    },
    /// Which tests apply, port by port, with level, criterion, clause and reason; and which do not, and why
    Plan(crate::campaign_commands::PlanArgs),
    /// The laboratory days: order, times, set-ups, cost, what to bring
    Days(crate::campaign_commands::DaysArgs),
    /// Whether to book a laboratory: what to measure first, what would fail, what the design violates
    Ready(crate::ready_command::ReadyArgs),
    /// Turn a time record into levels on every detector
    Receive(Box<Receive>),
    /// Hold a trace against limits: margins, suspects, verdict, probability
    Judge(Box<Judge>),
    /// Uncertainty budgets of set-ups: GUM and simulation, against U_cispr, with the decision rule that follows
    Uncertainty(crate::chance_commands::UncertaintyArgs),
    /// The chance of passing at the laboratory, from the runs on the bench, and what drives it
    Chance(crate::chance_commands::ChanceArgs),
    /// What the bench has learnt from paired runs: its offset against a laboratory
    Offset(crate::chance_commands::OffsetArgs),
    /// From samples to the series: 80 % within the limit with 80 % confidence, by three methods
    Series(crate::chance_commands::SeriesArgs),
    /// Did the change help: two states compared with what repetition alone does
    Compare(Box<crate::chance_commands::CompareArgs>),
    /// The next best measurement: which would most reduce the doubt on the verdict
    Next(crate::chance_commands::NextArgs),
    /// The limit library with its sources; with an id, one limit drawn
    Limits {
        /// Show this limit
        id: Option<String>,
        /// A project whose own limits are to be listed too
        #[arg(long)]
        project: Option<PathBuf>,
    },
    /// Say what was understood of a file, without measuring or keeping anything
    Inspect {
        /// A sweep (text), a capture (.npy, .wav, SigMF, .csv) or a Touchstone file
        file: PathBuf,
        #[command(flatten)]
        sweep: SweepFlags,
        #[command(flatten)]
        capture: CaptureFlags,
    },
    /// Record a run in a project: keep the raw file, measure it, judge it
    Run(Box<AddRun>),
    /// The runs of a project, or one of them in full
    Runs {
        /// The project's folder
        dir: PathBuf,
        /// One run
        #[arg(long)]
        run: Option<String>,
        /// Every run by itself, also those of a survey
        #[arg(long)]
        all: bool,
    },
    /// Look for what would weaken the evidence: overdue equipment, edited chains, changed captures
    Check {
        /// The project's folder
        dir: PathBuf,
    },
    /// Compute every recorded verdict again from its raw file and report any that differ
    Verify(crate::proof_commands::Verify),
    /// What is proven of which modification state: test by port by state, and what a change puts in doubt
    Matrix(crate::proof_commands::MatrixArgs),
    /// What the technical documentation still needs, and the data a declaration of conformity names
    TechnicalFile(crate::proof_commands::TechnicalFileArgs),
    /// Rebuild a damaged ledger from everything that can be read of it; the damaged file is kept beside it
    Recover {
        /// The project's folder
        dir: PathBuf,
    },
    /// Write a project as one archive that is taken in elsewhere bit for bit
    Export(crate::proof_commands::Export),
    /// Make a project folder from an archive, every hash proven
    Import(crate::proof_commands::Import),
    /// Add a sample, a modification state or a piece of equipment to the ledger
    #[command(subcommand)]
    Add(Add),
    /// Write the evidence as PDF
    Report {
        /// The project's folder
        dir: PathBuf,
        /// Where to write it [default: reports/evidence.pdf in the project]
        #[arg(long)]
        out: Option<PathBuf>,
    },
    /// Open the project in a local web app (this machine only)
    Serve {
        /// The project's folder
        dir: PathBuf,
        /// Port to listen on; 0 takes a free one
        #[arg(long, default_value_t = 4174)]
        port: u16,
    },
    /// Immunity tests step by step, with count, time, distances, cautions and clause: a project's, or one from figures
    RunSheet(crate::sheet_commands::RunSheetArgs),
    /// The record of an immunity run that was logged at the bench: every step, deviation and upset, and the verdict
    Log(crate::log_commands::LogArgs),
    /// Arithmetic of immunity rigs: power for a field, plane, conducted level, frame coil
    #[command(subcommand)]
    Rig(crate::rig_commands::Rig),
    /// Why the product falls over: hypotheses with evidence and the experiment that would decide
    Upset(Box<crate::upset_commands::UpsetArgs>),
    /// At which level the product fails: threshold with its interval, margin to the required level, what to try next
    Threshold(Box<crate::threshold_commands::ThresholdArgs>),
    /// Stress of surges on a protection part: current, clamping, energy, wear, rest
    Surge(Box<crate::stress_commands::Surge>),
    /// Hold-up through voltage dips and interruptions, missing capacitance, current on return
    Dips(Box<crate::stress_commands::Dips>),
    /// Hold a generator's captured waveform against its tolerances: front, duration, peaks, timing
    Waveform(Box<crate::immunity_commands::Waveform>),
    /// Find what makes the peaks: families of multiples and the product's sources behind them
    Cause(Box<crate::cause_commands::Cause>),
    /// What readings by hand say of the source: probe, clamp, modes, resonances, edges, ringing, functions
    #[command(subcommand)]
    Locate(crate::locate_commands::Locate),
    /// Readings of a hand-held probe on a picture of the product: map, doubt, and where to probe next
    Scan(Box<crate::scan_commands::ScanArgs>),
    /// Find remedies for a run's excess: filters, chokes, ferrites, ranked, with the trace each would give
    Fix(Box<crate::fix_commands::Fix>),
    /// The parts remedies are made of; earth-current limits and discharge rules
    Parts(crate::fix_commands::Parts),
    /// A ferrite on a cable: impedance, effect, and where turns begin to hurt
    Ferrite(crate::shield_commands::Ferrite),
    /// Sheets, slots, boxes, cable screens and bonds
    #[command(subcommand)]
    Screen(crate::shield_commands::Screen),
    /// What a protector at a port lets through of a surge, a burst or a static discharge
    Protect(crate::shield_commands::Protect),
    /// Hold an artificial mains network against its published impedance: from its parts or a measured .s1p
    ArtificialNetwork(crate::fix_commands::ArtificialNetwork),
    /// AC or transient response of a netlist, as CSV
    Network(Box<crate::network_commands::Network>),
    /// Flicker, voltage change and inrush of a recording against IEC 61000-3-3
    Flicker(Box<crate::flicker_commands::Flicker>),
    /// Predict harmonics, inrush or flicker of an input from its parts, and the part value that just passes
    Predict(Box<crate::predict_commands::Predict>),
    /// Hold the harmonic currents of a recording against IEC 61000-3-2 or -3-12
    Harmonics(Box<crate::mains_commands::Harmonics>),
    /// Record a run of harmonic currents (and flicker) in a project: keep the raw file, measure it, judge it
    MainsRun(Box<crate::mains_commands::MainsRun>),
    /// Ask the questions that lead to the class of IEC 61000-3-2
    HarmonicsClass(crate::mains_commands::HarmonicsClass),
    /// The highest of the conductors of a port, and bounds of common and differential mode
    Conductors(Box<crate::survey_commands::Conductors>),
    /// Choose suspects of a peak survey, what to measure finally and how long; then settle them by the final readings
    Survey(Box<crate::survey_commands::SurveyArgs>),
    /// Sweeps at many angles, heights and polarisations: worst positions, whether the turn was fine enough, where to repeat
    Angles(Box<crate::survey_commands::AnglesArgs>),
    /// What a level at one distance says of another, with the band of what is possible
    Distance(Box<crate::survey_commands::DistanceArgs>),
    /// Normalised site attenuation: theory, and a measured site against it
    Site(crate::survey_commands::SiteArgs),
    /// Product or surroundings: mark suspects from repeated sweeps with the product off and on
    Ambient(Box<crate::survey_commands::AmbientArgs>),
    /// Talk to an instrument over open protocols: check its description, ask, take sweeps and waveforms
    #[command(subcommand)]
    Instrument(crate::instrument_commands::InstrumentCommand),
    /// Play an invented analyser or oscilloscope on this machine, well-behaved or not, to try things on
    SimulateInstrument(crate::instrument_commands::SimulateArgs),
    /// Write shell completions to standard output
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Write the man page to standard output
    Man,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum StartFlag {
    /// Every capacitor and the meter discharged at the first sample
    Rest,
    /// The record repeated until periodic: right for short records
    Settled,
}

#[derive(Debug, Args)]
pub(crate) struct Receive {
    /// The record: .npy, .wav, SigMF (.sigmf-meta or .sigmf-data) or .csv; with --follow also tcp://HOST:PORT
    pub(crate) record: PathBuf,
    /// Band of CISPR 16-1-1: A 9–150 kHz, B 0.15–30 MHz, C 30–300 MHz, D 0.3–1 GHz, E 1–18 GHz
    #[arg(long)]
    pub(crate) band: Band,
    #[command(flatten)]
    pub(crate) more: crate::live_commands::ReceiveMore,
    #[command(flatten)]
    pub(crate) modes: crate::survey_commands::ModesFlags,
    #[command(flatten)]
    pub(crate) scan: ScanFlags,
    #[command(flatten)]
    pub(crate) capture: CaptureFlags,
    /// Write the trace here; a file of the same name with .json keeps how it was made
    #[arg(long)]
    pub(crate) out: Option<PathBuf>,
}

#[derive(Debug, Clone, Args)]
pub(crate) struct ScanFlags {
    /// First frequency, Hz [default: the band's lowest]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) from: Option<f64>,
    /// Last frequency, Hz [default: the band's highest]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) to: Option<f64>,
    /// Frequency step, Hz [default: half the bandwidth]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) step: Option<f64>,
    /// State of the detectors at the first sample [default: settled for short records, rest else]
    #[arg(long, value_enum)]
    pub(crate) start: Option<StartFlag>,
    /// Threads to use [default: all cores]
    #[arg(long)]
    pub(crate) threads: Option<usize>,
}

/// One channel or several, counted from 1. Where one is wanted it is the first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Channels(pub(crate) Vec<usize>);

impl std::ops::Deref for Channels {
    type Target = usize;

    fn deref(&self) -> &usize {
        self.0.first().unwrap_or(&1)
    }
}

impl PartialEq<usize> for Channels {
    fn eq(&self, other: &usize) -> bool {
        **self == *other
    }
}

fn channels(text: &str) -> Result<Channels, String> {
    let list: Result<Vec<usize>, _> = text.split(',').map(|c| c.trim().parse::<usize>()).collect();
    match list {
        Ok(list) if (1..list.len()).all(|i| !list[..i].contains(&list[i])) => Ok(Channels(list)),
        _ => Err("expected a number counted from 1, or several different ones: 1,2".to_owned()),
    }
}

#[derive(Debug, Clone, Args)]
pub(crate) struct CaptureFlags {
    /// Sampling rate, Hz, where the file does not hold it or holds it wrong
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) rate: Option<f64>,
    /// Channel, counted from 1; `receive` takes several (1,2), measured in one pass
    #[arg(long, default_value = "1", value_parser = channels)]
    pub(crate) channel: Channels,
    /// Volts at the receiver input for one unit of the file
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) scale: Option<f64>,
    /// Centre frequency of a complex record, Hz
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) centre: Option<f64>,
}

#[derive(Debug, Clone, Default, Args)]
pub(crate) struct SweepFlags {
    /// Encoding of the text: utf-8, utf-16le, utf-16be or latin-1
    #[arg(long)]
    pub(crate) encoding: Option<String>,
    /// Field separator: comma, semicolon, tab or space
    #[arg(long)]
    pub(crate) delimiter: Option<String>,
    /// Decimal sign: point or comma
    #[arg(long)]
    pub(crate) decimal: Option<String>,
    /// Lines to leave out at the top
    #[arg(long)]
    pub(crate) skip_lines: Option<usize>,
    /// Which table of a file with several, counted from 1
    #[arg(long)]
    pub(crate) table: Option<usize>,
    /// Column of the frequency, by name or number counted from 1
    #[arg(long)]
    pub(crate) frequency_column: Option<String>,
    /// Columns of the levels, by name or number counted from 1
    #[arg(long, value_delimiter = ',')]
    pub(crate) level_columns: Vec<String>,
    /// Unit of the frequency column: Hz, kHz, MHz or GHz
    #[arg(long)]
    pub(crate) frequency_unit: Option<String>,
    /// Unit of the levels: dBm, dBuV, dBuA, dBuV/m, dBuA/m, dBpW, V, mV, uV, W
    #[arg(long)]
    pub(crate) level_unit: Option<String>,
    /// Detectors of the level columns: one for all, or COLUMN=DETECTOR
    #[arg(long, value_delimiter = ',')]
    pub(crate) detectors: Vec<String>,
    /// Resolution bandwidth (-6 dB), Hz, where the file does not say it
    #[arg(long)]
    pub(crate) bandwidth_hz: Option<f64>,
    /// Impedance in which power and voltage belong together, ohm
    #[arg(long)]
    pub(crate) impedance_ohm: Option<f64>,
    /// Frequencies that come again: highest, last or refuse
    #[arg(long)]
    pub(crate) repeats: Option<String>,
}

pub(crate) fn detector(text: &str) -> Result<Detector, String> {
    let plain = text.trim().to_ascii_lowercase().replace('-', "_");
    match plain.as_str() {
        "peak" | "pk" => Ok(Detector::Peak),
        "quasi_peak" | "qp" => Ok(Detector::QuasiPeak),
        "cispr_average" | "average" | "av" => Ok(Detector::CisprAverage),
        "rms_average" => Ok(Detector::RmsAverage),
        _ => Err(format!("`{text}` is no detector: expected peak, quasi_peak, cispr_average or rms_average")),
    }
}

#[derive(Debug, Clone, Args)]
pub(crate) struct JudgeFlags {
    /// Expanded uncertainty of your set-up (k = 2), dB [default: the published one for the kind of measurement]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) uncertainty: Option<f64>,
    /// Budget of your set-up instead: the id of a built-in example, or a file of budgets (FILE#ID where it holds several)
    #[arg(long, conflicts_with = "uncertainty")]
    pub(crate) budget: Option<String>,
    /// What the levels are where the file does not say it: peak, quasi_peak, cispr_average, rms_average
    #[arg(long, value_parser = detector)]
    pub(crate) detector: Option<Detector>,
}

#[derive(Debug, Args)]
pub(crate) struct Judge {
    /// A trace written by `receive`, or a sweep saved by an instrument
    pub(crate) trace: PathBuf,
    /// A limit of the library (repeat it: a quasi-peak and an average limit are both to be met)
    #[arg(long = "limit", required = true)]
    pub(crate) limits: Vec<String>,
    /// What stood between the product and the instrument
    #[arg(long)]
    pub(crate) chain: Option<PathBuf>,
    /// Files with limits of your own
    #[arg(long)]
    pub(crate) limit_file: Vec<PathBuf>,
    /// Guarded acceptance: highest risk that what is accepted exceeds the limit, e.g. 0.05 [default: simple acceptance]
    #[arg(long, value_name = "PROBABILITY")]
    pub(crate) risk: Option<f64>,
    #[command(flatten)]
    pub(crate) judging: JudgeFlags,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
}

#[derive(Debug, Args)]
pub(crate) struct PlaceFlags {
    /// Angle of the turntable in degrees
    #[arg(long)]
    pub(crate) azimuth: Option<f64>,
    /// Height of the antenna in metres
    #[arg(long)]
    pub(crate) height: Option<f64>,
    /// Polarisation of the antenna
    #[arg(long, value_enum)]
    pub(crate) polarisation: Option<PolarisationFlag>,
    /// Distance between product and antenna in metres
    #[arg(long)]
    pub(crate) distance: Option<f64>,
    /// Name of the test laboratory; not said: measured on one's own bench
    #[arg(long)]
    pub(crate) laboratory: Option<String>,
    /// The product was switched off: a measurement of the surroundings
    #[arg(long)]
    pub(crate) product_off: bool,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub(crate) enum PolarisationFlag {
    Horizontal,
    Vertical,
}

#[derive(Debug, Args)]
pub(crate) struct AddRun {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// The raw file: a capture or a sweep; it is kept byte for byte
    pub(crate) file: PathBuf,
    /// Title of the run
    #[arg(long)]
    pub(crate) title: Option<String>,
    /// Port of the product, by its id in product.toml
    #[arg(long)]
    pub(crate) port: Option<String>,
    /// Limits to hold it against
    #[arg(long = "limit")]
    pub(crate) limits: Vec<String>,
    /// Chain, by its file name in chains/
    #[arg(long)]
    pub(crate) chain: Option<String>,
    /// Sample, by its id in the ledger
    #[arg(long)]
    pub(crate) sample: Option<String>,
    /// Modification state, by its id in the ledger
    #[arg(long)]
    pub(crate) state: Option<String>,
    /// Operating mode
    #[arg(long)]
    pub(crate) mode: Option<String>,
    /// Conductor or position
    #[arg(long)]
    pub(crate) conductor: Option<String>,
    #[command(flatten)]
    pub(crate) place: PlaceFlags,
    /// Equipment used, by its id in the ledger
    #[arg(long, value_delimiter = ',')]
    pub(crate) equipment: Vec<String>,
    /// Set-up in words
    #[arg(long)]
    pub(crate) set_up: Option<String>,
    /// Band, for a capture
    #[arg(long)]
    pub(crate) band: Option<Band>,
    #[command(flatten)]
    pub(crate) scan: ScanFlags,
    #[command(flatten)]
    pub(crate) capture: CaptureFlags,
    #[command(flatten)]
    pub(crate) sweep: SweepFlags,
    #[command(flatten)]
    pub(crate) judging: JudgeFlags,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Add {
    /// A sample of the product
    Sample {
        /// The project's folder
        dir: PathBuf,
        /// Short id
        #[arg(long)]
        id: String,
        /// Serial number or mark
        #[arg(long, default_value = "")]
        serial: String,
        /// Anything worth knowing of it
        #[arg(long, default_value = "")]
        note: String,
    },
    /// A modification state of the product
    State {
        /// The project's folder
        dir: PathBuf,
        /// Short id
        #[arg(long)]
        id: String,
        /// What is different from the state before
        #[arg(long)]
        what: String,
        /// The state it was made from
        #[arg(long)]
        after: Option<String>,
        /// One change, KIND=WHAT or KIND@PORT=WHAT, e.g. `filter@mains=X capacitor 470 nF`; `hushfield matrix --kinds`
        /// lists the kinds
        #[arg(long = "change", value_name = "KIND=WHAT")]
        changes: Vec<String>,
    },
    /// What was changed in a modification state that is there already
    Changes {
        /// The project's folder
        dir: PathBuf,
        /// The state
        #[arg(long)]
        state: String,
        /// One change, KIND=WHAT or KIND@PORT=WHAT; all of the state's changes are to be named
        #[arg(long = "change", value_name = "KIND=WHAT", required = true)]
        changes: Vec<String>,
    },
    /// A piece of measuring equipment
    Equipment {
        /// The project's folder
        dir: PathBuf,
        /// Short id
        #[arg(long)]
        id: String,
        /// What it is
        #[arg(long)]
        name: String,
        /// Serial number
        #[arg(long, default_value = "")]
        serial: String,
        /// Date of its calibration, YYYY-MM-DD
        #[arg(long)]
        calibrated: Option<String>,
        /// Date it is due again, YYYY-MM-DD
        #[arg(long)]
        due: Option<String>,
    },
}
