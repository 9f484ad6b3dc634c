//! A verdict as a sentence.

use crate::verdict::{Decision, ProbabilityBound, Verdict};
use crate::words;

/// The worst reading that settles an excess.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Excess {
    pub(crate) margin_db: f64,
    pub(crate) frequency_hz: f64,
    /// That this emission alone meets this limit.
    pub(crate) probability: f64,
}

/// The verdict in words. `failing` counts the emissions that exceed.
pub(crate) fn of(verdict: &Verdict, worst_over: Option<Excess>, failing: usize) -> String {
    // Where other limits are judged by readings that are too high the joint figure is too low; but the chance is no
    // better than that of the one excess that is settled.
    let chance = match (worst_over, verdict.probability_bound) {
        (Some(excess), ProbabilityBound::AtLeast | ProbabilityBound::Rough) => {
            chance(excess.probability, ProbabilityBound::AtMost)
        }
        _ => chance(verdict.probability, verdict.probability_bound),
    };
    let several = verdict.limits.len() > 1;
    let limit = if several { "a limit" } else { "the limit" };
    match (verdict.decision, worst_over) {
        (Decision::Fail, Some(Excess { margin_db, frequency_hz, .. })) => {
            let by = decibels(-margin_db);
            let at = words::frequency(frequency_hz);
            let others = match failing {
                0 | 1 => String::new(),
                2 => format!(", the worse of 2 emissions over {limit}"),
                n => format!(", the worst of {n} emissions over {limit}"),
            };
            format!("Fails by {by} at {at}{others}; {chance}")
        }
        (Decision::Pass, _) => format!("{}; {chance}", capital(&format!("passes {}", in_hand(verdict)))),
        _ => format!("Not decided: {}; {chance}", open(verdict)),
    }
}

fn in_hand(verdict: &Verdict) -> String {
    if verdict.worst_margin_db.is_finite() {
        let at = words::frequency(verdict.worst_frequency_hz);
        format!("with {} in hand at {at}", decibels(verdict.worst_margin_db))
    } else {
        "with no emission above zero".to_owned()
    }
}

/// What keeps a verdict open, the weightiest first.
fn open(verdict: &Verdict) -> String {
    let mut reasons: Vec<String> = Vec::new();
    if !verdict.still_to_measure.is_empty() {
        let mut detectors: Vec<&str> = Vec::new();
        for s in &verdict.still_to_measure {
            if !detectors.contains(&s.detector.name()) {
                detectors.push(s.detector.name());
            }
        }
        let detectors = detectors.join(" and ");
        let over = verdict.worst_margin_db < 0.0;
        let worst = words::frequency(verdict.worst_frequency_hz);
        if over {
            let by = decibels(-verdict.worst_margin_db);
            let mut places: Vec<(f64, f64)> = verdict.still_to_measure.iter().map(|s| (s.from_hz, s.to_hz)).collect();
            places.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut apart = 0;
            let mut reach = f64::NEG_INFINITY;
            for (from, to) in places {
                if from > reach {
                    apart += 1;
                }
                reach = reach.max(to);
            }
            let places = if apart == 1 { "there".to_owned() } else { format!("at {apart} emissions") };
            reasons.push(format!(
                "up to {by} over at {worst} by a detector that reads too high to settle it, measure with {detectors} {places}"
            ));
        } else if verdict.still_to_measure.iter().any(|s| s.reason.contains("too short")) {
            reasons.push(format!(
                "{} so far, but the record is too short for {detectors} to settle",
                in_hand(verdict).trim_start_matches("with ")
            ));
        } else {
            reasons.push(format!(
                "{} so far, but by a detector that reads too low to settle it, measure with {detectors}",
                in_hand(verdict).trim_start_matches("with ")
            ));
        }
    }
    if let [first, rest @ ..] = verdict.not_measured.as_slice() {
        let mut stretches: Vec<(f64, f64)> = vec![(first.from_hz, first.to_hz)];
        for n in rest {
            if !stretches.contains(&(n.from_hz, n.to_hz)) {
                stretches.push((n.from_hz, n.to_hz));
            }
        }
        let (from, to) = (words::frequency(stretches[0].0), words::frequency(stretches[0].1));
        let more = match stretches.len() - 1 {
            0 => String::new(),
            1 => " and in one more stretch".to_owned(),
            n => format!(" and in {n} more stretches"),
        };
        let so_far = if reasons.is_empty() && verdict.worst_margin_db.is_finite() {
            format!("{} where it was measured, but ", in_hand(verdict).trim_start_matches("with "))
        } else {
            String::new()
        };
        reasons.push(format!("{so_far}not measured from {from} to {to}{more}"));
    }
    reasons.join("; ")
}

fn decibels(db: f64) -> String {
    if db < 0.05 { "less than 0.1 dB".to_owned() } else { format!("{db:.1} dB") }
}

fn chance(probability: f64, bound: ProbabilityBound) -> String {
    let percent = 100.0 * probability;
    let figure = if percent >= 99.5 {
        if matches!(bound, ProbabilityBound::AtMost) {
            return "nothing measured speaks against a pass at the laboratory".to_owned();
        }
        "more than 99 %".to_owned()
    } else if percent < 0.5 {
        if matches!(bound, ProbabilityBound::AtLeast) {
            return "the chance to pass at the laboratory is not known yet".to_owned();
        }
        "less than 1 %".to_owned()
    } else {
        let rounded = format!("{percent:.0} %");
        match bound {
            ProbabilityBound::Estimate => rounded,
            ProbabilityBound::AtLeast => format!("at least {rounded}"),
            ProbabilityBound::AtMost => format!("at most {rounded}"),
            ProbabilityBound::Rough => format!("roughly {rounded}"),
        }
    };
    format!("{figure} likely to pass at the laboratory")
}

/// With a capital first letter.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |c| c.to_uppercase().chain(letters).collect())
}
