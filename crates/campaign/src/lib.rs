//! What applies to a product and why, and the laboratory days that show it.
//!
//! [`plan`] holds a product's answers against the rule base of [`standards::RuleBase`]: every test with the answers and
//! the clause that brought it in, every row left out with the answer that leaves it out, and what is still to be
//! answered, the question that moves most first. [`difference`] shows what one changed answer does. [`duration`] computes
//! how long a test takes from its method, and [`days`] lays the tests into a laboratory's days at least cost (see
//! [`solve`]).
//!
//! This room opens no files and knows no screens.

mod answers;
mod beside;
mod bring;
mod calendar;
mod changes;
mod days;
mod design;
mod duration;
mod fields;
mod jobs;
pub mod matrix;
mod paper;
mod plan;
mod ready;
mod rig;
mod sheets;
pub mod solve;
mod stimuli;
pub mod technical_file;
mod timetable;

pub use answers::{Answers, PortAnswers, Question};
pub use beside::{Beside, BesideError, BesideRow, Harder, beside};
pub use calendar::{Date, clock, csv, icalendar};
pub use changes::{ChangeKind, Reach, Touches, change_kinds};
pub use days::{
    Bring, DayEntry, DayResult, Days, DaysError, Decision, EntryKind, LabDay, Now, PlannedJob, Request, days,
};
pub use design::{
    Design, DischargeState, EarthLimit, FilterDesign, Finding, MainsDesign, NetworkDesign, ScreenDesign, Weight, Where,
};
pub use duration::{Duration, Pace, Part, duration, steps};
pub use fields::{AnswerError, AnswerField};
pub use plan::{
    Difference, OmittedStandard, OmittedTest, OpenQuestion, Plan, PlannedStandard, PlannedTest, difference, plan,
};
pub use ready::{BenchFirst, Likely, Ready, RunSays, ready};
pub use rig::{Laboratory, LaboratoryError, Rig, order_class};
pub use sheets::{
    Protector, RunSheet, SampleOrder, SamplePlace, SheetFacts, SheetTest, SheetWishes, SheetsError, Stand, Wear,
    run_sheets, sample_order,
};
pub use stimuli::USUAL_BOX_M;
