//! A user's own limit files: what is read, and how a mistake is named.

use standards::{Detector, Known, LimitLibrary, Port};

const GOOD: &str = r#"
[[limit]]
id = "house-mains-qp"
standard = "House rule 7"
title = "Our own mains limit"
port = "ac_mains"
detector = "quasi_peak"
unit = "dBµV"
points_mhz_level = [[0.15, 60], [0.5, 50.5], [30, 50.5]]
source = "agreed with the customer"
"#;

/// The error of the good row with one line changed; checks that nothing was added.
fn refused(from: &str, to: &str) -> String {
    assert!(GOOD.contains(from), "{from}");
    let mut library = LimitLibrary::default();
    let error = library.add_toml(&GOOD.replacen(from, to, 1), "limits/own.toml").unwrap_err().to_string();
    assert!(library.all().is_empty());
    assert!(error.contains("limits/own.toml"), "{error}");
    error
}

#[test]
fn a_good_file_is_read() {
    let mut library = LimitLibrary::embedded().clone();
    library.add_toml(GOOD, "limits/own.toml").unwrap();
    let l = library.get("house-mains-qp").unwrap();
    assert_eq!((l.port, l.detector, l.known), (Port::AcMains, Detector::QuasiPeak, Known::User));
    assert_eq!(l.at(150e3), Some(60.0));
    assert_eq!(l.at(31e6), None);
}

#[test]
fn a_mistake_names_file_row_field_and_what_was_expected() {
    for (from, to, row, field, expected) in [
        (
            "source = \"agreed with the customer\"\n",
            "",
            "`house-mains-qp`",
            "source: missing",
            "where the numbers come from",
        ),
        ("source = \"agreed", "source = \" \"\nnote = \"agreed", "`house-mains-qp`", "source", "not empty"),
        ("port = \"ac_mains\"", "port = \"mains\"", "`house-mains-qp`", "port: found `mains`", "ac_mains"),
        ("\"quasi_peak\"", "\"qp\"", "`house-mains-qp`", "detector: found `qp`", "quasi_peak"),
        ("\"dBµV\"", "\"dBV\"", "`house-mains-qp`", "unit: found `dBV`", "dBuV"),
        ("title =", "titel =", "`house-mains-qp`", "titel: no such field", "title"),
        ("id = \"house-mains-qp\"", "id = \"my mains\"", "`my mains`", "id", "letters, digits"),
        ("id = \"house-mains-qp\"\n", "", "limit 1", "id: missing", "short name"),
        ("[0.5, 50.5]", "[0.1, 50.5]", "`house-mains-qp`", "points_mhz_level", "rising"),
        ("[0.5, 50.5]", "[0.5]", "`house-mains-qp`", "points_mhz_level: point 2", "pairs"),
        ("[0.5, 50.5]", "[0.5, \"50\"]", "`house-mains-qp`", "points_mhz_level: point 2", "pairs"),
        ("[[0.15, 60], [0.5, 50.5], [30, 50.5]]", "[]", "`house-mains-qp`", "points_mhz_level: 0 points", "two points"),
        ("[0.5, 50.5]", "[-0.5, 50.5]", "`house-mains-qp`", "points_mhz_level", "positive frequency"),
        ("standard =", "distance_m = -3\nstandard =", "`house-mains-qp`", "distance_m", "metres"),
        ("standard =", "known = \"sure\"\nstandard =", "`house-mains-qp`", "known: found `sure`", "memory"),
        ("standard =", "interpolation = \"cubic\"\nstandard =", "`house-mains-qp`", "interpolation", "log_frequency"),
    ] {
        let error = refused(from, to);
        for part in [row, field, expected] {
            assert!(error.contains(part), "`{part}` is not in: {error}");
        }
    }
}

#[test]
fn what_is_no_toml_names_the_line() {
    let error = refused("title = \"Our", "title = Our");
    assert!(error.contains("line 5"), "{error}");
    let error = LimitLibrary::default().add_toml("[[limits]]\nid = 'a'\n", "own.toml").unwrap_err().to_string();
    assert!(error.contains("limits") && error.contains("[[limit]]"), "{error}");
}

#[test]
fn an_id_is_taken_once() {
    let mut library = LimitLibrary::embedded().clone();
    let twice = GOOD.replace("house-mains-qp", "cispr32-b-mains-qp");
    let error = library.add_toml(&twice, "own.toml").unwrap_err().to_string();
    assert!(error.contains("`cispr32-b-mains-qp` is already taken"), "{error}");
    let before = library.all().len();
    assert!(library.add_toml(&format!("{GOOD}{GOOD}"), "own.toml").is_err());
    assert_eq!(library.all().len(), before, "all rows or none");
}
