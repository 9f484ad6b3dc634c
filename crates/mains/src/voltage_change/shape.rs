//! The analytic estimate of IEC 61000-3-3: every change counts as a step of F times its size, leaves an impression of
//! 2.3 s (F d)^3.2, and the impressions of an interval add up to the severity. Claimed accuracy ±10 % where a change ends
//! at least a second before the next begins.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use super::evaluate::VoltageChange;
use super::limits::ShapeTable;

/// Form of a voltage change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// A step that stays.
    Step,
    /// A rise over a time.
    Ramp,
    /// Down and up again with a flat floor.
    Rectangle,
    /// Down and up again in a point.
    Triangle,
}

/// A change and what it counts for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShapedChange {
    /// Form.
    pub shape: Shape,
    /// Duration of the ramp, or width of the pulse at its base, s; 0 for a step.
    pub duration_s: f64,
    /// Size, %.
    pub dmax_percent: f64,
    /// Shape factor F.
    pub factor: f64,
}

static TABLE: LazyLock<ShapeTable> = LazyLock::new(ShapeTable::built_in);

/// Shape factor: straight over the logarithm of the duration, held at its ends. A step counts 1.
pub fn shape_factor(shape: Shape, duration_s: f64) -> f64 {
    let column = match shape {
        Shape::Step => return 1.0,
        Shape::Ramp => &TABLE.ramp,
        Shape::Rectangle => &TABLE.rectangle,
        Shape::Triangle => &TABLE.triangle,
    };
    let times = &TABLE.duration_s;
    let above = times.partition_point(|t| *t < duration_s);
    if above == 0 {
        return column[0];
    }
    if above == times.len() {
        return column[above - 1];
    }
    let share = (duration_s / times[above - 1]).ln() / (times[above] / times[above - 1]).ln();
    column[above - 1] + share * (column[above] - column[above - 1])
}

/// Reads the form of measured changes. A change whose end was not seen counts as a step.
pub fn shapes_of(changes: &[VoltageChange]) -> Vec<ShapedChange> {
    changes
        .iter()
        .map(|c| {
            let dmax = c.dmax_percent.abs();
            let stays = c.dc_percent.is_none_or(|dc| dc * c.dmax_percent.signum() >= 0.5 * dmax);
            let (shape, duration_s) = if stays {
                // Two half-cycles are the resolution of a step. A ramp reaches 90 % after nine tenths of it.
                if c.rise_s <= 0.025 { (Shape::Step, 0.0) } else { (Shape::Ramp, c.rise_s / 0.9) }
            } else if c.above_most_s >= 0.5 * c.above_half_s {
                (Shape::Rectangle, c.above_half_s)
            } else {
                (Shape::Triangle, 2.0 * c.above_half_s)
            };
            ShapedChange { shape, duration_s, dmax_percent: dmax, factor: shape_factor(shape, duration_s) }
        })
        .collect()
}

/// Severity that changes of these sizes (%, already times F) come to over a time: 600 s for the short-term severity,
/// 7200 s for the long-term one.
pub fn estimate_pst(steps_percent: impl IntoIterator<Item = f64>, over_s: f64) -> f64 {
    let impression: f64 = steps_percent.into_iter().map(|d| 2.3 * d.abs().powf(3.2)).sum();
    (impression / over_s).powf(1.0 / 3.2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The formula solved for a severity of 1: steps in 600 s and their size (computed from it independently).
    #[test]
    fn size_for_a_severity_of_one() {
        for (n, d) in
            [(1, 5.690), (2, 4.582), (5, 3.441), (10, 2.771), (20, 2.231), (50, 1.676), (100, 1.349), (600, 0.771)]
        {
            let pst = estimate_pst(std::iter::repeat_n(d, n), 600.0);
            assert!((pst - 1.0).abs() < 5e-4, "{n}: {pst}");
        }
    }

    #[test]
    fn two_steps_apart_count_as_a_long_pulse() {
        let two = estimate_pst([1.0, 1.0], 600.0) / estimate_pst([1.0], 600.0);
        assert!((two - shape_factor(Shape::Rectangle, 5.0)).abs() < 0.01, "{two}");
        assert!(shape_factor(Shape::Ramp, 0.3) < 0.51 && shape_factor(Shape::Ramp, 0.3) > 0.33);
    }
}
