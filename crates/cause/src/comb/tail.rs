/// Binomial tails in logarithms, for lists of up to a fixed length.
pub(super) struct Tail {
    ln_factorial: Vec<f64>,
}

impl Tail {
    pub(super) fn new(most: usize) -> Self {
        let mut ln_factorial = vec![0.0; most + 2];
        for i in 1..ln_factorial.len() {
            ln_factorial[i] = ln_factorial[i - 1] + (i as f64).ln();
        }
        Self { ln_factorial }
    }

    /// ln P(S ≥ m) for S binomial of `count` trials with probability `p`.
    pub(super) fn ln_at_least(&self, m: usize, count: usize, p: f64) -> f64 {
        if m == 0 || p >= 1.0 {
            return 0.0;
        }
        if m > count || p <= 0.0 {
            return f64::NEG_INFINITY;
        }
        let f = &self.ln_factorial;
        let first = f[count] - f[m] - f[count - m] + m as f64 * p.ln() + (count - m) as f64 * (-p).ln_1p();
        let odds = p / (1.0 - p);
        let (mut sum, mut term) = (1.0, 1.0);
        for j in m..count {
            term *= (count - j) as f64 / (j + 1) as f64 * odds;
            sum += term;
            if term < 1e-12 * sum && (j as f64) > count as f64 * p {
                break;
            }
        }
        (first + sum.ln()).min(0.0)
    }
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{Binomial, DiscreteCDF};

    use super::*;

    #[test]
    fn tails_agree_with_a_general_library() {
        let tail = Tail::new(60);
        for (m, n, p) in [(3, 16, 0.0151), (5, 60, 0.2), (1, 20, 0.01), (20, 20, 0.5), (7, 59, 0.003)] {
            let library = Binomial::new(p, n as u64).expect("valid").sf(m as u64 - 1);
            assert!((tail.ln_at_least(m, n, p) - library.ln()).abs() < 1e-6, "{m} of {n} at {p}");
        }
    }
}
