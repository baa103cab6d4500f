//! `pockmark shelf DIR...`

use std::path::{Path, PathBuf};

use pockmark::pipeline::read_shelf;
use pockmark::report::shelf::{shelf_csv, shelf_page};
use pockmark::session::write_together;
use pockmark::{Error, Result};

use super::{Ended, counted, free_for_output, say};

/// Collect every setup ever tested, over many sessions, into one page and one table
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark shelf garage-march garage-april\n  pockmark shelf ~/lacrosse\nEach DIR is a session, or holds some. Writes shelf.html, which sorts and filters without a network, and shelf.csv, one row for each setup at each speed, which opens in any spreadsheet."
)]
pub struct Args {
    /// Sessions, or folders that hold some
    #[arg(required = true, value_name = "DIR")]
    dirs: Vec<PathBuf>,
    /// Where to write the page
    #[arg(long, default_value = "shelf.html", value_name = "FILE")]
    page: PathBuf,
    /// Where to write the table
    #[arg(long, default_value = "shelf.csv", value_name = "FILE")]
    table: PathBuf,
}

pub fn run(args: &Args) -> Result<Ended> {
    let folder = args.page.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // Links are written from where the page will stand.
    free_for_output(&args.page)?;
    free_for_output(&args.table)?;
    if args.page == args.table {
        return Err(Error::usage(format!("{}: page and table cannot be one file", args.page.display())));
    }
    std::fs::create_dir_all(folder).map_err(|e| Error::io(folder, "make the folder", e))?;
    let shelf = read_shelf(&args.dirs, folder)?;
    let left_out: String = shelf.problems.iter().map(|p| format!("left out: {p}\n")).collect();
    if shelf.entries.is_empty() {
        say(&left_out)?;
        return Err(Error::no_answer(format!(
            "nothing to put on the shelf: measure these sessions again with `pockmark run`; {} and {} were not written",
            args.page.display(),
            args.table.display()
        )));
    }
    let page = shelf_page(&shelf.entries, &shelf.problems)?;
    let table = shelf_csv(&shelf.entries)?;
    write_together(&[(args.page.clone(), page.as_bytes()), (args.table.clone(), &table)])?;
    let mut text = left_out;
    for s in &shelf.stale {
        text += &format!("look: {s}\n");
    }
    text += &format!(
        "{} from {}\nwrote {}\nwrote {}\n",
        counted(shelf.entries.len(), "setup"),
        counted(shelf.sessions - shelf.problems.len(), "session"),
        args.page.display(),
        args.table.display()
    );
    say(&text)?;
    Ok(if shelf.problems.is_empty() && shelf.stale.is_empty() { Ended::Good } else { Ended::NeedsLook })
}
