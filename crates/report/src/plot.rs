//! The plot of a run as SVG: for the PDF and wherever a still picture is wanted.
use crate::RunEvidence;

/// How a plot is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct PlotOptions {
    /// Width of the picture, in points (1/72 inch) or CSS pixels.
    pub width: f64,
    /// Height of the picture.
    pub height: f64,
    /// Lowest and highest frequency shown, Hz; none: what limits and levels span.
    pub range_hz: Option<(f64, f64)>,
    /// How many suspects are marked, the worst first.
    pub marked: usize,
    /// True: for dark surroundings.
    pub dark: bool,
}

impl Default for PlotOptions {
    fn default() -> Self {
        Self { width: 480.0, height: 290.0, range_hz: None, marked: 12, dark: false }
    }
}

/// The spectrum of a run with its limits, forbidden ground, suspects and the worst margin, as one SVG document.
pub fn spectrum_svg(run: &RunEvidence, options: &PlotOptions) -> String {
    let _ = (run, options);
    String::new()
}
