//! A logged immunity run as the report says it: what was set, every step, every entry that is more than a count, the verdict.

use std::fs;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use project::{Criterion, LogRecord, LogWhat, Project, Run, RunLog, Severity, StepRecord, StepState};
use report::{Decision, Fact, PictureEvidence, SectionEvidence, TableEvidence, Weight};

use crate::WorkError;
use crate::evidence::finding;
use crate::log::test_words;
use crate::scan::photo_bytes;

/// Day and time of day, UTC.
pub fn moment(at: Timestamp) -> String {
    at.to_zoned(TimeZone::UTC).strftime("%Y-%m-%d %H:%M:%S UTC").to_string()
}

fn clock(at: Timestamp) -> String {
    at.to_zoned(TimeZone::UTC).strftime("%H:%M:%S").to_string()
}

/// Times of a step: one, or first to last.
pub fn times(s: &StepRecord) -> String {
    match (s.first_at, s.last_at) {
        (Some(a), Some(b)) if clock(a) != clock(b) => format!("{} to {}", clock(a), clock(b)),
        (Some(a), _) => clock(a),
        _ => String::new(),
    }
}

/// A step's result in words: the letter, or why there is none.
pub fn result_words(s: &StepRecord) -> String {
    let letter = s.result.map(|r| r.letter().to_string());
    match (s.state, letter) {
        (StepState::Done, Some(l)) => l,
        (StepState::Skipped, Some(l)) => format!("{l}, left out"),
        (StepState::Skipped, None) => "left out".to_owned(),
        (_, Some(l)) => format!("{l}, not finished"),
        (StepState::Begun, None) => "not finished".to_owned(),
        _ => "not done".to_owned(),
    }
}

/// Entries that are more than a count of stimuli, in order: what a reader wants to see one by one.
pub fn telling(log: &RunLog) -> Vec<[String; 4]> {
    let sheet = log.sheet.read();
    let step_words = |id: &str| sheet.step(id).map_or_else(|| id.to_owned(), |s| format!("{id} ({})", s.words()));
    let mut rows = Vec::new();
    for e in &log.entries {
        let (kind, text) = match &e.log.what {
            LogWhat::Step { step, stimuli, result, seen, frequency_hz, .. } => {
                // A plain count or an A without words says nothing that the table of steps does not.
                let telling = e.withdrawn.is_some() || !seen.trim().is_empty() || *result > Some(Criterion::A);
                if !telling {
                    continue;
                }
                let result = result.map_or_else(String::new, |r| format!("criterion {}, ", r.letter()));
                let at = frequency_hz.map_or_else(String::new, |f| format!(" at {}", crate::raw::frequency(f)));
                let seen = if seen.trim().is_empty() { String::new() } else { format!(": {}", seen.trim()) };
                let word = if *stimuli == 1 { "stimulus" } else { "stimuli" };
                ("result", format!("{}, {result}{stimuli} {word}{at}{seen}", step_words(step)))
            }
            LogWhat::Deviation { step, text, skipped } => {
                let at = step.as_deref().map_or_else(String::new, |s| format!("{}: ", step_words(s)));
                ("deviation", format!("{at}{text}{}", if *skipped { " (left out)" } else { "" }))
            }
            LogWhat::Pause { text } => ("pause", text.clone()),
            LogWhat::Resume => ("went on", String::new()),
            LogWhat::Withdraw { entry, text } => {
                let of = log.entry(entry).map_or_else(String::new, |e| format!("entry of {}: ", clock(e.log.at)));
                ("correction", format!("{of}{text}"))
            }
            LogWhat::Climate(c) => ("climate", c.words()),
            LogWhat::Picture { text, .. } => ("picture", text.clone()),
            LogWhat::Remark { text } => ("remark", text.clone()),
        };
        let back = e.withdrawn.as_ref().map_or_else(String::new, |why| format!(" [taken back: {why}]"));
        rows.push([clock(e.log.at), e.log.who.clone(), kind.to_owned(), format!("{text}{back}")]);
    }
    rows
}

/// Facts of a logged run in pairs.
pub fn facts(
    project: &Project,
    run: &Run,
    log: &RunLog,
    record: &LogRecord,
) -> Result<Vec<(String, String)>, WorkError> {
    let r = &run.record;
    let mut facts: Vec<(String, String)> = Vec::new();
    let mut say = |name: &str, value: String| {
        if !value.trim().is_empty() {
            facts.push((name.to_owned(), value));
        }
    };
    say("test", format!("{}, {}", test_words(&record.sheet.test), record.sheet.clause));
    say("begun", moment(r.measured_at));
    say("closed", run.result().map_or_else(String::new, |result| format!("{}, by {}", moment(result.at), result.who)));
    say("port", r.port.clone().unwrap_or_default());
    say("sample", r.sample.clone().unwrap_or_default());
    say("modification state", r.state.clone().unwrap_or_default());
    say("operating mode", r.mode.clone().unwrap_or_default());
    say("laboratory", r.place.laboratory.clone().unwrap_or_default());
    say("watched by", log.sheet.monitoring.clone());
    say("criterion required", record.required.map_or_else(|| "none".to_owned(), |c| c.letter().to_string()));
    let own = &log.sheet.criteria;
    for (c, text) in [(Criterion::A, &own.a), (Criterion::B, &own.b), (Criterion::C, &own.c), (Criterion::D, &None)] {
        let words = text.as_deref().unwrap_or(c.words());
        say(&format!("criterion {}", c.letter()), words.to_owned());
    }
    say("set-up", r.setup.clone());
    say("set-up by the method", record.sheet.set_up.join("; "));
    let climate = log.climate().words();
    let asked =
        if record.sheet.climate.is_empty() { String::new() } else { format!(" (asked: {})", record.sheet.climate) };
    say("climate", if climate.is_empty() { format!("not recorded{asked}") } else { format!("{climate}{asked}") });
    say("present", log.sheet.present.join(", "));
    let day = r.measured_at.to_zoned(TimeZone::UTC).date();
    let equipment = project.equipment()?;
    for id in &r.equipment {
        let words = equipment.iter().find(|e| e.id() == id).map_or_else(
            || id.clone(),
            |e| {
                let held = e.calibration_on(day);
                let mut words = vec![e.equipment.name.clone()];
                words.extend(e.equipment.serial.as_ref().map(|s| format!("serial {s}")));
                words.extend(held.and_then(|c| c.calibrated).map(|d| format!("calibrated {d}")));
                words.extend(held.and_then(|c| c.certificate.clone()).map(|c| format!("certificate {c}")));
                words.extend(held.and_then(|c| c.due).map(|d| format!("due {d}")));
                words.extend(held.and_then(|c| c.due).filter(|d| *d < day).map(|_| "PAST ITS DATE".to_owned()));
                if held.is_none() && !e.equipment.needs_no_calibration {
                    words.push("no calibration on record".to_owned());
                }
                words.join(", ")
            },
        );
        say("equipment", words);
    }
    if !log.sheet.acknowledged.is_empty() {
        say(
            "cautions",
            format!("{} read and acknowledged by {}", log.sheet.acknowledged.len(), log.sheet.acknowledged_by),
        );
    }
    say("notes", r.notes.clone());
    say(
        "counted",
        format!(
            "{} of {} stimuli, {} of {} steps done",
            record.stimuli,
            record.stimuli_asked,
            record.done,
            record.steps.len()
        ),
    );
    Ok(facts)
}

/// A photograph inside an SVG, so that the report takes it like any picture.
fn as_svg(name: &str, bytes: &[u8]) -> Option<(String, f64)> {
    let kind = match name.rsplit('.').next()?.to_ascii_lowercase().as_str() {
        "png" => "png",
        "jpg" | "jpeg" => "jpeg",
        "svg" => return Some((String::from_utf8(bytes.to_vec()).ok()?, 1.0)),
        _ => return None,
    };
    let (w, h) = crate::scan::picture_size(bytes)?;
    let data = base64(bytes);
    let svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" xmlns:xlink=\"http://www.w3.org/1999/xlink\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" \
         height=\"{h}\"><image width=\"{w}\" height=\"{h}\" xlink:href=\"data:image/{kind};base64,{data}\"/></svg>"
    );
    Some((svg, f64::from(h) / f64::from(w)))
}

fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let word = three.iter().fold(0_u32, |w, b| w << 8 | u32::from(*b)) << (8 * (3 - three.len()));
        for k in 0..4 {
            let digit = DIGITS[(word >> (18 - 6 * k) & 63) as usize];
            out.push(if k <= three.len() { char::from(digit) } else { '=' });
        }
    }
    out
}

fn pictures(project: &Project, run: &Run, log: &RunLog) -> Vec<PictureEvidence> {
    let begun = run.record.captures.iter().filter(|c| c.role == "photo").map(|c| (c.capture.clone(), String::new()));
    let later = log.counting().filter_map(|e| match &e.log.what {
        LogWhat::Picture { capture, text } => Some((capture.clone(), text.clone())),
        _ => None,
    });
    let mut out = Vec::new();
    for (id, text) in begun.chain(later) {
        let Ok((name, bytes)) = photo_bytes(project.dir(), &id) else { continue };
        let Some((svg, shape)) = as_svg(&name, &bytes) else { continue };
        let hash = id.get(..12).unwrap_or(&id);
        out.push(PictureEvidence {
            svg,
            alt: if text.is_empty() { format!("Picture of the set-up, {name}") } else { text.clone() },
            caption: format!(
                "{}{name}, blake3 {hash}…",
                if text.is_empty() { String::new() } else { format!("{text}. ") }
            ),
            width_percent: if shape > 1.0 { 40 } else { 49 },
        });
    }
    out
}

/// The section of the report on a logged run.
pub(crate) fn section(project: &Project, run: &Run) -> Result<SectionEvidence, WorkError> {
    let Some(log) = project.log(run.id())? else {
        return Err(WorkError::Ours(format!("run {} has no log", run.id())));
    };
    let record = log.record();
    let closed = run.result().is_some();
    let mut found: Vec<report::Finding> = project.check_run(run.id())?.iter().map(finding).collect();
    if run.withdrawn.is_some() {
        found.push(report::Finding { weight: Weight::Serious, text: "This run was withdrawn.".to_owned() });
    }
    let column = |rows: &[[String; 4]]| rows.iter().map(|r| r.to_vec()).collect::<Vec<_>>();
    let telling = telling(&log);
    let seal = project.seal()?;
    let deviations: Vec<&[String; 4]> = telling.iter().filter(|r| r[2] == "deviation").collect();
    let none = if deviations.is_empty() { "No deviation from the sheet was entered." } else { "" };
    let memory = if record.sheet.known == "memory" {
        " The method's figures are known from memory and are to be checked against the standard."
    } else {
        ""
    };
    Ok(SectionEvidence {
        heading: format!("Run {}: {}", run.id(), run.record.title),
        sentence: if closed { record.sentence.clone() } else { format!("The log is open: {}", record.sentence) },
        decision: Some(match (closed, record.decision.as_str()) {
            (true, "pass") => Decision::Pass,
            (_, "fail") => Decision::Fail,
            _ => Decision::Inconclusive,
        }),
        caution: record.sheet.cautions.join(" "),
        facts: facts(project, run, &log, &record)?.into_iter().map(|(name, value)| Fact { name, value }).collect(),
        text: format!(
            "Times are those of the device at the bench, in UTC. {none}{memory} The record holds {} entries; the ledger's seal at entry {} \
             is {}.",
            log.entries.len(),
            seal.revision,
            seal.hash
        ),
        pictures: crate::log::drawings(&log)
            .into_iter()
            .map(|svg| PictureEvidence {
                svg,
                alt: "Set-up by the method, to scale".to_owned(),
                caption: "Set-up by the method, from the sheet.".to_owned(),
                width_percent: 49,
            })
            .chain(pictures(project, run, &log))
            .collect(),
        tables: vec![
            TableEvidence {
                title: "Every step".to_owned(),
                head: ["step", "what", "given", "asked", "result", "when", "who", "seen, deviations"]
                    .map(str::to_owned)
                    .to_vec(),
                figures: vec![false, false, true, true, false, false, false, false],
                widths: vec![4, 11, 3, 3, 3, 6, 4, 9],
                rows: record
                    .steps
                    .iter()
                    .map(|s| {
                        vec![
                            s.step.id.clone(),
                            s.step.words(),
                            s.stimuli.to_string(),
                            s.step.count.to_string(),
                            result_words(s),
                            times(s),
                            s.who.join(", "),
                            s.seen.iter().chain(&s.deviations).cloned().collect::<Vec<_>>().join("; "),
                        ]
                    })
                    .collect(),
            },
            TableEvidence {
                title: "Upsets, deviations, pauses, corrections, remarks".to_owned(),
                head: if telling.is_empty() {
                    Vec::new()
                } else {
                    ["when", "who", "what", "in words"].map(str::to_owned).to_vec()
                },
                figures: vec![false; 4],
                rows: column(&telling),
                ..TableEvidence::default()
            },
        ],
        findings: found,
    })
}

/// Whether anything found of a run weakens what it says.
pub fn weak(project: &Project, run: &str) -> Result<bool, WorkError> {
    Ok(project.check_run(run)?.iter().any(|f| f.severity > Severity::Remark))
}

/// Reads a sheet from a file, as `hushfield run-sheet --json` prints it.
pub fn sheet_file(path: &std::path::Path) -> Result<serde_json::Value, WorkError> {
    let place = path.display().to_string();
    let text = fs::read_to_string(path).map_err(|e| WorkError::input(place.clone(), e.to_string(), "a run sheet"))?;
    serde_json::from_str(&text)
        .map_err(|e| WorkError::input(place, e.to_string(), "a run sheet as `hushfield run-sheet --json` prints it"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_become_the_digits_of_rfc_4648() {
        // Test vectors of RFC 4648, section 10.
        for (plain, coded) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
