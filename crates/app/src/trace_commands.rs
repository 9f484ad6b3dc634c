//! Commands on single files: nothing is kept.

use std::fs;
use std::path::Path;

use emission::{JudgeError, Trace, Verdict};
use formats::chain_file::read_chain;
use formats::sweep::describe;
use formats::trace_file::{read_trace, sidecar_path, write_trace};
use project::Project;
use serde_json::{Map, Value, json};
use standards::{Known, LimitLibrary};
use workbench::{Judged, ReadingChoices, Understanding, WorkError, judge_trace, limits_of, understand};

use crate::args::{CaptureFlags, Judge, Receive, SweepFlags};
use crate::outcome::{Failure, Outcome};
use crate::print::{self, Show, db, hz};
use crate::progress::Bar;
use crate::{choices, draw, live_commands};

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}

/// JSON numbers; a gap is null.
fn numbers(levels: &[f64]) -> Value {
    levels.iter().map(|v| if v.is_finite() { json!(v) } else { Value::Null }).collect()
}

/// Rounded as the trace file is, so that both say the same.
fn rounded(levels: &[f64]) -> Vec<f64> {
    levels.iter().map(|v| (v * 1e4).round() / 1e4).collect()
}

/// An unwritable place is noticed before the long work, not after it.
fn must_be_writable(path: &Path) -> Result<(), Failure> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    tempfile::Builder::new()
        .prefix(".hushfield")
        .tempfile_in(folder)
        .map(drop)
        .map_err(|e| Failure::input(format!("--out {}: the folder cannot be written: {e}", path.display())))
}

/// The receiver on the instruction set that the environment names, to compare them; on the fastest where it names none.
pub(crate) fn choose_instructions() -> Result<(), Failure> {
    let Some(name) = std::env::var_os("HUSHFIELD_INSTRUCTIONS").filter(|n| !n.is_empty()) else { return Ok(()) };
    receiver::choose_instructions(&name.to_string_lossy())
        .map_err(|e| Failure::input(format!("HUSHFIELD_INSTRUCTIONS: {e}")))
}

pub(crate) fn receive(show: Show, a: &Receive) -> Result<Outcome, Failure> {
    let more = &a.more;
    let mut capture = choices::capture(&a.capture)?;
    if let [from, to] = more.span[..] {
        capture.span_s = Some([from, to]);
    }
    if let Some(format) = more.format.as_ref().filter(|_| !a.record.to_string_lossy().starts_with("tcp://")) {
        capture.data_type = Some(live_commands::data_type(format, more.complex));
        capture.raw_channels = Some(more.stream_channels);
    } else if more.complex {
        capture.complex = Some(true);
    }
    let reading = ReadingChoices {
        capture,
        receive: choices::receive(Some(a.band), &a.scan, &a.capture)?,
        ..ReadingChoices::default()
    };
    if let Some(out) = &a.out {
        must_be_writable(out)?;
    }
    if more.follow {
        if a.capture.channel.0.len() > 1 {
            return Err(Failure::input("--channel: several channels; expected one while following"));
        }
        return live_commands::follow(show, a, &reading);
    }
    if a.modes.modes {
        return crate::survey_commands::modes(show, a, &reading);
    }
    let mut bar = Bar::new(show.quiet);
    let channels = &a.capture.channel.0;
    let mut measured =
        workbench::measure_channels(&a.record, &file_name(&a.record), &reading, channels, more.timeline, &mut |s| {
            bar.tell(s)
        })?;
    drop(bar);
    if channels.len() > 1 {
        return live_commands::several(show, a, &measured, channels);
    }
    let measured = measured.pop().ok_or_else(|| Failure::ours("a channel gave no levels"))?;
    let trace = &measured.trace;
    let start = write_measured(a.out.as_deref(), trace)?;
    let structure = a.out.as_deref().map(|o| live_commands::write_time_structure(o, &measured)).transpose()?.flatten();
    if show.json {
        print::json(&trace_json(a, trace, start, a.out.as_deref()))?;
        return Ok(Outcome::Done);
    }
    let mut text = String::new();
    for line in &trace.history {
        text.push_str(&format!("· {line}\n"));
    }
    text.push_str(&format!("\nThe highest of {} frequencies, dBµV:\n", trace.frequency_hz.len()));
    text.push_str(&highest(trace));
    if trace.columns.iter().any(|c| c.lower_bound.iter().any(|b| *b)) {
        text.push_str("≥ the record is too short for this detector to settle: the true reading is this or higher.\n");
    }
    match &a.out {
        Some(out) => text.push_str(&format!(
            "\nWritten to {} (how it was made: {})\n",
            out.display(),
            sidecar_path(out).display()
        )),
        None => text.push_str("\nNothing was written: give --out TRACE.csv to keep the trace.\n"),
    }
    if let Some(said) = structure {
        text.push_str(&format!("Time structure, {said}\n"));
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

/// Writes a trace where one is wanted, and says where its detectors started.
pub(crate) fn write_measured(out: Option<&Path>, trace: &Trace) -> Result<&'static str, Failure> {
    let rest = trace.history.iter().any(|h| h.contains("started from rest"));
    let start = if rest { "rest" } else { "settled" };
    if let Some(out) = out {
        write_trace(out, trace, Some(start)).map_err(|e| Failure::input(e.to_string()))?;
    }
    Ok(start)
}

/// The JSON document of one measured channel.
pub(crate) fn trace_json(a: &Receive, trace: &Trace, start: &str, out: Option<&Path>) -> Map<String, Value> {
    let mut document = Map::new();
    document.insert("record".into(), json!(a.record.display().to_string()));
    document.insert("band".into(), json!(a.band));
    document.insert("start".into(), json!(start));
    document.insert("bandwidth_hz".into(), json!(trace.bandwidth_hz));
    document.insert("points".into(), json!(trace.frequency_hz.len()));
    document.insert("history".into(), json!(trace.history));
    document.insert("out".into(), json!(out.map(|o| o.display().to_string())));
    document.insert("frequency_hz".into(), json!(trace.frequency_hz));
    for c in &trace.columns {
        if let Some(d) = c.detector {
            document.insert(format!("{}_dbuv", d.key()), numbers(&rounded(&c.level_db)));
            document.insert(format!("{}_is_lower_bound", d.key()), json!(c.lower_bound));
            if !c.floor_db.is_empty() {
                let marked: Vec<bool> = (0..c.level_db.len()).map(|k| c.not_resolved(k)).collect();
                document.insert(format!("{}_floor_dbuv", d.key()), numbers(&rounded(&c.floor_db)));
                document.insert(format!("{}_is_not_resolved", d.key()), json!(marked));
            }
        }
    }
    document
}

/// The ten highest emissions of a trace: local maxima of its first column. A tilde marks what stands less than 6 dB above
/// the record's own noise.
pub(crate) fn highest(trace: &Trace) -> String {
    let Some(first) = trace.columns.first() else { return String::new() };
    let level = &first.level_db;
    let mut tops: Vec<usize> = (0..level.len())
        .filter(|&i| {
            let near = level[i.saturating_sub(2)..(i + 3).min(level.len())].iter();
            level[i].is_finite() && near.fold(f64::NEG_INFINITY, |a, b| a.max(*b)) <= level[i]
        })
        .collect();
    tops.sort_by(|&a, &b| level[b].total_cmp(&level[a]));
    tops.truncate(10);
    tops.sort_unstable();
    let heads: Vec<&str> = std::iter::once("frequency").chain(trace.columns.iter().map(|c| c.name.as_str())).collect();
    let rows = tops
        .into_iter()
        .map(|i| {
            let mut row = vec![hz(trace.frequency_hz[i])];
            row.extend(trace.columns.iter().map(|c| {
                let bound = match (c.lower_bound.get(i), c.not_resolved(i)) {
                    (_, true) => "~ ",
                    (Some(true), _) => "≥ ",
                    _ => "",
                };
                format!("{bound}{}", db(c.level_db[i]))
            }));
            row
        })
        .collect();
    print::table(&heads, rows, &[0, 1, 2, 3, 4])
}

/// Reads a trace of ours or a sweep.
pub(crate) fn any_trace(path: &Path, flags: &SweepFlags) -> Result<(Trace, Vec<String>), Failure> {
    if sidecar_path(path).is_file() {
        let (trace, _) = read_trace(path).map_err(|e| Failure::input(e.to_string()))?;
        let mut said = vec!["a trace, with the file that says how it was made".to_owned()];
        // An instrument's overload belongs beside every verdict on its levels.
        said.extend(trace.history.iter().filter(|h| h.starts_with("INPUT OVERLOAD")).cloned());
        return Ok((trace, said));
    }
    let bytes = fs::read(path).map_err(|e| Failure::input(format!("{}: {e}", path.display())))?;
    let reading = formats::sweep::read_sweep(&bytes, &path.display().to_string(), &choices::sweep(flags)?)?;
    let understood = describe(&reading.understood);
    Ok((reading.trace, understood))
}

pub(crate) fn judge(show: Show, a: &Judge) -> Result<Outcome, Failure> {
    let mut library = LimitLibrary::embedded().clone();
    for file in &a.limit_file {
        let text = fs::read_to_string(file).map_err(|e| Failure::input(format!("{}: {e}", file.display())))?;
        library.add_toml(&text, &file.display().to_string())?;
    }
    let limits = limits_of(&library, &a.limits)?;
    let chain = a.chain.as_deref().map(read_chain).transpose()?;
    let (trace, understood) = any_trace(&a.trace, &a.sweep)?;
    let options = emission::JudgeOptions { guard_risk: a.risk, ..choices::judging(&a.judging)? };
    let judged = judge_trace(&trace, chain.as_ref(), limits, &options).map_err(|e| match e {
        WorkError::Judge(JudgeError::UnknownDetector { .. }) => {
            Failure::input(format!("{e} (--detector, or --detectors for each column)"))
        }
        other => Failure::from(other),
    })?;
    let verdict = judged.verdict.as_ref().ok_or_else(|| Failure::input("--limit: expected at least one limit"))?;
    if show.json {
        print::json(&judged_json(&judged, verdict))?;
    } else {
        let mut text = String::new();
        for line in &understood {
            text.push_str(&format!("· {line}\n"));
        }
        text.push('\n');
        text.push_str(&verdict_text(&judged, verdict));
        print::text(&text)?;
    }
    Ok(Outcome::of(verdict.decision))
}

pub(crate) fn judged_json(judged: &Judged, verdict: &Verdict) -> Value {
    json!({
        "verdict": verdict,
        "frequency_hz": judged.trace.frequency_hz,
        "unit": judged.trace.unit,
        "gaps": judged.gaps,
        "history": judged.trace.history,
        "limits": judged.limits.iter().map(|l| json!({
            "id": l.id, "standard": l.standard, "table": l.table, "title": l.title, "source": l.source, "known": l.known,
        })).collect::<Vec<_>>(),
    })
}

/// The verdict for people: the sentence first, then the suspects, then what it rests on.
pub(crate) fn verdict_text(judged: &Judged, verdict: &Verdict) -> String {
    let mut text = format!("{}\n\n", verdict.sentence);
    if !verdict.suspects.is_empty() {
        let unit = judged.trace.unit.map_or("dB", |u| u.symbol());
        let level_head = format!("level, {unit}");
        let rows = verdict
            .suspects
            .iter()
            .take(20)
            .enumerate()
            .filter_map(|(i, s)| {
                let l = s.limits.first()?;
                let level = s.levels.iter().find(|v| v.detector == l.detector_used)?;
                Some(vec![
                    (i + 1).to_string(),
                    hz(s.frequency_hz),
                    format!("{}{}", if level.lower_bound { "≥ " } else { "" }, db(level.level_db)),
                    level.detector.to_string(),
                    db(l.limit_db),
                    format!("{:+.1}", s.margin_db),
                    l.limit_id.clone(),
                    s.remark.clone().unwrap_or_default(),
                ])
            })
            .collect();
        text.push_str(&print::table(
            &["", "frequency", &level_head, "read with", "limit", "margin, dB", "against", "remark"],
            rows,
            &[0, 1, 2, 4, 5],
        ));
        if verdict.suspects.len() > 20 {
            text.push_str(&format!("… and {} more (--json lists them all)\n", verdict.suspects.len() - 20));
        }
    }
    text.push_str(&format!("\n{}\n", verdict.uncertainty.statement));
    for g in &judged.gaps {
        text.push_str(&format!(
            "No level from {} to {}: {} is not known there.\n",
            hz(g.from_hz),
            hz(g.to_hz),
            g.element
        ));
    }
    for n in &verdict.not_measured {
        text.push_str(&format!("Not measured for {}: {} to {}.\n", n.limit_id, hz(n.from_hz), hz(n.to_hz)));
    }
    for s in verdict.still_to_measure.iter().take(8) {
        let place = if s.from_hz == s.to_hz { hz(s.from_hz) } else { format!("{} to {}", hz(s.from_hz), hz(s.to_hz)) };
        text.push_str(&format!("Still to measure with {} at {place}: {}\n", s.detector, s.reason));
    }
    for n in &verdict.notes {
        text.push_str(&format!("Note: {n}\n"));
    }
    for l in &judged.limits {
        text.push_str(&format!(
            "{}: {}, {}{}\n",
            l.id,
            l.standard,
            l.table,
            if l.known == Known::Memory { " (from memory: check against the standard itself)" } else { "" }
        ));
    }
    text
}

pub(crate) fn limits(show: Show, id: Option<&str>, project: Option<&Path>) -> Result<Outcome, Failure> {
    let library = match project {
        Some(dir) => Project::open(dir)?.limits()?,
        None => LimitLibrary::embedded().clone(),
    };
    let Some(id) = id else {
        if show.json {
            print::json(&library.all())?;
            return Ok(Outcome::Done);
        }
        let rows = library
            .all()
            .iter()
            .map(|l| {
                let (from, to) = l.level.range_hz();
                vec![
                    l.id.clone(),
                    l.title.clone(),
                    l.detector.to_string(),
                    l.unit.to_string(),
                    format!("{} – {}", hz(from), hz(to)),
                    match l.known {
                        Known::Seen => "seen".into(),
                        Known::Memory => "from memory".into(),
                        Known::User => "yours".into(),
                    },
                ]
            })
            .collect();
        print::text(&print::table(&["id", "what", "detector", "unit", "range", "known"], rows, &[]))?;
        return Ok(Outcome::Done);
    };
    let found = limits_of(&library, &[id.to_owned()])?;
    let l = &found[0];
    if show.json {
        print::json(l)?;
        return Ok(Outcome::Done);
    }
    let mut text = format!("{}\n{}, {}\n{} limit, {}", l.title, l.standard, l.table, l.detector, l.unit);
    if let Some(d) = l.distance_m {
        text.push_str(&format!(", at {d} m"));
    }
    text.push_str("\n\n");
    text.push_str(&draw::limit(l));
    let rows = l.level.points().iter().map(|&(f, v)| vec![hz(f), db(v)]).collect();
    let unit = l.unit.to_string();
    text.push_str(&print::table(&["frequency", &unit], rows, &[0, 1]));
    text.push_str(&format!("Source: {}\n", l.source));
    if l.known == Known::Memory {
        text.push_str("Known from memory: check it against the standard itself before you rely on it.\n");
    }
    if let Some(note) = &l.note {
        text.push_str(&format!("{note}\n"));
    }
    print::text(&text)?;
    Ok(Outcome::Done)
}

pub(crate) fn inspect(show: Show, file: &Path, sweep: &SweepFlags, capture: &CaptureFlags) -> Result<Outcome, Failure> {
    let reading = ReadingChoices {
        sweep: choices::sweep(sweep)?,
        capture: choices::capture(capture)?,
        ..ReadingChoices::default()
    };
    let name = file_name(file);
    if is_touchstone(&name) {
        let text = fs::read(file).map_err(|e| Failure::input(format!("{}: {e}", file.display())))?;
        let text = String::from_utf8_lossy(&text);
        let network = formats::touchstone::read_touchstone(&text, &name).map_err(|e| Failure::input(e.to_string()))?;
        let (from, to) = (network.frequency_hz.first(), network.frequency_hz.last());
        if show.json {
            print::json(&json!({
                "kind": "touchstone", "ports": network.ports, "points": network.frequency_hz.len(),
                "from_hz": from, "to_hz": to,
            }))?;
        } else {
            print::text(&format!(
                "Network parameters of {} port(s), {} frequencies, {} to {}\n",
                network.ports,
                network.frequency_hz.len(),
                hz(from.copied().unwrap_or_default()),
                hz(to.copied().unwrap_or_default())
            ))?;
        }
        return Ok(Outcome::Done);
    }
    match understand(file, &name, &reading)? {
        Understanding::Sweep(reading) => {
            if show.json {
                print::json(&json!({ "kind": "sweep", "understood": reading.understood }))?;
            } else {
                print::text(&format!("A sweep.\n{}\n", bullet(&describe(&reading.understood))))?;
            }
        }
        Understanding::Capture(info) => {
            if show.json {
                print::json(&json!({ "kind": "capture", "understood": info }))?;
            } else {
                let mut lines = vec![
                    format!("{}, {} channel(s)", info.sample_type, info.channels.len()),
                    info.rate_hz.map_or_else(
                        || "the sampling rate is not in the file: give --rate HZ".to_owned(),
                        |r| format!("{r} samples a second"),
                    ),
                ];
                if let Some(frames) = info.frames {
                    let long = info.duration_s.map_or(String::new(), |s| format!(", {s:.6} s"));
                    lines.push(format!("{frames} frames{long}"));
                }
                for (i, c) in info.channels.iter().enumerate() {
                    let scale = if c.scale_known { "" } else { " (assumed)" };
                    lines.push(format!(
                        "channel {}: {}, {} {} for one unit{scale}",
                        i + 1,
                        c.name,
                        c.volts_per_unit,
                        c.unit
                    ));
                }
                if let Some(t) = info.truncated {
                    lines.push(format!("{} of {} promised frames are there", t.found_frames, t.promised_frames));
                }
                lines.extend(info.notes.iter().cloned());
                lines.extend(
                    info.annotations.iter().map(|a| format!("remark at frame {}: {} {}", a.frame, a.label, a.comment)),
                );
                print::text(&format!("A time record.\n{}\n", bullet(&lines)))?;
            }
        }
    }
    Ok(Outcome::Done)
}

fn is_touchstone(name: &str) -> bool {
    let end = name.rsplit('.').next().unwrap_or_default().to_ascii_lowercase();
    end == "ts"
        || (end.len() >= 3 && end.starts_with('s') && end.ends_with('p') && end[1..end.len() - 1].parse::<u8>().is_ok())
}

fn bullet(lines: &[String]) -> String {
    lines.iter().map(|l| format!("· {l}")).collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use standards::Detector;

    use super::*;

    #[test]
    fn network_parameters_are_known_by_their_ending() {
        assert!(is_touchstone("cable.s2p") && is_touchstone("X.S12P") && is_touchstone("a.ts"));
        assert!(!is_touchstone("trace.csv") && !is_touchstone("sp") && !is_touchstone("a.sxp"));
    }

    #[test]
    fn detectors_have_the_columns_of_the_trace_file() {
        let keys: Vec<&str> = Detector::ALL.iter().map(|d| d.key()).collect();
        assert_eq!(keys, ["peak", "quasi_peak", "cispr_average", "rms_average"]);
    }
}
