use std::path::{Path, PathBuf};

use crate::ProductError;
use crate::product_read::distance;

/// Why something could not be done with a project. Every message names the file or field and what was expected.
#[derive(Debug, thiserror::Error)]
pub enum ProjectError {
    /// The file system refused.
    #[error("{path}: could not {doing}: {source}")]
    Io {
        /// What was being done, e.g. `read the file`.
        doing: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// The system's reason.
        #[source]
        source: std::io::Error,
    },
    /// The folder is not a project.
    #[error("{dir}: not a project: {what}; expected {expected}")]
    NotAProject {
        /// The folder.
        dir: PathBuf,
        /// What was found.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// A new project was asked for in a folder that already holds something.
    #[error("{dir}: the folder already holds {found:?}; expected an empty or a new folder")]
    NotEmpty {
        /// The folder.
        dir: PathBuf,
        /// The first thing found in it.
        found: String,
    },
    /// `product.toml` cannot be used.
    #[error(transparent)]
    Product(#[from] ProductError),
    /// The ledger was written by a newer version of the tool.
    #[error(
        "{path}: the ledger has format {found}, written by a newer version of the tool; this version reads formats up to \
         {known}; expected: open it with the newer version (nothing was changed)"
    )]
    LedgerTooNew {
        /// The ledger file.
        path: PathBuf,
        /// Its format number.
        found: i64,
        /// The newest format this version knows.
        known: i64,
    },
    /// The ledger file is not one of ours, is damaged or busy.
    #[error("{path}: {what}; expected {expected}")]
    Ledger {
        /// The ledger file.
        path: PathBuf,
        /// What is wrong.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// A value given by the caller cannot be recorded.
    #[error("{field}: {what}; expected {expected}")]
    Value {
        /// The field, e.g. `run.port`.
        field: String,
        /// What was given.
        what: String,
        /// What was expected.
        expected: String,
    },
    /// Something was asked for that the project does not hold.
    #[error("no {what} {id:?} in this project; expected one of: {known}")]
    Unknown {
        /// Kind of thing, e.g. `run`.
        what: &'static str,
        /// What was asked for.
        id: String,
        /// Those that exist, in words.
        known: String,
    },
    /// An entry of a log came before one that was made earlier; nothing was recorded.
    #[error(
        "run {run}: entry {found} of {client} came too early; expected entry {expected}, then the following in order"
    )]
    OutOfOrder {
        /// The run.
        run: String,
        /// The device.
        client: String,
        /// The number that came.
        found: u64,
        /// The number that is missing.
        expected: u64,
    },
    /// A limit file of the user cannot be read.
    #[error(transparent)]
    Limit(#[from] standards::LimitError),
    /// The caller's progress function asked to stop; nothing was kept.
    #[error("stopped on request; nothing was kept")]
    Cancelled,
}

impl ProjectError {
    /// Whether the cause lies in what the user gave (files, fields, names), not in the machine or in us.
    pub fn is_input(&self) -> bool {
        !matches!(self, Self::Cancelled)
    }

    pub(crate) fn io(doing: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Self + use<> {
        let path = path.to_path_buf();
        move |source| Self::Io { doing, path, source }
    }

    pub(crate) fn value(field: impl Into<String>, what: impl Into<String>, expected: impl Into<String>) -> Self {
        Self::Value { field: field.into(), what: what.into(), expected: expected.into() }
    }

    pub(crate) fn unknown<'a>(what: &'static str, id: &str, known: impl Iterator<Item = &'a str>) -> Self {
        /// More would hide the likely one.
        const SHOWN: usize = 12;
        let mut known: Vec<&str> = known.collect();
        let count = known.len();
        if count > SHOWN {
            known.sort_by_key(|k| distance(id, k));
            known.truncate(SHOWN);
        }
        let known = match count {
            0 => "(none yet)".to_owned(),
            _ if count > SHOWN => format!("{} … ({count} in all)", known.join(", ")),
            _ => known.join(", "),
        };
        Self::Unknown { what, id: id.to_owned(), known }
    }
}
