use std::sync::LazyLock;

use quantity::{AtStep, Interpolation, LogTable};
use serde::{Deserialize, Serialize};

use crate::{Known, MeasurementKind};

/// How the deviation behind a contribution is distributed, and so what its figure means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Distribution {
    /// Normal: the figure is an expanded uncertainty with the coverage factor `k` of the contribution.
    Normal,
    /// Anywhere between the ends alike: half-width over √3.
    Rectangular,
    /// Most likely in the middle: half-width over √6.
    Triangular,
    /// Most likely at the ends, as a mismatch of unknown phase: half-width over √2.
    UShaped,
}

/// How the deviations at two frequencies of one measurement belong together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Correlation {
    /// The same deviation at all frequencies.
    Common,
    /// Each emission has its own.
    Independent,
    /// Correlation falls to 1/e over so many octaves.
    Octaves(f64),
}

impl Correlation {
    /// Correlation coefficient of two different emissions at these frequencies, Hz: exp(−|log₂(f/g)|/length).
    pub fn between(self, f_hz: f64, g_hz: f64) -> f64 {
        match self {
            Self::Common => 1.0,
            Self::Independent => 0.0,
            Self::Octaves(length) => (-(f_hz / g_hz).log2().abs() / length).exp(),
        }
    }
}

/// Whose set-up a budget describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BudgetPlace {
    /// A test laboratory with a validated site.
    Laboratory,
    /// One's own bench or site.
    #[default]
    Bench,
}

/// One contribution to the uncertainty of a level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BudgetContribution {
    /// What contributes.
    pub name: String,
    /// Expanded uncertainty or half-width, dB, at every frequency. Exactly one of `value_db`, `table_hz_db`, or both
    /// `plus_db` and `minus_db`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value_db: Option<f64>,
    /// The same against frequency: rows of Hz and dB, straight over the logarithm of frequency between them. Outside the
    /// table the budget says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub table_hz_db: Option<Vec<(f64, f64)>>,
    /// Upper half of an interval with unlike halves, dB above the reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plus_db: Option<f64>,
    /// Lower half, dB below the reading, as a positive number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minus_db: Option<f64>,
    /// Distribution.
    pub distribution: Distribution,
    /// Coverage factor of the figure; for the normal distribution only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub k: Option<f64>,
    /// Across frequency.
    pub correlation: Correlation,
    /// Decibels of the level for one of the contribution.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub sensitivity: f64,
    /// Degrees of freedom, where the figure was found from repeated readings (type A) or is itself uncertain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// What one would do to find out its value, in words, where that is within one's own reach.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settled_by: Option<String>,
    /// How long that takes, minutes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<f64>,
    /// Where the figure comes from, if elsewhere than the budget.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

const fn one() -> f64 {
    1.0
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "the shape serde asks for")]
fn is_one(value: &f64) -> bool {
    *value == 1.0
}

impl BudgetContribution {
    /// Half-width or expanded uncertainty at a frequency, dB, before the sensitivity; nothing outside its table. Unlike
    /// halves give their mean.
    pub fn value_at(&self, frequency_hz: f64) -> Option<f64> {
        if let Some(points) = &self.table_hz_db {
            let table = LogTable::new(points.clone(), Interpolation::LogFrequency, AtStep::Higher).ok()?;
            return table.at(frequency_hz);
        }
        match (self.value_db, self.plus_db, self.minus_db) {
            (Some(value), _, _) => Some(value),
            (None, Some(plus), Some(minus)) => Some(0.5 * (plus + minus)),
            _ => None,
        }
    }

    /// How far the middle of unlike halves lies above the reading, dB, sensitivity included.
    pub fn shift_db(&self) -> f64 {
        match (self.plus_db, self.minus_db) {
            (Some(plus), Some(minus)) => 0.5 * (plus - minus) * self.sensitivity,
            _ => 0.0,
        }
    }

    /// What its figure is divided by to give a standard uncertainty.
    pub fn divisor(&self) -> f64 {
        match self.distribution {
            Distribution::Normal => self.k.unwrap_or(1.0),
            Distribution::Rectangular => 3f64.sqrt(),
            Distribution::Triangular => 6f64.sqrt(),
            Distribution::UShaped => 2f64.sqrt(),
        }
    }

    /// Standard uncertainty of the level at a frequency, dB; nothing outside its table.
    pub fn standard_at(&self, frequency_hz: f64) -> Option<f64> {
        self.value_at(frequency_hz).map(|v| (v * self.sensitivity / self.divisor()).abs())
    }

    fn fault(&self) -> Option<(&'static str, String, &'static str)> {
        let positive = |v: f64| v.is_finite() && v >= 0.0;
        let given = [self.value_db.is_some(), self.table_hz_db.is_some(), self.plus_db.is_some()];
        if self.name.trim().is_empty() {
            return Some(("name", "it is empty".to_owned(), "what contributes"));
        }
        if given.iter().filter(|g| **g).count() != 1 || self.plus_db.is_some() != self.minus_db.is_some() {
            let expected = "exactly one of value_db, table_hz_db, or plus_db with minus_db";
            return Some(("value_db", "several or none of its kinds are given".to_owned(), expected));
        }
        for (field, value) in [("value_db", self.value_db), ("plus_db", self.plus_db), ("minus_db", self.minus_db)] {
            if let Some(v) = value.filter(|v| !positive(*v)) {
                return Some((field, v.to_string(), "a number of dB, 0 or more"));
            }
        }
        if let Some(points) = &self.table_hz_db {
            if let Err(why) = LogTable::new(points.clone(), Interpolation::LogFrequency, AtStep::Higher) {
                return Some(("table_hz_db", why.to_string(), "rows of frequency in Hz and dB, frequencies rising"));
            }
            if let Some(p) = points.iter().find(|p| !positive(p.1)) {
                return Some(("table_hz_db", format!("{} dB at {} Hz", p.1, p.0), "a number of dB, 0 or more"));
            }
        }
        match (self.distribution, self.k) {
            (Distribution::Normal, None) => {
                return Some(("k", "not given".to_owned(), "the coverage factor of the normal contribution, 1 or 2"));
            }
            (Distribution::Normal, Some(k)) if !(k.is_finite() && k > 0.0) => {
                return Some(("k", k.to_string(), "a positive coverage factor"));
            }
            (Distribution::Normal, Some(_)) | (_, None) => {}
            (_, Some(k)) => {
                return Some(("k", k.to_string(), "no k: only a normal contribution has a coverage factor"));
            }
        }
        if let Correlation::Octaves(length) = self.correlation
            && !(length.is_finite() && length > 0.0)
        {
            return Some(("correlation", format!("octaves = {length}"), "a positive number of octaves"));
        }
        if !self.sensitivity.is_finite() {
            return Some(("sensitivity", self.sensitivity.to_string(), "a number"));
        }
        if self.settled_by.is_some() != self.minutes.is_some() {
            return Some(("settled_by", "without minutes, or minutes without it".to_owned(), "both or neither"));
        }
        if let Some(v) = self.minutes.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return Some(("minutes", v.to_string(), "a positive number of minutes"));
        }
        if let Some(v) = self.degrees_of_freedom.filter(|v| v.is_nan() || *v <= 0.0) {
            return Some(("degrees_of_freedom", v.to_string(), "a positive number"));
        }
        None
    }
}

/// What contributes to the uncertainty of the levels of one set-up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Budget {
    /// Short name.
    pub id: String,
    /// In words.
    pub title: String,
    /// The kind of measurement, for the published U_cispr to compare with.
    pub kind: MeasurementKind,
    /// Whose set-up it is.
    #[serde(default)]
    pub place: BudgetPlace,
    /// Where the figures come from.
    pub source: String,
    /// How they are known.
    pub known: Known,
    /// The contributions.
    #[serde(rename = "contribution")]
    pub contributions: Vec<BudgetContribution>,
}

impl Budget {
    /// Standard uncertainty of a level at a frequency, dB; nothing where a table of the budget does not reach.
    pub fn standard_at(&self, frequency_hz: f64) -> Option<f64> {
        let mut sum = 0.0;
        for c in &self.contributions {
            sum += c.standard_at(frequency_hz)?.powi(2);
        }
        Some(sum.sqrt())
    }

    /// Covariance (dB²) of the deviations of two different emissions of one measurement.
    pub fn covariance(&self, f_hz: f64, g_hz: f64) -> Option<f64> {
        let mut sum = 0.0;
        for c in &self.contributions {
            let rho = c.correlation.between(f_hz, g_hz);
            if rho != 0.0 {
                sum += rho * c.standard_at(f_hz)? * c.standard_at(g_hz)?;
            }
        }
        Some(sum)
    }

    /// The same budget with every figure multiplied, so that its expanded uncertainty becomes another one.
    pub fn scaled(&self, factor: f64) -> Self {
        let mut out = self.clone();
        for c in &mut out.contributions {
            for value in [&mut c.value_db, &mut c.plus_db, &mut c.minus_db].into_iter().flatten() {
                *value *= factor;
            }
            for row in c.table_hz_db.iter_mut().flatten() {
                row.1 *= factor;
            }
        }
        out
    }

    fn check(&self, place: &str) -> Result<(), BudgetError> {
        let at = |part: String, what: String, expected: &str| BudgetError {
            place: format!("{place}, budget `{}`{part}", self.id),
            what,
            expected: expected.to_owned(),
        };
        if self.id.trim().is_empty() {
            return Err(at(String::new(), "id: it is empty".to_owned(), "a short name"));
        }
        if self.source.trim().is_empty() {
            return Err(at(String::new(), "source: it is empty".to_owned(), "where the figures come from"));
        }
        if self.contributions.is_empty() {
            return Err(at(String::new(), "no contribution".to_owned(), "at least one [[budget.contribution]]"));
        }
        for c in &self.contributions {
            if let Some((field, what, expected)) = c.fault() {
                return Err(at(format!(", contribution `{}`", c.name), format!("{field}: {what}"), expected));
            }
        }
        Ok(())
    }
}

/// A budget file that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {what}; expected {expected}")]
pub struct BudgetError {
    /// File, budget and contribution.
    pub place: String,
    /// Field and what was found.
    pub what: String,
    /// What was expected.
    pub expected: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    budget: Vec<Budget>,
}

/// Reads a file of `[[budget]]` tables.
///
/// # Errors
/// Names `place` (a file name), the budget, the contribution, the field, and what was expected.
pub fn read_budgets(text: &str, place: &str) -> Result<Vec<Budget>, BudgetError> {
    let file: File = toml::from_str(text).map_err(|error| BudgetError {
        place: place.to_owned(),
        what: error.to_string().trim_end().to_owned(),
        expected: "a TOML file of [[budget]] tables with [[budget.contribution]] tables".to_owned(),
    })?;
    for (i, budget) in file.budget.iter().enumerate() {
        budget.check(place)?;
        if file.budget[..i].iter().any(|b| b.id == budget.id) {
            return Err(BudgetError {
                place: format!("{place}, budget {}", i + 1),
                what: format!("id: `{}` is already taken", budget.id),
                expected: "an id that no other budget has".to_owned(),
            });
        }
    }
    Ok(file.budget)
}

static EMBEDDED: LazyLock<Vec<Budget>> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    read_budgets(include_str!("../data/budgets.toml"), "budgets.toml")
        .unwrap_or_else(|error| panic!("built-in budgets: {error}"))
});

/// The budgets built into the program: examples to start one's own from.
pub fn example_budgets() -> &'static [Budget] {
    &EMBEDDED
}
