//! The little linear algebra that joint normal deviations need.

/// A square matrix, row by row.
#[derive(Debug, Clone)]
pub(crate) struct Square {
    n: usize,
    cell: Vec<f64>,
}

impl Square {
    pub(crate) fn from_fn(n: usize, f: impl Fn(usize, usize) -> f64) -> Self {
        let mut cell = Vec::with_capacity(n * n);
        for i in 0..n {
            for j in 0..n {
                cell.push(f(i, j));
            }
        }
        Self { n, cell }
    }

    pub(crate) fn at(&self, i: usize, j: usize) -> f64 {
        self.cell[i * self.n + j]
    }

    fn row(&self, i: usize) -> &[f64] {
        &self.cell[i * self.n..(i + 1) * self.n]
    }

    /// Lower triangle L with L·Lᵀ = this (Cholesky), to solve with. A pivot that rounding has made nothing or less becomes a tiny one:
    /// the matrices here are covariances.
    pub(crate) fn cholesky(&self) -> Lower {
        let n = self.n;
        let mut l = vec![0.0; n * n];
        let largest = (0..n).map(|i| self.at(i, i)).fold(0.0, f64::max).max(f64::MIN_POSITIVE);
        for i in 0..n {
            for j in 0..=i {
                let (before, rest) = l.split_at(i * n);
                let row_i = &rest[..n];
                let dot: f64 = if i == j {
                    row_i[..j].iter().map(|a| a * a).sum()
                } else {
                    row_i[..j].iter().zip(&before[j * n..j * n + j]).map(|(a, b)| a * b).sum()
                };
                let rest = self.at(i, j) - dot;
                l[i * n + j] = if i == j { rest.max(1e-12 * largest).sqrt() } else { rest / l[j * n + j] };
            }
        }
        Lower(Self { n, cell: l })
    }
}

impl Square {
    /// Lower triangle L with L·Lᵀ = this where this is a covariance that need not have full rank. A deviation that those
    /// before it determine gets no column of its own: divided by what rounding leaves of its variance, rounding would grow
    /// from row to row without bound.
    pub(crate) fn root(&self) -> Lower {
        let n = self.n;
        let mut l = vec![0.0; n * n];
        let least = RANK * (0..n).map(|i| self.at(i, i)).fold(0.0, f64::max);
        for i in 0..n {
            let (before, rest) = l.split_at_mut(i * n);
            let row = &mut rest[..n];
            let mut known = 0.0;
            for j in 0..i {
                let pivot = before[j * n + j];
                if pivot > 0.0 {
                    let dot: f64 = row[..j].iter().zip(&before[j * n..j * n + j]).map(|(a, b)| a * b).sum();
                    row[j] = (self.at(i, j) - dot) / pivot;
                    known += row[j] * row[j];
                }
            }
            let left = self.at(i, i) - known;
            row[i] = if left > least { left.sqrt() } else { 0.0 };
        }
        Lower(Self { n, cell: l })
    }
}

/// Share of the largest variance below which nothing is left of one.
const RANK: f64 = 1e-9;

/// a − b.
pub(crate) fn difference(a: &Square, b: &Square) -> Square {
    Square::from_fn(a.n, |i, j| a.at(i, j) - b.at(i, j))
}

/// A lower triangle.
#[derive(Debug, Clone)]
pub(crate) struct Lower(Square);

impl Lower {
    /// L·z.
    pub(crate) fn times(&self, z: &[f64], out: &mut [f64]) {
        for (i, out) in out.iter_mut().enumerate() {
            *out = self.0.row(i)[..=i].iter().zip(z).map(|(l, z)| l * z).sum();
        }
    }

    /// Solves L·x = b in place.
    pub(crate) fn forward(&self, b: &mut [f64]) {
        for i in 0..self.0.n {
            let row = self.0.row(i);
            let dot: f64 = row[..i].iter().zip(b.iter()).map(|(l, x)| l * x).sum();
            b[i] = (b[i] - dot) / row[i];
        }
    }

    /// ln det(L·Lᵀ).
    pub(crate) fn log_determinant(&self) -> f64 {
        2.0 * (0..self.0.n).map(|i| self.0.at(i, i).ln()).sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A matrix by hand: [[4, 2], [2, 3]] = L·Lᵀ with L = [[2, 0], [1, √2]], determinant 8.
    #[test]
    fn a_triangle_solves() {
        let l = Square::from_fn(2, |i, j| [[4.0, 2.0], [2.0, 3.0]][i][j]).cholesky();
        assert!((l.log_determinant() - 8f64.ln()).abs() < 1e-12);
        let mut x = [2.0, 1.0 + 2f64.sqrt()];
        l.forward(&mut x);
        assert!((x[0] - 1.0).abs() < 1e-12 && (x[1] - 1.0).abs() < 1e-12, "{x:?}");
        let mut out = [0.0; 2];
        l.times(&[1.0, 1.0], &mut out);
        assert!((out[0] - 2.0).abs() < 1e-12 && (out[1] - 1.0 - 2f64.sqrt()).abs() < 1e-12);
    }

    /// Of sixty deviations that two common ones make, with rounding of one part in 10¹² added, the root gives the covariance
    /// back to 1e-4 of the largest variance, whatever the order.
    #[test]
    fn a_root_of_low_rank_does_not_grow() {
        let n = 60;
        let noise = |i: usize, j: usize| ((i.max(j) * 7919 + i.min(j) * 104_729) % 1000) as f64 * 2e-15 - 1e-12;
        let wave = |i: usize| ((i as f64) * 0.7).sin();
        let covariance = Square::from_fn(n, |i, j| 3.0 + 1.5 * wave(i) * wave(j) + noise(i, j));
        let l = covariance.root();
        for i in 0..n {
            for j in 0..n {
                let back: f64 = (0..n).map(|k| l.0.at(i, k) * l.0.at(j, k)).sum();
                assert!((back - covariance.at(i, j)).abs() < 5e-4, "{i} {j}: {back}");
            }
        }
    }
}
