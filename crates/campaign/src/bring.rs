//! What to bring, and what is known of failing before anything is measured.

use std::collections::BTreeSet;

use standards::{Phenomenon, Port};

use crate::answers::Answers;
use crate::days::{Bring, PlannedJob};
use crate::rig::Laboratory;

/// Chance of failing where nothing is known of the product (common practice for a first visit; not a measured figure).
pub(crate) fn common_chance(phenomenon: Phenomenon) -> f64 {
    match phenomenon {
        Phenomenon::RadiatedDisturbance => 0.4,
        Phenomenon::ConductedDisturbance | Phenomenon::DisturbancePower => 0.3,
        Phenomenon::ElectrostaticDischarge => 0.3,
        Phenomenon::Burst | Phenomenon::ConductedRf | Phenomenon::RfField => 0.2,
        Phenomenon::Surge | Phenomenon::RingWave | Phenomenon::DampedWave => 0.15,
        Phenomenon::HarmonicCurrent
        | Phenomenon::VoltageChangeFlicker
        | Phenomenon::PowerFrequencyMagneticField
        | Phenomenon::ProximityField
        | Phenomenon::VoltageDip
        | Phenomenon::ShortInterruption
        | Phenomenon::SupplyVoltageVariation => 0.05,
    }
}

pub(crate) fn carry(phenomenon: Phenomenon) -> &'static str {
    match phenomenon {
        Phenomenon::RadiatedDisturbance => {
            "clip-on ferrites, copper tape and foil, a screened cable, a slower edge on a spare board"
        }
        Phenomenon::ConductedDisturbance | Phenomenon::DisturbancePower => {
            "X and Y capacitors, a common-mode choke, clip-on ferrites for the mains cable"
        }
        Phenomenon::RfField | Phenomenon::ConductedRf => {
            "clip-on ferrites, 1 nF and 10 nF capacitors, copper tape, a changed filter constant in firmware"
        }
        Phenomenon::Burst | Phenomenon::DampedWave => {
            "clip-on ferrites, capacitors to earth at the port, a firmware with a longer debounce"
        }
        Phenomenon::ElectrostaticDischarge => {
            "copper tape, clamps for the port, varnish or tape for a gap in the housing"
        }
        Phenomenon::Surge | Phenomenon::RingWave => "larger varistors, a series resistor or fuse, a spare sample",
        Phenomenon::VoltageDip | Phenomenon::ShortInterruption | Phenomenon::SupplyVoltageVariation => {
            "a larger reservoir capacitor, a firmware that saves its state"
        }
        Phenomenon::HarmonicCurrent | Phenomenon::VoltageChangeFlicker => {
            "a choke, an inrush limiter, a firmware that switches more slowly"
        }
        Phenomenon::PowerFrequencyMagneticField | Phenomenon::ProximityField => "a piece of magnetic screen",
    }
}

/// What to bring, from the jobs, the product's ports and its spares.
pub(crate) fn bring(answers: &Answers, laboratory: &Laboratory, jobs: &[PlannedJob], spares: &[String]) -> Vec<Bring> {
    let mut list = vec![
        Bring {
            what: if jobs.iter().any(|j| j.sample == 2) {
                "two samples of the same build"
            } else {
                "the sample, and a spare of the same build if there is one"
            }
            .to_owned(),
            why: "what breaks late must not end the visit".to_owned(),
        },
        Bring {
            what: "the plan, the performance criteria in writing, drawings, schematics, parts list".to_owned(),
            why: "the record needs them".to_owned(),
        },
        Bring {
            what: "the program of every operating mode, and how correct function is read".to_owned(),
            why: "immunity is judged by function".to_owned(),
        },
        Bring { what: "spare fuses, tools, soldering iron, camera".to_owned(), why: "fixes and records".to_owned() },
    ];
    for port in answers.ports.iter().filter(|p| p.kind != Port::Enclosure) {
        let length = port.cable_length_m.map_or_else(|| "its longest length".to_owned(), |l| format!("{l} m"));
        let screen = match port.screened {
            Some(true) => ", screened, with the connector of the series",
            _ => "",
        };
        list.push(Bring {
            what: format!("{}: cable of {length}{screen}, with the load or source of its far end", port.name),
            why: "uncut cables are a deviation to be recorded; far ends decide the common-mode impedance".to_owned(),
        });
    }
    let used: BTreeSet<&str> = jobs.iter().map(|j| j.rig.as_str()).collect();
    for rig in laboratory.rigs.iter().filter(|r| used.contains(r.id.as_str())) {
        for what in &rig.bring {
            list.push(Bring { what: what.clone(), why: rig.name.clone() });
        }
    }
    let harm: Vec<&str> = jobs.iter().filter(|j| j.phenomenon.may_destroy()).map(|j| j.title.as_str()).collect();
    if !harm.is_empty() {
        let why = "parts that a surge or a discharge wears or breaks";
        if spares.is_empty() {
            list.push(Bring {
                what: "spares of the protection parts at every tested port (none is named in product.toml)".to_owned(),
                why: why.to_owned(),
            });
        }
        list.extend(spares.iter().map(|s| Bring { what: s.clone(), why: why.to_owned() }));
    }
    let likely: BTreeSet<&str> = jobs.iter().filter(|j| j.fails >= 0.2).map(|j| carry(j.phenomenon)).collect();
    for what in likely {
        list.push(Bring { what: what.to_owned(), why: "to try a fix on the spot".to_owned() });
    }
    list
}
