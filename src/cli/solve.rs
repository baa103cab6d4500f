//! `pockmark solve SESSION`

use std::path::{Path, PathBuf};

use pockmark::pipeline::{Outcome, solve_session, write_results_as};
use pockmark::session::Session;
use pockmark::session::lock::{SessionLock, Work};
use pockmark::{Error, Result};

use super::{Ended, progress, run, say};

/// From impacts measured by hand to release angles, study and report, without photos
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark solve garage\nReads impacts.csv beside session.toml and volleys.csv; writes results/shots.csv, volleys.csv, summary.json and\nreport.html, as `run` does from photos. One row a ball:\n  volley,x_mm,y_mm,plus_minus_mm\n  1,1012,655,3\n  1,1004,648,3\nor heights alone in any unit (volley,y_in), or texts with their own unit in a column named y: 5 ft 3 1/4 in.\nHeights are above the origin from which [machine] pivot_up counts."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// Check every mean by Monte Carlo (JCGM 101): both intervals go into summary.json
    #[arg(long)]
    monte_carlo: bool,
    /// Write JSON (the content of summary.json)
    #[arg(long)]
    json: bool,
    /// Write the tables as Parquet too: results/shots.parquet, volleys.parquet
    #[arg(long)]
    parquet: bool,
}

fn solve_folder(dir: &Path, monte_carlo: bool, parquet: bool) -> Result<(Outcome, Vec<PathBuf>)> {
    let session = Session::open(dir)?;
    if session.volleys.rows.iter().all(|r| r.shots == 0) {
        return Err(Error::input(format!(
            "{}: no row has shots: write one row a volley, with its speed",
            session.paths.volleys_csv().display()
        )));
    }
    let _lock = SessionLock::take(&session.paths, Work::Run, "solve", &progress)?;
    let mut outcome = solve_session(&session)?;
    if monte_carlo {
        outcome.check_linear(&progress);
    }
    let written = write_results_as(&session, &outcome, parquet)?;
    Ok((outcome, written))
}

pub fn run(args: &Args) -> Result<Ended> {
    let (outcome, written) = solve_folder(&args.session, args.monte_carlo, args.parquet)?;
    if args.json {
        let text = serde_json::to_string_pretty(&outcome.summary)
            .map_err(|e| Error::no_answer(format!("the results hold a value that JSON cannot ({e})")))?;
        say(&(text + "\n"))?;
    } else {
        say(&run::describe(&outcome, &written))?;
    }
    Ok(run::ended(&outcome))
}
