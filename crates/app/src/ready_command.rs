//! Whether to book a laboratory.

use std::fmt::Write as _;
use std::path::PathBuf;

use campaign::{Ready, Weight, Where};
use clap::Args;
use serde_json::json;
use workbench::readiness;

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

#[derive(Debug, Args)]
pub(crate) struct ReadyArgs {
    /// The project's folder
    pub(crate) dir: PathBuf,
    /// Show what is computed and in order as well
    #[arg(long)]
    pub(crate) all: bool,
}

fn words(weight: Weight) -> &'static str {
    match weight {
        Weight::Violates => "Violated",
        Weight::Risk => "At risk",
        Weight::Open => "Not answered",
        Weight::InOrder => "In order",
    }
}

fn text(r: &Ready, all: bool) -> String {
    let mut out = format!("{}.\n", r.sentence);
    let rows = r
        .bench_first
        .iter()
        .map(|b| {
            vec![
                b.title.clone(),
                format!("{:.0} %", 100.0 * b.fails),
                format!("{:.0}", b.cost_there),
                format!("{:.0}", b.expected),
                b.run.clone().unwrap_or_else(|| "-".to_owned()),
                b.bench_can.clone(),
                b.how.clone(),
            ]
        })
        .collect();
    let cost = format!("cost there, {}", r.currency);
    let _ = write!(
        out,
        "\nOn the bench first: chance of failing times what it costs to learn it at the laboratory\n{}",
        print::table(&["test", "chance", &cost, "expected", "run", "bench can", "how"], rows, &[1, 2, 3])
    );
    let _ = writeln!(out, "All of them together: {:.0} {} to be expected.", r.expected_cost, r.currency);
    if r.likely.is_empty() {
        out.push_str("\nNo run of this product speaks of a test of the plan yet.\n");
    } else {
        let rows = r
            .likely
            .iter()
            .map(|l| {
                vec![
                    l.port_name.clone(),
                    l.title.clone(),
                    format!("{:.0} %", 100.0 * l.says.chance),
                    l.says.run.clone(),
                    l.says.measured.clone(),
                    l.says.state.clone().unwrap_or_default(),
                    l.says.sentence.clone(),
                ]
            })
            .collect();
        let _ = write!(
            out,
            "\nWhat its own runs say, the likeliest to fail first ({} tests have none)\n{}",
            r.without_run,
            print::table(&["port", "test", "fails", "run", "measured", "state", "verdict"], rows, &[2])
        );
    }
    for weight in [Weight::Violates, Weight::Risk, Weight::Open, Weight::InOrder] {
        let found: Vec<_> = r.findings.iter().filter(|f| f.weight == weight).collect();
        if found.is_empty() {
            continue;
        }
        if weight == Weight::InOrder && !all {
            let _ = writeln!(out, "\n{} figures are computed and in order: --all shows them.", found.len());
            continue;
        }
        let _ = writeln!(out, "\n{}", words(weight));
        for f in found {
            let _ = writeln!(out, "  {}", f.what);
            let _ = writeln!(out, "    why: {} ({})", f.why, f.source);
            if f.todo != "nothing" {
                let at = if f.at == Where::Before { "before booking" } else { "with the laboratory" };
                let _ = writeln!(out, "    to do, {at}: {}", f.todo);
            }
            if !f.caution.is_empty() {
                let _ = writeln!(out, "    Caution: {}", f.caution);
            }
        }
    }
    let mut cautions: Vec<(&str, &str)> = Vec::new();
    for b in r.bench_first.iter().filter(|b| b.bench_can != "no" && !b.caution.is_empty()) {
        if !cautions.iter().any(|(_, c)| *c == b.caution) {
            cautions.push((&b.title, &b.caution));
        }
    }
    out.push_str("\nCautions on the bench\n");
    for (title, caution) in cautions {
        let _ = writeln!(out, "  {title}: {caution}");
    }
    out
}

pub(crate) fn ready_command(show: Show, a: &ReadyArgs) -> Result<Outcome, Failure> {
    let (r, _) = readiness(&a.dir)?;
    if show.json {
        print::json(&json!(r))?;
    } else {
        print::text(&text(&r, a.all))?;
    }
    Ok(if r.ready { Outcome::Done } else { Outcome::NotAPass })
}
