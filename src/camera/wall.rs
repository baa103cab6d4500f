//! What does a calibration leave behind for every later photo?
//!
//! [`Wall`] is the content of `wall.json`: the lens, the sheets' places, the tripod photo's pose, how
//! good it is, the covariance of lens, scales and layout, and the hashes of the photos it came from.

use std::collections::BTreeMap;

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::advise::Advice;
use super::calibrate::{Calibration, CalibrationInput, Check, SheetPlace};
use super::lens::{self, Lens};
use super::optics::Optics;
use super::trust::TrustMap;
use super::view::Pose;
use crate::error::{Error, Result, quoted};
use crate::points::WallPoint;
use crate::sheet::geometry::SheetPoint;
use crate::sheet::{SheetGeometry, SheetSet};

/// Version of the file's format.
pub const VERSION: u32 = 1;

/// One sheet on the wall.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallSheet {
    /// Sheet number.
    pub number: usize,
    /// Its cross, mm to the right of the origin.
    pub x_mm: f64,
    /// Its cross, mm above the origin.
    pub y_mm: f64,
    /// Its turn, degrees counter-clockwise as seen.
    pub turn_deg: f64,
    /// Standard uncertainty of x_mm.
    pub x_u_mm: f64,
    /// Standard uncertainty of y_mm.
    pub y_u_mm: f64,
    /// A board with a size of its own; absent for the standard sheets.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<WallBoard>,
    /// How the paper of a sheet that is not flat stands off the wall, mm: as a whole, to its right side, to its top, twisted, bowed along
    /// its height, each at half a square from the middle column and one square from the middle row of corners.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relief_mm: Option<[f64; super::bundle::RELIEF]>,
}

/// A board with a size of its own.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallBoard {
    /// Side of a square as stated, mm.
    pub square_mm: f64,
    /// Side of a tag with its black border, mm.
    pub tag_mm: f64,
    /// Scale across and down (1 = as stated).
    pub scale: [f64; 2],
    /// Number of its kind: rows `scale_across N` and `scale_down N` of the covariance.
    pub kind: usize,
}

/// What is left of one corner after the adjustment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallResidual {
    /// Path of the photo in the session.
    pub photo: String,
    /// Sheet number.
    pub sheet: usize,
    /// Where the corner was measured, px.
    pub x_px: f64,
    /// Where the corner was measured, px.
    pub y_px: f64,
    /// Measured less adjusted, px.
    pub dx_px: f64,
    /// Measured less adjusted, px.
    pub dy_px: f64,
}

/// One calibration photo in the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallPhoto {
    /// Path in the session.
    pub photo: String,
    /// SHA-256 of the file.
    pub sha256: String,
    /// Corners used.
    pub corners: usize,
    /// Corners dropped.
    pub dropped: usize,
    /// RMS of residual distances, px; absent when left out.
    pub rms_px: Option<f64>,
    /// Why it was left out.
    pub left_out: Option<String>,
}

/// How good the calibration is.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct WallQuality {
    /// RMS of residual distances over all used corners, px.
    pub rms_px: f64,
    /// Residual scatter over what the corners' own u predict.
    pub unit_u: f64,
    /// Corners used.
    pub corners: usize,
    /// Distortion and other lens terms that the photos support.
    pub lens_terms: Vec<String>,
    /// The photos.
    pub photos: Vec<WallPhoto>,
    /// Tape distances: sheets, as measured, measured less adjusted, u; mm.
    pub tapes: Vec<WallTape>,
    /// What was found wrong with single sheets, a sentence each: what, where, what to do.
    #[serde(default)]
    pub warnings: Vec<String>,
    /// What is left of each corner.
    #[serde(default)]
    pub residuals: Vec<WallResidual>,
    /// How well wall points are known, seen from the tripod, else from the first photo.
    #[serde(default)]
    pub trust_map: Option<TrustMap>,
    /// Tapes and bars against the adjustment.
    #[serde(default)]
    pub checks: Vec<Check>,
    /// Which photo more would help most.
    #[serde(default)]
    pub advice: Option<Advice>,
}

/// One tape distance in the file.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallTape {
    /// The two sheets.
    pub sheets: [usize; 2],
    /// As measured, mm.
    pub distance_mm: f64,
    /// Measured less adjusted, mm.
    pub off_mm: f64,
    /// Standard uncertainty of the measured distance, mm.
    pub u_mm: f64,
}

/// Covariance of what all photos share.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WallCovariance {
    /// Names of rows and columns: lens terms (px and 1), `scale_across`, `scale_down`, `sheet N x` (m), `sheet N y` (m), `sheet N turn` (rad).
    pub parameters: Vec<String>,
    /// Row by row.
    pub rows: Vec<Vec<f64>>,
}

/// The content of `wall.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Wall {
    /// Format version.
    pub version: u32,
    /// Program that wrote it.
    pub written_by: String,
    /// The lens.
    pub camera: Lens,
    /// Printed scale across and down (1 = as drawn).
    pub printed_scale: [f64; 2],
    /// Side of a square as drawn, mm.
    pub square_mm: f64,
    /// The sheets.
    pub sheets: Vec<WallSheet>,
    /// Pose of the tripod photo (wall metres to camera metres, 4 x 4), when there is one.
    pub tripod_pose: Option<Pose>,
    /// Path of the tripod photo in the session.
    pub tripod_photo: Option<String>,
    /// What Exif says of lens and zoom of the photos used.
    #[serde(default)]
    pub optics: Optics,
    /// The settings that it was made with, by key; empty where it does not say.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub made_with: BTreeMap<String, String>,
    /// SHA-256 of the file that it was read from, hexadecimal; `None` for one that was just made.
    #[serde(skip)]
    pub sha256: Option<String>,
    /// How good it is.
    pub quality: WallQuality,
    /// How well lens, scales and layout are known together.
    pub covariance: WallCovariance,
}

impl Wall {
    /// The file's content from a calibration; `hashes` are the photos' SHA-256 in the order of [`Calibration::photos`].
    pub fn new(c: &Calibration, input: &CalibrationInput, hashes: &[String]) -> Self {
        let geometry = &input.frame.geometry;
        let tripod = input.tripod.and_then(|i| c.photos.get(i));
        let board = |s: &SheetPlace| {
            geometry.own.get(&s.number).map(|g| {
                let (square_mm, tag_mm) = (g.square_mm, g.tag_mm);
                WallBoard { square_mm, tag_mm, scale: s.scale, kind: s.kind }
            })
        };
        // Hundredths of a pixel are seen in a picture, thousandths are not; residuals keep a digit more.
        let round = |v: f64, to: f64| (v * to).round() / to;
        let used = c.photos.iter().position(|p| p.left_out.is_none());
        Self {
            version: VERSION,
            written_by: format!("pockmark {}", env!("CARGO_PKG_VERSION")),
            camera: c.lens,
            printed_scale: [c.scale[0].0, c.scale[1].0],
            square_mm: geometry.standard.square_mm,
            sheets: c
                .sheets
                .iter()
                .map(|s| WallSheet {
                    number: s.number,
                    x_mm: s.x_m * 1e3,
                    y_mm: s.y_m * 1e3,
                    turn_deg: s.turn_rad.to_degrees(),
                    x_u_mm: s.u_m[0] * 1e3,
                    y_u_mm: s.u_m[1] * 1e3,
                    board: board(s),
                    relief_mm: (s.relief_m.iter().any(|h| *h != 0.0)).then(|| s.relief_m.map(|h| h * 1e3)),
                })
                .collect(),
            tripod_pose: tripod.and_then(|p| p.pose),
            tripod_photo: tripod.map(|p| p.name.clone()),
            optics: used.and_then(|i| input.photos.get(i)).map(|p| p.optics.clone()).unwrap_or_default(),
            made_with: BTreeMap::new(),
            sha256: None,
            quality: WallQuality {
                rms_px: c.rms_px,
                unit_u: c.unit_u,
                corners: c.corners,
                lens_terms: c.lens_terms.iter().map(|t| t.to_string()).collect(),
                photos: c
                    .photos
                    .iter()
                    .enumerate()
                    .map(|(i, p)| WallPhoto {
                        photo: p.name.clone(),
                        sha256: hashes.get(i).cloned().unwrap_or_default(),
                        corners: p.corners,
                        dropped: p.dropped,
                        rms_px: p.left_out.is_none().then_some(p.rms_px),
                        left_out: p.left_out.clone(),
                    })
                    .collect(),
                tapes: c
                    .tape_checks
                    .iter()
                    .map(|(t, off)| WallTape {
                        sheets: t.sheets,
                        distance_mm: t.distance_m * 1e3,
                        off_mm: off * 1e3,
                        u_mm: t.u_m * 1e3,
                    })
                    .collect(),
                warnings: c.warnings.clone(),
                residuals: c
                    .residuals
                    .iter()
                    .map(|r| WallResidual {
                        photo: c.photos.get(r.photo).map(|p| p.name.clone()).unwrap_or_default(),
                        sheet: r.sheet,
                        x_px: round(r.at_px[0], 1e2),
                        y_px: round(r.at_px[1], 1e2),
                        dx_px: round(r.off_px[0], 1e4),
                        dy_px: round(r.off_px[1], 1e4),
                    })
                    .collect(),
                trust_map: c.trust.clone(),
                checks: c.checks.clone(),
                advice: Some(c.advice.clone()),
            },
            covariance: WallCovariance {
                parameters: c.parameters.clone(),
                rows: c.covariance.row_iter().map(|r| r.iter().copied().collect()).collect(),
            },
        }
    }

    /// The file's text.
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self)
            .map(|t| t + "\n")
            .map_err(|e| Error::no_answer(format!("the calibration has a value that JSON cannot hold ({e})")))
    }

    /// Reads the file's text.
    ///
    /// # Errors
    /// Not JSON of this format, another version, or numbers that no calibration can have found.
    pub fn from_json(text: &str) -> Result<Self> {
        let again = "run `pockmark calibrate` again";
        let wall: Self = serde_json::from_str(text)
            .map_err(|e| Error::input(format!("not a calibration this version reads ({}): {again}", quoted(e))))?;
        if wall.version != VERSION {
            return Err(Error::input(format!(
                "format version {}, this program reads {VERSION}: {again}",
                wall.version
            )));
        }
        super::wall_check::check(&wall)?;
        Ok(wall)
    }

    /// The lengths of all sheets.
    pub fn geometry(&self) -> SheetSet {
        let own = self
            .sheets
            .iter()
            .filter_map(|s| s.board.map(|b| (s.number, SheetGeometry { square_mm: b.square_mm, tag_mm: b.tag_mm })));
        SheetSet { standard: SheetGeometry::of_square(self.square_mm), own: own.collect() }
    }

    /// Printed scale across and down of one sheet (1 = as drawn).
    pub fn scale_of(&self, sheet: &WallSheet) -> [f64; 2] {
        sheet.board.map_or(self.printed_scale, |b| b.scale)
    }

    /// Where a point of a sheet lies on the wall.
    pub fn wall_from_sheet(&self, sheet: &WallSheet, p: SheetPoint) -> WallPoint {
        let (sin, cos) = sheet.turn_deg.to_radians().sin_cos();
        let (across, up) = self.geometry().of(sheet.number).from_cross_mm(p);
        let scale = self.scale_of(sheet);
        let (a, b) = (scale[0] * across, scale[1] * up);
        WallPoint::new(1e-3 * (sheet.x_mm + cos * a - sin * b), 1e-3 * (sheet.y_mm + sin * a + cos * b))
    }

    /// The point of a sheet, or of its plane beside it, that lies at a place of the wall: the reverse of [`Wall::wall_from_sheet`].
    pub fn sheet_from_wall(&self, sheet: &WallSheet, w: WallPoint) -> SheetPoint {
        let (sin, cos) = sheet.turn_deg.to_radians().sin_cos();
        let (cross, scale) = (self.geometry().of(sheet.number).cross(), self.scale_of(sheet));
        let (dx, dy) = (1e3 * w.x_m - sheet.x_mm, 1e3 * w.y_m - sheet.y_mm);
        SheetPoint {
            u_mm: cross.u_mm + (cos * dx + sin * dy) / scale[0],
            v_mm: cross.v_mm - (cos * dy - sin * dx) / scale[1],
        }
    }

    /// Rows of the covariance for a sheet's scales across and down.
    pub fn scale_rows(&self, sheet: &WallSheet) -> [Option<usize>; 2] {
        let tail = sheet.board.map_or(String::new(), |b| format!(" {}", b.kind));
        ["scale_across", "scale_down"].map(|n| self.row(&format!("{n}{tail}")))
    }

    /// A matrix S with S S' = covariance: the wall's doubt as independent factors of unit variance.
    pub fn whitened(&self) -> DMatrix<f64> {
        let n = self.covariance.parameters.len();
        let c = DMatrix::from_fn(n, n, |i, j| self.covariance.rows[i][j]);
        let d: Vec<f64> = (0..n).map(|i| c[(i, i)].max(0.0).sqrt().max(1e-300)).collect();
        let scaled = DMatrix::from_fn(n, n, |i, j| 0.5 * (c[(i, j)] + c[(j, i)]) / (d[i] * d[j]));
        let e = scaled.symmetric_eigen();
        DMatrix::from_fn(n, n, |i, k| d[i] * e.eigenvectors[(i, k)] * e.eigenvalues[k].max(0.0).sqrt())
    }

    /// Row of the covariance for a lens term, when it was free.
    pub fn lens_row(&self, term: usize) -> Option<usize> {
        self.row(lens::TERMS[term])
    }

    /// Row of the covariance by name.
    pub fn row(&self, name: &str) -> Option<usize> {
        self.covariance.parameters.iter().position(|p| p == name)
    }

    /// True when fy follows fx.
    pub fn square_pixels(&self) -> bool {
        self.row("fy").is_none()
    }
}
