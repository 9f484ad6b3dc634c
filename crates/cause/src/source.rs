//! The product's clocks and converters, matched to combs.

use serde::{Deserialize, Serialize};

use crate::{Comb, CombSearch, Peak, PeakError, find_combs};

/// What kind of thing oscillates.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SourceKind {
    /// A clock, kept by a crystal or a resonator.
    Clock,
    /// A switching converter.
    Converter,
}

/// Something of the product that oscillates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: SourceKind,
    /// Nominal frequency, Hz.
    pub frequency_hz: f64,
    /// Largest relative deviation of the real frequency from the nominal one; see [`Source::tolerance`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relative_tolerance: Option<f64>,
    /// Duty ratio, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duty: Option<f64>,
    /// Rise time, s, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rise_time_s: Option<f64>,
}

impl Source {
    /// The relative tolerance: the one given, otherwise ±200 ppm for a clock (crystals ±20 to ±100 ppm, with ageing and
    /// temperature) and ±15 % for a converter (RC oscillators ±5 to ±15 %); common practice.
    pub fn tolerance(&self) -> f64 {
        self.relative_tolerance.unwrap_or(match self.kind {
            SourceKind::Clock => 200e-6,
            SourceKind::Converter => 0.15,
        })
    }
}

/// A comb's fundamental beside the frequency of a source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SourceMatch {
    /// Position of the source in the list handed in.
    pub source: usize,
    /// Its name.
    pub name: String,
    /// The fundamental is so many times the source's frequency (2: only its even multiples show) …
    pub times: u32,
    /// … divided by this (2: a divider by two, or a push-pull stage).
    pub divided_by: u32,
    /// Relative deviation of the fundamental from that frequency.
    pub relative_deviation: f64,
    /// Largest deviation the source's tolerance and the comb's uncertainty allow.
    pub relative_tolerance: f64,
    /// Probability that a fundamental strewn evenly over the logarithm of the range searched would match any source by
    /// chance as well as this.
    pub by_chance: f64,
}

/// Ratios of fundamental to source that are tried, the plain one first; the penalty orders them.
const RATIOS: [(u32, u32, f64); 7] =
    [(1, 1, 0.0), (2, 1, 1.0), (1, 2, 1.0), (3, 1, 2.5), (1, 3, 2.5), (4, 1, 2.5), (1, 4, 2.5)];

/// The sources a fundamental can belong to, the likeliest first. `range_hz` is the range of fundamentals searched.
pub fn match_sources(
    fundamental_hz: f64,
    uncertainty_hz: f64,
    sources: &[Source],
    range_hz: (f64, f64),
) -> Vec<SourceMatch> {
    let range = (range_hz.1 / range_hz.0).ln().max(0.1);
    let mut found: Vec<(f64, SourceMatch)> = Vec::new();
    for (index, source) in sources.iter().enumerate() {
        for (times, divided_by, penalty) in RATIOS {
            let nominal = source.frequency_hz * f64::from(times) / f64::from(divided_by);
            let relative_deviation = fundamental_hz / nominal - 1.0;
            let relative_tolerance = source.tolerance() + uncertainty_hz / fundamental_hz;
            if relative_deviation.abs() > relative_tolerance {
                continue;
            }
            // Places as close to any source, over the whole range.
            let closer = |s: &Source| (s.tolerance() + uncertainty_hz / fundamental_hz).min(0.5);
            let covered: f64 = sources.iter().map(|s| 2.0 * closer(s)).sum::<f64>() / range;
            let by_chance = (covered * if penalty > 0.0 { RATIOS.len() as f64 } else { 1.0 }).min(1.0);
            // A deviation of half the tolerance is usual for a converter; a narrow tolerance that fits says more.
            let x = relative_deviation / relative_tolerance;
            let cost = 2.0 * x * x + relative_tolerance.ln() + 2.0 * penalty;
            let name = source.name.clone();
            found.push((
                cost,
                SourceMatch {
                    source: index,
                    name,
                    times,
                    divided_by,
                    relative_deviation,
                    relative_tolerance,
                    by_chance,
                },
            ));
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.dedup_by_key(|(_, m)| (m.source, m.times, m.divided_by));
    let mut kept: Vec<SourceMatch> = Vec::new();
    for (_, m) in found {
        if !kept.iter().any(|k| k.source == m.source) {
            kept.push(m);
        }
    }
    kept
}

/// Combs of the product's own sources that the blind search could not tell from chance: each source's fundamental is
/// searched within its tolerance only, on the peaks that no comb claims, and two members can be enough. The false-alarm
/// probability counts all sources tried.
pub fn find_combs_of_sources(
    peaks: &[Peak],
    combs: &[Comb],
    sources: &[Source],
    most_false_alarm: f64,
) -> Result<Vec<(usize, Comb)>, PeakError> {
    let mut found: Vec<(usize, Comb)> = Vec::new();
    let mut free: Vec<usize> = (0..peaks.len()).collect();
    free.retain(|k| !combs.iter().any(|c| c.members.iter().any(|m| m.peak == *k)));
    let known = |f: f64, source: &Source| (f / source.frequency_hz - 1.0).abs() <= source.tolerance();
    let tried: Vec<usize> =
        (0..sources.len()).filter(|&s| !combs.iter().any(|c| known(c.fundamental_hz, &sources[s]))).collect();
    // Two members must do only where the range is as narrow as that of a crystal.
    for &s in &tried {
        let source = &sources[s];
        let left: Vec<Peak> = free.iter().map(|&k| peaks[k]).collect();
        let search = CombSearch {
            from_hz: Some(source.frequency_hz * (1.0 - source.tolerance())),
            to_hz: Some(source.frequency_hz * (1.0 + source.tolerance())),
            most_false_alarm: most_false_alarm / tried.len() as f64,
            most_combs: 1,
            fewest_members: if source.tolerance() < 0.002 { 2 } else { 3 },
        };
        if let Some(mut comb) = find_combs(&left, &search)?.pop() {
            for m in &mut comb.members {
                m.peak = free[m.peak];
            }
            comb.false_alarm = (comb.false_alarm * tried.len() as f64).min(1.0);
            free.retain(|k| !comb.members.iter().any(|m| m.peak == *k));
            found.push((s, comb));
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::peaks_of_list;

    fn sources() -> Vec<Source> {
        let source = |name: &str, kind, frequency_hz| Source {
            name: name.into(),
            kind,
            frequency_hz,
            relative_tolerance: None,
            duty: None,
            rise_time_s: None,
        };
        vec![
            source("crystal", SourceKind::Clock, 8e6),
            source("core", SourceKind::Clock, 48e6),
            source("converter", SourceKind::Converter, 132e3),
            source("radio", SourceKind::Clock, 26e6),
        ]
    }

    #[test]
    fn a_narrow_tolerance_that_fits_wins_over_a_wide_one() {
        let mut list = sources();
        list.push(Source { frequency_hz: 7.5e6, name: "fast converter".into(), ..list[2].clone() });
        let found = match_sources(8.0002e6, 300.0, &list, (100e3, 100e6));
        assert_eq!(found[0].name, "crystal");
        assert_eq!(found[1].name, "fast converter");
        assert!(match_sources(131e3, 20.0, &list, (9e3, 10e6))[0].by_chance < 0.3);
        assert!(match_sources(37.1e6, 100.0, &list, (100e3, 100e6)).is_empty());
    }

    #[test]
    fn two_lines_of_a_crystal_are_enough_where_one_looks_for_it() {
        let f = [52.004e6, 61.3e6, 95.31e6, 130.006e6, 143.77e6, 188.4e6];
        let peaks = peaks_of_list(&f, &[40.0; 6], Some(120e3), None).expect("valid");
        assert!(find_combs(&peaks, &CombSearch::default()).expect("valid").is_empty());
        let found = find_combs_of_sources(&peaks, &[], &sources(), 0.01).expect("valid");
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(sources()[found[0].0].name, "radio");
        assert_eq!(found[0].1.members.iter().map(|m| m.multiple).collect::<Vec<_>>(), [2, 5]);
    }
}
