//! The uncertainty of a set-up from its budget: GUM propagation and simulation, against frequency, with what is common to
//! all emissions told apart; decision rules.

mod acceptance;
mod gum;

pub use acceptance::{
    CisprRule, GlobalRisk, cispr_rule, conformance_probability, global_risk, guard_band_db, normal_quantile,
};
pub use gum::{
    Propagated, Quantity, Shape, Simulated, coverage_factor, effective_degrees_of_freedom, first_order,
    second_order_standard, simulate, student_below, student_quantile,
};
use serde::Serialize;
use standards::{Budget, BudgetContribution, Correlation, Distribution};

/// What one contribution does to the level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ContributionShare {
    /// What contributes.
    pub name: String,
    /// Standard uncertainty of the level from it, dB.
    pub standard_db: f64,
    /// Its share (0 to 1) of the variance.
    pub variance_share: f64,
    /// Across frequency.
    pub correlation: Correlation,
}

/// The uncertainty of a level at one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LevelUncertainty {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Combined standard uncertainty, dB.
    pub standard_db: f64,
    /// Expanded uncertainty with k = 2, dB.
    pub expanded_db: f64,
    /// Effective degrees of freedom (Welch and Satterthwaite); none where they are unlimited.
    pub degrees_of_freedom: Option<f64>,
    /// Coverage factor for 95 % with those degrees of freedom.
    pub k_95: f64,
    /// Standard uncertainty of what is the same at all frequencies, dB.
    pub common_db: f64,
    /// How far the true level lies above the reading on average, dB, from unlike halves. Not added to readings.
    pub shift_db: f64,
    /// One entry a contribution, largest first.
    pub shares: Vec<ContributionShare>,
}

/// A contribution as an input quantity of the sum that makes the level.
fn quantity(c: &BudgetContribution, frequency_hz: f64) -> Option<Quantity> {
    let value = c.value_at(frequency_hz)? * c.sensitivity.abs();
    let shape = match c.distribution {
        Distribution::Normal => Shape::Normal { standard: value / c.divisor() },
        Distribution::Rectangular => Shape::Rectangular { half: value },
        Distribution::Triangular => Shape::Triangular { half: value },
        Distribution::UShaped => Shape::UShaped { half: value },
    };
    let freedom = c.degrees_of_freedom.unwrap_or(f64::INFINITY);
    // A type A figure of few readings is spread like Student's t.
    let shape = match shape {
        Shape::Normal { standard } if freedom.is_finite() => {
            Shape::Student { scale: standard, degrees_of_freedom: freedom }
        }
        other => other,
    };
    Some(Quantity { estimate: c.shift_db(), shape, degrees_of_freedom: freedom })
}

fn quantities(budget: &Budget, frequency_hz: f64) -> Option<Vec<Quantity>> {
    budget.contributions.iter().map(|c| quantity(c, frequency_hz)).collect()
}

/// The uncertainty of a level at a frequency by the GUM; nothing where a table of the budget does not reach.
pub fn level_uncertainty(budget: &Budget, frequency_hz: f64) -> Option<LevelUncertainty> {
    let inputs = quantities(budget, frequency_hz)?;
    let sum = first_order(&inputs, |x| x.iter().sum());
    let variance = sum.standard.powi(2).max(f64::MIN_POSITIVE);
    let mut shares: Vec<ContributionShare> = budget
        .contributions
        .iter()
        .zip(&sum.shares)
        .map(|(c, &u)| ContributionShare {
            name: c.name.clone(),
            standard_db: u,
            variance_share: u * u / variance,
            correlation: c.correlation,
        })
        .collect();
    let common = shares.iter().filter(|s| s.correlation == Correlation::Common).map(|s| s.standard_db.powi(2));
    let common_db = common.sum::<f64>().sqrt();
    shares.sort_by(|a, b| b.standard_db.total_cmp(&a.standard_db));
    Some(LevelUncertainty {
        frequency_hz,
        standard_db: sum.standard,
        expanded_db: 2.0 * sum.standard,
        degrees_of_freedom: sum.degrees_of_freedom.is_finite().then_some(sum.degrees_of_freedom),
        k_95: coverage_factor(0.95, sum.degrees_of_freedom),
        common_db,
        shift_db: sum.value,
        shares,
    })
}

/// The same by simulation; nothing where a table of the budget does not reach.
pub fn simulated_uncertainty(budget: &Budget, frequency_hz: f64, trials: usize, seed: u64) -> Option<Simulated> {
    let inputs = quantities(budget, frequency_hz)?;
    Some(simulate(&inputs, trials, seed, |x| x.iter().sum()))
}
