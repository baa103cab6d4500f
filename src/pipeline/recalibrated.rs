//! Which calibration holds for which photo, when the sheets were photographed again in the middle of the session?
//!
//! Photos of the sheets in `calibration-2/` (-3, ...) make `wall-2.json` (-3, ...). It holds from the first volley photo on that was
//! taken later than all of its own photos; where photos carry no time, from the volley that `[[camera.again]]` names. The wall's
//! frame stays that of the same origin sheet, so that places before and after mean the same.

use std::collections::BTreeMap;

use super::calibrate::{calibration_folder, read_wall_number};
use crate::camera::Wall;
use crate::error::{Error, Result};
use crate::photo::exif::{CaptureTime, read_exif};
use crate::session::pairing::list_photos;
use crate::session::spec::LAST_CALIBRATION;
use crate::session::{PairedVolley, Session};

/// A calibration that holds from some photo on.
#[derive(Clone, Debug)]
pub struct LaterWall {
    /// Number of its folder.
    pub number: u32,
    /// Its content.
    pub wall: Wall,
    /// Factors of its covariance ([`Wall::whitened`]).
    pub whitened: nalgebra::DMatrix<f64>,
    /// When its last photo was taken.
    taken: Option<CaptureTime>,
    /// The first volley it holds for, where the session says one.
    from: Option<String>,
}

/// Folders of later calibrations that hold photos.
pub fn later_numbers(session: &Session) -> Vec<u32> {
    let holds = |n: &u32| list_photos(&calibration_folder(session, *n)).is_ok_and(|f| !f.photos.is_empty());
    (2..=LAST_CALIBRATION).filter(|n| calibration_folder(session, *n).is_dir()).filter(holds).collect()
}

/// The later calibrations of a session, in order.
///
/// # Errors
/// One that was not made yet or cannot be read; one of which nothing says from when on it holds.
pub fn later_walls(session: &Session) -> Result<Vec<LaterWall>> {
    let mut out = Vec::new();
    for number in later_numbers(session) {
        let folder = calibration_folder(session, number);
        let wall = read_wall_number(session, number)?;
        let photos = list_photos(&folder)?.photos;
        // One photo without a time could be the last of them.
        let times: Option<Vec<CaptureTime>> = photos.iter().map(|p| p.taken).collect();
        let taken = times.and_then(|t| t.into_iter().reduce(|last, t| if t.is_after(&last) { t } else { last }));
        let from = session.spec.camera.again.iter().find(|a| a.number == number).map(|a| a.from.clone());
        if let Some(name) = &from {
            let wrong = match session.volleys.find(name) {
                None => Some("volleys.csv has no such volley: write the name of one that it has".to_string()),
                // Without it nothing would say from which photo on the calibration holds.
                Some(row) => row.is_planned().then(|| row.awaits_reading()),
            };
            if let Some(wrong) = wrong {
                return Err(Error::input(format!("session.toml: [[camera.again]] from = \"{name}\": {wrong}")));
            }
        }
        if taken.is_none() && from.is_none() {
            return Err(Error::input(format!(
                "{}: its photos do not say when they were taken: write [[camera.again]] with number = {number} and from = \"...\" (the first volley it holds for) into session.toml",
                folder.display()
            )));
        }
        out.push(LaterWall { number, whitened: wall.whitened(), wall, taken, from });
    }
    Ok(out)
}

/// For each photo which calibration holds: 0 the first, then the later ones in order. Once one holds, it holds for all later rows.
pub fn holding(session: &Session, walls: &[LaterWall], volleys: &[PairedVolley]) -> BTreeMap<String, usize> {
    let mut out = BTreeMap::new();
    if walls.is_empty() {
        return out;
    }
    let mut now = 0;
    for v in volleys {
        let taken = read_exif(&session.paths.photos().join(&v.photo)).ok().and_then(|e| e.taken);
        for (i, w) in walls.iter().enumerate().skip(now) {
            let holds = match (&w.from, &w.taken, &taken) {
                (Some(from), _, _) => *from == v.row.volley,
                (None, Some(made), Some(taken)) => taken.is_after(made),
                _ => false,
            };
            if holds {
                now = i + 1;
            }
        }
        out.insert(v.photo.clone(), now);
    }
    out
}
