//! `hushfield cause` and `hushfield locate` as a person calls them.

use std::fs;
use std::path::Path;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

fn hushfield(args: &[&str]) -> Output {
    Command::cargo_bin("hushfield").unwrap().args(args).output().unwrap()
}

fn json(out: &Output) -> Value {
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn write(dir: &Path, name: &str, text: &str) -> String {
    let path = dir.join(name);
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// Made from 66.37 kHz and 134.20 kHz with errors up to 0.4 kHz, and strays.
const PEAKS: &str = "frequency_hz,level_dbuv\n198000,50\n199200,51\n265800,48\n268700,60\n332100,52\n402800,57\n464400,44\n\
531000,43\n536800,55\n597200,47\n730400,41\n805000,52\n909000,40\n928800,39\n1073400,50\n1341800,48\n";

const PRODUCT: &str = "name = \"x\"\n[[converters]]\nname = \"fan supply\"\nfrequency_hz = 133e3\n\
[[clocks]]\nname = \"crystal\"\nfrequency_hz = 8e6\n";

#[test]
fn families_are_named_with_their_source() {
    let dir = tempfile::tempdir().unwrap();
    let (peaks, product) = (write(dir.path(), "peaks.csv", PEAKS), write(dir.path(), "product.toml", PRODUCT));
    let answer = json(&hushfield(&["cause", &peaks, "--product", &product, "--json"]));
    let combs = answer["combs"].as_array().unwrap();
    assert_eq!(combs.len(), 2);
    for (truth, source) in [(66.37e3, None), (134.2e3, Some("fan supply"))] {
        let comb = combs
            .iter()
            .find(|c| (c["fundamental_hz"].as_f64().unwrap() / truth - 1.0).abs() < 5e-4)
            .unwrap_or_else(|| panic!("{truth}: {combs:?}"));
        assert!(comb["false_alarm"].as_f64().unwrap() < 0.01);
        assert!(comb["uncertainty_hz"].as_f64().unwrap() > 0.0);
        assert_eq!(comb["source"].as_str(), source);
        for m in comb["members"].as_array().unwrap() {
            let off = m["frequency_hz"].as_f64().unwrap() - m["multiple"].as_f64().unwrap() * truth;
            assert!(off.abs() < 4500.0);
        }
    }
    let words = hushfield(&["cause", &peaks, "--product", &product]);
    let words = String::from_utf8_lossy(&words.stdout).into_owned();
    assert!(words.contains("fan supply") && words.contains("To check by hand"), "{words}");
}

#[test]
fn bad_input_is_refused_with_its_line() {
    let dir = tempfile::tempdir().unwrap();
    let refused = |args: &[&str], says: &str| {
        let out = hushfield(args);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{args:?}: {said}");
        assert!(said.contains(says), "{args:?}: {said}");
        assert!(out.stdout.is_empty());
    };
    let bad = write(dir.path(), "bad.csv", "frequency_hz,level_dbuv\n150000,50\nabc,3\n");
    refused(&["cause", &bad], "bad.csv:3");
    let short = write(dir.path(), "short.csv", "frequency_hz,level_dbuv\n150000\n");
    refused(&["cause", &short], "short.csv:2");
    refused(&["cause", "nowhere.csv"], "nowhere.csv");
    refused(&["cause", dir.path().to_str().unwrap()], "--run");
    let product = write(dir.path(), "p.toml", "name = \"x\"\n[[clocks]]\nname = \"c\"\nfrequency_hz = -1\n");
    let peaks = write(dir.path(), "peaks.csv", PEAKS);
    refused(&["cause", &peaks, "--product", &product], "p.toml:4");
    refused(&["cause", &peaks, "--tolerance", "0"], "--tolerance");
}

#[test]
fn readings_by_hand() {
    let dir = tempfile::tempdir().unwrap();
    let readings =
        write(dir.path(), "probe.csv", "distance_m,level_dbua_per_m\n0.05,70\n0.1,54.2\n0.2,37.4\n0.4,19.9\n");
    let fit = json(&hushfield(&["locate", "probe", &readings, "--probe", "magnetic", "--at", "1e6", "--json"]));
    assert!((fit["exponent"].as_f64().unwrap() - 3.0).abs() < 0.1);
    assert_eq!(fit["sources"][0][0], "loop");
    // 5 µA on 1 m make 100 µV/m at 3 m and 47.75 MHz over a floor (Ott's rule of 5 µA).
    let args =
        ["locate", "cable", "--current", "13.979", "--at", "47.75e6", "--length", "1", "--limit", "40", "--json"];
    let field = json(&hushfield(&args));
    assert!((field["field"]["estimate_dbuv_per_m"].as_f64().unwrap() - 40.0).abs() < 0.05);
    assert_eq!(field["judgement"], "doubtful");
    let args = ["locate", "modes", "--line", "60", "--neutral", "54", "--clamp", "60"];
    assert_eq!(hushfield(&args).status.code(), Some(2));
    let box_ = json(&hushfield(&["locate", "resonances", "--enclosure", "0.3,0.2,0.1", "--json"]));
    // c/2·√((1/0.3)² + (1/0.2)²) = 900.7 MHz.
    assert!((box_["resonances"][0]["frequency_hz"].as_f64().unwrap() / 900.73e6 - 1.0).abs() < 1e-3);
}
