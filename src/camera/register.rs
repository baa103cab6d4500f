//! Has the camera moved, when a photo shows no sheet?
//!
//! The wall itself tells: its grain, seams and screw heads are followed from a photo whose place is known. Both
//! photos are normalised locally (mean and spread of a window taken out, so that light does not matter), the six
//! numbers of the new pose are adjusted by Gauss-Newton from coarse to fine so that the wall's points show the same
//! values, and pixels that disagree (marks, people, sheets taken down) lose their weight (Tukey's biweight).
//!
//! Noise has gradients too. Where the wall's grain runs one way, those across it are little else, and a normal matrix of one photo's
//! gradients J'WJ would promise what is not there. The two photos' noise is independent, so their gradients' product
//! B = J1'WJ2 holds the wall's part alone (instrumental variables). The uncertainty is B^-1 M B^-1, with M the sum over cells of the
//! photo of s s', s = (J1 + J2)' W r / 2 of one cell: what its pixels, which hang together, pull the common pose by (P. J. Huber, *Proc.
//! Fifth Berkeley Symp.* 1, 221, 1967; K.-Y. Liang and S. L. Zeger, *Biometrika* 73, 13, 1986). A change of focal length is tried
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
/// Farthest start, px of the coarsest level: a sixth of a second of arm's length; farther is a new place.
const SEARCH: i64 = 8;
/// Points followed at each level.
const POINTS: usize = 40_000;
/// Tiles across and down whose own shifts are looked at.
const TILES: (usize, usize) = (6, 4);
/// Cells of a tile, across and down: what pulls the pose is independent from cell to cell.
const CELLS: usize = 2;
/// Most steps at each size with one photo's gradients, and then at the finest with both photos'.
const STEPS: usize = 12;
const LAST_STEPS: usize = 8;
/// Share of the plain normal matrix that keeps steps short where the wall has no grain.
const SHORTER: f64 = 0.05;
/// u of a tile's shift that its pixels must give it, px.
const CLEAR_U_PX: f64 = 0.1;
/// What grain finer than the pixels may shift a whole picture by, px: it looks different for each part of a pixel that the picture moved
/// by, alike all over the photo, so that no scatter shows it. Measured on photos rendered without anything that keeps such grain
/// out: 0.016 px RMS an axis of nudges below 4 px, on plywood, concrete and painted board.
const FINE_GRAIN_U_PX: f64 = 0.02;
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
        let (width, height) = (gray.width() as usize / factor, gray.height() as usize / factor);
        let mean = smaller(gray, factor, width, height);
        let value = normalised(&soft(&mean, width, height), width, height);
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
        let (wx, wy) = (cubic(x - x0 as f64), cubic(y - y0 as f64));
        // Central differences with the same weights as the values: a photo's own noise then pulls no way.
        let (mut v, mut gx, mut gy) = (0.0, 0.0, 0.0);
        for (j, b) in wy.iter().enumerate() {
            for (i, a) in wx.iter().enumerate() {
                let at = (y0 + j - 1) * self.width + x0 + i - 1;
                let of = |k: usize| f64::from(self.value[k]);
                v += a * b * of(at);
                gx += 0.5 * a * b * (of(at + 1) - of(at - 1));
                gy += 0.5 * a * b * (of(at + self.width) - of(at - self.width));
            }
        }
        Some((v, gx, gy))
    }
}

/// A photo at a fraction of its size (`factor` even): squares of half the factor are averaged, then every second of them is kept after
/// (1 3 3 1) / 8 both ways. A plain average of two would let grain finer than the new pixels through as grain that is not there, and
/// that is drawn towards whole pixels.
fn smaller(gray: &GrayImage, factor: usize, width: usize, height: usize) -> Vec<f32> {
    const WEIGHTS: [f32; 4] = [0.125, 0.375, 0.375, 0.125];
    let (full, raw, square) = (gray.width() as usize, gray.as_raw(), factor / 2);
    let share = 1.0 / (square * square) as f32;
    // One more at either side, so that all four are there.
    let mut line = vec![0.0f32; 2 * width + 2];
    let mut out = Vec::with_capacity(width * height);
    for y in 0..height {
        line.fill(0.0);
        for (k, weight) in WEIGHTS.iter().enumerate() {
            let from = (2 * y + k).saturating_sub(1).min(2 * height - 1) * square;
            for row in raw.chunks_exact(full).skip(from).take(square) {
                for (v, cell) in line[1..].iter_mut().zip(row.chunks_exact(square)).take(2 * width) {
                    *v += weight * share * cell.iter().map(|&p| f32::from(p)).sum::<f32>();
                }
            }
        }
        (line[0], line[2 * width + 1]) = (line[1], line[2 * width]);
        out.extend((0..width).map(|x| (0..4).map(|k| WEIGHTS[k] * line[2 * x + k]).sum::<f32>()));
    }
    out
}

/// Weights of the pixels at -1, 0, 1, 2 for a place between 0 and 1 (E. Catmull and R. Rom, in *Computer Aided Geometric Design*, 1974).
fn cubic(t: f64) -> [f64; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [0.5 * (-t3 + 2.0 * t2 - t), 0.5 * (3.0 * t3 - 5.0 * t2 + 2.0), 0.5 * (-3.0 * t3 + 4.0 * t2 + t), 0.5 * (t3 - t2)]
}

/// The finest waves taken out, (1 2 1) / 4 both ways; edges stay as they are. What is as fine as the pixels looks different for each
/// part of a pixel that the picture moved by, and would draw the pose towards whole pixels.
fn soft(v: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut across = v.to_vec();
    for (out, line) in across.chunks_exact_mut(width.max(1)).zip(v.chunks_exact(width.max(1))) {
        for (o, w) in out.iter_mut().skip(1).zip(line.windows(3)) {
            *o = 0.25 * (w[0] + 2.0 * w[1] + w[2]);
        }
    }
    let mut out = across.clone();
    for y in 1..height.saturating_sub(1) {
        for x in 0..width {
            let i = y * width + x;
            out[i] = 0.25 * (across[i - width] + 2.0 * across[i] + across[i + width]);
        }
    }
    out
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

/// A wall point that is followed: its place in the wall's frame (m), value and gradient in the reference, cell.
struct Followed {
    wall: Vector3<f64>,
    value: f64,
    slope: [f64; 2],
    cell: usize,
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
                slope: [
                    0.5 * f64::from(level.value[i + 1] - level.value[i - 1]),
                    0.5 * f64::from(level.value[i + w] - level.value[i - w]),
                ],
                cell: y * CELLS * TILES.1 / h * CELLS * TILES.0 + x * CELLS * TILES.0 / w,
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

type Matrix7 = SMatrix<f64, 7, 7>;
type Vector7 = SVector<f64, 7>;

/// One linearisation: normal equations of pose and focal length, and a shift's own equations a tile.
struct Linear {
    /// Product of the two photos' gradients.
    bread: Matrix7,
    /// Of one photo's.
    plain: Matrix7,
    right: Vector7,
    /// What each cell pulls by.
    cells: Vec<Vector7>,
    tiles: Vec<(SMatrix<f64, 2, 2>, SVector<f64, 2>)>,
    used: usize,
}

impl Linear {
    /// Covariance of the first `free` unknowns; zero for the others. `None` where they are not determined.
    fn covariance(&self, free: usize) -> Option<Matrix7> {
        let part = |m: &Matrix7| m.view((0, 0), (free, free)).into_owned();
        let inverse = part(&self.bread).cholesky()?.inverse();
        let pull: Vec<&Vector7> = self.cells.iter().filter(|c| c.iter().any(|v| *v != 0.0)).collect();
        if pull.len() < 2 * free {
            return None;
        }
        // The pose took up `free` of the cells' freedoms.
        let grown = pull.len() as f64 / (pull.len() - free) as f64;
        let meat: Matrix7 = pull.iter().map(|s| *s * s.transpose()).sum::<Matrix7>() * grown;
        let small = &inverse * part(&meat) * &inverse;
        Some(Matrix7::from_fn(|i, j| if i < free && j < free { small[(i, j)] } else { 0.0 }))
    }
}

/// One followed point at the present pose.
struct Row {
    residual: f64,
    /// Gradients in the new photo and in the reference, by full pixel.
    slopes: [[f64; 2]; 2],
    by_pose: [Vector7; 2],
    cell: usize,
}

fn linearise(level: &Level, view: &WallView, points: &[Followed]) -> Linear {
    let f = level.factor as f64;
    let mut rows: Vec<Row> = Vec::with_capacity(points.len());
    for p in points {
        let turned = view.pose.rotation * p.wall;
        let Some(q) = view.lens.project_with_derivatives(&(turned + view.pose.translation)) else { continue };
        let (x, y) = level.level_from_full(q.pixel);
        let Some((v, gx, gy)) = level.at(x, y) else { continue };
        let moves: [[f64; 2]; 7] = std::array::from_fn(|k| {
            if k == 6 {
                // Relative change of the focal length.
                return [q.pixel.x_px - view.lens.cx, q.pixel.y_px - view.lens.cy];
            }
            let d = pose_column(&turned, k);
            [0, 1].map(|r: usize| (0..3).map(|i| q.by_point[r][i] * d[i]).sum::<f64>())
        });
        let slopes = [[gx / f, gy / f], p.slope.map(|s| s / f)];
        let by_pose = slopes.map(|g| Vector7::from_fn(|k, _| g[0] * moves[k][0] + g[1] * moves[k][1]));
        rows.push(Row { residual: p.value - v, slopes, by_pose, cell: p.cell });
    }
    let mut sizes: Vec<f64> = rows.iter().map(|r| r.residual.abs()).collect();
    let scale = if sizes.is_empty() {
        1.0
    } else {
        let k = sizes.len() / 2;
        (*sizes.select_nth_unstable_by(k, f64::total_cmp).1 / 0.6745).max(1e-3)
    };
    let across = CELLS * TILES.0;
    let mut out = Linear {
        bread: Matrix7::zeros(),
        plain: Matrix7::zeros(),
        right: Vector7::zeros(),
        cells: vec![Vector7::zeros(); across * CELLS * TILES.1],
        tiles: vec![(SMatrix::<f64, 2, 2>::zeros(), SVector::<f64, 2>::zeros()); TILES.0 * TILES.1],
        used: rows.len(),
    };
    for Row { residual, slopes: [g, h], by_pose: [a, b], cell } in &rows {
        let t = residual / (4.685 * scale);
        if t.abs() >= 1.0 {
            continue;
        }
        let w = (1.0 - t * t).powi(2) / (scale * scale);
        out.bread += a * b.transpose() * w;
        out.plain += a * a.transpose() * w;
        let pull = (a + b) * (0.5 * w * residual);
        out.right += pull;
        out.cells[*cell] += pull;
        let tile = &mut out.tiles[cell / across / CELLS * TILES.0 + cell % across / CELLS];
        let (g, h) = (SVector::<f64, 2>::from(*g), SVector::<f64, 2>::from(*h));
        tile.0 += (g * h.transpose() + h * g.transpose()) * (0.5 * w);
        tile.1 += (g + h) * (0.5 * w * residual);
    }
    out.bread = (out.bread + out.bread.transpose()) * 0.5;
    out
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
        let finest = k + 1 == LEVELS.len();
        // Gradients of two photos only go together once these lie on each other: the way there is one photo's.
        let mut both = false;
        let mut left = STEPS;
        while left > 0 {
            left -= 1;
            let l = linearise(&b, &view, &points);
            let free = if zoomed { 7 } else { 6 };
            let normal = if both { l.bread + l.plain * SHORTER } else { l.plain };
            let own = normal.view((0, 0), (free, free)).into_owned();
            let right = l.right.rows(0, free).into_owned();
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
            if finest && !both && (small || left == 0) {
                (both, left) = (true, LAST_STEPS);
            } else if small {
                break;
            }
        }
        if finest {
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
    let mut shifts = Vec::new();
    for (n, r) in &l.tiles {
        // A direction without grain says nothing (bare wall: u of many pixels).
        let along = n.symmetric_eigen();
        for k in 0..2 {
            let strength = along.eigenvalues[k];
            if strength > 1.0 / (CLEAR_U_PX * CLEAR_U_PX) {
                shifts.push((along.eigenvectors.column(k).dot(r) / strength).abs());
            }
        }
    }
    if shifts.len() < 2 * LEAST_TILES {
        return Err(NotRegistered::NothingToHold);
    }
    shifts.sort_by(f64::total_cmp);
    let tiles_px = 1.4826 * shifts[shifts.len() / 2];
    if tiles_px > LARGEST_U_PX {
        return Err(NotRegistered::Disagrees { tiles_px });
    }
    if !zoomed && let (Some(all), Some(c)) = (l.bread.try_inverse(), l.covariance(7)) {
        let step = all * l.right;
        let u = c[(6, 6)].max(0.0).sqrt();
        if step[6].abs() > ZOOM && step[6].abs() > ZOOM_U * u {
            return Err(NotRegistered::Zoomed { factor: 1.0 + step[6] });
        }
    }
    let free = if zoomed { 7 } else { 6 };
    let covariance = l.covariance(free).ok_or(NotRegistered::NothingToHold)?;
    let middle = PixelPoint::new(0.5 * f64::from(new.width()), 0.5 * f64::from(new.height()));
    let w = view.wall_from_pixel(middle).ok_or(NotRegistered::NothingToHold)?;
    let deep_m = view.pose.camera_from_wall(&Vector3::new(w.x_m, w.y_m, 0.0)).z;
    let fine = [FINE_GRAIN_U_PX * deep_m / view.lens.fx, FINE_GRAIN_U_PX * deep_m / view.lens.fy];
    // The reference's own doubt comes on top.
    let mut own = place.own_covariance;
    for i in 0..free {
        for j in 0..free {
            own[(i, j)] += covariance[(i, j)];
        }
    }
    // The first two shifts of the pose's six steps.
    own[(3, 3)] += fine[0] * fine[0];
    own[(4, 4)] += fine[1] * fine[1];
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
