use std::f64::consts::{SQRT_2, TAU};

use num_complex::Complex64;

use super::{PredictionError, SupplyFile, Topology};
use crate::assess::{Basis, FlickerAssessment, FlickerJob, assess_computed};
use crate::flicker::Lamp;
use crate::record::{ChannelUse, RecordSetup};
use crate::voltage_change::Impedance;

/// Samples a second of a computed schedule.
const RATE_HZ: f64 = 4000.0;

/// Supply voltage and current of loads on a schedule, behind `impedance`, for `seconds` at 4 kS/s. Loads are switched
/// without a transient of their own: the current of a moment is that of all loads that are on, settled.
pub fn schedule_current(
    supply: &SupplyFile,
    impedance: &Impedance,
    seconds: f64,
) -> Result<(Vec<f64>, Vec<f64>), PredictionError> {
    supply.check()?;
    let w = TAU * supply.mains_hz;
    let z = Complex64::new(impedance.r_ohm, w * impedance.inductance_h());
    let u = supply.mains_v;
    let load = |power_w: f64, power_factor: f64| {
        // Impedance of the load at nominal voltage; its admittance adds to that of the others.
        let s = power_w / power_factor;
        Complex64::from_polar(s / (u * u), -power_factor.acos())
    };
    let (mut list, mut period): (Vec<(Complex64, f64, f64, f64)>, f64) = (Vec::new(), 1.0 / supply.mains_hz);
    match &supply.input {
        Topology::BurstFired { heater, on_cycles, period_cycles } => {
            let cycle = 1.0 / supply.mains_hz;
            let (on, all) = (f64::from(*on_cycles) * cycle, f64::from(*period_cycles) * cycle);
            list.push((load(heater.power_w, 1.0), 0.0, on, all));
        }
        Topology::Relays { loads } => {
            period = 0.0;
            for l in loads {
                list.push((load(l.power_w, l.power_factor), l.first_on_s, l.on_s, l.on_s + l.off_s));
            }
        }
        _ => {
            return Err(PredictionError::Description {
                field: "input.kind".into(),
                what: "a network".into(),
                expected: "burst_fired or relays".into(),
            });
        }
    }
    let n = (seconds * RATE_HZ) as usize;
    let mut voltage = Vec::with_capacity(n);
    let mut current = Vec::with_capacity(n);
    let mut last = (Complex64::ZERO, Complex64::ZERO);
    for k in 0..n {
        let t = k as f64 / RATE_HZ;
        // Whole cycles of a burst start exactly on a crossing: half a sample keeps rounding from moving the edge.
        let at = t + if period > 0.0 { 0.25 / RATE_HZ } else { 0.0 };
        let y: Complex64 = list
            .iter()
            .filter(|(_, first, on, all)| at >= *first && (at - first).rem_euclid(*all) < *on)
            .map(|(y, ..)| *y)
            .sum();
        if y != last.0 {
            last = (y, if y == Complex64::ZERO { y } else { u / (z + 1.0 / y) });
        }
        let (sin, cos) = (w * t).sin_cos();
        voltage.push(SQRT_2 * u * sin);
        current.push(SQRT_2 * (last.1.re * sin + last.1.im * cos));
    }
    Ok((voltage, current))
}

/// Flicker and voltage change of loads on a schedule over `seconds` (7200 for a long-term severity).
pub fn predict_flicker(
    supply: &SupplyFile,
    lamp: Lamp,
    impedance: &Impedance,
    equipment: &str,
    seconds: f64,
) -> Result<FlickerAssessment, PredictionError> {
    let (voltage, current) = schedule_current(supply, impedance, seconds)?;
    let one = |index| Some(ChannelUse { index, units_per_count: 1.0 });
    let job = FlickerJob {
        setup: RecordSetup {
            rate_hz: RATE_HZ,
            mains: supply.mains()?,
            voltage: one(0),
            current: one(1),
            current_late_s: 0.0,
            full_scale_counts: None,
        },
        lamp,
        nominal_v: Some(supply.mains_v),
        basis: Basis::Current { impedance: impedance.clone(), lag_deg: 0.0 },
        equipment: equipment.into(),
        manual_switching: false,
    };
    Ok(assess_computed(&job, &voltage, &current)?)
}
