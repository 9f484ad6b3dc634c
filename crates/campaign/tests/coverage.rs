//! The coverage table of the documentation is that of the rule base.

use std::fmt::Write as _;

use standards::{Known, Port, RuleBase, Side};

const DOCUMENT: &str = include_str!("../../../docs/planning.md");

fn table() -> String {
    let rules = RuleBase::embedded();
    let ports = [
        ("enclosure", vec![Port::Enclosure]),
        ("AC mains", vec![Port::AcMains]),
        ("DC", vec![Port::DcPower]),
        ("signal, network", vec![Port::SignalControl, Port::WiredNetwork]),
        ("earth, load, cable", vec![Port::FunctionalEarth, Port::Load, Port::Cable]),
    ];
    let mut out = String::from("| standard | side |");
    for (name, _) in &ports {
        let _ = write!(out, " {name} |");
    }
    out.push_str(" rows | from memory |\n| --- | --- |");
    out.push_str(&" --- |".repeat(ports.len() + 2));
    out.push('\n');
    for s in rules.standards() {
        let side = match s.side {
            Side::Emission => "emission",
            Side::MainsQuality => "mains quality",
            Side::Immunity => "immunity",
        };
        let _ = write!(out, "| {} | {side} |", s.number);
        let rows: Vec<_> = rules.rows().iter().filter(|r| r.standard == s.id).collect();
        for (_, kinds) in &ports {
            let _ = write!(out, " {} |", rows.iter().filter(|r| kinds.contains(&r.port)).count());
        }
        let memory = rows.iter().filter(|r| r.known == Known::Memory).count();
        let _ = writeln!(out, " {} | {memory} |", rows.len());
    }
    out
}

#[test]
fn the_documented_coverage_is_the_rule_bases() {
    let table = table();
    assert!(DOCUMENT.contains(&table), "docs/planning.md should hold:\n{table}");
}
