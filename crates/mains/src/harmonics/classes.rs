use serde::{Deserialize, Serialize};

use super::judge::{Class, Exemption};

/// A question the standard asks to find the class. All are answered with yes or no.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClassQuestion {
    /// More than 16 A per phase?
    Above16A,
    /// Balanced three-phase?
    Balanced,
    /// Lighting?
    Lighting,
    /// An independent dimmer by phase control?
    Dimmer,
    /// A stage or studio luminaire, or one for emergencies only?
    StageOrEmergency,
    /// A tool carried in the hand, or arc welding that is not professional?
    PortableTool,
    /// Computer, monitor, television receiver, refrigerator or freezer with a variable-speed drive?
    ClassDKind,
    /// Specified power up to 600 W?
    UpTo600W,
    /// Professional with more than 1 kW in all?
    Professional,
}

impl ClassQuestion {
    /// The question in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Above16A => "Does it draw more than 16 A per phase?",
            Self::Balanced => "Is it balanced three-phase equipment?",
            Self::Lighting => "Is it lighting equipment (a lamp, a luminaire, a radiator for UV or infrared light)?",
            Self::Dimmer => "Is it a dimmer by phase control that stands on its own?",
            Self::StageOrEmergency => "Is it a luminaire for stage or studio, or one that lights in emergencies only?",
            Self::PortableTool => {
                "Is it a tool carried in the hand and used for a few minutes at a time, or arc welding equipment that is \
                 not professional?"
            }
            Self::ClassDKind => {
                "Is it a personal computer or its monitor, a television receiver, or a refrigerator or freezer with a \
                 variable-speed drive?"
            }
            Self::UpTo600W => "Is its specified power 600 W or less?",
            Self::Professional => "Is it professional equipment, not sold to the public, with more than 1 kW in all?",
        }
    }
}

/// Where the questions lead.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum ClassAnswer {
    /// This question is open.
    Ask {
        /// Which.
        question: ClassQuestion,
    },
    /// The class, and an exemption that may hold.
    Class {
        /// The class.
        class: Class,
        /// An exemption.
        exemption: Option<Exemption>,
    },
    /// IEC 61000-3-12 applies.
    Large,
}

/// Follows the answers so far. An external power supply takes the class of what it feeds; a wave shape does not decide.
pub fn classify(answers: &[(ClassQuestion, bool)]) -> ClassAnswer {
    use ClassQuestion as Q;
    let said = |q: Q| answers.iter().rev().find(|a| a.0 == q).map(|a| a.1);
    macro_rules! ask {
        ($q:expr) => {
            match said($q) {
                Some(answer) => answer,
                None => return ClassAnswer::Ask { question: $q },
            }
        };
    }
    let class = |class| ClassAnswer::Class { class, exemption: None };
    if ask!(Q::Above16A) {
        return ClassAnswer::Large;
    }
    if ask!(Q::Professional) {
        return ClassAnswer::Class { class: Class::A, exemption: Some(Exemption::Professional) };
    }
    if ask!(Q::Balanced) {
        return class(Class::A);
    }
    if ask!(Q::Dimmer) {
        return ClassAnswer::Class { class: Class::A, exemption: Some(Exemption::Dimmer) };
    }
    if ask!(Q::Lighting) {
        return class(if ask!(Q::StageOrEmergency) { Class::A } else { Class::C });
    }
    if ask!(Q::PortableTool) {
        return class(Class::B);
    }
    if ask!(Q::ClassDKind) && ask!(Q::UpTo600W) {
        return class(Class::D);
    }
    class(Class::A)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_questions_lead_to_the_classes() {
        use ClassQuestion as Q;
        // Answers all questions with no, apart from those listed.
        let walk = |yes: &[Q]| {
            let mut answers = Vec::new();
            loop {
                match classify(&answers) {
                    ClassAnswer::Ask { question } => answers.push((question, yes.contains(&question))),
                    end => break end,
                }
            }
        };
        let class = |class| ClassAnswer::Class { class, exemption: None };
        assert_eq!(walk(&[]), class(Class::A));
        assert_eq!(walk(&[Q::Above16A]), ClassAnswer::Large);
        assert_eq!(walk(&[Q::Lighting]), class(Class::C));
        assert_eq!(walk(&[Q::Lighting, Q::StageOrEmergency]), class(Class::A));
        assert_eq!(walk(&[Q::PortableTool]), class(Class::B));
        assert_eq!(walk(&[Q::ClassDKind, Q::UpTo600W]), class(Class::D));
        assert_eq!(walk(&[Q::ClassDKind]), class(Class::A));
    }
}
