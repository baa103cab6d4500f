//! Which sessions lie in some folders, and what of them goes onto the shelf?

use std::path::{Component, Path, PathBuf};

use rayon::prelude::*;

use super::rebuild::{out_of_date, read_summary};
use crate::error::{Error, Result};
use crate::report::shelf::{ShelfEntry, entries};
use crate::session::SessionPaths;

/// How deep below a named folder sessions are looked for: year, month, session.
const DEEPEST: usize = 3;
/// Most folders looked at: a slip such as `/` must end.
const MOST_FOLDERS: usize = 20_000;

/// What was found.
#[derive(Debug, Default)]
pub struct Shelf {
    /// One entry a setup, sessions in the order found.
    pub entries: Vec<ShelfEntry>,
    /// Sessions found.
    pub sessions: usize,
    /// Sessions that could not be read, or have nothing to show; a sentence each.
    pub problems: Vec<String>,
    /// Sessions whose results are out of date, a sentence each.
    pub stale: Vec<String>,
}

/// The folders with results, in natural order; folders with a point in front are passed over.
fn find(dir: &Path, depth: usize, left: &mut usize, out: &mut Vec<PathBuf>) -> Result<()> {
    if dir.join("results").join("summary.json").is_file() {
        out.push(dir.to_path_buf());
        return Ok(());
    }
    // A session without results has no sessions inside.
    if depth == 0 || dir.join("session.toml").is_file() {
        return Ok(());
    }
    let listed = std::fs::read_dir(dir).map_err(|e| Error::io(dir, "look into", e))?;
    let mut inside: Vec<PathBuf> = listed
        .filter_map(|e| e.ok())
        .filter(|e| e.file_type().is_ok_and(|t| t.is_dir()) && !e.file_name().to_string_lossy().starts_with('.'))
        .map(|e| e.path())
        .collect();
    inside.sort_by(|a, b| natord::compare(&a.to_string_lossy(), &b.to_string_lossy()));
    for path in inside {
        *left = left.saturating_sub(1);
        if *left == 0 {
            return Err(Error::usage(format!(
                "{} holds more than {MOST_FOLDERS} folders: name the folder that holds the sessions",
                dir.display()
            )));
        }
        find(&path, depth - 1, left, out)?;
    }
    Ok(())
}

/// A relative way from one folder to another, with a slash at the end; empty where there is none.
fn way(from: &Path, to: &Path) -> String {
    let (Ok(from), Ok(to)) = (from.canonicalize(), to.canonicalize()) else { return String::new() };
    let (a, b): (Vec<Component>, Vec<Component>) = (from.components().collect(), to.components().collect());
    let same = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    if same == 0 {
        return String::new();
    }
    let mut parts: Vec<String> = a.iter().skip(same).map(|_| "..".to_string()).collect();
    parts.extend(b.iter().skip(same).map(|c| c.as_os_str().to_string_lossy().into_owned()));
    if parts.is_empty() { "./".into() } else { parts.join("/") + "/" }
}

/// What of one session goes onto the shelf, and whether it is out of date.
type OnShelf = (Vec<ShelfEntry>, Option<String>);

/// Reads all sessions below the folders; `page_folder` is where the page will stand, for its links.
///
/// # Errors
/// A folder that is not there, or no session anywhere. A session that cannot be read is named in [`Shelf::problems`].
pub fn read_shelf(dirs: &[PathBuf], page_folder: &Path) -> Result<Shelf> {
    let mut found = Vec::new();
    let mut left = MOST_FOLDERS;
    for dir in dirs {
        if !dir.is_dir() {
            return Err(Error::input(format!(
                "{} is no folder: name folders of sessions, or a folder that holds some",
                dir.display()
            )));
        }
        find(dir, DEEPEST, &mut left, &mut found)?;
    }
    let mut seen = std::collections::HashSet::new();
    found.retain(|d| seen.insert(d.canonicalize().unwrap_or_else(|_| d.clone())));
    if found.is_empty() {
        let dirs: Vec<String> = dirs.iter().map(|d| d.display().to_string()).collect();
        return Err(Error::input(format!(
            "no session with results in {}: measure one first with `pockmark run`",
            dirs.join(", ")
        )));
    }
    let read: Vec<std::result::Result<OnShelf, String>> = found
        .par_iter()
        .map(|dir| {
            let paths = SessionPaths::new(dir);
            let summary = read_summary(&paths).map_err(|e| e.to_string())?;
            let results = paths.results();
            let has = (results.join("report.html").is_file(), results.join("labels").join("labels.pdf").is_file());
            let link = way(page_folder, dir);
            let has = if link.is_empty() { (false, false) } else { has };
            let entries = entries(&summary, &dir.display().to_string(), &link, has);
            if entries.is_empty() {
                return Err(format!("{}: no volley gave a result", dir.display()));
            }
            Ok((entries, out_of_date(dir, &summary)))
        })
        .collect();
    let mut shelf = Shelf { sessions: found.len(), ..Shelf::default() };
    for one in read {
        match one {
            Ok((e, stale)) => {
                shelf.entries.extend(e);
                shelf.stale.extend(stale);
            }
            Err(p) => shelf.problems.push(p),
        }
    }
    Ok(shelf)
}
