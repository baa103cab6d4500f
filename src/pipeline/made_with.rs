//! Does a calibration still belong to its session?
//!
//! A `wall.json` names the settings that went into it. When `session.toml` says something else by now, every place on the wall is out
//! of date, and nothing goes on before it is calibrated again. Photos that came or went are only told: they may have been put away.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::LazyLock;

use rayon::prelude::*;

use super::calibrate::{calibration_folder, wall_path};
use crate::camera::Wall;
use crate::error::{Error, Result, typed};
use crate::quantity::{Dimension, Quantity};
use crate::report::Units;
use crate::session::Session;
use crate::session::pairing::{photo_names, short_list};
use crate::session::prints::Prints;
use crate::session::spec::Level;

/// Most decimals of a length.
const MOST_DECIMALS: usize = 6;
/// Most photos that a sentence names.
const SHOWN: usize = 3;

/// The settings of `session.toml` that a calibration depends on, each with its value in SI units.
pub fn made_with(session: &Session) -> BTreeMap<String, String> {
    let (wall, sheets) = (&session.spec.wall, &session.spec.sheets);
    let pair = |p: &[u32; 2]| format!("[{}, {}]", p[0], p[1]);
    let mut out = BTreeMap::new();
    let mut put = |key: String, value: String| {
        out.insert(key, value);
    };
    put("wall.origin_sheet".into(), wall.origin_sheet.to_string());
    match &wall.level {
        Level::LevelSheets(p) => put("wall.level_sheets".into(), pair(p)),
        Level::PlumbSheets(p) => put("wall.plumb_sheets".into(), pair(p)),
        Level::OriginSheet => {}
    }
    let bars = [("wall.printed_bar", wall.printed_bar), ("wall.printed_bar_down", wall.printed_bar_down)];
    for (key, bar) in bars.into_iter().filter_map(|(k, b)| Some((k, b?))) {
        put(key.into(), bar.to_si_text(Dimension::Length));
    }
    for t in &wall.tapes {
        put(format!("wall.tape {}", pair(&t.sheets)), t.distance.to_si_text(Dimension::Length));
    }
    put("sheets.square".into(), format!("{} mm", sheets.square_mm));
    for b in &sheets.boards {
        let square = b.square.to_si_text(Dimension::Length);
        put(format!("sheets.board {}", b.number), format!("{square}, tag_over_square {}", b.tag_over_square));
    }
    if let Some(photo) = &session.spec.camera.tripod_photo {
        put("camera.tripod_photo".into(), photo.clone());
    }
    out
}

/// Refuses a calibration that was made with other settings than the session has now; one that names none is taken as it is.
///
/// # Errors
/// A setting that it was made with is another by now.
pub(super) fn check(session: &Session, wall: &Wall, path: &Path) -> Result<()> {
    if wall.made_with.is_empty() {
        return Ok(());
    }
    let now = made_with(session);
    let keys = wall.made_with.keys().chain(now.keys());
    let changed = keys.map(|k| (k, wall.made_with.get(k), now.get(k))).find(|(_, was, is)| was != is);
    let Some((key, was, is)) = changed else { return Ok(()) };
    let unit = Units::of(session).length_word();
    let said = |v: Option<&String>| v.map_or("not stated".to_string(), |v| as_written(v, unit));
    Err(Error::input(format!(
        "{}: it was made while session.toml had another {key} ({}; now {}): run `pockmark calibrate {}`, then this again",
        path.display(),
        said(was),
        said(is),
        typed(&session.paths.dir)
    )))
}

/// A setting as [`made_with`] writes it, a length in mm or inches, whichever says it in fewer digits (most likely what somebody
/// wrote); `usual` where both do alike.
fn as_written(setting: &str, usual: &str) -> String {
    let (first, rest) = setting.split_once(", ").unwrap_or((setting, ""));
    let Ok(length) = Quantity::parse(first, Dimension::Length) else { return setting.to_string() };
    // A nanometre is what conversions leave.
    let says_the_same = |text: &String| {
        let read = Quantity::parse(text, Dimension::Length);
        read.is_ok_and(|q| (q.value - length.value).abs() < 1e-9 && (q.u - length.u).abs() < 1e-9)
    };
    let units = if usual == "in" { ["in", "mm"] } else { ["mm", "in"] };
    let all = (0..=MOST_DECIMALS).flat_map(|n| units.map(|unit| length.to_text(Dimension::Length, unit, n)));
    let text = all.filter_map(Result::ok).find(says_the_same).unwrap_or_else(|| first.to_string());
    if rest.is_empty() { text } else { format!("{text}, {rest}") }
}

/// What about a calibration needs a look whenever it is used, a sentence each.
pub(super) fn doubts(session: &Session, number: u32, wall: &Wall) -> Vec<String> {
    let which = if number < 2 { "calibration".to_string() } else { format!("calibration-{number}") };
    let all = wall.needs_look().into_iter().chain(other_photos(session, number, wall));
    all.map(|s| format!("{which}: {s}")).collect()
}

/// Says when other photos of the sheets are there than those that the calibration was made from. Where none is left of them, they
/// were put away.
fn other_photos(session: &Session, number: u32, wall: &Wall) -> Option<String> {
    let folder = calibration_folder(session, number);
    let name = folder.file_name()?.to_string_lossy().into_owned();
    let mut now: Vec<String> = photo_names(&folder)?.iter().map(|p| format!("{name}/{p}")).collect();
    now.sort_by(|a, b| natord::compare(a, b));
    let was: Vec<&String> =
        wall.quality.photos.iter().map(|p| &p.photo).filter(|p| p.starts_with(&format!("{name}/"))).collect();
    if now.is_empty() || was.is_empty() {
        return None;
    }
    let new: Vec<&String> = now.iter().filter(|n| !was.contains(n)).collect();
    let gone: Vec<&String> = was.into_iter().filter(|w| !now.contains(w)).collect();
    let list = |names: &[&String]| short_list(names.iter().map(|n| n.as_str()), SHOWN);
    let what = match (new.is_empty(), gone.is_empty()) {
        (true, true) => {
            let other = other_content(session, wall, &now);
            if other.is_empty() {
                return None;
            }
            format!("{} {} another picture by now", list(&other), if other.len() == 1 { "is" } else { "are each" })
        }
        (false, true) => format!("{} came", list(&new)),
        (true, false) => format!("{} went", list(&gone)),
        (false, false) => format!("{} came and {} went", list(&new), list(&gone)),
    };
    let file = wall_path(session, number);
    Some(format!(
        "{what} since {} was made, which knows nothing of it: run `pockmark calibrate {}`",
        file.file_name()?.to_string_lossy(),
        typed(&session.paths.dir)
    ))
}

/// Which of these photos hold something else than when the calibration was made from them. Each is hashed once while the program runs, as long
/// as it lies untouched: 8 photos of 12 megapixels take some 15 ms.
fn other_content<'n>(session: &Session, wall: &Wall, names: &'n [String]) -> Vec<&'n String> {
    static HASHED: LazyLock<Prints> = LazyLock::new(Prints::default);
    let was = |name: &str| wall.quality.photos.iter().find(|p| p.photo == name).map(|p| p.sha256.as_str());
    let other = |name: &&String| {
        let now = HASHED.sha256(&session.paths.dir.join(name.as_str())).ok();
        matches!((was(name), now), (Some(was), Some(now)) if !was.is_empty() && was != now)
    };
    names.par_iter().filter(other).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_have_the_digits_that_somebody_wrote() {
        assert_eq!(as_written("1.8472000000000002 m ± 0.001 m", "mm"), "1847.2 mm ± 1.0 mm");
        assert_eq!(as_written("1.9472 m ± 0.001 m", "in"), "1947.2 mm ± 1.0 mm");
        assert_eq!(as_written("1.9812 m ± 0.0015875 m", "in"), "78.0000 in ± 0.0625 in");
        assert_eq!(as_written("1.905 m", "in"), "75 in");
        assert_eq!(as_written("0.1 m, tag_over_square 0.7", "mm"), "100 mm, tag_over_square 0.7");
        assert_eq!(as_written("[1, 2]", "mm"), "[1, 2]");
        assert_eq!(as_written("3", "mm"), "3");
    }
}
