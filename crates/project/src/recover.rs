//! A ledger rebuilt from what can be read of a damaged one.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::Serialize;
use serde_json::json;

use crate::ProjectError;
use crate::capture::sync_folder;
use crate::folder::{LEDGER, PRODUCT};
use crate::ledger::{Ledger, RebuiltRow};
use crate::salvage::{FoundRow, rows};

/// What a recovery came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Recovered {
    /// Entries that are as they were written: the chain of hashes proves it.
    pub proven: usize,
    /// Entries that could be read but do not follow from the one before: they were changed, or that one is lost.
    pub doubtful: Vec<u64>,
    /// Entries of which nothing could be read.
    pub lost: Vec<u64>,
    /// Where the damaged file was put.
    pub damaged_kept_as: PathBuf,
}

/// Reads everything that can be read out of a project's damaged ledger and puts a ledger of it in its place; the damaged
/// file is kept beside it. Entries keep their numbers, times and hashes; in the place of a lost one stands an entry that says
/// so, and a last entry says what was recovered. What was cut off behind the last entry that can be read is not missed by
/// this: only a seal printed on a report shows it.
///
/// # Errors
/// The folder is no project, or nothing of a ledger can be read from the file.
pub fn recover(dir: &Path) -> Result<Recovered, ProjectError> {
    let path = dir.join(LEDGER);
    if !dir.join(PRODUCT).is_file() || !path.is_file() {
        return Err(ProjectError::NotAProject {
            dir: dir.to_path_buf(),
            what: format!("it has no {PRODUCT} or no {LEDGER}"),
            expected: "the folder of a project with a damaged ledger".to_owned(),
        });
    }
    let file = fs::read(&path).map_err(ProjectError::io("read the file", &path))?;
    let found = rows(&file);
    let Some(last) = found.keys().next_back().copied() else {
        return Err(ProjectError::Ledger {
            path,
            what: "no entry of a ledger can be read from this file".to_owned(),
            expected: "a ledger with some entries whole; restore it from a backup".to_owned(),
        });
    };
    let (mut proven, mut doubtful, mut lost) = (0, Vec::new(), Vec::new());
    let mut rebuilt = Vec::new();
    let mut before = String::new();
    for id in 1..=last {
        let Some(row) = found.get(&id) else {
            lost.push(id);
            rebuilt.push(placeholder(id));
            before.clear();
            continue;
        };
        if row.follows(&before) {
            proven += 1;
        } else {
            doubtful.push(id);
        }
        before.clone_from(&row.hash);
        rebuilt.push(as_row(row));
    }
    // The journal of a change under way belongs to the damaged file.
    let kept = (1..10_000)
        .map(|n| dir.join(format!("{LEDGER}.damaged-{n}")))
        .find(|p| !p.exists())
        .unwrap_or_else(|| dir.join(format!("{LEDGER}.damaged")));
    let fresh = dir.join(format!(".writing-{LEDGER}"));
    let _ = fs::remove_file(&fresh);
    let note = format!(
        "The ledger was damaged and was recovered: {proven} entries are proven, {} are doubtful, {} are lost. The damaged file is \
         {}.",
        doubtful.len(),
        lost.len(),
        kept.file_name().unwrap_or_default().to_string_lossy()
    );
    let built = Ledger::rebuild(&fresh, &rebuilt, &note);
    if built.is_err() {
        let _ = fs::remove_file(&fresh);
    }
    built?;
    fs::rename(&path, &kept).map_err(ProjectError::io("put aside the file", &path))?;
    let journal = dir.join(format!("{LEDGER}-journal"));
    if journal.exists() {
        let aside = PathBuf::from(format!("{}-journal", kept.display()));
        fs::rename(&journal, &aside).map_err(ProjectError::io("put aside the file", &journal))?;
    }
    fs::rename(&fresh, &path).map_err(ProjectError::io("give the file its final name", &path))?;
    sync_folder(dir)?;
    Ok(Recovered { proven, doubtful, lost, damaged_kept_as: kept })
}

fn placeholder(id: u64) -> RebuiltRow {
    RebuiltRow {
        id,
        at: Timestamp::now().to_string(),
        who: "recovery".to_owned(),
        kind: "entry_lost".to_owned(),
        version: 1,
        payload: json!({ "entry": id }).to_string(),
        hash: "lost".to_owned(),
    }
}

fn as_row(row: &FoundRow) -> RebuiltRow {
    // The table takes JSON only: what a flipped bit made into something else is kept as text.
    let sound = serde_json::from_str::<serde_json::Value>(&row.payload).is_ok();
    RebuiltRow {
        id: row.id,
        at: row.at.clone(),
        who: row.who.clone(),
        kind: if sound { row.kind.clone() } else { format!("damaged_{}", row.kind) },
        version: row.version,
        payload: if sound { row.payload.clone() } else { json!({ "text": row.payload }).to_string() },
        hash: row.hash.clone(),
    }
}
