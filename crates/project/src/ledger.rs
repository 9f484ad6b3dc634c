use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::{Connection, ErrorCode, OpenFlags, Transaction, TransactionBehavior, params};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::{Entry, Event, ProjectError};

/// Every step brings a ledger one format forward; the number of steps done is SQLite's `user_version`.
const STEPS: &[&str] = &[include_str!("ledger_1.sql")];

/// "HUSH": marks the file as one of ours, so that another program's database is not taken for a ledger.
const APPLICATION_ID: i32 = 0x4855_5348;

/// Version of the payload of every kind of event, so far.
const PAYLOAD_VERSION: i64 = 1;

/// How long one process waits for another that is writing.
const BUSY: Duration = Duration::from_secs(10);

/// The state of the ledger in two values: print them on a report, and a later change of what was written before shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seal {
    /// Number of the last entry.
    pub revision: u64,
    /// blake3 (hex) over all entries up to it.
    pub hash: String,
}

impl Seal {
    pub(crate) fn empty() -> Self {
        Self { revision: 0, hash: String::new() }
    }
}

/// An entry with what was found wrong while reading it.
pub(crate) struct ReadEntry {
    pub(crate) entry: Entry,
    /// The hash does not follow from the content and the entry before.
    pub(crate) broken: bool,
    /// Why the payload could not be understood.
    pub(crate) not_understood: Option<String>,
}

/// A row as it is to stand in a rebuilt ledger.
pub(crate) struct RebuiltRow {
    pub(crate) id: u64,
    pub(crate) at: String,
    pub(crate) who: String,
    pub(crate) kind: String,
    pub(crate) version: i64,
    pub(crate) payload: String,
    pub(crate) hash: String,
}

#[derive(Debug)]
pub(crate) struct Ledger {
    connection: Connection,
    path: PathBuf,
}

impl Ledger {
    /// Opens or makes the ledger.
    pub(crate) fn open(path: &Path) -> Result<Self, ProjectError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).map_err(|e| explain(path, &e))?;
        let mut ledger = Self { connection, path: path.to_path_buf() };
        ledger.prepare()?;
        Ok(ledger)
    }

    /// Makes a ledger of rows that were read out of a damaged one, with a note at its end.
    pub(crate) fn rebuild(path: &Path, rows: &[RebuiltRow], note: &str) -> Result<(), ProjectError> {
        let mut ledger = Self::open(path)?;
        let change = ledger.begin()?;
        for r in rows {
            change
                .transaction
                .execute(
                    "INSERT INTO event (id, at, who, kind, version, payload, hash) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                    params![r.id as i64, r.at, r.who, r.kind, r.version, r.payload, r.hash],
                )
                .map_err(|e| explain(path, &e))?;
        }
        let last = rows.last();
        let mut seal =
            Seal { revision: last.map_or(0, |r| r.id), hash: last.map_or_else(String::new, |r| r.hash.clone()) };
        change.append(&mut seal, "recovery", &Event::Note(crate::Note { run: None, text: note.to_owned() }))?;
        change.commit()
    }

    fn prepare(&mut self) -> Result<(), ProjectError> {
        let path = self.path.clone();
        let fault = |e: rusqlite::Error| explain(&path, &e);
        self.connection.busy_timeout(BUSY).map_err(fault)?;
        // Before anything is written: whose file is it, and how new?
        let known = STEPS.len() as i64;
        let found = self.format().map_err(fault)?;
        let application: i32 =
            self.connection.pragma_query_value(None, "application_id", |row| row.get(0)).map_err(fault)?;
        let tables: i64 =
            self.connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(fault)?;
        if (found > 0 || tables > 0) && application != APPLICATION_ID {
            return Err(ProjectError::Ledger {
                path: path.clone(),
                what: "this database was not made by the tool".to_owned(),
                expected: "the ledger of a project".to_owned(),
            });
        }
        if found > known {
            return Err(ProjectError::LedgerTooNew { path: path.clone(), found, known });
        }
        // One plain file that can be copied, synchronised and opened from a network folder: hence no write-ahead log, which
        // lives in two more files and needs shared memory. EXTRA also brings the folder to the disk at every commit.
        self.connection
            .execute_batch(
                "PRAGMA journal_mode = DELETE; PRAGMA synchronous = EXTRA; PRAGMA trusted_schema = OFF; \
                 PRAGMA recursive_triggers = ON;",
            )
            .map_err(fault)?;
        if found < known {
            // Two processes may open an old ledger at once: the second finds the work done.
            let step = self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fault)?;
            let done: i64 = step.pragma_query_value(None, "user_version", |row| row.get(0)).map_err(fault)?;
            for sql in STEPS.iter().skip(done.max(0) as usize) {
                step.execute_batch(sql).map_err(fault)?;
            }
            step.pragma_update(None, "application_id", APPLICATION_ID).map_err(fault)?;
            step.pragma_update(None, "user_version", known.max(done)).map_err(fault)?;
            step.commit().map_err(fault)?;
        }
        Ok(())
    }

    fn format(&self) -> rusqlite::Result<i64> {
        self.connection.pragma_query_value(None, "user_version", |row| row.get(0))
    }

    pub(crate) fn revision(&self) -> Result<u64, ProjectError> {
        let id: i64 = self
            .connection
            .query_row("SELECT coalesce(max(id), 0) FROM event", [], |row| row.get(0))
            .map_err(|e| explain(&self.path, &e))?;
        Ok(id.max(0) as u64)
    }

    /// The entries after a seal, each proven to follow from the one before.
    pub(crate) fn read_after(&self, seal: &Seal) -> Result<Vec<ReadEntry>, ProjectError> {
        read_after(&self.connection, seal).map_err(|e| explain(&self.path, &e))
    }

    /// Begins a change that no other process can interleave with.
    pub(crate) fn begin(&mut self) -> Result<Appending<'_>, ProjectError> {
        let path = self.path.clone();
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|e| explain(&path, &e))?;
        Ok(Appending { transaction, path })
    }

    /// Whether the entry that a seal ends with stands in the file as it was then.
    pub(crate) fn holds(&self, seal: &Seal) -> Result<bool, ProjectError> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT hash FROM event WHERE id = ?1")
            .map_err(|e| explain(&self.path, &e))?;
        let mut rows = statement.query([seal.revision as i64]).map_err(|e| explain(&self.path, &e))?;
        let hash = match rows.next().map_err(|e| explain(&self.path, &e))? {
            Some(row) => row.get::<_, String>(0).map_err(|e| explain(&self.path, &e))?,
            None => return Ok(seal.revision == 0),
        };
        Ok(hash == seal.hash)
    }

    /// Does something while no process can write: the file then is one whole state.
    pub(crate) fn held<T>(&self, act: impl FnOnce(&Path) -> T) -> Result<T, ProjectError> {
        let path = &self.path;
        let reading = self.connection.unchecked_transaction().map_err(|e| explain(path, &e))?;
        // The lock comes with the first read, not with the transaction.
        reading.query_row("SELECT count(*) FROM event", [], |_| Ok(())).map_err(|e| explain(path, &e))?;
        let done = act(path);
        reading.finish().map_err(|e| explain(path, &e))?;
        Ok(done)
    }

    /// What SQLite itself finds wrong with the file.
    pub(crate) fn integrity(&self) -> Result<Option<String>, ProjectError> {
        let answer: String = self
            .connection
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
            .map_err(|e| explain(&self.path, &e))?;
        Ok((answer != "ok").then_some(answer))
    }

    /// Whether the triggers that keep the ledger append-only are still there.
    pub(crate) fn guards_missing(&self) -> Result<bool, ProjectError> {
        let count: i64 = self
            .connection
            .query_row(
                "SELECT count(*) FROM sqlite_schema WHERE type = 'trigger' \
                 AND name IN ('event_no_update', 'event_no_delete', 'event_in_order')",
                [],
                |row| row.get(0),
            )
            .map_err(|e| explain(&self.path, &e))?;
        Ok(count != 3)
    }
}

/// A change under way; dropped without [`Appending::commit`], nothing of it remains.
pub(crate) struct Appending<'c> {
    transaction: Transaction<'c>,
    path: PathBuf,
}

impl Appending<'_> {
    pub(crate) fn read_after(&self, seal: &Seal) -> Result<Vec<ReadEntry>, ProjectError> {
        read_after(&self.transaction, seal).map_err(|e| explain(&self.path, &e))
    }

    /// Appends one event after the seal and moves the seal.
    pub(crate) fn append(&self, seal: &mut Seal, who: &str, event: &Event) -> Result<(), ProjectError> {
        let (kind, payload) = split(event);
        let at = Timestamp::now().to_string();
        let id = seal.revision + 1;
        let hash = entry_hash(&seal.hash, id, &at, who, &kind, PAYLOAD_VERSION, &payload);
        self.transaction
            .execute(
                "INSERT INTO event (id, at, who, kind, version, payload, hash) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![id as i64, at, who, kind, PAYLOAD_VERSION, payload, hash],
            )
            .map_err(|e| explain(&self.path, &e))?;
        *seal = Seal { revision: id, hash };
        Ok(())
    }

    pub(crate) fn commit(self) -> Result<(), ProjectError> {
        self.transaction.commit().map_err(|e| explain(&self.path, &e))
    }
}

/// An event as its kind and the text of its payload.
fn split(event: &Event) -> (String, String) {
    let whole = serde_json::to_value(event).unwrap_or_default();
    let kind = whole["kind"].as_str().unwrap_or_default().to_owned();
    (kind, whole["payload"].to_string())
}

pub(crate) fn entry_hash(
    before: &str,
    id: u64,
    at: &str,
    who: &str,
    kind: &str,
    version: i64,
    payload: &str,
) -> String {
    // A JSON array, because plain joining would let text move from one column into the next unseen.
    let whole = json!([before, id, at, who, kind, version, payload]).to_string();
    blake3::hash(whole.as_bytes()).to_hex().to_string()
}

fn read_after(connection: &Connection, seal: &Seal) -> rusqlite::Result<Vec<ReadEntry>> {
    let mut statement = connection
        .prepare_cached("SELECT id, at, who, kind, version, payload, hash FROM event WHERE id > ?1 ORDER BY id")?;
    let mut rows = statement.query([seal.revision as i64])?;
    let mut before = seal.clone();
    let mut entries = Vec::new();
    while let Some(row) = rows.next()? {
        let id = row.get::<_, i64>(0)?.max(0) as u64;
        let (at, who, kind): (String, String, String) = (row.get(1)?, row.get(2)?, row.get(3)?);
        let version: i64 = row.get(4)?;
        let (payload, hash): (String, String) = (row.get(5)?, row.get(6)?);
        let expected = entry_hash(&before.hash, id, &at, &who, &kind, version, &payload);
        let mut broken = expected != hash || id != before.revision + 1;
        before = Seal { revision: id, hash: hash.clone() };
        let time = at.parse::<Timestamp>().unwrap_or_else(|_| {
            broken = true;
            Timestamp::UNIX_EPOCH
        });
        let (event, not_understood) = join(kind, version, &payload);
        entries.push(ReadEntry { entry: Entry { id, at: time, who, event, hash }, broken, not_understood });
    }
    Ok(entries)
}

/// The event of a row; what this version does not understand is kept as it is, with the reason.
fn join(kind: String, version: i64, payload: &str) -> (Event, Option<String>) {
    let payload: Value = match serde_json::from_str(payload) {
        Ok(value) => value,
        Err(error) => {
            let reason = format!("its payload is not JSON ({error})");
            return (Event::Other { kind, payload: Value::String(payload.to_owned()) }, Some(reason));
        }
    };
    if version > PAYLOAD_VERSION {
        let reason = format!("it has form {version}, written by a newer version of the tool");
        return (Event::Other { kind, payload }, Some(reason));
    }
    let whole = json!({"kind": kind, "payload": payload});
    match serde_json::from_value::<Event>(whole) {
        Ok(event @ Event::Other { .. }) => {
            let reason = "this version does not know its kind, or a field is missing".to_owned();
            (event, Some(reason))
        }
        Ok(event) => (event, None),
        Err(error) => (Event::Other { kind, payload }, Some(error.to_string())),
    }
}

fn explain(path: &Path, error: &rusqlite::Error) -> ProjectError {
    let (what, expected) = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            (format!("another program has been writing to it for {} s", BUSY.as_secs()), "a free ledger; try again")
        }
        Some(ErrorCode::NotADatabase) => ("this is not an SQLite file".to_owned(), "the ledger of a project"),
        Some(ErrorCode::DatabaseCorrupt) => (
            format!("the file is damaged ({error})"),
            "the ledger as it was written; restore it from a backup, or run `hushfield recover`",
        ),
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => {
            (format!("it cannot be opened for writing ({error})"), "a file and folder that may be written")
        }
        Some(ErrorCode::DiskFull) => ("the disk is full".to_owned(), "free space; nothing was recorded"),
        _ => (error.to_string(), "a readable ledger"),
    };
    ProjectError::Ledger { path: path.to_path_buf(), what, expected: expected.to_owned() }
}
