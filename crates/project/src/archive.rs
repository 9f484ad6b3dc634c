//! A project as one file that can be sent, stored and taken in elsewhere bit for bit.
//!
//! The file is a plain `tar` with everything under `project/`, sorted, without dates and owners, so that the same project
//! gives the same archive. Its last entry, `project/b3sums.txt`, names the blake3 of every other one in the form that
//! `b3sum --check` reads: an archive that was cut short has none and is refused, and anyone can prove one without this tool.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{BufReader, BufWriter, ErrorKind, Read, Write};
use std::ops::ControlFlow;
use std::path::{Component, Path, PathBuf};

use serde::Serialize;
use tempfile::NamedTempFile;

use crate::capture::{BLOCK_BYTES, CAPTURES, INCOMING, Progress, WRITING, builder as builder_of, sync_folder};
use crate::folder::{DERIVED, LEDGER, PRODUCT};
use crate::{Project, ProjectError};

/// Folder inside the archive, so that unpacking it by hand makes one folder.
const ROOT: &str = "project";
/// The list of hashes.
const SUMS: &str = "b3sums.txt";
/// Longest list of hashes that is read: a million files have a hundred megabytes.
const MOST_SUMS_BYTES: u64 = 256 << 20;

/// What went into an archive, or came out of one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Archived {
    /// Files, without the list of hashes.
    pub files: usize,
    /// Their bytes.
    pub bytes: u64,
    /// blake3 (hex) of the list of hashes: stands for all of it.
    pub blake3: String,
    /// What lies in the folder and was not taken: what can be computed again, and names that begin with a dot.
    pub left_out: Vec<String>,
}

/// Writes a project as one archive. `out` appears whole or not at all.
///
/// The ledger is copied while no process can write to it; what is recorded afterwards is not in the archive.
///
/// # Errors
/// A link or a name that other systems cannot hold; a file that changes while it is read; `out` inside the project; the
/// disk.
pub fn export_archive(project: &Project, out: &Path, progress: &mut Progress<'_>) -> Result<Archived, ProjectError> {
    let dir = project.dir();
    let target_folder = match out.parent() {
        Some(p) if !p.as_os_str().is_empty() => p.to_path_buf(),
        _ => PathBuf::from("."),
    };
    let whole = |p: &Path| p.canonicalize().map_err(ProjectError::io("look into the folder", p));
    if whole(&target_folder)?.starts_with(whole(dir)?) {
        return Err(ProjectError::value(
            out.display().to_string(),
            "it lies inside the project, and would have to hold itself",
            "a file outside the project's folder",
        ));
    }
    let ledger = NamedTempFile::new_in(&target_folder).map_err(ProjectError::io("write beside", out))?;
    project.ledger().held(|path| fs::copy(path, ledger.path()).map_err(ProjectError::io("read the file", path)))??;
    let ledger_bytes = fs::metadata(ledger.path()).map_err(ProjectError::io("read the file", ledger.path()))?.len();
    // Listed after the ledger was copied: every raw file it names is there by now.
    let mut left_out = Vec::new();
    let mut paths = BTreeMap::from([(LEDGER.to_owned(), ledger_bytes)]);
    list(dir, "", &mut paths, &mut left_out)?;

    let total: u64 = paths.values().sum();
    let temporary = builder_of(INCOMING).tempfile_in(&target_folder).map_err(ProjectError::io("write beside", out))?;
    let mut builder = tar::Builder::new(BufWriter::with_capacity(BLOCK_BYTES, temporary));
    let mut sums = String::new();
    let mut done = 0;
    for (name, length) in &paths {
        let path = if name == LEDGER { ledger.path().to_path_buf() } else { dir.join(name) };
        let file = File::open(&path).map_err(ProjectError::io("read the file", &path))?;
        let mut hashing = Hashing { inner: file.take(*length), hasher: blake3::Hasher::new(), done, total, progress };
        let written = builder.append_data(&mut header(*length, name), format!("{ROOT}/{name}"), &mut hashing);
        let Hashing { inner, hasher, done: now, .. } = hashing;
        written.map_err(|e| if is_stop(&e) { ProjectError::Cancelled } else { ProjectError::io("write", out)(e) })?;
        // A file that grew or shrank since it was listed is of two states.
        let longer = inner.into_inner().read(&mut [0]).map_err(ProjectError::io("read the file", &path))? > 0;
        if now - done != *length || longer {
            return Err(ProjectError::value(
                name.clone(),
                "it changed while it was read",
                "a project that nothing else is writing to; try again",
            ));
        }
        done = now;
        sums.push_str(&format!("{}  {name}\n", hasher.finalize().to_hex()));
    }
    let write = |e| ProjectError::io("write", out)(e);
    builder
        .append_data(&mut header(sums.len() as u64, SUMS), format!("{ROOT}/{SUMS}"), sums.as_bytes())
        .map_err(write)?;
    let temporary = builder
        .into_inner()
        .and_then(|buffered| buffered.into_inner().map_err(std::io::IntoInnerError::into_error))
        .map_err(write)?;
    temporary.as_file().sync_all().map_err(write)?;
    temporary.persist(out).map_err(|e| ProjectError::io("give the file its final name", out)(e.error))?;
    left_out.sort();
    Ok(Archived {
        files: paths.len(),
        bytes: total,
        blake3: blake3::hash(sums.as_bytes()).to_hex().to_string(),
        left_out,
    })
}

/// Makes a project folder from an archive. `dir` must be new or empty; it appears whole, with every hash proven, or not at
/// all.
///
/// # Errors
/// An archive that is cut short, was changed, or holds anything but plain files with plain names; a folder that is not
/// empty; the disk.
pub fn import_archive(archive: &Path, dir: &Path, progress: &mut Progress<'_>) -> Result<Archived, ProjectError> {
    let existed = match fs::read_dir(dir) {
        Ok(mut entries) => {
            if let Some(found) = entries.next() {
                let found = found.map(|f| f.file_name().to_string_lossy().into_owned()).unwrap_or_default();
                return Err(ProjectError::NotEmpty { dir: dir.to_path_buf(), found });
            }
            true
        }
        Err(e) if e.kind() == ErrorKind::NotFound => false,
        Err(e) => return Err(ProjectError::io("look into the folder", dir)(e)),
    };
    let parent = match dir.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let total = fs::metadata(archive).map_err(ProjectError::io("read the file", archive))?.len();
    let file = File::open(archive).map_err(ProjectError::io("read the file", archive))?;
    let fresh = tempfile::Builder::new()
        .prefix(".importing-")
        .tempdir_in(parent)
        .map_err(ProjectError::io("make a folder in", parent))?;
    let refuse = |place: &str, what: &str, expected: &str| {
        ProjectError::value(format!("{}: {place}", archive.display()), what, expected)
    };
    let unreadable = |e: std::io::Error| {
        if is_stop(&e) {
            ProjectError::Cancelled
        } else {
            refuse("the archive", &format!("it cannot be read on ({e})"), "a whole file written by `hushfield export`")
        }
    };
    let mut found: BTreeMap<String, (String, u64)> = BTreeMap::new();
    let mut sums = None;
    let mut done = 0;
    let mut reader = tar::Archive::new(BufReader::with_capacity(BLOCK_BYTES, file));
    for entry in reader.entries().map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        let name = plain_name(&entry).map_err(|(name, what)| refuse(&name, what, "plain files with plain names"))?;
        if sums.is_some() {
            return Err(refuse(&name, "it stands after the list of hashes", "nothing after it"));
        }
        if name == SUMS {
            let mut text = String::new();
            entry.take(MOST_SUMS_BYTES).read_to_string(&mut text).map_err(unreadable)?;
            sums = Some(text);
            continue;
        }
        if found.contains_key(&name) {
            return Err(refuse(&name, "it is there twice", "every file once"));
        }
        let path = fresh.path().join(&name);
        let folder = path.parent().unwrap_or(fresh.path());
        fs::create_dir_all(folder).map_err(ProjectError::io("make the folder", folder))?;
        let length = entry.size();
        let mut hashing = Hashing { inner: entry, hasher: blake3::Hasher::new(), done, total, progress };
        let mut out = File::create_new(&path).map_err(ProjectError::io("write the file", &path))?;
        copy(&mut hashing, &mut out).map_err(|end| match end {
            End::Reading(e) => unreadable(e),
            End::Writing(e) => ProjectError::io("write the file", &path)(e),
        })?;
        let Hashing { hasher, done: now, .. } = hashing;
        if now - done != length {
            return Err(refuse(&name, "it is cut short", "a whole file written by `hushfield export`"));
        }
        done = now;
        if name.starts_with(&format!("{CAPTURES}/")) {
            let mut permissions = out.metadata().map_err(ProjectError::io("read the file", &path))?.permissions();
            permissions.set_readonly(true);
            out.set_permissions(permissions).map_err(ProjectError::io("set the permissions", &path))?;
        }
        out.sync_all().map_err(ProjectError::io("write the file", &path))?;
        found.insert(name, (hasher.finalize().to_hex().to_string(), length));
    }
    let sums = sums.ok_or_else(|| {
        refuse(
            "the archive",
            "its list of hashes is missing: it was cut short",
            "a whole file written by `hushfield export`",
        )
    })?;
    prove(&sums, &found).map_err(|(name, what)| refuse(&name, what, "what the list of hashes says"))?;
    for needed in [PRODUCT, LEDGER] {
        if !found.contains_key(needed) {
            return Err(refuse(needed, "it is missing", "the archive of a project"));
        }
    }
    // A project has these, with or without files in them.
    for folder in [CAPTURES, "chains", "limits", "reports"] {
        let folder = fresh.path().join(folder);
        fs::create_dir_all(&folder).map_err(ProjectError::io("make the folder", &folder))?;
    }
    if existed {
        fs::remove_dir(dir).map_err(ProjectError::io("replace the empty folder", dir))?;
    }
    // The folder belongs to whoever may read the rest of this user's files, not to this process alone.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let open = fs::Permissions::from_mode(0o755);
        fs::set_permissions(fresh.path(), open).map_err(ProjectError::io("set the permissions", fresh.path()))?;
    }
    let fresh = fresh.keep();
    if let Err(e) = fs::rename(&fresh, dir) {
        let _ = fs::remove_dir_all(&fresh);
        return Err(ProjectError::io("give the folder its name", dir)(e));
    }
    sync_folder(parent)?;
    Ok(Archived {
        files: found.len(),
        bytes: found.values().map(|(_, length)| length).sum(),
        blake3: blake3::hash(sums.as_bytes()).to_hex().to_string(),
        left_out: Vec::new(),
    })
}

/// Files below a folder with their lengths, by their path with `/`.
fn list(
    folder: &Path,
    prefix: &str,
    into: &mut BTreeMap<String, u64>,
    left_out: &mut Vec<String>,
) -> Result<(), ProjectError> {
    let doing = ProjectError::io("look into the folder", folder);
    let entries = fs::read_dir(folder).and_then(Iterator::collect::<Result<Vec<_>, _>>).map_err(doing)?;
    for entry in entries {
        let path = entry.path();
        let plain = "a name in letters that every system can hold";
        let name = entry
            .file_name()
            .into_string()
            .map_err(|_| ProjectError::value(path.display().to_string(), "its name is not Unicode", plain))?;
        let inside = if prefix.is_empty() { name.clone() } else { format!("{prefix}/{name}") };
        if name.contains(['\\', '\n', '\r']) {
            return Err(ProjectError::value(inside, "its name holds a backslash or a line end", plain));
        }
        let kind = entry.file_type().map_err(ProjectError::io("look at", &path))?;
        let ours = [INCOMING, WRITING].iter().any(|p| name.starts_with(p));
        let journal = prefix.is_empty() && (name == LEDGER || name == format!("{LEDGER}-journal"));
        if ours || journal {
            continue;
        }
        if name.starts_with('.') || inside == DERIVED || inside == SUMS {
            left_out.push(inside);
        } else if kind.is_dir() {
            list(&path, &inside, into, left_out)?;
        } else if kind.is_file() {
            let length = entry.metadata().map_err(ProjectError::io("look at", &path))?.len();
            into.insert(inside, length);
        } else {
            return Err(ProjectError::value(inside, "it is a link or a device", "plain files in the project's folder"));
        }
    }
    Ok(())
}

fn header(length: u64, name: &str) -> tar::Header {
    let mut header = tar::Header::new_gnu();
    header.set_size(length);
    header.set_mode(if name.starts_with(&format!("{CAPTURES}/")) { 0o444 } else { 0o644 });
    header.set_mtime(0);
    header.set_uid(0);
    header.set_gid(0);
    header
}

/// The name of an entry below the root, or what is wrong with it.
fn plain_name<R: Read>(entry: &tar::Entry<'_, R>) -> Result<String, (String, &'static str)> {
    let said = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
    if entry.header().entry_type() != tar::EntryType::Regular {
        return Err((said, "it is not a plain file"));
    }
    let Ok(text) = std::str::from_utf8(&entry.path_bytes()).map(str::to_owned) else {
        return Err((said, "its name is not Unicode"));
    };
    let outside = (said.clone(), "it lies outside the project");
    let rest = text.strip_prefix(ROOT).and_then(|r| r.strip_prefix('/')).ok_or(outside.clone())?;
    let plain = !rest.is_empty()
        && !rest.contains(['\\', '\0', '\n', '\r', ':'])
        && Path::new(rest).components().all(|c| matches!(c, Component::Normal(_)))
        && rest.split('/').all(|part| !part.is_empty() && !part.starts_with('.'));
    if plain { Ok(rest.to_owned()) } else { Err(outside) }
}

/// Whether the files are those of the list: none missing, none more, none changed.
fn prove(sums: &str, found: &BTreeMap<String, (String, u64)>) -> Result<(), (String, &'static str)> {
    let mut listed = BTreeSet::new();
    for line in sums.lines() {
        let Some((hash, name)) = line.split_once("  ") else {
            return Err((SUMS.to_owned(), "a line is no hash and name"));
        };
        match found.get(name) {
            None => return Err((name.to_owned(), "the list names it, but it is missing")),
            Some((is, _)) if is != hash => return Err((name.to_owned(), "its content is not what was exported")),
            Some(_) => listed.insert(name),
        };
    }
    match found.keys().find(|name| !listed.contains(name.as_str())) {
        Some(more) => Err((more.clone(), "the list does not name it")),
        None => Ok(()),
    }
}

/// Reads, hashes, counts, and stops when told to.
struct Hashing<'p, 'q, R> {
    inner: R,
    hasher: blake3::Hasher,
    done: u64,
    total: u64,
    progress: &'p mut Progress<'q>,
}

/// Marks the error of a reader that was told to stop.
#[derive(Debug, thiserror::Error)]
#[error("stopped")]
struct Stopped;

fn is_stop(error: &std::io::Error) -> bool {
    match error.get_ref() {
        Some(inner) => inner.is::<Stopped>(),
        None => false,
    }
}

impl<R: Read> Read for Hashing<'_, '_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buffer)?;
        self.hasher.update(&buffer[..n]);
        self.done += n as u64;
        if (self.progress)(self.done, self.total) == ControlFlow::Break(()) {
            return Err(std::io::Error::other(Stopped));
        }
        Ok(n)
    }
}

/// Which side of a copy failed.
enum End {
    Reading(std::io::Error),
    Writing(std::io::Error),
}

fn copy(from: &mut impl Read, to: &mut impl Write) -> Result<(), End> {
    let mut block = vec![0; BLOCK_BYTES];
    loop {
        match from.read(&mut block) {
            Ok(0) => return Ok(()),
            Ok(n) => to.write_all(&block[..n]).map_err(End::Writing)?,
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return Err(End::Reading(e)),
        }
    }
}
