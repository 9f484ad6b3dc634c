//! Surge stress on a protector, hold-up through dips.

use std::fs;
use std::path::Path;

use clap::{Args, ValueEnum};
use immunity::dips::{Event, Response, Supply, capacitance_per_watt, dips as built_in};
use immunity::surge::{Coupling, Group, Part, Pulse, SequenceWear, SeriesPart, TwoStage, propose_order, sequence};
use serde_json::json;
use standards::Known;

use crate::immunity_commands::{PULSE_CAUTION, prefixed};
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum CouplingFlag {
    /// 18 µF, 2 ohm
    LineLine,
    /// 9 µF + 10 ohm, 12 ohm
    LineEarth,
    /// 0.5 µF + 40 ohm, 42 ohm
    Signal,
    /// Arrestor + 40 ohm
    SignalArrestor,
    /// Straight onto a screen, 2 ohm
    Screen,
    /// 10/700 µs, 40 ohm
    Telecom,
}

impl CouplingFlag {
    fn coupling(self) -> Coupling {
        match self {
            Self::LineLine => Coupling::LineLine,
            Self::LineEarth => Coupling::LineEarth,
            Self::Signal => Coupling::Signal,
            Self::SignalArrestor => Coupling::SignalArrestor,
            Self::Screen => Coupling::Screen,
            Self::Telecom => Coupling::Telecom,
        }
    }
}

#[derive(Debug, Args)]
pub(crate) struct Surge {
    /// Open-circuit level, V (its sign is the polarity)
    #[arg(long, allow_negative_numbers = true, required_unless_present = "sequence")]
    level: Option<f64>,
    /// Coupling
    #[arg(long, value_enum, default_value = "line-line")]
    coupling: CouplingFlag,
    /// The part: a TOML file, or words such as kind=varistor,voltage_1ma_v=430,clamp_v=710,clamp_a=50,life=1:4500/10:2000
    #[arg(long)]
    protector: String,
    /// Pulses
    #[arg(long, default_value_t = 1)]
    pulses: u32,
    /// Time between pulses, s
    #[arg(long, default_value_t = 60.0)]
    rest: f64,
    /// Groups in place of level, coupling and pulses: V:COUPLING:PULSES, separated by commas
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true)]
    sequence: Vec<String>,
    /// Mains the line is powered with, V rms
    #[arg(long)]
    mains: Option<f64>,
    /// Angle of the mains at the pulse, degrees
    #[arg(long, default_value_t = 90.0, allow_negative_numbers = true)]
    angle: f64,
    /// Capacitance of the product beside the part, F (470n is understood)
    #[arg(long, value_parser = immunity::parse_number, default_value = "0")]
    beside: f64,
    /// Temperature of the surroundings, °C
    #[arg(long, default_value_t = 25.0, allow_negative_numbers = true)]
    ambient: f64,
    /// Share of the part's life used up before, 0 to 1 (trial runs)
    #[arg(long, default_value_t = 0.0)]
    used: f64,
    /// A second part behind the first, at the circuit: a TOML file or words. Each pulse is then told for both
    #[arg(long, requires = "series_ohm")]
    second: Option<String>,
    /// Resistance between the two parts, ohm
    #[arg(long, value_parser = immunity::parse_number)]
    series_ohm: Option<f64>,
    /// Inductance between the two parts, H (47u is understood)
    #[arg(long, value_parser = immunity::parse_number, default_value = "0")]
    series_henry: f64,
}

/// A worn or over-driven part burns or bursts: beside the caution on generators.
const PART_CAUTION: &str = "\
Caution, fire and fragments: a varistor that is worn or over-driven shorts, cracks or burns, and an arrestor on the mains
may keep burning (follow current). Cover it, wear eye protection, keep an extinguisher near, fuse the mains for it.
";

fn groups(a: &Surge) -> Result<Vec<Group>, Failure> {
    let mains_v = a.mains.map_or(0.0, |v| v * std::f64::consts::SQRT_2 * a.angle.to_radians().sin());
    let group = |level_v: f64, coupling: Coupling, count: u32| Group {
        pulse: Pulse {
            level_v,
            coupling,
            mains_v: if coupling.parts().0.is_some() { mains_v } else { 0.0 },
            beside_f: a.beside,
        },
        count,
        rest_s: a.rest,
    };
    if a.sequence.is_empty() {
        let level = a.level.ok_or_else(|| Failure::input("--level: expected a voltage"))?;
        return Ok(vec![group(level, a.coupling.coupling(), a.pulses)]);
    }
    a.sequence
        .iter()
        .map(|text| {
            let parts: Vec<&str> = text.split(':').collect();
            let bad = || {
                let known: Vec<String> = CouplingFlag::value_variants()
                    .iter()
                    .filter_map(|v| v.to_possible_value().map(|p| p.get_name().to_owned()))
                    .collect();
                Failure::input(format!(
                    "--sequence `{text}`: expected V:COUPLING:PULSES, COUPLING one of {}",
                    known.join(", ")
                ))
            };
            let [v, c, n] = parts[..] else { return Err(bad()) };
            let coupling = CouplingFlag::from_str(c, true).map_err(|_| bad())?;
            Ok(group(v.parse().map_err(|_| bad())?, coupling.coupling(), n.parse().map_err(|_| bad())?))
        })
        .collect()
}

fn part(text: &str) -> Result<Part, Failure> {
    part_of("--protector", text)
}

fn part_of(flag: &str, text: &str) -> Result<Part, Failure> {
    let path = Path::new(text);
    if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")) || path.is_file() {
        let content = fs::read_to_string(path).map_err(|e| Failure::input(format!("{flag} {text}: {e}")))?;
        return Part::from_toml(&content, text).map_err(|e| Failure::input(e.to_string()));
    }
    Part::from_words(text, flag).map_err(|e| Failure::input(e.to_string()))
}

pub(crate) fn surge(show: Show, a: &Surge) -> Result<Outcome, Failure> {
    let part = part(&a.protector)?;
    let groups = groups(a)?;
    if let Some(second) = &a.second {
        let series = SeriesPart { ohm: a.series_ohm.unwrap_or(0.0), henry: a.series_henry };
        let second = part_of("--second", second)?;
        return two_stages(show, &TwoStage { first: part, series, second }, &groups);
    }
    let wear = sequence(&part, &groups, a.ambient, a.used).map_err(|e| Failure::input(e.to_string()))?;
    let order = propose_order(&wear);
    if show.json {
        print::json(
            &json!({ "part": part, "bears": wear.bears, "share_of_life": wear.share_of_life, "duration_s": wear.duration_s,
            "peak_a": wear.groups.iter().map(|g| g.stress.peak_a).fold(0.0, f64::max),
            "clamp_v": wear.groups.iter().map(|g| g.stress.clamp_v).fold(0.0, f64::max),
            "energy_j": wear.groups.iter().map(|g| g.stress.energy_j).fold(0.0, f64::max),
            "groups": wear.groups, "proposed_order": order, "warnings": wear.warnings,
            "caution": format!("{PULSE_CAUTION}{PART_CAUTION}") }),
        )?;
    } else {
        print::text(&surge_text(&part, &wear, &order))?;
    }
    Ok(if wear.bears { Outcome::Done } else { Outcome::NotAPass })
}

/// Each pulse on two parts one behind the other.
fn two_stages(show: Show, two: &TwoStage, groups: &[Group]) -> Result<Outcome, Failure> {
    let mut found = Vec::new();
    for g in groups {
        let stress = two.stress(&g.pulse).map_err(|e| Failure::input(e.to_string()))?;
        found.push((g, stress));
    }
    let bears = found.iter().all(|(_, s)| !s.warnings.iter().any(|w| w.contains("fails short")));
    if show.json {
        let pulses: Vec<_> = found
            .iter()
            .map(|(g, s)| json!({ "level_v": g.pulse.level_v, "coupling": g.pulse.coupling, "stress": s }))
            .collect();
        print::json(&json!({ "stages": two, "bears": bears, "pulses": pulses,
            "caution": format!("{PULSE_CAUTION}{PART_CAUTION}") }))?;
    } else {
        let mut text = if bears {
            "Both parts bear the pulses as far as ratings were given.\n\n"
        } else {
            "The second part does not bear it.\n\n"
        }
        .to_owned();
        let rows = found
            .iter()
            .map(|(g, s)| {
                vec![
                    format!("{:.0} V {}", g.pulse.level_v, g.pulse.coupling.name()),
                    format!("{:.0}", s.line_v),
                    format!("{:.1}", s.circuit_v),
                    format!("{:.1}", s.first_a),
                    format!("{:.1}", s.second_a),
                    format!("{:.4}", s.first_j),
                    format!("{:.4}", s.series_j),
                    format!("{:.4}", s.second_j),
                ]
            })
            .collect();
        let heads = ["pulse", "line, V", "circuit, V", "first, A", "second, A", "first, J", "between, J", "second, J"];
        text.push_str(&print::table(&heads, rows, &[1, 2, 3, 4, 5, 6, 7]));
        for (g, s) in &found {
            for w in &s.warnings {
                text.push_str(&format!("· {:.0} V: {w}\n", g.pulse.level_v));
            }
        }
        if let Some(least) = found.first().and_then(|(_, s)| s.least_ohm) {
            text.push_str(&format!(
                "By hand, (sparkover − clamping) over the current that the diode bears: {least:.1} ohm or more between them.\n"
            ));
        }
        print::text(&format!("{text}\n{PULSE_CAUTION}{PART_CAUTION}"))?;
    }
    Ok(if bears { Outcome::Done } else { Outcome::NotAPass })
}

fn surge_text(part: &Part, wear: &SequenceWear, order: &[usize]) -> String {
    let mut text = match (wear.bears, wear.share_of_life) {
        (true, Some(s)) => format!("The part bears it; {:.1} % of its life is used afterwards.\n\n", 100.0 * s),
        (true, None) => "No rating is passed, as far as ratings were given; wear is not known.\n\n".to_owned(),
        (false, _) => "The part does not bear it.\n\n".to_owned(),
    };
    let dash = |v: Option<f64>, digits: usize| v.map_or("–".to_owned(), |v| format!("{v:.digits$}"));
    let rows = wear
        .groups
        .iter()
        .map(|g| {
            vec![
                format!("{:.0} V {}", g.level_v, g.coupling.name()),
                g.count.to_string(),
                format!("{:.1}", g.stress.peak_a),
                format!("{:.0}", g.stress.clamp_v),
                format!("{:.3}", g.stress.energy_j),
                dash(g.bears, 0),
                dash(g.share_of_life.map(|s| 100.0 * s), 1),
                dash(g.rise_after_k, 1),
                dash(g.needed_rest_s, 1),
            ]
        })
        .collect();
    text.push_str(&print::table(
        &[
            "pulse",
            "count",
            "peak, A",
            "clamps at, V",
            "energy, J",
            "bears",
            "life, %",
            "rise after, K",
            "rest needed, s",
        ],
        rows,
        &[1, 2, 3, 4, 5, 6, 7, 8],
    ));
    text.push('\n');
    for w in &wear.warnings {
        text.push_str(&format!("· {w}\n"));
    }
    if order.len() > 1 {
        let names: Vec<String> = order
            .iter()
            .map(|i| format!("{:.0} V {}", wear.groups[*i].level_v, wear.groups[*i].coupling.name()))
            .collect();
        text.push_str(&format!("Order that shows trouble early and spends the part late: {}.\n", names.join("; ")));
    }
    text.push_str(&format!(
        "The sequence takes {:.0} min. Circuit: {}. Values of the part: {}.\n\n{PULSE_CAUTION}{PART_CAUTION}",
        wear.duration_s / 60.0,
        wear.groups[0].stress.generator,
        if part.source.is_empty() { "as given" } else { &part.source },
    ));
    text
}

#[derive(Debug, Args)]
pub(crate) struct Dips {
    /// Rated mains, V rms
    #[arg(long, default_value_t = 230.0)]
    mains: f64,
    /// Mains frequency, Hz
    #[arg(long, default_value_t = 50.0)]
    frequency: f64,
    /// Storage capacitor, F (150u is understood)
    #[arg(long, value_parser = immunity::parse_number, required_unless_present = "measured")]
    capacitance: Option<f64>,
    /// Power the converter draws from the capacitor, W (output power over efficiency)
    #[arg(long)]
    power: f64,
    /// Voltage on the capacitor below which the product stumbles, V
    #[arg(long)]
    dropout: f64,
    /// Resistance of mains, filter and warm inrush limiter, ohm
    #[arg(long, default_value_t = 1.0)]
    source_ohm: f64,
    /// Two measured points of the capacitor's voltage without mains, in place of its value: V@S,V@S
    #[arg(long, value_name = "V@S,V@S", conflicts_with = "capacitance")]
    measured: Option<String>,
    /// Dips of the standards: class-2, class-3, alarm
    #[arg(long, default_value = "class-3")]
    set: String,
    /// Angles at which dips begin, degrees
    #[arg(long, value_delimiter = ',', default_values_t = [0.0, 180.0], allow_negative_numbers = true)]
    angle: Vec<f64>,
    /// A dip of your own in place of the set: PERCENT:SECONDS (repeat it)
    #[arg(long)]
    dip: Vec<String>,
}

/// What the circuit is, and what it is not.
const DIP_SCOPE: &str = "\
Covered: one phase, bridge rectifier, storage capacitor, converter of constant power. Not covered: front ends that regulate
(power-factor correction), three-phase supplies and dips between phases; for a regulated storage voltage measure it without
mains (--measured) and read the hold-up by energy; three-phase needs the dips of each phase and pair on the bench.
";

/// The mains and a charged capacitor, shown with the dips.
const DIP_CAUTION: &str = "\
Caution, mains and stored charge: the storage capacitor stays at over 300 V after the mains is off. Measure it with a probe
rated for it, discharge it through a resistor and check before touching anything; never alone, behind an isolating
transformer, by someone licensed. The current when the mains returns may blow fuses, rectifiers and switches.
";

fn two_points(text: &str) -> Result<f64, Failure> {
    let bad = || Failure::input(format!("--measured `{text}`: expected two points V@S,V@S such as 310@0,220@0.03"));
    let points: Vec<(f64, f64)> = text
        .split(',')
        .map(|p| {
            let (v, t) = p.split_once('@').ok_or_else(bad)?;
            Ok((immunity::parse_number(t).map_err(|_| bad())?, immunity::parse_number(v).map_err(|_| bad())?))
        })
        .collect::<Result<_, Failure>>()?;
    let [first, second] = points[..] else { return Err(bad()) };
    capacitance_per_watt(first, second).map_err(|e| Failure::input(format!("--measured: {e}")))
}

pub(crate) fn dips(show: Show, a: &Dips) -> Result<Outcome, Failure> {
    let capacitance_f = match (&a.measured, a.capacitance) {
        (Some(text), _) => two_points(text)? * a.power,
        (None, Some(c)) => c,
        (None, None) => return Err(Failure::input("--capacitance: expected a value in F")),
    };
    let supply = Supply {
        mains_v: a.mains,
        mains_hz: a.frequency,
        capacitance_f,
        power_w: a.power,
        dropout_v: a.dropout,
        source_ohm: a.source_ohm,
    };
    let mut wanted: Vec<(f64, f64, String)> = Vec::new();
    if a.dip.is_empty() {
        for d in built_in().iter().filter(|d| d.set == a.set) {
            let known = if d.known == Known::Memory { " (from memory)" } else { "" };
            wanted.push((d.residual_percent, d.duration_s(a.frequency), format!("{}{known}", d.source)));
        }
        if wanted.is_empty() {
            return Err(Failure::input(format!("--set `{}`: expected class-2, class-3 or alarm", a.set)));
        }
    }
    for text in &a.dip {
        let bad = || Failure::input(format!("--dip `{text}`: expected PERCENT:SECONDS such as 40:0.2"));
        let (p, s) = text.split_once(':').ok_or_else(bad)?;
        wanted.push((p.parse().map_err(|_| bad())?, s.parse().map_err(|_| bad())?, "your own".into()));
    }
    let fault = |e: immunity::dips::DipError| Failure::input(e.to_string());
    let mut found: Vec<(Response, Option<f64>, bool, String)> = Vec::new();
    for (residual_percent, duration_s, source) in wanted {
        for angle_deg in &a.angle {
            let event = Event { residual_percent, duration_s, angle_deg: *angle_deg };
            let r = supply.response(&event).map_err(fault)?;
            // Nobody rides through seconds without mains on a capacitor: what counts there is coming back by itself.
            let interruption = residual_percent == 0.0 && duration_s >= 1.0;
            let needed =
                if r.held || interruption { None } else { supply.needed_capacitance_f(&event).map_err(fault)? };
            found.push((r, needed, interruption, source.clone()));
        }
    }
    let holds = found.iter().all(|f| f.0.held || f.2);
    if show.json {
        let each: Vec<_> = found
            .iter()
            .map(|(r, n, i, s)| {
                json!({ "response": r, "counts": !i, "needed_capacitance_f": n,
                    "missing_capacitance_f": n.map(|n| n - capacitance_f), "source": s })
            })
            .collect();
        print::json(
            &json!({ "supply": supply, "holds": holds, "dips": each, "scope": DIP_SCOPE, "caution": DIP_CAUTION }),
        )?;
    } else {
        print::text(&dips_text(&supply, &found, holds))?;
    }
    Ok(if holds { Outcome::Done } else { Outcome::NotAPass })
}

fn dips_text(supply: &Supply, found: &[(Response, Option<f64>, bool, String)], holds: bool) -> String {
    let most = found.iter().filter_map(|f| f.1).fold(0.0, f64::max);
    let hopeless = found.iter().any(|f| !f.0.held && !f.2 && f.1.is_none());
    let mut text = if holds {
        "The supply holds through every dip.\n\n".to_owned()
    } else if hopeless {
        "The supply does not hold, and no capacitor alone would do: a dip leaves too little voltage for too long. Lower the drop-out.\n\n".to_owned()
    } else {
        format!(
            "The supply does not hold: {} are needed, {} are missing.\n\n",
            prefixed(most, "F"),
            prefixed(most - supply.capacitance_f, "F")
        )
    };
    let rows = found
        .iter()
        .map(|(r, needed, interruption, source)| {
            vec![
                format!("{:.0} % for {}", r.event.residual_percent, prefixed(r.event.duration_s, "s")),
                format!("{:.0}°", r.event.angle_deg),
                match r.dropout_after_s {
                    None => "holds".to_owned(),
                    Some(t) if *interruption => format!("out after {} (not counted)", prefixed(t, "s")),
                    Some(t) => format!("OUT after {}", prefixed(t, "s")),
                },
                format!("{:.0}", r.lowest_v),
                needed.map_or("–".into(), |n| prefixed(n, "F")),
                format!("{:.1}", r.return_peak_a),
                format!("{:.2}", r.return_i2t_a2s),
                source.clone(),
            ]
        })
        .collect();
    text.push_str(&print::table(
        &["dip", "begins at", "supply", "lowest, V", "needs", "return, A", "I²t, A²s", "source"],
        rows,
        &[3, 4, 5, 6],
    ));
    let r = &found[0].0;
    text.push_str(&format!(
        "\n{} at {} W, drop-out {} V: {} of hold-up from the crest by energy, C (V² − Vmin²)/(2 P).\n\
         Return: highest current if the mains comes back at its crest; {:.1} A while running, {:.1} A from an empty capacitor.\n\
         A dip held to the end may still upset what watches the mains. Interruptions of seconds are not counted: there the product\n\
         must come back by itself (criterion C as a rule).\n{DIP_SCOPE}\n{DIP_CAUTION}",
        prefixed(supply.capacitance_f, "F"),
        supply.power_w,
        supply.dropout_v,
        prefixed(supply.energy_holdup_s(supply.crest_v()), "s"),
        r.running_peak_a,
        r.empty_peak_a,
    ));
    text
}
