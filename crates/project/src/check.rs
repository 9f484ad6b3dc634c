use serde::{Deserialize, Serialize};

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing.
    Remark,
    /// Evidence may be questioned.
    Warning,
    /// Evidence does not stand.
    Error,
}

/// What a finding is about.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(tag = "kind", content = "id", rename_all = "snake_case")]
pub enum Subject {
    /// The project as a whole.
    Project,
    /// `product.toml`.
    Product,
    /// A run.
    Run(String),
    /// A piece of equipment.
    Equipment(String),
    /// A capture.
    Capture(String),
    /// A chain.
    Chain(String),
    /// The user's limits.
    Limits(String),
    /// The ledger.
    Ledger,
}

/// Something wrong with the project or with a run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// How much it matters.
    pub severity: Severity,
    /// What it is about.
    pub subject: Subject,
    /// One sentence.
    pub what: String,
}
