//! `pockmark demo [DIR]`

use std::path::PathBuf;

use pockmark::render::scenario::Scenario;
use pockmark::session::Session;
use pockmark::session::write::leave_photos_alone;
use pockmark::{Error, Result};

use super::{Ended, calibrate, progress, run, say};

/// Make a small session of an invented machine and take it all the way
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark demo demo\nRenders photos (nothing in it is real), then runs calibrate and run on them."
)]
pub struct Args {
    /// Folder for the session; must not exist yet, or be empty
    #[arg(default_value = "demo")]
    dir: PathBuf,
    /// Another seed gives another day
    #[arg(long, default_value_t = 7, allow_negative_numbers = true, value_parser = super::whole_number::<u64>)]
    seed: u64,
}

pub fn run(args: &Args) -> Result<Ended> {
    let occupied = args.dir.read_dir().is_ok_and(|mut d| d.next().is_some());
    if occupied {
        return Err(Error::usage(format!(
            "{} exists and is not empty: name another folder, or remove it",
            args.dir.display()
        )));
    }
    leave_photos_alone(&args.dir, &args.dir)?;
    let scenario = Scenario::demo(args.seed);
    progress("rendering an invented day");
    scenario.write_flown(&args.dir)?;
    let session = Session::open(&args.dir)?;
    let (wall, calibration, path) = calibrate::calibrate(&session)?;
    say(&calibrate::describe(&wall, &calibration, &path))?;
    let (outcome, written) = run::run_folder(&args.dir)?;
    say(&run::describe(&outcome, &written))?;
    say(&format!(
        "open:\n  {}  the report\n  {}  every mark in a table\n  {}  the session as a person would fill it in\n  {}  what is true, for comparison\n",
        args.dir.join("results").join("report.html").display(),
        args.dir.join("results").join("shots.csv").display(),
        args.dir.join("session.toml").display(),
        args.dir.join("truth.json").display()
    ))?;
    // Invented marks overlap like real ones: something to look at is part of the demo, not a failure.
    Ok(if outcome.all_failed() { Ended::Failed } else { Ended::Good })
}
