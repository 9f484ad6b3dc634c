//! The evidence as the page sees it: every figure a string with its decimals, no traces.

use serde_json::{Value, json};
use standards::{Detector, Known};

use crate::plot::{Mark, PlotOptions, frequency_column, frequency_text, margin_text, signed};
use crate::render::printable;
use crate::{Decision, Evidence, Finding, RunEvidence, VerdictEvidence};

pub(crate) fn plot_name(index: usize) -> String {
    format!("plot-{index}.svg")
}

/// Text for the page: printable, and with places to break in words that are longer than a column.
pub(crate) fn soft(text: &str) -> String {
    const LONGEST: usize = 18;
    let text = bound(&printable(text.trim()));
    if text.split_whitespace().all(|w| w.chars().count() <= LONGEST) {
        return text;
    }
    let mut out = String::with_capacity(text.len() + 16);
    for (i, word) in text.split(' ').enumerate() {
        if i > 0 {
            out.push(' ');
        }
        let long = word.chars().count() > LONGEST;
        let mut run = 0;
        for c in word.chars() {
            out.push(c);
            run += 1;
            if long && (run >= LONGEST || (run > 2 && matches!(c, '_' | '-' | '.' | '/' | '\\' | ',' | ';' | ':'))) {
                out.push('\u{200b}');
                run = 0;
            }
        }
    }
    out
}

/// A figure and its unit stay on one line.
fn bound(text: &str) -> String {
    const UNITS: [&str; 26] = [
        "dB", "dBµV", "dBµA", "dBm", "Hz", "kHz", "MHz", "GHz", "V", "mV", "A", "mA", "W", "kW", "Ω", "kΩ", "µH", "mH",
        "nF", "µF", "pF", "s", "ms", "m", "%", "°C",
    ];
    let mut out = String::with_capacity(text.len());
    let mut after_figure = false;
    for (i, word) in text.split(' ').enumerate() {
        if i > 0 {
            let unit = word.trim_end_matches(['.', ',', ';', ':', ')', '?', '!']);
            out.push(if after_figure && UNITS.contains(&unit) { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
        after_figure = word.ends_with(|c: char| c.is_ascii_digit());
    }
    out
}

/// The start of a text where there is room for one line.
fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most { text.to_owned() } else { text.chars().take(most - 1).chain(['…']).collect() }
}

fn soft_option(text: Option<&String>) -> Value {
    text.map_or(Value::Null, |t| Value::String(soft(t)))
}

/// Paragraphs of a text, separated by empty lines.
pub(crate) fn paragraphs(text: &str) -> Vec<String> {
    text.replace("\r\n", "\n").split("\n\n").map(soft).filter(|p| !p.is_empty()).collect()
}

/// The parts that are not empty, joined.
fn joined(parts: &[&str], by: &str) -> String {
    parts.iter().map(|p| p.trim()).filter(|p| !p.is_empty()).collect::<Vec<_>>().join(by)
}

pub(crate) fn findings(list: &[Finding]) -> Value {
    list.iter().map(|f| json!({ "weight": f.weight, "text": soft(&f.text) })).collect()
}

/// A probability in whole per cent, never 0 or 100.
fn per_cent(probability: f64) -> String {
    if !probability.is_finite() {
        String::new()
    } else if probability > 0.995 {
        "> 99 %".to_owned()
    } else if probability < 0.005 {
        "< 1 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * probability)
    }
}

/// Whole numbers with thin spaces between thousands.
fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(c);
    }
    out
}

/// A level or margin to a tenth of a decibel; a dash where there is none.
fn tenth(value: f64) -> String {
    if value.is_finite() { signed(value, 1) } else { "–".to_owned() }
}

/// a, b, … for limits.
fn letter(index: usize) -> String {
    let letter = char::from(b'a' + (index % 26) as u8);
    if index < 26 { letter.to_string() } else { format!("{letter}{}", index / 26) }
}

pub(crate) fn of(evidence: &Evidence, options: &PlotOptions) -> Value {
    let p = &evidence.project;
    let product = joined(&[&p.product, &p.model], " ");
    let title = if p.title.is_empty() { product.clone() } else { p.title.clone() };
    let mut product_facts = vec![
        ("product".to_owned(), p.product.clone()),
        ("model".to_owned(), p.model.clone()),
        ("maker".to_owned(), p.maker.clone()),
    ];
    product_facts.extend(p.facts.iter().map(|f| (f.name.clone(), f.value.clone())));
    let tool = if evidence.tool_version.is_empty() {
        "Hushfield".to_owned()
    } else {
        format!("Hushfield {}", evidence.tool_version)
    };
    let versions = if evidence.data_version.is_empty() {
        tool.clone()
    } else {
        format!("{tool}, limit data {}", evidence.data_version)
    };
    json!({
        "title": printable(&joined(&["Electromagnetic compatibility: evidence", &title], ": ")),
        "maker": printable(&p.maker),
        "product": soft(if product.is_empty() { "Unnamed product" } else { &product }),
        "subtitle": soft(&joined(&[&p.title, &p.maker, &evidence.generated_at], " · ")),
        "running": shortened(&printable(&joined(&[&product, &p.title], " · ")), 85),
        "generated_at": soft(&evidence.generated_at),
        "versions": soft(&versions),
        "description": paragraphs(&p.description),
        "product_facts": pairs(&product_facts),
        "samples": evidence.samples.iter().map(|s| json!({
            "id": soft(&s.id), "serial": soft(&s.serial), "description": soft(&s.description),
        })).collect::<Value>(),
        "states": evidence.states.iter().map(|s| json!({
            "id": soft(&s.id), "date": soft(&s.date), "description": soft(&s.description),
        })).collect::<Value>(),
        "set_up": paragraphs(&evidence.set_up),
        "mains": evidence.runs.iter().any(|r| r.mains),
        "cautions": evidence.cautions.iter().map(|c| soft(c)).collect::<Vec<_>>(),
        "findings": findings(&evidence.findings),
        "not_measured": evidence.not_measured.iter().map(|c| soft(c)).collect::<Vec<_>>(),
        "runs": evidence.runs.iter().enumerate().map(|(i, r)| run(i, r, options)).collect::<Value>(),
        "mains_runs": evidence.mains.iter().enumerate().map(|(i, m)| crate::mains::view(i, m)).collect::<Value>(),
        "sections": evidence.sections.iter().enumerate().map(|(i, s)| crate::section::view(i, s)).collect::<Value>(),
        "version_facts": pairs(&[
            ("report made".to_owned(), evidence.generated_at.clone()),
            ("program".to_owned(), tool),
            ("limit data".to_owned(), evidence.data_version.clone()),
        ]),
    })
}

pub(crate) fn pairs_of(list: &[crate::Fact]) -> Value {
    list.iter().map(|f| json!([soft(&f.name), soft(&f.value)])).collect()
}

fn pairs(list: &[(String, String)]) -> Value {
    list.iter().map(|(name, value)| json!([soft(name), soft(value)])).collect()
}

fn run(index: usize, r: &RunEvidence, options: &PlotOptions) -> Value {
    let uncertainty = r.verdict.as_ref().and_then(|v| v.expanded_uncertainty_db).unwrap_or(0.0);
    let unit = r.trace.unit.map_or("dB", quantity::Unit::symbol);
    let where_measured = joined(&[&r.port, &r.conductor], ", ");
    let heading = joined(&[&format!("Run {}", r.id), &r.title], ": ");
    let any_note = r.suspects.iter().any(|s| !s.note.trim().is_empty());
    let marked = options.marked.min(r.suspects.len());
    let suspects: Value = r
        .suspects
        .iter()
        .enumerate()
        .map(|(i, s)| {
            json!({
                "number": i + 1,
                "mark": Mark::of(s.margin_db, uncertainty).key(),
                "conclusive": s.conclusive,
                "frequency": frequency_column(s.frequency_hz),
                "level": tenth(s.level_db),
                "detector": s.detector.map_or("–", Detector::name),
                "limit": tenth(s.limit_db),
                "letter": r.limits.iter().position(|l| l.id == s.limit_id).map_or_else(String::new, letter),
                "margin": margin_text(s.margin_db),
                "probability": s.probability.map_or_else(String::new, per_cent),
                "note": soft(&s.note),
            })
        })
        .collect();
    let limits: Value = r
        .limits
        .iter()
        .enumerate()
        .map(|(i, l)| {
            let unsettled = match (l.conclusive, l.compared_with) {
                (true, _) => String::new(),
                (false, Some(d)) => format!(
                    "Limit {}: a {} reading was compared with a {} limit; it settles the matter only where it lies below. Measure again with the {} detector.",
                    letter(i),
                    d.name(),
                    l.detector.name(),
                    l.detector.name()
                ),
                (false, None) => format!("Limit {}: what was measured does not settle it.", letter(i)),
            };
            let read_with = match l.compared_with {
                Some(d) if d != l.detector => format!("{} (for {})", d.name(), l.detector.name()),
                _ => l.detector.name().to_owned(),
            };
            json!({
                "letter": letter(i),
                "title": soft(if l.title.is_empty() { &l.id } else { &l.title }),
                "standard": soft(&joined(&[&l.standard, &l.table, &l.id], " · ")),
                "source": soft(&l.source),
                "detector": read_with,
                "margin": l.worst.map_or_else(|| "–".to_owned(), |w| format!("{} dB", margin_text(w.margin_db))),
                "at": l.worst.map_or_else(String::new, |w| frequency_text(w.frequency_hz)),
                "known": match l.known {
                    Known::Seen => "read in the source",
                    Known::Memory => "from memory",
                    Known::User => "set by the user",
                },
                "unsettled": unsettled,
            })
        })
        .collect();
    let range = match (r.trace.frequency_hz.first(), r.trace.frequency_hz.last()) {
        (Some(&a), Some(&b)) => format!(
            "{} to {}; {} frequencies",
            frequency_text(a),
            frequency_text(b),
            grouped(r.trace.frequency_hz.len() as u64)
        ),
        _ => String::new(),
    };
    let facts = [
        ("kind of test".to_owned(), r.kind.clone()),
        ("measured".to_owned(), joined(&[&r.date, &r.operator], ", by ")),
        ("sample".to_owned(), r.sample.clone()),
        ("modification state".to_owned(), r.state.clone()),
        ("operating mode".to_owned(), r.mode.clone()),
        ("port".to_owned(), where_measured.clone()),
        ("range".to_owned(), range),
        ("bandwidth (−6 dB)".to_owned(), r.trace.bandwidth_hz.map_or_else(String::new, frequency_text)),
    ];
    let ground = if r.limits.is_empty() { "" } else { "The hatched ground is forbidden." };
    let caption = match r.suspects.first() {
        Some(s) if s.margin_db.is_finite() => format!(
            "{ground} The dimension shows the margin of suspect 1, {} dB at {}.",
            margin_text(s.margin_db),
            frequency_text(s.frequency_hz)
        ),
        _ => format!("Levels in {unit} against frequency. {ground}"),
    };
    let caption = bound(caption.trim());
    let sample = if r.sample.is_empty() { String::new() } else { format!("sample {}", r.sample) };
    let short = joined(&[&format!("Run {}", r.id), &r.kind, &where_measured, &sample, &r.mode, &r.date], ", ");
    json!({
        "index": index,
        "label": format!("run-{index}"),
        "heading": soft(&heading),
        "in-short": soft(&short),
        "plot": plot_name(index),
        "alt": printable(&caption),
        "caption": caption,
        "unit": unit,
        "marked": marked,
        "any-note": any_note,
        "any-inconclusive": r.suspects.iter().any(|s| !s.conclusive),
        "any-probability": r.suspects.iter().any(|s| s.probability.is_some()),
        "any-memory": r.limits.iter().any(|l| l.known == Known::Memory),
        "suspects": suspects,
        "limits": limits,
        "no-verdict": if r.limits.is_empty() { "No verdict: the levels were compared with no limit." } else { "No verdict was given." },
        "verdict": r.verdict.as_ref().map(verdict),
        "gaps": r.gaps.iter().map(|t| soft(t)).collect::<Vec<_>>(),
        "lower_bounds": r.lower_bounds.iter().map(|t| soft(t)).collect::<Vec<_>>(),
        "findings": findings(&r.findings),
        "facts": pairs(&facts),
        "set_up": paragraphs(&r.set_up),
        "receiver": r.receiver.iter().map(|t| soft(t)).collect::<Vec<_>>(),
        "chain": r.chain.iter().map(|c| json!({
            "name": soft(&c.name), "kind": soft(&c.kind), "correction": soft(&c.correction),
            "calibrated": soft_option(c.calibrated.as_ref()), "due": soft_option(c.due.as_ref()),
            "overdue": c.overdue, "source": soft(&c.source),
        })).collect::<Value>(),
        "equipment": r.equipment.iter().map(|e| json!({
            "name": soft(&e.name), "serial": soft(&e.serial),
            "calibrated": soft_option(e.calibrated.as_ref()), "due": soft_option(e.due.as_ref()),
            "overdue": e.overdue,
        })).collect::<Value>(),
        "files": r.files.iter().map(|f| json!({
            "name": soft(&f.name), "bytes": grouped(f.bytes), "blake3": printable(&f.blake3), "changed": f.changed,
        })).collect::<Value>(),
    })
}

fn verdict(v: &VerdictEvidence) -> Value {
    let decision = match v.decision {
        Decision::Pass => "The readings lie within every limit they were compared with.",
        Decision::Fail => "At least one reading lies above its limit.",
        Decision::Inconclusive => "What was measured does not settle the question.",
    };
    let chance = match v.probability.map(per_cent).as_deref() {
        None | Some("") => String::new(),
        Some("> 99 %") => "The probability of meeting the limits when measured again is above 99 %.".to_owned(),
        Some("< 1 %") => "The probability of meeting the limits when measured again is below 1 %.".to_owned(),
        Some(p) => format!("The probability of meeting the limits when measured again is {p}."),
    };
    let expanded = v.expanded_uncertainty_db.filter(|u| u.is_finite()).map_or_else(
        || "No expanded uncertainty was given with it.".to_owned(),
        |u| format!("The expanded uncertainty of a reading is ±{u:.1} dB (coverage factor 2, about 95 %)."),
    );
    json!({
        "decision": match v.decision {
            Decision::Pass => "pass",
            Decision::Fail => "fail",
            Decision::Inconclusive => "inconclusive",
        },
        "sentence": soft(&v.sentence),
        "in-words": joined(&[decision, &chance, &expanded], " "),
        "uncertainty": v.uncertainty.iter().map(|u| soft(u)).collect::<Vec<_>>(),
    })
}
