//! In which order do the stages run, from a session's folder to its results?
//!
//! [`calibrate_session`]: calibration photos to `wall.json`. [`run_session`]: volley photos to shots, volleys, study and
//! report; [`write_results`] puts them on the disk, whole or not at all. Nothing is ever written into `photos/` or `calibration/`.

pub mod again;
pub mod calibrate;
pub mod compare;
pub mod crowd;
pub mod day;
pub mod decide;
pub mod inputs;
pub mod judge;
pub mod looks;
pub mod measure;
pub mod measured;
pub mod outcome;
pub mod pictures;
pub mod plan;
pub mod plan_text;
pub mod run;
pub mod speeds;
pub mod summary;

pub use calibrate::{calibrate_session, read_wall, write_wall};
pub use day::Day;
pub use outcome::{Outcome, write_results};
pub use run::run_session;

/// Takes a line of progress; called from one thread at a time.
pub type Progress<'a> = &'a (dyn Fn(&str) + Sync);
