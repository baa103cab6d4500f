//! `pockmark run SESSION`

use std::path::{Path, PathBuf};
use std::sync::Arc;

use pockmark::camera::Wall;
use pockmark::error::typed;
use pockmark::pipeline::unchanged::{StillHolds, inputs, note_run, still_holds};
use pockmark::pipeline::{
    Kept, Outcome, later_numbers, read_wall, run_part, run_session_keeping, wall_path, write_results_as,
};
use pockmark::report::Summary;
use pockmark::session::lock::{SessionLock, Work};
use pockmark::session::pairing::list_photos;
use pockmark::session::results::Status;
use pockmark::session::{Session, SessionPaths, VolleyResult};
use pockmark::{Error, Result};

use super::{Ended, calibrate, progress, say};

/// From the photos of the volleys to release angles, study and report
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark run garage\nReads photos/, volleys.csv and wall.json (made first by `pockmark calibrate` when it is missing); writes results/shots.csv, volleys.csv, summary.json and report.html. What did not change since the last run is not looked at again.\n\n  pockmark run garage --keep-pictures\nshows every decision as a picture in results/pictures/.\n\nA big session on many machines, each with the folder: every one looks at a part, the last run puts them together:\n  pockmark run garage --volleys 1..200\n  pockmark run garage --volleys 201..400\n  pockmark run garage"
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// Check every mean by Monte Carlo (JCGM 101): both intervals go into summary.json
    #[arg(long)]
    monte_carlo: bool,
    /// Write results/pictures/: for each volley the photo before and after, what changed, and what was fitted, side by side; a run without it removes them when it writes other results
    #[arg(long)]
    keep_pictures: bool,
    /// Write JSON (the content of summary.json)
    #[arg(long)]
    json: bool,
    /// Write the tables as Parquet too: results/shots.parquet, volleys.parquet
    #[arg(long)]
    parquet: bool,
    /// Look at everything again, also at what did not change
    #[arg(long)]
    anew: bool,
    /// Only look at these volleys (those with shots, counted from 1) and keep what is found for the run of the whole
    #[arg(long, value_name = "FROM..TO", value_parser = part, conflicts_with_all = ["json", "parquet", "monte_carlo", "keep_pictures"])]
    volleys: Option<(usize, usize)>,
}

/// `1..200`, both included; `7` is one volley, `201..` all from there on.
fn part(text: &str) -> std::result::Result<(usize, usize), String> {
    let wrong = || "write the first and the last volley, such as 1..200".to_string();
    let number = |t: &str| t.trim().parse::<usize>().ok().filter(|n| *n > 0).ok_or_else(wrong);
    let found = match text.split_once("..") {
        None => (number(text)?, number(text)?),
        Some((from, "")) => (number(from)?, usize::MAX),
        Some(("", to)) => (1, number(to)?),
        Some((from, to)) => (number(from)?, number(to)?),
    };
    if found.0 > found.1 { Err(wrong()) } else { Ok(found) }
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
    let mut t = describe_rows(&o.volleys, &o.summary);
    for p in written {
        t += &format!("wrote {}\n", p.display());
    }
    t
}

fn describe_rows(volleys: &[VolleyResult], summary: &Summary) -> String {
    let mut t =
        "volley       status found   release angle (where its own balls left; ± at 95 %, shared doubt included)\n"
            .to_string();
    for v in volleys {
        t += &line(v);
    }
    if let Some(s) = &summary.study {
        for l in &s.ladders {
            t += &format!("{}\n", summary.spoken(&l.sentence));
        }
        for c in &s.comparisons {
            t += &format!("{}\n", summary.spoken(&c.overall.sentence));
        }
    }
    for c in &summary.linear_checks {
        t += &format!("{}\n", summary.spoken(&c.sentence));
    }
    if let Some(p) = &summary.study_problem {
        t += &format!("no study: {p}\n");
    }
    for look in &summary.looks {
        t += &format!("look: {look}\n");
    }
    let said = |note: &&String| !summary.linear_checks.iter().any(|c| c.sentence == **note);
    for note in summary.notes.iter().filter(said) {
        t += &format!("note: {}\n", summary.spoken(note));
    }
    let count = |s: Status| volleys.iter().filter(|v| v.status == s).count();
    t += &format!("{} ok, {} to look at, {} failed\n", count(Status::Ok), count(Status::Look), count(Status::Failed));
    t
}

/// How a run ends.
pub fn ended(o: &Outcome) -> Ended {
    ended_rows(&o.volleys, &o.summary)
}

fn ended_rows(volleys: &[VolleyResult], summary: &Summary) -> Ended {
    let all = |s: Status| volleys.iter().all(|v| v.status == s);
    if all(Status::Ok) && summary.looks.is_empty() {
        Ended::Good
    } else if all(Status::Failed) {
        Ended::Failed
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
            calibrate::calibrate(session)?;
            read_wall(session)?
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

/// A session that has something to run.
pub fn open(dir: &Path) -> Result<Session> {
    let session = Session::open(dir)?;
    if session.volleys.rows.iter().all(|r| r.shots == 0) {
        return Err(Error::input(format!(
            "{}: no row has shots: write one row a volley, with its speed",
            session.paths.volleys_csv().display()
        )));
    }
    Ok(session)
}

/// What is wanted of a run besides the usual.
#[derive(Clone, Copy, Default)]
struct Wanted {
    monte_carlo: bool,
    parquet: bool,
    pictures: bool,
}

/// What a run came to.
enum Ran {
    /// It was done.
    Done(Box<Outcome>, Result<Vec<PathBuf>>),
    /// Nothing had changed.
    Unchanged(Box<StillHolds>),
}

/// Runs a session's folder from end to end and writes the results: calibrates first when there is no wall.json.
pub fn run_folder(dir: &Path) -> Result<(Outcome, Vec<PathBuf>)> {
    let session = open(dir)?;
    let (outcome, written) = run_whole(&session, None, Wanted::default())?;
    Ok((outcome, written?))
}

fn run_whole(session: &Session, kept: Option<Arc<Kept>>, options: Wanted) -> Result<(Outcome, Result<Vec<PathBuf>>)> {
    // Before a minute of work: results that could not be written.
    session.paths.own_results()?;
    let known = if session.paths.wall_json().exists() { Some(read_wall(session)?) } else { None };
    // A wrong count of photos shows before a minute of calibrating does, but not before there is anything to calibrate with.
    if known.is_some() || list_photos(&session.paths.calibration()).is_ok_and(|f| !f.photos.is_empty()) {
        session.pair_photos()?;
    }
    let wall = calibrated(session, known)?;
    let mut outcome = run_session_keeping(session, &wall, kept, options.pictures, &progress)?;
    if options.monte_carlo {
        outcome.check_linear(&progress);
    }
    let written = write_results_as(session, &outcome, "run", options.parquet);
    Ok((outcome, written))
}

fn run_or_not(session: &Session, args: &Args) -> Result<Ran> {
    let kept = Kept::open(&session.paths).map(Arc::new);
    let wanted = Wanted { monte_carlo: args.monte_carlo, parquet: args.parquet, pictures: args.keep_pictures };
    let Some(kept) = kept else {
        let (outcome, written) = run_whole(session, None, wanted)?;
        return Ok(Ran::Done(Box::new(outcome), written));
    };
    let options = if args.monte_carlo { "monte-carlo" } else { "" };
    if args.anew {
        kept.forget_unused();
    } else if !args.keep_pictures
        && let Some(now) = inputs(session, &kept, options)
        && let Some(there) = still_holds(session, &kept, &now, args.parquet)
    {
        kept.save_prints();
        return Ok(Ran::Unchanged(Box::new(there)));
    }
    // A calibration that is not there yet is made from photos that a later run's inputs do not name: it is one of them itself.
    let known = if session.paths.wall_json().exists() { Some(read_wall(session)?) } else { None };
    if known.is_none() && list_photos(&session.paths.calibration()).is_ok_and(|f| !f.photos.is_empty()) {
        session.pair_photos()?;
        calibrated(session, known)?;
    }
    let before = inputs(session, &kept, options);
    let (outcome, written) = run_whole(session, Some(kept.clone()), wanted)?;
    // Whatever was changed while this ran is run again the next time.
    if let (Some(before), Ok(files)) = (before, &written)
        && inputs(session, &kept, options).as_ref() == Some(&before)
    {
        note_run(session, &kept, &before, files, &outcome.volleys);
    }
    kept.save_prints();
    Ok(Ran::Done(Box::new(outcome), written))
}

fn run_volleys(paths: &SessionPaths, part: (usize, usize), anew: bool) -> Result<Ended> {
    let _lock = SessionLock::take(paths, Work::Part, "run --volleys", &progress)?;
    let session = &open(&paths.dir)?;
    if !session.paths.wall_json().exists() {
        return Err(Error::input(format!(
            "{}: there is no wall.json yet: run `pockmark calibrate` once, before the parts",
            session.paths.dir.display()
        )));
    }
    let wall = read_wall(session)?;
    let kept = Kept::open(&session.paths).ok_or_else(|| {
        Error::input(
            "this program cannot read itself, so that parts of it would not fit together: run the whole session",
        )
    })?;
    kept.check()?;
    let kept = Arc::new(if anew { kept.looking_anew() } else { kept });
    let (looked, there) = run_part(session, &wall, part, kept.clone(), &progress)?;
    kept.save_prints();
    let last = session.volleys.rows.iter().filter(|r| r.shots > 0).count();
    if part.1 != usize::MAX && part.1 > last {
        say(&format!("note: --volleys {}..{}: the last volley is {last}\n", part.0, part.1))?;
    }
    say(&format!(
        "{} photos looked at, {there} known already; when all parts are done, `pockmark run {}` puts them together\n",
        looked,
        typed(&session.paths.dir)
    ))?;
    Ok(Ended::Good)
}

/// Says what came out. Whoever cannot save the results has at least seen them.
pub fn finish(outcome: &Outcome, written: Result<Vec<PathBuf>>, json: bool) -> Result<Ended> {
    let files = written.as_deref().unwrap_or_default();
    say(&if json { outcome.summary.to_json()? } else { describe(outcome, files) })?;
    written.map_err(|e| e.context("the results above were not saved"))?;
    Ok(ended(outcome))
}

pub fn run(args: &Args) -> Result<Ended> {
    let paths = open(&args.session)?.paths;
    if let Some(part) = args.volleys {
        return run_volleys(&paths, part, args.anew);
    }
    let _lock = SessionLock::take(&paths, Work::Run, "run", &progress)?;
    // Files that a killed program had begun to switch come first: what holds is judged by them.
    drop(SessionLock::take(&paths, Work::Write, "run", &progress)?);
    // Whoever was waited for may have changed the tables, or somebody meanwhile.
    let session = open(&args.session)?;
    match run_or_not(&session, args)? {
        Ran::Unchanged(there) => {
            if args.json {
                say(&there.summary.to_json()?)?;
            } else {
                let text = describe_rows(&there.volleys, &there.summary);
                let results = session.paths.results();
                say(&format!("{text}nothing changed since the last run: {} holds\n", results.display()))?;
            }
            Ok(ended_rows(&there.volleys, &there.summary))
        }
        Ran::Done(outcome, written) => finish(&outcome, written, args.json),
    }
}
