//! Random numbers for simulations.

/// A small seeded generator (SplitMix64, Steele, Lea and Flood 2014, public domain), so that simulations are the same
/// everywhere.
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Between 0 (included) and 1 (not).
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Between two positive numbers, evenly over the logarithm.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    /// One of `0..count`.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// Two independent ones for the price of one.
    pub fn normals(&mut self) -> [f64; 2] {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        [radius * cos, radius * sin]
    }

    /// Normal with mean 0 and standard deviation 1 (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}
