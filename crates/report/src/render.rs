use std::collections::HashMap;
use std::sync::LazyLock;

use typst::diag::{FileError, FileResult};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::layout::{Frame, FrameItem};
use typst::syntax::{DiagSpan, FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt as _, World, WorldExt as _};
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

use crate::plot::{PlotOptions, spectrum_svg};
use crate::{Evidence, RunEvidence, mains, section, view};

/// Why a report could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A column is not as long as the frequencies.
    #[error("run {run}, column {column}: {found} levels for {expected} frequencies; expected one level a frequency")]
    Length {
        /// The run.
        run: String,
        /// The column.
        column: String,
        /// How many levels it has.
        found: usize,
        /// How many frequencies there are.
        expected: usize,
    },
    /// The frequencies do not rise.
    #[error("run {run}: frequency {index} ({frequency_hz} Hz) does not rise; expected rising, positive frequencies")]
    Frequency {
        /// The run.
        run: String,
        /// Which, counted from 1.
        index: usize,
        /// The frequency found.
        frequency_hz: f64,
    },
    /// A limit's points are not a table.
    #[error("run {run}, limit {limit}: {what}; expected points at rising frequencies")]
    Limit {
        /// The run.
        run: String,
        /// The limit's id.
        limit: String,
        /// What is wrong with them.
        what: quantity::TableError,
    },
    /// The report's date cannot be read: PDF/A demands one.
    #[error(
        "generated_at: {found:?} is not a date; expected one like 2026-11-25, 2026-11-25 10:20 or 2026-11-25T10:20:30+01:00"
    )]
    Date {
        /// What was found.
        found: String,
    },
    /// The evidence could not be written as JSON.
    #[error("the evidence could not be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// The page layout or the PDF failed.
    #[error("the report could not be laid out: {0}")]
    Layout(String),
}

/// A finished report.
#[derive(Debug, Clone, PartialEq)]
pub struct Rendered {
    /// The PDF.
    pub pdf: Vec<u8>,
    /// How many pages it has.
    pub pages: usize,
    /// The text of each page in the order in which it is set, without the plots' own.
    pub text: Vec<String>,
    /// What the layout complained of (none in a sound report).
    pub warnings: Vec<String>,
}

/// The evidence as PDF/A-2b. The same evidence gives the same bytes.
pub fn render_pdf(evidence: &Evidence) -> Result<Vec<u8>, ReportError> {
    Ok(render(evidence)?.pdf)
}

/// The evidence as PDF/A-2b, with its page count.
pub fn render(evidence: &Evidence) -> Result<Rendered, ReportError> {
    let timestamp =
        moment(&evidence.generated_at).ok_or_else(|| ReportError::Date { found: evidence.generated_at.clone() })?;
    evidence.runs.iter().try_for_each(check)?;
    let options = PlotOptions::default();
    let mut files = HashMap::new();
    files.insert(id("report.typ")?, Bytes::from_string(include_str!("../assets/report.typ")));
    for (i, run) in evidence.runs.iter().enumerate() {
        files.insert(id(&view::plot_name(i))?, Bytes::from_string(printable(&spectrum_svg(run, &options))));
    }
    for (i, m) in evidence.mains.iter().enumerate() {
        if let Some(w) = &m.wave {
            files.insert(id(&mains::wave_name(i))?, Bytes::from_string(printable(&mains::wave_svg(w))));
        }
        files.insert(id(&mains::bars_name(i))?, Bytes::from_string(printable(&mains::bars_svg(&m.orders))));
    }
    for (i, s) in evidence.sections.iter().enumerate() {
        for (k, p) in s.pictures.iter().enumerate() {
            files.insert(id(&section::picture_name(i, k))?, Bytes::from_string(printable(&p.svg)));
        }
    }
    let data = serde_json::to_string(&view::of(evidence, &options))?;
    files.insert(id("data.json")?, Bytes::from_string(data));
    // The identity of a document is what it says.
    let identity = format!("hushfield {} {}", evidence.project.title, evidence.generated_at);
    set("report.typ", files, identity, timestamp)
}

/// Sets a document from its template and files as PDF/A-2b.
pub(crate) fn set(
    main: &str,
    files: HashMap<FileId, Bytes>,
    identity: String,
    timestamp: Timestamp,
) -> Result<Rendered, ReportError> {
    let world = Memory { library: LazyHash::new(Library::default()), main: id(main)?, files };
    let compiled = typst::compile::<typst_layout::PagedDocument>(&world);
    let words = |list: &[typst::diag::SourceDiagnostic]| -> Vec<String> {
        list.iter().map(|d| world.place(d.span) + d.message.as_str()).collect()
    };
    let document = compiled.output.map_err(|e| ReportError::Layout(words(&e).join("; ")))?;
    let standards = PdfStandards::new(&[PdfStandard::A_2b]).map_err(|e| ReportError::Layout(format!("{e:?}")))?;
    let options = PdfOptions {
        ident: Smart::Custom(identity),
        creator: Smart::Custom(Some("Hushfield".to_owned())),
        timestamp: Some(timestamp),
        standards,
        ..PdfOptions::default()
    };
    let pdf = typst_pdf::pdf(&document, &options).map_err(|e| ReportError::Layout(words(&e).join("; ")))?;
    let text = document.pages().iter().map(|page| text_of(&page.frame)).collect();
    Ok(Rendered { pdf, pages: document.pages().len(), text, warnings: words(&compiled.warnings) })
}

/// The text of a frame and the frames in it, runs separated by a space.
fn text_of(frame: &Frame) -> String {
    let parts: Vec<String> = frame
        .items()
        .filter_map(|(_, item)| match item {
            FrameItem::Text(text) => Some(text.text.to_string()),
            FrameItem::Group(group) => Some(text_of(&group.frame)),
            _ => None,
        })
        .filter(|part| !part.is_empty())
        .collect();
    parts.join(" ")
}

fn check(run: &RunEvidence) -> Result<(), ReportError> {
    let f = &run.trace.frequency_hz;
    for (i, &frequency_hz) in f.iter().enumerate() {
        let rises = frequency_hz.is_finite() && frequency_hz > if i == 0 { 0.0 } else { f[i - 1] };
        if !rises {
            return Err(ReportError::Frequency { run: run.id.clone(), index: i + 1, frequency_hz });
        }
    }
    for (i, column) in run.trace.columns.iter().enumerate() {
        if column.level_db.len() != f.len() {
            let name = if column.name.is_empty() { (i + 1).to_string() } else { column.name.clone() };
            return Err(ReportError::Length {
                run: run.id.clone(),
                column: name,
                found: column.level_db.len(),
                expected: f.len(),
            });
        }
    }
    for limit in &run.limits {
        limit.level_table().map_err(|what| ReportError::Limit {
            run: run.id.clone(),
            limit: limit.id.clone(),
            what,
        })?;
    }
    Ok(())
}

/// The moment of a text like `2026-11-25T10:20:30+01:00` or `2026-11-25 10:20`. Without a time: midnight; without an
/// offset: UTC.
pub(crate) fn moment(text: &str) -> Option<Timestamp> {
    let text = text.trim();
    let part = |from: usize, len: usize| -> Option<u8> { text.get(from..from + len)?.parse().ok() };
    let year = text.get(0..4)?.parse().ok()?;
    if text.get(4..5)? != "-" || text.get(7..8)? != "-" {
        return None;
    }
    let (hour, minute) = if text.get(13..14) == Some(":") { (part(11, 2)?, part(14, 2)?) } else { (0, 0) };
    let second = if text.get(16..17) == Some(":") { part(17, 2)? } else { 0 };
    let at = Datetime::from_ymd_hms(year, part(5, 2)?, part(8, 2)?, hour, minute, second)?;
    let offset = text.get(16..).and_then(|rest| {
        let sign = rest.find(['+', '-'])?;
        let hours: i32 = rest.get(sign + 1..sign + 3)?.parse().ok()?;
        let minutes: i32 = rest.get(sign + 4..sign + 6).and_then(|m| m.parse().ok()).unwrap_or(0);
        let size = 60 * hours + minutes;
        Some(if rest[sign..].starts_with('-') { -size } else { size })
    });
    offset.map_or_else(|| Some(Timestamp::new_utc(at)), |minutes| Timestamp::new_local(at, minutes))
}

static FONTS: LazyLock<(LazyHash<FontBook>, Vec<Font>)> = LazyLock::new(|| {
    let fonts: Vec<Font> = typst_assets::fonts().flat_map(|data| Font::iter(Bytes::new(data))).collect();
    (LazyHash::new(FontBook::from_fonts(&fonts)), fonts)
});

/// Characters that no embedded font has, and control characters, replaced: PDF/A allows no glyph that is missing.
pub(crate) fn printable(text: &str) -> String {
    let has = |c: char| FONTS.1.iter().any(|f| f.info().coverage.contains(u32::from(c)));
    text.chars()
        .map(|c| match c {
            '\u{200b}' | ' '..='~' => c,
            c if c.is_control() => ' ',
            c if has(c) => c,
            _ => '\u{fffd}',
        })
        .collect()
}

pub(crate) fn id(path: &str) -> Result<FileId, ReportError> {
    let path = VirtualPath::new(path).map_err(|e| ReportError::Layout(format!("{path}: {e:?}")))?;
    Ok(RootedPath::new(VirtualRoot::Project, path).intern())
}

/// The few files of one report, in memory: nothing is read from disk or network.
struct Memory {
    library: LazyHash<Library>,
    main: FileId,
    files: HashMap<FileId, Bytes>,
}

impl Memory {
    /// Where a complaint points to, as `line N: `, in the template.
    fn place(&self, span: DiagSpan) -> String {
        let line = self.range(span).and_then(|range| {
            let source = self.source(self.main).ok()?;
            Some(source.text().get(..range.start)?.matches('\n').count() + 1)
        });
        line.map_or_else(String::new, |n| format!("report.typ line {n}: "))
    }
}

impl World for Memory {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }
    fn book(&self) -> &LazyHash<FontBook> {
        &FONTS.0
    }
    fn main(&self) -> FileId {
        self.main
    }
    fn source(&self, file: FileId) -> FileResult<Source> {
        let text = std::str::from_utf8(&self.file(file)?).map_err(|_| FileError::InvalidUtf8)?.to_owned();
        Ok(Source::new(file, text))
    }
    fn file(&self, file: FileId) -> FileResult<Bytes> {
        self.files.get(&file).cloned().ok_or_else(|| FileError::NotFound(file.get().vpath().get_with_slash().into()))
    }
    fn font(&self, index: usize) -> Option<Font> {
        FONTS.1.get(index).cloned()
    }
    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        // Only what is in the evidence may decide the bytes.
        None
    }
}
