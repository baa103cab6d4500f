//! What do the tables of results hold?
//!
//! `results/shots.csv` has one row a mark, `results/volleys.csv` one row a volley. Text that a
//! spreadsheet would take for a formula is made harmless; numbers are written with a digit or
//! more to spare; what is not known is an empty cell.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::flags::FlagWord;
pub use super::write::{write_together, write_whole};
use crate::error::{Error, Result};

/// Columns of `results/shots.csv`; the factors stand behind `photo`.
pub const SHOT_COLUMNS: &[&str] = &[
    "volley",
    "mark",
    "count",
    "photo",
    "speed_mps",
    "px_x",
    "px_y",
    "x_mm",
    "y_mm",
    "x_u_mm",
    "y_u_mm",
    "diameter_mm",
    "significance",
    "release_deg",
    "release_u_own_deg",
    "release_u_deg",
    "sideways_deg",
    "sideways_u_deg",
    "flags",
];
/// How many columns of [`SHOT_COLUMNS`] stand before the factors.
const BEFORE_FACTORS: usize = 4;

/// Columns of `results/volleys.csv`.
pub const VOLLEY_COLUMNS: &[&str] = &[
    "volley",
    "photo",
    "before",
    "status",
    "shots",
    "found",
    "mean_x_mm",
    "mean_y_mm",
    "mean_release_deg",
    "mean_release_u_own_deg",
    "mean_release_u_deg",
    "spread_release_deg",
    "flags",
    "note",
];

/// How far a volley's answer can be trusted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Status {
    /// Nothing was found wrong.
    #[default]
    Ok,
    /// There is an answer, but a person should look.
    Look,
    /// There is no answer.
    Failed,
}

impl Status {
    /// The word in files.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Look => "look",
            Self::Failed => "failed",
        }
    }
}

impl std::fmt::Display for Status {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}

/// A row of `results/shots.csv`: one mark.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ShotRow {
    /// The volley's name.
    pub volley: String,
    /// Number of the mark within its volley, from 1.
    pub mark: u32,
    /// Balls it stands for: 1, or more when merged.
    pub count: u32,
    /// The photo's file name; empty for impacts measured by hand.
    pub photo: String,
    /// Factor and value.
    pub factors: BTreeMap<String, String>,
    /// Mean speed of the volley, m/s.
    pub speed_mps: Option<f64>,
    /// Place in the upright photo, px to the right of the top-left pixel's centre.
    pub px_x: Option<f64>,
    /// Place in the upright photo, px down.
    pub px_y: Option<f64>,
    /// Place on the wall, mm to the right of the origin.
    pub x_mm: Option<f64>,
    /// Place on the wall, mm above the origin.
    pub y_mm: Option<f64>,
    /// Standard uncertainty of `x_mm`.
    pub x_u_mm: Option<f64>,
    /// Standard uncertainty of `y_mm`.
    pub y_u_mm: Option<f64>,
    /// Diameter of the mark, mm.
    pub diameter_mm: Option<f64>,
    /// Strength of the mark over the noise, in standard deviations.
    pub significance: Option<f64>,
    /// Release angle, deg.
    pub release_deg: Option<f64>,
    /// Its standard uncertainty from what differs from shot to shot, deg.
    pub release_u_own_deg: Option<f64>,
    /// Its standard uncertainty, own and shared, deg.
    pub release_u_deg: Option<f64>,
    /// Sideways angle, deg; to the right positive.
    pub sideways_deg: Option<f64>,
    /// Its standard uncertainty, own and shared, deg.
    pub sideways_u_deg: Option<f64>,
    /// What is special about it.
    pub flags: Vec<FlagWord>,
}

/// A row of `results/volleys.csv`: one volley.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VolleyResult {
    /// The volley's name.
    pub volley: String,
    /// Its photo.
    pub photo: String,
    /// The photo of the wall before it.
    pub before: Option<String>,
    /// How far to trust it.
    pub status: Status,
    /// Balls fired.
    pub shots: u32,
    /// Balls found (sum of the marks' counts).
    pub found: u32,
    /// Mean place, mm right of the origin.
    pub mean_x_mm: Option<f64>,
    /// Mean place, mm above the origin.
    pub mean_y_mm: Option<f64>,
    /// Mean release angle, deg.
    pub mean_release_deg: Option<f64>,
    /// Its own standard uncertainty, deg.
    pub mean_release_u_own_deg: Option<f64>,
    /// Its standard uncertainty, own and shared, deg.
    pub mean_release_u_deg: Option<f64>,
    /// Standard deviation of the shots' release angles, deg.
    pub spread_release_deg: Option<f64>,
    /// What is special about it.
    pub flags: Vec<FlagWord>,
    /// What is wrong and what to do, one sentence; empty when nothing is.
    pub note: String,
}

/// A number with `decimals` digits; nothing when unknown or not finite; never "-0.000".
fn number(value: Option<f64>, decimals: usize) -> String {
    match value {
        Some(v) if v.is_finite() => {
            let text = format!("{v:.decimals$}");
            let zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
            text.strip_prefix('-').filter(|_| zero).map_or(text.clone(), str::to_string)
        }
        _ => String::new(),
    }
}

/// Digits behind the point: angles 1e-5 deg, lengths 1e-3 mm, pixels 1e-3 px.
fn degrees(value: Option<f64>) -> String {
    number(value, 5)
}

fn thousandths(value: Option<f64>) -> String {
    number(value, 3)
}

/// Signs that a calculation begins with, also in full width.
const SIGNS: [char; 8] = ['=', '+', '-', '@', '\u{FF1D}', '\u{FF0B}', '\u{FF0D}', '\u{FF20}'];

/// Text as a cell that no spreadsheet takes for a formula: one that starts with a sign of
/// calculation and is no plain number gets an apostrophe in front; line ends become spaces. So does whatever stands behind a semicolon, at
/// which many a spreadsheet parts cells, quotes or not: `a;=b` becomes `a;'=b`.
pub fn safe_cell(text: &str) -> String {
    let plain: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if !plain.contains(SIGNS) {
        return plain;
    }
    in_parts(&plain, safe_part)
}

/// A cell's parts between semicolons, each made into another one; told whether it is the first of several, and whether it is a later one.
fn in_parts(cell: &str, part: impl Fn(&str, bool, bool) -> String) -> String {
    let several = cell.contains(';');
    let each = |(i, text): (usize, &str)| part(text, several && i == 0, i > 0);
    cell.split(';').enumerate().map(each).collect::<Vec<_>>().join(";")
}

/// A part of a cell; a spreadsheet that parts cells there may drop quotes in front of a `later` one, and one that does not has no number in the `first` of several.
fn safe_part(part: &str, first: bool, later: bool) -> String {
    // A text that begins with apostrophes before such a sign gets one more, so that it comes back as it was.
    let skipped = |c: char| c == '\'' || (later && (c == '"' || c.is_whitespace()));
    let starts = part.trim_start_matches(skipped).trim_start().starts_with(SIGNS);
    let numeric = part.trim_start_matches('\'').trim().parse::<f64>().is_ok_and(f64::is_finite);
    if starts && (first || !numeric) { format!("'{part}") } else { part.to_string() }
}

/// The cell's text before [`safe_cell`] put apostrophes in front.
pub fn unsafe_text(cell: &str) -> String {
    in_parts(cell, |part, first, later| match part.strip_prefix('\'') {
        Some(inner) if safe_part(inner, first, later) == part => inner.to_string(),
        _ => part.to_string(),
    })
}

fn csv_bytes(rows: impl Iterator<Item = Vec<String>>) -> Result<Vec<u8>> {
    let mut writer = csv::WriterBuilder::new().from_writer(Vec::new());
    for row in rows {
        writer.write_record(&row).map_err(|e| Error::input(format!("a table of results cannot be written: {e}")))?;
    }
    writer.into_inner().map_err(|e| Error::input(format!("a table of results cannot be written: {e}")))
}

/// `results/shots.csv` as bytes; `factor_names` gives the factors' order.
///
/// # Errors
/// Never in practice; the writer's own errors are passed on.
pub fn shots_csv(rows: &[ShotRow], factor_names: &[String]) -> Result<Vec<u8>> {
    let (front, back) = SHOT_COLUMNS.split_at_checked(BEFORE_FACTORS).unwrap_or((SHOT_COLUMNS, &[]));
    let header = front
        .iter()
        .map(|c| (*c).to_string())
        .chain(factor_names.iter().map(|f| safe_cell(f)))
        .chain(back.iter().map(|c| (*c).to_string()))
        .collect();
    let body = rows.iter().map(|r| {
        let mut cells = vec![safe_cell(&r.volley), r.mark.to_string(), r.count.to_string(), safe_cell(&r.photo)];
        cells.extend(factor_names.iter().map(|f| safe_cell(r.factors.get(f).map_or("", String::as_str))));
        cells.push(number(r.speed_mps, 4));
        cells.extend([r.px_x, r.px_y, r.x_mm, r.y_mm, r.x_u_mm, r.y_u_mm, r.diameter_mm].map(thousandths));
        cells.push(number(r.significance, 2));
        let angles = [r.release_deg, r.release_u_own_deg, r.release_u_deg, r.sideways_deg, r.sideways_u_deg];
        cells.extend(angles.map(degrees));
        cells.push(FlagWord::join(&r.flags));
        cells
    });
    csv_bytes(std::iter::once(header).chain(body))
}

/// `results/volleys.csv` as bytes.
///
/// # Errors
/// Never in practice; the writer's own errors are passed on.
pub fn volleys_csv(rows: &[VolleyResult]) -> Result<Vec<u8>> {
    let header = VOLLEY_COLUMNS.iter().map(|c| (*c).to_string()).collect();
    let body = rows.iter().map(|r| {
        let mut cells = vec![
            safe_cell(&r.volley),
            safe_cell(&r.photo),
            safe_cell(r.before.as_deref().unwrap_or("")),
            r.status.to_string(),
            r.shots.to_string(),
            r.found.to_string(),
            thousandths(r.mean_x_mm),
            thousandths(r.mean_y_mm),
        ];
        let angles = [r.mean_release_deg, r.mean_release_u_own_deg, r.mean_release_u_deg, r.spread_release_deg];
        cells.extend(angles.map(degrees));
        cells.extend([FlagWord::join(&r.flags), safe_cell(&r.note)]);
        cells
    });
    csv_bytes(std::iter::once(header).chain(body))
}
