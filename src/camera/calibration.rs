//! What does a calibration come to?

use super::advise::Advice;
use super::input::{Tape, WallFrame};
use super::lens::{self, Lens};
use super::trust::TrustMap;
use super::view::Pose;

/// A sheet's place on the wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetPlace {
    /// Sheet number.
    pub number: usize,
    /// Its cross, m.
    pub x_m: f64,
    /// Its cross, m.
    pub y_m: f64,
    /// Turn, rad, counter-clockwise as seen.
    pub turn_rad: f64,
    /// u of x and y, m.
    pub u_m: [f64; 2],
    /// Printed scale across and down (1 = as drawn).
    pub scale: [f64; 2],
    /// How its paper stands off the wall, m ([`super::bundle::relief_basis`]); zero for a flat one.
    pub relief_m: [f64; super::bundle::RELIEF],
    /// Kind of board: 0 for the standard sheets, boards of one other size share a number.
    pub kind: usize,
}

/// How a photo fared.
#[derive(Clone, Debug, PartialEq)]
pub struct PhotoFit {
    /// Its name.
    pub name: String,
    /// Its pose when it was used.
    pub pose: Option<Pose>,
    /// Why it was left out; a sentence.
    pub left_out: Option<String>,
    /// Corners used.
    pub corners: usize,
    /// Corners dropped.
    pub dropped: usize,
    /// RMS of residual distances, px.
    pub rms_px: f64,
}

/// What is left of one corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CornerResidual {
    /// Index of the photo.
    pub photo: usize,
    /// Sheet number.
    pub sheet: usize,
    /// Where it was measured, px.
    pub at_px: [f64; 2],
    /// Measured less adjusted, px.
    pub off_px: [f64; 2],
}

/// Something that was measured by hand, against the adjustment.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// What: "tape from sheet 1 to sheet 2", "bar across".
    pub what: String,
    /// As stated, mm.
    pub stated_mm: f64,
    /// Its standard uncertainty, mm.
    pub u_mm: f64,
    /// As adjusted, mm.
    pub fitted_mm: f64,
}

/// The result of a calibration.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// The lens.
    pub lens: Lens,
    /// Names of the lens terms that the photos support.
    pub lens_terms: Vec<&'static str>,
    /// Standard uncertainty of each lens term, in the order of [`lens::TERMS`].
    pub lens_u: [f64; lens::N],
    /// Printed scale across and down with their u.
    pub scale: [(f64, f64); 2],
    /// The sheets' places, by number.
    pub sheets: Vec<SheetPlace>,
    /// Each photo.
    pub photos: Vec<PhotoFit>,
    /// RMS of residual distances over all used corners, px.
    pub rms_px: f64,
    /// Residual scatter over what the corners' own u predict.
    pub unit_u: f64,
    /// Corners used.
    pub corners: usize,
    /// Names of the covariance's rows: lens terms, "scale_across", "scale_down", "sheet 3 x"...
    pub parameters: Vec<String>,
    /// Covariance of lens, scales and sheets (poses marginalised), SI and px.
    pub covariance: nalgebra::DMatrix<f64>,
    /// Each tape: as measured less as adjusted, m, and its u.
    pub tape_checks: Vec<(Tape, f64)>,
    /// Tapes and bars against the adjustment.
    pub checks: Vec<Check>,
    /// What was found wrong with single sheets: a sentence each, what, where, and what to do.
    pub warnings: Vec<String>,
    /// What is left of each corner.
    pub residuals: Vec<CornerResidual>,
    /// How well wall points are known, seen from the tripod (else from the first photo).
    pub trust: Option<TrustMap>,
    /// What would help most.
    pub advice: Advice,
}

/// Lengths of the bars on a sheet of standard squares, mm.
const BARS_MM: [(&str, f64); 2] = [("bar across", 150.0), ("bar down", 200.0)];

/// Tapes and bars as stated, against the adjustment.
pub(super) fn checks(frame: &WallFrame, tapes: &[(Tape, f64)], scale: &[(f64, f64); 2]) -> Vec<Check> {
    let mut out: Vec<Check> = tapes
        .iter()
        .map(|(t, off)| Check {
            what: format!("tape from sheet {} to sheet {}", t.sheets[0], t.sheets[1]),
            stated_mm: 1e3 * t.distance_m,
            u_mm: 1e3 * t.u_m,
            fitted_mm: 1e3 * (t.distance_m - off),
        })
        .collect();
    let grown = frame.geometry.standard.square_mm / crate::sheet::geometry::SQUARE_MM;
    for (((what, length), stated), fitted) in BARS_MM.iter().zip([frame.scale_across, frame.scale_down]).zip(scale) {
        if let Some((value, u)) = stated {
            let mm = length * grown;
            out.push(Check { what: what.to_string(), stated_mm: value * mm, u_mm: u * mm, fitted_mm: fitted.0 * mm });
        }
    }
    out
}
