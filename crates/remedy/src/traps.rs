//! The classic traps of filters, computed for the filter at hand.

use std::f64::consts::TAU;

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::parts::{Model, engineering};
use crate::port::{Mode, PortModel, Stage, ladder};
use crate::predict::BYPASS_DB;
use crate::safety::Supply;

/// What to watch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WarningKind {
    /// The filter amplifies somewhere.
    Resonance,
    /// A core saturates at the crest of the mains current.
    Saturation,
    /// A part is loaded beyond its rating.
    Rating,
    /// A choke is a capacitor at the frequency it was bought for.
    Parasitic,
    /// A converter's negative input resistance meets too high a filter impedance.
    Stability,
    /// The prediction leans on more loss than a layout lets through.
    Bypass,
    /// Mains, earth current, stored charge: can hurt someone.
    Safety,
    /// What the prediction leaves open.
    Open,
}

/// A warning that belongs to a remedy.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Warning {
    /// Which trap.
    pub kind: WarningKind,
    /// In a sentence or two.
    pub text: String,
}

impl Warning {
    pub(crate) fn new(kind: WarningKind, text: impl Into<String>) -> Self {
        Self { kind, text: text.into() }
    }
}

/// A frequency for people.
pub(crate) fn hz(f: f64) -> String {
    engineering(f, "Hz")
}

/// Largest gain of a change in a mode over all sources between two frequencies: `(gain_db, frequency_hz)`.
pub fn largest_gain(port: &PortModel, after: &[Stage], mode: Mode, from_hz: f64, to_hz: f64) -> (f64, f64) {
    let steps = 600;
    let mut most = (f64::NEG_INFINITY, from_hz);
    for k in 0..=steps {
        let f = from_hz * (to_hz / from_hz).powf(f64::from(k) / f64::from(steps));
        let before = ladder(&port.fitted, mode, f, port.peak_a());
        let chain = ladder(after, mode, f, port.peak_a());
        let load = port.load_ohm(mode, f);
        for s in port.sources(mode) {
            let z = s.impedance_ohm(f);
            let gain = 20.0 * (chain.transfer(z, load) / before.transfer(z, load)).norm().log10();
            if gain > most.0 {
                most = (gain, f);
            }
        }
    }
    most
}

/// Stability of a converter of constant power behind a filter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StabilityMargin {
    /// Magnitude of the converter's negative input resistance V²/P, Ω.
    pub negative_ohm: f64,
    /// Largest impedance of the filter seen from the converter, Ω.
    pub filter_peak_ohm: f64,
    /// Where, Hz.
    pub peak_hz: f64,
    /// Ratio of the two, dB: above 0 the criterion |Z_out| < |Z_in| is met (Middlebrook: sufficient, not necessary).
    pub margin_db: f64,
}

/// Supply impedance in differential mode behind a filter on the mains: 0.4 Ω + j0.25 Ω at 50 Hz (IEC 61000-3-3, from
/// memory).
fn supply_ohm(f: f64) -> Complex64 {
    Complex64::new(0.4, 0.25 * f / 50.0)
}

/// Compares the filter's output impedance with the negative input resistance of a converter that takes `power_w` from
/// the supply. A bulk capacitor among the differential sources (one microfarad or more) stands beside it.
pub fn stability(port: &PortModel, after: &[Stage], supply: &Supply, power_w: f64) -> StabilityMargin {
    let bulk = port.differential.iter().find(|s| s.capacitance_f.is_some_and(|c| c >= 1e-6));
    let steps = 800;
    let (mut peak, mut at) = (0.0, 0.0);
    for k in 0..=steps {
        let f = 100.0 * 1e4f64.powf(f64::from(k) / f64::from(steps));
        let c = ladder(after, Mode::Differential, f, port.peak_a());
        let load = supply_ohm(f);
        let mut z = (c.a * load + c.b) / (c.c * load + c.d);
        if let Some(b) = bulk {
            z = (z.inv() + b.impedance_ohm(f).inv()).inv();
        }
        if z.norm() > peak {
            (peak, at) = (z.norm(), f);
        }
    }
    let negative_ohm = supply.voltage_v * supply.voltage_v / power_w;
    StabilityMargin {
        negative_ohm,
        filter_peak_ohm: peak,
        peak_hz: at,
        margin_db: 20.0 * (negative_ohm / peak).log10(),
    }
}

/// Exact criterion for one section: series L of resistance R, shunt C, load of constant power of −`negative_ohm`:
/// stable if and only if R·C > L/|R_n| and R < |R_n|.
pub fn section_is_stable(inductance_h: f64, resistance_ohm: f64, capacitance_f: f64, negative_ohm: f64) -> bool {
    resistance_ohm * capacitance_f > inductance_h / negative_ohm && resistance_ohm < negative_ohm
}

/// Parallel damper (R_d with n·C) for a section of characteristic impedance `r0_ohm`: `(R_d, peak |Z|)`, Ω (Erickson, from
/// memory): R_d = R₀·√((2+n)(4+3n)/(2n²(4+n))), peak = R₀·√(2(2+n))/n.
pub fn parallel_damper(r0_ohm: f64, n: f64) -> (f64, f64) {
    let rd = r0_ohm * ((2.0 + n) * (4.0 + 3.0 * n) / (2.0 * n * n * (4.0 + n))).sqrt();
    (rd, r0_ohm * (2.0 * (2.0 + n)).sqrt() / n)
}

/// Warnings about the parts that are new, at the frequency of the excess.
pub fn part_warnings(new: &[Stage], supply: &Supply, excess_hz: f64) -> Vec<Warning> {
    let peak_a = supply.current_a * supply.crest_factor;
    let mut list = Vec::new();
    let mut say = |kind, text: String| {
        let w = Warning::new(kind, text);
        if !list.contains(&w) {
            list.push(w);
        }
    };
    for stage in new {
        let name = &stage.part.name;
        let choke = match &stage.part.model {
            Model::CommonModeChoke(c) => Some(c),
            Model::InletFilter(f) => Some(&f.choke),
            _ => None,
        };
        if let Some(c) = choke {
            let flux = c.leakage_flux_t(peak_a);
            if flux > 0.8 * c.saturation_t {
                say(
                    WarningKind::Saturation,
                    format!(
                        "{name}: at {peak_a:.1} A peak its leakage makes {flux:.2} T of the {:.2} T the core takes; line \
                         current does not cancel there.",
                        c.saturation_t
                    ),
                );
            }
            if supply.current_a > c.rated_a {
                say(
                    WarningKind::Rating,
                    format!("{name}: rated {:.2} A, the product takes {:.2} A.", c.rated_a, supply.current_a),
                );
            }
            let ideal = TAU * excess_hz * c.inductance_h;
            let real = c.common_ohm(excess_hz).norm();
            if real < 0.5 * ideal {
                say(
                    WarningKind::Parasitic,
                    format!(
                        "{name}: resonates at {}; at {} it is {} where its inductance alone would be {}. A second, smaller \
                         choke in series does more there than a larger one.",
                        hz(c.resonance_hz()),
                        hz(excess_hz),
                        engineering(real, "Ω"),
                        engineering(ideal, "Ω")
                    ),
                );
            }
        }
        match &stage.part.model {
            Model::Inductor(l) => {
                if peak_a > l.saturation_a {
                    say(
                        WarningKind::Saturation,
                        format!(
                            "{name}: saturates from {:.1} A, the crest of the mains current is {peak_a:.1} A.",
                            l.saturation_a
                        ),
                    );
                }
                if excess_hz > l.resonance_hz() {
                    say(
                        WarningKind::Parasitic,
                        format!(
                            "{name}: resonates at {}, below the excess at {}.",
                            hz(l.resonance_hz()),
                            hz(excess_hz)
                        ),
                    );
                }
            }
            Model::Capacitor(c) if excess_hz > 2.0 * c.resonance_hz() => say(
                WarningKind::Parasitic,
                format!(
                    "{name}: an inductance above {}; at {} only short leads help, more capacitance does not.",
                    hz(c.resonance_hz()),
                    hz(excess_hz)
                ),
            ),
            Model::Ferrite(f) => {
                let more = crate::ferrite::FerriteCore { turns: f.turns + 1, ..f.clone() };
                let z = Complex64::new(150.0, 0.0);
                if more.insertion_db(excess_hz, z, 0.0) < f.insertion_db(excess_hz, z, 0.0) {
                    say(WarningKind::Parasitic, format!("{name}: a further turn would hurt at {}.", hz(excess_hz)));
                }
            }
            _ => {}
        }
    }
    list
}

/// Warnings about the filter as a whole. `converters_hz`: switching frequencies of the product; `limits_hz`: range of the
/// limits.
pub fn filter_warnings(
    port: &PortModel,
    after: &[Stage],
    loss_at_excess_db: f64,
    converters_hz: &[f64],
    limits_hz: (f64, f64),
) -> Vec<Warning> {
    let mut list = Vec::new();
    for mode in Mode::BOTH {
        let (gain, f) = largest_gain(port, after, mode, 9e3, 30e6);
        let near = converters_hz.iter().find(|c| (f / **c - 1.0).abs() < 0.15);
        // Below the limits a gain matters where a converter works, and for what comes from outside; there only large ones.
        if gain > 6.0 && (f >= limits_hz.0 || near.is_some() || gain > 20.0) {
            let close = near.map_or(String::new(), |c| format!(" The converter at {} works there.", hz(*c)));
            list.push(Warning::new(
                WarningKind::Resonance,
                format!(
                    "Amplifies the {} by up to {gain:.0} dB at {} with a source that does not damp it (light load, rectifier \
                     not conducting).{close}",
                    mode.name(),
                    hz(f)
                ),
            ));
        }
    }
    if loss_at_excess_db >= BYPASS_DB - 0.5 {
        list.push(Warning::new(
            WarningKind::Bypass,
            format!(
                "The parts alone would take more than {BYPASS_DB:.0} dB; not more is credited, because input and output wires \
                 and the choke's stray field couple past a filter. Keep the two sides apart."
            ),
        ));
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 12 V, 60 W: −2.4 Ω. With L = 10 µH, C = 10 µF, R = 30 mΩ the poles lie at +19 333 ± j97 474 s⁻¹: unstable. With
    /// dampers of n = 0.5, 1, 2, 4 the resistance and the peak after Erickson (checked numerically).
    #[test]
    fn negative_resistance() {
        assert!(!section_is_stable(10e-6, 30e-3, 10e-6, 2.4));
        assert!(section_is_stable(10e-6, 0.5, 10e-6, 2.4));
        for (n, rd, peak) in [(0.5, 2.472, 4.472), (1.0, 1.449, 2.449), (2.0, 0.913, 1.414), (4.0, 0.612, 0.866)] {
            let (r, p) = parallel_damper(1.0, n);
            assert!((r - rd).abs() < 6e-4 && (p - peak).abs() < 6e-4, "n = {n}: {r} {p}");
        }
    }

    /// The damper's peak once more from the impedance itself: L ∥ C ∥ (R_d + n·C).
    #[test]
    fn the_damped_peak_is_what_the_circuit_shows() {
        for n in [0.5, 1.0, 2.0, 4.0] {
            let (rd, peak) = parallel_damper(1.0, n);
            let z = |f: f64| {
                let w = TAU * f;
                let y = Complex64::new(0.0, -1.0 / (w * 10e-6))
                    + Complex64::new(0.0, w * 10e-6)
                    + Complex64::new(rd, -1.0 / (w * n * 10e-6)).inv();
                y.inv().norm()
            };
            let found = (0..4000).map(|k| z(3e3 * 1.001f64.powi(k))).fold(0.0, f64::max);
            assert!((found / peak - 1.0).abs() < 2e-3, "n = {n}: {found} {peak}");
        }
    }
}
