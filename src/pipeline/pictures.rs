//! Which parts of the photos does the report show?
//!
//! [`cut_pictures`] needs the summary and the photos only, so that a page can be made again without measuring anew.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use image::RgbImage;
use rayon::prelude::*;

use super::Progress;
use super::day::{Print, print_of};
use crate::camera::WallView;
use crate::photo::{decode_rgb, read_exif};
use crate::points::WallPoint;
use crate::report::model::{MarkSummary, Outline, VolleyPicture, VolleySummary};
use crate::session::SessionPaths;

/// Longer side of a report's picture, px.
const PICTURE_PX: u32 = 560;
/// Space around the marks in a picture, marks' radii.
const PICTURE_MARGIN: f64 = 3.0;

/// Bounds of a picture are at multiples of this, px: where marks are adjusted a little, the picture stays.
const BOUNDS_PX: f64 = 32.0;

/// Everything that a cut picture depends on.
#[derive(Clone, PartialEq)]
struct Cut {
    photos: [(PathBuf, Print); 2],
    bounds: [u32; 4],
}

/// Pictures cut before, so that only what changed is cut again.
#[derive(Default)]
pub struct Pictures {
    cut: Mutex<BTreeMap<String, (Cut, VolleyPicture)>>,
}

/// Cuts each volley's part of the photos for the page, from a session's summary; a volley whose photos cannot be read (again) has none.
pub fn cut_pictures(paths: &SessionPaths, volleys: &[VolleySummary], progress: Progress) -> Vec<VolleyPicture> {
    Pictures::default().of(paths, volleys, progress)
}

impl Pictures {
    /// As [`cut_pictures`], where what was cut before need not be cut again.
    pub fn of(&self, paths: &SessionPaths, volleys: &[VolleySummary], progress: Progress) -> Vec<VolleyPicture> {
        progress("cutting pictures");
        volleys.par_iter().filter_map(|v| self.picture(paths, v)).collect()
    }

    fn picture(&self, paths: &SessionPaths, v: &VolleySummary) -> Option<VolleyPicture> {
        let (outlines, bounds) = bounds(v)?;
        let photo = |name: &str| {
            // A summary is a file that anyone may have edited: nothing outside of photos/ is read.
            let inside = Path::new(name).file_name().is_some_and(|f| f == name);
            let path = paths.photos().join(Some(name).filter(|_| inside)?);
            let print = print_of(&path);
            Some((path, print))
        };
        let wanted = Cut { photos: [photo(&v.photo)?, photo(v.before.as_deref()?)?], bounds };
        let kept = {
            let cut = self.cut.lock().unwrap_or_else(PoisonError::into_inner);
            cut.get(&v.volley).filter(|k| k.0 == wanted).map(|k| k.1.clone())
        };
        if let Some(picture) = kept {
            return Some(VolleyPicture { outlines, ..picture });
        }
        let picture = cut(&v.volley, &wanted, outlines)?;
        self.cut.lock().unwrap_or_else(PoisonError::into_inner).insert(v.volley.clone(), (wanted, picture.clone()));
        Some(picture)
    }
}

/// Outlines of a volley's marks in its photo, and the part of the photo around them: left, top, right, bottom.
fn bounds(v: &VolleySummary) -> Option<(Vec<Outline>, [u32; 4])> {
    let view = v.view?;
    let outlines: Vec<Outline> = v
        .marks
        .iter()
        .map(|m| Outline { mark: m.mark, count: m.count, points_px: outline(&view, m, 1.0) })
        .filter(|o| !o.points_px.is_empty())
        .collect();
    let around: Vec<(f64, f64)> = v.marks.iter().flat_map(|m| outline(&view, m, PICTURE_MARGIN)).collect();
    let bound = |f: &dyn Fn(&(f64, f64)) -> f64| {
        around.iter().map(f).fold((f64::MAX, f64::MIN), |b, v| (b.0.min(v), b.1.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (bound(&|p| p.0), bound(&|p| p.1));
    if around.is_empty() || x1 <= x0 || y1 <= y0 {
        return None;
    }
    let down = |v: f64| ((v.max(0.0) / BOUNDS_PX).floor() * BOUNDS_PX) as u32;
    let up = |v: f64| ((v.max(0.0) / BOUNDS_PX).ceil() * BOUNDS_PX) as u32;
    Some((outlines, [down(x0), down(y0), up(x1), up(y1)]))
}

fn cut(name: &str, wanted: &Cut, outlines: Vec<Outline>) -> Option<VolleyPicture> {
    let read = |path: &Path| -> Option<RgbImage> {
        let turn = read_exif(path).ok()?.orientation.unwrap_or(1);
        decode_rgb(path, turn).ok()
    };
    let (after, before) = (read(&wanted.photos[0].0)?, read(&wanted.photos[1].0)?);
    let (w, h) = (after.width(), after.height());
    let [x0, y0, x1, y1] = wanted.bounds;
    let (x1, y1) = (x1.min(w), y1.min(h));
    if x1 <= x0.saturating_add(4) || y1 <= y0.saturating_add(4) || before.dimensions() != after.dimensions() {
        return None;
    }
    let step = (f64::from((x1 - x0).max(y1 - y0)) / f64::from(PICTURE_PX)).max(1.0);
    let part = |im: &RgbImage| {
        let part = image::imageops::crop_imm(im, x0, y0, x1 - x0, y1 - y0).to_image();
        if step > 1.0 {
            let size = |n: u32| ((f64::from(n) / step) as u32).max(1);
            image::imageops::resize(&part, size(x1 - x0), size(y1 - y0), image::imageops::FilterType::Triangle)
        } else {
            part
        }
    };
    Some(VolleyPicture {
        volley: name.into(),
        after: part(&after),
        before: part(&before),
        origin_px: (x0.into(), y0.into()),
        step_px: step,
        outlines,
    })
}

/// A mark's circle on the wall, `grow` times its radius, as the photo shows it; empty for a mark without place or size.
fn outline(view: &WallView, m: &MarkSummary, grow: f64) -> Vec<(f64, f64)> {
    match (m.x_mm, m.y_mm, m.diameter_mm) {
        (Some(x_mm), Some(y_mm), Some(diameter_mm)) => circle(view, (x_mm, y_mm), 0.5 * grow * diameter_mm),
        _ => Vec::new(),
    }
}

/// A circle on the wall as the photo shows it.
pub(super) fn circle(view: &WallView, (x_mm, y_mm): (f64, f64), radius_mm: f64) -> Vec<(f64, f64)> {
    (0..48)
        .filter_map(|k| {
            let a = f64::from(k) * std::f64::consts::TAU / 48.0;
            let r = 1e-3 * radius_mm;
            let w = WallPoint::new(1e-3 * x_mm + r * a.cos(), 1e-3 * y_mm + r * a.sin());
            view.pixel_from_wall(w).map(|p| (p.x_px, p.y_px)).filter(|p| p.0.is_finite() && p.1.is_finite())
        })
        .collect()
}
