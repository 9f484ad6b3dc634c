//! The trace a changed port would have.
//!
//! In each mode the terminal voltage changes by g = T_after/T_before, the ratio of the ladders' transfers between the
//! same source and the network. With line and neutral U_L, U_N and p = (g_c + g_d)/2, m = (g_c − g_d)/2 the line becomes
//! p·U_L + m·U_N (and the neutral likewise). Receivers give amplitudes only, so the phase φ between the two is open:
//! at worst a·|p| + b·|m|, in the mean of all phases √(a²|p|² + b²|m|²). Where the common mode was measured too (a current
//! clamp round both conductors), cos φ follows from |U_L + U_N| and only its sign is open.

use emission::{Column, Trace};
use num_complex::Complex64;
use quantity::Unit;
use serde::{Deserialize, Serialize};
use standards::Detector;

use crate::RemedyError;
use crate::port::{Mode, PortModel, Stage, ladder};

/// Filters are not credited with more than this: above it, coupling past the filter decides (60 to 80 dB usual, from
/// memory).
pub const BYPASS_DB: f64 = 60.0;

/// What is known of the modes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ModeKnowledge {
    /// Only amplitudes: every phase between the conductors is possible.
    #[default]
    Unknown,
    /// All common mode.
    Common,
    /// All differential mode.
    Differential,
}

/// What was measured at the port: levels at the product's terminals (chain applied), dBµV.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// The conductor whose run is to be mended.
    pub first: Trace,
    /// The other conductor in the same state, on the same frequencies.
    pub second: Option<Trace>,
    /// Common-mode current by a clamp round both conductors, dBµA, on the same frequencies.
    pub common_current: Option<Trace>,
    /// What else is known.
    pub knowledge: ModeKnowledge,
}

impl Measured {
    /// One conductor, nothing else known.
    pub fn one(first: Trace) -> Self {
        Self { first, second: None, common_current: None, knowledge: ModeKnowledge::Unknown }
    }

    /// Checks units and frequencies.
    pub fn check(&self) -> Result<(), RemedyError> {
        self.first.validate().map_err(|e| RemedyError::Traces(format!("the trace of the run: {e}")))?;
        let unit = |t: &Trace, name: &str, unit: Unit| {
            if t.unit == Some(unit) {
                Ok(())
            } else {
                let found = t.unit.map_or_else(|| "no known unit".to_owned(), |u| u.to_string());
                Err(RemedyError::Traces(format!("{name} is in {found}; expected {unit}, at the product's terminal")))
            }
        };
        unit(&self.first, "the trace of the run", Unit::DbUv)?;
        let others = [
            (&self.second, "the trace of the other conductor", Unit::DbUv),
            (&self.common_current, "the common-mode current", Unit::DbUa),
        ];
        for (trace, name, expected) in others {
            let Some(trace) = trace else { continue };
            unit(trace, name, expected)?;
            let same = trace.frequency_hz.len() == self.first.frequency_hz.len()
                && trace.frequency_hz.iter().zip(&self.first.frequency_hz).all(|(a, b)| (a - b).abs() <= 1e-9 * b);
            if !same {
                return Err(RemedyError::Traces(format!("{name} has other frequencies than the trace of the run")));
            }
        }
        Ok(())
    }

    /// Only some of the frequencies, by position.
    pub fn at(&self, positions: &[usize]) -> Self {
        let pick = |t: &Trace| Trace {
            frequency_hz: positions.iter().map(|&k| t.frequency_hz[k]).collect(),
            columns: t
                .columns
                .iter()
                .map(|c| Column {
                    level_db: positions.iter().map(|&k| c.level_db[k]).collect(),
                    lower_bound: Vec::new(),
                    floor_db: if c.floor_db.is_empty() {
                        Vec::new()
                    } else {
                        positions.iter().map(|&k| c.floor_db[k]).collect()
                    },
                    ..c.clone()
                })
                .collect(),
            ..t.clone()
        };
        Self {
            first: pick(&self.first),
            second: self.second.as_ref().map(pick),
            common_current: self.common_current.as_ref().map(pick),
            knowledge: self.knowledge,
        }
    }

    /// cos φ between the conductors' voltages where the common mode is known, at frequency `k`, for amplitudes a, b in V.
    pub(crate) fn cos_at(&self, port: &PortModel, k: usize, detector: Option<Detector>, a: f64, b: f64) -> Option<f64> {
        let current = self.common_current.as_ref()?;
        let c = detector.and_then(|d| current.column(d)).or_else(|| current.columns.first())?;
        let level = c.level_db[k];
        if !level.is_finite() {
            return None;
        }
        let common_v =
            quantity::db_to_amplitude(level) * 1e-6 * port.load_ohm(Mode::Common, self.first.frequency_hz[k]).norm();
        // |U_L + U_N| = 2·|U_cm|; readings that contradict each other land on the nearer end.
        Some(((4.0 * common_v * common_v - a * a - b * b) / (2.0 * a * b)).clamp(-1.0, 1.0))
    }
}

/// How the modes change at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gains {
    /// Common mode, after over before.
    pub common: Complex64,
    /// Differential mode, after over before.
    pub differential: Complex64,
}

impl Gains {
    /// The conductor of amplitude `a` beside one of amplitude `b` (V): `(expected, worst)` afterwards, V.
    pub fn apply(self, a: f64, b: f64, cos_phase: Option<f64>, knowledge: ModeKnowledge) -> (f64, f64) {
        match knowledge {
            ModeKnowledge::Common => (a * self.common.norm(), a * self.common.norm()),
            ModeKnowledge::Differential => (a * self.differential.norm(), a * self.differential.norm()),
            ModeKnowledge::Unknown => {
                let p = (self.common + self.differential) / 2.0;
                let m = (self.common - self.differential) / 2.0;
                match cos_phase {
                    Some(cos) => {
                        let sin = (1.0 - cos * cos).max(0.0).sqrt();
                        let with = |sin: f64| (p * a + m * b * Complex64::new(cos, sin)).norm();
                        let (x, y) = (with(sin), with(-sin));
                        (f64::midpoint(x * x, y * y).sqrt(), x.max(y))
                    }
                    None => {
                        let (x, y) = (a * p.norm_sqr().sqrt(), b * m.norm_sqr().sqrt());
                        ((x * x + y * y).sqrt(), x + y)
                    }
                }
            }
        }
    }

    /// The same for one phase between the conductors, rad.
    pub fn apply_at_phase(self, a: f64, b: f64, phase: f64, knowledge: ModeKnowledge) -> f64 {
        match knowledge {
            ModeKnowledge::Common => a * self.common.norm(),
            ModeKnowledge::Differential => a * self.differential.norm(),
            ModeKnowledge::Unknown => {
                let p = (self.common + self.differential) / 2.0;
                let m = (self.common - self.differential) / 2.0;
                (p * a + m * b * Complex64::cis(phase)).norm()
            }
        }
    }

    /// With nothing credited beyond [`BYPASS_DB`].
    pub fn with_bypass(self) -> Self {
        // Squares instead of norms: this runs for every frequency and pair of sources.
        const FLOOR: f64 = 1e-6;
        let limit = |g: Complex64| {
            let square = g.norm_sqr();
            // A filter that lets nothing through has no phase to keep.
            if square >= FLOOR || square.is_nan() {
                g
            } else if square > 0.0 {
                g * (FLOOR / square).sqrt()
            } else {
                Complex64::new(FLOOR.sqrt(), 0.0)
            }
        };
        Self { common: limit(self.common), differential: limit(self.differential) }
    }
}

/// The gains of every pair of sources at one frequency, summed up for amplitudes of any size.
#[derive(Debug, Clone, Default)]
pub(crate) struct Pairs {
    gains: Vec<Gains>,
    /// |p| and |m| of each pair.
    shares: Vec<(f64, f64)>,
    /// Means of |p|² and |m|² over the pairs.
    mean: (f64, f64),
}

impl Pairs {
    /// Fills it anew; the allocations stay.
    pub(crate) fn set(&mut self, common: &[Complex64], differential: &[Complex64]) {
        self.gains.clear();
        self.shares.clear();
        let mut sum = (0.0, 0.0);
        for &c in common {
            for &d in differential {
                let g = Gains { common: c, differential: d }.with_bypass();
                let p = ((g.common + g.differential) / 2.0).norm_sqr();
                let m = ((g.common - g.differential) / 2.0).norm_sqr();
                sum = (sum.0 + p, sum.1 + m);
                self.gains.push(g);
                self.shares.push((p.sqrt(), m.sqrt()));
            }
        }
        let n = self.gains.len() as f64;
        self.mean = (sum.0 / n, sum.1 / n);
    }

    /// Expected (power mean over the pairs and open phases) and worst level afterwards, V; NaN where a pair has no value.
    pub(crate) fn apply(&self, a: f64, b: f64, cos_phase: Option<f64>, knowledge: ModeKnowledge) -> (f64, f64) {
        if knowledge == ModeKnowledge::Unknown && cos_phase.is_none() {
            let mean = (a * a * self.mean.0 + b * b * self.mean.1).sqrt();
            let high = self.shares.iter().fold(0.0f64, |high, (p, m)| high.max(a * p + b * m));
            return (mean, if mean.is_nan() { f64::NAN } else { high });
        }
        let (mut power, mut high) = (0.0, 0.0f64);
        for g in &self.gains {
            let (e, w) = g.apply(a, b, cos_phase, knowledge);
            power += e * e;
            high = high.max(w);
        }
        let mean = (power / self.gains.len() as f64).sqrt();
        (mean, if mean.is_nan() { f64::NAN } else { high })
    }
}

/// Transfers of the fitted port at every frequency of a grid, for every source: what does not change while parts do.
#[derive(Debug, Clone)]
pub struct Before {
    frequency_hz: Vec<f64>,
    /// One for each frequency and source of the mode, frequency-major.
    common: Vec<Fixed>,
    differential: Vec<Fixed>,
    sources: [usize; 2],
}

#[derive(Debug, Clone, Copy)]
struct Fixed {
    source: Complex64,
    load: Complex64,
    transfer: Complex64,
}

impl Before {
    /// Prepares a port on a grid.
    pub fn new(port: &PortModel, frequency_hz: &[f64]) -> Self {
        let fixed = |mode: Mode| {
            let sources = port.sources(mode);
            let mut list = Vec::with_capacity(frequency_hz.len() * sources.len());
            for &f in frequency_hz {
                let chain = ladder(&port.fitted, mode, f, port.peak_a());
                let load = port.load_ohm(mode, f);
                for s in sources {
                    let source = s.impedance_ohm(f);
                    list.push(Fixed { source, load, transfer: chain.transfer(source, load) });
                }
            }
            list
        };
        Self {
            frequency_hz: frequency_hz.to_vec(),
            common: fixed(Mode::Common),
            differential: fixed(Mode::Differential),
            sources: [port.common.len(), port.differential.len()],
        }
    }

    /// The grid, Hz.
    pub fn frequency_hz(&self) -> &[f64] {
        &self.frequency_hz
    }

    /// Calls `each` for every frequency with the gains of every source of the common and of the differential mode, of a
    /// port whose ladder is now `after`.
    pub fn gains(&self, after: &[Stage], bias_a: f64, mut each: impl FnMut(usize, &[Complex64], &[Complex64])) {
        let [n_common, n_differential] = self.sources;
        let mut common = vec![Complex64::ZERO; n_common];
        let mut differential = vec![Complex64::ZERO; n_differential];
        for (k, &f) in self.frequency_hz.iter().enumerate() {
            let fill = |mode: Mode, fixed: &[Fixed], out: &mut [Complex64]| {
                let chain = ladder(after, mode, f, bias_a);
                for (g, x) in out.iter_mut().zip(fixed) {
                    *g = chain.transfer(x.source, x.load) / x.transfer;
                }
            };
            fill(Mode::Common, &self.common[k * n_common..], &mut common);
            fill(Mode::Differential, &self.differential[k * n_differential..], &mut differential);
            each(k, &common, &differential);
        }
    }
}

/// A predicted trace.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Predicted {
    /// Expected: the middle over sources, in the mean of the open phases.
    pub expected: Trace,
    /// Worst over every source and phase that is left open.
    pub worst: Trace,
}

/// The first conductor's trace after the change, or the second's where `second` is asked for.
///
/// The expected level is the power mean over the sources; the worst is the highest over sources and open phases. Where
/// the other conductor was not measured, it is taken to be as strong as this one. Frequencies outside a measured part's
/// table have no level.
pub fn predict(
    measured: &Measured,
    port: &PortModel,
    before: &Before,
    after: &[Stage],
    second: bool,
) -> Option<Predicted> {
    let (own, other) = if second {
        (measured.second.as_ref()?, Some(&measured.first))
    } else {
        (&measured.first, measured.second.as_ref())
    };
    let empty = |c: &Column| Column { level_db: vec![f64::NAN; c.level_db.len()], floor_db: Vec::new(), ..c.clone() };
    let mut expected = Trace { columns: own.columns.iter().map(empty).collect(), ..own.clone() };
    let mut worst = expected.clone();
    let others: Vec<Option<&Column>> =
        own.columns.iter().map(|c| other.and_then(|o| c.detector.and_then(|d| o.column(d)))).collect();
    let mut pairs = Pairs::default();
    before.gains(after, port.peak_a(), |k, common, differential| {
        pairs.set(common, differential);
        for (i, column) in own.columns.iter().enumerate() {
            let level = column.level_db[k];
            if !level.is_finite() {
                continue;
            }
            if column.not_resolved(k) {
                // The receiver's own noise: no filter changes it.
                expected.columns[i].level_db[k] = level;
                worst.columns[i].level_db[k] = level;
                continue;
            }
            let a = quantity::dbuv_to_volts(level);
            let b = others[i].map(|c| c.level_db[k]).filter(|l| l.is_finite()).map_or(a, quantity::dbuv_to_volts);
            let cos = measured.cos_at(port, k, column.detector, a, b);
            let (mean, high) = pairs.apply(a, b, cos, measured.knowledge);
            expected.columns[i].level_db[k] = quantity::volts_to_dbuv(mean);
            worst.columns[i].level_db[k] = quantity::volts_to_dbuv(high);
        }
    });
    expected.history.push("predicted: expected over the sources and phases that are left open".to_owned());
    worst.history.push("predicted: worst over the sources and phases that are left open".to_owned());
    Some(Predicted { expected, worst })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cis(db: f64, degrees: f64) -> Complex64 {
        Complex64::from_polar(quantity::db_to_amplitude(db), degrees.to_radians())
    }

    /// 60 dBµV∠0° on the line, 54 dBµV∠140° on the neutral: 50.82 dBµV common, 57.03 dBµV differential (by the
    /// definition of the modes). Taking one mode out must leave the other on either conductor.
    #[test]
    fn one_mode_out_leaves_the_other() {
        let (l, n) = (cis(60.0, 0.0), cis(54.0, 140.0));
        let db = |z: Complex64| 20.0 * z.norm().log10();
        assert!((db((l + n) / 2.0) - 50.82).abs() < 0.006 && (db((l - n) / 2.0) - 57.03).abs() < 0.006);
        let no_common = Gains { common: Complex64::ZERO, differential: Complex64::ONE };
        let no_differential = Gains { common: Complex64::ONE, differential: Complex64::ZERO };
        let phase = 140f64.to_radians();
        let left = no_common.apply_at_phase(l.norm(), n.norm(), phase, ModeKnowledge::Unknown);
        assert!((20.0 * left.log10() - 57.03).abs() < 0.006);
        let left = no_differential.apply_at_phase(l.norm(), n.norm(), phase, ModeKnowledge::Unknown);
        assert!((20.0 * left.log10() - 50.82).abs() < 0.006);
        // Amplitudes alone: both modes may be up to 57.51 dBµV, (a + b)/2.
        let (_, worst) = no_common.apply(l.norm(), n.norm(), None, ModeKnowledge::Unknown);
        assert!((20.0 * worst.log10() - 57.51).abs() < 0.006);
    }

    /// With the common mode known, 50.0 dBµV, the same amplitudes leave 57.21 dBµV of differential mode
    /// (|U_cm|² + |U_dm|² = (a² + b²)/2).
    #[test]
    fn one_more_amplitude_settles_it() {
        let (a, b) = (quantity::db_to_amplitude(60.0), quantity::db_to_amplitude(54.0));
        let c = quantity::db_to_amplitude(50.0);
        let cos = (4.0 * c * c - a * a - b * b) / (2.0 * a * b);
        let gains = Gains { common: Complex64::ZERO, differential: Complex64::ONE };
        let (expected, worst) = gains.apply(a, b, Some(cos), ModeKnowledge::Unknown);
        assert!((20.0 * expected.log10() - 57.21).abs() < 0.006 && (worst - expected).abs() < 1e-9 * worst);
    }

    /// The sums over pairs of sources against each pair by itself.
    #[test]
    fn pairs_are_summed_up_rightly() {
        let (common, differential) =
            ([cis(-3.0, 40.0), cis(-20.0, -70.0)], [cis(-9.0, 170.0), cis(2.0, 5.0), cis(-30.0, 0.0)]);
        let mut pairs = Pairs::default();
        pairs.set(&common, &differential);
        let (mut power, mut high) = (0.0, 0.0f64);
        for c in common {
            for d in differential {
                let (e, w) = Gains { common: c, differential: d }.apply(3.0, 2.0, None, ModeKnowledge::Unknown);
                power += e * e / 6.0;
                high = high.max(w);
            }
        }
        let (mean, worst) = pairs.apply(3.0, 2.0, None, ModeKnowledge::Unknown);
        assert!((mean - power.sqrt()).abs() < 1e-12 && (worst - high).abs() < 1e-12);
        pairs.set(&common, &[Complex64::new(f64::NAN, f64::NAN)]);
        assert!(pairs.apply(3.0, 2.0, None, ModeKnowledge::Unknown).1.is_nan(), "outside a table nothing is promised");
    }

    #[test]
    fn no_filter_takes_more_than_what_passes_it_by() {
        let g = Gains { common: cis(-90.0, 30.0), differential: Complex64::ZERO }.with_bypass();
        assert!((20.0 * g.common.norm().log10() + BYPASS_DB).abs() < 1e-9); // 10^(−60/20), squared: FLOOR
        assert!((20.0 * g.differential.norm().log10() + BYPASS_DB).abs() < 1e-9);
    }
}
