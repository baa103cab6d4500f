//! How do a session's calibration photos become its `wall.json`?

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::Progress;
use super::made_with::{check, made_with};
use crate::camera::calibrate::{CalibrationPhoto, LEVEL_U_M, Tape, WallFrame};
use crate::camera::calibration::PhotoFit;
use crate::camera::wall::WallPhoto;
use crate::camera::{Calibration, CalibrationInput, Optics, Turn, Wall, calibrate};
use crate::error::{Context, Error, ErrorKind, Result};
use crate::photo::{decode_gray, read_exif};
use crate::session::hash::{FileHash, sha256_file, sha256_hex};
use crate::session::lock::{SessionLock, Work};
use crate::session::pairing::{list_photos, phone_format_advice, short_list};
use crate::session::spec::{BAR_ACROSS_M, BAR_DOWN_M, Level};
use crate::session::table::read_text;
use crate::session::{Session, write_whole};
use crate::sheet::{SheetGeometry, SheetSet, SheetView, find_known_sheets, find_sheets_thoroughly};

/// Largest calibration read, bytes: one of a hundred photos of all sheets has some 10 MB.
const LARGEST_WALL_BYTES: u64 = 64 * 1024 * 1024;

/// The lengths of a session's sheets, from `session.toml`.
pub fn sheet_set(session: &Session) -> SheetSet {
    let s = &session.spec.sheets;
    let own = s.boards.iter().map(|b| {
        let square_mm = 1e3 * b.square.value;
        (b.number as usize, SheetGeometry { square_mm, tag_mm: square_mm * b.tag_over_square })
    });
    SheetSet { standard: SheetGeometry::of_square(s.square_mm), own: own.collect() }
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
        upright_rad: None,
        level_u_m: LEVEL_U_M,
        tapes: w
            .tapes
            .iter()
            .map(|t| Tape { sheets: pair(t.sheets), distance_m: t.distance.value, u_m: t.distance.u })
            .collect(),
        scale_across: scale(w.printed_bar, BAR_ACROSS_M),
        scale_down: scale(w.printed_bar_down, BAR_DOWN_M),
        geometry,
        board_u: session.spec.sheets.boards.iter().map(|b| (b.number as usize, b.square.u / b.square.value)).collect(),
    }
}

/// Folder of a calibration's photos: `calibration/`, then `calibration-2/` and so on.
pub fn calibration_folder(session: &Session, number: u32) -> PathBuf {
    if number < 2 { session.paths.calibration() } else { session.paths.dir.join(format!("calibration-{number}")) }
}

/// What a calibration is written to: `wall.json`, then `wall-2.json` and so on.
pub fn wall_path(session: &Session, number: u32) -> PathBuf {
    if number < 2 { session.paths.wall_json() } else { session.paths.dir.join(format!("wall-{number}.json")) }
}

/// Photos by their path in the session, with where they lie.
type NamedPaths = Vec<(String, PathBuf)>;

/// The photos of a later calibration, and which is the tripod's: the one of the first one's name, else one called `tripod`.
fn later_paths(session: &Session, number: u32) -> Result<(NamedPaths, Option<usize>)> {
    let folder = calibration_folder(session, number);
    let listed = list_photos(&folder)?;
    let usual = session.spec.camera.tripod_photo.as_deref().and_then(|t| t.rsplit('/').next());
    let tripod = listed
        .photos
        .iter()
        .position(|p| Some(p.name.as_str()) == usual)
        .or_else(|| listed.photos.iter().position(|p| p.name.to_lowercase().starts_with("tripod")));
    let paths = listed.photos.iter().map(|p| (format!("calibration-{number}/{}", p.name), folder.join(&p.name)));
    Ok((paths.collect(), tripod))
}

/// The frame of a later calibration: origin and line as before where its photos show them, else the origin sheet hangs as the first
/// calibration found it; tapes whose sheets are gone do not count.
fn later_frame(mut frame: WallFrame, photos: &[CalibrationPhoto], first: &Wall) -> WallFrame {
    let seen = |n: &usize| photos.iter().any(|p| p.sheets.iter().any(|s| s.number == *n && s.corners.len() >= 4));
    frame.tapes.retain(|t| t.sheets.iter().all(seen));
    let line = frame.level_sheets.or(frame.plumb_sheets);
    if line.is_none_or(|l| !l.iter().all(seen)) {
        (frame.level_sheets, frame.plumb_sheets) = (None, None);
        let origin = first.sheets.iter().find(|s| s.number == frame.origin_sheet);
        let row = first.row(&format!("sheet {} turn", frame.origin_sheet));
        let u = row.map_or(0.0, |r| first.covariance.rows[r][r].max(0.0).sqrt());
        frame.upright_rad = origin.map(|s| (s.turn_deg.to_radians(), u.max(1e-5)));
    }
    frame
}

/// The calibration photos of a session: those in `calibration/`, and the tripod photo wherever it lies.
fn photo_paths(session: &Session) -> Result<NamedPaths> {
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
        let phone = listed.unreadable.first().map(|n| format!(" ({})", phone_format_advice(n)));
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

/// Says so when photos in the phones' own format lie among those that were read.
fn phone_photos(folder: &Path) -> Option<String> {
    let listed = list_photos(folder).ok()?;
    let first = listed.unreadable.first()?;
    let names = short_list(listed.unreadable.iter().map(String::as_str), 1);
    Some(format!("{names} in calibration/ was left out: {}", phone_format_advice(first)))
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
    let tripod = session.spec.camera.tripod_photo.as_deref();
    let tripod = tripod.and_then(|t| {
        let full = session.paths.dir.join(t);
        paths.iter().position(|(_, p)| same_file(p, &full))
    });
    let seen = look_at(session, &paths, tripod, progress)?;
    let input = CalibrationInput { photos: seen.photos, tripod: seen.tripod, frame: wall_frame(session) };
    let mut calibration = calibrate(&input).map_err(|e| with_unread(e, &seen.unread))?;
    calibration.warnings.extend(phone_photos(&session.paths.calibration()));
    let mut wall = Wall { made_with: made_with(session), ..Wall::new(&calibration, &input, &seen.hashes) };
    leave_out(&mut wall, &mut calibration, seen.unread);
    Ok((wall, calibration))
}

/// Calibrates a session again from the photos of `calibration-N/`, in the frame of the first calibration.
///
/// # Errors
/// As for [`calibrate_session`].
pub fn calibrate_again(
    session: &Session,
    number: u32,
    first: &Wall,
    progress: Progress,
) -> Result<(Wall, Calibration)> {
    let (paths, tripod) = later_paths(session, number)?;
    let seen = look_at(session, &paths, tripod, progress)?;
    let frame = later_frame(wall_frame(session), &seen.photos, first);
    let input = CalibrationInput { photos: seen.photos, tripod: seen.tripod, frame };
    let calibration = calibrate(&input).map_err(|e| with_unread(e, &seen.unread));
    let mut calibration = calibration.place(|| format!("calibration-{number}"))?;
    let mut wall = Wall { made_with: made_with(session), ..Wall::new(&calibration, &input, &seen.hashes) };
    leave_out(&mut wall, &mut calibration, seen.unread);
    Ok((wall, calibration))
}

/// What the photos of a calibration show.
struct Seen {
    photos: Vec<CalibrationPhoto>,
    /// SHA-256 of their files.
    hashes: Vec<String>,
    /// Which of them is the tripod's.
    tripod: Option<usize>,
    /// Those that cannot be read.
    unread: Vec<Unread>,
}

/// A photo that cannot be read.
struct Unread {
    name: String,
    sha256: String,
    why: String,
}

/// Where too few photos are left, those that cannot be read may be the reason.
fn with_unread(e: Error, unread: &[Unread]) -> Error {
    let Some(first) = unread.first() else { return e };
    let names = short_list(unread.iter().map(|u| u.name.as_str()), 3);
    Error::no_answer(format!(
        "{e}. Not read: {names} ({}); copy from the camera again what can be had, remove the rest",
        first.why
    ))
}

/// Names among the photos of a calibration those that could not be read.
fn leave_out(wall: &mut Wall, calibration: &mut Calibration, unread: Vec<Unread>) {
    for Unread { name, sha256, why } in unread {
        let left_out = Some(format!("it cannot be read ({why}), or remove it"));
        let photo = name.clone();
        wall.quality.photos.push(WallPhoto {
            photo,
            sha256,
            corners: 0,
            dropped: 0,
            rms_px: None,
            left_out: left_out.clone(),
        });
        calibration.photos.push(PhotoFit { name, pose: None, left_out, corners: 0, dropped: 0, rms_px: 0.0 });
    }
}

/// Finds the sheets of photos; the files' hashes with them. The tripod's photo, or else the first, is searched thoroughly, the others where a
/// quick look shows less than that one.
///
/// # Errors
/// The tripod's photo cannot be read, or none of them.
fn look_at(session: &Session, paths: &[(String, PathBuf)], tripod: Option<usize>, progress: Progress) -> Result<Seen> {
    let set = sheet_set(session);
    let look = |(name, path): &(String, PathBuf), known: Option<&[SheetView]>| -> Result<Looked> {
        let exif = read_exif(path)?;
        let gray = decode_gray(path, exif.orientation.unwrap_or(1))?;
        let quick = known.and_then(|known| find_known_sheets(&gray, &set, known));
        let whole = quick.is_none();
        let seen = quick.unwrap_or_else(|| find_sheets_thoroughly(&gray, &set));
        let corners: usize = seen.sheets.iter().map(|s| s.corners.len()).sum();
        progress(&format!("{name}: {} sheets, {corners} corners", seen.sheets.len()));
        Ok(Looked {
            size_px: gray.dimensions(),
            optics: Optics::of(&exif, gray.dimensions()),
            sheets: seen.sheets,
            whole,
        })
    };
    let mut unread = Vec::new();
    let mut give_up = |(name, path): &(String, PathBuf), e: Error| -> Result<()> {
        let about = e.to_string();
        let why = about.strip_prefix(&format!("{}: ", path.display())).unwrap_or(&about).to_string();
        progress(&format!("{name}: left out: {why}"));
        unread.push(Unread { name: name.clone(), sha256: sha256_file(path)?, why });
        Ok(())
    };
    // What cannot be read is left out, while others can; all places are seen from the tripod's.
    let mut rest: Vec<&(String, PathBuf)> = paths.iter().collect();
    let pattern = tripod.unwrap_or(0);
    let known = loop {
        let Some(path) = rest.get(pattern) else {
            return Ok(Seen { photos: Vec::new(), hashes: Vec::new(), tripod, unread });
        };
        match look(path, None) {
            Ok(known) => break known,
            Err(e) if tripod.is_some() || rest.len() == 1 || e.kind() != ErrorKind::Input => return Err(e),
            Err(e) => give_up(rest.remove(pattern), e)?,
        }
    };
    let looked: Vec<Result<Looked>> = rest
        .par_iter()
        .enumerate()
        .map(|(i, path)| if i == pattern { Ok(known.clone()) } else { look(path, Some(&known.sheets)) })
        .collect();
    let (mut photos, mut paths) = (Vec::new(), Vec::new());
    let mut tripod_now = None;
    for (i, (looked, path)) in looked.into_iter().zip(rest).enumerate() {
        match looked {
            Ok(l) => {
                tripod_now = tripod_now.or((tripod == Some(i)).then_some(photos.len()));
                photos.push(l);
                paths.push(path);
            }
            Err(e) if e.kind() != ErrorKind::Input => return Err(e),
            Err(e) => give_up(path, e)?,
        }
    }
    // A sheet that the pattern does not show may be in any of the others.
    let all: BTreeSet<usize> = photos.iter().flat_map(Looked::numbers).collect();
    if !all.iter().all(|n| known.numbers().any(|k| k == *n)) {
        photos.par_iter_mut().zip(&paths).try_for_each(|(photo, path)| -> Result<()> {
            if !photo.whole && !all.iter().all(|n| photo.numbers().any(|k| k == *n)) {
                *photo = look(path, None)?;
            }
            Ok(())
        })?;
    }
    // A lens is fixed to its sensor: all photos as the tripod's (or the first) was held.
    let held = known.optics.orientation;
    for photo in &mut photos {
        let turn = Turn::between(photo.optics.orientation, held);
        // One that a program turned and wrote anew says otherwise, and has the others' sides.
        if let Some(turn) = turn.filter(|t| t.size(photo.size_px) == known.size_px) {
            *photo = photo.turned(turn);
        }
        if photo.size_px == known.size_px {
            photo.optics.orientation = held;
        }
    }
    let hashes = paths.par_iter().map(|(_, path)| sha256_file(path)).collect::<Result<_>>()?;
    let named = |(photo, path): (Looked, &(String, PathBuf))| CalibrationPhoto {
        name: path.0.clone(),
        size_px: photo.size_px,
        optics: photo.optics,
        sheets: photo.sheets,
    };
    let photos = photos.into_iter().zip(paths).map(named).collect();
    Ok(Seen { photos, hashes, tripod: tripod_now, unread })
}

/// What a photo of a calibration shows.
#[derive(Clone)]
struct Looked {
    size_px: (u32, u32),
    optics: Optics,
    sheets: Vec<SheetView>,
    /// It was searched thoroughly.
    whole: bool,
}

impl Looked {
    fn turned(&self, turn: Turn) -> Self {
        let sheets = self.sheets.iter().map(|s| turn.sheet(s, self.size_px)).collect();
        Self { size_px: turn.size(self.size_px), sheets, ..self.clone() }
    }

    fn numbers(&self) -> impl Iterator<Item = usize> + '_ {
        self.sheets.iter().map(|s| s.number)
    }
}

/// Writes `wall.json` (a later calibration's `wall-N.json`), whole or not at all.
pub fn write_wall(session: &Session, number: u32, wall: &Wall) -> Result<PathBuf> {
    let path = wall_path(session, number);
    let _lock = SessionLock::take(&session.paths, Work::Write, "calibrate", &|_| {})?;
    write_whole(&path, wall.to_json()?.as_bytes())?;
    Ok(path)
}

/// Reads a session's `wall.json`.
///
/// # Errors
/// As for [`read_wall_number`].
pub fn read_wall(session: &Session) -> Result<Wall> {
    read_wall_number(session, 1)
}

/// Reads a session's `wall.json` or `wall-N.json`.
///
/// # Errors
/// It is missing, too large, not one that this program reads, or was made with other settings than `session.toml` has now.
pub fn read_wall_number(session: &Session, number: u32) -> Result<Wall> {
    let path = wall_path(session, number);
    let wall = read_wall_file(&path)?;
    check(session, &wall, &path)?;
    Ok(wall)
}

fn read_wall_file(path: &Path) -> Result<Wall> {
    if !path.is_file() {
        return Err(Error::input(format!(
            "{}: there is no such calibration: make it with `pockmark calibrate`",
            path.display()
        )));
    }
    let text = read_text(path, LARGEST_WALL_BYTES)?;
    let wall = Wall::from_json(&text).place(|| path.display().to_string())?;
    Ok(Wall { sha256: Some(sha256_hex(text.as_bytes())), ..wall })
}

/// A calibration's file as it was read; for one that was just made, as it is written.
pub(super) fn file_of(session: &Session, number: u32, wall: &Wall) -> FileHash {
    let made = || wall.to_json().map(|t| sha256_hex(t.as_bytes())).unwrap_or_default();
    FileHash::new(&wall_path(session, number), wall.sha256.clone().unwrap_or_else(made))
}
