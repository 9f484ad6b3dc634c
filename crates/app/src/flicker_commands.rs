//! `hushfield flicker`: severity, voltage change and inrush of a recording.

use std::ops::ControlFlow;
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use formats::capture::{Capture, CaptureChoices, CaptureInfo, open_capture};
use mains::assess::{Basis, FlickerAssessment, FlickerJob, assess_flicker};
use mains::flicker::Lamp;
use mains::record::{ChannelUse, Mains, RecordSetup};
use mains::voltage_change::{Impedance, Known, Shape};
use serde_json::{Map, Value, json};
use workbench::Stage;

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};
use crate::progress::Bar;

/// Measuring on the mains, shown where a recording of it is judged.
pub(crate) const PROBE_CAUTION: &str = "\
Caution, mains: an oscilloscope's probe ground is earth. Clipped to a live or neutral conductor it shorts the mains through
the lead; never lift the oscilloscope's earth instead. Use a differential probe rated for the mains category of the outlet,
or an isolating transformer for the product, and a current clamp or an isolated shunt. Capacitors of a supply stay charged
after unplugging. Have it wired by someone licensed, and follow your local code.
";

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum MainsFlag {
    /// 50 Hz
    #[value(name = "50")]
    Hz50,
    /// 60 Hz
    #[value(name = "60")]
    Hz60,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum LampFlag {
    /// 60 W lamp at 230 V
    #[value(name = "230")]
    V230,
    /// 60 W lamp at 120 V
    #[value(name = "120")]
    V120,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum EquipmentFlag {
    /// No further condition: dmax 4 %
    Plain,
    /// Switched by hand, or automatically more than twice a day with delayed or manual restart: dmax 6 %
    Switched,
    /// Attended in use, or switched no more than twice a day with delayed or manual restart: dmax 7 %
    Attended,
}

impl EquipmentFlag {
    /// Its name in the table of limits.
    pub(crate) fn id(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::Switched => "switched",
            Self::Attended => "attended",
        }
    }
}

#[derive(Debug, Args)]
pub(crate) struct Flicker {
    /// The record: .csv, .npy, .wav or SigMF, with the mains voltage, the current, or both
    pub(crate) record: PathBuf,
    /// Mains frequency, Hz
    #[arg(long, value_enum)]
    pub(crate) mains: MainsFlag,
    /// Lamp that the severity is of, V
    #[arg(long, value_enum)]
    pub(crate) lamp: LampFlag,
    /// Sampling rate, Hz, where the file does not hold it or holds it wrong
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) rate: Option<f64>,
    /// Column of the voltage, by name or number from 1 [default: the first whose name or unit says so, else the first]
    #[arg(long, value_name = "COL")]
    pub(crate) voltage: Option<String>,
    /// Column of the current: the flicker is then that of this current on the impedance, behind a clean supply; a voltage
    /// given too lends its phase
    #[arg(long, value_name = "COL")]
    pub(crate) current: Option<String>,
    /// Supply impedance for --current, ohm: resistance and reactance at 50 Hz [default: 0.4,0.25]
    #[arg(long, value_name = "R,X", requires = "current")]
    pub(crate) impedance: Option<String>,
    /// Angle by which the current's fundamental lags the voltage, degrees, for --current without a voltage
    #[arg(long, value_name = "DEG", default_value_t = 0.0, allow_negative_numbers = true, requires = "current")]
    pub(crate) lag: f64,
    /// Volts for one unit of the voltage column [default: as the file says]
    #[arg(long, allow_negative_numbers = true, value_name = "V_PER_UNIT")]
    pub(crate) scale: Option<f64>,
    /// Amperes for one unit of the current column [default: as the file says]
    #[arg(long, allow_negative_numbers = true, value_name = "A_PER_UNIT")]
    pub(crate) current_scale: Option<f64>,
    /// Nominal voltage, V: what percentages are of [default: the lamp's, or the record's own if that is far from it]
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) nominal: Option<f64>,
    /// Kind of equipment, which decides the limit of dmax
    #[arg(long, value_enum, default_value_t = EquipmentFlag::Plain)]
    pub(crate) equipment: EquipmentFlag,
    /// The record holds 24 switchings by hand: dmax is their mean without the extremes
    #[arg(long)]
    pub(crate) manual_switching: bool,
}

pub(crate) fn mains_of(flag: MainsFlag) -> Mains {
    match flag {
        MainsFlag::Hz50 => Mains::Hz50,
        MainsFlag::Hz60 => Mains::Hz60,
    }
}

fn column(info: &CaptureInfo, flag: &str, wanted: &str) -> Result<usize, Failure> {
    let plain = wanted.trim();
    info.channels
        .iter()
        .position(|c| c.name.eq_ignore_ascii_case(plain))
        .or_else(|| plain.parse::<usize>().ok().filter(|n| (1..=info.channels.len()).contains(n)).map(|n| n - 1))
        .ok_or_else(|| {
            let names: Vec<&str> = info.channels.iter().map(|c| c.name.as_str()).collect();
            Failure::input(format!(
                "--{flag} `{wanted}`: {} has no such column; expected one of {}, or a number from 1 to {}",
                info.name,
                names.join(", "),
                names.len()
            ))
        })
}

/// The column that is a voltage by its name or unit.
fn voltage_by_name(info: &CaptureInfo) -> Option<usize> {
    let is = |name: &str| {
        let n = name.to_ascii_lowercase();
        n.contains("volt") || n.starts_with("u_") || n == "u" || n == "v" || n.ends_with("_v") || n.starts_with("v_")
    };
    info.channels.iter().position(|c| is(&c.name) || (c.scale_known && c.unit.eq_ignore_ascii_case("v")))
}

pub(crate) fn impedance(text: Option<&str>) -> Result<Impedance, Failure> {
    let Some(text) = text else { return Ok(Impedance::reference()) };
    let parts: Vec<Option<f64>> = text.split(',').map(|p| p.trim().parse().ok()).collect();
    let [Some(r), Some(x)] = parts[..] else {
        return Err(Failure::input(format!(
            "--impedance `{text}`: expected resistance and reactance in ohm, such as 0.4,0.25"
        )));
    };
    Impedance::own(r, x).map_err(|e| Failure::input(format!("--impedance: {e}")))
}

fn job(a: &Flicker, capture: &Capture) -> Result<FlickerJob, Failure> {
    let info = capture.info();
    let rate_hz = capture.rate_hz().map_err(|e| Failure::input(e.to_string()))?;
    let current = a.current.as_deref().map(|c| column(info, "current", c)).transpose()?;
    let voltage = match (&a.voltage, current) {
        (Some(v), _) => Some(column(info, "voltage", v)?),
        (None, None) => Some(voltage_by_name(info).unwrap_or(0)),
        (None, Some(_)) => None,
    };
    if voltage.is_some() && voltage == current {
        return Err(Failure::input("--voltage and --current name the same column".to_owned()));
    }
    let scaled = |index: Option<usize>, given: Option<f64>, flag: &str| -> Result<Option<ChannelUse>, Failure> {
        if let Some(s) = given
            && !(s.is_finite() && s != 0.0)
        {
            return Err(Failure::input(format!("--{flag} {s}: expected a number other than zero")));
        }
        Ok(index.map(|i| ChannelUse { index: i, units_per_count: given.unwrap_or(info.channels[i].volts_per_unit) }))
    };
    let setup = RecordSetup {
        rate_hz,
        mains: mains_of(a.mains),
        voltage: scaled(voltage, a.scale, "scale")?,
        current: scaled(current, a.current_scale, "current-scale")?,
        current_late_s: 0.0,
        full_scale_counts: info.full_scale,
    };
    if let Some(v) = a.nominal
        && !(v.is_finite() && v > 0.0)
    {
        return Err(Failure::input(format!("--nominal {v}: expected a number of volts above zero")));
    }
    Ok(FlickerJob {
        setup,
        lamp: match a.lamp {
            LampFlag::V230 => Lamp::V230,
            LampFlag::V120 => Lamp::V120,
        },
        nominal_v: a.nominal,
        basis: match current {
            Some(_) => Basis::Current { impedance: impedance(a.impedance.as_deref())?, lag_deg: a.lag },
            None => Basis::Voltage,
        },
        equipment: a.equipment.id().into(),
        manual_switching: a.manual_switching,
    })
}

pub(crate) fn flicker(show: Show, a: &Flicker) -> Result<Outcome, Failure> {
    let choices = CaptureChoices { rate_hz: a.rate, ..CaptureChoices::default() };
    let mut capture = open_capture(&a.record, &choices).map_err(|e| Failure::input(e.to_string()))?;
    let job = job(a, &capture)?;
    let frames = capture.info().frames;
    let notes = capture.info().notes.clone();
    let mut bar = Bar::new(show.quiet);
    let found = assess_flicker(&mut capture, &job, &mut |done| {
        let fraction = frames.map(|f| done as f64 / f.max(1) as f64);
        let _ = bar.tell(&Stage { what: "flicker", fraction });
        ControlFlow::Continue(())
    })
    .map_err(|e| Failure::input(format!("{}: {e}", a.record.display())))?;
    drop(bar);
    let passes = found.verdict.passes && !found.findings.iter().any(|f| f.spoils_result);
    if show.json {
        print::json(&document(&a.record.display().to_string(), &found, passes, &notes)?)?;
    } else {
        print::text(&text(&found, passes, &notes))?;
    }
    Ok(if passes { Outcome::Done } else { Outcome::NotAPass })
}

pub(crate) fn document(
    record: &str,
    found: &FlickerAssessment,
    passes: bool,
    notes: &[String],
) -> Result<Map<String, Value>, Failure> {
    let mut d = Map::new();
    d.insert("record".into(), json!(record));
    d.insert("passes".into(), json!(passes));
    d.insert("pst".into(), json!(found.flicker.pst));
    d.insert("plt".into(), json!(found.flicker.plt));
    d.insert("dc_percent".into(), json!(found.change.dc_percent));
    d.insert("dmax_percent".into(), json!(found.change.dmax_percent));
    d.insert("tmax_s".into(), json!(found.change.tmax_s));
    d.insert("pinst_max".into(), json!(found.flicker.pinst_max));
    d.insert("pst_complete".into(), json!(found.flicker.pst_complete));
    d.insert("plt_complete".into(), json!(found.flicker.plt_complete));
    d.insert("plt_intervals".into(), json!(found.flicker.plt_intervals));
    let Value::Object(rest) = json!(found) else { return Err(Failure::ours("the result is no object")) };
    d.extend(rest);
    d.insert("reading_notes".into(), json!(notes));
    d.insert("caution".into(), json!(PROBE_CAUTION));
    Ok(d)
}

/// A quantity for people.
fn quantity(name: &str, value: f64) -> String {
    match name {
        "dc_percent" | "dmax_percent" => format!("{value:.3} %"),
        "tmax_s" => format!("{value:.3} s"),
        _ => format!("{value:.3}"),
    }
}

fn title(name: &str) -> &str {
    match name {
        "pst" => "Pst",
        "plt" => "Plt",
        "dc_percent" => "dc",
        "dmax_percent" => "dmax",
        "tmax_s" => "Tmax, d(t) above 3.3 %",
        other => other,
    }
}

pub(crate) fn text(f: &FlickerAssessment, passes: bool, notes: &[String]) -> String {
    let mut out = String::new();
    if !passes && f.verdict.passes {
        out.push_str("No verdict to rely on: the recording has a fault, see below.\n\n");
    } else {
        out.push_str(&format!("{}\n\n", f.verdict.sentence));
    }
    let rows = f
        .verdict
        .rows
        .iter()
        .map(|r| {
            vec![
                title(&r.quantity).to_owned(),
                quantity(&r.quantity, r.value),
                quantity(&r.quantity, r.limit),
                match r.passes {
                    Some(true) => "passes".into(),
                    Some(false) => "EXCEEDED".into(),
                    None => "not judged".into(),
                },
                match r.known {
                    Known::Seen => "seen".into(),
                    Known::Memory => "from memory".into(),
                },
                r.note.clone().unwrap_or_default(),
            ]
        })
        .collect();
    out.push_str(&print::table(&["quantity", "value", "at most", "verdict", "limit known", ""], rows, &[1, 2]));
    out.push_str(&format!(
        "\nHighest instantaneous sensation Pinst {:.3}. {} half-cycles at {:.3} Hz, {:.2} V on average, 100 % = {:.2} V.\n",
        f.flicker.pinst_max, f.change.half_cycles, f.frequency_hz, f.change.mean_v, f.nominal_v
    ));
    match &f.basis {
        Basis::Voltage => out.push_str("Measured on the recorded voltage, supply fluctuation included.\n"),
        Basis::Current { impedance: z, .. } => out.push_str(&format!(
            "Computed from the recorded current on {} + j{} ohm (at 50 Hz) behind a clean supply.\n",
            z.r_ohm, z.x_ohm
        )),
    }
    if f.flicker.intervals.len() > 1 {
        let list: Vec<String> = f.flicker.intervals.iter().map(|i| format!("{:.3}", i.pst)).collect();
        out.push_str(&format!("Pst, 10 min after 10 min: {}.\n", list.join(", ")));
    }
    out.push_str(&format!(
        "{} voltage change{} seen; the estimate by shape factors gives Pst {:.3} beside the measured {:.3}.\n",
        f.change.changes_seen,
        if f.change.changes_seen == 1 { "" } else { "s" },
        f.estimate.pst,
        f.flicker.pst
    ));
    let mut largest: Vec<_> = f.change.changes.iter().zip(&f.estimate.changes).collect();
    largest.sort_by(|a, b| b.0.dmax_percent.abs().total_cmp(&a.0.dmax_percent.abs()));
    if !largest.is_empty() {
        let rows = largest
            .iter()
            .take(10)
            .map(|(c, s)| {
                vec![
                    format!("{:.2}", c.start_s),
                    format!("{:.2}", c.dmax_percent),
                    c.dc_percent.map_or_else(|| "–".into(), |d| format!("{d:.2}")),
                    format!("{:.2}", c.over_threshold_s),
                    match s.shape {
                        Shape::Step => "step".into(),
                        Shape::Ramp => format!("ramp, {:.2} s", s.duration_s),
                        Shape::Rectangle => format!("rectangle, {:.2} s", s.duration_s),
                        Shape::Triangle => format!("triangle, {:.2} s", s.duration_s),
                    },
                    format!("{:.2}", s.factor),
                ]
            })
            .collect();
        let heads = ["at, s", "dmax, %", "dc, %", "above 3.3 %, s", "form", "F"];
        out.push_str(&format!("\n{}", print::table(&heads, rows, &[0, 1, 2, 3, 5])));
    }
    if let Some(s) = &f.switching {
        out.push_str(&format!(
            "\nManual switching: mean {:.3} % of 22 ({:.3} % and {:.3} % left out), standard deviation {:.3} %.\n",
            s.dmax_percent, s.lowest_percent, s.highest_percent, s.deviation_percent
        ));
    }
    if !f.inrush.is_empty() {
        let rows = f
            .inrush
            .iter()
            .take(24)
            .map(|i| {
                vec![
                    format!("{:.3}", i.start_s),
                    i.angle_deg.map_or_else(|| "–".into(), |d| format!("{d:.0}")),
                    format!("{:.2}", i.peak_a),
                    format!("{:.2}", i.peak_after_s * 1e3),
                    format!("{:.4}", i.first_pulse_a2s),
                    format!("{:.4}", i.total_a2s),
                    format!("{:.2}", i.half_cycle_rms_a),
                ]
            })
            .collect();
        let heads = [
            "switched at, s",
            "angle, °",
            "peak, A",
            "after, ms",
            "I²t first pulse, A²s",
            "I²t inrush, A²s",
            "half cycle, A",
        ];
        out.push_str(&format!("\n{}", print::table(&heads, rows, &[0, 1, 2, 3, 4, 5, 6])));
    }
    if let Some(z) = f.highest_impedance_ohm {
        out.push_str(&format!(
            "\nMay be connected where the supply impedance is at most {z:.3} ohm (IEC 61000-3-11, rule from memory).\n"
        ));
    }
    for finding in &f.findings {
        out.push_str(&format!("{}: {}.\n", if finding.spoils_result { "Fault" } else { "Note" }, finding.text));
    }
    for n in notes {
        out.push_str(&format!("Note: {n}\n"));
    }
    out.push_str(&format!("\nLimits: {} ({}).\n\n{PROBE_CAUTION}", f.limits.standard, f.limits.scope));
    out
}
