use crate::Evidence;

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
    /// What the layout complained of (none in a sound report).
    pub warnings: Vec<String>,
}

/// The evidence as PDF/A-2b.
pub fn render_pdf(evidence: &Evidence) -> Result<Vec<u8>, ReportError> {
    Ok(render(evidence)?.pdf)
}

/// The evidence as PDF/A-2b, with its page count.
pub fn render(evidence: &Evidence) -> Result<Rendered, ReportError> {
    let _ = evidence;
    Err(ReportError::Layout("the layout is being written".to_owned()))
}
