//! Emission surveys: several sweeps or channels of one product laid over each other.
//!
//! The maths is in `emission`; here files and runs are found, read, and put in order for it.

mod modes;
mod site_file;
mod sweeps;
mod timing;

pub use modes::{ChannelDoubt, ModeTrace, Modes, measure_modes};
pub use site_file::read_site;
pub use sweeps::{
    AmbientOfRuns, AnglesOfRuns, ConductorGroup, RunFilter, Swept, ambient_of_runs, angles_of_runs, conductors_of_runs,
    swept_runs,
};
pub use timing::{SurveyOfRun, rhythm_of, survey_of_run};
