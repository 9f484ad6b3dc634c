use crate::error::CircuitError;
use crate::netlist::{ElementId, ElementKind, Netlist, Node};

/// A quantity of a network to be looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Probe {
    /// Voltage between two nodes, V.
    Voltage(Node, Node),
    /// Current through an element from its first to its second node, A; port 1 of a line or two-port.
    Current(ElementId),
}

impl Probe {
    /// Reads `out`, `v(out)`, `v(a,b)`, `a,b` or `i(element)`; case does not matter.
    pub fn parse(net: &Netlist, text: &str) -> Result<Self, CircuitError> {
        let plain = text.trim().to_ascii_lowercase();
        let inside = |letter: &str| {
            let rest = plain.strip_prefix(letter)?.trim_start();
            rest.strip_prefix('(')?.strip_suffix(')').map(str::trim)
        };
        if let Some(name) = inside("i") {
            let unknown = || {
                let names: Vec<&str> = net.elements().iter().map(|e| e.name.as_str()).take(40).collect();
                CircuitError::UnknownProbe {
                    probe: text.trim().into(),
                    expected: format!("i(element) with one of {}", names.join(", ")),
                }
            };
            let id = net.find(name).ok_or_else(unknown)?;
            if matches!(net.element(id).kind, ElementKind::Mutual { .. }) {
                return Err(unknown());
            }
            return Ok(Self::Current(id));
        }
        let names = inside("v").unwrap_or(&plain);
        let node = |name: &str| {
            net.find_node(name.trim()).ok_or_else(|| {
                let names: Vec<&str> = net.node_names().iter().map(String::as_str).take(40).collect();
                CircuitError::UnknownProbe {
                    probe: text.trim().into(),
                    expected: format!("a node, a difference `a,b` or i(element); the nodes are {}", names.join(", ")),
                }
            })
        };
        match names.split_once(',') {
            Some((a, b)) => Ok(Self::Voltage(node(a)?, node(b)?)),
            None => Ok(Self::Voltage(node(names)?, Node::GROUND)),
        }
    }
}
