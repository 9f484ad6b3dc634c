//! Speed beside ngspice on one machine in one run, and the tolerance study. `cargo bench -p circuit`.
//!
//! Set `HUSHFIELD_BIN` to time the whole command line too.

use std::hint::black_box;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use circuit::{
    AcSystem, ElementKind, Netlist, Probe, Spread, ToleranceStudy, TransientOptions, tolerance_study, transient,
};

const POINTS: usize = 500;

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

fn timed<T>(runs: usize, mut job: impl FnMut() -> T) -> f64 {
    median(
        (0..runs)
            .map(|_| {
                let start = Instant::now();
                black_box(job());
                start.elapsed().as_secs_f64()
            })
            .collect(),
    )
}

/// Whole-process time of ngspice and the analysis time it reports, s.
fn ngspice(folder: &Path, deck: &str, runs: usize) -> Option<(f64, f64)> {
    let file = folder.join("bench.cir");
    std::fs::write(&file, deck).ok()?;
    let (mut whole, mut own) = (Vec::new(), Vec::new());
    for _ in 0..runs {
        let start = Instant::now();
        let out = Command::new("ngspice").arg("-b").arg(&file).stderr(Stdio::null()).output().ok()?;
        whole.push(start.elapsed().as_secs_f64());
        let text = String::from_utf8_lossy(&out.stdout).into_owned();
        let line = text.lines().find(|l| l.to_lowercase().contains("total analysis time"))?;
        own.push(line.split('=').nth(1)?.split_whitespace().next()?.parse().ok()?);
    }
    Some((median(whole), median(own)))
}

fn main() {
    let networks = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/networks");
    let path = networks.join("twenty_node_filter.cir");
    let text = std::fs::read_to_string(&path).expect("the network lies in the repository");
    let net = Netlist::parse(&text, "filter").expect("it is a network");
    let probe = Probe::parse(&net, "out,n13").expect("its nodes exist");
    let frequency_hz: Vec<f64> =
        (0..POINTS).map(|i| 9e3 * (1e9f64 / 9e3).powf(i as f64 / (POINTS - 1) as f64)).collect();
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    println!(
        "networks: {} nodes and {} elements, {POINTS} frequencies from 9 kHz to 1 GHz, {cores} core(s), medians",
        net.node_names().len() - 1,
        net.elements().len()
    );

    let whole = timed(101, || {
        let net = Netlist::parse(&text, "filter").expect("it is a network");
        AcSystem::new(&net).and_then(|s| s.response(&frequency_hz, &[probe])).expect("it can be solved")
    });
    let system = AcSystem::new(&net).expect("it can be solved");
    let prepared = timed(301, || system.response(&frequency_hz, &[probe]).expect("it can be solved"));
    println!("  ours: text to response {:.3} ms; prepared {:.3} ms", whole * 1e3, prepared * 1e3);
    let folder = std::env::temp_dir();
    let cards = text.replace(".end\n", "");
    let decades = (1e9f64 / 9e3).log10();
    let deck =
        format!("{cards}.control\nac dec {:.4} 9k 1g\nrusage all\nquit\n.endc\n.end\n", (POINTS - 1) as f64 / decades);
    match ngspice(&folder, &deck, 15) {
        Some((process, own)) => {
            println!("  ngspice: whole process {:.1} ms; analysis time it reports {:.1} ms", process * 1e3, own * 1e3);
            println!(
                "  ratio: whole ngspice process over text to response {:.0}; its own analysis time over ours from text {:.1}, prepared {:.1}",
                process / whole,
                own / whole,
                own / prepared
            );
        }
        None => println!("  ngspice is not installed: no ratio"),
    }
    if let Some(program) = std::env::var_os("HUSHFIELD_BIN") {
        let t = timed(15, || {
            Command::new(&program)
                .arg("network")
                .arg(&path)
                .args(["--ac", "9k", "1g", "500", "--probe", "out,n13", "--quiet"])
                .stdout(Stdio::null())
                .status()
        });
        println!("  ours, whole process of the command line: {:.1} ms", t * 1e3);
    }

    let study = ToleranceStudy {
        parts: net
            .elements()
            .iter()
            .filter_map(|e| {
                let spread = match e.kind {
                    ElementKind::Capacitor { .. } => Spread::Uniform(0.1),
                    ElementKind::Inductor { .. } => Spread::Uniform(0.2),
                    ElementKind::Resistor { .. } => Spread::Normal(0.02),
                    _ => return None,
                };
                net.find(&e.name).map(|id| (id, spread))
            })
            .collect(),
        samples: 10_000,
        seed: 1,
        percentiles: vec![5.0, 50.0, 95.0],
        threads: None,
    };
    for points in [100, POINTS] {
        let f: Vec<f64> = (0..points).map(|i| 150e3 * (30e6f64 / 150e3).powf(i as f64 / (points - 1) as f64)).collect();
        let t = timed(1, || tolerance_study(&system, &study, probe, &f).expect("it can be solved"));
        println!(
            "  tolerance study, 10 000 samples of {} parts at {points} frequencies (150 kHz to 30 MHz): {t:.2} s on all cores",
            study.parts.len()
        );
    }

    println!("transients, beside ngspice's own analysis time");
    for (name, probe, step, stop, their_step) in [
        ("bridge_with_source_impedance", "i(ls)", 5e-5, 0.1, 5e-6),
        ("hold_up", "out", 1e-4, 0.08, 5e-6),
        ("inductor_into_clamp", "d", 2e-6, 5e-3, 5e-8),
    ] {
        let text = std::fs::read_to_string(networks.join(format!("{name}.cir"))).expect("it lies in the repository");
        let net = Netlist::parse(&text, name).expect("it is a network");
        let options = TransientOptions::new(step, stop);
        let ours = timed(7, || transient(&net, &options).expect("it can be solved").voltage("0"));
        let deck = format!(
            "{}.control\noption reltol=1e-4\ntran {step} {stop} 0 {their_step}\nrusage all\nquit\n.endc\n.end\n",
            text.replace(".end\n", "")
        );
        let theirs = ngspice(&folder, &deck, 3).map_or("–".to_owned(), |t| format!("{:.1} ms", t.1 * 1e3));
        println!("  {name} {probe}: ours {:.1} ms, ngspice {theirs}", ours * 1e3);
    }
}
