/// What keeps a remedy from being computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RemedyError {
    /// A part is at fault.
    #[error("part `{part}`: {field} is {found}; expected {expected}")]
    Part {
        /// Its id.
        part: String,
        /// The field at fault.
        field: String,
        /// As given.
        found: String,
        /// What was expected.
        expected: String,
    },
    /// A measure of a geometry is absurd.
    #[error("{what} is {value}; expected {expected}")]
    Measure {
        /// Which one.
        what: String,
        /// As given.
        value: f64,
        /// What was expected.
        expected: String,
    },
    /// A file of parts, of a filter or of a network is at fault.
    #[error("{place}: {what}; expected {expected}")]
    File {
        /// File with the entry's number or name.
        place: String,
        /// What stands there.
        what: String,
        /// What should.
        expected: String,
    },
    /// The trace cannot be judged.
    #[error(transparent)]
    Judge(#[from] emission::JudgeError),
    /// Two traces that belong together do not fit.
    #[error("{0}")]
    Traces(String),
    /// The solver refused a network.
    #[error("the network could not be solved: {0}")]
    Network(String),
}

impl RemedyError {
    pub(crate) fn measure(what: &str, value: f64, expected: &str) -> Self {
        Self::Measure { what: what.to_owned(), value, expected: expected.to_owned() }
    }

    pub(crate) fn part(part: &str, field: &str, found: impl ToString, expected: &str) -> Self {
        Self::Part {
            part: part.to_owned(),
            field: field.to_owned(),
            found: found.to_string(),
            expected: expected.to_owned(),
        }
    }

    pub(crate) fn file(place: impl Into<String>, what: impl ToString, expected: &str) -> Self {
        Self::File { place: place.into(), what: what.to_string(), expected: expected.to_owned() }
    }
}
