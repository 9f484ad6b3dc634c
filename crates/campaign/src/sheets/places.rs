//! Where and how a stimulus gets onto the product: faces, networks and clamps, surge coupling of a port.

use immunity::surge::Coupling;
use standards::{Confidence, Known, LevelFigure, Phenomenon, Port, Side};

use crate::answers::{Answers, PortAnswers};
use crate::plan::PlannedTest;
use crate::stimuli::Way;

/// What was taken, where it is answered, and the question.
pub(super) type Asked = (String, String, String);

/// Faces by name.
pub(super) fn faces(count: u32) -> Vec<String> {
    let names = ["front", "right side", "back", "left side", "top", "underside"];
    (0..count as usize).map(|k| names.get(k).map_or_else(|| format!("face {}", k + 1), |n| (*n).to_owned())).collect()
}

fn port<'a>(answers: &'a Answers, id: &str) -> Option<&'a PortAnswers> {
    answers.ports.iter().find(|p| p.id == id)
}

/// How radio frequency gets onto a cable: a coupling network where there is one that fits, else a clamp (order of choice of
/// IEC 61000-4-6, from memory).
pub(super) fn injection(test: &PlannedTest, answers: &Answers, phases: u8) -> (String, Option<Asked>) {
    let screened = port(answers, &test.port).and_then(|p| p.screened);
    match (test.port_kind, screened) {
        (Port::AcMains, _) => {
            let wires = u32::from(phases) + 1 + u32::from(answers.earthed != Some(false));
            (format!("coupling network M{wires}"), None)
        }
        (Port::DcPower, _) => ("coupling network M2".to_owned(), None),
        (Port::FunctionalEarth, _) => ("coupling network M1".to_owned(), None),
        (_, Some(true)) => ("coupling network for screened lines (S), or 100 ohm onto the screen".to_owned(), None),
        (_, Some(false)) => (
            "electromagnetic clamp".to_owned(),
            Some((
                format!(
                    "{}: the clamp is taken; a coupling network made for this very line (pairs: T, others: AF) comes before it.",
                    test.port_name
                ),
                String::new(),
                String::new(),
            )),
        ),
        (_, None) => (
            "electromagnetic clamp".to_owned(),
            Some((
                format!("{}: taken as unscreened, with the clamp.", test.port_name),
                format!("ports.{}.screened", test.port),
                format!("{}: is the cable screened?", test.port_name),
            )),
        ),
    }
}

/// How a surge gets onto this path: power lines by their network; screened lines onto the screen; pairs through an arrestor and
/// 40 ohm, other lines through 0.5 µF and 40 ohm.
pub(super) fn surge_coupling(
    test: &PlannedTest,
    way: &Way,
    answers: &Answers,
    cable: &str,
) -> (Coupling, &'static str, Option<Asked>) {
    if way.coupling != Coupling::Signal {
        return (way.coupling, "", None);
    }
    match port(answers, &test.port).and_then(|p| p.screened) {
        Some(true) => (Coupling::Screen, ", onto the screen at 2 ohm, 20 m of cable", None),
        screened => {
            let twisted = cable.to_lowercase().contains("twist");
            let asked = if screened.is_none() {
                Some((
                    format!("{}: taken as unscreened.", test.port_name),
                    format!("ports.{}.screened", test.port),
                    format!("{}: is the cable screened?", test.port_name),
                ))
            } else {
                cable.is_empty().then(|| {
                    (
                        format!("{}: taken as lines that are no balanced pair.", test.port_name),
                        format!("ports.{}.cable_type", test.port),
                        format!("{}: which type of cable, twisted pairs or not?", test.port_name),
                    )
                })
            };
            if twisted {
                (Coupling::SignalArrestor, ", arrestor + 40 ohm in each wire", asked)
            } else {
                (Coupling::Signal, ", 0.5 µF + 40 ohm", asked)
            }
        }
    }
}

/// Tests that no row asks for, at the ports where they make sense, at the level usual for homes and light industry (from
/// memory).
pub(super) fn wished(phenomenon: Phenomenon, answers: &Answers) -> Vec<PlannedTest> {
    let fits = |kind: Port| match phenomenon {
        Phenomenon::ProximityField => kind == Port::Enclosure,
        Phenomenon::RingWave => kind == Port::AcMains,
        _ => matches!(kind, Port::AcMains | Port::DcPower | Port::SignalControl | Port::WiredNetwork),
    };
    let level =
        |quantity: &str, value: f64| LevelFigure { quantity: quantity.to_owned(), value, unit: "kV".to_owned() };
    let (method, level) = match phenomenon {
        Phenomenon::RingWave => (
            "IEC 61000-4-12",
            vec![level("line_to_line_open_circuit_voltage", 1.0), level("line_to_earth_open_circuit_voltage", 2.0)],
        ),
        Phenomenon::DampedWave => ("IEC 61000-4-18", Vec::new()),
        _ => ("IEC 61000-4-39", Vec::new()),
    };
    answers
        .ports
        .iter()
        .filter(|p| fits(p.kind))
        .map(|p| PlannedTest {
            id: format!("{}:wished/{method}", p.id),
            port: p.id.clone(),
            port_name: p.name.clone(),
            port_kind: p.kind,
            standard: String::new(),
            standard_number: String::new(),
            side: Side::Immunity,
            phenomenon,
            method: method.to_owned(),
            level: level.clone(),
            limits: Vec::new(),
            frequency_hz: Vec::new(),
            signal: String::new(),
            phase_deg: Vec::new(),
            lower_levels: true,
            criterion: None,
            clause: String::new(),
            because: vec!["wished for".to_owned()],
            unless: Vec::new(),
            note: String::new(),
            known: Known::Memory,
            confidence: Confidence::Low,
        })
        .collect()
}
