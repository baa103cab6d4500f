//! Was this very pair of photos compared before, and what came of it?
//!
//! What a comparison leaves is kept in `.pockmark/looks/`, named by a SHA-256 over everything that it depends on: the
//! program itself, the calibration, the photos' contents, the settings. So nothing is ever out of date: what changed has another
//! name. The files of several machines that shared a session may be put together into one folder.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::known::Found;
use super::looks::VolleyLook;
use super::page::Page;
use crate::camera::WallView;
use crate::error::Result;
use crate::session::SessionPaths;
use crate::session::hash::sha256_hex;
use crate::session::prints::Prints;
use crate::session::write::write_whole;

/// First bytes of a kept file; the number changes with its format.
const MAGIC: &[u8] = b"pockmark look 2\n";
/// Length of a SHA-256 in hexadecimal digits.
const HASH_CHARS: usize = 64;
/// Largest kept file read, bytes: a volley of a wall full of changes has some 20 MB.
const LARGEST_BYTES: u64 = 128 * 1024 * 1024;
/// How hard the content is pressed, 0 to 10: photos' noise does not shrink, so the fastest.
const PRESS: u8 = 1;

/// What is kept of a compared row.
#[derive(Serialize, Deserialize)]
pub(super) struct KeptLook<F, L> {
    /// `None` for a photo without shots.
    pub found: Option<F>,
    /// The volley before it, seen once more.
    pub again: Option<L>,
    /// How the photo sees the wall, or why that is not known.
    pub view: std::result::Result<WallView, String>,
    /// Whether it was placed by its sheets.
    pub by_sheets: bool,
    /// The page of the wall after it.
    pub page: Page,
}

impl KeptLook<Found, VolleyLook> {
    /// Whether its sizes hold together: whatever lies in a file, no index leads out of a list.
    fn holds(&self) -> bool {
        let found = match &self.found {
            Some(Found::Looked(l)) => l.holds(),
            _ => true,
        };
        found && self.again.as_ref().is_none_or(VolleyLook::holds)
    }
}

/// The kept comparisons of a session.
#[derive(Debug)]
pub struct Kept {
    folder: PathBuf,
    program: String,
    prints: Prints,
    used: Mutex<BTreeSet<String>>,
    /// What others kept is not looked at.
    anew: bool,
}

impl Kept {
    /// Opens a session's kept comparisons; `None` where the program cannot tell itself from another version of it.
    pub fn open(paths: &SessionPaths) -> Option<Self> {
        let own = paths.own();
        let inside = match (own.canonicalize(), paths.dir.canonicalize()) {
            (Ok(there), Ok(home)) => there.starts_with(home),
            _ => true,
        };
        let prints = Prints::open(own.join("prints.json"), paths.dir.clone());
        let program = prints.sha256(&std::env::current_exe().ok()?).ok()?;
        inside.then(|| Self { folder: own.join("looks"), program, prints, used: Mutex::default(), anew: false })
    }

    /// As if nothing had been kept before; it is not thrown away, since other parts of a run may need it.
    pub fn looking_anew(self) -> Self {
        Self { anew: true, ..self }
    }

    fn passes_over(&self, name: &str) -> bool {
        self.anew && !self.used.lock().unwrap_or_else(PoisonError::into_inner).contains(name)
    }

    /// Whether anything can be kept here.
    ///
    /// # Errors
    /// The folder cannot be made or written to.
    pub fn check(&self) -> Result<()> {
        let path = self.folder.join("about.txt");
        write_whole(
            &path,
            b"What was found in pairs of photos, so that it need not be looked for again. May be deleted.\n",
        )
    }

    /// SHA-256 of a file's content.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn sha256(&self, path: &std::path::Path) -> Result<String> {
        self.prints.sha256(path)
    }

    /// The name of what depends on these parts, and on the program.
    pub fn name(&self, parts: &[String]) -> String {
        let mut text = self.program.clone();
        for p in parts {
            // Lengths keep "ab", "c" from "a", "bc".
            text += &format!("\n{} {p}", p.len());
        }
        sha256_hex(text.as_bytes())
    }

    /// The comparison kept under a name, if it is there and whole.
    pub(super) fn look(&self, name: &str) -> Option<KeptLook<Found, VolleyLook>> {
        self.get::<KeptLook<Found, VolleyLook>>(name).filter(KeptLook::holds)
    }

    /// Whether something is kept under a name; it is not forgotten then.
    pub(super) fn has(&self, name: &str) -> bool {
        let there = !self.passes_over(name) && self.folder.join(name).is_file();
        if there {
            self.use_name(name);
        }
        there
    }

    /// The bytes kept under a name, as they lie there, if they are there and whole.
    pub(super) fn bytes(&self, name: &str) -> Option<Vec<u8>> {
        if self.passes_over(name) {
            return None;
        }
        let path = self.folder.join(name);
        let about = std::fs::symlink_metadata(&path).ok()?;
        if !about.is_file() || about.len() > LARGEST_BYTES {
            return None;
        }
        let mut bytes = std::fs::read(&path).ok()?;
        let rest = bytes.strip_prefix(MAGIC)?;
        let (hash, pressed) = rest.split_at_checked(HASH_CHARS)?;
        if sha256_hex(pressed).as_bytes() != hash {
            return None;
        }
        Some(bytes.split_off(MAGIC.len() + HASH_CHARS))
    }

    /// Whether something is kept under a name and is whole.
    pub(super) fn is_whole(&self, name: &str) -> bool {
        let whole = self.bytes(name).is_some();
        if whole {
            self.use_name(name);
        }
        whole
    }

    /// Forgets what is kept under a name.
    pub(super) fn throw_away(&self, name: &str) {
        let _ = std::fs::remove_file(self.folder.join(name));
    }

    /// What is kept under a name, if it is there and whole.
    pub(super) fn get<T: DeserializeOwned>(&self, name: &str) -> Option<T> {
        let pressed = self.bytes(name)?;
        let most = usize::try_from(4 * LARGEST_BYTES).ok()?;
        let plain = miniz_oxide::inflate::decompress_to_vec_with_limit(&pressed, most).ok()?;
        let found = postcard::from_bytes(&plain).ok()?;
        self.use_name(name);
        Some(found)
    }

    /// Keeps something under a name; a folder that cannot be written keeps nothing, and the answer is no.
    pub(super) fn put<T: Serialize>(&self, name: &str, what: &T) -> bool {
        let Ok(plain) = postcard::to_stdvec(what) else { return false };
        self.put_bytes(name, &miniz_oxide::deflate::compress_to_vec(&plain, PRESS))
    }

    /// As [`Kept::put`], bytes as they are.
    pub(super) fn put_bytes(&self, name: &str, what: &[u8]) -> bool {
        let mut bytes = MAGIC.to_vec();
        bytes.extend_from_slice(sha256_hex(what).as_bytes());
        bytes.extend_from_slice(what);
        let done = write_whole(&self.folder.join(name), &bytes).is_ok();
        if done {
            self.use_name(name);
        }
        done
    }

    fn use_name(&self, name: &str) {
        self.used.lock().unwrap_or_else(PoisonError::into_inner).insert(name.to_string());
    }

    /// Keeps the hashes of files.
    pub fn save_prints(&self) {
        self.prints.save();
    }

    /// Forgets what was neither found nor kept since [`Kept::open`]: what it depends on has changed.
    pub fn forget_unused(&self) {
        let used = self.used.lock().unwrap_or_else(PoisonError::into_inner);
        let named = |n: &str| n.len() == HASH_CHARS && n.bytes().all(|b| b.is_ascii_hexdigit());
        for e in std::fs::read_dir(&self.folder).into_iter().flatten().flatten() {
            let name = e.file_name().to_string_lossy().into_owned();
            if named(&name) && !used.contains(&name) {
                let _ = std::fs::remove_file(e.path());
            }
        }
    }
}
