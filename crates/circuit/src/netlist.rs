use std::collections::HashMap;

use crate::behaviour::Behaviour;
use crate::error::{NetlistError, Note, Place};
use crate::models::{ClampModel, DiodeModel, SwitchModel, VaristorModel};
use crate::table::{Table, TwoPortTable};
use crate::waveform::Source;

/// A node of one netlist. Ground is node 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Node(pub(crate) u32);

impl Node {
    /// The reference node, `0` or `gnd`.
    pub const GROUND: Self = Self(0);

    /// Position among the netlist's nodes.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// An element of one netlist, by its position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ElementId(pub(crate) u32);

impl ElementId {
    /// Position among the netlist's elements.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// What an element is. Currents are counted through the element from `a` to `b`.
#[derive(Debug, Clone, PartialEq)]
pub enum ElementKind {
    /// `R`.
    Resistor {
        /// Resistance, ohm.
        resistance_ohm: f64,
    },
    /// `C`.
    Capacitor {
        /// Capacitance, F.
        capacitance_f: f64,
        /// Voltage at the start of a transient that takes initial conditions, V.
        initial_v: Option<f64>,
    },
    /// `L`.
    Inductor {
        /// Inductance, H.
        inductance_h: f64,
        /// Current at the start of a transient that takes initial conditions, A.
        initial_a: Option<f64>,
    },
    /// `K`: couples two inductors; has no nodes of its own.
    Mutual {
        /// Name of the first inductor.
        first: String,
        /// Name of the second inductor.
        second: String,
        /// Coupling factor, −1 to 1.
        coupling: f64,
    },
    /// `V`: `a` is the positive node.
    VoltageSource(Source),
    /// `I`: drives its current through itself from `a` to `b`.
    CurrentSource(Source),
    /// `E`: v(a, b) = gain·v(control).
    VoltageControlledVoltage {
        /// Control nodes.
        control: (Node, Node),
        /// Gain.
        gain: f64,
    },
    /// `G`: current from a to b = gain·v(control).
    VoltageControlledCurrent {
        /// Control nodes.
        control: (Node, Node),
        /// Transconductance, S.
        gain: f64,
    },
    /// `F`: current from a to b = gain·i(control).
    CurrentControlledCurrent {
        /// Name of the voltage source whose current controls.
        control: String,
        /// Gain.
        gain: f64,
    },
    /// `H`: v(a, b) = gain·i(control).
    CurrentControlledVoltage {
        /// Name of the voltage source whose current controls.
        control: String,
        /// Transresistance, ohm.
        gain: f64,
    },
    /// `T`: a lossless line; port 1 between `a` and `b`.
    Line {
        /// Nodes of port 2.
        far: (Node, Node),
        /// Characteristic impedance, ohm.
        z0_ohm: f64,
        /// Delay, s.
        delay_s: f64,
    },
    /// An impedance from a table. AC only.
    TableImpedance(Table),
    /// A two-port from a table; port 1 between `a` and `b`. AC only.
    TwoPort {
        /// Nodes of port 2.
        far: (Node, Node),
        /// Its admittances.
        table: TwoPortTable,
    },
    /// `D`: `a` is the anode.
    Diode {
        /// Its model.
        model: DiodeModel,
        /// How many in parallel.
        area: f64,
    },
    /// `Y` with a varistor model.
    Varistor(VaristorModel),
    /// `Y` with a clamp model.
    Clamp(ClampModel),
    /// `S`, or a switch with times of its own.
    Switch(SwitchModel),
    /// `B` with `I=`: a current from a to b computed from voltages and currents.
    BehaviouralCurrent(Behaviour),
    /// `B` with `V=`: a voltage computed from voltages and currents.
    BehaviouralVoltage(Behaviour),
}

/// One element.
#[derive(Debug, Clone, PartialEq)]
pub struct Element {
    /// Name, lower case; elements of subcircuits carry the names of the calls before it: `x1.r2`.
    pub name: String,
    /// First node (of a mutual coupling: ground).
    pub a: Node,
    /// Second node.
    pub b: Node,
    /// What it is.
    pub kind: ElementKind,
    /// Where it was written, for networks read from a text.
    pub place: Option<Place>,
}

/// A network: elements between nodes. Names are kept in lower case, as the card syntax ignores case.
///
/// The builder's calls never fail; what is wrong with a value, a name or the topology is said by the analysis, naming
/// the element, or at once by [`Netlist::check`].
#[derive(Debug, Clone, Default)]
pub struct Netlist {
    pub(crate) title: String,
    pub(crate) file: String,
    pub(crate) node_names: Vec<String>,
    node_index: HashMap<String, Node>,
    pub(crate) elements: Vec<Element>,
    element_index: HashMap<String, ElementId>,
    pub(crate) duplicates: Vec<(ElementId, ElementId)>,
    pub(crate) initial_v: Vec<(Node, f64)>,
    pub(crate) notes: Vec<Note>,
    pub(crate) asks_for_initial: bool,
}

impl Netlist {
    /// An empty network.
    pub fn new() -> Self {
        let mut net = Self::default();
        net.node_names.push("0".into());
        net.node_index.insert("0".into(), Node::GROUND);
        net.node_index.insert("gnd".into(), Node::GROUND);
        net
    }

    /// Reads a netlist in the common card syntax. `name` stands in messages.
    ///
    /// See the crate's README for the cards. What is not understood is an error that names file, line and card.
    pub fn parse(text: &str, name: &str) -> Result<Self, NetlistError> {
        crate::parse::parse(text, name)
    }

    /// The title line.
    pub fn title(&self) -> &str {
        &self.title
    }

    /// What was read but changes nothing, or may not mean what its writer thought.
    pub fn notes(&self) -> &[Note] {
        &self.notes
    }

    /// All elements.
    pub fn elements(&self) -> &[Element] {
        &self.elements
    }

    /// Names of the nodes; number 0 is ground.
    pub fn node_names(&self) -> &[String] {
        &self.node_names
    }

    /// A node by name, made if it is new.
    pub fn node(&mut self, name: &str) -> Node {
        let name = name.to_ascii_lowercase();
        if let Some(n) = self.node_index.get(&name) {
            return *n;
        }
        let n = Node(self.node_names.len() as u32);
        self.node_names.push(name.clone());
        self.node_index.insert(name, n);
        n
    }

    /// A node by name, if there is one.
    pub fn find_node(&self, name: &str) -> Option<Node> {
        self.node_index.get(&name.to_ascii_lowercase()).copied()
    }

    /// An element by name, if there is one.
    pub fn find(&self, name: &str) -> Option<ElementId> {
        self.element_index.get(&name.to_ascii_lowercase()).copied()
    }

    /// An element.
    pub fn element(&self, id: ElementId) -> &Element {
        &self.elements[id.index()]
    }

    /// Adds an element of any kind.
    pub fn add(&mut self, name: &str, a: &str, b: &str, kind: ElementKind) -> &mut Self {
        let (a, b) = (self.node(a), self.node(b));
        self.push(Element { name: name.to_ascii_lowercase(), a, b, kind, place: None });
        self
    }

    pub(crate) fn push(&mut self, element: Element) -> ElementId {
        let id = ElementId(self.elements.len() as u32);
        match self.element_index.get(&element.name) {
            Some(first) => self.duplicates.push((*first, id)),
            None => {
                self.element_index.insert(element.name.clone(), id);
            }
        }
        self.elements.push(element);
        id
    }

    /// A resistor, ohm.
    pub fn resistor(&mut self, name: &str, a: &str, b: &str, resistance_ohm: f64) -> &mut Self {
        self.add(name, a, b, ElementKind::Resistor { resistance_ohm })
    }

    /// A capacitor, F.
    pub fn capacitor(&mut self, name: &str, a: &str, b: &str, capacitance_f: f64) -> &mut Self {
        self.add(name, a, b, ElementKind::Capacitor { capacitance_f, initial_v: None })
    }

    /// A capacitor, F, charged to a voltage at the start of a transient.
    pub fn charged_capacitor(&mut self, name: &str, a: &str, b: &str, capacitance_f: f64, initial_v: f64) -> &mut Self {
        self.add(name, a, b, ElementKind::Capacitor { capacitance_f, initial_v: Some(initial_v) })
    }

    /// An inductor, H.
    pub fn inductor(&mut self, name: &str, a: &str, b: &str, inductance_h: f64) -> &mut Self {
        self.add(name, a, b, ElementKind::Inductor { inductance_h, initial_a: None })
    }

    /// A coupling between two inductors, by name.
    pub fn mutual(&mut self, name: &str, first: &str, second: &str, coupling: f64) -> &mut Self {
        let (first, second) = (first.to_ascii_lowercase(), second.to_ascii_lowercase());
        self.add(name, "0", "0", ElementKind::Mutual { first, second, coupling })
    }

    /// A voltage source; `a` is its positive node.
    pub fn voltage_source(&mut self, name: &str, a: &str, b: &str, source: Source) -> &mut Self {
        self.add(name, a, b, ElementKind::VoltageSource(source))
    }

    /// A current source; it drives its current through itself from `a` to `b`.
    pub fn current_source(&mut self, name: &str, a: &str, b: &str, source: Source) -> &mut Self {
        self.add(name, a, b, ElementKind::CurrentSource(source))
    }

    /// v(a, b) = gain·v(control).
    pub fn vcvs(&mut self, name: &str, a: &str, b: &str, control: (&str, &str), gain: f64) -> &mut Self {
        let control = (self.node(control.0), self.node(control.1));
        self.add(name, a, b, ElementKind::VoltageControlledVoltage { control, gain })
    }

    /// Current from a to b = gain·v(control), gain in S.
    pub fn vccs(&mut self, name: &str, a: &str, b: &str, control: (&str, &str), gain: f64) -> &mut Self {
        let control = (self.node(control.0), self.node(control.1));
        self.add(name, a, b, ElementKind::VoltageControlledCurrent { control, gain })
    }

    /// Current from a to b = gain·(current through the voltage source `control`).
    pub fn cccs(&mut self, name: &str, a: &str, b: &str, control: &str, gain: f64) -> &mut Self {
        self.add(name, a, b, ElementKind::CurrentControlledCurrent { control: control.to_ascii_lowercase(), gain })
    }

    /// v(a, b) = gain·(current through the voltage source `control`), gain in ohm.
    pub fn ccvs(&mut self, name: &str, a: &str, b: &str, control: &str, gain: f64) -> &mut Self {
        self.add(name, a, b, ElementKind::CurrentControlledVoltage { control: control.to_ascii_lowercase(), gain })
    }

    /// A lossless line between two ports.
    pub fn transmission_line(
        &mut self,
        name: &str,
        near: (&str, &str),
        far: (&str, &str),
        z0_ohm: f64,
        delay_s: f64,
    ) -> &mut Self {
        let far = (self.node(far.0), self.node(far.1));
        self.add(name, near.0, near.1, ElementKind::Line { far, z0_ohm, delay_s })
    }

    /// An impedance from a table.
    pub fn table_impedance(&mut self, name: &str, a: &str, b: &str, table: Table) -> &mut Self {
        self.add(name, a, b, ElementKind::TableImpedance(table))
    }

    /// A two-port from a table.
    pub fn two_port_table(
        &mut self,
        name: &str,
        near: (&str, &str),
        far: (&str, &str),
        table: TwoPortTable,
    ) -> &mut Self {
        let far = (self.node(far.0), self.node(far.1));
        self.add(name, near.0, near.1, ElementKind::TwoPort { far, table })
    }

    /// A diode.
    pub fn diode(&mut self, name: &str, anode: &str, cathode: &str, model: DiodeModel) -> &mut Self {
        self.add(name, anode, cathode, ElementKind::Diode { model, area: 1.0 })
    }

    /// A varistor.
    pub fn varistor(&mut self, name: &str, a: &str, b: &str, model: VaristorModel) -> &mut Self {
        self.add(name, a, b, ElementKind::Varistor(model))
    }

    /// An avalanche clamp.
    pub fn clamp(&mut self, name: &str, a: &str, b: &str, model: ClampModel) -> &mut Self {
        self.add(name, a, b, ElementKind::Clamp(model))
    }

    /// A switch.
    pub fn switch(&mut self, name: &str, a: &str, b: &str, model: SwitchModel) -> &mut Self {
        self.add(name, a, b, ElementKind::Switch(model))
    }

    /// A current from a to b as an expression of `v(node)`, `v(a,b)`, `i(source)` and `time`.
    ///
    /// A load of constant power that lets go below 50 V: `100/max(v(a,b),50)`.
    pub fn behavioural_current(
        &mut self,
        name: &str,
        a: &str,
        b: &str,
        expression: &str,
    ) -> Result<&mut Self, NetlistError> {
        let behaviour = crate::behaviour::read(self, name, expression)?;
        Ok(self.add(name, a, b, ElementKind::BehaviouralCurrent(behaviour)))
    }

    /// A voltage v(a, b) as an expression of `v(node)`, `v(a,b)`, `i(source)` and `time`.
    pub fn behavioural_voltage(
        &mut self,
        name: &str,
        a: &str,
        b: &str,
        expression: &str,
    ) -> Result<&mut Self, NetlistError> {
        let behaviour = crate::behaviour::read(self, name, expression)?;
        Ok(self.add(name, a, b, ElementKind::BehaviouralVoltage(behaviour)))
    }

    /// A node's voltage at the start of a transient that takes initial conditions, V.
    pub fn initial_voltage(&mut self, node: &str, voltage_v: f64) -> &mut Self {
        let node = self.node(node);
        self.initial_v.push((node, voltage_v));
        self
    }

    /// The chief value of an element in its SI unit: ohm, F, H, coupling, gain, characteristic impedance, varistor C, or
    /// a source's AC magnitude. None where there is no single one.
    pub fn value(&self, id: ElementId) -> Option<f64> {
        match &self.element(id).kind {
            ElementKind::Resistor { resistance_ohm: v }
            | ElementKind::Capacitor { capacitance_f: v, .. }
            | ElementKind::Inductor { inductance_h: v, .. }
            | ElementKind::Mutual { coupling: v, .. }
            | ElementKind::VoltageControlledVoltage { gain: v, .. }
            | ElementKind::VoltageControlledCurrent { gain: v, .. }
            | ElementKind::CurrentControlledCurrent { gain: v, .. }
            | ElementKind::CurrentControlledVoltage { gain: v, .. }
            | ElementKind::Line { z0_ohm: v, .. } => Some(*v),
            ElementKind::VoltageSource(s) | ElementKind::CurrentSource(s) => Some(s.ac_magnitude),
            ElementKind::Varistor(m) => Some(m.c_v),
            _ => None,
        }
    }

    /// Changes the chief value of an element, see [`Netlist::value`]. False where it has none.
    pub fn set_value(&mut self, id: ElementId, value: f64) -> bool {
        match &mut self.elements[id.index()].kind {
            ElementKind::Resistor { resistance_ohm: v }
            | ElementKind::Capacitor { capacitance_f: v, .. }
            | ElementKind::Inductor { inductance_h: v, .. }
            | ElementKind::Mutual { coupling: v, .. }
            | ElementKind::VoltageControlledVoltage { gain: v, .. }
            | ElementKind::VoltageControlledCurrent { gain: v, .. }
            | ElementKind::CurrentControlledCurrent { gain: v, .. }
            | ElementKind::CurrentControlledVoltage { gain: v, .. }
            | ElementKind::Line { z0_ohm: v, .. } => *v = value,
            ElementKind::VoltageSource(s) | ElementKind::CurrentSource(s) => s.ac_magnitude = value,
            ElementKind::Varistor(m) => m.c_v = value,
            _ => return false,
        }
        true
    }

    /// True where an element carries an initial condition of its own (`IC=`), or the text asks for initial conditions on
    /// its `.tran` card (`uic`): a transient should then start from them.
    pub fn asks_for_initial_conditions(&self) -> bool {
        self.asks_for_initial
            || self.elements.iter().any(|e| {
                matches!(
                    e.kind,
                    ElementKind::Capacitor { initial_v: Some(_), .. }
                        | ElementKind::Inductor { initial_a: Some(_), .. }
                )
            })
    }

    /// Values, names and topology: what no analysis could work with, naming the element.
    pub fn check(&self) -> Result<(), NetlistError> {
        crate::check::check(self)
    }

    /// Copies another network into this one: its elements are named `prefix.name`, its nodes `prefix.node` except those
    /// joined by `joins` (their node, our node). Ground is common.
    pub fn include(&mut self, other: &Self, prefix: &str, joins: &[(&str, &str)]) -> &mut Self {
        let prefix = prefix.to_ascii_lowercase();
        let map: Vec<Node> = other
            .node_names
            .iter()
            .enumerate()
            .map(|(i, name)| {
                if i == 0 {
                    return Node::GROUND;
                }
                match joins.iter().find(|(theirs, _)| theirs.eq_ignore_ascii_case(name)) {
                    Some((_, ours)) => self.node(ours),
                    None => self.node(&format!("{prefix}.{name}")),
                }
            })
            .collect();
        let at = |n: Node| map[n.index()];
        for e in &other.elements {
            let mut kind = e.kind.clone();
            match &mut kind {
                ElementKind::Mutual { first, second, .. } => {
                    *first = format!("{prefix}.{first}");
                    *second = format!("{prefix}.{second}");
                }
                ElementKind::VoltageControlledVoltage { control, .. }
                | ElementKind::VoltageControlledCurrent { control, .. } => *control = (at(control.0), at(control.1)),
                ElementKind::CurrentControlledCurrent { control, .. }
                | ElementKind::CurrentControlledVoltage { control, .. } => *control = format!("{prefix}.{control}"),
                ElementKind::Line { far, .. } | ElementKind::TwoPort { far, .. } => *far = (at(far.0), at(far.1)),
                ElementKind::Switch(model) => {
                    if let crate::SwitchControl::Voltage { plus, minus, .. } = &mut model.control {
                        for name in [plus, minus] {
                            if let Some(theirs) = other.find_node(name) {
                                name.clone_from(&self.node_names[at(theirs).index()]);
                            }
                        }
                    }
                }
                ElementKind::BehaviouralCurrent(b) | ElementKind::BehaviouralVoltage(b) => b.rename(&map, &prefix),
                _ => {}
            }
            self.push(Element {
                name: format!("{prefix}.{}", e.name),
                a: at(e.a),
                b: at(e.b),
                kind,
                place: e.place.clone(),
            });
        }
        for (node, v) in &other.initial_v {
            self.initial_v.push((at(*node), *v));
        }
        self
    }

    /// The error that names an element: its card where it was read, its name where it was built.
    pub(crate) fn fault(
        &self,
        element: &Element,
        what: impl Into<String>,
        expected: impl Into<String>,
    ) -> NetlistError {
        match &element.place {
            Some(place) => NetlistError::at(place, what, expected),
            None => NetlistError {
                file: self.file.clone(),
                line: 0,
                card: format!(
                    "{} {} {}",
                    element.name,
                    self.node_names[element.a.index()],
                    self.node_names[element.b.index()]
                ),
                what: what.into(),
                expected: expected.into(),
            },
        }
    }
}
