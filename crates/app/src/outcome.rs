use std::fmt;
use std::io;
use std::process::ExitCode;

use emission::Decision;
use workbench::{WorkError, WorkErrorKind};

/// What a command came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// Done, and a verdict, if there is one, passes.
    Done,
    /// Done, and the verdict is not a pass.
    NotAPass,
}

impl Outcome {
    pub(crate) fn of(decision: Decision) -> Self {
        if decision == Decision::Pass { Self::Done } else { Self::NotAPass }
    }

    pub(crate) fn exit_code(self) -> ExitCode {
        match self {
            Self::Done => ExitCode::SUCCESS,
            Self::NotAPass => ExitCode::from(1),
        }
    }
}

/// Why a command did not come to its end.
#[derive(Debug)]
pub(crate) enum Failure {
    Work(WorkError),
    /// Input or arguments at fault.
    Input(String),
    /// A fault of ours.
    Ours(String),
    /// Standard output could not be written.
    Output(io::Error),
}

impl Failure {
    pub(crate) fn input(what: impl Into<String>) -> Self {
        Self::Input(what.into())
    }

    pub(crate) fn ours(what: impl Into<String>) -> Self {
        Self::Ours(what.into())
    }

    pub(crate) fn is_broken_pipe(&self) -> bool {
        matches!(self, Self::Output(e) if e.kind() == io::ErrorKind::BrokenPipe)
    }

    pub(crate) fn exit_code(&self) -> ExitCode {
        ExitCode::from(match self {
            Self::Work(e) => match e.kind() {
                WorkErrorKind::Input | WorkErrorKind::Cancelled => 2,
                WorkErrorKind::Ours => 3,
            },
            Self::Input(_) => 2,
            Self::Ours(_) | Self::Output(_) => 3,
        })
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Work(e) => e.fmt(f),
            Self::Input(what) => f.write_str(what),
            Self::Ours(what) => write!(f, "{what} (a fault of ours)"),
            Self::Output(e) => write!(f, "standard output: {e}"),
        }
    }
}

impl<E: Into<WorkError>> From<E> for Failure {
    fn from(e: E) -> Self {
        Self::Work(e.into())
    }
}
