//! Run sheets on paper: set-up drawings, cautions at their places, a box to tick and a line for remarks at every step.

use std::collections::HashMap;

use immunity::drawing::Drawing;
use serde::Serialize;
use typst::foundations::Bytes;

use crate::render::{id, moment, printable, set};
use crate::{Ink, Rendered, ReportError, set_up_svg};

/// One step.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PaperStep {
    /// Name within the sheet.
    pub id: String,
    /// What is applied.
    pub stimulus: String,
    /// Level with its unit.
    pub level: String,
    /// How many.
    pub count: u32,
    /// How long, in words.
    pub time: String,
}

/// Steps at one place.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PaperPlace {
    /// Where.
    pub place: String,
    /// What is moved before, with its time; empty where nothing is.
    pub change: String,
    /// What can hurt whoever moves it; empty where nothing can.
    pub caution: String,
    /// The steps.
    pub steps: Vec<PaperStep>,
}

/// One sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct PaperSheet {
    /// For people.
    pub title: String,
    /// Standard and clause.
    pub clause: String,
    /// The method is from memory.
    pub memory: bool,
    /// Counts and times in a sentence.
    pub summary: String,
    /// Who asks for it.
    pub asked_by: Vec<String>,
    /// What can hurt someone.
    pub cautions: Vec<String>,
    /// The set-up.
    pub drawings: Vec<Drawing>,
    /// Distances and arrangement, to be ticked.
    pub set_up: Vec<String>,
    /// Climate, empty where the method limits none.
    pub climate: String,
    /// What was taken.
    pub assumed: Vec<String>,
    /// What is to be answered.
    pub questions: Vec<String>,
    /// Wear of protection parts.
    pub wear: Vec<String>,
    /// The steps, place by place.
    pub places: Vec<PaperPlace>,
}

/// A place in the order of tests.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PaperOrder {
    /// From 1.
    pub place: usize,
    /// The test.
    pub title: String,
    /// How long, in words.
    pub time: String,
    /// Why there.
    pub why: String,
}

/// Sheets as they are printed.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetPaper {
    /// The product's name.
    pub product: String,
    /// E.g. `2026-11-25 10:20`.
    pub generated_at: String,
    /// The order that saves the sample; empty where one sheet alone is printed.
    pub order: Vec<PaperOrder>,
    /// What to do between them.
    pub between: Vec<String>,
    /// What would be worn out.
    pub warnings: Vec<String>,
    /// The sheets.
    pub sheets: Vec<PaperSheet>,
}

#[derive(Serialize)]
struct Picture {
    file: String,
    title: String,
    spoken: String,
    notes: Vec<String>,
}

#[derive(Serialize)]
struct SheetView<'a> {
    title: String,
    clause: String,
    memory: bool,
    summary: String,
    asked_by: Vec<String>,
    cautions: Vec<String>,
    drawings: Vec<Picture>,
    set_up: Vec<String>,
    climate: String,
    assumed: Vec<String>,
    questions: Vec<String>,
    wear: Vec<String>,
    places: Vec<PaperPlace>,
    #[serde(skip)]
    of: &'a PaperSheet,
}

#[derive(Serialize)]
struct View<'a> {
    product: String,
    generated_at: &'a str,
    order: Vec<PaperOrder>,
    between: Vec<String>,
    warnings: Vec<String>,
    sheets: Vec<SheetView<'a>>,
}

fn texts(list: &[String]) -> Vec<String> {
    list.iter().map(|t| printable(t)).collect()
}

fn picture_name(sheet: usize, picture: usize) -> String {
    format!("set-up-{sheet}-{picture}.svg")
}

fn view(paper: &SheetPaper) -> View<'_> {
    let place = |p: &PaperPlace| PaperPlace {
        place: printable(&p.place),
        change: printable(&p.change),
        caution: printable(&p.caution),
        steps: p
            .steps
            .iter()
            .map(|s| PaperStep {
                id: s.id.clone(),
                stimulus: printable(&s.stimulus),
                level: printable(&s.level),
                count: s.count,
                time: s.time.clone(),
            })
            .collect(),
    };
    View {
        product: printable(&paper.product),
        generated_at: &paper.generated_at,
        order: paper.order.clone(),
        between: texts(&paper.between),
        warnings: texts(&paper.warnings),
        sheets: paper
            .sheets
            .iter()
            .enumerate()
            .map(|(i, s)| SheetView {
                title: printable(&s.title),
                clause: printable(&s.clause),
                memory: s.memory,
                summary: printable(&s.summary),
                asked_by: texts(&s.asked_by),
                cautions: texts(&s.cautions),
                drawings: s
                    .drawings
                    .iter()
                    .enumerate()
                    .map(|(k, d)| Picture {
                        file: picture_name(i, k),
                        title: printable(&d.title),
                        spoken: printable(&d.spoken()),
                        notes: texts(&d.notes),
                    })
                    .collect(),
                set_up: texts(&s.set_up),
                climate: printable(&s.climate),
                assumed: texts(&s.assumed),
                questions: texts(&s.questions),
                wear: texts(&s.wear),
                places: s.places.iter().map(place).collect(),
                of: s,
            })
            .collect(),
    }
}

/// The sheets as PDF/A-2b, each on a page of its own. The same sheets give the same bytes.
///
/// # Errors
/// Where `generated_at` is no date, or the layout fails.
pub fn render_run_sheets(paper: &SheetPaper) -> Result<Rendered, ReportError> {
    let timestamp =
        moment(&paper.generated_at).ok_or_else(|| ReportError::Date { found: paper.generated_at.clone() })?;
    let view = view(paper);
    let mut files = HashMap::new();
    files.insert(id("sheets.typ")?, Bytes::from_string(include_str!("../assets/sheets.typ")));
    for (i, s) in view.sheets.iter().enumerate() {
        for (k, d) in s.of.drawings.iter().enumerate() {
            files.insert(id(&picture_name(i, k))?, Bytes::from_string(printable(&set_up_svg(d, Ink::Paper))));
        }
    }
    files.insert(id("data.json")?, Bytes::from_string(serde_json::to_string(&view)?));
    let identity = format!("hushfield run sheets {} {}", paper.product, paper.generated_at);
    set("sheets.typ", files, identity, timestamp)
}

#[cfg(test)]
mod tests {
    use immunity::drawing::{SetUpFacts, drawings};

    use super::*;

    #[test]
    fn a_sheet_has_a_box_and_a_caution_at_every_place() {
        let facts = SetUpFacts {
            size_m: [0.3, 0.2, 0.1],
            floor: false,
            screened: false,
            mains: true,
            mains_v: Some(230.0),
            magnetic_a_per_m: None,
        };
        let step = |k: u32| PaperStep {
            id: format!("surge-{k:03}"),
            stimulus: "surge + at 90°".into(),
            level: "2 kV".into(),
            count: 5,
            time: "5 min".into(),
        };
        let sheet = PaperSheet {
            title: "Surges".into(),
            clause: "IEC 61000-4-5, clause 8.2".into(),
            memory: true,
            summary: "Five pulses.".into(),
            asked_by: vec!["Mains: Table 4, criterion B".into()],
            cautions: vec!["High voltage.".into()],
            drawings: drawings("surge", &facts),
            set_up: vec!["2 m or shorter".into()],
            climate: String::new(),
            assumed: vec!["50 Hz mains.".into()],
            questions: vec!["at which frequency? (supply.frequency_hz)".into()],
            wear: vec!["RV1: 12 % of its life".into()],
            places: vec![PaperPlace {
                place: "Mains, L to earth # $".into(),
                change: "plug first: 5 min".into(),
                caution: "Before touching: off.".into(),
                steps: (1..=60).map(step).collect(),
            }],
        };
        let paper = SheetPaper {
            product: "A pump".into(),
            generated_at: "2026-11-25 10:20".into(),
            order: vec![PaperOrder { place: 1, title: "Surges".into(), time: "2 h".into(), why: "Last.".into() }],
            between: vec!["A full check.".into()],
            warnings: vec!["RV1 wears out.".into()],
            sheets: vec![sheet],
        };
        let r = render_run_sheets(&paper).unwrap();
        assert!(r.warnings.is_empty(), "{:?}", r.warnings);
        let text = r.text.join(" ");
        for word in [
            "A pump",
            "surge-001",
            "surge-060",
            "Before touching",
            "RV1 wears out",
            "criterion B",
            "from memory",
            "A full check",
        ] {
            assert!(text.contains(word), "{word}");
        }
        assert!(r.pages >= 3);
        assert_eq!(render_run_sheets(&paper).unwrap().pdf, r.pdf);
        assert!(render_run_sheets(&SheetPaper { generated_at: "soon".into(), ..paper }).is_err());
    }
}
