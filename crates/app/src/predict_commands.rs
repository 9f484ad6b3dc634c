//! `hushfield predict`: harmonics, inrush and flicker of a supply before it is built.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use mains::flicker::Lamp;
use mains::harmonics::{Class, DecidingRule, HarmonicVerdict, Product};
use mains::prediction::{
    Bound, Parameter, SupplyFile, SwitchOn, bound, inrush_by_angle, predict_flicker, predict_harmonics,
};
use mains::voltage_change::Impedance;
use serde_json::{Map, json};

use crate::flicker_commands::{EquipmentFlag, LampFlag, PROBE_CAUTION, impedance};
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ClassFlag {
    /// Everything that is in no other class
    A,
    /// Portable tools
    B,
    /// Lighting
    C,
    /// Computers, monitors, television sets, refrigerators with variable speed, up to 600 W
    D,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum SolveFlag {
    /// The largest reservoir capacitance that passes, F
    Capacitance,
    /// The smallest choke that passes, H
    Choke,
    /// The smallest series resistance that passes, ohm
    SeriesResistance,
}

#[derive(Debug, Args)]
pub(crate) struct Predict {
    /// The description of the input (see docs/prediction.md)
    pub(crate) supply: PathBuf,
    /// Class of IEC 61000-3-2
    #[arg(long, value_enum, ignore_case = true, default_value_t = ClassFlag::A)]
    pub(crate) class: ClassFlag,
    /// Power the maker specifies, W
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) power: Option<f64>,
    /// Look for the part value that just passes
    #[arg(long, value_enum)]
    pub(crate) solve: Option<SolveFlag>,
    /// Lowest value looked at, in F, H or ohm
    #[arg(long, requires = "solve", allow_negative_numbers = true)]
    pub(crate) from: Option<f64>,
    /// Highest value looked at, in F, H or ohm
    #[arg(long, requires = "solve", allow_negative_numbers = true)]
    pub(crate) to: Option<f64>,
    /// Values on the curve
    #[arg(long, default_value_t = 13, value_parser = clap::value_parser!(u16).range(3..=400))]
    pub(crate) points: u16,
    /// Inrush and voltage step at these angles of the mains, degrees
    #[arg(long, value_delimiter = ',', allow_negative_numbers = true, value_name = "DEG,DEG,…")]
    pub(crate) inrush: Vec<f64>,
    /// Lamp of the flicker, V, for a load on a schedule
    #[arg(long, value_enum, default_value_t = LampFlag::V230)]
    pub(crate) lamp: LampFlag,
    /// Kind of equipment, which decides the limit of dmax
    #[arg(long, value_enum, default_value_t = EquipmentFlag::Plain)]
    pub(crate) equipment: EquipmentFlag,
    /// Supply impedance for flicker and voltage step, ohm: resistance and reactance at 50 Hz [default: 0.4,0.25]
    #[arg(long, value_name = "R,X")]
    pub(crate) impedance: Option<String>,
    /// Time of a schedule, s; 7200 for a long-term severity
    #[arg(long, default_value_t = 600.0)]
    pub(crate) duration: f64,
    /// Print the network instead, in the common card syntax
    #[arg(long)]
    pub(crate) netlist: bool,
}

pub(crate) fn predict(show: Show, a: &Predict) -> Result<Outcome, Failure> {
    let place = a.supply.display().to_string();
    let input = |e: &dyn std::fmt::Display| Failure::input(format!("{place}: {e}"));
    let text = std::fs::read_to_string(&a.supply).map_err(|e| input(&e))?;
    let supply = SupplyFile::parse(&text).map_err(|e| input(&e))?;
    let z = impedance(a.impedance.as_deref())?;
    if a.netlist {
        let net = supply.netlist(0.0, 0.95).ok_or_else(|| input(&"a load on a schedule has no network"))?;
        print::text(&net)?;
        return Ok(Outcome::Done);
    }
    if supply.is_schedule() {
        return schedule(show, a, &supply, &z, &place);
    }
    let product = Product {
        power_w: a.power,
        ..Product::of(match a.class {
            ClassFlag::A => Class::A,
            ClassFlag::B => Class::B,
            ClassFlag::C => Class::C,
            ClassFlag::D => Class::D,
        })
    };
    let (cycle, judgement) = predict_harmonics(&supply, &product).map_err(|e| input(&e))?;
    let solved = match a.solve {
        None => None,
        Some(flag) => {
            let (parameter, from, to) = match flag {
                SolveFlag::Capacitance => (Parameter::Capacitance, 4.7e-6, 1000e-6),
                SolveFlag::Choke => (Parameter::Choke, 0.2e-3, 200e-3),
                SolveFlag::SeriesResistance => (Parameter::SeriesResistance, 0.05, 50.0),
            };
            let (from, to) = (a.from.unwrap_or(from), a.to.unwrap_or(to));
            Some(bound(&supply, &product, parameter, from, to, usize::from(a.points)).map_err(|e| input(&e))?)
        }
    };
    let inrush = inrush_by_angle(&supply, &z, &a.inrush).map_err(|e| input(&e))?;
    let passes = matches!(judgement.verdict, HarmonicVerdict::Pass | HarmonicVerdict::NoLimits);
    if show.json {
        let mut d = Map::new();
        d.insert("supply".into(), json!(supply));
        d.insert("passes".into(), json!(passes));
        d.insert("power_w".into(), json!(cycle.power_w()));
        d.insert("current_a".into(), json!(cycle.rms_a()));
        d.insert("harmonics".into(), json!(judgement));
        d.insert(
            "cycle".into(),
            json!({
                "rate_hz": cycle.rate_hz, "voltage_v": cycle.voltage_v, "current_a": cycle.current_a,
            }),
        );
        d.insert("solved".into(), json!(solved));
        d.insert("inrush".into(), json!(inrush));
        d.insert("caution".into(), json!(PROBE_CAUTION));
        print::json(&d)?;
    } else {
        let mut out = format!("Predicted: {}\n\n", judgement.sentence);
        let rows = judgement
            .orders
            .iter()
            .filter(|o| o.order > 1 && o.rule != DecidingRule::TooSmall && o.limit_a.is_some())
            .map(|o| {
                vec![
                    o.order.to_string(),
                    format!("{:.4}", o.average_a),
                    o.limit_a.map_or_else(|| "–".into(), |l| format!("{l:.4}")),
                    o.percent_of_limit.map_or_else(|| "–".into(), |p| format!("{p:.0}")),
                    if o.pass { "passes".into() } else { "EXCEEDED".into() },
                ]
            })
            .collect();
        out.push_str(&print::table(&["order", "current, A", "limit, A", "% of limit", "verdict"], rows, &[0, 1, 2, 3]));
        out.push_str(&format!(
            "\n{:.1} W, {:.3} A r.m.s., total harmonic distortion {:.1} %; settled within {} cycles.\n",
            cycle.power_w(),
            cycle.rms_a(),
            judgement.thd_percent,
            cycle.cycles
        ));
        if let Some(b) = &solved {
            out.push_str(&curve(b));
        }
        if !inrush.is_empty() {
            out.push_str(&switching(&inrush));
        }
        out.push_str("\nA prediction is as good as its parts: hold the first prototype against it.\n");
        print::text(&out)?;
    }
    Ok(if passes { Outcome::Done } else { Outcome::NotAPass })
}

fn curve(b: &Bound) -> String {
    let (unit, scale) = match b.parameter {
        Parameter::Capacitance => ("µF", 1e6),
        Parameter::Choke => ("mH", 1e3),
        Parameter::SeriesResistance => ("ohm", 1.0),
    };
    let rows = b
        .curve
        .iter()
        .map(|p| {
            // The distance to the limit, drawn: the limit stands at the bar.
            let marks = (p.worst_percent / 10.0).round().clamp(0.0, 30.0) as usize;
            let mut line: String = (0..30).map(|k| if k < marks { '#' } else { ' ' }).collect();
            line.insert(10, '|');
            vec![
                format!("{:.4}", p.value * scale),
                format!("{:.0}", p.worst_percent),
                p.order.to_string(),
                if p.passes { "passes".into() } else { "exceeded".into() },
                line.trim_end().to_owned(),
            ]
        })
        .collect();
    let value = format!("{}, {unit}", b.parameter.words());
    format!(
        "\n{}\n\n{}",
        b.sentence,
        print::table(&[&value, "worst, % of limit", "order", "", "0 % to 300 %, limit at the bar"], rows, &[0, 1, 2])
    )
}

fn switching(list: &[SwitchOn]) -> String {
    let rows = list
        .iter()
        .map(|s| {
            vec![
                format!("{:.0}", s.angle_deg),
                format!("{:.2}", s.inrush.peak_a),
                format!("{:.4}", s.inrush.first_pulse_a2s),
                format!("{:.4}", s.inrush.total_a2s),
                format!("{:.2}", s.inrush.half_cycle_rms_a),
                format!("{:.3}", s.dmax_percent),
            ]
        })
        .collect();
    let heads = ["angle, °", "peak, A", "I²t first pulse, A²s", "I²t inrush, A²s", "half cycle, A", "dmax, %"];
    format!("\n{}", print::table(&heads, rows, &[0, 1, 2, 3, 4, 5]))
}

fn schedule(show: Show, a: &Predict, supply: &SupplyFile, z: &Impedance, place: &str) -> Result<Outcome, Failure> {
    if !(a.duration.is_finite() && (1.0..=86_400.0).contains(&a.duration)) {
        return Err(Failure::input(format!("--duration {}: expected 1 to 86400 s", a.duration)));
    }
    let lamp = match a.lamp {
        LampFlag::V230 => Lamp::V230,
        LampFlag::V120 => Lamp::V120,
    };
    let found = predict_flicker(supply, lamp, z, a.equipment.id(), a.duration)
        .map_err(|e| Failure::input(format!("{place}: {e}")))?;
    let passes = found.verdict.passes;
    if show.json {
        print::json(&crate::flicker_commands::document(place, &found, passes, &[])?)?;
    } else {
        print::text(&format!("Predicted. {}", crate::flicker_commands::text(&found, passes, &[])))?;
    }
    Ok(if passes { Outcome::Done } else { Outcome::NotAPass })
}
