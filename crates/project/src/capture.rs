use std::fs::{self, File};
use std::io::{ErrorKind, Read, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use tempfile::NamedTempFile;

use crate::ProjectError;

/// Told after every block: bytes done, bytes in all (0 if not known). `Break` stops and leaves nothing behind.
pub type Progress<'a> = dyn FnMut(u64, u64) -> ControlFlow<()> + 'a;

/// Folder of the raw files in a project.
pub(crate) const CAPTURES: &str = "captures";

/// Beginning of the name of a copy under way. What bears it and is held by no process is left from an interrupted copy.
pub(crate) const INCOMING: &str = ".incoming-";

/// The same for the project's small files.
pub(crate) const WRITING: &str = ".writing-";

pub(crate) const BLOCK_BYTES: usize = 1 << 20;

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

impl Capture {
    /// The one or two files.
    pub fn files(&self) -> impl Iterator<Item = &CaptureFile> {
        std::iter::once(&self.file).chain(&self.companion)
    }
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
    temporary: NamedTempFile,
    original_name: String,
    blake3: String,
    length_bytes: u64,
}

impl Staged {
    /// blake3 (hex) of the content.
    pub fn blake3(&self) -> &str {
        &self.blake3
    }

    /// Length in bytes.
    pub fn length_bytes(&self) -> u64 {
        self.length_bytes
    }

    /// Name the file had when it came.
    pub fn original_name(&self) -> &str {
        &self.original_name
    }

    fn extension(&self) -> Option<String> {
        safe_extension(&self.original_name)
    }

    /// Gives the copy its final name. The content is on the disk before the name is, so a name never stands for half a
    /// file.
    pub(crate) fn keep(self, captures: &Path, stored_as: &str) -> Result<CaptureFile, ProjectError> {
        let target = captures.join(stored_as);
        // Readers need no write permission, and an editor opened by mistake should refuse.
        #[cfg(unix)]
        {
            let doing = ProjectError::io("set the permissions", self.temporary.path());
            let file = self.temporary.as_file();
            file.metadata()
                .and_then(|meta| {
                    let mut permissions = meta.permissions();
                    permissions.set_readonly(true);
                    file.set_permissions(permissions)
                })
                .map_err(doing)?;
        }
        self.temporary
            .persist(&target)
            .map_err(|error| ProjectError::io("give the file its final name", &target)(error.error))?;
        sync_folder(captures)?;
        Ok(CaptureFile {
            stored_as: stored_as.to_owned(),
            original_name: self.original_name,
            blake3: self.blake3,
            length_bytes: self.length_bytes,
        })
    }
}

/// Copies a file into the project folder without taking it into the ledger. Needs no [`crate::Project`], so a server
/// need not hold its lock while gigabytes are copied.
pub fn stage_file(project_dir: &Path, source: &Path, progress: &mut Progress<'_>) -> Result<Staged, ProjectError> {
    let meta = fs::metadata(source).map_err(ProjectError::io("read the file", source))?;
    if !meta.is_file() {
        return Err(ProjectError::value(source.display().to_string(), "this is not a file", "a recording or a sweep"));
    }
    let mut file = File::open(source).map_err(ProjectError::io("read the file", source))?;
    let name = source.file_name().unwrap_or_default().to_string_lossy().into_owned();
    stage(project_dir, &name, source, &mut file, meta.len(), progress)
}

/// The same from a stream (an upload). `total_bytes` is only told to `progress`.
pub fn stage_reader(
    project_dir: &Path,
    original_name: &str,
    source: &mut dyn Read,
    total_bytes: u64,
    progress: &mut Progress<'_>,
) -> Result<Staged, ProjectError> {
    // Browsers of old sent whole paths, with either kind of slash.
    let name = original_name.rsplit(['/', '\\']).next().unwrap_or_default();
    stage(project_dir, name, Path::new(name), source, total_bytes, progress)
}

/// The same from memory.
pub fn stage_bytes(project_dir: &Path, original_name: &str, bytes: &[u8]) -> Result<Staged, ProjectError> {
    let mut source = bytes;
    stage_reader(project_dir, original_name, &mut source, bytes.len() as u64, &mut |_, _| ControlFlow::Continue(()))
}

fn stage(
    project_dir: &Path,
    name: &str,
    source_path: &Path,
    source: &mut dyn Read,
    total_bytes: u64,
    progress: &mut Progress<'_>,
) -> Result<Staged, ProjectError> {
    if name.is_empty() {
        return Err(ProjectError::value("file name", "it is empty", "the name of the file, with its extension"));
    }
    let captures = project_dir.join(CAPTURES);
    fs::create_dir_all(&captures).map_err(ProjectError::io("make the folder", &captures))?;
    let mut temporary = new_temporary(&captures, INCOMING)?;
    let mut hasher = blake3::Hasher::new();
    let mut block = vec![0; BLOCK_BYTES];
    let mut done = 0_u64;
    loop {
        let count = match source.read(&mut block) {
            Ok(0) => break,
            Ok(count) => count,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(ProjectError::io("read the file", source_path)(error)),
        };
        hasher.update(&block[..count]);
        temporary
            .write_all(&block[..count])
            .map_err(ProjectError::io("write the copy (is the disk full?)", temporary.path()))?;
        done += count as u64;
        if progress(done, total_bytes).is_break() {
            return Err(ProjectError::Cancelled);
        }
    }
    if done == 0 {
        return Err(ProjectError::value(source_path.display().to_string(), "the file is empty", "samples or levels"));
    }
    temporary.as_file().sync_all().map_err(ProjectError::io("bring the copy to the disk", temporary.path()))?;
    Ok(Staged {
        temporary,
        original_name: name.to_owned(),
        blake3: hasher.finalize().to_hex().to_string(),
        length_bytes: done,
    })
}

/// A new temporary file that a cleaner will not take for a left-over: its lock is held as long as it is open.
fn new_temporary(folder: &Path, prefix: &str) -> Result<NamedTempFile, ProjectError> {
    loop {
        let temporary = builder(prefix).tempfile_in(folder).map_err(ProjectError::io("make a file in", folder))?;
        // Where the file system knows no locks, a cleaner cannot get one either and leaves the file alone.
        let _ = temporary.as_file().lock();
        // A cleaner may have come between making and locking; then the name is gone, and a new file is needed.
        if temporary.path().exists() {
            return Ok(temporary);
        }
    }
}

/// Removes what interrupted writing left behind in a folder; returns how many files.
pub(crate) fn remove_leftovers(folder: &Path) -> usize {
    let Ok(entries) = fs::read_dir(folder) else { return 0 };
    let mut removed = 0;
    for entry in entries.flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if !name.starts_with(INCOMING) && !name.starts_with(WRITING) {
            continue;
        }
        // A copy under way, here or in another process, holds the lock.
        if let Ok(file) = File::open(entry.path())
            && file.try_lock().is_ok()
            && fs::remove_file(entry.path()).is_ok()
        {
            removed += 1;
        }
    }
    removed
}

/// Whether a name in `captures/` belongs to a copy under way.
pub(crate) fn is_incoming(name: &str) -> bool {
    name.starts_with(INCOMING)
}

/// Temporary files that get the permissions any new file of this user gets (not those of a private temporary file).
pub(crate) fn builder(prefix: &str) -> tempfile::Builder<'_, 'static> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(prefix);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    builder
}

/// The extension in lower case, if it is one that is safe in a file name.
fn safe_extension(name: &str) -> Option<String> {
    let (stem, extension) = name.rsplit_once('.')?;
    let fits = !stem.is_empty()
        && (1..=16).contains(&extension.len())
        && extension.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    fits.then(|| extension.to_ascii_lowercase())
}

/// The names under which staged files will stand: one file by its own hash; the two of a SigMF recording by one hash over
/// both, because every reader finds the samples by the name of the description.
pub(crate) struct Naming {
    pub(crate) main: (Staged, String),
    pub(crate) companion: Option<(Staged, String)>,
}

pub(crate) fn name_staged(staged: Vec<Staged>) -> Result<Naming, ProjectError> {
    let found: Vec<String> = staged.iter().map(|s| s.original_name.clone()).collect();
    let mut files = staged.into_iter();
    match (files.next(), files.next(), files.next()) {
        (Some(file), None, None) => {
            let extension = file.extension();
            if let Some(missing) = extension.as_deref().and_then(sigmf_other) {
                return Err(ProjectError::value(
                    file.original_name.clone(),
                    "one half of a SigMF recording",
                    format!("its .{missing} file together with it"),
                ));
            }
            let name = match extension {
                Some(extension) => format!("{}.{extension}", file.blake3),
                None => file.blake3.clone(),
            };
            Ok(Naming { main: (file, name), companion: None })
        }
        (Some(first), Some(second), None) => {
            let (meta, data) = match (first.extension().as_deref(), second.extension().as_deref()) {
                (Some("sigmf-meta"), Some("sigmf-data")) => (first, second),
                (Some("sigmf-data"), Some("sigmf-meta")) => (second, first),
                _ => return Err(not_a_pair(&found)),
            };
            let both = format!("{}\n{}\n", meta.blake3, data.blake3);
            let stem = blake3::hash(both.as_bytes()).to_hex().to_string();
            let names = (format!("{stem}.sigmf-meta"), format!("{stem}.sigmf-data"));
            Ok(Naming { main: (meta, names.0), companion: Some((data, names.1)) })
        }
        _ => Err(not_a_pair(&found)),
    }
}

fn not_a_pair(found: &[String]) -> ProjectError {
    ProjectError::value(
        "capture",
        format!("{} files: {}", found.len(), found.join(", ")),
        "one file, or the .sigmf-meta and the .sigmf-data file of one recording",
    )
}

fn sigmf_other(extension: &str) -> Option<&'static str> {
    match extension {
        "sigmf-meta" => Some("sigmf-data"),
        "sigmf-data" => Some("sigmf-meta"),
        _ => None,
    }
}

/// The files that belong to what a person points at: itself, and for half a SigMF recording the other half.
pub(crate) fn files_of(path: &Path) -> Result<Vec<PathBuf>, ProjectError> {
    let extension = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase());
    let Some(other) = extension.as_deref().and_then(sigmf_other) else { return Ok(vec![path.to_path_buf()]) };
    let partner = path.with_extension(other);
    if !partner.is_file() {
        return Err(ProjectError::value(
            path.display().to_string(),
            "one half of a SigMF recording",
            format!("{} beside it", partner.display()),
        ));
    }
    Ok(vec![path.to_path_buf(), partner])
}

/// blake3 (hex) and length of a file, read in blocks.
pub(crate) fn hash_file(path: &Path) -> std::io::Result<(String, u64)> {
    let mut file = File::open(path)?;
    let mut hasher = blake3::Hasher::new();
    let mut block = vec![0; BLOCK_BYTES];
    let mut length = 0;
    loop {
        match file.read(&mut block) {
            Ok(0) => return Ok((hasher.finalize().to_hex().to_string(), length)),
            Ok(count) => {
                hasher.update(&block[..count]);
                length += count as u64;
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

/// Writes a file in one step: whoever looks finds the old content or the new, never a part.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), ProjectError> {
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder).map_err(ProjectError::io("make the folder", folder))?;
    let mut temporary = new_temporary(folder, WRITING)?;
    temporary.write_all(bytes).map_err(ProjectError::io("write the file (is the disk full?)", path))?;
    if let Ok(meta) = fs::metadata(path) {
        // Keeps what the user set on the file; failing that, the new file is an ordinary one.
        let _ = temporary.as_file().set_permissions(meta.permissions());
    }
    temporary.as_file().sync_all().map_err(ProjectError::io("bring the file to the disk", path))?;
    temporary.persist(path).map_err(|error| ProjectError::io("give the file its name", path)(error.error))?;
    sync_folder(folder)
}

/// A rename is on the disk only when the folder is. Windows offers no such call and needs none for NTFS.
pub(crate) fn sync_folder(folder: &Path) -> Result<(), ProjectError> {
    #[cfg(unix)]
    File::open(folder)
        .and_then(|file| file.sync_all())
        .map_err(ProjectError::io("bring the folder to the disk", folder))?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_harmless_extensions_become_part_of_a_file_name() {
        assert_eq!(safe_extension("Scan 1.CSV").as_deref(), Some("csv"));
        assert_eq!(safe_extension("a.b.sigmf-meta").as_deref(), Some("sigmf-meta"));
        for name in ["noextension", ".hidden", "a.", "a.c/d", "a.exe\u{202e}", "a.averyveryverylongone"] {
            assert_eq!(safe_extension(name), None, "{name:?}");
        }
    }

    #[test]
    fn a_copy_under_way_is_not_swept_but_an_abandoned_one_is() {
        let dir = tempfile::tempdir().unwrap();
        let staged = stage_bytes(dir.path(), "a.csv", b"1,2\n").unwrap();
        let captures = dir.path().join(CAPTURES);
        // What a process leaves when it is killed between writing and renaming: the file, without its lock.
        fs::write(captures.join(".incoming-killed"), b"half").unwrap();
        assert_eq!(remove_leftovers(&captures), 1);
        assert!(staged.temporary.path().exists());
        drop(staged);
        assert_eq!(fs::read_dir(&captures).unwrap().count(), 0);
    }

    #[test]
    fn a_stopped_copy_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let mut source = std::io::repeat(7).take(5 << 20);
        let mut seen = Vec::new();
        let result = stage_reader(dir.path(), "x.bin", &mut source, 5 << 20, &mut |done, total| {
            seen.push((done, total));
            if done >= 2 << 20 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        });
        assert!(matches!(result, Err(ProjectError::Cancelled)));
        assert!(seen.iter().all(|(done, total)| *done <= 3 << 20 && *total == 5 << 20));
        assert_eq!(fs::read_dir(dir.path().join(CAPTURES)).unwrap().count(), 0);
    }

    #[test]
    fn a_failing_source_leaves_nothing_and_is_named() {
        struct Broken(bool);
        impl Read for Broken {
            fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
                if self.0 {
                    return Err(std::io::Error::other("cable pulled"));
                }
                self.0 = true;
                buffer[0] = 1;
                Ok(1)
            }
        }
        let dir = tempfile::tempdir().unwrap();
        let result = stage_reader(dir.path(), "scan.csv", &mut Broken(false), 0, &mut |_, _| ControlFlow::Continue(()));
        let message = result.unwrap_err().to_string();
        assert!(message.contains("scan.csv") && message.contains("cable pulled"), "{message}");
        assert_eq!(fs::read_dir(dir.path().join(CAPTURES)).unwrap().count(), 0);
    }
}
