//! Records made from a description, and a source that hands them out.
#![allow(dead_code, unreachable_pub)] // each test binary uses its own share

use std::f64::consts::TAU;
use std::ops::ControlFlow;

use receiver::{Levels, ReceiverError, Settings};
use serde_json::Value;
use signal::{Block, SampleSlice, SampleSource, SourceError};

/// The samples of a source in one of the formats.
pub enum Samples {
    U8(Vec<u8>),
    I8(Vec<i8>),
    I16(Vec<i16>),
    I32(Vec<i32>),
    F32(Vec<f32>),
    F64(Vec<f64>),
}

/// A record in memory, handed out in blocks of an awkward length.
pub struct Memory {
    pub samples: Samples,
    pub channels: usize,
    pub complex: bool,
    pub block_frames: usize,
    at: usize,
}

impl Memory {
    pub fn new(samples: Samples) -> Self {
        Self { samples, channels: 1, complex: false, block_frames: 10_007, at: 0 }
    }

    fn numbers(&self) -> usize {
        match &self.samples {
            Samples::U8(s) => s.len(),
            Samples::I8(s) => s.len(),
            Samples::I16(s) => s.len(),
            Samples::I32(s) => s.len(),
            Samples::F32(s) => s.len(),
            Samples::F64(s) => s.len(),
        }
    }

    fn per_frame(&self) -> usize {
        self.channels * if self.complex { 2 } else { 1 }
    }
}

impl SampleSource for Memory {
    fn next_block(&mut self) -> Result<Option<Block<'_>>, SourceError> {
        let start = self.at;
        let end = (start + self.block_frames * self.per_frame()).min(self.numbers());
        if start == end {
            return Ok(None);
        }
        self.at = end;
        let samples = match &self.samples {
            Samples::U8(s) => SampleSlice::U8(&s[start..end]),
            Samples::I8(s) => SampleSlice::I8(&s[start..end]),
            Samples::I16(s) => SampleSlice::I16(&s[start..end]),
            Samples::I32(s) => SampleSlice::I32(&s[start..end]),
            Samples::F32(s) => SampleSlice::F32(&s[start..end]),
            Samples::F64(s) => SampleSlice::F64(&s[start..end]),
        };
        Ok(Some(Block { samples, channels: self.channels, complex: self.complex }))
    }

    fn rewind(&mut self) -> Result<(), SourceError> {
        self.at = 0;
        Ok(())
    }

    fn frames(&self) -> Option<u64> {
        Some((self.numbers() / self.per_frame()) as u64)
    }
}

pub fn measure(samples: Samples, settings: &Settings) -> Result<Levels, ReceiverError> {
    receiver::receive(&mut Memory::new(samples), settings, &mut |_| ControlFlow::Continue(()))
}

pub fn volts(level_dbuv: f64) -> f64 {
    1e-6 * 10f64.powf(level_dbuv / 20.0)
}

pub fn sine(rate_hz: f64, seconds: f64, f_hz: f64, level_dbuv: f64) -> Vec<f64> {
    let a = 2f64.sqrt() * volts(level_dbuv);
    (0..(rate_hz * seconds).round() as usize).map(|n| a * (TAU * (f_hz / rate_hz * n as f64).fract()).cos()).collect()
}

pub fn to_f32(x: &[f64]) -> Samples {
    Samples::F32(x.iter().map(|x| *x as f32).collect())
}

fn splitmix64(i: u64) -> u64 {
    let z = i.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

pub fn gauss(seed: u64, n: u64) -> f64 {
    let i = (n << 1).wrapping_add(seed << 40).wrapping_add(1);
    let u1 = ((splitmix64(i) >> 11) as f64 + 1.0) / 2f64.powi(53);
    let u2 = (splitmix64(i + 1) >> 11) as f64 / 2f64.powi(53);
    (-2.0 * u1.ln()).sqrt() * (TAU * u2).cos()
}

/// A record described in `tests/data/records.json`, V.
pub fn make(record: &Value) -> Vec<f32> {
    let rate = record["rate_hz"].as_f64().unwrap();
    let total = (record["seconds"].as_f64().unwrap() * rate).round() as usize;
    let mut x = vec![0.0_f64; total];
    for p in record["parts"].as_array().unwrap() {
        let get = |key: &str| p[key].as_f64().unwrap_or(0.0);
        let events = || {
            let mut out = Vec::new();
            loop {
                let n = ((get("first_s") + out.len() as f64 / get("rate_hz")) * rate).round() as usize;
                if n >= total || (get("count") > 0.0 && out.len() as f64 >= get("count")) {
                    return out;
                }
                out.push(n);
            }
        };
        let a = 2f64.sqrt() * volts(get("level_dbuv"));
        let cycles = |c: f64| (TAU * c.rem_euclid(1.0)).cos();
        let mut add = |f: &dyn Fn(f64) -> f64| {
            for (n, x) in x.iter_mut().enumerate() {
                *x += f(n as f64 / rate);
            }
        };
        match p["kind"].as_str().unwrap() {
            "sine" => add(&|t| a * cycles(get("f_hz") * t + get("phase_rad") / TAU)),
            "am" => {
                add(&|t| a * (1.0 + get("depth") * (TAU * get("mod_hz") * t).cos()) * cycles(get("f_hz") * t));
            }
            "drift" => add(&|t| a * cycles(get("f_hz") * t + 0.5 * get("slope_hz_per_s") * t * t)),
            "bursts" => add(&|t| {
                let (u, on, e) = ((t - get("first_s")).rem_euclid(get("period_s")), get("on_s"), get("edge_s"));
                if u >= on || t < get("first_s") {
                    return 0.0;
                }
                let edge = |u: f64| if u < e { 0.5 - 0.5 * (TAU / 2.0 * u / e).cos() } else { 1.0 };
                a * edge(u) * edge(on - u) * cycles(get("f_hz") * t)
            }),
            "pulses" => {
                for (k, n) in events().into_iter().enumerate() {
                    let sign = if p["alternate"].as_bool() == Some(true) && k % 2 == 1 { -1.0 } else { 1.0 };
                    x[n] += sign * get("area_vs") * rate;
                }
            }
            "ringing" => {
                for n in events() {
                    for (u, x) in x[n..].iter_mut().take((14.0 * get("tau_s") * rate) as usize).enumerate() {
                        let u = u as f64 / rate;
                        *x += get("peak_v") * (-u / get("tau_s")).exp() * (TAU * get("f_hz") * u).sin();
                    }
                }
            }
            "noise" => {
                let s = volts(get("density_dbuv_per_rthz")) * (rate / 2.0).sqrt();
                for (n, x) in x.iter_mut().enumerate() {
                    *x += s * gauss(p["seed"].as_u64().unwrap(), n as u64);
                }
            }
            other => panic!("unknown part `{other}`"),
        }
    }
    x.into_iter().map(|x| x as f32).collect()
}
