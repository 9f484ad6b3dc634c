use super::HIGHEST_ORDER;
use super::judgement::{DecidingRule, OrderResult};
use super::measured::{Measured, Series, smooth};
use super::tables::Rule;

/// Limits in A by order; index 0 and 1 unused.
pub(super) type Limits = [Option<f64>; HIGHEST_ORDER + 1];

/// Smoothed values of an observation.
pub(super) struct Smoothed {
    /// By order, then by window, A.
    pub(super) orders: Vec<Vec<f64>>,
    pub(super) line_mean: Vec<f64>,
    pub(super) input_a: Vec<f64>,
    pub(super) power_w: Vec<f64>,
    pub(super) odd_sum_a: f64,
    pub(super) distortion_a: f64,
    pub(super) window_s: f64,
}

pub(super) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

pub(super) fn highest(values: &[f64]) -> f64 {
    values.iter().copied().fold(0.0, f64::max)
}

impl Smoothed {
    /// `groups`: take the harmonic groups; else the single lines.
    pub(super) fn of(m: &Measured, groups: bool, rule: &Rule) -> Self {
        let Series { group_a, line_a, input_a, power_w, .. } = &m.series;
        let window_s = m.mains.cycles_per_window() as f64 / m.mains.nominal_hz();
        let chosen = if groups { group_a } else { line_a };
        let orders: Vec<Vec<f64>> =
            (0..=HIGHEST_ORDER).map(|h| smooth(chosen.iter().map(|g| g[h]), window_s)).collect();
        let root = |from: usize, step: usize| {
            let values = chosen.iter().map(|g| g[from..].iter().step_by(step).map(|x| x * x).sum::<f64>().sqrt());
            mean(&smooth(values, window_s))
        };
        let line_mean = (0..=HIGHEST_ORDER).map(|h| mean(&smooth(line_a.iter().map(|g| g[h]), window_s))).collect();
        Self {
            orders,
            line_mean,
            input_a: smooth(input_a.iter().copied(), window_s),
            // A reversed probe turns the sign and nothing else.
            power_w: smooth(power_w.iter().map(|p| p.abs()), window_s),
            odd_sum_a: root(rule.odd_sum_from, 2),
            distortion_a: root(2, 1),
            window_s,
        }
    }
}

/// Which easements a class has.
#[derive(Clone, Copy)]
pub(super) struct Easements {
    pub(super) short_exceedance: bool,
    pub(super) odd_sum: bool,
}

/// √(Σ L²) of the odd orders that the sum is made of.
pub(super) fn odd_sum_limit(limits: &Limits, rule: &Rule) -> Option<f64> {
    let parts: Option<f64> = (rule.odd_sum_from..HIGHEST_ORDER).step_by(2).map(|h| limits[h].map(|l| l * l)).sum();
    parts.map(f64::sqrt)
}

/// Every order against its limit.
pub(super) fn assess(
    s: &Smoothed,
    limits: &Limits,
    floor_a: f64,
    easements: Easements,
    rule: &Rule,
) -> Vec<OrderResult> {
    let odd_sum_limit = odd_sum_limit(limits, rule);
    let odd_sum_met = easements.odd_sum && odd_sum_limit.is_some_and(|l| s.odd_sum_a <= l);
    let observed_s = s.input_a.len() as f64 * s.window_s;
    let exceed_s = (0.01 * rule.short_exceedance_share_percent * observed_s).min(rule.short_exceedance_s);
    let over = 0.01 * rule.maximum_percent;
    let mut results: Vec<OrderResult> = (1..=HIGHEST_ORDER)
        .map(|h| {
            let values = &s.orders[h];
            let (average_a, maximum_a) = (mean(values), highest(values));
            let limit_a = if h == 1 { None } else { limits[h] };
            let (pass, decided) = match limit_a {
                None => (true, DecidingRule::NoLimit),
                Some(_) if average_a < floor_a && maximum_a < floor_a => (true, DecidingRule::TooSmall),
                Some(limit) => {
                    let (a, m) = (average_a / limit, maximum_a / limit);
                    let nearer = if m / over > a { DecidingRule::Maximum } else { DecidingRule::Average };
                    let above_s = values.iter().filter(|x| **x > over * limit).count() as f64 * s.window_s;
                    if a <= 1.0 && m <= over {
                        (true, nearer)
                    } else if easements.short_exceedance
                        && m <= 0.01 * rule.short_exceedance_percent
                        && a <= 0.01 * rule.short_exceedance_average_percent
                        && above_s <= exceed_s + 1e-9
                    {
                        (true, DecidingRule::ShortExceedance)
                    } else if odd_sum_met
                        && h % 2 == 1
                        && h >= rule.odd_sum_from
                        && a <= 0.01 * rule.odd_sum_average_percent
                        && m <= over
                    {
                        (true, DecidingRule::OddOrderSum)
                    } else {
                        (false, nearer)
                    }
                }
            };
            OrderResult {
                order: h,
                average_a,
                maximum_a,
                single_line_average_a: s.line_mean[h],
                limit_a,
                percent_of_limit: limit_a.map(|l| 100.0 * average_a / l),
                maximum_percent_of_limit: limit_a.map(|l| 100.0 * maximum_a / l),
                pass,
                rule: decided,
            }
        })
        .collect();
    let uses = |r: &[OrderResult], rule| r.iter().any(|o| o.rule == rule);
    if uses(&results, DecidingRule::ShortExceedance) && uses(&results, DecidingRule::OddOrderSum) {
        for o in results.iter_mut().filter(|o| o.rule == DecidingRule::OddOrderSum) {
            o.pass = false;
            o.rule = DecidingRule::NotTogether;
        }
    }
    results
}

/// The order nearest to (or furthest over) its limit, with its percentage by the rule that decides.
pub(super) fn nearest(orders: &[OrderResult], rule: &Rule) -> Option<(usize, f64)> {
    let share = |o: &OrderResult| -> Option<f64> {
        let (a, m) = (o.percent_of_limit?, o.maximum_percent_of_limit?);
        (o.rule != DecidingRule::TooSmall).then(|| a.max(m * 100.0 / rule.maximum_percent))
    };
    let failing = orders.iter().any(|o| !o.pass);
    orders
        .iter()
        .filter(|o| o.pass != failing)
        .filter_map(|o| share(o).map(|s| (o.order, s)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
}
