use quantity::volts_to_dbuv;
use serde::Serialize;

use crate::Kind;
use crate::chain::mains_correction_db;
use crate::supply::Design;

/// A transmitter received by the mains network. Frequencies are invented and on no broadcasting raster.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Carrier {
    pub(crate) frequency_hz: f64,
    /// Carrier at the port, r.m.s.
    pub(crate) level_dbuv: f64,
    /// Depth of modulation, 0 to 1.
    pub(crate) depth: f64,
    pub(crate) audio_hz: f64,
}

pub(crate) const CARRIERS: &[Carrier] = &[
    Carrier { frequency_hz: 0.6017e6, level_dbuv: 29.0, depth: 0.4, audio_hz: 1000.0 },
    Carrier { frequency_hz: 1.2483e6, level_dbuv: 25.0, depth: 0.3, audio_hz: 400.0 },
    Carrier { frequency_hz: 6.1214e6, level_dbuv: 34.0, depth: 0.5, audio_hz: 700.0 },
    Carrier { frequency_hz: 11.8737e6, level_dbuv: 31.0, depth: 0.3, audio_hz: 1000.0 },
    Carrier { frequency_hz: 17.6591e6, level_dbuv: 28.0, depth: 0.4, audio_hz: 550.0 },
];

/// Where an emission comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum EmissionKind {
    /// A multiple of the switched-mode converter.
    Converter,
    /// A multiple of the microcontroller's clock.
    Clock,
    /// A transmitter: not the product's.
    Ambient,
}

/// A discrete emission of a synthesised capture, from the closed form.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Line {
    /// Where it comes from.
    pub kind: EmissionKind,
    /// Which multiple of its source; 1 for a transmitter.
    pub multiple: u32,
    /// Mean frequency, Hz. The converter's frequency moves by ±65 millionths about it.
    pub frequency_hz: f64,
    /// Level at the mains port, dBµV. A steady line reads this on every detector; a modulated one reads its carrier on
    /// the average detector and 20·log(1 + depth) more on the peak detector.
    pub port_dbuv: f64,
    /// Level at the receiver's input, dBµV.
    pub receiver_dbuv: f64,
    /// Depth of amplitude modulation, 0 where there is none.
    pub depth: f64,
    /// Class B average limit at this frequency less the level at the port, dB. It decides for a steady line: the
    /// quasi-peak limit is 10 dB higher.
    pub margin_db: f64,
}

/// A line of the sweep of the field, from the closed form.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FieldLine {
    /// Which multiple of the core clock.
    pub multiple: u32,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Field strength at 3 m, dBµV/m.
    pub field_dbuv_per_m: f64,
    /// Level at the analyser's input, dBµV, without noise.
    pub analyser_dbuv: f64,
    /// Class B limit at 3 m (CISPR 32:2015, table A.4: 40 dBµV/m to 230 MHz, 47 to 1 GHz) less the field, dB.
    pub margin_db: f64,
}

/// The lines of the sweep, in closed form.
pub fn field_truth() -> Vec<FieldLine> {
    crate::radiated::lines()
}

/// What there is to find in a capture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Every line from 150 kHz to 30 MHz, by frequency.
    pub lines: Vec<Line>,
    /// The product's lines over the average limit.
    pub excesses: Vec<Line>,
    /// The product's lines less than 2 dB below the average limit.
    pub marginal: Vec<Line>,
    /// A range, Hz, with nothing within 10 dB of the average limit.
    pub clean_range_hz: (f64, f64),
}

/// Class B average limit of the mains port, dBµV (CISPR 32:2015, table A.10): falling with the logarithm of frequency
/// from 56 to 46 between 0.15 and 0.5 MHz, 46 to 5 MHz, 50 to 30 MHz.
fn average_limit_dbuv(frequency_hz: f64) -> f64 {
    if frequency_hz < 0.5e6 {
        56.0 - 10.0 * (frequency_hz / 0.15e6).ln() / (0.5f64 / 0.15).ln()
    } else if frequency_hz <= 5e6 {
        46.0
    } else {
        50.0
    }
}

/// The lines of a capture and what they mean, in closed form: no noise, no pulses, no samples.
pub fn truth(kind: Kind) -> Truth {
    let design = Design::of(kind);
    let mut lines = Vec::new();
    let mut add = |kind, multiple, frequency_hz: f64, port_dbuv: f64, depth| {
        if (0.15e6..=30e6).contains(&frequency_hz) {
            lines.push(Line {
                kind,
                multiple,
                frequency_hz,
                port_dbuv,
                receiver_dbuv: port_dbuv - mains_correction_db(frequency_hz),
                depth,
                margin_db: average_limit_dbuv(frequency_hz) - port_dbuv,
            });
        }
    };
    let rms = |peak_v: f64| volts_to_dbuv(peak_v / std::f64::consts::SQRT_2);
    for n in 1..=(30e6 / design.drain.frequency_hz) as u32 {
        let f = f64::from(n) * design.drain.frequency_hz;
        add(EmissionKind::Converter, n, f, rms(design.converter(n, kind.conductor).norm()), 0.0);
    }
    for n in 1..=(30e6 / design.clock.frequency_hz) as u32 {
        let f = f64::from(n) * design.clock.frequency_hz;
        add(EmissionKind::Clock, n, f, rms(design.clock_at_port(n).norm()), 0.0);
    }
    for c in CARRIERS {
        add(EmissionKind::Ambient, 1, c.frequency_hz, c.level_dbuv, c.depth);
    }
    lines.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let ours = |low: f64, high: f64| {
        let wanted = move |l: &&Line| l.kind != EmissionKind::Ambient && l.margin_db >= low && l.margin_db < high;
        lines.iter().filter(wanted).copied().collect::<Vec<_>>()
    };
    let (excesses, marginal) = (ours(f64::NEG_INFINITY, 0.0), ours(0.0, 2.0));
    Truth { excesses, marginal, clean_range_hz: (1e6, 5e6), lines }
}
