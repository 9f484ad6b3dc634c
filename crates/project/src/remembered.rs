//! What follows from ledgers, kept by a process between openings.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use crate::state::State;

/// How many projects' states a process keeps between openings.
const REMEMBERED: usize = 4;

/// What follows from the entries of a ledger, kept between openings: a server opens its project for every request, and
/// thousands of entries take longer to read than everything else it does.
static STATES: Mutex<Vec<(PathBuf, Arc<State>)>> = Mutex::new(Vec::new());

pub(crate) fn remembered(ledger: &Path) -> Option<Arc<State>> {
    let path = ledger.canonicalize().ok()?;
    let states = STATES.lock().unwrap_or_else(PoisonError::into_inner);
    states.iter().find(|(known, _)| *known == path).map(|(_, state)| Arc::clone(state))
}

pub(crate) fn remember(ledger: &Path, state: &Arc<State>) {
    let Ok(path) = ledger.canonicalize() else { return };
    let mut states = STATES.lock().unwrap_or_else(PoisonError::into_inner);
    states.retain(|(known, _)| *known != path);
    states.insert(0, (path, Arc::clone(state)));
    states.truncate(REMEMBERED);
}
