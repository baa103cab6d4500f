//! What does an empty session look like, so that a person can fill it in?

use std::path::{Path, PathBuf};

use crate::error::{Error, Result};

use super::results::write_together;

/// The `session.toml` of a new session: every key explained, with examples in both kinds of units.
pub const SESSION_TOML: &str = include_str!("template/session.toml");
/// The `volleys.csv` of a new session.
pub const VOLLEYS_CSV: &str = include_str!("template/volleys.csv");
const CALIBRATION_README: &str = include_str!("template/calibration.txt");
const PHOTOS_README: &str = include_str!("template/photos.txt");

/// Makes a session's folder with a `session.toml` and a `volleys.csv` to fill in, and folders for the
/// photos. Gives the paths written.
///
/// # Errors
/// When any of the files is there already (nothing is overwritten), or the folder cannot be made.
pub fn new_session(dir: &Path) -> Result<Vec<PathBuf>> {
    let files: [(PathBuf, &[u8]); 4] = [
        (dir.join("session.toml"), SESSION_TOML.as_bytes()),
        (dir.join("volleys.csv"), VOLLEYS_CSV.as_bytes()),
        (dir.join("calibration").join("README.txt"), CALIBRATION_README.as_bytes()),
        (dir.join("photos").join("README.txt"), PHOTOS_README.as_bytes()),
    ];
    if let Some((there, _)) = files.iter().find(|(path, _)| path.symlink_metadata().is_ok()) {
        return Err(Error::input(format!(
            "{} is there already and was left as it is; choose a new folder, or move the file away",
            there.display()
        )));
    }
    write_together(&files)?;
    Ok(files.into_iter().map(|(path, _)| path).collect())
}

/// Whether a `session.toml` still holds the example's numbers, which describe nobody's machine.
pub fn is_untouched(session_toml: &str) -> bool {
    let plain = |text: &str| text.replace("\r\n", "\n").trim().to_string();
    plain(session_toml) == plain(SESSION_TOML)
}
