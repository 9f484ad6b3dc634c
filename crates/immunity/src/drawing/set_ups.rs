//! The set-up of each test from figures of its standard and of the product.

use super::{At, Drawing, Element, Role, Run};
use crate::coil::Coil;

/// What a drawing needs of the product.
#[derive(Debug, Clone, PartialEq)]
pub struct SetUpFacts {
    /// Length, width and height of the housing, m.
    pub size_m: [f64; 3],
    /// It stands on the floor.
    pub floor: bool,
    /// Cables are screened, so that the network or clamp on the right is one for screens; moves words only.
    pub screened: bool,
    /// It has a mains cable; the network on the left is for it.
    pub mains: bool,
    /// Rated mains, V, for the words at the network.
    pub mains_v: Option<f64>,
    /// Field of the magnetic test, A/m.
    pub magnetic_a_per_m: Option<f64>,
}

/// Height of the table, m (IEC 61000-4-2 and -4-3, read in a report).
const TABLE_M: f64 = 0.8;
/// Support on the ground plane of bursts, conducted radio frequency and magnetic field, m.
const SUPPORT_M: f64 = 0.1;

struct Pen {
    test: &'static str,
    elements: Vec<Element>,
    notes: Vec<String>,
}

impl Pen {
    fn new(test: &'static str) -> Self {
        Self { test, elements: Vec::new(), notes: Vec::new() }
    }

    fn ground(&mut self, from_m: f64, to_m: f64) {
        self.elements.push(Element::Ground { from_m, to_m, at_m: 0.0 });
    }

    fn block(&mut self, corner_m: At, size_m: At, role: Role, label: &str) {
        self.elements.push(Element::Block { corner_m, size_m, role, label: label.to_owned() });
    }

    /// A table: top and two legs.
    fn table(&mut self, from: f64, to: f64, top: f64) {
        const THICK: f64 = 0.03;
        self.block([from, top - THICK], [to - from, THICK], Role::Support, "");
        for x in [from + 0.04, to - 0.07] {
            self.block([x, 0.0], [0.03, top - THICK], Role::Support, "");
        }
    }

    fn line(&mut self, run: Run, points_m: &[At]) {
        self.elements.push(Element::Line { points_m: points_m.to_vec(), run });
    }

    fn across(&mut self, from: f64, to: f64, y: f64, offset_m: f64, figure: &str) {
        let (from_m, to_m) = ([from, y], [to, y]);
        self.elements.push(Element::Dimension { from_m, to_m, offset_m, figure: figure.to_owned() });
    }

    fn up(&mut self, x: f64, from: f64, to: f64, offset_m: f64, figure: &str) {
        let (from_m, to_m) = ([x, from], [x, to]);
        self.elements.push(Element::Dimension { from_m, to_m, offset_m, figure: figure.to_owned() });
    }

    /// A word that begins at its place.
    fn name(&mut self, at_m: At, of_m: Option<At>, text: &str) {
        self.elements.push(Element::Name { at_m, of_m, text: text.to_owned(), ends: false });
    }

    /// A word that ends at its place.
    fn name_to(&mut self, at_m: At, of_m: Option<At>, text: &str) {
        self.elements.push(Element::Name { at_m, of_m, text: text.to_owned(), ends: true });
    }

    fn note(&mut self, text: impl Into<String>) {
        self.notes.push(text.into());
    }

    fn done(self, title: &str, bounds_m: [f64; 4], caution: &str) -> Drawing {
        Drawing {
            test: self.test.to_owned(),
            title: title.to_owned(),
            bounds_m,
            elements: self.elements,
            notes: self.notes,
            caution: caution.to_owned(),
        }
    }
}

const PULSE: &str = "High voltage and stored charge: interlock, switch off, wait, discharge with the stick and check before anybody \
                     touches the set-up. Nobody with a pacemaker or other active implant near; never alone; local codes and \
                     licensed practice first.";
const MAINS: &str = "The network passes mains current to earth: its protective earth is joined first and taken off last, behind an \
                     isolating transformer, without a residual-current device.";
const FIELD: &str = "Nobody in the field with power on, door interlock, screened room only. Nobody with a pacemaker or other active \
                     implant near; never alone.";

/// The drawings of a test's set-up, none for a test that is not known: one, or for some tests two views.
pub fn drawings(test: &str, f: &SetUpFacts) -> Vec<Drawing> {
    match test {
        "esd" if f.floor => vec![esd_floor(f)],
        "esd" => vec![esd_table(f)],
        "radiated" => vec![radiated(f)],
        "burst" => vec![burst(f, "burst", "Fast transient bursts")],
        "damped-wave" => vec![burst(f, "damped-wave", "Damped oscillatory waves")],
        "surge" => vec![surge(f, "surge", "Surges")],
        "ring-wave" => vec![surge(f, "ring-wave", "Ring waves")],
        "conducted" => vec![conducted(f)],
        "magnetic" => vec![magnetic(f)],
        "dips" => vec![dips(f, "dips", "Dips and interruptions")],
        "variation" => vec![dips(f, "variation", "Variation of the supply voltage")],
        "proximity" => vec![proximity(f)],
        _ => Vec::new(),
    }
}

fn stands(f: &SetUpFacts) -> &'static str {
    if f.floor { "floor-standing" } else { "table-top" }
}

/// Width and height in which the product is drawn, m.
fn shown(f: &SetUpFacts, most: At) -> At {
    [f.size_m[0].clamp(0.12, most[0]), f.size_m[2].clamp(0.06, most[1])]
}

fn said(pen: &mut Pen, f: &SetUpFacts, drawn: At) {
    if (drawn[0] - f.size_m[0]).abs() > 1e-9 || (drawn[1] - f.size_m[2]).abs() > 1e-9 {
        pen.note(format!(
            "The product is {} m long and {} m high; it is drawn {:.2} m by {:.2} m.",
            f.size_m[0], f.size_m[2], drawn[0], drawn[1]
        ));
    }
}

/// A lead down to the ground plane with a resistor at each end.
fn bleeder(pen: &mut Pen, x: f64, from_y: f64) {
    pen.line(Run::Bond, &[[x, from_y], [x, 0.0]]);
    pen.elements.push(Element::Resistor { at_m: [x, from_y - 0.13] });
    pen.elements.push(Element::Resistor { at_m: [x, 0.13] });
}

fn esd_table(f: &SetUpFacts) -> Drawing {
    let mut p = Pen::new("esd");
    p.ground(-0.5, 2.75);
    p.table(0.2, 1.8, TABLE_M);
    let [w, h] = shown(f, [0.8, 0.75]);
    let y = TABLE_M + 0.02;
    p.elements.push(Element::Plate { from_m: [0.2, TABLE_M + 0.005], to_m: [1.8, TABLE_M + 0.005] });
    let x = 1.0 - w / 2.0;
    p.block([x, y], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    // The vertical plane at 0.1 m from the face on the right, on an insulating foot.
    let plane = x + w + 0.1;
    p.elements.push(Element::Plate { from_m: [plane, y + 0.02], to_m: [plane, y + 0.52] });
    p.line(Run::Bond, &[[plane, y + 0.06], [2.0, y + 0.06], [2.0, TABLE_M - 0.02]]);
    bleeder(&mut p, 2.0, TABLE_M - 0.02);
    bleeder(&mut p, 0.2, TABLE_M);
    p.elements.push(Element::Tip { at_m: [0.2, TABLE_M + 0.01], body_m: [-0.22, TABLE_M + 0.12] });
    p.line(Run::Lead, &[[-0.24, TABLE_M + 0.06], [-0.24, 0.0]]);
    p.line(Run::Cable, &[[x + 0.05, y], [x - 0.06, y + 0.01], [0.42, y + 0.01], [0.42, 0.1], [0.75, 0.1]]);
    p.up(2.3, 0.0, TABLE_M, 0.0, "0.8 m");
    p.across(0.2, 1.8, y + 0.5, 0.28, "1.6 m × 0.8 m");
    p.across(x + w, plane, y + 0.52, 0.1, "0.1 m");
    p.up(plane, y + 0.02, y + 0.52, 0.22, "0.5 m × 0.5 m");
    p.name([2.06, 0.42], Some([2.0, 0.13]), "470 kΩ");
    p.name([2.06, 0.62], Some([2.0, TABLE_M - 0.15]), "470 kΩ");
    p.name_to([0.02, 0.3], Some([0.2, 0.13]), "470 kΩ");
    p.name_to([0.02, 0.56], Some([0.2, TABLE_M - 0.13]), "470 kΩ");
    p.name_to([-0.06, TABLE_M + 0.36], Some([-0.2, TABLE_M + 0.16]), "generator");
    p.name([0.5, 0.48], Some([0.5, TABLE_M - 0.01]), "horizontal plane, 0.5 mm insulation on it");
    p.name_to([-0.28, 0.42], Some([-0.24, 0.3]), "return, 2 m");
    p.name([0.82, 0.1], Some([0.75, 0.1]), "cables 0.1 m above the plane");
    p.note("The product stands 0.1 m or more inside the edge of the horizontal plane. Discharge to this plane at its edge, in front of each unit.");
    p.note("The vertical plane goes to each face in turn; discharge at the middle of its upright edge.");
    p.note("Ground plane 0.5 m beyond product and planes on every side; 0.8 m free to walls and other metal. Return cable 0.2 m or more from the product.");
    p.done("Electrostatic discharge, table-top, from the side", [-0.75, -0.12, 2.8, 1.75], PULSE)
}

fn esd_floor(f: &SetUpFacts) -> Drawing {
    let mut p = Pen::new("esd");
    p.ground(-0.8, 2.4);
    let [w, h] = shown(f, [0.8, 1.4]);
    p.block([0.5, 0.0], [w + 0.1, SUPPORT_M], Role::Support, "");
    p.block([0.55, SUPPORT_M], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    let plane = 0.55 + w + 0.1;
    let mid = (SUPPORT_M + h / 2.0).max(0.4);
    p.elements.push(Element::Plate { from_m: [plane, mid - 0.25], to_m: [plane, mid + 0.25] });
    p.line(Run::Bond, &[[plane, mid], [plane + 0.25, mid], [plane + 0.25, mid - 0.02]]);
    bleeder(&mut p, plane + 0.25, mid.max(0.45));
    p.elements.push(Element::Tip { at_m: [0.55, SUPPORT_M + 0.6 * h], body_m: [0.2, SUPPORT_M + 0.6 * h + 0.08] });
    p.line(Run::Lead, &[[0.2, SUPPORT_M + 0.6 * h + 0.06], [-0.3, SUPPORT_M + 0.6 * h + 0.06], [-0.3, 0.0]]);
    p.up(0.5, 0.0, SUPPORT_M, -0.06, "0.05–0.15 m");
    p.across(0.55 + w, plane, mid + 0.25, 0.1, "0.1 m");
    p.up(plane, mid - 0.25, mid + 0.25, 0.5, "0.5 m × 0.5 m");
    p.name([plane + 0.31, 0.2], Some([plane + 0.25, 0.13]), "470 kΩ at each end");
    p.name_to([0.1, SUPPORT_M + 0.6 * h + 0.3], Some([0.24, SUPPORT_M + 0.6 * h + 0.11]), "generator");
    p.name_to([-0.36, 0.35], Some([-0.3, 0.28]), "return, 2 m");
    p.note("The vertical plane goes to each face in turn; discharge at the middle of its upright edge. No horizontal plane.");
    p.note("Ground plane 0.5 m beyond the product on every side; 0.8 m free to walls and other metal. Return cable 0.2 m or more from the product.");
    p.done(
        "Electrostatic discharge, floor-standing, from the side",
        [-1.1, -0.12, 2.5, (SUPPORT_M + h + 0.4).max(1.2)],
        PULSE,
    )
}

fn radiated(f: &SetUpFacts) -> Drawing {
    let mut p = Pen::new("radiated");
    p.ground(-3.9, 2.2);
    p.elements.push(Element::Absorber { from_m: [-2.4, 0.0], to_m: [-0.6, 0.0] });
    p.elements.push(Element::Absorber { from_m: [2.2, 0.0], to_m: [2.2, 2.5] });
    let [w, h] = if f.floor { shown(f, [1.0, 1.8]) } else { shown(f, [0.9, 1.4]) };
    let base = if f.floor { SUPPORT_M } else { TABLE_M };
    if f.floor {
        p.block([0.0, 0.0], [w + 0.05, SUPPORT_M], Role::Support, "");
    } else {
        p.table(-0.1, (w + 0.2).max(0.9), TABLE_M);
    }
    p.block([0.0, base], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    p.line(Run::Cable, &[[w, base + 0.03], [w + 0.14, base + 0.03], [w + 0.14, 0.03], [1.9, 0.03]]);
    p.elements.push(Element::Block {
        corner_m: [-0.02, 0.8],
        size_m: [0.04, 1.5],
        role: Role::Region,
        label: String::new(),
    });
    p.elements.push(Element::Antenna { at_m: [-3.0, 1.55], length_m: 0.7 });
    p.line(Run::Bond, &[[-3.35, 1.5], [-3.35, 0.0]]);
    p.across(-3.0, 0.0, 1.55, 1.05, "3 m (never below 1 m)");
    p.up(-0.02, 0.8, 2.3, -0.14, "1.5 m × 1.5 m");
    p.up(-0.45, 0.0, 0.8, 0.0, "0.8 m");
    if f.floor {
        p.up(w * 0.5, 0.0, SUPPORT_M, 0.0, "0.05–0.15 m");
    }
    p.name_to([-0.45, 2.38], Some([0.0, 2.26]), "calibrated plane, the product's front in it");
    p.name([w + 0.24, base * 0.45 + 0.2], Some([w + 0.14, base * 0.4]), "1 m of each cable");
    p.name_to([-2.45, 0.3], Some([-2.2, 0.16]), "absorbers as at calibration");
    p.name_to([-3.45, 1.05], Some([-3.35, 1.0]), "mast");
    p.note("Horizontal and vertical polarisation at every face. The field is set by the forward power of the calibration, not by a probe beside the product.");
    p.note("Table and support of material that hardly reflects. A camera looks on; nobody is inside.");
    p.done(&format!("Radio-frequency field, {}, from the side", stands(f)), [-4.1, -0.12, 2.35, 2.85], FIELD)
}

/// Bursts and damped waves: network on the left with the mains, clamp on the right with a signal cable.
fn burst(f: &SetUpFacts, test: &'static str, word: &str) -> Drawing {
    let mut p = Pen::new(test);
    let near = if f.floor { 1.0 } else { 0.5 };
    let [w, h] = shown(f, [0.8, if f.floor { 1.4 } else { 0.8 }]);
    let left = 0.45 + near;
    let right = left + w;
    let end = right + near + 1.3;
    p.ground(-0.45, end);
    p.block([left - 0.05, 0.0], [w + 0.1, SUPPORT_M], Role::Support, "");
    p.block([left, SUPPORT_M], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    p.block([0.0, 0.0], [0.45, 0.26], Role::Network, "network");
    p.line(Run::Cable, &[[0.45, SUPPORT_M], [left, SUPPORT_M + 0.02]]);
    p.line(Run::Cable, &[[-0.45, SUPPORT_M], [0.0, SUPPORT_M]]);
    let clamp = right + near;
    p.block([clamp, 0.0], [1.0, 0.05], Role::Support, "");
    p.block([clamp, 0.06], [1.0, 0.09], Role::Clamp, "");
    p.line(Run::Cable, &[[right, SUPPORT_M + 0.02], [clamp, SUPPORT_M], [end - 0.05, SUPPORT_M]]);
    p.across(0.45, left, 0.26, if f.floor { 0.2 } else { 0.16 }, if f.floor { "1.0 m" } else { "0.5 m" });
    p.across(right, clamp, 0.15, 0.27, if f.floor { "1.0 m" } else { "0.5 m" });
    p.across(clamp, clamp + 1.0, 0.15, 0.27, "1 m");
    p.up(left - 0.05, 0.0, SUPPORT_M, -0.16, "0.1 m");
    p.name_to([end, 0.62], Some([clamp + 0.7, 0.14]), "capacitive clamp, for signal cables");
    p.name_to([0.4, 0.55], Some([0.25, 0.26]), if test == "burst" { "33 nF in each line" } else { "coupling network" });
    p.name_to([-0.1, 0.3], Some([-0.25, SUPPORT_M]), "mains");
    p.note("The ground plane reaches 0.1 m or more beyond everything on it; 0.5 m free to any other metal. Generator and network are bonded to it by short wide straps.");
    p.note("Cables that are longer lie in flat loops 0.1 m above the plane, not coiled. One port at a time: the other cables stay on their far ends.");
    let height = (SUPPORT_M + h + 0.2).max(0.95);
    p.done(
        &format!("{word}, {}, from the side", stands(f)),
        [-0.65, -0.12, end + 0.1, height],
        &format!("{PULSE} {MAINS}"),
    )
}

/// Surges and ring waves.
fn surge(f: &SetUpFacts, test: &'static str, word: &str) -> Drawing {
    let mut p = Pen::new(test);
    let [w, h] = shown(f, [0.8, if f.floor { 1.4 } else { 0.8 }]);
    let base = if f.floor { SUPPORT_M } else { TABLE_M };
    p.ground(-0.9, 3.0 + w);
    let left = 2.05;
    if f.floor {
        p.block([left - 0.05, 0.0], [w + 0.1, SUPPORT_M], Role::Support, "");
    } else {
        p.table(-0.75, left + w + 0.35, TABLE_M);
    }
    p.block([left, base], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    p.block([-0.65, base], [0.5, 0.34], Role::Generator, "generator");
    p.block([0.1, base], [0.5, 0.26], Role::Network, "network");
    p.line(Run::Lead, &[[-0.15, base + 0.14], [0.1, base + 0.14]]);
    p.line(Run::Cable, &[[0.6, base + 0.06], [left, base + 0.06]]);
    p.line(Run::Bond, &[[0.35, base], [0.35, 0.0]]);
    p.line(Run::Bond, &[[-0.4, base], [-0.4, 0.0]]);
    p.line(
        Run::Cable,
        &[[left + w, base + 0.05], [left + w + 0.5, base + 0.05], [left + w + 0.5, 0.05], [left + w + 0.85, 0.05]],
    );
    p.across(0.6, left, base + 0.26, 0.2, "2 m or shorter");
    if f.floor {
        p.up(left - 0.05, 0.0, SUPPORT_M, -0.1, "0.1 m");
    } else {
        p.up(1.6, 0.0, TABLE_M, 0.0, "0.8 m");
    }
    if f.floor {
        p.note("Protective earth is joined first and taken off last.");
    } else {
        p.name([0.42, base * 0.3 + 0.06], Some([0.35, base * 0.25]), "earth: first on, last off");
    }
    p.name([left + w + 0.56, base * 0.55 + 0.05], Some([left + w + 0.5, base * 0.5]), "other cables");
    let volts = f.mains_v.map_or_else(|| "mains".to_owned(), |v| format!("mains {v} V"));
    p.line(Run::Cable, &[[0.35, base + 0.26], [0.35, base + 0.5], [-0.85, base + 0.5]]);
    p.name([-0.85, base + 0.56], None, &format!("{volts}, isolated"));
    if test == "surge" {
        p.note("Line to line 18 µF, line to earth 9 µF + 10 Ω; signal lines 0.5 µF + 40 Ω or an arrestor + 40 Ω; screened lines onto the screen with 20 m of cable laid in loops.");
    } else {
        p.note("From 12 Ω near the service entrance, from 30 Ω further inside (from memory).");
    }
    p.note("Cover over the product against fragments, extinguisher within reach; the generator's interlock covers the whole place.");
    let height = base + h.max(0.65) + 0.2;
    p.done(
        &format!("{word}, {}, from the side", stands(f)),
        [-1.1, -0.12, left + w + 1.25, height],
        &format!("{PULSE} {MAINS}"),
    )
}

fn conducted(f: &SetUpFacts) -> Drawing {
    let mut p = Pen::new("conducted");
    let [w, h] = shown(f, [0.8, 0.8]);
    let left = 0.75;
    let right = left + w;
    let end = right + 1.75;
    p.ground(-0.6, end);
    p.block([left - 0.05, 0.0], [w + 0.1, SUPPORT_M], Role::Support, "");
    p.block([left, SUPPORT_M], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    p.block([0.2, 0.0], [0.3, 0.2], Role::Network, "");
    p.line(Run::Cable, &[[0.5, 0.08], [left, SUPPORT_M + 0.03]]);
    p.line(Run::Cable, &[[-0.45, 0.08], [0.2, 0.08]]);
    let clamp = right + 0.25;
    p.block([clamp, 0.03], [0.6, 0.12], Role::Clamp, "");
    p.line(Run::Cable, &[[right, SUPPORT_M + 0.03], [clamp, 0.09], [clamp + 0.85, 0.09]]);
    p.block([clamp + 0.85, 0.0], [0.3, 0.2], Role::Network, "");
    p.line(Run::Cable, &[[clamp + 1.15, 0.08], [end - 0.1, 0.08]]);
    p.across(0.5, left, 0.2, 0.2, "0.1–0.3 m");
    p.across(right, clamp, 0.15, 0.25, "0.1–0.3 m");
    p.up(left - 0.05, 0.0, SUPPORT_M, -0.1, "0.1 m");
    p.name_to([0.3, 0.62], Some([0.35, 0.2]), "network on the cable under test");
    p.name_to([-0.1, 0.3], Some([-0.2, 0.08]), "mains");
    p.name(
        [clamp + 0.15, 0.68],
        Some([clamp + 0.3, 0.15]),
        if f.screened { "network for screens, or clamp" } else { "clamp, where no network fits" },
    );
    p.name_to([end + 0.05, 0.42], Some([clamp + 1.0, 0.2]), "other network, 50 Ω");
    p.note("Cables 30 mm or more above the plane, as short and straight as they can be. One other network is terminated with 50 Ω; all further cables are decoupled and open.");
    p.note("With a clamp and no 150 Ω at the far end, a current probe stands beside the clamp and the level stops at U0/150.");
    p.done(
        &format!("Conducted radio frequency, {}, from the side", stands(f)),
        [-0.85, -0.12, end + 0.1, (SUPPORT_M + h + 0.2).max(0.85)],
        FIELD,
    )
}

fn magnetic(f: &SetUpFacts) -> Drawing {
    let mut p = Pen::new("magnetic");
    let tall = f.floor || f.size_m[2] > 0.6;
    let (cw, ch) = if tall { (1.0, 2.6) } else { (1.0, 1.0) };
    let coil = Coil { width_m: cw, height_m: ch, turns: 1.0, pair_m: None };
    let [w, h] = shown(f, [0.8, ch - 0.25]);
    p.ground(-0.4, 3.2);
    let bottom = 0.03;
    let base = (bottom + (ch - h) / 2.0).max(SUPPORT_M);
    p.block([0.5 - w / 2.0 - 0.04, 0.0], [w + 0.08, base], Role::Support, "");
    p.elements.push(Element::Frame { corner_m: [0.0, bottom], size_m: [cw, ch] });
    // The part of the frame's plane and axis where the field keeps within 3 dB.
    let reach = coil.reach_m(3.0);
    let (rw, rh) = (2.0 * reach[0], 2.0 * reach[1]);
    p.block([0.5 - rw / 2.0, bottom + (ch - rh) / 2.0], [rw, rh], Role::Region, "");
    p.block([0.5 - w / 2.0, base], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    p.block([2.35, 0.0], [0.5, 0.36], Role::Generator, "source");
    p.line(Run::Lead, &[[cw, bottom + 0.05], [2.35, bottom + 0.05]]);
    p.across(0.0, cw, bottom + ch, 0.12, "1 m");
    p.up(0.0, bottom, bottom + ch, -0.18, if tall { "2.6 m" } else { "1 m" });
    p.across(cw, 2.35, 0.36, 0.12, "less than 3 m");
    p.up(0.5, 0.0, base, 0.0, "0.1 m or more");
    p.name(
        [1.12, bottom + ch * 0.62],
        Some([0.5 + rw / 2.0, bottom + ch * 0.56]),
        &format!("within ±3 dB: {rw:.2} m × {rh:.2} m × {:.2} m along the axes", 2.0 * reach[2]),
    );
    let amperes = f.magnetic_a_per_m.and_then(|h| Some((h, coil.current_a(h).ok()?)));
    if let Some((field, amperes)) = amperes {
        p.name(
            [1.12, bottom + ch * 0.82],
            Some([cw, bottom + ch * 0.8]),
            &format!("{field} A/m: {amperes:.2} A in one turn"),
        );
    }
    p.note("Three axes: turn the frame or the product. One metre of every cable lies in the field; the source stands 3 m or less away.");
    p.note("The frame's factor is computed for thin straight conductors in free space. One that uses the ground plane as a side has another: measure it.");
    p.done(
        &format!("Power-frequency magnetic field, {}, the frame from the front", stands(f)),
        [-0.65, -0.12, 3.4, bottom + ch + 0.35],
        "Strong magnetic field and a hot frame: nobody with a pacemaker or other active implant near, tools, watches and cards away; current \
         off before anything is turned.",
    )
}

fn dips(f: &SetUpFacts, test: &'static str, word: &str) -> Drawing {
    let mut p = Pen::new(test);
    let [w, h] = shown(f, [0.8, if f.floor { 1.4 } else { 0.8 }]);
    let base = if f.floor { 0.0 } else { TABLE_M };
    p.ground(-0.9, 2.3 + w);
    let left = 1.3;
    if !f.floor {
        p.table(-0.75, left + w + 0.3, TABLE_M);
    }
    p.block([-0.55, base], [0.7, 0.4], Role::Generator, "source");
    p.block([left, base], [w, h], Role::Product, "product");
    said(&mut p, f, [w, h]);
    p.line(Run::Cable, &[[0.15, base + 0.06], [left, base + 0.06]]);
    p.line(Run::Bond, &[[-0.2, base], [-0.2, 0.0]]);
    p.across(0.15, left, base + 0.1, 0.2, "the maker's shortest cable");
    p.line(
        Run::Lead,
        &[[left - 0.1, base + 0.06], [left - 0.1, base + h.max(0.35) + 0.22], [left - 0.5, base + h.max(0.35) + 0.22]],
    );
    p.name_to([left - 0.52, base + h.max(0.35) + 0.2], None, "voltage and current recorded here");
    if !f.floor {
        p.name([-0.14, base * 0.4 + 0.05], Some([-0.2, base * 0.35]), "earth as in use");
    }
    p.note("The source makes 500 A peak at 220 V to 240 V (250 A at 100 V to 120 V) unless the product draws less than 70 % of what is there (from memory).");
    p.note("The capacitor behind the rectifier stays charged to more than 300 V when the voltage is gone.");
    p.done(
        &format!("{word}, {}, from the side", stands(f)),
        [-1.1, -0.12, left + w + 0.6, base + h.max(0.35) + 0.45],
        "Mains and stored charge: source off, capacitor discharged through a resistor, checked, before anything is touched. The \
         current on return may blow fuses, rectifiers and switches. Never alone; local codes and licensed practice first.",
    )
}

fn proximity(f: &SetUpFacts) -> Drawing {
    let mut p = Pen::new("proximity");
    let [w, h] = shown(f, [0.8, 0.6]);
    let (x, y) = (0.0, SUPPORT_M);
    p.ground(-0.35, w + 1.35);
    p.block([x - 0.05, 0.0], [w + 0.1, SUPPORT_M], Role::Support, "");
    p.block([x, y], [w, h], Role::Product, "");
    said(&mut p, f, [w, h]);
    // Windows on the face that looks to the reader.
    let (across, down) = ((w / 0.1 - 1e-9).ceil().max(1.0) as u32, (h / 0.1 - 1e-9).ceil().max(1.0) as u32);
    let (ww, wh) = (w / f64::from(across), h / f64::from(down));
    for i in 0..across {
        for j in 0..down {
            p.block([x + f64::from(i) * ww, y + f64::from(j) * wh], [ww, wh], Role::Region, "");
        }
    }
    // The loop on the right, at 50 mm from that side.
    let middle = y + (h / 2.0).min(0.3);
    p.elements.push(Element::Plate { from_m: [x + w + 0.05, middle - 0.05], to_m: [x + w + 0.05, middle + 0.05] });
    p.line(Run::Lead, &[[x + w + 0.05, middle], [x + w + 0.5, middle]]);
    p.block([x + w + 0.5, (middle - 0.12).max(0.0)], [0.42, 0.24], Role::Generator, "amplifier");
    p.across(x + w, x + w + 0.05, middle + 0.05, y + h - middle + 0.02, "50 mm");
    p.across(x, x + ww, y + h, 0.2, "100 mm or less");
    p.name([x + w + 0.2, middle + 0.24], Some([x + w + 0.05, middle + 0.04]), "loop, parallel to the surface");
    p.note("Every face that a transmitter may come near in use, window by window; displays and cable entries first.");
    p.done(
        "Magnetic near field, a face with its windows, the loop from the side",
        [-0.5, -0.1, w + 1.5, (y + h + 0.32).max(0.6)],
        "The loop makes a strong field and gets hot: amplifier off before it is moved. Nobody with a pacemaker or other active implant \
         near; never alone.",
    )
}
