//! `hushfield locate`: what readings by hand say of the source.

use std::path::{Path, PathBuf};

use cause::cable_field::{against_limit, current_at_limit_dbua, field_of_cable};
use cause::functions::which_follow;
use cause::mode::{bounds, with_clamp};
use cause::probe::{NearSource, ProbeKind, fit_decay};
use cause::resonance::{Resonator, cable_resonances, enclosure_resonances, slot_resonance};
use cause::trapezoid::{EdgeAdvice, edge_needed, fit_ringing, parasitics, ringing_inductance_h};
use clap::{Subcommand, ValueEnum};
use serde_json::{Value, json};
use workbench::why_tables::{CURRENT_FREQUENCIES_HZ, currents_of_product};

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Probe {
    /// A shielded loop
    Magnetic,
    /// A stub or ball
    Electric,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Locate {
    /// Readings of a hand-held probe at several distances: loop, node, pair, wire or wave
    Probe {
        /// CSV with distance_m,level_db
        readings: PathBuf,
        /// Which field the probe takes
        #[arg(long)]
        probe: Probe,
        /// Frequency, Hz
        #[arg(long)]
        at: f64,
        /// Standard deviation of one reading, dB
        #[arg(long, default_value_t = 1.0)]
        noise: f64,
        /// Largest distance between the probe's mark and the source, m
        #[arg(long, default_value_t = 0.02)]
        offset: f64,
    },
    /// Clamp reading on a cable to the field it makes, as a band
    Cable {
        /// Total current, dBµA (for a long cable the largest along half a wavelength)
        #[arg(long, allow_negative_numbers = true)]
        current: f64,
        /// Frequency, Hz
        #[arg(long)]
        at: f64,
        /// Length of the cable, m
        #[arg(long)]
        length: f64,
        /// Distance of the antenna, m
        #[arg(long, default_value_t = 3.0)]
        distance: f64,
        /// Limit there, dBµV/m
        #[arg(long, allow_negative_numbers = true)]
        limit: Option<f64>,
    },
    /// Common or differential mode from the readings on line and neutral
    Modes {
        /// Reading on the line, dBµV
        #[arg(long, allow_negative_numbers = true)]
        line: f64,
        /// Reading on the neutral, dBµV
        #[arg(long, allow_negative_numbers = true)]
        neutral: f64,
        /// Clamp round both conductors, dBµA: settles it
        #[arg(long, allow_negative_numbers = true)]
        clamp: Option<f64>,
    },
    /// Where a cable, a box or a slot resonates
    Resonances {
        /// Length of a cable, m
        #[arg(long)]
        cable: Option<f64>,
        /// Sides of a conducting box, m, e.g. 0.3,0.2,0.1
        #[arg(long, value_delimiter = ',')]
        enclosure: Option<Vec<f64>>,
        /// Length of a slot, m
        #[arg(long)]
        slot: Option<f64>,
        /// Up to this frequency, Hz
        #[arg(long, default_value_t = 1e9)]
        to: f64,
    },
    /// The edge time that lowers a multiple by so much
    Edge {
        /// Present edge time from 0 to 100 %, s
        #[arg(long)]
        edge: f64,
        /// Frequency of the multiple, Hz
        #[arg(long)]
        at: f64,
        /// Switching frequency, Hz
        #[arg(long)]
        fundamental: f64,
        /// By how much it must fall, dB
        #[arg(long)]
        by: f64,
    },
    /// A hump of a trace: ringing frequency, quality, and the parasitic that rings
    Ringing {
        /// CSV with frequency_hz,level_db…
        trace: PathBuf,
        /// Lower end of the hump's surroundings, Hz
        #[arg(long)]
        from: f64,
        /// Upper end, Hz
        #[arg(long)]
        to: f64,
        /// Capacitance of the node, F, where it is known
        #[arg(long)]
        capacitance: Option<f64>,
        /// Ringing frequency with an added capacitor, Hz
        #[arg(long, requires = "added")]
        with_capacitor: Option<f64>,
        /// The added capacitor, F
        #[arg(long, requires = "with_capacitor")]
        added: Option<f64>,
    },
    /// Which currents on the product's cables are too much for which field limit
    Currents {
        /// The project's folder
        dir: PathBuf,
        /// A field limit by its id; may be given several times [default: those of the project's runs, or class B at 3 m]
        #[arg(long)]
        limit: Vec<String>,
    },
    /// Which peaks follow which function: levels with functions on (1) and off (0)
    Functions {
        /// CSV: a column a function (0 or 1), then a column a frequency (its heading in Hz); a row a measurement
        table: PathBuf,
        /// Share of wrong findings allowed
        #[arg(long, default_value_t = 0.05)]
        false_discovery: f64,
    },
}

/// A text table of numbers: headings, and rows with their lines.
fn table(path: &Path) -> Result<(Vec<String>, Vec<(usize, Vec<f64>)>), Failure> {
    let name = path.display();
    let text = std::fs::read_to_string(path).map_err(|e| Failure::input(format!("{name}: {e}")))?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let mut lines =
        text.lines().enumerate().map(|(i, l)| (i + 1, l.trim())).filter(|(_, l)| !l.is_empty() && !l.starts_with('#'));
    let cells = |l: &str| l.split([',', ';', '\t']).map(|c| c.trim().to_owned()).collect::<Vec<_>>();
    let Some((_, heading)) = lines.next() else {
        return Err(Failure::input(format!("{name}: empty; expected a heading and rows of numbers")));
    };
    let heads = cells(heading);
    let mut rows = Vec::new();
    for (line, text) in lines {
        let row = cells(text);
        if row.len() != heads.len() {
            let (found, expected) = (row.len(), heads.len());
            return Err(Failure::input(format!(
                "{name}:{line}: {found} cells; expected {expected}, as in the heading"
            )));
        }
        let numbers: Result<Vec<f64>, Failure> = row
            .iter()
            .zip(&heads)
            .map(|(cell, head)| {
                let number = cell.parse::<f64>().ok().filter(|v| v.is_finite());
                number
                    .ok_or_else(|| Failure::input(format!("{name}:{line}: {head}: found `{cell}`; expected a number")))
            })
            .collect();
        rows.push((line, numbers?));
    }
    Ok((heads, rows))
}

fn column(path: &Path, heads: &[String], rows: &[(usize, Vec<f64>)], starts: &str) -> Result<Vec<f64>, Failure> {
    let at = heads.iter().position(|h| h.starts_with(starts)).ok_or_else(|| {
        Failure::input(format!("{}: no column `{starts}`; found {}", path.display(), heads.join(", ")))
    })?;
    Ok(rows.iter().map(|(_, r)| r[at]).collect())
}

fn above_zero(what: &str, values: &[f64]) -> Result<(), Failure> {
    match values.iter().find(|v| !(v.is_finite() && **v > 0.0)) {
        Some(v) => Err(Failure::input(format!("{what} {v}: expected a number above 0"))),
        None => Ok(()),
    }
}

fn show_it(show: Show, value: Value, words: &str) -> Result<Outcome, Failure> {
    if show.json {
        print::json(&value)?;
    } else {
        print::text(words)?;
    }
    Ok(Outcome::Done)
}

fn near_source(s: NearSource) -> &'static str {
    match s {
        NearSource::Loop => "a small loop (switching loop, transformer, choke)",
        NearSource::Node => "a node of changing voltage (heat sink, stub)",
        NearSource::Pair => "a pair of conductors with current and return",
        NearSource::Wire => "a long wire with common-mode current (a cable)",
        NearSource::Wave => "radiation, or a large plate or slot",
    }
}

const PROBE_CAUTION: &str =
    "Caution: keep insulated probes and hands away from live mains parts; work under supervision.\n";

pub(crate) fn locate(show: Show, a: &Locate) -> Result<Outcome, Failure> {
    match a {
        Locate::Probe { readings, probe, at, noise, offset } => {
            above_zero("--at, --noise", &[*at, *noise])?;
            let (heads, rows) = table(readings)?;
            let distance = column(readings, &heads, &rows, "distance_m")?;
            let level = column(readings, &heads, &rows, "level_db")?;
            let kind = if *probe == Probe::Magnetic { ProbeKind::Magnetic } else { ProbeKind::Electric };
            let d = fit_decay(kind, *at, &distance, &level, *noise, offset.max(0.0))
                .map_err(|e| Failure::input(format!("{}: {e}", readings.display())))?;
            let mut words = format!(
                "The level falls with distance to the power {:.2} ({:.2} to {:.2}), from {:.1} cm behind the probe's mark.\n",
                d.exponent,
                d.exponent_range.0,
                d.exponent_range.1,
                100.0 * d.offset_m
            );
            for (s, p) in d.sources.iter().filter(|s| s.1 > 0.02) {
                words.push_str(&format!("· {}: {:.0} %\n", near_source(*s), 100.0 * p));
            }
            words.push_str(&format!("Near field ends about {:.2} m from the source (λ/2π).\n", d.transition_m));
            words.push_str(PROBE_CAUTION);
            show_it(show, json!(d), &words)
        }
        Locate::Cable { current, at, length, distance, limit } => {
            above_zero("--at, --length, --distance", &[*at, *length, *distance])?;
            let band = field_of_cable(*current, *at, *length, *distance);
            let judged = limit.map(|l| (against_limit(&band, l), current_at_limit_dbua(l, *at, *length, *distance)));
            let mut words = format!(
                "Between {} and {} dBµV/m at {distance} m, about {} ({} cable formula{}).\n",
                db(band.from_dbuv_per_m),
                db(band.to_dbuv_per_m),
                db(band.estimate_dbuv_per_m),
                if band.regime == cause::cable_field::Regime::Short { "short" } else { "long" },
                if band.near_field { "; nearer than λ/2π, so only roughly" } else { "" }
            );
            if let Some((judgement, current)) = judged {
                words.push_str(match judgement {
                    cause::cable_field::CableJudgement::Enough => "Even the upper end lies below the limit.\n",
                    cause::cable_field::CableJudgement::Doubtful => "The limit lies in this band: measure the field.\n",
                    cause::cable_field::CableJudgement::TooMuch => "Even the lower end lies above the limit.\n",
                });
                words.push_str(&format!("The estimate meets the limit at {} dBµA.\n", db(current)));
            }
            let value = json!({ "field": band, "judgement": judged.map(|j| j.0), "current_at_limit_dbua": judged.map(|j| j.1) });
            show_it(show, value, &words)
        }
        Locate::Modes { line, neutral, clamp } => {
            let b = bounds(*line, *neutral);
            let settled = match clamp {
                Some(c) => Some(with_clamp(*line, *neutral, *c).ok_or_else(|| {
                    Failure::input(format!("--clamp {c}: a common mode of {} dBµV; expected one between {} and {} dBµV with these two readings",
                        db(c + 20.0 * 25f64.log10()), db(b.least_dbuv), db(b.most_dbuv)))
                })?),
                None => None,
            };
            let words = match settled {
                Some(m) => format!(
                    "Common mode {} dBµV ({} dBµA in the earth), differential mode {} dBµV ({} dBµA in the loop).\n",
                    db(m.common_dbuv),
                    db(m.common_dbua),
                    db(m.differential_dbuv),
                    db(m.differential_dbua)
                ),
                None => format!(
                    "Each mode lies between {} and {} dBµV, the larger is at least {} dBµV. Which is which these two readings \
                     cannot tell: a clamp round both conductors can.\n",
                    db(b.least_dbuv),
                    db(b.most_dbuv),
                    db(b.larger_at_least_dbuv)
                ),
            };
            let bounds = json!({
                "least_dbuv": b.least_dbuv.is_finite().then_some(b.least_dbuv),
                "most_dbuv": b.most_dbuv, "larger_at_least_dbuv": b.larger_at_least_dbuv,
            });
            show_it(show, json!({ "bounds": bounds, "modes": settled }), &words)
        }
        Locate::Resonances { cable, enclosure, slot, to } => {
            let mut all = Vec::new();
            if let Some(length) = cable {
                above_zero("--cable", &[*length])?;
                all.extend(cable_resonances("cable", *length, *to));
            }
            if let Some(sides) = enclosure {
                above_zero("--enclosure", sides)?;
                let &[a, b, c] = sides.as_slice() else {
                    return Err(Failure::input(format!(
                        "--enclosure: {} sides; expected 3, e.g. 0.3,0.2,0.1",
                        sides.len()
                    )));
                };
                all.extend(enclosure_resonances([a, b, c], *to));
            }
            if let Some(length) = slot {
                above_zero("--slot", &[*length])?;
                all.push(slot_resonance(*length));
            }
            if cable.is_none() && enclosure.is_none() && slot.is_none() {
                return Err(Failure::input("expected --cable, --enclosure or --slot"));
            }
            let mut rows = Vec::new();
            for r in &all {
                let what = match &r.resonator {
                    Resonator::Cable { quarter_waves, .. } => format!("cable, {quarter_waves}/4 wave"),
                    Resonator::Enclosure { mode } => format!("box, mode {}{}{}", mode[0], mode[1], mode[2]),
                    Resonator::Slot { .. } => "slot, half a wave".to_owned(),
                };
                rows.push(vec![what, hz(r.frequency_hz), format!("{} to {}", hz(r.from_hz), hz(r.to_hz))]);
            }
            show_it(show, json!({ "resonances": all }), &print::table(&["what", "near", "can lie"], rows, &[1]))
        }
        Locate::Edge { edge, at, fundamental, by } => {
            above_zero("--edge, --at, --fundamental", &[*edge, *at, *fundamental])?;
            let advice = edge_needed(*edge, *at, *fundamental, *by);
            let words = match advice {
                EdgeAdvice::Enough => "Nothing needs to change.\n".to_owned(),
                EdgeAdvice::Slower { edge_s, share_of_period } => format!(
                    "Edges of {:.1} ns lower the envelope there by {by} dB; one edge then takes {:.1} % of the period.\n",
                    1e9 * edge_s,
                    100.0 * share_of_period
                ),
                EdgeAdvice::TooSlow { edge_s, share_of_period } => format!(
                    "It would take edges of {:.0} ns, {:.0} % of the period: another remedy is needed.\n",
                    1e9 * edge_s,
                    100.0 * share_of_period
                ),
            };
            show_it(show, json!(advice), &words)
        }
        Locate::Ringing { trace, from, to, capacitance, with_capacitor, added } => {
            let (heads, rows) = table(trace)?;
            let frequency = column(trace, &heads, &rows, "frequency_hz")?;
            let at = heads.iter().position(|h| !h.starts_with("frequency_hz")).ok_or_else(|| {
                Failure::input(format!("{}: expected a column of levels beside frequency_hz", trace.display()))
            })?;
            let level: Vec<f64> = rows.iter().map(|(_, r)| r[at]).collect();
            let r = fit_ringing(&frequency, &level, *from, *to)
                .map_err(|e| Failure::input(format!("{}: {e}", trace.display())))?;
            let mut words = format!(
                "It rings at {} with Q {:.1} (falls to 1/e in {:.0} ns); the hump is {:.1} dB high.\n",
                hz(r.frequency_hz),
                r.quality,
                1e9 * r.decay_s,
                r.height_db
            );
            let mut loop_of = None;
            if let Some(c) = capacitance {
                above_zero("--capacitance", &[*c])?;
                loop_of = Some((ringing_inductance_h(r.frequency_hz, *c), *c));
            } else if let (Some(f2), Some(ca)) = (with_capacitor, added) {
                above_zero("--with-capacitor, --added", &[*f2, *ca])?;
                loop_of = Some(parasitics(r.frequency_hz, *f2, *ca).ok_or_else(|| {
                    Failure::input(format!("--with-capacitor {f2}: expected less than {}", hz(r.frequency_hz)))
                })?);
            }
            if let Some((l, c)) = loop_of {
                words.push_str(&format!("What rings: {:.1} nH with {:.0} pF.\n", 1e9 * l, 1e12 * c));
            }
            let value = json!({
                "ringing": r, "inductance_h": loop_of.map(|l| l.0), "capacitance_f": loop_of.map(|l| l.1),
            });
            show_it(show, value, &words)
        }
        Locate::Currents { dir, limit } => currents(show, dir, limit),
        Locate::Functions { table: path, false_discovery } => functions(show, path, *false_discovery),
    }
}

fn currents(show: Show, dir: &Path, limits: &[String]) -> Result<Outcome, Failure> {
    let all = currents_of_product(dir, limits, &CURRENT_FREQUENCIES_HZ)?;
    let rows = all
        .iter()
        .map(|r| {
            vec![
                format!("{} ({} m)", r.cable, r.length_m),
                format!("{} at {} m", r.limit, r.distance_m),
                hz(r.frequency_hz),
                db(r.limit_dbuv_per_m),
                db(r.enough_to_dbua),
                db(r.meets_dbua),
                db(r.too_much_from_dbua),
            ]
        })
        .collect();
    let mut words = print::table(
        &["cable", "limit", "at", "dBµV/m", "safe up to, dBµA", "meets it at, dBµA", "too much from, dBµA"],
        rows,
        &[2, 3, 4, 5, 6],
    );
    words.push_str(
        "Total current in the clamp, for a long cable the largest along half a wavelength. Between \"safe\" and \"too much\" only \
         the field itself decides (1.257e-6·f·L·I/r or 120·I·F/r over a floor, band of 12 dB down and 6 dB up).\n",
    );
    show_it(show, json!({ "currents": all }), &words)
}

fn functions(show: Show, path: &Path, false_discovery: f64) -> Result<Outcome, Failure> {
    let (heads, rows) = table(path)?;
    let frequencies: Vec<(usize, f64)> =
        heads.iter().enumerate().filter_map(|(i, h)| h.parse::<f64>().ok().map(|f| (i, f))).collect();
    let names: Vec<(usize, &String)> = heads.iter().enumerate().filter(|(_, h)| h.parse::<f64>().is_err()).collect();
    if frequencies.is_empty() || names.is_empty() {
        return Err(Failure::input(format!(
            "{}: expected columns of functions (0 or 1) and columns headed by a frequency in Hz",
            path.display()
        )));
    }
    let mut on = Vec::new();
    for (line, row) in &rows {
        let states: Result<Vec<bool>, Failure> = names
            .iter()
            .map(|(i, name)| match row[*i] {
                0.0 => Ok(false),
                1.0 => Ok(true),
                other => {
                    Err(Failure::input(format!("{}:{line}: {name}: found {other}; expected 0 or 1", path.display())))
                }
            })
            .collect();
        on.push(states?);
    }
    let level: Vec<Vec<f64>> = rows.iter().map(|(_, r)| frequencies.iter().map(|(i, _)| r[*i]).collect()).collect();
    let found =
        which_follow(&on, &level, false_discovery).map_err(|e| Failure::input(format!("{}: {e}", path.display())))?;
    let list: Vec<Value> = found
        .iter()
        .map(|f| {
            json!({
                "frequency_hz": frequencies[f.frequency].1, "function": names[f.function].1,
                "effect_db": f.effect_db, "error_db": f.error_db, "p": f.p,
            })
        })
        .collect();
    let mut words = String::new();
    for f in &found {
        words.push_str(&format!(
            "{} follows “{}”: {:+.1} dB with it on (± {:.1} dB, p {:.1e}).\n",
            hz(frequencies[f.frequency].1),
            names[f.function].1,
            f.effect_db,
            f.error_db,
            f.p
        ));
    }
    if found.is_empty() {
        words.push_str("No peak follows a function by more than chance.\n");
    }
    show_it(show, json!({ "follows": list }), &words)
}
