use serde::{Deserialize, Serialize};

use crate::record::Finding;

/// What decided about an order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecidingRule {
    /// The fundamental, or an order without a limit.
    NoLimit,
    /// Below the smallest current considered.
    TooSmall,
    /// The average over the observation against the limit.
    Average,
    /// The highest smoothed value against 150 % of the limit.
    Maximum,
    /// Up to 200 % for a short time.
    ShortExceedance,
    /// Average up to 150 % for odd orders from the 21st, because their sum is within its limit.
    OddOrderSum,
    /// The two easements above would both be needed, and may not be used together.
    NotTogether,
    /// The equipment has no limits.
    Exempt,
}

impl DecidingRule {
    /// In a few words, for a table.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoLimit => "no limit",
            Self::TooSmall => "smaller than is considered",
            Self::Average => "average against the limit",
            Self::Maximum => "highest value against 150 %",
            Self::ShortExceedance => "short exceedance up to 200 %",
            Self::OddOrderSum => "partial odd harmonic current",
            Self::NotTogether => "two easements needed, only one allowed",
            Self::Exempt => "no limits for this equipment",
        }
    }
}

/// One order against its limit. Values are those of the harmonic group smoothed by 1.5 s.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OrderResult {
    /// Order.
    pub order: usize,
    /// Mean over the observation, A r.m.s.
    pub average_a: f64,
    /// Highest value, A r.m.s.
    pub maximum_a: f64,
    /// Mean of the single line at the order, A r.m.s.: without what lies between the orders.
    pub single_line_average_a: f64,
    /// Limit, A r.m.s., where there is one.
    pub limit_a: Option<f64>,
    /// Mean, % of the limit.
    pub percent_of_limit: Option<f64>,
    /// Highest value, % of the limit.
    pub maximum_percent_of_limit: Option<f64>,
    /// Whether the order passes.
    pub pass: bool,
    /// What decided.
    pub rule: DecidingRule,
}

/// What the recording comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HarmonicVerdict {
    /// Within every limit.
    Pass,
    /// Over at least one.
    Fail,
    /// The standard sets no limits for this equipment.
    NoLimits,
    /// The recording is at fault; nothing follows from it.
    Unreliable,
}

/// One way to comply of several.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OptionResult {
    /// Which.
    pub name: String,
    /// Whether it is met.
    pub pass: bool,
    /// Why.
    pub sentence: String,
}

/// The part of IEC 61000-3-12.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RatioResult {
    /// Short-circuit ratio the limits were taken at.
    pub short_circuit_ratio: f64,
    /// Reference current, A.
    pub reference_a: f64,
    /// Total harmonic current, % of the reference current, and its limit.
    pub thc_percent: f64,
    /// Limit of it, %.
    pub thc_limit_percent: f64,
    /// Partial weighted harmonic current (orders 14 to 40, weighted with the order), %.
    pub pwhc_percent: f64,
    /// Limit of it, %.
    pub pwhc_limit_percent: f64,
    /// The least short-circuit ratio at which everything passes, where there is one in the table.
    pub least_ratio_that_passes: Option<f64>,
}

/// A recording held against a class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// Standard with its edition.
    pub standard: String,
    /// Class or table.
    pub class: String,
    /// Where the limits come from.
    pub source: String,
    /// `seen` or `memory`.
    pub known: standards::Known,
    /// What it comes to.
    pub verdict: HarmonicVerdict,
    /// The same in a sentence.
    pub sentence: String,
    /// Orders 1 to 40.
    pub orders: Vec<OrderResult>,
    /// Fundamental current, mean, A r.m.s.
    pub fundamental_a: f64,
    /// Input current, mean, A r.m.s.
    pub input_current_a: f64,
    /// Active power, mean, W, where the voltage was recorded.
    pub power_w: Option<f64>,
    /// Power factor, where the voltage was recorded.
    pub power_factor: Option<f64>,
    /// Power the limits were made from, W, where they depend on it, and where it came from.
    pub limit_power_w: Option<f64>,
    /// Words on where that power, or the reference current, came from.
    pub limit_basis: Option<String>,
    /// Total harmonic current √(Σ I²), orders 2 to 40, mean, A.
    pub thc_a: f64,
    /// Total harmonic distortion, % of the fundamental.
    pub thd_percent: f64,
    /// Partial odd harmonic current, odd orders 21 to 39, mean, A.
    pub pohc_a: f64,
    /// The same made of the limits, A.
    pub pohc_limit_a: Option<f64>,
    /// Currents below this are not considered, A.
    pub smallest_considered_a: f64,
    /// True where single lines instead of groups would change the verdict.
    pub grouping_decides: bool,
    /// The ways to comply, where there are several.
    pub options: Vec<OptionResult>,
    /// The part of IEC 61000-3-12.
    pub ratio: Option<RatioResult>,
    /// What was found.
    pub findings: Vec<Finding>,
}
