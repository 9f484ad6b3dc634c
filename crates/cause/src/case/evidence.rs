use serde::{Deserialize, Serialize};

use super::bands::{covered_share, radio_band};
use super::path_evidence::{ClampReading, Conductors, FieldReading};
use super::{CaseProduct, Maker, MakerKind, Path};
use crate::mode::Mode;
use crate::noise::{NoiseKind, TimeStructure};
use crate::resonance::Resonance;
use crate::{Explanation, Peak, Source, hertz};

/// What happened when functions of the product were switched.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FunctionTest {
    /// Functions that were switched.
    pub switched: Vec<String>,
    /// Those the emission follows (after the control for many tests).
    pub follows: Vec<String>,
}

/// Its level in one operating mode of the product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ModeLevel {
    /// The operating mode.
    pub mode: String,
    /// Mean level over the runs in this mode, dB.
    pub level_db: f64,
    /// How many runs.
    pub runs: usize,
}

/// Standard deviation between two runs of the same thing on the same bench, dB: set-up, lead positions, mains (common
/// practice; the reproducibility between laboratories is worse).
pub const BETWEEN_RUNS_DB: f64 = 2.0;

/// Everything known of one emission. What was not observed stays empty and changes nothing.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CaseEvidence {
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Bandwidth it was measured with, Hz.
    pub bandwidth_hz: f64,
    /// The combs that claim it: fundamental and its uncertainty, Hz, and number of members; the surest first.
    pub combs: Vec<(f64, f64, usize)>,
    /// Combs were searched (so that belonging to none says something).
    pub combs_searched: bool,
    /// Range of fundamentals searched, Hz.
    pub searched_hz: (f64, f64),
    /// Kind of noise.
    pub kind: Option<NoiseKind>,
    /// Time structure.
    pub timing: Option<TimeStructure>,
    /// Functions switched on and off.
    pub functions: Option<FunctionTest>,
    /// It is there with the product switched off.
    pub there_when_off: Option<bool>,
    /// Mode on the mains conductors, where it is settled (both taken at the same time, or a clamp round both).
    pub mode: Option<Mode>,
    /// Readings on line and neutral one after the other.
    pub conductors: Option<Conductors>,
    /// Resonances of cables, slots and the housing in whose range the emission lies.
    pub resonances: Vec<Resonance>,
    /// Clamp readings on cables.
    pub clamps: Vec<ClampReading>,
    /// The field of the emission, to hold the clamp readings against.
    pub field: Option<FieldReading>,
    /// Its level in the operating modes that were measured.
    pub operating_modes: Vec<ModeLevel>,
    /// Level with the product off, and on, dB; says more than `there_when_off` and takes its place.
    pub off_and_on_db: Option<(f64, f64)>,
}

impl CaseEvidence {
    /// Begins with what the frequencies tell of the peak nearest to a frequency.
    pub fn of_peak(frequency_hz: f64, peaks: &[Peak], explanation: &Explanation) -> Self {
        let nearest = (0..peaks.len()).min_by(|a, b| {
            (peaks[*a].frequency_hz - frequency_hz).abs().total_cmp(&(peaks[*b].frequency_hz - frequency_hz).abs())
        });
        let bandwidth_hz = nearest.map_or_else(|| crate::band_bandwidth_hz(frequency_hz), |k| peaks[k].bandwidth_hz);
        let combs = explanation
            .combs
            .iter()
            .map(|c| &c.comb)
            .filter(|c| nearest.is_some_and(|k| c.members.iter().any(|m| m.peak == k)))
            .map(|c| (c.fundamental_hz, c.uncertainty_hz, c.members.len()))
            .collect();
        let narrowest = peaks.iter().map(|p| p.bandwidth_hz).fold(bandwidth_hz, f64::min);
        let top = peaks.iter().map(|p| p.frequency_hz).fold(frequency_hz, f64::max);
        Self {
            frequency_hz: nearest.map_or(frequency_hz, |k| peaks[k].frequency_hz),
            bandwidth_hz,
            combs,
            combs_searched: peaks.len() >= 3,
            searched_hz: (narrowest, top / 3.0),
            ..Self::default()
        }
    }

    /// How readily an emission of this frequency leaves by a path: cables above about a tenth of a wavelength, boards and
    /// slots above some 200 MHz, the conductors against each other below some megahertz (common practice).
    pub(super) fn path_weight(&self, path: &Path, product: &CaseProduct) -> f64 {
        let f = self.frequency_hz;
        match path {
            Path::Cable(name) => match f {
                f if f < 30e6 && product.mains_cable.as_ref() == Some(name) => 2.0,
                f if f < 30e6 => 0.5,
                f if f < 300e6 => 1.0,
                _ => 0.5,
            },
            Path::Direct => match f {
                f if f < 30e6 => 0.05,
                f if f < 200e6 => 0.4,
                _ => 2.0,
            },
            Path::MainsDifferential => match f {
                f if f < 2e6 => 3.0,
                f if f < 30e6 => 1.0,
                _ => 0.02,
            },
            Path::Outside => 1.0,
        }
    }

    /// The logarithm of the probability of each observation for every maker.
    pub(super) fn weigh(&self, makers: &[Maker], product: &CaseProduct) -> Vec<(String, Vec<f64>)> {
        let mut said = Vec::new();
        let mut say = |text: String, of: &dyn Fn(&Maker) -> f64| {
            said.push((text, makers.iter().map(|m| of(m).clamp(1e-6, 1e6).ln()).collect::<Vec<f64>>()));
        };
        if !self.combs.is_empty() {
            let of: Vec<String> = self
                .combs
                .iter()
                .map(|(f0, uncertainty, members)| {
                    format!("{members} multiples of {} ± {}", hertz(*f0), crate::doubt(*uncertainty))
                })
                .collect();
            let text = format!("{} is one of {}.", hertz(self.frequency_hz), of.join(", and one of "));
            say(text, &|m| self.comb_ratio(m));
        } else if self.combs_searched {
            say(format!("{} belongs to no family of multiples.", hertz(self.frequency_hz)), &|m| self.single_ratio(m));
        } else {
            // Too few peaks for a family to be missed: the line alone is held against the multiples of each source.
            let text = format!("{} alone, held against the multiples of each source.", hertz(self.frequency_hz));
            say(text, &|m| match m.kind {
                MakerKind::Clock | MakerKind::Converter | MakerKind::UnknownOscillator => self.line_ratio(m),
                _ => 1.0,
            });
        }
        // Eight of ten strong transmitters lie in the bands of the strong services; whatever else oscillates lies there as
        // often as they cover the range.
        let covered = covered_share(self.frequency_hz);
        let band = radio_band(self.frequency_hz);
        let ratio = if band.is_some() { 0.8 / covered } else { 0.2 / (1.0 - covered) };
        let text = match band {
            Some(b) => format!("{} lies in a band of {}.", hertz(self.frequency_hz), b.service),
            None => format!("{} lies in no band of a strong radio service.", hertz(self.frequency_hz)),
        };
        say(text, &|m| if m.kind == MakerKind::Ambient { ratio } else { 1.0 });
        if let Some(kind) = self.kind {
            let text = match kind {
                NoiseKind::Narrowband => "It is narrowband.".to_owned(),
                NoiseKind::Pulses { rate_hz, .. } => format!("It is pulses at about {}.", hertz(rate_hz)),
                NoiseKind::Random => "It is like noise.".to_owned(),
                NoiseKind::Unclear => "Its detectors do not agree on one kind.".to_owned(),
            };
            say(text, &|m| self.kind_probability(m, kind, product.mains_hz));
        }
        if let Some(timing) = self.timing {
            let text = match timing {
                TimeStructure::Steady => "It is steady.".to_owned(),
                TimeStructure::MainsSynchronous { rate_hz } => {
                    format!("It repeats with the mains, at {}.", hertz(rate_hz))
                }
                TimeStructure::Periodic { rate_hz } => format!("It repeats at {}, not with the mains.", hertz(rate_hz)),
                TimeStructure::RandomBursts { rate_hz } => {
                    format!("It comes in bursts without a period, about {rate_hz:.1} a second.")
                }
                TimeStructure::Fluctuating => {
                    "It goes up and down as noise does, without bursts or a period.".to_owned()
                }
            };
            // Detectors and time structure see the same pulses: what both say is one observation, so the second counts half.
            let again = self.pulses_seen_twice(timing);
            let text = if again { format!("{text} (The detectors said so too: it counts half.)") } else { text };
            say(text, &|m| timing_probability(m.kind, timing).powf(if again { 0.5 } else { 1.0 }));
        }
        if let Some(test) = &self.functions {
            let text = if test.follows.is_empty() {
                format!("It follows none of: {}.", test.switched.join(", "))
            } else {
                format!("It follows: {}.", test.follows.join(", "))
            };
            say(text, &|m| function_probability(m, test));
        }
        if let Some(text) = self.modes_in_words() {
            let varies = self.varies_with_mode();
            say(text, &|m| {
                let changes = changes_with_operating_mode(m.kind);
                if varies { changes } else { 1.0 - changes }
            });
        }
        if let Some((off, on)) = self.off_and_on_db {
            // Outside the product it reads the same, within what two readings differ by, or what a carrier fades.
            let there = off > on - 6.0;
            let text = format!(
                "With the product off it reads {off:.1} dB, with it on {on:.1} dB: it {}.",
                if there { "is there without the product" } else { "goes with the product" }
            );
            say(text, &|m| if (m.kind == MakerKind::Ambient) == there { 0.97 } else { 0.03 });
        } else if let Some(there) = self.there_when_off {
            let text =
                if there { "It is there with the product switched off." } else { "It is gone with the product off." };
            say(text.to_owned(), &|m| if (m.kind == MakerKind::Ambient) == there { 0.97 } else { 0.03 });
        }
        said
    }

    fn pulses_seen_twice(&self, timing: TimeStructure) -> bool {
        let (
            Some(NoiseKind::Pulses { rate_hz: a, .. }),
            TimeStructure::MainsSynchronous { rate_hz: b } | TimeStructure::Periodic { rate_hz: b },
        ) = (self.kind, timing)
        else {
            return false;
        };
        (a / b).ln().abs() < 0.5
    }

    /// By how much the loudest operating mode exceeds the quietest, dB, and whether that is more than runs differ by.
    fn mode_spread_db(&self) -> Option<(f64, f64)> {
        let high = self.operating_modes.iter().max_by(|a, b| a.level_db.total_cmp(&b.level_db))?;
        let low = self.operating_modes.iter().min_by(|a, b| a.level_db.total_cmp(&b.level_db))?;
        let error = BETWEEN_RUNS_DB * (1.0 / high.runs.max(1) as f64 + 1.0 / low.runs.max(1) as f64).sqrt();
        // The largest of several differences grows by chance: Bonferroni over all pairs at 5 %.
        let n = self.operating_modes.len();
        let pairs = (n * n.saturating_sub(1) / 2).max(1) as f64;
        let normal = statrs::distribution::Normal::standard();
        let bound = -statrs::distribution::ContinuousCDF::inverse_cdf(&normal, 0.025 / pairs) * error;
        Some((high.level_db - low.level_db, bound))
    }

    fn varies_with_mode(&self) -> bool {
        self.mode_spread_db().is_some_and(|(spread, bound)| spread > bound)
    }

    fn modes_in_words(&self) -> Option<String> {
        if self.operating_modes.len() < 2 {
            return None;
        }
        let (spread, bound) = self.mode_spread_db()?;
        let levels: Vec<String> =
            self.operating_modes.iter().map(|m| format!("{:.1} dB in “{}”", m.level_db, m.mode)).collect();
        Some(format!(
            "It reads {}: {} ({spread:.1} dB; runs differ by up to {bound:.1} dB by chance).",
            levels.join(", "),
            if spread > bound { "it depends on the operating mode" } else { "it is the same in every operating mode" }
        ))
    }

    /// Density of the fundamental for this maker over that of a fundamental strewn evenly over the logarithm. A peak that is
    /// no member can lie within three eighths of the bandwidth of a multiple by chance.
    fn comb_ratio(&self, maker: &Maker) -> f64 {
        let range = (self.searched_hz.1 / self.searched_hz.0).ln().max(1.0);
        let stray = self.combs.iter().map(|c| 0.75 * self.bandwidth_hz / c.0).sum::<f64>().clamp(0.01, 0.5);
        match (maker.kind, &maker.source) {
            (MakerKind::Clock | MakerKind::Converter, Some(source)) => {
                let fits = self.combs.iter().map(|(f0, u, _)| oscillator_density(source, *f0, *u) * range);
                // A family of few members can be made of the lines of two crystals whose frequencies have a common divisor;
                // then the line itself tells whose it is.
                let few = self.combs.iter().map(|c| c.2).max().is_none_or(|members| members < 6);
                let stray = if few { stray.max(0.25) } else { stray };
                0.9 * fits.fold(0.0, f64::max) / self.combs.len() as f64 + stray * self.single_ratio(maker)
            }
            (MakerKind::UnknownOscillator, _) => 0.9,
            _ => stray,
        }
    }

    /// A lone line: an oscillator would mostly have shown its family.
    fn single_ratio(&self, maker: &Maker) -> f64 {
        match (maker.kind, &maker.source) {
            (MakerKind::Clock | MakerKind::Converter, Some(source)) => {
                let family_missed = if source.frequency_hz < 2.5 * self.bandwidth_hz { 0.9 } else { 0.3 };
                family_missed * self.line_ratio(maker)
            }
            (MakerKind::UnknownOscillator, _) => 0.4,
            _ => 1.0,
        }
    }

    /// Density of a line for an oscillator over that of a line strewn evenly: how near it is to a multiple, for the tolerance.
    fn line_ratio(&self, maker: &Maker) -> f64 {
        match (maker.kind, &maker.source) {
            (MakerKind::Clock | MakerKind::Converter, Some(source)) => {
                // Lines nearer than the filter resolves make no family that could be missing.
                if source.frequency_hz < 2.5 * self.bandwidth_hz {
                    return 1.0;
                }
                let n = (self.frequency_hz / source.frequency_hz).round();
                if n < 1.0 {
                    return 0.05;
                }
                let half = n * source.tolerance() + 0.25 * self.bandwidth_hz / source.frequency_hz;
                if half > 0.5 {
                    return 1.0;
                }
                let off = (self.frequency_hz / source.frequency_hz - n) / half;
                (0.03 + (-2.0 * off * off).exp() * 0.8 / half).min(40.0)
            }
            _ => 1.0,
        }
    }

    fn kind_probability(&self, maker: &Maker, kind: NoiseKind, mains_hz: f64) -> f64 {
        // Narrowband, pulses, noise, unclear.
        let slow = maker.source.as_ref().is_some_and(|s| s.frequency_hz < self.bandwidth_hz);
        let row = match maker.kind {
            MakerKind::Clock => [0.9, 0.03, 0.03, 0.04],
            MakerKind::Converter if slow => [0.1, 0.5, 0.15, 0.25],
            MakerKind::Converter => [0.6, 0.12, 0.13, 0.15],
            MakerKind::Rectifier => [0.05, 0.65, 0.1, 0.2],
            MakerKind::Contact => [0.05, 0.3, 0.35, 0.3],
            MakerKind::UnknownOscillator => [0.75, 0.08, 0.08, 0.09],
            MakerKind::Ambient => [0.6, 0.08, 0.17, 0.15],
        };
        match kind {
            NoiseKind::Narrowband => row[0],
            NoiseKind::Pulses { rate_hz, .. } => {
                let close = |f: f64| f > 0.0 && (rate_hz / f).ln().abs() < 0.5;
                let own = match maker.kind {
                    MakerKind::Rectifier => Some(close(mains_hz) || close(2.0 * mains_hz)),
                    MakerKind::Converter => {
                        maker.source.as_ref().map(|s| close(s.frequency_hz) || close(mains_hz) || close(2.0 * mains_hz))
                    }
                    _ => None,
                };
                row[1] * own.map_or(0.3, |fits| if fits { 1.0 } else { 0.1 })
            }
            NoiseKind::Random => row[2],
            NoiseKind::Unclear => row[3],
        }
    }
}

/// Density of a fundamental per unit of its logarithm, for an oscillator with its tolerance, mostly at its own frequency
/// and sometimes at a simple ratio of it.
fn oscillator_density(source: &Source, f0: f64, uncertainty: f64) -> f64 {
    const RATIOS: [(f64, f64); 7] =
        [(1.0, 0.8), (2.0, 0.08), (0.5, 0.06), (3.0, 0.02), (1.0 / 3.0, 0.02), (4.0, 0.01), (0.25, 0.01)];
    RATIOS
        .iter()
        .map(|(ratio, share)| {
            // The tolerance is a bound of about two standard deviations.
            let deviation = (0.5 * source.tolerance()).hypot(0.5 * uncertainty / f0);
            let x = (f0 / (source.frequency_hz * ratio)).ln() / deviation;
            share * (-0.5 * x * x).exp() / (deviation * std::f64::consts::TAU.sqrt())
        })
        .sum()
}

/// Steady, with the mains, another period, bursts, like noise.
fn timing_probability(kind: MakerKind, timing: TimeStructure) -> f64 {
    let row = match kind {
        MakerKind::Clock | MakerKind::UnknownOscillator => [0.78, 0.06, 0.06, 0.05, 0.05],
        MakerKind::Converter => [0.45, 0.33, 0.07, 0.06, 0.09],
        MakerKind::Rectifier => [0.06, 0.78, 0.03, 0.06, 0.07],
        MakerKind::Contact => [0.1, 0.07, 0.22, 0.46, 0.15],
        MakerKind::Ambient => [0.42, 0.04, 0.14, 0.26, 0.14],
    };
    match timing {
        TimeStructure::Steady => row[0],
        TimeStructure::MainsSynchronous { .. } => row[1],
        TimeStructure::Periodic { .. } => row[2],
        TimeStructure::RandomBursts { .. } => row[3],
        TimeStructure::Fluctuating => row[4],
    }
}

/// Probability that a maker's emission differs by more than chance between operating modes: clocks run in all of them,
/// converters follow their load, contacts and motors move in some only (common practice).
fn changes_with_operating_mode(kind: MakerKind) -> f64 {
    match kind {
        MakerKind::Clock => 0.15,
        MakerKind::Converter | MakerKind::Rectifier => 0.4,
        MakerKind::Contact => 0.75,
        MakerKind::UnknownOscillator => 0.25,
        MakerKind::Ambient => 0.1,
    }
}

fn function_probability(maker: &Maker, test: &FunctionTest) -> f64 {
    let own = maker.function.as_ref().filter(|f| test.switched.contains(f));
    match (own, test.follows.is_empty()) {
        (Some(f), false) => {
            if test.follows.contains(f) {
                0.85
            } else {
                0.04
            }
        }
        (Some(_), true) => 0.12,
        (None, true) => 0.9,
        // A maker of no function that was switched can still be loaded by one.
        (None, false) => 0.1,
    }
}
