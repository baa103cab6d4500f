//! `pockmark review SESSION`

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::Arc;

use pockmark::Result;
use pockmark::pipeline::read_wall;
use pockmark::pipeline::review::Review;
use pockmark::serve::review::ReviewSite;
use pockmark::serve::{Link, Stop};
use pockmark::session::Session;
use pockmark::session::lock::{SessionLock, Work};

use super::{Ended, locked, progress, run, say};

/// Look at every volley's marks in the browser: accept, reject, move, add, merge, split
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark review garage\nOpens a page that only this machine can reach. Volleys that need a look come first; every step is saved at once to garage/review.csv and can be undone. Done on the page (or Ctrl-C here) writes the results as `pockmark run` would; later runs keep what you decided."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// Print the link, open no browser
    #[arg(long)]
    no_open: bool,
}

/// Opens a link with the system's own means; whether that could be tried.
pub fn open_in_browser(url: &str) -> bool {
    let mut command = if cfg!(target_os = "macos") {
        Command::new("open")
    } else if cfg!(windows) {
        let mut c = Command::new("rundll32");
        c.arg("url.dll,FileProtocolHandler");
        c
    } else {
        Command::new("xdg-open")
    };
    command.arg(url).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().is_ok()
}

pub fn run(args: &Args) -> Result<Ended> {
    let (_lock, session) = locked(&args.session, Work::Review, "review", Session::open)?;
    let known = if session.paths.wall_json().exists() { Some(read_wall(&session)?) } else { None };
    let wall = run::calibrated(&session, known)?;
    // Calibrating takes a while in which tables may be written.
    let session = Session::open(&args.session)?;
    let review = Review::open(&session, &wall, &progress)?;
    let stop = Stop::default();
    let site = Arc::new(ReviewSite::new(review, stop.clone()));
    let link = Link::start(site.clone(), stop)?;
    say(&format!("{}\n", link.url))?;
    if args.no_open || !open_in_browser(&link.url) {
        progress("open this link in a browser on this machine; Ctrl-C ends");
    } else {
        progress("opened in the browser; Done on the page or Ctrl-C here ends");
    }
    link.wait()?;
    // Whoever watches the session writes its results, and knows of later photos.
    let Ok(_watch) = SessionLock::take(&session.paths, Work::Watch, "review", &progress) else {
        say("saved in review.csv; `pockmark watch` takes it from there\n")?;
        return Ok(Ended::Good);
    };
    let (outcome, written) = site.review().write(&progress)?;
    say(&run::describe(&outcome, &written))?;
    Ok(run::ended(&outcome))
}
