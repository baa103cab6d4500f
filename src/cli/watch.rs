//! `pockmark watch SESSION`

use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use pockmark::pipeline::read_wall;
use pockmark::pipeline::watch::{Event, Watch};
use pockmark::serve::follow::{FollowSite, Tone};
use pockmark::serve::{Link, Stop};
use pockmark::session::lock::Work;
use pockmark::session::results::Status;
use pockmark::session::{Session, VolleyResult};
use pockmark::{Error, Result};

use super::{Ended, locked, progress, review, run, say, say_as_it_is};

/// Time between two looks at the folder: short against the two seconds in which a volley is to be answered.
const PAUSE: Duration = Duration::from_millis(100);

/// Work through photos as they land in photos/: a line and a sound a volley, the report always up to date
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark watch garage\nCopy, sync or tether photos into garage/photos; after each one it says\n  volley 7: 5 of 5, 12.3 ± 0.4 deg\nor what is wrong while it can still be mended. Rows of volleys.csv may be written before or after their photo. A page that only this machine can reach follows along. Ctrl-C ends, with the results that `pockmark run` would give."
)]
pub struct Args {
    /// The session's folder
    session: PathBuf,
    /// Print the page's link, open no browser
    #[arg(long)]
    no_open: bool,
    /// No sounds
    #[arg(long)]
    quiet: bool,
}

fn words(v: &VolleyResult) -> String {
    let answer = match (v.mean_release_deg, v.mean_release_u_deg) {
        (Some(a), Some(u)) => {
            format!(", {} deg", pockmark::report::number::with_u(Some(a), Some(u), 2).replace('\u{2212}', "-"))
        }
        _ => String::new(),
    };
    let found = format!("volley {}: {} of {}{answer}", v.volley, v.found, v.shots);
    match v.status {
        Status::Ok => found,
        Status::Look => format!("{found}; look: {}", v.note),
        Status::Failed => format!("volley {}: failed: {}", v.volley, v.note),
    }
}

/// A line and its tone; `None` for what is not worth one.
fn line(event: &Event) -> Option<(String, Tone)> {
    match event {
        Event::Volley { result, again } => {
            let tone = match result.status {
                Status::Ok => Tone::Ok,
                Status::Look => Tone::Look,
                Status::Failed => Tone::Failed,
            };
            let text = words(result);
            Some((if *again { format!("{text} (judged again with all volleys)") } else { text }, tone))
        }
        Event::Wall { volley, problem: None } => {
            Some((format!("{volley}: seen, ready for the next volley"), Tone::Note))
        }
        Event::Wall { volley, problem: Some(p) } => Some((format!("{volley}: {p}"), Tone::Failed)),
        Event::Notice(text) => Some((text.clone(), Tone::Look)),
        Event::Written => None,
    }
}

/// A line on standard output, coloured and with a sound where that is a terminal: once for good, twice for what needs a person.
fn print(text: &str, tone: Tone, quiet: bool) -> Result<()> {
    if !std::io::stdout().is_terminal() {
        return say(&format!("{text}\n"));
    }
    let colour = match tone {
        Tone::Ok => "32",
        Tone::Look => "33",
        Tone::Failed => "1;31",
        Tone::Note => "2",
    };
    let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
    let text = pockmark::error::printable(text);
    say_as_it_is(&if plain { format!("{text}\n") } else { format!("\x1b[{colour}m{text}\x1b[0m\n") })?;
    let bells = match tone {
        Tone::Note => 0,
        Tone::Ok => 1,
        Tone::Look | Tone::Failed => 2,
    };
    for k in 0..if quiet { 0 } else { bells } {
        if k > 0 {
            std::thread::sleep(Duration::from_millis(250));
        }
        let mut out = std::io::stdout();
        // A bell that cannot be rung is no error.
        let _ = out.write_all(b"\x07").and_then(|()| out.flush());
    }
    Ok(())
}

pub fn run(args: &Args) -> Result<Ended> {
    let (_lock, session) = locked(&args.session, Work::Watch, "watch", Session::open)?;
    let known = if session.paths.wall_json().exists() { Some(read_wall(&session)?) } else { None };
    run::calibrated(&session, known)?;
    let mut watch = Watch::open(&session)?;
    let stop = Stop::default();
    let title = session.spec.title.clone();
    let site = Arc::new(FollowSite::new(&title, session.paths.results().join("report.html")));
    let link = Link::start(site.clone(), stop.clone())?;
    say(&format!("{}\n", link.url))?;
    if args.no_open || !review::open_in_browser(&link.url) {
        progress("open this link in a browser on this machine to follow along; Ctrl-C ends");
    }
    let mut failed = None;
    let mut take = |event: Event| {
        if event == Event::Written {
            site.written();
        }
        if let Some((text, tone)) = line(&event) {
            site.say(&text, tone);
            if let Err(e) = print(&text, tone, args.quiet) {
                failed = Some(e);
            }
        }
    };
    while !stop.is_stopped() {
        watch.round(&mut take);
        std::thread::sleep(PAUSE);
    }
    progress("ending: writing what came in");
    let written = loop {
        if let Some(written) = watch.is_settled() {
            break written;
        }
        watch.round(&mut take);
        std::thread::sleep(PAUSE);
    };
    link.wait()?;
    if let Some(e) = failed {
        return Err(e);
    }
    if !written {
        return Err(Error::no_answer(format!(
            "the results could not be written to {}: mend what stands above (make room there), then `pockmark run`",
            session.paths.results().display()
        )));
    }
    let Some(outcome) = watch.outcome() else { return Ok(Ended::Good) };
    say(&run::describe(outcome, &[]))?;
    Ok(run::ended(outcome))
}
