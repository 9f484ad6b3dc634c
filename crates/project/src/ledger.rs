use serde::{Deserialize, Serialize};

/// The state of the ledger in two values: print them on a report, and a later change of what was written before shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seal {
    /// Number of the last entry.
    pub revision: u64,
    /// blake3 (hex) over all entries up to it.
    pub hash: String,
}
