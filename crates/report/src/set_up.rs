//! The set-up of an immunity test as SVG, for paper and for the page: drawn to scale from its geometry.

use std::fmt::Write as _;

use immunity::drawing::{At, Drawing, Element, Role, Run};

use crate::plot::escape;

/// Colours of a drawing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// For print.
    Paper,
    /// Of the page that holds it, light or dark.
    Page,
}

impl Ink {
    /// Line, quiet line, leaf, face of the product.
    const fn colours(self) -> [&'static str; 4] {
        match self {
            Self::Paper => ["#1c2733", "#53606c", "#ffffff", "#e3e7e2"],
            Self::Page => ["var(--ink)", "var(--ink-soft)", "var(--leaf)", "var(--rule-faint)"],
        }
    }

    const fn font(self) -> &'static str {
        match self {
            Self::Paper => "Libertinus Serif",
            Self::Page => "var(--text)",
        }
    }
}

/// Width of the picture, and the most it may be high.
const WIDTH: f64 = 640.0;
const MOST_HIGH: f64 = 400.0;
const SIZE: f64 = 12.0;
/// Room below the ground for its hatching and for figures.
const FOOT: f64 = 16.0;
/// Half of the small stroke at the end of a dimension line.
const TICK: f64 = 3.5;

struct Sheet<'d> {
    svg: String,
    drawing: &'d Drawing,
    scale: f64,
    left: f64,
    ink: Ink,
}

impl Sheet<'_> {
    fn at(&self, p: At) -> (f64, f64) {
        let [x0, _, _, y1] = self.drawing.bounds_m;
        (self.left + (p[0] - x0) * self.scale, (y1 - p[1]) * self.scale)
    }

    fn path(&mut self, points: &[(f64, f64)], colour: &str, width: f64, more: &str) {
        let mut d = String::new();
        for (k, (x, y)) in points.iter().enumerate() {
            let _ = write!(d, "{}{x:.1} {y:.1}", if k == 0 { "M" } else { "L" });
        }
        let _ = write!(
            self.svg,
            r#"<path d="{d}" fill="none" stroke="{colour}" stroke-width="{width}" stroke-linejoin="round" stroke-linecap="round" {more}/>"#
        );
    }

    fn words(&mut self, x: f64, y: f64, anchor: &str, text: &str, quiet: bool) {
        let [line, soft, leaf, _] = self.ink.colours();
        let fill = if quiet { soft } else { line };
        let _ = write!(
            self.svg,
            r#"<text x="{x:.1}" y="{y:.1}" text-anchor="{anchor}" font-family="{}" font-size="{SIZE}" fill="{fill}" stroke="{leaf}" stroke-width="3" paint-order="stroke" stroke-linejoin="round">{}</text>"#,
            self.ink.font(),
            escape(text)
        );
    }

    fn rectangle(&mut self, corner: At, size: At, fill: &str, stroke: &str, width: f64, more: &str) {
        let (x, y) = self.at([corner[0], corner[1] + size[1]]);
        let _ = write!(
            self.svg,
            r#"<rect x="{x:.1}" y="{y:.1}" width="{:.1}" height="{:.1}" fill="{fill}" stroke="{stroke}" stroke-width="{width}" {more}/>"#,
            size[0] * self.scale,
            size[1] * self.scale
        );
    }

    fn element(&mut self, element: &Element) {
        let [line, soft, leaf, face] = self.ink.colours();
        match element {
            Element::Ground { from_m, to_m, at_m } => {
                let ((x0, y), (x1, _)) = (self.at([*from_m, *at_m]), self.at([*to_m, *at_m]));
                self.path(&[(x0, y), (x1, y)], line, 2.2, "");
                let mut x = x0 + 2.0;
                while x < x1 {
                    self.path(&[(x, y + 2.0), (x - 6.0, y + 9.0)], soft, 0.7, "");
                    x += 8.0;
                }
            }
            Element::Block { corner_m, size_m, role, label } => {
                match role {
                    Role::Product => self.rectangle(*corner_m, *size_m, face, line, 1.8, ""),
                    Role::Support => self.rectangle(*corner_m, *size_m, leaf, soft, 0.8, ""),
                    Role::Network | Role::Generator => self.rectangle(*corner_m, *size_m, leaf, line, 1.2, r#"rx="2""#),
                    Role::Clamp => self.rectangle(*corner_m, *size_m, leaf, line, 1.2, r#"rx="5""#),
                    Role::Beside => self.rectangle(*corner_m, *size_m, face, soft, 1.0, ""),
                    Role::Region => self.rectangle(*corner_m, *size_m, "none", soft, 0.9, r#"stroke-dasharray="4 3""#),
                }
                if !label.is_empty() {
                    let (x, y) = self.at([corner_m[0] + size_m[0] / 2.0, corner_m[1] + size_m[1] / 2.0]);
                    // A word that does not fit stands above its block.
                    let fits = label.chars().count() as f64 * SIZE * 0.5 < size_m[0] * self.scale
                        && size_m[1] * self.scale > SIZE * 1.2;
                    let y = if fits { y + SIZE * 0.33 } else { y - size_m[1] * self.scale / 2.0 - 5.0 };
                    self.words(x, y, "middle", label, false);
                }
            }
            Element::Plate { from_m, to_m } => {
                let points = [self.at(*from_m), self.at(*to_m)];
                self.path(&points, line, 3.4, "");
            }
            Element::Line { points_m, run } => {
                let points: Vec<(f64, f64)> = points_m.iter().map(|p| self.at(*p)).collect();
                match run {
                    Run::Cable => self.path(&points, line, 1.5, ""),
                    Run::Bond => self.path(&points, soft, 1.1, ""),
                    Run::Lead => self.path(&points, line, 1.0, r#"stroke-dasharray="6 2""#),
                }
            }
            Element::Resistor { at_m } => {
                let (x, y) = self.at(*at_m);
                let _ = write!(
                    self.svg,
                    r#"<rect x="{:.1}" y="{:.1}" width="7" height="16" fill="{leaf}" stroke="{line}" stroke-width="1.1"/>"#,
                    x - 3.5,
                    y - 8.0
                );
            }
            Element::Tip { at_m, body_m } => self.tip(*at_m, *body_m),
            Element::Antenna { at_m, length_m } => self.antenna(*at_m, *length_m),
            Element::Absorber { from_m, to_m } => self.absorber(*from_m, *to_m),
            Element::Frame { corner_m, size_m } => {
                self.rectangle(*corner_m, *size_m, "none", line, 5.0, r#"rx="3""#);
                self.rectangle(*corner_m, *size_m, "none", leaf, 2.4, r#"rx="3""#);
            }
            Element::Dimension { from_m, to_m, offset_m, figure } => {
                self.dimension(*from_m, *to_m, *offset_m, figure);
            }
            Element::Name { at_m, of_m, text, ends } => {
                let (x, y) = self.at(*at_m);
                if let Some(of) = of_m {
                    let end = self.at(*of);
                    let start = (if *ends { x + 2.0 } else { x - 2.0 }, y - SIZE * 0.3);
                    self.path(&[start, end], soft, 0.7, "");
                    let _ = write!(self.svg, r#"<circle cx="{:.1}" cy="{:.1}" r="1.8" fill="{soft}"/>"#, end.0, end.1);
                }
                self.words(x, y, if *ends { "end" } else { "start" }, text, false);
            }
        }
    }

    fn tip(&mut self, at: At, body: At) {
        let [line, _, leaf, _] = self.ink.colours();
        let ((x, y), (bx, by)) = (self.at(at), self.at(body));
        let (dx, dy) = (x - bx, y - by);
        let length = dx.hypot(dy).max(1.0);
        let (ux, uy) = (dx / length, dy / length);
        let (nx, ny) = (-uy * 7.0, ux * 7.0);
        let (fx, fy) = (x - ux * 16.0, y - uy * 16.0);
        let _ = write!(
            self.svg,
            r#"<path d="M{:.1} {:.1}L{:.1} {:.1}L{:.1} {:.1}L{:.1} {:.1}Z" fill="{leaf}" stroke="{line}" stroke-width="1.2"/><path d="M{:.1} {:.1}L{x:.1} {y:.1}L{:.1} {:.1}Z" fill="{line}"/>"#,
            bx + nx,
            by + ny,
            fx + nx,
            fy + ny,
            fx - nx,
            fy - ny,
            bx - nx,
            by - ny,
            fx + nx * 0.5,
            fy + ny * 0.5,
            fx - nx * 0.5,
            fy - ny * 0.5,
        );
    }

    /// A row of elements that get shorter towards the tip.
    fn antenna(&mut self, at: At, length: f64) {
        let [line, ..] = self.ink.colours();
        let boom = [self.at(at), self.at([at[0] - length, at[1]])];
        self.path(&boom, line, 1.4, "");
        for k in 0..7 {
            let share = f64::from(k) / 6.0;
            let x = at[0] - length * share;
            let half = 0.06 + 0.3 * share;
            let points = [self.at([x, at[1] - half]), self.at([x, at[1] + half])];
            self.path(&points, line, 1.2, "");
        }
    }

    fn absorber(&mut self, from: At, to: At) {
        let [_, soft, leaf, _] = self.ink.colours();
        let (a, b) = (self.at(from), self.at(to));
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        let teeth = (length / 13.0).round().max(1.0);
        let (ux, uy) = ((b.0 - a.0) / teeth, (b.1 - a.1) / teeth);
        // Upwards from a floor, to the left from a wall on the right.
        let (px, py) = if uy.abs() < 0.1 { (0.0, -22.0) } else { (-22.0, 0.0) };
        for k in 0..teeth as u32 {
            let (x, y) = (a.0 + f64::from(k) * ux, a.1 + f64::from(k) * uy);
            let _ = write!(
                self.svg,
                r#"<path d="M{x:.1} {y:.1}L{:.1} {:.1}L{:.1} {:.1}Z" fill="{leaf}" stroke="{soft}" stroke-width="0.8"/>"#,
                x + ux / 2.0 + px,
                y + uy / 2.0 + py,
                x + ux,
                y + uy
            );
        }
    }

    fn dimension(&mut self, from: At, to: At, offset: f64, figure: &str) {
        let [_, soft, ..] = self.ink.colours();
        let upright = (from[0] - to[0]).abs() < 1e-9;
        let shift = |p: At| if upright { [p[0] + offset, p[1]] } else { [p[0], p[1] + offset] };
        let (a, b) = (self.at(shift(from)), self.at(shift(to)));
        if offset != 0.0 {
            for (p, end) in [(from, a), (to, b)] {
                let start = self.at(p);
                self.path(&[start, end], soft, 0.5, r#"stroke-dasharray="2 2""#);
            }
        }
        self.path(&[a, b], soft, 0.9, "");
        for (x, y) in [a, b] {
            self.path(&[(x - TICK, y + TICK), (x + TICK, y - TICK)], soft, 1.2, "");
        }
        let (mx, my) = (f64::midpoint(a.0, b.0), f64::midpoint(a.1, b.1));
        let short = upright && (a.1 - b.1).abs() < 1.8 * SIZE;
        if short {
            // Beside a thin support there is no room for a figure: it stands below the ground.
            self.words(mx, a.1.max(b.1) + 2.0 * SIZE, "middle", figure, false);
        } else if upright {
            let (x, anchor) = if offset < 0.0 { (mx - 7.0, "end") } else { (mx + 7.0, "start") };
            self.words(x, my + SIZE * 0.33, anchor, figure, false);
        } else {
            self.words(mx, my - 6.0, "middle", figure, false);
        }
    }
}

/// A set-up as SVG, 640 wide, to scale. Every distance it shows is also in its spoken label.
pub fn set_up_svg(drawing: &Drawing, ink: Ink) -> String {
    let [x0, y0, x1, y1] = drawing.bounds_m;
    let scale = (WIDTH / (x1 - x0)).min(MOST_HIGH / (y1 - y0));
    let height = (y1 - y0) * scale + FOOT;
    let left = (WIDTH - (x1 - x0) * scale) / 2.0;
    let mut sheet = Sheet { svg: String::new(), drawing, scale, left, ink };
    let _ = write!(
        sheet.svg,
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:.0}" width="{WIDTH}" height="{height:.0}" role="img" aria-label="{}">"#,
        escape(&drawing.spoken())
    );
    // Solid things first, words and distances above them.
    let above = |e: &&Element| matches!(e, Element::Dimension { .. } | Element::Name { .. });
    drawing.elements.iter().filter(|e| !above(e)).for_each(|e| sheet.element(e));
    drawing.elements.iter().filter(above).for_each(|e| sheet.element(e));
    sheet.svg.push_str("</svg>");
    sheet.svg
}

#[cfg(test)]
mod tests {
    use immunity::drawing::{SetUpFacts, drawings};

    use super::*;

    const TESTS: [&str; 11] = [
        "radiated",
        "conducted",
        "magnetic",
        "proximity",
        "variation",
        "dips",
        "burst",
        "damped-wave",
        "ring-wave",
        "esd",
        "surge",
    ];

    fn all() -> Vec<Drawing> {
        let mut out = Vec::new();
        for floor in [false, true] {
            for size_m in [[0.3, 0.2, 0.1], [1.2, 0.8, 1.9], [0.05, 0.05, 0.02]] {
                let f = SetUpFacts {
                    size_m,
                    floor,
                    screened: floor,
                    mains: true,
                    mains_v: Some(230.0),
                    magnetic_a_per_m: Some(3.0),
                };
                out.extend(TESTS.iter().flat_map(|t| drawings(t, &f)));
            }
        }
        out
    }

    /// Where the words of a picture stand: left, right, baseline.
    fn texts(svg: &str) -> Vec<(f64, f64, f64, String)> {
        svg.split("<text ")
            .skip(1)
            .map(|t| {
                let value = |key: &str| t.split_once(&format!("{key}=\"")).unwrap().1.split('"').next().unwrap();
                let words = t.split_once('>').unwrap().1.split('<').next().unwrap().to_owned();
                let (x, y): (f64, f64) = (value("x").parse().unwrap(), value("y").parse().unwrap());
                // A letter of the text face is somewhat narrower than half its size on average.
                let wide = words.chars().count() as f64 * SIZE * 0.46;
                let left = match value("text-anchor") {
                    "end" => x - wide,
                    "middle" => x - wide / 2.0,
                    _ => x,
                };
                (left, left + wide, y, words)
            })
            .collect()
    }

    #[test]
    fn every_test_has_its_drawing_with_its_distances_and_caution() {
        let drawings = all();
        assert_eq!(drawings.len(), 2 * 3 * TESTS.len());
        for d in &drawings {
            assert!(d.caution.contains("ever alone") || d.caution.contains("current off"), "{}", d.title);
            for ink in [Ink::Paper, Ink::Page] {
                let svg = set_up_svg(d, ink);
                assert!(svg.starts_with("<svg") && svg.ends_with("</svg>") && !svg.contains("NaN"), "{}", d.title);
                assert_eq!(svg.contains("var(--"), ink == Ink::Page);
            }
        }
    }

    #[test]
    fn no_word_leaves_the_picture_or_stands_on_another() {
        let mut wrong = Vec::new();
        for d in all() {
            let svg = set_up_svg(&d, Ink::Paper);
            let high: f64 = svg.split_once("height=\"").unwrap().1.split('"').next().unwrap().parse().unwrap();
            let words = texts(&svg);
            for (k, (left, right, y, word)) in words.iter().enumerate() {
                if *left < -2.0 || *right > WIDTH + 2.0 || *y < SIZE * 0.8 || *y > high {
                    wrong.push(format!("{}: `{word}` from {left:.0} to {right:.0} at {y:.0} of {high:.0}", d.title));
                }
                for (l, r, b, other) in &words[k + 1..] {
                    if !(right < l || r < left || (y - b).abs() > SIZE * 0.95) {
                        wrong.push(format!("{}: `{word}` and `{other}` stand on each other", d.title));
                    }
                }
            }
        }
        wrong.dedup();
        assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    }

    /// Distances of IEC 61000-4-2 to -4-8 as public test reports and laboratories' pages give them (0.8 m table, 3 m antenna, 0.1 m
    /// support, 0.5 m and 1 m cable, 2 m to the surge network).
    #[test]
    fn the_geometry_is_what_the_figures_say() {
        for d in all() {
            for e in &d.elements {
                let Element::Dimension { from_m, to_m, figure, .. } = e else { continue };
                let metres = (from_m[0] - to_m[0]).hypot(from_m[1] - to_m[1]);
                let said: Vec<f64> = figure
                    .split([' ', '–'])
                    .filter_map(|w| w.parse::<f64>().ok())
                    .map(|v| if figure.contains("mm") { v / 1e3 } else { v })
                    .collect();
                let Some(first) = said.first() else { continue };
                let fits = if figure.contains('–') {
                    metres >= said[0] - 1e-9 && metres <= said[1] + 1e-9
                } else if figure.contains("less") || figure.contains("shorter") {
                    metres <= first + 1e-9
                } else if figure.contains("or more") {
                    metres >= first - 1e-9
                } else {
                    said.iter().any(|v| (metres - v).abs() < 1e-9)
                };
                assert!(fits, "{}: drawn {metres} m, said {figure}", d.title);
            }
        }
    }
}
