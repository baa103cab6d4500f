//! `pockmark completions SHELL`

use clap::CommandFactory;
use clap_complete::Shell;
use pockmark::Result;

use super::{Cli, Ended, say};

/// Print what makes a shell complete this program's commands
#[derive(clap::Args)]
#[command(
    after_help = "Example:\n  pockmark completions bash > ~/.local/share/bash-completion/completions/pockmark\n  pockmark completions zsh > ~/.zfunc/_pockmark\n  pockmark completions fish > ~/.config/fish/completions/pockmark.fish\n  pockmark completions powershell >> $PROFILE"
)]
pub struct Args {
    /// The shell
    shell: Shell,
}

pub fn run(args: &Args) -> Result<Ended> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "pockmark", &mut text);
    say(&String::from_utf8_lossy(&text))?;
    Ok(Ended::Good)
}
