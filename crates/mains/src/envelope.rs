//! A quantity over time in bounded memory: the lowest, highest and mean value of equal slices of time. When there are too
//! many slices, neighbours are merged and a slice becomes twice as long.

use serde::{Deserialize, Serialize};

/// Extremes and mean of one slice of time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Slice {
    /// Lowest value in the slice.
    pub low: f64,
    /// Highest value in the slice.
    pub high: f64,
    /// Mean of the values in the slice.
    pub mean: f64,
    /// Values in the slice; 0 where there was none (then the numbers are those of the slice before).
    pub count: u64,
}

/// A quantity over time, drawn or listed with at most [`Envelope::MOST`] slices.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Envelope {
    /// Length of a slice, s. Slice `k` covers `k * slice_s ..< (k + 1) * slice_s` from the first sample.
    pub slice_s: f64,
    /// The slices, in order.
    pub slices: Vec<Slice>,
}

impl Envelope {
    /// Most slices kept.
    pub const MOST: usize = 4096;

    /// An empty one whose slices start out `slice_s` long.
    pub fn new(slice_s: f64) -> Self {
        Self { slice_s, slices: Vec::new() }
    }

    /// Takes a value at a time counted from the first sample. Times must not fall behind the slice begun last.
    pub fn push(&mut self, time_s: f64, value: f64) {
        let mut index = (time_s / self.slice_s).max(0.0) as usize;
        while index >= Self::MOST {
            self.merge();
            index = (time_s / self.slice_s) as usize;
        }
        while self.slices.len() <= index {
            let before = self.slices.last().map_or(value, |s| s.mean);
            self.slices.push(Slice { low: before, high: before, mean: before, count: 0 });
        }
        let slice = &mut self.slices[index];
        if slice.count == 0 {
            *slice = Slice { low: value, high: value, mean: value, count: 1 };
        } else {
            slice.count += 1;
            slice.low = slice.low.min(value);
            slice.high = slice.high.max(value);
            slice.mean += (value - slice.mean) / slice.count as f64;
        }
    }

    fn merge(&mut self) {
        self.slice_s *= 2.0;
        self.slices = self
            .slices
            .chunks(2)
            .map(|pair| match pair {
                [a, b] if a.count > 0 && b.count > 0 => {
                    let count = a.count + b.count;
                    Slice {
                        low: a.low.min(b.low),
                        high: a.high.max(b.high),
                        mean: (a.mean * a.count as f64 + b.mean * b.count as f64) / count as f64,
                        count,
                    }
                }
                [a, b] => {
                    if a.count > 0 {
                        *a
                    } else {
                        *b
                    }
                }
                rest => rest[0],
            })
            .collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_and_mean_survive_any_length() {
        let mut e = Envelope::new(0.1);
        let n = 1_000_000;
        for k in 0..n {
            e.push(f64::from(k) * 0.01, f64::from(k % 1000));
        }
        assert!(e.slices.len() <= Envelope::MOST);
        let high = e.slices.iter().map(|s| s.high).fold(0.0, f64::max);
        let low = e.slices.iter().map(|s| s.low).fold(1e9, f64::min);
        let count: u64 = e.slices.iter().map(|s| s.count).sum();
        let mean = e.slices.iter().map(|s| s.mean * s.count as f64).sum::<f64>() / count as f64;
        assert_eq!((high, low, count), (999.0, 0.0, n as u64));
        assert!((mean - 499.5).abs() < 1e-6, "{mean}");
    }
}
