//! A project leaves as one file and comes in elsewhere bit for bit, or not at all.

use std::collections::BTreeMap;
use std::fs;
use std::ops::ControlFlow;
use std::path::Path;

use project::{NewRun, Project, ProjectError, RunKind, export_archive, import_archive, unwatched};

fn sample(dir: &Path) -> Project {
    let mut project = Project::create(dir).unwrap();
    let capture = project.import_bytes("sweep.csv", b"frequency_hz,level_dbuv\n150000,40\n").unwrap();
    let mut run = NewRun::new("first", RunKind::Other);
    run.captures =
        vec![project::CaptureUse { capture: capture.id, role: "sweep".to_owned(), choices: serde_json::Value::Null }];
    project.add_run(run).unwrap();
    fs::create_dir(dir.join("budgets")).unwrap();
    fs::write(dir.join("budgets/bench with ö.toml"), "note = 1\n").unwrap();
    // A path longer than the hundred bytes of an old header.
    fs::create_dir_all(dir.join(format!("reports/{}", "long/".repeat(30)))).unwrap();
    fs::write(dir.join(format!("reports/{}x.pdf", "long/".repeat(30))), vec![7; 3000]).unwrap();
    fs::write(project.derived_dir().unwrap().join("trace.csv"), "derived").unwrap();
    fs::write(dir.join(".hidden"), "not ours").unwrap();
    project
}

fn content(dir: &Path) -> BTreeMap<String, Vec<u8>> {
    fn walk(dir: &Path, prefix: &str, into: &mut BTreeMap<String, Vec<u8>>) {
        for entry in fs::read_dir(dir).unwrap().flatten() {
            let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
            if entry.path().is_dir() {
                walk(&entry.path(), &format!("{name}/"), into);
            } else {
                into.insert(name, fs::read(entry.path()).unwrap());
            }
        }
    }
    let mut all = BTreeMap::new();
    walk(dir, "", &mut all);
    all.retain(|name, _| !name.starts_with("derived/") && !name.starts_with('.'));
    all
}

#[test]
fn bit_for_bit_and_the_same_archive_every_time() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    let project = sample(&dir);
    let (one, two) = (room.path().join("one.tar"), room.path().join("two.tar"));
    let out = export_archive(&project, &one, &mut unwatched).unwrap();
    assert_eq!(out.left_out, [".hidden", "derived"]);
    export_archive(&project, &two, &mut unwatched).unwrap();
    assert_eq!(fs::read(&one).unwrap(), fs::read(&two).unwrap());

    let elsewhere = room.path().join("elsewhere");
    let back = import_archive(&one, &elsewhere, &mut unwatched).unwrap();
    assert_eq!((back.files, back.bytes, &back.blake3), (out.files, out.bytes, &out.blake3));
    assert_eq!(content(&elsewhere), content(&dir));
    let opened = Project::open(&elsewhere).unwrap();
    assert_eq!(opened.seal().unwrap(), project.seal().unwrap());
    assert!(opened.check().unwrap().iter().all(|f| f.severity < project::Severity::Error));
    // And out again: still the same.
    export_archive(&opened, &two, &mut unwatched).unwrap();
    assert_eq!(fs::read(&one).unwrap(), fs::read(&two).unwrap());

    assert!(matches!(import_archive(&one, &elsewhere, &mut unwatched), Err(ProjectError::NotEmpty { .. })));
    let inside = export_archive(&project, &dir.join("reports/x.tar"), &mut unwatched).unwrap_err().to_string();
    assert!(inside.contains("inside the project"), "{inside}");
}

#[test]
fn a_cut_or_changed_archive_leaves_nothing_behind() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    let project = sample(&dir);
    let whole = room.path().join("whole.tar");
    export_archive(&project, &whole, &mut unwatched).unwrap();
    let bytes = fs::read(&whole).unwrap();
    let sums_at = bytes.windows(18).rposition(|w| w == b"project/b3sums.txt").unwrap();
    let original = content(&dir);
    let bad = room.path().join("bad.tar");
    let target = room.path().join("target");
    let mut random = signal_like(41);
    for k in 0..60 {
        let mut broken = bytes.clone();
        let cut = k % 2 == 0;
        if cut {
            // Up to the list of hashes; behind it only the zeros that end a tar could be missing.
            broken.truncate(random() as usize % sums_at);
        } else {
            let at = random() as usize % broken.len();
            broken[at] ^= 1 << (random() % 8);
        }
        fs::write(&bad, &broken).unwrap();
        match import_archive(&bad, &target, &mut unwatched) {
            Err(e) => assert!(e.to_string().contains("bad.tar"), "{e}"),
            Ok(_) => {
                // A flipped bit in padding or in a date that nobody reads changes nothing.
                assert!(!cut);
                assert_eq!(content(&target), original);
                fs::remove_dir_all(&target).unwrap();
            }
        }
        assert!(!target.exists());
    }
    let left: Vec<_> = fs::read_dir(room.path()).unwrap().flatten().map(|e| e.file_name()).collect();
    assert_eq!(left.len(), 3, "{left:?}");
}

/// Any generator with a seed will do here.
fn signal_like(seed: u64) -> impl FnMut() -> u64 {
    let mut x = seed;
    move || {
        x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        x >> 33
    }
}

#[test]
fn stopped_work_leaves_nothing() {
    let room = tempfile::tempdir().unwrap();
    let dir = room.path().join("p");
    let mut project = sample(&dir);
    project.import_bytes("large.bin", &vec![3; 5 << 20]).unwrap();
    let stop = |done: u64, _: u64| if done > 2 << 20 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) };
    let out = room.path().join("x.tar");
    assert!(matches!(export_archive(&project, &out, &mut { stop }), Err(ProjectError::Cancelled)));
    assert!(!out.exists());
    export_archive(&project, &out, &mut unwatched).unwrap();
    let target = room.path().join("t");
    assert!(matches!(import_archive(&out, &target, &mut { stop }), Err(ProjectError::Cancelled)));
    let mut left: Vec<_> = fs::read_dir(room.path()).unwrap().flatten().map(|e| e.file_name()).collect();
    left.sort();
    assert_eq!(left, ["p", "x.tar"]);
}

#[test]
fn hostile_names_are_refused() {
    let room = tempfile::tempdir().unwrap();
    let target = room.path().join("t");
    let bad = room.path().join("bad.tar");
    let attempt = |entries: &[(&str, tar::EntryType)]| {
        let mut builder = tar::Builder::new(Vec::new());
        for (name, kind) in entries {
            let mut header = tar::Header::new_gnu();
            header.set_size(1);
            header.set_mode(0o644);
            header.set_entry_type(*kind);
            // Past the checks of the library that writes.
            header.as_mut_bytes()[..name.len()].copy_from_slice(name.as_bytes());
            header.set_cksum();
            builder.append(&header, &b"x"[..]).unwrap();
        }
        fs::write(&bad, builder.into_inner().unwrap()).unwrap();
        import_archive(&bad, &target, &mut unwatched).unwrap_err().to_string()
    };
    use tar::EntryType::{GNUSparse, Link, Regular, Symlink};
    for name in [
        "project/../../evil",
        "/etc/evil",
        "project//evil",
        "project/.ssh",
        "evil",
        "project/a\\b",
        "project/C:x",
        "project",
        "project/",
        "projectx/evil",
    ] {
        let said = attempt(&[(name, Regular)]);
        assert!(said.contains("outside the project"), "{name}: {said}");
    }
    for kind in [Symlink, Link, GNUSparse] {
        let said = attempt(&[("project/a", kind)]);
        assert!(said.contains("not a plain file") || said.contains("cannot be read"), "{kind:?}: {said}");
    }
    assert!(attempt(&[("project/a", Regular), ("project/a", Regular)]).contains("twice"));
    assert!(attempt(&[("project/a", Regular)]).contains("cut short"));
    assert!(!target.exists());
}
