//! How do a session's calibration photos become its `wall.json`?

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::Progress;
use crate::camera::calibrate::{CalibrationPhoto, LEVEL_U_M, Tape, WallFrame};
use crate::camera::{Calibration, CalibrationInput, Optics, Wall, calibrate};
use crate::error::{Context, Error, Result};
use crate::photo::{decode_gray, read_exif};
use crate::session::hash::sha256_file;
use crate::session::pairing::list_photos;
use crate::session::spec::Level;
use crate::session::{Session, write_whole};
use crate::sheet::{SheetGeometry, SheetSet, find_sheets};

/// Lengths of the bars on the standard sheet, m.
const BAR_ACROSS_M: f64 = 0.150;
const BAR_DOWN_M: f64 = 0.200;

/// The lengths of a session's sheets, from `session.toml`.
pub fn sheet_set(session: &Session) -> SheetSet {
    SheetSet::from(SheetGeometry::of_square(session.spec.sheets.square_mm))
}

/// What was measured by hand, from `session.toml`.
pub fn wall_frame(session: &Session) -> WallFrame {
    let w = &session.spec.wall;
    let geometry = sheet_set(session);
    let grown = geometry.standard.square_mm / crate::sheet::geometry::SQUARE_MM;
    let scale = |q: Option<crate::quantity::Quantity>, bar_m: f64| {
        q.map(|q| (q.value / (bar_m * grown), q.u / (bar_m * grown)))
    };
    let pair = |p: [u32; 2]| p.map(|n| n as usize);
    WallFrame {
        origin_sheet: w.origin_sheet as usize,
        level_sheets: match w.level {
            Level::LevelSheets(p) => Some(pair(p)),
            _ => None,
        },
        plumb_sheets: match w.level {
            Level::PlumbSheets(p) => Some(pair(p)),
            _ => None,
        },
        level_u_m: LEVEL_U_M,
        tapes: w
            .tapes
            .iter()
            .map(|t| Tape { sheets: pair(t.sheets), distance_m: t.distance.value, u_m: t.distance.u })
            .collect(),
        scale_across: scale(w.printed_bar, BAR_ACROSS_M),
        scale_down: scale(w.printed_bar_down, BAR_DOWN_M),
        geometry,
        board_u: BTreeMap::new(),
    }
}

/// The calibration photos of a session: those in `calibration/`, and the tripod photo wherever it lies.
fn photo_paths(session: &Session) -> Result<Vec<(String, PathBuf)>> {
    let folder = session.paths.calibration();
    if !folder.is_dir() {
        return Err(Error::input(format!(
            "{}: there is no such folder; put the photos of the sheets there",
            folder.display()
        )));
    }
    let listed = list_photos(&folder)?;
    let mut out: Vec<(String, PathBuf)> =
        listed.photos.iter().map(|p| (format!("calibration/{}", p.name), folder.join(&p.name))).collect();
    if out.is_empty() && session.spec.camera.tripod_photo.as_ref().is_none_or(|t| !session.paths.dir.join(t).is_file())
    {
        let phone =
            listed.unreadable.first().map(|n| format!(" ({})", crate::session::pairing::phone_format_advice(n)));
        return Err(Error::input(format!(
            "{} holds no photos: photograph the sheets from six places or so, and once from the tripod{}",
            folder.display(),
            phone.unwrap_or_default()
        )));
    }
    if let Some(tripod) = session.tripod_photo()? {
        let name = session.spec.camera.tripod_photo.clone().unwrap_or_default();
        if !out.iter().any(|(_, p)| same_file(p, &tripod)) {
            out.push((name, tripod));
        }
    }
    Ok(out)
}

fn same_file(a: &Path, b: &Path) -> bool {
    a == b || matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// Calibrates a session: lens, sheets' places, tripod pose.
///
/// # Errors
/// Unreadable photos, no usable sheets, sheets named in `session.toml` that no photo shows.
pub fn calibrate_session(session: &Session, progress: Progress) -> Result<(Wall, Calibration)> {
    let paths = photo_paths(session)?;
    let geometry = sheet_set(session);
    let photos: Vec<(CalibrationPhoto, String)> = paths
        .par_iter()
        .map(|(name, path)| {
            let exif = read_exif(path)?;
            let gray = decode_gray(path, exif.orientation.unwrap_or(1))?;
            let size = gray.dimensions();
            let sheets = find_sheets(&gray, &geometry).sheets;
            progress(&format!(
                "{name}: {} sheets, {} corners",
                sheets.len(),
                sheets.iter().map(|s| s.corners.len()).sum::<usize>()
            ));
            let optics = Optics::of(&exif, size);
            let photo = CalibrationPhoto { name: name.clone(), size_px: size, optics, sheets };
            Ok((photo, sha256_file(path)?))
        })
        .collect::<Result<_>>()?;
    let (photos, hashes): (Vec<_>, Vec<_>) = photos.into_iter().unzip();
    let tripod = session.spec.camera.tripod_photo.as_deref();
    let tripod = tripod.and_then(|t| {
        let full = session.paths.dir.join(t);
        paths.iter().position(|(_, p)| same_file(p, &full))
    });
    let input = CalibrationInput { photos, tripod, frame: wall_frame(session) };
    let calibration = calibrate(&input)?;
    let wall = Wall::new(&calibration, &input, &hashes);
    Ok((wall, calibration))
}

/// Writes `wall.json`, whole or not at all.
pub fn write_wall(session: &Session, wall: &Wall) -> Result<PathBuf> {
    let path = session.paths.wall_json();
    write_whole(&path, wall.to_json()?.as_bytes())?;
    Ok(path)
}

/// Reads `wall.json`.
///
/// # Errors
/// It is missing or not one that this program reads.
pub fn read_wall(session: &Session) -> Result<Wall> {
    let path = session.paths.wall_json();
    let text = std::fs::read_to_string(&path).map_err(|e| Error::io(&path, "read the calibration", e))?;
    Wall::from_json(&text).place(|| path.display().to_string())
}
