//! Ladders of the two modes against a nodal analysis of the whole port in both conductors, and the solver's published
//! case beside them.

use circuit::{Complex64, ac};
use remedy::fitted::read_fitted;
use remedy::library::Library;
use remedy::netlist::{add_cell, port_netlist};
use remedy::networks::{Cell, NetworkKind};
use remedy::parts::Model;
use remedy::port::{Mode, Place, PortModel, Stage, ladder};

fn port() -> PortModel {
    read_fitted(include_str!("../../scenario/src/mains-filter.toml"), "mains-filter.toml", Library::built_in()).unwrap()
}

fn compare(stages: &[Stage]) -> (f64, f64) {
    let port = port();
    let (d, c) = (&port.differential[0], &port.common[1]);
    let common_v = Complex64::new(3.0, -1.0);
    let net = port_netlist(&port, stages, d, c, common_v).unwrap();
    let f: Vec<f64> = (0..=140).map(|k| 9e3 * (30e6f64 / 9e3).powf(f64::from(k) / 140.0)).collect();
    let solved = ac(&net, &f).unwrap();
    let (line, neutral) = (solved.voltage("line").unwrap(), solved.voltage("neutral").unwrap());
    let (mut db, mut degrees) = (0.0f64, 0.0f64);
    for (k, &f) in f.iter().enumerate() {
        let mode = |mode: Mode, z: Complex64| ladder(stages, mode, f, 0.0).transfer(z, port.load_ohm(mode, f));
        let cm = common_v * mode(Mode::Common, c.impedance_ohm(f));
        let dm = mode(Mode::Differential, d.impedance_ohm(f));
        for (got, expected) in [(line[k], cm + dm / 2.0), (neutral[k], cm - dm / 2.0)] {
            db = db.max((20.0 * (got / expected).norm().log10()).abs());
            degrees = degrees.max((got / expected).arg().to_degrees().abs());
        }
    }
    (db, degrees)
}

/// Y capacitors, choke, X capacitor, then a second filter and a sleeve: both conductors within 0.05 dB and 0.5° from
/// 9 kHz to 30 MHz.
#[test]
fn both_conductors_agree_with_nodal_analysis() {
    let library = Library::built_in();
    let stage = |place, id: &str| Stage { place, part: library.get(id).unwrap().clone() };
    let mut stages = port().fitted;
    let (db, degrees) = compare(&stages);
    println!("fitted filter: {db:.4} dB, {degrees:.3}°");
    assert!(db < 0.05 && degrees < 0.5, "{db} dB, {degrees}°");
    stages.push(stage(Place::InEachLine, "dmc-s-100uh"));
    stages.push(stage(Place::AcrossLines, "x2-470nf"));
    stages.push(stage(Place::BothLines, "inlet-2a"));
    let mut sleeve = stage(Place::BothLines, "sleeve-nizn-40");
    if let Model::Ferrite(f) = &mut sleeve.part.model {
        f.turns = 3;
    }
    stages.push(sleeve);
    let (db, degrees) = compare(&stages);
    println!("with inductors, an X capacitor, an inlet filter and a sleeve: {db:.4} dB, {degrees:.3}°");
    assert!(db < 0.05 && degrees < 0.5, "{db} dB, {degrees}°");
}

/// The closed form of the artificial network's impedance against the same elements as a network.
#[test]
fn the_cell_as_a_network() {
    let cell = Cell::usual(NetworkKind::Fifty50u5);
    let mut net = circuit::Netlist::new();
    net.current_source("i1", "0", "eut", circuit::Source::ac(1.0, 0.0)).resistor("open", "mains", "0", 1e12);
    add_cell(&mut net, "an", "eut", "mains", &cell);
    let f = [9e3, 20e3, 150e3, 1e6, 30e6];
    let solved = ac(&net, &f).unwrap().voltage("eut").unwrap();
    for (f, z) in f.into_iter().zip(solved) {
        let expected = cell.impedance_ohm(f, None);
        assert!((z / expected - 1.0).norm() < 1e-5, "{f} Hz: {z} {expected}");
    }
}
