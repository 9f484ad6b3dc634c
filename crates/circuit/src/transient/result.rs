use std::ops::ControlFlow;

use crate::error::CircuitError;
use crate::netlist::{ElementId, Netlist};
use crate::probe::Probe;

/// What an element did over the whole transient.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ElementEnergy {
    /// Energy that went into the element, J; negative for a source that gave.
    pub absorbed_j: f64,
    /// Of it, what is still stored in the element as field, J (change from the start).
    pub stored_j: f64,
    /// Highest power into the element, W.
    pub peak_power_w: f64,
    /// Highest magnitude of its voltage, V.
    pub peak_voltage_v: f64,
    /// Highest magnitude of its current, A.
    pub peak_current_a: f64,
    /// Integral of its current, C.
    pub charge_c: f64,
    /// Integral of the magnitude of its current, C.
    pub absolute_charge_c: f64,
}

/// Whether the solution keeps charge and energy.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Balance {
    /// Energy given by sources, J.
    pub sources_j: f64,
    /// Energy turned into heat (resistors, junctions, protectors, switches, behavioural loads), J.
    pub dissipated_j: f64,
    /// Change of the energy stored in capacitances, inductances and lines, J.
    pub stored_change_j: f64,
    /// sources − dissipated − stored change, J: the error of the integration.
    pub residual_j: f64,
    /// The residual over the largest of the three energies.
    pub relative_residual: f64,
    /// Largest charge that is missing at any node, C.
    pub charge_residual_c: f64,
    /// The same over the charge that moved through that node.
    pub relative_charge_residual: f64,
}

/// The end of a transient.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TransientSummary {
    /// Charge and energy balance.
    pub balance: Balance,
    /// Each element, in the order of the netlist.
    pub elements: Vec<ElementEnergy>,
    /// Steps accepted.
    pub steps: usize,
    /// Steps tried again with a shorter length.
    pub rejected: usize,
    /// Solutions of the linear system.
    pub iterations: usize,
    /// Time reached, s; earlier than asked where the observer stopped.
    pub end_s: f64,
}

/// One point of the solution.
pub struct StepView<'a> {
    /// Time, s.
    pub time_s: f64,
    pub(crate) values: &'a [f64],
    pub(crate) nodes: usize,
}

impl StepView<'_> {
    /// A probe's value, V or A.
    pub fn probe(&self, probe: Probe) -> f64 {
        match probe {
            Probe::Voltage(a, b) => self.values[a.index()] - self.values[b.index()],
            Probe::Current(e) => self.values[self.nodes + e.index()],
        }
    }
}

/// Sees a transient while it runs.
pub trait Observer {
    /// A point of the solution; break to stop.
    fn point(&mut self, view: &StepView<'_>) -> ControlFlow<()>;
}

impl<F: FnMut(&StepView<'_>) -> ControlFlow<()>> Observer for F {
    fn point(&mut self, view: &StepView<'_>) -> ControlFlow<()> {
        self(view)
    }
}

/// The waveforms of a transient.
#[derive(Debug, Clone)]
pub struct Waveforms {
    /// Times, s.
    pub time_s: Vec<f64>,
    /// Balance, energies and counts.
    pub summary: TransientSummary,
    pub(crate) net: Netlist,
    /// All nodes, then all elements' currents, point after point.
    pub(crate) values: Vec<f64>,
}

impl Waveforms {
    /// A probe at every point, V or A.
    pub fn probe(&self, probe: Probe) -> Vec<f64> {
        let nodes = self.net.node_names.len();
        let width = nodes + self.net.elements.len();
        self.values
            .chunks_exact(width)
            .zip(&self.time_s)
            .map(|(values, t)| StepView { time_s: *t, values, nodes }.probe(probe))
            .collect()
    }

    /// A node's voltage against ground.
    pub fn voltage(&self, node: &str) -> Result<Vec<f64>, CircuitError> {
        Ok(self.probe(Probe::parse(&self.net, &format!("v({node})"))?))
    }

    /// The voltage between two nodes.
    pub fn voltage_between(&self, plus: &str, minus: &str) -> Result<Vec<f64>, CircuitError> {
        Ok(self.probe(Probe::parse(&self.net, &format!("v({plus},{minus})"))?))
    }

    /// The current through an element, from its first to its second node.
    pub fn current(&self, element: &str) -> Result<Vec<f64>, CircuitError> {
        Ok(self.probe(Probe::parse(&self.net, &format!("i({element})"))?))
    }

    /// What an element did over the whole transient.
    pub fn energy(&self, element: &str) -> Result<ElementEnergy, CircuitError> {
        match Probe::parse(&self.net, &format!("i({element})"))? {
            Probe::Current(id) => Ok(self.summary.elements[id.index()]),
            Probe::Voltage(..) => Ok(ElementEnergy::default()),
        }
    }

    /// What an element did, by its id.
    pub fn energy_of(&self, element: ElementId) -> ElementEnergy {
        self.summary.elements[element.index()]
    }
}
