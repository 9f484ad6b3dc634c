//! What could be done: topologies filled with real parts.

use serde::{Deserialize, Serialize};

use crate::library::Library;
use crate::parts::{CapacitorClass, Fit, Model, Part};
use crate::port::{Place, PortModel, Stage};
use crate::safety::{Bounds, Supply};

/// One change to a port.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// Added at the terminals, outside what is fitted; several in order from the product outward.
    Add(Stage),
    /// Another part in the place of a fitted one (its position in the fitted list).
    Exchange {
        /// Position of the fitted part, from 0.
        index: usize,
        /// The part that takes its place.
        part: Part,
    },
}

/// A shape of a remedy, before its values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Topology {
    /// Ferrite round the lead.
    LeadFerrite,
    /// Another X capacitor.
    ExchangeX,
    /// Other Y capacitors.
    ExchangeY,
    /// Another choke.
    ExchangeChoke,
    /// Other X capacitor and choke.
    ExchangeXAndChoke,
    /// Other X and Y capacitors.
    ExchangeXAndY,
    /// X capacitor at the terminals.
    X,
    /// Y capacitors at the terminals.
    Y,
    /// Common-mode choke.
    Choke,
    /// One inductor in each conductor.
    Inductors,
    /// Choke, X capacitor toward the mains.
    ChokeX,
    /// X capacitor toward the product, choke.
    XChoke,
    /// X capacitors on both sides of a choke.
    XChokeX,
    /// Y capacitors toward the product, choke.
    YChoke,
    /// Choke, Y capacitors toward the mains.
    ChokeY,
    /// Y capacitors toward the product, choke, X capacitor toward the mains.
    YChokeX,
    /// Two chokes, one for low and one for high frequencies.
    TwoChokes,
    /// Inductors, X capacitor toward the mains.
    InductorsX,
    /// X capacitors on both sides of inductors.
    XInductorsX,
    /// Two stages of choke and X capacitor.
    TwoStages,
    /// Ready-made filter in the inlet.
    Inlet,
    /// Other X capacitor and a ferrite round the lead.
    ExchangeXAndLeadFerrite,
    /// What the user put together.
    Own,
}

impl Topology {
    /// For people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::LeadFerrite => "ferrite round the lead",
            Self::ExchangeX => "another X capacitor",
            Self::ExchangeY => "other Y capacitors",
            Self::ExchangeChoke => "another choke",
            Self::ExchangeXAndChoke => "another X capacitor and another choke",
            Self::ExchangeXAndY => "other X and Y capacitors",
            Self::X => "X capacitor at the terminals",
            Self::Y => "Y capacitors at the terminals",
            Self::Choke => "common-mode choke at the terminals",
            Self::Inductors => "inductor in each conductor",
            Self::ChokeX => "choke and X capacitor",
            Self::XChoke => "X capacitor and choke",
            Self::XChokeX => "choke between X capacitors",
            Self::YChoke => "Y capacitors and choke",
            Self::ChokeY => "choke and Y capacitors",
            Self::YChokeX => "Y capacitors, choke, X capacitor",
            Self::TwoChokes => "two chokes in series",
            Self::InductorsX => "inductors and X capacitor",
            Self::XInductorsX => "inductors between X capacitors",
            Self::TwoStages => "two stages of choke and X capacitor",
            Self::Inlet => "inlet with filter",
            Self::ExchangeXAndLeadFerrite => "another X capacitor and a ferrite round the lead",
            Self::Own => "your own",
        }
    }
}

/// A remedy to be tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Its shape.
    pub topology: Topology,
    /// What is done.
    pub changes: Vec<Change>,
}

impl Candidate {
    /// The whole ladder after the change, from the inside to the terminals.
    pub fn after(&self, fitted: &[Stage]) -> Vec<Stage> {
        let mut stages = fitted.to_vec();
        for change in &self.changes {
            match change {
                Change::Add(stage) => stages.push(stage.clone()),
                Change::Exchange { index, part } => {
                    if let Some(s) = stages.get_mut(*index) {
                        s.part = part.clone();
                    }
                }
            }
        }
        stages
    }

    /// The stages that are new.
    pub fn new_stages(&self, fitted: &[Stage]) -> Vec<Stage> {
        self.changes
            .iter()
            .filter_map(|c| match c {
                Change::Add(stage) => Some(stage.clone()),
                Change::Exchange { index, part } => {
                    fitted.get(*index).map(|s| Stage { place: s.place, part: part.clone() })
                }
            })
            .collect()
    }

    /// The hardest of its changes.
    pub fn fit(&self) -> Fit {
        self.changes
            .iter()
            .map(|c| match c {
                Change::Add(stage) => stage.part.fit,
                Change::Exchange { .. } => Fit::PartExchange,
            })
            .max()
            .unwrap_or(Fit::ClipOn)
    }
}

struct Shelf<'a> {
    x: Vec<&'a Part>,
    y: Vec<&'a Part>,
    chokes: Vec<&'a Part>,
    high_chokes: Vec<&'a Part>,
    inductors: Vec<&'a Part>,
    inlets: Vec<&'a Part>,
    ferrites: Vec<Vec<Stage>>,
}

/// Up to here a choke counts as the second one, for high frequencies, H.
const HIGH_CHOKE_H: f64 = 0.6e-3;

impl<'a> Shelf<'a> {
    fn new(library: &'a Library, bounds: &Bounds, supply: &Supply) -> Self {
        let mut shelf = Self {
            x: vec![],
            y: vec![],
            chokes: vec![],
            high_chokes: vec![],
            inductors: vec![],
            inlets: vec![],
            ferrites: vec![],
        };
        let volts = supply.voltage_v;
        for p in library.all() {
            if !bounds.at_hand.is_empty() && !bounds.at_hand.contains(&p.id) {
                continue;
            }
            match &p.model {
                Model::Capacitor(c) if c.rated_v >= volts => match c.class {
                    // X1 costs more and does the same here: only where it is all there is.
                    CapacitorClass::X2 => shelf.x.push(p),
                    CapacitorClass::X1 if !bounds.at_hand.is_empty() => shelf.x.push(p),
                    CapacitorClass::Y2 => shelf.y.push(p),
                    CapacitorClass::Y1 if !bounds.at_hand.is_empty() => shelf.y.push(p),
                    _ => {}
                },
                Model::CommonModeChoke(c) if c.rated_a >= supply.current_a => {
                    if c.inductance_h <= HIGH_CHOKE_H {
                        shelf.high_chokes.push(p);
                    } else {
                        shelf.chokes.push(p);
                    }
                }
                Model::Inductor(l) if l.rated_a >= supply.current_a => shelf.inductors.push(p),
                Model::InletFilter(f) if f.choke.rated_a >= supply.current_a && f.x_mains.rated_v >= volts => {
                    shelf.inlets.push(p);
                }
                Model::Ferrite(f) => {
                    let most = match f.cable_m {
                        Some(d) if d >= 20e-3 => 5,
                        Some(d) if d >= 12e-3 => 3,
                        _ => 1,
                    };
                    for turns in 1..=most {
                        for pieces in 1..=2 {
                            let mut part = p.clone();
                            part.model = Model::Ferrite(crate::ferrite::FerriteCore { turns, ..f.clone() });
                            let stage = Stage { place: Place::BothLines, part };
                            shelf.ferrites.push(vec![stage; pieces]);
                        }
                    }
                }
                _ => {}
            }
        }
        shelf
    }
}

fn across(p: &Part) -> Change {
    Change::Add(Stage { place: Place::AcrossLines, part: p.clone() })
}

fn to_earth(p: &Part) -> Change {
    Change::Add(Stage { place: Place::EachLineToEarth, part: p.clone() })
}

fn both(p: &Part) -> Change {
    Change::Add(Stage { place: Place::BothLines, part: p.clone() })
}

fn each(p: &Part) -> Change {
    Change::Add(Stage { place: Place::InEachLine, part: p.clone() })
}

/// What is fitted and could be exchanged: positions of X, Y and choke nearest the terminals.
#[derive(Debug, Clone, Copy, Default)]
struct Positions {
    x: Option<usize>,
    y: Option<usize>,
    choke: Option<usize>,
}

fn positions(fitted: &[Stage]) -> Positions {
    let last = |want: &dyn Fn(&Stage) -> bool| fitted.iter().rposition(want);
    let capacitor = |s: &Stage, place| s.place == place && matches!(s.part.model, Model::Capacitor(_));
    Positions {
        x: last(&|s| capacitor(s, Place::AcrossLines)),
        y: last(&|s| capacitor(s, Place::EachLineToEarth)),
        choke: last(&|s| matches!(s.part.model, Model::CommonModeChoke(_))),
    }
}

/// Every remedy worth trying with the parts there are.
pub fn candidates(port: &PortModel, library: &Library, bounds: &Bounds, supply: &Supply) -> Vec<Candidate> {
    let shelf = Shelf::new(library, bounds, supply);
    let mut list = Vec::new();
    let mut add = |topology, changes: Vec<Change>| list.push(Candidate { topology, changes });

    for f in &shelf.ferrites {
        add(Topology::LeadFerrite, f.iter().cloned().map(Change::Add).collect());
    }
    for i in &shelf.inlets {
        add(Topology::Inlet, vec![both(i)]);
    }
    for x in &shelf.x {
        add(Topology::X, vec![across(x)]);
        for l in &shelf.inductors {
            add(Topology::InductorsX, vec![each(l), across(x)]);
            add(Topology::XInductorsX, vec![across(x), each(l), across(x)]);
        }
    }
    for y in &shelf.y {
        add(Topology::Y, vec![to_earth(y)]);
    }
    for l in &shelf.inductors {
        add(Topology::Inductors, vec![each(l)]);
    }
    for c in shelf.chokes.iter().chain(&shelf.high_chokes) {
        add(Topology::Choke, vec![both(c)]);
    }
    for c in &shelf.chokes {
        for h in &shelf.high_chokes {
            add(Topology::TwoChokes, vec![both(h), both(c)]);
        }
        for y in &shelf.y {
            add(Topology::YChoke, vec![to_earth(y), both(c)]);
            add(Topology::ChokeY, vec![both(c), to_earth(y)]);
        }
        for x in &shelf.x {
            add(Topology::ChokeX, vec![both(c), across(x)]);
            add(Topology::XChoke, vec![across(x), both(c)]);
            add(Topology::XChokeX, vec![across(x), both(c), across(x)]);
            add(Topology::TwoStages, vec![across(x), both(c), across(x), both(c), across(x)]);
            for y in &shelf.y {
                add(Topology::YChokeX, vec![to_earth(y), both(c), across(x)]);
            }
        }
    }

    let at = positions(&port.fitted);
    let swap = |index: usize, p: &Part| Change::Exchange { index, part: p.clone() };
    let larger = |index: Option<usize>, parts: &[&'_ Part]| -> Vec<(usize, Part)> {
        let Some(index) = index else { return Vec::new() };
        let value = |p: &Part| match &p.model {
            Model::Capacitor(c) => c.capacitance_f,
            Model::CommonModeChoke(c) => c.inductance_h,
            _ => 0.0,
        };
        let now = value(&port.fitted[index].part);
        parts.iter().filter(|p| value(p) > 1.05 * now).map(|p| (index, (*p).clone())).collect()
    };
    let xs = larger(at.x, &shelf.x);
    let ys = larger(at.y, &shelf.y);
    let chokes = larger(at.choke, &shelf.chokes);
    for (i, x) in &xs {
        add(Topology::ExchangeX, vec![swap(*i, x)]);
        for (j, y) in &ys {
            add(Topology::ExchangeXAndY, vec![swap(*i, x), swap(*j, y)]);
        }
        for (j, c) in &chokes {
            add(Topology::ExchangeXAndChoke, vec![swap(*i, x), swap(*j, c)]);
        }
        for f in &shelf.ferrites {
            let mut changes = vec![swap(*i, x)];
            changes.extend(f.iter().cloned().map(Change::Add));
            add(Topology::ExchangeXAndLeadFerrite, changes);
        }
    }
    for (i, y) in &ys {
        add(Topology::ExchangeY, vec![swap(*i, y)]);
    }
    for (i, c) in &chokes {
        add(Topology::ExchangeChoke, vec![swap(*i, c)]);
    }
    list
}
