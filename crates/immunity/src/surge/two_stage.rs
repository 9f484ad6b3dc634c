//! Two parts one behind the other: a coarse one at the line, a resistor or inductor, and a fine one at the circuit.

use circuit::{CombinationWave, TransientOptions, transient};
use serde::Serialize;

use super::{Coupling, Part, PartKind, Pulse, SurgeError, add_part, circuit, input};

/// What stands between the two parts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SeriesPart {
    /// Resistance, ohm.
    pub ohm: f64,
    /// Inductance, H; 0 for a resistor alone.
    pub henry: f64,
}

/// A coarse part, what stands between, and a fine part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TwoStage {
    /// At the line: mostly an arrestor or a varistor.
    pub first: Part,
    /// Between them.
    pub series: SeriesPart,
    /// At the circuit: mostly a diode.
    pub second: Part,
}

/// What one pulse does to two stages.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TwoStageStress {
    /// Highest voltage at the line, V.
    pub line_v: f64,
    /// Highest voltage at the circuit behind, V.
    pub circuit_v: f64,
    /// Highest current in the first part, A.
    pub first_a: f64,
    /// Highest current in the second part, A.
    pub second_a: f64,
    /// Energy in the first part, J.
    pub first_j: f64,
    /// Energy in the second part, J.
    pub second_j: f64,
    /// Energy in the resistance between, J.
    pub series_j: f64,
    /// The first part took current: it fired or clamped. False: the second bears all of the pulse.
    pub shared: bool,
    /// Least resistance by which the first part fires before the second passes its clamping current, ohm; none where the first
    /// part does not fire, or the second has no such figure.
    pub least_ohm: Option<f64>,
    /// What should be known, worst first.
    pub warnings: Vec<String>,
}

/// Resistance that lifts the line to the first part's sparkover before the second part passes its limiting current:
/// `(Vspark − Vclamp)/Iclamp`.
pub fn least_series_ohm(spark_v: f64, clamp_v: f64, limit_a: f64) -> f64 {
    ((spark_v - clamp_v) / limit_a).max(0.0)
}

/// Current of 8/20 µs that a diode bears, A: its pulse power rises with the root of the shorter time (1 ms to 20 µs).
fn limit_8_20_a(part: &Part) -> Option<(f64, f64)> {
    match part.kind {
        PartKind::Tvs { clamp_v, pulse_power_w, .. } => {
            Some((clamp_v, pulse_power_w * (1e-3f64 / 20e-6).sqrt() / clamp_v))
        }
        _ => None,
    }
}

impl TwoStage {
    /// Stress of one pulse.
    ///
    /// # Errors
    /// Values that make no sense, or a circuit that cannot be solved.
    pub fn stress(&self, pulse: &Pulse) -> Result<TwoStageStress, SurgeError> {
        if !(pulse.level_v.is_finite() && pulse.level_v != 0.0) {
            return input("level", pulse.level_v, "a voltage that is not zero");
        }
        let SeriesPart { ohm, henry } = self.series;
        if !(ohm.is_finite() && ohm > 0.0 && henry.is_finite() && henry >= 0.0) {
            return input("series", format!("{ohm} ohm, {henry} H"), "a resistance above zero, and an inductance or 0");
        }
        let mut net = circuit(pulse, &CombinationWave::NOMINAL, &self.first);
        if henry > 0.0 {
            net.inductor("l_series", "line", "between", henry).resistor("r_series", "between", "inner", ohm);
        } else {
            net.resistor("r_series", "line", "inner", ohm);
        }
        // A wire's worth of capacitance: without it a branch of coil and diode alone has no state before the diode conducts.
        net.charged_capacitor("c_inner", "inner", "0", 100e-12, 0.0);
        add_part(&mut net, pulse, &self.second, "inner", ["second", "second_gap", "second_arc"]);
        let stop = if pulse.coupling == Coupling::Telecom { 6e-3 } else { 500e-6 };
        let options =
            TransientOptions { use_initial_conditions: true, reltol: 1e-5, ..TransientOptions::new(stop / 5e3, stop) };
        let waves = transient(&net, &options)?;
        let (first, second, series) = (waves.energy("part")?, waves.energy("second")?, waves.energy("r_series")?);
        let gap = matches!(self.first.kind, PartKind::Arrestor { .. });
        let inner_gap = matches!(self.second.kind, PartKind::Arrestor { .. });
        let shared = first.peak_current_a > 0.1;
        let across = |is_gap: bool, name: &str, gap: &str| -> Result<f64, SurgeError> {
            Ok(waves.energy(if is_gap { gap } else { name })?.peak_voltage_v)
        };
        let line_v = match self.first.kind {
            PartKind::Arrestor { spark_v, .. } if shared => across(gap, "part", "gap")?.max(spark_v),
            _ => across(gap, "part", "gap")?,
        };
        let least_ohm = match (&self.first.kind, limit_8_20_a(&self.second)) {
            (PartKind::Arrestor { spark_v, .. }, Some((clamp_v, limit_a))) => {
                Some(least_series_ohm(*spark_v, clamp_v, limit_a))
            }
            _ => None,
        };
        let mut warnings = Vec::new();
        if let Some((_, limit_a)) = limit_8_20_a(&self.second)
            && second.peak_current_a > limit_a
        {
            warnings.push(format!(
                "The second part takes {:.1} A, and bears {limit_a:.1} A of 8/20 µs: it fails short.",
                second.peak_current_a
            ));
        }
        if !shared {
            warnings.push(format!(
                "The first part takes no current ({line_v:.0} V at the line): the second bears all of the pulse. That is sound where it \
                 can, and hides a coarse part that never works."
            ));
        }
        if let Some(least) = least_ohm.filter(|r| ohm < *r && henry == 0.0) {
            warnings.push(format!(
                "{ohm} ohm between them: with a stiffer source the second part passes its limit before the first fires; {least:.1} ohm \
                 or more, or an inductor."
            ));
        }
        if gap {
            warnings.push(
                "An arrestor on a supply keeps burning after the surge (follow current): it belongs on signal lines, or in series with a \
                 varistor."
                    .to_owned(),
            );
        }
        Ok(TwoStageStress {
            line_v,
            circuit_v: across(inner_gap, "second", "second_gap")?,
            first_a: first.peak_current_a,
            second_a: second.peak_current_a,
            first_j: first.absorbed_j - first.stored_j,
            second_j: second.absorbed_j - second.stored_j,
            series_j: series.absorbed_j,
            shared,
            least_ohm,
            warnings,
        })
    }
}
