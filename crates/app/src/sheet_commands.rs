//! Run sheets: what is to be done step by step, for a project or from figures alone.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use campaign::{RunSheet, SheetWishes, Wear};
use clap::{Args, Subcommand, ValueEnum};
use immunity::sheet::{self, EsdPlan, Sheet, SheetError, Step, SurgePath, SweepPlan};
use serde_json::{Value, json};
use standards::{Known, Phenomenon};
use workbench::{RunSheets, run_sheets, sheets_pdf, time_words as time};

use crate::campaign_commands::now_text;
use crate::immunity_commands::PULSE_CAUTION;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

/// Tests that few plans hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum AlsoFlag {
    /// IEC 61000-4-12
    RingWave,
    /// IEC 61000-4-18
    DampedWave,
    /// IEC 61000-4-39, magnetic near field
    Proximity,
}

/// The sheets of a project's planned immunity tests; or one sheet from figures, with a test in place of the folder
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true, arg_required_else_help = true)]
pub(crate) struct RunSheetArgs {
    #[command(subcommand)]
    figures: Option<SheetCommand>,
    /// The project's folder: its sheets, in the order that saves the only sample
    dir: Option<PathBuf>,
    /// One sheet in full: radiated, conducted, magnetic, proximity, variation, dips, burst, damped-wave, ring-wave, esd, surge
    #[arg(long)]
    test: Option<String>,
    /// A sheet as well that no row of the plan asks for; may be given several times
    #[arg(long, value_enum)]
    also: Vec<AlsoFlag>,
    /// Write the sheets, or the one of --test, as PDF with set-up drawings, a box to tick and room for remarks at every step
    #[arg(long)]
    pdf: Option<PathBuf>,
    /// The magnetic field with direct current as well
    #[arg(long)]
    direct_field: bool,
}

pub(crate) fn wishes(also: &[AlsoFlag], direct_field: bool) -> SheetWishes {
    let extra = also
        .iter()
        .map(|a| match a {
            AlsoFlag::RingWave => Phenomenon::RingWave,
            AlsoFlag::DampedWave => Phenomenon::DampedWave,
            AlsoFlag::Proximity => Phenomenon::ProximityField,
        })
        .collect();
    SheetWishes { extra, direct_field }
}

pub(crate) fn run_sheet(show: Show, a: &RunSheetArgs) -> Result<Outcome, Failure> {
    if let Some(figures) = &a.figures {
        return from_figures(show, figures);
    }
    let dir = a.dir.as_deref().ok_or_else(|| Failure::input("run-sheet: expected the project's folder, or a test"))?;
    let mut wishes = wishes(&a.also, a.direct_field);
    if let Some(test) = &a.test {
        // Asking for one by name is wishing for it.
        wishes.extra.extend(match test.as_str() {
            "ring-wave" => Some(Phenomenon::RingWave),
            "damped-wave" => Some(Phenomenon::DampedWave),
            "proximity" => Some(Phenomenon::ProximityField),
            _ => None,
        });
    }
    let all = run_sheets(dir, &wishes)?;
    if let Some(path) = &a.pdf {
        if let Some(test) = &a.test {
            one(&all, test)?;
        }
        let pdf = sheets_pdf(&all, a.test.as_deref(), &now_text())?;
        std::fs::write(path, pdf)
            .map_err(|e| Failure::input(format!("{}: could not be written: {e}", path.display())))?;
    }
    match &a.test {
        None if show.json => {
            let list: Vec<Value> = all.sheets.iter().map(|s| document(&all, s)).collect();
            print::json(&json!({ "product": all.product, "sheets": list, "order": all.order }))?;
        }
        None => print::text(&list_text(&all, dir))?,
        Some(test) => {
            let sheet = one(&all, test)?;
            if show.json {
                print::json(&document(&all, sheet))?;
            } else {
                print::text(&project_text(sheet))?;
            }
        }
    }
    Ok(Outcome::Done)
}

fn one<'a>(all: &'a RunSheets, test: &str) -> Result<&'a RunSheet, Failure> {
    all.sheet(test).ok_or_else(|| {
        let there: Vec<&str> = all.sheets.iter().map(|s| s.test.as_str()).collect();
        let there =
            if there.is_empty() { "none: the plan holds no immunity test".to_owned() } else { there.join(", ") };
        Failure::input(format!("--test {test}: the plan has no such test; expected one of {there}"))
    })
}

/// A sheet as JSON: the sheet itself as `hushfield run-sheet TEST --json` has it, with what the project says around it and the
/// geometry of its set-up.
fn document(all: &RunSheets, s: &RunSheet) -> Value {
    let mut value = json!(s);
    value["drawings"] = json!(all.drawings(&s.test));
    value
}

fn list_text(all: &RunSheets, dir: &Path) -> String {
    if all.sheets.is_empty() {
        return format!(
            "The plan holds no immunity test, so there is no run sheet: hushfield plan {} says why.\n",
            dir.display()
        );
    }
    let mut out = format!("Run sheets of {}, in the order that saves the only sample:\n\n", all.product);
    let rows = all
        .sheets
        .iter()
        .zip(&all.order.places)
        .map(|(s, p)| {
            let mut ports: Vec<&str> = s.tests.iter().map(|t| t.port_name.as_str()).collect();
            ports.dedup();
            vec![
                s.place.to_string(),
                s.test.clone(),
                s.title.clone(),
                ports.join(", "),
                s.sheet.steps.len().to_string(),
                s.sheet.count.to_string(),
                time(s.duration_s),
                if p.may_break { "may break it" } else { "" }.to_owned(),
            ]
        })
        .collect();
    out.push_str(&print::table(
        &["", "--test", "test", "ports", "steps", "stimuli", "time", "the sample"],
        rows,
        &[0, 4, 5, 6],
    ));
    out.push_str("\nWhy in this order:\n");
    for s in &all.sheets {
        let _ = writeln!(out, "  {} {}: {}", s.place, s.title, s.why_there);
    }
    for b in &all.order.between {
        let _ = writeln!(out, "  · {b}");
    }
    if !all.order.warnings.is_empty() {
        out.push_str("\nBefore the surges:\n");
        for w in &all.order.warnings {
            let _ = writeln!(out, "  · {w}");
        }
    }
    if let Some(rest) = all.order.needed_rest_s.filter(|r| r.is_finite()) {
        let _ = writeln!(
            out,
            "  · The parts described need {rest:.1} s between two surges; the sheet has {:.0} s.",
            all.pace.surge_rest_s
        );
    }
    let mut asked: Vec<(&str, &str)> =
        all.sheets.iter().flat_map(|s| &s.questions).map(|q| (q.field.as_str(), q.text.as_str())).collect();
    asked.sort_unstable();
    asked.dedup();
    if !asked.is_empty() {
        out.push_str("\nTo be answered in product.toml (until then the sheets say what they take):\n");
        for (field, text) in asked {
            let _ = writeln!(out, "  {field}: {text}");
        }
    }
    let _ = write!(
        out,
        "\nOne of them in full: hushfield run-sheet {} --test {}\n\n{PULSE_CAUTION}",
        dir.display(),
        all.sheets[0].test
    );
    out
}

fn wear_text(wear: &[Wear]) -> String {
    let mut out = String::new();
    for w in wear {
        let share = w.sequence.share_of_life.map_or("of unknown share".to_owned(), |s| format!("{:.1} %", 100.0 * s));
        let verdict = if w.sequence.bears { "bears the sheet" } else { "DOES NOT BEAR the sheet" };
        let _ = writeln!(out, "{} at {}: {verdict}; {share} of its life goes.", w.part, w.port_name);
        for line in &w.sequence.warnings {
            let _ = writeln!(out, "  · {line}");
        }
    }
    out
}

fn project_text(s: &RunSheet) -> String {
    let mut before = format!("{} (place {} in the order that saves the sample)\n", s.title, s.place);
    let asked: Vec<String> = s
        .tests
        .iter()
        .filter(|t| !t.asked_by.is_empty())
        .map(|t| {
            let known = if t.known == Known::Memory { " *" } else { "" };
            let criterion = t.criterion.as_ref().map_or(String::new(), |c| format!(", criterion {c}"));
            format!("  {}: {}{known}{criterion}", t.port_name, t.asked_by)
        })
        .collect();
    if !asked.is_empty() {
        let _ = writeln!(before, "Asked by:\n{}", asked.join("\n"));
        if s.tests.iter().any(|t| t.known == Known::Memory) {
            before.push_str("  * from memory: check this row against the bought standard.\n");
        }
    }
    for a in &s.assumed {
        let _ = writeln!(before, "Taken: {a}");
    }
    for q in &s.questions {
        let _ = writeln!(before, "Asked: {} ({})", q.text, q.field);
    }
    before.push_str(&wear_text(&s.wear));
    format!("{before}\n{}", text_of(&s.sheet))
}

/// The steps of an immunity test with count, time, distances, cautions and clause
#[derive(Debug, Subcommand)]
pub(crate) enum SheetCommand {
    /// Electrostatic discharge
    Esd {
        /// Points with a conductive surface
        #[arg(long, value_delimiter = ',')]
        contact: Vec<String>,
        /// Points where contact cannot be made
        #[arg(long, value_delimiter = ',')]
        air: Vec<String>,
        /// Contact levels, kV
        #[arg(long, value_delimiter = ',', default_values_t = [2.0, 4.0])]
        contact_kv: Vec<f64>,
        /// Air levels, kV
        #[arg(long, value_delimiter = ',', default_values_t = [2.0, 4.0, 8.0])]
        air_kv: Vec<f64>,
        /// Time between discharges, s
        #[arg(long, default_value_t = 1.0)]
        interval: f64,
        /// The product stands on the floor: no horizontal plane
        #[arg(long)]
        floor: bool,
    },
    /// Radiated radio-frequency field
    Radiated {
        /// Level, V/m
        #[arg(long, default_value_t = 10.0)]
        level: f64,
        #[command(flatten)]
        sweep: SweepArgs,
        /// Faces of the product
        #[arg(long, default_value_t = 4)]
        faces: u32,
        /// First frequency, Hz
        #[arg(long, default_value_t = 80e6)]
        from: f64,
        /// Last frequency, Hz
        #[arg(long, default_value_t = 1e9)]
        to: f64,
    },
    /// Conducted radio frequency
    Conducted {
        /// Level, V e.m.f.
        #[arg(long, default_value_t = 10.0)]
        level: f64,
        #[command(flatten)]
        sweep: SweepArgs,
        /// Cables
        #[arg(long, value_delimiter = ',', required = true)]
        cable: Vec<String>,
        /// First frequency, Hz
        #[arg(long, default_value_t = 150e3)]
        from: f64,
        /// Last frequency, Hz
        #[arg(long, default_value_t = 80e6)]
        to: f64,
    },
    /// Fast transient bursts
    Burst {
        /// Ports with their level: NAME:KV
        #[arg(long, value_delimiter = ',', required = true)]
        port: Vec<String>,
        /// Repetition of the pulses, kHz
        #[arg(long, value_delimiter = ',', default_values_t = [100.0])]
        repetition: Vec<f64>,
    },
    /// Surges
    Surge {
        /// Paths with their levels: NAME:KV/KV; a name that ends in ~ has mains angles
        #[arg(long, value_delimiter = ',', required = true)]
        path: Vec<String>,
        /// Pulses of each sign at each angle
        #[arg(long, default_value_t = 5)]
        pulses: u32,
        /// Time between pulses, s
        #[arg(long, default_value_t = 60.0)]
        rest: f64,
    },
    /// Power-frequency or direct magnetic field
    Magnetic {
        /// Field, A/m
        #[arg(long, default_value_t = 30.0)]
        level: f64,
        /// Frequencies, Hz; 0 is direct current
        #[arg(long, value_delimiter = ',', default_values_t = [50.0])]
        frequency: Vec<f64>,
        /// Minutes for each axis and frequency
        #[arg(long, default_value_t = 2.0)]
        minutes: f64,
    },
    /// Voltage dips and interruptions
    Dips {
        /// Dips of the standards: class-2, class-3, alarm
        #[arg(long, default_value = "class-3")]
        set: String,
        /// Mains frequency, Hz
        #[arg(long, default_value_t = 50.0)]
        frequency: f64,
        /// Voltages, V
        #[arg(long, value_delimiter = ',', default_values_t = [230.0])]
        voltage: Vec<f64>,
        /// Angles, degrees
        #[arg(long, value_delimiter = ',', default_values_t = [0.0, 180.0])]
        angle: Vec<f64>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct SweepArgs {
    /// Dwell at each frequency, s
    #[arg(long, default_value_t = 1.0)]
    dwell: f64,
    /// Settling at each frequency, s
    #[arg(long, default_value_t = 0.5)]
    settle: f64,
    /// Work cycle of the product, s: the dwell may not be shorter
    #[arg(long, default_value_t = 0.5)]
    cycle: f64,
}

/// `NAME:NUMBERS` with the numbers separated by `/`.
fn named(flag: &str, text: &str) -> Result<(String, Vec<f64>), Failure> {
    let bad = || Failure::input(format!("--{flag} `{text}`: expected NAME:KV or NAME:KV/KV"));
    let (name, levels) = text.rsplit_once(':').ok_or_else(bad)?;
    let levels: Option<Vec<f64>> = levels.split('/').map(|v| v.parse().ok().filter(|v: &f64| *v > 0.0)).collect();
    Ok((name.trim().to_owned(), levels.ok_or_else(bad)?))
}

/// Time for going to the next point, face or cable, s (usual in laboratories).
const NEXT_POINT_S: f64 = 45.0;
const NEXT_FACE_S: f64 = 120.0;
const NEXT_CABLE_S: f64 = 300.0;

fn made(a: &SheetCommand) -> Result<Sheet, Failure> {
    let fault = |e: SheetError| Failure::input(e.to_string());
    let swept = |sweep: &SweepArgs, places: Vec<String>, band: sheet::Band, change_s: f64| SweepPlan {
        places,
        bands: vec![band],
        modulations: vec!["80 % AM 1 kHz".to_owned()],
        step: 0.01,
        dwell_s: sweep.dwell,
        settle_s: sweep.settle,
        cycle_s: sweep.cycle,
        change_s,
    };
    match a {
        SheetCommand::Esd { contact, air, contact_kv, air_kv, interval, floor } => {
            if contact.is_empty() && air.is_empty() {
                return Err(Failure::input(
                    "--contact or --air: expected the names of the points, e.g. --contact screw,hinge",
                ));
            }
            if !(interval.is_finite() && *interval >= 1.0) {
                return Err(Failure::input(format!("--interval {interval}: expected at least 1 s")));
            }
            Ok(sheet::esd(&EsdPlan {
                contact_points: contact.clone(),
                air_points: air.clone(),
                contact_kv: contact_kv.clone(),
                air_kv: air_kv.clone(),
                faces: 4,
                horizontal: !floor,
                count: 10,
                interval_s: *interval,
                move_s: NEXT_POINT_S,
            }))
        }
        SheetCommand::Radiated { level, sweep, faces, from, to } => {
            let places = (1..=*faces).map(|k| format!("face {k}")).collect();
            sheet::radiated(&swept(sweep, places, sheet::Band::new(*from, *to, *level), NEXT_FACE_S)).map_err(fault)
        }
        SheetCommand::Conducted { level, sweep, cable, from, to } => {
            sheet::conducted(&swept(sweep, cable.clone(), sheet::Band::new(*from, *to, *level), NEXT_CABLE_S))
                .map_err(fault)
        }
        SheetCommand::Burst { port, repetition } => {
            let mut ports = Vec::new();
            for p in port {
                let (name, levels) = named("port", p)?;
                ports.extend(levels.into_iter().map(|kv| (name.clone(), kv)));
            }
            Ok(sheet::burst(&ports, repetition, false, NEXT_CABLE_S))
        }
        SheetCommand::Surge { path, pulses, rest } => {
            let mut paths = Vec::new();
            for p in path {
                let (name, levels_kv) = named("path", p)?;
                let mains = name.ends_with('~');
                let angles_deg = if mains { vec![0.0, 90.0, 180.0, 270.0] } else { Vec::new() };
                paths.push(SurgePath { name: name.trim_end_matches('~').trim().to_owned(), levels_kv, angles_deg });
            }
            sheet::surge(&paths, *pulses, *rest, NEXT_CABLE_S).map_err(fault)
        }
        SheetCommand::Magnetic { level, frequency, minutes } => {
            Ok(sheet::magnetic(*level, frequency, *minutes, NEXT_CABLE_S))
        }
        SheetCommand::Dips { set, frequency, voltage, angle } => {
            sheet::voltage_dips(set, *frequency, voltage, angle).map_err(fault)
        }
    }
}

fn from_figures(show: Show, a: &SheetCommand) -> Result<Outcome, Failure> {
    let s = made(a)?;
    if show.json {
        print::json(&json!({ "sheet": s, "duration_s": s.duration_s() }))?;
        return Ok(Outcome::Done);
    }
    print::text(&text_of(&s))?;
    Ok(Outcome::Done)
}

fn text_of(s: &Sheet) -> String {
    let known = if s.known == Known::Memory { " (from memory: check the bought standard)" } else { "" };
    let mut text = format!(
        "{}{known}\n{} stimuli in {} steps: {} and {} for changes.\n\n",
        s.clause,
        s.count,
        s.steps.len(),
        time(s.stimulus_s),
        time(s.change_s)
    );
    for c in &s.cautions {
        text.push_str(&format!("Caution: {c}\n"));
    }
    text.push('\n');
    for line in &s.set_up {
        text.push_str(&format!("· {line}\n"));
    }
    if !s.climate.is_empty() {
        text.push_str(&format!("Climate, to be recorded: {}\n", s.climate));
    }
    text.push('\n');
    text.push_str(&print::table(&["", "where", "what", "level", "count", "time"], rows(&s.steps), &[0, 4, 5]));
    let mut said: Vec<&str> = s.steps.iter().filter_map(|t| t.caution.as_deref()).collect();
    said.dedup();
    for c in said {
        text.push_str(&format!("→ {c}\n"));
    }
    text.push_str("→ move, turn or re-plug before this step\n");
    text
}

fn rows(steps: &[Step]) -> Vec<Vec<String>> {
    steps
        .iter()
        .enumerate()
        .map(|(i, step)| {
            vec![
                (i + 1).to_string(),
                format!("{}{}", if step.change_before { "→ " } else { "" }, step.place),
                step.stimulus.clone(),
                step.level.clone(),
                step.count.to_string(),
                time(step.duration_s),
            ]
        })
        .collect()
}
