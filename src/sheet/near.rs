//! Does a photo show the sheets where they were before?
//!
//! Between two photos of a day the camera hardly moves and the sheets stay, so that a search around each expected place, at the size that
//! its tags are expected to have, finds what a search of the whole photo would, at a twentieth of its cost. Whoever asks here searches the
//! whole photo where a sheet is missing.

use image::GrayImage;

use super::find::{SheetsSeen, sheets_of};
use super::geometry::SheetSet;
use super::tags::{Part, find_tags_in, least_side_px};
use crate::points::PixelPoint;

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
    /// The part of a photo around it; `None` when the board lies partly outside.
    fn part(&self, gray: &GrayImage) -> Option<Part> {
        let (w, h) = (f64::from(gray.width()), f64::from(gray.height()));
        if !self.board.iter().all(|p| p.x_px >= 0.0 && p.y_px >= 0.0 && p.x_px < w && p.y_px < h) {
            return None;
        }
        let bound = |v: &dyn Fn(&PixelPoint) -> f64| {
            self.board.iter().map(v).fold((f64::MAX, f64::MIN), |b, v| (b.0.min(v), b.1.max(v)))
        };
        let (x, y) = (bound(&|p| p.x_px), bound(&|p| p.y_px));
        let space = AROUND * (x.1 - x.0).max(y.1 - y.0);
        let cut = |v: f64, most: f64| v.clamp(0.0, most) as u32;
        let (x0, y0) = (cut(x.0 - space, w), cut(y.0 - space, h));
        let (x1, y1) = (cut((x.1 + space).ceil(), w), cut((y.1 + space).ceil(), h));
        Some(Part { origin: (x0, y0), size: (x1 - x0, y1 - y0) })
    }
}

/// From which reduction of a photo on tags must be searched, when the smallest is expected to have this side.
pub fn least_factor(tag_side_px: f64) -> u32 {
    let mut factor = 1;
    while factor < MOST_FACTOR && least_side_px(2 * factor) <= tag_side_px / SMALLER {
        factor *= 2;
    }
    factor
}

/// Finds sheets near where they are expected; `None` unless all of them that the photo must show whole are there.
pub fn find_sheets_near(gray: &GrayImage, set: &SheetSet, expected: &[ExpectedSheet]) -> Option<SheetsSeen> {
    let mut tags = Vec::new();
    let mut wanted = Vec::new();
    for e in expected {
        let Some(part) = e.part(gray) else { continue };
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
    let whole = |n: &usize| {
        seen.sheets.iter().any(|s| s.number == *n && s.corners.len() + s.dropped == super::geometry::SADDLES)
    };
    wanted.iter().all(whole).then_some(seen)
}
