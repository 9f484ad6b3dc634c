use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::Known;

/// A rule that says how far up radiated emission is measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UpperFrequency {
    /// `cispr32` or `part15`.
    pub id: String,
    /// For people.
    pub title: String,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub known: Known,
    row: Vec<Row>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    internal_to_hz: Option<f64>,
    measure_to_hz: Option<f64>,
    times: Option<f64>,
    at_most_hz: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    rule: Vec<UpperFrequency>,
}

static RULES: LazyLock<Vec<UpperFrequency>> = LazyLock::new(|| {
    // The file is part of the program and a test reads every row of it.
    toml::from_str::<File>(include_str!("../data/upper_frequency.toml"))
        .unwrap_or_else(|error| panic!("built-in upper frequencies: {error}"))
        .rule
});

impl UpperFrequency {
    /// All rules.
    pub fn all() -> &'static [Self] {
        &RULES
    }

    /// The rule that goes with a limit or standard, by its id: part 15 for `part15…`, that of CISPR 32 for all others.
    pub fn of(id: &str) -> &'static Self {
        let wanted = if id.starts_with("part15") { "part15" } else { "cispr32" };
        RULES.iter().find(|r| r.id == wanted).unwrap_or(&RULES[0])
    }

    /// Highest frequency to be measured, Hz, for the highest internal frequency, Hz.
    pub fn measure_to_hz(&self, internal_hz: f64) -> f64 {
        self.row.iter().find(|r| r.internal_to_hz.is_none_or(|to| internal_hz <= to)).map_or(f64::NAN, |r| {
            match (r.measure_to_hz, r.times) {
                (Some(to), _) => to,
                (None, Some(times)) => (times * internal_hz).min(r.at_most_hz.unwrap_or(f64::INFINITY)),
                (None, None) => f64::NAN,
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CISPR 32:2015 table 1 (from memory) and 47 CFR 15.33(b)(1).
    #[test]
    fn published_rows() {
        let cispr = UpperFrequency::of("cispr32-b-field-qp-3m");
        for (internal, to) in
            [(25e6, 1e9), (108e6, 1e9), (120e6, 2e9), (500e6, 2e9), (800e6, 5e9), (1.1e9, 5.5e9), (2.4e9, 6e9)]
        {
            assert_eq!(cispr.measure_to_hz(internal), to, "{internal}");
        }
        let part15 = UpperFrequency::of("part15-b-field");
        for (internal, to) in [(1e6, 30e6), (1.705e6, 30e6), (16e6, 1e9), (2.4e9, 12e9), (10e9, 40e9)] {
            assert_eq!(part15.measure_to_hz(internal), to, "{internal}");
        }
        assert_eq!(UpperFrequency::all().len(), 2);
    }
}
