//! Parts with strays become plain elements, so that both analyses see one kind of network.

use crate::netlist::{Element, ElementId, ElementKind, Netlist};

/// The network in plain elements, and which of them carry the current of each original element.
#[derive(Debug, Clone)]
pub(crate) struct Expanded {
    pub(crate) net: Netlist,
    /// For each original element: plain elements whose currents add up to that at its first node.
    pub(crate) carriers: Vec<Vec<ElementId>>,
    /// For each original element: the plain element that holds its chief value.
    pub(crate) chief: Vec<ElementId>,
    /// For each plain element: the original one.
    pub(crate) owner: Vec<u32>,
}

pub(crate) fn expand(original: &Netlist) -> Expanded {
    let mut net = Netlist::new();
    net.file.clone_from(&original.file);
    for name in original.node_names.iter().skip(1) {
        net.node(name);
    }
    net.initial_v.clone_from(&original.initial_v);
    let mut carriers = Vec::with_capacity(original.elements.len());
    let mut chief = Vec::with_capacity(original.elements.len());
    let mut owner = Vec::new();
    for (number, e) in original.elements.iter().enumerate() {
        let mut carry = Vec::new();
        let mut at = e.a;
        // A series element between the first node and an inner one.
        let series = |net: &mut Netlist, at: &mut _, tag: &str, kind| {
            let inner = net.node(&format!("{}#{tag}", e.name));
            let id = net.push(Element {
                name: format!("{}#{tag}-part", e.name),
                a: *at,
                b: inner,
                kind,
                place: e.place.clone(),
            });
            *at = inner;
            id
        };
        let mut parallel = 0.0;
        let mut first = None;
        let kind = match &e.kind {
            ElementKind::Diode { model, area } => {
                let mut model = model.clone();
                if model.series_ohm > 0.0 {
                    let kind = ElementKind::Resistor { resistance_ohm: model.series_ohm / area };
                    first = Some(series(&mut net, &mut at, "rs", kind));
                    model.series_ohm = 0.0;
                }
                ElementKind::Diode { model, area: *area }
            }
            ElementKind::Varistor(m) => {
                let mut m = m.clone();
                if m.series_h > 0.0 {
                    let kind = ElementKind::Inductor { inductance_h: m.series_h, initial_a: None };
                    first = Some(series(&mut net, &mut at, "ls", kind));
                }
                // The capacitance is that of the disc, behind the leads.
                if m.parallel_f > 0.0 && first.is_some() {
                    let kind = ElementKind::Capacitor { capacitance_f: m.parallel_f, initial_v: None };
                    net.push(Element {
                        name: format!("{}#cp-part", e.name),
                        a: at,
                        b: e.b,
                        kind,
                        place: e.place.clone(),
                    });
                } else {
                    parallel = m.parallel_f;
                }
                if m.series_ohm > 0.0 {
                    let kind = ElementKind::Resistor { resistance_ohm: m.series_ohm };
                    let id = series(&mut net, &mut at, "rs", kind);
                    first.get_or_insert(id);
                }
                (m.series_h, m.series_ohm, m.parallel_f) = (0.0, 0.0, 0.0);
                ElementKind::Varistor(m)
            }
            ElementKind::Clamp(m) => {
                let mut m = m.clone();
                parallel = m.parallel_f;
                if m.dynamic_ohm > 0.0 {
                    let kind = ElementKind::Resistor { resistance_ohm: m.dynamic_ohm };
                    first = Some(series(&mut net, &mut at, "rd", kind));
                }
                (m.dynamic_ohm, m.parallel_f) = (0.0, 0.0);
                ElementKind::Clamp(m)
            }
            other => other.clone(),
        };
        if parallel > 0.0 {
            let kind = ElementKind::Capacitor { capacitance_f: parallel, initial_v: None };
            carry.push(net.push(Element {
                name: format!("{}#cp-part", e.name),
                a: e.a,
                b: e.b,
                kind,
                place: e.place.clone(),
            }));
        }
        let core = net.push(Element { name: e.name.clone(), a: at, b: e.b, kind, place: e.place.clone() });
        carry.push(first.unwrap_or(core));
        carriers.push(carry);
        chief.push(core);
        owner.resize(net.elements.len(), number as u32);
    }
    Expanded { net, carriers, chief, owner }
}
