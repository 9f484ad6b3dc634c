//! Finding the fundamentals.
//!
//! A fundamental f explains a peak when a whole multiple of f lies within the peak's tolerance t. Each peak and multiple
//! n give an interval of f of half-width t/n; where many intervals overlap, there is a comb. Three steps:
//!
//! 1. every interval is drawn on a grid over ln f (difference array, cells half as wide as the narrowest interval);
//! 2. overlaps too deep for chance become candidates, fitted by least squares (f̂ = Σ n·f / Σ n²);
//! 3. candidates are chosen together, so that one is not taken for peaks which two others explain better.
//!
//! Chance: for a random list the phase of a peak against f is even, so it fits with p = 2t/f. Going up in f, a new
//! interval of peak k begins Σ f_k/f times per unit of ln f, and m peaks overlap there when m − 1 of the other K − 1 fit
//! as well. The expected number of such places over ln(to/from) bounds the probability that any is found (Markov):
//!
//! E = J · ln(to/from) · Σ f_k/f · P(at least m − 1 of K − 1 | p),   false alarm = 1 − exp(−E)
//!
//! with J tolerances tried. J overstates the tries, because the tolerances contain each other, and the peaks about the
//! fundamental are counted twice: on random lists of nine kinds (evenly spread, logarithmic, in humps; with and without a
//! grid; 2500 of each kind) the bound is 10 to 30 times the share found. It is divided by 5. With tolerances that differ, p is their mean: the binomial tail is then an upper bound
//! (Hoeffding 1956, Ann. Math. Stat. 27, 713).

use super::likelihood::{densities, filled_stretch};
use super::tail::Tail;

/// A peak as the search sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    pub(super) frequency_hz: f64,
    /// Widest tolerance tried, Hz.
    pub(super) widest_hz: f64,
    /// Narrowest tolerance that makes sense, Hz: half the step of the grid the frequencies stand on.
    pub(super) floor_hz: f64,
}

/// One tolerance: a share of the widest, and a part that grows with the frequency (a fundamental that drifts).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Grade {
    pub(super) share: f64,
    pub(super) drift: f64,
    /// Whether the whole range is searched with it; finer ones are tried on the candidates only.
    pub(super) scanned: bool,
}

impl Grade {
    pub(super) fn tolerance_hz(self, line: &Line) -> f64 {
        (self.share * line.widest_hz).max(line.floor_hz) + self.drift * line.frequency_hz
    }
}

/// A place where intervals overlap.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    pub(super) fundamental_hz: f64,
    ln_expected: f64,
}

/// A fundamental fitted to peaks.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub(super) fundamental_hz: f64,
    pub(super) grade: Grade,
    /// Natural logarithm of the expected number of random combs as good.
    pub(super) ln_expected: f64,
    /// Peak and multiple.
    pub(super) members: Vec<(usize, u32)>,
}

/// By how much the bound is lowered; see above.
const OVERSTATED: f64 = 5.0;
/// Above this share of the spacing a tolerance says nothing.
const MOST_CHANCE: f64 = 0.5;
/// Candidates kept of one scan.
const MOST_CANDIDATES: usize = 160;
/// One peak is no comb.
pub(super) const FEWEST: usize = 2;

pub(super) struct Search {
    pub(super) lines: Vec<Line>,
    pub(super) grades: Vec<Grade>,
    pub(super) from_hz: f64,
    pub(super) to_hz: f64,
    /// Fewest members of a comb.
    pub(super) fewest: usize,
    /// Density of peaks around each, 1/Hz.
    pub(super) density: Vec<f64>,
    tail: Tail,
}

/// What chance would do at one fundamental.
struct Chance {
    count: usize,
    p: f64,
    ln_places: f64,
}

impl Search {
    pub(super) fn new(lines: Vec<Line>, grades: Vec<Grade>, from_hz: f64, to_hz: f64, fewest: usize) -> Self {
        let tail = Tail::new(lines.len());
        let density = densities(&lines);
        Self { lines, grades, from_hz, to_hz, fewest, density, tail }
    }

    fn chance(&self, fundamental_hz: f64, grade: Grade, free: &[bool]) -> Chance {
        let (mut count, mut p, mut starts) = (0usize, 0.0, 0.0);
        for (line, _) in self.lines.iter().zip(free).filter(|(_, f)| **f) {
            let share = 2.0 * grade.tolerance_hz(line) / fundamental_hz;
            if share > MOST_CHANCE {
                continue;
            }
            // Peaks may cluster: about the fundamental itself the phase is not even, and their chance is taken twice.
            let near = line.frequency_hz > 0.75 * fundamental_hz && line.frequency_hz < 1.25 * fundamental_hz;
            count += 1;
            p += if near { 2.0 * share } else { share };
            starts += line.frequency_hz / fundamental_hz;
        }
        let range = (self.to_hz / self.from_hz).ln().max(1e-6);
        Chance {
            count,
            p: if count > 0 { (p / count as f64).min(1.0) } else { 1.0 },
            ln_places: self.ln_tries() + (range * starts.max(1e-300)).ln(),
        }
    }

    fn ln_tries(&self) -> f64 {
        (self.grades.len() as f64 / OVERSTATED).ln()
    }

    /// Logarithm of the number of places tried about a fundamental.
    pub(super) fn ln_places(&self, fundamental_hz: f64, grade: Grade) -> f64 {
        self.chance(fundamental_hz, grade, &vec![true; self.lines.len()]).ln_places
    }

    fn ln_expected(&self, members: usize, chance: &Chance) -> f64 {
        if members < self.fewest || members > chance.count {
            return f64::INFINITY;
        }
        let begun = chance.ln_places + self.tail.ln_at_least(members - 1, chance.count - 1, chance.p);
        // Overlaps that reach into the range from below it.
        let there = self.ln_tries() + self.tail.ln_at_least(members, chance.count, chance.p);
        begun.max(there) + (-(begun - there).abs()).exp().ln_1p()
    }

    /// Places over the whole range where more peaks overlap than chance would let.
    pub(super) fn scan(&self, free: &[bool]) -> Vec<Candidate> {
        let mut found = Vec::new();
        for &grade in self.grades.iter().filter(|g| g.scanned) {
            self.scan_grade(grade, free, &mut found);
        }
        found.sort_by(|a: &Candidate, b| a.ln_expected.total_cmp(&b.ln_expected));
        let mut kept: Vec<Candidate> = Vec::new();
        for c in found {
            if kept.len() == MOST_CANDIDATES {
                break;
            }
            if !kept.iter().any(|k| (k.fundamental_hz / c.fundamental_hz - 1.0).abs() < 2e-5) {
                kept.push(c);
            }
        }
        kept
    }

    fn scan_grade(&self, grade: Grade, free: &[bool], found: &mut Vec<Candidate>) {
        let lines: Vec<(f64, f64)> = self
            .lines
            .iter()
            .zip(free)
            .filter(|(_, free)| **free)
            .map(|(l, _)| (l.frequency_hz, grade.tolerance_hz(l)))
            .collect();
        if lines.len() < self.fewest || self.to_hz <= self.from_hz {
            return;
        }
        let width = 0.5 * lines.iter().map(|(f, t)| t / f).fold(f64::INFINITY, f64::min).max(1e-6);
        let start = self.from_hz.ln();
        let cells = ((self.to_hz.ln() - start) / width).ceil() as usize + 1;
        let mut steps = vec![0i16; cells + 1];
        let most_n = (lines.iter().fold(0.0f64, |m, l| m.max(l.0)) / self.from_hz).ceil() as usize + 1;
        let ln_n: Vec<f64> = (0..=most_n).map(|n| (n.max(1) as f64).ln()).collect();
        let per_cell = 1.0 / width;
        for &(f, t) in &lines {
            // The lowest fundamental at which this tolerance still says something, and the multiples above it.
            let lowest = self.from_hz.max(2.0 * t / MOST_CHANCE);
            let n_to = (f / lowest).round() as usize;
            let n_from = ((f / self.to_hz).round() as usize).max(1);
            let (low, high) = ((f - t).max(f * 1e-3).ln() - start, (f + t).ln() - start);
            for &ln in &ln_n[n_from..=n_to.clamp(n_from, most_n)] {
                let a = ((low - ln) * per_cell).max(0.0);
                let b = (high - ln) * per_cell;
                if b < 0.0 || a >= cells as f64 {
                    continue;
                }
                steps[a as usize] += 1;
                steps[(b as usize + 1).min(cells)] -= 1;
            }
        }
        // How deep an overlap must be to be worth a closer look, anew every tenth of a natural logarithm.
        let stretch = ((0.1 / width) as usize).max(1);
        let (mut depth, mut least, mut chance) = (0i16, i16::MAX, self.chance(self.from_hz, grade, free));
        let mut i = 0;
        let mut local: Vec<(f64, f64)> = Vec::new();
        while i < cells {
            if i.is_multiple_of(stretch) {
                let f = (start + (i as f64 + 0.5 * stretch as f64) * width).exp();
                chance = self.chance(f, grade, free);
                least = (self.fewest..=chance.count)
                    .find(|m| self.ln_expected(*m, &chance) < 3.0)
                    .map_or(i16::MAX, |m| m as i16);
            }
            depth += steps[i];
            if depth >= least {
                // A plateau: go to its end, keep its middle if it is a maximum.
                let (from, top) = (i, depth);
                let mut last = i;
                while last + 1 < cells && steps[last + 1] == 0 && !(last + 1).is_multiple_of(stretch) {
                    last += 1;
                }
                let falls = last + 1 >= cells || steps[last + 1] < 0 || (last + 1).is_multiple_of(stretch);
                if falls {
                    let f = (start + (0.5 * (from + last) as f64 + 0.5) * width).exp();
                    local.push((f, self.ln_expected(top as usize, &chance)));
                }
                i = last;
            }
            i += 1;
        }
        local.sort_by(|a, b| a.1.total_cmp(&b.1));
        local.truncate(2 * MOST_CANDIDATES);
        found.extend(local.into_iter().map(|(fundamental_hz, ln_expected)| Candidate { fundamental_hz, ln_expected }));
    }

    /// Members at a fixed fundamental: for every multiple the nearest peak within the tolerance.
    pub(super) fn members_at(
        &self,
        fundamental_hz: f64,
        free: &[bool],
        tolerance: impl Fn(&Line) -> f64,
    ) -> Vec<(usize, u32)> {
        let mut members: Vec<(usize, u32)> = Vec::new();
        let mut last_off = 0.0;
        for (k, line) in self.lines.iter().enumerate() {
            if !free[k] {
                continue;
            }
            let n = (line.frequency_hz / fundamental_hz).round();
            let off = (line.frequency_hz - n * fundamental_hz).abs();
            let t = tolerance(line);
            if n < 1.0 || off > t || 2.0 * t > MOST_CHANCE * fundamental_hz {
                continue;
            }
            let n = n as u32;
            match members.last_mut() {
                Some(last) if last.1 == n => {
                    if off < last_off {
                        *last = (k, n);
                        last_off = off;
                    }
                }
                _ => {
                    members.push((k, n));
                    last_off = off;
                }
            }
        }
        members
    }

    /// The best fit near a fundamental, over all tolerances.
    pub(super) fn fit(&self, near_hz: f64, free: &[bool]) -> Option<Fit> {
        let mut best: Option<Fit> = None;
        for &grade in &self.grades {
            let Some((mut f, mut members)) = self.deepest(near_hz, grade, free) else { continue };
            // Strays far from the stretch that is really filled fit by chance, and count for nothing.
            let filled = filled_stretch(&members, |k| grade.tolerance_hz(&self.lines[k]), &self.density, 0.2);
            if filled.len() < members.len() {
                let common = filled.iter().fold(0, |g, m| gcd(g, m.1)).max(1);
                members = filled.into_iter().map(|(k, n)| (k, n / common)).collect();
                if members.len() < self.fewest {
                    continue;
                }
                f = self.least_squares(&members, grade);
            }
            let chance = self.chance(f, grade, free);
            let ln_expected = self.ln_expected(members.len(), &chance);
            if ln_expected.is_finite() && best.as_ref().is_none_or(|b| ln_expected < b.ln_expected) {
                best = Some(Fit { fundamental_hz: f, grade, ln_expected, members });
            }
        }
        best
    }

    /// Deepest overlap of distinct multiples close to a fundamental, and the least-squares fundamental of its members.
    fn deepest(&self, near_hz: f64, grade: Grade, free: &[bool]) -> Option<(f64, Vec<(usize, u32)>)> {
        struct Edge {
            at: f64,
            opens: bool,
            slot: usize,
        }
        let mut edges = Vec::new();
        let mut around: Vec<(usize, u32, usize)> = Vec::new();
        let (mut slots, mut last_n) = (0usize, 0u32);
        for (k, line) in self.lines.iter().enumerate() {
            let t = grade.tolerance_hz(line);
            if !free[k] || 2.0 * t > MOST_CHANCE * near_hz {
                continue;
            }
            let n = (line.frequency_hz / near_hz).round();
            if n < 1.0 || (line.frequency_hz - n * near_hz).abs() > 3.0 * t {
                continue;
            }
            if n as u32 != last_n || slots == 0 {
                slots += 1;
                last_n = n as u32;
            }
            around.push((k, n as u32, slots - 1));
            edges.push(Edge { at: (line.frequency_hz - t) / n, opens: true, slot: slots - 1 });
            edges.push(Edge { at: (line.frequency_hz + t) / n, opens: false, slot: slots - 1 });
        }
        if slots < self.fewest {
            return None;
        }
        edges.sort_by(|a, b| a.at.total_cmp(&b.at).then(b.opens.cmp(&a.opens)));
        let mut open = vec![0u32; slots];
        let (mut distinct, mut most, mut at) = (0usize, 0usize, near_hz);
        for i in 0..edges.len() {
            let e = &edges[i];
            if e.opens {
                open[e.slot] += 1;
                if open[e.slot] == 1 {
                    distinct += 1;
                }
                let next = edges.get(i + 1).map_or(e.at, |n| n.at);
                let middle = 0.5 * (e.at + next);
                if distinct > most || (distinct == most && (middle - near_hz).abs() < (at - near_hz).abs()) {
                    most = distinct;
                    at = middle;
                }
            } else {
                open[e.slot] -= 1;
                if open[e.slot] == 0 {
                    distinct -= 1;
                }
            }
        }
        if most < self.fewest {
            return None;
        }
        let members = self.members_at(at, free, |l| grade.tolerance_hz(l) * (1.0 + 1e-9));
        let common = members.iter().fold(0, |g, m| gcd(g, m.1));
        if common > 1 {
            // All of them are multiples of a higher fundamental, which explains them with less chance.
            let members = members.into_iter().map(|(k, n)| (k, n / common)).collect::<Vec<_>>();
            return Some((self.least_squares(&members, grade), members));
        }
        Some((self.least_squares(&members, grade), members))
    }

    /// f̂ = Σ w·n·f / Σ w·n² with w = 1/t².
    pub(super) fn least_squares(&self, members: &[(usize, u32)], grade: Grade) -> f64 {
        let (mut above, mut below) = (0.0, 0.0);
        for &(k, n) in members {
            let t = grade.tolerance_hz(&self.lines[k]);
            let n = f64::from(n);
            above += n * self.lines[k].frequency_hz / (t * t);
            below += n * n / (t * t);
        }
        above / below
    }

    /// The best of the candidates for the peaks that are free.
    pub(super) fn best(&self, candidates: &[Candidate], free: &[bool], count: usize) -> Vec<Fit> {
        let mut rough: Vec<(f64, f64)> = candidates
            .iter()
            .map(|c| {
                let mut least = f64::INFINITY;
                for &grade in &self.grades {
                    // One and a half times the tolerance: the fit will move the fundamental a little.
                    let members = self.members_at(c.fundamental_hz, free, |l| 1.5 * grade.tolerance_hz(l)).len();
                    if members >= self.fewest {
                        let chance = self.chance(c.fundamental_hz, grade, free);
                        least = least.min(self.ln_expected(members, &chance));
                    }
                }
                (least, c.fundamental_hz)
            })
            .filter(|(e, _)| *e < 0.0)
            .collect();
        rough.sort_by(|a, b| a.0.total_cmp(&b.0));
        rough.truncate(3 * count + 12);
        let mut fits: Vec<Fit> = rough.iter().filter_map(|(_, f)| self.fit(*f, free)).collect();
        fits.sort_by(|a, b| a.ln_expected.total_cmp(&b.ln_expected));
        let mut kept: Vec<Fit> = Vec::new();
        for fit in fits {
            if kept.len() == count {
                break;
            }
            if !kept.iter().any(|k| {
                (k.fundamental_hz / fit.fundamental_hz - 1.0).abs() < 1e-3 && k.members.len() >= fit.members.len()
            }) {
                kept.push(fit);
            }
        }
        kept
    }
}

pub(super) fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}
