//! The frequencies that decide, and how candidates do there.

use emission::{Trace, Verdict, joint_probability, normal_below};
use quantity::dbuv_to_volts;

use crate::candidates::{Candidate, Change};
use crate::draw::Lot;
use crate::port::{Mode, PortModel, Stage, ladder};
use crate::predict::{Before, Gains, ModeKnowledge, Pairs};
use crate::search::Problem;

/// A frequency that matters on one conductor.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spot {
    /// Position in the spot grid.
    pub(crate) k: usize,
    /// Level there, V.
    pub(crate) own_v: f64,
    /// Level of the other conductor there, V.
    pub(crate) other_v: f64,
    /// Margin now, dB.
    pub(crate) margin_db: f64,
    /// cos φ where known.
    pub(crate) cos: Option<f64>,
}

/// The spots of a measurement with the port prepared there.
pub(crate) struct Spots {
    pub(crate) before: Before,
    pub(crate) spots: Vec<Spot>,
    pub(crate) knowledge: ModeKnowledge,
}

/// Log-spaced bins from which the smallest margin of each conductor is taken.
const BINS: usize = 90;

impl Spots {
    pub(crate) fn new(problem: &Problem, verdicts: &[(&Verdict, &Trace, Option<&Trace>)]) -> Self {
        let grid = &problem.measured.first.frequency_hz;
        let (low, high) = (grid[0], grid[grid.len() - 1]);
        let mut chosen: Vec<(usize, usize)> = Vec::new();
        let mut smallest: Vec<Vec<f64>> = Vec::new();
        for (which, (verdict, trace, _)) in verdicts.iter().enumerate() {
            let n = trace.frequency_hz.len();
            let mut margin = vec![f64::NAN; n];
            for l in &verdict.limits {
                for (m, x) in margin.iter_mut().zip(&l.margin_db) {
                    *m = m.min(*x);
                }
            }
            let bin = |f: f64| ((f / low).ln() / (high / low).ln() * BINS as f64) as usize;
            let mut best: Vec<Option<usize>> = vec![None; BINS + 1];
            for (k, &m) in margin.iter().enumerate() {
                let b = &mut best[bin(grid[k]).min(BINS)];
                if m.is_finite() && b.is_none_or(|i| m < margin[i]) {
                    *b = Some(k);
                }
            }
            chosen.extend(best.into_iter().flatten().map(|k| (k, which)));
            for s in &verdict.suspects {
                let k = grid.partition_point(|f| *f < s.frequency_hz * (1.0 - 1e-9)).min(n - 1);
                if margin[k].is_finite() {
                    chosen.push((k, which));
                }
            }
            smallest.push(margin);
        }
        chosen.sort_unstable();
        chosen.dedup();
        let mut frequencies: Vec<f64> = Vec::new();
        let mut spots = Vec::with_capacity(chosen.len());
        let mut last = usize::MAX;
        for (k, which) in chosen {
            if k != last {
                frequencies.push(grid[k]);
                last = k;
            }
            let (verdict, own, other) = verdicts[which];
            // The detector whose reading gives the smallest margin there.
            let limit = verdict.limits.iter().min_by(|a, b| {
                let m =
                    |l: &emission::LimitResult| if l.margin_db[k].is_nan() { f64::INFINITY } else { l.margin_db[k] };
                m(a).total_cmp(&m(b))
            });
            let detector = limit.and_then(|l| {
                l.detector_used.iter().find(|d| own.column(**d).is_some_and(|c| c.level_db[k].is_finite()))
            });
            let Some(column) = detector.and_then(|d| own.column(*d)).or_else(|| own.columns.first()) else { continue };
            let own_v = dbuv_to_volts(column.level_db[k]);
            if !own_v.is_finite() {
                continue;
            }
            let other_v = other
                .and_then(|t| column.detector.and_then(|d| t.column(d)))
                .map(|c| c.level_db[k])
                .filter(|l| l.is_finite())
                .map_or(own_v, dbuv_to_volts);
            let cos = problem.measured.cos_at(&problem.port, k, column.detector, own_v, other_v);
            spots.push(Spot { k: frequencies.len() - 1, own_v, other_v, margin_db: smallest[which][k], cos });
        }
        Self { before: Before::new(&problem.port, &frequencies), spots, knowledge: problem.measured.knowledge }
    }

    /// Smallest margin: `(expected, worst)`, dB, and an estimate of the chance for the shortlist.
    pub(crate) fn rate(&self, after: &[Stage], bias_a: f64, sigma_db: f64) -> (f64, f64, f64) {
        let (mut expected, mut worst, mut chance) = (f64::INFINITY, f64::INFINITY, 1.0f64);
        let mut next = 0;
        let mut pairs = Pairs::default();
        self.before.gains(after, bias_a, |k, common, differential| {
            pairs.set(common, differential);
            while let Some(s) = self.spots.get(next).filter(|s| s.k == k) {
                next += 1;
                let (mean, high) = pairs.apply(s.own_v, s.other_v, s.cos, self.knowledge);
                let m_e = s.margin_db - 20.0 * (mean / s.own_v).log10();
                let m_w = s.margin_db - 20.0 * (high / s.own_v).log10();
                if m_w.is_nan() {
                    // Outside a measured part's table: nothing is promised.
                    (expected, worst, chance) = (f64::NEG_INFINITY, f64::NEG_INFINITY, 0.0);
                    continue;
                }
                expected = expected.min(m_e);
                worst = worst.min(m_w);
                let spread = ((m_e - m_w) / 1.5).max(0.0);
                chance = chance.min(normal_below(m_e / sigma_db.hypot(spread)));
            }
        });
        (expected, worst, chance)
    }

    /// Chance of passing by drawing lots: parts within their tolerance (uniform), a source of each mode, an open phase at
    /// every spot, and the uncertainty of the measurement.
    pub(crate) fn chance(
        &self,
        port: &PortModel,
        candidate: &Candidate,
        worst_of: &[f64],
        draws: usize,
        sigma_db: f64,
        share: f64,
    ) -> f64 {
        let mut lot = Lot::new(0x5eed);
        let vary = |stage: &Stage, lot: &mut Lot| Stage {
            place: stage.place,
            part: stage.part.scaled(1.0 + stage.part.tolerance * lot.between(-1.0, 1.0)),
        };
        // Spots that stay far inside whatever is drawn decide nothing.
        let relevant: Vec<&Spot> =
            self.spots.iter().zip(worst_of).filter(|(_, w)| **w < 6.0 * sigma_db + 6.0).map(|(s, _)| s).collect();
        if relevant.is_empty() {
            return 1.0;
        }
        let mut sum = 0.0;
        let mut z = Vec::with_capacity(relevant.len());
        let mut after = Vec::new();
        for _ in 0..draws {
            let fitted: Vec<Stage> = port.fitted.iter().map(|s| vary(s, &mut lot)).collect();
            after.clear();
            after.extend(fitted.iter().cloned());
            for change in &candidate.changes {
                match change {
                    Change::Add(stage) => after.push(vary(stage, &mut lot)),
                    Change::Exchange { index, part } => {
                        if let Some(s) = after.get_mut(*index) {
                            *s = vary(&Stage { place: s.place, part: part.clone() }, &mut lot);
                        }
                    }
                }
            }
            let pick = |n: usize, lot: &mut Lot| ((lot.between(0.0, 1.0) * n as f64) as usize).min(n - 1);
            let source_c = &port.common[pick(port.common.len(), &mut lot)];
            let source_d = &port.differential[pick(port.differential.len(), &mut lot)];
            z.clear();
            for s in &relevant {
                let f = self.before.frequency_hz()[s.k];
                let gain = |mode: Mode, source: &crate::port::SourceModel| {
                    let (z_s, z_l) = (source.impedance_ohm(f), port.load_ohm(mode, f));
                    ladder(&after, mode, f, port.peak_a()).transfer(z_s, z_l)
                        / ladder(&fitted, mode, f, port.peak_a()).transfer(z_s, z_l)
                };
                let g =
                    Gains { common: gain(Mode::Common, source_c), differential: gain(Mode::Differential, source_d) }
                        .with_bypass();
                let phase = match s.cos {
                    Some(cos) => cos.acos() * if lot.between(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 },
                    None => lot.between(0.0, std::f64::consts::TAU),
                };
                let v = g.apply_at_phase(s.own_v, s.other_v, phase, self.knowledge);
                z.push((s.margin_db - 20.0 * (v / s.own_v).log10()) / sigma_db);
            }
            sum += joint_probability(&z, share);
        }
        sum / draws as f64
    }

    /// Worst margin of every spot, dB.
    pub(crate) fn worst_of(&self, after: &[Stage], bias_a: f64) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.spots.len());
        let mut next = 0;
        let mut pairs = Pairs::default();
        self.before.gains(after, bias_a, |k, common, differential| {
            pairs.set(common, differential);
            while let Some(s) = self.spots.get(next).filter(|s| s.k == k) {
                next += 1;
                let (_, high) = pairs.apply(s.own_v, s.other_v, s.cos, self.knowledge);
                out.push(s.margin_db - 20.0 * (high / s.own_v).log10());
            }
        });
        out
    }
}
