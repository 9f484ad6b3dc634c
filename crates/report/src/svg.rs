//! What the pictures of the report share: the document, its words, and ground that may not be entered.

use std::fmt::Write as _;

use crate::plot::escape;

const TEXT: &str = "Libertinus Serif";

/// Begins a document.
pub(crate) fn open(svg: &mut String, width: f64, height: f64, label: &str) {
    let _ = write!(
        svg,
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" aria-label="{}">"#,
        escape(label)
    );
}

/// A word or figure; `anchor` is `start`, `middle` or `end`.
pub(crate) fn text(svg: &mut String, x: f64, y: f64, anchor: &str, words: &str) {
    let _ = write!(
        svg,
        r##"<text x="{x:.1}" y="{y:.1}" text-anchor="{anchor}" font-family="{TEXT}" font-size="9" fill="#444">{}</text>"##,
        escape(words)
    );
}

/// Slanted lines over a rectangle, within `clip`.
pub(crate) fn hatch(svg: &mut String, left: f64, top: f64, right: f64, bottom: f64, clip: &str) {
    let _ = write!(svg, r#"<g clip-path="url(#{clip})">"#);
    let mut x = left - (bottom - top);
    while x < right {
        let _ = write!(
            svg,
            r##"<path d="M{x:.1} {bottom:.1}L{:.1} {top:.1}" stroke="#b66" stroke-width="0.4"/>"##,
            x + bottom - top
        );
        x += 6.0;
    }
    svg.push_str("</g>");
}
