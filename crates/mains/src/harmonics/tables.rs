use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use standards::Known;

use super::HIGHEST_ORDER;

/// Unit of a table of limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum LimitUnit {
    /// Amperes r.m.s.
    A,
    /// Per cent of the fundamental current.
    #[serde(rename = "percent")]
    Percent,
    /// Milliamperes per watt of power.
    #[serde(rename = "mA_per_W")]
    MilliamperePerWatt,
}

/// A table of limits by order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitTable {
    /// Short name.
    pub id: String,
    /// Standard with its edition.
    pub standard: String,
    /// In words.
    pub title: String,
    /// Unit of the limits.
    pub unit: LimitUnit,
    /// Where the numbers come from.
    pub source: String,
    /// How they are known.
    pub known: Known,
    limits: Vec<(usize, f64)>,
    odd_from: Option<usize>,
    odd_numerator: Option<f64>,
    odd_constant: Option<f64>,
    even_from: Option<usize>,
    even_numerator: Option<f64>,
    #[serde(default)]
    third_times_power_factor: bool,
}

impl LimitTable {
    /// The limit of order `h` in the table's unit; `None` where the table sets none.
    pub fn at(&self, h: usize) -> Option<f64> {
        if let Some((_, x)) = self.limits.iter().find(|(order, _)| *order == h) {
            return Some(*x);
        }
        let reached = |from: Option<usize>| from.is_some_and(|f| (f..=HIGHEST_ORDER).contains(&h));
        if h % 2 == 1 && reached(self.odd_from) {
            return self.odd_numerator.map(|n| n / h as f64).or(self.odd_constant);
        }
        if h.is_multiple_of(2) && reached(self.even_from) {
            return self.even_numerator.map(|n| n / h as f64);
        }
        None
    }

    /// Whether the third order's figure is to be multiplied by the power factor.
    pub fn third_times_power_factor(&self) -> bool {
        self.third_times_power_factor
    }
}

/// Limits that depend on the short-circuit ratio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RatioTable {
    /// Short name.
    pub id: String,
    /// Standard with its edition.
    pub standard: String,
    /// Number of the table there.
    pub table: String,
    /// In words.
    pub title: String,
    /// Where the numbers come from.
    pub source: String,
    /// How they are known.
    pub known: Known,
    /// The orders that have a limit of their own.
    pub orders: Vec<usize>,
    rows: Vec<Vec<f64>>,
}

/// Limits at one short-circuit ratio, % of the reference current.
#[derive(Debug, Clone, PartialEq)]
pub struct RatioLimits {
    /// Order and limit.
    pub orders: Vec<(usize, f64)>,
    /// Total harmonic current.
    pub thc_percent: f64,
    /// Partial weighted harmonic current.
    pub pwhc_percent: f64,
}

impl RatioTable {
    /// The limits at a short-circuit ratio: straight lines between the rows, the last row above it; `None` below the first.
    pub fn at(&self, ratio: f64) -> Option<RatioLimits> {
        let first = self.rows.first()?;
        if ratio.is_nan() || ratio < first[0] {
            return None;
        }
        let above = self.rows.iter().position(|r| r[0] > ratio);
        let row: Vec<f64> = match above {
            None => self.rows.last()?.clone(),
            Some(k) => {
                let (a, b) = (&self.rows[k - 1], &self.rows[k]);
                let s = (ratio - a[0]) / (b[0] - a[0]);
                a.iter().zip(b).map(|(x, y)| x + s * (y - x)).collect()
            }
        };
        let n = self.orders.len();
        let mut orders: Vec<(usize, f64)> = self.orders.iter().copied().zip(row[1..=n].iter().copied()).collect();
        // Even orders up to the 12th: 16/h %.
        orders.extend((1..=6).map(|k| (2 * k, 16.0 / (2 * k) as f64)));
        orders.sort_unstable_by_key(|o| o.0);
        Some(RatioLimits { orders, thc_percent: row[n + 1], pwhc_percent: row[n + 2] })
    }

    /// Lowest and highest ratio of the table.
    pub fn span(&self) -> (f64, f64) {
        (self.rows[0][0], self.rows[self.rows.len() - 1][0])
    }
}

/// The figures of the rules of assessment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Rule {
    pub standard: String,
    pub source: String,
    pub known: Known,
    pub maximum_percent: f64,
    pub short_exceedance_percent: f64,
    pub short_exceedance_average_percent: f64,
    pub short_exceedance_share_percent: f64,
    pub short_exceedance_s: f64,
    pub odd_sum_from: usize,
    pub odd_sum_average_percent: f64,
    pub floor_percent_of_input: f64,
    pub floor_a: f64,
    pub declared_within_percent: f64,
    pub repeatability_percent: f64,
    pub no_limits_up_to_w: f64,
    pub professional_above_w: f64,
    pub heating_up_to_w: f64,
    pub dimmer_up_to_w: f64,
    pub lighting_up_to_w: f64,
    pub lighting_low_up_to_w: f64,
    pub class_d_up_to_w: f64,
    pub up_to_a: f64,
    pub long_cycle_s: f64,
    pub ratio_floor_percent: f64,
}

/// What the standard asks of a test source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct SourceRule {
    pub standard: String,
    pub source: String,
    pub known: Known,
    pub voltage_percent: f64,
    pub frequency_percent: f64,
    pub crest_least: f64,
    pub crest_most: f64,
    pub crest_from_deg: f64,
    pub crest_to_deg: f64,
    harmonics_percent: Vec<(usize, f64)>,
    even_up_to_10_percent: f64,
    from_11_percent: f64,
}

impl SourceRule {
    /// What order `h` of the voltage may be, % of its fundamental.
    pub fn harmonic_percent(&self, h: usize) -> f64 {
        match self.harmonics_percent.iter().find(|(order, _)| *order == h) {
            Some((_, x)) => *x,
            None if h <= 10 => self.even_up_to_10_percent,
            None => self.from_11_percent,
        }
    }
}

/// The data file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Data {
    table: Vec<LimitTable>,
    ratio: Vec<RatioTable>,
    /// Rules of assessment.
    pub rule: Rule,
    /// The test source.
    pub supply: SourceRule,
}

static DATA: LazyLock<Data> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    toml::from_str(include_str!("../../data/harmonics.toml"))
        .unwrap_or_else(|error| panic!("built-in harmonic limits: {error}"))
});

impl Data {
    /// The data built into the program.
    pub fn embedded() -> &'static Self {
        &DATA
    }

    /// The tables by order.
    pub fn tables(&self) -> &[LimitTable] {
        &self.table
    }

    /// The tables by short-circuit ratio.
    pub fn ratio_tables(&self) -> &[RatioTable] {
        &self.ratio
    }

    pub(crate) fn table(&self, id: &str) -> &LimitTable {
        self.table.iter().find(|t| t.id == id).expect("a table the rules name is in the data: tested")
    }

    pub(crate) fn ratio(&self, id: &str) -> &RatioTable {
        self.ratio.iter().find(|t| t.id == id).expect("a table the rules name is in the data: tested")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn class_a_as_printed() {
        // The table as printed in public test reports (four digits).
        let t = Data::embedded().table("class-a");
        for (h, a) in [(2, 1.08), (3, 2.3), (8, 0.23), (10, 0.184), (15, 0.15), (17, 0.1324), (39, 0.0577), (40, 0.046)]
        {
            assert!((t.at(h).unwrap() - a).abs() < 5e-5, "{h}");
        }
        assert_eq!((t.at(1), t.at(41)), (None, None));
        let d = Data::embedded().table("class-d");
        assert!((d.at(13).unwrap() - 0.296).abs() < 5e-4 && d.at(4).is_none());
        for id in ["class-c", "class-c-2018", "class-c-low-option-c"] {
            assert!(Data::embedded().table(id).at(3).is_some());
        }
    }

    #[test]
    fn ratio_between_rows() {
        let t = Data::embedded().ratio("balanced");
        let l = t.at(93.0).unwrap();
        let of = |h| l.orders.iter().find(|o| o.0 == h).unwrap().1;
        assert!((of(5) - 16.5).abs() < 1e-9 && (l.thc_percent - 19.0).abs() < 1e-9 && (of(4) - 4.0).abs() < 1e-9);
        assert!(t.at(32.0).is_none() && t.at(1000.0).unwrap().pwhc_percent == 46.0);
    }
}
