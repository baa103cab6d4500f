//! `pockmark solve SESSION`

use std::path::PathBuf;

use pockmark::Result;
use pockmark::pipeline::{solve_session, write_results_as};
use pockmark::session::lock::Work;

use super::{Ended, locked, progress, run};

/// From impacts measured by hand to release angles, study and report, without photos
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark solve garage\nReads impacts.csv beside session.toml and volleys.csv; writes results/shots.csv, volleys.csv, summary.json and report.html, as `run` does from photos. One row a ball:\n  volley,x_mm,y_mm,plus_minus_mm\n  1,1012,655,3\n  1,1004,648,3\nor heights alone in any unit (volley,y_in), or texts with their own unit in a column named y: 5 ft 3 1/4 in.\nHeights are above the origin from which [machine] pivot_up counts."
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

pub fn run(args: &Args) -> Result<Ended> {
    let (_lock, session) = locked(&args.session, Work::Run, "solve", run::open)?;
    let mut outcome = solve_session(&session)?;
    if args.monte_carlo {
        outcome.check_linear(&progress);
    }
    let written = write_results_as(&session, &outcome, "solve", args.parquet);
    run::finish(&outcome, written, args.json)
}
