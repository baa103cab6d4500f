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

/// How long to wait for another program before giving up: longer than a small session's run.
pub const PATIENCE: Duration = Duration::from_secs(60);
/// Between two tries.
const PAUSE: Duration = Duration::from_millis(50);
/// Longest text of the file that is shown, bytes.
const LONGEST_NAME: u64 = 200;

/// What is done under a lock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Work {
    /// Writing results or a calibration: one at a time.
    Write,
    /// Looking at some of the volleys' photos: many at once, but none while results are written.
    Look,
}

/// A lock on a session, held until it is dropped.
#[derive(Debug)]
pub struct SessionLock {
    _file: Option<File>,
}

impl SessionLock {
    /// Waits up to `patience` for a session, and finishes what a killed program left half done. `who` is the command, for others'
    /// sentences; `waiting` is told once when there is somebody to wait for. A folder that cannot be written at all gives a lock
    /// that holds nothing: whatever writes there will say so.
    ///
    /// # Errors
    /// Somebody else is still at work after `patience`.
    pub fn take(
        paths: &SessionPaths,
        work: Work,
        who: &str,
        patience: Duration,
        waiting: &dyn Fn(&str),
    ) -> Result<Self> {
        let own = paths.own();
        let path = own.join("lock");
        let opened = std::fs::create_dir_all(&own)
            .and_then(|()| OpenOptions::new().create(true).truncate(false).read(true).write(true).open(&path));
        let mut file = match opened {
            Ok(file) => file,
            Err(e) if is_read_only(&e) => return Ok(Self { _file: None }),
            Err(e) => return Err(Error::io(&path, "open", e)),
        };
        let began = Instant::now();
        let mut told = false;
        loop {
            let tried = if work == Work::Write { file.try_lock() } else { file.try_lock_shared() };
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
                        "{}: {} is at work on this session: wait until it ends, or end it, then run this again",
                        paths.dir.display(),
                        holder(&mut file)
                    )));
                }
                // Some network drives know no locks: one person at one machine is what they are for.
                Err(TryLockError::Error(e)) if e.kind() == std::io::ErrorKind::Unsupported => break,
                Err(TryLockError::Error(e)) => return Err(Error::io(&path, "lock", e)),
            }
        }
        if work == Work::Write {
            let name = format!("`pockmark {who}` (process {})", std::process::id());
            let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(name.as_bytes()));
            recover(&paths.results())?;
            recover(&paths.dir)?;
        }
        Ok(Self { _file: Some(file) })
    }
}

/// Whether the system says that nothing can be written there.
pub fn is_read_only(e: &std::io::Error) -> bool {
    matches!(e.kind(), std::io::ErrorKind::ReadOnlyFilesystem | std::io::ErrorKind::PermissionDenied)
}

fn holder(file: &mut File) -> String {
    let mut text = String::new();
    let read = file.rewind().and_then(|()| file.take(LONGEST_NAME).read_to_string(&mut text));
    if read.is_ok() && text.starts_with("`pockmark ") { text } else { "another pockmark".into() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_writes_at_a_time_and_many_look() {
        let dir = tempfile::tempdir().unwrap();
        let paths = SessionPaths::new(dir.path());
        let take = |work| SessionLock::take(&paths, work, "run", Duration::ZERO, &|_| {});
        let first = take(Work::Write).unwrap();
        let refused = take(Work::Write).unwrap_err().to_string();
        assert!(refused.contains("`pockmark run` (process") && refused.contains("wait until it ends"), "{refused}");
        take(Work::Look).unwrap_err();
        drop(first);
        let looks = [take(Work::Look).unwrap(), take(Work::Look).unwrap()];
        take(Work::Write).unwrap_err();
        drop(looks);
        take(Work::Write).unwrap();
    }

    #[test]
    fn the_second_waits_for_the_first() {
        let dir = tempfile::tempdir().unwrap();
        let paths = SessionPaths::new(dir.path());
        let quiet: &dyn Fn(&str) = &|_| {};
        let first = SessionLock::take(&paths, Work::Write, "run", Duration::ZERO, quiet).unwrap();
        std::thread::scope(|s| {
            s.spawn(|| {
                std::thread::sleep(4 * PAUSE);
                drop(first);
            });
            let told = std::cell::Cell::new(0);
            let count = |text: &str| {
                assert!(text.contains("waiting for `pockmark run`"), "{text}");
                told.set(told.get() + 1);
            };
            SessionLock::take(&paths, Work::Write, "run", PATIENCE, &count).unwrap();
            assert_eq!(told.get(), 1);
        });
    }
}
