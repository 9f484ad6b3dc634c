//! Bursts: pulses found in a record of any length, their timing, and a few of them at full rate.

use super::measure::{level, quantity};
use super::{Analysis, Judged, Kind, Quantity, Settings, WaveformError, analyse};

/// Rest before and after a pulse that is kept with it.
const BEFORE_S: f64 = 60e-9;
const AFTER_S: f64 = 300e-9;
/// Pulses kept at full rate.
const KEPT: usize = 24;
/// Most pulses whose times are kept.
const MOST: usize = 1 << 20;

/// A pulse that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Pulse {
    /// When its front passes half of the largest value, s from the first sample.
    pub time_s: f64,
    /// Samples about it, empty where not kept.
    pub samples: Vec<f64>,
    /// Index of the first of them.
    pub first: u64,
}

/// Finds pulses in a record that is read twice, block by block, in bounded memory: first [`BurstScan::look`] at all of it,
/// then, after [`BurstScan::looked`], [`BurstScan::take`] all of it.
#[derive(Debug, Clone)]
pub struct BurstScan {
    dt_s: f64,
    lowest: f64,
    highest: f64,
    sum: f64,
    count: u64,
    rest: f64,
    sign: f64,
    height: f64,
    index: u64,
    high: bool,
    last: f64,
    next_up: u64,
    history: std::collections::VecDeque<f64>,
    open: Vec<(usize, u64)>,
    pulses: Vec<Pulse>,
}

impl BurstScan {
    /// For samples every `dt_s`.
    pub fn new(dt_s: f64) -> Self {
        Self {
            dt_s,
            lowest: f64::INFINITY,
            highest: f64::NEG_INFINITY,
            sum: 0.0,
            count: 0,
            rest: 0.0,
            sign: 1.0,
            height: 0.0,
            index: 0,
            high: false,
            last: 0.0,
            next_up: 0,
            history: std::collections::VecDeque::new(),
            open: Vec::new(),
            pulses: Vec::new(),
        }
    }

    /// First reading.
    pub fn look(&mut self, samples: &[f64]) {
        for v in samples {
            self.lowest = self.lowest.min(*v);
            self.highest = self.highest.max(*v);
            self.sum += v;
        }
        self.count += samples.len() as u64;
    }

    /// After the first reading: which way the pulses go and how high they are.
    ///
    /// # Errors
    /// An empty or constant record.
    pub fn looked(&mut self) -> Result<(), WaveformError> {
        if self.count == 0 || !self.highest.is_finite() || !self.lowest.is_finite() || self.highest <= self.lowest {
            return Err(WaveformError::NoPulse { height: 0.0, noise: 0.0 });
        }
        // Pulses of 50 ns fill a small part of the time even at 100 kHz: the mean is near the rest line.
        let mean = self.sum / self.count as f64;
        self.sign = if mean - self.lowest > self.highest - mean { -1.0 } else { 1.0 };
        self.height = if self.sign > 0.0 { self.highest - mean } else { mean - self.lowest };
        self.rest = mean;
        Ok(())
    }

    /// Second reading.
    pub fn take(&mut self, samples: &[f64]) {
        let before = (BEFORE_S / self.dt_s).ceil() as usize;
        let after = (AFTER_S / self.dt_s).ceil() as u64;
        for v in samples {
            let w = self.sign * (v - self.rest);
            if self.history.len() > before {
                self.history.pop_front();
            }
            self.history.push_back(*v);
            for (k, _) in &self.open {
                self.pulses[*k].samples.push(*v);
            }
            let index = self.index;
            self.open.retain(|(_, end)| *end > index);
            if !self.high && w > 0.5 * self.height && self.index >= self.next_up {
                self.high = true;
                // Half of the shortest distance of pulses in use (10 µs) is never reached by one pulse's own ripple.
                self.next_up = self.index + (1e-6 / self.dt_s) as u64;
                let part = if w > self.last { (w - 0.5 * self.height) / (w - self.last) } else { 0.0 };
                let time_s = (self.index as f64 - part.clamp(0.0, 1.0)) * self.dt_s;
                if self.pulses.len() < MOST {
                    let keep = self.pulses.len() < KEPT;
                    let kept = if keep { self.history.iter().copied().collect::<Vec<_>>() } else { Vec::new() };
                    let first = self.index + 1 - kept.len() as u64;
                    if keep {
                        self.open.push((self.pulses.len(), self.index + after));
                    }
                    self.pulses.push(Pulse { time_s, samples: kept, first });
                }
            } else if self.high && w < 0.25 * self.height {
                self.high = false;
            }
            self.last = w;
            self.index += 1;
        }
    }

    /// The pulses found.
    pub fn pulses(&self) -> &[Pulse] {
        &self.pulses
    }

    /// Measures what was found: shape as the mean of the kept pulses, repetition, burst duration and period as far as the
    /// record holds them.
    ///
    /// # Errors
    /// No pulse that is whole.
    pub fn analyse(&self, start_s: f64, settings: &Settings) -> Result<Analysis, WaveformError> {
        let inner = Settings { kind: Kind::Burst, ..*settings };
        let mut each: Vec<Analysis> = Vec::new();
        let mut trouble = None;
        let whole = (AFTER_S / self.dt_s).ceil() as usize / 2;
        for p in self.pulses.iter().filter(|p| p.samples.len() > whole) {
            match analyse(&p.samples, self.dt_s, start_s + p.first as f64 * self.dt_s, &inner) {
                Ok(a) => each.push(a),
                Err(e) => trouble = Some(e),
            }
        }
        let Some(mut out) = each.first().cloned() else {
            return Err(trouble.unwrap_or(WaveformError::NoPulse { height: self.height, noise: 0.0 }));
        };
        let n = each.len() as f64;
        if each.len() > 1 {
            let peak = each.iter().map(|a| a.quantities[0].value).sum::<f64>() / n;
            let level = level(&inner, peak);
            out.level_kv = level.0;
            out.level_from = level.1;
            for q in &mut out.quantities {
                let of = |f: fn(&Quantity) -> f64| -> Vec<f64> {
                    each.iter().filter_map(|a| a.get(q.name)).map(f).filter(|v| v.is_finite()).collect()
                };
                let (v, r, u) = (of(|q| q.value), of(|q| q.read), of(|q| q.uncertainty));
                let m = v.len() as f64;
                let mean = v.iter().sum::<f64>() / m;
                let spread = (v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (m - 1.0).max(1.0)).sqrt();
                // Noise averages over the pulses; what is common to them (a step of the digitiser, the bandwidth) does not.
                let common = u.iter().copied().fold(f64::INFINITY, f64::min) / 2.0;
                let sd =
                    (spread / m.sqrt()).hypot(if settings.bandwidth_hz.is_some() { common } else { common / m.sqrt() });
                *q = quantity(&inner, (q.name, q.title), mean, r.iter().sum::<f64>() / m, sd, level);
                let (lo, hi) = v.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
                out.notes.push(format!("{} of {} pulses: {lo:.4e} to {hi:.4e}.", q.title, v.len()));
            }
        }
        out.pulses = self.pulses.len();
        self.timing(&mut out);
        Ok(out)
    }

    fn timing(&self, out: &mut Analysis) {
        let t: Vec<f64> = self.pulses.iter().map(|p| p.time_s).collect();
        if t.len() < 2 {
            out.notes.push("One pulse in the record: repetition, burst duration and period are not in it.".into());
            return;
        }
        let mut gaps: Vec<f64> = t.windows(2).map(|w| w[1] - w[0]).collect();
        gaps.sort_unstable_by(f64::total_cmp);
        let usual = gaps[gaps.len() / 2];
        let mut bursts: Vec<(usize, usize)> = Vec::new();
        let mut from = 0;
        for k in 1..=t.len() {
            if k == t.len() || t[k] - t[k - 1] > 5.0 * usual {
                bursts.push((from, k));
                from = k;
            }
        }
        let longest = bursts.iter().copied().max_by_key(|b| b.1 - b.0).unwrap_or((0, t.len()));
        let interval = (t[longest.1 - 1] - t[longest.0]) / ((longest.1 - longest.0 - 1).max(1) as f64);
        let jitter = self.dt_s * 0.5;
        let mut push = |name, title, value: f64, sd: f64, nominal: Option<f64>| {
            let low = nominal.map(|n| 0.8 * n);
            let high = nominal.map(|n| 1.2 * n);
            out.quantities.push(Quantity {
                name,
                title,
                value,
                read: value,
                uncertainty: 2.0 * sd,
                nominal,
                low,
                high,
                source: nominal.map(|_| "IEC 61000-4-4 edition 3, ±20 %"),
                known: nominal.map(|_| standards::Known::Memory),
                judged: nominal.map(|_| Judged::of(value, 2.0 * sd, low, high)),
            });
        };
        let repetition = 1.0 / interval;
        let fast = repetition > 22e3;
        let relative = jitter / (t[longest.1 - 1] - t[longest.0]);
        push(
            "repetition_hz",
            "repetition of the pulses",
            repetition,
            repetition * relative,
            Some(if fast { 100e3 } else { 5e3 }),
        );
        let end = self.index as f64 * self.dt_s;
        let mut durations = Vec::new();
        for (a, b) in &bursts {
            let quiet_before = if *a == 0 { t[0] } else { t[*a] - t[*a - 1] };
            let quiet_after = if *b == t.len() { end - t[*b - 1] } else { t[*b] - t[*b - 1] };
            if quiet_before > 2.5 * interval && quiet_after > 2.5 * interval && b - a > 2 {
                durations.push(((b - a) as f64 * interval, b - a));
            }
        }
        if durations.is_empty() {
            out.notes.push(
                "No burst is whole in the record with rest before and after: its duration is not measured.".into(),
            );
        } else {
            let mean = durations.iter().map(|d| d.0).sum::<f64>() / durations.len() as f64;
            let title = "burst duration (pulses × their interval)";
            push("burst_duration_s", title, mean, jitter, Some(if fast { 0.75e-3 } else { 15e-3 }));
            let counts: Vec<String> = durations.iter().take(8).map(|d| d.1.to_string()).collect();
            out.notes.push(format!(
                "Pulses in each whole burst: {} (75 expected). First to last pulse is one interval less than the duration.",
                counts.join(", ")
            ));
        }
        if bursts.len() > 1 {
            let period = (t[bursts[bursts.len() - 1].0] - t[bursts[0].0]) / (bursts.len() - 1) as f64;
            if bursts[0].1 - bursts[0].0 == longest.1 - longest.0 {
                let mut push = |value: f64| {
                    let (low, high) = (0.8 * 0.3, 1.2 * 0.3);
                    out.quantities.push(Quantity {
                        name: "burst_period_s",
                        title: "burst period",
                        value,
                        read: value,
                        uncertainty: 2.0 * jitter,
                        nominal: Some(0.3),
                        low: Some(low),
                        high: Some(high),
                        source: Some("IEC 61000-4-4 edition 3, ±20 %"),
                        known: Some(standards::Known::Memory),
                        judged: Some(Judged::of(value, 2.0 * jitter, Some(low), Some(high))),
                    });
                };
                push(period);
            }
        }
    }
}
