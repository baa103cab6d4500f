//! The program: parses the command line, runs one command, turns errors into sentences and exit codes.

mod cli;

fn main() -> std::process::ExitCode {
    cli::main()
}
