//! What does a report hold?
//!
//! [`Summary`] is the content of `results/summary.json`, versioned: a field may be added, none changes its
//! meaning. Angles are degrees, lengths millimetres on the wall, speeds m/s; u is a standard uncertainty.

use image::RgbImage;
use serde::{Deserialize, Serialize};

use super::units::Units;
use crate::camera::wall::{WallQuality, WallSheet};
use crate::camera::{Lens, Pose, WallView};
use crate::marks::shape::MarkShape;
use crate::session::flags::FlagWord;
use crate::session::results::Status;
use crate::study::{Setup, Study};

/// Version of summary.json. 2: ladders carry what their doubts are made of, so that any two setups can be compared from the
/// file; a file of version 1 reads as one that lacks these fields.
pub const VERSION: u32 = 2;

/// Everything a session's results say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Format version.
    pub version: u32,
    /// Program and version that wrote it.
    pub written_by: String,
    /// The session's title.
    pub title: String,
    /// Units that its people use.
    #[serde(default)]
    pub units: Units,
    /// Day of the first volley's photo by the camera's clock, as in 2026-06-14.
    #[serde(default)]
    pub measured_on: Option<String>,
    /// The volleys in shooting order.
    pub volleys: Vec<VolleySummary>,
    /// Ladders, comparisons, steadiness, spreads (fields stand at the top level of the file); absent when no shot could be solved.
    #[serde(flatten)]
    pub study: Option<Study>,
    /// Why there is no study.
    pub study_problem: Option<String>,
    /// What makes each setpoint of each setup doubtful.
    pub budgets: Vec<Budget>,
    /// The calibration; absent for impacts measured by hand.
    pub calibration: Option<CalibrationSummary>,
    /// What the session's marks look like; absent for impacts measured by hand.
    pub mark_shape: Option<MarkShape>,
    /// Inputs stated without ±, taken as exact: "machine.arm = 1.200 m".
    pub exact_inputs: Vec<String>,
    /// What was assumed since nothing was stated, a sentence each.
    pub assumed_inputs: Vec<String>,
    /// What a reader must know of the session, a sentence each (`notes` are the study's).
    #[serde(rename = "session_notes")]
    pub notes: Vec<String>,
    /// Files that the results come from, with their SHA-256.
    pub files: Vec<FileHash>,
}

/// A file and its hash.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileHash {
    /// Path in the session.
    pub path: String,
    /// SHA-256, hexadecimal.
    pub sha256: String,
}

/// One volley.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VolleySummary {
    /// Its name.
    pub volley: String,
    /// Its photo's file name; empty for impacts measured by hand.
    pub photo: String,
    /// The photo before it.
    pub before: Option<String>,
    /// How far to trust it.
    pub status: Status,
    /// What is wrong and what to do; empty when nothing is.
    pub note: String,
    /// What is special about it.
    pub flags: Vec<FlagWord>,
    /// The setup.
    pub setup: Setup,
    /// Ladder speed.
    pub setpoint_mps: Option<f64>,
    /// Mean speed as read.
    pub speed_mps: Option<f64>,
    /// Balls shot.
    pub shots: u32,
    /// Balls found.
    pub found: u32,
    /// Mean place, mm.
    pub mean_x_mm: Option<f64>,
    /// Mean place, mm.
    pub mean_y_mm: Option<f64>,
    /// u of mean_x_mm (own and shared).
    #[serde(default)]
    pub mean_x_u_mm: Option<f64>,
    /// u of mean_y_mm (own and shared).
    #[serde(default)]
    pub mean_y_u_mm: Option<f64>,
    /// Mean release angle.
    pub mean_release_deg: Option<f64>,
    /// Its own u.
    pub mean_release_u_own_deg: Option<f64>,
    /// Its u, own and shared.
    pub mean_release_u_deg: Option<f64>,
    /// Standard deviation of the shots.
    pub spread_release_deg: Option<f64>,
    /// The marks.
    pub marks: Vec<MarkSummary>,
    /// How the photo was placed on the wall: RMS of sheet corners (px), sheets used; absent without sheets.
    pub pose_rms_px: Option<f64>,
    /// Sheets seen and used.
    pub pose_sheets: Vec<usize>,
    /// How the photo saw the wall, from which pictures are cut again; absent where it could not be placed.
    #[serde(default)]
    pub view: Option<WallView>,
}

/// One mark.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MarkSummary {
    /// Number within its volley, from 1.
    pub mark: u32,
    /// Balls it stands for.
    pub count: u32,
    /// Place in the photo, px.
    pub px_x: Option<f64>,
    /// Place in the photo, px.
    pub px_y: Option<f64>,
    /// Place on the wall, mm.
    pub x_mm: Option<f64>,
    /// Place on the wall, mm.
    pub y_mm: Option<f64>,
    /// u of x_mm (own and shared).
    pub x_u_mm: Option<f64>,
    /// u of y_mm (own and shared).
    pub y_u_mm: Option<f64>,
    /// Diameter, mm.
    pub diameter_mm: Option<f64>,
    /// Release angle.
    pub release_deg: Option<f64>,
    /// Its own u.
    pub release_u_own_deg: Option<f64>,
    /// Its u, own and shared.
    pub release_u_deg: Option<f64>,
    /// Sideways angle.
    pub sideways_deg: Option<f64>,
    /// Its u.
    pub sideways_u_deg: Option<f64>,
    /// What is special about it.
    pub flags: Vec<FlagWord>,
}

/// What makes a mean release angle doubtful.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// The setup.
    pub setup: Setup,
    /// Ladder speed.
    pub setpoint_mps: f64,
    /// The whole u, own and shared.
    pub u_deg: f64,
    /// What differs from shot to shot, after averaging.
    pub u_own_deg: f64,
    /// Shared contributions, largest first.
    pub lines: Vec<BudgetLine>,
    /// What to measure better, in words.
    pub advice: String,
}

/// One contribution.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// Where it comes from: "speed scale", "pivot out", "calibration"...
    pub name: String,
    /// Its standard uncertainty in the mean release angle.
    pub u_deg: f64,
}

/// The calibration as a report shows it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationSummary {
    /// The lens.
    pub camera: Lens,
    /// Pose of the tripod photo.
    pub tripod_pose: Option<Pose>,
    /// The sheets.
    pub sheets: Vec<WallSheet>,
    /// Printed scale across and down (1 = as drawn).
    pub printed_scale: [f64; 2],
    /// Photos, residuals, tapes.
    pub quality: WallQuality,
    /// Where each corner was found against where the adjustment says.
    #[serde(default)]
    pub residuals: Vec<CornerResidual>,
    /// How well places on the wall are known.
    #[serde(default)]
    pub trust_map: Option<TrustMap>,
    /// Lengths that were measured by hand against what the adjustment says.
    #[serde(default)]
    pub checks: Vec<LengthCheck>,
}

/// What is left of a corner after the adjustment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CornerResidual {
    /// Path of the photo in the session.
    pub photo: String,
    /// Number of the sheet.
    pub sheet: usize,
    /// Where it was found, px from the centre of the photo's top-left pixel.
    pub x_px: f64,
    /// Where it was found, px down.
    pub y_px: f64,
    /// Found less adjusted, px to the right.
    pub dx_px: f64,
    /// Found less adjusted, px down.
    pub dy_px: f64,
}

/// The standard uncertainty of a wall point over a grid.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrustMap {
    /// Bottom left point, mm right of the origin.
    pub x0_mm: f64,
    /// Bottom left point, mm above the origin.
    pub y0_mm: f64,
    /// From point to point, mm.
    pub step_mm: f64,
    /// Points across.
    pub columns: usize,
    /// Points upwards.
    pub rows: usize,
    /// Whole standard uncertainty of a wall point there, mm; row by row from the bottom left.
    pub u_mm: Vec<f64>,
}

/// A length measured by hand.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LengthCheck {
    /// What was measured: "tape, sheets 1 and 2", "bar across".
    pub what: String,
    /// As measured, mm.
    pub stated_mm: f64,
    /// Its standard uncertainty, mm.
    pub u_mm: f64,
    /// As adjusted, mm.
    pub fitted_mm: f64,
}

/// A volley's pictures for the page: the same part of the photo before and after.
#[derive(Clone, Debug)]
pub struct VolleyPicture {
    /// The volley's name.
    pub volley: String,
    /// Part of the photo after.
    pub after: RgbImage,
    /// The same part of the photo before.
    pub before: RgbImage,
    /// Photo pixel of the part's top-left pixel.
    pub origin_px: (f64, f64),
    /// Photo pixels a picture pixel (1 = as photographed).
    pub step_px: f64,
    /// Outline of each mark as found: photo pixels, closed.
    pub outlines: Vec<Outline>,
}

/// A mark's outline in the photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline {
    /// Number of the mark within its volley.
    pub mark: u32,
    /// Balls it stands for.
    pub count: u32,
    /// Closed outline, photo pixels.
    pub points_px: Vec<(f64, f64)>,
}
