use std::io::Read;
use std::ops::ControlFlow;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::ProjectError;

/// Told after every block: bytes done, bytes in all (0 if not known). `Break` stops and leaves nothing behind.
pub type Progress<'a> = dyn FnMut(u64, u64) -> ControlFlow<()> + 'a;

/// A raw file (or a pair of them) kept byte for byte in `captures/`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Capture {
    /// By what runs refer to it: the name in `captures/` of the file to open.
    pub id: String,
    /// The file to open (for a pair the description).
    pub file: CaptureFile,
    /// The second file of a pair (SigMF samples).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub companion: Option<CaptureFile>,
}

/// One file in `captures/`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CaptureFile {
    /// Name in `captures/`.
    pub stored_as: String,
    /// Name it had when it came.
    pub original_name: String,
    /// blake3 (hex) of its content.
    pub blake3: String,
    /// Length in bytes.
    pub length_bytes: u64,
}

/// A file copied into the project but not yet part of it. Dropping it removes the copy.
#[derive(Debug)]
pub struct Staged {
    pub(crate) temporary: tempfile::NamedTempFile,
    pub(crate) original_name: String,
    pub(crate) blake3: String,
    pub(crate) length_bytes: u64,
}

/// Copies a file into the project folder without taking it into the ledger. Needs no [`crate::Project`], so a server
/// need not hold its lock while gigabytes are copied.
pub fn stage_file(project_dir: &Path, source: &Path, progress: &mut Progress<'_>) -> Result<Staged, ProjectError> {
    let _ = (project_dir, source, progress);
    todo!()
}

/// The same from a stream (an upload). `total_bytes` is only told to `progress`.
pub fn stage_reader(
    project_dir: &Path,
    original_name: &str,
    source: &mut dyn Read,
    total_bytes: u64,
    progress: &mut Progress<'_>,
) -> Result<Staged, ProjectError> {
    let _ = (project_dir, original_name, source, total_bytes, progress);
    todo!()
}

/// The same from memory.
pub fn stage_bytes(project_dir: &Path, original_name: &str, bytes: &[u8]) -> Result<Staged, ProjectError> {
    let _ = (project_dir, original_name, bytes);
    todo!()
}
