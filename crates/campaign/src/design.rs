//! What a design violates, risks or leaves open before a laboratory is paid. Its figures (currents, discharge times,
//! impedances) come in as [`Design`], computed elsewhere: here they are held against what is published.

use serde::Serialize;
use standards::{Family, Phenomenon, Port};

use crate::answers::{Answers, hertz};
use crate::paper::paper;
use crate::plan::Plan;

/// A limit of the current to earth.
#[derive(Debug, Clone, PartialEq)]
pub struct EarthLimit {
    /// Short name, as the safety rules have it.
    pub id: String,
    /// Standard.
    pub standard: String,
    /// Of what.
    pub title: String,
    /// Limit, A r.m.s.
    pub limit_a: f64,
    /// `seen` or `memory`.
    pub known: String,
}

/// One rule about the charge that stays after the plug is drawn, held against the filter.
#[derive(Debug, Clone, PartialEq)]
pub struct DischargeState {
    /// Short name of the rule.
    pub id: String,
    /// Standard and clause.
    pub standard: String,
    /// Voltage allowed, V.
    pub to_v: f64,
    /// After so many seconds.
    pub in_s: f64,
    /// Only above this capacitance, F.
    pub above_f: f64,
    /// `seen` or `memory`.
    pub known: String,
    /// Largest discharge resistance that keeps the rule, Ω.
    pub largest_ohm: f64,
    /// Time to that voltage with what is fitted, s; none where nothing discharges.
    pub takes_s: Option<f64>,
}

/// What is fitted at a mains port.
#[derive(Debug, Clone, PartialEq)]
pub struct FilterDesign {
    /// The file that describes it.
    pub file: String,
    /// Supply voltage the figures are for (the highest), V r.m.s.
    pub voltage_v: f64,
    /// Supply frequency, Hz.
    pub frequency_hz: f64,
    /// Capacitance to earth, both conductors together, at the upper end of its tolerance, F.
    pub earth_f: f64,
    /// Current to earth, A r.m.s.
    pub earth_current_a: f64,
    /// Capacitance between the conductors at the upper end of its tolerance, F.
    pub across_f: f64,
    /// Resistance between the conductors at the upper end of its tolerance, Ω; none where none is fitted.
    pub across_ohm: Option<f64>,
    /// Published limits of the current to earth.
    pub earth_limits: Vec<EarthLimit>,
    /// Published discharge rules.
    pub discharge: Vec<DischargeState>,
}

/// The artificial network that the conducted measurement of a port would use.
#[derive(Debug, Clone, PartialEq)]
pub struct NetworkDesign {
    /// As the standard names it.
    pub name: String,
    /// Where it is specified, Hz.
    pub range_hz: (f64, f64),
    /// Current through its capacitors to earth, A r.m.s.
    pub earth_current_a: f64,
    /// The same of the network of two sections that also covers 9 kHz and that most laboratories have, A r.m.s.
    pub wide_earth_current_a: f64,
    /// Voltage drop over its inductors at rated current and mains frequency, V; none where the current is not known.
    pub drop_v: Option<f64>,
    /// The caution that belongs to it.
    pub caution: String,
}

/// A mains port as designed.
#[derive(Debug, Clone, PartialEq)]
pub struct MainsDesign {
    /// Id of the port.
    pub port: String,
    /// Its name.
    pub port_name: String,
    /// What is fitted; none where nobody described it.
    pub filter: Option<FilterDesign>,
    /// The network for its measurement.
    pub network: NetworkDesign,
}

/// What a pigtail does to a screened cable.
#[derive(Debug, Clone, PartialEq)]
pub struct ScreenDesign {
    /// Id of the port.
    pub port: String,
    /// Its name.
    pub port_name: String,
    /// How it is joined at the product and at the far end, in words; none where not said.
    pub ends: [Option<String>; 2],
    /// Both ends are clamped all round.
    pub all_round: bool,
    /// Length of both pigtails together that the figure is for, m.
    pub pigtail_m: f64,
    /// Frequency that the figures are for, Hz.
    pub frequency_hz: f64,
    /// Transfer impedance of the screen itself, Ω.
    pub screen_ohm: f64,
    /// Impedance of the pigtails, Ω.
    pub pigtail_ohm: f64,
}

/// Figures of the design, computed elsewhere.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Design {
    /// AC mains ports.
    pub mains: Vec<MainsDesign>,
    /// Ports with screened cables.
    pub screens: Vec<ScreenDesign>,
    /// First frequency at which a quarter wave fits on a port's cable, Hz, by port.
    pub quarter_wave_hz: Vec<(String, f64)>,
    /// Operating modes named.
    pub modes: usize,
    /// Performance criteria written down, of A, B, C.
    pub criteria: Vec<char>,
    /// How correct working is seen is written down.
    pub observed: bool,
    /// Samples named.
    pub samples: usize,
}

/// How heavy a finding is; the heaviest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// A published limit or rule is broken.
    Violates,
    /// Likely to cost a test or a visit.
    Risk,
    /// Not known, and something hangs on it.
    Open,
    /// Computed and in order.
    InOrder,
}

/// Where a finding is dealt with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Where {
    /// Before the laboratory is paid.
    Before,
    /// In the laboratory.
    Laboratory,
}

/// One finding about the design.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// Short name.
    pub id: String,
    /// How heavy.
    pub weight: Weight,
    /// The port, where it is one's.
    pub port: Option<String>,
    /// What is found.
    pub what: String,
    /// The figure and its formula.
    pub why: String,
    /// Where rule or formula come from; says `from memory` where that is so.
    pub source: String,
    /// What to do.
    pub todo: String,
    /// Where.
    pub at: Where,
    /// What to beware of.
    pub caution: String,
}

/// Rated residual current of the device behind most sockets, A (common practice; IEC 61008-1).
const RESIDUAL_A: f64 = 30e-3;
/// It may trip from half of that on (IEC 61008-1, from memory).
const MAY_TRIP: f64 = 0.5;
/// Standing currents behind one device together stay below this share (IEC 60364-5-53, 531.3.2, from memory).
const STANDING: f64 = 0.3;
/// From this current on networks of 50 µH are rare, A (CISPR 16-1-2 and product standards, from memory).
const LARGE_A: f64 = 100.0;
/// Single-phase networks at hand usually carry this, A (common practice).
const USUAL_NETWORK_A: f64 = 16.0;
/// Share of the rated voltage that a network may drop: more disturbs what is measured (common practice, 5 %).
const NETWORK_DROP: f64 = 0.05;
/// Cables longer than this count as long for surges, m (IEC 61000-6-1 and -6-2, from memory).
const LONG_M: f64 = 30.0;

/// Every finding about a design, the heaviest first.
pub(crate) fn findings(plan: &Plan, answers: &Answers, design: &Design) -> Vec<Finding> {
    let mut findings = Vec::new();
    for mains in &design.mains {
        earth(&mut findings, mains, answers);
        network(&mut findings, mains, answers, plan);
        discharge(&mut findings, mains, answers);
    }
    cables(&mut findings, plan, answers, design);
    paper(&mut findings, plan, answers, design);
    findings.sort_by_key(|f| f.weight);
    findings
}

/// Limits of the current to earth that speak of such a product, and whether one of them is its own standard's.
fn own_limits<'a>(limits: &'a [EarthLimit], answers: &Answers) -> (Vec<&'a EarthLimit>, bool) {
    let earthed = answers.earthed.unwrap_or(true);
    let (ids, own): (&[&str], bool) = match (answers.family, earthed) {
        (Some(Family::Household), true) => (&["iec60335-portable-class1"], true),
        (Some(Family::Household), false) => (&["iec60335-class2"], true),
        (Some(Family::Multimedia), true) => (&["iec62368-es2"], true),
        (Some(Family::Multimedia), false) => (&["iec62368-es1"], true),
        (Some(Family::Measurement), true) => (&["iec61010-fault"], true),
        (Some(Family::Measurement), false) => (&["iec61010-normal"], true),
        // No safety standard is known for the rest: the customary figures are shown as such.
        (_, true) => (&["iec60335-portable-class1", "iec60950-class1"], false),
        (_, false) => (&["iec60335-class2"], false),
    };
    (limits.iter().filter(|l| ids.contains(&l.id.as_str())).collect(), own)
}

fn memory(known: &str) -> &'static str {
    if known == "seen" { "" } else { ", from memory" }
}

fn earth(findings: &mut Vec<Finding>, mains: &MainsDesign, answers: &Answers) {
    let residual = format!(
        "IEC 61008-1 (may trip from half of {:.0} mA on) and IEC 60364-5-53 (standing currents at most 0.3 of it together), \
         both from memory",
        RESIDUAL_A * 1e3
    );
    let limit_a = STANDING * RESIDUAL_A;
    if let Some(f) = &mains.filter {
        let figure = format!(
            "I = 2πf·C·V = 2π·{:.0} Hz·{:.2} nF·{:.0} V = {:.2} mA ({})",
            f.frequency_hz,
            f.earth_f * 1e9,
            f.voltage_v,
            f.earth_current_a * 1e3,
            f.file
        );
        if answers.earthed == Some(false) && f.earth_f > 0.0 {
            findings.push(Finding {
                id: format!("{}-earth-unearthed", mains.port),
                weight: Weight::Risk,
                port: Some(mains.port.clone()),
                what: format!("{}: capacitors to earth in a product that is said not to be earthed", mains.port_name),
                why: figure.clone(),
                source: "common practice".to_owned(),
                todo: "correct supply.earthed in product.toml or the filter's description".to_owned(),
                at: Where::Before,
                caution: String::new(),
            });
        }
        let (limits, own) = own_limits(&f.earth_limits, answers);
        for limit in limits {
            let over = f.earth_current_a > limit.limit_a;
            findings.push(Finding {
                id: format!("{}-earth-{}", mains.port, limit.id),
                weight: match (over, own) {
                    (true, true) => Weight::Violates,
                    (true, false) => Weight::Risk,
                    (false, _) => Weight::InOrder,
                },
                port: Some(mains.port.clone()),
                what: format!(
                    "{}: {:.2} mA to earth, {} the {:.2} mA of {}",
                    mains.port_name,
                    f.earth_current_a * 1e3,
                    if over { "above" } else { "below" },
                    limit.limit_a * 1e3,
                    limit.title
                ),
                why: figure.clone(),
                source: format!(
                    "{}{}{}",
                    limit.standard,
                    memory(&limit.known),
                    if own { "" } else { "; for comparison: the safety standard of this product is not known here" }
                ),
                todo: if over {
                    format!(
                        "at most {:.2} nF to earth in all, or a larger common-mode choke instead (hushfield fix with an \
                         earth-current bound)",
                        f.earth_f * 1e9 * limit.limit_a / f.earth_current_a
                    )
                } else {
                    "nothing".to_owned()
                },
                at: Where::Before,
                caution: String::new(),
            });
        }
        let share = f.earth_current_a / limit_a;
        findings.push(Finding {
            id: format!("{}-earth-residual", mains.port),
            weight: match f.earth_current_a {
                a if a > MAY_TRIP * RESIDUAL_A => Weight::Violates,
                a if a > limit_a => Weight::Risk,
                _ => Weight::InOrder,
            },
            port: Some(mains.port.clone()),
            what: if share > 1.0 {
                format!(
                    "{}: {:.1} mA alone is more than one residual-current device of {:.0} mA should carry",
                    mains.port_name,
                    f.earth_current_a * 1e3,
                    RESIDUAL_A * 1e3
                )
            } else {
                format!(
                    "{}: one residual-current device of {:.0} mA carries {} of these products",
                    mains.port_name,
                    RESIDUAL_A * 1e3,
                    if f.earth_current_a > 0.0 {
                        format!("{:.0}", (1.0 / share).floor())
                    } else {
                        "any number".to_owned()
                    }
                )
            },
            why: format!("{figure}; at most {:.0} mA together", limit_a * 1e3),
            source: residual.clone(),
            todo: if share > 1.0 {
                "less capacitance to earth, or a fixed connection with an earth of its own said in the manual"
                    .to_owned()
            } else {
                "say it in the manual where many are fed together".to_owned()
            },
            at: Where::Before,
            caution: String::new(),
        });
    } else {
        findings.push(Finding {
            id: format!("{}-filter", mains.port),
            weight: Weight::Open,
            port: Some(mains.port.clone()),
            what: format!(
                "{}: nobody described the filter; earth current and stored charge are not computed",
                mains.port_name
            ),
            why: "2 × 2.2 nF with +20 % at 253 V, 50 Hz already pass 0.42 mA (I = 2πf·C·V)".to_owned(),
            source: "formula".to_owned(),
            todo: format!(
                "say y_capacitance_f, x_capacitance_f and bleed_resistance_ohm under [supply] in product.toml, or describe the \
                 filter in filters/{}.toml, as hushfield fix reads it",
                mains.port
            ),
            at: Where::Before,
            caution: String::new(),
        });
    }
    let n = &mains.network;
    if n.earth_current_a > 0.0 {
        findings.push(Finding {
            id: format!("{}-network-earth", mains.port),
            weight: if n.earth_current_a > MAY_TRIP * RESIDUAL_A { Weight::Risk } else { Weight::InOrder },
            port: Some(mains.port.clone()),
            what: format!(
                "{}: the artificial network ({}) passes {:.0} mA to earth by itself, one of two sections from 9 kHz on {:.0} mA; {:.0} mA trip the usual residual-current device",
                mains.port_name,
                n.name,
                n.earth_current_a * 1e3,
                n.wide_earth_current_a * 1e3,
                RESIDUAL_A * 1e3
            ),
            why: "V·|Y| of its capacitors to earth at mains frequency, the usual circuit of that network".to_owned(),
            source: format!("CISPR 16-1-2 (elements from memory); {residual}"),
            todo: "an isolating transformer, or a supply without such a device that is permanently bonded".to_owned(),
            at: Where::Before,
            caution: n.caution.clone(),
        });
    }
}

fn network(findings: &mut Vec<Finding>, mains: &MainsDesign, answers: &Answers, plan: &Plan) {
    let n = &mains.network;
    let mut add = |id: &str, weight, what: String, why: String, source: &str, todo: String| {
        findings.push(Finding {
            id: format!("{}-network-{id}", mains.port),
            weight,
            port: Some(mains.port.clone()),
            what,
            why,
            source: source.to_owned(),
            todo,
            at: Where::Laboratory,
            caution: String::new(),
        });
    };
    let conducted =
        plan.tests.iter().filter(|t| t.port == mains.port && t.phenomenon == Phenomenon::ConductedDisturbance);
    let lowest = conducted.flat_map(|t| t.frequency_hz.iter().map(|r| r[0])).reduce(f64::min);
    let Some(lowest) = lowest else { return };
    if lowest < n.range_hz.0 * (1.0 - 1e-9) {
        add(
            "range",
            Weight::Violates,
            format!(
                "{}: the network {} is specified from {:.0} kHz on, the plan measures from {:.0} kHz",
                mains.port_name,
                n.name,
                n.range_hz.0 / 1e3,
                lowest / 1e3
            ),
            format!("{:.0} kHz below {:.0} kHz", lowest / 1e3, n.range_hz.0 / 1e3),
            "CISPR 16-1-2, from memory",
            "ask for 50 Ω/50 µH + 5 Ω, and name it in the filter's description (network = \"50u5\")".to_owned(),
        );
    }
    match answers.current_a {
        None => add(
            "rating",
            Weight::Open,
            format!("{}: the rated current is not known, so neither is the network's rating", mains.port_name),
            "a network must carry the rated current continuously".to_owned(),
            "CISPR 16-1-2, from memory",
            "answer supply.current_a".to_owned(),
        ),
        Some(i) if i > LARGE_A => add(
            "rating",
            Weight::Risk,
            format!("{}: {i} A a phase; networks of 50 µH for more than {LARGE_A} A are rare", mains.port_name),
            format!("{i} A above {LARGE_A} A"),
            "CISPR 16-1-2 and CISPR 11, from memory",
            "agree with the laboratory: 5 µH + 1 Ω, or a voltage probe of 1500 Ω on the fixed supply".to_owned(),
        ),
        Some(i) if i > USUAL_NETWORK_A => add(
            "rating",
            Weight::Risk,
            format!("{}: {i} A a phase, more than the {USUAL_NETWORK_A} A of most networks", mains.port_name),
            format!("{i} A above {USUAL_NETWORK_A} A"),
            "common practice",
            "ask the laboratory for the rating of its network and its supply before booking".to_owned(),
        ),
        Some(i) => {
            let volts = answers.mains_v.unwrap_or(230.0);
            let drop = n.drop_v.unwrap_or(0.0);
            add(
                "rating",
                if drop > NETWORK_DROP * volts { Weight::Risk } else { Weight::InOrder },
                format!(
                    "{}: {i} A a phase suits a network of {USUAL_NETWORK_A} A; it drops {drop:.2} V",
                    mains.port_name
                ),
                format!("2·2πf·L·I over both conductors, {:.2} % of {volts:.0} V", 100.0 * drop / volts),
                "CISPR 16-1-2 (elements from memory)",
                "nothing".to_owned(),
            );
        }
    }
    if answers.phases == Some(3) {
        add(
            "phases",
            Weight::Risk,
            format!("{}: three phases need a network of four paths and a three-phase supply in every rig", mains.port_name),
            "each of three lines and neutral is measured and coupled to: twice the readings, 10 line-to-line and line-to-earth surge paths instead of 3".to_owned(),
            "IEC 61000-4-5 and CISPR 16-2-1, from memory",
            "ask for three-phase network, coupling network and dips generator when booking".to_owned(),
        );
    }
}

fn discharge(findings: &mut Vec<Finding>, mains: &MainsDesign, answers: &Answers) {
    let Some(f) = &mains.filter else { return };
    let (ids, own): (&[&str], bool) = match answers.family {
        Some(Family::Household) => (&["iec60335"], true),
        Some(Family::Multimedia) => (&["iec62368"], true),
        Some(Family::Measurement) => (&["iec61010-pins"], true),
        _ => (&["iec60335", "iec62368"], false),
    };
    for rule in f.discharge.iter().filter(|r| ids.contains(&r.id.as_str())) {
        let asked = f.across_f > rule.above_f;
        let kept = !asked || rule.takes_s.is_some_and(|t| t <= rule.in_s);
        let charge = format!(
            "t = R·C·ln(√2·V/{:.0} V) with C = {:.0} nF at {:.0} V: at most {:.0} kΩ",
            rule.to_v,
            f.across_f * 1e9,
            f.voltage_v,
            rule.largest_ohm / 1e3
        );
        let state = match (asked, rule.takes_s) {
            (false, _) => format!(
                "{:.0} nF between the conductors is not above the {:.0} nF from which the rule asks",
                f.across_f * 1e9,
                rule.above_f * 1e9
            ),
            (true, Some(t)) => format!(
                "{:.0} V after {t:.2} s through {:.0} kΩ; allowed {} s",
                rule.to_v,
                f.across_ohm.unwrap_or(0.0) / 1e3,
                rule.in_s
            ),
            (true, None) => format!(
                "{:.0} nF between the conductors and nothing fitted that discharges it; allowed {:.0} V after {} s",
                f.across_f * 1e9,
                rule.to_v,
                rule.in_s
            ),
        };
        findings.push(Finding {
            id: format!("{}-discharge-{}", mains.port, rule.id),
            weight: match (kept, own) {
                (true, _) => Weight::InOrder,
                (false, true) => Weight::Violates,
                (false, false) => Weight::Risk,
            },
            port: Some(mains.port.clone()),
            what: format!("{}: {state}", mains.port_name),
            why: charge,
            source: format!(
                "{}{}{}",
                rule.standard,
                memory(&rule.known),
                if own { "" } else { "; for comparison: the safety standard of this product is not known here, and a product without a plug has other rules" }
            ),
            todo: if kept {
                "nothing".to_owned()
            } else {
                format!("a resistor of at most {:.0} kΩ between the conductors ({:.0} mW in it), or say what else discharges them", rule.largest_ohm / 1e3, f.voltage_v * f.voltage_v / rule.largest_ohm * 1e3)
            },
            at: Where::Before,
            caution: if kept { String::new() } else { "Pins and terminals stay charged after the plug is drawn: measure before touching.".to_owned() },
        });
    }
}

fn cables(findings: &mut Vec<Finding>, plan: &Plan, answers: &Answers, design: &Design) {
    for s in &design.screens {
        let said: Vec<String> = ["the product", "the far end"]
            .iter()
            .zip(&s.ends)
            .map(|(end, how)| format!("{} at {end}", how.as_deref().unwrap_or("not said")))
            .collect();
        let open = s.ends.iter().any(Option::is_none);
        findings.push(Finding {
            id: format!("{}-screen", s.port),
            weight: match (s.all_round, open) {
                (true, _) => Weight::InOrder,
                (false, true) => Weight::Open,
                (false, false) => Weight::Risk,
            },
            port: Some(s.port.clone()),
            what: format!("{}: a screen is worth what its ends are: {}", s.port_name, said.join(", ")),
            why: format!(
                "pigtails of {:.0} mm together are {:.0} Ω at {:.0} MHz (ωL, partial inductance of a wire), the screen itself {:.1} Ω",
                s.pigtail_m * 1e3,
                s.pigtail_ohm,
                s.frequency_hz / 1e6,
                s.screen_ohm
            ),
            source: "Grover's inductance formula; 1 nH/m and 20 mΩ/m for a single braid, from memory".to_owned(),
            todo: if s.all_round {
                "nothing".to_owned()
            } else {
                "clamp the screen all round at both ends, say so in product.toml, and bring the clamp or the connector of the series".to_owned()
            },
            at: Where::Before,
            caution: String::new(),
        });
    }
    let long = |surged: bool| -> Vec<String> {
        answers
            .ports
            .iter()
            .filter(|p| !matches!(p.kind, Port::Enclosure | Port::AcMains | Port::FunctionalEarth))
            .filter_map(|p| {
                let length = p.cable_length_m.filter(|l| *l > LONG_M)?;
                let surge = plan.tests.iter().any(|t| t.port == p.id && t.phenomenon == Phenomenon::Surge);
                (surge == surged).then(|| format!("{} ({length} m)", p.name))
            })
            .collect()
    };
    for (surged, id, what, todo) in [
        (
            true,
            "surge-asked",
            "long cables that are tested with surges",
            "reckon the protectors at their terminals beforehand (hushfield surge); bring spares of the parts that wear",
        ),
        (
            false,
            "surge-not-asked",
            "long cables on which no standard of this plan asks for surges",
            "other markets and customers do (IEC 61000-6-2: 1 kV to earth): reckon the protectors now and decide with open eyes",
        ),
    ] {
        let names = long(surged);
        if !names.is_empty() {
            findings.push(Finding {
                id: id.to_owned(),
                weight: Weight::Risk,
                port: None,
                what: format!("{what}: {}", names.join(", ")),
                why: format!("longer than {LONG_M} m counts as a long line that lightning and switching couple into"),
                source: "definitions of IEC 61000-6-1 and -6-2, from memory".to_owned(),
                todo: todo.to_owned(),
                at: Where::Before,
                caution: String::new(),
            });
        }
    }
    let wave = |id: &str| {
        design
            .quarter_wave_hz
            .iter()
            .find(|(p, _)| p == id)
            .map_or_else(String::new, |(_, f)| format!(" (from {})", hertz(*f)))
    };
    let loose: Vec<String> = answers
        .ports
        .iter()
        .filter(|p| matches!(p.kind, Port::SignalControl | Port::WiredNetwork | Port::DcPower))
        .filter(|p| p.screened == Some(false) && p.cable_length_m.is_some_and(|l| l > LONG_M))
        .map(|p| format!("{}{}", p.name, wave(&p.id)))
        .collect();
    if !loose.is_empty() {
        findings.push(Finding {
            id: "unscreened-long".to_owned(),
            weight: Weight::Risk,
            port: None,
            what: format!("unscreened cables above {LONG_M} m: {}", loose.join(", ")),
            why: "from its first quarter wave on a cable radiates and picks up whatever common-mode current its port leaves on it: f = 0.9·c/(4·l)".to_owned(),
            source: "common practice".to_owned(),
            todo: "measure the common-mode current of each with a clamp against the current at the limit before the chamber is paid; carry clip-on ferrites".to_owned(),
            at: Where::Before,
            caution: String::new(),
        });
    }
}
