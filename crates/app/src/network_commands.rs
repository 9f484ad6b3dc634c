//! AC and transient response of a netlist: `hushfield network`.

use std::fs;
use std::ops::ControlFlow;
use std::path::PathBuf;

use circuit::{
    AcSystem, Complex64, ElementKind, Netlist, Probe, StepView, TransientOptions, TransientSummary, parse_number,
    transient_with,
};
use clap::{ArgGroup, Args};
use serde_json::{Map, Value, json};

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

/// More than this is no netlist.
const LARGEST_FILE: u64 = 64 << 20;
/// More points than this are a slip of the keyboard.
const MOST_POINTS: usize = 10_000_000;
/// Voltage of a capacitor above which a caution is due: the usual bound of extra-low voltage without ripple, V.
const CAUTION_V: f64 = 60.0;

#[derive(Debug, Args)]
#[command(
    group(ArgGroup::new("analysis").required(true).args(["ac", "tran"])),
    after_help = "AC: magnitudes are dB relative to 1 V (currents: 1 A) for the AC magnitudes that the netlist gives its \
    sources, so with one source of `AC 1` they are the gain. A transient starts from the operating point, or from the \
    initial conditions where the netlist has any (IC= on an element, uic on its .tran card) or the flag asks for them.\n\n\
    Cards: R C L K V I E G F H B D Y S T X, .model (D, SW, VARISTOR, CLAMP, TABLE), .subckt, .param, .ic, .global. \
    Y is a protector or a table impedance by its model: VARISTOR(c= beta=), CLAMP(vbr= rd=), TABLE(hertz ohm degrees …). \
    A card that is not understood is an error; analysis and print cards are read and named on standard error."
)]
pub(crate) struct Network {
    /// The netlist
    pub(crate) file: PathBuf,
    /// AC response from FROM to TO (Hz; suffixes like 150k or 30meg) at POINTS frequencies evenly spread in log f
    #[arg(long, num_args = 3, value_names = ["FROM", "TO", "POINTS"], allow_hyphen_values = true)]
    pub(crate) ac: Option<Vec<String>>,
    /// Transient response every STEP seconds until STOP (suffixes like 100n or 20m)
    #[arg(long, num_args = 2, value_names = ["STEP", "STOP"], allow_hyphen_values = true)]
    pub(crate) tran: Option<Vec<String>>,
    /// What to look at: a node `out`, a difference `a,b`, or the current through an element `i(r1)`; may be repeated
    #[arg(long = "probe", required = true, value_name = "NODE")]
    pub(crate) probes: Vec<String>,
    /// Start a transient from the initial conditions (zero where none is given) instead of the operating point
    #[arg(long, requires = "tran")]
    pub(crate) initial_conditions: bool,
}

fn number(what: &str, text: &str) -> Result<f64, Failure> {
    match parse_number(text) {
        Ok(v) if v > 0.0 => Ok(v),
        Ok(v) => Err(Failure::input(format!("{what} {text}: {v} is not above zero; expected a number above zero"))),
        Err(e) => Err(Failure::input(format!("{what} {text}: {e}; expected a number such as 150e3, 150k or 30meg"))),
    }
}

fn read(a: &Network) -> Result<Netlist, Failure> {
    let name = a.file.display().to_string();
    let fault = |e: std::io::Error| Failure::input(format!("{name}: {e}; expected a netlist"));
    if fs::metadata(&a.file).map_err(fault)?.len() > LARGEST_FILE {
        return Err(Failure::input(format!("{name}: the file is larger than 64 MiB; expected a netlist")));
    }
    let bytes = fs::read(&a.file).map_err(fault)?;
    // Old files carry µ and Ω in Latin-1; every byte is a character there.
    let text = String::from_utf8(bytes).unwrap_or_else(|e| e.as_bytes().iter().map(|b| char::from(*b)).collect());
    Netlist::parse(&text, &name).map_err(|e| Failure::input(e.to_string()))
}

/// Eleven digits, and an exponent only where it helps.
fn plain(x: f64) -> String {
    let r: f64 = format!("{x:.10e}").parse().unwrap_or(x);
    if r == 0.0 {
        return "0".into();
    }
    if !r.is_finite() || (1e-4..1e15).contains(&r.abs()) { format!("{r}") } else { format!("{r:e}") }
}

fn finite(x: f64) -> Value {
    if x.is_finite() { json!(x) } else { Value::Null }
}

/// The heading of a column: as promised for one probe, with the probe's name for several.
fn head(name: &str, probe: &str, several: bool) -> String {
    if several { format!("\"{name} {}\"", probe.replace('"', "")) } else { name.to_owned() }
}

pub(crate) fn network(show: Show, a: &Network) -> Result<Outcome, Failure> {
    let net = read(a)?;
    if !show.quiet {
        for note in net.notes() {
            eprintln!("{note}");
        }
    }
    let probes = a
        .probes
        .iter()
        .map(|p| Probe::parse(&net, p))
        .collect::<Result<Vec<_>, _>>()
        .map_err(|e| Failure::input(format!("--probe: {e}")))?;
    match (&a.ac, &a.tran) {
        (Some(ac), _) => ac_response(show, a, &net, &probes, ac),
        (None, Some(tran)) => transient_response(show, a, &net, &probes, tran),
        (None, None) => Err(Failure::input("neither --ac nor --tran was given; expected one of them")),
    }
}

fn ac_response(show: Show, a: &Network, net: &Netlist, probes: &[Probe], words: &[String]) -> Result<Outcome, Failure> {
    let (from, to) = (number("--ac FROM", &words[0])?, number("--ac TO", &words[1])?);
    let points: usize = words[2].parse().ok().filter(|p| (1..=MOST_POINTS).contains(p)).ok_or_else(|| {
        Failure::input(format!("--ac POINTS {}: expected a whole number from 1 to {MOST_POINTS}", words[2]))
    })?;
    if to < from || (points > 1 && to == from) {
        return Err(Failure::input(format!("--ac {from} {to}: expected TO above FROM")));
    }
    let frequency_hz: Vec<f64> = (0..points)
        .map(|i| match i {
            0 => from,
            i if i == points - 1 => to,
            i => from * (to / from).powf(i as f64 / (points - 1) as f64),
        })
        .collect();
    let fault = |e: circuit::CircuitError| Failure::input(e.to_string());
    let rows = AcSystem::new(net).and_then(|s| s.response(&frequency_hz, probes)).map_err(fault)?;
    let db = |v: &Complex64| 20.0 * v.norm().log10();
    let deg = |v: &Complex64| v.arg().to_degrees();
    if show.json {
        let responses: Vec<Value> = a
            .probes
            .iter()
            .zip(probes)
            .zip(&rows)
            .map(|((name, probe), row)| {
                json!({
                    "probe": name,
                    "magnitude_is_relative_to": if matches!(probe, Probe::Current(_)) { "1 A" } else { "1 V" },
                    "magnitude_db": row.iter().map(|v| finite(db(v))).collect::<Vec<_>>(),
                    "phase_deg": row.iter().map(deg).collect::<Vec<_>>(),
                })
            })
            .collect();
        let mut document = Map::new();
        document.insert("file".into(), json!(a.file.display().to_string()));
        document.insert("title".into(), json!(net.title()));
        document.insert("frequency_hz".into(), json!(frequency_hz));
        if let [Value::Object(only)] = responses.as_slice() {
            document.extend(only.clone());
        } else {
            document.insert("responses".into(), json!(responses));
        }
        document.insert("notes".into(), notes(net));
        print::json(&document)?;
        return Ok(Outcome::Done);
    }
    let several = probes.len() > 1;
    let mut text = String::from("frequency_hz");
    for p in &a.probes {
        text.push_str(&format!(",{},{}", head("magnitude_db", p, several), head("phase_deg", p, several)));
    }
    text.push('\n');
    for (i, f) in frequency_hz.iter().enumerate() {
        text.push_str(&plain(*f));
        for row in &rows {
            text.push_str(&format!(",{:.6},{:.5}", db(&row[i]), deg(&row[i])));
        }
        text.push('\n');
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

fn notes(net: &Netlist) -> Value {
    json!(net.notes().iter().map(ToString::to_string).collect::<Vec<_>>())
}

fn transient_response(
    show: Show,
    a: &Network,
    net: &Netlist,
    probes: &[Probe],
    words: &[String],
) -> Result<Outcome, Failure> {
    let (step, stop) = (number("--tran STEP", &words[0])?, number("--tran STOP", &words[1])?);
    if stop / step > MOST_POINTS as f64 {
        return Err(Failure::input(format!(
            "--tran {step} {stop}: more than {MOST_POINTS} points; expected a longer STEP"
        )));
    }
    let mut options = TransientOptions::new(step, stop);
    // As the syntax has it: no step is longer than the output's, so a corner of a rectifier lies within one of them.
    options.max_step_s = Some(step.min(stop / 50.0));
    options.use_initial_conditions = a.initial_conditions || net.asks_for_initial_conditions();
    let mut time_s = Vec::new();
    let mut columns = vec![Vec::new(); probes.len()];
    let mut keep = |view: &StepView<'_>| {
        time_s.push(view.time_s);
        for (column, p) in columns.iter_mut().zip(probes) {
            column.push(view.probe(*p));
        }
        ControlFlow::Continue(())
    };
    let summary = transient_with(net, &options, &mut keep).map_err(|e| Failure::input(e.to_string()))?;
    let caution = caution(net, &summary);
    if show.json {
        let mut document = Map::new();
        document.insert("file".into(), json!(a.file.display().to_string()));
        document.insert("title".into(), json!(net.title()));
        document.insert("from_initial_conditions".into(), json!(options.use_initial_conditions));
        document.insert("time_s".into(), json!(time_s));
        let responses: Vec<Value> =
            a.probes.iter().zip(&columns).map(|(name, values)| json!({"probe": name, "value": values})).collect();
        if let [Value::Object(only)] = responses.as_slice() {
            document.extend(only.clone());
        } else {
            document.insert("responses".into(), json!(responses));
        }
        let b = summary.balance;
        document.insert(
            "balance".into(),
            json!({
                "sources_j": b.sources_j, "dissipated_j": b.dissipated_j, "stored_change_j": b.stored_change_j,
                "residual_j": b.residual_j, "relative_residual": b.relative_residual,
                "charge_residual_c": b.charge_residual_c,
            }),
        );
        let elements: Vec<Value> = net
            .elements()
            .iter()
            .zip(&summary.elements)
            .filter(|(e, _)| !matches!(e.kind, ElementKind::Mutual { .. }))
            .map(|(e, s)| {
                json!({
                    "element": e.name, "absorbed_j": s.absorbed_j, "stored_j": s.stored_j,
                    "peak_power_w": s.peak_power_w, "peak_voltage_v": s.peak_voltage_v,
                    "peak_current_a": s.peak_current_a, "charge_c": s.charge_c,
                })
            })
            .collect();
        document.insert("elements".into(), json!(elements));
        document.insert("steps".into(), json!(summary.steps));
        document.insert("caution".into(), json!(caution));
        document.insert("notes".into(), notes(net));
        print::json(&document)?;
        return Ok(Outcome::Done);
    }
    let several = probes.len() > 1;
    let mut text = String::from("time_s");
    for p in &a.probes {
        text.push_str(&format!(",{}", head("value", p, several)));
    }
    text.push('\n');
    for (i, t) in time_s.iter().enumerate() {
        text.push_str(&plain(*t));
        for column in &columns {
            text.push(',');
            text.push_str(&plain(column[i]));
        }
        text.push('\n');
    }
    print::text(&text)?;
    if !show.quiet {
        let b = summary.balance;
        eprintln!(
            "energy: {:.4e} J from sources, {:.4e} J into heat, {:+.4e} J stored; {:.1e} of it is not accounted for ({} steps{})",
            b.sources_j,
            b.dissipated_j,
            b.stored_change_j,
            b.relative_residual,
            summary.steps,
            if options.use_initial_conditions { ", from the initial conditions" } else { ", from the operating point" },
        );
        if let Some(caution) = caution {
            eprintln!("{caution}");
        }
    }
    Ok(Outcome::Done)
}

/// A word on the charge that stays in the capacitors of the real thing.
fn caution(net: &Netlist, summary: &TransientSummary) -> Option<String> {
    let (e, s) = net
        .elements()
        .iter()
        .zip(&summary.elements)
        .filter(|(e, s)| matches!(e.kind, ElementKind::Capacitor { .. }) && s.peak_voltage_v > CAUTION_V)
        .max_by(|x, y| x.1.peak_voltage_v.total_cmp(&y.1.peak_voltage_v))?;
    Some(format!(
        "Caution: `{}` reaches {:.0} V here. In the real circuit such a capacitor can keep its charge after switching off \
         and is dangerous to touch: discharge it through a resistor, measure before touching, and leave work on live or \
         mains-connected parts to people licensed for it, under your local code.",
        e.name, s.peak_voltage_v
    ))
}
