//! Does the calibration leave a pattern in the photos?
//!
//! One frame a photo with a stroke from each corner, as long as what is left after the adjustment, much enlarged: strokes
//! that point every way are noise; strokes that agree say that the lens, a sheet or the paper is not as assumed.

use super::axes::plain;
use super::{Canvas, Caption, Chart, Drawn, Ink, POSTER_PX, Stand, figure, shorten};
use crate::error::Result;
use crate::report::model::{CalibrationSummary, CornerResidual};

/// Frames beyond this would be too small to read; those with the largest residuals are kept.
const MOST_PHOTOS: usize = 12;
/// Length of a stroke of RMS size, as a share of a frame's width.
const RMS_SHARE: f64 = 0.035;
/// Strokes longer than this share of a frame's width are cut: one bad corner must not cover the others.
const LONGEST_SHARE: f64 = 0.2;
/// Room between frames, px.
const GAP_PX: f64 = 12.0;
/// Room under a frame for its name, px.
const NAME_PX: f64 = 20.0;
/// Room above all for the scale, px.
const SCALE_PX: f64 = 28.0;

struct Photo<'a> {
    name: &'a str,
    corners: Vec<&'a CornerResidual>,
    rms_px: f64,
}

fn photos(residuals: &[CornerResidual]) -> Vec<Photo<'_>> {
    let mut all: Vec<Photo> = Vec::new();
    for r in residuals.iter().filter(|r| [r.x_px, r.y_px, r.dx_px, r.dy_px].iter().all(|v| plain(*v).is_some())) {
        match all.iter_mut().find(|p| p.name == r.photo) {
            Some(p) => p.corners.push(r),
            None => all.push(Photo { name: &r.photo, corners: vec![r], rms_px: 0.0 }),
        }
    }
    for p in &mut all {
        p.rms_px = rms(p.corners.iter().copied());
    }
    if all.len() > MOST_PHOTOS {
        all.sort_by(|a, b| b.rms_px.total_cmp(&a.rms_px));
        all.truncate(MOST_PHOTOS);
    }
    all
}

fn rms<'a>(corners: impl Iterator<Item = &'a CornerResidual>) -> f64 {
    let (sum, n) = corners.fold((0.0, 0.0), |(s, n), r| (s + r.dx_px.powi(2) + r.dy_px.powi(2), n + 1.0));
    if n > 0.0 { (sum / n).sqrt() } else { 0.0 }
}

/// The largest of 1, 2, 5 times a power of ten that is no more than `value`.
pub(super) fn round_down(value: f64) -> f64 {
    let power = 10f64.powf(value.max(1e-9).log10().floor());
    [5.0, 2.0].into_iter().map(|s| s * power).find(|v| *v <= value).unwrap_or(power)
}

/// How frames are laid out on a canvas of some width.
struct Layout {
    columns: usize,
    frame: (f64, f64),
}

impl Layout {
    fn new(width_px: f64, photos: usize, aspect: f64, most_columns: usize) -> Self {
        let columns = most_columns.min(photos).max(1);
        let width = (width_px - GAP_PX * (columns as f64 - 1.0)) / columns as f64;
        // A single photo need not fill the page.
        let width = width.min(0.5 * width_px.max(700.0));
        Self { columns, frame: (width, width * aspect) }
    }

    fn height_px(&self, photos: usize) -> f64 {
        SCALE_PX + photos.div_ceil(self.columns) as f64 * (self.frame.1 + NAME_PX)
    }

    fn corner(&self, i: usize) -> (f64, f64) {
        let (column, row) = ((i % self.columns) as f64, (i / self.columns) as f64);
        (1.0 + column * (self.frame.0 + GAP_PX), SCALE_PX + row * (self.frame.1 + NAME_PX))
    }
}

/// The picture of what is left; `None` where nothing was recorded.
pub(in crate::report) fn residuals(c: &CalibrationSummary, description: &str) -> Result<Option<Chart>> {
    let photos = photos(&c.residuals);
    let all = rms(photos.iter().flat_map(|p| p.corners.iter().copied()));
    if photos.is_empty() || all <= 0.0 || c.camera.width == 0 {
        return Ok(None);
    }
    let (w, h) = (f64::from(c.camera.width), f64::from(c.camera.height));
    let aspect = (h / w).clamp(0.3, 2.0);
    let columns = |canvas_px: f64| if canvas_px < 500.0 { 2 } else { 4 };
    let layout = |width: f64| Layout::new(width - 2.0, photos.len(), aspect, columns(width));
    let height = |width: u32| layout(f64::from(width)).height_px(photos.len());
    let caption = Caption { id: "residuals", title: "What is left at each corner after the adjustment", description };
    let heights = [height(super::WIDE_PX), height(super::NARROW_PX), height(POSTER_PX.0)];
    figure(&caption, heights, |canvas| draw(canvas, &layout(canvas.width_px), &photos, all, w)).map(Some)
}

fn draw(canvas: &Canvas, layout: &Layout, photos: &[Photo], rms_px: f64, photo_width_px: f64) -> Drawn {
    let (fw, fh) = layout.frame;
    let enlarge = RMS_SHARE * fw / rms_px;
    let shrink = fw / photo_width_px;
    // The scale: a stroke of a round length about as long as a tenth of the canvas.
    let unit_px = round_down(0.12 * canvas.width_px / enlarge);
    canvas.line(&[(1.0, 12.0), (1.0 + unit_px * enlarge, 12.0)], Ink::Series(1), 2.2)?;
    let decimals = (-unit_px.log10().floor()).clamp(0.0, 6.0) as usize;
    let words = format!("this long: {unit_px:.decimals$} px ({:.0} times enlarged)", enlarge / shrink);
    canvas.text(&words, (8.0 + unit_px * enlarge, 12.0), Stand::Right, Ink::Text, false)?;
    for (i, p) in photos.iter().enumerate() {
        let (left, top) = layout.corner(i);
        let outline = [(left, top), (left + fw, top), (left + fw, top + fh), (left, top + fh), (left, top)];
        canvas.line(&outline, Ink::Grid, 1.0)?;
        for c in &p.corners {
            let from = (left + c.x_px * shrink, top + c.y_px * shrink);
            let length = enlarge * c.dx_px.hypot(c.dy_px);
            let cut = if length > LONGEST_SHARE * fw { LONGEST_SHARE * fw / length } else { 1.0 };
            let to = (from.0 + cut * enlarge * c.dx_px, from.1 + cut * enlarge * c.dy_px);
            canvas.line(&[from, to], Ink::Series(1), 1.1)?;
            canvas.bar((from.0 - 0.8, from.1 - 0.8), (from.0 + 0.8, from.1 + 0.8), Ink::Text, 1.0)?;
        }
        let name = p.name.rsplit('/').next().unwrap_or(p.name);
        let letters = (fw / (0.6 * canvas.font_px())) as usize;
        let words = shorten(&format!("{name}: {:.2} px", p.rms_px), letters.max(8));
        canvas.text(&words, (left, top + fh + 0.5 * NAME_PX - 1.0), Stand::Right, Ink::Muted, false)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_are_round() {
        assert_eq!(
            [round_down(0.7), round_down(0.3), round_down(0.19), round_down(5.0)].map(|v| (v * 1e6).round()),
            [5e5, 2e5, 1e5, 5e6]
        );
    }

    #[test]
    fn photos_keep_their_corners_and_the_worst_stay() {
        let corner = |photo: &str, dx_px: f64| CornerResidual {
            photo: photo.into(),
            sheet: 1,
            x_px: 0.0,
            y_px: 0.0,
            dx_px,
            dy_px: 0.0,
        };
        let mut all: Vec<CornerResidual> = (0..14).map(|i| corner(&format!("{i}.jpg"), f64::from(i))).collect();
        all.push(corner("13.jpg", f64::NAN));
        all.push(corner("13.jpg", 1.0));
        let kept = photos(&all);
        assert_eq!(kept.len(), MOST_PHOTOS);
        let both = kept.iter().find(|p| p.name == "13.jpg").unwrap();
        // By hand: sqrt((13^2 + 1^2) / 2); the corner that is no number is not there.
        assert!(both.corners.len() == 2 && (both.rms_px - 85f64.sqrt()).abs() < 1e-12);
        assert!(kept.iter().all(|p| p.name != "0.jpg" && p.name != "1.jpg"));
    }
}
