//! In which order do the stages run, from a session's folder to its results?
//!
//! [`calibrate_session`]: calibration photos to `wall.json`. [`run_session`]: volley photos to shots, volleys, study and
//! report; [`solve_session`] does the same from impacts measured by hand; [`write_results`] puts them on the disk, whole or not at all. Nothing is ever written into `photos/` or `calibration/`.

pub mod again;
pub mod behind;
pub mod budget;
pub mod calibrate;
pub mod compare;
mod crops;
pub mod crowd;
pub mod day;
pub mod decide;
pub mod decision;
mod doubtful;
pub mod expect;
pub mod grid;
pub mod inputs;
pub mod judge;
pub mod kept;
pub mod known;
pub mod linear;
pub mod looks;
pub mod made_with;
mod matched;
pub mod measure;
pub mod measured;
mod other_side;
pub mod outcome;
pub mod page;
mod passing;
pub mod pictures;
pub mod place;
pub mod plan;
pub mod plan_text;
pub mod rebuild;
pub mod recalibrated;
pub mod review;
pub mod run;
pub mod settle;
pub mod shelf;
pub mod solve;
pub mod speeds;
pub mod stowed;
mod stray;
pub mod summary;
mod twice;
pub mod unchanged;
pub mod used;
pub mod veil;
pub mod watch;
pub mod zero;

pub use calibrate::{calibrate_again, calibrate_session, read_wall, wall_path, write_wall};
pub use day::Day;
pub use kept::Kept;
pub use known::Known;
pub use outcome::{Outcome, write_results, write_results_as};
pub use rebuild::{locked_summary, out_of_date, read_summary, rebuild_report, write_charts};
pub use recalibrated::later_numbers;
pub use run::{run_part, run_session, run_session_keeping};
pub use shelf::{Shelf, read_shelf};
pub use solve::solve_session;

/// Takes a line of progress; called from one thread at a time.
pub type Progress<'a> = &'a (dyn Fn(&str) + Sync);
