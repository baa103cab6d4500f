//! What did a person decide about marks (`review.csv`), so that a re-run keeps it?
//!
//! A decision is tied to a volley and a place on the wall, not to a mark's number, so that it
//! survives a re-run that finds the marks in another order. Columns: `volley, action, x_mm, y_mm,
//! to_x_mm, to_y_mm, count, note`; actions are `accept`, `reject`, `move` (to `to_x_mm, to_y_mm`)
//! and `add` (a mark of `count` balls that was not found).

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::nearest::nearest;
use super::results::{safe_cell, unsafe_text, write_whole};
use super::table::{LARGEST_FILE_BYTES, Row, Table, plain_name, read_text};
use crate::error::{Context, Error, Result};
use crate::points::WallPoint;

/// How near a mark must lie to the place of a decision for the decision to be about it, m. About half
/// a mark: a re-run moves a centre far less, and two marks nearer than this are one merged mark.
pub const SAME_MARK_M: f64 = 0.012;

const COLUMNS: [&str; 8] = ["volley", "action", "x_mm", "y_mm", "to_x_mm", "to_y_mm", "count", "note"];
/// Farthest place on a wall, mm.
const FARTHEST_MM: f64 = 1e5;

/// What a person decided.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// The mark is right as found.
    Accept,
    /// The mark is none of this volley's.
    Reject,
    /// The mark's centre belongs here.
    Move(WallPoint),
    /// A mark that was not found is here, of this many balls.
    Add {
        /// Balls it stands for, at least 1.
        count: u32,
    },
}

impl Decision {
    /// The word in the file.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Accept => "accept",
            Self::Reject => "reject",
            Self::Move(_) => "move",
            Self::Add { .. } => "add",
        }
    }
}

/// A row of `review.csv`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReviewRow {
    /// The volley's name.
    pub volley: String,
    /// Where the mark was found (for `add`: where it is).
    pub place: WallPoint,
    /// What was decided.
    pub decision: Decision,
    /// Why.
    pub note: String,
}

/// Reads `review.csv`; no file means no decisions.
///
/// # Errors
/// When the file is there but cannot be read, and as for [`parse_review`].
pub fn read_review(path: &Path) -> Result<Vec<ReviewRow>> {
    if !path.exists() {
        return Ok(Vec::new());
    }
    let text = read_text(path, LARGEST_FILE_BYTES)?;
    parse_review(&text).place(|| path.display().to_string())
}

/// Reads the text of a `review.csv`.
///
/// # Errors
/// A sentence with the line: an unknown column or action, a place or a number missing.
pub fn parse_review(text: &str) -> Result<Vec<ReviewRow>> {
    if text.trim().is_empty() {
        return Ok(Vec::new());
    }
    let table = Table::parse(text)?;
    let names: Vec<String> = table.header.iter().map(|n| plain_name(n)).collect();
    if let Some(unknown) = names.iter().find(|n| !n.is_empty() && !COLUMNS.contains(&n.as_str())) {
        let hint = nearest(unknown, COLUMNS)
            .map_or(format!("columns are {}", COLUMNS.join(", ")), |near| format!("did you mean {near}?"));
        return Err(Error::input(format!("there is no column {unknown} here; {hint}")));
    }
    table.rows.iter().map(|row| review_row(&table, row, &names)).collect()
}

fn review_row(table: &Table, row: &Row, names: &[String]) -> Result<ReviewRow> {
    let column = |name: &str| names.iter().position(|n| n == name);
    let text = |name: &str| column(name).map_or("", |c| row.cell(c));
    let number = |name: &str| column(name).map_or(Ok(None), |c| table.number(row, c));
    let fail = |text: String| Error::input(format!("line {}: {text}", row.line));
    let place = |x: &str, y: &str| -> Result<WallPoint> {
        match (number(x)?, number(y)?) {
            (Some(x_mm), Some(y_mm)) if x_mm.abs() <= FARTHEST_MM && y_mm.abs() <= FARTHEST_MM => {
                Ok(WallPoint::new(x_mm * 1e-3, y_mm * 1e-3))
            }
            (Some(_), Some(_)) => Err(fail(format!("{x} or {y} is beyond {FARTHEST_MM} mm; check the number"))),
            _ => Err(fail(format!("{x} and {y} say where; one is blank"))),
        }
    };
    let volley = unsafe_text(text("volley")).to_string();
    if volley.is_empty() {
        return Err(fail("names no volley; write its name as in volleys.csv".into()));
    }
    let decision = match text("action").to_lowercase().as_str() {
        "accept" => Decision::Accept,
        "reject" => Decision::Reject,
        "move" => Decision::Move(place("to_x_mm", "to_y_mm")?),
        "add" => match number("count")? {
            None => Decision::Add { count: 1 },
            Some(n) if n.fract() == 0.0 && (1.0..=1000.0).contains(&n) => Decision::Add { count: n as u32 },
            Some(n) => return Err(fail(format!("count is {n}; write a whole number from 1 to 1000"))),
        },
        other => return Err(fail(format!("action \"{other}\" is none of accept, reject, move, add"))),
    };
    let note = unsafe_text(text("note")).to_string();
    Ok(ReviewRow { volley, place: place("x_mm", "y_mm")?, decision, note })
}

/// Writes `review.csv` whole.
///
/// # Errors
/// When the file cannot be written.
pub fn write_review(path: &Path, rows: &[ReviewRow]) -> Result<()> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let fail = |e: &dyn std::fmt::Display| Error::input(format!("review.csv cannot be written: {e}"));
    writer.write_record(COLUMNS).map_err(|e| fail(&e))?;
    let mm = |m: f64| format!("{:.3}", m * 1e3);
    for r in rows {
        let (to_x, to_y) = match r.decision {
            Decision::Move(to) => (mm(to.x_m), mm(to.y_m)),
            _ => Default::default(),
        };
        let count = if let Decision::Add { count } = r.decision { count.to_string() } else { String::new() };
        writer
            .write_record([
                safe_cell(&r.volley),
                r.decision.word().to_string(),
                mm(r.place.x_m),
                mm(r.place.y_m),
                to_x,
                to_y,
                count,
                safe_cell(&r.note),
            ])
            .map_err(|e| fail(&e))?;
    }
    let bytes = writer.into_inner().map_err(|e| fail(&e))?;
    write_whole(path, &bytes)
}

/// The last decision about the mark at `place` of a volley: the nearest within [`SAME_MARK_M`],
/// `add` apart; of two at the same distance the later row holds.
pub fn decision_for<'r>(rows: &'r [ReviewRow], volley: &str, place: WallPoint) -> Option<&'r ReviewRow> {
    rows.iter()
        .filter(|r| r.volley == volley && !matches!(r.decision, Decision::Add { .. }))
        .map(|r| (r.place.distance_m(place), r))
        .filter(|(distance, _)| *distance <= SAME_MARK_M)
        .fold(None, |best: Option<(f64, &ReviewRow)>, now| match best {
            Some(b) if b.0 < now.0 => Some(b),
            _ => Some(now),
        })
        .map(|(_, r)| r)
}
