//! Does a photo show the sheets where they were before?
//!
//! Between two photos of a day the camera hardly moves and the sheets stay. Corners are then measured where they are expected
//! ([`find_sheets_at`]), once the tags beside them have been read there; nothing is searched. A camera that was nudged still shows the
//! sheets near there: a search around each expected place, at the size that its tags are expected to have ([`find_sheets_near`]), finds what a
//! search of the whole photo would, at a twentieth of its cost. Whoever asks here searches the whole photo where a sheet is missing.

use image::GrayImage;

use super::find::{SheetView, SheetsSeen, measure_at, sheets_of};
use super::geometry::{COLUMNS, ROWS, SADDLES, SheetGeometry, SheetSet};
use super::homography::Homography;
use super::tags::{Part, find_tags_in, least_side_px};
use crate::points::PixelPoint;

/// Space about a board that is looked at where it is expected, over its larger side: a corner is found up to a quarter of a square, a sixteenth of
/// that side, away.
const AT_PLACE: f64 = 0.1;

/// Space searched around a board, over its larger side: a camera that is kicked moves the picture by less.
const AROUND: f64 = 0.4;
/// A picture may have become this many times smaller since.
const SMALLER: f64 = 1.5;
/// Largest reduction that is started from.
const MOST_FACTOR: u32 = 16;

/// A sheet where it is expected.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectedSheet {
    /// Its number.
    pub number: usize,
    /// Outer corners of its board in the photo.
    pub board: [PixelPoint; 4],
    /// Shortest side of its tags, px.
    pub tag_side_px: f64,
}

impl ExpectedSheet {
    /// The part of a photo of this size around it, with so much space over its larger side; `None` when the board lies partly outside.
    fn part(&self, size: (u32, u32), space: f64) -> Option<Part> {
        let (w, h) = (f64::from(size.0), f64::from(size.1));
        if !self.board.iter().all(|p| p.x_px >= 0.0 && p.y_px >= 0.0 && p.x_px < w && p.y_px < h) {
            return None;
        }
        let bound = |v: &dyn Fn(&PixelPoint) -> f64| {
            self.board.iter().map(v).fold((f64::MAX, f64::MIN), |b, v| (b.0.min(v), b.1.max(v)))
        };
        let (x, y) = (bound(&|p| p.x_px), bound(&|p| p.y_px));
        let space = space * (x.1 - x.0).max(y.1 - y.0);
        let cut = |v: f64, most: f64| v.clamp(0.0, most) as u32;
        let (x0, y0) = (cut(x.0 - space, w), cut(y.0 - space, h));
        let (x1, y1) = (cut((x.1 + space).ceil(), w), cut((y.1 + space).ceil(), h));
        Some(Part { origin: (x0, y0), size: (x1 - x0, y1 - y0) })
    }

    /// From the sheet, mm, to a part of a photo that starts at `origin`, px.
    fn map(&self, geometry: SheetGeometry, origin: (u32, u32)) -> Option<Homography> {
        let (u, v) = (COLUMNS as f64 * geometry.square_mm, ROWS as f64 * geometry.square_mm);
        let on_sheet = [[0.0, 0.0], [u, 0.0], [u, v], [0.0, v]];
        let (x0, y0) = (f64::from(origin.0), f64::from(origin.1));
        let pairs: Vec<_> =
            on_sheet.iter().zip(&self.board).map(|(s, p)| (*s, [p.x_px - x0, p.y_px - y0], 1.0)).collect();
        Homography::fit(&pairs)
    }
}

/// From which reduction of a photo on tags must be searched, when the smallest is expected to have this side.
pub fn least_factor(tag_side_px: f64) -> u32 {
    factor_for(tag_side_px / SMALLER)
}

/// From which reduction of a photo on tags of this side and larger ones are found.
pub(super) fn factor_for(tag_side_px: f64) -> u32 {
    let mut factor = 1;
    while factor < MOST_FACTOR && least_side_px(2 * factor) <= tag_side_px {
        factor *= 2;
    }
    factor
}

/// Measures sheets where they are expected in a photo of this size, of which `gray_of` gives a part; `None` unless each that the photo must show
/// whole has all of its corners there, none out of place, and tags of its own.
pub fn find_sheets_at(
    gray_of: impl Fn(Part) -> GrayImage,
    size: (u32, u32),
    set: &SheetSet,
    expected: &[ExpectedSheet],
) -> Option<SheetsSeen> {
    let mut sheets: Vec<SheetView> = Vec::with_capacity(expected.len());
    for e in expected {
        let Some(part) = e.part(size, AT_PLACE) else { continue };
        let geometry = set.of(e.number);
        let mut view = measure_at(&gray_of(part), geometry, e.number, &e.map(geometry, part.origin)?)?;
        let (x0, y0) = (f64::from(part.origin.0), f64::from(part.origin.1));
        let points = view.corners.iter_mut().map(|c| &mut c.saddle.point);
        for p in points.chain(view.tags.iter_mut().flat_map(|t| &mut t.corners)) {
            *p = PixelPoint::new(p.x_px + x0, p.y_px + y0);
        }
        sheets.push(view);
    }
    sheets.sort_by_key(|s| s.number);
    (!sheets.is_empty()).then_some(SheetsSeen { sheets, stray_tags: Vec::new() })
}

/// Finds sheets near where they are expected; `None` unless all of them that the photo must show whole are there.
pub fn find_sheets_near(gray: &GrayImage, set: &SheetSet, expected: &[ExpectedSheet]) -> Option<SheetsSeen> {
    let mut tags = Vec::new();
    let mut wanted = Vec::new();
    for e in expected {
        let Some(part) = e.part(gray.dimensions(), AROUND) else { continue };
        wanted.push(e.number);
        for t in find_tags_in(gray, part, least_factor(e.tag_side_px)) {
            // Neighbours' parts may overlap.
            let known = |k: &super::tags::Tag| k.id == t.id && k.corners[0].distance_px(t.corners[0]) < 1.0;
            if !tags.iter().any(known) {
                tags.push(t);
            }
        }
    }
    if wanted.is_empty() {
        return None;
    }
    let seen = sheets_of(gray, gray, set, tags);
    let whole = |n: &usize| seen.sheets.iter().any(|s| s.number == *n && s.corners.len() + s.dropped == SADDLES);
    wanted.iter().all(whole).then_some(seen)
}
