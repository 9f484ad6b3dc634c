//! The chance in words.

use super::{Chance, Repeatability};
use crate::words;

/// The chance and what drives it, in one to three sentences.
pub fn sentence(chance: &Chance) -> String {
    let mut said = format!("{} likely to pass at the laboratory", words::percent(chance.probability));
    if chance.standard_error > 0.005 {
        said.push_str(&format!(" (± {:.1} points from the simulation)", 200.0 * chance.standard_error));
    }
    said.push('.');
    let Some(worst) = chance.emissions.first() else {
        return format!("{said} No emission was found.");
    };
    let matter = chance.emissions.iter().filter(|e| e.probability_over > 0.01).count();
    said.push_str(&match matter {
        0 => " No emission is more than 1 % likely to exceed its limit there.".to_owned(),
        1 => format!(
            " It hangs on one emission, {} at {}, expected {:.1} dB from its limit there (± {:.1} dB).",
            worst.label,
            words::frequency(worst.frequency_hz),
            worst.expected_margin_db,
            2.0 * worst.standard_db
        ),
        n => format!(
            " It hangs on {n} emissions, most on {} at {}: expected {:.1} dB from its limit there (± {:.1} dB).",
            worst.label,
            words::frequency(worst.frequency_hz),
            worst.expected_margin_db,
            2.0 * worst.standard_db
        ),
    });
    if let (true, Some(source)) = (matter > 0, chance.sources.first()) {
        let side = if source.side == "repetition" { "" } else { " of the " };
        let whose = if source.side == "repetition" { "" } else { source.side };
        said.push_str(&format!(
            " The largest source of doubt is {}{side}{whose}: {:.0} % of the variance.",
            source.name,
            100.0 * source.variance_share
        ));
    }
    said
}

/// How well the bench repeats itself, in a sentence.
pub fn bench_words(r: &Repeatability) -> String {
    match r.observed {
        None => format!(
            "Nothing was measured twice: repetition is assumed to scatter by {:.1} dB (one standard deviation).",
            r.standard_db()
        ),
        Some(o) => format!(
            "{} {} measured again: readings scatter by {:.1} dB (one standard deviation, {:.0} effective degrees of \
             freedom); with what is assumed beforehand {:.1} dB.",
            r.repeated_runs,
            if r.repeated_runs == 1 { "run was" } else { "runs were" },
            o.standard_db,
            o.degrees_of_freedom.max(1.0),
            r.standard_db()
        ),
    }
}
