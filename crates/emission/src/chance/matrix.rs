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

    /// Lower triangle L with L·Lᵀ = this (Cholesky). A pivot that rounding has made nothing or less becomes a tiny one:
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
}
