//! Touchstone network files, versions 1 and 2.

use num_complex::Complex64;

/// Which matrix a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// Scattering.
    S,
    /// Admittance.
    Y,
    /// Impedance.
    Z,
    /// Hybrid.
    H,
    /// Inverse hybrid.
    G,
}

/// An N-port against frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    /// File name, for messages.
    pub name: String,
    /// Ports.
    pub ports: usize,
    /// Rising frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// What the matrices are.
    pub parameter: Parameter,
    /// One row-major `ports × ports` matrix for each frequency, denormalised (Y in S, Z in Ω).
    pub matrix: Vec<Vec<Complex64>>,
    /// Reference impedance of each port, Ω.
    pub reference_ohm: Vec<Complex64>,
    /// What was left out or found odd, in sentences.
    pub notes: Vec<String>,
}

/// A Touchstone file could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{name}, line {line}: {what}; expected {expected}")]
pub struct TouchstoneError {
    /// File name.
    pub name: String,
    /// Counted from 1.
    pub line: usize,
    /// What stands there.
    pub what: String,
    /// What should.
    pub expected: String,
}
