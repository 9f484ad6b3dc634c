//! Devices of a simulated product: what they emit, how it leaves, and the envelope a receiver sees of them.

use std::f64::consts::{PI, TAU};

use standards::Band;

use super::bench::Range;
use crate::case::{Maker, MakerKind, Path};
use crate::noise::Readings;
use crate::resonance::LIGHT_M_PER_S;
use crate::trapezoid::Trapezoid;
use crate::{Random, Source, SourceKind};

/// A cable as a radiator.
#[derive(Debug, Clone)]
pub(super) struct Cable {
    pub(super) name: String,
    pub(super) length_m: f64,
    pub(super) quality: f64,
    pub(super) velocity: f64,
    pub(super) seen_db: f64,
}

impl Cable {
    /// Rise of its current at its quarter-wave resonances against the same cable matched: a line of length l, open at the
    /// far end, fed from a low impedance: |1/cos(kl)| damped by Q.
    fn resonance(&self, frequency_hz: f64) -> f64 {
        let turn = TAU * frequency_hz * self.length_m / (self.velocity * LIGHT_M_PER_S);
        let damping = turn / (2.0 * self.quality);
        1.0 / (turn.cos().powi(2) + damping.sinh().powi(2)).sqrt().max(1.0 / self.quality)
    }

    /// Field in µV/m at 3 m of a current in µA: 120·I/r for a long cable, 1.257e-6·f·l·I/r for a short one.
    fn field_of_current(&self, frequency_hz: f64) -> f64 {
        let short = 1.257e-6 * frequency_hz * self.length_m / 3.0;
        short.min(40.0) * 10f64.powf(self.seen_db / 20.0)
    }

    /// The clamp's reading, dBµA, of a power in (µV/m)² at 3 m.
    pub(super) fn current_dbua(&self, power: f64, frequency_hz: f64) -> f64 {
        10.0 * power.max(1e-6).log10() - 20.0 * self.field_of_current(frequency_hz).log10()
    }
}

/// A way out.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Way {
    Cable(String),
    Differential,
    Direct,
    Outside,
}

#[derive(Debug, Clone)]
enum Emitter {
    /// A switched waveform with a ringing edge, its frequency and amplitude moved by the ripple of the mains.
    Switched { wave: Trapezoid, ring_hz: f64, ring_q: f64, ripple: f64, wander: f64 },
    /// Pulses at twice the mains frequency: diodes that stop conducting, and what rings then.
    Recovery { ring_hz: f64, ring_q: f64 },
    /// Bursts of a contact that opens: their rate, their length, s.
    Contact { rate_hz: f64, length_s: f64 },
    /// A commutator: pulses of unequal height at this rate.
    Brushes { rate_hz: f64 },
    /// Transmitters: their frequencies, the depth of modulation by speech, the length of a slot if keyed.
    Carriers { frequency_hz: Vec<f64>, depth: f64, slot_s: Option<f64> },
}

/// A device of the product, or of its surroundings.
#[derive(Debug, Clone)]
pub(super) struct Device {
    pub(super) kind: MakerKind,
    pub(super) maker: Option<Maker>,
    pub(super) gain_db: f64,
    pub(super) by_mode_db: [f64; 3],
    pub(super) by_load_db: f64,
    pub(super) moves_with_load: bool,
    emitter: Emitter,
    /// Share of the voltage on each way; capacitances make it rise with frequency.
    ways: Vec<(Way, f64)>,
}

fn gauss(off_hz: f64, bandwidth_hz: f64) -> f64 {
    // −6 dB at half the bandwidth.
    10f64.powf(-6.02 * (off_hz / (0.5 * bandwidth_hz)).powi(2) / 20.0)
}

fn ringing(frequency_hz: f64, ring_hz: f64, q: f64) -> f64 {
    let x = frequency_hz / ring_hz;
    1.0 / ((1.0 - x * x).powi(2) + (x / q).powi(2)).sqrt()
}

impl Emitter {
    /// Peak amplitude in the filter at a frequency, µV r.m.s. of an equivalent sine, before any way out.
    fn amplitude(&self, frequency_hz: f64, range: &Range) -> f64 {
        let b = range.bandwidth_hz;
        match self {
            Self::Switched { wave, ring_hz, ring_q, wander, .. } => {
                let nearest = (frequency_hz / wave.frequency_hz).round().max(1.0);
                let mut power = 0.0;
                let reach = (1.5 * b / wave.frequency_hz).ceil();
                // Lines that the filter does not resolve come into step at the pulse: their amplitudes add.
                let unresolved = wave.frequency_hz < b;
                let mut sum = 0.0;
                for k in -(reach as i32)..=reach as i32 {
                    let n = nearest + f64::from(k);
                    if n < 1.0 {
                        continue;
                    }
                    let line = n * wave.frequency_hz;
                    // The frequency moves by the wander: the highest reading is that of the nearest it comes.
                    let off = ((frequency_hz - line).abs() - wander * line).max(0.0);
                    let volts = 10f64.powf(wave.multiple_dbuv(n as u32) / 20.0);
                    let own = volts * ringing(line, *ring_hz, *ring_q).max(0.1) * gauss(off, b);
                    power += own * own;
                    sum += own;
                }
                if unresolved { sum } else { power.sqrt() }
            }
            Self::Recovery { ring_hz, ring_q } => {
                1e4 * (150e3 / frequency_hz) * ringing(frequency_hz, *ring_hz, *ring_q).clamp(0.3, 30.0)
            }
            Self::Contact { .. } => 1e4 * (150e3 / frequency_hz).sqrt(),
            Self::Brushes { .. } => 1e4 * (150e3 / frequency_hz).powf(0.7),
            Self::Carriers { frequency_hz: all, .. } => {
                all.iter().map(|c| (1e4 * gauss(frequency_hz - c, b)).powi(2)).sum::<f64>().sqrt()
            }
        }
    }
}

impl Device {
    /// Power at a frequency over all ways, (µV)² or (µV/m)².
    pub(super) fn power(&self, frequency_hz: f64, cables: &[Cable], range: &Range) -> f64 {
        self.ways.iter().map(|(w, _)| self.power_by(frequency_hz, w, cables, range)).sum()
    }

    /// Power by one way.
    pub(super) fn power_by(&self, frequency_hz: f64, way: &Way, cables: &[Cable], range: &Range) -> f64 {
        let Some((_, share)) = self.ways.iter().find(|w| w.0 == *way) else { return 0.0 };
        let amplitude = self.emitter.amplitude(frequency_hz, range) * share * 10f64.powf(self.gain_db / 20.0);
        let transfer = match (way, range.radiated) {
            // Capacitance to earth: the current rises with frequency until the cable's own impedance limits it.
            (Way::Cable(name), radiated) => {
                let rise = frequency_hz / (frequency_hz + 30e6);
                match cables.iter().find(|c| c.name == *name) {
                    Some(c) if radiated => rise * c.resonance(frequency_hz) * c.field_of_current(frequency_hz),
                    Some(c) if c.name == "mains" => 10.0 * rise,
                    // What leaves by another cable returns over the mains network.
                    Some(_) => 5.0 * rise,
                    None => 0.0,
                }
            }
            // Capacitors between the conductors short it, less so above their own resonance near a megahertz.
            (Way::Differential, false) => 1e6 / (frequency_hz + 1e6) + 0.1,
            (Way::Differential, true) => 0.0,
            (Way::Direct, true) => (frequency_hz / 300e6).powi(2),
            (Way::Direct, false) => 0.001,
            (Way::Outside, _) => 1.0,
        };
        (amplitude * transfer).powi(2)
    }

    pub(super) fn ways(&self) -> Vec<(Way, Path)> {
        let path = |w: &Way| match w {
            Way::Cable(c) => Path::Cable(c.clone()),
            Way::Differential => Path::MainsDifferential,
            Way::Direct => Path::Direct,
            Way::Outside => Path::Outside,
        };
        self.ways.iter().map(|(w, _)| (w.clone(), path(w))).collect()
    }

    /// The same with edges so many times as slow.
    pub(super) fn with_slower_edges(&self, times: f64) -> Self {
        let mut slower = self.clone();
        if let Emitter::Switched { wave, .. } = &mut slower.emitter {
            wave.edge_s *= times;
        }
        slower
    }

    /// Frequencies among which its highest level is.
    pub(super) fn where_strong(&self, range: &Range) -> Vec<f64> {
        match &self.emitter {
            Emitter::Switched { wave, .. } => {
                let first = (range.from_hz / wave.frequency_hz).ceil().max(1.0);
                let last = (range.to_hz / wave.frequency_hz).floor();
                (0..=(last - first).max(0.0) as usize).map(|k| (first + k as f64) * wave.frequency_hz).collect()
            }
            Emitter::Carriers { frequency_hz, .. } => frequency_hz.clone(),
            _ => (0..200).map(|i| range.from_hz * (range.to_hz / range.from_hz).powf(f64::from(i) / 199.0)).collect(),
        }
    }
}

fn source(name: String, kind: SourceKind, frequency_hz: f64) -> Source {
    Source { name, kind, frequency_hz, relative_tolerance: None, duty: None, rise_time_s: None }
}

fn maker(name: &str, kind: MakerKind, source: Option<Source>) -> Maker {
    Maker { name: name.to_owned(), kind, source, function: None }
}

/// Devices of a product and its surroundings.
pub(super) fn draw(cables: &[Cable], range: &Range, random: &mut Random) -> Vec<Device> {
    let mut devices = Vec::new();
    let ways = |random: &mut Random, differential: f64| {
        let mut ways: Vec<(Way, f64)> =
            cables.iter().map(|c| (Way::Cable(c.name.clone()), random.log_between(0.03, 1.0))).collect();
        ways.push((Way::Direct, random.log_between(0.03, 1.0)));
        ways.push((Way::Differential, differential * random.log_between(0.3, 3.0)));
        ways
    };
    let steady = |random: &mut Random| [0.0; 3].map(|_: f64| 0.5 * random.normal());
    for k in 0..=random.below(3) {
        let nominal = [8e6, 12e6, 16e6, 24e6, 25e6, 26e6, 32e6, 40e6, 48e6, 50e6][random.below(10)];
        let name = format!("clock {}", k + 1);
        devices.push(Device {
            kind: MakerKind::Clock,
            maker: Some(maker(&name, MakerKind::Clock, Some(source(name.clone(), SourceKind::Clock, nominal)))),
            gain_db: 0.0,
            by_mode_db: steady(random),
            by_load_db: 0.0,
            moves_with_load: false,
            emitter: Emitter::Switched {
                wave: Trapezoid {
                    amplitude_v: 3.3,
                    frequency_hz: nominal * (1.0 + 40e-6 * random.between(-1.0, 1.0)),
                    duty: random.between(0.42, 0.58),
                    edge_s: random.log_between(0.5e-9, 4e-9),
                },
                ring_hz: random.log_between(80e6, 600e6),
                ring_q: random.between(0.7, 3.0),
                ripple: 0.0,
                wander: 0.0,
            },
            ways: ways(random, 0.01),
        });
    }
    for k in 0..=random.below(3) {
        let actual = random.log_between(60e3, 1.5e6);
        // The schematic says what the data sheet says.
        let nominal = (actual / (1.0 + 0.05 * random.normal()).clamp(0.87, 1.13) / 1e3).round() * 1e3;
        let name = format!("converter {}", k + 1);
        // A converter on the rectified mains sees its ripple; one on a regulated rail hardly.
        let ripple = if random.chance(0.5) { random.between(0.02, 0.25) } else { 0.0 };
        let load = random.between(2.0, 8.0);
        devices.push(Device {
            kind: MakerKind::Converter,
            maker: Some(maker(&name, MakerKind::Converter, Some(source(name.clone(), SourceKind::Converter, nominal)))),
            gain_db: 0.0,
            by_mode_db: [0.0, -random.between(0.0, load), -random.between(0.0, 2.0 * load)],
            by_load_db: -load,
            moves_with_load: random.chance(0.5),
            emitter: Emitter::Switched {
                wave: Trapezoid {
                    amplitude_v: random.log_between(12.0, 400.0),
                    frequency_hz: actual,
                    duty: random.between(0.15, 0.55),
                    edge_s: random.log_between(8e-9, 80e-9),
                },
                ring_hz: random.log_between(4e6, 80e6),
                ring_q: random.between(1.0, 12.0),
                ripple,
                wander: if ripple > 0.0 && random.chance(0.4) { random.log_between(1e-4, 5e-3) } else { 0.0 },
            },
            ways: ways(random, 1.0),
        });
    }
    let load = random.between(2.0, 8.0);
    devices.push(Device {
        kind: MakerKind::Rectifier,
        maker: Some(maker("mains rectifier", MakerKind::Rectifier, None)),
        gain_db: 0.0,
        by_mode_db: [0.0, -random.between(0.0, load), -load],
        by_load_db: 0.0,
        moves_with_load: false,
        emitter: Emitter::Recovery { ring_hz: random.log_between(300e3, 20e6), ring_q: random.between(1.0, 5.0) },
        ways: ways(random, 1.0),
    });
    let emitter = if random.chance(0.5) {
        Emitter::Contact { rate_hz: random.log_between(8.0, 100.0), length_s: random.log_between(1e-4, 5e-3) }
    } else {
        Emitter::Brushes { rate_hz: random.log_between(200.0, 1500.0) }
    };
    // The motor or relay works in some operating modes only.
    let idle = |random: &mut Random| if random.chance(0.7) { -40.0 } else { 0.0 };
    devices.push(Device {
        kind: MakerKind::Contact,
        maker: Some(maker("contacts and brushes", MakerKind::Contact, None)),
        gain_db: 0.0,
        by_mode_db: [0.0, idle(random), idle(random)],
        by_load_db: 0.0,
        moves_with_load: false,
        emitter,
        ways: ways(random, 0.5),
    });
    if random.chance(0.4) {
        devices.push(Device {
            kind: MakerKind::UnknownOscillator,
            maker: None,
            gain_db: 0.0,
            by_mode_db: steady(random),
            by_load_db: 0.0,
            moves_with_load: false,
            emitter: Emitter::Switched {
                wave: Trapezoid {
                    amplitude_v: 5.0,
                    frequency_hz: random.log_between(3.0 * range.bandwidth_hz, 40e6),
                    duty: random.between(0.2, 0.6),
                    edge_s: random.log_between(1e-9, 40e-9),
                },
                ring_hz: random.log_between(20e6, 300e6),
                ring_q: random.between(0.7, 5.0),
                ripple: 0.0,
                wander: 0.0,
            },
            ways: ways(random, 0.1),
        });
    }
    devices.push(surroundings(range, random));
    devices
}

fn surroundings(range: &Range, random: &mut Random) -> Device {
    // Broadcast stations on a raster of 9 kHz below 30 MHz, of 100 kHz above; data links keyed in slots. One in five is
    // none of the well-known services.
    let raster = if range.radiated { 100e3 } else { 9e3 };
    let services: &[(f64, f64)] = if range.radiated {
        &[(87.5e6, 108e6), (87.5e6, 108e6), (118e6, 136e6), (156e6, 162e6), (174e6, 230e6), (380e6, 395e6)]
    } else {
        &[
            (153e3, 279e3),
            (531e3, 1602e3),
            (531e3, 1602e3),
            (5.9e6, 6.2e6),
            (7.2e6, 7.4e6),
            (9.4e6, 9.9e6),
            (15.1e6, 15.8e6),
        ]
    };
    let frequency_hz = (0..=random.below(8))
        .map(|_| {
            let (from, to) = services[random.below(services.len())];
            let anywhere = random.chance(0.2);
            let f = if anywhere {
                random.log_between(1.05 * range.from_hz, 0.95 * range.to_hz)
            } else {
                random.between(from, to)
            };
            (f / raster).round() * raster
        })
        .collect();
    let keyed = random.chance(0.35);
    Device {
        kind: MakerKind::Ambient,
        maker: None,
        gain_db: 0.0,
        by_mode_db: [0.0; 3].map(|_: f64| 1.5 * random.normal()),
        by_load_db: 0.0,
        moves_with_load: false,
        emitter: Emitter::Carriers {
            frequency_hz,
            depth: if range.radiated { 0.0 } else { random.between(0.2, 0.7) },
            slot_s: keyed.then(|| random.log_between(4e-3, 40e-3)),
        },
        ways: vec![(Way::Outside, 1.0)],
    }
}

/// The envelope behind a Gaussian filter at a frequency, µV r.m.s., four samples a bandwidth.
pub(super) fn envelope(
    devices: &[Device],
    frequency_hz: f64,
    seconds: f64,
    cables: &[Cable],
    range: &Range,
    random: &mut Random,
) -> Vec<f64> {
    let rate = 4.0 * range.bandwidth_hz;
    let count = (seconds * rate) as usize;
    let (mut re, mut im) = (vec![0.0; count], vec![0.0; count]);
    // Noise: independent samples through a filter of one pole; its peak reading over the record is the floor.
    let noise = 10f64.powf(range.floor_db / 20.0) / 3.2;
    let (mut nr, mut ni) = (0.0, 0.0);
    let keep: f64 = (-1.5f64).exp();
    for i in 0..count {
        nr = keep * nr + (1.0 - keep * keep).sqrt() * random.normal();
        ni = keep * ni + (1.0 - keep * keep).sqrt() * random.normal();
        re[i] += noise * nr * std::f64::consts::FRAC_1_SQRT_2;
        im[i] += noise * ni * std::f64::consts::FRAC_1_SQRT_2;
    }
    for d in devices {
        let amplitude = d.power(frequency_hz, cables, range).sqrt();
        if amplitude < 0.05 * noise {
            continue;
        }
        d.emitter.add_to(&mut re, &mut im, amplitude, frequency_hz, rate, range, random);
    }
    re.iter().zip(&im).map(|(a, b)| a.hypot(*b)).collect()
}

impl Emitter {
    /// Adds its complex envelope, whose highest value is `amplitude`.
    #[expect(clippy::too_many_arguments, reason = "one signal, its two parts and what it is sampled with")]
    fn add_to(
        &self,
        re: &mut [f64],
        im: &mut [f64],
        amplitude: f64,
        frequency_hz: f64,
        rate: f64,
        range: &Range,
        random: &mut Random,
    ) {
        let phase = TAU * random.unit();
        let mains = TAU * random.unit();
        match self {
            Self::Switched { wave, ripple, wander, .. } => {
                if wave.frequency_hz < range.bandwidth_hz {
                    // Two edges a period, each answered by the filter on its own.
                    let mut at = random.unit() / wave.frequency_hz;
                    while at * rate < re.len() as f64 {
                        let swing = (TAU * 100.0 * at + mains).sin();
                        let height = amplitude * (1.0 - ripple * (1.0 - swing) / 2.0);
                        let turn = TAU * frequency_hz * at;
                        pulse(re, im, at, height, -turn, rate, range);
                        at += (1.0 + wander * swing) / wave.frequency_hz;
                    }
                    return;
                }
                let n = (frequency_hz / wave.frequency_hz).round().max(1.0);
                let line = n * wave.frequency_hz;
                let nearest = gauss(((frequency_hz - line).abs() - wander * line).max(0.0), range.bandwidth_hz);
                let mut turn = phase;
                for i in 0..re.len() {
                    let swing = (TAU * 100.0 * i as f64 / rate + mains).sin();
                    let off = line * (1.0 + wander * swing) - frequency_hz;
                    turn += TAU * off / rate;
                    let a = amplitude * (1.0 - ripple * (1.0 - swing) / 2.0) * gauss(off, range.bandwidth_hz)
                        / nearest.max(1e-6);
                    re[i] += a * turn.cos();
                    im[i] += a * turn.sin();
                }
            }
            Self::Recovery { .. } => {
                let mut at = random.unit() * 0.01;
                while at * rate < re.len() as f64 {
                    pulse(re, im, at, amplitude, TAU * random.unit(), rate, range);
                    at += 0.01 + 20e-6 * random.normal();
                }
            }
            Self::Brushes { rate_hz } => {
                let mut at = random.unit() / rate_hz;
                while at * rate < re.len() as f64 {
                    pulse(re, im, at, amplitude * random.between(0.2, 1.0), TAU * random.unit(), rate, range);
                    at += (1.0 + 0.05 * random.normal()) / rate_hz;
                }
            }
            Self::Contact { rate_hz, length_s } => {
                let mut at = 0.0;
                loop {
                    at += -random.unit().max(1e-9).ln() / rate_hz;
                    if at * rate >= re.len() as f64 {
                        break;
                    }
                    let height = amplitude * random.between(0.4, 1.0);
                    // A shower of re-ignitions.
                    for _ in 0..(length_s * 20e3).clamp(2.0, 60.0) as usize {
                        let when = at + length_s * random.unit();
                        pulse(re, im, when, height * random.between(0.3, 1.0), TAU * random.unit(), rate, range);
                    }
                }
            }
            Self::Carriers { depth, slot_s, .. } => {
                let (mut speech, mut on) = (0.0, true);
                let slot = slot_s.map(|s| (s * rate) as usize);
                for i in 0..re.len() {
                    if slot.is_some_and(|s| i % s.max(1) == 0) {
                        on = random.chance(0.5);
                    }
                    speech = 0.95 * speech + 0.31 * random.normal();
                    let a =
                        amplitude / (1.0 + depth) * (1.0 + depth * speech.clamp(-1.0, 1.0)) * f64::from(u8::from(on));
                    re[i] += a * phase.cos();
                    im[i] += a * phase.sin();
                }
            }
        }
    }
}

/// The filter's answer to one pulse: a Gaussian in time whose width belongs to the bandwidth.
fn pulse(re: &mut [f64], im: &mut [f64], at_s: f64, amplitude: f64, phase: f64, rate: f64, range: &Range) {
    // exp(−(f/s)²) with half at B/2 has s = B/(2√ln 2); its transform is exp(−(π s t)²).
    let s = range.bandwidth_hz / (2.0 * std::f64::consts::LN_2.sqrt());
    let middle = at_s * rate;
    let reach = (rate / s).ceil() as i64;
    for k in -reach..=reach {
        let i = middle as i64 + k;
        if i < 0 || i as usize >= re.len() {
            continue;
        }
        let t = (i as f64 - middle) / rate;
        let a = amplitude * (-(PI * s * t).powi(2)).exp();
        re[i as usize] += a * phase.cos();
        im[i as usize] += a * phase.sin();
    }
}

/// Peak, quasi-peak and average of an envelope, dB. Quasi-peak: charged with 1 ms, discharged with 160 ms (band B) or 550 ms
/// (C), the highest reading without the meter (CISPR 16-1-1).
pub(super) fn detectors(envelope: &[f64], rate: f64, band: Band) -> Readings {
    let discharge_s = if band == Band::B { 0.16 } else { 0.55 };
    let (mut charge, mut quasi, mut peak, mut sum) = (0.0f64, 0.0f64, 0.0f64, 0.0);
    // Twice through: the first time settles the capacitor.
    for round in 0..2 {
        for e in envelope {
            if *e > charge {
                charge += (e - charge) / (1e-3 * rate);
            }
            charge -= charge / (discharge_s * rate);
            if round == 1 {
                quasi = quasi.max(charge);
                peak = peak.max(*e);
                sum += e;
            }
        }
    }
    let db = |v: f64| Some(20.0 * v.max(1e-9).log10());
    Readings {
        peak_db: db(peak),
        quasi_peak_db: db(quasi.min(peak)),
        average_db: db(sum / envelope.len().max(1) as f64),
        rms_db: None,
    }
}
