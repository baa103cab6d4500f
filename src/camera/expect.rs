//! Where should a photo show the wall's sheets, when the camera stands where it stood before?

use super::view::WallView;
use super::wall::Wall;
use crate::points::PixelPoint;
use crate::sheet::geometry::{COLUMNS, ROWS, SheetPoint, TAGS};
use crate::sheet::near::ExpectedSheet;
use crate::sheet::tags::shortest_side_px;

/// The sheets with these numbers as a view shows them; those that it does not show whole are left out.
pub fn expected_sheets(wall: &Wall, view: &WallView, numbers: &[usize]) -> Vec<ExpectedSheet> {
    let set = wall.geometry();
    let mut out = Vec::new();
    for sheet in wall.sheets.iter().filter(|s| numbers.contains(&s.number)) {
        let g = set.of(sheet.number);
        let pixel = |p: SheetPoint| view.pixel_from_wall(wall.wall_from_sheet(sheet, p));
        let quad = |points: [SheetPoint; 4]| -> Option<[PixelPoint; 4]> {
            let [a, b, c, d] = points.map(pixel);
            Some([a?, b?, c?, d?])
        };
        let (u, v) = (COLUMNS as f64 * g.square_mm, ROWS as f64 * g.square_mm);
        let board = [(0.0, 0.0), (u, 0.0), (u, v), (0.0, v)].map(|(u_mm, v_mm)| SheetPoint { u_mm, v_mm });
        let tags = (0..TAGS).map(|slot| quad(g.tag_corners(slot))).collect::<Option<Vec<_>>>();
        let (Some(board), Some(tags)) = (quad(board), tags) else { continue };
        let tag_side_px = tags.iter().map(shortest_side_px).fold(f64::MAX, f64::min);
        out.push(ExpectedSheet { number: sheet.number, board, tag_side_px });
    }
    out
}
