//! `pockmark man`

use std::path::{Path, PathBuf};

use clap::{Command, CommandFactory};
use clap_mangen::Man;
use pockmark::session::write_together;
use pockmark::{Error, Result};

use super::{Cli, Ended, say};

/// Print the manual page, or write one for every command into a folder
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark man | man -l -\n  pockmark man --to ~/.local/share/man/man1      then: man pockmark-run"
)]
pub struct Args {
    /// Write pockmark.1, pockmark-run.1 ... into this folder
    #[arg(long, value_name = "DIR")]
    to: Option<PathBuf>,
}

fn page(command: Command) -> Result<Vec<u8>> {
    let mut text = Vec::new();
    let drawn = Man::new(command).source(concat!("pockmark ", env!("CARGO_PKG_VERSION"))).render(&mut text);
    drawn.map_err(|e| Error::io(Path::new("the manual page"), "draw", e))?;
    // Examples keep their lines.
    let text = String::from_utf8_lossy(&text).into_owned();
    let Some((head, rest)) = text.split_once(".SH EXTRA\n") else { return Ok(text.into_bytes()) };
    let (example, tail) = match rest.find("\n.SH ") {
        Some(at) => rest.split_at(at + 1),
        None => (rest, ""),
    };
    Ok(format!("{head}.SH EXAMPLE\n.nf\n{}\n.fi\n{tail}", example.trim_end()).into_bytes())
}

pub fn run(args: &Args) -> Result<Ended> {
    let mut whole = Cli::command();
    whole.build();
    let Some(folder) = &args.to else {
        say(&String::from_utf8_lossy(&page(whole)?))?;
        return Ok(Ended::Good);
    };
    let mut pages = vec![(folder.join("pockmark.1"), page(whole.clone())?)];
    for c in whole.get_subcommands().filter(|c| c.get_name() != "help") {
        let name = format!("pockmark-{}", c.get_name());
        // Built, a subcommand knows its whole name: "pockmark-run".
        pages.push((folder.join(format!("{name}.1")), page(c.clone())?));
    }
    let files: Vec<(PathBuf, &[u8])> = pages.iter().map(|(p, b)| (p.clone(), b.as_slice())).collect();
    write_together(&files)?;
    say(&format!("wrote {} pages into {}\n", files.len(), folder.display()))?;
    Ok(Ended::Good)
}
