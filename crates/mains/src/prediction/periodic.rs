use circuit::{Netlist, Output, TransientOptions, transient};

use super::{PredictionError, SupplyFile};
use crate::harmonics::{Analyser, Judgement, Product, Settings, judge};
use crate::record::{ChannelUse, Consumer, MainsBlock, RecordSetup};

/// One settled cycle of the mains, evenly sampled.
#[derive(Debug, Clone, PartialEq)]
pub struct Cycle {
    /// Samples a second, Hz.
    pub rate_hz: f64,
    /// Voltage of the mains source, V.
    pub voltage_v: Vec<f64>,
    /// Current from the mains, A.
    pub current_a: Vec<f64>,
    /// Cycles it took to settle.
    pub cycles: usize,
    /// Difference of the last two cycles, r.m.s. over r.m.s.
    pub difference: f64,
}

/// Samples a cycle.
const POINTS: usize = 2000;
/// Two cycles that differ by less than this count as the same.
const SETTLED: f64 = 5e-4;

impl Cycle {
    /// R.m.s. value and phase (sine, rad) of an order of the current.
    pub fn order(&self, order: usize) -> (f64, f64) {
        let n = self.current_a.len();
        let (mut s, mut c) = (0.0, 0.0);
        for (k, i) in self.current_a.iter().enumerate() {
            let x = std::f64::consts::TAU * ((order * k) % n) as f64 / n as f64;
            s += i * x.sin();
            c += i * x.cos();
        }
        let scale = std::f64::consts::SQRT_2 / n as f64;
        ((s * s + c * c).sqrt() * scale, c.atan2(s))
    }

    /// Active power from the source, W.
    pub fn power_w(&self) -> f64 {
        let n = self.current_a.len() as f64;
        self.voltage_v.iter().zip(&self.current_a).map(|(u, i)| u * i).sum::<f64>() / n
    }

    /// R.m.s. value of the current, A.
    pub fn rms_a(&self) -> f64 {
        (self.current_a.iter().map(|i| i * i).sum::<f64>() / self.current_a.len() as f64).sqrt()
    }
}

/// Runs the network until two cycles are alike.
pub fn periodic(supply: &SupplyFile) -> Result<Cycle, PredictionError> {
    supply.check()?;
    // A coil across the mains starts without offset where the voltage is at its peak.
    let angle = if matches!(supply.input, super::Topology::Transformer { .. }) { 90.0 } else { 0.0 };
    let Some(text) = supply.netlist(angle, 0.95) else {
        return Err(PredictionError::Description {
            field: "input".into(),
            what: "a load on a schedule".into(),
            expected: "an input with a periodic current".into(),
        });
    };
    let net = Netlist::parse(&text, "supply")?;
    let period_s = 1.0 / supply.mains_hz;
    let mut last = 0.0;
    for cycles in [16, 50, 160] {
        let mut options = TransientOptions::new(period_s / POINTS as f64, period_s * cycles as f64);
        options.use_initial_conditions = true;
        options.output = Output::Grid;
        options.max_steps = 2_000_000;
        options.max_step_s = Some(period_s / 800.0);
        // The current is a small difference of voltages over a small resistance: an error allowed to the voltages is many
        // times larger in it.
        options.reltol = 1e-5;
        let waves = transient(&net, &options)?;
        let current = waves.current("rs")?;
        let voltage = waves.voltage("s")?;
        let n = current.len();
        if n < 2 * POINTS {
            continue;
        }
        let one = &current[n - 1 - POINTS..n - 1];
        let before = &current[n - 1 - 2 * POINTS..n - 1 - POINTS];
        let power: f64 = one.iter().map(|i| i * i).sum();
        let off: f64 = one.iter().zip(before).map(|(a, b)| (a - b).powi(2)).sum();
        last = (off / power.max(1e-30)).sqrt();
        if last < SETTLED {
            return Ok(Cycle {
                rate_hz: supply.mains_hz * POINTS as f64,
                voltage_v: voltage[n - 1 - POINTS..n - 1].to_vec(),
                current_a: one.to_vec(),
                cycles,
                difference: last,
            });
        }
    }
    Err(PredictionError::NotPeriodic { cycles: 160, difference_percent: last * 100.0 })
}

/// The settled current against a class of IEC 61000-3-2.
pub fn predict_harmonics(supply: &SupplyFile, product: &Product) -> Result<(Cycle, Judgement), PredictionError> {
    let cycle = periodic(supply)?;
    let judgement = judge_cycle(supply, &cycle, product)?;
    Ok((cycle, judgement))
}

/// Two seconds of the same cycle, analysed as a recording is. Every tenth sample is enough for the 40th order once what
/// lies above is averaged away; here the whole rate is kept, so nothing has to be.
fn judge_cycle(supply: &SupplyFile, cycle: &Cycle, product: &Product) -> Result<Judgement, PredictionError> {
    let one = |index| Some(ChannelUse { index, units_per_count: 1.0 });
    let record = RecordSetup {
        rate_hz: cycle.rate_hz,
        mains: supply.mains()?,
        voltage: one(0),
        current: one(1),
        current_late_s: 0.0,
        full_scale_counts: None,
    };
    let mut analyser = Analyser::new(Settings { record, ignore_first_s: 0.0, wave_shape: true })?;
    let mut first_frame = 0;
    for _ in 0..(2.0 * supply.mains_hz) as usize {
        analyser.take(&MainsBlock { first_frame, voltage_v: &cycle.voltage_v, current_a: &cycle.current_a })?;
        first_frame += cycle.current_a.len() as u64;
    }
    Ok(judge(&analyser.finish()?, product)?)
}
