//! Ferrites on cables, screens and bonds, protectors at ports: computed without a project.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use num_complex::Complex64;
use remedy::RemedyError;
use remedy::geometry::{CurrentDepth, bond_resonance_hz, strap_inductance_h, wire_inductance_h};
use remedy::library::Library;
use remedy::parts::{Model, Part, engineering};
use remedy::protect::{Protection, Pulse, let_through};
use remedy::screen::{CableScreen, Incoming, Sheet, cavity_resonances_hz, fastener_pitch_m, slot_attenuation_db};
use serde_json::json;
use workbench::add_parts;

use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, hz};

fn refused(e: RemedyError) -> Failure {
    Failure::input(e.to_string())
}

fn library(files: &[PathBuf]) -> Result<Library, Failure> {
    let mut library = Library::built_in().clone();
    for file in files {
        add_parts(&mut library, file)?;
    }
    Ok(library)
}

fn part<'a>(library: &'a Library, id: &str) -> Result<&'a Part, Failure> {
    library.get(id).ok_or_else(|| {
        Failure::input(format!("part `{id}`: not in the library; expected an id that `hushfield parts` lists"))
    })
}

#[derive(Debug, Args)]
pub(crate) struct Ferrite {
    /// The core, by its id (`hushfield parts ferrite` finds them)
    pub(crate) part: String,
    /// Times the cable passes through
    #[arg(long)]
    pub(crate) turns: Option<u32>,
    /// Net direct or mains current through the core, A (0 where go and return both pass)
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) bias: f64,
    /// Common-mode impedance of the cable, ohm: a range, at a current maximum and off resonance
    #[arg(long, value_delimiter = ',', default_values_t = [36.0, 150.0, 300.0])]
    pub(crate) cable: Vec<f64>,
    /// Frequencies, Hz
    #[arg(long, value_delimiter = ',', default_values_t = [1e6, 3e6, 10e6, 30e6, 100e6, 300e6])]
    pub(crate) at: Vec<f64>,
    /// Parts of your own: TOML, or Touchstone (repeat it)
    #[arg(long)]
    pub(crate) parts: Vec<PathBuf>,
}

/// A ferrite on a cable: impedance, effect over the range of the cable's impedance, and where turns begin to hurt.
pub(crate) fn ferrite(show: Show, a: &Ferrite) -> Result<Outcome, Failure> {
    let library = library(&a.parts)?;
    let found = part(&library, &a.part)?;
    for (flag, list) in [("--cable", &a.cable), ("--at", &a.at)] {
        if let Some(v) = list.iter().find(|v| !(v.is_finite() && **v > 0.0)) {
            return Err(Failure::input(format!("{flag} {v}: expected numbers above zero")));
        }
    }
    if !(a.bias.is_finite() && a.bias >= 0.0) {
        return Err(Failure::input(format!("--bias {}: expected zero or more, A", a.bias)));
    }
    let mut core = match &found.model {
        Model::Ferrite(f) => Some(f.clone()),
        Model::Measured(_) => None,
        _ => return Err(Failure::input(format!("part `{}`: expected a ferrite or a measured part", found.id))),
    };
    if let (Some(core), Some(turns)) = (&mut core, a.turns) {
        core.turns = turns;
        core.check(&found.id).map_err(refused)?;
    }
    let z = |f: f64| core.as_ref().map_or_else(|| found.impedance_ohm(f), |c| c.impedance_ohm(f, a.bias));
    let effect = |f: f64, cable: f64| {
        let cable = Complex64::new(cable, 0.0);
        20.0 * ((cable + z(f)) / cable).norm().log10()
    };
    let hurts = core.as_ref().and_then(|c| c.turn_more_hurts_above_hz(Complex64::new(150.0, 0.0), 100e3, 1e9));
    if show.json {
        let rows: Vec<_> = a
            .at
            .iter()
            .map(|&f| {
                json!({
                    "frequency_hz": f, "resistance_ohm": z(f).re, "reactance_ohm": z(f).im,
                    "best_turns": core.as_ref().map(|c| c.best_turns(f, Complex64::new(150.0, 0.0), a.bias, 10)),
                    "effect": a.cable.iter().map(|&c| json!({ "cable_ohm": c, "effect_db": effect(f, c) })).collect::<Vec<_>>(),
                })
            })
            .collect();
        print::json(&json!({
            "part": found.id, "turns": core.as_ref().map(|c| c.turns), "bias_a": a.bias,
            "bias_a_per_m": core.as_ref().map(|c| c.bias_a_per_m(a.bias)), "bias_share": core.as_ref().map(|c| c.bias_share(a.bias)),
            "a_turn_more_hurts_above_hz": hurts, "rows": rows,
        }))?;
        return Ok(Outcome::Done);
    }
    let mut heads = vec!["frequency".to_owned(), "R, Ω".into(), "X, Ω".into()];
    heads.extend(a.cable.iter().map(|c| format!("dB in {c} Ω")));
    heads.push("best turns".into());
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    let rows =
        a.at.iter()
            .map(|&f| {
                let mut row = vec![hz(f), format!("{:.1}", z(f).re), format!("{:.1}", z(f).im)];
                row.extend(a.cable.iter().map(|&c| format!("{:.1}", effect(f, c))));
                row.push(
                    core.as_ref()
                        .map_or("–".into(), |c| c.best_turns(f, Complex64::new(150.0, 0.0), a.bias, 10).to_string()),
                );
                row
            })
            .collect();
    let mut text = format!("{}\n\n{}", found.name, print::table(&heads, rows, &[1, 2, 3, 4, 5, 6]));
    if let Some(c) = core.as_ref().filter(|_| a.bias > 0.0) {
        text.push_str(&format!(
            "{:.0} A/m of bias leave {:.0} % of the impedance.\n",
            c.bias_a_per_m(a.bias),
            100.0 * c.bias_share(a.bias)
        ));
    }
    if let Some(f) = hurts {
        text.push_str(&format!("A turn more hurts above {} (in 150 Ω).\n", hz(f)));
    }
    text.push_str("The cable's impedance decides: low at a current maximum, high at a minimum; put the core where the current is largest.\n");
    print::text(&text)?;
    Ok(Outcome::Done)
}

#[derive(Debug, Subcommand)]
pub(crate) enum Screen {
    /// Attenuation of a sheet of metal
    Sheet {
        /// Thickness, mm
        #[arg(long)]
        thickness: f64,
        /// Conductivity over copper's (aluminium 0.61, steel 0.1)
        #[arg(long, default_value_t = 1.0)]
        conductivity: f64,
        /// Relative permeability
        #[arg(long, default_value_t = 1.0)]
        permeability: f64,
        /// Frequencies, Hz
        #[arg(long, value_delimiter = ',', default_values_t = [10e3, 100e3, 1e6, 10e6, 100e6, 1e9])]
        at: Vec<f64>,
        /// A loop as the source at this distance, m, instead of a plane wave
        #[arg(long)]
        loop_at: Option<f64>,
    },
    /// Slots and seams: what they leave, and the fastener pitch for a wanted attenuation
    Slots {
        /// Longest dimension of a slot, mm
        #[arg(long)]
        length: f64,
        /// How many alike
        #[arg(long, default_value_t = 1)]
        count: u32,
        /// Frequencies, Hz
        #[arg(long, value_delimiter = ',', default_values_t = [30e6, 100e6, 300e6, 1e9])]
        at: Vec<f64>,
        /// Wanted attenuation, dB
        #[arg(long, default_value_t = 20.0)]
        wanted: f64,
    },
    /// Resonances of a closed box
    Box {
        /// Three sides, mm
        #[arg(long, value_delimiter = ',', num_args = 3, required = true)]
        sides: Vec<f64>,
        /// Up to this frequency, Hz
        #[arg(long, default_value_t = 1e9)]
        to: f64,
    },
    /// Cable screen and how it is terminated
    Cable {
        /// Length, m
        #[arg(long, default_value_t = 1.0)]
        length: f64,
        /// Transfer resistance, milliohm for each metre
        #[arg(long, default_value_t = 20.0)]
        transfer: f64,
        /// Transfer inductance, nH for each metre
        #[arg(long, default_value_t = 1.0)]
        transfer_inductance: f64,
        /// Pigtails at both ends together, mm; 0 for all round
        #[arg(long, default_value_t = 50.0)]
        pigtail: f64,
        /// Frequencies, Hz
        #[arg(long, value_delimiter = ',', default_values_t = [1e6, 10e6, 50e6, 100e6])]
        at: Vec<f64>,
    },
    /// Inductance of a bond: wire or strap
    Bond {
        /// Length, mm
        #[arg(long)]
        length: f64,
        /// Diameter of a wire, mm
        #[arg(long, conflicts_with = "width")]
        diameter: Option<f64>,
        /// Width of a strap, mm
        #[arg(long)]
        width: Option<f64>,
        /// Thickness of a strap, mm
        #[arg(long, default_value_t = 1.0)]
        thickness: f64,
        /// Stray capacitance between what it joins, pF
        #[arg(long, default_value_t = 100.0)]
        stray: f64,
    },
}

/// Prints rows as a table, or as JSON objects with the same heads as keys.
fn rows(show: Show, keys: &[&str], heads: &[&str], rows: Vec<Vec<f64>>, note: &str) -> Result<Outcome, Failure> {
    if show.json {
        let list: Vec<_> = rows
            .iter()
            .map(|r| {
                keys.iter()
                    .zip(r)
                    .map(|(k, v)| ((*k).to_owned(), if v.is_finite() { json!(v) } else { json!(null) }))
                    .collect::<serde_json::Map<_, _>>()
            })
            .collect();
        print::json(&json!({ "rows": list, "note": note }))?;
        return Ok(Outcome::Done);
    }
    let cell = |k: &str, v: f64| {
        if k == "frequency_hz" {
            hz(v)
        } else {
            format!("{v:.4}").trim_end_matches('0').trim_end_matches('.').to_owned()
        }
    };
    let text = rows.iter().map(|r| keys.iter().zip(r).map(|(k, v)| cell(k, *v)).collect()).collect();
    let right: Vec<usize> = (1..heads.len()).collect();
    print::text(&format!("{}{note}\n", print::table(heads, text, &right)))?;
    Ok(Outcome::Done)
}

pub(crate) fn screen(show: Show, what: &Screen) -> Result<Outcome, Failure> {
    match what {
        Screen::Sheet { thickness, conductivity, permeability, at, loop_at } => {
            let sheet = Sheet {
                thickness_m: thickness * 1e-3,
                relative_conductivity: *conductivity,
                relative_permeability: *permeability,
            };
            let incoming = loop_at.map_or(Incoming::PlaneWave, Incoming::Loop);
            let list = at
                .iter()
                .map(|&f| sheet.attenuation(f, incoming).map(|s| vec![f, s.absorption_db, s.reflection_db, s.total_db]))
                .collect::<Result<Vec<_>, _>>()
                .map_err(refused)?;
            rows(
                show,
                &["frequency_hz", "absorption_db", "reflection_db", "total_db"],
                &["frequency", "absorption, dB", "reflection, dB", "together (exact), dB"],
                list,
                "No real box reaches this: openings decide (`hushfield screen slots`).",
            )
        }
        Screen::Slots { length, count, at, wanted } => {
            let list = at
                .iter()
                .map(|&f| {
                    Ok(vec![
                        f,
                        slot_attenuation_db(f, length * 1e-3, *count)?,
                        1e3 * fastener_pitch_m(f, *wanted, *count)?,
                    ])
                })
                .collect::<Result<Vec<_>, RemedyError>>()
                .map_err(refused)?;
            rows(
                show,
                &["frequency_hz", "attenuation_db", "pitch_mm"],
                &["frequency", "attenuation, dB", &format!("pitch for {wanted} dB, mm")],
                list,
                "The longest dimension counts, the width hardly. Near a resonance of the box none of this holds.",
            )
        }
        Screen::Box { sides, to } => {
            let list = cavity_resonances_hz(sides[0] * 1e-3, sides[1] * 1e-3, sides[2] * 1e-3, *to).map_err(refused)?;
            let list =
                list.into_iter().map(|(f, [m, n, p])| vec![f, f64::from(m), f64::from(n), f64::from(p)]).collect();
            rows(
                show,
                &["frequency_hz", "m", "n", "p"],
                &["frequency", "m", "n", "p"],
                list,
                "Empty box with perfect walls; boards inside lower the frequencies and damp them.",
            )
        }
        Screen::Cable { length, transfer, transfer_inductance, pigtail, at } => {
            let cable = CableScreen {
                length_m: *length,
                transfer_ohm_per_m: transfer * 1e-3,
                transfer_h_per_m: transfer_inductance * 1e-9,
                pigtail_m: pigtail * 1e-3,
                pigtail_diameter_m: 1e-3,
            };
            let list = at
                .iter()
                .map(|&f| cable.transfer_ohm(f).map(|(s, p)| vec![f, s, p, 20.0 * ((s + p) / s).log10()]))
                .collect::<Result<Vec<_>, _>>()
                .map_err(refused)?;
            rows(
                show,
                &["frequency_hz", "screen_ohm", "pigtail_ohm", "lost_db"],
                &["frequency", "screen, Ω", "pigtails, Ω", "lost by pigtails, dB"],
                list,
                "An all-round termination has no pigtail. For cables short against the wave.",
            )
        }
        Screen::Bond { length, diameter, width, thickness, stray } => {
            let l = match (diameter, width) {
                (Some(d), _) => wire_inductance_h(length * 1e-3, d * 1e-3, CurrentDepth::Surface),
                (None, Some(w)) => strap_inductance_h(length * 1e-3, w * 1e-3, thickness * 1e-3),
                (None, None) => return Err(Failure::input("--diameter of a wire or --width of a strap is needed")),
            }
            .map_err(refused)?;
            if !(stray.is_finite() && *stray > 0.0) {
                return Err(Failure::input(format!("--stray {stray}: expected a number above zero, pF")));
            }
            let list = [1e6, 10e6, 30e6, 100e6].iter().map(|&f: &f64| vec![f, std::f64::consts::TAU * f * l]).collect();
            let note = format!(
                "{}; with {stray} pF it resonates at {}, and there it isolates. Partial inductance: it has meaning with its return.",
                engineering(l, "H"),
                hz(bond_resonance_hz(l, stray * 1e-12))
            );
            rows(show, &["frequency_hz", "reactance_ohm"], &["frequency", "reactance, Ω"], list, &note)
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum PulseFlag {
    /// Surge line to line, 2 ohm
    Surge,
    /// Surge line to earth, 12 ohm
    SurgeEarth,
    /// Surge on a signal line, 42 ohm
    SurgeSignal,
    /// One pulse of a burst
    Burst,
    /// Contact discharge
    Esd,
}

#[derive(Debug, Args)]
pub(crate) struct Protect {
    /// The pulse
    #[arg(long, value_enum)]
    pub(crate) pulse: PulseFlag,
    /// Open-circuit voltage or charge, V
    #[arg(long, allow_negative_numbers = true)]
    pub(crate) level: f64,
    /// Varistor or avalanche clamp across the port, by id; none: bare
    #[arg(long)]
    pub(crate) part: Option<String>,
    /// Resistance before the protector, ohm
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) before: f64,
    /// Inductance before the protector, H
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) before_inductance: f64,
    /// Resistance between protector and circuit, ohm
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) after: f64,
    /// Inductance of the protector's connection to earth, H
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) earth_inductance: f64,
    /// Capacitance of the circuit behind, F
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) load_capacitance: f64,
    /// Resistance of the circuit behind, ohm
    #[arg(long, default_value_t = 1e6, allow_negative_numbers = true)]
    pub(crate) load: f64,
    /// Voltage the circuit behind withstands, V: exit code 1 where more comes through
    #[arg(long)]
    pub(crate) withstands: Option<f64>,
    /// Parts of your own (repeat it)
    #[arg(long)]
    pub(crate) parts: Vec<PathBuf>,
}

const GENERATOR_CAUTION: &str = "Caution: surge, burst and discharge generators carry dangerous voltages and stored charge. Follow the maker's instructions \
and the local code; nobody touches the set-up while it is armed.";

/// What a port lets through.
pub(crate) fn protect(show: Show, a: &Protect) -> Result<Outcome, Failure> {
    let library = library(&a.parts)?;
    let clamp = a.part.as_deref().map(|id| part(&library, id).cloned()).transpose()?;
    let pulse = match a.pulse {
        PulseFlag::Surge => Pulse::SurgeLineToLine,
        PulseFlag::SurgeEarth => Pulse::SurgeLineToEarth,
        PulseFlag::SurgeSignal => Pulse::SurgeSignal,
        PulseFlag::Burst => Pulse::Burst,
        PulseFlag::Esd => Pulse::StaticDischarge,
    };
    let port = Protection {
        clamp,
        before_ohm: a.before,
        before_h: a.before_inductance,
        after_ohm: a.after,
        earth_h: a.earth_inductance,
        load_f: a.load_capacitance,
        load_ohm: a.load,
    };
    let r = let_through(pulse, a.level, &port).map_err(refused)?;
    let holds = a.withstands.is_none_or(|v| r.peak_v <= v);
    if show.json {
        print::json(&json!({
            "pulse": pulse, "level_v": a.level, "part": a.part, "let_through_v": r.peak_v, "let_through_at_s": r.peak_at_s,
            "protector_v": r.protector_v, "protector_a": r.protector_a, "protector_j": r.protector_j, "protector_c": r.protector_c,
            "load_j": r.load_j, "energy_residual": r.energy_residual, "holds": holds, "warnings": r.warnings,
            "waveform": r.waveform.iter().map(|(t, v)| json!({ "time_s": t, "voltage_v": v })).collect::<Vec<_>>(),
            "caution": GENERATOR_CAUTION,
        }))?;
    } else {
        let mut text = format!(
            "{}, {} V: {:.1} V come through at {}.\n",
            pulse.name(),
            a.level,
            r.peak_v,
            engineering(r.peak_at_s, "s")
        );
        if a.part.is_some() {
            text.push_str(&format!(
                "The protector: {:.1} V with its leads, {:.1} A, {} in it, {}.\n",
                r.protector_v,
                r.protector_a,
                engineering(r.protector_j, "J"),
                engineering(r.protector_c.abs(), "C")
            ));
        }
        text.push_str(&format!(
            "Into the circuit behind: {}. Energy balance of the computation: {:.1e}.\n",
            engineering(r.load_j, "J"),
            r.energy_residual.abs()
        ));
        for w in &r.warnings {
            text.push_str(&format!("· {w}\n"));
        }
        if let Some(v) = a.withstands {
            text.push_str(&format!(
                "The circuit withstands {v} V: {}.\n",
                if holds { "holds" } else { "does not hold" }
            ));
        }
        text.push_str(GENERATOR_CAUTION);
        text.push('\n');
        print::text(&text)?;
    }
    Ok(if holds { Outcome::Done } else { Outcome::NotAPass })
}
