//! Which parts of the photos does the report show?
//!
//! [`cut_pictures`] needs the summary and the photos only, so that a page can be made again without measuring anew.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use image::RgbImage;
use rayon::prelude::*;

use super::Progress;
use super::crops::{Bounds, Crops, bounds_of};
use super::day::{Print, print_of};
use crate::camera::WallView;
use crate::photo::{decode_rgb, read_exif};
use crate::points::WallPoint;
use crate::report::JpegPicture;
use crate::report::model::{MarkSummary, Outline, VolleyPicture, VolleySummary};
use crate::session::SessionPaths;

/// Longer side of a report's picture, px.
const PICTURE_PX: u32 = 560;
/// Space around the marks in a picture, marks' radii.
const PICTURE_MARGIN: f64 = 3.0;

/// Everything that a cut picture depends on.
#[derive(Clone, PartialEq)]
struct Cut {
    photos: [(PathBuf, Print); 2],
    bounds: Bounds,
}

/// Pictures cut before, so that only what changed is cut again.
#[derive(Default)]
pub struct Pictures {
    cut: Mutex<BTreeMap<String, (Cut, VolleyPicture)>>,
}

/// Cuts each volley's part of the photos for the page, from a session's summary; a volley whose photos cannot be read (again) has none.
pub fn cut_pictures(paths: &SessionPaths, volleys: &[VolleySummary], progress: Progress) -> Vec<VolleyPicture> {
    Pictures::default().of(paths, volleys, &|_, _| None, progress)
}

impl Pictures {
    /// As [`cut_pictures`], where what was cut before need not be cut again, nor what was kept of a volley's photos: `crops` of a volley's name and
    /// the name of its photo before. Each photo is read once at most, whatever it is a part of: the one after a volley is mostly the one before the
    /// next.
    pub fn of(
        &self,
        paths: &SessionPaths,
        volleys: &[VolleySummary],
        crops: &dyn Fn(&str, &str) -> Option<Crops>,
        progress: Progress,
    ) -> Vec<VolleyPicture> {
        progress("cutting pictures");
        let wanted: Vec<Wanted> = volleys.iter().filter_map(|v| wanted(paths, v)).collect();
        let mut anew: BTreeMap<&Path, Vec<Bounds>> = BTreeMap::new();
        let mut at_hand: BTreeMap<&str, [Part; 2]> = BTreeMap::new();
        for w in wanted.iter().filter(|w| self.kept(w).is_none()) {
            if let Some(parts) = crops(&w.volley, &w.before).and_then(|c| parts_of(&c, w.cut.bounds)) {
                at_hand.insert(&w.volley, parts);
                continue;
            }
            for (path, _) in &w.cut.photos {
                anew.entry(path).or_default().push(w.cut.bounds);
            }
        }
        let anew: Vec<(&Path, Vec<Bounds>)> = anew.into_iter().collect();
        let parts: BTreeMap<(&Path, Bounds), Part> =
            anew.par_iter().flat_map_iter(|(path, bounds)| parts(path, bounds)).collect();
        let mut out = Vec::with_capacity(wanted.len());
        for w in &wanted {
            if let Some(picture) = self.kept(w) {
                out.push(VolleyPicture { outlines: w.outlines.clone(), ..picture });
                continue;
            }
            let [after, before] = match at_hand.get(w.volley.as_str()) {
                Some(parts) => parts.each_ref().map(Some),
                None => w.cut.photos.each_ref().map(|p| parts.get(&(p.0.as_path(), w.cut.bounds))),
            };
            let (Some(after), Some(before)) = (after, before) else { continue };
            if after.of != before.of {
                continue;
            }
            let picture = VolleyPicture {
                volley: w.volley.clone(),
                after: after.picture.clone(),
                before: before.picture.clone(),
                origin_px: (w.cut.bounds[0].into(), w.cut.bounds[1].into()),
                step_px: after.step,
                outlines: w.outlines.clone(),
            };
            let mut kept = self.cut.lock().unwrap_or_else(PoisonError::into_inner);
            kept.insert(w.volley.clone(), (w.cut.clone(), picture.clone()));
            out.push(picture);
        }
        out
    }

    fn kept(&self, wanted: &Wanted) -> Option<VolleyPicture> {
        let cut = self.cut.lock().unwrap_or_else(PoisonError::into_inner);
        cut.get(&wanted.volley).filter(|k| k.0 == wanted.cut).map(|k| k.1.clone())
    }
}

/// A picture that is asked for.
struct Wanted {
    volley: String,
    /// Name of the photo before.
    before: String,
    cut: Cut,
    outlines: Arc<[Outline]>,
}

fn wanted(paths: &SessionPaths, v: &VolleySummary) -> Option<Wanted> {
    let (outlines, bounds) = bounds(v)?;
    let photo = |name: &str| {
        // A summary is a file that anyone may have edited: nothing outside of photos/ is read.
        let inside = Path::new(name).file_name().is_some_and(|f| f == name);
        let path = paths.photos().join(Some(name).filter(|_| inside)?);
        let print = print_of(&path);
        Some((path, print))
    };
    let before = v.before.clone()?;
    let cut = Cut { photos: [photo(&v.photo)?, photo(&before)?], bounds };
    Some(Wanted { volley: v.volley.clone(), before, cut, outlines })
}

/// Outlines of a volley's marks in its photo, and the part of the photo around them: left, top, right, bottom.
fn bounds(v: &VolleySummary) -> Option<(Arc<[Outline]>, Bounds)> {
    let view = v.view?;
    let outlines: Arc<[Outline]> = v
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
    Some((outlines, bounds_of((x0, x1), (y0, y1))))
}

/// A part of a photo for the page.
struct Part {
    picture: JpegPicture,
    /// Photo pixels a pixel.
    step: f64,
    /// Size of the photo.
    of: (u32, u32),
}

/// The parts of a photo within these bounds; none where it cannot be read, or hardly any of it is there.
fn parts<'a>(path: &'a Path, bounds: &[Bounds]) -> Vec<((&'a Path, Bounds), Part)> {
    let read = || -> Option<RgbImage> {
        let turn = read_exif(path).ok()?.orientation.unwrap_or(1);
        decode_rgb(path, turn).ok()
    };
    let Some(photo) = read() else { return Vec::new() };
    bounds.iter().filter_map(|b| Some(((path, *b), part(&photo, (0, 0), photo.dimensions(), *b)?))).collect()
}

/// The parts of both photos from what was kept of them; `None` where that does not hold them.
fn parts_of(crops: &Crops, bounds: Bounds) -> Option<[Part; 2]> {
    let [after, before] =
        crops.holds(bounds).then(|| crops.pixels.each_ref().map(|p| part(p, crops.origin, crops.of, bounds)))?;
    Some([after?, before?])
}

/// A part of a photo of size `of`, of which `pixels` from `origin` on are at hand.
fn part(pixels: &RgbImage, origin: (u32, u32), of: (u32, u32), [x0, y0, x1, y1]: Bounds) -> Option<Part> {
    let (x1, y1) = (x1.min(of.0), y1.min(of.1));
    if x1 <= x0.saturating_add(4) || y1 <= y0.saturating_add(4) {
        return None;
    }
    let step = (f64::from((x1 - x0).max(y1 - y0)) / f64::from(PICTURE_PX)).max(1.0);
    let cut = image::imageops::crop_imm(pixels, x0 - origin.0, y0 - origin.1, x1 - x0, y1 - y0).to_image();
    let pixels = if step > 1.0 {
        let size = |n: u32| ((f64::from(n) / step) as u32).max(1);
        image::imageops::resize(&cut, size(x1 - x0), size(y1 - y0), image::imageops::FilterType::Triangle)
    } else {
        cut
    };
    Some(Part { picture: JpegPicture::of(&pixels).ok()?, step, of })
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
