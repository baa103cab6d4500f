//! `pockmark new DIR`

use std::path::PathBuf;

use pockmark::Result;

use super::{Ended, say};

/// Make a session's folder with a commented session.toml to fill in
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark new garage-2026-05-03\nThen fill in session.toml and volleys.csv, and put the photos of the sheets into calibration/."
)]
pub struct Args {
    /// The folder to make; files that are there are never overwritten
    dir: PathBuf,
}

pub fn run(args: &Args) -> Result<Ended> {
    let made = pockmark::session::new_session(&args.dir)?;
    let mut text = String::new();
    for path in made {
        text += &format!("made {}\n", path.display());
    }
    text += "next: fill in session.toml and volleys.csv, photograph the sheets into calibration/, then `pockmark calibrate`\n";
    say(&text)?;
    Ok(Ended::Good)
}
