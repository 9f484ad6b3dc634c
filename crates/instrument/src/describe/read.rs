use std::cell::RefCell;

use quantity::Unit;
use standards::Detector;
use toml::de::DeTable;

use super::table::{Part, Problems};
use super::{
    Axis, Channel, Description, DescriptionProblem, Figure, Kind, Limits, Overload, Reading, Spacing, TraceReading,
    WaveformReading,
};
use crate::scpi::{ByteOrder, Encoding};

const FORMATS: [(&str, Form); 8] = [
    ("ascii", Form::Ascii),
    ("real32", Form::Real32),
    ("real64", Form::Real64),
    ("int8", Form::Int8),
    ("uint8", Form::Uint8),
    ("int16", Form::Int16),
    ("uint16", Form::Uint16),
    ("int32", Form::Int32),
];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Ascii,
    Real32,
    Real64,
    Int8,
    Uint8,
    Int16,
    Uint16,
    Int32,
}

/// Longest wait a description may ask for, s.
const LONGEST_S: f64 = 86400.0;

/// A description from its text; `file` is how it is called in messages. Every problem is told, not only the first.
pub fn read_description(text: &str, file: &str) -> Result<Description, Vec<DescriptionProblem>> {
    let problems = Problems { file, text, found: RefCell::default() };
    let parsed = match DeTable::parse(text) {
        Ok(parsed) => parsed,
        Err(e) => {
            let what = e.message().to_owned();
            problems.add(e.span().map_or(0, |s| s.start), "TOML", what, "a file in TOML");
            return Err(problems.found.into_inner());
        }
    };
    let read = {
        let top = Part { problems: &problems, table: parsed.get_ref(), name: String::new(), at: 0 };
        whole(&top)
    };
    let found = problems.found.into_inner();
    match read {
        Some(description) if found.is_empty() => Ok(description),
        _ => Err(found),
    }
}

fn whole(top: &Part<'_>) -> Option<Description> {
    top.known(&["name", "kind", "identification", "check_errors", "set_up", "limits", "trace", "waveform", "overload"]);
    let name = top.needed("name", "what you call the instrument");
    if top.find("kind").is_none() {
        top.wrong("kind", "missing", "analyser or scope");
    }
    let kind = top.choice("kind", &[("analyser", Kind::Analyser), ("scope", Kind::Scope)]);
    let identification = top.needed("identification", "a pattern of the answer to *IDN?, e.g. \"EXAMPLE WORKS,*\"");
    let limits = top.part("limits").map_or_else(Limits::default, |p| limits(&p));
    let set_up = top.commands("set_up");
    let trace = top.part("trace").map(|p| trace(&p));
    let waveform = top.part("waveform").map(|p| waveform(&p));
    match kind {
        Some(Kind::Analyser) if trace.is_none() => {
            top.wrong("trace", "missing", "a section [trace], for an analyser gives traces");
        }
        Some(Kind::Scope) if waveform.is_none() => {
            top.wrong("waveform", "missing", "a section [waveform], for a scope gives waveforms");
        }
        _ => {}
    }
    let overload = top.part("overload").and_then(|p| overload(&p));
    let check_errors = top.yes("check_errors", true);
    Some(Description {
        name: name?.to_owned(),
        kind: kind?,
        identification: identification?.to_owned(),
        check_errors,
        limits,
        set_up,
        trace: trace.flatten(),
        waveform: waveform.flatten(),
        overload,
    })
}

fn limits(p: &Part<'_>) -> Limits {
    p.known(&["connect_timeout_s", "timeout_s", "sweep_timeout_s", "read_timeout_s", "most_answer_bytes"]);
    let usual = Limits::default();
    let time = |field, otherwise| {
        p.number(field, |v| v > 0.0 && v <= LONGEST_S, "seconds, above 0 and at most 86400").unwrap_or(otherwise)
    };
    Limits {
        connect_timeout_s: time("connect_timeout_s", usual.connect_timeout_s),
        timeout_s: time("timeout_s", usual.timeout_s),
        sweep_timeout_s: time("sweep_timeout_s", usual.sweep_timeout_s),
        read_timeout_s: time("read_timeout_s", usual.read_timeout_s),
        most_answer_bytes: p
            .number(
                "most_answer_bytes",
                |v| (1e3..=1073741824.0).contains(&v) && v.fract() == 0.0,
                "a whole number from 1000 to 1073741824",
            )
            .map_or(usual.most_answer_bytes, |v| v as usize),
    }
}

/// A number, or `{ query = "…", item = 5, factor = 1.0 }`.
fn figure(p: &Part<'_>, field: &str, fits: impl Fn(f64) -> bool, expected: &str) -> Option<Figure> {
    let value = p.find(field)?;
    if !value.get_ref().is_table() {
        let expected = format!("{expected}, or {{ query = \"…\" }}");
        return p.number(field, fits, &expected).map(Figure::Fixed);
    }
    let asked = p.part(field)?;
    asked.known(&["query", "item", "factor"]);
    if asked.find("query").is_none() {
        asked.wrong("query", "missing", "the query that is answered with the figure");
    }
    let query = asked.query("query");
    let whole = |v: f64| v.fract() == 0.0 && (1.0..=1e6).contains(&v);
    let item = asked.number("item", whole, "which value of the answer, counted from 1").map(|v| v as usize);
    let factor = asked.number("factor", |v| v != 0.0, "a number that is not 0").unwrap_or(1.0);
    Some(Figure::Asked { query: query?, item, factor })
}

fn needed_figure(p: &Part<'_>, field: &str, fits: impl Fn(f64) -> bool, expected: &str) -> Option<Figure> {
    if p.find(field).is_none() {
        p.wrong(field, "missing", format!("{expected}, or {{ query = \"…\" }}"));
    }
    figure(p, field, fits, expected)
}

fn reading(p: &Part<'_>) -> Option<Reading> {
    let start = p.commands("start");
    let done = p.query("done");
    if p.find("read").is_none() {
        p.wrong("read", "missing", "the query that is answered with the values");
    }
    let read = p.query("read");
    if p.find("format").is_none() {
        let names: Vec<&str> = FORMATS.iter().map(|f| f.0).collect();
        p.wrong("format", "missing", format!("one of {}", names.join(", ")));
    }
    let form = p.choice("format", &FORMATS);
    let order = p.choice("byte_order", &[("big", ByteOrder::Big), ("little", ByteOrder::Little)]);
    let needs_order = !matches!(form, None | Some(Form::Ascii | Form::Int8 | Form::Uint8));
    if needs_order && p.find("byte_order").is_none() {
        p.wrong("byte_order", "missing", "big or little: numbers of several bytes read wrong without it");
    }
    let order = order.unwrap_or(ByteOrder::Big);
    let encoding = match form? {
        Form::Ascii => Encoding::Ascii,
        Form::Real32 => Encoding::Real32(order),
        Form::Real64 => Encoding::Real64(order),
        Form::Int8 => Encoding::Int8,
        Form::Uint8 => Encoding::Uint8,
        Form::Int16 => Encoding::Int16(order),
        Form::Uint16 => Encoding::Uint16(order),
        Form::Int32 => Encoding::Int32(order),
    };
    Some(Reading { start, done, read: read?, encoding })
}

fn trace(p: &Part<'_>) -> Option<TraceReading> {
    p.known(&[
        "start",
        "done",
        "read",
        "format",
        "byte_order",
        "unit",
        "scale",
        "offset_db",
        "detector",
        "bandwidth_hz",
        "impedance_ohm",
        "frequency",
    ]);
    let reading = reading(p);
    let units: Vec<(&str, Unit)> = Unit::ALL.iter().map(|u| (u.ascii(), *u)).collect();
    if p.find("unit").is_none() {
        let names: Vec<&str> = units.iter().map(|u| u.0).collect();
        p.wrong("unit", "missing", format!("one of {}", names.join(", ")));
    }
    let unit = p.choice("unit", &units);
    let scale = p.number("scale", |v| v != 0.0, "a number that is not 0").unwrap_or(1.0);
    let offset_db = p.number("offset_db", |_| true, "a number of decibels").unwrap_or(0.0);
    let detectors: Vec<(&str, Detector)> = Detector::ALL.iter().map(|d| (d.key(), *d)).collect();
    let detector = p.choice("detector", &detectors);
    let positive = |v: f64| v > 0.0;
    let bandwidth_hz = figure(p, "bandwidth_hz", positive, "hertz above 0");
    let impedance_ohm = p.number("impedance_ohm", positive, "ohms above 0");
    let Some(f) = p.part("frequency") else {
        if p.find("frequency").is_none() {
            p.wrong("frequency", "missing", "a section [trace.frequency] with start_hz and stop_hz");
        }
        return None;
    };
    f.known(&["start_hz", "stop_hz", "points", "spacing"]);
    let start_hz = needed_figure(&f, "start_hz", positive, "hertz above 0");
    let stop_hz = needed_figure(&f, "stop_hz", positive, "hertz above 0");
    if let (Some(Figure::Fixed(a)), Some(Figure::Fixed(b))) = (&start_hz, &stop_hz)
        && b <= a
    {
        f.wrong("stop_hz", format!("{b}"), format!("more than start_hz, which is {a}"));
    }
    let points = figure(&f, "points", whole_points, "a whole number from 2 to 10000000");
    let spacing = f
        .choice("spacing", &[("linear", Spacing::Linear), ("logarithmic", Spacing::Logarithmic)])
        .unwrap_or(Spacing::Linear);
    Some(TraceReading {
        reading: reading?,
        unit: unit?,
        scale,
        offset_db,
        detector,
        bandwidth_hz,
        impedance_ohm,
        axis: Axis { start_hz: start_hz?, stop_hz: stop_hz?, points, spacing },
    })
}

pub(crate) fn whole_points(v: f64) -> bool {
    v.fract() == 0.0 && (2.0..=1e7).contains(&v)
}

fn waveform(p: &Part<'_>) -> Option<WaveformReading> {
    p.known(&[
        "start",
        "done",
        "read",
        "format",
        "byte_order",
        "channel",
        "points",
        "time_step_s",
        "time_origin_s",
        "volts_per_unit",
        "reference",
        "offset_v",
    ]);
    let reading = reading(p);
    let mut channels: Vec<Channel> = Vec::new();
    for c in p.parts("channel") {
        c.known(&["name", "select"]);
        let name = c.needed("name", "what you call the channel, e.g. \"1\"");
        let select = c.commands("select");
        let Some(name) = name else { continue };
        if channels.iter().any(|have| have.name == name) {
            c.wrong("name", format!("\"{name}\", a second time"), "a name of its own for each channel");
        }
        channels.push(Channel { name: name.to_owned(), select });
    }
    if channels.is_empty() && p.find("channel").is_none() {
        p.wrong("channel", "missing", "at least one [[waveform.channel]]");
    }
    let any = |_: f64| true;
    let points = figure(p, "points", whole_points, "a whole number from 2 to 10000000");
    let time_step_s = needed_figure(p, "time_step_s", |v| v > 0.0, "seconds above 0");
    let volts_per_unit = needed_figure(p, "volts_per_unit", |v| v != 0.0, "volts for one unit of a value, not 0");
    let zero = |f: Option<Figure>| f.unwrap_or(Figure::Fixed(0.0));
    let time_origin_s = zero(figure(p, "time_origin_s", any, "seconds"));
    let reference = zero(figure(p, "reference", any, "a number"));
    let offset_v = zero(figure(p, "offset_v", any, "volts"));
    Some(WaveformReading {
        reading: reading?,
        channels,
        points,
        time_step_s: time_step_s?,
        time_origin_s,
        volts_per_unit: volts_per_unit?,
        reference,
        offset_v,
    })
}

fn overload(p: &Part<'_>) -> Option<Overload> {
    p.known(&["query", "mask"]);
    if p.find("query").is_none() {
        p.wrong("query", "missing", "a query answered with a whole number");
    }
    let query = p.query("query");
    let mask = p.number(
        "mask",
        |v| v.fract() == 0.0 && (1.0..=4294967295.0).contains(&v),
        "a whole number from 1: the bits that mean overload",
    );
    if p.find("mask").is_none() {
        p.wrong("mask", "missing", "a whole number from 1: the bits that mean overload");
    }
    Some(Overload { query: query?, mask: mask? as u32 })
}
