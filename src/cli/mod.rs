//! Which command runs, and with which exit code does it end?
//!
//! 0: all good. 1: failed. 2: wrong usage. 3: done, but something needs a look.

mod calibrate;
mod compare;
mod completions;
mod demo;
mod geometry;
mod inspect;
mod label;
mod man;
mod new;
mod plan;
mod report;
mod review;
mod run;
mod sheets;
mod shelf;
mod solve;
mod watch;

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use pockmark::error::counted;
use pockmark::pipeline::out_of_date;
use pockmark::report::Summary;
use pockmark::session::Session;
use pockmark::session::lock::{SessionLock, Work};
use pockmark::{ErrorKind, Result};

/// Turns photographs of ball marks on a target wall into release angles with honest uncertainties.
#[derive(Parser)]
#[command(
    name = "pockmark",
    version,
    about,
    after_help = "A day at the bench:\n  pockmark sheets --paper a4 -o sheets.pdf   print the coded sheets, tape them up\n  pockmark new garage                        make a session's folder, fill in session.toml\n  pockmark calibrate garage                  from the photos of the sheets\n  pockmark plan garage --setups pocket=mid,low   how many volleys, in which order\n  pockmark run garage                        from the photos of the volleys to angles and report\n  pockmark compare garage                    what one change did\n  pockmark label garage                      a label for each setup\n\nExit codes: 0 all good, 1 failed, 2 wrong usage, 3 done but something needs a look."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    New(new::Args),
    Sheets(sheets::Args),
    Inspect(inspect::Args),
    Calibrate(calibrate::Args),
    Plan(plan::Args),
    Run(run::Args),
    Watch(watch::Args),
    Review(review::Args),
    Compare(compare::Args),
    Report(report::Args),
    Label(label::Args),
    Shelf(shelf::Args),
    Solve(solve::Args),
    Demo(demo::Args),
    Completions(completions::Args),
    Man(man::Args),
}

/// How a command ended, when it did not fail.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Ended {
    Good,
    NeedsLook,
    Failed,
}

/// Parses, runs, reports.
pub fn main() -> ExitCode {
    // clap itself exits with 2 on wrong usage and 0 on --help and --version.
    let cli = Cli::parse();
    one_thread_where_more_are_refused();
    let ended = match cli.command {
        Command::New(a) => new::run(&a),
        Command::Sheets(a) => sheets::run(&a),
        Command::Inspect(a) => inspect::run(&a),
        Command::Calibrate(a) => calibrate::run(&a),
        Command::Plan(a) => plan::run(&a),
        Command::Run(a) => run::run(&a),
        Command::Watch(a) => watch::run(&a),
        Command::Review(a) => review::run(&a),
        Command::Compare(a) => compare::run(&a),
        Command::Report(a) => report::run(&a),
        Command::Label(a) => label::run(&a),
        Command::Shelf(a) => shelf::run(&a),
        Command::Solve(a) => solve::run(&a),
        Command::Demo(a) => demo::run(&a),
        Command::Completions(a) => completions::run(&a),
        Command::Man(a) => man::run(&a),
    };
    match ended {
        Ok(Ended::Good) => ExitCode::SUCCESS,
        Ok(Ended::NeedsLook) => ExitCode::from(3),
        Ok(Ended::Failed) => ExitCode::FAILURE,
        Err(e) => {
            let _ = writeln!(std::io::stderr(), "pockmark: {e}");
            ExitCode::from(if e.kind() == ErrorKind::Usage { 2 } else { 1 })
        }
    }
}

/// Where the system lets the program have no more threads, it works on the one it has.
fn one_thread_where_more_are_refused() {
    // A pool of all that failed once cannot be tried again.
    if rayon::ThreadPoolBuilder::new().build().is_err() {
        let _ = rayon::ThreadPoolBuilder::new().num_threads(1).use_current_thread().build_global();
    }
}

/// Refuses an output that would replace what a person wrote or measured.
fn free_for_output(path: &std::path::Path) -> Result<()> {
    let name = path.file_name().and_then(|n| n.to_str()).unwrap_or("").to_lowercase();
    let of_session = ["session.toml", "volleys.csv", "impacts.csv", "review.csv"].contains(&name.as_str())
        || (name.starts_with("wall") && name.ends_with(".json"));
    if of_session && path.exists() {
        return Err(pockmark::Error::usage(format!(
            "{} is a session's own file, which is not written over: name another file",
            path.display()
        )));
    }
    Ok(())
}

/// A count from the command line.
fn whole_number<T: std::str::FromStr>(text: &str) -> std::result::Result<T, String> {
    text.parse().map_err(|_| "write a whole number, such as 5".to_string())
}

/// A length from the command line, mm.
fn millimetres(text: &str) -> std::result::Result<f64, String> {
    text.parse().map_err(|_| "write millimetres as a plain number, such as 60 or 60.5".to_string())
}

/// Says so when a session changed since its results were made, from which something was just written.
fn warn_of_stale(session: &std::path::Path, summary: &Summary) -> Result<Ended> {
    let Some(stale) = out_of_date(session, summary) else { return Ok(Ended::Good) };
    say(&format!("look: {stale}\n"))?;
    Ok(Ended::NeedsLook)
}

/// Takes a session's lock and reads it, as `open` does, once nobody else is at work; it is opened before too, so that no lock is left in a folder that is
/// no session.
fn locked(
    dir: &Path,
    work: Work,
    command: &str,
    open: impl Fn(&Path) -> Result<Session>,
) -> Result<(SessionLock, Session)> {
    let lock = SessionLock::take(&open(dir)?.paths, work, command, &progress)?;
    Ok((lock, open(dir)?))
}

/// Progress on standard error, when that is a terminal.
fn progress(line: &str) {
    let mut err = std::io::stderr();
    if err.is_terminal() {
        let _ = writeln!(err, "  {line}");
    }
}

/// Writes results to standard output; a closed pipe (`| head`) is no error. What files hold does not steer the terminal.
fn say(text: &str) -> Result<()> {
    say_as_it_is(&pockmark::error::printable(text))
}

/// The same with our own colours.
fn say_as_it_is(text: &str) -> Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        Err(e) => Err(pockmark::Error::io(std::path::Path::new("standard output"), "write to", e)),
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_well_formed_and_every_command_shows_an_example() {
        let mut c = super::Cli::command();
        c.clone().debug_assert();
        for s in c.get_subcommands_mut() {
            let help = s.render_long_help().to_string();
            assert!(help.contains("Example"), "{}: --help shows no example", s.get_name());
        }
    }
}
