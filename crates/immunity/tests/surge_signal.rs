//! Surges on signal lines and screens, and two protection parts one behind the other: against ngspice and by hand.

use std::process::Command;

use circuit::CombinationWave;
use immunity::surge::{Coupling, Part, Pulse, SeriesPart, TwoStage, least_series_ohm, stress};

/// Voltages at 1 mA and at a clamping current of small discs (values from memory).
fn varistor(words: &str) -> Part {
    Part::from_words(&format!("kind=varistor,{words}"), "part").unwrap()
}

fn near(name: &str, got: f64, want: f64, part: f64) {
    assert!((got / want - 1.0).abs() <= part, "{name}: {got} instead of {want}");
}

/// Values of `meas` lines of a deck, or nothing where there is no ngspice.
fn ngspice(deck: &str, names: &[&str]) -> Option<Vec<f64>> {
    if Command::new("ngspice").arg("--version").output().is_err() {
        assert!(std::env::var_os("CI").is_none(), "ngspice is missing");
        println!("skipped: no ngspice");
        return None;
    }
    let name = format!(
        "signal-{}-{:x}.cir",
        std::process::id(),
        deck.len() * 31 + deck.bytes().map(usize::from).sum::<usize>()
    );
    let file = std::env::temp_dir().join(name);
    std::fs::write(&file, deck).unwrap();
    let out = Command::new("ngspice").arg("-b").arg(&file).output().unwrap();
    std::fs::remove_file(&file).unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let value = |name: &str| -> f64 {
        let line = text.lines().find(|l| l.trim_start().starts_with(name)).unwrap_or_else(|| panic!("{text}"));
        line.split('=').nth(1).unwrap().split_whitespace().next().unwrap().parse().unwrap()
    };
    Some(names.iter().map(|n| value(n)).collect())
}

/// Generator and coupling as cards, up to the node `line`.
fn head(level_v: f64, coupling: Coupling) -> String {
    let g = CombinationWave::NOMINAL;
    let (c, r) = coupling.parts();
    let couple = match c {
        Some(c) => format!("C2 gen couple {c} IC=0\n"),
        None => "R5 gen couple 1m\n".to_owned(),
    };
    format!(
        "surge\nC1 store 0 {} IC={}\nR1 store 0 {}\nR2 store shape {}\nL1 shape gen {} IC=0\nR3 gen 0 {}\n{couple}R4 couple line {}\n",
        g.storage_f,
        level_v / g.peak_ratio(),
        g.shunt_ohm,
        g.series_ohm,
        g.series_h,
        g.output_ohm,
        r.max(1e-3)
    )
}

/// A varistor and the heat in it as cards.
fn cards(part: &Part, node: &str, k: u32) -> String {
    let model = part.varistor_model().unwrap();
    let law = format!("sgn(v({node}))*pow(abs(v({node}))/{},{})", model.c_v, 1.0 / model.beta);
    format!("B{k} {node} 0 I={law}\nB{k}e 0 heat{k} I=v({node})*{law}\nC{k}e heat{k} 0 1 IC=0\nR{k}e heat{k} 0 1e12\n")
}

const TAIL: &str = ".options reltol=1e-5 method=gear\n.tran 20n 500u 0 20n uic\n.control\nrun\n";

#[test]
fn signal_and_screen_couplings_agree_with_ngspice() {
    let part = varistor("voltage_1ma_v=100,clamp_v=165,clamp_a=10");
    for (level, coupling) in [(1000.0, Coupling::Signal), (2000.0, Coupling::SignalArrestor), (500.0, Coupling::Screen)]
    {
        let ours = stress(&Pulse::new(level, coupling), &part).unwrap();
        let deck = format!(
            "{}{}{TAIL}meas tran vmax MAX v(line)\nmeas tran emax MAX v(heat1)\n.endc\n.end\n",
            head(level, coupling),
            cards(&part, "line", 1)
        );
        let Some(found) = ngspice(&deck, &["vmax", "emax"]) else { return };
        println!(
            "{level} V {coupling:?}: ngspice {:.2} V {:.5} J, ours {:.2} V {:.5} J",
            found[0], found[1], ours.clamp_v, ours.energy_j
        );
        near("V", ours.clamp_v, found[0], 0.002);
        near("J", ours.energy_j, found[1], 0.005);
    }
}

#[test]
fn two_varistors_with_a_resistor_agree_with_ngspice() {
    let two = TwoStage {
        first: varistor("voltage_1ma_v=200,clamp_v=340,clamp_a=50"),
        series: SeriesPart { ohm: 10.0, henry: 0.0 },
        second: varistor("voltage_1ma_v=47,clamp_v=93,clamp_a=5"),
    };
    for (level, coupling) in [(1000.0, Coupling::Signal), (1000.0, Coupling::LineEarth)] {
        let ours = two.stress(&Pulse::new(level, coupling)).unwrap();
        let deck = format!(
            "{}{}R6 line inner 10\nC6 inner 0 100p IC=0\n{}{TAIL}meas tran vline MAX v(line)\nmeas tran vinner MAX v(inner)\n\
             meas tran efirst MAX v(heat1)\nmeas tran esecond MAX v(heat2)\n.endc\n.end\n",
            head(level, coupling),
            cards(&two.first, "line", 1),
            cards(&two.second, "inner", 2)
        );
        let Some(found) = ngspice(&deck, &["vline", "vinner", "efirst", "esecond"]) else { return };
        println!("{level} V {coupling:?}: ngspice {found:?}, ours {ours:?}");
        near("line", ours.line_v, found[0], 0.002);
        near("inner", ours.circuit_v, found[1], 0.002);
        near("second", ours.second_j, found[3], 0.005);
        // What the first takes may be next to nothing; then it is next to nothing in both.
        assert!((ours.first_j - found[2]).abs() <= 0.005 * found[2] + 1e-5, "{} {}", ours.first_j, found[2]);
    }
}

/// Arrestor of 700 V, diode of 600 W clamping at 48.4 V: (700 − 48.4)/87.7 A = 7.4 ohm (worked by hand; 87.7 A is what 600 W at
/// 10/1000 µs are at 8/20 µs).
#[test]
fn an_arrestor_fires_only_where_the_resistor_lifts_the_line() {
    assert!((least_series_ohm(700.0, 48.4, 87.7) - 7.43).abs() < 0.01);
    let arrestor = Part::from_words("kind=arrestor,spark_v=700,arc_v=15", "gas").unwrap();
    let diode =
        Part::from_words("kind=tvs,breakdown_v=33.3,clamp_v=48.4,clamp_a=12.4,pulse_power_w=600", "diode").unwrap();
    let with = |ohm: f64, henry: f64| TwoStage {
        first: arrestor.clone(),
        series: SeriesPart { ohm, henry },
        second: diode.clone(),
    };
    // 42 ohm at 1 kV: about 20 A, which 10 ohm turn into 200 V and the diode's 48 V: the arrestor stays dark.
    let quiet = with(10.0, 0.0).stress(&Pulse::new(1000.0, Coupling::Signal)).unwrap();
    assert!(!quiet.shared && quiet.line_v < 300.0 && quiet.second_a > 15.0 && quiet.second_a < 25.0, "{quiet:?}");
    assert!((quiet.least_ohm.unwrap() - 7.43).abs() < 0.05);
    assert!(quiet.warnings.iter().any(|w| w.contains("takes no current")));
    // 2 kV straight at 2 ohm: it fires, and the diode stays below its 87.7 A by 10 ohm, but not by 2 ohm.
    let fired = with(10.0, 0.0).stress(&Pulse::new(2000.0, Coupling::Screen)).unwrap();
    assert!(fired.shared && fired.line_v >= 700.0 && fired.second_a < 70.0 && fired.first_a > 500.0, "{fired:?}");
    let short = with(2.0, 0.0).stress(&Pulse::new(2000.0, Coupling::Screen)).unwrap();
    assert!(short.second_a > 87.7 && short.warnings.iter().any(|w| w.contains("fails short")), "{short:?}");
    assert!(short.warnings.iter().any(|w| w.contains("or more, or an inductor")));
    // An inductor does it with a small resistance: the front of a microsecond sees it, the circuit in use does not.
    let coil = with(0.5, 47e-6).stress(&Pulse::new(2000.0, Coupling::Screen)).unwrap();
    assert!(coil.shared && coil.second_a < 87.7, "{coil:?}");
    assert!(with(0.0, 0.0).stress(&Pulse::new(1000.0, Coupling::Signal)).is_err());
}
