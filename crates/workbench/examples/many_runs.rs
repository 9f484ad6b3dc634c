//! Writes a project with many runs, for measuring how the pages bear it: `cargo run --example many_runs -- DIR RUNS`.
//!
//! The raw files are tiny and the results are made up: only the ledger is as large as that of a real project.

use std::path::Path;

use project::{CaptureUse, NewRun, NewState, Project, RunKind};
use serde_json::json;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let (Some(dir), Some(runs)) = (args.next(), args.next().and_then(|n| n.parse::<u32>().ok())) else {
        return Err("expected a folder and a number of runs".into());
    };
    let dir = Path::new(&dir);
    let mut project = Project::create_with(dir, scenario::product_toml())?;
    let mut states: Vec<String> = Vec::new();
    for k in 0..20 {
        let based_on = states.last().cloned();
        let changes =
            vec![project::StateChange { kind: "firmware".into(), what: format!("version {k}"), ports: vec![] }];
        let new = NewState { id: format!("M{k}"), description: format!("state {k}"), based_on, changes };
        states.push(project.add_state(new)?);
    }
    let ports: Vec<String> = project.product()?.product.ports.into_iter().map(|p| p.id).collect();
    for k in 0..runs {
        let capture =
            project.import_bytes(&format!("r{k}.csv"), format!("frequency_hz,peak_dbuv\n{k},1\n").as_bytes())?;
        let mut run = NewRun::new(format!("run {k}"), RunKind::ConductedEmission);
        run.port = Some(ports[k as usize % ports.len()].clone());
        run.state = Some(states[k as usize % states.len()].clone());
        run.conductor = Some(if k % 2 == 0 { "L1" } else { "N" }.to_owned());
        run.limits = vec!["iec61000-6-3-b-mains-qp".to_owned()];
        run.captures =
            vec![CaptureUse { capture: capture.id, role: "sweep".into(), choices: json!({ "kind": "sweep" }) }];
        let id = project.add_run(run)?;
        let margin = 5.0 + f64::from(k % 17);
        project.add_result(
            &id,
            json!({ "decision": "pass", "sentence": format!("Passes with {margin} dB in hand"), "probability": 0.95,
                    "worst_margin_db": margin, "worst_frequency_hz": 1e6, "suspects": 3 }),
            json!({ "hushfield": "0.1.0" }),
        )?;
    }
    Ok(())
}
