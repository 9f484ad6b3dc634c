//! What cannot be a network is refused with file, line and card, and what was expected.

use circuit::{Netlist, TransientOptions, ac, transient};
use proptest::prelude::*;

fn refused(text: &str) -> String {
    match Netlist::parse(text, "bad.cir") {
        Err(e) => e.to_string(),
        Ok(_) => panic!("accepted: {text}"),
    }
}

#[test]
fn every_fault_names_its_card() {
    // The text after its title, and what the message must say.
    let cases: [(&str, &[&str]); 58] = [
        ("R1 a 0 0", &["line 2", "R1 a 0 0", "zero"]),
        ("R1 a 0 -1k", &["negative"]),
        ("R1 a 0 1e30", &["absurd"]),
        ("C1 a 0 -1n", &["C1 a 0 -1n", "negative"]),
        ("L1 a 0 1e9", &["absurd"]),
        ("R1 a 0", &["ends before"]),
        ("R1 a 0 10uH", &["henry", "ohm"]),
        ("C1 a 0 5ohm", &["ohm", "farad"]),
        ("V1 a 0 5A\nR1 a 0 1", &["ampere", "volt"]),
        ("R1 a 0 1k5", &["1k5"]),
        ("R1 a 0 abc", &["abc"]),
        ("R1 a 0 {x}", &["`x`"]),
        ("R1 a 0 1k 5", &["`5`"]),
        ("R1 a 0 1k tc1=1m", &["tc1"]),
        ("R1 a 0 1k\nR1 a 0 2k", &["line 3", "already taken on line 2"]),
        ("R1 a b 1k\nC1 b a 1n", &["ground"]),
        ("R1 a 0 1k\nR2 b c 1k", &["line 3", "`b` floats"]),
        ("R1 a 0 1k\nI1 0 b 1", &["`b`", "floats"]),
        ("L1 a 0 1u\nL2 b c 1u\nR1 a 0 1\nR2 b c 1\nK1 L1 L2 0.5", &["`b` floats"]),
        ("V1 a 0 1\nV2 a 0 2\nR1 a 0 1", &["line 3", "V2 a 0 2", "loop"]),
        ("V1 a 0 1\nE1 a b a 0 2\nV3 b 0 1\nR1 a 0 1", &["V3", "loop"]),
        ("E1 a 0 nix 0 10\nR1 a 0 1", &["nothing drives the node `nix`"]),
        ("F1 a 0 VX 2\nR1 a 0 1", &["vx"]),
        ("H1 a 0 R1 2\nR1 a 0 1", &["r1", "voltage source"]),
        ("K1 L1 L2 0.5\nL1 a 0 1u\nR1 a 0 1", &["l2"]),
        ("L1 a 0 1u\nL2 a 0 1u\nK1 L1 L2 1.5\nR1 a 0 1", &["K1 L1 L2 1.5", "absurd"]),
        (
            "L1 a 0 1u\nL2 b 0 1u\nL3 c 0 1u\nK1 L1 L2 0.9\nK2 L2 L3 0.9\nK3 L1 L3 -0.9\nR1 a 0 1",
            &["K", "negative energy"],
        ),
        ("L1 a 0 1u\nL2 b 0 1u\nK1 L1 L2 0.9\nK2 L2 L1 0.8\nR1 a 0 1", &["K2", "already coupled"]),
        ("Q1 a b c mod\nR1 a 0 1", &["Q1 a b c mod", "no element"]),
        ("M1 d g s b mod", &["M1"]),
        ("D1 a 0 nix\nR1 a 0 1", &["no model `nix`"]),
        ("D1 a 0 m\nR1 a 0 1\n.model m NPN(bf=100)", &["line 4", "npn"]),
        ("D1 a 0 m\nR1 a 0 1\n.model m D(is=1n xyz=3)", &["line 4", "xyz"]),
        ("D1 a 0 m\nR1 a 0 1\n.model m D(is=-1n)", &["IS", "negative"]),
        ("Y1 a 0 m\nR1 a 0 1\n.model m VARISTOR(c=500)", &["beta"]),
        ("Y1 a 0 m\nR1 a 0 1\n.model m TABLE(1k 5 0 1k 6 0)", &["do not rise"]),
        ("S1 a 0 c 0 m\nR1 a 0 1\nR2 c 0 1\n.model m SW(ron=0)", &["RON", "zero"]),
        ("T1 a 0 b 0 Z0=50\nR1 b 0 1\nR2 a 0 1", &["delay"]),
        ("T1 a 0 b 0 TD=1n\nR1 b 0 1\nR2 a 0 1", &["Z0"]),
        ("X1 a 0 nix\nR1 a 0 1", &["no subcircuit `nix`"]),
        ("X1 a part\nR1 a 0 1\n.subckt part p q\nR1 p q 1\n.ends", &["1 nodes", "2 for `part`"]),
        ("X1 a 0 part zz=3\nR1 a 0 1\n.subckt part p q\nR1 p q 1\n.ends", &["zz"]),
        ("X1 a 0 part\nR1 a 0 1\n.subckt part p q\nX1 p q part\n.ends", &["call itself"]),
        (".subckt part p q\nR1 p q 1", &["not ended"]),
        ("R1 a 0 1\n.ends", &["no subcircuit is open"]),
        (".param a={b} b={a}\nR1 x 0 {a}", &["line 2", "has no value"]),
        (".param a=1\n.param a=2\nR1 x 0 {a}", &["line 3", "already set"]),
        ("R1 a 0 {1/0}", &["finite"]),
        ("R1 a 0 1\n.foo bar", &["`.foo`"]),
        ("R1 a 0 1\n.control\nrun\n.endc", &["line 3", "script"]),
        ("R1 a 0 1\n.include other.cir", &["other files"]),
        ("R1 a 0 1\n.temp 85", &["27"]),
        ("V1 a 0 SIN(0 1)\nR1 a 0 1", &["SIN has 2"]),
        ("V1 a 0 PWL(0 0 1m)\nR1 a 0 1", &["PWL has 3"]),
        ("V1 a 0 PWL(0 0 2m 1 1m 2)\nR1 a 0 1", &["do not rise"]),
        ("V1 a 0 TRNOISE(1 1)\nR1 a 0 1", &["trnoise"]),
        ("V1 a 0 SIN(0 1 50\nR1 a 0 1", &["line 2", "not closed"]),
        ("B1 a 0 I={foo(v(a))}\nR1 a 0 1", &["foo"]),
    ];
    for (text, words) in cases {
        let message = refused(&format!("title\n{text}\n"));
        assert!(message.starts_with("bad.cir"), "{message}");
        for w in words {
            assert!(message.to_lowercase().contains(&w.to_lowercase()), "`{w}` is not in: {message}");
        }
        assert!(message.contains("expected"), "{message}");
    }
    assert!(refused("").contains("empty"));
    assert!(refused("only a title\n").contains("no elements"));
    assert!(refused("t\n+ 5k\nR1 a 0 1\n").contains("continuation"));
}

#[test]
fn a_network_that_cannot_rest_names_its_card() {
    let options = TransientOptions::new(1e-6, 1e-3);
    for (text, words) in [
        ("t\nV1 a 0 5\nL1 a 0 1m\n", ["V1 a 0 5", "loop"]),
        ("t\nI1 0 a 1\nC1 a 0 1u\n", ["I1 0 a 1", "capacitors alone"]),
    ] {
        let message = transient(&Netlist::parse(text, "t").unwrap(), &options).unwrap_err().to_string();
        assert!(words.iter().all(|w| message.contains(w)), "{message}");
    }
    // With initial conditions both are networks like others.
    let options = TransientOptions { use_initial_conditions: true, ..options };
    let net = Netlist::parse("t\nV1 a 0 5\nL1 a 0 1m IC=0\n", "t").unwrap();
    let i = transient(&net, &options).unwrap().current("l1").unwrap();
    assert!((i[i.len() - 1] - 5.0).abs() < 1e-6, "V·t/L = 5 A after 1 ms: {}", i[i.len() - 1]);
    let net = Netlist::parse("t\nI1 0 a 1\nC1 a 0 1u\n", "t").unwrap();
    let v = transient(&net, &options).unwrap().voltage("a").unwrap();
    assert!((v[v.len() - 1] - 1000.0).abs() < 1e-3, "I·t/C = 1 kV after 1 ms: {}", v[v.len() - 1]);
}

#[test]
fn a_built_network_is_judged_like_a_read_one() {
    let mut net = Netlist::new();
    net.resistor("R1", "a", "0", f64::NAN);
    assert!(net.check().unwrap_err().to_string().contains("r1 a 0"));
    let mut net = Netlist::new();
    net.resistor("R1", "a", "0", 50.0).resistor("r1", "a", "0", 50.0);
    assert!(net.check().unwrap_err().to_string().contains("already taken"));
    assert!(Netlist::new().check().unwrap_err().to_string().contains("no elements"));
    let mut net = Netlist::new();
    net.resistor("R1", "a", "0", 50.0);
    assert!(ac(&net, &[1e3]).unwrap_err().to_string().contains("AC magnitude"));
}

#[test]
fn what_may_surprise_is_noted() {
    let net = Netlist::parse("R1 a 0 1M\nV1 a 0 AC 1\n.tran 1u 1m uic\n.end\nR2 a 0 5\n", "n.cir").unwrap();
    let notes: Vec<String> = net.notes().iter().map(ToString::to_string).collect();
    for (w, line) in [("reads as a card", 1), ("milli", 1), ("left aside", 3), ("after `.end`", 5)] {
        assert!(notes.iter().any(|n| n.contains(w) && n.contains(&format!("line {line}"))), "{w}: {notes:?}");
    }
    assert!(net.asks_for_initial_conditions());
    assert_eq!(net.elements().len(), 2);
    let titled = Netlist::parse("R C low-pass of the input\nR1 a 0 1\n", "n.cir").unwrap();
    assert_eq!((titled.title(), titled.elements().len()), ("R C low-pass of the input", 1));
}

proptest! {
    /// Whatever the text, the reader answers, and an error is one line a person can act on.
    #[test]
    fn any_text_is_read_or_refused(text in "[ -~µΩ\n]{0,200}") {
        if let Err(e) = Netlist::parse(&text, "any.cir") {
            prop_assert!(e.to_string().starts_with("any.cir"), "{e}");
        }
    }

    /// The same for texts that look like cards.
    #[test]
    fn any_cards_are_read_or_refused(
        cards in prop::collection::vec("[RLCKVIEGFHBDYSTX.][a-z0-9]{0,4}( (a|b|0|1k|\\{a\\+1\\}|\\(|\\)|=|'x|SIN|AC|m=2|L1|\\+)){0,7}", 1..8),
    ) {
        let text = format!("t\n{}\n", cards.join("\n"));
        if let Ok(net) = Netlist::parse(&text, "any.cir") {
            // What was read can be solved or is refused; it never panics.
            let _ = ac(&net, &[1e3, 1e6]);
        }
    }
}
