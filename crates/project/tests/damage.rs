//! Nothing is lost: processes killed at any moment, a disk that is full, bits that flip.
//!
//! `HUSHFIELD_KILLS` and `HUSHFIELD_FLIPS` set how often (`cargo xtask soak ledger`: a thousand each); the usual test run does
//! some tens.

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::ops::ControlFlow;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use project::{Event, NewRun, NewSample, Project, ProjectError, RunKind, Severity, recover, stage_reader, unwatched};

fn times(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// Any generator with a seed will do here.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }
    fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
}

/// The other process: edits, imports and records until it is killed, and says on standard output what was done, after it was.
#[test]
fn child_process_that_writes_until_it_is_killed() {
    let Ok(dir) = std::env::var("HUSHFIELD_CHILD_OF_DAMAGE") else { return };
    let dir = Path::new(&dir);
    let seed = times("HUSHFIELD_CHILD_SEED", 1);
    let mut random = Random(seed);
    let mut out = std::io::stdout();
    // Migration of an old ledger and clearing of leftovers are part of opening.
    let mut project = Project::open(dir).unwrap();
    for k in 0_u64.. {
        let mark = format!("{seed}-{k}");
        let done = match random.below(4) {
            0 => project.add_note(None, &mark).map(|()| format!("note {mark}")),
            1 => {
                let bytes = mark.repeat(1 + random.below(200_000) as usize);
                stage_reader(dir, "r.bin", &mut bytes.as_bytes(), bytes.len() as u64, &mut unwatched)
                    .and_then(|staged| project.add_capture(vec![staged]))
                    .map(|c| format!("capture {}", c.id))
            }
            2 => project.add_run(NewRun::new(mark, RunKind::Other)).map(|id| format!("run {id}")),
            _ => {
                let text = format!("name = \"{mark}\"\n");
                project.write_product_text(&text).map(|_| format!("product {mark}"))
            }
        };
        match done {
            Ok(what) => writeln!(out, "\nDONE {what}").unwrap(),
            Err(e) => writeln!(out, "\nREFUSED {e}").unwrap(),
        }
        out.flush().unwrap();
        if times("HUSHFIELD_CHILD_STEPS", u64::MAX) <= k {
            return;
        }
    }
}

fn child(dir: &Path, seed: u64, before: &str) -> Command {
    let exe = std::env::current_exe().unwrap();
    let test = "child_process_that_writes_until_it_is_killed";
    let mut command = Command::new("sh");
    // The shell gives way to the test program, so that a kill meets it.
    command
        .arg("-c")
        .arg(format!("{before} exec \"$0\" --exact {test} --nocapture --test-threads 1"))
        .arg(exe)
        .env("HUSHFIELD_CHILD_OF_DAMAGE", dir)
        .env("HUSHFIELD_CHILD_SEED", seed.to_string())
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    command
}

/// Everything a process has acknowledged is there, and nothing half-done counts.
fn holds(dir: &Path, acknowledged: &[String]) {
    let project = Project::open(dir).unwrap();
    let events = project.entries(0).unwrap();
    let notes: BTreeSet<String> = events
        .iter()
        .filter_map(|e| match &e.event {
            Event::Note(n) => Some(n.text.clone()),
            _ => None,
        })
        .collect();
    let runs: BTreeSet<String> = project.runs().unwrap().iter().map(|r| r.id().to_owned()).collect();
    let captures: BTreeSet<String> = project.captures().unwrap().into_iter().map(|c| c.id).collect();
    for line in acknowledged {
        let (kind, id) = line.split_once(' ').unwrap();
        match kind {
            "note" => assert!(notes.contains(id), "{line} was acknowledged and is gone"),
            "run" => assert!(runs.contains(id), "{line} was acknowledged and is gone"),
            "capture" => assert!(captures.contains(id), "{line} was acknowledged and is gone"),
            _ => {}
        }
    }
    // product.toml is one whole text or the other, never half of one.
    let name = project.product().unwrap().product.name;
    if let Some(last) = acknowledged.iter().rev().find_map(|l| l.strip_prefix("product ")) {
        let (seed, k) = last.split_once('-').unwrap();
        let now = name.split_once('-').unwrap();
        assert!(now.0 == seed && now.1.parse::<u64>().unwrap() >= k.parse::<u64>().unwrap(), "{name} after {last}");
    }
    let wrong: Vec<_> = project.check().unwrap().into_iter().filter(|f| f.severity == Severity::Error).collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    assert!(
        fs::read_dir(dir.join("captures"))
            .unwrap()
            .flatten()
            .all(|e| !e.file_name().to_string_lossy().starts_with('.'))
    );
}

#[test]
fn a_process_killed_at_any_moment_loses_nothing_it_acknowledged() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    drop(Project::create(&dir).unwrap());
    let kills = times("HUSHFIELD_KILLS", 25);
    let mut random = Random(kills);
    let mut acknowledged = 0;
    for kill in 0..kills {
        let mut process = child(&dir, kill + 1, "").spawn().unwrap();
        std::thread::sleep(Duration::from_micros(5000 + random.below(120_000)));
        process.kill().unwrap();
        let said: Vec<String> = BufReader::new(process.stdout.take().unwrap())
            .lines()
            .map_while(Result::ok)
            .filter_map(|l| l.strip_prefix("DONE ").map(str::to_owned))
            .collect();
        process.wait().unwrap();
        acknowledged += said.len();
        holds(&dir, &said);
    }
    println!("{kills} kills, {acknowledged} acknowledged events, none lost");
    assert!(acknowledged > 0, "the child never came to its first event");
}

/// A file-size limit stands for a full disk: writes beyond it fail in the middle of a file.
#[cfg(unix)]
#[test]
fn a_full_disk_refuses_and_loses_nothing() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    drop(Project::create(&dir).unwrap());
    for (seed, blocks) in [(1, 32), (2, 64), (3, 100), (4, 400)] {
        let process = child(&dir, seed, &format!("trap '' XFSZ; ulimit -f {blocks};"))
            .env("HUSHFIELD_CHILD_STEPS", "60")
            .output()
            .unwrap();
        let text = String::from_utf8_lossy(&process.stdout).into_owned();
        let said: Vec<String> = text.lines().filter_map(|l| l.strip_prefix("DONE ").map(str::to_owned)).collect();
        let refused: Vec<&str> = text.lines().filter(|l| l.starts_with("REFUSED")).collect();
        assert!(process.status.success(), "{text}");
        assert!(!refused.is_empty(), "nothing was too large at {blocks} blocks: {text}");
        holds(&dir, &said);
    }
}

#[test]
fn two_processes_at_once_interleave_whole_events() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    drop(Project::create(&dir).unwrap());
    let mut processes: Vec<_> =
        (1..=2).map(|seed| child(&dir, seed, "").env("HUSHFIELD_CHILD_STEPS", "15").spawn().unwrap()).collect();
    let said: Vec<String> = processes
        .iter_mut()
        .flat_map(|process| BufReader::new(process.stdout.take().unwrap()).lines().map_while(Result::ok))
        .filter_map(|l| l.strip_prefix("DONE ").map(str::to_owned))
        // Both write product.toml; whose text stands is not told by either alone.
        .filter(|l| !l.starts_with("product"))
        .collect();
    // Only when both have ended may nothing be under way any more.
    for process in &mut processes {
        assert!(process.wait().unwrap().success());
    }
    assert!(said.len() > 10, "{said:?}");
    holds(&dir, &said);
}

#[test]
fn a_source_that_is_cut_off_while_it_is_read_leaves_nothing() {
    struct Cut(u64);
    impl std::io::Read for Cut {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            if self.0 == 0 {
                return Err(std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "the stick was pulled"));
            }
            let n = (buffer.len() as u64).min(self.0) as usize;
            self.0 -= n as u64;
            buffer[..n].fill(9);
            Ok(n)
        }
    }
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    let project = Project::create(&dir).unwrap();
    for bytes in [0, 1, 1 << 20, 3_333_333] {
        let error = stage_reader(&dir, "r.bin", &mut Cut(bytes), 1 << 30, &mut unwatched).unwrap_err().to_string();
        assert!(error.contains("pulled"), "{error}");
    }
    let mut stop = |done: u64, _: u64| if done > 2 << 20 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) };
    assert!(matches!(stage_reader(&dir, "r.bin", &mut Cut(1 << 30), 1 << 30, &mut stop), Err(ProjectError::Cancelled)));
    assert_eq!(fs::read_dir(dir.join("captures")).unwrap().count(), 0);
    assert!(project.check().unwrap().iter().all(|f| f.severity < Severity::Error));
}

/// A ledger with rows short and long (a long one lies on pages of its own).
fn written(dir: &Path) -> Vec<(u64, String)> {
    let mut project = Project::create(dir).unwrap();
    for k in 0..60_u64 {
        match k % 5 {
            0 => project.add_note(None, &format!("{k} {}", "long ".repeat(40 * k as usize))).unwrap(),
            1 => {
                project.add_sample(NewSample { description: format!("sample {k}"), ..NewSample::default() }).unwrap();
            }
            _ => {
                project.add_run(NewRun::new(format!("run {k}"), RunKind::Other)).unwrap();
            }
        }
    }
    project.entries(0).unwrap().into_iter().map(|e| (e.id, e.hash)).collect()
}

/// What a damaged ledger still gives without recovery, where it opens at all.
fn opens(dir: &Path) -> Option<(Vec<(u64, String)>, bool)> {
    let project = Project::open(dir).ok()?;
    let entries = project.entries(0).ok()?.into_iter().map(|e| (e.id, e.hash)).collect();
    let sound = project.check().ok()?.iter().all(|f| f.severity < Severity::Error);
    Some((entries, sound))
}

#[test]
fn a_flipped_bit_is_recognised_and_costs_one_entry_at_most() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    let original = written(&dir);
    let path = dir.join("ledger.sqlite");
    let bytes = fs::read(&path).unwrap();
    let flips = times("HUSHFIELD_FLIPS", 60);
    let mut random = Random(7);
    let (mut unseen, mut touched) = (0, 0);
    for flip in 0..flips {
        let at = random.below(bytes.len() as u64) as usize;
        let mut damaged = bytes.clone();
        damaged[at] ^= 1 << random.below(8);
        fs::write(&path, &damaged).unwrap();
        match opens(&dir) {
            // A bit in unused space: nothing was changed, and nothing is said.
            Some((entries, true)) => {
                assert_eq!(entries, original, "flip {flip} at byte {at} changed the ledger unseen");
                unseen += 1;
            }
            _ => {
                let out = recover(&dir).unwrap_or_else(|e| panic!("flip {flip} at byte {at}: {e}"));
                assert!(out.doubtful.len() <= 2 && out.lost.len() <= 1, "flip {flip} at byte {at}: {out:?}");
                assert!(out.proven + 2 >= original.len(), "flip {flip} at byte {at}: {out:?}");
                assert_eq!(fs::read(&out.damaged_kept_as).unwrap(), damaged, "the damaged file is kept as it was");
                // It is a ledger again: it opens, and every proven entry is there as it was written.
                let (entries, _) =
                    opens(&dir).unwrap_or_else(|| panic!("flip {flip} at byte {at} does not open again"));
                let same = entries.iter().filter(|e| original.contains(e)).count();
                assert!(same >= out.proven, "flip {flip} at byte {at}: {same} of {}", out.proven);
                fs::remove_file(&out.damaged_kept_as).unwrap();
                touched += 1;
            }
        }
        let _ = fs::remove_file(dir.join("ledger.sqlite-journal"));
    }
    println!("{flips} flips: {unseen} in unused space, {touched} recognised and recovered");
    assert!(touched > 0);
}

#[test]
fn a_ledger_with_whole_pages_gone_gives_back_the_rest() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    let original = written(&dir);
    let path = dir.join("ledger.sqlite");
    let mut bytes = fs::read(&path).unwrap();
    // The header page with the tables' names, and one page of rows in the middle.
    bytes[..4096].fill(0);
    let middle = bytes.len() / 2 / 4096 * 4096;
    bytes[middle..middle + 4096].fill(0xff);
    fs::write(&path, &bytes).unwrap();
    assert!(opens(&dir).is_none_or(|(_, sound)| !sound));
    let out = recover(&dir).unwrap();
    assert!(out.proven >= original.len() / 2 && out.proven < original.len(), "{out:?}");
    assert_eq!(out.proven + out.doubtful.len() + out.lost.len(), original.len(), "{out:?}");
    let project = Project::open(&dir).unwrap();
    let last = project.entries(0).unwrap().pop().unwrap();
    assert!(matches!(&last.event, Event::Note(n) if n.text.contains("was recovered")), "{last:?}");
    let wrong = project.check().unwrap();
    assert!(wrong.iter().any(|f| f.what.contains("does not follow")), "the losses stay visible: {wrong:?}");

    fs::write(&path, vec![0; 8192]).unwrap();
    assert!(recover(&dir).unwrap_err().to_string().contains("no entry"));
}
