//! Is this file still the one that was hashed before, without reading it again?
//!
//! A file's print is its length, its times and (on Unix) its inode, as the system tells them. Hashes are kept by path and
//! print in `.pockmark/prints.json`. A file that was changed within the resolution of its time after it was hashed would
//! keep its print; so a hash is kept only when the file was last changed two seconds before it was hashed, and a fresher file
//! is hashed again at the end. Whoever changes a file and sets all its times back on purpose is not noticed.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

use super::hash::sha256_file;
use super::table::read_text;
use super::write::write_whole;
use crate::error::{Error, Result};

/// Memory cards keep times to 2 s.
const SETTLED: Duration = Duration::from_secs(2);
/// Largest list of prints read, bytes: 10 000 files take 2 MB.
const LARGEST_LIST_BYTES: u64 = 64 * 1024 * 1024;

/// What the system says of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FilePrint {
    /// Length, bytes.
    length: u64,
    /// Last change of its content, ns since 1970.
    changed_ns: u128,
    /// Last change of its entry (Unix) or its making (elsewhere), ns since 1970.
    entry_ns: i128,
    /// Number of its entry (Unix), else 0.
    inode: u64,
}

impl FilePrint {
    /// The print of a file now.
    ///
    /// # Errors
    /// It is not there, or no file.
    pub fn of(path: &Path) -> Result<Self> {
        let about = std::fs::metadata(path).map_err(|e| Error::io(path, "look at", e))?;
        if !about.is_file() {
            return Err(Error::input(format!("{} is no ordinary file", path.display())));
        }
        let ns = |t: std::io::Result<SystemTime>| {
            t.ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok()).map_or(0, |d| d.as_nanos())
        };
        #[cfg(unix)]
        let (entry_ns, inode) = {
            use std::os::unix::fs::MetadataExt;
            (i128::from(about.ctime()) * 1_000_000_000 + i128::from(about.ctime_nsec()), about.ino())
        };
        #[cfg(not(unix))]
        let (entry_ns, inode) = (i128::try_from(ns(about.created())).unwrap_or(0), 0);
        Ok(Self { length: about.len(), changed_ns: ns(about.modified()), entry_ns, inode })
    }

    fn is_settled(&self) -> bool {
        let now = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_nanos());
        let last = self.changed_ns.max(u128::try_from(self.entry_ns).unwrap_or(0));
        now > last + SETTLED.as_nanos()
    }
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct Hashed {
    print: FilePrint,
    sha256: String,
    /// False for a file that was fresh when it was hashed.
    settled: bool,
}

/// Hashes of files, by path.
#[derive(Debug, Default)]
pub struct Prints {
    path: PathBuf,
    /// Files below it are named from here, so that the folder may be called and moved as one likes.
    base: PathBuf,
    known: Mutex<BTreeMap<String, Hashed>>,
    used: Mutex<BTreeMap<String, Hashed>>,
}

impl Prints {
    /// The hashes kept in a file; a file that is not there or cannot be read keeps none.
    pub fn open(path: PathBuf, base: PathBuf) -> Self {
        let read = path.is_file().then(|| read_text(&path, LARGEST_LIST_BYTES).ok()).flatten();
        let known = read.and_then(|t| serde_json::from_str(&t).ok()).unwrap_or_default();
        Self { path, base, known: Mutex::new(known), used: Mutex::default() }
    }

    /// SHA-256 of a file: from its print where that is known, else from its content.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn sha256(&self, path: &Path) -> Result<String> {
        let name = path.strip_prefix(&self.base).unwrap_or(path).to_string_lossy().into_owned();
        let print = FilePrint::of(path)?;
        let hold = |m: &Mutex<BTreeMap<String, Hashed>>| {
            m.lock().unwrap_or_else(PoisonError::into_inner).get(&name).filter(|h| h.print == print).cloned()
        };
        let hashed = match hold(&self.used).or_else(|| hold(&self.known)) {
            Some(h) => h,
            None => Hashed { settled: print.is_settled(), sha256: sha256_file(path)?, print },
        };
        let sha256 = hashed.sha256.clone();
        self.used.lock().unwrap_or_else(PoisonError::into_inner).insert(name, hashed);
        Ok(sha256)
    }

    /// Keeps the hashes that were asked for, where something is new; a folder that cannot be written keeps none.
    pub fn save(&self) {
        let mut used = self.used.lock().unwrap_or_else(PoisonError::into_inner).clone();
        for (name, h) in used.iter_mut().filter(|(_, h)| !h.settled) {
            let path = &self.base.join(name);
            let same = |p: Result<FilePrint>| p.is_ok_and(|p| p == h.print);
            let still = h.print.is_settled() && same(FilePrint::of(path));
            h.settled = still && sha256_file(path).is_ok_and(|s| s == h.sha256) && same(FilePrint::of(path));
        }
        used.retain(|_, h| h.settled);
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let same =
            known.len() == used.len() && known.iter().zip(&used).all(|(a, b)| a.0 == b.0 && a.1.print == b.1.print);
        if !same && let Ok(text) = serde_json::to_vec(&used) {
            let _ = write_whole(&self.path, &text);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn old(path: &Path) {
        std::fs::File::options().write(true).open(path).unwrap().set_modified(SystemTime::now() - 5 * SETTLED).unwrap();
    }

    #[test]
    fn a_changed_file_is_hashed_again_and_a_fresh_one_is_not_kept() {
        let dir = tempfile::tempdir().unwrap();
        let (list, file) = (dir.path().join("prints.json"), dir.path().join("a"));
        std::fs::write(&file, "one").unwrap();
        let prints = Prints::open(list.clone(), dir.path().into());
        let one = prints.sha256(&file).unwrap();
        prints.save();
        assert_eq!(std::fs::read_to_string(&list).unwrap_or_default(), "", "a fresh file's hash is not kept");
        std::fs::write(&file, "two").unwrap();
        let two = prints.sha256(&file).unwrap();
        assert_ne!(one, two);
        // Length and time of the content as before, other content: the entry's own time tells (on Unix).
        old(&file);
        let before = FilePrint::of(&file).unwrap();
        std::fs::write(&file, "six").unwrap();
        old(&file);
        if cfg!(unix) {
            assert_ne!(FilePrint::of(&file).unwrap(), before);
        }
        assert!(prints.sha256(&dir.path().join("nowhere")).is_err());
        assert!(prints.sha256(dir.path()).is_err());
    }

    #[test]
    fn what_was_kept_is_found_without_reading() {
        let dir = tempfile::tempdir().unwrap();
        let (list, file) = (dir.path().join("prints.json"), dir.path().join("a"));
        std::fs::write(&file, "one").unwrap();
        let hashed = Hashed { print: FilePrint::of(&file).unwrap(), sha256: "known".into(), settled: true };
        std::fs::write(&list, serde_json::to_vec(&BTreeMap::from([("a", hashed)])).unwrap()).unwrap();
        let open = || Prints::open(list.clone(), dir.path().into());
        assert_eq!(open().sha256(&file).unwrap(), "known");
        std::fs::write(&list, "{ broken").unwrap();
        assert_ne!(open().sha256(&file).unwrap(), "known");
    }
}
