//! Is somebody else at work on this session already?
//!
//! The operating system holds the lock for as long as the program lives, however it ends: a crash leaves a file behind, but no lock.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;

use crate::error::{Error, Result};

/// What is done under a lock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Work {
    /// Deciding on marks.
    Review,
    /// Watching for photos and writing results.
    Watch,
}

impl Work {
    fn file(self) -> &'static str {
        match self {
            Self::Review => ".pockmark-review.lock",
            Self::Watch => ".pockmark-watch.lock",
        }
    }

    fn command(self) -> &'static str {
        match self {
            Self::Review => "review",
            Self::Watch => "watch",
        }
    }
}

/// A lock on a session, held until it is dropped.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the lock of a kind of work in a session's folder.
    ///
    /// # Errors
    /// Another program holds it, or the folder cannot be written.
    pub fn take(dir: &Path, work: Work) -> Result<Self> {
        let path = dir.join(work.file());
        let file = OpenOptions::new().create(true).truncate(false).read(true).write(true).open(&path);
        let file = file.map_err(|e| Error::io(&path, "open", e))?;
        match file.try_lock() {
            Ok(()) => Ok(Self { _file: file }),
            Err(TryLockError::WouldBlock) => Err(Error::input(format!(
                "{}: another `pockmark {}` is at work on this session: go to its page, or end it first",
                dir.display(),
                work.command()
            ))),
            Err(TryLockError::Error(e)) => Err(Error::io(&path, "lock", e)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_at_a_time_and_free_again_afterwards() {
        let dir = tempfile::tempdir().unwrap();
        let first = Lock::take(dir.path(), Work::Review).unwrap();
        let refused = Lock::take(dir.path(), Work::Review).unwrap_err().to_string();
        assert!(refused.contains("another `pockmark review`"), "{refused}");
        Lock::take(dir.path(), Work::Watch).unwrap();
        drop(first);
        Lock::take(dir.path(), Work::Review).unwrap();
    }
}
