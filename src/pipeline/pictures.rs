//! Which parts of the photos does the report show?
//!
//! [`cut_pictures`] needs the summary and the photos only, so that a page can be made again without measuring anew.

use image::RgbImage;
use rayon::prelude::*;

use super::Progress;
use super::measured::Measured;
use crate::camera::WallView;
use crate::photo::{decode_rgb, read_exif};
use crate::points::WallPoint;
use crate::report::model::{MarkSummary, Outline, VolleyPicture, VolleySummary};
use crate::session::{Session, SessionPaths};
use crate::study::Setup;

/// Longer side of a report's picture, px.
const PICTURE_PX: u32 = 560;
/// Space around the marks in a picture, marks' radii.
const PICTURE_MARGIN: f64 = 3.0;

/// Cuts each volley's part of the photos for the page; a volley whose photos cannot be read again has none.
pub fn pictures(session: &Session, measured: &[Measured], progress: Progress) -> Vec<VolleyPicture> {
    let volleys: Vec<VolleySummary> = measured.iter().map(|m| m.summary(Setup::default())).collect();
    cut_pictures(&session.paths, &volleys, progress)
}

/// The same from a session's summary.
pub fn cut_pictures(paths: &SessionPaths, volleys: &[VolleySummary], progress: Progress) -> Vec<VolleyPicture> {
    progress("cutting pictures");
    volleys.par_iter().filter_map(|v| picture(paths, v)).collect()
}

fn picture(paths: &SessionPaths, v: &VolleySummary) -> Option<VolleyPicture> {
    let view = v.view?;
    let outlines: Vec<Outline> = v
        .marks
        .iter()
        .map(|m| Outline { mark: m.mark, count: m.count, points_px: circle(&view, m, 1.0) })
        .filter(|o| !o.points_px.is_empty())
        .collect();
    let around: Vec<(f64, f64)> = v.marks.iter().flat_map(|m| circle(&view, m, PICTURE_MARGIN)).collect();
    let bound = |f: &dyn Fn(&(f64, f64)) -> f64| {
        around.iter().map(f).fold((f64::MAX, f64::MIN), |b, v| (b.0.min(v), b.1.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (bound(&|p| p.0), bound(&|p| p.1));
    if around.is_empty() || x1 <= x0 || y1 <= y0 {
        return None;
    }
    let read = |name: &str| -> Option<RgbImage> {
        // A summary is a file that anyone may have edited: nothing outside of photos/ is read.
        let inside = std::path::Path::new(name).file_name().is_some_and(|f| f == name);
        let path = paths.photos().join(Some(name).filter(|_| inside)?);
        let turn = read_exif(&path).ok()?.orientation.unwrap_or(1);
        decode_rgb(&path, turn).ok()
    };
    let (after, before) = (read(&v.photo)?, read(v.before.as_deref()?)?);
    let (w, h) = (after.width(), after.height());
    let (x0, y0) = (x0.max(0.0) as u32, y0.max(0.0) as u32);
    let (x1, y1) = ((x1.ceil() as u32).min(w), (y1.ceil() as u32).min(h));
    if x1 <= x0.saturating_add(4) || y1 <= y0.saturating_add(4) || before.dimensions() != after.dimensions() {
        return None;
    }
    let step = (f64::from((x1 - x0).max(y1 - y0)) / f64::from(PICTURE_PX)).max(1.0);
    let cut = |im: &RgbImage| {
        let part = image::imageops::crop_imm(im, x0, y0, x1 - x0, y1 - y0).to_image();
        if step > 1.0 {
            let size = |n: u32| ((f64::from(n) / step) as u32).max(1);
            image::imageops::resize(&part, size(x1 - x0), size(y1 - y0), image::imageops::FilterType::Triangle)
        } else {
            part
        }
    };
    Some(VolleyPicture {
        volley: v.volley.clone(),
        after: cut(&after),
        before: cut(&before),
        origin_px: (x0.into(), y0.into()),
        step_px: step,
        outlines,
    })
}

/// A mark's circle on the wall, `grow` times its radius, as the photo shows it; empty for a mark without place or size.
fn circle(view: &WallView, m: &MarkSummary, grow: f64) -> Vec<(f64, f64)> {
    let (Some(x_mm), Some(y_mm), Some(diameter_mm)) = (m.x_mm, m.y_mm, m.diameter_mm) else { return Vec::new() };
    (0..48)
        .filter_map(|k| {
            let a = f64::from(k) * std::f64::consts::TAU / 48.0;
            let r = 0.5e-3 * grow * diameter_mm;
            let w = WallPoint::new(1e-3 * x_mm + r * a.cos(), 1e-3 * y_mm + r * a.sin());
            view.pixel_from_wall(w).map(|p| (p.x_px, p.y_px)).filter(|p| p.0.is_finite() && p.1.is_finite())
        })
        .collect()
}
