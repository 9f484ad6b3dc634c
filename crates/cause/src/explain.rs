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
        let looked_for = by.is_some();
        combs.push(ExplainedComb { comb, source: None, source_matches, looked_for, evidence: Vec::new() });
    }
    settle_ratios(&mut combs, sources);
    for c in &mut combs {
        c.source = c.source_matches.first().map(|m| m.name.clone());
        c.evidence = evidence(&c.comb, c.source_matches.first(), c.looked_for);
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

/// A half or double of a source whose tolerance is wide fits almost anything. Where another comb is that source itself, such a
/// match stands only if the two fundamentals are in that ratio within their own uncertainties.
fn settle_ratios(combs: &mut [ExplainedComb], sources: &[Source]) {
    let plain: Vec<(usize, f64, f64)> = combs
        .iter()
        .filter_map(|c| {
            let m = c.source_matches.iter().find(|m| (m.times, m.divided_by) == (1, 1))?;
            Some((m.source, c.comb.fundamental_hz, c.comb.uncertainty_hz))
        })
        .collect();
    for c in combs.iter_mut() {
        let (own, u) = (c.comb.fundamental_hz, c.comb.uncertainty_hz);
        c.source_matches.retain(|m| {
            if (m.times, m.divided_by) == (1, 1) || sources[m.source].tolerance() < 0.01 {
                return true;
            }
            let ratio = f64::from(m.times) / f64::from(m.divided_by);
            let others = plain.iter().filter(|p| p.0 == m.source);
            others.clone().count() == 0 || others.clone().any(|p| (own - ratio * p.1).abs() <= 2.0 * (u + ratio * p.2))
        });
    }
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

/// A relative deviation for people, in parts per million where the tolerance is that of a crystal; never a zero with a sign.
fn relative(value: f64, signed: bool, tolerance: f64) -> String {
    let (scaled, unit, digits) = if tolerance < 1e-3 { (1e6 * value, "ppm", 0) } else { (1e2 * value, "%", 2) };
    let step = 10f64.powi(digits);
    let rounded = (scaled * step).round() / step;
    let digits = digits as usize;
    if rounded == 0.0 {
        format!("less than {} {unit}", if digits == 0 { "1" } else { "0.01" })
    } else if signed {
        format!("{rounded:+.digits$} {unit}")
    } else {
        format!("{rounded:.digits$} {unit}")
    }
}

/// An uncertainty for people: two significant digits (the convention of the GUM, 7.2.6, is at most two).
pub fn doubt(value_hz: f64) -> String {
    if value_hz <= 0.0 || !value_hz.is_finite() {
        return hertz(value_hz);
    }
    let (scale, unit) = match value_hz {
        v if v >= 1e9 => (1e9, "GHz"),
        v if v >= 1e6 => (1e6, "MHz"),
        v if v >= 1e3 => (1e3, "kHz"),
        _ => (1.0, "Hz"),
    };
    let scaled = value_hz / scale;
    let digits = (1 - scaled.log10().floor() as i32).clamp(0, 4) as usize;
    format!("{scaled:.digits$} {unit}")
}

/// Multiples in order, neighbours drawn together: `1 to 4, 6, 8 to 95`; a list that stays long is cut in its middle and says so.
fn runs_of(multiples: impl Iterator<Item = u32>) -> String {
    let mut sorted: Vec<u32> = multiples.collect();
    sorted.sort_unstable();
    sorted.dedup();
    let mut stretches: Vec<(u32, u32)> = Vec::new();
    for m in sorted {
        match stretches.last_mut() {
            Some((_, last)) if *last + 1 == m => *last = m,
            _ => stretches.push((m, m)),
        }
    }
    let said = |&(a, b): &(u32, u32)| match b - a {
        0 => a.to_string(),
        1 => format!("{a}, {b}"),
        _ => format!("{a} to {b}"),
    };
    let words: Vec<String> = stretches.iter().map(said).collect();
    if words.len() <= 14 {
        return words.join(", ");
    }
    format!(
        "{}, … ({} stretches more), … {}",
        words[..8].join(", "),
        words.len() - 12,
        words[words.len() - 4..].join(", ")
    )
}

fn one_in(probability: f64) -> String {
    if probability < 1e-9 {
        "fewer than one random list in a thousand million".to_owned()
    } else if probability < 1e-6 {
        "fewer than one random list in a million".to_owned()
    } else {
        // Two digits: the model of random lists bears no more.
        let lists = 1.0 / probability;
        let step = 10f64.powi((lists.log10().floor() as i32 - 1).max(0));
        format!("about one random list in {:.0}", (lists / step).round() * step)
    }
}

fn evidence(comb: &Comb, source: Option<&SourceMatch>, looked_for: bool) -> Vec<String> {
    let mut said = Vec::new();
    let multiples = runs_of(comb.members.iter().map(|m| m.multiple));
    said.push(format!(
        "{} peaks lie on whole multiples of {} ± {}: {}.",
        comb.members.len(),
        hertz(comb.fundamental_hz),
        doubt(comb.uncertainty_hz),
        multiples
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
            "The fundamental lies {} from {ratio}the frequency of “{}” (allowed ±{}).",
            relative(m.relative_deviation, true, m.relative_tolerance).replace('-', "−"),
            m.name,
            relative(m.relative_tolerance, false, m.relative_tolerance).replace(".00 ", " ")
        ));
        if m.by_chance > 0.1 {
            said.push(format!(
                "That alone says little: {:.0} % of all fundamentals would match a source of the product as well.",
                100.0 * m.by_chance
            ));
        }
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_small_deviation_is_no_signed_zero() {
        assert_eq!(relative(-2e-8, true, 200e-6), "less than 1 ppm");
        assert_eq!(relative(-12.4e-6, true, 200e-6), "-12 ppm");
        assert_eq!(relative(200e-6, false, 200e-6), "200 ppm");
        assert_eq!(relative(-0.0016, true, 0.15), "-0.16 %");
        assert_eq!(relative(-1e-5, true, 0.15), "less than 0.01 %");
    }
}
