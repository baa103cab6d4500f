//! How is a page made again from results that are there, without measuring anew?

use std::io::Write;
use std::path::{Path, PathBuf};

use super::Progress;
use super::pictures::cut_pictures;
use crate::error::{Context, Error, Result, typed};
use crate::report::{ChartFiles, Summary, write_page};
use crate::session::hash::FileHash;
use crate::session::lock::{SessionLock, Work};
use crate::session::pairing::photo_names;
use crate::session::spec::LAST_CALIBRATION;
use crate::session::table::read_text;
use crate::session::write::{Content, is_switching, write_contents};
use crate::session::{SessionPaths, write_together};

/// Largest summary read, bytes: a session of 500 volleys has some 10 MB.
const LARGEST_SUMMARY_BYTES: u64 = 256 * 1024 * 1024;

/// Reads `results/summary.json` of a session's folder.
///
/// # Errors
/// It is missing, is not a summary, or was written in a later version's format.
pub fn read_summary(paths: &SessionPaths) -> Result<Summary> {
    let path = there(paths)?;
    Summary::from_json(&read_text(&path, LARGEST_SUMMARY_BYTES)?).place(|| path.display().to_string())
}

/// Where the summary lies.
fn there(paths: &SessionPaths) -> Result<PathBuf> {
    let path = paths.results().join("summary.json");
    if !path.is_file() {
        return Err(Error::input(format!(
            "{} has no results/summary.json: measure it first with `pockmark run {}`",
            paths.dir.display(),
            typed(&paths.dir)
        )));
    }
    Ok(path)
}

/// Says so when files of a session are others than those that its results were made from, came since, or are gone. Where results lie without
/// their session, nothing can be said.
pub fn out_of_date(session: &Path, summary: &Summary) -> Option<String> {
    let is_there = |name: &str| session.join(name).is_file();
    let whole = is_there("session.toml");
    let is_other = |f: &&FileHash| (whole || is_there(&f.path)) && f.is_other(session);
    let mut changed: Vec<String> = summary.files.iter().filter(is_other).map(|f| f.path.clone()).collect();
    if whole && summary.calibration.is_some() {
        // A calibration counts once its photos are there; what is not named was not there.
        let calibrated =
            |n: &u32| photo_names(&session.join(format!("calibration-{n}"))).is_some_and(|p| !p.is_empty());
        let walls = (2..=LAST_CALIBRATION).filter(calibrated).map(|n| format!("wall-{n}.json"));
        let unnamed = |name: &String| summary.files.iter().all(|f| f.path != *name);
        changed.extend(walls.chain(["review.csv".into()]).filter(unnamed).filter(|name| is_there(name)));
    }
    (!changed.is_empty()).then(|| {
        format!(
            "Changed since the results of {} were made: {}. Run the session again first.",
            session.display(),
            changed.join(", ")
        )
    })
}

/// Takes the lock for writing, and reads the summary: what is made of it is written while it holds.
///
/// # Errors
/// As for [`read_summary`]; somebody else is still writing.
pub fn locked_summary(paths: &SessionPaths, command: &str, progress: Progress) -> Result<(SessionLock, Summary)> {
    // A folder without results is no session to leave a lock in; results that a killed program had begun to switch are some.
    if !is_switching(&paths.results()) {
        there(paths)?;
    }
    let lock = SessionLock::take(paths, Work::Write, command, progress)?;
    Ok((lock, read_summary(paths)?))
}

/// Draws `results/report.html` again from the summary and the photos; the path written, and the volleys that have a view of
/// their photo but no picture, because the photos are gone.
///
/// # Errors
/// As for [`read_summary`]; the page cannot be written.
pub fn rebuild_report(dir: &Path, progress: Progress) -> Result<(Summary, PathBuf, Vec<String>)> {
    let paths = SessionPaths::new(dir);
    // Summary and page belong together: nobody may change one in between.
    let (_lock, summary) = locked_summary(&paths, "report", progress)?;
    let pictures = cut_pictures(&paths, &summary.volleys, progress);
    let missing = summary
        .volleys
        .iter()
        .filter(|v| !v.photo.is_empty() && !v.marks.is_empty() && pictures.iter().all(|p| p.volley != v.volley))
        .map(|v| v.volley.clone())
        .collect();
    let path = paths.own_results()?.join("report.html");
    let page = |to: &mut dyn Write| write_page(&summary, &pictures, to);
    write_contents(&[(path.clone(), Content::Made(&page))])?;
    Ok((summary, path, missing))
}

/// Writes charts into a folder, all or none.
///
/// # Errors
/// The folder cannot be written.
pub fn write_charts(folder: &Path, charts: &[ChartFiles]) -> Result<Vec<PathBuf>> {
    let files: Vec<(PathBuf, &[u8])> = charts
        .iter()
        .flat_map(|c| {
            let at = |end: &str| folder.join(format!("{}.{end}", c.name));
            [(at("svg"), c.svg.as_bytes()), (at("png"), c.png.as_slice())]
        })
        .collect();
    write_together(&files)?;
    Ok(files.into_iter().map(|f| f.0).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_without_results_stays_as_it_was() {
        let dir = tempfile::tempdir().unwrap();
        let refused = rebuild_report(dir.path(), &|_| {}).unwrap_err().to_string();
        assert!(refused.contains("no results/summary.json"), "{refused}");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }
}
