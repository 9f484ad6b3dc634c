//! Bursts, discharges and surges: what levels, polarities and effects at each port tell.
//!
//! The probabilities are judgements of common practice, coarse on purpose so that no single observation decides alone.

use serde::{Deserialize, Serialize};

use super::{Effect, Piece, Weakness};

/// The kind of pulses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PulseKind {
    /// Fast transients.
    Burst,
    /// Static discharge.
    Discharge,
    /// Surges.
    Surge,
}

/// The level at which a port fails with one polarity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PulseLevel {
    /// Port, or point of the housing.
    pub port: String,
    /// Negative pulses; none: not said.
    pub negative: Option<bool>,
    /// Threshold, dB.
    pub threshold_db: f64,
    /// Nothing failed up to that level.
    pub at_least: bool,
    /// What was seen.
    pub effect: Option<Effect>,
}

pub(super) fn weigh(
    weaknesses: &[Weakness],
    ports: &[String],
    supplies: &[String],
    levels: &[PulseLevel],
) -> Vec<Piece> {
    let piece = |text: String, p: &dyn Fn(&Weakness) -> f64| Piece {
        text,
        own: vec![None; weaknesses.len()],
        ln: weaknesses.iter().map(|w| p(w).ln()).collect(),
    };
    let mut out = Vec::new();
    let low = |port: &str, negative: Option<bool>| {
        let of = levels.iter().filter(|l| l.port == port && (negative.is_none() || l.negative == negative));
        of.map(|l| l.threshold_db).fold(f64::INFINITY, f64::min)
    };
    let mut by_port: Vec<(&str, f64)> = ports.iter().map(|p| (p.as_str(), low(p, None))).collect();
    by_port.sort_by(|a, b| a.1.total_cmp(&b.1));
    let first = by_port[0].0;
    let supply = |name: &str| supplies.iter().any(|s| s == name);
    let n = by_port.len() as f64;
    if by_port.len() > 1 {
        let apart_db = by_port[1].1 - by_port[0].1;
        let spread_db = by_port[by_port.len() - 1].1 - by_port[0].1;
        if apart_db >= 5.0 {
            out.push(piece(format!("Only “{first}” fails so low, {apart_db:.1} dB below the next."), &|w| match w {
                Weakness::Pins(p) if p == first => 0.75,
                Weakness::Pins(_) => 0.03,
                Weakness::Rails if supply(first) => 0.6,
                Weakness::Rails => 0.05,
                Weakness::GroundBounce => 0.25 / n,
                Weakness::FieldInside => 0.2 / n,
                _ => 0.4 / n,
            }));
        } else {
            let alike = spread_db < 5.0;
            let text = if alike {
                format!("All ports fail within {spread_db:.1} dB of each other; “{first}” first.")
            } else {
                format!("“{first}” fails first, {apart_db:.1} dB below the next.")
            };
            out.push(piece(text, &|w| match w {
                Weakness::Pins(p) if p == first && alike => 0.15,
                Weakness::Pins(p) if p == first => 0.3,
                Weakness::Pins(_) => 0.15 / n,
                Weakness::Rails => (if supply(first) { 0.35 } else { 0.15 }) / if alike { 2.0 } else { 1.0 },
                Weakness::GroundBounce if alike => 0.65,
                Weakness::GroundBounce => 0.45,
                Weakness::FieldInside if alike => 0.5,
                _ => 0.4,
            }));
        }
    }
    let (plus, minus) = (low(first, Some(false)), low(first, Some(true)));
    if plus.is_finite() && minus.is_finite() {
        let asymmetry_db = (plus - minus).abs();
        let which = if plus < minus { "positive" } else { "negative" };
        if asymmetry_db >= 3.0 {
            out.push(piece(
                format!("“{first}” bears {asymmetry_db:.1} dB less of {which} pulses: a clamp or an input threshold is on the way."),
                &|w| match w {
                    Weakness::Pins(_) => 0.55,
                    Weakness::Rails => 0.35,
                    Weakness::GroundBounce => 0.2,
                    Weakness::FieldInside => 0.2,
                    _ => 0.3,
                },
            ));
        } else {
            out.push(piece(format!("Both polarities fail at “{first}” within {asymmetry_db:.1} dB."), &|w| match w {
                Weakness::Pins(_) => 0.45,
                Weakness::Rails => 0.65,
                Weakness::GroundBounce | Weakness::FieldInside => 0.8,
                _ => 0.7,
            }));
        }
    }
    let lowest = levels
        .iter()
        .filter(|l| l.port == first && !l.at_least)
        .min_by(|a, b| a.threshold_db.total_cmp(&b.threshold_db));
    if let Some(effect) = lowest.and_then(|l| l.effect) {
        out.push(piece(format!("What was seen at “{first}”: {}.", effect.in_words()), &|w| match (w, effect) {
            (Weakness::Pins(_), Effect::Latch) => 0.3,
            (Weakness::Pins(_), Effect::Data) => 0.4,
            (Weakness::Pins(_), Effect::Reset) => 0.1,
            (Weakness::GroundBounce, Effect::Reset) => 0.4,
            (Weakness::GroundBounce, Effect::Data) => 0.3,
            (Weakness::GroundBounce, Effect::Latch) => 0.1,
            (Weakness::Rails, Effect::Reset) => 0.65,
            (Weakness::Rails, Effect::Latch) => 0.12,
            (Weakness::Rails, Effect::Data) => 0.13,
            (Weakness::FieldInside, Effect::Reset) => 0.45,
            (Weakness::FieldInside, Effect::Data) => 0.3,
            (Weakness::FieldInside, Effect::Latch) => 0.08,
            (_, Effect::Analogue) => 0.15,
            _ => 0.28,
        }));
    }
    out
}
