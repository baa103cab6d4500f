//! How can every decision about a volley be seen?
//!
//! One picture a volley, five views of the same part of the wall side by side: the photo before brought onto the one after, the
//! photo after, how opaque a new mark is in every pixel, how far beyond noise each place changed, and the marks that were
//! fitted. Circles are where and as large as the marks were found; hatched is what something covered; the bar is a length on the wall.

use image::{Rgb, RgbImage, imageops};

use super::judge::{FoundMark, Judged};
use super::looks::VolleyLook;
use crate::camera::WallView;
use crate::error::Result;
use crate::marks::Pair;
use crate::marks::fit::FittedMark;
use crate::marks::patch::RawPatch;
use crate::marks::shape::MarkShape;
use crate::points::{PixelPoint, WallPoint};
use crate::report::drawing_png;

/// Longer side of a view, px.
const VIEW_PX: u32 = 520;
/// Space between views, above for their names and below for the bar, px.
const GAP_PX: u32 = 12;
const ABOVE_PX: u32 = 64;
const BELOW_PX: u32 = 44;
/// Wall around the marks, usual radii, and the least that is shown, mm.
const AROUND_RADII: f64 = 3.0;
const LEAST_MM: f64 = 160.0;
/// Changed places farther from every mark than this many usual radii are not shown: they would make all small.
const NEAR_RADII: f64 = 12.0;
/// Significances are kept in steps of this.
pub(super) const SIGNIFICANCE_STEP: f32 = 0.25;
/// Lengths of the bar, mm.
const BARS_MM: [f64; 6] = [20.0, 50.0, 100.0, 200.0, 500.0, 1000.0];
const RING: [u8; 3] = [255, 196, 0];
const DROPPED: [u8; 3] = [0, 190, 255];

/// What a picture is made of.
pub struct Shown<'a> {
    /// The volley's name and what was decided, in words.
    pub title: &'a str,
    /// What changed.
    pub look: &'a VolleyLook,
    /// The patches of that.
    pub patches: &'a [RawPatch],
    /// Photo before.
    pub before: &'a RgbImage,
    /// Photo after.
    pub after: &'a RgbImage,
    /// The marks.
    pub judged: &'a Judged,
    /// The usual mark.
    pub shape: &'a MarkShape,
    /// The marks' colour, linear.
    pub colour: [f32; 3],
}

/// A part of the photo after, shrunk or enlarged to a view.
struct Frame {
    x0: f64,
    y0: f64,
    width: u32,
    height: u32,
    /// Photo pixels a view pixel.
    step: f64,
}

impl Frame {
    fn around(s: &Shown) -> Option<Self> {
        let view = &s.look.located.view;
        let kept = if s.judged.marks.is_empty() { &s.judged.dropped } else { &s.judged.marks };
        let mut places: Vec<[f64; 2]> = kept.iter().map(|m| [m.x_mm, m.y_mm]).collect();
        let marks = places.clone();
        let near = |w: &&[f64; 2]| {
            w[0].is_finite()
                && (marks.is_empty()
                    || marks.iter().any(|m| (w[0] - m[0]).hypot(w[1] - m[1]) < NEAR_RADII * s.shape.radius_mm.0))
        };
        for p in s.patches {
            places.extend(p.wall_mm.iter().step_by(17).filter(near));
        }
        let bound = |k: usize| {
            let (lo, hi) = places.iter().fold((f64::MAX, f64::MIN), |b, p| (b.0.min(p[k]), b.1.max(p[k])));
            let more = (AROUND_RADII * s.shape.radius_mm.0).max(0.5 * (LEAST_MM - (hi - lo)));
            (lo - more, hi + more)
        };
        let (w, h) = (f64::from(s.after.width()), f64::from(s.after.height()));
        let mut corners: Vec<PixelPoint> = Vec::new();
        if places.is_empty() {
            corners.extend([PixelPoint::new(0.0, 0.0), PixelPoint::new(w, h)]);
        } else {
            let ((l, r), (b, t)) = (bound(0), bound(1));
            for (x, y) in [(l, b), (r, b), (l, t), (r, t)] {
                corners.extend(view.pixel_from_wall(WallPoint::new(1e-3 * x, 1e-3 * y)));
            }
        }
        let range = |f: fn(&PixelPoint) -> f64, most: f64| {
            let (lo, hi) = corners.iter().map(f).fold((f64::MAX, f64::MIN), |b, v| (b.0.min(v), b.1.max(v)));
            (lo.clamp(0.0, most).floor(), hi.clamp(0.0, most).ceil())
        };
        let ((x0, x1), (y0, y1)) = (range(|p| p.x_px, w), range(|p| p.y_px, h));
        let long = (x1 - x0).max(y1 - y0);
        if long.is_nan() || x1 - x0 < 8.0 || y1 - y0 < 8.0 {
            return None;
        }
        let step = long / f64::from(VIEW_PX);
        let size = |v: f64| ((v / step) as u32).max(1);
        Some(Self { x0, y0, width: size(x1 - x0), height: size(y1 - y0), step })
    }

    /// Photo pixel of a view pixel's middle.
    fn photo(&self, x: u32, y: u32) -> PixelPoint {
        PixelPoint::new(self.x0 + (f64::from(x) + 0.5) * self.step, self.y0 + (f64::from(y) + 0.5) * self.step)
    }

    fn view(&self, p: PixelPoint) -> (f64, f64) {
        ((p.x_px - self.x0) / self.step, (p.y_px - self.y0) / self.step)
    }

    /// A view whose every pixel is computed from the photo's pixels that it covers (at most 3 x 3 of them).
    fn draw(&self, colour: impl Fn(usize, usize) -> [u8; 3]) -> RgbImage {
        let mut out = RgbImage::new(self.width, self.height);
        let n = (self.step.ceil() as usize).clamp(1, 3);
        for (x, y, p) in out.enumerate_pixels_mut() {
            let mut sum = [0u32; 3];
            for j in 0..n {
                for i in 0..n {
                    let at = |v: u32, o: f64, k: usize| {
                        (o + (f64::from(v) + (k as f64 + 0.5) / n as f64) * self.step).max(0.0) as usize
                    };
                    let c = colour(at(x, self.x0, i), at(y, self.y0, j));
                    (0..3).for_each(|k| sum[k] += u32::from(c[k]));
                }
            }
            *p = Rgb(sum.map(|v| (v / (n * n) as u32) as u8));
        }
        out
    }
}

/// Draws a volley's picture as PNG; `None` where there is nothing to show.
///
/// # Errors
/// The picture cannot be written.
pub fn decision_picture(s: &Shown) -> Result<Option<Vec<u8>>> {
    let Some(frame) = Frame::around(s) else { return Ok(None) };
    let look = s.look;
    let view = &look.located.view;
    let pair = Pair::new(s.before, &look.before_view, s.after, view);
    let (w, h) = (s.after.width() as usize, s.after.height() as usize);
    let shown = |v: [f32; 3]| v.map(|v| (255.0 * v.clamp(0.0, 1.0).powf(1.0 / 2.2)) as u8);
    let inside = |x: usize, y: usize| (x.min(w - 1), y.min(h - 1));
    let before = frame.draw(|x, y| {
        let (x, y) = inside(x, y);
        pair.before_at(x, y).map_or([90; 3], shown)
    });
    let after = frame.draw(|x, y| {
        let (x, y) = inside(x, y);
        s.after.get_pixel(x as u32, y as u32).0
    });
    let measured = Opacity::measured(s, &frame);
    let fitted = Opacity::fitted(s, &frame);
    let significance = RgbImage::from_fn(frame.width, frame.height, |x, y| {
        look.significance_at(frame.photo(x, y)).map_or(Rgb([70, 70, 78]), |v| Rgb(heat(f64::from(v) / 20.0)))
    });
    let grey = |o: &Opacity| {
        RgbImage::from_fn(frame.width, frame.height, |x, y| match o.values[(y * frame.width + x) as usize] {
            Some(v) => Rgb([(255.0 * (1.0 - v.clamp(0.0, 1.0))) as u8; 3]),
            None => Rgb([205, 215, 230]),
        })
    };
    let mut views = [before, after, grey(&measured), significance, grey(&fitted)];
    for v in views.iter_mut().skip(1) {
        rings(v, &frame, view, &s.judged.dropped, DROPPED);
        rings(v, &frame, view, &s.judged.marks, RING);
    }
    if let Some(m) = &look.covered {
        for v in views.iter_mut().skip(1) {
            hatch(v, &frame, |p| view.wall_from_pixel(p).is_some_and(|w| m.holds(w)));
        }
    }
    let names = [
        "before, on the photo after".to_string(),
        "after".to_string(),
        "opacity: measured".to_string(),
        format!("significance, 0 to 20 (limit {:.1})", look.threshold),
        "opacity: fitted".to_string(),
    ];
    compose(s, &frame, &views, &names).map(Some)
}

/// Opacities on a view.
struct Opacity {
    values: Vec<Option<f64>>,
}

impl Opacity {
    fn measured(s: &Shown, frame: &Frame) -> Self {
        let mut values = vec![None; (frame.width * frame.height) as usize];
        for raw in s.patches {
            let patch = s.shape.opacity(raw, s.colour);
            for y in 0..frame.height {
                for x in 0..frame.width {
                    let p = frame.photo(x, y);
                    if let Some((u, v)) = p.cell(raw.origin, raw.step, (raw.width, raw.height)) {
                        let i = v * raw.width + u;
                        if patch.sigma[i].is_finite() {
                            values[(y * frame.width + x) as usize] = Some(patch.opacity[i]);
                        }
                    }
                }
            }
        }
        Self { values }
    }

    fn fitted(s: &Shown, frame: &Frame) -> Self {
        let marks: Vec<FittedMark> = s
            .judged
            .marks
            .iter()
            .chain(&s.judged.dropped)
            .filter(|m| m.strength.is_finite())
            .map(|m| FittedMark { modes: m.modes, ..FittedMark::disc(m.x_mm, m.y_mm, m.radius_mm, m.strength) })
            .collect();
        let view = &s.look.located.view;
        let values = (0..frame.width * frame.height)
            .map(|i| {
                let w = view.wall_from_pixel(frame.photo(i % frame.width, i / frame.width))?;
                let one = |m: &FittedMark| {
                    let (rho, tilt) = m.rho_and_tilt([1e3 * w.x_m, 1e3 * w.y_m]);
                    1.0 - (m.strength * s.shape.at(rho).0 * tilt).clamp(0.0, 1.0)
                };
                Some(1.0 - marks.iter().map(one).product::<f64>())
            })
            .collect();
        Self { values }
    }
}

/// 0 black, through red and yellow, 1 white.
fn heat(v: f64) -> [u8; 3] {
    let part = |from: f64| (255.0 * ((v - from) * 3.0).clamp(0.0, 1.0)) as u8;
    [part(0.0), part(1.0 / 3.0), part(2.0 / 3.0)]
}

/// Circles of marks, as the photo shows them, with their numbers' places left to [`compose`].
fn rings(image: &mut RgbImage, frame: &Frame, view: &WallView, marks: &[FoundMark], colour: [u8; 3]) {
    for m in marks {
        let points: Vec<(f64, f64)> = (0..=180)
            .filter_map(|k| {
                let (s, c) = (f64::from(k) * std::f64::consts::TAU / 180.0).sin_cos();
                let w = WallPoint::new(1e-3 * (m.x_mm + m.radius_mm * c), 1e-3 * (m.y_mm + m.radius_mm * s));
                view.pixel_from_wall(w).map(|p| frame.view(p))
            })
            .collect();
        for pair in points.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            let n = (2.0 * (a.0 - b.0).hypot(a.1 - b.1)).ceil().max(1.0) as u32;
            for i in 0..n {
                let t = f64::from(i) / f64::from(n);
                dot(image, a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1), colour);
            }
        }
    }
}

fn dot(image: &mut RgbImage, x: f64, y: f64, colour: [u8; 3]) {
    for (u, v) in [(x, y), (x + 1.0, y), (x, y + 1.0), (x + 1.0, y + 1.0)] {
        if u >= 0.0 && v >= 0.0 && u < f64::from(image.width()) && v < f64::from(image.height()) {
            image.put_pixel(u as u32, v as u32, Rgb(colour));
        }
    }
}

fn hatch(image: &mut RgbImage, frame: &Frame, held: impl Fn(PixelPoint) -> bool) {
    for y in 0..image.height() {
        for x in (0..image.width()).filter(|x| (x + y) % 9 < 2) {
            if held(frame.photo(x, y)) {
                image.put_pixel(x, y, Rgb([150, 60, 200]));
            }
        }
    }
}

/// Views, their names, the marks' numbers and the bar on one sheet.
fn compose(s: &Shown, frame: &Frame, views: &[RgbImage; 5], names: &[String; 5]) -> Result<Vec<u8>> {
    let n = views.len() as u32;
    let each = frame.width.max(240);
    let (width, height) = (n * each + (n + 1) * GAP_PX, ABOVE_PX + frame.height + BELOW_PX);
    let left = |i: usize| GAP_PX + i as u32 * (each + GAP_PX);
    let mut text = String::new();
    let escape = |t: &str| t.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    text += &format!("<text x=\"{GAP_PX}\" y=\"26\" font-size=\"18\" font-weight=\"bold\">{}</text>", escape(s.title));
    for (i, name) in names.iter().enumerate() {
        text += &format!("<text x=\"{}\" y=\"54\" font-size=\"14\">{}</text>", left(i), escape(name));
    }
    let (bar_mm, bar_px) = bar(s, frame);
    let y = ABOVE_PX + frame.height + 18;
    text += &format!(
        "<rect x=\"{GAP_PX}\" y=\"{}\" width=\"{bar_px:.1}\" height=\"5\" fill=\"#111\"/><text x=\"{:.1}\" y=\"{}\" font-size=\"14\">{bar_mm:.0} mm on the wall</text>",
        y,
        f64::from(GAP_PX) + bar_px + 8.0,
        y + 8
    );
    let svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\"><rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/><g font-family=\"Noto Sans\" fill=\"#111\">{text}</g></svg>"
    );
    let broken =
        |e: image::ImageError| crate::error::Error::no_answer(format!("a picture made here cannot be used ({e})"));
    let mut sheet = image::load_from_memory(&drawing_png(&svg, width)?).map_err(broken)?.to_rgb8();
    for (i, v) in views.iter().enumerate() {
        imageops::replace(&mut sheet, v, left(i).into(), ABOVE_PX.into());
    }
    // Numbers stand beside the circles of the photo after.
    for (k, m) in s.judged.marks.iter().enumerate() {
        let at = WallPoint::new(1e-3 * (m.x_mm + 1.15 * m.radius_mm), 1e-3 * (m.y_mm + 0.8 * m.radius_mm));
        let Some(p) = s.look.located.view.pixel_from_wall(at).map(|p| frame.view(p)) else { continue };
        let label = if m.count > 1 { format!("{} ({} balls)", k + 1, m.count) } else { format!("{}", k + 1) };
        let wide = 8 + 8 * label.len();
        let tag = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{wide}\" height=\"16\"><rect width=\"{wide}\" height=\"16\" fill=\"#332600\"/><text x=\"4\" y=\"13\" font-size=\"13\" font-weight=\"bold\" font-family=\"Noto Sans\" fill=\"#ffc400\">{label}</text></svg>"
        );
        let tag = image::load_from_memory(&drawing_png(&tag, wide as u32)?).map_err(broken)?.to_rgb8();
        let room = |v: f64, size: u32, most: u32| (v.max(0.0) as u32).min(most.saturating_sub(size));
        let (x, y) = (room(p.0, tag.width(), frame.width), room(p.1 - 8.0, tag.height(), frame.height));
        imageops::replace(&mut sheet, &tag, (left(1) + x).into(), (ABOVE_PX + y).into());
    }
    let mut bytes = std::io::Cursor::new(Vec::new());
    sheet.write_to(&mut bytes, image::ImageFormat::Png).map_err(broken)?;
    Ok(bytes.into_inner())
}

/// A round length of about a third of a view, mm, and as many view pixels.
fn bar(s: &Shown, frame: &Frame) -> (f64, f64) {
    let view = &s.look.located.view;
    let middle = frame.photo(frame.width / 2, frame.height / 2);
    let px_per_mm = view
        .wall_from_pixel(middle)
        .and_then(|w| view.pixels_per_metre(w))
        .map_or(1.0, |j| 1e-3 * (j[0][0] * j[1][1] - j[0][1] * j[1][0]).abs().sqrt() / frame.step);
    let third = f64::from(frame.width) / 3.0;
    let mm = BARS_MM.into_iter().rev().find(|b| b * px_per_mm <= third).unwrap_or(BARS_MM[0]);
    (mm, mm * px_per_mm)
}
