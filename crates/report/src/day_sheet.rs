//! The laboratory days on one sheet, A4 across: the chart of the days, what to bring, what to do if a test fails, cautions.

use std::collections::HashMap;

use serde::Serialize;
use typst::foundations::Bytes;

use crate::render::{id, moment, printable, set};
use crate::{Rendered, ReportError};

/// What a stretch of a day is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SheetKind {
    /// A rig is set up.
    SetUp,
    /// A test.
    Test,
    /// Left for repeats.
    Free,
    /// A rig is prepared while another is at work.
    Beside,
}

/// One stretch.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetEntry {
    /// From, minutes after midnight.
    pub from_min: u32,
    /// To, minutes after midnight.
    pub to_min: u32,
    /// What for.
    pub kind: SheetKind,
    /// For people.
    pub title: String,
    /// Chance of failing, where it is likely.
    pub fails: Option<f64>,
}

/// One day.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetDay {
    /// E.g. `Day 1, Monday 7 December 2026`.
    pub name: String,
    /// In time; breaks are left out.
    pub entries: Vec<SheetEntry>,
}

/// What to do if a test fails.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SheetDecision {
    /// The test.
    pub title: String,
    /// Chance of failing, percent.
    pub fails_percent: u32,
    /// Minutes a fix on the spot may take.
    pub worth_min: u32,
    /// Passed work that a fix puts in doubt, minutes.
    pub doubt_min: u32,
}

/// The days as they are printed.
#[derive(Debug, Clone, PartialEq)]
pub struct DaySheet {
    /// The product's name.
    pub product: String,
    /// The laboratory's name.
    pub laboratory: String,
    /// Price, half-days, free time: one line each.
    pub summary: Vec<String>,
    /// When the sheet was made, e.g. `2026-11-25 10:20`.
    pub generated_at: String,
    /// The laboratory opens, minutes after midnight.
    pub opens_min: u32,
    /// It closes, minutes after midnight.
    pub closes_min: u32,
    /// The days.
    pub days: Vec<SheetDay>,
    /// What to bring, by the reason for it.
    pub bring: Vec<(String, Vec<String>)>,
    /// If a test fails, the likeliest first.
    pub decisions: Vec<SheetDecision>,
    /// What to carry so that a fix can be tried.
    pub carry: Vec<String>,
    /// What to beware of.
    pub cautions: Vec<String>,
}

/// Text sizes that are tried until everything stands on one page, pt.
const SIZES_PT: [f64; 8] = [8.5, 8.0, 7.5, 7.0, 6.5, 6.0, 5.5, 5.0];
/// Height of the chart, mm.
const CHART_MM: f64 = 132.0;

#[derive(Serialize)]
struct Block {
    y_mm: f64,
    height_mm: f64,
    kind: SheetKind,
    label: String,
    /// Where the label's line stands, mm from the chart's top; none: no label.
    label_mm: f64,
    risk: String,
}

#[derive(Serialize)]
struct Day {
    name: String,
    blocks: Vec<Block>,
}

#[derive(Serialize)]
struct View<'a> {
    product: String,
    laboratory: String,
    summary: Vec<String>,
    generated_at: &'a str,
    size_pt: f64,
    chart_mm: f64,
    hours: Vec<(f64, String)>,
    days: Vec<Day>,
    bring: Vec<(String, String)>,
    decisions: &'a [SheetDecision],
    carry: Vec<String>,
    cautions: Vec<String>,
}

fn clock(minutes: u32) -> String {
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}

/// Lines of a pitch, each as near to where it belongs as the others allow, none above 0 or below `most`.
fn spread(wanted: &[f64], pitch: f64, most: f64) -> Vec<f64> {
    let mut at = wanted.to_vec();
    let mut least = 0.0;
    for y in &mut at {
        *y = y.max(least);
        least = *y + pitch;
    }
    let mut largest = most;
    for y in at.iter_mut().rev() {
        *y = y.min(largest);
        largest = *y - pitch;
    }
    at
}

fn view(sheet: &DaySheet, size_pt: f64) -> View<'_> {
    let span = f64::from(sheet.closes_min.saturating_sub(sheet.opens_min).max(1));
    let y = |minutes: u32| f64::from(minutes.saturating_sub(sheet.opens_min)) / span * CHART_MM;
    // 1.25 lines of the text size; 1 pt is 0.3528 mm.
    let most_lines = sheet.days.iter().map(|d| d.entries.len()).max().unwrap_or(0).max(1);
    let pitch = (size_pt * 1.25 * 0.3528).min(CHART_MM / most_lines as f64);
    let days = sheet
        .days
        .iter()
        .map(|day| {
            let middles: Vec<f64> =
                day.entries.iter().map(|e| f64::midpoint(y(e.from_min), y(e.to_min)) - pitch / 2.0).collect();
            let lines = spread(&middles, pitch, CHART_MM - pitch);
            Day {
                name: printable(&day.name),
                blocks: day
                    .entries
                    .iter()
                    .zip(lines)
                    .map(|(e, label_mm)| Block {
                        y_mm: y(e.from_min),
                        height_mm: (y(e.to_min) - y(e.from_min)).max(0.3),
                        kind: e.kind,
                        label: printable(&format!("{} {}", clock(e.from_min), e.title)),
                        label_mm,
                        risk: e.fails.map_or_else(String::new, |p| format!("{:.0} %", 100.0 * p)),
                    })
                    .collect(),
            }
        })
        .collect();
    let first_hour = sheet.opens_min.div_ceil(60);
    let hours = (first_hour..=sheet.closes_min / 60).map(|h| (y(h * 60), clock(h * 60))).collect();
    let texts = |list: &[String]| list.iter().map(|t| printable(t)).collect();
    View {
        product: printable(&sheet.product),
        laboratory: printable(&sheet.laboratory),
        summary: texts(&sheet.summary),
        generated_at: &sheet.generated_at,
        size_pt,
        chart_mm: CHART_MM,
        hours,
        days,
        bring: sheet.bring.iter().map(|(why, what)| (printable(why), printable(&what.join("; ")))).collect(),
        decisions: &sheet.decisions,
        carry: texts(&sheet.carry),
        cautions: texts(&sheet.cautions),
    }
}

/// The days as PDF/A-2b on one A4 page across: the text gets smaller until all of it fits, down to 5 pt; a list that is
/// longer even then goes on to a second page.
///
/// # Errors
/// Where `generated_at` is no date, or the layout fails.
pub fn render_day_sheet(sheet: &DaySheet) -> Result<Rendered, ReportError> {
    let timestamp =
        moment(&sheet.generated_at).ok_or_else(|| ReportError::Date { found: sheet.generated_at.clone() })?;
    let mut last = None;
    for size_pt in SIZES_PT {
        let mut files = HashMap::new();
        files.insert(id("days.typ")?, Bytes::from_string(include_str!("../assets/days.typ")));
        let data = serde_json::to_string(&view(sheet, size_pt))?;
        files.insert(id("data.json")?, Bytes::from_string(data));
        let identity = format!("hushfield days {} {}", sheet.product, sheet.generated_at);
        let rendered = set("days.typ", files, identity, timestamp)?;
        if rendered.pages == 1 {
            return Ok(rendered);
        }
        last = Some(rendered);
    }
    last.ok_or_else(|| ReportError::Layout("no size of text was tried".to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_keep_their_pitch_and_their_place() {
        assert_eq!(spread(&[0.0, 10.0, 20.0], 3.0, 100.0), [0.0, 10.0, 20.0]);
        assert_eq!(spread(&[5.0, 5.5, 6.0], 3.0, 100.0), [5.0, 8.0, 11.0]);
        assert_eq!(spread(&[95.0, 96.0, 99.0], 3.0, 100.0), [94.0, 97.0, 100.0]);
        assert_eq!(spread(&[-4.0], 3.0, 100.0), [0.0]);
    }

    fn sheet(days: u32, lines: usize) -> DaySheet {
        let entry = |k: u32| SheetEntry {
            from_min: 510 + 20 * k,
            to_min: 525 + 20 * k,
            kind: if k.is_multiple_of(2) { SheetKind::SetUp } else { SheetKind::Test },
            title: format!("Burst number {k}, port Sensors # & $ with a long name that is cut"),
            fails: k.is_multiple_of(3).then_some(0.3),
        };
        DaySheet {
            product: "A pump".to_owned(),
            laboratory: "in town".to_owned(),
            summary: vec!["3 half-days, 2700 EUR".to_owned()],
            generated_at: "2026-11-25 10:20".to_owned(),
            opens_min: 510,
            closes_min: 1050,
            days: (1..=days)
                .map(|d| SheetDay { name: format!("Day {d}"), entries: (0..20).map(entry).collect() })
                .collect(),
            bring: (0..lines)
                .map(|k| (format!("reason {k}"), vec!["a cable of 60 m with the load of its far end".to_owned(); 3]))
                .collect(),
            decisions: (0..lines as u32)
                .map(|k| SheetDecision { title: format!("test {k}"), fails_percent: 30, worth_min: 200, doubt_min: 50 })
                .collect(),
            carry: vec!["ferrites".to_owned()],
            cautions: vec!["Lethal stored energy: never alone.".to_owned(); 5],
        }
    }

    #[test]
    fn a_visit_stands_on_one_page_with_everything_on_it() {
        for days in [1, 2, 4] {
            let r = render_day_sheet(&sheet(days, 12)).unwrap();
            assert_eq!((r.pages, r.warnings.len()), (1, 0), "{days} days: {:?}", r.warnings);
            let text = &r.text[0];
            for word in ["A pump", "in town", "Day 1", "Burst number 19", "reason 11", "test 11", "never alone", "30 %"]
            {
                assert!(text.contains(word), "{word}: {text}");
            }
        }
        let wrong = DaySheet { generated_at: "soon".to_owned(), ..sheet(1, 1) };
        assert!(render_day_sheet(&wrong).unwrap_err().to_string().contains("generated_at"));
        // The same sheet gives the same bytes.
        assert_eq!(render_day_sheet(&sheet(2, 3)).unwrap().pdf, render_day_sheet(&sheet(2, 3)).unwrap().pdf);
    }
}
