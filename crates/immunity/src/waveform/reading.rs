//! What is read off a pulse, whichever way its shape is known: by a fitted formula or by local polynomials.

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::event::Event;
use super::local::{Window, crossing, top, value};
use super::points::Points;

/// Asks of a pulse whose rest line is at zero and whose main swing is positive. Times in seconds from the first sample.
pub(crate) trait Reading {
    /// Time and height of the (first) top.
    fn top(&self) -> Option<(f64, f64)>;
    /// Time at which the front passes a level.
    fn rising(&self, level: f64) -> Option<f64>;
    /// Time at which the tail passes a level.
    fn falling(&self, level: f64) -> Option<f64>;
    /// Value at a time.
    fn at(&self, t_s: f64) -> Option<f64>;
    /// Deepest value after the tail has passed zero (at most 0).
    fn trough(&self) -> f64;
    /// Highest value and its time in a span.
    fn highest(&self, from_s: f64, to_s: f64) -> Option<(f64, f64)>;
    /// Times of the first zero crossings after the top, at most `count`.
    fn zeros(&self, count: usize) -> Vec<f64>;
    /// Last time of the record.
    fn end_s(&self) -> f64;
}

/// Local polynomials. The stretches chosen at the first reading are kept, so that a second reading of disturbed data shows
/// what the noise does to the same estimator.
pub(crate) struct Local<'a> {
    points: &'a Points,
    start_s: f64,
    peak: f64,
    peak_s: f64,
    kept: &'a RefCell<BTreeMap<(u8, usize), Window>>,
    asked: RefCell<usize>,
}

impl<'a> Local<'a> {
    pub(crate) fn new(event: &Event, points: &'a Points, kept: &'a RefCell<BTreeMap<(u8, usize), Window>>) -> Self {
        Self { points, start_s: event.start_s, peak: event.peak, peak_s: event.peak_s, kept, asked: RefCell::new(0) }
    }

    /// Questions come in the same order at every reading; their number is the name of the stretch.
    fn key(&self, kind: u8) -> (u8, usize) {
        let mut n = self.asked.borrow_mut();
        *n += 1;
        (kind, *n)
    }

    fn with<T>(&self, key: (u8, usize), read: impl Fn(Option<Window>) -> Option<(T, Window)>) -> Option<T> {
        let fixed = self.kept.borrow().get(&key).copied();
        let (v, w) = read(fixed)?;
        self.kept.borrow_mut().insert(key, w);
        Some(v)
    }

    /// First and last index in a range at which the points pass a level, and the middle of the two.
    fn middle(&self, level: f64, lo: usize, hi: usize, rising: bool) -> Option<usize> {
        let above = |i: &usize| (self.points.y[*i] >= level) == rising;
        let first = (lo..hi).find(above)?;
        let last = (lo..hi).rev().find(|i| !above(i)).unwrap_or(lo);
        Some(usize::midpoint(first, last))
    }

    /// Where a running mean over a few per cent of the stretch is highest.
    fn crest(&self, lo: usize, hi: usize) -> usize {
        let p = self.points;
        let clean = p.sd[lo..hi].iter().copied().fold(0.0, f64::max) < 1e-4 * self.peak;
        // The front is the short side of the crest.
        let front = p.at(self.peak_s).saturating_sub(lo).min(hi - lo) / 8;
        let k = if clean { 0 } else { front.max(1) };
        let mut sums = vec![0.0];
        for y in &p.y[lo..hi] {
            sums.push(sums[sums.len() - 1] + y);
        }
        let mean = |i: usize| {
            let (a, b) = (i.saturating_sub(k).max(lo) - lo, (i + k + 1).min(hi) - lo);
            (sums[b] - sums[a]) / (b - a) as f64
        };
        (lo..hi).max_by(|a, b| mean(*a).total_cmp(&mean(*b))).unwrap_or(lo)
    }

    fn drop_below(&self, level: f64) -> Option<usize> {
        let p = self.points;
        (p.at(self.peak_s)..p.len()).find(|i| p.y[*i] < level)
    }
}

impl Reading for Local<'_> {
    fn top(&self) -> Option<(f64, f64)> {
        let key = self.key(0);
        let p = self.points;
        let near = p.at(self.peak_s).min(p.len() - 1);
        let lo = (0..near).rev().find(|i| p.y[*i] < 0.7 * self.peak).map_or(0, |i| i + 1);
        let hi = (near..p.len()).find(|i| p.y[*i] < 0.7 * self.peak).unwrap_or(p.len());
        self.with(key, |fixed| top(p, self.crest(lo, hi), Window { lo, hi }, self.start_s, fixed))
    }

    fn rising(&self, level: f64) -> Option<f64> {
        let key = self.key(1);
        let p = self.points;
        let (lo, hi) = (p.at(self.start_s).saturating_sub(1), (p.at(self.peak_s) + 1).min(p.len()));
        let near = self.middle(level, lo, hi, true)?;
        let far = p.at(2.0 * self.peak_s - self.start_s).min(p.len());
        self.with(key, |fixed| crossing(p, level, near, Window { lo, hi: far }, fixed))
    }

    fn falling(&self, level: f64) -> Option<f64> {
        let key = self.key(2);
        let p = self.points;
        let lo = p.at(self.peak_s);
        let hi = self.drop_below(0.7 * level).unwrap_or(p.len());
        let near = self.middle(level, lo, hi, false)?;
        self.with(key, |fixed| crossing(p, level, near, Window { lo, hi: p.len() }, fixed))
    }

    fn at(&self, t_s: f64) -> Option<f64> {
        let key = self.key(3);
        let p = self.points;
        if t_s > *p.t.last()? || t_s < p.t[0] {
            return None;
        }
        self.with(key, |fixed| value(p, t_s, Window { lo: p.at(self.peak_s), hi: p.len() }, fixed))
    }

    fn trough(&self) -> f64 {
        let p = self.points;
        let Some(zero) = self.drop_below(0.0) else { return 0.0 };
        // Means over an eighth of the pulse's length keep the noise from making an undershoot.
        let length = (p.t[zero] - self.start_s) / 8.0;
        let mut deepest = 0.0f64;
        let mut i = zero;
        while i < p.len() {
            let end = p.at(p.t[i] + length).max(i + 1).min(p.len());
            let w = |k: usize| 1.0 / p.sd[k].max(1e-300).powi(2);
            let flat = p.sd[i..end].iter().all(|s| *s <= 0.0);
            let (a, b) = (i..end).fold((0.0, 0.0), |(a, b), k| {
                let g = if flat { 1.0 } else { w(k) };
                (a + g * p.y[k], b + g)
            });
            deepest = deepest.min(a / b);
            i += ((end - i) / 4).max(1);
        }
        deepest
    }

    fn highest(&self, from_s: f64, to_s: f64) -> Option<(f64, f64)> {
        let key = self.key(4);
        let p = self.points;
        let caps = Window { lo: p.at(from_s), hi: p.at(to_s) };
        let near = (caps.lo..caps.hi).max_by(|a, b| p.y[*a].total_cmp(&p.y[*b]))?;
        self.with(key, |fixed| top(p, near, caps, from_s - (to_s - from_s), fixed))
    }

    fn zeros(&self, count: usize) -> Vec<f64> {
        let p = self.points;
        let mut out = Vec::new();
        let mut lo = p.at(self.peak_s);
        let mut sign = 1.0;
        while out.len() < count {
            let key = self.key(5);
            // The next swing counts once it has reached a tenth of the peak on the other side.
            let Some(beyond) = (lo..p.len()).find(|i| -sign * p.y[*i] > 0.1 * self.peak) else { break };
            let first = (lo..beyond).find(|i| sign * p.y[*i] <= 0.0).unwrap_or(beyond);
            let last = (lo..beyond).rev().find(|i| sign * p.y[*i] > 0.0).unwrap_or(lo);
            let near = usize::midpoint(first, last);
            let caps = Window { lo, hi: (2 * beyond - lo).min(p.len()) };
            let Some(t) = self.with(key, |fixed| crossing(p, 0.0, near, caps, fixed)) else { break };
            out.push(t);
            lo = beyond;
            sign = -sign;
        }
        out
    }

    fn end_s(&self) -> f64 {
        self.points.t.last().copied().unwrap_or(0.0)
    }
}

/// A formula of time, read on a fine grid and refined by bisection.
pub(crate) struct Formula<F: Fn(f64) -> f64> {
    f: F,
    grid: Vec<(f64, f64)>,
    first_top_within_s: Option<f64>,
}

impl<F: Fn(f64) -> f64> Formula<F> {
    /// `start_s`: where the formula begins; `scale_s`: about the length of its front; `first_top_within_s`: look for the top
    /// only that long.
    pub(crate) fn new(f: F, start_s: f64, scale_s: f64, end_s: f64, first_top_within_s: Option<f64>) -> Self {
        const FRONT: usize = 600;
        const TAIL: usize = 1200;
        let near = start_s + 3.0 * scale_s;
        let mut t: Vec<f64> = (0..FRONT).map(|k| start_s + 3.0 * scale_s * k as f64 / FRONT as f64).collect();
        if end_s > near {
            let ratio = (end_s - start_s) / (near - start_s);
            t.extend((0..=TAIL).map(|k| start_s + (near - start_s) * ratio.powf(k as f64 / TAIL as f64)));
        }
        let grid = t.into_iter().map(|t| (t, f(t))).collect();
        Self { f, grid, first_top_within_s: first_top_within_s.map(|w| start_s + w) }
    }

    fn refine(&self, a: f64, b: f64, level: f64) -> f64 {
        let (mut a, mut b) = (a, b);
        let sign = (self.f)(a) > level;
        for _ in 0..60 {
            let m = 0.5 * (a + b);
            if ((self.f)(m) > level) == sign { a = m } else { b = m }
        }
        0.5 * (a + b)
    }

    fn peak_in(&self, from: f64, to: f64) -> Option<(usize, f64, f64)> {
        let k = (0..self.grid.len())
            .filter(|k| self.grid[*k].0 >= from && self.grid[*k].0 <= to)
            .max_by(|a, b| self.grid[*a].1.total_cmp(&self.grid[*b].1))?;
        let (mut a, mut b) =
            (self.grid[k.saturating_sub(1)].0.max(from), self.grid[(k + 1).min(self.grid.len() - 1)].0.min(to));
        for _ in 0..60 {
            let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
            if (self.f)(c) > (self.f)(d) { b = d } else { a = c }
        }
        let t = 0.5 * (a + b);
        Some((k, t, (self.f)(t)))
    }

    fn main(&self) -> Option<(usize, f64, f64)> {
        self.peak_in(f64::NEG_INFINITY, self.first_top_within_s.unwrap_or(f64::INFINITY))
    }
}

impl<F: Fn(f64) -> f64> Reading for Formula<F> {
    fn top(&self) -> Option<(f64, f64)> {
        self.main().map(|(_, t, v)| (t, v))
    }

    fn rising(&self, level: f64) -> Option<f64> {
        let (k, t, _) = self.main()?;
        let j = (0..=k).find(|j| self.grid[*j].1 >= level)?;
        Some(self.refine(self.grid[j.saturating_sub(1)].0, self.grid[j].0.min(t.max(self.grid[j].0)), level))
    }

    fn falling(&self, level: f64) -> Option<f64> {
        let (k, t, _) = self.main()?;
        let j = (k + 1..self.grid.len()).find(|j| self.grid[*j].1 < level)?;
        Some(self.refine(self.grid[j - 1].0.max(t), self.grid[j].0, level))
    }

    fn at(&self, t_s: f64) -> Option<f64> {
        (t_s <= self.end_s()).then(|| (self.f)(t_s))
    }

    fn trough(&self) -> f64 {
        let Some((k, ..)) = self.main() else { return 0.0 };
        self.grid[k..].iter().map(|g| g.1).fold(0.0, f64::min)
    }

    fn highest(&self, from_s: f64, to_s: f64) -> Option<(f64, f64)> {
        self.peak_in(from_s, to_s).map(|(_, t, v)| (t, v))
    }

    fn zeros(&self, count: usize) -> Vec<f64> {
        let Some((k, ..)) = self.main() else { return Vec::new() };
        let changes = (k + 1..self.grid.len()).filter(|j| (self.grid[*j].1 > 0.0) != (self.grid[j - 1].1 > 0.0));
        changes.take(count).map(|j| self.refine(self.grid[j - 1].0, self.grid[j].0, 0.0)).collect()
    }

    fn end_s(&self) -> f64 {
        self.grid.last().map_or(0.0, |g| g.0)
    }
}
