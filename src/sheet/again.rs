//! Does another photo of a wall show every sheet that one photo of it showed?
//!
//! A photo whose sheets are not known is searched at full size, and twice more with its blur undone unless it is sharp: small tags and
//! blurred ones cost most, and are mostly not there. Once one photo has been searched so, others need it only where a quick look lacks
//! something. All sheets hang on one plane, so that those which both photos show say where the other one must have the rest (a
//! homography; the lens bends it by less than a few hundredths of the photo's side).

use image::GrayImage;

use super::find::{SheetView, SheetsSeen, find_sheets_from};
use super::geometry::SheetSet;
use super::homography::Homography;
use super::near::factor_for;
use super::tags::shortest_side_px;
use crate::points::PixelPoint;

/// What lies within this share of a photo's longer side of its rim need not be seen: the lens's bending may put it outside, and a corner needs room
/// about it.
const RIM: f64 = 0.04;
/// Sheets in common that place the others: one alone says too little far from it.
const LEAST_COMMON: usize = 2;

/// Finds the sheets of a photo of the wall of which another photo shows the `known` sheets. `None` when a quick look shows less than that photo
/// makes one expect.
pub fn find_known_sheets(gray: &GrayImage, set: &SheetSet, known: &[SheetView]) -> Option<SheetsSeen> {
    let sides = known.iter().flat_map(|s| &s.tags).map(|t| shortest_side_px(&t.corners));
    let least = sides.fold(f64::INFINITY, f64::min);
    // One tag of a sheet leads to its others, which may be smaller than those that are searched.
    let factor = if least.is_finite() { factor_for(least) } else { 1 };
    let seen = find_sheets_from(gray, set, factor);
    shows_all(&seen.sheets, known, gray.dimensions()).then_some(seen)
}

/// Whether a photo with these sheets lacks none of the `known` photo's corners that must lie well within it.
fn shows_all(sheets: &[SheetView], known: &[SheetView], size: (u32, u32)) -> bool {
    let seen = |number: usize, index: usize| {
        let corners = &sheets.iter().find(|s| s.number == number)?.corners;
        corners.iter().find(|c| c.index == index).map(|c| c.saddle.point)
    };
    let point = |p: PixelPoint| [p.x_px, p.y_px];
    let mut pairs = Vec::new();
    let mut common = 0;
    for k in known {
        let both = k.corners.iter().filter_map(|c| Some((point(c.saddle.point), point(seen(k.number, c.index)?), 1.0)));
        let before = pairs.len();
        pairs.extend(both);
        common += usize::from(pairs.len() > before);
    }
    if common < LEAST_COMMON {
        return false;
    }
    let Some(map) = Homography::fit(&pairs) else { return false };
    let (w, h) = (f64::from(size.0), f64::from(size.1));
    let rim = RIM * w.max(h);
    let inside = |p: [f64; 2]| p[0] > rim && p[1] > rim && p[0] < w - rim && p[1] < h - rim;
    known.iter().all(|k| {
        let lacks = |c: &super::find::Corner| seen(k.number, c.index).is_none();
        !k.corners.iter().any(|c| lacks(c) && map.apply(point(c.saddle.point)).is_none_or(inside))
    })
}

#[cfg(test)]
mod tests {
    use super::super::find::Corner;
    use super::super::geometry::{SADDLES, SheetGeometry};
    use super::*;

    /// A sheet whose corners lie 40 px apart from (x, y) on, in a photo moved by so much.
    fn sheet(number: usize, (x, y): (f64, f64)) -> SheetView {
        let corner = |index: usize| {
            let mut c = Corner::drawn(SheetGeometry::default(), index);
            c.saddle.point = PixelPoint::new(x + 40.0 * (index % 2) as f64, y + 40.0 * (index / 2) as f64);
            c
        };
        let corners = (0..SADDLES).map(corner).collect();
        SheetView { number, corners, tags: Vec::new(), dropped: 0, blur_px: 1.0, layout_rms_px: 0.0 }
    }

    #[test]
    fn what_must_be_in_the_photo_is_missed_and_what_is_outside_is_not() {
        let known = [sheet(1, (100.0, 100.0)), sheet(2, (700.0, 120.0)), sheet(3, (400.0, 500.0))];
        let size = (1000, 800);
        let moved =
            |dx: f64| [sheet(1, (100.0 + dx, 100.0)), sheet(2, (700.0 + dx, 120.0)), sheet(3, (400.0 + dx, 500.0))];
        assert!(shows_all(&moved(50.0), &known, size));
        // The second sheet lies in the photo, and then no more.
        let [a, _, c] = moved(50.0);
        assert!(!shows_all(&[a, c], &known, size));
        let [a, _, c] = moved(350.0);
        assert!(shows_all(&[a, c], &known, size));
        // One corner less.
        let mut less = moved(50.0);
        less[0].corners.remove(2);
        assert!(!shows_all(&less, &known, size));
        // One sheet in common places nothing.
        let [a, _, _] = moved(350.0);
        assert!(!shows_all(&[a], &known, size));
    }
}
