//! What do tests of the program need: to run it as a person would, and to read what it says?

pub mod calib;
pub mod flight;
pub mod mutate;
pub mod report;
pub mod session;
pub mod summary_doc;

use std::ffi::OsStr;
use std::path::Path;
use std::process::{Command, Output};

/// How a run of the program ended.
pub struct Ended {
    /// Its exit code.
    pub code: i32,
    /// What it said on standard output.
    pub out: String,
    /// What it said on standard error.
    pub err: String,
}

impl Ended {
    /// Checks the exit code and that standard error holds every one of `parts`.
    #[track_caller]
    pub fn says(&self, code: i32, parts: &[&str]) {
        assert_eq!(self.code, code, "said: {}{}", self.out, self.err);
        for part in parts {
            assert!(self.err.contains(part), "\"{part}\" is not in: {}", self.err);
        }
        assert!(!self.err.contains("panicked"), "{}", self.err);
    }
}

/// Runs the program in a folder.
pub fn pockmark<S: AsRef<OsStr>>(folder: &Path, args: impl IntoIterator<Item = S>) -> Ended {
    let Output { status, stdout, stderr } =
        Command::new(env!("CARGO_BIN_EXE_pockmark")).current_dir(folder).args(args).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Ended { code: status.code().unwrap(), out: text(stdout), err: text(stderr) }
}
