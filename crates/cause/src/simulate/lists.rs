//! Lists of peaks with known fundamentals.

use crate::{Peak, Random};

/// How the frequencies of a comb's peaks err.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Jitter {
    /// Evenly within ± this share of the bandwidth.
    Even(f64),
    /// Normal with this share of the bandwidth as standard deviation.
    Normal(f64),
}

/// What lists of one kind have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ListKind {
    /// What it is called in tables.
    pub name: &'static str,
    /// Lowest frequency measured, Hz.
    pub from_hz: f64,
    /// Highest frequency measured, Hz.
    pub to_hz: f64,
    /// Bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// Lowest and highest fundamental, Hz.
    pub fundamental_hz: (f64, f64),
    /// Fewest and most peaks altogether.
    pub peaks: (usize, usize),
    /// Fewest and most combs.
    pub combs: (usize, usize),
    /// Share of the multiples that are missing.
    pub missing: f64,
    /// Peaks that belong to no comb.
    pub foreign: usize,
    /// Error of the frequencies.
    pub jitter: Jitter,
    /// Even multiples are missing altogether.
    pub odd_only: bool,
    /// The multiples start anywhere in the range, not at its lower end.
    pub anywhere: bool,
    /// Frequencies stand on this grid, Hz; 0 for none.
    pub step_hz: f64,
}

/// Conducted: 150 kHz to 30 MHz with 9 kHz.
pub const CONDUCTED: ListKind = ListKind {
    name: "0.15–30 MHz",
    from_hz: 150e3,
    to_hz: 30e6,
    bandwidth_hz: 9e3,
    fundamental_hz: (20e3, 2e6),
    peaks: (20, 60),
    combs: (1, 2),
    missing: 0.45,
    foreign: 6,
    jitter: Jitter::Even(0.125),
    odd_only: false,
    anywhere: false,
    step_hz: 0.0,
};

/// Radiated: 30 MHz to 1 GHz with 120 kHz.
pub const RADIATED: ListKind = ListKind {
    name: "30–1000 MHz",
    from_hz: 30e6,
    to_hz: 1e9,
    bandwidth_hz: 120e3,
    fundamental_hz: (400e3, 100e6),
    ..CONDUCTED
};

/// A list with its truth.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueList {
    /// The peaks, sorted by frequency.
    pub peaks: Vec<Peak>,
    /// The fundamentals in it, Hz.
    pub fundamental_hz: Vec<f64>,
}

/// One list. A comb whose multiples do not reach the number of peaks asked for is drawn again.
pub fn list(kind: &ListKind, random: &mut Random) -> TrueList {
    loop {
        if let Some(list) = attempt(kind, random) {
            return list;
        }
    }
}

fn attempt(kind: &ListKind, random: &mut Random) -> Option<TrueList> {
    let total = kind.peaks.0 + random.below(kind.peaks.1 - kind.peaks.0 + 1);
    let combs = kind.combs.0 + random.below(kind.combs.1 - kind.combs.0 + 1);
    let own = (total.saturating_sub(kind.foreign)) / combs;
    let mut frequencies: Vec<f64> = Vec::new();
    let mut fundamental_hz = Vec::new();
    for _ in 0..combs {
        let f0 = random.log_between(kind.fundamental_hz.0, kind.fundamental_hz.1);
        fundamental_hz.push(f0);
        let mut first = (kind.from_hz / f0).ceil().max(1.0) as usize;
        let last = (kind.to_hz / f0).floor() as usize;
        let needed = (own as f64 / (1.0 - kind.missing) * if kind.odd_only { 2.0 } else { 1.0 }) as usize;
        if kind.anywhere && last > first + needed {
            first += random.below(last - first - needed);
        }
        let before = frequencies.len();
        let mut n = first;
        while frequencies.len() - before < own && n <= last {
            let left_out = kind.odd_only && n.is_multiple_of(2);
            if !(left_out || random.chance(kind.missing)) {
                let error = match kind.jitter {
                    Jitter::Even(share) => random.between(-share, share),
                    Jitter::Normal(share) => share * random.normal(),
                };
                frequencies.push(n as f64 * f0 + error * kind.bandwidth_hz);
            }
            n += 1;
        }
        if frequencies.len() - before < 4 {
            return None;
        }
    }
    if frequencies.len() + kind.foreign < kind.peaks.0 {
        return None;
    }
    for _ in 0..kind.foreign {
        frequencies.push(random.log_between(kind.from_hz, kind.to_hz));
    }
    Some(TrueList { peaks: peaks(kind, frequencies, random), fundamental_hz })
}

/// How the peaks of a list without any comb lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spread {
    /// Evenly over frequency.
    Even,
    /// Evenly over the logarithm of frequency.
    Logarithmic,
    /// In three humps with a tenth of them strewn between.
    Humps,
}

/// A list without any comb.
pub fn random_list(kind: &ListKind, spread: Spread, random: &mut Random) -> Vec<Peak> {
    let total = kind.peaks.0 + random.below(kind.peaks.1 - kind.peaks.0 + 1);
    let humps: Vec<f64> = (0..3).map(|_| random.log_between(kind.from_hz * 1.3, kind.to_hz / 1.3)).collect();
    let frequencies = (0..total)
        .map(|_| match spread {
            Spread::Even => random.between(kind.from_hz, kind.to_hz),
            Spread::Logarithmic => random.log_between(kind.from_hz, kind.to_hz),
            Spread::Humps if random.chance(0.1) => random.log_between(kind.from_hz, kind.to_hz),
            Spread::Humps => humps[random.below(3)] * (1.0 + 0.08 * random.normal()).clamp(0.7, 1.3),
        })
        .collect();
    peaks(kind, frequencies, random)
}

fn peaks(kind: &ListKind, mut frequencies: Vec<f64>, random: &mut Random) -> Vec<Peak> {
    frequencies.sort_by(f64::total_cmp);
    frequencies
        .into_iter()
        .map(|f| Peak {
            frequency_hz: if kind.step_hz > 0.0 { (f / kind.step_hz).round() * kind.step_hz } else { f },
            level_db: random.between(30.0, 60.0),
            bandwidth_hz: kind.bandwidth_hz,
            tolerance_hz: None,
        })
        .collect()
}

/// How many of a list's fundamentals were found, and how many combs are none of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Score {
    /// Lists in which every fundamental was found.
    pub all_found: usize,
    /// Combs found that are no fundamental of the list.
    pub false_combs: usize,
    /// Fundamentals in the lists.
    pub fundamentals: usize,
    /// Fundamentals found.
    pub found: usize,
    /// Found fundamentals that lie within the uncertainty given.
    pub within_uncertainty: usize,
}

/// A fundamental counts as found within this relative distance.
pub const CLOSE: f64 = 0.002;

impl Score {
    /// Adds one list.
    pub fn add(&mut self, truth: &[f64], combs: &[crate::Comb]) {
        let close = |a: f64, b: f64| (a / b - 1.0).abs() <= CLOSE;
        let mut found = 0;
        for t in truth {
            if let Some(c) = combs.iter().find(|c| close(c.fundamental_hz, *t)) {
                found += 1;
                self.within_uncertainty += usize::from((c.fundamental_hz - t).abs() <= c.uncertainty_hz);
            }
        }
        self.fundamentals += truth.len();
        self.found += found;
        self.all_found += usize::from(found == truth.len());
        self.false_combs += combs.iter().filter(|c| !truth.iter().any(|t| close(c.fundamental_hz, *t))).count();
    }
}
