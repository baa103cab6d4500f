//! What lies in a session's folder, and how is it read and written?
//!
//! [`Session::open`] reads `session.toml` and `volleys.csv`; [`Session::pair_photos`] then ties
//! photos to volleys. [`SessionPaths`] names every file of the folder. Results are written by
//! [`write_together`], decisions by [`review::write_review`]; nothing here writes into `photos/` or
//! `calibration/` of a session that exists.

mod assumed;
mod boards;
pub mod flags;
pub mod hash;
pub mod impacts;
mod located;
pub mod lock;
mod nearest;
pub mod new;
mod order;
pub mod pairing;
pub mod parquet;
pub mod prints;
pub mod results;
pub mod review;
pub mod spec;
pub mod table;
pub mod volleys;
pub mod write;

use std::path::{Path, PathBuf};

pub use flags::FlagWord;
pub use new::new_session;
pub use pairing::{Matched, PairedVolley, Pairing};
pub use results::{ShotRow, Status, VolleyResult, write_together, write_whole};
pub use spec::SessionSpec;
pub use volleys::{VolleyRow, VolleyTable};

use crate::error::{Context, Error, Result};
use hash::{FileHash, sha256_hex};
use nearest::nearest;

/// Where everything of a session lies.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionPaths {
    /// The session's folder.
    pub dir: PathBuf,
}

impl SessionPaths {
    /// The paths of a session's folder.
    pub fn new(dir: impl Into<PathBuf>) -> Self {
        Self { dir: dir.into() }
    }

    /// `session.toml`
    pub fn session_toml(&self) -> PathBuf {
        self.dir.join("session.toml")
    }

    /// `volleys.csv`
    pub fn volleys_csv(&self) -> PathBuf {
        self.dir.join("volleys.csv")
    }

    /// `impacts.csv`
    pub fn impacts_csv(&self) -> PathBuf {
        self.dir.join("impacts.csv")
    }

    /// `review.csv`
    pub fn review_csv(&self) -> PathBuf {
        self.dir.join("review.csv")
    }

    /// `wall.json`
    pub fn wall_json(&self) -> PathBuf {
        self.dir.join("wall.json")
    }

    /// `calibration/`
    pub fn calibration(&self) -> PathBuf {
        self.dir.join("calibration")
    }

    /// `photos/`
    pub fn photos(&self) -> PathBuf {
        self.dir.join("photos")
    }

    /// `results/`
    pub fn results(&self) -> PathBuf {
        self.dir.join("results")
    }

    /// `.pockmark/`: what the program keeps for itself; may be deleted.
    pub fn own(&self) -> PathBuf {
        self.dir.join(".pockmark")
    }

    /// `results/`, which must lie in the session's folder: a link that leads elsewhere could have any file written over.
    ///
    /// # Errors
    /// It is a link that leads out of the folder, or a file.
    pub fn own_results(&self) -> Result<PathBuf> {
        let results = self.results();
        let (Ok(there), Ok(home)) = (results.canonicalize(), self.dir.canonicalize()) else { return Ok(results) };
        if !there.starts_with(&home) {
            return Err(Error::input(format!(
                "{} leads to {}, out of the session's folder: replace it by a folder",
                results.display(),
                there.display()
            )));
        }
        if !there.is_dir() {
            return Err(Error::input(format!(
                "{} is a file, but a folder goes there: move it away",
                results.display()
            )));
        }
        Ok(results)
    }
}

/// A session's settings and volleys.
#[derive(Clone, Debug, PartialEq)]
pub struct Session {
    /// Where it lies.
    pub paths: SessionPaths,
    /// `session.toml`
    pub spec: SessionSpec,
    /// `volleys.csv`
    pub volleys: VolleyTable,
    /// What a person should know, one sentence each.
    pub notes: Vec<String>,
    /// The two files as they were read; empty for a session that was not read from files.
    pub read: Vec<FileHash>,
}

impl Session {
    /// Reads `session.toml` and `volleys.csv` of a folder and checks them against each other.
    ///
    /// # Errors
    /// When either is missing or says something that cannot be used, or the reference setup names a
    /// factor or value that no volley has.
    pub fn open(dir: &Path) -> Result<Self> {
        let paths = SessionPaths::new(dir);
        check_folder(&paths)?;
        let text = table::read_text(&paths.session_toml(), table::LARGEST_FILE_BYTES)?;
        let spec = SessionSpec::parse(&text).place(|| paths.session_toml().display().to_string())?;
        check_table(&paths)?;
        let path = paths.volleys_csv();
        let table = table::read_text(&path, table::LARGEST_FILE_BYTES)?;
        let volleys = VolleyTable::parse(&table).place(|| path.display().to_string())?;
        let read = [(paths.session_toml(), &text), (path, &table)];
        let read = read.map(|(path, text)| FileHash::new(&path, sha256_hex(text.as_bytes()))).to_vec();
        check_reference(&spec, &volleys).place(|| paths.session_toml().display().to_string())?;
        if spec.machine.zero.is_none() && !volleys.has_zero_shots() {
            return Err(spec::zero_missing().context(paths.session_toml().display().to_string()));
        }
        let mut notes = Vec::new();
        if new::is_untouched(&text) {
            notes.push("session.toml still holds the example's numbers: measure your own machine and wall".to_string());
        }
        if !volleys.planned.is_empty() {
            let names: Vec<&str> = volleys.planned.iter().map(|r| r.volley.as_str()).collect();
            notes.push(format!(
                "{} planned volley(s) have no speed reading and were taken as not shot: {}",
                names.len(),
                names.join(", ")
            ));
        }
        notes.extend(volleys.factor_notes());
        Ok(Self { paths, spec, volleys, notes, read })
    }

    /// Ties the photos of `photos/` to the volleys.
    ///
    /// # Errors
    /// As for [`pairing::list_photos`] and [`pairing::pair`].
    pub fn pair_photos(&self) -> Result<Pairing> {
        let photos = self.paths.photos();
        if !photos.is_dir() {
            return Err(Error::input(format!(
                "{}: there is no such folder; put the photos of the volleys there",
                photos.display()
            )));
        }
        let folder = pairing::list_photos(&photos)?;
        pairing::pair(&self.volleys, &folder).place(|| self.paths.volleys_csv().display().to_string())
    }

    /// The tripod photo's path, where one is stated and there.
    ///
    /// # Errors
    /// When one is stated but is not there.
    pub fn tripod_photo(&self) -> Result<Option<PathBuf>> {
        let Some(inside) = &self.spec.camera.tripod_photo else { return Ok(None) };
        let path = self.paths.dir.join(inside);
        if path.is_file() {
            return Ok(Some(path));
        }
        Err(Error::input(format!(
            "session.toml: [camera] tripod_photo: there is no photo {inside}; check the name, or remove the line"
        )))
    }
}

/// The name of a file in a folder that is nearly `wanted` (other capitals, another ending or one more, a slip of the pen).
fn nearly_called(dir: &Path, wanted: &str) -> Option<String> {
    let stem = wanted.split_once('.').map_or(wanted, |(stem, _)| stem);
    let is_near = |name: &String| {
        let small = name.to_lowercase();
        let same_stem = small.strip_prefix(stem).is_some_and(|rest| rest.starts_with('.'));
        name != wanted && (same_stem || nearest(&small, [wanted]).is_some())
    };
    let inside = std::fs::read_dir(dir).into_iter().flatten().take(pairing::MOST_FILES).flatten();
    let names = inside.filter(|e| e.path().is_file()).filter_map(|e| e.file_name().into_string().ok());
    // The same one whatever the folder's order.
    names.filter(is_near).min()
}

/// A table that is to be made must not lie beside one whose name differs in capitals alone: where names are told apart by them, nobody
/// would see which of the two is read.
///
/// # Errors
/// There is such a file, and none of the right name.
pub fn check_capitals(paths: &SessionPaths) -> Result<()> {
    if paths.volleys_csv().is_file() {
        return Ok(());
    }
    match nearly_called(&paths.dir, "volleys.csv") {
        Some(near) if near.eq_ignore_ascii_case("volleys.csv") => {
            let dir = paths.dir.display();
            Err(Error::input(format!("{dir} has {near}, which is not read: rename it to volleys.csv first")))
        }
        _ => Ok(()),
    }
}

/// A session's `volleys.csv` must be there.
fn check_table(paths: &SessionPaths) -> Result<()> {
    if paths.volleys_csv().symlink_metadata().is_ok() {
        return Ok(());
    }
    let dir = paths.dir.display();
    let what_to_do = match nearly_called(&paths.dir, "volleys.csv") {
        Some(near) if near.to_lowercase().ends_with(".csv") || near.to_lowercase().contains(".csv.") => {
            format!("there is {near}, which is nearly called so: rename it")
        }
        Some(near) => format!("there is {near}: save it as CSV UTF-8 under the name volleys.csv"),
        None => "write one row for every photo, or have `pockmark plan` make it".to_string(),
    };
    Err(Error::input(format!("{dir} has no volleys.csv; {what_to_do}")))
}

/// The folder of results that are asked for must be there.
///
/// # Errors
/// It is not, or is a file.
pub fn check_dir(dir: &Path) -> Result<()> {
    if dir.is_dir() {
        return Ok(());
    }
    let shown = dir.display();
    Err(Error::input(if dir.exists() {
        format!("{shown} is a file, but a session is a folder with a session.toml: name that")
    } else {
        format!("there is no folder {shown} (a session is a folder with a session.toml): check the path")
    }))
}

/// A session's folder must be there, and be one.
fn check_folder(paths: &SessionPaths) -> Result<()> {
    let dir = paths.dir.display();
    if paths.session_toml().is_file() {
        return Ok(());
    }
    let what = if paths.dir.is_file() {
        return check_dir(&paths.dir);
    } else if !paths.dir.is_dir() {
        format!("there is no folder {dir} (a session is a folder with a session.toml): check the path")
    } else if let Some(near) = nearly_called(&paths.dir, "session.toml") {
        return Err(Error::input(format!(
            "{dir} has no session.toml, but a file that is nearly called so, {near}: rename it"
        )));
    } else {
        format!("{dir} is no session: it has no session.toml")
    };
    let inside = std::fs::read_dir(&paths.dir).into_iter().flatten().take(pairing::MOST_FILES).flatten();
    let near = inside.map(|e| e.path()).find(|p| p.join("session.toml").is_file());
    Err(Error::input(match near {
        Some(near) => format!("{what}; is {} meant?", near.display()),
        None => format!("{what}; make one with `pockmark new`"),
    }))
}

/// The reference setup must be one that was shot or is planned.
fn check_reference(spec: &SessionSpec, volleys: &VolleyTable) -> Result<()> {
    for (factor, value) in &spec.study.reference {
        if !volleys.factor_names.contains(factor) {
            let known = volleys.factor_names.iter().map(String::as_str);
            let hint = match nearest(factor, known) {
                Some(near) => format!("did you mean {near}?"),
                None if volleys.factor_names.is_empty() => "volleys.csv has no factor columns".to_string(),
                None => format!("its factors are {}", volleys.factor_names.join(", ")),
            };
            return Err(Error::input(format!("[study] reference: volleys.csv has no factor {factor}; {hint}")));
        }
        let shot = |r: &&VolleyRow| r.shots > 0 && r.factors.get(factor) == Some(value);
        let rows = || volleys.rows.iter().chain(&volleys.planned);
        if !rows().any(|r| shot(&r)) {
            let mut values: Vec<&str> =
                rows().filter(|r| r.shots > 0).filter_map(|r| r.factors.get(factor)).map(String::as_str).collect();
            values.sort_unstable();
            values.dedup();
            return Err(Error::input(format!(
                "[study] reference: no volley has {factor} = \"{value}\"; volleys.csv has {}",
                values.join(", ")
            )));
        }
    }
    Ok(())
}
