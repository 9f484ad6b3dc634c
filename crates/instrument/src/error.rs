use std::time::Duration;

use crate::describe::DescriptionProblem;
use crate::scpi::AnswerFault;

/// Why an instrument could not be talked to, or what it said that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum InstrumentError {
    /// The address is none.
    #[error("`{address}`: {what}; expected HOST:PORT (SCPI over raw TCP), or hislip://HOST[:PORT][/NAME]")]
    Address {
        /// As given.
        address: String,
        /// What is wrong with it.
        what: String,
    },
    /// Nobody answers there.
    #[error("{address}: no connection within {} s: {source}; expected an instrument that listens there", waited.as_secs_f64())]
    Connect {
        /// Where.
        address: String,
        /// How long it was tried.
        waited: Duration,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The answer, or its end, did not come in time.
    #[error("`{asked}`: {came} within {} s; expected {expected}", after.as_secs_f64())]
    Timeout {
        /// The command.
        asked: String,
        /// The time it was given.
        after: Duration,
        /// What had come by then.
        came: String,
        /// What should have.
        expected: String,
    },
    /// The instrument closed the connection.
    #[error("`{asked}`: the instrument closed the connection after {came}; expected {expected}")]
    Closed {
        /// The command.
        asked: String,
        /// What had come by then.
        came: String,
        /// What should have.
        expected: String,
    },
    /// The operating system refused.
    #[error("`{asked}`: {doing}: {source}")]
    Io {
        /// The command.
        asked: String,
        /// What was being done.
        doing: &'static str,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The person stopped it.
    #[error("`{asked}`: stopped before its answer was complete; nothing of it is kept")]
    Cancelled {
        /// The command.
        asked: String,
    },
    /// The answer is longer than allowed.
    #[error("`{asked}`: {came}; expected at most {most} bytes (limits.most_answer_bytes of the description)")]
    TooLong {
        /// The command.
        asked: String,
        /// How long it is, or has become.
        came: String,
        /// The bound.
        most: usize,
    },
    /// The answer is malformed.
    #[error("answer to `{asked}`: {fault}")]
    Answer {
        /// The command.
        asked: String,
        /// What, where, and what was expected.
        fault: AnswerFault,
    },
    /// Bytes stand there that no command asked for.
    #[error(
        "before `{asked}`: `{came}` came that nothing had asked for; expected silence. Answers may be out of step: connect again"
    )]
    Stale {
        /// The command that was to be sent.
        asked: String,
        /// What stands there.
        came: String,
    },
    /// An earlier transaction failed, so that answers and commands may no longer belong together.
    #[error("`{asked}`: an earlier transaction failed; expected a new connection before the next one")]
    OutOfStep {
        /// The command.
        asked: String,
    },
    /// The transport's own rules were broken.
    #[error("`{asked}`: HiSLIP: {what}; expected {expected}")]
    Protocol {
        /// The command.
        asked: String,
        /// What came.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// The instrument reports errors of its own.
    #[error("after {after}: the instrument reports {errors}; expected 0,\"No error\"")]
    Device {
        /// What was done before.
        after: String,
        /// Its errors, as it says them.
        errors: String,
    },
    /// Another instrument answers.
    #[error("*IDN? answers `{came}`; expected `{expected}` (identification of the description)")]
    Identity {
        /// Its answer.
        came: String,
        /// The pattern of the description.
        expected: String,
    },
    /// The description is at fault.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Description(Vec<DescriptionProblem>),
    /// The description does not say how.
    #[error("the description has no [{section}]: expected one, for {purpose}")]
    Missing {
        /// Section of the description.
        section: &'static str,
        /// What it is needed for.
        purpose: &'static str,
    },
    /// What came does not fit together.
    #[error("{what}; expected {expected}")]
    Figures {
        /// What is wrong.
        what: String,
        /// What was expected.
        expected: String,
    },
}
