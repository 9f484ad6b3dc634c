//! An instrument as its user describes it, from its manual.

mod read;
mod table;

use quantity::Unit;
use serde::Serialize;
use standards::Detector;

pub use read::read_description;

use crate::scpi::Encoding;

/// A commented description of the simulated analyser, to start one's own from.
pub const TEMPLATE_ANALYSER: &str = include_str!("../../data/analyser.toml");

/// A commented description of the simulated oscilloscope.
pub const TEMPLATE_SCOPE: &str = include_str!("../../data/scope.toml");

/// One thing that is wrong with a description.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DescriptionProblem {
    /// The file as it was named.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// The field, with its section: `trace.frequency.start_hz`.
    pub field: String,
    /// What stands there.
    pub what: String,
    /// What should.
    pub expected: String,
}

impl std::fmt::Display for DescriptionProblem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}, line {}, `{}`: {}; expected {}", self.file, self.line, self.field, self.what, self.expected)
    }
}

/// What an instrument is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Levels against frequency: a spectrum analyser or a measuring receiver.
    Analyser,
    /// Volts against time.
    Scope,
}

/// Bounds on every transaction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limits {
    /// For a connection, s.
    pub connect_timeout_s: f64,
    /// For a command or a query and its answer, s.
    pub timeout_s: f64,
    /// For a sweep or an acquisition to be done, s.
    pub sweep_timeout_s: f64,
    /// For a list of values to be read, s.
    pub read_timeout_s: f64,
    /// Longest answer, bytes.
    pub most_answer_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connect_timeout_s: 3.0,
            timeout_s: 3.0,
            sweep_timeout_s: 60.0,
            read_timeout_s: 20.0,
            most_answer_bytes: 64 << 20,
        }
    }
}

/// A figure that is written in the description, or asked of the instrument.
#[derive(Debug, Clone, PartialEq)]
pub enum Figure {
    /// Written.
    Fixed(f64),
    /// Asked.
    Asked {
        /// The query.
        query: String,
        /// Which value of a list is meant, from 1; none: the answer is one number.
        item: Option<usize>,
        /// The answer times this is the figure.
        factor: f64,
    },
}

/// How a list of values is obtained.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Commands that make one sweep or acquisition.
    pub start: Vec<String>,
    /// The query answered with 1 when it is done.
    pub done: Option<String>,
    /// The query for the values.
    pub read: String,
    /// How they come.
    pub encoding: Encoding,
}

/// How the points of a sweep lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spacing {
    /// Evenly.
    Linear,
    /// Evenly over the logarithm.
    Logarithmic,
}

/// The frequency axis of a trace: both ends included.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// First frequency, Hz.
    pub start_hz: Figure,
    /// Last frequency, Hz.
    pub stop_hz: Figure,
    /// How many; none: as many as values come.
    pub points: Option<Figure>,
    /// How they lie.
    pub spacing: Spacing,
}

/// How a trace is read.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceReading {
    /// The values.
    pub reading: Reading,
    /// Their unit.
    pub unit: Unit,
    /// The level is the value times this …
    pub scale: f64,
    /// … plus this, dB.
    pub offset_db: f64,
    /// What detector the instrument used, where it is known.
    pub detector: Option<Detector>,
    /// Resolution bandwidth (−6 dB), Hz.
    pub bandwidth_hz: Option<Figure>,
    /// Impedance of its input, Ω.
    pub impedance_ohm: Option<f64>,
    /// The frequencies.
    pub axis: Axis,
}

/// One channel of an oscilloscope.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channel {
    /// What the user calls it on the command line.
    pub name: String,
    /// Commands that make the next reading one of this channel.
    pub select: Vec<String>,
}

/// How a waveform is read: `volts = (value − reference) · volts_per_unit + offset_v`, at `time_origin_s + k · time_step_s`.
#[derive(Debug, Clone, PartialEq)]
pub struct WaveformReading {
    /// The values.
    pub reading: Reading,
    /// The channels.
    pub channels: Vec<Channel>,
    /// How many points are expected, where it can be known.
    pub points: Option<Figure>,
    /// Seconds between two samples.
    pub time_step_s: Figure,
    /// Time of the first sample, s.
    pub time_origin_s: Figure,
    /// Volts for one unit of a value.
    pub volts_per_unit: Figure,
    /// The value that is zero volts before the offset.
    pub reference: Figure,
    /// Volts to add.
    pub offset_v: Figure,
}

/// How the instrument says that its input is overloaded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Overload {
    /// A query answered with a whole number.
    pub query: String,
    /// Any of these bits set: overloaded.
    pub mask: u32,
}

/// An instrument as its user describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Description {
    /// What the user calls it.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// Pattern of its `*IDN?` answer: `*` stands for anything, `?` for one character; letters of either case.
    pub identification: String,
    /// Whether `SYST:ERR?` is asked after the set-up and after each reading.
    pub check_errors: bool,
    /// Bounds.
    pub limits: Limits,
    /// Commands sent once after connecting.
    pub set_up: Vec<String>,
    /// Traces.
    pub trace: Option<TraceReading>,
    /// Waveforms.
    pub waveform: Option<WaveformReading>,
    /// Overload.
    pub overload: Option<Overload>,
}

impl Description {
    /// Whether an `*IDN?` answer fits the pattern.
    pub fn fits(&self, answer: &str) -> bool {
        let pattern: Vec<char> = self.identification.to_lowercase().chars().collect();
        let text: Vec<char> = answer.to_lowercase().chars().collect();
        fits(&pattern, &text)
    }
}

/// A pattern with `*` and `?`, without recursion: the last star takes one character more whenever the rest does not fit.
fn fits(pattern: &[char], text: &[char]) -> bool {
    let (mut p, mut t) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while t < text.len() {
        match pattern.get(p) {
            Some('*') => {
                star = Some((p, t));
                p += 1;
            }
            Some(c) if *c == '?' || *c == text[t] => {
                p += 1;
                t += 1;
            }
            _ => match star {
                Some((at, taken)) => {
                    p = at + 1;
                    t = taken + 1;
                    star = Some((at, t));
                }
                None => return false,
            },
        }
    }
    pattern[p..].iter().all(|c| *c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_takes_anything_and_a_mark_one_character() {
        let check =
            |pattern: &str, text: &str| fits(&pattern.chars().collect::<Vec<_>>(), &text.chars().collect::<Vec<_>>());
        assert!(check("a*c", "abbbc") && check("*", "") && check("a?c", "abc") && check("*b*", "abc"));
        assert!(check("*ab*ab", "xabyabab") && check("abc", "abc"));
        assert!(!check("a*c", "abbb") && !check("a?c", "ac") && !check("", "a") && !check("abc", "ab"));
    }
}
