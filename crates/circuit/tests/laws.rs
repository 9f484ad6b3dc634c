//! Laws that hold whatever the parts are.

use circuit::{Complex64, Netlist, Source, TransientOptions, VaristorModel, Waveform, ac, transient};
use proptest::prelude::*;

/// A part between two nodes: kind, value on a log scale.
#[derive(Debug, Clone)]
struct Part {
    kind: u8,
    a: usize,
    b: usize,
    decade: f64,
}

fn part(nodes: usize) -> impl Strategy<Value = Part> {
    (0u8..3, 0..nodes, 0..nodes, -1.0f64..3.0).prop_map(|(kind, a, b, decade)| Part { kind, a, b, decade })
}

fn name(n: usize) -> String {
    n.to_string()
}

/// Five nodes, each with a resistor to ground so that nothing floats, and parts at random between them.
fn network(parts: &[Part], coupling: f64) -> Netlist {
    let mut net = Netlist::new();
    for n in 1..5 {
        net.resistor(&format!("rg{n}"), &name(n), "0", 1e4);
    }
    let mut inductors = Vec::new();
    for (i, p) in parts.iter().enumerate() {
        if p.a == p.b {
            continue;
        }
        let size = 10f64.powf(p.decade);
        let (a, b) = (name(p.a), name(p.b));
        match p.kind {
            0 => net.resistor(&format!("r{i}"), &a, &b, size),
            1 => net.capacitor(&format!("c{i}"), &a, &b, size * 1e-10),
            _ => {
                inductors.push(format!("l{i}"));
                net.inductor(&format!("l{i}"), &a, &b, size * 1e-7)
            }
        };
    }
    if let [first, second, ..] = inductors.as_slice() {
        net.mutual("k1", first, second, coupling);
    }
    net.transmission_line("t1", ("1", "0"), ("2", "0"), 50.0, 1e-9);
    net
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Passive networks are reciprocal (the transfer impedance is the same both ways) and take no power from nowhere
    /// (the input resistance is not negative).
    #[test]
    fn passive_networks_are_reciprocal_and_passive(
        parts in prop::collection::vec(part(5), 3..14),
        coupling in -0.99f64..0.99,
        frequency in 3.0f64..9.0,
    ) {
        let f = [10f64.powf(frequency)];
        let transfer = |from: usize, to: usize| -> Complex64 {
            let mut net = network(&parts, coupling);
            net.current_source("i1", "0", &name(from), Source::ac(1.0, 0.0));
            ac(&net, &f).unwrap().voltage(&name(to)).unwrap()[0]
        };
        let (there, back) = (transfer(1, 3), transfer(3, 1));
        let input = transfer(1, 1);
        let scale = input.norm().max(transfer(3, 3).norm());
        prop_assert!((there - back).norm() <= 1e-8 * scale, "{there} {back}");
        prop_assert!(input.re >= -1e-9 * input.norm(), "{input}");
    }

    /// Energy and charge are kept, whatever is driven by whatever pulse, with a varistor across it.
    #[test]
    fn energy_is_kept(
        parts in prop::collection::vec(part(5), 3..10),
        rise in -8.0f64..-6.0,
        amplitude in -500.0f64..500.0,
    ) {
        let mut net = network(&parts, 0.5);
        let wave = Waveform::DoubleExponential {
            amplitude,
            delay_s: 1e-7,
            fall_s: 20.0 * 10f64.powf(rise),
            rise_s: 10f64.powf(rise),
        };
        net.voltage_source("v1", "s", "0", Source::wave(wave))
            .resistor("rs", "s", "1", 10.0)
            .varistor("y1", "2", "0", VaristorModel::new(100.0, 0.05));
        let w = transient(&net, &TransientOptions::new(1e-8, 4e-6)).unwrap();
        let b = w.summary.balance;
        prop_assert!(b.relative_residual < 1e-2, "{b:?}");
        prop_assert!(b.relative_charge_residual < 1e-5 || b.charge_residual_c < 1e-14, "{b:?}");
        // Nothing passive gives more than it took.
        for (e, s) in net.elements().iter().zip(&w.summary.elements) {
            if e.name.starts_with('r') || e.name.starts_with('y') {
                prop_assert!(s.absorbed_j >= 0.0, "{}: {s:?}", e.name);
            }
        }
    }
}
