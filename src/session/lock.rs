//! Is somebody else at work on this session already?
//!
//! The operating system holds the lock for as long as the program lives, however it ends: a crash leaves a file behind, but no lock.
//! The file says who holds it, for the other's sentence. It lies in `.pockmark/`, the folder of what the program keeps for
//! itself in a session; the folder may be deleted at any time when nothing runs.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::time::{Duration, Instant};

use super::SessionPaths;
use super::write::recover;
use crate::error::{Error, Result};

/// Between two tries.
const PAUSE: Duration = Duration::from_millis(50);
/// Longest text of the file that is shown, bytes.
const LONGEST_NAME: u64 = 200;

/// What is done under a lock. Different works go on side by side; of one work only one at a time, but for parts of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Work {
    /// Running a session from end to end, or calibrating it.
    Run,
    /// Looking at some of its volleys: many at once, but none beside a whole run.
    Part,
    /// Putting files that belong together onto the disk: a moment, within any other work.
    Write,
    /// Deciding on marks.
    Review,
    /// Watching for photos and writing results.
    Watch,
}

impl Work {
    fn file(self) -> &'static str {
        match self {
            Self::Run | Self::Part => "run.lock",
            Self::Write => "write.lock",
            Self::Review => "review.lock",
            Self::Watch => "watch.lock",
        }
    }

    /// How long to wait for another program before giving up. A run ends by itself; a page that is open does not.
    fn patience(self) -> Duration {
        match self {
            Self::Run | Self::Part | Self::Write => Duration::from_secs(60),
            Self::Review | Self::Watch => Duration::ZERO,
        }
    }

    /// What the other should do.
    fn advice(self) -> &'static str {
        match self {
            Self::Run | Self::Part | Self::Write => "wait until it ends, or end it, then run this again",
            Self::Review | Self::Watch => "go to its page, or end it first",
        }
    }
}

/// A lock on a session, held until it is dropped.
#[derive(Debug)]
pub struct SessionLock {
    file: Option<File>,
    /// The file holds this program's name, and nobody else's.
    named: bool,
}

impl Drop for SessionLock {
    fn drop(&mut self) {
        // Whoever comes next is not to be told of a program that ended.
        if let Some(file) = self.file.as_ref().filter(|_| self.named) {
            let _ = file.set_len(0);
        }
    }
}

impl SessionLock {
    /// Takes the lock of a kind of work, after waiting a while where waiting helps; for [`Work::Write`], finishes what a killed
    /// program left half done. `command` is this program's, for others' sentences; `waiting` is told once when there is
    /// somebody to wait for. A folder that cannot be written at all gives a lock that holds nothing: whatever writes
    /// there will say so.
    ///
    /// # Errors
    /// Somebody else is still at work.
    pub fn take(paths: &SessionPaths, work: Work, command: &str, waiting: &dyn Fn(&str)) -> Result<Self> {
        Self::take_within(paths, work, command, waiting, work.patience())
    }

    fn take_within(
        paths: &SessionPaths,
        work: Work,
        command: &str,
        waiting: &dyn Fn(&str),
        patience: Duration,
    ) -> Result<Self> {
        let own = paths.own();
        let path = own.join(work.file());
        // Through a link somebody's photo could be taken for the lock, and the holder's name be written into it.
        if let Some(link) = [&own, &path].into_iter().find(|p| p.is_symlink()) {
            return Err(Error::input(format!(
                "{} is a link, where pockmark keeps a file or folder of its own: remove it",
                link.display()
            )));
        }
        let opened = std::fs::create_dir_all(&own)
            .and_then(|()| OpenOptions::new().create(true).truncate(false).read(true).write(true).open(&path));
        let mut file = match opened {
            Ok(file) => file,
            Err(e) if is_read_only(&e) => return Ok(Self { file: None, named: false }),
            Err(e) => return Err(Error::io(&path, "open", e)),
        };
        let began = Instant::now();
        let mut told = false;
        loop {
            let tried = if work == Work::Part { file.try_lock_shared() } else { file.try_lock() };
            match tried {
                Ok(()) => break,
                Err(TryLockError::WouldBlock) if began.elapsed() < patience => {
                    if !told {
                        waiting(&format!("waiting for {} at work on this session", holder(&mut file)));
                        told = true;
                    }
                    std::thread::sleep(PAUSE);
                }
                Err(TryLockError::WouldBlock) => {
                    return Err(Error::input(format!(
                        "{}: {} is at work on this session: {}",
                        paths.dir.display(),
                        holder(&mut file),
                        work.advice()
                    )));
                }
                // Some network drives know no locks: one person at one machine is what they are for.
                Err(TryLockError::Error(e)) if e.kind() == std::io::ErrorKind::Unsupported => break,
                Err(TryLockError::Error(e)) => return Err(Error::io(&path, "lock", e)),
            }
        }
        // Of parts there may be many: what the file says of one holds for all of them, whichever ends first.
        let alone = work != Work::Part;
        let who = if alone { format!(" (process {})", std::process::id()) } else { String::new() };
        let name = format!("`pockmark {command}`{who}");
        let ours = is_holder_file(&mut file);
        if ours {
            let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(name.as_bytes()));
        }
        let lock = Self { file: Some(file), named: alone && ours };
        if work == Work::Write {
            let results = paths.own_results()?;
            recover(&paths.dir)?;
            recover(&results)?;
            for folder in [results.join("labels"), results.join("pictures"), own.join("looks"), own] {
                // A link there leads to somebody else's folder.
                if !folder.is_symlink() {
                    recover(&folder)?;
                }
            }
        }
        Ok(lock)
    }
}

/// Whether the system says that nothing can be written there.
pub fn is_read_only(e: &std::io::Error) -> bool {
    matches!(e.kind(), std::io::ErrorKind::ReadOnlyFilesystem | std::io::ErrorKind::PermissionDenied)
}

/// Whether a lock's file is new or holds a holder's name: nothing else is written over.
fn is_holder_file(file: &mut File) -> bool {
    let mut begin = [0; 10];
    let read = file.rewind().and_then(|()| file.read(&mut begin));
    read.is_ok_and(|n| n == 0 || begin.get(..n).is_some_and(|b| b.starts_with(b"`pockmark ")))
}

fn holder(file: &mut File) -> String {
    let mut text = String::new();
    let read = file.rewind().and_then(|()| file.take(LONGEST_NAME).read_to_string(&mut text));
    if read.is_ok() && text.starts_with("`pockmark ") { format!("another {text}") } else { "another pockmark".into() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_runs_at_a_time_and_many_look() {
        let dir = tempfile::tempdir().unwrap();
        let paths = SessionPaths::new(dir.path());
        let take = |work| SessionLock::take_within(&paths, work, "run", &|_| {}, Duration::ZERO);
        let first = take(Work::Run).unwrap();
        let refused = take(Work::Run).unwrap_err().to_string();
        assert!(refused.contains("`pockmark run` (process") && refused.contains("wait until it ends"), "{refused}");
        take(Work::Part).unwrap_err();
        take(Work::Write).unwrap();
        take(Work::Review).unwrap();
        drop(first);
        let parts = [take(Work::Part).unwrap(), take(Work::Part).unwrap()];
        take(Work::Run).unwrap_err();
        drop(parts);
        take(Work::Run).unwrap();
        let page = take(Work::Review).unwrap();
        let refused = SessionLock::take(&paths, Work::Review, "review", &|_| {}).unwrap_err().to_string();
        assert!(refused.contains("go to its page"), "{refused}");
        drop(page);
    }

    #[cfg(unix)]
    #[test]
    fn a_lock_that_is_somebodys_photo_is_not_written_over() {
        let dir = tempfile::tempdir().unwrap();
        let paths = SessionPaths::new(dir.path());
        let photo = dir.path().join("a.jpg");
        std::fs::write(&photo, "a photo").unwrap();
        std::fs::create_dir_all(paths.own()).unwrap();
        let take = || SessionLock::take(&paths, Work::Run, "run", &|_| {});
        let lock = paths.own().join("run.lock");
        std::os::unix::fs::symlink(&photo, &lock).unwrap();
        let refused = take().unwrap_err().to_string();
        assert!(refused.contains("is a link") && refused.contains("remove it"), "{refused}");
        std::fs::remove_file(&lock).unwrap();
        std::fs::hard_link(&photo, &lock).unwrap();
        take().unwrap();
        assert_eq!(std::fs::read_to_string(&photo).unwrap(), "a photo");
        std::fs::remove_dir_all(paths.own()).unwrap();
        std::os::unix::fs::symlink(dir.path(), paths.own()).unwrap();
        take().unwrap_err();
    }

    #[test]
    fn nobody_is_told_of_a_program_that_ended() {
        let dir = tempfile::tempdir().unwrap();
        let paths = SessionPaths::new(dir.path());
        let take = |work, command: &str| SessionLock::take_within(&paths, work, command, &|_| {}, Duration::ZERO);
        let file = paths.own().join("run.lock");
        // One that was killed leaves its name.
        std::fs::create_dir_all(paths.own()).unwrap();
        std::fs::write(&file, "`pockmark calibrate` (process 1)").unwrap();
        let parts = [take(Work::Part, "run --volleys").unwrap(), take(Work::Part, "run --volleys").unwrap()];
        let [first, second] = parts;
        drop(first);
        let refused = take(Work::Run, "run").unwrap_err().to_string();
        assert!(refused.contains("another `pockmark run --volleys` is at work"), "{refused}");
        drop(second);
        drop(take(Work::Run, "solve").unwrap());
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "");
    }

    #[test]
    fn the_second_waits_for_the_first() {
        let dir = tempfile::tempdir().unwrap();
        let paths = SessionPaths::new(dir.path());
        let first = SessionLock::take(&paths, Work::Run, "run", &|_| {}).unwrap();
        std::thread::scope(|s| {
            s.spawn(|| {
                std::thread::sleep(4 * PAUSE);
                drop(first);
            });
            let told = std::cell::Cell::new(0);
            let count = |text: &str| {
                assert!(text.contains("waiting for another `pockmark run`"), "{text}");
                told.set(told.get() + 1);
            };
            SessionLock::take(&paths, Work::Run, "run", &count).unwrap();
            assert_eq!(told.get(), 1);
        });
    }
}
