use serde::{Deserialize, Serialize};

use crate::comb::{Intermodulation, Modulation, Pattern, find_families};
use crate::source::{find_combs_of_sources, match_sources};
use crate::{Comb, CombSearch, Peak, PeakError, Source, SourceMatch};

/// A comb with the sources that can make it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExplainedComb {
    /// The comb.
    #[serde(flatten)]
    pub comb: Comb,
    /// Name of the likeliest source; none where no source of the product fits.
    pub source: Option<String>,
    /// The sources that fit, the likeliest first.
    pub source_matches: Vec<SourceMatch>,
    /// It was found because the product names its source; the peaks alone would not have been enough.
    pub looked_for: bool,
    /// What speaks for it, in sentences that can be checked by hand.
    pub evidence: Vec<String>,
}

/// What a list of peaks comes from, as far as their frequencies tell.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Explanation {
    /// Combs, the surest first; those that were looked for last.
    pub combs: Vec<ExplainedComb>,
    /// Sidebands.
    pub modulations: Vec<Modulation>,
    /// Sums and differences.
    pub intermodulations: Vec<Intermodulation>,
    /// Positions of the peaks that nothing of the above explains.
    pub unexplained: Vec<usize>,
}

/// Combs, their sources, sidebands and mixing products of a list of peaks.
pub fn explain(peaks: &[Peak], sources: &[Source], search: &CombSearch) -> Result<Explanation, PeakError> {
    let families = find_families(peaks, search)?;
    let bandwidth = peaks.iter().map(|p| p.bandwidth_hz).fold(f64::INFINITY, f64::min);
    let top = peaks.iter().map(|p| p.frequency_hz).fold(0.0, f64::max);
    let range = (search.from_hz.unwrap_or(bandwidth), search.to_hz.unwrap_or(top / 3.0));
    let mut combs: Vec<ExplainedComb> = Vec::new();
    let looked_for = find_combs_of_sources(peaks, &families.combs, sources, search.most_false_alarm)?;
    let all = families.combs.into_iter().map(|c| (None, c)).chain(looked_for.into_iter().map(|(s, c)| (Some(s), c)));
    for (by, comb) in all {
        let mut source_matches = match_sources(comb.fundamental_hz, comb.uncertainty_hz, sources, range);
        if let Some(by) = by {
            source_matches.sort_by_key(|m| m.source != by);
        }
        let evidence = evidence(&comb, source_matches.first(), by.is_some());
        combs.push(ExplainedComb {
            source: source_matches.first().map(|m| m.name.clone()),
            comb,
            source_matches,
            looked_for: by.is_some(),
            evidence,
        });
    }
    let mut explained = vec![false; peaks.len()];
    let members = combs.iter().flat_map(|c| c.comb.members.iter().map(|m| m.peak));
    let sides = families.modulations.iter().flat_map(|m| m.sidebands.iter().map(|s| s.peak));
    let mixed = families.intermodulations.iter().flat_map(|m| m.products.iter().map(|s| s.peak));
    for k in members.chain(sides).chain(mixed) {
        explained[k] = true;
    }
    Ok(Explanation {
        combs,
        modulations: families.modulations,
        intermodulations: families.intermodulations,
        unexplained: (0..peaks.len()).filter(|&k| !explained[k]).collect(),
    })
}

/// A frequency for people: up to seven digits and a unit.
pub fn hertz(value: f64) -> String {
    let (scaled, unit) = match value.abs() {
        v if v >= 1e9 => (value / 1e9, "GHz"),
        v if v >= 1e6 => (value / 1e6, "MHz"),
        v if v >= 1e3 => (value / 1e3, "kHz"),
        _ => (value, "Hz"),
    };
    let text = format!("{scaled:.4}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

fn one_in(probability: f64) -> String {
    if probability < 1e-9 {
        "fewer than one random list in a thousand million".to_owned()
    } else if probability < 1e-6 {
        "fewer than one random list in a million".to_owned()
    } else {
        format!("about one random list in {:.0}", 1.0 / probability)
    }
}

fn evidence(comb: &Comb, source: Option<&SourceMatch>, looked_for: bool) -> Vec<String> {
    let mut said = Vec::new();
    let multiples: Vec<String> = comb.members.iter().map(|m| m.multiple.to_string()).collect();
    said.push(format!(
        "{} peaks lie on whole multiples of {} ± {}: {}.",
        comb.members.len(),
        hertz(comb.fundamental_hz),
        hertz(comb.uncertainty_hz),
        multiples.join(", ")
    ));
    if let Some(m) = comb.members.last() {
        said.push(format!(
            "To check by hand: {} / {} = {}.",
            hertz(m.frequency_hz),
            m.multiple,
            hertz(m.frequency_hz / f64::from(m.multiple))
        ));
    }
    said.push(if looked_for {
        format!(
            "It was looked for because the product names its source; with that, {} would show as much.",
            one_in(comb.false_alarm)
        )
    } else {
        format!("By chance {} of this density would show such a comb anywhere in the range.", one_in(comb.false_alarm))
    });
    if comb.pattern == Pattern::Odd {
        said.push(
            "Only odd multiples are there: a square wave of nearly half duty, or a symmetrical stage.".to_owned(),
        );
    }
    if comb.relative_drift > 0.0 {
        said.push(format!(
            "The distance from the multiples grows with frequency, up to {:.1} %: the fundamental drifts or is spread.",
            100.0 * comb.relative_drift
        ));
    }
    if let Some(m) = source {
        let ratio = match (m.times, m.divided_by) {
            (1, 1) => String::new(),
            (n, 1) => format!("{n} times "),
            (_, d) => format!("1/{d} of "),
        };
        said.push(format!(
            "The fundamental is {ratio}the frequency of “{}” to {:+.2} % (allowed ±{:.2} %).",
            m.name,
            100.0 * m.relative_deviation,
            100.0 * m.relative_tolerance
        ));
    }
    said
}
