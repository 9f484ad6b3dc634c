//! Chain files with their tables and network files, and what is said of bad ones.

use std::fs;
use std::path::{Path, PathBuf};

use emission::{Correction, ElementKind};
use formats::chain_file::read_chain;
use formats::factor::{FactorChoices, Quantity, read_factor};
use quantity::Unit;

fn chain(folder: &tempfile::TempDir, text: &str) -> PathBuf {
    let path = folder.path().join("bench.toml");
    fs::write(&path, text).unwrap();
    path
}

fn with_files() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("network.csv"), "# certificate 7\nfrequency_mhz,factor_db\n0.15,0.4\n30,0.1\n")
        .unwrap();
    fs::write(folder.path().join("antenna.csv"), "frequency_mhz;AF (dB/m)\n30;18,5\n300;14,0\n").unwrap();
    fs::write(folder.path().join("probe.csv"), "frequency_hz,transfer_impedance_ohm\n1e5,1\n1e8,10\n").unwrap();
    let cable = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/networks/ntwk1.s2p");
    fs::copy(cable, folder.path().join("cable.s2p")).unwrap();
    folder
}

#[test]
fn a_conducted_chain_from_product_to_receiver() {
    let folder = with_files();
    let path = chain(
        &folder,
        r#"name = "Bench, line conductor"
[[element]]
name = "artificial network"
kind = "artificial_network"
table = "network.csv"
calibrated = "2026-03-02"
due = 2027-03-02
source = "certificate 7"
[[element]]
name = "limiter"
kind = "pulse_limiter"
loss_db = 10
[[element]]
name = "amplifier"
kind = "preamplifier"
gain_db = 20.5
from_hz = 1e5
to_hz = 1e9
"#,
    );
    let c = read_chain(&path).unwrap();
    assert_eq!(c.name, "Bench, line conductor");
    // The element at the receiver comes first.
    assert_eq!(
        c.elements.iter().map(|e| e.name.as_str()).collect::<Vec<_>>(),
        ["amplifier", "limiter", "artificial network"]
    );
    assert_eq!(c.elements[1].correction, Correction::ConstantDb(10.0));
    assert_eq!(c.elements[0].correction.at(1e6), Some(-20.5), "a gain is taken off");
    assert_eq!(c.elements[0].correction.at(2e9), None, "no level outside the range");
    assert_eq!(c.correction_at(150e3), Some(-20.5 + 10.0 + 0.4));
    assert_eq!(c.correction_at(40e6), None);
    let network = &c.elements[2];
    assert_eq!((network.calibrated.as_deref(), network.due.as_deref()), (Some("2026-03-02"), Some("2027-03-02")));
    assert_eq!(network.source, "certificate 7 (network.csv, column factor_db)");
    assert_eq!((c.unit_in(), c.unit_out()), (Some(Unit::DbUv), Some(Unit::DbUv)));
}

#[test]
fn the_network_parameter_used_is_said() {
    let folder = with_files();
    let element = "[[element]]\nname = 'feeder'\nkind = 'cable'\ntouchstone = 'cable.s2p'\n";
    let c = read_chain(&chain(&folder, element)).unwrap();
    assert_eq!(c.elements[0].source, "cable.s2p, parameter s21");
    // −20·log₁₀ of the magnitude that stands in the file for 1 GHz.
    let loss = -20.0 * 0.926746562f64.hypot(0.170089428).log10();
    assert!((c.correction_at(1e9).unwrap() - loss).abs() < 1e-9);
    let c = read_chain(&chain(&folder, &format!("{element}parameter = 's11'\nhalve = true\n"))).unwrap();
    assert_eq!(c.elements[0].source, "cable.s2p, parameter s11, halved (there and back)");
    let half = -10.0 * 0.0217920488f64.hypot(0.151514165).log10();
    assert!((c.correction_at(1e9).unwrap() - half).abs() < 1e-9);
}

#[test]
fn units_change_at_antenna_and_current_probe() {
    let folder = with_files();
    let radiated = "[[element]]\nname = 'horn'\nkind = 'antenna'\ntable = 'antenna.csv'\n[[element]]\nname = 'feeder'\nkind = 'cable'\nloss_db = 2.0\n";
    let c = read_chain(&chain(&folder, radiated)).unwrap();
    assert_eq!((c.unit_in(), c.unit_out()), (Some(Unit::DbUv), Some(Unit::DbUvPerM)));
    assert_eq!(c.correction_at(30e6), Some(20.5));
    // The same elements the other way round mean the same, because only one way fits.
    let turned = "[[element]]\nname = 'feeder'\nkind = 'cable'\nloss_db = 2.0\n[[element]]\nname = 'horn'\nkind = 'antenna'\ntable = 'antenna.csv'\n";
    assert_eq!(read_chain(&chain(&folder, turned)).unwrap().elements, c.elements);
    let strict = format!("order = 'from_product'\n{turned}");
    let said = read_chain(&chain(&folder, &strict)).unwrap_err().to_string();
    assert!(said.contains("bench.toml") && said.contains("feeder"), "{said}");
    // I = V / Z: 10 Ω is 20 dBΩ.
    let probe = "[[element]]\nname = 'clamp'\nkind = 'current_probe'\ntable = 'probe.csv'\n";
    let c = read_chain(&chain(&folder, probe)).unwrap();
    assert_eq!(c.unit_out(), Some(Unit::DbUa));
    assert!((c.correction_at(1e8).unwrap() + 20.0).abs() < 1e-12);
}

#[test]
fn every_kind_is_known() {
    let folder = with_files();
    for kind in ElementKind::ALL {
        let value = match kind {
            ElementKind::Antenna => "factor_db_per_m = 10",
            ElementKind::CurrentProbe => "transfer_impedance_dbohm = 0",
            _ => "factor_db = 6",
        };
        let text = format!("[[element]]\nname = 'x'\nkind = '{}'\n{value}\n", kind.key());
        assert_eq!(read_chain(&chain(&folder, &text)).unwrap().elements[0].kind, kind);
    }
}

#[test]
fn faults_name_file_element_and_field() {
    let folder = with_files();
    fs::write(folder.path().join("bad.csv"), "frequency_hz,loss_db\n1,2\n3,x\n").unwrap();
    let head = "[[element]]\nname = 'x'\n";
    for (text, wanted) in [
        ("name = ", "line 1"),
        ("name = 'a'\n\n[[element]\n", "line 3"),
        ("name = 'a'\n", "field `element`: nothing"),
        ("[element]\nname = 'x'\n", "field `element`: a single table; expected [[element]]"),
        ("colour = 'red'\n[[element]]\n", "field `colour`: not a field"),
        ("order = 'up'\n[[element]]\nname = 'x'\nkind = 'cable'\nloss_db = 1\n", "field `order`: `up`"),
        ("[[element]]\nkind = 'cable'\nloss_db = 1\n", "element 1, field `name`: nothing"),
        (&format!("{head}loss_db = 1\n"), "element 1 \"x\", field `kind`: nothing"),
        (&format!("{head}kind = 'rope'\nloss_db = 1\n"), "field `kind`: `rope`; expected one of artificial_network"),
        (&format!("{head}kind = 'cable'\n"), "field `loss_db`: no correction"),
        (&format!("{head}kind = 'cable'\nlos_db = 1\n"), "field `los_db`: not a field"),
        (&format!("{head}kind = 'cable'\nloss_db = 'one'\n"), "field `loss_db`: `\"one\"`; expected a number"),
        (&format!("{head}kind = 'cable'\nloss_db = nan\n"), "a finite number"),
        (&format!("{head}kind = 'cable'\nloss_db = 1\ngain_db = 2\n"), "field `gain_db`: a second correction"),
        (&format!("{head}kind = 'antenna'\nloss_db = 1\n"), "loss_db for antenna; expected factor_db_per_m"),
        (&format!("{head}kind = 'cable'\nfactor_db_per_m = 1\n"), "factor_db_per_m for cable"),
        (&format!("{head}kind = 'current_probe'\ntouchstone = 'cable.s2p'\n"), "a network file for current_probe"),
        (&format!("{head}kind = 'cable'\ntable = 'none.csv'\n"), "field `table`"),
        (&format!("{head}kind = 'cable'\ntable = 'bad.csv'\n"), "bad.csv, line 3: `x` in column 2; expected a number"),
        (&format!("{head}kind = 'cable'\ntouchstone = 'cable.s2p'\nparameter = 's31'\n"), "field `parameter`"),
        (&format!("{head}kind = 'cable'\ntouchstone = 'cable.s2p'\nparameter = 'loss'\n"), "field `parameter`: `loss`"),
        (
            &format!("{head}kind = 'cable'\nloss_db = 1\nparameter = 's21'\n"),
            "field `parameter`: stands beside `loss_db`",
        ),
        (
            &format!("{head}kind = 'cable'\nloss_db = 1\ncalibrated = '2026-02-30'\n"),
            "field `calibrated`: `2026-02-30`",
        ),
        (&format!("{head}kind = 'cable'\nloss_db = 1\ncalibrated = '2026-02-03'\ndue = '2025-01-01'\n"), "field `due`"),
        (&format!("{head}kind = 'cable'\nloss_db = 1\nfrom_hz = 5\n"), "field `to_hz`"),
        (&format!("{head}kind = 'cable'\nloss_db = 1\nunit_out = 'dBx'\n"), "field `unit_out`"),
    ] {
        let said = read_chain(&chain(&folder, text)).unwrap_err().to_string();
        assert!(said.contains("bench.toml") && said.contains(wanted) && said.contains("expected"), "{wanted}: {said}");
    }
    assert!(read_chain(&folder.path().join("none.toml")).unwrap_err().to_string().contains("none.toml"));
}

#[test]
fn factor_tables() {
    let read = |text: &str, c: &FactorChoices| read_factor(text, "t.csv", c);
    let plain = FactorChoices::default();
    let t = read("! two steps\nFrequency [kHz]\tGain (dB)\n9\t3\n150\t1\n150\t2\n", &plain).unwrap();
    assert_eq!((t.quantity, t.correction.range_hz()), (Quantity::GainDb, (9e3, 150e3)));
    assert_eq!(t.correction.points()[0].1, -3.0);
    let bare = FactorChoices { quantity: Some(Quantity::GainDb), frequency_unit_hz: Some(1.0), column: None };
    assert_eq!(read("1000000,24.55\n3171739.13,25.4\n", &bare).unwrap().correction.at(1e6), Some(-24.55));
    let two = "frequency_hz,loss_db,gain_db\n1,2,3\n2,4,5\n";
    let named = FactorChoices { column: Some("gain_db".into()), ..FactorChoices::default() };
    assert_eq!(read(two, &named).unwrap().correction.at(2.0), Some(-5.0));
    for (text, wanted) in [
        (two, "several columns could be meant: loss_db, gain_db"),
        ("1000,2\n2000,3\n", "numbers without a header"),
        ("colour,loss_db\n1,2\n", "first column `colour`"),
        ("frequency_hz,size\n1,2\n", "columns frequency_hz, size"),
        ("frequency_hz,loss_db\n2,2\n1,2\n", "line 3: 1 Hz after 2 Hz"),
        ("frequency_hz,loss_db\n0,2\n", "line 2: a frequency of 0 Hz"),
        ("frequency_hz,transfer_impedance_ohm\n1,0\n", "line 2: an impedance of 0"),
        ("frequency_hz,loss_db\n1\n", "line 2: nothing in column 2"),
        ("frequency_hz,loss_db\n", "at least one point"),
        ("", "no table"),
    ] {
        let said = read(text, &plain).unwrap_err().to_string();
        assert!(said.contains(wanted) && said.contains("t.csv"), "{said}");
    }
}
