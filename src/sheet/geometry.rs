//! Where does everything on a printed sheet lie?
//!
//! A sheet is a black and white checkerboard of [`COLUMNS`] x [`ROWS`] squares, top-left square
//! black; each white square holds, centred, a tag of the open AprilTag 36h11 family. Row by row
//! from the top left, sheet n (from 1) carries tag ids 6(n-1) .. 6n-1.
//!
//! Sheet coordinates are millimetres from the board's top-left outer corner, u right and v down.
//! A board of other squares is the same drawing scaled by `square_mm / 60`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Squares across.
pub const COLUMNS: usize = 3;
/// Squares down.
pub const ROWS: usize = 4;
/// Tags on a sheet: the white squares.
pub const TAGS: usize = 6;
/// Side of a square of the standard sheet, mm.
pub const SQUARE_MM: f64 = 60.0;
/// Tag side over square side: 45 mm in 60 mm.
pub const TAG_OVER_SQUARE: f64 = 0.75;
/// Modules along a tag's side, its black border included.
pub const TAG_MODULES: usize = 8;
/// Inner corners (saddle points) across and down.
pub const SADDLE_COLUMNS: usize = COLUMNS - 1;
/// Inner corners (saddle points) down.
pub const SADDLE_ROWS: usize = ROWS - 1;
/// Saddle points on a sheet.
pub const SADDLES: usize = SADDLE_COLUMNS * SADDLE_ROWS;

/// A place on a sheet, mm from the board's top-left outer corner.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SheetPoint {
    /// To the right, mm.
    pub u_mm: f64,
    /// Downwards, mm.
    pub v_mm: f64,
}

/// The lengths of one sheet: all follow from its square, but for the tags of a board that somebody else made.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SheetGeometry {
    /// Side of a square as drawn, mm.
    pub square_mm: f64,
    /// Side of a tag with its black border, mm.
    pub tag_mm: f64,
}

impl Default for SheetGeometry {
    fn default() -> Self {
        Self::of_square(SQUARE_MM)
    }
}

/// Which sheet has which lengths: sheets alike, and boards of other sizes by number.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SheetSet {
    /// Every sheet that is not named.
    pub standard: SheetGeometry,
    /// The others.
    pub own: BTreeMap<usize, SheetGeometry>,
}

impl SheetSet {
    /// The lengths of a sheet.
    pub fn of(&self, number: usize) -> SheetGeometry {
        self.own.get(&number).copied().unwrap_or(self.standard)
    }
}

impl From<SheetGeometry> for SheetSet {
    fn from(standard: SheetGeometry) -> Self {
        Self { standard, own: BTreeMap::new() }
    }
}

impl SheetGeometry {
    /// A sheet of our drawing with squares of this side, mm.
    pub fn of_square(square_mm: f64) -> Self {
        Self { square_mm, tag_mm: square_mm * TAG_OVER_SQUARE }
    }

    /// Width of the white rim between a square's edge and its tag, in squares.
    pub fn rim_squares(self) -> f64 {
        0.5 * (1.0 - self.tag_mm / self.square_mm)
    }

    fn scaled(self, standard_mm: f64) -> f64 {
        standard_mm * self.square_mm / SQUARE_MM
    }

    /// The cross that gives the sheet its place: (90, 252) mm on the standard sheet.
    pub fn cross(self) -> SheetPoint {
        SheetPoint { u_mm: self.scaled(90.0), v_mm: self.scaled(252.0) }
    }

    /// Length of a cross's arms from its centre, mm.
    pub fn cross_arm_mm(self) -> f64 {
        self.scaled(8.0)
    }

    /// The bar across: its two ends, 150 mm apart on the standard sheet.
    pub fn bar_across(self) -> [SheetPoint; 2] {
        let v_mm = self.scaled(260.0);
        [SheetPoint { u_mm: self.scaled(15.0), v_mm }, SheetPoint { u_mm: self.scaled(165.0), v_mm }]
    }

    /// The bar down: its two ends, 200 mm apart on the standard sheet.
    pub fn bar_down(self) -> [SheetPoint; 2] {
        let u_mm = self.scaled(186.0);
        [SheetPoint { u_mm, v_mm: self.scaled(20.0) }, SheetPoint { u_mm, v_mm: self.scaled(220.0) }]
    }

    /// The saddle point (inner corner) with index `i` of [`SADDLES`], row by row from the top left.
    pub fn saddle(self, i: usize) -> SheetPoint {
        let (row, column) = (i / SADDLE_COLUMNS, i % SADDLE_COLUMNS);
        SheetPoint { u_mm: (column + 1) as f64 * self.square_mm, v_mm: (row + 1) as f64 * self.square_mm }
    }

    /// Top-left corner of the tag at `slot` (0..6), mm.
    pub fn tag_origin(self, slot: usize) -> SheetPoint {
        let (row, column) = tag_square(slot);
        let margin = 0.5 * (self.square_mm - self.tag_mm);
        SheetPoint { u_mm: column as f64 * self.square_mm + margin, v_mm: row as f64 * self.square_mm + margin }
    }

    /// The tag's four outer corners: top left, top right, bottom right, bottom left.
    pub fn tag_corners(self, slot: usize) -> [SheetPoint; 4] {
        let o = self.tag_origin(slot);
        let t = self.tag_mm;
        [(0.0, 0.0), (t, 0.0), (t, t), (0.0, t)].map(|(du, dv)| SheetPoint { u_mm: o.u_mm + du, v_mm: o.v_mm + dv })
    }

    /// A sheet point relative to the cross, u right and v **up**, mm: the wall's sense of direction.
    pub fn from_cross_mm(self, p: SheetPoint) -> (f64, f64) {
        let c = self.cross();
        (p.u_mm - c.u_mm, c.v_mm - p.v_mm)
    }
}

/// True for a black square; the top-left one is black.
pub fn is_black(row: usize, column: usize) -> bool {
    (row + column).is_multiple_of(2)
}

/// Row and column of the white square that holds tag `slot` (0..6).
pub fn tag_square(slot: usize) -> (usize, usize) {
    let mut n = 0;
    for row in 0..ROWS {
        for column in 0..COLUMNS {
            if !is_black(row, column) {
                if n == slot {
                    return (row, column);
                }
                n += 1;
            }
        }
    }
    (ROWS, COLUMNS)
}

/// Sheet number (from 1) and slot (0..6) of a tag id.
pub fn sheet_of_tag(id: usize) -> (usize, usize) {
    (id / TAGS + 1, id % TAGS)
}

/// Tag id at `slot` of sheet `number` (from 1).
pub fn tag_of_sheet(number: usize, slot: usize) -> usize {
    (number - 1) * TAGS + slot
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_standard_sheet_is_as_the_design_says() {
        let g = SheetGeometry::default();
        assert_eq!(g.tag_mm, 45.0);
        assert_eq!(g.tag_corners(0)[0], SheetPoint { u_mm: 67.5, v_mm: 7.5 });
        assert_eq!((0..TAGS).map(tag_square).collect::<Vec<_>>(), [(0, 1), (1, 0), (1, 2), (2, 1), (3, 0), (3, 2)]);
        assert_eq!(g.bar_across()[1].u_mm - g.bar_across()[0].u_mm, 150.0);
        assert_eq!(g.bar_down()[1].v_mm - g.bar_down()[0].v_mm, 200.0);
        assert_eq!(g.saddle(5), SheetPoint { u_mm: 120.0, v_mm: 180.0 });
        assert_eq!(sheet_of_tag(tag_of_sheet(7, 3)), (7, 3));
    }
}
