//! The circuit of a port as a drawing (SVG), with the symbols of IEC 60617.
//!
//! Product on the left, mains on the right; line above neutral above earth. What is new carries the class `new`. Colours
//! come from the surroundings (`currentColor`), so that the drawing serves on paper, light and dark pages.

use std::fmt::Write;

use crate::parts::{InletFilter, Model, engineering};
use crate::port::{Place, Stage};

const LINE_Y: f64 = 60.0;
const NEUTRAL_Y: f64 = 150.0;
const EARTH_Y: f64 = 218.0;
const HEIGHT: f64 = 272.0;

struct Drawing {
    body: String,
    x: f64,
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

impl Drawing {
    fn path(&mut self, d: &str) {
        let _ = write!(self.body, r#"<path d="{d}"/>"#);
    }

    fn wire(&mut self, x1: f64, y1: f64, x2: f64, y2: f64) {
        self.path(&format!("M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}"));
    }

    fn dot(&mut self, x: f64, y: f64) {
        let _ = write!(self.body, r#"<circle cx="{x:.1}" cy="{y:.1}" r="2.6" class="dot"/>"#);
    }

    fn text(&mut self, x: f64, y: f64, anchor: &str, text: &str) {
        let _ = write!(self.body, r#"<text x="{x:.1}" y="{y:.1}" text-anchor="{anchor}">{}</text>"#, escape(text));
    }

    /// Both conductors straight on.
    fn on(&mut self, width: f64) {
        for y in [LINE_Y, NEUTRAL_Y] {
            self.wire(self.x, y, self.x + width, y);
        }
        self.x += width;
    }

    /// Two plates on a vertical branch.
    fn capacitor(&mut self, x: f64, from: f64, to: f64) {
        let middle = f64::midpoint(from, to);
        self.wire(x, from, x, middle - 4.0);
        self.wire(x, middle + 4.0, x, to);
        self.path(&format!("M{:.1} {:.1}h22M{:.1} {:.1}h22", x - 11.0, middle - 4.0, x - 11.0, middle + 4.0));
    }

    /// Four half circles along a conductor, bulging up or down.
    fn winding(&mut self, x: f64, y: f64, up: bool) {
        let mut d = format!("M{x:.1} {y:.1}");
        for _ in 0..4 {
            let _ = write!(d, "a7 7 0 0 {} 14 0", i32::from(up));
        }
        self.path(&d);
    }

    fn boxed(&mut self, x: f64, y: f64, w: f64, h: f64, dashed: bool) {
        let dash = if dashed { r#" stroke-dasharray="6 4""# } else { "" };
        let _ = write!(self.body, r#"<rect x="{x:.1}" y="{y:.1}" width="{w:.1}" height="{h:.1}"{dash}/>"#);
    }

    fn across(&mut self, label: &str, capacitor: bool) {
        let x = self.x + 34.0;
        self.on(92.0);
        self.dot(x, LINE_Y);
        self.dot(x, NEUTRAL_Y);
        if capacitor {
            self.capacitor(x, LINE_Y, NEUTRAL_Y);
        } else {
            self.element(x, LINE_Y, NEUTRAL_Y);
        }
        self.label(x + 16.0, f64::midpoint(LINE_Y, NEUTRAL_Y) + 4.0, label);
    }

    /// A rectangle on a vertical branch: resistor, protector, measured part.
    fn element(&mut self, x: f64, from: f64, to: f64) {
        let middle = f64::midpoint(from, to);
        self.wire(x, from, x, middle - 14.0);
        self.wire(x, middle + 14.0, x, to);
        self.boxed(x - 6.0, middle - 14.0, 12.0, 28.0, false);
    }

    fn label(&mut self, x: f64, y: f64, label: &str) {
        // Two short lines read better beside a branch than one long one.
        let (first, rest) = label.rsplit_once(' ').filter(|(f, _)| f.len() > 8).map_or((label, ""), |(f, r)| (f, r));
        self.text(x, y, "start", first);
        if !rest.is_empty() {
            self.text(x, y + 15.0, "start", rest);
        }
    }

    fn each_to_earth(&mut self, label: &str, capacitor: bool) {
        let (x1, x2) = (self.x + 22.0, self.x + 58.0);
        self.on(118.0);
        self.dot(x1, LINE_Y);
        self.dot(x2, NEUTRAL_Y);
        // The branch of the line conductor crosses the neutral without touching it.
        self.wire(x1, LINE_Y, x1, NEUTRAL_Y - 7.0);
        self.path(&format!("M{x1:.1} {:.1}a7 7 0 0 1 0 14", NEUTRAL_Y - 7.0));
        for (x, from) in [(x1, NEUTRAL_Y + 7.0), (x2, NEUTRAL_Y)] {
            if capacitor {
                self.capacitor(x, from, EARTH_Y);
            } else {
                self.element(x, from, EARTH_Y);
            }
            self.dot(x, EARTH_Y);
        }
        self.label(x2 + 14.0, f64::midpoint(NEUTRAL_Y, EARTH_Y) + 2.0, label);
    }

    fn choke(&mut self, label: &str) {
        let x = self.x + 22.0;
        self.wire(self.x, LINE_Y, x, LINE_Y);
        self.wire(self.x, NEUTRAL_Y, x, NEUTRAL_Y);
        self.winding(x, LINE_Y, true);
        self.winding(x, NEUTRAL_Y, false);
        let middle = f64::midpoint(LINE_Y, NEUTRAL_Y);
        self.path(&format!("M{x:.1} {:.1}h56M{x:.1} {:.1}h56", middle - 26.0, middle + 26.0));
        self.path(&format!("M{x:.1} {:.1}h56M{x:.1} {:.1}h56", middle - 22.0, middle + 22.0));
        self.dot(x - 4.0, LINE_Y - 10.0);
        self.dot(x - 4.0, NEUTRAL_Y + 10.0);
        self.text(x + 28.0, middle + 4.0, "middle", label);
        self.x = x + 56.0;
        self.on(22.0);
    }

    fn in_lines(&mut self, label: &str, both: bool, coil: bool) {
        let x = self.x + 20.0;
        self.wire(self.x, LINE_Y, x, LINE_Y);
        self.wire(self.x, NEUTRAL_Y, x, NEUTRAL_Y);
        for (y, here) in [(LINE_Y, true), (NEUTRAL_Y, both)] {
            match (here, coil) {
                (true, true) => self.winding(x, y, y == LINE_Y),
                (true, false) => self.boxed(x, y - 6.0, 56.0, 12.0, false),
                _ => self.wire(x, y, x + 56.0, y),
            }
        }
        self.text(x + 28.0, LINE_Y - 14.0, "middle", label);
        self.x = x + 56.0;
        self.on(20.0);
    }

    /// A core round both conductors.
    fn round_both(&mut self, label: &str, below: &str) {
        let x = self.x + 20.0;
        self.on(84.0);
        self.boxed(x, LINE_Y - 14.0, 44.0, NEUTRAL_Y - LINE_Y + 28.0, false);
        self.text(x + 22.0, LINE_Y - 22.0, "middle", label);
        self.text(x + 22.0, f64::midpoint(LINE_Y, NEUTRAL_Y) + 4.0, "middle", below);
    }

    fn inlet(&mut self, f: &InletFilter) {
        let start = self.x + 6.0;
        self.on(12.0);
        if let Some(y) = &f.y {
            self.each_to_earth(&format!("2 × {}", engineering(y.capacitance_f, "F")), true);
        }
        if let Some(c) = &f.x_product {
            self.across(&engineering(c.capacitance_f, "F"), true);
        }
        self.choke(&engineering(f.choke.inductance_h, "H"));
        self.across(&engineering(f.x_mains.capacitance_f, "F"), true);
        self.on(6.0);
        let width = self.x - start;
        self.boxed(start, LINE_Y - 34.0, width, EARTH_Y - LINE_Y + 46.0, true);
    }

    fn stage(&mut self, stage: &Stage) {
        let value = stage.part.value_text();
        match (&stage.part.model, stage.place) {
            (Model::InletFilter(f), _) => self.inlet(f),
            (Model::CommonModeChoke(c), _) => self.choke(&engineering(c.inductance_h, "H")),
            (Model::Ferrite(f), Place::BothLines) => {
                let turns = if f.turns == 1 { "1 pass".to_owned() } else { format!("{} turns", f.turns) };
                self.round_both("ferrite", &turns);
            }
            (_, Place::BothLines) => self.round_both(&stage.part.id, &value),
            (m, Place::AcrossLines) => self.across(&value, matches!(m, Model::Capacitor(_))),
            (m, Place::EachLineToEarth) => {
                self.each_to_earth(&format!("2 × {value}"), matches!(m, Model::Capacitor(_)));
            }
            (m, p) => self.in_lines(&value, p == Place::InEachLine, matches!(m, Model::Inductor(_))),
        }
    }
}

/// Draws a ladder; `new[i]` tells which stages are added or exchanged.
pub fn draw(stages: &[Stage], new: &[bool], title: &str) -> String {
    let mut d = Drawing { body: String::new(), x: 112.0 };
    d.boxed(18.0, LINE_Y - 26.0, 84.0, NEUTRAL_Y - LINE_Y + 52.0, false);
    d.text(60.0, f64::midpoint(LINE_Y, NEUTRAL_Y) + 4.0, "middle", "product");
    for y in [LINE_Y, NEUTRAL_Y] {
        d.wire(102.0, y, 112.0, y);
    }
    let mut words = Vec::new();
    for (i, stage) in stages.iter().enumerate() {
        let fresh = new.get(i).copied().unwrap_or(false);
        let _ = write!(d.body, r#"<g class="{}">"#, if fresh { "new" } else { "fitted" });
        d.stage(stage);
        d.body.push_str("</g>");
        words.push(format!("{} {}{}", stage.part.value_text(), stage.place.words(), if fresh { " (new)" } else { "" }));
    }
    d.on(18.0);
    let end = d.x;
    for (y, name) in [(LINE_Y, "L"), (NEUTRAL_Y, "N")] {
        let _ = write!(d.body, r#"<circle cx="{:.1}" cy="{y:.1}" r="4"/>"#, end + 4.0);
        d.text(end + 16.0, y + 5.0, "start", name);
    }
    // Earth, with its sign.
    d.wire(60.0, NEUTRAL_Y + 26.0, 60.0, EARTH_Y);
    d.wire(60.0, EARTH_Y, end, EARTH_Y);
    let _ = write!(d.body, r#"<circle cx="{:.1}" cy="{EARTH_Y:.1}" r="4"/>"#, end + 4.0);
    d.text(end + 16.0, EARTH_Y + 5.0, "start", "PE");
    let middle = end - 8.0;
    d.wire(middle, EARTH_Y, middle, EARTH_Y + 18.0);
    d.path(&format!(
        "M{:.1} {:.1}h28M{:.1} {:.1}h18M{:.1} {:.1}h8",
        middle - 14.0,
        EARTH_Y + 18.0,
        middle - 9.0,
        EARTH_Y + 24.0,
        middle - 4.0,
        EARTH_Y + 30.0
    ));
    let width = end + 44.0;
    format!(
        concat!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0} {height:.0}" width="{width:.0}" height="{height:.0}" "#,
            r#"class="schematic" role="img" fill="none" stroke="currentColor" stroke-width="1.6" font-size="13">"#,
            "<title>{title}</title><desc>From the product to the mains: {words}</desc>",
            "<style>.schematic text{{stroke:none;fill:currentColor}}.schematic .dot{{fill:currentColor}}",
            ".schematic .new{{stroke-width:2.6}}.schematic .new text{{font-weight:600}}.schematic .fitted{{opacity:.72}}</style>",
            "{body}</svg>"
        ),
        width = width,
        height = HEIGHT,
        title = escape(title),
        words = escape(&words.join("; ")),
        body = d.body,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::library::Library;

    fn stage(place: Place, id: &str) -> Stage {
        Stage { place, part: Library::built_in().get(id).unwrap().clone() }
    }

    #[test]
    fn every_part_is_drawn_with_its_value_and_says_so_in_words() {
        let stages = [
            stage(Place::EachLineToEarth, "y2-2.2nf"),
            stage(Place::BothLines, "cmc-s-10mh"),
            stage(Place::AcrossLines, "x2-470nf"),
            stage(Place::InEachLine, "dmc-s-100uh"),
            stage(Place::BothLines, "sleeve-nizn-28"),
            stage(Place::BothLines, "inlet-2a"),
        ];
        let svg = draw(&stages, &[false, true, true, true, true, true], "A <filter>");
        for text in ["2 × 2.2 nF", ">10 mH<", "470 nF", "100 µH", "1 pass", "3.7 mH", "A &lt;filter&gt;", ">PE<"] {
            assert!(svg.contains(text), "{text}");
        }
        assert_eq!(svg.matches("class=\"new\"").count(), 5);
        assert!(svg.contains("10 mH in both conductors (new)"));
        assert_eq!(svg.matches("<g ").count(), svg.matches("</g>").count());
    }

    /// Nothing may be drawn outside the sheet.
    #[test]
    fn everything_stays_on_the_sheet() {
        let svg = draw(&[stage(Place::AcrossLines, "x2-1uf")], &[true], "one");
        let width: f64 = svg.split("viewBox=\"0 0 ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
        for part in svg.split("cx=\"").skip(1) {
            let x: f64 = part.split('"').next().unwrap().parse().unwrap();
            assert!(x > 0.0 && x < width);
        }
    }
}
