//! A section of the report that is no single run: what several runs say together, in sentences, pictures and tables.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::evidence::{Decision, Fact, Finding};
use crate::view::{findings, pairs_of, paragraphs, soft};

/// A picture with its caption.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct PictureEvidence {
    /// The picture as SVG, e.g. from [`crate::pictures`].
    pub svg: String,
    /// One sentence for those who cannot see it.
    pub alt: String,
    /// What stands under it.
    pub caption: String,
    /// Width, % of the text's; two of at most 50 stand side by side.
    pub width_percent: u8,
}

/// A table. All rows are as long as the head.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct TableEvidence {
    /// Heading above it; empty for none.
    pub title: String,
    /// Names of the columns.
    pub head: Vec<String>,
    /// True for a column of figures, which is set to the right.
    pub figures: Vec<bool>,
    /// Shares of the width for each column, where they hold sentences; empty: as wide as what they hold.
    pub widths: Vec<u8>,
    /// The cells, row by row.
    pub rows: Vec<Vec<String>>,
}

/// A section.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct SectionEvidence {
    /// Its heading.
    pub heading: String,
    /// What it comes to, in a sentence; stands on the first page too where `decision` is given.
    pub sentence: String,
    /// What it comes to, where it decides something.
    pub decision: Option<Decision>,
    /// What can hurt someone in this measurement; empty for nothing.
    pub caution: String,
    /// Facts in pairs.
    pub facts: Vec<Fact>,
    /// Text; paragraphs are separated by an empty line.
    pub text: String,
    /// Pictures.
    pub pictures: Vec<PictureEvidence>,
    /// Tables.
    pub tables: Vec<TableEvidence>,
    /// What stands against it.
    pub findings: Vec<Finding>,
}

pub(crate) fn picture_name(section: usize, picture: usize) -> String {
    format!("section-{section}-{picture}.svg")
}

pub(crate) fn view(index: usize, s: &SectionEvidence) -> Value {
    json!({
        "label": format!("section-{index}"),
        "heading": soft(&s.heading),
        "verdict": s.decision.map(|d| json!({ "sentence": soft(&s.sentence), "decision": d })),
        "sentence": soft(&s.sentence),
        "caution": paragraphs(&s.caution),
        "facts": pairs_of(&s.facts),
        "text": paragraphs(&s.text),
        "pictures": s.pictures.iter().enumerate().map(|(k, p)| json!({
            "file": picture_name(index, k),
            "alt": soft(&p.alt),
            "caption": soft(&p.caption),
            "width": if p.width_percent == 0 { 100 } else { p.width_percent.min(100) },
        })).collect::<Value>(),
        "tables": s.tables.iter().filter(|t| !t.head.is_empty()).map(|t| json!({
            "title": soft(&t.title),
            "head": t.head.iter().map(|h| soft(h)).collect::<Vec<_>>(),
            "figures": (0..t.head.len()).map(|k| t.figures.get(k).copied().unwrap_or(false)).collect::<Vec<_>>(),
            // A row that is too short would shift every cell after it.
            "widths": (t.widths.len() == t.head.len()).then_some(&t.widths),
            "rows": t.rows.iter().map(|r| (0..t.head.len()).map(|k| r.get(k).map_or(String::new(), |c| soft(c))).collect::<Vec<_>>()).collect::<Vec<_>>(),
        })).collect::<Value>(),
        "findings": findings(&s.findings),
    })
}
