//! The published limits and rules as data.
//!
//! Every row carries its standard, edition, table and source, and says whether it was *seen* in public material or is
//! known *from memory* and must be checked against the bought standard. This room parses text it is given; it opens no
//! files and knows no projects. The embedded library is [`LimitLibrary::embedded`]; a user's own rows in the same shape
//! are added with [`LimitLibrary::add_toml`].

mod band;
mod budget;
mod library;
mod limit;
mod rules;
mod uncertainty;
mod upper;

pub use band::{Band, Detector};
pub use budget::{
    Budget, BudgetContribution, BudgetError, BudgetPlace, Correlation, Distribution, example_budgets, read_budgets,
};
pub use library::{LimitLibrary, LimitSearch};
pub use limit::{Known, Limit, LimitError, Port};
pub use rules::{Condition, Confidence, Family, LevelFigure, Phenomenon, Place, RuleBase, RuleRow, Side, Standard};
pub use uncertainty::{MeasurementKind, PublishedUncertainty};
pub use upper::UpperFrequency;
