//! What does a report hold?
//!
//! [`Summary`] is the content of `results/summary.json`, versioned: a field may be added, none changes its
//! meaning. Angles are degrees, lengths millimetres on the wall, speeds m/s; u is a standard uncertainty.

use std::io::Write;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::jpeg::JpegPicture;
use super::number::COVERAGE;
use super::units::Units;
use crate::camera::wall::{WallQuality, WallSheet};
use crate::camera::{Lens, Pose, WallView};
use crate::error::{Error, Result, quoted};
use crate::marks::shape::MarkShape;
use crate::session::flags::FlagWord;
pub use crate::session::hash::FileHash;
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
    /// Each setpoint's mean by first order and by Monte Carlo; empty where that was not asked for.
    #[serde(default)]
    pub linear_checks: Vec<LinearCheckSummary>,
    /// The calibration; absent for impacts measured by hand.
    pub calibration: Option<CalibrationSummary>,
    /// Calibrations repeated in the middle of the session, in order.
    #[serde(default)]
    pub later_calibrations: Vec<LaterCalibration>,
    /// What the session's marks look like; absent for impacts measured by hand.
    pub mark_shape: Option<MarkShape>,
    /// Inputs stated without ±, taken as exact: "machine.arm = 1.200 m".
    pub exact_inputs: Vec<String>,
    /// What was assumed since nothing was stated, a sentence each.
    pub assumed_inputs: Vec<String>,
    /// What about the session as a whole needs a look, a sentence each.
    #[serde(default, rename = "session_looks")]
    pub looks: Vec<String>,
    /// What a reader must know of the session, a sentence each (`notes` are the study's).
    #[serde(rename = "session_notes")]
    pub notes: Vec<String>,
    /// Files that the results come from, with the SHA-256 of what was read of them.
    pub files: Vec<FileHash>,
}

impl Summary {
    /// The text of `summary.json`.
    ///
    /// # Errors
    /// A value that JSON cannot hold.
    pub fn to_json(&self) -> Result<String> {
        let mut text = Vec::new();
        self.write_json(&mut text)?;
        String::from_utf8(text).map_err(|e| Error::no_answer(e.to_string()))
    }

    /// The same, written piece by piece.
    ///
    /// # Errors
    /// As for [`Summary::to_json`]; `to` cannot be written.
    pub fn write_json(&self, to: &mut dyn Write) -> Result<()> {
        let cannot_write = |e: &dyn std::fmt::Display| Error::no_answer(format!("cannot write the results: {e}"));
        serde_json::to_writer_pretty(&mut *to, self).map_err(|e| {
            if e.is_io() {
                cannot_write(&e)
            } else {
                Error::no_answer(format!("the results hold a value that JSON cannot ({e})"))
            }
        })?;
        to.write_all(b"\n").map_err(|e| cannot_write(&e))
    }

    /// Reads such a text, also an older version's: what that lacks has a default.
    ///
    /// # Errors
    /// Not JSON of this format, or a later version, which may mean anything.
    pub fn from_json(text: &str) -> Result<Self> {
        // The version is looked at first: a later format need not read as this one.
        #[derive(Deserialize)]
        struct Versioned {
            version: u32,
        }
        let not_one = |e: serde_json::Error| {
            Error::input(format!(
                "is no summary that this program reads ({}): measure again with `pockmark run`",
                quoted(e)
            ))
        };
        let Versioned { version } = serde_json::from_str(text).map_err(not_one)?;
        if version > VERSION {
            return Err(Error::input(format!(
                "has format version {version}, this program reads up to {VERSION}: update the program, or measure again with `pockmark run`"
            )));
        }
        serde_json::from_str(text).map_err(not_one)
    }
}

/// The speeds, m/s, that a study's sentences speak of.
pub fn spoken_speeds(study: &Study) -> Vec<f64> {
    let zeros = study.ladders.iter().flat_map(|l| [l.zero_speed_mps, l.zero_speed_low_mps, l.zero_speed_high_mps]);
    study.setpoints_mps.iter().copied().chain(zeros.flatten()).collect()
}

impl Summary {
    /// A sentence of these results with its speeds in the session's unit.
    pub fn spoken(&self, sentence: &str) -> String {
        self.units.speak(sentence, &self.study.as_ref().map_or_else(Vec::new, spoken_speeds))
    }
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
    /// Share of a new mark that old ones cover, 0 to 1, where this volley's shots struck, before it; absent where not known.
    #[serde(default)]
    pub covered_before: Option<f64>,
    /// The same after it, for shots like these.
    #[serde(default)]
    pub covered_after: Option<f64>,
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
    /// Half the 95 % interval over `u_deg`: 2, and more where few volleys stand behind it.
    #[serde(default = "usual_coverage")]
    pub coverage: f64,
    /// What differs from shot to shot, after averaging.
    pub u_own_deg: f64,
    /// Shared contributions, largest first.
    pub lines: Vec<BudgetLine>,
    /// What to measure better, in words.
    pub advice: String,
    /// What halving `u_deg` takes: all of these together; empty where nothing would.
    #[serde(default)]
    pub to_halve: Vec<BudgetNeed>,
}

fn usual_coverage() -> f64 {
    COVERAGE
}

/// How good one source must become.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetNeed {
    /// Its name, as in the lines; "own" is what differs from shot to shot.
    pub name: String,
    /// What is stated now: "± 5.0 mm".
    pub now: String,
    /// What is needed: "± 2.4 mm".
    pub needed: String,
}

/// A mean release angle by first order and by Monte Carlo (JCGM 101:2008, clause 8).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LinearCheckSummary {
    /// The setup.
    pub setup: Setup,
    /// Ladder speed.
    pub setpoint_mps: f64,
    /// Mean by first order.
    pub mean_deg: Option<f64>,
    /// Its u by first order.
    pub u_deg: Option<f64>,
    /// Lower end of the first-order interval, k = 2.
    pub low_deg: Option<f64>,
    /// Upper end.
    pub high_deg: Option<f64>,
    /// What came out by Monte Carlo; absent where a draw has no answer.
    pub sampled: Option<SampledInterval>,
    /// Whether both ends agree within the tolerance.
    pub linear_will_do: bool,
    /// All of that in words.
    pub sentence: String,
}

/// An interval by Monte Carlo.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SampledInterval {
    /// Mean of the trials.
    pub mean_deg: f64,
    /// Their standard deviation.
    pub u_deg: f64,
    /// Lower end of the interval that holds 95.45 %.
    pub low_deg: f64,
    /// Upper end.
    pub high_deg: f64,
    /// Trials run.
    pub trials: u64,
    /// Whether the figures are stable to the tolerance.
    pub stable: bool,
    /// Half a unit in the second digit of u.
    pub tolerance_deg: f64,
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
    /// Photos, residuals, the map of trust, lengths measured by hand.
    pub quality: WallQuality,
}

/// A calibration repeated in the middle of the session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LaterCalibration {
    /// Number of its folder: 2 for `calibration-2/`.
    pub number: u32,
    /// The first photo that it places; absent where it was taken after all of them.
    pub photo: Option<String>,
    /// The volleys that it holds for, in shooting order.
    pub volleys: Vec<String>,
    /// What it found.
    pub calibration: CalibrationSummary,
}

/// A volley's pictures for the page: the same part of the photo before and after.
#[derive(Clone, Debug)]
pub struct VolleyPicture {
    /// The volley's name.
    pub volley: String,
    /// Part of the photo after.
    pub after: JpegPicture,
    /// The same part of the photo before.
    pub before: JpegPicture,
    /// Photo pixel of the part's top-left pixel.
    pub origin_px: (f64, f64),
    /// Photo pixels a picture pixel (1 = as photographed).
    pub step_px: f64,
    /// Outline of each mark as found: photo pixels, closed.
    pub outlines: Arc<[Outline]>,
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
