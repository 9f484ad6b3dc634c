//! Narrowband or broadband, steady, mains-synchronous or tied to events.

use serde::{Deserialize, Serialize};
use standards::Band;

/// What kind of disturbance it is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum NoiseKind {
    /// A sine, or narrower than the bandwidth.
    Narrowband,
    /// Pulses slower than the bandwidth.
    Pulses {
        /// Repetition, Hz.
        rate_hz: f64,
        /// Lower and upper bound of it for an error of 1 dB of each detector, Hz.
        rate_range_hz: (f64, f64),
    },
    /// Like noise: peak 8 to 14 dB above average, average and r.m.s. close.
    Random,
    /// Neither clearly.
    Unclear,
}

/// Readings of one emission on several detectors, in one unit.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Readings {
    /// Peak, dB.
    pub peak_db: Option<f64>,
    /// Quasi-peak, dB.
    pub quasi_peak_db: Option<f64>,
    /// CISPR-average, dB.
    pub average_db: Option<f64>,
    /// RMS-average, dB.
    pub rms_db: Option<f64>,
}

/// The kind, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KindOfNoise {
    /// The kind.
    pub kind: NoiseKind,
    /// In words, with the rule.
    pub why: Vec<String>,
}

/// Peak over quasi-peak against repetition rate, band B and C/D: 6.5 and 11.9 dB at 100 Hz, elsewhere more by the pulse
/// response of CISPR 16-1-1 (from memory).
const PEAK_OVER_QUASI_PEAK_B: [(f64, f64); 7] =
    [(1.0, 29.0), (2.0, 27.0), (10.0, 16.5), (20.0, 13.0), (100.0, 6.5), (1000.0, 2.0), (10000.0, 0.0)];
const PEAK_OVER_QUASI_PEAK_CD: [(f64, f64); 7] =
    [(1.0, 40.4), (2.0, 37.9), (10.0, 25.9), (20.0, 20.9), (100.0, 11.9), (1000.0, 3.9), (10000.0, 0.0)];

/// Peak over quasi-peak of regular pulses, dB; between the rows straight over log rate.
pub fn peak_over_quasi_peak_db(band: Band, rate_hz: f64) -> Option<f64> {
    let rows = match band {
        Band::B => &PEAK_OVER_QUASI_PEAK_B,
        Band::C | Band::D => &PEAK_OVER_QUASI_PEAK_CD,
        _ => return None,
    };
    let x = rate_hz.log10();
    let at = rows.windows(2).find(|w| rate_hz >= w[0].0 && rate_hz <= w[1].0)?;
    let (x0, x1) = (at[0].0.log10(), at[1].0.log10());
    Some(at[0].1 + (at[1].1 - at[0].1) * (x - x0) / (x1 - x0))
}

/// The rate of regular pulses at which peak is so much above quasi-peak, Hz; nothing outside the table.
fn rate_of_quasi_peak(band: Band, difference_db: f64) -> Option<f64> {
    let rows = match band {
        Band::B => &PEAK_OVER_QUASI_PEAK_B,
        Band::C | Band::D => &PEAK_OVER_QUASI_PEAK_CD,
        _ => return None,
    };
    let at = rows.windows(2).find(|w| difference_db <= w[0].1 && difference_db >= w[1].1)?;
    let share = (at[0].1 - difference_db) / (at[0].1 - at[1].1);
    Some(at[0].0 * (at[1].0 / at[0].0).powf(share))
}

/// The kind of noise from the detectors. Rules: peak and average within 6 dB is narrowband (CISPR 25); pulses of rate f_p
/// read 20·log(B_imp/f_p) more on peak than on average with B_imp = 1.05·B6 (CISPR 16-1-1); Gaussian noise reads 1.05 dB
/// more on r.m.s. than on the average of the envelope, and 8 to 14 dB less on average than on peak.
pub fn kind_from_detectors(readings: &Readings, bandwidth_hz: f64, band: Band) -> KindOfNoise {
    let mut why = Vec::new();
    let (Some(peak), Some(average)) = (readings.peak_db, readings.average_db) else {
        why.push("Peak and average are both needed.".to_owned());
        return KindOfNoise { kind: NoiseKind::Unclear, why };
    };
    let d = peak - average;
    why.push(format!("Peak is {d:.1} dB above average."));
    if d < 6.0 {
        why.push("Less than 6 dB: narrowband (rule of CISPR 25).".to_owned());
        return KindOfNoise { kind: NoiseKind::Narrowband, why };
    }
    let impulse_hz = 1.05 * bandwidth_hz;
    let rate_hz = impulse_hz / 10f64.powf(d / 20.0);
    let spread = 10f64.powf(std::f64::consts::SQRT_2 / 20.0);
    // The quasi-peak detector is a second witness of the rate.
    let agrees = readings.quasi_peak_db.and_then(|q| {
        let expected = peak_over_quasi_peak_db(band, rate_hz)?;
        why.push(format!(
            "Peak is {:.1} dB above quasi-peak; pulses at {} would read {expected:.1} dB.",
            peak - q,
            crate::hertz(rate_hz)
        ));
        Some((peak - q - expected).abs() <= 3.0)
    });
    let like_noise = readings.rms_db.is_none_or(|r| (r - average - 1.05).abs() < 1.0);
    // The average of slow pulses lies on whatever else is in the filter: it bounds the rate from above, and a quasi-peak that
    // points to a lower rate is the better witness.
    let slower = match readings.quasi_peak_db {
        Some(q) if agrees == Some(false) && d > 14.0 => {
            rate_of_quasi_peak(band, peak - q).filter(|r| *r < rate_hz).map(|r| {
                let bound = |e: f64| rate_of_quasi_peak(band, peak - q + e).unwrap_or(r);
                (r, (bound(1.0).min(r), bound(-1.0).max(r)))
            })
        }
        _ => None,
    };
    if let Some((rate_hz, rate_range_hz)) = slower {
        why.push(format!(
            "Pulses at about {} by the quasi-peak; the average rests on something steady beside them.",
            crate::hertz(rate_hz)
        ));
        return KindOfNoise { kind: NoiseKind::Pulses { rate_hz, rate_range_hz }, why };
    }
    let kind = if (8.0..=14.0).contains(&d) && like_noise && agrees != Some(true) {
        why.push("8 to 14 dB between peak and average, and r.m.s. about 1 dB above average: noise.".to_owned());
        NoiseKind::Random
    } else if agrees == Some(false) {
        why.push("The detectors do not agree on one rate: bursts, or several disturbances.".to_owned());
        NoiseKind::Unclear
    } else {
        why.push(format!("Pulses at about {} (20·log(B_imp/rate)).", crate::hertz(rate_hz)));
        NoiseKind::Pulses { rate_hz, rate_range_hz: (rate_hz / spread, rate_hz * spread) }
    };
    KindOfNoise { kind, why }
}

/// The kind from the same emission with two bandwidths: a sine keeps its level, noise rises by 10·log(B2/B1), pulses by
/// 20·log(B2/B1). Nothing where the bandwidths differ by less than a factor of 2.
pub fn kind_from_bandwidths(bandwidths_hz: (f64, f64), peaks_db: (f64, f64)) -> Option<KindOfNoise> {
    let ratio = bandwidths_hz.1 / bandwidths_hz.0;
    let (ratio, rise) =
        if ratio >= 1.0 { (ratio, peaks_db.1 - peaks_db.0) } else { (1.0 / ratio, peaks_db.0 - peaks_db.1) };
    if ratio < 2.0 {
        return None;
    }
    let noise = 10.0 * ratio.log10();
    let why = vec![format!(
        "{rise:.1} dB more with {ratio:.1} times the bandwidth: a sine gives 0, noise {noise:.1}, pulses {:.1} dB.",
        2.0 * noise
    )];
    let kind = if rise < 0.5 * noise {
        NoiseKind::Narrowband
    } else if rise < 1.5 * noise {
        NoiseKind::Random
    } else {
        // Slower than the narrower bandwidth, otherwise it would have been resolved into lines.
        let least = bandwidths_hz.0.min(bandwidths_hz.1);
        NoiseKind::Pulses { rate_hz: 0.5 * least, rate_range_hz: (0.0, least) }
    };
    Some(KindOfNoise { kind, why })
}

/// What a level does over time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "structure", rename_all = "snake_case")]
pub enum TimeStructure {
    /// It does not change by more than chance.
    Steady,
    /// It repeats with the mains.
    MainsSynchronous {
        /// Repetition: the mains frequency or twice it, Hz.
        rate_hz: f64,
    },
    /// It repeats at another rate.
    Periodic {
        /// Repetition, Hz.
        rate_hz: f64,
    },
    /// Bursts without a period.
    RandomBursts {
        /// How many a second, in the mean.
        rate_hz: f64,
    },
    /// It goes up and down as noise does, without bursts that stand out.
    Fluctuating,
}

/// The structure, with the probability that a record without any would show it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Timing {
    /// What it is.
    #[serde(flatten)]
    pub structure: TimeStructure,
    /// Probability that shuffled levels show a period as strong, all periods tried counted (Fisher's bound).
    pub false_alarm: f64,
}

/// Time structure of levels taken at an even rate (the envelope in a fixed bandwidth). The periodogram of the levels is
/// searched up to half the rate; a line of power g (share of all) arises by chance with probability at most m·(1 − g)^(m−1)
/// for m frequencies (Fisher 1929); it must also stand out of the powers around it, m·exp(−p/mean). Without a line, bursts are told from noise in either of two ways: two clusters of levels
/// explain four fifths of the variance (noise in decibels: about two thirds), or levels stand so far above the median as noise
/// (exponential power) would show in one of fifty such records. Nothing for fewer than 32 levels.
pub fn time_structure(level_db: &[f64], interval_s: f64, mains_hz: f64) -> Option<Timing> {
    let n = level_db.len();
    if n < 32 || interval_s.is_nan() || interval_s <= 0.0 {
        return None;
    }
    let mean = level_db.iter().sum::<f64>() / n as f64;
    let mut sorted = level_db.to_vec();
    sorted.sort_by(f64::total_cmp);
    let spread = sorted[n * 95 / 100] - sorted[n * 5 / 100];
    if spread < 2.0 {
        return Some(Timing { structure: TimeStructure::Steady, false_alarm: 1.0 });
    }
    let frequencies = (n - 1) / 2;
    let mut powers = Vec::with_capacity(frequencies);
    for k in 1..=frequencies {
        let turn = std::f64::consts::TAU * k as f64 / n as f64;
        let (mut re, mut im) = (0.0, 0.0);
        for (i, l) in level_db.iter().enumerate() {
            let (s, c) = (turn * i as f64).sin_cos();
            re += (l - mean) * c;
            im += (l - mean) * s;
        }
        powers.push(re * re + im * im);
    }
    let total: f64 = powers.iter().sum();
    // Fewer than four periods in the record are no repetition.
    let (at, top) = powers.iter().enumerate().skip(3).fold((3, 0.0), |b, (i, p)| if *p > b.1 { (i, *p) } else { b });
    let share = top / total;
    let white = frequencies as f64 * (1.0 - share).powi(frequencies as i32 - 1);
    // Irregular switching has more power at low frequencies: the line must stand out of its own surroundings too, whose
    // powers are exponential about their median over ln 2.
    let reach = 12;
    let mut around: Vec<f64> = powers[at.saturating_sub(reach)..(at + reach + 1).min(frequencies)].to_vec();
    around.sort_by(f64::total_cmp);
    let mean_around = around[around.len() / 2] / std::f64::consts::LN_2;
    let local = if mean_around > 0.0 { frequencies as f64 * (-top / mean_around).exp() } else { 0.0 };
    let false_alarm = white.max(local).min(1.0);
    let bin_hz = 1.0 / (n as f64 * interval_s);
    let line_hz = (at + 1) as f64 * bin_hz;
    if false_alarm <= 0.01 {
        // A train of short pulses has its lines at multiples: the lowest strong one is its rate.
        let rate_hz = (1..=at)
            .find(|k| (at + 1).is_multiple_of(*k) && powers[k - 1] > 0.3 * top)
            .map_or(line_hz, |k| k as f64 * bin_hz);
        let mains = [mains_hz, 2.0 * mains_hz].into_iter().find(|m| (rate_hz - m).abs() <= bin_hz.max(0.01 * m));
        let structure = match mains.filter(|m| *m > 0.0) {
            Some(rate_hz) => TimeStructure::MainsSynchronous { rate_hz },
            None => TimeStructure::Periodic { rate_hz },
        };
        return Some(Timing { structure, false_alarm });
    }
    let (split, explained) = two_clusters(&sorted);
    let noise_reaches = sorted[n / 2] + 10.0 * ((50.0 * n as f64).ln() / std::f64::consts::LN_2).log10();
    let starts = |threshold: f64| -> Vec<usize> {
        (1..n).filter(|&i| level_db[i - 1] < threshold && level_db[i] >= threshold).collect()
    };
    let threshold = if explained > 0.8 { split } else { noise_reaches };
    let bursts = starts(threshold);
    let structure = if bursts.is_empty() {
        TimeStructure::Fluctuating
    } else if let Some(rate_hz) = even_rate(&bursts, interval_s) {
        let mains = [mains_hz, 2.0 * mains_hz].into_iter().find(|m| (rate_hz - m).abs() <= bin_hz.max(0.02 * m));
        match mains.filter(|m| *m > 0.0) {
            Some(rate_hz) => TimeStructure::MainsSynchronous { rate_hz },
            None => TimeStructure::Periodic { rate_hz },
        }
    } else {
        TimeStructure::RandomBursts { rate_hz: bursts.len() as f64 / (n as f64 * interval_s) }
    };
    Some(Timing { structure, false_alarm })
}

/// The rate of bursts that come evenly: their intervals scatter by less than a fifth of their mean, where random ones (Poisson)
/// scatter by all of it. Nothing for fewer than eight.
fn even_rate(starts: &[usize], interval_s: f64) -> Option<f64> {
    if starts.len() < 8 {
        return None;
    }
    let gaps: Vec<f64> = starts.windows(2).map(|w| (w[1] - w[0]) as f64).collect();
    let mean = gaps.iter().sum::<f64>() / gaps.len() as f64;
    let variance = gaps.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / gaps.len() as f64;
    (variance.sqrt() < 0.2 * mean && mean > 3.0).then(|| 1.0 / (mean * interval_s))
}

/// The split of sorted levels into two clusters that explains most of their variance, and that share.
fn two_clusters(sorted: &[f64]) -> (f64, f64) {
    let n = sorted.len() as f64;
    let total: f64 = sorted.iter().sum();
    let mean = total / n;
    let variance = sorted.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / n;
    let (mut best, mut below) = ((mean, 0.0), 0.0);
    for k in 1..sorted.len() {
        below += sorted[k - 1];
        let (low, high) = (below / k as f64, (total - below) / (n - k as f64));
        let between = k as f64 / n * (1.0 - k as f64 / n) * (high - low).powi(2);
        if between > best.1 {
            best = (0.5 * (sorted[k - 1] + sorted[k]), between);
        }
    }
    (best.0, if variance > 0.0 { best.1 / variance } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Random;

    #[test]
    fn detectors_tell_sine_pulses_and_noise() {
        let kind = |p: f64, q: f64, a: f64, r: Option<f64>| {
            let readings = Readings { peak_db: Some(p), quasi_peak_db: Some(q), average_db: Some(a), rms_db: r };
            kind_from_detectors(&readings, 9e3, Band::B).kind
        };
        assert_eq!(kind(60.0, 59.8, 59.5, None), NoiseKind::Narrowband);
        // 100 Hz pulses in band B: 9.45 kHz / 100 Hz is 39.5 dB, and 6.5 dB over quasi-peak (CISPR 16-1-1).
        let NoiseKind::Pulses { rate_hz, .. } = kind(80.0, 73.5, 40.5, None) else { panic!("pulses") };
        assert!((rate_hz / 100.0 - 1.0).abs() < 0.02);
        assert_eq!(kind(50.0, 45.0, 39.0, Some(40.0)), NoiseKind::Random);
        // 20 dB between peak and quasi-peak belong to 4.3 pulses a second in band B (CISPR 16-1-1: 27 dB at 2 Hz, 16.5 dB at
        // 10 Hz), whose average would be 67 dB below the peak: what reads 39.5 dB below is something steady.
        let NoiseKind::Pulses { rate_hz, .. } = kind(80.0, 60.0, 40.5, None) else { panic!("pulses") };
        assert!((4.0..=6.5).contains(&rate_hz), "{rate_hz}");
        // Peak and quasi-peak alike, and yet the average far below: no regular pulses read so.
        assert_eq!(kind(80.0, 79.5, 40.5, None), NoiseKind::Unclear);
    }

    #[test]
    fn two_bandwidths_tell_them_too() {
        let kind = |rise: f64| kind_from_bandwidths((9e3, 120e3), (50.0, 50.0 + rise)).expect("wide").kind;
        assert_eq!(kind(0.3), NoiseKind::Narrowband);
        assert_eq!(kind(11.0), NoiseKind::Random);
        assert!(matches!(kind(22.0), NoiseKind::Pulses { .. }));
        assert!(kind_from_bandwidths((9e3, 10e3), (1.0, 2.0)).is_none());
        // The order does not matter.
        assert_eq!(kind_from_bandwidths((120e3, 9e3), (61.0, 50.0)).expect("wide").kind, NoiseKind::Random);
    }

    #[test]
    fn time_tells_mains_from_other_periods_and_chance() {
        let mut random = Random::new(8);
        let interval_s = 1e-3;
        let mut record = |f: &dyn Fn(f64, &mut Random) -> f64| -> Vec<f64> {
            (0..800).map(|i| 40.0 + f(f64::from(i) * interval_s, &mut random) + random.normal()).collect()
        };
        let timing = |l: &[f64]| time_structure(l, interval_s, 50.0).expect("long enough").structure;
        let twice_mains = record(&|t, _| if (t * 100.0).fract() < 0.3 { 15.0 } else { 0.0 });
        assert_eq!(timing(&twice_mains), TimeStructure::MainsSynchronous { rate_hz: 100.0 });
        let burst = record(&|t, _| if (t * 37.5).fract() < 0.3 { 15.0 } else { 0.0 });
        assert!(matches!(timing(&burst), TimeStructure::Periodic { rate_hz } if (rate_hz - 37.5).abs() < 1.3));
        assert_eq!(timing(&vec![40.0; 100]), TimeStructure::Steady);
        let mut found = 0;
        for _ in 0..200 {
            let noise = record(&|_, r| if r.chance(0.05) { 20.0 } else { 0.0 });
            found += usize::from(!matches!(timing(&noise), TimeStructure::RandomBursts { .. }));
        }
        assert!(found <= 6, "{found} of 200 records without a period show one at 1 %");
        // Gaussian noise: the envelope's power is exponential.
        let mut noisy = 0;
        for _ in 0..100 {
            let noise: Vec<f64> = (0..800).map(|_| 10.0 * (-random.unit().max(1e-12).ln()).log10()).collect();
            noisy += usize::from(timing(&noise) == TimeStructure::Fluctuating);
        }
        assert!(noisy >= 95, "{noisy} of 100 records of noise are called so");
    }
}
