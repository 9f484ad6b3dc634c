//! Peaks beside the multiples: sidebands of a modulated comb, and sums and differences of two fundamentals.

use serde::{Deserialize, Serialize};

use super::Comb;
use super::CombSearch;
use super::tail::Tail;
use crate::{Peak, PeakError};

/// A peak at a fixed distance from a multiple.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sideband {
    /// Position in the list of peaks.
    pub peak: usize,
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// The multiple of the comb beside which it stands.
    pub multiple: u32,
    /// How many modulation frequencies above (or, negative, below) that multiple.
    pub order: i32,
}

/// A comb whose multiples carry sidebands: a converter modulated at a burst rate, a clock switched on and off.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Modulation {
    /// Position of the comb in the list of combs.
    pub comb: usize,
    /// Modulation frequency, Hz.
    pub modulation_hz: f64,
    /// Half the width of its 95 % interval, Hz.
    pub uncertainty_hz: f64,
    /// Probability that a random list shows sidebands as good.
    pub false_alarm: f64,
    /// The sidebands.
    pub sidebands: Vec<Sideband>,
}

/// A peak at n·f1 ± m·f2.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Product {
    /// Position in the list of peaks.
    pub peak: usize,
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Multiple of the first fundamental.
    pub first: i32,
    /// Multiple of the second, negative for a difference.
    pub second: i32,
}

/// Intermodulation of two combs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Intermodulation {
    /// Positions of the two combs.
    pub combs: [usize; 2],
    /// Probability that a random list shows as many such peaks.
    pub false_alarm: f64,
    /// The peaks.
    pub products: Vec<Product>,
}

/// Everything that belongs together in a list.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Families {
    /// Combs, the surest first.
    pub combs: Vec<Comb>,
    /// Sidebands of them.
    pub modulations: Vec<Modulation>,
    /// Sums and differences of two of them.
    pub intermodulations: Vec<Intermodulation>,
}

/// Combs, and what stands beside their multiples. Sidebands at a fixed distance, and sums and differences, come close to
/// multiples of some lower fundamental: a comb most of whose own peaks they explain is dropped for them, where they have
/// less chance than it, or less than one in ten thousand.
pub fn find_families(peaks: &[Peak], search: &CombSearch) -> Result<Families, PeakError> {
    let mut combs = super::find_combs(peaks, search)?;
    let most = search.most_false_alarm;
    for comb in &mut combs {
        if let Some(carrier) = carrier(peaks, comb, search)? {
            *comb = carrier;
        }
    }
    let mut weakest = combs.len();
    while weakest > 0 {
        weakest -= 1;
        let mut rest = combs.clone();
        let doubtful = rest.remove(weakest);
        let own: Vec<usize> = doubtful.members.iter().filter(|m| !m.shared).map(|m| m.peak).collect();
        let explains = |false_alarm: f64, by: &[usize]| {
            let shared = own.iter().filter(|k| by.contains(k)).count();
            false_alarm <= doubtful.false_alarm.max(1e-4)
                && 5 * shared >= 3 * own.len()
                && 3 * by.len() >= 2 * own.len()
        };
        let beside = find_sidebands(peaks, &rest, most);
        let mixed = find_intermodulation(peaks, &rest, most);
        let by_sidebands =
            beside.iter().any(|m| explains(m.false_alarm, &m.sidebands.iter().map(|s| s.peak).collect::<Vec<_>>()));
        let by_mixing =
            mixed.iter().any(|m| explains(m.false_alarm, &m.products.iter().map(|s| s.peak).collect::<Vec<_>>()));
        if by_sidebands || by_mixing {
            combs = rest;
        }
    }
    let modulations = find_sidebands(peaks, &combs, most);
    let intermodulations = find_intermodulation(peaks, &combs, most);
    Ok(Families { combs, modulations, intermodulations })
}

/// A carrier with sidebands at nearly 1/q of its frequency looks like a comb of that lower fundamental of which only the
/// multiples next to every q-th are there. Where nine in ten members are such, and that would happen by chance to fewer than
/// one comb in ten thousand, the carrier is the fundamental.
fn carrier(peaks: &[Peak], comb: &Comb, search: &CombSearch) -> Result<Option<Comb>, PeakError> {
    const HIGHEST: u32 = 24;
    let count = comb.members.len();
    let tail = Tail::new(count);
    let mut best = (1e-4f64.ln(), 0);
    for q in 5..=HIGHEST {
        let beside = comb.members.iter().filter(|m| matches!(m.multiple % q, 0 | 1) || m.multiple % q == q - 1).count();
        let ln_chance = tail.ln_at_least(beside, count, 3.0 / f64::from(q)) + f64::from(HIGHEST).ln();
        if count >= 10 && 10 * beside >= 9 * count && ln_chance < best.0 {
            best = (ln_chance, q);
        }
    }
    if best.1 == 0 {
        return Ok(None);
    }
    let near = f64::from(best.1) * comb.fundamental_hz;
    let narrow = CombSearch { from_hz: Some(0.985 * near), to_hz: Some(1.015 * near), most_combs: 1, ..search.clone() };
    Ok(super::find_combs(peaks, &narrow)?.pop())
}

/// Which peaks no comb claims.
fn unclaimed(peaks: &[Peak], combs: &[Comb]) -> Vec<usize> {
    let mut free = vec![true; peaks.len()];
    for m in combs.iter().flat_map(|c| &c.members) {
        free[m.peak] = false;
    }
    (0..peaks.len()).filter(|&k| free[k]).collect()
}

fn tolerance_hz(peak: &Peak) -> f64 {
    peak.tolerance_hz.unwrap_or(0.25 * peak.bandwidth_hz)
}

/// Sidebands of the combs among the peaks that no comb claims: the same distance, once or twice, beside several
/// multiples. The chance of a random peak to fit is that of lying within its tolerance of one of four places in the
/// space between two multiples; every unclaimed peak proposes a distance.
pub fn find_sidebands(peaks: &[Peak], combs: &[Comb], most_false_alarm: f64) -> Vec<Modulation> {
    let left = unclaimed(peaks, combs);
    let tail = Tail::new(left.len().max(1));
    let mut found = Vec::new();
    for (index, comb) in combs.iter().enumerate() {
        let f0 = comb.fundamental_hz;
        let last = comb.members.iter().map(|m| m.multiple).max().unwrap_or(0);
        // Distance from the nearest multiple, for peaks among the multiples and where the tolerance says something.
        let near: Vec<(usize, u32, f64, f64)> = left
            .iter()
            .filter_map(|&k| {
                let n = (peaks[k].frequency_hz / f0).round();
                let t = tolerance_hz(&peaks[k]) + 0.5 * comb.uncertainty_hz * n;
                let off = peaks[k].frequency_hz - n * f0;
                (n >= 1.0 && n as u32 <= last + 1 && 16.0 * t < f0 && off.abs() > 2.0 * t)
                    .then_some((k, n as u32, off, t))
            })
            .collect();
        let mut best: Option<Modulation> = None;
        for &(_, _, proposed, _) in &near {
            let distance = proposed.abs();
            let fits: Vec<(usize, u32, i32, f64, f64)> = near
                .iter()
                .filter_map(|&(k, n, off, t)| {
                    let order = (off / distance).round();
                    let fit = order.abs() <= 2.0 && order != 0.0 && (off - order * distance).abs() <= 2.0 * t;
                    fit.then_some((k, n, order as i32, off, t))
                })
                .collect();
            let mut multiples: Vec<u32> = fits.iter().map(|f| f.1).collect();
            multiples.dedup();
            let both = fits.iter().any(|f| f.2 > 0) && fits.iter().any(|f| f.2 < 0);
            if fits.len() < 4 || multiples.len() < 2 || !both {
                continue;
            }
            let widest = fits.iter().map(|f| f.4).fold(0.0, f64::max);
            let p = (4.0 * 4.0 * widest / f0).min(1.0);
            let expected =
                near.len() as f64 * tail.ln_at_least(fits.len() - 1, near.len() - 1, p).exp() * combs.len() as f64;
            let false_alarm = -(-expected).exp_m1();
            if false_alarm > most_false_alarm || best.as_ref().is_some_and(|b| b.false_alarm <= false_alarm) {
                continue;
            }
            let (mut above, mut below) = (0.0, 0.0);
            for f in &fits {
                above += f64::from(f.2) * f.3 / (f.4 * f.4);
                below += f64::from(f.2 * f.2) / (f.4 * f.4);
            }
            best = Some(Modulation {
                comb: index,
                modulation_hz: above / below,
                uncertainty_hz: 2.0 * (1.0 / (3.0 * below)).sqrt(),
                false_alarm,
                sidebands: fits
                    .iter()
                    .map(|f| Sideband { peak: f.0, frequency_hz: peaks[f.0].frequency_hz, multiple: f.1, order: f.2 })
                    .collect(),
            });
        }
        found.extend(best);
    }
    found
}

/// Highest multiple of either fundamental in a sum or difference.
const MOST_ORDER: i32 = 5;

/// Sums and differences n·f1 ± m·f2 (n, m up to 5) of pairs of combs among the peaks that no comb claims.
pub fn find_intermodulation(peaks: &[Peak], combs: &[Comb], most_false_alarm: f64) -> Vec<Intermodulation> {
    let left = unclaimed(peaks, combs);
    let (Some(first), Some(last)) = (peaks.first(), peaks.last()) else { return Vec::new() };
    let span = last.frequency_hz - first.frequency_hz;
    let tail = Tail::new(left.len().max(1));
    let pairs = (combs.len() * combs.len().saturating_sub(1) / 2).max(1) as f64;
    let mut found = Vec::new();
    for a in 0..combs.len() {
        for b in a + 1..combs.len() {
            let places: Vec<(i32, i32, f64)> = (0..=MOST_ORDER)
                .flat_map(|n| (-MOST_ORDER..=MOST_ORDER).map(move |m| (n, m)))
                .filter(|(n, m)| *n > 0 && *m != 0)
                .map(|(n, m)| {
                    let f = f64::from(n) * combs[a].fundamental_hz + f64::from(m) * combs[b].fundamental_hz;
                    if f < 0.0 { (-n, -m, -f) } else { (n, m, f) }
                })
                .filter(|(_, _, f)| *f >= first.frequency_hz && *f <= last.frequency_hz)
                .collect();
            let mut products = Vec::new();
            let mut covered = 0.0f64;
            for &k in &left {
                let t = tolerance_hz(&peaks[k]);
                covered = covered.max(2.0 * t * places.len() as f64 / span);
                let nearest = places
                    .iter()
                    .min_by(|x, y| (x.2 - peaks[k].frequency_hz).abs().total_cmp(&(y.2 - peaks[k].frequency_hz).abs()));
                if let Some(p) = nearest.filter(|p| (p.2 - peaks[k].frequency_hz).abs() <= t) {
                    products.push(Product { peak: k, frequency_hz: peaks[k].frequency_hz, first: p.0, second: p.1 });
                }
            }
            if products.len() < 3 {
                continue;
            }
            let expected = pairs * tail.ln_at_least(products.len(), left.len(), covered.min(1.0)).exp();
            let false_alarm = -(-expected).exp_m1();
            if false_alarm <= most_false_alarm {
                found.push(Intermodulation { combs: [a, b], false_alarm, products });
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use crate::{CombSearch, Random, peaks_of_list};

    use super::*;

    #[test]
    fn a_converter_switched_in_bursts_shows_its_rate() {
        let mut random = Random::new(5);
        let mut right = 0;
        for _ in 0..40 {
            let (f0, fm) = (random.log_between(200e3, 900e3), random.log_between(22e3, 60e3));
            let mut f = Vec::new();
            for n in 1..=18 {
                for order in [-1.0, 0.0, 1.0] {
                    if random.chance(if order == 0.0 { 0.8 } else { 0.55 }) {
                        f.push(f64::from(n) * f0 + order * fm + 1125.0 * random.between(-1.0, 1.0));
                    }
                }
            }
            let peaks = peaks_of_list(&f, &vec![40.0; f.len()], Some(9e3), None).expect("valid");
            let found = find_families(&peaks, &CombSearch::default()).expect("valid");
            right += usize::from(found.modulations.iter().any(|m| (m.modulation_hz / fm - 1.0).abs() < 0.03));
        }
        assert!(right >= 28, "{right} of 40");
    }

    #[test]
    fn two_clocks_that_mix_are_told_from_strays() {
        let (f1, f2) = (25.0e6, 33.37e6);
        let mut f: Vec<f64> = (2..=12).map(|n| f1 * f64::from(n)).chain((1..=9).map(|n| f2 * f64::from(n))).collect();
        f.extend([f1 + f2, 2.0 * f2 + f1, 3.0 * f1 + f2, 2.0 * f1 + 2.0 * f2, 3.0 * f2 - f1, 411.3e6, 222.9e6]);
        let peaks = peaks_of_list(&f, &vec![40.0; f.len()], Some(120e3), None).expect("valid");
        let found = find_families(&peaks, &CombSearch::default()).expect("valid");
        assert_eq!(found.combs.len(), 2, "{:?}", found.combs);
        assert_eq!(found.intermodulations.len(), 1);
        assert_eq!(found.intermodulations[0].products.len(), 5);
        let mut random = Random::new(3);
        let strays: Vec<f64> = (0..12).map(|_| random.between(30e6, 300e6)).collect();
        let f: Vec<f64> = f[..20].iter().copied().chain(strays).collect();
        let peaks = peaks_of_list(&f, &vec![40.0; f.len()], Some(120e3), None).expect("valid");
        let found = find_families(&peaks, &CombSearch::default()).expect("valid");
        assert!(found.intermodulations.is_empty());
    }
}
