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

/// Random numbers of one sample: a counter hashed by the finaliser of splitmix64 (Steele et al., OOPSLA 2014), so that a
/// sample's numbers do not depend on which thread draws them.
struct Draws(u64);

impl Draws {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A factor about 1.
    fn factor(&mut self, spread: Spread) -> f64 {
        match spread {
            Spread::Uniform(part) => 1.0 + part * (2.0 * self.next() - 1.0),
            Spread::Normal(sigma) => loop {
                // Box and Muller.
                let (u, v) = (1.0 - self.next(), self.next());
                let n = (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos();
                if n.abs() <= 3.0 {
                    break 1.0 + sigma * n;
                }
            },
        }
    }
}

/// Runs a tolerance study, on all cores unless told otherwise.
///
/// In memory stand samples × frequencies values of four bytes.
pub fn tolerance_study(
    system: &AcSystem,
    study: &ToleranceStudy,
    probe: Probe,
    frequency_hz: &[f64],
) -> Result<ToleranceResult, CircuitError> {
    let setting = |what: String, expected: &str| CircuitError::Setting { what, expected: expected.into() };
    if study.samples == 0 || study.samples.saturating_mul(frequency_hz.len()) > 2_000_000_000 {
        let what = format!("{} samples at {} frequencies", study.samples, frequency_hz.len());
        return Err(setting(what, "1 to 2 thousand million values together"));
    }
    if let Some(p) = study.percentiles.iter().find(|p| !(0.0..=100.0).contains(*p)) {
        return Err(setting(format!("a percentile of {p}"), "0 to 100"));
    }
    let mut nominal = Vec::with_capacity(study.parts.len());
    for (id, spread) in &study.parts {
        let e = system.netlist().element(*id);
        let Some(v) = system.netlist().value(*id) else {
            return Err(system.netlist().fault(e, "has no single value that can spread", "an element with one").into());
        };
        let (Spread::Uniform(part) | Spread::Normal(part)) = *spread;
        let most = if matches!(spread, Spread::Uniform(_)) { 0.99 } else { 0.33 };
        if !(0.0..=most).contains(&part) {
            let what = format!("a spread of {part} for `{}`", e.name);
            return Err(setting(what, "a part of the value below 1 (below 0.33 for a standard deviation)"));
        }
        nominal.push(v);
    }
    let db = |v: &num_complex::Complex64| 20.0 * v.norm().log10();
    let nominal_db: Vec<f64> = system.response(frequency_hz, &[probe])?[0].iter().map(db).collect();

    let points = frequency_hz.len();
    let mut all = vec![0f32; study.samples * points];
    let threads = study
        .threads
        .unwrap_or_else(|| std::thread::available_parallelism().map_or(1, std::num::NonZero::get))
        .clamp(1, study.samples);
    let share = study.samples.div_ceil(threads);
    let done: Vec<Result<(), CircuitError>> = std::thread::scope(|scope| {
        let workers: Vec<_> = all
            .chunks_mut(share * points.max(1))
            .enumerate()
            .map(|(worker, rows)| {
                let mut own = system.clone();
                let nominal = &nominal;
                scope.spawn(move || -> Result<(), CircuitError> {
                    for (k, row) in rows.chunks_mut(points.max(1)).enumerate() {
                        let sample = (worker * share + k) as u64;
                        let mut draws = Draws(study.seed ^ sample.wrapping_mul(0xD6E8_FEB8_6659_FD93));
                        let values: Vec<(ElementId, f64)> = study
                            .parts
                            .iter()
                            .zip(nominal)
                            .map(|((id, spread), v)| (*id, v * draws.factor(*spread)))
                            .collect();
                        if own.is_nonlinear() {
                            own.set_values(&values)?;
                        } else {
                            for (id, v) in &values {
                                own.set_raw(*id, *v);
                            }
                            own.restamp();
                        }
                        for (out, v) in row.iter_mut().zip(&own.response(frequency_hz, &[probe])?[0]) {
                            *out = (20.0 * v.norm().log10()) as f32;
                        }
                    }
                    Ok(())
                })
            })
            .collect();
        workers
            .into_iter()
            .map(|w| match w.join() {
                Ok(result) => result,
                Err(panic) => std::panic::resume_unwind(panic),
            })
            .collect()
    });
    done.into_iter().collect::<Result<Vec<()>, _>>()?;

    let mut percentiles_db: Vec<(f64, Vec<f64>)> =
        study.percentiles.iter().map(|p| (*p, Vec::with_capacity(points))).collect();
    let mut column = vec![0f32; study.samples];
    for i in 0..points {
        for (c, row) in column.iter_mut().zip(all.chunks_exact(points)) {
            *c = row[i];
        }
        for (p, out) in &mut percentiles_db {
            // Nearest rank below, and the straight line to the next.
            let place = *p / 100.0 * (study.samples - 1) as f64;
            let low = place.floor() as usize;
            let (_, below, rest) = column.select_nth_unstable_by(low, f32::total_cmp);
            let below = f64::from(*below);
            let above = rest.iter().copied().min_by(f32::total_cmp).map_or(below, f64::from);
            out.push(below + (above - below) * (place - low as f64));
        }
    }
    Ok(ToleranceResult { frequency_hz: frequency_hz.to_vec(), nominal_db, percentiles_db, samples: study.samples })
}
