//! What a surge does to a protection part: the generator and coupling network of IEC 61000-4-5 as a circuit into the part,
//! then its wear over a sequence, its temperature, and the rest it needs.

mod part;
mod two_stage;
mod wear;

use circuit::{
    CircuitError, ClampModel, CombinationWave, Netlist, SwitchControl, SwitchModel, TransientOptions, transient,
};
use serde::{Deserialize, Serialize};

pub use part::{Part, PartError, PartKind, PulsePoint};
pub use two_stage::{SeriesPart, TwoStage, TwoStageStress, least_series_ohm};
pub use wear::{Group, GroupWear, SequenceWear, needed_rest_s, propose_order, sequence};

/// How the surge gets onto the line, with the network's own values.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupling {
    /// Between power lines: 18 µF, 2 ohm in effect.
    LineLine,
    /// Power line to earth: 9 µF and 10 ohm, 12 ohm in effect.
    LineEarth,
    /// Unshielded signal line to earth: 0.5 µF and 40 ohm, 42 ohm in effect.
    Signal,
    /// Signal line through an arrestor (taken as ideal) and 40 ohm.
    SignalArrestor,
    /// Onto a screen: straight, 2 ohm.
    Screen,
    /// Telecommunication pair: the 10/700 µs generator, 40 ohm in effect.
    Telecom,
}

impl Coupling {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::LineLine, Self::LineEarth, Self::Signal, Self::SignalArrestor, Self::Screen, Self::Telecom];

    /// Series capacitor (F, none: straight) and resistor (ohm).
    pub const fn parts(self) -> (Option<f64>, f64) {
        match self {
            Self::LineLine => (Some(18e-6), 0.0),
            Self::LineEarth => (Some(9e-6), 10.0),
            Self::Signal => (Some(0.5e-6), 40.0),
            Self::SignalArrestor => (None, 40.0),
            Self::Screen => (None, 0.0),
            Self::Telecom => (None, 25.0),
        }
    }

    /// Effective impedance (open voltage over short-circuit current), ohm.
    pub const fn effective_ohm(self) -> f64 {
        match self {
            Self::LineLine | Self::Screen => 2.0,
            Self::LineEarth => 12.0,
            Self::Signal | Self::SignalArrestor => 42.0,
            Self::Telecom => 40.0,
        }
    }

    /// In words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::LineLine => "line to line, 18 µF",
            Self::LineEarth => "line to earth, 9 µF + 10 ohm",
            Self::Signal => "signal line to earth, 0.5 µF + 40 ohm",
            Self::SignalArrestor => "signal line to earth, arrestor + 40 ohm",
            Self::Screen => "onto the screen, straight",
            Self::Telecom => "telecommunication pair, 10/700 µs, 40 ohm",
        }
    }
}

/// One pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pulse {
    /// Open-circuit peak, V, with its sign.
    pub level_v: f64,
    /// Coupling.
    pub coupling: Coupling,
    /// Mains voltage at the line at the instant of the pulse, V, with its sign (0: not powered).
    pub mains_v: f64,
    /// Capacitance of the product beside the part (an X or Y capacitor), F.
    pub beside_f: f64,
}

impl Pulse {
    /// A pulse onto an unpowered line with nothing beside the part.
    pub const fn new(level_v: f64, coupling: Coupling) -> Self {
        Self { level_v, coupling, mains_v: 0.0, beside_f: 0.0 }
    }
}

/// What one pulse does to the part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stress {
    /// Highest current, A.
    pub peak_a: f64,
    /// Highest voltage across the part, leads included, V.
    pub clamp_v: f64,
    /// Energy turned into heat in the part, J.
    pub energy_j: f64,
    /// Highest power, W.
    pub peak_w: f64,
    /// Charge through it, C.
    pub charge_c: f64,
    /// Charge over peak current, s: 17.46 µs for an 8/20 µs current.
    pub equivalent_s: f64,
    /// Current by the straight load line (level − clamping voltage) over the effective impedance, A: a check by hand.
    pub load_line_a: f64,
    /// Parts of the generator that gave the highest stress.
    pub generator: &'static str,
    /// Energy that went missing in the integration over the whole: a check of the computation.
    pub balance: f64,
}

/// A surge that cannot be computed.
#[derive(Debug, thiserror::Error)]
pub enum SurgeError {
    /// A value that makes no sense.
    #[error("{field}: {found}; expected {expected}")]
    Input {
        /// Which.
        field: &'static str,
        /// What it was.
        found: String,
        /// What would do.
        expected: &'static str,
    },
    /// The circuit could not be solved.
    #[error("the surge circuit: {0}")]
    Circuit(#[from] CircuitError),
}

fn input<T>(field: &'static str, found: impl ToString, expected: &'static str) -> Result<T, SurgeError> {
    Err(SurgeError::Input { field, found: found.to_string(), expected })
}

/// The 10/700 µs generator: 20 µF, 50 ohm across it, 15 ohm, 0.2 µF, charged so that the open-circuit peak is as given. The
/// 25 ohm to the line belong to the coupling.
fn telecom(peak_v: f64) -> Netlist {
    // Peak of the open circuit over the charge, from the circuit (closed form of its two time constants).
    const RATIO: f64 = 0.973_2;
    let mut net = Netlist::new();
    net.charged_capacitor("c_storage", "store", "0", 20e-6, peak_v / RATIO)
        .resistor("r_shunt", "store", "0", 50.0)
        .resistor("r_series", "store", "out", 15.0)
        .capacitor("c_front", "out", "0", 0.2e-6);
    net
}

/// The whole circuit: generator, coupling, mains behind its decoupling coil, the part between `line` and ground.
pub fn circuit(pulse: &Pulse, generator: &CombinationWave, part: &Part) -> Netlist {
    let mut net = Netlist::new();
    let source =
        if pulse.coupling == Coupling::Telecom { telecom(pulse.level_v) } else { generator.network(pulse.level_v) };
    net.include(&source, "generator", &[("out", "gen")]);
    let (capacitor, resistor) = pulse.coupling.parts();
    // The capacitor stands charged to the mains, so that the line is at mains voltage while the generator rests.
    match capacitor {
        Some(c) => net.charged_capacitor("c_couple", "gen", "couple", c, -pulse.mains_v),
        None => net.resistor("r_straight", "gen", "couple", 1e-3),
    };
    net.resistor("r_couple", "couple", "line", resistor.max(1e-3));
    if pulse.mains_v != 0.0 {
        // 1.5 mH in each power line (from memory).
        net.voltage_source("v_mains", "mains", "0", circuit::Source::dc(pulse.mains_v)).inductor(
            "l_decouple",
            "mains",
            "line",
            1.5e-3,
        );
        net.initial_voltage("line", pulse.mains_v);
    }
    if pulse.beside_f > 0.0 {
        net.charged_capacitor("c_beside", "line", "0", pulse.beside_f, pulse.mains_v);
    }
    add_part(&mut net, pulse, part, "line", ["part", "gap", "arc"]);
    net
}

/// Puts a part between a node and ground; `names`: of the part, of an arrestor's gap and of the node behind it.
fn add_part(net: &mut Netlist, pulse: &Pulse, part: &Part, node: &str, [name, gap, arc]: [&str; 3]) {
    match &part.kind {
        PartKind::Varistor { .. } => {
            if let Some(model) = part.varistor_model() {
                net.varistor(name, node, "0", model);
            }
        }
        PartKind::Tvs { breakdown_v, clamp_v, clamp_a, .. } => {
            let mut model = ClampModel::new(*breakdown_v, (clamp_v - breakdown_v) / clamp_a);
            // The knee takes ln(I/1 mA) knee voltages itself at the clamping current.
            model.dynamic_ohm =
                ((clamp_v - breakdown_v - model.knee_v * (clamp_a / model.test_a).ln()) / clamp_a).max(1e-4);
            net.clamp(name, node, "0", model);
        }
        PartKind::Arrestor { spark_v, arc_v, .. } => {
            let sign = if pulse.level_v < 0.0 { ("0", node) } else { (node, "0") };
            // Once fired it burns through the swing back as well: the gas takes milliseconds to recover, the pulse lasts a tenth of
            // one. So nothing within a pulse opens it again.
            const NEVER_V: f64 = -1e6;
            let high = *spark_v;
            net.switch(
                gap,
                node,
                arc,
                SwitchModel {
                    on_ohm: 1e-2,
                    off_ohm: 1e9,
                    control: SwitchControl::Voltage {
                        plus: sign.0.into(),
                        minus: sign.1.into(),
                        threshold_v: 0.5 * (high + NEVER_V),
                        hysteresis_v: 0.5 * (high - NEVER_V),
                        initially_closed: false,
                    },
                },
            );
            net.clamp(name, arc, "0", ClampModel::new(*arc_v, 1e-2));
        }
    }
}

fn one(pulse: &Pulse, generator: &CombinationWave, part: &Part) -> Result<Stress, SurgeError> {
    let net = circuit(pulse, generator, part);
    let stop = if pulse.coupling == Coupling::Telecom { 6e-3 } else { 500e-6 };
    let options =
        TransientOptions { use_initial_conditions: true, reltol: 1e-5, ..TransientOptions::new(stop / 5e3, stop) };
    let waves = transient(&net, &options)?;
    let e = waves.energy("part")?;
    let gap = matches!(part.kind, PartKind::Arrestor { .. });
    // Until an arrestor sparks over, the line's voltage stands across its gap.
    let clamp_v = match part.kind {
        // The steps end a little before the sparkover; where a current flows it was reached.
        PartKind::Arrestor { spark_v, .. } if e.peak_current_a > 0.1 => {
            waves.energy("gap")?.peak_voltage_v.max(spark_v)
        }
        PartKind::Arrestor { .. } => waves.energy("gap")?.peak_voltage_v,
        _ => e.peak_voltage_v,
    };
    let load_line_a = ((pulse.level_v.abs() + pulse.mains_v * pulse.level_v.signum()
        - if gap { 0.0 } else { clamp_v })
        / pulse.coupling.effective_ohm())
    .max(0.0);
    Ok(Stress {
        peak_a: e.peak_current_a,
        clamp_v,
        energy_j: e.absorbed_j - e.stored_j,
        peak_w: e.peak_power_w,
        charge_c: e.absolute_charge_c,
        equivalent_s: if e.peak_current_a > 0.0 { e.absolute_charge_c / e.peak_current_a } else { 0.0 },
        load_line_a,
        generator: generator.source,
        balance: waves.summary.balance.relative_residual,
    })
}

/// The stress of one pulse. The standard gives the generator's waves, not its parts: where the coupling leaves room, two sets
/// of parts are tried and the one with more energy is told.
///
/// # Errors
/// Values that make no sense, or a circuit that cannot be solved.
pub fn stress(pulse: &Pulse, part: &Part) -> Result<Stress, SurgeError> {
    if !(pulse.level_v.is_finite() && pulse.level_v != 0.0) {
        return input("level", pulse.level_v, "a voltage that is not zero");
    }
    if !(pulse.mains_v.is_finite() && pulse.beside_f.is_finite() && pulse.beside_f >= 0.0) {
        return input("mains or capacitance beside the part", pulse.beside_f, "finite numbers");
    }
    if pulse.coupling.parts().0.is_none() && pulse.mains_v != 0.0 {
        return input(
            "mains",
            pulse.mains_v,
            "0 where the coupling has no capacitor to hold the mains off the generator",
        );
    }
    let first = one(pulse, &CombinationWave::NOMINAL, part)?;
    if matches!(pulse.coupling, Coupling::LineLine | Coupling::LineEarth) {
        let second = one(pulse, &CombinationWave::BEHIND_18_UF, part)?;
        if second.energy_j > first.energy_j {
            return Ok(second);
        }
    }
    Ok(first)
}
