use std::f64::consts::TAU;

use circuit::{Netlist, Output, TransientOptions, transient};
use serde::{Deserialize, Serialize};

use super::{PredictionError, SupplyFile};
use crate::inrush::{Inrush, of_current};
use crate::voltage_change::{ChangeSettings, Impedance, VoltageChangeMeter};

/// A switching-on that was computed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SwitchOn {
    /// Angle of the mains, degrees.
    pub angle_deg: f64,
    /// Peak, I²t and half-cycle r.m.s. of the current.
    pub inrush: Inrush,
    /// dmax on the reference impedance, %.
    pub dmax_percent: f64,
    /// dc on the reference impedance, %.
    pub dc_percent: f64,
    /// Time above 3.3 %, s.
    pub tmax_s: f64,
}

/// Samples a second of what is computed.
const RATE_HZ: f64 = 20_000.0;

/// Voltage and current from the moment of switching on, capacitors empty, for `seconds`, at 20 kS/s.
pub fn switch_on(supply: &SupplyFile, angle_deg: f64, seconds: f64) -> Result<(Vec<f64>, Vec<f64>), PredictionError> {
    supply.check()?;
    let Some(text) = supply.netlist(angle_deg, 0.0) else {
        return Err(PredictionError::Description {
            field: "input".into(),
            what: "a load on a schedule".into(),
            expected: "an input that is a network".into(),
        });
    };
    let net = Netlist::parse(&text, "supply")?;
    let mut options = TransientOptions::new(1.0 / RATE_HZ, seconds);
    options.use_initial_conditions = true;
    options.output = Output::Grid;
    options.max_steps = 2_000_000;
    options.max_step_s = Some(1.0 / supply.mains_hz / 200.0);
    let waves = transient(&net, &options)?;
    Ok((waves.voltage("s")?, waves.current("rs")?))
}

/// Inrush and voltage step at each angle. The current is that behind the supply's own source impedance (give the
/// reference impedance there for the voltage step a test would show); the step is that on `impedance`.
pub fn inrush_by_angle(
    supply: &SupplyFile,
    impedance: &Impedance,
    angles_deg: &[f64],
) -> Result<Vec<SwitchOn>, PredictionError> {
    let mains = supply.mains()?;
    let mut out = Vec::new();
    for &angle_deg in angles_deg {
        let (_, current) = switch_on(supply, angle_deg, 1.6)?;
        let mut inrush = of_current(&current, RATE_HZ, mains, 0.05);
        inrush.angle_deg = Some(angle_deg);
        let settings = ChangeSettings { mains, nominal_v: supply.mains_v, tmax_threshold_percent: 3.3 };
        let mut meter = VoltageChangeMeter::new(RATE_HZ, &settings)?;
        // Two seconds of a clean mains before, whose phase runs into the angle of the switching.
        let before = (2.0 * RATE_HZ) as usize;
        let w = TAU * supply.mains_hz / RATE_HZ;
        let l = impedance.inductance_h() * RATE_HZ;
        let at = |k: isize| -> f64 { usize::try_from(k).ok().and_then(|k| current.get(k)).copied().unwrap_or(0.0) };
        let u: Vec<f64> = (0..before + current.len() - 1)
            .map(|n| {
                let k = n as isize - before as isize;
                let clean = supply.peak_v() * (w * k as f64 + angle_deg.to_radians()).sin();
                clean - impedance.r_ohm * at(k) - l * (at(k + 1) - at(k - 1)) / 2.0
            })
            .collect();
        meter.push(&u);
        let change = meter.finish()?;
        out.push(SwitchOn {
            angle_deg,
            inrush,
            dmax_percent: change.dmax_percent,
            dc_percent: change.dc_percent,
            tmax_s: change.tmax_s,
        });
    }
    Ok(out)
}
