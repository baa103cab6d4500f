//! `pockmark run SESSION`

use std::path::{Path, PathBuf};

use pockmark::camera::Wall;
use pockmark::pipeline::{Outcome, later_numbers, read_wall, run_and_keep, wall_path, write_results};
use pockmark::session::pairing::list_photos;
use pockmark::session::results::Status;
use pockmark::session::{Session, VolleyResult};
use pockmark::{Error, Result};

use super::{Ended, calibrate, progress, say};

/// From the photos of the volleys to release angles, study and report
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark run garage\nReads photos/, volleys.csv and wall.json (made first by `pockmark calibrate` when it is missing);\nwrites results/shots.csv, volleys.csv, summary.json and report.html.\n\n  pockmark run garage --keep-pictures\nShows every decision as a picture in results/pictures/."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// Check every mean by Monte Carlo (JCGM 101): both intervals go into summary.json
    #[arg(long)]
    monte_carlo: bool,
    /// Write results/pictures/: for each volley the photo before and after, what changed, and what was fitted, side by side
    #[arg(long)]
    keep_pictures: bool,
    /// Write JSON (the content of summary.json)
    #[arg(long)]
    json: bool,
}

/// One line a volley.
fn line(v: &VolleyResult) -> String {
    let angle = match (v.mean_release_deg, v.mean_release_u_deg) {
        // A value that rounds to nothing has no sign.
        (Some(a), Some(u)) => format!("{:6.2} ± {:.2} deg", if a.abs() < 0.005 { 0.0 } else { a }, 2.0 * u),
        _ => "    -".into(),
    };
    let mut t = format!("  {:<12} {:<6} {} of {}  {angle}", v.volley, v.status.word(), v.found, v.shots);
    if !v.note.is_empty() {
        t += &format!("  {}", v.note);
    }
    t + "\n"
}

/// Everything that a person wants to know of a run.
pub fn describe(o: &Outcome, written: &[PathBuf]) -> String {
    let mut t = "volley       status found   release angle (± at 95 %, shared doubt included)\n".to_string();
    for v in &o.volleys {
        t += &line(v);
    }
    if let Some(s) = &o.summary.study {
        for l in &s.ladders {
            t += &format!("{}\n", l.sentence);
        }
        for c in &s.comparisons {
            t += &format!("{}\n", c.overall.sentence);
        }
    }
    for c in &o.summary.linear_checks {
        t += &format!("{}\n", c.sentence);
    }
    if let Some(p) = &o.summary.study_problem {
        t += &format!("no study: {p}\n");
    }
    let count = |s: Status| o.volleys.iter().filter(|v| v.status == s).count();
    t += &format!("{} ok, {} to look at, {} failed\n", count(Status::Ok), count(Status::Look), count(Status::Failed));
    for p in written {
        t += &format!("wrote {}\n", p.display());
    }
    t
}

/// How a run ends.
pub fn ended(o: &Outcome) -> Ended {
    if o.all_failed() {
        Ended::Failed
    } else if o.all_ok() {
        Ended::Good
    } else {
        Ended::NeedsLook
    }
}

/// The first calibration, with all of them made that were not yet.
pub fn calibrated(session: &Session, known: Option<Wall>) -> Result<Wall> {
    let wall = match known {
        Some(wall) => wall,
        None => {
            progress("no wall.json yet: calibrating first");
            calibrate::calibrate(session)?.0
        }
    };
    for number in later_numbers(session) {
        if !wall_path(session, number).exists() {
            progress(&format!("no wall-{number}.json yet: calibrating again"));
            calibrate::again(session, number, &wall)?;
        }
    }
    Ok(wall)
}

/// Runs a session's folder: calibrates first when there is no wall.json.
pub fn run_folder(dir: &Path, monte_carlo: bool, pictures: bool) -> Result<(Outcome, Vec<PathBuf>)> {
    let session = Session::open(dir)?;
    if session.volleys.rows.iter().all(|r| r.shots == 0) {
        return Err(Error::input(format!(
            "{}: no row has shots: write one row a volley, with its speed",
            session.paths.volleys_csv().display()
        )));
    }
    let known = if session.paths.wall_json().exists() { Some(read_wall(&session)?) } else { None };
    // A wrong count of photos shows before a minute of calibrating does, but not before there is anything to calibrate with.
    if known.is_some() || list_photos(&session.paths.calibration()).is_ok_and(|f| !f.photos.is_empty()) {
        session.pair_photos()?;
    }
    let wall = calibrated(&session, known)?;
    let mut outcome = run_and_keep(&session, &wall, pictures, &progress)?;
    if monte_carlo {
        outcome.check_linear(&progress);
    }
    let written = write_results(&session, &outcome)?;
    Ok((outcome, written))
}

pub fn run(args: &Args) -> Result<Ended> {
    let (outcome, written) = run_folder(&args.session, args.monte_carlo, args.keep_pictures)?;
    if args.json {
        let text = serde_json::to_string_pretty(&outcome.summary)
            .map_err(|e| Error::no_answer(format!("the results hold a value that JSON cannot ({e})")))?;
        say(&(text + "\n"))?;
    } else {
        say(&describe(&outcome, &written))?;
    }
    Ok(ended(&outcome))
}
