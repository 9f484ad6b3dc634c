//! The mains side of the invented product at 50 Hz: a rectifier with a bulk capacitor behind a resistor that limits the
//! inrush, on a public mains whose voltage is a little flattened. Voltage at the socket and current, as a two-channel
//! recorder would store them.

use std::f64::consts::{SQRT_2, TAU};

use crate::random::Random;

/// Steps of the model for one frame of the record.
const STEPS: usize = 10;

/// Voltage (V) and current (A), side by side: `frames` frames at `rate_hz`. The smoke damper's relay adds 6 W in every
/// other stretch of five seconds. The same seed gives the same record.
pub fn mains_recording(rate_hz: f64, frames: usize, seed: u64) -> Vec<f32> {
    let mut random = Random::new(seed);
    let dt = 1.0 / (rate_hz * STEPS as f64);
    // Source, wiring and limiting resistor; leakage of the filter's choke and the source's inductance.
    let (source_ohm, resistance_ohm, inductance_h) = (0.5, 6.8, 1.1e-3);
    let (capacitance_f, drop_v) = (47e-6, 1.8);
    let mut bulk_v = 318.0;
    let mut current_a: f64 = 0.0;
    let mut out = Vec::with_capacity(2 * frames);
    let mut phase: f64 = 0.4;
    for frame in 0..frames {
        let t = frame as f64 / rate_hz;
        let frequency_hz = 50.013 + 0.006 * (TAU * t / 17.0).sin();
        let power_w = if ((t / 5.0) as u64).is_multiple_of(2) { 24.0 } else { 30.0 };
        let mut source_v = 0.0;
        for _ in 0..STEPS {
            phase += TAU * frequency_hz * dt;
            source_v = 231.2
                * SQRT_2
                * (phase.sin()
                    + 0.006 * (3.0 * phase + 2.9).sin()
                    + 0.021 * (5.0 * phase + 3.1).sin()
                    + 0.009 * (7.0 * phase).sin());
            let drive_v = source_v.abs() - bulk_v - drop_v - (source_ohm + resistance_ohm) * current_a;
            current_a = (current_a + drive_v / inductance_h * dt).max(0.0);
            bulk_v += (current_a - power_w / bulk_v) / capacitance_f * dt;
        }
        let signed_a = current_a * source_v.signum();
        out.push((source_v - source_ohm * signed_a + 0.05 * f64::from(random.normal())) as f32);
        out.push((signed_a + 0.0004 * f64::from(random.normal())) as f32);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_draws_the_power_of_the_product() {
        let rate_hz = 10_000.0;
        let record = mains_recording(rate_hz, 100_000, 3);
        // The last whole seconds of either stretch, away from the start.
        let power = |from: usize, to: usize| {
            let part = &record[2 * from..2 * to];
            part.chunks(2).map(|f| f64::from(f[0]) * f64::from(f[1])).sum::<f64>() / (to - from) as f64
        };
        let (low, high) = (power(20_000, 50_000), power(70_000, 100_000));
        assert!((low - 24.6).abs() < 1.0 && (high - 30.8).abs() < 1.2, "{low} W, {high} W");
        assert_eq!(record, mains_recording(rate_hz, 100_000, 3));
    }
}
