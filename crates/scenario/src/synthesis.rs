use std::f64::consts::TAU;
use std::ops::ControlFlow;

use num_complex::Complex64;
use quantity::{db_to_amplitude, dbuv_to_volts};

use crate::chain::mains_correction_db;
use crate::random::Random;
use crate::supply::Design;
use crate::truth::{CARRIERS, Carrier};
use crate::{CaptureSpec, Kind};

/// Samples in a block.
pub const BLOCK_LENGTH: usize = 4096;
/// Volts at the receiver input of one count of the 14-bit converter of ±100 mV.
pub const VOLTS_PER_UNIT: f64 = 0.1 / 8192.0;

/// Largest count of the converter, and its negative, whose excess by one is not used.
const FULL_SCALE: f32 = 8191.0;
/// Noise of receiver input and converter, V/√Hz: 40 µV over 31.25 MHz, about −1 dBµV in 9 kHz.
const NOISE_V_PER_ROOT_HZ: f64 = 7.2e-9;
/// The anti-alias filter passes up to this part of the sampling rate.
const PASSED: f64 = 0.492;
/// Lines above this frequency are outside the chain's calibration and are left away.
const HIGHEST_HZ: f64 = 30e6;

/// Mains frequency of the place, Hz.
const MAINS_HZ: f64 = 50.0;
/// The bulk capacitor's ripple moves the converter's frequency by this part up and down, twice a mains period.
const SPREAD: f64 = 60e-6;
/// Besides, the frequency wanders by this part from one millisecond to the next.
const JITTER: f64 = 5e-6;
/// Points in a drawn period of the converter. The shortest wave in it, multiple 227, has 289 points, so that straight
/// lines between them are wrong by (2π/289)²/8, 85 dB below that multiple.
const PERIOD_POINTS: usize = 1 << 16;
/// Samples between two updates of slow things (frequency of the converter, envelope of a transmitter).
const SLOW_STEP: usize = 64;

/// A ringing pulse at the port: amplitude·sin(2πft)·e^{−t/τ}.
#[derive(Debug, Clone, Copy)]
struct Ring {
    first_sample: u64,
    state: Complex64,
    turn: Complex64,
}

/// A line of constant or slowly modulated amplitude.
#[derive(Debug, Clone)]
struct Tone {
    state: Complex64,
    frequency_hz: f64,
    depth: f64,
    audio_hz: f64,
}

/// A capture being synthesised, block by block: volts at the receiver input.
#[derive(Debug, Clone)]
pub struct Synthesis {
    rate_hz: f64,
    frames: u64,
    done: u64,
    random: Random,
    /// One period of the converter at the receiver input, V, with the first point repeated at the end.
    period: Vec<f32>,
    /// Phase of the converter: the whole range of the integer is one period.
    phase: u64,
    converter_hz: f64,
    wander: f64,
    tones: Vec<Tone>,
    /// Pulses still to come and still ringing, the earliest first.
    rings: Vec<Ring>,
}

impl Synthesis {
    /// Begins a record of so many seconds at a rate in Hz. Lines above 0.492 of the rate are left away, as by an
    /// anti-alias filter.
    pub fn new(kind: Kind, seconds: f64, rate_hz: f64) -> Self {
        let design = Design::of(kind);
        let mut random = Random::new(kind.seed);
        let highest_hz = (PASSED * rate_hz).min(HIGHEST_HZ);
        let mut tones = Vec::new();
        for n in 1.. {
            let f = f64::from(n) * design.clock.frequency_hz;
            if f > highest_hz {
                break;
            }
            let turn = Complex64::cis(random.between(0.0, TAU));
            let state = design.clock_at_port(n) * turn * at_receiver(f);
            tones.push(Tone { state, frequency_hz: f, depth: 0.0, audio_hz: 0.0 });
        }
        for &Carrier { frequency_hz, level_dbuv, depth, audio_hz } in CARRIERS {
            let amplitude = dbuv_to_volts(level_dbuv) * std::f64::consts::SQRT_2 * at_receiver(frequency_hz);
            let state = Complex64::from_polar(amplitude, random.between(0.0, TAU));
            if frequency_hz <= highest_hz {
                tones.push(Tone { state, frequency_hz, depth, audio_hz });
            }
        }
        let mut rings = rectifier(&mut random, seconds, rate_hz);
        rings.extend(relay(&mut random, seconds, rate_hz));
        rings.sort_by_key(|r| r.first_sample);
        Self {
            rate_hz,
            frames: (seconds * rate_hz).round() as u64,
            done: 0,
            period: converter_period(&design, kind, highest_hz),
            phase: random.bits(),
            converter_hz: design.drain.frequency_hz,
            wander: 0.0,
            tones,
            rings,
            random,
        }
    }

    /// Samples in the record.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Writes the next samples, volts, to the beginning of `block` and says how many; 0 at the end.
    pub fn next_block(&mut self, block: &mut [f32; BLOCK_LENGTH]) -> usize {
        let n = (self.frames - self.done).min(BLOCK_LENGTH as u64) as usize;
        let block = &mut block[..n];
        self.add_noise(block);
        self.add_converter(block);
        self.add_tones(block);
        self.add_rings(block);
        self.done += n as u64;
        n
    }

    /// Sets the block to the noise of the receiver's input.
    fn add_noise(&mut self, block: &mut [f32]) {
        let sigma = (NOISE_V_PER_ROOT_HZ * (self.rate_hz / 2.0).sqrt()) as f32;
        for v in block {
            *v = sigma * self.random.normal();
        }
    }

    fn add_converter(&mut self, block: &mut [f32]) {
        const WHOLE: f64 = 18_446_744_073_709_551_616.0;
        const SHIFT: u32 = 64 - PERIOD_POINTS.trailing_zeros();
        for (k, chunk) in block.chunks_mut(SLOW_STEP).enumerate() {
            let sample = self.done + (k * SLOW_STEP) as u64;
            let time_s = sample as f64 / self.rate_hz;
            if sample % ((self.rate_hz * 1e-3) as u64).max(1) < SLOW_STEP as u64 {
                self.wander = JITTER * self.random.between(-1.0, 1.0);
            }
            let part = 1.0 + SPREAD * (2.0 * TAU * MAINS_HZ * time_s).sin() + self.wander;
            let step = (self.converter_hz * part / self.rate_hz * WHOLE) as u64;
            for v in chunk {
                let index = (self.phase >> SHIFT) as usize;
                let rest = ((self.phase << (64 - SHIFT)) >> 40) as f32 * (1.0 / 16_777_216.0);
                let (a, b) = (self.period[index], self.period[index + 1]);
                *v += a + rest * (b - a);
                self.phase = self.phase.wrapping_add(step);
            }
        }
    }

    fn add_tones(&mut self, block: &mut [f32]) {
        const LANES: usize = 8;
        for tone in &mut self.tones {
            let turn = Complex64::cis(TAU * tone.frequency_hz / self.rate_hz);
            let leap = Complex64::cis(TAU * (tone.frequency_hz * LANES as f64 / self.rate_hz).fract());
            let magnitude = tone.state.norm();
            for (k, chunk) in block.chunks_mut(SLOW_STEP).enumerate() {
                let time_s = (self.done + (k * SLOW_STEP) as u64) as f64 / self.rate_hz;
                let envelope = 1.0 + tone.depth * (TAU * tone.audio_hz * time_s).sin();
                // Eight phasors side by side, each leaping eight samples: independent, so that the processor can work on
                // them at once.
                let (mut re, mut im) = ([0f64; LANES], [0f64; LANES]);
                let mut z = tone.state;
                for lane in 0..LANES {
                    (re[lane], im[lane]) = (z.re * envelope, z.im * envelope);
                    z *= turn;
                }
                let mut groups = chunk.chunks_exact_mut(LANES);
                for group in &mut groups {
                    for lane in 0..LANES {
                        group[lane] += re[lane] as f32;
                        let next = re[lane] * leap.re - im[lane] * leap.im;
                        im[lane] = re[lane] * leap.im + im[lane] * leap.re;
                        re[lane] = next;
                    }
                }
                for (v, re) in groups.into_remainder().iter_mut().zip(re) {
                    *v += re as f32;
                }
                tone.state *= Complex64::cis(TAU * (tone.frequency_hz * chunk.len() as f64 / self.rate_hz).fract());
            }
            // Rounding changes the length of a phasor by about 1e-16 a step: set it right once a block.
            tone.state *= magnitude / tone.state.norm();
        }
    }

    fn add_rings(&mut self, block: &mut [f32]) {
        /// Below this a pulse has died away, V: a thousandth of a count.
        const SILENT_V: f64 = 1e-8;
        let end = self.done + block.len() as u64;
        for ring in self.rings.iter_mut().take_while(|r| r.first_sample < end) {
            let from = ring.first_sample.saturating_sub(self.done) as usize;
            for (k, v) in block[from..].iter_mut().enumerate() {
                *v += ring.state.im as f32;
                ring.state *= ring.turn;
                if k % 64 == 0 && ring.state.norm() < SILENT_V {
                    ring.state = Complex64::ZERO;
                    break;
                }
            }
        }
        self.rings.retain(|r| r.state != Complex64::ZERO);
    }
}

/// What the chain leaves of a voltage at the port.
fn at_receiver(frequency_hz: f64) -> f64 {
    db_to_amplitude(-mains_correction_db(frequency_hz))
}

/// One period of everything the converter leaves at the receiver input.
fn converter_period(design: &Design, kind: Kind, highest_hz: f64) -> Vec<f32> {
    let cosine: Vec<f64> = (0..PERIOD_POINTS).map(|k| (TAU * k as f64 / PERIOD_POINTS as f64).cos()).collect();
    let mut sum = vec![0f64; PERIOD_POINTS];
    for n in 1.. {
        let f = f64::from(n) * design.drain.frequency_hz;
        if f > highest_hz {
            break;
        }
        // The fundamental lies below 150 kHz but within the tables, which begin at 9 kHz.
        let z = design.converter(n, kind.conductor) * at_receiver(f);
        for (k, v) in sum.iter_mut().enumerate() {
            let index = (n as usize * k) % PERIOD_POINTS;
            // Re(z·e^{jx}) = re·cos x − im·sin x, and sin x is the cosine a quarter of a period earlier.
            let sine = cosine[(index + 3 * PERIOD_POINTS / 4) % PERIOD_POINTS];
            *v += z.re * cosine[index] - z.im * sine;
        }
    }
    sum.push(sum[0]);
    sum.into_iter().map(|v| v as f32).collect()
}

fn ring(time_s: f64, rate_hz: f64, port_v: f64, frequency_hz: f64, decay_s: f64) -> Ring {
    // The pulse begins between two samples; the phase at the first sample after makes up for it.
    let first_sample = (time_s * rate_hz).ceil();
    let late_s = first_sample / rate_hz - time_s;
    let slope = Complex64::new(-1.0 / decay_s, TAU * frequency_hz);
    Ring {
        first_sample: first_sample as u64,
        state: port_v * at_receiver(frequency_hz) * (slope * late_s).exp(),
        turn: (slope / rate_hz).exp(),
    }
}

/// Pulses of the mains rectifier: twice a mains period, when the diodes let go, the charge stored in them ends suddenly
/// and rings in the leakage inductance and the diodes' capacitance.
fn rectifier(random: &mut Random, seconds: f64, rate_hz: f64) -> Vec<Ring> {
    let start_s = random.between(0.5e-3, 9.5e-3);
    let count = ((seconds - start_s) * 2.0 * MAINS_HZ).ceil().max(0.0) as u32;
    (0..count)
        .map(|k| {
            let time_s = start_s + f64::from(k) / (2.0 * MAINS_HZ) + random.between(0.0, 10e-6);
            ring(time_s, rate_hz, 0.9e-3 * random.between(0.95, 1.05), 310e3, 12e-6)
        })
        .collect()
}

/// One opening of the relay under load, in the middle part of the record: a shower of arcs. The contact gap opens at a
/// steady speed, so the voltage at which it breaks down rises; each breakdown rings in the wiring (here at 9.1 and
/// 13.6 MHz), then the load's inductance charges the stray capacitance again, which takes longer the higher the
/// voltage has to go. (Mechanism: textbook, from memory; sizes invented.)
fn relay(random: &mut Random, seconds: f64, rate_hz: f64) -> Vec<Ring> {
    let mut rings = Vec::new();
    let opens_s = seconds * random.between(0.3, 0.6);
    let mut after_s = 0.05e-3f64;
    while after_s < 3e-3 {
        let volts = 0.19 * (after_s / 3e-3).sqrt() * random.between(0.7, 1.0);
        let time_s = opens_s + after_s;
        rings.push(ring(time_s, rate_hz, volts, 9.1e6, 1.2e-6));
        rings.push(ring(time_s, rate_hz, 0.5 * volts, 13.6e6, 0.8e-6));
        after_s += (0.1e-3 + 0.3 * after_s) * random.between(0.6, 1.4);
    }
    rings.retain(|r| (r.first_sample as f64) < seconds * rate_hz);
    rings
}

/// Makes the samples of a capture in counts of `volts_per_unit`, block after block, clipped as the 14-bit converter
/// clips. Stops early where the sink breaks.
pub fn synthesise(spec: &CaptureSpec, sink: &mut dyn FnMut(&[i16]) -> ControlFlow<()>) -> ControlFlow<()> {
    let mut synthesis = Synthesis::new(spec.kind, spec.seconds, spec.rate_hz);
    let mut block = [0f32; BLOCK_LENGTH];
    let mut counts = [0i16; BLOCK_LENGTH];
    let per_volt = (1.0 / spec.volts_per_unit) as f32;
    loop {
        let n = synthesis.next_block(&mut block);
        if n == 0 {
            return ControlFlow::Continue(());
        }
        for (count, v) in counts[..n].iter_mut().zip(&block) {
            *count = (v * per_volt).round_ties_even().clamp(-FULL_SCALE, FULL_SCALE) as i16;
        }
        sink(&counts[..n])?;
    }
}
