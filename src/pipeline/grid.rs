//! Which cells does a photo have, and which of them show a sheet's paper?

use std::ops::Range;

use serde::{Deserialize, Serialize};

use crate::camera::{Wall, WallView};
use crate::marks::Reduced;
use crate::points::{PixelPoint, WallPoint};
use crate::sheet::SheetGeometry;
use crate::sheet::geometry::SheetPoint;

/// Paper reaches this far beyond the board, mm of a sheet of 60 mm squares: left and right, above, below (A4 and Letter).
const PAPER_SIDE_MM: f64 = 19.0;
const PAPER_ABOVE_MM: f64 = 12.0;
const PAPER_BELOW_MM: f64 = 49.0;

/// Cells of a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Grid {
    pub(super) origin: (usize, usize),
    pub(super) factor: usize,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Grid {
    pub(super) fn of(r: &Reduced) -> Self {
        Self { origin: r.origin, factor: r.factor, width: r.width, height: r.height }
    }

    /// Middle of a cell in the photo.
    pub(super) fn pixel_of(&self, x: usize, y: usize) -> PixelPoint {
        let middle = |v: usize, o: usize| (o + self.factor * v) as f64 + 0.5 * (self.factor as f64 - 1.0);
        PixelPoint::new(middle(x, self.origin.0), middle(y, self.origin.1))
    }

    /// The cell that a place in the photo belongs to.
    pub(super) fn cell_of(&self, p: PixelPoint) -> Option<(usize, usize)> {
        p.cell(self.origin, self.factor, (self.width, self.height))
    }
}

/// The paper of a sheet, board and margins: its reach across and down, mm.
fn paper_of(g: SheetGeometry) -> (Range<f64>, Range<f64>) {
    let k = g.square_mm / crate::sheet::geometry::SQUARE_MM;
    (
        -PAPER_SIDE_MM * k..3.0 * g.square_mm + PAPER_SIDE_MM * k,
        -PAPER_ABOVE_MM * k..4.0 * g.square_mm + PAPER_BELOW_MM * k,
    )
}

/// Cells of a view that show paper.
pub(super) fn paper(wall: &Wall, view: &WallView, grid: &Grid) -> Vec<bool> {
    let Grid { origin, factor, width, height } = *grid;
    let mut out = vec![false; width * height];
    let set = wall.geometry();
    for s in &wall.sheets {
        let (u, v) = paper_of(set.of(s.number));
        let corner = |u_mm: f64, v_mm: f64| {
            let w = wall.wall_from_sheet(s, SheetPoint { u_mm, v_mm });
            // Cells' own middles have whole numbers.
            let cell = |v: f64, o: usize| (v - o as f64 - 0.5 * (factor as f64 - 1.0)) / factor as f64;
            view.pixel_from_wall(w).map(|p| [cell(p.x_px, origin.0), cell(p.y_px, origin.1)])
        };
        let corners = [(u.start, v.start), (u.end, v.start), (u.end, v.end), (u.start, v.end)];
        let Some(quad) = corners.into_iter().map(|(u, v)| corner(u, v)).collect::<Option<Vec<_>>>() else {
            continue;
        };
        let bound = |axis: usize, most: usize| {
            let lo = quad.iter().map(|p| p[axis]).fold(f64::MAX, f64::min).floor().max(0.0) as usize;
            let hi = quad.iter().map(|p| p[axis]).fold(f64::MIN, f64::max).ceil().clamp(0.0, most as f64) as usize;
            lo.min(most)..hi
        };
        for y in bound(1, height) {
            for x in bound(0, width) {
                let inside = (0..4).all(|i| {
                    let (p, q) = (quad[i], quad[(i + 1) % 4]);
                    (q[0] - p[0]) * (y as f64 - p[1]) - (q[1] - p[1]) * (x as f64 - p[0]) >= 0.0
                });
                out[y * width + x] |= inside;
            }
        }
    }
    out
}

/// Whether a wall point lies on the paper of a sheet.
pub fn shows_paper(wall: &Wall, p: WallPoint) -> bool {
    let set = wall.geometry();
    wall.sheets.iter().any(|s| {
        let ((u, v), at) = (paper_of(set.of(s.number)), wall.sheet_from_wall(s, p));
        u.contains(&at.u_mm) && v.contains(&at.v_mm)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_holds_its_middle_and_its_pixels() {
        for factor in [1, 2, 3, 5] {
            let grid = Grid { origin: (7, 4), factor, width: 9, height: 6 };
            for (x, y) in (0..6).flat_map(|y| (0..9).map(move |x| (x, y))) {
                let middle = grid.pixel_of(x, y);
                let reach = 0.5 * factor as f64 - 1e-6;
                for (dx, dy) in [(0.0, 0.0), (reach, reach), (-reach, 0.0), (0.0, -reach)] {
                    let p = PixelPoint::new(middle.x_px + dx, middle.y_px + dy);
                    assert_eq!(grid.cell_of(p), Some((x, y)), "{factor}");
                }
            }
            assert_eq!(grid.cell_of(PixelPoint::new(6.4, 5.0)), None);
            assert_eq!(grid.cell_of(PixelPoint::new(f64::NAN, 5.0)), None);
        }
    }
}
