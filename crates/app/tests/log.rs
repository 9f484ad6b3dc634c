//! A logged immunity run from its beginning to the evidence: the record in the terminal, the check, the plan, the PDF.

use std::path::Path;
use std::process::Command;

use project::{Climate, Criterion, LogEntry, LogWhat, NewEquipment, Project};
use serde_json::{Value, json};
use workbench::log::{LogRequest, close_log, start_log};

fn hushfield(args: &[&str]) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_hushfield")).args(args).output().expect("hushfield runs");
    (out.status.code().unwrap_or(-1), String::from_utf8_lossy(&out.stdout).into_owned())
}

const PRODUCT: &str = r#"
name = "Pump timer"
family = "generic"
environment = "industrial"
markets = ["EU"]
electronics = true
observed = "display read every second"
[criteria]
b = "the display may flicker"
[supply]
voltage_v = 230
frequency_hz = 50
current_a = 0.5
[[ports]]
id = "housing"
kind = "enclosure"
name = "Housing"
[[ports]]
id = "inlet"
kind = "ac_mains"
name = "Mains inlet"
cable_length_m = 1.8
"#;

/// The smallest picture there is: one grey pixel as PNG (written by hand from the format's description, RFC 2083).
const PIXEL: [u8; 67] = [
    0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a, 0, 0, 0, 0x0d, b'I', b'H', b'D', b'R', 0, 0, 0, 1, 0, 0, 0, 1, 8,
    0, 0, 0, 0, 0x3a, 0x7e, 0x9b, 0x55, 0, 0, 0, 0x0a, b'I', b'D', b'A', b'T', 0x78, 0x9c, 0x63, 0x68, 0, 0, 0, 0x82,
    0, 0x81, 0x77, 0xcd, 0x72, 0xb6, 0, 0, 0, 0, b'I', b'E', b'N', b'D', 0xae, 0x42, 0x60, 0x82,
];

fn begun(dir: &Path) -> (String, Value) {
    let mut project = Project::create_with(dir, PRODUCT).expect("a project");
    let generator = project
        .add_equipment(NewEquipment {
            name: "Burst generator".to_owned(),
            calibrated: Some("2024-01-10".parse().expect("a date")),
            due: Some("2025-01-10".parse().expect("a date")),
            ..NewEquipment::default()
        })
        .expect("entered");
    let picture = project.import_bytes("set-up.png", &PIXEL).expect("kept").id;
    let (code, sheet) = hushfield(&["run-sheet", dir.to_str().expect("a path"), "--test", "burst", "--json"]);
    assert_eq!(code, 0, "{sheet}");
    let sheet: Value = serde_json::from_str(&sheet).expect("JSON");
    let cautions = sheet["sheet"]["cautions"].as_array().expect("cautions").iter();
    let request = LogRequest {
        acknowledged: cautions.filter_map(Value::as_str).map(str::to_owned).collect(),
        acknowledged_by: "Ada".to_owned(),
        sheet: sheet.clone(),
        required: Some(Criterion::B),
        climate: Climate { temperature_c: Some(21.0), ..Climate::default() },
        present: vec!["Ada".to_owned(), "Jon".to_owned()],
        equipment: vec![generator],
        pictures: vec![picture],
        at: Some("2026-02-03T10:00:00Z".parse().expect("a time")),
        ..LogRequest::default()
    };
    (start_log(dir, &request).expect("begun"), sheet)
}

#[test]
fn a_logged_run_reaches_terminal_check_plan_and_report() {
    let folder = tempfile::tempdir().expect("a folder");
    let dir = folder.path().join("p");
    let (run, sheet) = begun(&dir);
    let path = dir.to_str().expect("a path");
    let (code, open) = hushfield(&["log", path, &run]);
    assert_eq!(code, 1, "an open log is no pass: {open}");
    assert!(open.contains("The log is open"), "{open}");

    let steps: Vec<&str> =
        sheet["sheet"]["steps"].as_array().expect("steps").iter().filter_map(|s| s["id"].as_str()).collect();
    let mut entries = Vec::new();
    let mut enter = |what: LogWhat| {
        let sequence = entries.len() as u64 + 1;
        entries.push(LogEntry {
            run: run.clone(),
            key: format!("k{sequence}"),
            client: "tablet".to_owned(),
            sequence,
            at: format!("2026-02-03T10:{sequence:02}:00Z").parse().expect("a time"),
            who: "Ada".to_owned(),
            what,
        });
    };
    for (k, step) in steps.iter().enumerate() {
        let upset = k == 1;
        enter(LogWhat::Step {
            step: (*step).to_owned(),
            stimuli: 1,
            result: Some(if upset { Criterion::B } else { Criterion::A }),
            seen: if upset { "display flickers".to_owned() } else { String::new() },
            level: String::new(),
            frequency_hz: None,
        });
    }
    enter(LogWhat::Deviation { step: None, text: "cable 0.3 m longer".to_owned(), skipped: false });
    Project::open(&dir).expect("opened").append_log(&entries).expect("taken");
    close_log(&dir, &run).expect("closed");

    let (code, text) = hushfield(&["log", path, &run]);
    assert_eq!(code, 0, "{text}");
    for said in [
        "display flickers",
        "cable 0.3 m longer",
        "the display may flicker",
        "display read every second",
        "PAST ITS DATE",
        "21 °C",
        "acknowledged by Ada",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    let (code, document) = hushfield(&["log", path, &run, "--json"]);
    let document: Value = serde_json::from_str(&document).expect("JSON");
    assert_eq!((code, &document["record"]["worst"]), (0, &json!("B")));
    assert_eq!(document["record"]["steps"][1]["seen"], json!(["display flickers"]));
    assert_eq!(document["entries"].as_array().map(Vec::len), Some(steps.len() + 1));

    let (code, check) = hushfield(&["check", path]);
    assert_eq!(code, 1, "{check}");
    assert!(check.contains("past its calibration date on 2026-02-03"), "{check}");

    // The run speaks for the tests of the plan that its sheet carries out.
    let planned = workbench::planning(&dir).expect("planned");
    let tests: Vec<&str> = sheet["tests"].as_array().expect("tests").iter().filter_map(|t| t["id"].as_str()).collect();
    assert!(!tests.is_empty());
    for test in tests {
        let says =
            planned.runs.get(test).unwrap_or_else(|| panic!("nothing is said of {test}: {:?}", planned.runs.keys()));
        assert_eq!((says.run.as_str(), says.decision.as_str()), (run.as_str(), "pass"));
    }

    let evidence =
        workbench::evidence(&dir, None, "2026-02-04", &mut |_| std::ops::ControlFlow::Continue(())).expect("gathered");
    // After the log stand what is proven of the plan and the technical file.
    let after: Vec<&str> = evidence.sections.iter().skip(1).map(|s| s.heading.as_str()).collect();
    assert_eq!(after, ["What is proven", "Technical file and data for a declaration"]);
    let section = &evidence.sections[0];
    assert_eq!((section.pictures.len(), section.decision), (1, Some(report::Decision::Pass)));
    let rendered = report::render(&evidence).expect("set");
    let all = rendered.text.join(" ");
    for said in ["display flickers", "cable 0.3", "past its calibration date"] {
        assert!(all.contains(said), "{said}");
    }
    assert!(rendered.warnings.is_empty(), "{:?}", rendered.warnings);
}
