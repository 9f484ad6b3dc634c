//! What a filter costs beside its volume: earth current, stored charge, inrush, voltage drop, heat.

use std::f64::consts::{SQRT_2, TAU};
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::RemedyError;
use crate::parts::{Capacitor, Model};
use crate::port::{Place, Stage};
use crate::series::Series;

/// A published limit of the current to earth or through a person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EarthCurrentLimit {
    /// Short name.
    pub id: String,
    /// Standard.
    pub standard: String,
    /// Of what.
    pub title: String,
    /// Limit, mA r.m.s.
    pub limit_ma: f64,
    /// `seen` or `memory`.
    pub known: String,
    /// What else its row says.
    pub note: Option<String>,
}

/// A published rule for the charge that stays after the plug is drawn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DischargeRule {
    /// Short name.
    pub id: String,
    /// Standard and clause.
    pub standard: String,
    /// Voltage allowed, V.
    pub to_v: f64,
    /// After so many seconds.
    pub in_s: f64,
    /// Only for capacitances above this, F.
    pub above_f: f64,
    /// `seen` or `memory`.
    pub known: String,
    /// What else its row says.
    pub note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Rules {
    earth_current: Vec<EarthCurrentLimit>,
    discharge: Vec<DischargeRule>,
}

static RULES: LazyLock<Rules> = LazyLock::new(|| {
    // Part of the program; a test parses it.
    toml::from_str(include_str!("../data/safety.toml")).unwrap_or_else(|e| panic!("built-in safety rules: {e}"))
});

/// The published earth-current limits.
pub fn earth_current_limits() -> &'static [EarthCurrentLimit] {
    &RULES.earth_current
}

/// The published discharge rules.
pub fn discharge_rules() -> &'static [DischargeRule] {
    &RULES.discharge
}

/// The supply that the figures are for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Supply {
    /// Voltage, V r.m.s.: the highest, where limits are meant.
    pub voltage_v: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Rated current, A r.m.s.
    pub current_a: f64,
    /// Peak over r.m.s. of the current.
    pub crest_factor: f64,
}

impl Supply {
    /// Checks that it is a supply.
    pub fn check(&self) -> Result<(), RemedyError> {
        for (what, v) in [
            ("supply voltage", self.voltage_v),
            ("supply frequency", self.frequency_hz),
            ("supply current", self.current_a),
            ("crest factor", self.crest_factor),
        ] {
            if !(v.is_finite() && v > 0.0) {
                return Err(RemedyError::measure(what, v, "a number above zero"));
            }
        }
        Ok(())
    }
}

/// Impedance of the public supply for inrush: 0.4 Ω + j0.25 Ω at 50 Hz (IEC 61000-3-3, reference impedance line to
/// neutral), from memory.
const REFERENCE_OHM: f64 = 0.4;
const REFERENCE_H: f64 = 0.25 / (TAU * 50.0);

/// Current through a capacitance on the mains, A r.m.s.: 2πf·C·V.
pub fn reactive_a(capacitance_f: f64, voltage_v: f64, frequency_hz: f64) -> f64 {
    TAU * frequency_hz * capacitance_f * voltage_v
}

/// Largest capacitance (F) that keeps a current limit (A).
pub fn largest_f(limit_a: f64, voltage_v: f64, frequency_hz: f64) -> f64 {
    limit_a / (TAU * frequency_hz * voltage_v)
}

/// Largest discharge resistance (Ω) for a capacitance: t/(C·ln(V₀/V)), from the crest of the supply.
pub fn discharge_ohm(capacitance_f: f64, supply_v: f64, rule: &DischargeRule) -> f64 {
    rule.in_s / (capacitance_f * (supply_v * SQRT_2 / rule.to_v).ln())
}

/// First peak (A) of the current into an empty capacitor switched on at the crest: series R, L, C.
pub fn inrush_peak_a(supply_v: f64, resistance_ohm: f64, inductance_h: f64, capacitance_f: f64) -> f64 {
    let v = supply_v * SQRT_2;
    let a = resistance_ohm / (2.0 * inductance_h);
    let w0 = 1.0 / (inductance_h * capacitance_f).sqrt();
    if a < w0 {
        let w = (w0 * w0 - a * a).sqrt();
        // i = V/(ωL)·e^{−at}·sin ωt, largest where tan ωt = ω/a.
        let t = (w / a).atan() / w;
        v / (w * inductance_h) * (-a * t).exp() * (w * t).sin()
    } else {
        let r = (a * a - w0 * w0).sqrt().max(1e-6 * a);
        let (s1, s2) = (a - r, a + r);
        let t = (s2 / s1).ln() / (s2 - s1);
        v / (2.0 * r * inductance_h) * ((-s1 * t).exp() - (-s2 * t).exp())
    }
}

/// The figures of a whole filter.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Figures {
    /// Current to earth with every Y capacitor at the upper end of its tolerance, A r.m.s.; both lines' capacitors add
    /// (one supply conductor open).
    pub earth_current_a: f64,
    /// Capacitance between the conductors at the upper end of its tolerance, F.
    pub across_f: f64,
    /// Current through it at mains frequency, A r.m.s.
    pub reactive_a: f64,
    /// Discharge resistor needed (largest E24 value), Ω; none where no rule was named or none applies.
    pub discharge_ohm: Option<f64>,
    /// Heat in it, W.
    pub discharge_w: Option<f64>,
    /// Peak of the current into the filter's capacitors at switching on, A.
    pub inrush_peak_a: f64,
    /// Voltage drop over the filter at rated current, V.
    pub drop_v: f64,
    /// Heat in the filter at rated current, W.
    pub heat_w: f64,
    /// Volume of what is added, mm³.
    pub volume_mm3: f64,
    /// Cost index of what is added.
    pub cost_index: f64,
}

fn capacitors(stage: &Stage) -> Vec<(&Capacitor, Place)> {
    match &stage.part.model {
        Model::Capacitor(c) => vec![(c, stage.place)],
        Model::InletFilter(f) => {
            [Some((&f.x_mains, Place::AcrossLines)), f.x_product.as_ref().map(|c| (c, Place::AcrossLines))]
                .into_iter()
                .flatten()
                .chain(f.y.as_ref().map(|c| (c, Place::EachLineToEarth)))
                .collect()
        }
        _ => Vec::new(),
    }
}

/// Series resistance (both conductors) and inductance of a stage for the mains current.
fn in_path(stage: &Stage) -> (f64, f64) {
    let choke = |c: &crate::parts::CommonModeChoke| (2.0 * c.resistance_ohm, c.leakage_h);
    match (&stage.part.model, stage.place) {
        (Model::CommonModeChoke(c), _) => choke(c),
        (Model::InletFilter(f), _) => choke(&f.choke),
        (Model::Inductor(l), Place::InEachLine) => (2.0 * l.resistance_ohm, 2.0 * l.inductance_h),
        (Model::Inductor(l), _) => (l.resistance_ohm, l.inductance_h),
        (Model::Resistor(r), Place::InEachLine) => (2.0 * r.resistance_ohm, 0.0),
        (Model::Resistor(r), Place::InOneLine) => (r.resistance_ohm, 0.0),
        _ => (0.0, 0.0),
    }
}

/// The figures of a filter: earth current, charge and drop of all of it, volume and cost of what is `new`.
pub fn figures(all: &[Stage], new: &[Stage], supply: &Supply, rule: Option<&DischargeRule>) -> Figures {
    let (mut earth_f, mut across_f, mut resistance, mut inductance) = (0.0, 0.0, 0.0, 0.0);
    for stage in all {
        let high = 1.0 + stage.part.tolerance;
        for (c, place) in capacitors(stage) {
            // Of a whole filter the tolerance is its choke's; capacitors have ±20 %.
            let c_high = c.capacitance_f * if matches!(stage.part.model, Model::Capacitor(_)) { high } else { 1.2 };
            if place == Place::AcrossLines {
                across_f += c_high;
            } else {
                earth_f += 2.0 * c_high;
                across_f += c_high / 2.0;
            }
        }
        let (r, l) = in_path(stage);
        resistance += r;
        inductance += l;
    }
    let needs = rule.filter(|r| across_f > r.above_f).map(|r| {
        let ohm = Series::E24.at_most(discharge_ohm(across_f, supply.voltage_v, r));
        (ohm, supply.voltage_v * supply.voltage_v / ohm)
    });
    let pieces = |s: &Stage| f64::from(s.place.pieces());
    Figures {
        earth_current_a: reactive_a(earth_f, supply.voltage_v, supply.frequency_hz),
        across_f,
        reactive_a: reactive_a(across_f, supply.voltage_v, supply.frequency_hz),
        discharge_ohm: needs.map(|n| n.0),
        discharge_w: needs.map(|n| n.1),
        inrush_peak_a: if across_f > 0.0 {
            inrush_peak_a(supply.voltage_v, REFERENCE_OHM + resistance, REFERENCE_H + inductance, across_f)
        } else {
            0.0
        },
        drop_v: resistance * supply.current_a,
        heat_w: resistance * supply.current_a * supply.current_a,
        volume_mm3: new.iter().map(|s| pieces(s) * s.part.volume_mm3).sum(),
        cost_index: new.iter().map(|s| pieces(s) * s.part.cost_index).sum(),
    }
}

/// What a user will not go beyond; what is none is free.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Bounds {
    /// Current to earth, mA r.m.s.
    pub earth_current_ma: Option<f64>,
    /// Peak current at switching on into the filter's capacitors, A.
    pub inrush_a: Option<f64>,
    /// Voltage drop at rated current, V.
    pub drop_v: Option<f64>,
    /// Volume of what is added, mm³.
    pub volume_mm3: Option<f64>,
    /// Cost index of what is added.
    pub cost_index: Option<f64>,
    /// Heat in a discharge resistor, W.
    pub discharge_w: Option<f64>,
    /// Discharge rule, by its id.
    pub discharge: Option<String>,
    /// Only these parts, by id; empty: any.
    pub at_hand: Vec<String>,
}

impl Bounds {
    /// Checks the numbers and names.
    pub fn check(&self) -> Result<(), RemedyError> {
        for (what, v) in [
            ("earth current", self.earth_current_ma),
            ("inrush", self.inrush_a),
            ("voltage drop", self.drop_v),
            ("volume", self.volume_mm3),
            ("cost index", self.cost_index),
            ("discharge heat", self.discharge_w),
        ] {
            if let Some(v) = v
                && !(v.is_finite() && v >= 0.0)
            {
                return Err(RemedyError::measure(what, v, "zero or a number above it"));
            }
        }
        self.rule().map(|_| ())
    }

    /// The discharge rule named.
    pub fn rule(&self) -> Result<Option<&'static DischargeRule>, RemedyError> {
        let Some(id) = &self.discharge else { return Ok(None) };
        discharge_rules().iter().find(|r| &r.id == id).map(Some).ok_or_else(|| {
            let known: Vec<&str> = discharge_rules().iter().map(|r| r.id.as_str()).collect();
            RemedyError::file("discharge rule", format!("`{id}`"), &format!("one of {}", known.join(", ")))
        })
    }

    /// The first bound that the figures break, in words.
    pub fn broken(&self, f: &Figures) -> Option<String> {
        let over = |value: f64, bound: Option<f64>| bound.is_some_and(|b| value > b * (1.0 + 1e-9));
        if over(f.earth_current_a * 1e3, self.earth_current_ma) {
            return Some(format!("{:.2} mA to earth", f.earth_current_a * 1e3));
        }
        if over(f.inrush_peak_a, self.inrush_a) {
            return Some(format!("{:.1} A at switching on", f.inrush_peak_a));
        }
        if over(f.drop_v, self.drop_v) {
            return Some(format!("{:.2} V of voltage drop", f.drop_v));
        }
        if over(f.volume_mm3, self.volume_mm3) {
            return Some(format!("{:.0} mm³", f.volume_mm3));
        }
        if over(f.cost_index, self.cost_index) {
            return Some(format!("cost index {:.1}", f.cost_index));
        }
        if f.discharge_w.is_some_and(|w| over(w, self.discharge_w)) {
            return Some(format!("{:.2} W in the discharge resistor", f.discharge_w.unwrap_or_default()));
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Largest total capacitance, nF, for 0.1 to 5 mA at three supplies, C = I/(2πfV).
    #[test]
    fn y_capacitance_by_limit() {
        let currents = [0.1, 0.25, 0.5, 0.75, 3.5, 5.0];
        for (v, f, nf) in [
            (230.0, 50.0, [1.38, 3.46, 6.92, 10.38, 48.4, 69.2]),
            (265.0, 50.0, [1.20, 3.00, 6.01, 9.01, 42.0, 60.1]),
            (264.0, 60.0, [1.00, 2.51, 5.02, 7.54, 35.2, 50.2]),
        ] {
            for (ma, expected) in currents.into_iter().zip(nf) {
                let got = largest_f(ma * 1e-3, v, f) * 1e9;
                assert!((got / expected - 1.0).abs() < 5e-3, "{ma} mA at {v} V: {got}");
            }
        }
        assert!((reactive_a(4.7e-9, 230.0, 50.0) * 1e3 - 0.340).abs() < 5e-4);
        assert!((reactive_a(4.7e-9 * 1.2, 264.0, 60.0) * 1e3 - 0.561).abs() < 5e-4);
        assert!((reactive_a(1e-6, 230.0, 50.0) * 1e3 - 72.3).abs() < 0.05);
    }

    /// Largest discharge resistor for 1 µF, R = t/(C·ln(V₀/V)), and its heat V²/R.
    #[test]
    fn discharge_of_a_microfarad() {
        let rule = |to_v, in_s| DischargeRule {
            id: String::new(),
            standard: String::new(),
            to_v,
            in_s,
            above_f: 0.0,
            known: "memory".into(),
            note: None,
        };
        for (v, to, t, kohm, mw) in [
            (230.0, 34.0, 1.0, 443.0, 119.0),
            (264.0, 60.0, 2.0, 1094.0, 64.0),
            (264.0, 60.0, 1.0, 547.0, 127.0),
            (264.0, 60.0, 5.0, 2735.0, 25.5),
        ] {
            let r = discharge_ohm(1e-6, v, &rule(to, t));
            assert!((r / 1e3 / kohm - 1.0).abs() < 2e-3, "{v} V to {to} V in {t} s: {r}");
            assert!((v * v / r * 1e3 / mw - 1.0).abs() < 0.01, "heat: V²/R");
        }
    }

    /// With no inductance to speak of the first peak is V/R: 325.3 V over 10.4 Ω is 31.3 A; with little resistance it is
    /// V·√(C/L).
    #[test]
    fn inrush() {
        assert!((inrush_peak_a(230.0, 10.4, 1e-9, 100e-6) - 31.3).abs() < 0.05);
        let free = 325.27 * (1e-6f64 / 796e-6).sqrt();
        assert!((inrush_peak_a(230.0, 1e-3, 796e-6, 1e-6) / free - 1.0).abs() < 1e-3);
    }

    #[test]
    fn rules_are_read_and_unknown_ones_named() {
        assert!(earth_current_limits().len() > 8);
        let bounds = Bounds { discharge: Some("iec99999".into()), ..Bounds::default() };
        assert!(bounds.check().unwrap_err().to_string().contains("iec60335"));
    }
}
