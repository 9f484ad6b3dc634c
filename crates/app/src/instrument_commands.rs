//! Instruments on the bench: describe, ask, sweep, capture; and the simulated ones.

mod files;
mod into_project;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use clap::{Args, Subcommand, ValueEnum};
use instrument::simulate::{Fault, FaultPlan, Simulated, SimulatedKind, SimulatedSettings};
use instrument::{
    Address, Description, InstrumentError, Kind, MaxHold, SWEEP_COUNT_MOST, Session, SweepTaken, TEMPLATE_ANALYSER,
    TEMPLATE_SCOPE, identify, prepare, read_description, sweeps, waveform,
};
use serde_json::json;

use self::files::{SweepFiles, transcript_beside, write_transcript, write_waveforms};
use self::into_project::{IntoRun, capture_run, sweep_runs};
use crate::interrupt;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};

/// Said before anything is measured, where it can hurt.
const CAUTION: &str = "\
Caution, receiver input: put the pulse limiter or an attenuator before the receiver first. Switch the product on and let it settle
before the receiver is connected, and take the receiver off before the product is switched: switching pulses of a mains network
destroy inputs. Begin with the most attenuation. Work at the mains is for people licensed for it, by your local code.
";

#[derive(Debug, Subcommand)]
pub(crate) enum InstrumentCommand {
    /// Write a commented description to start from, to standard output
    Template {
        /// What the instrument is
        #[arg(long, value_enum)]
        kind: KindFlag,
    },
    /// Say what is wrong with a description, line by line
    Check {
        /// The description
        file: PathBuf,
    },
    /// Connect, ask who is there, and say so; nothing is changed on the instrument
    Ask {
        #[command(flatten)]
        at: AtFlags,
    },
    /// Take sweeps; each is on disk, whole, before the next begins
    Sweep(Box<SweepArgs>),
    /// Make one acquisition and read its channels
    Waveform(Box<WaveformArgs>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum KindFlag {
    /// Levels against frequency
    Analyser,
    /// Volts against time
    Scope,
}

#[derive(Debug, Clone, Args)]
pub(crate) struct AtFlags {
    /// The instrument's description
    pub(crate) file: PathBuf,
    /// Where it listens: HOST:PORT (SCPI over raw TCP) or hislip://HOST[:PORT][/NAME]
    #[arg(long, value_name = "HOST:PORT")]
    pub(crate) at: String,
}

#[derive(Debug, Args)]
pub(crate) struct SweepArgs {
    #[command(flatten)]
    pub(crate) at: AtFlags,
    /// How many sweeps, each kept by itself
    #[arg(long, default_value_t = 1)]
    pub(crate) count: usize,
    /// The highest level of so many sweeps at each frequency
    #[arg(long, value_name = "N", conflicts_with = "count")]
    pub(crate) max_hold: Option<usize>,
    /// After a transaction that failed, connect and set up again so many times in all
    #[arg(long, default_value_t = 0, value_name = "TIMES")]
    pub(crate) reconnect: u32,
    /// A folder for the sweeps, or a .csv for one sweep or the highest of several
    #[arg(long)]
    pub(crate) out: PathBuf,
    #[command(flatten)]
    pub(crate) into: IntoRun,
}

#[derive(Debug, Args)]
pub(crate) struct WaveformArgs {
    #[command(flatten)]
    pub(crate) at: AtFlags,
    /// Channels by their names in the description [default: all]
    #[arg(long, value_delimiter = ',')]
    pub(crate) channels: Vec<String>,
    /// Where to write: .npy (one file a channel, and a JSON with the rate) or .csv (all channels)
    #[arg(long)]
    pub(crate) out: PathBuf,
    /// Band in which the run is measured, with --run
    #[arg(long, requires = "run")]
    pub(crate) band: Option<standards::Band>,
    #[command(flatten)]
    pub(crate) into: IntoRun,
}

#[derive(Debug, Args)]
pub(crate) struct SimulateArgs {
    /// What it is
    #[arg(long, value_enum)]
    pub(crate) kind: KindFlag,
    /// Port on this machine, for raw TCP and HiSLIP alike; 0 takes a free one
    #[arg(long, default_value_t = 5025)]
    pub(crate) port: u16,
    /// Misbehave on purpose: slow, drop, truncate, wrong-count, garbage or busy
    #[arg(long, value_parser = fault)]
    pub(crate) fault: Option<Fault>,
    /// So many good answers before the fault
    #[arg(long, default_value_t = 0, requires = "fault", value_name = "N")]
    pub(crate) fault_after: u32,
    /// So many times, then well again [default: for ever]
    #[arg(long, requires = "fault", value_name = "N")]
    pub(crate) fault_times: Option<u32>,
    /// Say that the input is overloaded
    #[arg(long)]
    pub(crate) overload: bool,
    /// Seconds one sweep takes
    #[arg(long, default_value_t = 0.3)]
    pub(crate) sweep_time: f64,
    /// Seed of its noise
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// End by itself after so many seconds
    #[arg(long)]
    pub(crate) seconds: Option<f64>,
}

fn fault(text: &str) -> Result<Fault, String> {
    Fault::ALL.into_iter().find(|f| f.name() == text).ok_or_else(|| {
        let names: Vec<&str> = Fault::ALL.iter().map(|f| f.name()).collect();
        format!("`{text}` is no fault: expected {}", names.join(", "))
    })
}

fn told(e: &InstrumentError) -> Failure {
    Failure::input(e.to_string())
}

/// An instrument's fault, or the failure to keep what it gave.
enum Trouble {
    Instrument(InstrumentError),
    Keeping(Failure),
}

impl From<InstrumentError> for Trouble {
    fn from(e: InstrumentError) -> Self {
        Self::Instrument(e)
    }
}

fn description(file: &Path) -> Result<Description, Failure> {
    let text = std::fs::read_to_string(file).map_err(|e| Failure::input(format!("{}: {e}", file.display())))?;
    read_description(&text, &file.display().to_string()).map_err(|p| told(&InstrumentError::Description(p)))
}

fn connected(at: &AtFlags, d: &Description) -> Result<(Session, Arc<AtomicBool>), Failure> {
    let address: Address = at.at.parse().map_err(|e| told(&e))?;
    let stop = Arc::new(AtomicBool::new(false));
    interrupt::on_interrupt(Arc::clone(&stop));
    let session = Session::connect(address, d.limits.clone(), Arc::clone(&stop)).map_err(|e| told(&e))?;
    Ok((session, stop))
}

pub(crate) fn instrument(show: Show, command: &InstrumentCommand) -> Result<Outcome, Failure> {
    match command {
        InstrumentCommand::Template { kind } => {
            print::text(if *kind == KindFlag::Analyser { TEMPLATE_ANALYSER } else { TEMPLATE_SCOPE })?;
            Ok(Outcome::Done)
        }
        InstrumentCommand::Check { file } => check(show, file),
        InstrumentCommand::Ask { at } => ask(show, at),
        InstrumentCommand::Sweep(a) => sweep(show, a),
        InstrumentCommand::Waveform(a) => capture(show, a),
    }
}

fn check(show: Show, file: &Path) -> Result<Outcome, Failure> {
    let text = std::fs::read_to_string(file).map_err(|e| Failure::input(format!("{}: {e}", file.display())))?;
    match read_description(&text, &file.display().to_string()) {
        Ok(d) => {
            if show.json {
                print::json(
                    &json!({ "file": file.display().to_string(), "problems": [], "name": d.name, "kind": d.kind }),
                )?;
            } else {
                let what = if d.kind == Kind::Analyser { "an analyser" } else { "an oscilloscope" };
                print::text(&format!(
                    "{}: nothing wrong. {}, {what}; *IDN? is to fit `{}`.\n",
                    file.display(),
                    d.name,
                    d.identification
                ))?;
            }
            Ok(Outcome::Done)
        }
        Err(problems) => {
            if show.json {
                print::json(&json!({ "file": file.display().to_string(), "problems": problems }))?;
            }
            Err(told(&InstrumentError::Description(problems)))
        }
    }
}

fn ask(show: Show, at: &AtFlags) -> Result<Outcome, Failure> {
    let d = description(&at.file)?;
    let (mut session, _) = connected(at, &d)?;
    let found = identify(&mut session, &d).map_err(|e| told(&e))?;
    if show.json {
        print::json(&json!({
            "at": session.address().to_string(), "identity": found.answer, "fits": found.fits,
            "identification": d.identification, "transcript": session.transcript(),
        }))?;
    } else {
        let fits = if found.fits { "as the description says" } else { "another than the description says" };
        print::text(&format!("{}: {} ({fits}: `{}`)\n", session.address(), found.answer, d.identification))?;
    }
    if found.fits {
        return Ok(Outcome::Done);
    }
    Err(told(&InstrumentError::Identity { came: found.answer, expected: d.identification }))
}

/// Takes sweeps, connecting again where that is allowed. Gives the reason for an early end.
fn take(
    session: &mut Session,
    d: &Description,
    (count, mut reconnect): (usize, u32),
    keep: &mut dyn FnMut(usize, &SweepTaken) -> Result<(), Failure>,
) -> Result<(usize, String, Option<InstrumentError>), Failure> {
    let mut identity = String::new();
    let mut kept = 0;
    loop {
        let before = kept;
        let end = prepare(session, d).map_err(Trouble::from).and_then(|prepared| {
            identity.clone_from(&prepared.identity);
            sweeps(session, d, &prepared, count - before, &mut |k, taken: &SweepTaken| {
                keep(before + k, taken).map_err(Trouble::Keeping)?;
                kept = before + k;
                Ok(())
            })
        });
        let reason = match end {
            Err(Trouble::Keeping(f)) => return Err(f),
            Err(Trouble::Instrument(e)) => e,
            Ok(end) => match end.aborted {
                None => return Ok((kept, identity, None)),
                Some(e) => e,
            },
        };
        let hopeless = matches!(
            reason,
            InstrumentError::Cancelled { .. } | InstrumentError::Identity { .. } | InstrumentError::Missing { .. }
        );
        if hopeless || reconnect == 0 {
            return Ok((kept, identity, Some(reason)));
        }
        reconnect -= 1;
        eprintln!("hushfield: {reason}. Connecting again; {kept} of {count} sweeps are kept.");
        if let Err(e) = session.reconnect() {
            return Ok((kept, identity, Some(e)));
        }
    }
}

fn sweep(show: Show, a: &SweepArgs) -> Result<Outcome, Failure> {
    let count = a.max_hold.unwrap_or(a.count);
    if !(1..=SWEEP_COUNT_MOST).contains(&count) {
        return Err(Failure::input(format!("{count} sweeps: expected 1 to {SWEEP_COUNT_MOST}")));
    }
    let d = description(&a.at.file)?;
    let Some(reading) = &d.trace else {
        return Err(told(&InstrumentError::Missing { section: "trace", purpose: "a sweep" }));
    };
    a.into.ready()?;
    let mut files = SweepFiles::new(&a.out, count, a.max_hold.is_some())?;
    if !show.quiet {
        eprint!("{CAUTION}");
    }
    let (mut session, _) = connected(&a.at, &d)?;
    let mut hold = MaxHold::default();
    let mut overloaded = 0;
    let taken = take(&mut session, &d, (count, a.reconnect), &mut |k, taken| {
        files.keep(k, &taken.trace)?;
        if a.max_hold.is_some() {
            hold.add(taken).map_err(|e| told(&e))?;
            if let Some(held) = hold.trace() {
                files.hold(&held)?;
            }
        }
        let mut line = format!("sweep {k} of {count} is on disk");
        if taken.overloaded == Some(true) {
            overloaded += 1;
            line.push_str("; INPUT OVERLOAD: more attenuation, then again");
        }
        if !show.quiet {
            eprintln!("{line}");
        }
        Ok(())
    });
    let transcript = files.transcript();
    write_transcript(&transcript, session.transcript())?;
    let (kept, identity, aborted) = taken?;
    let aborted = aborted.map(|e| e.to_string());
    let runs = if a.into.wanted() && kept > 0 {
        let said = sweep_notes(kept, count, overloaded, aborted.as_deref());
        sweep_runs(show, &a.into, &files.for_runs(), reading, &said, &transcript)?
    } else {
        Vec::new()
    };
    if show.json {
        print::json(&json!({
            "instrument": d.name, "identity": identity, "at": session.address().to_string(), "asked": count, "kept": kept,
            "aborted": aborted, "overloaded": overloaded, "files": files.written(), "max_hold": files.held(),
            "transcript": transcript.display().to_string(), "runs": runs,
        }))?;
    } else {
        let mut text = format!("{} ({identity}) at {}\n", d.name, session.address());
        let _ = writeln!(text, "{kept} of {count} sweeps kept, each whole.");
        for f in files.shown() {
            let _ = writeln!(text, "  {f}");
        }
        if let Some(last) = files.highest() {
            let _ = writeln!(text, "Highest: {} {} at {}", db(last.1), reading.unit, hz(last.0));
        }
        if overloaded > 0 {
            let _ = writeln!(
                text,
                "INPUT OVERLOAD in {overloaded} of {kept} sweeps: their levels may be wrong. More attenuation, then again."
            );
        }
        let _ = writeln!(text, "The conversation: {}", transcript.display());
        for run in &runs {
            let _ = writeln!(text, "Run {run}");
        }
        print::text(&text)?;
    }
    match aborted {
        None => Ok(Outcome::Done),
        Some(why) => Err(Failure::input(format!("{why}. Ended after {kept} of {count} sweeps, which are kept"))),
    }
}

fn sweep_notes(kept: usize, count: usize, overloaded: usize, aborted: Option<&str>) -> String {
    let mut out = String::new();
    if overloaded > 0 {
        let _ = write!(out, "INPUT OVERLOAD in {overloaded} of {kept} sweeps: levels may be wrong. ");
    }
    if let Some(why) = aborted {
        let _ = write!(out, "Ended after {kept} of {count} sweeps: {why}. ");
    }
    out
}

fn capture(show: Show, a: &WaveformArgs) -> Result<Outcome, Failure> {
    let d = description(&a.at.file)?;
    if d.waveform.is_none() {
        return Err(told(&InstrumentError::Missing { section: "waveform", purpose: "a waveform" }));
    }
    a.into.ready()?;
    if a.into.wanted() && a.band.is_none() {
        return Err(Failure::input("--run: expected --band A, B, C, D or E with it, to measure the waveform in"));
    }
    if !show.quiet {
        eprint!("{CAUTION}");
    }
    let (mut session, _) = connected(&a.at, &d)?;
    let transcript = transcript_beside(&a.out);
    let taken = prepare(&mut session, &d).and_then(|prepared| waveform(&mut session, &d, &prepared, &a.channels));
    let taken = match taken {
        Ok(taken) => taken,
        Err(e) => {
            write_transcript(&transcript, session.transcript())?;
            return Err(Failure::input(format!("{e}. Nothing is kept but the conversation: {}", transcript.display())));
        }
    };
    let written = write_waveforms(&a.out, &taken)?;
    write_transcript(&transcript, session.transcript())?;
    let mut runs = Vec::new();
    if a.into.wanted() {
        if !show.quiet {
            eprintln!("{} waveforms are on disk; recording them in the project", written.len());
        }
        for (k, (file, w)) in written.iter().enumerate() {
            runs.push(capture_run(show, &a.into, file, (k + 1, w), a.band, &transcript)?);
        }
    }
    if show.json {
        print::json(&json!({
            "instrument": d.name, "at": session.address().to_string(),
            "waveforms": written.iter().map(|(file, w)| json!({
                "file": file.display().to_string(), "channel": w.channel, "rate_hz": 1.0 / w.time_step_s,
                "time_origin_s": w.time_origin_s, "samples": w.volts.len(), "samples_at_the_ends": w.at_the_ends,
                "overloaded": w.overloaded, "history": w.history,
            })).collect::<Vec<_>>(),
            "transcript": transcript.display().to_string(), "runs": runs,
        }))?;
        return Ok(Outcome::Done);
    }
    let mut text = String::new();
    for (file, w) in &written {
        let (low, high) = w.volts.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
        let _ = writeln!(
            text,
            "{}: channel {}, {} samples at {}, {low:.4} to {high:.4} V",
            file.display(),
            w.channel,
            w.volts.len(),
            hz(1.0 / w.time_step_s)
        );
        for line in w.history.iter().filter(|h| h.starts_with("INPUT OVERLOAD")) {
            let _ = writeln!(text, "{line}");
        }
    }
    let _ = writeln!(text, "The conversation: {}", transcript.display());
    for run in &runs {
        let _ = writeln!(text, "Run {run}");
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

pub(crate) fn simulate(show: Show, a: &SimulateArgs) -> Result<Outcome, Failure> {
    let time = |flag: &str, v: f64| {
        if (0.0..=86400.0).contains(&v) {
            Ok(Duration::from_secs_f64(v))
        } else {
            Err(Failure::input(format!("--{flag} {v}: expected 0 to 86400 seconds")))
        }
    };
    let settings = SimulatedSettings {
        kind: if a.kind == KindFlag::Analyser { SimulatedKind::Analyser } else { SimulatedKind::Scope },
        fault: a.fault.map(|fault| FaultPlan { fault, after: a.fault_after, times: a.fault_times.unwrap_or(u32::MAX) }),
        overload: a.overload,
        sweep: time("sweep-time", a.sweep_time)?,
        seed: a.seed,
    };
    let seconds = a.seconds.map(|s| time("seconds", s)).transpose()?;
    let say: Option<fn(&str)> = if show.quiet { None } else { Some(|line| eprintln!("< {line}")) };
    let running = Simulated::start(settings, a.port, say)
        .map_err(|e| Failure::input(format!("port {}: {e}; expected a free port", a.port)))?;
    let address = running.address();
    if show.json {
        print::json(
            &json!({ "tcp": address.to_string(), "hislip": format!("hislip://{address}"), "port": address.port() }),
        )?;
    } else {
        print::text(&format!("Listening on {address} (raw TCP) and hislip://{address}; Ctrl-C ends it.\n"))?;
    }
    let stop = Arc::new(AtomicBool::new(false));
    interrupt::on_interrupt(Arc::clone(&stop));
    let began = Instant::now();
    while !stop.load(Ordering::Relaxed) && seconds.is_none_or(|s| began.elapsed() < s) {
        std::thread::sleep(Duration::from_millis(50));
    }
    drop(running);
    Ok(Outcome::Done)
}
