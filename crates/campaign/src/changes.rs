//! Kinds of changes of a product, and which tests each puts in doubt.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use standards::Phenomenon;

/// Where a change acts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// At the ports that the change names; at every port where it names none.
    Port,
    /// At every port.
    Everywhere,
}

/// Tests that a kind of change puts in doubt, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Touches {
    /// What is in doubt.
    pub phenomena: Vec<Phenomenon>,
    /// At which ports.
    #[serde(rename = "where")]
    pub reach: Reach,
    /// Why, as the end of a sentence.
    pub reason: String,
}

/// A kind of change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChangeKind {
    /// Short name, e.g. `filter`.
    pub id: String,
    /// What it comprises.
    pub title: String,
    /// Why a test that is not named below stays covered.
    pub leaves: String,
    /// What is in doubt.
    #[serde(default)]
    pub touches: Vec<Touches>,
}

#[derive(Deserialize)]
struct File {
    kind: Vec<ChangeKind>,
}

static KINDS: LazyLock<Vec<ChangeKind>> = LazyLock::new(|| {
    // Part of the program; a test reads it.
    let file: File = toml::from_str(include_str!("../data/changes.toml"))
        .unwrap_or_else(|error| panic!("built-in data on changes: {error}"));
    file.kind
});

/// The kinds of changes that the rules know. Common practice, from memory: no standard fixes which tests a change asks to
/// repeat, and whoever signs decides.
pub fn change_kinds() -> &'static [ChangeKind] {
    &KINDS
}

impl ChangeKind {
    /// The kind of this short name.
    pub fn find(id: &str) -> Option<&'static Self> {
        KINDS.iter().find(|k| k.id == id)
    }

    /// Why a change of this kind at these ports puts a test in doubt, or nothing where it does not.
    pub fn doubt(&self, ports: &[String], phenomenon: Phenomenon, port: &str) -> Option<&str> {
        self.touches
            .iter()
            .filter(|t| t.phenomena.contains(&phenomenon))
            .find(|t| t.reach == Reach::Everywhere || ports.is_empty() || ports.iter().any(|p| p == port))
            .map(|t| t.reason.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_data_is_whole() {
        let kinds = change_kinds();
        for kind in kinds {
            assert_eq!(kinds.iter().filter(|k| k.id == kind.id).count(), 1, "{} is there twice", kind.id);
            assert!(!kind.leaves.is_empty() && !kind.title.is_empty());
            for touches in &kind.touches {
                assert!(!touches.phenomena.is_empty() && !touches.reason.is_empty(), "{}", kind.id);
            }
        }
    }

    #[test]
    fn a_change_at_a_port_reaches_that_port() {
        let filter = ChangeKind::find("filter").unwrap();
        let at = ["mains".to_owned()];
        assert!(filter.doubt(&at, Phenomenon::ConductedDisturbance, "mains").is_some());
        assert!(filter.doubt(&at, Phenomenon::Burst, "sensors").is_none());
        assert!(filter.doubt(&[], Phenomenon::Burst, "sensors").is_some(), "no port named: every port");
        assert!(filter.doubt(&at, Phenomenon::RadiatedDisturbance, "enclosure").is_some(), "cables radiate");
        assert!(filter.doubt(&at, Phenomenon::VoltageDip, "mains").is_none());
        assert!(ChangeKind::find("marking").unwrap().touches.is_empty());
    }
}
