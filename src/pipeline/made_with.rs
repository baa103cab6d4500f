//! Does a calibration still belong to its session?
//!
//! A `wall.json` names the settings that went into it. When `session.toml` says something else by now, every place on the wall is out
//! of date, and nothing goes on before it is calibrated again. Photos that came or went are only told: they may have been put away.

use std::collections::BTreeMap;
use std::path::Path;

use super::calibrate::{calibration_folder, wall_path};
use crate::camera::Wall;
use crate::error::{Error, Result, typed};
use crate::quantity::Dimension;
use crate::session::Session;
use crate::session::pairing::{photo_names, short_list};
use crate::session::spec::Level;

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
    let said = |v: Option<&String>| v.map_or("not stated", String::as_str).to_string();
    Err(Error::input(format!(
        "{}: it was made while session.toml had another {key} ({}; now {}): run `pockmark calibrate {}`, then this again",
        path.display(),
        said(was),
        said(is),
        typed(&session.paths.dir)
    )))
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
        (true, true) => return None,
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
