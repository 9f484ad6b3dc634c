//! Combs: families of peaks that are whole multiples of one fundamental.

use serde::{Deserialize, Serialize};

mod likelihood;
mod modulation;
mod search;
mod tail;

pub use modulation::{
    Families, Intermodulation, Modulation, Product, Sideband, find_families, find_intermodulation, find_sidebands,
};
use search::{FEWEST, Fit, Grade, Line, Search};

use crate::peaks::grid_hz;
use crate::{Peak, PeakError};

/// What is looked for, and how surely.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CombSearch {
    /// Lowest fundamental, Hz; none takes the narrowest bandwidth of the list (closer lines are not told apart).
    pub from_hz: Option<f64>,
    /// Highest fundamental, Hz; none takes a third of the highest peak (three members are the least).
    pub to_hz: Option<f64>,
    /// Largest false-alarm probability at which a comb is reported.
    pub most_false_alarm: f64,
    /// At most so many combs.
    pub most_combs: usize,
    /// A comb has at least so many members; two say something only where the range of fundamentals is narrow.
    pub fewest_members: usize,
}

impl Default for CombSearch {
    fn default() -> Self {
        Self { from_hz: None, to_hz: None, most_false_alarm: 0.01, most_combs: 8, fewest_members: 3 }
    }
}

/// One peak of a comb.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Member {
    /// Position in the list handed in (sorted by frequency), from 0.
    pub peak: usize,
    /// Frequency of the peak, Hz.
    pub frequency_hz: f64,
    /// Its level, dB.
    pub level_db: f64,
    /// Which multiple of the fundamental.
    pub multiple: u32,
    /// How far the peak lies above that multiple, Hz.
    pub off_hz: f64,
    /// Another comb claims it too.
    pub shared: bool,
}

/// Which multiples are there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Pattern {
    /// Odd and even ones alike.
    All,
    /// Odd ones only, more than chance would leave: a square wave of half duty.
    Odd,
    /// Too few members to tell.
    Unclear,
}

/// A family of peaks that are whole multiples of one fundamental.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comb {
    /// Fundamental, Hz.
    pub fundamental_hz: f64,
    /// Half the width of its 95 % interval, Hz.
    pub uncertainty_hz: f64,
    /// Probability that a random list of this density shows a comb as good as this one anywhere in the range searched.
    pub false_alarm: f64,
    /// Its peaks, lowest first.
    pub members: Vec<Member>,
    /// Odd and even multiples.
    pub pattern: Pattern,
    /// Relative drift or spread of the fundamental that the members ask for; 0 for a steady one.
    pub relative_drift: f64,
    /// Other fundamentals that fit the same peaks nearly as well, Hz.
    pub also_possible_hz: Vec<f64>,
}

/// All combs of a list, the surest first. The peaks are sorted by frequency; see [`crate::peaks_of_list`].
pub fn find_combs(peaks: &[Peak], search: &CombSearch) -> Result<Vec<Comb>, PeakError> {
    check(peaks)?;
    let Some(finder) = Finder::new(peaks, search) else { return Ok(Vec::new()) };
    let chosen = finder.choose(search);
    Ok(finder.describe(peaks, chosen))
}

fn check(peaks: &[Peak]) -> Result<(), PeakError> {
    for (i, p) in peaks.iter().enumerate() {
        if !(p.frequency_hz.is_finite() && p.frequency_hz > 0.0) {
            return Err(PeakError::Frequency { number: i + 1, frequency_hz: p.frequency_hz });
        }
        for (what, value) in [("bandwidth", Some(p.bandwidth_hz)), ("tolerance", p.tolerance_hz)] {
            if let Some(value) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
                return Err(PeakError::Width { what, value });
            }
        }
    }
    Ok(())
}

/// Combs tried as the first one before the others are looked for.
const BEGINNINGS: usize = 6;

/// A related fundamental replaces the one chosen by chance where it is so much more likely, natural logarithm.
const MUCH_BETTER: f64 = 3.0;

struct Finder {
    search: Search,
    /// Widest distance from a multiple at which a peak still counts as a member, Hz.
    gate_hz: Vec<f64>,
}

impl Finder {
    fn new(peaks: &[Peak], asked: &CombSearch) -> Option<Self> {
        let fewest = asked.fewest_members.max(FEWEST);
        if peaks.len() < fewest {
            return None;
        }
        let known = peaks.iter().all(|p| p.tolerance_hz.is_some());
        let mut lines = Vec::with_capacity(peaks.len());
        for p in peaks {
            let widest_hz = p.tolerance_hz.unwrap_or(0.25 * p.bandwidth_hz);
            lines.push(Line { frequency_hz: p.frequency_hz, widest_hz, floor_hz: 0.0 });
        }
        for (line, p) in lines.iter_mut().zip(peaks) {
            let same: Vec<f64> =
                peaks.iter().filter(|q| q.bandwidth_hz == p.bandwidth_hz).map(|q| q.frequency_hz).collect();
            let floor = 0.5 * grid_hz(&same).unwrap_or(0.0);
            // A list of a few peaks can have a wide common step by chance: then the grid says nothing.
            if floor <= p.bandwidth_hz {
                line.floor_hz = 1.0001 * floor;
            }
        }
        let narrowest = lines.iter().map(|l| l.widest_hz.max(l.floor_hz)).fold(f64::INFINITY, f64::min);
        let bandwidth = peaks.iter().map(|p| p.bandwidth_hz).fold(f64::INFINITY, f64::min);
        let top = peaks.iter().map(|p| p.frequency_hz).fold(0.0, f64::max);
        let from_hz = asked.from_hz.unwrap_or(if known { (8.0 * narrowest).min(bandwidth) } else { bandwidth });
        let to_hz = asked.to_hz.unwrap_or(top / fewest as f64 * 1.002);
        if !(from_hz > 0.0 && to_hz > from_hz) {
            return None;
        }
        let steady = |share, scanned| Grade { share, drift: 0.0, scanned };
        let mut grades = vec![steady(1.0, true), steady(0.5, true), steady(0.25, true)];
        if !known {
            grades.extend([steady(0.125, false), steady(1.0 / 32.0, false)]);
        }
        grades.extend([0.003, 0.01].map(|drift| Grade { share: 0.5, drift, scanned: true }));
        let gate_hz = peaks.iter().zip(&lines).map(|(p, l)| (0.4 * p.bandwidth_hz).max(1.5 * l.widest_hz)).collect();
        let search = Search::new(lines, grades, from_hz, to_hz, fewest);
        Some(Self { search, gate_hz })
    }

    /// All members of a fit among the free peaks: out to one and a half times its tolerance, so that the outliers of a
    /// comb do not become another comb.
    fn members(&self, fit: &Fit, free: &[bool]) -> Vec<(usize, u32)> {
        let mut claimed = Vec::new();
        for (k, line) in self.search.lines.iter().enumerate() {
            let n = (line.frequency_hz / fit.fundamental_hz).round();
            let t = fit.grade.tolerance_hz(line);
            let reach = (1.5 * t).min(self.gate_hz[k].max(t));
            if free[k] && n >= 1.0 && (line.frequency_hz - n * fit.fundamental_hz).abs() <= reach {
                claimed.push((k, n as u32));
            }
        }
        claimed
    }

    fn without(&self, free: &[bool], fit: &Fit) -> Vec<bool> {
        let mut rest = free.to_vec();
        for (k, _) in self.members(fit, free) {
            rest[k] = false;
        }
        rest
    }

    /// The set of combs that together are least likely by chance.
    fn choose(&self, asked: &CombSearch) -> Vec<Fit> {
        let ln_most = (-(-asked.most_false_alarm).ln_1p()).ln();
        let all = vec![true; self.search.lines.len()];
        let mut pool = self.search.scan(&all);
        let mut best: (f64, Vec<Fit>) = (0.0, Vec::new());
        for first in self.search.best(&pool, &all, BEGINNINGS) {
            if first.ln_expected > ln_most {
                continue;
            }
            let mut set = vec![first];
            self.extend(&mut set, &pool, ln_most, asked.most_combs);
            let total = set.iter().map(|f| f.ln_expected).sum::<f64>();
            if total < best.0 {
                best = (total, set);
            }
        }
        let mut set = best.1;
        // What only shows once the strong combs are gone.
        loop {
            let before = set.len();
            let free = set.iter().fold(all.clone(), |free, fit| self.without(&free, fit));
            pool.extend(self.search.scan(&free));
            self.extend(&mut set, &pool, ln_most, asked.most_combs);
            self.settle(&mut set, &pool, &all);
            self.relate(&mut set, &all, ln_most);
            set.retain(|f| f.ln_expected <= ln_most);
            if set.len() <= before {
                break;
            }
        }
        set.sort_by(|a, b| a.ln_expected.total_cmp(&b.ln_expected));
        set
    }

    fn extend(&self, set: &mut Vec<Fit>, pool: &[search::Candidate], ln_most: f64, most: usize) {
        while set.len() < most {
            let all = vec![true; self.search.lines.len()];
            let free = set.iter().fold(all, |free, fit| self.without(&free, fit));
            match self.search.best(pool, &free, 1).pop() {
                Some(fit) if fit.ln_expected <= ln_most => set.push(fit),
                _ => break,
            }
        }
    }

    /// Every comb chosen anew while the others stand, until nothing gets better.
    fn settle(&self, set: &mut [Fit], pool: &[search::Candidate], all: &[bool]) {
        for _ in 0..3 {
            let mut moved = false;
            for i in 0..set.len() {
                let others = set.iter().enumerate().filter(|(j, _)| *j != i);
                let free = others.fold(all.to_vec(), |free, (_, fit)| self.without(&free, fit));
                let own = self.search.fit(set[i].fundamental_hz, &free);
                let best = self.search.best(pool, &free, 1).pop();
                let new = match (own, best) {
                    (Some(a), Some(b)) => Some(if b.ln_expected < a.ln_expected - 1e-9 { b } else { a }),
                    (a, b) => a.or(b),
                };
                if let Some(new) = new {
                    moved |= (new.fundamental_hz / set[i].fundamental_hz - 1.0).abs() > 1e-9;
                    set[i] = new;
                }
            }
            if !moved {
                break;
            }
        }
    }

    /// For every comb, the fundamental among the related ones (ratios of small whole numbers) whose multiples are best filled.
    fn relate(&self, set: &mut [Fit], all: &[bool], ln_most: f64) {
        for i in 0..set.len() {
            let others = set.iter().enumerate().filter(|(j, _)| *j != i);
            let free = others.fold(all.to_vec(), |free, (_, fit)| self.without(&free, fit));
            let claimed: Vec<bool> = free.iter().map(|f| !f).collect();
            let ratio = |fit: &Fit| likelihood::log_ratio(&self.search, fit.fundamental_hz, fit.grade, &claimed);
            let mut best = (ratio(&set[i]), set[i].clone());
            for above in 1..=6u32 {
                for below in (1..=6u32).filter(|b| search::gcd(above, *b) == 1 && (above, *b) != (1, 1)) {
                    let near = set[i].fundamental_hz * f64::from(above) / f64::from(below);
                    if near < self.search.from_hz || near > self.search.to_hz {
                        continue;
                    }
                    for set_of in [&free, all] {
                        let Some(fit) = self.search.fit(near, set_of) else { continue };
                        let value = ratio(&fit);
                        if value > best.0 + MUCH_BETTER {
                            // Its chance counts the free peaks only.
                            let own = self.search.fit(fit.fundamental_hz, &free);
                            if let Some(own) = own.filter(|f| f.ln_expected <= ln_most) {
                                let fundamental_hz = fit.fundamental_hz;
                                best = (value, Fit { fundamental_hz, ln_expected: own.ln_expected, ..fit });
                            }
                        }
                    }
                }
            }
            set[i] = best.1;
        }
    }

    fn describe(&self, peaks: &[Peak], set: Vec<Fit>) -> Vec<Comb> {
        let all = vec![true; peaks.len()];
        let mut combs: Vec<Comb> = Vec::new();
        for fit in &set {
            let fit = &self.refine(fit);
            let uncertainty_hz = self.uncertainty_hz(fit);
            let (first, last) = (fit.members.first().map_or(0, |m| m.1), fit.members.last().map_or(0, |m| m.1));
            let members: Vec<Member> = self
                .members(fit, &all)
                .into_iter()
                .filter(|(_, n)| (first..=last).contains(n))
                .map(|(k, multiple)| Member {
                    peak: k,
                    frequency_hz: peaks[k].frequency_hz,
                    level_db: peaks[k].level_db,
                    multiple,
                    off_hz: peaks[k].frequency_hz - f64::from(multiple) * fit.fundamental_hz,
                    shared: false,
                })
                .collect();
            combs.push(Comb {
                fundamental_hz: fit.fundamental_hz,
                uncertainty_hz,
                false_alarm: -(-fit.ln_expected.exp()).exp_m1(),
                pattern: pattern(&members),
                members,
                relative_drift: fit.grade.drift,
                also_possible_hz: Vec::new(),
            });
        }
        let mut claims = vec![0u8; peaks.len()];
        for m in combs.iter().flat_map(|c| &c.members) {
            claims[m.peak] = claims[m.peak].saturating_add(1);
        }
        for m in combs.iter_mut().flat_map(|c| &mut c.members) {
            m.shared = claims[m.peak] > 1;
        }
        combs
    }

    /// Fitted again to everything near the multiples: the tolerance with the least chance is often narrower than the scatter,
    /// and picks the peaks that agree with each other.
    fn refine(&self, fit: &Fit) -> Fit {
        let all = vec![true; self.search.lines.len()];
        let widest = 0.12 * fit.fundamental_hz;
        let mut fit = fit.clone();
        for _ in 0..3 {
            let reach = |l: &Line| {
                let t = fit.grade.tolerance_hz(l);
                (2.5 * t).max(0.6 * l.widest_hz).min(1.6 * l.widest_hz.max(l.floor_hz)).min(widest).max(t)
            };
            let near = self.search.members_at(fit.fundamental_hz, &all, reach);
            let members =
                likelihood::filled_stretch(&near, |k| reach(&self.search.lines[k]), &self.search.density, 0.4);
            if members.len() < self.search.fewest {
                break;
            }
            fit.fundamental_hz = self.search.least_squares(&members, fit.grade);
            fit.members = members;
        }
        fit
    }

    /// A little over twice the standard deviation of the least-squares fundamental. The scatter is that of the residuals, tempered by
    /// four degrees of freedom of an even distribution over the tolerance, because few members scatter little by luck.
    fn uncertainty_hz(&self, fit: &Fit) -> f64 {
        let (mut squares, mut weight) = (4.0 / 3.0, 0.0);
        for &(k, n) in &fit.members {
            let line = &self.search.lines[k];
            let t = fit.grade.tolerance_hz(line);
            squares += ((line.frequency_hz - f64::from(n) * fit.fundamental_hz) / t).powi(2);
            weight += (f64::from(n) / t).powi(2);
        }
        2.2 * (squares / (fit.members.len() as f64 + 3.0) / weight).sqrt()
    }
}

/// Odd multiples only: said where as many members all being odd would happen to fewer than 1 in 16 combs with both kinds.
fn pattern(members: &[Member]) -> Pattern {
    let even = members.iter().filter(|m| m.multiple.is_multiple_of(2)).count();
    match (members.len() - even, even) {
        (odd, 0) if odd >= 5 => Pattern::Odd,
        (odd, even) if odd >= 2 && even >= 2 => Pattern::All,
        _ => Pattern::Unclear,
    }
}
