use crate::error::NetlistError;
use crate::expr::Expr;
use crate::netlist::{Netlist, Node};

/// What a behavioural source computes its value from.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Input {
    Voltage(Node, Node),
    /// Current through a voltage source (or another element with a current of its own), by name.
    Current(String),
}

/// The expression of a behavioural source.
#[derive(Debug, Clone, PartialEq)]
pub struct Behaviour {
    pub(crate) expr: Expr,
    pub(crate) inputs: Vec<Input>,
}

impl Behaviour {
    /// Numbers the probes of an expression whose parameters are replaced.
    pub(crate) fn new(
        expr: &Expr,
        node: &mut dyn FnMut(&str) -> Node,
        source: &dyn Fn(&str) -> String,
    ) -> Result<Self, String> {
        let mut inputs: Vec<Input> = Vec::new();
        let expr = expr.with_inputs(&mut |kind, names| {
            let input = if kind == 'v' {
                let a = node(&names[0]);
                let b = names.get(1).map_or(Node::GROUND, |n| node(n));
                Input::Voltage(a, b)
            } else {
                Input::Current(source(&names[0]))
            };
            Ok(inputs.iter().position(|i| *i == input).unwrap_or_else(|| {
                inputs.push(input);
                inputs.len() - 1
            }))
        })?;
        Ok(Self { expr, inputs })
    }

    pub(crate) fn rename(&mut self, map: &[Node], prefix: &str) {
        for input in &mut self.inputs {
            match input {
                Input::Voltage(a, b) => (*a, *b) = (map[a.index()], map[b.index()]),
                Input::Current(name) => *name = format!("{prefix}.{name}"),
            }
        }
    }
}

/// Reads an expression for an element built by a call.
pub(crate) fn read(net: &mut Netlist, name: &str, expression: &str) -> Result<Behaviour, NetlistError> {
    let made = Expr::parse(expression)
        .and_then(|e| e.with_parameters(&|_| None))
        .and_then(|e| Behaviour::new(&e, &mut |n| net.node(n), &|s| s.to_ascii_lowercase()));
    made.map_err(|what| NetlistError {
        file: String::new(),
        line: 0,
        card: format!("{name}: {expression}"),
        what,
        expected: "an expression of v(node), v(a,b), i(source), time and numbers".into(),
    })
}
