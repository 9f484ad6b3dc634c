//! What was gathered from a project is kept in memory until the project changes: the questions of one screen come together,
//! and each would otherwise evaluate every run again.

use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::{fs, io};

use project::Project;

use super::gather::{ReadRun, read_runs};
use super::{ChanceQuery, ChanceReport, NextReport, OffsetReport};
use crate::{OnStage, WorkError};

/// Projects that are kept.
const PROJECTS: usize = 2;
/// Answers of each kind that are kept for a project.
const ANSWERS: usize = 16;

/// A project's runs, and what was answered from them.
pub(super) struct Gathered {
    pub(super) runs: Vec<ReadRun>,
    /// What could not be used.
    pub(super) notes: Vec<String>,
    pub(super) chance: Answers<ChanceQuery, ChanceReport>,
    pub(super) next: Answers<ChanceQuery, NextReport>,
    pub(super) offset: Answers<Option<String>, OffsetReport>,
}

/// Answers by question.
pub(super) struct Answers<Q, A>(Mutex<HashMap<Q, A>>);

impl<Q: Hash + Eq + Clone, A: Clone> Answers<Q, A> {
    fn new() -> Self {
        Self(Mutex::new(HashMap::new()))
    }

    /// The answer kept, or the one found now. Two who ask at once may both find it.
    pub(super) fn or_find(&self, question: &Q, find: impl FnOnce() -> Result<A, WorkError>) -> Result<A, WorkError> {
        if let Some(kept) = open(&self.0).get(question) {
            return Ok(kept.clone());
        }
        let found = find()?;
        let mut kept = open(&self.0);
        if kept.len() >= ANSWERS {
            kept.clear();
        }
        kept.insert(question.clone(), found.clone());
        Ok(found)
    }
}

/// A panic elsewhere leaves whole values here: each is put in after it was made.
fn open<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Kept {
    dir: PathBuf,
    stamp: u64,
    gathered: Arc<Gathered>,
}

static KEPT: Mutex<Vec<Kept>> = Mutex::new(Vec::new());
/// Held while a project is read, so that questions that come together read it once.
static READING: Mutex<()> = Mutex::new(());

/// What an answer depends on beside captures, which never change: the ledger's last entry, and name, length and time of the
/// files that people edit.
fn stamp(project: &Project) -> Result<u64, WorkError> {
    let mut hasher = DefaultHasher::new();
    project.revision()?.hash(&mut hasher);
    let mut paths = vec![project.dir().join("product.toml")];
    for folder in ["budgets", "chains", "filters", "limits"] {
        let folder = project.dir().join(folder);
        match fs::read_dir(&folder) {
            Ok(listed) => paths.extend(listed.filter_map(|entry| entry.ok().map(|e| e.path()))),
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            Err(e) => return Err(WorkError::io(&folder, "list the folder", &e)),
        }
    }
    paths.sort();
    for path in paths {
        path.hash(&mut hasher);
        if let Ok(about) = fs::metadata(&path) {
            about.len().hash(&mut hasher);
            about.modified().ok().hash(&mut hasher);
        }
    }
    Ok(hasher.finish())
}

fn find(dir: &Path, stamp: u64) -> Option<Arc<Gathered>> {
    open(&KEPT).iter().find(|k| k.dir == dir && k.stamp == stamp).map(|k| Arc::clone(&k.gathered))
}

/// The runs of a project, read anew only where it has changed.
pub(super) fn gathered(project: &Project, on_stage: &mut OnStage<'_>) -> Result<Arc<Gathered>, WorkError> {
    let dir = fs::canonicalize(project.dir()).map_err(|e| WorkError::io(project.dir(), "find the folder", &e))?;
    if let Some(found) = find(&dir, stamp(project)?) {
        return Ok(found);
    }
    let _alone = open(&READING);
    // Before reading: what changes meanwhile makes another stamp.
    let now = stamp(project)?;
    if let Some(found) = find(&dir, now) {
        return Ok(found);
    }
    let mut notes = Vec::new();
    let runs = read_runs(project, &mut notes, on_stage)?;
    let gathered =
        Arc::new(Gathered { runs, notes, chance: Answers::new(), next: Answers::new(), offset: Answers::new() });
    let mut kept = open(&KEPT);
    kept.retain(|k| k.dir != dir);
    kept.truncate(PROJECTS - 1);
    kept.insert(0, Kept { dir, stamp: now, gathered: Arc::clone(&gathered) });
    Ok(gathered)
}
