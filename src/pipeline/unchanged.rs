//! Has anything changed since the last run, so that it must be done again?
//!
//! After a run, `.pockmark/last.json` holds a SHA-256 over everything that went in (the program, settings, tables, decisions,
//! calibrations, the photos with their names, the command's options) and the hashes of what came out. While both
//! still hold, a run has nothing to do. Hashes come from [`crate::session::prints`].

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::kept::Kept;
use super::rebuild::read_summary;
use super::recalibrated::later_numbers;
use crate::report::Summary;
use crate::session::pairing::{phone_names, photo_names};
use crate::session::spec::LAST_CALIBRATION;
use crate::session::table::read_text;
use crate::session::write::write_whole;
use crate::session::{Session, SessionPaths, VolleyResult};

/// Largest note read, bytes: 20 000 volleys with a sentence each.
const LARGEST_NOTE_BYTES: u64 = 32 * 1024 * 1024;

/// The last run's note.
#[derive(Serialize, Deserialize)]
struct Last {
    inputs: String,
    /// Paths in the session, with their hashes.
    files: Vec<(PathBuf, String)>,
    volleys: Vec<VolleyResult>,
}

/// What stands on the disk and still holds.
pub struct StillHolds {
    /// Rows of volleys.csv.
    pub volleys: Vec<VolleyResult>,
    /// Content of summary.json.
    pub summary: Summary,
}

/// A file's hash; its absence is a state like any other. `None` when it is there but cannot be read.
fn state(kept: &Kept, path: &Path) -> Option<String> {
    if path.is_file() { kept.sha256(path).ok() } else { Some("none".into()) }
}

/// Everything that a run depends on, as one hash; `None` where something cannot be read.
pub fn inputs(session: &Session, kept: &Kept, options: &str) -> Option<String> {
    let paths = &session.paths;
    let mut parts = vec!["run".to_string(), options.to_string()];
    // These two were read already: what counts is what was read.
    parts.extend(session.read.iter().map(|f| f.sha256.clone()));
    for path in [paths.review_csv(), paths.wall_json()] {
        parts.push(state(kept, &path)?);
    }
    let later = later_numbers(session);
    for number in 2..=LAST_CALIBRATION {
        parts.push(state(kept, &paths.dir.join(format!("wall-{number}.json")))?);
        parts.push(format!("{}", later.contains(&number)));
    }
    let mut folders = vec![paths.photos()];
    folders.extend(later.iter().map(|n| paths.dir.join(format!("calibration-{n}"))));
    for folder in folders {
        let names = photo_names(&folder)?;
        for name in names {
            parts.push(format!("{} {name}", kept.sha256(&folder.join(&name)).ok()?));
        }
        // Pairing may refuse these by their names.
        parts.extend(phone_names(&folder)?);
        parts.push("end of folder".into());
    }
    // Which photos of the sheets are there, and whether they are those of wall.json, is told.
    for name in photo_names(&paths.calibration()).unwrap_or_default() {
        parts.push(format!("{} {name}", kept.sha256(&paths.calibration().join(&name)).ok()?));
    }
    parts.push("end of folder".into());
    let tripod = session.spec.camera.tripod_photo.as_ref().map(|t| paths.dir.join(t));
    parts.push(tripod.map_or(Some(String::new()), |t| state(kept, &t))?);
    Some(kept.name(&parts))
}

fn note(paths: &SessionPaths) -> PathBuf {
    paths.own().join("last.json")
}

/// The last run's results, where they still hold for these inputs and lie untouched.
/// `parquet`: whether the Parquet tables must be among them.
pub fn still_holds(session: &Session, kept: &Kept, inputs: &str, parquet: bool) -> Option<StillHolds> {
    let last: Last = serde_json::from_str(&read_text(&note(&session.paths), LARGEST_NOTE_BYTES).ok()?).ok()?;
    let untouched = |f: &(PathBuf, String)| kept.sha256(&session.paths.dir.join(&f.0)).is_ok_and(|s| s == f.1);
    let has_parquet = last.files.iter().any(|f| f.0.extension().is_some_and(|e| e == "parquet"));
    if last.inputs != inputs || (parquet && !has_parquet) || last.files.is_empty() || !last.files.iter().all(untouched)
    {
        return None;
    }
    Some(StillHolds { volleys: last.volleys, summary: read_summary(&session.paths).ok()? })
}

/// Notes a run that went from these inputs to these files, and keeps the hashes; a folder that cannot be written notes nothing.
pub fn note_run(session: &Session, kept: &Kept, inputs: &str, files: &[PathBuf], volleys: &[VolleyResult]) {
    let dir = &session.paths.dir;
    let hashed = files.iter().map(|f| Some((f.strip_prefix(dir).ok()?.to_path_buf(), kept.sha256(f).ok()?)));
    let last = Last { inputs: inputs.into(), files: hashed.flatten().collect(), volleys: volleys.to_vec() };
    if last.files.len() == files.len()
        && let Ok(text) = serde_json::to_vec(&last)
    {
        let _ = write_whole(&note(&session.paths), &text);
    }
    kept.save_prints();
}
