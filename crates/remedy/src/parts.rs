//! Parts with their real behaviour, as impedance against frequency.
//!
//! Models (common practice): a capacitor is C, ESR and ESL in series; an inductor is (R + jωL) beside its winding
//! capacitance and its core loss; a common-mode choke shows its inductance to the common and its leakage to the
//! differential mode; a ferrite is [`crate::ferrite`]; a measured part is a table.

use std::f64::consts::TAU;

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::ferrite::FerriteCore;
use crate::measured::MeasuredImpedance;

/// How hard it is to put the part on a sample that exists, easiest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fit {
    /// Snapped over a cable.
    ClipOn,
    /// In the wiring: beside the inlet, at the terminals.
    Wiring,
    /// Soldered where another of its kind sits.
    PartExchange,
    /// A new place on the board.
    BoardChange,
}

impl Fit {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::ClipOn => "clips on",
            Self::Wiring => "in the wiring",
            Self::PartExchange => "exchange on the board",
            Self::BoardChange => "board change",
        }
    }
}

/// Approval class of a capacitor on the mains (IEC 60384-14), or none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CapacitorClass {
    /// Between conductors, peak pulse above 2.5 kV to 4 kV.
    X1,
    /// Between conductors, peak pulse up to 2.5 kV.
    X2,
    /// Conductor to earth over reinforced insulation, 8 kV impulse.
    Y1,
    /// Conductor to earth over basic insulation, 5 kV impulse.
    Y2,
    /// Film, no approval for the mains.
    Film,
    /// Ceramic, no approval for the mains.
    Ceramic,
}

/// What an approval class allows, IEC 60384-14 (from memory: check with the edition in force).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Approval {
    /// Highest rated voltage, V r.m.s., where the class has one.
    pub rated_v: Option<f64>,
    /// Impulse before the endurance test, V, where C is at most 1 µF; above it falls with √C.
    pub impulse_v: f64,
    /// Where it may stand.
    pub between_conductors: bool,
    /// Where it may stand.
    pub to_earth: bool,
}

impl CapacitorClass {
    /// The class's limits; none for a part without approval, which does not belong on the mains.
    pub fn approval(self) -> Option<Approval> {
        let x = |impulse_v| Approval { rated_v: None, impulse_v, between_conductors: true, to_earth: false };
        let y = |rated_v, impulse_v| Approval {
            rated_v: Some(rated_v),
            impulse_v,
            between_conductors: true,
            to_earth: true,
        };
        match self {
            Self::X1 => Some(x(4000.0)),
            Self::X2 => Some(x(2500.0)),
            Self::Y1 => Some(y(500.0, 8000.0)),
            Self::Y2 => Some(y(300.0, 5000.0)),
            Self::Film | Self::Ceramic => None,
        }
    }

    /// As it is printed on the part.
    pub const fn name(self) -> &'static str {
        match self {
            Self::X1 => "X1",
            Self::X2 => "X2",
            Self::Y1 => "Y1",
            Self::Y2 => "Y2",
            Self::Film => "film",
            Self::Ceramic => "ceramic",
        }
    }
}

/// C, ESR and ESL in series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Capacitor {
    /// Capacitance, F.
    pub capacitance_f: f64,
    /// Series resistance, Ω.
    pub esr_ohm: f64,
    /// Series inductance with its leads, H.
    pub esl_h: f64,
    /// Approval class.
    pub class: CapacitorClass,
    /// Rated voltage, V r.m.s. (direct voltage for parts without approval).
    pub rated_v: f64,
}

/// (R + jωL) beside winding capacitance and core loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Inductor {
    /// Inductance, H.
    pub inductance_h: f64,
    /// Winding resistance, Ω.
    pub resistance_ohm: f64,
    /// Winding capacitance, F.
    pub winding_f: f64,
    /// Core loss as a resistance beside it, Ω.
    pub loss_ohm: f64,
    /// Rated current, A r.m.s.
    pub rated_a: f64,
    /// Peak current at which the inductance has fallen by about a fifth, A.
    pub saturation_a: f64,
}

/// Two windings on one core.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CommonModeChoke {
    /// Inductance of one winding: what the common mode sees, H.
    pub inductance_h: f64,
    /// Leakage inductance, both windings in series: what the differential mode sees, H.
    pub leakage_h: f64,
    /// Resistance of one winding, Ω.
    pub resistance_ohm: f64,
    /// Winding capacitance in the common mode, F.
    pub winding_f: f64,
    /// Core loss beside the inductance, Ω.
    pub loss_ohm: f64,
    /// Winding capacitance in the differential mode, F.
    pub leakage_winding_f: f64,
    /// Loss beside the leakage, Ω.
    pub leakage_loss_ohm: f64,
    /// Rated current, A r.m.s.
    pub rated_a: f64,
    /// Turns of one winding.
    pub turns: u32,
    /// Section of the core, m².
    pub area_m2: f64,
    /// Flux density at which the core saturates, T (manganese-zinc about 0.35 at 100 °C, from memory).
    pub saturation_t: f64,
}

impl CommonModeChoke {
    /// Flux density (T) that the leakage makes at a peak line current: B = L_leak·I/(N·A), for each winding half the
    /// leakage. The flux of the common mode cancels, this one does not.
    pub fn leakage_flux_t(&self, peak_a: f64) -> f64 {
        self.leakage_h * peak_a / (f64::from(self.turns) * self.area_m2)
    }
}

/// Voltage-dependent resistor: V = C·I^β.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Varistor {
    /// Voltage at 1 A, V: the C of V = C·I^β.
    pub volts_at_1_a: f64,
    /// Exponent β, about 0.03 to 0.06 for zinc oxide.
    pub beta: f64,
    /// Capacitance, F.
    pub capacitance_f: f64,
    /// Inductance of the leads, H.
    pub lead_h: f64,
    /// Highest continuous mains voltage, V r.m.s.
    pub rated_v: f64,
    /// Highest 8/20 µs current, A.
    pub peak_a: f64,
    /// Energy it takes once, J.
    pub energy_j: f64,
}

/// Avalanche clamp (suppressor diode), one direction or both.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AvalancheClamp {
    /// Breakdown voltage, V.
    pub breakdown_v: f64,
    /// Dynamic resistance above it, Ω.
    pub dynamic_ohm: f64,
    /// Capacitance, F.
    pub capacitance_f: f64,
    /// Inductance of the leads, H.
    pub lead_h: f64,
    /// Highest working voltage, V.
    pub rated_v: f64,
    /// Highest 8/20 µs current, A.
    pub peak_a: f64,
    /// Energy it takes once, J.
    pub energy_j: f64,
    /// True where it clamps both polarities.
    #[serde(default)]
    pub both_ways: bool,
}

/// Gas discharge tube.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GasTube {
    /// Sparkover at slowly rising voltage, V.
    pub sparkover_v: f64,
    /// Sparkover at 1 kV/µs, V.
    pub impulse_sparkover_v: f64,
    /// Voltage of the arc, V.
    pub arc_v: f64,
    /// Capacitance, F.
    pub capacitance_f: f64,
    /// Inductance of the leads, H.
    pub lead_h: f64,
    /// Highest 8/20 µs current, A.
    pub peak_a: f64,
}

/// Resistance with the inductance of its leads and the capacitance across it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resistor {
    /// Resistance, Ω.
    pub resistance_ohm: f64,
    /// Series inductance, H.
    #[serde(default)]
    pub lead_h: f64,
    /// Capacitance across it, F.
    #[serde(default)]
    pub parallel_f: f64,
    /// Rated power, W.
    pub rated_w: f64,
}

/// A ready-made mains filter in its housing: two conductors, X capacitors, choke, Y capacitors at the product's side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InletFilter {
    /// X capacitor at the mains side.
    pub x_mains: Capacitor,
    /// X capacitor at the product's side, where there is one.
    #[serde(default)]
    pub x_product: Option<Capacitor>,
    /// The choke.
    pub choke: CommonModeChoke,
    /// One of the two Y capacitors, where there are any; they stand at the product's side of the choke.
    #[serde(default)]
    pub y: Option<Capacitor>,
}

/// What a part is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Model {
    /// A capacitor.
    Capacitor(Capacitor),
    /// An inductor of one winding.
    Inductor(Inductor),
    /// A common-mode choke.
    CommonModeChoke(CommonModeChoke),
    /// A ferrite core, bead or sleeve.
    Ferrite(FerriteCore),
    /// A varistor.
    Varistor(Varistor),
    /// An avalanche clamp.
    AvalancheClamp(AvalancheClamp),
    /// A gas discharge tube.
    GasTube(GasTube),
    /// A resistor.
    Resistor(Resistor),
    /// A ready-made mains filter.
    InletFilter(InletFilter),
    /// Measured impedance against frequency.
    Measured(MeasuredImpedance),
}

/// A part that can be bought or wound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// Short name.
    pub id: String,
    /// For people.
    pub name: String,
    /// What it is.
    #[serde(flatten)]
    pub model: Model,
    /// Tolerance of the main value, as a part of it (0.2 is ±20 %).
    pub tolerance: f64,
    /// Volume, mm³.
    pub volume_mm3: f64,
    /// Cost as a plain index: 1 is a small X capacitor. A guide for ranking, no price.
    pub cost_index: f64,
    /// How hard it is to fit.
    pub fit: Fit,
}

fn in_parallel(z: impl IntoIterator<Item = Complex64>) -> Complex64 {
    z.into_iter().map(|z| z.inv()).sum::<Complex64>().inv()
}

/// Impedance of C, ESR and ESL in series, Ω.
pub fn capacitor_ohm(frequency_hz: f64, capacitance_f: f64, esr_ohm: f64, esl_h: f64) -> Complex64 {
    let w = TAU * frequency_hz;
    Complex64::new(esr_ohm, w * esl_h - 1.0 / (w * capacitance_f))
}

/// Impedance of (R + jωL) beside a capacitance and a loss resistance, Ω.
pub fn coil_ohm(frequency_hz: f64, inductance_h: f64, resistance_ohm: f64, winding_f: f64, loss_ohm: f64) -> Complex64 {
    let w = TAU * frequency_hz;
    let y = Complex64::new(resistance_ohm, w * inductance_h).inv() + Complex64::new(loss_ohm.recip(), w * winding_f);
    y.inv()
}

impl Capacitor {
    /// Impedance, Ω.
    pub fn impedance_ohm(&self, frequency_hz: f64) -> Complex64 {
        capacitor_ohm(frequency_hz, self.capacitance_f, self.esr_ohm, self.esl_h)
    }

    /// Self-resonance, Hz.
    pub fn resonance_hz(&self) -> f64 {
        1.0 / (TAU * (self.capacitance_f * self.esl_h).sqrt())
    }
}

impl Inductor {
    /// Impedance, Ω.
    pub fn impedance_ohm(&self, frequency_hz: f64) -> Complex64 {
        coil_ohm(frequency_hz, self.inductance_h, self.resistance_ohm, self.winding_f, self.loss_ohm)
    }

    /// Self-resonance, Hz.
    pub fn resonance_hz(&self) -> f64 {
        1.0 / (TAU * (self.inductance_h * self.winding_f).sqrt())
    }
}

impl CommonModeChoke {
    /// Impedance to the sum of the currents of both conductors, Ω.
    pub fn common_ohm(&self, frequency_hz: f64) -> Complex64 {
        coil_ohm(frequency_hz, self.inductance_h, self.resistance_ohm / 2.0, self.winding_f, self.loss_ohm)
    }

    /// Impedance to the loop current line to neutral, Ω.
    pub fn differential_ohm(&self, frequency_hz: f64) -> Complex64 {
        coil_ohm(frequency_hz, self.leakage_h, 2.0 * self.resistance_ohm, self.leakage_winding_f, self.leakage_loss_ohm)
    }

    /// Self-resonance in the common mode, Hz.
    pub fn resonance_hz(&self) -> f64 {
        1.0 / (TAU * (self.inductance_h * self.winding_f).sqrt())
    }
}

impl Resistor {
    /// Impedance, Ω.
    pub fn impedance_ohm(&self, frequency_hz: f64) -> Complex64 {
        let w = TAU * frequency_hz;
        let r = in_parallel([
            Complex64::new(self.resistance_ohm, 0.0),
            Complex64::new(0.0, -1.0 / (w * self.parallel_f.max(1e-18))),
        ]);
        r + Complex64::new(0.0, w * self.lead_h)
    }
}

impl Part {
    /// The part's own two-terminal impedance (Ω) as an instrument on it would show: of a choke the common mode, of a
    /// ferrite its turns without bias, of a protector what it is below its voltage. NaN outside a measured table, and
    /// for an inlet filter, which has no two terminals.
    pub fn impedance_ohm(&self, frequency_hz: f64) -> Complex64 {
        let idle = |c: f64, l: f64| capacitor_ohm(frequency_hz, c, 0.05, l);
        match &self.model {
            Model::Capacitor(c) => c.impedance_ohm(frequency_hz),
            Model::Inductor(l) => l.impedance_ohm(frequency_hz),
            Model::CommonModeChoke(c) => c.common_ohm(frequency_hz),
            Model::Ferrite(f) => f.impedance_ohm(frequency_hz, 0.0),
            Model::Varistor(v) => idle(v.capacitance_f, v.lead_h),
            Model::AvalancheClamp(c) => idle(c.capacitance_f, c.lead_h),
            Model::GasTube(g) => idle(g.capacitance_f, g.lead_h),
            Model::Resistor(r) => r.impedance_ohm(frequency_hz),
            Model::InletFilter(_) => Complex64::new(f64::NAN, f64::NAN),
            Model::Measured(m) => m.at(frequency_hz),
        }
    }

    /// The part with its main value times a factor: capacitance, inductance (leakage with it), permeability, resistance.
    /// A measured table's impedance is scaled.
    pub fn scaled(&self, factor: f64) -> Self {
        let mut part = self.clone();
        match &mut part.model {
            Model::Capacitor(c) => c.capacitance_f *= factor,
            Model::Inductor(l) => l.inductance_h *= factor,
            Model::CommonModeChoke(c) => {
                c.inductance_h *= factor;
                c.leakage_h *= factor;
            }
            Model::Ferrite(f) => f.length_m *= factor,
            Model::Varistor(v) => v.capacitance_f *= factor,
            Model::AvalancheClamp(c) => c.capacitance_f *= factor,
            Model::GasTube(g) => g.capacitance_f *= factor,
            Model::Resistor(r) => r.resistance_ohm *= factor,
            Model::InletFilter(f) => {
                f.choke.inductance_h *= factor;
                f.choke.leakage_h *= factor;
            }
            Model::Measured(m) => m.scale(factor),
        }
        part
    }

    /// Its main value with unit, for lists and drawings: `470 nF`, `2 × 10 mH`.
    pub fn value_text(&self) -> String {
        match &self.model {
            Model::Capacitor(c) => format!("{} {}", engineering(c.capacitance_f, "F"), c.class.name()),
            Model::Inductor(l) => engineering(l.inductance_h, "H"),
            Model::CommonModeChoke(c) => format!("2 × {}", engineering(c.inductance_h, "H")),
            Model::Ferrite(f) => match f.turns {
                1 => "1 pass".to_owned(),
                n => format!("{n} turns"),
            },
            Model::Varistor(v) => format!("{} V~", v.rated_v),
            Model::AvalancheClamp(c) => format!("{} V", c.breakdown_v),
            Model::GasTube(g) => format!("{} V", g.sparkover_v),
            Model::Resistor(r) => engineering(r.resistance_ohm, "Ω"),
            Model::InletFilter(f) => format!(
                "{} + 2 × {}",
                engineering(f.x_mains.capacitance_f, "F"),
                engineering(f.choke.inductance_h, "H")
            ),
            Model::Measured(_) => "measured".to_owned(),
        }
    }
}

/// A value with an SI prefix and up to three figures: `470 nF`, `2.2 mH`.
pub fn engineering(value: f64, unit: &str) -> String {
    const PREFIXES: [(f64, &str); 9] = [
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
        (1e-15, "f"),
    ];
    if value == 0.0 || !value.is_finite() {
        return format!("{value} {unit}");
    }
    // A hair of room, so that 1e-6 made of products is 1 µ and not 1000 n.
    let (scale, prefix) = PREFIXES.iter().copied().find(|(s, _)| value.abs() >= s * 0.9995).unwrap_or((1e-15, "f"));
    let scaled = value / scale;
    let digits = (2 - scaled.abs().log10().floor() as i32).clamp(0, 3) as usize;
    let text = format!("{scaled:.digits$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text.as_str() };
    format!("{text} {prefix}{unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Winding capacitance beside 20 kΩ of loss: self-resonance and |Z| at 1, 10 and 30 MHz of three chokes (worked
    /// from the parallel circuit, double precision).
    #[test]
    fn chokes_above_their_resonance() {
        for (l, c, f0, z) in [
            (10e-3f64, 30e-12f64, 291e3, [5566.0, 531.0, 177.0]),
            (2e-3, 15e-12, 919e3, [19.2e3, 1069.0, 354.0]),
            (1e-3, 10e-12, 1.59e6, [9.2e3, 1627.0, 532.0]),
        ] {
            assert!((1.0 / (TAU * (l * c).sqrt()) / f0 - 1.0).abs() < 3e-3);
            for (f, expected) in [1e6, 10e6, 30e6].into_iter().zip(z) {
                let got = coil_ohm(f, l, 0.0, c, 20e3).norm();
                assert!((got / expected - 1.0).abs() < 6e-3, "{l} H at {f} Hz: {got}, expected {expected}");
            }
        }
    }

    /// 100 nF with 1 nH resonates at 15.9 MHz and is 0.61 Ω of inductance at 100 MHz (Thomson's formula).
    #[test]
    fn a_capacitor_becomes_an_inductor() {
        let c = Capacitor {
            capacitance_f: 100e-9,
            esr_ohm: 0.0,
            esl_h: 1e-9,
            class: CapacitorClass::Ceramic,
            rated_v: 50.0,
        };
        assert!((c.resonance_hz() / 15.9e6 - 1.0).abs() < 2e-3);
        assert!((c.impedance_ohm(100e6).norm() - 0.61).abs() < 5e-3);
    }

    /// 50 µH of leakage at 4.24 A, 20 turns, 60 mm²: 0.177 T by B = L·I/(N·A).
    #[test]
    fn leakage_flux() {
        let choke = choke();
        assert!((choke.leakage_flux_t(4.24) - 0.1767).abs() < 1e-4);
    }

    fn choke() -> CommonModeChoke {
        CommonModeChoke {
            inductance_h: 6e-3,
            leakage_h: 50e-6,
            resistance_ohm: 0.1,
            winding_f: 15e-12,
            loss_ohm: 15e3,
            leakage_winding_f: 12e-12,
            leakage_loss_ohm: 4e3,
            rated_a: 2.0,
            turns: 20,
            area_m2: 60e-6,
            saturation_t: 0.35,
        }
    }

    fn part(model: Model) -> Part {
        Part {
            id: "p".into(),
            name: "a part".into(),
            model,
            tolerance: 0.1,
            volume_mm3: 100.0,
            cost_index: 1.0,
            fit: Fit::BoardChange,
        }
    }

    #[test]
    fn absurd_parts_are_rejected_by_name() {
        let negative = part(Model::CommonModeChoke(CommonModeChoke { inductance_h: -1e-3, ..choke() }));
        let text = negative.check().unwrap_err().to_string();
        assert!(text.contains("part `p`: inductance_h is -0.001"), "{text}");
        let zero =
            Capacitor { capacitance_f: 0.0, esr_ohm: 0.1, esl_h: 1e-9, class: CapacitorClass::X2, rated_v: 305.0 };
        assert!(part(Model::Capacitor(zero.clone())).check().unwrap_err().to_string().contains("capacitance_f is 0"));
        let farads = Capacitor { capacitance_f: 100.0, ..zero };
        assert!(part(Model::Capacitor(farads)).check().unwrap_err().to_string().contains("100 nF is 100e-9"));
        let leaky = part(Model::CommonModeChoke(CommonModeChoke { leakage_h: 30e-3, ..choke() }));
        assert!(leaky.check().unwrap_err().to_string().contains("leakage_h"));
        let mut wide = part(Model::CommonModeChoke(choke()));
        wide.tolerance = 20.0;
        assert!(wide.check().unwrap_err().to_string().contains("0.2 is ±20 %"));
    }

    #[test]
    fn values_for_people() {
        assert_eq!(engineering(470e-9, "F"), "470 nF");
        assert_eq!(engineering(2.2e-3, "H"), "2.2 mH");
        assert_eq!(engineering(1e-6, "F"), "1 µF");
        assert_eq!(engineering(0.1e-6 * 10.0, "F"), "1 µF");
        assert_eq!(engineering(100.0, "Ω"), "100 Ω");
        assert_eq!(engineering(1.5e6, "Ω"), "1.5 MΩ");
    }
}
