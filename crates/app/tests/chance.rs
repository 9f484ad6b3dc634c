//! How sure: budgets, chance, offset, series, comparison and the next measurement as a person calls them.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

fn hushfield(args: &[&str]) -> Output {
    Command::cargo_bin("hushfield").unwrap().args(args).output().unwrap()
}

fn json(args: &[&str]) -> Value {
    let out = hushfield(&[args, &["--json", "--quiet"]].concat());
    assert!(out.status.code().is_some_and(|c| c < 2), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn refused(args: &[&str], says: &str) {
    let out = hushfield(args);
    let message = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(2), "{args:?}: {message}");
    assert!(message.contains(says), "{message}\nexpected {says}");
}

/// A sweep with harmonics of 133 kHz, each moved by what `shift_db` says at its frequency.
fn sweep(dir: &Path, name: &str, shift_db: impl Fn(usize, f64) -> f64) -> String {
    let mut text = "frequency_hz,quasi_peak_dbuv,cispr_average_dbuv\n".to_owned();
    let lines: Vec<(f64, f64)> = (2..30)
        .map(|k| {
            let f = 133e3 * f64::from(k);
            (f, 62.0 - 6.0 * f64::from(k).log2() + shift_db(k as usize, f))
        })
        .collect();
    let mut f = 150e3;
    while f <= 30e6 {
        let near = lines.iter().map(|(g, l)| l - 6.02 * ((f - g) / 4500.0).powi(2)).fold(20.0, f64::max);
        let _ = writeln!(text, "{f},{near:.3},{:.3}", near - 10.0);
        f += 4500.0;
    }
    let path = dir.join(name);
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

/// A deviation that is fixed but looks like scatter: −1 to 1 dB.
fn scatter(run: usize, line: usize) -> f64 {
    ((run * 31 + line * 17) % 13) as f64 / 6.0 - 1.0
}

const PRODUCT: &str = "name = \"Pump timer\"\n\n[[ports]]\nid = \"inlet\"\nkind = \"ac_mains\"\nname = \"Mains inlet\"\ncable_length_m = 1.8\n";

#[test]
fn a_project_says_how_sure_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let project = dir.path().join("p");
    let p = project.to_str().unwrap();
    assert!(hushfield(&["new", p]).status.success());
    fs::write(project.join("product.toml"), PRODUCT).unwrap();
    for args in [
        ["add", "state", p, "--id", "A", "--what", "as built"],
        ["add", "state", p, "--id", "B", "--what", "a choke"],
        ["add", "sample", p, "--id", "S1", "--serial", "1"],
    ] {
        assert!(hushfield(&args).status.success());
    }
    refused(&["chance", p], "no emission run on the bench");
    let run = |file: &str, state: &str, more: &[&str]| {
        let args = [
            "run",
            p,
            file,
            "--port",
            "inlet",
            "--state",
            state,
            "--sample",
            "S1",
            "--conductor",
            "L1",
            "--limit",
            "cispr32-b-mains-qp",
            "--limit",
            "cispr32-b-mains-av",
        ];
        json(&[&args[..], more].concat())
    };
    for i in 0..3 {
        run(&sweep(dir.path(), &format!("a{i}.csv"), |k, _| scatter(i, k)), "A", &[]);
    }
    let before = json(&["chance", p]);
    let part = &before["parts"][0];
    assert_eq!(part["pairs_used"], 0);
    assert_eq!(part["emissions"][0]["frequency_hz"].as_f64().unwrap().round(), 267_000.0);
    assert!(part["repeatability"]["repeated_runs"].as_u64().unwrap() == 2);
    let p_before = before["probability"].as_f64().unwrap();

    // The laboratory reads 5 dB higher, twice in two visits of one state: the next estimate is lower.
    run(&sweep(dir.path(), "lab.csv", |k, _| 5.0 + scatter(7, k)), "A", &["--laboratory", "Alpine"]);
    let after = json(&["chance", p]);
    assert_eq!(after["laboratory_name"], "Alpine");
    assert!(after["parts"][0]["pairs_used"].as_u64().unwrap() >= 8, "{after}");
    let p_after = after["probability"].as_f64().unwrap();
    assert!(p_after < p_before - 0.1, "{p_before} {p_after}");
    assert!(after["notes"].as_array().unwrap().iter().any(|n| n.as_str().unwrap().contains("mains-network-bench")));

    let offset = json(&["offset", p]);
    let points = offset["parts"][0]["offset"].as_array().unwrap();
    let near = points.iter().find(|o| o["frequency_hz"].as_f64().unwrap() > 800e3).unwrap();
    assert!(near["offset_db"].as_f64().unwrap() > 2.0, "{near}");
    assert!(near["standard_db"].as_f64().unwrap() < near["before_db"].as_f64().unwrap());

    // A budget of one's own goes before the example, and a much better bench leaves less doubt.
    fs::create_dir(project.join("budgets")).unwrap();
    let own = "[[budget]]\nid = \"mine\"\ntitle = \"ours\"\nkind = \"mains_network\"\nsource = \"measured\"\nknown = \"seen\"\n\
               [[budget.contribution]]\nname = \"all\"\nvalue_db = 1.0\ndistribution = \"normal\"\nk = 2.0\ncorrelation = \"common\"\n\
               settled_by = \"measure it\"\nminutes = 20.0\n";
    fs::write(project.join("budgets/mine.toml"), own).unwrap();
    let better = json(&["chance", p]);
    assert_eq!(better["parts"][0]["bench"]["id"], "mine");
    let sd = |v: &Value| v["parts"][0]["emissions"][0]["standard_db"].as_f64().unwrap();
    assert!(sd(&better) < sd(&after), "{} {}", sd(&better), sd(&after));

    let next = json(&["next", p]);
    let steps = next["steps"].as_array().unwrap();
    assert!(steps.iter().any(|s| s["kind"] == "settle" && s["contribution"] == "all" && s["mains"] == true), "{next}");
    // Best first by the doubt that goes an hour, told to a tenth of a point.
    let tenths = |v: &Value| (1000.0 * v["gain_per_hour"].as_f64().unwrap()).round();
    assert!(steps.windows(2).all(|w| tenths(&w[0]) >= tenths(&w[1])), "{next}");
    let words = String::from_utf8(hushfield(&["next", p]).stdout).unwrap();
    assert!(words.contains("Caution, mains"), "{words}");

    // The choke: 12 dB less below 1 MHz.
    for i in 0..2 {
        let file = sweep(dir.path(), &format!("b{i}.csv"), |k, f| scatter(i + 3, k) - if f < 1e6 { 12.0 } else { 0.0 });
        run(&file, "B", &[]);
    }
    let compared = json(&["compare", p, "--before", "R001,R002,R003", "--after", "R005,R006"]);
    let of = |f: f64| {
        let all = compared["emissions"].as_array().unwrap();
        all.iter().find(|e| (e["frequency_hz"].as_f64().unwrap() - f).abs() < 5e3).unwrap()["fate"].clone()
    };
    assert_eq!(of(267e3), "better");
    assert_ne!(of(1.33e6), "better");
    assert_eq!(json(&["chance", p])["state"], "B");
    let files = json(&[
        "compare",
        "--before",
        dir.path().join("a0.csv").to_str().unwrap(),
        "--after",
        dir.path().join("b0.csv").to_str().unwrap(),
    ]);
    assert_eq!(files["assumed"], true);

    refused(&["chance", p, "--laboratory", "Nowhere"], "the name of one with runs: Alpine");
    refused(&["chance", p, "--state", "C"], "in state C");
    refused(&["compare", p, "--before", "R001", "--after", "R099"], "R099");
    fs::write(project.join("budgets/bad.toml"), own.replace("k = 2.0\n", "")).unwrap();
    refused(&["chance", p], "contribution `all`: k: not given");
}

#[test]
fn budgets_say_their_uncertainty_and_rule() {
    let found = json(&["uncertainty", "--id", "mains-network", "--at", "1e6", "--trials", "20000"]);
    let level = &found["budgets"][0]["levels"][0];
    let u = level["uncertainty"]["expanded_db"].as_f64().unwrap();
    assert!((u - 3.59).abs() < 0.01, "{u}");
    assert!((level["rule"]["addition_db"].as_f64().unwrap() - 0.19).abs() < 0.01);
    assert!((level["guard_band_db"].as_f64().unwrap() - 1.645 * u / 2.0).abs() < 0.01);
    let every = json(&["uncertainty", "--trials", "1000"]);
    assert!(every["budgets"].as_array().unwrap().len() >= 8);
    refused(&["uncertainty", "--kind", "tea"], "--kind tea: expected one of mains_network_low");
    refused(&["uncertainty", "--id", "current-probe", "--at", "1e9"], "says nothing at 1 GHz");
    refused(&["uncertainty", "--risk", "0.9"], "--risk 0.9");
}

#[test]
fn a_verdict_takes_a_budget() {
    let dir = tempfile::tempdir().unwrap();
    let file = sweep(dir.path(), "a.csv", |_, _| 0.0);
    let judge = |budget: &str| {
        json(&["judge", &file, "--limit", "cispr32-b-mains-qp", "--budget", budget])["verdict"]["uncertainty"].clone()
    };
    let with = judge("mains-network-bench");
    assert_eq!(with["budget"], "mains-network-bench");
    // 4.8 − 3.4 dB.
    assert!((with["addition_db"].as_f64().unwrap() - 1.4).abs() < 0.02, "{with}");
    refused(&["judge", &file, "--limit", "cispr32-b-mains-qp", "--budget", "nothing.toml"], "nothing.toml");
}

#[test]
fn samples_speak_for_the_series() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("levels.csv");
    let text = "sample,frequency_hz,level_dbuv\n1,5e5,52.1\n1,1e6,50\n2,5e5,53.0\n3,5e5,51.2\n4,5e5,54.4\n5,5e5,52.9\n";
    fs::write(&path, text).unwrap();
    let file = path.to_str().unwrap();
    // The limit is 56 dBµV there: margins 3.9, 3.0, 4.8, 1.6, 3.1.
    let found = json(&["series", file, "--limit", "cispr32-b-mains-qp"]);
    assert!((found["series"]["mean_margin_db"].as_f64().unwrap() - 3.28).abs() < 1e-6, "{found}");
    assert_eq!(found["series"]["noncentral_t"], true);
    assert_eq!(json(&["series", file, "--limit", "56"])["series"], found["series"]);
    assert_eq!(hushfield(&["series", "--margins", "3.1,4.2,-0.5"]).status.code(), Some(1));
    let one = json(&["series", "--margins", "10.2"]);
    assert!((one["single_sample"]["needed_margin_db"].as_f64().unwrap() - 10.099).abs() < 0.01);
    fs::write(&path, text.replace("53.0", "fifty")).unwrap();
    refused(&["series", file, "--limit", "56"], "line 4, column level_dbuv: `fifty`");
    refused(&["series", "--margins", "1,2", "--share", "1.5"], "share: 1.5");
}
