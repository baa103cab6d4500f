//! Which parts of the photos does the report show?

use image::RgbImage;
use rayon::prelude::*;

use super::Progress;
use super::judge::FoundMark;
use super::measured::Measured;
use crate::camera::WallView;
use crate::photo::{decode_rgb, read_exif};
use crate::points::WallPoint;
use crate::report::model::{Outline, VolleyPicture};
use crate::session::Session;

/// Longer side of a report's picture, px.
const PICTURE_PX: u32 = 560;
/// Space around the marks in a picture, marks' radii.
const PICTURE_MARGIN: f64 = 3.0;

/// Cuts each volley's part of the photos for the page; a volley whose photos cannot be read again has none.
pub fn pictures(session: &Session, measured: &[Measured], progress: Progress) -> Vec<VolleyPicture> {
    progress("cutting pictures");
    measured.par_iter().filter_map(|m| picture(session, m)).collect()
}

fn picture(session: &Session, m: &Measured) -> Option<VolleyPicture> {
    let view = m.view?;
    let outlines: Vec<Outline> = m
        .marks
        .iter()
        .enumerate()
        .map(|(i, k)| Outline { mark: i as u32 + 1, count: k.found.count, points_px: circle(&view, &k.found, 1.0) })
        .collect();
    let around: Vec<(f64, f64)> = m.marks.iter().flat_map(|k| circle(&view, &k.found, PICTURE_MARGIN)).collect();
    let bound = |f: &dyn Fn(&(f64, f64)) -> f64| {
        around.iter().map(f).fold((f64::MAX, f64::MIN), |b, v| (b.0.min(v), b.1.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (bound(&|p| p.0), bound(&|p| p.1));
    if around.is_empty() || x1 <= x0 || y1 <= y0 {
        return None;
    }
    let read = |name: &str| -> Option<RgbImage> {
        let path = session.paths.photos().join(name);
        let turn = read_exif(&path).ok()?.orientation.unwrap_or(1);
        decode_rgb(&path, turn).ok()
    };
    let (after, before) = (read(&m.volley.photo)?, read(m.volley.before.as_deref()?)?);
    let (w, h) = (after.width(), after.height());
    let (x0, y0) = (x0.max(0.0) as u32, y0.max(0.0) as u32);
    let (x1, y1) = ((x1.ceil() as u32).min(w), (y1.ceil() as u32).min(h));
    if x1 <= x0 + 4 || y1 <= y0 + 4 || before.dimensions() != after.dimensions() {
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
        volley: m.volley.row.volley.clone(),
        after: cut(&after),
        before: cut(&before),
        origin_px: (x0.into(), y0.into()),
        step_px: step,
        outlines,
    })
}

/// A mark's circle on the wall, `grow` times its radius, as the photo shows it.
pub(super) fn circle(view: &WallView, m: &FoundMark, grow: f64) -> Vec<(f64, f64)> {
    (0..48)
        .filter_map(|k| {
            let a = f64::from(k) * std::f64::consts::TAU / 48.0;
            let r = 1e-3 * grow * m.radius_mm;
            let w = WallPoint::new(1e-3 * m.x_mm + r * a.cos(), 1e-3 * m.y_mm + r * a.sin());
            view.pixel_from_wall(w).map(|p| (p.x_px, p.y_px))
        })
        .collect()
}
