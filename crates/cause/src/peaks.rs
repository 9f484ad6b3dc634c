use serde::{Deserialize, Serialize};
use standards::Band;

/// One emission: a local maximum of a trace, or a line of somebody's list.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Peak {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level in the caller's unit, dB.
    pub level_db: f64,
    /// −6 dB bandwidth with which it was measured, Hz.
    pub bandwidth_hz: f64,
    /// Largest error of the frequency, Hz, where it is known; otherwise it is taken from the bandwidth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance_hz: Option<f64>,
}

/// Why a list of peaks cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PeakError {
    /// A frequency that is none.
    #[error("peak {number}: frequency {frequency_hz} Hz; expected a finite number above 0")]
    Frequency {
        /// Counted from 1.
        number: usize,
        /// As given.
        frequency_hz: f64,
    },
    /// A level that is none.
    #[error("peak {number}: level {level_db} dB; expected a finite number")]
    Level {
        /// Counted from 1.
        number: usize,
        /// As given.
        level_db: f64,
    },
    /// A tolerance or bandwidth that is none.
    #[error("{what} {value} Hz; expected a finite number above 0")]
    Width {
        /// `tolerance` or `bandwidth`.
        what: &'static str,
        /// As given.
        value: f64,
    },
    /// Frequencies and levels do not belong together.
    #[error("{frequencies} frequencies and {levels} levels; expected as many of each")]
    Lengths {
        /// How many frequencies.
        frequencies: usize,
        /// How many levels.
        levels: usize,
    },
}

/// Bandwidth of the measuring receiver at a frequency (CISPR 16-1-1): 200 Hz to 150 kHz, 9 kHz to 30 MHz, 120 kHz to
/// 1 GHz, 1 MHz above.
pub fn band_bandwidth_hz(frequency_hz: f64) -> f64 {
    let band = match frequency_hz {
        f if f < 150e3 => Band::A,
        f if f < 30e6 => Band::B,
        f if f <= 1e9 => Band::C,
        _ => Band::E,
    };
    band.bandwidth_hz()
}

/// Peaks out of a plain list. `bandwidth_hz`: none takes that of the band each frequency lies in. `tolerance_hz`: none
/// leaves it to the search, which tries several fractions of the bandwidth. Sorted by frequency.
pub fn peaks_of_list(
    frequency_hz: &[f64],
    level_db: &[f64],
    bandwidth_hz: Option<f64>,
    tolerance_hz: Option<f64>,
) -> Result<Vec<Peak>, PeakError> {
    if frequency_hz.len() != level_db.len() {
        return Err(PeakError::Lengths { frequencies: frequency_hz.len(), levels: level_db.len() });
    }
    for (what, value) in [("bandwidth", bandwidth_hz), ("tolerance", tolerance_hz)] {
        if let Some(value) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return Err(PeakError::Width { what, value });
        }
    }
    let mut peaks = Vec::with_capacity(frequency_hz.len());
    for (i, (&f, &l)) in frequency_hz.iter().zip(level_db).enumerate() {
        if !(f.is_finite() && f > 0.0) {
            return Err(PeakError::Frequency { number: i + 1, frequency_hz: f });
        }
        if !l.is_finite() {
            return Err(PeakError::Level { number: i + 1, level_db: l });
        }
        let bandwidth_hz = bandwidth_hz.unwrap_or_else(|| band_bandwidth_hz(f));
        peaks.push(Peak { frequency_hz: f, level_db: l, bandwidth_hz, tolerance_hz });
    }
    peaks.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(peaks)
}

/// The grid on which frequencies stand: the largest step of which all their differences are whole multiples, Hz, to a
/// thousandth of a hertz. Nothing for fewer than three frequencies.
pub fn grid_hz(frequency_hz: &[f64]) -> Option<f64> {
    if frequency_hz.len() < 3 {
        return None;
    }
    let whole: Vec<i64> = frequency_hz.iter().map(|f| (f * 1e3).round() as i64).collect();
    let step = whole.iter().fold(0i64, |g, w| gcd(g, (w - whole[0]).abs()));
    (step > 0).then_some(step as f64 / 1e3)
}

fn gcd(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// How peaks are found in a trace.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PeakFinding {
    /// How far a peak must at least stand above the running median of its surroundings, dB. Where the trace scatters about
    /// that median, it must be six standard deviations of the scatter.
    pub above_floor_db: f64,
    /// How far the trace must at least fall on both sides before the next peak counts, dB; or four standard deviations.
    pub prominence_db: f64,
    /// At most so many, the most prominent first.
    pub most: usize,
}

impl Default for PeakFinding {
    fn default() -> Self {
        Self { above_floor_db: 2.0, prominence_db: 1.5, most: 120 }
    }
}

/// The peaks of a trace, their frequency interpolated by a parabola through the three highest points. `bandwidth_hz`: none
/// takes that of the band.
pub fn find_peaks(
    frequency_hz: &[f64],
    level_db: &[f64],
    bandwidth_hz: Option<f64>,
    how: &PeakFinding,
) -> Result<Vec<Peak>, PeakError> {
    if frequency_hz.len() != level_db.len() {
        return Err(PeakError::Lengths { frequencies: frequency_hz.len(), levels: level_db.len() });
    }
    let kept: Vec<usize> = (0..level_db.len()).filter(|&i| level_db[i].is_finite() && frequency_hz[i] > 0.0).collect();
    let level: Vec<f64> = kept.iter().map(|&i| level_db[i]).collect();
    let frequency: Vec<f64> = kept.iter().map(|&i| frequency_hz[i]).collect();
    let half = (level.len() / 20).clamp(15, 400);
    let floor = running_median(&level, half);
    // Median absolute deviation, times 1.48 for a normal distribution.
    let away: Vec<f64> = level.iter().zip(&floor).map(|(l, f)| (l - f).abs()).collect();
    let scatter: Vec<f64> = running_median(&away, half).into_iter().map(|m| 1.4826 * m).collect();
    let mut found = Vec::new();
    for i in 1..level.len().saturating_sub(1) {
        if level[i] < level[i - 1]
            || level[i] <= level[i + 1]
            || level[i] < floor[i] + how.above_floor_db.max(6.0 * scatter[i])
        {
            continue;
        }
        let prominence = prominence(&level, i);
        if prominence < how.prominence_db.max(4.0 * scatter[i]) {
            continue;
        }
        let (a, b, c) = (level[i - 1], level[i], level[i + 1]);
        let bend = a - 2.0 * b + c;
        let shift = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        let step = if shift < 0.0 { frequency[i] - frequency[i - 1] } else { frequency[i + 1] - frequency[i] };
        let frequency_hz = frequency[i] + shift * step;
        let bandwidth_hz = bandwidth_hz.unwrap_or_else(|| band_bandwidth_hz(frequency_hz));
        found.push((prominence, Peak { frequency_hz, level_db: level[i], bandwidth_hz, tolerance_hz: None }));
    }
    found.sort_by(|x, y| y.0.total_cmp(&x.0));
    found.truncate(how.most);
    let mut peaks: Vec<Peak> = found.into_iter().map(|(_, p)| p).collect();
    peaks.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(peaks)
}

/// How far the trace falls on both sides before it rises above this point (the lesser of the two).
fn prominence(level: &[f64], at: usize) -> f64 {
    let top = level[at];
    let fall = |side: &mut dyn Iterator<Item = usize>| {
        let mut low = top;
        for j in side {
            if level[j] > top {
                break;
            }
            low = low.min(level[j]);
        }
        top - low
    };
    fall(&mut (0..at).rev()).min(fall(&mut (at + 1..level.len())))
}

/// Median over `2·half + 1` points, fewer at the ends.
pub(crate) fn running_median(level: &[f64], half: usize) -> Vec<f64> {
    let mut floor = Vec::with_capacity(level.len());
    let mut window: Vec<f64> = Vec::with_capacity(2 * half + 1);
    for i in 0..level.len() {
        let (from, to) = (i.saturating_sub(half), (i + half + 1).min(level.len()));
        if i == 0 {
            window.extend_from_slice(&level[from..to]);
            window.sort_by(f64::total_cmp);
        } else {
            if from > 0 && from + half == i {
                let gone = level[from - 1];
                let at = window.partition_point(|v| v.total_cmp(&gone).is_lt());
                window.remove(at);
            }
            if i + half < level.len() {
                let new = level[to - 1];
                let at = window.partition_point(|v| v.total_cmp(&new).is_lt());
                window.insert(at, new);
            }
        }
        floor.push(window[window.len() / 2]);
    }
    floor
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Random;

    #[test]
    fn lines_above_a_noisy_floor_are_found_and_the_noise_is_not() {
        let mut random = Random::new(3);
        let step = 2250.0;
        let noise: Vec<f64> = (0..6000).map(|_| 25.0 + random.normal()).collect();
        // Levels of neighbouring points are alike, as behind a filter of 9 kHz.
        let smooth: Vec<f64> =
            (0..6000usize).map(|i| noise[i.saturating_sub(2)..=i].iter().sum::<f64>() / 3.0).collect();
        let f: Vec<f64> = (0..6000).map(|i| 150e3 + step * f64::from(i)).collect();
        let alone = find_peaks(&f, &smooth, None, &PeakFinding::default()).expect("valid");
        assert!(alone.len() <= 3, "{} peaks in noise", alone.len());
        let lines: Vec<f64> = (2..40).map(|n| f64::from(n) * 300e3).collect();
        let level: Vec<f64> = f
            .iter()
            .zip(&smooth)
            .map(|(f, l)| {
                let off = lines.iter().map(|n| (f - n).abs()).fold(f64::INFINITY, f64::min);
                // A Gaussian filter, 6 dB down at 4.5 kHz.
                l.max(40.0 - 6.02 * (off / 4500.0).powi(2))
            })
            .collect();
        let found = find_peaks(&f, &level, None, &PeakFinding::default()).expect("valid");
        let hit = |n: &f64| found.iter().any(|p| (p.frequency_hz - n).abs() < 1200.0);
        assert_eq!(lines.iter().filter(|n| hit(n)).count(), lines.len());
        assert!(found.len() <= lines.len() + 3);
    }
}
