//! The index of the technical documentation, and the data that a declaration of conformity names.
//!
//! The maker declares and signs; this only gathers what is there and says what is missing.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::matrix::Matrix;
use crate::plan::Plan;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    id: String,
    title: String,
    asked: String,
    #[serde(default)]
    made_from: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    source: String,
    document: Vec<Row>,
    field: Vec<Row>,
}

static FILE: LazyLock<File> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    toml::from_str(include_str!("../data/technical_file.toml"))
        .unwrap_or_else(|error| panic!("built-in data on the technical file: {error}"))
});

/// What of the project goes into the file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Holdings {
    /// Name, type and serial numbers.
    pub identification: Vec<String>,
    /// The maker.
    pub maker: Option<String>,
    /// What the product is, in words.
    pub description: Option<String>,
    /// Where it is sold.
    pub markets: Vec<String>,
    /// Runs that count.
    pub runs: usize,
    /// Modification states with what was changed.
    pub states: Vec<String>,
    /// Files the maker put into `documents/ID/`, by that id and path.
    pub files: Vec<(String, String)>,
}

/// One document of the file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Document {
    /// Folder below `documents/` where the maker's own files of it go.
    pub id: String,
    /// What it is.
    pub title: String,
    /// Who asks for it.
    pub asked: String,
    /// Something of it is there.
    pub present: bool,
    /// Where: files, or what of the project it is made from.
    pub holds: Vec<String>,
}

/// One entry of a declaration of conformity.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DeclarationField {
    /// Short name.
    pub id: String,
    /// What it is.
    pub title: String,
    /// Who asks for it.
    pub asked: String,
    /// What the project knows of it; empty: the maker fills it in.
    pub known: Vec<String>,
}

/// A standard that a declaration could name.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AppliedStandard {
    /// Number with edition.
    pub number: String,
    /// What it is about.
    pub title: String,
    /// Tests planned by it.
    pub planned: usize,
    /// Of those, proven on the latest state.
    pub proven: usize,
    /// The rest, in words.
    pub open: Vec<String>,
}

/// Index and declaration data.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TechnicalFile {
    /// Where the lists come from.
    pub source: String,
    /// The documents.
    pub documents: Vec<Document>,
    /// Entries of a declaration.
    pub declaration: Vec<DeclarationField>,
    /// Standards, with what is proven of each.
    pub standards: Vec<AppliedStandard>,
    /// What it comes to.
    pub sentence: String,
    /// Who declares.
    pub caution: &'static str,
}

/// Who declares.
pub const MAKER_SIGNS: &str = "The maker declares and signs, and answers for it; nothing here declares anything. Check the lists \
                               against the law in force, and every standard against its edition cited there.";

/// Gathers the index.
pub fn technical_file(plan: &Plan, matrix: &Matrix, holdings: &Holdings) -> TechnicalFile {
    let standards: Vec<AppliedStandard> = plan
        .standards
        .iter()
        .map(|s| {
            let ids: Vec<&str> = plan.tests.iter().filter(|t| t.standard == s.id).map(|t| t.id.as_str()).collect();
            let rows: Vec<_> = matrix.rows.iter().filter(|r| ids.contains(&r.test.as_str())).collect();
            let proven = |r: &&&crate::matrix::Row| r.cells.last().is_some_and(|c| c.standing.proven());
            AppliedStandard {
                number: s.number.clone(),
                title: s.title.clone(),
                planned: rows.len(),
                proven: rows.iter().filter(proven).count(),
                open: rows
                    .iter()
                    .filter(|r| !proven(r))
                    .filter_map(|r| {
                        let words = r.cells.last()?.standing.words();
                        Some(format!("{}, {}: {words}", r.port_name, r.phenomenon.name()))
                    })
                    .collect(),
            }
        })
        .collect();
    let made = |from: &str| -> Vec<String> {
        match from {
            "description" => holdings.description.iter().cloned().collect(),
            "identification" => holdings.identification.clone(),
            "maker" => holdings.maker.iter().cloned().collect(),
            "plan" => standards.iter().map(|s| format!("{}, {}", s.number, s.title)).collect(),
            "runs" if holdings.runs > 0 => vec![format!("{} runs, in the evidence (hushfield report)", holdings.runs)],
            "changes" => holdings.states.clone(),
            "markets" => legislation(&holdings.markets),
            _ => Vec::new(),
        }
    };
    let documents: Vec<Document> = FILE
        .document
        .iter()
        .map(|d| {
            let files = holdings.files.iter().filter(|(id, _)| *id == d.id).map(|(_, path)| path.clone());
            let holds: Vec<String> = made(&d.made_from).into_iter().chain(files).collect();
            Document {
                id: d.id.clone(),
                title: d.title.clone(),
                asked: d.asked.clone(),
                present: !holds.is_empty(),
                holds,
            }
        })
        .collect();
    let declaration = FILE
        .field
        .iter()
        .map(|f| DeclarationField {
            id: f.id.clone(),
            title: f.title.clone(),
            asked: f.asked.clone(),
            known: made(&f.made_from),
        })
        .collect();
    let there = documents.iter().filter(|d| d.present).count();
    let open: usize = standards.iter().map(|s| s.planned - s.proven).sum();
    let tests = match open {
        0 if matrix.rows.is_empty() => "no test is planned".to_owned(),
        0 => "every planned test is proven on the latest state".to_owned(),
        1 => "one planned test is not proven on the latest state".to_owned(),
        n => format!("{n} planned tests are not proven on the latest state"),
    };
    TechnicalFile {
        source: FILE.source.clone(),
        sentence: format!("{there} of {} documents are there; {tests}.", documents.len()),
        documents,
        declaration,
        standards,
        caution: MAKER_SIGNS,
    }
}

/// The law that asks for electromagnetic compatibility in a market, as far as it is known here (from memory).
fn legislation(markets: &[String]) -> Vec<String> {
    markets
        .iter()
        .map(|m| match m.trim().to_ascii_uppercase().as_str() {
            "EU" => "EU: Directive 2014/30/EU (other directives may apply as well, e.g. low voltage, radio, machinery)"
                .to_owned(),
            "UK" => "UK: Electromagnetic Compatibility Regulations 2016 (S.I. 2016/1091)".to_owned(),
            "US" => "US: 47 CFR Part 15 (supplier's declaration or certification, by its own rules)".to_owned(),
            other => format!("{other}: not known here"),
        })
        .collect()
}

/// Folders below `documents/` in which the maker's own files are looked for.
pub fn document_ids() -> Vec<&'static str> {
    FILE.document.iter().map(|d| d.id.as_str()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Answers;
    use standards::RuleBase;

    #[test]
    fn what_is_there_and_what_is_missing() {
        let plan = crate::plan(&Answers::default(), RuleBase::embedded());
        let matrix = crate::matrix::matrix(&plan, &[], &[]);
        let empty = technical_file(&plan, &matrix, &Holdings::default());
        let present: Vec<&str> = empty.documents.iter().filter(|d| d.present).map(|d| d.id.as_str()).collect();
        assert!(present.iter().all(|id| *id == "standards"), "{present:?}");
        let holdings = Holdings {
            maker: Some("Works".into()),
            markets: vec!["EU".into(), "Mars".into()],
            files: vec![("drawings".into(), "documents/drawings/a.pdf".into()), ("other".into(), "x".into())],
            ..Holdings::default()
        };
        let file = technical_file(&plan, &matrix, &holdings);
        let document = |id: &str| file.documents.iter().find(|d| d.id == id).unwrap();
        assert_eq!(document("drawings").holds, ["documents/drawings/a.pdf"]);
        assert!(!document("risk").present);
        let field = |id: &str| file.declaration.iter().find(|f| f.id == id).unwrap();
        assert_eq!(field("maker").known, ["Works"]);
        assert!(field("legislation").known[0].contains("2014/30/EU"));
        assert_eq!(field("legislation").known[1], "MARS: not known here");
        // Nothing signs, and nobody but the maker is named responsible.
        assert!(field("signature").known.is_empty() && field("responsibility").known.is_empty());
        assert_eq!(document_ids().len(), file.documents.len());
    }
}
