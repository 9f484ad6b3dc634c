use std::collections::VecDeque;
use std::time::{Duration, Instant};

use signal::random::Random;

use super::scpi_words::is;
use super::{Fault, FaultPlan};
use crate::scpi::number;

/// What the simulated instrument is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SimulatedKind {
    /// A spectrum analyser.
    Analyser,
    /// An oscilloscope of two channels.
    Scope,
}

/// How it behaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimulatedSettings {
    /// What it is.
    pub kind: SimulatedKind,
    /// How it misbehaves.
    pub fault: Option<FaultPlan>,
    /// It says that its input is overloaded.
    pub overload: bool,
    /// How long a sweep or an acquisition takes.
    pub sweep: Duration,
    /// Seed of its noise.
    pub seed: u64,
}

impl SimulatedSettings {
    /// A well-behaved one with quick sweeps.
    pub fn new(kind: SimulatedKind) -> Self {
        Self { kind, fault: None, overload: false, sweep: Duration::from_millis(10), seed: 1 }
    }
}

/// An answer and how it is to be sent.
pub(super) enum Reply {
    Well(Vec<u8>),
    Ill(Fault, Vec<u8>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Ascii,
    Real32,
    Real64,
    Int16,
    Int32,
}

/// The invented instrument itself: what it is set to, and what it answers.
pub(super) struct Instrument {
    settings: SimulatedSettings,
    random: Random,
    form: Form,
    little: bool,
    indefinite: bool,
    start_hz: f64,
    stop_hz: f64,
    points: usize,
    bandwidth_hz: f64,
    channel: usize,
    errors: VecDeque<(i32, &'static str)>,
    events: u8,
    done_at: Instant,
    well: u32,
    ill: u32,
}

/// Repetition rate of the invented converter, Hz, and the level of its first line, dBm.
const COMB_HZ: f64 = 132.6e3;
const COMB_DBM: f64 = -41.0;

/// Samples a second, samples and volts a count of the simulated oscilloscope.
const RATE_HZ: f64 = 50e6;
const SAMPLES: usize = 50_000;
const VOLTS_PER_COUNT: f64 = 2.5e-4;
const OFFSET_V: f64 = 0.5;

impl Instrument {
    pub(super) fn new(settings: SimulatedSettings) -> Self {
        Self {
            settings,
            random: Random::new(settings.seed),
            form: if settings.kind == SimulatedKind::Analyser { Form::Ascii } else { Form::Int16 },
            little: false,
            indefinite: false,
            start_hz: 150e3,
            stop_hz: 30e6,
            points: 601,
            bandwidth_hz: 9e3,
            channel: 1,
            errors: VecDeque::new(),
            events: 128,
            done_at: Instant::now(),
            well: 0,
            ill: 0,
        }
    }

    /// When the sweep under way is done.
    pub(super) fn done_at(&self) -> Instant {
        self.done_at
    }

    fn error(&mut self, code: i32, words: &'static str) {
        self.errors.push_back((code, words));
        // Command error or execution error of IEEE 488.2's event register.
        self.events |= if code <= -200 { 16 } else { 32 };
    }

    /// Whether this answer is one to misbehave with.
    fn turn(&mut self, busy: bool) -> Option<Fault> {
        let plan = self.settings.fault?;
        if busy != (plan.fault == Fault::Busy) {
            return None;
        }
        if self.well < plan.after {
            self.well += 1;
            return None;
        }
        if self.ill >= plan.times {
            return None;
        }
        self.ill += 1;
        Some(plan.fault)
    }

    fn argument(&mut self, text: &str) -> Option<f64> {
        match number(text.trim().as_bytes()) {
            Ok(v) => Some(v),
            Err(_) => {
                self.error(-104, "Data type error");
                None
            }
        }
    }

    /// Carries out one message; an answer where it was a query.
    pub(super) fn handle(&mut self, message: &str) -> Option<Reply> {
        let mut out = Vec::new();
        let mut ill = None;
        for command in message.split(';').map(str::trim).filter(|c| !c.is_empty()) {
            let (header, argument) = command.split_once(' ').unwrap_or((command, ""));
            match self.one(header, argument.trim()) {
                Some(Reply::Well(answer)) => {
                    if !out.is_empty() {
                        out.push(b';');
                    }
                    out.extend(answer);
                }
                Some(Reply::Ill(fault, answer)) => {
                    ill = Some(fault);
                    out.extend(answer);
                }
                None => {}
            }
        }
        if out.is_empty() && ill.is_none() {
            return None;
        }
        out.push(b'\n');
        Some(match ill {
            Some(fault) => Reply::Ill(fault, out),
            None => Reply::Well(out),
        })
    }

    fn one(&mut self, header: &str, argument: &str) -> Option<Reply> {
        let text = |t: String| Some(Reply::Well(t.into_bytes()));
        match header {
            h if is(h, "*IDN?") => {
                let what = match self.settings.kind {
                    SimulatedKind::Analyser => "Simulated analyser",
                    SimulatedKind::Scope => "Simulated oscilloscope",
                };
                return text(format!("Hushfield,{what},0,1"));
            }
            h if is(h, "*RST") => {
                let fresh = Self::new(self.settings);
                self.form = fresh.form;
                self.little = false;
                self.indefinite = false;
                (self.start_hz, self.stop_hz, self.points) = (fresh.start_hz, fresh.stop_hz, fresh.points);
                self.bandwidth_hz = fresh.bandwidth_hz;
                self.channel = 1;
            }
            h if is(h, "*CLS") => {
                self.errors.clear();
                self.events = 0;
            }
            h if is(h, "*OPC?") => {
                return match self.turn(true) {
                    Some(fault) => Some(Reply::Ill(fault, b"1".to_vec())),
                    None => text("1".to_owned()),
                };
            }
            h if is(h, "*ESR?") => return text(std::mem::take(&mut self.events).to_string()),
            h if is(h, "SYSTem:ERRor?") || is(h, "SYSTem:ERRor:NEXT?") => {
                let (code, words) = self.errors.pop_front().unwrap_or((0, "No error"));
                return text(format!("{code},\"{words}\""));
            }
            h => {
                return match self.settings.kind {
                    SimulatedKind::Analyser => self.analyser(h, argument),
                    SimulatedKind::Scope => self.scope(h, argument),
                };
            }
        }
        None
    }

    fn begin(&mut self) {
        self.done_at = Instant::now() + self.settings.sweep;
    }

    fn order(&mut self, argument: &str) {
        match argument.to_ascii_uppercase().as_str() {
            "NORM" | "MSBF" => self.little = false,
            "SWAP" | "LSBF" => self.little = true,
            _ => self.error(-224, "Illegal parameter value"),
        }
    }

    fn analyser(&mut self, header: &str, argument: &str) -> Option<Reply> {
        let text = |t: String| Some(Reply::Well(t.into_bytes()));
        match header {
            h if is(h, "INITiate:CONTinuous") => {}
            h if is(h, "INITiate") || is(h, "INITiate:IMMediate") => self.begin(),
            h if is(h, "FREQuency:STARt") => self.start_hz = self.argument(argument)?,
            h if is(h, "FREQuency:STOP") => self.stop_hz = self.argument(argument)?,
            h if is(h, "SWEep:POINts") => {
                let n = self.argument(argument)?;
                if (2.0..=100001.0).contains(&n) {
                    self.points = n as usize;
                } else {
                    self.error(-222, "Data out of range");
                }
            }
            h if is(h, "BANDwidth") => self.bandwidth_hz = self.argument(argument)?,
            h if is(h, "FREQuency:STARt?") => return text(format!("{:.6E}", self.start_hz)),
            h if is(h, "FREQuency:STOP?") => return text(format!("{}", self.stop_hz)),
            h if is(h, "SWEep:POINts?") => return text(self.points.to_string()),
            h if is(h, "BANDwidth?") => return text(format!("{:.1}", self.bandwidth_hz)),
            h if is(h, "FORMat") => {
                let form = match argument.to_ascii_uppercase().replace(' ', "").as_str() {
                    "ASC" | "ASCII" => Some(Form::Ascii),
                    "REAL,32" => Some(Form::Real32),
                    "REAL,64" => Some(Form::Real64),
                    "INT,16" => Some(Form::Int16),
                    "INT,32" => Some(Form::Int32),
                    _ => None,
                };
                match form {
                    Some(form) => self.form = form,
                    None => self.error(-224, "Illegal parameter value"),
                }
            }
            h if is(h, "FORMat:BLOCk") => self.indefinite = argument.eq_ignore_ascii_case("INDEF"),
            h if is(h, "FORMat:BORDer") => self.order(argument),
            h if is(h, "STATus:QUEStionable:POWer:CONDition?") => {
                return text(u8::from(self.settings.overload).to_string());
            }
            h if is(h, "TRACe?") || is(h, "TRACe:DATA?") => {
                let levels = self.sweep();
                // Integers are thousandths of a decibel, hundredths where 16 bits would not hold them.
                let scale = if self.form == Form::Int16 { 100.0 } else { 1000.0 };
                return Some(self.values(&levels, scale));
            }
            _ => self.error(-113, "Undefined header"),
        }
        None
    }

    fn scope(&mut self, header: &str, argument: &str) -> Option<Reply> {
        let text = |t: String| Some(Reply::Well(t.into_bytes()));
        match header {
            h if is(h, "SINGle") => self.begin(),
            h if is(h, "WAVeform:SOURce") => match argument.to_ascii_uppercase().as_str() {
                "CHAN1" => self.channel = 1,
                "CHAN2" => self.channel = 2,
                _ => self.error(-224, "Illegal parameter value"),
            },
            h if is(h, "WAVeform:FORMat") => match argument.to_ascii_uppercase().as_str() {
                "WORD" => self.form = Form::Int16,
                "ASC" => self.form = Form::Ascii,
                _ => self.error(-224, "Illegal parameter value"),
            },
            h if is(h, "WAVeform:BYTeorder") || is(h, "WAVeform:BYT") => self.order(argument),
            h if is(h, "WAVeform:PREamble?") => {
                // Format, type, points, count, time step, time origin, time reference, volts a count, offset, reference.
                return text(format!(
                    "1,0,{SAMPLES},1,{:E},{:E},0,{VOLTS_PER_COUNT:E},{OFFSET_V:E},0",
                    1.0 / RATE_HZ,
                    -(SAMPLES as f64) / 10.0 / RATE_HZ
                ));
            }
            h if is(h, "WAVeform:DATA?") => {
                let counts = self.counts();
                return Some(self.values(&counts, 1.0));
            }
            _ => self.error(-113, "Undefined header"),
        }
        None
    }

    /// Levels of one sweep, dBm: noise as a peak detector shows it, and the lines of a converter whose rate wanders a little,
    /// through a Gaussian filter.
    fn sweep(&mut self) -> Vec<f64> {
        let fundamental_hz = COMB_HZ * (1.0 + 2e-4 * self.random.normal());
        let noise_mw = 1e-12 * self.bandwidth_hz / 9e3 * 100.0;
        let step_hz = (self.stop_hz - self.start_hz) / (self.points - 1) as f64;
        (0..self.points)
            .map(|k| {
                let f = self.start_hz + k as f64 * step_hz;
                let mut power_mw = noise_mw * (1.0 + 0.4 * self.random.normal().abs());
                let order = (f / fundamental_hz).round().max(1.0);
                for n in [order - 1.0, order, order + 1.0] {
                    if n >= 1.0 {
                        // A trapezoid's lines fall with the frequency; the filter is 6 dB down half a bandwidth away.
                        let off = 2.0 * (f - n * fundamental_hz) / self.bandwidth_hz;
                        let level_dbm = COMB_DBM - 20.0 * n.log10() - 6.0 * off * off;
                        power_mw += 10f64.powf(level_dbm.max(-250.0) / 10.0);
                    }
                }
                10.0 * power_mw.log10()
            })
            .collect()
    }

    /// Counts of one acquisition: a damped ringing after a step on channel 1, a sawtooth on channel 2.
    fn counts(&mut self) -> Vec<f64> {
        (0..SAMPLES)
            .map(|k| {
                let t = (k as f64 - SAMPLES as f64 / 10.0) / RATE_HZ;
                let volts = if self.channel == 2 {
                    2.0 * (t * 200e3).rem_euclid(1.0)
                } else if t < 0.0 {
                    0.0
                } else {
                    3.3 * (1.0 - (-t / 4e-6).exp() * (std::f64::consts::TAU * 1.8e6 * t).cos())
                };
                let noise = 0.004 * self.random.normal();
                ((volts + noise - OFFSET_V) / VOLTS_PER_COUNT).round().clamp(-32768.0, 32767.0)
            })
            .collect()
    }

    fn values(&mut self, values: &[f64], scale: f64) -> Reply {
        let fault = self.turn(false);
        let values = if fault == Some(Fault::WrongCount) { &values[..values.len() - 3] } else { values };
        let little = self.little;
        let mut data = Vec::with_capacity(values.len() * 8);
        let mut put = |bytes: &mut [u8]| {
            if little {
                bytes.reverse();
            }
            data.extend_from_slice(bytes);
        };
        for v in values {
            match self.form {
                Form::Ascii => {}
                Form::Real32 => put(&mut (*v as f32).to_be_bytes()),
                Form::Real64 => put(&mut v.to_be_bytes()),
                Form::Int16 => put(&mut ((v * scale).round() as i16).to_be_bytes()),
                Form::Int32 => put(&mut ((v * scale).round() as i32).to_be_bytes()),
            }
        }
        let mut answer = if self.form == Form::Ascii {
            values.iter().map(|v| format!("{v:.6E}")).collect::<Vec<_>>().join(",").into_bytes()
        } else {
            let length = data.len().to_string();
            let head = if self.indefinite { "#0".to_owned() } else { format!("#{}{length}", length.len()) };
            let mut block = head.into_bytes();
            block.extend(data);
            block
        };
        if fault == Some(Fault::Garbage) {
            for b in &mut answer {
                *b = self.random.bits() as u8;
            }
        }
        match fault {
            Some(fault) => Reply::Ill(fault, answer),
            None => Reply::Well(answer),
        }
    }
}
