//! Arithmetic of immunity rigs.

use std::fs;
use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use immunity::coil::{Coil, flux_density_t};
use immunity::rig::{
    FieldRig, Injection, Modulation, PlaneRule, conducted_level, dbm, field_power, gain_of_factor_dbi, plane,
    reachable_field_v_per_m,
};
use serde_json::json;

use crate::immunity_commands::prefixed;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, hz};

/// People near strong fields, shown where one is set up.
const RF_CAUTION: &str = "\
Caution, radio-frequency exposure: nobody in the field or the chamber with power on, door interlock, amplifier off before
anyone enters. Nobody with a pacemaker or other active implant near antennas, clamps or coils. Workers' action levels are in
Directive 2013/35/EU and your local rules. Radiating outside a screened room breaks radio law. Burns: never touch a fed
antenna, clamp or network.
";

/// Coils of tens to hundreds of amperes.
const COIL_CAUTION: &str = "\
Caution, strong magnetic field: nobody with a pacemaker or other active implant near the coil; keep tools, watches and
cards away. The coil and its leads carry high current and get hot; a coil that is opened under direct current gives a
dangerous voltage. Feed it through a transformer or supply made for it, earthed by someone licensed; local codes come first.
";

/// Amplifier power for a field, uniformity of a plane, conducted level, frame coil
#[derive(Debug, Subcommand)]
pub(crate) enum Rig {
    /// Amplifier power for a field at a distance
    Field(Field),
    /// Uniformity of a measured plane: CSV with frequency_hz and the field at each point, V/m
    Plane(Plane),
    /// Reading, current limit and amplifier power of a conducted radio-frequency level
    Conducted(Conducted),
    /// Current of a frame coil for a magnetic field, and its uniform volume
    Coil(CoilArgs),
}

#[derive(Debug, Args)]
pub(crate) struct Field {
    /// Field, rms of the carrier, V/m
    #[arg(long, required_unless_present = "power")]
    field: Option<f64>,
    /// Linear power of the amplifier at hand, W: gives the field that it reaches, in place of --field
    #[arg(long, conflicts_with = "field")]
    power: Option<f64>,
    /// Distance, m
    #[arg(long, default_value_t = 3.0)]
    distance: f64,
    /// Gain of the antenna over isotropic, dB
    #[arg(long, allow_negative_numbers = true, required_unless_present = "antenna_factor")]
    gain: Option<f64>,
    /// Antenna factor, dB/m, in place of the gain; needs --frequency
    #[arg(long, allow_negative_numbers = true, conflicts_with = "gain", requires = "frequency")]
    antenna_factor: Option<f64>,
    /// Loss between amplifier and antenna, dB
    #[arg(long, default_value_t = 0.0)]
    loss: f64,
    /// Reserve for the plane's 0 dB to 6 dB and for reflections, dB
    #[arg(long, default_value_t = 6.0)]
    reserve: f64,
    /// Reserve of the amplifier towards its compression, dB
    #[arg(long, default_value_t = 0.0)]
    backoff: f64,
    /// Depth of the amplitude modulation, 0 to 1
    #[arg(long, default_value_t = 0.8)]
    depth: f64,
    /// Frequency, Hz, to see whether the distance is far enough
    #[arg(long)]
    frequency: Option<f64>,
    /// Largest side of the antenna, m, for the same
    #[arg(long)]
    aperture: Option<f64>,
}

#[derive(Debug, Args)]
pub(crate) struct Plane {
    /// CSV: frequency_hz, then a column for each point (16, or fewer of a small area), V/m at constant forward power
    file: PathBuf,
    /// Field wanted at the reference point, V/m [default: 1.8 times 10 V/m]
    #[arg(long, default_value_t = 18.0)]
    nominal: f64,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum With {
    /// Coupling/decoupling network
    Network,
    /// Electromagnetic clamp
    EmClamp,
    /// Current clamp
    CurrentClamp,
    /// Straight onto a screen through 100 ohm
    Direct,
}

#[derive(Debug, Args)]
pub(crate) struct Conducted {
    /// Level (e.m.f., rms of the carrier), V
    #[arg(long)]
    level: f64,
    /// How it is coupled
    #[arg(long = "with", value_enum, default_value = "network")]
    with: With,
    /// Attenuator at the network's input, dB
    #[arg(long, default_value_t = 6.0)]
    pad: f64,
    /// Further loss, dB
    #[arg(long, default_value_t = 0.0)]
    loss: f64,
    /// Depth of the amplitude modulation, 0 to 1
    #[arg(long, default_value_t = 0.8)]
    depth: f64,
}

#[derive(Debug, Args)]
pub(crate) struct CoilArgs {
    /// Field at the centre, A/m (rms or direct)
    #[arg(long)]
    field: f64,
    /// Width, m
    #[arg(long, default_value_t = 1.0)]
    width: f64,
    /// Height, m
    #[arg(long, default_value_t = 1.0)]
    height: f64,
    /// Turns
    #[arg(long, default_value_t = 1.0)]
    turns: f64,
    /// Distance of two equal coils in series, m
    #[arg(long)]
    pair: Option<f64>,
    /// Frequency of the current, Hz; 0: direct
    #[arg(long, default_value_t = 50.0)]
    frequency: f64,
    /// Radius of the conductor or bundle, m, for the inductance
    #[arg(long, default_value_t = 5e-3)]
    radius: f64,
    /// Resistance of the coil, ohm, for the voltage it needs
    #[arg(long, default_value_t = 0.0)]
    resistance: f64,
}

fn wrong(e: immunity::rig::RigError) -> Failure {
    Failure::input(e.to_string())
}

fn modulation(depth: f64) -> Result<Modulation, Failure> {
    if (0.0..=1.0).contains(&depth) {
        Ok(Modulation { depth })
    } else {
        Err(Failure::input(format!("--depth {depth}: expected 0 to 1")))
    }
}

pub(crate) fn rig(show: Show, rig: &Rig) -> Result<Outcome, Failure> {
    match rig {
        Rig::Field(a) => field(show, a),
        Rig::Plane(a) => uniformity(show, a),
        Rig::Conducted(a) => conducted(show, a),
        Rig::Coil(a) => coil(show, a),
    }
}

fn field(show: Show, a: &Field) -> Result<Outcome, Failure> {
    let modulation = modulation(a.depth)?;
    let gain_dbi = match (a.gain, a.antenna_factor, a.frequency) {
        (Some(gain), _, _) => gain,
        (None, Some(factor), Some(frequency)) => gain_of_factor_dbi(factor, frequency).map_err(wrong)?,
        _ => return Err(Failure::input("--gain: expected a gain, or --antenna-factor with --frequency")),
    };
    let mut rig = FieldRig {
        field_v_per_m: a.field.unwrap_or(1.0),
        distance_m: a.distance,
        gain_dbi,
        loss_db: a.loss,
        reserve_db: a.reserve,
        backoff_db: a.backoff,
        modulation,
        frequency_hz: a.frequency,
        aperture_m: a.aperture,
    };
    if let Some(power) = a.power {
        rig.field_v_per_m = reachable_field_v_per_m(power, &rig).map_err(wrong)?;
    }
    let p = field_power(&rig).map_err(wrong)?;
    if show.json {
        print::json(
            &json!({ "field_v_per_m": rig.field_v_per_m, "distance_m": a.distance, "gain_dbi": gain_dbi, "loss_db": a.loss,
            "reserve_db": a.reserve, "backoff_db": a.backoff, "result": p, "caution": RF_CAUTION }),
        )?;
        return Ok(Outcome::Done);
    }
    let mut text = format!(
        "{} V/m at {} m from {} dBi take {} at the antenna, {} at the peak of the modulation (+{:.1} dB).\n\
         With {} dB of loss, {} dB for the plane and {} dB towards compression the amplifier needs {} ({:.1} dBm) at its 1 dB point.\n\
         {:.2} mA/m and {:.3} W/m² go with it.\n\
         P = (E d)²/(30 G), times {:.2} for the peak (textbook; free space and far field).\n",
        (1e3 * rig.field_v_per_m).round() / 1e3,
        a.distance,
        (1e3 * gain_dbi).round() / 1e3,
        prefixed(p.carrier_w, "W"),
        prefixed(p.peak_w, "W"),
        p.peak_db,
        a.loss,
        a.reserve,
        a.backoff,
        prefixed(p.amplifier_w, "W"),
        p.amplifier_dbm,
        p.magnetic_a_per_m * 1e3,
        p.density_w_per_m2,
        modulation.peak_factor().powi(2),
    );
    if let Some(power) = a.power {
        text.insert_str(0, &format!("{power} W reach {:.2} V/m with the modulation on.\n", rig.field_v_per_m));
    }
    for n in &p.notes {
        text.push_str(&format!("Note: {n}\n"));
    }
    print::text(&format!("{text}\n{RF_CAUTION}"))?;
    Ok(Outcome::Done)
}

fn uniformity(show: Show, a: &Plane) -> Result<Outcome, Failure> {
    let name = a.file.display();
    let content = fs::read_to_string(&a.file).map_err(|e| Failure::input(format!("{name}: {e}")))?;
    let mut rows = Vec::new();
    for (n, line) in content.lines().enumerate() {
        let fields: Vec<&str> = line.split(',').map(str::trim).collect();
        if line.trim().is_empty() || line.starts_with('#') || (rows.is_empty() && fields[0].parse::<f64>().is_err()) {
            continue;
        }
        let numbers: Result<Vec<f64>, _> = fields.iter().map(|f| f.parse::<f64>()).collect();
        let numbers = numbers.map_err(|_| {
            Failure::input(format!(
                "{name}: line {}: `{line}`; expected numbers: frequency_hz, then a field for each point",
                n + 1
            ))
        })?;
        if numbers.len() < 2 {
            return Err(Failure::input(format!(
                "{name}: line {}: no points; expected frequency_hz and a field for each point",
                n + 1
            )));
        }
        let p = plane(&numbers[1..], a.nominal, &PlaneRule::IEC)
            .map_err(|e| Failure::input(format!("{name}: line {}: {e}", n + 1)))?;
        rows.push((numbers[0], p));
    }
    if rows.is_empty() {
        return Err(Failure::input(format!(
            "{name}: no line of numbers; expected frequency_hz and a field for each point"
        )));
    }
    let strict = rows.iter().filter(|r| r.1.uniform).count();
    let relaxed = rows.iter().filter(|r| !r.1.uniform && r.1.uniform_relaxed).count();
    let allowed = (PlaneRule::IEC.relaxed_part * rows.len() as f64).floor() as usize;
    let passes = strict == rows.len();
    let passes_relaxed = strict + relaxed == rows.len() && relaxed <= allowed;
    let worst = rows.iter().max_by(|x, y| x.1.spread_db.total_cmp(&y.1.spread_db)).expect("there are rows");
    if show.json {
        let each: Vec<_> = rows.iter().map(|(f, p)| json!({ "frequency_hz": f, "plane": p })).collect();
        print::json(&json!({ "uniform": passes, "uniform_if_declared": passes_relaxed, "worst_frequency_hz": worst.0,
            "nominal_v_per_m": a.nominal, "frequencies": each,
            "source": "IEC 61000-4-3: 75 % of the points within 0 dB to 6 dB, 3 % of frequencies to 10 dB if declared (from memory)",
            "caution": RF_CAUTION }))?;
    } else {
        let mut text = if passes {
            "The plane is uniform at every frequency.\n\n".to_owned()
        } else if passes_relaxed {
            format!(
                "The plane is uniform if declared: {relaxed} of {} frequencies need the wider range.\n\n",
                rows.len()
            )
        } else {
            format!("The plane is not uniform: {} of {} frequencies fail.\n\n", rows.len() - strict, rows.len())
        };
        let table = rows
            .iter()
            .map(|(f, p)| {
                vec![
                    hz(*f),
                    if p.uniform {
                        "yes"
                    } else if p.uniform_relaxed {
                        "to 10 dB"
                    } else {
                        "NO"
                    }
                    .to_owned(),
                    format!("{:.1}", p.spread_db),
                    format!("{} ({:.2} V/m)", p.reference_point, p.reference_v_per_m),
                    p.left_out.iter().map(ToString::to_string).collect::<Vec<_>>().join(" "),
                    if p.worst_excess_db > 0.0 {
                        format!("{} by {:.1} dB", p.worst_point, p.worst_excess_db)
                    } else {
                        "–".into()
                    },
                    format!("{:+.1}", 10.0 * p.power_factor.log10()),
                ]
            })
            .collect();
        text.push_str(&print::table(
            &["frequency", "uniform", "spread, dB", "reference", "left out", "worst point", "power, dB"],
            table,
            &[2, 6],
        ));
        text.push_str(&format!(
            "\nPower: change of the forward power for {} V/m at the reference point. Rule: 75 % of the points (all of fewer than 16)\n\
             within 0 dB to 6 dB; to 10 dB at 3 % of the frequencies if declared (IEC 61000-4-3, from memory).\n\n{RF_CAUTION}",
            a.nominal
        ));
        print::text(&text)?;
    }
    Ok(if passes || passes_relaxed { Outcome::Done } else { Outcome::NotAPass })
}

fn conducted(show: Show, a: &Conducted) -> Result<Outcome, Failure> {
    let injection = match a.with {
        With::Network => Injection::Network,
        With::EmClamp => Injection::EmClamp,
        With::CurrentClamp => Injection::CurrentClamp,
        With::Direct => Injection::Direct,
    };
    let c = conducted_level(a.level, injection, a.pad, a.loss, modulation(a.depth)?).map_err(wrong)?;
    if show.json {
        print::json(
            &json!({ "with": injection, "pad_db": a.pad, "loss_db": a.loss, "result": c, "caution": RF_CAUTION }),
        )?;
        return Ok(Outcome::Done);
    }
    print::text(&format!(
        "{} V e.m.f. ({:.1} dBµV): set the generator until the 150-to-50 ohm adapter reads {} ({:.1} dBµV), unmodulated.\n\
         Where the far end is not 150 ohm, stop at {}; into 150 ohm {} flow.\n\
         The network takes {} of carrier, {} at the peak; with the {} dB pad and the coupling's {} dB the amplifier needs {} ({:.1} dBm).\n\
         With the modulation on, an rms meter reads {:.1} dB more and a peak meter {:.1} dB more.\n\
         Umr = U0/6, Imax = U0/150, P = (peak·U0/2)²/50 (IEC 61000-4-6; U0/6 read, the others and the clamps' losses from memory).\n\n{RF_CAUTION}",
        c.emf_v,
        c.emf_dbuv,
        prefixed(c.adapter_v, "V"),
        c.adapter_dbuv,
        prefixed(c.current_limit_a, "A"),
        prefixed(c.matched_current_a, "A"),
        prefixed(c.carrier_w, "W"),
        prefixed(c.peak_w, "W"),
        a.pad,
        injection.loss_db(),
        prefixed(c.amplifier_w, "W"),
        dbm(c.amplifier_w),
        c.rms_meter_db,
        c.peak_meter_db,
    ))?;
    Ok(Outcome::Done)
}

fn coil(show: Show, a: &CoilArgs) -> Result<Outcome, Failure> {
    let coil = Coil { width_m: a.width, height_m: a.height, turns: a.turns, pair_m: a.pair };
    let current = coil.current_a(a.field).map_err(wrong)?;
    for (flag, v) in [("frequency", a.frequency), ("resistance", a.resistance)] {
        if !(v.is_finite() && v >= 0.0) {
            return Err(Failure::input(format!("--{flag} {v}: expected a number not below zero")));
        }
    }
    if !(a.radius > 0.0 && a.radius < 0.25 * a.width.min(a.height)) {
        return Err(Failure::input(format!("--radius {}: expected more than 0 and far less than the sides", a.radius)));
    }
    let inductance = coil.inductance_h(a.radius);
    let reactance = 2.0 * std::f64::consts::PI * a.frequency * inductance;
    let volts = current * reactance.hypot(a.resistance);
    let reach = coil.reach_m(3.0);
    let uniform = coil.uniform_box_m(3.0, 1.0);
    if show.json {
        print::json(&json!({ "coil": coil, "field_a_per_m": a.field, "flux_density_t": flux_density_t(a.field),
            "factor_per_m": coil.factor(), "current_a": current, "inductance_h": inductance, "reactance_ohm": reactance,
            "voltage_v": volts, "reach_3db_m": reach, "uniform_box_m": uniform, "caution": COIL_CAUTION }))?;
        return Ok(Outcome::Done);
    }
    print::text(&format!(
        "{} A/m ({}) at the centre take {} (coil factor {:.4} per metre){}.\n\
         The field stays within ±3 dB to {:.2} m, {:.2} m and {:.2} m from the centre along width, height and axis;\n\
         a box of {:.2} × {:.2} × {:.2} m is within ±3 dB with its corners.\n\
         Inductance {}, {} at {}, so {} across the coil.\n\
         By Biot and Savart for thin straight conductors in free space; the same for direct current. A coil that uses the ground\n\
         plane as a side has another factor: measure it.\n\n{COIL_CAUTION}",
        a.field,
        prefixed(flux_density_t(a.field), "T"),
        prefixed(current, "A"),
        coil.factor(),
        if a.pair.is_some() { ", the same through both coils" } else { "" },
        reach[0],
        reach[1],
        reach[2],
        uniform[0],
        uniform[1],
        uniform[2],
        prefixed(inductance, "H"),
        prefixed(reactance, "ohm"),
        if a.frequency > 0.0 { hz(a.frequency) } else { "direct current".into() },
        prefixed(volts, "V"),
    ))?;
    Ok(Outcome::Done)
}
