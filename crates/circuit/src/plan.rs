//! Sparse elimination in a fixed order. The order is found once from sample values (fewest fill-ins among entries that
//! are large enough in their column, Markowitz 1957); afterwards the same list of operations serves any values. Every
//! solution is checked by its residual, so that values for which the order is a bad one are noticed by the caller.

// The loops over lanes must be compiled with the vector instructions of their caller, which only inlining does; and they
// are written by index because that is what becomes one instruction for several lanes.
#![allow(clippy::inline_always, clippy::needless_range_loop)]

use num_complex::Complex64;

use crate::layout::Pattern;

/// An entry must be at least this part of the largest in its column to be a pivot.
const THRESHOLD: f64 = 1e-3;
/// A pivot smaller than this part of what went into it is nothing but rounding.
const CANCELLED: f64 = 1e-14;

/// No pivot could be found for this unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Undetermined(pub(crate) usize);

#[derive(Debug, Clone)]
struct Step {
    pivot: u32,
    row: u32,
    col: u32,
    lower_end: u32,
    upper_end: u32,
}

/// The list of operations.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    size: usize,
    /// Slots: one for each entry of the pattern, then the fill-ins.
    slots: usize,
    steps: Vec<Step>,
    /// Slot and row of the entries below each pivot.
    lower: Vec<(u32, u32)>,
    /// Slot and column of the entries right of each pivot.
    upper: Vec<(u32, u32)>,
    /// Slots changed by each pair of lower and upper entry.
    targets: Vec<u32>,
}

impl Plan {
    /// Finds the order from the values of the pattern's entries at several sample points.
    pub(crate) fn new(pattern: &Pattern, samples: &[Vec<Complex64>]) -> Result<Self, Undetermined> {
        let n = pattern.size;
        let m = samples.len();
        let none = u32::MAX;
        let mut slot = vec![none; n * n];
        let mut slots = pattern.entries.len();
        let mut value = vec![Complex64::ZERO; n * n * m];
        // What went into an entry, to tell a small value from a cancelled one.
        let mut size = vec![0.0f64; n * n * m];
        let mut norm = vec![0.0f64; n * n * m];
        for (k, (r, c)) in pattern.entries.iter().enumerate() {
            let at = *r as usize * n + *c as usize;
            slot[at] = k as u32;
            for (s, sample) in samples.iter().enumerate() {
                value[at * m + s] = sample[k];
                norm[at * m + s] = sample[k].norm();
                size[at * m + s] = norm[at * m + s];
            }
        }
        let mut column: Vec<Vec<usize>> = vec![Vec::new(); n];
        for (r, c) in &pattern.entries {
            column[*c as usize].push(*r as usize);
        }
        let mut row_open = vec![true; n];
        let mut col_open = vec![true; n];
        let mut row_count = vec![0usize; n];
        let mut col_count = vec![0usize; n];
        for (r, c) in &pattern.entries {
            row_count[*r as usize] += 1;
            col_count[*c as usize] += 1;
        }
        let mut plan =
            Self { size: n, slots, steps: Vec::with_capacity(n), lower: vec![], upper: vec![], targets: vec![] };
        for _ in 0..n {
            let mut best: Option<(usize, f64, usize, usize)> = None;
            let mut largest = vec![0.0f64; m];
            for c in (0..n).filter(|c| col_open[*c]) {
                if col_count[c] == 0 {
                    continue;
                }
                largest.fill(0.0);
                column[c].retain(|r| row_open[*r]);
                for r in &column[c] {
                    for s in 0..m {
                        largest[s] = largest[s].max(norm[(r * n + c) * m + s]);
                    }
                }
                for r in column[c].iter().copied() {
                    let at = r * n + c;
                    let cost = (row_count[r] - 1) * (col_count[c] - 1);
                    if best.is_some_and(|b| cost > b.0) {
                        continue;
                    }
                    let mut quality = f64::INFINITY;
                    for s in 0..m {
                        let v = norm[at * m + s];
                        if v.is_nan() || v <= CANCELLED * size[at * m + s] {
                            quality = 0.0;
                        } else {
                            quality = quality.min(v / largest[s]);
                        }
                    }
                    if quality < THRESHOLD {
                        continue;
                    }
                    if best.is_none_or(|b| cost < b.0 || quality > b.1) {
                        best = Some((cost, quality, r, c));
                    }
                }
            }
            let Some((_, _, pr, pc)) = best else {
                let open = (0..n).find(|c| col_open[*c]).unwrap_or(0);
                return Err(Undetermined(open));
            };
            row_open[pr] = false;
            col_open[pc] = false;
            let rows: Vec<usize> = (0..n).filter(|r| row_open[*r] && slot[r * n + pc] != none).collect();
            let cols: Vec<usize> = (0..n).filter(|c| col_open[*c] && slot[pr * n + c] != none).collect();
            for r in &rows {
                plan.lower.push((slot[r * n + pc], *r as u32));
                row_count[*r] -= 1;
                for c in &cols {
                    let at = r * n + c;
                    if slot[at] == none {
                        slot[at] = slots as u32;
                        slots += 1;
                        row_count[*r] += 1;
                        col_count[*c] += 1;
                        column[*c].push(*r);
                    }
                    plan.targets.push(slot[at]);
                    for s in 0..m {
                        let change =
                            value[(r * n + pc) * m + s] / value[(pr * n + pc) * m + s] * value[(pr * n + c) * m + s];
                        value[at * m + s] -= change;
                        norm[at * m + s] = value[at * m + s].norm();
                        size[at * m + s] = size[at * m + s].max(change.norm());
                    }
                }
            }
            for c in &cols {
                plan.upper.push((slot[pr * n + c], *c as u32));
                col_count[*c] -= 1;
            }
            plan.steps.push(Step {
                pivot: slot[pr * n + pc],
                row: pr as u32,
                col: pc as u32,
                lower_end: plan.lower.len() as u32,
                upper_end: plan.upper.len() as u32,
            });
        }
        plan.slots = slots;
        Ok(plan)
    }

    /// Number of values the elimination works on: the pattern's entries, then the fill-ins.
    pub(crate) fn slots(&self) -> usize {
        self.slots
    }

    /// Eliminates real values in place; the reciprocals of the pivots take their places.
    pub(crate) fn factor(&self, a: &mut [f64]) {
        let (mut l0, mut u0, mut t) = (0usize, 0usize, 0usize);
        for s in &self.steps {
            let (l1, u1) = (s.lower_end as usize, s.upper_end as usize);
            let inverse = 1.0 / a[s.pivot as usize];
            a[s.pivot as usize] = inverse;
            let upper = &self.upper[u0..u1];
            for (slot, _) in &self.lower[l0..l1] {
                let f = a[*slot as usize] * inverse;
                a[*slot as usize] = f;
                for ((u, _), target) in upper.iter().zip(&self.targets[t..]) {
                    a[*target as usize] -= f * a[*u as usize];
                }
                t += upper.len();
            }
            (l0, u0) = (l1, u1);
        }
    }

    /// Solves with factored real values. `b` is used up; `x` takes the unknowns.
    pub(crate) fn solve(&self, a: &[f64], b: &mut [f64], x: &mut [f64]) {
        let mut l0 = 0usize;
        for s in &self.steps {
            let l1 = s.lower_end as usize;
            let value = b[s.row as usize];
            for (slot, row) in &self.lower[l0..l1] {
                b[*row as usize] -= a[*slot as usize] * value;
            }
            l0 = l1;
        }
        let mut u1 = self.upper.len();
        for (i, s) in self.steps.iter().enumerate().rev() {
            let u0 = if i == 0 { 0 } else { self.steps[i - 1].upper_end as usize };
            let mut value = b[s.row as usize];
            for (slot, col) in &self.upper[u0..u1] {
                value -= a[*slot as usize] * x[*col as usize];
            }
            x[s.col as usize] = value * a[s.pivot as usize];
            u1 = u0;
        }
    }

    /// Eliminates and solves a batch of complex systems of the same pattern, one in each lane.
    #[inline(always)]
    fn batch_body<const W: usize, const FUSED: bool>(
        &self,
        a: &mut [Lanes<W>],
        b: &mut [Lanes<W>],
        x: &mut [Lanes<W>],
    ) {
        let (mut l0, mut u0, mut t) = (0usize, 0usize, 0usize);
        for s in &self.steps {
            let (l1, u1) = (s.lower_end as usize, s.upper_end as usize);
            let inverse = a[s.pivot as usize].inverse();
            a[s.pivot as usize] = inverse;
            let upper = &self.upper[u0..u1];
            let right = b[s.row as usize];
            for (slot, row) in &self.lower[l0..l1] {
                let f = a[*slot as usize].times(&inverse);
                for ((u, _), target) in upper.iter().zip(&self.targets[t..]) {
                    let u = a[*u as usize];
                    a[*target as usize].subtract_product::<FUSED>(&f, &u);
                }
                t += upper.len();
                b[*row as usize].subtract_product::<FUSED>(&f, &right);
            }
            (l0, u0) = (l1, u1);
        }
        let mut u1 = self.upper.len();
        for (i, s) in self.steps.iter().enumerate().rev() {
            let u0 = if i == 0 { 0 } else { self.steps[i - 1].upper_end as usize };
            let mut value = b[s.row as usize];
            for (slot, col) in &self.upper[u0..u1] {
                value.subtract_product::<FUSED>(&a[*slot as usize], &x[*col as usize]);
            }
            x[s.col as usize] = value.times(&a[s.pivot as usize]);
            u1 = u0;
        }
    }

    /// Largest componentwise backward error of each lane: |b − A·x| over |A|·|x| + |b|, row by row.
    #[inline(always)]
    fn residual_body<const W: usize, const FUSED: bool>(
        rows: &[u32],
        entries: &[(u32, u32)],
        a: &[Lanes<W>],
        b: &[Lanes<W>],
        x: &[Lanes<W>],
    ) -> [f64; W] {
        let mut worst = [0.0f64; W];
        let mut k = 0usize;
        for (row, end) in rows.iter().enumerate() {
            let mut r = b[row];
            let mut scale = b[row].sizes();
            while k < *end as usize {
                let (slot, col) = entries[k];
                let (a, x) = (&a[slot as usize], &x[col as usize]);
                r.subtract_product::<FUSED>(a, x);
                let (p, q) = (a.sizes(), x.sizes());
                for w in 0..W {
                    scale[w] += p[w] * q[w];
                }
                k += 1;
            }
            let size = r.sizes();
            for w in 0..W {
                // A row of nothing but zeros has no error; a NaN must not be lost, once seen it stays.
                let e = size[w] / (scale[w] + 1e-300);
                worst[w] = if e <= worst[w] || worst[w].is_nan() { worst[w] } else { e };
            }
        }
        worst
    }

    /// Solves a batch; gives each lane's backward error. `a` holds the pattern's entries in its first slots and zeros in
    /// the others; it and `b` are used up.
    pub(crate) fn solve_batch(&self, check: &RowOrder, work: &mut Batch) -> [f64; LANES] {
        let nnz = work.kept.len();
        work.kept.copy_from_slice(&work.a[..nnz]);
        work.right.copy_from_slice(&work.b);
        simd::run(self, check, work)
    }
}

/// The pattern's entries row by row, for the check of a solution.
#[derive(Debug, Clone)]
pub(crate) struct RowOrder {
    ends: Vec<u32>,
    entries: Vec<(u32, u32)>,
}

impl RowOrder {
    pub(crate) fn new(pattern: &Pattern) -> Self {
        let mut by_row: Vec<(u32, u32, u32)> =
            pattern.entries.iter().enumerate().map(|(k, (r, c))| (*r, k as u32, *c)).collect();
        by_row.sort_unstable();
        let mut ends = vec![0u32; pattern.size];
        for (i, end) in ends.iter_mut().enumerate() {
            *end = by_row.partition_point(|e| e.0 as usize <= i) as u32;
        }
        Self { ends, entries: by_row.into_iter().map(|(_, k, c)| (k, c)).collect() }
    }

    /// b − A·x of one real system.
    pub(crate) fn remainder(&self, a: &[f64], b: &[f64], x: &[f64], out: &mut [f64]) {
        let mut k = 0usize;
        for (row, end) in self.ends.iter().enumerate() {
            let mut r = b[row];
            while k < *end as usize {
                let (slot, col) = self.entries[k];
                r -= a[slot as usize] * x[col as usize];
                k += 1;
            }
            out[row] = r;
        }
    }

    /// Backward error of one real solution; `x` has at least as many values as there are unknowns.
    pub(crate) fn residual(&self, a: &[f64], b: &[f64], x: &[f64]) -> f64 {
        let mut worst = 0.0f64;
        let mut k = 0usize;
        for (row, end) in self.ends.iter().enumerate() {
            let mut r = b[row];
            let mut scale = b[row].abs();
            while k < *end as usize {
                let (slot, col) = self.entries[k];
                let p = a[slot as usize] * x[col as usize];
                r -= p;
                scale += p.abs();
                k += 1;
            }
            let e = r.abs() / (scale + 1e-300);
            worst = if e <= worst || worst.is_nan() { worst } else { e };
        }
        worst
    }
}

/// Frequencies solved at once.
pub(crate) const LANES: usize = 8;

/// A complex number in each lane.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lanes<const W: usize> {
    pub(crate) re: [f64; W],
    pub(crate) im: [f64; W],
}

impl<const W: usize> Lanes<W> {
    pub(crate) const ZERO: Self = Self { re: [0.0; W], im: [0.0; W] };

    #[inline(always)]
    fn times(&self, o: &Self) -> Self {
        let mut out = Self::ZERO;
        for w in 0..W {
            out.re[w] = self.re[w] * o.re[w] - self.im[w] * o.im[w];
            out.im[w] = self.re[w] * o.im[w] + self.im[w] * o.re[w];
        }
        out
    }

    /// With `FUSED` multiplication and subtraction are one instruction; without it a call would be needed for that.
    #[inline(always)]
    fn subtract_product<const FUSED: bool>(&mut self, p: &Self, q: &Self) {
        for w in 0..W {
            if FUSED {
                self.re[w] = p.im[w].mul_add(q.im[w], (-p.re[w]).mul_add(q.re[w], self.re[w]));
                self.im[w] = (-p.im[w]).mul_add(q.re[w], (-p.re[w]).mul_add(q.im[w], self.im[w]));
            } else {
                self.re[w] = self.re[w] - p.re[w] * q.re[w] + p.im[w] * q.im[w];
                self.im[w] = self.im[w] - p.re[w] * q.im[w] - p.im[w] * q.re[w];
            }
        }
    }

    #[inline(always)]
    fn inverse(&self) -> Self {
        let mut out = Self::ZERO;
        for w in 0..W {
            let d = 1.0 / (self.re[w] * self.re[w] + self.im[w] * self.im[w]);
            out.re[w] = self.re[w] * d;
            out.im[w] = -self.im[w] * d;
        }
        out
    }

    /// |re| + |im| of each lane.
    #[inline(always)]
    fn sizes(&self) -> [f64; W] {
        let mut out = [0.0; W];
        for w in 0..W {
            out[w] = self.re[w].abs() + self.im[w].abs();
        }
        out
    }
}

/// Room for one batch.
pub(crate) struct Batch {
    pub(crate) a: Vec<Lanes<LANES>>,
    pub(crate) b: Vec<Lanes<LANES>>,
    pub(crate) x: Vec<Lanes<LANES>>,
    kept: Vec<Lanes<LANES>>,
    right: Vec<Lanes<LANES>>,
}

impl Batch {
    pub(crate) fn new(plan: &Plan, pattern: &Pattern) -> Self {
        Self {
            a: vec![Lanes::ZERO; plan.slots],
            b: vec![Lanes::ZERO; plan.size],
            x: vec![Lanes::ZERO; plan.size],
            kept: vec![Lanes::ZERO; pattern.entries.len()],
            right: vec![Lanes::ZERO; plan.size],
        }
    }
}

/// Vector instructions where the machine has them: the same code compiled twice.
#[allow(unsafe_code)]
mod simd {
    use super::{Batch, LANES, Plan, RowOrder};

    #[inline(always)]
    fn both<const FUSED: bool>(plan: &Plan, check: &RowOrder, work: &mut Batch) -> [f64; LANES] {
        plan.batch_body::<LANES, FUSED>(&mut work.a, &mut work.b, &mut work.x);
        Plan::residual_body::<LANES, FUSED>(&check.ends, &check.entries, &work.kept, &work.right, &work.x)
    }

    #[cfg(target_arch = "x86_64")]
    #[target_feature(enable = "avx2,fma")]
    fn wide(plan: &Plan, check: &RowOrder, work: &mut Batch) -> [f64; LANES] {
        both::<true>(plan, check, work)
    }

    pub(super) fn run(plan: &Plan, check: &RowOrder, work: &mut Batch) -> [f64; LANES] {
        #[cfg(target_arch = "x86_64")]
        if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma") {
            // SAFETY: the two features asked for were just found on this machine.
            return unsafe { wide(plan, check, work) };
        }
        both::<false>(plan, check, work)
    }
}

/// One complex system by elimination with full row pivoting: the way out where a fixed order does badly at a frequency.
pub(crate) fn solve_dense(
    pattern: &Pattern,
    values: &[Complex64],
    right: &[Complex64],
) -> Result<Vec<Complex64>, Undetermined> {
    let n = pattern.size;
    let mut a = vec![Complex64::ZERO; n * n];
    for ((r, c), v) in pattern.entries.iter().zip(values) {
        a[*r as usize * n + *c as usize] += v;
    }
    // Rows of very different units are brought to one size first; powers of two change no digit.
    let mut b = right.to_vec();
    for r in 0..n {
        let largest = a[r * n..(r + 1) * n].iter().map(|v| v.norm()).fold(0.0, f64::max);
        if largest > 0.0 && largest.is_finite() {
            let scale = (-largest.log2().round()).exp2();
            a[r * n..(r + 1) * n].iter_mut().for_each(|v| *v *= scale);
            b[r] *= scale;
        }
    }
    for p in 0..n {
        let best = (p..n).max_by(|x, y| a[x * n + p].norm().total_cmp(&a[y * n + p].norm())).unwrap_or(p);
        let size = a[best * n + p].norm();
        if size.is_nan() || size < 2e-16 {
            return Err(Undetermined(p));
        }
        if best != p {
            for c in 0..n {
                a.swap(p * n + c, best * n + c);
            }
            b.swap(p, best);
        }
        let inverse = a[p * n + p].inv();
        for r in p + 1..n {
            let f = a[r * n + p] * inverse;
            if f != Complex64::ZERO {
                for c in p + 1..n {
                    let u = a[p * n + c];
                    a[r * n + c] -= f * u;
                }
                let right = b[p];
                b[r] -= f * right;
            }
        }
    }
    for p in (0..n).rev() {
        let mut v = b[p];
        for c in p + 1..n {
            v -= a[p * n + c] * b[c];
        }
        b[p] = v * a[p * n + p].inv();
    }
    Ok(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A seeded matrix with a diagonal of zeros in part, as branch equations make it; the product with a known vector
    /// must give that vector back by all three ways.
    #[test]
    fn all_solvers_find_the_vector_that_made_the_right_side() {
        let n = 17;
        let mut state = 1u64;
        let mut random = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        let mut pattern = Pattern::new(n);
        let mut real = Vec::new();
        for r in 0..n {
            for c in 0..n {
                let on = (r != c && random() > 0.25) || (r == c && r % 3 != 0) || c == (r + 1) % n;
                if on {
                    pattern.at(r, c);
                    real.push(random() * 10f64.powf(random() * 4.0));
                }
            }
        }
        let values: Vec<Complex64> = real.iter().map(|v| Complex64::new(*v, random())).collect();
        let wanted: Vec<f64> = (0..n).map(|_| random()).collect();
        let mut right = vec![Complex64::ZERO; n];
        let mut right_real = vec![0.0; n];
        for (k, (r, c)) in pattern.entries.iter().enumerate() {
            right[*r as usize] += values[k] * wanted[*c as usize];
            right_real[*r as usize] += real[k] * wanted[*c as usize];
        }
        let dense = solve_dense(&pattern, &values, &right).unwrap();
        let plan = Plan::new(&pattern, std::slice::from_ref(&values)).unwrap();
        let order = RowOrder::new(&pattern);
        let mut work = Batch::new(&plan, &pattern);
        for (k, v) in values.iter().enumerate() {
            work.a[k] = Lanes { re: [v.re; LANES], im: [v.im; LANES] };
        }
        for (k, v) in right.iter().enumerate() {
            work.b[k] = Lanes { re: [v.re; LANES], im: [v.im; LANES] };
        }
        let error = plan.solve_batch(&order, &mut work);
        assert!(error.iter().all(|e| *e < 1e-9), "{error:?}");
        let plan = Plan::new(&pattern, &[real.iter().map(|v| Complex64::new(*v, 0.0)).collect()]).unwrap();
        let mut a = real.clone();
        a.resize(plan.slots(), 0.0);
        plan.factor(&mut a);
        let mut x = vec![0.0; n];
        plan.solve(&a, &mut right_real.clone(), &mut x);
        assert!(order.residual(&real, &right_real, &x) < 1e-9);
        for i in 0..n {
            assert!((dense[i] - wanted[i]).norm() < 1e-6, "dense {i}: {} {}", dense[i], wanted[i]);
            assert!((work.x[i].re[3] - wanted[i]).abs() < 1e-6 && work.x[i].im[3].abs() < 1e-6, "batch {i}");
            assert!((x[i] - wanted[i]).abs() < 1e-6, "real {i}: {} {}", x[i], wanted[i]);
        }
    }

    #[test]
    fn a_column_of_nothing_is_undetermined() {
        let mut pattern = Pattern::new(2);
        pattern.at(0, 0);
        pattern.at(1, 0);
        let values = vec![Complex64::new(1.0, 0.0); 2];
        assert!(Plan::new(&pattern, std::slice::from_ref(&values)).is_err());
        assert!(solve_dense(&pattern, &values, &[Complex64::ZERO; 2]).is_err());
    }
}
