//! The constants of the detectors: what makes a quasi-peak detector one, and how the meter moves.

use std::f64::consts::PI;

use standards::Band;

/// Standard deviation of the Gaussian selectivity's impulse response, s, for a −6 dB bandwidth.
pub(crate) fn sigma_s(bandwidth_hz: f64) -> f64 {
    let sigma_hz = bandwidth_hz / (2.0 * (2.0 * 2f64.ln()).sqrt());
    1.0 / (2.0 * PI * sigma_hz)
}

/// Noise bandwidth of the Gaussian selectivity, Hz.
pub(crate) fn noise_bandwidth_hz(bandwidth_hz: f64) -> f64 {
    bandwidth_hz * PI.sqrt() / (2.0 * (2.0 * 2f64.ln()).sqrt())
}

/// The quasi-peak network: a diode fed by the intermediate-frequency carrier, so it conducts only round the crests.
///
/// Charging slope of the capacitor at voltage `v` under a carrier of amplitude `e > v`:
/// `attack·e·g(v/e)/π − release·v`, `g(u) = √(1−u²) − u·arccos u` (CISPR 16-1-1, detector annex; from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Charge {
    /// Reciprocal of series resistance times capacity, 1/s.
    pub(crate) attack: f64,
    /// Reciprocal of the discharge time constant, 1/s.
    pub(crate) release: f64,
    /// Final voltage under a steady carrier of amplitude 1.
    pub(crate) last: f64,
}

/// Mean current of the diode over a period, times π and the series resistance, for a carrier of amplitude 1.
pub(crate) fn conduction(u: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    (1.0 - u * u).max(0.0).sqrt() - u * u.acos()
}

/// `conduction(1 − r) / r^1.5` as a cubic in `r`; relative error below 1.2e-5 on 0..1.
pub(crate) const CONDUCTION_CUBIC: [f32; 4] = [0.942_800_05, 0.047_413_39, 0.006_322_24, 0.003_453_24];

impl Charge {
    /// The network whose output, after a steady carrier is switched on, reaches 63 % (1 − 1/e) of its final value after
    /// the charge time constant: how CISPR 16-1-1 defines that constant (from memory).
    pub(crate) fn of(band: Band) -> Option<Self> {
        let (charge_s, discharge_s) = band.quasi_peak_s()?;
        let release = 1.0 / discharge_s;
        // A larger attack is a faster rise: bisect on its logarithm.
        let (mut low, mut high) = ((0.2 / charge_s).ln(), (20.0 / charge_s).ln());
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if rise_s(middle.exp(), release) > charge_s {
                low = middle;
            } else {
                high = middle;
            }
        }
        let attack = (0.5 * (low + high)).exp();
        Some(Self { attack, release, last: steady(attack, release) })
    }
}

/// Where charge and discharge balance under a steady carrier of amplitude 1.
fn steady(attack: f64, release: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if attack * conduction(middle) / PI > release * middle {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Time to 63 % of the final value: the integral of 1/slope by Simpson's rule (the integrand is smooth up to there).
fn rise_s(attack: f64, release: f64) -> f64 {
    let end = (1.0 - (-1f64).exp()) * steady(attack, release);
    let n = 400;
    let h = end / f64::from(n);
    let f = |i: i32| {
        let u = h * f64::from(i);
        1.0 / (attack * conduction(u) / PI - release * u)
    };
    let inner: f64 = (1..n).map(|i| f(i) * if i % 2 == 1 { 4.0 } else { 2.0 }).sum();
    h / 3.0 * (f(0) + inner + f(n))
}

/// One step of the critically damped meter `T²·y″ + 2T·y′ + y = x` with the input held over the step: exact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MeterStep {
    /// New `(y, y′)` from the old one.
    pub(crate) f: [[f64; 2]; 2],
    /// New `(y, y′)` from the input.
    pub(crate) g: [f64; 2],
}

impl MeterStep {
    /// A step of `dt_s` for a meter of time constant `meter_s`.
    pub(crate) fn new(dt_s: f64, meter_s: f64) -> Self {
        let p = 1.0 / meter_s;
        let x = p * dt_s;
        let e = (-x).exp();
        Self { f: [[e * (1.0 + x), e * dt_s], [-e * p * x, e * (1.0 - x)]], g: [1.0 - e * (1.0 + x), e * p * x] }
    }

    /// The state that comes back to itself when `from` goes to `to` over this step's length under some input: the input's
    /// own share is what `to` holds beyond the free movement of `from`.
    pub(crate) fn periodic(&self, from: [f64; 2], to: [f64; 2]) -> [f64; 2] {
        let f = self.f;
        let share = [to[0] - f[0][0] * from[0] - f[0][1] * from[1], to[1] - f[1][0] * from[0] - f[1][1] * from[1]];
        let (a, b, c, d) = (1.0 - f[0][0], -f[0][1], -f[1][0], 1.0 - f[1][1]);
        let det = a * d - b * c;
        [(d * share[0] - b * share[1]) / det, (a * share[1] - c * share[0]) / det]
    }
}

/// Seconds after which a meter from rest under a steady sine reads less than `SETTLED_DB` low, for a time constant.
pub(crate) fn meter_rise_s(meter_s: f64) -> f64 {
    let rest = 1.0 - 10f64.powf(-SETTLED_DB / 20.0);
    let (mut low, mut high) = (0.0, 40.0);
    for _ in 0..60 {
        let x: f64 = 0.5 * (low + high);
        if (1.0 + x) * (-x).exp() > rest {
            low = x;
        } else {
            high = x;
        }
    }
    high * meter_s
}

/// A reading from rest that is low by less than this for a steady sine counts as settled, dB.
pub(crate) const SETTLED_DB: f64 = 0.2;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cubic_is_the_conduction_law() {
        for i in 1..=1000 {
            let r = f64::from(i) / 1000.0;
            let cubic = CONDUCTION_CUBIC.iter().rev().fold(0.0, |a, c| a * r + f64::from(*c));
            let exact = conduction(1.0 - r);
            assert!((cubic * r.powf(1.5) / exact - 1.0).abs() < 1.5e-5, "{r}: {cubic} {}", exact / r.powf(1.5));
        }
    }

    #[test]
    fn charge_reaches_63_percent_at_the_charge_time() {
        // Integrate the circuit itself: the definition, not the quadrature it was solved with.
        for band in [Band::A, Band::B, Band::C] {
            let c = Charge::of(band).unwrap();
            let tc = band.quasi_peak_s().unwrap().0;
            let (steps, mut v) = (20_000, 0.0);
            let dt = tc / f64::from(steps);
            for _ in 0..steps {
                let slope = |v: f64| c.attack * conduction(v) / PI - c.release * v;
                v += dt * slope(v + 0.5 * dt * slope(v));
            }
            assert!((v / c.last - (1.0 - (-1f64).exp())).abs() < 1e-5, "{band}: {}", v / c.last);
        }
        // CISPR 16-1-1, detector annex (from memory): charge time constant over R·C about 4.07 in bands C and D.
        assert!((Charge::of(Band::C).unwrap().attack * 1e-3 - 4.07).abs() < 0.01);
    }

    #[test]
    fn a_burst_as_long_as_the_time_constant_deflects_the_meter_to_35_percent() {
        // CISPR 16-1-1, definition of the mechanical time constant (from memory).
        for t in [0.16, 0.1] {
            let step = MeterStep::new(t / 1000.0, t);
            let (mut y, mut d, mut top) = (0.0, 0.0, 0.0_f64);
            for i in 0..10_000 {
                let x = if i < 1000 { 1.0 } else { 0.0 };
                (y, d) = (
                    step.f[0][0] * y + step.f[0][1] * d + step.g[0] * x,
                    step.f[1][0] * y + step.f[1][1] * d + step.g[1] * x,
                );
                top = top.max(y);
            }
            assert!((top - 0.3532).abs() < 2e-4, "{top}");
        }
    }
}
