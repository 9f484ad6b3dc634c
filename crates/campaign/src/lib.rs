//! What applies to a product and why, and the laboratory days that show it.
//!
//! [`plan`] holds a product's answers against the rule base of [`standards::RuleBase`]: every test with the answers and
//! the clause that brought it in, every row left out with the answer that leaves it out, and what is still to be
//! answered, the question that moves most first. [`difference`] shows what one changed answer does.
//!
//! This room opens no files and knows no screens.

mod answers;
mod duration;
mod plan;

pub use answers::{Answers, PortAnswers, Question};
pub use duration::{Duration, Pace, Part, duration, steps};
pub use plan::{
    Difference, OmittedStandard, OmittedTest, OpenQuestion, Plan, PlannedStandard, PlannedTest, difference, plan,
};
