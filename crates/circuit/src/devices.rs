//! Characteristics of the nonlinear parts: current and slope, charge and capacitance, and the limit of one iteration.

use crate::models::{ClampModel, DiodeModel, VaristorModel};

/// kT/q at 27 °C, V (CODATA 2018 constants, exact).
pub(crate) const THERMAL_V: f64 = 1.380649e-23 * 300.15 / 1.602176634e-19;

/// Beyond this many thermal voltages a curve goes on straight: nothing real is there, and an iteration must come back.
const STRAIGHT: f64 = 120.0;

/// What a part does at a voltage.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Point {
    /// Current, A.
    pub(crate) i: f64,
    /// Slope, S.
    pub(crate) g: f64,
    /// Charge, C.
    pub(crate) q: f64,
    /// Capacitance, F.
    pub(crate) c: f64,
}

/// exp(x) with its slope, straight beyond a bound.
fn exponential(x: f64) -> (f64, f64) {
    if x > STRAIGHT {
        let e = STRAIGHT.exp();
        (e * (1.0 + x - STRAIGHT), e)
    } else {
        let e = x.exp();
        (e, e)
    }
}

/// Where breakdown leaves the saturation current, V: so that the breakdown current flows at the breakdown voltage.
fn breakdown_start(m: &DiodeModel, saturation_a: f64, scale_v: f64) -> Option<f64> {
    m.breakdown_v.map(|bv| bv - scale_v * (m.breakdown_a / saturation_a).max(1.0).ln())
}

pub(crate) fn diode(m: &DiodeModel, area: f64, v: f64) -> Point {
    let is = m.saturation_a * area;
    let vt = m.emission * THERMAL_V;
    let mut p = Point::default();
    match breakdown_start(m, m.saturation_a, vt) {
        Some(start) if v < -start => {
            let (e, slope) = exponential((-start - v) / vt);
            p.i = -is * e;
            p.g = is / vt * slope;
        }
        _ => {
            let (e, slope) = exponential(v / vt);
            p.i = is * (e - 1.0);
            p.g = is / vt * slope;
        }
    }
    if m.transit_s > 0.0 {
        p.q += m.transit_s * p.i;
        p.c += m.transit_s * p.g;
    }
    if m.junction_f > 0.0 {
        let cj = m.junction_f * area;
        let (vj, grading, corner) = (m.potential_v, m.grading, m.forward_corner * m.potential_v);
        // Charge and capacitance of the depleted junction at v: one power serves both.
        let depleted = |v: f64| {
            let base = 1.0 - v / vj;
            let power = if grading == 0.5 { 1.0 / base.sqrt() } else { (-grading * base.ln()).exp() };
            (vj * cj * (1.0 - base * power) / (1.0 - grading), cj * power)
        };
        if v < corner {
            let (q, c) = depleted(v);
            p.q += q;
            p.c += c;
        } else {
            let f2 = (1.0 - m.forward_corner).powf(1.0 + grading);
            let f3 = 1.0 - m.forward_corner * (1.0 + grading);
            p.q +=
                depleted(corner).0 + cj / f2 * (f3 * (v - corner) + grading / (2.0 * vj) * (v * v - corner * corner));
            p.c += cj / f2 * (f3 + grading * v / vj);
        }
    }
    p
}

/// The classical limit of a junction's step (Nagel 1975): beyond the critical voltage the step is taken in current.
fn limit_junction(v_new: f64, v_old: f64, vt: f64, is: f64) -> f64 {
    if (v_new - v_old).abs() <= 2.0 * vt || v_new <= 0.0 {
        return v_new;
    }
    let critical = critical(vt, is);
    if v_new > critical {
        if v_old > 0.0 {
            let arg = 1.0 + (v_new - v_old) / vt;
            if arg > 0.0 { v_old + vt * arg.ln() } else { critical }
        } else {
            (vt * (v_new / vt).ln()).max(critical.min(v_new))
        }
    } else {
        v_new
    }
}

fn critical(vt: f64, is: f64) -> f64 {
    vt * (vt / (std::f64::consts::SQRT_2 * is)).ln().max(2.0)
}

pub(crate) fn limit_diode(m: &DiodeModel, area: f64, v_new: f64, v_old: f64) -> f64 {
    let is = m.saturation_a * area;
    let vt = m.emission * THERMAL_V;
    if let Some(start) = breakdown_start(m, m.saturation_a, vt)
        && v_new < -start
    {
        let mirrored = limit_junction(-start - v_new, -start - v_old, vt, is);
        return -start - mirrored;
    }
    limit_junction(v_new, v_old, vt, is)
}

/// I = (|V|/C)^(1/β) with the sign of V.
pub(crate) fn varistor(m: &VaristorModel, v: f64) -> Point {
    let alpha = 1.0 / m.beta;
    let size = v.abs();
    // Nothing real carries a gigaampere: from there on straight.
    let top = m.c_v * 1e9f64.powf(m.beta);
    let (i, g) = if size <= m.c_v * 1e-12 {
        (0.0, 0.0)
    } else if size > top {
        let g = alpha * 1e9 / top;
        (1e9 + g * (size - top), g)
    } else {
        let i = (size / m.c_v).powf(alpha);
        (i, alpha * i / size)
    };
    Point { i: i.copysign(v), g, q: 0.0, c: 0.0 }
}

pub(crate) fn limit_varistor(m: &VaristorModel, v_new: f64, v_old: f64) -> f64 {
    // Below a milliampere nothing needs a limit.
    let foot = m.c_v * 1e-3f64.powf(m.beta);
    let sign = if v_new < 0.0 { -1.0 } else { 1.0 };
    let (new, old) = (v_new * sign, (v_old * sign).max(foot));
    if new > old * (1.0 + m.beta) { sign * old * (1.0 + (new - old) / (m.beta * old)).powf(m.beta) } else { v_new }
}

/// Forward saturation current of a unidirectional clamp, A.
const FORWARD_A: f64 = 1e-12;

pub(crate) fn clamp(m: &ClampModel, v: f64) -> Point {
    let side = |v: f64| {
        let (e, slope) = exponential((v - m.breakdown_v) / m.knee_v);
        (m.test_a * e, m.test_a / m.knee_v * slope)
    };
    let (down, down_g) = side(-v);
    let (up, up_g) = if m.bidirectional {
        side(v)
    } else {
        let (e, slope) = exponential(v / THERMAL_V);
        (FORWARD_A * (e - 1.0), FORWARD_A / THERMAL_V * slope)
    };
    Point { i: up - down, g: up_g + down_g, q: 0.0, c: 0.0 }
}

pub(crate) fn limit_clamp(m: &ClampModel, v_new: f64, v_old: f64) -> f64 {
    let side = |new: f64, old: f64| {
        m.breakdown_v + limit_junction(new - m.breakdown_v, old - m.breakdown_v, m.knee_v, m.test_a)
    };
    if v_new < 0.0 {
        -side(-v_new, -v_old)
    } else if m.bidirectional {
        side(v_new, v_old)
    } else {
        limit_junction(v_new, v_old, THERMAL_V, FORWARD_A)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slopes and capacitances against differences over two points, and continuity where pieces meet.
    #[test]
    fn slopes_belong_to_their_curves() {
        let d = DiodeModel {
            junction_f: 40e-12,
            transit_s: 5e-9,
            breakdown_v: Some(100.0),
            breakdown_a: 1e-3,
            ..DiodeModel::default()
        };
        let y = VaristorModel::new(550.0, 0.055);
        let c = ClampModel::new(30.0, 0.0);
        let u = ClampModel { bidirectional: false, ..c.clone() };
        let parts: [(&dyn Fn(f64) -> Point, &[f64]); 4] = [
            (&|v| diode(&d, 2.0, v), &[-100.0, -99.5, -3.0, -0.1, 0.3, 0.499, 0.501, 0.7]),
            (&|v| varistor(&y, v), &[-700.0, 400.0, 560.0, 900.0]),
            (&|v| clamp(&c, v), &[-31.0, -29.9, 0.0, 29.95, 30.2]),
            (&|v| clamp(&u, v), &[-30.3, -29.9, 0.3, 0.62]),
        ];
        for (k, (part, points)) in parts.iter().enumerate() {
            for v in *points {
                let h = 1e-6;
                let (low, high, at) = (part(v - h), part(v + h), part(*v));
                let g = (high.i - low.i) / (2.0 * h);
                assert!((g - at.g).abs() <= 1e-4 * at.g.abs() + 1e-12, "part {k} at {v} V: {g} {}", at.g);
                let c = (high.q - low.q) / (2.0 * h);
                assert!((c - at.c).abs() <= 1e-3 * at.c.abs() + 1e-15, "part {k} at {v} V: {c} {}", at.c);
            }
        }
        // The breakdown current flows at the breakdown voltage.
        assert!((diode(&d, 1.0, -100.0).i / -1e-3 - 1.0).abs() < 1e-9);
        // IEC 61051-1's form: C is the voltage at 1 A.
        assert!((varistor(&y, 550.0).i - 1.0).abs() < 1e-12);
        assert!((varistor(&y, -550.0).i + 1.0).abs() < 1e-12);
        assert!((clamp(&c, 30.0).i / 1e-3 - 1.0).abs() < 1e-9);
    }
}
