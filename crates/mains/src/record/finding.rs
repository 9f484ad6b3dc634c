use serde::{Deserialize, Serialize};

/// What can be wrong with, or has to be said of, a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FindingKind {
    /// The voltage channel was driven to its end.
    ClippedVoltage,
    /// The current channel was driven to its end.
    ClippedCurrent,
    /// The voltage has a size that no public mains has: a wrong probe scale.
    ImplausibleVoltage,
    /// The current has a size that no product on these limits has.
    ImplausibleCurrent,
    /// Power flows out of the product: one probe is the wrong way round.
    ReversedPolarity,
    /// The voltage was away for half a cycle or more.
    MissingCycles,
    /// The phase of the mains jumps: samples are missing, or the supply switched.
    PhaseJump,
    /// The record is shorter than the standard's observation.
    ShortRecord,
    /// The supply is not what the standard asks of a test source.
    UnsuitableSupply,
    /// The supply is a public mains, not a test source.
    OrdinarySocket,
    /// No voltage was recorded, so that supply and power are unknown.
    NoVoltage,
    /// The equipment belongs in another class or under another standard.
    OtherRules,
    /// A quantity that the rules need was taken from somewhere else than the user may think.
    Assumption,
}

/// One thing found in a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What kind.
    pub kind: FindingKind,
    /// In a sentence, with numbers.
    pub text: String,
    /// When, s from the first frame, where it has a place.
    pub at_s: Option<f64>,
    /// True where the result cannot be relied on until it is put right.
    pub spoils_result: bool,
}

impl Finding {
    /// A finding that leaves the result standing.
    pub fn remark(kind: FindingKind, text: impl Into<String>) -> Self {
        Self { kind, text: text.into(), at_s: None, spoils_result: false }
    }

    /// A finding that spoils the result.
    pub fn fault(kind: FindingKind, text: impl Into<String>) -> Self {
        Self { kind, text: text.into(), at_s: None, spoils_result: true }
    }

    /// With the time it happened at, s.
    pub fn at(mut self, at_s: f64) -> Self {
        self.at_s = Some(at_s);
        self
    }
}
