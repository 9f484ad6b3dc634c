//! Set-ups of the immunity tests as geometry: where planes, tables, networks, antennas and coils stand, in metres, with the
//! distances that must be kept. Nothing here draws; a picture is made of it elsewhere.

mod set_ups;

use serde::Serialize;

pub use set_ups::{SetUpFacts, drawings};

/// A point, m: to the right, and up from the ground plane.
pub type At = [f64; 2];

/// What a block is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The product.
    Product,
    /// A table or support that does not conduct.
    Support,
    /// A coupling network.
    Network,
    /// A clamp round a cable.
    Clamp,
    /// A generator, amplifier or source.
    Generator,
    /// Something that belongs to the product.
    Beside,
    /// A field plane or volume: nothing solid.
    Region,
}

/// What a line is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Run {
    /// A cable of the product.
    Cable,
    /// A bond to the ground plane.
    Bond,
    /// A lead of the generator.
    Lead,
}

/// One thing of a drawing.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Element {
    /// Ground plane or conducting floor, seen from its edge.
    Ground {
        /// From, m.
        from_m: f64,
        /// To, m.
        to_m: f64,
        /// Height, m.
        at_m: f64,
    },
    /// A block seen from the side.
    Block {
        /// Lower left corner, m.
        corner_m: At,
        /// Width and height, m.
        size_m: At,
        /// What it is.
        role: Role,
        /// Its name; empty for none.
        label: String,
    },
    /// A metal plate seen from its edge.
    Plate {
        /// From, m.
        from_m: At,
        /// To, m.
        to_m: At,
    },
    /// A cable, bond or lead.
    Line {
        /// Its corners, m.
        points_m: Vec<At>,
        /// What it is.
        run: Run,
    },
    /// A resistor in a vertical lead.
    Resistor {
        /// Its middle, m.
        at_m: At,
    },
    /// The tip of a discharge generator.
    Tip {
        /// Where it touches, m.
        at_m: At,
        /// Where its body is, m.
        body_m: At,
    },
    /// An antenna whose tip looks to the right.
    Antenna {
        /// Its tip, m.
        at_m: At,
        /// Its length, m.
        length_m: f64,
    },
    /// Absorbers on a floor or wall.
    Absorber {
        /// From, m.
        from_m: At,
        /// To, m.
        to_m: At,
    },
    /// A frame of conductors seen from the front.
    Frame {
        /// Lower left corner, m.
        corner_m: At,
        /// Width and height, m.
        size_m: At,
    },
    /// A distance that must be kept.
    Dimension {
        /// From, m.
        from_m: At,
        /// To, m: straight beside or above the other end.
        to_m: At,
        /// How far from these points its line stands, m: upwards, or to the right where it is upright.
        offset_m: f64,
        /// The figure with its unit.
        figure: String,
    },
    /// A word with a line to what it names.
    Name {
        /// Where the word stands, m.
        at_m: At,
        /// What it points at, m.
        of_m: Option<At>,
        /// The word.
        text: String,
        /// The word ends at its place; else it begins there.
        ends: bool,
    },
}

/// A set-up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Drawing {
    /// The test, as sheets name it.
    pub test: String,
    /// E.g. `Electrostatic discharge, table-top, from the side`.
    pub title: String,
    /// Left, bottom, right and top, m.
    pub bounds_m: [f64; 4],
    /// Its things, from back to front.
    pub elements: Vec<Element>,
    /// What the drawing cannot show.
    pub notes: Vec<String>,
    /// What can hurt someone here.
    pub caution: String,
}

impl Drawing {
    /// A sentence for who does not see it: every distance that it holds.
    pub fn spoken(&self) -> String {
        let figures: Vec<&str> = self
            .elements
            .iter()
            .filter_map(|e| match e {
                Element::Dimension { figure, .. } => Some(figure.as_str()),
                _ => None,
            })
            .collect();
        format!("{}. Distances: {}.", self.title, figures.join("; "))
    }
}
