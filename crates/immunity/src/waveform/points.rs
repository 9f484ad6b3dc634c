//! From samples to points with a known standard deviation: how noisy the record is, how coarse its steps are.

/// What is known of the errors of a record.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Noise {
    /// Standard deviation of the noise of one sample, in the record's unit.
    pub sd: f64,
    /// Step of the digitiser, 0 where none is seen.
    pub step: f64,
    /// Samples over which the noise is alike (1 where it is white): the number by which averaging helps less.
    pub correlation: f64,
}

/// Points in time with the standard deviation of each.
#[derive(Debug, Clone, Default)]
pub(crate) struct Points {
    pub(crate) t: Vec<f64>,
    pub(crate) y: Vec<f64>,
    pub(crate) sd: Vec<f64>,
}

impl Points {
    pub(crate) fn len(&self) -> usize {
        self.t.len()
    }

    fn push(&mut self, t: f64, y: f64, sd: f64) {
        self.t.push(t);
        self.y.push(y);
        self.sd.push(sd);
    }

    /// Index of the first point at or after a time.
    pub(crate) fn at(&self, t: f64) -> usize {
        self.t.partition_point(|x| *x < t)
    }
}

pub(crate) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let mid = values.len() / 2;
    *values.select_nth_unstable_by(mid, f64::total_cmp).1
}

/// Noise of a sample from third differences, which a smooth pulse leaves nearly nothing in.
pub(crate) fn noise_sd(y: &[f64]) -> f64 {
    const MOST: usize = 1 << 20;
    let stride = (y.len() / MOST).max(1);
    let mut d: Vec<f64> = y.windows(4).step_by(stride).map(|w| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs()).collect();
    // The median of |normal| is 0.6745; on a coarse ladder it is itself coarse, so it only says what belongs to the pulse.
    let rough = median(&mut d) / 0.6745;
    let kept = || d.iter().filter(|v| **v <= 3.0 * rough);
    let n = kept().count().max(1) as f64;
    // Cut at three deviations, a normal variable keeps 0.9733 of its variance; a third difference has 20 times that of the
    // samples.
    (kept().map(|v| v * v).sum::<f64>() / n / 0.9733 / 20.0).sqrt()
}

/// The step of the digitiser, where the values stand on an even ladder; 0 else.
pub(crate) fn step(y: &[f64]) -> f64 {
    const MOST: usize = 1 << 18;
    let stride = (y.len() / MOST).max(1);
    let mut v: Vec<f64> = y.iter().step_by(stride).copied().collect();
    v.sort_unstable_by(f64::total_cmp);
    let span = v[v.len() - 1] - v[0];
    let mut gaps: Vec<f64> = v.windows(2).map(|w| w[1] - w[0]).filter(|g| *g > span * 1e-7).collect();
    // A ladder shows only where values come again.
    if span <= 0.0 || gaps.is_empty() || gaps.len() * 4 > v.len() * 3 || gaps.len() > 5000 {
        return 0.0;
    }
    gaps.sort_unstable_by(f64::total_cmp);
    let smallest = gaps[gaps.len() / 50];
    let on_ladder = gaps.iter().filter(|g| ((*g / smallest) - (*g / smallest).round()).abs() < 0.1).count();
    if on_ladder * 20 >= gaps.len() * 19 { smallest } else { 0.0 }
}

/// How many neighbouring samples share their noise, from a quiet stretch.
pub(crate) fn correlation(quiet: &[f64]) -> f64 {
    if quiet.len() < 64 {
        return 1.0;
    }
    let n = quiet.len().min(1 << 16);
    let q = &quiet[quiet.len() - n..];
    let mean = q.iter().sum::<f64>() / n as f64;
    let variance = q.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64;
    if variance <= 0.0 {
        return 1.0;
    }
    // Chance alone gives 1/sqrt(n); a lag counts only well above that.
    let floor = 3.0 / (n as f64).sqrt();
    let mut total = 1.0;
    for lag in 1..n / 8 {
        let c = q.iter().zip(&q[lag..]).map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / n as f64 / variance;
        if c < floor {
            break;
        }
        total += 2.0 * c;
    }
    total
}

/// Samples `y` at `i·dt` as points. Where the steps of the digitiser are coarser than the noise, the useful knowledge is
/// when one code gives way to the next: at that moment the signal stood half-way between the two.
/// Where every front has more than `MANY` samples, means over a few of them say as much and take less time; `in_front`
/// says how many there are.
pub(crate) fn points(y: &[f64], dt: f64, noise: Noise, in_front: usize) -> Points {
    const MANY: usize = 2000;
    let mut out = Points::default();
    let coarse = noise.step > 0.0 && noise.sd < 0.4 * noise.step;
    if !coarse {
        let each = (in_front / MANY).max(1);
        let sd = noise.sd.max(noise.step / 12f64.sqrt()) * noise.correlation.sqrt() / (each as f64).sqrt();
        for (i, part) in y.chunks_exact(each).enumerate() {
            let middle = (i * each) as f64 + 0.5 * (each - 1) as f64;
            out.push(middle * dt, part.iter().sum::<f64>() / each as f64, sd);
        }
        return out;
    }
    let whole = noise.step / 12f64.sqrt();
    // Real converters place their steps only to about a tenth.
    let least = 0.1 * noise.step;
    let mut start = 0;
    let mut before: Option<(usize, usize)> = None;
    while start < y.len() {
        let mut end = start + 1;
        while end < y.len() && (y[end] - y[start]).abs() < 0.5 * noise.step {
            end += 1;
        }
        let long = end - start >= 3;
        if let Some((b0, b1)) = before {
            let jump = (y[start] - y[b1 - 1]).abs();
            if jump < 1.5 * noise.step && (long || b1 - b0 >= 3) {
                let length = (end - start).min(b1 - b0).max(1) as f64;
                let t = (start as f64 - 0.5) * dt;
                out.push(t, 0.5 * (y[start] + y[b1 - 1]), (whole / length).max(least));
            }
        }
        let edge = start == 0 || end == y.len();
        if !long {
            for (i, v) in y.iter().enumerate().take(end).skip(start) {
                out.push(i as f64 * dt, *v, whole);
            }
        } else if edge {
            out.push(0.5 * (start + end - 1) as f64 * dt, y[start], whole);
        }
        before = Some((start, end));
        start = end;
    }
    out
}
