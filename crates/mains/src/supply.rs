//! The supply against what the standard allows of a test source, and how much of the distortion of the current comes
//! from the distortion of the supply.

use std::f64::consts::{SQRT_2, TAU};

use serde::{Deserialize, Serialize};

use crate::harmonics::{Data, HIGHEST_ORDER, Measured};
use crate::record::{Finding, FindingKind};

/// Nominal voltages a recording is compared with where the user names none, V.
const NOMINAL_V: [f64; 7] = [100.0, 120.0, 127.0, 200.0, 220.0, 230.0, 240.0];
/// Number of points of the mean cycle.
const CYCLE_POINTS: usize = 1440;
/// A voltage of this distortion or more comes from a public mains rather than from an amplifier, %.
const SOCKET_PERCENT: f64 = 1.27;

/// One order of the supply's voltage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplyOrder {
    /// Order.
    pub order: usize,
    /// Mean r.m.s. of the group, % of the fundamental.
    pub percent: f64,
    /// What a test source may have, %.
    pub allowed_percent: f64,
    /// Within it.
    pub pass: bool,
}

/// The supply of a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplyCheck {
    /// Mean r.m.s. voltage, V.
    pub voltage_v: f64,
    /// Rated voltage it is compared with, V.
    pub rated_v: f64,
    /// Largest deviation of any window from it, %.
    pub voltage_deviation_percent: f64,
    /// Largest deviation of the frequency from nominal, %.
    pub frequency_deviation_percent: f64,
    /// Peak over r.m.s. of the mean cycle.
    pub crest_factor: f64,
    /// Where the peak stands, degrees after the zero crossing.
    pub peak_at_deg: f64,
    /// Distortion, orders 2 to 40, % of the fundamental.
    pub thd_percent: f64,
    /// Orders 2 to 40.
    pub orders: Vec<SupplyOrder>,
    /// Everything within what a test source may be.
    pub suitable: bool,
    /// What is not, in sentences; empty where all is.
    pub faults: Vec<String>,
    /// Judged as a public mains rather than a test source.
    pub ordinary_socket: bool,
}

/// Looks at the supply; `None` where the voltage was not recorded. The crest factor counts for classes C and D only.
pub fn check(m: &Measured, rated_v: Option<f64>, crest_counts: bool) -> Option<SupplyCheck> {
    if !m.has_voltage() {
        return None;
    }
    let rule = &Data::embedded().supply;
    let voltage_v = Measured::mean(&m.series.voltage_v)?;
    let nearest = |v: f64| NOMINAL_V.into_iter().min_by(|a, b| (v / a).ln().abs().total_cmp(&(v / b).ln().abs()));
    let rated_v = rated_v.or_else(|| nearest(voltage_v))?;
    let worst =
        |values: &[f64], nominal: f64| values.iter().map(|v| 100.0 * (v / nominal - 1.0).abs()).fold(0.0, f64::max);
    let voltage_deviation_percent = worst(&m.series.voltage_v, rated_v);
    let nominal_hz = m.mains.nominal_hz();
    let frequency_deviation_percent = worst(&m.series.frequency_hz, nominal_hz);
    let fundamental = m.voltage_group_v[1][0];
    let orders: Vec<SupplyOrder> = (2..=HIGHEST_ORDER)
        .map(|order| {
            let percent = 100.0 * m.voltage_group_v[order][0] / fundamental;
            let allowed_percent = rule.harmonic_percent(order);
            SupplyOrder { order, percent, allowed_percent, pass: percent <= allowed_percent }
        })
        .collect();
    let thd_percent = orders.iter().map(|o| o.percent * o.percent).sum::<f64>().sqrt();
    let (crest_factor, peak_at_deg) = crest(m);
    let mut faults = Vec::new();
    if voltage_deviation_percent > rule.voltage_percent {
        faults.push(format!(
            "the voltage is {voltage_v:.1} V and up to {voltage_deviation_percent:.1} % from {rated_v} V (±{} % allowed)",
            rule.voltage_percent
        ));
    }
    if frequency_deviation_percent > rule.frequency_percent {
        faults.push(format!(
            "the frequency goes from {:.3} to {:.3} Hz (±{} % of {nominal_hz} Hz allowed)",
            m.frequency.lowest_hz, m.frequency.highest_hz, rule.frequency_percent
        ));
    }
    let over: Vec<String> = orders
        .iter()
        .filter(|o| !o.pass)
        .map(|o| format!("{} ({:.2} %, {} % allowed)", o.order, o.percent, o.allowed_percent))
        .collect();
    if let Some(first) = over.first() {
        faults.push(match over.len() {
            1 => format!("its voltage has too much of order {first}"),
            n => format!("its voltage has too much of {n} orders, first {first}"),
        });
    }
    if crest_counts && !(rule.crest_least..=rule.crest_most).contains(&crest_factor) {
        faults.push(format!(
            "the crest factor is {crest_factor:.3} ({:.2} to {:.2} allowed)",
            rule.crest_least, rule.crest_most
        ));
    }
    if crest_counts && !(rule.crest_from_deg..=rule.crest_to_deg).contains(&peak_at_deg) {
        faults.push(format!(
            "the peak stands at {peak_at_deg:.1}° ({}° to {}° allowed)",
            rule.crest_from_deg, rule.crest_to_deg
        ));
    }
    Some(SupplyCheck {
        voltage_v,
        rated_v,
        voltage_deviation_percent,
        frequency_deviation_percent,
        crest_factor,
        peak_at_deg,
        thd_percent,
        orders,
        suitable: faults.is_empty(),
        ordinary_socket: thd_percent >= SOCKET_PERCENT,
        faults,
    })
}

/// Crest factor and place of the peak of the mean cycle, built from its orders.
fn crest(m: &Measured) -> (f64, f64) {
    let value = |x: f64| -> f64 {
        (1..=HIGHEST_ORDER)
            .map(|h| m.voltage_pointer[h].norm() * SQRT_2 * (h as f64 * x + m.voltage_pointer[h].arg()).sin())
            .sum()
    };
    let cycle: Vec<f64> = (0..CYCLE_POINTS).map(|k| value(TAU * k as f64 / CYCLE_POINTS as f64)).collect();
    let rms = (cycle.iter().map(|v| v * v).sum::<f64>() / CYCLE_POINTS as f64).sqrt();
    let (at, peak) = cycle.iter().map(|v| v.abs()).enumerate().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 0.0));
    let half = CYCLE_POINTS / 2;
    (peak / rms, 180.0 * (at % half) as f64 / half as f64)
}

impl SupplyCheck {
    /// What is to be said of the supply beside a result.
    pub fn findings(&self) -> Vec<Finding> {
        if self.suitable {
            return Vec::new();
        }
        let text = format!("not a test source as the standard asks for: {}", self.faults.join("; "));
        let mut findings = vec![Finding::remark(FindingKind::UnsuitableSupply, text)];
        if self.ordinary_socket {
            let text = format!(
                "the voltage has {:.1} % distortion, as a public mains has: the result shows what happens there, is not \
                 repeatable elsewhere, and a rectifier on a flattened voltage reads low in its high orders",
                self.thd_percent
            );
            findings.push(Finding::remark(FindingKind::OrdinarySocket, text));
        }
        findings
    }
}

/// How a share was estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ShareMethod {
    /// The current's order follows the voltage's from window to window; that slope times the mean voltage.
    Regression,
    /// The current that a resistor of the same power would draw from that order of the voltage.
    Conductance,
    /// The voltage's order follows the current: the drop on the source's impedance, caused by the product itself.
    CausedByProduct,
}

/// The part of one order of the current that the supply's own distortion explains.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplyShare {
    /// Order.
    pub order: usize,
    /// Mean pointer of the current, A r.m.s.
    pub current_a: f64,
    /// The part the supply explains, A r.m.s.
    pub explained_a: f64,
    /// What would be left on a sinusoidal supply by this estimate, A r.m.s.
    pub remaining_a: f64,
    /// How it was estimated.
    pub method: ShareMethod,
}

/// The estimate for all orders.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SupplyShares {
    /// Orders 2 to 40.
    pub orders: Vec<SupplyShare>,
    /// Distortion current, A r.m.s.
    pub distortion_a: f64,
    /// The same with the explained part taken out, A r.m.s.
    pub remaining_a: f64,
    /// Power of the distortion current that the supply explains, %: 100·(1 − remaining²/distortion²). Negative where
    /// the supply hides a part of the product's own distortion.
    pub explained_percent: f64,
}

/// Estimates, order by order, the part of the distortion current that the supply's distortion causes. Where both moved
/// together from window to window (coherence above one half over 30 windows or more) the slope of that movement counts,
/// unless it is that of a source impedance; elsewhere a conductance of the product's power is assumed, which is right
/// for a resistive or power-factor-corrected input and only a first guess for a rectifier.
pub fn shares(m: &Measured) -> Option<SupplyShares> {
    if !m.has_voltage() {
        return None;
    }
    let power = Measured::mean(&m.series.power_w)?.abs();
    let voltage = Measured::mean(&m.series.voltage_v)?;
    let conductance = power / (voltage * voltage);
    let sign = if Measured::mean(&m.series.power_w)? < 0.0 { -1.0 } else { 1.0 };
    let orders: Vec<SupplyShare> = (2..=HIGHEST_ORDER)
        .map(|h| {
            let (u, i, c) = (m.voltage_pointer[h], m.current_pointer[h] * sign, m.covariance[h]);
            let coherence =
                if c.voltage > 0.0 && c.current > 0.0 { c.both.norm_sqr() / (c.voltage * c.current) } else { 0.0 };
            let (part, method) = if coherence > 0.5 && m.windows >= 30 {
                let slope = c.both * sign / c.voltage;
                if slope.re < 0.0 {
                    (u * 0.0, ShareMethod::CausedByProduct)
                } else {
                    (slope * u, ShareMethod::Regression)
                }
            } else {
                (u * conductance, ShareMethod::Conductance)
            };
            SupplyShare {
                order: h,
                current_a: i.norm(),
                explained_a: part.norm(),
                remaining_a: (i - part).norm(),
                method,
            }
        })
        .collect();
    let root = |f: fn(&SupplyShare) -> f64| orders.iter().map(|o| f(o) * f(o)).sum::<f64>().sqrt();
    let distortion_a = root(|o| o.current_a);
    let remaining_a = root(|o| o.remaining_a);
    let explained_percent = if distortion_a > 0.0 { 100.0 * (1.0 - (remaining_a / distortion_a).powi(2)) } else { 0.0 };
    Some(SupplyShares { orders, distortion_a, remaining_a, explained_percent })
}
