//! How much of a pixel is ink?
//!
//! A pixel covers a small quadrilateral of the sheet. Its black share is the area of that quadrilateral inside
//! the black parts over its whole area, found by clipping, so an edge lies in the photo exactly where it lies on
//! the sheet, whatever its slope; no sampling grid shows.

use crate::sheet::draw::modules;
use crate::sheet::geometry::{self, COLUMNS, ROWS, SQUARE_MM, SheetPoint, TAG_MODULES, TAGS};
use crate::sheet::tag36h11::CODES;

use super::scene::SheetOnWall;

/// Cells along a square: squares, tags' margins (1/8) and modules (3/32) all end on this lattice.
const CELLS: usize = 32;
const CELLS_ACROSS: usize = CELLS * COLUMNS;
const CELLS_DOWN: usize = CELLS * ROWS;
/// Cells from a square's edge to its tag's.
const TAG_MARGIN: usize = CELLS / 8;
/// Cells along a module.
const MODULE: usize = 3;

/// Paper around the board of the standard sheet (A4), mm: left, top, right, bottom.
const PAPER_MM: [f64; 4] = [-15.0, -10.0, 195.0, 287.0];

/// Digits as 3 x 5 dots, rows from the top, most significant bit left.
const DIGITS: [u16; 10] = [0o75557, 0o26227, 0o71747, 0o71717, 0o55711, 0o74717, 0o74757, 0o71111, 0o75757, 0o75717];

/// An upright rectangle, mm: left, top, right, bottom.
type Box2 = [f64; 4];

/// What one pixel sees of a sheet, each a share of the pixel's area.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cover {
    /// Paper, printed or not.
    pub paper: f64,
    /// Ink.
    pub black: f64,
    /// Masking tape over the corners.
    pub tape: f64,
}

/// A sheet made ready for drawing.
#[derive(Clone, Debug)]
pub struct Ink {
    sheet: SheetOnWall,
    /// Standard millimetres over this sheet's.
    unit: f64,
    black: Vec<bool>,
    /// Lines and words below and beside the board, with how black they are.
    strokes: Vec<(Box2, f64)>,
}

impl Ink {
    /// Draws the sheet's board once. A number past the family gives blank tags.
    pub fn new(sheet: SheetOnWall) -> Self {
        let mut black = vec![false; CELLS_ACROSS * CELLS_DOWN];
        let mut fill = |column: usize, row: usize, size: usize| {
            for r in row..row + size {
                black[r * CELLS_ACROSS + column..r * CELLS_ACROSS + column + size].fill(true);
            }
        };
        for row in 0..ROWS {
            for column in (0..COLUMNS).filter(|&c| geometry::is_black(row, c)) {
                fill(column * CELLS, row * CELLS, CELLS);
            }
        }
        for slot in 0..TAGS {
            let (row, column) = geometry::tag_square(slot);
            let code = CODES.get(geometry::tag_of_sheet(sheet.number.max(1), slot)).copied().unwrap_or(u64::MAX);
            for (r, line) in modules(code).iter().enumerate() {
                for c in (0..TAG_MODULES).filter(|&c| line[c]) {
                    fill(column * CELLS + TAG_MARGIN + c * MODULE, row * CELLS + TAG_MARGIN + r * MODULE, MODULE);
                }
            }
        }
        Self { sheet, unit: SQUARE_MM / sheet.geometry.square_mm, black, strokes: strokes(sheet.number) }
    }

    /// The sheet's paper and tape, as corners on the wall.
    pub fn outline(&self) -> [crate::points::WallPoint; 4] {
        let [l, t, r, b] = PAPER_MM;
        // Tape reaches 30 mm past a corner, along the diagonal.
        let [l, t, r, b] = [l - 25.0, t - 25.0, r + 25.0, b + 25.0];
        [(l, t), (r, t), (r, b), (l, b)]
            .map(|(u, v)| self.sheet.wall_point(SheetPoint { u_mm: u / self.unit, v_mm: v / self.unit }))
    }

    /// The pixel's corners in standard sheet millimetres.
    pub fn quad(&self, corners: &[crate::points::WallPoint; 4]) -> [[f64; 2]; 4] {
        corners.map(|p| {
            let s = self.sheet.sheet_point(p);
            [s.u_mm * self.unit, s.v_mm * self.unit]
        })
    }

    /// Shares of the pixel with these corners (standard sheet millimetres, in order round it).
    pub fn cover(&self, quad: &[[f64; 2]; 4]) -> Cover {
        let whole = area(quad);
        let bounds = bounds(quad);
        if whole.is_nan()
            || whole <= 0.0
            || !meets(&bounds, &[PAPER_MM[0] - 25.0, PAPER_MM[1] - 25.0, PAPER_MM[2] + 25.0, PAPER_MM[3] + 25.0])
        {
            return Cover::default();
        }
        let paper = share(quad, &bounds, &PAPER_MM, whole);
        let tape = tape(quad, whole);
        if paper == 0.0 {
            return Cover { paper, black: 0.0, tape };
        }
        let mut black = self.board(quad, &bounds, whole);
        if bounds[3] > ROWS as f64 * SQUARE_MM || bounds[2] > COLUMNS as f64 * SQUARE_MM {
            for (stroke, density) in self.strokes.iter().filter(|(s, _)| meets(&bounds, s)) {
                black += density * share(quad, &bounds, stroke, whole);
            }
        }
        Cover { paper, black: black.min(1.0), tape }
    }

    fn board(&self, quad: &[[f64; 2]; 4], bounds: &Box2, whole: f64) -> f64 {
        let cell_mm = SQUARE_MM / CELLS as f64;
        let range = |lo: f64, hi: f64, n: usize| {
            let (lo, hi) = ((lo / cell_mm).floor().max(0.0), (hi / cell_mm).ceil().min(n as f64));
            if hi > lo { lo as usize..hi as usize } else { 0..0 }
        };
        let (columns, rows) = (range(bounds[0], bounds[2], CELLS_ACROSS), range(bounds[1], bounds[3], CELLS_DOWN));
        let is_black = |c: usize, r: usize| self.black[r * CELLS_ACROSS + c];
        let blacks = rows.clone().map(|r| columns.clone().filter(|&c| is_black(c, r)).count()).sum::<usize>();
        if blacks == 0 {
            return 0.0;
        }
        let cells = columns.len() * rows.len();
        let inside = bounds[0] >= 0.0
            && bounds[1] >= 0.0
            && bounds[2] <= COLUMNS as f64 * SQUARE_MM
            && bounds[3] <= ROWS as f64 * SQUARE_MM;
        if blacks == cells && inside {
            return 1.0;
        }
        // Runs of black along each row, clipped one by one.
        let mut sum = 0.0;
        for r in rows {
            let strip = [f64::NEG_INFINITY, r as f64 * cell_mm, f64::INFINITY, (r + 1) as f64 * cell_mm];
            let mut c = columns.start;
            while c < columns.end {
                if !is_black(c, r) {
                    c += 1;
                    continue;
                }
                let start = c;
                while c < columns.end && is_black(c, r) {
                    c += 1;
                }
                sum += clipped_area(quad, &[start as f64 * cell_mm, strip[1], c as f64 * cell_mm, strip[3]]);
            }
        }
        sum / whole
    }
}

/// Cross, bars with their ticks, the sheet's number and lines of small print (grey: too small to resolve).
fn strokes(number: usize) -> Vec<(Box2, f64)> {
    let h = 0.15;
    let mut all: Vec<(Box2, f64)> = [
        [82.0, 252.0 - h, 98.0, 252.0 + h],
        [90.0 - h, 244.0, 90.0 + h, 260.0],
        [15.0, 260.0 - h, 165.0, 260.0 + h],
        [15.0 - h, 258.0, 15.0 + h, 262.0],
        [165.0 - h, 258.0, 165.0 + h, 262.0],
        [186.0 - h, 20.0, 186.0 + h, 220.0],
        [184.0, 20.0 - h, 188.0, 20.0 + h],
        [184.0, 220.0 - h, 188.0, 220.0 + h],
        [3.0, 248.0, 6.0, 254.0],
    ]
    .map(|b| (b, 1.0))
    .to_vec();
    all.extend([([15.0, 247.0, 35.0, 252.5], 0.4), ([102.0, 245.0, 145.0, 248.2], 0.4)]);
    all.extend([([102.0, 250.2, 168.0, 252.3], 0.25), ([102.0, 253.5, 151.0, 255.6], 0.25)]);
    let dot_mm = 1.2;
    for (i, digit) in number.to_string().bytes().enumerate() {
        let rows = DIGITS.get(usize::from(digit.wrapping_sub(b'0'))).copied().unwrap_or(0);
        for bit in (0..15).filter(|b| rows >> (14 - b) & 1 == 1) {
            let (u, v) = (38.0 + 4.8 * i as f64 + dot_mm * f64::from(bit % 3), 246.5 + dot_mm * f64::from(bit / 3));
            all.push(([u, v, u + dot_mm, v + dot_mm], 1.0));
        }
    }
    all
}

/// Share of the pixel under the four strips of tape that hold the corners, laid at 45 degrees.
fn tape(quad: &[[f64; 2]; 4], whole: f64) -> f64 {
    let [l, t, r, b] = PAPER_MM;
    let mut sum = 0.0;
    for (u, v, across) in [(l, t, 1.0), (r, t, -1.0), (r, b, 1.0), (l, b, -1.0)] {
        let near = quad.iter().any(|p| (p[0] - u).abs() < 32.0 && (p[1] - v).abs() < 32.0);
        if !near {
            continue;
        }
        let s = std::f64::consts::FRAC_1_SQRT_2;
        // Along the diagonal through the corner, and square to it.
        let turned = quad.map(|p| [s * ((p[0] - u) + across * (p[1] - v)), s * ((p[1] - v) - across * (p[0] - u))]);
        sum += clipped_area(&turned, &[-9.0, -26.0, 9.0, 26.0]);
    }
    (sum / whole).min(1.0)
}

fn bounds(quad: &[[f64; 2]; 4]) -> Box2 {
    quad.iter().fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |b, p| {
        [b[0].min(p[0]), b[1].min(p[1]), b[2].max(p[0]), b[3].max(p[1])]
    })
}

fn meets(a: &Box2, b: &Box2) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

fn share(quad: &[[f64; 2]; 4], bounds: &Box2, part: &Box2, whole: f64) -> f64 {
    if !meets(bounds, part) {
        return 0.0;
    }
    if bounds[0] >= part[0] && bounds[1] >= part[1] && bounds[2] <= part[2] && bounds[3] <= part[3] {
        return 1.0;
    }
    clipped_area(quad, part) / whole
}

/// Area of a polygon, whichever way round, square mm.
fn area(polygon: &[[f64; 2]]) -> f64 {
    let n = polygon.len();
    let twice: f64 = (0..n)
        .map(|i| {
            let (a, b) = (polygon[i], polygon[(i + 1) % n]);
            a[0] * b[1] - a[1] * b[0]
        })
        .sum();
    0.5 * twice.abs()
}

/// Area of a convex quadrilateral inside a rectangle (clipping edge by edge: I. Sutherland, G. Hodgman, CACM 1974).
pub fn clipped_area(quad: &[[f64; 2]; 4], part: &Box2) -> f64 {
    // Four corners and at most one more for each of four cuts.
    let mut polygon = [[0.0; 2]; 8];
    polygon[..4].copy_from_slice(quad);
    let mut n = 4;
    for (side, &limit) in part.iter().enumerate() {
        let (axis, sign) = (side % 2, if side < 2 { 1.0 } else { -1.0 });
        let depth = |p: &[f64; 2]| sign * (p[axis] - limit);
        let mut next = [[0.0; 2]; 8];
        let mut m = 0;
        let mut push = |p: [f64; 2]| {
            if m < next.len() {
                next[m] = p;
                m += 1;
            }
        };
        for i in 0..n {
            let (a, b) = (polygon[i], polygon[(i + 1) % n]);
            let (da, db) = (depth(&a), depth(&b));
            if da >= 0.0 {
                push(a);
            }
            if (da >= 0.0) != (db >= 0.0) {
                let t = da / (da - db);
                push([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]);
            }
        }
        (polygon, n) = (next, m);
        if n < 3 {
            return 0.0;
        }
    }
    area(&polygon[..n])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::points::WallPoint;

    #[test]
    fn clipping_gives_areas_known_by_hand() {
        let square = [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]];
        assert_eq!(clipped_area(&square, &[1.0, -5.0, 9.0, 1.5]), 1.5);
        assert_eq!(clipped_area(&square, &[3.0, 0.0, 4.0, 1.0]), 0.0);
        let diamond = [[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]];
        assert!((clipped_area(&diamond, &[0.0, 0.0, 5.0, 5.0]) - 0.5).abs() < 1e-9);
        // An octagon: the diamond of half-width 1 cut at 0.75 loses four corners of 0.0625 each.
        assert!((clipped_area(&diamond, &[-0.75, -0.75, 0.75, 0.75]) - 1.75).abs() < 1e-9);
    }

    #[test]
    fn a_pixel_that_straddles_a_square_is_half_black() {
        let ink = Ink::new(SheetOnWall::upright(1, WallPoint::default()));
        let at = |u: f64, v: f64| {
            ink.cover(&[[u - 0.5, v - 0.5], [u + 0.5, v - 0.5], [u + 0.5, v + 0.5], [u - 0.5, v + 0.5]])
        };
        assert_eq!(at(30.0, 30.0), Cover { paper: 1.0, black: 1.0, tape: 0.0 });
        assert!((at(60.0, 3.0).black - 0.5).abs() < 1e-9);
        assert!((at(60.0, 60.0).black - 0.5).abs() < 1e-9, "a saddle");
        assert!((at(0.0, 30.0).black - 0.5).abs() < 1e-9, "the board's edge");
        assert!((at(67.75, 20.0).black - 0.75).abs() < 1e-9, "the first tag's left edge is at 67.5 mm");
        assert!((at(195.0, 100.0).paper - 0.5).abs() < 1e-9);
        assert_eq!(at(300.0, 100.0), Cover::default());
        assert!((at(85.0, 252.0).black - 0.3).abs() < 1e-9, "the cross's arm is 0.3 mm wide");
        assert!((at(186.0, 120.0).black - 0.3).abs() < 1e-9, "and so is the bar down");
        assert!((at(-15.0, -10.0).tape - 1.0).abs() < 1e-9, "tape holds the paper's corner");
    }
}
