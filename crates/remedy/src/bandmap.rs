//! Which families of remedy can work at an excess, and which cannot, and why: computed with the parts at hand.

use serde::Serialize;

use crate::candidates::{Candidate, Topology, candidates};
use crate::parts::{Model, engineering};
use crate::port::{Mode, PortModel, Stage, ladder};
use crate::screen::C;
use crate::search::Problem;
use crate::traps::hz;

/// Whether a family can take the excess away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Can {
    /// With every source reckoned with.
    Yes,
    /// With some sources, or only partly.
    Perhaps,
    /// With none.
    No,
}

/// A family in one mode.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FamilyMode {
    /// The mode.
    pub mode: Mode,
    /// Loss at the excess with the best part of the family, least over the sources, dB.
    pub least_db: f64,
    /// The most over the sources, dB.
    pub most_db: f64,
    /// Whether it is enough.
    pub can: Can,
    /// Why, in a sentence.
    pub why: String,
}

/// One family of remedy.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Family {
    /// In words.
    pub name: String,
    /// The best part or parts found for it.
    pub best: String,
    /// Common and differential mode; empty for families that are no part of the circuit.
    pub modes: Vec<FamilyMode>,
    /// For families without a circuit: whether they can work.
    pub can: Can,
    /// For families without a circuit: why.
    pub why: String,
}

/// What else is known of the source, for the families without a circuit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SourceFacts {
    /// Rise time of the fastest converter, s.
    pub rise_s: Option<f64>,
    /// Longest cable at the port, m.
    pub cable_m: Option<f64>,
}

const FAMILIES: [(Topology, &str); 10] = [
    (Topology::LeadFerrite, "ferrite clipped round the lead"),
    (Topology::ExchangeX, "larger X capacitor in place"),
    (Topology::X, "X capacitor at the terminals"),
    (Topology::ExchangeY, "larger Y capacitors in place"),
    (Topology::Y, "Y capacitors at the terminals"),
    (Topology::ExchangeChoke, "larger common-mode choke in place"),
    (Topology::Choke, "further common-mode choke"),
    (Topology::Inductors, "inductors in both conductors"),
    (Topology::ChokeX, "choke and X capacitor"),
    (Topology::Inlet, "inlet with filter"),
];

fn losses(port: &PortModel, after: &[Stage], mode: Mode, f: f64) -> (f64, f64) {
    let load = port.load_ohm(mode, f);
    let (a, b) = (ladder(after, mode, f, port.peak_a()), ladder(&port.fitted, mode, f, port.peak_a()));
    port.sources(mode).iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), s| {
        let z = s.impedance_ohm(f);
        let loss = 20.0 * (b.transfer(z, load) / a.transfer(z, load)).norm().log10();
        (low.min(loss), high.max(loss))
    })
}

/// Why a part does what it does in a mode.
fn why(port: &PortModel, candidate: &Candidate, mode: Mode, f: f64, range: (f64, f64), needed_db: f64) -> String {
    let common = mode == Mode::Common;
    let new = candidate.new_stages(&port.fitted);
    let Some(stage) = new.first() else { return String::new() };
    let load = port.load_ohm(mode, f).norm();
    let source = port.sources(mode).iter().map(|s| s.impedance_ohm(f).norm());
    let (low, high) = source.fold((f64::INFINITY, 0.0f64), |(l, h), z| (l.min(z), h.max(z)));
    let z = match (&stage.part.model, common) {
        (Model::CommonModeChoke(c), false) => c.differential_ohm(f),
        (Model::InletFilter(i), true) => i.choke.common_ohm(f),
        (Model::InletFilter(i), false) => i.choke.differential_ohm(f),
        _ => stage.part.impedance_ohm(f),
    };
    let z = engineering(z.norm(), "Ω");
    let around =
        format!("source {} to {}, network {}", engineering(low, "Ω"), engineering(high, "Ω"), engineering(load, "Ω"));
    let verdict = if range.0 >= needed_db { "" } else { ": too little" };
    match (&stage.part.model, stage.place) {
        (Model::Capacitor(_), crate::port::Place::AcrossLines) if common && new.len() == 1 => {
            "it stands between the conductors, and no common-mode current passes it".into()
        }
        (Model::Ferrite(_), _) if !common => "go and return pass through the same hole and cancel".into(),
        (Model::Capacitor(c), _) if f > c.resonance_hz() => {
            format!("above its self-resonance at {} it is an inductor of {z} ({around}){verdict}", hz(c.resonance_hz()))
        }
        (Model::Capacitor(_), _) => format!("{z} across ({around}){verdict}"),
        (Model::CommonModeChoke(c), _) if common && f > c.resonance_hz() => {
            format!(
                "above its resonance at {} its winding capacitance leaves {z} ({around}){verdict}",
                hz(c.resonance_hz())
            )
        }
        (Model::CommonModeChoke(_), _) if !common => format!("only its leakage counts, {z} ({around}){verdict}"),
        _ => format!("{z} in series ({around}){verdict}"),
    }
}

/// The map for an excess of `needed_db` at a frequency.
pub fn band_map(problem: &Problem, frequency_hz: f64, needed_db: f64, facts: SourceFacts) -> Vec<Family> {
    let port = &problem.port;
    let all = candidates(port, &problem.library, &problem.bounds, &problem.supply);
    let rule = problem.bounds.rule().unwrap_or(None);
    let mut map = Vec::new();
    for (topology, name) in FAMILIES {
        let mut best: Vec<Option<(f64, (f64, f64), &Candidate)>> = vec![None, None];
        for c in all.iter().filter(|c| c.topology == topology) {
            let after = c.after(&port.fitted);
            let figures = crate::safety::figures(&after, &c.new_stages(&port.fitted), &problem.supply, rule);
            if problem.bounds.broken(&figures).is_some() {
                continue;
            }
            for (mode, best) in Mode::BOTH.into_iter().zip(&mut best) {
                let range = losses(port, &after, mode, frequency_hz);
                if best.is_none_or(|b| range.0 > b.0) {
                    *best = Some((range.0, range, c));
                }
            }
        }
        let mut modes = Vec::new();
        let mut words: Vec<String> = Vec::new();
        for (mode, best) in Mode::BOTH.into_iter().zip(&best) {
            let Some((_, range, c)) = best else { continue };
            let can = if range.0 >= needed_db {
                Can::Yes
            } else if range.1 >= needed_db {
                Can::Perhaps
            } else {
                Can::No
            };
            let parts: Vec<String> = c.new_stages(&port.fitted).iter().map(|s| s.part.id.clone()).collect();
            let text = parts.join(" + ");
            if !words.contains(&text) {
                words.push(text);
            }
            modes.push(FamilyMode {
                mode,
                least_db: range.0,
                most_db: range.1,
                can,
                why: why(port, c, mode, frequency_hz, *range, needed_db),
            });
        }
        if !modes.is_empty() {
            let can = if modes.iter().all(|m| m.can == Can::Yes) {
                Can::Yes
            } else if modes.iter().any(|m| m.can != Can::No) {
                Can::Perhaps
            } else {
                Can::No
            };
            map.push(Family { name: name.into(), best: words.join(" or "), modes, can, why: String::new() });
        }
    }
    map.extend(without_circuit(frequency_hz, needed_db, facts));
    map
}

fn without_circuit(f: f64, needed_db: f64, facts: SourceFacts) -> Vec<Family> {
    let mut list = Vec::new();
    let family =
        |name: &str, can, why: String| Family { name: name.into(), best: String::new(), modes: vec![], can, why };
    if let Some(rise_s) = facts.rise_s {
        let corner = 1.0 / (std::f64::consts::PI * rise_s);
        let text = format!("edges of {} matter above {}", engineering(rise_s, "s"), hz(corner));
        // The envelope falls by 40 dB a decade above the corner; twice as slow an edge takes at most 6 dB there.
        let (can, why) = if f < 0.5 * corner {
            (Can::No, format!("{text}, and the excess lies below"))
        } else {
            let slower = 10f64.powf(needed_db.max(0.0) / 20.0);
            (
                Can::Perhaps,
                format!("{text}: edges {slower:.1} times as slow would take the excess away, at the cost of heat"),
            )
        };
        list.push(family("slower edges at the source", can, why));
    }
    let wave = C / f;
    let cable = facts.cable_m.unwrap_or(1.0);
    let (can, why) = if cable < wave / 20.0 {
        (
            Can::No,
            format!(
                "the wave is {} long and the cable {cable} m: slots and bonds do not decide here",
                engineering(wave, "m")
            ),
        )
    } else {
        (
            Can::Perhaps,
            format!(
                "the wave is {} long, the cable {cable} m: screens, seams and all-round bonds begin to count",
                engineering(wave, "m")
            ),
        )
    };
    list.push(family("screens and bonds", can, why));
    list
}
