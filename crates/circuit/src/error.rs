use std::fmt;
use std::sync::Arc;

/// Where an element or a setting was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// Name of the file, as the caller gave it.
    pub file: Arc<str>,
    /// Line, counted from 1; that of the first line where a card is continued.
    pub line: usize,
    /// The card as written, continuation lines joined.
    pub card: Arc<str>,
}

/// A netlist that is not understood or cannot be a network: which card, what is wrong, what was expected.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct NetlistError {
    /// Name of the file, empty where the network was built by calls.
    pub file: String,
    /// Line, counted from 1; 0 where the network was built by calls.
    pub line: usize,
    /// The card, or the name of the element.
    pub card: String,
    /// What was found.
    pub what: String,
    /// What was expected.
    pub expected: String,
}

impl fmt::Display for NetlistError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.file.is_empty() {
            write!(f, "{}", self.file)?;
            if self.line > 0 {
                write!(f, " line {}", self.line)?;
            }
            write!(f, ": ")?;
        }
        if !self.card.is_empty() {
            write!(f, "`{}`: ", self.card)?;
        }
        write!(f, "{}", self.what)?;
        if !self.expected.is_empty() {
            write!(f, "; expected {}", self.expected)?;
        }
        Ok(())
    }
}

impl NetlistError {
    /// An error at a place in a text.
    pub(crate) fn at(place: &Place, what: impl Into<String>, expected: impl Into<String>) -> Self {
        Self {
            file: place.file.to_string(),
            line: place.line,
            card: place.card.to_string(),
            what: what.into(),
            expected: expected.into(),
        }
    }
}

/// Something of a netlist that was read but changes nothing, or may not mean what its writer thought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// Where.
    pub place: Place,
    /// What is to be known.
    pub what: String,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} line {}: `{}`: {}", self.place.file, self.place.line, self.place.card, self.what)
    }
}

/// Why an analysis has no result.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CircuitError {
    /// The network itself is at fault; the card is named.
    #[error(transparent)]
    Netlist(#[from] NetlistError),
    /// A setting of the analysis is out of range.
    #[error("{what}; expected {expected}")]
    Setting {
        /// Which and what it was.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// The probe names nothing of the network.
    #[error("`{probe}` names nothing of the network; expected {expected}")]
    UnknownProbe {
        /// The probe as given.
        probe: String,
        /// Nodes or elements there are.
        expected: String,
    },
    /// The equations have no single solution.
    #[error(
        "the network has no single solution at {at}: {unknown} is not determined; expected a path to ground and no loop of ideal sources"
    )]
    Singular {
        /// Frequency or time, with its unit.
        at: String,
        /// The node or branch whose value is not determined.
        unknown: String,
    },
    /// No operating point was found.
    #[error(
        "no operating point was found (plain iteration, conductance and source stepping tried): {unknown} does not settle; expected parts that draw a finite current at their initial voltages"
    )]
    NoOperatingPoint {
        /// The node or branch that moved most.
        unknown: String,
    },
    /// The time step fell below its least value.
    #[error("at {time_s:.6e} s the time step fell to {step_s:.1e} s without a solution; {unknown} does not settle")]
    StepTooSmall {
        /// Time reached, s.
        time_s: f64,
        /// Step, s.
        step_s: f64,
        /// The node or branch that moved most.
        unknown: String,
    },
    /// More steps than allowed.
    #[error("{steps} steps were taken by {time_s:.6e} s; expected fewer: lengthen the step or raise the limit")]
    TooManySteps {
        /// Steps taken.
        steps: usize,
        /// Time reached, s.
        time_s: f64,
    },
    /// The caller cancelled.
    #[error("cancelled at {time_s:.6e} s")]
    Cancelled {
        /// Time reached, s.
        time_s: f64,
    },
}
