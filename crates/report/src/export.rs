use crate::{Evidence, RunEvidence};

/// The whole evidence as one indented JSON document.
pub fn evidence_json(evidence: &Evidence) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(evidence)?;
    text.push('\n');
    Ok(text)
}

/// The levels of a run as CSV: `frequency_hz`, then one column a detector named with the unit (`quasi_peak_dbuv`), then
/// one column a limit, named by its id. Four decimals; an empty cell where there is no level or no limit.
pub fn trace_csv(run: &RunEvidence) -> String {
    use std::fmt::Write as _;

    let suffix = run.trace.unit.map_or("db", quantity::Unit::field_suffix);
    let mut text = String::from("frequency_hz");
    for column in &run.trace.columns {
        let name = column.detector.map_or_else(|| field_name(&column.name), |d| d.key().to_owned());
        let _ = write!(text, ",{name}_{suffix}");
    }
    for limit in &run.limits {
        let _ = write!(text, ",{}", cell(&format!("limit {} {suffix}", limit.id)));
    }
    text.push('\n');
    let tables: Vec<_> = run.limits.iter().map(|l| l.level_table().ok()).collect();
    for (i, f) in run.trace.frequency_hz.iter().enumerate() {
        let _ = write!(text, "{f}");
        for column in &run.trace.columns {
            push_level(&mut text, column.level_db.get(i).copied());
        }
        for table in &tables {
            push_level(&mut text, table.as_ref().and_then(|t| t.at(*f)));
        }
        text.push('\n');
    }
    text
}

/// The suspects of a run as CSV, in the order of the report's table.
pub fn suspects_csv(run: &RunEvidence) -> String {
    use std::fmt::Write as _;

    let suffix = run.trace.unit.map_or("db", quantity::Unit::field_suffix);
    let mut text = format!(
        "number,frequency_hz,detector,level_{suffix},limit_{suffix},margin_db,conclusive,probability,limit_id,note\n"
    );
    for (i, s) in run.suspects.iter().enumerate() {
        let _ = write!(text, "{},{},{}", i + 1, s.frequency_hz, s.detector.map_or("", standards::Detector::key));
        for level in [s.level_db, s.limit_db, s.margin_db] {
            push_level(&mut text, Some(level));
        }
        let probability = s.probability.map_or_else(String::new, |p| format!("{p:.4}"));
        let _ = writeln!(text, ",{},{probability},{},{}", s.conclusive, cell(&s.limit_id), cell(&s.note));
    }
    text
}

fn push_level(text: &mut String, level: Option<f64>) {
    use std::fmt::Write as _;

    text.push(',');
    if let Some(v) = level.filter(|v| v.is_finite()) {
        let _ = write!(text, "{v:.4}");
    }
}

/// A column name from free text: lower case, words joined by underscores.
fn field_name(text: &str) -> String {
    let words: Vec<String> =
        text.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).map(str::to_lowercase).collect();
    if words.is_empty() { "level".to_owned() } else { words.join("_") }
}

/// A cell of free text, quoted where it must be (RFC 4180). Text that a spreadsheet would run as a formula gets a
/// leading apostrophe, since the text comes from whoever named the files.
fn cell(text: &str) -> String {
    let text = if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() };
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}
