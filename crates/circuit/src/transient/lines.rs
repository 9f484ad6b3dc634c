//! What travels on lossless lines: the waves that left each port, looked up one delay later.

use std::collections::VecDeque;

use super::engine::Engine;
use crate::netlist::ElementKind;

struct Span {
    start_s: f64,
    length_s: f64,
    /// Waves leaving port 1 and port 2 at 0, γ and 1 of the span.
    waves: [[f64; 2]; 3],
}

pub(super) struct LineMemory {
    spans: VecDeque<Span>,
    at_rest: [f64; 2],
    pub(super) delay_s: f64,
    z0_ohm: f64,
}

impl LineMemory {
    pub(super) fn all(engine: &Engine, x: &[f64]) -> Vec<Self> {
        engine
            .lines
            .iter()
            .map(|l| {
                let (z0_ohm, delay_s) = match &engine.ex.net.elements[l.element].kind {
                    ElementKind::Line { z0_ohm, delay_s, .. } => (*z0_ohm, *delay_s),
                    _ => (1.0, 1.0),
                };
                let mut memory = Self { spans: VecDeque::new(), at_rest: [0.0; 2], delay_s, z0_ohm };
                memory.at_rest = memory.waves(l, x);
                memory
            })
            .collect()
    }

    /// A place holder while a memory is lent.
    pub(super) fn none() -> Self {
        Self { spans: VecDeque::new(), at_rest: [0.0; 2], delay_s: 1.0, z0_ohm: 1.0 }
    }

    fn waves(&self, l: &super::engine::LineAt, x: &[f64]) -> [f64; 2] {
        std::array::from_fn(|k| x[l.ports[k].0] - x[l.ports[k].1] + self.z0_ohm * x[l.branch + k])
    }

    /// Keeps a step.
    pub(super) fn keep(&mut self, engine: &Engine, line: usize, start_s: f64, length_s: f64, x: [&[f64]; 3]) {
        let l = &engine.lines[line];
        let waves = [self.waves(l, x[0]), self.waves(l, x[1]), self.waves(l, x[2])];
        self.spans.push_back(Span { start_s, length_s, waves });
        let old = start_s - self.delay_s;
        while self.spans.len() > 2 && self.spans[1].start_s < old {
            self.spans.pop_front();
        }
    }

    /// Waves arriving at port 1 and port 2.
    pub(super) fn arriving(&self, time_s: f64) -> [f64; 2] {
        let t = time_s - self.delay_s;
        let i = self.spans.partition_point(|s| s.start_s <= t);
        let left = if i == 0 || t <= 0.0 {
            self.at_rest
        } else {
            let s = &self.spans[i - 1];
            let along = ((t - s.start_s) / s.length_s).clamp(0.0, 1.0);
            let w = super::parabola(along);
            std::array::from_fn(|p| w[0] * s.waves[0][p] + w[1] * s.waves[1][p] + w[2] * s.waves[2][p])
        };
        [left[1], left[0]]
    }
}
