use serde::{Deserialize, Serialize};

use super::{PredictionError, SupplyFile, Topology, predict_harmonics};
use crate::harmonics::{DecidingRule, HarmonicVerdict, Product};

/// The part that is varied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Parameter {
    /// Reservoir: the largest that passes is looked for. F.
    Capacitance,
    /// Choke before the rectifier: the smallest that passes is looked for. H.
    Choke,
    /// Resistance in series with the mains: the smallest that passes is looked for. Ohm.
    SeriesResistance,
}

/// One value and what it comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Value in F, H or ohm.
    pub value: f64,
    /// Highest share of a limit that any order takes, % of that limit.
    pub worst_percent: f64,
    /// The order that takes it.
    pub order: usize,
    /// Whether every rule together passes it.
    pub passes: bool,
    /// Power from the mains, W.
    pub power_w: f64,
}

/// The value at which the product just passes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bound {
    /// What was varied.
    pub parameter: Parameter,
    /// The extreme value that passes; `None` where all or none of the range does.
    pub value: Option<f64>,
    /// In a sentence.
    pub sentence: String,
    /// The curve over the range, with what the search added, in order of the value.
    pub curve: Vec<CurvePoint>,
}

impl Parameter {
    fn set(self, supply: &SupplyFile, value: f64) -> Result<SupplyFile, PredictionError> {
        let mut s = supply.clone();
        let slot = match (&mut s.input, self) {
            (
                Topology::CapacitorInput { capacitance_f, .. }
                | Topology::ValleyFill { capacitance_f, .. }
                | Topology::Transformer { capacitance_f, .. },
                Self::Capacitance,
            ) => capacitance_f,
            (Topology::CapacitorInput { choke_h, .. }, Self::Choke) => choke_h,
            (
                Topology::CapacitorInput { series_ohm, .. } | Topology::ValleyFill { series_ohm, .. },
                Self::SeriesResistance,
            ) => series_ohm,
            _ => {
                return Err(PredictionError::Description {
                    field: "input.kind".into(),
                    what: format!("an input without a {}", self.words()),
                    expected: "capacitor_input, or another input that has this part".into(),
                });
            }
        };
        *slot = value;
        Ok(s)
    }

    /// What the part is called.
    pub fn words(self) -> &'static str {
        match self {
            Self::Capacitance => "reservoir capacitance",
            Self::Choke => "choke",
            Self::SeriesResistance => "series resistance",
        }
    }

    fn unit(self) -> (&'static str, f64) {
        match self {
            Self::Capacitance => ("µF", 1e6),
            Self::Choke => ("mH", 1e3),
            Self::SeriesResistance => ("ohm", 1.0),
        }
    }

    /// Looks for the largest rather than the smallest.
    fn largest(self) -> bool {
        self == Self::Capacitance
    }
}

fn point(
    supply: &SupplyFile,
    product: &Product,
    parameter: Parameter,
    value: f64,
) -> Result<CurvePoint, PredictionError> {
    let (cycle, judgement) = predict_harmonics(&parameter.set(supply, value)?, product)?;
    let (order, worst_percent) = judgement
        .orders
        .iter()
        .filter(|o| o.rule != DecidingRule::TooSmall)
        .filter_map(|o| o.percent_of_limit.map(|p| (o.order, p)))
        .fold((0, 0.0), |best, o| if o.1 > best.1 { o } else { best });
    let passes = matches!(judgement.verdict, HarmonicVerdict::Pass | HarmonicVerdict::NoLimits);
    Ok(CurvePoint { value, worst_percent, order, passes, power_w: cycle.power_w() })
}

/// Looks over `from..=to` (evenly in the logarithm, `points` values on two threads) for the largest capacitance or the
/// smallest choke or resistance that passes, and closes in on it to 0.5 %.
pub fn bound(
    supply: &SupplyFile,
    product: &Product,
    parameter: Parameter,
    from: f64,
    to: f64,
    points: usize,
) -> Result<Bound, PredictionError> {
    if !(from.is_finite() && to.is_finite() && from > 0.0 && to > from && points >= 3) {
        return Err(PredictionError::Description {
            field: "range".into(),
            what: format!("{from} to {to} in {points} points"),
            expected: "a rising range above zero and at least 3 points".into(),
        });
    }
    let values: Vec<f64> = (0..points).map(|k| from * (to / from).powf(k as f64 / (points - 1) as f64)).collect();
    let half = points.div_ceil(2);
    let mut curve = std::thread::scope(|scope| {
        let hand = scope.spawn(|| {
            values[half..].iter().map(|v| point(supply, product, parameter, *v)).collect::<Result<Vec<_>, _>>()
        });
        let mut first =
            values[..half].iter().map(|v| point(supply, product, parameter, *v)).collect::<Result<Vec<_>, _>>()?;
        first.extend(hand.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))?);
        Ok::<_, PredictionError>(first)
    })?;
    // Going from the bad side: the first value that passes, so that everything beyond it on the good side was looked at.
    let pass = |p: &CurvePoint| p.passes;
    let (unit, scale) = parameter.unit();
    let edge = if parameter.largest() {
        curve.iter().rposition(pass).map(|k| (k, k + 1))
    } else {
        curve.iter().position(pass).map(|k| (k, k.wrapping_sub(1)))
    };
    let range = format!("{:.4} to {:.4} {unit}", from * scale, to * scale);
    let (value, sentence) = match edge {
        None => (None, format!("No {} from {range} passes.", parameter.words())),
        Some((_, outside)) if outside >= curve.len() => {
            (None, format!("Every bound lies outside: the end of the range {range} still passes."))
        }
        Some((inside, outside)) => {
            let (mut good, mut bad) = (curve[inside].value, curve[outside].value);
            while (good / bad).ln().abs() > 0.005 {
                let middle = (good * bad).sqrt();
                let p = point(supply, product, parameter, middle)?;
                if p.passes {
                    good = middle;
                } else {
                    bad = middle;
                }
                curve.push(p);
            }
            curve.sort_by(|a, b| a.value.total_cmp(&b.value));
            let decides = curve.iter().find(|p| p.value == bad).map_or(0, |p| p.order);
            let extreme = if parameter.largest() { "largest" } else { "smallest" };
            (
                Some(good),
                format!(
                    "The {extreme} {} that passes is {:.4} {unit}; beyond it order {decides} is the first over its limit.",
                    parameter.words(),
                    good * scale
                ),
            )
        }
    };
    Ok(Bound { parameter, value, sentence, curve })
}
