//! Can a `wall.json` be what a calibration found, or was it damaged?
//!
//! Limits are far beyond any real wall and camera; they keep later stages from numbers without end.

use super::lens::Lens;
use super::wall::Wall;
use crate::error::{Error, Result};

/// Largest side of a photo, px (JPEG's own limit).
const LARGEST_SIDE_PX: u32 = 65_535;
/// Longest focal length, px: a thousand times a picture's width.
const LONGEST_FOCAL_PX: f64 = 1e7;
/// Largest distortion term; real ones are below 10.
const LARGEST_TERM: f64 = 1e3;
/// Farthest that anything hangs from the origin, mm: 1 km.
const FARTHEST_MM: f64 = 1e6;
/// Most sheets (the tag family has no more).
const MOST_SHEETS: usize = 97;
/// Most parameters: a lens, scales, and three for each sheet.
const MOST_PARAMETERS: usize = 1000;
/// Largest covariance in its own units.
const LARGEST_COVARIANCE: f64 = 1e12;

fn within(v: f64, low: f64, high: f64) -> bool {
    (low..=high).contains(&v)
}

fn lens_holds(l: &Lens) -> bool {
    let sides = [l.width, l.height].iter().all(|s| (1..=LARGEST_SIDE_PX).contains(s));
    let focal = [l.fx, l.fy].iter().all(|f| within(*f, 1.0, LONGEST_FOCAL_PX));
    let middle = [l.cx, l.cy].iter().all(|c| within(c.abs(), 0.0, LONGEST_FOCAL_PX));
    sides && focal && middle && [l.k1, l.k2, l.p1, l.p2, l.k3].iter().all(|k| within(k.abs(), 0.0, LARGEST_TERM))
}

/// What in a wall cannot be, if anything.
fn fault(w: &Wall) -> Option<String> {
    if !lens_holds(&w.camera) {
        return Some("camera holds numbers that no lens has".into());
    }
    let scale = |s: &[f64; 2]| s.iter().all(|v| within(*v, 0.5, 2.0));
    if !scale(&w.printed_scale) || !within(w.square_mm, 1.0, 2000.0) {
        return Some("printed_scale or square_mm is none of a printed sheet".into());
    }
    if w.sheets.len() > MOST_SHEETS {
        return Some(format!("{} sheets are more than {MOST_SHEETS}", w.sheets.len()));
    }
    for (i, s) in w.sheets.iter().enumerate() {
        let place = [s.x_mm, s.y_mm, s.x_u_mm, s.y_u_mm].iter().all(|v| within(v.abs(), 0.0, FARTHEST_MM));
        let board = s.board.is_none_or(|b| {
            let lengths = within(b.square_mm, 1.0, 5000.0) && within(b.tag_mm, 0.5, b.square_mm);
            lengths && scale(&b.scale) && b.kind <= MOST_SHEETS
        });
        let relief = s.relief_mm.is_none_or(|r| r.iter().all(|h| within(h.abs(), 0.0, 1000.0)));
        let number = (1..=MOST_SHEETS).contains(&s.number) && w.sheets.iter().take(i).all(|o| o.number != s.number);
        if !(place && board && relief && number && within(s.turn_deg.abs(), 0.0, 360.0)) {
            return Some(format!("sheet {} hangs where or as no sheet can", s.number));
        }
    }
    if let Some(p) = &w.tripod_pose {
        let r = p.rotation.matrix();
        let square = (r.transpose() * r - nalgebra::Matrix3::identity()).amax();
        let far = p.translation.iter().all(|t| within(t.abs(), 0.0, FARTHEST_MM));
        if !(within(square, 0.0, 1e-6) && r.determinant() > 0.0 && far) {
            return Some("tripod_pose is no place of a camera".into());
        }
    }
    let n = w.covariance.parameters.len();
    if n > MOST_PARAMETERS {
        return Some(format!("{n} parameters are more than {MOST_PARAMETERS}"));
    }
    if w.covariance.rows.len() != n || w.covariance.rows.iter().any(|r| r.len() != n) {
        return Some(format!("the covariance is not {n} x {n}"));
    }
    if !w.covariance.rows.iter().flatten().all(|v| within(v.abs(), 0.0, LARGEST_COVARIANCE)) {
        return Some("the covariance holds a number beyond all sense".into());
    }
    // Cauchy and Schwarz, with room for rounding.
    let variance = |i: usize| w.covariance.rows.get(i).and_then(|r| r.get(i)).copied().unwrap_or(-1.0);
    let holds = |i: usize, j: usize, v: f64| v * v <= (1.0 + 1e-6) * variance(i) * variance(j) && variance(i) >= 0.0;
    if !w.covariance.rows.iter().enumerate().all(|(i, r)| r.iter().enumerate().all(|(j, v)| holds(i, j, *v))) {
        return Some("the covariance is none: its numbers contradict each other".into());
    }
    if let Some(m) = &w.quality.trust_map
        && (m.columns.checked_mul(m.rows) != Some(m.u_mm.len()) || !within(m.step_mm, 1e-3, FARTHEST_MM))
    {
        return Some("trust_map has another size than it says".into());
    }
    None
}

/// Refuses a wall that no calibration can have found.
///
/// # Errors
/// A sentence that names the part.
pub(super) fn check(wall: &Wall) -> Result<()> {
    match fault(wall) {
        None => Ok(()),
        Some(what) => Err(Error::input(format!("{what}: run `pockmark calibrate` again"))),
    }
}
