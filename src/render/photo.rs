//! What does each pixel see?
//!
//! Every pixel is followed back through the lens to the wall by its four corners. There it gets the wall's albedo, then sheets by
//! exact area, then marks by a few samples, then what stands before it, then the light.

use rayon::prelude::*;

use super::ink::Ink;
use super::mark::{Mark, REACH};
use super::scene::Scene;
use super::sensor::{LEAST_BLUR_PX, blurred, kernel_reach};
use super::wall::ROOM;
use super::{RenderCamera, Sensor};
use crate::error::{Error, Result};
use crate::points::{PixelPoint, WallPoint};

/// Albedo of white paper and of printer's ink (laser toner on matt paper reflects some 4 %).
const PAPER: [f32; 3] = [0.80, 0.80, 0.79];
/// See [`PAPER`].
const INK: [f32; 3] = [0.042, 0.042, 0.044];
/// Albedo of blue painter's tape, and how much it hides of what is below.
const TAPE: [f32; 3] = [0.075, 0.21, 0.40];
/// See [`TAPE`].
const TAPE_HIDES: f32 = 0.88;
/// Samples across and down a pixel under a mark: marks have no detail below a millimetre, so few are enough.
const MARK_SAMPLES: usize = 3;
/// How much finer than pixels the sheets are rendered before the lens blurs them. A checkerboard's corners then lie within
/// 0.007 px of the truth (1: 0.019, 3: 0.0045 at half as much time again for a whole photo).
pub const FINER: usize = 2;
/// Rows that one task renders: enough that the row of corners shared with the next band costs little.
const BAND_ROWS: usize = 16;
/// Largest photo, px: 200 million is more than any phone takes, and its light needs 2.4 GB.
const MOST_PIXELS: usize = 200_000_000;

/// Linear light, 1 nearly fills the sensor's range; row by row from the top.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearImage {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Red, green, blue of each pixel.
    pub pixels: Vec<[f32; 3]>,
}

impl LinearImage {
    /// The pixel at a column and row of the photo.
    pub fn get(&self, x: usize, y: usize) -> Option<[f32; 3]> {
        if x < self.width { self.pixels.get(y * self.width + x).copied() } else { None }
    }
}

/// A photo of the scene: [`optics`], then [`Sensor::develop`].
///
/// Errors: a camera without pixels, with too many, or that does not stand in front of the wall.
///
/// ```
/// use pockmark::points::WallPoint;
/// use pockmark::render::*;
/// let scene = Scene {
///     wall: Wall::endless(WallKind::Plywood, 7),
///     smears: vec![],
///     sheets: vec![SheetOnWall::upright(1, WallPoint::new(0.0, 0.0))],
///     marks: vec![],
///     solids: vec![],
///     light: Light::default(),
/// };
/// let pose = RenderPose::looking_at([0.2, 0.1, 1.5], WallPoint::new(0.0, 0.15), 0.0);
/// let photo = render(&scene, &RenderCamera::pinhole(160, 120, 0.9, pose), &Sensor::default(), 1)?;
/// assert_eq!(photo.dimensions(), (160, 120));
/// # Ok::<(), pockmark::Error>(())
/// ```
pub fn render(scene: &Scene, camera: &RenderCamera, sensor: &Sensor, seed: u64) -> Result<image::RgbImage> {
    Ok(sensor.develop(optics(scene, camera, sensor.blur_px)?, seed))
}

/// The light on each pixel behind a lens of Gaussian point spread `blur_px`: not clipped, no noise.
///
/// A lens blurs before the pixels sample. Blurring pixels instead would leave the sampling's own error in sharp
/// edges, so the sheets' parts of the photo are rendered [`FINER`] times as fine, blurred,
/// and only then gathered into pixels. Wall and marks are soft enough as they are.
pub fn optics(scene: &Scene, camera: &RenderCamera, blur_px: f64) -> Result<LinearImage> {
    let mut light = radiance(scene, camera)?;
    if blur_px.is_nan() || blur_px < LEAST_BLUR_PX {
        return Ok(light);
    }
    light.pixels = blurred(&light.pixels, light.width, blur_px);
    // A fine part needs what blurs into it from outside.
    let margin = kernel_reach(blur_px) + 1;
    for sheet in &scene.sheets {
        let b = PixelBox::of_sheet(camera, &Ink::new(*sheet));
        let range = |lo: f64, hi: f64, n: usize| {
            (lo.floor().max(0.0) as usize)..((hi.ceil() + 1.0).clamp(0.0, n as f64) as usize)
        };
        let (columns, rows) = (range(b.x0, b.x1, camera.width), range(b.y0, b.y1, camera.height));
        if columns.is_empty() || rows.is_empty() {
            continue;
        }
        let (x0, y0) = (columns.start.saturating_sub(margin), rows.start.saturating_sub(margin));
        let size = (columns.end + margin - x0, rows.end + margin - y0);
        let fine = radiance(scene, &camera.part((x0, y0), size, FINER))?;
        let soft = blurred(&fine.pixels, fine.width, blur_px * FINER as f64);
        light.pixels.par_chunks_mut(light.width).enumerate().for_each(|(y, line)| {
            if !rows.contains(&y) {
                return;
            }
            for (x, pixel) in line.iter_mut().enumerate().take(columns.end).skip(columns.start) {
                let mut sum = [0.0_f32; 3];
                for j in 0..FINER {
                    let start = ((y - y0) * FINER + j) * fine.width + (x - x0) * FINER;
                    for p in soft.iter().skip(start).take(FINER) {
                        sum.iter_mut().zip(p).for_each(|(s, v)| *s += v);
                    }
                }
                *pixel = sum.map(|s| s / (FINER * FINER) as f32);
            }
        });
    }
    Ok(light)
}

/// The light that reaches each pixel through a perfect lens: no blur, no noise, not clipped; each pixel is its square's mean.
pub fn radiance(scene: &Scene, camera: &RenderCamera) -> Result<LinearImage> {
    let (width, height) = (camera.width, camera.height);
    if width == 0 || height == 0 || width.saturating_mul(height) > MOST_PIXELS {
        return Err(Error::input(format!(
            "a photo of {width} x {height} px cannot be rendered: it needs 1 to {MOST_PIXELS} pixels"
        )));
    }
    if camera.pose.eye_m.z.is_nan() || camera.pose.eye_m.z <= 0.0 || !camera.pose.rotation.iter().all(|v| v.is_finite())
    {
        return Err(Error::input(format!(
            "the camera stands {} m in front of the wall: it must be more than 0",
            camera.pose.eye_m.z
        )));
    }
    let inks: Vec<(Ink, PixelBox)> = scene
        .sheets
        .iter()
        .map(|&sheet| {
            let ink = Ink::new(sheet);
            let bounds = PixelBox::of_sheet(camera, &ink);
            (ink, bounds)
        })
        .collect();
    let marks: Vec<(Mark, PixelBox)> = scene
        .marks
        .iter()
        .map(|&mark| {
            let reach_m = 0.5 * mark.diameter_m * (REACH + 0.1) + 1e-3;
            let around: Vec<WallPoint> = (0..16)
                .map(|i| {
                    let (s, c) = (f64::from(i) * std::f64::consts::TAU / 16.0).sin_cos();
                    WallPoint::new(mark.centre.x_m + reach_m * c, mark.centre.y_m + reach_m * s)
                })
                .collect();
            (mark, PixelBox::around(camera, &around))
        })
        .collect();

    let mut pixels = vec![[0.0_f32; 3]; width * height];
    pixels.par_chunks_mut(width * BAND_ROWS).enumerate().for_each(|(band, out)| {
        let first = band * BAND_ROWS;
        let rows = out.len() / width;
        let in_band = |b: &PixelBox| b.y1 >= first as f64 - 1.0 && b.y0 <= (first + rows) as f64;
        let sees = Band {
            scene,
            inks: inks.iter().filter(|(_, b)| in_band(b)).collect(),
            marks: marks.iter().filter(|(_, b)| in_band(b)).collect(),
        };
        let mut above = corners_of_row(camera, first);
        for (r, line) in out.chunks_mut(width).enumerate() {
            let below = corners_of_row(camera, first + r + 1);
            for (x, pixel) in line.iter_mut().enumerate() {
                *pixel = match (above[x], above[x + 1], below[x + 1], below[x]) {
                    (Some(a), Some(b), Some(c), Some(d)) => sees.pixel(x, first + r, &[a, b, c, d]),
                    _ => ROOM,
                };
            }
            above = below;
        }
    });
    Ok(LinearImage { width, height, pixels })
}

/// Where the top corners of a row of pixels meet the wall, one more than there are pixels.
fn corners_of_row(camera: &RenderCamera, row: usize) -> Vec<Option<WallPoint>> {
    // A pixel looks about as far past its neighbour as that one past its own.
    let mut last: [Option<[f64; 2]>; 2] = [None, None];
    (0..=camera.width)
        .map(|x| {
            let at = PixelPoint::new(x as f64 - 0.5, row as f64 - 0.5);
            let guess = match last {
                [Some([x0, y0]), Some([x1, y1])] => Some([2.0 * x1 - x0, 2.0 * y1 - y0]),
                [_, one] => one,
            };
            let direction = camera.direction(at, guess).or_else(|| camera.direction(at, None));
            last = [last[1], direction];
            camera.hit(direction?)
        })
        .collect()
}

/// Upright bounds in the photo, px; the whole plane when part of it is behind the camera.
struct PixelBox {
    x0: f64,
    y0: f64,
    x1: f64,
    y1: f64,
}

impl PixelBox {
    fn of_sheet(camera: &RenderCamera, ink: &Ink) -> Self {
        let outline = ink.outline();
        let along: Vec<WallPoint> = (0..32)
            .map(|i| {
                let (side, t) = (i / 8, (i % 8) as f64 / 8.0);
                let (a, b) = (outline[side], outline[(side + 1) % 4]);
                WallPoint::new(a.x_m + t * (b.x_m - a.x_m), a.y_m + t * (b.y_m - a.y_m))
            })
            .collect();
        Self::around(camera, &along)
    }

    fn around(camera: &RenderCamera, outline: &[WallPoint]) -> Self {
        let mut b = Self { x0: f64::INFINITY, y0: f64::INFINITY, x1: f64::NEG_INFINITY, y1: f64::NEG_INFINITY };
        for &p in outline {
            let Some(p) = camera.pixel(p) else {
                return Self { x0: f64::NEG_INFINITY, y0: f64::NEG_INFINITY, x1: f64::INFINITY, y1: f64::INFINITY };
            };
            (b.x0, b.x1) = (b.x0.min(p.x_px), b.x1.max(p.x_px));
            (b.y0, b.y1) = (b.y0.min(p.y_px), b.y1.max(p.y_px));
        }
        // Room for the outline's curve between its points.
        let (wide, high) = (2.0 + 0.02 * (b.x1 - b.x0), 2.0 + 0.02 * (b.y1 - b.y0));
        Self { x0: b.x0 - wide, y0: b.y0 - high, x1: b.x1 + wide, y1: b.y1 + high }
    }

    fn holds(&self, x: usize, y: usize) -> bool {
        let (x, y) = (x as f64, y as f64);
        self.x0 <= x && x <= self.x1 && self.y0 <= y && y <= self.y1
    }
}

struct Band<'a> {
    scene: &'a Scene,
    inks: Vec<&'a (Ink, PixelBox)>,
    marks: Vec<&'a (Mark, PixelBox)>,
}

impl Band<'_> {
    fn pixel(&self, x: usize, y: usize, corners: &[WallPoint; 4]) -> [f32; 3] {
        let [a, b, c, d] = *corners;
        let middle = WallPoint::new(0.25 * (a.x_m + b.x_m + c.x_m + d.x_m), 0.25 * (a.y_m + b.y_m + c.y_m + d.y_m));
        let square = |p: WallPoint, q: WallPoint| (q.x_m - p.x_m).powi(2) + (q.y_m - p.y_m).powi(2);
        let footprint_m = (0.5 * (square(a, c) * square(b, d)).sqrt()).sqrt();
        let mut colour = self.scene.wall.albedo(middle, footprint_m);
        self.scene.smears.iter().for_each(|s| s.paint(middle, footprint_m, &mut colour));
        for (ink, _) in self.inks.iter().filter(|(_, b)| b.holds(x, y)) {
            let cover = ink.cover(&ink.quad(corners));
            let (paper, black, tape) = (cover.paper as f32, cover.black as f32, TAPE_HIDES * cover.tape as f32);
            for (i, v) in colour.iter_mut().enumerate() {
                *v += paper * (PAPER[i] - *v) - black * (PAPER[i] - INK[i]);
                *v += tape * (TAPE[i] - *v);
            }
        }
        for (mark, _) in self.marks.iter().filter(|(_, b)| b.holds(x, y)) {
            let mut share = 0.0;
            for j in 0..MARK_SAMPLES {
                for i in 0..MARK_SAMPLES {
                    let place = |k: usize| (k as f64 + 0.5) / MARK_SAMPLES as f64;
                    let (s, t) = (place(i), place(j));
                    let mix = |p: f64, q: f64, r: f64, w: f64| {
                        (1.0 - t) * ((1.0 - s) * p + s * q) + t * ((1.0 - s) * w + s * r)
                    };
                    share +=
                        mark.alpha(WallPoint::new(mix(a.x_m, b.x_m, c.x_m, d.x_m), mix(a.y_m, b.y_m, c.y_m, d.y_m)));
                }
            }
            let share =
                (share / (MARK_SAMPLES * MARK_SAMPLES) as f64) as f32 * self.scene.wall.takes(middle, footprint_m);
            for (v, k) in colour.iter_mut().zip(mark.colour) {
                *v += share * (k - *v);
            }
        }
        self.scene.solids.iter().for_each(|s| s.paint(middle, footprint_m, &mut colour));
        let light = self.scene.light.at(middle);
        std::array::from_fn(|i| colour[i] * light[i])
    }
}
