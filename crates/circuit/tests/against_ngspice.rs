//! The same networks by this room and by ngspice (a general circuit simulator that Debian packages): its answers are
//! kept in `expected/`, and where the program is at hand it is run again. `UPDATE=1` writes the kept answers anew.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use circuit::{Netlist, Probe, TransientOptions, ac, transient};

/// Network, our probe, ngspice's expression.
const AC: [(&str, &str, &str); 17] = [
    ("artificial_network", "rxl", "v(rxl)"),
    ("lc_filter_in_artificial_network", "rxl", "v(rxl)"),
    ("lc_filter_in_artificial_network_subcircuits", "rxl", "v(rxl)"),
    ("common_mode_choke", "ln", "v(ln)"),
    ("twenty_node_filter", "out,n13", "v(out)-v(n13)"),
    ("mismatched_line", "b", "v(b)"),
    ("mismatched_line", "i(v1)", "i(v1)"),
    ("active_low_pass", "out", "v(out)"),
    ("current_sensing", "hh", "v(hh)"),
    ("flyback_transformer", "x1", "v(x1)"),
    ("twin_t_notch", "out", "v(out)"),
    ("coupled_parasitics", "b", "v(b)"),
    ("nested_parameters", "4", "v(4)"),
    ("dc_artificial_network", "eut", "v(eut)"),
    ("biased_diode", "b", "v(b)"),
    ("converter_input", "in", "v(in)"),
    ("cable_on_table", "h", "v(h)"),
];

struct Transient {
    /// Ours.
    network: &'static str,
    /// The file ngspice reads: the same, or the same with a card it does not know written as an expression.
    theirs: &'static str,
    probe: &'static str,
    expression: &'static str,
    /// The element whose energy is compared, and its power for ngspice.
    element: &'static str,
    power: &'static str,
    step_s: f64,
    stop_s: f64,
    /// ngspice's longest step, s.
    their_step_s: f64,
    initial_conditions: bool,
}

const fn same(
    network: &'static str,
    probe: &'static str,
    expression: &'static str,
    element: &'static str,
    power: &'static str,
    [step_s, stop_s, their_step_s]: [f64; 3],
) -> Transient {
    Transient {
        network,
        theirs: network,
        probe,
        expression,
        element,
        power,
        step_s,
        stop_s,
        their_step_s,
        initial_conditions: false,
    }
}

const TRANSIENT: [Transient; 7] = [
    same("rlc_ring", "b", "v(b)", "r1", "(v(in)-v(a))^2/10", [1e-7, 60e-6, 5e-9]),
    same("half_wave_rectifier", "out", "v(out)", "rl", "v(out)^2/100", [1e-4, 0.1, 5e-6]),
    same("full_wave_rectifier", "out", "v(out)", "r1", "(v(a)-v(a1))^2/0.3", [1e-4, 0.1, 5e-6]),
    same("bridge_with_source_impedance", "i(ls)", "i(ls)", "rs", "(v(l)-v(s1))^2/0.4", [5e-5, 0.1, 1e-5]),
    Transient {
        network: "surge_into_varistor",
        theirs: "surge_into_varistor_by_expression",
        probe: "out",
        expression: "v(out)",
        element: "y1",
        power: "v(out)*(abs(v(out))/550)^(1/0.055)",
        step_s: 1e-7,
        stop_s: 100e-6,
        their_step_s: 5e-9,
        initial_conditions: true,
    },
    same("hold_up", "out", "v(out)", "b1", "v(out)*60*v(out)/max(v(out)*v(out),3600)", [1e-4, 80e-3, 5e-6]),
    same("inductor_into_clamp", "d", "v(d)", "dz", "v(dz)*i(vs)", [2e-6, 5e-3, 1e-7]),
];

fn folder() -> PathBuf {
    // As it is now: a target folder may hold a build from another place.
    let own = std::env::var("CARGO_MANIFEST_DIR").unwrap_or_else(|_| env!("CARGO_MANIFEST_DIR").to_owned());
    Path::new(&own).join("tests")
}

fn text(network: &str) -> String {
    let path = folder().join(format!("networks/{network}.cir"));
    fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn read(network: &str) -> Netlist {
    Netlist::parse(&text(network), network).unwrap_or_else(|e| panic!("{e}"))
}

fn has_ngspice() -> bool {
    let found = Command::new("ngspice").arg("--version").output().is_ok_and(|o| o.status.success());
    if !found {
        assert!(
            std::env::var_os("CI").is_none(),
            "ngspice is not installed, and this is a run that must not leave it out"
        );
        println!("skipped: ngspice is not installed; the kept answers were compared");
    }
    found
}

/// Runs ngspice on a network with commands; gives the rows of the files it wrote.
fn ngspice(network: &str, commands: &str, outputs: &[&str]) -> Vec<Vec<Vec<f64>>> {
    let dir = std::env::temp_dir().join(format!("circuit-ngspice-{}-{network}-{}", std::process::id(), outputs.len()));
    fs::create_dir_all(&dir).unwrap();
    let cards: String = text(network)
        .lines()
        .filter(|l| !l.trim().eq_ignore_ascii_case(".end"))
        .fold(String::new(), |s, l| s + l + "\n");
    let deck = format!("{cards}.control\nset numdgt=12\nset wr_singlescale\n{commands}\nquit\n.endc\n.end\n");
    fs::write(dir.join("deck.cir"), deck).unwrap();
    let run = Command::new("ngspice").args(["-b", "deck.cir"]).current_dir(&dir).output().unwrap();
    let rows = outputs
        .iter()
        .map(|name| {
            let written = fs::read_to_string(dir.join(name)).unwrap_or_else(|e| {
                panic!(
                    "{network}: {e}\n{}{}",
                    String::from_utf8_lossy(&run.stdout),
                    String::from_utf8_lossy(&run.stderr)
                )
            });
            written.lines().map(|l| l.split_whitespace().map(|w| w.parse().unwrap()).collect()).collect()
        })
        .collect();
    fs::remove_dir_all(&dir).unwrap();
    rows
}

fn update() -> bool {
    std::env::var_os("UPDATE").is_some()
}

fn kept(name: &str) -> (Vec<Vec<f64>>, Option<f64>) {
    let path = folder().join(format!("expected/{name}.csv"));
    let content = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let energy = content.lines().find_map(|l| l.strip_prefix("# energy_j ")).map(|e| e.trim().parse().unwrap());
    let rows = content
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()))
        .map(|l| l.split(',').map(|c| c.parse().unwrap()).collect())
        .collect();
    (rows, energy)
}

fn file_name(network: &str, probe: &str) -> String {
    let probe: String = probe.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '_' }).collect();
    format!("{network}.{}", probe.trim_matches('_'))
}

/// Largest differences in dB and degrees; rows are frequency, dB, degrees.
fn compare_ac(network: &str, probe: &str, rows: &[Vec<f64>]) -> (f64, f64) {
    let net = read(network);
    let frequency_hz: Vec<f64> = rows.iter().map(|r| r[0]).collect();
    let ours = ac(&net, &frequency_hz).unwrap().probe(Probe::parse(&net, probe).unwrap());
    let (mut db, mut deg) = (0.0f64, 0.0f64);
    for (row, v) in rows.iter().zip(&ours) {
        let d = (20.0 * v.norm().log10() - row[1]).abs();
        let mut p = (v.arg().to_degrees() - row[2]).abs();
        if p > 180.0 {
            p = 360.0 - p;
        }
        assert!(d < 0.05, "{network} {probe} at {} Hz: {d} dB apart", row[0]);
        assert!(p < 0.5, "{network} {probe} at {} Hz: {p} degrees apart", row[0]);
        (db, deg) = (db.max(d), deg.max(p));
    }
    (db, deg)
}

#[test]
fn ac_agrees_within_a_twentieth_of_a_decibel_and_half_a_degree() {
    let run = has_ngspice();
    for (network, probe, expression) in AC {
        let name = file_name(network, probe);
        let live = run.then(|| {
            let commands = format!("ac dec 20 9k 1g\nlet y={expression}\nwrdata y.txt y");
            ngspice(network, &commands, &["y.txt"])[0]
                .iter()
                .map(|r| {
                    let (re, im) = (r[1], r[2]);
                    vec![r[0], 20.0 * re.hypot(im).log10(), im.atan2(re).to_degrees()]
                })
                .collect::<Vec<_>>()
        });
        if let (Some(rows), true) = (&live, update()) {
            let mut out = format!(
                "# {expression} of {network}.cir by ngspice 39 (`ac dec 20 9k 1g`), dB relative to 1 V or 1 A\nfrequency_hz,magnitude_db,phase_deg\n"
            );
            for r in rows {
                writeln!(out, "{:.6},{:.7},{:.6}", r[0], r[1], r[2]).unwrap();
            }
            fs::write(folder().join(format!("expected/{name}.csv")), out).unwrap();
        }
        let (rows, _) = kept(&name);
        assert!(rows.len() > 100 && rows[rows.len() - 1][0] > 0.98e9, "{name}: {} rows", rows.len());
        let (db, deg) = compare_ac(network, probe, &rows);
        print!("{network} {probe}: {db:.1e} dB, {deg:.1e} degrees from the kept answers");
        match live {
            Some(rows) => {
                let (db, deg) = compare_ac(network, probe, &rows);
                println!("; {db:.1e} dB, {deg:.1e} degrees from ngspice as run now");
            }
            None => println!(),
        }
    }
}

/// Values of a curve at even times, straight lines between its points.
fn on_grid(rows: &[Vec<f64>], step_s: f64, stop_s: f64) -> Vec<Vec<f64>> {
    let count = (stop_s / step_s).round() as usize;
    assert!(rows[rows.len() - 1][0] > 0.999 * stop_s, "ngspice ended at {} s", rows[rows.len() - 1][0]);
    let mut at = 0;
    (0..=count)
        .map(|i| {
            let t = i as f64 * step_s;
            while at + 2 < rows.len() && rows[at + 1][0] < t {
                at += 1;
            }
            let (a, b) = (&rows[at], &rows[at + 1]);
            let along = ((t - a[0]) / (b[0] - a[0])).clamp(0.0, 1.0);
            vec![t, a[1] + along * (b[1] - a[1])]
        })
        .collect()
}

fn integral(rows: &[Vec<f64>]) -> f64 {
    rows.windows(2).map(|w| 0.5 * (w[0][1] + w[1][1]) * (w[1][0] - w[0][0])).sum()
}

#[test]
fn transients_agree_within_a_hundredth_of_peak_and_energy() {
    let run = has_ngspice();
    for c in &TRANSIENT {
        let name = file_name(c.network, c.probe);
        let live = run.then(|| {
            let uic = if c.initial_conditions { "uic" } else { "" };
            let commands = format!(
                "option reltol=1e-4\ntran {} {} 0 {} {uic}\nlet y={}\nlet p={}\nwrdata y.txt y\nwrdata p.txt p",
                c.step_s, c.stop_s, c.their_step_s, c.expression, c.power
            );
            let mut files = ngspice(c.theirs, &commands, &["y.txt", "p.txt"]);
            let energy = integral(&files[1]);
            (on_grid(&files.swap_remove(0), c.step_s, c.stop_s), energy)
        });
        if let (Some((rows, energy)), true) = (&live, update()) {
            let mut out = format!(
                "# {} of {}.cir by ngspice 39, steps of at most {} s, reltol 1e-4; energy into {}\n# energy_j {energy:.9e}\ntime_s,value\n",
                c.expression, c.theirs, c.their_step_s, c.element
            );
            for r in rows {
                writeln!(out, "{:.6e},{:.7e}", r[0], r[1]).unwrap();
            }
            fs::write(folder().join(format!("expected/{name}.csv")), out).unwrap();
        }
        let net = read(c.network);
        let mut options = TransientOptions::new(c.step_s, c.stop_s);
        options.use_initial_conditions = c.initial_conditions;
        let ours = transient(&net, &options).unwrap();
        let values = ours.probe(Probe::parse(&net, c.probe).unwrap());
        let energy = ours.energy(c.element).unwrap().absorbed_j;
        let compare = |rows: &[Vec<f64>], theirs: f64, whose: &str| {
            assert_eq!(rows.len(), values.len(), "{name}");
            let peak = rows.iter().map(|r| r[1].abs()).fold(0.0, f64::max);
            let own_peak = values.iter().map(|v| v.abs()).fold(0.0, f64::max);
            let (worst, at) = rows
                .iter()
                .zip(&values)
                .map(|(r, v)| ((r[1] - v).abs() / peak, r[0]))
                .fold((0.0, 0.0), |a, b| if b.0 > a.0 { b } else { a });
            let apart = (energy / theirs - 1.0).abs();
            println!(
                "{} {} {whose}: peak {:+.1e}, curve {worst:.1e} of peak, energy of {} {apart:.1e}; own balance {:.1e}",
                c.network,
                c.probe,
                own_peak / peak - 1.0,
                c.element,
                ours.summary.balance.relative_residual
            );
            assert!((own_peak / peak - 1.0).abs() < 0.01, "{name}: peak {own_peak} against {peak}");
            assert!(worst < 0.01, "{name} {whose}: {worst} of the peak apart at {at} s");
            assert!(apart < 0.01, "{name} {whose}: energy {energy} against {theirs}");
        };
        let (rows, theirs) = kept(&name);
        compare(&rows, theirs.expect("the energy is kept"), "kept");
        if let Some((rows, theirs)) = &live {
            compare(rows, *theirs, "as run now");
        }
        assert!(ours.summary.balance.relative_residual < 2e-3, "{name}: {:?}", ours.summary.balance);
    }
}
