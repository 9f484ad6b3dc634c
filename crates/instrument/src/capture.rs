//! What a description says, done: identify, set up, sweep, hold, capture.

use std::collections::BTreeMap;

use emission::{Column, Trace};
use serde::Serialize;

use crate::InstrumentError;
use crate::describe::{Description, Figure, Overload, Reading, Spacing, TraceReading};
use crate::scpi::{self, AnswerFault};
use crate::session::Session;

/// Most sweeps of one run.
pub const SWEEP_COUNT_MOST: usize = 100_000;

/// A level beyond this is no level, dB: a wrong byte order or format gives such numbers.
const PLAUSIBLE_DB: f64 = 400.0;

/// Who answers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Identity {
    /// The answer to `*IDN?`.
    pub answer: String,
    /// Whether it fits the description's pattern.
    pub fits: bool,
}

/// Asks who is there.
pub fn identify(session: &mut Session, description: &Description) -> Result<Identity, InstrumentError> {
    let answer = session.identify()?;
    Ok(Identity { fits: description.fits(&answer), answer })
}

/// An instrument that is known and set up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Prepared {
    /// The answer to `*IDN?`.
    pub identity: String,
}

/// Identifies the instrument, refuses another one, and sends the set-up commands.
pub fn prepare(session: &mut Session, description: &Description) -> Result<Prepared, InstrumentError> {
    let found = identify(session, description)?;
    if !found.fits {
        return Err(InstrumentError::Identity { came: found.answer, expected: description.identification.clone() });
    }
    for command in &description.set_up {
        session.tell(command)?;
    }
    if description.check_errors {
        session.no_errors("the set-up commands (set_up)")?;
    }
    Ok(Prepared { identity: found.answer })
}

/// One sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepTaken {
    /// Levels against frequency, with where they come from in its history.
    pub trace: Trace,
    /// Whether the instrument said that its input was overloaded; none where it cannot say.
    pub overloaded: Option<bool>,
}

/// How a series of sweeps ended.
#[derive(Debug)]
pub struct SweepEnd {
    /// Sweeps that were taken and kept, whole.
    pub kept: usize,
    /// Why it ended before its count; none where it did not.
    pub aborted: Option<InstrumentError>,
}

/// Figures asked of the instrument; one query is asked once for all figures it answers.
struct Asked<'s> {
    session: &'s mut Session,
    answers: BTreeMap<String, Vec<f64>>,
}

impl Asked<'_> {
    fn get(&mut self, figure: &Figure, what: &str) -> Result<f64, InstrumentError> {
        let (query, item, factor) = match figure {
            Figure::Fixed(v) => return Ok(*v),
            Figure::Asked { query, item, factor } => (query, item, factor),
        };
        let values = if let Some(values) = self.answers.get(query) {
            values.clone()
        } else {
            let answer = self.session.ask(query)?;
            let values = scpi::list(answer.as_bytes())
                .map_err(|fault| InstrumentError::Answer { asked: query.clone(), fault })?;
            self.answers.insert(query.clone(), values.clone());
            values
        };
        let wrong = |what: String, expected: String| InstrumentError::Answer {
            asked: query.clone(),
            fault: AnswerFault::new(0, what, expected),
        };
        let value = match item {
            Some(item) => *values.get(item - 1).ok_or_else(|| {
                wrong(format!("{} values", values.len()), format!("at least {item}, of which the last is {what}"))
            })?,
            None if values.len() == 1 => values[0],
            None => return Err(wrong(format!("{} values", values.len()), format!("one number, {what}"))),
        } * factor;
        if value.is_finite() { Ok(value) } else { Err(wrong(format!("{value}"), format!("a finite number, {what}"))) }
    }

    fn points(&mut self, figure: Option<&Figure>) -> Result<Option<usize>, InstrumentError> {
        let Some(figure) = figure else { return Ok(None) };
        let n = self.get(figure, "the number of points")?;
        if n.fract() == 0.0 && (2.0..=1e7).contains(&n) {
            Ok(Some(n as usize))
        } else {
            Err(InstrumentError::Figures {
                what: format!("{n} points"),
                expected: "a whole number from 2 to 10000000".to_owned(),
            })
        }
    }
}

fn make_one(session: &mut Session, reading: &Reading) -> Result<(), InstrumentError> {
    for command in &reading.start {
        session.tell(command)?;
    }
    if let Some(done) = &reading.done {
        let wait_s = session.limits().sweep_timeout_s;
        session.wait_done(done, wait_s)?;
    }
    Ok(())
}

fn overloaded(session: &mut Session, overload: Option<&Overload>) -> Result<Option<bool>, InstrumentError> {
    let Some(o) = overload else { return Ok(None) };
    let bits = session.ask_integer(&o.query)?;
    Ok(Some(bits & i64::from(o.mask) != 0))
}

fn frequencies(start_hz: f64, stop_hz: f64, n: usize, spacing: Spacing) -> Result<Vec<f64>, InstrumentError> {
    if !(start_hz > 0.0 && stop_hz > start_hz && n >= 2) {
        return Err(InstrumentError::Figures {
            what: format!("a frequency axis of {n} points from {start_hz} to {stop_hz} Hz"),
            expected: "at least 2 points, from above 0 upwards".to_owned(),
        });
    }
    let last = (n - 1) as f64;
    Ok((0..n)
        .map(|k| {
            let x = k as f64 / last;
            match spacing {
                Spacing::Linear => start_hz + (stop_hz - start_hz) * x,
                Spacing::Logarithmic => start_hz * (stop_hz / start_hz).powf(x),
            }
        })
        .collect())
}

fn one_sweep(
    session: &mut Session,
    description: &Description,
    t: &TraceReading,
    identity: &str,
) -> Result<SweepTaken, InstrumentError> {
    make_one(session, &t.reading)?;
    let read_s = session.limits().read_timeout_s;
    let mut asked = Asked { session, answers: BTreeMap::new() };
    let start_hz = asked.get(&t.axis.start_hz, "the first frequency in hertz")?;
    let stop_hz = asked.get(&t.axis.stop_hz, "the last frequency in hertz")?;
    let points = asked.points(t.axis.points.as_ref())?;
    let bandwidth_hz = t.bandwidth_hz.as_ref().map(|b| asked.get(b, "the bandwidth in hertz")).transpose()?;
    let values = session.ask_values(&t.reading.read, t.reading.encoding, points, read_s)?;
    let mut gaps = 0;
    let mut level_db = Vec::with_capacity(values.len());
    for (i, v) in values.iter().enumerate() {
        let level = v * t.scale + t.offset_db;
        // SCPI's "not a number" is how an instrument says that it has no level there.
        if v.is_nan() {
            gaps += 1;
        } else if level.is_nan() || level.abs() > PLAUSIBLE_DB {
            return Err(InstrumentError::Figures {
                what: format!("`{}`: point {} is {level:e} {}", t.reading.read, i + 1, t.unit),
                expected: format!(
                    "-{PLAUSIBLE_DB} to {PLAUSIBLE_DB}; check format and byte_order ({})",
                    t.reading.encoding.name()
                ),
            });
        }
        level_db.push(level);
    }
    if gaps == level_db.len() {
        return Err(InstrumentError::Figures {
            what: format!("`{}`: none of {gaps} points is a number", t.reading.read),
            expected: "levels".to_owned(),
        });
    }
    let frequency_hz = frequencies(start_hz, stop_hz, level_db.len(), t.axis.spacing)?;
    let overloaded = overloaded(session, description.overload.as_ref())?;
    if description.check_errors {
        session.no_errors("the sweep")?;
    }
    let mut history = vec![format!("read from {} ({identity}) at {}", description.name, session.address())];
    if gaps > 0 {
        history.push(format!("{gaps} of {} points without a level, as the instrument says", level_db.len()));
    }
    if overloaded == Some(true) {
        history
            .push("INPUT OVERLOAD: the instrument says that its input was overloaded; levels may be wrong".to_owned());
    }
    let name = t.detector.map_or("level", standards::Detector::key).to_owned();
    let column = Column { detector: t.detector, name, level_db, lower_bound: Vec::new(), floor_db: Vec::new() };
    let trace = Trace {
        frequency_hz,
        unit: Some(t.unit),
        columns: vec![column],
        bandwidth_hz,
        impedance_ohm: t.impedance_ohm,
        history,
    };
    Ok(SweepTaken { trace, overloaded })
}

/// Takes sweeps one after the other. Each is given to `keep`, which puts it where it is safe, before the next begins; the
/// first that fails, or that cannot be kept, ends the series, and what was kept stays.
///
/// # Errors
/// Where the description gives no traces, or from `keep`; a fault of the instrument is in [`SweepEnd::aborted`].
pub fn sweeps<E: From<InstrumentError>>(
    session: &mut Session,
    description: &Description,
    prepared: &Prepared,
    count: usize,
    keep: &mut dyn FnMut(usize, &SweepTaken) -> Result<(), E>,
) -> Result<SweepEnd, E> {
    let Some(t) = &description.trace else {
        return Err(InstrumentError::Missing { section: "trace", purpose: "a sweep" }.into());
    };
    for k in 0..count {
        match one_sweep(session, description, t, &prepared.identity) {
            Ok(taken) => keep(k + 1, &taken)?,
            Err(e) => return Ok(SweepEnd { kept: k, aborted: Some(e) }),
        }
    }
    Ok(SweepEnd { kept: count, aborted: None })
}

/// The highest level at each frequency of sweeps over the same frequencies.
#[derive(Debug, Clone, Default)]
pub struct MaxHold {
    held: Option<Trace>,
    count: usize,
    overloaded: usize,
}

impl MaxHold {
    /// Takes one sweep more.
    pub fn add(&mut self, taken: &SweepTaken) -> Result<(), InstrumentError> {
        let overloaded = usize::from(taken.overloaded == Some(true));
        let Some(held) = &mut self.held else {
            self.held = Some(taken.trace.clone());
            self.count = 1;
            self.overloaded = overloaded;
            return Ok(());
        };
        if held.frequency_hz != taken.trace.frequency_hz {
            return Err(InstrumentError::Figures {
                what: format!("sweep {} has another frequency axis", self.count + 1),
                expected: "the frequencies of the first".to_owned(),
            });
        }
        for (a, b) in held.columns.iter_mut().zip(&taken.trace.columns) {
            for (x, y) in a.level_db.iter_mut().zip(&b.level_db) {
                // Where one has no level the other's is taken.
                *x = x.max(*y);
            }
        }
        self.count += 1;
        self.overloaded += overloaded;
        Ok(())
    }

    /// What is held, with the number of sweeps and of overloaded ones in its history; nothing before the first.
    pub fn trace(&self) -> Option<Trace> {
        let mut out = self.held.clone()?;
        out.history.retain(|h| !h.starts_with("INPUT OVERLOAD"));
        out.history.push(format!("highest level of {} sweeps at each frequency", self.count));
        if self.overloaded > 0 {
            out.history.push(format!(
                "INPUT OVERLOAD: the instrument says that its input was overloaded in {} of {} sweeps; levels may be wrong",
                self.overloaded, self.count
            ));
        }
        Some(out)
    }
}

/// Volts against time.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    /// The channel's name in the description.
    pub channel: String,
    /// Seconds between two samples.
    pub time_step_s: f64,
    /// Time of the first sample, s.
    pub time_origin_s: f64,
    /// The samples, V.
    pub volts: Vec<f64>,
    /// Samples at the lowest or highest code of an integer format: what was above or below is cut off.
    pub at_the_ends: usize,
    /// Whether the instrument said that its input was overloaded; none where it cannot say.
    pub overloaded: Option<bool>,
    /// Where it comes from, in words.
    pub history: Vec<String>,
}

/// Makes one acquisition and reads the channels named, or all of them, from it.
pub fn waveform(
    session: &mut Session,
    description: &Description,
    prepared: &Prepared,
    channels: &[String],
) -> Result<Vec<Waveform>, InstrumentError> {
    let Some(w) = &description.waveform else {
        return Err(InstrumentError::Missing { section: "waveform", purpose: "a waveform" });
    };
    let known: Vec<&str> = w.channels.iter().map(|c| c.name.as_str()).collect();
    if let Some(other) = channels.iter().find(|c| !known.contains(&c.as_str())) {
        return Err(InstrumentError::Figures {
            what: format!("channel `{other}`"),
            expected: format!("one of {}", known.join(", ")),
        });
    }
    make_one(session, &w.reading)?;
    let read_s = session.limits().read_timeout_s;
    let mut out = Vec::new();
    for channel in w.channels.iter().filter(|c| channels.is_empty() || channels.contains(&c.name)) {
        for command in &channel.select {
            session.tell(command)?;
        }
        let mut asked = Asked { session, answers: BTreeMap::new() };
        let points = asked.points(w.points.as_ref())?;
        let time_step_s = asked.get(&w.time_step_s, "the time step in seconds")?;
        let time_origin_s = asked.get(&w.time_origin_s, "the time of the first sample in seconds")?;
        let volts_per_unit = asked.get(&w.volts_per_unit, "the volts for one unit")?;
        let reference = asked.get(&w.reference, "the value of zero volts")?;
        let offset_v = asked.get(&w.offset_v, "the offset in volts")?;
        if !(time_step_s > 0.0 && volts_per_unit != 0.0) {
            return Err(InstrumentError::Figures {
                what: format!("a time step of {time_step_s} s and {volts_per_unit} V for one unit"),
                expected: "a time step above 0 and another number of volts than 0".to_owned(),
            });
        }
        let values = session.ask_values(&w.reading.read, w.reading.encoding, points, read_s)?;
        if let Some(i) = values.iter().position(|v| !v.is_finite()) {
            return Err(InstrumentError::Figures {
                what: format!("`{}`: sample {} is no number", w.reading.read, i + 1),
                expected: "a number for every sample".to_owned(),
            });
        }
        let at_the_ends = w
            .reading
            .encoding
            .ends()
            .map_or(0, |(low, high)| values.iter().filter(|v| **v <= low || **v >= high).count());
        let overloaded = overloaded(session, description.overload.as_ref())?;
        if description.check_errors {
            session.no_errors("the reading")?;
        }
        let identity = &prepared.identity;
        let mut history = vec![format!(
            "read from {} ({identity}) at {}, channel {}",
            description.name,
            session.address(),
            channel.name
        )];
        if at_the_ends > 0 {
            history
                .push(format!("INPUT OVERLOAD: {at_the_ends} samples stand at the end of the number range: cut off"));
        }
        if overloaded == Some(true) {
            history.push("INPUT OVERLOAD: the instrument says that its input was overloaded".to_owned());
        }
        out.push(Waveform {
            channel: channel.name.clone(),
            time_step_s,
            time_origin_s,
            volts: values.iter().map(|v| (v - reference) * volts_per_unit + offset_v).collect(),
            at_the_ends,
            overloaded,
            history,
        });
    }
    Ok(out)
}
