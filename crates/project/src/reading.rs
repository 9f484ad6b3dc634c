//! Readings taken by hand: a probe held at a place of the product, a clamp on a cable.

use jiff::Timestamp;
use quantity::Unit;
use serde::{Deserialize, Serialize};

use crate::{Project, ProjectError};

/// What the reading was taken with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HandProbe {
    /// A loop, for the magnetic field near a conductor.
    Magnetic,
    /// A stub or ball, for the electric field near a node.
    Electric,
    /// A current clamp round a cable.
    Clamp,
    /// Something else; the remark says what.
    Other,
}

impl HandProbe {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Magnetic => "magnetic probe",
            Self::Electric => "electric probe",
            Self::Clamp => "current clamp",
            Self::Other => "other probe",
        }
    }
}

/// A place on a picture of the product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spot {
    /// Id of the capture that is the photograph or drawing.
    pub photo: String,
    /// From its left edge, 0 to 1.
    pub x: f64,
    /// From its top edge, 0 to 1.
    pub y: f64,
}

/// A reading taken by hand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HandReading {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level in `unit`.
    pub level_db: f64,
    /// Unit of the level.
    pub unit: Unit,
    /// What it was taken with.
    pub probe: HandProbe,
    /// Where on a picture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spot: Option<Spot>,
    /// The cable (port id) that a clamp was round.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cable: Option<String>,
    /// Distance between the probe's mark and the surface, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_m: Option<f64>,
    /// How the probe was turned, degrees against the picture's horizontal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub orientation_deg: Option<f64>,
    /// The run that the level was taken from, or to whose emission it belongs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
    /// What else was seen.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remark: String,
}

/// A reading is taken back; it stays in the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadingWithdrawal {
    /// Entry of the ledger that holds the reading.
    pub entry: u64,
    /// Why.
    pub reason: String,
}

/// A reading as it stands in the ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptReading {
    /// Entry of the ledger.
    pub entry: u64,
    /// When it was entered.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
    /// The reading.
    #[serde(flatten)]
    pub reading: HandReading,
    /// Why it no longer counts, where it was taken back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub withdrawn: Option<String>,
}

fn number(what: &str, value: f64, holds: bool, expected: &str) -> Result<(), ProjectError> {
    if value.is_finite() && holds { Ok(()) } else { Err(ProjectError::value(what, value.to_string(), expected)) }
}

impl Project {
    /// Enters a reading taken by hand and gives its entry in the ledger.
    pub fn add_reading(&mut self, reading: HandReading) -> Result<u64, ProjectError> {
        number("frequency_hz", reading.frequency_hz, reading.frequency_hz > 0.0, "a number above 0, in Hz")?;
        number("level_db", reading.level_db, true, "a finite number, in dB")?;
        if let Some(d) = reading.distance_m {
            number("distance_m", d, d >= 0.0, "0 or a number above, in m")?;
        }
        if let Some(o) = reading.orientation_deg {
            number("orientation_deg", o, true, "a finite number, in degrees")?;
        }
        if let Some(spot) = &reading.spot {
            number("x", spot.x, (0.0..=1.0).contains(&spot.x), "0 (left edge) to 1 (right edge)")?;
            number("y", spot.y, (0.0..=1.0).contains(&spot.y), "0 (top edge) to 1 (bottom edge)")?;
        }
        self.append_reading(reading)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading() -> HandReading {
        HandReading {
            frequency_hz: 18.4e6,
            level_db: 61.5,
            unit: Unit::DbUv,
            probe: HandProbe::Magnetic,
            spot: None,
            cable: None,
            distance_m: Some(0.01),
            orientation_deg: Some(90.0),
            run: None,
            remark: String::new(),
        }
    }

    #[test]
    fn readings_are_kept_and_can_be_taken_back() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut project = Project::create(&dir.path().join("p")).expect("a project");
        let photo = project.import_bytes("board.png", b"\x89PNG").expect("kept").id;
        let spot = |x| Some(Spot { photo: photo.clone(), x, y: 0.5 });
        let first = project.add_reading(HandReading { spot: spot(0.2), ..reading() }).expect("a place");
        let second =
            project.add_reading(HandReading { spot: spot(0.8), level_db: 70.0, ..reading() }).expect("a place");
        assert!(second > first);
        project.withdraw_reading(first, "the probe lay on the wrong board").expect("it counts");
        let kept = project.readings().expect("read");
        assert_eq!(
            kept.iter().map(|k| (k.entry, k.withdrawn.is_some())).collect::<Vec<_>>(),
            [(first, true), (second, false)]
        );
        assert!(project.withdraw_reading(first, "again").is_err(), "taken back once only");
        assert!(project.withdraw_reading(999, "no such entry").is_err());
        let check = project.check().expect("checked");
        assert!(!check.iter().any(|f| f.severity == crate::Severity::Error), "{check:?}");
    }

    #[test]
    fn what_cannot_be_is_refused_with_the_field() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut project = Project::create(&dir.path().join("p")).expect("a project");
        let photo = project.import_bytes("board.png", b"\x89PNG").expect("kept").id;
        let outside = HandReading { spot: Some(Spot { photo, x: 1.2, y: 0.5 }), ..reading() };
        let unknown = HandReading { spot: Some(Spot { photo: "nothing".into(), x: 0.2, y: 0.5 }), ..reading() };
        let silent = HandReading { level_db: f64::NAN, ..reading() };
        for (wrong, field) in [(outside, "x"), (unknown, "photo"), (silent, "level_db")] {
            let said = project.add_reading(wrong).expect_err("refused").to_string();
            assert!(said.contains(field), "{said}");
        }
    }
}
