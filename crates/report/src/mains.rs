//! Recordings of the mains on paper: waveform, orders against limits, flicker.

use std::fmt::Write as _;

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::evidence::{Decision, Fact, FileEvidence, Finding};
use crate::svg::{hatch, open, text};
use crate::view::{findings, paragraphs, soft};

/// One order of the current against its limit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct OrderEvidence {
    /// 1 is the fundamental.
    pub order: usize,
    /// Mean, A r.m.s.
    pub average_a: f64,
    /// Highest smoothed value, A r.m.s.
    pub maximum_a: f64,
    /// Limit, A r.m.s.
    pub limit_a: Option<f64>,
    /// Mean, % of the limit.
    pub percent_of_limit: Option<f64>,
    /// Highest value, % of the limit.
    pub maximum_percent_of_limit: Option<f64>,
    /// Whether it passes.
    pub pass: bool,
    /// What decided, in words.
    pub rule: String,
}

/// A few cycles of the recording.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct WaveEvidence {
    /// Time, s.
    pub time_s: Vec<f64>,
    /// Voltage, V; empty where it was not recorded.
    pub voltage_v: Vec<f64>,
    /// Current, A.
    pub current_a: Vec<f64>,
    /// The current of the same power that follows the voltage, A; empty without a voltage.
    pub following_current_a: Vec<f64>,
}

/// A quantity of flicker or voltage change against its limit, in words and figures.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct FlickerRowEvidence {
    /// Quantity with its unit.
    pub quantity: String,
    /// Measured.
    pub value: f64,
    /// Limit.
    pub limit: f64,
    /// None where the record cannot decide.
    pub pass: Option<bool>,
    /// Anything to keep in mind.
    pub note: String,
}

/// A recording of the mains, measured and judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MainsEvidence {
    /// Number or name of the run.
    pub id: String,
    /// Title.
    pub title: String,
    /// What it comes to.
    pub decision: Decision,
    /// The same in a sentence.
    pub sentence: String,
    /// When, port, sample, standard, power and so on.
    pub facts: Vec<Fact>,
    /// Orders that have a limit or are worth a line.
    pub orders: Vec<OrderEvidence>,
    /// Two cycles of the window with the most distortion.
    pub wave: Option<WaveEvidence>,
    /// Flicker and voltage change.
    pub flicker: Vec<FlickerRowEvidence>,
    /// What that comes to.
    pub flicker_sentence: String,
    /// What stands against the result, or has to be said of it.
    pub findings: Vec<Finding>,
    /// What can hurt someone in this measurement.
    pub caution: String,
    /// The raw files.
    pub files: Vec<FileEvidence>,
}

pub(crate) fn wave_name(index: usize) -> String {
    format!("mains-wave-{index}.svg")
}

pub(crate) fn bars_name(index: usize) -> String {
    format!("mains-bars-{index}.svg")
}

const WIDTH: f64 = 480.0;

/// The next of 1, 2, 2.5, 5 times a power of ten.
fn nice_top(value: f64) -> f64 {
    if !(value > 0.0 && value.is_finite()) {
        return 1.0;
    }
    let decade = 10_f64.powf(value.log10().floor());
    [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().map(|s| s * decade).find(|t| *t >= value * (1.0 - 1e-9)).unwrap_or(value)
}

fn highest(values: &[f64]) -> f64 {
    values.iter().fold(0.0, |m, v| v.abs().max(m))
}

/// Voltage, current, and the current that would follow the voltage.
pub fn wave_svg(w: &WaveEvidence) -> String {
    let (left, right, height) = (38.0, WIDTH - 38.0, 150.0);
    let mut svg = String::new();
    open(
        &mut svg,
        WIDTH,
        height,
        "Two cycles of voltage and current, and the current of the same power that follows the voltage",
    );
    let middle = (height - 14.0) / 2.0;
    let end = w.time_s.last().copied().filter(|t| *t > 0.0).unwrap_or(1.0);
    let amperes = nice_top(highest(&w.current_a).max(highest(&w.following_current_a)));
    let volts = nice_top(highest(&w.voltage_v));
    let y = |v: f64, top: f64| middle - v / top * (middle - 6.0);
    for k in -2..=2 {
        let share = f64::from(k) / 2.0;
        let at = y(share, 1.0);
        let colour = if k == 0 { "#777" } else { "#ddd" };
        let _ = write!(svg, r#"<path d="M{left} {at:.1}H{right}" stroke="{colour}" stroke-width="0.6"/>"#);
        text(&mut svg, left - 4.0, at + 3.0, "end", &format!("{} A", share * amperes));
        if !w.voltage_v.is_empty() {
            text(&mut svg, right + 4.0, at + 3.0, "start", &format!("{} V", share * volts));
        }
    }
    for k in 0..=4 {
        let share = f64::from(k) / 4.0;
        text(&mut svg, left + share * (right - left), height - 2.0, "middle", &format!("{:.0} ms", share * end * 1e3));
    }
    let mut line = |values: &[f64], top: f64, style: &str| {
        if values.is_empty() {
            return;
        }
        let mut path = String::new();
        for (k, (t, v)) in w.time_s.iter().zip(values).enumerate() {
            let command = if k == 0 { 'M' } else { 'L' };
            let _ = write!(path, "{command}{:.1} {:.1}", left + t / end * (right - left), y(*v, top));
        }
        let _ = write!(svg, r#"<path d="{path}" fill="none" {style}/>"#);
    };
    line(&w.voltage_v, volts, r##"stroke="#888" stroke-width="0.8""##);
    line(&w.following_current_a, amperes, r##"stroke="#000" stroke-width="0.9" stroke-dasharray="4 3""##);
    line(&w.current_a, amperes, r##"stroke="#000" stroke-width="1.4""##);
    svg.push_str("</svg>");
    svg
}

/// Orders in per cent of what is allowed; the forbidden side is hatched.
pub fn bars_svg(orders: &[OrderEvidence]) -> String {
    let (left, right, top_y, bottom) = (38.0, WIDTH - 6.0, 6.0, 150.0);
    let mut svg = String::new();
    open(&mut svg, WIDTH, 168.0, "Orders 2 to 40 in per cent of what is allowed; above 100 the ground is hatched");
    // The highest value may reach 150 % of the limit: both rules have their edge at 100 here.
    let share = |o: &OrderEvidence| {
        o.percent_of_limit.map(|p| p.max(o.maximum_percent_of_limit.unwrap_or(0.0) / 1.5)).filter(|s| s.is_finite())
    };
    let scale = nice_top(orders.iter().filter_map(share).fold(130.0, f64::max));
    let y = |percent: f64| bottom - percent.clamp(0.0, scale) / scale * (bottom - top_y);
    let edge = y(100.0);
    let _ = write!(
        svg,
        r#"<clipPath id="forbidden"><rect x="{left}" y="{top_y}" width="{:.1}" height="{:.1}"/></clipPath>"#,
        right - left,
        edge - top_y
    );
    hatch(&mut svg, left, top_y, right, edge, "forbidden");
    let _ = write!(svg, r##"<path d="M{left} {edge:.1}H{right}" stroke="#8c1d18" stroke-width="1.2"/>"##);
    for k in 0..=4 {
        let percent = scale * f64::from(k) / 4.0;
        text(&mut svg, left - 4.0, y(percent) + 3.0, "end", &format!("{percent} %"));
    }
    let slot = (right - left) / 39.0;
    for o in orders.iter().filter(|o| (2..=40).contains(&o.order)) {
        let at = left + (o.order as f64 - 2.0) * slot;
        if let Some(s) = share(o) {
            let fill = if o.pass { "#555" } else { "#8c1d18" };
            let _ = write!(
                svg,
                r#"<rect x="{:.1}" y="{:.1}" width="{:.1}" height="{:.1}" fill="{fill}"/>"#,
                at + 0.16 * slot,
                y(s),
                0.68 * slot,
                (bottom - y(s)).max(0.5)
            );
        }
    }
    for order in (3..40).step_by(4) {
        text(&mut svg, left + (f64::from(order) - 1.5) * slot, 163.0, "middle", &order.to_string());
    }
    svg.push_str("</svg>");
    svg
}

/// As the page sees it.
pub(crate) fn view(index: usize, m: &MainsEvidence) -> Value {
    let number = |x: Option<f64>, digits: usize| x.map_or("–".to_owned(), |x| format!("{x:.digits$}"));
    json!({
        "label": format!("mains-run-{index}"),
        "heading": soft(&format!("Run {}: {}", m.id, m.title)),
        "verdict": { "sentence": soft(&m.sentence), "decision": m.decision },
        "facts": m.facts.iter().map(|f| json!([soft(&f.name), soft(&f.value)])).collect::<Value>(),
        "orders": m.orders.iter().map(|o| json!({
            "order": o.order.to_string(),
            "average": format!("{:.4}", o.average_a),
            "maximum": format!("{:.4}", o.maximum_a),
            "limit": number(o.limit_a, 4),
            "percent": number(o.percent_of_limit, 1),
            "highest": number(o.maximum_percent_of_limit, 1),
            "pass": o.pass,
            "rule": soft(&o.rule),
        })).collect::<Value>(),
        "wave": m.wave.as_ref().map(|_| wave_name(index)),
        "bars": m.orders.iter().any(|o| o.limit_a.is_some()).then(|| bars_name(index)),
        "flicker": m.flicker.iter().map(|r| json!({
            "quantity": soft(&r.quantity),
            "value": format!("{:.3}", r.value),
            "limit": r.limit.to_string(),
            "pass": r.pass.map_or("not judged", |p| if p { "yes" } else { "no" }),
            "note": soft(&r.note),
        })).collect::<Value>(),
        "flicker_sentence": soft(&m.flicker_sentence),
        "findings": findings(&m.findings),
        "caution": paragraphs(&m.caution),
        "files": m.files.iter().map(|f| json!({ "name": soft(&f.name), "blake3": f.blake3 })).collect::<Value>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_hold_what_they_are_given() {
        let wave = WaveEvidence {
            time_s: vec![0.0, 0.01, 0.02],
            voltage_v: vec![0.0, 325.0, 0.0],
            current_a: vec![0.0, 1.0, -1.0],
            following_current_a: vec![0.0, 0.5, 0.0],
        };
        let svg = wave_svg(&wave);
        assert_eq!(svg.matches("fill=\"none\"").count(), 3);
        assert!(svg.contains("500 V") && svg.contains("20 ms"));
        let order = |order, percent| OrderEvidence {
            order,
            limit_a: Some(1.0),
            percent_of_limit: Some(percent),
            pass: percent <= 100.0,
            ..OrderEvidence::default()
        };
        let svg = bars_svg(&[order(3, 50.0), order(5, 180.0)]);
        assert!(svg.contains("200 %") && svg.matches("<rect").count() == 3);
    }
}
