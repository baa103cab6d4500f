//! Which parts of the photos does the report show?

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use image::RgbImage;
use rayon::prelude::*;

use super::Progress;
use super::day::{Print, print_of};
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

impl Pictures {
    /// Cuts each volley's part of the photos for the page; a volley whose photos cannot be read again has none.
    pub fn of(&self, session: &Session, measured: &[Measured], progress: Progress) -> Vec<VolleyPicture> {
        progress("cutting pictures");
        measured.par_iter().filter_map(|m| self.picture(session, m)).collect()
    }

    fn picture(&self, session: &Session, m: &Measured) -> Option<VolleyPicture> {
        let (outlines, bounds) = bounds(m)?;
        let photo = |name: &str| {
            let path = session.paths.photos().join(name);
            let print = print_of(&path);
            (path, print)
        };
        let wanted = Cut { photos: [photo(&m.volley.photo), photo(m.volley.before.as_deref()?)], bounds };
        let name = &m.volley.row.volley;
        let kept = self.cut.lock().unwrap_or_else(PoisonError::into_inner).get(name).filter(|k| k.0 == wanted).cloned();
        if let Some((_, picture)) = kept {
            return Some(VolleyPicture { outlines, ..picture });
        }
        let picture = cut(name, &wanted, outlines)?;
        self.cut.lock().unwrap_or_else(PoisonError::into_inner).insert(name.clone(), (wanted, picture.clone()));
        Some(picture)
    }
}

/// Outlines of a volley's marks in its photo, and the part of the photo around them: left, top, right, bottom.
fn bounds(m: &Measured) -> Option<(Vec<Outline>, [u32; 4])> {
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
    if x1 <= x0 + 4 || y1 <= y0 + 4 || before.dimensions() != after.dimensions() {
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
