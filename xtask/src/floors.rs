//! One direction of dependency, checked: a room may use rooms of lower floors only.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// The floors, as drawn in `ARCHITECTURE.md`.
const FLOORS: [(&str, u8); 19] = [
    ("quantity", 0),
    ("signal", 1),
    ("circuit", 1),
    ("standards", 1),
    ("receiver", 2),
    ("mains", 2),
    ("immunity", 2),
    ("scenario", 2),
    ("emission", 3),
    ("campaign", 3),
    ("cause", 3),
    ("formats", 4),
    ("instrument", 4),
    ("remedy", 4),
    ("project", 5),
    ("report", 5),
    ("workbench", 6),
    ("app", 7),
    ("xtask", 8),
];

/// Rooms of ours that a manifest names under `[dependencies]`.
fn ours(manifest: &str) -> Vec<String> {
    let mut inside = false;
    let mut found = Vec::new();
    for line in manifest.lines() {
        if line.starts_with('[') {
            inside = line.trim() == "[dependencies]";
        } else if inside {
            let name = line.split(['.', '=', ' ']).next().unwrap_or_default();
            if FLOORS.iter().any(|(room, _)| *room == name) {
                found.push(name.to_owned());
            }
        }
    }
    found
}

pub(crate) fn check(root: &Path) -> Result<(), String> {
    let floors: BTreeMap<&str, u8> = FLOORS.into_iter().collect();
    let rooms = fs::read_dir(root.join("crates")).map_err(|e| format!("crates: {e}"))?;
    let mut wrong = Vec::new();
    for room in rooms.flatten() {
        let name = room.file_name().to_string_lossy().into_owned();
        let manifest = fs::read_to_string(room.path().join("Cargo.toml")).map_err(|e| format!("{name}: {e}"))?;
        let Some(own) = floors.get(name.as_str()) else {
            wrong.push(format!("crates/{name} stands on no floor: add it to xtask/src/floors.rs and ARCHITECTURE.md"));
            continue;
        };
        for below in ours(&manifest) {
            if floors[below.as_str()] >= *own {
                wrong.push(format!("crates/{name} (floor {own}) uses {below} (floor {})", floors[below.as_str()]));
            }
        }
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong.join("\n")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_dependencies_table_counts() {
        let manifest = "[package]\nname = \"x\"\n[dependencies]\nserde.workspace = true\nsignal.workspace = true\n[dev-dependencies]\napp.workspace = true\n";
        assert_eq!(ours(manifest), ["signal"]);
    }
}
