//! What did a person decide about marks (`review.csv`), so that a re-run keeps it?
//!
//! A decision is tied to a volley and a place on the wall, not to a mark's number, so that it
//! survives a re-run that finds the marks in another order. Columns: `volley, action, x_mm, y_mm,
//! to_x_mm, to_y_mm, count, note`; actions are
//!
//! - `accept`: the mark is right; with `count`, it stands for that many balls (of two marks merged into
//!   one, one is rejected and the other accepted with `count` 2),
//! - `reject`: it is none of this volley's,
//! - `move`: its centre is at `to_x_mm, to_y_mm`; `count` as for `accept`,
//! - `add`: a mark of `count` balls (1 when blank) that was not found (a mark split in two is rejected, and two added),
//! - `checked`: a person looked at the whole volley and these are its marks; no place. With `count`, that holds as long
//!   as the marks stand for that many balls; 0: no ball left a mark here.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::hash::sha256_hex;
use super::nearest::nearest;
use super::results::{safe_cell, unsafe_text, write_whole};
use super::table::{LARGEST_FILE_BYTES, Row, Table, plain_name, read_text};
use crate::error::{Context, Error, Result};
use crate::points::WallPoint;

/// How near a mark must lie to the place of a decision for the decision to be about it, m. About half
/// a mark: a re-run moves a centre far less, and two marks nearer than this are one merged mark.
pub const SAME_MARK_M: f64 = 0.012;

/// Places in the file this near are one place, m: it holds thousandths of a millimetre.
pub const SAME_PLACE_M: f64 = 2e-6;

const COLUMNS: [&str; 8] = ["volley", "action", "x_mm", "y_mm", "to_x_mm", "to_y_mm", "count", "note"];
/// Most balls that a mark may stand for.
const MOST_BALLS: f64 = 1000.0;
/// Farthest place on a wall, mm.
const FARTHEST_MM: f64 = 1e5;

/// What a person decided.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// The mark is right as found.
    Accept {
        /// Balls it stands for, at least 1; `None`: as found.
        count: Option<u32>,
    },
    /// The mark is none of this volley's.
    Reject,
    /// The mark's centre belongs here.
    Move {
        /// Its centre.
        to: WallPoint,
        /// Balls it stands for, at least 1; `None`: as found.
        count: Option<u32>,
    },
    /// A mark that was not found is here, of this many balls.
    Add {
        /// Balls it stands for, at least 1.
        count: u32,
    },
    /// A person looked at the whole volley: these are its marks. Not about one mark, so it has no place.
    Checked {
        /// Balls that the marks stood for then, 0 where none left a mark; the decision holds as long as they still do.
        count: Option<u32>,
    },
}

impl Decision {
    /// The word in the file.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Accept { .. } => "accept",
            Self::Reject => "reject",
            Self::Move { .. } => "move",
            Self::Add { .. } => "add",
            Self::Checked { .. } => "checked",
        }
    }
}

/// A row of `review.csv`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReviewRow {
    /// The volley's name.
    pub volley: String,
    /// Where the mark was found (for `add`: where it is); `None` for [`Decision::Checked`] only.
    pub place: Option<WallPoint>,
    /// What was decided.
    pub decision: Decision,
    /// Why.
    pub note: String,
}

/// The decisions of a `review.csv`, with what the file was when they were read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decisions {
    /// Its rows.
    pub rows: Vec<ReviewRow>,
    /// Its SHA-256; `None` where there was no file.
    pub sha256: Option<String>,
}

/// Reads `review.csv`; no file means no decisions.
///
/// # Errors
/// When the file is there but cannot be read, and as for [`parse_review`].
pub fn read_decisions(path: &Path) -> Result<Decisions> {
    if !path.exists() {
        return Ok(Decisions::default());
    }
    let text = read_text(path, LARGEST_FILE_BYTES)?;
    let rows = parse_review(&text).place(|| path.display().to_string())?;
    Ok(Decisions { rows, sha256: Some(sha256_hex(text.as_bytes())) })
}

/// Its rows alone.
///
/// # Errors
/// As for [`read_decisions`].
pub fn read_review(path: &Path) -> Result<Vec<ReviewRow>> {
    Ok(read_decisions(path)?.rows)
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
    let volley = unsafe_text(text("volley"));
    if volley.is_empty() {
        return Err(fail("names no volley; write its name as in volleys.csv".into()));
    }
    let action = text("action").to_lowercase();
    // A mark stands for a ball at least; a whole volley may have left none.
    let least = if action == "checked" { 0.0 } else { 1.0 };
    let count = match number("count")? {
        None => None,
        Some(n) if n.fract() == 0.0 && (least..=MOST_BALLS).contains(&n) => Some(n as u32),
        Some(n) => return Err(fail(format!("count is {n}; write a whole number from {least} to {MOST_BALLS}"))),
    };
    let decision = match action.as_str() {
        "accept" => Decision::Accept { count },
        "reject" => Decision::Reject,
        "move" => Decision::Move { to: place("to_x_mm", "to_y_mm")?, count },
        "add" => Decision::Add { count: count.unwrap_or(1) },
        "checked" => Decision::Checked { count },
        other => return Err(fail(format!("action \"{other}\" is none of accept, reject, move, add, checked"))),
    };
    let note = unsafe_text(text("note"));
    let place = match decision {
        Decision::Checked { .. } => None,
        _ => Some(place("x_mm", "y_mm")?),
    };
    Ok(ReviewRow { volley, place, decision, note })
}

/// Writes `review.csv` whole.
///
/// # Errors
/// When the file cannot be written.
pub fn write_review(path: &Path, rows: &[ReviewRow]) -> Result<()> {
    write_whole(path, &review_text(rows)?)
}

/// The text of a `review.csv`.
///
/// # Errors
/// When a row cannot be put into CSV.
pub fn review_text(rows: &[ReviewRow]) -> Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let fail = |e: &dyn std::fmt::Display| Error::input(format!("review.csv cannot be written: {e}"));
    writer.write_record(COLUMNS).map_err(|e| fail(&e))?;
    let mm = |m: f64| format!("{:.3}", m * 1e3);
    let cells = |p: Option<WallPoint>| p.map_or(Default::default(), |p| (mm(p.x_m), mm(p.y_m)));
    for r in rows {
        let (x, y) = cells(r.place);
        let (to, count) = match r.decision {
            Decision::Accept { count } | Decision::Checked { count } => (None, count),
            Decision::Move { to, count } => (Some(to), count),
            Decision::Add { count } => (None, Some(count)),
            Decision::Reject => (None, None),
        };
        let (to_x, to_y) = cells(to);
        let count = count.map_or(String::new(), |c| c.to_string());
        let action = r.decision.word().to_string();
        writer
            .write_record([safe_cell(&r.volley), action, x, y, to_x, to_y, count, safe_cell(&r.note)])
            .map_err(|e| fail(&e))?;
    }
    writer.into_inner().map_err(|e| fail(&e))
}

/// The decision about each of a volley's marks, by place: a decision is about the nearest mark within [`SAME_MARK_M`],
/// each about one mark and each mark decided once; of two at the same distance the later row holds. The place of a
/// `move` is where the mark was found, or else where it was moved to. `rows` are those of one volley.
///
/// Gives the index of the row for each mark, and of each row on a mark (`accept`, `reject`, `move`) that found none.
pub fn match_marks(rows: &[&ReviewRow], marks: &[WallPoint]) -> (Vec<Option<usize>>, Vec<usize>) {
    let about = |r: &ReviewRow| match r.decision {
        Decision::Accept { .. } | Decision::Reject => (r.place, None),
        Decision::Move { to, .. } => (r.place, Some(to)),
        Decision::Add { .. } | Decision::Checked { .. } => (None, None),
    };
    let mut for_mark: Vec<Option<usize>> = vec![None; marks.len()];
    // A later row on the very same place takes the earlier one's.
    let same =
        |a: Option<WallPoint>, b: Option<WallPoint>| a.zip(b).is_some_and(|(a, b)| a.distance_m(b) < SAME_PLACE_M);
    let mut open: Vec<usize> = (0..rows.len())
        .filter(|&j| about(rows[j]).0.is_some())
        .filter(|&j| !rows.iter().skip(j + 1).any(|later| same(about(later).0, about(rows[j]).0)))
        .collect();
    for moved in [false, true] {
        let mut near: Vec<(f64, std::cmp::Reverse<usize>, usize)> = Vec::new();
        for &j in &open {
            let place = if moved { about(rows[j]).1 } else { about(rows[j]).0 };
            let Some(place) = place else { continue };
            let found = marks.iter().enumerate().map(|(i, m)| (m.distance_m(place), std::cmp::Reverse(j), i));
            near.extend(found.filter(|(d, ..)| *d <= SAME_MARK_M));
        }
        near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        for (_, std::cmp::Reverse(j), i) in near {
            if for_mark[i].is_none() && open.contains(&j) {
                for_mark[i] = Some(j);
                open.retain(|o| *o != j);
            }
        }
    }
    (for_mark, open)
}
