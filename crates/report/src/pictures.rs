//! Pictures of what several runs say together, as SVG for paper: a pattern round the turntable, a ladder of margins, and
//! what a change did. Black and one red; every line has a dash and every mark a shape of its own.

use std::fmt::Write as _;

use crate::plot::{frequency_text, signed};
use crate::svg::{hatch, open, text};

const WARN: &str = "#8c1d18";
const DASHES: [&str; 4] = ["", "5 3", "1.5 2", "7 2 1.5 2"];
const SHAPES: [&str; 4] =
    ["M0 -3A3 3 0 1 1 -0.01 -3Z", "M-2.7 -2.7H2.7V2.7H-2.7Z", "M0 -3.4L3.1 2.4H-3.1Z", "M0 -3.7L3 0L0 3.7L-3 0Z"];

/// Levels against the angle of the turntable.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pattern {
    /// Name, e.g. the polarisation.
    pub name: String,
    /// Angle in degrees and level in the picture's unit, as measured.
    pub points: Vec<(f64, f64)>,
    /// The same between the measured angles, where it could be worked out.
    pub between: Vec<(f64, f64)>,
}

/// A rung of the ladder of margins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rung {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Limit minus level, dB.
    pub margin_db: f64,
    /// Half the width of the bar of doubt, dB.
    pub half_db: f64,
    /// Probability (0 to 1) that it exceeds its limit.
    pub probability_over: f64,
}

/// What a change did at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// After minus before, dB.
    pub difference_db: f64,
    /// Lower and upper end of the band of doubt, dB.
    pub band_db: (f64, f64),
}

/// Levels against the turntable's angle, the product's front upwards, angles clockwise as seen from above. Beyond the
/// limit's circle the ground is hatched. 240 by 262.
pub fn polar_svg(patterns: &[Pattern], limit_db: Option<f64>, unit: &str) -> String {
    const R: f64 = 100.0;
    let levels =
        || patterns.iter().flat_map(|p| p.points.iter().chain(&p.between)).map(|p| p.1).filter(|l| l.is_finite());
    let highest = levels().chain(limit_db).fold(f64::NEG_INFINITY, f64::max);
    let top = if highest.is_finite() { ((highest + 3.0) / 10.0).ceil() * 10.0 } else { 60.0 };
    let lowest = levels().fold(f64::INFINITY, f64::min);
    let low = if lowest.is_finite() {
        (((lowest - 3.0) / 10.0).floor() * 10.0).clamp(top - 50.0, top - 20.0)
    } else {
        top - 40.0
    };
    let radius = |db: f64| R * ((db - low) / (top - low)).clamp(0.0, 1.0);
    let place = |deg: f64, db: f64| {
        let (sin, cos) = deg.to_radians().sin_cos();
        (radius(db) * sin, -radius(db) * cos)
    };
    let mut svg = String::new();
    open(
        &mut svg,
        240.0,
        262.0,
        "Level against the angle of the turntable; beyond the limit's circle the ground is hatched",
    );
    svg.push_str(r#"<g transform="translate(120 118)">"#);
    if let Some(limit) = limit_db.filter(|l| *l < top) {
        let r = radius(limit);
        let _ = write!(
            svg,
            r#"<clipPath id="beyond"><path clip-rule="evenodd" d="M0 {:.1}A{R} {R} 0 1 1 -0.01 {:.1}ZM0 {:.1}A{r:.1} {r:.1} 0 1 1 -0.01 {:.1}Z"/></clipPath>"#,
            -R, -R, -r, -r
        );
        hatch(&mut svg, -R, -R, R, R, "beyond");
        let _ = write!(svg, r#"<circle r="{r:.1}" fill="none" stroke="{WARN}" stroke-width="1.2"/>"#);
    }
    let mut ring = low + 10.0;
    while ring <= top + 0.1 {
        let _ = write!(svg, r##"<circle r="{:.1}" fill="none" stroke="#ccc" stroke-width="0.5"/>"##, radius(ring));
        text(&mut svg, 2.0, -radius(ring) + 8.0, "start", &format!("{ring}"));
        ring += 10.0;
    }
    for quarter in 0..4 {
        let deg = f64::from(quarter) * 90.0;
        let (x, y) = place(deg, top);
        let _ = write!(svg, r##"<path d="M0 0L{x:.1} {y:.1}" stroke="#ddd" stroke-width="0.5"/>"##);
        text(&mut svg, x * 1.1, y * 1.08 + 3.0, "middle", &format!("{deg}°"));
    }
    for (k, pattern) in patterns.iter().enumerate() {
        let mut order: Vec<(f64, f64)> = if pattern.between.is_empty() { &pattern.points } else { &pattern.between }
            .iter()
            .copied()
            .filter(|p| p.1.is_finite())
            .collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let (Some(first), Some(last)) = (order.first(), order.last()) {
            let gap = order.windows(2).map(|w| w[1].0 - w[0].0).fold(0.0, f64::max);
            let closed = order.len() > 2 && first.0 + 360.0 - last.0 <= 1.5 * gap;
            let mut d = String::new();
            for (i, (deg, db)) in order.iter().enumerate() {
                let (x, y) = place(*deg, *db);
                let _ = write!(d, "{}{x:.1} {y:.1}", if i == 0 { 'M' } else { 'L' });
            }
            if closed {
                d.push('Z');
            }
            let dash = DASHES[k % DASHES.len()];
            let _ = write!(
                svg,
                r##"<path d="{d}" fill="none" stroke="#000" stroke-width="1" stroke-dasharray="{dash}"/>"##
            );
        }
        for (deg, db) in pattern.points.iter().filter(|p| p.1.is_finite()) {
            let (x, y) = place(*deg, *db);
            let _ = write!(
                svg,
                r##"<path d="{}" transform="translate({x:.1} {y:.1})" fill="#fff" stroke="#000" stroke-width="0.9"/>"##,
                SHAPES[k % SHAPES.len()]
            );
        }
    }
    svg.push_str("</g>");
    let mut x = 8.0;
    for (k, pattern) in patterns.iter().enumerate() {
        let _ = write!(
            svg,
            r##"<path d="{}" transform="translate({x:.1} 253)" fill="#fff" stroke="#000" stroke-width="0.9"/>"##,
            SHAPES[k % SHAPES.len()]
        );
        text(&mut svg, x + 7.0, 256.0, "start", &pattern.name);
        x += 18.0 + 4.6 * pattern.name.chars().count() as f64;
    }
    text(&mut svg, 236.0, 256.0, "end", unit);
    svg.push_str("</svg>");
    svg
}

/// Margins as distances from the limit, each with its bar of doubt; left of the limit the ground is hatched. 480 wide.
pub fn ladder_svg(rungs: &[Rung]) -> String {
    const ROW: f64 = 17.0;
    let (left, right) = (66.0, 400.0);
    let rungs: Vec<&Rung> = rungs.iter().filter(|r| r.margin_db.is_finite() && r.half_db.is_finite()).collect();
    let least = rungs.iter().map(|r| r.margin_db - r.half_db - 1.0).fold(-6.0, f64::min);
    let most = rungs.iter().map(|r| (r.margin_db + r.half_db + 1.0).min(40.0)).fold(10.0, f64::max);
    let x = |db: f64| left + (db.clamp(least, most) - least) / (most - least) * (right - left);
    let bottom = 4.0 + ROW * rungs.len() as f64;
    let mut svg = String::new();
    open(
        &mut svg,
        480.0,
        bottom + 18.0,
        "Margins as distances from the limit, with the range in which a repeated reading will lie",
    );
    let _ = write!(
        svg,
        r#"<clipPath id="over"><rect x="{left}" y="0" width="{:.1}" height="{bottom:.1}"/></clipPath>"#,
        x(0.0) - left
    );
    hatch(&mut svg, left, 0.0, x(0.0), bottom, "over");
    let step = if most - least > 45.0 { 10.0 } else { 5.0 };
    let mut mark = (least / step).ceil() * step;
    while mark <= most {
        let (colour, width) = if mark == 0.0 { (WARN, 1.3) } else { ("#ddd", 0.5) };
        let _ = write!(svg, r#"<path d="M{:.1} 0V{bottom:.1}" stroke="{colour}" stroke-width="{width}"/>"#, x(mark));
        let words = if mark == 0.0 { "limit".to_owned() } else { signed(mark, 0) };
        text(&mut svg, x(mark), bottom + 11.0, "middle", &words);
        mark += step;
    }
    text(&mut svg, 478.0, bottom + 11.0, "end", "dB in hand");
    for (k, r) in rungs.iter().enumerate() {
        let y = 4.0 + ROW * (k as f64 + 0.5);
        let colour = if r.margin_db < 0.0 { WARN } else { "#000" };
        text(&mut svg, left - 6.0, y + 3.0, "end", &frequency_text(r.frequency_hz));
        let (a, b) = (x(r.margin_db - r.half_db), x(r.margin_db + r.half_db));
        let _ = write!(
            svg,
            r##"<path d="M{:.1} {y:.1}H{:.1}" stroke="#999" stroke-width="3"/><path d="M{a:.1} {:.1}V{:.1}M{a:.1} {y:.1}H{b:.1}M{b:.1} {:.1}V{:.1}" fill="none" stroke="{colour}" stroke-width="0.9"/>"##,
            x(0.0),
            x(r.margin_db),
            y - 3.5,
            y + 3.5,
            y - 3.5,
            y + 3.5
        );
        let shape = if r.margin_db < 0.0 { SHAPES[3] } else { SHAPES[0] };
        let _ =
            write!(svg, r#"<path d="{shape}" transform="translate({:.1} {y:.1})" fill="{colour}"/>"#, x(r.margin_db));
        let over = 100.0 * r.probability_over;
        let words = if over < 0.5 {
            "< 1 % over".to_owned()
        } else if over > 99.5 {
            "> 99 % over".to_owned()
        } else {
            format!("{over:.0} % over")
        };
        text(&mut svg, 478.0, y + 3.0, "end", &words);
    }
    svg.push_str("</svg>");
    svg
}

/// After minus before over frequency (log), in its band of doubt; above zero is worse and hatched. `marks` are frequency
/// (Hz) and difference (dB) of emissions. 480 by 170.
pub fn difference_svg(changes: &[Change], marks: &[(f64, f64)]) -> String {
    let (left, right, top, bottom) = (34.0, 474.0, 4.0, 148.0);
    let sound: Vec<&Change> = changes
        .iter()
        .filter(|c| {
            c.frequency_hz > 0.0 && c.difference_db.is_finite() && c.band_db.0.is_finite() && c.band_db.1.is_finite()
        })
        .collect();
    let mut svg = String::new();
    open(&mut svg, 480.0, 170.0, "Difference of two states over frequency in its band of doubt; above zero is worse");
    let (Some(first), Some(last)) = (sound.first(), sound.last()) else {
        text(&mut svg, 240.0, 80.0, "middle", "No frequency in common.");
        svg.push_str("</svg>");
        return svg;
    };
    let (from, to) = (first.frequency_hz, last.frequency_hz.max(first.frequency_hz * 1.001));
    let most = sound
        .iter()
        .map(|c| c.band_db.0.abs().max(c.band_db.1.abs()))
        .chain(marks.iter().map(|m| m.1.abs()))
        .fold(5.0, f64::max);
    let reach = (((most + 1.0) / 6.0).ceil() * 6.0).min(60.0);
    let x = |hz: f64| left + (hz / from).ln() / (to / from).ln() * (right - left);
    let y = |db: f64| top + (reach - db.clamp(-reach, reach)) / (2.0 * reach) * (bottom - top);
    let _ = write!(
        svg,
        r#"<clipPath id="worse"><rect x="{left}" y="{top}" width="{:.1}" height="{:.1}"/></clipPath>"#,
        right - left,
        y(0.0) - top
    );
    hatch(&mut svg, left, top, right, y(0.0), "worse");
    for k in -2..=2 {
        let db = reach * f64::from(k) / 2.0;
        let colour = if k == 0 { WARN } else { "#ddd" };
        let _ = write!(svg, r#"<path d="M{left} {:.1}H{right}" stroke="{colour}" stroke-width="0.7"/>"#, y(db));
        text(&mut svg, left - 4.0, y(db) + 3.0, "end", &signed(db, 0));
    }
    for decade in from.log10().floor() as i32..=to.log10().ceil() as i32 {
        for step in [1.0, 2.0, 5.0] {
            let f = step * 10f64.powi(decade);
            if f >= from && f <= to {
                text(&mut svg, x(f), 160.0, "middle", &frequency_text(f));
            }
        }
    }
    // Points closer than a tenth of a unit on paper are one: the band keeps its ends.
    let mut columns: Vec<(f64, f64, f64, f64)> = Vec::new();
    for c in &sound {
        let at = (x(c.frequency_hz) * 2.0).round() / 2.0;
        match columns.last_mut() {
            Some(last) if last.0 == at => {
                last.1 = last.1.min(c.band_db.0);
                last.2 = last.2.max(c.band_db.1);
                if c.difference_db.abs() > last.3.abs() {
                    last.3 = c.difference_db;
                }
            }
            _ => columns.push((at, c.band_db.0, c.band_db.1, c.difference_db)),
        }
    }
    let path = |points: &mut dyn Iterator<Item = (f64, f64)>| {
        let mut d = String::new();
        for (k, (px, db)) in points.enumerate() {
            let _ = write!(d, "{}{px:.1} {:.1}", if k == 0 { 'M' } else { 'L' }, y(db));
        }
        d
    };
    let round = path(&mut columns.iter().map(|c| (c.0, c.2)).chain(columns.iter().rev().map(|c| (c.0, c.1))));
    let _ = write!(svg, r##"<path d="{round}Z" fill="#000" fill-opacity="0.16"/>"##);
    let line = path(&mut columns.iter().map(|c| (c.0, c.3)));
    let _ = write!(svg, r##"<path d="{line}" fill="none" stroke="#000" stroke-width="0.8"/>"##);
    for (hz, db) in marks.iter().filter(|m| m.0 >= from && m.0 <= to && m.1.is_finite()) {
        let (d, colour) = if *db > 0.0 { ("M-3.5 2.5H3.5L0 -4Z", WARN) } else { ("M-3.5 -2.5H3.5L0 4Z", "#000") };
        let _ = write!(
            svg,
            r##"<path d="{d}" transform="translate({:.1} {:.1})" fill="#fff" stroke="{colour}" stroke-width="1"/>"##,
            x(*hz),
            y(*db)
        );
    }
    text(&mut svg, left + 4.0, top + 10.0, "start", "worse, dB");
    text(&mut svg, left + 4.0, bottom - 4.0, "start", "better, dB");
    svg.push_str("</svg>");
    svg
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_is_closed_where_the_survey_went_round() {
        let points: Vec<(f64, f64)> = (0..12).map(|k| (f64::from(k) * 30.0, 30.0 + f64::from(k % 3))).collect();
        let full = Pattern { name: "vertical".into(), points: points.clone(), between: Vec::new() };
        let half = Pattern { points: points[..6].to_vec(), ..full.clone() };
        let svg = polar_svg(&[full], Some(40.0), "dBµV/m");
        assert!(svg.contains("url(#beyond)") && svg.matches("translate(").count() == 14);
        let curve = |svg: &str| svg.split("<path d=\"M").find(|p| p.contains("stroke-dasharray")).unwrap().to_owned();
        assert!(curve(&svg).contains("Z\" fill=\"none\""));
        assert!(!curve(&polar_svg(&[half], None, "dBµV/m")).contains("Z\" fill=\"none\""));
        // 0° is up: the first point lies straight above the middle.
        assert!(svg.contains("translate(0.0 -"));
    }

    #[test]
    fn what_is_over_is_drawn_on_hatched_ground() {
        let rung = |margin_db| Rung { frequency_hz: 144e6, margin_db, half_db: 2.0, probability_over: 0.3 };
        let svg = ladder_svg(&[rung(-3.0), rung(5.0), rung(f64::NAN)]);
        assert_eq!(svg.matches("30 % over").count(), 2);
        assert!(svg.matches(WARN).count() >= 3, "limit, bar and mark of the rung that is over");
        let change = |frequency_hz, difference_db| Change {
            frequency_hz,
            difference_db,
            band_db: (difference_db - 1.0, difference_db + 1.0),
        };
        let svg =
            difference_svg(&[change(1e6, -8.0), change(2e6, 0.5), change(1e7, f64::NAN)], &[(1e6, -8.0), (9e9, 1.0)]);
        assert!(svg.contains("M-3.5 -2.5H3.5L0 4Z") && !svg.contains("NaN") && !svg.contains("M-3.5 2.5"));
        assert!(difference_svg(&[], &[]).contains("No frequency in common"));
    }
}
