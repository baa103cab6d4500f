//! Which boards have a size of their own, and from when on does a later calibration hold?

use serde::Serialize;

use super::located::Section;
use super::spec::{LAST_SHEET, home_of};
use crate::error::Result;
use crate::quantity::{Dimension, Quantity};
use crate::sheet::geometry::TAG_OVER_SQUARE;

/// Most calibrations of one session.
pub const LAST_CALIBRATION: u32 = 9;
/// `[[sheets.board]]`: a board of another size among the sheets, such as a poster or one that was bought.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BoardSpec {
    /// Its number, which its tags carry.
    pub number: u32,
    /// Side of a square as it really is, m.
    pub square: Quantity,
    /// Side of a tag with its black border over the square's.
    pub tag_over_square: f64,
}

/// `[[camera.again]]`: a calibration repeated in the middle of the session.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AgainSpec {
    /// Number of its folder: 2 for `calibration-2/`.
    pub number: u32,
    /// The first volley, by its name in `volleys.csv`, that it holds for.
    pub from: String,
}

/// The boards that a `[sheets]` section describes.
pub(super) fn boards(s: &Section<'_, '_>) -> Result<Vec<BoardSpec>> {
    let mut boards: Vec<BoardSpec> = Vec::new();
    for board in s.sections("board")? {
        board.only(&["number", "square", "tag"], home_of)?;
        let Some(number) = board.count("number", LAST_SHEET)? else {
            return board.missing("number", "which sheet number its tags carry", "9");
        };
        if boards.iter().any(|b| b.number == number) {
            return board.refuse("number", format!("describes board {number} twice; keep one"));
        }
        let Some(square) = board.bounded("square", Dimension::Length, (0.010, 2.0), "10 mm to 2 m")? else {
            return board.missing("square", "the side of its squares, measured", "\"120.0 mm ± 0.2 mm\"");
        };
        let tag = board.bounded("tag", Dimension::Length, (0.005, 2.0), "5 mm to 2 m")?;
        let tag_over_square = tag.map_or(TAG_OVER_SQUARE, |t| t.value / square.value);
        // Narrower, and the white rim hides no edge's blur any more; smaller, and tags cannot be read where squares can be measured.
        if !(0.4..=0.9).contains(&tag_over_square) {
            return board.refuse(
                "tag",
                format!(
                    "is {tag_over_square:.2} of the square; tags of 0.4 to 0.9 of it can be read: check both lengths"
                ),
            );
        }
        boards.push(BoardSpec { number, square, tag_over_square });
    }
    Ok(boards)
}

/// From which volleys on a `[camera]` section says that later calibrations hold.
pub(super) fn again(s: &Section<'_, '_>) -> Result<Vec<AgainSpec>> {
    let mut again: Vec<AgainSpec> = Vec::new();
    for a in s.sections("again")? {
        a.only(&["number", "from"], home_of)?;
        let Some(number) = a.count("number", LAST_CALIBRATION)?.filter(|n| *n >= 2) else {
            return a.missing("number", "which folder: 2 for calibration-2/", "2");
        };
        if again.iter().any(|b| b.number == number) {
            return a.refuse("number", format!("names calibration-{number} twice; keep one"));
        }
        let Some(from) = a.text("from")?.filter(|t| !t.is_empty()) else {
            return a.missing("from", "the first volley that it holds for, by its name", "\"7\"");
        };
        again.push(AgainSpec { number, from });
    }
    Ok(again)
}
