use emission::{ChainError, JudgeError, TraceError};
use formats::capture::CaptureError;
use formats::chain_file::ChainFileError;
use formats::sweep::SweepError;
use project::ProjectError;
use receiver::ReceiverError;
use report::ReportError;

/// Who is to mend it. Decides the exit code of the command line and the status of the server.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WorkErrorKind {
    /// The input or the arguments.
    Input,
    /// The person stopped it.
    Cancelled,
    /// The program.
    Ours,
}

/// Why a piece of work did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum WorkError {
    /// A sweep could not be read.
    #[error(transparent)]
    Sweep(#[from] SweepError),
    /// A capture could not be read.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// A list of peaks could not be read.
    #[error(transparent)]
    PeakList(#[from] formats::peak_list::PeakListError),
    /// A chain file could not be read.
    #[error(transparent)]
    ChainFile(#[from] ChainFileError),
    /// The receiver could not measure.
    #[error("{file}: {source}")]
    Receiver {
        /// The record.
        file: String,
        /// Why.
        source: ReceiverError,
    },
    /// A recording of the mains could not be measured.
    #[error("{file}: {source}")]
    Mains {
        /// The record.
        file: String,
        /// Why.
        source: mains::MainsError,
    },
    /// The chain does not fit the trace.
    #[error(transparent)]
    Chain(#[from] ChainError),
    /// The trace cannot be judged.
    #[error(transparent)]
    Judge(#[from] JudgeError),
    /// The trace does not hold together.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// The project refused.
    #[error(transparent)]
    Project(#[from] ProjectError),
    /// The report could not be made.
    #[error("the report could not be made: {0}")]
    Report(#[from] ReportError),
    /// A limit file of the user's.
    #[error(transparent)]
    LimitFile(#[from] standards::LimitError),
    /// Something asked for is not there or does not fit.
    #[error("{place}: {what}; expected {expected}")]
    Input {
        /// File, field or flag.
        place: String,
        /// What was found.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// Something that cannot be the user's fault.
    #[error("{0}")]
    Ours(String),
    /// Stopped on request; nothing was kept.
    #[error("stopped on request; nothing was kept")]
    Cancelled,
}

impl WorkError {
    /// Who is to mend it.
    pub fn kind(&self) -> WorkErrorKind {
        match self {
            Self::Cancelled
            | Self::Project(ProjectError::Cancelled)
            | Self::Mains { source: mains::MainsError::Cancelled, .. }
            | Self::Receiver { source: ReceiverError::Cancelled, .. } => WorkErrorKind::Cancelled,
            Self::Report(_) | Self::Ours(_) => WorkErrorKind::Ours,
            _ => WorkErrorKind::Input,
        }
    }

    pub(crate) fn input(place: impl Into<String>, what: impl Into<String>, expected: impl Into<String>) -> Self {
        Self::Input { place: place.into(), what: what.into(), expected: expected.into() }
    }

    pub(crate) fn io(path: &std::path::Path, doing: &str, source: &std::io::Error) -> Self {
        Self::input(path.display().to_string(), format!("could not {doing}: {source}"), "a file that can be used")
    }
}
