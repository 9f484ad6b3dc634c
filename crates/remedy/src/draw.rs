//! Lots: the same seed draws the same numbers on every machine.

/// A stream of uniform numbers (xorshift64*, Vigna 2016).
#[derive(Debug, Clone)]
pub(crate) struct Lot {
    state: u64,
}

impl Lot {
    pub(crate) fn new(seed: u64) -> Self {
        Self { state: seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1 }
    }

    /// Uniform between two numbers.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        self.state ^= self.state >> 12;
        self.state ^= self.state << 25;
        self.state ^= self.state >> 27;
        let bits = self.state.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11;
        low + (high - low) * (bits as f64 / (1u64 << 53) as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean ½ and variance 1/12 of a uniform variable.
    #[test]
    fn evenly_spread() {
        let mut lot = Lot::new(7);
        let n = 100_000;
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..n {
            let x = lot.between(0.0, 1.0);
            sum += x;
            squares += x * x;
        }
        let mean = sum / f64::from(n);
        assert!((mean - 0.5).abs() < 3e-3 && (squares / f64::from(n) - mean * mean - 1.0 / 12.0).abs() < 2e-3);
    }
}
