//! Which lens explains photographs of one flat board, and how well?
//!
//! Plain least squares over lens and poses, the board taken as true: what OpenCV's `calibrateCamera` does ("Camera Calibration
//! and 3D Reconstruction"; the method of Z. Zhang, *IEEE PAMI* 22, 1330, 2000). It runs through the same adjustment as a wall's
//! calibration ([`super::bundle`]), so that this adjustment can be held against other programs. Residual RMS is over corners,
//! of the distance; standard errors are the inverse normal matrix's, scaled by the sum of squares over the degrees of freedom.

use super::bundle::{CornerObs, Free, Knowledge, State, adjust};
use super::lens::{self, Lens};
use super::start::{FOCAL_LADDER, pose_of_plane};
use super::view::Pose;
use crate::error::{Error, Result};
use crate::points::PixelPoint;

/// A point of the board (x right, y down or up, m) and the pixel that shows it.
pub type BoardPoint = ([f64; 2], PixelPoint);

/// Most steps of one adjustment.
const ROUNDS: usize = 200;
/// Least corners of a photo: below, its pose is open.
const LEAST_CORNERS: usize = 4;

/// A lens fitted to photographs of a board.
#[derive(Clone, Debug)]
pub struct LensFit {
    /// The lens.
    pub lens: Lens,
    /// Standard errors in the order of [`lens::TERMS`]; 0 for what was held.
    pub standard_errors: [f64; lens::N],
    /// RMS of the residual distances over all corners, px.
    pub rms_px: f64,
    /// The same for each photo.
    pub photo_rms_px: Vec<f64>,
    /// Where the camera stood in each photo.
    pub poses: Vec<Pose>,
}

/// Fits a lens with fx, fy, cx, cy and the given distortion terms (indices into [`lens::TERMS`], 4 to 8) to photos of a board.
///
/// # Errors
/// Fewer than two photos or four corners in one; photos that do not determine the lens (all from the front, say).
pub fn fit_lens(width: u32, height: u32, photos: &[Vec<BoardPoint>], terms: &[usize]) -> Result<LensFit> {
    if photos.len() < 2 {
        return Err(Error::no_answer(format!(
            "{} photos of the board: a lens needs at least two, from different sides",
            photos.len()
        )));
    }
    if let Some((i, p)) = photos.iter().enumerate().find(|(_, p)| p.len() < LEAST_CORNERS) {
        return Err(Error::no_answer(format!(
            "photo {} has {} corners, at least {LEAST_CORNERS} are needed: leave it out",
            i + 1,
            p.len()
        )));
    }
    let corners: Vec<Vec<CornerObs>> = photos.iter().map(|p| p.iter().map(observation).collect()).collect();
    let mut on = [true, true, true, true, false, false, false, false, false];
    terms.iter().filter(|k| (4..lens::N).contains(*k)).for_each(|&k| on[k] = true);
    let longer = f64::from(width.max(height));
    let mut best: Option<State> = None;
    let mut least = f64::MAX;
    for f in FOCAL_LADDER {
        let start = Lens::pinhole(width, height, f * longer);
        let Some(poses) = photos.iter().map(|p| pose_of_plane(&start, p)).collect::<Option<Vec<_>>>() else { continue };
        let state = State::flat(start, &[0], poses);
        // First what every lens has, so that a wrong focal length is not taken up by distortion.
        let mut few = Free { square_pixels: true, ..Free::poses_only() };
        (few.lens[0], few.lens[1], few.lens[4]) = (true, true, on[4]);
        let first = adjust(&state, &few, &corners, &Knowledge::nothing(), 40);
        let s = adjust(&first.state, &free(on), &corners, &Knowledge::nothing(), 30);
        if s.cost.is_finite() && s.cost < least {
            (least, best) = (s.cost, Some(s.state));
        }
    }
    let open = || {
        Error::no_answer(
            "the corners do not determine the lens: photograph the board from several sides, tilted up to 45 deg, filling the picture",
        )
    };
    let s = adjust(&best.ok_or_else(open)?, &free(on), &corners, &Knowledge::nothing(), ROUNDS);
    let covariance = s.covariance().ok_or_else(open)?;
    let error = |k: usize| if on[k] { covariance[(s.columns.lens[k], s.columns.lens[k])].max(0.0).sqrt() } else { 0.0 };
    let rms = |r: &Vec<[f64; 2]>| (r.iter().map(|r| r[0] * r[0] + r[1] * r[1]).sum::<f64>() / r.len() as f64).sqrt();
    Ok(LensFit {
        lens: s.state.lens,
        standard_errors: std::array::from_fn(error),
        rms_px: s.rms_px(),
        photo_rms_px: s.residuals_px.iter().map(rms).collect(),
        poses: s.state.poses,
    })
}

fn free(lens: [bool; lens::N]) -> Free {
    Free { lens, square_pixels: false, ..Free::poses_only() }
}

/// Every corner counts alike.
fn observation(&([x, y], pixel): &BoardPoint) -> CornerObs {
    CornerObs { sheet: 0, saddle: 0, across_m: x, up_m: y, pixel, u_px: 1.0 }
}
