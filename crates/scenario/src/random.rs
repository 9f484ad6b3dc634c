/// A small generator of random numbers with a seed: the same numbers on every machine, for ever.
/// splitmix64 (Steele, Lea and Flood 2014; published in the public domain).
#[derive(Debug, Clone)]
pub(crate) struct Random {
    state: u64,
}

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self { state: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(0x5851_F42D_4C95_7F2D) }
    }

    /// 64 random bits.
    #[inline]
    pub(crate) fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.state ^ (self.state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly spread from 0 to 1.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly spread over a range.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Nearly Gaussian, mean 0, standard deviation 1: the sum of four 16-bit numbers, up to ±3.46. A receiver's filter
    /// sums thousands of them, after which it cannot be told from Gaussian.
    #[inline]
    pub(crate) fn normal(&mut self) -> f32 {
        let b = self.bits();
        let sum = (b & 0xFFFF) + ((b >> 16) & 0xFFFF) + ((b >> 32) & 0xFFFF) + (b >> 48);
        // Four uniform numbers of 0…65535: mean 131070, standard deviation 65536·√(4/12).
        (sum as i32 - 131_070) as f32 * (1.0 / 37_837.2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_the_spread_they_promise() {
        let mut random = Random::new(7);
        let n = 1_000_000;
        let (mut sum, mut squares) = (0f64, 0f64);
        for _ in 0..n {
            let x = f64::from(random.normal());
            sum += x;
            squares += x * x;
        }
        // Five standard errors of the mean (1/√n) and of the variance (√(2/n)).
        assert!((sum / f64::from(n)).abs() < 5e-3);
        assert!((squares / f64::from(n) - 1.0).abs() < 7.1e-3);
    }
}
