//! The plot of a run as SVG: for the PDF and wherever a still picture is wanted.
//!
//! A limit is drawn as the edge of ground that may not be entered: the forbidden side is hatched. The margin of the
//! worst suspect is drawn as a distance, the way a drawing shows a dimension. Colours are those of Okabe and Ito, made
//! for colour-blind readers ("Color Universal Design", 2008); every one of them comes with its own dash or shape.
//! Whatever the record's length, at most one minimum and one maximum are drawn in each column of half a unit.

use std::fmt::Write as _;

use quantity::{LogTable, Unit};
use standards::Detector;

use crate::{ColumnEvidence, RunEvidence, SuspectEvidence};

/// How a plot is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct PlotOptions {
    /// Width of the picture, in points (1/72 inch) or CSS pixels.
    pub width: f64,
    /// Height of the picture.
    pub height: f64,
    /// Lowest and highest frequency shown, Hz; none: what limits and levels have in common, or what there is.
    pub range_hz: Option<(f64, f64)>,
    /// How many suspects are marked, the worst first.
    pub marked: usize,
    /// True: for dark surroundings.
    pub dark: bool,
}

impl Default for PlotOptions {
    fn default() -> Self {
        Self { width: 470.0, height: 300.0, range_hz: None, marked: 12, dark: false }
    }
}

/// What a suspect's mark says beside its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A square: above the limit (filled where that is settled).
    Above,
    /// A diamond: within the limit, by less than the expanded uncertainty.
    Near,
    /// A circle: within the limit.
    Within,
}

impl Mark {
    /// The mark of a margin in dB under an expanded uncertainty in dB (zero where it is not known).
    pub fn of(margin_db: f64, expanded_uncertainty_db: f64) -> Self {
        if margin_db < 0.0 {
            Self::Above
        } else if margin_db < expanded_uncertainty_db {
            Self::Near
        } else {
            Self::Within
        }
    }

    /// Name in the report's data.
    pub(crate) const fn key(self) -> &'static str {
        match self {
            Self::Above => "above",
            Self::Near => "near",
            Self::Within => "within",
        }
    }
}

const TEXT: &str = "Libertinus Serif, Georgia, serif";
const FIGURES: &str = "DejaVu Sans Mono, monospace";

struct Ink {
    ground: &'static str,
    text: &'static str,
    quiet: &'static str,
    axis: &'static str,
    grid: &'static str,
    minor: &'static str,
    peak: &'static str,
    quasi_peak: &'static str,
    average: &'static str,
    rms_average: &'static str,
    other: &'static str,
    above: &'static str,
}

const PAPER: Ink = Ink {
    ground: "#ffffff",
    text: "#1f2328",
    quiet: "#5b636b",
    axis: "#4a5158",
    grid: "#d9dcdf",
    minor: "#eef0f1",
    peak: "#7d868e",
    quasi_peak: "#0060a0",
    average: "#c24e00",
    rms_average: "#00795a",
    other: "#6a4a7a",
    above: "#8c1d18",
};

const NIGHT: Ink = Ink {
    ground: "#17191c",
    text: "#e8e6e1",
    quiet: "#a9adb2",
    axis: "#8d9298",
    grid: "#34383d",
    minor: "#25282c",
    peak: "#98a1a9",
    quasi_peak: "#56b4e9",
    average: "#f08a3c",
    rms_average: "#2fc79a",
    other: "#c79bd6",
    above: "#ff8a80",
};

/// Colour, width and dash of a detector's line.
fn pen(ink: &Ink, detector: Option<Detector>) -> (&'static str, f64, &'static str) {
    match detector {
        Some(Detector::Peak) => (ink.peak, 0.55, ""),
        Some(Detector::QuasiPeak) => (ink.quasi_peak, 0.9, ""),
        Some(Detector::CisprAverage) => (ink.average, 0.8, "3.2 1"),
        Some(Detector::RmsAverage) => (ink.rms_average, 0.8, "1.2 1"),
        None => (ink.other, 0.75, "6 1.2"),
    }
}

/// Dash of a detector's limit.
fn limit_dash(detector: Detector) -> &'static str {
    match detector {
        Detector::QuasiPeak => "",
        Detector::CisprAverage => "7 2.5",
        Detector::Peak => "1.5 2",
        Detector::RmsAverage => "7 2 1.5 2",
    }
}

/// Where things stand on the page.
struct Frame {
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
    lo_hz: f64,
    hi_hz: f64,
    lo_db: f64,
    hi_db: f64,
}

impl Frame {
    fn x(&self, frequency_hz: f64) -> f64 {
        let t = (frequency_hz / self.lo_hz).ln() / (self.hi_hz / self.lo_hz).ln();
        self.left + t * (self.right - self.left)
    }
    fn y(&self, level_db: f64) -> f64 {
        self.bottom - (level_db - self.lo_db) / (self.hi_db - self.lo_db) * (self.bottom - self.top)
    }
    fn y_inside(&self, level_db: f64) -> f64 {
        self.y(level_db).clamp(self.top, self.bottom)
    }
}

/// The spectrum of a run with its limits, forbidden ground, suspects and the worst margin, as one SVG document.
pub fn spectrum_svg(run: &RunEvidence, options: &PlotOptions) -> String {
    let ink = if options.dark { &NIGHT } else { &PAPER };
    let (w, h) = (options.width.max(160.0), options.height.max(110.0));
    let mut svg = String::with_capacity(64 * 1024);
    let _ = write!(
        svg,
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w:.0} {h:.0}" width="{w:.0}" height="{h:.0}" role="img" aria-label="{}">"#,
        escape(&description(run))
    );
    if options.dark {
        let _ = write!(svg, r#"<rect width="{w:.0}" height="{h:.0}" fill="{}"/>"#, ink.ground);
    }
    let Some((lo_hz, hi_hz)) = range_of(run, options.range_hz) else {
        let _ = write!(
            svg,
            r#"<text x="{:.1}" y="{:.1}" text-anchor="middle" font-family="{TEXT}" font-size="10" fill="{}">No levels and no limits to draw.</text></svg>"#,
            w / 2.0,
            h / 2.0,
            ink.quiet
        );
        return svg;
    };
    let (lo_db, hi_db) = level_span(run, lo_hz, hi_hz);
    let legend = legend_rows(run, w - 44.0);
    let top = 8.0 + 13.0 * legend.last().map_or(0.0, |e| e.row as f64 + 1.0) + 8.0;
    let frame = Frame { left: 34.0, top, right: w - 10.0, bottom: h - 30.0, lo_hz, hi_hz, lo_db, hi_db };

    draw_axes(&mut svg, &frame, ink, run.trace.unit);
    draw_limits(&mut svg, &frame, ink, run);
    let _ = write!(svg, r#"<g fill="none" stroke-linejoin="round">"#);
    for column in &run.trace.columns {
        let path = trace_path(&frame, &run.trace.frequency_hz, column);
        if path.is_empty() {
            continue;
        }
        let (colour, width, dash) = pen(ink, column.detector);
        let _ = write!(svg, r#"<path d="{path}" stroke="{colour}" stroke-width="{width}"{}/>"#, dash_attribute(dash));
    }
    svg.push_str("</g>");
    draw_limit_edges(&mut svg, &frame, ink, run);
    let _ = write!(
        svg,
        r#"<rect x="{:.1}" y="{:.1}" width="{:.1}" height="{:.1}" fill="none" stroke="{}" stroke-width="0.7"/>"#,
        frame.left,
        frame.top,
        frame.right - frame.left,
        frame.bottom - frame.top,
        ink.axis
    );
    draw_legend(&mut svg, &legend, ink, frame.left);
    draw_suspects(&mut svg, &frame, ink, run, options.marked);
    svg.push_str("</svg>");
    svg
}

/// One sentence for those who cannot see the picture.
fn description(run: &RunEvidence) -> String {
    let worst = run.suspects.first().map_or_else(
        || "No suspect is marked.".to_owned(),
        |s| {
            format!(
                "The worst suspect is at {} with a margin of {} dB.",
                frequency_text(s.frequency_hz),
                margin_text(s.margin_db)
            )
        },
    );
    format!(
        "Levels against frequency on a log axis, with {} limit(s) as the edge of hatched ground. {worst}",
        run.limits.len()
    )
}

/// Text in an SVG attribute or element. Control characters, which XML does not allow, become spaces.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\u{fffe}' | '\u{ffff}' => out.push(' '),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// A frequency for people: up to six significant digits, in Hz, kHz, MHz or GHz.
pub fn frequency_text(frequency_hz: f64) -> String {
    let (scale, unit) = prefix_of(frequency_hz);
    let v = frequency_hz / scale;
    // A scan's grid needs 0.1 kHz below 100 MHz; above, a tenth of that is below any receiver's step.
    let decimals = match unit {
        "Hz" => 1,
        "kHz" => 3,
        _ if v < 100.0 => 4,
        _ => 3,
    };
    format!("{} {unit}", trim_zeros(&format!("{v:.decimals$}")))
}

/// The same with a fixed number of decimals for each unit, so that a column of figures lines up.
pub fn frequency_column(frequency_hz: f64) -> String {
    let (scale, unit) = prefix_of(frequency_hz);
    let v = frequency_hz / scale;
    let decimals = match unit {
        "Hz" | "kHz" => 1,
        _ if v < 100.0 => 4,
        _ => 3,
    };
    format!("{v:.decimals$} {unit}")
}

/// A margin to a tenth of a decibel; to a hundredth where a tenth would hide on which side of the limit it is.
pub fn margin_text(margin_db: f64) -> String {
    if !margin_db.is_finite() {
        "–".to_owned()
    } else if margin_db.abs() < 0.05 {
        signed(margin_db, 2)
    } else {
        signed(margin_db, 1)
    }
}

fn prefix_of(frequency_hz: f64) -> (f64, &'static str) {
    // A hair below the step still reads as the step once rounded to three decimals: 999.9996 kHz is 1 MHz.
    let f = frequency_hz * (1.0 + 1e-6);
    if f >= 1e9 {
        (1e9, "GHz")
    } else if f >= 1e6 {
        (1e6, "MHz")
    } else if f >= 1e3 {
        (1e3, "kHz")
    } else {
        (1.0, "Hz")
    }
}

fn trim_zeros(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}

/// A number with a true minus sign.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    // Minus zero is zero.
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().any(|b| matches!(b, b'1'..=b'9')) => format!("−{rest}"),
        Some(rest) => rest.to_owned(),
        None => text,
    }
}

fn dash_attribute(dash: &str) -> String {
    if dash.is_empty() { String::new() } else { format!(r#" stroke-dasharray="{dash}""#) }
}

/// What is shown: the asked range, else what levels span, widened to the limits only where there are no levels.
fn range_of(run: &RunEvidence, asked: Option<(f64, f64)>) -> Option<(f64, f64)> {
    let usable = |&(lo, hi): &(f64, f64)| lo > 0.0 && hi > lo && hi.is_finite();
    if let Some(range) = asked.filter(usable) {
        return Some(range);
    }
    let f = &run.trace.frequency_hz;
    let levels = match (f.first(), f.last()) {
        (Some(&lo), Some(&hi)) => Some((lo, hi)).filter(usable),
        _ => None,
    };
    let limits = run
        .limits
        .iter()
        .filter_map(|l| Some((l.points.first()?.0, l.points.last()?.0)))
        .filter(usable)
        .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    match (levels, limits) {
        // A limit begins at a band's edge and the grid of a scan a little beside it: show the band's edge.
        (Some(a), Some(b)) => Some((snap(a.0, b.0), snap(a.1, b.1))),
        (a, b) => a.or(b),
    }
}

fn snap(edge_hz: f64, band_edge_hz: f64) -> f64 {
    if (edge_hz / band_edge_hz).ln().abs() < 0.05 { band_edge_hz } else { edge_hz }
}

/// Lowest and highest level shown: whole tens around levels and limits, with room for the marks.
fn level_span(run: &RunEvidence, lo_hz: f64, hi_hz: f64) -> (f64, f64) {
    let inside = |f: f64| f >= lo_hz * 0.999 && f <= hi_hz * 1.001;
    let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
    for column in &run.trace.columns {
        for (&f, &v) in run.trace.frequency_hz.iter().zip(&column.level_db) {
            if v.is_finite() && inside(f) {
                lo = lo.min(v);
                hi = hi.max(v);
            }
        }
    }
    for table in run.limits.iter().filter_map(|l| l.level_table().ok()) {
        let (from, to) = table.range_hz();
        for f in table.points().iter().map(|p| p.0).chain([lo_hz.max(from), hi_hz.min(to)]) {
            if let Some(v) = table.at(f).filter(|_| inside(f)) {
                lo = lo.min(v);
                hi = hi.max(v);
            }
        }
    }
    for s in &run.suspects {
        if s.level_db.is_finite() && inside(s.frequency_hz) {
            hi = hi.max(s.level_db);
        }
    }
    if lo > hi {
        return (0.0, 100.0);
    }
    // Empty bins of a synthetic record lie hundreds of decibels down; nobody needs to see them.
    lo = lo.max(hi - 110.0);
    let step = if hi - lo > 50.0 { 10.0 } else { 5.0 };
    let lo = ((lo - 1.0) / step).floor() * step;
    let hi = ((hi + 0.16 * (hi - lo)) / step).ceil() * step;
    (lo, hi)
}

/// The 1-2-5 series within the range; where a range is too narrow for it, round linear steps. Second part: unlabelled.
fn frequency_ticks(lo_hz: f64, hi_hz: f64) -> (Vec<f64>, Vec<f64>) {
    let decade = lo_hz.log10().floor() as i32;
    let (mut labelled, mut minor) = (Vec::new(), Vec::new());
    for e in decade..=hi_hz.log10().ceil() as i32 {
        for m in 1..10 {
            let f = f64::from(m) * 10f64.powi(e);
            if f >= lo_hz * (1.0 - 1e-9) && f <= hi_hz * (1.0 + 1e-9) {
                if matches!(m, 1 | 2 | 5) { labelled.push(f) } else { minor.push(f) }
            }
        }
    }
    if labelled.len() >= 3 {
        return (labelled, minor);
    }
    let rough = (hi_hz - lo_hz) / 6.0;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough).unwrap_or(10.0 * power);
    let first = (lo_hz / step).ceil() as i64;
    let last = (hi_hz / step + 1e-9).floor() as i64;
    ((first..=last).map(|i| i as f64 * step).collect(), Vec::new())
}

fn draw_axes(svg: &mut String, frame: &Frame, ink: &Ink, unit: Option<Unit>) {
    let (labelled, minor) = frequency_ticks(frame.lo_hz, frame.hi_hz);
    let db_step = if frame.hi_db - frame.lo_db > 60.0 { 10.0 } else { 5.0 };
    let vertical = |svg: &mut String, f: f64, colour: &str| {
        let _ = write!(
            svg,
            r#"<path d="M{0:.2} {1:.2}V{2:.2}" stroke="{colour}" stroke-width="0.5"/>"#,
            frame.x(f),
            frame.top,
            frame.bottom
        );
    };
    for f in &minor {
        vertical(svg, *f, ink.minor);
    }
    for f in &labelled {
        vertical(svg, *f, ink.grid);
    }
    let mut level = (frame.lo_db / db_step).ceil() * db_step;
    while level <= frame.hi_db + 1e-9 {
        let y = frame.y(level);
        let _ = write!(
            svg,
            r#"<path d="M{:.2} {y:.2}H{:.2}" stroke="{}" stroke-width="0.5"/><text x="{:.2}" y="{:.2}" text-anchor="end" font-family="{FIGURES}" font-size="7.5" fill="{}">{}</text>"#,
            frame.left,
            frame.right,
            ink.grid,
            frame.left - 4.0,
            y + 2.7,
            ink.text,
            signed(level, 0)
        );
        level += db_step;
    }
    let _ = write!(
        svg,
        r#"<text x="{:.2}" y="{:.2}" text-anchor="start" font-family="{TEXT}" font-size="9" fill="{}">{}</text>"#,
        2.0,
        frame.top - 6.5,
        ink.text,
        unit.map_or("dB", Unit::symbol)
    );
    // Tick labels: the unit stands at the first label of each prefix and at decades; both ends of the band are named.
    let mut labels: Vec<(f64, String)> = Vec::new();
    let mut last_unit = "";
    for f in [frame.lo_hz].iter().chain(&labelled).chain(&[frame.hi_hz]) {
        if labels.last().is_some_and(|(g, _)| (f / g - 1.0).abs() < 1e-9) {
            continue;
        }
        let (scale, name) = prefix_of(*f);
        // A wide axis needs no more than this; a narrow one lives by its decimals.
        let decimals = if frame.hi_hz / frame.lo_hz > 1.5 { 2 } else { 4 };
        let figure = format!("{:.decimals$}", f / scale);
        let figure = trim_zeros(&figure);
        labels.push((*f, if name == last_unit { figure.to_owned() } else { format!("{figure} {name}") }));
        last_unit = name;
    }
    // Ends first, then the rest where there is room.
    let mut order: Vec<usize> = (0..labels.len()).collect();
    order.sort_by_key(|i| usize::from(*i != 0 && *i + 1 != labels.len()));
    let mut taken: Vec<(f64, f64)> = Vec::new();
    for i in order {
        let (f, text) = &labels[i];
        let x = frame.x(*f);
        let half = text.chars().count() as f64 * 2.3;
        let centre = x.clamp(frame.left + half - 8.0, frame.right - half + 8.0);
        if taken.iter().any(|(a, b)| centre - half - 3.0 < *b && centre + half + 3.0 > *a) {
            continue;
        }
        taken.push((centre - half, centre + half));
        let _ = write!(
            svg,
            r#"<path d="M{x:.2} {:.2}v3.5" stroke="{}" stroke-width="0.7"/><text x="{centre:.2}" y="{:.2}" text-anchor="middle" font-family="{FIGURES}" font-size="7.5" fill="{}">{}</text>"#,
            frame.bottom,
            ink.axis,
            frame.bottom + 12.5,
            ink.text,
            escape(text)
        );
    }
    let _ = write!(
        svg,
        r#"<text x="{:.2}" y="{:.2}" text-anchor="middle" font-family="{TEXT}" font-size="9" fill="{}">frequency (logarithmic)</text>"#,
        f64::midpoint(frame.left, frame.right),
        frame.bottom + 25.0,
        ink.quiet
    );
}

/// A limit's corners inside the frame as pixels; straight between them, since its lines are straight on log frequency.
fn limit_corners(frame: &Frame, table: &LogTable) -> Vec<(f64, f64)> {
    let (from, to) = table.range_hz();
    let (lo, hi) = (from.max(frame.lo_hz), to.min(frame.hi_hz));
    if lo > hi {
        return Vec::new();
    }
    let mut corners: Vec<(f64, f64)> = Vec::new();
    let points = table.points();
    let inner: Vec<(f64, f64)> = points.iter().copied().filter(|p| p.0 >= lo && p.0 <= hi).collect();
    if inner.first().is_none_or(|p| p.0 > lo) {
        corners.extend(table.at(lo).map(|v| (lo, v)));
    }
    corners.extend(&inner);
    if inner.last().is_none_or(|p| p.0 < hi) {
        corners.extend(table.at(hi).map(|v| (hi, v)));
    }
    corners.into_iter().map(|(f, v)| (frame.x(f), frame.y_inside(v))).collect()
}

fn path_of(corners: &[(f64, f64)]) -> String {
    let mut d = String::new();
    for (i, (x, y)) in corners.iter().enumerate() {
        let _ = write!(d, "{}{x:.2} {y:.2}", if i == 0 { 'M' } else { 'L' });
    }
    d
}

/// The forbidden ground. The outermost limit is hatched up to the frame, the others in a strip along the edge, so that
/// the levels of the other detector stay readable.
fn draw_limits(svg: &mut String, frame: &Frame, ink: &Ink, run: &RunEvidence) {
    let tables: Vec<Option<LogTable>> = run.limits.iter().map(|l| l.level_table().ok()).collect();
    for (limit, table) in run.limits.iter().zip(&tables) {
        let Some(table) = table else { continue };
        let corners = limit_corners(frame, table);
        let (Some(first), Some(last)) = (corners.first(), corners.last()) else { continue };
        let middle = (table.range_hz().0 * table.range_hz().1).sqrt();
        let outermost =
            !tables.iter().flatten().any(|other| other.at(middle).zip(table.at(middle)).is_some_and(|(a, b)| a > b));
        let (colour, ..) = pen(ink, Some(limit.detector));
        let mut region = path_of(&corners);
        if outermost {
            let _ = write!(region, "L{:.2} {2:.2}L{:.2} {2:.2}Z", last.0, first.0, frame.top);
        } else {
            let strip = 13.0;
            for (x, y) in corners.iter().rev() {
                let _ = write!(region, "L{x:.2} {:.2}", (y - strip).max(frame.top));
            }
            region.push('Z');
        }
        // Several plots may stand on one web page, where names are shared: the shape itself is the name.
        let name = fnv1a(&region);
        let _ = write!(
            svg,
            r#"<clipPath id="ground-{name:016x}"><path d="{region}"/></clipPath><g clip-path="url(#ground-{name:016x})"><path d=""#
        );
        // Hatching at 45°, leaning the other way for a second detector.
        let height = frame.bottom - frame.top;
        let (pitch, lean) = (5.0, if limit.detector == Detector::CisprAverage { -1.0 } else { 1.0 });
        let mut x = first.0 - height;
        while x < last.0 + height {
            let _ = write!(svg, "M{x:.1} {:.1}l{:.1} {:.1}", frame.bottom, lean * height, -height);
            x += pitch;
        }
        let _ = write!(svg, r#"" stroke="{colour}" stroke-width="0.4" stroke-opacity="0.34" fill="none"/></g>"#);
    }
}

/// The 64-bit FNV-1a hash of a text (Fowler, Noll, Vo): short, and the same everywhere.
fn fnv1a(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3))
}

fn draw_limit_edges(svg: &mut String, frame: &Frame, ink: &Ink, run: &RunEvidence) {
    for limit in &run.limits {
        let Ok(table) = limit.level_table() else { continue };
        let corners = limit_corners(frame, &table);
        let (colour, ..) = pen(ink, Some(limit.detector));
        let _ = write!(
            svg,
            r#"<path d="{}" fill="none" stroke="{colour}" stroke-width="1.5"{}/>"#,
            path_of(&corners),
            dash_attribute(limit_dash(limit.detector))
        );
    }
}

/// The line of one detector: the lowest and highest level in each half unit of width, in the order in which they come.
fn trace_path(frame: &Frame, frequency_hz: &[f64], column: &ColumnEvidence) -> String {
    let mut d = String::new();
    let mut pen_down = false;
    let mut bucket: Option<(i64, [(usize, f64, f64); 2])> = None;
    let flush = |d: &mut String, pen_down: &mut bool, pair: [(usize, f64, f64); 2]| {
        let [mut a, mut b] = pair;
        if a.0 > b.0 {
            std::mem::swap(&mut a, &mut b);
        }
        for (k, p) in [a, b].into_iter().enumerate() {
            if k == 1 && a.0 == b.0 {
                continue;
            }
            let _ = write!(d, "{}{:.2} {:.2}", if *pen_down { 'L' } else { 'M' }, p.1, frame.y_inside(p.2));
            *pen_down = true;
        }
    };
    for (i, (&f, &v)) in frequency_hz.iter().zip(&column.level_db).enumerate() {
        // Levels outside the shown range of frequencies are not drawn.
        if f < frame.lo_hz * (1.0 - 1e-9) || f > frame.hi_hz * (1.0 + 1e-9) {
            continue;
        }
        if !v.is_finite() {
            if let Some((_, pair)) = bucket.take() {
                flush(&mut d, &mut pen_down, pair);
            }
            pen_down = false;
            continue;
        }
        let x = frame.x(f);
        let slot = (2.0 * (x - frame.left)).floor() as i64;
        let point = (i, x, v);
        match &mut bucket {
            Some((s, [low, high])) if *s == slot => {
                if v < low.2 {
                    *low = point;
                }
                if v > high.2 {
                    *high = point;
                }
            }
            _ => {
                if let Some((_, pair)) = bucket.replace((slot, [point, point])) {
                    flush(&mut d, &mut pen_down, pair);
                }
            }
        }
    }
    if let Some((_, pair)) = bucket {
        flush(&mut d, &mut pen_down, pair);
    }
    d
}

struct LegendEntry {
    x: f64,
    row: usize,
    text: String,
    detector: Option<Detector>,
    limit: bool,
}

/// One entry a line, in rows as wide as the frame.
fn legend_rows(run: &RunEvidence, width: f64) -> Vec<LegendEntry> {
    let traces = run.trace.columns.iter().map(|c| {
        let name =
            if c.name.is_empty() { c.detector.map_or("level", Detector::name).to_owned() } else { c.name.clone() };
        (name, c.detector, false)
    });
    let limits = run.limits.iter().map(|l| (format!("limit, {}", l.detector.name()), Some(l.detector), true));
    let (mut x, mut row) = (0.0, 0);
    let mut rows = Vec::new();
    for (name, detector, limit) in traces.chain(limits) {
        let text = shorten(&name, 40);
        let needed = 22.0 + text_width(&text, 9.0) + 9.0;
        if x > 0.0 && x + needed > width {
            x = 0.0;
            row += 1;
        }
        rows.push(LegendEntry { x, row, text, detector, limit });
        x += needed;
    }
    rows
}

/// Width of a line of text, roughly: an upper-case letter of the text family takes 0.53 of the size, others 0.44.
fn text_width(text: &str, size: f64) -> f64 {
    text.chars().map(|c| if c.is_uppercase() || !c.is_ascii() { 0.53 } else { 0.44 }).sum::<f64>() * size
}

fn shorten(text: &str, most: usize) -> String {
    if text.chars().count() <= most { text.to_owned() } else { text.chars().take(most - 1).chain(['…']).collect() }
}

fn draw_legend(svg: &mut String, legend: &[LegendEntry], ink: &Ink, left: f64) {
    for entry in legend {
        let (x, y) = (left + entry.x, 10.0 + 13.0 * entry.row as f64);
        let (colour, width, dash) = pen(ink, entry.detector);
        if entry.limit {
            let dash = entry.detector.map_or("", limit_dash);
            let _ = write!(svg, r#"<path d=""#);
            let lean = if entry.detector == Some(Detector::CisprAverage) { -1.0 } else { 1.0 };
            for k in 0..4 {
                let from = x + if lean > 0.0 { 0.0 } else { 4.0 } + 4.5 * f64::from(k);
                let _ = write!(svg, "M{from:.1} {:.1}l{:.1} -4.5", y + 1.5, lean * 4.5);
            }
            let _ = write!(
                svg,
                r#"" stroke="{colour}" stroke-width="0.4" stroke-opacity="0.6"/><path d="M{x:.1} {:.1}h19" stroke="{colour}" stroke-width="1.5"{}/>"#,
                y + 1.5,
                dash_attribute(dash)
            );
        } else {
            let _ = write!(
                svg,
                r#"<path d="M{x:.1} {y:.1}h19" stroke="{colour}" stroke-width="{:.2}"{}/>"#,
                width * 1.5,
                dash_attribute(dash)
            );
        }
        let _ = write!(
            svg,
            r#"<text x="{:.1}" y="{:.1}" font-family="{TEXT}" font-size="9" fill="{}">{}</text>"#,
            x + 22.0,
            y + 3.0,
            ink.text,
            escape(&entry.text)
        );
    }
}

/// A rectangle on the page that is taken.
#[derive(Clone, Copy)]
struct Taken {
    x0: f64,
    y0: f64,
    x1: f64,
    y1: f64,
}

impl Taken {
    fn around(x: f64, y: f64, half_width: f64, half_height: f64) -> Self {
        Self { x0: x - half_width, y0: y - half_height, x1: x + half_width, y1: y + half_height }
    }
    fn meets(&self, other: &Self) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }
}

fn draw_suspects(svg: &mut String, frame: &Frame, ink: &Ink, run: &RunEvidence, marked: usize) {
    let uncertainty = run.verdict.as_ref().and_then(|v| v.expanded_uncertainty_db).unwrap_or(0.0);
    let visible =
        |s: &SuspectEvidence| s.level_db.is_finite() && s.frequency_hz >= frame.lo_hz && s.frequency_hz <= frame.hi_hz;
    let shown: Vec<(usize, &SuspectEvidence)> =
        run.suspects.iter().enumerate().filter(|(_, s)| visible(s)).take(marked).collect();
    let mut taken: Vec<Taken> = shown
        .iter()
        .map(|(_, s)| Taken::around(frame.x(s.frequency_hz), frame.y_inside(s.level_db), 2.2, 2.2))
        .collect();
    if let Some((_, worst)) = shown.first().filter(|(i, s)| *i == 0 && s.limit_db.is_finite()) {
        let edges: Vec<(f64, f64)> = run
            .limits
            .iter()
            .filter_map(|l| l.level_table().ok())
            .flat_map(|table| along(&limit_corners(frame, &table)))
            .collect();
        taken.extend(draw_dimension(svg, frame, ink, worst, &edges));
    }
    for (i, s) in shown {
        let (x, y) = (frame.x(s.frequency_hz), frame.y_inside(s.level_db));
        let half = 5.6;
        // Above the peak if there is room, then further up, then to the sides, then below.
        let mut candidates: Vec<(f64, f64)> = Vec::new();
        for ring in 1..12 {
            let r = 10.0 + 6.0 * f64::from(ring - 1);
            for (dx, dy) in [(0.0, -1.0), (-0.6, -0.8), (0.6, -0.8), (-1.0, 0.0), (1.0, 0.0), (-0.7, 0.7), (0.7, 0.7)] {
                candidates.push((x + r * dx, y + r * dy));
            }
        }
        let fits = |&(cx, cy): &(f64, f64)| {
            let own = Taken::around(cx, cy, half + 0.8, half + 0.8);
            own.x0 >= frame.left + 1.0
                && own.x1 <= frame.right - 1.0
                && own.y0 >= frame.top + 1.0
                && own.y1 <= frame.bottom - 1.0
                && !taken.iter().any(|t| t.meets(&own))
        };
        let (cx, cy) = candidates.into_iter().find(fits).unwrap_or((x, (y - 10.0).max(frame.top + 7.0)));
        taken.push(Taken::around(cx, cy, half, half));
        let mark = Mark::of(s.margin_db, uncertainty);
        let colour = if mark == Mark::Above { ink.above } else { ink.text };
        let distance = (cx - x).hypot(cy - y);
        if distance > half + 1.4 {
            let t = (distance - half) / distance;
            let _ = write!(
                svg,
                r#"<path d="M{x:.2} {y:.2}L{:.2} {:.2}" stroke="{colour}" stroke-width="0.5"/>"#,
                x + t * (cx - x),
                y + t * (cy - y)
            );
        }
        let _ = write!(svg, r#"<circle cx="{x:.2}" cy="{y:.2}" r="1.4" fill="{colour}"/>"#);
        let (fill, text) = match mark {
            Mark::Above if s.conclusive => (ink.above, ink.ground),
            Mark::Above => (ink.ground, ink.above),
            Mark::Near | Mark::Within => (ink.ground, ink.text),
        };
        let dash = if s.conclusive { "" } else { r#" stroke-dasharray="1.6 1.1""# };
        match mark {
            Mark::Above => {
                let _ = write!(
                    svg,
                    r#"<rect x="{:.2}" y="{:.2}" width="10" height="10" fill="{fill}" stroke="{colour}" stroke-width="0.7"{dash}/>"#,
                    cx - 5.0,
                    cy - 5.0
                );
            }
            Mark::Near => {
                let _ = write!(
                    svg,
                    r#"<path d="M{cx:.2} {:.2}l7 7l-7 7l-7 -7Z" fill="{fill}" stroke="{colour}" stroke-width="0.8"{dash}/>"#,
                    cy - 7.0
                );
            }
            Mark::Within => {
                let _ = write!(
                    svg,
                    r#"<circle cx="{cx:.2}" cy="{cy:.2}" r="5.2" fill="{fill}" stroke="{colour}" stroke-width="0.7"{dash}/>"#
                );
            }
        }
        let _ = write!(
            svg,
            r#"<text x="{cx:.2}" y="{:.2}" text-anchor="middle" font-family="{FIGURES}" font-size="6.4" fill="{text}">{}</text>"#,
            cy + 2.3,
            i + 1
        );
    }
}

/// Points of a broken line every two units, to see what it runs through.
fn along(corners: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut points = Vec::new();
    for pair in corners.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        let steps = ((x1 - x0).hypot(y1 - y0) / 2.0).ceil().max(1.0) as usize;
        points.extend((0..=steps).map(|k| {
            let t = k as f64 / steps as f64;
            (x0 + t * (x1 - x0), y0 + t * (y1 - y0))
        }));
    }
    points
}

/// The margin as a dimension: extension lines from level and limit, an arrow between them, its length in dB beside it,
/// where it covers no limit. Answers what it takes up.
fn draw_dimension(svg: &mut String, frame: &Frame, ink: &Ink, s: &SuspectEvidence, edges: &[(f64, f64)]) -> Vec<Taken> {
    let (x, level, limit) = (frame.x(s.frequency_hz), frame.y_inside(s.level_db), frame.y_inside(s.limit_db));
    let text = if s.margin_db < 0.0 {
        format!("{} dB over", margin_text(-s.margin_db))
    } else {
        format!("{} dB", margin_text(s.margin_db))
    };
    let half_text = text.chars().count() as f64 * 2.5 + 2.0;
    let side = if x + 14.0 + 2.0 * half_text + 4.0 > frame.right { -1.0 } else { 1.0 };
    let at = x + side * 12.0;
    let (upper, lower) = (level.min(limit), level.max(limit));
    let colour = if s.margin_db < 0.0 { ink.above } else { ink.text };
    let _ = write!(svg, r#"<g stroke="{colour}" stroke-width="0.6" fill="none">"#);
    let _ = write!(svg, r#"<path d="M{:.2} {level:.2}H{:.2}"/>"#, x + side * 2.0, at + side * 3.0);
    let _ = write!(svg, r#"<path d="M{:.2} {limit:.2}H{:.2}"/>"#, at - side * 3.0, at + side * 3.0);
    let head = |svg: &mut String, y: f64, down: f64| {
        let _ =
            write!(svg, r#"<path d="M{at:.2} {y:.2}l-1.7 {0:.2}h3.4Z" fill="{colour}" stroke="none"/>"#, -4.6 * down);
    };
    let (top, bottom);
    if lower - upper >= 12.0 {
        let _ = write!(svg, r#"<path d="M{at:.2} {upper:.2}V{lower:.2}"/>"#);
        head(svg, upper, -1.0);
        head(svg, lower, 1.0);
        (top, bottom) = (upper, lower);
    } else {
        // Too short for two heads: they point at it from outside, as on a drawing.
        let _ = write!(svg, r#"<path d="M{at:.2} {:.2}V{upper:.2}M{at:.2} {lower:.2}v10"/>"#, upper - 10.0);
        head(svg, upper, 1.0);
        head(svg, lower, -1.0);
        (top, bottom) = (upper - 10.0, lower + 10.0);
    }
    svg.push_str("</g>");
    // Beside the arrow's middle, or as little above or below as clears the limits.
    let middle = f64::midpoint(upper, lower);
    let centre = at + side * (half_text + 5.0);
    let places: Vec<f64> = (0..16)
        .flat_map(|k| [middle - 3.0 * f64::from(k), middle + 3.0 * f64::from(k)])
        .filter(|y| *y >= frame.top + 7.0 && *y <= frame.bottom - 7.0)
        .collect();
    let clear = |y: &f64| !edges.iter().any(|(ex, ey)| (ex - centre).abs() < half_text + 2.0 && (ey - y).abs() < 6.5);
    let text_y =
        places.iter().copied().find(clear).unwrap_or_else(|| middle.clamp(frame.top + 7.0, frame.bottom - 7.0));
    let _ = write!(
        svg,
        r#"<rect x="{:.2}" y="{:.2}" width="{:.2}" height="11" rx="1.5" fill="{}" fill-opacity="0.9"/><text x="{centre:.2}" y="{:.2}" text-anchor="middle" font-family="{FIGURES}" font-size="8" font-weight="bold" fill="{colour}">{}</text>"#,
        centre - half_text,
        text_y - 5.5,
        2.0 * half_text,
        ink.ground,
        text_y + 2.8,
        escape(&text)
    );
    vec![Taken { x0: at - 3.0, x1: at + 3.0, y0: top, y1: bottom }, Taken::around(centre, text_y, half_text, 5.5)]
}
