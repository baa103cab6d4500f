//! Has the camera moved, when a photo shows no sheet?
//!
//! The wall itself tells: its grain, seams and screw heads are followed from a photo whose place is known. Both
//! photos are normalised locally (mean and spread of a window taken out, so that light does not matter), the six
//! numbers of the new pose are adjusted by Gauss-Newton from coarse to fine so that the wall's points show the same
//! values, and pixels that disagree (marks, people, sheets taken down) lose their weight (Tukey's biweight). The uncertainty is
//! the normal matrix's, scaled by how much the shifts of single tiles scatter about the common pose: neighbouring
//! pixels hang together, and a wall without grain gives tiles that say nothing. A change of focal length is tried
//! last: a zoomed photo is followed again with a focal length of its own, and refused where the wall then still does not fit.

use image::GrayImage;
use nalgebra::{Rotation3, SMatrix, SVector, Vector3};

use super::locate::{LensChange, Located};
use super::view::{Pose, WallView, pose_column};
use crate::points::PixelPoint;

/// Sizes at which photos are compared, as fractions of full size; half size is as accurate as full (measured elsewhere: 0.011 px).
const LEVELS: [usize; 4] = [16, 8, 4, 2];
/// Half-width of the window that is normalised, px of the level.
const WINDOW: usize = 7;
/// Spread that noise alone has, grey values of a level's mean: flat wall is not blown up beyond it.
const NOISE: f32 = 1.0;
/// Farthest start, px of the coarsest level: a sixth of a second of arm's length; farther is a new set-up.
const SEARCH: i64 = 8;
/// Points followed at each level.
const POINTS: usize = 40_000;
/// Tiles across and down for the check of the uncertainty.
const TILES: (usize, usize) = (6, 4);
/// Least tiles with enough grain.
const LEAST_TILES: usize = 8;
/// Largest u of the pose's effect, px, that still counts as registered.
const LARGEST_U_PX: f64 = 0.5;
/// Focal length change that is refused, relative, and in its own u.
const ZOOM: f64 = 0.002;
const ZOOM_U: f64 = 5.0;
/// Where following a zoom starts, over the first estimate of it.
const ZOOM_STARTS: [f64; 3] = [1.0, 1.4, 2.0];
/// Largest change of focal length that is followed: farther, the coarse start finds nothing.
const LARGEST_ZOOM: f64 = 0.15;

/// Why a photo could not be registered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NotRegistered {
    /// The wall shows too little grain, or too much of it changed.
    NothingToHold,
    /// The best pose still moves single parts of the wall by this much, px.
    Disagrees {
        /// RMS shift of the tiles, px.
        tiles_px: f64,
    },
    /// The picture is this many times as large as before.
    Zoomed {
        /// New over old focal length.
        factor: f64,
    },
}

/// What registration adds to a place.
#[derive(Clone, Debug)]
pub struct Registered {
    /// The photo's place.
    pub located: Located,
    /// How far the picture moved against the reference, px at its middle.
    pub moved_px: f64,
    /// u of the alignment at the picture's middle, px.
    pub u_px: f64,
}

struct Level {
    width: usize,
    height: usize,
    factor: usize,
    value: Vec<f32>,
}

impl Level {
    fn new(gray: &GrayImage, factor: usize) -> Self {
        let (full, raw) = (gray.width() as usize, gray.as_raw());
        let (width, height) = (full / factor, gray.height() as usize / factor);
        let share = 1.0 / (factor * factor) as f32;
        let mut mean = vec![0.0f32; width * height];
        for y in 0..height * factor {
            let out = &mut mean[y / factor * width..][..width];
            for (x, cell) in out.iter_mut().enumerate() {
                let from = y * full + x * factor;
                *cell += share * raw[from..from + factor].iter().map(|&v| f32::from(v)).sum::<f32>();
            }
        }
        let value = normalised(&mean, width, height);
        Self { width, height, factor, value }
    }

    fn level_from_full(&self, p: PixelPoint) -> (f64, f64) {
        let f = self.factor as f64;
        ((p.x_px + 0.5) / f - 0.5, (p.y_px + 0.5) / f - 0.5)
    }

    fn full_from_level(&self, x: f64, y: f64) -> PixelPoint {
        let f = self.factor as f64;
        PixelPoint::new((x + 0.5) * f - 0.5, (y + 0.5) * f - 0.5)
    }

    /// Value and gradient between pixels; `None` near the rim.
    fn at(&self, x: f64, y: f64) -> Option<(f64, f64, f64)> {
        let rim = WINDOW as f64 + 1.0;
        if !(x >= rim && y >= rim && x < self.width as f64 - rim - 1.0 && y < self.height as f64 - rim - 1.0) {
            return None;
        }
        let (x0, y0) = (x as usize, y as usize);
        let (fx, fy) = (x - x0 as f64, y - y0 as f64);
        let v = |i: usize, j: usize| f64::from(self.value[(y0 + j) * self.width + x0 + i]);
        let (a, b, c, d) = (v(0, 0), v(1, 0), v(0, 1), v(1, 1));
        // Gradients by central differences, interpolated: smoother than those of the bilinear patch itself.
        let g = |i: usize, j: usize| {
            let at = |dx: i64, dy: i64| {
                f64::from(self.value[((y0 + j) as i64 + dy) as usize * self.width + ((x0 + i) as i64 + dx) as usize])
            };
            (0.5 * (at(1, 0) - at(-1, 0)), 0.5 * (at(0, 1) - at(0, -1)))
        };
        let mix =
            |a: f64, b: f64, c: f64, d: f64| (a * (1.0 - fx) + b * fx) * (1.0 - fy) + (c * (1.0 - fx) + d * fx) * fy;
        let (ga, gb, gc, gd) = (g(0, 0), g(1, 0), g(0, 1), g(1, 1));
        Some((mix(a, b, c, d), mix(ga.0, gb.0, gc.0, gd.0), mix(ga.1, gb.1, gc.1, gd.1)))
    }
}

/// (value - mean) / (spread + noise) over a square window.
fn normalised(v: &[f32], width: usize, height: usize) -> Vec<f32> {
    let w = width + 1;
    let mut sum = vec![0.0f64; w * (height + 1)];
    let mut square = vec![0.0f64; w * (height + 1)];
    for y in 0..height {
        let (mut s, mut q) = (0.0, 0.0);
        for x in 0..width {
            let g = f64::from(v[y * width + x]);
            s += g;
            q += g * g;
            sum[(y + 1) * w + x + 1] = sum[y * w + x + 1] + s;
            square[(y + 1) * w + x + 1] = square[y * w + x + 1] + q;
        }
    }
    let mut out = vec![0.0f32; width * height];
    for y in 0..height {
        let (y0, y1) = (y.saturating_sub(WINDOW), (y + WINDOW + 1).min(height));
        for x in 0..width {
            let (x0, x1) = (x.saturating_sub(WINDOW), (x + WINDOW + 1).min(width));
            let area = ((x1 - x0) * (y1 - y0)) as f64;
            let of = |t: &[f64]| (t[y1 * w + x1] - t[y0 * w + x1] - t[y1 * w + x0] + t[y0 * w + x0]) / area;
            let mean = of(&sum);
            let spread = (of(&square) - mean * mean).max(0.0).sqrt() as f32;
            out[y * width + x] = (v[y * width + x] - mean as f32) / (spread + NOISE);
        }
    }
    out
}

/// A wall point that is followed: its place in the wall's frame (m), value in the reference, tile.
struct Followed {
    wall: Vector3<f64>,
    value: f64,
    tile: usize,
}

fn points(level: &Level, view: &WallView, avoid: &dyn Fn(PixelPoint) -> bool) -> Vec<Followed> {
    let (w, h) = (level.width, level.height);
    let rim = WINDOW + 2;
    if w <= 2 * rim || h <= 2 * rim {
        return Vec::new();
    }
    // The strongest quarter of gradients carries nearly all that shifts can be seen by.
    let slope = |i: usize| {
        let (gx, gy) = (level.value[i + 1] - level.value[i - 1], level.value[i + w] - level.value[i - w]);
        gx * gx + gy * gy
    };
    let mut sample: Vec<f32> =
        (rim..h - rim).step_by(3).flat_map(|y| (rim..w - rim).step_by(3).map(move |x| y * w + x)).map(slope).collect();
    if sample.is_empty() {
        return Vec::new();
    }
    let k = sample.len() * 3 / 4;
    let cut = *sample.select_nth_unstable_by(k, f32::total_cmp).1;
    let chosen: Vec<usize> =
        (rim..h - rim).flat_map(|y| (rim..w - rim).map(move |x| y * w + x)).filter(|&i| slope(i) > cut).collect();
    let every = chosen.len().div_ceil(POINTS).max(1);
    chosen
        .into_iter()
        .step_by(every)
        .filter_map(|i| {
            let (x, y) = (i % w, i / w);
            let p = level.full_from_level(x as f64, y as f64);
            if avoid(p) {
                return None;
            }
            let at = view.wall_from_pixel(p)?;
            Some(Followed {
                wall: Vector3::new(at.x_m, at.y_m, 0.0),
                value: level.value[i].into(),
                tile: y * TILES.1 / h * TILES.0 + x * TILES.0 / w,
            })
        })
        .collect()
}

/// Where the coarse photo fits best when only shifted, level px.
fn coarse_shift(reference: &Level, new: &Level) -> (i64, i64) {
    let rim = WINDOW as i64 + SEARCH;
    let (w, h) = (reference.width as i64, reference.height as i64);
    let mut best = (f64::MIN, (0, 0));
    for dy in -SEARCH..=SEARCH {
        for dx in -SEARCH..=SEARCH {
            let (mut sum, mut n) = (0.0, 0.0);
            for y in (rim..h - rim).step_by(2) {
                for x in rim..w - rim {
                    let (a, b) = (reference.value[(y * w + x) as usize], new.value[((y + dy) * w + x + dx) as usize]);
                    sum += f64::from(a.clamp(-2.0, 2.0) * b.clamp(-2.0, 2.0));
                    n += 1.0;
                }
            }
            let score = sum / f64::max(n, 1.0);
            if score > best.0 {
                best = (score, (dx, dy));
            }
        }
    }
    best.1
}

type Normal = (SMatrix<f64, 7, 7>, SVector<f64, 7>);

/// One linearisation: normal equations, and a shift's own equations a tile.
struct Linear {
    normal: Normal,
    tiles: Vec<(SMatrix<f64, 2, 2>, SVector<f64, 2>)>,
    used: usize,
}

fn linearise(level: &Level, view: &WallView, points: &[Followed]) -> Linear {
    let f = level.factor as f64;
    let mut rows: Vec<(f64, [f64; 2], SVector<f64, 7>, usize)> = Vec::with_capacity(points.len());
    for p in points {
        let turned = view.pose.rotation * p.wall;
        let Some(q) = view.lens.project_with_derivatives(&(turned + view.pose.translation)) else { continue };
        let (x, y) = level.level_from_full(q.pixel);
        let Some((v, gx, gy)) = level.at(x, y) else { continue };
        let j = SVector::<f64, 7>::from_fn(|k, _| {
            if k == 6 {
                // Relative change of the focal length.
                return (gx * (q.pixel.x_px - view.lens.cx) + gy * (q.pixel.y_px - view.lens.cy)) / f;
            }
            let d = pose_column(&turned, k);
            let along = |r: usize| (0..3).map(|i| q.by_point[r][i] * d[i]).sum::<f64>();
            (gx * along(0) + gy * along(1)) / f
        });
        rows.push((p.value - v, [gx / f, gy / f], j, p.tile));
    }
    let mut sizes: Vec<f64> = rows.iter().map(|r| r.0.abs()).collect();
    let scale = if sizes.is_empty() {
        1.0
    } else {
        let k = sizes.len() / 2;
        (*sizes.select_nth_unstable_by(k, f64::total_cmp).1 / 0.6745).max(1e-3)
    };
    let mut normal: Normal = (SMatrix::zeros(), SVector::zeros());
    let mut tiles = vec![(SMatrix::<f64, 2, 2>::zeros(), SVector::<f64, 2>::zeros()); TILES.0 * TILES.1];
    for (r, g, j, tile) in &rows {
        let t = r / (4.685 * scale);
        if t.abs() >= 1.0 {
            continue;
        }
        let w = (1.0 - t * t).powi(2) / (scale * scale);
        normal.0 += j * j.transpose() * w;
        normal.1 += j * (*r * w);
        let g = SVector::<f64, 2>::new(g[0], g[1]);
        tiles[*tile].0 += g * g.transpose() * w;
        tiles[*tile].1 += g * (*r * w);
    }
    Linear { normal, tiles, used: rows.len() }
}

fn turned_by_shift(view: &WallView, dx_px: f64, dy_px: f64) -> Pose {
    let turn = Rotation3::new(Vector3::new(-dy_px / view.lens.fy, dx_px / view.lens.fx, 0.0));
    Pose { rotation: turn * view.pose.rotation, translation: turn * view.pose.translation }
}

/// Registers `new` to `reference`, whose place is known. `avoid` says which pixels of the reference not to
/// follow (paper that may be gone). A picture that is zoomed is followed with a focal length of its own, where the wall has
/// grain enough to say so everywhere; the place then carries the doubt that this adds.
///
/// # Errors
/// [`NotRegistered`] says why the wall does not hold.
pub fn register(
    reference: &GrayImage,
    place: &Located,
    new: &GrayImage,
    avoid: &dyn Fn(PixelPoint) -> bool,
) -> Result<Registered, NotRegistered> {
    match follow(reference, place, new, avoid, 1.0) {
        Err(NotRegistered::Zoomed { factor }) if (factor - 1.0).abs() < LARGEST_ZOOM => {
            // The first estimate is short where the grain's far parts had lost their hold: it is also started from farther on.
            let starts = ZOOM_STARTS.map(|t| 1.0 + t * (factor - 1.0));
            let found = starts.into_iter().find_map(|s| follow(reference, place, new, avoid, s).ok());
            found.ok_or(NotRegistered::Zoomed { factor })
        }
        other => other,
    }
}

/// Registers with the reference's focal length, or with one of its own that starts at `zoom` times that.
fn follow(
    reference: &GrayImage,
    place: &Located,
    new: &GrayImage,
    avoid: &dyn Fn(PixelPoint) -> bool,
    zoom: f64,
) -> Result<Registered, NotRegistered> {
    let zoomed = zoom != 1.0;
    let mut view = place.view;
    (view.lens.fx, view.lens.fy) = (zoom * view.lens.fx, zoom * view.lens.fy);
    let mut last = None;
    for (k, &factor) in LEVELS.iter().enumerate() {
        let (a, b) = (Level::new(reference, factor), Level::new(new, factor));
        if k == 0 {
            let (dx, dy) = coarse_shift(&a, &b);
            view.pose = turned_by_shift(&view, (dx * factor as i64) as f64, (dy * factor as i64) as f64);
        }
        let points = points(&a, &place.view, avoid);
        for _ in 0..12 {
            let l = linearise(&b, &view, &points);
            let free = if zoomed { 7 } else { 6 };
            let (own, right) =
                (l.normal.0.view((0, 0), (free, free)).into_owned(), l.normal.1.rows(0, free).into_owned());
            let Some(step) = own.cholesky().map(|c| c.solve(&right)) else { return Err(NotRegistered::NothingToHold) };
            if l.used < 500 || !step.iter().all(|v| v.is_finite()) {
                return Err(NotRegistered::NothingToHold);
            }
            view.pose = view.pose.nudged(&std::array::from_fn(|i| step[i]));
            if zoomed {
                let times = (1.0 + step[6]).clamp(0.9, 1.1);
                (view.lens.fx, view.lens.fy) = (times * view.lens.fx, times * view.lens.fy);
            }
            let middle = PixelPoint::new(0.5 * f64::from(new.width()), 0.5 * f64::from(new.height()));
            let moved = place
                .view
                .wall_from_pixel(middle)
                .and_then(|w| view.pixel_from_wall(w))
                .map_or(f64::INFINITY, |p| p.distance_px(middle));
            if moved > 0.25 * f64::from(new.width()) {
                return Err(NotRegistered::NothingToHold);
            }
            last = Some(l);
            let small = step.norm() < 1e-7;
            if small {
                break;
            }
        }
        if k + 1 == LEVELS.len() {
            last = Some(linearise(&b, &view, &points));
        }
    }
    let Some(l) = last else { return Err(NotRegistered::NothingToHold) };
    finish(place, view, new, &l, zoomed)
}

/// Checks the end: tiles that agree, no zoom, small u.
fn finish(
    place: &Located,
    view: WallView,
    new: &GrayImage,
    l: &Linear,
    zoomed: bool,
) -> Result<Registered, NotRegistered> {
    // Each tile's own shift against the common pose, and what its pixels say of its u, px.
    let mut ratio = Vec::new();
    let mut shifts = Vec::new();
    for (n, r) in &l.tiles {
        let Some(inverse) = n.try_inverse() else { continue };
        let u = [inverse[(0, 0)].max(0.0).sqrt(), inverse[(1, 1)].max(0.0).sqrt()];
        let s = inverse * r;
        for k in 0..2 {
            // A direction without grain says nothing (bare wall: u of many pixels).
            if u[k] < 0.1 && u[k] > 0.0 {
                ratio.push(s[k] * s[k] / (u[k] * u[k]));
                shifts.push(s[k].abs());
            }
        }
    }
    if ratio.len() < 2 * LEAST_TILES {
        return Err(NotRegistered::NothingToHold);
    }
    ratio.sort_by(f64::total_cmp);
    shifts.sort_by(f64::total_cmp);
    // Median of a chi-squared with one degree of freedom is 0.455.
    let inflate = (ratio[ratio.len() / 2] / 0.455).max(1.0);
    let tiles_px = 1.4826 * shifts[shifts.len() / 2];
    if tiles_px > LARGEST_U_PX {
        return Err(NotRegistered::Disagrees { tiles_px });
    }
    if !zoomed && let Some(all) = l.normal.0.try_inverse() {
        let step = all * l.normal.1;
        let u = (all[(6, 6)].max(0.0) * inflate).sqrt();
        if step[6].abs() > ZOOM && step[6].abs() > ZOOM_U * u {
            return Err(NotRegistered::Zoomed { factor: 1.0 + step[6] });
        }
    }
    let free = if zoomed { 7 } else { 6 };
    let own = l.normal.0.view((0, 0), (free, free)).into_owned();
    let covariance = own.try_inverse().ok_or(NotRegistered::NothingToHold)? * inflate;
    let middle = PixelPoint::new(0.5 * f64::from(new.width()), 0.5 * f64::from(new.height()));
    let w = view.wall_from_pixel(middle).ok_or(NotRegistered::NothingToHold)?;
    // The reference's own doubt comes on top.
    let mut own = place.own_covariance;
    for i in 0..free {
        for j in 0..free {
            own[(i, j)] += covariance[(i, j)];
        }
    }
    let change = if zoomed {
        let c = place.change;
        let focal = (1.0 + c.map_or(0.0, |c| c.focal)) * view.lens.fx / place.view.lens.fx - 1.0;
        let shift_px = c.map_or([0.0; 2], |c| c.shift_px);
        Some(LensChange { focal, focal_u: own[(6, 6)].max(0.0).sqrt(), shift_px })
    } else {
        place.change
    };
    let located = Located {
        view,
        own_covariance: own,
        rms_px: tiles_px,
        corners: 0,
        dropped: 0,
        sheets: Vec::new(),
        moved: Vec::new(),
        ambiguous: None,
        change,
        ..place.clone()
    };
    let j = view.pixels_per_metre(w).ok_or(NotRegistered::NothingToHold)?;
    let c = Located { own_covariance: own - place.own_covariance, ..located.clone() }
        .pose_covariance_at(w)
        .ok_or(NotRegistered::NothingToHold)?;
    let scale = (j[0][0] * j[1][1] - j[0][1] * j[1][0]).abs();
    let u_px = (0.5 * (c[0][0] + c[1][1]) * scale).sqrt();
    if u_px > LARGEST_U_PX {
        return Err(NotRegistered::NothingToHold);
    }
    let moved_px = place.view.pixel_from_wall(w).map_or(f64::INFINITY, |p| p.distance_px(middle));
    Ok(Registered { located, moved_px, u_px })
}
