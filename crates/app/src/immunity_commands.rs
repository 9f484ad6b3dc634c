//! Immunity: is the generator right, and what is to be done step by step.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use formats::capture::{Capture, open_capture};
use immunity::waveform::{Analysis, BurstScan, Edition, Judged, Kind, LevelFrom, Point, Settings, analyse};
use serde_json::{Map, Value, json};
use signal::{SampleSlice, SampleSource};
use standards::Known;

use crate::args::CaptureFlags;
use crate::choices;
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show};

/// High voltage and stored charge, shown where a generator is measured.
pub(crate) const PULSE_CAUTION: &str = "\
Caution, high voltage and stored charge: a surge generator holds a lethal charge (tens of joules) and so may whatever it
pulsed. Use its interlock, switch off, wait, discharge with the stick and check before touching anything; never reach in
between pulses, never work alone. Attenuators and targets must be rated for the pulse. Nobody with a pacemaker or other
active implant near discharge and surge generators. Local codes and licensed practice come first.
";

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum KindFlag {
    /// Contact-discharge current, IEC 61000-4-2
    Esd,
    /// Pulses and bursts, IEC 61000-4-4
    Burst,
    /// 1.2/50 µs open-circuit voltage, IEC 61000-4-5
    SurgeVoltage,
    /// 8/20 µs short-circuit current, IEC 61000-4-5
    SurgeCurrent,
    /// 10/700 µs open-circuit voltage, IEC 61000-4-5
    TelecomVoltage,
    /// 5/320 µs short-circuit current, IEC 61000-4-5
    TelecomCurrent,
    /// Ring wave, IEC 61000-4-12
    RingWave,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum PointFlag {
    /// The generator itself
    Generator,
    /// Burst into 50 ohm
    #[value(name = "50-ohm")]
    Ohm50,
    /// Burst into 1000 ohm
    #[value(name = "1000-ohm")]
    Ohm1000,
    /// Burst, output of the coupling network into 50 ohm
    CouplingNetwork,
    /// Surge current behind 18 µF
    LineLine,
    /// Surge current behind 9 µF and 10 ohm
    LineEarth,
}

#[derive(Debug, Args)]
pub(crate) struct Waveform {
    /// The record: .csv with time_s,value, or .npy, .wav, SigMF
    pub(crate) record: PathBuf,
    /// The waveform the generator should make
    #[arg(long, value_enum)]
    pub(crate) kind: KindFlag,
    /// Level the generator was set to, kV [default: from the record's peak, which then is not judged]
    #[arg(long, value_name = "KV", allow_negative_numbers = true)]
    pub(crate) level: Option<f64>,
    /// Where it was measured [default: the generator; a burst into 50 ohm]
    #[arg(long, value_enum)]
    pub(crate) at: Option<PointFlag>,
    /// Bandwidth (-3 dB) of probe, cable and oscilloscope together, Hz: its effect is taken back
    #[arg(long, value_name = "HZ", allow_negative_numbers = true)]
    pub(crate) bandwidth: Option<f64>,
    /// Edition of IEC 61000-4-5 whose duration counts: 2 or 3
    #[arg(long, default_value_t = 3, value_parser = clap::value_parser!(u8).range(2..=3))]
    pub(crate) edition: u8,
    #[command(flatten)]
    pub(crate) capture: CaptureFlags,
}

fn settings(a: &Waveform) -> Settings {
    let kind = match a.kind {
        KindFlag::Esd => Kind::Esd,
        KindFlag::Burst => Kind::Burst,
        KindFlag::SurgeVoltage => Kind::SurgeVoltage,
        KindFlag::SurgeCurrent => Kind::SurgeCurrent,
        KindFlag::TelecomVoltage => Kind::TelecomVoltage,
        KindFlag::TelecomCurrent => Kind::TelecomCurrent,
        KindFlag::RingWave => Kind::RingWave,
    };
    let point = a.at.map_or(Point::usual(kind), |p| match p {
        PointFlag::Generator => Point::Generator,
        PointFlag::Ohm50 => Point::Ohm50,
        PointFlag::Ohm1000 => Point::Ohm1000,
        PointFlag::CouplingNetwork => Point::CouplingNetwork,
        PointFlag::LineLine => Point::LineLine,
        PointFlag::LineEarth => Point::LineEarth,
    });
    let edition = if a.edition == 2 { Edition::Second } else { Edition::Third };
    Settings { kind, point, level_kv: a.level, bandwidth_hz: a.bandwidth, edition }
}

/// Hands the samples of one channel, scaled, block by block.
fn each_block(capture: &mut Capture, scale: f64, with: &mut dyn FnMut(&[f64])) -> Result<(), Failure> {
    let mut out = Vec::new();
    loop {
        let Some(block) = capture.next_block().map_err(|e| Failure::input(e.to_string()))? else { return Ok(()) };
        out.clear();
        macro_rules! widen {
            ($s:expr, $zero:expr) => {
                out.extend($s.iter().step_by(block.channels).map(|v| (f64::from(*v) - $zero) * scale))
            };
        }
        match block.samples {
            SampleSlice::U8(s) => widen!(s, 128.0),
            SampleSlice::I8(s) => widen!(s, 0.0),
            SampleSlice::I16(s) => widen!(s, 0.0),
            SampleSlice::I32(s) => widen!(s, 0.0),
            SampleSlice::F32(s) => widen!(s, 0.0),
            SampleSlice::F64(s) => widen!(s, 0.0),
        }
        with(&out);
    }
}

/// Most samples held at once; a longer record of one pulse is read about the pulse only.
const MOST_SAMPLES: u64 = 1 << 24;

fn measured(record: &Path, flags: &CaptureFlags, settings: &Settings) -> Result<(Analysis, Vec<String>), Failure> {
    if flags.channel == 0 {
        return Err(Failure::input("--channel 0: channels are counted from 1"));
    }
    let mut wanted = choices::capture(flags)?;
    wanted.channels = vec![flags.channel.to_string()];
    let mut capture = open_capture(record, &wanted).map_err(|e| Failure::input(e.to_string()))?;
    let info = capture.info().clone();
    if info.complex {
        return Err(Failure::input(format!(
            "{}: a complex record; expected real samples of a pulse",
            record.display()
        )));
    }
    let rate = capture.rate_hz().map_err(|e| Failure::input(e.to_string()))?;
    let scale = info.channels.first().map_or(1.0, |c| c.volts_per_unit);
    let start_s = info.start_s.unwrap_or(0.0);
    let place = |e: immunity::waveform::WaveformError| Failure::input(format!("{}: {e}", record.display()));
    let again = |c: &mut Capture| c.rewind().map_err(|e| Failure::input(e.to_string()));
    if settings.kind == Kind::Burst {
        let mut scan = BurstScan::new(1.0 / rate);
        each_block(&mut capture, scale, &mut |s| scan.look(s))?;
        // One pulse alone fills much of its record, and the scan's rest line is the mean of a long one.
        if info.frames.is_some_and(|n| n as f64 / rate > 3e-6) {
            scan.looked().map_err(place)?;
            again(&mut capture)?;
            each_block(&mut capture, scale, &mut |s| scan.take(s))?;
            return scan.analyse(start_s, settings).map(|a| (a, info.notes.clone())).map_err(place);
        }
        again(&mut capture)?;
    }
    let (mut first, mut last) = (0u64, u64::MAX);
    if info.frames.is_some_and(|n| n > MOST_SAMPLES) {
        // Where the largest swing is, a quarter of what fits before it and the rest after.
        let (mut index, mut top, mut at, mut rest) = (0u64, 0.0f64, 0u64, None);
        each_block(&mut capture, scale, &mut |s| {
            for v in s {
                let r = *rest.get_or_insert(*v);
                if (v - r).abs() > top {
                    (top, at) = ((v - r).abs(), index);
                }
                index += 1;
            }
        })?;
        first = at.saturating_sub(MOST_SAMPLES / 4);
        last = first + MOST_SAMPLES;
        again(&mut capture)?;
    }
    let mut samples = Vec::new();
    let mut index = 0u64;
    each_block(&mut capture, scale, &mut |s| {
        let end = index + s.len() as u64;
        if end > first && index < last {
            let a = first.saturating_sub(index) as usize;
            let b = (last - index).min(s.len() as u64) as usize;
            samples.extend_from_slice(&s[a..b]);
        }
        index = end;
    })?;
    analyse(&samples, 1.0 / rate, start_s + first as f64 / rate, settings).map(|a| (a, info.notes)).map_err(place)
}

/// A value with an engineer's prefix.
pub(crate) fn prefixed(value: f64, unit: &str) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value} {unit}");
    }
    let (scale, prefix) = match value.abs() {
        v if v >= 1e9 => (1e9, "G"),
        v if v >= 1e6 => (1e6, "M"),
        v if v >= 1e3 => (1e3, "k"),
        v if v >= 1.0 => (1.0, ""),
        v if v >= 1e-3 => (1e-3, "m"),
        v if v >= 1e-6 => (1e-6, "µ"),
        v if v >= 1e-9 => (1e-9, "n"),
        _ => (1e-12, "p"),
    };
    let v = value / scale;
    let digits = if v.abs() >= 99.95 {
        1
    } else if v.abs() >= 9.995 {
        2
    } else {
        3
    };
    format!("{v:.digits$} {prefix}{unit}")
}

fn unit_of(name: &str) -> &'static str {
    match name.rsplit('_').next() {
        Some("s") => "s",
        Some("a") => "A",
        Some("v") => "V",
        Some("hz") => "Hz",
        _ => "%",
    }
}

fn shown(name: &str, value: f64) -> String {
    let unit = unit_of(name);
    if unit == "%" { format!("{value:.1} %") } else { prefixed(value, unit) }
}

fn verdict_word(judged: Option<Judged>) -> &'static str {
    match judged {
        Some(Judged::Inside) => "inside",
        Some(Judged::InsideAtTheEdge) => "inside, but nearer to the edge than its uncertainty",
        Some(Judged::OutsideAtTheEdge) => "outside, but nearer to the edge than its uncertainty",
        Some(Judged::Outside) => "OUTSIDE",
        None => "not judged",
    }
}

fn level_sentence(a: &Analysis) -> String {
    match a.level_from {
        LevelFrom::Given => format!("Held against a set level of {} kV.", a.level_kv),
        LevelFrom::NearestOfTheStandard => format!(
            "No level given: held against {} kV, the level whose peak the record fits. The peak itself is not judged; give --level KV.",
            a.level_kv
        ),
        LevelFrom::Record => format!(
            "No level given, and the peak fits none of the usual levels: scaled from the record ({:.3} kV). The peak itself is not judged; give --level KV.",
            a.level_kv
        ),
    }
}

pub(crate) fn waveform(show: Show, a: &Waveform) -> Result<Outcome, Failure> {
    let settings = settings(a);
    let (found, read_notes) = measured(&a.record, &a.capture, &settings)?;
    let inside = found.is_inside();
    if show.json {
        let mut document = Map::new();
        document.insert("record".into(), json!(a.record.display().to_string()));
        document.insert("kind".into(), json!(found.kind));
        document.insert("at".into(), json!(found.point));
        document.insert("inside".into(), json!(inside));
        for q in &found.quantities {
            document.insert(q.name.into(), json!(q.value));
        }
        let Value::Object(rest) = json!(found) else { return Err(Failure::ours("the result is no object")) };
        document.extend(rest);
        document.insert("reading_notes".into(), json!(read_notes));
        document.insert("caution".into(), json!(PULSE_CAUTION));
        print::json(&document)?;
    } else {
        print::text(&waveform_text(&found, &read_notes))?;
    }
    Ok(if inside { Outcome::Done } else { Outcome::NotAPass })
}

fn waveform_text(a: &Analysis, read_notes: &[String]) -> String {
    let outside: Vec<&str> =
        a.quantities.iter().filter(|q| q.judged.is_some_and(|j| !j.is_inside())).map(|q| q.title).collect();
    let edge = a.quantities.iter().any(|q| q.judged == Some(Judged::InsideAtTheEdge));
    let mut text = if !outside.is_empty() {
        format!("Outside its tolerances: {}.\n\n", outside.join("; "))
    } else if edge {
        "Inside its tolerances, but not by more than the uncertainty everywhere.\n\n".to_owned()
    } else {
        "Inside its tolerances.\n\n".to_owned()
    };
    let rows = a
        .quantities
        .iter()
        .map(|q| {
            let range = match (q.low, q.high) {
                (Some(l), Some(h)) => format!("{} to {}", shown(q.name, l), shown(q.name, h)),
                (None, Some(h)) => format!("at most {}", shown(q.name, h)),
                _ => "–".to_owned(),
            };
            vec![
                q.title.to_owned(),
                shown(q.name, q.value),
                shown(q.name, q.uncertainty),
                range,
                verdict_word(q.judged).to_owned(),
                match q.known {
                    Some(Known::Memory) => "from memory".to_owned(),
                    Some(Known::Seen) => "seen".to_owned(),
                    _ => String::new(),
                },
            ]
        })
        .collect();
    text.push_str(&print::table(&["quantity", "value", "± (k = 2)", "tolerance", "verdict", "known"], rows, &[1, 2]));
    text.push('\n');
    text.push_str(&format!("{}\n", level_sentence(a)));
    let noise = a
        .signal_to_noise_db
        .map_or_else(|| "no noise seen".to_owned(), |d| format!("peak {d:.1} dB above the noise of one sample"));
    text.push_str(&format!(
        "Read with {}; {noise}; rest line {:.4e} from {} samples{}.\n",
        a.method,
        a.baseline,
        a.baseline_samples,
        if a.negative { "; negative pulse" } else { "" }
    ));
    text.push_str(
        "The uncertainty is that of the reading; add the calibration of probe, attenuator and oscilloscope.\n",
    );
    for n in a.notes.iter().chain(read_notes) {
        text.push_str(&format!("Note: {n}\n"));
    }
    let mut sources: Vec<&str> = a.quantities.iter().filter_map(|q| q.source).collect();
    sources.dedup();
    text.push_str(&format!("Tolerances: {}.\n\n{PULSE_CAUTION}", sources.join("; ")));
    text
}
